"""`cooker sunspot`: a picture of the sun's spot on the card beside the predicted one."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output

__all__ = ["sunspot"]

HELP = """A picture of the sun's own spot on the target card, beside the predicted one.

Cautions first: never bring an eye or a camera into the beam, and don't look at the spot; dark
glasses are no protection. Paper in the spot may catch fire: uncover few facets, for a short time,
with water at hand. Lay the card and set up with all mirrors covered. Take the picture from the
side.

\b
  cooker sunspot scenarios/courtyard.toml --facets A1-A3     first: may the card catch fire?
  cooker sunspot scenarios/courtyard.toml spot.jpg --facets A1-A3 --at "2026-03-20 09:30"
  cooker sunspot scenarios/courtyard.toml spot.jpg --facets A1-A3 --dark covered.jpg

Lay the printed card, matt and flat, in the pot's place, print down; the whole of it in the picture,
exposed so that the spot is not all white. --dark is a second picture of it with all mirrors
covered. The time is the picture's own, as its camera wrote it, unless --at says another.

It says where the spot lies, how large it is and what of the predicted outline it covers; never how
many watts it brings, for no camera's picture tells that.
"""


def sunspot(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    picture: Annotated[
        Path | None,
        typer.Argument(
            help="Picture of the sunlit card. Without it, whether the card may catch fire.",
            metavar="PICTURE",
        ),
    ] = None,
    dark: Annotated[
        Path | None,
        typer.Option(help="Picture of the card with all mirrors covered.", metavar="PICTURE"),
    ] = None,
    facets: Annotated[
        str | None,
        typer.Option(
            help='Facets that were uncovered: "A1-A9, C3", a span by rows and columns. Default: '
            "all.",
            metavar="FACETS",
        ),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(
            help="When it was taken, by the site's clock. Default: as the camera wrote it; else "
            "the design sun.",
            metavar="TIME",
        ),
    ] = None,
    builds: Annotated[
        int,
        typer.Option(help="Cookers built alike that are traced.", min=2, max=1000, metavar="N"),
    ] = 16,
    beams: Annotated[
        int, typer.Option(help="Beams a facet in each replicate.", min=1, max=4096, metavar="N")
    ] = 8,
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
    from raytrace.camera.card import card_layout
    from raytrace.camera.pictures import open_picture
    from raytrace.camera.sunlit import read_sunlit, taken_at
    from raytrace.cooker.geometry import build_cooker
    from raytrace.exceptions import CookerError
    from raytrace.reports.common.cautions import SUNLIT_CARD
    from raytrace.reports.record.sunspot import fire_sentence
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.record import sunspot as study

    shown = common.Shown.of(json_, figures, no_figures)
    read = common.open_scenario(scenario, set_ or ())
    named = study.facets_named(read, facets) if facets else ()
    cooker = build_cooker(read)
    layout = card_layout(float(cooker.pot.R), cooker.facets.label)
    key = read.trace.seed if seed is None else seed
    if picture is None:
        if dark is not None:
            raise typer.BadParameter("goes with PICTURE.", param_hint="--dark")
        shown.messages.print(SUNLIT_CARD, style="dim")  # before anybody lays a card
        plan = study.SunSpotPlan(at or "", named, builds, beams, key)
        peak = output.answered(study.predicted_peak, read, plan, layout.half, threads=threads)
        said = fire_sentence(peak, study.uncovered(read, plan))
        if shown.json:
            common.print_json({"peak_W_m2": peak, "sentences": [said], "caution": SUNLIT_CARD})
        else:
            shown.results.print(said, markup=False, highlight=False)
        return
    try:
        lit = open_picture(picture)
        unlit = None if dark is None else open_picture(dark)
        card = read_sunlit(lit, layout, unlit)
        digest = hashlib.sha256(lit.pixels.tobytes())
        if unlit is not None:
            digest.update(unlit.pixels.tobytes())
        moment = at if at is not None else taken_at(lit)
        plan = study.SunSpotPlan(moment, named, builds, beams, key)
        measured = digest.hexdigest()
        stamp = fingerprint("sunspot", [read], plan, measured=measured)
        stem = f"{picture.stem}-sunspot"
        path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
        with output.progress_bar(shown.messages, "Tracing", "%", path) as progress:
            found = output.answered(
                study.sunspot,
                read,
                card,
                plan,
                measured=measured,
                path=path,
                overwrite=overwrite,
                progress=progress,
                threads=threads,
                command=common.command_line(),
            )
    except CookerError:
        shown.messages.print(SUNLIT_CARD, style="dim")  # before another picture is taken
        raise
    output.present(found, "sunspot", path, shown)


sunspot.__doc__ = HELP
