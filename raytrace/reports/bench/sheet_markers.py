"""The target card's markers, and facets' tags to cut out: what a camera reads.

They are drawn as squares, from `raytrace.camera.card`, which is also what reads them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.camera.card import MARKER, QUIET, as_printed, marker_boxes
from raytrace.camera.marker_bits import MODULES, marker_modules
from raytrace.reports.bench.sheet_labels import TextBoxes
from raytrace.reports.bench.sheet_tiles import LEFT, RIGHT, fit
from raytrace.reports.common.paper import BOLD, GREY, INK, PLAIN, POINTS, footer

if TYPE_CHECKING:
    from raytrace.camera.card import CardLayout

__all__ = ["draw_markers", "tag_pages"]

MM = 1e3
WORDS = 9.0  # of a tag, below its marker [mm]
TOP = 36.0  # of a page of tags, above the first row [mm]
FOOT = 24.0  # below the last [mm]
BLACK, WHITE = (0.0, 0.0, 0.0), (1.0, 1.0, 1.0)


def draw_markers(canvas: Any, layout: CardLayout) -> None:
    """Draw a card's markers, each on white.

    Parameters
    ----------
    canvas : Canvas or TextBoxes
        Its unit set to 1 mm, its origin to the card's middle.
    layout : CardLayout
    """
    boxes = MM * marker_boxes(layout)
    if isinstance(canvas, TextBoxes):
        # no words over them either
        canvas.boxes += [(x0, y0, x1, y1) for x0, y0, x1, y1 in boxes.tolist()]
        return
    for x0, y0, x1, y1 in boxes:
        canvas.setFillColorRGB(*WHITE)
        canvas.rect(float(x0), float(y0), float(x1 - x0), float(y1 - y0), stroke=0, fill=1)
    for number, corners in zip(layout.number, MM * as_printed(layout.corners), strict=True):
        x, y = corners.min(axis=0)
        _marker(canvas, int(number), float(x), float(y), MM * MARKER)


def tag_pages(
    canvas: Any, layout: CardLayout, paper: tuple[float, float], name: str, *, inches: bool
) -> None:
    """Draw the facets' tags, to cut out.

    Parameters
    ----------
    canvas : Canvas
    layout : CardLayout
    paper : (float, float)
        Width and height. [mm]
    name : str
        Of the drawing, for the foot.
    inches : bool
        Draw 4 inches at the foot too.
    """
    width, height = paper
    side, quiet = MM * MARKER, MM * QUIET
    wide, high = side + 2.0 * quiet, side + 2.0 * quiet + WORDS
    columns = int((width - LEFT - RIGHT) // wide)
    rows = int((height - TOP - FOOT) // high)
    tags = list(layout.tags.items())
    for first in range(0, len(tags), columns * rows):
        canvas.setPageSize((width * POINTS, height * POINTS))
        canvas.saveState()
        canvas.scale(POINTS, POINTS)
        canvas.setFillColorRGB(*INK)
        canvas.setFont(BOLD, 5.0)
        canvas.drawString(LEFT, height - 16.0, "Facets' tags to cut out")
        canvas.setFont(PLAIN, 3.0)
        for k, line in enumerate(
            (
                "Lay a facet's tag into the picture of its spot, in the card's plane or near it, "
                "where it hides nothing of the card:",
                "then its file may have any name. Or leave them out, and name each picture after "
                "its facet.",
            )
        ):
            canvas.drawString(LEFT, height - 22.0 - 4.0 * k, line)
        for k, (label, number) in enumerate(tags[first : first + columns * rows]):
            row, column = divmod(k, columns)
            x, y = LEFT + column * wide, height - TOP - (row + 1) * high
            canvas.setStrokeColorRGB(*GREY)
            canvas.setLineWidth(0.1)
            canvas.rect(x, y, wide, high)
            _marker(canvas, number, x + quiet, y + WORDS + quiet, side)
            canvas.setFillColorRGB(*INK)
            canvas.setFont(BOLD, 5.0)
            canvas.drawCentredString(
                x + 0.5 * wide, y + 0.3 * WORDS, fit(label, BOLD, 5.0, wide - 3.0)
            )
        canvas.restoreState()
        last = min(first + columns * rows, len(tags)) - 1
        footer(canvas, width, name, f"tags {tags[first][0]} to {tags[last][0]}", inches)
        canvas.showPage()


def _marker(canvas: Any, number: int, x: float, y: float, side: float) -> None:
    """Draw a marker with its lower left corner at a place: black, and its white modules on it."""
    cell = side / MODULES
    canvas.setFillColorRGB(*BLACK)
    canvas.rect(x, y, side, side, stroke=0, fill=1)
    canvas.setFillColorRGB(*WHITE)
    path = canvas.beginPath()
    for row, column in np.argwhere(~marker_modules(number)).tolist():
        path.rect(x + column * cell, y + side - (row + 1) * cell, cell, cell)
    canvas.drawPath(path, stroke=0, fill=1)
