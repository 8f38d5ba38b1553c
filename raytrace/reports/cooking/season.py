"""A season in words, tables, plain values and rows."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from raytrace.reports.common.numbers import plain
from raytrace.reports.common.tables import DETAILS, pairs, plain_table
from raytrace.reports.common.times import MONTHS, date_span, lasting, of_day, pm
from raytrace.reports.common.units import chosen, unit
from raytrace.reports.common.words import lukewarm_band
from raytrace.reports.cooking.kitchen import habit_words, pot_words
from raytrace.reports.cooking.season_answer import season_answer, season_details
from raytrace.reports.cooking.season_words import too_long
from raytrace.studies.cooking.never_boils import REASON_MEANINGS, REASONS
from raytrace.studies.cooking.season_choice import MOST, cooking_goal, most_wait

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.cooking.season_data import Season
    from raytrace.studies.cooking.season_months import Months

__all__ = [
    "LETTERS",
    "danger_words",
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
ROOM = 84  # letters that starts beside each other in a table have


def _month_table(season: Season) -> RenderableType:
    weather = not season.clear
    table = plain_table(
        "",
        "best\nstart",
        "boils\nmin\n± s.e.",
        *(("10–90 %\nmin",) if weather else ()),
        "works\nof 10",
        "delivered\nW ± s.e.",
        "absorbed\nW ± s.e.",
        "sky,\nground\nW",
        "last\nstart",
        *((f"{unit('volume').symbol} a day\n± s.e.",) if season.plan.refill else ()),
    )
    months, best = season.months, season.best
    for m, month in enumerate(months.months):
        k = int(best.which[m])
        never = math.isnan(best.start[m])
        spread = "–".join(
            dict.fromkeys(_minutes(float(p[m])) for p in (best.boil_p10, best.boil_p90))
        )
        watts = (
            pm(float(np.nan_to_num(mean[m, k])), float(np.nan_to_num(error[m, k])), 1, 0)
            for mean, error in (
                (months.delivered, months.delivered_se),
                (months.absorbed, months.absorbed_se),
            )
        )
        table.add_row(
            MONTHS[month[1] - 1][:3],
            "–" if never else of_day(best.start[m]),
            _boils_cell(months.boil_median[m, k], months.boil_median_se[m, k], never),
            *((spread if not never else "",) if weather else ()),
            f"{10.0 * best.works[m]:.1f}",
            *watts,
            f"{np.nan_to_num(months.diffuse[m, k]):.0f}",
            "–" if math.isnan(best.latest[m]) else of_day(best.latest[m]),
            *((_litres_cell(best.litres[m], best.litres_se[m]),) if season.plan.refill else ()),
            style="dim" if never else "",
        )
    return table


def _month_note(season: Season) -> str:
    """What the columns of the months' table mean, and what ± holds."""
    does = "the food is done" if cooking_goal(season) == "done" else "it boils"
    food = f", no food over two hours between {lukewarm_band()} (one in hot air)"
    text = (
        f"works: days of ten on which {does} within {lasting(most_wait(season))}"
        f"{food if season.scenario.kitchen.food else ''}. boils: median of all the month's "
        "days. delivered: on the base, mean until it boils, or over the first two hours. absorbed: "
        "heat into the pot over the same time, from wall, lid and direct sun too. sky, ground: "
        "the part of it that their light on the pot brings. last start: of those tried, on the "
        "middle day."
    )
    if season.plan.refill:
        text += f" {unit('volume').symbol} a day: boiled, refilling each time."
    return (
        f"{text} ± is one standard error: tracing, time step, and how the days of the month "
        "scatter (operator, clouds, dates taken). It does not hold what isn't known of the cooker, "
        f"nor how cookers built alike differ: this is build {season.plan.build}."
    )


def _boils_cell(median: float, error: float, never: bool) -> str:
    if math.isnan(median):
        return "never" if never else "seldom"
    return pm(median / 60.0, float(np.nan_to_num(error)) / 60.0, 1, 0)


def _litres_cell(mean: float, error: float) -> str:
    return pm(mean, error, chosen("L")[0], 1) if mean >= 0.05 else "0"


def _minutes(seconds: float) -> str:
    return "never" if math.isnan(seconds) else f"{seconds / 60.0:.0f}"


def shown_starts(season: Season) -> list[int]:
    """Indices of the plan's starts that fit beside each other."""
    return [int(k) for k in season.of_plan[:: _shown_every(season)]]


def _shown_every(season: Season) -> int:
    """Every how many starts one is shown."""
    starts = season.plan.starts
    longest = max(len(of_day(s, brief=True)) for s in starts)
    return -(-len(starts) // (ROOM // (longest + 1)))


def danger_words() -> str:
    """What the exclamation mark in a cell says."""
    return f"! Food stands {too_long()} on half of the days: don't start then"


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
    months, starts = season.months, shown_starts(season)
    table = plain_table("", *(of_day(season.starts[k], brief=True) for k in starts))
    for m, month in enumerate(months.months):
        table.add_row(MONTHS[month[1] - 1][:3], *(cell(months, m, k) for k in starts))
    return table


def _watts_cell(months: Months, m: int, k: int) -> str:
    watts = float(months.delivered[m, k])
    return f"{watts:.0f}" if math.isfinite(watts) else "–"


def _watts_note(season: Season) -> str:
    """What the cells of watts mean, with their largest standard error."""
    se = season.months.delivered_se[:, season.of_plan]
    most = float(np.nanmax(se)) if np.isfinite(se).any() else 0.0
    error = "less than 0.1" if most < 0.1 else f"at most {plain(most, 2)}"
    return (
        "Watts on the base, mean until it boils, or over the first two hours; the month's mean. "
        f"Their standard errors: {error} W."
    )


def legend(season: Season) -> str:
    """What the cells of months by starts mean."""
    months = season.months
    own = season.of_plan
    never = months.reason[:, own][months.boils[:, own] == 0.0]
    used = [REASONS[k] for k in sorted(set(never.tolist()))]
    letters = "; ".join(f"{LETTERS[r]} {REASON_MEANINGS[r]}" for r in used if LETTERS[r])
    text = (
        "Minutes from the start until it boils, the median of all the month's days, those on which "
        "it never boils counted last; * not on all of them; (3) on so many of ten days alone."
    )
    text += f" {danger_words()}." if (months.spoils >= MOST).any() else ""
    every = _shown_every(season)
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
            f"at most {plain(float(errors.max()) / 60.0, 2)} min"
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
    if season.likely is not None:
        count, dates = season.likely.boils.count, len(season.likely.dates)
        rows.append(("expected", f"from {count} draws on {dates} dates, evenly spread"))
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
    for sentence in season_answer(season, by):
        yield Text(sentence)
    yield DETAILS
    for sentence in season_details(season, by):
        yield Text(sentence)
    yield Text()
    yield _month_table(season)
    yield Text(_month_note(season), style="dim")
    yield _cells_table(season, cell_words)
    yield Text(legend(season), style="dim")
    yield _cells_table(season, _watts_cell)
    yield Text(_watts_note(season), style="dim")
    yield pairs(_context(season))
