"""Which days and starts a season looks at, and when those are by the site's clock."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SettingsError, SkyError
from raytrace.light.history import seconds
from raytrace.light.setup import set_up
from raytrace.light.turning import habit_of
from raytrace.sky.clock import days_of_year

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "DAY",
    "DEFAULT_STARTS",
    "SeasonPlan",
    "beams_of",
    "dates_between",
    "dates_of",
    "part_names",
    "start_moments",
    "year_of",
]

Array = NDArray[np.float64]

DEFAULT_STARTS = tuple(3600.0 * hour for hour in range(6, 18))  # by the site's clock [s]
DAY = 86400.0


@dataclass(frozen=True)
class SeasonPlan:
    """Which days and starts, and how much to compute.

    Attributes
    ----------
    dates : tuple of date
        Days by the site's clock, in order.
    starts : tuple of float
        When the pot is put on and the cooker turned first, after midnight by the clock. [s]
    step : float
        Greatest distance between moments at which light is traced. [s]
    beams, replicates : int
        Beams a facet in each replicate of each moment; replicates, 2 or more, give the standard
        errors. [1]
    seed, build : int
        Key of everything random; which draw of the cooker.
    refill : bool
        Also count the litres that a day brings to the boil.
    between : float
        Where `starts` leave the best one open, also try starts between them, so far apart; 0 to
        keep to `starts`. [s]
    draws : int
        Cookers drawn for what may be expected of the recommended start; 0 for none. [1]
    calendar : bool
        Also take advice from these draws month by month, which takes about as long again.
    """

    dates: tuple[dt.date, ...]
    starts: tuple[float, ...] = DEFAULT_STARTS
    step: float = 600.0
    beams: int = 1
    replicates: int = 4
    seed: int = 1
    build: int = 0
    refill: bool = True
    between: float = 0.0
    draws: int = 0
    calendar: bool = False

    SHOWN: ClassVar = {"starts": "clock", "step": "min", "between": "min"}

    def __post_init__(self) -> None:
        if not self.dates or any(a >= b for a, b in zip(self.dates, self.dates[1:], strict=False)):
            raise SettingsError("a season needs one date or more, each later than the one before")
        inside = all(0.0 <= s < DAY and s % 60.0 == 0.0 for s in self.starts)
        rising = all(a < b for a, b in zip(self.starts, self.starts[1:], strict=False))
        if not (self.starts and inside and rising):
            raise SettingsError(
                "starts are clock times from 00:00 to 23:59, each later than the last"
            )
        if not (60.0 <= self.step <= 3600.0 and self.step % 1.0 == 0.0):
            raise SettingsError(f"step {self.step:g} s: whole seconds, from a minute to an hour")
        if not (self.between == 0.0 or (self.between >= 60.0 and self.between % 60.0 == 0.0)):
            raise SettingsError(f"between {self.between:g} s: 0, or whole minutes")
        if self.beams < 1 or self.replicates < 2:
            raise SettingsError("beams must be 1 or more, replicates 2 or more")
        if self.draws < 0:
            raise SettingsError("draws must be 0 or more")
        if self.calendar and not self.draws:
            raise SettingsError("a calendar takes its advice from draws: there must be 1 or more")

    @classmethod
    def of(cls, scenario: Scenario, **changes: Any) -> SeasonPlan:
        """Plan of each day of the design date's year, with the scenario's seed and build.

        Parameters
        ----------
        scenario : Scenario
        **changes
            Fields that are to be otherwise.

        Returns
        -------
        SeasonPlan
        """
        date = scenario.design.date
        values: dict[str, Any] = {"seed": scenario.trace.seed, "build": scenario.trace.build}
        if "dates" not in changes:
            values["dates"] = year_of(scenario, date.year if date else dt.date.today().year)
        return cls(**(values | changes))


def year_of(scenario: Scenario, year: int, *, every: int = 1) -> tuple[dt.date, ...]:
    """Days of a year that the site's calendar has, each or every so many.

    Parameters
    ----------
    scenario : Scenario
    year : int
    every : int
        Take one day in so many.

    Returns
    -------
    tuple of date
    """
    return tuple(days_of_year(scenario.site, year)[::every])


def dates_between(
    scenario: Scenario, first: dt.date, last: dt.date, *, every: int = 1
) -> tuple[dt.date, ...]:
    """Days from one to another, both included, that the site's calendar has.

    Parameters
    ----------
    scenario : Scenario
    first, last : date
    every : int
        Take one day in so many.

    Returns
    -------
    tuple of date

    Raises
    ------
    SkyError
        If the last comes before the first.
    """
    if last < first:
        raise SkyError(f"from {first:%Y-%m-%d} to {last:%Y-%m-%d}: the last day comes first")
    days = [d for y in range(first.year, last.year + 1) for d in days_of_year(scenario.site, y)]
    return tuple([d for d in days if first <= d <= last][::every])


def start_moments(
    scenario: Scenario, dates: Collection[dt.date], starts: Collection[float]
) -> Array:
    """Moments at which the site's clock shows given times on given days.

    Parameters
    ----------
    scenario : Scenario
    dates : collection of date, length D
    starts : collection of float, length S
        After midnight by the clock. [s]

    Returns
    -------
    ndarray, shape (D, S)
        Seconds since 1970 UTC: the first of two where the clock goes back, nan where it skips the
        time. [s]
    """
    import pandas as pd

    days = np.array([np.datetime64(d, "s") for d in dates])
    clock = days[:, None] + np.array([round(s) for s in starts]).astype("m8[s]")
    naive = pd.DatetimeIndex(clock.ravel())
    local = naive.tz_localize(
        scenario.site.timezone, ambiguous=np.ones(len(naive), dtype=bool), nonexistent="NaT"
    )
    out = np.full(len(naive), np.nan)
    there = ~np.asarray(local.isna())
    out[there] = seconds(local[there].tz_convert("UTC"))
    return out.reshape(clock.shape)


def beams_of(scenario: Scenario, plan: SeasonPlan) -> float:
    """About how many beams a plan traces.

    Parameters
    ----------
    scenario : Scenario
    plan : SeasonPlan

    Returns
    -------
    float

    Notes
    -----
    Starts that lie whole turnings apart share their light. Twelve hours of sun a day, half of it
    left at a middling start where no two starts share.
    """
    every = habit_of(scenario).every
    facets = len(set_up(scenario).cooker.facets)
    if np.isfinite(every):
        rows, hours = len({round(s % every) for s in plan.starts}), 12.0
        moments = hours * 3600.0 * (1.0 / min(plan.step, 0.5 * every) + 1.0 / every)
    else:
        rows, hours = len(plan.starts), 6.0
        moments = hours * 3600.0 / plan.step
    return len(plan.dates) * rows * moments * plan.replicates * plan.beams * facets


def dates_of(plan: SeasonPlan, name: str) -> list[dt.date]:
    """Dates of a month.

    Parameters
    ----------
    plan : SeasonPlan
    name : str
        Such as "2026-03".

    Returns
    -------
    list of date
    """
    return [d for d in plan.dates if f"{d:%Y-%m}" == name]


def part_names(plan: SeasonPlan) -> tuple[str, ...]:
    """Names of the parts that a plan has: its months, such as "2026-03".

    Parameters
    ----------
    plan : SeasonPlan

    Returns
    -------
    tuple of str
    """
    return tuple(dict.fromkeys(f"{d:%Y-%m}" for d in plan.dates))
