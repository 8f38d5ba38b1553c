"""When to put the pot up on one day: so that it boils quickest, or is ready by a stated time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.clock import read_date
from raytrace.estimate import Estimate
from raytrace.exceptions import SkyError
from raytrace.studies.cooking_day import CookingDay, cooking_day
from raytrace.studies.courses import air_at
from raytrace.studies.season import Plan, Season, season, start_moments
from raytrace.vessel import ROOM
from raytrace.water import site_pressure, water_at

if TYPE_CHECKING:
    from raytrace.scenario import Scenario
    from raytrace.studies.pot_light import Settings

__all__ = ["Ready", "Refill", "latest_ready", "quickest_start", "top_ups_of"]

Array = NDArray[np.float64]

DAY = 86400.0
COARSE, FINE = 1800.0, 300.0  # between starts that are tried [s]
SAME = 0.1  # in which temperatures count as equal [K]
MOST_BACK = 36  # fine steps that the search goes back at most


@dataclass(frozen=True)
class Refill:
    """Cold water added at a clock time: seconds after midnight, and volume [m³]."""

    clock: float
    volume: float


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
        Latest start, of those every five minutes, that is ready by then; nan if none is. [s]
    at : Estimate
        When it is ready, by the clock. [s]
    earliest : float
        Clock time at which it is ready at the soonest, whatever the start; nan if never. [s]
    """

    by: float
    what: str
    start: float
    at: Estimate
    earliest: float


def _tried(
    scenario: Scenario, date: dt.date, settings: Settings, starts: Sequence[float]
) -> Season:
    plan = Plan(
        (date,),
        tuple(starts),
        beams=settings.beams,
        replicates=settings.replicates,
        seed=settings.seed,
        build=settings.build,
        refill=False,
    )
    return season(scenario, plan, threads=settings.threads)


def quickest_start(scenario: Scenario, date: dt.date | str, settings: Settings) -> float:
    """Start, of those every half-hour, from which it boils quickest; or gets warmest.

    Parameters
    ----------
    scenario : Scenario
    date : date or str
    settings : Settings

    Returns
    -------
    start : float
        After midnight by the clock. [s]

    Raises
    ------
    SkyError
        If the sun doesn't rise on that day.
    """
    day = read_date(date)
    tried = _tried(scenario, day, settings, np.arange(0.0, DAY, COARSE).tolist())
    boils = tried.boils[0]
    highest = np.where(tried.followed[0] > 0.0, tried.highest[0], np.nan)
    if np.isfinite(boils).any():
        return float(tried.starts[int(np.nanargmin(boils))])
    if not np.isfinite(highest).any():
        raise SkyError(f"{day}: the sun does not rise at this site on that day")
    # of starts that get equally warm, the last: earlier ones only wait
    warm = np.flatnonzero(highest > np.nanmax(highest) - SAME)
    if np.nanmax(highest) - np.nanmin(highest) < SAME:
        return float(tried.starts[int(warm[len(warm) // 2])])  # no sun to choose by
    return float(tried.starts[int(warm[-1])])


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
                f"up, at {_clock(start)}, and at a time that the clock shows that day"
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
    settings: Settings,
    *,
    refills: Sequence[Refill] = (),
    progress: Callable[[float], Any] | None = None,
) -> Ready:
    """Search for the latest start that is ready by a clock time.

    Parameters
    ----------
    scenario : Scenario
        Ready is done, where `kitchen.done_after` says how long food takes; else boiling.
    date : date or str
    by : float
        After midnight by the clock. [s]
    settings : Settings
    refills : sequence of Refill
        Those before a start are left out of it.
    progress : callable, optional
        Called with about the share that is done.

    Returns
    -------
    Ready

    Notes
    -----
    Starts every half-hour come first, without water added; from the last that would do, starts
    every five minutes are tried by the whole day's course, later ones first.
    """
    tell = progress or (lambda share: None)
    day = read_date(date)
    what = "done" if float(scenario.kitchen.done_after) > 0.0 else "boils"
    starts = np.arange(0.0, min(by, DAY - COARSE) + 1.0, COARSE)
    tried = _tried(scenario, day, settings, starts.tolist())
    # over the time asked for, in real time: the clock may have changed in the night
    limit = start_moments(scenario, [day], [by])[0, 0]
    late = tried.start_at[0] + getattr(tried, what)[0] - limit
    earliest = by + float(np.nanmin(late)) if np.isfinite(late).any() else float("nan")
    tell(0.3)
    nowhere = Ready(
        by, what, float("nan"), Estimate(np.array(np.nan), np.array(np.nan), 0), earliest
    )
    with np.errstate(invalid="ignore"):
        in_time = np.flatnonzero(late <= 0.0)
    if not len(in_time):
        return nowhere
    first = min(float(tried.starts[int(in_time[-1])]) + COARSE - FINE, by)
    for k in range(MOST_BACK):
        start = first - k * FINE
        if start < 0.0:
            break
        found = _follow(scenario, day, start, settings, refills)
        lasts, begun = getattr(found, what), found.time[0].timestamp()
        tell(min(0.95, 0.3 + 0.1 * (k + 1)))
        over = begun + lasts.value - limit
        if float(over) <= 0.0:
            at = Estimate(by + over, lasts.se, lasts.n_replicates)
            return replace(nowhere, start=start, at=at)
    return nowhere


def _follow(
    scenario: Scenario, day: dt.date, start: float, settings: Settings, refills: Sequence[Refill]
) -> CookingDay:
    later = [r for r in refills if r.clock > start]
    ups = top_ups_of(scenario, day, start, later)
    return cooking_day(scenario, day, start, settings=settings, top_ups=ups)
