"""A season in words, tables, plain values and rows."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.text import Text

from raytrace.reports.common.tables import number, pairs, plain_table
from raytrace.reports.common.times import MONTHS, date_span, lasting, of_day, pm
from raytrace.reports.cooking.kitchen import habit_words, pot_words
from raytrace.reports.cooking.season_words import (
    best_of_month,
    never_words,
    rows_of,
    season_sentences,
)
from raytrace.studies.cooking.never_boils import REASON_MEANINGS, REASONS
from raytrace.studies.cooking.season_choice import MOST, cooking_goal, most_wait, shares, works
from raytrace.studies.cooking.season_data import whole_error

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from rich.console import RenderableType

    from raytrace.studies.cooking.season import Months, Season

__all__ = [
    "DANGER",
    "LETTERS",
    "month_rows",
    "season_facts",
    "season_rows",
    "season_tables",
]

# in the cells of tables and maps, for reasons why it never boils
LETTERS = {
    "boils": "",
    "sun down": "d",
    "cloud": "c",
    "too short": "t",
    "weak mirrors": "w",
    "low sun": "l",
    "off design": "o",
    "no such time": "–",
    "not tried": "",
}
DANGER = (
    "! Food stands between 4 and 60 °C for over two hours on half of the days: don't start then"
)
FITS = 14  # starts that fit beside each other in a table


def month_rows(season: Season) -> list[dict[str, Any]]:
    """Each month with its best start, as plain values with units in the keys.

    Parameters
    ----------
    season : Season
    """
    months = season.monthly()
    out = []
    for m, month in enumerate(months.months):
        rows, k = rows_of(season, month), best_of_month(season, months, m)
        some = np.isfinite(season.boils[rows, k])
        latest = season.latest_start()[rows]
        litres = season.litres
        out.append(
            {
                "month": f"{month[0]}-{month[1]:02d}",
                "days": int(rows.sum()),
                "best_start": of_day(season.starts[k]) if some.any() else None,
                "works_share": float(shares(season, works(season), rows)[k]),
                "lukewarm_share": float(shares(season, season.spoils, rows)[k]),
                "boils_share": number(float(months.boils[m, k])),
                "boil_median_min": number(float(months.boil_median[m, k]), 1 / 60),
                "boil_se_min": number(float(months.boil_median_se[m, k]), 1 / 60),
                "boil_p10_min": _percentile(season, 10.0, rows, k),
                "boil_p90_min": _percentile(season, 90.0, rows, k),
                "delivered_W": number(float(months.delivered[m, k])),
                "delivered_se_W": number(float(months.delivered_se[m, k])),
                "absorbed_W": number(float(months.absorbed[m, k])),
                "absorbed_se_W": number(float(months.absorbed_se[m, k])),
                "latest_start": of_day(season.starts[int(np.median(latest[latest >= 0]))])
                if (latest >= 0).any()
                else None,
                "litres_a_day_L": number(float(litres.value[rows].mean())),
                "litres_a_day_se_L": number(whole_error(litres.value[rows], litres.se[rows])),
                "never_because": None if some.any() else never_words(season, rows),
            }
        )
    return out


def _percentile(season: Season, q: float, rows: NDArray[np.bool_], k: int) -> float | None:
    return number(float(season.percentile(q, days=rows)[k]), 1 / 60)


def _month_table(season: Season) -> RenderableType:
    weather = not season.clear
    table = plain_table(
        "month",
        "best\nstart",
        "boils in\nmin ± s.e.",
        *(("10–90 %\nmin",) if weather else ()),
        "works\nof 10",
        "delivered\nW ± s.e.",
        "absorbed\nW ± s.e.",
        "latest\nstart",
        *(("L a day\n± s.e.",) if season.plan.refill else ()),
    )
    for row in month_rows(season):
        never = row["best_start"] is None
        name = MONTHS[int(row["month"][-2:]) - 1][:3]
        litres = pm(row["litres_a_day_L"], row["litres_a_day_se_L"] or 0.0, 1, 1)
        spread = "–".join(dict.fromkeys(_minutes(row[f"boil_p{q}_min"]) for q in (10, 90)))
        table.add_row(
            name,
            row["best_start"] or "–",
            _boils_cell(row),
            *((spread if not never else "",) if weather else ()),
            f"{10.0 * row['works_share']:.1f}",
            pm(row["delivered_W"] or 0.0, row["delivered_se_W"] or 0.0, 1, 0),
            pm(row["absorbed_W"] or 0.0, row["absorbed_se_W"] or 0.0, 1, 0),
            row["latest_start"] or "–",
            *((litres,) if season.plan.refill else ()),
            style="dim" if never else "",
        )
    return table


def _month_note(season: Season) -> str:
    """What the columns of the months' table mean, and what ± holds."""
    does = "the food is done" if cooking_goal(season) == "done" else "it boils"
    food = ", no food over two hours between 4 and 60 °C (one in hot air)"
    text = (
        f"works: days of ten on which {does} within {lasting(most_wait(season))}"
        f"{food if season.scenario.kitchen.food else ''}. boils in: median of all the month's "
        "days. delivered: on the base, mean until it boils, or over the first two hours. absorbed: "
        "heat into the pot over the same time, from wall, lid and direct sun too. latest start: of "
        "those tried, on the middle day."
    )
    if season.plan.refill:
        text += " L a day: litres boiled, refilling each time."
    return (
        f"{text} ± is one standard error: tracing, time step, and how the days of the month "
        "scatter (operator, clouds, dates taken). It does not hold how cookers built alike differ: "
        f"this is build {season.plan.build}."
    )


def _boils_cell(row: dict[str, Any]) -> str:
    if row["boil_median_min"] is None:
        return "never" if row["best_start"] is None else "seldom"
    return pm(row["boil_median_min"], row["boil_se_min"] or 0.0, 1, 0)


def _minutes(value: float | None) -> str:
    return "never" if value is None else f"{value:.0f}"


def shown_starts(season: Season, most: int = FITS) -> list[int]:
    """Indices of the plan's starts that fit beside each other."""
    return [int(k) for k in season.of_plan[:: _shown_every(season, most)]]


def _shown_every(season: Season, most: int) -> int:
    """Every how many starts one is shown."""
    return -(-len(season.plan.starts) // most)


def cell_words(months: Months, m: int, k: int) -> str:
    """A cell of months by starts: minutes, days of ten, or the letter of a reason; danger."""
    share, median = months.boils[m, k], months.boil_median[m, k]
    if math.isnan(share):
        return LETTERS["no such time"]
    danger = "!" if months.spoils[m, k] >= MOST and share > 0.0 else ""
    if share == 0.0:
        return LETTERS[REASONS[int(months.reason[m, k])]]
    if math.isnan(median):
        return (f"({10.0 * share:.0f})" if share >= 0.05 else "(<1)") + danger
    return f"{median / 60.0:.0f}" + ("" if share > 1.0 - 1e-9 else "*") + danger


def _cells_table(season: Season, cell: Callable[[Months, int, int], str]) -> RenderableType:
    """Months by starts."""
    months, starts = season.monthly(), shown_starts(season)
    table = plain_table("", *(of_day(season.starts[k]) for k in starts))
    for m, month in enumerate(months.months):
        table.add_row(MONTHS[month[1] - 1][:3], *(cell(months, m, k) for k in starts))
    return table


def _watts_cell(months: Months, m: int, k: int) -> str:
    watts = float(months.delivered[m, k])
    return f"{watts:.0f}" if math.isfinite(watts) else "–"


def _watts_note(season: Season) -> str:
    """What the cells of watts mean, with their largest standard error."""
    se = season.monthly().delivered_se[:, season.of_plan]
    most = float(np.nanmax(se)) if np.isfinite(se).any() else 0.0
    error = "less than 0.1" if most < 0.1 else f"at most {most:.2g}"
    return (
        "Watts on the base, mean until it boils, or over the first two hours; the month's mean. "
        f"Their standard errors: {error} W."
    )


def legend(season: Season) -> str:
    """What the cells of months by starts mean."""
    months = season.monthly()
    own = season.of_plan
    never = months.reason[:, own][months.boils[:, own] == 0.0]
    used = [REASONS[k] for k in sorted(set(never.tolist()))]
    letters = "; ".join(f"{LETTERS[r]} {REASON_MEANINGS[r]}" for r in used if LETTERS[r])
    text = (
        "Minutes from the start until it boils, the median of all the month's days, those on which "
        "it never boils counted last; * not on all of them; (3) on so many of ten days alone."
    )
    text += f" {DANGER}." if (months.spoils >= MOST).any() else ""
    every = _shown_every(season, FITS)
    text += f" One start in {every} is shown." if every > 1 else ""
    return f"{text} Never: {letters}." if letters else text


def _error_words(season: Season) -> str:
    """The standard errors reached, of single days."""
    seen = np.isfinite(season.delivered) & (season.delivered > 0.0)
    out = []
    if seen.any():
        share = season.delivered_se[seen] / season.delivered[seen]
        best = share[season.delivered[seen] > 0.5 * season.delivered[seen].max()]
        out.append(f"of a day's watts {100.0 * float(np.median(best)):.2g} %")
    errors = season.boils_se[np.isfinite(season.boils_se) & np.isfinite(season.boils)]
    if len(errors):
        out.append(
            f"of a day's time to the boil {float(np.median(errors)) / 60.0:.2g} min, "
            f"at most {float(errors.max()) / 60.0:.2g} min"
        )
    unsure = int(np.asarray(season.unsure).sum())
    tried = int((season.reason != REASONS.index("not tried")).sum())
    if unsure:
        out.append(f"whether it boils is unsure for {unsure} of {tried} starts")
    return "; ".join(out)


def _context(season: Season) -> list[tuple[str, str]]:
    from raytrace.version import __version__

    scenario, plan = season.scenario, season.plan
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    rows += [
        ("site", f"{scenario.site.name}, clock of {scenario.site.timezone}"),
        ("days", f"{len(plan.dates)}, {date_span(plan.dates[0], plan.dates[-1])}"),
        ("pot", pot_words(scenario, season.boiling)),
        ("habit", habit_words(season.habit.every, season.habit.face)),
        (
            "traced",
            f"every {plan.step / 60.0:g} min, {plan.replicates} replicates × {plan.beams} beams a "
            f"facet, seed {plan.seed}, build {plan.build}, cooker-raytrace {__version__}",
        ),
    ]
    reached = _error_words(season)
    return [*rows, ("s.e. reached", reached)] if reached else rows


def season_tables(season: Season, by: float = 43200.0) -> Iterator[RenderableType]:
    """Sentences, then tables.

    Parameters
    ----------
    season : Season
    by : float
        Clock time by which it should boil. [s]

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    yield Text(season.scenario.title, style="bold")
    for sentence in season_sentences(season, by):
        yield Text(sentence)
    yield Text()
    yield _month_table(season)
    yield Text(_month_note(season), style="dim")
    yield _cells_table(season, cell_words)
    yield Text(legend(season), style="dim")
    yield _cells_table(season, _watts_cell)
    yield Text(_watts_note(season), style="dim")
    yield pairs(_context(season))


def season_rows(season: Season) -> list[dict[str, Any]]:
    """Every date and start as a row of plain values, for CSV.

    Parameters
    ----------
    season : Season
    """
    tried = season.reason != REASONS.index("not tried")
    return [_row(season, int(d), int(k)) for d, k in np.argwhere(tried)]


def _row(season: Season, d: int, k: int) -> dict[str, Any]:
    def at(name: str, factor: float = 1.0, less: float = 0.0) -> float | None:
        value = float(getattr(season, name)[d, k])
        return number(value - less, factor)

    return {
        "date": season.dates[d].isoformat(),
        "start": of_day(season.starts[k]),
        "outcome": REASONS[int(season.reason[d, k])],
        "delivered_W": at("delivered"),
        "delivered_se_W": at("delivered_se"),
        "absorbed_W": at("absorbed"),
        "absorbed_se_W": at("absorbed_se"),
        "dni_W_m2": at("dni"),
        "air_degC": at("air", less=273.15),
        "boil_min": at("boils", 1 / 60),
        "boil_se_min": at("boils_se", 1 / 60),
        "near_boil_min": at("near", 1 / 60),
        "near_boil_se_min": at("near_se", 1 / 60),
        "done_min": at("done", 1 / 60),
        "done_se_min": at("done_se", 1 / 60),
        "highest_degC": at("highest", less=273.15),
        "highest_se_K": at("highest_se"),
        "settles_degC": at("settles", less=273.15),
        "boil_kept_share": at("holds"),
        "boiled_off_kg": at("boiled_off"),
        "lukewarm_share": at("lukewarm"),
        "unsure": bool(season.unsure[d, k]),
    }


def season_facts(season: Season, by: float = 43200.0) -> dict[str, Any]:
    """Everything that tables and sentences say, as plain values.

    Parameters
    ----------
    season : Season
    by : float
        Clock time by which it should boil. [s]
    """
    from raytrace.version import __version__

    plan, scenario, months = season.plan, season.scenario, season.monthly()
    share = season.share_by(by)
    return {
        "scenario": scenario.source,
        "title": scenario.title,
        "overrides": list(scenario.overrides),
        "site": scenario.site.name,
        "timezone": scenario.site.timezone,
        "raytrace": __version__,
        "seed": plan.seed,
        "build": plan.build,
        "replicates": plan.replicates,
        "beams_per_facet": plan.beams,
        "step_min": plan.step / 60.0,
        "turn_every_min": number(season.habit.every, 1 / 60),
        "face": season.habit.face,
        "boiling_degC": season.boiling - 273.15,
        "from": plan.dates[0].isoformat(),
        "to": plan.dates[-1].isoformat(),
        "days": len(plan.dates),
        "starts": [of_day(s) for s in season.starts],
        "starts_between_min": plan.between / 60.0,
        "by": of_day(by),
        "boils_by_share": [number(float(x)) for x in share],
        "months": month_rows(season),
        "cells": [
            {
                "month": f"{year}-{month:02d}",
                "start": of_day(season.starts[k]),
                "days": int(months.days[m, k]),
                "boils_share": number(float(months.boils[m, k])),
                "done_share": number(float(months.done[m, k])),
                "boil_median_min": number(float(months.boil_median[m, k]), 1 / 60),
                "boil_median_se_min": number(float(months.boil_median_se[m, k]), 1 / 60),
                "delivered_W": number(float(months.delivered[m, k])),
                "delivered_se_W": number(float(months.delivered_se[m, k])),
                "absorbed_W": number(float(months.absorbed[m, k])),
                "absorbed_se_W": number(float(months.absorbed_se[m, k])),
                "reason": REASONS[int(months.reason[m, k])],
            }
            for m, (year, month) in enumerate(months.months)
            for k in range(len(season.starts))
            if months.days[m, k] or REASONS[int(months.reason[m, k])] == "no such time"
        ],
        "sentences": season_sentences(season, by),
    }
