"""Drawings at 1:1 on sheets of paper that overlap: how they are cut, marked and stuck together."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError
from raytrace.reports.bench.sheet_board import polygon
from raytrace.reports.bench.sheet_labels import Labels, TextBoxes
from raytrace.reports.common.paper import GREY, INK, PAPERS, PLAIN, POINTS, footer, text_width

__all__ = [
    "BLUE",
    "BOTTOM",
    "LEFT",
    "OVERLAP",
    "PLOTTER",
    "RIGHT",
    "Tiles",
    "arrow_up",
    "fit",
    "lay_tiles",
    "tile_page",
]

Array = NDArray[np.float64]
Window = tuple[float, float, float, float]

MM = 1e3
LEFT, RIGHT, TOP, BOTTOM = 16.0, 8.0, 8.0, 24.0  # margins [mm]
PLOTTER = "plotter"
OVERLAP = 15.0  # of neighbouring sheets [mm]
MOST_SHEETS = 500
CROP = 1.0, 2.8  # from the frame's corner to where a crop mark begins and ends [mm]
RINGED = 0.3, 0.7  # where along a band its ringed crosses are
SIDESTEPS = 0.0, 6.0, -6.0, 12.0, -12.0, 18.0, -18.0  # of one that words are in the way of [mm]
CROSS = 3.5  # half of the room that one takes [mm]
ALONG = 0.5, 0.42, 0.58, 0.12, 0.88, 0.18, 0.82, 0.39, 0.61  # where its words may be, best first
WORDS = 2.6  # size of these [mm]
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


def arrow_up(canvas: Any, x: float, y: float, length: float) -> None:
    """Draw the arrow to the sun, which is up the page on every page.

    Parameters
    ----------
    canvas : Canvas
    x, y : float
        Its foot. [mm]
    length : float
        [mm]
    """
    canvas.setLineWidth(0.5)
    canvas.line(x, y, x, y + length - 2.0)
    polygon(
        canvas,
        np.array([[x, y + length], [x - 1.3, y + length - 3.0], [x + 1.3, y + length - 3.0]]),
        fill=1,
    )


def tile_page(
    canvas: Any,
    tiles: Tiles,
    column: int,
    row: int,
    draw: Callable[[Any, Window], None],
    *,
    name: str,
    inches: bool,
    ink: tuple[float, float, float] = BLUE,
) -> None:
    """Draw one sheet: what of a 1:1 drawing lies in its window, and how sheets go together.

    Parameters
    ----------
    canvas : Canvas
    tiles : Tiles
    column, row : int
    draw : callable
        Draws on a canvas what lies in a window (x0, y0, x1, y1), in mm of the drawing.
    name : str
        Of the drawing, for the foot.
    inches : bool
        Draw 4 inches at the foot too.
    ink : tuple of float
        Red, green and blue of the marks of the overlap.
    """
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
    window = x, y, x + w, y + h
    draw(canvas, window)
    words = TextBoxes()
    draw(words, window)
    canvas.setStrokeColorRGB(*ink)
    canvas.setFillColorRGB(*ink)
    _overlap_marks(canvas, tiles, column, row, Labels(taken=words.boxes))
    canvas.restoreState()

    canvas.saveState()
    canvas.scale(POINTS, POINTS)
    canvas.setStrokeColorRGB(*INK)
    canvas.setFillColorRGB(*INK)
    canvas.setLineWidth(0.2)
    _crop_marks(canvas, w, h)
    canvas.line(11.0, BOTTOM, 11.0, BOTTOM + 100.0)
    for k in range(11):
        canvas.line(11.0, BOTTOM + 10.0 * k, 11.0 + (2.0 if k % 5 == 0 else 1.0), BOTTOM + 10.0 * k)
    canvas.setFont(PLAIN, 2.5)
    canvas.saveState()
    canvas.translate(10.0, BOTTOM + 42.0)
    canvas.rotate(90.0)
    canvas.drawString(0.0, 0.0, "100 mm")
    canvas.restoreState()
    arrow_up(canvas, width - 12.0, 10.0, 10.5)
    canvas.setFont(PLAIN, 2.6)
    canvas.drawRightString(width - 15.0, 14.5, "to the sun")
    canvas.restoreState()
    sheet = f"sheet {tiles.number(column, row)} of {len(tiles)}"
    place = f"column {column + 1}, row {row + 1} from the sun's side"
    footer(canvas, width, name, f"{sheet}: {place}", inches)
    canvas.showPage()


def _crop_marks(canvas: Any, w: float, h: float) -> None:
    """Where to lay the ruler to cut along the frame: ticks beyond its corners."""
    for x, out in ((LEFT, -1.0), (LEFT + w, 1.0)):
        for y, up in ((BOTTOM, -1.0), (BOTTOM + h, 1.0)):
            canvas.line(x + out * CROP[0], y, x + out * CROP[1], y)
            canvas.line(x, y + up * CROP[0], x, y + up * CROP[1])


def _overlap_marks(canvas: Any, tiles: Tiles, column: int, row: int, labels: Labels) -> None:
    """Where neighbours begin, and ringed crosses that both sheets have at the same places."""
    w, h = tiles.window
    x, y = float(tiles.x[column]), float(tiles.y[row])
    canvas.setLineWidth(0.15)
    # of the drawing's words alone, which both sheets share, so that both choose the same places
    crosses = Labels(taken=list(labels.taken))
    for step in (-1, 1):
        if 0 <= column + step < len(tiles.x):
            band = x + w - 0.5 * OVERLAP if step > 0 else x + 0.5 * OVERLAP
            edge = x + w - OVERLAP if step > 0 else x + OVERLAP
            _dashed(canvas, edge, y, edge, y + h)
            for share in RINGED:
                _ringed(canvas, *_clear(crosses, (band, y + share * h), 1))
            words = f"overlap with sheet {tiles.number(column + step, row)}"
            _band_words(canvas, words, (band, y), h, 90.0, labels)
        if 0 <= row + step < len(tiles.y):
            # rows run down the page
            band = y + 0.5 * OVERLAP if step > 0 else y + h - 0.5 * OVERLAP
            edge = y + OVERLAP if step > 0 else y + h - OVERLAP
            _dashed(canvas, x, edge, x + w, edge)
            for share in RINGED:
                _ringed(canvas, *_clear(crosses, (x + share * w, band), 0))
            words = f"overlap with sheet {tiles.number(column, row + step)}"
            _band_words(canvas, words, (x, band), w, 0.0, labels)


def _clear(words: Labels, at: tuple[float, float], axis: int) -> tuple[float, float]:
    """Nearest place along a band where a ringed cross hides no words."""
    for aside in SIDESTEPS:
        x, y = (at[0] + aside, at[1]) if axis == 0 else (at[0], at[1] + aside)
        if words.free((x - CROSS, y - CROSS, x + CROSS, y + CROSS)):
            return x, y
    return at


def _band_words(
    canvas: Any,
    text: str,
    start: tuple[float, float],
    length: float,
    turn: float,
    labels: Labels,
) -> None:
    """Words along the band that two sheets share, where the drawing has none."""
    half = 0.5 * text_width(text, PLAIN, WORDS)
    # beside the band's middle first, where a drawing's axis may run
    for aside in (-4.0, 4.0, 0.0):
        for share in ALONG:
            at = share * length
            if turn:
                x, y = start[0] + aside, start[1] + at
                box = x - WORDS, y - half, x + 0.3 * WORDS, y + half
            else:
                x, y = start[0] + at, start[1] + aside
                box = x - half, y - 0.3 * WORDS, x + half, y + WORDS
            if labels.free(box):
                labels.keep_free(*box)
                canvas.saveState()
                canvas.translate(x, y)
                canvas.rotate(turn)
                canvas.setFont(PLAIN, WORDS)
                canvas.drawCentredString(0.0, 0.0, text)
                canvas.restoreState()
                return


def _dashed(canvas: Any, x0: float, y0: float, x1: float, y1: float) -> None:
    canvas.setDash([1.5, 1.5])
    canvas.line(x0, y0, x1, y1)
    canvas.setDash()


def _ringed(canvas: Any, x: float, y: float) -> None:
    canvas.circle(x, y, 2.0)
    canvas.line(x - 3.0, y - 3.0, x + 3.0, y + 3.0)
    canvas.line(x - 3.0, y + 3.0, x + 3.0, y - 3.0)


def fit(text: str, font: str, size: float, room: float) -> str:
    """Cut a text to a width, so that a long title stays on the page.

    Parameters
    ----------
    text, font : str
    size : float
        Of the font.
    room : float
        In the same unit.

    Returns
    -------
    str
    """
    while len(text) > 1 and text_width(text, font, size) > room:
        text = text.rstrip("…")[:-1].rstrip() + "…"
    return text
