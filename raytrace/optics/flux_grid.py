"""The square grid that the flux map of the base lies on, cut by the base's rim."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["bin_edges", "circle_area", "rim_area"]

Array = NDArray[np.float64]


def bin_edges(R: float, bins: int) -> Array:
    """Edges of the bins along one side of the square that holds the base.

    Parameters
    ----------
    R : float
        Radius of the base. [m]
    bins : int
        Along a side.

    Returns
    -------
    ndarray, shape (bins + 1,)
        [m]
    """
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
    # by symmetry each bin stands for one in the first quadrant, its near corner (x0, y0)
    edge = bin_edges(1.0, bins)
    near = np.minimum(np.abs(edge[:-1]), np.abs(edge[1:]))
    far = np.maximum(np.abs(edge[:-1]), np.abs(edge[1:]))
    if bins % 2:  # the middle row lies on both sides of the axis: twice its half
        near[bins // 2] = 0.0
    share = _quadrant_bin(near[None, :], near[:, None], far[None, :], far[:, None])
    double = np.where(np.arange(bins) == 0.5 * (bins - 1), 2.0, 1.0)
    return np.asarray(R * R * share * double[None, :] * double[:, None])


def circle_area(edges: Array, centre: tuple[float, float], radii: Array) -> Array:
    """Area of each bin that lies within circles about a point.

    Parameters
    ----------
    edges : ndarray, shape (bins + 1,)
        Along either side. [m]
    centre : tuple of float
        Along x and y. [m]
    radii : ndarray, shape (K,)
        [m]

    Returns
    -------
    area : ndarray, shape (K, bins, bins)
        First y, then x; exact but for rounding. [m²]

    Examples
    --------
    >>> area = circle_area(np.linspace(-1.0, 1.0, 6), (0.1, 0.2), np.array([0.5]))
    >>> round(float(area.sum() / (0.25 * np.pi)), 12)
    1.0
    """
    x, y = (edges - c for c in centre)
    (near_x, far_x), (near_y, far_y) = _reach(x), _reach(y)
    nearest = np.hypot(near_y[:, None], near_x[None])
    farthest = np.hypot(far_y[:, None], far_x[None])
    out = np.where(farthest <= radii[:, None, None], np.outer(np.diff(y), np.diff(x)), 0.0)
    k, j, i = np.nonzero((nearest < radii[:, None, None]) & (farthest > radii[:, None, None]))
    r = radii[k]
    cut = np.zeros(len(k))
    for right, top in ((0, 0), (0, 1), (1, 0), (1, 1)):
        u, v, none = x[i + right] / r, y[j + top] / r, np.zeros(len(k))
        signed = np.sign(u) * np.sign(v) * _quadrant_bin(none, none, np.abs(u), np.abs(v))
        cut += signed if right == top else -signed
    out[k, j, i] = r * r * cut
    return np.asarray(out)


def _reach(edges: Array) -> tuple[Array, Array]:
    """Least and greatest distance of each bin from zero along one side."""
    size = np.abs(edges)
    within = edges[:-1] * edges[1:] < 0.0
    near = np.where(within, 0.0, np.minimum(size[:-1], size[1:]))
    return near, np.maximum(size[:-1], size[1:])


def _quadrant_bin(x0: Array, y0: Array, x1: Array, y1: Array) -> Array:
    """Area of the unit disc within [x0, x1] × [y0, y1], all at or above 0, to its last digits.

    Differences of areas from the centre would leave rounding in bins that the rim only touches.
    """
    x0, y0, x1, y1 = np.broadcast_arrays(x0, y0, x1, y1)
    whole = x1 * x1 + y1 * y1 <= 1.0
    # a corner on the rim, as at 3-4-5 triangles, may come out within it by rounding
    outside = x0 * x0 + y0 * y0 >= 1.0 - 1e-12
    a = np.clip(_beside(y1), x0, x1)  # the rim enters over the top or by the left side
    b = np.clip(_beside(y0), x0, x1)  # and leaves by the right side or through the floor
    top, low = np.clip(_beside(a), y0, y1), np.clip(_beside(b), y0, y1)
    under_chord = (a - x0) * (y1 - y0) + 0.5 * (b - a) * ((top - y0) + (low - y0))
    turn = 2.0 * np.arcsin(0.5 * np.hypot(b - a, top - low))
    bulge = np.where(turn < 1e-2, turn**3 / 6.0 * (1.0 - turn**2 / 20.0), turn - np.sin(turn))
    cut = under_chord + 0.5 * bulge
    full = (x1 - x0) * (y1 - y0)
    return np.where(outside, 0.0, np.where(whole, full, np.minimum(cut, full)))


def _beside(t: Array) -> Array:
    return np.sqrt(np.maximum((1.0 - t) * (1.0 + t), 0.0))
