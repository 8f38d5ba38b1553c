"""The cooker seen from its right side, with some rays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.pose import posed
from raytrace.optics.tally import LINES
from raytrace.reports.common.page import figure_of, stacked
from raytrace.reports.common.style import (
    INK,
    LINE_LOOKS,
    SUNLIGHT,
    WIDTH,
    axis_labels,
    heading,
    legend_above,
)
from raytrace.reports.common.units import axis_words, drawn
from raytrace.reports.common.words import LINE_NAMES
from raytrace.reports.trace.sketch import draw_from_the_side, pot_side

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.cooker.geometry import Cooker
    from raytrace.optics.tracing import Paths
    from raytrace.studies.trace.run import Moment, Run

__all__ = ["side_figure", "some_rays"]

Array = NDArray[np.float64]

RAYS_SHOWN = 48
RAYS_A_FACET = 8
TALL = 5.6  # of the drawing at most [in]
SHADED, RIM = LINES.index("shaded"), LINES.index("rim")


def side_figure(
    run: Run, moment: Moment | None = None, paths: Paths | None = None, axes: Axes | None = None
) -> Figure:
    """Draw facets, platform, pot and some rays in the platform's y-z plane.

    Parameters
    ----------
    run : Run
    moment : Moment, optional
        Of that run; the brightest by default.
    paths : Paths, optional
        Rays of that moment, by default `run.paths(moment)`; a modest number of them is drawn,
        spread evenly.
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    moment = run.brightest if moment is None else moment
    paths = run.paths(moment) if paths is None else paths
    cooker = posed(run.cooker, moment.pose)
    low, high = _frame(cooker, moment)
    width, height = high - low
    inches = min((WIDTH - 1.05) / width, TALL / height)
    left = 0.8 + 0.5 * (WIDTH - 1.05 - inches * width)
    axes = (
        axes
        or stacked(
            *heading(run, moment),
            [inches * height],
            left=left,
            right=WIDTH - left - inches * width,
            above=0.8,
        )[0]
    )
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal")
    _rays(axes, paths, float(np.hypot(width, height)))
    draw_from_the_side(axes, cooker)
    axes.plot([], [], color=INK, lw=1.5, label="facets")
    axis_labels(
        axes, axis_words("y, toward the sun's side"), axis_words("z, above the platform's top")
    )
    legend_above(axes, handlelength=3.0)
    return figure_of(axes)


def _frame(cooker: Cooker, moment: Moment) -> tuple[Array, Array]:
    points = np.concatenate([pot_side(cooker), drawn(cooker.facets.c[:, 1:])])
    edges = drawn(cooker.extent[2:])
    low, high = points.min(0), points.max(0)
    low = np.minimum(low, [edges[0], drawn(-0.09)])
    high = np.maximum(high, [edges[1], 0.0])
    span = float((high - low).max())
    # room for the light to come in from, on the side where the sun stands
    toward = moment.tally.sun[1:]
    high = high + 0.10 * span + 0.14 * span * np.clip(toward, 0.0, None)
    low = low - 0.08 * span
    return low, high


def _rays(axes: Axes, paths: Paths, far: float) -> None:
    from matplotlib.collections import LineCollection

    chosen = some_rays(paths)
    point = drawn(paths.point[:, 1:])
    # a length that leaves the frame whatever the ray's way across it
    back = point + far * paths.to_sun[:, 1:]
    length = np.minimum(drawn(paths.distance), 4.0 * far)[:, None]
    leaves = drawn(paths.leaves[:, 1:])
    ahead = leaves + length * paths.reflected[:, 1:]
    dark = np.isin(paths.fate, [SHADED])
    incoming = chosen[~dark[chosen]]
    axes.add_collection(
        LineCollection(
            list(np.stack([back[incoming], point[incoming]], axis=1)),
            colors=SUNLIGHT,
            linewidths=0.5,
            zorder=1,
        )
    )
    axes.plot([], [], color=SUNLIGHT, lw=0.5, label="from the sun")
    for fate, name in enumerate(LINES):
        mine = chosen[paths.fate[chosen] == fate]
        if not len(mine):
            continue
        colour, _, dashes = LINE_LOOKS[name]
        starts, ends = (point, back) if fate == SHADED else (leaves, ahead)
        label = "shaded (way to the sun)" if fate == SHADED else LINE_NAMES[name]
        axes.add_collection(
            LineCollection(
                list(np.stack([starts[mine], ends[mine]], axis=1)),
                colors=colour,
                linewidths=0.9,
                linestyles=[dashes],
                zorder=3,
            )
        )
        if fate == RIM:  # such a ray ends where it would leave
            axes.plot(*leaves[mine].T, ".", ms=3, color=INK, zorder=5, label=label)
            continue
        axes.plot([], [], color=colour, lw=1.1, ls=dashes, label=label)


def some_rays(paths: Paths) -> NDArray[np.int64]:
    """Rays to draw: spread evenly, and one of each fate that is there at all.

    Parameters
    ----------
    paths : Paths

    Returns
    -------
    ndarray of int64
        Their rows, in order.
    """
    n = len(paths)
    most = min(RAYS_SHOWN, n, RAYS_A_FACET * len(np.unique(paths.facet)))
    even = np.linspace(0, n - 1, most).astype(np.int64)
    firsts = [int(np.flatnonzero(paths.fate == k)[0]) for k in np.unique(paths.fate)]
    return np.unique(np.concatenate([even, np.asarray(firsts, np.int64)]))
