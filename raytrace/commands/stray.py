"""`cooker stray`: where the light goes when the cooker faces another way."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output

__all__ = ["stray"]

HELP = """Say how far to stay away from the mirrors, and what their stray light hits when.

For suns that the cooker is not turned to: left as it was used in the morning, at noon or in the
afternoon, turned late, and with the pot off its stand. How far published limits of skin and of what
burns are passed; which window, wall, path or dry grass of the scenario's [[site.surroundings]] is
hit, and what of its horizon; the worst hour of the day and the season.

\b
  cooker stray scenarios/courtyard.toml
  cooker stray scenarios/courtyard.toml --date 2026-06-21 --step "15 min"
  cooker stray scenarios/courtyard.toml --parked 90 --parked 270
  cooker stray scenarios/courtyard.toml --people "0 m..1.2 m"     where children are
  cooker stray scenarios/courtyard.toml --level "1 kW/m^2"

Fifty mirrors take a minute or two, hundreds far longer; one --date and --builds 0 take less.
Ctrl-C keeps what is done.

Caution: cover the mirrors or lay them face down whenever nobody minds them, never look at the spot
or into a mirror, keep children away, and leave nothing that burns in the beam. What is computed
proves no place safe.
"""


def stray(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    date: Annotated[
        list[str] | None,
        typer.Option(
            "--date",
            help="Date to look at; again for more. Default: the 21st of June to December, which "
            "stand for the whole year.",
            metavar="DATE",
        ),
    ] = None,
    step: Annotated[
        str, typer.Option(help="Time from sun to sun through a day.", metavar="DURATION")
    ] = "30 min",
    parked: Annotated[
        list[str] | None,
        typer.Option(
            "--parked",
            help="A heading to park it at, clockwise from north, such as 135; again for more. "
            "Default: north, east, south and west.",
            metavar="HEADING",
        ),
    ] = None,
    people: Annotated[
        str, typer.Option(help="Heights over the ground at which people are.", metavar="FROM..TO")
    ] = "0 m..2 m",
    level: Annotated[
        list[str] | None,
        typer.Option(
            "--level",
            help="Irradiance whose distance is asked for, the sun's own 1 kW/m^2 included; again "
            "for more. Default: 1.7, 2.5, 4.3 and 10 kW/m^2.",
            metavar="IRRADIANCE",
        ),
    ] = None,
    farthest: Annotated[str, typer.Option(help="How far to look.", metavar="DISTANCE")] = "60 m",
    builds: Annotated[
        int,
        typer.Option(
            help="Cookers with their errors of building, besides the exactly set one.",
            min=0,
            max=1000,
            metavar="N",
        ),
    ] = 4,
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
    from raytrace.commands.dates import read_day
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.stray.stray import stray as study
    from raytrace.studies.stray.stray_plan import StrayPlan

    shown = common.Shown.of(json_, figures, no_figures)
    read = common.open_scenario(scenario, set_ or ())
    dates = sorted({read_day(text, "--date", read.site) for text in date or ()})
    plan = StrayPlan.of(
        read,
        dates=tuple(dates) or None,
        step=common.quantity(step, "duration", "--step", low="1 min", high="6 h"),
        headings=tuple(_heading(text) for text in parked or ()) or None,
        people=_heights(people),
        levels=tuple(sorted({_level(text) for text in level or ()})) or None,
        farthest=common.quantity(farthest, "length", "--farthest", low="5 m", high="10 km"),
        builds=builds,
        build=build,
        seed=seed,
    )
    stamp = fingerprint("stray", [read], plan)
    path = (
        None
        if no_files
        else place_of(output_, f"{scenario.stem}-stray", stamp, overwrite=overwrite)
    )
    with output.progress_bar(shown.messages, "Stray light", "cases", path) as progress:
        found = output.answered(
            study,
            read,
            plan,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    output.present(found, "stray", path, shown, table=(found, "case", "distance"))


def _heading(text: str) -> float:
    bare = text.strip().removesuffix("°")
    words = f"{bare} deg" if bare.lstrip("-").replace(".", "", 1).isdigit() else text
    turn = common.quantity(words, "angle", "--parked", low="-360 deg", high="360 deg")
    return turn % (2.0 * math.pi)


def _level(text: str) -> float:
    return common.quantity(text, "irradiance", "--level", low="1.1 kW/m^2", high="1000 kW/m^2")


def _heights(text: str) -> tuple[float, float]:
    parts = text.split("..")
    if len(parts) != 2:
        raise typer.BadParameter(f'"{text}": write heights as 0 m..2 m.', param_hint="--people")
    low, high = (
        common.quantity(part, "length", "--people", low="0 m", high="30 m") for part in parts
    )
    if high <= low:
        raise typer.BadParameter(f'"{text}": the heights must rise.', param_hint="--people")
    return low, high


stray.__doc__ = HELP
