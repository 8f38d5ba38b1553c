"""A measured flux map, the predicted one and their difference, side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.common.style import GREY, INK, MAP, SMALL, TEXT, axis_labels, headed_figure
from raytrace.reports.common.units import axis_words, drawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from raytrace.studies.record.spotmap import SpotMap

__all__ = ["figures", "spotmap_figure"]


def spotmap_figure(found: SpotMap) -> Figure:
    """Draw the measured map, the predicted one, and the first less the second.

    Parameters
    ----------
    found : SpotMap

    Returns
    -------
    Figure
        One scale for all: of a map without a scale of its own, that of the fit.
    """
    from matplotlib.patches import Circle

    reading = found.reading
    scale = 1.0 if reading.absolute else 1.0 / (found.scale.value or 1.0)
    measured, predicted = 1e-3 * scale * reading.value, 1e-3 * found.predicted
    top = float(max(np.nanmax(measured), np.nanmax(predicted)))
    width, height, side = 13.3, 5.2, 3.3
    what = "as measured" if reading.absolute else "its brightness fitted"
    figure = headed_figure(
        width,
        height,
        found.scenario,
        f"flux map {reading.source}, {what}, beside the predicted one; base seen from above",
        [f"sun {np.degrees(found.sun_altitude):.1f}° high", f"DNI {found.dni:.0f} W/m²"],
    )
    x, y = (_edges(drawn(v)) for v in (reading.x, reading.y))
    panels = (
        ("measured", measured, MAP, 0.0),
        ("predicted", predicted, MAP, 0.0),
        ("measured less predicted", measured - predicted, "RdBu_r", -top),
    )
    meshes = []
    for k, (name, values, colours, low) in enumerate(panels):
        left = (0.75 + k * (side + 0.35) + (0.85 if k == 2 else 0.0)) / width
        axes = figure.add_axes((left, 0.85 / height, side / width, side / height))
        axes.set_facecolor("#e4e4e4")
        axes.set_aspect("equal")
        meshes.append(
            axes.pcolormesh(x, y, values, cmap=colours, vmin=low, vmax=top, rasterized=True)
        )
        axes.add_patch(Circle((0.0, 0.0), drawn(found.base_radius), fill=False, color=GREY, lw=1.0))
        axes.set_xlim(x[0], x[-1])
        axes.set_ylim(y[0], y[-1])
        axes.set_title(name, size=TEXT, color=INK)
        second = axis_words("y, toward the sun's side") if k == 0 else ""
        axis_labels(axes, axis_words("x, to the right"), second)
        if k:
            axes.set_yticklabels([])
    for mesh, left in ((meshes[1], 0.75 + 2 * side + 0.45), (meshes[2], 0.75 + 3 * side + 1.65)):
        bar = figure.colorbar(
            mesh, cax=figure.add_axes((left / width, 0.85 / height, 0.12 / width, side / height))
        )
        bar.ax.tick_params(labelsize=SMALL, color=GREY)
        bar.ax.set_title("kW/m²", size=SMALL, color=INK)
    return figure


def _edges(middles: NDArray[np.float64]) -> NDArray[np.float64]:
    half = 0.5 * (middles[1] - middles[0])
    return np.append(middles - half, middles[-1] + half)


def figures(found: SpotMap) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    found : SpotMap

    Returns
    -------
    dict of str to Figure
    """
    return {"spotmap": spotmap_figure(found)}
