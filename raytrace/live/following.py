"""Work that follows a hand: the newest wish is next, and something is shown while it moves."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator
from typing import Generic, TypeVar

from raytrace.live.latest import SupersededError, all_ended
from raytrace.live.pieces import WRONG

__all__ = ["QUICK", "Following"]

T = TypeVar("T")
Tell = Callable[[], None]

STALE = 0.3  # for so long what takes longer may be left out while the hand moves [s]
REST = 0.2  # after the last move, before what may take its time begins [s]
QUICK = 2  # steps that follow a moving hand


class Following(Generic[T]):
    """Runs the steps of the newest wish in a thread, one wish at a time, never a queue of them.

    A wish's first step is always shown, so that something follows a hand that never rests. A newer
    wish ends the others at their next look, but for the second, once it has been left out for so
    long that it looks stale.

    Parameters
    ----------
    steps : callable
        Called on the page's side. Takes what to call now and then, which raises once nobody waits;
        returns an iterator over results, surer and surer.
    show : callable
        Takes a result; called on the page's side.
    refuse : callable
        Takes what went wrong.
    faults : tuple of type
        What may go wrong.
    """

    def __init__(
        self,
        steps: Callable[[Tell], Iterator[T]],
        show: Callable[[T], None],
        refuse: Callable[[Exception], None],
        faults: tuple[type[Exception], ...],
    ):
        self._steps, self._show, self._refuse, self._faults = steps, show, refuse, faults
        self._wish = self._busy = self._over = self._dropped = False
        self._shown = 0.0

    def wish(self) -> None:
        """Have the steps run anew, as soon as what runs has come to its end."""
        self._wish, self._dropped = True, False
        if not self._busy and not self._over:
            self._busy = True
            self._task = asyncio.get_running_loop().create_task(self._follow())

    def drop(self) -> None:
        """End what runs; nobody looks at it for now."""
        self._dropped = True

    def end(self) -> None:
        """Run nothing any more."""
        self._over = True

    async def _follow(self) -> None:
        try:
            while self._wish and not self._over:
                self._wish = False
                await self._one()
        finally:
            self._busy = False

    async def _one(self) -> None:
        step = 0

        def tell() -> None:
            fresh = step != QUICK - 1 or time.monotonic() - self._shown < STALE
            nobody = self._over or self._dropped or all_ended()
            if nobody or (self._wish and step > 0 and fresh):
                raise SupersededError

        nothing = object()
        try:
            results = self._steps(tell)
            while (found := await asyncio.to_thread(next, results, nothing)) is not nothing:
                if self._over:
                    return
                self._show(found)  # type: ignore[arg-type]
                step += 1
                if step == QUICK:
                    self._shown = time.monotonic()
                    await asyncio.sleep(REST)
        except SupersededError:
            return
        except self._faults as error:
            self._refuse(error)
        except Exception:
            self._refuse(RuntimeError(WRONG))
            raise
