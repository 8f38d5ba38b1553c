"""A TOML file to a checked `Scenario`: every value in SI units, angles in radians.

A file that can't be used is refused at once, with every problem in it: the key, its value, what
is allowed and the nearest correct key.
"""

from __future__ import annotations

import inspect
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, NamedTuple, get_args

from pydantic import PrivateAttr, ValidationError, model_validator

from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.consistency import contradictions
from raytrace.scenario.plausible import impossible
from raytrace.scenario.sections import (
    Aim,
    Design,
    Errors,
    Facets,
    Mirror,
    Platform,
    Pointing,
    Pot,
    PotErrors,
    Rig,
    Section,
    Site,
    Sky,
    Support,
    Trace,
    Zone,
    key,
    part,
)
from raytrace.scenario.tables import Place, State, facet_label
from raytrace.scenario.units import nearest
from raytrace.scenario.use_sections import Air, Cost, Habit, Kitchen
from raytrace.scenario.values import Loading, Reader, Text, Vector
from raytrace.texts import VALUE, cut, read_text, shown

__all__ = [
    "Aim",
    "Air",
    "Cost",
    "Design",
    "Errors",
    "Facets",
    "Habit",
    "Key",
    "Kitchen",
    "Mirror",
    "Place",
    "Platform",
    "Pointing",
    "Pot",
    "PotErrors",
    "Rig",
    "Scenario",
    "Site",
    "Sky",
    "State",
    "Support",
    "Trace",
    "Zone",
    "apply_override",
    "describe_schema",
    "facet_label",
    "key_rule",
    "load_scenario",
    "parse_scenario",
]


LARGEST = 1_000_000  # bytes of a scenario's text
DEEPEST = 8  # sections and brackets within each other: nothing here needs more than five
WORDED = 100  # keys that are told why they are wrong, before the rest are counted
_PATH = r"[\w\-]+(\[\d{1,6}\])?"


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
    trace: Trace = part("How much is computed.", Trace)

    _source: str = PrivateAttr("scenario.toml")
    _text: str = PrivateAttr("")
    _overrides: tuple[str, ...] = PrivateAttr(())
    _folder: Path | None = PrivateAttr(None)
    _tables: dict[str, str] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _fill(self) -> Scenario:
        self.kitchen._settle(water=0.5 * self.pot.volume)
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
        return parse_scenario(
            self.text,
            source=self._source,
            folder=self._folder,
            overrides=[*self._overrides, *_as_list(overrides)],
            tables=self._tables,
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


class Key(NamedTuple):
    """One key of the scenario file, for a table of all of them."""

    key: str
    kind: str
    default: str
    meaning: str


def _walk(model: type[Section], prefix: str = "") -> Iterator[tuple[Key, Reader]]:
    for name, field in model.model_fields.items():
        inner = [a for a in (field.annotation, *get_args(field.annotation)) if inspect.isclass(a)]
        nested = next((a for a in inner if issubclass(a, Section)), None)
        if nested is Zone:
            yield from _walk(nested, f"{prefix}{name}[].")
        elif nested is not None:
            yield from _walk(nested, f"{prefix}{name}.")
        else:
            reader = next(m for m in field.metadata if isinstance(m, Reader))
            extra = field.json_schema_extra
            said = extra.get("shown") if isinstance(extra, dict) else None
            default = "required" if field.is_required() else str(said or shown(field.default))
            row = Key(prefix + name, reader.kind, default, field.description or "")
            yield row, reader


@lru_cache(maxsize=1)
def _schema() -> dict[str, tuple[Key, Reader]]:
    return {row.key: (row, reader) for row, reader in _walk(Scenario)}


def describe_schema() -> list[Key]:
    """List every key that a scenario file may have.

    Returns
    -------
    keys : list of Key
        Key, unit kind, default as the file would have it, and meaning, in the file's order.
        ``aim.zones[]`` stands for each of the zones.

    Examples
    --------
    >>> row = describe_schema()[3]
    >>> row.key, row.kind, row.default
    ('site.latitude', 'angle', 'required')
    """
    return [row for row, _ in _schema().values()]


def _generic(path: str) -> str:
    """Key with the numbers of its zones left out."""
    return re.sub(r"\[\d+\]", "[]", path)


def _dotted(loc: Sequence[int | str]) -> str:
    out = ""
    for item in loc:
        out += f"[{item + 1}]" if isinstance(item, int) else f".{item}" if out else item
    return out


def _keys_in(section: str) -> list[str]:
    """Names right below a section, "" for the top."""
    prefix = f"{_generic(section)}." if section else ""
    below = (k.removeprefix(prefix) for k in _schema() if k.startswith(prefix))
    return list(dict.fromkeys(re.split(r"[.\[]", k)[0] for k in below))


def _unknown(path: str, value: object) -> tuple[Problem, str | None]:
    """Problem of a key that does not exist, and the key that may be meant."""
    section, _, name = path.rpartition(".")
    siblings = _keys_in(section)
    what = "section" if isinstance(value, dict | list) and not section else "key"
    near = nearest(name, siblings, cutoff=0.55)
    elsewhere = {k.rpartition(".")[2]: k for k in reversed(_schema())}
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
    known = _schema().get(_generic(meant))
    allowed = f" ({known[1].allowed})" if known else ""
    return Problem(path, f"unknown {what}. Nearest: {meant}{allowed}."), meant


def _lacking(path: str) -> Problem:
    known = _schema().get(_generic(path))
    if known:
        return Problem(path, f"missing. Write {known[1].allowed}.")
    needed = [k for k, (row, _) in _schema().items() if k.startswith(f"{path}.")]
    needed = [k for k in needed if _schema()[k][0].default == "required"]
    return Problem(path, f"section missing. It needs at least {', '.join(needed)}.")


def _translate(error: ValidationError) -> Iterator[Problem]:
    """Our words for what pydantic found."""
    problems: list[tuple[str, Problem]] = []
    meant: set[str | None] = set()
    found = error.errors(include_url=False)
    for item in found[:WORDED]:
        path, kind, value = _dotted(item["loc"]), item["type"], item["input"]
        if kind == "reader":
            problem = Problem(path, f" = {shown(value)}: {item['ctx']['text']}")
        elif kind == "missing":
            problem = _lacking(path)
        elif kind == "extra_forbidden":
            problem, near = _unknown(path, value)
            meant.add(near)
        elif path == "aim.zones":
            problem = Problem(path, "write each zone below a line [[aim.zones]].")
        else:
            problem = Problem(path, f" = {shown(value)}: a section is needed. Write [{path}].")
        problems.append((kind, problem))
    for kind, problem in problems:
        # A misspelt key is one problem, not an unknown key and a missing one.
        if kind != "missing" or problem.key not in meant:
            yield problem
    if len(found) > WORDED:
        yield Problem("file", f"{len(found) - WORDED} more keys are wrong or unknown.")


def _syntax(text: str, error: tomllib.TOMLDecodeError) -> Problem:
    message = str(error)
    match = re.search(r"^(.*) \(at line (\d+), column (\d+)\)$", message)
    if match is None:
        words = message.replace("(at end of document)", "").strip().rstrip(".")
        return Problem("end of file", f"not TOML: {words}.")
    words, line, column = match[1], int(match[2]), int(match[3])
    there = text.splitlines()[line - 1].strip() if line <= len(text.splitlines()) else ""
    hint = ""
    quoted = cut(there, 2 * VALUE)
    if re.search("overwrite|twice|mutate", words):
        return Problem(f"line {line}, column {column}", f"{quoted}: this is there twice.")
    if re.search(r"=\s*\[?\s*[+\-]?[\d.]+\s*[A-Za-z°%]", there):
        hint = ' A value with a unit stands in quotes, such as "100 mm".'
    elif re.search(r"=\s*[A-Za-z]", there):
        hint = ' Text stands in quotes, such as "clear sky".'
    return Problem(f"line {line}, column {column}", f"not TOML: {words}: {quoted}.{hint}")


def _parsed(text: str, source: str) -> dict[str, Any]:
    """TOML as plain values; all that its reader trips over in our words."""
    try:
        if _LONG_KEY.search(text):  # tomllib would take the square of its length
            raise RecursionError
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        problem = _syntax(text, error)
    except RecursionError:
        problem = Problem("file", _DEEP)
    except ValueError:  # Python reads no number of over 4 300 digits
        before = re.split(r"\d{1000}", text, maxsplit=1)[0]
        problem = Problem(f"line {before.count(chr(10)) + 1}", "a number has thousands of digits.")
    raise ScenarioError(source, [problem])


_LONG_KEY = re.compile(r"""(?<![\w"'-])(?:[\w"'-]+\s*\.\s*){40}""")
_DEEP = f"brackets or sections lie more than {DEEPEST} deep in each other. Is one never closed?"


def _deep(raw: dict[str, Any]) -> Iterator[Problem]:
    """Keys that hold more within each other than any scenario has."""
    for name, value in raw.items():
        layer = [value]
        for _ in range(DEEPEST):
            layer = [
                inner
                for x in layer
                if isinstance(x, dict | list)
                for inner in (x.values() if isinstance(x, dict) else x)
            ]
        if layer:
            yield Problem(name, _DEEP)


def _as_list(overrides: Mapping[str, str] | Sequence[str]) -> list[str]:
    if isinstance(overrides, Mapping):
        return [f"{k}={v}" for k, v in overrides.items()]
    return [overrides] if isinstance(overrides, str) else list(overrides)


def _lenient(text: str, reader: Reader | None) -> Any:
    """Value of an override: TOML if it is that, else plain text, in lists too."""
    try:
        parsed = tomllib.loads(f"v = {text}")
    except (ValueError, RecursionError):
        parsed = {}
    if list(parsed) == ["v"]:
        value = parsed["v"]
        return text if isinstance(reader, Text) and not isinstance(value, str) else value
    if text.startswith("[") and text.endswith("]"):
        # Commas inside inner brackets belong to the inner lists.
        items = re.findall(r"\[[^\[\]]*\]|[^,\[\]]+", text[1:-1])
        return [_lenient(item.strip(), None) for item in items if item.strip()]
    return text


def _part_of_list(path: str) -> tuple[str, int] | None:
    """Key and number where a path names one part of a list of values, such as pot.place[2]."""
    match = re.fullmatch(r"(.+)\[(\d{1,6})\]", path)
    known = match and _schema().get(_generic(match[1]))
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
    part = _part_of_list(key)
    known = _schema().get(_generic(part[0] if part else key))
    if known is None:
        raise ScenarioError(source, [_unknown(key, "")[0]])
    rule = known[1]
    if part is None:
        return rule
    if not isinstance(rule, Vector):
        raise ScenarioError(source, [Problem(key, "is no list, so it has no parts.")])
    if not 1 <= part[1] <= rule.count:
        raise ScenarioError(source, [Problem(key, f"the list has {rule.count} values.")])
    return rule.item


def apply_override(raw: dict[str, Any], override: str) -> Problem | None:
    """Set one key in place over what the file says; an empty value takes the key out.

    Parameters
    ----------
    raw : dict
        The file as TOML holds it; also a document that keeps its comments.
    override : str
        As for `load_scenario`.

    Returns
    -------
    Problem or None
        Why it can't be done.
    """
    path, equals, text = (piece.strip() for piece in override.partition("="))
    if not equals or not re.fullmatch(rf"{_PATH}(\.{_PATH}){{0,{DEEPEST}}}", path):
        return Problem(shown(override), 'write key=value, such as "errors.setting=8 mm".')
    if len(text) > LARGEST or cut(text, LARGEST) != text:
        return Problem(path, "too long, or not text by the rules of UTF-8.")
    at: Any = raw
    part = _part_of_list(path)
    *parents, last = re.findall(r"[\w\-]+|\[\d+\]", part[0] if part else path)
    for name in parents:
        if name.startswith("["):
            number = int(name[1:-1])
            if not isinstance(at, list) or not 1 <= number <= len(at):
                count = len(at) if isinstance(at, list) else 0
                return Problem(path, f"there is no number {number}; the file has {count}.")
            at = at[number - 1]
        else:
            if name == "zones" and isinstance(at, dict) and not at.get("zones"):
                return Problem(path, "the file has no [[aim.zones]].")
            at = at.setdefault(name, {}) if isinstance(at, dict) else None
        if not isinstance(at, dict | list):
            return Problem(path, f"{name} is no section, so it has no keys.")
    if not isinstance(at, dict):
        return Problem(path, "say which one, such as aim.zones[1].offset.")
    known = _schema().get(_generic(part[0] if part else path))
    if part is not None and known is not None:
        return _set_part(at, last, known, part[1], text, path)
    if text:
        at[last] = _lenient(text, known[1] if known else None)
    elif known is None:
        return _unknown(path, text)[0]
    else:
        at.pop(last, None)
    return None


def _set_part(
    at: dict[str, Any], last: str, known: tuple[Key, Reader], number: int, text: str, path: str
) -> Problem | None:
    """Set one value of a list, which is the key's default where the file leaves it out."""
    row, rule = known
    if not isinstance(rule, Vector):
        return Problem(path, "is no list, so it has no parts.")
    if not text:
        return Problem(path, f"one value can't be taken out alone. Write {rule.item.allowed}.")
    if last not in at:
        try:
            at[last] = tomllib.loads(f"v = {row.default}")["v"]
        except tomllib.TOMLDecodeError:
            return Problem(path, f"the file has no {last}. Write {rule.allowed}.")
    values = at[last]
    if not isinstance(values, list) or not 1 <= number <= len(values):
        count = len(values) if isinstance(values, list) else 0
        return Problem(path, f"there is no number {number}; the list has {count}.")
    values[number - 1] = _lenient(text, rule.item)
    return None


def _in_file_order(problems: list[Problem], raw: Mapping[str, Any]) -> list[Problem]:
    places: dict[str, int] = {}

    def note(value: Any, path: str) -> None:  # no deeper than DEEPEST
        places[path] = len(places)
        if isinstance(value, dict):
            for name, inner in value.items():
                note(inner, f"{path}.{name}" if path else name)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for number, inner in enumerate(value, start=1):
                note(inner, f"{path}[{number}]")

    note(raw, "")

    def rank(problem: Problem) -> int:
        if problem.key in places:
            return places[problem.key]
        parent = problem.key.rpartition(".")[0]
        if parent not in places:
            return len(places)
        inside = [at for path, at in places.items() if path.startswith(f"{parent}.")]
        return max(inside, default=len(places))

    return sorted(dict.fromkeys(problems), key=rank)


def parse_scenario(
    text: str,
    *,
    source: str = "scenario.toml",
    folder: Path | str | None = None,
    overrides: Mapping[str, str] | Sequence[str] = (),
    tables: Mapping[str, str] | None = None,
) -> Scenario:
    """Check a scenario's text and turn it into SI values.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        File name for messages.
    folder : path, optional
        Where names of files start from.
    overrides : mapping or sequence of str
        As for `load_scenario`.
    tables : mapping of str to str, optional
        Text of CSV tables by their name in the scenario; these are not looked for on disk.

    Returns
    -------
    Scenario
        Complete and frozen.

    Raises
    ------
    ScenarioError
        If anything is wrong; all problems at once.
    """
    raw = _parsed(text, source)
    loading = Loading(Path(folder) if folder is not None else None, tables or {})
    changes = _as_list(overrides)
    problems = [p for p in (apply_override(raw, change) for change in changes) if p]
    if deep := list(_deep(raw)):
        raise ScenarioError(source, deep)
    scenario = None
    try:
        scenario = Scenario.model_validate(raw, context=loading)
    except ValidationError as error:
        problems += _translate(error)
    problems += [*contradictions(raw, loading), *loading.problems]
    if scenario is not None:
        problems += impossible(scenario.facets, scenario.pot, scenario.errors, scenario.kitchen)
    if problems or scenario is None:
        raise ScenarioError(source, _in_file_order(problems, raw))
    scenario._source = source
    scenario._text = text
    scenario._overrides = tuple(changes)
    scenario._folder = loading.folder
    scenario._tables = loading.tables
    return scenario


def load_scenario(path: Path | str, overrides: Mapping[str, str] | Sequence[str] = ()) -> Scenario:
    """Read and check a scenario file.

    Parameters
    ----------
    path : path
        The TOML file; names of files in it start from its folder.
    overrides : mapping or sequence of str
        Keys to set over the file, as a mapping or as "key=value": ``errors.setting=8 mm``,
        ``sky.sunshape=buie``, ``pot.place=[0 mm, -700 mm]``, ``pot.place[2]=-700 mm``,
        ``aim.zones[1].sun_altitude=35 deg``. Text needs no quotes. Nothing after the = takes the
        key out.

    Returns
    -------
    Scenario
        Complete and frozen.

    Raises
    ------
    ScenarioError
        If the file can't be read or anything in it is wrong; all problems at once.
    """
    path = Path(path)
    source = cut(path.name)  # that results, too, can hold it
    try:
        text = read_text(path, LARGEST)
    except FileNotFoundError:
        near = nearest(path.name, sorted(p.name for p in path.parent.glob("*.toml")))
        tail = f" Nearest: {near}." if near else ""
        raise ScenarioError(source, [Problem("file", f"no such file.{tail}")]) from None
    except OSError as error:
        raise ScenarioError(source, [Problem("file", f"{error.strerror}.")]) from None
    except ValueError as error:
        raise ScenarioError(source, [Problem("file", str(error))]) from None
    return parse_scenario(text, source=source, folder=path.resolve().parent, overrides=overrides)
