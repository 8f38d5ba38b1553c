"""What the commands on ensembles share: where results go, and work that stops and goes on."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import typer

from raytrace.exceptions import WorkerError
from raytrace.parallel.interrupts import hold

if TYPE_CHECKING:
    from rich.console import Console

    from raytrace.scenario.schema import Scenario

__all__ = ["place_of", "work"]

T = TypeVar("T")
Tick = Callable[[int, int], None]


def place_of(
    output: Path | None, stem: str, scenario: Scenario, kind: str, plan: Any, *, overwrite: bool
) -> Path:
    """Where results go: the name given, or the first that is free or holds this very study."""
    from raytrace.exceptions import StoreError
    from raytrace.store.ensembles import differences, words
    from raytrace.store.sealed import is_there, refuse_strangers

    if output is not None:
        # tables and figures go beside it under the same name, each with an ending of its own
        path = output if output.suffix == ".h5" else output.with_name(f"{output.name}.h5")
        refuse_strangers(path)
        return path
    path = Path("results") / f"{stem}.h5"
    number = 1
    while is_there(path) and not overwrite:
        try:
            if not differences(path, words(scenario, kind, plan)):
                break
        except StoreError:
            pass  # whatever it is, it stays
        number += 1
        path = path.with_name(f"{stem}-run{number}.h5")
    refuse_strangers(path)
    return path


def work(
    messages: Console,
    what: str,
    steps: Callable[[Tick], Iterable[T]],
    keep: Callable[[T], None],
    save: Callable[[], None],
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
        Takes a result; never interrupted.
    save : callable
        Brings what was kept to disk; never interrupted.
    path : path, or None
        Of the file that keeps what is done, if there is one.
    unit : str
        What the bar counts.
    part : str
        What is kept as a whole.
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
        finally:
            with hold():
                save()
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
