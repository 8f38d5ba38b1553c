"""`cooker rig`: what the laser's place and angle do to the cooker."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common
from raytrace.commands.studies import progress_bar, write_table

__all__ = ["rig"]

HELP = """What the laser rig does to the cooker that is set with it.

What the cooker is really set for when the laser stood too high or aside, and what that costs at
the design sun and over a day; what a laser swivelled on one stand does instead of one slid from
facet to facet, and each facet's own mark that makes up for it; what hitting facets off their
centres costs.

\b
  cooker rig scenarios/courtyard.toml --altitude-bias "1 deg"
  cooker rig scenarios/courtyard.toml --azimuth-bias "-1 deg" --day 2026-06-21
  cooker rig scenarios/courtyard.toml --distance "3 m" --plane upright

Biases that are not given are the scenario's (errors.rig). Positive is too high, and clockwise
seen from above. Nothing else errs here.

Caution: a laser of class 2 (1 mW) or less; keep every eye out of the beam and its reflections.
"""


def rig(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    altitude_bias: Annotated[
        str | None, typer.Option(help='Laser too high: "1 deg".', metavar="ANGLE")
    ] = None,
    azimuth_bias: Annotated[
        str | None,
        typer.Option(help='Laser clockwise, seen from above: "-1 deg".', metavar="ANGLE"),
    ] = None,
    distance: Annotated[
        str | None,
        typer.Option(
            help="Of a swivelled laser's stand from the facets' middle.", metavar="LENGTH"
        ),
    ] = None,
    plane: Annotated[
        str | None,
        typer.Option(
            help="Target that the marks are for: the base's plane, or an upright card across it. "
            "Default: the scenario's errors.miss_plane.",
            metavar="base|upright",
        ),
    ] = None,
    day: Annotated[
        str | None,
        typer.Option(help="Day to trace. Default: the design date.", metavar="DATE"),
    ] = None,
    step: Annotated[
        str, typer.Option(help="Between the moments of that day.", metavar="DURATION")
    ] = "30 min",
    most_hit: Annotated[
        str,
        typer.Option(help="Farthest that the laser strikes off the centres, σ.", metavar="LENGTH"),
    ] = "20 mm",
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help="Table of the marks to write (.csv). Default: in the folder results.",
            metavar="FILE",
        ),
    ] = None,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.reports.bench.rig import marks_csv, study_facts, study_tables
    from raytrace.reports.bench.spots import LASER_CAUTION
    from raytrace.studies.bench.rig import study_rig

    results, messages = common.consoles(quiet=json_)
    if plane is not None and plane not in ("base", "upright"):
        raise typer.BadParameter(f'"{plane}": write base or upright.', param_hint="--plane")
    folder, form = common.figure_wishes(figures or (), Path("results"))
    # through the scenario, so that its own limits and messages hold
    changes = [
        f"errors.rig.{name}={value}"
        for name, value in (
            ("altitude_bias", altitude_bias),
            ("azimuth_bias", azimuth_bias),
            ("distance", distance),
        )
        if value is not None
    ]
    hit = common.quantity(most_hit, "length", "--most-hit", low="0.1 mm", high="100 mm")
    seconds = common.quantity(step, "duration", "--step", low="1 min", high="24 h")
    read = common.open_scenario(scenario, [*(set_ or ()), *changes])
    with progress_bar(messages, "Tracing") as progress:
        study = study_rig(
            read,
            plane=plane,
            date=day,
            step=seconds,
            most_hit=hit,
            seed=read.trace.seed if seed is None else seed,
            threads=threads,
            progress=progress,
        )
    files = []
    with common.after_the_answer() as trouble:
        if not no_files:
            path = output or Path("results") / f"{scenario.stem}-marks.csv"
            files.append(write_table(path.with_suffix(path.suffix or ".csv"), marks_csv(study)))
            if not no_figures:
                from raytrace.reports.bench.rig_figures import write_rig_figures

                if not figures:
                    folder = path.parent
                files += write_rig_figures(study, folder, scenario.stem, form)
    if json_:
        facts = study_facts(study)
        facts["files"] = [str(path) for path, _ in files]
        facts["caution"] = LASER_CAUTION
        common.print_json(facts)
    else:
        for part in study_tables(study):
            results.print(part)
    if read.errors.set_by == "angle":
        messages.print(
            "This scenario sets facets by angle (errors.set_by), where no laser errs: the above "
            "is what one would do.",
            style="yellow",
        )
    common.report_files(messages if json_ else results, files)
    messages.print(LASER_CAUTION, style="dim")
    for wrong in trouble:
        raise wrong


rig.__doc__ = HELP
