"""Where results go: one rule for the names of all results files."""

from __future__ import annotations

from pathlib import Path

from raytrace.exceptions import StoreError
from raytrace.store.fingerprint import Fingerprint, differing
from raytrace.store.parts import differences_of_parts, parts_of
from raytrace.store.results import stored
from raytrace.store.sealed import is_there, refuse_strangers

__all__ = ["conflicts", "place_of"]


def place_of(
    output: Path | None, stem: str, stamp: Fingerprint, *, overwrite: bool = False
) -> Path:
    """Name of a results file: the one given, or the first that is free or holds this very study.

    Parameters
    ----------
    output : path or None
        As the user gave it; the ending may be left out, or be that of the table beside it.
    stem : str
        Name in the folder results where the user gave none.
    stamp : mapping
        All that decides the results, see `raytrace.store.fingerprint`.
    overwrite : bool
        Take the first name, whatever of this program's is there.

    Returns
    -------
    path : Path

    Raises
    ------
    StoreError
        If the name given is a folder's, or that of a file that holds anything else.
    """
    if output is not None:
        if output.is_dir():
            raise StoreError(f"{output}: a folder. Name a file in it: -o {output / stem}.h5.")
        if output.suffix not in ("", ".h5", ".hdf5", ".csv"):
            raise StoreError(f"{output}: results are HDF5; end the name in .h5.")
        # a table lies beside its results, under the same name
        path = output if output.suffix in (".h5", ".hdf5") else output.with_suffix(".h5")
        refuse_strangers(path)
        found = [] if overwrite else conflicts(path, stamp)
        if found:
            raise StoreError(
                f"{path}: holds another study ({'; '.join(found)}). Name another file with -o, or "
                "replace this one with --overwrite."
            )
        return path
    path, number = Path("results") / f"{stem}.h5", 1
    while not overwrite and not _is_free(path, stamp):
        number += 1
        path = path.with_name(f"{stem}-run{number}.h5")
    refuse_strangers(path)
    return path


def conflicts(path: Path, stamp: Fingerprint) -> list[str]:
    """Say in what the study at a place, finished or not, differs; empty if nothing is there.

    Parameters
    ----------
    path : path
        Of the results file.
    stamp : mapping
        As for `place_of`.

    Raises
    ------
    StoreError
        If what is there can't be read.
    """
    if is_there(parts_of(path)):
        return differences_of_parts(parts_of(path), stamp)
    return differing(stored(path).fingerprint, stamp) if is_there(path) else []


def _is_free(path: Path, stamp: Fingerprint) -> bool:
    try:
        return not conflicts(path, stamp)
    except StoreError:
        return False  # whatever it is, it stays
