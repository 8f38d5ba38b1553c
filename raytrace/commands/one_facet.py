"""`cooker spots --facet`: one facet while its glue sets, and the log of what is set."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import typer

from raytrace.commands import common

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.set_log import Entry, SetLog
    from raytrace.studies.bench.spots_data import SpotsPlan

__all__ = ["log_place", "set_facet", "so_far_of"]

GONE = "missing"  # a facet that fell off, or has not been put on
READING = (
    2e-3  # error per axis of a spot read off a card, unless stated; common practice, no source [m]
)


def log_place(scenario: Path, log: Path | None) -> Path:
    """Where the log of a scenario's facets is.

    Parameters
    ----------
    scenario : path
    log : path or None
        As --log has it.

    Returns
    -------
    path
    """
    return log or Path("results") / f"{scenario.stem}-set.csv"


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
    from raytrace.reports.bench.one_facet import facet_sentences
    from raytrace.reports.common.cautions import LASER
    from raytrace.studies.bench.one_facet import facet_now
    from raytrace.studies.bench.set_log import add_entry

    label = _label(read, label)
    log = _log(read, place, plan.plane or read.errors.miss_plane)
    entry = _entry(read, label, spot, plan)
    with_it = type(log)(log.plane, (*log.entries, entry))
    measured = _measured(read, plan, with_it, place)
    facts: dict[str, Any] = {}
    sentences = []
    if entry.state == "ok":
        facet = facet_now(measured, measured.labels.index(label), threads=threads)
        sentences = facet_sentences(facet, measured.plane_axes, with_it.tries(label))
        facts["facet"] = facet
    else:
        sentences = [f"{label} is down as {entry.state}."]
    sentences += _progress(read, measured, with_it, threads)
    if not no_files:
        add_entry(place, log, entry)
    if shown.json:
        from raytrace.store.plain import plain

        told = {name: plain(value) for name, value in facts.items()}
        common.print_json({**told, "sentences": sentences, "caution": LASER})
    else:
        for sentence in sentences:
            shown.results.print(sentence, markup=False, highlight=False)
    if not no_files:
        common.report_files(shown.messages if shown.json else shown.results, common.written(place))
    shown.messages.print(LASER, style="dim")


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
    log = _log(read, place, plan.plane or read.errors.miss_plane)
    return _progress(read, _measured(read, plan, log, place), log, threads)


def _progress(read: Scenario, measured: Any, log: SetLog, threads: int | None) -> list[str]:
    from raytrace.reports.bench.one_facet import crept_sentence, so_far_sentence
    from raytrace.studies.bench.one_facet import order_of, so_far
    from raytrace.studies.bench.set_log import crept

    done = {label for label, entry in log.last.items() if entry.state == "ok"}
    left = [label for label in order_of(measured) if label not in done]
    words = [so_far_sentence(so_far(measured, threads=threads), left[0] if left else "")]
    if moved := crept_sentence(crept(log)):
        words.append(moved)
    return words


def _label(read: Scenario, text: str) -> str:
    from raytrace.cooker.geometry import build_cooker
    from raytrace.scenario.tables import known_label
    from raytrace.scenario.units import nearest

    labels = build_cooker(read).facets.label
    if (label := known_label(text, labels)) is not None:
        return label
    near = nearest(text, labels)
    hint = f"Nearest: {near}." if near else f"Labels run from {labels[0]} to {labels[-1]}."
    raise typer.BadParameter(f'"{text}": no facet has this label. {hint}', param_hint="--facet")


def _log(read: Scenario, place: Path, plane: str) -> SetLog:
    from raytrace.cooker.geometry import build_cooker
    from raytrace.scenario.values import table_text
    from raytrace.studies.bench.set_log import SetLog, read_log

    if not place.exists():
        return SetLog(plane)
    log = read_log(place.name, table_text(place), build_cooker(read).facets.label)
    if log.entries and log.plane != plane:
        raise typer.BadParameter(
            f"{place} holds spots on the {log.plane} plane. Name another log.", param_hint="--plane"
        )
    return log


def _entry(read: Scenario, label: str, spot: str, plan: SpotsPlan) -> Entry:
    from raytrace.studies.bench.set_log import Entry

    now = dt.datetime.now(ZoneInfo(read.site.timezone)).replace(microsecond=0)
    if spot.strip().casefold() == GONE:
        return Entry(now, label, None, None, 0.0, GONE)
    parts = [x.strip() for x in spot.replace(";", ",").split(",") if x.strip()]
    if len(parts) != 2:
        raise typer.BadParameter(
            f'"{spot}": give its two places on the target, as "12 mm, -4 mm"; or {GONE}.',
            param_hint="SPOT",
        )
    x, along = (common.quantity(part, "length", "SPOT") for part in parts)
    return Entry(now, label, x, along, plan.reading_error or READING)


def _measured(read: Scenario, plan: SpotsPlan, log: SetLog, place: Path) -> Any:
    from dataclasses import replace

    from raytrace.studies.bench.readings import read_measured
    from raytrace.studies.bench.set_log import log_text

    rest = replace(plan, build=None)
    return read_measured(read, log_text(log), rest, name=place.name)
