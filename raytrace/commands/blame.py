"""`cooker blame`: which source of error costs what."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output

__all__ = ["blame"]

ENSEMBLES, BUILDS_A_ROW = 51, 8  # at most: of the losses; of the indices, each way of setting

HELP = """Share out the lost watts: what each source of error costs, and why builds differ.

\b
  cooker blame scenarios/courtyard.toml
  cooker blame scenarios/courtyard.toml --set errors.rig.altitude_bias="1 deg"
  cooker blame scenarios/school-kitchen.toml --builds 1000 --rows 4096

Each source is added alone to a cooker without any of them, and taken alone from the cooker as the
scenario has it; Sobol' indices share out the variance between builds. Facets set by laser and by
angle stand side by side. Inputs that aren't known are ranked beside builds and uses, and what to
measure to halve the interval is named. It can be stopped with Ctrl-C; the same command goes on
where it stopped.
Caution: setting facets means laser light, glass edges and hot glue; see: cooker cautions.
"""


def blame(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    builds: Annotated[
        int,
        typer.Option(
            help="Builds behind each loss; even, as mirror images go in pairs.",
            min=4,
            max=10_000_000,
            metavar="N",
        ),
    ] = 200,
    rows: Annotated[
        int,
        typer.Option(
            help="Rows behind the indices, a power of two from 64; each takes up to eight builds.",
            min=64,
            max=1 << 22,
            metavar="N",
        ),
    ] = 1024,
    unknown_rows: Annotated[
        int,
        typer.Option(
            help="Rows behind the shares of what isn't known; 0 for none.",
            min=0,
            max=1 << 20,
            metavar="N",
        ),
    ] = 256,
    beams: Annotated[
        int, typer.Option(help="Beams a facet in each replicate.", min=1, max=4096, metavar="N")
    ] = 1,
    replicates: Annotated[
        int, typer.Option(help="Independent repeats of each build.", min=2, max=4096, metavar="N")
    ] = 2,
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
    from raytrace.commands.needs import refuse_over
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.tolerance import blame as study

    shown = common.Shown.of(json_, figures, no_figures)
    # a number each of watts on the base and of watts that leave, and as much again to write them
    refuse_over(
        32.0 * (ENSEMBLES * builds + 2.0 * BUILDS_A_ROW * rows) * replicates,
        "--builds" if builds * ENSEMBLES > 2 * BUILDS_A_ROW * rows else "--rows",
        "fewer builds, rows or replicates",
    )
    read = common.open_scenario(scenario, set_ or ())
    plan = study.BlamePlan(
        builds=builds,
        base=rows,
        seed=read.trace.seed if seed is None else seed,
        beams=beams,
        replicates=replicates,
        unknown_rows=unknown_rows,
    )
    path = None
    if not no_files:
        stamp = fingerprint("blame", [read], plan)
        path = place_of(output_, f"{scenario.stem}-blame", stamp, overwrite=overwrite)
    with output.progress_bar(shown.messages, "Tracing", "builds", path) as progress:
        found = output.answered(
            study.blame,
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
        "blame",
        path,
        shown,
        table=(found, "set_by", "source"),
        leave_out=("gap", "gap_se"),
    )


blame.__doc__ = HELP
