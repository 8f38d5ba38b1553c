"""What makes the watts uncertain: inputs that aren't known, how builds and how uses differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.light.drawn import Draws, draw_cookers, draw_inputs, light_unknowns, powers
from raytrace.optics.tally import BASE
from raytrace.statistics.likely import REPEATS, Likely, likely_of
from raytrace.studies.tolerance.sobol import indices

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.store.work import Progress

__all__ = ["BUILDS", "USES", "Causes", "causes_size", "find_causes"]

Array = NDArray[np.float64]

BUILDS, USES = "builds", "uses"  # causes beside the inputs
DRAWS = 256  # behind an interval
TOGETHER = 64  # draws between two reports of progress
BEAMS = 4  # a facet, in each draw of the rows


@dataclass(frozen=True, eq=False)
class Causes:
    """What the interval of the delivered watts is made of, cause by cause.

    Attributes
    ----------
    cause : ndarray of str, shape (C,)
        Key of an input, "builds" or "uses".
    stated : ndarray of str, shape (C,)
        How uncertain an input is.
    first, first_ci : ndarray, shape (C,)
        First-order Sobol' indices, and half-widths of 95 % bootstrap intervals. [1]
    total, total_ci : ndarray, shape (C,)
        Total indices, and half-widths of 95 % bootstrap intervals. [1]
    expected : Likely
        Watts that may be expected. [W]
    measure : tuple of str
        Fewest inputs, the weightiest first, that must be known to halve the interval; all of
        them where that is not enough.
    left : Likely
        What would be left of the interval if these were known. [W]
    """

    cause: NDArray[np.str_]
    stated: NDArray[np.str_]
    first: Array
    first_ci: Array
    total: Array
    total_ci: Array
    expected: Likely
    measure: tuple[str, ...]
    left: Likely

    DIMS: ClassVar = {"C": "cause"}
    COORDS: ClassVar = {"cause": "cause"}

    @property
    def halved(self) -> bool:
        """Whether knowing what is to be measured halves the interval."""
        return _width(self.left) <= 0.5 * _width(self.expected)


def find_causes(
    scenario: Scenario,
    rows: int,
    *,
    seed: int,
    progress: Progress | None = None,
    threads: int | None = None,
) -> Causes:
    """Share out what makes the delivered watts uncertain.

    Parameters
    ----------
    scenario : Scenario
    rows : int
        Of the pick-freeze design; each takes as many draws as there are causes, and two. [1]
    seed : int
        Key of all random numbers.
    progress : callable, optional
        Takes how many draws of the rows are done, and of how many.
    threads : int, optional
        Changes no bit of the result.

    Returns
    -------
    Causes

    Raises
    ------
    GeometryError, ScenarioError
        If a cooker that is drawn can't be set or stood up.
    """
    unknowns = light_unknowns(scenario)
    names = (*(u.key for u in unknowns), BUILDS, USES)
    draws = _design(scenario, rows, names, seed)
    watts = []
    for first in range(0, len(draws), TOGETHER):
        part = draws[first : first + TOGETHER]
        watts.append(powers(part, seed=seed, beams=BEAMS, threads=threads)[:, BASE])
        if progress is not None:
            progress(min(first + TOGETHER, len(draws)), len(draws))
    found = indices(np.concatenate(watts), names, seed=seed)

    def known(measured: Sequence[str]) -> Likely:
        keys = tuple(u.key for u in unknowns if u.key not in measured)
        drawn = draw_cookers(scenario, DRAWS, seed=seed, keys=keys)
        return likely_of(powers(drawn, seed=seed, beams=BEAMS, threads=threads)[:, BASE])

    expected = left = known(())
    total = found.total[-1]
    order = [names[k] for k in np.argsort(-total) if k < len(unknowns) and total[k] > 0.0]
    measure: tuple[str, ...] = ()
    for name in order:
        if _width(left) <= 0.5 * _width(expected):
            break
        measure = (*measure, name)
        left = known(measure)
    return Causes(
        np.array(names),
        np.array([*(u.text for u in unknowns), "", ""]),
        found.first[-1],
        found.first_ci[-1],
        total,
        found.total_ci[-1],
        expected,
        measure,
        left,
    )


def causes_size(scenario: Scenario, rows: int) -> int:
    """Draws that so many rows take.

    Parameters
    ----------
    scenario : Scenario
    rows : int

    Returns
    -------
    int
    """
    return rows * (len(light_unknowns(scenario)) + 4)


def _width(found: Likely) -> float:
    return found.high - found.low


def _design(scenario: Scenario, rows: int, names: Sequence[str], seed: int) -> Draws:
    """Pick-freeze draws, row by row: A, A with each cause from B in turn, B."""
    laws = [u.law for u in light_unknowns(scenario)]
    U, size = len(laws), len(names) + 2
    # all 2 U numbers of a row spread evenly together, in sets that are mixed
    both = draw_inputs([*laws, *laws], rows, key=(seed, 1))
    both = both.reshape(REPEATS, -1, 2 * U).swapaxes(0, 1).reshape(-1, 2 * U)[:rows]
    row = np.arange(rows)
    column = np.arange(size)
    swapped = (column[:, None] == np.arange(len(names)) + 1) | (column[:, None] == size - 1)
    values = np.where(swapped[None, :, :U], both[:, None, U:], both[:, None, :U])
    build, use = ((row[:, None] + np.where(swapped[:, k], rows, 0)).ravel() for k in (U, U + 1))
    return Draws(scenario, tuple(names[:U]), values.reshape(-1, U), build, use)
