"""A year or a part of it: when food boils, for each day and each time at which the pot is put on.

Parts come one by one as plain arrays, so that a caller can show progress, save and resume; a month
depends on its own dates and keys alone, what is tried between its starts on all months.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import HeatError
from raytrace.heat.water import site_pressure, water_at
from raytrace.light.setup import LightSettings, Setup, set_up
from raytrace.light.turning import habit_of
from raytrace.sky.clock import day_bounds
from raytrace.store.dataset import from_part, to_part
from raytrace.store.work import Progress, work
from raytrace.studies.cooking.calendar import calendar_of
from raytrace.studies.cooking.courses import Course, courses
from raytrace.studies.cooking.never_boils import NO_TIME
from raytrace.studies.cooking.pots import pots_of, refilled
from raytrace.studies.cooking.season_between import BETWEEN, candidates, follow, widened
from raytrace.studies.cooking.season_choice import best_start, cooking_goal
from raytrace.studies.cooking.season_data import Season
from raytrace.studies.cooking.season_likely import season_likely
from raytrace.studies.cooking.season_plan import (
    SeasonPlan,
    dates_between,
    dates_of,
    part_names,
    start_moments,
    year_of,
)
from raytrace.studies.cooking.time_step import between_moments

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Season",
    "SeasonPlan",
    "dates_between",
    "iter_parts",
    "part_names",
    "put_together",
    "season",
    "start_moments",
    "year_of",
]

Array = NDArray[np.float64]
Part: TypeAlias = dict[str, Any]

LIKELY = "likely"  # name of the part with what may be expected
CALENDAR = "calendar"  # and of that with advice month by month


def iter_parts(
    scenario: Scenario,
    plan: SeasonPlan,
    *,
    done: Mapping[str, Mapping[str, Any]] | None = None,
    threads: int | None = None,
) -> Iterator[tuple[str, Part]]:
    """Compute a season part by part.

    Parameters
    ----------
    scenario : Scenario
        Its section `habit` says how the cooker is turned.
    plan : SeasonPlan
    done : mapping of str to part, optional
        Parts that need not be computed again.
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
        If litres are to be counted of a pot without water, or the pot is put on as hot as water
        boils there.

    Notes
    -----
    Months come first, with the starts of the plan. Where `SeasonPlan.between` is set, parts with
    starts between these follow, for months in which they may be better. Last come what may be
    expected of the recommended start, where `SeasonPlan.draws` asks for draws, and advice month by
    month, where `SeasonPlan.calendar` asks for it.
    """
    if plan.refill and not scenario.kitchen.water:
        raise HeatError(
            "kitchen.water is 0 L, and a season says when water boils: state a volume, such as "
            '"0.5 L"; `cooker day` follows a dry pot through one day'
        )
    settings = LightSettings(plan.beams, plan.replicates, plan.seed, plan.build, threads)
    setup = set_up(scenario, settings)
    found: dict[str, Any] = dict(done or {})
    names = part_names(plan)
    for name in names:
        if name not in found:
            found[name] = _part(setup, plan, dates_of(plan, name), plan.starts)
            yield name, found[name]
    if plan.between:
        coarse = put_together(scenario, plan, {name: found[name] for name in names})
        for name, starts in candidates(coarse).items():
            if starts and name + BETWEEN not in found:
                found[name + BETWEEN] = _between(setup, coarse, dates_of(plan, name), starts)
                yield name + BETWEEN, found[name + BETWEEN]
    if plan.draws and LIKELY not in found:
        likely = season_likely(put_together(scenario, plan, found), threads=threads)
        found[LIKELY] = {} if likely is None else to_part(likely)
        yield LIKELY, found[LIKELY]
    if plan.calendar and CALENDAR not in found:
        advice = calendar_of(put_together(scenario, plan, found), threads=threads)
        yield CALENDAR, to_part(advice)


def _part(
    setup: Setup, plan: SeasonPlan, dates: Sequence[dt.date], starts: Sequence[float]
) -> Part:
    """One month, every pot followed until the sun sets."""
    start_at = start_moments(setup.scenario, dates, starts)
    course, out = _follow(setup, plan, start_at, _ends(setup.scenario, dates, start_at))
    D = len(dates)
    batches, se, which = np.zeros(D), np.zeros(D), np.full(D, -1)
    if plan.refill:
        day, start = np.nonzero(np.isfinite(start_at))
        batches, se, row = refilled(course, day, D)
        which = np.where(row >= 0, start[row], -1)
    return out | {"batches": batches, "batches_se": se, "batches_start": which}


def _between(
    setup: Setup, coarse: Season, dates: Sequence[dt.date], starts: Sequence[float]
) -> Part:
    """Further starts on days of a month, each pot followed until a while after its goal."""
    plan, rows = coarse.plan, np.isin(np.array(coarse.dates), np.array(dates))
    start_at = start_moments(setup.scenario, dates, starts)
    ends = _ends(setup.scenario, dates, start_at)
    soon = np.minimum(start_at + follow(coarse, rows, starts), ends)
    _, out = _follow(setup, plan, start_at, soon)
    out |= {
        "tried": np.array(starts, dtype=float),
        "day": np.array([d.toordinal() for d in dates]),
    }
    # of the one that looks best, the days on which it takes longer are followed to their end
    best = best_start(widened(coarse, [out]), rows)
    tried = widened(coarse, [out]).starts
    late = np.isnan(out[cooking_goal(coarse)]) & (soon < ends)
    late &= np.array(starts) == (np.nan if best is None else tried[best])
    if late.any():
        _, more = _follow(setup, plan, np.where(late, start_at, np.nan), ends)
        out |= {name: np.where(late, x, out[name]) for name, x in more.items()}
    return out | {"start_at": start_at}


def _ends(scenario: Scenario, dates: Sequence[dt.date], start_at: Array) -> Array:
    """When the clock day of each start ends, seconds since 1970 UTC. [s]"""
    ends = [day_bounds(scenario.site, d)[1].timestamp() for d in dates]
    return np.where(np.isfinite(start_at), np.array(ends)[:, None], np.nan)


def _follow(setup: Setup, plan: SeasonPlan, start_at: Array, end: Array) -> tuple[Course, Part]:
    """Follow a pot from each start that there is until a given end."""
    habit = habit_of(setup.scenario)
    there = np.isfinite(start_at)
    course = between_moments(
        courses(
            setup,
            habit,
            start_at[there].astype(np.int64),
            end[there].astype(np.int64),
            # two intervals or more between turnings show how the light bends in them
            step=min(plan.step, 0.5 * habit.every),
        )
    )
    pots = pots_of(course)
    out: Part = {"start_at": start_at}
    for f in fields(pots):
        x = getattr(pots, f.name)
        gap = {"unsure": False, "reason": NO_TIME}.get(f.name, np.nan)
        out[f.name] = np.full(start_at.shape, gap, dtype=x.dtype)
        out[f.name][there] = x
    return course, out


def put_together(
    scenario: Scenario, plan: SeasonPlan, parts: Mapping[str, Mapping[str, Any]]
) -> Season:
    """Season from its parts.

    Parameters
    ----------
    scenario : Scenario
    plan : SeasonPlan
    parts : mapping of str to mapping of str to ndarray
        From `iter_parts`, all of them.

    Returns
    -------
    Season
    """
    names = part_names(plan)
    joined: dict[str, Any] = {
        key: np.concatenate([np.asarray(parts[name][key]) for name in names])
        for key in (f.name for f in fields(Season))
        if key in parts[names[0]]
    }
    boiling = float(water_at(site_pressure(scenario)).boiling)
    grid = Season(scenario, plan, habit_of(scenario), boiling, **joined)
    whole = widened(grid, [parts[n + BETWEEN] for n in names if n + BETWEEN in parts])
    likely, calendar = (from_part(parts[n]) if parts.get(n) else None for n in (LIKELY, CALENDAR))
    return replace(whole, likely=likely, calendar=calendar)


def season(
    scenario: Scenario,
    plan: SeasonPlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> Season:
    """Say when food boils, for each day and each time at which the pot is put on.

    Parameters
    ----------
    scenario : Scenario
        Its section `habit` says how the cooker is turned.
    plan : SeasonPlan, optional
        By default `SeasonPlan.of(scenario)`: every day of a year.
    path : path, optional
        Results file (.h5) to write; what is finished is kept beside it, so that the same call goes
        on where it was stopped.
    overwrite : bool
        Begin again, whatever of this program's is there.
    progress : callable, optional
        Called with the days done, and with all.
    threads : int, optional
        Changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    Season

    Raises
    ------
    SkyError
        If the weather file fails, or the site's calendar skips one of the dates.
    HeatError
        If litres are to be counted of a pot without water.
    StoreError
        If the path holds another study, or can't be written.
    """
    plan = SeasonPlan.of(scenario) if plan is None else plan
    with work("season", [scenario], plan, path, overwrite=overwrite) as kept:
        if kept.result is None:
            parts = iter_parts(scenario, plan, done=kept.done, threads=threads)
            kept.each(parts, progress, len(plan.dates), _days)
            kept.finish(put_together(scenario, plan, kept.done), command=command)
        return cast("Season", kept.result)


def _days(part: Mapping[str, Any]) -> int:
    """How many of the plan's days a part adds; starts between the plan's and draws come on top."""
    return len(part["batches"]) if "batches" in part else 0
