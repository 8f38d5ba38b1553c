"""Keys that are varied, and over which values."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.units import UnitError, read_number
from raytrace.studies.designs.variables import Move, read_moves

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Factor", "levels_of", "read_factors"]

Array = NDArray[np.float64]

LEVELS = 5  # of a range without a step
BINS = 6  # that a sampled range is cut into for its effects


@dataclass(frozen=True)
class Factor:
    """A key that is varied.

    Attributes
    ----------
    move : Move
        Key, and where it may go.
    step : float or None
        Between the levels of a range, in its unit; None for five levels, or every whole number.
    """

    move: Move
    step: float | None = None

    @property
    def key(self) -> str:
        """As in a scenario."""
        return self.move.key

    @property
    def levels(self) -> tuple[str, ...]:
        """Values on a grid, as a scenario has them."""
        move = self.move
        if move.choices:
            return move.choices
        step = self.step
        if step is None:
            step = 1.0 if move.whole else (move.high - move.low) / (LEVELS - 1)
        count = math.floor((move.high - move.low) / step + 1e-9) + 1
        return tuple(
            dict.fromkeys(move.text(self._kept(move.low + k * step)) for k in range(count))
        )

    def _kept(self, value: float) -> float:
        return round(value) if self.move.whole else value

    @cached_property
    def _numbers(self) -> tuple[str, tuple[float, ...]] | None:
        """Unit and numbers of choices that are numbers of one unit, else None."""
        try:
            read = [read_number(choice) for choice in self.move.choices]
        except UnitError:
            return None
        units = {unit for _, unit in read}
        return (units.pop(), tuple(x for x, _ in read)) if len(units) == 1 else None

    @property
    def numeric(self) -> bool:
        """Whether its values are numbers of one unit."""
        return not self.move.choices or self._numbers is not None

    @property
    def unit(self) -> str:
        """Of its numbers; "" where they have none."""
        if self.move.choices:
            return self._numbers[0] if self._numbers is not None else ""
        return self.move.unit

    def at(self, share: float) -> str:
        """Value at a share of the way between the ends.

        Parameters
        ----------
        share : float
            From 0, below 1.

        Returns
        -------
        str
        """
        move = self.move
        if move.choices:
            return move.choices[int(share * len(move.choices))]
        if move.whole:
            return move.text(int(move.low + math.floor(share * (move.high - move.low + 1.0))))
        return move.text(move.low + share * (move.high - move.low))

    def number(self, value: str) -> float:
        """Value as a number: in its `unit`, or its place among choices that are none.

        Parameters
        ----------
        value : str

        Returns
        -------
        float

        Examples
        --------
        >>> Factor(Move("pot.diameter", "mm", 200.0, 300.0)).number("240 mm")
        240.0
        """
        if self.move.choices:
            place = self.move.choices.index(value)
            return float(place) if self._numbers is None else self._numbers[1][place]
        return float(value.split()[0])


def read_factors(scenario: Scenario, texts: Sequence[str]) -> tuple[Factor, ...]:
    """Factors from text: ``facets.rows=3..9 step 2``, ``pot.diameter=20..30 cm`` or a list.

    Parameters
    ----------
    scenario : Scenario
        Whose keys are varied.
    texts : sequence of str
        As for `raytrace.studies.designs.variables.read_moves`, a range with a step if wanted, in
        its unit.

    Returns
    -------
    tuple of Factor

    Raises
    ------
    ScenarioError
        If some can't be read; all problems at once.
    """
    plain, steps, problems = [], [], []
    for text in texts:
        found = re.fullmatch(r"(.*\.\..*?)\s+step\s+([\d.eE+\-]+)\s*(.*)", text.strip())
        plain.append(found[1] if found else text)
        steps.append(found and (found[2], found[3]))
    moves = read_moves(scenario, plain, source="--vary")
    factors = []
    for move, said in zip(moves, steps, strict=True):
        step = None
        if said:
            try:
                step = float(said[0])
            except ValueError:
                step = math.nan
            span = move.high - move.low
            if said[1] not in ("", move.unit):
                problems.append(Problem(move.key, f"write the step in {move.unit or 'numbers'}."))
            elif not 0.0 < step <= span or (move.whole and step != int(step)):
                problems.append(
                    Problem(move.key, f"the step must be over 0 and at most {span:g} {move.unit}.")
                )
            elif span / step > 10_000:
                problems.append(Problem(move.key, "10 000 levels at most."))
            if not math.isnan(step):
                # levels are written to as many decimals as bounds and step have
                ends = (move.low, step)
                move = replace(move, decimals=max(map(_decimals, ends), default=0))
        factors.append(Factor(move, step))
    if problems:
        raise ScenarioError("--vary", problems)
    return tuple(factors)


def _decimals(value: float) -> int:
    text = f"{value:.12f}".rstrip("0")
    return len(text.partition(".")[2])


def levels_of(
    factor: Factor, at: Array, *, sampled: bool
) -> tuple[tuple[str, ...], Array, NDArray[np.int64]]:
    """Names and places of a factor's levels, and which each design has.

    Parameters
    ----------
    factor : Factor
    at : ndarray, shape (D,)
        Values of the designs, as in `Factor.number`.
    sampled : bool
        Whether they were drawn; a range is then cut into parts.

    Returns
    -------
    names : tuple of str
    places : ndarray, shape (L,)
    which : ndarray of int, shape (D,)
        Index into these.
    """
    move = factor.move
    if not sampled or move.choices or (move.whole and move.high - move.low < 2 * BINS):
        levels = (
            factor.levels
            if not sampled or move.choices
            else tuple(move.text(k) for k in range(int(move.low), int(move.high) + 1))
        )
        places = np.array([factor.number(v) for v in levels])
        return levels, places, np.abs(at[:, None] - places).argmin(axis=1)
    edges = np.linspace(move.low, move.high, BINS + 1)
    middles = 0.5 * (edges[1:] + edges[:-1])
    which = np.clip(np.searchsorted(edges, at, side="right") - 1, 0, BINS - 1)
    spans = itertools.pairwise(edges)
    return tuple(f"{a:.4g} to {b:.4g} {move.unit}".strip() for a, b in spans), middles, which
