"""Wedges on a printer's plates: which lies where, how much plastic they take and how long."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError
from raytrace.studies.bench.materials import fitting

if TYPE_CHECKING:
    from raytrace.scenario.workshop_sections import Printer
    from raytrace.studies.bench.sheet import Wedges

__all__ = ["GAP", "RAISED", "Plates", "lay_plates", "plastic_of"]

Array = NDArray[np.float64]

RAISED = 0.8e-3  # of the letters before a wedge's side [m]
GAP = 5e-3  # between wedges on one plate [m]
CELLS = 48  # across a wedge, where its hollow is added up


@dataclass(frozen=True, eq=False)
class Plates:
    """Wedges as they are printed, in the order of their facets; W wedges.

    Attributes
    ----------
    plate : ndarray of int64, shape (W,)
        On which plate each stands, from 0. [1]
    place : ndarray, shape (W, 2)
        Middle of its foot from the plate's middle. [m]
    mass : ndarray, shape (W,)
        Plastic in it. [kg]
    time : ndarray, shape (W,)
        It takes to print. [s]
    """

    plate: NDArray[np.int64]
    place: Array
    mass: Array
    time: Array

    DIMS: ClassVar = {"W": "wedge"}
    SHOWN: ClassVar = {"time": "h"}
    ALSO: ClassVar = ("count",)

    @property
    def count(self) -> int:
        """Number of plates."""
        return int(self.plate[-1]) + 1 if len(self.plate) else 0


def plastic_of(wedges: Wedges, wall: float, infill: float) -> Array:
    """Volume of plastic in each wedge, its raised letters aside.

    Parameters
    ----------
    wedges : Wedges
    wall : float
        Thickness of walls, top and bottom, square to each. [m]
    infill : float
        Share of what they enclose that is plastic.

    Returns
    -------
    ndarray, shape (W,)
        [m³]

    Notes
    -----
    A wedge is an upright prism cut off by a plane, so its volume is foot × height over the foot's
    middle. So is its hollow's, with the walls taken off; where the hollow runs out between bottom
    and top, its height is summed over a grid of cells.
    """
    middle = wedges.height.mean(axis=1)
    foot = wedges.size**2
    inner = wedges.size - 2.0 * wall
    if inner <= 0.0:
        return np.asarray(foot * middle)
    cells = inner * ((np.arange(CELLS) + 0.5) / CELLS - 0.5)
    n = wedges.n / wedges.n[:, 2:]
    # the top's wall is `wall` thick square to it, so it reaches further down where it slopes
    hollow = (middle - wall - wall * np.linalg.norm(n, axis=1))[:, None, None] - (
        n[:, 0, None, None] * cells[:, None] + n[:, 1, None, None] * cells
    )
    held = inner**2 * np.maximum(hollow, 0.0).mean(axis=(1, 2))
    return np.asarray(foot * middle - (1.0 - infill) * held)


def lay_plates(wedges: Wedges, printer: Printer) -> Plates:
    """Share wedges out to plates, in the order of their facets, row by row.

    Parameters
    ----------
    wedges : Wedges
    printer : Printer
        Section `workshop.printer` of a scenario.

    Returns
    -------
    Plates

    Raises
    ------
    GeometryError
        If a wedge is too large for the printer.
    """
    size = np.array([wedges.size + RAISED, wedges.size])
    across, deep = (
        fitting(room, piece, GAP)
        for room, piece in zip((printer.width, printer.depth), size, strict=True)
    )
    tallest = float(wedges.height.max())
    if not across * deep or tallest > printer.height:
        raise GeometryError(
            f"a wedge of {1e3 * wedges.size:.0f} mm, {1e3 * tallest:.0f} mm high, is too large for "
            f"a printer of {1e3 * printer.width:.0f} × {1e3 * printer.depth:.0f} × "
            f"{1e3 * printer.height:.0f} mm. Set workshop.printer to yours, or make the wedges "
            "smaller: --wedge-size."
        )
    k = np.arange(len(wedges.label))
    plate, place = np.divmod(k, across * deep)
    row, column = np.divmod(place, across)
    steps = np.stack([column - 0.5 * (across - 1), 0.5 * (deep - 1) - row], axis=1)
    plastic = plastic_of(wedges, printer.wall, printer.infill)
    mass = printer.density * plastic
    return Plates(
        plate=plate,
        # the letters stand out on the right
        place=steps * (size + GAP) - [0.5 * RAISED, 0.0],
        mass=mass,
        time=mass / printer.rate,
    )
