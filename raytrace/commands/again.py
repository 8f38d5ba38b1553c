"""Scenarios out of a results file, with all that they were read from, to repeat the study by."""

from __future__ import annotations

import json
import shlex
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from raytrace.store.results import KeptScenario, Stored

__all__ = ["Kept", "kept_in", "write_again"]

LONG = 400  # characters of settings that the command says as well


@dataclass(frozen=True)
class Kept:
    """One scenario of a results file.

    Attributes
    ----------
    source : str
        Name of its file.
    text : str
        TOML, with what was set over it worked in; the first lines say how to repeat the study.
    files : mapping of str to bytes or None
        Tables and weather file, by the names that the text gives them; None where the results
        don't hold it.
    """

    source: str
    text: str
    files: Mapping[str, bytes | None]


def kept_in(path: Path, *, side_by_side: bool = False) -> list[Kept]:
    """Scenarios of a results file; several where it compares several.

    Parameters
    ----------
    path : path
    side_by_side : bool
        Name their files as they lie in one folder, rather than as the scenario named them.

    Returns
    -------
    list of Kept

    Raises
    ------
    StoreError
        If the file can't be read, or is damaged.
    """
    from raytrace.exceptions import StoreError
    from raytrace.store.results import stored

    there = stored(path)
    if not there.scenarios:
        raise StoreError(f"{path}: holds no scenario.")
    head = "".join(f"# {line}\n" for line in _head(path, there))
    return [_kept(scenario, head, side_by_side) for scenario in there.scenarios]


def write_again(path: Path, folder: Path) -> list[tuple[Path, int]]:
    """Write the scenarios of a results file and all that they name into a folder.

    Parameters
    ----------
    path : path
        Of the results file.
    folder : path
        Made if need be; no file in it is replaced.

    Returns
    -------
    list of (Path, int)
        Files and their sizes.

    Raises
    ------
    StoreError
        If the results hold too little, a file is there already or can't be written.
    """
    from raytrace.exceptions import StoreError
    from raytrace.files import write_whole

    kept = kept_in(path, side_by_side=True)
    files: dict[str, bytes] = {}
    for one in kept:
        for name, data in [(PurePath(one.source).name, one.text.encode()), *one.files.items()]:
            if data is None:
                raise StoreError(f"{path}: {name}, which {one.source} names, is not in it.")
            if files.setdefault(name, data) != data:
                raise StoreError(f"{path}: holds two different files of the name {name}.")
    if folder.is_file():
        raise StoreError(f"{folder}: is a file. Name a folder with -o.")
    for name in files:
        if (folder / name).exists():
            raise StoreError(f"{folder / name}: there already. Name another folder with -o.")
    return [(folder / name, write_whole(folder / name, files[name], new=True)) for name in files]


def _kept(scenario: KeptScenario, head: str, side_by_side: bool) -> Kept:
    from raytrace.studies.designs.rewrite import worked_in

    files = {name: text.encode() for name, text in scenario.tables.items()} | dict(scenario.files)
    named: dict[str, bytes | None] = {}

    def place(name: str) -> str:
        new = PurePath(name).name if side_by_side else name
        # the weather file is kept under its name from the scenario's folder
        same = (data for there, data in files.items() if PurePath(there) == PurePath(name))
        named[new] = next(same, None)
        return new

    text = worked_in(scenario.text, scenario.overrides, place)
    return Kept(scenario.source, head + text, named)


def _head(path: Path, there: Stored) -> Iterator[str]:
    """Comments: where it comes from, and the command that repeats the study."""
    yield f"From {path.name}, made by cooker-raytrace {there.raytrace} on {there.created[:10]}."
    if there.command:
        command = _printable(_repeat(there.command, {s.source for s in there.scenarios}))
        yield f"What --set said is worked in. Repeat: {command}"
    asked = {k: v for k, v in there.fingerprint["plan"].items() if v is not None}
    text = _printable(json.dumps(asked, ensure_ascii=False))
    if not there.command or len(text) < LONG:  # a season's dates would fill the screen
        yield f"Asked for: {text}"


def _repeat(command: str, sources: set[str]) -> str:
    """The command with scenarios by their names alone, and without what no longer belongs to it."""
    out, skip = [], False
    for word in shlex.split(command):
        if skip:
            skip = False
        elif word in ("--set", "-o", "--output", "--figures"):
            skip = True
        elif word.startswith(("--set=", "--output=", "--figures=", "-o")) or word == "--overwrite":
            continue
        else:
            out.append(PurePath(word).name if PurePath(word).name in sources else word)
    return shlex.join(out)


def _printable(text: str) -> str:
    """Text that stays within a comment's line."""
    return "".join(c if c.isprintable() else "�" for c in text)
