"""Names of the ledger's lines, of ways and the compass, of where places count from, of heat."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.common.units import SYSTEM, quantity
from raytrace.sky.ground import ground_of

if TYPE_CHECKING:
    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = [
    "LINE_NAMES",
    "WAYS",
    "cold",
    "counted_from",
    "hot",
    "hot_air",
    "lukewarm_band",
    "point_of",
    "way_words",
    "yard_words",
]

POINTS = (
    "north", "north-northeast", "northeast", "east-northeast", "east", "east-southeast",
    "southeast", "south-southeast", "south", "south-southwest", "southwest", "west-southwest",
    "west", "west-northwest", "northwest", "north-northwest",
)  # fmt: skip

# ways along the platform's axes, positive and negative
WAYS = {
    "x": ("to the right", "to the left"),
    "y": ("toward the sun's side", "away from the sun's side"),
    "z": ("up", "down"),
}

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


def way_words(axis: str, far: float, how: str = "") -> str:
    """How far something lies or goes along an axis of the platform, and which way.

    Parameters
    ----------
    axis : str
        "x", "y" or "z".
    far : float
        [m]
    how : str
        What stands between, as in "too far".

    Returns
    -------
    str

    Examples
    --------
    >>> way_words("x", -0.06), way_words("y", 0.012, "too far")
    ('60 mm to the left', "12 mm too far toward the sun's side")
    """
    length = quantity("length", abs(far), 0)
    return " ".join(word for word in (length, how, WAYS[axis][0 if far >= 0.0 else 1]) if word)


def point_of(azimuth: float, of: int = 16) -> str:
    """Nearest point of the compass.

    Parameters
    ----------
    azimuth : float
        Clockwise from north. [rad]
    of : int
        How many points there are: 4, 8 or 16.

    Returns
    -------
    str

    Examples
    --------
    >>> point_of(np.radians(112.0)), point_of(np.radians(-50.0), 8)
    ('east-southeast', 'northwest')
    """
    return POINTS[round(azimuth / (2.0 * np.pi) * of) % of * (len(POINTS) // of)]


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
    return f"The yard falls {slope:.1f}° toward {point_of(ground.toward, 8)} ({toward:.0f}°)"


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
