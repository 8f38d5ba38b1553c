"""A heating test by the standard, simulated: what cooking power a scenario would be given."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.exceptions import HeatError
from raytrace.heat.cooking_power import OFFSET, SUN, CookingPower, cooking_power, fit_line
from raytrace.heat.vessel import vessel_from_scenario
from raytrace.heat.water import site_pressure, water_at
from raytrace.light.history import moments, seconds
from raytrace.light.setup import LightSettings, platform_tilt, set_up
from raytrace.light.turning import Habit, habit_of
from raytrace.sky.clock import days_of_year
from raytrace.sky.irradiance import global_normal
from raytrace.sky.sun import EQUINOX, noons, over_ground
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking.courses import Course, courses
from raytrace.studies.cooking.pots import from_nudged, heat_course, nudged

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Conditions",
    "HeatingTest",
    "altered",
    "best_days",
    "heating_test",
    "intercept_area",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

HOURS = (10.0, 11.0, 12.0, 13.0)  # by the sun, at which a pot is put on
END = 14.0  # by the sun
APART = 4  # days from one test day to the next
BRIM = 0.95  # of a pot, to which it is filled at most
LOWEST = np.radians(5.0)  # of the sun on a test day
ALIKE = np.radians(0.1)  # root mean square off the design altitude
STEP = 300.0  # between moments traced [s]


@dataclass(frozen=True)
class Conditions:
    """How the simulated test is held; the defaults lie within the standard's limits.

    Attributes
    ----------
    air : float
        Temperature of the air. [K]
    wind : float
        At the pot. [m/s]
    start : float
        Temperature of the water as a pot is put on. [K]
    load : float or None
        Water per intercept area; None for what the scenario's kitchen says. [kg/m²]
    """

    air: float = 298.15
    wind: float = 0.5
    start: float = 313.15
    load: float | None = 7.0


@dataclass(frozen=True, eq=False)
class HeatingTest:
    """A simulated heating test, and the scenario's standardised cooking power.

    Attributes
    ----------
    scenario : Scenario
        It was tested with an open horizon, water alone in the pot, and air as the conditions say.
    conditions : Conditions
    settings : LightSettings
    habit : Habit
    dates : tuple of date
        Days of the test.
    mass : float
        Of the water. [kg]
    intercept_area : float
        Of the facets, as seen from the design sun. [m²]
    brimful : bool
        Whether the pot holds less than the load asked for.
    power : CookingPower
        By the standard, under the mean of the replicates' watts.
    at_50 : Estimate
        Standardised cooking power at 50 K, with the standard error of tracing alone. [W]
    per_dni : CookingPower
        The same with direct normal irradiance for insolation; its limits do not apply.
    per_dni_at_50 : Estimate
        As `at_50`. [W]
    dni : float
        Mean over the intervals that count. [W/m²]
    dimmed : float
        Factor on the sun that keeps the greatest global irradiance within the standard's limit;
        1 where it is within anyway. [1]
    """

    scenario: Scenario
    conditions: Conditions
    settings: LightSettings
    habit: Habit
    dates: tuple[dt.date, ...]
    mass: float
    intercept_area: float
    brimful: bool
    power: CookingPower
    at_50: Estimate
    per_dni: CookingPower
    per_dni_at_50: Estimate
    dni: float
    dimmed: float

    APART: ClassVar = ("scenario",)


def heating_test(
    scenario: Scenario,
    conditions: Conditions | None = None,
    *,
    dates: tuple[dt.date, ...] | None = None,
    settings: LightSettings | None = None,
) -> HeatingTest:
    """Put a scenario through the standard's heating test.

    Parameters
    ----------
    scenario : Scenario
        Its `sky.dni` counts if it is a constant; else the sky is clear. Its habit of turning is
        kept.
    conditions : Conditions, optional
    dates : tuple of date, optional
        Days of the test, by the site's clock; by default three about the day of the year on
        which the sun, from 10 to 14 h by the sun, stands nearest to where the mirrors are set
        for, see `best_days`.
    settings : LightSettings, optional
        By default 8 replicates of 2 beams with the scenario's seed and build.

    Returns
    -------
    HeatingTest

    Raises
    ------
    HeatError
        If water boils at less than the test starts at, or the pot is dry before a second reading.

    Notes
    -----
    A pot is put on at 10, 11, 12 and 13 h by the sun on each day, and each is followed until 14 h.
    The test stands in the open, so that a horizon profile is left out. Insolation is global
    irradiance on the plane normal to the sun, of the same sun, sky and ground that light the pot
    (`raytrace.sky.irradiance.global_normal`); where it would pass the standard's limit, as high in
    the mountains, all three are dimmed to it. Intercept area is that of the mirrors projected on
    the plane normal to the sun that they are set for. What scatters about the regression's line is
    the sun's place and the hand's errors in turning; neighbouring intervals share both.
    """
    conditions = conditions or Conditions()
    settings = settings or LightSettings.of(scenario, beams=2, replicates=8)
    tested, mass, area, brimful = _tested(scenario, conditions)
    days = best_days(tested) if dates is None else dates
    noon = seconds(noons(tested, days))
    start = (noon[:, None] + np.round((np.array(HOURS) - 12.0) * 3600.0).astype(np.int64)).ravel()
    end = np.repeat(noon + round((END - 12.0) * 3600.0), len(HOURS))
    setup = set_up(tested, settings)
    course = courses(setup, habit_of(tested), start, end, step=STEP)
    if not course.delivered.any():
        raise HeatError(
            f"{scenario.source}: nothing reaches the pot's base on the days of the test, so there "
            "is no cooking power. `cooker trace` shows where the light goes"
        )
    rows = np.arange(len(start))

    # readings every step; turnings that fall between are no readings
    each = np.flatnonzero(np.isclose(course.time % STEP, 0.0))
    there = each <= course.last[:, None]
    run, col = np.nonzero(there)
    k = each[col]
    at = course.at[run, k]
    bright = course.dni[run, k]
    whole = global_normal(
        bright, course.dhi[run, k], course.alpha[run, k], float(tested.site.albedo)
    )
    # a dark moment has a spark of it, so as to divide
    bright, whole = (np.maximum(x, 1e-6) for x in (bright, whole))
    dimmed = min(1.0, SUN[1] / float(whole.max()))
    bright, whole = dimmed * bright, dimmed * whole
    T = _temperatures(course, dimmed * course.absorbed, rows)[:, run, k]
    wet = np.isfinite(T).all(axis=0)  # a pot that has boiled dry gives no more readings
    run, at, bright, whole, T = run[wet], at[wet], bright[wet], whole[wet], T[:, wet]
    if not (np.diff(run) == 0).any():
        raise HeatError(
            f"{scenario.source}: pot.height, pot.diameter, facets: {1e3 * mass:.2g} g of water, "
            "all that goes into the heating test of ASAE S580.1 here, are gone before a second "
            "reading. Check the sizes of pot and mirrors"
        )
    readings: dict[str, Any] = {
        "mass": mass,
        "boiling": water_at(site_pressure(tested)).boiling,
        "wind": np.full(len(at), conditions.wind),
        "intercept_area": area,
        "run": run,
        "day": run // len(HOURS),
        "solar_hour": 12.0 + (at - noon[run // len(HOURS)]) / 3600.0,
    }
    time = (at - at.min()).astype(float)
    air = np.full(len(at), conditions.air)

    def by(sun: Array) -> tuple[CookingPower, Estimate]:
        found = cooking_power(time, T[0], air, sun, **readings)
        if not np.array_equal(counts, found.counts):
            found = replace(
                found,
                counts=counts,
                line=fit_line(found.difference[counts], found.standardised[counts]),
            )
        others = [found.at_50[0]]
        for variant in T[1:]:
            again = cooking_power(time, variant, air, sun, **readings)
            line = fit_line(again.difference[counts], again.standardised[counts])
            others.append(float("nan") if line is None else float(line.at(OFFSET)[0]))
        return found, Estimate(*from_nudged(np.array(others)), settings.replicates)

    counts = cooking_power(time, T[0], air, whole, **readings).counts
    power, at_50 = by(whole)
    per_dni, per_dni_at_50 = by(bright)
    return HeatingTest(
        scenario=scenario,
        conditions=conditions,
        settings=settings,
        habit=habit_of(tested),
        dates=tuple(days),
        mass=mass,
        intercept_area=area,
        brimful=brimful,
        power=power,
        at_50=at_50,
        per_dni=per_dni,
        per_dni_at_50=per_dni_at_50,
        dni=float(per_dni.insolation[counts].mean()) if counts.any() else float("nan"),
        dimmed=dimmed,
    )


def _temperatures(course: Course, absorbed: Array, rows: Whole) -> Array:
    """Water of each pot, (1 + r, C, K); nan after its end."""
    watts = nudged(absorbed)
    out = np.full((len(watts), len(rows), len(course.time)), np.nan)
    for which, heating in heat_course(course, watts, rows):
        T = heating.temperature.reshape(len(watts), len(which), -1)
        out[:, which, : T.shape[-1]] = T
    return out


def _tested(scenario: Scenario, conditions: Conditions) -> tuple[Scenario, float, float, bool]:
    """Scenario as it is tested, mass of water, intercept area, and whether the pot is too small."""
    water = water_at(site_pressure(scenario))
    if water.boiling <= conditions.start + 10.0:
        raise HeatError(
            f"water boils at {water.boiling - 273.15:.0f} degC here: too little over the "
            f"{conditions.start - 273.15:.0f} degC at which the test starts"
        )
    density = float(water.density(293.15))
    area = intercept_area(build_cooker(scenario))
    litres, brimful = scenario.kitchen.water, False
    if conditions.load is not None:
        litres = conditions.load * area / density
        most = BRIM * scenario.pot.volume
        litres, brimful = min(litres, most), litres > most
    sky = {} if not isinstance(scenario.sky.dni, str) else {"dni": "clear sky"}
    tested = altered(
        scenario,
        site={"horizon": None},
        sky=sky,
        # the test heats water, whatever course the pot is meant for
        kitchen={
            "water": litres,
            "food": 0.0,
            "start_temperature": conditions.start,
            "wanted": "boil",
        },
        air={"temperature": conditions.air, "wind": conditions.wind},
    )
    return tested, vessel_from_scenario(tested).water, area, brimful


def altered(scenario: Scenario, **sections: dict[str, Any]) -> Scenario:
    """Scenario with values of some sections replaced, SI and unchecked.

    Parameters
    ----------
    scenario : Scenario
    **sections : dict
        Keys and values by section, such as `mirror={"cleanliness": 0.8}`.

    Returns
    -------
    Scenario
    """
    return scenario.model_copy(
        update={
            name: getattr(scenario, name).model_copy(update=values)
            for name, values in sections.items()
        }
    )


def intercept_area(cooker: Cooker) -> float:
    """Area of all mirrors, projected on planes normal to the sun that each is set for. [m²]

    Parameters
    ----------
    cooker : Cooker

    Returns
    -------
    float
    """
    facets = cooker.facets
    cos = (facets.n * cooker.design_sun).sum(axis=1)
    return float((facets.area * np.maximum(cos, 0.0)).sum())


def best_days(scenario: Scenario) -> tuple[dt.date, ...]:
    """Three days on which the sun at the test's hours suits the mirrors best.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    tuple of date
        Four days apart, about the day of the design date's year on which, from 10 to 14 h by the
        sun, the sun stands nearest to the design altitude in the platform frame, in the mean
        square; of days alike to 0.1° the one nearest to the design date.
    """
    asked_for = scenario.design.date or EQUINOX
    days = days_of_year(scenario.site, asked_for.year)
    noon = seconds(noons(scenario, days))
    hours = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    at = noon[:, None] + np.round(3600.0 * hours).astype(np.int64)
    alpha = over_ground(scenario.site, moments(at.ravel())).reshape(at.shape)
    asked = float(scenario.design.sun_altitude)
    off = np.sqrt(((alpha - platform_tilt(scenario, alpha) - asked) ** 2).mean(axis=1))
    # there is no place where the sun stays as low as this all year
    off[alpha.min(axis=1) < LOWEST] = np.inf
    best = min(
        np.flatnonzero(off <= off.min() + ALIKE).tolist(),
        key=lambda k: abs((days[k] - asked_for).days),
    )
    best = int(np.clip(best, APART, len(days) - 1 - APART))
    return days[best - APART], days[best], days[best + APART]
