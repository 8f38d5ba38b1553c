"""`cooker blame`: which source of error costs what."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common

if TYPE_CHECKING:
    from rich.console import Console

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.tolerance.blame import Blame, Draws, Plan

__all__ = ["blame"]

ENSEMBLES, BUILDS_A_ROW = 51, 8  # at most: of the losses; of the indices, each way of setting

HELP = """Share out the lost watts: what each source of error costs, and why builds differ.

\b
  cooker blame scenarios/courtyard.toml
  cooker blame scenarios/courtyard.toml --set errors.rig.altitude_bias="1 deg"
  cooker blame scenarios/school-kitchen.toml --builds 1000 --rows 4096

Each source is added alone to an ideal cooker and taken alone from the whole; Sobol' indices share
out the variance between builds. Facets set by laser and by angle stand side by side. It can be
stopped with Ctrl-C; the same command goes on where it stopped.
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
    beams: Annotated[
        int, typer.Option(help="Beams a facet in each replicate.", min=1, max=4096, metavar="N")
    ] = 1,
    replicates: Annotated[
        int, typer.Option(help="Independent repeats of each build.", min=2, max=4096, metavar="N")
    ] = 2,
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output: common.ResultsFile = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.commands.needs import refuse_over
    from raytrace.reports.common.cautions import SETTING
    from raytrace.reports.tolerance.blame import blame_facts, blame_rows, blame_tables
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.tolerance.blame import Plan

    results, messages = common.consoles(quiet=json_)
    # a number each of watts on the base and of watts that leave, and as much again to write them
    refuse_over(
        32.0 * (ENSEMBLES * builds + 2.0 * BUILDS_A_ROW * rows) * replicates,
        "--builds" if builds * ENSEMBLES > 2 * BUILDS_A_ROW * rows else "--rows",
        "fewer builds, rows or replicates",
    )
    read = common.open_scenario(scenario, set_ or ())
    plan = Plan(
        builds=builds,
        base=rows,
        seed=read.trace.seed if seed is None else seed,
        beams=beams,
        replicates=replicates,
    )
    path = None
    if not no_files:
        stem = f"{scenario.stem}-blame"
        path = place_of(output, stem, fingerprint("blame", [read], plan), overwrite=overwrite)
    study = _run(read, plan, path, threads, overwrite, messages)
    files = []
    with common.after_the_answer() as trouble:
        if path is not None:
            from raytrace.reports.common.tables import write_csv

            files += common.written(path)
            table = path.with_suffix(".csv")
            files.append((table, write_csv(table, blame_rows(study))))
            if not no_figures:
                from raytrace.reports.tolerance.blame_figures import write_blame_figures

                folder, form = common.figure_wishes(figures or (), path.parent)
                files += write_blame_figures(study, folder, path.stem, form)
    if json_:
        facts = blame_facts(study)
        facts["files"] = [str(p) for p, _ in files]
        facts["caution"] = SETTING
        common.print_json(facts)
    else:
        for table_ in blame_tables(study):
            results.print(table_)
    common.report_files(messages if json_ else results, files)
    messages.print(SETTING, style="dim")
    for wrong in trouble:
        raise wrong


def _run(
    scenario: Scenario,
    plan: Plan,
    path: Path | None,
    threads: int | None,
    overwrite: bool,
    messages: Console,
) -> Blame:
    """Trace what is missing, and keep it."""
    from raytrace.commands.ensembles import work
    from raytrace.light.ensemble import design_ensemble
    from raytrace.store.ensembles import EnsembleFile, draws_from
    from raytrace.store.parts import parts_of
    from raytrace.studies.tolerance.blame import iter_draws, put_together

    ensemble = design_ensemble(
        scenario, seed=plan.seed, beams=plan.beams, replicates=plan.replicates, threads=threads
    )
    found: list[Draws] = []
    kept = (
        contextlib.nullcontext()
        if path is None
        else EnsembleFile(
            path, scenario, "blame", plan, overwrite=overwrite, command=common.command_line()
        )
    )
    with kept as file:
        if file is not None:
            found = draws_from(file.done)
            common.report_lost(messages, file.lost)
        if found:
            messages.print(f"{path} holds {len(found)} ensembles; these are kept.", style="dim")

        def keep(draws: Draws) -> None:
            found.append(draws)
            if file is not None:
                file.append(draws.name, draws.watts)

        done = tuple(x.name for x in found)
        work(
            messages,
            "Tracing",
            lambda tick: iter_draws(ensemble, plan, done=done, tick=tick),
            keep,
            None if path is None else parts_of(path),
        )
        if file is not None:
            file.finish()
    return put_together(ensemble, plan, found)


blame.__doc__ = HELP
