"""Bundles of arrays that the kernels take; all in the pot's frame, metres.

The pot's frame has its origin at the base's centre, z from base to lid, and y toward the sun's
side of the platform as near as z allows.
"""

from typing import Any, NamedTuple

import numpy as np


class PlateArrays(NamedTuple):
    """Flat plates, one row each: the facets, then the faces of the posts that hold the pot."""

    c: np.ndarray  # (F, 3) centres
    n: np.ndarray  # (F, 3) normals of the fronts
    u: np.ndarray  # (F, 3) axes
    v: np.ndarray  # (F, 3)
    half_u: np.ndarray  # (F,)
    half_v: np.ndarray  # (F,)
    shape: np.ndarray  # (F,) int8: RECTANGLE, DISC, HEXAGON
    present: np.ndarray  # (F,) bool
    area: np.ndarray  # (F,) 0 where missing
    own: np.ndarray  # (F,) own share of the mirror's reflectance
    row: np.ndarray  # (F,) int64, keys of the samples
    column: np.ndarray  # (F,) int64
    n_facets: int  # how many of the rows are mirrors


class SunArrays(NamedTuple):
    """Where the sun is and how its brightness spreads."""

    frame: np.ndarray  # (3, 3) two axes across the direction to the sun, then that direction
    x_disc: float  # share of the samples' square root that falls in the disc
    table: np.ndarray  # (2, K) sine of the angle from the centre, disc and aureole
    scale: float  # the sun's size over the table's
    dni: float  # W/m²


class PotArrays(NamedTuple):
    """The pot."""

    R: float
    height: float
    covered: float  # share of the base behind a grate


class MirrorArrays(NamedTuple):
    """What the surface does to light."""

    reflectance: np.ndarray  # (K,) against equally spaced cosines of incidence, 0 to 1
    slope: float  # σ per axis of the normal
    scatter: float  # σ per axis of the reflected direction
    thickness: float  # of the glass in front of the silver
    index: float  # its refractive index
    bevel: float  # width of the rim that doesn't reflect


class Lists(NamedTuple):
    """Which facets may stand in the way, as candidates.in_the_way fills them."""

    shade_start: np.ndarray  # (F + 1,)
    shade_index: np.ndarray
    shade_corners: np.ndarray  # (entries, room, 3) as outlines.in_front fills them
    shade_counts: np.ndarray
    block_start: np.ndarray
    block_index: np.ndarray
    block_corners: np.ndarray
    block_counts: np.ndarray
    pot_shades: np.ndarray  # (F,) bool: the pot may keep the sun from this facet
    shades: np.ndarray  # (F,) bool: anything may


class Scene(NamedTuple):
    """One case, ready to be traced."""

    plates: PlateArrays
    sun: SunArrays
    pot: PotArrays
    mirror: MirrorArrays
    lists: Lists


class Samples(NamedTuple):
    """Which samples of each facet are drawn: keys, and how many."""

    seed: int
    stream: int  # tells apart cases that ought not share their noise; 0 where they should
    replicate: int
    log2_points: int


class Lattice(NamedTuple):
    """Shift and step of each dimension of a facet's samples, 64-bit fractions of one."""

    shift: np.ndarray
    step: np.ndarray


class BaseMap(NamedTuple):
    """Gathers the base's map for raster.finish_map; no bins, no map."""

    rim: Any  # as raster.make_rim makes it
    marks: np.ndarray  # (bins, bins + 1)
    turns: np.ndarray


class FacetArrays(NamedTuple):
    """Facets in the platform frame, (F, 3); of many builds (B, F, 3)."""

    c: np.ndarray  # centres
    n: np.ndarray  # normals
    u: np.ndarray  # axes
    v: np.ndarray


class CaseArrays(NamedTuple):
    """What differs between cases, platform frame."""

    build: np.ndarray  # (C,) int64, which of the builds
    base: np.ndarray  # (C, 3) centre of the pot's base
    frame: np.ndarray  # (C, 3, 3) pot's axes
    sun: np.ndarray  # (C, 3) direction to the sun
    dni: np.ndarray  # (C,) W/m²
    scale: np.ndarray  # (C,) the sun's size over the table's
    stream: np.ndarray  # (C,) int64, key of the samples


class Cast(NamedTuple):
    """What all cases of a study share; plates are the facets, then the faces of the posts."""

    half_u: np.ndarray  # (P,)
    half_v: np.ndarray
    shape: np.ndarray
    present: np.ndarray
    area: np.ndarray  # (F,)
    own: np.ndarray
    row: np.ndarray
    column: np.ndarray
    post_c: np.ndarray  # (P - F, 3) pot's frame
    post_n: np.ndarray
    post_u: np.ndarray
    post_v: np.ndarray
    pot: PotArrays
    mirror: MirrorArrays
    x_disc: float
    table: np.ndarray  # (2, K)
    psi_max: float
