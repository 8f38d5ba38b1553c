"""`cooker spots`: where the laser's spots belong, and what measured ones say."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output
from raytrace.commands.learned import free_place
from raytrace.commands.streams import say

if TYPE_CHECKING:
    from rich.console import Console

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.spots_data import Spots

__all__ = ["spots"]

HELP = """Laser spots on the target: where they belong, and what measured ones say.

Without a table: where a laser at the rig's angle puts its spot from each facet.

\b
  cooker spots scenarios/courtyard.toml
  cooker spots scenarios/courtyard.toml --plane upright
  cooker spots scenarios/courtyard.toml --build 3       one draw of the workshop's errors

With a table of measured spots: what to do, in watts won and work. First what all spots have in
common: a pot out of place or a laser that was off is undone in one move. Then the facets that are
worth setting again, by the scenario's section workshop.

\b
  cooker spots scenarios/courtyard.toml --demo-spots seen.csv      invented, to try it with
  cooker spots scenarios/courtyard.toml seen.csv
  cooker spots scenarios/courtyard.toml seen.csv --gain "5 W" --reading-error "2 mm"

While the glue sets: one facet's spot, whether it is good enough and which way to turn it. A log
keeps what is set. Without a table the command goes on with it: watts so far, what to set next, and
which facets crept from one day to another. The log is a table of measured spots itself.

\b
  cooker spots scenarios/courtyard.toml --facet C3 "12 mm, -4 mm"
  cooker spots scenarios/courtyard.toml --facet C4 missing
  cooker spots scenarios/courtyard.toml results/courtyard-set.csv

The table is CSV, a row a facet, units in the header. Lengths count from the base's centre, along
the platform's axes whatever side you look from: x to the right and y toward the sun on the base's
plane, or x and z (up) on an upright card across the base's centre.

\b
  facet,x_mm,y_mm,sigma_mm,state
  A1,4.5,-12.0,2,ok
  A2,,,,missing

sigma (of a reading, per axis), state and reflectance may be left out, and so may facets that you
did not measure. state: ok, missing, broken, or off where the spot missed the card (its side:
errors.rig.card), with its way if you saw it: "off left", "off +y", "off 2 o'clock".

Any spreadsheet's table is read: commas, semicolons or tabs, decimal commas, x [mm] or x (in),
1 3/8", a1 for A1, columns of notes. What it leaves open is refused, and what is passed over said.

Caution: a laser of class 2 (1 mW) or less; keep every eye out of the beam and its reflections.
"""


def spots(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    measured: Annotated[
        Path | None,
        typer.Argument(
            help="Table of measured spots (.csv); with --facet its spot.", metavar="MEASURED"
        ),
    ] = None,
    facet: Annotated[
        str | None,
        typer.Option(help="Judge this facet's spot, and keep it in the log.", metavar="LABEL"),
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option(
            help="Log of facets as they were set (.csv). Default: SCENARIO-set.csv in the folder "
            "results.",
            metavar="FILE",
        ),
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
            help='Error of a reading per axis, where the table has no sigma: "2 mm", which is what '
            "--facet takes unless told.",
            metavar="LENGTH",
        ),
    ] = None,
    gain: Annotated[
        str | None,
        typer.Option(
            help='Gain to reach, whatever its work: watts, "5 W", or a share of the most that '
            'redoing wins, "80 %". Default: what the scenario\'s section workshop calls worth it.',
            metavar="POWER|SHARE",
        ),
    ] = None,
    demo_spots: Annotated[
        Path | None,
        typer.Option(
            "--demo-spots",
            help="Write an invented table of measured spots, and stop.",
            metavar="FILE",
        ),
    ] = None,
    learn: Annotated[
        Path | None,
        typer.Option(
            help="Narrow the setting error by the spots, and write the scenario so.",
            metavar="SCENARIO",
        ),
    ] = None,
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
    from raytrace.commands.one_facet import set_facet, so_far_of
    from raytrace.reports.bench.spots import spot_columns
    from raytrace.scenario.values import table_text
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.bench import spots as study
    from raytrace.studies.bench.set_log import log_place
    from raytrace.studies.bench.spots_data import SpotsPlan

    shown = common.Shown.of(json_, figures, no_figures)
    if facet is not None and measured is None:
        raise typer.BadParameter('give its spot: "12 mm, -4 mm"; or missing.', param_hint="--facet")
    if plane is not None and plane not in ("base", "upright"):
        raise typer.BadParameter(f'"{plane}": write base or upright.', param_hint="--plane")
    if measured is not None and facet is None:
        _not_with_a_table(plane=plane, build=build, demo_spots=demo_spots)
    elif gain is not None or learn is not None:
        raise typer.BadParameter("goes with a table of measured spots.", param_hint="--gain")
    if learn is not None:
        free_place(learn)
    error = None
    if reading_error is not None:
        error = common.quantity(
            reading_error, "length", "--reading-error", low="0 mm", high="500 mm"
        )
    read = common.open_scenario(scenario, set_ or ())
    key = read.trace.seed if seed is None else seed
    if demo_spots is not None:
        _invent(read, demo_spots, plane, error, key, build or 0, scenario, shown.messages)
        return
    watts, share = _gain(gain)
    plan = SpotsPlan(plane, build, error or 0.0, watts, share, seed=key, draws=draws)
    place = log_place(scenario, log)
    if facet is not None:
        set_facet(
            read, plan, facet, str(measured), place, shown, no_files=no_files, threads=threads
        )
        return
    going_on = measured is None and build is None and (log is not None or place.exists())
    so_far = so_far_of(read, plan, place, threads) if going_on else []
    text = "" if measured is None else table_text(measured)
    stem = f"{scenario.stem}-spots" if measured is None else f"{measured.stem}-redo"
    stamp = fingerprint("spots", [read], plan, measured=text)
    path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
    with output.progress_bar(shown.messages, "Tracing", "%", path) as progress:
        found = output.answered(
            study.spots,
            read,
            plan,
            measured=measured,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    taught = [] if learn is None else _learn(found, learn)
    output.present(
        found,
        "spots",
        path,
        shown,
        beside=lambda path: output.write_csv(path.with_suffix(".csv"), *spot_columns(found)),
        notes=[*so_far, *taught],
    )


def _learn(found: Spots, file: Path) -> list[str]:
    """Write the scenario with the setting error that spots have, and say what was learned."""
    from raytrace.reports.common.learned import change_words
    from raytrace.scenario.learned import stated
    from raytrace.studies.bench.learn_setting import learn_setting
    from raytrace.studies.designs.rewrite import write_scenario

    got = learn_setting(found)
    value = stated(got.mean, got.sd, got.unit)
    mine = found.scenario.varied({"errors.setting": value})
    write_scenario(mine, file, note=f"errors.setting learned from {found.source}")
    change = change_words((got.before, got.before_sd), (got.mean, got.sd), got.unit)
    aside = f", {', '.join(got.aside)} set aside as knocked or misread" if got.aside else ""
    return [
        f"Learned: setting error {change}, from {got.facets} spots{aside}. Written: {file}. It "
        f"holds for cookers from the same workshop. {common.next_command('trace', file)}"
    ]


def _gain(text: str | None) -> tuple[float | None, float | None]:
    """Watts asked for, or a share of the most; neither where the work's worth decides."""
    if text is None:
        return None, None
    if text.strip().endswith("%"):
        return None, common.quantity(text, "share", "--gain")
    return common.quantity(text, "power", "--gain"), None


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
    from raytrace.reports.common.cautions import LASER
    from raytrace.studies.bench.readings import invent_spots

    text = invent_spots(
        scenario,
        plane=plane,
        reading_error=2e-3 if error is None else error,
        seed=seed,
        build=build,
    )
    write_whole(file, text, new=True, option="")
    say(f"Written: {file}, an invented table. {common.next_command('spots', path, file)}")
    messages.print(LASER, style="dim")


spots.__doc__ = HELP
