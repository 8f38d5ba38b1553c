"""`cooker window`: when the sun suits the cooker."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output

if TYPE_CHECKING:
    from raytrace.studies.window.best_altitude import Served

__all__ = ["window"]

HELP = """Say when the sun suits the cooker, and how long it may then stay unturned.

For each date: at what times of the clock, morning and afternoon, the sun stands at the altitude
that the mirrors are set for; how long it stays near enough that the watts keep 90 %; how long the
platform may be left as it was turned. Then the dates on which the sun never gets there.

\b
  cooker window scenarios/courtyard.toml
  cooker window scenarios/courtyard.toml --from 2026-06-01 --to 2026-06-30 --every 7
  cooker window scenarios/courtyard.toml --keep "80 %"
  cooker window scenarios/courtyard.toml --serve 2026-05-01..2026-09-30 --hours 9..15

--serve looks for the altitude to set the mirrors for, so that the cooker delivers the most energy
in those months and hours; the cooker is aimed again for each altitude tried.

Caution: never look at the sun to judge its height; measure a shadow. See: cooker cautions.
"""


def window(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    from_: Annotated[
        str | None,
        typer.Option("--from", help="First date. Default: the 21st of each month.", metavar="DATE"),
    ] = None,
    to: Annotated[
        str | None, typer.Option("--to", help="Last date; a year at most.", metavar="DATE")
    ] = None,
    every: Annotated[
        int | None, typer.Option(help="Days from date to date.", min=1, max=366, metavar="N")
    ] = None,
    keep: Annotated[
        str, typer.Option(help="Share of the watts that still serves.", metavar="SHARE")
    ] = "90 %",
    serve: Annotated[
        str | None,
        typer.Option(help="Dates to serve best: 2026-05-01..2026-09-30.", metavar="DATES"),
    ] = None,
    hours: Annotated[
        str | None,
        typer.Option(help="Clock hours to serve. Default: 9..15.", metavar="HOURS"),
    ] = None,
    repeats: Annotated[
        int,
        typer.Option(help="Repeats behind the standard errors.", min=2, max=4096, metavar="N"),
    ] = 32,
    build: common.Build = None,
    draws: common.Draws = common.DRAWS // 4,
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output_: common.ResultsFile = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.commands.dates import date_range
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.window import window as study

    shown = common.Shown.of(json_, figures, no_figures)
    share = common.quantity(keep, "share", "--keep", low="1 %", high="99.9 %")
    read = common.open_scenario(scenario, set_ or ())
    given = (from_, to, every) != (None, None, None)
    plan = study.WindowPlan(
        date_range(read, from_, to, every or 1) if given else study.usual_dates(read),
        share,
        repeats=repeats,
        seed=read.trace.seed if seed is None else seed,
        build=read.trace.build if build is None else build,
        serve=_served(serve, hours),
        draws=draws,
    )
    stamp = fingerprint("window", [read], plan)
    stem = f"{scenario.stem}-window"
    path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
    with output.progress_bar(shown.messages, "Sun window", "%", path) as progress:
        found = output.answered(
            study.window,
            read,
            plan,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    output.present(found, "window", path, shown, table=(found.rows, "row"))


def _served(serve: str | None, hours: str | None) -> Served | None:
    from raytrace.commands.dates import read_clock, read_days
    from raytrace.studies.window.best_altitude import Served

    if serve is None:
        if hours is not None:
            raise typer.BadParameter("goes with --serve.", param_hint="--hours")
        return None
    first, last = read_days(serve, "--serve")
    parts = (hours or "9..15").split("..")
    if len(parts) != 2:
        raise typer.BadParameter(f'"{hours}": write hours as 9..15.', param_hint="--hours")
    start, end = (read_clock(part, "--hours") for part in parts)
    if end <= start:
        raise typer.BadParameter(f'"{hours}": the hours must rise.', param_hint="--hours")
    return Served(first, last, start, end)


window.__doc__ = HELP
