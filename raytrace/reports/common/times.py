"""Dates, clock times and lengths of time as a cook reads them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from raytrace.reports.common.numbers import plus_minus
from raytrace.reports.common.units import clock_words
from raytrace.texts import listed

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "MONTHS",
    "at_clock",
    "clock_ticks",
    "date_span",
    "date_words",
    "hour_minute",
    "hour_ticks",
    "joined",
    "lasting",
    "listed_months",
    "of_day",
    "pm",
    "run_words",
    "short_date",
    "span_words",
]

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def date_words(day: dt.date, *, year: bool = False) -> str:
    """Date as a reader says it.

    Parameters
    ----------
    day : date
    year : bool
        Whether its year is said.

    Returns
    -------
    str

    Examples
    --------
    >>> date_words(dt.date(2026, 6, 21)), date_words(dt.date(2026, 6, 21), year=True)
    ('21 June', '21 June 2026')
    """
    return f"{day.day} {MONTHS[day.month - 1]}" + (f" {day.year}" if year else "")


def date_span(first: dt.date, last: dt.date) -> str:
    """From one date to another, with as many years as it takes.

    Parameters
    ----------
    first, last : date

    Returns
    -------
    str

    Examples
    --------
    >>> date_span(dt.date(2026, 5, 1), dt.date(2026, 9, 30))
    '1 May to 30 September 2026'
    >>> date_span(dt.date(2026, 11, 1), dt.date(2027, 2, 28))
    '1 November 2026 to 28 February 2027'
    """
    if first == last:
        return date_words(last, year=True)
    return f"{date_words(first, year=first.year != last.year)} to {date_words(last, year=True)}"


def short_date(day: dt.date) -> str:
    """Date for a narrow column.

    Parameters
    ----------
    day : date

    Returns
    -------
    str

    Examples
    --------
    >>> short_date(dt.date(2026, 6, 1))
    ' 1 Jun'
    """
    return f"{day.day:2d} {MONTHS[day.month - 1][:3]}"


def of_day(seconds: float, *, brief: bool = False) -> str:
    """Clock time from seconds since midnight.

    Parameters
    ----------
    seconds : float
        [s]
    brief : bool
        As in `raytrace.reports.common.units.clock_words`.

    Returns
    -------
    str

    Examples
    --------
    >>> of_day(34200.0), of_day(86400.0)
    ('9:30', '24:00')
    """
    hour, minute = divmod(round(seconds / 60.0), 60)
    return clock_words(hour, minute, brief=brief)


def hour_minute(time: dt.datetime) -> str:
    """Clock time of a moment, its seconds dropped.

    Parameters
    ----------
    time : datetime
        By the clock that is meant.

    Returns
    -------
    str

    Examples
    --------
    >>> hour_minute(dt.datetime(2026, 6, 21, 9, 30, 59))
    '09:30'
    """
    return clock_words(time.hour, time.minute, pad=True)


def clock_ticks(zone: Any) -> Any:
    """Formatter of ticks along an axis of time.

    Parameters
    ----------
    zone : tzinfo
        Of the clock that is meant.

    Returns
    -------
    matplotlib.ticker.Formatter
    """
    from matplotlib import dates, ticker

    def words(x: float, _: Any) -> str:
        when: Any = dates.num2date(x, tz=zone)  # type: ignore[no-untyped-call]
        return clock_words(when.hour, when.minute, pad=True, brief=True)

    return ticker.FuncFormatter(words)


def hour_ticks() -> Any:
    """Formatter of ticks along an axis of hours after midnight.

    Returns
    -------
    matplotlib.ticker.Formatter
    """
    from matplotlib.ticker import FuncFormatter

    def words(x: float, _: Any) -> str:
        hour, minute = divmod(round(60.0 * x), 60)
        return clock_words(hour, minute, brief=True)

    return FuncFormatter(words)


def at_clock(time: pd.Timestamp, day: dt.date | None = None) -> str:
    """Clock time to the nearest minute; +1 or −1 where it falls on the day after or before.

    Parameters
    ----------
    time : Timestamp
    day : date, optional
        Of its own if left out.

    Returns
    -------
    str
    """
    near = time.round("min")
    off = 0 if day is None else (near.date() - day).days
    return hour_minute(near) + (f"{off:+d}".replace("-", "−") if off else "")


def span_words(start: pd.Timestamp, end: pd.Timestamp, day: dt.date | None = None) -> str:
    """From one clock time to another, or one where they are the same minute.

    Parameters
    ----------
    start, end : Timestamp
    day : date, optional
        As in `at_clock`.

    Returns
    -------
    str
    """
    a, b = at_clock(start, day), at_clock(end, day)
    return a if a == b else joined(a, b)


def joined(start: str, end: str) -> str:
    """From one clock time to another; am or pm that both share is said once.

    Parameters
    ----------
    start, end : str

    Returns
    -------
    str

    Examples
    --------
    >>> joined("9:30", "10:15"), joined("9:30 am", "10:15 am"), joined("9:30 am", "1:15 pm")
    ('9:30–10:15', '9:30–10:15 am', '9:30 am–1:15 pm')
    """
    half = start[-3:]
    same = half in (" am", " pm") and end.endswith(half)
    return f"{start.removesuffix(half) if same else start}–{end}"


def pm(value: float, se: float, factor: float = 1.0, decimals: int | None = None) -> str:
    """Value ± standard error.

    Parameters
    ----------
    value, se : float
        In SI units.
    factor : float
        How many of the unit to be shown make one SI unit.
    decimals : int, optional
        At most.

    Returns
    -------
    str
    """
    if not math.isfinite(value):
        return "–"
    if se == 0.0:
        return plus_minus(factor * value, 0.0, decimals=decimals)[0]
    return " ± ".join(plus_minus(factor * value, factor * se, decimals=decimals))


def lasting(seconds: float, *, hours_from: int = 120) -> str:
    """Length of time to the minute.

    Parameters
    ----------
    seconds : float
        [s]
    hours_from : int
        From how many minutes on hours are told: 60 as on a kitchen clock.

    Returns
    -------
    str

    Examples
    --------
    >>> lasting(3300.0), lasting(7500.0), lasting(7200.0), lasting(6600.0, hours_from=60)
    ('55 min', '2 h 05 min', '2 h', '1 h 50 min')
    """
    minutes = round(seconds / 60.0)
    if minutes < hours_from:
        return f"{minutes} min"
    return f"{minutes // 60} h" + (f" {minutes % 60:02d} min" if minutes % 60 else "")


def listed_months(months: Sequence[tuple[int, int]], which: Sequence[bool] | Any) -> str:
    """Some of a row of months in words, those that follow each other as a span.

    Parameters
    ----------
    months : sequence of (int, int)
        Year and month, rising.
    which : sequence of bool
        Which of them; a row of twelve closes on itself.

    Returns
    -------
    str

    Examples
    --------
    >>> year = [(2026, m) for m in range(1, 13)]
    >>> listed_months(year, [m in (11, 12, 1, 2, 6) for m in range(1, 13)])
    'from November to February and in June'
    """
    chosen = [bool(x) for x in which]
    n = len(months)
    closed = n == 12 and {m for _, m in months} == set(range(1, 13))
    runs: list[list[int]] = []
    for k in range(n):
        if chosen[k]:
            if k and chosen[k - 1] and runs:
                runs[-1].append(k)
            else:
                runs.append([k])
    if closed and len(runs) > 1 and runs[0][0] == 0 and runs[-1][-1] == n - 1:
        runs = [runs[-1] + runs[0], *runs[1:-1]]
    names = [MONTHS[m - 1] for _, m in months]
    words = [
        f"in {names[run[0]]}"
        if len(run) == 1
        else f"in {names[run[0]]} and {names[run[-1]]}"
        if len(run) == 2
        else f"from {names[run[0]]} to {names[run[-1]]}"
        for run in runs
    ]
    return listed(words, "and")


def run_words(runs: Sequence[tuple[dt.date, dt.date]], *, wraps: bool = False) -> str:
    """Runs of days in words.

    Parameters
    ----------
    runs : sequence of (date, date)
        First and last day of each, rising.
    wraps : bool
        Whether they cover a whole year, so that a run at its end goes on at its beginning.

    Returns
    -------
    str

    Examples
    --------
    >>> early = dt.date(2026, 1, 1), dt.date(2026, 2, 3)
    >>> late = dt.date(2026, 11, 8), dt.date(2026, 12, 31)
    >>> run_words([early, late], wraps=True)
    'from 8 November to 3 February'
    """
    runs = list(runs)
    if wraps and runs:
        (first, a), (b, last) = runs[0], runs[-1]
        if (first.month, first.day) == (1, 1) and (last.month, last.day) == (12, 31):
            if len(runs) == 1:
                return "all year long"
            runs = [*runs[1:-1], (b, a)]
    words = [
        f"on {date_words(a)}" if a == b else f"from {date_words(a)} to {date_words(b)}"
        for a, b in runs
    ]
    return " and ".join(words)
