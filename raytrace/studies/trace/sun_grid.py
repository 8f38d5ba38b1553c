"""Grids of suns that follow what a cooker makes of them, and cubic splines between their nodes."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["between", "first_nodes", "refined"]

Array = NDArray[np.float64]

FEWEST = 4  # nodes of a cubic spline
AT_ONCE = 4096  # places that are read in one go


def first_nodes(low: float, high: float, marks: Sequence[float]) -> Array:
    """Nodes to begin with: both ends, the marks between them, and four at least.

    Parameters
    ----------
    low, high : float
        [rad]
    marks : sequence of float
        [rad]

    Returns
    -------
    ndarray, shape (N,)
        Rising. [rad]

    Examples
    --------
    >>> first_nodes(0.0, 3.0, [1.0, 9.0]).tolist()
    [0.0, 0.5, 1.0, 3.0]
    """
    nodes = np.unique([low, high, *(m for m in marks if low < m < high)])
    while len(nodes) < FEWEST:
        nodes = np.insert(nodes, 1, 0.5 * (nodes[0] + nodes[1]))
    return nodes


def refined(
    nodes: Array, sample: Callable[[Array], Array], *, tolerance: float, least: float
) -> Array:
    """Add nodes until a cubic spline through them meets the functions half-way between.

    Parameters
    ----------
    nodes : ndarray, shape (N,)
        Rising. [rad]
    sample : callable
        Takes places, shape (M,), and gives functions there, shape (M, K).
    tolerance : float
        How far off a spline may be half-way between two nodes, in the functions' unit.
    least : float
        No two nodes are put closer together than this. [rad]

    Returns
    -------
    ndarray
        Rising, those given among them. [rad]
    """
    values = sample(nodes)
    doubtful = np.ones(len(nodes) - 1, dtype=bool)
    while True:
        k = np.flatnonzero(doubtful & (np.diff(nodes) >= 2.0 * least))
        if not len(k):
            return nodes
        middles = 0.5 * (nodes[k] + nodes[k + 1])
        found = sample(middles)
        off = np.abs(found - _spline(nodes, values)(middles)).max(axis=1)
        k, middles, found = (x[off > tolerance] for x in (k, middles, found))
        nodes, values = np.insert(nodes, k + 1, middles), np.insert(values, k + 1, found, axis=0)
        # both halves of a part that was off are in doubt, and the parts beside it
        doubtful = np.zeros(len(nodes) - 1, dtype=bool)
        beside = k + np.arange(len(k)) + np.arange(-1, 3)[:, None]
        doubtful[np.clip(beside, 0, len(doubtful) - 1)] = True


def between(grid: tuple[Array, Array], values: Array, places: tuple[Array, Array]) -> Array:
    """Read values on a grid between its nodes, by cubic splines along both axes.

    Parameters
    ----------
    grid : tuple of ndarray, shape (A,) and (G,)
        Rising, four or more of each.
    values : ndarray, shape (A, G, n)
    places : tuple of ndarray, shape (N,)
        On the grid.

    Returns
    -------
    ndarray, shape (N, n)
        In the unit of the values.
    """
    from scipy.interpolate import BSpline

    across = _spline(grid[1], values.swapaxes(0, 1))
    both = _spline(grid[0], across.c.swapaxes(0, 1))
    out = np.empty((len(places[0]), values.shape[2]))
    for first in range(0, len(out), AT_ONCE):
        x, y = (p[first : first + AT_ONCE] for p in places)
        along = BSpline.design_matrix(x, both.t, both.k) @ both.c.reshape(len(grid[0]), -1)
        weights = BSpline.design_matrix(y, across.t, across.k).toarray()
        out[first : first + AT_ONCE] = np.einsum(
            "ngk,ng->nk", along.reshape(len(x), len(grid[1]), -1), weights
        )
    return out


def _spline(nodes: Array, values: Array):  # type: ignore[no-untyped-def]
    from scipy.interpolate import make_interp_spline

    return make_interp_spline(nodes, values, k=3)
