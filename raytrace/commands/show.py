"""`cooker show`: tables and figures of a results file again."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common

__all__ = ["show"]

HELP = """Show a results file again: tables, and figures if asked for. Nothing is computed anew.

\b
  cooker show results/courtyard.h5
  cooker show results/courtyard.h5 --figures svg
  cooker show results/courtyard.h5 --figures pictures --figures pdf
  cooker show results/courtyard.h5 --scenario > again.toml
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
    scenario: Annotated[
        bool, typer.Option("--scenario", help="Print the scenario's text that it was made from.")
    ] = False,
    json_: Annotated[bool, typer.Option("--json", help="JSON to the standard output.")] = False,
) -> None:
    from raytrace.reports.facts import run_facts
    from raytrace.reports.tables import run_tables
    from raytrace.store import read_plan, read_run

    results, messages = common.consoles(quiet=json_)
    run, plan = read_run(file), read_plan(file)
    if scenario:
        typer.echo(run.scenario.text, nl=False)
        return
    files = []
    if figures and run.moments:
        folder, form = common.figure_wishes(figures, file.parent)
        files = common.draw(run, folder, file.stem, form)
    if json_:
        facts = run_facts(run, plan)
        facts["files"] = [str(path) for path, _ in files]
        common.print_json(facts)
    else:
        for table in run_tables(run, plan):
            results.print(table)
    common.tell_files(messages if json_ else results, files)


show.__doc__ = HELP
