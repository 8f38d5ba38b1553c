"""The array from above on one page: labels, lean, and the order of setting."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.cooker.geometry import DISC
from raytrace.reports.common.lengths import degrees
from raytrace.reports.common.paper import BOLD, GREY, INK, PLAIN

if TYPE_CHECKING:
    from raytrace.studies.bench.sheet import Sheet

__all__ = ["map_drawing"]

HEADROOM = 30.0  # points above the array
READABLE = 3.2  # points: smaller figures are left out


def map_drawing(sheet: Sheet, width: float, height: float) -> Any:
    """Draw the array to fit a page; sizes in points.

    Parameters
    ----------
    sheet : Sheet
    width, height : float
        Room there is. [pt]

    Returns
    -------
    drawing : reportlab Drawing
    """
    from reportlab.graphics.shapes import Drawing, Group, Line, Polygon, Rect, String
    from reportlab.lib.colors import Color

    ink, grey, white = Color(*INK), Color(*GREY), Color(1, 1, 1)
    facets = sheet.cooker.facets
    x0, x1, y0, y1 = (float(x) for x in sheet.cooker.span)
    left_edge, right_edge, near_edge, far_edge = (float(x) for x in sheet.cooker.extent)
    scale = min(width / (x1 - x0), (height - HEADROOM) / (y1 - y0))
    drawing = Drawing(width, height)
    left = 0.5 * (width - scale * (x1 - x0))
    bottom = height - HEADROOM - scale * (y1 - y0)

    def at(p: Any) -> tuple[float, float]:
        return left + scale * (float(p[0]) - x0), bottom + scale * (float(p[1]) - y0)

    def words(x: float, y: float, text: str, size: float, font: str = PLAIN) -> Any:
        return String(x, y, text, fontName=font, fontSize=size, fillColor=ink, textAnchor="middle")

    drawing.add(String(0, height - 14, "From above", fontName=BOLD, fontSize=10.5, fillColor=ink))
    drawing.add(
        String(
            0,
            height - 24,
            "in each facet its label, the way it leans (down), its tilt, and its number in the "
            "order of setting",
            fontName=PLAIN,
            fontSize=7.2,
            fillColor=grey,
        )
    )
    drawing.add(
        Rect(
            *at((left_edge, near_edge)), scale * (right_edge - left_edge),
            scale * (far_edge - near_edge), strokeColor=ink, fillColor=white, strokeWidth=0.8,
        )
    )  # fmt: skip
    tip = np.array([width - 8.0, height - 4.0])
    drawing.add(Line(tip[0], tip[1] - 20.0, *tip, strokeColor=ink, strokeWidth=1.2))
    drawing.add(
        Polygon(
            [*tip, tip[0] - 3.0, tip[1] - 8.0, tip[0] + 3.0, tip[1] - 8.0],
            fillColor=ink,
            strokeColor=None,
        )
    )
    drawing.add(String(tip[0] - 8.0, tip[1] - 14.0, "to the sun", fontName=PLAIN, fontSize=7.2,
                       fillColor=ink, textAnchor="end"))  # fmt: skip
    size = 2.0 * scale * float(np.minimum(facets.half_u, facets.half_v).min())
    letters = min(12.0, 0.24 * size, 2.2 * size / max(len(x) for x in facets.label))
    if facets.shape[0] == DISC:
        letters *= 0.8  # a disc has less room above and below
    small = 0.62 * letters
    for f in range(len(facets)):
        group = Group()
        here = bool(facets.present[f])
        corners = facets.corners(f)
        if facets.shape[f] == DISC:
            corners = corners[::2]
        outline = [c for corner in corners for c in at(corner)]
        shape = Polygon(outline, strokeColor=ink if here else grey, strokeWidth=0.4, fillColor=None)
        if not here:
            shape.strokeDashArray = [2, 2]
        group.add(shape)
        cx, cy = at(facets.c[f])
        group.add(words(cx, cy + 0.16 * size, facets.label[f], letters, BOLD))
        if np.isfinite(sheet.lean[f]):
            toward = np.array([np.sin(sheet.lean[f]), np.cos(sheet.lean[f])])
            side = np.array([toward[1], -toward[0]])
            middle = np.array([cx, cy]) + np.array([0.0, 0.02 * size])
            a, b = middle - 0.11 * size * toward, middle + 0.11 * size * toward
            neck = b - 0.09 * size * toward
            group.add(Line(*a, *neck, strokeColor=ink, strokeWidth=0.5))
            group.add(
                Polygon(
                    [*b, *(neck + 0.035 * size * side), *(neck - 0.035 * size * side)],
                    fillColor=ink,
                    strokeColor=None,
                )
            )
        if small >= READABLE:
            group.add(words(cx, cy - 0.23 * size, f"{degrees(sheet.tilt[f])}°", small))
            number = f"no. {sheet.turn[f]}" if here else "missing"
            group.add(words(cx, cy - 0.23 * size - 1.15 * small, number, small))
        drawing.add(group)
    return drawing
