"""`cooker search`: move keys of a scenario toward a goal."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output

if TYPE_CHECKING:
    from raytrace.studies.designs.search_data import SearchResult

__all__ = ["search"]

HELP = """Move keys of a scenario within bounds toward a goal, or between two.

\b
  cooker search scenarios/courtyard.toml --for watts --move "design.sun_altitude=30..60 deg"
  cooker search scenarios/courtyard.toml --for "season watts" --hours 9..15 --trials 200 \\
      --move "design.sun_altitude=30..70 deg" --move "pot.place[2]=-900..-500 mm"
  cooker search scenarios/courtyard.toml --for watts --for cost --move "facets.rows=4..9" \\
      --move "facets.layout=grid, staggered"

Goals: watts, watts per cost, watts per area, season watts, season per cost, litres, boil time,
cost, yield and others. With two it shows designs of which none beats another in both. Watts are at
the sun that each design is set for; season watts and litres over --from, --to, --every and --hours;
boil time for a pot put on --at.

A move is a key and a range, with its unit last, or values to choose from; pot.place[2] is the
second value of a list, aim.zones[1].sun_altitude belongs to the first of the file's zones. Every
design is checked as a scenario is. The design found is written as a scenario with the start's
comments, which beside a moved value say what it was. Stopped with Ctrl-C, the same command goes on
where it was; the same command finds the same.

Caution: more light in one place burns and blinds sooner; see: cooker cautions.
"""

USUAL_TRIALS = 120
SUNS = 32  # of a season in each replicate: designs share them, so these are enough to rank
OURS = "# Found by a search "


def search(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    for_: Annotated[
        list[str],
        typer.Option("--for", help="Goal; twice for two that pull apart.", metavar="GOAL"),
    ],
    move: Annotated[
        list[str],
        typer.Option(help="Key and where it may go; as often as need be.", metavar="KEY=WHERE"),
    ],
    trials: Annotated[
        int, typer.Option(help="Designs to try, in all.", min=2, max=1_000_000, metavar="N")
    ] = USUAL_TRIALS,
    time_: Annotated[
        str | None,
        typer.Option(
            "--time", help="Stop trying after so long, such as 10 min.", metavar="DURATION"
        ),
    ] = None,
    from_: Annotated[
        str | None,
        typer.Option(
            "--from", help="First date of season and litres. Default: a whole year.", metavar="DATE"
        ),
    ] = None,
    to: common.LastDate = None,
    every: common.EveryDays = 1,
    hours: Annotated[
        str, typer.Option(help="Clock hours of season and litres.", metavar="HOURS")
    ] = "9..15",
    at: Annotated[
        str | None,
        typer.Option(
            help='When the pot of boil time is put on: "2026-06-21 10:00".', metavar="MOMENT"
        ),
    ] = None,
    watts: Annotated[
        str | None,
        typer.Option(help="What a build must reach, for the goal yield.", metavar="POWER"),
    ] = None,
    beams: Annotated[
        int, typer.Option(help="Beams a facet, in each sampling.", min=1, max=4096, metavar="N")
    ] = 1,
    replicates: Annotated[
        int,
        typer.Option(help="Independent repeats of each figure.", min=2, max=1024, metavar="N"),
    ] = 8,
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output_: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help="Scenario file to write (.toml); results, table and figure go beside it. Default: "
            "in the folder results.",
            metavar="FILE",
        ),
    ] = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.commands.dates import date_range
    from raytrace.commands.wanted import read_hours, read_moment, read_power
    from raytrace.files import refuse_strangers
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.designs import search as study
    from raytrace.studies.designs.objectives import OUTCOMES, Ask
    from raytrace.studies.designs.search_data import SearchPlan
    from raytrace.studies.designs.variables import read_moves

    shown = common.Shown.of(json_, figures, no_figures)
    seconds = math.inf if time_ is None else common.quantity(time_, "duration", "--time", low="0 s")
    read = common.open_scenario(scenario, set_ or ())
    goals = read_goals(for_)
    needs = {OUTCOMES[goal].needs for goal in goals}
    dates = date_range(read, from_, to, every) if "dates" in needs else ()
    ask = Ask(
        outcomes=goals,
        replicates=replicates,
        beams=beams,
        sun_positions=SUNS,
        seed=read.trace.seed if seed is None else seed,
        dates=dates,
        days=len(date_range(read, from_, to, 1)) if dates and every > 1 else None,
        hours=read_hours(hours),
        at=read_moment(at) if "at" in needs else None,
        reach=read_power(watts) if "reach" in needs else None,
    )
    plan = SearchPlan(tuple(read_moves(read, move)), ask, ask.seed)
    path, stem = None, f"{scenario.stem}-search"
    if not no_files:
        if output_ is not None and output_.suffix == ".toml":
            output_ = output_.with_suffix(".h5")
        stamp = fingerprint("search", **study.decides(read, plan))
        path = place_of(output_, stem, stamp, overwrite=overwrite)
        output.report_place(shown.messages, path, output_, stem)
        refuse_strangers(path.with_suffix(".toml"), OURS.encode())
    with output.progress_bar(shown.messages, "Searching", "designs", path) as progress:
        found = output.answered(
            study.search,
            read,
            plan,
            trials=trials,
            seconds=seconds,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    output.present(
        found,
        "search",
        path,
        shown,
        table=(found, "design"),
        only=found.columns,
        beside=lambda at: _write(found, at.with_suffix(".toml")),
    )
    if not found.found:
        raise typer.Exit(1)


def read_goals(names: list[str]) -> tuple[str, ...]:
    """Goals by their names, one or two that differ."""
    from raytrace.commands.wanted import read_outcomes

    goals = read_outcomes(names, "--for")
    if len(goals) > 2 or len(set(goals)) < len(goals):
        raise typer.BadParameter("give one goal, or two that differ.", param_hint="--for")
    return goals


def _write(study: SearchResult, path: Path) -> list[tuple[Path, int]]:
    """Scenarios found, named by letters where they are several."""
    from raytrace.files import refuse_strangers
    from raytrace.reports.designs.search import LETTERS
    from raytrace.studies.designs.rewrite import write_scenario

    files, goals = [], " and ".join(study.plan.goals)
    for letter, found in zip(LETTERS, study.found, strict=False):
        name = path if len(study.found) == 1 else path.with_stem(f"{path.stem}-{letter}")
        refuse_strangers(name, OURS.encode())
        note = f"{OURS[2:]}for {goals}, from {study.scenario.source}, whose comments these are."
        files.append((name, write_scenario(found.scenario, name, note=note)))
    return files


search.__doc__ = HELP
