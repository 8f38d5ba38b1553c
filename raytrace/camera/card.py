"""The markers of the printed target card, and a facet's tag: the one rule for who draws and reads.

The card is a square. Its print is seen from below, so that the platform's right is on the left of
the print; places here are the platform's, x to the right and y toward the sun, from the centre of
the pot's base [m]. Up to five markers stand in each corner. What is drawn on the card lies within
a circle that they leave clear, and sheets are glued together in the middle of the card's sides,
where no marker stands. A marker's number says where it stands and how large the card is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raytrace.camera.marker_bits import MARKERS, MODULES
from raytrace.exceptions import GeometryError

__all__ = [
    "EDGE",
    "MARKER",
    "QUIET",
    "STEP",
    "CardLayout",
    "as_printed",
    "card_layout",
    "layouts_of",
    "marker_boxes",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

MARKER = 0.020  # side of a marker, its black border included [m]
QUIET = MARKER / MODULES  # white paper that a marker needs round it [m]
EDGE = 0.010  # least distance of what is drawn from the card's edge [m]
STEP = 0.010  # cards' half-widths are whole multiples of it [m]
SMALLEST = 0.070  # half-width [m]
SIZES = 14  # of cards whose markers are all different; after them they come again
PLACES = 20  # markers of a card at most
TAGS = SIZES * PLACES  # first number of a facet's tag
# a marker's corners as seen on the print: top left, top right, bottom right, bottom left
_SQUARE = 0.5 * MARKER * np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])


@dataclass(frozen=True, eq=False)
class CardLayout:
    """Where a card's markers stand, and which tag is which facet's.

    Attributes
    ----------
    half : float
        Half the card's width. [m]
    number : ndarray of int, shape (n,)
        Numbers of its markers.
    corners : ndarray, shape (n, 4, 2)
        Their corners in the platform's axes; in each marker, as seen on the print, the top left
        one, the top right, the bottom right and the bottom left. [m]
    tags : dict of str to int
        Facets' labels, and the numbers of their tags. Facets beyond the numbers there are have
        none.
    """

    half: float
    number: Whole
    corners: Array
    tags: dict[str, int]

    @property
    def clear(self) -> float:
        """Radius of the circle about the card's middle that no marker reaches into. [m]"""
        return self.half - EDGE


def as_printed(places: Array) -> Array:
    """Turn places on the platform into those on the print, or back: it is seen from below.

    Parameters
    ----------
    places : ndarray, shape (..., 2)
        [m]

    Returns
    -------
    ndarray, shape (..., 2)
        [m]
    """
    return np.asarray(np.asarray(places) * [-1.0, 1.0], dtype=np.float64)


def card_layout(reach: float, facets: Sequence[str] = ()) -> CardLayout:
    """Lay out the smallest card that has room for a circle, and the facets' tags.

    Parameters
    ----------
    reach : float
        Radius about the centre of the pot's base of all that is drawn. [m]
    facets : sequence of str
        Facets' labels in the scenario's order.

    Returns
    -------
    CardLayout

    Raises
    ------
    GeometryError
        If the circle has no size.
    """
    if not (math.isfinite(reach) and reach > 0.0):
        raise GeometryError(f"reach = {reach:g}: what is drawn on the card must have a size.")
    steps = math.ceil((reach + EDGE) / STEP - 1e-6)
    tags = {label: TAGS + k for k, label in enumerate(facets) if TAGS + k < MARKERS}
    return _layout(max(steps, round(SMALLEST / STEP)), tags)


def layouts_of(number: int, tags: dict[str, int], largest: float = 0.5) -> list[CardLayout]:
    """Cards that have a certain marker, the smallest first: their numbers come again.

    Parameters
    ----------
    number : int
        Of a marker.
    tags : dict of str to int
        Of the facets.
    largest : float
        Half-width of the largest card that is looked at. [m]

    Returns
    -------
    list of CardLayout
        Empty if it is no card's marker.
    """
    if not 0 <= number < TAGS:
        return []
    first = round(SMALLEST / STEP) + number // PLACES
    return [_layout(k, tags) for k in range(first, round(largest / STEP) + 1, SIZES)]


def marker_boxes(layout: CardLayout) -> Array:
    """Rectangles on the print that must stay white but for their markers.

    Parameters
    ----------
    layout : CardLayout

    Returns
    -------
    ndarray, shape (n, 4)
        Left, bottom, right, top from the card's middle, as printed. [m]
    """
    print_ = as_printed(layout.corners)
    return np.concatenate([print_.min(axis=1) - QUIET, print_.max(axis=1) + QUIET], axis=1)


def _layout(steps: int, tags: dict[str, int]) -> CardLayout:
    """Card of so many steps' half-width."""
    half = steps * STEP
    outer = half - QUIET - 0.5 * MARKER
    inner_side = outer - 0.5 * MARKER - QUIET
    # nearest to the middle of a side that a marker's white frame stays off the clear circle
    room = outer - (math.sqrt((half - EDGE) ** 2 - inner_side**2) + QUIET + 0.5 * MARKER)
    beside = max(0, min(2, math.floor(room / (MARKER + QUIET))))
    shift = room / beside if beside else 0.0
    # a corner's markers: its own, then those along the sides
    steps_in = [(0.0, 0.0)]
    steps_in += [(k * shift, 0.0) for k in range(1, beside + 1)]
    steps_in += [(0.0, k * shift) for k in range(1, beside + 1)]
    slots = [0, *range(1, beside + 1), *range(3, beside + 3)]
    base = (steps - round(SMALLEST / STEP)) % SIZES * PLACES
    number, middle = [], []
    for corner, (right, up) in enumerate([(-1.0, 1.0), (1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)]):
        for slot, (dx, dy) in zip(slots, steps_in, strict=True):
            number.append(base + 5 * corner + slot)
            middle.append((right * (outer - dx), up * (outer - dy)))
    corners = as_printed(np.array(middle)[:, None] + _SQUARE)
    return CardLayout(half, np.array(number), corners, tags)
