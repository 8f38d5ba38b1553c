"""How strong the sun and the sky shine without clouds."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = ["beyond_air", "clear_sky", "cloudless", "earth_sun_distance"]

Array = NDArray[np.float64]

SOLAR_CONSTANT = 1361.0  # IAU 2015 Resolution B3 [W/m²]
DELTA_T = 67.0  # TT − UT1; a few seconds off moves the sun by 0.1″ [s]
_MID_MONTH = (16, 45, 75, 105, 136, 166, 197, 228, 258, 289, 319, 350)  # day of the year


def clear_sky(scenario: Scenario, times: pd.DatetimeIndex, alpha: Array) -> tuple[Array, Array]:
    """Direct and diffuse irradiance of a cloudless sky over a scenario's site.

    Parameters
    ----------
    scenario : Scenario
        Its site and `sky.linke_turbidity` are read; without the latter, a worldwide monthly
        climatology.
    times : DatetimeIndex
        T zone-aware moments.
    alpha : ndarray, shape (T,)
        Apparent altitude of the sun. [rad]

    Returns
    -------
    dni, dhi : ndarray, shape (T,)
        As of `cloudless`. [W/m²]
    """
    site, stated = scenario.site, scenario.sky.linke_turbidity
    if len(times) == 0:
        return np.zeros(0), np.zeros(0)
    if stated is None:
        monthly = _monthly_turbidity(float(site.latitude), float(site.longitude))
        day = times.tz_convert("UTC").day_of_year
        turbidity = np.asarray(np.interp(day, _MID_MONTH, monthly, period=365.25))
    else:
        turbidity = np.full(len(times), float(stated))
    return cloudless(site, beyond_air(times), alpha, turbidity)


def cloudless(site: Site, beyond: Array, alpha: Array, turbidity: Array) -> tuple[Array, Array]:
    """Direct and diffuse irradiance of a cloudless sky of given haze.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    beyond : ndarray, shape (T,)
        Direct normal irradiance outside the air, see `beyond_air`. [W/m²]
    alpha : ndarray, shape (T,)
        Apparent altitude of the sun. [rad]
    turbidity : ndarray, shape (T,)
        Linke's.

    Returns
    -------
    dni, dhi : ndarray, shape (T,)
        Direct normal, and diffuse on the level; 0 while the sun is below a flat horizon. [W/m²]

    References
    ----------
    .. [1] P. Ineichen and R. Perez, "A new airmass independent formulation for the Linke
       turbidity coefficient", Solar Energy 73 (2002) 151-157.
    .. [2] F. Kasten and A. T. Young, "Revised optical air mass tables and approximation
       formula", Applied Optics 28 (1989) 4735-4738.
    """
    from pvlib import atmosphere, clearsky

    zenith = 90.0 - np.rad2deg(np.clip(alpha, 0.0, None))
    relative = atmosphere.get_relative_airmass(zenith, model="kastenyoung1989")
    absolute = atmosphere.get_absolute_airmass(relative, atmosphere.alt2pres(site.altitude))
    sky = clearsky.ineichen(zenith, absolute, turbidity, altitude=site.altitude, dni_extra=beyond)
    up = alpha > 0.0
    dni, dhi = (np.where(up, np.asarray(sky[name], dtype=float), 0.0) for name in ("dni", "dhi"))
    return dni, dhi


def beyond_air(times: pd.DatetimeIndex) -> Array:
    """Direct normal irradiance outside the air. [W/m²]

    Parameters
    ----------
    times : DatetimeIndex, length T

    Returns
    -------
    ndarray, shape (T,)
    """
    return np.asarray(SOLAR_CONSTANT / earth_sun_distance(times) ** 2)


def earth_sun_distance(times: pd.DatetimeIndex) -> Array:
    """Earth to sun, in astronomical units.

    Parameters
    ----------
    times : DatetimeIndex, length T

    Returns
    -------
    ndarray, shape (T,)
    """
    from pvlib.solarposition import nrel_earthsun_distance

    if len(times) == 0:
        return np.zeros(0)
    return np.asarray(nrel_earthsun_distance(times, delta_t=DELTA_T), dtype=float)


@lru_cache(maxsize=64)
def _monthly_turbidity(latitude: float, longitude: float) -> tuple[float, ...]:
    """Linke turbidity of each month, from the climatology that pvlib ships."""
    import pandas as pd
    from pvlib.clearsky import lookup_linke_turbidity

    months = pd.DatetimeIndex([f"2001-{m:02d}-15" for m in range(1, 13)], tz="UTC")
    monthly = lookup_linke_turbidity(
        months,
        float(np.rad2deg(latitude)),
        float(np.rad2deg(longitude)),
        interp_turbidity=False,
    )
    return tuple(float(t) for t in monthly)
