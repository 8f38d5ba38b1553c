"""What a pot's temperatures say of the food in it: when it is hot, and when it stood lukewarm.

Bacteria multiply fastest between 40 and 140 °F; food may stay there for two hours, one in
air over 90 °F: US Department of Agriculture, Food Safety and Inspection Service, "Danger Zone
(40 °F - 140 °F)", quoted from memory. The rounded 4, 60 and 32 °C are those of the same page.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["COLD", "HOT", "Lukewarm", "allowed", "lukewarm", "lukewarm_share", "stretches"]

Array = NDArray[np.float64]

COLD, HOT = 277.15, 333.15  # between these food is lukewarm [K]
HOT_AIR = 305.15  # over which it may be so for half the time only [K]
ALLOWED = 7200.0  # that food may stay lukewarm [s]


@dataclass(frozen=True)
class Lukewarm:
    """A stretch in which food stands lukewarm for too long.

    Attributes
    ----------
    start, end : float
        When it begins and ends. [s]
    spoilt : float
        When the time allowed is used up. [s]
    hot_air : bool
        Whether the air is over 32 °C for some of it, which counts double.
    """

    start: float
    end: float
    spoilt: float
    hot_air: bool

    SHOWN: ClassVar = {"start": "min", "end": "min", "spoilt": "min"}


def allowed(air: float) -> float:
    """How long food may stand lukewarm in air of one temperature.

    Parameters
    ----------
    air : float
        [K]

    Returns
    -------
    float
        [s]

    Examples
    --------
    >>> allowed(293.15), allowed(308.15)
    (7200.0, 3600.0)
    """
    return 0.5 * ALLOWED if air >= HOT_AIR else ALLOWED


def stretches(
    time: ArrayLike, temperature: ArrayLike, low: float, high: float = np.inf
) -> list[tuple[float, float]]:
    """Stretches of time without a break in which a temperature lies in [low, high).

    Parameters
    ----------
    time : array_like, shape (K,)
        Rising. [s]
    temperature : array_like, shape (K,)
        Straight between these times; nan lies nowhere. [K]
    low, high : float
        [K]

    Returns
    -------
    list of (float, float)
        Start and end of each. [s]

    Examples
    --------
    >>> stretches([0.0, 100.0, 200.0, 300.0], [20.0, 90.0, 90.0, 20.0], 55.0)
    [(50.0, 250.0)]
    """
    t, T = np.asarray(time, dtype=float), np.asarray(temperature, dtype=float)
    knots = t
    for level in (low, high):
        k = np.flatnonzero((T[:-1] - level) * (T[1:] - level) < 0.0)
        share = (level - T[k]) / (T[k + 1] - T[k])
        knots = np.union1d(knots, t[k] + share * (t[k + 1] - t[k]))
    middle = np.interp(0.5 * (knots[1:] + knots[:-1]), t, T)
    inside = np.concatenate([[False], (middle >= low) & (middle < high), [False]])
    edges = knots[np.flatnonzero(inside[1:] != inside[:-1])].tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def lukewarm(time: ArrayLike, temperature: ArrayLike, air: ArrayLike) -> list[Lukewarm]:
    """Stretches in which food is between 4 and 60 °C for over two hours, one in air over 32 °C.

    Parameters
    ----------
    time : array_like, shape (K,)
        Rising. [s]
    temperature : array_like, shape (K,)
        Of the food. [K]
    air : array_like, shape (K,) or ()
        [K]

    Returns
    -------
    list of Lukewarm
        Warming up slowly counts as cooling slowly does. Food is taken to come cold, from below
        4 °C, at the first of the times.

    Notes
    -----
    Where the air is over 32 °C for a part of a stretch, each minute of that part counts as two:
    the source says nothing of such days; this gives its figures where the air stays on one side.

    Examples
    --------
    Three hours of cooling from 60 to 40 °C:

    >>> cooling = lukewarm([0.0, 10800.0], [333.15, 313.15], 293.15)
    >>> [(x.start, x.spoilt, x.end) for x in cooling]
    [(0.0, 7200.0, 10800.0)]
    """
    t = np.asarray(time, dtype=float)
    air = np.broadcast_to(np.asarray(air, dtype=float), t.shape)
    out = []
    for stretch in stretches(t, temperature, COLD, HOT):
        knots, used = _used(t, air, *stretch)
        if used[-1] > 1.0:
            spoilt = float(np.interp(1.0, used, knots))
            out.append(Lukewarm(*stretch, spoilt, bool(_hot_air(t, air, *stretch))))
    return out


def lukewarm_share(
    time: ArrayLike, temperature: ArrayLike, air: ArrayLike, until: float = np.inf
) -> float:
    """Share of the time allowed that the longest lukewarm stretch uses up; over 1 is too long.

    Parameters
    ----------
    time, temperature, air
        As in `lukewarm`.
    until : float
        What comes later does not count; nan for all. [s]

    Returns
    -------
    float

    Examples
    --------
    >>> lukewarm_share([0.0, 3600.0], [293.15, 293.15], 293.15)
    0.5
    """
    t = np.asarray(time, dtype=float)
    air = np.broadcast_to(np.asarray(air, dtype=float), t.shape)
    last = float(np.nan_to_num(until, nan=np.inf))
    return max(
        (
            float(_used(t, air, start, min(end, last))[1][-1])
            for start, end in stretches(t, temperature, COLD, HOT)
            if start < last
        ),
        default=0.0,
    )


def _hot_air(time: Array, air: Array, start: float, end: float) -> list[tuple[float, float]]:
    """Parts of a stretch in which the air is over 32 °C."""
    parts = [(max(a, start), min(b, end)) for a, b in stretches(time, air, HOT_AIR)]
    return [(a, b) for a, b in parts if a < b]


def _used(time: Array, air: Array, start: float, end: float) -> tuple[Array, Array]:
    """Moments of a stretch, and the share of the time allowed that is used up by each."""
    hot = _hot_air(time, air, start, end)
    knots = np.union1d([start, end], np.ravel(hot))
    middle = 0.5 * (knots[1:] + knots[:-1])
    double = np.zeros(len(middle))
    for a, b in hot:
        double += (a < middle) & (middle < b)
    return knots, np.concatenate([[0.0], np.cumsum((1.0 + double) * np.diff(knots) / ALLOWED)])
