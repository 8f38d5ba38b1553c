"""What may be expected of a figure: its interval over draws, and what the interval is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEVEL", "REPEATS", "Likely", "likely_of"]

Array = NDArray[np.float64]

LEVEL = 0.95
NONE = np.zeros(0)
REPEATS = 8  # independent sets that draws come in


@dataclass(frozen=True)
class Likely:
    """What may be expected of a figure, in its own unit.

    Attributes
    ----------
    middle : float
        Median over the draws; infinite where half of them never come to it.
    low, high : float
        Ends of the 95 % interval: of 40 draws one lies below and one above. Infinite where so
        many draws never come to it.
    low_se, high_se : float
        Their standard errors.
    mean, mean_se : float
        Over the draws that come to it, and its standard error.
    spread : float
        Standard deviation over the same.
    inputs, builds, uses : float
        Standard deviation where that alone is drawn: what isn't known, how builds differ, how
        each use differs; nan where none was.
    never : float
        Share of the draws that never come to it. [1]
    count : int
        How many draws. [1]
    """

    middle: float
    low: float
    high: float
    low_se: float
    high_se: float
    mean: float
    mean_se: float
    spread: float
    inputs: float
    builds: float
    uses: float
    never: float
    count: int

    HELD: ClassVar = True


def likely_of(draws: Array, alone: Mapping[str, Array] | None = None) -> Likely:
    """Interval and parts of a figure from draws of it.

    Parameters
    ----------
    draws : ndarray, shape (K,)
        In `REPEATS` equal independent sets, one after the other; nan where it never comes to it.
    alone : mapping of str to ndarray, optional
        Draws in which one kind alone was drawn: "inputs", "builds", "uses".

    Returns
    -------
    Likely

    Notes
    -----
    The probabilistically symmetric coverage interval of JCGM 101:2008, section 7.7. The ends are
    sorted draws, the k-th of K for a share of k/(K + 1): one more draw falls between them as often
    as it should, however few they are. How many of K independent draws lie below an end is
    binomial, so that its standard error is half the way between the draws one standard deviation
    before and after it; draws that are spread evenly do better.
    """
    alone = {} if alone is None else alone
    x = np.where(np.isfinite(draws), draws, np.inf)
    tail = 0.5 * (1.0 - LEVEL)
    shares = np.array([0.5, tail, 1.0 - tail])
    middle, low, high = _at(x, shares).tolist()
    slack = np.sqrt(tail * (1.0 - tail) / len(x))
    with np.errstate(invalid="ignore"):
        se = 0.5 * (_at(x, shares + slack) - _at(x, shares - slack))
    sets = x.reshape(REPEATS, -1)
    comes = x[np.isfinite(x)]
    means = [row[np.isfinite(row)].mean() for row in sets if np.isfinite(row).any()]
    return Likely(
        middle=middle,
        low=low,
        high=high,
        low_se=float(se[1]),
        high_se=float(se[2]),
        mean=float(comes.mean()) if len(comes) else float("nan"),
        mean_se=float(np.std(means, ddof=1) / np.sqrt(len(means))) if len(means) > 1 else np.nan,
        spread=_spread(x),
        inputs=_spread(alone.get("inputs", NONE)),
        builds=_spread(alone.get("builds", NONE)),
        uses=_spread(alone.get("uses", NONE)),
        never=float(1.0 - len(comes) / len(x)),
        count=len(x),
    )


def _at(x: Array, shares: Array) -> Array:
    """Draws at shares of all, the infinite last; the shape of shares."""
    y = np.sort(x)
    place = np.clip(shares * (len(y) + 1.0) - 1.0, 0.0, len(y) - 1.0)
    below = np.floor(place).astype(int)
    above = np.minimum(below + 1, len(y) - 1)
    part = place - below
    with np.errstate(invalid="ignore"):
        between = y[below] + part * (y[above] - y[below])
    return np.asarray(np.where((part > 0.0) & (y[below] < y[above]), between, y[below]))


def _spread(x: Array) -> float:
    comes = x[np.isfinite(x)]
    return float(comes.std(ddof=1)) if len(comes) > 1 else float("nan")
