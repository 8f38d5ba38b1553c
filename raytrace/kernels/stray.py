"""Irradiance at points in space: the sun, blurred by the mirror, seen through each facet's outline.

A flat facet is a window. From a point, what lies behind it is the sun's image: radially bright
about the facet's central ray, and as wide as sunshape and surface make it. The light from the facet
is the integral of that image over the outline, as the point sees it, less what stands before it.

On the plane square to the central ray, at distance 1 from the point, that outline is a polygon.
With C(t) the share of the light within t = tan ψ of the ray, the field C x / (2π t²) has the image
as its divergence. So the integral over a polygon is a sum of integrals along its edges, smooth
however near or far the facet is: nothing is sampled.

The surface spreads light twice as far in the plane of incidence as its slope, and less across it.
The image is taken as radial in axes that are stretched to have both variances right.

What is lit is found for the middle of the sun: the penumbra of a shadow on a facet, some
millimetres wide, counts as an edge. What blocks is seen from the point itself, and is exact.
"""

from math import acos, atan2, cos, pi, sin, sqrt
from typing import NamedTuple

import numpy as np

from raytrace.kernels.beams import (
    Pieces,
    Placing,
    let_out,
    take_away,
    take_pots_shadow,
    to_pot,
)
from raytrace.kernels.compiled import inlined, inner, kernel
from raytrace.kernels.glass import clear_half_sizes, matters, shift_per_slant
from raytrace.kernels.outlines import outline, outline_of
from raytrace.kernels.polygons import (
    CLEAR,
    GATE,
    MAX_CORNERS,
    MAX_PIECES,
    OUTLINE,
    PIECES,
    ROWS,
    SHADOW,
    area,
    overlap,
    subtract,
)
from raytrace.kernels.rays import dot

RIM_CORNERS = 48  # of a pot's rim as a polygon, which has its area
NEAREST = 1e-6  # light that comes from nearer than this is not looked at [m]
SEEN = 1e-2  # of the most that a facet so far could send, from which on it counts as seen shining
# Gauss and Legendre's four points on 0 to 1, and their weights
NODES = (0.06943184420297371, 0.33000947820757187, 0.6699905217924281, 0.9305681557970262)
WEIGHTS = (0.17392742256872693, 0.32607257743127307, 0.32607257743127307, 0.17392742256872693)


class Glow(NamedTuple):
    """How a facet's light spreads about its central ray."""

    share: np.ndarray  # (K, M) share within t over t², K levels of cos² θ, M equal steps of t
    t_max: float  # all of it lies within
    panel: float  # over so much of t the share is smooth [1]
    sun: float  # variance of the disc per axis [rad²]


class Windows(NamedTuple):
    """What of each facet sends light out, and where to; pot's frame."""

    first_piece: np.ndarray  # (F + 1,) convex pieces of each facet
    first_corner: np.ndarray  # (pieces + 1,)
    corners: np.ndarray  # (corners, 3)
    signs: np.ndarray  # (pieces,)
    ray: np.ndarray  # (F, 3) central ray
    ex: np.ndarray  # (F, 3) axes across it, stretched: in the plane of incidence and square to it
    ey: np.ndarray  # (F, 3)
    cos2: np.ndarray  # (F,) squared cosine of the angle of incidence
    strength: np.ndarray  # (F,) irradiance square to the ray where the whole sun is seen [W/m²]
    reach: np.ndarray  # (F,) from the centre to the furthest corner


@kernel
def open_windows(scene, sun_variance, pot_there):
    """What each facet sends out under the middle of the sun: shaded, and shifted by its glass."""
    plates, sun, pot, mirror, lists = scene
    F = plates.n_facets
    polys = np.empty((ROWS, MAX_CORNERS, 2))
    counts = np.empty(MAX_PIECES, np.int64)
    signs = np.empty(MAX_PIECES)
    pieces = Pieces(polys, counts, signs)
    shading = lists.shade_corners, lists.shade_counts
    first_piece = np.zeros(F + 1, np.int64)
    out_first = np.zeros(64 * F + 65, np.int64)
    out_sign = np.zeros(64 * F + 64)
    out = np.empty((32 * F + 64, 3))
    ray, ex, ey = np.zeros((F, 3)), np.zeros((F, 3)), np.zeros((F, 3))
    cos2, strength, reach = np.zeros(F), np.zeros(F), np.zeros(F)
    s = sun.frame[2]
    n_out, n_corners = 0, 0
    last = mirror.reflectance.size - 1
    for f in range(F):
        first_piece[f + 1] = n_out
        c, u, v, n = plates.c[f], plates.u[f], plates.v[f], plates.n[f]
        du, dv, dn = dot(s, u), dot(s, v), dot(s, n)
        if not plates.present[f] or dn <= 1e-6:
            continue
        count = outline_of(f, plates, polys[OUTLINE])
        half_u, half_v = clear_half_sizes(
            plates.shape[f], plates.half_u[f], plates.half_v[f], mirror.bevel
        )
        clear = outline(plates.shape[f], half_u, half_v, polys[CLEAR])
        k = shift_per_slant(mirror, dn)
        gate = overlap(polys, CLEAR, clear, k * du, k * dv, GATE)
        high_a, high_b = 0.0, 0.0
        counts[0], signs[0], n_pieces = count, 1.0, 1
        for j in range(count):
            polys[PIECES, j, 0], polys[PIECES, j, 1] = polys[OUTLINE, j, 0], polys[OUTLINE, j, 1]
            high_a = max(high_a, polys[OUTLINE, j, 0])
            high_b = max(high_b, polys[OUTLINE, j, 1])
        at = Placing(
            c[0], c[1], c[2], u[0], u[1], u[2], v[0], v[1], v[2], n[0], n[1], n[2],
            high_a, high_b, count,
        )  # fmt: skip
        n_pieces, fell = take_away(
            pieces, 1, shading, lists.shade_start[f], lists.shade_start[f + 1], du / dn, dv / dn, at
        )
        if n_pieces > 0 and pot_there and lists.pot_shades[f]:
            # a facet that reaches above the base would be shaded too much: it counts as lit
            below = abs(u[2]) * high_a + abs(v[2]) * high_b + c[2] < 0.0
            if below:
                n_pieces, too = take_pots_shadow(pieces, n_pieces, at, to_pot(at, du, dv, dn), pot)
                fell = fell or too
        if n_pieces > 0 and matters(mirror):
            front = (GATE, gate) if mirror.bevel > 0.0 else (CLEAR, clear)
            n_pieces = let_out(pieces, n_pieces, front, gate, k * du, k * dv, not fell)
        if n_pieces < 0:  # no room: all of it counts as lit
            counts[0], signs[0], n_pieces = count, 1.0, 1
            for j in range(count):
                for x in range(2):
                    polys[PIECES, j, x] = polys[OUTLINE, j, x]
        for k in range(min(n_pieces, 64 * F + 64 - n_out)):
            if counts[k] == 0:
                continue
            while n_corners + counts[k] > out.shape[0]:
                more = np.empty((2 * out.shape[0], 3))
                more[: out.shape[0]] = out
                out = more
            for j in range(counts[k]):
                a, b = polys[PIECES + k, j, 0], polys[PIECES + k, j, 1]
                far = sqrt(a * a + b * b)
                reach[f] = max(reach[f], far)
                for x in range(3):
                    out[n_corners, x] = c[x] + a * u[x] + b * v[x]
                n_corners += 1
            out_sign[n_out] = signs[k]
            n_out += 1
            out_first[n_out] = n_corners
        first_piece[f + 1] = n_out
        y = last * dn
        i = min(int(y), last - 1)
        low = mirror.reflectance[i]
        rho = plates.own[f] * (low + (y - i) * (mirror.reflectance[i + 1] - low))
        strength[f] = sun.dni * rho
        cos2[f] = dn * dn
        for x in range(3):
            ray[f, x] = 2.0 * dn * n[x] - s[x]
        # across the ray in the plane of incidence; any, where light falls in squarely
        r = ray[f]
        part = dot(r, n)
        ax, ay, az = n[0] - part * r[0], n[1] - part * r[1], n[2] - part * r[2]
        length = sqrt(ax * ax + ay * ay + az * az)
        if length < 1e-9:
            part = dot(r, u)
            ax, ay, az = u[0] - part * r[0], u[1] - part * r[1], u[2] - part * r[2]
            length = sqrt(ax * ax + ay * ay + az * az)
        wide = (2.0 * mirror.slope) ** 2
        even = sun_variance + mirror.scatter**2
        middle = even + 0.5 * wide * (1.0 + dn * dn)
        kx = sqrt(middle / (even + wide)) / length
        ky = sqrt(middle / (even + wide * dn * dn)) / length
        ex[f, 0], ex[f, 1], ex[f, 2] = kx * ax, kx * ay, kx * az
        ey[f, 0] = ky * (r[1] * az - r[2] * ay)
        ey[f, 1] = ky * (r[2] * ax - r[0] * az)
        ey[f, 2] = ky * (r[0] * ay - r[1] * ax)
    return Windows(
        first_piece,
        out_first[: n_out + 1].copy(),
        out[:n_corners].copy(),
        out_sign[:n_out].copy(),
        ray,
        ex,
        ey,
        cos2,
        strength,
        reach,
    )


@inner
def project(solid, count, at, view, polys, row):
    """Polygon in space as a point sees it against ray r, counter-clockwise; returns its count.

    What lies beyond the point, or level with it, is cut off. `view` is the ray and the axes across.
    """
    px, py, pz = at
    r, ex, ey = view
    n = 0
    qx, qy, qz = 0.0, 0.0, 0.0
    for k in range(count + 1):
        i = k if k < count else 0
        wx, wy, wz = px - solid[i, 0], py - solid[i, 1], pz - solid[i, 2]
        z = wx * r[0] + wy * r[1] + wz * r[2]
        x = wx * ex[0] + wy * ex[1] + wz * ex[2]
        y = wx * ey[0] + wy * ey[1] + wz * ey[2]
        if k > 0 and ((z > NEAREST) != (qz > NEAREST)):
            t = (NEAREST - qz) / (z - qz)
            polys[row, n, 0] = (qx + t * (x - qx)) / NEAREST
            polys[row, n, 1] = (qy + t * (y - qy)) / NEAREST
            n += 1
        if k < count and z > NEAREST:
            polys[row, n, 0] = x / z
            polys[row, n, 1] = y / z
            n += 1
        qx, qy, qz = x, y, z
    if n < 3:
        return 0
    if area(polys, row, n) < 0.0:
        i, j = 0, n - 1
        while i < j:
            for x in range(2):
                corner = polys[row, i, x]
                polys[row, i, x] = polys[row, j, x]
                polys[row, j, x] = corner
            i += 1
            j -= 1
    return n


@inner
def beyond(polys, row, count, t_max):
    """Whether a polygon clears the square around all of the image."""
    low_x, high_x, low_y, high_y = np.inf, -np.inf, np.inf, -np.inf
    for k in range(count):
        x, y = polys[row, k, 0], polys[row, k, 1]
        low_x, high_x = min(low_x, x), max(high_x, x)
        low_y, high_y = min(low_y, y), max(high_y, y)
    return low_x >= t_max or high_x <= -t_max or low_y >= t_max or high_y <= -t_max


@inlined
def density(glow, low, part, t2):
    """Share within t over t², between two levels."""
    y = sqrt(t2) / glow.t_max * (glow.share.shape[1] - 1)
    i = min(int(y), glow.share.shape[1] - 2)
    w = y - i
    a = glow.share[low, i] + w * (glow.share[low, i + 1] - glow.share[low, i])
    b = glow.share[low + 1, i] + w * (glow.share[low + 1, i + 1] - glow.share[low + 1, i])
    return a + part * (b - a)


@inner
def along_edge(ax, ay, bx, by, glow, low, part):
    """Flux of the field through one edge, from a to b."""
    h = ax * by - ay * bx  # twice the triangle's area: the same all along
    if h == 0.0:
        return 0.0
    dx, dy = bx - ax, by - ay
    dd = dx * dx + dy * dy
    if dd == 0.0:
        return 0.0
    ad = ax * dx + ay * dy
    q = ad * ad - dd * (ax * ax + ay * ay - glow.t_max * glow.t_max)
    if q <= 0.0:
        return atan2(h, ax * bx + ay * by) / (2.0 * pi)
    root = sqrt(q)
    t1 = max((-ad - root) / dd, 0.0)
    t2 = min((-ad + root) / dd, 1.0)
    if t1 >= t2:
        return atan2(h, ax * bx + ay * by) / (2.0 * pi)
    total = 0.0
    x1, y1, x2, y2 = ax + t1 * dx, ay + t1 * dy, ax + t2 * dx, ay + t2 * dy
    if t1 > 0.0:
        total += atan2(ax * y1 - ay * x1, ax * x1 + ay * y1)
    if t2 < 1.0:
        total += atan2(x2 * by - y2 * bx, x2 * bx + y2 * by)
    panels = 1 + int((t2 - t1) * sqrt(dd) / glow.panel)
    step = (t2 - t1) / panels
    inner_sum = 0.0
    for p in range(panels):
        for k in range(4):
            t = t1 + (p + NODES[k]) * step
            x, y = ax + t * dx, ay + t * dy
            inner_sum += WEIGHTS[k] * density(glow, low, part, x * x + y * y)
    return (total + inner_sum * step * h) / (2.0 * pi)


@inner
def take_pot(pieces, n_pieces, at, view, t_max, pot, solid):
    """Take what the pot hides from the pieces: its base, its lid, and its side between them."""
    polys, counts, signs = pieces
    px, py, _ = at
    R = pot.R * sqrt(2.0 * pi / RIM_CORNERS / sin(2.0 * pi / RIM_CORNERS))
    for z in (0.0, pot.height):
        for k in range(RIM_CORNERS):
            solid[k, 0] = R * cos(2.0 * pi * k / RIM_CORNERS)
            solid[k, 1] = R * sin(2.0 * pi * k / RIM_CORNERS)
            solid[k, 2] = z
        m = project(solid, RIM_CORNERS, at, view, polys, SHADOW)
        if m > 2 and not beyond(polys, SHADOW, m, t_max):
            n_pieces = subtract(polys, counts, signs, n_pieces, SHADOW, m)
            if n_pieces < 0:
                return -1
    far = sqrt(px * px + py * py)
    if far > pot.R:
        toward, half = atan2(py, px), acos(pot.R / far)
        for k in range(4):
            angle = toward + (half if k in (0, 3) else -half)
            solid[k, 0], solid[k, 1] = pot.R * cos(angle), pot.R * sin(angle)
            solid[k, 2] = 0.0 if k < 2 else pot.height
        m = project(solid, 4, at, view, polys, SHADOW)
        if m > 2 and not beyond(polys, SHADOW, m, t_max):
            n_pieces = subtract(polys, counts, signs, n_pieces, SHADOW, m)
    return n_pieces


@kernel
def at_points(points, scene, windows, glow, pot_there, out, lit, fill):
    """Irradiance at points in the pot's frame.

    Fills `out` (N, 3), the vector sum over facets of irradiance along their rays [W/m²]; `lit`
    (N,), by how many facets; and `fill` (N,), the solid angle that the light would come from if
    all of it were as bright as the middle of its facet's image [sr].
    """
    plates, _, pot, _, lists = scene
    levels = glow.share.shape[0] - 1
    polys = np.empty((ROWS, MAX_CORNERS, 2))
    counts = np.empty(MAX_PIECES, np.int64)
    signs = np.empty(MAX_PIECES)
    pieces = Pieces(polys, counts, signs)
    solid = np.empty((MAX_CORNERS, 3))
    pot_reach = sqrt(pot.R**2 + 0.25 * pot.height**2)
    for i in range(points.shape[0]):
        px, py, pz = points[i, 0], points[i, 1], points[i, 2]
        out[i, 0], out[i, 1], out[i, 2] = 0.0, 0.0, 0.0
        lit[i], fill[i] = 0, 0.0
        if pot_there and px * px + py * py < pot.R**2 and 0.0 < pz < pot.height:
            continue
        for f in range(plates.n_facets):
            if windows.first_piece[f] == windows.first_piece[f + 1]:
                continue
            c, r, n = plates.c[f], windows.ray[f], plates.n[f]
            wx, wy, wz = px - c[0], py - c[1], pz - c[2]
            along = wx * r[0] + wy * r[1] + wz * r[2]
            reach = windows.reach[f]
            if along < -reach or wx * n[0] + wy * n[1] + wz * n[2] <= NEAREST:
                continue
            across2 = max(wx * wx + wy * wy + wz * wz - along * along, 0.0)
            # stretched axes reach out by less than the root of two
            wide = reach + (along + reach) * 1.5 * glow.t_max
            if across2 > wide * wide:
                continue
            ex, ey = windows.ex[f], windows.ey[f]
            here, view = (px, py, pz), (r, ex, ey)
            n_pieces = 0
            for k in range(windows.first_piece[f], windows.first_piece[f + 1]):
                first = windows.first_corner[k]
                m = windows.first_corner[k + 1] - first
                for j in range(m):
                    for x in range(3):
                        solid[j, x] = windows.corners[first + j, x]
                m = project(solid, m, here, view, polys, PIECES + n_pieces)
                if m > 2 and not beyond(polys, PIECES + n_pieces, m, glow.t_max):
                    counts[n_pieces], signs[n_pieces] = m, windows.signs[k]
                    n_pieces += 1
            if n_pieces == 0:
                continue
            own = n_pieces
            u, v = plates.u[f], plates.v[f]
            for e in range(lists.block_start[f], lists.block_start[f + 1]):
                m = lists.block_counts[e]
                for j in range(m):
                    a, b = lists.block_corners[e, j, 0], lists.block_corners[e, j, 1]
                    up = lists.block_corners[e, j, 2]
                    for x in range(3):
                        solid[j, x] = c[x] + a * u[x] + b * v[x] + up * n[x]
                m = project(solid, m, here, view, polys, SHADOW)
                if m > 2 and not beyond(polys, SHADOW, m, glow.t_max):
                    n_pieces = subtract(polys, counts, signs, n_pieces, SHADOW, m)
                    if n_pieces < 0:
                        break
            if pot_there and n_pieces > 0:
                # light that stays below its base or above its lid passes the pot, and so does
                # light that the point sees beside the ball around it
                highest = max(c[2] + reach, pz)
                lowest = min(c[2] - reach, pz)
                tz = pz - 0.5 * pot.height
                ahead = px * r[0] + py * r[1] + tz * r[2]
                aside = sqrt(max(px * px + py * py + tz * tz - ahead * ahead, 0.0))
                room = pot_reach + (max(ahead, 0.0) + pot_reach) * 1.5 * glow.t_max
                level = highest > 0.0 and lowest < pot.height
                if level and ahead > -pot_reach and aside < room:
                    n_pieces = take_pot(pieces, n_pieces, here, view, glow.t_max, pot, solid)
            if n_pieces < 0:  # no room: nothing counts as blocked
                n_pieces = own
                for k in range(own):
                    first = windows.first_corner[windows.first_piece[f] + k]
                    m = windows.first_corner[windows.first_piece[f] + k + 1] - first
                    for j in range(m):
                        for x in range(3):
                            solid[j, x] = windows.corners[first + j, x]
                    counts[k] = project(solid, m, here, view, polys, PIECES + k)
                    signs[k] = windows.signs[windows.first_piece[f] + k]
            y = windows.cos2[f] * levels
            low = min(int(y), levels - 1)
            part = y - low
            share = 0.0
            for k in range(n_pieces):
                m = counts[k]
                for j in range(m):
                    o = j + 1 if j + 1 < m else 0
                    share += signs[k] * along_edge(
                        polys[PIECES + k, j, 0],
                        polys[PIECES + k, j, 1],
                        polys[PIECES + k, o, 0],
                        polys[PIECES + k, o, 1],
                        glow,
                        low,
                        part,
                    )
            if share <= 0.0:
                continue
            E = windows.strength[f] * share
            for x in range(3):
                out[i, x] += E * r[x]
            whole = 0.0
            for k in range(n_pieces):
                if counts[k] > 0:
                    whole += signs[k] * area(polys, PIECES + k, counts[k])
            middle = density(glow, low, part, 0.0) / pi
            if share > SEEN * min(whole * middle, 1.0):
                lit[i] += 1
            fill[i] += share / (middle * sqrt(dot(ex, ex) * dot(ey, ey)))
