"""A measured flux map, the predicted one and their difference."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.common.page import bar_beside, figure_of, stacked
from raytrace.reports.common.style import (
    GREY,
    INK,
    MAP,
    SMALL,
    TEXT,
    WIDTH,
    axis_labels,
    colour_scale,
)
from raytrace.reports.common.units import axis_words, drawn

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.record.spotmap import SpotMap

    Array = NDArray[np.float64]

__all__ = ["figures", "gaps_filled", "maps_beside", "spotmap_figure"]


def maps_beside(
    scenario: Scenario,
    title: str,
    facts: list[str],
    grid: tuple[Array, Array],
    maps: tuple[Array, Array],
    radius: float,
    seen: str = "measured",
) -> tuple[Axes, Axes, Axes]:
    """Draw a map, the predicted one, and the first less the second, all to one scale.

    Parameters
    ----------
    scenario : Scenario
    title : str
    facts : list of str
        Below it.
    grid : tuple of ndarray, shape (X,), (Y,)
        Middles of the cells. [m]
    maps : tuple of ndarray, shape (Y, X)
        Measured and predicted; nan where nothing is known. [kW/m²]
    radius : float
        Of the base. [m]
    seen : str
        What the first map is called.

    Returns
    -------
    first, second, third : Axes
    """
    from matplotlib.lines import Line2D
    from matplotlib.patches import Circle

    measured, predicted = maps
    side = 2.35
    first, third = stacked(scenario, title, facts, [side, side], right=WIDTH - 0.8 - side)
    box = first.get_position()
    figure = figure_of(first)
    second = figure.add_axes((box.x1 + 0.2 / WIDTH, box.y0, box.width, box.height))
    x, y = (_edges(drawn(v)) for v in grid)
    less = measured - predicted
    best = float(max(np.nanmax(measured), np.nanmax(predicted)))
    most = float(np.nanmax(np.abs(less))) or 1.0
    for name, axes, values, colours, (low, high) in (
        (seen, first, measured, MAP, (0.0, best)),
        ("predicted", second, predicted, MAP, (0.0, best)),
        (f"{seen} less predicted", third, less, "RdBu_r", (-most, most)),
    ):
        axes.set_facecolor("#e4e4e4")
        axes.set_aspect("equal")
        mesh = axes.pcolormesh(x, y, values, cmap=colours, vmin=low, vmax=high, rasterized=True)
        axes.add_patch(Circle((0.0, 0.0), drawn(radius), fill=False, color=GREY, lw=1.0))
        axes.set_xlim(x[0], x[-1])
        axes.set_ylim(y[0], y[-1])
        axes.set_title(name, size=TEXT, color=INK)
        up = "" if axes is second else axis_words("y, toward the sun's side")
        axis_labels(axes, axis_words("x, to the right"), up)
        axes.tick_params(labelleft=axes is not second)
        if axes is not first:
            colour_scale(mesh, bar_beside(axes), "kW/m²")
    # the sign of the difference, for print in grey
    for sign, dashes in ((1.0, "solid"), (-1.0, "dashed")):
        if (sign * less > 0.5 * most).any():
            third.contour(
                *map(drawn, grid), gaps_filled(less), [0.5 * sign * most],
                colors=INK, linewidths=0.8, linestyles=dashes,
            )  # fmt: skip
    edges = [("solid", "brighter than predicted"), ("dashed", "darker than predicted")]
    third.legend(
        handles=[Line2D([], [], color=INK, lw=0.8, ls=ls, label=words) for ls, words in edges],
        title=f"by over {0.5 * most:.2g} kW/m²",
        title_fontsize=SMALL,
        fontsize=SMALL,
        frameon=False,
        loc="upper left",
        bbox_to_anchor=(1.38, 1.0),
        alignment="left",
    )
    return first, second, third


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
    reading = found.reading
    scale = 1.0 if reading.absolute else 1.0 / (found.scale.value or 1.0)
    what = "as measured" if reading.absolute else "its brightness fitted"
    first, *_ = maps_beside(
        found.scenario,
        f"flux map {reading.source}, {what}, beside the predicted one; base seen from above",
        [f"sun {np.degrees(found.sun_altitude):.1f}° high", f"DNI {found.dni:.0f} W/m²"],
        (reading.x, reading.y),
        (1e-3 * scale * reading.value, 1e-3 * found.predicted),
        found.base_radius,
    )
    return figure_of(first)


def gaps_filled(values: Array) -> Array:
    """Fill what isn't known by the nearest that is, so that outlines don't follow gaps.

    Parameters
    ----------
    values : ndarray, shape (Y, X)

    Returns
    -------
    ndarray, shape (Y, X)
    """
    from scipy.ndimage import distance_transform_edt

    gaps = ~np.isfinite(values)
    nearest = distance_transform_edt(gaps, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(nearest)])


def _edges(middles: Array) -> Array:
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
