"""The energy ledger as a picture: sunlight runs down from the mirrors to the pot, step by step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from raytrace.optics.tally import LINES
from raytrace.reports.common.numbers import decimals_of, least_shown, percent
from raytrace.reports.common.page import figure_of, stacked
from raytrace.reports.common.style import (
    GREY,
    INK,
    LIGHT,
    LINE_LOOKS,
    SMALL,
    TEXT,
    axis_labels,
    heading,
)
from raytrace.reports.common.words import LINE_NAMES
from raytrace.reports.trace.tables import LEDGER

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.trace.run import Moment, Run

__all__ = ["ledger_figure"]

WATTS, SHARES = 1.2, 1.45  # right edges of the columns of numbers, in widths of the axes


def ledger_figure(run: Run, moment: Moment | None = None, axes: Axes | None = None) -> Figure:
    """Draw where the sunlight on the mirrors goes.

    Parameters
    ----------
    run : Run
    moment : Moment, optional
        Of that run; the brightest by default.
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    moment = run.brightest if moment is None else moment
    tally = moment.tally
    incoming = tally.incoming
    alone = axes is None
    axes = axes or stacked(*heading(run, moment), [3.6], left=2.05, right=1.4)[0]
    rows: list[tuple[str, float, float, tuple[str, str] | None]] = [
        ("sun on the mirrors", 0.0, incoming, None)
    ]
    left = incoming
    for name in LINES:
        line = tally.line(name)
        left -= float(line)
        colour, hatch, _ = LINE_LOOKS[name]
        rows.append((LINE_NAMES[name], left, float(line), (colour, hatch)))
    # what is left after the last loss is the base, which starts the axis again
    rows.append(("absorbed: base, side, lid", 0.0, float(tally.absorbed), None))

    for y, (name, start, width, look) in enumerate(rows):
        colour, hatch = look or ("#f2f2f2", "")
        last = y == len(rows) - 1
        axes.barh(
            y,
            width,
            left=max(start, 0.0),
            height=0.68,
            color="white" if last else colour,
            hatch="////" if last else hatch,
            edgecolor=INK,
            linewidth=0.7,
        )
        if 0 < y < len(rows) - 1:
            # joins the bar's left end to the right end of the next
            axes.plot([start, start], [y - 0.34, y + 1.34], color=GREY, lw=0.7, ls=":")
        bold = "bold" if name.startswith(("sun", "delivered", "absorbed:")) else "normal"
        _row_text(axes, y, name, width, incoming, bold)
    axes.axhline(len(rows) - 1.5, color=LIGHT, lw=0.8, clip_on=False, xmin=-0.55, xmax=SHARES)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(0.0, incoming * 1.02 or 1.0)
    axes.set_yticks([])
    axis_labels(axes, "power [W]", "")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for x, words in ((WATTS, "W"), (SHARES, "of the sun")):
        axes.text(
            x,
            -0.72,
            words,
            transform=axes.get_yaxis_transform(),
            size=SMALL,
            color=GREY,
            ha="right",
        )
    figure = figure_of(axes)
    if alone:
        told = (
            f"{name} {_watts(width, incoming)} W, {percent(width / incoming)}"
            for name, _, width, _ in rows[1:]
            if width > 0.0
        )
        figure.set_label(
            f"Where the {_watts(incoming, incoming)} W of sun on the mirrors go: "
            f"{'; '.join(told) or 'nothing to tell'}."
        )
    return figure


def _watts(value: float, incoming: float) -> str:
    return least_shown(value, decimals_of(incoming, LEDGER))


def _row_text(axes: Axes, y: int, name: str, value: float, incoming: float, weight: str) -> None:
    row = axes.get_yaxis_transform()
    axes.text(
        -0.02, y, name, transform=row, size=TEXT, color=INK, ha="right", va="center", weight=weight
    )
    words = _watts(value, incoming)
    axes.text(
        WATTS, y, words, transform=row, size=TEXT, color=INK, ha="right", va="center", weight=weight
    )
    share = value / incoming if incoming > 0.0 else np.nan
    axes.text(
        SHARES,
        y,
        percent(share),
        transform=row,
        size=TEXT,
        color=INK,
        ha="right",
        va="center",
        weight=weight,
    )
