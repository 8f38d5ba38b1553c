"""Ctrl-C that is never lost, and never lands in the middle of a write."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from types import FrameType
from typing import Any

__all__ = ["Interrupts"]


class Interrupts:
    """Context in which Ctrl-C stops work at once, but lets what is held finish first.

    Python drops a KeyboardInterrupt that is raised while it cleans up weak references, of which
    the HDF5 library has many. So the wish is also noted, and `check` raises it anew.
    """

    def __init__(self) -> None:
        self.asked = False
        self._held = False
        self._before: Any = None

    def __enter__(self) -> Interrupts:
        with contextlib.suppress(ValueError):  # only the main thread may set handlers
            self._before = signal.signal(signal.SIGINT, self._note)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _note(self, number: int, frame: FrameType | None) -> None:
        self.asked = True
        if not self._held:
            raise KeyboardInterrupt

    def check(self) -> None:
        """Stop here if that was asked for."""
        if self.asked:
            raise KeyboardInterrupt

    @contextlib.contextmanager
    def hold(self) -> Iterator[None]:
        """Finish what is inside before stopping."""
        self._held = True
        try:
            yield
        finally:
            self._held = False
        self.check()
