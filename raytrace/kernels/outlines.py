"""Outlines of plates as polygons, in their own plane and as another facet sees them."""

from math import cos, pi, sin, sqrt

import numpy as np

from raytrace.kernels.compiled import kernel
from raytrace.kernels.sampling import DISC, HALF_SQRT3, HEXAGON

# A round facet is a polygon of the same area with this many corners: its rim is off by at most
# 0.6 % of the radius, out and in by turns. tests/optics measures what that costs.
ROUND_CORNERS = 24
MAX_OUTLINE = ROUND_CORNERS + 2  # one more where the plane of another facet cuts it


@kernel
def outline(shape, hu, hv, out):
    """Corners of an outline of these half-sizes, counter-clockwise; returns how many."""
    if shape == HEXAGON:
        for k in range(6):
            a = hu if k == 0 else (-hu if k == 3 else (0.5 * hu if k in (1, 5) else -0.5 * hu))
            out[k, 0] = a
            out[k, 1] = 0.0 if k in (0, 3) else (HALF_SQRT3 * hu if k < 3 else -HALF_SQRT3 * hu)
        return 6
    if shape == DISC:
        step = 2.0 * pi / ROUND_CORNERS
        r = hu * sqrt(step / sin(step))  # keeps the disc's area
        for k in range(ROUND_CORNERS):
            out[k, 0] = r * cos(k * step)
            out[k, 1] = r * sin(k * step)
        return ROUND_CORNERS
    for k in range(4):
        out[k, 0] = hu if k in (0, 3) else -hu
        out[k, 1] = hv if k < 2 else -hv
    return 4


@kernel
def outline_of(f, plates, out):
    """Corners of plate f's outline in its own axes, counter-clockwise; returns how many."""
    return outline(plates.shape[f], plates.half_u[f], plates.half_v[f], out)


@kernel
def in_front(plates, start, index, corners, counts):
    """Outlines of the listed plates as each facet sees them, cut at that facet's plane.

    Fills `corners` (entries, room, 3) with a, b and height over the facet's plane, and
    `counts`; an outline wholly behind the plane has none. What lies behind the plane stands in no
    beam's way, and projected along the beam would come out mirrored.
    """
    flat = np.empty((MAX_OUTLINE, 2))
    seen = np.empty((MAX_OUTLINE, 3))
    for f in range(plates.n_facets):
        c, u, v, n = plates.c[f], plates.u[f], plates.v[f], plates.n[f]
        for e in range(start[f], start[f + 1]):
            g = index[e]
            count = outline_of(g, plates, flat)
            for k in range(count):
                x = plates.c[g, 0] + flat[k, 0] * plates.u[g, 0] + flat[k, 1] * plates.v[g, 0]
                y = plates.c[g, 1] + flat[k, 0] * plates.u[g, 1] + flat[k, 1] * plates.v[g, 1]
                z = plates.c[g, 2] + flat[k, 0] * plates.u[g, 2] + flat[k, 1] * plates.v[g, 2]
                x -= c[0]
                y -= c[1]
                z -= c[2]
                seen[k, 0] = x * u[0] + y * u[1] + z * u[2]
                seen[k, 1] = x * v[0] + y * v[1] + z * v[2]
                seen[k, 2] = x * n[0] + y * n[1] + z * n[2]
            kept = 0
            for k in range(count):
                j = k + 1 if k + 1 < count else 0
                if seen[k, 2] >= 0.0:
                    for x in range(3):
                        corners[e, kept, x] = seen[k, x]
                    kept += 1
                if (seen[k, 2] > 0.0 and seen[j, 2] < 0.0) or (
                    seen[k, 2] < 0.0 and seen[j, 2] > 0.0
                ):
                    t = seen[k, 2] / (seen[k, 2] - seen[j, 2])
                    for x in range(3):
                        corners[e, kept, x] = seen[k, x] + t * (seen[j, x] - seen[k, x])
                    kept += 1
            counts[e] = kept if kept > 2 else 0
