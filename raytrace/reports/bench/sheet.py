"""The sheet to build from as tables for CSV, and in brief for the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from rich import box
from rich.table import Table
from rich.text import Text

from raytrace.reports.bench.angle import angle_sentences
from raytrace.reports.bench.sheet_card import card_words
from raytrace.reports.bench.sheet_lists import (
    answer_words,
    cost_words,
    list_tables,
    print_words,
    spare_words,
)
from raytrace.reports.common.lengths import Rule, degrees, for_bench
from raytrace.reports.common.tables import DETAILS
from raytrace.reports.common.words import counted_from
from raytrace.store.plain import table

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.bench.sheet import Sheet
    from raytrace.studies.bench.wedge_plates import Plates

__all__ = ["conflict_lines", "facet_columns", "rig_columns", "sheet_tables"]

MM = 1e3
SHOWN = 8  # facets named in one line


def facet_columns(sheet: Sheet, rule: Rule) -> tuple[list[str], list[list[Any]], list[str]]:
    """Columns and rows of a table, one row a facet, and the notes above it.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
        From `raytrace.reports.common.lengths.RULES`.

    Returns
    -------
    columns, rows, notes : list
    """
    names = (
        *("state", "turn", "mount", "tilt", "lean", "lowest", "highest", "corner_height"),
        *("distance", "mark_on_base", "allowed_miss", "laser_altitude", "meets"),
    )
    across = ("xyz", "axis", "corner", "way")
    columns, rows = for_bench(*table(sheet, "facet", across=across, only=names))
    notes = [
        f"{sheet.scenario.title} ({sheet.scenario.source})",
        f"Places from {counted_from(sheet.scenario)}: x to the right, y toward the sun, z up from "
        "the platform's top. Angles of leaning clockwise from the arrow to the sun, seen from "
        "above.",
        "mount: turning centre. corner_height: of the front face above the platform's top. turn: "
        "place in the order of setting; 0: missing.",
        "mark_on_base: where the laser's spot belongs on the plane of the pot's base, from its "
        "centre.",
        "allowed_miss: how far off its mark its spot may lie, see the target card; none where no "
        "light of it reaches the base.",
        f"meets: what a beam {rule.fine_text(sheet.ways.beam)} {rule.unit} wide meets on its way "
        "in and out when all other facets are set; thin: a line without width.",
        f"meets_at_turn: in this order of setting, facets not yet set being "
        f"{UNSET_WORDS[sheet.ways.unset]}.",
    ]
    return columns, rows, notes


UNSET_WORDS = {
    "absent": "not on their mounts yet",
    "flat": "on their mounts and level with the platform",
}


def rig_columns(sheet: Sheet, rule: Rule) -> tuple[list[str], list[list[Any]], list[str]]:
    """Laser heights and shadow gauges, one row each: columns, rows, and the notes above them.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule

    Returns
    -------
    columns, rows, notes : list
    """
    notes = [
        f"{sheet.scenario.title} ({sheet.scenario.source})",
        "laser: from under the lit mirror along the floor, and up from the mirror's centre; "
        "degrees that one unit of error of the height costs.",
        "shadow gauge: shadow on the platform of an upright square to it; degrees that one unit "
        "of the shadow's length, and of its tip sideways, mean; how far its end fades.",
    ]
    columns = ["what", "altitude_deg", "along_mm", "up_mm", "deg_per_mm"]
    rows: list[list[Any]] = []
    laser = sheet.laser
    for k, gauge in enumerate(sheet.gauges):
        alpha = np.degrees(laser.altitude[k])
        for d, h, e in zip(laser.distance, laser.height[k], laser.per_length[k], strict=True):
            rows.append(["laser", alpha, MM * d, MM * h, _per_mm(e), None, None])
        for j, h in enumerate(gauge.upright):
            errors = _per_mm(gauge.per_length[j]), _per_mm(gauge.sideways[j])
            lengths = MM * gauge.shadow[j], MM * h
            rows.append(["shadow gauge", alpha, *lengths, *errors, MM * gauge.blur[j]])
    return *for_bench([*columns, "deg_per_mm_sideways", "blur_mm"], rows), notes


def _per_mm(radians_per_metre: float) -> float:
    return round(float(np.degrees(radians_per_metre)) / MM, 5)


def _post_place(sheet: Sheet, post: int, rule: Rule) -> str:
    """Where a post stands, from the base's centre."""
    x, y, _ = sheet.cooker.pot.feet[post]
    side, end = "right" if x > 0.0 else "left", "toward" if y > 0.0 else "away from"
    return (
        f"{rule.coarse_text(abs(x))} {rule.unit} {side}, {rule.coarse_text(abs(y))} {rule.unit} "
        f"{end} the sun from the base's centre"
    )


def conflict_lines(sheet: Sheet, rule: Rule) -> list[str]:
    """What hinders setting, in sentences; empty if nothing does.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
        From `raytrace.reports.common.lengths.RULES`.

    Returns
    -------
    list of str
    """
    label, ways = sheet.cooker.facets.label, sheet.ways
    lines = [
        f"No order serves {_named([label[f] for f in group])}: each has another of them in its "
        "way. Set one of these with its neighbour off, or with a wedge."
        for group in ways.conflicts
    ]
    by_body: dict[str, list[str]] = {}
    for f in ways.order:
        for body in ways.at_turn[f]:
            if body == "pot" or body.startswith("post "):
                by_body.setdefault(body, []).append(label[f])
    for body, names in by_body.items():
        if body == "pot":
            what, do = "The pot", "Take it off"
        else:
            what, do = f"Post {body[5:]} ({_post_place(sheet, int(body[5:]) - 1, rule)})", "Move it"
        lines.append(
            f"{what} stands in the laser's way at {_named(names)}. {do} while these are set, and "
            "hold a card where the base will be."
        )
    return lines


def sheet_tables(
    sheet: Sheet, rule: Rule, plates: Plates | None = None
) -> Iterator[RenderableType]:
    """Say the sheet in brief.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
    plates : Plates, optional
        Wedges to print.

    Yields
    ------
    renderable
    """
    facets, unit = sheet.cooker.facets, rule.unit
    here = facets.present
    yield Text(sheet.scenario.title, style="bold")
    if sheet.angle is not None:
        for sentence in angle_sentences(sheet.angle):
            yield Text(sentence)
    yield Text(answer_words(sheet, rule, plates))
    yield Text(" ".join(filter(None, [cost_words(sheet), spare_words(sheet)])))
    out = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="dim")
    out.add_column(f"{int(here.sum())} facets to set")
    for name in ("least", "greatest", ""):
        out.add_column(name, justify="left" if not name else "right")
    heights = sheet.corner_height[here]
    for name, low, high, tail in (
        ("tilt", degrees(sheet.tilt[here].min()), degrees(sheet.tilt[here].max()), "°"),
        (
            "corners above the platform",
            rule.fine_text(heights.min()),
            rule.fine_text(heights.max()),
            unit,
        ),
        (
            "from facet to mark",
            rule.coarse_text(sheet.distance[here].min()),
            rule.coarse_text(sheet.distance[here].max()),
            unit,
        ),
    ):
        out.add_row(name, low, high, tail)
    yield out
    for k, gauge in enumerate(sheet.gauges):
        alpha = degrees(gauge.altitude, 2)
        j = int(np.argmin(np.abs(sheet.laser.distance - 2.0)))
        yield Text(
            f"Laser {alpha}° high for {sheet.laser.n_facets[k]} facets: at "
            f"{rule.coarse_text(sheet.laser.distance[j])} {unit} along the floor it stands "
            f"{rule.coarse_text(sheet.laser.height[k, j])} {unit} above the lit mirror. Shadow "
            f"gauge: an upright of {rule.fine_text(gauge.upright[-1])} {unit} throws "
            f"{rule.fine_text(gauge.shadow[-1])} {unit}; {rule.mark_name} is "
            f"{rule.mark * np.degrees(gauge.per_length[-1]):.2f}°."
        )
    if sheet.rings is not None:
        yield Text(card_words(sheet, rule)[0])
    trouble = conflict_lines(sheet, rule)
    first = f"{facets.label[sheet.ways.order[0]]} to {facets.label[sheet.ways.order[-1]]}"
    if not sheet.ways.conflicts:
        yield Text(
            f"Set in the order of the sheet ({first}) and no facet that is set stands in another's "
            f"beam; facets not yet set are taken to be {UNSET_WORDS[sheet.ways.unset]}."
        )
    for line in trouble:
        yield Text(f"! {line}", style="yellow")
    yield DETAILS
    yield from list_tables(sheet, rule, plates)
    if plates is not None:
        yield Text(print_words(sheet, rule, plates))


def _named(labels: Sequence[str]) -> str:
    more = len(labels) - SHOWN
    tail = f" and {more} more" if more > 0 else ""
    return ", ".join(labels[:SHOWN]) + tail
