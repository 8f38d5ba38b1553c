"""Where a ray meets the pot and the outline of a plate; metres, the pot's frame.

The pot's frame has its origin at the base's centre and z from base to lid.
"""

from math import sqrt

import numpy as np

from raytrace.kernels.compiled import inlined
from raytrace.kernels.sampling import DISC, HALF_SQRT3, RECTANGLE

INF = np.inf
TINY = 1e-300
MISSED, ON_SIDE, ON_LID, ON_BASE = 0, 1, 2, 3


@inlined
def away_from_zero(x):
    """A value that may be divided by: zero becomes a number too small to matter."""
    return x if abs(x) > TINY else TINY


@inlined
def meet_pot(px, py, pz, dx, dy, dz, R, height):
    """Distance along d to the pot from outside it, inf if missed, and which face it meets."""
    a = away_from_zero(dx * dx + dy * dy)
    b = px * dx + py * dy
    q = b * b - a * (px * px + py * py - R * R)
    root = sqrt(q if q > 0.0 else 0.0)
    side_in = (-b - root) / a
    side_out = (-b + root) / a
    dz = away_from_zero(dz)
    low = -pz / dz
    high = (height - pz) / dz
    flat_in = low if dz > 0.0 else high
    flat_out = high if dz > 0.0 else low
    t = side_in if side_in > flat_in else flat_in
    out = side_out if side_out < flat_out else flat_out
    met = (q > 0.0) and (t <= out) and (t > 0.0)  # equal where the pot has no height
    face = ON_SIDE if side_in > flat_in else (ON_BASE if dz > 0.0 else ON_LID)
    return (t if met else INF), (face if met else MISSED)


@inlined
def inside_outline(a, b, shape, half_u, half_v):
    """Whether a point in a facet's own axes lies within its outline."""
    if shape == RECTANGLE:
        return (abs(a) <= half_u) and (abs(b) <= half_v)
    if shape == DISC:
        return a * a + b * b <= half_u * half_u
    return (abs(b) <= HALF_SQRT3 * half_u) and (
        2.0 * HALF_SQRT3 * abs(a) + abs(b) <= 2.0 * HALF_SQRT3 * half_u
    )
