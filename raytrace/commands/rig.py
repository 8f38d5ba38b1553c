"""`cooker rig`: what the laser's place and angle do to the cooker."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output

__all__ = ["rig"]

BY_ANGLE = (
    "This scenario sets facets by angle (errors.set_by), where no laser errs: the above is what "
    "one would do."
)
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
    draws: common.Draws = common.DRAWS,
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
    from raytrace.reports.bench.rig import mark_columns
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.bench import rig as study

    shown = common.Shown.of(json_, figures, no_figures)
    if plane is not None and plane not in ("base", "upright"):
        raise typer.BadParameter(f'"{plane}": write base or upright.', param_hint="--plane")
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
    plan = study.RigPlan(
        plane,
        day,
        seconds,
        hit,
        seed=read.trace.seed if seed is None else seed,
        draws=draws,
    )
    stamp = fingerprint("rig", [read], plan)
    stem = f"{scenario.stem}-rig"
    path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
    with output.progress_bar(shown.messages, "Tracing", "%", path) as progress:
        found = output.answered(
            study.rig,
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
        "rig",
        path,
        shown,
        beside=lambda path: output.write_csv(
            path.with_name(f"{path.stem.removesuffix('-rig')}-marks.csv"),
            *mark_columns(found),
        ),
        notes=[BY_ANGLE] if read.errors.set_by == "angle" else [],
    )


rig.__doc__ = HELP
