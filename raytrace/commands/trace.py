"""`cooker trace`: watts and flux map at the design sun, at a moment or over a day."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output
from raytrace.texts import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from raytrace.studies.trace.run import Run, TracePlan

__all__ = ["trace"]


HELP = """Trace a scenario: watts on the pot, where the rest goes, and the flux on the base.

Without --at or --day the sun stands where the facets were set for it.

\b
  cooker trace scenarios/courtyard.toml
  cooker trace scenarios/courtyard.toml --at 2026-03-20T10:30
  cooker trace scenarios/courtyard.toml --day 2026-03-20 --step "15 min"
  cooker trace scenarios/courtyard.toml --set errors.setting="4 mm" --set pot.diameter="28 cm"
  cooker trace scenarios/courtyard.toml --target-se "0.01 %" --json
  cooker trace scenarios/courtyard.toml --faces --mean-map 100

A day can be stopped with Ctrl-C; the same command goes on where it stopped.
Caution: the light that this describes blinds, burns and sets things alight; see: cooker cautions.
"""


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
    draws: common.Draws = common.DRAWS,
    seed: common.Seed = None,
    build: Annotated[
        int | None, typer.Option(help="Which draw of the workshop's errors.", min=0, metavar="N")
    ] = None,
    bins: Annotated[
        int | None,
        typer.Option(help="Bins along a side of the flux map.", min=1, max=1024, metavar="N"),
    ] = None,
    faces: Annotated[
        bool,
        typer.Option("--faces", help="Also draw the flux on the pot's wall and lid, by rays."),
    ] = False,
    mean_map: Annotated[
        int | None,
        typer.Option(
            help="Also draw the base's flux map averaged over so many builds, each set and turned "
            "with errors of its own; not with --day.",
            min=2,
            max=10_000,
            metavar="N",
        ),
    ] = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output_: common.ResultsFile = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    if at is not None and day is not None:
        raise typer.BadParameter("give --at or --day, not both.", param_hint="--at")
    if step is not None and day is None:
        raise typer.BadParameter("goes with --day.", param_hint="--step")
    if mean_map is not None and day is not None:
        raise typer.BadParameter("goes with one sun, not with --day.", param_hint="--mean-map")
    if (faces or mean_map) and (no_files or no_figures):
        raise typer.BadParameter(
            "draws figures: leave out --no-files and --no-figures.",
            param_hint="--faces" if faces else "--mean-map",
        )
    told = common.Shown.of(json_, figures, no_figures)
    # what follows imports much, which takes a second or two
    with told.messages.status("Getting ready"):
        from raytrace.sky.clock import read_date, site_times
        from raytrace.sky.sun import day_times
        from raytrace.store.fingerprint import fingerprint
        from raytrace.store.places import place_of
        from raytrace.studies.trace.run import TracePlan, run

        seconds = common.quantity(step or "30 min", "duration", "--step", low="1 s", high="6 h")
        share = None if target_se is None else common.quantity(target_se, "share", "--target-se")
        if share is not None and not 0.0 < share < 1.0:
            raise typer.BadParameter(
                'must lie between 0 and 1, such as "0.01 %".', param_hint="--target-se"
            )
        if estimator not in (None, "beams", "rays"):
            raise typer.BadParameter(
                f"{shown(estimator)}: write beams or rays.", param_hint="--estimator"
            )
        read = common.open_scenario(scenario, set_ or ())
        plan = TracePlan.of(
            read,
            at=None if at is None else (site_times(read.site, at)[0].isoformat(),),
            date=None if day is None else read_date(day),
            step=None if day is None else seconds,
            estimator=estimator,
            samples=samples,
            target_se=share,
            replicates=replicates,
            seed=seed,
            bins=bins,
            build=build,
            draws=draws if day is None else draws // 4,
            in_the_way=0.01,
        )
        count = 1 if plan.date is None else len(day_times(read, plan.date, plan.step))
        _refuse_too_much(plan, count, mean_map or 0)
        stem = "-".join([scenario.stem, *_when(plan)])
        stamp = fingerprint("trace", [read], plan)
        path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
    if path is not None:
        output.report_place(told.messages, path, output_, stem)
    with output.progress_bar(told.messages, "Tracing", "moments", path) as progress:
        found = output.answered(
            run,
            read,
            plan,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    dark = max(m.dni for m in found.moments) == 0.0
    notes = ["DNI is 0: nothing shines here at that time."] if dark else []

    def beside(path: Path) -> Sequence[tuple[Path, int]]:
        return _face_figures(found, path, told, faces=faces, builds=mean_map)

    output.present(found, "trace", path, told, notes=notes, beside=beside)


def _face_figures(
    found: Run, path: Path, told: common.Shown, *, faces: bool, builds: int | None
) -> list[tuple[Path, int]]:
    """Figures of wall and lid and of the mean over builds, where they are asked for."""
    if told.figures is None or not (faces or builds):
        return []
    from raytrace.reports.common.style import save_figures
    from raytrace.reports.trace.face_figures import face_figures, mean_map_figure
    from raytrace.studies.trace.faces import face_maps
    from raytrace.studies.trace.faces import mean_map as averaged

    with told.messages.status("Mapping the pot's faces"):
        drawn = face_figures(found, face_maps(found)) if faces else {}
        if builds:
            mean = averaged(found.scenario, builds, found.plan)
            drawn["mean-map"] = mean_map_figure(found, mean, builds)
    folder, form = told.figures
    return save_figures(drawn, folder or path.parent, path.stem, form)


def _refuse_too_much(plan: TracePlan, moments: int, builds: int = 0) -> None:
    """Refuse what would not fit in memory: each replicate of each moment keeps a map."""
    from raytrace.commands.needs import refuse_over

    # the maps, and side by side as the file has them
    takes = 2.0 * 8.0 * plan.bins**2 * plan.replicates * moments
    refuse_over(takes, "--bins", "fewer --bins, fewer --replicates or a longer --step")
    # of a mean map, each build's own
    refuse_over(2.0 * 8.0 * plan.bins**2 * builds, "--mean-map", "fewer builds or fewer --bins")


def _when(plan: TracePlan) -> list[str]:
    """What the name of the results says besides the scenario."""
    if plan.date is not None:
        return [plan.date.isoformat()]
    return [time[:16].replace(":", "") for time in plan.at]


trace.__doc__ = HELP
