"""Small CSV tables: facet places and states, the horizon, measured spots, a cook's record.

The header names each column, with its unit where it has one: ``x_mm``, ``azimuth_deg``. Empty
lines and lines that begin with ``#`` are passed over. Problems are collected, and name the file,
the row (the header is row 1, as a spreadsheet counts) and the column.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.columns import Column, read_rows, seen_twice, split_rows
from raytrace.scenario.units import nearest
from raytrace.texts import shown

__all__ = [
    "STATES",
    "Place",
    "RecordRow",
    "SpotRow",
    "State",
    "facet_label",
    "read_horizon",
    "read_places",
    "read_record",
    "read_spots",
    "read_states",
    "table_error",
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
class RecordRow:
    """What a cook wrote down at one time; None where the cell is empty or the column missing.

    Attributes
    ----------
    line : int
        Row in the file.
    time : str
        As it stands there.
    water, air : float or None
        Temperatures. [K]
    dni, gni, ghi : float or None
        Direct normal irradiance; global on the plane normal to the sun; global on the level.
        [W/m²]
    wind : float or None
        At the pot. [m/s]
    turned : bool
        Whether the cooker was turned to the sun then.
    """

    line: int
    time: str
    water: float | None
    air: float | None
    dni: float | None
    gni: float | None
    ghi: float | None
    wind: float | None
    turned: bool


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


def table_error(name: str, problems: Sequence[Problem]) -> ScenarioError:
    """Refusal of a table of its own, with all its problems in the order of its rows.

    Parameters
    ----------
    name : str
        As the readers here were given it.
    problems : sequence of Problem
    """

    def row(key: str) -> int:
        words = key.removeprefix(name).split()
        return int(words[1]) if len(words) > 1 and words[0] == "row" and words[1].isdigit() else 0

    return ScenarioError(
        name,
        [
            Problem(p.key.removeprefix(name).strip() or "file", p.text)
            for p in sorted(problems, key=lambda p: row(p.key))
        ],
    )


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
        Column("label", "text", required=False),
        Column("x", "length"),
        Column("y", "length"),
        Column("z", "length", required=False),
        Column("row", "whole", required=False),
        Column("column", "whole", required=False),
    ]
    problems: list[Problem] = []
    places: list[Place] = []
    labels: dict[Any, int] = {}
    cells: dict[Any, int] = {}
    points: dict[Any, int] = {}
    count = 0
    for line, value in read_rows(name, text, columns, problems):
        count += 1
        if ("row" in value) != ("column" in value):
            text_ = "row and column go together: give both or neither."
            problems.append(Problem(f"{name} row {line}", text_))
            continue
        row, column = value.get("row", 1), value.get("column", count)
        label = value.get("label") or facet_label(row, column)
        place = Place(label, row, column, value["x"], value["y"], value.get("z"))
        repeated = [
            seen_twice(labels, label, line, name, f'label "{label}"', problems),
            seen_twice(cells, (row, column), line, name, f"row {row}, column {column}", problems),
            seen_twice(points, (place.x, place.y, place.z), line, name, "the same place", problems),
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
        Column("label", "text"),
        Column("state", "text"),
        Column("reflectance", "share", required=False),
    ]
    problems: list[Problem] = []
    states: dict[str, State] = {}
    seen: dict[Any, int] = {}
    for line, value in read_rows(name, text, columns, problems):
        label, state = value["label"], value["state"]
        if not _is_state(state, line, name, problems):
            continue
        if not seen_twice(seen, label, line, name, f'label "{label}"', problems):
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
    problems.append(Problem(key, f" = {shown(state)}: not one of {options}.{tail}"))
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
    rows = split_rows(text)
    named = {cell.strip().casefold().partition("_")[0] for _, cells in rows[:1] for cell in cells}
    plane = "upright" if "z" in named and "y" not in named else "base"
    columns = [
        Column("facet", "text"),
        Column("x", "length", blank=True),
        Column("y", "length", required=False),
        Column("z", "length", required=False),
        Column("state", "text", required=False),
        Column("sigma", "length", required=False),
        Column("reflectance", "share", required=False),
    ]
    if rows and len({"y", "z"} & named) != 1:
        both = "y" in named and "z" in named
        found = "columns y and z both" if both else 'no column "y_mm" or "z_mm"'
        text_ = f"{found}: give y for spots on the base's plane, or z for an upright card."
        problems.append(Problem(f"{name} row {rows[0][0]}", text_))
    spots: list[SpotRow] = []
    seen: dict[Any, int] = {}
    below = 0
    for line, value in read_rows(name, text, columns, problems):
        below += 1
        facet, state = value["facet"], value.get("state", "ok")
        x, along = value.get("x"), value.get("y" if plane == "base" else "z")
        sound = _is_state(state, line, name, problems)
        if seen_twice(seen, facet, line, name, f'facet "{facet}"', problems):
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


def read_record(name: str, text: str) -> tuple[tuple[RecordRow, ...], list[Problem]]:
    r"""What a cook measured: time, water temperature, maybe sun, air, wind and turnings.

    Columns `time` (as it is written, read by whoever knows the site's clock), `water_temperature`,
    and optional `air_temperature`, `dni`, `gni` or `ghi`, `wind` with units in the header, and
    `turned` ("yes", "no" or empty). A row may say that the cooker was turned and no more.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.

    Returns
    -------
    rows : tuple of RecordRow
        In the file's order.
    problems : list of Problem
        What is wrong; empty if nothing is.

    Examples
    --------
    >>> rows, problems = read_record("noon.csv", "time,water_temperature_degC\n10:30,41.5\n")
    >>> rows[0].time, round(rows[0].water, 2), problems
    ('10:30', 314.65, [])
    """
    columns = [
        Column("time", "text"),
        Column("water_temperature", "temperature", blank=True),
        Column("air_temperature", "temperature", required=False),
        *(Column(which, "irradiance", required=False) for which in ("dni", "gni", "ghi")),
        Column("wind", "speed", required=False),
        Column("turned", "text", required=False),
    ]
    problems: list[Problem] = []
    rows: list[RecordRow] = []
    below = 0
    for line, value in read_rows(name, text, columns, problems):
        below += 1
        where = f"{name} row {line}"
        turned = value.get("turned", "no").casefold()
        if turned not in ("yes", "no"):
            key = f'{where} column "turned"'
            problems.append(
                Problem(key, f" = {shown(value['turned'])}: write yes, or leave it empty.")
            )
        outside = [
            (column, words)
            for column, (low, high, words) in _RECORD_LIMITS.items()
            if column in value and not low <= value[column] <= high
        ]
        for column, words in outside:
            problems.append(Problem(f"{where}", f"{column} must lie in {words}."))
        if "water_temperature" not in value and turned == "no":
            text_ = "no water temperature. Give one, or say yes under turned."
            problems.append(Problem(where, text_))
        elif turned in ("yes", "no") and not outside:
            rows.append(
                RecordRow(
                    line=line,
                    time=value["time"],
                    water=value.get("water_temperature"),
                    air=value.get("air_temperature"),
                    dni=value.get("dni"),
                    gni=value.get("gni"),
                    ghi=value.get("ghi"),
                    wind=value.get("wind"),
                    turned=turned == "yes",
                )
            )
    if not below and not problems:
        problems.append(Problem(name, "no readings: there is a header and nothing below it."))
    return tuple(rows), problems


# what thermometers and pyranometers outdoors can show: beyond it the unit is wrong
_RECORD_LIMITS = {
    "water_temperature": (272.15, 393.15, "-1 degC to 120 degC"),
    "air_temperature": (223.15, 333.15, "-50 degC to 60 degC"),
    "dni": (0.0, 1500.0, "0 W/m^2 to 1500 W/m^2"),
    "gni": (0.0, 1800.0, "0 W/m^2 to 1800 W/m^2"),
    "ghi": (0.0, 1800.0, "0 W/m^2 to 1800 W/m^2"),
    "wind": (0.0, 60.0, "0 m/s to 60 m/s"),
}


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
    for line, value in read_rows(
        name, text, [Column("azimuth", "angle"), Column("altitude", "angle")], problems
    ):
        wrong = horizon_problem(value["azimuth"], value["altitude"])
        azimuth = wrap(value["azimuth"])
        if wrong:
            problems.append(Problem(f"{name} row {line}", wrong))
        elif not seen_twice(seen, azimuth, line, name, "the same azimuth", problems):
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
