"""Designs side by side: keys of scenarios varied over grids or samples, each design measured.

All designs share their random draws, so differences are sharp and state their own standard error.
Designs come in chunks as plain arrays, in whatever order workers finish them, and each hangs on its
own scenario and keys alone; so results are the same bits whoever computes them, and can be resumed.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError, ScenarioError, StudyError
from raytrace.light.drawn import draw_cookers, light_unknowns, powers
from raytrace.optics.tally import BASE
from raytrace.parallel.workers import hands, run
from raytrace.statistics.likely import likely_of
from raytrace.store.work import Progress, work
from raytrace.studies.designs.compare_plan import ComparePlan, designs_of
from raytrace.studies.designs.comparison import Comparison, check_money, currencies_of
from raytrace.studies.designs.objectives import Ask, estimate, measure
from raytrace.studies.designs.variables import file_digests

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["compare", "decides", "iter_chunks", "put_together"]

Array = NDArray[np.float64]
Part = Mapping[str, NDArray[Any]]

CHUNK = 16  # designs that travel together, at most
ROUNDS = 4  # chunks a worker gets, at least, so that all end at about the same time


@dataclass(frozen=True)
class _Base:
    """A scenario as it travels: words alone, hashable."""

    text: str
    source: str
    folder: str | None
    overrides: tuple[str, ...]
    tables: tuple[tuple[str, str], ...]

    @classmethod
    def of(cls, scenario: Scenario) -> _Base:
        folder = None if scenario.folder is None else str(scenario.folder)
        tables = tuple(sorted(scenario.tables.items()))
        return cls(scenario.text, scenario.source, folder, scenario.overrides, tables)


@lru_cache(maxsize=64)
def _opened(base: _Base) -> Scenario:
    from raytrace.scenario.loading import parse_scenario

    return parse_scenario(
        base.text,
        source=base.source,
        folder=None if base.folder is None else Path(base.folder),
        overrides=base.overrides,
        tables=dict(base.tables),
    )


@dataclass(frozen=True)
class _Chunk:
    """Designs that travel together."""

    base: _Base
    designs: tuple[tuple[int, tuple[tuple[str, str], ...]], ...]  # number; key and value
    ask: Ask


def _work(chunk: _Chunk) -> dict[str, NDArray[Any]]:
    """Measure designs: what a worker does."""
    scenario = _opened(chunk.base)
    found: list[Mapping[str, Array]] = []
    refused = []
    for _, changes in chunk.designs:
        try:
            varied = scenario.varied(dict(changes)) if changes else scenario
            found.append(measure(varied, chunk.ask, threads=1))
            refused.append("")
        except (ScenarioError, GeometryError) as error:
            found.append({})
            refused.append(_reason(error))
    out: dict[str, NDArray[Any]] = {
        "number": np.array([number for number, _ in chunk.designs], dtype=np.int64),
        "refused": np.array(refused, dtype=str),
    }
    for name in chunk.ask.outcomes:
        length = max((len(f[name]) for f in found if f), default=1)
        gap = np.full(length, np.nan)
        out[name] = np.stack([f.get(name, gap) for f in found])
    return out


def _reason(error: ScenarioError | GeometryError) -> str:
    return str(error.problems[0]) if isinstance(error, ScenarioError) else str(error)


def iter_chunks(
    scenarios: Sequence[Scenario],
    plan: ComparePlan,
    *,
    done: Collection[int] = (),
    workers: int | None = None,
    scheduler: str | None = None,
) -> Iterator[dict[str, NDArray[Any]]]:
    """Measure designs, some at a time.

    Parameters
    ----------
    scenarios : sequence of Scenario
    plan : ComparePlan
    done : collection of int
        Numbers of designs that need not be measured again.
    workers, scheduler
        As in `raytrace.parallel.workers.run`; they change no result.

    Yields
    ------
    dict of ndarray
        "number" and "refused" (why it can't be built, or ""), shape (n,), and each outcome as
        `raytrace.studies.designs.objectives.measure` has it, shape (n, 1 + r); nan where refused.
    """
    skip = set(done)
    left = [d for d in designs_of(plan, len(scenarios)) if d.number not in skip]
    if not left:
        return
    size = int(np.clip(len(left) // (ROUNDS * hands(workers, scheduler)), 1, CHUNK))
    bases = [_Base.of(s) for s in scenarios]
    keys = [f.key for f in plan.factors]
    chunks = []
    for which, group in itertools.groupby(left, key=lambda d: d.scenario):
        rows = [(d.number, tuple(zip(keys, d.values, strict=True))) for d in group]
        chunks += [
            _Chunk(bases[which], tuple(rows[k : k + size]), plan.ask)
            for k in range(0, len(rows), size)
        ]
    for _, part in run(_work, chunks, workers=workers, scheduler=scheduler):
        yield part


def put_together(
    scenarios: Sequence[Scenario], plan: ComparePlan, parts: Iterable[Part]
) -> Comparison:
    """Make a comparison of its chunks, whatever order they were done in.

    Parameters
    ----------
    scenarios : sequence of Scenario
    plan : ComparePlan
    parts : iterable of dict of ndarray
        From `iter_chunks`.

    Returns
    -------
    Comparison

    Raises
    ------
    StudyError
        If some designs are missing.
    """
    designs, parts = designs_of(plan, len(scenarios)), list(parts)
    refused: list[str | None] = [None] * len(designs)
    outcomes, moved = {}, {}
    for part in parts:
        for number, why in zip(part["number"].tolist(), part["refused"].tolist(), strict=True):
            refused[number - 1] = why
    missing = [d.number for d, why in zip(designs, refused, strict=True) if why is None]
    if missing:
        raise StudyError(f"designs not done: {', '.join(map(str, missing[:20]))}")
    for name in plan.ask.outcomes:
        length = max(part[name].shape[1] for part in parts)
        x = np.full((len(designs), length), np.nan)
        for part in parts:
            if part[name].shape[1] == length:  # shorter where all of a chunk were refused
                x[part["number"] - 1] = part[name]
        outcomes[name] = estimate(x.T)
        if length > 1:
            moved[name] = x[:, 1:]
    texts = {f.key: np.array([d.values[k] for d in designs]) for k, f in enumerate(plan.factors)}
    which = np.array([d.scenario for d in designs])
    return Comparison(
        tuple(scenarios), plan, which, texts, np.array(refused, dtype=str), outcomes, moved
    )


def _taken_apart(study: Comparison) -> Part:
    """What `put_together` makes a comparison of, in one chunk."""
    numbers = {name: study.numbers(name) for name in study.outcomes}
    return {"number": study.number, "refused": study.refused, **numbers}


def decides(scenarios: Sequence[Scenario], plan: ComparePlan) -> dict[str, Any]:
    """All that decides the numbers, for `raytrace.store.fingerprint.fingerprint`.

    Parameters
    ----------
    scenarios : sequence of Scenario
    plan : ComparePlan

    Returns
    -------
    dict
    """
    files = file_digests(scenarios, [f.move for f in plan.factors])
    return {"scenarios": scenarios, "plan": plan.decides, "files": files}


def with_expected(study: Comparison) -> Comparison:
    """Add the watts to be expected of the design that has most, and how far it is ahead.

    Parameters
    ----------
    study : Comparison

    Returns
    -------
    Comparison
        The same where watts are not measured, or a cooker that is drawn can't be built.
    """
    first = study.ranked("watts")[:2].tolist() if "watts" in study.outcomes else []
    if not study.plan.draws or not first:
        return study

    def watts(k: int) -> Array:
        scenario = study.scenarios[int(study.which[k])]
        values = {key: str(texts[k]) for key, texts in study.texts.items()}
        scenario = scenario.varied(values) if values else scenario
        keys = tuple(u.key for u in light_unknowns(scenario))
        draws = draw_cookers(scenario, study.plan.draws, seed=study.plan.ask.seed, keys=keys)
        return powers(draws, seed=study.plan.ask.seed)[:, BASE]

    try:
        found = [watts(k) for k in first]
    except (ScenarioError, GeometryError):
        return study
    ahead = likely_of(found[0] - found[1]) if len(found) > 1 else None
    return replace(study, expected=likely_of(found[0]), ahead=ahead)


def compare(
    scenarios: Scenario | Sequence[Scenario],
    plan: ComparePlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    command: str = "",
) -> Comparison:
    """Measure designs and set them side by side.

    Parameters
    ----------
    scenarios : Scenario or sequence of Scenario
    plan : ComparePlan, optional
        By default the watts of the scenarios as they are.
    path : path, optional
        Results file (.h5) to write; what is finished is kept beside it, so that the same call goes
        on where it was stopped.
    overwrite : bool
        Begin again, whatever of this program's is there.
    progress : callable, optional
        Called with the designs done, and with all.
    workers, scheduler
        As in `raytrace.parallel.workers.run`; they change no result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    Comparison

    Raises
    ------
    StudyError
        If designs are ranked by prices in several currencies.
    StoreError
        If the path holds another study, or can't be written.
    """
    from raytrace.scenario.schema import Scenario

    each = [scenarios] if isinstance(scenarios, Scenario) else list(scenarios)
    plan = ComparePlan() if plan is None else plan
    designs = designs_of(plan, len(each))
    check_money(plan.by, currencies_of(each, plan))

    def apart(old: Comparison) -> Mapping[str, Part] | None:
        # ranked by another outcome, it is the same study
        return None if old.by == plan.by else {"1": _taken_apart(old)}

    with work(
        "compare", path=path, overwrite=overwrite, apart=apart, **decides(each, plan)
    ) as kept:
        if kept.result is None:
            done = {int(n) for part in kept.done.values() for n in part["number"]}
            chunks = iter_chunks(each, plan, done=done, workers=workers, scheduler=scheduler)
            named = ((str(part["number"][0]), part) for part in chunks)
            kept.each(named, progress, len(designs), lambda part: len(part["number"]))
            found = put_together(each, plan, kept.done.values())
            kept.finish(with_expected(found), command=command)
        return cast("Comparison", kept.result)
