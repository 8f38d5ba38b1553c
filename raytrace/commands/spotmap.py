"""`cooker spotmap`: a measured flux map beside the predicted one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output
from raytrace.commands.streams import say

__all__ = ["spotmap"]

HELP = """A measured flux map beside the predicted one: how far off, and what would explain it.

Measured on a plate in the plane of the pot's base, instead of the pot.

\b
  cooker spotmap scenarios/courtyard.toml --demo-map map.csv     invented, to try it with
  cooker spotmap scenarios/courtyard.toml map.csv
  cooker spotmap scenarios/courtyard.toml plate.png --scale "0.5 mm" --grey srgb

A table (.csv) has columns x_mm, y_mm and W_m2 (or grey, where only the proportions are known), or
nothing but numbers, row by row from the sun's side. A picture is grey. x is to the platform's
right, y toward the sun's side, from the middle of the base; --from-below exchanges right and left
of a picture that looks up. A picture has no scale of its own: it says nothing of reflectance. Its
pixels at the camera's limit, dead ones and gaps are left out.

State the sun's irradiance while it was measured: --set sky.dni="850 W/m^2".

Caution: never look at the lit plate, and point no unprotected camera into the beam.
"""


def spotmap(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    measured: Annotated[
        Path | None, typer.Argument(help="The map: a table or a picture.", metavar="MAPFILE")
    ] = None,
    scale: Annotated[
        str | None,
        typer.Option(help="Side of a pixel on the plate; not for x and y.", metavar="LENGTH"),
    ] = None,
    centre: Annotated[
        str | None,
        typer.Option(
            help="Where the base's middle is, pixels from the left and the top: 320,240. "
            "Default: the picture's middle.",
            metavar="X,Y",
        ),
    ] = None,
    from_below: Annotated[
        bool, typer.Option("--from-below", help="The picture looks up at the plate.")
    ] = False,
    grey: Annotated[
        str,
        typer.Option(
            help="Grey in proportion to light, or as ordinary pictures are kept (IEC 61966-2-1).",
            metavar="linear|srgb",
        ),
    ] = "linear",
    absolute: Annotated[
        bool, typer.Option("--absolute", help="A table of nothing but numbers holds W/m².")
    ] = False,
    at: Annotated[
        str | None,
        typer.Option(
            help="When it was measured, by the site's clock. Default: the design sun.",
            metavar="TIME",
        ),
    ] = None,
    turn: Annotated[bool, typer.Option("--turn", help="Fit a turn of the map too.")] = False,
    size: Annotated[bool, typer.Option("--size", help="Fit its size too.")] = False,
    builds: Annotated[
        int,
        typer.Option(help="Cookers built alike that are traced.", min=2, max=1000, metavar="N"),
    ] = 16,
    beams: Annotated[
        int, typer.Option(help="Beams a facet in each replicate.", min=1, max=4096, metavar="N")
    ] = 8,
    build: common.Build = None,
    demo_map: Annotated[
        Path | None,
        typer.Option("--demo-map", help="Write an invented map, and stop.", metavar="FILE"),
    ] = None,
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
    from raytrace.files import write_whole
    from raytrace.reports.common.cautions import LIT_PLATE
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.record import spotmap as study
    from raytrace.studies.record.map_readings import Reader, map_stamp

    shown = common.Shown.of(json_, figures, no_figures)
    if (measured is None) == (demo_map is None):
        raise typer.BadParameter("give either a map or --demo-map FILE.", param_hint="MAPFILE")
    if grey not in ("linear", "srgb"):
        raise typer.BadParameter(f'"{grey}": write linear or srgb.', param_hint="--grey")
    read = common.open_scenario(scenario, set_ or ())
    key = read.trace.seed if seed is None else seed
    if measured is None:
        assert demo_map is not None
        text = study.invent_map(read, seed=key, build=build or 0, at=at or "", threads=threads)
        write_whole(demo_map, text, new=True, option="")
        say(
            f"Written: {demo_map}, an invented map. "
            f"{common.next_command('spotmap', scenario, demo_map)}"
        )
        shown.messages.print(LIT_PLATE, style="dim")
        return
    if build is not None:
        raise typer.BadParameter("goes with --demo-map.", param_hint="--build")
    reader = Reader(_scale(scale), _centre(centre), from_below, grey, absolute)
    plan = study.SpotMapPlan(reader, at or "", turn, size, builds, beams, key)
    stamp = fingerprint("spotmap", [read], plan, measured=map_stamp(measured))
    stem = f"{measured.stem}-spotmap"
    path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
    with output.progress_bar(shown.messages, "Tracing", "%", path) as progress:
        found = output.answered(
            study.spotmap,
            read,
            measured,
            plan,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    output.present(found, "spotmap", path, shown)


def _scale(text: str | None) -> float:
    if text is None:
        return 0.0
    return common.quantity(text, "length", "--scale", low="0.001 mm", high="100 mm")


def _centre(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        words = f'"{text}": write two numbers of pixels, such as 320,240.'
        raise typer.BadParameter(words, param_hint="--centre") from None
    return x, y


spotmap.__doc__ = HELP
