"""The one way in which this package compiles: without the interpreter's lock, and kept on disk.

numba keys a kept function on its own file alone, so an edit to a function that it inlines would
go unnoticed. Here the folder's name holds a digest of all kernel sources: any edit starts anew.
The folder lies in the user's cache, so that the package's own may be read-only.
"""

import hashlib
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import platformdirs
from numba import config, njit

# may fuse and reorder, but never assume that inf does not occur
FAST = {"contract", "nsz", "arcp"}
KEPT_UNUSED = 90 * 86400.0  # how long other versions' compiled code stays [s]


def _cache_folder() -> Path:
    digest = hashlib.sha256()
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.read_bytes())
    base = Path(config.CACHE_DIR or platformdirs.user_cache_dir("cooker-raytrace"))
    folder = base / f"kernels-{digest.hexdigest()[:16]}"
    if not folder.exists():
        _clear_old(base)
    return folder


def _clear_old(base: Path) -> None:
    """Remove what versions that nobody has run for long have left behind."""
    for other in base.glob("kernels-*"):
        try:
            newest = max((f.stat().st_atime for f in other.rglob("*")), default=0.0)
        except OSError:  # another process is at it
            continue
        if time.time() - newest > KEPT_UNUSED:
            shutil.rmtree(other, ignore_errors=True)


CACHE_FOLDER = _cache_folder()


def kernel(function: Callable[..., Any]) -> Any:
    """Compile a function on its first call, once for all later runs."""
    asked = config.CACHE_DIR
    config.CACHE_DIR = str(CACHE_FOLDER)
    try:
        return njit(function, nogil=True, cache=True, error_model="numpy", fastmath=FAST)
    except RuntimeError:  # no folder can be written: compile each time
        return njit(function, nogil=True, error_model="numpy", fastmath=FAST)
    finally:
        config.CACHE_DIR = asked


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
