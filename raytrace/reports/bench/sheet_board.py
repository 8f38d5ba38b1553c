"""What the template shows of the platform at 1:1: facets, mounts, heights, pot and posts.

Millimetres of the platform's axes, on a canvas whose origin is the platform's middle.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import DISC
from raytrace.reports.common.lengths import Rule, degrees
from raytrace.reports.common.paper import BOLD, GREY, INK, PLAIN

if TYPE_CHECKING:
    from raytrace.cooker.geometry import Cooker
    from raytrace.studies.bench.sheet import Sheet, Wedges

__all__ = ["draw_board", "outline", "polygon"]

Array = NDArray[np.float64]

MM = 1e3
CROSS = 6.0  # half a mount's crosshair [mm]
RED = (0.75, 0.25, 0.0)


def polygon(canvas: Any, corners: Array, fill: int = 0) -> None:
    """Draw a closed outline.

    Parameters
    ----------
    canvas : Canvas
    corners : ndarray, shape (k, 2) or (k, 3)
        Their first two coordinates are x and y. [mm]
    fill : int
        1 to fill it, 0 not to.
    """
    path = canvas.beginPath()
    path.moveTo(*corners[0, :2])
    for corner in corners[1:, :2]:
        path.lineTo(*corner)
    path.close()
    canvas.drawPath(path, stroke=1, fill=fill)


def draw_board(
    canvas: Any,
    sheet: Sheet,
    window: tuple[float, float, float, float],
    rule: Rule,
    wedges: Wedges | None,
) -> None:
    """What lies on the board, seen from above.

    Parameters
    ----------
    canvas : Canvas
        Its unit set to 1 mm, its origin to the platform's middle.
    sheet : Sheet
    window : (float, float, float, float)
        Part that is shown. [mm]
    rule : Rule
    wedges : Wedges or None
    """
    cooker = sheet.cooker
    x0, x1, y0, y1 = MM * cooker.extent
    canvas.setStrokeColorRGB(*GREY)
    canvas.setLineWidth(0.12)
    canvas.setDash([8.0, 1.5, 1.0, 1.5])
    canvas.line(0.0, y0, 0.0, y1)
    canvas.line(x0, 0.0, x1, 0.0)
    canvas.setDash()
    canvas.setStrokeColorRGB(*INK)
    canvas.setLineWidth(0.4)
    canvas.rect(x0, y0, x1 - x0, y1 - y0)
    _pot(canvas, cooker, window)
    if wedges is not None:
        canvas.setStrokeColorRGB(*RED)
        canvas.setLineWidth(0.2)
        canvas.setDash([2.0, 1.0])
        side = MM * wedges.size
        for px, py in MM * wedges.place:
            if _seen(window, px - side, py - side, px + side, py + side):
                canvas.rect(px - 0.5 * side, py - 0.5 * side, side, side)
        canvas.setDash()
    for f in range(len(cooker.facets)):
        corners = outline(cooker, f)
        if _seen(window, *corners[:, :2].min(0), *corners[:, :2].max(0)):
            _facet(canvas, sheet, f, corners, rule)


def outline(cooker: Cooker, f: int) -> Array:
    """Corners of a facet; of a round one points on its rim, not around it.

    Parameters
    ----------
    cooker : Cooker
    f : int
        Its row.

    Returns
    -------
    ndarray, shape (k, 3)
        [mm]
    """
    facets = cooker.facets
    corners = facets.corners(f)
    if facets.shape[f] == DISC:
        from_c = corners - facets.c[f]
        reach = np.linalg.norm(from_c, axis=1, keepdims=True)
        corners = facets.c[f] + from_c * (facets.half_u[f] / reach)
    return np.asarray(MM * corners)


def _seen(
    window: tuple[float, float, float, float], x0: float, y0: float, x1: float, y1: float
) -> bool:
    return x1 >= window[0] and x0 <= window[2] and y1 >= window[1] and y0 <= window[3]


def _pot(canvas: Any, cooker: Cooker, window: tuple[float, float, float, float]) -> None:
    """Pot's outline, where it stands over the platform, and its posts."""
    pot = cooker.pot
    x, y, R = (MM * float(k) for k in (pot.base[0], pot.base[1], pot.R))
    canvas.setStrokeColorRGB(*GREY)
    canvas.setFillColorRGB(*GREY)
    canvas.setLineWidth(0.2)
    canvas.setDash([4.0, 2.0])
    if _seen(window, x - R, y - R, x + R, y + R):
        canvas.circle(x, y, R)
        canvas.setFont(PLAIN, 3.0)
        canvas.drawCentredString(x, y + R - 5.0, "pot, above")
    canvas.setDash()
    for k, post in enumerate(pot.posts):
        ends = np.array([[a, b, 0.0] for a in post[[0, 3]] for b in post[[1, 4]]])
        ends = MM * (pot.base + ends @ pot.stand_frame)
        (px0, py0), (px1, py1) = ends[:, :2].min(0), ends[:, :2].max(0)
        if _seen(window, px0, py0, px1, py1):
            canvas.rect(px0, py0, px1 - px0, py1 - py0)
            canvas.setFont(PLAIN, 2.4)
            canvas.drawString(px1 + 1.0, py0, f"post {k + 1}")


def _facet(canvas: Any, sheet: Sheet, f: int, corners: Array, rule: Rule) -> None:
    facets = sheet.cooker.facets
    here = bool(facets.present[f])
    centre = MM * facets.c[f, :2]
    size = 2.0 * MM * float(min(facets.half_u[f], facets.half_v[f]))
    canvas.setStrokeColorRGB(*INK)
    canvas.setFillColorRGB(*INK)
    canvas.setLineWidth(0.25)
    if not here:
        canvas.setDash([3.0, 2.0])
    polygon(canvas, corners)
    canvas.setDash()

    mx, my = MM * facets.mount[f, :2]
    reach = min(CROSS, 0.12 * size)
    canvas.setLineWidth(0.15)
    canvas.line(mx - reach, my, mx + reach, my)
    canvas.line(mx, my - reach, mx, my + reach)
    canvas.circle(mx, my, 0.35 * reach)
    if np.isfinite(sheet.lean[f]):
        toward = np.array([np.sin(sheet.lean[f]), np.cos(sheet.lean[f])])
        side = np.array([toward[1], -toward[0]])
        start = np.array([mx, my]) + 1.15 * reach * toward
        tip = start + 0.11 * size * toward
        canvas.line(*start, *tip)
        head = 0.025 * size
        canvas.setFillColorRGB(*INK)
        polygon(
            canvas,
            np.array(
                [
                    tip,
                    tip - 2.0 * head * toward + head * side,
                    tip - 2.0 * head * toward - head * side,
                ]
            ),
            fill=1,
        )
    letters = min(6.0, 0.09 * size)
    canvas.setFont(BOLD, letters)
    y = centre[1] + 0.23 * size
    canvas.drawCentredString(centre[0], y, facets.label[f])
    canvas.setFont(PLAIN, 0.55 * letters)
    tilt = f"tilt {degrees(sheet.tilt[f])}°"
    words = f"{tilt}, set as no. {sheet.turn[f]}" if here else f"{tilt}, missing"
    canvas.drawCentredString(centre[0], centre[1] - 0.24 * size, words)
    _heights(canvas, sheet, f, size, rule)


def _heights(canvas: Any, sheet: Sheet, f: int, size: float, rule: Rule) -> None:
    """Height of each corner, a little inside of it."""
    facets = sheet.cooker.facets
    letters = min(2.6, 0.05 * size)
    canvas.setFont(PLAIN, letters)
    centre = MM * facets.c[f, :2]
    if sheet.corner_name[0] == "lowest rim":
        down = np.array([facets.n[f, 0], facets.n[f, 1]])
        length = np.linalg.norm(down)
        down = down / length if length > 0.0 else np.array([0.0, 1.0])
        corners = centre + 0.5 * size * np.stack([down * facets.n[f, 2], -down * facets.n[f, 2]])
        # the label and the tilt stand above and below the middle
        inset = 0.86
    else:
        by_name = {
            name: MM * facets.corners(f)[k, :2] for name, k in _corner_numbers(sheet).items()
        }
        corners = np.stack([by_name[name] for name in sheet.corner_name])
        inset = 0.82
    for corner, height in zip(corners, sheet.corner_height[f], strict=True):
        px, py = centre + inset * (corner - centre)
        canvas.drawCentredString(px, py - 0.36 * letters, rule.fine_text(height))


def _corner_numbers(sheet: Sheet) -> dict[str, int]:
    from raytrace.studies.bench.sheet import HEXAGON_CORNERS, RECTANGLE_CORNERS

    return HEXAGON_CORNERS if len(sheet.corner_name) == 6 else RECTANGLE_CORNERS
