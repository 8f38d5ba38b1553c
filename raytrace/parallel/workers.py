"""Many independent pieces of work, on this machine's processors or on a cluster.

A worker that dies costs nothing but time: its piece is given to another. What a piece comes to
may hang on nothing but the piece itself, so results are the same bits whoever computes them.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from itertools import islice
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any, TypeVar, cast

from raytrace.exceptions import WorkerError
from raytrace.texts import install_words

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

__all__ = ["TRIES", "hands", "run", "usable_processors"]

T = TypeVar("T")
R = TypeVar("R")

MOST = 4  # processes per processor: more bring nothing, and each takes a program's memory
TRIES = 3  # a piece whose worker dies so often is at fault itself
PATIENCE = 4.5  # for a cluster to answer, or to have a worker [s]
# a worker has one processor: libraries that would start threads of their own only get in the way
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def usable_processors() -> int:
    """How many processors this process may use."""
    with contextlib.suppress(AttributeError):  # not every system tells
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run(
    function: Callable[[T], R],
    items: Sequence[T],
    *,
    workers: int | None = None,
    scheduler: str | None = None,
) -> Iterator[tuple[int, R]]:
    """Apply a function to items, many at a time.

    Parameters
    ----------
    function : callable
        Found by its name in an importable module, or a `functools.partial` of such; its result
        hangs on its argument alone.
    items : sequence
        Small when pickled, as each travels to a worker.
    workers : int, optional
        Processes on this machine; default: one per processor that this process may use, and four
        at most. With 1 all is done in this process.
    scheduler : str, optional
        Address of a dask.distributed scheduler, such as "tcp://10.0.0.5:8786"; its workers need
        this package too. `workers` then counts for nothing.

    Yields
    ------
    index : int
        Which item.
    result
        In the order in which they are finished.

    Raises
    ------
    WorkerError
        If a piece kills its worker time and again, or the scheduler can't be reached, has no
        workers or another version of this package.
    Exception
        Whatever `function` raises.

    Notes
    -----
    Leaving the iterator, also by Ctrl-C, stops what is still running at once.
    """
    if scheduler is not None:
        return _on_cluster(function, items, scheduler)
    if workers is not None and workers < 1:
        raise WorkerError(f"{workers} workers: at least one is needed.")
    workers = min(hands(workers), len(items))
    if workers <= 1:
        return ((k, function(item)) for k, item in enumerate(items))
    return _on_processes(function, items, workers)


def _on_processes(
    function: Callable[[T], R], items: Sequence[T], workers: int
) -> Iterator[tuple[int, R]]:
    from multiprocessing.connection import wait

    waiting = deque(range(len(items)))
    tries = [0] * len(items)
    crew: dict[Any, tuple[BaseProcess, int]] = {}  # by the line to each: who, and what it does

    def give(process: BaseProcess, line: Any) -> None:
        with contextlib.suppress(OSError):  # one that has died meanwhile shows at the next wait
            if not waiting:
                line.send(None)
                line.close()
                return
            k = waiting.popleft()
            crew[line] = process, k
            tries[k] += 1
            line.send(items[k : k + 1])

    def hire() -> None:
        process, line = _start(function)
        give(process, line)

    try:
        for _ in range(workers):
            hire()
        while crew:
            for line in cast("list[Any]", wait(list(crew))):
                process, k = crew.pop(line)
                try:
                    good, result = line.recv()
                except (EOFError, OSError):
                    process.join()
                    if tries[k] >= TRIES:
                        raise WorkerError(
                            f"piece {k + 1} of {len(items)} ended {TRIES} workers "
                            f"({_end(process.exitcode)}). It may need more memory than there is; "
                            "try fewer workers."
                        ) from None
                    waiting.appendleft(k)
                    hire()
                    continue
                if not good:
                    raise result
                give(process, line)
                yield k, result
    finally:
        for line, (process, _) in crew.items():
            process.terminate()
            line.close()
        for process, _ in crew.values():
            process.join()


def _start(function: Callable[[Any], Any]) -> tuple[BaseProcess, Connection]:
    # forked children would inherit locks that compiled code's threads hold
    context = get_context("spawn")
    line, far = context.Pipe()
    process = context.Process(target=_work, args=(function, far), daemon=True)
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    try:
        with _undisturbed():
            process.start()
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
        far.close()  # so that the line ends when the worker does
    return process, line


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """What is started inside takes no notice of Ctrl-C, also before it can say so itself."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _work(function: Callable[[Any], Any], line: Connection) -> None:
    """Serve as a worker, until told to stop or until the one who asks is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all; the first one decides
    answer: tuple[bool, Any]
    with contextlib.suppress(EOFError, OSError):
        while (task := line.recv()) is not None:
            try:
                answer = True, function(task[0])
            except Exception as error:
                answer = False, _portable(error)
            line.send(answer)


def _portable(error: Exception) -> Exception:
    """Error that survives the way home, with the place where it arose."""
    import pickle
    import traceback

    error.add_note("".join(traceback.format_exception(error)))
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        plain = WorkerError(f"{type(error).__name__}: {error}")
        plain.add_note(error.__notes__[-1])
        return plain
    return error


def _end(code: int | None) -> str:
    if code is not None and code < 0:
        with contextlib.suppress(ValueError):
            return f"killed by {signal.Signals(-code).name}"
    return f"exit code {code}"


def hands(workers: int | None = None, scheduler: str | None = None) -> int:
    """How many pieces of work can be done at a time.

    Parameters
    ----------
    workers, scheduler
        As in `run`.

    Returns
    -------
    int

    Raises
    ------
    WorkerError
        If the scheduler can't be reached, or has no workers.
    """
    if scheduler is None:
        most = MOST * usable_processors()
        return usable_processors() if workers is None else min(max(workers, 1), most)
    with _client(scheduler) as client:
        return _threads(client, scheduler)


def _client(address: str) -> Any:
    try:
        import distributed
    except ImportError:
        raise WorkerError(
            f"a scheduler's address needs the package distributed. {install_words('cluster')}"
        ) from None
    dask: Any = distributed
    # what goes wrong is said by the errors that it raises; its log shows tracebacks besides
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings():  # other versions are refused below, in one sentence
            warnings.simplefilter("ignore", dask.versions.VersionMismatchWarning)
            return dask.Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise WorkerError(
            f"{address}: no scheduler answers there ({type(error).__name__}). Start one with "
            "`dask scheduler`, and workers with `dask worker ADDRESS`; both say their address."
        ) from error


def _threads(client: Any, address: str) -> int:
    """How many threads a cluster has to work with; waits a little for its first worker."""
    with contextlib.suppress(TimeoutError):
        client.wait_for_workers(1, timeout=PATIENCE)
    threads = int(sum(client.nthreads().values()))
    if not threads:
        raise WorkerError(
            f"{address}: the scheduler has no workers. Start some with `dask worker {address}`."
        )
    return threads


def _refuse_other_versions(client: Any, address: str) -> None:
    """Work is sent by the names of functions, and only the same code gives the same bits."""
    found = client.get_versions(packages=["cooker-raytrace", "numba", "numpy"])
    here = found["client"]["packages"]
    for place in (found["scheduler"], *found["workers"].values()):
        for name in ("cooker-raytrace", "numba", "numpy"):
            there = place["packages"].get(name)
            if there != here[name]:
                raise WorkerError(
                    f"{address}: {name} is {here[name]} on this machine, and "
                    f"{there or 'missing'} on the cluster. Install the same everywhere. "
                    f"{install_words('cluster')}"
                )


def _on_cluster(
    function: Callable[[T], R], items: Sequence[T], address: str
) -> Iterator[tuple[int, R]]:
    with _client(address) as client, client.as_current():
        import distributed

        dask: Any = distributed
        left = iter(range(len(items)))
        places: dict[Any, int] = {}

        def submit(count: int) -> set[Any]:
            """Send a few at a time: a million pieces would smother the scheduler."""
            new = {client.submit(function, items[k], pure=False): k for k in islice(left, count)}
            places.update(new)
            return set(new)

        try:
            threads = _threads(client, address)
            _refuse_other_versions(client, address)
            running = submit(max(4 * threads, 32))
            while running:
                try:
                    done, running = dask.wait(running, PATIENCE, return_when="FIRST_COMPLETED")
                except TimeoutError:  # long pieces, or nobody is left to do them
                    _threads(client, address)
                    continue
                for future in done:
                    k = places.pop(future)
                    try:
                        result = future.result()
                    except dask.KilledWorker:
                        raise WorkerError(
                            f"piece {k + 1} of {len(items)} ended several of the cluster's "
                            "workers. It may need more memory than they have."
                        ) from None
                    future.release()
                    running |= submit(1)
                    yield k, result
        except (OSError, CancelledError) as error:
            raise WorkerError(
                f"{address}: the scheduler is gone ({type(error).__name__})."
            ) from error
