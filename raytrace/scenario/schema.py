"""The scenario as one model, and the table of its keys: rule, default and meaning of each."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NamedTuple, cast, get_args, get_origin

from pydantic import PrivateAttr, model_validator
from pydantic.fields import FieldInfo

from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.cooker_sections import Aim, Facets, Mirror, Platform, Pot
from raytrace.scenario.courses import DRY, usual
from raytrace.scenario.error_sections import Errors
from raytrace.scenario.law import Law, Unsure, as_text
from raytrace.scenario.learned import Joint, still_stated
from raytrace.scenario.place_sections import Design, Site, Sky
from raytrace.scenario.section import Only, Section, key, part
from raytrace.scenario.units import nearest
from raytrace.scenario.use_sections import Air, Cost, Habit, Kitchen
from raytrace.scenario.values import Choice, Reader, Switch, Table, Text, Vector, Whole
from raytrace.scenario.workshop_sections import Workshop
from raytrace.texts import shown

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.unknowns import Unknown

__all__ = [
    "Entry",
    "Key",
    "Learned",
    "Scenario",
    "Trace",
    "as_list",
    "describe_schema",
    "generic",
    "key_rule",
    "listed_sections",
    "part_of_list",
    "schema",
    "unknown_key",
]


# Sections in which one key's default may hang on another key, or that hold sections in a list.
DERIVING = ("platform.", "facets.", "aim.", "pot.diameter", "pot.height", "pot.support.")


class Trace(Section):
    """How much is computed."""

    estimator: Literal["beams", "rays"] = key(
        "Beams are fast and exact over each facet; rays are the reference.", "beams"
    )
    samples: Annotated[int | None, Whole(1, 10**12)] = key(
        "Beams or rays in all, over all replicates.", None, shown="65 536 beams, 1 000 000 rays"
    )
    replicates: Annotated[int, Whole(4, 4096)] = key(
        "Independent repeats that the standard errors come from.", 16
    )
    seed: Annotated[int, Whole(0, 2**53 - 1)] = key("Start of all random numbers.", 1)
    bins: Annotated[int, Whole(4, 1024)] = key("Bins along each side of the flux map.", 64)
    build: Annotated[int, Whole(0, 2**31)] = key("Which draw of the errors is built.", 0)


class Learned(Section):
    """What measurements have taught of the cooker."""

    draws: Annotated[Joint | None, Table("joint")] = key(
        "CSV of equally likely draws of numbers that were learned at once: a column a key.",
        None,
        shown="none",
    )


class Scenario(Section):
    """A cooker, its place and its errors, as one file describes them.

    Sections are attributes named as in the file, keys are theirs: ``scenario.facets.pitch_x``.
    Lengths are in metres, angles in radians, irradiance in W/m².
    """

    title: Annotated[str, Text()] = key("Name of the cooker.")
    notes: Annotated[str, Text(empty=True, most=10_000)] = key("Anything worth knowing.", "")
    site: Site
    sky: Sky = part("What the sun sends.", Sky)
    design: Design
    platform: Platform = part("The board.", Platform)
    facets: Facets
    aim: Aim = part("Where the light is sent.", Aim)
    pot: Pot
    mirror: Mirror = part("The mirror's surface.", Mirror)
    errors: Errors = part("What a workshop does not get right.", Errors)
    kitchen: Kitchen = part("What is cooked, in which pot.", Kitchen)
    air: Air = part("The air round the pot.", Air)
    habit: Habit = part("How the cook turns the cooker.", Habit)
    cost: Cost = part("What building costs.", Cost)
    workshop: Workshop = part("What the workshop buys, prints and works.", Workshop)
    trace: Trace = part("How much is computed.", Trace)
    learned: Learned = part("What measurements have taught of the cooker.", Learned)

    _source: str = PrivateAttr("scenario.toml")
    _text: str = PrivateAttr("")
    _overrides: tuple[str, ...] = PrivateAttr(())
    _folder: Path | None = PrivateAttr(None)
    _tables: dict[str, str] = PrivateAttr(default_factory=dict)
    _laws: dict[str, tuple[Law, str]] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _fill(self) -> Scenario:
        self.facets._settle(centre=self.platform.middle)
        kitchen = self.kitchen
        over, after = usual(kitchen.wanted, kitchen.done_over)
        water = 0.0 if kitchen.wanted in DRY else 0.5 * self.pot.volume
        kitchen._settle(water=water, done_over=over, done_after=after)
        return self

    @property
    def source(self) -> str:
        """Name of the file, without its folder."""
        return self._source

    @property
    def text(self) -> str:
        """The file as it was read.

        Raises
        ------
        ScenarioError
            If values were changed in memory: then no text says what they are.
        """
        if not self._text:
            words = (
                "its values were set in memory, and no text holds them. Change keys by varied()."
            )
            raise ScenarioError(self._source, [Problem("scenario", words)])
        return self._text

    @property
    def overrides(self) -> tuple[str, ...]:
        """What was set over the file, each as key=value."""
        return self._overrides

    @property
    def folder(self) -> Path | None:
        """Folder that names of files start from, None if there is no file."""
        return self._folder

    @property
    def tables(self) -> dict[str, str]:
        """Text of the CSV tables, by the name that the file gives them."""
        return dict(self._tables)

    @property
    def unknowns(self) -> tuple[Unknown, ...]:
        """Numbers that are not known exactly, stated so in the file or by default."""
        from raytrace.scenario.unknowns import unknowns_of

        return tuple(unknowns_of(self, self._laws))

    @property
    def joint(self) -> Joint | None:
        """What was learned at once of some of `unknowns`; None if nothing.

        Numbers that the scenario now says otherwise, because they were set since, are left out.
        """
        table = self.learned.draws
        return None if table is None else still_stated(table, self.unknowns)

    @property
    def forgotten(self) -> tuple[str, ...]:
        """Keys of the learned table that don't count, because they were set since."""
        table, joint = self.learned.draws, self.joint
        if table is None or joint is None:
            return ()
        return tuple(key for key in table.keys if key not in joint.keys)

    def with_values(self, values: Mapping[str, float]) -> Scenario:
        """Make the same scenario with some numbers set, in SI units, to compute with.

        Parameters
        ----------
        values : mapping of str to float
            By the keys of `unknowns`; within the limits of each.

        Returns
        -------
        Scenario
            Without a text, where no other key hangs on those set; else as `varied` makes it.

        Raises
        ------
        ScenarioError
            If it can't be used.
        """
        if any(path.startswith(DERIVING) for path in values):
            units = {u.key: u.law.unit for u in self.unknowns}
            return self.varied({path: as_text(x, units[path]) for path, x in values.items()})
        section: Any = self
        for path, value in values.items():
            section = _with(section, path.split("."), value)
        return cast("Scenario", section)

    def varied(self, overrides: Mapping[str, str] | Sequence[str]) -> Scenario:
        """Make the same scenario with some keys set again.

        Parameters
        ----------
        overrides : mapping or sequence of str
            As for `load_scenario`; they come after those already made.

        Returns
        -------
        Scenario
            Checked as a whole.

        Raises
        ------
        ScenarioError
            If it can't be used; all problems at once.
        """
        from raytrace.scenario.loading import parse_scenario

        return parse_scenario(
            self.text,
            source=self._source,
            folder=self._folder,
            overrides=[*self._overrides, *as_list(overrides)],
            tables=self._tables,
        )

    def with_weather(self, weather: pd.DataFrame, name: str = "own-weather.csv") -> Scenario:
        """Make the same scenario under weather of one's own.

        Parameters
        ----------
        weather : DataFrame
            Columns as of a CSV of one's own, see `raytrace.scenario.own_weather`, the times as
            one of them or as an index of that name.
        name : str
            By which messages and results know it.

        Returns
        -------
        Scenario
            It holds the weather as a table, as do its results files.

        Raises
        ------
        ScenarioError
            If a column is none that is known; all problems at once.
        """
        from raytrace.scenario.loading import parse_scenario
        from raytrace.scenario.own_weather import frame_text

        return parse_scenario(
            self.text,
            source=self._source,
            folder=self._folder,
            overrides=[*self._overrides, "sky.dni=weather file", f"sky.weather_file={name}"],
            tables={**self._tables, name: frame_text(name, weather)},
        )

    def model_copy(
        self, *, update: Mapping[str, Any] | None = None, deep: bool = False
    ) -> Scenario:
        """Copy with other values, unchecked, to compute with.

        Parameters
        ----------
        update : mapping, optional
            Values by section. A copy with any has no text: what is stored, sent to workers or
            varied further has to come from `varied`, so that no results file holds the text of
            another cooker than its own.
        deep : bool
            As pydantic has it.

        Returns
        -------
        Scenario
        """
        copy = super().model_copy(update=update, deep=deep)
        if update:
            copy._text = ""
        return copy

    def __eq__(self, other: object) -> bool:
        """Whether both come from the same words; arrays make a comparison by field unwieldy."""
        if self is other:
            return True
        if not (isinstance(other, Scenario) and self._text):
            return False
        return self._words() == other._words()

    def __hash__(self) -> int:
        return hash(self._words()) if self._text else id(self)

    def _words(self) -> tuple[object, ...]:
        return self._text, self._overrides, tuple(sorted(self._tables.items()))


def _with(section: Section, path: list[str], value: float) -> Section:
    """Section with one number of it, or of a section in it, set."""
    name, *rest = path
    if rest:
        new: Any = _with(getattr(section, name), rest, value)
    elif name.endswith("]"):
        name, _, number = name[:-1].partition("[")
        parts = list(getattr(section, name))
        parts[int(number) - 1] = value
        new = tuple(parts)
    else:
        new = value
    return section.model_copy(update={name: new})


# keys of old files, and what to write now
MOVED = {
    "kitchen.emissivity": "each face has its own now. Write pot.emissivity_base, "
    "pot.emissivity_side and pot.emissivity_lid, or what each is: pot.surface_base, "
    "pot.surface_side, pot.surface_lid.",
}


def as_list(overrides: Mapping[str, str] | Sequence[str]) -> list[str]:
    """Overrides as "key=value", however they are given.

    Parameters
    ----------
    overrides : mapping of str to str, or sequence of str

    Returns
    -------
    list of str
    """
    if isinstance(overrides, Mapping):
        return [f"{k}={v}" for k, v in overrides.items()]
    return [overrides] if isinstance(overrides, str) else list(overrides)


class Key(NamedTuple):
    """One key of the scenario file, for a table of all of them."""

    key: str
    kind: str
    default: str
    meaning: str
    uncertainty: str


class Entry(NamedTuple):
    """One key with all that checks need of it; `default` as the file would have it."""

    row: Key
    reader: Reader
    default: Any
    only: Only | None
    unsure: Unsure | None


def _reader(field: FieldInfo) -> Reader:
    """Rule of a key: in its annotation, or plain by its type."""
    kinds = get_args(field.annotation)
    noted = [*field.metadata, *(m for kind in kinds for m in getattr(kind, "__metadata__", ()))]
    plain = Choice(kinds) if kinds else Switch()
    return next((m for m in noted if isinstance(m, Reader)), plain)


def _walk(model: type[Section], prefix: str = "") -> Iterator[Entry]:
    for name, field in model.model_fields.items():
        inner = [a for a in (field.annotation, *get_args(field.annotation)) if inspect.isclass(a)]
        nested = next((a for a in inner if issubclass(a, Section)), None)
        if nested is not None:
            yield from _walk(
                nested, f"{prefix}{name}{'[]' if get_origin(field.annotation) is tuple else ''}."
            )
            continue
        reader = _reader(field)
        extra: Mapping[str, Any] = field.json_schema_extra  # type: ignore[assignment]
        default = "required" if field.is_required() else extra["shown"] or shown(field.default)
        unsure: Unsure | None = extra["unsure"]
        doubt = "" if unsure is None else f"{unsure.by}; {unsure.source}"
        row = Key(prefix + name, reader.kind, default, field.description or "", doubt)
        yield Entry(row, reader, field.default, extra["only"], unsure)


@lru_cache(maxsize=1)
def schema() -> dict[str, Entry]:
    """Every key that a scenario file may have, in the file's order."""
    return {entry.row.key: entry for entry in _walk(Scenario)}


def describe_schema() -> list[Key]:
    """List every key that a scenario file may have.

    Returns
    -------
    keys : list of Key
        Key, unit kind, default as the file would have it, meaning, and what is not known of its
        value unless the file says so, in the file's order.
        ``aim.zones[]`` stands for each of the zones, ``site.surroundings[]`` likewise.

    Examples
    --------
    >>> row = describe_schema()[3]
    >>> row.key, row.kind, row.default
    ('site.latitude', 'angle', 'required')
    """
    return [entry.row for entry in schema().values()]


@lru_cache(maxsize=1)
def listed_sections() -> tuple[str, ...]:
    """Sections that a file may have many of, such as aim.zones."""
    return tuple(dict.fromkeys(k.partition("[]")[0] for k in schema() if "[]" in k))


def generic(path: str) -> str:
    """Key with the numbers of its zones left out.

    Parameters
    ----------
    path : str
        Such as aim.zones[2].rows.

    Returns
    -------
    str
        Such as aim.zones[].rows.
    """
    return re.sub(r"\[\d+\]", "[]", path)


def part_of_list(path: str) -> tuple[str, int] | None:
    """Key and number where a path names one part of a list of values, such as pot.place[2].

    Parameters
    ----------
    path : str

    Returns
    -------
    (str, int) or None
        None if it names no such part.
    """
    match = re.fullmatch(r"(.+)\[(\d{1,6})\]", path)
    known = match and schema().get(generic(match[1]))
    return (match[1], int(match[2])) if match and known else None


def key_rule(key: str, *, source: str = "scenario.toml") -> Reader:
    """Rule that a key's value must keep.

    Parameters
    ----------
    key : str
        Such as ``design.sun_altitude`` or ``aim.zones[1].sun_altitude``; ``pot.place[2]`` is the
        second value of a list.
    source : str
        For the message.

    Returns
    -------
    Reader

    Raises
    ------
    ScenarioError
        If there is no such key; the message names the nearest.

    Examples
    --------
    >>> key_rule("pot.place[2]").kind
    'length'
    """
    part = part_of_list(key)
    known = schema().get(generic(part[0] if part else key))
    if known is None:
        raise ScenarioError(source, [unknown_key(key, "")[0]])
    rule = known.reader
    if part is None:
        return rule
    if not isinstance(rule, Vector):
        raise ScenarioError(source, [Problem(key, "is no list, so it has no parts.")])
    if not 1 <= part[1] <= rule.count:
        raise ScenarioError(source, [Problem(key, f"the list has {rule.count} values.")])
    return rule.item


def _keys_in(section: str) -> list[str]:
    """Names right below a section, "" for the top."""
    prefix = f"{generic(section)}." if section else ""
    below = (k.removeprefix(prefix) for k in schema() if k.startswith(prefix))
    return list(dict.fromkeys(re.split(r"[.\[]", k)[0] for k in below))


def unknown_key(path: str, value: object) -> tuple[Problem, str | None]:
    """Problem of a key that does not exist, and the key that may be meant.

    Parameters
    ----------
    path : str
        With its sections, joined by dots.
    value : object
        What stands there.

    Returns
    -------
    problem : Problem
    meant : str or None
        None if no key is near enough.
    """
    if path in MOVED:
        return Problem(path, MOVED[path]), None
    section, _, name = path.rpartition(".")
    siblings = _keys_in(section)
    what = "section" if isinstance(value, dict | list) and not section else "key"
    near = nearest(name, siblings, cutoff=0.55)
    elsewhere = {k.rpartition(".")[2]: k for k in reversed(schema())}
    if near and what == "section":
        meant = near
    elif name in elsewhere:  # right name, wrong section
        meant = elsewhere[name]
    elif near:
        meant = f"{section}.{near}" if section else near
    else:
        found = nearest(name, elsewhere, cutoff=0.8)
        meant = elsewhere[found] if found else ""
    if not meant:
        names = ", ".join(siblings)
        where = f"Keys of [{section}]" if section else "Sections and keys"
        return Problem(path, f"unknown {what}. {where}: {names}."), None
    known = schema().get(generic(meant))
    allowed = f" ({known.reader.allowed})" if known else ""
    return Problem(path, f"unknown {what}. Nearest: {meant}{allowed}."), meant
