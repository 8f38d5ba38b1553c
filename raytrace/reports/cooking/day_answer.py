"""The answer of a pot's day: what to do and what comes of it, on a few lines."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from raytrace.heat.wanted import goal_of
from raytrace.reports.common.likely import ALIKE
from raytrace.reports.common.tables import few_lines
from raytrace.reports.common.times import at_clock, date_words
from raytrace.reports.common.units import quantity
from raytrace.reports.cooking.day_words import (
    all_sentences,
    dry_sentence,
    food_sentences,
    habit_sentences,
    reached,
    ready_sentences,
    since_start,
    why_never,
)
from raytrace.reports.cooking.expected_words import of_100
from raytrace.reports.cooking.kitchen import contents_words, habit_words, too_hot_words
from raytrace.reports.cooking.today import (
    forecast_words,
    start_by_words,
    sun_words,
)
from raytrace.reports.cooking.wanted import came_to, course_cautions, rest_sentences
from raytrace.statistics.draws import MOST
from raytrace.texts import listed

if TYPE_CHECKING:
    from raytrace.statistics.likely import Likely
    from raytrace.studies.cooking.day import DayResult
    from raytrace.studies.cooking.pot_day import CookingDay

__all__ = ["day_answer", "day_details", "day_told", "day_verdict"]

LISTED = 6  # turnings that are named each
RARE = 0.05  # of the draws that may never come to it, and are not spoken of at once
FIVE = "5min"


def day_answer(result: DayResult) -> list[str]:
    """Sentences that a cook acts on, what is to be taken care of among them.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    list of str
        The verdict first; on nine lines at most.
    """
    return few_lines(_in_order(result))[0]


def day_told(result: DayResult) -> list[str]:
    """Answer and details.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    list of str
    """
    return [*day_answer(result), *day_details(result)]


def day_details(result: DayResult) -> list[str]:
    """What else is to be said.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    list of str
    """
    answer, more = few_lines(_in_order(result))
    said = [*answer, *more]
    return [*more, *(s for s in all_sentences(result) if s not in said)]


def _in_order(result: DayResult) -> list[str]:
    day, pots = result.pot, result.draws
    out = [] if result.ready is None else ready_sentences(day, result.ready)
    out += [day_verdict(result), *start_by_words(result), sun_words(result)]
    out += forecast_words(result)
    never_done = too_hot_words(day.scenario, day.boiling)
    out += [*([never_done] if never_done else []), *why_never(day)]
    if day.scenario.kitchen.wanted != "boil":
        hottest = np.nanmax([day.settles, *([] if pots is None else pots.highest[:, 0])])
        out += course_cautions(day.scenario, float(hottest))
        if result.likely is not None:
            out += rest_sentences(day.scenario, day.time[0], result.likely)
    out += [*dry_sentence(day, pots), *food_sentences(day, pots)]
    out += [_of_what(result), *habit_sentences(result.worth)[:1]]
    return out


def _of_what(result: DayResult) -> str:
    day = result.pot
    pot = f"The pot: {contents_words(day.scenario)}, {date_words(day.time[0].date(), year=True)}"
    if result.likely is None:
        return f"{pot}; of one cooker, build {day.settings.build}."
    return f"{pot}; times hold for 95 of 100 draws of {ALIKE}."


def day_verdict(result: DayResult) -> str:
    """When to put the pot on, when it boils and is done, and when to turn the cooker.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    str
        As in "Put it on at 10:00: boiling between 10:55 and 11:35, done by 12:10; turn it at
        10:30 and 11:00."
    """
    day, likely = result.pot, result.likely
    at = at_clock(day.time[0])
    if _spoils(result):
        return f"Don't put food on at {at}: it stands lukewarm for too long to be safe to eat."
    if day.scenario.kitchen.wanted != "boil":
        return _course_verdict(result)
    if not day.scenario.kitchen.water:
        return f"Put it on at {at}, without water: it gets to {_warmth(result)}{_turns(result)}."
    never = float(not reached(day.boils)) if likely is None else likely.boils.never
    if never == 1.0:
        return f"Not that day: put on at {at}, it never boils and gets to {_warmth(result)}."
    if never >= 0.5:
        return (
            f"Don't count on it: put on at {at}, it never boils {of_100(never)} draws, and gets "
            f"to {_warmth(result)}."
        )
    boils = _when(day, "boiling", float(day.boils.value), None if likely is None else likely.boils)
    done = ""
    if goal_of(day.scenario) == "done":
        found = None if likely is None else likely.done
        done = f", {_when(day, 'done', float(day.done.value), found)}"
    return f"Put it on at {at}: {boils}{done}{_turns(result)}."


def _course_verdict(result: DayResult) -> str:
    """The same of a pot that is to do more than boil."""
    day, likely, scenario = result.pot, result.likely, result.pot.scenario
    at, found = at_clock(day.time[0]), None if likely is None else likely.done
    never = float(not reached(day.done)) if found is None else found.never
    if never == 1.0:
        return (
            f"Not that day: put on at {at}, it is not {came_to(scenario)}; it gets to "
            f"{_warmth(result)}."
        )
    if never >= 0.5:
        return (
            f"Don't count on it: put on at {at}, it is not {came_to(scenario)} {of_100(never)} "
            f"draws; it gets to {_warmth(result)}."
        )
    done = _when(day, came_to(scenario), float(day.done.value), found)
    return f"Put it on at {at}: {done}{_turns(result)}."


def _spoils(result: DayResult) -> bool:
    """Whether food would stand lukewarm for too long in more than one of ten draws."""
    day, pots = result.pot, result.draws
    if not day.scenario.kitchen.food:
        return False
    if pots is None:
        goal = float(getattr(day, goal_of(day.scenario)).value)
        return any(not x.start >= goal for x in day.lukewarm)
    return float(pots.spoils().mean()) > 1.0 - MOST + 1e-9


def _warmth(result: DayResult) -> str:
    found = result.likely
    if found is None:
        return quantity("temperature", float(np.nanmax(result.pot.temperature.value)), 0)
    low, high = (quantity("temperature", x, 0) for x in (found.highest.low, found.highest.high))
    return low if low == high else f"{low} to {high}"


def _when(day: CookingDay, what: str, own: float, found: Likely | None) -> str:
    """When it comes to something, to five minutes, outward."""
    date = day.time[0].date()

    def clock(seconds: float, way: str) -> str:
        time: pd.Timestamp = getattr(since_start(day, seconds), way)(FIVE)
        return at_clock(time, date)

    if found is None:
        return f"{what} by {clock(own, 'ceil')}" if math.isfinite(own) else f"not {what}"
    if found.never >= 0.5:
        return f"not {what}"
    if found.never >= RARE or not math.isfinite(found.high):
        return f"{what} about {clock(found.middle, 'ceil')}, never {of_100(found.never)} draws"
    if what != "boiling":
        return f"{what} by {clock(found.high, 'ceil')}"
    low, high = clock(found.low, "floor"), clock(found.high, "ceil")
    return f"{what} between {low} and {high}"


def _turns(result: DayResult) -> str:
    """Clock times at which it is turned until it is ready, as a sentence ends."""
    day, likely = result.pot, result.likely
    if math.isinf(day.habit.every):
        return "; don't turn it again"
    goal = "boils" if day.scenario.kitchen.wanted == "rest" else goal_of(day.scenario)
    until = float(getattr(day, goal).value)
    if likely is not None and math.isfinite(found := getattr(likely, goal).high):
        until = found
    start = day.time[0]
    times = [at_clock(t.time) for t in day.turnings[1:] if (t.time - start).total_seconds() < until]
    if not times and math.isfinite(until):
        return ""
    if not math.isfinite(until) or len(times) > LISTED:
        return f"; {habit_words(day.habit.every, day.habit.face).replace('turned', 'turn it', 1)}"
    ahead = ", ahead of the sun" if day.habit.face == "ahead" else ""
    return f"; turn it at {listed(times, 'and')}{ahead}"
