"""Figures of a pot's day: watts and temperature against the clock, and what turning is worth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.reports.common.page import figure_of, stacked
from raytrace.reports.common.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    SMALL,
    VIOLET,
    axis_labels,
    grid_behind,
    legend_above,
)
from raytrace.reports.common.times import at_clock, date_words
from raytrace.reports.common.units import axis_words, clock_words, mass, unit
from raytrace.reports.cooking.day_words import since_start
from raytrace.reports.cooking.kitchen import contents_words, habit_words
from raytrace.statistics.draws import groups
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.likely import LEVEL

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.cooking.day import DayResult
    from raytrace.studies.cooking.day_draws import DayDraws
    from raytrace.studies.cooking.pot_day import CookingDay

__all__ = ["course_figure", "figures", "habits_figure"]

STEPS = ((12.0, 120), (3.0, 60), (1.2, 30))  # longer than so many hours: a tick each so many min
LEAST = 10.0  # that a scale of watts goes up to [W]
MANY = 40  # turnings, beyond which lines through the whole picture would hide it


def figures(result: DayResult) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    dict of str to Figure
    """
    out = {"course": course_figure(result)}
    if result.worth:
        out["habits"] = habits_figure(result)
    return out


def _stated(day: CookingDay) -> list[str]:
    settings = day.settings
    return [
        f"{settings.replicates} × {settings.beams} beams a facet",
        f"seed {settings.seed}",
        f"build {settings.build}",
    ]


def course_figure(result: DayResult) -> Figure:
    """Draw watts and temperature against the clock, turnings marked.

    Parameters
    ----------
    result : DayResult
        Its draws, if it has any, are drawn behind the pot.

    Returns
    -------
    Figure
    """
    day, top_ups, pots = result.pot, result.ups, result.draws
    start = day.time[0]
    warm, watts = stacked(
        day.scenario,
        f"{date_words(start.date(), year=True)}: {contents_words(day.scenario)}, put on at "
        f"{at_clock(start)}, {habit_words(day.habit.every, day.habit.face)}",
        _stated(day),
        [2.65, 2.3],
        above=0.4,
        below=0.4,
    )
    _temperature(warm, day, top_ups, pots)
    _watts(watts, day)
    for axes in (warm, watts):
        for t in day.turnings[1:]:
            hour = (t.time - start).total_seconds() / 3600.0
            foot = 0.0 if len(day.turnings) <= MANY else 0.96
            axes.axvline(hour, foot, color=GREY, lw=0.6, ls=(0, (1, 2)), zorder=1)
        grid_behind(axes, "y")
        _clock_axis(axes, day, shown=axes is watts)
    axis_labels(watts, f"clock of {day.scenario.site.timezone}", "power [W]")
    return figure_of(watts)


def _span(day: CookingDay) -> float:
    """Until when a day is shown: sunset, or as long as food that stands lukewarm is safe. [h]"""
    ends = [x.spoilt + 900.0 for x in day.lukewarm]
    return min(max([float(day.since[-1]), *ends]), float(day.evening.time[-1])) / 3600.0


def _temperature(
    axes: Axes, day: CookingDay, top_ups: Sequence[Any], pots: DayDraws | None
) -> None:
    from matplotlib.colors import to_rgba

    hours = day.evening.time / 3600.0
    warmth = unit("temperature")
    value = warmth.of(day.evening.temperature[0])
    air = warmth.of(day.evening_air)
    if pots is not None:
        tail = 50.0 * (1.0 - LEVEL)
        T = pots.temperature[:, 0]
        there = np.isfinite(T).any(axis=0)
        low, high = warmth.of(np.nanpercentile(T[:, there], [tail, 100.0 - tail], axis=0))
        name = f"95 % of {len(T)} draws"
        hour = pots.time[there] / 3600.0
        axes.fill_between(hour, low, high, color=ORANGE, alpha=0.25, lw=0, label=name)
    axes.plot(
        hours, value, color=ORANGE, lw=1.8, label="water" if day.scenario.kitchen.water else "food"
    )
    axes.plot(hours, air, color=GREY, lw=1.0, ls=(0, (1, 1)), label="air")
    boiling = warmth.of(day.boiling)
    words = f"boiling, {warmth.fixed(day.boiling, 1)} {warmth.symbol}"
    axes.axhline(boiling, color=BLUE, lw=0.9, ls=(0, (5, 2)), label=words)
    low = min(float(np.nanmin(value)), float(air.min())) - 4.0 * warmth.per
    for k, x in enumerate(day.lukewarm):
        axes.axvspan(
            x.spoilt / 3600.0,
            x.end / 3600.0,
            fc=to_rgba(VIOLET, 0.18),
            ec=to_rgba(VIOLET, 0.6),
            hatch="///",
            lw=0,
            label="lukewarm too long: not safe" if k == 0 else None,
        )
    cooked = float(day.scenario.kitchen.done_after) > 0.0
    marks = [
        ("boils", float(day.boils.value), "o"),
        ("done", float(day.done.value) if cooked else math.nan, "s"),
        ("dries out", float(day.evening.dry[0]), "X"),
    ]
    for k, (name, when, marker) in enumerate(marks):
        if not math.isfinite(when):
            continue
        at = when / 3600.0
        known = np.isfinite(value)
        height = float(np.interp(at, hours[known], value[known]))
        axes.plot([at, at], [low, height], color=INK, lw=0.7, zorder=2)
        axes.plot(at, height, marker, ms=7, mfc="white", mec=INK, mew=1.3, zorder=5)
        axes.annotate(
            f"{name} {at_clock(since_start(day, when))}",
            (at, low),
            xytext=(4, 5 + 13 * k),
            textcoords="offset points",
            size=SMALL,
            color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.0},
            zorder=4,
        )
    for since, added, _ in top_ups:
        at = since / 3600.0
        axes.annotate(
            f"+{mass(added, 2)}",
            (at, float(np.interp(at - 1e-6, hours, np.nan_to_num(value)))),
            xytext=(-3, 14),
            textcoords="offset points",
            size=SMALL,
            color=GREEN,
            ha="right",
            arrowprops={"arrowstyle": "-|>", "color": GREEN, "lw": 1.0},
        )
    axes.set_ylim(
        low, max(boiling, float(np.nanmax(value))) + warmth.per * (18.0 if top_ups else 8.0)
    )
    axis_labels(axes, "", axis_words("temperature", "temperature"))
    legend_above(axes)


def _watts(axes: Axes, day: CookingDay) -> None:
    from matplotlib.lines import Line2D

    hours = np.stack([day.since[:-1], day.since[1:]], axis=-1).ravel() / 3600.0
    for x, colour, dashes, name in (
        (day.absorbed, VIOLET, (0, (5, 1.5)), "absorbed by the pot, plain sun and sky included"),
        (day.delivered, ORANGE, "solid", "delivered on the base"),
    ):
        watts = Estimate.from_replicates(x.reshape(len(hours), -1).T)
        mean, se = watts.value, watts.se
        axes.fill_between(hours, mean - se, mean + se, color=colour, alpha=0.3, lw=0)
        axes.plot(hours, mean, color=colour, lw=1.5, ls=dashes, label=name)
    axes.set_ylim(bottom=0.0)
    handles, _ = axes.get_legend_handles_labels()
    if len(day.turnings) > 1:
        handles.append(Line2D([], [], color=GREY, lw=0.8, ls=(0, (1, 2)), label="turned"))
    legend_above(axes, handles)


def _clock_axis(axes: Axes, day: CookingDay, *, shown: bool) -> None:
    """Whole hours of the clock, placed by time since the start."""
    import pandas as pd

    span = _span(day)
    axes.set_xlim(0.0, span)
    start = day.time[0]
    step = pd.Timedelta(minutes=next((m for h, m in STEPS if span > h), 10))
    first = start.floor("h")
    marks = []
    for k in range(int(span / (step / pd.Timedelta(hours=1))) + 8):
        time = first + k * step
        at = (time - start).total_seconds() / 3600.0
        if 0.0 <= at <= span:
            marks.append((at, clock_words(time.hour, time.minute, brief=True)))
    axes.set_xticks([at for at, _ in marks], labels=[w if shown else "" for _, w in marks])


def habits_figure(result: DayResult) -> Figure:
    """Draw time to the boil and watts against how often the cooker is turned.

    Parameters
    ----------
    result : DayResult
        With habits compared.

    Returns
    -------
    Figure
    """
    day, worth = result.pot, result.worth
    start = day.time[0]
    top, bottom = stacked(
        day.scenario,
        f"how often to turn: {contents_words(day.scenario)}, put on at {at_clock(start)} on "
        f"{date_words(start.date(), year=True)}; smaller marks are of fewer draws",
        _stated(day),
        [2.25, 2.0],
        below=0.4,
    )
    names = sorted({w.habit.every for w in worth})
    place = {every: k for k, every in enumerate(names)}
    boil = any(np.isfinite(w.draws.boils).any() for w in worth)
    warmth = unit("temperature")
    for face, colour, marker, shift, words_of in (
        ("now", BLUE, "o", -0.06, "to the sun as it stands"),
        ("ahead", ORANGE, "s", 0.06, "ahead: to where it stands half an interval later"),
    ):
        these = sorted((w for w in worth if w.habit.face == face), key=lambda w: w.habit.every)
        if not these:
            continue
        x = np.array([place[w.habit.every] + shift for w in these])
        looks: dict[str, Any] = {
            "color": colour,
            "marker": marker,
            "ms": 4.5,
            "lw": 1.2,
            "capsize": 2.5,
        }
        draws = [w.draws for w in these]
        for at, d in zip(x, draws, strict=True):
            times = d.boils[:, 0]
            parts = groups(times) if boil else [d.highest[:, 0]]
            for part in parts:
                y, spread = float(part.mean()), float(part.std(ddof=1)) if len(part) > 1 else 0.0
                y, spread = (
                    (y / 60.0, spread / 60.0) if boil else (warmth.of(y), warmth.per * spread)
                )
                size = 3.0 + 3.0 * len(part) / len(times)
                top.errorbar([at], [y], yerr=[spread], **looks | {"ms": size})
            never = int(np.isnan(times).sum())
            if boil and never:
                words = "never" if never == len(times) else f"{never} of {len(times)} never"
                top.annotate(words, (at, 0.0), xycoords=("data", "axes fraction"),
                             xytext=(0, 6 if face == "now" else 18), textcoords="offset points",
                             size=SMALL, color=colour, ha="center")  # fmt: skip
        top.plot([], [], color=colour, marker=marker, ms=4.5, lw=0, label=words_of)
        mean = np.array([d.watts.mean() for d in draws])
        se = np.array([d.watts.std(ddof=1) for d in draws])
        bottom.errorbar(x, mean, yerr=se, **looks)
    labels = ["never" if math.isinf(e) else f"{e / 60.0:g} min" for e in names]
    for axes in (top, bottom):
        grid_behind(axes)
        axes.set_xlim(-0.4, len(names) - 0.6)
        axes.set_xticks(range(len(names)), labels=labels if axes is bottom else [])
    if boil:
        top.set_ylim(0.0, 1.08 * top.get_ylim()[1])
    bottom.set_ylim(0.0, max(1.08 * bottom.get_ylim()[1], LEAST))
    words = "time to the boil [min]" if boil else axis_words("warmest", "temperature")
    axis_labels(top, "", words)
    axis_labels(bottom, "turned every", "mean of first two hours [W]")
    legend_above(top)
    return figure_of(top)
