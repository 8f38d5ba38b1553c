"""A scenario with keys set again, written as a file: in place, comments kept."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.exceptions import StoreError
from raytrace.files import write_whole
from raytrace.scenario.loading import parse_scenario
from raytrace.scenario.overrides import apply_override
from raytrace.texts import shown

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["rewritten", "same_values", "worked_in", "write_scenario"]

FILES = (
    ("facets", "places"),
    ("facets", "states"),
    ("site", "horizon"),
    ("sky", "weather_file"),
    ("sky", "sunshape_table"),
    ("learned", "draws"),
)


def rewritten(scenario: Scenario, folder: Path, *, note: str = "") -> str:
    """Text of a scenario with what was set over it worked in.

    Parameters
    ----------
    scenario : Scenario
    folder : path
        Where the text will stand: names of files are given from there.
    note : str
        Comment for the first line.

    Returns
    -------
    str
        TOML with the comments and the order of the scenario's text.
    """
    start, held = scenario.folder, _weather_held(scenario)

    def place(name: str) -> str:
        if start is None or name in held:
            return name
        return _from(folder, start / name)

    text = worked_in(scenario.text, scenario.overrides, place)
    return f"# {note}\n{text}" if note else text


def worked_in(text: str, overrides: Sequence[str], place: Callable[[str], str]) -> str:
    """Text of a scenario with what was set over it worked in.

    Parameters
    ----------
    text : str
        TOML.
    overrides : sequence of str
        As for `raytrace.scenario.loading.load_scenario`.
    place : callable
        Takes the name that the scenario gives a file; returns the name to give instead.

    Returns
    -------
    str
        TOML with the order of the text and its comments; those beside what was set say first
        what it was, for they may be true of that alone.
    """
    import tomlkit

    before, document = tomlkit.parse(text), tomlkit.parse(text)
    for override in overrides:
        apply_override(document, override)
    _tell_old_values(document, before)
    for section, key in FILES:
        name = document.get(section, {}).get(key)
        if isinstance(name, str) and (new := place(name)) != name:
            document[section][key] = new
    return tomlkit.dumps(document)


def _tell_old_values(now: Any, before: Any) -> None:
    """Have comments beside values that have changed say of which value they speak."""
    for key, value in now.items():
        old = before.get(key)
        if isinstance(value, Mapping) and isinstance(old, Mapping):
            _tell_old_values(value, old)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            for one, other in zip(value, old or (), strict=False):
                _tell_old_values(one, other)
        elif old is not None and value != old:
            held = getattr(now, "value", now)  # gives true and false with their comments, too
            trivia = getattr(held.item(key) if hasattr(held, "item") else value, "trivia", None)
            if trivia is not None and trivia.comment:
                was = shown(old.unwrap() if hasattr(old, "unwrap") else old)
                trivia.comment = f"# was {was}: {trivia.comment.lstrip('# ')}"


def _from(folder: Path, file: Path) -> str:
    try:
        return Path(os.path.relpath(file, folder.resolve())).as_posix()
    except ValueError:  # on another drive
        return file.as_posix()


def write_scenario(scenario: Scenario, path: Path, *, note: str = "") -> int:
    """Write a scenario and what was set over it as a file, and read that back to make sure.

    Parameters
    ----------
    scenario : Scenario
    path : path
        Its folder is made if need be; weather that the scenario holds itself is written beside.
    note : str
        Comment for the first line.

    Returns
    -------
    int
        Size of the file in bytes.

    Raises
    ------
    StoreError
        If it can't be written, or what is read back is another scenario.
    """
    held = _weather_held(scenario)
    for name, table in held.items():
        write_whole(path.parent / name, table)
    size = write_whole(path, rewritten(scenario, path.parent, note=note))
    text = path.read_text(encoding="utf-8")
    there = parse_scenario(text, source=path.name, folder=path.resolve().parent, tables=held)
    if not same_values(there, scenario):
        raise StoreError(f"{path}: reads back as another scenario; don't build from it.")
    return size


def _weather_held(scenario: Scenario) -> dict[str, str]:
    """Weather that the scenario holds itself, as text by its name; it is written beside."""
    name = str(scenario.sky.weather_file)
    return {name: scenario.tables[name]} if name in scenario.tables else {}


def same_values(a: Scenario, b: Scenario) -> bool:
    """Whether two scenarios describe the same, whatever their words.

    Parameters
    ----------
    a, b : Scenario

    Returns
    -------
    bool
    """
    return _same(a.model_dump(), b.model_dump())


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, Mapping) and isinstance(b, Mapping):
        return a.keys() == b.keys() and all(_same(a[k], b[k]) for k in a)
    if isinstance(a, np.ndarray) or isinstance(b, np.ndarray):
        return a is not None and b is not None and np.array_equal(a, b)
    if isinstance(a, Path) and isinstance(b, Path):
        return a.resolve() == b.resolve()
    if isinstance(a, list | tuple) and isinstance(b, list | tuple):
        return len(a) == len(b) and all(_same(x, y) for x, y in zip(a, b, strict=True))
    return bool(a == b)
