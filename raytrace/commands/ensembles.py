"""Work that stops and goes on, as long studies share it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import typer

from raytrace.exceptions import WorkerError
from raytrace.parallel.interrupts import hold

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["work"]

T = TypeVar("T")
Tick = Callable[[int, int], None]


def work(
    messages: Console,
    what: str,
    steps: Callable[[Tick], Iterable[T]],
    keep: Callable[[T], None],
    path: Path | None,
    *,
    unit: str = "builds",
    part: str = "ensemble",
) -> None:
    """Do steps with a bar that shows how long they still take; Ctrl-C keeps what is done.

    Parameters
    ----------
    messages : Console
    what : str
        Word before the bar.
    steps : callable
        Takes a function to call with the units just done and those left; yields results.
    keep : callable
        Takes a result and brings it to disk; never interrupted.
    path : path, or None
        Of the file that keeps what is done, if there is one.
    unit : str
        What the bar counts.
    part : str
        What is kept as a whole.

    Raises
    ------
    WorkerError
        As the steps raise it, with what is kept where.
    """
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn(what),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn(f"{unit}, left"),
        TimeRemainingColumn(),
    )
    try:
        with Progress(*columns, console=messages, transient=True) as bar:
            task = bar.add_task(what, total=None)
            done = 0

            def tick(traced: int, left: int) -> None:
                nonlocal done
                done += traced
                bar.update(task, completed=done, total=done + left)

            for result in steps(tick):
                with hold():
                    keep(result)
    except KeyboardInterrupt:
        messages.print(f"Stopped{_kept(path, part)}", soft_wrap=True)
        raise typer.Exit(130) from None
    except WorkerError as error:
        raise WorkerError(f"{error} Stopped{_kept(path, part)}") from error


def _kept(path: Path | None, part: str) -> str:
    if path is None:
        return "; nothing is kept (--no-files)."
    if path.exists():
        return f". What was done is kept in {path}: give the same command to go on."
    return f" before the first {part} was done. Nothing was written."
