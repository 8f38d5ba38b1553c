"""A search: what is moved toward what, each design tried, and those found."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.described import Described
from raytrace.exceptions import SettingsError
from raytrace.statistics.estimate import Estimate
from raytrace.studies.designs.objectives import OUTCOMES, Ask
from raytrace.studies.designs.variables import Move, overrides

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Found", "SearchPlan", "SearchResult", "Tried", "best_of", "design_of"]

Whole = NDArray[np.int64]

MORE = 4  # times the replicates, in the end


@dataclass(frozen=True)
class SearchPlan:
    """What is moved toward what.

    Attributes
    ----------
    moves : tuple of Move
    ask : Ask
        Its outcomes, one or two, are the goals; each knows whether more of it is better.
    seed : int
        Of the optimiser; that of the samples is in `ask`.
    """

    moves: tuple[Move, ...]
    ask: Ask
    seed: int = 1

    def __post_init__(self) -> None:
        if not self.moves or not 1 <= len(set(self.goals)) == len(self.goals) <= 2:
            raise SettingsError("a search needs a key to move, and one goal or two that differ")

    @property
    def goals(self) -> tuple[str, ...]:
        """Names in `raytrace.studies.designs.objectives.OUTCOMES`."""
        return self.ask.outcomes

    @property
    def fresh(self) -> Ask:
        """The same by samples and builds that the search has not seen, and by more of them."""
        ask = self.ask
        return replace(
            ask,
            stream=ask.stream + 1,
            replicates=MORE * ask.replicates,
            sun_positions=2 * ask.sun_positions,
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
        From 0, in the order of trying. [1]
    values : mapping of str to float or str
        By key, each in its move's unit.
    figures, se : tuple of float
        By goal, with standard errors, as traced in the search; empty where it was refused. A
        time that never ends is infinite.
    refused : str
        Why it can't be; empty where it can. The key comes first, then a colon.
    meant : mapping of str to float or str
        Values as the optimiser proposed them, before rounding to what can be built.
    """

    number: int
    values: Mapping[str, float | str]
    figures: tuple[float, ...] = ()
    se: tuple[float, ...] = ()
    refused: str = ""
    meant: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Found:
    """A design, traced again with samples that the search has not seen.

    Attributes
    ----------
    tried : Tried
        As the search saw it.
    scenario : Scenario
    figures : tuple of Estimate
        By goal.
    gain : tuple of Estimate, or empty
        By goal: this design's figure less the start's, under the same samples and random draws;
        empty where the start can't be built.
    """

    tried: Tried
    scenario: Scenario
    figures: tuple[Estimate, ...]
    gain: tuple[Estimate, ...] = ()


@dataclass(frozen=True, eq=False)
class SearchResult:
    """What a search came to; T designs tried, N found.

    Attributes
    ----------
    scenario : Scenario
        The start.
    plan : SearchPlan
    meant : dict of str to ndarray, shape (T,)
        Values of the designs tried by key, as the optimiser proposed them, before rounding.
    figures : dict of str to Estimate, shape (T,)
        By goal, as traced in the search; nan where refused. A time that never ends is infinite.
    refused : ndarray of str, shape (T,)
        Why a design can't be; empty where it can. The key comes first, then a colon.
    start_figures : dict of str to Estimate
        Of the start, traced again; empty where it can't be built.
    start_refused : str
        Why it can't.
    best : ndarray of int, shape (N,)
        Which of the designs tried is best; for two goals, those of which none beats another in
        both. [1]
    again : dict of str to Estimate, shape (N,)
        By goal: the best, traced with samples that the search has not seen.
    gain : dict of str to Estimate, shape (N,)
        By goal: less the start's figure, under the same samples and random draws; empty where the
        start can't be built.
    """

    scenario: Scenario
    plan: SearchPlan
    meant: dict[str, NDArray[Any]]
    figures: dict[str, Estimate]
    refused: NDArray[np.str_]
    start_figures: dict[str, Estimate]
    start_refused: str
    best: Whole
    again: dict[str, Estimate]
    gain: dict[str, Estimate]

    DIMS: ClassVar = {"T": "design", "N": "found"}
    COORDS: ClassVar = {"design": "number"}
    ALSO: ClassVar = ("values", "refused_for", "set_to", "at_bounds")
    APART: ClassVar = ("meant",)
    BARE: ClassVar = ("values", "figures")

    def entries(self) -> dict[str, Described]:
        """What keys and goals are, for data sets."""
        out = {}
        for move in self.plan.moves:
            unit = "" if move.choices else move.unit or "1"
            for name in ("meant", "values"):
                out[f"{name}.{move.key}"] = Described(unit, f"key {move.key}", ("design",), unit)
        dims = {"figures": ("design",), "start_figures": (), "again": ("found",)}
        for name, along in {**dims, "gain": ("found",)}.items():
            for goal in self.plan.goals:
                what = OUTCOMES[goal].described(self.scenario.cost.currency, *along)
                out[f"{name}.{goal}"] = what
        return out

    @property
    def columns(self) -> tuple[str, ...]:
        """Variables along the designs, as a table of them has them."""
        goals = [goal.replace(" ", "_") for goal in self.plan.goals]
        return (*self.meant, *(x for goal in goals for x in (goal, f"{goal}_se")), "refused")

    @property
    def number(self) -> Whole:
        """Numbers of the designs from 0, in the order of trying, shape (T,)."""
        return np.arange(len(self.refused))

    @property
    def values(self) -> dict[str, NDArray[Any]]:
        """Values of the designs tried by key, in each move's unit, shape (T,)."""
        return {
            m.key: np.array([m.kept(x) for x in self.meant[m.key].tolist()])
            for m in self.plan.moves
        }

    @cached_property
    def tried(self) -> tuple[Tried, ...]:
        """Designs tried, in order."""
        meant = {key: x.tolist() for key, x in self.meant.items()}
        figures = [(x.value.tolist(), x.se.tolist()) for x in self.figures.values()]
        moves, out = self.plan.moves, []
        for k, why in enumerate(self.refused.tolist()):
            proposed = {key: x[k] for key, x in meant.items()}
            values = {m.key: m.kept(proposed[m.key]) for m in moves}
            both = [] if why else [(x[k], se[k]) for x, se in figures]
            got, se = tuple(x for x, _ in both), tuple(x for _, x in both)
            out.append(Tried(k, values, got, se, why, proposed))
        return tuple(out)

    @property
    def start(self) -> tuple[Estimate, ...]:
        """Figures of the start by goal; empty where it can't be built."""
        return tuple(self.start_figures.values())

    @cached_property
    def found(self) -> tuple[Found, ...]:
        """The best design; for two goals designs of which none beats another in both."""
        out = []
        for n, k in enumerate(self.best.tolist()):
            one = self.tried[k]
            figures, gain = (
                tuple(Estimate(x.value[n], x.se[n], x.n_replicates) for x in of.values())
                for of in (self.again, self.gain)
            )
            varied = self.scenario.varied(overrides(self.plan.moves, one.values))
            out.append(Found(one, varied, figures, gain))
        return tuple(out)

    @property
    def set_to(self) -> dict[str, NDArray[np.str_]]:
        """What the designs found set, by key, as a scenario has it, shape (N,)."""
        found = [self.tried[k].values for k in self.best.tolist()]
        return {m.key: np.array([m.text(x[m.key]) for x in found]) for m in self.plan.moves}

    @property
    def refused_for(self) -> list[tuple[str, int, str]]:
        """Keys that designs were refused for: key, how many, and one reason in full."""
        reasons: dict[str, list[str]] = {}
        for why in self.refused.tolist():
            if why:
                key = why.partition(":")[0].partition(" =")[0]
                reasons.setdefault(key, []).append(why)
        ranked = sorted(reasons.items(), key=lambda item: -len(item[1]))
        return [(key, len(texts), texts[0]) for key, texts in ranked]

    @property
    def at_bounds(self) -> list[str]:
        """Keys that the best design takes to one of their ends."""
        if len(self.best) != 1:
            return []
        values = self.tried[int(self.best[0])].values
        return [m.key for m in self.plan.moves if not m.choices and _at_end(m, values[m.key])]


def _at_end(move: Move, value: float | str) -> bool:
    near = 0.01 * (move.high - move.low)
    return isinstance(value, float | int) and (
        value == move.low or value == move.high if move.whole
        else value - move.low < near or move.high - value < near
    )  # fmt: skip


def design_of(plan: SearchPlan, tried: Tried) -> tuple[tuple[str, str], ...]:
    """Keys and values of a design, as a scenario has them.

    Parameters
    ----------
    plan : SearchPlan
    tried : Tried

    Returns
    -------
    tuple of (str, str)
    """
    return tuple(overrides(plan.moves, tried.values).items())


def best_of(plan: SearchPlan, tried: Sequence[Tried]) -> list[Tried]:
    """Best design; for two goals those that no other beats in both, from the first goal's best.

    Parameters
    ----------
    plan : SearchPlan
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
            good.setdefault(design_of(plan, t), t)
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
