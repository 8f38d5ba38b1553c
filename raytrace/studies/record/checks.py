"""What can't be right in a cook's record: slips of the thermometer, a sun that is too bright."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.heat.losses import losses
from raytrace.heat.vessel import vessel_from_scenario
from raytrace.heat.water import site_pressure, water_at
from raytrace.light.history import moments
from raytrace.sky.cloudless import beyond_air, cloudless
from raytrace.sky.irradiance import CLEAREST
from raytrace.sky.sun import position

if TYPE_CHECKING:
    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = ["PAUSE", "REFILLED", "clearest", "cooling", "heatings", "slips", "too_bright"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]

PAUSE = 3600  # without a reading, after which the next one begins a heating of its own [s]
REFILLED = 10.0  # colder than the reading before: the pot was filled again [K]
UNSURE = 1.5  # factor on the losses of the model: wind, lid
SLIP = 3  # readings in a row that a thermometer may have shown something else
TOO_BRIGHT, STRAY = 1.05, 20.0  # over the clearest sky: no sun, but a wrong unit or clock; [W/m²]


def heatings(time: Whole, water: Array, cools: ArrayLike = 0.0) -> Whole:
    """Which heating each reading belongs to, from 0.

    Parameters
    ----------
    time : ndarray of int, shape (K,)
        Rising. [s]
    water : ndarray, shape (K,)
        [K]
    cools : array_like, shape (K,)
        How far the water may cool by itself from each reading to the next. [K]

    Returns
    -------
    ndarray of int, shape (K,)
        A heating begins after an hour without readings, and where the water is 10 K colder than
        at the reading before and than it cools by itself.

    Examples
    --------
    >>> heatings(np.array([0, 600, 1200, 9000]), np.array([300.0, 320.0, 305.0, 304.0])).tolist()
    [0, 0, 1, 2]
    """
    begins = (np.diff(time) > PAUSE) | _falls(water, cools)
    return np.concatenate([[0], np.cumsum(begins)]).astype(np.int64)


def cooling(scenario: Scenario, time: Whole, water: Array, air: Array, wind: Array) -> Array:
    """How far a pot without light may cool from each reading to the next, shape (K,). [K]

    Parameters
    ----------
    scenario : Scenario
        Its kitchen says what was in the pot.
    time : ndarray of int, shape (K,)
        [s]
    water, air : ndarray, shape (K,)
        [K]
    wind : ndarray, shape (K,)
        [m/s]

    Returns
    -------
    ndarray, shape (K,)
        Half as much again as by the model's losses at the start; 0 behind the last reading.
    """
    vessel, kind = vessel_from_scenario(scenario), water_at(site_pressure(scenario))
    T = np.minimum(water, kind.boiling)
    found = losses(vessel, kind, T, around=air, wind=wind, humidity=scenario.air.humidity)
    heat = found.convection + found.radiation + found.vapour * kind.latent_heat(T)
    capacity = vessel.solid + vessel.water * kind.heat_capacity(T)
    return np.asarray(UNSURE * np.maximum(heat, 0.0) / capacity * np.append(np.diff(time), 0))


def _falls(water: Array, cools: ArrayLike) -> Mask:
    """Where the water falls so far to the next reading that another pot, or none, was measured."""
    most = np.maximum(REFILLED, np.broadcast_to(cools, water.shape)[:-1])
    return np.asarray(np.diff(water) < -most)


def slips(time: Whole, water: Array, cools: ArrayLike = 0.0) -> Mask:
    """Readings that are the thermometer's, not the water's: a fall that a rise takes back.

    Parameters
    ----------
    time : ndarray of int, shape (K,)
        Rising. [s]
    water : ndarray, shape (K,)
        [K]
    cools : array_like, shape (K,)
        As for `heatings`.

    Returns
    -------
    ndarray of bool, shape (K,)
        True for up to three readings in a row between a fall that would begin a heating and a
        rise, either first, if the one takes back to within half what the other is off by from
        the usual pace. A pot that is filled again stays cold; a slip comes back.

    Notes
    -----
    The usual pace is the median over the readings of a heating, of which there must be four. Our
    own rule. A fall that is smaller begins no heating, and what it takes from one interval it
    gives the next.

    Examples
    --------
    >>> time = 600 * np.arange(6)
    >>> slips(time, np.array([20.0, 30.0, 40.0, 25.0, 60.0, 70.0])).nonzero()[0].tolist()
    [3]
    >>> slips(time, np.array([20.0, 30.0, 40.0, 25.0, 35.0, 45.0])).sum()  # filled again
    np.int64(0)
    """
    out = np.zeros(len(time), dtype=bool)
    cools = np.broadcast_to(cools, water.shape)
    while True:
        left = np.flatnonzero(~out)
        found = _one_slip(time[left], water[left], cools[left])
        if found is None:
            return out
        out[left[found[0] : found[1]]] = True


def _one_slip(time: Whole, water: Array, cools: Array) -> tuple[int, int] | None:
    """First and last + 1 of the readings that are the likeliest slip of a record, if any."""
    step, span = np.diff(water), np.diff(time)
    falls = _falls(water, cools)
    stretch = np.concatenate([[0], np.cumsum(span > PAUSE)])
    best: tuple[float, int, int, int] | None = None
    for part in np.unique(stretch):
        pairs = np.flatnonzero((stretch[:-1] == part) & (stretch[1:] == part))
        if len(pairs) < 3:
            continue
        off = np.zeros(len(step))
        off[pairs] = step[pairs] - np.median(step[pairs] / span[pairs]) * span[pairs]
        for fall in pairs[falls[pairs]]:
            for rise in pairs[(np.abs(pairs - fall) <= SLIP) & (off[pairs] > 0.0)]:
                a, b = sorted((int(fall), int(rise)))
                less = min(-off[fall], off[rise])
                left = abs(off[fall] + off[rise])
                calm = np.abs(off[a + 1 : b]) < 0.5 * less
                if less >= REFILLED and left <= 0.5 * max(-off[fall], off[rise]) and calm.all():
                    best = min(best or (np.inf, 0, 0, 0), (left, b - a, a + 1, b + 1))
    return None if best is None else best[2:]


def clearest(site: Site, measure: str, time: Whole) -> Array:
    """Irradiance that no sky exceeds, but for light that clouds throw. [W/m²]

    Parameters
    ----------
    site : Site
    measure : str
        "dni", "gni" or "ghi".
    time : ndarray of int, shape (N,)
        Seconds since 1970 UTC. [s]

    Returns
    -------
    ndarray, shape (N,)
        [W/m²]
    """
    when = moments(time)
    high, _ = position(site, when)
    direct, diffuse = cloudless(site, beyond_air(when), high, np.full(len(time), CLEAREST))
    if measure == "ghi":
        return np.asarray(direct * np.maximum(np.sin(high), 0.0) + 3.0 * diffuse)
    if measure == "gni":
        return np.asarray(direct + 4.0 * diffuse)
    return np.where(high > 0.0, direct + diffuse, 0.0)


def too_bright(site: Site, measure: str, time: Whole, value: Array) -> Mask:
    """Which readings of the sun can't be: more than the clearest sky gives.

    Parameters
    ----------
    site : Site
    measure, time
        As for `clearest`.
    value : ndarray, shape (N,)
        [W/m²]

    Returns
    -------
    ndarray of bool, shape (N,)
    """
    return np.asarray(value > TOO_BRIGHT * clearest(site, measure, time) + STRAY)
