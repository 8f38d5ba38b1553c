"""When to put the pot on, on one day: so that it is ready soon, or ready and hot at a stated time.

Both are chosen for nearly all draws of what isn't known, of building and of use; see `day_draws`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SkyError
from raytrace.heat.food import HOT
from raytrace.heat.vessel import ROOM
from raytrace.heat.wanted import goal_of
from raytrace.heat.water import site_pressure, water_at
from raytrace.light.history import remembering
from raytrace.light.turning import habit_of
from raytrace.sky.clock import day_bounds, read_date
from raytrace.statistics.draws import MOST, kept_by
from raytrace.studies.cooking.courses import air_at
from raytrace.studies.cooking.day_draws import (
    DayDraws,
    best_of,
    draw_setups,
    drawn,
    no_sun_words,
)
from raytrace.studies.cooking.season import start_moments
from raytrace.studies.cooking.season_choice import middle_of

if TYPE_CHECKING:
    from raytrace.light.history import Pairs, PotLight
    from raytrace.light.setup import LightSettings, Setup
    from raytrace.scenario.schema import Scenario

__all__ = ["Ready", "Refill", "Starts", "fits", "latest_ready", "top_ups_of", "working_starts"]

Array = NDArray[np.float64]

DAY = 86400.0
COARSE, FINE = 1800.0, 300.0  # between starts that are tried [s]
LATE = 3600.0  # by which a cook may be late [s]
WAITED = 600.0  # for which a cook doesn't mind to wait longer; common practice, no source [s]
SAME = 1.0  # in which temperatures count as equal [K]


@dataclass(frozen=True)
class Refill:
    """Cold water added.

    Attributes
    ----------
    clock : float
        When, after midnight by the clock. [s]
    volume : float
        How much. [m³]
    """

    clock: float
    volume: float

    SHOWN: ClassVar = {"clock": "clock"}


@dataclass(frozen=True, eq=False)
class Ready:
    """Outcome of a search for the latest start.

    Attributes
    ----------
    by : float
        Clock time asked for. [s]
    what : str
        "boils" or "done".
    start : float
        The latest, of those every five minutes, from which it is ready by then and still hot, see
        `fits`, in all draws; or in nine of ten, where none is in all. Where there is none, but one
        that is safely ready by then, that which stays hot longest. nan where there is none
        either. [s]
    count : int
        In how many draws it is ready by then and still hot. [1]
    draws : DayDraws or None
        The one pot put on at that start.
    after : float
        From the start to the time asked for, in real time: clocks may change. [s]
    earliest : float
        Clock time by which it is safely ready at the soonest in nine of ten draws, whatever the
        start of those every half-hour; nan if there is none. [s]
    """

    by: float
    what: str
    start: float
    count: int
    draws: DayDraws | None
    after: float
    earliest: float

    SHOWN: ClassVar = {"by": "clock", "start": "clock", "earliest": "clock", "after": "min"}
    ALSO: ClassVar = ("holds",)

    @property
    def holds(self) -> bool:
        """Whether the start keeps what was asked for in nine of ten draws."""
        return self.draws is not None and self.count >= needed(len(self.draws.boils))


@dataclass(frozen=True)
class Starts:
    """Starts of a day, of those every half-hour.

    Attributes
    ----------
    best : float
        By the clock. Of the starts that work, also if the cook is an hour late; else of those that
        work; or else of those that
        `raytrace.studies.cooking.day_draws.best_of` leaves, that which nine of ten draws are
        soonest ready from, or the middle of the day's first row about as quick, so that a pot may
        be put on again if it fails; where none boils, that which gets
        warmest. [s]
    first, last : float
        The earliest and the latest that work: its goal is reached within a bounded wait, and
        safely, in nine of ten draws; the ends, but for the best, in all draws where any start does
        so. nan where none works. [s]
    """

    best: float
    first: float
    last: float

    SHOWN: ClassVar = {"best": "clock", "first": "clock", "last": "clock"}


def needed(draws: int) -> int:
    """How many draws it takes for advice to hold."""
    return int(np.ceil(MOST * draws - 1e-9))


def fits(pots: DayDraws, after: Array) -> NDArray[np.bool_]:
    """Whether pots are ready by a time, hot then, and safe to eat.

    Parameters
    ----------
    pots : DayDraws
    after : ndarray, shape (C,)
        From each pot's start to that time. [s]

    Returns
    -------
    ndarray of bool, shape (n, C)
        Its goal is reached by then, it is at 60 °C or over (but for pasteurised water, which may
        cool), and food in it has not stood lukewarm for too long until then.
    """
    hot = HOT if pots.scenario.kitchen.wanted != "pasteurise" else 0.0
    with np.errstate(invalid="ignore"):
        kept = (pots.reached <= after) & (pots.at(after) >= hot)
    if pots.scenario.kitchen.food:
        kept &= ~pots.spoils(after)
    return np.asarray(kept)


def _safely(pots: DayDraws) -> Array:
    """When the goal is reached; nan where food has stood lukewarm for too long before, (n, C)."""
    spoilt = pots.spoils() & bool(pots.scenario.kitchen.food)
    return np.where(spoilt, np.nan, pots.reached)


def _tried(
    scenario: Scenario,
    setups: Sequence[Setup],
    day: dt.date,
    starts: Array,
    refills: Sequence[Refill] = (),
    *,
    tracer: Callable[[Pairs], PotLight] | None,
    progress: Callable[[float], object],
) -> tuple[Array, DayDraws]:
    """Starts that the clock shows, and the pots put on then."""
    begun = start_moments(scenario, [day], starts.tolist())[0]
    there = np.isfinite(begun)
    starts, begun = starts[there], begun[there].astype(np.int64)
    ups = [
        top_ups_of(scenario, day, float(s), [r for r in refills if r.clock > s])
        for s in (starts if refills else ())
    ]
    end = day_bounds(scenario.site, day)[1].timestamp()
    return starts, drawn(
        scenario,
        setups,
        habit_of(scenario),
        begun,
        end,
        top_ups=ups or None,
        tracer=tracer,
        progress=progress,
    )


def working_starts(
    scenario: Scenario,
    date: dt.date | str,
    settings: LightSettings,
    *,
    setups: Sequence[Setup] | None = None,
    tracer: Callable[[Pairs], PotLight] | None = None,
    progress: Callable[[float], object] = lambda share: None,
    not_before: float = 0.0,
) -> Starts:
    """Which starts work on a day, and which of them a cook would choose.

    Parameters
    ----------
    scenario : Scenario
    date : date or str
    settings : LightSettings
        Its replicates do not count: each draw is traced once.
    setups : sequence of Setup, optional
        By default those of `raytrace.studies.cooking.day_draws.draw_setups`.
    tracer : callable, optional
        As in `raytrace.studies.cooking.pot_day.compare_habits`.
    progress : callable
        Called with the share that is done.
    not_before : float
        Clock time of the first start that is tried. [s]

    Returns
    -------
    Starts

    Raises
    ------
    SkyError
        If the sun doesn't rise on that day, or not any more.
    """
    day = read_date(date)
    if dark := no_sun_words(scenario.site, day):
        raise SkyError(dark)
    setups = draw_setups(scenario, settings) if setups is None else setups
    every = np.arange(COARSE * np.ceil(not_before / COARSE), DAY, COARSE)
    starts, pots = _tried(scenario, setups, day, every, tracer=tracer, progress=progress)
    lit = pots.sunset > 0.0
    if not lit.any():
        raise SkyError(f"the sun is down from {_clock(not_before)} until the day ends")
    held, n = pots.good().sum(axis=0), len(setups)
    works = held >= needed(n)
    if not works.any():
        return Starts(_chosen(starts, pots, lit), float("nan"), float("nan"))
    bears = works & _all_until(starts, works, LATE)
    best = _chosen(starts, pots, bears if bears.any() else works)
    sure = starts[held == n] if (held == n).any() else starts[works]
    return Starts(best, min(best, float(sure[0])), max(best, float(sure[-1])))


def _all_until(starts: Array, works: NDArray[np.bool_], late: float) -> NDArray[np.bool_]:
    """Whether all starts from each one until so much later work."""
    return np.array([bool(works[(starts >= s) & (starts <= s + late)].all()) for s in starts])


def _chosen(starts: Array, pots: DayDraws, lit: NDArray[np.bool_]) -> float:
    """Start that a cook would choose of some that see the sun; see `Starts.best`."""
    among = np.flatnonzero(lit).tolist()
    which, lasts, _ = best_of([pots.one(c) for c in among])
    if len(which):
        k = middle_of(which, lasts, np.arange(len(among)), slack=WAITED, first=True)
        return float(starts[among[k]])
    highest = np.median(pots.highest[:, lit], axis=0)
    # of starts that get equally warm, the last: earlier ones only wait
    warm = np.flatnonzero(highest > highest.max() - SAME)
    if highest.max() - highest.min() < SAME:
        return float(starts[lit][warm[len(warm) // 2]])  # no sun to choose by
    return float(starts[lit][warm[-1]])


def top_ups_of(
    scenario: Scenario, date: dt.date | str, start: float, refills: Sequence[Refill]
) -> tuple[tuple[float, float, float], ...]:
    """Cold water as the heat balance wants it.

    Parameters
    ----------
    scenario : Scenario
        `kitchen.start_temperature` is the water's; the air's where that says so.
    date : date or str
    start : float
        After midnight by the clock. [s]
    refills : sequence of Refill

    Returns
    -------
    tuple of (float, float, float)
        Time since the start [s], mass [kg], temperature [K]; in order of time.

    Raises
    ------
    SkyError
        If one comes before the start, or at a time that the clock skips.
    """
    day = read_date(date)
    begun = start_moments(scenario, [day], [start])[0, 0]
    density = float(water_at(site_pressure(scenario)).density(ROOM))
    out = []
    for refill in sorted(refills, key=lambda r: r.clock):
        moment = start_moments(scenario, [day], [refill.clock])[0, 0]
        if not moment > begun:
            raise SkyError(
                f"cold water at {_clock(refill.clock)}: it can be added only after the pot is put "
                f"on, at {_clock(start)}, and at a time that the clock shows that day"
            )
        asked = scenario.kitchen.start_temperature
        if isinstance(asked, str):
            asked = float(air_at(scenario, np.array([moment], dtype=np.int64))[0][0])
        out.append((float(moment - begun), density * refill.volume, float(asked)))
    return tuple(out)


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 3600}:{int(seconds) % 3600 // 60:02d}"


def latest_ready(
    scenario: Scenario,
    date: dt.date | str,
    by: float,
    settings: LightSettings,
    *,
    refills: Sequence[Refill] = (),
    setups: Sequence[Setup] | None = None,
    tracer: Callable[[Pairs], PotLight] | None = None,
    progress: Callable[[float], Any] | None = None,
    not_before: float = 0.0,
) -> Ready:
    """Search for the latest start from which it is ready by a clock time, and still hot then.

    Parameters
    ----------
    scenario : Scenario
        Ready is done, where `kitchen.done_after` says how long food takes; else boiling.
    date : date or str
    by : float
        After midnight by the clock. [s]
    settings : LightSettings
        Its replicates do not count: each draw is traced once.
    refills : sequence of Refill
        Those before a start are left out of it.
    setups : sequence of Setup, optional
        By default those of `raytrace.studies.cooking.day_draws.draw_setups`.
    tracer : callable, optional
        As in `raytrace.studies.cooking.pot_day.compare_habits`.
    progress : callable, optional
        Called with about the share that is done.
    not_before : float
        Clock time of the first start that is tried. [s]

    Returns
    -------
    Ready

    Raises
    ------
    SkyError
        If the sun doesn't rise on that day, the clock skips the time asked for, or it is over.

    Notes
    -----
    Starts every half-hour come first, then those every five minutes round the best of them. What
    holds in all of 16 draws holds in 16 of 17 further ones; what holds in 15 of 16, in 15 of 17:
    ranks of draws alike (derived here).
    """
    tell, tracer = progress or (lambda share: None), tracer or remembering()
    day = read_date(date)
    if dark := no_sun_words(scenario.site, day):
        raise SkyError(dark)
    limit = start_moments(scenario, [day], [by])[0, 0]
    if np.isnan(limit):
        raise SkyError(f"{_clock(by)} on {day}: the clock skips that time")
    setups = draw_setups(scenario, settings) if setups is None else setups
    if not_before > by:
        raise SkyError(f"{_clock(by)} on {day} is over: name a later time, or another day")
    until = np.arange(COARSE * np.ceil(not_before / COARSE), by + 1.0, COARSE)
    coarse, pots = _tried(
        scenario, setups, day, until, refills, tracer=tracer, progress=lambda x: tell(0.5 * x)
    )
    soonest = [kept_by(x) for x in (pots.start + _safely(pots) - limit).T]
    earliest = by + float(np.nanmin(soonest)) if np.isfinite(soonest).any() else float("nan")
    best = coarse[_latest(pots, limit)]
    fine = best + np.arange(FINE - COARSE, COARSE, FINE)
    fine = fine[(fine >= not_before) & (fine <= by)]
    starts, pots = _tried(
        scenario, setups, day, fine, refills, tracer=tracer, progress=lambda x: tell(0.5 + 0.5 * x)
    )
    c = _latest(pots, limit)
    after = float(limit - pots.start[c])
    with np.errstate(invalid="ignore"):
        in_time = int((_safely(pots)[:, c] <= after).sum())
    if in_time < needed(len(setups)):
        return Ready(by, goal_of(scenario), float("nan"), 0, None, after, earliest)
    one = pots.one(c)
    count = int(fits(one, np.array([after])).sum())
    return Ready(by, one.goal, float(starts[c]), count, one, after, earliest)


def _latest(pots: DayDraws, limit: float) -> int:
    """Index of the start to be told, of those in order of time; see `Ready.start`."""
    after = np.asarray(limit - pots.start, dtype=float)
    count = fits(pots, after).sum(axis=0)
    n = len(pots.boils)
    if count.max() >= needed(n):
        return int(np.flatnonzero(count >= (n if (count == n).any() else needed(n)))[-1])
    with np.errstate(invalid="ignore"):
        in_time = (_safely(pots) <= after).sum(axis=0)
    if in_time.max() < needed(n):
        return int(np.flatnonzero(in_time == in_time.max())[-1])
    # hot for nine of ten draws until some time, by the clock
    ends = pots.start + pots.hot_until()
    ends = np.sort(np.nan_to_num(ends, nan=-np.inf), axis=0)[n - needed(n)]
    ends[in_time < needed(n)] = -np.inf
    return int(np.flatnonzero(ends == ends.max())[-1])
