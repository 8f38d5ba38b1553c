"""What all PDF pages to build from share: fonts, paper, the footer with its scale check.

Coordinates are in millimetres from the lower left corner of the paper, drawn at 1:1.
"""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape as escape_markup

from raytrace.texts import one_line

__all__ = [
    "BOLD",
    "FAINT",
    "GREY",
    "INK",
    "PAPERS",
    "PLAIN",
    "POINTS",
    "canvas_class",
    "escape",
    "footer",
    "new_canvas",
    "register_fonts",
    "text_width",
]

PLAIN, BOLD = "SheetSans", "SheetSans-Bold"
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # [mm]; ISO 216, ANSI/ASME Y14.1
POINTS = 72.0 / 25.4  # in a millimetre
INK, GREY, FAINT = (0.1, 0.1, 0.1), (0.42, 0.42, 0.42), (0.7, 0.7, 0.7)
CHECK = 100.0  # length of the scale check [mm]


@lru_cache(maxsize=1)
def register_fonts() -> None:
    """Make the fonts known that come with matplotlib; they have Greek, Cyrillic and arrows."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdfmetrics.registerFont(TTFont(PLAIN, str(folder / "DejaVuSans.ttf")))
    pdfmetrics.registerFont(TTFont(BOLD, str(folder / "DejaVuSans-Bold.ttf")))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)


def text_width(text: str, font: str, size: float) -> float:
    """How wide a text is.

    Parameters
    ----------
    text : str
    font : str
        `PLAIN` or `BOLD`.
    size : float

    Returns
    -------
    float
        In the unit of `size`.
    """
    from reportlab.pdfbase.pdfmetrics import stringWidth

    register_fonts()
    return float(stringWidth(text, font, size))


def escape(text: str) -> str:
    """Text as a paragraph takes it: nothing in it is markup.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    return escape_markup(one_line(text))


@lru_cache(maxsize=1)
def canvas_class() -> Any:
    """Canvas on which what is named is shown, never obeyed."""
    from reportlab.pdfgen.canvas import Canvas

    class Plain(Canvas):  # type: ignore[misc]
        def drawString(self, x: float, y: float, text: str, *more: Any, **named: Any) -> None:
            super().drawString(x, y, one_line(text), *more, **named)

        def drawRightString(self, x: float, y: float, text: str, *more: Any, **named: Any) -> None:
            super().drawRightString(x, y, one_line(text), *more, **named)

        def drawCentredString(
            self, x: float, y: float, text: str, *more: Any, **named: Any
        ) -> None:
            super().drawCentredString(x, y, one_line(text), *more, **named)

    return Plain


def new_canvas(file: io.BytesIO, title: str) -> Any:
    """Canvas without a date inside, so that the same sheet gives the same bytes.

    Parameters
    ----------
    file : BytesIO
    title : str

    Returns
    -------
    Canvas
    """
    register_fonts()
    canvas = canvas_class()(file, invariant=1, pageCompression=1)
    canvas.setTitle(one_line(title))
    canvas.setCreator("cooker-raytrace")
    # scaling to fit is what a viewer does unasked, and what a template can't bear
    canvas.setViewerPreference("PrintScaling", "None")
    return canvas


def footer(canvas: Any, width: float, left: str, right: str, inches: bool) -> None:
    """Scale check and names at the foot of a page.

    Parameters
    ----------
    canvas : reportlab canvas
        In points.
    width : float
        Of the page. [mm]
    left, right : str
        What the page is, and which.
    inches : bool
        Draw 4 inches too.
    """
    x, y = 14.0, 14.0
    canvas.saveState()
    canvas.scale(POINTS, POINTS)
    canvas.setStrokeColorRGB(*INK)
    canvas.setFillColorRGB(*INK)
    canvas.setLineWidth(0.2)
    canvas.line(x, y, x + CHECK, y)
    for k in range(11):
        reach = 2.0 if k % 5 == 0 else 1.0
        canvas.line(x + 10.0 * k, y, x + 10.0 * k, y + reach)
    canvas.setFont(PLAIN, 2.5)
    tail = "" if inches else ": measure it. If it is not, print again at 100 %, without fitting."
    canvas.drawString(x, y + 3.0, f"100 mm{tail}")
    if inches:
        canvas.line(x, y - 2.5, x + 101.6, y - 2.5)
        for k in range(5):
            canvas.line(x + 25.4 * k, y - 2.5, x + 25.4 * k, y - 1.0)
        canvas.drawString(
            x + 103.5, y - 3.0, "4 in: measure it. If it is not, print again at 100 %."
        )
    canvas.setFillColorRGB(*GREY)
    canvas.drawString(x, 6.0, left)
    canvas.drawRightString(width - 10.0, 6.0, right)
    canvas.restoreState()
