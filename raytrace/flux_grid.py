"""The square grid that the flux map of the base lies on, cut by the base's rim."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["bin_edges", "rim_area"]

Array = NDArray[np.float64]


def bin_edges(R: float, bins: int) -> Array:
    """Edges of the bins along one side of the square that holds the base, shape (bins + 1,). [m]"""
    return np.linspace(-R, R, bins + 1)


def rim_area(R: float, bins: int) -> Array:
    """Area of each bin that lies within the rim.

    Parameters
    ----------
    R : float
        Radius of the base. [m]
    bins : int
        Bins along a side of the square from -R to R.

    Returns
    -------
    area : ndarray, shape (bins, bins)
        Exact; sums to πR². [m²]

    Examples
    --------
    >>> round(float(rim_area(1.0, 7).sum() / np.pi), 12)
    1.0
    """
    edge = bin_edges(R, bins)
    x, y = np.meshgrid(edge, edge)
    corner = np.sign(x) * np.sign(y) * _quadrant(np.abs(x), np.abs(y), R)
    return np.asarray(np.maximum(np.diff(np.diff(corner, axis=0), axis=1), 0.0))


def _quadrant(x: Array, y: Array, R: float) -> Array:
    """Area of the disc within the rectangle from its centre to (x, y); x, y >= 0."""
    x, y = np.minimum(x, R), np.minimum(y, R)
    bend = np.minimum(x, np.sqrt(np.maximum(R * R - y * y, 0.0)))

    def under_arc(t: Array) -> Array:
        rest = np.sqrt(np.maximum(R * R - t * t, 0.0))
        return np.asarray(0.5 * (t * rest + R * R * np.arcsin(np.minimum(t / R, 1.0))))

    return np.asarray(y * bend + under_arc(x) - under_arc(bend))
