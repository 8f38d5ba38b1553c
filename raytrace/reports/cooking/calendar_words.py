"""A kitchen calendar's rows in plain words: when to start, what to turn to, when it is ready."""

from __future__ import annotations

import calendar as gregorian
import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from raytrace.light.history import moments
from raytrace.reports.common.times import MONTHS, lasting, of_day
from raytrace.reports.common.words import point_of
from raytrace.reports.cooking.season_words import never_words
from raytrace.sky.sun import position
from raytrace.studies.cooking.calendar import periods
from raytrace.studies.cooking.season_choice import cooking_goal
from raytrace.studies.cooking.season_plan import start_moments
from raytrace.texts import listed

if TYPE_CHECKING:
    from raytrace.studies.cooking.calendar import Calendar
    from raytrace.studies.cooking.season_data import Season

__all__ = [
    "MOST",
    "CalendarRow",
    "calendar_rows",
    "half_once",
    "of_ten",
    "period_words",
    "turn_words",
    "where_words",
]

FIST = math.radians(10.0)  # that a fist at arm's length covers; common practice, no source
FISTS = 2  # from a landmark, within which it is named
MOST = 9  # of ten that are promised: so few pots were followed that none failed by luck
LISTED = 7  # turnings that are named each


@dataclass(frozen=True)
class CalendarRow:
    """One period in words; all but `when` and `never` are empty where no start is advised.

    Attributes
    ----------
    when, start, ready, turn, window, last : str
        Period, start, when it is ready, turnings, starts that work, the last of them.
    often : int
        Of ten pots, how many are ready by then; of days, where the weather is a file's. [1]
    never : str
        Why no start is advised.
    """

    when: str
    start: str = ""
    ready: str = ""
    turn: str = ""
    window: str = ""
    last: str = ""
    often: int = 0
    never: str = ""


def calendar_rows(season: Season) -> list[CalendarRow]:
    """Rows of the calendar, one for each period.

    Parameters
    ----------
    season : Season
        With a calendar.

    Returns
    -------
    list of CalendarRow
    """
    assert season.calendar is not None
    return [_row(season, season.calendar, p) for p in range(len(season.calendar.first))]


def _row(season: Season, advice: Calendar, p: int) -> CalendarRow:
    when, k = period_words(advice.first[p], advice.last[p]), int(advice.which[p])
    if k < 0:
        rows = np.zeros(len(season.dates), dtype=bool)
        rows[periods(season)[p]] = True
        often = of_ten(float(np.nanmax(advice.works[p], initial=0.0)))
        why = never_words(season, rows) or "it takes too long"
        return CalendarRow(when, never=f"{why} (works for {often} of 10 at most)")
    start, lasts, boils = (
        float(x) for x in (advice.starts[k], advice.lasts[p, k], advice.boils[p, k])
    )
    done = cooking_goal(season) == "done"
    # food may be done below the boil
    parts = [f"boils by {of_day(start + boils)}"] if not done or boils < lasts else []
    parts += [f"done by {of_day(start + lasts)}"] if done else []
    ready = ", ".join(parts)
    windows = advice.windows(p)
    late = windows[-1][1]
    longer = float(advice.lasts[p, int(np.flatnonzero(advice.starts == late)[0])])
    return CalendarRow(
        when=when,
        start=of_day(start),
        ready=f"{ready} ({lasting(lasts, hours_from=60)})",
        turn=turn_words(season, _middle(advice, p), start, lasts),
        window=" and ".join(_span(a, b) for a, b in windows),
        last=f"{of_day(late)} ({lasting(longer, hours_from=60)})",
        often=min(of_ten(float(advice.sure[p, k])), MOST),
    )


def _middle(advice: Calendar, p: int) -> dt.date:
    return advice.first[p] + (advice.last[p] - advice.first[p]) / 2


def _span(first: float, last: float) -> str:
    return of_day(first) if first == last else f"{of_day(first)} to {of_day(last)}"


def of_ten(share: float) -> int:
    """Whole tenths of a share, rounded down.

    Parameters
    ----------
    share : float

    Returns
    -------
    int

    Examples
    --------
    >>> of_ten(0.96), of_ten(0.7), of_ten(0.69)
    (9, 7, 6)
    """
    return math.floor(10.0 * share + 1e-9)


def half_once(text: str) -> str:
    """Clock times with am or pm once for each half of the day, where it is crowded.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> half_once("8:30 am and 9:00 am to the east; 12:00 pm to the north")
    '8:30 and 9:00 am to the east; 12:00 pm to the north'
    """
    return re.sub(r"(?<=\d) ([ap]m)\b(?=(?:(?!\d [ap]m\b).)*\d \1\b)", "", text)


def period_words(first: dt.date, last: dt.date) -> str:
    """A month by its name; a part of one, or more than one, by the days.

    Parameters
    ----------
    first, last : date

    Returns
    -------
    str

    Examples
    --------
    >>> period_words(dt.date(2026, 3, 1), dt.date(2026, 3, 31))
    'March'
    >>> period_words(dt.date(2026, 3, 29), dt.date(2026, 4, 30))
    '29 March to 30 April'
    """
    whole = first.day == 1 and last.day == gregorian.monthrange(last.year, last.month)[1]
    if whole and (first.year, first.month) == (last.year, last.month):
        return MONTHS[first.month - 1]
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {last.day} {MONTHS[last.month - 1]}"
    return f"{first.day} {MONTHS[first.month - 1]} to {last.day} {MONTHS[last.month - 1]}"


def turn_words(season: Season, day: dt.date, start: float, lasts: float) -> str:
    """Clock times at which the cooker is turned until a pot is ready, and whereabouts to.

    Parameters
    ----------
    season : Season
    day : date
    start : float
        After midnight by the clock. [s]
    lasts : float
        Until the pot is ready. [s]

    Returns
    -------
    str
        As in "9:00 and 9:30 to the east; 10:00 to the east-southeast".
    """
    site, habit = season.scenario.site, season.habit
    count = math.ceil(lasts / habit.every) if math.isfinite(habit.every) else 1
    since = [0.0] if count == 1 else [k * habit.every for k in range(count)]
    at = start_moments(season.scenario, [day], [start])[0, 0]
    if math.isnan(at):
        return ""
    _, azimuth = position(site, moments(np.array([round(at + s + habit.lead) for s in since])))
    words = [where_words(float(a), site.landmarks) for a in azimuth]
    parts = []
    for where, group in groupby(zip(since, words, strict=True), key=lambda x: x[1]):
        times = [of_day(start + s) for s, _ in group]
        if count > LISTED and len(times) > 1:
            clock = f"{times[0]} to {times[-1]}"
        else:
            clock = listed(times, "and")
        parts.append(f"{clock} {where}")
    return "; ".join(parts)


def where_words(azimuth: float, landmarks: Sequence[tuple[str, float]] = ()) -> str:
    """Whereabouts the sun stands: by the nearest landmark, else by the compass.

    Parameters
    ----------
    azimuth : float
        Clockwise from north. [rad]
    landmarks : sequence of (str, float)
        Names and azimuths. [rad]

    Returns
    -------
    str

    Examples
    --------
    >>> import math
    >>> where_words(math.radians(112.0))
    'to the east-southeast'
    >>> where_words(math.radians(95.0), [("the gate", math.radians(85.0))])
    'a fist right of the gate'
    >>> where_words(math.radians(350.0), [("the well", math.radians(-7.0))])
    'to the well'
    """

    def off(landmark: tuple[str, float]) -> float:
        return math.remainder(azimuth - landmark[1], 2.0 * math.pi)

    near = min(landmarks, key=lambda x: abs(off(x)), default=None)
    if near is not None:
        fists = round(off(near) / FIST)
        if fists == 0:
            return f"to {near[0]}"
        if abs(fists) <= FISTS:
            side = "right" if fists > 0 else "left"
            return f"{'a fist' if abs(fists) == 1 else 'two fists'} {side} of {near[0]}"
    return f"to the {point_of(azimuth)}"
