"""What a laser rig does to a cooker: watts against its errors, a day, and the corrected marks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.bench.spots import rig_words
from raytrace.reports.common.page import figure_of, name_points, stacked
from raytrace.reports.common.style import (
    BLUE,
    GREY,
    INK,
    LIGHT,
    ORANGE,
    SMALL,
    TEXT,
    WIDTH,
    axis_labels,
    legend_above,
)
from raytrace.reports.common.times import hour_ticks
from raytrace.reports.common.units import axis_words, drawn, yard

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.bench.rig import RigStudy

__all__ = ["figures", "marks_figure", "rig_figure"]

MOST_NAMES = 80
TALL = 6.0  # of the marks at most [in]


def _stated(study: RigStudy) -> list[str]:
    return [
        f"{study.plan.beams} beams a facet",
        f"{study.plan.replicates} replicates",
        f"seed {study.plan.seed}",
    ]


def rig_figure(study: RigStudy) -> Figure:
    """Draw watts against the laser's bias, over the day, and against hits off the centre.

    Parameters
    ----------
    study : RigStudy

    Returns
    -------
    Figure
    """
    panels = [_bias, _day, _hit]
    head = study.scenario, f"laser {rig_words(study.rig)}", _stated(study)
    pages = stacked(*head, [2.0] * len(panels), above=0.55)
    for axes, draw in zip(pages, panels, strict=True):
        draw(axes, study)
        legend_above(axes)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    return figure_of(pages[0])


def _cut_axis(axes: Axes) -> None:
    """Axis that need not start at zero, yet never blows up a change of a percent; says so."""
    low, high = axes.get_ylim()
    least = 0.06 * abs(high)
    if high - low < least:
        low = high - least
    low = max(low, 0.0)
    axes.set_ylim(low, high)
    if low > 0.0:
        axes.text(
            0.99,
            1.0,
            "axis does not start at 0",
            transform=axes.transAxes,
            size=SMALL,
            color=GREY,
            ha="right",
            va="bottom",
        )


def _bias(axes: Axes, study: RigStudy) -> None:
    curve = study.bias
    degrees = np.degrees(curve.bias)
    looks = (
        (curve.altitude, BLUE, "o", "-", "too high (+) or low"),
        (curve.azimuth, ORANGE, "s", "--", "turned clockwise (+)"),
    )
    for watts, colour, marker, dash, words in looks:
        axes.errorbar(
            degrees,
            watts.value,
            yerr=watts.half_width(),
            color=colour,
            marker=marker,
            ls=dash,
            ms=3.5,
            lw=1.3,
            label=words,
        )
    _cut_axis(axes)
    axes.set_title("laser at a wrong angle", size=TEXT, color=INK, loc="left")
    axis_labels(axes, "laser's bias [°]", "delivered [W]")


def _day(axes: Axes, study: RigStudy) -> None:
    day = study.day
    hours = np.array([t.hour + t.minute / 60.0 + t.second / 3600.0 for t in day.time])
    axes.plot(hours, day.right.value, color=GREY, lw=1.6, label="set right")
    axes.plot(hours, day.rigged.value, color=ORANGE, lw=1.3, ls="--", label="set with this laser")
    axes.set_ylim(0.0, 1.06 * max(day.right.value.max(), day.rigged.value.max(), 1.0))
    axes.set_title(f"{day.time[0]:%d %B %Y}", size=TEXT, color=INK, loc="left")
    axes.set_xlim(np.floor(hours.min()), np.ceil(hours.max()))
    axes.xaxis.set_major_formatter(hour_ticks())
    axis_labels(axes, "the site's clock", "delivered [W]")


def _hit(axes: Axes, study: RigStudy) -> None:
    hit = study.hit
    value = hit.delivered.value
    axes.fill_between(
        drawn(hit.hit),
        value - hit.spread,
        value + hit.spread,
        color=BLUE,
        alpha=0.2,
        lw=0,
        zorder=1,
    )
    axes.errorbar(
        drawn(hit.hit),
        value,
        yerr=hit.delivered.half_width(),
        color=BLUE,
        marker="o",
        ms=3.5,
        lw=1.3,
        label=f"mean of {hit.n_builds} builds, band ± 1 s.d.",
        zorder=2,
    )
    _cut_axis(axes)
    axes.set_title("laser off the facets' centres", size=TEXT, color=INK, loc="left")
    axis_labels(axes, axis_words("off the centre, σ per axis"), "delivered [W]")


def marks_figure(study: RigStudy, axes: Axes | None = None) -> Figure:
    """Draw each facet's own mark on the target, for a laser swivelled on one stand.

    Parameters
    ----------
    study : RigStudy
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    facets = study.cooker.facets
    mark = drawn(study.stand.mark)
    seen = np.flatnonzero(facets.present & np.isfinite(mark).all(axis=1))
    mark = mark[seen]
    R = drawn(study.cooker.pot.R)
    low = np.minimum(mark.min(axis=0, initial=0.0), [-R, -R if study.plane == "base" else -0.2 * R])
    high = np.maximum(mark.max(axis=0, initial=0.0), [R, R if study.plane == "base" else 0.2 * R])
    pad = 0.06 * float((high - low).max())
    low, high = low - pad, high + pad
    inches = float(min((WIDTH - 1.05) / (high - low)[0], TALL / (high - low)[1]))
    w, h = (high - low) * inches
    target = "the base's plane" if study.plane == "base" else "an upright card"
    words = f"each facet's own mark on {target}, laser swivelled at {yard(study.stand.distance, 4)}"
    left = 0.8 + 0.5 * (WIDTH - 1.05 - w)
    axes = axes or stacked(study.scenario, words, [], [h], left=left, right=WIDTH - left - w)[0]
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal")
    axes.axhline(0.0, color=LIGHT, lw=0.6, zorder=0)
    axes.axvline(0.0, color=LIGHT, lw=0.6, zorder=0)
    if study.plane == "base":
        around = np.linspace(0.0, 2.0 * np.pi, 181)
        axes.plot(R * np.cos(around), R * np.sin(around), color=INK, lw=1.2, ls=(0, (5, 2)))
    else:
        axes.plot([-R, R], [0.0, 0.0], color=INK, lw=1.2, ls=(0, (5, 2)))
    # facets of a row hang together, so that an eye finds its way among many
    for row in np.unique(facets.row[seen]):
        of_row = mark[facets.row[seen] == row]
        axes.plot(of_row[:, 0], of_row[:, 1], color=LIGHT, lw=0.6, zorder=1)
    few = len(seen) <= MOST_NAMES
    axes.scatter(mark[:, 0], mark[:, 1], 40.0 if few else 14.0, marker="+", color=ORANGE, lw=1.0)
    row = facets.row[seen]
    turn = np.diff(row, prepend=-1, append=-1) != 0
    named = (turn[:-1] | turn[1:]) | few  # of very many, those at the ends of rows
    name_points(
        axes, mark[named], [facets.label[f] for f in seen[named]], inches=inches, avoid=mark
    )
    second = "y, toward the sun's side" if study.plane == "base" else "z, up"
    axis_labels(axes, axis_words("x from the base's centre, to the right"), axis_words(second))
    return figure_of(axes)


def figures(study: RigStudy) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    study : RigStudy

    Returns
    -------
    dict of str to Figure
    """
    return {"rig": rig_figure(study), "marks": marks_figure(study)}
