"""Limits of ASAE S580.1 on a heating test: what it asks for, and what a test had."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.exceptions import HeatError

__all__ = ["INTERVAL", "SUN", "Limit", "conditions", "means_between", "plan"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

INTERVAL = 600.0  # section 7.2 [s]
ON_TIME = 30.0  # how far off ten minutes still counts as ten minutes [s]

# limits, from memory
WIND, GUST = 1.0, 2.5  # [m/s]
AIR = (293.15, 308.15)  # [K]
SUN = (450.0, 1100.0)  # [W/m²]
SUN_CHANGE = 100.0  # within an interval [W/m²]
WATER = (313.15, 363.15)  # [K]
BELOW_BOILING = 5.0  # [K]
LOAD = 7.0  # of water per intercept area [kg/m²]
LOAD_SLACK = 0.05  # within which a load counts as kept
OBSERVATIONS, DAYS = 30, 3
R_SQUARED = 0.75


@dataclass(frozen=True)
class Limit:
    """One of the standard's limits, and what a test makes of it.

    Attributes
    ----------
    name : str
        What is limited.
    asked : str
        The limit in words, with units.
    found : str
        What the test had; "not recorded" where nobody knows.
    kept : bool or None
        None where nobody knows.
    left_out : int
        Intervals left out of the regression because of it. [1]
    """

    name: str
    asked: str
    found: str
    kept: bool | None
    left_out: int = 0


def means_between(time: Array, x: Array, first: Whole, last: Whole) -> Array:
    """Means over intervals of what is straight between readings.

    Parameters
    ----------
    time : ndarray, shape (K,)
        [s]
    x : ndarray, shape (K, ...)
    first, last : ndarray of int, shape (N,)

    Returns
    -------
    ndarray, shape (N, ...)

    Examples
    --------
    >>> t, x = np.array([0.0, 1.0, 3.0]), np.array([0.0, 2.0, 2.0])
    >>> means_between(t, x, np.array([0]), np.array([2])).round(3).tolist()
    [1.667]
    """
    step = np.diff(time).reshape(-1, *[1] * (x.ndim - 1))
    area = np.concatenate(
        [np.zeros((1, *x.shape[1:])), np.cumsum(0.5 * (x[1:] + x[:-1]) * step, 0)]
    )
    length = (time[last] - time[first]).reshape(-1, *[1] * (x.ndim - 1))
    return np.asarray((area[last] - area[first]) / length)


def _extremes(x: Array, first: Whole, last: Whole) -> tuple[Array, Array]:
    """Least and greatest reading of each interval, both ends included."""
    low = np.array([x[a : b + 1].min() for a, b in zip(first, last, strict=True)])
    high = np.array([x[a : b + 1].max() for a, b in zip(first, last, strict=True)])
    return low, high


def _span(low: float, high: float, unit: str, decimals: int = 0) -> str:
    a, b = f"{low + 0.0:.{decimals}f}", f"{high + 0.0:.{decimals}f}"
    return f"{a} {unit}" if a == b else f"{a} to {b} {unit}"


def conditions(
    t: Array,
    T: Array,
    around: Array,
    sun: Array,
    blow: Array,
    first: Whole,
    last: Whole,
    *,
    length: Array,
    boiling: float,
    solar_hour: ArrayLike | None,
) -> tuple[NDArray[np.bool_], list[Limit]]:
    """Which intervals count, and the limits on weather, water and time.

    Parameters
    ----------
    t, T, around, sun, blow : ndarray, shape (K,)
        Time [s], water and air [K], irradiance [W/m²] and wind [m/s] at the readings; a wind that
        nobody knows is nan.
    first, last : ndarray of int, shape (N,)
        Readings between which each interval lies.
    length : ndarray, shape (N,)
        [s]
    boiling : float
        [K]
    solar_hour : array_like, shape (K,), or None
        Time by the sun. [h]

    Returns
    -------
    counts : ndarray of bool, shape (N,)
    limits : list of Limit
    """
    n = len(first)
    if n == 0:
        words = "no interval of ten minutes"
        return np.zeros(0, dtype=bool), [Limit("intervals", "10 min", words, False)]
    top = min(WATER[1], boiling - BELOW_BOILING)
    water_low, water_high = _extremes(T, first, last)
    sun_low, sun_high = _extremes(sun, first, last)
    slack = 0.05  # readings are to a tenth of a kelvin [K]
    warm = (water_low >= WATER[0] - slack) & (water_high <= top + slack)
    steady = sun_high - sun_low <= SUN_CHANGE
    bright = (sun_low >= SUN[0]) & (sun_high <= SUN[1])
    calm = np.ones(n, dtype=bool)
    known = bool(np.isfinite(blow).all())
    breeze = means_between(t, blow, first, last)
    if known:
        calm = breeze <= GUST
    counts = warm & steady & bright & calm
    # what was left out can't break a limit any more; if nothing is left, say what it had
    of = counts if counts.any() else np.ones(n, dtype=bool)
    air_low, air_high = (x[of] for x in _extremes(around, first, last))
    limits = [
        Limit(
            "interval",
            "10 min",
            _span(length[of].min() / 60.0, length[of].max() / 60.0, "min", 1),
            bool((np.abs(length[of] - INTERVAL) <= ON_TIME).all()),
        ),
        Limit(
            "water",
            f"{WATER[0] - 273.15:.0f} to {top - 273.15:.1f} °C",
            _span(water_low[of].min() - 273.15, water_high[of].max() - 273.15, "°C", 1),
            bool(warm[of].all()),
            int((~warm).sum()),
        ),
        Limit(
            "insolation",
            f"{SUN[0]:.0f} to {SUN[1]:.0f} W/m²",
            _span(sun_low[of].min(), sun_high[of].max(), "W/m²"),
            bool(bright[of].all()),
            int((~bright).sum()),
        ),
        Limit(
            "change in an interval",
            f"{SUN_CHANGE:.0f} W/m² or less",
            f"{(sun_high - sun_low)[of].max():.0f} W/m²",
            bool(steady[of].all()),
            int((~steady).sum()),
        ),
        Limit(
            "air",
            f"{AIR[0] - 273.15:.0f} to {AIR[1] - 273.15:.0f} °C",
            _span(air_low.min() - 273.15, air_high.max() - 273.15, "°C", 1),
            bool((air_low >= AIR[0] - slack).all() and (air_high <= AIR[1] + slack).all()),
        ),
    ]
    asked = f"under {WIND:.1f} m/s"
    if known:
        found = f"up to {breeze[of].max():.1f} m/s"
        limits.append(
            Limit("wind", asked, found, bool((breeze[of] < WIND).all()), int((~calm).sum()))
        )
    else:
        limits.append(Limit("wind", asked, "not recorded", None))
    if solar_hour is not None:
        hour = np.asarray(solar_hour, dtype=float)
        low, high = hour[first][of].min(), hour[last][of].max()
        limits.append(
            Limit(
                "time by the sun",
                "10:00 to 14:00",
                f"{_hour(low)} to {_hour(high)}",
                bool(low >= 10.0 - 1e-3 and high <= 14.0 + 1e-3),
            )
        )
    return counts, limits


def _hour(hour: float) -> str:
    minutes = round(60.0 * hour)
    return f"{minutes // 60}:{minutes % 60:02d}"


def plan(
    mass: float, intercept_area: float | None, observations: int, days: int, r_squared: float
) -> list[Limit]:
    """Limits on the load and on how much was observed.

    Parameters
    ----------
    mass : float
        Of the water. [kg]
    intercept_area : float or None
        [m²]
    observations, days : int
        In the regression.
    r_squared : float
        Of the regression; nan where there is none.

    Returns
    -------
    list of Limit

    Raises
    ------
    HeatError
        If the area isn't positive.
    """
    asked = f"{LOAD:.0f} kg/m²"
    load = Limit("water per intercept area", asked, "area not known", None)
    if intercept_area is not None:
        if not intercept_area > 0.0:
            raise HeatError("intercept_area must be positive")
        per = mass / intercept_area
        load = Limit(
            "water per intercept area",
            asked,
            f"{per:.1f} kg/m²",
            abs(per / LOAD - 1.0) < LOAD_SLACK,
        )
    return [
        load,
        Limit(
            "observations",
            f"{OBSERVATIONS} or more",
            f"{observations}",
            observations >= OBSERVATIONS,
        ),
        Limit("days", f"{DAYS} or more", f"{days if observations else 0}", days >= DAYS),
        Limit(
            "r²",
            f"over {R_SQUARED:.2f}",
            "no regression" if np.isnan(r_squared) else f"{r_squared:.3f}",
            bool(r_squared > R_SQUARED),
        ),
    ]
