"""Percentiles and spreads over builds, and how sure they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["Percentile", "percentile", "spread_error"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Percentile:
    """Figure that a share of the builds stays under, and the 95 % interval of that figure.

    Attributes
    ----------
    value : float
        Between builds by straight lines.
    low, high : float
        Bounds of its 95 % interval; infinite where there are too few builds for one.
    """

    value: float
    low: float
    high: float

    HELD: ClassVar = True


def percentile(builds: Array, q: float, *, group: int = 1, level: float = 0.95) -> Percentile:
    """Percentile over builds, with an interval that asks nothing of their distribution.

    Parameters
    ----------
    builds : ndarray, shape (B,)
        Each build's figure.
    q : float
        Per cent.
    group : int
        Builds in a row that are not independent of each other; at worst they are all alike, and
        so they are taken.
    level : float
        Chance that the interval holds the percentile of all builds there might be, at least.

    Returns
    -------
    Percentile

    Notes
    -----
    How many of n independent builds stay under the true percentile is binomial, so that two of
    the sorted builds bound it [1]_.

    References
    ----------
    .. [1] H. A. David and H. N. Nagaraja, Order Statistics, 3rd ed., Wiley, 2003, section 7.1.

    Examples
    --------
    >>> percentile(np.arange(201.0), 10.0)
    Percentile(value=20.0, low=11.0, high=29.0)
    """
    from scipy.special import bdtrik

    x = np.sort(builds)
    n, p, tail = len(x) // group, 0.01 * q, 0.5 * (1.0 - level)
    none = (1.0 - p) ** n  # chance that not one stays under it
    below, above = (
        int(np.ceil(bdtrik(chance, n, p) - 1e-9)) if chance > none else 0
        for chance in (tail, 1.0 - tail)
    )
    above += 1
    # of builds that may be alike, the k-th group stands in for k · group
    return Percentile(
        float(np.percentile(x, q)),
        float(x[(below - 1) * group]) if below > 0 else -np.inf,
        float(x[above * group - 1]) if above <= n else np.inf,
    )


def spread_error(builds: Array, *, group: int = 1) -> Array:
    """Standard error of the standard deviation between builds, by the jackknife.

    Parameters
    ----------
    builds : ndarray, shape (..., B)
    group : int
        Builds in a row that are not independent of each other, and are left out together.

    Returns
    -------
    ndarray, shape (...)
        nan for fewer than three groups.

    References
    ----------
    .. [1] B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, Chapman & Hall, 1993,
       chapter 11.
    """
    *shape, B = builds.shape
    n = B // group
    if n < 3:
        return np.full(shape, np.nan)
    x = (builds - builds.mean(axis=-1, keepdims=True))[..., : n * group].reshape(*shape, n, group)
    one, two = x.sum(axis=-1), (x**2).sum(axis=-1)
    left = (n - 1) * group
    mean = (one.sum(axis=-1, keepdims=True) - one) / left
    square = (two.sum(axis=-1, keepdims=True) - two) / left - mean**2
    sd = np.sqrt(np.maximum(square, 0.0) * left / (left - 1))
    return np.asarray(np.sqrt((n - 1) * sd.var(axis=-1)))
