"""1:1 template of the platform, tiled over sheets of paper that overlap."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError
from raytrace.reports.bench.sheet_board import draw_board, outline, polygon
from raytrace.reports.common.lengths import Rule
from raytrace.reports.common.paper import (
    BOLD,
    FAINT,
    GREY,
    INK,
    PAPERS,
    PLAIN,
    POINTS,
    footer,
    new_canvas,
)

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.sheet import Sheet, Wedges

__all__ = ["OVERLAP", "PLOTTER", "Tiles", "lay_tiles", "template_pdf"]

Array = NDArray[np.float64]

MM = 1e3
LEFT, RIGHT, TOP, BOTTOM = 16.0, 8.0, 8.0, 24.0  # margins [mm]
PLOTTER = "plotter"
OVERLAP = 15.0  # of neighbouring sheets [mm]
MOST_SHEETS = 500
EDGE = 2.0  # of paper beyond the platform's edge, so that its line is seen [mm]
BLUE = (0.0, 0.35, 0.6)


@dataclass(frozen=True, eq=False)
class Tiles:
    """How the platform is cut into sheets, all in mm.

    Attributes
    ----------
    paper : tuple of float
        Width and height of a sheet.
    window : tuple of float
        Width and height of what is drawn on it.
    x, y : ndarray
        Left edges of the columns, left to right, and lower edges of the rows, from the sun's side
        down; platform axes.
    """

    paper: tuple[float, float]
    window: tuple[float, float]
    x: Array
    y: Array

    def __len__(self) -> int:
        return len(self.x) * len(self.y)

    def number(self, column: int, row: int) -> int:
        """Sheet's number, from 1, row by row.

        Parameters
        ----------
        column, row : int
            From 0.

        Returns
        -------
        int
        """
        return row * len(self.x) + column + 1


def lay_tiles(extent: Array, paper: str) -> Tiles:
    """Cut the platform into as few sheets as serve, upright or across.

    Parameters
    ----------
    extent : ndarray, shape (4,)
        x_min, x_max, y_min, y_max. [m]
    paper : str
        Key of `raytrace.reports.common.paper.PAPERS`, or `PLOTTER`: one sheet as large as the
        platform.

    Returns
    -------
    Tiles

    Raises
    ------
    GeometryError
        If that takes more sheets than anybody sticks together.
    """
    x0, x1, y0, y1 = MM * np.asarray(extent)
    if paper == PLOTTER:
        window = x1 - x0 + 2.0 * EDGE, max(y1 - y0 + 2.0 * EDGE, 110.0)
        size = max(window[0] + LEFT + RIGHT, 200.0), window[1] + TOP + BOTTOM
        window = size[0] - LEFT - RIGHT, window[1]
        return Tiles(size, window, _starts(x0, x1, window[0]), _starts(y0, y1, window[1]))
    short, long = PAPERS[paper]
    best = None
    for size in ((short, long), (long, short)):
        window = size[0] - LEFT - RIGHT, size[1] - TOP - BOTTOM
        x = _starts(x0, x1, window[0])
        y = _starts(y0, y1, window[1])[::-1]
        if best is None or len(x) * len(y) < len(best):
            best = Tiles(size, window, x, y)
    assert best is not None
    if len(best) > MOST_SHEETS:
        raise GeometryError(
            f"the platform measures {1e-3 * (x1 - x0):.1f} by {1e-3 * (y1 - y0):.1f} m, so that "
            f"its template takes {len(best)} sheets of paper; {MOST_SHEETS} are the most. Check "
            "facets.pitch_x and facets.pitch_y; or draw it on one sheet with --paper plotter, or "
            "not at all with --no-pdf"
        )
    return best


def _starts(low: float, high: float, window: float) -> Array:
    """Lower ends of windows that cover a stretch, spread evenly about its middle."""
    length = high - low + 2.0 * EDGE
    # a hair less, so that a window made to measure is one
    count = max(1, math.ceil((length - OVERLAP) / (window - OVERLAP) - 1e-9))
    covered = count * window - (count - 1) * OVERLAP
    first = 0.5 * (low + high) - 0.5 * covered
    return np.asarray(first + (window - OVERLAP) * np.arange(count), dtype=np.float64)


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
    for row in range(len(tiles.y)):
        for column in range(len(tiles.x)):
            _tile_page(canvas, scenario, sheet, tiles, column, row, rule, wedges)
    canvas.save()
    return file.getvalue()


def _arrow_up(canvas: Any, x: float, y: float, length: float) -> None:
    """Arrow to the sun, which is up the page on every page."""
    canvas.setLineWidth(0.5)
    canvas.line(x, y, x, y + length - 2.0)
    polygon(
        canvas,
        np.array([[x, y + length], [x - 1.3, y + length - 3.0], [x + 1.3, y + length - 3.0]]),
        fill=1,
    )


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
    canvas.drawString(LEFT, height - 17.0, _fit(scenario.title, BOLD, 5.5, width - LEFT - RIGHT))
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
    _arrow_up(canvas, width - RIGHT - 6.0, top - 22.0, 14.0)
    canvas.setFont(PLAIN, 2.6)
    canvas.drawCentredString(width - RIGHT - 6.0, top - 4.5, "to the sun")
    canvas.restoreState()
    footer(canvas, width, _name(scenario), "plan of the sheets", rule.unit == "in")
    canvas.showPage()


def _instructions(tiles: Tiles) -> list[str]:
    steps = [
        ("Print at 100 %, actual size. Measure both scale bars of each sheet, along and across.",),
        (
            f"Each sheet overlaps its neighbours by {OVERLAP:.0f} mm. Cut one of two neighbours at "
            "its frame and lay it over",
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


def _tile_page(
    canvas: Any,
    scenario: Scenario,
    sheet: Sheet,
    tiles: Tiles,
    column: int,
    row: int,
    rule: Rule,
    wedges: Wedges | None,
) -> None:
    width, height = tiles.paper
    w, h = tiles.window
    x, y = float(tiles.x[column]), float(tiles.y[row])
    canvas.setPageSize((width * POINTS, height * POINTS))
    canvas.saveState()
    canvas.scale(POINTS, POINTS)
    canvas.setStrokeColorRGB(*GREY)
    canvas.setLineWidth(0.1)
    canvas.rect(LEFT, BOTTOM, w, h)
    clip = canvas.beginPath()
    clip.rect(LEFT, BOTTOM, w, h)
    canvas.clipPath(clip, stroke=0, fill=0)
    canvas.translate(LEFT - x, BOTTOM - y)
    draw_board(canvas, sheet, (x, y, x + w, y + h), rule, wedges)
    _overlap_marks(canvas, tiles, column, row)
    canvas.restoreState()

    canvas.saveState()
    canvas.scale(POINTS, POINTS)
    canvas.setStrokeColorRGB(*INK)
    canvas.setFillColorRGB(*INK)
    canvas.setLineWidth(0.2)
    canvas.line(11.0, BOTTOM, 11.0, BOTTOM + 100.0)
    for k in range(11):
        canvas.line(11.0, BOTTOM + 10.0 * k, 11.0 + (2.0 if k % 5 == 0 else 1.0), BOTTOM + 10.0 * k)
    canvas.setFont(PLAIN, 2.5)
    canvas.saveState()
    canvas.translate(10.0, BOTTOM + 42.0)
    canvas.rotate(90.0)
    canvas.drawString(0.0, 0.0, "100 mm")
    canvas.restoreState()
    _arrow_up(canvas, width - 12.0, 10.0, 10.5)
    canvas.setFont(PLAIN, 2.6)
    canvas.drawRightString(width - 15.0, 14.5, "to the sun")
    canvas.restoreState()
    name = f"sheet {tiles.number(column, row)} of {len(tiles)}"
    place = f"column {column + 1}, row {row + 1} from the sun's side"
    footer(canvas, width, _name(scenario), f"{name}: {place}", rule.unit == "in")
    canvas.showPage()


def _overlap_marks(canvas: Any, tiles: Tiles, column: int, row: int) -> None:
    """Where neighbours begin, and ringed crosses that both sheets have at the same places."""
    w, h = tiles.window
    x, y = float(tiles.x[column]), float(tiles.y[row])
    canvas.setStrokeColorRGB(*BLUE)
    canvas.setFillColorRGB(*BLUE)
    canvas.setLineWidth(0.15)
    for step in (-1, 1):
        if 0 <= column + step < len(tiles.x):
            band = x + w - 0.5 * OVERLAP if step > 0 else x + 0.5 * OVERLAP
            edge = x + w - OVERLAP if step > 0 else x + OVERLAP
            _dashed(canvas, edge, y, edge, y + h)
            for share in (0.3, 0.7):
                _ringed(canvas, band, y + share * h)
            canvas.saveState()
            canvas.translate(band + 1.0, y + 0.5 * h)
            canvas.rotate(90.0)
            canvas.setFont(PLAIN, 2.6)
            canvas.drawCentredString(0, 0, f"overlap with sheet {tiles.number(column + step, row)}")
            canvas.restoreState()
        if 0 <= row + step < len(tiles.y):
            # rows run down the page
            band = y + 0.5 * OVERLAP if step > 0 else y + h - 0.5 * OVERLAP
            edge = y + OVERLAP if step > 0 else y + h - OVERLAP
            _dashed(canvas, x, edge, x + w, edge)
            for share in (0.3, 0.7):
                _ringed(canvas, x + share * w, band)
            canvas.setFont(PLAIN, 2.6)
            canvas.drawCentredString(
                x + 0.5 * w, band - 1.0, f"overlap with sheet {tiles.number(column, row + step)}"
            )


def _dashed(canvas: Any, x0: float, y0: float, x1: float, y1: float) -> None:
    canvas.setDash([1.5, 1.5])
    canvas.line(x0, y0, x1, y1)
    canvas.setDash()


def _ringed(canvas: Any, x: float, y: float) -> None:
    canvas.circle(x, y, 2.0)
    canvas.line(x - 3.0, y - 3.0, x + 3.0, y + 3.0)
    canvas.line(x - 3.0, y + 3.0, x + 3.0, y - 3.0)


def _name(scenario: Scenario) -> str:
    return f"{scenario.source} · template 1:1"


def _fit(text: str, font: str, size: float, room: float) -> str:
    """Text cut to a width, so that a long title stays on the page."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    while len(text) > 1 and stringWidth(text, font, size) > room:
        text = text.rstrip("…")[:-1].rstrip() + "…"
    return text
