"""One pot through one day: watts, water temperature and turnings; and what turning is worth."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import HeatError, SkyError
from raytrace.heat.food import Lukewarm, lukewarm
from raytrace.heat.vessel import ROOM
from raytrace.heat.wanted import sun_until
from raytrace.heat.water import site_pressure, water_at
from raytrace.light.history import Pairs, PotLight, meant_poses, moments, remembering
from raytrace.light.setup import LightSettings, Setup, set_up
from raytrace.light.turning import FACES, NEVER, Habit, habit_of
from raytrace.sky.clock import day_bounds, read_date
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking.courses import courses
from raytrace.studies.cooking.day_draws import (
    STEP,
    DayDraws,
    draw_setups,
    drawn,
    no_sun_words,
)
from raytrace.studies.cooking.never_boils import REASONS
from raytrace.studies.cooking.pots import from_nudged, heat_course, mean_until, nudged, pots_of

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.heat.heating import Heating
    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = [
    "HABITS",
    "CookingDay",
    "DayRows",
    "HabitWorth",
    "Turning",
    "compare_habits",
    "cooking_day",
    "day_drawn",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

HABITS = (
    Habit(NEVER),
    *(Habit(every, face) for every in (7200.0, 3600.0, 1800.0, 1200.0) for face in FACES),
    Habit(600.0),  # five minutes ahead are as good as none
)


@dataclass(frozen=True)
class Turning:
    """One turning of the platform.

    Attributes
    ----------
    time : Timestamp
        In the site's zone.
    heading, tilt : float
        Where it is meant to face, clockwise from north, and how it is tilted. [rad]
    """

    time: pd.Timestamp
    heading: float
    tilt: float


@dataclass(frozen=True, eq=False)
class CookingDay:
    """A pot from its start until the sun sets: K moments, I intervals and r replicates.

    Attributes
    ----------
    scenario : Scenario
    habit : Habit
    settings : LightSettings
    time : DatetimeIndex, length K
        In the site's zone; whole steps from the start, and every turning.
    since : ndarray, shape (K,)
        The same from the start. [s]
    alpha, gamma : ndarray, shape (K,)
        Sun's altitude, and azimuth clockwise from north. [rad]
    dni : ndarray, shape (K,)
        Direct normal irradiance. [W/m²]
    air : ndarray, shape (K,)
        Temperature. [K]
    wind : ndarray, shape (K,)
        Speed at the pot. [m/s]
    delivered, absorbed : ndarray, shape (I, 2, r)
        Watts on the base, and turning to heat in the pot, light of sun, sky and ground included,
        at the start and the end of each interval. They jump where the platform is turned. [W]
    diffuse : ndarray, shape (I, 2)
        Of `absorbed`, what sky and ground bring. [W]
    turnings : tuple of Turning
        The first is the start.
    boiling : float
        Boiling point at the site's pressure. [K]
    temperature : Estimate, shape (K,)
        Of the pot and what is in it. [K]
    boils, near, done : Estimate
        Time from the start to the boil, to 5 K below it, and until the food is done; nan where
        it never comes to that. [s]
    reason : str
        Why it never boils, of `raytrace.studies.cooking.never_boils.REASONS`, water added later
        left out; "boils" where it does, "" without water.
    heating : raytrace.heat.heating.Heating
        All else that the heat balance says until the sun sets: case 0 is the pot under the mean
        watts, the others serve the standard errors.
    evening : raytrace.heat.heating.Heating
        The same pot until the day ends, in the dark at last.
    evening_air : ndarray
        Air's temperature at the times of `evening`. [K]
    """

    scenario: Scenario
    habit: Habit
    settings: LightSettings
    time: pd.DatetimeIndex
    since: Array
    alpha: Array
    gamma: Array
    dni: Array
    air: Array
    wind: Array
    delivered: Array
    absorbed: Array
    diffuse: Array
    turnings: tuple[Turning, ...]
    boiling: float
    temperature: Estimate
    boils: Estimate
    near: Estimate
    done: Estimate
    reason: str
    heating: Heating
    evening: Heating
    evening_air: Array

    DIMS: ClassVar = {"K": "moment", "I": "interval", "r": "replicate"}
    COORDS: ClassVar = {"moment": "times"}
    SHOWN: ClassVar = {
        **dict.fromkeys(("boiling", "highest", "settles"), "degC"),
        **dict.fromkeys(("boils", "near", "done", "dry"), "min"),
        **dict.fromkeys(("energy", "heat"), "MJ"),
    }
    ALSO: ClassVar = (
        "energy",
        "highest",
        "settles",
        "holds",
        "boiled_off",
        "efficiency",
        "dry",
        "heat",
        "lukewarm",
        "rows",
    )
    APART: ClassVar = (
        *("time", "since", "alpha", "gamma", "dni", "air", "wind", "temperature"),
        *("delivered", "absorbed", "diffuse", "heating", "evening", "evening_air"),
    )

    @property
    def times(self) -> NDArray[np.datetime64]:
        """Moments in UTC, shape (K,)."""
        return np.asarray(self.time.tz_convert("UTC").tz_localize(None).as_unit("s").values)

    @property
    def highest(self) -> float:
        """Highest temperature until the sun sets. [K]"""
        return float(self.heating.highest[0])

    @property
    def settles(self) -> float:
        """Where it would settle under its best watts. [K]"""
        return float(self.heating.settles[0])

    @property
    def holds(self) -> float:
        """Share of the time after boiling that the boil is kept. [1]"""
        return float(self.heating.holds[0])

    @property
    def boiled_off(self) -> float:
        """Water gone as vapour until the sun sets. [kg]"""
        return float(self.heating.boiled_off[0])

    @property
    def efficiency(self) -> float:
        """Heat kept and taken along by vapour, as a share of what was absorbed. [1]"""
        return float(self.heating.efficiency[0])

    @property
    def dry(self) -> float:
        """When the last water is gone, from the start; nan never. [s]"""
        return float(self.evening.dry[0])

    @property
    def heat(self) -> dict[str, float]:
        """Where the heat came from and went until the sun sets; `diffuse` is absorbed too. [J]"""
        names = ("absorbed", "added", "convection", "radiation", "evaporation", "stored")
        heat = {name: float(getattr(self.heating.energies, name)[0]) for name in names}
        mean = mean_until(self.since, self.diffuse[None], self.since[-1:])[0]
        return {**heat, "diffuse": float(mean * self.since[-1])}

    @cached_property
    def lukewarm(self) -> tuple[Lukewarm, ...]:
        """Stretches in which food is lukewarm for too long, from the start, until the day ends."""
        found = lukewarm(self.evening.time, self.evening.temperature[0], self.evening_air)
        return tuple(found)

    @cached_property
    def rows(self) -> DayRows:
        """One row a moment."""
        return DayRows.of(self)

    @property
    def energy(self) -> Estimate:
        """Energy on the base from the start until the sun sets. [J]"""
        mean = mean_until(self.since, self.delivered[None], self.since[-1:])[0]
        return Estimate.from_replicates(mean * self.since[-1])

    @property
    def watts(self) -> tuple[Array, Estimate]:
        """Times from the start [s] and watts on the base [W], for a curve that jumps at turnings.

        Both of shape (2 K − 2,): the start and the end of each interval.
        """
        time = np.stack([self.since[:-1], self.since[1:]], axis=-1).ravel()
        return time, Estimate.from_replicates(self.delivered.reshape(len(time), -1).T)


@dataclass(frozen=True, eq=False)
class DayRows:
    """A day, moment by moment; K of them.

    Attributes
    ----------
    time : ndarray of str, shape (K,)
        By the site's clock.
    since_start : ndarray, shape (K,)
        From the start. [s]
    turned : ndarray of bool, shape (K,)
        Whether the platform is turned then.
    sun_altitude, sun_azimuth : ndarray, shape (K,)
        Clockwise from north, the latter. [rad]
    dni : ndarray, shape (K,)
        Direct normal irradiance. [W/m²]
    air : ndarray, shape (K,)
        Temperature. [K]
    wind : ndarray, shape (K,)
        Speed at the pot. [m/s]
    delivered_before, delivered, delivered_se : ndarray, shape (K,)
        On the base, just before the moment and just after it; nan where the day has none. [W]
    absorbed, absorbed_se : ndarray, shape (K,)
        Turning to heat in the pot just after it, light of sun, sky and ground included. [W]
    diffuse : ndarray, shape (K,)
        Of that, what sky and ground bring. [W]
    water, water_se : ndarray, shape (K,)
        Temperature of the pot and what is in it. [K]
    water_left : ndarray, shape (K,)
        In the pot. [kg]
    """

    time: NDArray[np.str_]
    since_start: Array
    turned: NDArray[np.bool_]
    sun_altitude: Array
    sun_azimuth: Array
    dni: Array
    air: Array
    wind: Array
    delivered_before: Array
    delivered: Array
    delivered_se: Array
    absorbed: Array
    absorbed_se: Array
    diffuse: Array
    water: Array
    water_se: Array
    water_left: Array

    DIMS: ClassVar = {"K": "moment"}
    SHOWN: ClassVar = {"since_start": "min", "air": "degC", "water": "degC", "water_se": "K"}

    @classmethod
    def of(cls, day: CookingDay) -> DayRows:
        """Rows of a day.

        Parameters
        ----------
        day : CookingDay

        Returns
        -------
        DayRows
        """
        turned = {t.time for t in day.turnings}
        got = Estimate.from_replicates(np.moveaxis(day.delivered, -1, 0))
        heat = Estimate.from_replicates(np.moveaxis(day.absorbed, -1, 0))
        none = [np.nan]
        return cls(
            np.array([t.isoformat(timespec="seconds") for t in day.time], dtype=str),
            day.since,
            np.array([t in turned for t in day.time]),
            day.alpha,
            day.gamma,
            day.dni,
            day.air,
            day.wind,
            np.append(none, got.value[:, 1]),
            np.append(got.value[:, 0], none),
            np.append(got.se[:, 0], none),
            np.append(heat.value[:, 0], heat.value[-1:, 1]),
            np.append(heat.se[:, 0], heat.se[-1:, 1]),
            np.append(day.diffuse[:, 0], day.diffuse[-1:, 1]),
            day.temperature.value,
            day.temperature.se,
            day.heating.water[0],
        )


@dataclass(frozen=True, eq=False)
class HabitWorth:
    """What one habit of turning brings, in n draws of what isn't known, of build and of use.

    Attributes
    ----------
    habit : Habit
    turnings : int
        After the first, until it needs no more sun (`raytrace.heat.wanted.sun_until`) in half of
        the draws, or until the sun sets. [1]
    draws : DayDraws
        Of the one pot.
    """

    habit: Habit
    turnings: int
    draws: DayDraws


def cooking_day(
    scenario: Scenario,
    date: dt.date | str,
    start: float,
    *,
    step: float = 120.0,
    habit: Habit | None = None,
    settings: LightSettings | None = None,
    top_ups: Sequence[tuple[float, float, float]] = (),
) -> CookingDay:
    """Follow one pot through one day.

    Parameters
    ----------
    scenario : Scenario
    date : date or str
        Day by the site's clock.
    start : float
        When the pot is put on and the cooker turned first, after midnight by the clock. [s]
    step : float
        Greatest distance between moments. [s]
    habit : Habit, optional
        By default the scenario's.
    settings : LightSettings, optional
        By default 8 replicates of 2 beams with the scenario's seed and build.
    top_ups : sequence of (float, float, float)
        Cold water added: time since the start [s], mass [kg], temperature [K].

    Returns
    -------
    CookingDay

    Raises
    ------
    SkyError
        If the date or the start doesn't exist by the site's clock, if the start happens twice
        that day, or if the sun is down from the start until the day ends.
    HeatError
        If the pot cannot hold the water added.
    """
    habit = habit_of(scenario) if habit is None else habit
    setup = set_up(scenario, settings or LightSettings.of(scenario, beams=2, replicates=8))
    site, day = scenario.site, read_date(date)
    begin = _start_moment(site, day, start)
    end = day_bounds(site, day)[1].timestamp()
    course = courses(setup, habit, begin, np.array([round(end)]), step=step, evening=True)
    if course.last[0] == 0:
        when = moments(begin)[0].tz_convert(site.timezone)
        raise SkyError(
            no_sun_words(site, day)
            or f"the sun is down from {when:%Y-%m-%d %H:%M} until the day ends"
        )
    e = int(course.last[0])
    one = np.zeros(1, dtype=np.int64)
    watts = nudged(course.absorbed)
    _, heating = next(heat_course(course, watts, one, top_ups=top_ups))
    _, evening = next(heat_course(course, watts, one, top_ups=top_ups, evening=True))
    _check_brim(scenario, heating)
    boils = bool(np.isfinite(evening.boils[0]))
    reason = "boils" if boils else ""
    if scenario.kitchen.water and not boils:
        reason = REASONS[int(pots_of(course).reason[0])]

    r = setup.settings.replicates

    def of(x: Array) -> Estimate:
        return Estimate(*from_nudged(x), r)

    zone = scenario.site.timezone
    turned = np.unique(np.round(course.turned[:e]).astype(np.int64))
    moment = course.start[0] + turned
    poses = meant_poses(scenario, moment, habit.lead)
    return CookingDay(
        scenario=scenario,
        habit=habit,
        settings=setup.settings,
        time=moments(course.at[0, : e + 1]).tz_convert(zone),
        since=course.time[: e + 1],
        alpha=course.alpha[0, : e + 1],
        gamma=course.gamma[0, : e + 1],
        dni=course.dni[0, : e + 1],
        air=course.air[0, : e + 1],
        wind=course.wind[0, : e + 1],
        delivered=course.delivered[0, :e],
        absorbed=course.absorbed[0, :e],
        diffuse=course.diffuse[0, :e],
        turnings=tuple(
            Turning(time, float(heading), float(tilt))
            for time, heading, tilt in zip(
                moments(moment).tz_convert(zone), poses.heading, poses.tilt, strict=True
            )
        ),
        boiling=float(water_at(site_pressure(scenario)).boiling),
        temperature=of(heating.temperature),
        boils=of(evening.boils),
        near=of(evening.near),
        done=of(evening.done),
        reason=reason,
        heating=heating,
        evening=evening,
        evening_air=course.air[0, : len(evening.time)],
    )


def _check_brim(scenario: Scenario, heating: Heating) -> None:
    """HeatError if water added later makes the pot run over; food counts as dense as water."""
    density = float(water_at(site_pressure(scenario)).density(ROOM))
    most = (float(np.nanmax(heating.water[0])) + scenario.kitchen.food) / density
    if most > scenario.pot.volume * (1.0 + 1e-9):
        raise HeatError(
            f"with the water added there would be {1e3 * most:.3g} L in the pot, which holds "
            f"{1e3 * scenario.pot.volume:.3g} L: add less, or later"
        )


def _start_moment(site: Site, day: dt.date, start: float) -> Whole:
    """When the clock shows a time on a day, shape (1,); SkyError if never or twice. [s]"""
    if not 0.0 <= start < 86400.0:
        raise SkyError(f"start {start:g} s after midnight: it must be a clock time of that day")
    clock = dt.datetime(day.year, day.month, day.day) + dt.timedelta(seconds=round(start))
    zone = ZoneInfo(site.timezone)
    # fold=0 reads the clock as before a change, fold=1 as after it
    before, after = (clock.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    skipped = before.timestamp() > after.timestamp()
    if skipped or before.timestamp() < after.timestamp():
        what = "is skipped as the clocks go forward" if skipped else "happens twice as they go back"
        raise SkyError(
            f"{clock:%H:%M} on {day} {what} in {site.timezone}: put the pot on earlier or later"
        )
    return np.array([round(before.timestamp())])


def day_drawn(
    scenario: Scenario,
    date: dt.date | str,
    start: float,
    *,
    habit: Habit | None = None,
    setups: Sequence[Setup] | None = None,
    settings: LightSettings | None = None,
    step: float = STEP,
    top_ups: Sequence[tuple[float, float, float]] = (),
    tracer: Callable[[Pairs], PotLight] | None = None,
) -> DayDraws:
    """Follow one pot through one day in draws of what isn't known, of build and of use.

    Parameters
    ----------
    scenario : Scenario
    date, start
        As in `cooking_day`.
    habit : Habit, optional
        By default the scenario's.
    setups : sequence of Setup, optional
        By default those of `raytrace.studies.cooking.day_draws.draw_setups`.
    settings : LightSettings, optional
        For these; its replicates do not count: each draw is traced once. By default one beam
        with the scenario's seed, and builds from the scenario's on.
    step : float
        Greatest distance between moments. [s]
    top_ups : sequence of (float, float, float)
        As in `cooking_day`.
    tracer : callable, optional
        As in `compare_habits`.

    Returns
    -------
    DayDraws
        Of one pot.

    Raises
    ------
    SkyError
        If the date or the start doesn't exist by the site's clock, or happens twice.
    """
    if setups is None:
        setups = draw_setups(scenario, settings or LightSettings.of(scenario))
    day = read_date(date)
    return drawn(
        scenario,
        setups,
        habit_of(scenario) if habit is None else habit,
        _start_moment(scenario.site, day, start),
        day_bounds(scenario.site, day)[1].timestamp(),
        step=step,
        top_ups=[top_ups],
        tracer=tracer,
    )


def compare_habits(
    scenario: Scenario,
    date: dt.date | str,
    start: float,
    habits: Sequence[Habit] = HABITS,
    *,
    step: float = STEP,
    setups: Sequence[Setup] | None = None,
    settings: LightSettings | None = None,
    tracer: Callable[[Pairs], PotLight] | None = None,
    progress: Callable[[float], object] = lambda share: None,
) -> tuple[HabitWorth, ...]:
    """Say what turning more often, or ahead of the sun, is worth on one day.

    Parameters
    ----------
    scenario : Scenario
    date, start
        As in `cooking_day`.
    habits : sequence of Habit
    step : float
        Greatest distance between moments. [s]
    setups : sequence of Setup, optional
        As in `day_drawn`; 2 or more.
    settings : LightSettings, optional
        As in `day_drawn`.
    tracer : callable, optional
        In place of `raytrace.light.history.remembering`'s, such as the same one for several
        calls.
    progress : callable
        Called with the share that is done.

    Returns
    -------
    tuple of HabitWorth
        In the order of `habits`. All share cookers, errors and samples as far as they turn at the
        same moments, so that differences are sharp.

    Raises
    ------
    SkyError
        As in `cooking_day`.
    """
    if setups is None:
        setups = draw_setups(scenario, settings or LightSettings.of(scenario))
    if len(setups) < 2:
        raise SkyError("setups must be 2 or more: their spread says how far they differ")
    tracer = tracer or remembering()
    worth, need = [], sun_until(scenario)
    for k, habit in enumerate(habits):
        got = day_drawn(scenario, date, start, habit=habit, setups=setups, step=step, tracer=tracer)
        until = float(np.median(np.nan_to_num(getattr(got, need)[:, 0], nan=got.sunset[0])))
        turned = np.unique(habit.turned(got.time))
        worth.append(HabitWorth(habit, int(((turned > 0.0) & (turned < until)).sum()), got))
        progress((k + 1) / len(habits))
    return tuple(worth)
