"""Words on a drawing that never lie over each other: each takes the first free place of some."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from raytrace.reports.common.paper import PLAIN, text_width

__all__ = ["Label", "Labels", "TextBoxes", "around", "text_box"]

Point = tuple[float, float]
Box = tuple[float, float, float, float]

PAD = 0.4  # between the boxes of two texts [mm]
DIRECTIONS = 16
FAR = 2.0  # beyond this many heights of the letters a line leads from a text to its point
ASCENT, DESCENT = 0.76, 0.24  # of DejaVu Sans' letters and figures, in sizes


@dataclass(frozen=True)
class Label:
    """A text with its place; mm.

    Attributes
    ----------
    text : str
    x, y : float
        Middle of its base line.
    size : float
    font : str
    point : (float, float) or None
        What a line leads to.
    """

    text: str
    x: float
    y: float
    size: float
    font: str
    point: Point | None

    def draw(self, canvas: Any) -> None:
        """Draw it, and its line.

        Parameters
        ----------
        canvas : Canvas
            Its unit set to 1 mm.
        """
        x0, y0, x1, y1 = text_box(self.text, self.x, self.y, self.size, self.font)
        if self.point is not None:
            canvas.setLineWidth(0.1)
            end = np.clip(self.point, (x0, y0), (x1, y1))
            canvas.line(*self.point, float(end[0]), float(end[1]))
        canvas.saveState()
        canvas.setFillColorRGB(1.0, 1.0, 1.0)  # lines don't run through it
        canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=0, fill=1)
        canvas.restoreState()
        canvas.setFont(self.font, self.size)
        canvas.drawCentredString(self.x, self.y, self.text)


@dataclass
class Labels:
    """Texts placed so far, and where no other may stand.

    Attributes
    ----------
    placed : list of Label
    taken : list of (x0, y0, x1, y1)
        [mm]
    """

    placed: list[Label] = field(default_factory=list)
    taken: list[Box] = field(default_factory=list)

    def keep_free(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """Let no text stand in a box.

        Parameters
        ----------
        x0, y0, x1, y1 : float
            [mm]
        """
        self.taken.append((x0, y0, x1, y1))

    def free(self, box: Box) -> bool:
        """Whether a text may stand in a box.

        Parameters
        ----------
        box : (x0, y0, x1, y1)
            [mm]

        Returns
        -------
        bool
        """
        return all(_apart(box, other) for other in self.taken)

    def put(
        self,
        text: str,
        places: Iterable[Point],
        size: float,
        *,
        font: str = PLAIN,
        point: Point | None = None,
    ) -> bool:
        """Place a text, its middle at the first free one of some places.

        Parameters
        ----------
        text : str
        places : iterable of (float, float)
            Best first. [mm]
        size : float
            [mm]
        font : str
        point : (float, float), optional
            What it names: a line leads there, unless it stands beside it. [mm]

        Returns
        -------
        bool
            Whether one was free; else the text is left out.
        """
        for x, middle in places:
            y = middle - 0.5 * (ASCENT - DESCENT) * size
            box = text_box(text, x, y, size, font)
            if self.free(box):
                near = point is None or np.hypot(
                    max(box[0] - point[0], point[0] - box[2], 0.0),
                    max(box[1] - point[1], point[1] - box[3], 0.0),
                ) < FAR * size  # fmt: skip
                self.placed.append(Label(text, x, y, size, font, None if near else point))
                self.taken.append(box)
                return True
        return False


def around(point: Point, text: str, size: float, *, font: str = PLAIN) -> Iterable[Point]:
    """Places for a text around a point, near ones first.

    Parameters
    ----------
    point : (float, float)
        [mm]
    text : str
    size : float
        [mm]
    font : str

    Yields
    ------
    x, y : float
        Middle of the text. [mm]
    """
    width = text_width(text, font, size)
    for way in (0.8, 1.8, 3.0, 4.5, 6.5, 9.0, 12.0):
        for k in range(DIRECTIONS):
            angle = 2.0 * np.pi * k / DIRECTIONS
            c, s = float(np.cos(angle)), float(np.sin(angle))
            yield point[0] + c * (way * size + 0.5 * width), point[1] + s * (way + 0.5) * size


def text_box(text: str, x: float, y: float, size: float, font: str) -> Box:
    """Box of a text.

    Parameters
    ----------
    text : str
    x, y : float
        Middle of its base line.
    size : float
        In the same unit.
    font : str

    Returns
    -------
    x0, y0, x1, y1 : float
    """
    half = 0.5 * text_width(text, font, size)
    return x - half, y - DESCENT * size, x + half, y + ASCENT * size


def _apart(a: Box, b: Box) -> bool:
    return a[0] > b[2] + PAD or b[0] > a[2] + PAD or a[1] > b[3] + PAD or b[1] > a[3] + PAD


class TextBoxes:
    """Stands in for a canvas and keeps the boxes of the texts that are drawn on it.

    Attributes
    ----------
    boxes : list of (x0, y0, x1, y1)
        In the canvas's own coordinates, which must neither move nor turn between texts.
    """

    def __init__(self) -> None:
        self.boxes: list[Box] = []
        self._font = PLAIN, 1.0

    def __getattr__(self, name: str) -> Any:
        return lambda *_, **__: self

    def setFont(self, font: str, size: float) -> None:
        """Font of the texts that follow.

        Parameters
        ----------
        font : str
        size : float
        """
        self._font = font, size

    def drawCentredString(self, x: float, y: float, text: str) -> None:
        """Keep a text's box.

        Parameters
        ----------
        x, y : float
            Middle of its base line.
        text : str
        """
        font, size = self._font
        self.boxes.append(text_box(text, x, y, size, font))

    def drawString(self, x: float, y: float, text: str) -> None:
        """Keep a text's box.

        Parameters
        ----------
        x, y : float
            Left end of its base line.
        text : str
        """
        font, size = self._font
        self.drawCentredString(x + 0.5 * text_width(text, font, size), y, text)
