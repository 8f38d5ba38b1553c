"""`cooker day`: one pot through one day."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output

if TYPE_CHECKING:
    from raytrace.studies.cooking.start_time import Refill

__all__ = ["day"]

DRAWS = 64  # for what may be expected

HELP = """Follow one pot through one day: watts, water temperature, when to turn and how often.

\b
  cooker day scenarios/courtyard.toml 2026-03-20
  cooker day scenarios/courtyard.toml today --forecast sun.csv
  cooker day scenarios/terrace.toml tomorrow --wanted simmer
  cooker day scenarios/courtyard.toml 2026-03-20 --start 9:30 --turn-every "20 min" --face ahead
  cooker day scenarios/highland.toml 2026-06-21 --ready-by 13:00 --hold "45 min" --over "82 degC"
  cooker day scenarios/highland.toml 2026-06-21 --start 9:00 --top-up "11:00 0.5 L"

The standardised cooking power (ASAE S580.1) of a simulated test stands at the end.

Without --start the pot is put on at the half-hour from which it is ready soonest, or early in the
day about as soon, of those from which it works also if you are an hour late; --ready-by
looks for the latest start that is ready by then and still hot: done, if food takes a time (--hold),
or boiling. Both hold for nine of ten draws of what isn't known of the cooker, of building and of
using it. What is said of the start comes from other such draws (--draws).
Caution: steam and glare; never leave a pot alone; food is safe by its temperature. See: cooker
cautions.
"""


def day(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    date: Annotated[
        str, typer.Argument(help="Day, such as 2026-06-21; or today, tomorrow.", metavar="DATE")
    ],
    start: Annotated[
        str | None, typer.Option(help="When the pot is put on, by the clock.", metavar="TIME")
    ] = None,
    ready_by: Annotated[
        str | None, typer.Option(help="When it must be ready, by the clock.", metavar="TIME")
    ] = None,
    forecast: Annotated[
        Path | None,
        typer.Option(
            help="Forecast of the sun: a CSV of interval_start (or interval_end) and dni_W/m^2, or "
            "ghi_W/m^2 alone, any step. Default: the scenario's sky.",
            metavar="FILE",
        ),
    ] = None,
    wanted: common.Wanted = None,
    hold: Annotated[
        str | None,
        typer.Option(
            help="How long the food must be warm to be done (kitchen.done_after).",
            metavar="DURATION",
        ),
    ] = None,
    over: Annotated[
        str | None,
        typer.Option(
            help="How warm it must be for that (kitchen.done_over).", metavar="TEMPERATURE"
        ),
    ] = None,
    top_up: Annotated[
        list[str] | None,
        typer.Option(
            help='Cold water added: "12:00 1 L"; more than once if need be.', metavar="TIME VOLUME"
        ),
    ] = None,
    turn_every: common.TurnEvery = None,
    face: common.Face = None,
    no_habits: Annotated[
        bool, typer.Option("--no-habits", help="Compare no habits of turning.")
    ] = False,
    no_standard: Annotated[
        bool,
        typer.Option("--no-standard", help="Work out no standardised cooking power."),
    ] = False,
    step: Annotated[
        str, typer.Option(help="Between moments that are traced.", metavar="DURATION")
    ] = "2 min",
    beams: Annotated[
        int, typer.Option(help="Beams a facet in each replicate.", min=1, max=4096, metavar="N")
    ] = 2,
    replicates: Annotated[
        int, typer.Option(help="Independent repeats of each moment.", min=2, max=256, metavar="N")
    ] = 8,
    draws: Annotated[
        int,
        typer.Option(
            help="Cookers drawn for what may be expected; 0 for none.",
            min=0,
            max=4096,
            metavar="N",
        ),
    ] = DRAWS,
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
    from raytrace.commands.dates import (
        forecast_changes,
        read_clock,
        read_day,
        time_left,
    )
    from raytrace.scenario.overrides import course_changes, habit_changes
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.cooking import day as study
    from raytrace.studies.trace.summary import weather_warnings

    shown = common.Shown.of(json_, figures, no_figures)
    if start is not None and ready_by is not None:
        raise typer.BadParameter("--start and --ready-by: give one of them.")
    begin = None if start is None else read_clock(start, "--start")
    by = None if ready_by is None else read_clock(ready_by, "--ready-by")
    refills = tuple(_refill(text) for text in top_up or ())
    seconds = float(round(common.quantity(step, "duration", "--step", low="10 s", high="1 h")))
    changes = [*course_changes(wanted, over, hold), *habit_changes(turn_every, face)]
    sky = forecast_changes(forecast)
    read = common.open_scenario(scenario, [*sky, *(set_ or ()), *changes])
    when = read_day(date, "DATE", read.site)
    warnings = weather_warnings(read) if read.sky.dni == "weather file" else []
    for words in warnings:
        shown.messages.print(words, style="yellow")
    plan = study.DayPlan(
        when,
        begin,
        by,
        refills,
        habits=not no_habits,
        standard=not no_standard,
        step=seconds,
        beams=beams,
        replicates=replicates,
        seed=read.trace.seed if seed is None else seed,
        build=read.trace.build if build is None else build,
        draws=draws,
        not_before=time_left(date, read.site),
    )
    stamp = fingerprint("day", [read], plan)
    stem = f"{scenario.stem}-{when.isoformat()}"
    path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
    with output.progress_bar(shown.messages, "Cooking", "%", path) as progress:
        found = output.answered(
            study.day,
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
        "day",
        path,
        shown,
        table=(found.pot.rows, "moment"),
        warnings=warnings,
    )


def _refill(text: str) -> Refill:
    """Clock time and volume from text such as "12:00 1 L" or "9:30 am 1 qt"."""
    from raytrace.commands.dates import read_clock
    from raytrace.studies.cooking.start_time import Refill

    parts = re.fullmatch(r"\s*(\S+(?:\s+[ap]\.?m\.?)?)\s+(.*\S)\s*", text, re.IGNORECASE)
    if parts is None:
        raise typer.BadParameter(
            f'"{text}": write clock time and volume, as "12:00 1 L".', param_hint="--top-up"
        )
    litres = common.quantity(parts[2], "volume", "--top-up", low="0.001 L", high="200 L")
    return Refill(read_clock(parts[1], "--top-up"), litres)


day.__doc__ = HELP
