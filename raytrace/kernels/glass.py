"""Glass in front of the silver: how far light shifts in it, and what of a front is clear."""

from math import sqrt

from raytrace.kernels.compiled import inlined
from raytrace.kernels.sampling import HALF_SQRT3, HEXAGON, RECTANGLE


@inlined
def matters(mirror):
    """Whether light shifts at all, or a bevel takes some."""
    return (mirror.thickness > 0.0) or (mirror.bevel > 0.0)


@inlined
def shift_per_slant(mirror, cos_i):
    """Shift of the light over the part along the plate of the unit vector toward its source.

    Down to the silver and up again the ray goes 2 d tan θ₂ along the plate, away from its source;
    that part is sin θᵢ long, and by Snell's law sin θ₂ = sin θᵢ / n.
    """
    n = mirror.index
    return -2.0 * mirror.thickness / sqrt((n - 1.0) * (n + 1.0) + cos_i * cos_i)


@inlined
def clear_half_sizes(shape, half_u, half_v, bevel):
    """Half-sizes of a front without its bevelled or ground rim, which has one width all round."""
    du = bevel / HALF_SQRT3 if shape == HEXAGON else bevel
    dv = bevel if shape == RECTANGLE else du
    return max(half_u - du, 0.0), max(half_v - dv, 0.0)
