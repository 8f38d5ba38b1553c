"""A season's months: what each start brings over a month's days, and the start to choose."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.studies.cooking.never_boils import BOILS, NOT_TRIED, REASONS
from raytrace.studies.cooking.season_choice import (
    best_start,
    middle_day,
    shares,
    whole_error,
    works,
)

if TYPE_CHECKING:
    from raytrace.studies.cooking.season_data import Season

__all__ = ["Best", "Months", "best_of_month", "best_of_months", "months_of", "rows_of"]

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
        Dates that have such a start. [1]
    boils, done : ndarray, shape (M, S)
        Share of them on which it boils, and on which the food gets done; nan where there are
        none. [1]
    boil_median, boil_median_se : ndarray, shape (M, S)
        Time from the start to the boil that half the days keep within, those on which it never
        boils counted as longer than all others; nan where fewer than half boil. [s]
    spoils : ndarray, shape (M, S)
        Share of days on which food stands lukewarm for too long; nan where there are none. [1]
    delivered, delivered_se, absorbed, absorbed_se, diffuse : ndarray, shape (M, S)
        Mean over the days of the same in `Season`. [W]
    reason : ndarray of int, shape (M, S)
        The commonest reason among days that never boil, as in `Season.reason`; that of "boils"
        where all do. [1]

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
    diffuse: Array
    reason: Whole

    DIMS: ClassVar = {"M": "month", "S": "start"}
    SHOWN: ClassVar = {"boil_median": "min", "boil_median_se": "min"}


@dataclass(frozen=True, eq=False)
class Best:
    """The start that a cook would choose in each of M months, and what it brings there.

    Attributes
    ----------
    which : ndarray of int, shape (M,)
        Index into the season's starts; that of most watts where it never boils. [1]
    start : ndarray, shape (M,)
        The same by the clock, after midnight; nan where it never boils. [s]
    works, lukewarm : ndarray, shape (M,)
        Share of days on which it works, and on which food stands lukewarm for too long. [1]
    boil_p10, boil_p90 : ndarray, shape (M,)
        Time to the boil that 10 and 90 % of the days keep within. [s]
    latest : ndarray, shape (M,)
        Latest start of the plan that still boils, on the middle day, by the clock. [s]
    litres, litres_se : ndarray, shape (M,)
        Water brought to the boil on a day by refilling. [L]
    """

    which: Whole
    start: Array
    works: Array
    lukewarm: Array
    boil_p10: Array
    boil_p90: Array
    latest: Array
    litres: Array
    litres_se: Array

    DIMS: ClassVar = {"M": "month"}
    SHOWN: ClassVar = {
        "start": "clock",
        "latest": "clock",
        "boil_p10": "min",
        "boil_p90": "min",
    }


def rows_of(season: Season, month: tuple[int, int]) -> NDArray[np.bool_]:
    """Which of a season's days lie in a month.

    Parameters
    ----------
    season : Season
    month : (int, int)
        Year, and month from 1.

    Returns
    -------
    ndarray of bool, shape (D,)
    """
    return np.array([(d.year, d.month) == month for d in season.dates])


def months_of(season: Season) -> Months:
    """Put the days of each month together.

    Parameters
    ----------
    season : Season

    Returns
    -------
    Months
    """
    months = tuple(dict.fromkeys((d.year, d.month) for d in season.dates))
    rows = [rows_of(season, m) for m in months]
    there = np.isfinite(season.start_at)
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
        boils=share(season.boils),
        done=share(season.done),
        boil_median=np.array([season.percentile(50.0, days=r) for r in rows]),
        boil_median_se=error(season.boils, season.boils_se, middle_day),
        spoils=mean(np.where(there, season.spoils, np.nan)),
        delivered=mean(season.delivered),
        delivered_se=error(season.delivered, season.delivered_se),
        absorbed=mean(season.absorbed),
        absorbed_se=error(season.absorbed, season.absorbed_se),
        diffuse=mean(season.diffuse),
        reason=np.array([_commonest(season.reason[r]) for r in rows]),
    )


def best_of_month(season: Season, m: int) -> int:
    """Start that a cook would choose for a month; that of most watts where it never boils.

    Parameters
    ----------
    season : Season
    m : int
        Row of the month.

    Returns
    -------
    int
        Row of the start.
    """
    months = season.months
    best = best_start(season, rows_of(season, months.months[m]))
    return int(np.nan_to_num(months.delivered[m], nan=-1.0).argmax()) if best is None else best


def best_of_months(season: Season) -> Best:
    """Choose a start for each month.

    Parameters
    ----------
    season : Season

    Returns
    -------
    Best
    """
    chosen: list[tuple[Any, ...]] = []
    latest_starts, litres = season.latest_start(), season.litres
    works_, spoils = works(season), season.spoils
    for m, month in enumerate(season.months.months):
        rows, k = rows_of(season, month), best_of_month(season, m)
        latest = latest_starts[rows]
        some = (latest >= 0).any()
        chosen.append(
            (
                k,
                season.starts[k] if np.isfinite(season.boils[rows, k]).any() else np.nan,
                shares(season, works_, rows)[k],
                shares(season, spoils, rows)[k],
                season.percentile(10.0, days=rows)[k],
                season.percentile(90.0, days=rows)[k],
                season.starts[int(np.median(latest[latest >= 0]))] if some else np.nan,
                litres.value[rows].mean(),
                whole_error(litres.value[rows], litres.se[rows]),
            )
        )
    return Best(*(np.array(column) for column in zip(*chosen, strict=True)))


def _commonest(reason: Whole) -> Whole:
    """Reason that most days give for not boiling, by start; ties go to the first in the list."""
    counts = np.array([(reason == k).sum(axis=0) for k in range(len(REASONS))])
    counts[[BOILS, NOT_TRIED]] = 0
    return np.where(counts.any(axis=0), np.argmax(counts, axis=0), BOILS)
