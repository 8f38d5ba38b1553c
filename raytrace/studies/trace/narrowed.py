"""How much narrower the watts are once something was learned, and what they still hang on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.light.drawn import draw_cookers, powers
from raytrace.optics.tally import BASE

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Narrowed", "narrowed"]

Array = NDArray[np.float64]

DRAWS = 128
NOISE = 4.0 / DRAWS  # of a share: chance alone gives 1/DRAWS on average


@dataclass(frozen=True, eq=False)
class Narrowed:
    """Watts on the base at the design sun, before and after something was learned.

    Attributes
    ----------
    before, after : ndarray, shape (K,)
        Draw by draw: inputs, builds and uses. [W]
    main : str
        Key of the number that most of what is left hangs on; empty if none stands out.
    share : float
        Part of the variance that would go if that number alone were known. [1]
    """

    before: Array
    after: Array
    main: str
    share: float


def narrowed(
    before: Scenario, after: Scenario, *, seed: int, threads: int | None = None
) -> Narrowed:
    """Draw a cooker's watts before and after something was learned of it.

    Parameters
    ----------
    before, after : Scenario
    seed : int
        Key of all draws.
    threads : int, optional
        Changes no bit of the result.

    Returns
    -------
    Narrowed

    Notes
    -----
    The share of a number is its squared correlation with the watts: what a straight line in it
    explains of their variance.
    """
    was, now = (draw_cookers(s, DRAWS, seed=seed) for s in (before, after))
    watts_before, watts_after = (powers(d, seed=seed, threads=threads)[:, BASE] for d in (was, now))
    shares = {
        key: float(np.corrcoef(column, watts_after)[0, 1] ** 2)
        for key, column in zip(now.keys, now.values.T, strict=True)
        if column.std() > 0.0
    }
    main = max(shares, key=shares.__getitem__, default="")
    if not main or shares[main] < NOISE:
        return Narrowed(watts_before, watts_after, "", 0.0)
    return Narrowed(watts_before, watts_after, main, shares[main])
