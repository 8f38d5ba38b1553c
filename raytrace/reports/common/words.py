"""Names of the ledger's lines, of the yard's slope and of where places count from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.common.units import SYSTEM, quantity
from raytrace.sky.ground import ground_of

if TYPE_CHECKING:
    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = ["LINE_NAMES", "cold", "counted_from", "hot", "hot_air", "lukewarm_band", "yard_words"]

POINTS = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)

LINE_NAMES = {
    "cosine": "lost to slant",
    "shaded": "shaded",
    "mirror": "absorbed by the mirrors",
    "rim": "lost through the glass's rim",
    "blocked": "blocked",
    "missed": "missed the pot",
    "side": "on the pot's side",
    "lid": "on the pot's lid",
    "base": "delivered: on the base",
}


def counted_from(scenario: Scenario) -> str:
    """Where places on the board are counted from.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    str
    """
    if scenario.platform.origin == "corner":
        return "the board's left corner away from the sun"
    return "the platform's middle"


def yard_words(site: Site) -> str:
    """How the yard slopes, as a sentence begins.

    Parameters
    ----------
    site : Site

    Returns
    -------
    str
    """
    ground = ground_of(site)
    slope, toward = np.degrees([ground.slope, ground.toward % (2.0 * np.pi)])
    compass = POINTS[round(toward / 45.0) % 8]
    return f"The yard falls {slope:.1f}° toward {compass} ({toward:.0f}°)"


def cold() -> str:
    """How cold food keeps, in the round numbers that authorities print.

    Returns
    -------
    str
    """
    return "4 °C" if SYSTEM.get() == "si" else "40 °F"


def hot() -> str:
    """How hot food keeps.

    Returns
    -------
    str
    """
    return quantity("temperature", 333.15, 0)


def lukewarm_band() -> str:
    """Between which temperatures food may not stay for long.

    Returns
    -------
    str
    """
    return f"{cold().partition(' ')[0]} and {hot()}"


def hot_air() -> str:
    """Air over which food may stay between them for one hour only, not two.

    Returns
    -------
    str
    """
    return quantity("temperature", 305.15, 0)
