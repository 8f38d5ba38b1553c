"""Moving a scenario's keys within bounds toward a goal, or between two that pull apart.

All designs are traced with the same samples and the same random draws, so that they differ by what
was moved. A search picks the luckiest among many, so the designs found are traced again in the end
with samples that it has not seen, and compared with the start by their difference.
"""

from __future__ import annotations

import contextlib
import math
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError, ScenarioError
from raytrace.statistics.estimate import Estimate
from raytrace.store.fingerprint import fingerprint
from raytrace.store.parts import Parts
from raytrace.studies.designs.objectives import OUTCOMES, Asked, estimate, measure
from raytrace.studies.designs.variables import Move, file_digests, overrides, start_of

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Book",
    "Found",
    "Plan",
    "Search",
    "Tried",
    "best_of",
    "conclude",
    "fingerprint_of",
    "iter_trials",
]

Array = NDArray[np.float64]

MORE = 4  # times the replicates, in the end
FRONT = 8  # designs traced again, where two goals pull apart


@dataclass(frozen=True)
class Plan:
    """What is moved toward what.

    Attributes
    ----------
    moves : tuple of Move
    asked : Asked
        Its outcomes, one or two, are the goals; each knows whether more of it is better.
    seed : int
        Of the optimiser; that of the samples is in `asked`.
    """

    moves: tuple[Move, ...]
    asked: Asked
    seed: int = 1

    @property
    def goals(self) -> tuple[str, ...]:
        """Names in `raytrace.studies.designs.objectives.OUTCOMES`."""
        return self.asked.outcomes

    @property
    def fresh(self) -> Asked:
        """The same by samples and builds that the search has not seen, and by more of them."""
        asked = self.asked
        return replace(
            asked, stream=asked.stream + 1, replicates=MORE * asked.replicates, suns=2 * asked.suns
        )

    @property
    def designs(self) -> float:
        """How many there are to choose from; infinite where a move has no steps."""
        count = 1.0
        for move in self.moves:
            steps = (move.high - move.low) * 10.0**move.decimals
            count *= len(move.choices) or math.floor(steps + 1e-9) + 1.0
        return count


@dataclass(frozen=True)
class Tried:
    """One design of a search.

    Attributes
    ----------
    number : int
        From 0, in the order of trying.
    values : mapping of str to float or str
        By key, each in its move's unit.
    figures, se : tuple of float
        By goal, with standard errors, as traced in the search; empty where it was refused. A
        time that never ends is infinite.
    refused : str
        Why it can't be; empty where it can. The key comes first, then a colon.
    """

    number: int
    values: Mapping[str, float | str]
    figures: tuple[float, ...] = ()
    se: tuple[float, ...] = ()
    refused: str = ""


@dataclass(frozen=True, eq=False)
class Found:
    """A design, traced again with samples that the search has not seen.

    Attributes
    ----------
    tried : Tried or None
        As the search saw it; None for the start.
    scenario : Scenario
    figures : tuple of Estimate
        By goal.
    gain : tuple of Estimate, or empty
        By goal: this design's figure less the start's, under the same samples and random draws;
        empty for the start, and where the start can't be built.
    """

    tried: Tried | None
    scenario: Scenario
    figures: tuple[Estimate, ...]
    gain: tuple[Estimate, ...] = ()


@dataclass(frozen=True, eq=False)
class Search:
    """What a search came to.

    Attributes
    ----------
    scenario : Scenario
        The start.
    plan : Plan
    tried : tuple of Tried
    start : Found or None
        None where the start itself can't be built.
    start_refused : str
        Why.
    found : tuple of Found
        The best design; for two goals designs of which none beats another in both.
    """

    scenario: Scenario
    plan: Plan
    tried: tuple[Tried, ...]
    start: Found | None
    start_refused: str
    found: tuple[Found, ...]

    @property
    def refused(self) -> list[tuple[str, int, str]]:
        """Keys that designs were refused for: key, how many, and one reason in full."""
        reasons: dict[str, list[str]] = {}
        for tried in self.tried:
            if tried.refused:
                key = tried.refused.partition(":")[0].partition(" =")[0]
                reasons.setdefault(key, []).append(tried.refused)
        ranked = sorted(reasons.items(), key=lambda item: -len(item[1]))
        return [(key, len(texts), texts[0]) for key, texts in ranked]

    @property
    def at_bounds(self) -> list[Move]:
        """Moves that the best design takes to one of their ends."""
        if len(self.found) != 1 or self.found[0].tried is None:
            return []
        values = self.found[0].tried.values
        return [m for m in self.plan.moves if not m.choices and _at_end(m, values[m.key])]


def _at_end(move: Move, value: float | str) -> bool:
    near = 0.01 * (move.high - move.low)
    return isinstance(value, float | int) and (
        value == move.low or value == move.high if move.whole
        else value - move.low < near or move.high - value < near
    )  # fmt: skip


def fingerprint_of(scenario: Scenario, plan: Plan) -> dict[str, Any]:
    """Everything that decides what each design of a search comes to, as plain values.

    Parameters
    ----------
    scenario : Scenario
    plan : Plan
    """
    return fingerprint("search", [scenario], plan, files=file_digests([scenario], plan.moves))


class Book:
    """Designs tried so far, which the optimiser learns from, and which outlive a stop.

    Use it as a context manager where there is a file: one process at a time may write to it.
    Every design that is asked for has random numbers of its own, keyed on the seed and on how many
    went before. So a search that was stopped and continued tries the same designs as one that was
    not.

    Parameters
    ----------
    scenario : Scenario
    plan : Plan
    path : path, optional
        Of the finished parts, one a design; without it nothing is kept.
    overwrite : bool
        Begin again, whatever search is there.

    Attributes
    ----------
    tried : list of Tried
        Designs that are done, in order.
    lost : str
        What the disk has spoilt, in words; empty if nothing.

    Raises
    ------
    StoreError
        As `raytrace.store.parts.Parts`.
    """

    def __init__(
        self, scenario: Scenario, plan: Plan, path: Path | None = None, *, overwrite: bool = False
    ) -> None:
        import optuna

        optuna.logging.set_verbosity(optuna.logging.ERROR)
        self.plan, self.path, self.lost = plan, path, ""
        self.tried: list[Tried] = []
        way = optuna.study.StudyDirection
        ways = [way.MAXIMIZE if OUTCOMES[g].more else way.MINIMIZE for g in plan.goals]
        self._first = list(_first_designs(scenario, plan))
        self._study = optuna.create_study(directions=ways)
        self._parts = None
        if path is not None:
            self._parts = Parts(path, fingerprint_of(scenario, plan), overwrite=overwrite)
            self.lost = self._parts.lost
            # design k follows from those before it, so a gap ends what can be used
            while (part := self._parts.done.get(str(len(self.tried)))) is not None:
                self._note({move.key: part[move.key] for move in plan.moves}, part)

    def close(self) -> None:
        """Let others write to the file."""
        if self._parts is not None:
            self._parts.close()

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def ask(self) -> dict[str, float | str]:
        """Next design to try: values by key, as the optimiser means them."""
        import optuna

        number = len(self.tried)
        if number < len(self._first):
            return self._first[number]
        with _quiet():
            self._study.sampler = optuna.samplers.TPESampler(
                seed=_key(self.plan.seed, number),
                n_startup_trials=_startup(self.plan),
                multivariate=True,
                constant_liar=False,
            )
            return dict(self._study.ask(_distributions(self.plan)).params)

    def tell(self, meant: Mapping[str, float | str], tried: Tried) -> None:
        """Write down what came of a design, and learn from it."""
        part = {
            "figures": np.array(tried.figures),
            "se": np.array(tried.se),
            "refused": tried.refused,
            **meant,
        }
        if self._parts is not None:
            self._parts.add(str(tried.number), part)
        self._note(meant, part)

    def _note(self, meant: Mapping[str, Any], part: Mapping[str, Any]) -> None:
        from optuna.trial import TrialState, create_trial

        one = Tried(
            len(self.tried),
            {move.key: move.kept(meant[move.key]) for move in self.plan.moves},
            tuple(part["figures"].tolist()),
            tuple(part["se"].tolist()),
            part["refused"],
        )
        trial = create_trial(
            state=TrialState.PRUNED if one.refused else TrialState.COMPLETE,
            values=None if one.refused else list(one.figures),
            params=dict(meant),
            distributions=_distributions(self.plan),
        )
        with _quiet():
            self._study.add_trial(trial)
        self.tried.append(one)


def _distributions(plan: Plan) -> dict[str, Any]:
    from optuna.distributions import (
        CategoricalDistribution,
        FloatDistribution,
        IntDistribution,
    )

    return {
        move.key: CategoricalDistribution(move.choices)
        if move.choices
        else IntDistribution(int(move.low), int(move.high))
        if move.whole
        else FloatDistribution(move.low, move.high)
        for move in plan.moves
    }


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the optimiser's remarks on its own future from users."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _key(*numbers: int) -> int:
    return int(np.random.SeedSequence(numbers).generate_state(1)[0])


def _startup(plan: Plan) -> int:
    """Designs spread over all bounds before the optimiser learns from them: a power of two."""
    return int(2 ** math.ceil(math.log2(4 * max(len(plan.moves), 2))))


def _first_designs(scenario: Scenario, plan: Plan) -> Iterator[dict[str, float | str]]:
    """Start, if it lies within the bounds, and points spread evenly."""
    from scipy.stats import qmc

    start = {move.key: start_of(scenario, move) for move in plan.moves}
    if all(value is not None for value in start.values()):
        yield {key: value for key, value in start.items() if value is not None}
    sobol = qmc.Sobol(len(plan.moves), seed=np.random.default_rng(_key(plan.seed)))
    for point in sobol.random(_startup(plan)):
        yield {m.key: _within(m, float(x)) for m, x in zip(plan.moves, point, strict=True)}


def _within(move: Move, x: float) -> float | str:
    """Value at a share of the way between a move's ends."""
    if move.choices:
        return move.choices[int(x * len(move.choices))]
    if move.whole:
        return int(move.low + math.floor(x * (move.high - move.low + 1.0)))
    return move.low + x * (move.high - move.low)


def iter_trials(
    scenario: Scenario,
    plan: Plan,
    book: Book,
    *,
    trials: int,
    seconds: float = math.inf,
    threads: int | None = None,
    hold: Callable[[], contextlib.AbstractContextManager[None]] = contextlib.nullcontext,
) -> Iterator[Tried]:
    """Try designs until there are so many, or until the time is up.

    Parameters
    ----------
    scenario : Scenario
        The start.
    plan : Plan
    book : Book
        Designs in it count.
    trials : int
    seconds : float
        From now. [s]
    threads : int, optional
        Changes no result.
    hold : callable
        Makes a context that is not to be interrupted.

    Yields
    ------
    Tried
        Each as it is done and written down.
    """
    begun = time.monotonic()
    known = {_design(plan, t): t for t in book.tried}
    while len(book.tried) < trials and len(known) < plan.designs:
        if time.monotonic() - begun > seconds:
            return
        meant = book.ask()
        one = Tried(len(book.tried), {m.key: m.kept(meant[m.key]) for m in plan.moves})
        design = _design(plan, one)
        if design in known:
            seen = known[design]
            one = Tried(one.number, one.values, seen.figures, seen.se, seen.refused)
        else:
            one = _try(scenario, plan, one, threads)
        with hold():
            book.tell(meant, one)
        known.setdefault(design, one)
        yield one


def _design(plan: Plan, tried: Tried) -> tuple[tuple[str, str], ...]:
    return tuple(overrides(plan.moves, tried.values).items())


def _try(scenario: Scenario, plan: Plan, one: Tried, threads: int | None) -> Tried:
    try:
        got = _measured(scenario.varied(overrides(plan.moves, one.values)), plan.asked, threads)
    except (ScenarioError, GeometryError) as error:
        return Tried(one.number, one.values, refused=_reason(error))
    figures = tuple(
        _worst(name) if math.isnan(float(x)) else float(x)
        for name, x in zip(plan.goals, map(estimate, got), strict=True)
    )
    return Tried(one.number, one.values, figures, tuple(float(estimate(x).se) for x in got))


def _measured(scenario: Scenario, asked: Asked, threads: int | None) -> list[Array]:
    got = measure(scenario, asked, threads=threads)
    return [got[name] for name in asked.outcomes]


def _worst(goal: str) -> float:
    """What never happens is as bad as can be."""
    return 0.0 if OUTCOMES[goal].more else math.inf


def _reason(error: ScenarioError | GeometryError) -> str:
    return str(error.problems[0]) if isinstance(error, ScenarioError) else f"pose: {error}"


def best_of(plan: Plan, tried: Sequence[Tried]) -> list[Tried]:
    """Best design; for two goals those that no other beats in both, from the first goal's best.

    Parameters
    ----------
    plan : Plan
    tried : sequence of Tried

    Returns
    -------
    list of Tried
        Empty where all were refused.
    """
    signs = np.array([-1.0 if OUTCOMES[g].more else 1.0 for g in plan.goals])
    good: dict[Any, Tried] = {}
    for t in tried:
        if not t.refused and all(map(math.isfinite, t.figures)):
            good.setdefault(_design(plan, t), t)
    if not good:
        return []
    designs = list(good.values())
    cost = signs * np.array([t.figures for t in designs])
    order = np.lexsort(cost.T[::-1])
    if len(plan.goals) == 1:
        return [designs[order[0]]]
    front, least = [], math.inf
    for k in order:
        if cost[k, 1] < least:
            front.append(designs[k])
            least = float(cost[k, 1])
    return front


def conclude(
    scenario: Scenario, plan: Plan, tried: Sequence[Tried], *, threads: int | None = None
) -> Search:
    """Trace the best designs and the start again, with more samples that the search has not seen.

    Parameters
    ----------
    scenario : Scenario
        The start.
    plan : Plan
    tried : sequence of Tried
    threads : int, optional
        Changes no result.

    Returns
    -------
    Search
    """
    why, base, start = "", None, None
    try:
        base = _measured(scenario, plan.fresh, threads)
        start = Found(None, scenario, tuple(map(estimate, base)))
    except (ScenarioError, GeometryError) as error:
        why = _reason(error)
    front = best_of(plan, tried)
    if len(front) > FRONT:
        front = [front[k] for k in np.linspace(0, len(front) - 1, FRONT).round().astype(int)]
    found = []
    for t in front:
        varied = scenario.varied(overrides(plan.moves, t.values))
        got = _measured(varied, plan.fresh, threads)
        gain = (
            () if base is None else tuple(estimate(x - y) for x, y in zip(got, base, strict=True))
        )
        found.append(Found(t, varied, tuple(map(estimate, got)), gain))
    return Search(scenario, plan, tuple(tried), start, why, tuple(found))
