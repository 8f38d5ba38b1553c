"""Finished parts of long work, so that it can be stopped by anything and continued.

A small SQLite database beside the results file. A part counts once it is committed; each carries
a checksum of its own, so that one which the disk has spoilt is dropped and computed again. The
database says what decides its numbers, and one that says something else is never continued.
"""

from __future__ import annotations

import base64
import binascii
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
from raytrace.files import cannot_write
from raytrace.store.fingerprint import Fingerprint, differing
from raytrace.store.locks import Lock

__all__ = ["Parts", "Value", "differences_of_parts", "parts_of"]

Value: TypeAlias = NDArray[Any] | float | int | bool | str | None

FORMAT = 1  # of a database of parts
MARK = 0x5261_7954  # SQLite's number for whose database it is, bytes 68 to 71
HEAD = b"SQLite format 3\0"
ARRAY = "dtype"  # key by which an array is known among values
TABLES = (
    "CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT)",
    "CREATE TABLE part "
    "(number INTEGER PRIMARY KEY, name TEXT UNIQUE, checksum INTEGER, value BLOB)",
)


def parts_of(path: Path) -> Path:
    """Where the finished parts of the results file of this name are kept."""
    return path.with_suffix(".parts")


class Parts:
    """Finished parts of a study. Use as a context manager.

    Parameters
    ----------
    path : path
        Its folder is made if need be.
    stamp : mapping
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
        differs), is being written by another process, or can't be written.

    Notes
    -----
    Floats keep their bits. `add` returns once the disk has the part.
    """

    def __init__(self, path: Path | str, stamp: Fingerprint, *, overwrite: bool = False) -> None:
        self.path, self.lost = Path(path), ""
        self.done: dict[str, dict[str, Value]] = {}
        self._held = contextlib.ExitStack()
        try:
            self._held.enter_context(Lock(self.path))
            begun = _is_there(self.path)
            if begun and overwrite:
                _refuse_strangers(self.path)
                self._unlink()
            elif begun:
                found = differences_of_parts(self.path, stamp)
                if found:
                    raise StoreError(
                        f"{self.path}: holds another study, so it can't be continued "
                        f"({'; '.join(found)}). Name another file with -o, or replace this one "
                        "with --overwrite."
                    )
                self.done, self.lost = _read_parts(self.path)
                if self.lost:
                    self._unlink()
            with _told(self.path):
                self.path.parent.mkdir(parents=True, exist_ok=True)
                self._data = self._held.enter_context(contextlib.closing(_connect(self.path)))
                if not begun or overwrite or self.lost:
                    self._begin(stamp)
            self._file = self.path.stat()
        except BaseException:
            self.close()
            raise

    def _begin(self, stamp: Fingerprint) -> None:
        about = {"format": FORMAT, "fingerprint": stamp}
        with self._data:
            self._data.execute(f"PRAGMA application_id = {MARK}")
            for table in TABLES:
                self._data.execute(table)
            self._data.executemany(
                "INSERT INTO about VALUES (?, ?)",
                [(k, json.dumps(v, ensure_ascii=False)) for k, v in about.items()],
            )
            for name, part in self.done.items():
                self._data.execute(INSERT, _row(name, part))

    def add(self, name: str, part: Mapping[str, Value]) -> None:
        """Add a finished part and bring it to disk.

        Parameters
        ----------
        name : str
        part : mapping of str to ndarray, float, int, bool, str or None
            Arrays of numbers, text or times.

        Raises
        ------
        StoreError
            If it can't be written, or the file was removed or replaced meanwhile; the parts
            already there stay good, and the same part may be added again.
        """
        row = _row(name, part)
        if not self._is_still_there():
            raise StoreError(
                f"{self.path}: has been removed or replaced meanwhile, and what was finished with "
                "it. Give the command again to begin again."
            )
        with _told(self.path), self._data:
            self._data.execute(INSERT, row)
        self.done[name] = _unpacked_part(row[2])

    def remove(self) -> None:
        """Remove the file, once all that it holds is elsewhere."""
        self._data.close()
        self._unlink()
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._held.close()

    def __enter__(self) -> Parts:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _is_still_there(self) -> bool:
        try:
            return os.path.samestat(self._file, self.path.stat())
        except OSError:
            return False

    def _unlink(self) -> None:
        for path in (self.path, self.path.with_name(f"{self.path.name}-journal")):
            with contextlib.suppress(OSError):
                path.unlink()


INSERT = "INSERT OR REPLACE INTO part (name, checksum, value) VALUES (?, ?, ?)"


def differences_of_parts(path: Path, stamp: Fingerprint) -> list[str]:
    """Say in what the study of finished parts differs from one that is about to be made.

    Parameters
    ----------
    path : path
    stamp : mapping
        As for `Parts`.

    Returns
    -------
    list of str
        Empty if it can be continued.

    Raises
    ------
    StoreError
        If the file holds no parts of this program, or is damaged.
    """
    _refuse_strangers(path)
    try:
        with contextlib.closing(_connect(path, read_only=True)) as data:
            about = {k: json.loads(v) for k, v in data.execute("SELECT name, value FROM about")}
        if about["format"] != FORMAT:
            return [f"finished parts of format {about['format']} there, {FORMAT} now"]
        return differing(about["fingerprint"], stamp)
    except (sqlite3.DatabaseError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"{path}: damaged ({error}), so it can't be continued. Name another file with -o, or "
            "replace this one with --overwrite."
        ) from error


def _read_parts(path: Path) -> tuple[dict[str, dict[str, Value]], str]:
    """Sound parts, and in words what else there was."""
    done: dict[str, dict[str, Value]] = {}
    bad, why = 0, ""
    try:
        with contextlib.closing(_connect(path, read_only=True)) as data:
            rows = data.execute("SELECT name, checksum, value FROM part ORDER BY number")
            for name, checksum, value in rows:
                if checksum == _checksum(name, value):
                    done[name] = _unpacked_part(value)
                else:
                    bad += 1
            if data.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
                why = "its pages are damaged"
    except sqlite3.DatabaseError as error:
        why = str(error)
    if bad:
        why = f"{bad} of {bad + len(done)} finished parts are damaged"
    lost = f"{path}: {why}: what stood there is computed again." if why else ""
    return done, lost


def _connect(path: Path, *, read_only: bool = False) -> sqlite3.Connection:
    # a file that a crash left in the middle of a write is mended on opening, which takes writing
    mode = "rw" if read_only else "rwc"
    data = sqlite3.connect(
        f"{path.resolve().as_uri()}?mode={mode}", uri=True, timeout=0.0, check_same_thread=False
    )
    data.execute("PRAGMA synchronous = FULL")
    return data


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    """Say what a disk, its owner or another process has against it, and what to do."""
    try:
        yield
    except OSError as error:
        raise cannot_write(path, error) from error
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "")
        codes = {
            "SQLITE_FULL": errno.ENOSPC,
            "SQLITE_READONLY": errno.EACCES,
            "SQLITE_CANTOPEN": errno.EACCES,
            "SQLITE_IOERR": errno.EIO,
            "SQLITE_PERM": errno.EACCES,
        }
        code = next((c for k, c in codes.items() if name.startswith(k)), None)
        if code is not None:
            # SQLite takes a disk's refusal to grow a file for a full disk, and hides which
            raise cannot_write(path, OSError(code, os.strerror(code))) from error
        if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            raise StoreError(
                f"{path}: another process is writing to it. Wait for it, or name another file "
                "with -o."
            ) from error
        raise StoreError(
            f"{path}: damaged ({error}). Name another file with -o, or replace this one with "
            "--overwrite."
        ) from error


def _is_there(path: Path) -> bool:
    if path.is_dir():
        raise StoreError(f"{path}: is a folder. Name a file with -o.")
    return path.exists() and path.stat().st_size > 0


def _refuse_strangers(path: Path) -> None:
    """Leave alone what holds no parts of this program: it may be somebody's only copy."""
    try:
        with path.open("rb") as file:
            head = file.read(72)
    except OSError as error:
        raise StoreError(f"{path}: can't be read: {error.strerror or error}.") from error
    ours = head[68:72] == MARK.to_bytes(4, "big")
    if head and not ours:
        raise StoreError(
            f"{path}: holds no finished parts of this program, or is damaged, so it is left alone. "
            "Name another file with -o."
        )


def _row(name: str, part: Mapping[str, Value]) -> tuple[str, int, bytes]:
    packed = {key: _packed(value) for key, value in part.items()}
    value = json.dumps(packed, ensure_ascii=False, separators=(",", ":")).encode()
    return name, _checksum(name, value), value


def _checksum(name: object, value: object) -> int:
    return zlib.crc32(value, zlib.crc32(str(name).encode())) if isinstance(value, bytes) else -1


def _unpacked_part(value: bytes) -> dict[str, Value]:
    return {key: _unpacked(x) for key, x in json.loads(value).items()}


def _packed(value: Value | Sequence[Any]) -> Any:
    if value is None or type(value) in (bool, int, float, str):
        return value  # numpy's own scalars become arrays, which keep their type
    array = np.asarray(value)
    if array.dtype.kind not in "biufcUMm":
        raise TypeError(f"can't keep {type(value).__name__} of {array.dtype}")
    # the same bytes on every machine
    array = array.astype(array.dtype.newbyteorder("<"), order="C")
    text = base64.b64encode(array.tobytes()).decode()
    return {ARRAY: array.dtype.str, "shape": list(array.shape), "bytes": text}


def _unpacked(value: Any) -> Value:
    if not isinstance(value, dict):
        plain: Value = value
        return plain
    data = binascii.a2b_base64(value["bytes"])
    array: NDArray[Any] = np.frombuffer(data, dtype=np.dtype(value[ARRAY]))
    return array.reshape(value["shape"]).copy()
