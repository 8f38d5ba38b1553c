"""Where results go: one rule for the names of all results files."""

from __future__ import annotations

import json
from pathlib import Path

from raytrace import files
from raytrace.exceptions import StoreError
from raytrace.store.fingerprint import Fingerprint, differing
from raytrace.store.parts import Parts, differences_of_parts, parts_of
from raytrace.store.results import stored
from raytrace.store.sealed import is_there, opened, refuse_strangers

__all__ = ["conflicts", "parts_beside", "place_of"]


def place_of(
    output: Path | None,
    stem: str,
    fingerprint: Fingerprint,
    *,
    overwrite: bool = False,
    text: bytes | None = None,
) -> Path:
    """Name of a results file: the one given, or the first that is free or holds this very study.

    Parameters
    ----------
    output : path or None
        As the user gave it; its ending may be left out.
    stem : str
        Name in the folder results where the user gave none.
    fingerprint : mapping
        All that decides the results, see `raytrace.store.fingerprint`.
    overwrite : bool
        Take the first name, whatever of this program's is there.
    text : bytes, optional
        What the results begin with, where they are a scenario (.toml) rather than HDF5.

    Returns
    -------
    path

    Raises
    ------
    StoreError
        If the name given is a folder's or has another ending, or if what is there must not be
        replaced.
    """
    endings = (".h5", ".hdf5") if text is None else (".toml",)
    ending = endings[0]
    if output is not None:
        if output.is_dir():
            raise StoreError(f"{output}: is a folder. Name a file in it: {output / stem}{ending}.")
        if output.suffix not in ("", ".csv", *endings):
            raise StoreError(f"{output}: name a file that ends in {ending}.")
        # a table lies beside its results, under the same name
        path = output if output.suffix in endings else output.with_suffix(ending)
        _refuse_strangers(path, text)
        found = [] if overwrite else conflicts(path, fingerprint)
        if found:
            raise _another(path, found)
        return path
    path, number = Path("results") / f"{stem}{ending}", 1
    while not _is_free(path, fingerprint, overwrite, text):
        number += 1
        path = path.with_name(f"{stem}-run{number}{ending}")
    return path


def conflicts(path: Path, fingerprint: Fingerprint) -> list[str]:
    """Say in what the study at a place, finished or not, differs; empty if nothing is there.

    Parameters
    ----------
    path : path
        Of the results file.
    fingerprint : mapping
        As for `place_of`.

    Returns
    -------
    list of str

    Raises
    ------
    StoreError
        If what is there can't be read.
    """
    found = differences_of_parts(parts_of(path), fingerprint)
    if found or parts_of(path).exists() or path.suffix == ".toml":
        return found
    return _between(path, fingerprint)


def parts_beside(
    path: Path, fingerprint: Fingerprint, *, overwrite: bool = False
) -> tuple[Parts, bool]:
    """Open the finished parts of a results file that is itself gone on from.

    Parameters
    ----------
    path : path
        Of the results file.
    fingerprint : mapping
        As for `place_of`.
    overwrite : bool
        Begin again, whatever is there; the results are replaced at the end.

    Returns
    -------
    parts : Parts
    there : bool
        Whether the results file holds what was finished before.

    Raises
    ------
    StoreError
        As `Parts`; and if the results file is another study's, or damaged.
    """
    refuse_strangers(path)
    parts = Parts(parts_of(path), fingerprint, overwrite=overwrite)
    try:
        found = [] if overwrite else _between(path, fingerprint)
        if found and not parts.done:  # otherwise a study that replaces it was stopped
            raise _another(path, found)
    except BaseException:
        if parts.done:
            parts.close()
        else:
            parts.remove()
        raise
    return parts, is_there(path) and not overwrite and not found


def _another(path: Path, found: list[str]) -> StoreError:
    return StoreError(
        f"{path}: holds another study, so it can't be continued ({'; '.join(found)}). Name another "
        "file with -o, or replace this one with --overwrite."
    )


def _between(path: Path, fingerprint: Fingerprint) -> list[str]:
    """In what the results at a place differ."""
    if not is_there(path):
        return []
    with opened(path) as file:
        there = file.attrs.get("fingerprint")
    return differing(json.loads(there) if there else stored(path).fingerprint, fingerprint)


def _is_free(path: Path, fingerprint: Fingerprint, overwrite: bool, text: bytes | None) -> bool:
    try:
        _refuse_strangers(path, text)
        return overwrite or not conflicts(path, fingerprint)
    except StoreError:
        return False  # whatever it is, it stays


def _refuse_strangers(path: Path, text: bytes | None) -> None:
    if text is None:
        refuse_strangers(path)
    else:
        files.refuse_strangers(path, text)
