"""A figure and its standard error, from independent replicates of the whole computation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Estimate"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Estimate:
    """A Monte Carlo figure with its standard error.

    Attributes
    ----------
    value : ndarray
        The estimate; any shape, also 0-d.
    se : ndarray, same shape
        Its standard error, in the unit of `value`.
    n_replicates : int
        How many independent replicates stand behind it.
    """

    value: Array
    se: Array
    n_replicates: int

    @classmethod
    def from_replicates(cls, x: Array) -> Estimate:
        """Mean over the first axis, and its standard error from the spread along it.

        Parameters
        ----------
        x : ndarray, shape (n_replicates, ...)
            The same figure from independent replicates.

        Returns
        -------
        Estimate
            The standard error is nan for a single replicate.
        """
        x = np.asarray(x, dtype=float)
        n = x.shape[0]
        se = x.std(axis=0, ddof=1) / np.sqrt(n) if n > 1 else np.full(x.shape[1:], np.nan)
        return cls(np.asarray(x.mean(axis=0)), np.asarray(se), n)

    @classmethod
    def from_jackknife(cls, f: Callable[..., Array], *x: Array) -> Estimate:
        """Smooth function of means, with the delete-one jackknife's standard error.

        A ratio of two noisy sums is biased when taken replicate by replicate; the function
        of the means is not, to first order, and the jackknife says how far it wanders.

        Parameters
        ----------
        f : callable
            Takes the means of `x` (replicate axis gone) and returns an array.
        *x : ndarray, shape (n_replicates, ...)
            Replicates of each argument of `f`.

        Returns
        -------
        Estimate
            The standard error is nan for a single replicate.

        References
        ----------
        .. [1] B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, Chapman & Hall,
           1993, chapter 11.
        """
        n = x[0].shape[0]
        value = np.asarray(f(*(a.mean(axis=0) for a in x)), dtype=float)
        if n < 2:
            return cls(value, np.full(value.shape, np.nan), n)
        sums = [a.sum(axis=0) for a in x]
        left_out = np.stack(
            [
                np.asarray(f(*((s - a[i]) / (n - 1) for s, a in zip(sums, x, strict=True))))
                for i in range(n)
            ]
        )
        spread = left_out - left_out.mean(axis=0)
        se = np.sqrt((n - 1) / n * (spread**2).sum(axis=0))
        return cls(value, np.asarray(se), n)

    def wider(self, more: float) -> Estimate:
        """The same figure with another, independent standard error added to its own.

        Parameters
        ----------
        more : float
            In the unit of `value`.

        Returns
        -------
        Estimate
        """
        return Estimate(self.value, np.asarray(np.hypot(self.se, more)), self.n_replicates)

    @property
    def relative_se(self) -> Array:
        """Standard error as a share of the value; nan where the value is zero."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.value != 0.0, self.se / np.abs(self.value), np.nan)

    def half_width(self, level: float = 0.95) -> Array:
        """Half-width of the two-sided interval, by Student's t.

        Parameters
        ----------
        level : float
            Chance that the interval holds the truth.

        Returns
        -------
        ndarray, shape of `value`
            In the unit of `value`.
        """
        from scipy.special import stdtrit

        return np.asarray(self.se * stdtrit(self.n_replicates - 1, 0.5 + 0.5 * level))

    def is_sure(self, level: float = 0.99) -> bool:
        """Whether a single figure differs from zero beyond its interval.

        Parameters
        ----------
        level : float
            Chance that the interval holds the truth.

        Returns
        -------
        bool

        Examples
        --------
        >>> Estimate(np.array(2.5), np.array(1.0), 8).is_sure()
        False
        >>> Estimate(np.array(2.5), np.array(0.0), 1).is_sure()
        True
        """
        exact = self.n_replicates < 2 or not self.se.any()
        return bool(abs(self.value) > (0.0 if exact else self.half_width(level)))

    def __getitem__(self, index: Any) -> Estimate:
        return Estimate(
            np.asarray(self.value[index]),
            np.asarray(self.se[index]),
            self.n_replicates,
        )

    def __float__(self) -> float:
        return float(self.value)

    def __str__(self) -> str:
        if self.value.ndim:
            return f"Estimate(shape={self.value.shape}, n_replicates={self.n_replicates})"
        return f"{float(self.value):.6g} ± {float(self.se):.2g}"
