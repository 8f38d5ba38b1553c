"""`cooker check`: what a scenario describes, and what is wrong with it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output

__all__ = ["check"]

HELP = """Check a scenario and say what it describes; trace nothing.

\b
  cooker check scenarios/courtyard.toml
  cooker check scenarios/courtyard.toml --set facets.pitch_x="104 mm"
  cooker check --keys            every key that a scenario may have
"""


def check(
    scenario: Annotated[
        Path | None, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")
    ] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", help="Set a key of the scenario first.", metavar="KEY=VALUE"),
    ] = None,
    keys: Annotated[
        bool, typer.Option("--keys", help="List every key, its unit, default and meaning.")
    ] = False,
    json_: Annotated[bool, typer.Option("--json", help="JSON to the standard output.")] = False,
) -> None:
    results, messages = common.consoles(quiet=json_)
    if keys:
        from raytrace.reports.trace.tables import keys_tables
        from raytrace.scenario.schema import describe_schema

        if json_:
            common.print_json({"keys": [key._asdict() for key in describe_schema()]})
        else:
            for keys_table in keys_tables(describe_schema()):
                results.print(keys_table)
            results.print(
                'Say what you know: "0.85 ± 0.01", "0.80..0.88", "0.85 ± 0" for exactly.',
                style="dim",
                markup=False,
            )
        if scenario is None:
            return
    if scenario is None:
        raise typer.BadParameter("name a scenario file, or ask for --keys.", param_hint="SCENARIO")
    if keys and json_:
        raise typer.BadParameter("with --json ask for a scenario or for --keys, not both.")
    from raytrace.reports.common.cautions import SETTING
    from raytrace.reports.trace.tables import summary_tables
    from raytrace.studies.trace.summary import summarise

    read = common.open_scenario(scenario, set_ or (), doubts=False)  # its summary has them
    summary = summarise(read)
    if json_:
        output.json_of(summary)
        return
    for table in summary_tables(summary):
        results.print(table)
    if not summary.warnings:
        results.print("Nothing wrong was found.", style="dim")
    messages.print(SETTING, style="dim")


check.__doc__ = HELP
