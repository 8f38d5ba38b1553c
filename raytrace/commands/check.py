"""`cooker check`: what a scenario describes, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.trace.summary import Summary

__all__ = ["check"]

HELP = """Check a scenario and say what it describes; trace nothing.

\b
  cooker check scenarios/courtyard.toml
  cooker check scenarios/courtyard.toml --set facets.pitch_x="104 mm"
  cooker check scenarios/courtyard.toml --figures png     board and pot with dimensions
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
    figures: common.Figures = None,
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
    from raytrace.reports.stray.stray_words import away_sentence
    from raytrace.reports.trace.tables import summary_tables
    from raytrace.studies.trace.summary import summarise

    read = common.open_scenario(scenario, set_ or (), doubts=False)  # its summary has them
    summary = summarise(read)
    files = _drawn(summary, scenario, figures) if figures else []
    away = _keep_away(read)
    if json_:
        output.json_of(summary, files or None, keep_away_m=common.finite(away))
        return
    for table in summary_tables(summary):
        results.print(table)
    results.print(away_sentence(away), markup=False)
    common.report_files(results, files)
    messages.print(SETTING, style="dim")


def _keep_away(scenario: Scenario) -> float:
    """About how far its light can hurt, nobody minding it; 0 where no sun shines. [m]"""
    from raytrace.exceptions import StudyError
    from raytrace.studies.stray.brief import brief_reach

    try:
        return brief_reach(scenario)
    except StudyError:
        return 0.0


def _drawn(summary: Summary, scenario: Path, wishes: Sequence[str]) -> list[tuple[Path, int]]:
    """Write the picture that --figures asks for."""
    from raytrace.reports.common.style import save_figures
    from raytrace.reports.trace.board import figures

    folder, form = common.figure_wishes(wishes, Path("results"))
    return save_figures(figures(summary), folder, scenario.stem, form)


check.__doc__ = HELP
