"""Work in a thread of its own for a page whose newest wish alone counts."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TypeVar

__all__ = ["Latest", "SupersededError", "all_ended", "end_all"]

T = TypeVar("T")
_ended = False


class SupersededError(Exception):
    """Nobody waits any more for what is being computed."""


def end_all() -> None:
    """Have whatever is computed for any page end at its next progress."""
    global _ended
    _ended = True


def all_ended() -> bool:
    """Whether the server has come to its end.

    Returns
    -------
    bool
    """
    return _ended


class Latest:
    """Runs what is wished, one after the other; a newer wish ends an older one."""

    def __init__(self) -> None:
        self._number = 0
        self._lock = asyncio.Lock()

    async def ask(
        self,
        work: Callable[[Callable[[float, float], None]], T],
        progress: Callable[[float], None] | None = None,
    ) -> T | None:
        """Run work in a thread, in the caller's context.

        Parameters
        ----------
        work : callable
            Takes what studies take as `progress`, and calls it now and then: that is where it ends
            once it is no longer wished.
        progress : callable, optional
            Takes the share that is done; called in the thread.

        Returns
        -------
        object or None
            What the work returns; None if a newer wish came.
        """
        self._number += 1
        mine = self._number

        def tell(done: float, of: float) -> None:
            if mine != self._number or _ended:
                raise SupersededError
            if progress is not None:
                progress(done / of)

        async with self._lock:
            if mine != self._number:
                return None
            try:
                found = await asyncio.to_thread(work, tell)
            except SupersededError:
                return None
        return found if mine == self._number else None

    def drop(self) -> None:
        """End what is being computed; nobody waits for it."""
        self._number += 1
