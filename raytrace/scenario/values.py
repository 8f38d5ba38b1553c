"""How each value of a scenario file is read and checked, and how its rule is worded.

Each reader sits in the annotation of a model's field. It turns what the TOML holds into an SI
value, or raises ValueError with a text that tells the user what to write instead.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import GetCoreSchemaHandler, ValidationInfo
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from raytrace.exceptions import Problem
from raytrace.scenario.tables import horizon_problem, read_horizon, read_places, read_states, wrap
from raytrace.scenario.units import KINDS, UnitError, nearest, read_number, read_quantity
from raytrace.texts import read_text, shown

__all__ = [
    "Choice",
    "DateOnly",
    "FilePath",
    "Horizon",
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
    "Whole",
]


BEYOND_MEASURE = 1e7  # of any quantity, in SI units
LARGEST_TABLE = 4_000_000  # bytes: a reading each second of a day is less
YEARS = 1950, 2050  # of dates: where sun and clocks are known well
FIRST = 5  # of a list's mistakes that a message holds


@dataclass
class Loading:
    """What readers share while one scenario is loaded."""

    folder: Path | None = None
    given: Mapping[str, str] = field(default_factory=dict)
    tables: dict[str, str] = field(default_factory=dict)
    records: dict[str, Any] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def find(self, name: str) -> Path:
        """Path of a file named in the scenario; ValueError if there is none."""
        if self.folder is None:
            raise ValueError("no folder to look in: the scenario was not read from a file.")
        path = self.folder / name
        try:
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
        """Text of a table named in the scenario; ValueError if it can't be read."""
        if name in self.given:
            text = self.given[name]
        else:
            try:
                text = read_text(self.find(name), LARGEST_TABLE)
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


def _first(wrong: list[str]) -> str:
    more = f" And {len(wrong) - FIRST} more." if len(wrong) > FIRST else ""
    return " ".join(wrong[:FIRST]) + more


def quoted(words: tuple[str, ...]) -> str:
    """Words in quotes, with commas."""
    return ", ".join(f'"{w}"' for w in words)


@dataclass(frozen=True)
class Reader:
    """Base of all readers: `kind` names the rule in a table of keys, `allowed` in a message."""

    @property
    def kind(self) -> str:
        """Unit kind in one or two words."""
        raise NotImplementedError

    @property
    def allowed(self) -> str:
        """What may be written, to follow the word "Write"."""
        raise NotImplementedError

    def read(self, value: Any, loading: Loading) -> Any:
        """SI value; ValueError says what is wrong."""
        raise NotImplementedError

    def wrong_type(self, value: object) -> ValueError:
        """Error that says which type was found and what is needed."""
        return ValueError(f"{_type_name(value)}, but {self.allowed} is needed.")

    def _checked(self, value: Any, info: ValidationInfo) -> Any:
        if value is None:  # only ever a default: TOML has no null
            return None
        loading = info.context if isinstance(info.context, Loading) else Loading()
        try:
            return self.read(value, loading)
        except ValueError as error:
            raise PydanticCustomError("reader", "{text}", {"text": str(error)}) from None

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Stand in for what pydantic would make of the annotated type."""
        return core_schema.with_info_plain_validator_function(self._checked)


@dataclass(frozen=True)
class Quantity(Reader):
    """A number with a unit, within limits given as text; or one of a few words.

    Where several kinds are allowed, `highs` has the greatest of each, and the least is 0.
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
        return f"{quoted(self.words)}, or {nouns}" if self.words else nouns

    def read(self, value: Any, loading: Loading) -> Any:
        if isinstance(value, str) and self.words:
            if value in self.words:
                return value
            if not any(c.isdigit() for c in value):
                near = nearest(value, self.words)
                tail = f' Nearest: "{near}".' if near else ""
                raise ValueError(f"not understood. Write {self.allowed}.{tail}")
        si, kind = read_quantity(value, *self.kinds)
        self._limit(si, kind)
        return si

    def _limit(self, si: float, kind: str) -> None:
        if abs(si) > BEYOND_MEASURE:
            raise ValueError("is beyond all measure for a cooker. Check its unit.")

        def at(text: str | None, otherwise: float) -> float:
            return otherwise if text is None else read_quantity(text, kind)[0]

        slack = 1e-12  # 90 deg is 90 deg, however its radians are rounded
        if len(self.kinds) > 1:
            greatest = dict(zip(self.kinds, self.highs, strict=True))[kind]
            if si < 0.0:
                raise ValueError("must not be negative.")
            if si > at(greatest, math.inf) + slack:
                raise ValueError(f"must be {greatest} or less.")
            return
        low, high = at(self.low, -math.inf), at(self.high, math.inf)
        if self.low and self.high and not low - slack <= si <= high + slack:
            raise ValueError(f"must lie in {self.low} to {self.high}.")
        if si < low - slack:
            negative = low == 0.0
            raise ValueError(
                "must not be negative." if negative else f"must be {self.low} or more."
            )
        if si <= at(self.above, -math.inf):
            raise ValueError(f"must be more than {self.above}.")
        if si > high + slack:
            raise ValueError(f"must be {self.high} or less.")


@dataclass(frozen=True)
class Share(Reader):
    """A share from 0 to 1, also in per cent."""

    @property
    def kind(self) -> str:
        return "share"

    @property
    def allowed(self) -> str:
        return 'a share, such as 0.85 or "85 %"'

    def read(self, value: Any, loading: Loading) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise self.wrong_type(value)
        if isinstance(value, str):
            try:
                number, unit = read_number(value)
                share = read_quantity(value, "share")[0] / 100.0 if unit else number
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
    """A bare number within limits, the ends included."""

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

    def read(self, value: Any, loading: Loading) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.wrong_type(value)
        if not math.isfinite(_as_float(value)):
            raise ValueError(f"not a finite number. Write {self.allowed}.")
        if self.whole and value != int(value):
            raise ValueError("must be a whole number.")
        if not self.low <= value <= self.high:
            raise ValueError(f"must lie in {self._span}.")
        return int(value) if self.whole else float(value)


@dataclass(frozen=True)
class Whole(Number):
    """A whole number within limits; 1e6 is one too."""

    whole: bool = True


@dataclass(frozen=True)
class Choice(Reader):
    """One of a few words."""

    words: tuple[str, ...]

    @property
    def kind(self) -> str:
        return "choice: " + quoted(self.words)

    @property
    def allowed(self) -> str:
        return quoted(self.words)

    def read(self, value: Any, loading: Loading) -> str:
        if not isinstance(value, str):
            raise self.wrong_type(value)
        if value not in self.words:
            near = nearest(value, self.words)
            tail = f' Nearest: "{near}".' if near else ""
            raise ValueError(f"not one of {quoted(self.words)}.{tail}")
        return value


@dataclass(frozen=True)
class Text(Reader):
    """Free text up to a length that a title or a margin has room for."""

    empty: bool = False
    most: int = 120

    @property
    def kind(self) -> str:
        return "text"

    @property
    def allowed(self) -> str:
        return "text in quotes"

    def read(self, value: Any, loading: Loading) -> str:
        if not isinstance(value, str):
            raise self.wrong_type(value)
        if not self.empty and not value.strip():
            raise ValueError("empty. Write text in quotes.")
        if len(value) > self.most:
            raise ValueError(f"{len(value)} characters. Write {self.most} or fewer.")
        return value


@dataclass(frozen=True)
class Switch(Reader):
    """True or false."""

    @property
    def kind(self) -> str:
        return "true or false"

    @property
    def allowed(self) -> str:
        return "true or false"

    def read(self, value: Any, loading: Loading) -> bool:
        if not isinstance(value, bool):
            raise ValueError(f"{_type_name(value)}, but true or false, with no quotes, is needed.")
        return value


@dataclass(frozen=True)
class DateOnly(Reader):
    """A day."""

    @property
    def kind(self) -> str:
        return "date"

    @property
    def allowed(self) -> str:
        return "a date, such as 2026-06-21"

    def read(self, value: Any, loading: Loading) -> dt.date:
        if isinstance(value, dt.datetime):
            raise ValueError("has a time of day. Write the date alone, such as 2026-06-21.")
        if isinstance(value, str):
            try:
                value = dt.date.fromisoformat(value.strip())
            except ValueError:
                raise ValueError("no such date. Write year-month-day, as 2026-06-21.") from None
        if not isinstance(value, dt.date):
            raise self.wrong_type(value)
        if not YEARS[0] <= value.year <= YEARS[1]:
            raise ValueError(f"must lie in {YEARS[0]} to {YEARS[1]}.")
        return value


@dataclass(frozen=True)
class Timezone(Reader):
    """A name from the IANA time zone database."""

    @property
    def kind(self) -> str:
        return "time zone"

    @property
    def allowed(self) -> str:
        return 'a time zone, such as "Africa/Nairobi"'

    def read(self, value: Any, loading: Loading) -> str:
        import zoneinfo

        if not isinstance(value, str):
            raise self.wrong_type(value)
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
    """A fixed number of values of one kind; `rising` if they must not fall."""

    item: Reader
    count: int
    rising: bool = False

    @property
    def kind(self) -> str:
        return f"{self.count} x {self.item.kind}"

    @property
    def allowed(self) -> str:
        if isinstance(self.item, Quantity):
            example = f'"{KINDS[self.item.kinds[0]].examples[0]}"'
        else:
            example = "1"
        return f"a list of {self.count}, such as [{', '.join([example] * self.count)}]"

    def read(self, value: Any, loading: Loading) -> tuple[Any, ...]:
        if not isinstance(value, list | tuple):
            raise self.wrong_type(value)
        if len(value) != self.count:
            raise ValueError(f"has {len(value)}. Write {self.allowed}.")
        out, wrong = [], []
        for number, item in enumerate(value, start=1):
            try:
                out.append(self.item.read(item, loading))
            except ValueError as error:
                wrong.append(f"value {number}: {error}")
        if wrong:
            raise ValueError(_first(wrong))
        if self.rising and any(a > b for a, b in pairwise(out)):
            raise ValueError("the first must not be more than the second.")
        return tuple(out)


@dataclass(frozen=True)
class Table(Reader):
    """Name of a CSV file, read at once into `Place` or `State` records.

    What is wrong inside the table goes to the loading's problems, each with its row.
    """

    content: str  # "places" or "states"

    @property
    def kind(self) -> str:
        return "CSV file"

    @property
    def allowed(self) -> str:
        return "the name of a CSV file in quotes"

    def read(self, value: Any, loading: Loading) -> Any:
        if not isinstance(value, str):
            raise self.wrong_type(value)
        reader = read_places if self.content == "places" else read_states
        records, problems = reader(value, loading.table(value))
        loading.problems.extend(problems)
        if not problems:
            loading.records[self.content] = (value, records)
        return records


@dataclass(frozen=True)
class Horizon(Reader):
    """The horizon as azimuth (rising) and altitude [rad], in place or from a CSV file."""

    @property
    def kind(self) -> str:
        return "CSV file or pairs of angles"

    @property
    def allowed(self) -> str:
        return (
            'the name of a CSV file, or pairs such as [["90 deg", "12 deg"], ["120 deg", "5 deg"]]'
        )

    def read(self, value: Any, loading: Loading) -> Any:
        if isinstance(value, str):
            points, problems = read_horizon(value, loading.table(value))
            loading.problems.extend(problems)
        else:
            points = self._pairs(value, loading)
        array = np.array(points, dtype=float).reshape(-1, 2)
        array.setflags(write=False)
        return array

    def _pairs(self, value: Any, loading: Loading) -> tuple[tuple[float, float], ...]:
        if not isinstance(value, list | tuple) or not value:
            raise self.wrong_type(value)
        pair = Vector(Quantity(("angle",)), 2)
        points, wrong = {}, []
        for number, item in enumerate(value, start=1):
            try:
                azimuth, altitude = pair.read(item, loading)
                text = horizon_problem(azimuth, altitude)
                if text is None and wrap(azimuth) in points:
                    text = "the same azimuth as an earlier pair."
                if text:
                    raise ValueError(text)
                points[wrap(azimuth)] = altitude
            except ValueError as error:
                wrong.append(f"pair {number}: {error}")
        if wrong:
            raise ValueError(_first(wrong))
        return tuple(sorted(points.items()))


@dataclass(frozen=True)
class FilePath(Reader):
    """Name of a file that another module reads; it must be there."""

    @property
    def kind(self) -> str:
        return "file"

    @property
    def allowed(self) -> str:
        return "the name of a file in quotes"

    def read(self, value: Any, loading: Loading) -> Path:
        if not isinstance(value, str):
            raise self.wrong_type(value)
        return loading.find(value)
