"""What draws of one and the same thing say together, where some never come to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["MOST", "groups", "kept_by"]

Array = NDArray[np.float64]

MOST = 0.9  # of the draws, on which advice is to hold
GAP = 1200.0  # without any draw in it, that parts two groups [s]


def groups(times: ArrayLike, gap: float = GAP) -> list[Array]:
    """Times in groups that have nothing between them for a while.

    Parameters
    ----------
    times : array_like
        nan where it never comes to that. [s]
    gap : float
        How far apart neighbours of two groups lie at least: a wait that a cook would want to know
        of. A mean ± spread over two groups names a time at which nothing happens. [s]

    Returns
    -------
    list of ndarray
        Rising, the times within each too; those that never come are in none.

    Examples
    --------
    >>> [g.tolist() for g in groups([3000.0, 22000.0, 2800.0, float("nan")])]
    [[2800.0, 3000.0], [22000.0]]
    """
    x = np.sort(np.asarray(times, dtype=float).ravel())
    x = x[np.isfinite(x)]
    return np.split(x, np.flatnonzero(np.diff(x) > gap) + 1) if len(x) else []


def kept_by(times: ArrayLike, share: float = MOST) -> float:
    """Time that a share of the draws keep within, those that never come counted last.

    Parameters
    ----------
    times : array_like
        nan where it never comes to that. [s]
    share : float
        The fewest draws that are this share of them or more.

    Returns
    -------
    float
        nan where fewer come to it. [s]

    Examples
    --------
    >>> kept_by([5.0, 1.0, 2.0, 3.0], 0.75), kept_by([5.0, float("nan")])
    (3.0, nan)
    """
    x = np.sort(np.nan_to_num(np.asarray(times, dtype=float).ravel(), nan=np.inf))
    at = x[max(int(np.ceil(share * len(x) - 1e-9)), 1) - 1] if len(x) else np.inf
    return float(at) if np.isfinite(at) else float("nan")
