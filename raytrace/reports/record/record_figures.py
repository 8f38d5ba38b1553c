"""Figures of a cook's record: temperatures and watts, measured and predicted; cooking power."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.heat.cooking_power import OFFSET
from raytrace.reports.common.page import figure_of, stacked
from raytrace.reports.common.style import (
    BLUE,
    GREY,
    LIGHT,
    ORANGE,
    SMALL,
    axis_labels,
    legend_above,
)
from raytrace.reports.common.times import pm
from raytrace.reports.common.units import axis_words, clock_words, quantity, short, unit
from raytrace.reports.record.record import clocks

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.heat.cooking_power import CookingPower
    from raytrace.studies.record.implied import FieldRecord

__all__ = ["figures", "power_figure", "record_figure"]

Array = NDArray[np.float64]

MOST = 4  # heatings drawn side by side


def figures(result: FieldRecord) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    result : FieldRecord

    Returns
    -------
    dict of str to Figure
    """
    out = {"record": record_figure(result)}
    if len(result.power.counts):
        out["power"] = power_figure(result)
    return out


def _stated(result: FieldRecord) -> list[str]:
    plan = result.plan
    return [
        result.record.name,
        f"{plan.draws} draws",
        f"seed {plan.seed}",
    ]


def record_figure(result: FieldRecord) -> Figure:
    """Draw water temperature and watts on the base, measured and predicted.

    Parameters
    ----------
    result : FieldRecord

    Returns
    -------
    Figure
    """
    runs = result.record.runs
    shown = runs[:MOST]
    more = f"; the first {MOST} of {len(runs)} heatings" if len(runs) > MOST else ""
    words = f"as measured, and as predicted for the same times{more}"
    upper, lower = (
        _columns(row, len(shown))
        for row in stacked(result.scenario, words, _stated(result), [2.25, 2.1], below=0.45)
    )
    for k, (which, above, below) in enumerate(zip(shown, upper, lower, strict=True)):
        _temperatures(above, result, which)
        _watts(below, result, which)
        for axes, name in ((above, axis_words("water", "temperature")), (below, "on the base [W]")):
            axis_labels(axes, "", "" if k else name)
            _clock_axis(axes, result, which, most=8 // len(shown))
            if k:
                axes.tick_params(labelleft=False)
            for side in ("top", "right"):
                axes.spines[side].set_visible(False)
        day = clocks(result)[which[0]]
        axis_labels(below, f"{day.day} {day:%B %Y}", "" if k else "on the base [W]")
    lower[0].set_ylim(bottom=min(0.0, lower[0].get_ylim()[0]))
    # the heatings share one scale, so one legend each serves
    _legend(upper[0], "measured, 95 %")
    _legend(lower[0], "implied by the readings, 95 %")
    return figure_of(upper[0])


def _columns(row: Axes, count: int) -> list[Axes]:
    """Axes side by side in the place of one, of one height and scale."""
    figure, box = figure_of(row), row.get_position()
    row.remove()
    gap = 0.04 * box.width
    each = (box.width - gap * (count - 1)) / count
    out: list[Axes] = []
    for k in range(count):
        place = (box.x0 + k * (each + gap), box.y0, each, box.height)
        out.append(figure.add_axes(place, sharey=out[0] if out else None))
    return out


def _minutes(result: FieldRecord, which: Any) -> Array:
    return np.asarray((result.record.time[which] - result.record.time[which][0]) / 60.0)


def _clock_axis(axes: Axes, result: FieldRecord, which: Any, most: int) -> None:
    """Ticks at whole steps of the site's clock."""
    local = clocks(result)
    start, end = local[which[0]], local[which[-1]]
    length = (end - start).total_seconds() / 60.0
    step = next((s for s in (5, 10, 15, 30, 60, 120, 240) if length / s <= most), 480)
    first = -((start.hour * 60 + start.minute + start.second / 60.0) % step) % step
    ticks = np.arange(first, length + 1e-6, step)
    zero = start.hour * 60 + start.minute + start.second / 60.0
    names = [
        clock_words(int(round(zero + t) // 60) % 24, round(zero + t) % 60, brief=True)
        for t in ticks
    ]
    axes.set_xticks(ticks, names)
    axes.set_xlim(-0.02 * length, 1.02 * length)


def _temperatures(axes: Axes, result: FieldRecord, which: Any) -> None:
    x = _minutes(result, which)
    predicted = result.temperature[which]
    warmth, rise = unit("temperature"), unit("difference").per
    T = warmth.of(predicted.value)
    axes.plot(x, T, color=ORANGE, lw=1.5, zorder=3)
    sd = rise * predicted.se * predicted.n_replicates**0.5
    boiling = warmth.of(result.boiling)
    top = np.minimum(T + sd, np.maximum(boiling, T))
    axes.fill_between(x, T - sd, top, color=ORANGE, alpha=0.18, lw=0.0, zorder=2)
    axes.errorbar(
        x,
        warmth.of(result.record.water[which]),
        yerr=rise * result.sure * result.plan.reading_error,
        fmt="o",
        ms=3.6,
        color=BLUE,
        lw=0.8,
        zorder=4,
    )
    strange = result.record.strange_water
    here = (strange.time > result.record.time[which[0]]) & (
        strange.time < result.record.time[which[-1]]
    )
    if here.any():
        at = (strange.time[here] - result.record.time[which[0]]) / 60.0
        axes.plot(at, warmth.of(strange.value[here]), "x", ms=4.5, color=GREY, label="left out")
        axes.annotate(
            "left out", (at[0], warmth.of(strange.value[here][0])), (5, 0),
            textcoords="offset points", size=SMALL, color=GREY, va="center",
        )  # fmt: skip
    low, high = axes.get_ylim()
    if high > boiling - 8.0 * rise:
        axes.axhline(boiling, color=GREY, lw=0.8, ls=(0, (4, 2)))
        axes.text(
            x[0],
            boiling,
            f"boils: {quantity('temperature', result.boiling, 1)}",
            size=SMALL,
            color=GREY,
            va="bottom",
        )
        axes.set_ylim(low, max(high, boiling + 5.0 * rise))


def _watts(axes: Axes, result: FieldRecord, which: Any) -> None:
    axes.axhline(0.0, color=LIGHT, lw=0.8, zorder=0)
    start = result.record.time[which[0]]
    for k, (a, b) in enumerate(zip(result.first, result.last, strict=True)):
        if a not in which:
            continue
        t0, t1 = ((result.record.time[i] - start) / 60.0 for i in (a, b))
        y, sd = result.expected[k], result.expected_sd[k]
        axes.fill_between([t0, t1], y - sd, y + sd, color=ORANGE, alpha=0.18, lw=0.0, zorder=2)
        axes.plot([t0, t1], [y, y], color=ORANGE, lw=1.5, zorder=3, solid_capstyle="butt")
        axes.errorbar(
            0.5 * (t0 + t1),
            result.watts[k],
            yerr=result.sure * result.watts_se[k],
            fmt="o",
            ms=3.6,
            color=BLUE,
            lw=0.9,
            capsize=2.5,
            zorder=4,
        )


def _legend(axes: Axes, measured: str) -> None:
    from matplotlib.lines import Line2D

    legend_above(
        axes,
        [
            Line2D([], [], ls="", marker="o", ms=4.0, color=BLUE, label=measured),
            Line2D([], [], color=ORANGE, lw=1.5, label="predicted, ± 1 s.d."),
        ],
        handlelength=1.5,
    )


def power_figure(result: FieldRecord, axes: Axes | None = None) -> Figure:
    """Draw standardised cooking power against the water's temperature over the air's.

    Parameters
    ----------
    result : FieldRecord
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    words = (
        "cooking power of each interval for 700 W/m², and the line through those that count, ± its "
        "standard error"
    )
    axes = axes or stacked(result.scenario, words, _stated(result), [2.8], above=0.4)[0]
    both = (
        ("measured", result.power, BLUE, "o"),
        ("predicted", result.predicted_power, ORANGE, "s"),
    )
    rise = unit("difference").per
    axes.axhline(0.0, color=LIGHT, lw=0.8, zorder=0)
    axes.axvline(rise * OFFSET, color=GREY, lw=0.8, ls=(0, (4, 2)), zorder=1)
    for look in both:
        _power_points(axes, *look)
    axes.margins(0.04, 0.08)
    axis_labels(axes, axis_words("water over air", "difference"), "standardised cooking power [W]")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    legend_above(axes)
    return figure_of(axes)


def _power_points(axes: Axes, name: str, power: CookingPower, colour: str, marker: str) -> None:
    inside, rise = power.counts, unit("difference").per
    axes.scatter(
        rise * power.difference[~inside],
        power.standardised[~inside],
        20.0,
        marker=marker,
        facecolors="white",
        edgecolors=colour,
        lw=0.9,
        zorder=4,
    )
    value, se = power.at_50
    words = f"{name}: {pm(value, se)} W at {short('difference', OFFSET)}" if power.line else name
    axes.scatter(
        rise * power.difference[inside], power.standardised[inside], 20.0, color=colour, lw=0.0,
        marker=marker, zorder=4,
        label=f"{words} (hollow: left out)" if not inside.all() else words,
    )  # fmt: skip
    if power.line is not None:
        span = power.difference[inside]
        ends = float(span.min()), float(span.max())
        axes.plot(rise * np.array(ends), power.line.at(ends)[0], color=colour, lw=1.2, zorder=3)
        # dashed beyond the points, out to 50 K
        x = np.linspace(min(ends[0], OFFSET), max(ends[1], OFFSET), 60)
        y, error = power.line.at(x)
        axes.plot(rise * x, y, color=colour, lw=1.2, ls=(0, (3, 2)), zorder=3)
        axes.fill_between(
            rise * x, y - error, y + error, color=colour, alpha=0.13, lw=0.0, zorder=2
        )
