"""From one measure of the sun's strength to others, under a cloudless sky of unknown haze."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SkyError
from raytrace.sky.cloudless import beyond_air, cloudless

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.place_sections import Site

__all__ = [
    "MEASURES",
    "PARTED_BY",
    "diffuse_beside",
    "global_normal",
    "part_global",
    "sun_from",
]

Array = NDArray[np.float64]

MEASURES = ("dni", "gni", "ghi")
PARTED_BY = "direct sun of the global by Erbs's model"
CLEAREST, HAZIEST = 1.0, 25.0  # Linke turbidity: the sun through air alone; thick haze


def global_normal(dni: Array, dhi: Array, alpha: Array, albedo: float) -> Array:
    """Global irradiance on the plane normal to the sun, sky and ground taken as even.

    Parameters
    ----------
    dni, dhi : ndarray, shape (T,)
        Direct normal; diffuse on the level. [W/m²]
    alpha : ndarray, shape (T,)
        Altitude of the sun. [rad]
    albedo : float
        Share of the light on the ground that it sends back. [1]

    Returns
    -------
    gni : ndarray, shape (T,)
        0 with the sun down. [W/m²]

    References
    ----------
    .. [1] B. Y. H. Liu and R. C. Jordan, The long-term average performance of flat-plate
       solar-energy collectors, Solar Energy 7 (1963) 53-74 (even sky; from memory).

    Examples
    --------
    >>> up = np.array([np.pi / 2])
    >>> global_normal(np.array([900.0]), np.array([100.0]), up, 0.2).round(6).tolist()
    [1000.0]
    """
    sky, ground = _of_diffuse(np.sin(alpha), albedo)
    return np.where(alpha > 0.0, dni * (1.0 + ground * np.sin(alpha)) + (sky + ground) * dhi, 0.0)


def diffuse_beside(dni: Array, shown: Array, measure: str, alpha: Array, albedo: float) -> Array:
    """Diffuse irradiance on the level that a global measure leaves beside the direct one.

    Parameters
    ----------
    dni : ndarray, shape (T,)
        Direct normal. [W/m²]
    shown : ndarray, shape (T,)
        What was measured. [W/m²]
    measure : str
        "gni", global on the plane normal to the sun; "ghi", global on the level.
    alpha : ndarray, shape (T,)
        Altitude of the sun. [rad]
    albedo : float
        As for `global_normal`. [1]

    Returns
    -------
    dhi : ndarray, shape (T,)
        0 or more. [W/m²]
    """
    high = np.maximum(np.sin(alpha), 0.0)
    sky, ground = _of_diffuse(high, albedo) if measure == "gni" else (1.0, 0.0)
    direct = dni * (1.0 + ground * high if measure == "gni" else high)
    return np.maximum((shown - direct) / (sky + ground), 0.0)


def _of_diffuse(high: Array, albedo: float) -> tuple[Array, Array]:
    """Shares of level irradiance from sky and by the ground, on a plane normal to the sun."""
    return 0.5 * (1.0 + high), 0.5 * (1.0 - high) * albedo


def sun_from(
    site: Site, times: pd.DatetimeIndex, alpha: Array, measure: str, values: Array
) -> tuple[Array, Array]:
    """Direct and diffuse irradiance that go with one measure of the sun.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    times : DatetimeIndex
        T zone-aware moments.
    alpha : ndarray, shape (T,)
        Apparent altitude of the sun. [rad]
    measure : str
        "dni", direct normal; "gni", global on the plane normal to the sun; "ghi", global on the
        level.
    values : ndarray, shape (T,)
        What was measured. [W/m²]

    Returns
    -------
    dni, dhi : ndarray, shape (T,)
        Direct normal, and diffuse on the level; 0 with the sun down. [W/m²]

    Raises
    ------
    SkyError
        If there is no such measure.

    Notes
    -----
    The haze is sought with which the cloudless sky of `raytrace.sky.cloudless.cloudless` gives
    what was measured. Beyond the clearest and the haziest of these skies both are scaled. Under
    cloud the direct part of what a global pyranometer shows is smaller than this says.
    """
    from scipy.optimize import elementwise

    if measure not in MEASURES:
        raise SkyError(f'no measure "{measure}" of the sun: it is one of {", ".join(MEASURES)}')
    values = np.where(alpha > 0.0, values, 0.0)
    beyond = beyond_air(times)

    def sky(log_haze: Array, which: NDArray[np.int64]) -> tuple[Array, Array, Array]:
        up = alpha[which]
        dni, dhi = cloudless(site, beyond[which], up, np.exp(log_haze))
        if measure == "gni":
            return dni, dhi, global_normal(dni, dhi, up, site.albedo)
        return dni, dhi, dni if measure == "dni" else dni * np.sin(up) + dhi

    every = np.arange(len(values))
    low, high = (np.full(len(values), np.log(haze)) for haze in (CLEAREST, HAZIEST))
    too_bright, dim = sky(low, every)[2] <= values, sky(high, every)[2] >= values
    log_haze = np.where(too_bright, low, high)
    between = np.flatnonzero(~too_bright & ~dim)
    if len(between):

        def off(log_haze: Array, which: NDArray[np.int64]) -> Array:
            return np.asarray(sky(log_haze, which)[2] - values[which])

        ends, args = (low[between], high[between]), (between,)
        log_haze[between] = elementwise.find_root(off, ends, args=args).x
    dni, dhi, shown = sky(log_haze, every)
    scale = np.divide(values, shown, out=np.zeros(len(values)), where=shown > 0.0)
    return dni * scale, dhi * scale


def part_global(
    ghi: Array, level: Array, lit: Array, times: pd.DatetimeIndex
) -> tuple[Array, Array]:
    """Part global irradiance on the level into direct and diffuse.

    Parameters
    ----------
    ghi : ndarray, shape (T,)
        Means over intervals. [W/m²]
    level : ndarray, shape (T,)
        Mean of the sine of the sun's altitude over each interval, 0 while it is down. [1]
    lit : ndarray, shape (T,)
        Share of each interval with the sun up. [1]
    times : DatetimeIndex, length T
        Middles of the intervals.

    Returns
    -------
    dni, dhi : ndarray, shape (T,)
        Direct normal and diffuse, means over the intervals too; all is diffuse where the sun stands
        lower than 3°. [W/m²]

    Notes
    -----
    Valid for hours of all skies on average. Of a typical year's hours at Greensboro (TMY3) single
    ones were off by 20 % (rms), days by 11 % (median), the year by −10 %.

    References
    ----------
    .. [1] D. G. Erbs, S. A. Klein and J. A. Duffie, Estimation of the diffuse radiation fraction
       for hourly, daily and monthly-average global radiation, Solar Energy 28 (1982) 293-302, as
       pvlib has it.
    """
    from pvlib.irradiance import erbs

    share = np.maximum(lit, 1e-9)
    up = lit > 0.0
    zenith = np.where(up, np.rad2deg(np.arccos(np.clip(level / share, 0.0, 1.0))), 90.0)
    with np.errstate(all="ignore"):
        found = erbs(ghi / share, zenith, times.day_of_year.to_numpy())
    dni = np.where(up, np.nan_to_num(np.asarray(found["dni"], dtype=float)), 0.0) * lit
    return dni, np.maximum(ghi - dni * level / share, 0.0)
