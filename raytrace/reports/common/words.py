"""Names of the ledger's lines and of the yard's slope, as people read them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from raytrace.sky.ground import ground_of

if TYPE_CHECKING:
    from raytrace.scenario.place_sections import Site

__all__ = ["LINE_NAMES", "yard_words"]

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
