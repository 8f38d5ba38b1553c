"""Which facets can stand in the way of which, for all directions within a cone.

A list may name a facet that never gets in the way; it never leaves one out. Proof, for a ray
from a point p of facet f along a unit vector d' within an angle δ of d, that meets facet g at q:

- q - p = t d', so the part of q - p across d is t sin δ at most, and t is at most the greatest
  distance between the two outlines. Seen along d, the two outlines therefore come within
  t sin δ of each other, and no line in the plane across d can part them by more than that.
- t > 0 and δ < 90°, so q - p has a positive part along d: some corner of g lies further along d
  than some corner of f.
- q lies in front of f's plane if the ray leaves f's front, so some corner of g does.
- Facets too far along y or x for a ray to reach before it leaves the layer that holds all of them
  are not looked at; `window` says why.
- Where δ is 90° or more, as on very rough mirrors, every plate is listed.
- The first face of a box that a ray meets is one that it meets from outside: n · d' < 0, so that
  n · d is at most sin δ. A post's other faces need no listing.

Outlines are replaced by polygons around them (a round facet by a square), which adds candidates
and takes none away. A parting line is looked for along the edges of both polygons.
"""

from math import sqrt
from typing import NamedTuple

import numpy as np

from raytrace.kernels.compiled import inner
from raytrace.kernels.sampling import DISC, HALF_SQRT3, HEXAGON


@inner
def corners_of(f, c, u, v, half_u, half_v, shape, out):
    """Corners of a polygon around facet f's outline, in order; returns how many."""
    hu = half_u[f]
    hv = half_v[f]
    if shape[f] == HEXAGON:
        for k in range(6):
            a = hu if k == 0 else (-hu if k == 3 else (0.5 * hu if k in (1, 5) else -0.5 * hu))
            b = 0.0 if k in (0, 3) else (HALF_SQRT3 * hu if k < 3 else -HALF_SQRT3 * hu)
            for x in range(3):
                out[k, x] = c[f, x] + a * u[f, x] + b * v[f, x]
        return 6
    if shape[f] == DISC:
        hv = hu
    for k in range(4):
        a = hu if k in (0, 3) else -hu
        b = hv if k < 2 else -hv
        for x in range(3):
            out[k, x] = c[f, x] + a * u[f, x] + b * v[f, x]
    return 4


@inner
def parted(pf, nf, pg, ng, pad):
    """Whether a line along an edge of the first polygon parts the two by more than `pad`."""
    for k in range(nf):
        j = k + 1 if k + 1 < nf else 0
        nx = pf[j, 1] - pf[k, 1]
        ny = pf[k, 0] - pf[j, 0]
        length = sqrt(nx * nx + ny * ny)
        if length == 0.0:
            continue
        f_low = np.inf
        f_high = -np.inf
        g_low = np.inf
        g_high = -np.inf
        for i in range(nf):
            x = nx * pf[i, 0] + ny * pf[i, 1]
            f_low = min(f_low, x)
            f_high = max(f_high, x)
        for i in range(ng):
            x = nx * pg[i, 0] + ny * pg[i, 1]
            g_low = min(g_low, x)
            g_high = max(g_high, x)
        if g_low - f_high > pad * length or f_low - g_high > pad * length:
            return True
    return False


class Extents(NamedTuple):
    """How far plates reach, made once for all directions."""

    reach: np.ndarray  # (P,) radius of a sphere about the centre that holds the plate
    corners: np.ndarray  # (P, 6, 3)
    count: np.ndarray  # (P,)
    order: np.ndarray  # (F,) facets by rising y
    y: np.ndarray  # (F,) their centres' y, in that order
    top: float  # no facet reaches above this, none below bottom
    bottom: float
    most: float  # greatest reach of a facet


@inner
def measure(plates):
    """Reach and corners of all plates, and the facets in order of y."""
    c, u, v, shape = plates.c, plates.u, plates.v, plates.shape
    half_u, half_v = plates.half_u, plates.half_v
    P = c.shape[0]
    F = plates.n_facets
    reach = np.empty(P)
    corners = np.empty((P, 6, 3))
    count = np.empty(P, np.int64)
    for f in range(P):
        count[f] = corners_of(f, c, u, v, half_u, half_v, shape, corners[f])
        reach[f] = half_u[f] if shape[f] == HEXAGON else sqrt(half_u[f] ** 2 + half_v[f] ** 2)
        if shape[f] == DISC:
            reach[f] = sqrt(2.0) * half_u[f]
    top = -np.inf
    bottom = np.inf
    most = 0.0
    order = np.empty(F, np.int64)
    y = np.empty(F)
    for f in range(F):
        top = max(top, c[f, 2] + reach[f])
        bottom = min(bottom, c[f, 2] - reach[f])
        most = max(most, reach[f])
        # rows are mostly given from high y to low, so the last goes in front: few steps
        g = F - 1 - f
        k = f
        while k > 0 and y[k - 1] > c[g, 1]:
            y[k] = y[k - 1]
            order[k] = order[k - 1]
            k -= 1
        y[k] = c[g, 1]
        order[k] = g
    return Extents(reach, corners, count, order, y, top, bottom, most)


@inner
def first_at(y, value):
    """Index of the first entry of rising y that is not below a value."""
    low = 0
    high = y.size
    while low < high:
        middle = (low + high) // 2
        if y[middle] < value:
            low = middle + 1
        else:
            high = middle
    return low


@inner
def window(f, d, spread, plates, extents):
    """Range of `extents.order`, and of x from facet f's centre, that hold all its rays can meet.

    All facets lie between two levels. A ray that rises or falls leaves that layer after a stated
    length, and so cannot get further along y or x than that.
    """
    y = extents.y
    # each part of a ray's direction is within this of the middle one's
    slack = 2.0 * np.sin(0.5 * min(spread, np.pi))
    rise = d[f, 2]
    reach = extents.reach[f]
    if rise - slack > 1e-3:
        length = (extents.top - plates.c[f, 2] + reach) / (rise - slack)
    elif rise + slack < -1e-3:
        length = (plates.c[f, 2] + reach - extents.bottom) / -(rise + slack)
    else:
        return 0, y.size, -np.inf, np.inf
    ahead = max(length * (d[f, 1] + slack), 0.0)
    behind = max(length * (slack - d[f, 1]), 0.0)
    margin = reach + extents.most + 1e-9
    here = plates.c[f, 1]
    low = first_at(y, here - behind - margin)
    high = first_at(y, here + ahead + margin)
    right = max(length * (d[f, 0] + slack), 0.0) + margin
    left = max(length * (slack - d[f, 0]), 0.0) + margin
    return low, high, -left, right


@inner
def in_the_way(d, spread, plates, extents, start, index):
    """List, for each facet f, the plates that a ray leaving its front may meet.

    `d` (F, 3) is the middle direction of the rays that leave each facet and `spread` the
    greatest angle from it. Fills `start` (F + 1,) and `index`;
    returns how many entries there are, which may exceed the room in `index`: then call again
    with more. Facet f's candidates are index[start[f]:start[f + 1]].
    """
    c, n, present = plates.c, plates.n, plates.present
    reach, corners, count, order = extents.reach, extents.corners, extents.count, extents.order
    F = plates.n_facets
    posts = c.shape[0] - F
    flat_f = np.empty((6, 2))
    flat_g = np.empty((6, 2))
    total = 0
    wide = spread >= 0.5 * np.pi  # rays may go anywhere: no direction to look along
    sin_spread = np.sin(spread)
    start[0] = 0
    for f in range(F):
        if present[f]:
            sx, sy, sz = d[f, 0], d[f, 1], d[f, 2]
            # any two unit vectors that complete d to a frame
            if abs(sz) < 0.9:
                k = 1.0 / sqrt(sx * sx + sy * sy)
                ex, ey, ez = -sy * k, sx * k, 0.0
            else:
                k = 1.0 / sqrt(sy * sy + sz * sz)
                ex, ey, ez = 0.0, -sz * k, sy * k
            hx, hy, hz = sy * ez - sz * ey, sz * ex - sx * ez, sx * ey - sy * ex
            nearest = np.inf
            for i in range(count[f]):
                qx = corners[f, i, 0] - c[f, 0]
                qy = corners[f, i, 1] - c[f, 1]
                qz = corners[f, i, 2] - c[f, 2]
                nearest = min(nearest, qx * sx + qy * sy + qz * sz)
                flat_f[i, 0] = qx * ex + qy * ey + qz * ez
                flat_f[i, 1] = qx * hx + qy * hy + qz * hz
            low, high, left, right = window(f, d, spread, plates, extents)
            for j in range(high - low + posts):
                g = order[low + j] if j < high - low else F + j - (high - low)
                wx = c[g, 0] - c[f, 0]
                if g < F and (wx < left or wx > right):
                    continue
                if g == f or not present[g]:
                    continue
                if wide:
                    if total < index.shape[0]:
                        index[total] = g
                    total += 1
                    continue
                if g >= F and sx * n[g, 0] + sy * n[g, 1] + sz * n[g, 2] > sin_spread:
                    continue
                wy, wz = c[g, 1] - c[f, 1], c[g, 2] - c[f, 2]
                both = reach[f] + reach[g]
                along = wx * sx + wy * sy + wz * sz
                if along <= -both:
                    continue
                w2 = wx * wx + wy * wy + wz * wz
                pad = (sqrt(w2) + both) * sin_spread
                across2 = w2 - along * along
                if across2 > (both + pad) ** 2:
                    continue
                if wx * n[f, 0] + wy * n[f, 1] + wz * n[f, 2] <= -reach[g]:
                    continue
                front = -np.inf
                furthest = -np.inf
                for i in range(count[g]):
                    qx = corners[g, i, 0] - c[f, 0]
                    qy = corners[g, i, 1] - c[f, 1]
                    qz = corners[g, i, 2] - c[f, 2]
                    front = max(front, qx * n[f, 0] + qy * n[f, 1] + qz * n[f, 2])
                    furthest = max(furthest, qx * sx + qy * sy + qz * sz)
                # a hair's breadth keeps rounding from dropping a facet that just touches
                hair = 1e-12 * (1.0 + both)
                if front <= -hair or furthest - nearest <= -hair:
                    continue
                for i in range(count[g]):
                    qx = corners[g, i, 0] - c[f, 0]
                    qy = corners[g, i, 1] - c[f, 1]
                    qz = corners[g, i, 2] - c[f, 2]
                    flat_g[i, 0] = qx * ex + qy * ey + qz * ez
                    flat_g[i, 1] = qx * hx + qy * hy + qz * hz
                pad += hair
                if parted(flat_f, count[f], flat_g, count[g], pad):
                    continue
                if parted(flat_g, count[g], flat_f, count[f], pad):
                    continue
                if total < index.shape[0]:
                    index[total] = g
                total += 1
        start[f + 1] = total
    return total
