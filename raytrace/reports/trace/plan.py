"""The array seen from above, each facet coloured by the watts that it delivers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.pose import posed
from raytrace.reports.common.page import bar_beside, figure_of, stacked
from raytrace.reports.common.style import (
    GREY,
    INK,
    MAP,
    SMALL,
    WIDTH,
    axis_labels,
    colour_range,
    colour_scale,
    heading,
    ink_on,
    legend_above,
    sun_arrow,
)
from raytrace.reports.common.units import axis_words, drawn
from raytrace.reports.trace.sketch import pot_ring
from raytrace.scenario.tables import facet_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.cooker.geometry import Cooker
    from raytrace.studies.trace.run import Moment, Run

__all__ = ["plan_figure"]

Array = NDArray[np.float64]

TALL = 6.4  # of the drawing at most [in]

READABLE = 7.2  # points: smaller names are left to the rows' and columns' labels


def plan_figure(run: Run, moment: Moment | None = None) -> Figure:
    """Draw the platform, its facets and the pot from above.

    Parameters
    ----------
    run : Run
    moment : Moment, optional
        Of that run; the brightest by default.

    Returns
    -------
    Figure
    """
    from matplotlib.cm import ScalarMappable
    from matplotlib.collections import PolyCollection
    from matplotlib.colors import Normalize
    from matplotlib.patches import Rectangle

    moment = run.brightest if moment is None else moment
    cooker = posed(run.cooker, moment.pose)
    facets = cooker.facets
    watts = moment.tally.facet_delivered.value
    outlines = [drawn(facets.corners(f)[:, :2]) for f in range(len(facets))]
    x0, x1, y0, y1 = drawn(cooker.extent)
    ring = pot_ring(cooker)
    span = drawn(cooker.span)
    low = np.minimum(span[::2], ring.min(0))
    high = np.maximum(span[1::2], ring.max(0))
    pad = 0.085 * float((high - low).max())
    low, high = low - pad, high + np.array([1.0, 1.8]) * pad  # above it the way to the sun
    width, height = high - low
    right = 0.9  # for the scale of colours
    inches = min((WIDTH - 0.8 - right) / width, TALL / height)
    left = 0.5 * (WIDTH + 0.8 - right - inches * width)
    (axes,) = stacked(
        *heading(run, moment),
        [inches * height],
        left=left,
        right=WIDTH - left - inches * width,
    )
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal")

    axes.add_patch(
        Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor="#f7f4ee", edgecolor=GREY, lw=0.9)
    )
    here = facets.present
    norm = Normalize(*colour_range(watts[here]))
    colours = ScalarMappable(norm, MAP)
    axes.add_collection(
        PolyCollection(
            [o for o, p in zip(outlines, here, strict=True) if p],
            facecolors=colours.to_rgba(watts[here]),
            edgecolors=INK,
            linewidths=0.4,
        )
    )
    if not here.all():
        axes.add_collection(
            PolyCollection(
                [o for o, p in zip(outlines, here, strict=True) if not p],
                facecolors="white",
                edgecolors=GREY,
                hatch="xxxx",
                linewidths=0.6,
                label="missing",
            )
        )
    axes.fill(*ring.T, facecolor="#ffffffb0", edgecolor=INK, lw=1.4, ls=(0, (5, 2)), zorder=4)
    centre = tuple(drawn(cooker.pot.base[:2]))
    axes.plot(*centre, marker="+", color=INK, ms=7, zorder=5)
    axes.annotate(
        "pot",
        centre,
        xytext=(0, -5),
        textcoords="offset points",
        size=SMALL,
        ha="center",
        va="top",
        zorder=5,
    )
    _names(axes, cooker, outlines, colours.to_rgba(watts), inches)
    axis_labels(
        axes, axis_words("x, to the platform's right"), axis_words("y, toward the sun's side")
    )
    sun_arrow(axes, moment.tally.sun)
    legend_above(axes)
    colour_scale(colours, bar_beside(axes), "delivered by each facet [W]")
    return figure_of(axes)


def _names(
    axes: Axes, cooker: Cooker, outlines: list[Array], colours: Array, inches: float
) -> None:
    facets = cooker.facets
    middle = drawn(facets.c[:, :2])
    across = np.array([min(np.ptp(o[:, 0]), np.ptp(o[:, 1])) for o in outlines])
    longest = max(len(name) for name in facets.label)
    # a letter is about 0.62 of its size wide; leave a margin on both sides
    size = min(8.0, 72.0 * inches * float(across.min()) * 0.8 / (0.62 * longest))
    if size >= READABLE:
        for f, name in enumerate(facets.label):
            axes.text(
                float(middle[f, 0]),
                float(middle[f, 1]),
                name,
                size=size,
                ha="center",
                va="center",
                color=ink_on(colours[f]) if facets.present[f] else INK,
                bbox=None
                if facets.present[f]
                else {"facecolor": "white", "edgecolor": "none", "pad": 0.8},
                zorder=3,
            )
    lettered = all(
        name == facet_label(int(r), int(c))
        for name, r, c in zip(facets.label, facets.row, facets.column, strict=True)
    )
    if not lettered or len(set(zip(facets.row, facets.column, strict=True))) != len(facets):
        return
    if size >= READABLE and len(set(facets.row)) * len(set(facets.column)) != len(facets):
        return
    if facets.row.max() == 1 and size >= READABLE:
        return
    _edge_labels(axes, cooker, inches)


def _edge_labels(axes: Axes, cooker: Cooker, inches: float) -> None:
    """Letters of the rows to the left, numbers of the columns on the sun's side."""
    facets = cooker.facets
    middle = drawn(facets.c[:, :2])
    x0, _, _, y1 = drawn(cooker.extent)
    gap = 3.0 / (72.0 * inches)
    rows, columns = np.unique(facets.row), np.unique(facets.column)
    row_y = [float(middle[facets.row == r, 1].mean()) for r in rows]
    column_x = [float(middle[facets.column == c, 0].mean()) for c in columns]
    for places, names, along in (
        (row_y, [facet_label(int(r), 1)[:-1] for r in rows], "y"),
        (column_x, [str(int(c)) for c in columns], "x"),
    ):
        step = float(np.abs(np.diff(places)).min()) if len(places) > 1 else np.inf
        size = min(SMALL + 0.5, 72.0 * inches * step * 0.75)
        every = max(1, int(np.ceil(READABLE / max(size, 1e-6))))
        last = len(places) - 1
        for k in [*range(0, last - every + 1, every), last]:
            x, y = (x0 - gap, places[k]) if along == "y" else (places[k], y1 + gap)
            axes.text(
                x,
                y,
                names[k],
                size=max(size, READABLE),
                color=GREY,
                ha="right" if along == "y" else "center",
                va="center" if along == "y" else "bottom",
            )
