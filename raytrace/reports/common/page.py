"""Where things stand on a figure: panels on its page, and names beside crowded points."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.style import (
    INK,
    LETTER,
    LIGHT,
    SMALL,
    WIDTH,
    head_and_foot,
    headed_figure,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.scenario.schema import Scenario

__all__ = ["axes_at", "bar_beside", "figure_of", "name_contours", "name_points", "panel", "stacked"]

Array = NDArray[np.float64]

NAME = 3.0  # what it costs a name to cover another
BETWEEN = 0.25  # axes side by side [in]


def panel(
    axes: Axes | None, place: tuple[float, float, float, float], make: Callable[[], Figure]
) -> tuple[Figure, Axes]:
    """Figure and axes to draw into: those that a caller brings, or a page of its own.

    Parameters
    ----------
    axes : Axes or None
    place : tuple of float
        Left, bottom, width and height of the axes on the page.
    make : callable
        Makes the page.

    Returns
    -------
    Figure, Axes
    """
    if axes is None:
        figure = make()
        return figure, figure.add_axes(place)
    return cast("Figure", axes.figure), axes


def axes_at(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Axes on a page, placed by inches from its left and upper edge.

    Parameters
    ----------
    figure : Figure
    left, top, width, height : float
        Inches.

    Returns
    -------
    Axes
    """
    across, up = figure.get_size_inches()
    return figure.add_axes((left / across, 1.0 - (top + height) / up, width / across, height / up))


def stacked(
    scenario: Scenario,
    words: str,
    stated: Sequence[str],
    heights: Sequence[float],
    *,
    left: float = 0.8,
    right: float = 0.25,
    above: float = 0.3,
    below: float = 0.5,
    columns: int = 1,
) -> list[Axes]:
    """Axes one below another on a page as wide as a phone can show, under its heading.

    Parameters
    ----------
    scenario, words, stated
        As in `headed_figure`.
    heights : sequence of float
        Of each row of axes, from the top. [in]
    left, right : float
        Room beside the axes. [in]
    above, below : float
        Room over each of them, for a title or legend, and under it, for its labels. [in]
    columns : int
        Axes side by side in each row.

    Returns
    -------
    list of Axes
        Row by row.
    """
    head, foot = head_and_foot(scenario, words, stated)
    tall = head + sum(heights) + (above + below) * len(heights) + foot
    figure = headed_figure(WIDTH, tall, scenario, words, stated)
    out = []
    for height in heights:
        head += above
        each = (WIDTH - left - right + BETWEEN) / columns
        out += [
            axes_at(figure, left + k * each, head, each - BETWEEN, height) for k in range(columns)
        ]
        head += height + below
    return out


def figure_of(axes: Axes) -> Figure:
    """Figure that axes are on.

    Parameters
    ----------
    axes : Axes

    Returns
    -------
    Figure
    """
    return cast("Figure", axes.get_figure(root=True))


def bar_beside(axes: Axes) -> Axes:
    """Narrow axes for a scale of colours, to the right of a map.

    Parameters
    ----------
    axes : Axes
        Of the map.

    Returns
    -------
    Axes
    """
    figure, box = figure_of(axes), axes.get_position()
    inch = 1.0 / figure.get_figwidth()
    return figure.add_axes((box.x1 + 0.1 * inch, box.y0, 0.16 * inch, box.height))


def name_contours(axes: Axes, lines: Any) -> None:
    """Set levels on the contours of a map, but for those that would hide another.

    Parameters
    ----------
    axes : Axes
        With its limits set.
    lines : ContourSet
        Of white lines.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.patheffects import withStroke

    FigureCanvasAgg(figure_of(axes))
    kept: list[Any] = []
    for label in axes.clabel(lines, fontsize=SMALL, fmt="%g", inline=False):
        label.set_path_effects([withStroke(linewidth=2.2, foreground="#000000c0")])
        box = label.get_window_extent().padded(2.0)
        if any(box.overlaps(other) for other in kept):
            label.remove()
        else:
            kept.append(box)


def name_points(
    axes: Axes,
    points: Array,
    names: Sequence[str],
    *,
    size: float = SMALL,
    inches: float,
    avoid: Array | None = None,
    colours: Sequence[str] | None = None,
) -> None:
    """Set names beside points so that none hides another, with a thin line where one is far off.

    A name that finds no room is left out.

    Parameters
    ----------
    axes : Axes
        With its limits set and equal aspect.
    points : ndarray, shape (N, 2)
        Data coordinates.
    names : sequence of str
    size : float
        Of the type. [points]
    inches : float
        One unit of the data on paper.
    avoid : ndarray, shape (M, 2), optional
        Other points that no name may cover.
    colours : sequence of str, optional
    """
    scale = 72.0 * inches
    at = points * scale
    dots = at if avoid is None else np.concatenate([at, avoid * scale])
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    low, high = np.array([x0, y0]) * scale, np.array([x1, y1]) * scale
    taken = np.zeros((0, 4))
    # crowded points choose first: they have the fewest places
    near = (np.hypot(*(dots[:, None] - at[None]).transpose(2, 0, 1)) < 25.0).sum(axis=0)
    for k in np.argsort(-near, kind="stable"):
        w, h = LETTER * size * len(names[k]), 1.05 * size
        best, least = None, np.inf
        for reach in (6.5, 10.0, 15.0, 21.0, 28.0, 36.0, 45.0):
            for angle in np.radians(np.arange(0, 360, 30) + 15.0 * (reach in (10.0, 21.0))):
                way = np.array([np.cos(angle), np.sin(angle)])
                middle = at[k] + way * (reach + 0.5 * np.abs(way) @ np.array([w, h]) - 1.5)
                box = np.array(
                    [
                        middle[0] - 0.5 * w,
                        middle[0] + 0.5 * w,
                        middle[1] - 0.5 * h,
                        middle[1] + 0.5 * h,
                    ]
                )
                outside = (box[[0, 2]] < low).any() or (box[[1, 3]] > high).any()
                cost = 0.02 * reach + 50.0 * outside + _clashes(box, taken, dots)
                if cost < least:
                    best, least = (middle, box), cost
            if least < 0.95:
                break
        assert best is not None
        if least >= NAME:
            continue
        middle, box = best
        taken = np.concatenate([taken, box[None]])
        far = np.hypot(*(middle - at[k])) > 9.0 + 0.5 * w
        if far:
            axes.plot(
                *np.stack([at[k], middle]).T / scale, color=LIGHT, lw=0.5, zorder=2.5, clip_on=True
            )
        axes.text(
            float(middle[0] / scale),
            float(middle[1] / scale),
            names[k],
            size=size,
            ha="center",
            va="center",
            color=INK if colours is None else colours[k],
            zorder=6,
            clip_on=True,
        )


def _clashes(box: Array, taken: Array, dots: Array) -> float:
    """How many names and points a name's box would cover; names count more."""
    count = 0.0
    if len(taken):
        apart = (
            (taken[:, 1] < box[0])
            | (taken[:, 0] > box[1])
            | (taken[:, 3] < box[2])
            | (taken[:, 2] > box[3])
        )
        count += NAME * float((~apart).sum())
    inside = (
        (dots[:, 0] > box[0] - 1.5)
        & (dots[:, 0] < box[1] + 1.5)
        & (dots[:, 1] > box[2] - 1.5)
        & (dots[:, 1] < box[3] + 1.5)
    )
    return count + float(inside.sum())
