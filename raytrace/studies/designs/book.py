"""Designs tried so far, which an optimiser learns from."""

from __future__ import annotations

import contextlib
import math
import warnings
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.studies.designs.objectives import OUTCOMES
from raytrace.studies.designs.search_data import SearchPlan, Tried
from raytrace.studies.designs.variables import Move, start_of

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Book", "part_of"]


def part_of(tried: Tried) -> dict[str, Any]:
    """A design as finished parts keep it, from which `Book` goes on.

    Parameters
    ----------
    tried : Tried

    Returns
    -------
    dict
    """
    figures = {"figures": np.array(tried.figures), "se": np.array(tried.se)}
    return {**figures, "refused": tried.refused, **tried.meant}


class Book:
    """Designs tried so far, which the optimiser learns from.

    Every design that is asked for has random numbers of its own, keyed on the seed and on how many
    went before. So a search that was stopped and continued tries the same designs as one that was
    not.

    Parameters
    ----------
    scenario : Scenario
    plan : SearchPlan
    done : mapping of str to mapping
        Finished parts by number, see `part_of`.

    Attributes
    ----------
    tried : list of Tried
        Designs that are done, in order.
    """

    def __init__(
        self, scenario: Scenario, plan: SearchPlan, done: Mapping[str, Mapping[str, Any]]
    ) -> None:
        import optuna

        optuna.logging.set_verbosity(optuna.logging.ERROR)
        self.plan = plan
        self.tried: list[Tried] = []
        way = optuna.study.StudyDirection
        ways = [way.MAXIMIZE if OUTCOMES[g].more else way.MINIMIZE for g in plan.goals]
        self._first = list(_first_designs(scenario, plan))
        self._study = optuna.create_study(directions=ways)
        # design k follows from those before it, so a gap ends what can be used
        while (part := done.get(str(len(self.tried)))) is not None:
            one = self.proposed({move.key: part[move.key] for move in plan.moves})
            figures, se = (tuple(part[x].tolist()) for x in ("figures", "se"))
            self.add(Tried(one.number, one.values, figures, se, part["refused"], one.meant))

    def proposed(self, meant: Mapping[str, float | str]) -> Tried:
        """A design before it is traced.

        Parameters
        ----------
        meant : mapping of str to float or str
            Values by key, as the optimiser proposes them.

        Returns
        -------
        Tried
        """
        values = {move.key: move.kept(meant[move.key]) for move in self.plan.moves}
        return Tried(len(self.tried), values, meant=meant)

    def next(self) -> Tried:
        """Next design to try."""
        import optuna

        number = len(self.tried)
        if number < len(self._first):
            return self.proposed(self._first[number])
        with _quiet():
            self._study.sampler = optuna.samplers.TPESampler(
                seed=_key(self.plan.seed, number),
                n_startup_trials=_startup(self.plan),
                multivariate=True,
                constant_liar=False,
            )
            return self.proposed(dict(self._study.ask(_distributions(self.plan)).params))

    def add(self, tried: Tried) -> None:
        """Learn from a design.

        Parameters
        ----------
        tried : Tried
        """
        from optuna.trial import TrialState, create_trial

        trial = create_trial(
            state=TrialState.PRUNED if tried.refused else TrialState.COMPLETE,
            values=None if tried.refused else list(tried.figures),
            params=dict(tried.meant),
            distributions=_distributions(self.plan),
        )
        with _quiet():
            self._study.add_trial(trial)
        self.tried.append(tried)


def _distributions(plan: SearchPlan) -> dict[str, Any]:
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


def _startup(plan: SearchPlan) -> int:
    """Designs spread over all bounds before the optimiser learns from them: a power of two."""
    return int(2 ** math.ceil(math.log2(4 * max(len(plan.moves), 2))))


def _first_designs(scenario: Scenario, plan: SearchPlan) -> Iterator[dict[str, float | str]]:
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
