"""Sketches on the bench sheet: how the laser stands, and how the shadow gauge works."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.reports.common.lengths import degrees
from raytrace.reports.common.paper import GREY, INK, PLAIN

if TYPE_CHECKING:
    from raytrace.studies.bench.sheet import ShadowGauge, Sheet

__all__ = ["gauge_sketch", "laser_sketch"]


def _arrow(drawing: Any, x0: float, y0: float, x1: float, y1: float, width: float = 0.7) -> None:
    from reportlab.graphics.shapes import Line, Polygon
    from reportlab.lib.colors import Color

    ink = Color(*INK)
    along = np.array([x1 - x0, y1 - y0])
    along = along / np.linalg.norm(along)
    side = np.array([-along[1], along[0]])
    tip = np.array([x1, y1])
    a, b = tip - 6.0 * along + 2.2 * side, tip - 6.0 * along - 2.2 * side
    drawing.add(Line(x0, y0, *(tip - 5.0 * along), strokeColor=ink, strokeWidth=width))
    drawing.add(Polygon([*tip, *a, *b], fillColor=ink, strokeColor=None))


def _text(drawing: Any, x: float, y: float, words: str, anchor: str = "start") -> None:
    from reportlab.graphics.shapes import String
    from reportlab.lib.colors import Color

    drawing.add(
        String(x, y, words, fontName=PLAIN, fontSize=6.4, textAnchor=anchor, fillColor=Color(*INK))
    )


def _line(drawing: Any, *ends: float, dashed: bool = False) -> None:
    from reportlab.graphics.shapes import Line
    from reportlab.lib.colors import Color

    line = Line(*ends, strokeColor=Color(*INK), strokeWidth=0.7)
    if dashed:
        line.strokeDashArray = [2, 2]
        line.strokeColor = Color(*GREY)
    drawing.add(line)


def laser_sketch(sheet: Sheet) -> Any:
    """Laser, mirror and card from the platform's right side; the sun's side is to the right.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    Drawing
    """
    from reportlab.graphics.shapes import Drawing

    alpha = float(sheet.laser.altitude[0])
    pot = sheet.cooker.pot.base
    drawing = Drawing(175, 108)
    foot = np.array([80.0, 22.0])
    out = np.array([np.cos(alpha), np.sin(alpha)])
    reach = min(72.0 / max(out[0], 0.05), 74.0 / max(out[1], 0.05))
    laser = foot + reach * out
    _line(drawing, 8.0, 12.0, 168.0, 12.0)
    _line(drawing, foot[0] - 6.0, foot[1] - 2.0, foot[0] + 6.0, foot[1] + 2.0)
    _arrow(drawing, *laser, *foot)
    # the card's side is true, its distance isn't
    side = -48.0 if pot[1] < -1e-3 else (48.0 if pot[1] > 1e-3 else 0.0)
    card = np.array([foot[0] + side, 86.0])
    _arrow(drawing, *foot, *card)
    _line(drawing, card[0] - 12.0, card[1] + 1.0, card[0] + 12.0, card[1] + 1.0)
    _line(drawing, foot[0], foot[1], laser[0] + 4.0, foot[1], dashed=True)
    _line(drawing, laser[0], foot[1], laser[0], laser[1], dashed=True)
    _text(drawing, card[0], card[1] + 5.0, "card at the base", "middle")
    _text(drawing, min(laser[0] + 3.0, 150.0), laser[1] + 3.0, "laser")
    _text(drawing, foot[0] + 12.0, foot[1] + 2.5, f"{degrees(alpha, 1)}°")
    _text(drawing, 0.5 * (foot[0] + laser[0]), 14.5, "along the floor", "middle")
    _text(drawing, laser[0] + 2.0, 0.5 * (foot[1] + laser[1]), "height")
    _text(drawing, 168.0, 4.0, "sun's side →", "end")
    return drawing


def gauge_sketch(gauge: ShadowGauge) -> Any:
    """Upright and its shadow from the platform's right side.

    Parameters
    ----------
    gauge : ShadowGauge

    Returns
    -------
    Drawing
    """
    from reportlab.graphics.shapes import Drawing

    drawing = Drawing(175, 74)
    h = min(44.0, 118.0 * math.tan(gauge.altitude))
    shadow = h / math.tan(gauge.altitude)
    foot = 20.0 + shadow
    _line(drawing, 8.0, 12.0, 168.0, 12.0)
    _line(drawing, foot, 12.0, foot, 12.0 + h)
    back = min(22.0, (168.0 - foot) * math.tan(gauge.altitude))
    _arrow(drawing, foot + back / math.tan(gauge.altitude), 12.0 + h + back, foot - shadow, 12.0)
    _text(drawing, foot + 3.0, 12.0 + 0.4 * h, "upright")
    _text(drawing, foot - 0.5 * shadow, 3.5, "shadow", "middle")
    _text(drawing, 168.0, 3.5, "sun's side →", "end")
    return drawing
