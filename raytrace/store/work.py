"""Long work that keeps what is done: one way for every study to go on and to end in a file.

A study asks for `work(...)` and goes through its parts::

    with work("season", [scenario], plan, path) as kept:
        if kept.result is None:
            for name, part in kept.each(iter_parts(scenario, plan, done=kept.done), progress, 12):
                ...
            kept.finish(put_together(scenario, plan, kept.done))
        return kept.result

Without a path nothing is kept, and the rest is the same.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from raytrace.exceptions import StoreError
from raytrace.parallel.interrupts import hold
from raytrace.store.fingerprint import differing, fingerprint
from raytrace.store.locks import Lock
from raytrace.store.parts import Parts, parts_of
from raytrace.store.results import read_result, stored, write_result
from raytrace.store.sealed import is_there, refuse_strangers

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Progress", "Work", "shares", "work"]

Progress: TypeAlias = Callable[[float, float], None]  # takes how much is done, and of how much

log = logging.getLogger("raytrace")


def shares(progress: Progress | None) -> Callable[[float], None]:
    """What a study without parts calls with the share that is done; the caller hears per cents.

    Parameters
    ----------
    progress : callable or None

    Returns
    -------
    callable
    """
    if progress is None:
        return lambda share: None
    return lambda share: progress(round(100.0 * share), 100.0)


class Work:
    """Finished parts of a study, and its result.

    Parameters
    ----------
    path : path or None
        Of the results file; None keeps all in memory.
    stamp : mapping
        What the file says of how it was made.
    parts : Parts or None
        Where finished parts are kept; None keeps them in memory.
    result : object, optional
        As read from a file that holds it.

    Attributes
    ----------
    done : dict of str to mapping
        Finished parts by name.
    result : object
        What a results file of the very same study holds; None where there is none.
    size : int
        Of the results file, once it is written. [bytes]
    """

    def __init__(
        self, path: Path | None, stamp: Mapping[str, Any], parts: Parts | None, result: Any = None
    ) -> None:
        self.result, self.size = result, 0
        self._path, self._stamp, self._parts = path, stamp, parts
        self.done: dict[str, Mapping[str, Any]] = {} if parts is None else dict(parts.done)

    def keep(self, name: str, part: Mapping[str, Any]) -> None:
        """Add a finished part; with a path it is on the disk when this returns.

        Parameters
        ----------
        name : str
        part : mapping of str to ndarray, float, int, bool, str or None

        Raises
        ------
        StoreError
            If it can't be written; the parts before it stay good.
        """
        with hold():
            if self._parts is not None:
                self._parts.add(name, part)
                part = self._parts.done[name]  # in memory once
            self.done[name] = part

    def each(
        self,
        parts: Iterable[tuple[str, Mapping[str, Any]]],
        progress: Progress | None = None,
        total: float = 0.0,
        size: Callable[[Mapping[str, Any]], float] = lambda part: 1.0,
    ) -> None:
        """Go through the parts that are still to be done, and keep each.

        Parameters
        ----------
        parts : iterable of (str, mapping)
        progress : callable, optional
        total : float
            How much there is in all, those done before included.
        size : callable
            How much of it a part is.
        """
        begun = sum(map(size, self.done.values()))
        if progress is not None:
            progress(begun, max(total, begun))
        for name, part in parts:
            self.keep(name, part)
            begun += size(part)
            if progress is not None:
                progress(begun, max(total, begun))

    def finish(self, result: Any, *, command: str = "") -> None:
        """Write the results file, if there is a path, and drop the parts.

        Parameters
        ----------
        result : dataclass
        command : str
            By which it was made; empty where it wasn't by a command.

        Raises
        ------
        StoreError
            If it can't be written; the parts then stay, and the error has the result.
        """
        self.result = result
        if self._path is None:
            return
        with hold():
            try:
                kind = str(self._stamp["kind"])
                self.size = write_result(self._path, result, kind, self._stamp, command=command)
            except StoreError as error:
                kept = f" What is done is kept in {parts_of(self._path)}." if self.done else ""
                told = type(error)(f"{error}{kept}")
                told.result = result
                raise told from error
            if self._parts is not None:
                self._parts.remove()


@contextlib.contextmanager
def work(
    kind: str,
    scenarios: Sequence[Scenario],
    plan: Any,
    path: Path | str | None,
    *,
    overwrite: bool = False,
    in_parts: bool = True,
    apart: Callable[[Any], Mapping[str, Mapping[str, Any]] | None] = lambda result: None,
    **more: Any,
) -> Iterator[Work]:
    """Begin a study, or go on with one that was stopped.

    Parameters
    ----------
    kind : str
        The command that makes such results.
    scenarios : sequence of Scenario
    plan : dataclass or mapping
        Whatever decides the numbers, and nothing else.
    path : path or None
        Of the results file; finished parts are kept beside it until that is written.
    overwrite : bool
        Begin again, whatever of this program's is there.
    in_parts : bool
        Whether the work is long enough to keep finished parts; if not, nothing is written before
        the end, so that a full disk costs no answer.
    apart : callable
        Takes a result of the very same study that is there; gives the parts that it was made of,
        where it isn't all that is wanted, else None.
    **more
        Whatever else decides the numbers.

    Yields
    ------
    Work
        With its result, if the file already holds this very study.

    Raises
    ------
    StoreError
        If another study is there (the message says in what it differs), another process is at it,
        or it can't be written.
    """
    if path is None:
        yield Work(None, {}, None)
        return
    path, stamp = Path(path), fingerprint(kind, scenarios, plan, **more)
    refuse_strangers(path)
    if is_there(path) and not overwrite and not is_there(parts_of(path)):
        found = differing(stored(path).fingerprint, stamp)
        if found:
            raise StoreError(
                f"{path}: holds another study ({'; '.join(found)}). Name another file with -o, or "
                "replace this one with --overwrite."
            )
        result = read_result(path, kind)
        done = apart(result)
        if done is None:
            log.info("%s holds this very study: nothing is computed again.", path)
            yield Work(path, stamp, None, result)
            return
        log.info("%s is gone on from.", path)
        with Parts(parts_of(path), stamp) as parts:
            for name, part in done.items():
                parts.add(name, part)
            yield Work(path, stamp, parts)
        return
    if not in_parts:
        with Lock(path):
            yield Work(path, stamp, None)
        return
    with Parts(parts_of(path), stamp, overwrite=overwrite) as parts:
        if parts.lost:
            log.warning("%s: %s", parts.path, parts.lost)
        if parts.done:
            log.info("%s holds %d finished parts; these are kept.", parts.path, len(parts.done))
        try:
            yield Work(path, stamp, parts)
        except BaseException:
            if not parts.done:  # nothing to go on with
                parts.remove()
            raise
