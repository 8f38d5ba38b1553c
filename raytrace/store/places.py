"""Where results go: one rule for the names of all results files."""

from __future__ import annotations

from pathlib import Path

from raytrace.exceptions import StoreError
from raytrace.store.fingerprint import Fingerprint, differing
from raytrace.store.parts import differences_of_parts, parts_of
from raytrace.store.results import stored
from raytrace.store.sealed import is_there, refuse_strangers

__all__ = ["conflicts", "place_of"]

ENDINGS = (".h5", ".hdf5")


def place_of(
    output: Path | None,
    stem: str,
    fingerprint: Fingerprint,
    *,
    overwrite: bool = False,
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

    Returns
    -------
    path

    Raises
    ------
    StoreError
        If the name given is a folder's or has another ending, or if what is there must not be
        replaced.
    """
    if output is not None:
        if output.is_dir():
            raise StoreError(f"{output}: is a folder. Name a file in it: {output / stem}.h5.")
        if output.suffix not in ("", ".csv", *ENDINGS):
            raise StoreError(f"{output}: name a file that ends in .h5.")
        # a table lies beside its results, under the same name
        path = output if output.suffix in ENDINGS else output.with_suffix(".h5")
        refuse_strangers(path)
        found = [] if overwrite else conflicts(path, fingerprint)
        if found:
            raise _another(path, found)
        return path
    path, number = Path("results") / f"{stem}.h5", 1
    while not _is_free(path, fingerprint, overwrite):
        number += 1
        path = path.with_name(f"{stem}-run{number}.h5")
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
    if found or parts_of(path).exists() or not is_there(path):
        return found
    return differing(stored(path).fingerprint, fingerprint)


def _another(path: Path, found: list[str]) -> StoreError:
    return StoreError(
        f"{path}: holds another study, so it can't be continued ({'; '.join(found)}). Name another "
        "file with -o, or replace this one with --overwrite."
    )


def _is_free(path: Path, fingerprint: Fingerprint, overwrite: bool) -> bool:
    try:
        refuse_strangers(path)
        return overwrite or not conflicts(path, fingerprint)
    except StoreError:
        return False  # whatever it is, it stays
