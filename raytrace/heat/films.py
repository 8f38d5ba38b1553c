"""Films of air and water round a pot: how easily heat and vapour pass through them.

Every coefficient comes from a correlation of the library `ht`, named where it is used. They
take one number, Grashof's, Rayleigh's or Reynolds's, so each is tabulated once and followed on
logarithmic axes, on which it is nearly straight.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.heat.water import TRIPLE_POINT

__all__ = [
    "AIR_MOLE",
    "GAS_CONSTANT",
    "GRAVITY",
    "WATER_MOLE",
    "Air",
    "air_at",
    "base_film",
    "diffusivity",
    "gap_film",
    "headspace_film",
    "lid_film",
    "mixed",
    "open_film",
    "wall_film",
    "water_film",
]

Array = NDArray[np.float64]

GRAVITY = 9.80665  # [m/s²]
GAS_CONSTANT = 8.314462618  # [J/(mol K)], CODATA 2018
AIR_MOLE, WATER_MOLE = 28.9652e-3, 18.015268e-3  # [kg/mol]

# of air from -40 °C to 300 °C to within 2 %: it enters the correlations as its cube root
PRANDTL, SCHMIDT = 0.70, 0.61

_X = np.logspace(-2.0, 14.0, 16 * 60 + 1)
_LOG_X = np.log(_X)


def _tabulated(Nu: Callable[[float], float]) -> Array:
    return np.log([max(Nu(float(x)), 1e-30) for x in _X])


@lru_cache(maxsize=64)
def _curve(kind: str, shape: float = 1.0) -> Array:
    """Logarithm of a Nusselt number at `_X`."""
    from ht import conv_external, conv_free_enclosed, conv_free_immersed

    curves: dict[str, Callable[[float], float]] = {
        "vertical cylinder": lambda Gr: conv_free_immersed.Nu_vertical_cylinder_Popiel_Churchill(
            PRANDTL, Gr, L=shape, D=1.0
        ),
        "unstable plate": lambda Ra: conv_free_immersed.Nu_horizontal_plate_McAdams(1.0, Ra, True),
        "stable plate": lambda Ra: conv_free_immersed.Nu_horizontal_plate_McAdams(1.0, Ra, False),
        "cylinder in wind": lambda Re: conv_external.Nu_cylinder_Churchill_Bernstein(Re, PRANDTL),
        "plate in wind": lambda Re: conv_external.Nu_external_horizontal_plate(Re, shape),
        "upright gap": lambda Gr: conv_free_enclosed.Nu_Nusselt_vertical_Thess(
            PRANDTL,
            Gr,
            H=shape,  # type: ignore[arg-type]  # ht says int
            L=1.0,  # type: ignore[arg-type]
        ),
        "unstable gap": lambda Gr: conv_free_enclosed.Nu_Nusselt_Rayleigh_Hollands(shape, Gr),
    }
    return _tabulated(curves[kind])


def _nusselt(kind: str, x: Array, shape: float = 1.0) -> Array:
    return np.asarray(np.exp(np.interp(np.log(np.maximum(x, 1e-2)), _LOG_X, _curve(kind, shape))))


@dataclass(frozen=True, eq=False)
class Air:
    """Dry air, arrays of one shape.

    Attributes
    ----------
    nu : ndarray
        Kinematic viscosity. [m²/s]
    k : ndarray
        Thermal conductivity. [W/(m K)]
    alpha : ndarray
        Thermal diffusivity. [m²/s]
    T : ndarray
        [K]
    """

    nu: Array
    k: Array
    alpha: Array
    T: Array


@lru_cache(maxsize=1)
def _air_table() -> Array:
    """Rows temperature [K], viscosity [Pa s], conductivity [W/(m K)], heat capacity [J/(kg K)]."""
    from CoolProp.CoolProp import PropsSI

    T = np.arange(200.0, 1201.0, 5.0)
    return np.stack([T, *(PropsSI(name, "T", T, "P", 101325.0, "Air") for name in "VLC")])


def air_at(T: ArrayLike, pressure: float) -> Air:
    """Properties of dry air, from CoolProp at one atmosphere; its density as of an ideal gas.

    Parameters
    ----------
    T : array_like
        200 to 1200. [K]
    pressure : float
        [Pa]

    Returns
    -------
    Air
    """
    T = np.asarray(T, dtype=float)
    at, *rows = _air_table()
    mu, k, c = (np.interp(T, at, row) for row in rows)
    density = pressure * AIR_MOLE / (GAS_CONSTANT * T)
    return Air(nu=mu / density, k=k, alpha=k / (density * c), T=T)


def diffusivity(T: ArrayLike, pressure: float) -> Array:
    """Diffusivity of water vapour in air.

    Parameters
    ----------
    T : array_like
        [K]
    pressure : float
        [Pa]

    Returns
    -------
    D : ndarray, same shape
        [m²/s]

    References
    ----------
    .. [1] T. R. Marrero and E. A. Mason, Gaseous diffusion coefficients, J. Phys. Chem. Ref.
       Data 1 (1972) 3-118: 1.87e-10 T^2.072 / p, in m²/s, K and atm (from memory).

    Examples
    --------
    >>> round(1e6 * float(diffusivity(298.15, 101325.0)), 1)
    25.1
    """
    return np.asarray(1.87e-10 * np.asarray(T, dtype=float) ** 2.072 * (101325.0 / pressure))


def mixed(free: ArrayLike, forced: ArrayLike) -> Array:
    """Coefficient where buoyancy and wind both drive the air.

    Parameters
    ----------
    free, forced : array_like
        Either alone. [any]

    Returns
    -------
    both : ndarray
        The cube root of the sum of their cubes.

    References
    ----------
    .. [1] S. W. Churchill, A comprehensive correlating equation for laminar, assisting, forced
       and free convection, AIChE J. 23 (1977) 10-16; T. L. Bergman et al., Introduction to Heat
       Transfer, 6th ed., Wiley, 2011, section 9.9 (exponent 3; both from memory).
    """
    return np.asarray(np.cbrt(np.asarray(free) ** 3 + np.asarray(forced) ** 3))


def _grashof(air: Air, excess: Array, L: float) -> Array:
    """Of dry air that is warmer than the air round it by an excess [K], about its mean."""
    return GRAVITY * np.abs(excess) / air.T * L**3 / air.nu**2


def wall_film(
    T: Array, around: Array, wind: Array, *, pressure: float, R: float, height: float
) -> Array:
    """Heat transfer coefficient of an upright cylinder's side.

    Parameters
    ----------
    T, around : ndarray
        Of the wall, and of the air. [K]
    wind : ndarray
        [m/s]
    pressure : float
        Of the air. [Pa]
    R, height : float
        Of the cylinder. [m]

    Returns
    -------
    h : ndarray
        [W/(m² K)]

    Notes
    -----
    Still air by `Nu_vertical_cylinder_Popiel_Churchill`: Churchill and Chu's plate [1]_ with
    Popiel's factor for curvature [2]_, for Prandtl numbers of 0.01 to 100. Wind across it by
    `Nu_cylinder_Churchill_Bernstein` [3]_, which its authors call a lower bound for Re Pr over
    0.4.

    References
    ----------
    .. [1] S. W. Churchill and H. H. S. Chu, Correlating equations for laminar and turbulent free
       convection from a vertical plate, Int. J. Heat Mass Transfer 18 (1975) 1323-1329.
    .. [2] C. O. Popiel, J. Wojtkowiak and K. Bober, Laminar free convective heat transfer from
       isothermal vertical slender cylinder, Exp. Therm. Fluid Sci. 32 (2007) 607-613.
    .. [3] S. W. Churchill and M. Bernstein, A correlating equation for forced convection from
       gases and liquids to a circular cylinder in crossflow, J. Heat Transfer 99 (1977) 300-306.
    """
    air = air_at(0.5 * (T + around), pressure)
    D = 2.0 * R
    still = _nusselt("vertical cylinder", _grashof(air, T - around, height), height / D) / height
    windy = _nusselt("cylinder in wind", D * wind / air.nu) / D
    return air.k * mixed(still, np.where(wind > 0.0, windy, 0.0))


def _disc_film(T: Array, around: Array, wind: Array, pressure: float, R: float, up: bool) -> Array:
    air = air_at(0.5 * (T + around), pressure)
    L = 0.5 * R  # area over perimeter
    Ra = _grashof(air, T - around, L) * air.nu / air.alpha
    warm = np.greater(T, around)
    rises = warm if up else ~warm
    still = np.where(rises, _nusselt("unstable plate", Ra), _nusselt("stable plate", Ra)) / L
    return air.k * mixed(still, _plate_in_wind(wind / air.nu, R, PRANDTL))


def _plate_in_wind(per_metre: Array, R: float, Pr: float) -> Array:
    """Nusselt's number over the length, of a disc in a wind of so much Re per metre. [1/m]"""
    L = 0.5 * np.pi * R  # mean chord of a disc
    windy = _nusselt("plate in wind", per_metre * L, Pr) / L
    return np.asarray(np.where(per_metre > 0.0, windy, 0.0))


def lid_film(T: Array, around: Array, wind: Array, *, pressure: float, R: float) -> Array:
    """Heat transfer coefficient of a level disc that faces up.

    Parameters
    ----------
    T, around : ndarray
        Of the disc, and of the air. [K]
    wind : ndarray
        [m/s]
    pressure : float
        Of the air. [Pa]
    R : float
        Radius. [m]

    Returns
    -------
    h : ndarray
        [W/(m² K)]

    Notes
    -----
    Still air by `Nu_horizontal_plate_McAdams` [1]_ over the length area / perimeter. Over a warm
    lid 0.54 Ra^¼, and 0.15 Ra^⅓ past Ra 1e7, published for 1e4 to 1e11 (from memory); over a cold
    one 0.27 Ra^¼, and 0.15 Ra^⅓ past 1e10. Below 1e4 the same formula goes on. Wind by
    `Nu_external_horizontal_plate` over the mean chord: laminar for Prandtl numbers of 0.6 to 10
    [2]_, turbulent past Re 5e5 [3]_.

    References
    ----------
    .. [1] W. H. McAdams, Heat Transmission, 3rd ed., McGraw-Hill, 1954.
    .. [2] H. D. Baehr and K. Stephan, Heat and Mass Transfer, Springer, 2013.
    .. [3] H. Schlichting and K. Gersten, Grenzschicht-Theorie, 9th ed., Springer, 1997.
    """
    return _disc_film(T, around, wind, pressure, R, True)


def base_film(T: Array, around: Array, wind: Array, *, pressure: float, R: float) -> Array:
    """Heat transfer coefficient of a level disc that faces down; else as `lid_film`.

    Parameters
    ----------
    T, around : ndarray
        Of the disc, and of the air. [K]
    wind : ndarray
        [m/s]
    pressure : float
        Of the air. [Pa]
    R : float
        Radius. [m]

    Returns
    -------
    h : ndarray
        [W/(m² K)]

    Notes
    -----
    By the correlations of `lid_film`, warm and cold side the other way round.
    """
    return _disc_film(T, around, wind, pressure, R, False)


def open_film(
    T: Array, y: Array, around: Array, y_around: Array, wind: Array, *, pressure: float, R: float
) -> tuple[Array, Array]:
    """Heat and mass transfer coefficients of the air over a round water surface.

    Parameters
    ----------
    T, y : ndarray
        Temperature of the surface [K], and mole fraction of vapour right over it.
    around, y_around : ndarray
        The same far from it.
    wind : ndarray
        [m/s]
    pressure : float
        Of the air. [Pa]
    R : float
        Radius. [m]

    Returns
    -------
    h : ndarray
        Of heat, without the vapour's own flow. [W/(m² K)]
    g : ndarray
        Of vapour, per logarithm of the ratio of air fractions. [mol/(m² s)]

    Notes
    -----
    The analogy of heat and mass transfer: the correlations of `lid_film` with Schmidt's number
    for Prandtl's. What rises is moist: Grashof's number takes the difference of the densities,
    of which the vapour's lightness is the larger part over hot water.
    """
    air = air_at(0.5 * (T + around), pressure)
    D = diffusivity(air.T, pressure)
    L = 0.5 * R
    here, there = _density(T, y, pressure), _density(around, y_around, pressure)
    Gr = GRAVITY * 2.0 * np.abs(there - here) / (there + here) * L**3 / air.nu**2
    rises = here < there

    def still(Pr: Array) -> Array:
        Ra = Gr * Pr
        plates = [_nusselt(kind, Ra) for kind in ("unstable plate", "stable plate")]
        return np.asarray(np.where(rises, *plates) / L)

    h = air.k * mixed(still(air.nu / air.alpha), _plate_in_wind(wind / air.nu, R, PRANDTL))
    Sh = mixed(still(air.nu / D), _plate_in_wind(wind / air.nu, R, SCHMIDT))
    return h, pressure / (GAS_CONSTANT * air.T) * D * Sh


def _density(T: Array, y: Array, pressure: float) -> Array:
    return pressure * (y * WATER_MOLE + (1.0 - y) * AIR_MOLE) / (GAS_CONSTANT * T)


@lru_cache(maxsize=1)
def _water_table() -> Array:
    """Rows temperature [K], g β/(ν α) [1/(m³ K)], conductivity [W/(m K)] of the liquid."""
    from CoolProp.CoolProp import PropsSI

    T = np.arange(TRIPLE_POINT, 453.0, 1.0)
    beta, mu, k, rho, c = (
        PropsSI(name, "T", T, "Q", 0, "Water")
        for name in ("ISOBARIC_EXPANSION_COEFFICIENT", "V", "L", "D", "C")
    )
    # below 4 °C cooled water stays on top; nothing evaporates there that matters
    buoyancy = GRAVITY * np.maximum(beta, 1e-6) * rho**2 * c / (mu * k)
    return np.stack([T, buoyancy, k])


def water_film(T: Array, surface: Array, *, R: float) -> Array:
    """Heat transfer coefficient of the water below a surface that is cooled.

    Parameters
    ----------
    T, surface : ndarray
        Of the water, and of its surface. [K]
    R : float
        Radius. [m]

    Returns
    -------
    h : ndarray
        [W/(m² K)]

    Notes
    -----
    `Nu_horizontal_plate_McAdams`, see `lid_film`: cooled water sinks as air rises from a warm
    plate.
    """
    at, *rows = _water_table()
    buoyancy, k = (np.interp(0.5 * (T + surface), at, row) for row in rows)
    L = 0.5 * R
    Ra = buoyancy * np.maximum(T - surface, 0.0) * L**3
    return np.asarray(k / L * _nusselt("unstable plate", Ra))


def gap_film(
    T: Array, cover: Array, *, pressure: float, gap: float, height: float
) -> tuple[Array, Array, Array]:
    """Heat transfer coefficients across the air between a pot and what covers it.

    Parameters
    ----------
    T, cover : ndarray
        Of the pot, and of the cover. [K]
    pressure : float
        Of the air. [Pa]
    gap, height : float
        Width of the gap, height of the pot's wall. [m]

    Returns
    -------
    wall, lid, base : ndarray
        [W/(m² K)]

    Notes
    -----
    Upright by `Nu_Nusselt_vertical_Thess` [1]_: 0.42 Pr^0.012 Ra^¼ (gap/height)^¼ for Ra of 1e4 to
    1e7 and height/gap under 80, 0.049 Ra^0.33 on to 1e9. Level and heated from below by
    `Nu_Nusselt_Rayleigh_Hollands` [2]_. Else plain conduction, which is the least in all.

    References
    ----------
    .. [1] VDI Heat Atlas, 2nd ed., Springer, 2010 (the formula by A. Thess).
    .. [2] K. G. T. Hollands, Multi-Prandtl number correlation equations for natural convection in
       layers and enclosures, Int. J. Heat Mass Transfer 27 (1984) 466-468.
    """
    air = air_at(0.5 * (T + cover), pressure)
    Gr = _grashof(air, T - cover, gap)
    upright = np.maximum(_nusselt("upright gap", Gr, height / gap), 1.0)
    rises = np.maximum(_nusselt("unstable gap", Gr, PRANDTL), 1.0)
    across = air.k / gap
    warm = np.greater(T, cover)
    lid, base = np.where(warm, rises, 1.0), np.where(warm, 1.0, rises)
    return across * upright, across * lid, across * base


def headspace_film(
    T: Array, y: Array, lid: Array, y_lid: Array, *, pressure: float, gap: float
) -> tuple[Array, Array]:
    """Heat and mass transfer coefficients of the moist air between water and lid.

    Parameters
    ----------
    T, y : ndarray
        Temperature of the water [K], and mole fraction of vapour right over it.
    lid, y_lid : ndarray
        The same at the lid's underside.
    pressure : float
        Of the air. [Pa]
    gap : float
        From water to lid. [m]

    Returns
    -------
    h : ndarray
        Of heat, without the vapour's own. [W/(m² K)]
    g : ndarray
        Of vapour, per logarithm of the ratio of air fractions. [mol/(m² s)]

    Notes
    -----
    `Nu_Nusselt_Rayleigh_Hollands` of a level layer heated from below, see `gap_film`, published
    for layers much wider than they are high; Schmidt's number for Prandtl's, and Grashof's from
    the densities, as in `open_film`. Air that is lighter above stays in place and conducts.
    """
    air = air_at(0.5 * (T + lid), pressure)
    here, there = _density(T, y, pressure), _density(lid, y_lid, pressure)
    Gr = GRAVITY * 2.0 * np.maximum(there - here, 0.0) / (there + here) * gap**3 / air.nu**2
    Nu, Sh = (np.maximum(_nusselt("unstable gap", Gr, Pr), 1.0) for Pr in (PRANDTL, SCHMIDT))
    D = diffusivity(air.T, pressure)
    return air.k / gap * Nu, pressure / (GAS_CONSTANT * air.T) * D / gap * Sh
