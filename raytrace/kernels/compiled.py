"""The one way in which this package compiles: without the interpreter's lock, and kept on disk.

numba keys a kept function on its own file alone, so an edit to a function that it inlines would
go unnoticed. Here the folder's name holds a digest of all kernel sources: any edit starts again.
The folder lies in the user's cache, so that the package's own may be read-only.

What is kept is machine code: it is run only from folders that nobody else may write to, and only
if it is whole, byte for byte, as it was written.
"""

import atexit
import contextlib
import hashlib
import os
import pickle
import shutil
import stat
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import platformdirs
from numba import config, njit
from numba.core.caching import IndexDataCacheFile

from raytrace.exceptions import CookerWarning

# may fuse and reorder, but never assume that inf does not occur
FAST = {"contract", "nsz", "arcp"}
KEPT_UNUSED = 90 * 86400.0  # how long other versions' compiled code stays [s]
MARK = "made-by-cooker-raytrace"  # file by which this package knows its own folders


def _cache_folder() -> Path:
    """Folder to keep compiled code in, made if need be; a temporary one where none can be kept."""
    digest = hashlib.sha256()
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.read_bytes())
    name = f"kernels-{digest.hexdigest()[:16]}"
    base = Path(config.CACHE_DIR or platformdirs.user_cache_dir("cooker-raytrace"))
    try:
        folder = _own_folder(base, name)
    except (OSError, RuntimeError) as error:  # RuntimeError: links in a circle
        why = getattr(error, "strerror", None) or str(error)
        warnings.warn(
            f"Compiled code can't be kept in {base}: {why}. It is compiled in a temporary folder, "
            "each time again. Name a folder of your own in NUMBA_CACHE_DIR to keep it.",
            CookerWarning,
            stacklevel=1,
        )
        base = Path(tempfile.mkdtemp(prefix="cooker-raytrace-"))
        atexit.register(shutil.rmtree, base, ignore_errors=True)
        os.environ["NUMBA_CACHE_DIR"] = str(base)  # worker processes share it
        return _own_folder(base, name)
    _clear_old(base, besides=folder)
    return folder


def _own_folder(base: Path, name: str) -> Path:
    """Make the folder if it isn't there; OSError if it can't be, or if others may write to it."""
    if not base.is_absolute():
        raise OSError("there is no home folder")
    base.mkdir(mode=0o700, parents=True, exist_ok=True)
    folder = base.resolve(strict=True) / name
    for place in folder.parents:
        _refuse_if_others_write(place)
    folder.mkdir(mode=0o700, exist_ok=True)
    _refuse_if_others_write(folder)
    with tempfile.TemporaryFile(dir=folder):
        pass
    (folder / MARK).touch()
    return folder


def _refuse_if_others_write(place: Path) -> None:
    if not hasattr(os, "getuid"):  # Windows: a profile's folders are its user's
        return
    found = place.stat()
    if found.st_uid not in (os.getuid(), 0):
        raise OSError(f"{place} belongs to somebody else")
    lax = found.st_mode & stat.S_IWOTH or (
        found.st_mode & stat.S_IWGRP and not _private_group(found.st_gid)
    )
    # in a sticky folder, such as /tmp, nobody can replace what belongs to another
    if lax and not found.st_mode & stat.S_ISVTX:
        raise OSError(f"others may write to {place}")


def _private_group(gid: int) -> bool:
    """Whether a group has no member but this user, as many systems give each user one."""
    import grp
    import pwd

    try:
        user, group = pwd.getpwuid(os.getuid()), grp.getgrgid(gid)
    except KeyError:
        return False
    return gid == user.pw_gid and set(group.gr_mem) <= {user.pw_name}


def _clear_old(base: Path, besides: Path) -> None:
    """Remove what versions of this package that nobody has run for long have left behind."""
    for other in base.glob("kernels-*"):
        try:
            if other.name == besides.name or other.is_symlink() or not (other / MARK).is_file():
                continue
            newest = max((f.stat().st_atime for f in other.rglob("*")), default=0.0)
        except OSError:  # another process is at it, or it isn't ours to read
            continue
        if time.time() - newest > KEPT_UNUSED:
            shutil.rmtree(other, ignore_errors=True)


class _WholeFiles(IndexDataCacheFile):  # type: ignore[misc]
    """numba's kept files, each led by a digest of the rest; one that is damaged counts as none."""

    def save(self, key: Any, data: Any) -> None:
        # where the disk is full this run has the code, and the next compiles again
        with contextlib.suppress(OSError):
            super().save(key, data)

    def _save_index(self, overloads: Any) -> None:
        self._write(self._index_path, (self._version, self._source_stamp, overloads))

    def _load_index(self) -> Any:
        try:
            version, stamp, overloads = self._read(self._index_path)
        except OSError:
            return {}
        fresh = version == self._version and stamp == self._source_stamp
        return overloads if fresh else {}

    def _save_data(self, name: str, data: Any) -> None:
        self._write(self._data_path(name), data)

    def _load_data(self, name: str) -> Any:
        return self._read(self._data_path(name))

    def _write(self, path: str, what: Any) -> None:
        data = self._dump(what)
        with self._open_for_write(path) as file:
            file.write(hashlib.sha256(data).digest() + data)

    def _read(self, path: str) -> Any:
        content = Path(path).read_bytes()
        digest, data = content[:32], content[32:]
        if hashlib.sha256(data).digest() != digest:
            raise OSError("damaged")
        return pickle.loads(data)


CACHE_FOLDER = _cache_folder()


def kernel(function: Callable[..., Any]) -> Any:
    """Compile a function on its first call, once for all later runs."""
    asked = config.CACHE_DIR
    config.CACHE_DIR = str(CACHE_FOLDER)
    try:
        made = njit(function, nogil=True, cache=True, error_model="numpy", fastmath=FAST)
    finally:
        config.CACHE_DIR = asked
    # the folder's digest says all about the sources: copies installed elsewhere or later share it
    made._cache._cache_file = _WholeFiles(
        str(CACHE_FOLDER), made._cache._impl.filename_base, CACHE_FOLDER.name
    )
    return made


def inner(function: Callable[..., Any]) -> Any:
    """Compile a function that only other kernels call: nothing to call it from Python by."""
    return njit(
        function,
        nogil=True,
        error_model="numpy",
        fastmath=FAST,
        no_cpython_wrapper=True,
        no_cfunc_wrapper=True,
    )


def inlined(function: Callable[..., Any]) -> Any:
    """Compile a function as part of whichever kernel calls it."""
    return njit(function, nogil=True, error_model="numpy", fastmath=FAST, inline="always")
