"""Files written whole or not at all: beside the place where they belong, then moved in one step."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

from raytrace.exceptions import StoreError, WriteError

__all__ = ["cannot_write", "part_of", "refuse_strangers", "rewrite_whole", "write_whole"]


def write_whole(
    path: Path | str, data: bytes | memoryview | str, *, new: bool = False, option: str = "-o"
) -> int:
    """Write a file in one step; until then what was there before stays as it is.

    Parameters
    ----------
    path : path
        Its folder is made if need be. A link is followed; into what is no plain file, such as a
        pipe, the data just go.
    data : bytes, memoryview or str
        Text is written as UTF-8 with the line ends it has.
    new : bool
        Never replace a file, unless it is empty.
    option : str
        By which the user can name another place; empty if it is a plain argument.

    Returns
    -------
    int
        Size of the file. [bytes]

    Raises
    ------
    WriteError
        If it can't be written; what was there before is then unchanged.
    StoreError
        If it was to be new, and is not.

    Notes
    -----
    The part beside the file has one fixed name, so that the next writer takes over what a dead
    one left. A lock on it, which dies with its process, keeps living ones apart.
    """

    def made(target: Path) -> bytes | memoryview | str:
        if new and target.exists() and target.stat().st_size:
            raise StoreError(f"{path}: there already, so it is left alone. Name another.")
        return data

    return _written(Path(path), made, option)


def rewrite_whole(path: Path | str, change: Callable[[Path], str], *, option: str = "-o") -> int:
    """Write a file anew from what it holds; whoever else writes it waits meanwhile.

    Parameters
    ----------
    path : path
        As for `write_whole`.
    change : callable
        From where the file is, if there is one yet, to what it is to hold. What it raises leaves
        the file as it was.
    option : str
        By which the user can name another place.

    Returns
    -------
    int
        Size of the file. [bytes]

    Raises
    ------
    WriteError
        If it can't be written; what was there before is then unchanged.
    """
    return _written(Path(path), change, option)


def _written(path: Path, made: Callable[[Path], bytes | memoryview | str], option: str) -> int:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder")
        if path.exists() and not path.is_file():
            data = _bytes(made(path))
            path.write_bytes(data)
            return len(data)
        target = path.resolve()
        if target.exists() and not os.access(target, os.W_OK):
            raise PermissionError(errno.EACCES, "is write-protected")
        part = part_of(target)
        with _opened_alone(part) as file:
            try:
                data = _bytes(made(target))
                file.truncate(0)
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
                if target.exists():
                    shutil.copymode(target, part)
                os.replace(part, target)
            except BaseException:
                with contextlib.suppress(OSError):
                    part.unlink()
                raise
        _keep_names(target.parent)
    except OSError as error:
        raise cannot_write(path, error, option) from error
    return len(data)


def _bytes(data: bytes | memoryview | str) -> bytes | memoryview:
    return data.encode("utf-8") if isinstance(data, str) else data


def _keep_names(folder: Path) -> None:
    """Have a folder's names on the disk, so that a power cut doesn't bring an old file back."""
    with contextlib.suppress(OSError):  # Windows opens no folder
        place = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(place)
        finally:
            os.close(place)


def part_of(path: Path) -> Path:
    """Where a file is written before it is moved to its place.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Path
    """
    return path.with_name(f".{path.name}.part")


@contextlib.contextmanager
def _opened_alone(part: Path) -> Iterator[IO[bytes]]:
    """Open a part that no other writer has, waiting for one that lives."""
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
    while True:
        with os.fdopen(os.open(part, flags, 0o666), "r+b") as file:
            _lock(file)
            # the one waited for has moved the file away or removed it: lock the next
            with contextlib.suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(file.fileno()), os.stat(part)):
                    yield file
                    return


def _lock(file: IO[bytes]) -> None:
    try:
        import fcntl
    except ImportError:  # Windows lets nobody move or remove a file that is open
        return
    with contextlib.suppress(OSError):  # a disk without locks
        fcntl.flock(file.fileno(), fcntl.LOCK_EX)


def refuse_strangers(path: Path, ours: bytes, *, option: str = "-o") -> None:
    """Refuse to replace a file that this program didn't write: it may be somebody's only copy.

    Parameters
    ----------
    path : path
    ours : bytes
        What files of the kind to be written begin with.
    option : str
        By which the user can name another place.

    Raises
    ------
    StoreError
        If there is a file that begins otherwise, or that can't be read. An empty one holds
        nothing that could be lost.
    """
    if not path.is_file():
        return
    try:
        with path.open("rb") as file:
            start = file.read(len(ours))
    except OSError as error:
        raise cannot_write(path, error, option) from None
    if start and start != ours:
        raise StoreError(
            f"{path}: not written by this command, so it is left alone. Name another with {option}."
        )


def cannot_write(path: Path, error: OSError, option: str = "-o") -> WriteError:
    """What to tell a user whose file can't be written, and what to do about it.

    Parameters
    ----------
    path : Path
    error : OSError
        What the system said.
    option : str
        With which the user names another file.

    Returns
    -------
    WriteError
        To be raised.
    """
    by = f" with {option}" if option else ""
    mends = {
        errno.ENOSPC: f"the disk is full. Make room, or name a file on another disk{by}",
        errno.EDQUOT: f"your share of the disk is used up. Make room, or use another disk{by}",
        errno.EFBIG: f"the disk takes no file of this size. Use another disk{by}",
        errno.EACCES: f"no permission to write there. Name another place{by}",
        errno.EPERM: f"no permission to write there. Name another place{by}",
        errno.EROFS: f"that disk can only be read. Name another place{by}",
        errno.EISDIR: f"is a folder. Name a file{by}",
        errno.ENAMETOOLONG: f"the name is too long. Name a shorter one{by}",
        errno.ENOTDIR: f"a part of that path is a file, not a folder. Name another place{by}",
        errno.EEXIST: f"a part of that path is a file, not a folder. Name another place{by}",
    }
    why = mends.get(error.errno or 0, f"{error.strerror or error}. Name another place{by}")
    kept = ""
    with contextlib.suppress(OSError):
        kept = " What was there before is unchanged." if path.is_file() else ""
    return WriteError(f"{path}: can't be written: {why}.{kept}")
