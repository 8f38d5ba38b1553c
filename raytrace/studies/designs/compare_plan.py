"""What to compare, and which designs that makes."""

from __future__ import annotations

import itertools
import math
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SettingsError
from raytrace.studies.designs.factors import Factor
from raytrace.studies.designs.objectives import Ask

__all__ = ["ComparePlan", "Design", "designs_of", "sample_points"]

Array = NDArray[np.float64]

MOST_DESIGNS = 1_000_000


@dataclass(frozen=True)
class ComparePlan:
    """What to compare.

    Attributes
    ----------
    factors : tuple of Factor
        Keys that are varied in every scenario; none to compare scenarios as they are.
    ask : Ask
        What to measure, how exactly, and all keys but the sample's.
    sample : int or None
        So many designs spread evenly over the factors' ranges; None for the whole grid.
    seed : int
        Of the sample.
    by : str
        Outcome that designs are ranked by; by default the first that is measured.
    draws : int
        Draws of all that isn't known, of building and of use, for what may be expected of the
        design with most watts; 0 for none. [1]
    """

    factors: tuple[Factor, ...] = ()
    ask: Ask = field(default_factory=Ask)
    sample: int | None = None
    seed: int = 1
    by: str = ""
    draws: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "by", self.by or self.ask.outcomes[0])
        if self.by not in self.ask.outcomes:
            raise SettingsError(f"designs are ranked by {self.by}, which isn't measured")
        if self.sample is not None and (self.sample < 1 or not self.factors):
            raise SettingsError("a sample needs a key that is varied, and one design or more")
        if not 1 <= self.size <= MOST_DESIGNS:
            raise SettingsError(f"{self.size} designs are too many: {MOST_DESIGNS} at most")

    @property
    def size(self) -> int:
        """Designs of each scenario."""
        grid = math.prod(len(f.levels) for f in self.factors) if self.sample is None else 0
        return grid if self.sample is None else self.sample

    @property
    def decides(self) -> dict[str, Any]:
        """What decides the numbers: all but the ranking."""
        return {name: value for name, value in asdict(self).items() if name != "by"}


@dataclass(frozen=True)
class Design:
    """One design.

    Attributes
    ----------
    number : int
        From 1. [1]
    scenario : int
        Which of the scenarios. [1]
    values : tuple of str
        By factor, as a scenario has them.
    """

    number: int
    scenario: int
    values: tuple[str, ...]


def sample_points(count: int, dimensions: int, seed: int) -> Array:
    """Points spread evenly over a unit cube.

    Parameters
    ----------
    count, dimensions : int
    seed : int
        Key of the scrambling.

    Returns
    -------
    ndarray, shape (count, dimensions)
        The first of a scrambled Sobol' sequence, of which any number fills the cube evenly.
    """
    from scipy.stats import qmc

    sobol = qmc.Sobol(dimensions, seed=np.random.default_rng([seed, dimensions]))
    power = max(math.ceil(math.log2(count)), 0)
    return np.asarray(sobol.random_base2(power)[:count])


def designs_of(plan: ComparePlan, scenarios: int = 1) -> tuple[Design, ...]:
    """Designs of a plan, in order; a sample's have no two alike.

    Parameters
    ----------
    plan : ComparePlan
    scenarios : int
        How many there are.

    Returns
    -------
    tuple of Design
    """
    if plan.sample is None:
        rows = list(itertools.product(*(f.levels for f in plan.factors)))
    else:
        rows, tried = [], plan.sample
        while len(rows) < plan.sample and tried <= 64 * plan.sample:
            points = sample_points(tried, len(plan.factors), plan.seed)
            texts = (
                tuple(f.at(float(x)) for f, x in zip(plan.factors, point, strict=True))
                for point in points
            )
            rows, tried = list(dict.fromkeys(texts))[: plan.sample], 2 * tried
    pairs = itertools.product(range(scenarios), rows)
    return tuple(Design(k + 1, which, values) for k, (which, values) in enumerate(pairs))
