"""Shopping list, cutting plan and plates of wedges as pages to take along."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import DISC, HEXAGON
from raytrace.reports.bench.sheet_lists import (
    answer_words,
    cost_words,
    hours,
    money,
    print_words,
    shopping,
    size_words,
    spare_words,
    work_rows,
)
from raytrace.reports.bench.sheet_pages import FOOT, MARGIN, document, grid, styles
from raytrace.reports.common.lengths import Rule
from raytrace.reports.common.paper import (
    BOLD,
    FAINT,
    GREY,
    INK,
    PAPERS,
    PLAIN,
    POINTS,
    canvas_class,
    escape,
)

if TYPE_CHECKING:
    from raytrace.studies.bench.materials import CutPlan
    from raytrace.studies.bench.sheet import Sheet, Wedges
    from raytrace.studies.bench.wedge_plates import Plates

__all__ = ["lists_pdf"]

Array = NDArray[np.float64]

EDGE = 34.0  # round a plan, for its marks [pt]
SMALL = 6.0  # size of marks' figures [pt]


def lists_pdf(
    sheet: Sheet,
    rule: Rule,
    *,
    paper: str = "a4",
    wedges: Wedges | None = None,
    plates: Plates | None = None,
) -> bytes:
    """Draw the pages to shop, cut and print by.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
    paper : str
        Key of `raytrace.reports.common.paper.PAPERS`.
    wedges, plates : Wedges and Plates, optional
        Those to print.

    Returns
    -------
    pdf : bytes
    """
    from reportlab.platypus import NextPageTemplate, PageBreak, Paragraph, Spacer

    width, height = PAPERS[paper]
    file = io.BytesIO()
    pages = document(file, sheet.scenario, rule, what="shopping list", paper=paper)
    style = styles()
    story: list[Any] = [
        Paragraph(escape(sheet.scenario.title), style["title"]),
        Paragraph(escape(answer_words(sheet, rule, plates)), style["body"]),
        Paragraph(escape(f"{cost_words(sheet)} {spare_words(sheet)}"), style["body"]),
        Paragraph("Shopping list", style["head"]),
        _left(
            [["", "", "cost"]]
            + [
                [line.what, Paragraph(escape(line.amount), style["body"]), money(sheet, line.cost)]
                for line in shopping(sheet, rule, plates)
            ],
            [84, 300, None],
        ),
        Paragraph("Hours of work", style["head"]),
        _left([["", "about", ""], *([a, hours(b), c] for a, b, c in work_rows(sheet))], None),
    ]
    across = (height - 2.0 * MARGIN) * POINTS, (width - FOOT - 12.0) * POINTS
    cut = sheet.materials.cut
    if cut is not None and cut.n_sheets:
        story += [NextPageTemplate("across")]
        full = cut.n_sheets - (cut.n_last < cut.room)
        for count, number in ((cut.room, full), (cut.n_last, cut.n_sheets - full)):
            if number:
                story += [
                    PageBreak(),
                    Paragraph(_plan_head(sheet, rule, count, number), style["head"]),
                    Paragraph(escape(_plan_words(sheet, rule, cut)), style["body"]),
                    Spacer(1, 4),
                    _cut_drawing(sheet, cut, count, rule, across[0], across[1] - 62.0),
                ]
    if wedges is not None and plates is not None:
        story += [
            NextPageTemplate("upright"),
            PageBreak(),
            Paragraph("Wedges on the printer's plates", style["head"]),
            Paragraph(escape(print_words(sheet, rule, plates)), style["body"]),
            Spacer(1, 6),
            *_plate_rows(sheet, wedges, plates, (width - 2.0 * MARGIN) * POINTS),
        ]
    pages.build(story, canvasmaker=canvas_class())
    return file.getvalue()


def _left(rows: list[list[Any]], widths: list[float | None] | None) -> Any:
    return grid(rows, colWidths=widths, style=[("ALIGN", (0, 0), (-1, -1), "LEFT")])


def _plan_head(sheet: Sheet, rule: Rule, count: int, number: int) -> str:
    times = "1 sheet" if number == 1 else f"{number} sheets alike"
    return f"Cutting plan: {times}, {count} of {size_words(sheet, rule)} from each"


def _plan_words(sheet: Sheet, rule: Rule, cut: CutPlan) -> str:
    stock, shape = sheet.scenario.workshop.stock, sheet.cooker.facets.shape[0]
    lost = f"{rule.fine_text(stock.kerf)} {rule.unit}"
    kerf = f" Each cut takes {lost} beyond its mark, the first before it."
    words = (
        f"Marks are in {rule.name} from the sheet's lower left corner. Cut the edge off, then from "
        "side to side, then each strip by its own marks." + (kerf if stock.kerf else "")
    )
    if shape == HEXAGON:
        words += " Take the four corners off each piece last."
    elif shape == DISC:
        words += " Cut the circle in each piece last."
    left = cut.room - cut.n_last
    if left:
        words += f" The last sheet has room for {left} more."
    return words + " Gloves and goggles: cut edges are sharp."


def _cut_drawing(
    sheet: Sheet, cut: CutPlan, count: int, rule: Rule, width: float, height: float
) -> Any:
    """One sheet with its first pieces, and the places of its cuts along its edges."""
    from reportlab.graphics.shapes import Circle, Drawing, Line, Polygon, Rect, String
    from reportlab.lib.colors import Color

    ink, grey, faint = Color(*INK), Color(*GREY), Color(*FAINT)
    w, h = (float(x) for x in cut.sheet)
    scale = min((width - 2.0 * EDGE) / w, (height - 2.0 * EDGE) / h)
    drawing = Drawing(width, scale * h + 2.0 * EDGE)
    x0, y0 = 0.5 * (width - scale * w), EDGE
    drawing.add(
        Rect(x0, y0, scale * w, scale * h, strokeColor=ink, fillColor=Color(0.93, 0.93, 0.93))
    )
    corner, turned = cut.corner[:count], cut.turned[:count]
    size = np.where(turned[:, None], cut.piece[::-1], cut.piece)
    shape, facet = sheet.cooker.facets.shape[0], sheet.materials.mirror_size
    for number, ((x, y), (a, b), crosswise) in enumerate(zip(corner, size, turned, strict=True), 1):
        left, low = x0 + scale * x, y0 + scale * y
        box = Rect(left, low, scale * a, scale * b, strokeColor=ink, fillColor=Color(1, 1, 1))
        box.strokeWidth = 0.6
        drawing.add(box)
        middle = np.array([left + 0.5 * scale * a, low + 0.5 * scale * b])
        if shape == DISC:
            drawing.add(Circle(*middle, 0.5 * scale * facet[0], strokeColor=grey, fillColor=None))
        elif shape == HEXAGON:
            around = np.radians(60.0 * np.arange(6) + (90.0 if crosswise else 0.0))
            six = middle + 0.5 * scale * facet[0] * np.stack([np.cos(around), np.sin(around)], 1)
            drawing.add(Polygon(six.ravel().tolist(), strokeColor=grey, fillColor=None))
        drawing.add(
            String(middle[0], middle[1] - 2.5, str(number), fontName=PLAIN, fontSize=7,
                   fillColor=faint, textAnchor="middle")
        )  # fmt: skip
    written: dict[tuple[int, bool], float] = {}
    for axis, place, far in _marks(corner, size, turned):
        room = scale * (place - written.get((axis, far), -1.0))
        figure = rule.coarse_text(place) if room > SMALL else ""
        if figure:
            written[axis, far] = place
        if axis == 0:
            x, y = x0 + scale * place, (y0 + scale * h if far else y0)
            out = 1.0 if far else -1.0
            drawing.add(Line(x, y, x, y + 5.0 * out, strokeColor=ink, strokeWidth=0.5))
            drawing.add(_upright(x, y + 7.0 * out, figure, "start" if far else "end"))
        else:
            x, y = (x0 + scale * w if far else x0), y0 + scale * place
            out = 1.0 if far else -1.0
            drawing.add(Line(x, y, x + 5.0 * out, y, strokeColor=ink, strokeWidth=0.5))
            drawing.add(
                String(x + 7.0 * out, y - 2.0, figure, fontName=PLAIN, fontSize=SMALL,
                       fillColor=ink, textAnchor="start" if far else "end")
            )  # fmt: skip
    return drawing


def _upright(x: float, y: float, figure: str, anchor: str) -> Any:
    from reportlab.graphics.shapes import Group, String
    from reportlab.lib.colors import Color

    text = String(0, 0, figure, fontName=PLAIN, fontSize=SMALL, fillColor=Color(*INK))
    text.textAnchor = anchor
    return Group(text, transform=(0, 1, -1, 0, x + 2.0, y))


def _marks(corner: Array, size: Array, turned: NDArray[np.bool_]) -> list[tuple[int, float, bool]]:
    """Cuts of a plan: along which axis they are measured, where, and at the far edge or the near.

    The second of two blocks has its own marks at the edge that it lies at.
    """
    marks: set[tuple[int, float, bool]] = set()
    first = turned == turned[0]
    ends = corner + size
    beside = None
    if not first.all():
        # the axis along which the second block lies beyond the first
        beside = int(corner[~first, 1].min() > ends[first, 1].max() - 1e-9)
    for block in (first, ~first):
        if not block.any():
            continue
        for axis in (0, 1):
            far = beside is not None and axis != beside and block is not first
            places = [corner[block, axis].min(), *ends[block, axis]]
            marks |= {(axis, round(float(p), 6), far) for p in places}
    return sorted(marks)


def _plate_rows(sheet: Sheet, wedges: Wedges, plates: Plates, room: float) -> list[Any]:
    """Plates side by side, each wedge with its label."""
    from reportlab.graphics.shapes import Drawing, Rect, String
    from reportlab.lib.colors import Color
    from reportlab.platypus import Spacer, Table

    printer = sheet.scenario.workshop.printer
    across = 3
    scale = min(room / across - 12.0, 190.0) / max(printer.width, printer.depth)
    cells: list[Any] = []
    for number in range(plates.count):
        w, h = scale * printer.width, scale * printer.depth
        drawing = Drawing(w, h + 12.0)
        drawing.add(
            String(0, h + 3.0, f"plate {number + 1}", fontName=BOLD, fontSize=7.2,
                   fillColor=Color(*INK))
        )  # fmt: skip
        drawing.add(Rect(0, 0, w, h, strokeColor=Color(*INK), fillColor=None, strokeWidth=0.6))
        side = scale * wedges.size
        for k in np.flatnonzero(plates.plate == number):
            x, y = 0.5 * w + scale * plates.place[k, 0], 0.5 * h + scale * plates.place[k, 1]
            drawing.add(
                Rect(x - 0.5 * side, y - 0.5 * side, side, side, strokeColor=Color(*GREY),
                     fillColor=Color(0.95, 0.95, 0.95), strokeWidth=0.4)
            )  # fmt: skip
            drawing.add(
                String(x, y - 2.0, wedges.label[k], fontName=PLAIN, fontSize=min(7.0, 0.4 * side),
                       fillColor=Color(*INK), textAnchor="middle")
            )  # fmt: skip
        cells.append(drawing)
    cells += [""] * (-len(cells) % across)
    rows = [cells[k : k + across] for k in range(0, len(cells), across)]
    return [Table(rows, colWidths=[room / across] * across, hAlign="LEFT"), Spacer(1, 2)]
