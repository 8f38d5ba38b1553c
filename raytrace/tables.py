"""Small CSV tables: facet places, facet states, the horizon; and measured laser spots.

The header names each column, with its unit where it has one: ``x_mm``, ``azimuth_deg``. Empty
lines and lines that begin with ``#`` are passed over. Problems are collected, and name the file,
the row (the header is row 1, as a spreadsheet counts) and the column.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from raytrace.exceptions import Problem
from raytrace.units import KINDS, UnitError, nearest, read_quantity

__all__ = [
    "STATES",
    "Place",
    "SpotRow",
    "State",
    "facet_label",
    "read_horizon",
    "read_places",
    "read_spots",
    "read_states",
]

STATES = ("ok", "missing", "broken")


@dataclass(frozen=True)
class Place:
    """Where one facet's turning centre stands, platform frame; z None means the mount height."""

    label: str
    row: int
    column: int
    x: float
    y: float
    z: float | None


@dataclass(frozen=True)
class State:
    """What became of one facet, and its reflectance as a share of the others'."""

    state: str
    reflectance: float
    line: int


@dataclass(frozen=True)
class SpotRow:
    """Where the laser's spot of one facet was seen, from the base's centre; lengths in metres.

    `x` and `along` (y on the base's plane, z on an upright card) are None for a facet that is
    missing or broken; `sigma` (of a reading, per axis) and `reflectance` where not given.
    """

    facet: str
    line: int
    state: str
    x: float | None
    along: float | None
    sigma: float | None
    reflectance: float | None


@dataclass(frozen=True)
class _Column:
    name: str
    kind: str  # "text", "whole", "share" or a kind of quantity
    required: bool = True
    blank: bool = False  # its cells may be empty, though the column must be there


def facet_label(row: int, column: int) -> str:
    """Name of a facet: row letters and column number, both from 1.

    Examples
    --------
    >>> facet_label(1, 1), facet_label(26, 3), facet_label(27, 1)
    ('A1', 'Z3', 'AA1')
    """
    letters = ""
    while row > 0:
        row, rest = divmod(row - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return f"{letters}{column}"


def _match_column(header: str, columns: list[_Column]) -> tuple[_Column, float] | str:
    """Column that a header cell means and its factor to SI, or what is wrong with it."""
    name = header.strip()
    known: list[str] = []
    for column in columns:
        if column.kind not in KINDS or column.kind == "share":
            if name.casefold() == column.name:
                return column, 1.0
            known.append(column.name)
            continue
        example = f"{column.name}_{KINDS[column.kind].units[0]}"
        known.append(example)
        if name.casefold() == column.name:
            return f'no unit. Name the column "{example}", or with another unit.'
        if name[: len(column.name) + 1].casefold() == f"{column.name}_":
            try:
                return column, read_quantity(f"1 {name[len(column.name) + 1 :]}", column.kind)[0]
            except UnitError as error:
                return str(error)
    near = nearest(name, known)
    return f'unknown column. Nearest: "{near}".' if near else f"unknown column. Known: {known}."


def _cell(text: str, column: _Column, factor: float) -> Any:
    """Value of one cell; ValueError says what is wrong."""
    if column.kind == "text":
        return text
    try:
        value = float(text)
    except ValueError:
        raise ValueError("not a number.") from None
    if not math.isfinite(value):
        raise ValueError("not a finite number.")
    if column.kind == "whole":
        if value != int(value) or value < 1:
            raise ValueError("must be a whole number, 1 or more.")
        return int(value)
    if column.kind == "share" and not 0.0 <= value <= 1.0:
        raise ValueError("must lie in 0 to 1.")
    return value * factor


def _rows(text: str) -> list[tuple[int, list[str]]]:
    """Cells of each row that is no comment, with the row's number in the file."""
    lines = text.removeprefix("\ufeff").splitlines()
    return [
        (number, next(csv.reader([line], skipinitialspace=True)))
        for number, line in enumerate(lines, start=1)
        if line.strip(" ,\t") and not line.lstrip().startswith("#")
    ]


def _read(
    name: str, text: str, columns: list[_Column], problems: list[Problem]
) -> Iterator[tuple[int, dict[str, Any]]]:
    """Rows that could be read, each with its number in the file; problems are appended."""
    rows = _rows(text)
    if not rows:
        problems.append(Problem(name, "empty. The first row names the columns."))
        return
    line, header = rows[0]
    if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
        problems.append(Problem(f"{name} row {line}", "write commas between the columns."))
        return
    used: dict[int, tuple[_Column, float]] = {}
    sound = True
    for index, cell in enumerate(header):
        found = _match_column(cell, columns)
        if isinstance(found, str):
            problems.append(Problem(f'{name} row {line} column "{cell.strip()}"', found))
            sound = False
        elif any(found[0] is column for column, _ in used.values()):
            text_ = f'"{found[0].name}" is there twice.'
            problems.append(Problem(f'{name} row {line} column "{cell.strip()}"', text_))
            sound = False
        else:
            used[index] = found
    present = {column.name for column, _ in used.values()}
    for column in columns:
        if sound and column.required and column.name not in present:
            unit = f"_{KINDS[column.kind].units[0]}" if column.kind in KINDS else ""
            text_ = f'no column "{column.name}{unit}". Columns here: {", ".join(header)}.'
            problems.append(Problem(f"{name} row {line}", text_))
            sound = False
    if not sound:
        return
    for line, cells in rows[1:]:
        if len(cells) > len(header):
            text_ = f"{len(cells)} values, but the header names {len(header)} columns."
            problems.append(Problem(f"{name} row {line}", text_))
            continue
        values: dict[str, Any] = {}
        good = True
        for index, (column, factor) in used.items():
            cell = cells[index].strip() if index < len(cells) else ""
            if cell == "" and (column.blank or not column.required):
                continue
            try:
                if cell == "":
                    raise ValueError("empty, but a value is needed.")
                values[column.name] = _cell(cell, column, factor)
            except ValueError as error:
                key = f'{name} row {line} column "{header[index].strip()}"'
                problems.append(Problem(key, f' = "{cell}": {error}'))
                good = False
        if good:
            yield line, values


def _twice(
    seen: dict[Any, int], what: Any, line: int, name: str, words: str, problems: list[Problem]
) -> bool:
    """Whether something stood in an earlier row; if so, that is noted."""
    if what in seen:
        problems.append(Problem(f"{name} row {line}", f"{words} as in row {seen[what]}."))
        return True
    seen[what] = line
    return False


def read_places(name: str, text: str) -> tuple[tuple[Place, ...], list[Problem]]:
    r"""Places of facets from a table of x, y (with units), maybe z, label, row and column.

    Without row and column all facets stand in row 1, numbered as they come; without a label they
    are named by row and column.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.

    Returns
    -------
    places : tuple of Place
        Turning centres. [m]
    problems : list of Problem
        What is wrong; empty if nothing is.

    Examples
    --------
    >>> read_places("ring.csv", "x_mm,y_cm\n250,10\n")[0]
    (Place(label='A1', row=1, column=1, x=0.25, y=0.1, z=None),)
    """
    columns = [
        _Column("label", "text", required=False),
        _Column("x", "length"),
        _Column("y", "length"),
        _Column("z", "length", required=False),
        _Column("row", "whole", required=False),
        _Column("column", "whole", required=False),
    ]
    problems: list[Problem] = []
    places: list[Place] = []
    labels: dict[Any, int] = {}
    cells: dict[Any, int] = {}
    points: dict[Any, int] = {}
    count = 0
    for line, value in _read(name, text, columns, problems):
        count += 1
        if ("row" in value) != ("column" in value):
            text_ = "row and column go together: give both or neither."
            problems.append(Problem(f"{name} row {line}", text_))
            continue
        row, column = value.get("row", 1), value.get("column", count)
        label = value.get("label") or facet_label(row, column)
        place = Place(label, row, column, value["x"], value["y"], value.get("z"))
        repeated = [
            _twice(labels, label, line, name, f'label "{label}"', problems),
            _twice(cells, (row, column), line, name, f"row {row}, column {column}", problems),
            _twice(points, (place.x, place.y, place.z), line, name, "the same place", problems),
        ]
        if not any(repeated):
            places.append(place)
    if not places and not problems:
        problems.append(Problem(name, "no facets: there is a header and nothing below it."))
    return tuple(places), problems


def read_states(name: str, text: str) -> tuple[Mapping[str, State], list[Problem]]:
    r"""States of facets from a table with columns label, state and maybe reflectance.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.

    Returns
    -------
    states : mapping of str to State
        By label; facets that are not named are sound.
    problems : list of Problem
        What is wrong; empty if nothing is.

    Examples
    --------
    >>> read_states("states.csv", "label,state,reflectance\nB2,ok,0.7\n")[0]
    {'B2': State(state='ok', reflectance=0.7, line=2)}
    """
    columns = [
        _Column("label", "text"),
        _Column("state", "text"),
        _Column("reflectance", "share", required=False),
    ]
    problems: list[Problem] = []
    states: dict[str, State] = {}
    seen: dict[Any, int] = {}
    for line, value in _read(name, text, columns, problems):
        label, state = value["label"], value["state"]
        if not _is_state(state, line, name, problems):
            continue
        if not _twice(seen, label, line, name, f'label "{label}"', problems):
            states[label] = State(state, value.get("reflectance", 1.0), line)
    return states, problems


def _is_state(state: str, line: int, name: str, problems: list[Problem]) -> bool:
    """Whether a word is one of STATES; if not, that is noted."""
    if state in STATES:
        return True
    near = nearest(state, STATES)
    options = ", ".join(f'"{s}"' for s in STATES)
    tail = f' Nearest: "{near}".' if near else ""
    key = f'{name} row {line} column "state"'
    problems.append(Problem(key, f' = "{state}": not one of {options}.{tail}'))
    return False


def read_spots(name: str, text: str) -> tuple[str, tuple[SpotRow, ...], list[Problem]]:
    r"""Laser spots from a table: facet, x and y on the base's plane or x and z on an upright card.

    Units stand in the header; optional columns are state, sigma (of a reading, per axis) and
    reflectance.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.

    Returns
    -------
    plane : str
        "base" or "upright".
    rows : tuple of SpotRow
        Lengths in metres, in the file's order.
    problems : list of Problem
        What is wrong; empty if nothing is.

    Examples
    --------
    >>> plane, rows, problems = read_spots("seen.csv", "facet,x_mm,z_mm\nB2,-4,11\n")
    >>> plane, rows[0].x, rows[0].along, problems
    ('upright', -0.004, 0.011, [])
    """
    problems: list[Problem] = []
    rows = _rows(text)
    named = {cell.strip().casefold().partition("_")[0] for _, cells in rows[:1] for cell in cells}
    plane = "upright" if "z" in named and "y" not in named else "base"
    columns = [
        _Column("facet", "text"),
        _Column("x", "length", blank=True),
        _Column("y", "length", required=False),
        _Column("z", "length", required=False),
        _Column("state", "text", required=False),
        _Column("sigma", "length", required=False),
        _Column("reflectance", "share", required=False),
    ]
    if rows and len({"y", "z"} & named) != 1:
        both = "y" in named and "z" in named
        found = "columns y and z both" if both else 'no column "y_mm" or "z_mm"'
        text_ = f"{found}: give y for spots on the base's plane, or z for an upright card."
        problems.append(Problem(f"{name} row {rows[0][0]}", text_))
    spots: list[SpotRow] = []
    seen: dict[Any, int] = {}
    below = 0
    for line, value in _read(name, text, columns, problems):
        below += 1
        facet, state = value["facet"], value.get("state", "ok")
        x, along = value.get("x"), value.get("y" if plane == "base" else "z")
        sound = _is_state(state, line, name, problems)
        if _twice(seen, facet, line, name, f'facet "{facet}"', problems):
            continue
        if value.get("sigma", 0.0) < 0.0:
            text_ = "sigma must be 0 or more."
            problems.append(Problem(f"{name} row {line}", text_))
        elif sound and state == "ok" and (x is None or along is None):
            text_ = f'facet "{facet}": no spot. Give both its places, or the state "missing".'
            if len({"y", "z"} & named) == 1:
                problems.append(Problem(f"{name} row {line}", text_))
        elif sound:
            gone = state != "ok"
            spots.append(
                SpotRow(
                    facet,
                    line,
                    state,
                    None if gone else x,
                    None if gone else along,
                    value.get("sigma"),
                    value.get("reflectance"),
                )
            )
    if not below and not problems:
        problems.append(Problem(name, "no spots: there is a header and nothing below it."))
    return plane, tuple(spots), problems


def read_horizon(name: str, text: str) -> tuple[tuple[tuple[float, float], ...], list[Problem]]:
    r"""Horizon from a table with columns azimuth and altitude, each with its unit in the header.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.

    Returns
    -------
    points : tuple of (float, float)
        Azimuth in [0, 2π] clockwise from north, rising; altitude. [rad]
    problems : list of Problem
        What is wrong; empty if nothing is.

    Examples
    --------
    >>> read_horizon("trees.csv", "azimuth_deg,altitude_deg\n0,0\n")[0]
    ((0.0, 0.0),)
    """
    problems: list[Problem] = []
    points: list[tuple[float, float]] = []
    seen: dict[Any, int] = {}
    for line, value in _read(
        name, text, [_Column("azimuth", "angle"), _Column("altitude", "angle")], problems
    ):
        wrong = horizon_problem(value["azimuth"], value["altitude"])
        azimuth = wrap(value["azimuth"])
        if wrong:
            problems.append(Problem(f"{name} row {line}", wrong))
        elif not _twice(seen, azimuth, line, name, "the same azimuth", problems):
            points.append((azimuth, value["altitude"]))
    if not points and not problems:
        problems.append(Problem(name, "no points: there is a header and nothing below it."))
    return tuple(sorted(points)), problems


def wrap(azimuth: float) -> float:
    """Bring an azimuth from -π..2π to 0..2π [rad]; 2π stays, so that a table may close."""
    return azimuth + 2.0 * math.pi if azimuth < 0.0 else azimuth


def horizon_problem(azimuth: float, altitude: float) -> str | None:
    """Say what is wrong with a point of the horizon, None if nothing is; angles in radians."""
    slack = 1e-9
    if not -math.pi - slack <= azimuth <= 2.0 * math.pi + slack:
        return "azimuth must lie in -180 deg to 360 deg, clockwise from north."
    if not -slack <= altitude <= math.pi / 2 + slack:
        return "altitude must lie in 0 deg to 90 deg."
    return None
