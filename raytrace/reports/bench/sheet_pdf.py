"""Pages to read at the bench: laser, shadow gauge, cautions, and the facets in order of setting."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.reports.bench.sheet_pages import FOOT, MARGIN, document, grid, styles
from raytrace.reports.bench.sheet_plan import map_drawing
from raytrace.reports.bench.sheet_sketches import gauge_sketch, laser_sketch
from raytrace.reports.bench.sheet_slide import slide_page
from raytrace.reports.bench.sheet_words import (
    BENCH_CAUTIONS,
    gauge_words,
    laser_words,
    order_words,
    table_words,
    wedge_words,
)
from raytrace.reports.common.lengths import Rule, degrees
from raytrace.reports.common.paper import (
    BOLD,
    GREY,
    PAPERS,
    PLAIN,
    POINTS,
    canvas_class,
    escape,
)

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.sheet import Sheet, Wedges

__all__ = ["bench_pdf"]

WRITING = 18.0  # height of a row in which to write by hand [pt]


def bench_pdf(
    scenario: Scenario,
    sheet: Sheet,
    rule: Rule,
    *,
    paper: str = "a4",
    wedges: Wedges | None = None,
) -> bytes:
    """Draw the pages to read at the bench.

    Parameters
    ----------
    scenario : Scenario
    sheet : Sheet
    rule : Rule
    paper : str
        Key of `raytrace.reports.common.paper.PAPERS`.
    wedges : Wedges, optional
        Say how they are used.

    Returns
    -------
    pdf : bytes
    """
    from reportlab.platypus import NextPageTemplate, PageBreak

    width, height = PAPERS[paper]
    file = io.BytesIO()
    pages = document(file, scenario, rule, what="bench sheet", paper=paper)
    room = (height - 2.0 * MARGIN) * POINTS
    story: list[Any] = [
        *_rig_page(scenario, sheet, rule, wedges, (width - 2.0 * MARGIN) * POINTS),
        PageBreak(),
        *slide_page(sheet, rule, (width - 2.0 * MARGIN) * POINTS),
        NextPageTemplate("across"),
        PageBreak(),
        map_drawing(sheet, room, (width - FOOT - 12.0) * POINTS),
        PageBreak(),
        *_facets_table(sheet, rule),
    ]
    pages.build(story, canvasmaker=canvas_class())
    return file.getvalue()


def _rig_page(
    scenario: Scenario, sheet: Sheet, rule: Rule, wedges: Wedges | None, room: float
) -> list[Any]:
    from reportlab.platypus import KeepTogether, Paragraph, Spacer

    from raytrace.version import __version__

    style = styles()

    def items(lines: list[str]) -> list[Any]:
        return [Paragraph(escape(line), style["item"]) for line in lines]

    x0, x1, y0, y1 = sheet.cooker.extent
    story: list[Any] = [
        Paragraph(escape(scenario.title), style["title"]),
        Paragraph(
            escape(
                f"Bench sheet from {scenario.source}, cooker-raytrace {__version__}"
                + (f", with {'; '.join(scenario.overrides)}" if scenario.overrides else "")
                + f". {len(sheet.ways.order)} facets on a platform of {rule.coarse_text(x1 - x0)} "
                f"× {rule.coarse_text(y1 - y0)} {rule.unit} (across × toward the sun); the pot's "
                f"base {rule.coarse_text(sheet.cooker.pot.base[2])} {rule.unit} above its top, "
                f"{_beside(sheet, rule)}."
            ),
            style["grey"],
        ),
        Spacer(1, 5),
        _cautions(style, room),
        Paragraph("The laser that stands in for the sun", style["head"]),
        *_beside_sketch(items(laser_words(sheet, rule)), laser_sketch(sheet), room),
        Spacer(1, 3),
        _laser_table(sheet, rule),
        Paragraph("Shadow gauge", style["head"]),
        *_beside_sketch(items(gauge_words(sheet, rule)), gauge_sketch(sheet.gauges[0]), room),
        Spacer(1, 3),
        _gauge_table(sheet, rule),
        KeepTogether(
            [Paragraph("Order of setting", style["head"]), *items(order_words(sheet, rule))]
        ),
    ]
    if scenario.errors.set_by == "angle":
        story += items(
            [
                "This scenario's facets are set by angle: by the corners' heights in the table, a "
                "gauge or wedges. The laser then serves to check them."
            ]
        )
    if wedges is not None:
        story += [
            KeepTogether([Paragraph("Wedges", style["head"]), *items([wedge_words(wedges, rule)])])
        ]
    return story


def _beside(sheet: Sheet, rule: Rule) -> str:
    x, y = (float(k) for k in sheet.cooker.pot.base[:2])
    parts = []
    if abs(y) > 5e-4:
        parts.append(f"{rule.coarse_text(abs(y))} {rule.unit} {'toward' if y > 0 else 'away from'} "
                     "the sun")  # fmt: skip
    if abs(x) > 5e-4:
        side = "right" if x > 0 else "left"
        parts.append(f"{rule.coarse_text(abs(x))} {rule.unit} to the {side}")
    return f"its centre {' and '.join(parts)} from the platform's middle" if parts else (
        "its centre over the platform's middle"
    )  # fmt: skip


def _cautions(style: dict[str, Any], room: float) -> Any:
    from reportlab.lib.colors import Color
    from reportlab.platypus import Paragraph, Table

    cells = [
        [Paragraph(f"<b>{escape(name)}</b>", style["body"]), Paragraph(escape(text), style["body"])]
        for name, text in BENCH_CAUTIONS
    ]
    return Table(
        cells,
        colWidths=[56, room - 56],
        style=[
            ("BOX", (0, 0), (-1, -1), 1.2, Color(0.75, 0.25, 0.0)),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
        ],
    )


def _beside_sketch(words: list[Any], sketch: Any, room: float) -> list[Any]:
    from reportlab.platypus import Table

    return [
        Table(
            [[words, sketch]],
            colWidths=[room - sketch.width - 8, sketch.width + 8],
            style=[
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("ALIGN", (1, 0), (1, 0), "RIGHT"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
            ],
        )
    ]


def _laser_table(sheet: Sheet, rule: Rule) -> Any:
    laser, unit = sheet.laser, rule.unit
    along = "along the floor" if laser.stand is None else "if slid instead: along the floor"
    rows: list[list[Any]] = [[f"{along}, {unit}", *(rule.coarse_text(d) for d in laser.distance)]]
    for k, altitude in enumerate(laser.altitude):
        rows.append(
            [
                f"laser {degrees(altitude, 2)}°: above the mirror, {unit}",
                *(rule.coarse_text(h) for h in laser.height[k]),
            ]
        )
        rows.append(
            [
                f"{rule.mark_name} too high is, °",
                *(f"{rule.mark * math.degrees(e):.3f}" for e in laser.per_length[k]),
            ]
        )
    return grid(rows, style=[("ALIGN", (0, 0), (0, -1), "LEFT")])


def _gauge_table(sheet: Sheet, rule: Rule) -> Any:
    unit = rule.unit
    several = len(sheet.gauges) > 1
    rows: list[list[Any]] = [
        [
            *(["sun"] if several else []),
            f"upright, {unit}",
            f"shadow, {unit}",
            f"{rule.mark_name} longer or shorter is",
            f"{rule.mark_name} aside is",
            f"fade of its end, {unit}",
        ]
    ]
    for gauge in sheet.gauges:
        for j in range(len(gauge.upright)):
            rows.append(
                [
                    *([f"{degrees(gauge.altitude, 2)}°"] if several else []),
                    rule.fine_text(gauge.upright[j]),
                    rule.fine_text(gauge.shadow[j]),
                    f"{rule.mark * math.degrees(gauge.per_length[j]):.2f}° of altitude",
                    f"{rule.mark * math.degrees(gauge.sideways[j]):.2f}° of heading",
                    rule.fine_text(gauge.blur[j]),
                ]
            )
    return grid(rows)


def _facets_table(sheet: Sheet, rule: Rule) -> list[Any]:
    from reportlab.lib.colors import Color
    from reportlab.platypus import Paragraph, Spacer

    style = styles()
    facets = sheet.cooker.facets
    own_marks = bool(np.abs(sheet.mark_on_base).max() > 5e-5)
    several = len(sheet.laser.altitude) > 1
    names = ("lowest", "highest") if len(sheet.corner_name) == 2 else sheet.corner_name
    head = ["no.", "facet", "mount\nx", "\ny", "\nz", "tilt\n°", "leans\n°"]
    head += [f"height\n{name}" if k == 0 else f"\n{name}" for k, name in enumerate(names)]
    head += ["to the\nmark"]
    if own_marks:
        head += ["mark\nx", "\ny"]
    if several:
        head += ["laser\n°"]
    head += ["lowest", "beam"]
    rings = sheet.rings is not None
    head += [*(["miss up\nto"] if rings else []), "set", "measured miss\nx", "\ny"]
    rows: list[list[Any]] = [head]
    missing = np.flatnonzero(~facets.present)
    for f in [*sheet.ways.order, *missing]:
        altitude = float(sheet.laser_altitude[f])
        row = [str(sheet.turn[f]) if facets.present[f] else "–", facets.label[f]]
        row += [rule.fine_text(x) for x in sheet.mount[f]]
        row += [degrees(sheet.tilt[f]), degrees(sheet.lean[f], 0)]
        row += [rule.fine_text(h) for h in sheet.corner_height[f]]
        row += [rule.coarse_text(sheet.distance[f])]
        if own_marks:
            row += [rule.fine_text(x) for x in sheet.mark_on_base[f]]
        if several:
            row += [degrees(altitude)]
        beam = sheet.meets[f, -1] if facets.present[f] else "missing"
        row += [sheet.lowest[f], Paragraph(escape(beam), style["cell"])]
        if rings:
            miss = sheet.allowed_miss[f]
            row += [rule.coarse_text(miss) if np.isfinite(miss) else "–"]
        rows.append([*row, "\N{BALLOT BOX}" if facets.present[f] else "", "", ""])
    last = head.index("beam")
    table = grid(
        rows,
        repeatRows=1,
        colWidths=[None] * last + [62] + [None] * (len(head) - last - 3) + [46, 40],
        rowHeights=[None] + [WRITING] * (len(rows) - 1),
        style=[
            ("FONT", (1, 1), (1, -1), BOLD, 7.2),
            ("FONT", (-3, 1), (-3, -1), PLAIN, 13),
            ("ALIGN", (-3, 0), (-3, -1), "CENTER"),
            ("ALIGN", (-2, 0), (-1, 0), "LEFT"),
            ("GRID", (-2, 1), (-1, -1), 0.3, Color(*GREY)),
            ("ALIGN", (last - 1, 0), (last, -1), "LEFT"),
            ("ROWBACKGROUNDS", (0, 1), (-1, -1), [Color(1, 1, 1), Color(0.95, 0.95, 0.95)]),
        ],
    )
    return [
        Paragraph("Facets, in the order of setting", style["head"]),
        Paragraph(escape(table_words(sheet, rule)), style["body"]),
        Spacer(1, 4),
        table,
    ]
