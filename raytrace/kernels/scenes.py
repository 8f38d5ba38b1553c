"""One case set up: plates and sun in the pot's frame, and what can stand in the way of what."""

from math import asin, atan, sin, sqrt

import numpy as np

from raytrace.kernels.arrays import Lists, PlateArrays, Scene, SunArrays
from raytrace.kernels.candidates import in_the_way, measure
from raytrace.kernels.compiled import inner, kernel
from raytrace.kernels.outlines import MAX_OUTLINE, in_front
from raytrace.kernels.sampling import DISC, RECTANGLE

# 32-bit uniforms never fall below 2^-33: no pair of normals lies further out, √(2 · 33 ln 2)
MOST_SIGMAS = 6.7638


@inner
def turned(x, origin, frame, posts, out):
    """Rows of x in another frame, given by its origin and axes, then rows that are in it already.

    Loops instead of array expressions, which cost seconds to compile.
    """
    for k in range(x.shape[0]):
        dx, dy, dz = x[k, 0] - origin[0], x[k, 1] - origin[1], x[k, 2] - origin[2]
        for i in range(3):
            out[k, i] = frame[i, 0] * dx + frame[i, 1] * dy + frame[i, 2] * dz
    for k in range(posts.shape[0]):
        for i in range(3):
            out[x.shape[0] + k, i] = posts[k, i]


@inner
def place_plates(cast, facets, base, frame):
    """Facets in the pot's frame, followed by the faces of the posts."""
    c, n, u, v = facets
    F = c.shape[0]
    P = F + cast.post_c.shape[0]
    out = PlateArrays(
        np.empty((P, 3)),
        np.empty((P, 3)),
        np.empty((P, 3)),
        np.empty((P, 3)),
        cast.half_u,
        cast.half_v,
        cast.shape,
        cast.present,
        cast.area,
        cast.own,
        cast.row,
        cast.column,
        F,
    )
    here = np.zeros(3)
    turned(c, base, frame, cast.post_c, out.c)
    turned(n, here, frame, cast.post_n, out.n)
    turned(u, here, frame, cast.post_u, out.u)
    turned(v, here, frame, cast.post_v, out.v)
    return out


@inner
def across(s, frame):
    """Fill `frame` with two axes across s, then s."""
    sx, sy, sz = s[0], s[1], s[2]
    if abs(sx) < 0.9:
        k = 1.0 / sqrt(sy * sy + sz * sz)
        frame[0, 0], frame[0, 1], frame[0, 2] = 0.0, -sz * k, sy * k
    else:
        k = 1.0 / sqrt(sx * sx + sz * sz)
        frame[0, 0], frame[0, 1], frame[0, 2] = sz * k, 0.0, -sx * k
    ex, ey, ez = frame[0, 0], frame[0, 1], frame[0, 2]
    frame[1, 0] = sy * ez - sz * ey
    frame[1, 1] = sz * ex - sx * ez
    frame[1, 2] = sx * ey - sy * ex
    frame[2, 0], frame[2, 1], frame[2, 2] = sx, sy, sz


@inner
def listed(d, spread, plates, extents):
    """Candidates of every facet for rays within `spread` of its row of d."""
    start = np.empty(plates.n_facets + 1, np.int64)
    room = np.empty(8 * plates.n_facets + 8, np.int64)
    count = in_the_way(d, spread, plates, extents, start, room)
    index = np.empty(count, np.int64)
    if count > room.size:
        in_the_way(d, spread, plates, extents, start, index)
    else:
        for k in range(count):
            index[k] = room[k]
    return start, index


@inner
def make_lists(plates, s, psi_max, mirror, pot):
    """What may shade and block each facet, with outlines as beams need them."""
    F = plates.n_facets
    extents = measure(plates)
    d = np.empty((F, 3))
    for f in range(F):
        for x in range(3):
            d[f, x] = s[x]
    shade_start, shade_index = listed(d, psi_max, plates, extents)
    for f in range(F):
        w = 2.0 * (plates.n[f, 0] * s[0] + plates.n[f, 1] * s[1] + plates.n[f, 2] * s[2])
        for x in range(3):
            d[f, x] = w * plates.n[f, x] - s[x]
    # a slope turns the ray by twice its own angle, scatter by its angle
    spread = psi_max + 2.0 * atan(MOST_SIGMAS * mirror.slope) + atan(MOST_SIGMAS * mirror.scatter)
    block_start, block_index = listed(d, spread, plates, extents)

    # the pot's bounding sphere against the cone of directions to the sun from the facet's sphere
    pot_shades = np.empty(F, np.bool_)
    shades = np.empty(F, np.bool_)
    pot_reach = sqrt(pot.R**2 + 0.25 * pot.height**2)
    for f in range(F):
        x, y, z = -plates.c[f, 0], -plates.c[f, 1], 0.5 * pot.height - plates.c[f, 2]
        along = x * s[0] + y * s[1] + z * s[2]
        far = x * x + y * y + z * z
        both = pot_reach + sqrt(plates.half_u[f] ** 2 + plates.half_v[f] ** 2)
        both = max(both, pot_reach + sqrt(2.0) * plates.half_u[f])
        away = sqrt(max(far - along * along, 0.0))
        pot_shades[f] = along > -both and away <= both + (sqrt(far) + both) * sin(psi_max)
        shades[f] = pot_shades[f] or shade_start[f + 1] > shade_start[f]

    room = 8  # a hexagon's corners and one more where a facet's plane cuts it
    for k in range(plates.shape.size):
        if plates.shape[k] == DISC:
            room = MAX_OUTLINE
    shade_corners = np.empty((shade_index.size, room, 3))
    shade_counts = np.empty(shade_index.size, np.int64)
    in_front(plates, shade_start, shade_index, shade_corners, shade_counts)
    block_corners = np.empty((block_index.size, room, 3))
    block_counts = np.empty(block_index.size, np.int64)
    in_front(plates, block_start, block_index, block_corners, block_counts)
    return Lists(
        shade_start,
        shade_index,
        shade_corners,
        shade_counts,
        block_start,
        block_index,
        block_corners,
        block_counts,
        pot_shades,
        shades,
    )


@kernel
def all_below(plates):
    """Whether every facet lies wholly below the plane of the pot's base, as beams demand."""
    for f in range(plates.n_facets):
        if plates.present[f]:
            half_v = plates.half_v[f] if plates.shape[f] == RECTANGLE else plates.half_u[f]
            reach = abs(plates.u[f, 2]) * plates.half_u[f] + abs(plates.v[f, 2]) * half_v
            if plates.c[f, 2] + reach >= 0.0:
                return False
    return True


@kernel
def make_scene(cast, facets, base, frame, sun, dni, scale):
    """Set up one case.

    `base`, `frame` are the pot's, platform frame; `sun` is the direction to the sun in the platform
    frame, `dni` in W/m², `scale` the sun's size over that of the table.
    """
    plates = place_plates(cast, facets, base, frame)
    s = np.empty(3)
    for i in range(3):
        s[i] = frame[i, 0] * sun[0] + frame[i, 1] * sun[1] + frame[i, 2] * sun[2]
    sun_frame = np.empty((3, 3))
    across(s, sun_frame)
    suns = SunArrays(sun_frame, cast.x_disc, cast.table, scale, dni)
    psi_max = asin(min(sin(cast.psi_max) * scale, 1.0))
    lists = make_lists(plates, s, psi_max, cast.mirror, cast.pot)
    return Scene(plates, suns, cast.pot, cast.mirror, lists)
