"""What a figure must be to be read: no text on text, over the edge or too small; data in sight."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from unittest.mock import patch

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PathCollection, QuadMesh
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.transforms import Bbox

PHONE = 390.0  # of a phone's screen [CSS px]
SMALLEST = 6.0  # type on it [CSS px]
SLACK = 1.0  # of a text's box, whose letters seldom fill it [points]


def flaws(*figures: Figure) -> list[str]:
    """What is wrong with figures, as their renderer sees it.

    Parameters
    ----------
    *figures : Figure

    Returns
    -------
    list of str
        Empty for figures that can be read.
    """
    return [flaw for figure in figures for flaw in _flaws(figure)]


def _flaws(figure: Figure) -> list[str]:
    texts = _drawn(figure)
    point = figure.dpi / 72.0
    boxes = [_box(text, point * SLACK) for text in texts]
    said = [text.get_text() for text in texts]
    page = figure.bbox.padded(point)
    out = [
        f"over the edge: {words!r}"
        for words, box in zip(said, boxes, strict=True)
        if not all(page.contains(*corner) for corner in box.vertices)
    ]
    least = SMALLEST * 72.0 / PHONE * figure.get_figwidth()
    small = {text.get_size(): words for words, text in zip(said, texts, strict=True)}
    out += [
        f"{size:.1f} points small, on a page for {least:.1f}: {words!r}"
        for size, words in small.items()
        if size < least - 0.01
    ]
    out += [
        f"text on text: {said[a]!r}, {said[b]!r}"
        for a, b in combinations(range(len(texts)), 2)
        if boxes[a].intersects_path(boxes[b], filled=True)
    ]
    for legend in figure.findobj(Legend):
        name = " ".join(text.get_text() for text in legend.get_texts())
        box = legend.get_window_extent()
        out += [
            f"legend over data: {name!r} over {words}"
            for axes in figure.axes
            if (shared := Bbox.intersection(box, axes.bbox)) is not None
            for words in _under(axes, shared)
        ]
    return out


def _drawn(figure: Figure) -> list[Text]:
    """Texts that a figure really draws, not the ticks beyond its limits."""
    seen: list[Text] = []
    draw = Text.draw

    def noted(text: Text, *given: object, **named: object) -> None:
        if text.get_visible() and text.get_text().strip():
            seen.append(text)
        draw(text, *given, **named)

    with patch.object(Text, "draw", noted):
        FigureCanvasAgg(figure).draw()
    return seen


def _box(text: Text, slack: float) -> Path:
    """A text's box, turned as the text is, and less than the room that its font takes."""
    around = Text.get_window_extent(text)  # of a note without its arrow
    turn = np.radians(text.get_rotation())
    text.set_rotation(0.0)
    level = Text.get_window_extent(text)
    text.set_rotation(np.degrees(turn))
    half = 0.5 * np.maximum(np.array([level.width, level.height]) - 2.0 * slack, slack)
    corners = half * [[-1, -1], [1, -1], [1, 1], [-1, 1]]
    across = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    middle = 0.5 * (around.min + around.max)
    return Path([*(middle + corners @ across), middle + corners[0] @ across], closed=True)


def _under(axes: Axes, box: Bbox) -> Iterator[str]:
    """Data of axes within a box."""
    for line in axes.lines:
        path = line.get_path().transformed(line.get_transform())
        if len(path.vertices) and line.get_visible() and path.intersects_bbox(box, filled=False):
            yield f"line {line.get_label()}"
    for kept in axes.patches:
        path = kept.get_path().transformed(kept.get_transform())
        if kept.get_visible() and path.intersects_bbox(box, filled=kept.get_fill()):
            yield f"patch {kept.get_label()}"
    for marks in axes.collections:
        if not marks.get_visible():
            continue
        if isinstance(marks, PathCollection):
            at = marks.get_offset_transform().transform(marks.get_offsets())
            hit = bool(((at >= box.min) & (at <= box.max)).all(axis=1).any())
        else:
            filled = bool(len(marks.get_facecolor()))
            hit = isinstance(marks, QuadMesh) or any(
                marks.get_transform().transform_path(path).intersects_bbox(box, filled=filled)
                for path in marks.get_paths()
                if len(path.vertices)
            )
        if hit:
            yield type(marks).__name__
    if axes.images:
        yield "image"
