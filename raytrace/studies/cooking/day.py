"""A day of cooking: one pot, its start, what draws of it differ by, and how often to turn."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, cast

from raytrace.light.history import remembering
from raytrace.light.setup import LightSettings
from raytrace.store.work import Progress, work
from raytrace.studies.cooking.day_draws import DayDraws, draw_setups
from raytrace.studies.cooking.day_likely import DayLikely, day_likely
from raytrace.studies.cooking.heating_test import HeatingTest, heating_test
from raytrace.studies.cooking.pot_day import (
    HABITS,
    CookingDay,
    HabitWorth,
    compare_habits,
    cooking_day,
)
from raytrace.studies.cooking.start_time import (
    Ready,
    Refill,
    Starts,
    latest_ready,
    top_ups_of,
    working_starts,
)

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["DayPlan", "DayResult", "day"]


@dataclass(frozen=True)
class DayPlan:
    """Which day, what to look for, and how much to compute.

    Attributes
    ----------
    date : date
        By the site's clock.
    start : float or None
        When the pot is put on, after midnight by the clock; None for the quickest start, or that
        of `ready_by`. [s]
    ready_by : float or None
        When it must be ready, by the clock: the latest start that does is looked for. [s]
    refills : tuple of Refill
        Cold water added.
    habits : bool
        Compare habits of turning.
    standard : bool
        Work out the standardised cooking power.
    step : float
        Between moments of the pot that is shown. [s]
    beams, replicates : int
        Of that pot; draws have one beam. [1]
    seed, build : int
        Key of everything random; which draw of the cooker.
    draws : int
        Of all that isn't known, of building and of use, for what may be expected; 0 for none. [1]
    not_before : float
        Clock time from which on starts are looked for. [s]
    """

    date: dt.date
    start: float | None = None
    ready_by: float | None = None
    refills: tuple[Refill, ...] = ()
    habits: bool = True
    standard: bool = True
    step: float = 120.0
    beams: int = 2
    replicates: int = 8
    seed: int = 1
    build: int = 0
    draws: int = 64
    not_before: float = 0.0

    SHOWN: ClassVar = {
        **dict.fromkeys(("start", "ready_by", "not_before"), "clock"),
        "step": "min",
    }

    @classmethod
    def of(cls, scenario: Scenario, date: dt.date, **changes: Any) -> DayPlan:
        """Plan with the scenario's seed and build.

        Parameters
        ----------
        scenario : Scenario
        date : date
        **changes
            Fields that are to be otherwise.

        Returns
        -------
        DayPlan
        """
        keys = {"seed": scenario.trace.seed, "build": scenario.trace.build}
        return cls(date, **(keys | changes))


@dataclass(frozen=True, eq=False)
class DayResult:
    """A day of cooking.

    Attributes
    ----------
    pot : CookingDay
        One pot, moment by moment.
    draws : DayDraws or None
        The same pot in draws of all that isn't known, of building and of use.
    likely : DayLikely or None
        What may be expected of it, by these draws.
    worth : tuple of HabitWorth
        Habits that were compared, if any.
    ready : Ready or None
        What was found for the time at which it must be ready.
    starts : Starts or None
        Which starts work, where none was asked for.
    ups : tuple of tuple of float
        Water added: time since the start [s], mass [kg], temperature [K].
    test : HeatingTest or None
        Of the same cooker, for its standardised cooking power.
    plan : DayPlan or None
        What was asked for.
    """

    pot: CookingDay
    draws: DayDraws | None = None
    likely: DayLikely | None = None
    worth: tuple[HabitWorth, ...] = ()
    ready: Ready | None = None
    starts: Starts | None = None
    ups: tuple[tuple[float, float, float], ...] = ()
    test: HeatingTest | None = None
    plan: DayPlan | None = None


def day(
    scenario: Scenario,
    plan: DayPlan,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> DayResult:
    """Follow one pot through one day.

    Parameters
    ----------
    scenario : Scenario
        Its section `habit` says how the cooker is turned.
    plan : DayPlan
    path : path, optional
        Results file (.h5) to write.
    overwrite : bool
        Replace whatever of this program's is there.
    progress : callable, optional
        Called with the per cents that are done, and 100.
    threads : int, optional
        Changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    DayResult

    Raises
    ------
    SkyError
        If the sun doesn't rise on that day, the clock skips the start, or the weather file fails.
    HeatError
        If water is added before the start, or more than the pot holds.
    StoreError
        If the path holds another study, or can't be written.
    """

    def part(begun: float, ended: float) -> Callable[[float], None]:
        def tell(share: float) -> None:
            if progress is not None:
                progress(begun + (ended - begun) * share, 100.0)

        return tell

    with work("day", [scenario], plan, path, overwrite=overwrite, in_parts=False) as kept:
        if kept.result is None:
            kept.finish(_day(scenario, plan, threads, part), command=command)
        return cast(DayResult, kept.result)


def _day(
    scenario: Scenario,
    plan: DayPlan,
    threads: int | None,
    part: Callable[[float, float], Callable[[float], None]],
) -> DayResult:
    keys: dict[str, Any] = {"seed": plan.seed, "build": plan.build, "threads": threads}
    settings = LightSettings(plan.beams, plan.replicates, **keys)
    few, tracer, date = LightSettings(beams=1, **keys), remembering(), plan.date
    ready, starts, start, refills = None, None, plan.start, list(plan.refills)
    advised = start is None or plan.ready_by is not None or plan.habits
    setups = draw_setups(scenario, few) if advised else []  # of which advice is taken
    if plan.ready_by is not None:
        ready = latest_ready(
            scenario,
            date,
            plan.ready_by,
            few,
            refills=refills,
            setups=setups,
            tracer=tracer,
            progress=part(0.0, 30.0),
            not_before=plan.not_before,
        )
        start = None if math.isnan(ready.start) else ready.start
    if start is None:
        begun = 0.0 if ready is None else 30.0
        starts = working_starts(
            scenario,
            date,
            few,
            setups=setups,
            tracer=tracer,
            progress=part(begun, 40.0),
            not_before=plan.not_before,
        )
        start = starts.best
    if ready is not None:
        refills = [r for r in refills if r.clock > start]
    ups = top_ups_of(scenario, date, start, refills)
    pot = cooking_day(scenario, date, start, step=plan.step, settings=settings, top_ups=ups)
    part(0.0, 45.0)(1.0)
    draws = likely = None
    if plan.draws:
        draws, likely = day_likely(
            scenario, date, start, plan.draws, few, top_ups=ups, progress=part(45.0, 75.0)
        )
    worth: tuple[HabitWorth, ...] = ()
    if plan.habits:
        habits = sorted({*HABITS, pot.habit}, key=lambda h: (-h.every, h.face == "ahead"))
        tell = part(75.0, 95.0)
        worth = compare_habits(
            scenario, date, start, habits, setups=setups, tracer=tracer, progress=tell
        )
    test = heating_test(scenario, settings=settings) if plan.standard else None
    part(0.0, 100.0)(1.0)
    # what changes no number is no part of the result
    alone = replace(settings, threads=None)
    return DayResult(
        pot=replace(pot, settings=alone),
        draws=draws,
        likely=likely,
        worth=worth,
        ready=ready,
        starts=starts,
        ups=tuple(ups),
        test=None if test is None else replace(test, settings=alone),
        plan=plan,
    )
