"""Moments and days by the clock of the cooker's site."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any, TypeAlias
from zoneinfo import ZoneInfo

import numpy as np

from raytrace.exceptions import SettingsError, SkyError
from raytrace.texts import shown

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.place_sections import Site

__all__ = [
    "Times",
    "asked_clock",
    "asked_day",
    "clock_left",
    "day_bounds",
    "days_of_year",
    "now",
    "read_date",
    "site_times",
    "time_of_day",
]

HALF_HOUR = 1800.0  # [s]
AHEAD = {"today": 0, "tomorrow": 1}  # days

_CLOCK = re.compile(
    r"\s*(\d{1,2})(?::(\d{2})(?::(\d{2}))?)?\s*(?:h|o'clock)?\s*(?:([ap])\.?m\.?)?\s*",
    re.IGNORECASE,
)

Times: TypeAlias = "str | datetime | Iterable[str | datetime] | pd.DatetimeIndex"


def site_times(site: Site, times: Times) -> pd.DatetimeIndex:
    """Moments in the site's zone, from whatever a caller has.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    times : str, datetime, sequence of these, or DatetimeIndex
        Strings in ISO 8601, such as "2026-06-21T10:30" or "2026-06-21T10:30+02:00". A time with
        no zone is in the site's zone.

    Returns
    -------
    times : DatetimeIndex

    Raises
    ------
    SkyError
        If a time can't be read, or has no zone and the clocks' change makes it happen twice or
        not at all; the message says what to write instead.
    """
    import pandas as pd

    if isinstance(times, pd.DatetimeIndex):
        if times.hasnans:
            raise SkyError("a time is missing (NaT)")
        if times.tz is not None:
            return times.tz_convert(site.timezone)
        return _localise(site, times)
    items = [times] if isinstance(times, str | datetime) else list(times)
    read = [_read_time(item) for item in items]
    naive = [i for i, t in enumerate(read) if t.tzinfo is None]
    local = _localise(site, pd.DatetimeIndex([read[i] for i in naive])) if naive else ()
    for i, t in zip(naive, local, strict=True):
        read[i] = t
    return pd.DatetimeIndex(pd.to_datetime(read, utc=True)).tz_convert(site.timezone)


def now(site: Site) -> datetime:
    """The present moment by the site's clock.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site

    Returns
    -------
    datetime
    """
    return datetime.now(ZoneInfo(site.timezone))


def asked_day(text: str, site: Site | None = None) -> date:
    """Date from text such as "2026-06-21", within the years that a scenario may name.

    Parameters
    ----------
    text : str
    site : raytrace.scenario.place_sections.Site, optional
        Whose calendar says what "today" and "tomorrow" are.

    Returns
    -------
    date

    Raises
    ------
    SettingsError
        If it is no date, or none that a scenario may name.
    """
    from raytrace.scenario.values import YEARS

    ahead = AHEAD.get(text.strip().casefold())
    if site is not None and ahead is not None:
        return now(site).date() + timedelta(days=ahead)
    words = " Or today, or tomorrow." if site is not None else ""
    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        raise SettingsError(f'"{text}": no date. Write it as 2026-06-21.{words}') from None
    if not YEARS[0] <= day.year <= YEARS[1]:
        raise SettingsError(f'"{text}": must lie in {YEARS[0]} to {YEARS[1]}.')
    return day


def asked_clock(text: str) -> float:
    """Seconds since midnight from text such as "9:30", "14" or "2 pm", to the minute.

    Parameters
    ----------
    text : str

    Returns
    -------
    float
        [s]

    Raises
    ------
    SettingsError
        If it is no clock time.
    """
    seconds = time_of_day(text)
    if seconds is None or seconds % 60.0:
        raise SettingsError(f'"{text}": no clock time. Write it as 9:30, 14 for 14:00, or 2 pm.')
    return seconds


def clock_left(text: str, site: Site) -> float:
    """Clock time before which no pot can be put on any more: the next half-hour, if it is today's.

    Parameters
    ----------
    text : str
        As for `asked_day`.
    site : raytrace.scenario.place_sections.Site

    Returns
    -------
    float
        0 on any other day. [s]

    Raises
    ------
    SettingsError
        If today has no half-hour left.
    """
    if text.strip().casefold() != "today":
        return 0.0
    clock = now(site)
    left = HALF_HOUR * math.ceil((3600 * clock.hour + 60 * clock.minute) / HALF_HOUR)
    if left >= 86400.0:
        raise SettingsError("today is over: ask for tomorrow.")
    return float(left)


def day_bounds(site: Site, day: date) -> tuple[pd.Timestamp, pd.Timestamp]:
    """First moment of a day by the site's clock, and that of the next day.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    day : date

    Returns
    -------
    start, end : Timestamp
        In UTC; 23 or 25 hours apart where the clocks change.

    Raises
    ------
    SkyError
        If the site's calendar skips the day, as when a zone changes sides of the date line, or
        ends there.
    """
    import pandas as pd

    zone = ZoneInfo(site.timezone)

    def midnight(d: date) -> datetime:
        # fold=0 takes the first of two midnights and, in a gap, the clock before the jump.
        return datetime(d.year, d.month, d.day, tzinfo=zone).astimezone(UTC)

    try:
        start, end = midnight(day), midnight(day + timedelta(days=1))
    except OverflowError:
        raise SkyError(f"{day.isoformat()} lies at the end of the calendar") from None
    if end <= start:
        raise SkyError(f"{day:%Y-%m-%d} doesn't exist in {site.timezone}: its calendar skips it")
    return pd.Timestamp(start), pd.Timestamp(end)


def days_of_year(site: Site, year: int) -> list[date]:
    """Days of a year that the site's calendar has.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    year : int

    Returns
    -------
    days : list of date
    """
    days = [date(year, 1, 1) + timedelta(days=k) for k in range(366)]
    return [d for d in days if d.year == year and not _skipped(site, d)]


def _skipped(site: Site, day: date) -> bool:
    try:
        day_bounds(site, day)
    except SkyError:
        return True
    return False


def read_date(day: date | str) -> date:
    """Date from a date, a datetime or an ISO 8601 string.

    Parameters
    ----------
    day : date or str

    Returns
    -------
    day : date

    Raises
    ------
    SkyError
        If it can't be read.
    """
    if isinstance(day, datetime):
        return day.date()
    if isinstance(day, date):
        return day
    try:
        return date.fromisoformat(day)
    except (TypeError, ValueError):
        raise SkyError(f'{shown(day)} is no date: write it as "2026-06-21"') from None


def time_of_day(text: str) -> float | None:
    """Seconds since midnight from text such as "9:30", "14" or "2:30 pm".

    Parameters
    ----------
    text : str
        By 24 hours, or by twice 12 with am or pm; or "noon", or "midnight", the end of a day.

    Returns
    -------
    float or None
        0 to 86 400; None if it is no time of day. [s]

    Examples
    --------
    >>> time_of_day("9:30"), time_of_day("2:30 pm"), time_of_day("12 am"), time_of_day("13 pm")
    (34200.0, 52200.0, 0.0, None)
    """
    text = {"noon": "12:00", "midnight": "24:00"}.get(text.strip().casefold(), text)
    if (match := _CLOCK.fullmatch(text)) is None:
        return None
    hour, minute, second = (int(part or 0) for part in match.groups()[:3])
    if half := (match[4] or "").casefold():
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + 12 * (half == "p")
    total = 3600.0 * hour + 60.0 * minute + second
    return total if minute < 60 and second < 60 and total <= 86400.0 else None


def _read_time(item: Any) -> datetime:
    import pandas as pd

    if isinstance(item, str):
        try:
            return datetime.fromisoformat(item.strip())
        except ValueError:
            day, _, clock = item.strip().partition(" ")
            if (seconds := time_of_day(clock)) is not None and seconds < 86400.0:
                return datetime.combine(read_date(day), datetime.min.time()) + timedelta(
                    seconds=seconds
                )
            raise SkyError(
                f'{shown(item)} is no time: write it as "2026-06-21T10:30" (the site\'s clock) or '
                '"2026-06-21T10:30+02:00"'
            ) from None
    if item is pd.NaT or not isinstance(item, datetime):
        raise SkyError(f"{item!r} is no time: give a string or a datetime")
    return item


def _localise(site: Site, naive: pd.DatetimeIndex) -> pd.DatetimeIndex:
    twice = naive.tz_localize(site.timezone, ambiguous="NaT", nonexistent="shift_forward")
    never = naive.tz_localize(
        site.timezone, ambiguous=np.zeros(len(naive), bool), nonexistent="NaT"
    )
    for bad, reason in (
        (twice.isna(), "happens twice as the clocks go back"),
        (never.isna(), "is skipped as the clocks go forward"),
    ):
        if bad.any():
            time = naive[int(np.argmax(bad))].to_pydatetime()
            zone = ZoneInfo(site.timezone)
            # fold=0 reads the clock as before the change, fold=1 as after it.
            first, second = (time.replace(tzinfo=zone, fold=f).utcoffset() for f in (0, 1))
            shown = [time.replace(tzinfo=timezone(o)) for o in (first, second) if o is not None]
            raise SkyError(
                f"{time.isoformat(timespec='minutes')} {reason} in {site.timezone}: write "
                f"{shown[0].isoformat(timespec='minutes')} for the clock before the change or "
                f"{shown[1].isoformat(timespec='minutes')} for the clock after it"
            )
    return twice
