"""What a cook waits for, by what is wanted of the pot and what the site lets water get to."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from raytrace.exceptions import HeatError
from raytrace.heat.water import site_pressure, water_at

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["can_be_had", "goal_of", "in_reach", "sun_until"]

ZERO = 273.15  # 0 °C [K]


def in_reach(scenario: Scenario) -> bool:
    """Whether the temperature that is wanted is one that the pot can have at the site.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    bool
        Water gets no warmer than it boils.
    """
    kitchen = scenario.kitchen
    boiling = float(water_at(site_pressure(scenario)).boiling)
    return not kitchen.water or float(kitchen.done_over) <= boiling


def goal_of(scenario: Scenario) -> str:
    """What a cook waits for: "done" where it is to be warm for a time, else "boils".

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    str
        "boils" too where food that is to be cooked can never get as warm as is asked for.
    """
    return "done" if float(scenario.kitchen.done_after) > 0.0 and in_reach(scenario) else "boils"


def sun_until(scenario: Scenario) -> str:
    """What the pot needs the sun for, and the cooker its turning.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    str
        "boils", or "done" for a course that need not boil.
    """
    return "boils" if scenario.kitchen.wanted in ("boil", "rest") else goal_of(scenario)


def can_be_had(scenario: Scenario) -> None:
    """Refuse a temperature over boiling for a course that has nothing else to wait for.

    Parameters
    ----------
    scenario : Scenario

    Raises
    ------
    HeatError
        If it simmers, rests, is reheated or pasteurised over the site's boiling point.
    """
    kitchen = scenario.kitchen
    if kitchen.wanted == "boil" or in_reach(scenario):
        return
    boiling = float(water_at(site_pressure(scenario)).boiling) - ZERO
    raise HeatError(
        f"to {kitchen.wanted} at {float(kitchen.done_over) - ZERO:.3g} degC: water boils at "
        f"{boiling:.1f} degC at this altitude and gets no warmer. Set kitchen.done_over = "
        f'"{math.floor(boiling - 2.0)} degC" or less, and cook for longer'
    )
