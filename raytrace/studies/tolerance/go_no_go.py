"""Go/no-go: facets over a limit are set again until they are under it; what that leaves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["share_over", "under_limit"]

Array = NDArray[np.float64]

ANGLES = 512  # steps of the turn's direction in the tables


def under_limit(z: Array, J: Array, sigma: Array | None, limit: float) -> Array:
    """Setting errors of facets of which none misses by more than a limit.

    To set a facet again until it passes gives an error drawn from its distribution on condition
    of passing. That distribution is drawn from directly here: direction and size of the turn are
    found by inverse CDF from the direction and size that an unchecked setting would have had. So
    the draw changes smoothly with the limit, and is the unchecked one where the limit is far off.

    Parameters
    ----------
    z : ndarray, shape (B, F, 2)
        Standard normals, the random draws of the unchecked setting.
    J : ndarray, shape (F, k, 2)
        Spot movement per rotation about u and v. [m/rad]
    sigma : ndarray, shape (F,), or None
        Setting error per axis of the unchecked setting [rad]. None for a hand so unsure that
        every place within the limit is as likely as any other.
    limit : float
        Largest miss that passes. [m]

    Returns
    -------
    rotations : ndarray, shape (B, F, 2)
        About u and about v. [rad]

    Notes
    -----
    A turn of size ρ in direction φ misses by ρ g(φ), g(φ) = ‖J (cos φ, sin φ)‖: to first order,
    which at 15 mrad is good to about one percent of the miss. Unchecked, ρ/σ follows Rayleigh's
    law and φ is even; on condition of ρ g ≤ m the density of φ goes as 1 − exp(−(m/σg)²/2), and ρ
    follows the law cut off at m/g. Derived here, no source; checked against setting again by hand
    in tests/tolerance/test_tolerance.py.
    """
    if limit <= 0.0:
        return np.zeros_like(z)
    u = -np.expm1(-0.5 * (z**2).sum(axis=-1))
    turn = np.arctan2(z[..., 1], z[..., 0]) / (2.0 * np.pi) % 1.0
    phi = np.linspace(0.0, 2.0 * np.pi, ANGLES + 1)
    reach = limit / _spot_per_turn(J, phi)
    weight = reach**2 if sigma is None else _passing(reach / sigma[:, None])
    steps = 0.5 * (weight[:, 1:] + weight[:, :-1])
    cdf = np.concatenate([np.zeros((len(J), 1)), np.cumsum(steps, axis=1)], axis=1)
    cdf /= cdf[:, -1:]
    out = np.empty_like(z)
    for f in range(len(J)):
        angle = np.interp(turn[:, f], cdf[f], phi)
        furthest = limit / _spot_per_turn(J[f : f + 1], angle)[0]
        if sigma is None:
            size = furthest * np.sqrt(u[:, f])
        else:
            cut = _passing(furthest / sigma[f])
            size = sigma[f] * np.sqrt(-2.0 * np.log1p(-u[:, f] * cut))
        out[:, f, 0] = size * np.cos(angle)
        out[:, f, 1] = size * np.sin(angle)
    return out


def share_over(J: Array, sigma: Array, limit: float) -> Array:
    """Share of settings that miss by more than a limit and are done again, by facet.

    Parameters
    ----------
    J, sigma, limit
        As in `under_limit`, to the same order.

    Returns
    -------
    ndarray, shape (F,)
        [1]
    """
    phi = np.linspace(0.0, 2.0 * np.pi, ANGLES, endpoint=False)
    if limit <= 0.0:
        return np.ones(len(J))
    return np.asarray(1.0 - _passing(limit / _spot_per_turn(J, phi) / sigma[:, None]).mean(axis=1))


def _spot_per_turn(J: Array, phi: Array) -> Array:
    """Miss per size of a turn in directions phi, shape (F, angles). [m/rad]"""
    along = np.stack([np.cos(phi), np.sin(phi)])
    return np.asarray(np.sqrt(((J @ along) ** 2).sum(axis=1)))


def _passing(reach: Array) -> Array:
    """Rayleigh's law: share of turns within `reach` standard deviations."""
    return np.asarray(-np.expm1(-0.5 * reach**2))
