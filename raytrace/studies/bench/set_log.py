"""The log of a workshop: each facet's spot as it was set, try after try, and what crept since.

A table of measured spots with one more column, the time. A facet may stand in it many times: the
last row counts.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from raytrace.csv_text import csv_text
from raytrace.exceptions import Problem
from raytrace.files import write_whole
from raytrace.scenario.tables import table_error
from raytrace.studies.bench.spot_geometry import PLANES

__all__ = ["Crept", "Entry", "SetLog", "add_entry", "crept", "is_log", "last_rows", "read_log"]

Array = NDArray[np.float64]

FALSE_ALARM = 0.05  # chance that readings alone make any facet of a whole array seem to creep
NOTE = "Spots as facets were set; the last row of a facet counts. Kept by cooker spots --facet."


@dataclass(frozen=True)
class Entry:
    """One facet as it was found once.

    Attributes
    ----------
    time : datetime
        With the site's offset.
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


def is_log(text: str) -> bool:
    """Whether a table is such a log.

    Parameters
    ----------
    text : str

    Returns
    -------
    bool
    """
    return any("time" in row for row in _lines(text)[:1])


def _lines(text: str) -> list[list[str]]:
    kept = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    return [[cell.strip() for cell in row] for row in csv.reader(kept)]


def read_log(name: str, text: str) -> SetLog:
    r"""Read a log.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str

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
    rows = list(csv.reader(io.StringIO(text)))
    numbered = [
        (k, [cell.strip() for cell in row])
        for k, row in enumerate(rows, 1)
        if row and not row[0].startswith("#")
    ]
    head = numbered[0][1] if numbered else []
    plane = "upright" if "z_mm" in head else "base"
    wanted = _head(plane)
    if head != wanted:
        text_ = f"not a log of facets as they were set: its first row must be {','.join(wanted)}."
        raise table_error(name, [Problem(name, text_)])
    entries, problems = [], []
    for k, row in numbered[1:]:
        try:
            entries.append(_entry(dict(zip(head, row, strict=True)), PLANES[plane][1]))
        except (ValueError, KeyError):
            problems.append(Problem(f"{name} row {k}", f"can't be read: {', '.join(row)}."))
    if problems:
        raise table_error(name, problems)
    return SetLog(plane, tuple(entries))


def _head(plane: str) -> list[str]:
    return ["facet", "x_mm", f"{PLANES[plane][1]}_mm", "sigma_mm", "state", "time"]


def _entry(row: dict[str, str], second: str) -> Entry:
    def metres(cell: str) -> float | None:
        return 1e-3 * float(cell) if cell else None

    return Entry(
        dt.datetime.fromisoformat(row["time"]),
        row["facet"],
        metres(row["x_mm"]),
        metres(row[f"{second}_mm"]),
        metres(row["sigma_mm"]) or 0.0,
        row["state"],
    )


def _rows(entries: Sequence[Entry]) -> Iterator[list[object]]:
    def mm(metres: float | None) -> float | None:
        return None if metres is None else round(1e3 * metres, 3)

    for e in entries:
        time = e.time.isoformat(timespec="seconds")
        yield [e.facet, mm(e.x), mm(e.along), mm(e.sigma), e.state, time]


def last_rows(log: SetLog) -> str:
    """Text of a table of measured spots: each facet as it was found last.

    Parameters
    ----------
    log : SetLog

    Returns
    -------
    str
    """
    rows = [row[:-1] for row in _rows(list(log.last.values()))]
    return csv_text(_head(log.plane)[:-1], rows)


def add_entry(path: Path, log: SetLog, entry: Entry) -> SetLog:
    """Write a log with one entry more, whole or not at all.

    Parameters
    ----------
    path : path
    log : SetLog
        What the file holds.
    entry : Entry

    Returns
    -------
    SetLog
        What it then holds.

    Raises
    ------
    WriteError
        If it can't be written; what was there stays.
    """
    more = SetLog(log.plane, (*log.entries, entry))
    write_whole(path, csv_text(_head(log.plane), _rows(more.entries), [NOTE]), option="--log")
    return more


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
