"""Figures of the flux on the pot's wall and lid, and of the base's mean over builds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.optics.flux_grid import bin_edges
from raytrace.reports.common.numbers import plus_minus
from raytrace.reports.common.page import bar_beside, figure_of, stacked
from raytrace.reports.common.style import (
    INK,
    MAP,
    WIDTH,
    axis_labels,
    colour_range,
    colour_scale,
    heading,
)
from raytrace.reports.common.units import axis_words, drawn
from raytrace.reports.trace.flux import SIDE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.statistics.estimate import Estimate
    from raytrace.studies.trace.faces import FaceMaps
    from raytrace.studies.trace.run import Run

__all__ = ["face_figures", "mean_map_figure"]

Array = NDArray[np.float64]


def face_figures(run: Run, maps: FaceMaps) -> dict[str, Figure]:
    """Draw the flux maps of wall and lid.

    Parameters
    ----------
    run : Run
        At whose brightest moment the maps are.
    maps : FaceMaps

    Returns
    -------
    dict of str to Figure
        "wall", unrolled, and "lid", seen from above.
    """
    around = np.degrees(maps.around)
    words = _reaching("wall", maps.side_power) + "; unrolled, as seen from outside"
    axes = _map(run, 2.6, (around, drawn(maps.up)), maps.wall.value, "wall", words)
    axes.set_xticks(np.arange(-180, 181, 45))
    axis_labels(
        axes, "angle from the platform's right, 90° is the sun's side [°]", axis_words("height")
    )
    words = _reaching("lid", maps.lid_power) + "; seen from above"
    return {
        "wall": figure_of(axes),
        "lid": _disc(run, drawn(maps.across), maps.lid.value, "lid", words),
    }


def _reaching(face: str, power: Estimate) -> str:
    if float(power) == 0.0:
        return f"of the rays followed apart for this map, none reaches the {face}"
    watts, se = plus_minus(float(power), float(power.se))
    return f"{watts} ± {se} W reach the {face}, by rays followed apart for this map"


def mean_map_figure(run: Run, mean: Estimate, builds: int) -> Figure:
    """Draw the mean flux map of the base over builds.

    Parameters
    ----------
    run : Run
        Of the first build.
    mean : Estimate, shape (Y, X)
        From `raytrace.mean_map`. [W/m²]
    builds : int

    Returns
    -------
    Figure
    """
    edges = drawn(bin_edges(run.cooker.pot.R, len(mean.value)))
    tally = run.moments[0].tally
    peak, se = plus_minus(*(_at_peak(mean, tally.whole) / 1e3))
    words = f"mean over {builds} builds; head and foot name the first; peak {peak} ± {se} kW/m²"
    return _disc(run, edges, mean.value, "base", words)


def _at_peak(mean: Estimate, whole: NDArray[np.bool_]) -> Array:
    """Greatest mean flux and its standard error, over bins at least half inside the rim."""
    k = np.unravel_index(np.argmax(np.where(whole, mean.value, -1.0)), whole.shape)
    return np.array([mean.value[k], mean.se[k]])


def _disc(run: Run, edges: Array, flux: Array, face: str, words: str) -> Figure:
    from matplotlib.patches import Circle

    axes, R = _map(run, SIDE, (edges, edges), flux, face, words), edges[-1]
    axes.set_aspect("equal")
    axes.set_xlim(-1.08 * R, 1.08 * R)
    axes.set_ylim(-1.08 * R, 1.08 * R)
    axes.collections[0].set_clip_path(Circle((0.0, 0.0), R, transform=axes.transData))
    axes.add_patch(Circle((0.0, 0.0), R, fill=False, color=INK, lw=1.6))
    axis_labels(
        axes, axis_words("x, to the platform's right"), axis_words("y, toward the sun's side")
    )
    return figure_of(axes)


def _map(
    run: Run, height: float, edges: tuple[Array, Array], flux: Array, face: str, words: str
) -> Axes:
    """Coloured bins under a line of words, and their scale."""
    scenario, when, stated = heading(run, run.brightest)
    (axes,) = stacked(
        scenario, f"{when}   {words}", stated, [height], right=WIDTH - 0.8 - SIDE, above=0.1
    )
    flux = flux / 1e3
    low, top = colour_range(flux)
    mesh = axes.pcolormesh(*edges, flux, cmap=MAP, vmin=low, vmax=top, rasterized=True)
    colour_scale(mesh, bar_beside(axes), f"flux on the {face} [kW/m²]")
    return axes
