"""Moving a scenario's keys within bounds toward a goal, or between two that pull apart.

All designs are traced with the same samples and the same random draws, so that they differ by what
was moved. A search picks the luckiest among many, so the designs found are traced again in the end
with samples that it has not seen, and compared with the start by their difference.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError, ScenarioError
from raytrace.statistics.estimate import Estimate
from raytrace.store.work import Progress, work
from raytrace.studies.designs.book import Book, part_of
from raytrace.studies.designs.objectives import OUTCOMES, Ask, estimate, measure
from raytrace.studies.designs.search_data import (
    SearchPlan,
    SearchResult,
    Tried,
    best_of,
    design_of,
)
from raytrace.studies.designs.variables import file_digests, overrides

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["USUAL_TRIALS", "conclude", "decides", "iter_trials", "search"]

Array = NDArray[np.float64]

USUAL_TRIALS = 120
FRONT = 8  # designs traced again, where two goals pull apart


def decides(scenario: Scenario, plan: SearchPlan) -> dict[str, Any]:
    """All that decides what each design comes to, for `raytrace.store.fingerprint.fingerprint`.

    Parameters
    ----------
    scenario : Scenario
    plan : SearchPlan

    Returns
    -------
    dict
    """
    files = file_digests([scenario], plan.moves)
    return {"scenarios": [scenario], "plan": plan, "files": files}


def iter_trials(
    scenario: Scenario,
    book: Book,
    *,
    trials: int,
    seconds: float = math.inf,
    threads: int | None = None,
) -> Iterator[Tried]:
    """Try designs until there are so many, or until the time is up.

    Parameters
    ----------
    scenario : Scenario
        The start.
    book : Book
        Designs in it count.
    trials : int
    seconds : float
        From now. [s]
    threads : int, optional
        Changes no result.

    Yields
    ------
    Tried
        Each as it is done.
    """
    begun, plan = time.monotonic(), book.plan
    known = {design_of(plan, t): t for t in book.tried}
    while len(book.tried) < trials and len(known) < plan.designs:
        if time.monotonic() - begun > seconds:
            return
        one = book.next()
        seen = known.get(design_of(plan, one))
        if seen is None:
            one = _try(scenario, plan, one, threads)
        else:
            one = replace(one, figures=seen.figures, se=seen.se, refused=seen.refused)
        book.add(one)
        known.setdefault(design_of(plan, one), one)
        yield one


def _try(scenario: Scenario, plan: SearchPlan, one: Tried, threads: int | None) -> Tried:
    try:
        got = _measured(scenario.varied(overrides(plan.moves, one.values)), plan.ask, threads)
    except (ScenarioError, GeometryError) as error:
        return replace(one, refused=_reason(error))
    figures = tuple(
        _worst(name) if math.isnan(float(x)) else float(x)
        for name, x in zip(plan.goals, map(estimate, got), strict=True)
    )
    return replace(one, figures=figures, se=tuple(float(estimate(x).se) for x in got))


def _measured(scenario: Scenario, ask: Ask, threads: int | None) -> list[Array]:
    got = measure(scenario, ask, threads=threads)
    return [got[name] for name in ask.outcomes]


def _worst(goal: str) -> float:
    """What never happens is as bad as can be."""
    return 0.0 if OUTCOMES[goal].more else math.inf


def _reason(error: ScenarioError | GeometryError) -> str:
    return str(error.problems[0]) if isinstance(error, ScenarioError) else f"pose: {error}"


def conclude(
    scenario: Scenario, plan: SearchPlan, tried: Sequence[Tried], *, threads: int | None = None
) -> SearchResult:
    """Trace the best designs and the start again, with more samples that the search has not seen.

    Parameters
    ----------
    scenario : Scenario
        The start.
    plan : SearchPlan
    tried : sequence of Tried
    threads : int, optional
        Changes no result.

    Returns
    -------
    SearchResult
    """
    why, base = "", None
    try:
        base = _measured(scenario, plan.fresh, threads)
    except (ScenarioError, GeometryError) as error:
        why = _reason(error)
    front = best_of(plan, tried)
    if len(front) > FRONT:
        front = [front[k] for k in np.linspace(0, len(front) - 1, FRONT).round().astype(int)]
    again = [
        _measured(scenario.varied(overrides(plan.moves, t.values)), plan.fresh, threads)
        for t in front
    ]
    by_goal = dict(enumerate(plan.goals))
    return SearchResult(
        scenario,
        plan,
        meant={m.key: np.array([t.meant[m.key] for t in tried]) for m in plan.moves},
        figures={
            goal: Estimate(
                np.array([t.figures[k] if t.figures else math.nan for t in tried]),
                np.array([t.se[k] if t.se else math.nan for t in tried]),
                plan.ask.replicates,
            )
            for k, goal in by_goal.items()
        },
        refused=np.array([t.refused for t in tried], dtype=str),
        start_figures={} if base is None else {g: estimate(base[k]) for k, g in by_goal.items()},
        start_refused=why,
        best=np.array([t.number for t in front], dtype=np.int64),
        again={g: _side_by_side([x[k] for x in again]) for k, g in by_goal.items() if again},
        gain={
            g: _side_by_side([x[k] - base[k] for x in again])
            for k, g in by_goal.items()
            if again and base is not None
        },
    )


def _side_by_side(numbers: Sequence[Array]) -> Estimate:
    """Figures of several designs in one."""
    each = [estimate(x) for x in numbers]
    values, errors = (np.array([getattr(x, name) for x in each]) for name in ("value", "se"))
    return Estimate(values, errors, each[0].n_replicates)


def search(
    scenario: Scenario,
    plan: SearchPlan,
    *,
    trials: int = USUAL_TRIALS,
    seconds: float = math.inf,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> SearchResult:
    """Move keys of a scenario within bounds toward a goal, or between two.

    Parameters
    ----------
    scenario : Scenario
        The start.
    plan : SearchPlan
    trials : int
        Designs to try, those of the results file included.
    seconds : float
        After which no further one is begun. [s]
    path : path, optional
        Results file (.h5) to write; what is finished is kept beside it, so that the same call goes
        on where it was stopped, and one of more trials where this one ended.
    overwrite : bool
        Begin again, whatever of this program's is there.
    progress : callable, optional
        Called with the designs tried, and with all.
    threads : int, optional
        Changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    SearchResult

    Raises
    ------
    StoreError
        If the path holds another study, or can't be written.
    """

    def apart(old: SearchResult) -> Mapping[str, Mapping[str, Any]] | None:
        known = {design_of(plan, t) for t in old.tried}
        if len(old.tried) >= trials or len(known) >= plan.designs:
            return None
        return {str(t.number): part_of(t) for t in old.tried}

    given = decides(scenario, plan)
    with work("search", path=path, overwrite=overwrite, apart=apart, **given) as kept:
        if kept.result is None:
            book = Book(scenario, plan, kept.done)
            steps = iter_trials(scenario, book, trials=trials, seconds=seconds, threads=threads)
            kept.each(((str(t.number), part_of(t)) for t in steps), progress, trials)
            found = conclude(scenario, plan, book.tried, threads=threads)
            kept.finish(found, command=command)
        return cast("SearchResult", kept.result)
