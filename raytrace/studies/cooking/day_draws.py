"""One day as several cooks would have it: cookers that a builder may own, each used in its own way.

A cook owns one cooker and turns it by one hand; which, nobody knows beforehand, nor exactly how
clean its mirrors are and how much the air takes. So advice is taken from draws of all that, and
holds for nearly all of them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, ClassVar, TypeAlias

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.heat.food import HOT, lukewarm_share, stretches
from raytrace.heat.wanted import goal_of
from raytrace.light.drawn import KINDS, draw_cookers
from raytrace.light.history import Pairs, PotLight, moments
from raytrace.light.setup import LightSettings, Setup
from raytrace.sky.clock import day_bounds
from raytrace.sky.sun import position
from raytrace.statistics.draws import MOST, kept_by
from raytrace.studies.cooking.courses import Course, courses
from raytrace.studies.cooking.pots import heat_course, mean_until
from raytrace.studies.cooking.season_choice import WAIT
from raytrace.studies.cooking.time_step import between_moments

if TYPE_CHECKING:
    from raytrace.light.turning import Habit
    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = ["DRAWS", "DayDraws", "best_of", "draw_setups", "drawn", "no_sun_words"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Truth = NDArray[np.bool_]
Part: TypeAlias = dict[str, Array]

DRAWS = 16  # that advice is taken from
STEP = 600.0  # between moments [s]
FIRST = 7200.0  # over which the watts of a habit are averaged [s]


@dataclass(frozen=True, eq=False)
class DayDraws:
    """C pots of one day in n draws of all that isn't known, of build and of use; K moments.

    All times count from each pot's start; nan where it never comes to that.

    Attributes
    ----------
    scenario : Scenario
        At its best values.
    goal : str
        As in `raytrace.heat.wanted.goal_of`.
    start : ndarray of int, shape (C,)
        Seconds since 1970 UTC. [s]
    sunset : ndarray, shape (C,)
        When the sun sets, or the day ends with the sun up; 0 for a pot that sees no sun; of the
        draw with the longest day. [s]
    time : ndarray, shape (K,)
        From the start. [s]
    air : ndarray, shape (n, C, K)
        Temperature of the air. [K]
    temperature : ndarray, shape (n, C, K)
        Until the day ends; nan for a pot that is dry, or sees no sun. [K]
    boils, near, done, dry : ndarray, shape (n, C)
        As in `raytrace.heat.heating.Heating`, followed until the day ends. [s]
    highest : ndarray, shape (n, C)
        Highest temperature. [K]
    energy : ndarray, shape (n, C)
        On the base until the sun sets. [J]
    watts : ndarray, shape (n, C)
        On the base over the first two hours, or until the sun sets. [W]
    """

    scenario: Scenario
    goal: str
    start: Whole
    sunset: Array
    time: Array
    air: Array
    temperature: Array
    boils: Array
    near: Array
    done: Array
    dry: Array
    highest: Array
    energy: Array
    watts: Array

    DIMS: ClassVar = {"n": "draw", "C": "pot", "K": "draw_time"}
    SHOWN: ClassVar = {
        **dict.fromkeys(("boils", "near", "done", "dry"), "min"),
        **dict.fromkeys(("energy", "energy_mean", "energy_spread"), "MJ"),
        "highest": "degC",
        "highest_mean": "degC",
    }
    ALSO: ClassVar = (
        "spoilt",
        *("watts_mean", "watts_spread", "energy_mean", "energy_spread"),
        *("highest_mean", "highest_spread"),
    )
    APART: ClassVar = ("scenario", "start", "sunset", "time", "air", "temperature")

    @property
    def spoilt(self) -> int:
        """In how many draws food stands lukewarm for too long before the goal. [1]"""
        return int(self.spoils().sum())

    @property
    def watts_mean(self) -> float:
        """Mean of the watts over pots and draws. [W]"""
        return float(self.watts.mean())

    @property
    def watts_spread(self) -> float:
        """Standard deviation between them. [W]"""
        return float(self.watts.std(ddof=1))

    @property
    def energy_mean(self) -> float:
        """Mean of the energy over pots and draws. [J]"""
        return float(self.energy.mean())

    @property
    def energy_spread(self) -> float:
        """Standard deviation between them. [J]"""
        return float(self.energy.std(ddof=1))

    @property
    def highest_mean(self) -> float:
        """Mean of the highest temperatures. [K]"""
        return float(self.highest.mean())

    @property
    def highest_spread(self) -> float:
        """Standard deviation between them. [K]"""
        return float(self.highest.std(ddof=1))

    @property
    def reached(self) -> Array:
        """When the goal is reached, shape (n, C). [s]"""
        return np.asarray(getattr(self, self.goal))

    def one(self, c: int) -> DayDraws:
        """Draws of one of the pots.

        Parameters
        ----------
        c : int
            Its row.

        Returns
        -------
        DayDraws
            With C = 1.
        """
        first = {"start", "sunset"}
        whole = {"scenario", "goal", "time"}
        pick = {
            f.name: getattr(self, f.name)[[c]] if f.name in first else getattr(self, f.name)[:, [c]]
            for f in fields(self)
            if f.name not in whole
        }
        return replace(self, **pick)

    def spoils(self, until: Array | None = None) -> Truth:
        """Whether a pot stands lukewarm for too long before the goal, or before other times.

        Parameters
        ----------
        until : ndarray, shape (n, C) or one that stretches to it, optional
            From each pot's start. [s]

        Returns
        -------
        ndarray, shape (n, C)
        """
        until = self.reached if until is None else np.broadcast_to(until, self.boils.shape)
        share = [
            [
                lukewarm_share(self.time, T, air, last)
                for T, air, last in zip(rows, airs, ends, strict=True)
            ]
            for rows, airs, ends in zip(self.temperature, self.air, until, strict=True)
        ]
        return np.asarray(np.array(share).reshape(self.boils.shape) > 1.0)

    def at(self, since: Array) -> Array:
        """Temperature of each pot at a time of its own.

        Parameters
        ----------
        since : ndarray, shape (C,)
            From each pot's start. [s]

        Returns
        -------
        ndarray, shape (n, C)
            [K]
        """
        return np.array(
            [
                [np.interp(s, self.time, T) for s, T in zip(since, rows, strict=True)]
                for rows in self.temperature
            ]
        ).reshape(self.boils.shape)

    def hot_until(self) -> Array:
        """Until when it stays at 60 °C or over after the goal is reached, (n, C). [s]"""
        out = np.full(self.boils.shape, np.nan)
        for k, c in np.argwhere(np.isfinite(self.reached)):
            hot = stretches(self.time, self.temperature[k, c], HOT)
            # a moment's slack: the goal may be reached in the very step in which the pot dries
            out[k, c] = next((b for a, b in hot if b >= self.reached[k, c] - 1.0), np.nan)
        return out

    def good(self) -> Truth:
        """Whether the goal is reached within a bounded wait, and safely; (n, C)."""
        kitchen = self.scenario.kitchen
        most = WAIT + (float(kitchen.done_after) if self.goal == "done" else 0.0)
        with np.errstate(invalid="ignore"):
            soon = self.reached <= most
        return np.asarray(soon & ~(self.spoils() & bool(kitchen.food)))


def draw_setups(
    scenario: Scenario,
    settings: LightSettings,
    count: int = DRAWS,
    *,
    first: int | None = None,
    kinds: tuple[str, ...] = KINDS,
) -> list[Setup]:
    """Cookers that a builder may own, each on one occasion, ready to be traced.

    Parameters
    ----------
    scenario : Scenario
    settings : LightSettings
    count : int
        How many; see `raytrace.light.drawn.draw_cookers`.
    first : int, optional
        Number of the first build and use; by default the settings' build.
    kinds : tuple of str
        What is drawn, of `raytrace.light.drawn.KINDS`.

    Returns
    -------
    list of Setup
        Each with one replicate.
    """
    first = settings.build if first is None else first
    draws = draw_cookers(scenario, count, seed=settings.seed, first=first, kinds=kinds)
    base, settings = build_cooker(scenario), replace(settings, replicates=1)
    return [one.setup(base, draws.keys, settings) for one in draws]


def drawn(
    scenario: Scenario,
    setups: Sequence[Setup],
    habit: Habit,
    start: Whole,
    end: Array | float,
    *,
    step: float = STEP,
    top_ups: Sequence[Sequence[tuple[float, float, float]]] | None = None,
    tracer: Callable[[Pairs], PotLight] | None = None,
    progress: Callable[[float], object] = lambda share: None,
) -> DayDraws:
    """Follow pots through their days in several draws.

    Parameters
    ----------
    scenario : Scenario
    setups : sequence of Setup
        From `draw_setups`.
    habit : Habit
    start : ndarray of int, shape (C,)
        Seconds since 1970 UTC. [s]
    end : ndarray, shape (C,), or float
        Of each pot's day, or of all. [s]
    step : float
        Greatest distance between moments. [s]
    top_ups : sequence of sequence of (float, float, float), optional
        For each pot, as in `raytrace.heat.heating.heat_up`.
    tracer : callable, optional
        As in `raytrace.light.history.pot_light`.
    progress : callable
        Called with the share that is done.

    Returns
    -------
    DayDraws
    """
    ends = np.broadcast_to(np.round(end).astype(np.int64), start.shape)
    ups = (
        [()] * len(start)
        if top_ups is None
        else [tuple((a, b, c) for a, b, c in x) for x in top_ups]
    )
    options: dict[str, Any] = {
        "step": min(step, 0.5 * habit.every),
        "evening": True,
        "tracer": tracer,
    }
    got, found = [], []
    for k, setup in enumerate(setups):
        got.append(between_moments(courses(setup, habit, start, ends, **options)))
        found.append(_heated(got[-1], ups))
        progress((k + 1) / len(setups))
    longest = max(got, key=lambda course: len(course.time))
    K = len(longest.time)

    def padded(x: Array) -> Array:
        return np.pad(x, ((0, 0), (0, K - x.shape[1])), constant_values=np.nan)

    return DayDraws(
        scenario=scenario,
        goal=goal_of(scenario),
        start=start,
        sunset=np.max([course.time[course.last] for course in got], axis=0),
        time=longest.time,
        air=np.stack([padded(course.air) for course in got]),
        temperature=np.stack([padded(one.pop("temperature")) for one in found]),
        **{name: np.stack([one[name] for one in found]) for name in found[0]},
    )


def _heated(course: Course, ups: Sequence[tuple[tuple[float, float, float], ...]]) -> Part:
    """Fields of `DayDraws` for one draw, without its axis."""
    C, sunset = len(course.start), course.time[course.last]
    end = course.time[course.ends]
    # all go on as long as the longest, so that one call heats them; then it is struck out
    on = replace(course, ends=np.where(course.last > 0, len(course.time) - 1, 0))
    watts = course.absorbed.mean(axis=-1)[None]
    out = {name: np.full(C, np.nan) for name in ("boils", "near", "done", "dry")}
    temperature = np.full((C, len(course.time)), np.nan)
    for same in dict.fromkeys(ups):
        rows = np.array([c for c in range(C) if ups[c] == same])
        for which, heating in heat_course(on, watts[:, rows], rows, top_ups=same, evening=True):
            for name, x in out.items():
                x[rows[which]] = getattr(heating, name)
            temperature[rows[which]] = heating.temperature
    temperature[course.time > end[:, None]] = np.nan
    for x in out.values():
        x[x > end] = np.nan
    light, safe = course.delivered.mean(axis=-1), np.maximum(sunset, 1.0)
    highest = np.where(np.isnan(temperature), -np.inf, temperature).max(axis=1)
    return out | {
        "temperature": temperature,
        "highest": np.where(np.isfinite(highest), highest, np.nan),
        "energy": mean_until(course.time, light, safe) * sunset,
        "watts": mean_until(course.time, light, np.minimum(safe, FIRST)),
    }


def best_of(options: Sequence[DayDraws]) -> tuple[Whole, Array, int]:
    """Which of several pots, or habits, a cook would choose from, and the time that each keeps to.

    Parameters
    ----------
    options : sequence of DayDraws
        One pot each.

    Returns
    -------
    which : ndarray of int
        Those that reach the goal within a bounded wait and without standing lukewarm for too
        long, in as many draws as the best but for one in ten; where none does, those that
        reach the goal at all, or boil. Empty where none ever boils.
    lasts : ndarray, same shape
        Time that so many draws keep within. [s]
    count : int
        Nine of ten, or as many as each of these has.

    Notes
    -----
    Never a mean over draws: where they fall into groups nothing happens at its time.
    """
    for fits, times in (
        ([d.good()[:, 0] for d in options], [d.reached[:, 0] for d in options]),
        ([np.isfinite(d.reached[:, 0]) for d in options], [d.reached[:, 0] for d in options]),
        ([np.isfinite(d.boils[:, 0]) for d in options], [d.boils[:, 0] for d in options]),
    ):
        share = np.array([f.mean() for f in fits])
        if share.max() > 0.0:
            near = np.flatnonzero(share >= share.max() - (1.0 - MOST) - 1e-9)
            most = min(MOST, float(share[near].min()))
            if most == 0.0:
                near, most = np.flatnonzero(share == share.max()), float(share.max())
            lasts = [kept_by(np.where(fits[k], times[k], np.nan), most) for k in near]
            return near, np.array(lasts), int(np.ceil(most * len(fits[0]) - 1e-9))
    return np.zeros(0, dtype=np.int64), np.zeros(0), 0


def no_sun_words(site: Site, day: dt.date) -> str:
    """Say that a day is a polar night; "" where the sun rises on it.

    Parameters
    ----------
    site : Site
    day : date

    Returns
    -------
    str
    """
    first, last = (round(t.timestamp()) for t in day_bounds(site, day))
    alpha, _ = position(site, moments(np.arange(first, last, 600, dtype=np.int64)))
    if (alpha > 0.0).any():
        return ""
    return f"polar night: the sun does not rise at this site on {day}"
