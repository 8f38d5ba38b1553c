"""The base's flux map by exact area: what part of each bin a polygon within the rim covers.

Edges leave marks in the bins they cross; a running sum along each row at the end turns the marks
of all polygons, each weighted by its flux, into power by bin. A polygon that the rim cuts is
bounded by arcs too. The rim's pieces between grid lines are known beforehand, so that an arc only
adds its weight where it begins and takes it away where it ends; parts of pieces at both ends are
drawn as a chord and the area between chord and arc.
"""

from math import atan2, cos, pi, sin, sqrt
from typing import NamedTuple

import numpy as np

from raytrace.kernels.compiled import kernel

TURN = 2.0 * pi
# An edge that leaves the rim this much of a turn outside is nearer to it than rounding.
HAIR = 1e-7


class Rim(NamedTuple):
    """The base's rim on the grid of its map."""

    R: float  # metres
    radius: float  # in bins; also the rim's centre in x and in y
    angle: np.ndarray  # (K + 1,) where the rim's pieces begin, from 0 to 2π
    ix: np.ndarray  # (K,) bin that holds each piece
    iy: np.ndarray  # (K,)


def make_rim(R, bins):
    """Cut the rim where it crosses the grid's lines."""
    line = np.arange(1, bins) / (0.5 * bins) - 1.0
    up = np.arccos(line)
    right = np.arcsin(line)
    angle = np.concatenate([up, -up, right, pi - right, [0.0, 0.5 * pi, pi, 1.5 * pi]]) % TURN
    angle = np.unique(np.round(angle, 13))
    angle = np.append(angle[np.diff(angle, prepend=-1.0) > 1e-11], TURN)
    middle = 0.5 * (angle[1:] + angle[:-1])
    half = 0.5 * bins
    ix = np.clip((half + half * np.cos(middle)).astype(np.int64), 0, bins - 1)
    iy = np.clip((half + half * np.sin(middle)).astype(np.int64), 0, bins - 1)
    return Rim(float(R), half, angle, ix, iy)


@kernel
def add_line(x0, y0, x1, y1, weight, marks):
    """Mark an edge of a counter-clockwise polygon; bin units."""
    if y0 == y1:
        return
    bins = marks.shape[0]
    if y0 < y1:
        weight = -weight  # an edge that rises has the polygon on its left
    else:
        x0, x1 = x1, x0
        y0, y1 = y1, y0
    slope = (x1 - x0) / (y1 - y0)
    row = max(int(y0), 0)
    ya = y0
    xa = x0
    while ya < y1 and row < bins:
        yb = min(y1, row + 1.0)
        xb = x1 if yb == y1 else x0 + (yb - y0) * slope
        rise = weight * (yb - ya)
        low = min(xa, xb)
        high = max(xa, xb)
        i = min(max(int(low), 0), bins - 1)
        last = min(max(int(high), 0), bins - 1)
        if i == last:
            middle = 0.5 * (low + high) - i
            marks[row, i] += rise * (1.0 - middle)
            marks[row, i + 1] += rise * middle
        else:
            per_bin = rise / (high - low)
            width = i + 1.0 - low
            middle = 1.0 - 0.5 * width
            marks[row, i] += per_bin * width * (1.0 - middle)
            marks[row, i + 1] += per_bin * width * middle
            for k in range(i + 1, last):
                marks[row, k] += 0.5 * per_bin
                marks[row, k + 1] += 0.5 * per_bin
            width = high - last
            middle = 0.5 * width
            marks[row, last] += per_bin * width * (1.0 - middle)
            marks[row, last + 1] += per_bin * width * middle
        ya = yb
        xa = xb
        row += 1


@kernel
def add_arc_within(a0, a1, k, weight, rim, marks):
    """Mark a part of the rim's piece k: its chord, and the area between chord and arc."""
    r = rim.radius
    add_line(r + r * cos(a0), r + r * sin(a0), r + r * cos(a1), r + r * sin(a1), weight, marks)
    turn = a1 - a0
    bulge = 0.5 * r * r * (turn - sin(turn)) * weight
    marks[rim.iy[k], rim.ix[k]] += bulge
    marks[rim.iy[k], rim.ix[k] + 1] -= bulge


@kernel
def piece_at(a, rim):
    """Which piece of the rim holds an angle in [0, 2π)."""
    low = 0
    high = rim.ix.size - 1
    while low < high:
        middle = (low + high + 1) // 2
        if rim.angle[middle] <= a:
            low = middle
        else:
            high = middle - 1
    return low


@kernel
def add_arc(a0, a1, weight, rim, marks, turns):
    """Mark the rim from one angle counter-clockwise to another, both in [0, 2π)."""
    back = a0 - a1 if a0 >= a1 else a0 - a1 + TURN
    if back < HAIR:
        return  # a sliver's two edges meet the rim in one point, in either order
    i = piece_at(a0, rim)
    j = piece_at(a1, rim)
    if i == j and a1 >= a0:
        add_arc_within(a0, a1, i, weight, rim, marks)
        return
    add_arc_within(a0, rim.angle[i + 1], i, weight, rim, marks)
    add_arc_within(rim.angle[j], a1, j, weight, rim, marks)
    # whole pieces from i + 1 to j - 1, over the end of the turn if need be
    turns[i + 1] += weight
    turns[j] -= weight
    if j <= i:
        turns[0] += weight
        turns[rim.ix.size] -= weight


@kernel
def add_in_disc(polys, p, count, inside, density, rim, marks, turns):
    """Mark the part of a counter-clockwise polygon that lies within the rim.

    Row p in metres about the base's centre; `inside` says that all of it does; `density` in W/m².
    """
    scale = rim.radius / rim.R
    weight = density / (scale * scale)
    r = rim.radius
    if inside:
        ax = r + scale * polys[p, count - 1, 0]
        ay = r + scale * polys[p, count - 1, 1]
        for k in range(count):
            bx = r + scale * polys[p, k, 0]
            by = r + scale * polys[p, k, 1]
            add_line(ax, ay, bx, by, weight, marks)
            ax = bx
            ay = by
        return
    r2 = rim.R * rim.R
    entered = -1.0  # where the polygon's edge first comes in, and where it last went out
    left = -1.0
    around = 0.0
    meets = False
    ax = polys[p, count - 1, 0]
    ay = polys[p, count - 1, 1]
    # carried from edge to edge: computed twice, a corner on the rim may fall on either side
    a_in = ax * ax + ay * ay <= r2
    first_in = a_in
    for k in range(count):
        bx = polys[p, k, 0]
        by = polys[p, k, 1]
        dx = bx - ax
        dy = by - ay
        dd = dx * dx + dy * dy
        ad = ax * dx + ay * dy
        q = ad * ad - dd * (ax * ax + ay * ay - r2)
        around += atan2(ax * by - ay * bx, ax * bx + ay * by)
        b_in = bx * bx + by * by <= r2 if k + 1 < count else first_in
        t1 = 0.0
        t2 = 1.0
        if not (a_in and b_in):
            root = sqrt(max(q, 0.0))
            if not a_in:
                t1 = min(max((-ad - root) / dd, 0.0), 1.0)
            if not b_in:
                t2 = min(max((-ad + root) / dd, 0.0), 1.0)
        # corners say where the outline is within, so that it comes in as often as it goes out;
        # an edge between corners outside may still cross, or be too near a tangent to tell
        if a_in or b_in or (q > 0.0 and t2 > t1 and (t2 - t1) ** 2 * dd > HAIR * HAIR * r2):
            meets = True
            x1 = ax + t1 * dx if not a_in else ax
            y1 = ay + t1 * dy if not a_in else ay
            x2 = ax + t2 * dx if not b_in else bx
            y2 = ay + t2 * dy if not b_in else by
            if not a_in:
                comes = atan2(y1, x1)
                comes = comes + TURN if comes < 0.0 else comes
                if left >= 0.0:
                    add_arc(left, comes, weight, rim, marks, turns)
                    left = -1.0
                else:
                    entered = comes
            if not b_in:
                left = atan2(y2, x2)
                left = left + TURN if left < 0.0 else left
            add_line(r + scale * x1, r + scale * y1, r + scale * x2, r + scale * y2, weight, marks)
        ax = bx
        ay = by
        a_in = b_in
    if left >= 0.0 and entered >= 0.0:
        add_arc(left, entered, weight, rim, marks, turns)
    elif not meets and around > 1.0:
        # no edge comes in, and the polygon goes around the rim: all of the disc is lit
        turns[0] += weight
        turns[rim.ix.size] -= weight


@kernel
def finish_map(rim, marks, turns, base_power):
    """Turn marks into power by bin: whole pieces of the rim first, then running sums. [W]"""
    weight = 0.0
    for k in range(rim.ix.size):
        weight += turns[k]
        if weight != 0.0:
            add_arc_within(rim.angle[k], rim.angle[k + 1], k, weight, rim, marks)
    for y in range(base_power.shape[0]):
        total = 0.0
        for x in range(base_power.shape[1]):
            total += marks[y, x]
            base_power[y, x] += total
