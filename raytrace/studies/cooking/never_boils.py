"""Why a pot never boils: computed by comparison, in a fixed order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["BOILS", "REASONS", "REASON_MEANINGS", "why_not"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

REASONS = (
    "boils",
    "sun down",
    "cloud",
    "too short",
    "weak mirrors",
    "low sun",
    "off design",
    "no such time",
    "not tried",
)
REASON_MEANINGS = {
    "boils": "it boils",
    "sun down": "the sun is down or behind the horizon for most of the time that is left",
    "cloud": "a clear sky would have brought it to the boil",
    "too short": "the best watts would boil it, but do not last long enough",
    "weak mirrors": "even the design sun's watts do not outdo the losses of a pot at the boil",
    "low sun": "the mirrors get too little light: the sun is low, or stands aslant to them",
    "off design": "the light misses the pot: the sun stands too far off the design altitude",
    "no such time": "the clock skips this start on that day",
    "not tried": "this start was not tried on that day",
}
BOILS, SUN_DOWN, CLOUD, SHORT, WEAK, LOW, OFF, NO_TIME, NOT_TRIED = range(len(REASONS))


def why_not(
    boils: NDArray[np.bool_],
    sun_share: Array,
    boils_if_clear: NDArray[np.bool_],
    best_enough: NDArray[np.bool_],
    weak: NDArray[np.bool_],
    light: Array,
    aim: Array,
) -> Whole:
    """Give each pot the first reason that applies.

    Parameters
    ----------
    boils : ndarray of bool, shape (C,)
    sun_share : ndarray, shape (C,)
        Share of the time left with the sun above the horizon profile.
    boils_if_clear : ndarray of bool, shape (C,)
        Whether a clear sky brings it to the boil, all else equal.
    best_enough : ndarray of bool, shape (C,)
        Whether it would boil in the end if its best watts went on; under a clear sky, where the
        scenario has weather.
    weak : ndarray of bool, shape (C,)
        Whether not even the design sun's watts would boil it, and its best come close to these.
    light, aim : ndarray, shape (C,)
        At the moment of its best watts, over the same at the design sun: light that leaves the
        mirrors, and the share of it that arrives on the pot. nan counts as 0.

    Returns
    -------
    reason : ndarray of int, shape (C,)
        Index into `REASONS`.

    Notes
    -----
    In this order: it boils; the sun is up for less than half of the time left; it boils under a
    clear sky; its best watts outdo its losses at the boil, so that it is time that lacks; those
    of the design sun do not, and its best are about as many, so that the cooker is too small for
    the pot. Otherwise two factors part the best moment from the design sun, `light` and `aim`;
    the smaller one gives the reason.
    """
    light, aim = np.nan_to_num(light), np.nan_to_num(aim)
    return np.asarray(
        np.select(
            [
                boils,
                sun_share < 0.5,
                boils_if_clear,
                best_enough,
                weak,
                # where no light leaves the mirrors none can miss the pot
                aim < light,
            ],
            [BOILS, SUN_DOWN, CLOUD, SHORT, WEAK, OFF],
            LOW,
        ),
        dtype=np.int64,
    )
