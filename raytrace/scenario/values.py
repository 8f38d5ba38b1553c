"""How each value of a scenario file is read and checked, and how its rule is worded.

Each reader sits in the annotation of a model's field. It turns what the TOML holds into an SI
value, or raises ValueError with a text that tells the user what to write instead. Words and
switches need none: pydantic checks them by their types, and their readers say what is allowed.
"""

from __future__ import annotations

import datetime as dt
import math
import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from pydantic import GetCoreSchemaHandler, ValidationInfo
from pydantic_core import CoreSchema, core_schema

from raytrace.csv_dialect import decoded
from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.learned import read_joint
from raytrace.scenario.tables import (
    horizon_problem,
    read_horizon,
    read_places,
    read_states,
    read_sunshape,
    wrap,
)
from raytrace.scenario.units import KINDS, UnitError, nearest, read_number, read_quantity
from raytrace.texts import read_bytes, shown

__all__ = [
    "Choice",
    "DateOnly",
    "Horizon",
    "Landmarks",
    "Loading",
    "Number",
    "Quantity",
    "Reader",
    "Share",
    "Switch",
    "Table",
    "Text",
    "Timezone",
    "Vector",
    "WeatherFile",
    "Whole",
    "table_text",
]


BEYOND_MEASURE = 1e7  # of any quantity, in SI units
LARGEST_TABLE = 4_000_000  # bytes: a reading each second of a day is less
YEARS = 1950, 2050  # of dates: where sun and clocks are known well
FIRST = 5  # of a list's mistakes that a message holds


@dataclass
class Loading:
    """What readers share while one scenario is loaded.

    Attributes
    ----------
    folder : path or None
        The scenario's, in which the files that it names lie; None if it was not read from a file.
    given : mapping of str to str
        Texts of tables by name, to be taken instead of the files'.
    tables : dict of str to str
        Texts of the tables read so far, by name.
    records : dict
        Content of tables, such as "places", to the table's name and its rows.
    problems : list of Problem
        Found inside tables.
    inside : bool
        Whether a file that lies elsewhere than in the folder or below it is refused.
    """

    folder: Path | None = None
    given: Mapping[str, str] = field(default_factory=dict)
    tables: dict[str, str] = field(default_factory=dict)
    records: dict[str, Any] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    inside: bool = False

    def find(self, name: str) -> Path:
        """Path of a file named in the scenario.

        Parameters
        ----------
        name : str

        Returns
        -------
        path

        Raises
        ------
        ValueError
            If there is no such file, or it lies elsewhere and may not.
        """
        if self.folder is None:
            raise ValueError("no folder to look in: the scenario was not read from a file.")
        path = self.folder / name
        try:
            real = Path(os.path.realpath(path))
            if self.inside and not real.is_relative_to(os.path.realpath(self.folder)):
                raise ValueError("lies outside the scenario's folder. Put the file in there.")
            there = path.is_file()
        except OSError as error:  # no permission, or a name that no disk takes
            raise ValueError(f"can't be looked up: {error.strerror}.") from None
        if not there:
            try:
                beside = sorted(p.name for p in path.parent.iterdir() if p.is_file())
            except (OSError, ValueError):
                beside = []
            near = nearest(path.name, beside)
            tail = f" Nearest: {shown(str(Path(name).with_name(near)))}." if near else ""
            raise ValueError(f"no such file, seen from the scenario's folder.{tail}")
        return path

    def table(self, name: str) -> str:
        """Text of a table named in the scenario.

        Parameters
        ----------
        name : str

        Returns
        -------
        str

        Raises
        ------
        ValueError
            If it can't be read.
        """
        if name in self.given:
            text = self.given[name]
        else:
            try:
                text = decoded(read_bytes(self.find(name), LARGEST_TABLE))
            except OSError as error:
                raise ValueError(f"can't be read: {error.strerror}.") from None
        self.tables[name] = text
        return text


def _type_name(value: object) -> str:
    names: list[tuple[type | tuple[type, ...], str]] = [
        (bool, "true or false"),
        (str, "text"),
        ((int, float), "a number"),
        (list, "a list"),
        (dict, "a section"),
        ((dt.date, dt.time), "a date or time"),
    ]
    return next((name for kind, name in names if isinstance(value, kind)), "something else")


def _as_float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:  # TOML's whole numbers have no end
        return math.inf


def _each(values: Iterable[Any], noun: str, read: Callable[[Any], Any]) -> list[Any]:
    """All values read; ValueError tells the first mistakes by their numbers."""
    out, wrong = [], []
    for number, value in enumerate(values, start=1):
        try:
            out.append(read(value))
        except ValueError as error:
            wrong.append(f"{noun} {number}: {error}")
    if wrong:
        more = f" And {len(wrong) - FIRST} more." if len(wrong) > FIRST else ""
        raise ValueError(" ".join(wrong[:FIRST]) + more)
    return out


def _quoted(words: tuple[str, ...]) -> str:
    return ", ".join(f'"{w}"' for w in words)


def _nearest(value: str, words: tuple[str, ...]) -> str:
    near = nearest(value, words)
    return f' Nearest: "{near}".' if near else ""


@dataclass(frozen=True)
class Reader:
    """Base of all readers."""

    takes: ClassVar[tuple[type, ...]] = (str,)  # what TOML may hold

    @property
    def kind(self) -> str:
        """Rule in one or two words, for a table of keys."""
        raise NotImplementedError

    @property
    def allowed(self) -> str:
        """What may be written, to follow the word "Write"."""
        raise NotImplementedError

    def read(self, value: Any, loading: Loading) -> Any:
        """Value of a key, in SI units.

        Parameters
        ----------
        value : object
            What the file holds.
        loading : Loading

        Returns
        -------
        object

        Raises
        ------
        ValueError
            What is wrong, and what may be written.
        """
        odd = isinstance(value, bool) and bool not in self.takes  # Python's bool is an int
        if odd or not isinstance(value, self.takes):
            raise ValueError(f"{_type_name(value)}, but {self.allowed} is needed.")
        return self._read(value, loading)

    def _read(self, value: Any, loading: Loading) -> Any:
        """The same of a value whose type is right."""
        raise NotImplementedError

    def _checked(self, value: Any, info: ValidationInfo) -> Any:
        if value is None:  # only ever a default: TOML has no null
            return None
        return self.read(value, info.context if isinstance(info.context, Loading) else Loading())

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Stand in for what pydantic would make of the annotated type."""
        return core_schema.with_info_plain_validator_function(self._checked)


@dataclass(frozen=True)
class Quantity(Reader):
    """A number with a unit, within limits; or one of a few words.

    Attributes
    ----------
    kinds : tuple of str
        Allowed kinds, keys of `raytrace.scenario.units.KINDS`.
    low, high : str or None
        Least and greatest, with units.
    above : str or None
        It must be more than this.
    words : tuple of str
    highs : tuple of str
        Where several kinds are allowed: the greatest of each. The least is 0 then.
    """

    kinds: tuple[str, ...]
    low: str | None = None
    high: str | None = None
    above: str | None = None
    words: tuple[str, ...] = ()
    highs: tuple[str, ...] = ()

    @property
    def kind(self) -> str:
        return " or ".join([*(f'"{w}"' for w in self.words), *self.kinds])

    @property
    def allowed(self) -> str:
        nouns = ", or ".join(KINDS[k].wanted for k in self.kinds)
        return f"{_quoted(self.words)}, or {nouns}" if self.words else nouns

    def read(self, value: Any, loading: Loading) -> Any:
        if isinstance(value, str) and self.words:
            if value in self.words:
                return value
            if not any(c.isdigit() for c in value):
                tail = _nearest(value, self.words)
                raise ValueError(f"not understood. Write {self.allowed}.{tail}")
        si, kind = read_quantity(value, *self.kinds)
        if abs(si) > BEYOND_MEASURE:
            raise ValueError("is beyond all measure for a cooker. Check its unit.")

        def off(limit: str) -> float:
            return si - read_quantity(limit, kind)[0]

        slack = 1e-12  # 90 deg is 90 deg, however its radians are rounded
        high = self.highs[self.kinds.index(kind)] if self.highs else self.high
        over = high is not None and off(high) > slack
        if self.low and (over or off(self.low) < -slack):
            raise ValueError(f"must lie in {self.low} to {high}.")
        if self.highs and si < 0.0:
            raise ValueError("must not be negative.")
        if self.above and off(self.above) <= 0.0:
            raise ValueError(f"must be more than {self.above}.")
        if over:
            raise ValueError(f"must be {high} or less.")
        return si


@dataclass(frozen=True)
class Share(Reader):
    """A share from 0 to 1, also in per cent."""

    takes = (int, float, str)
    kind = "share"
    allowed = 'a share, such as 0.85 or "85 %"'

    def _read(self, value: Any, loading: Loading) -> float:
        if isinstance(value, str):
            try:
                share, unit = read_number(value)
                if unit:
                    share = read_quantity(value, "share")[0] / 100.0
            except UnitError as error:
                words = str(error).rstrip(".")
                tail = "." if "is needed" in words else f". Write {self.allowed}."
                raise ValueError(words + tail) from None
        else:
            share = _as_float(value)
        if not math.isfinite(share):
            raise ValueError(f"not a finite number. Write {self.allowed}.")
        if not 0.0 <= share <= 1.0:
            raise ValueError("must lie in 0 to 1 (0 % to 100 %).")
        return share


@dataclass(frozen=True)
class Number(Reader):
    """A bare number within limits, the ends included.

    Attributes
    ----------
    low, high : float
    whole : bool
        Whether it must be whole.
    """

    takes = (int, float)
    low: float
    high: float
    whole: bool = False

    @property
    def kind(self) -> str:
        return "whole number" if self.whole else "number"

    @property
    def allowed(self) -> str:
        return f"a {self.kind} from {self._span}"

    @property
    def _span(self) -> str:
        ends = (self.low, self.high)
        return " to ".join(str(end) if self.whole else f"{end:g}" for end in ends)

    def _read(self, value: Any, loading: Loading) -> float:
        if not math.isfinite(_as_float(value)):
            raise ValueError(f"not a finite number. Write {self.allowed}.")
        if self.whole and value != int(value):
            raise ValueError("must be a whole number.")
        if not self.low <= value <= self.high:
            raise ValueError(f"must lie in {self._span}.")
        return int(value) if self.whole else float(value)


@dataclass(frozen=True)
class Whole(Number):
    """A whole number within limits; 1e6 is one too.

    Attributes
    ----------
    low, high, whole
        As in `Number`.
    """

    whole: bool = True


@dataclass(frozen=True)
class Choice(Reader):
    """One of a few words.

    Attributes
    ----------
    words : tuple of str
    """

    words: tuple[str, ...]

    @property
    def kind(self) -> str:
        return "choice: " + self.allowed

    @property
    def allowed(self) -> str:
        return _quoted(self.words)

    def _read(self, value: Any, loading: Loading) -> str:
        if value not in self.words:
            raise ValueError(f"not one of {self.allowed}.{_nearest(value, self.words)}")
        return str(value)


@dataclass(frozen=True)
class Switch(Reader):
    """True or false."""

    takes = (bool,)
    kind = "true or false"
    allowed = "true or false without quotes"

    def _read(self, value: Any, loading: Loading) -> Any:
        return value


@dataclass(frozen=True)
class Text(Reader):
    """Free text up to a length that a title or a margin has room for.

    Attributes
    ----------
    empty : bool
        Whether it may be empty.
    most : int
        Greatest number of characters.
    """

    empty: bool = False
    most: int = 120
    kind = "text"
    allowed = "text in quotes"

    def _read(self, value: Any, loading: Loading) -> Any:
        if not self.empty and not value.strip():
            raise ValueError("empty. Write text in quotes.")
        if len(value) > self.most:
            raise ValueError(f"{len(value)} characters. Write {self.most} or fewer.")
        return value


@dataclass(frozen=True)
class DateOnly(Reader):
    """A day."""

    takes = (str, dt.date)
    kind = "date"
    allowed = "a date, such as 2026-06-21"

    def _read(self, value: Any, loading: Loading) -> dt.date:
        if isinstance(value, dt.datetime):
            raise ValueError("has a time of day. Write the date alone, such as 2026-06-21.")
        try:
            day = dt.date.fromisoformat(value.strip()) if isinstance(value, str) else value
        except ValueError:
            raise ValueError("no such date. Write year-month-day, as 2026-06-21.") from None
        if not YEARS[0] <= day.year <= YEARS[1]:
            raise ValueError(f"must lie in {YEARS[0]} to {YEARS[1]}.")
        return day


@dataclass(frozen=True)
class Timezone(Reader):
    """A name from the IANA time zone database."""

    kind = "time zone"
    allowed = 'a time zone, such as "Africa/Nairobi"'

    def _read(self, value: Any, loading: Loading) -> Any:
        import zoneinfo

        try:
            zoneinfo.ZoneInfo(value)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            names = zoneinfo.available_timezones()
            tails = {n.rsplit("/", 1)[-1]: n for n in sorted(names)}
            near = nearest(value, names, cutoff=0.6)
            if near is None and (tail := nearest(value.rsplit("/", 1)[-1], tails, cutoff=0.75)):
                near = tails[tail]
            hint = f'Nearest: "{near}".' if near else f"Write {self.allowed}."
            raise ValueError(f"unknown time zone. {hint}") from None
        return value


@dataclass(frozen=True)
class Vector(Reader):
    """A fixed number of values of one kind.

    Attributes
    ----------
    item : Reader
        Of each value.
    count : int
    rising : bool
        Whether they must not fall.
    """

    takes = (list, tuple)
    item: Reader
    count: int
    rising: bool = False

    @property
    def kind(self) -> str:
        return f"{self.count} x {self.item.kind}"

    @property
    def allowed(self) -> str:
        example = "1"
        if isinstance(self.item, Quantity):
            example = f'"{KINDS[self.item.kinds[0]].examples[0]}"'
        return f"a list of {self.count}, such as [{', '.join([example] * self.count)}]"

    def _read(self, value: Any, loading: Loading) -> tuple[Any, ...]:
        if len(value) != self.count:
            raise ValueError(f"has {len(value)}. Write {self.allowed}.")
        out = _each(value, "value", lambda x: self.item.read(x, loading))
        if self.rising and any(a > b for a, b in pairwise(out)):
            raise ValueError("the first must not be more than the second.")
        return tuple(out)


READERS: dict[str, Callable[[str, str], tuple[Any, list[Problem]]]] = {
    "places": read_places,
    "states": read_states,
    "sunshape": read_sunshape,
    "joint": read_joint,
}


@dataclass(frozen=True)
class Table(Reader):
    """Name of a CSV file, read at once into what its rows say.

    What is wrong inside the table goes to the loading's problems, each with its row.

    Attributes
    ----------
    content : str
        "places", "states", "sunshape" or "joint".
    """

    content: str  # one of READERS
    kind = "CSV file"
    allowed = "the name of a CSV file in quotes"

    def _read(self, value: Any, loading: Loading) -> Any:
        records, problems = READERS[self.content](value, loading.table(value))
        loading.problems.extend(problems)
        if not problems:
            loading.records[self.content] = (value, records)
        return records


@dataclass(frozen=True)
class Horizon(Reader):
    """The horizon as azimuth (rising) and altitude [rad], in place or from a CSV file."""

    takes = (str, list, tuple)
    kind = "CSV file or pairs of angles"
    allowed = (
        'the name of a CSV file, or pairs such as [["90 deg", "12 deg"], ["120 deg", "5 deg"]]'
    )

    def _read(self, value: Any, loading: Loading) -> Any:
        if isinstance(value, str):
            points, problems = read_horizon(value, loading.table(value))
            loading.problems.extend(problems)
        else:
            points = self._pairs(value, loading)
        array = np.array(points, dtype=float).reshape(-1, 2)
        array.setflags(write=False)
        return array

    def _pairs(self, value: Any, loading: Loading) -> tuple[tuple[float, float], ...]:
        if not value:
            raise ValueError(f"empty. Write {self.allowed}.")
        pair, points = Vector(Quantity(("angle",)), 2), dict[float, float]()

        def note(item: Any) -> None:
            azimuth, altitude = pair.read(item, loading)
            if text := horizon_problem(azimuth, altitude):
                raise ValueError(text)
            if wrap(azimuth) in points:
                raise ValueError("the same azimuth as an earlier pair.")
            points[wrap(azimuth)] = altitude

        _each(value, "pair", note)
        return tuple(sorted(points.items()))


@dataclass(frozen=True)
class Landmarks(Reader):
    """Names of what stands about the site, each with its azimuth [rad]."""

    takes = (list, tuple)
    kind = "pairs of a name and an angle"
    allowed = 'pairs such as [["the gate", "85 deg"], ["the water tower", "190 deg"]]'

    def _read(self, value: Any, loading: Loading) -> tuple[tuple[str, float], ...]:
        name, angle = Text(most=40), Quantity(("angle",), low="-180 deg", high="360 deg")

        def pair(item: Any) -> tuple[str, float]:
            if not isinstance(item, list | tuple) or len(item) != 2:
                raise ValueError(f"not a pair. Write {self.allowed}.")
            return name.read(item[0], loading), float(angle.read(item[1], loading))

        return tuple(_each(value, "pair", pair))


@dataclass(frozen=True)
class WeatherFile(Reader):
    """Name of a weather file, which another module reads; it must be there, or be given as text."""

    kind = "file"
    allowed = "the name of an EPW, TMY3, PVGIS or own CSV file in quotes"

    def _read(self, value: Any, loading: Loading) -> Path:
        if value in loading.given:
            loading.table(value)
            return Path(value)
        return loading.find(value)


def table_text(path: Path) -> str:
    """Text of a table that the user names.

    Parameters
    ----------
    path : path

    Returns
    -------
    str

    Raises
    ------
    ScenarioError
        If it can't be read; says why.
    """
    try:
        return decoded(read_bytes(path, LARGEST_TABLE))
    except FileNotFoundError:
        words = f"no such file in {path.parent.resolve().name}."
    except IsADirectoryError:
        words = "is a folder. Name a CSV file."
    except OSError as error:
        words = f"can't be read: {error.strerror}."
    except ValueError as error:
        words = str(error)
    raise ScenarioError(str(path), [Problem("file", words)])
