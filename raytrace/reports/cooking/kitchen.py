"""Pot, contents, habit and doneness in words that the season and the day share."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from raytrace.reports.common import units
from raytrace.reports.cooking.wanted import time_words

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["contents_words", "habit_words", "pot_words", "too_hot_words", "wanted_words"]


def contents_words(scenario: Scenario) -> str:
    """What is in the pot, as in "2 L of water and 0.5 kg of food".

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    str
    """
    kitchen = scenario.kitchen
    water = f"{units.volume(float(kitchen.water))} of water" if kitchen.water else ""
    food = f"{units.mass(float(kitchen.food))} of food" if kitchen.food else ""
    return " and ".join(part for part in (water, food) if part) or "nothing"


def habit_words(every: float, face: str) -> str:
    """A habit of turning in words.

    Parameters
    ----------
    every : float
        Between turnings; infinite if never. [s]
    face : str
        "now" or "ahead", see `raytrace.light.turning.Habit`.

    Returns
    -------
    str

    Examples
    --------
    >>> habit_words(1800.0, "now"), habit_words(3600.0, "ahead"), habit_words(float("inf"), "now")
    ('turned every 30 min', 'turned every 60 min, ahead of the sun', 'never turned after the start')
    """
    if math.isinf(every):
        return "never turned after the start"
    return f"turned every {every / 60.0:g} min" + (", ahead of the sun" if face == "ahead" else "")


def pot_words(scenario: Scenario, boiling: float) -> str:
    """Contents, lid and boiling point of the pot, for the table of what was computed.

    Parameters
    ----------
    scenario : Scenario
    boiling : float
        Boiling point at the site. [K]

    Returns
    -------
    str
    """
    kitchen = scenario.kitchen
    words = f"{contents_words(scenario)}, {'lid on' if kitchen.lid else 'no lid'}"
    if not kitchen.water:
        return f"{words}; no water that could boil"
    at, before = units.quantity("temperature", boiling, 1), units.short("difference", 1.0)
    return f"{words}; boils at {at}, told {before} before"


def wanted_words(scenario: Scenario) -> str:
    """How long the food must be how warm to be done.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    str
    """
    kitchen = scenario.kitchen
    return (
        f"{time_words(float(kitchen.done_after))} without a break at "
        f"{units.quantity('temperature', float(kitchen.done_over), 0)} or over"
    )


def too_hot_words(scenario: Scenario, boiling: float) -> str:
    """Say that food cannot get as warm as it is asked to; "" where it can.

    Parameters
    ----------
    scenario : Scenario
    boiling : float
        Boiling point at the site. [K]

    Returns
    -------
    str
    """
    kitchen = scenario.kitchen
    over = float(kitchen.done_over)
    if not (kitchen.done_after and kitchen.water and over > boiling):
        return ""
    at = units.quantity("temperature", boiling, 1)
    return (
        f"The food can never get done ({wanted_words(scenario)}): water boils at {at} at this "
        "altitude and gets no warmer. Ask for less (kitchen.done_over), and for longer "
        "(kitchen.done_after): food cooks more slowly there."
    )
