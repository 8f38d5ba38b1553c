"""A kitchen calendar: one page to hang up."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

from raytrace.reports.common.cautions import KITCHEN
from raytrace.reports.common.paper import (
    BOLD,
    GREY,
    INK,
    PAPERS,
    PLAIN,
    POINTS,
    canvas_class,
    escape,
    register_fonts,
)
from raytrace.reports.cooking.calendar_words import CalendarRow, calendar_rows, half_once
from raytrace.reports.cooking.kitchen import contents_words, wanted_words
from raytrace.reports.cooking.season_words import too_long
from raytrace.studies.cooking.season_choice import cooking_goal, most_wait
from raytrace.texts import one_line

if TYPE_CHECKING:
    from raytrace.studies.cooking.season_data import Season

__all__ = ["calendar_pdf"]

MARGIN = 12.0  # [mm]
HARD = "\N{NO-BREAK SPACE}"
SCALES = [1.0 + 0.03 * k for k in range(40)]
SHARES = (0.12, 0.12, 0.185, 0.295, 0.195, 0.085)  # of the width, for each column


def calendar_pdf(season: Season, *, paper: str = "a4") -> bytes:
    """Draw the page.

    Parameters
    ----------
    season : Season
        With a calendar.
    paper : str
        Key of `raytrace.reports.common.paper.PAPERS`.

    Returns
    -------
    pdf : bytes
    """
    from reportlab.platypus import BaseDocTemplate, Frame, KeepInFrame, PageTemplate

    register_fonts()
    width, height = ((x - 2.0 * MARGIN) * POINTS for x in PAPERS[paper])
    file = io.BytesIO()
    document = BaseDocTemplate(
        file,
        title=one_line(f"{season.scenario.title}: kitchen calendar"),
        creator="cooker-raytrace",
        invariant=1,
        pageCompression=1,
        pagesize=tuple(x * POINTS for x in PAPERS[paper]),
    )
    place = (MARGIN * POINTS, MARGIN * POINTS, width, height)
    frame = Frame(*place, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
    document.addPageTemplates([PageTemplate("page", [frame])])
    # drawn larger than the paper and shrunk, so that tables are as wide as it all the same
    for scale in SCALES:
        story = _story(season, scale * width)
        used = sum(part.wrap(scale * width, 1e6)[1] for part in story)
        if used <= scale * height:
            break
    document.build([KeepInFrame(width, height, story, mode="shrink")], canvasmaker=canvas_class())
    return file.getvalue()


def _story(season: Season, room: float) -> list[Any]:
    from reportlab.platypus import Paragraph, Spacer

    style = _styles()
    scenario = season.scenario
    head = f"{contents_words(scenario)}, {'lid on' if scenario.kitchen.lid else 'no lid'}"
    return [
        Paragraph(escape(f"Kitchen calendar: {scenario.site.name}"), style["title"]),
        Paragraph(escape(f"{scenario.title}. {head}."), style["sub"]),
        Spacer(1, 4),
        *(Paragraph(escape(line), style["item"]) for line in _how(season)),
        Spacer(1, 5),
        _table(season, calendar_rows(season), style, room),
        Spacer(1, 7),
        _cautions(style, room),
        Spacer(1, 5),
        Paragraph(escape(_basis(season)), style["small"]),
    ]


def _styles() -> dict[str, Any]:
    from reportlab.lib.colors import Color
    from reportlab.lib.styles import ParagraphStyle

    ink, grey = Color(*INK), Color(*GREY)
    body = ParagraphStyle("body", fontName=PLAIN, fontSize=8.4, leading=10.6, textColor=ink)
    return {
        "title": ParagraphStyle("title", fontName=BOLD, fontSize=19, leading=24, textColor=ink),
        "sub": ParagraphStyle("sub", parent=body, fontSize=11, leading=14),
        "item": ParagraphStyle("item", parent=body, fontSize=9.4, leading=12.2),
        "body": body,
        "strong": ParagraphStyle("strong", parent=body, fontName=BOLD),
        "start": ParagraphStyle("start", parent=body, fontName=BOLD, fontSize=12, leading=13),
        "head": ParagraphStyle("head", parent=body, fontName=BOLD, fontSize=7.6, leading=9.4),
        "small": ParagraphStyle("small", parent=body, fontSize=6.4, leading=8, textColor=grey),
    }  # fmt: skip


def _how(season: Season) -> list[str]:
    """What to do, whatever the month."""
    habit, scenario = season.habit, season.scenario
    tilts = "Turn and tilt" if scenario.platform.tilt == "follow sun" else "Turn"
    if math.isinf(habit.every):
        turn = f"{tilts} the cooker to the sun when the pot goes on, and never again."
    elif habit.face == "ahead":
        turn = (
            f"{tilts} the cooker every {habit.every / 60.0:g} minutes, to where the sun will stand "
            f"{habit.lead / 60.0:g} minutes later."
        )
    else:
        turn = f"{tilts} the cooker to the sun when the pot goes on, and then every " + (
            f"{habit.every / 60.0:g} minutes."
        )
    hint = "Face the sun by the shadow, as you always do; the words only say whereabouts it stands."
    if scenario.site.landmarks:
        hint += " A fist is one at arm's length."
    return [turn, hint, "Starts outside the hours given take too long, or food stands lukewarm."]


def _table(season: Season, rows: list[CalendarRow], style: dict[str, Any], room: float) -> Any:
    from reportlab.lib.colors import Color
    from reportlab.platypus import Paragraph, Table

    days = "clear days" if season.clear else "days"
    heads = (
        *("", "Put it on", "Ready", "Turn it at, and whereabouts", "Starts that work, last one"),
        f"Holds, of ten {days}",
    )
    cells = [[Paragraph(escape(h), style["head"]) for h in heads]]
    looks: list[Any] = [
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, Color(*INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, Color(0.7, 0.7, 0.7)),
        ("TOPPADDING", (0, 0), (-1, -1), 2.2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.8),
        ("LEFTPADDING", (0, 0), (-1, -1), 3.5),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3.5),
    ]
    for n, row in enumerate(rows, start=1):
        name = Paragraph(escape(row.when), style["strong"])
        if row.never:
            words = Paragraph(escape(f"Not now: {row.never}."), style["body"])
            cells.append([name, words, "", "", "", ""])
            grey = Color(0.92, 0.92, 0.92)
            looks += [("SPAN", (1, n), (-1, n)), ("BACKGROUND", (0, n), (-1, n), grey)]
            continue
        starts = f"{_cell(half_once(row.window))}; <b>last {_cell(row.last)}</b>"
        cells.append(
            [
                name,
                Paragraph(_small_half(escape(row.start)), style["start"]),
                Paragraph(_cell(half_once(row.ready)), style["body"]),
                Paragraph(_cell(half_once(row.turn)), style["body"]),
                Paragraph(starts, style["body"]),
                Paragraph(str(row.often), style["strong"]),
            ]
        )
    return Table(cells, colWidths=[room * x for x in SHARES], style=looks, repeatRows=1)


def _small_half(start: str) -> str:
    """Start of a pot on one line, am or pm in smaller letters."""
    clock, _, half = start.partition(" ")
    return f'{clock}{HARD}<font size="8">{half}</font>' if half else clock


def _cell(words: str) -> str:
    """Words that keep am and pm by their clock time."""
    return escape(words).replace(" am", f"{HARD}am").replace(" pm", f"{HARD}pm")


def _cautions(style: dict[str, Any], room: float) -> Any:
    from reportlab.lib.colors import Color
    from reportlab.platypus import Paragraph, Table

    cells = [
        [Paragraph(escape(name), style["strong"]), Paragraph(escape(text), style["body"])]
        for name, text in KITCHEN
    ]
    return Table(
        cells,
        colWidths=[0.15 * room, 0.85 * room],
        style=[
            ("BOX", (0, 0), (-1, -1), 1.2, Color(0.75, 0.25, 0.0)),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
        ],
    )


def _basis(season: Season) -> str:
    """On what the page is based."""
    from raytrace.reports.common.times import lasting
    from raytrace.version import __version__

    scenario, advice = season.scenario, season.calendar
    assert advice is not None
    sky = (
        "Clear skies: clouds make it longer, or never."
        if season.clear
        else "Days of a typical year of weather; years differ more than these."
    )
    goal = cooking_goal(season)
    works = f"{'done' if goal == 'done' else 'boiling'} within {lasting(most_wait(season))}"
    food = ""
    if scenario.kitchen.food:
        works += f", its food never {too_long()}"
    if goal == "done":
        food = f" Done: {wanted_words(scenario)}."
    changed = f", with {'; '.join(scenario.overrides)}" if scenario.overrides else ""
    return (
        f"Computed, not measured: {scenario.source}{changed}, cooker-raytrace {__version__}, seed "
        f"{season.plan.seed}. {advice.draws} cookers built and used like this one, each on "
        f"{max(advice.dates)} dates of each period. Times are what 95 of 100 of those that work "
        "keep within, rounded up to five minutes, so that nine of ten of all do. A start works "
        "if the pot is "
        f"{works}.{food} Clock of {scenario.site.timezone}, "
        f"{season.dates[0]:%Y}; times after a start are for that start alone; for the last start "
        f"its own time stands in brackets. {sky}"
    )
