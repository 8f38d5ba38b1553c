"""What may be expected of the start that a season recommends, with intervals over cookers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.light.setup import LightSettings, Setup
from raytrace.light.turning import habit_of
from raytrace.sky.clock import day_bounds
from raytrace.statistics.likely import Likely, likely_of
from raytrace.studies.cooking.day_draws import DayDraws, drawn
from raytrace.studies.cooking.day_likely import followed
from raytrace.studies.cooking.season_choice import (
    best_start,
    cooking_goal,
    good_days,
    middle_day,
    most_wait,
)

if TYPE_CHECKING:
    from raytrace.studies.cooking.season_data import Season

__all__ = ["SeasonLikely", "season_likely"]

Array = NDArray[np.float64]

DATES = 12  # that each draw is followed on, at most


@dataclass(frozen=True)
class SeasonLikely:
    """What may be expected of one start, over draws of what isn't known, of build and of use.

    Attributes
    ----------
    start : float
        After midnight by the site's clock. [s]
    dates : tuple of date
        On which each draw was followed.
    boils, done : Likely
        Time to the boil, and until the food is done, that half of a draw's dates keep within;
        one that doesn't come to it on half of them counts as never. [s]
    works : Likely
        Share of a draw's dates on which the start works. [1]
    """

    start: float
    dates: tuple[dt.date, ...]
    boils: Likely
    done: Likely
    works: Likely

    SHOWN: ClassVar = {"start": "clock", "boils": "min", "done": "min"}


def season_likely(season: Season, *, threads: int | None = None) -> SeasonLikely | None:
    """Say what may be expected of the recommended start, on dates that it stands on.

    Parameters
    ----------
    season : Season
        Its plan says how many draws, a quarter as many of each kind alone.
    threads : int, optional
        Changes no bit of the result.

    Returns
    -------
    SeasonLikely or None
        None where there is no such start.

    Notes
    -----
    Twelve of the dates at most, evenly spread. A draw is one cooker, turned anew at each turning
    of each date: the interval is that of a typical date, and holds less of how uses differ than
    one of a single day.
    """
    rows = good_days(season)
    k = best_start(season, rows) if rows.any() else None
    if k is None:
        return None
    there = np.flatnonzero(rows & np.isfinite(season.start_at[:, k]))
    count = min(DATES, len(there))
    on = there[((np.arange(count) + 0.5) * len(there) / count).astype(int)]
    dates = tuple(season.dates[d] for d in on)
    scenario, plan = season.scenario, season.plan
    start = season.start_at[on, k].astype(np.int64)
    end = np.array([day_bounds(scenario.site, d)[1].timestamp() for d in dates])

    def follow(setups: Sequence[Setup]) -> DayDraws:
        return drawn(scenario, setups, habit_of(scenario), start, end, step=plan.step)

    settings = LightSettings(1, 1, plan.seed, plan.build, threads)
    whole, alone = followed(scenario, plan.draws, settings, follow)

    def of(figure: Callable[[DayDraws], Array]) -> Likely:
        return likely_of(figure(whole), {kind: figure(one) for kind, one in alone.items()})

    def typical(what: str) -> Callable[[DayDraws], Array]:
        return lambda draws: np.array([middle_day(row) for row in getattr(draws, what)])

    def works(draws: DayDraws) -> Array:
        until = np.asarray(getattr(draws, cooking_goal(season)))
        with np.errstate(invalid="ignore"):
            fits = until <= most_wait(season)
        if scenario.kitchen.food:
            fits &= ~draws.spoils(until)
        return np.asarray(fits.mean(axis=1))

    return SeasonLikely(
        start=float(season.starts[k]),
        dates=dates,
        boils=of(typical("boils")),
        done=of(typical("done")),
        works=of(works),
    )
