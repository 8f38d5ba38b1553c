"""What a cook may rely on, month by month: when to start and how long it then takes.

A season is judged by one cooker. A page on a wall is followed by whoever has built another, in
weather and air that nobody knows beforehand; so its times come from draws of all that.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.light.setup import LightSettings
from raytrace.light.turning import habit_of
from raytrace.sky.clock import day_bounds
from raytrace.statistics.draws import MOST, kept_by
from raytrace.studies.cooking.day_draws import DRAWS, DayDraws, draw_setups, drawn
from raytrace.studies.cooking.never_boils import NOT_TRIED
from raytrace.studies.cooking.season_choice import (
    FEWER,
    best_start,
    cooking_goal,
    most_wait,
)
from raytrace.studies.cooking.season_plan import start_moments

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.cooking.season_data import Season

__all__ = ["Calendar", "calendar_of", "clocks", "periods"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Truth = NDArray[np.bool_]

CLEAR, WEATHER = 3, 16  # dates of a period that draws are followed on, at most
SURE = 0.95  # of the pots followed must keep within a time, for nine of ten of all to do so
SHORT = 10  # days that stand as no period of their own
FIVE = 300.0  # to which times are rounded up [s]
HALF = 0.5  # of the pots, for which a start must work to be advised
# the next three: common practice, no source
NEARLY = 1.1  # times the quickest start: about as quick
CLOUDY = 2.5  # times that: as many more differ by the days taken alone, where there are clouds
LATE = 3600.0  # by which a cook may be late [s]
NOON = 43200.0  # [s]


@dataclass(frozen=True, eq=False)
class Calendar:
    """Advice for P periods of a year, from S starts; shares are of draws and dates alike.

    Attributes
    ----------
    first, last : tuple of date
        Days of each period: months, parted where the clocks change.
    dates : tuple of int
        On how many dates of each period draws were followed. [1]
    draws : int
        Cookers that were followed. [1]
    starts : ndarray, shape (S,)
        After midnight by the site's clock. [s]
    works : ndarray, shape (P, S)
        Share of pots that reach the goal within the wait, their food never lukewarm for too
        long; nan where the start was not followed. [1]
    lasts : ndarray, shape (P, S)
        Time to the goal that 95 of 100 of these keep within, or of all pots where so many
        work, rounded up to five minutes; nan where none works. [s]
    boils : ndarray, shape (P, S)
        The same to the boil. [s]
    sure : ndarray, shape (P, S)
        Share of all pots that work and keep within `lasts`. [1]
    which : ndarray of int, shape (P,)
        Start to choose; −1 where none works for half of the pots. [1]
    """

    first: tuple[dt.date, ...]
    last: tuple[dt.date, ...]
    dates: tuple[int, ...]
    draws: int
    starts: Array
    works: Array
    lasts: Array
    boils: Array
    sure: Array
    which: Whole

    DIMS: ClassVar = {"P": "period", "S": "calendar_start"}
    SHOWN: ClassVar = {"starts": "clock", "lasts": "min", "boils": "min"}

    def fine(self, p: int) -> Truth:
        """Which starts do nearly as well as the one to choose, shape (S,).

        Parameters
        ----------
        p : int
            The period.

        Returns
        -------
        ndarray of bool
            Nine of ten pots work; or nine of ten of those that work from the best start. None
            where fewer than half work from any.
        """
        return _fine(self.works[p])

    def windows(self, p: int) -> list[tuple[float, float]]:
        """From when to when a start works, by the clock.

        Parameters
        ----------
        p : int
            The period.

        Returns
        -------
        list of (float, float)
            First and last start of each run of those followed; a lone one that isn't the one to
            choose is left out, as a cook may be late. [s]
        """
        there = np.flatnonzero(np.isfinite(self.works[p]))
        fine = self.fine(p)[there]
        edges = np.flatnonzero(np.diff(np.concatenate([[False], fine, [False]])))
        runs = [there[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True)]
        return [
            (float(self.starts[run[0]]), float(self.starts[run[-1]]))
            for run in runs
            if len(run) > 1 or self.which[p] in run
        ]


def periods(season: Season) -> list[Whole]:
    """Rows of a season's days, month by month, parted where the clocks change.

    Parameters
    ----------
    season : Season

    Returns
    -------
    list of ndarray of int
        A part of a month of ten days or fewer goes with the month beside it that has its clock.
    """
    months = [(d.year, d.month) for d in season.dates]
    keys = list(zip(months, clocks(season.scenario, season.dates), strict=True))
    runs = [[k for k, key in enumerate(keys) if key == one] for one in dict.fromkeys(keys)]
    out: list[list[int]] = []
    ahead: list[int] = []  # a short run that waits for the month after it
    for k, run in enumerate(runs):
        month, clock = keys[run[0]]
        days = (season.dates[run[-1]] - season.dates[run[0]]).days + 1
        brief = days <= SHORT and any(keys[r[0]][0] == month for r in runs if r is not run)
        if brief and out and keys[out[-1][-1]][1] == clock:
            out[-1] += run
        elif brief and k + 1 < len(runs) and keys[runs[k + 1][0]][1] == clock:
            ahead = run
        else:
            out.append(ahead + run)
            ahead = []
    return [np.array(run) for run in out]


def clocks(scenario: Scenario, dates: Sequence[dt.date]) -> list[float]:
    """How far the site's clock is ahead of UTC at noon of each day.

    Parameters
    ----------
    scenario : Scenario
    dates : sequence of date

    Returns
    -------
    list of float
        [s]
    """
    noon = start_moments(scenario, dates, [NOON])[:, 0]
    midnight = np.array([np.datetime64(d, "s") for d in dates]).astype(np.int64)
    return [float(x) for x in midnight + NOON - noon]


def _spans(season: Season, rows: Sequence[Whole]) -> list[tuple[dt.date, dt.date]]:
    """First and last day that each period stands for, days between those computed shared out."""
    out: list[tuple[dt.date, dt.date]] = []
    for p, r in enumerate(rows):
        first = season.dates[r[0]]
        if p:
            before = season.dates[rows[p - 1][-1]]
            between = [before + dt.timedelta(k + 1) for k in range((first - before).days)]
            clock = clocks(season.scenario, between)
            same = [d for d, c in zip(between, clock, strict=True) if c == clock[-1]]
            own = [d for d in same if d.month == first.month]
            first = same[0] if len(same) < len(between) else own[0]
            # a month of which no date was computed is in no period
            month = dt.date(before.year + before.month // 12, before.month % 12 + 1, 1)
            out[-1] = (out[-1][0], min(first, month) - dt.timedelta(1))
        out.append((first, season.dates[r[-1]]))
    return out


def calendar_of(season: Season, *, threads: int | None = None) -> Calendar:
    """Say when to start in each part of a season, and how long it takes, for nine of ten.

    Parameters
    ----------
    season : Season
        Its step and seed are kept to; as many draws as its plan has, sixteen at most.
    threads : int, optional
        Changes no bit of the result.

    Returns
    -------
    Calendar

    Notes
    -----
    A pot is one cooker on one date: each cooker is followed on the same few dates of a period,
    from that on which the season's cooker is quickest to that on which it is slowest. Followed are
    the plan's starts, and those tried beside the best of them. Times are what 95 of 100 of these
    pots keep within: advice taken from so few holds for fewer of the others.

    Of the starts that work for nearly as many pots as any and are about as quick as the quickest,
    those count that do not stand at the edge, as a cook may be late; the one that does so in most
    periods is chosen, or in each the nearest to it, so that the advice does not jump about.
    """
    scenario, plan = season.scenario, season.plan
    settings = LightSettings(1, 1, plan.seed, plan.build, threads)
    # where clouds part good days from bad ones, days count for more than cookers
    setups = draw_setups(scenario, settings, min(DRAWS if season.clear else DRAWS // 2, plan.draws))
    rows = periods(season)
    S = len(season.starts)
    works, lasts, boils, sure = (np.full((len(rows), S), np.nan) for _ in range(4))
    count = []
    for p, days in enumerate(rows):
        on = _dates(season, days)
        count.append(len(on))
        tried = _followed(season, days)
        start = season.start_at[np.ix_(on, tried)]
        there = np.isfinite(start)
        ends = [day_bounds(scenario.site, season.dates[d])[1].timestamp() for d in on]
        end = np.broadcast_to(np.array(ends)[:, None], start.shape)
        pots = drawn(
            scenario, setups, habit_of(scenario), start[there].astype(np.int64), end[there],
            step=plan.step,
        )  # fmt: skip
        fits = _fits(season, pots)
        column = np.nonzero(there)[1]
        for j, k in enumerate(tried):
            own = fits[:, column == j]
            if own.size:
                works[p, k] = own.mean()
                until = getattr(pots, cooking_goal(season))[:, column == j]
                lasts[p, k] = _kept(until, own)
                boils[p, k] = _kept(pots.boils[:, column == j], own)
                sure[p, k] = (own & (until <= lasts[p, k])).mean()
    spans = _spans(season, rows)
    return Calendar(
        first=tuple(a for a, _ in spans),
        last=tuple(b for _, b in spans),
        dates=tuple(count),
        draws=len(setups),
        starts=season.starts,
        works=works,
        lasts=lasts,
        boils=boils,
        sure=sure,
        which=_choose(season.starts, works, lasts, 1.0 if season.clear else CLOUDY),
    )


def _dates(season: Season, days: Whole) -> Whole:
    """Some of the days, evenly spread from the quickest to the slowest of them."""
    most = min(CLEAR if season.clear else WEATHER, len(days))
    k = best_start(season, days)
    lasts = np.zeros(len(days)) if k is None else getattr(season, cooking_goal(season))[days, k]
    order = days[np.argsort(np.nan_to_num(lasts, nan=np.inf), kind="stable")]
    return np.sort(order[np.round(np.linspace(0, len(days) - 1, most)).astype(int)])


def _followed(season: Season, days: Whole) -> Whole:
    """The plan's starts, and those tried on all of these days."""
    tried = (season.reason[days] != NOT_TRIED).all(axis=0)
    return np.flatnonzero(tried & np.isfinite(season.start_at[days]).any(axis=0))


def _fits(season: Season, pots: DayDraws) -> Truth:
    """Which pots reach the goal soon enough, their food never lukewarm for too long."""
    until = np.asarray(getattr(pots, cooking_goal(season)))
    with np.errstate(invalid="ignore"):
        fits = until <= most_wait(season)
    if season.scenario.kitchen.food:
        fits &= ~pots.spoils(until)
    return np.asarray(fits)


def _kept(times: Array, fits: Truth) -> float:
    """Time in whole five minutes that nearly all keep within. [s]"""
    share = fits.mean()
    most = SURE if share >= SURE else SURE * share
    return float(FIVE * np.ceil(kept_by(np.where(fits, times, np.nan), most) / FIVE - 1e-9))


def _choose(starts: Array, works: Array, lasts: Array, slack: float = 1.0) -> Whole:
    """Start to choose in each period, the same over the year as far as it does."""
    near = np.zeros(works.shape, dtype=bool)
    for p, (w, t) in enumerate(zip(works, lasts, strict=True)):
        there = np.flatnonzero(np.isfinite(w))
        if len(there) and w[there].max() >= HALF:
            often = there[w[there] >= w[there].max() - slack * FEWER - 1e-9]
            longest = (1.0 + slack * (NEARLY - 1.0)) * t[often].min()
            near[p, often[t[often] <= longest]] = True
            # a cook may be late: the next start works too
            late = np.zeros(len(starts), dtype=bool)
            late[there[:-1]] = _fine(w)[there[1:]] & (np.diff(starts[there]) <= LATE)
            near[p] &= late | ~(near[p] & late).any()
    votes = near.sum(axis=0)
    slow = np.where(near, lasts, 0.0).sum(axis=0)
    common = starts[np.lexsort((slow, -votes))[0]]
    far = np.where(near, np.abs(starts - common), np.inf)
    return np.where(near.any(axis=1), far.argmin(axis=1), -1)


def _fine(works: Array) -> Truth:
    """Which starts of a period do nearly as well as the best of them."""
    best = float(np.nanmax(works, initial=0.0))
    if best < HALF:
        return np.zeros(works.shape, dtype=bool)
    least = MOST if best >= MOST else MOST * best
    return np.asarray(np.nan_to_num(works) >= least - 1e-9)
