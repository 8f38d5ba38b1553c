"""What every command does with a result: a bar while it is computed, files, JSON."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from raytrace.commands import common
from raytrace.commands.page import write_page
from raytrace.commands.showing import DETAILS, PAGE
from raytrace.exceptions import StoreError, WorkerError

if TYPE_CHECKING:
    from rich.console import Console

    from raytrace.store.work import Progress

__all__ = [
    "answered",
    "json_of",
    "present",
    "print_report",
    "progress_bar",
    "raise_unwritten",
    "report_place",
    "write_csv",
    "write_table",
]

OURS = "# cooker-raytrace "  # how a table with notes begins


@contextmanager
def progress_bar(messages: Console, what: str, unit: str, path: Path | None) -> Iterator[Progress]:
    """Show a bar while a study runs; Ctrl-C says what is kept where.

    Parameters
    ----------
    messages : Console
    what : str
        Word before the bar.
    unit : str
        What the bar counts.
    path : path or None
        Of the results, if any are kept.

    Yields
    ------
    callable
        Takes how much is done, and of how much.

    Raises
    ------
    WorkerError
        As the study raises it, with what is kept where.
    Exit
        On Ctrl-C, with status 130.
    """
    import logging

    from rich.logging import RichHandler
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn(f"{unit}, left"),
        TimeRemainingColumn(),
    )
    log = logging.getLogger("raytrace")
    handler = RichHandler(console=messages, show_time=False, show_level=False, show_path=False)
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    try:
        with Progress(*columns, console=messages, transient=True) as bar:
            compiling = f"{what} (a first run on a machine takes half a minute more, to compile)"
            task = bar.add_task(compiling, total=None)
            yield lambda done, total: bar.update(
                task, description=what, completed=done, total=total
            )
    except KeyboardInterrupt:
        messages.print(f"Stopped{_kept(path)}", soft_wrap=True)
        raise typer.Exit(130) from None
    except WorkerError as error:
        raise WorkerError(f"{error} Stopped{_kept(path)}") from error
    finally:
        log.removeHandler(handler)


def _kept(path: Path | None) -> str:
    if path is None:
        return "; nothing is kept (--no-files)."
    from raytrace.store.parts import parts_of

    if parts_of(path).exists():
        over = ", without --overwrite," if "--overwrite" in common.TYPED.get() else ""
        return f". What was done is kept in {parts_of(path)}: give the same command{over} to go on."
    return " before the first part was done. Nothing was written."


def report_place(messages: Console, path: Path, wanted: Path | None, stem: str) -> None:
    """Say where results go if the place that was meant for them is taken.

    Parameters
    ----------
    messages : Console
    path : path
        From `raytrace.store.places.place_of`.
    wanted : path or None
        As the user gave it.
    stem : str
        Name by default.
    """
    if wanted is None and path.stem != stem:
        messages.print(
            f"{path.with_stem(stem)} holds another study and is left as it is; this one goes to "
            f"{path}.",
            style="dim",
            soft_wrap=True,
        )


def write_table(
    path: Path,
    result: Any,
    *dims: str,
    only: Sequence[str] = (),
    leave_out: Sequence[str] = (),
    keep: Callable[[Mapping[str, Any]], bool] | None = None,
) -> list[tuple[Path, int]]:
    """Write what a result has along some of its axes as CSV.

    Parameters
    ----------
    path : path
    result : dataclass
    *dims : str
        As for `raytrace.store.plain.table`.
    only, leave_out : sequence of str
        As for `raytrace.store.plain.table`.
    keep : callable, optional
        Says of a row, given as a mapping by columns, whether it is written.

    Returns
    -------
    list of (Path, int)
        The file and its size.
    """
    from raytrace.store.plain import table

    columns, rows = table(result, *dims, only=only, leave_out=leave_out)
    if keep is not None:
        rows = [row for row in rows if keep(dict(zip(columns, row, strict=True)))]
    return write_csv(path, columns, rows)


def write_csv(
    path: Path, columns: Sequence[str], rows: Sequence[Sequence[Any]], notes: Sequence[str] = ()
) -> list[tuple[Path, int]]:
    """Write a table as CSV; with notes, never over a file that doesn't begin as this one does.

    Parameters
    ----------
    path : path
    columns : sequence of str
        Heads with their SI units; the file has the chosen system's.
    rows : sequence of sequence
    notes : sequence of str
        Comment lines above it.

    Returns
    -------
    list of (Path, int)
        The file and its size.
    """
    from raytrace.csv_text import csv_text
    from raytrace.files import refuse_strangers, write_whole
    from raytrace.reports.common.units import in_columns
    from raytrace.version import __version__

    if notes:
        refuse_strangers(path, OURS.encode())
        notes = [f"{OURS.removeprefix('# ')}{__version__}", *notes]
    return [(path, write_whole(path, csv_text(*in_columns(columns, rows), notes)))]


def json_of(result: Any, files: Sequence[tuple[Path, int]] | None = None, **more: Any) -> None:
    """Print a result as JSON, and what else the command says.

    Parameters
    ----------
    result : dataclass
    files : sequence of (Path, int), optional
        Written; None for a command that never writes any.
    **more
        Sentences, warnings, cautions.
    """
    from raytrace.store.plain import plain
    from raytrace.version import __version__

    told = {"raytrace": __version__, **plain(result), **more}
    if files is not None:
        told["files"] = [str(p) for p, _ in files]
    common.print_json(told)


_UNWRITTEN: ContextVar[StoreError | None] = ContextVar("_UNWRITTEN", default=None)


def answered(study: Callable[..., Any], *arguments: Any, **options: Any) -> Any:
    """Result of a study, also where its file can't be written: `present` raises that at the end.

    Parameters
    ----------
    study : callable
    *arguments, **options
        Of it.

    Returns
    -------
    dataclass
    """
    _UNWRITTEN.set(None)
    try:
        return study(*arguments, **options)
    except StoreError as error:
        if error.result is None:
            raise
        _UNWRITTEN.set(error)
        return error.result


def raise_unwritten() -> None:
    """Raise what `answered` has held back.

    Raises
    ------
    StoreError
        If the results file could not be written.
    """
    if (error := _UNWRITTEN.get()) is not None:
        raise error


def print_report(console: Console, parts: Iterable[Any]) -> None:
    """Print the parts of a report: the answer, and with --details all that lies behind it.

    Parameters
    ----------
    console : Console
    parts : iterable of renderable
        What follows `raytrace.reports.common.tables.DETAILS` is shown on request.
    """
    from raytrace.reports.common import tables

    for part in parts:
        if part is tables.DETAILS and not DETAILS.get():
            console.print("What lies behind it: the same with --details.", style="dim")
            return
        console.print(part)


def present(
    found: Any,
    kind: str,
    path: Path | None,
    shown: common.Shown,
    *,
    table: Sequence[Any] = (),
    keep: Callable[[Mapping[str, Any]], bool] | None = None,
    only: Sequence[str] = (),
    leave_out: Sequence[str] = (),
    about: Sequence[Any] = (),
    beside: Callable[[Path], Sequence[tuple[Path, int]]] | None = None,
    notes: Sequence[str] = (),
    **more: Any,
) -> None:
    """Write what lies beside the results, then print the answer, or JSON; files and caution last.

    What is wrong with a file is raised once the answer is out.

    Parameters
    ----------
    found : dataclass
        A study's result.
    kind : str
        A key of `raytrace.reports.kinds.KINDS`.
    path : path or None
        Of the results file; None writes nothing.
    shown : Shown
        Consoles, and what the options say of JSON and figures.
    table : sequence
        Result and axes of the CSV table; none, if empty.
    keep, only, leave_out
        As for `write_table`.
    about : sequence
        Further arguments of tables and sentences.
    beside : callable, optional
        Takes the results' path and writes further files; returns them with their sizes.
    notes : sequence of str
        Doubts and hints, after the answer.
    **more
        Of JSON.
    """
    from raytrace.reports.kinds import KINDS

    report = KINDS[kind]
    files = [] if path is None else common.written(path)
    with common.after_the_answer() as trouble:
        raise_unwritten()
        if path is not None and table:
            files += write_table(
                path.with_suffix(".csv"), *table, keep=keep, only=only, leave_out=leave_out
            )
        if path is not None and beside is not None:
            files += beside(path)
        drawn = {}
        if path is not None and (shown.figures is not None or PAGE.get()):
            drawn = report.function("figures")(found)
        if path is not None and shown.figures is not None:
            from raytrace.reports.common.style import save_figures

            folder, form = shown.figures
            stem = re.sub(
                "-(window|efficiency|implied|spots|spotmap|sunspot|redo|rig|search)$", "", path.stem
            )
            files += save_figures(drawn, folder or path.parent, stem, form)
        if path is not None and PAGE.get():
            files.append(write_page(found, path, drawn, about=about))
            PAGE.set(False)
    if shown.json:
        more["sentences"] = report.function("sentences")(found, *about)
        json_of(found, files, **more, caution=report.caution)
    else:
        print_report(shown.results, report.function("tables")(found, *about))
    for note in notes:
        shown.messages.print(note, style="yellow", markup=False)
    common.report_files(shown.messages if shown.json else shown.results, files)
    shown.messages.print(report.caution, style="dim")
    for wrong in trouble:
        raise wrong
