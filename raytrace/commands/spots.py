"""`cooker spots`: where the laser's spots belong, and what measured ones say."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common
from raytrace.commands.streams import say
from raytrace.commands.studies import progress_bar, read_text, write_table

if TYPE_CHECKING:
    from rich.console import Console

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.redo import Redo
    from raytrace.studies.bench.spots import Measured, SpotTable

__all__ = ["spots"]

HELP = """Laser spots on the target: where they belong, and what measured ones say.

Without a table: where a laser at the rig's angle puts its spot from each facet.

\b
  cooker spots scenarios/courtyard.toml
  cooker spots scenarios/courtyard.toml --plane upright
  cooker spots scenarios/courtyard.toml --build 3       one draw of the workshop's errors

With a table of measured spots: the watts of that cooker, the facets ranked by what redoing each
wins, and the shortest list found for a gain.

\b
  cooker spots scenarios/courtyard.toml --demo-spots seen.csv      invented, to try it with
  cooker spots scenarios/courtyard.toml seen.csv
  cooker spots scenarios/courtyard.toml seen.csv --gain "5 W" --reading-error "2 mm"

The table is CSV, a row a facet, units in the header. Lengths count from the base's centre, along
the platform's axes whatever side you look from: x to the right and y toward the sun on the base's
plane, or x and z (up) on an upright card across the base's centre.

\b
  facet,x_mm,y_mm,sigma_mm,state
  A1,4.5,-12.0,2,ok
  A2,,,,missing

sigma (of a reading, per axis), state (ok, missing, broken) and reflectance may be left out.

Caution: a laser of class 2 (1 mW) or less; keep every eye out of the beam and its reflections.
"""


def spots(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    measured: Annotated[
        Path | None, typer.Argument(help="Table of measured spots (.csv).", metavar="MEASURED")
    ] = None,
    plane: Annotated[
        str | None,
        typer.Option(
            help="Target: the base's plane, or an upright card across it. Default: the "
            "scenario's errors.miss_plane.",
            metavar="base|upright",
        ),
    ] = None,
    build: Annotated[
        int | None,
        typer.Option(
            help="Show a draw of the workshop's errors instead.", min=0, max=1 << 31, metavar="N"
        ),
    ] = None,
    reading_error: Annotated[
        str | None,
        typer.Option(
            help='Error of a reading per axis, where the table has no sigma: "2 mm".',
            metavar="LENGTH",
        ),
    ] = None,
    gain: Annotated[
        str | None,
        typer.Option(
            help='Gain to reach: watts, "5 W", or a share of the most that redoing wins, "80 %" '
            "(the default).",
            metavar="POWER|SHARE",
        ),
    ] = None,
    rest_as_designed: Annotated[
        bool,
        typer.Option(
            "--rest-as-designed", help="Facets that the table leaves out are perfectly aimed."
        ),
    ] = False,
    demo_spots: Annotated[
        Path | None,
        typer.Option(
            "--demo-spots",
            help="Write an invented table of measured spots, and stop.",
            metavar="FILE",
        ),
    ] = None,
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output: common.TableFile = None,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.reports.bench.spots import LASER_CAUTION, spot_csv, spot_facts, spot_tables

    results, messages = common.consoles(quiet=json_)
    if plane is not None and plane not in ("base", "upright"):
        raise typer.BadParameter(f'"{plane}": write base or upright.', param_hint="--plane")
    if measured is not None:
        _not_with_a_table(plane=plane, build=build, demo_spots=demo_spots)
    elif gain is not None or rest_as_designed:
        raise typer.BadParameter("goes with a table of measured spots.", param_hint="--gain")
    folder, form = common.figure_wishes(figures or (), Path("results"))
    error = None
    if reading_error is not None:
        error = common.quantity(
            reading_error, "length", "--reading-error", low="0 mm", high="500 mm"
        )
    read = common.open_scenario(scenario, set_ or ())
    key = read.trace.seed if seed is None else seed
    if demo_spots is not None:
        _invent(read, demo_spots, plane, error, key, build or 0, scenario, messages)
        return
    table: SpotTable | Measured
    result: Redo | None = None
    if measured is None:
        from raytrace.studies.bench.spots import spot_table

        table = spot_table(read, plane, build=build, seed=key)
    else:
        table, result = _redo(
            read, measured, error or 0.0, rest_as_designed, gain, key, threads, messages
        )
    stem = scenario.stem if measured is None else measured.stem
    files = []
    with common.after_the_answer() as trouble:
        if not no_files:
            tail = "spots" if measured is None else "redo"
            path = output or Path("results") / f"{stem}-{tail}.csv"
            files.append(
                write_table(path.with_suffix(path.suffix or ".csv"), spot_csv(table, result))
            )
            if not no_figures:
                from raytrace.reports.bench.spots_figures import write_spot_figures

                if not figures:
                    folder = path.parent
                files += write_spot_figures(table, result, folder, stem, form)
    if json_:
        facts = spot_facts(table, result)
        facts["files"] = [str(path) for path, _ in files]
        facts["caution"] = LASER_CAUTION
        common.print_json(facts)
    else:
        for part in spot_tables(table, result):
            results.print(part)
    for doubt in getattr(table, "doubts", ()):
        messages.print(f"! {doubt}", style="yellow", markup=False)
    common.report_files(messages if json_ else results, files)
    messages.print(LASER_CAUTION, style="dim")
    for wrong in trouble:
        raise wrong


def _not_with_a_table(**given: object) -> None:
    for name, value in given.items():
        if value is not None:
            raise typer.BadParameter(
                "does not go with a table of measured spots.",
                param_hint=f"--{name.replace('_', '-')}",
            )


def _invent(
    scenario: Scenario,
    file: Path,
    plane: str | None,
    error: float | None,
    seed: int,
    build: int,
    path: Path,
    messages: Console,
) -> None:
    from raytrace.files import write_whole
    from raytrace.reports.bench.spots import LASER_CAUTION
    from raytrace.studies.bench.readings import invent_spots

    text = invent_spots(
        scenario,
        plane=plane,
        reading_error=2e-3 if error is None else error,
        seed=seed,
        build=build,
    )
    write_whole(file, text, new=True, option="")
    say(f"Written: {file}, an invented table. Next: cooker spots {path} {file}")
    messages.print(LASER_CAUTION, style="dim")


def _redo(
    scenario: Scenario,
    file: Path,
    error: float,
    rest_as_designed: bool,
    gain: str | None,
    seed: int,
    threads: int | None,
    messages: Console,
) -> tuple[Measured, Redo]:
    from raytrace.studies.bench.readings import read_measured
    from raytrace.studies.bench.redo import RedoSettings, redo

    goal: dict[str, float] = {}
    if gain is not None and gain.strip().endswith("%"):
        goal["goal_share"] = common.quantity(gain, "share", "--gain")
    elif gain is not None:
        goal["goal"] = common.quantity(gain, "power", "--gain")
    table = read_measured(
        scenario,
        read_text(file),
        name=file.name,
        reading_error=error,
        rest_as_designed=rest_as_designed,
    )
    with progress_bar(messages, "Tracing") as progress:
        settings = RedoSettings(seed=seed, threads=threads)
        return table, redo(table, settings=settings, progress=progress, **goal)


spots.__doc__ = HELP
