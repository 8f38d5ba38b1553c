"""A season in words, tables, plain values and rows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.text import Text

from raytrace.reports.ensembles import number, pairs, plain_table
from raytrace.reports.times import MONTHS, date_words, lasting, listed_months, of_day, pm
from raytrace.studies.reasons import REASON_MEANINGS, REASONS

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from rich.console import RenderableType

    from raytrace.scenario import Scenario
    from raytrace.studies.season import Months, Season

__all__ = [
    "LETTERS",
    "contents_words",
    "habit_words",
    "month_rows",
    "never_words",
    "season_facts",
    "season_rows",
    "season_sentences",
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
}
# the same to a cook
BECAUSE = {
    "sun down": "the sun is gone too soon",
    "cloud": "there is too much cloud",
    "too short": "the sun suits it for too short a time",
    "weak mirrors": "what the mirrors bring does not outdo what the pot loses",
    "low sun": "the sun stands too low",
    "off design": "the sun stands too far off the altitude that the mirrors are set for",
    "no such time": "the clock skips that hour",
}
MOST = 0.5  # share of a month's days on which it must boil to count as a month that boils
FITS = 14  # starts that fit beside each other in a table


def contents_words(scenario: Scenario) -> str:
    """What is in the pot, as in "2 L of water and 0.5 kg of food"."""
    kitchen = scenario.kitchen
    words = f"{1e3 * float(kitchen.water):.3g} L of water"
    return words + (f" and {float(kitchen.food):.3g} kg of food" if kitchen.food else "")


def habit_words(every: float, face: str) -> str:
    """A habit of turning in words.

    Examples
    --------
    >>> habit_words(1800.0, "now"), habit_words(3600.0, "ahead"), habit_words(float("inf"), "now")
    ('turned every 30 min', 'turned every 60 min, ahead of the sun', 'never turned after the start')
    """
    if math.isinf(every):
        return "never turned after the start"
    return f"turned every {every / 60.0:g} min" + (", ahead of the sun" if face == "ahead" else "")


def never_words(season: Season, rows: NDArray[np.bool_]) -> str:
    """Why it never boils on some days, by the commonest reason; "" where it does."""
    reason = season.reason[rows]
    # hours at which nobody would start say nothing
    counts = np.array([(reason == k).sum() for k in range(len(REASONS))])
    counts[[REASONS.index("boils"), REASONS.index("no such time")]] = 0
    day = counts.copy()
    day[REASONS.index("sun down")] = 0
    counts = day if day.any() else counts
    return BECAUSE[REASONS[int(counts.argmax())]] if counts.any() else ""


def _rows_of(season: Season, month: tuple[int, int]) -> NDArray[np.bool_]:
    return np.array([(d.year, d.month) == month for d in season.dates])


def _best(season: Season, months: Months, m: int) -> int:
    """Start that boils on most of a month's days, and quickest; or that of most watts."""
    share = np.nan_to_num(months.boils[m], nan=-1.0)
    if not share.max() > 0.0:
        return int(np.nan_to_num(months.delivered[m], nan=-1.0).argmax())
    ties = np.flatnonzero(share >= share.max() - 1e-9)
    lasts = season.boils[_rows_of(season, months.months[m])]
    return int(min(ties, key=lambda k: np.nanmedian(lasts[:, k])))


def season_sentences(season: Season, by: float = 43200.0) -> list[str]:
    """What a cook needs to know, a few sentences.

    Parameters
    ----------
    season : Season
    by : float
        Clock time by which it should boil. [s]
    """
    months = season.monthly()
    best = [_best(season, months, m) for m in range(len(months.months))]
    share = np.array([months.boils[m, k] for m, k in enumerate(best)])
    share = np.nan_to_num(share)
    good = share >= MOST
    out = []
    if good.any():
        out += _good_months(season, months, best, good)
    seldom = (share > 0.0) & ~good
    if seldom.any():
        most = round(10.0 * float(share[seldom].max()))
        often = f"at most {most} of ten days" if most else "hardly any day"
        out.append(
            _capital(
                f"{listed_months(months.months, seldom)} it boils on {often}: "
                f"{_why(season, months, seldom)}."
            )
        )
    never = share == 0.0
    if never.any():
        when = "on these dates" if never.all() else listed_months(months.months, never)
        out.append(
            _capital(f"{when} it never boils: {_why(season, months, never)}.")
            + _warmest(season, months, never)
        )
    out += [*_by(season, by), *_litres(season, months), *_done(season), *_sky(season)]
    return out


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _warmest(season: Season, months: Months, which: NDArray[np.bool_]) -> str:
    """How warm it gets where it never boils."""
    rows = np.any([_rows_of(season, months.months[m]) for m in np.flatnonzero(which)], axis=0)
    highest = np.where(rows[:, None], season.highest, np.nan)
    if not np.isfinite(highest).any():
        return ""
    d, k = np.unravel_index(int(np.nanargmax(highest)), highest.shape)
    warm = pm(float(highest[d, k]) - 273.15, float(season.highest_se[d, k]), decimals=1)
    return (
        f" The warmest it gets is {warm} °C, put up at {of_day(season.starts[k])} on "
        f"{date_words(season.dates[d])}."
    )


def _why(season: Season, months: Months, which: NDArray[np.bool_]) -> str:
    rows = np.any([_rows_of(season, months.months[m]) for m in np.flatnonzero(which)], axis=0)
    return never_words(season, rows)


def _good_months(
    season: Season, months: Months, best: Sequence[int], good: NDArray[np.bool_]
) -> list[str]:
    """When to put the pot up, and how long it then takes."""
    rows = np.any([_rows_of(season, months.months[m]) for m in np.flatnonzero(good)], axis=0)
    lasts, se = season.boils[rows], season.boils_se[rows]
    count = np.isfinite(lasts).sum(axis=0)
    ties = np.flatnonzero(count == count.max())
    k = int(ties[int(np.argmin([np.nanmedian(lasts[:, j]) for j in ties]))])
    here = np.isfinite(lasts[:, k])
    typical = float(np.median(lasts[here, k]))
    error = float(np.nanmedian(se[here, k])) if np.isfinite(se[here, k]).any() else 0.0
    when = "" if good.all() else f"{listed_months(months.months, good)} "
    often = "" if here.all() else f" on {_of_ten(int(here.sum()), len(here))}"
    span = ""
    low, high = np.percentile(lasts[here, k], [10.0, 90.0])
    if high - low > 120.0:
        span = f" ({lasting(low)} to {lasting(high)} on most of these days)"
    text = (
        f"{when}put the pot up at {of_day(season.starts[k])}: {contents_words(season.scenario)} "
        f"boil in {pm(typical, error, 1 / 60, 1)} min{often}{span}."
    )
    out = [_capital(text)]
    starts = season.starts[np.array(best)[good]]
    if np.ptp(starts) >= 3600.0 - 1.0:
        named = np.flatnonzero(good)
        early, late = int(named[int(starts.argmin())]), int(named[int(starts.argmax())])
        out.append(
            f"The best start moves with the months, from {of_day(starts.min())} in "
            f"{_month(months.months[early])} to {of_day(starts.max())} in "
            f"{_month(months.months[late])}."
        )
    latest = season.latest_start()[rows]
    latest = latest[latest >= 0]
    if len(latest):
        first, last = season.starts[latest.min()], season.starts[latest.max()]
        words = f"at {of_day(first)}"
        if last > first:
            middle = season.starts[int(np.median(latest))]
            words = f"at {of_day(middle)} as a rule, {of_day(first)} to {of_day(last)} by the day"
        out.append(f"Of the starts tried, the last that still comes to the boil is {words}.")
    return out


def _month(month: tuple[int, int]) -> str:
    return MONTHS[month[1] - 1]


def _of_ten(count: int, days: int) -> str:
    """So many days in tenths of all, as people say it; of few days, by themselves."""
    if count == days:
        return "every day"
    if days < 10:
        return f"{count} of {days} days"
    tenths = 10.0 * count / days
    if 0.0 < tenths < 0.5:
        return "less than one of twenty days"
    return "nearly every day" if tenths >= 9.5 else f"{round(tenths)} of ten days"


def _by(season: Season, by: float) -> list[str]:
    in_time = season.latest_start(by=by) >= 0
    if not np.isfinite(season.boils).any():
        return []
    if not in_time.any():
        return [f"By {of_day(by)} it boils on none of these days, whenever it is put up."]
    with np.errstate(invalid="ignore"):
        each = (season.starts + season.boils <= by).sum(axis=0)
    # of starts that do as well, the latest: nobody likes to rise early for nothing
    k, days = int(np.flatnonzero(each == each.max())[-1]), len(season.dates)
    return [
        f"By {of_day(by)} it boils on {_of_ten(int(in_time.sum()), days)} if put up early enough; "
        f"put up at {of_day(season.starts[k])}, on {_of_ten(int(each[k]), days)}."
    ]


def _litres(season: Season, months: Months) -> list[str]:
    if not season.plan.refill or not np.isfinite(season.boils).any():
        return []
    litres = season.litres
    rows = [_rows_of(season, m) for m in months.months]
    mean = np.array([float(litres.value[r].mean()) for r in rows])
    error = np.array([float(np.sqrt(np.nansum(litres.se[r] ** 2)) / r.sum()) for r in rows])
    most, least = int(mean.argmax()), int(mean.argmin())
    text = (
        f"Emptied and filled anew each time it boils, it boils {pm(mean[most], error[most], 1, 2)} "
        f"L a day in {_month(months.months[most])}"
    )
    if most != least:
        text += f" and {pm(mean[least], error[least], 1, 2)} L in {_month(months.months[least])}"
    return [f"{text}."]


def _done(season: Season) -> list[str]:
    kitchen = season.scenario.kitchen
    if not kitchen.done_after or not np.isfinite(season.boils).any():
        return []
    k = season.best_start("done")
    warm = f"{float(kitchen.done_over) - 273.15:.0f} °C"
    wanted = f"{lasting(float(kitchen.done_after))} at {warm} or over"
    if k is None:
        return [f"The food never gets done ({wanted}) on these days."]
    often = _of_ten(int(np.isfinite(season.done[:, k]).sum()), len(season.dates))
    typical = float(np.nanmedian(season.done[:, k]))
    error = float(np.nanmedian(season.done_se[:, k]))
    return [
        f"Put up at {of_day(season.starts[k])}, the food is done ({wanted}) on {often}, "
        f"as a rule {pm(typical, error, 1 / 60, 0)} min after the start."
    ]


def _sky(season: Season) -> list[str]:
    if season.clear:
        sky = season.scenario.sky.dni
        what = "a cloudless sky" if sky == "clear sky" else "the stated sun from horizon to horizon"
        return [f"All this under {what}; clouds make it longer, or never."]
    return [
        "The days are those of a typical year of weather, which understates how much years differ."
    ]


def month_rows(season: Season) -> list[dict[str, Any]]:
    """Each month with its best start, as plain values with units in the keys.

    Parameters
    ----------
    season : Season
    """
    months = season.monthly()
    out = []
    for m, month in enumerate(months.months):
        rows, k = _rows_of(season, month), _best(season, months, m)
        lasts, se = season.boils[rows, k], season.boils_se[rows, k]
        some = np.isfinite(lasts)
        latest = season.latest_start()[rows]
        litres = season.litres
        out.append(
            {
                "month": f"{month[0]}-{month[1]:02d}",
                "days": int(rows.sum()),
                "best_start": of_day(season.starts[k]) if some.any() else None,
                "boils_share": number(float(months.boils[m, k])),
                "boil_median_min": number(float(months.boil_median[m, k]), 1 / 60),
                "boil_se_min": number(float(np.nanmedian(se[some])), 1 / 60)
                if np.isfinite(se[some]).any()
                else None,
                "boil_p10_min": _percentile(season, 10.0, rows, k),
                "boil_p90_min": _percentile(season, 90.0, rows, k),
                "delivered_W": number(float(months.delivered[m, k])),
                "delivered_se_W": number(float(months.delivered_se[m, k])),
                "latest_start": of_day(season.starts[int(np.median(latest[latest >= 0]))])
                if (latest >= 0).any()
                else None,
                "litres_a_day_L": number(float(litres.value[rows].mean())),
                "litres_a_day_se_L": number(
                    float(np.sqrt(np.nansum(litres.se[rows] ** 2)) / rows.sum())
                ),
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
        "on days\nof ten",
        "delivered\nW ± s.e.",
        "latest\nstart",
        *(("litres a day\nL ± s.e.",) if season.plan.refill else ()),
    )
    for row in month_rows(season):
        never = row["best_start"] is None
        name = MONTHS[int(row["month"][-2:]) - 1][:3]
        litres = pm(row["litres_a_day_L"], row["litres_a_day_se_L"] or 0.0, 1, 2)
        spread = "–".join(dict.fromkeys(_minutes(row[f"boil_p{q}_min"]) for q in (10, 90)))
        table.add_row(
            name,
            row["best_start"] or "–",
            _boils_cell(row),
            *((spread if not never else "",) if weather else ()),
            f"{10.0 * (row['boils_share'] or 0.0):.1f}",
            pm(row["delivered_W"] or 0.0, row["delivered_se_W"] or 0.0, 1, 1),
            row["latest_start"] or "–",
            *((litres,) if season.plan.refill else ()),
            style="dim" if never else "",
        )
    return table


def _boils_cell(row: dict[str, Any]) -> str:
    if row["boil_median_min"] is None:
        return "never" if row["best_start"] is None else "seldom"
    return pm(row["boil_median_min"], row["boil_se_min"] or 0.0, 1, 1)


def _minutes(value: float | None) -> str:
    return "never" if value is None else f"{value:.0f}"


def shown_starts(season: Season, most: int = FITS) -> list[int]:
    """Indices of starts that fit beside each other."""
    count = len(season.starts)
    return list(range(0, count, -(-count // most)))


def cell_words(months: Months, m: int, k: int) -> str:
    """A cell of months by starts: minutes, days of ten, or the letter of a reason."""
    share, median = months.boils[m, k], months.boil_median[m, k]
    if math.isnan(share):
        return LETTERS["no such time"]
    if share == 0.0:
        return LETTERS[REASONS[int(months.reason[m, k])]]
    if math.isnan(median):
        return f"({10.0 * share:.0f})" if share >= 0.05 else "(<1)"
    return f"{median / 60.0:.0f}" + ("" if share > 1.0 - 1e-9 else "*")


def _cells_table(season: Season) -> RenderableType:
    months, starts = season.monthly(), shown_starts(season)
    table = plain_table("", *(of_day(season.starts[k]) for k in starts))
    for m, month in enumerate(months.months):
        table.add_row(MONTHS[month[1] - 1][:3], *(cell_words(months, m, k) for k in starts))
    return table


def legend(season: Season) -> str:
    """What the cells of months by starts mean."""
    months = season.monthly()
    used = [REASONS[k] for k in sorted(set(months.reason[months.boils == 0.0].tolist()))]
    letters = "; ".join(f"{LETTERS[r]} {REASON_MEANINGS[r]}" for r in used if LETTERS[r])
    text = (
        "Minutes from the start until it boils, the median of the month's days; * not on all of "
        "them; (3) on so many of ten days alone."
    )
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
    if unsure:
        out.append(f"whether it boils is unsure for {unsure} of {season.boils.size} starts")
    return "; ".join(out)


def _context(season: Season) -> list[tuple[str, str]]:
    from raytrace import __version__

    scenario, plan = season.scenario, season.plan
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    first, last = plan.dates[0], plan.dates[-1]
    rows += [
        ("site", f"{scenario.site.name}, clock of {scenario.site.timezone}"),
        (
            "days",
            f"{len(plan.dates)}, {date_words(first)} to {date_words(last, year=True)}"
            if len(plan.dates) > 1
            else date_words(first, year=True),
        ),
        (
            "pot",
            f"{contents_words(scenario)}, {'lid on' if scenario.kitchen.lid else 'no lid'}; boils "
            f"at {season.boiling - 273.15:.1f} °C, told 1 K before",
        ),
        ("habit", habit_words(season.habit.every, season.habit.face)),
        (
            "traced",
            f"every {plan.step / 60.0:g} min, {plan.replicates} replicates × {plan.beams} beams a "
            f"facet, seed {plan.seed}, build {plan.build}, cooker-raytrace {__version__}",
        ),
        ("s.e. reached", _error_words(season)),
    ]
    return rows


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
    yield Text(
        "delivered: on the base, mean until it boils, or over the first two hours. latest start: "
        "of those tried, on the middle day. ± is the tracing's; the hand's luck in turning is "
        "another each day.",
        style="dim",
    )
    yield _cells_table(season)
    yield Text(legend(season), style="dim")
    yield pairs(_context(season))


def season_rows(season: Season) -> list[dict[str, Any]]:
    """Every date and start as a row of plain values, for CSV.

    Parameters
    ----------
    season : Season
    """
    return [_row(season, d, k) for d in range(len(season.dates)) for k in range(len(season.starts))]


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
    from raytrace import __version__

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
                "delivered_W": number(float(months.delivered[m, k])),
                "delivered_se_W": number(float(months.delivered_se[m, k])),
                "reason": REASONS[int(months.reason[m, k])],
            }
            for m, (year, month) in enumerate(months.months)
            for k in range(len(season.starts))
        ],
        "sentences": season_sentences(season, by),
    }
