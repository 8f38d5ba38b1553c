"""Result of a study of stray light: how strong it is, where, and under which sun."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.studies.stray.limits import of_mirrors
from raytrace.studies.stray.stray_plan import StrayCase, StrayPlan

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["BETWEEN", "Stray", "farthest_over"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# Of a distance, for what lies between the suns, dates and distances looked at: four times as many
# of each put it out by up to 8 % (four cases and five levels of the courtyard cooker).
BETWEEN = 1.1
DARK = 1e-9  # W/m², so that darkness has a logarithm


@dataclass(frozen=True, eq=False)
class Stray:
    """Light about a cooker, in every case and under every sun that was looked at.

    Irradiance is that on a surface that faces the light, from the mirrors alone: the sun itself
    comes on top. Distances go along the ground from the platform's middle, heights up from the
    ground, bearings clockwise from north. nan stands where a sun was not looked at, or the platform
    was never turned so.

    Attributes
    ----------
    scenario : Scenario
    plan : StrayPlan
    cases : tuple of StrayCase, length C
    times : tuple of str, length S
        When each sun stands there, by the site's clock.
    altitude, azimuth : ndarray, shape (S,)
        Of the sun. [rad]
    dni : ndarray, shape (S,)
        Direct normal irradiance. [W/m²]
    heading, tilt : ndarray, shape (C, S)
        How the platform stands. [rad]
    distances : ndarray, shape (K,)
        From the platform's middle. [m]
    bearings : ndarray, shape (G,)
        Middles of the map's sectors. [rad]
    heights : ndarray, shape (H,)
        Upper ends of the map's layers of height; the first begins on the ground. [m]
    peak : ndarray, shape (C, S)
        Greatest irradiance anywhere. [W/m²]
    peak_at : ndarray, shape (C, S, 3)
        Where: east, north and up from the ground below the platform's middle. [m]
    low : ndarray, shape (C, S, K)
        Greatest irradiance at people's heights at each distance. [W/m²]
    low_bearing : ndarray, shape (C, S, K)
        Its bearing. [rad]
    low_height : ndarray, shape (C, S, K)
        Its height. [m]
    low_lit : ndarray, shape (C, S, K)
        How many facets are seen shining from there. [1]
    low_fill : ndarray, shape (C, S, K)
        Solid angle from which the light would come if all of it were as bright as the middle of a
        facet's image of the sun. [sr]
    high : ndarray, shape (C, S, K)
        Greatest irradiance at each distance at any height. [W/m²]
    high_bearing : ndarray, shape (C, S, K)
        Its bearing. [rad]
    high_height : ndarray, shape (C, S, K)
        Its height. [m]
    around : ndarray, shape (C, K, G, H)
        Map: greatest irradiance of all suns, by distance, bearing and layer of height. [W/m²]
    around_sun : ndarray of int64, shape (C, K, G, H)
        Which of the suns; -1 where there is no light.
    things : tuple of str, length T
        Names of the surroundings.
    on_thing : ndarray, shape (C, S, T)
        Greatest irradiance on each of them. [W/m²]
    on_thing_fill : ndarray, shape (C, S, T)
        As `low_fill`, seen from there. [sr]
    horizon_away : ndarray, shape (A,)
        Distances at which the horizon's house, trees and hills are taken to be. [m]
    on_horizon : ndarray, shape (C, S, A)
        Greatest irradiance on the horizon there. [W/m²]
    on_horizon_bearing : ndarray, shape (C, S, A)
        Its bearing. [rad]
    build_peak : ndarray, shape (B, C)
        Greatest irradiance anywhere of each build, under the worst sun of the exactly set
        cooker. [W/m²]
    build_low, build_high : ndarray, shape (B, C, K)
        As `low` and `high`, of each build under the suns that are worst for the exactly set
        cooker. [W/m²]
    side : ndarray, shape (C, Z, X)
        Strongest irradiance, over the board's breadth, beside the upright plane through the
        platform's middle and the worst place for people 2 m off, under its sun. [W/m²]
    side_sun : ndarray of int64, shape (C,)
        Which of the suns.
    side_bearing : ndarray, shape (C,)
        Where that plane goes to. [rad]
    side_along : ndarray, shape (X,)
        Along the ground in it, from the platform's middle. [m]
    side_up : ndarray, shape (Z,)
        Over the ground. [m]
    """

    scenario: Scenario
    plan: StrayPlan
    cases: tuple[StrayCase, ...]
    times: tuple[str, ...]
    altitude: Array
    azimuth: Array
    dni: Array
    heading: Array
    tilt: Array
    distances: Array
    bearings: Array
    heights: Array
    peak: Array
    peak_at: Array
    low: Array
    low_bearing: Array
    low_height: Array
    low_lit: Array
    low_fill: Array
    high: Array
    high_bearing: Array
    high_height: Array
    around: Array
    around_sun: Whole
    things: tuple[str, ...]
    on_thing: Array
    on_thing_fill: Array
    horizon_away: Array
    on_horizon: Array
    on_horizon_bearing: Array
    build_peak: Array
    build_low: Array
    build_high: Array
    side: Array
    side_sun: Whole
    side_bearing: Array
    side_along: Array
    side_up: Array

    DIMS: ClassVar = {
        "C": "case",
        "S": "sun",
        "K": "distance",
        "G": "bearing",
        "H": "layer",
        "B": "build",
        "Z": "up",
        "X": "along",
        "T": "thing",
        "A": "away",
    }
    COORDS: ClassVar = {
        "distance": "distances",
        "bearing": "bearings",
        "layer": "heights",
        "away": "horizon_away",
    }
    SHOWN: ClassVar = dict.fromkeys(
        (
            "distances",
            "heights",
            "horizon_away",
            "peak_at",
            "low_height",
            "high_height",
            "side_along",
            "side_up",
        ),
        "m",
    )
    ALSO: ClassVar = ("low_worst", "high_worst", "worst")
    APART: ClassVar = (
        "peak_at",
        "low",
        "low_bearing",
        "low_height",
        "low_lit",
        "low_fill",
        "high",
        "high_bearing",
        "high_height",
        "around",
        "around_sun",
        "side",
    )

    @cached_property
    def low_worst(self) -> Array:
        """Greatest irradiance at people's heights, of all suns and builds, shape (C, K). [W/m²]"""
        return _most(self.low, self.build_low)

    @cached_property
    def high_worst(self) -> Array:
        """Greatest irradiance at any height, of all suns and builds, shape (C, K). [W/m²]"""
        return _most(self.high, self.build_high)

    @cached_property
    def worst(self) -> Array:
        """Greatest irradiance anywhere, of all suns and builds, shape (C,). [W/m²]"""
        own = np.nanmax(np.nan_to_num(self.peak), axis=1)
        return np.asarray(np.maximum(own, self.build_peak.max(axis=0, initial=0.0)))

    def worst_sun(self, case: int, distance: int | None = None, *, high: bool = False) -> int:
        """Which sun is worst in a case.

        Parameters
        ----------
        case : int
        distance : int, optional
            At which of the distances; by default anywhere.
        high : bool
            At any height, instead of people's.

        Returns
        -------
        int
        """
        values = self.peak[case] if distance is None else self._of(high)[case, :, distance]
        return int(np.nan_to_num(values).argmax())

    def reach(self, level: float, *, high: bool = False) -> Array:
        """Greatest distance at which an irradiance is passed, of all suns and builds.

        Parameters
        ----------
        level : float
            In all, of mirrors and of the sun, which is taken to shine there as well. [W/m²]
        high : bool
            At any height, instead of people's.

        Returns
        -------
        ndarray, shape (C,)
            Straight between distances on scales of ratios, and a tenth more for what the suns and
            distances looked at leave out; 0 where it isn't passed even at the
            nearest one, infinite where it still is at the farthest. [m]
        """
        curves = self.high_worst if high else self.low_worst
        return farthest_over(self.distances, curves, of_mirrors(level))

    def _of(self, high: bool) -> Array:
        return self.high if high else self.low


def _most(own: Array, builds: Array) -> Array:
    most = np.nan_to_num(own).max(axis=1)
    return np.asarray(np.maximum(most, builds.max(axis=0, initial=0.0)))


def farthest_over(distance: Array, curves: Array, level: float) -> Array:
    """Greatest distance at which curves pass a level.

    Parameters
    ----------
    distance : ndarray, shape (K,)
        Rising. [m]
    curves : ndarray, shape (..., K)
        [W/m²]
    level : float
        [W/m²]

    Returns
    -------
    ndarray, shape (...)
        As `Stray.reach`. [m]

    Examples
    --------
    >>> d = np.array([1.0, 2.0, 4.0])
    >>> farthest_over(d, np.array([1000.0 / d**2, d, d]), 100.0)
    array([3.478..., 0.        , 0.        ])
    """
    over = curves >= level
    end = len(distance) - 1
    last = end - over[..., ::-1].argmax(axis=-1)
    after = np.minimum(last + 1, end)
    here, next_ = (np.take_along_axis(curves, k[..., None], axis=-1)[..., 0] for k in (last, after))
    a, b, c = (np.log(np.maximum(x, DARK)) for x in (here, next_, level))
    share = np.divide(a - c, a - b, out=np.zeros_like(a), where=a > b)
    reach = BETWEEN * distance[last] * (distance[after] / distance[last]) ** share
    return np.where(over.any(axis=-1), np.where(last == end, np.inf, reach), 0.0)
