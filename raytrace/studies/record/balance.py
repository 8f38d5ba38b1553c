"""The heat balance of a pot turned round: from measured temperatures to the light on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raytrace.heat.losses import losses
from raytrace.heat.vessel import Vessel
from raytrace.heat.water import Water
from raytrace.studies.record.readings import Record

__all__ = ["SHY", "Balance", "balance", "settle", "under_strange_sun", "usable_pairs"]

Array = NDArray[np.float64]

SHY = 2.0  # of boiling: closer, vapour takes what no thermometer shows [K]


@dataclass(frozen=True, eq=False)
class Balance:
    """Heat that a record shows, from each reading to the next; K − 1 pairs.

    Attributes
    ----------
    length : ndarray, shape (K − 1,)
        0 between heatings. [s]
    stored : ndarray, shape (K − 1,)
        What pot and contents took up. [W]
    lost : ndarray, shape (K − 1,)
        To air, sky and ground, and with vapour, by the model. [W]
    capacity : ndarray, shape (K,)
        Heat capacity at each reading. [J/K]
    slope : ndarray, shape (K,)
        How losses grow with temperature. [W/K]
    """

    length: Array
    stored: Array
    lost: Array
    capacity: Array
    slope: Array

    @property
    def absorbed(self) -> Array:
        """Light that turned to heat, shape (K − 1,). [W]"""
        return self.stored + self.lost


def balance(
    vessel: Vessel, water: Water, record: Record, air: Array, wind: Array, humidity: float
) -> Balance:
    """Heat balance of a measured pot.

    Parameters
    ----------
    vessel : Vessel
    water : Water
        At the site's pressure.
    record : Record
    air, wind : ndarray, shape (K,)
        At the readings. [K], [m/s]
    humidity : float
        Relative.

    Returns
    -------
    Balance

    Notes
    -----
    Between readings the temperature is taken as straight, and losses by Simpson's rule. Vapour
    takes along what the model says, so that the pot gets lighter.
    """
    T, run = record.water, record.run
    same = np.diff(run) == 0
    length = np.where(same, np.diff(record.time), 0).astype(float)
    T = np.minimum(T, water.boiling)
    middle = [0.5 * (x[1:] + x[:-1]) for x in (T, air, wind)]
    at = np.concatenate([T, middle[0], T + 0.5, T - 0.5])
    around = np.concatenate([air, middle[1], air, air])
    blow = np.concatenate([wind, middle[2], wind, wind])
    # the two for the slope may pass the boiling point, where the table of vapour ends
    found = losses(
        vessel, water, np.minimum(at, water.boiling), around=around, wind=blow, humidity=humidity
    )
    heat = found.convection + found.radiation + found.vapour * water.latent_heat(at)
    K = len(T)

    def simpson(x: Array) -> Array:
        return np.asarray((x[: K - 1] + 4.0 * x[K : 2 * K - 1] + x[1:K]) / 6.0)

    gone = np.concatenate([[0.0], np.cumsum(simpson(found.vapour) * length)])
    first = np.searchsorted(run, run)
    left = np.maximum(vessel.water - (gone - gone[first]), 0.0)
    mean = 0.5 * (left[1:] + left[:-1])
    h = water.enthalpy(T)
    taken = np.where(same, vessel.solid * np.diff(T) + mean * np.diff(h), 0.0)
    return Balance(
        length=length,
        stored=np.divide(taken, length, out=np.zeros(K - 1), where=same),
        lost=np.where(same, simpson(heat), 0.0),
        capacity=vessel.solid + left * water.heat_capacity(T),
        slope=heat[2 * K - 1 : 3 * K - 1] - heat[3 * K - 1 :],
    )


def usable_pairs(record: Record, water: Water, reading_error: float) -> NDArray[np.bool_]:
    """Pairs of readings that say something of the light: one heating, not yet near boiling.

    Parameters
    ----------
    record : Record
    water : Water
    reading_error : float
        [K]

    Returns
    -------
    ndarray of bool, shape (K − 1,)
    """
    limit = water.boiling - SHY - 2.0 * reading_error
    cool = record.water <= limit
    out = np.zeros(len(record.time) - 1, dtype=bool)
    for which in record.runs:
        count = len(which) if cool[which].all() else int(np.argmin(cool[which]))
        out[which[0] : which[0] + max(count - 1, 0)] = True
    return out


def under_strange_sun(record: Record) -> NDArray[np.bool_]:
    """Pairs of readings for which the irradiance was read as what it can't have been.

    Parameters
    ----------
    record : Record

    Returns
    -------
    ndarray of bool, shape (K − 1,)
    """
    after = np.searchsorted(record.strange_sun, record.time[:-1], side="left")
    until = np.searchsorted(record.strange_sun, record.time[1:], side="right")
    return np.asarray((until > after) & (np.diff(record.run) == 0))


def settle(
    balance: Balance,
    pairs: NDArray[np.bool_],
    unmirrored: Array,
    *,
    reading_error: float,
    loss_error: float,
) -> tuple[float, float]:
    """Mean heat that the mirrors' light brought over some pairs of readings, and its error.

    Parameters
    ----------
    balance : Balance
    pairs : ndarray of bool, shape (K − 1,)
        Which of them.
    unmirrored : ndarray, shape (K − 1,)
        What direct sun on the pot, sky and ground bring. [W]
    reading_error : float
        Standard deviation of a reading. [K]
    loss_error : float
        The same of the losses, as a share of them, common to all pairs.

    Returns
    -------
    watts, se : float
        [W]
    """
    weight = balance.length * pairs
    span = weight.sum()
    watts = weight @ (balance.absorbed - unmirrored) / span
    # a reading's error: what it adds to the pair before, it takes from the pair behind
    before = np.concatenate([[False], pairs]).astype(float)
    behind = np.concatenate([pairs, [False]]).astype(float)
    near = np.concatenate([[0.0], weight]) + np.concatenate([weight, [0.0]])
    gradient = balance.capacity * (before - behind) + 0.5 * near * balance.slope
    read = reading_error * float(np.sqrt((gradient**2).sum()))
    loss = loss_error * float(weight @ balance.lost)
    return float(watts), float(np.hypot(read, loss) / span)
