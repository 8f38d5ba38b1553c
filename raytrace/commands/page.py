"""`cooker page`: a results file as one HTML page to send around or to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from raytrace.commands import common

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from matplotlib.figure import Figure
    from rich.console import RenderableType

__all__ = ["page", "write_page"]

HELP = """Make one HTML page of a results file, to send around, read on a phone, or print.

\b
  cooker page results/courtyard.h5
  cooker page results/courtyard-season.h5 -o kitchen.html --units us
  cooker page results/courtyard.h5 --turnable

It holds the answer, pictures, tables, cautions and the scenario, needs no network and no script,
and is made from what the file has: nothing is traced again. Every study makes one with --page.
With --turnable, results of trace also show the cooker in space to turn with mouse or finger: that
takes 1 MB more, and a script, shut in a frame of its own.
"""


def page(
    file: Annotated[Path, typer.Argument(help="Results file (.h5).", metavar="FILE")],
    output_: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help="Page to write (.html). Default: beside the results file.",
            metavar="FILE",
        ),
    ] = None,
    turnable: Annotated[
        bool, typer.Option("--turnable", help="Also the cooker in space, to turn; by a script.")
    ] = False,
) -> None:
    from raytrace.commands.show import known_kind
    from raytrace.reports.kinds import KINDS
    from raytrace.store.results import read_result

    results, messages = common.consoles(quiet=False)
    with messages.status("Reading"):
        kind = known_kind(file)
        if turnable and kind != "trace":
            raise typer.BadParameter("goes with results of cooker trace.", param_hint="--turnable")
        found = read_result(file, kind)
        figures = KINDS[kind].function("figures")(found)
    written = write_page(found, file, figures, place=output_, turnable=turnable)
    common.report_files(results, [written])


def write_page(
    found: Any,
    file: Path,
    figures: Mapping[str, Figure],
    *,
    about: Iterable[Any] = (),
    place: Path | None = None,
    turnable: bool = False,
) -> tuple[Path, int]:
    """Write the page of a result.

    Parameters
    ----------
    found : dataclass
    file : path
        Its results file, which says how it was made.
    figures : mapping of str to Figure
        Its command's.
    about : iterable
        Further arguments of its report.
    place : path, optional
        Of the page; by default beside the results file.
    turnable : bool
        Whether a run's cooker is shown in space, to turn.

    Returns
    -------
    Path, int
        The page and its size. [bytes]

    Raises
    ------
    StoreError
        If it can't be written, or some other file is there.
    """
    from raytrace.files import refuse_strangers, write_whole
    from raytrace.reports.kinds import KINDS
    from raytrace.reports.onepage.page import FIRST
    from raytrace.reports.onepage.page import page as page_of
    from raytrace.store.results import stored

    place = place or file.with_suffix(".html")
    refuse_strangers(place, FIRST.encode())
    made, about = stored(file), tuple(about)
    kind = KINDS[made.kind]
    parts: Iterable[RenderableType] = kind.function("tables")(found, *about)
    answer = next(iter(kind.function("sentences")(found, *about)), "")
    space = ""
    if turnable:
        from raytrace.reports.trace.turnable import turnable_page

        space = turnable_page(found)
    text = page_of(made, parts, figures, caution=kind.caution, answer=answer, turnable=space)
    return place, write_whole(place, text)


page.__doc__ = HELP
