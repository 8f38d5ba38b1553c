"""`cooker trace`: watts and flux map at the design sun, at a moment or over a day."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from raytrace.commands import common
from raytrace.parallel.interrupts import hold
from raytrace.parallel.pieces import watched
from raytrace.store.locks import Lock

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.trace.run import Moment, Run, TraceSettings

__all__ = ["trace"]

HELP = """Trace a scenario: watts on the pot, where the rest goes, and the flux on the base.

Without --at or --day the sun stands where the facets were set for it.

\b
  cooker trace scenarios/courtyard.toml
  cooker trace scenarios/courtyard.toml --at 2026-03-20T10:30
  cooker trace scenarios/courtyard.toml --day 2026-03-20 --step "15 min"
  cooker trace scenarios/courtyard.toml --set errors.setting="4 mm" --set pot.diameter="28 cm"
  cooker trace scenarios/courtyard.toml --target-se "0.01 %" --json

A day can be stopped with Ctrl-C; the same command goes on where it stopped.
Caution: the light that this describes blinds, burns and sets things alight; see: cooker cautions.
"""


@dataclass
class _Job:
    """What one call of the command is to do."""

    scenario: Scenario
    settings: TraceSettings
    kind: str
    plan: dict[str, Any]
    path: Path | None
    overwrite: bool
    messages: Console


def trace(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    at: Annotated[
        str | None,
        typer.Option(
            help="Moment, by the site's clock: 2026-06-21T10:30, or with +02:00 at its end.",
            metavar="TIME",
        ),
    ] = None,
    day: Annotated[
        str | None,
        typer.Option(help="Whole day from sunrise to sunset: 2026-06-21.", metavar="DATE"),
    ] = None,
    step: Annotated[
        str | None,
        typer.Option(
            help="Between the moments of a day, at each of which the platform is turned to the "
            'sun: "30 min" unless you say otherwise.',
            metavar="DURATION",
        ),
    ] = None,
    estimator: Annotated[
        str | None,
        typer.Option(
            help="beams: fast, exact over each facet. rays: the reference, slower.",
            metavar="beams|rays",
        ),
    ] = None,
    samples: Annotated[
        int | None, typer.Option(help="Beams or rays in all.", min=1, max=10**12, metavar="N")
    ] = None,
    target_se: Annotated[
        str | None,
        typer.Option(
            help='Trace until the delivered watts\' standard error is this small: "0.01 %".',
            metavar="SHARE",
        ),
    ] = None,
    replicates: Annotated[
        int | None,
        typer.Option(
            help="Independent repeats behind the standard errors.", min=4, max=4096, metavar="N"
        ),
    ] = None,
    seed: common.Seed = None,
    build: Annotated[
        int | None, typer.Option(help="Which draw of the workshop's errors.", min=0, metavar="N")
    ] = None,
    bins: Annotated[
        int | None,
        typer.Option(help="Bins along a side of the flux map.", min=1, max=1024, metavar="N"),
    ] = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output: common.ResultsFile = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.exceptions import StoreError
    from raytrace.reports.common.cautions import IN_BRIEF
    from raytrace.reports.trace.tables import run_tables

    if at is not None and day is not None:
        raise typer.BadParameter("give --at or --day, not both.", param_hint="--at")
    if step is not None and day is None:
        raise typer.BadParameter("goes with --day.", param_hint="--step")
    results, messages = common.consoles(quiet=json_)
    place = common.figure_wishes(figures or (), Path("results"))
    job = _prepare(
        common.open_scenario(scenario, set_ or ()),
        at=at,
        day=day,
        step=common.quantity(step or "30 min", "duration", "--step", low="1 s", high="6 h"),
        changes={
            "estimator": estimator,
            "samples": samples,
            "target_se": target_se and common.quantity(target_se, "share", "--target-se"),
            "replicates": replicates,
            "seed": seed,
            "build": build,
            "bins": bins,
            "threads": threads,
        },
        messages=messages,
        overwrite=overwrite,
    )
    if not no_files:
        from raytrace.store.places import place_of

        stem = _stem(scenario, job)
        job.path = place_of(output, stem, _fingerprint(job), overwrite=overwrite)
        if output is None and job.path.stem != stem:
            messages.print(
                f"results/{stem}.h5 holds another run and is left as it is; this one goes to "
                f"{job.path}.",
                style="dim",
                soft_wrap=True,
            )
    run, files, trouble = _run(job)

    if run.moments and not (no_files or no_figures):
        folder, form = place
        if not figures and job.path is not None:
            folder = job.path.parent
        try:
            files += common.draw(run, folder, (job.path or scenario).stem, form)
        except StoreError as error:
            trouble = trouble or error
    if json_:
        from raytrace.reports.trace.facts import run_facts

        facts = run_facts(run, job.plan)
        facts["files"] = [str(path) for path, _ in files]
        facts["caution"] = IN_BRIEF
        common.print_json(facts)
    else:
        for table in run_tables(run, job.plan):
            results.print(table)
    if run.moments and max(m.dni for m in run.moments) == 0.0:
        messages.print("DNI is 0: nothing shines here at that time.", style="yellow")
    common.report_files(results if not json_ else messages, files)
    messages.print(IN_BRIEF, style="dim")
    if trouble is not None:
        raise trouble


def _prepare(
    scenario: Scenario,
    *,
    at: str | None,
    day: str | None,
    step: float,
    changes: dict[str, Any],
    messages: Console,
    overwrite: bool,
) -> _Job:
    """Check what was asked for, before anything is traced."""
    from raytrace.exceptions import GeometryError, SkyError
    from raytrace.optics.tracing import DEFAULT_SAMPLES
    from raytrace.sky.clock import read_date, site_times
    from raytrace.sky.sun import day_times
    from raytrace.studies.trace.run import TraceSettings

    target = changes["target_se"]
    if target is not None and not 0.0 < target < 1.0:
        raise GeometryError('--target-se must lie between 0 and 1, such as "0.01 %"')
    if changes["estimator"] not in (None, *DEFAULT_SAMPLES):
        raise GeometryError(
            f'--estimator "{changes["estimator"]}": write {" or ".join(DEFAULT_SAMPLES)}'
        )
    settings = TraceSettings.of(scenario, **changes)
    kind = "design"
    plan: dict[str, Any] = {}
    if at is not None:
        kind, plan = "moment", {"at": site_times(scenario.site, at)[0].isoformat()}
    elif day is not None:
        times = day_times(scenario, day, step)
        if not len(times):
            raise SkyError(f"{day}: the sun does not rise at {scenario.site.name} on that day")
        kind = "day"
        plan = {"date": read_date(day).isoformat(), "step_s": step, "moments": len(times)}
    _refuse_too_much(settings, plan.get("moments", 1))
    return _Job(scenario, settings, kind, plan, None, overwrite, messages)


def _refuse_too_much(settings: TraceSettings, moments: int) -> None:
    """Refuse what would not fit in memory: each replicate of each moment keeps a map."""
    from raytrace.commands.needs import refuse_over

    # the map, and the flux in its bins when it is written and drawn
    takes = 2.0 * 8.0 * settings.bins**2 * settings.replicates * moments
    refuse_over(takes, "--bins", "fewer --bins, fewer --replicates or a longer --step")


def _stem(scenario: Path, job: _Job) -> str:
    """Name of the results after the scenario, and the moment or day if there is one."""
    if job.kind == "moment":
        return f"{scenario.stem}-{job.plan['at'][:16].replace(':', '')}"
    if job.kind == "day":
        return f"{scenario.stem}-{job.plan['date']}"
    return scenario.stem


def _fingerprint(job: _Job) -> dict[str, Any]:
    from raytrace.store.runs import fingerprint_of

    return fingerprint_of(job.scenario, job.kind, job.settings, job.plan)


def _run(job: _Job) -> tuple[Run, list[tuple[Path, int]], Exception | None]:
    """Trace, and keep it; trouble with the file is handed back, so that the figures are shown."""
    if job.kind == "day":
        return _run_day(job)
    if job.path is None:
        return _run_one(job)
    from raytrace.store.places import place_of

    with Lock(job.path):
        # another process may have come first
        job.path = place_of(job.path, "", _fingerprint(job), overwrite=job.overwrite)
        return _run_one(job)


def _run_one(job: _Job) -> tuple[Run, list[tuple[Path, int]], Exception | None]:
    from raytrace.exceptions import GeometryError, StoreError
    from raytrace.store.runs import write_run
    from raytrace.studies.trace.run import TraceSettings, builds_like, run_at, run_design

    changes = {name: getattr(job.settings, name) for name in TraceSettings.__dataclass_fields__}
    with _bar(job.messages):
        if job.kind == "design":
            run = run_design(job.scenario, **changes)
        else:
            run = run_at(job.scenario, job.plan["at"], **changes)
        # where some build can't be set, what this one does still stands
        with suppress(GeometryError):
            run = replace(run, builds=builds_like(run))
    if job.path is None:
        return run, [], None
    try:
        size = write_run(job.path, run, plan=job.plan, command=common.command_line())
    except StoreError as error:
        return run, [], error
    return run, [(job.path, size)], None


@contextmanager
def _bar(messages: Console) -> Iterator[None]:
    """Show how far a trace is and how long it still takes."""
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeRemainingColumn

    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
    )
    compiling = "Tracing (a first run on a machine takes half a minute more, to compile)"
    with Progress(*columns, console=messages, transient=True) as bar:
        task = bar.add_task(compiling, total=None)

        def watch(done: int, whole: int) -> None:
            bar.update(task, description="Tracing", completed=done, total=whole)

        with watched(watch):
            yield


def _run_day(job: _Job) -> tuple[Run, list[tuple[Path, int]], Exception | None]:
    """Trace what is missing of a day; each step is kept as soon as it is done."""
    from raytrace.light.setup import built_cooker
    from raytrace.store.runs import RunFile, read_run
    from raytrace.studies.trace.run import Run

    cooker = built_cooker(job.scenario, job.settings)
    count = job.plan["moments"]
    if job.path is None:
        moments: list[Moment] = []
        try:
            for moment in _steps(job, ()):
                moments.append(moment)
        except KeyboardInterrupt:
            _stop(job, f"Stopped after {len(moments)} of {count} steps; none is kept (--no-files).")
        return Run(job.scenario, cooker, "day", job.settings, tuple(moments)), [], None
    with RunFile.open(
        job.path,
        job.scenario,
        cooker,
        "day",
        job.settings,
        plan=job.plan,
        overwrite=job.overwrite,
        command=common.command_line(),
    ) as file:
        common.report_lost(job.messages, file.lost)
        there = file.done_times
        if there:
            job.messages.print(
                f"{job.path} holds {len(there)} of {count} steps; these are kept.",
                style="dim",
                soft_wrap=True,
            )
        try:
            try:
                for moment in _steps(job, there):
                    with hold():
                        file.append(moment)
            finally:
                with hold():
                    file.finish()
        except KeyboardInterrupt:
            if not file.done_times:
                _stop(job, "Stopped before the first step was done. Nothing was written.")
            _stop(
                job,
                f"Stopped. {len(file.done_times)} of {count} steps are kept in {job.path}. Give "
                f"the same command again{', without --overwrite,' if job.overwrite else ''} to go "
                "on.",
            )
    return read_run(job.path), common.written(job.path), None


def _stop(job: _Job, words: str) -> NoReturn:
    job.messages.print(words, soft_wrap=True)
    raise typer.Exit(130)


def _steps(job: _Job, done: Sequence[pd.Timestamp]) -> Iterator[Moment]:
    """Moments of a day that are not done, with a bar that shows how long it still takes."""
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    from raytrace.studies.trace.run import iter_day

    columns = (
        TextColumn("Tracing"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("steps, left"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=job.messages, transient=True) as bar:
        task = bar.add_task("day", total=job.plan["moments"] - len(done))
        date, step = job.plan["date"], job.plan["step_s"]
        finished = 0

        def watch(traced: int, whole: int) -> None:
            bar.update(task, completed=finished + traced / whole)

        with watched(watch):
            for _, _, moment in iter_day(job.scenario, date, step, job.settings, done=done):
                if moment is not None:
                    yield moment
                    finished += 1
                    bar.update(task, completed=finished)


trace.__doc__ = HELP
