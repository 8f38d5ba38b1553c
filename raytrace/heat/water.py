"""Water in the pot: the heat it takes, when it boils, how its vapour presses; at one pressure."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.exceptions import HeatError

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["NEAR_BOIL", "TRIPLE_POINT", "Water", "site_pressure", "water_at"]

Array = NDArray[np.float64]

TRIPLE_POINT = 273.16  # [K]
NEAR_BOIL = 1.0  # below saturation: water counts as boiling, as in the kernel of a pot [K]
_TOP = 453.15  # of the tables [K]
_STEP = 0.25  # [K]
_LOW, _HIGH = 2e4, 5e5  # pressures that make sense: 11 km up; a pressure cooker [Pa]


@dataclass(frozen=True, eq=False)
class Water:
    """Water under air of one pressure.

    Attributes
    ----------
    pressure : float
        Of the air. [Pa]
    boiling : float
        Temperature at which it boils. [K]

    Notes
    -----
    Interpolated in tables of the IAPWS-95 equation of state [1]_ as the library CoolProp has it,
    0.25 K apart: within 1e-5 of it. Water below the triple point is taken to stay liquid, its
    heat capacity and latent heat as there.

    References
    ----------
    .. [1] W. Wagner and A. Pruss, The IAPWS formulation 1995 for the thermodynamic properties
       of ordinary water substance for general and scientific use, J. Phys. Chem. Ref. Data 31
       (2002) 387-535.
    """

    pressure: float
    boiling: float
    _T: Array = field(repr=False)
    _liquid: Array = field(repr=False)  # enthalpy, density
    _saturated: Array = field(repr=False)  # temperature, latent heat, ln of the pressure

    def enthalpy(self, T: ArrayLike) -> Array:
        """Enthalpy of the liquid. [J/kg]

        Parameters
        ----------
        T : array_like
            Not over the boiling point. [K]

        Returns
        -------
        h : ndarray, same shape
            From an arbitrary zero.

        Examples
        --------
        >>> water = water_at(101325.0)
        >>> round(float(water.enthalpy(water.boiling) - water.enthalpy(293.15)), -2)
        335100.0
        """
        T = np.asarray(T, dtype=float)
        ice = (self._liquid[0, 1] - self._liquid[0, 0]) / (self._T[1] - self._T[0])
        below = np.minimum(T - TRIPLE_POINT, 0.0)
        return np.asarray(np.interp(T, self._T, self._liquid[0]) + ice * below)

    def heat_capacity(self, T: ArrayLike) -> Array:
        """Specific heat capacity of the liquid. [J/(kg K)]

        Parameters
        ----------
        T : array_like
            [K]

        Returns
        -------
        c : ndarray, same shape
        """
        return np.asarray(np.interp(np.asarray(T, dtype=float), self._T, self._liquid[1]))

    def density(self, T: ArrayLike) -> Array:
        """Density of the liquid. [kg/m³]

        Parameters
        ----------
        T : array_like
            [K]

        Returns
        -------
        rho : ndarray, same shape
        """
        return np.asarray(np.interp(np.asarray(T, dtype=float), self._T, self._liquid[2]))

    def latent_heat(self, T: ArrayLike) -> Array:
        """Heat that evaporation takes. [J/kg]

        Parameters
        ----------
        T : array_like
            [K]

        Returns
        -------
        L : ndarray, same shape
        """
        at, latent, _ = self._saturated
        return np.asarray(np.interp(np.asarray(T, dtype=float), at, latent))

    def vapour_pressure(self, T: ArrayLike) -> Array:
        """Pressure of vapour in equilibrium with the liquid. [Pa]

        Parameters
        ----------
        T : array_like
            [K]

        Returns
        -------
        p : ndarray, same shape
            Below the triple point by Clausius and Clapeyron's law with the slope there.
        """
        T = np.asarray(T, dtype=float)
        at, _, ln_p = self._saturated
        slope = (ln_p[1] - ln_p[0]) / (1.0 / at[0] - 1.0 / at[1])
        colder = np.minimum(1.0 / TRIPLE_POINT - 1.0 / np.maximum(T, 1.0), 0.0)
        return np.asarray(np.exp(np.interp(T, at, ln_p) + slope * colder))

    def dew_point(self, p: ArrayLike) -> Array:
        """Temperature at which vapour of a given pressure condenses. [K]

        Parameters
        ----------
        p : array_like
            Positive. [Pa]

        Returns
        -------
        T : ndarray, same shape
        """
        at, _, ln_p = self._saturated
        slope = (ln_p[1] - ln_p[0]) / (1.0 / at[0] - 1.0 / at[1])
        ln = np.log(np.asarray(p, dtype=float))
        cold = 1.0 / (1.0 / TRIPLE_POINT + (ln_p[0] - np.minimum(ln, ln_p[0])) / slope)
        return np.asarray(np.where(ln < ln_p[0], cold, np.interp(ln, ln_p, at)))


@lru_cache(maxsize=64)
def water_at(pressure: float) -> Water:
    """Water under air of a given pressure; kept, so that asking again costs nothing.

    Parameters
    ----------
    pressure : float
        [Pa]

    Returns
    -------
    Water

    Raises
    ------
    HeatError
        If the pressure isn't between 20 and 500 kPa.

    Examples
    --------
    >>> round(water_at(101325.0).boiling - 273.15, 2)
    99.97
    """
    from CoolProp.CoolProp import PropsSI

    pressure = float(pressure)
    if not _LOW <= pressure <= _HIGH:
        raise HeatError(f"pressure {pressure:g} Pa: it must lie between {_LOW:g} and {_HIGH:g} Pa")
    boiling = float(PropsSI("T", "P", pressure, "Q", 0, "Water"))
    T = np.append(np.arange(TRIPLE_POINT, boiling - 0.1, _STEP), boiling)
    liquid = np.empty((3, len(T)))
    for row, name in enumerate(("H", "C", "D")):
        liquid[row, :-1] = PropsSI(name, "T", T[:-1], "P", pressure, "Water")
        liquid[row, -1] = PropsSI(name, "P", pressure, "Q", 0, "Water")
    return Water(pressure, boiling, T, liquid, _saturation())


@lru_cache(maxsize=1)
def _saturation() -> Array:
    """Rows temperature [K], latent heat [J/kg] and ln of the vapour pressure [Pa]."""
    from CoolProp.CoolProp import PropsSI

    T = np.arange(TRIPLE_POINT, _TOP, _STEP)
    vapour, liquid = (PropsSI("H", "T", T, "Q", q, "Water") for q in (1, 0))
    return np.stack([T, vapour - liquid, np.log(PropsSI("P", "T", T, "Q", 0, "Water"))])


def site_pressure(scenario: Scenario) -> float:
    """Usual pressure of the air at a scenario's site, by the standard atmosphere.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    pressure : float
        [Pa]
    """
    from pvlib.atmosphere import alt2pres

    return float(alt2pres(scenario.site.altitude))
