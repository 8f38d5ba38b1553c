"""Long work in pieces, on threads: stopped between two of them, and watched as it goes."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextvars import ContextVar

from raytrace.parallel.interrupts import check
from raytrace.parallel.workers import usable_processors

__all__ = ["PIECE", "spread", "watched"]

PIECE = 1 << 18  # samples; a thread traces them within half a second

Watch = Callable[[int, int], None]
_watch: ContextVar[Watch | None] = ContextVar("watch", default=None)


@contextlib.contextmanager
def watched(watch: Watch) -> Iterator[None]:
    """Have a function called with what is done and the whole, after each piece done inside.

    Parameters
    ----------
    watch : callable
        Takes two numbers, here of samples; called from any thread.
    """
    token = _watch.set(watch)
    try:
        yield
    finally:
        _watch.reset(token)


def spread(
    one: Callable[[int], Iterable[int]], count: int, threads: int | None = None, *, whole: int = 0
) -> None:
    """Do one(0) … one(count - 1) on threads; results don't depend on how many.

    Parameters
    ----------
    one : callable
        Yields after each piece of its work how much that was. Ctrl-C stops it there.
    count : int
    threads : int, optional
        Default: one per processor that this process may use.
    whole : int
        What all pieces come to, for who watches.
    """
    stop, lock, watch, done = threading.Event(), threading.Lock(), _watch.get(), 0

    def run(k: int) -> None:
        nonlocal done
        for size in one(k):
            with lock:
                done += size
                if watch is not None:
                    watch(done, whole)
            if stop.is_set():
                return
            check()

    threads = min(usable_processors() if threads is None else threads, count)
    if threads <= 1:
        for k in range(count):
            run(k)
        return
    with ThreadPoolExecutor(threads) as pool:
        try:
            for _ in pool.map(run, range(count)):
                check()
        except BaseException:
            stop.set()
            pool.shutdown(wait=False, cancel_futures=True)
            raise
