"""`cooker show`: tables and figures of a results file again."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output
from raytrace.commands.calendar_file import CalendarFile, Paper, calendar_wish
from raytrace.texts import visible

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["known_kind", "show"]

HELP = """Show a results file again: tables, and figures if asked for. Nothing is computed again.

\b
  cooker show results/courtyard.h5
  cooker show results/courtyard-tolerance.h5 --figures svg
  cooker show results/courtyard.h5 --figures pictures --figures pdf
  cooker show results/courtyard.h5 --scenario > again.toml
  cooker show results/rim-ring.h5 --scenario -o again
  cooker show results/terrace-season.h5 --calendar kitchen.pdf --paper letter

For results of sheet it says the command that prints them again. --scenario
gives back what was traced, with what --set changed worked in; with -o also its tables and weather
file.
"""


def show(
    file: Annotated[Path, typer.Argument(help="Results file (.h5).", metavar="FILE")],
    figures: Annotated[
        list[str] | None,
        typer.Option(
            help="Draw figures: folder or format (png, svg, pdf); twice for both.",
            metavar="WHERE",
        ),
    ] = None,
    watts: Annotated[
        str | None,
        typer.Option(
            help="Of a tolerance study: what a build must reach to count as good.", metavar="POWER"
        ),
    ] = None,
    calendar: CalendarFile = None,
    paper: Paper = "a4",
    scenario: Annotated[
        bool, typer.Option("--scenario", help="Print the scenario's text that it was made from.")
    ] = False,
    output_: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help="With --scenario: folder to write it into, with all files that it names.",
            metavar="FOLDER",
        ),
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="JSON to the standard output.")] = False,
) -> None:
    if output_ is not None and not scenario:
        raise typer.BadParameter("goes with --scenario.", param_hint="--output")
    wanted = None if watts is None else common.quantity(watts, "power", "--watts")
    kind = known_kind(file, told=not scenario)
    if wanted is not None and kind != "tolerance":
        raise typer.BadParameter("goes with results of cooker tolerance.", param_hint="--watts")
    if calendar is not None and kind != "season":
        raise typer.BadParameter("goes with results of cooker season.", param_hint="--calendar")
    page = (
        None if calendar is None else calendar_wish(calendar, paper, made_by=_command(file, kind))
    )
    results, messages = common.consoles(quiet=json_)
    if scenario:
        _scenario(file, output_, messages)
        return
    place = common.figure_wishes(figures, file.parent) if figures else None
    from raytrace.reports.common.style import save_figures
    from raytrace.reports.kinds import KINDS
    from raytrace.store.results import read_result

    report = KINDS[kind]
    found = read_result(file, kind)
    if wanted is not None:
        found = found.wanting(wanted)
    files = (
        []
        if place is None
        else save_figures(report.function("figures")(found), place[0], file.stem, place[1])
    )
    files += [] if page is None else page(found)
    if json_:
        output.json_of(found, files, sentences=report.function("sentences")(found))
    else:
        output.print_report(results, report.function("tables")(found))
    common.report_files(messages if json_ else results, files)


def known_kind(file: Path, *, told: bool = True) -> str:
    """Kind of a results file, if there is one.

    Parameters
    ----------
    file : path
    told : bool
        Whether it is to be one that a report is made of.

    Returns
    -------
    str
        A key of `raytrace.reports.kinds.KINDS`, if it is to be told.

    Raises
    ------
    StoreError
        If there is no such file, or its command alone prints it.
    """
    from raytrace.exceptions import StoreError
    from raytrace.reports.kinds import KINDS
    from raytrace.store.sealed import kind_of

    _look(file)
    kind = kind_of(file)
    if told and kind not in KINDS:
        raise StoreError(
            f"{file}: results of cooker {kind}, which alone prints them. Give its command again: "
            f"{_command(file, kind)}"
        )
    return kind


def _look(file: Path) -> None:
    """Say of what is no results file where its results are."""
    from raytrace.exceptions import StoreError
    from raytrace.store.parts import parts_of

    if file.suffix in (".h5", ".hdf5"):
        parts = parts_of(file)
        if not file.exists() and parts.exists():
            raise StoreError(
                f"{file}: not there yet: the study was stopped in the middle. What is done is kept "
                f"in {parts}; give the same command again to go on."
            )
    elif file.is_file() and file.suffix:
        there = file.with_suffix(".h5")
        known = f" Name {there}." if there.exists() else ""
        raise StoreError(
            f"{file}: not a results file (.h5).{known} Tables, figures and scenarios open in other "
            "programs; the command that wrote one prints its findings again."
        )


def _command(file: Path, name: str) -> str:
    from raytrace.store.sealed import opened

    with opened(file) as there:
        return str(there.attrs["command"]) or f"cooker {name} SCENARIO"


def _scenario(file: Path, folder: Path | None, messages: Console) -> None:
    """Print a scenario; or write it, or several, with all that they name."""
    from raytrace.commands.again import kept_in, write_again
    from raytrace.exceptions import StoreError

    if folder is not None:
        common.report_files(messages, write_again(file, folder))
        return
    kept = kept_in(file)
    if len(kept) > 1:
        raise StoreError(f"{file}: compares {len(kept)} scenarios. Name a folder for them with -o.")
    text = kept[0].text
    # a file or a pipe gets what was written, byte by byte
    typer.echo(visible(text) if sys.stdout.isatty() else text.encode("utf-8"), nl=False)
    if kept[0].files:
        messages.print(
            f"It names {', '.join(kept[0].files)}. To get these from the results too: "
            f"cooker show {file} --scenario -o FOLDER",
            soft_wrap=True,
            markup=False,
        )


show.__doc__ = HELP
