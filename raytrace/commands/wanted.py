"""What a design is asked for, as options: outcomes by name, and when and how they count."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import typer

from raytrace.commands import common
from raytrace.commands.dates import read_clock, read_day

__all__ = ["read_hours", "read_moment", "read_outcomes", "read_power"]


def read_outcomes(names: Sequence[str], option: str) -> tuple[str, ...]:
    """Outcomes by their names.

    Parameters
    ----------
    names : sequence of str
        In any case, with spaces, - or _.
    option : str
        Its name, for messages.

    Returns
    -------
    tuple of str
        Keys of `raytrace.studies.designs.objectives.OUTCOMES`.

    Raises
    ------
    BadParameter
        If there is no such outcome.

    Examples
    --------
    >>> read_outcomes(["Season-Energy", "watts"], "--by")
    ('season energy', 'watts')
    """
    from raytrace.scenario.units import nearest
    from raytrace.studies.designs.objectives import OUTCOMES

    out = []
    for name in names:
        plain = " ".join(name.lower().replace("-", " ").replace("_", " ").split())
        if plain not in OUTCOMES:
            near = nearest(plain, OUTCOMES)
            tail = f' Nearest: "{near}".' if near else ""
            raise typer.BadParameter(
                f'"{name}": no such outcome.{tail} There are: {", ".join(OUTCOMES)}.',
                param_hint=option,
            )
        out.append(plain)
    return tuple(out)


def read_hours(text: str, option: str = "--hours") -> tuple[float, float]:
    """From when until when on a day, from text such as "9..15".

    Parameters
    ----------
    text : str
    option : str
        Its name, for messages.

    Returns
    -------
    first, last : float
        After midnight. [s]

    Raises
    ------
    BadParameter
        If they are no clock times, or don't rise.

    Examples
    --------
    >>> read_hours("9..15")
    (32400.0, 54000.0)
    """
    ends = text.split("..")
    if len(ends) != 2:
        raise typer.BadParameter(f'"{text}": write hours as 9..15.', param_hint=option)
    first, last = (read_clock(end, option) for end in ends)
    if last <= first:
        raise typer.BadParameter(f'"{text}": the hours must rise.', param_hint=option)
    return first, last


def read_moment(text: str | None, option: str = "--at") -> tuple[dt.date, float]:
    """Date and clock time from text such as "2026-06-21 10:00".

    Parameters
    ----------
    text : str or None
    option : str
        Its name, for messages.

    Returns
    -------
    date : date
    clock : float
        After midnight. [s]

    Raises
    ------
    BadParameter
        If either is missing or can't be read.
    """
    date, _, clock = (text or "").strip().replace("T", " ").partition(" ")
    if not date or not clock:
        raise typer.BadParameter(
            f'boil time needs a date and a clock time, such as {option} "2026-06-21 10:00".',
            param_hint=option,
        )
    return read_day(date, option), read_clock(clock, option)


def read_power(text: str | None, option: str = "--watts") -> float:
    """Watts that a build must reach for the yield.

    Parameters
    ----------
    text : str or None
    option : str
        Its name, for messages.

    Returns
    -------
    float
        [W]

    Raises
    ------
    BadParameter
        If there is no text, or it is no power.
    """
    if text is None:
        raise typer.BadParameter(
            f'yield needs the watts to reach, such as {option} "180 W".', param_hint=option
        )
    return common.quantity(text, "power", option, low="0 W")
