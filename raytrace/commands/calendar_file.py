"""The page to hang up, of a season just computed or stored."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from raytrace.studies.cooking.season_data import Season

__all__ = ["CalendarFile", "Paper", "calendar_wish"]

CalendarFile = Annotated[
    Path | None,
    typer.Option(
        "--calendar",
        help="Draw a season as a page to hang up in the kitchen.",
        metavar="FILE.pdf",
    ),
]
Paper = Annotated[str, typer.Option("--paper", help="Of that page.", metavar="a4|letter")]


def calendar_wish(
    path: Path, paper: str, *, made_by: str = ""
) -> Callable[[Season], Sequence[tuple[Path, int]]]:
    """Check what was asked for, before anything is computed.

    Parameters
    ----------
    path : path
        Of the page.
    paper : str
        As given.
    made_by : str
        Command that the season was computed with, for one that was not asked for advice.

    Returns
    -------
    callable
        Takes a season, writes its page, and returns the file and its size.

    Raises
    ------
    BadParameter
        If the name isn't that of a PDF, or the paper is unknown.
    """
    from raytrace.reports.common.paper import PAPERS

    if path.suffix.lower() != ".pdf":
        raise typer.BadParameter(f"{path}: name a .pdf file.", param_hint="--calendar")
    if paper not in PAPERS:
        raise typer.BadParameter(f"one of {', '.join(PAPERS)}.", param_hint="--paper")

    def write(season: Season) -> list[tuple[Path, int]]:
        from raytrace.exceptions import StoreError
        from raytrace.files import refuse_strangers, write_whole
        from raytrace.reports.cooking.calendar_page import calendar_pdf

        if season.calendar is None:
            raise StoreError(
                f"{path}: not drawn: this season was computed without --calendar, which takes the "
                f"advice. Compute it again with it: {_again(made_by, path)}"
            )
        refuse_strangers(path, b"%PDF-", option="--calendar")
        return [(path, write_whole(path, calendar_pdf(season, paper=paper), option="--calendar"))]

    return write


def _again(made_by: str, page: Path) -> str:
    """Command that computes a season again, with its calendar."""
    with_draws = re.sub(r" --draws[ =]0(?= |$)", "", made_by or "cooker season SCENARIO")
    replaces = re.search(r" (-o|--output)\b", made_by) and " --overwrite" not in made_by
    return f"{with_draws} --calendar {shlex.quote(str(page))}{' --overwrite' if replaces else ''}"
