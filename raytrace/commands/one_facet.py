"""`cooker spots --facet`: one facet while its glue sets, and the log of what is set."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from raytrace.commands import common
from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import SettingsError
from raytrace.studies.bench.setting import GONE, READING, entry_of, known_facet, work_of

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.spots_data import SpotsPlan

__all__ = ["set_facet", "so_far_of"]


def set_facet(
    read: Scenario,
    plan: SpotsPlan,
    label: str,
    spot: str,
    place: Path,
    shown: common.Shown,
    *,
    no_files: bool = False,
    threads: int | None = None,
) -> None:
    """Judge one facet by its spot, and keep it in the log.

    Parameters
    ----------
    read : Scenario
    plan : SpotsPlan
    label, spot : str
        The facet, and its spot as typed.
    place : path
        Of the log.
    shown : Shown
    no_files : bool
        Whether the log is left as it is.
    threads : int, optional
        Changes no result.

    Raises
    ------
    BadParameter
        If there is no such facet, or the spot can't be read.
    ScenarioError
        If the log can't be read, or no mirror could make the spot.
    """
    from raytrace.reports.bench.one_facet import facet_sentences, work_sentences
    from raytrace.reports.common.cautions import LASER
    from raytrace.studies.bench.one_facet import facet_now, so_far
    from raytrace.studies.bench.set_log import add_entry

    labels = build_cooker(read).facets.label
    try:
        label = known_facet(label, labels)
    except SettingsError as error:
        raise typer.BadParameter(str(error), param_hint="--facet") from None
    entry = entry_of(read, label, _spot(spot), plan.reading_error or READING)
    work = work_of(read, plan, place).tried(entry)
    facts: dict[str, Any] = {}
    sentences = []
    if entry.state == "ok":
        facet = facet_now(work.measured, labels.index(label), threads=threads)
        sentences = facet_sentences(facet, work.measured.plane_axes, work.log.tries(label))
        facts["facet"] = facet
    else:
        sentences = [f"{label} is down as {entry.state}."]
    sentences += work_sentences(work, so_far(work.measured, threads=threads))
    written: list[tuple[Path, int]] = []
    with common.after_the_answer() as trouble:  # glue that sets waits for no disk
        if not no_files:
            add_entry(place, entry, work.log.plane, labels)
            written = common.written(place)
    if shown.json:
        from raytrace.store.plain import plain

        told = {name: plain(value) for name, value in facts.items()}
        common.print_json({**told, "sentences": sentences, "caution": LASER})
    else:
        for sentence in sentences:
            shown.results.print(sentence, markup=False, highlight=False)
    common.report_files(shown.messages if shown.json else shown.results, written)
    shown.messages.print(LASER, style="dim")
    for wrong in trouble:
        raise wrong


def so_far_of(read: Scenario, plan: SpotsPlan, place: Path, threads: int | None) -> list[str]:
    """What is set so far by a log, what crept, and what to set next.

    Parameters
    ----------
    read : Scenario
    plan : SpotsPlan
    place : path
        Of the log.
    threads : int or None
        Changes no result.

    Returns
    -------
    list of str
    """
    from raytrace.reports.bench.one_facet import work_sentences
    from raytrace.studies.bench.one_facet import so_far

    work = work_of(read, plan, place)
    return work_sentences(work, so_far(work.measured, threads=threads))


def _spot(spot: str) -> tuple[float, float] | None:
    """Its two places [m]; None for a facet that isn't there."""
    if spot.strip().casefold() == GONE:
        return None
    parts = [x.strip() for x in spot.replace(";", ",").split(",") if x.strip()]
    if len(parts) != 2:
        raise typer.BadParameter(
            f'"{spot}": give its two places on the target, as "12 mm, -4 mm"; or {GONE}.',
            param_hint="SPOT",
        )
    x, along = (common.quantity(part, "length", "SPOT") for part in parts)
    return x, along
