"""The sheet to build from as CSV, as plain values for JSON, and in brief for the terminal."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from rich import box
from rich.table import Table
from rich.text import Text

from raytrace.csv_text import csv_text
from raytrace.reports.common.lengths import Rule, degrees

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.sheet import AimSheet

__all__ = ["conflict_lines", "facets_csv", "rig_csv", "sheet_facts", "sheet_tables", "way"]

CLEAR = "clear"
SHOWN = 8  # facets named in one line


def way(met: Sequence[str]) -> str:
    """What a beam meets, or that it is clear."""
    return "; ".join(met) if met else CLEAR


def facets_csv(scenario: Scenario, sheet: AimSheet, rule: Rule) -> str:
    """One row a facet; lengths in the builder's unit, which the columns' names carry.

    Parameters
    ----------
    scenario : Scenario
    sheet : AimSheet
    rule : Rule
        From `raytrace.reports.common.lengths.RULES`.

    Returns
    -------
    text : str
        Opens with comment lines that begin with "#".
    """
    rows = facet_rows(sheet, rule)
    notes = [
        f"{scenario.title} ({scenario.source})",
        "Axes of the platform from its middle: x to the right, y toward the sun, z up from its "
        "top. Angles of leaning clockwise from the arrow to the sun, seen from above.",
        "Mount: its turning centre. Heights: corners of the front face above the platform's top.",
        "Mark: where the laser's spot belongs on the plane of the pot's base, from its centre.",
        f"Ways: what a beam {rule.fine_text(sheet.ways.beam)} {rule.unit} wide meets when all "
        "other facets are set; thin: a line without width.",
        f"at_turn: what it meets in this order of setting, facets not yet set being "
        f"{UNSET_WORDS[sheet.ways.unset]}.",
    ]
    return csv_text(list(rows[0]), [list(row.values()) for row in rows], notes)


UNSET_WORDS = {
    "absent": "not on their mounts yet",
    "flat": "on their mounts and level with the platform",
}


def facet_rows(sheet: AimSheet, rule: Rule) -> list[dict[str, Any]]:
    """Plain values of every facet, units in the keys."""
    facets, ways, unit = sheet.cooker.facets, sheet.ways, rule.unit

    def length(metres: float) -> float:
        return round(rule.per_metre * float(metres), 3 if unit == "mm" else 5) + 0.0

    def angle(radians: float) -> float | None:
        return round(math.degrees(radians), 3) + 0.0 if math.isfinite(radians) else None

    rows = []
    for f, label in enumerate(facets.label):
        heights = {
            f"height_{name.replace(' ', '_')}_{unit}": length(h)
            for name, h in zip(sheet.corner_name, sheet.corner_height[f], strict=True)
        }
        rows.append(
            {
                "facet": label,
                "state": "ok" if facets.present[f] else "missing",
                "order": int(sheet.turn[f]) or None,
                **{f"mount_{a}_{unit}": length(facets.mount[f, k]) for k, a in enumerate("xyz")},
                "tilt_deg": angle(sheet.tilt[f]),
                "leans_to_deg": angle(sheet.lean[f]),
                "lowest": sheet.lowest[f],
                "highest": sheet.highest[f],
                **heights,
                f"distance_{unit}": length(sheet.distance[f]),
                f"mark_x_{unit}": length(sheet.mark_on_base[f, 0]),
                f"mark_y_{unit}": length(sheet.mark_on_base[f, 1]),
                "laser_altitude_deg": angle(
                    float(np.arcsin(np.clip(sheet.cooker.design_sun[f, 2], -1.0, 1.0)))
                ),
                "way_in": way(ways.into[f]),
                "way_in_thin": way(ways.into_thin[f]),
                "way_out": way(ways.out[f]),
                "way_out_thin": way(ways.out_thin[f]),
                "at_turn": way(ways.at_turn[f]),
            }
        )
    return rows


def rig_csv(scenario: Scenario, sheet: AimSheet, rule: Rule) -> str:
    """Laser heights and shadow gauges, one row each.

    Parameters
    ----------
    scenario : Scenario
    sheet : AimSheet
    rule : Rule

    Returns
    -------
    text : str
    """
    notes = [
        f"{scenario.title} ({scenario.source})",
        "laser: from under the lit mirror along the floor, and up from the mirror's centre; "
        "degrees that an error of 1 mm of the height costs.",
        "shadow gauge: shadow on the platform of an upright square to it; degrees that 1 mm of "
        "the shadow's length, and of its tip sideways, mean; how far its end fades.",
    ]
    rows: list[list[Any]] = []
    unit = rule.unit
    for fact in rig_facts(sheet, rule):
        alpha = fact["altitude_deg"]
        for x in fact["laser"]:
            lengths = x[f"distance_{unit}"], x[f"height_{unit}"]
            rows.append(["laser", alpha, *lengths, x["deg_per_mm"], None, None])
        for x in fact["gauges"]:
            lengths = x[f"shadow_{unit}"], x[f"upright_{unit}"]
            errors = x["deg_per_mm"], x["deg_per_mm_sideways"]
            rows.append(["shadow gauge", alpha, *lengths, *errors, x[f"blur_{unit}"]])
    columns = ["what", "altitude_deg", f"along_{unit}", f"up_{unit}", "deg_per_mm"]
    return csv_text([*columns, "deg_per_mm_sideways", f"blur_{unit}"], rows, notes)


def rig_facts(sheet: AimSheet, rule: Rule) -> list[dict[str, Any]]:
    """Laser heights and shadow gauges for each altitude that facets are set for."""
    laser, unit = sheet.laser, rule.unit

    def length(metres: float) -> float:
        return round(rule.per_metre * float(metres), 2 if unit == "mm" else 4) + 0.0

    def per_mm(radians_per_metre: float) -> float:
        return round(math.degrees(radians_per_metre) * 1e-3, 5)

    facts = []
    for k, gauge in enumerate(sheet.gauges):
        facts.append(
            {
                "altitude_deg": round(math.degrees(laser.altitude[k]), 6),
                "facets": int(laser.n_facets[k]),
                "laser": [
                    {f"distance_{unit}": length(d), f"height_{unit}": length(h), "deg_per_mm": e}
                    for d, h, e in zip(
                        laser.distance,
                        laser.height[k],
                        map(per_mm, laser.per_length[k]),
                        strict=True,
                    )
                ],
                "gauges": [
                    {
                        f"upright_{unit}": length(gauge.upright[j]),
                        f"shadow_{unit}": length(gauge.shadow[j]),
                        "deg_per_mm": per_mm(gauge.per_length[j]),
                        "deg_per_mm_sideways": per_mm(gauge.sideways[j]),
                        f"blur_{unit}": length(gauge.blur[j]),
                    }
                    for j in range(len(gauge.upright))
                ],
            }
        )
    return facts


def sheet_facts(scenario: Scenario, sheet: AimSheet, rule: Rule) -> dict[str, Any]:
    """Give the sheet as plain values with units in the keys, for JSON.

    Parameters
    ----------
    scenario : Scenario
    sheet : AimSheet
    rule : Rule

    Returns
    -------
    facts : dict
    """
    from raytrace.version import __version__

    facets, laser = sheet.cooker.facets, sheet.laser
    stand = None
    if laser.stand is not None:
        stand = [round(rule.per_metre * float(x), 4) + 0.0 for x in laser.stand]
    return {
        "scenario": scenario.source,
        "title": scenario.title,
        "overrides": list(scenario.overrides),
        "version": __version__,
        "unit": rule.unit,
        "rig": laser.kind,
        f"stand_{rule.unit}": stand,
        "altitudes": rig_facts(sheet, rule),
        f"beam_{rule.unit}": round(rule.per_metre * sheet.ways.beam, 4),
        "unset": sheet.ways.unset,
        "order": [facets.label[f] for f in sheet.ways.order],
        "conflicts": [[facets.label[f] for f in group] for group in sheet.ways.conflicts],
        "facets": facet_rows(sheet, rule),
    }


def _post_place(sheet: AimSheet, post: int, rule: Rule) -> str:
    """Where a post stands, from the base's centre."""
    box = sheet.cooker.pot.posts[post]
    x, y = 0.5 * (box[0] + box[3]), 0.5 * (box[1] + box[4])
    side, end = "right" if x > 0.0 else "left", "toward" if y > 0.0 else "away from"
    return (
        f"{rule.coarse_text(abs(x))} {rule.unit} {side}, {rule.coarse_text(abs(y))} {rule.unit} "
        f"{end} the sun from the base's centre"
    )


def conflict_lines(sheet: AimSheet, rule: Rule) -> list[str]:
    """What hinders setting, in sentences; empty if nothing does."""
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


def sheet_tables(scenario: Scenario, sheet: AimSheet, rule: Rule) -> Iterator[RenderableType]:
    """Say the sheet in brief.

    Parameters
    ----------
    scenario : Scenario
    sheet : AimSheet
    rule : Rule

    Yields
    ------
    renderable
    """
    facets, unit = sheet.cooker.facets, rule.unit
    here = facets.present
    yield Text(scenario.title, style="bold")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="dim")
    table.add_column(f"{int(here.sum())} facets to set")
    for name in ("least", "greatest", ""):
        table.add_column(name, justify="left" if not name else "right")
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
        table.add_row(name, low, high, tail)
    yield table
    for k, gauge in enumerate(sheet.gauges):
        alpha = degrees(gauge.altitude, 2)
        j = int(np.argmin(np.abs(sheet.laser.distance - 2.0)))
        yield Text(
            f"Laser {alpha}° high for {sheet.laser.n_facets[k]} facets: at "
            f"{rule.coarse_text(sheet.laser.distance[j])} {unit} along the floor it stands "
            f"{rule.coarse_text(sheet.laser.height[k, j])} {unit} above the lit mirror. Shadow "
            f"gauge: an upright of {rule.fine_text(gauge.upright[-1])} {unit} throws "
            f"{rule.fine_text(gauge.shadow[-1])} {unit}; 1 mm is "
            f"{1e-3 * np.degrees(gauge.per_length[-1]):.2f}°."
        )
    trouble = conflict_lines(sheet, rule)
    first = f"{facets.label[sheet.ways.order[0]]} to {facets.label[sheet.ways.order[-1]]}"
    if not sheet.ways.conflicts:
        yield Text(
            f"Set in the order of the sheet ({first}) and no facet that is set stands in another's "
            f"beam; facets not yet set are taken to be {UNSET_WORDS[sheet.ways.unset]}."
        )
    for line in trouble:
        yield Text(f"! {line}", style="yellow")


def _named(labels: Sequence[str]) -> str:
    more = len(labels) - SHOWN
    tail = f" and {more} more" if more > 0 else ""
    return ", ".join(labels[:SHOWN]) + tail
