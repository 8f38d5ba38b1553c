"""Times as people and loggers write them: dates in their orders, clocks of 12 and 24 hours.

The order of day and month holds for a whole file, and is never guessed.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence

__all__ = ["day_orders", "written_time"]

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
CLOCK = re.compile(
    r"(?P<hour>\d{1,2})(?:[:h](?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,]\d*)?)?)?"
    r"\s*(?P<half>[ap])?\.?(?(half)m\.?)",
    re.IGNORECASE,
)
_YEAR = r"(?P<year>\d{4}|\d{2})"
DATES = (  # order of day and month, "" where the text leaves it open
    ("ymd", re.compile(r"(?P<year>\d{4})[-/.](?P<b>\d{1,2})[-/.](?P<a>\d{1,2})")),
    ("dmy", re.compile(rf"(?P<a>\d{{1,2}})\.\s?(?P<b>\d{{1,2}})\.\s?{_YEAR}")),
    ("", re.compile(rf"(?P<a>\d{{1,2}})(?P<s>[/-])(?P<b>\d{{1,2}})(?P=s){_YEAR}")),
    ("dmy", re.compile(rf"(?P<a>\d{{1,2}})\.?[\s-]*(?P<b>[a-z]{{3,9}})\.?[\s,-]*{_YEAR}", re.I)),
    ("dmy", re.compile(rf"(?P<b>[a-z]{{3,9}})\.?\s+(?P<a>\d{{1,2}}),?\s+{_YEAR}", re.I)),
)


def _date(text: str, order: str) -> tuple[dt.date, str] | None:
    """Date that a text begins with and what follows it, None if it can't be one in this order."""
    for own, pattern in DATES:
        found = pattern.match(text)
        if found is None:
            continue
        first, second = found["a"], found["b"]
        if (own or order) == "mdy":
            first, second = second, first
        month = int(second) if second.isdigit() else _month(second)
        year = int(found["year"]) + (2000 if len(found["year"]) == 2 else 0)
        try:
            return dt.date(year, month, int(first)), text[found.end() :]
        except ValueError:
            return None
    return None


def _month(word: str) -> int:
    """Number of an English month, 0 if it is none."""
    return MONTHS.index(word[:3].lower()) + 1 if word[:3].lower() in MONTHS else 0


def day_orders(texts: Sequence[str], day: dt.date | None = None) -> str:
    """Orders of day and month in which all dates of a file can be read.

    Parameters
    ----------
    texts : sequence of str
        Times or dates; those that say their order, or have none, count for nothing.
    day : date, optional
        A day that must be among them, where two orders are left.

    Returns
    -------
    str
        "dmy", "mdy", both as "dmy mdy" where they would give other dates, or empty if neither can
        be.

    Examples
    --------
    >>> day_orders(["3/4/2026 10:00", "25/4/2026 10:00"]), day_orders(["3/4/2026"])
    ('dmy', 'dmy mdy')
    >>> day_orders(["3/4/2026"], dt.date(2026, 3, 4)), day_orders(["2026-03-04", "5.4.26"])
    ('mdy', 'dmy')
    """
    open_ = [text for text in texts if DATES[2][1].match(text)]
    read = {order: [_date(text, order) for text in open_] for order in ("dmy", "mdy")}
    fit = {order: found for order, found in read.items() if None not in found}
    if len(fit) == 2 and fit["dmy"] == fit["mdy"]:
        return "dmy"
    if len(fit) == 2 and day is not None:
        with_day = [o for o, found in fit.items() if any(x and x[0] == day for x in found)]
        fit = {o: fit[o] for o in with_day} or fit
    return " ".join(fit)


def written_time(text: str, day: dt.date | None, order: str = "dmy") -> dt.datetime:
    """Time by a clock on the wall.

    Parameters
    ----------
    text : str
        ISO 8601, or a date and a time of day: "21.6.2026 10:30", "6/21/2026 2:05 pm", "10:30".
    day : date or None
        Of a text without a date.
    order : str
        "dmy" or "mdy", where the text leaves it open.

    Returns
    -------
    datetime
        With an offset only where ISO 8601 gives one.

    Raises
    ------
    ValueError
        If it can't be read; says what to write instead.

    Examples
    --------
    >>> written_time("6/21/26 12:05 AM", None, "mdy").isoformat()
    '2026-06-21T00:05:00'
    >>> written_time("2 p.m.", dt.date(2026, 6, 21)).isoformat()
    '2026-06-21T14:00:00'
    """
    text = " ".join(text.split())
    try:
        iso = dt.datetime.fromisoformat(text)
    except ValueError:
        pass
    else:
        if re.search(r"\d:?\d{2}", text[10:]):
            return iso
    found = _date(text, order)
    date, rest = found or (day, text)
    clock = CLOCK.fullmatch(rest.strip(" ,T;"))
    if clock is None or not (clock["minute"] or clock["half"]):
        raise ValueError(
            f'{"no time of day" if found else "no time"}. Write it as "10:30", "2:05 pm" or '
            '"2026-06-21T10:30" (the site\'s clock), or with an offset, "2026-06-21T10:30+02:00".'
        )
    if date is None:
        raise ValueError('no date. Give it with --date, or write "2026-06-21T10:30".')
    hour, minute, second = (int(clock[x] or 0) for x in ("hour", "minute", "second"))
    half = (clock["half"] or "").lower()
    if minute > 59 or second > 59 or hour > 23 or (half and not 1 <= hour <= 12):
        raise ValueError("no time of day.")
    if half:
        hour = hour % 12 + (12 if half == "p" else 0)
    return dt.datetime(date.year, date.month, date.day, hour, minute, second)
