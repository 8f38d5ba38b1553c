"""`cooker tolerance`: how exactly facets must be set."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output

__all__ = ["tolerance"]

MORE_LEVELS = 40  # further levels and limits, at most

HELP = """Say how exactly facets must be set: watts against the setting error, over many builds.

\b
  cooker tolerance scenarios/courtyard.toml
  cooker tolerance scenarios/courtyard.toml --levels "0..20 mm" --steps 21
  cooker tolerance scenarios/courtyard.toml --levels "0, 2, 4, 8 mrad" --builds 10000
  cooker tolerance scenarios/courtyard.toml --setting-alone --watts "180 W"

The first line says whether the scenario's own setting error is small enough: whether nine of ten
builds reach --watts. Levels are the same angle for every facet (σ per axis, mrad), or the same miss
for every facet (rms, mm), as the scenario states it. After those asked for come further ones until
no more than 80 % is kept of the watts with no errors, and go/no-go limits; --sweep-only leaves both
out. It can be stopped with Ctrl-C; the same command goes on where it
stopped.
Caution: setting facets means laser light, glass edges and hot glue; see: cooker cautions.
"""


def tolerance(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    levels: Annotated[
        str | None,
        typer.Option(
            help="Setting errors: a range or a list, with the unit last; an angle for every "
            "facet, or a miss for every facet. Default: 16 of what the scenario states.",
            metavar="LIST",
        ),
    ] = None,
    steps: Annotated[int, typer.Option(help="Levels in a range.", min=2, metavar="N")] = 16,
    builds: Annotated[
        int, typer.Option(help="Builds at each level.", min=2, max=10_000_000, metavar="N")
    ] = 200,
    watts: Annotated[
        str | None,
        typer.Option(
            help="What a build must reach to count as good. Default: the scenario's "
            "workshop.wanted, or 90 % of what it brings with no errors.",
            metavar="POWER",
        ),
    ] = None,
    setting_alone: Annotated[
        bool, typer.Option("--setting-alone", help="Leave all other errors out.")
    ] = False,
    sweep_only: Annotated[
        bool, typer.Option("--sweep-only", help="Trace the levels asked for and nothing else.")
    ] = False,
    beams: Annotated[
        int, typer.Option(help="Beams a facet in each replicate.", min=1, max=4096, metavar="N")
    ] = 1,
    replicates: Annotated[
        int, typer.Option(help="Independent repeats of each build.", min=2, max=4096, metavar="N")
    ] = 2,
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
    from raytrace.commands.needs import refuse_over
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.tolerance import tolerance as study
    from raytrace.studies.tolerance.sweep import TolerancePlan, levels_like

    shown = common.Shown.of(json_, figures, no_figures)
    read = common.open_scenario(scenario, set_ or ())
    wanted = None if watts is None else common.quantity(watts, "power", "--watts")
    # a number each of watts on the base and of watts that leave, and as much again to write them
    asked = "" if levels is None else levels
    count = (asked.count(",") + 1 if asked and ".." not in asked else steps) + MORE_LEVELS
    refuse_over(
        32.0 * count * builds * replicates,
        "--steps" if steps > builds else "--builds",
        "fewer levels, builds or replicates",
    )
    values, kind = levels_like(read, steps) if levels is None else read_levels(levels, steps)
    plan = TolerancePlan(
        levels=values,
        kind=kind,
        builds=builds,
        others=not setting_alone,
        further=not sweep_only,
        seed=read.trace.seed if seed is None else seed,
        beams=beams,
        replicates=replicates,
        draws=draws,
    )
    path = None
    if not no_files:
        stamp = fingerprint("tolerance", [read], plan)
        path = place_of(output_, f"{scenario.stem}-tolerance", stamp, overwrite=overwrite)
    with output.progress_bar(shown.messages, "Tracing", "builds", path) as progress:
        found = output.answered(
            study.tolerance,
            read,
            plan,
            watts=wanted,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    output.present(found, "tolerance", path, shown, table=(found, "level"))


def read_levels(text: str, steps: int) -> tuple[tuple[float, ...], str]:
    """Setting errors from a range or list whose last item carries the unit of all without one.

    Returns
    -------
    levels : tuple of float
        [rad], or [m].
    kind : str
        "angle" or "miss".

    Examples
    --------
    >>> read_levels("0..10 mm", 3)
    ((0.0, 0.005, 0.01), 'miss')
    >>> read_levels("1, 2, 4 mrad", 16)
    ((0.001, 0.002, 0.004), 'angle')
    """
    from raytrace.scenario.units import UnitError, read_number, read_quantity

    spread = ".." in text
    items = [x.strip() for x in (text.split("..") if spread else text.split(","))]
    try:
        if spread and len(items) != 2:
            raise UnitError('write a range as "0..15 mrad"')
        _, unit = read_number(items[-1])
        found = [
            read_quantity(item if read_number(item)[1] else f"{item} {unit}", "angle", "length")
            for item in items
        ]
    except UnitError as error:
        raise typer.BadParameter(f'"{text}": {error}', param_hint="--levels") from None
    kinds = {kind for _, kind in found}
    values = [value for value, _ in found]
    if len(kinds) > 1 or min(values) < 0.0 or max(values) == 0.0:
        raise typer.BadParameter(
            f'"{text}": write angles or lengths, not both, none negative and one over 0.',
            param_hint="--levels",
        )
    if spread:
        low, high = values
        if low >= high:
            raise typer.BadParameter(f'"{text}": the range must rise.', param_hint="--levels")
        values = [low + (high - low) * k / (steps - 1) for k in range(steps)]
    return tuple(values), "angle" if kinds == {"angle"} else "miss"


tolerance.__doc__ = HELP
