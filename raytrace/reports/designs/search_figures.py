"""Figures of a search: how it went, and what each move does; or the front between two goals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.page import figure_of, stacked
from raytrace.reports.common.style import (
    BLUE,
    GREY,
    INK,
    ORANGE,
    SMALL,
    TEXT,
    axis_labels,
    grid_behind,
    legend_above,
)
from raytrace.reports.designs.outcomes import factor_of
from raytrace.reports.designs.search import LETTERS, unit_of
from raytrace.studies.designs.objectives import OUTCOMES
from raytrace.studies.designs.search_data import best_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.designs.search_data import SearchResult, Tried
    from raytrace.studies.designs.variables import Move

__all__ = ["figures", "front_figure", "search_figure"]

Array = NDArray[np.float64]

MOST_MOVES = 9  # drawn
RING: dict[str, Any] = {
    "marker": "o", "ms": 8, "mfc": "none", "mec": INK, "mew": 1.3, "ls": "none", "zorder": 5,
    "clip_on": False,
}  # fmt: skip


def figures(search: SearchResult) -> dict[str, Figure]:
    """All figures by name; none where no design could be built.

    Parameters
    ----------
    search : SearchResult

    Returns
    -------
    dict of str to Figure
    """
    if not search.found:
        return {}
    return {"search": (front_figure if len(search.plan.goals) > 1 else search_figure)(search)}


def search_figure(search: SearchResult) -> Figure:
    """Draw how a search for one goal went, and the goal against each key that was moved.

    Parameters
    ----------
    search : SearchResult

    Returns
    -------
    Figure
    """
    from matplotlib.ticker import MaxNLocator

    moves = search.plan.moves[:MOST_MOVES]
    columns = min(len(moves), 2)
    rows = math.ceil(len(moves) / columns)
    goal = search.plan.goals[0]
    head = search.scenario, f"search for {_words(search, 0)}", _stated(search)
    y = _figures(search, 0)
    label = f"{goal} [{unit_of(search, 0)}]"
    limits = _limits(search, y)
    pages = stacked(*head, [2.2] + [1.6] * rows, columns=columns)
    # the first row is one panel from edge to edge
    first, last = pages[0].get_position(), pages[columns - 1].get_position()
    top, panels = pages[0], pages[columns : columns + len(moves)]
    top.set_position((first.x0, first.y0, last.x1 - first.x0, first.height))
    for spare in (*pages[1:columns], *pages[columns + len(moves) :]):
        spare.remove()
    number = search.number
    _refused(top, number[search.refused != ""], limits)
    top.plot(number, y, ".", color=BLUE, ms=6.0, label="design tried")
    more = OUTCOMES[goal].more
    so_far = np.fmax.accumulate(y) if more else np.fmin.accumulate(y)
    top.step(number, so_far, where="post", color=INK, lw=1.1, label="best so far")
    top.set_xlim(-0.5, max(number[-1], 1) + 0.5)
    top.xaxis.set_major_locator(MaxNLocator(integer=True))
    axis_labels(top, "design", label)
    for k, (axes, move) in enumerate(zip(panels, moves, strict=True)):
        x = _places(move, search.tried)
        _refused(axes, x[search.refused != ""], limits)
        axes.plot(x, y, ".", color=BLUE, ms=6.0)
        _scale(axes, move)
        axis_labels(axes, f"{move.key} [{move.unit}]" if move.unit else move.key, "")
        if k % columns:
            axes.tick_params(labelleft=False)
        else:
            axes.set_ylabel(label, size=TEXT, color=INK)
        best = search.found[0].tried
        axes.plot(_places(move, [best]), [_figure(search, 0, best)], **RING)
    best = search.found[0].tried
    top.plot([best.number], [_figure(search, 0, best)], label="best", **RING)
    for axes in (top, *panels):
        axes.set_ylim(*limits)
        grid_behind(axes)
    if search.start and math.isfinite(float(search.start[0])):
        level = factor_of(goal) * float(search.start[0])
        for axes in (top, *panels):
            axes.axhline(level, color=ORANGE, lw=1.0, ls=(0, (4, 2)), zorder=1.5)
        top.plot([], [], color=ORANGE, lw=1.0, ls=(0, (4, 2)), label="start")
    if (search.refused != "").any():
        top.plot([], [], "|", color=GREY, ms=6, label="can't be built")
    legend_above(top)
    return figure_of(top)


def front_figure(search: SearchResult, axes: Axes | None = None) -> Figure:
    """Draw designs by two goals, those that none beats in both named, and the start.

    Parameters
    ----------
    search : SearchResult
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    words = f"search for {_words(search, 0)}, and for {_words(search, 1)}"
    axes = axes or stacked(search.scenario, words, _stated(search), [3.8])[0]
    x, y = _figures(search, 0), _figures(search, 1)
    axes.plot(x, y, ".", color=BLUE, ms=7.0, alpha=0.55, label="design tried")
    factors = [factor_of(g) for g in search.plan.goals]
    points = np.array([[f * float(e) for f, e in zip(factors, d.figures, strict=True)]
                       for d in search.found])  # fmt: skip
    front = best_of(search.plan, search.tried)
    axes.plot(
        *[[_figure(search, k, t) for t in front] for k in (0, 1)], "-", color=INK, lw=0.8, zorder=3
    )
    axes.plot(*points.T, "o", color=INK, ms=5.5, zorder=4, label="none beats it in both")
    if search.start:
        start = [f * float(e) for f, e in zip(factors, search.start, strict=True)]
        axes.plot(*start, "D", color=ORANGE, ms=6, zorder=5, label="start")
    for k, set_limits in ((0, axes.set_xlim), (1, axes.set_ylim)):
        values = [x, y][k]
        values = values[np.isfinite(values)]
        values = np.concatenate([values, points[:, k]])
        low, high = float(values.min()), float(values.max())
        pad = 0.06 * (high - low) or 1.0
        set_limits(low - pad, high + pad)
    grid_behind(axes)
    for letter, point in zip(LETTERS, points, strict=False):
        axes.annotate(
            letter, tuple(point), xytext=(5, 5), textcoords="offset points", size=SMALL + 1.0,
            color=INK, zorder=6,
        )  # fmt: skip
    axis_labels(
        axes,
        f"{search.plan.goals[0]} [{unit_of(search, 0)}]",
        f"{search.plan.goals[1]} [{unit_of(search, 1)}]",
    )
    legend_above(axes)
    return figure_of(axes)


def _words(search: SearchResult, k: int) -> str:
    name = search.plan.goals[k]
    return f"{'most' if OUTCOMES[name].more else 'least'} {name}"


def _stated(search: SearchResult) -> list[str]:
    ask = search.plan.ask
    return [
        f"{len(search.tried)} designs",
        f"{ask.replicates} replicates",
        f"seed {ask.seed}",
    ]


def _figure(search: SearchResult, k: int, tried: Tried) -> float:
    value = tried.figures[k] if tried.figures else math.nan
    return factor_of(search.plan.goals[k]) * value if math.isfinite(value) else math.nan


def _figures(search: SearchResult, k: int) -> Array:
    return np.array([_figure(search, k, t) for t in search.tried])


def _limits(search: SearchResult, y: Array) -> tuple[float, float]:
    """Limits that show the better half of the designs well, and the worst only if near."""
    shown = [v for v in y if math.isfinite(v)]
    if search.start and math.isfinite(float(search.start[0])):
        shown.append(factor_of(search.plan.goals[0]) * float(search.start[0]))
    low, high = min(shown), max(shown)
    pad = 0.08 * (high - low) or 1.0
    return low - pad, high + pad


def _refused(axes: Axes, x: Array, limits: tuple[float, float]) -> None:
    low, high = limits
    axes.plot(x, np.full(len(x), low + 0.025 * (high - low)), "|", color=GREY, ms=6, mew=0.8)


def _places(move: Move, tried: Sequence[Tried]) -> Array:
    values = [t.values[move.key] for t in tried]
    if move.choices:
        return np.array([move.choices.index(str(v)) for v in values], dtype=float)
    return np.array(values, dtype=float)


def _scale(axes: Axes, move: Move) -> None:
    if move.choices:
        axes.set_xlim(-0.5, len(move.choices) - 0.5)
        axes.set_xticks(range(len(move.choices)), [c[:14] for c in move.choices])
    else:
        pad = 0.03 * (move.high - move.low)
        axes.set_xlim(move.low - pad, move.high + pad)
        if move.whole and move.high - move.low <= 10:
            axes.set_xticks(np.arange(move.low, move.high + 1))
