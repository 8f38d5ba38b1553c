"""Target card at 1:1: what is held where the pot's base will be, to see the laser's spots on.

It is drawn as whoever sets a facet sees it: from below, the sun's side up, so that the platform's
right is on the left. Millimetres from the middle of the pot's base. Markers in its corners tell a
camera how it was held; facets' tags, on pages of their own, whose spot it is.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.camera.card import as_printed, card_layout, marker_boxes
from raytrace.reports.bench.photo import CAMERA, PHOTO_STEPS
from raytrace.reports.bench.sheet_labels import Labels, around
from raytrace.reports.bench.sheet_markers import draw_markers, tag_pages
from raytrace.reports.bench.sheet_tiles import LEFT, RIGHT, Tiles, lay_tiles, tile_page
from raytrace.reports.common.lengths import Rule, degrees
from raytrace.reports.common.paper import (
    BOLD,
    FAINT,
    GREY,
    INK,
    PAPERS,
    PLAIN,
    POINTS,
    escape,
    footer,
    new_canvas,
)

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.sheet import Sheet
    from raytrace.studies.bench.target_rings import Rings

__all__ = ["card_pdf", "card_words", "ring_names"]

Whole = NDArray[np.int64]

MM = 1e3
NAMES = {0: (), 1: ("only",), 2: ("small", "large"), 3: ("small", "middle", "large")}
DASHES = (), (7.0, 2.0), (2.5, 1.5)  # of rings by size; no colours: a camera looks for a laser's
FEW = 6  # marks, about each of which rings are drawn; of more, rings are cut out
CROSS = 2.0  # half a mark's cross [mm]
LETTERS, SMALL = 3.2, 2.3  # [mm]


def ring_names(rings: Rings) -> tuple[str, ...]:
    """Names of the rings, in no letters, which facets have.

    Parameters
    ----------
    rings : Rings

    Returns
    -------
    tuple of str
    """
    return NAMES[len(rings.radius)]


def card_words(sheet: Sheet, rule: Rule) -> list[str]:
    """What the card's rings stand for, the answer first.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule

    Returns
    -------
    list of str
    """
    rings = sheet.rings
    if rings is None:
        return [
            "No rings: nothing reaches the pot's base at the sun that the facets are set for, or "
            "light runs along its plane. `cooker tolerance` says more."
        ]
    within = [
        f"{rule.coarse_text(r)} {rule.unit}"
        + (
            f" for the {np.sum(rings.ring == k)} of the {name} ring"
            if len(rings.radius) > 1
            else ""
        )
        for k, (r, name) in enumerate(zip(rings.radius, ring_names(rings), strict=True))
    ]
    during = (
        f"over the {rings.drift / 60.0:.0f} min from one turning of the platform to the next"
        if rings.drift
        else "with the platform turned to it"
    )
    altitudes = " or ".join(f"{degrees(a)}°" for a in sheet.laser.altitude)
    return [
        f"Good enough: a spot no further off its facet's mark than {', '.join(within)}. Set a "
        "facet again whose spot lies outside.",
        f"What that is from: with its spot anywhere in its ring, every place equally likely, a "
        f"facet keeps {100.0 * rings.keep:.0f} % or more of the light that it would bring exactly "
        f"set. That holds for the sun that facets are set for ({altitudes} above the platform), "
        f"{during}, all other errors being the scenario's. So set, {len(sheet.ways.order)} facets "
        f"together keep {100.0 * rings.kept:.0f} % on average, and {100.0 * rings.tenth:.0f} % or "
        "more nine times in ten, in builds that the rings are not from. Where the sun stands so "
        "much higher or lower that much of the light is lost anyway, the share is another.",
    ]


def card_pdf(scenario: Scenario, sheet: Sheet, rule: Rule, *, paper: str = "a4") -> bytes:
    """Draw the target card: how to use it, then the card on as many sheets as it takes.

    Parameters
    ----------
    scenario : Scenario
    sheet : Sheet
    rule : Rule
    paper : str
        Key of `raytrace.reports.common.paper.PAPERS`, or "plotter": the card on one sheet.

    Returns
    -------
    pdf : bytes
    """
    card = _Card(sheet, rule)
    half = card.layout.half
    tiles = lay_tiles(np.array([-half, half, -half, half]), paper)
    file = io.BytesIO()
    canvas = new_canvas(file, f"{scenario.title}: target card")
    inches, name = rule.unit == "in", f"{scenario.source} · target card 1:1"
    _words_pages(canvas, card, tiles, scenario, PAPERS.get(paper, PAPERS["a4"]), name)
    for row in range(len(tiles.y)):
        for column in range(len(tiles.x)):
            tile_page(canvas, tiles, column, row, card.draw, name=name, inches=inches, ink=GREY)
    if card.rings is not None and not card.rings_drawn:
        _cut_out_page(canvas, card, PAPERS.get(paper, PAPERS["a4"]), name)
    tag_pages(canvas, card.layout, PAPERS.get(paper, PAPERS["a4"]), name, inches=inches)
    canvas.save()
    return file.getvalue()


class _Card:
    """What is drawn on the card, laid out once for all its sheets."""

    def __init__(self, sheet: Sheet, rule: Rule) -> None:
        self.sheet, self.rule, self.rings = sheet, rule, sheet.rings
        self.R = MM * float(sheet.cooker.pot.R)
        if self.rings is None:
            self.place, self.used = np.zeros((0, 2)), np.zeros(0, dtype=np.bool_)
        else:
            self.place = as_printed(MM * self.rings.place)
            present = self.rings.at[sheet.cooker.facets.present]
            self.used = np.bincount(present, minlength=len(self.place)) > 0
        self.rings_drawn = self.rings is not None and len(self.place) <= FEW
        reach = np.abs(self.place).max(initial=0.0)
        if self.rings is not None and self.rings_drawn:
            reach += MM * self.rings.radius.max(initial=0.0)
        facets = sheet.cooker.facets
        self.layout = card_layout(max(self.R, float(reach)) / MM, facets.label)
        self.half, self.clear = MM * self.layout.half, MM * self.layout.clear
        self.labels = self._labels()

    def facets(self, place: int | None = None, ring: int | None = None) -> Whole:
        """Facets of a mark, or of a ring, that are there."""
        rings = self.rings
        assert rings is not None
        wanted = self.sheet.cooker.facets.present.copy()
        if place is not None:
            wanted &= rings.at == place
        if ring is not None:
            wanted &= rings.ring == ring
        return np.flatnonzero(wanted)

    def names(self, facets: Whole) -> str:
        """Their names, those in a row by the first and the last."""
        label = self.sheet.cooker.facets.label
        runs = np.split(facets, np.flatnonzero(np.diff(facets) > 1) + 1)
        return ", ".join(
            f"{label[run[0]]} to {label[run[-1]]}"
            if len(run) > 2
            else ", ".join(label[f] for f in run)
            for run in runs
        )

    def mark_name(self, place: int) -> str:
        """How a mark is named on the card: by its facet, or by a number where there are few."""
        return f"mark {place + 1}" if self.rings_drawn else self.names(self.facets(place))

    def _labels(self) -> list[tuple[tuple[float, float, float], Any]]:
        labels, out = Labels(), []

        def put(*args: Any, colour: Any = INK, **named: Any) -> None:
            if labels.put(*args, **named):
                out.append((colour, labels.placed[-1]))

        h = self.half
        for box in MM * marker_boxes(self.layout):
            labels.keep_free(*map(float, box))
        put("to the sun", [(0.0, h - 4.0)], LETTERS, font=BOLD)
        put("print side down, toward the mirrors", [(0.0, 4.5 - h)], LETTERS, font=BOLD)
        put("platform's right", [(12.0 - h + 4.0, 4.0)], SMALL)
        put("platform's left", [(h - 12.0 - 4.0, 4.0)], SMALL)
        for x, y in self.place[self.used]:
            labels.keep_free(x - CROSS, y - CROSS, x + CROSS, y + CROSS)
        crowded = not self.rings_drawn
        if crowded:
            self._put_marks(put)
        rim = f"rim of the pot's base, {self.rule.coarse_text(2e-3 * self.R)} {self.rule.unit}"
        put(rim, _along(0.0, 0.0, self.R + 2.5, 270.0), SMALL)
        if self.rings is not None and self.rings_drawn:
            for p, (x, y) in enumerate(self.place):
                for k, radius in enumerate(MM * self.rings.radius):
                    if len(self.facets(p, k)):
                        name = ring_names(self.rings)[k]
                        if len(self.place) > 1:
                            name += f", mark {p + 1}"
                        put(name, _along(x, y, radius, 75.0), SMALL, font=BOLD)
            if len(self.place) > 1:
                self._put_marks(put)
        for r in np.arange(20.0, self.clear, 20.0):
            put(f"{r:.0f}", _along(0.0, 0.0, r, 225.0), SMALL, colour=GREY)
        for k in range(1, int(self.clear / 25.4) + 1):
            put(f"{k} in", _along(0.0, 0.0, 25.4 * k, 315.0), SMALL, colour=GREY)
        return out

    def _put_marks(self, put: Any) -> None:
        for p, (x, y) in enumerate(self.place):
            name = self.mark_name(p)
            if name:
                point = float(x), float(y)
                put(name, around(point, name, SMALL), SMALL, point=point, colour=INK)

    def draw(self, canvas: Any, window: object = None) -> None:
        """All of it; what lies off a sheet is clipped."""
        h = self.half
        canvas.setLineWidth(0.1)
        canvas.setStrokeColorRGB(*FAINT)
        for r in np.arange(10.0, self.clear + 1e-9, 10.0):
            canvas.circle(0.0, 0.0, r)
        canvas.setStrokeColorRGB(*GREY)
        canvas.setDash([0.6, 1.4])
        for k in range(1, int(self.clear / 25.4) + 1):
            canvas.circle(0.0, 0.0, 25.4 * k)
        canvas.setDash()
        canvas.setLineWidth(0.2)
        canvas.line(-h + 1.0, 0.0, h - 1.0, 0.0)
        canvas.line(0.0, -h + 7.5, 0.0, h - 7.0)
        canvas.setStrokeColorRGB(*INK)
        canvas.setLineWidth(0.3)
        canvas.circle(0.0, 0.0, self.R)
        if self.rings is not None and self.rings_drawn:
            for p, (x, y) in enumerate(self.place):
                for k, radius in enumerate(MM * self.rings.radius):
                    if len(self.facets(p, k)):
                        _ring(canvas, float(x), float(y), float(radius), k)
        canvas.setStrokeColorRGB(*INK)
        canvas.setLineWidth(0.25)
        for x, y in self.place[self.used]:
            canvas.line(x - CROSS, y, x + CROSS, y)
            canvas.line(x, y - CROSS, x, y + CROSS)
        for colour, label in self.labels:
            canvas.setFillColorRGB(*colour)
            canvas.setStrokeColorRGB(*colour)
            label.draw(canvas)
        draw_markers(canvas, self.layout)


def _along(x: float, y: float, radius: float, angle: float) -> list[tuple[float, float]]:
    """Places on a circle, those near an angle first. [mm, °]"""
    turns = [angle + side * step for step in range(0, 180, 4) for side in (1, -1)]
    return [
        (x + radius * float(np.cos(np.radians(t))), y + radius * float(np.sin(np.radians(t))))
        for t in turns
    ]


def _ring(canvas: Any, x: float, y: float, radius: float, k: int) -> None:
    canvas.setStrokeColorRGB(*INK)
    canvas.setLineWidth(0.8)
    canvas.setDash(list(DASHES[k]))
    canvas.circle(x, y, radius)
    canvas.setDash()


def _words_pages(
    canvas: Any,
    card: _Card,
    tiles: Tiles,
    scenario: Scenario,
    paper: tuple[float, float],
    name: str,
) -> None:
    """How to use the card, which ring is whose, and marks that are not the middle."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Frame, Paragraph

    width, height = paper
    body = ParagraphStyle("body", fontName=PLAIN, fontSize=9, leading=12.5, spaceAfter=5)
    head = ParagraphStyle("head", parent=body, fontName=BOLD, fontSize=15, leading=20)
    part = ParagraphStyle("part", parent=body, fontName=BOLD, fontSize=10.5, spaceBefore=6)

    def lines(texts: list[str]) -> list[Any]:
        return [Paragraph(escape(text), body) for text in texts]

    answer, *why = card_words(card.sheet, card.rule)
    story: list[Any] = [
        Paragraph(escape(scenario.title), head),
        *lines([f"Target card 1:1 for the pot's place; sheets: {len(tiles)}.", answer]),
        Paragraph("Use", part),
        *lines(_use(card, tiles)),
        Paragraph("Photograph", part),
        *lines([*PHOTO_STEPS, *_untagged(card), CAMERA]),
        *([Paragraph("Rings", part), *lines([*_who(card), *why])] if why else []),
    ]
    frame_of = (
        LEFT * POINTS, 24.0 * POINTS, (width - LEFT - RIGHT) * POINTS, (height - 34.0) * POINTS,
    )  # fmt: skip
    while story:
        canvas.setPageSize((width * POINTS, height * POINTS))
        Frame(*frame_of, 0, 0, 0, 0).addFromList(story, canvas)
        footer(canvas, width, name, "how to use it", card.rule.unit == "in")
        canvas.showPage()


def _untagged(card: _Card) -> list[str]:
    """That some facets have no tag, where there are more of them than markers."""
    labels, tags = card.sheet.cooker.facets.label, card.layout.tags
    left = [label for label in labels if label not in tags]
    if not left:
        return []
    return [f"There are no tags for {left[0]} to {left[-1]}: name their pictures."]


def _use(card: _Card, tiles: Tiles) -> list[str]:
    steps = [
        "Print at 100 %, actual size, and measure the scale bars of each sheet, along and across: "
        "100 mm.",
        "Cut sheets at their frames, lay them over each other until the ringed crosses meet, and "
        "stick them on stiff card.",
        "Hold it level where the pot's base will be, its rim on the base's place, print side "
        "down, the arrow to the sun's side. It is drawn as you see it from below, so the "
        "platform's right is on the left.",
        "Turn each facet until the laser's spot is on its mark. Write how far off it is, and to "
        "which side, into the bench sheet; or photograph it.",
        "Laser of class 2 (1 mW) at most. Look at the card from the side, and keep your eyes "
        "below the facets' reflections and out of the beam, also while you hold the card.",
    ]
    if len(tiles) == 1:
        steps[1] = "Cut the sheet at its frame and stick it on stiff card."
    if card.sheet.scenario.errors.miss_plane == "upright":
        steps.insert(
            4,
            "This scenario states its setting error on an upright card; rings and marks here are "
            "on the plane of the base.",
        )
    return [f"{k}. {step}" for k, step in enumerate(steps, 1)]


def _who(card: _Card) -> list[str]:
    """Facets of every ring, and of every mark that is not the middle."""
    rings, rule = card.rings, card.rule
    if rings is None:
        return []
    out = [
        f"The {ring_names(rings)[k]} ring, {rule.coarse_text(r)} {rule.unit}: "
        f"{card.names(card.facets(ring=k))}."
        for k, r in enumerate(rings.radius)
    ]
    without = card.facets(ring=-1)
    if len(without):
        out.append(f"No light of these reaches the base, so any place will do: "
                   f"{card.names(without)}.")  # fmt: skip
    if not card.rings_drawn:
        out.append(
            "Each facet has a mark of its own, a cross with its name. Cut out the rings of the "
            "last page and hold their middle on the mark: a spot on the disc is good enough."
        )
    elif len(rings.place) > 1 or np.hypot(*rings.place[0]) > 0.0:
        for p, (x, y) in enumerate(rings.place):
            out.append(
                f"Mark {p + 1}, x {rule.fine_text(x)}, y {rule.fine_text(y)} "
                f"{rule.unit} from the base's centre (platform's right, and toward the sun): "
                f"{card.names(card.facets(p))}."
            )
    return out


def _cut_out_page(canvas: Any, card: _Card, paper: tuple[float, float], name: str) -> None:
    """Discs to lay on marks: as many as there are rings."""
    assert card.rings is not None
    width, height = paper
    canvas.setPageSize((width * POINTS, height * POINTS))
    canvas.saveState()
    canvas.scale(POINTS, POINTS)
    top = height - 16.0
    canvas.setFillColorRGB(*INK)
    canvas.setFont(BOLD, 5.0)
    canvas.drawString(LEFT, top, "Discs to cut out")
    canvas.setFont(PLAIN, 3.0)
    canvas.drawString(LEFT, top - 6.0, "Middle on the facet's mark: a spot on the disc is good "
                      "enough.")  # fmt: skip
    x, y, low = LEFT, top - 12.0, top - 12.0
    for k, radius in enumerate(MM * card.rings.radius):
        r = float(radius)
        if x + 2.0 * r > width - RIGHT:
            x, y = LEFT, low - 4.0
        _ring(canvas, x + r, y - r, r, k)
        canvas.setStrokeColorRGB(*INK)
        canvas.setLineWidth(0.2)
        canvas.line(x + r - CROSS, y - r, x + r + CROSS, y - r)
        canvas.line(x + r, y - r - CROSS, x + r, y - r + CROSS)
        canvas.setFillColorRGB(*INK)
        canvas.setFont(BOLD, LETTERS)
        size = f"{card.rule.coarse_text(radius / MM)} {card.rule.unit}"
        canvas.drawCentredString(x + r, y - 0.6 * r, f"{ring_names(card.rings)[k]}, {size}")
        x, low = x + 2.0 * r + 6.0, min(low, y - 2.0 * r)
    canvas.restoreState()
    footer(canvas, width, name, "discs", card.rule.unit == "in")
    canvas.showPage()
