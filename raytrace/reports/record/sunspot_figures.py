"""The sun's spot on the card as seen and as predicted, and their difference."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.common.page import figure_of
from raytrace.reports.common.style import INK
from raytrace.reports.common.units import drawn
from raytrace.reports.record.spotmap_figures import gaps_filled, maps_beside

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from raytrace.studies.record.sunspot import SunSpot

__all__ = ["figures", "sunspot_figure"]


def sunspot_figure(found: SunSpot) -> Figure:
    """Draw the seen spot, the predicted one, and the first less the second, with their outlines.

    Parameters
    ----------
    found : SunSpot

    Returns
    -------
    Figure
        Of the seen one, brightness is that of the prediction by rank; what the camera cut off is
        hatched.
    """
    seen, predicted = 1e-3 * found.seen, 1e-3 * found.predicted
    first, second, third = maps_beside(
        found.scenario,
        f"spot in {found.source}, brightness by rank, beside the predicted one; seen from above",
        [
            f"sun {np.degrees(found.sun_altitude):.1f}° high",
            f"lines: outlines of {1e-3 * found.outline:.2g} kW/m²",
            *(["hatched: too bright for the camera"] if found.clipped.any() else []),
        ],
        (found.x, found.y),
        (seen, predicted),
        found.base_radius,
        "seen",
    )
    grid = drawn(found.x), drawn(found.y)
    for axes, values in ((first, seen), (second, predicted)):
        axes.contour(*grid, gaps_filled(values), [1e-3 * found.outline], colors=INK,
                     linewidths=0.8)  # fmt: skip
    if found.clipped.any():
        for axes in (first, third):
            axes.contourf(
                *grid, found.clipped.astype(float), [0.5, 1.5], colors="none", hatches=["////"]
            )
    return figure_of(first)


def figures(found: SunSpot) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    found : SunSpot

    Returns
    -------
    dict of str to Figure
    """
    return {"sunspot": sunspot_figure(found)}
