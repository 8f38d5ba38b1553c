"""A TOML file to a checked `Scenario`: every value in SI units, angles in radians.

A file that can't be used is refused at once, with every problem in it: the key, its value, what
is allowed and the nearest correct key.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.consistency import contradictions
from raytrace.scenario.overrides import apply_override
from raytrace.scenario.plausible import impossible
from raytrace.scenario.schema import (
    Scenario,
    as_list,
    generic,
    listed_sections,
    schema,
    unknown_key,
)
from raytrace.scenario.toml_text import LARGEST, read_toml, too_deep
from raytrace.scenario.units import nearest
from raytrace.scenario.unknowns import take_laws
from raytrace.scenario.values import Loading, Reader
from raytrace.texts import cut, read_text, shown

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["load_scenario", "parse_scenario"]

WORDED = 100  # keys that are told why they are wrong, before the rest are counted


def _dotted(loc: Sequence[int | str]) -> str:
    out = ""
    for item in loc:
        out += f"[{item + 1}]" if isinstance(item, int) else f".{item}" if out else item
    return out


def _lacking(path: str) -> Problem:
    known = schema().get(generic(path))
    if known:
        return Problem(path, f"missing. Write {known.reader.allowed}.")
    below = (x.row for k, x in schema().items() if k.startswith(f"{path}."))
    needed = [row.key for row in below if row.default == "required"]
    return Problem(path, f"section missing. It needs at least {', '.join(needed)}.")


def _refusal(item: ErrorDetails, reader: Reader) -> str:
    """What the reader said or, where pydantic saw the type alone, what it has to say."""
    error = item.get("ctx", {}).get("error")
    try:
        if error is None:
            reader.read(item["input"], Loading())
    except ValueError as refused:
        error = refused
    return str(error)


def _translate(error: ValidationError) -> Iterator[Problem]:
    """Our words for what pydantic found."""
    problems: list[tuple[str, Problem]] = []
    meant: set[str | None] = set()
    found = error.errors(include_url=False)
    for item in found[:WORDED]:
        path, kind, value = _dotted(item["loc"]), item["type"], item["input"]
        known = schema().get(generic(path))
        if kind == "missing":
            problem = _lacking(path)
        elif kind == "extra_forbidden":
            problem, near = unknown_key(path, value)
            meant.add(near)
        elif known:
            problem = Problem(path, f" = {shown(value)}: {_refusal(item, known.reader)}")
        elif path in listed_sections():
            problem = Problem(path, f"write each one below a line [[{path}]].")
        else:
            problem = Problem(path, f" = {shown(value)}: a section is needed. Write [{path}].")
        problems.append((kind, problem))
    for kind, problem in problems:
        # A misspelt key is one problem, not an unknown key and a missing one.
        if kind != "missing" or problem.key not in meant:
            yield problem
    if len(found) > WORDED:
        yield Problem("file", f"{len(found) - WORDED} more keys are wrong or unknown.")


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
    inside: bool = False,
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
    inside : bool
        Whether files that it names must lie in the folder or below it, links followed.

    Returns
    -------
    Scenario
        Complete and frozen.

    Raises
    ------
    ScenarioError
        If anything is wrong; all problems at once.
    """
    raw = read_toml(text, source)
    loading = Loading(Path(folder) if folder is not None else None, tables or {}, inside=inside)
    changes = as_list(overrides)
    problems = [p for p in (apply_override(raw, change) for change in changes) if p]
    if deep := list(too_deep(raw)):
        raise ScenarioError(source, deep)
    laws, odd = take_laws(raw)
    problems += odd
    scenario = None
    try:
        scenario = Scenario.model_validate(raw, context=loading)
    except ValidationError as error:
        told = {problem.key.partition("[")[0] for problem in odd}
        problems += (p for p in _translate(error) if p.key not in told)
    problems += [*contradictions(raw, loading), *loading.problems]
    if scenario is not None:
        problems += impossible(
            scenario.facets, scenario.pot, scenario.errors, scenario.kitchen, scenario.platform
        )
    if problems or scenario is None:
        raise ScenarioError(source, _in_file_order(problems, raw))
    scenario._source = source
    scenario._text = text
    scenario._overrides = tuple(changes)
    scenario._folder = loading.folder
    scenario._tables = loading.tables
    scenario._laws = laws
    return scenario


def load_scenario(
    path: Path | str,
    overrides: Mapping[str, str] | Sequence[str] = (),
    *,
    weather: pd.DataFrame | None = None,
) -> Scenario:
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
    weather : DataFrame, optional
        To take instead of the sky that the file names, see `Scenario.with_weather`.

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
    read = parse_scenario(text, source=source, folder=path.resolve().parent, overrides=overrides)
    return read if weather is None else read.with_weather(weather)
