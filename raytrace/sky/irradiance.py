"""From one measure of the sun's strength to another, under a cloudless sky of unknown haze."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SkyError
from raytrace.sky.sun import cloudless, position

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.place_sections import Site

__all__ = ["GROUND", "MEASURES", "global_normal", "sun_from"]

Array = NDArray[np.float64]

MEASURES = ("dni", "gni", "ghi")
GROUND = 0.2  # share of light that ground sends back; common practice, no source
CLEAREST, HAZIEST = 1.0, 25.0  # Linke turbidity: the sun through air alone; thick haze
_STEPS = 40  # of a bisection


def global_normal(dni: Array, dhi: Array, alpha: Array) -> Array:
    """Global irradiance on the plane normal to the sun, sky and ground taken as even.

    Parameters
    ----------
    dni, dhi : ndarray, shape (T,)
        Direct normal; diffuse on the level. [W/m²]
    alpha : ndarray, shape (T,)
        Altitude of the sun. [rad]

    Returns
    -------
    gni : ndarray, shape (T,)
        [W/m²]

    References
    ----------
    .. [1] B. Y. H. Liu and R. C. Jordan, The long-term average performance of flat-plate
       solar-energy collectors, Solar Energy 7 (1963) 53-74 (even sky; from memory).

    Examples
    --------
    >>> up = np.array([np.pi / 2])
    >>> global_normal(np.array([900.0]), np.array([100.0]), up).round(6).tolist()
    [1000.0]
    """
    high = np.sin(alpha)
    ghi = dni * high + dhi
    return np.asarray(dni + 0.5 * (1.0 + high) * dhi + 0.5 * (1.0 - high) * GROUND * ghi)


def sun_from(
    site: Site, times: pd.DatetimeIndex, measure: str, values: Array
) -> tuple[Array, Array]:
    """Direct and global normal irradiance that go with one measured.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    times : DatetimeIndex
        T zone-aware moments.
    measure : str
        "dni", direct normal; "gni", global on the plane normal to the sun; "ghi", global on the
        level.
    values : ndarray, shape (T,)
        What was measured. [W/m²]

    Returns
    -------
    dni, gni : ndarray, shape (T,)
        Direct normal, and global on the plane normal to the sun; 0 with the sun down. [W/m²]

    Raises
    ------
    SkyError
        If there is no such measure.

    Notes
    -----
    The haze is sought with which the cloudless sky of `raytrace.sky.sun.cloudless` gives what was
    measured. Beyond the clearest and the haziest of these skies both are scaled. Under cloud the
    direct part of what a global pyranometer shows is smaller than this says.
    """
    if measure not in MEASURES:
        raise SkyError(f'no measure "{measure}" of the sun: it is one of {", ".join(MEASURES)}')
    alpha, _ = position(site, times)
    up = alpha > 0.0
    values = np.where(up, values, 0.0)

    def sky(turbidity: Array) -> tuple[Array, Array, Array]:
        dni, dhi = cloudless(site, times, alpha, turbidity)
        gni = np.where(up, global_normal(dni, dhi, alpha), 0.0)
        shown = {"dni": dni, "gni": gni, "ghi": dni * np.sin(alpha) + dhi}[measure]
        return dni, gni, shown

    low, high = np.full(len(times), CLEAREST), np.full(len(times), HAZIEST)
    for _ in range(_STEPS):
        middle = np.sqrt(low * high)
        too_bright = sky(middle)[2] > values
        low, high = np.where(too_bright, middle, low), np.where(too_bright, high, middle)
    dni, gni, shown = sky(np.sqrt(low * high))
    scale = np.divide(values, shown, out=np.zeros(len(values)), where=shown > 0.0)
    return dni * scale, gni * scale
