"""`cooker photo`: facets' spots from pictures of the target card."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output

if TYPE_CHECKING:
    from raytrace.studies.bench.spots_by_photo import Shot, SpotsByPhoto

__all__ = ["photo"]

HELP = """Measure the laser's spots in pictures of the target card, and write the table of spots.

Print the card that `cooker sheet` draws. For each facet take a picture of the whole card with the
laser's spot on it; a telephone will do. The card's black squares tell how it was held.

\b
  cooker photo scenarios/courtyard.toml pictures/
  cooker photo scenarios/courtyard.toml A1.jpg A2.jpg "facet C3 second.jpg"
  cooker photo scenarios/courtyard.toml pictures/*.jpg --in-order
  cooker photo scenarios/courtyard.toml pictures/ --log results/courtyard-set.csv
  cooker spots scenarios/courtyard.toml results/courtyard-photo.csv      what to do

Whose spot it is, a picture's name says (A1.jpg), or a facet's printed tag beside the card, or
--in-order: one picture a facet, in the order of setting that the bench sheet has. The tag counts;
where it and the name disagree, the picture is not read. Of several pictures of a facet the last
counts, by the camera's clock, else by name.

What can't be read is never guessed: it is listed with its picture and the reason, and the exit
code is then 1. What was read is kept. Look at the contact sheet (--figures) once: it shows each
card straightened, with the place that was found.

Caution: a laser of class 2 (1 mW) or less. Never hold a camera, or an eye behind it, in the beam,
its reflection or the sun's spot: take pictures from the side.
"""


def photo(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    pictures: Annotated[
        list[Path],
        typer.Argument(help="Pictures, or folders that hold them.", metavar="PICTURES..."),
    ],
    in_order: Annotated[
        bool,
        typer.Option(
            "--in-order",
            help="One picture for every facet, taken in the order of setting, by their names, "
            "which cameras number; none is read where the camera's clock says otherwise.",
        ),
    ] = False,
    log: Annotated[
        Path | None,
        typer.Option(help="Add the spots to this log of facets as they were set (.csv) too.",
                     metavar="FILE"),
    ] = None,
    set_: common.Changes = None,
    output_: common.TableFile = None,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:  # fmt: skip
    from raytrace.camera.vision import vision
    from raytrace.reports.bench.photo import CAMERA, photo_facts, photo_notes, photo_tables
    from raytrace.studies.bench import spots_by_photo as study
    from raytrace.studies.bench.picture_names import pictures_of
    from raytrace.studies.bench.set_log import open_log

    shown = common.Shown.of(json_, figures, no_figures)
    if no_files and log is not None:
        raise typer.BadParameter("writes a file: leave out --no-files.", param_hint="--log")
    vision()  # refused before anything is read
    read = common.open_scenario(scenario, set_ or ())
    files, empty, passed = pictures_of(pictures)
    if empty:
        raise typer.BadParameter(f"no picture in {', '.join(empty)}.", param_hint="PICTURES")
    wanted = study.wanted_of(read)
    if log is not None:
        open_log(log, "base", wanted.labels)  # refused before anything is read
    turns = study.in_turn(wanted, files) if in_order else [(file, None) for file in files]
    shots: list[Shot] = []
    bar = output.progress_bar(shown.messages, "Reading", "pictures", None)
    with bar as progress, contextlib.suppress(KeyboardInterrupt):
        for file, due in turns:
            shots.append(study.read_shot(wanted, file, due))
            progress(len(shots), len(files))
    stopped = len(shots) < len(files)
    found = study.gather(wanted, shots)
    place = output_ or Path("results") / f"{scenario.stem}-photo.csv"
    written: list[tuple[Path, int]] = []
    said = [f"Stopped after {len(shots)} of {len(files)} pictures."] if stopped else []
    if passed:
        said.append(f"Passed over as no pictures: {', '.join(passed)}.")
    with common.after_the_answer() as trouble:
        if found.last and not no_files:
            written += output.write_csv(place, *study.spot_rows(found), photo_notes(found))
        if found.last and log is not None:
            said += _log(found, log)
            written += common.written(log)
        if shots and not no_files and shown.figures is not None:
            from raytrace.reports.bench.photo_figures import figures as drawn
            from raytrace.reports.common.style import save_figures

            folder, form = shown.figures
            sheets = save_figures(drawn(found), folder or place.parent, scenario.stem, form)
            said += _older(sheets, scenario.stem, form)
            written += sheets
    if written and found.last:
        said.append(common.next_command("spots", scenario, place))
    if shown.json:
        common.print_json(photo_facts(found, said, [str(path) for path, _ in written]))
    else:
        output.print_report(shown.results, photo_tables(found))
    for sentence in said:
        (shown.messages if shown.json else shown.results).print(sentence, soft_wrap=True)
    common.report_files(shown.messages if shown.json else shown.results, written)
    shown.messages.print(CAMERA, style="dim")
    for wrong in trouble:
        raise wrong
    if stopped:
        raise typer.Exit(130)
    if found.unread:
        raise typer.Exit(1)


def _older(sheets: list[tuple[Path, int]], stem: str, form: str) -> list[str]:
    """Name contact sheets that an earlier run left beside these."""
    ours = re.compile(rf"{re.escape(stem)}-photo(-\d+)?\.{form}")
    new = {path.name for path, _ in sheets}
    there = {path.name for path in sheets[0][0].parent.iterdir()}
    old = sorted(name for name in there - new if ours.fullmatch(name))
    return [f"Of an earlier run, not of these pictures: {', '.join(old)}."] if old else []


def _log(found: SpotsByPhoto, place: Path) -> list[str]:
    """Add what was read to a log, and say what was not added."""
    from raytrace.sky.clock import now
    from raytrace.studies.bench.set_log import add_entries, open_log
    from raytrace.studies.bench.spots_by_photo import log_entries

    wanted = found.wanted
    time = now(wanted.scenario.site).replace(microsecond=0)
    log = open_log(place, "base", wanted.labels)
    entries, said = log_entries(found, log, time)
    add_entries(place, entries, "base", wanted.labels)
    return [f"Added to {place}: {', '.join(e.facet for e in entries) or 'nothing'}.", *said]


photo.__doc__ = HELP
