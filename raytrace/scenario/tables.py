"""Small CSV tables: facets' places and states, horizon, sunshape, measured spots, a cook's record.

The header names each column, with its unit where it has one: ``x_mm``, ``azimuth [deg]``. Empty
lines and lines that begin with ``#`` are passed over. What parts cells, and the decimal mark, are
found by `raytrace.csv_dialect`.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from raytrace.csv_dialect import numeral
from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.columns import Column, Once, gathered, named_columns, read_table
from raytrace.texts import shown

__all__ = [
    "STATES",
    "Place",
    "RecordRow",
    "SpotRow",
    "State",
    "facet_label",
    "known_label",
    "read_horizon",
    "read_places",
    "read_record",
    "read_spots",
    "read_states",
    "read_sunshape",
    "table_error",
    "way_off",
]

STATES = ("ok", "missing", "broken")
OFF = re.compile(r"off\b", re.IGNORECASE)  # of a spot that is nowhere on the card

# ways off a card, along the axes that its spots are given in; a clock has 12 up or toward the sun
WAYS = {"+x": (1, 0), "right": (1, 0), "-x": (-1, 0), "left": (-1, 0)}
FURTHER = {
    "y": {"+y": (0, 1), "toward sun": (0, 1), "towards sun": (0, 1), "-y": (0, -1)}
    | {"away from sun": (0, -1)},
    "z": {"+z": (0, 1), "up": (0, 1), "above": (0, 1), "top": (0, 1), "-z": (0, -1)}
    | {"down": (0, -1), "below": (0, -1), "bottom": (0, -1)},
}
CLOCK = re.compile(r"(\d{1,2})(:30)?\s*(?:o\s*['’]?\s*clock|h)\b")


@dataclass(frozen=True)
class Place:
    """Where one facet's turning centre stands, platform frame.

    Attributes
    ----------
    label : str
    row, column : int
        From 1.
    x, y : float
        [m]
    z : float or None
        None for the mount height. [m]
    """

    label: str
    row: int
    column: int
    x: float
    y: float
    z: float | None


@dataclass(frozen=True)
class State:
    """What became of one facet.

    Attributes
    ----------
    state : str
        One of `STATES`.
    reflectance : float
        As a share of the other facets'. [1]
    line : int
        Row in the file.
    """

    state: str
    reflectance: float
    line: int


@dataclass(frozen=True)
class SpotRow:
    """Where the laser's spot of one facet was seen, from the base's centre.

    Attributes
    ----------
    facet : str
        Its label.
    line : int
        Row in the file.
    state : str
        One of `STATES`, or "off" where the spot missed the card.
    x, along : float or None
        Along the base's x; along its y, or up an upright card. None where there is no reading. [m]
    way : float or None
        Direction in which the spot went off the card, from x toward the other axis; None where it
        is on the card, or was not seen. [rad]
    sigma : float or None
        Of a reading, per axis; None where not given. [m]
    reflectance : float or None
        None where not given. [1]
    time : str or None
        As it stands there; None where the table has no such column.
    """

    facet: str
    line: int
    state: str
    x: float | None
    along: float | None
    way: float | None
    sigma: float | None
    reflectance: float | None
    time: str | None = None


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

    Parameters
    ----------
    row, column : int
        From 1.

    Returns
    -------
    str

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


def known_label(text: str, labels: Collection[str]) -> str | None:
    """Label that a builder means: as it stands, else a cell's letters and number however written.

    Parameters
    ----------
    text : str
    labels : collection of str
        Of the facets that there are.

    Returns
    -------
    str or None
        None if no facet is meant.

    Examples
    --------
    >>> [known_label(text, {"A1", "B12"}) for text in ("A1", "a 01", "b-12", "B3")]
    ['A1', 'A1', 'B12', None]
    """
    if text in labels:
        return text
    cell = re.fullmatch(r"([A-Za-z]+)[\s._-]?0*([1-9]\d*)", text.strip())
    plain = f"{cell[1].upper()}{cell[2]}" if cell else text
    return plain if plain in labels else None


def table_error(name: str, problems: Sequence[Problem]) -> ScenarioError:
    """Refusal of a table of its own, with all its problems in the order of its rows.

    Parameters
    ----------
    name : str
        As the readers here were given it.
    problems : sequence of Problem

    Returns
    -------
    ScenarioError
        To be raised.
    """

    def row(key: str) -> int:
        words = key.removeprefix(name).split()
        return int(words[1]) if len(words) > 1 and words[0] == "row" and words[1].isdigit() else 0

    return ScenarioError(
        name,
        [
            Problem(p.key.removeprefix(name).strip() or "file", p.text)
            for p in gathered(sorted(problems, key=lambda p: row(p.key)))
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
    once = Once()
    count = itertools.count(1)

    def place(line: int, value: dict[str, Any]) -> Place:
        number = next(count)
        if (value["row"] is None) != (value["column"] is None):
            raise ValueError("row and column go together: give both or neither.")
        row, column = value["row"] or 1, value["column"] or number
        label, at = value["label"] or facet_label(row, column), [value[axis] for axis in "xyz"]
        repeated = [
            *once.again(line, f'label "{label}"'),
            *once.again(line, f"row {row}, column {column}"),
            *once.again(line, "the same place", tuple(at)),
        ]
        if repeated:
            raise ValueError(*repeated)
        return Place(label, row, column, *at)

    places, problems = read_table(name, text, columns, place, "facets")
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
        Column("label", "text", also=("facet", "cell", "mirror")),
        Column("state", "text", words=STATES),
        Column("reflectance", "share", required=False),
    ]
    once = Once()

    def state(line: int, value: dict[str, Any]) -> tuple[str, State]:
        label, share = value["label"], value["reflectance"]
        if twice := once.again(line, f'label "{label}"'):
            raise ValueError(*twice)
        return label, State(value["state"], 1.0 if share is None else share, line)

    states, problems = read_table(name, text, columns, state)
    return dict(states), problems


def way_off(text: str, axis: str) -> float | None:
    """Direction in which a spot went off its card.

    Parameters
    ----------
    text : str
        "off", and maybe where to: "off left", "off +x -y", "off 2 o'clock".
    axis : str
        "y" on the base's plane, "z" on an upright card.

    Returns
    -------
    float or None
        From x toward the other axis; None where the text doesn't say. [rad]

    Raises
    ------
    ValueError
        If it says what isn't understood.

    Examples
    --------
    >>> round(math.degrees(way_off("off 2 o'clock", "y")), 3), way_off("OFF", "z")
    (30.0, None)
    """
    rest = numeral(text).casefold()
    x = y = 0.0
    for hour in CLOCK.finditer(rest):
        angle = math.radians(90.0 - 30.0 * (int(hour[1]) + (0.5 if hour[2] else 0.0)))
        x, y = x + math.cos(angle), y + math.sin(angle)
    rest = re.sub(r"\b(?:off|the|of|card|to|and)\b|[,;.&]", " ", CLOCK.sub(" ", rest))
    rest = f" {' '.join(rest.split())} "
    for words, (right, up) in (WAYS | FURTHER[axis]).items():
        if f" {words} " in rest:
            x, y = x + right, y + up
            rest = rest.replace(f" {words} ", "  ")
    if rest.strip() or any(not 1 <= int(hour[1]) <= 12 for hour in CLOCK.finditer(text)):
        known = ", ".join(FURTHER[axis])
        raise ValueError(
            f"{shown(text)}: which way? Write off alone, or off with left, right, +x, -x, {known} "
            "or a clock's hour, such as \"off 2 o'clock\"."
        )
    return math.atan2(y, x) if math.hypot(x, y) > 1e-9 else None


def read_spots(
    name: str,
    text: str,
    *,
    labels: Collection[str] | None = None,
    said: list[str] | None = None,
) -> tuple[str, tuple[SpotRow, ...], list[Problem]]:
    r"""Laser spots from a table: facet, x and y on the base's plane or x and z on an upright card.

    Units stand in the header; optional columns are state, sigma (of a reading, per axis),
    reflectance and time: with times a facet may stand in several rows, each a reading of its own.
    A spot that missed the card is "off", under state or in place of a reading, maybe
    with its direction (`way_off`).

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.
    labels : collection of str, optional
        Of the facets that there are: each row's is then one of them, however it is written.
    said : list of str, optional
        To which is added what was passed over.

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
    axes = [
        Column(axis, "length", required=axis == "x", blank=True, also=(f"spot_{axis}",), texts=OFF)
        for axis in "xyz"
    ]
    columns = [
        Column("facet", "text", also=("label", "cell", "mirror")),
        *axes,
        Column("state", "text", required=False, words=(*STATES, "off"), texts=OFF),
        Column("sigma", "length", required=False, span=("0 mm", "100 m")),
        Column("reflectance", "share", required=False),
        Column("time", "text", required=False),
    ]
    named = named_columns(text, columns)
    along = named & {"y", "z"}
    plane, axis = ("upright", "z") if along == {"z"} else ("base", "y")
    once = Once()

    def spot(line: int, value: dict[str, Any]) -> SpotRow:
        facet, state = value["facet"], value["state"] or "ok"
        if labels is not None:
            facet = known_label(facet, labels) or facet
        seen = value["x"], value[axis]
        if "time" not in named and (twice := once.again(line, f'facet "{facet}"')):
            raise ValueError(*twice)
        off = [str(word) for word in (*seen, state) if OFF.match(str(word))]
        way = None
        if off and state in ("ok", *off):
            way, state = way_off(" ".join(off), axis), "off"
        if state != "ok":
            seen = None, None
        elif None in seen and len(along) == 1:
            raise ValueError("no spot. Give both its places, or a state: missing, broken or off.")
        return SpotRow(
            facet, line, state, *seen, way, value["sigma"], value["reflectance"], value["time"]
        )

    spots, problems = read_table(name, text, columns, spot, "spots", said)
    if named and len(along) != 1:
        found = "columns y and z both" if along else 'no column "y_mm" or "z_mm"'
        text_ = f"{found}: give y for spots on the base's plane, or z for an upright card."
        problems.insert(0, Problem(f"{name} row 1", text_))
    return plane, tuple(spots), problems


def read_record(
    name: str, text: str, *, said: list[str] | None = None
) -> tuple[tuple[RecordRow, ...], list[Problem]]:
    r"""What a cook measured: time, water temperature, maybe sun, air, wind and turnings.

    Columns `time` (as it is written, read by whoever knows the site's clock), `water_temperature`,
    and optional `date`, `air_temperature`, `dni`, `gni` or `ghi`, `wind` with units in the header,
    and `turned` ("yes", "no" or empty). A row may say that the cooker was turned and no more. Of
    two instruments for one thing, such as `water 1` and `water 2`, the mean counts.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.
    said : list of str, optional
        To which is added what was passed over or averaged.

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
    # what thermometers and pyranometers outdoors can show: beyond it the unit is wrong
    columns = [
        Column("time", "text", also=("datetime", "date/time", "date and time", "timestamp")),
        Column("date", "text", required=False),
        Column(
            "water_temperature",
            "temperature",
            blank=True,
            span=("-1 degC", "120 degC"),
            also=("water temp", "water", "pot temperature", "pot temp", "pot", "T water"),
            many=True,
        ),
        Column(
            "air_temperature",
            "temperature",
            required=False,
            span=("-50 degC", "60 degC"),
            also=("air temp", "air", "ambient temperature", "ambient temp", "ambient", "T air"),
            many=True,
        ),
        Column("dni", "irradiance", required=False, span=("0 W/m^2", "1500 W/m^2"), many=True),
        Column("gni", "irradiance", required=False, span=("0 W/m^2", "1800 W/m^2"), many=True),
        Column("ghi", "irradiance", required=False, span=("0 W/m^2", "1800 W/m^2"), many=True),
        Column("wind", "speed", False, span=("0 m/s", "60 m/s"), also=("wind speed",)),
        Column("turned", "text", required=False, words=("yes", "no")),
    ]

    def reading(line: int, value: dict[str, Any]) -> RecordRow:
        value["turned"] = value["turned"] == "yes"
        if date := value.pop("date"):
            value["time"] = f"{date} {value['time']}"
        if value["water_temperature"] is None and not value["turned"]:
            raise ValueError("no water temperature. Give one, or say yes under turned.")
        return RecordRow(line, *value.values())

    rows, problems = read_table(name, text, columns, reading, "readings", said)
    return tuple(rows), problems


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
    once = Once()

    def point(line: int, value: dict[str, Any]) -> tuple[float, float]:
        azimuth = wrap(value["azimuth"])
        wrong = horizon_problem(value["azimuth"], value["altitude"])
        if wrong or (twice := once.again(line, "the same azimuth", azimuth)):
            raise ValueError(wrong or twice[0])
        return azimuth, value["altitude"]

    columns = [Column("azimuth", "angle"), Column("altitude", "angle")]
    points, problems = read_table(name, text, columns, point, "points")
    return tuple(sorted(points)), problems


def read_sunshape(name: str, text: str) -> tuple[tuple[tuple[float, float], ...], list[Problem]]:
    r"""Sunshape from a table with columns angle, with its unit in the header, and radiance.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.

    Returns
    -------
    points : tuple of (float, float)
        Angle from the sun's centre, rising [rad], and radiance over the greatest in the table [1].
    problems : list of Problem
        What is wrong; empty if nothing is.

    Examples
    --------
    >>> read_sunshape("sun.csv", "angle_rad,radiance\n0,8\n0.004,2\n")[0]
    ((0.0, 1.0), (0.004, 0.25))
    """
    # direct normal irradiance is measured out to there: WMO-No. 8, chapter 7, from memory
    columns = [Column("angle", "angle", span=("0 deg", "2.5 deg")), Column("radiance", "number")]
    last = -1.0

    def point(line: int, value: dict[str, Any]) -> tuple[float, float]:
        nonlocal last
        before, last = last, value["angle"]
        wrong = []
        if last <= before:
            wrong.append("the angle is no greater than that before. Angles must rise.")
        if value["radiance"] < 0.0:
            wrong.append("the radiance must not be negative.")
        if wrong:
            raise ValueError(*wrong)
        return last, value["radiance"]

    points, problems = read_table(name, text, columns, point, "points")
    if not problems and len(points) < 2:
        problems.append(Problem(name, "one point only. Give two or more."))
    if not problems and points[0][1] <= 0.0:
        problems.append(Problem(name, "no light at the sun's centre: its first radiance is 0."))
    if problems:
        return (), problems
    greatest = max(radiance for _, radiance in points)
    return tuple((angle, radiance / greatest) for angle, radiance in points), problems


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
