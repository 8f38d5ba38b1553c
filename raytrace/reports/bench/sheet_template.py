"""1:1 template of the platform, tiled over sheets of paper that overlap."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.bench.sheet_board import draw_board, outline, polygon
from raytrace.reports.bench.sheet_tiles import (
    BLUE,
    BOTTOM,
    LEFT,
    OVERLAP,
    RIGHT,
    Tiles,
    arrow_up,
    fit,
    lay_tiles,
    tile_page,
)
from raytrace.reports.common.lengths import Rule
from raytrace.reports.common.paper import (
    BOLD,
    FAINT,
    INK,
    PAPERS,
    PLAIN,
    POINTS,
    footer,
    new_canvas,
)
from raytrace.reports.common.units import tape

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.sheet import Sheet, Wedges

__all__ = ["template_pdf"]

Array = NDArray[np.float64]

MM = 1e3


def template_pdf(
    scenario: Scenario,
    sheet: Sheet,
    rule: Rule,
    *,
    paper: str = "a4",
    wedges: Wedges | None = None,
) -> bytes:
    """Draw the template: a plan of the sheets, then the sheets.

    Parameters
    ----------
    scenario : Scenario
    sheet : Sheet
    rule : Rule
        Unit of the figures on it; the drawing is 1:1 in any.
    paper : str
    wedges : Wedges, optional
        Draw their feet too.

    Returns
    -------
    pdf : bytes
    """
    tiles = lay_tiles(sheet.cooker.span, paper)
    file = io.BytesIO()
    canvas = new_canvas(file, f"{scenario.title}: template")
    _plan_page(canvas, scenario, sheet, tiles, rule, PAPERS.get(paper, PAPERS["a4"]))

    def board(canvas: Any, window: tuple[float, float, float, float]) -> None:
        draw_board(canvas, sheet, window, rule, wedges)

    for row in range(len(tiles.y)):
        for column in range(len(tiles.x)):
            tile_page(
                canvas, tiles, column, row, board, name=_name(scenario), inches=rule.unit == "in"
            )
    canvas.save()
    return file.getvalue()


def _plan_page(
    canvas: Any,
    scenario: Scenario,
    sheet: Sheet,
    tiles: Tiles,
    rule: Rule,
    paper: tuple[float, float],
) -> None:
    width, height = paper
    canvas.setPageSize((width * POINTS, height * POINTS))
    canvas.saveState()
    canvas.scale(POINTS, POINTS)
    canvas.setFillColorRGB(*INK)
    canvas.setFont(BOLD, 5.5)
    canvas.drawString(LEFT, height - 17.0, fit(scenario.title, BOLD, 5.5, width - LEFT - RIGHT))
    canvas.setFont(PLAIN, 3.2)
    x0, x1, y0, y1 = sheet.cooker.extent
    canvas.drawString(
        LEFT,
        height - 23.5,
        f"Template 1:1 of the platform, {rule.coarse_text(x1 - x0)} × "
        f"{rule.coarse_text(y1 - y0)} {rule.unit}, seen from above; sheets: {len(tiles)}",
    )
    top = height - 32.0
    for k, line in enumerate(_instructions(tiles)):
        canvas.drawString(LEFT, top - 5.0 * k, line)
    top -= 5.0 * len(_instructions(tiles)) + 8.0
    room = width - LEFT - RIGHT - 14.0, top - BOTTOM - 6.0
    low = np.array([tiles.x.min(), tiles.y.min()])
    size = np.array([np.ptp(tiles.x), np.ptp(tiles.y)]) + tiles.window
    scale = min(room[0] / size[0], room[1] / size[1])
    left = LEFT + 0.5 * (room[0] - scale * size[0])
    canvas.translate(left, top - scale * size[1])
    canvas.scale(scale, scale)
    canvas.translate(-low[0], -low[1])
    _plan(canvas, sheet, tiles, scale)
    canvas.restoreState()
    canvas.saveState()
    canvas.scale(POINTS, POINTS)
    canvas.setFillColorRGB(*INK)
    canvas.setStrokeColorRGB(*INK)
    arrow_up(canvas, width - RIGHT - 6.0, top - 22.0, 14.0)
    canvas.setFont(PLAIN, 2.6)
    canvas.drawCentredString(width - RIGHT - 6.0, top - 4.5, "to the sun")
    canvas.restoreState()
    footer(canvas, width, _name(scenario), "plan of the sheets", rule.unit == "in")
    canvas.showPage()


def _instructions(tiles: Tiles) -> list[str]:
    steps = [
        ("Print at 100 %, actual size. Measure both scale bars of each sheet, along and across.",),
        (
            f"Each sheet overlaps its neighbours by {tape(1e-3 * OVERLAP)}. Cut one of two "
            "neighbours at its frame and lay it over",
            "the other until the ringed crosses of both meet; stick. Check a diagonal over all.",
        ),
        (
            "Turn the arrow to the platform's side that will face the sun. Prick through the "
            "middle of each",
            "mount's crosshair. Outlines are the mirrors' front faces at their tilt, seen from "
            "above.",
        ),
        (
            "The small figures in a facet's corners are heights of its front face above the "
            "platform's top;",
            "the arrow from the crosshair shows where the face leans to, which is its lowest side.",
        ),
    ]
    if len(tiles) == 1:
        del steps[1]
    lines = []
    for number, (first, *rest) in enumerate(steps, 1):
        lines += [f"{number}. {first}", *(f"    {line}" for line in rest)]
    return lines


def _plan(canvas: Any, sheet: Sheet, tiles: Tiles, scale: float) -> None:
    """Platform, facets and numbered sheets, in the platform's mm."""
    facets = sheet.cooker.facets
    x0, x1, y0, y1 = MM * sheet.cooker.extent
    canvas.setStrokeColorRGB(*FAINT)
    canvas.setLineWidth(0.15 / scale)
    for f in range(len(facets)):
        polygon(canvas, outline(sheet.cooker, f))
    canvas.setStrokeColorRGB(*INK)
    canvas.setLineWidth(0.4 / scale)
    canvas.rect(x0, y0, x1 - x0, y1 - y0)
    w, h = tiles.window
    canvas.setStrokeColorRGB(*BLUE)
    canvas.setFillColorRGB(*BLUE)
    canvas.setLineWidth(0.2 / scale)
    size = min(7.0 / scale, 0.3 * min(w, h))
    canvas.setFont(BOLD, size)
    for row, y in enumerate(tiles.y):
        for column, x in enumerate(tiles.x):
            canvas.rect(x, y, w, h)
            canvas.drawCentredString(
                x + 0.5 * w, y + 0.5 * h - 0.36 * size, str(tiles.number(column, row))
            )


def _name(scenario: Scenario) -> str:
    return f"{scenario.source} · template 1:1"
