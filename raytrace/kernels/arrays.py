"""Bundles of arrays that the kernels take; all in the pot's frame, metres.

The pot's frame has its origin at the base's centre, z from base to lid, and y toward the sun's
side of the platform as near as z allows.
"""

from typing import NamedTuple

import numpy as np


class FacetArrays(NamedTuple):
    """Facets, one row each."""

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


class SunArrays(NamedTuple):
    """Where the sun is and how its brightness spreads."""

    frame: np.ndarray  # (3, 3) two axes across the direction to the sun, then that direction
    x_disc: float  # share of the samples' square root that falls in the disc
    table: np.ndarray  # (2, K) sine of the angle from the centre, disc and aureole
    psi_max: float  # greatest angle from the centre
    dni: float  # W/m²


class PotArrays(NamedTuple):
    """The pot and what holds it."""

    R: float
    height: float
    covered: float  # share of the base behind a grate
    posts: np.ndarray  # (K, 6) low and high corners of boxes


class MirrorArrays(NamedTuple):
    """What the surface does to light."""

    reflectance: np.ndarray  # (K,) against equally spaced cosines of incidence, 0 to 1
    slope: float  # σ per axis of the normal
    scatter: float  # σ per axis of the reflected direction


class Lists(NamedTuple):
    """Which facets may stand in the way, as candidates.in_the_way fills them."""

    shade_start: np.ndarray
    shade_index: np.ndarray
    block_start: np.ndarray
    block_index: np.ndarray
    pot_shades: np.ndarray  # (F,) bool: the pot may keep the sun from this facet
