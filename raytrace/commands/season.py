"""`cooker season`: when food boils, by month and by the hour at which the pot is put on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output
from raytrace.commands.calendar_file import CalendarFile, Paper, calendar_wish

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.cooking.season_plan import SeasonPlan

__all__ = ["season"]

DRAWS = 32  # for what may be expected
QUARTER = 900.0  # between starts that are tried round the best hours [s]
BEAMS_A_SECOND = 6e5  # that one processor traces here, setting up included
MOST_HOURS = 24.0  # of one processor

HELP = """Say when food boils: for each month, and each hour at which the pot is put on.

The best and the latest start, minutes to the boil, watts, litres a day, and why it never boils
where it doesn't. The best start is the quickest of those that work on nearly as many days as any:
it boils within three hours, and no food stands lukewarm for over two. What is said of it first
comes from cookers that you may own, each on some of the dates (--draws). Under a cloudless sky; or
by a weather file (sky.dni), and then on how many of ten days it boils.

\b
  cooker season scenarios/courtyard.toml
  cooker season scenarios/courtyard.toml --from 2026-05-01 --to 2026-09-30 --starts "8, 9:30, 11"
  cooker season scenarios/courtyard.toml --turn-every "15 min" --face ahead
  cooker season scenarios/terrace.toml --calendar kitchen.pdf
  cooker season scenarios/courtyard.toml --set "kitchen.water=3 L" --set "kitchen.done_after=2 h"
  cooker season scenarios/courtyard.toml --set 'sky.dni="weather file"' \\
      --set 'sky.weather_file="oaxaca.epw"' --by 12:00

It can be stopped with Ctrl-C; the same command goes on where it stopped.
Caution: steam and glare; never leave a pot alone; food is safe by its temperature. See: cooker
cautions.
"""


def season(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    from_: Annotated[
        str | None,
        typer.Option("--from", help="First date. Default: a whole year.", metavar="DATE"),
    ] = None,
    to: common.LastDate = None,
    every: common.EveryDays = 1,
    starts: Annotated[
        str,
        typer.Option(
            help="When the pot is put on, by the clock: a range by the hour, between which quarter "
            "hours are tried where they may be better; or a list, which is kept to.",
            metavar="HOURS",
        ),
    ] = "6..17",
    by: Annotated[
        str, typer.Option(help="Clock time by which it should boil.", metavar="TIME")
    ] = "12:00",
    wanted: common.Wanted = None,
    turn_every: common.TurnEvery = None,
    face: common.Face = None,
    step: Annotated[
        str, typer.Option(help="Between moments that are traced.", metavar="DURATION")
    ] = "10 min",
    beams: Annotated[
        int, typer.Option(help="Beams a facet in each replicate.", min=1, max=4096, metavar="N")
    ] = 1,
    replicates: Annotated[
        int, typer.Option(help="Independent repeats of each moment.", min=2, max=256, metavar="N")
    ] = 4,
    draws: Annotated[
        int,
        typer.Option(
            help="Cookers drawn for what may be expected of the best start; 0 for none.",
            min=0,
            max=4096,
            metavar="N",
        ),
    ] = DRAWS,
    calendar: CalendarFile = None,
    paper: Paper = "a4",
    build: common.Build = None,
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
    shown = common.Shown.of(json_, figures, no_figures)
    page = None if calendar is None else calendar_wish(calendar, paper)
    if page is not None and (no_files or not draws):
        raise typer.BadParameter(
            "needs the results file and draws: leave out --no-files and --draws 0.",
            param_hint="--calendar",
        )
    # what follows imports much, which takes a second or two
    with shown.messages.status("Getting ready"):
        from raytrace.commands.dates import (
            date_range,
            read_clock,
            read_clocks,
        )
        from raytrace.scenario.overrides import course_changes, habit_changes
        from raytrace.store.fingerprint import fingerprint
        from raytrace.store.places import place_of
        from raytrace.studies.cooking import season as study
        from raytrace.studies.cooking.season_plan import SeasonPlan
        from raytrace.studies.trace.summary import weather_warnings

        hours = read_clocks(starts, "--starts")
        noon = read_clock(by, "--by")
        seconds = round(common.quantity(step, "duration", "--step", low="1 min", high="1 h"))
        read = common.open_scenario(
            scenario, [*(set_ or ()), *course_changes(wanted), *habit_changes(turn_every, face)]
        )
        warnings = weather_warnings(read) if read.sky.dni == "weather file" else []
        plan = SeasonPlan(
            date_range(read, from_, to, every),
            hours,
            between=QUARTER if ".." in starts else 0.0,
            step=float(seconds),
            beams=beams,
            replicates=replicates,
            seed=read.trace.seed if seed is None else seed,
            build=read.trace.build if build is None else build,
            draws=draws,
            calendar=draws > 0,
        )
        _refuse_too_much(read, plan)
        stamp = fingerprint("season", [read], plan)
        stem = f"{scenario.stem}-season"
        path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
    for words in warnings:
        shown.messages.print(words, style="yellow")
    with output.progress_bar(shown.messages, "Cooking", "days", path) as progress:
        found = output.answered(
            study.season,
            read,
            plan,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    output.present(
        found,
        "season",
        path,
        shown,
        table=(found, "date", "start"),
        keep=lambda row: row["outcome"] != "not tried",
        leave_out=("start_at", "reason"),
        beside=None if page is None else lambda _: page(found),
        about=(noon,),
        by=by,
        boils_by=[common.finite(x) for x in found.share_by(noon)],
        warnings=warnings,
    )


def _refuse_too_much(scenario: Scenario, plan: SeasonPlan) -> None:
    """Say what a plan would take that nobody would wait for."""
    from raytrace.studies.cooking.season_plan import beams_of

    hours = beams_of(scenario, plan) / BEAMS_A_SECOND / 3600.0
    if hours > MOST_HOURS:
        raise typer.BadParameter(
            f"{len(plan.dates)} days by {plan.step / 60.0:g} min, {plan.replicates} replicates of "
            f"{plan.beams} beams a facet would take one processor some {hours:,.0f} hours; "
            f"{MOST_HOURS:.0f} are the most. Ask for fewer days (--every), longer steps, or fewer "
            "beams: one beam and four replicates are good to a thousandth.",
            param_hint="--step, --replicates, --beams",
        )


season.__doc__ = HELP
