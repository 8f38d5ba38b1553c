"""How bright the sky is around the sun's centre, as tables a kernel draws directions from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.exceptions import SkyError

__all__ = ["AUREOLE_EDGE", "Sunshape", "sunshape", "tabled_sunshape"]

Array = NDArray[np.float64]

AUREOLE_EDGE = 43.6e-3  # 2.5°, the half-angle that a pyrheliometer sees [rad]
KNOTS = 2049

# I/I0 = A + B µ + C µ² at 550 nm.
LIMB = (0.30, 0.93, -0.23)

_BUIE_DISC = 4.65  # angle at which the profile's disc ends [mrad]
_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(48)
_TABLE_DISC = 4.65e-3  # where a table's disc is taken to end [rad]
_FEW_X, _FEW_W = np.polynomial.legendre.leggauss(4)  # within rounding between a table's angles


@dataclass(frozen=True, eq=False)
class Sunshape:
    """Brightness against the angle ψ from the sun's centre, and a table to sample it by.

    Attributes
    ----------
    kind : str
        "uniform", "limb-darkened", "buie" or "table".
    radius : float
        Angular radius of the disc. [rad]
    circumsolar_ratio : float
        Share of the power that comes from outside the disc; 0 for a bare disc. [1]
    x_disc : float
        Where the disc ends on the table's axis x = √u, √(1 − circumsolar_ratio). [1]
    table : ndarray, shape (2, 2049)
        sin ψ at equally spaced x, ends included: over the disc (x from 0 to `x_disc`), and over
        the aureole (x from `x_disc` to 1; constant for a bare disc). [1]
    psi_max : float
        Largest angle that has light. [rad]
    chi : float
        Parameter of the circumsolar profile that gives `circumsolar_ratio`; nan for all others.
    profile : ndarray, shape (2, N), or None
        Angles and relative radiance of a table; None for the other kinds. [rad, 1]

    Notes
    -----
    A direction is drawn with a density, per solid angle, of radiance × cos ψ: what an instrument
    that faces the disc's centre weighs direct normal irradiance with. A ray's weight is then
    exactly DNI · cos θᵢ / cos ψ. Every shape is normalised to DNI, so on a hazy day, when part
    of the measured DNI comes from the aureole, a bare disc slightly overstates what a cooker gets.
    """

    kind: str
    radius: float
    circumsolar_ratio: float
    x_disc: float
    table: Array
    psi_max: float
    chi: float = float("nan")
    profile: Array | None = None

    def sample(self, u: ArrayLike) -> Array:
        """Angles from uniform numbers, by the very table that the kernels use.

        Parameters
        ----------
        u : array_like
            Uniform numbers in [0, 1].

        Returns
        -------
        psi : ndarray, same shape
            Angles from the disc's centre. [rad]
        """
        x = np.sqrt(np.asarray(u, dtype=float))
        knots = np.linspace(0.0, 1.0, self.table.shape[1])
        inside = np.interp(x / self.x_disc, knots, self.table[0])
        if self.x_disc < 1.0:
            outside = np.interp((x - self.x_disc) / (1.0 - self.x_disc), knots, self.table[1])
            inside = np.where(x < self.x_disc, inside, outside)
        return np.asarray(np.arcsin(inside))

    def radiance(self, psi: ArrayLike) -> Array:
        """Brightness relative to the disc's centre.

        Parameters
        ----------
        psi : array_like
            Angles from the disc's centre. [rad]

        Returns
        -------
        radiance : ndarray, same shape
            1 at the centre, or in a table where it is brightest; 0 beyond `psi_max`.
        """
        psi = np.asarray(psi, dtype=float)
        if self.profile is not None:
            angles, radiance = self.profile
            return np.where(psi < 0.0, 0.0, np.interp(psi, angles, radiance, right=0.0))
        L = _disc_radiance(self.kind, self.radius, psi)
        if self.circumsolar_ratio > 0.0:
            kappa, gamma = _buie_aureole(self.chi)
            aureole = np.exp(kappa) * (1e3 * np.maximum(psi, self.radius)) ** gamma
            L = np.where(psi > self.radius, np.where(psi <= self.psi_max, aureole, 0.0), L)
        return np.asarray(np.where(psi < 0.0, 0.0, L))

    def pdf(self, psi: ArrayLike) -> Array:
        """Density of the drawn angles, ∝ radiance · sin ψ cos ψ, exact.

        Parameters
        ----------
        psi : array_like
            Angles from the disc's centre. [rad]

        Returns
        -------
        density : ndarray, same shape
            [1/rad]
        """
        psi = np.asarray(psi, dtype=float)
        if self.profile is not None:
            total = float(_table_power(self.profile, np.asarray(self.psi_max)))
        else:
            disc = _disc_power(self.kind, self.radius, np.asarray(self.radius))
            total = float(disc) / (1.0 - self.circumsolar_ratio)
        return np.asarray(self.radiance(psi) * np.sin(psi) * np.cos(psi) / total)

    def cdf(self, psi: ArrayLike) -> Array:
        """Share of the power within an angle of the disc's centre: the inverse of `sample`.

        Parameters
        ----------
        psi : array_like
            Angles from the disc's centre. [rad]

        Returns
        -------
        u : ndarray, same shape
        """
        psi = np.asarray(np.clip(np.asarray(psi, dtype=float), 0.0, self.psi_max))
        if self.profile is not None:
            whole = _table_power(self.profile, np.asarray(self.psi_max))
            return np.asarray(_table_power(self.profile, psi) / whole)
        disc = _disc_power(self.kind, self.radius, np.minimum(psi, self.radius))
        u = (
            (1.0 - self.circumsolar_ratio)
            * disc
            / _disc_power(self.kind, self.radius, np.asarray(self.radius))
        )
        if self.circumsolar_ratio > 0.0:
            _, gamma = _buie_aureole(self.chi)
            ring = _ring_power(gamma, self.radius, np.maximum(psi, self.radius))
            whole = _ring_power(gamma, self.radius, np.asarray(self.psi_max))
            u = u + self.circumsolar_ratio * ring / whole
        return np.asarray(u)


def sunshape(
    kind: str, radius: float = 4.65e-3, circumsolar_ratio: float | None = None
) -> Sunshape:
    """Sun of a given brightness profile.

    Parameters
    ----------
    kind : {"uniform", "limb-darkened", "buie"}
        Even disc; disc darker toward its limb; disc and aureole.
    radius : float
        Angular radius of the disc. [rad]
    circumsolar_ratio : float, optional
        Power from the aureole ÷ power from disc and aureole, out to 43.6 mrad. "buie" only, and
        needed there.

    Returns
    -------
    Sunshape

    Raises
    ------
    SkyError
        If the kind is unknown, the radius can't be the sun's, or the circumsolar ratio is
        missing, not wanted, or out of the profile's reach.

    Notes
    -----
    "limb-darkened" is I/I₀ = 0.3 + 0.93 µ − 0.23 µ² [1]_, µ the cosine at the sun's surface.

    "buie" [2]_ is cos(0.326 θ)/cos(0.308 θ) on the disc and exp(κ) θ^γ outside it, θ in mrad,
    κ = 0.9 ln(13.5 χ) χ^−0.3, γ = 2.2 ln(0.52 χ) χ^0.43 − 0.1. The coefficients are from memory,
    and copies in circulation differ (0.305 for 0.308). χ is close to the circumsolar ratio but
    is not equal to it, so χ is solved for the ratio that is asked; that ratio then depends on
    none of the coefficients, only the shape of the profile does. χ is sought from 0.005 to 0.95,
    which at 4.65 mrad is ratios from 8e-6 to 0.876. A disc of another radius than
    4.65 mrad is the same profile stretched; the aureole always ends at 43.6 mrad.

    References
    ----------
    .. [1] A. N. Cox (ed.), Allen's Astrophysical Quantities, 4th ed., Springer, 2000, chapter 14.
    .. [2] D. Buie, A. G. Monger and C. J. Dey, "Sunshape distributions for terrestrial solar
       simulations", Solar Energy 74 (2003) 113-122.

    Examples
    --------
    >>> disc = sunshape("uniform", 4.65e-3)
    >>> [round(1e3 * float(psi), 4) for psi in disc.sample([0.0, 0.25, 1.0])]
    [0.0, 2.325, 4.65]
    """
    if kind not in ("uniform", "limb-darkened", "buie"):
        raise SkyError(f'sunshape "{kind}" is unknown: use "uniform", "limb-darkened" or "buie"')
    if not 1e-4 <= radius <= 0.02:
        raise SkyError(
            f"sun radius {1e3 * radius:g} mrad can't be the sun's: it is about 4.65 mrad "
            "(0.1 to 20 mrad are allowed)"
        )
    if kind == "buie":
        if circumsolar_ratio is None:
            raise SkyError('sunshape "buie" needs a circumsolar ratio, such as 0.05')
        return _buie(float(radius), float(circumsolar_ratio))
    if circumsolar_ratio is not None:
        raise SkyError(f'sunshape "{kind}" has no aureole: leave the circumsolar ratio out')
    x = np.linspace(0.0, 1.0, KNOTS)
    disc = x if kind == "uniform" else _limb_knots()
    edge = float(np.sin(radius))
    table = np.stack([disc * edge, np.full(KNOTS, edge)])
    table.flags.writeable = False
    return Sunshape(kind, float(radius), 0.0, 1.0, table, float(radius))


@lru_cache(maxsize=16)
def tabled_sunshape(points: tuple[tuple[float, float], ...]) -> Sunshape:
    """Sun whose brightness a table states.

    Parameters
    ----------
    points : tuple of (float, float)
        Angle from the sun's centre, rising [rad], and radiance in any unit, none negative. It is
        straight between the points, even from the centre to the first, and zero beyond the last.

    Returns
    -------
    Sunshape
        Normalised to DNI, as every shape is. Its `radius` is 4.65 mrad, or the last angle if that
        is smaller: what lies beyond counts as circumsolar. Its 2 × 2049 knots hold the mean square
        of the angle to 1e-4, even where a long faint tail ends softly.

    Raises
    ------
    SkyError
        If angles don't rise within 0 to 90°, or radiance is negative or 0 at the centre.

    Examples
    --------
    >>> even = tabled_sunshape(((0.0, 7.0), (4.65e-3, 7.0)))
    >>> [round(1e3 * float(psi), 4) for psi in even.sample([0.0, 0.25, 1.0])]
    [0.0, 2.325, 4.65]
    """
    angles, radiance = np.array(points, dtype=float).reshape(-1, 2).T
    rising = len(angles) > 1 and angles[0] >= 0.0 and (np.diff(angles) > 0.0).all()
    if not (rising and angles[-1] < 0.5 * np.pi and radiance[0] > 0.0 <= radiance.min()):
        raise SkyError(
            "a sunshape's table needs two or more points: angles that rise from 0 or more to less "
            "than 90°, light in the first, and no negative radiance"
        )
    profile = np.stack([angles, radiance / radiance.max()])
    edge = float(angles[-1])
    radius = min(_TABLE_DISC, edge)

    def power(psi: Array) -> Array:
        return _table_power(profile, psi)

    disc, whole = (float(power(np.asarray(psi))) for psi in (radius, edge))
    x_disc = float(np.sqrt(disc / whole))
    x = np.linspace(0.0, 1.0, KNOTS)
    inner = _invert(power, x * x * disc, 0.0, radius)
    outer = _invert(power, (x_disc + x * (1.0 - x_disc)) ** 2 * whole, radius, edge)
    inner[0], inner[-1], outer[0], outer[-1] = 0.0, radius, radius, edge
    table = np.sin(np.stack([inner, outer]))
    profile.flags.writeable = table.flags.writeable = False
    return Sunshape("table", radius, 1.0 - disc / whole, x_disc, table, edge, profile=profile)


def _table_power(profile: Array, psi: Array) -> Array:
    """∫ L sin ψ cos ψ dψ from the centre of a table's sun."""
    knots, L = np.concatenate([[0.0], profile[0]]), np.concatenate([profile[1][:1], profile[1]])

    def piece(low: Array, high: Array) -> Array:
        at = low[..., None] + 0.5 * (high - low)[..., None] * (1.0 + _FEW_X)
        f = np.interp(at, knots, L) * np.sin(at) * np.cos(at)
        return np.asarray(0.5 * (high - low) * (f * _FEW_W).sum(axis=-1))

    sums = np.cumsum(np.concatenate([[0.0], piece(knots[:-1], knots[1:])]))
    k = np.clip(np.searchsorted(knots, psi, side="right") - 1, 0, len(knots) - 2)
    return np.asarray(sums[k] + piece(knots[k], psi))


def _limb_power(mu: Array) -> Array:
    """∫ L µ dµ from 0: power from outside the circle where the surface cosine is µ."""
    a, b, c = LIMB
    return np.asarray(mu * mu * (a / 2.0 + mu * (b / 3.0 + mu * c / 4.0)))


@lru_cache(maxsize=1)
def _limb_knots() -> Array:
    """Return sin ψ / sin(radius) at equal steps of x; the same for every radius."""
    x = np.linspace(0.0, 1.0, KNOTS)
    outside = (1.0 - x) * (1.0 + x) * _limb_power(np.asarray(1.0))
    mu = _invert(_limb_power, outside, 0.0, 1.0)
    t = np.sqrt((1.0 - mu) * (1.0 + mu))
    t[0], t[-1] = 0.0, 1.0
    return np.asarray(t)


def _disc_radiance(kind: str, radius: float, psi: Array) -> Array:
    if kind == "uniform":
        L = np.ones_like(psi)
    elif kind == "limb-darkened":
        t = np.sin(psi) / np.sin(radius)
        mu = np.sqrt(np.clip(1.0 - t * t, 0.0, 1.0))
        L = LIMB[0] + mu * (LIMB[1] + mu * LIMB[2])
    else:
        theta = np.clip(psi / radius, 0.0, 1.0) * _BUIE_DISC
        L = np.cos(0.326 * theta) / np.cos(0.308 * theta)
    return np.where(psi <= radius, L, 0.0)


def _disc_power(kind: str, radius: float, psi: Array) -> Array:
    """∫ L sin ψ cos ψ dψ from the centre, ψ within the disc."""
    s2 = np.sin(psi) ** 2
    edge2 = np.sin(radius) ** 2
    if kind == "uniform":
        return np.asarray(0.5 * s2)
    if kind == "limb-darkened":
        mu = np.sqrt(np.clip(1.0 - s2 / edge2, 0.0, 1.0))
        # The difference of powers of µ, written without cancelling near the centre.
        a, b, c = LIMB
        q = np.where(psi >= radius, 1.0, s2 / edge2)  # 1 − µ²
        w = q / (1.0 + mu)  # 1 − µ
        return np.asarray(
            edge2 * (a / 2.0 * q + b / 3.0 * w * (1.0 + mu + mu * mu) + c / 4.0 * q * (1 + mu * mu))
        )
    nodes = 0.5 * psi[..., None] * (1.0 + _GAUSS_X)
    f = _disc_radiance(kind, radius, nodes) * np.sin(nodes) * np.cos(nodes)
    return np.asarray(0.5 * psi * (f * _GAUSS_W).sum(axis=-1))


def _ring_power(gamma: float, radius: float, psi: Array) -> Array:
    """∫ θ^γ sin ψ cos ψ dψ from the limb, θ in mrad: series of sin(2ψ)/2, each term closed."""
    ratio = np.log(psi / radius)
    total = np.zeros_like(psi)
    for power, factor in ((1, 1.0), (3, -2.0 / 3.0), (5, 2.0 / 15.0), (7, -4.0 / 315.0)):
        q = gamma + power + 1.0
        # A vanishing exponent makes the integral a logarithm.
        grown = ratio if abs(q) < 1e-12 else np.expm1(q * ratio) / q
        total = total + factor * radius**q * grown
    return np.asarray(1e3**gamma * total)


def _buie_aureole(chi: float) -> tuple[float, float]:
    kappa = 0.9 * np.log(13.5 * chi) * chi**-0.3
    gamma = 2.2 * np.log(0.52 * chi) * chi**0.43 - 0.1
    return float(kappa), float(gamma)


def _buie_ratio(chi: float, radius: float) -> float:
    """Circumsolar ratio that the profile of parameter χ has when integrated."""
    kappa, gamma = _buie_aureole(chi)
    ring = np.exp(kappa) * float(_ring_power(gamma, radius, np.asarray(AUREOLE_EDGE)))
    return float(ring / (ring + float(_disc_power("buie", radius, np.asarray(radius)))))


@lru_cache(maxsize=1024)
def _buie(radius: float, ratio: float) -> Sunshape:
    from scipy.optimize import brentq

    lowest, highest = 5e-3, 0.95
    reach = _buie_ratio(lowest, radius), _buie_ratio(highest, radius)
    if not reach[0] <= ratio <= reach[1]:
        raise SkyError(
            f"circumsolar ratio {ratio:g} is out of the profile's reach: "
            f"it goes from {reach[0]:.1e} to {reach[1]:.3f}"
            + ('; for a sun without aureole use "limb-darkened"' if ratio < reach[0] else "")
        )
    chi = float(
        brentq(lambda c: _buie_ratio(c, radius) - ratio, lowest, highest, xtol=1e-15, rtol=1e-14)
    )
    x_disc = float(np.sqrt(1.0 - ratio))
    x = np.linspace(0.0, 1.0, KNOTS)

    whole = _disc_power("buie", radius, np.asarray(radius))
    disc = _invert(lambda psi: _disc_power("buie", radius, psi), x * x * whole, 0.0, radius)

    _, gamma = _buie_aureole(chi)
    y = x_disc + x * (1.0 - x_disc)
    # (y² − x_disc²)/ratio, written so that a tiny ratio doesn't cancel.
    share = (1.0 - x_disc) * x * (y + x_disc) / ratio
    ring = _ring_power(gamma, radius, np.asarray(AUREOLE_EDGE))
    aureole = _invert(
        lambda psi: _ring_power(gamma, radius, psi), share * ring, radius, AUREOLE_EDGE
    )
    disc[0], disc[-1] = 0.0, radius
    aureole[0], aureole[-1] = radius, AUREOLE_EDGE
    table = np.sin(np.stack([disc, aureole]))
    table.flags.writeable = False
    return Sunshape("buie", radius, ratio, x_disc, table, AUREOLE_EDGE, chi)


def _invert(f: Callable[[Array], Array], target: Array, low: float, high: float) -> Array:
    """Where an increasing function meets each target, by bisection to the last bit."""
    a, b = np.full_like(target, low), np.full_like(target, high)
    for _ in range(54):
        middle = 0.5 * (a + b)
        under = f(middle) < target
        a, b = np.where(under, middle, a), np.where(under, b, middle)
    return np.asarray(0.5 * (a + b))
