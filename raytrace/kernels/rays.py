"""Rays: points over each facet, directions in the sun, one reflection, first thing met.

Works in the pot's frame (origin at the base's centre, z from base to lid). A chunk of rays of one
facet goes through each stage together, in one scratch buffer whose rows lie at fixed offsets: the
compiler then sees that they never overlap and spreads each stage over vector lanes. Obstacles
form the outer loop of the stage that tests them, so that the inner one has no branches.
"""

from math import sqrt

import numpy as np

from raytrace.kernels.compiled import inlined, kernel
from raytrace.kernels.glass import clear_half_sizes, matters, shift_per_slant
from raytrace.kernels.meet import (
    INF,
    ON_BASE,
    ON_LID,
    ON_SIDE,
    away_from_zero,
    inside_outline,
    meet_pot,
)
from raytrace.kernels.numbers import cos_sin_turn
from raytrace.kernels.random import RAYS, coordinate, make_lattice, set_lattice
from raytrace.kernels.sampling import (
    DISC,
    RECTANGLE,
    normal_pair,
    point_in_disc,
    point_in_hexagon,
    point_in_rectangle,
    sun_radius,
)

# where a ray's power goes: the lines of the ledger, in order
COSINE, SHADED, MIRROR, RIM, BLOCKED, MISSED, SIDE, LID, BASE = range(9)
N_LINES = 9

CHUNK = 512
# rows of the scratch buffer
A = 0 * CHUNK  # point on the facet, facet axes
B = 1 * CHUNK
DX = 2 * CHUNK  # direction to the sampled point of the sun, later of the reflected ray
DY = 3 * CHUNK
DZ = 4 * CHUNK
G = 5 * CHUNK  # share of DNI that falls on the facet's plane
RHO = 6 * CHUNK  # share of it that the mirror returns
T = 7 * CHUNK  # distance along the ray to what stops it
FATE = 8 * CHUNK  # line of the ledger, as a float
SCRATCH = 9 * CHUNK


@kernel
def sample_points(buf, count, first, lattice, shape, half_u, half_v):
    """Fill A and B with points uniform over the facet."""
    shift, step = lattice
    if shape == RECTANGLE:
        for i in range(count):
            u = coordinate(first + i, shift[2], step[2])
            v = coordinate(first + i, shift[3], step[3])
            buf[A + i], buf[B + i] = point_in_rectangle(u, v, half_u, half_v)
    elif shape == DISC:
        for i in range(count):
            u = coordinate(first + i, shift[2], step[2])
            v = coordinate(first + i, shift[3], step[3])
            buf[A + i], buf[B + i] = point_in_disc(u, v, half_u)
    else:
        for i in range(count):
            u = coordinate(first + i, shift[2], step[2])
            v = coordinate(first + i, shift[3], step[3])
            buf[A + i], buf[B + i] = point_in_hexagon(u, v, half_u)


@kernel
def sample_sun(buf, count, first, lattice, sun, n, reflectance, own):
    """Fill DX, DY, DZ, G and RHO; opens every ray's FATE and T."""
    shift, step = lattice
    last = reflectance.size - 1
    for i in range(count):
        r = sun.scale * sun_radius(coordinate(first + i, shift[0], step[0]), sun.x_disc, sun.table)
        c, s = cos_sin_turn(coordinate(first + i, shift[1], step[1]))
        x = r * c
        y = r * s
        z = sqrt(1.0 - r * r)
        dx = x * sun.frame[0, 0] + y * sun.frame[1, 0] + z * sun.frame[2, 0]
        dy = x * sun.frame[0, 1] + y * sun.frame[1, 1] + z * sun.frame[2, 1]
        dz = x * sun.frame[0, 2] + y * sun.frame[1, 2] + z * sun.frame[2, 2]
        cos_i = dx * n[0] + dy * n[1] + dz * n[2]
        cos_i = cos_i if cos_i > 0.0 else 0.0
        buf[DX + i] = dx
        buf[DY + i] = dy
        buf[DZ + i] = dz
        # over the cosine from the disc's centre, with which DNI weighs the same direction
        buf[G + i] = cos_i / z
        buf[RHO + i] = cos_i
        buf[T + i] = INF
        buf[FATE + i] = BASE
    for i in range(count):
        y = last * buf[RHO + i]
        k = int(y)
        k = k if k < last else last - 1
        low = reflectance[k]
        buf[RHO + i] = own * (low + (y - k) * (reflectance[k + 1] - low))


@kernel
def pass_glass(buf, count, f, facets, mirror):
    """Move lit rays to where they leave the glass; mark those that its rim or bevel takes."""
    u, v, n = facets.u[f], facets.v[f], facets.n[f]
    shape = facets.shape[f]
    half_u, half_v = clear_half_sizes(shape, facets.half_u[f], facets.half_v[f], mirror.bevel)
    for i in range(count):
        dx = buf[DX + i]
        dy = buf[DY + i]
        dz = buf[DZ + i]
        a = buf[A + i]
        b = buf[B + i]
        k = shift_per_slant(mirror, dx * n[0] + dy * n[1] + dz * n[2])
        clear = inside_outline(a, b, shape, half_u, half_v)
        a += k * (dx * u[0] + dy * u[1] + dz * u[2])
        b += k * (dx * v[0] + dy * v[1] + dz * v[2])
        clear = clear & inside_outline(a, b, shape, half_u, half_v)
        lost = (buf[FATE + i] > SHADED) & (not clear)
        buf[A + i] = a
        buf[B + i] = b
        buf[T + i] = 0.0 if lost else buf[T + i]
        buf[FATE + i] = RIM if lost else buf[FATE + i]


@kernel
def reflect(buf, count, first, lattice, n, u, v, mirror):
    """Mirror the direction to the sun about the erring normal, then scatter it; reopens T."""
    shift, step = lattice
    slope, scatter = mirror.slope, mirror.scatter
    if slope > 0.0:
        for i in range(count):
            e, g = normal_pair(
                coordinate(first + i, shift[4], step[4]), coordinate(first + i, shift[5], step[5])
            )
            e *= slope
            g *= slope
            k = 1.0 / sqrt(1.0 + e * e + g * g)
            nx = k * (n[0] + e * u[0] + g * v[0])
            ny = k * (n[1] + e * u[1] + g * v[1])
            nz = k * (n[2] + e * u[2] + g * v[2])
            w = 2.0 * (buf[DX + i] * nx + buf[DY + i] * ny + buf[DZ + i] * nz)
            buf[DX + i] = w * nx - buf[DX + i]
            buf[DY + i] = w * ny - buf[DY + i]
            buf[DZ + i] = w * nz - buf[DZ + i]
    else:
        for i in range(count):
            w = 2.0 * (buf[DX + i] * n[0] + buf[DY + i] * n[1] + buf[DZ + i] * n[2])
            buf[DX + i] = w * n[0] - buf[DX + i]
            buf[DY + i] = w * n[1] - buf[DY + i]
            buf[DZ + i] = w * n[2] - buf[DZ + i]
    if scatter > 0.0:
        for i in range(count):
            e, g = normal_pair(
                coordinate(first + i, shift[6], step[6]), coordinate(first + i, shift[7], step[7])
            )
            e *= scatter
            g *= scatter
            x = buf[DX + i]
            y = buf[DY + i]
            z = buf[DZ + i]
            # two axes across the ray without a branch on where it points: Duff et al.,
            # Building an orthonormal basis, revisited, J. Comput. Graph. Tech. 6(1), 2017
            sign = 1.0 if z >= 0.0 else -1.0
            a = -1.0 / (sign + z)
            b = x * y * a
            k = 1.0 / sqrt(1.0 + e * e + g * g)
            buf[DX + i] = k * (x + e * (1.0 + sign * x * x * a) + g * b)
            buf[DY + i] = k * (y + e * sign * b + g * (sign + y * y * a))
            buf[DZ + i] = k * (z - e * sign * x - g * y)


@kernel
def stop_at_plate(buf, count, mark, f, g, facets):
    """Give the rays that leave facet f and meet plate g before T the fate `mark`."""
    c, u, v = facets.c[f], facets.u[f], facets.v[f]
    ng, ug, vg = facets.n[g], facets.u[g], facets.v[g]
    wx, wy, wz = facets.c[g, 0] - c[0], facets.c[g, 1] - c[1], facets.c[g, 2] - c[2]
    k0 = wx * ng[0] + wy * ng[1] + wz * ng[2]
    ku, kv = dot(u, ng), dot(v, ng)
    m0 = -(wx * ug[0] + wy * ug[1] + wz * ug[2])
    mu, mv = dot(u, ug), dot(v, ug)
    o0 = -(wx * vg[0] + wy * vg[1] + wz * vg[2])
    ou, ov = dot(u, vg), dot(v, vg)
    shape, half_u, half_v = facets.shape[g], facets.half_u[g], facets.half_v[g]
    n0, n1, n2 = ng[0], ng[1], ng[2]
    u0, u1, u2 = ug[0], ug[1], ug[2]
    v0, v1, v2 = vg[0], vg[1], vg[2]
    for i in range(count):
        a = buf[A + i]
        b = buf[B + i]
        dx = buf[DX + i]
        dy = buf[DY + i]
        dz = buf[DZ + i]
        t = (k0 - a * ku - b * kv) / away_from_zero(dx * n0 + dy * n1 + dz * n2)
        x = m0 + a * mu + b * mv + t * (dx * u0 + dy * u1 + dz * u2)
        y = o0 + a * ou + b * ov + t * (dx * v0 + dy * v1 + dz * v2)
        met = inside_outline(x, y, shape, half_u, half_v)
        met = met & (t > 0.0) & (t < buf[T + i]) & (buf[FATE + i] >= mark)
        buf[T + i] = t if met else buf[T + i]
        buf[FATE + i] = mark if met else buf[FATE + i]


@kernel
def shade_by_pot(buf, count, c, u, v, R, height):
    """Mark the rays that the pot keeps the sun from."""
    for i in range(count):
        px = c[0] + buf[A + i] * u[0] + buf[B + i] * v[0]
        py = c[1] + buf[A + i] * u[1] + buf[B + i] * v[1]
        pz = c[2] + buf[A + i] * u[2] + buf[B + i] * v[2]
        t, _ = meet_pot(px, py, pz, buf[DX + i], buf[DY + i], buf[DZ + i], R, height)
        met = t < buf[T + i]
        buf[T + i] = t if met else buf[T + i]
        buf[FATE + i] = SHADED if met else buf[FATE + i]


@kernel
def meet_the_pot(buf, count, c, u, v, n, R, height):
    """Give each reflected ray its fate if nothing but the pot is in its way; fills T."""
    for i in range(count):
        px = c[0] + buf[A + i] * u[0] + buf[B + i] * v[0]
        py = c[1] + buf[A + i] * u[1] + buf[B + i] * v[1]
        pz = c[2] + buf[A + i] * u[2] + buf[B + i] * v[2]
        dx = buf[DX + i]
        dy = buf[DY + i]
        dz = buf[DZ + i]
        t, face = meet_pot(px, py, pz, dx, dy, dz, R, height)
        fate = SIDE if face == ON_SIDE else MISSED
        fate = LID if face == ON_LID else fate
        fate = BASE if face == ON_BASE else fate
        # a rough surface at grazing incidence can throw light into itself
        ahead = dx * n[0] + dy * n[1] + dz * n[2] > 0.0
        fate = fate if ahead else BLOCKED
        lit = buf[FATE + i] > RIM
        buf[T + i] = t if lit else buf[T + i]
        buf[FATE + i] = fate if lit else buf[FATE + i]


@inlined
def dot(a, b):
    """Scalar product of two vectors."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@kernel
def toward_the_sun(buf, count, first, lattice, f, scene):
    """Sample a chunk of facet f's rays and mark those that something keeps the sun from."""
    facets, sun, pot, mirror, lists = scene
    c, u, v, n = facets.c[f], facets.u[f], facets.v[f], facets.n[f]
    sample_points(buf, count, first, lattice, facets.shape[f], facets.half_u[f], facets.half_v[f])
    sample_sun(buf, count, first, lattice, sun, n, mirror.reflectance, facets.own[f])
    for k in range(lists.shade_start[f], lists.shade_start[f + 1]):
        stop_at_plate(buf, count, SHADED, f, lists.shade_index[k], facets)
    if lists.pot_shades[f]:
        shade_by_pot(buf, count, c, u, v, pot.R, pot.height)


@kernel
def toward_the_pot(buf, count, first, lattice, f, scene):
    """Reflect a chunk of facet f's rays and give each its fate."""
    facets, _, pot, mirror, lists = scene
    c, u, v, n = facets.c[f], facets.u[f], facets.v[f], facets.n[f]
    if matters(mirror):
        pass_glass(buf, count, f, facets, mirror)
    reflect(buf, count, first, lattice, n, u, v, mirror)
    meet_the_pot(buf, count, c, u, v, n, pot.R, pot.height)
    for k in range(lists.block_start[f], lists.block_start[f + 1]):
        stop_at_plate(buf, count, BLOCKED, f, lists.block_index[k], facets)


@kernel
def tally(buf, count, f, facets, weight, pot, power, base_power):
    """Add a chunk to facet f's ledger and to the base's map; `weight` is W per ray at G = 1."""
    c, u, v = facets.c[f], facets.u[f], facets.v[f]
    R, covered = pot.R, pot.covered
    bins = base_power.shape[0]
    per_metre = 0.5 * bins / R
    for i in range(count):
        line = int(buf[FATE + i])
        arriving = weight * buf[G + i]
        power[COSINE] += weight - arriving
        if line == SHADED:
            power[SHADED] += arriving
            continue
        leaving = arriving * buf[RHO + i]
        power[MIRROR] += arriving - leaving
        if line == BASE:
            power[BLOCKED] += leaving * covered
            leaving *= 1.0 - covered
            a = buf[A + i]
            b = buf[B + i]
            t = buf[T + i]
            x = c[0] + a * u[0] + b * v[0] + t * buf[DX + i]
            y = c[1] + a * u[1] + b * v[1] + t * buf[DY + i]
            ix = min(max(int((x + R) * per_metre), 0), bins - 1)
            iy = min(max(int((y + R) * per_metre), 0), bins - 1)
            base_power[iy, ix] += leaving
        power[line] += leaving


@kernel
def trace_rays(piece, scene, samples, power, base_power):
    """Trace a piece of one replicate of 2^log2_points rays a facet.

    `piece` says of which facets which rays: from facet, to facet, from ray, to ray. Adds to power
    (F, N_LINES) and base_power [W]; pieces in their order give the same bits however they are cut.
    """
    facets, sun, pot = scene.plates, scene.sun, scene.pot
    buf = np.empty(SCRATCH)
    lattice = make_lattice()
    points = 1 << samples.log2_points
    first, last, start, stop = piece
    for f in range(first, last):
        if not facets.present[f]:
            continue
        weight = sun.dni * facets.area[f] / points
        set_lattice(lattice, samples, RAYS, facets.row[f], facets.column[f])
        for begin in range(start, stop, CHUNK):
            count = min(CHUNK, stop - begin)
            toward_the_sun(buf, count, begin, lattice, f, scene)
            toward_the_pot(buf, count, begin, lattice, f, scene)
            tally(buf, count, f, facets, weight, pot, power[f], base_power)


@kernel
def record_rays(scene, samples, out):
    """Follow one replicate of 2^log2_points rays a facet and keep them.

    `out` (F, points, 16): place on the facet, direction to the sun, reflected direction,
    distance along it to what it meets (inf for nothing), fate, share of DNI on the facet's plane,
    place where the ray leaves the glass, reflectance.
    """
    facets = scene.plates
    buf = np.empty(SCRATCH)
    lattice = make_lattice()
    points = 1 << samples.log2_points
    for f in range(facets.n_facets):
        c, u, v = facets.c[f], facets.u[f], facets.v[f]
        set_lattice(lattice, samples, RAYS, facets.row[f], facets.column[f])
        for first in range(0, points, CHUNK):
            count = min(CHUNK, points - first)
            toward_the_sun(buf, count, first, lattice, f, scene)
            for i in range(count):
                row = out[f, first + i]
                for x in range(3):
                    row[x] = c[x] + buf[A + i] * u[x] + buf[B + i] * v[x]
                    row[3 + x] = buf[DX + x * CHUNK + i]
                row[11] = buf[G + i]
            toward_the_pot(buf, count, first, lattice, f, scene)
            for i in range(count):
                row = out[f, first + i]
                for x in range(3):
                    row[6 + x] = buf[DX + x * CHUNK + i]
                    row[12 + x] = c[x] + buf[A + i] * u[x] + buf[B + i] * v[x]
                row[9] = buf[T + i]
                row[10] = buf[FATE + i]
                row[15] = buf[RHO + i]
