"""Beams: one direction of the sun and one error of the surface for a whole facet, areas exact.

A flat facet sends out a parallel beam, so what is lit, shaded, blocked, on the base and on the
side is a set of polygons on the facet's plane. Nothing is sampled over area, and the integrand
over the rest is continuous. Unbiased for the reason that rays are: the surface's error is drawn
independently of the point.

Holds where every facet lies wholly below the plane of the pot's base: then whatever stands in a
reflected beam's way stands before the pot, and a beam meets the pot just where its image on the
base's plane lies in the disc swept along the beam over the pot's height.

Plane coordinates are a facet's own axes (a along u, b along v) until the map to the base.
"""

from math import cos, pi, sin, sqrt
from typing import NamedTuple

import numpy as np

from raytrace.kernels.arrays import Lattice, SunArrays
from raytrace.kernels.compiled import inlined, inner, kernel
from raytrace.kernels.glass import clear_half_sizes, matters, shift_per_slant
from raytrace.kernels.outlines import outline, outline_of
from raytrace.kernels.polygons import (
    CLEAR,
    GATE,
    IMAGE,
    MAX_CORNERS,
    MAX_PIECES,
    OUTLINE,
    PIECES,
    ROWS,
    SHADOW,
    apart,
    area,
    area_in_capsule,
    area_in_disc,
    intersect,
    overlap,
    subtract,
)
from raytrace.kernels.random import BEAMS, make_lattice, set_lattice
from raytrace.kernels.raster import add_in_disc
from raytrace.kernels.rays import (
    BASE,
    BLOCKED,
    CHUNK,
    COSINE,
    DX,
    DY,
    DZ,
    MIRROR,
    MISSED,
    RHO,
    RIM,
    SCRATCH,
    SHADED,
    SIDE,
    G,
    dot,
    reflect,
    sample_sun,
)

# Corners on each half circle of the pot's shadow, whose area they keep: the rim is off by at most
# 0.1 % of the radius, out and in by turns.
SHADOW_CORNERS = 32
ROUNDING = 1e-13


class Pieces(NamedTuple):
    """Polygons on a facet's plane, among them the pieces of what is lit."""

    polys: np.ndarray  # (ROWS, MAX_CORNERS, 2)
    counts: np.ndarray  # (MAX_PIECES,) corners of each piece
    signs: np.ndarray  # (MAX_PIECES,) +1, or -1 for what the pot's shadow takes


class Room(NamedTuple):
    """Room to work in, made once per thread."""

    buf: np.ndarray  # chunks of samples, as rays.py lays them out
    suns: np.ndarray  # directions to the sun, kept while `buf` holds the reflected ones
    lattice: Lattice
    pieces: Pieces


class Placing(NamedTuple):
    """A facet's centre and axes as plain numbers, cheaper to pass on than arrays."""

    cx: float
    cy: float
    cz: float
    ux: float
    uy: float
    uz: float
    vx: float
    vy: float
    vz: float
    nx: float
    ny: float
    nz: float
    high_a: float  # half-sizes of the box around the outline
    high_b: float
    corners: int


class Affine(NamedTuple):
    """Map from a facet's plane to the base's: x = x0 + a xa + b xb, y likewise."""

    x0: float
    xa: float
    xb: float
    y0: float
    ya: float
    yb: float


@kernel
def make_room():
    """Room for trace_beams."""
    return Room(
        np.empty(SCRATCH),
        np.empty(3 * CHUNK),
        make_lattice(),
        Pieces(
            np.empty((ROWS, MAX_CORNERS, 2)),
            np.empty(MAX_PIECES, np.int64),
            np.empty(MAX_PIECES),
        ),
    )


@inlined
def to_pot(at, a, b, n):
    """Direction in the pot's frame of one given in a facet's own."""
    return (
        a * at.ux + b * at.vx + n * at.nx,
        a * at.uy + b * at.vy + n * at.ny,
        a * at.uz + b * at.vz + n * at.nz,
    )


@inlined
def map_to_base(at, wx, wy):
    """Affine map along a direction with slopes wx = dx / dz and wy = dy / dz."""
    return Affine(
        at.cx - at.cz * wx,
        at.ux - at.uz * wx,
        at.vx - at.vz * wx,
        at.cy - at.cz * wy,
        at.uy - at.uz * wy,
        at.vy - at.vz * wy,
    )


@inner
def shadow_of(corners, e, count, ku, kv, high_a, high_b, polys):
    """Shadow on a facet's plane of outline e in front of it, along a beam.

    `ku`, `kv` are the beam's parts along u and v over that along n. Fills row SHADOW
    counter-clockwise and returns its count; 0 if it clears the box around the facet.
    """
    least_a = np.inf
    most_a = -np.inf
    least_b = np.inf
    most_b = -np.inf
    for k in range(count):
        a = corners[e, k, 0] - corners[e, k, 2] * ku
        b = corners[e, k, 1] - corners[e, k, 2] * kv
        polys[SHADOW, k, 0] = a
        polys[SHADOW, k, 1] = b
        least_a = min(least_a, a)
        most_a = max(most_a, a)
        least_b = min(least_b, b)
        most_b = max(most_b, b)
    if least_a >= high_a or most_a <= -high_a or least_b >= high_b or most_b <= -high_b:
        return 0
    if area(polys, SHADOW, count) < 0.0:
        i = 0
        j = count - 1
        while i < j:
            for x in range(2):
                corner = polys[SHADOW, i, x]
                polys[SHADOW, i, x] = polys[SHADOW, j, x]
                polys[SHADOW, j, x] = corner
            i += 1
            j -= 1
    return count


@inner
def shadow_of_pot(polys, count, to, wx, wy, R, height):
    """Pot's shadow on a facet's plane in row SHADOW; returns its count, 0 if it clears the facet.

    On the base's plane it is the base's disc swept along the sun's way over the pot's height.
    """
    mx = -height * wx
    my = -height * wy
    length = sqrt(mx * mx + my * my)
    ex = mx / length if length > 0.0 else 1.0
    ey = my / length if length > 0.0 else 0.0
    low_x = np.inf
    high_x = -np.inf
    low_y = np.inf
    high_y = -np.inf
    for k in range(count):
        px = to.x0 + polys[OUTLINE, k, 0] * to.xa + polys[OUTLINE, k, 1] * to.xb
        py = to.y0 + polys[OUTLINE, k, 0] * to.ya + polys[OUTLINE, k, 1] * to.yb
        x = px * ex + py * ey
        y = py * ex - px * ey
        low_x = min(low_x, x)
        high_x = max(high_x, x)
        low_y = min(low_y, y)
        high_y = max(high_y, y)
    if low_x >= length + R or high_x <= -R or low_y >= R or high_y <= -R:
        return 0
    det = to.xa * to.yb - to.xb * to.ya
    step = pi / SHADOW_CORNERS
    # inner corners a little outside the circle, so that the half disc's area is kept:
    # two end triangles of sides R, r and SHADOW_CORNERS - 2 of sides r, r
    inner = SHADOW_CORNERS - 2.0
    r = R * (-1.0 + sqrt(1.0 + inner * pi / sin(step))) / inner
    n = 0
    for side in range(2):
        for k in range(SHADOW_CORNERS + 1):
            angle = 0.5 * pi + side * pi + k * step
            rho = R if k in (0, SHADOW_CORNERS) else r
            x = rho * cos(angle) + (length if side == 1 else 0.0)
            y = rho * sin(angle)
            px = x * ex - y * ey - to.x0
            py = x * ey + y * ex - to.y0
            polys[SHADOW, n, 0] = (px * to.yb - py * to.xb) / det
            polys[SHADOW, n, 1] = (py * to.xa - px * to.ya) / det
            n += 1
    return n


@inner
def total_area(pieces, n_pieces):
    """Area of all pieces, with their signs."""
    polys, counts, signs = pieces
    total = 0.0
    for k in range(n_pieces):
        if counts[k] > 0:
            total += signs[k] * area(polys, PIECES + k, counts[k])
    return total


@inner
def take_away(pieces, n_pieces, outlines, first, last, ku, kv, at):
    """Take the shadows of the listed outlines, corners and counts, from the pieces.

    Returns how many pieces there are now (-1 for no room) and whether any shadow fell.
    """
    polys, counts, signs = pieces
    corners, corner_counts = outlines
    fell = False
    for e in range(first, last):
        m = shadow_of(corners, e, corner_counts[e], ku, kv, at.high_a, at.high_b, polys)
        if m > 0:
            fell = True
            n_pieces = subtract(polys, counts, signs, n_pieces, SHADOW, m)
            if n_pieces < 0:
                break
            left = 0
            for k in range(n_pieces):
                left += counts[k]
            if left == 0:
                return 0, True  # all dark: further shadows take nothing
    return n_pieces, fell


@inner
def take_pots_shadow(pieces, n_pieces, at, to_sun, pot):
    """Add to each piece what the pot's shadow takes from it, as a piece that counts negative.

    Returns as `take_away` does.
    """
    polys, counts, signs = pieces
    dx, dy, dz = to_sun
    if dz <= 0.0:
        return n_pieces, False
    wx = dx / dz
    wy = dy / dz
    m = shadow_of_pot(polys, at.corners, map_to_base(at, wx, wy), wx, wy, pot.R, pot.height)
    if m == 0:
        return n_pieces, False
    for k in range(n_pieces):
        if counts[k] == 0 or apart(polys, PIECES + k, counts[k], SHADOW, m):
            continue
        if n_pieces >= MAX_PIECES:
            return -1, True
        got = intersect(polys, PIECES + k, counts[k], SHADOW, m, PIECES + n_pieces)
        if got < 0:
            return -1, True
        if got > 2:
            counts[n_pieces] = got
            signs[n_pieces] = -signs[k]
            n_pieces += 1
    return n_pieces, True


@inner
def let_out(pieces, n_pieces, front, gate, a, b, whole):
    """Move what is lit by (a, b) to where it leaves the glass, and keep what its rim lets out.

    Row GATE holds the `gate` corners of what can leave. `front` is the row, and its corners, that
    cuts what came in. `whole` says that all of the facet is lit. Returns as `take_away` does.
    """
    polys, counts, _ = pieces
    if whole:
        counts[0] = gate
        for j in range(gate):
            polys[PIECES, j, 0] = polys[GATE, j, 0]
            polys[PIECES, j, 1] = polys[GATE, j, 1]
        return min(gate, 1)
    if gate == 0:
        return 0
    for k in range(n_pieces):
        for j in range(counts[k]):
            polys[PIECES + k, j, 0] += a
            polys[PIECES + k, j, 1] += b
        got = intersect(polys, PIECES + k, counts[k], front[0], front[1], PIECES + k)
        if got < 0:
            return -1
        counts[k] = got if got > 2 else 0
    return n_pieces


@inner
def share_out(pieces, n_pieces, at, ray, pot, reflected, base_map):
    """Power on base and side of what leaves the facet; marks the base's map.

    `reflected` is power per area of the facet.
    """
    polys, counts, signs = pieces
    rim, marks, turns = base_map
    rx, ry, rz = ray
    if rz <= 0.0:
        return 0.0, 0.0  # level or falling light can't reach a base that faces down
    wx = rx / rz
    wy = ry / rz
    to = map_to_base(at, wx, wy)
    density = reflected / (to.xa * to.yb - to.xb * to.ya)
    on_base = 0.0
    on_side = 0.0
    R2 = pot.R * pot.R
    for k in range(n_pieces):
        m = counts[k]
        if m == 0:
            continue
        inside = True
        for j in range(m):
            a = polys[PIECES + k, j, 0]
            b = polys[PIECES + k, j, 1]
            x = to.x0 + a * to.xa + b * to.xb
            y = to.y0 + a * to.ya + b * to.yb
            polys[IMAGE, j, 0] = x
            polys[IMAGE, j, 1] = y
            inside = inside and x * x + y * y <= R2
        if inside:
            on_base += signs[k] * area(polys, IMAGE, m)
        else:
            # areas by sums of sectors: where a beam misses, what is left of them is rounding
            nothing = ROUNDING * (area(polys, IMAGE, m) + R2)
            caught = area_in_disc(polys, IMAGE, m, 0.0, 0.0, pot.R)
            swept = area_in_capsule(polys, IMAGE, m, -pot.height * wx, -pot.height * wy, pot.R)
            if swept - caught > nothing:
                on_side += signs[k] * (swept - caught)
            if caught <= nothing:
                continue
            on_base += signs[k] * caught
        if marks.shape[0] > 0:
            weight = signs[k] * density * (1.0 - pot.covered)
            add_in_disc(polys, IMAGE, m, inside, weight, rim, marks, turns)
    return on_base * density, on_side * density


@kernel
def trace_beams(piece, scene, room, samples, power, base_map):
    """Trace a piece of one replicate of 2^log2_points beams a facet.

    `piece` says of which facets which beams: from facet, to facet, from beam, to beam. Adds to
    power (F, N_LINES) [W], 0 before a facet's first; pieces in their order give the same bits
    however they are cut.

    Returns False if a facet's pieces ran out of room: then the figures are not whole.
    """
    plates, sun, pot, mirror, lists = scene
    buf, suns, lattice, pieces = room
    polys, counts, signs = pieces
    shading = lists.shade_corners, lists.shade_counts
    blocking = lists.block_corners, lists.block_counts
    local = np.empty((3, 3))
    flat = np.eye(3)  # the facet's axes in its own frame
    glass = matters(mirror)
    points = 1 << samples.log2_points
    first, last, start, stop = piece
    for f in range(first, last):
        if not plates.present[f]:
            continue
        c, u, v, n = plates.c[f], plates.u[f], plates.v[f], plates.n[f]
        for k in range(3):
            local[k, 0] = dot(sun.frame[k], u)
            local[k, 1] = dot(sun.frame[k], v)
            local[k, 2] = dot(sun.frame[k], n)
        seen = SunArrays(local, sun.x_disc, sun.table, sun.scale, sun.dni)
        count = outline_of(f, plates, polys[OUTLINE])
        whole = area(polys, OUTLINE, count)
        half_u, half_v = clear_half_sizes(
            plates.shape[f], plates.half_u[f], plates.half_v[f], mirror.bevel
        )
        clear = outline(plates.shape[f], half_u, half_v, polys[CLEAR])
        # the shift of light from the disc's centre, for all of it: over the disc it changes by half
        # a per cent, evenly to all sides, so that watts stay right to a millionth
        k = shift_per_slant(mirror, local[2, 2])
        shift_a, shift_b = k * local[2, 0], k * local[2, 1]
        gate = overlap(polys, CLEAR, clear, shift_a, shift_b, GATE)
        # without a bevel what is lit came in through the front: fewer edges are left to cut it
        front = (GATE, gate) if mirror.bevel > 0.0 else (CLEAR, clear)
        high_a = 0.0
        high_b = 0.0
        for k in range(count):
            high_a = max(high_a, polys[OUTLINE, k, 0])
            high_b = max(high_b, polys[OUTLINE, k, 1])
        at = Placing(
            c[0],
            c[1],
            c[2],
            u[0],
            u[1],
            u[2],
            v[0],
            v[1],
            v[2],
            n[0],
            n[1],
            n[2],
            high_a,
            high_b,
            count,
        )
        shades, pot_shades = lists.shades[f], lists.pot_shades[f]
        shade_first, shade_last = lists.shade_start[f], lists.shade_start[f + 1]
        block_first, block_last = lists.block_start[f], lists.block_start[f + 1]
        set_lattice(lattice, samples, BEAMS, plates.row[f], plates.column[f])
        weight = sun.dni * plates.area[f] / points
        # what the pieces before have summed up
        cosine, shaded, lost = power[f, COSINE], power[f, SHADED], power[f, MIRROR]
        rim, blocked, missed = power[f, RIM], power[f, BLOCKED], power[f, MISSED]
        side, base = power[f, SIDE], power[f, BASE]
        for begin in range(start, stop, CHUNK):
            chunk = min(CHUNK, stop - begin)
            sample_sun(buf, chunk, begin, lattice, seen, flat[2], mirror.reflectance, plates.own[f])
            if shades:
                for k in range(3):
                    for i in range(chunk):
                        suns[k * CHUNK + i] = buf[DX + k * CHUNK + i]
            reflect(buf, chunk, begin, lattice, flat[2], flat[0], flat[1], mirror)
            for i in range(chunk):
                arriving = weight * buf[G + i]
                cosine += weight - arriving
                if arriving == 0.0:
                    continue
                n_pieces = 1
                counts[0] = count
                signs[0] = 1.0
                for k in range(count):
                    polys[PIECES, k, 0] = polys[OUTLINE, k, 0]
                    polys[PIECES, k, 1] = polys[OUTLINE, k, 1]
                lit = whole
                fell = False
                if shades:
                    du, dv, dn = suns[i], suns[CHUNK + i], suns[2 * CHUNK + i]
                    n_pieces, fell = take_away(
                        pieces, n_pieces, shading, shade_first, shade_last, du / dn, dv / dn, at
                    )
                    if n_pieces >= 0 and pot_shades:
                        n_pieces, too = take_pots_shadow(
                            pieces, n_pieces, at, to_pot(at, du, dv, dn), pot
                        )
                        fell = fell or too
                    if n_pieces < 0:
                        return False
                    if fell:
                        lit = total_area(pieces, n_pieces)
                shaded += arriving * (1.0 - lit / whole)
                if n_pieces == 0:
                    continue
                reflected = arriving * buf[RHO + i] / whole
                lost += (arriving / whole - reflected) * lit
                leaving = lit
                if glass:
                    n_pieces = let_out(pieces, n_pieces, front, gate, shift_a, shift_b, not fell)
                    if n_pieces < 0:
                        return False
                    leaving = total_area(pieces, n_pieces)
                    rim += reflected * (lit - leaving)
                ru, rv, rn = buf[DX + i], buf[DY + i], buf[DZ + i]
                if rn <= 0.0:
                    # a rough surface at grazing incidence can throw light into itself
                    blocked += reflected * leaving
                    continue
                n_pieces, fell = take_away(
                    pieces, n_pieces, blocking, block_first, block_last, ru / rn, rv / rn, at
                )
                if n_pieces < 0:
                    return False
                free = total_area(pieces, n_pieces) if fell else leaving
                on_base, on_side = share_out(
                    pieces, n_pieces, at, to_pot(at, ru, rv, rn), pot, reflected, base_map
                )
                blocked += reflected * (leaving - free) + on_base * pot.covered
                base += on_base * (1.0 - pot.covered)
                side += on_side
                missed += reflected * free - on_base - on_side
        # areas are differences: nothing may come out a rounding error below nothing
        least = 0.0 if stop == points else -np.inf
        power[f, COSINE] = cosine
        power[f, SHADED] = max(shaded, least)
        power[f, MIRROR] = max(lost, least)
        power[f, RIM] = max(rim, least)
        power[f, BLOCKED] = max(blocked, least)
        power[f, MISSED] = max(missed, least)
        power[f, SIDE] = max(side, least)
        power[f, BASE] = max(base, least)
    return True
