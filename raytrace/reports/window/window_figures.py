"""Figures of the sun window: share kept by date and clock, and by altitude; what serves best."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.exceptions import StudyError
from raytrace.reports.common.page import bar_beside, figure_of, stacked
from raytrace.reports.common.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    MAP,
    ORANGE,
    SKY,
    SMALL,
    axis_labels,
    colour_scale,
    grid_behind,
    legend_above,
)
from raytrace.reports.common.ticks import date_ticks, hour_ticks
from raytrace.reports.common.times import date_span, of_day
from raytrace.studies.cooking.calendar import clocks

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.window.window import Window

__all__ = ["figures", "serving_figure", "window_figure"]

HIDDEN = "#9a9a9a"


def figures(study: Window) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    study : Window

    Returns
    -------
    dict of str to Figure
    """
    out = {"window": window_figure(study)}
    if study.serving is not None:
        out["serve"] = serving_figure(study)
    return out


def _stated(study: Window) -> list[str]:
    plan = study.plan
    return [
        f"{plan.repeats} repeats × {2 * plan.beams} beams a facet",
        f"seed {plan.seed}",
        f"build {plan.build}",
    ]


def window_figure(study: Window) -> Figure:
    """Draw share kept by date and clock, and against the sun's altitude.

    Parameters
    ----------
    study : Window

    Returns
    -------
    Figure
    """
    top, bottom = stacked(
        study.scenario,
        "share of the watts at the design altitude, under equal sun, with the platform turned to "
        "face the sun",
        _stated(study),
        [3.2, 1.9],
        right=0.95,
        above=0.4,
    )
    _by_clock(top, study)
    _by_altitude(bottom, study)
    return figure_of(top)


def _by_clock(axes: Axes, study: Window) -> None:
    from matplotlib import colormaps
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    course = study.course
    x = np.array([d.toordinal() for d in course.dates], dtype=float)
    y = course.minutes / 60.0
    share, alpha = course.share, course.alpha
    if len(x) == 1:  # one date is as wide as the picture
        x, share, alpha = (
            x + np.array([-0.5, 0.5]),
            share.repeat(2, axis=0),
            alpha.repeat(2, axis=0),
        )
    colours = colormaps[MAP].with_extremes(under=HIDDEN, bad="white")
    most = max(1.0, float(np.nanmax(np.append(study.curve.share.value, 1.0))))
    wide, step = float(np.diff(x).min()), float(y[1] - y[0])
    mesh = axes.pcolormesh(
        np.append(x, x[-1] + wide) - 0.5 * wide,
        np.append(y, y[-1] + step),
        np.ma.masked_invalid(share).T,
        cmap=colours,
        vmin=0.0,
        vmax=most,
        rasterized=True,
    )
    # clocks change: lines by one clock each
    parts = np.flatnonzero(np.diff(clocks(study.scenario, course.dates)) != 0.0) + 1
    for run in np.split(np.arange(len(x)), parts):
        if len(run) > 1:
            _lines(axes, x[run], y + 0.5 * step, share[run], alpha[run], study)
    axes.set_xlim(
        x[0] - 0.5 * wide * (len(course.dates) > 1), x[-1] + 0.5 * wide * (len(course.dates) > 1)
    )
    keep = f"{100.0 * study.plan.keep:g} % kept"
    stands = "sun at the design altitude"
    if np.ptp(study.curve.stands) > 1e-9:
        stands += ", tilted as far as it goes"
    handles: list[Any] = [
        Line2D([], [], color=SKY, lw=1.6, label=keep),
        Line2D([], [], color=INK, lw=1.0, ls=(0, (4, 2)), label=stands),
    ]
    if (course.share < 0.0).any():
        handles.append(Patch(color=HIDDEN, label="behind the horizon"))
    up = np.isfinite(course.share)
    lit = np.flatnonzero(up.any(axis=0))
    if len(lit):
        axes.set_ylim(max(y[lit[0]] - 0.5, 0.0), min(y[lit[-1]] + 0.5 + step, 24.0))
    if not up.all():
        handles.append(Patch(fc="white", ec=GREY, lw=0.7, label="sun down"))
    axis_labels(axes, "", f"clock of {study.scenario.site.timezone}")
    hour_ticks(axes)
    date_ticks(axes, course.dates[0], course.dates[-1])
    scale = colour_scale(mesh, bar_beside(axes), "share kept")
    marks = np.linspace(0.0, 1.0, 6)
    scale.set_ticks(list(marks), labels=[f"{100 * m:.0f} %" for m in marks])
    legend_above(axes, handles)


def _lines(axes: Axes, x: Any, y: Any, share: Any, alpha: Any, study: Window) -> None:
    """Where the share is just kept, and where the sun stands at the design altitude."""
    share = np.where(np.isfinite(share), share, 0.0)
    keep = study.plan.keep
    if share.min() < keep < share.max():
        axes.contour(x, y, share.T, levels=[keep], colors=SKY, linewidths=1.6)
    for level in sorted({round(a, 9) for a in study.curve.stands}):
        if alpha.min() < level < alpha.max():
            axes.contour(x, y, alpha.T, levels=[level], colors="white", linewidths=1.8)
            axes.contour(
                x,
                y,
                alpha.T,
                levels=[level],
                colors=INK,
                linewidths=1.0,
                linestyles=[(0, (4, 2))],
            )


def _by_altitude(axes: Axes, study: Window) -> None:
    curve, keep = study.curve, 100.0 * study.plan.keep
    x = np.degrees(curve.alpha)
    y, se = 100.0 * curve.share.value, 100.0 * curve.share.se
    axes.fill_between(x, y - se, y + se, color=BLUE, alpha=0.3, lw=0)
    axes.plot(x, y, color=BLUE, lw=1.6)
    axes.axhline(keep, color=GREY, lw=0.8, ls=(0, (5, 3)))
    for band in curve.bands:
        low, high = np.degrees([band.low, band.high])
        axes.axvspan(low, high, color=SKY, alpha=0.22, lw=0)
        words = f"{low:.1f}° to {high:.1f}°"
        axes.annotate(
            words,
            (0.5 * (low + high), 0.0),
            xytext=(0, 5),
            textcoords="offset points",
            size=SMALL,
            ha="center",
            color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
            zorder=4,
        )
    for level in sorted({round(a, 9) for a in curve.stands}):
        axes.axvline(float(np.degrees(level)), color=INK, lw=1.0, ls=(0, (4, 2)))
    shown = x[y > 0.5]
    if len(shown):
        axes.set_xlim(max(shown[0] - 3.0, 0.0), min(shown[-1] + 3.0, 90.0))
    axes.set_ylim(0.0, 1.08 * max(100.0, y.max()))
    design = float(np.degrees(curve.design))
    off: Callable[[Any], Any] = lambda v: v - design  # noqa: E731
    on: Callable[[Any], Any] = lambda v: v + design  # noqa: E731
    second = axes.secondary_xaxis("top", functions=(off, on))
    second.set_xlabel("off the design altitude [°]", size=SMALL + 1.0, color=INK)
    second.tick_params(labelsize=SMALL, color=GREY, labelcolor=INK)
    grid_behind(axes)
    axis_labels(axes, "sun's altitude [°]", "share kept [%]")


def serving_figure(study: Window, axes: Axes | None = None) -> Figure:
    """Draw the energy in the served hours against the altitude that mirrors are set for.

    Parameters
    ----------
    study : Window
        Of a plan that asks for it.
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure

    Raises
    ------
    StudyError
        If its plan doesn't.
    """
    serving = study.serving
    if serving is None:
        raise StudyError("no altitude was looked for: give the plan dates and hours to serve")
    served = serving.served
    words = (
        f"which altitude to set the mirrors for, to serve {date_span(served.first, served.last)}, "
        f"{of_day(served.start)} to {of_day(served.end)}"
    )
    axes = axes or stacked(study.scenario, words, _stated(study)[1:], [2.8], above=0.4)[0]
    tried = [c for c in serving.tried if not c.why_not]
    x = np.degrees([c.alpha for c in tried])
    energy = np.array([float(c.energy) for c in tried]) / 3.6e6
    se = np.array([float(c.energy.se) for c in tried]) / 3.6e6
    axes.errorbar(
        x, energy, yerr=se, color=BLUE, marker="s", ms=3.0, lw=1.4, capsize=2, elinewidth=1.0
    )
    for candidate, colour, marker, name in (
        (serving.now, ORANGE, "o", "as set now"),
        (serving.best, GREEN, "D", "best"),
    ):
        at, got = float(np.degrees(candidate.alpha)), float(candidate.energy) / 3.6e6
        axes.errorbar(
            at,
            got,
            yerr=float(candidate.energy.se) / 3.6e6,
            color=colour,
            marker=marker,
            ms=7,
            capsize=2,
            ls="none",
            label=f"{name}: {at:.1f}°, {got:.3g} kWh a day",
            zorder=5,
        )
    axes.axvspan(
        *np.degrees(serving.as_good), color=GREEN, alpha=0.15, lw=0, label="within 2 % of the best"
    )
    legend_above(axes)
    axes.set_ylim(0.0, 1.08 * float((energy + se).max()))
    grid_behind(axes)
    axis_labels(axes, "mirrors set for a sun so high [°]", "delivered a day in these hours [kWh]")
    return figure_of(axes)
