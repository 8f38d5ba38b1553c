"""From uniform numbers to points on facets, directions in the sun and errors of the surface."""

from math import sqrt

from raytrace.kernels.compiled import inlined
from raytrace.kernels.numbers import cos_sin_turn, ln

RECTANGLE, DISC, HEXAGON = 0, 1, 2
HALF_SQRT3 = 0.8660254037844386


@inlined
def sun_radius(u, x_disc, table):
    """Sine of the angle from the sun's centre; `table` as raytrace.sky.sunshape lays it out."""
    x = sqrt(u)
    last = table.shape[1] - 1
    in_disc = x < x_disc
    row = 0 if in_disc else 1
    y = x / x_disc if in_disc else (x - x_disc) / (1.0 - x_disc)
    y = last * y
    i = int(y)
    i = i if i < last else last - 1
    low = table[row, i]
    return low + (y - i) * (table[row, i + 1] - low)


@inlined
def normal_pair(u, t):
    """Two independent standard normal numbers (Box and Muller); u in (0, 1)."""
    r = sqrt(-2.0 * ln(u))
    c, s = cos_sin_turn(t)
    return r * c, r * s


@inlined
def point_in_rectangle(u, v, half_u, half_v):
    """Uniform point of a rectangle, facet axes."""
    return (2.0 * u - 1.0) * half_u, (2.0 * v - 1.0) * half_v


@inlined
def point_in_disc(u, v, radius):
    """Uniform point of a disc, facet axes."""
    r = radius * sqrt(u)
    c, s = cos_sin_turn(v)
    return r * c, r * s


@inlined
def point_in_hexagon(u, v, radius):
    """Uniform point of a regular hexagon with two corners on the ±u axis.

    Three rhombi meet at the centre, between corners 0 and 2, 2 and 4, 4 and 0.
    """
    w = 3.0 * u
    k = int(w)
    k = k if k < 3 else 2
    w = w - k
    ax = 1.0 if k == 0 else -0.5
    ay = 0.0 if k == 0 else (HALF_SQRT3 if k == 1 else -HALF_SQRT3)
    bx = 1.0 if k == 2 else -0.5
    by = 0.0 if k == 2 else (HALF_SQRT3 if k == 0 else -HALF_SQRT3)
    return radius * (w * ax + v * bx), radius * (w * ay + v * by)
