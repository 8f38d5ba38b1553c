"""The answer of a season: when to put the pot on through the year, on a few lines."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.common.tables import few_lines
from raytrace.reports.common.times import lasting, listed_months, of_day
from raytrace.reports.cooking.calendar_words import MOST, of_ten
from raytrace.reports.cooking.expected_words import lasts_words
from raytrace.reports.cooking.kitchen import contents_words, habit_words, wanted_words
from raytrace.reports.cooking.season_words import season_sentences
from raytrace.reports.cooking.wanted import came_to, course_cautions
from raytrace.studies.cooking.season_choice import cooking_goal

if TYPE_CHECKING:
    from raytrace.studies.cooking.calendar import Calendar
    from raytrace.studies.cooking.season_data import Season

__all__ = ["season_answer", "season_details", "season_told"]

PAGE = "--calendar kitchen.pdf draws all this as a page to hang up."
KEPT = (
    "Put no food up",
    "From that start food stands",
    "All this under",
    "The days are those",
)
MOVES = "The best start moves"  # by one cooker: where there is no better advice
RULE = "Of the starts that work"


def season_answer(season: Season, by: float = 43200.0) -> list[str]:
    """Sentences that a cook acts on.

    Parameters
    ----------
    season : Season
    by : float
        Clock time by which it should boil. [s]

    Returns
    -------
    list of str
        The verdict first; on nine lines at most.
    """
    return few_lines(_in_order(season, by))[0]


def season_told(season: Season, by: float = 43200.0) -> list[str]:
    """Answer and details.

    Parameters
    ----------
    season : Season
    by : float
        As for `season_answer`.

    Returns
    -------
    list of str
    """
    return [*season_answer(season, by), *season_details(season, by)]


def season_details(season: Season, by: float = 43200.0) -> list[str]:
    """What else is to be said.

    Parameters
    ----------
    season : Season
    by : float
        As for `season_answer`.

    Returns
    -------
    list of str
    """
    answer, more = few_lines(_in_order(season, by))
    said = [*answer, *more]
    return [*more, *(s for s in season_sentences(season, by) if s not in said)]


def _in_order(season: Season, by: float) -> list[str]:
    whole = season_sentences(season, by)
    advice = season.calendar
    cautions = _cautions(season)
    if advice is None:
        verdict = _expected(season, whole[0])
        if not verdict:
            return [*whole[:1], *cautions, *whole[1:]]
        # standard errors and the rule of choice are details
        kept = [s for s in whole[1:] if s.startswith((*KEPT, MOVES))]
        rest = [s for s in whole[1:] if "±" not in s and not s.startswith((*KEPT, MOVES, RULE))]
        return [verdict, *cautions, *kept, *rest]
    good = advice.which >= 0
    kept = [s for s in whole if s.startswith(KEPT)]
    if not good.any():
        verdict = (
            f"Don't count on this cooker for {contents_words(season.scenario)}: no start works for "
            "half of the cookers and days."
        )
        return [verdict, *cautions, *kept[-1:], *(s for s in whole if s not in kept[-1:])]
    out = [_verdict(season, advice), *cautions]
    if not good.all():
        out.append(f"Don't count on it {listed_months(_months(advice), ~good)}.")
    return [*out, *kept[:-1], *_by_month(advice), *kept[-1:], _last(advice), PAGE]


def _cautions(season: Season) -> list[str]:
    """What a course means, and what a cook must mind in it; nothing where it is to boil."""
    scenario, highest = season.scenario, season.highest
    if scenario.kitchen.wanted == "boil":
        return []
    hottest = float(np.nanmax(highest)) if np.isfinite(highest).any() else math.nan
    means = came_to(scenario)
    return [
        *course_cautions(scenario, hottest),
        f"{means[0].upper()}{means[1:]}: {wanted_words(scenario)}.",
    ]


def _months(advice: Calendar) -> list[tuple[int, int]]:
    middle = [a + (b - a) / 2 for a, b in zip(advice.first, advice.last, strict=True)]
    return [(d.year, d.month) for d in middle]


def _expected(season: Season, first: str) -> str:
    """When to put the pot on by what is expected of one start; "" where it may never be ready."""
    if season.likely is None:
        return ""
    found = getattr(season.likely, cooking_goal(season))
    if found.never or not math.isfinite(found.high):
        return ""
    head = first.split(": ")[0].replace("the pot", "it")
    day = "clear day" if season.clear else "day"
    return (
        f"{head}: {_goal(season)} in {lasts_words(found)}, on a typical {day}; "
        f"{habit_words(season.habit.every, season.habit.face)}."
    )


def _goal(season: Season) -> str:
    """What the food, or the water, then is or does."""
    food = contents_words(season.scenario)
    if cooking_goal(season) != "done":
        return f"{food} boil"
    wanted = season.scenario.kitchen.wanted
    return f"{food} are {'ready' if wanted == 'boil' else came_to(season.scenario)}"


def _verdict(season: Season, advice: Calendar) -> str:
    """When to put the pot on, how long it then takes, for how many, and the turning."""
    rows = np.flatnonzero(advice.which >= 0)
    k = advice.which[rows]
    starts, sure = advice.starts[k], advice.sure[rows, k]
    when = "All year" if len(rows) == len(advice.which) == 12 else (
        listed_months(_months(advice), advice.which >= 0)
    )  # fmt: skip
    at = of_day(starts.min())
    if starts.max() > starts.min():
        at = f"between {at} and {of_day(starts.max())} by the month"
    else:
        at = f"at {at}"
    boils, lasts = float(advice.boils[rows, k].max()), float(advice.lasts[rows, k].max())
    within = lasting(lasts if cooking_goal(season) == "done" else boils, hours_from=60)
    few, many = (min(of_ten(float(x)), MOST) for x in (sure.min(), sure.max()))
    often = f"{few} of 10" if few == many else f"{few} to {many} of 10"
    whose = f"for {often} cookers and {'clear days' if season.clear else 'days'}"
    turned = habit_words(season.habit.every, season.habit.face)
    return (
        f"{when[0].upper()}{when[1:]} put it on {at}: {_goal(season)} within {within}, {whose}; "
        f"{turned}."
    )


def _by_month(advice: Calendar) -> list[str]:
    """Which start in which months, and how long it takes, where they differ."""
    months, starts = (
        _months(advice),
        np.where(advice.which >= 0, advice.starts[advice.which], np.nan),
    )
    each = np.unique(starts[np.isfinite(starts)])
    if len(each) < 2:
        return []
    parts = []
    for start in each:
        rows = starts == start
        lasts = float(advice.lasts[rows, advice.which[rows]].max())
        parts.append(
            f"{of_day(start)} {listed_months(months, rows)} ({lasting(lasts, hours_from=60)})"
        )
    return [f"Month by month: {'; '.join(parts)}."]


def _last(advice: Calendar) -> str:
    """The last start that works, through the year."""
    months, rows = _months(advice), np.flatnonzero(advice.which >= 0)
    last = np.array([advice.windows(int(p))[-1][1] for p in rows])
    early, late = last.min(), last.max()
    if math.isclose(early, late):
        return f"The last start that works as well is {of_day(late)}."
    a, b = (listed_months([months[p] for p in rows], last == x) for x in (early, late))
    return f"The last start that works as well is {of_day(early)} {a}, {of_day(late)} {b}."
