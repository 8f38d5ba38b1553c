"""What a scenario describes, before a ray is traced: sizes, angles, dates and doubts."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import unit
from raytrace.cooker.geometry import build_cooker, named
from raytrace.cooker.pose import Pose, posed
from raytrace.cooker.tolerances import as_built, setting_sigma, tolerances_from_scenario
from raytrace.exceptions import GeometryError, Problem, ScenarioError
from raytrace.light.setup import design_tilt
from raytrace.scenario.learned import forgotten_words
from raytrace.scenario.plausible import doubtful
from raytrace.sky.ground import ground_of
from raytrace.sky.sun import (
    altitude_crossings,
    highest_altitude,
    scenario_weather,
    weather_distance,
)
from raytrace.studies.trace.board import board_doubts

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.cooker.geometry import Cooker
    from raytrace.scenario.schema import Scenario

__all__ = ["Crossing", "Summary", "summarise", "weather_warnings"]

Array = NDArray[np.float64]

STEEP_ON_BASE = np.radians(70.0)  # light this far off the base's normal is mostly wasted
FAR_WEATHER = 50.0  # a station this far away may well have another sky (no source) [km]
HIGH_WEATHER = 300.0  # so much higher or lower its air and haze are others (no source) [m]


@dataclass(frozen=True)
class Crossing:
    """When the sun stands at the design altitude on one day.

    Attributes
    ----------
    date : date
    morning, evening : Timestamp or None
        By the site's clock; None where it doesn't.
    """

    date: dt.date
    morning: pd.Timestamp | None
    evening: pd.Timestamp | None


@dataclass(frozen=True, eq=False)
class Summary:
    """A scenario in figures.

    Attributes
    ----------
    scenario : Scenario
    n_facets : int
        Facets that are present.
    n_missing : int
        Places whose facet is missing or broken.
    mirror_area : float
        Of the facets that are present. [m²]
    board : ndarray, shape (4,)
        Left and right edge, edge away from the sun and toward it, as the file counts places. [m]
    distance_to_aim : ndarray, shape (3,)
        From facets to their aim: least, mean and greatest. [m]
    facet_tilt : ndarray, shape (3,)
        Between facets' normals and the platform's: least, mean and greatest. [rad]
    angle_on_base : ndarray, shape (3,)
        Between the light's way and the base's normal: least, mean and greatest. [rad]
    setting_error : ndarray, shape (3,)
        σ per axis of the setting error: least, mean and greatest. [rad]
    sun_altitude : float
        Altitude over the ground at which the cooker meets its design sun. [rad]
    highest_sun : float
        Greatest altitude over the ground that the sun reaches in the year. [rad]
    highest_sun_date : date
    crossings : tuple of Crossing
        On the days of the equinoxes and solstices, and the design date.
    warnings : tuple of str
        What is doubtful about it.
    """

    scenario: Scenario
    n_facets: int
    n_missing: int
    mirror_area: float
    board: Array
    distance_to_aim: Array
    facet_tilt: Array
    angle_on_base: Array
    setting_error: Array
    sun_altitude: float
    highest_sun: float
    highest_sun_date: dt.date
    crossings: tuple[Crossing, ...]
    warnings: tuple[str, ...]

    SHOWN: ClassVar = {"setting_error": "mrad"}

    @cached_property
    def cooker(self) -> Cooker:
        """As it was meant: exactly set, at zero tilt."""
        return build_cooker(self.scenario)


def weather_warnings(scenario: Scenario) -> list[str]:
    """Say what a scenario's weather file is not right for.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    list of str
        None without such a file.

    Raises
    ------
    SkyError
        If it can't be read, or its station lies too far away.
    """
    if scenario.sky.weather_file is None:
        return []
    weather = scenario_weather(scenario)
    place, warnings = weather.attrs, []
    away = weather_distance(scenario.site, weather) / 1e3
    higher = scenario.site.altitude - place["altitude"]
    if away > FAR_WEATHER or abs(higher) > HIGH_WEATHER:
        warnings.append(
            f"sky.weather_file: its station, {place['name']}, lies {away:.0f} km from the site and "
            f"{abs(higher):.0f} m {'below' if higher > 0.0 else 'above'} it. Its sun and air are "
            "taken as they are."
        )
    short = 8760 - len(weather)
    if short > 0 and place["typical"]:
        first, last = weather["start"].iloc[0], weather["end"].iloc[-1]
        warnings.append(
            f"sky.weather_file: {place['name']} lacks {short} of a year's 8 760 hours: it goes "
            f"from {first:%d %B %H:%M} to {last:%d %B %H:%M}, and other times are refused. If its "
            "download was cut short, fetch it again."
        )
    return warnings


def _spread(x: Array) -> Array:
    return np.array([x.min(), x.mean(), x.max()])


def summarise(scenario: Scenario) -> Summary:
    """Check that a scenario can be built, and say what it describes.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    Summary

    Raises
    ------
    ScenarioError
        If it can't be built; all problems at once.
    """
    cooker = build_cooker(scenario)
    tolerances = tolerances_from_scenario(scenario)
    try:
        setting = setting_sigma(cooker, tolerances)
        as_built(cooker, tolerances, seed=scenario.trace.seed, build=scenario.trace.build)
    except GeometryError as error:
        key, _, words = str(error).rpartition(": facets")
        problem = Problem(key or "errors", f": facets{words}." if key else f"{error}.")
        raise ScenarioError(scenario.source, [problem]) from error
    facets = cooker.facets
    here = facets.present
    to_aim = unit(cooker.aim - facets.c)[here]
    on_base = np.arccos(np.clip(to_aim @ cooker.pot.axis, -1.0, 1.0))
    year = scenario.design.date.year if scenario.design.date else 2026
    alpha = float(scenario.design.sun_altitude) + design_tilt(scenario)
    highest, highest_date = highest_altitude(scenario, year)
    days = {dt.date(year, 3, 20), dt.date(year, 6, 21), dt.date(year, 9, 22), dt.date(year, 12, 21)}
    if scenario.design.date:
        days.add(scenario.design.date)
    crossings = tuple(
        Crossing(day, *altitude_crossings(scenario, day, alpha)) for day in sorted(days)
    )
    warnings = doubtful(scenario.site, scenario.design, scenario.pot)
    if alpha > highest:
        warnings.append(
            f"design.sun_altitude: the sun never stands at {np.degrees(alpha):.1f}° at this site; "
            f"it reaches {np.degrees(highest):.1f}° at most, on {highest_date.day} "
            f"{highest_date:%B}. Set the facets for a lower sun, or tilt the platform the other "
            "way."
        )
    tilt = design_tilt(scenario)
    moved = posed(cooker, Pose(tilt=tilt)).pot.base - cooker.pot.base
    if np.linalg.norm(moved) > 0.1 * cooker.pot.R:
        warnings.append(
            f"platform.tilt: facets are set for the pot's place at zero tilt, but on a platform "
            f"tilted by {np.degrees(tilt):.1f}° the pot on the ground stands "
            f"{1e3 * np.linalg.norm(moved):.0f} mm from there. Put the hinge under the pot "
            "(platform.hinge_y, platform.hinge_z), or tilt less."
        )
    if (pot := scenario.pot).stand == "platform" and not pot.levelled:
        follows = isinstance(scenario.platform.tilt, str)
        lean = ground_of(scenario.site).slope + (0.0 if follows else abs(tilt))
        if lean > pot.spill_limit:
            warnings.append(
                f"pot.spill_limit: the pot leans with the board, by up to {np.degrees(lean):.1f}°, "
                f"and may spill hot food from {np.degrees(pot.spill_limit):.1f}° on. Level the "
                "board, hang the pot in a swing (pot.levelled = true) or put it on the ground."
            )
    if on_base.max() > STEEP_ON_BASE:
        warnings.append(
            f"pot.base_height: light reaches the base up to {np.degrees(on_base.max()):.0f}° off "
            "its normal, so that it spreads widely. A higher or nearer pot would catch more."
        )
    top = facets.outlines(np.flatnonzero(here))[..., 2].max(axis=1)
    base = float(cooker.pot.base[2])
    if (top >= base).any():
        reaching = [facets.label[f] for f in np.flatnonzero(here)[top >= base]]
        warnings.append(
            f"pot.base_height: facets {named(reaching)} reach up to {1e3 * top.max():.0f} mm, the "
            f"pot's base stands at {1e3 * base:.0f} mm: what lies above the base can't light it. "
            "Raise the pot."
        )
    warnings += board_doubts(scenario, cooker, tilt)
    warnings += weather_warnings(scenario)
    warnings += forgotten_words(scenario.forgotten)
    return Summary(
        scenario,
        n_facets=int(here.sum()),
        n_missing=int((~here).sum()),
        mirror_area=cooker.mirror_area,
        board=cooker.extent + np.repeat(scenario.platform.middle, 2),
        distance_to_aim=_spread(cooker.aim_distance[here]),
        facet_tilt=_spread(cooker.facet_tilt[here]),
        angle_on_base=_spread(on_base),
        setting_error=_spread(setting[here]),
        sun_altitude=alpha,
        highest_sun=highest,
        highest_sun_date=highest_date,
        crossings=crossings,
        warnings=tuple(warnings),
    )
