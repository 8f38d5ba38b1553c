"""What a cook may want of a pot: courses of its temperature, each with its usual figures.

One rule covers them all: the pot is to be at a temperature or over for a time without a break.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal

from raytrace.exceptions import Problem

if TYPE_CHECKING:
    from raytrace.scenario.use_sections import Kitchen

__all__ = ["DRY", "Course", "pasteurising_time", "usual", "wrong_course"]

ZERO = 273.15  # 0 °C [K]
MINUTE = 60.0  # [s]

Course = Literal["boil", "simmer", "reheat", "bake", "fry", "pasteurise", "rest"]

DRY = ("bake", "fry")  # no water in the pot

# Temperature [K] to be kept or passed, and for how long without a break [s]. Simmering, baking,
# frying and resting: common practice, no source. Reheating: 165 °F for 15 s, US Food and Drug
# Administration, Food Code, 3-403.11, from memory. Pasteurising: `PASTEURISED`.
_USUAL: dict[Course, tuple[float, float]] = {
    "boil": (90.0 + ZERO, 0.0),
    "simmer": (85.0 + ZERO, 60.0 * MINUTE),
    "reheat": (74.0 + ZERO, 15.0),
    "bake": (160.0 + ZERO, 45.0 * MINUTE),
    "fry": (175.0 + ZERO, 15.0 * MINUTE),
    "pasteurise": (65.0 + ZERO, 6.0 * MINUTE),
    "rest": (75.0 + ZERO, 120.0 * MINUTE),
}

# Water: temperature [K], and how long it must be so [s]. D. A. Ciochetti and R. H. Metcalf,
# Pasteurization of naturally contaminated water with solar energy, Applied and Environmental
# Microbiology 47 (1984) 223-228: 65 °C for 6 min; 70 °C for 1 min as the rounded practice since;
# both from memory.
PASTEURISED = ((65.0 + ZERO, 6.0 * MINUTE), (70.0 + ZERO, 1.0 * MINUTE))
REHEATED = 70.0 + ZERO  # World Health Organization, Five Keys to Safer Food, 2006, from memory
HOT = 60.0 + ZERO  # under which food spoils, see raytrace.heat.food


def pasteurising_time(over: float) -> float:
    """How long water must be so warm to be pasteurised.

    Parameters
    ----------
    over : float
        [K]

    Returns
    -------
    float
        Infinite below 65 °C, for which no figure is given; the logarithm runs straight from
        65 to 70 °C, as germs die; no less than 1 min above. [s]

    Examples
    --------
    >>> [pasteurising_time(T) / 60.0 for T in (338.15, 343.15, 363.15)]
    [6.0, 1.0, 1.0]
    """
    (low, longest), (high, shortest) = PASTEURISED
    if over < low - 1e-9:
        return math.inf
    share = min(max((over - low) / (high - low), 0.0), 1.0)
    return float(longest * (shortest / longest) ** share)


def usual(wanted: Course, over: float | None = None) -> tuple[float, float]:
    """Temperature and time of a course where the scenario doesn't say.

    Parameters
    ----------
    wanted : str
    over : float, optional
        The temperature, where the scenario says that. [K]

    Returns
    -------
    over : float
        [K]
    after : float
        [s]
    """
    T, time = _USUAL[wanted]
    over = T if over is None else over
    if wanted == "pasteurise" and over > T:
        time = pasteurising_time(over)
    return over, time


def wrong_course(kitchen: Kitchen) -> Iterator[Problem]:
    """Problems of what is wanted with what is in the pot.

    Parameters
    ----------
    kitchen : Section

    Yields
    ------
    Problem
        Each with the mend.
    """
    wanted, over = kitchen.wanted, float(kitchen.done_over)
    warm = f" = {over - ZERO:.3g} degC"
    if wanted in DRY and kitchen.water:
        what = f" = {1e3 * float(kitchen.water):.3g} L: to {wanted}, leave the water out."
        yield Problem("kitchen.water", f'{what} Write kitchen.water = "0 L".')
    elif wanted in ("simmer", "pasteurise", "rest") and not kitchen.water:
        yield Problem("kitchen.water", f'to {wanted} takes water. Write a volume, such as "2 L".')
    if wanted == "rest" and over < HOT - 1e-9:
        why = "under 60 degC food spoils. Write 60 degC or more."
        yield Problem("kitchen.done_over", f"{warm}: {why}")
    if wanted == "reheat" and over < REHEATED - 1e-9:
        why = "food is reheated safely at 70 degC or more. Write so much."
        yield Problem("kitchen.done_over", f"{warm}: {why}")
    if wanted == "pasteurise":
        yield from _pasteurised(kitchen, warm)


def _pasteurised(kitchen: Kitchen, warm: str) -> Iterator[Problem]:
    least = pasteurising_time(float(kitchen.done_over))
    if kitchen.food:
        why = "water alone is pasteurised by these figures. Leave the food out."
        yield Problem("kitchen.food", f" = {float(kitchen.food):.3g} kg: {why}")
    if math.isinf(least):
        why = "water is not pasteurised there, however long. Write 65 degC or more."
        yield Problem("kitchen.done_over", f"{warm}: {why}")
    elif float(kitchen.done_after) < least - 1e-6:
        why = f"too short at {warm[3:]}. Write {math.ceil(least)} s or more, or leave it out."
        yield Problem("kitchen.done_after", f" = {float(kitchen.done_after):.0f} s: {why}")
