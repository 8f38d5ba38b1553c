"""A season as arrays of days by starts."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.light import history as pot_light
from raytrace.light.turning import Habit
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking.never_boils import REASONS
from raytrace.studies.cooking.season_choice import within
from raytrace.studies.cooking.season_months import Best, Months, best_of_months, months_of
from raytrace.studies.cooking.season_plan import DAY, SeasonPlan

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.cooking.calendar import Calendar
    from raytrace.studies.cooking.season_likely import SeasonLikely

__all__ = ["Season"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


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
    plan : SeasonPlan
    habit : Habit
    boiling : float
        Boiling point at the site's pressure. [K]
    start_at : ndarray, shape (D, S)
        Starts, in seconds since 1970 UTC; nan where the clock skips it. A time that happens
        twice is taken the first time. [s]
    followed : ndarray, shape (D, S)
        How long the pot is followed; 0 where the sun is down for the rest of the day. [s]
    sun_share : ndarray, shape (D, S)
        Share of that time with the sun above the horizon profile. [1]
    delivered, delivered_se : ndarray, shape (D, S)
        Watts on the base, mean from the start until it boils; where it never does, over the
        first two hours, or until the sun sets if that is sooner. [W]
    absorbed, absorbed_se : ndarray, shape (D, S)
        Watts that turn to heat in the pot, light of sun, sky and ground included, over the same
        time. [W]
    diffuse : ndarray, shape (D, S)
        Of these, what sky and ground bring. [W]
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
        Share of the time after boiling that the boil is kept. [1]
    boiled_off : ndarray, shape (D, S)
        Water lost. [kg]
    lukewarm : ndarray, shape (D, S)
        Share of the time for which food may stand between 4 and 60 °C (`raytrace.heat.food`) that
        its longest stretch uses up, until it is done, or the water boils where the scenario doesn't
        say when food is; infinite where the sun is down. [1]
    unsure : ndarray of bool, shape (D, S)
        Whether it boils is decided by noise: some replicates left out, it changes sides.
    reason : ndarray of int, shape (D, S)
        Index into `raytrace.studies.cooking.never_boils.REASONS`: boils, or why not. [1]
    batches, batches_se : ndarray, shape (D,)
        Potfuls that boil on a day if each is emptied and refilled cold as it boils, from that
        day's best start, with the share that the last one's heat is of what it needs; 0 where
        the plan leaves it out. [1]
    batches_start : ndarray of int, shape (D,)
        Index of that start; −1 where not one potful boils. [1]
    tried : tuple of float
        Clock times of the starts after midnight, S of them; those of the plan, and what was tried
        between them, each on the days of some months. Empty: those of the plan. [s]
    likely : SeasonLikely or None
        What may be expected of the recommended start, by draws.
    calendar : Calendar or None
        Advice month by month, by draws; where the plan asks for it.
    """

    scenario: Scenario
    plan: SeasonPlan
    habit: Habit
    boiling: float
    start_at: Array
    followed: Array
    sun_share: Array
    delivered: Array
    delivered_se: Array
    absorbed: Array
    absorbed_se: Array
    diffuse: Array
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
    likely: SeasonLikely | None = None
    calendar: Calendar | None = None

    DIMS: ClassVar = {"D": "date", "S": "start", "M": "month"}
    COORDS: ClassVar = {"date": "dates", "start": "starts", "month": "month_names"}
    SHOWN: ClassVar = {
        **dict.fromkeys(("boiling", "air", "highest", "highest_se", "settles"), "degC"),
        **dict.fromkeys(("followed", "dry", "boils", "near", "done"), "min"),
        **dict.fromkeys(("boils_se", "near_se", "done_se"), "min"),
        "starts": "clock",
        "tried": "clock",
    }
    ALSO: ClassVar = ("start_time", "outcome", "months", "best")

    @cached_property
    def months(self) -> Months:
        """By month and start."""
        return months_of(self)

    @property
    def month_names(self) -> NDArray[np.str_]:
        """Months as 2026-04, shape (M,)."""
        return np.array([f"{year}-{month:02d}" for year, month in self.months.months])

    @cached_property
    def best(self) -> Best:
        """The start to choose in each month."""
        return best_of_months(self)

    @property
    def start_time(self) -> NDArray[np.datetime64]:
        """Starts in UTC, shape (D, S); not a time where the clock skips it."""
        there = np.isfinite(self.start_at)
        out = np.full(there.shape, np.datetime64("NaT", "s"))
        out[there] = self.start_at[there].astype(np.int64).astype("M8[s]")
        return out

    @property
    def outcome(self) -> NDArray[np.str_]:
        """What comes of each start, by name, shape (D, S)."""
        return np.array(REASONS)[self.reason]

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
        """Share of the days on which it boils, or is done, by a clock time.

        Parameters
        ----------
        clock : float
            Time after midnight. [s]
        what : str
            "boils", "near" or "done".

        Returns
        -------
        ndarray, shape (S,)
            Of the days that have the start; nan where none has. [1]
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
            [within(x[t], q) for x, t in zip(lasts.T, there.T, strict=True)], dtype=float
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
