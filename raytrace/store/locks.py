"""The sole right to write the results of a name, held by one process and freed by its end.

The lock lies on a small hidden file beside the results, because these are replaced as a whole and
a lock goes with the file that it is on. Whatever ends a process frees its lock; what a killed one
leaves is an empty file, which the next one takes over and removes.
"""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

from raytrace.exceptions import StoreError

__all__ = ["Lock"]


class Lock:
    """Sole right to write the files of a name, whatever their endings. A context manager.

    Parameters
    ----------
    path : path
        Any of the files; ``a.h5`` and ``a.parts`` have the same lock. Their folder is made.

    Raises
    ------
    StoreError
        If another process has it, or this one a second time.

    Notes
    -----
    A system or a disk without file locks, or a folder in which nothing can be written, gives no
    lock and no error: writing there says what is wrong, and writers look whether anything has
    changed since they last wrote.
    """

    def __init__(self, path: Path | str) -> None:
        path = Path(path)
        self.path = path.with_name(f".{path.stem}.lock")
        self._handle: int | None = None
        try:
            import fcntl
        except ImportError:
            return
        with contextlib.suppress(OSError):
            path.parent.mkdir(parents=True, exist_ok=True)
        while self._handle is None:
            try:
                handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o666)
            except OSError:
                return
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                os.close(handle)
                if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
                    raise StoreError(
                        f"{path}: another process is writing to it. Wait for it, or name another "
                        "file with -o."
                    ) from None
                return
            if self._is_there(handle):
                self._handle = handle
            else:  # its holder removed it between the two calls
                os.close(handle)

    def _is_there(self, handle: int) -> bool:
        try:
            return os.path.samestat(os.fstat(handle), os.stat(self.path))
        except OSError:
            return False

    def release(self) -> None:
        """Let others write."""
        if self._handle is not None:
            if self._is_there(self._handle):
                with contextlib.suppress(OSError):
                    os.unlink(self.path)
            os.close(self._handle)
            self._handle = None

    def __enter__(self) -> Lock:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()
