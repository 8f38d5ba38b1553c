"""`cooker sheet`: the sheet to build from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output

__all__ = ["sheet"]

MANY_SHEETS = 40

HELP = """Write the sheet to build from: tilts, heights, laser, shadow gauge, template, target card.

\b
  cooker sheet scenarios/courtyard.toml
  cooker sheet scenarios/courtyard.toml --paper letter --units us
  cooker sheet scenarios/courtyard.toml --wedges results/wedges --glass "4 mm"
  cooker sheet scenarios/school-kitchen.toml --paper plotter --wedges wedges.3mf
  cooker sheet scenarios/courtyard.toml --laser "drop 812 mm, run 905 mm"
  cooker sheet mine.toml --set design.sun_altitude="40 deg" -o build

\b
STEM-lists.pdf     to shop, cut and print by: shopping list, hours, cutting plan, plates of wedges
STEM-bench.pdf     to read at the bench: cautions, laser, shadow gauge, facets in order
STEM-template.pdf  1:1, to lay on the platform; print at 100 % and measure its scale bars
STEM-card.pdf      target card 1:1 for the pot's place, with rings: how large a miss is good enough;
                   and what cooker photo reads: markers, facets' tags to cut out
STEM-facets.csv    every facet: mount, tilt, corner heights, mark, what is in its beam
STEM-rig.csv       laser heights and shadow gauges
STEM-lists.csv     what to buy, hours of work
STEM-sheet.h5      all of it, for programs (in metres and radians)

Caution: set facets in the shade, with a laser of class 2 (1 mW) or less, and keep eyes out of the
beam and of every facet's reflection; see: cooker cautions.
"""


def sheet(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    output_: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help="Folder to write to. Default: results/STEM-sheet.",
            metavar="FOLDER",
        ),
    ] = None,
    paper: Annotated[
        str,
        typer.Option(
            help="Of the pages; plotter: the template on one sheet, for a print shop.",
            metavar="a4|letter|plotter",
        ),
    ] = "a4",
    wedges: Annotated[
        Path | None,
        typer.Option(
            help="Write wedges to print in 3-D too, one file a plate of workshop.printer: a folder "
            "for .stl, or a name that ends in .3mf or .stl.",
            metavar="WHERE",
        ),
    ] = None,
    wedge_size: Annotated[
        str | None,
        typer.Option(
            help="Side of a wedge's square foot. Default: half a facet, 60 mm at most.",
            metavar="LENGTH",
        ),
    ] = None,
    glass: Annotated[
        str | None,
        typer.Option(
            help="From a mirror's back to its front, for wedges. Default: mirror.thickness.",
            metavar="LENGTH",
        ),
    ] = None,
    beam: Annotated[
        str, typer.Option(help="Width of the laser's beam, for clear ways.", metavar="LENGTH")
    ] = "5 mm",
    laser: Annotated[
        list[str] | None,
        typer.Option(
            help='Proof of the laser\'s angle by plumb line and tape: "drop 812 mm, run 690 mm"; '
            "again for more proofs.",
            metavar="LENGTHS",
        ),
    ] = None,
    reading: Annotated[
        str,
        typer.Option(help="Standard error of those lengths.", metavar="LENGTH"),
    ] = "2 mm",
    unset: Annotated[
        str,
        typer.Option(
            help="What a facet is before its turn: not on its mount yet, or on it and level.",
            metavar="absent|flat",
        ),
    ] = "absent",
    upright: Annotated[
        list[str] | None,
        typer.Option(
            help="Height of a shadow gauge's upright; again for more. "
            "Default: 100, 200 and 300 mm, or 4, 8 and 12 in.",
            metavar="LENGTH",
        ),
    ] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            help='Set any key of the scenario, with its unit: facets.pitch_x="110 mm". '
            "Again for more keys.",
            metavar="KEY=VALUE",
        ),
    ] = None,
    no_pdf: Annotated[bool, typer.Option("--no-pdf", help="Write tables only, no PDF.")] = False,
    json_: Annotated[
        bool, typer.Option("--json", help="JSON to the standard output, messages to the other.")
    ] = False,
) -> None:
    from raytrace.commands.laser_proof import read_proof
    from raytrace.cooker.geometry import build_cooker
    from raytrace.files import write_whole
    from raytrace.reports.bench.sheet import facet_columns, rig_columns, sheet_tables
    from raytrace.reports.bench.sheet_lists import list_columns
    from raytrace.reports.bench.sheet_words import IN_BRIEF
    from raytrace.reports.common import lengths
    from raytrace.reports.common.paper import PAPERS
    from raytrace.studies.bench import sheet as study
    from raytrace.studies.bench.beam_clearance import UNSET

    _one_of(paper, (*PAPERS, "plotter"), "--paper")
    _one_of(unset, UNSET, "--unset")
    if wedges is None and (wedge_size or glass):
        raise typer.BadParameter(
            "goes with --wedges.", param_hint="--wedge-size" if wedge_size else "--glass"
        )
    results, messages = common.consoles(quiet=json_)
    read = common.open_scenario(scenario, set_ or ())
    rule = lengths.rule()
    inches = rule.unit == "in"
    heights = upright or (["4 in", "8 in", "12 in"] if inches else ["100 mm", "200 mm", "300 mm"])
    feet = [2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0]
    metres = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0)
    plan = study.SheetPlan(
        proofs=tuple(read_proof(text) for text in laser or ()),
        reading=common.quantity(reading, "length", "--reading", low="0.1 mm", high="100 mm"),
        beam=common.quantity(beam, "length", "--beam", low="0 mm", high="100 mm"),
        unset=unset,
        uprights=tuple(
            common.quantity(h, "length", "--upright", low="1 cm", high="10 m") for h in heights
        ),
        distances=tuple(0.3048 * x for x in feet) if inches else metres,
    )
    cooker = build_cooker(read)
    sheets = 0
    if not no_pdf:
        from raytrace.reports.bench.sheet_tiles import lay_tiles

        sheets = len(lay_tiles(cooker.span, paper))  # refused before anything is drawn
    blocks = plates = None
    if wedges is not None:
        from raytrace.studies.bench.wedge_plates import lay_plates

        blocks = study.make_wedges(
            cooker,
            size=common.quantity(wedge_size, "length", "--wedge-size") if wedge_size else None,
            glass=common.quantity(glass, "length", "--glass") if glass else read.mirror.thickness,
        )
        plates = lay_plates(blocks, read.workshop.printer)
    folder = output_ or Path("results") / f"{scenario.stem}-sheet"
    path = folder / f"{scenario.stem}-sheet.h5"
    # a folder holds one sheet, the latest: never tables and pages of different ones
    made = output.answered(
        study.sheet, read, plan, path=path, overwrite=True, command=common.command_line()
    )
    files: list[tuple[Path, bytes]] = []
    with messages.status("Drawing …"):
        if not no_pdf:
            from raytrace.reports.bench.sheet_card import card_pdf
            from raytrace.reports.bench.sheet_lists_pdf import lists_pdf
            from raytrace.reports.bench.sheet_pdf import bench_pdf
            from raytrace.reports.bench.sheet_template import template_pdf

            pages = paper if paper in PAPERS else "a4"
            files += [
                (
                    folder / f"{scenario.stem}-lists.pdf",
                    lists_pdf(made, rule, paper=pages, wedges=blocks, plates=plates),
                ),
                (
                    folder / f"{scenario.stem}-bench.pdf",
                    bench_pdf(read, made, rule, paper=pages, wedges=blocks),
                ),
                (
                    folder / f"{scenario.stem}-template.pdf",
                    template_pdf(read, made, rule, paper=paper, wedges=blocks),
                ),
                (
                    folder / f"{scenario.stem}-card.pdf",
                    card_pdf(read, made, rule, paper=paper),
                ),
            ]
        if wedges is not None and blocks is not None and plates is not None:
            from raytrace.reports.bench.sheet_wedges import wedge_files

            files += wedge_files(blocks, plates, wedges)
    written = common.written(path)
    with common.after_the_answer() as trouble:
        output.raise_unwritten()
        for name, table in (
            ("facets", facet_columns(made, rule)),
            ("rig", rig_columns(made, rule)),
            ("lists", list_columns(made, rule, plates)),
        ):
            written += output.write_csv(folder / f"{scenario.stem}-{name}.csv", *table)
        for file, data in files:
            written.append((file, write_whole(file, data)))
    if json_:
        from raytrace.store.plain import plain

        printed = {} if plates is None else {"wedges": plain(plates)}
        output.json_of(made, written, caution=IN_BRIEF, **printed)
    else:
        output.print_report(results, sheet_tables(made, rule, plates))
    shown = written
    if plates is not None and plates.count > 3:
        shown = written[: 1 - plates.count]
    common.report_files(messages if json_ else results, shown)
    if len(shown) < len(written):
        more = f"  and {len(written) - len(shown)} more in {written[-1][0].parent}"
        (messages if json_ else results).print(more, style="dim", soft_wrap=True)
    if sheets > MANY_SHEETS:
        messages.print(
            f"The template takes {sheets} sheets of paper; --paper plotter draws it on one, for a "
            "print shop."
        )
    if blocks is not None:
        from raytrace.reports.bench.sheet_words import wedge_words

        (messages if json_ else results).print(wedge_words(blocks, rule), style="dim")
    messages.print(IN_BRIEF, style="dim")
    for wrong in trouble:
        raise wrong


def _one_of(value: str, allowed: tuple[str, ...], option: str) -> None:
    if value not in allowed:
        raise typer.BadParameter(f'"{value}": write {" or ".join(allowed)}.', param_hint=option)


sheet.__doc__ = HELP
