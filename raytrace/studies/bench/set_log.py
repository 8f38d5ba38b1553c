"""The log of a workshop: each facet's spot as it was set, try after try, and what crept since.

A table of measured spots with one more column, the time. A facet may stand in it many times: the
last row counts.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from raytrace.csv_text import csv_text
from raytrace.csv_times import day_orders, written_time
from raytrace.exceptions import Problem, SettingsError
from raytrace.files import rewrite_whole
from raytrace.scenario.tables import read_spots, table_error
from raytrace.scenario.values import table_text
from raytrace.studies.bench.spot_geometry import PLANES

__all__ = [
    "Crept",
    "Entry",
    "SetLog",
    "add_entries",
    "add_entry",
    "crept",
    "log_place",
    "log_text",
    "open_log",
    "read_log",
    "take_back",
]

Array = NDArray[np.float64]

FALSE_ALARM = 0.05  # chance that readings alone make any facet of a whole array seem to creep
NOTE = (
    "Spots as facets were set; the last row of a facet counts. Kept by cooker spots --facet and "
    "cooker bench, which write these columns alone."
)


@dataclass(frozen=True)
class Entry:
    """One facet as it was found once.

    Attributes
    ----------
    time : datetime
        By the site's clock, with its offset where it was written by the command.
    facet : str
    x, along : float or None
        Its spot from the base's centre; None where there is none. [m]
    sigma : float
        Of the reading, per axis. [m]
    state : str
        "ok", or why there is no spot.
    """

    time: dt.datetime
    facet: str
    x: float | None
    along: float | None
    sigma: float
    state: str = "ok"


@dataclass(frozen=True)
class SetLog:
    """All that was set, in order.

    Attributes
    ----------
    plane : str
        "base" or "upright".
    entries : tuple of Entry
    """

    plane: str
    entries: tuple[Entry, ...] = ()

    @property
    def last(self) -> dict[str, Entry]:
        """Each facet's last entry."""
        return {e.facet: e for e in self.entries}

    def tries(self, facet: str) -> int:
        """How often a facet was read on the day of its last entry.

        Parameters
        ----------
        facet : str

        Returns
        -------
        int
        """
        days = [e.time.date() for e in self.entries if e.facet == facet]
        return days.count(days[-1]) if days else 0


@dataclass(frozen=True)
class Crept:
    """A facet whose spot moved from one day to another, further than readings explain.

    Attributes
    ----------
    facet : str
    since, until : date
    way : tuple of float
        How the spot moved, along the plane's two axes. [m]
    sd : float
        Of that way's length, from both readings. [m]
    """

    facet: str
    since: dt.date
    until: dt.date
    way: tuple[float, float]
    sd: float

    @property
    def far(self) -> float:
        """How far it moved. [m]"""
        return float(np.hypot(*self.way))


def read_log(name: str, text: str, labels: Collection[str] | None = None) -> SetLog:
    r"""Read a log, also one that a spreadsheet has saved.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
    labels : collection of str, optional
        As for `raytrace.scenario.tables.read_spots`.

    Returns
    -------
    SetLog

    Raises
    ------
    ScenarioError
        If it is no such log; with each row that can't be read.

    Examples
    --------
    >>> row = "facet,x_mm,y_mm,sigma_mm,state,time\nA1,3,-4,2,ok,2026-03-01T09:30+01:00\n"
    >>> log = read_log("set.csv", row)
    >>> log.plane, log.entries[0].x, log.tries("A1")
    ('base', 0.003, 1)
    """
    plane, rows, problems = read_spots(name, text, labels=labels)
    times = [row.time or "" for row in rows]
    orders = day_orders(times).split() or ["dmy"]
    entries = []
    for row, time in zip(rows, times, strict=True):
        try:
            if len(orders) > 1 and day_orders([time]) != orders[0]:
                raise ValueError("day and month may be either way round. Write it as 2026-06-21.")
            at = written_time(time, None, orders[0])
        except ValueError as error:
            problems.append(
                Problem(f'{name} row {row.line} column "time"', f' = "{time}": {error}')
            )
            continue
        if row.state == "off" or row.reflectance is not None:
            words = (
                "a log holds spots on the card, and no reflectance. Give it as a table of its own."
            )
            problems.append(Problem(f"{name} row {row.line}", words))
        entries.append(Entry(at, row.facet, row.x, row.along, row.sigma or 0.0, row.state))
    if problems:
        raise table_error(name, problems)
    return SetLog(plane, tuple(entries))


def _head(plane: str) -> list[str]:
    return ["facet", "x_mm", f"{PLANES[plane][1]}_mm", "sigma_mm", "state", "time"]


def _row(e: Entry) -> list[object]:
    def mm(metres: float | None) -> float | None:
        return None if metres is None else round(1e3 * metres, 3)

    time = e.time.isoformat(timespec="seconds")
    return [e.facet, mm(e.x), mm(e.along), mm(e.sigma), e.state, time]


def log_text(log: SetLog) -> str:
    """Text of a log, which is a table of measured spots.

    Parameters
    ----------
    log : SetLog

    Returns
    -------
    str
    """
    return csv_text(_head(log.plane), map(_row, log.entries), [NOTE])


def log_place(scenario: Path, log: Path | None = None) -> Path:
    """Where the log of a scenario's facets is.

    Parameters
    ----------
    scenario : path
    log : path, optional
        As the user names it.

    Returns
    -------
    path
    """
    return log or Path("results") / f"{scenario.stem}-set.csv"


def open_log(path: Path, plane: str, labels: Collection[str] | None = None) -> SetLog:
    """What a log's file holds; nothing, where there is none yet or all was taken back.

    Parameters
    ----------
    path : path
    plane : str
        That its spots are to lie on.
    labels : collection of str, optional
        As for `read_log`.

    Returns
    -------
    SetLog

    Raises
    ------
    ScenarioError
        If it can't be read.
    SettingsError
        If its spots lie on the other plane.
    """
    if not path.exists():
        return SetLog(plane)
    text = table_text(path)
    if sum(1 for line in text.splitlines() if line.strip() and not line.startswith("#")) < 2:
        return SetLog(plane)
    log = read_log(path.name, text, labels)
    if log.plane != plane:
        raise SettingsError(f"{path} holds spots on the {log.plane} plane. Name another log.")
    return log


def add_entry(
    path: Path, entry: Entry, plane: str, labels: Collection[str] | None = None
) -> SetLog:
    """Add an entry to a log's file, whole or not at all, and to whatever it holds by then.

    Parameters
    ----------
    path : path
    entry : Entry
    plane : str
        That its spot lies on.
    labels : collection of str, optional
        As for `read_log`.

    Returns
    -------
    SetLog
        What the file then holds, rows of others included.

    Raises
    ------
    ScenarioError, SettingsError
        As of `open_log`.
    WriteError
        If it can't be written; what was there stays.
    """
    return add_entries(path, [entry], plane, labels)


def add_entries(
    path: Path, entries: Sequence[Entry], plane: str, labels: Collection[str] | None = None
) -> SetLog:
    """Add several entries at once.

    Parameters
    ----------
    path : path
    entries : sequence of Entry
    plane, labels
        As of `add_entry`.

    Returns
    -------
    SetLog
        As of `add_entry`.

    Raises
    ------
    ScenarioError, SettingsError, WriteError
        As of `add_entry`.
    """
    return _changed(path, plane, labels, lambda log: replace(log, entries=(*log.entries, *entries)))


def take_back(
    path: Path, entry: Entry, plane: str, labels: Collection[str] | None = None
) -> SetLog:
    """Remove an entry from a log's file, the last one like it; all other rows stay.

    Parameters
    ----------
    path : path
    entry : Entry
    plane, labels
        As of `add_entry`.

    Returns
    -------
    SetLog
        What the file then holds; unchanged where there is no such entry any more.

    Raises
    ------
    ScenarioError, SettingsError, WriteError
        As of `add_entry`.
    """

    def without(log: SetLog) -> SetLog:
        rows = [_row(e) for e in log.entries]
        if _row(entry) not in rows:
            return log
        at = len(rows) - 1 - rows[::-1].index(_row(entry))
        return replace(log, entries=log.entries[:at] + log.entries[at + 1 :])

    return _changed(path, plane, labels, without)


def _changed(
    path: Path,
    plane: str,
    labels: Collection[str] | None,
    change: Callable[[SetLog], SetLog],
) -> SetLog:
    made: list[SetLog] = []

    def text(there: Path) -> str:
        made.append(change(open_log(there, plane, labels)))
        return log_text(made[-1])

    rewrite_whole(path, text, option="--log")
    return made[-1]


def crept(log: SetLog) -> tuple[Crept, ...]:
    """Facets whose spot moved from an earlier day to the last, further than readings explain.

    Parameters
    ----------
    log : SetLog

    Returns
    -------
    tuple of Crept
        The furthest first.

    Notes
    -----
    Compared are the last reading of the last day and the last of the day before on which the facet
    was read: what was turned on a day on purpose doesn't count as creeping. A facet that was tried
    more than once on the last day was turned on purpose too: its first reading then counts.
    The length of a difference of two readings is Rayleigh's, so that of n facets one alone exceeds
    σ √(2 ln(n / 0.05)) in one comparison of twenty.
    """
    found = []
    for facet in log.last:
        seen = [e for e in log.entries if e.facet == facet and e.x is not None]
        days = sorted({e.time.date() for e in seen})
        if len(days) < 2:
            continue
        before = [e for e in seen if e.time.date() == days[-2]][-1]
        after = next(e for e in seen if e.time.date() == days[-1])
        assert None not in (before.x, before.along, after.x, after.along)
        way = (after.x - before.x, after.along - before.along)  # type: ignore[operator]
        sd = float(np.hypot(before.sigma, after.sigma))
        moved = Crept(facet, days[-2], days[-1], way, sd)
        found.append(moved)
    bound = np.sqrt(2.0 * np.log(max(len(found), 1) / FALSE_ALARM))
    return tuple(sorted((c for c in found if c.far > bound * c.sd), key=lambda c: -c.far))
