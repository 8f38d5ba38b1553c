"""What measurements leave of the laws of numbers that are not known: weights on draws of them.

Numbers are drawn from what is known of them, as standard normals; each draw is as likely as the
residuals at its numbers are short. Where few draws carry the weight, more are drawn about what a
straight-line fit says of the numbers, and all are weighed by the mixture that they came from.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Gaussian", "Lines", "Weighed", "fitted", "resampled", "straight", "weigh"]

Array = NDArray[np.float64]

WIDER = 1.25  # than the fit says: proposals with too thin tails miss what it has wrong
FITTED = 8.0  # draws of weight for each number of a fit, at least
FITS = 3  # of the lines to the weights that they give


@dataclass(frozen=True, eq=False)
class Gaussian:
    """Normal law of D numbers.

    Attributes
    ----------
    mean : ndarray, shape (D,)
    covariance : ndarray, shape (D, D)
    """

    mean: Array
    covariance: Array


@dataclass(frozen=True, eq=False)
class Lines:
    """Residuals of P measurements as straight lines of F numbers, each standard normal before.

    Attributes
    ----------
    start : ndarray, shape (P,)
        Where all numbers are 0, as multiples of their standard errors.
    slope : ndarray, shape (P, F)
    noise : ndarray, shape (P, P)
        Covariance about the lines, beside the measurements' own errors.
    """

    start: Array
    slope: Array
    noise: Array

    @property
    def law(self) -> Gaussian:
        """What the measurements leave of the numbers, as far as the lines go."""
        return straight(self.start, self.slope, self.noise)

    def misfit(self, x: Array) -> Array:
        """Squared length of the residuals that the lines give, over their covariance.

        Parameters
        ----------
        x : ndarray, shape (K, F)

        Returns
        -------
        ndarray, shape (K,)
            χ² of P degrees of freedom where numbers and errors are as stated. [1]
        """
        L = np.linalg.cholesky(np.eye(len(self.start)) + self.noise)
        return np.asarray((np.linalg.solve(L, (self.start + x @ self.slope.T).T) ** 2).sum(axis=0))

    def log_likelihood(self, x: Array) -> Array:
        """Logarithm of the likelihood, but for a constant.

        Parameters
        ----------
        x : ndarray, shape (K, F)

        Returns
        -------
        ndarray, shape (K,)
        """
        return -0.5 * self.misfit(x)


@dataclass(frozen=True, eq=False)
class Weighed:
    """K draws of F numbers that are standard normal before anything is measured.

    Attributes
    ----------
    x : ndarray, shape (K, F)
    lines : Lines
        How the residuals hang on them where the weight is.
    weight : ndarray, shape (K,)
        Of sum 1.
    """

    x: Array
    lines: Lines
    weight: Array

    @property
    def effective(self) -> float:
        """How many equally likely draws they are worth: Kish's effective sample size."""
        return float(1.0 / (self.weight**2).sum())


def straight(residual_at_0: Array, slope: Array, noise: Array | None = None) -> Gaussian:
    """Law of numbers on which residuals hang in straight lines, in closed form.

    Parameters
    ----------
    residual_at_0 : ndarray, shape (P,)
        Where all numbers are 0, as multiples of their standard errors.
    slope : ndarray, shape (P, D)
    noise : ndarray, shape (P, P), optional
        Covariance that other causes add to the residuals' own.

    Returns
    -------
    Gaussian

    Notes
    -----
    The normal linear model with a standard normal prior: precision 1 + B' V^-1 B [1]_.

    References
    ----------
    .. [1] A. Gelman et al., Bayesian Data Analysis, 3rd ed., CRC Press, 2013, section 14.8.

    Examples
    --------
    One number of variance 1, measured as 2 with a standard error of 1:

    >>> found = straight(np.array([2.0]), np.array([[-1.0]]))
    >>> found.mean.tolist(), found.covariance.tolist()
    ([1.0], [[0.5]])
    """
    P, D = slope.shape
    V = np.eye(P) if noise is None else np.eye(P) + noise
    right = np.linalg.solve(V, np.column_stack([slope, residual_at_0]))
    covariance = np.asarray(np.linalg.inv(np.eye(D) + slope.T @ right[:, :D]), dtype=float)
    return Gaussian(np.asarray(-covariance @ (slope.T @ right[:, D])), covariance)


def fitted(x: Array, residual: Array, weight: Array) -> Lines:
    """Straight lines through the residuals of draws.

    Parameters
    ----------
    x : ndarray, shape (K, F)
    residual : ndarray, shape (K, P)
    weight : ndarray, shape (K,)
        Of each draw in the fit.

    Returns
    -------
    Lines
        What they don't explain counts as noise.
    """
    w = weight / weight.sum()
    A = np.column_stack([np.ones(len(x)), x])
    scaled = A * np.sqrt(w)[:, None]
    # a trace of ridge, for numbers that the weighted draws hardly vary
    normal = scaled.T @ scaled + 1e-9 * np.eye(A.shape[1])
    lines = np.linalg.solve(normal, scaled.T @ (residual * np.sqrt(w)[:, None]))
    left = residual - A @ lines
    return Lines(lines[0], lines[1:].T, (left * w[:, None]).T @ left)


def weigh(
    simulate: Callable[[Array, int], tuple[Array, Array]],
    D: int,
    *,
    each: int,
    enough: float,
    rounds: int,
    key: tuple[int, ...],
) -> Weighed:
    """Draw numbers and weigh them by how well they go with what was measured.

    Parameters
    ----------
    simulate : callable
        Takes draws, shape (n, D), and how many came before; gives what their residuals hang on,
        shape (n, F), of which the first D are the draws, the others standard normal numbers drawn
        beside them; and the residuals, shape (n, P), as multiples of their standard errors and
        independent of each other.
    D : int
        How many numbers, each standard normal before.
    each : int
        Draws a round.
    enough : float
        Effective draws after which no further round is made.
    rounds : int
        At most; at least two are made, so that the lines are those where the weight is.
    key : tuple of int
        Of all that is random.

    Returns
    -------
    Weighed

    Notes
    -----
    Adaptive multiple importance sampling [1]_: the first round is drawn from the prior, each
    further one from a normal law fitted to all draws, and each draw is weighed by the mixture of
    all laws drawn from [2]_. The prior's share of the mixture keeps all weights bounded.

    A simulation's own noise (which build it was, how the platform was turned) is not taken for a
    fact: a draw is as likely as the lines' residuals at its numbers are short, and the noise about
    the lines adds to the errors. The lines are fitted anew where the weight is, so that they need
    be straight only there.

    References
    ----------
    .. [1] J.-M. Cornuet, J.-M. Marin, A. Mira and C. P. Robert, Adaptive multiple importance
       sampling, Scand. J. Stat. 39 (2012) 798-812.
    .. [2] A. Owen and Y. Zhou, Safe and effective importance sampling, J. Am. Stat. Assoc. 95
       (2000) 135-143.
    """
    prior = Gaussian(np.zeros(D), np.eye(D))
    laws, z, parts = [prior], np.zeros((0, D)), []
    while True:
        new = _drawn(laws[-1], each, (*key, len(laws)))
        parts.append(simulate(new, len(z)))
        z = np.concatenate([z, new])
        x, r = (np.concatenate(part) for part in zip(*parts, strict=True))
        mixture = np.logaddexp.reduce([_density(law, z) for law in laws], axis=0)
        before = _density(prior, z) - mixture
        lines = fitted(x, r, _normalised(before))
        for _ in range(FITS):
            log = before + lines.log_likelihood(x)
            lines = fitted(x, r, _tempered(log, FITTED * (x.shape[1] + 1)))
        out = Weighed(x, lines, _normalised(before + lines.log_likelihood(x)))
        if len(laws) >= rounds or (out.effective >= enough and len(laws) > 1):
            return out
        law = lines.law
        laws.append(Gaussian(law.mean[:D], WIDER**2 * law.covariance[:D, :D]))


def _drawn(law: Gaussian, count: int, key: tuple[int, ...]) -> Array:
    from scipy.special import ndtri
    from scipy.stats import qmc

    D = len(law.mean)
    if D == 0:
        return np.zeros((count, 0))
    m = int(np.ceil(np.log2(max(count, 1))))
    points = qmc.Sobol(D, scramble=True, rng=np.random.default_rng(key)).random_base2(m)[:count]
    z = ndtri(np.clip(points, 1e-12, 1.0 - 1e-12))
    return np.asarray(law.mean + z @ np.linalg.cholesky(law.covariance).T)


def _density(law: Gaussian, z: Array) -> Array:
    """Logarithm of a normal density, but for a constant that all laws of D numbers share."""
    L = np.linalg.cholesky(law.covariance)
    off = np.linalg.solve(L, (z - law.mean).T)
    return np.asarray(-0.5 * (off**2).sum(axis=0) - np.log(np.diag(L)).sum())


def _normalised(log: Array) -> Array:
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum())


def _tempered(log: Array, least: float) -> Array:
    """Weights to the greatest power up to 1 at which they are worth so many draws."""
    least = min(least, 0.5 * len(log))
    low, high = 0.0, 1.0
    for power in (1.0, *[0.0] * 30):
        power = power or 0.5 * (low + high)
        weight = _normalised(power * log)
        if 1.0 / (weight**2).sum() >= least:
            if power == 1.0:
                return weight
            low = power
        else:
            high = power
    return _normalised(low * log)


def resampled(weight: Array, count: int, key: tuple[int, ...]) -> NDArray[np.int64]:
    """Pick draws as often as their weights ask for, so that all picked are equally likely.

    Parameters
    ----------
    weight : ndarray, shape (K,)
        Of sum 1.
    count : int
    key : tuple of int
        Of all that is random.

    Returns
    -------
    ndarray of int, shape (count,)
        Numbers of the draws, rising. Each is picked w count times, rounded up or down.

    Notes
    -----
    Systematic resampling: G. Kitagawa, Monte Carlo filter and smoother for non-Gaussian nonlinear
    state space models, J. Comput. Graph. Stat. 5 (1996) 1-25.
    """
    at = (np.arange(count) + np.random.default_rng(key).random()) / count
    place = np.searchsorted(np.cumsum(weight), at, side="right")
    return np.minimum(place, len(weight) - 1).astype(np.int64)
