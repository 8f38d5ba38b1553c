"""Ctrl-C that is never lost, never lands in the middle of a write, and never in compiled code.

Python raises KeyboardInterrupt wherever the main thread happens to be. While a compiled function
turns what it found into Python's objects, nothing there expects it, and the interpreter crashes.
So compiled functions are called through `call`, which puts Ctrl-C off until they are done.
"""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Any

__all__ = ["call", "check", "hold", "listening", "ready"]

_asked = False  # Ctrl-C has come since a command began to listen


@contextlib.contextmanager
def listening() -> Iterator[None]:
    """Context of a whole command: Ctrl-C stops work, and is noted for `check`.

    Python drops a KeyboardInterrupt that is raised while it cleans up, of which the HDF5 library
    does much.
    """
    global _asked
    if not _in_main():
        yield
        return
    _asked = False
    before = signal.signal(signal.SIGINT, _note)
    try:
        yield
    finally:
        _asked = False
        signal.signal(signal.SIGINT, before)


def _note(number: int, frame: FrameType | None) -> None:
    global _asked
    _asked = True
    raise KeyboardInterrupt


def check() -> None:
    """Stop here if Ctrl-C was pressed and what it raised was lost."""
    if _asked and _in_main():
        raise KeyboardInterrupt


@contextlib.contextmanager
def hold() -> Iterator[None]:
    """Finish what is inside before Ctrl-C stops the work."""
    before = signal.getsignal(signal.SIGINT)
    if not _in_main() or not callable(before):  # other threads never see it
        yield
        return
    came = False

    def note(number: int, frame: FrameType | None) -> None:
        nonlocal came
        came = True

    signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if came:
            before(signal.SIGINT, None)
    check()


def call(kernel: Any, *arguments: Any) -> Any:
    """Call a compiled function; Ctrl-C waits until it is done.

    Parameters
    ----------
    kernel : callable
        From `raytrace.kernels`; one call of it ought to take less than a second.
    *arguments
        What it takes.

    Returns
    -------
    object
        What the function returns.
    """
    ready(kernel, *arguments)
    with hold():
        return kernel(*arguments)


def ready(kernel: Any, *arguments: Any) -> None:
    """Compile a function for such arguments; that takes long, and Ctrl-C may stop it.

    Parameters
    ----------
    kernel : callable
        From `raytrace.kernels`.
    *arguments
        Of the types that it will be called with.
    """
    if not kernel.signatures:
        kernel.compile(tuple(map(kernel.typeof_pyval, arguments)))


def _in_main() -> bool:
    return threading.current_thread() is threading.main_thread()
