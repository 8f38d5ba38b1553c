"""Figures of a season: months by starts as maps, and the year as bands of starts that work."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.reports.common.page import bar_beside, figure_of, stacked
from raytrace.reports.common.style import (
    GREEN,
    GREY,
    INK,
    MAP,
    SMALL,
    axis_labels,
    colour_scale,
    grid_behind,
    ink_on,
    legend_above,
)
from raytrace.reports.common.ticks import date_ticks, hour_ticks
from raytrace.reports.common.times import MONTHS, of_day
from raytrace.reports.common.units import chosen
from raytrace.reports.cooking.kitchen import contents_words, habit_words
from raytrace.reports.cooking.season import LETTERS, cell_words, danger_words
from raytrace.studies.cooking.calendar import clocks
from raytrace.studies.cooking.never_boils import REASON_MEANINGS, REASONS
from raytrace.studies.cooking.season_choice import MOST, cooking_goal, within, works

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from raytrace.studies.cooking.calendar import Calendar
    from raytrace.studies.cooking.season_data import Season
    from raytrace.studies.cooking.season_months import Months

__all__ = ["figures", "starts_figure", "year_bands", "year_figure"]

WORKS, QUICK = "#b9d9ee", "#3b7fb5"  # told apart by their lightness alone
FINE = 300.0  # between starts that bands are drawn for [s]
NEAR_DAYS, CLOUDY_DAYS = 10, 30  # before and after a day, that its band is taken from
OFTEN, CLOUDY_OFTEN = 0.9, 0.75  # of the days on which the best start works: it works too
NEARLY, CLOUDY_NEARLY = 1.1, 1.25  # times the quickest: quick
NEVER = "#ececec"
NOTE_WIDTH = 90  # letters of the legend's lines


def figures(season: Season) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    season : Season

    Returns
    -------
    dict of str to Figure
    """
    out = {"starts": starts_figure(season)}
    if len(season.dates) > 1:
        out["year"] = year_figure(season)
    return out


def _stated(season: Season) -> list[str]:
    plan = season.plan
    return [
        f"every {plan.step / 60.0:g} min",
        f"{plan.replicates} × {plan.beams} beams a facet",
        f"seed {plan.seed}",
        f"build {plan.build}",
    ]


def _sky_words(season: Season) -> str:
    sky = season.scenario.sky.dni
    if sky == "clear sky":
        return "cloudless sky"
    return "typical weather" if sky == "weather file" else f"DNI {float(sky):.0f} W/m²"


def starts_figure(season: Season) -> Figure:
    """Draw time to the boil and delivered watts, months by starts.

    Parameters
    ----------
    season : Season

    Returns
    -------
    Figure
    """
    each = min(max(0.24 * len(season.plan.starts), 1.2), 4.6)
    months = season.months
    legend = _legend(season, months)
    boil, delivered, notes = stacked(
        season.scenario,
        _words(season),
        _stated(season),
        [each, each, 0.15 * len(legend)],
        left=0.95,
        right=0.9,
        above=0.25,
        below=0.2,
    )
    _boil_map(boil, season, months)
    _delivered_map(delivered, season, months)
    notes.set_axis_off()
    notes.text(0.0, 1.0, "\n".join(legend), size=SMALL, color=INK, va="top", linespacing=1.3)
    return figure_of(boil)


def _words(season: Season) -> str:
    return (
        f"{contents_words(season.scenario)}, {habit_words(season.habit.every, season.habit.face)}, "
        f"{_sky_words(season)}"
    )


def _legend(season: Season, months: Months) -> list[str]:
    """What marks and letters in the cells mean, of those that are there."""
    own = season.of_plan
    marks = " ".join(cell_words(months, m, k) for m in range(len(months.months)) for k in own)
    never = months.reason[:, own][months.boils[:, own] == 0.0]
    used = [REASONS[k] for k in sorted(set(never.tolist()))]
    letters = [f"{LETTERS[r]}: {REASON_MEANINGS[r]}" for r in used if LETTERS[r]]
    parts = [
        "* not on all days of the month." if "*" in marks else "",
        "(3) on so many of ten days alone." if "(" in marks else "",
        f"{danger_words()}." if "!" in marks else "",
        f"It never boils where there is a letter. {'; '.join(letters)}." if letters else "",
    ]
    return textwrap.wrap(" ".join(part for part in parts if part), NOTE_WIDTH)


def _map(
    axes: Axes,
    season: Season,
    values: NDArray[np.float64],
    colours: str,
    label: str,
) -> Any:
    """Cells of months by starts, and their scale."""
    from matplotlib import colormaps

    shown = np.ma.masked_invalid(values.T)
    look = colormaps[colours].with_extremes(bad=NEVER)
    alike = shown.count() == 0 or float(np.ptp(shown.compressed())) < 1e-9
    low, high = (0.0, 1.0) if alike else (float(shown.min()), float(shown.max()))
    image = axes.imshow(
        shown, origin="lower", aspect="auto", cmap=look, vmin=low, vmax=high, interpolation="none"
    )
    if not alike:  # a scale says nothing of one value, or none
        colour_scale(image, bar_beside(axes), label)
    months, starts = values.shape
    axes.set_xticks(np.arange(-0.5, months), minor=True)
    axes.set_yticks(np.arange(-0.5, starts), minor=True)
    axes.grid(which="minor", color="white", lw=1.0)
    axes.tick_params(which="minor", length=0)
    every = max(1, -(-starts // 16))
    axes.set_yticks(
        range(0, starts, every), labels=[of_day(s, brief=True) for s in season.plan.starts[::every]]
    )
    return image


def _month_ticks(axes: Axes, months: Months, *, shown: bool) -> None:
    names = [MONTHS[m - 1][:3] for _, m in months.months]
    axes.set_xticks(range(len(names)), labels=names if shown else [])


def _cell_text(axes: Axes, image: Any, values: NDArray[np.float64], words: list[list[str]]) -> None:
    if values.shape[1] > 24 or values.shape[0] > 14:
        return
    for m in range(values.shape[0]):
        for k in range(values.shape[1]):
            known = np.isfinite(values[m, k])
            colour = ink_on(image.to_rgba(values[m, k])) if known else GREY
            axes.text(m, k, words[m][k], size=SMALL, ha="center", va="center", color=colour)


def _boil_map(axes: Axes, season: Season, months: Months) -> None:
    own = season.of_plan
    values = months.boil_median[:, own] / 60.0
    image = _map(axes, season, values, f"{MAP}_r", "min")
    words = [[cell_words(months, m, k) for k in own] for m in range(values.shape[0])]
    _cell_text(axes, image, values, words)
    axis_labels(axes, "", "pot put on at")
    _month_ticks(axes, months, shown=False)
    axes.set_title(
        "minutes until it boils, median of all days", size=SMALL + 1.0, color=INK, loc="left"
    )


def _delivered_map(axes: Axes, season: Season, months: Months) -> None:
    delivered = months.delivered[:, season.of_plan]
    values = np.where(delivered > 0.0, delivered, np.nan)
    image = _map(axes, season, values, MAP, "W")
    words = [[f"{v:.0f}" if np.isfinite(v) else "" for v in row] for row in values]
    _cell_text(axes, image, values, words)
    axis_labels(axes, "", "pot put on at")
    _month_ticks(axes, months, shown=True)
    axes.set_title(
        "watts on the base, mean until it boils or over the first two hours",
        size=SMALL + 1.0,
        color=INK,
        loc="left",
    )


def year_figure(season: Season) -> Figure:
    """Draw the year as bands: from when to when a start works, where it is quick; and its litres.

    Parameters
    ----------
    season : Season
        Of two days or more.

    Returns
    -------
    Figure
    """
    heights = [3.3, 1.55] if season.plan.refill else [3.3]
    panels = stacked(
        season.scenario, _words(season), _stated(season), heights, above=0.4, below=0.3
    )
    _clock_panel(panels[0], season)
    if season.plan.refill:
        _litres_panel(panels[1], season)
    for axes in panels:
        grid_behind(axes)
        _date_axis(axes, season, shown=axes is panels[-1])
    return figure_of(panels[0])


def _clock_panel(axes: Axes, season: Season) -> None:
    """From when to when a start works, where it is quick, and what the calendar advises."""
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Patch

    clock, kind = year_bands(season)
    x = np.array([d.toordinal() for d in season.dates], dtype=float)
    handles: list[Any] = []
    if (kind > 0).any():
        look = ListedColormap(["white", WORKS, QUICK])
        edges = _edges(x, 1.0)
        axes.pcolormesh(
            edges, _edges(clock / 3600.0, FINE / 3600.0), kind.T, cmap=look, vmin=0, vmax=2
        )
        handles += [
            Patch(color=WORKS, label="works for one such cooker"),
            Patch(color=QUICK, label="is quick for it"),
        ]
        if season.calendar is not None:
            handles += _advised(axes, season.calendar)
        lit = clock[(kind > 0).any(axis=0)] / 3600.0
        axes.set_ylim(np.floor(lit.min()) - 0.5, np.ceil(lit.max()) + 0.5)
        legend_above(axes, handles)
    else:
        axes.text(0.5, 0.5, "no start works", transform=axes.transAxes, ha="center", color=GREY)
        axes.set_ylim(6.0, 18.0)
    axis_labels(axes, "", "pot put on at")
    hour_ticks(axes)


def _advised(axes: Axes, advice: Calendar) -> list[Any]:
    """The start that the calendar advises in each period, how long it takes, and the last one."""
    from matplotlib.patheffects import Stroke

    edged = [Stroke(linewidth=3.2, foreground=INK), Stroke()]
    lines: dict[str, Any] = {}
    for p, k in enumerate(advice.which):
        if k < 0:
            continue
        ends = np.array([advice.first[p].toordinal() - 0.4, advice.last[p].toordinal() + 0.4])
        last, at = advice.windows(p)[-1][1] / 3600.0, float(advice.starts[k]) / 3600.0
        (lines["last"],) = axes.plot(
            ends, (last, last), color=INK, lw=2.2, solid_capstyle="butt",
            label=f"last start for {advice.draws} cookers",
        )  # fmt: skip
        (lines["advised"],) = axes.plot(
            ends, (at, at), color="white", lw=1.6, path_effects=edged,
            label="advised start, and how long it takes [h:min]",
        )  # fmt: skip
        hours, minutes = divmod(round(float(advice.lasts[p, k]) / 60.0), 60)
        words = f"{hours}:{minutes:02d}"
        axes.annotate(
            words, (float(ends.mean()), at), xytext=(0, -5), textcoords="offset points",
            size=SMALL, ha="center", va="top", color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip
    return list(lines.values())


def year_bands(season: Season) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Which starts work on each day, taken with the days about it, and which are quick.

    Parameters
    ----------
    season : Season

    Returns
    -------
    clock : ndarray, shape (C,)
        Clock times of starts, five minutes apart. [s]
    kind : ndarray of int, shape (D, C)
        0 where a start doesn't work, 1 where it does, 2 where it is quick too.

    Notes
    -----
    Of a day and those within `NEAR_DAYS` of it by the same clock: a start works if it does on
    `OFTEN` as many days as the best one does, if that does on half of them; it is quick if the
    median time is at most a tenth longer than that of the quickest. Between starts of the plan both
    are straight lines. Clouds come by chance, so that more days are taken with their weather.
    """
    own, starts = season.of_plan, np.array(season.plan.starts)
    count = round((starts[-1] - starts[0]) / FINE)
    clock = starts[0] + FINE * np.arange(count + 1)
    day = np.array([d.toordinal() for d in season.dates])
    offset = np.array(clocks(season.scenario, season.dates))
    fits, lasts = works(season)[:, own], getattr(season, cooking_goal(season))[:, own]
    kind = np.zeros((len(day), len(clock)), dtype=np.int64)
    often, nearly = (OFTEN, NEARLY) if season.clear else (CLOUDY_OFTEN, CLOUDY_NEARLY)
    for d in range(len(day)):
        near = _near(season, day, d) & (offset == offset[d])
        share = fits[near].mean(axis=0)
        if share.max() < MOST:
            continue
        does = np.interp(clock, starts, share / share.max()) >= often - 1e-9
        median = np.array([within(x, 50.0) for x in lasts[near].T])
        best = np.nanmin(np.where(share >= often * share.max() - 1e-9, median, np.nan))
        slow = np.interp(clock, starts, np.nan_to_num(median / best, nan=9.0))
        kind[d] = np.where(does, np.where(slow <= nearly + 1e-9, 2, 1), 0)
    return clock, kind


def _near(season: Season, day: NDArray[Any], d: int) -> NDArray[np.bool_]:
    """Days whose figures are taken together with those of the d-th."""
    return np.asarray(np.abs(day - day[d]) <= (NEAR_DAYS if season.clear else CLOUDY_DAYS))


def _edges(x: NDArray[np.float64], alone: float) -> NDArray[np.float64]:
    """Edges of cells about their middles."""
    if len(x) < 2:
        return np.array([x[0] - alone / 2.0, x[0] + alone / 2.0])
    middle = 0.5 * (x[1:] + x[:-1])
    return np.concatenate([[2.0 * x[0] - middle[0]], middle, [2.0 * x[-1] - middle[-1]]])


def _litres_panel(axes: Axes, season: Season) -> None:
    x = np.array([d.toordinal() for d in season.dates], dtype=float)
    factor, symbol = chosen("L")
    value, se = factor * season.litres.value, factor * np.nan_to_num(season.litres.se)
    if not season.clear:
        near = [_near(season, x, d) for d in range(len(x))]
        value, se = (np.array([y[n].mean() for n in near]) for y in (value, se))
    axes.fill_between(x, value - se, value + se, color=GREEN, alpha=0.3, lw=0)
    axes.plot(x, value, color=GREEN, lw=1.2)
    axes.set_ylim(0.0, max(1.08 * float((value + se).max()), 1.0))
    axis_labels(axes, "", f"boiled a day [{symbol}]")


def _date_axis(axes: Axes, season: Season, *, shown: bool) -> None:
    first, last = season.dates[0], season.dates[-1]
    pad = 0.01 * max((last - first).days, 1)
    axes.set_xlim(first.toordinal() - pad, last.toordinal() + pad)
    date_ticks(axes, first, last, shown=shown)
