"""The cooker from above and from the side, with the lengths that a builder lays off."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.page import axes_at
from raytrace.reports.common.style import (
    INK,
    LETTER,
    SMALL,
    WIDTH,
    axis_labels,
    head_and_foot,
    headed_figure,
)
from raytrace.reports.common.units import axis_words, drawn, tape
from raytrace.reports.common.words import counted_from
from raytrace.reports.trace.sketch import draw_from_above, draw_from_the_side, pot_ring, pot_side

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.cooker.geometry import Cooker
    from raytrace.studies.trace.summary import Summary

__all__ = ["figures"]

Array = NDArray[np.float64]

LEFT = 0.85  # of the drawings [in]
ACROSS, TALL = WIDTH - LEFT - 0.25, 9.2  # room for them [in]
STEP = 0.26  # between lines of dimensions [in]
LINES = 2.6 * STEP  # room for them on each side [in]


def figures(summary: Summary) -> dict[str, Figure]:
    """All figures of a scenario by name.

    Parameters
    ----------
    summary : Summary

    Returns
    -------
    dict of str to Figure
    """
    return {"board": board_figure(summary)}


def board_figure(summary: Summary) -> Figure:
    """Draw board, facets, pot and stand at zero tilt, from above and from the side, to one scale.

    Parameters
    ----------
    summary : Summary

    Returns
    -------
    Figure
    """
    cooker, scenario = summary.cooker, summary.scenario
    plan, side = _plan_frame(cooker), _side_frame(cooker)
    (width, depth), (along, height) = np.ptp(plan, axis=0), np.ptp(side, axis=0)
    room = ACROSS - 2.0 * LINES, TALL - 4.0 * LINES
    scale = min(room[0] / max(width, along), room[1] / (depth + height))
    frames = [np.array(frame + np.array([[-1.0], [1.0]]) * LINES / scale) for frame in (plan, side)]
    boxes = [scale * np.ptp(frame, axis=0) for frame in frames]
    words = f"At zero tilt. Places are counted from {counted_from(scenario)}."
    head, foot = head_and_foot(scenario, words, ())
    gap = 0.6  # below each drawing, for its labels [in]
    tall = head + sum(box[1] + gap for box in boxes) + foot
    figure = headed_figure(WIDTH, tall, scenario, words, ())
    x, y = scenario.platform.middle
    above, beside = (
        axes_at(figure, LEFT + 0.5 * (ACROSS - box[0]), at, *box)
        for at, box in zip((head, head + boxes[0][1] + gap), boxes, strict=True)
    )
    for axes, frame, zero in ((above, frames[0], (x, y)), (beside, frames[1], (y, 0.0))):
        axes.set_xlim(*frame[:, 0])
        axes.set_ylim(*frame[:, 1])
        _count_from(axes, drawn(np.array(zero)))
    draw_from_above(above, cooker)
    draw_from_the_side(beside, cooker)
    step = STEP / scale
    _lengths_above(above, summary, plan, step)
    _lengths_beside(beside, summary, side, step)
    toward = axis_words("y, toward the sun")
    axis_labels(above, axis_words("x, to the right"), toward)
    axis_labels(beside, toward, axis_words("z, above the board's top"))
    return figure


def _plan_frame(cooker: Cooker) -> Array:
    """Lower and upper corner of all that is seen from above."""
    points = np.vstack([drawn(cooker.span).reshape(2, 2).T, pot_ring(cooker)])
    return np.stack([points.min(0), points.max(0)])


def _side_frame(cooker: Cooker) -> Array:
    """The same from the side, down to the ground that a pot may stand on."""
    pot = cooker.pot
    feet = [pot.base[2] + float(pot.posts[:, 2].min())] if len(pot.posts) else []
    low = drawn(min(-cooker.thickness, *feet, 0.0))
    points = np.vstack([pot_side(cooker), [[y, low] for y in drawn(cooker.span[2:])]])
    return np.stack([points.min(0), points.max(0)])


def _lengths_above(axes: Axes, summary: Summary, frame: Array, step: float) -> None:
    """The board, the first pitches, and the pot's place from the board's edges."""
    cooker, facets = summary.cooker, summary.scenario.facets
    x0, x1, y0, y1 = (float(e) for e in cooker.extent)
    px, py = (float(p) for p in cooker.pot.base[:2])
    (left, bottom), (right, top) = frame
    across, up = _Ruler(axes, 0, step), _Ruler(axes, 1, step)
    across.line(x0, x1, top + 1.6 * step, (drawn(y1), drawn(y1)), f"board {tape(x1 - x0)}")
    up.line(y0, y1, left - 1.6 * step, (drawn(x0), drawn(x0)), f"board {tape(y1 - y0)}")
    if abs(px - x0) > 1e-3:
        across.line(
            x0, px, bottom - 1.6 * step, (drawn(y0), drawn(py)), f"pot's centre {tape(px - x0)}"
        )
    if abs(py - y0) > 1e-3:
        up.line(
            y0, py, right + 1.6 * step, (drawn(x1), drawn(px)), f"pot's centre {tape(abs(py - y0))}"
        )
    R = cooker.pot.R
    across.line(px - R, px + R, bottom - 0.7 * step, (drawn(py), drawn(py)), f"pot {tape(2.0 * R)}")
    if facets.layout == "places":
        return
    mount = cooker.facets.mount.reshape(facets.rows, facets.columns, 3)
    if facets.columns > 1:
        a, b = mount[0, 0], mount[0, 1]
        across.line(
            float(a[0]), float(b[0]), top + 0.7 * step, (drawn(a[1]), drawn(b[1])),
            f"pitch {tape(facets.pitch_x, 1)}",
        )  # fmt: skip
    if facets.rows > 1:
        # the rows away from the sun: its words run up from there, clear of the board's edge
        a, b = mount[-1, 0], mount[-2, 0]
        up.line(
            float(a[1]), float(b[1]), left - 0.7 * step, (drawn(a[0]), drawn(b[0])),
            f"pitch {tape(facets.pitch_y, 1)}",
        )  # fmt: skip


def _lengths_beside(axes: Axes, summary: Summary, frame: Array, step: float) -> None:
    """Heights over the board's top, the board's thickness and the way down to the ground."""
    cooker = summary.cooker
    pot = cooker.pot
    left, right = frame[:, 0]
    base, py = float(pot.base[2]), float(pot.base[1])
    up = _Ruler(axes, 1, step)
    edge = drawn(cooker.extent[3])
    up.line(0.0, base, right + 1.6 * step, (edge, drawn(py)), f"base {tape(base)}")
    mount = cooker.facets.mount[cooker.facets.present]
    first = mount[np.argmax(mount[:, 1])]
    height = float(first[2])
    up.line(0.0, height, right + 0.7 * step, (edge, drawn(first[1])), f"mounts {tape(height)}")
    up.line(
        base, base + pot.height, left - 0.7 * step, (drawn(py), drawn(py)),
        f"pot {tape(pot.height)}",
    )  # fmt: skip
    thick, near = cooker.thickness, drawn(cooker.extent[2])
    axes.annotate(
        f"board {tape(thick)} thick",
        (0.5 * (near + edge), drawn(-thick)),
        xytext=(0, -4),
        textcoords="offset points",
        size=SMALL,
        color=INK,
        ha="center",
        va="top",
    )
    if len(pot.posts):
        low = base + float(pot.posts[:, 2].min())
        if low < -1e-3:
            up.line(
                low, base, left - 1.6 * step, (drawn(py), drawn(py)), f"stand {tape(base - low)}"
            )


class _Ruler:
    """Draws lengths along one axis of a drawing, with lines out to what they measure."""

    def __init__(self, axes: Axes, axis: int, step: float) -> None:
        self.axes, self.axis = axes, axis
        self.letter = LETTER * SMALL / (72.0 * STEP) * step

    def line(self, a: float, b: float, at: float, ends: tuple[float, float], words: str) -> None:
        """Length from a to b [m], drawn at `at` across, from `ends` there, both as drawn."""
        a, b = drawn(a), drawn(b)
        upright = self.axis == 1

        def point(along: float, across: float) -> tuple[float, float]:
            return (across, along) if upright else (along, across)

        for along, end in ((a, ends[0]), (b, ends[1])):
            self.axes.plot(
                *zip(point(along, end), point(along, at), strict=True),
                color=INK,
                lw=0.3,
                zorder=6,
            )
        self.axes.annotate(
            "",
            point(a, at),
            xytext=point(b, at),
            arrowprops={"arrowstyle": "<|-|>", "lw": 0.6, "color": INK, "shrinkA": 0, "shrinkB": 0,
                        "mutation_scale": 6.0},
            zorder=7,
        )  # fmt: skip
        # words that would hide their arrow stand beyond its end, or before it for want of room
        room = self.letter * (len(words) + 3)
        fits, gap = room < abs(b - a), 0.6 * self.letter
        limits = self.axes.get_ylim() if upright else self.axes.get_xlim()
        before = not fits and max(a, b) + room > limits[1]
        sides = ("bottom", "top") if upright else ("left", "right")
        side = "center" if fits else sides[int(before)]
        self.axes.text(
            *point(0.5 * (a + b) if fits else min(a, b) - gap if before else max(a, b) + gap, at),
            words,
            size=SMALL,
            color=INK,
            ha="center" if upright else side,
            va=side if upright else "center",
            rotation=90.0 if upright else 0.0,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
            zorder=8,
        )


def _count_from(axes: Axes, zero: Array) -> None:
    """Ticks at round places as the scenario counts them, whose zero lies at -`zero`."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator

    for axis, limits, shift in zip(
        (axes.xaxis, axes.yaxis), (axes.get_xlim(), axes.get_ylim()), zero, strict=True
    ):
        low, high = (float(x) for x in limits)
        ticks = MaxNLocator(7).tick_values(low + shift, high + shift) - shift
        axis.set_major_locator(FixedLocator([t for t in ticks if low <= t <= high]))
        axis.set_major_formatter(
            FuncFormatter(lambda t, _, shift=shift: f"{round(t + shift, 6):g}")
        )
