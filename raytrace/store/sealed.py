"""Results files in HDF5 that show whether they are still what was written.

A file is built in memory, sealed with a digest of all its bytes, and put in its place in one step.
The seal stands behind the end of what HDF5 reads, so that any reader of HDF5 opens the file. Arrays
carry HDF5's own checksums besides, so that other programs notice damage too; these don't reach
attributes, text and the file's own structure, the seal does.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import io
from collections.abc import Iterator, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from raytrace.exceptions import CookerError, StoreError
from raytrace.files import write_whole

__all__ = [
    "FORMAT",
    "SEALED",
    "add_array",
    "is_ours",
    "is_there",
    "kind_of",
    "opened",
    "put_in_place",
    "refuse_strangers",
    "stamp",
]

FORMAT = 4  # of every results file; a file of another number isn't read
OURS = {"made_by": "cooker-raytrace"}  # root attribute of every results file
MAGIC = b"\x89HDF\r\n\x1a\n"
MARK = b"\ncooker-raytrace results, sha256 "
SEALED = len(MARK) + 64 + 1  # bytes of a seal: mark, digest in hex, end of line


def put_in_place(path: Path, image: io.BytesIO) -> int:
    """Seal an HDF5 image and put it in the place of a file, in one step.

    Parameters
    ----------
    path : path
        Its folder is made if need be.
    image : BytesIO
        As h5py leaves it.

    Returns
    -------
    int
        Size of the file. [bytes]

    Raises
    ------
    StoreError
        If it can't be written, or what is there is no results file of this program; that is then
        as it was.
    """
    refuse_strangers(path)
    data = image.getbuffer()
    seal = MARK + hashlib.sha256(data).hexdigest().encode() + b"\n"
    return write_whole(path, b"".join((data, seal)))


def refuse_strangers(path: Path) -> None:
    """Leave alone what is no results file of this program: it may be somebody's only copy.

    Parameters
    ----------
    path : path

    Raises
    ------
    StoreError
        If a folder is there, or a file that is neither empty nor one of this program's.
    """
    if path.is_dir():
        raise StoreError(f"{path}: is a folder. Name a file with -o.")
    if not is_ours(path):
        raise StoreError(
            f"{path}: not a results file of this program, or damaged past knowing, so it is left "
            "alone. Name another with -o, or move it away."
        )


def is_ours(path: Path) -> bool:
    """Whether this program wrote a results file, damaged or not; or nothing is there to lose.

    Parameters
    ----------
    path : path

    Returns
    -------
    bool

    Raises
    ------
    StoreError
        If it can't be read.
    """
    if not is_there(path) or _seal(path):
        return True
    root = _root(path) or {}
    return root.items() >= OURS.items()


def is_there(path: Path) -> bool:
    """Whether there is a file with anything in it; a full disk may leave an empty one.

    Parameters
    ----------
    path : path

    Returns
    -------
    bool
    """
    return path.exists() and path.stat().st_size > 0


def kind_of(path: Path) -> str:
    """Kind of a sound results file: the command that makes such.

    Parameters
    ----------
    path : path

    Returns
    -------
    str

    Raises
    ------
    StoreError
        As `opened`.
    """
    with opened(path) as file:
        return str(file.attrs["kind"])


@contextlib.contextmanager
def opened(path: Path, *kinds: str) -> Iterator[Any]:
    """Open a results file for reading; whatever is wrong with it becomes a StoreError.

    Parameters
    ----------
    path : path
    *kinds : str
        Those that are of use; any, if none is named.

    Yields
    ------
    h5py.File

    Raises
    ------
    StoreError
        If it isn't there, is damaged, or holds something else.
    """
    import h5py

    _check(path)
    try:
        with h5py.File(path, "r") as file:
            kind = str(file.attrs["kind"])
            if kinds and kind not in kinds:
                raise _other(path, kind, kinds)
            yield file
    except CookerError:
        raise
    except (OSError, KeyError, RuntimeError) as error:
        raise StoreError(
            f"{path}: whole, but not laid out as this version lays out its results ({error}). Read "
            "it with the version that wrote it, or make it again with --overwrite."
        ) from error


def stamp(file: Any, kind: str, command: str = "") -> None:
    """Write into the root what a file is, and what made it when.

    Parameters
    ----------
    file : h5py.File
    kind : str
        The command that makes such results.
    command : str
        By which it was made; empty where it wasn't by a command.
    """
    from raytrace.version import __version__

    file.attrs.update(
        {
            **OURS,
            "kind": kind,
            "format": FORMAT,
            "raytrace": __version__,
            **{name: version(name) for name in ("numpy", "numba", "pvlib")},
            "command": command,
            "created": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        }
    )


def add_array(group: Any, name: str, values: Any, long_name: str, units: str = "") -> Any:
    """Add an array that says what it is and carries a checksum where HDF5 has one.

    Parameters
    ----------
    group : h5py.Group
    name : str
    values : array_like
        Numbers, truth values (kept as 0 and 1) or text.
    long_name : str
    units : str
        None for text.

    Returns
    -------
    h5py.Dataset
    """
    import h5py

    values = np.asarray(values)
    options: dict[str, Any] = {}
    if values.dtype.kind in "UO":
        values, options["dtype"] = values.astype(object), h5py.string_dtype()
    elif values.size and values.ndim:  # HDF5 keeps checksums of chunks, and only arrays have chunks
        options["fletcher32"] = True
    if values.dtype.kind == "b":
        values = values.astype(np.int8)
    if "fletcher32" in options and values.size > 64:
        options |= {"compression": "gzip", "compression_opts": 4, "shuffle": True}
    dataset = group.create_dataset(name, data=values, **options)
    if long_name:
        dataset.attrs["long_name"] = long_name
    if units:
        dataset.attrs["units"] = units
    return dataset


def _other(path: Path, kind: str, wanted: Sequence[str]) -> StoreError:
    names = " or ".join(f"cooker {name}" for name in wanted)
    return StoreError(
        f"{path}: holds results of cooker {kind}; those of {names} are needed. To see it "
        f"again: cooker show {path}"
    )


def _check(path: Path) -> None:
    """Refuse whatever is not, byte for byte, a results file as this program wrote it."""
    if path.is_dir():
        raise StoreError(f"{path}: is a folder. Name a results file in it.")
    if not path.exists():
        beside = sorted(p.name for p in path.parent.glob("*.h5")) if path.parent.is_dir() else []
        tail = f" Results there: {', '.join(beside[:8])}." if beside else ""
        raise StoreError(f"{path}: no such file.{tail}")
    seal = _seal(path)
    if seal:
        if seal == _digest(path):
            return
        raise StoreError(
            f"{path}: damaged: its checksum doesn't fit, so nothing of it is used. Copy it again "
            "from where it came, or make it again with --overwrite."
        )
    root = _root(path)
    if root is None and _bytes(path, 0, len(MAGIC)) != MAGIC:
        raise StoreError(f"{path}: not a results file. Name one that this program wrote (.h5).")
    if root is not None and not root.items() >= OURS.items():
        raise StoreError(f"{path}: an HDF5 file, but not one of this program's results.")
    form = FORMAT if root is None else root.get("format")
    if isinstance(form, np.integer) and form != FORMAT:
        age = (
            "a later version. Update this one"
            if form > FORMAT
            else "an earlier version, whose files had no checksums. Make it again with --overwrite"
        )
        raise StoreError(f"{path}: written by {age}.")
    raise StoreError(
        f"{path}: cut short, damaged or changed by another program, so nothing of it is used. "
        "Copy it again from where it came, or make it again with --overwrite."
    )


def _bytes(path: Path, start: int, count: int) -> bytes:
    """Some bytes of a file; a start below zero counts from the end."""
    try:
        with path.open("rb") as file:
            file.seek(start if start >= 0 else max(path.stat().st_size + start, 0))
            return file.read(count)
    except OSError as error:
        raise StoreError(f"{path}: can't be read: {error.strerror}.") from None


def _seal(path: Path) -> str:
    """Digest that a file's seal states; empty where there is no seal."""
    seal = _bytes(path, -SEALED, SEALED)
    return seal[len(MARK) : -1].decode("latin-1") if seal.startswith(MARK) else ""


def _digest(path: Path) -> str:
    """Digest of all before the seal, without holding it in memory."""
    digest, left = hashlib.sha256(), path.stat().st_size - SEALED
    try:
        with path.open("rb") as file:
            while left > 0 and (block := file.read(min(left, 1 << 20))):
                digest.update(block)
                left -= len(block)
    except OSError as error:
        raise StoreError(f"{path}: can't be read: {error.strerror}.") from None
    return digest.hexdigest()


def _root(path: Path) -> dict[str, Any] | None:
    """Attributes of a file that has no seal; None where it is no HDF5 or too damaged."""
    import h5py

    try:
        with h5py.File(path, "r") as file:
            return dict(file.attrs)
    except Exception:  # damage shows as almost anything
        return None
