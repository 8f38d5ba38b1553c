"""Dates, hours and clock times as options."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = [
    "date_range",
    "forecast_changes",
    "read_clock",
    "read_clocks",
    "read_day",
    "read_days",
    "time_left",
]


@contextmanager
def _told(option: str) -> Iterator[None]:
    """Say of what is wrong by which option it was given."""
    from raytrace.exceptions import SettingsError

    try:
        yield
    except SettingsError as error:
        raise typer.BadParameter(str(error), param_hint=option) from None


def read_day(text: str, option: str, site: Site | None = None) -> dt.date:
    """Date from text such as "2026-06-21", within the years that a scenario may name.

    Parameters
    ----------
    text : str
    option : str
        Its name, for messages.
    site : raytrace.scenario.place_sections.Site, optional
        Whose calendar says what "today" and "tomorrow" are.

    Returns
    -------
    date

    Raises
    ------
    BadParameter
        If it is no date, or none that a scenario may name.
    """
    from raytrace.sky.clock import asked_day

    with _told(option):
        return asked_day(text, site)


def read_days(text: str, option: str) -> tuple[dt.date, dt.date]:
    """First and last date from text such as "2026-05-01..2026-09-30".

    Parameters
    ----------
    text, option
        As in `read_day`.

    Returns
    -------
    first, last : date

    Raises
    ------
    BadParameter
        If they are no dates, or don't rise.
    """
    parts = text.split("..")
    if len(parts) != 2:
        raise typer.BadParameter(
            f'"{text}": write a first and a last date, as 2026-05-01..2026-09-30.',
            param_hint=option,
        )
    first, last = (read_day(part, option) for part in parts)
    if last < first:
        raise typer.BadParameter(f'"{text}": ends before it begins.', param_hint=option)
    return first, last


def date_range(
    scenario: Scenario, first: str | None, last: str | None, every: int
) -> tuple[dt.date, ...]:
    """Dates from --from to --to by --every days, those that the site's calendar skips left out.

    Parameters
    ----------
    scenario : Scenario
    first : str or None
        As --from; by default the first day of the design date's year, or of 2026.
    last : str or None
        As --to; by default the last day of a year that starts with the first.
    every : int
        Take one day in so many.

    Returns
    -------
    tuple of date

    Raises
    ------
    BadParameter
        If a date can't be read, or the dates span nothing or more than a year.
    """
    from raytrace.studies.cooking.season import dates_between

    year = scenario.design.date.year if scenario.design.date else 2026
    if first is not None:
        begin = read_day(first, "--from")
    elif last is not None:
        begin = dt.date(read_day(last, "--to").year, 1, 1)
    else:
        begin = dt.date(year, 1, 1)
    if last is not None:
        end = read_day(last, "--to")
    else:
        end = begin + dt.timedelta(days=364)
        if (begin.month, begin.day) == (1, 1):
            end = dt.date(begin.year, 12, 31)
    if end < begin:
        raise typer.BadParameter(f"{end} comes before {begin}.", param_hint="--to")
    if (end - begin).days > 366:
        raise typer.BadParameter(f"{begin} to {end}: a year at most.", param_hint="--to")
    return dates_between(scenario, begin, end, every=every)


def read_clock(text: str, option: str) -> float:
    """Seconds since midnight from text such as "9:30", "14" or "2 pm".

    Parameters
    ----------
    text : str
    option : str
        Its name, for messages.

    Returns
    -------
    float
        [s]

    Raises
    ------
    BadParameter
        If it is no clock time.

    Examples
    --------
    >>> read_clock("9:30", "--start"), read_clock("24", "--hours"), read_clock("2 pm", "--start")
    (34200.0, 86400.0, 50400.0)
    """
    from raytrace.sky.clock import asked_clock

    with _told(option):
        return asked_clock(text)


def read_clocks(text: str, option: str, step: float = 3600.0) -> tuple[float, ...]:
    """Clock times from a list or a range; the latter by steps.

    Parameters
    ----------
    text, option
        As in `read_clock`.
    step : float
        [s]

    Returns
    -------
    tuple of float
        Rising. [s]

    Raises
    ------
    BadParameter
        If one is no clock time, or the range doesn't rise.

    Examples
    --------
    >>> [t / 3600 for t in read_clocks("7..10", "--starts")]
    [7.0, 8.0, 9.0, 10.0]
    >>> [t / 3600 for t in read_clocks("8:30, 12", "--starts")]
    [8.5, 12.0]
    """
    if ".." not in text:
        return tuple(sorted({read_clock(part, option) for part in text.split(",")}))
    parts = text.split("..")
    if len(parts) != 2:
        raise typer.BadParameter(f'"{text}": write a range as 7..17.', param_hint=option)
    first, last = (read_clock(part, option) for part in parts)
    if last <= first:
        raise typer.BadParameter(f'"{text}": the range must rise.', param_hint=option)
    return tuple(first + k * step for k in range(int((last - first) / step) + 1))


def forecast_changes(file: Path | None) -> list[str]:
    """A forecast as keys of the scenario, so that its own limits and messages hold.

    Parameters
    ----------
    file : Path or None
        As --forecast.

    Returns
    -------
    list of str
    """
    if file is None:
        return []
    return [
        'sky.dni="weather file"',
        f"sky.weather_file={json.dumps(str(file.resolve()))}",
        "sky.dni_factor=",  # what the file says of it is of another sky
        "sky.weather_any_year=",
        "sky.weather_elsewhere=",
        "sky.weather_forecast=true",
    ]


def time_left(text: str, site: Site) -> float:
    """Clock time before which no pot can be put on any more: the next half-hour, if it is today's.

    Parameters
    ----------
    text : str
        As for `read_day`.
    site : raytrace.scenario.place_sections.Site

    Returns
    -------
    float
        0 on any other day. [s]

    Raises
    ------
    BadParameter
        If today has no half-hour left.
    """
    from raytrace.sky.clock import clock_left

    with _told("DATE"):
        return clock_left(text, site)
