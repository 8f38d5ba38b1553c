"""A season as arrays of days by starts, and its months."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.light import history as pot_light
from raytrace.light.turning import Habit
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking.never_boils import BOILS, NOT_TRIED, REASONS
from raytrace.studies.cooking.season_choice import days_error
from raytrace.studies.cooking.season_plan import DAY, Plan

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Months", "Season", "middle_day", "whole_error"]

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
    boil_median, boil_median_se : ndarray, shape (M, S)
        Time from the start to the boil that half the days keep within, those on which it never
        boils counted as longer than all others; nan where fewer than half boil. [s]
    spoils : ndarray, shape (M, S)
        Share of days on which food stands lukewarm for too long; nan where there are none.
    delivered, delivered_se, absorbed, absorbed_se : ndarray, shape (M, S)
        Mean over the days of the same in `Season`. [W]
    reason : ndarray of int, shape (M, S)
        The commonest reason among days that never boil, as in `Season.reason`; that of "boils"
        where all do.

    Notes
    -----
    Standard errors hold those of single days, as if they were the same on all, and the scatter of
    the days (`raytrace.studies.cooking.season_choice.days_error`): the operator's draws, clouds,
    and which dates stand for the month. Of a month with one date the scatter is not known.
    """

    months: tuple[tuple[int, int], ...]
    days: Whole
    boils: Array
    done: Array
    boil_median: Array
    boil_median_se: Array
    spoils: Array
    delivered: Array
    delivered_se: Array
    absorbed: Array
    absorbed_se: Array
    reason: Whole


@dataclass(frozen=True, eq=False)
class Season:
    """What each day and start brings; D days and S starts. Standard errors end in `_se`.

    A pot is followed from its start until the sun sets, or the clock day ends; one of a start
    between those of the plan, until a while after its goal is reached. Times count from the
    start; nan where it never comes to that, or where there is no such start on that day.

    Standard errors of single days hold the tracing and the step in time. They hold neither the
    operator's draws (each date and minute has one of its own) nor how two builds differ.

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
    lukewarm : ndarray, shape (D, S)
        Share of the time for which food may stand between 4 and 60 °C (`raytrace.heat.food`) that
        its longest stretch uses up, until it is done, or the water boils where the scenario doesn't
        say when food is; infinite where the sun is down.
    unsure : ndarray of bool, shape (D, S)
        Whether it boils is decided by noise: some replicates left out, it changes sides.
    reason : ndarray of int, shape (D, S)
        Index into `raytrace.studies.cooking.never_boils.REASONS`: boils, or why not.
    batches, batches_se : ndarray, shape (D,)
        Potfuls that boil on a day if each is emptied and refilled cold as it boils, from that
        day's best start, with the share that the last one's heat is of what it needs; 0 where
        the plan leaves it out.
    batches_start : ndarray of int, shape (D,)
        Index of that start; −1 where not one potful boils.
    tried : tuple of float
        Clock times of the starts after midnight, S of them; those of the plan, and what was tried
        between them, each on the days of some months. Empty: those of the plan. [s]
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
    lukewarm: Array
    unsure: NDArray[np.bool_]
    reason: Whole
    batches: Array
    batches_se: Array
    batches_start: Whole
    tried: tuple[float, ...] = ()

    @property
    def dates(self) -> tuple[dt.date, ...]:
        """Days, D of them."""
        return self.plan.dates

    @property
    def starts(self) -> Array:
        """Clock times of the starts after midnight, shape (S,). [s]"""
        return np.array(self.tried or self.plan.starts)

    @property
    def of_plan(self) -> Whole:
        """Index of each of the plan's starts into `starts`."""
        return np.searchsorted(self.starts, self.plan.starts)

    @property
    def spoils(self) -> NDArray[np.bool_]:
        """Whether food stands lukewarm for too long, shape (D, S)."""
        if not self.scenario.kitchen.food:
            return np.zeros(self.lukewarm.shape, dtype=bool)
        return np.asarray(np.nan_to_num(self.lukewarm, posinf=np.inf) > 1.0)

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

    def latest_start(self, what: str = "boils", by: float = DAY) -> Whole:
        """Last start of the plan with which it still happens by a clock time, on each day, (D,).

        One that leaves food lukewarm for too long does not count.

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
            in_time = (self.clock_at(what) <= by) & ~self.spoils
        own = self.of_plan
        last = own[len(own) - 1 - np.argmax(in_time[:, own[::-1]], axis=1)]
        return np.where(in_time[:, own].any(axis=1), last, -1)

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

        def error(x: Array, se: Array, statistic: Any = np.mean) -> Array:
            out = np.full(count.shape, np.nan)
            for m, k in np.argwhere(count > 0):
                days = rows[m] & there[:, k]
                out[m, k] = whole_error(x[days, k], se[days, k], statistic)
            return out

        return Months(
            months=months,
            days=count,
            boils=share(self.boils),
            done=share(self.done),
            boil_median=np.array([self.percentile(50.0, days=r) for r in rows]),
            boil_median_se=error(self.boils, self.boils_se, middle_day),
            spoils=mean(np.where(there, self.spoils, np.nan)),
            delivered=mean(self.delivered),
            delivered_se=error(self.delivered, self.delivered_se),
            absorbed=mean(self.absorbed),
            absorbed_se=error(self.absorbed, self.absorbed_se),
            reason=np.array([_commonest(self.reason[r]) for r in rows]),
        )


def _within(lasts: Array, q: float) -> float:
    """Time that q percent keep within, those that never end counted last."""
    if not len(lasts):
        return float("nan")
    sorted_ = np.sort(np.where(np.isnan(lasts), np.inf, lasts))
    rank = max(int(np.ceil(q / 100.0 * len(sorted_) - 1e-9)), 1)
    return float(sorted_[rank - 1]) if np.isfinite(sorted_[rank - 1]) else float("nan")


def middle_day(lasts: Array) -> float:
    """Time that half of the days keep within, those that never end counted last."""
    return _within(lasts, 50.0)


def whole_error(x: Array, se: Array, statistic: Any = np.mean) -> float:
    """Standard error of a figure of many days: single days' own, and how the days scatter.

    Parameters
    ----------
    x, se : ndarray, shape (D,)
        Of each day; the typical `se` counts as if all days had the same error.
    statistic : callable
        From values of days to the figure.
    """
    known = se[np.isfinite(se)]
    own = float(np.median(known)) if len(known) else 0.0
    return float(np.hypot(own, np.nan_to_num(days_error(x, statistic))))


def _commonest(reason: Whole) -> Whole:
    """Reason that most days give for not boiling, by start; ties go to the first in the list."""
    counts = np.array([(reason == k).sum(axis=0) for k in range(len(REASONS))])
    counts[[BOILS, NOT_TRIED]] = 0
    return np.where(counts.any(axis=0), np.argmax(counts, axis=0), BOILS)
