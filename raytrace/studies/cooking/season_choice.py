"""Which start a cook would choose: it works on nearly as many days as any, and soonest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.heat.wanted import goal_of
from raytrace.statistics.draws import groups
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking.never_boils import NOT_TRIED

if TYPE_CHECKING:
    from raytrace.studies.cooking.season_data import Season

__all__ = [
    "AS_QUICK",
    "FEWER",
    "MOST",
    "WAIT",
    "best_start",
    "cooking_goal",
    "days_error",
    "good_days",
    "middle_day",
    "middle_of",
    "most_wait",
    "shares",
    "two_groups",
    "whole_error",
    "within",
    "works",
]

Array = NDArray[np.float64]

WAIT = 10800.0  # for which a cook waits for the boil [s]
MOST = 0.5  # share of a month's days on which a start must work, to count as a good month
AS_QUICK = 1.05  # times the quickest start's median: about as quick
FEWER = 0.05  # of the days, by which a start may work on fewer than the best one
GROUPS = 8  # of days, whose spread gives a standard error


def cooking_goal(season: Season) -> str:
    """What the cook waits for: see `raytrace.heat.wanted.goal_of`.

    Parameters
    ----------
    season : Season

    Returns
    -------
    str
    """
    return goal_of(season.scenario)


def most_wait(season: Season) -> float:
    """How long a cook waits for it, from the start: `WAIT`, and the time that food takes. [s]

    Parameters
    ----------
    season : Season

    Returns
    -------
    float
        [s]
    """
    after = float(season.scenario.kitchen.done_after)
    return WAIT + (after if cooking_goal(season) == "done" else 0.0)


def works(season: Season) -> NDArray[np.bool_]:
    """Whether a start works on a day.

    Parameters
    ----------
    season : Season

    Returns
    -------
    ndarray of bool, shape (D, S)
        Its goal is reached within `most_wait`, and food is not lukewarm for too long before.
    """
    return _soon(season, cooking_goal(season), most_wait(season))


def _soon(season: Season, what: str, wait: float) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        return np.asarray((getattr(season, what) <= wait) & ~season.spoils)


def best_start(
    season: Season, rows: Any = slice(None), among: NDArray[np.bool_] | None = None
) -> int | None:
    """Start that a cook would choose for some of the days.

    Parameters
    ----------
    season : Season
    rows : index of the first axis
        Which days; all by default.
    among : ndarray of bool, shape (S,), optional
        Which starts to choose from.

    Returns
    -------
    int or None
        Index into `Season.starts`; None where the pot never boils.

    Notes
    -----
    Of the starts that work (`works`) on nearly as many days as the best of them, `FEWER` of the
    days at most left out, the one with the shortest median time to the goal, days on which it is
    never reached counted as longer than all others. The middle one of a row about `AS_QUICK`: the
    quickest may be the last that works at all, and a cook may be late. Where none ever works, the
    same of those that reach the goal at all; that boil as soon; that boil.
    """
    there = (season.reason[rows] != NOT_TRIED).all(axis=0)
    if among is not None:
        there &= among
    goal = cooking_goal(season)
    for fits, what in (
        (works(season), goal),
        (np.isfinite(getattr(season, goal)), goal),
        (_soon(season, "boils", WAIT), "boils"),
        (np.isfinite(season.boils), "boils"),
    ):
        share = np.where(there, shares(season, fits, rows), 0.0)
        if share.max() > 0.0:
            near = np.flatnonzero(share >= share.max() - FEWER - 1e-9)
            median = season.percentile(50.0, what, rows)[near]
            if np.isnan(median).all():  # on fewer than half of the days
                return int(near[np.argmax(share[near])])
            return middle_of(near, median, np.flatnonzero(there))
    return None


def middle_of(
    near: NDArray[Any],
    median: Array,
    tried: NDArray[Any],
    *,
    slack: float = 0.0,
    first: bool = False,
) -> int:
    """Middle of the starts that follow each other round the quickest and are about as quick.

    Parameters
    ----------
    near : ndarray of int
        Which of the starts come into question, in order.
    median : ndarray, same shape
        How long each takes; nan where it never gets there.
    tried : ndarray of int
        All starts, in order.
    slack : float
        By which one may be slower than the quickest, where that is more than `AS_QUICK`. [s]
    first : bool
        The first row of starts about as quick, instead of that round the quickest.

    Returns
    -------
    int
    """
    least = np.nanmin(median)
    with np.errstate(invalid="ignore"):
        quick = np.isin(tried, near[median <= max(AS_QUICK * least, least + slack)])
    begin = int(quick.argmax() if first else np.searchsorted(tried, near[np.nanargmin(median)]))
    end = begin
    while begin > 0 and quick[begin - 1]:
        begin -= 1
    while end + 1 < len(tried) and quick[end + 1]:
        end += 1
    return int(tried[(begin + end) // 2])


def good_days(season: Season) -> NDArray[np.bool_]:
    """Days of the months in which some start works on half of the days or more.

    Parameters
    ----------
    season : Season

    Returns
    -------
    ndarray of bool, shape (D,)
        Where there are no such months, those in which it boils on half of the days.
    """
    keys = np.array([12 * d.year + d.month for d in season.dates])
    out = np.zeros(len(keys), dtype=bool)
    for fits in (works(season), np.isfinite(season.boils)):
        for key in np.unique(keys):
            own = keys == key
            tried = (season.reason[own] != NOT_TRIED).all(axis=0)
            out[own] = (shares(season, fits, own) * tried).max() >= MOST
        if out.any():
            break
    return out


def shares(season: Season, fits: NDArray[np.bool_], rows: Any = slice(None)) -> Array:
    """Share of the days with such a start on which it fits.

    Parameters
    ----------
    season : Season
    fits : ndarray of bool, shape (D, S)
    rows : index
        Of the days that count; all by default.

    Returns
    -------
    ndarray, shape (S,)
        0 where no day has such a start. [1]
    """
    there = np.isfinite(season.start_at[rows])
    return np.asarray((fits[rows] & there).sum(axis=0) / np.maximum(there.sum(axis=0), 1))


def days_error(x: Array, statistic: Any = np.mean) -> float:
    """Standard error of a figure of many days, from how the days scatter.

    Parameters
    ----------
    x : ndarray, shape (D, ...)
        In order of the dates.
    statistic : callable
        From values of some of the days to the figure.

    Returns
    -------
    float
        nan of one day.

    Notes
    -----
    Days go in turn to `GROUPS` groups, each spread over the whole season, and the figure of each
    is taken: what differs from day to day (the operator's draw at each turning, clouds, tracing,
    which dates were taken) spreads them, the run of the year hardly does. Random groups: K. M.
    Wolter, Introduction to Variance Estimation, chapter 2, from memory.
    """
    count = min(GROUPS, len(x))
    if count < 2:
        return float("nan")
    each = np.array([statistic(x[k::count]) for k in range(count)], dtype=float)
    if not np.isfinite(each).all():
        return float("nan")
    return float(Estimate.from_replicates(each).se)


def two_groups(lasts: Array) -> tuple[Array, Array] | None:
    """Times in two groups, the sooner first; None where they are one.

    Parameters
    ----------
    lasts : ndarray, shape (D,)
        One for each day; nan where it never comes to that.

    Returns
    -------
    (ndarray, ndarray) or None

    Notes
    -----
    Days differ by the season too, so that a gap counts (`raytrace.statistics.draws.groups`) only
    if it is an hour or more and longer than the median of all, and if each group holds a tenth of
    the days: as where the good sun of a morning is missed, and that of the afternoon comes hours
    later.
    """
    known = lasts[np.isfinite(lasts)]
    gap = max(3600.0, float(np.median(known))) if len(known) else 3600.0
    first, *later = groups(known, gap) or [known]
    if not later or min(len(first), sum(map(len, later))) < 0.1 * len(lasts):
        return None
    return first, np.concatenate(later)


def within(lasts: Array, q: float) -> float:
    """Time that a share of the days keeps within, those that never end counted last.

    Parameters
    ----------
    lasts : ndarray, shape (D,)
        Time of each day; nan where it never ends. [s]
    q : float
        The share. [percent]

    Returns
    -------
    float
        nan if it never ends on as many. [s]
    """
    if not len(lasts):
        return float("nan")
    sorted_ = np.sort(np.where(np.isnan(lasts), np.inf, lasts))
    rank = max(int(np.ceil(q / 100.0 * len(sorted_) - 1e-9)), 1)
    return float(sorted_[rank - 1]) if np.isfinite(sorted_[rank - 1]) else float("nan")


def middle_day(lasts: Array) -> float:
    """Time that half of the days keep within, those that never end counted last.

    Parameters
    ----------
    lasts : ndarray, shape (D,)
        Time of each day; nan where it never ends. [s]

    Returns
    -------
    float
        nan if it never ends on half of the days. [s]
    """
    return within(lasts, 50.0)


def whole_error(x: Array, se: Array, statistic: Any = np.mean) -> float:
    """Standard error of a figure of many days: single days' own, and how the days scatter.

    Parameters
    ----------
    x, se : ndarray, shape (D,)
        Of each day; the typical `se` counts as if all days had the same error.
    statistic : callable
        From values of days to the figure.

    Returns
    -------
    float
        In the unit of x.
    """
    known = se[np.isfinite(se)]
    own = float(np.median(known)) if len(known) else 0.0
    return float(np.hypot(own, np.nan_to_num(days_error(x, statistic))))
