"""A year or a part of it: when food boils, for each day and each time at which the pot is put up.

Months come one by one as plain arrays, so that a caller can show progress, save and resume; each
depends on its own dates and keys alone.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.clock import day_bounds
from raytrace.estimate import Estimate
from raytrace.exceptions import HeatError
from raytrace.studies import pot_light
from raytrace.studies.courses import courses
from raytrace.studies.heatings import pots_of, refilled
from raytrace.studies.reasons import BOILS, NO_TIME, REASONS
from raytrace.studies.season_plan import (
    DAY,
    Plan,
    dates_between,
    part_names,
    start_moments,
    year_of,
)
from raytrace.studies.time_step import between_moments
from raytrace.studies.turning import Habit, habit_of
from raytrace.water import site_pressure, water_at

if TYPE_CHECKING:
    from raytrace.scenario import Scenario

__all__ = [
    "Months",
    "Plan",
    "Season",
    "dates_between",
    "iter_parts",
    "part_names",
    "put_together",
    "season",
    "start_moments",
    "year_of",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Months:
    """A season by month and start, M months and S starts.

    Attributes
    ----------
    months : tuple of (int, int)
        Year and month.
    days : ndarray of int, shape (M, S)
        Dates that have such a start.
    boils, done : ndarray, shape (M, S)
        Share of them on which it boils, and on which the food gets done; nan where there are
        none.
    boil_median : ndarray, shape (M, S)
        Time from the start to the boil that half the days keep within; nan where fewer than half
        boil. [s]
    delivered, delivered_se, absorbed, absorbed_se : ndarray, shape (M, S)
        Mean over the days of the same in `Season`, with its standard error of tracing. [W]
    reason : ndarray of int, shape (M, S)
        The commonest reason among days that never boil, as in `Season.reason`; that of "boils"
        where all do.
    """

    months: tuple[tuple[int, int], ...]
    days: Whole
    boils: Array
    done: Array
    boil_median: Array
    delivered: Array
    delivered_se: Array
    absorbed: Array
    absorbed_se: Array
    reason: Whole


@dataclass(frozen=True, eq=False)
class Season:
    """What each day and start brings; D days and S starts. Standard errors end in `_se`.

    A pot is followed from its start until the sun sets, or the clock day ends. Times count from
    the start; nan where it never comes to that, or where the clock skips the start that day.

    Attributes
    ----------
    scenario : Scenario
    plan : Plan
    habit : Habit
    boiling : float
        Boiling point at the site's pressure. [K]
    start_at : ndarray, shape (D, S)
        Starts, in seconds since 1970 UTC; nan where the clock skips it. A time that happens
        twice is taken the first time. [s]
    followed : ndarray, shape (D, S)
        How long the pot is followed; 0 where the sun is down for the rest of the day. [s]
    sun_share : ndarray, shape (D, S)
        Share of that time with the sun above the horizon profile.
    delivered, delivered_se : ndarray, shape (D, S)
        Watts on the base, mean from the start until it boils; where it never does, over the
        first two hours, or until the sun sets if that is sooner. [W]
    absorbed, absorbed_se : ndarray, shape (D, S)
        Watts that turn to heat in the pot, direct sun included, over the same time. [W]
    dni : ndarray, shape (D, S)
        Direct normal irradiance over the same time. [W/m²]
    air : ndarray, shape (D, S)
        Air temperature over the same time. [K]
    boils, boils_se : ndarray, shape (D, S)
        Time to the boil, 1 K below saturation. [s]
    near, near_se : ndarray, shape (D, S)
        Time to 5 K below it. [s]
    done, done_se : ndarray, shape (D, S)
        Time until the food is done: `kitchen.done_after` at or over `kitchen.done_over`. [s]
    dry : ndarray, shape (D, S)
        Time until the pot has boiled dry; what then burns is not followed. [s]
    highest, highest_se : ndarray, shape (D, S)
        Highest temperature. [K]
    settles : ndarray, shape (D, S)
        Temperature that it tends to under the watts around its highest. [K]
    holds : ndarray, shape (D, S)
        Share of the time after boiling that the boil is kept.
    boiled_off : ndarray, shape (D, S)
        Water lost. [kg]
    unsure : ndarray of bool, shape (D, S)
        Whether it boils hangs on the tracing's noise: some replicates left out, it changes sides.
    reason : ndarray of int, shape (D, S)
        Index into `raytrace.studies.reasons.REASONS`: boils, or why not.
    batches, batches_se : ndarray, shape (D,)
        Potfuls that boil on a day if each is emptied and refilled cold as it boils, from that
        day's best start, with the share that the last one's heat is of what it needs; 0 where
        the plan leaves it out.
    batches_start : ndarray of int, shape (D,)
        Index of that start; −1 where not one potful boils.
    """

    scenario: Scenario
    plan: Plan
    habit: Habit
    boiling: float
    start_at: Array
    followed: Array
    sun_share: Array
    delivered: Array
    delivered_se: Array
    absorbed: Array
    absorbed_se: Array
    dni: Array
    air: Array
    boils: Array
    boils_se: Array
    near: Array
    near_se: Array
    done: Array
    done_se: Array
    dry: Array
    highest: Array
    highest_se: Array
    settles: Array
    holds: Array
    boiled_off: Array
    unsure: NDArray[np.bool_]
    reason: Whole
    batches: Array
    batches_se: Array
    batches_start: Whole

    @property
    def dates(self) -> tuple[dt.date, ...]:
        """Days, D of them."""
        return self.plan.dates

    @property
    def starts(self) -> Array:
        """Clock times of the starts after midnight, shape (S,). [s]"""
        return np.array(self.plan.starts)

    @property
    def litres(self) -> Estimate:
        """Water brought to the boil on each day by refilling, whole potfuls, shape (D,). [L]

        The standard error is that of `batches`, which do not jump from potful to potful.
        """
        potful = 1e3 * float(self.scenario.kitchen.water)
        whole = np.floor(self.batches + 1e-9)
        return Estimate(potful * whole, potful * self.batches_se, self.plan.replicates)

    @property
    def clear(self) -> bool:
        """Whether the sky is cloudless or constant, so that shares of days are of the calendar."""
        return self.scenario.sky.dni != "weather file"

    def clock_at(self, what: str = "boils") -> Array:
        """Clock time at which it happens, after midnight of that day, shape (D, S). [s]

        Parameters
        ----------
        what : str
            "boils", "near", "done" or "dry".

        Returns
        -------
        ndarray, shape (D, S)
            nan where it never does. On days on which the clocks change this is not the start
            plus the time it lasts.
        """
        when = self.start_at + getattr(self, what)
        out = np.full(when.shape, np.nan)
        there = np.isfinite(when)
        if there.any():
            whole = np.floor(when[there]).astype(np.int64)
            clock = pot_light.moments(whole).tz_convert(self.scenario.site.timezone)
            midnight = np.array([np.datetime64(d, "s") for d in self.dates]).astype(np.int64)
            day = np.nonzero(there)[0]
            since = pot_light.seconds(clock.tz_localize(None)) - midnight[day]
            out[there] = since + (when[there] - whole)
        return out

    def share_by(self, clock: float, what: str = "boils") -> Array:
        """Share of the days on which it boils, or is done, by a clock time, shape (S,).

        Parameters
        ----------
        clock : float
            Time after midnight. [s]
        what : str
            "boils", "near" or "done".
        """
        with np.errstate(invalid="ignore"):
            by = self.clock_at(what) <= clock  # nan never is
        there = np.isfinite(self.start_at).sum(axis=0)
        return np.where(there > 0, by.sum(axis=0) / np.maximum(there, 1), np.nan)

    def percentile(self, q: float, what: str = "boils", days: Any = slice(None)) -> Array:
        """Time from each start that q percent of the days keep within, shape (S,). [s]

        Parameters
        ----------
        q : float
            Percent. Days on which it never happens count as longer than all others.
        what : str
            "boils", "near" or "done".
        days : index of the first axis
            Which days; all by default.

        Returns
        -------
        ndarray, shape (S,)
            nan where fewer days than that see it happen.
        """
        lasts, there = getattr(self, what)[days], np.isfinite(self.start_at[days])
        return np.array(
            [_within(x[t], q) for x, t in zip(lasts.T, there.T, strict=True)], dtype=float
        )

    def best_start(self, what: str = "boils") -> int | None:
        """Start with which it happens on most days, and of those the one with the shortest median.

        Parameters
        ----------
        what : str
            "boils", "near" or "done".

        Returns
        -------
        int or None
            Index into `starts`; None where it never happens.
        """
        lasts = getattr(self, what)
        count = np.isfinite(lasts).sum(axis=0)
        if not count.any():
            return None
        ties = np.flatnonzero(count == count.max())
        return int(ties[np.argmin([np.nanmedian(lasts[:, k]) for k in ties])])

    def latest_start(self, what: str = "boils", by: float = DAY) -> Whole:
        """Last start on each day with which it still happens by a clock time, shape (D,).

        Parameters
        ----------
        what : str
            "boils", "near" or "done".
        by : float
            Time after midnight. [s]

        Returns
        -------
        ndarray of int, shape (D,)
            Index into `starts`; −1 where none does.
        """
        with np.errstate(invalid="ignore"):
            in_time = self.clock_at(what) <= by
        last = in_time.shape[1] - 1 - np.argmax(in_time[:, ::-1], axis=1)
        return np.where(in_time.any(axis=1), last, -1)

    def monthly(self) -> Months:
        """Put the days of each month together."""
        keys = [(d.year, d.month) for d in self.dates]
        months = tuple(dict.fromkeys(keys))
        rows = [np.array([k == m for k in keys]) for m in months]
        there = np.isfinite(self.start_at)
        count = np.array([there[r].sum(axis=0) for r in rows])
        safe = np.maximum(count, 1)

        def share(x: Array) -> Array:
            hits = np.array([np.isfinite(x[r]).sum(axis=0) for r in rows])
            return np.where(count > 0, hits / safe, np.nan)

        def mean(x: Array) -> Array:
            total = np.array([np.nansum(x[r], axis=0) for r in rows])
            return np.where(count > 0, total / safe, np.nan)

        def error(se: Array) -> Array:
            total = np.sqrt([np.nansum(se[r] ** 2, axis=0) for r in rows])
            return np.where(count > 0, total / safe, np.nan)

        return Months(
            months=months,
            days=count,
            boils=share(self.boils),
            done=share(self.done),
            boil_median=np.array([self.percentile(50.0, days=r) for r in rows]),
            delivered=mean(self.delivered),
            delivered_se=error(self.delivered_se),
            absorbed=mean(self.absorbed),
            absorbed_se=error(self.absorbed_se),
            reason=np.array([_commonest(self.reason[r]) for r in rows]),
        )


def _within(lasts: Array, q: float) -> float:
    """Time that q percent keep within, those that never end counted last."""
    if not len(lasts):
        return float("nan")
    sorted_ = np.sort(np.where(np.isnan(lasts), np.inf, lasts))
    rank = max(int(np.ceil(q / 100.0 * len(sorted_) - 1e-9)), 1)
    return float(sorted_[rank - 1]) if np.isfinite(sorted_[rank - 1]) else float("nan")


def _commonest(reason: Whole) -> Whole:
    """Reason that most days give for not boiling, by start; ties go to the first in the list."""
    counts = np.array([(reason == k).sum(axis=0) for k in range(len(REASONS))])
    counts[BOILS] = 0
    return np.where(counts.any(axis=0), np.argmax(counts, axis=0), BOILS)


def iter_parts(
    scenario: Scenario,
    plan: Plan,
    *,
    done: Collection[str] = (),
    threads: int | None = None,
) -> Iterator[tuple[str, dict[str, NDArray[Any]]]]:
    """Compute a season month by month.

    Parameters
    ----------
    scenario : Scenario
        Its section `habit` says how the cooker is turned.
    plan : Plan
    done : collection of str
        Names of parts that need not be computed again.
    threads : int, optional
        Changes no bit of any result.

    Yields
    ------
    name : str
        As in `part_names`.
    part : dict of ndarray
        Attributes of `Season` over that month's dates.

    Raises
    ------
    SkyError
        If the weather file fails, or the site's calendar skips one of the dates.
    GeometryError
        If the platform tilts into a pot on the ground.
    HeatError
        If litres are to be counted of a pot without water, or the pot is put up as hot as water
        boils there.
    """
    if plan.refill and not scenario.kitchen.water:
        raise HeatError(
            "kitchen.water is 0 L, and a season tells when water boils: state a volume, such as "
            '"0.5 L"; `cooker day` follows a dry pot through one day'
        )
    settings = pot_light.Settings(plan.beams, plan.replicates, plan.seed, plan.build, threads)
    bench = pot_light.prepare(scenario, settings)
    habit = habit_of(scenario)
    for name in part_names(plan):
        if name not in done:
            yield name, _part(bench, habit, plan, [d for d in plan.dates if f"{d:%Y-%m}" == name])


def _part(
    bench: pot_light.Bench, habit: Habit, plan: Plan, dates: list[dt.date]
) -> dict[str, NDArray[Any]]:
    scenario, shape = bench.scenario, (len(dates), len(plan.starts))
    start_at = start_moments(scenario, dates, plan.starts)
    ends = np.array([day_bounds(scenario.site, d)[1].timestamp() for d in dates])
    there = np.isfinite(start_at)
    day = np.broadcast_to(np.arange(len(dates))[:, None], shape)[there]
    out: dict[str, NDArray[Any]] = {"start_at": start_at}
    batches, se, which = np.zeros(shape[0]), np.zeros(shape[0]), np.full(shape[0], -1)
    course = between_moments(
        courses(
            bench,
            habit,
            start_at[there].astype(np.int64),
            ends[day].astype(np.int64),
            # two intervals or more between turnings show how the light bends in them
            step=min(plan.step, 0.5 * habit.every),
        )
    )
    pots = pots_of(course)
    for f in fields(pots):
        x = getattr(pots, f.name)
        gap = {"unsure": False, "reason": NO_TIME}.get(f.name, np.nan)
        whole = np.full(shape, gap, dtype=x.dtype)
        whole[there] = x
        out[f.name] = whole
    if plan.refill:
        batches, se, row = refilled(course, day, len(dates))
        which = np.where(row >= 0, np.nonzero(there)[1][row], -1)
    return out | {"batches": batches, "batches_se": se, "batches_start": which}


def put_together(
    scenario: Scenario, plan: Plan, parts: Mapping[str, Mapping[str, NDArray[Any]]]
) -> Season:
    """Season from its parts.

    Parameters
    ----------
    scenario : Scenario
    plan : Plan
    parts : mapping of str to mapping of str to ndarray
        From `iter_parts`, all of them.
    """
    names = part_names(plan)
    joined = {
        key: np.concatenate([np.asarray(parts[name][key]) for name in names])
        for key in (f.name for f in fields(Season))
        if key in parts[names[0]]
    }
    boiling = float(water_at(site_pressure(scenario)).boiling)
    return Season(scenario, plan, habit_of(scenario), boiling, **joined)


def season(scenario: Scenario, plan: Plan, *, threads: int | None = None) -> Season:
    """Compute a season in one go.

    Parameters
    ----------
    scenario : Scenario
    plan : Plan
    threads : int, optional
        Changes no bit of the result.

    Returns
    -------
    Season
    """
    return put_together(scenario, plan, dict(iter_parts(scenario, plan, threads=threads)))
