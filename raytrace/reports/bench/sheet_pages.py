"""What the pages of a sheet to build from share: their frames, styles and plain tables."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from raytrace.reports.common.lengths import Rule
from raytrace.reports.common.paper import (
    BOLD,
    GREY,
    INK,
    PAPERS,
    PLAIN,
    POINTS,
    footer,
    register_fonts,
)
from raytrace.texts import one_line

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["FOOT", "MARGIN", "document", "grid", "styles"]

MARGIN, FOOT = 14.0, 21.0  # [mm]


def document(
    file: io.BytesIO, scenario: Scenario, rule: Rule, *, what: str, paper: str = "a4"
) -> Any:
    """Pages with a footer and a scale check, "upright" first, and "across".

    Parameters
    ----------
    file : BytesIO
        Written to when the document is built.
    scenario : Scenario
    rule : Rule
    what : str
        The pages' name.
    paper : str
        Key of `raytrace.reports.common.paper.PAPERS`.

    Returns
    -------
    reportlab.platypus.BaseDocTemplate
    """
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    register_fonts()
    width, height = PAPERS[paper]
    pages = BaseDocTemplate(
        file,
        title=one_line(f"{scenario.title}: {what}"),
        creator="cooker-raytrace",
        invariant=1,
        pageCompression=1,
    )

    def page(name: str, w: float, h: float) -> Any:
        frame = Frame(
            MARGIN * POINTS,
            FOOT * POINTS,
            (w - 2.0 * MARGIN) * POINTS,
            (h - FOOT - 10.0) * POINTS,
            leftPadding=0,
            rightPadding=0,
            topPadding=0,
            bottomPadding=0,
        )

        def foot(canvas: Any, _: Any) -> None:
            canvas.setViewerPreference("PrintScaling", "None")
            footer(
                canvas, w, f"{scenario.source} · {what}", f"page {canvas.getPageNumber()}",
                rule.unit == "in",
            )  # fmt: skip

        size = (w * POINTS, h * POINTS)
        return PageTemplate(name, [frame], onPage=foot, pagesize=size)

    pages.addPageTemplates([page("upright", width, height), page("across", height, width)])
    return pages


def styles() -> dict[str, Any]:
    """Styles of paragraphs, by name.

    Returns
    -------
    dict of str to ParagraphStyle
    """
    from reportlab.lib.colors import Color
    from reportlab.lib.styles import ParagraphStyle

    ink, grey = Color(*INK), Color(*GREY)
    body = ParagraphStyle("body", fontName=PLAIN, fontSize=7.8, leading=10.2, textColor=ink)
    return {
        "title": ParagraphStyle("title", fontName=BOLD, fontSize=15, leading=19, textColor=ink),
        "head": ParagraphStyle(
            "head", fontName=BOLD, fontSize=10.5, leading=14, spaceBefore=7, spaceAfter=2,
            textColor=ink,
        ),
        "body": body,
        "item": ParagraphStyle("item", parent=body, spaceAfter=2.5),
        "grey": ParagraphStyle("grey", parent=body, textColor=grey),
        "cell": ParagraphStyle("cell", parent=body, fontSize=6.6, leading=8),
    }  # fmt: skip


def grid(rows: list[list[Any]], **options: Any) -> Any:
    """Table with a line under its head.

    Parameters
    ----------
    rows : list of list
    **options
        As of `reportlab.platypus.Table`; `style` holds commands beyond the usual ones.

    Returns
    -------
    reportlab.platypus.Table
    """
    from reportlab.lib.colors import Color
    from reportlab.platypus import Table

    commands = options.pop("style", [])
    return Table(
        rows,
        hAlign="LEFT",
        style=[
            ("FONT", (0, 0), (-1, -1), PLAIN, 7.2),
            ("LEADING", (0, 0), (-1, -1), 8.6),
            ("ALIGN", (0, 0), (-1, -1), "RIGHT"),
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ("TOPPADDING", (0, 0), (-1, -1), 1.2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
            ("LEFTPADDING", (0, 0), (-1, -1), 4),
            ("RIGHTPADDING", (0, 0), (-1, -1), 4),
            ("LINEBELOW", (0, 0), (-1, 0), 0.6, Color(*INK)),
            *commands,
        ],
        **options,
    )
