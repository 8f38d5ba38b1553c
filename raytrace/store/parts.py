"""Finished parts of long work, so that it can be stopped by anything and continued.

A small SQLite database beside the results file. A part counts once it is committed, and each row
carries a checksum of its own: what the disk has spoilt is dropped and computed again. The first
row is the fingerprint of the study, and a database of another is never continued.
"""

from __future__ import annotations

import base64
import contextlib
import errno
import json
import os
import sqlite3
import zlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import StoreError
from raytrace.files import cannot_write, write_whole
from raytrace.store.fingerprint import Fingerprint, differing
from raytrace.store.locks import Lock

__all__ = ["Parts", "Value", "differences_of_parts", "parts_of"]

Value: TypeAlias = NDArray[Any] | float | int | bool | str | None

MARK = 0x636F6F6B  # SQLite's application id, bytes 68 to 71 of a file: "cook"
TABLE = "CREATE TABLE part (number INTEGER PRIMARY KEY, packed BLOB, checksum INTEGER)"
INSERT = "INSERT INTO part (packed, checksum) VALUES (?, ?)"
SELECT = "SELECT packed, checksum FROM part ORDER BY number"
PATIENCE = 10.0  # with somebody who reads or writes at this moment [s]
LEVEL = 1  # of packing: more would take longer and win little
ARRAY = "dtype"  # key by which an array is known among values
OLD = (b' {"cooker-parts":', b'{"op_code"')  # in the first bytes of an earlier version's journals
CODES = {  # how an SQLite error's name begins: what the system would call it
    "SQLITE_FULL": errno.ENOSPC,
    "SQLITE_READONLY": errno.EACCES,
    "SQLITE_CANTOPEN": errno.EACCES,
    "SQLITE_PERM": errno.EACCES,
    "SQLITE_IOERR": errno.EIO,
}


def parts_of(path: Path) -> Path:
    """Where the finished parts of the results file of this name are kept.

    Parameters
    ----------
    path : path
        Of the results file.

    Returns
    -------
    path
        Of a folder.
    """
    return path.with_suffix(".parts")


class Parts:
    """Finished parts of a study. Use as a context manager.

    Parameters
    ----------
    path : path
        Its folder is made if need be.
    fingerprint : mapping
        Everything that decides the results; see `raytrace.store.fingerprint.fingerprint`.
    overwrite : bool
        Begin again, whatever parts of any study are there.

    Attributes
    ----------
    done : dict of str to dict
        Finished parts by name, in the order in which they were finished.
    lost : str
        What the disk has spoilt, in words; empty if nothing.

    Raises
    ------
    StoreError
        If the file there is not this program's, holds another study (the message says in what it
        differs), is damaged, is being written by another process, or can't be written.

    Notes
    -----
    Floats keep their bits. `add` returns once the disk has the part.
    """

    def __init__(
        self, path: Path | str, fingerprint: Fingerprint, *, overwrite: bool = False
    ) -> None:
        self.path, self.lost = Path(path), ""
        self.done: dict[str, dict[str, Value]] = {}
        self._held = contextlib.ExitStack()
        try:
            self._held.enter_context(Lock(self.path))
            begun = _is_ours(self.path) and not overwrite
            if not overwrite and (found := differences_of_parts(self.path, fingerprint)):
                raise StoreError(
                    f"{self.path}: holds another study, so it can't be continued "
                    f"({'; '.join(found)}). Name another file with -o, or replace this one with "
                    "--overwrite."
                )
            if begun:
                self.done, self.lost = _read(self.path)
            # rewritten each time, so that no damage is gone on from; what was there stays until
            # this is, but for what takes back the last step of what is replaced
            with _told(self.path):
                _step_of(self.path).unlink(missing_ok=True)
                write_whole(self.path, _image(fingerprint, self.done))
                if old := _old_of(self.path):
                    old.unlink()
                self._data = self._held.enter_context(_opened(self.path))
            self._file = self.path.stat()
        except BaseException:
            self._held.close()
            raise

    def add(self, name: str, values: Mapping[str, Value]) -> None:
        """Add a finished part and bring it to disk.

        Parameters
        ----------
        name : str
            One that is there already is replaced.
        values : mapping of str to ndarray, float, int, bool, str or None

        Raises
        ------
        StoreError
            If it can't be written, or the file was removed or replaced meanwhile; the parts
            already there stay good, and the same part may be added again.
        """
        row = _row(_record_of(name, values))
        if not _is_still(self._file, self.path):
            raise StoreError(
                f"{self.path}: has been removed or replaced meanwhile, and what was finished with "
                "it. Give the command again to begin again."
            )
        with _told(self.path), self._data:
            self._data.execute(INSERT, row)
        self.done |= _part(_record(row))

    def remove(self) -> None:
        """Remove the file, once all that it holds is elsewhere."""
        self._data.close()
        with contextlib.suppress(OSError):
            self.path.unlink()
        self._held.close()

    def close(self) -> None:
        """Let go of the file."""
        self._held.close()

    def __enter__(self) -> Parts:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def differences_of_parts(path: Path, fingerprint: Fingerprint) -> list[str]:
    """Say in what the study of finished parts differs from one that is about to be made.

    Parameters
    ----------
    path : path
    fingerprint : mapping
        As for `Parts`.

    Returns
    -------
    list of str
        Empty if it can be continued, or nothing is there.

    Raises
    ------
    StoreError
        If the file is not this program's, an earlier version's, or too damaged to say.
    """
    if not _is_ours(path):
        if old := _old_of(path):
            raise StoreError(
                f"{old}: finished parts of an earlier version, which can't be "
                "continued. Name another file with -o, or replace this one with --overwrite."
            )
        return []
    with _told(path), _opened(path) as data:
        there = _record(data.execute(SELECT).fetchone())
    if there is None or "fingerprint" not in there:
        raise _damaged(path, "what it belongs to can't be read")
    return differing(there["fingerprint"], fingerprint)


def _image(fingerprint: Fingerprint, done: Mapping[str, Mapping[str, Value]]) -> bytes:
    """Bytes of a database of so many parts."""
    with contextlib.closing(sqlite3.connect(":memory:")) as data:
        data.execute(f"PRAGMA application_id = {MARK}")
        data.execute(TABLE)
        data.execute(INSERT, _row({"fingerprint": fingerprint}))
        for name, part in done.items():
            data.execute(INSERT, _row(_record_of(name, part)))
        data.commit()
        return data.serialize()


def _read(path: Path) -> tuple[dict[str, dict[str, Value]], str]:
    """Sound parts, and in words what else there was."""
    done: dict[str, dict[str, Value]] = {}
    bad, why = 0, ""
    with _told(path), _opened(path) as data:
        try:
            rows = data.execute(SELECT)
            next(rows)  # the fingerprint
            for record in map(_record, rows):
                bad += record is None
                done |= _part(record)
            why = data.execute("PRAGMA quick_check(1)").fetchone()[0].decode()
        except sqlite3.OperationalError:
            raise
        except sqlite3.DatabaseError as error:
            why = str(error)
    found = [f"{bad} of {bad + len(done)} finished parts are damaged"] if bad else []
    found += [f"damaged ({why})"] if why != "ok" else []
    lost = f"{path}: {', '.join(found)}: what stood there is computed again." if found else ""
    return done, lost


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    """A database that is there; what a crash left of its last step is taken back on reading."""
    name = f"{path.resolve().as_uri()}?mode=rw"
    with contextlib.closing(sqlite3.connect(name, uri=True, timeout=PATIENCE)) as data:
        data.text_factory = bytes  # a spoilt row may hold anything
        data.execute("PRAGMA synchronous = FULL")
        yield data


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    """Say what a disk, its owner or another process has against it, and what to do."""
    try:
        yield
    except OSError as error:
        raise cannot_write(path, error) from error
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "")
        for start, code in CODES.items():
            if name.startswith(start):
                raise cannot_write(path, OSError(code, os.strerror(code))) from error
        if name.startswith("SQLITE_BUSY"):
            raise StoreError(
                f"{path}: another process is writing to it. Wait for it, or name another file "
                "with -o."
            ) from error
        raise _damaged(path, str(error)) from error


def _damaged(path: Path, why: str) -> StoreError:
    return StoreError(
        f"{path}: damaged ({why}), so it can't be continued. Name another file with -o, or "
        "replace this one with --overwrite."
    )


def _is_ours(path: Path) -> bool:
    """Whether finished parts are there; what is not this program's may be somebody's only copy."""
    if path.is_dir():
        raise StoreError(f"{path}: is a folder. Name a file with -o.")
    head = _head(path)
    if head and head[68:] != MARK.to_bytes(4, "big"):
        raise StoreError(
            f"{path}: holds no finished parts of this program, or is damaged, so it is left "
            "alone. Name another file with -o."
        )
    return bool(head)


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(72)
    except (FileNotFoundError, NotADirectoryError):
        return b""
    except OSError as error:
        raise StoreError(f"{path}: can't be read: {error.strerror or error}.") from error


def _step_of(path: Path) -> Path:
    """Where SQLite keeps what it takes to take back a step that was not finished."""
    target = path.resolve()
    return target.with_name(f"{target.name}-journal")


def _old_of(path: Path) -> Path | None:
    """What an earlier version has left of the study, if anything."""
    old = path.with_suffix(".journal")
    return old if old.is_file() and any(mark in _head(old) for mark in OLD) else None


def _is_still(there: os.stat_result, path: Path) -> bool:
    try:
        return os.path.samestat(there, path.stat())
    except OSError:
        return False


def _row(record: Mapping[str, Any]) -> tuple[bytes, int]:
    packed = json.dumps(record, separators=(",", ":")).encode()
    return packed, zlib.crc32(packed)


def _record(row: Sequence[Any] | None) -> dict[str, Any] | None:
    """What a row holds; None where any of it is missing or wrong."""
    if row is None or not isinstance(row[0], bytes) or zlib.crc32(row[0]) != row[1]:
        return None
    record: dict[str, Any] = json.loads(row[0])
    return record


def _record_of(name: str, values: Mapping[str, Value]) -> dict[str, Any]:
    return {"part": name, "values": {key: _packed(value) for key, value in values.items()}}


def _part(record: Mapping[str, Any] | None) -> dict[str, dict[str, Value]]:
    """The part of a record under its name, if there is one."""
    if record is None:
        return {}
    return {record["part"]: {key: _unpacked(value) for key, value in record["values"].items()}}


def _packed(value: Value | Sequence[Any]) -> Any:
    if value is None or type(value) in (bool, int, float, str):
        return value  # numpy's own scalars become arrays, which keep their type
    array = np.asarray(value)
    if array.dtype.kind not in "biufcUMm":
        raise TypeError(f"can't keep {type(value).__name__} of {array.dtype}")
    # the same bytes on every machine
    array = array.astype(array.dtype.newbyteorder("<"), order="C")
    # first bytes of all numbers, then second ones: alike, so that they pack well
    planes = np.frombuffer(array.tobytes(), np.uint8).reshape(-1, array.itemsize or 1).T
    text = base64.b64encode(zlib.compress(planes.tobytes(), LEVEL)).decode()
    return {ARRAY: array.dtype.str, "shape": list(array.shape), "bytes": text}


def _unpacked(value: Any) -> Value:
    if not isinstance(value, dict):
        plain: Value = value
        return plain
    kind = np.dtype(value[ARRAY])
    planes = np.frombuffer(zlib.decompress(base64.b64decode(value["bytes"])), np.uint8)
    data = bytearray(planes.reshape(kind.itemsize or 1, -1).T.tobytes())
    array: NDArray[Any] = np.frombuffer(data, dtype=kind)
    return array.reshape(value["shape"])
