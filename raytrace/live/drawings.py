"""Drawings of the page as SVG text: the array from above, the target card as its builder sees it.

Each has a view, which says where a place on the cooker lies on the drawing, and back.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.geometry import Cooker
from raytrace.reports.common.lengths import Rule
from raytrace.reports.common.style import GREY, INK, LIGHT

__all__ = ["STATES", "View", "array_svg", "array_view", "card_svg", "card_view", "facet_at"]

Array = NDArray[np.float64]

WIDTH = 1000.0  # of a drawing, in its own units
SMALLEST = 17.0  # letters that a phone still shows
DONE, LOST, HERE = "#00694d", "#a00000", "#0050a0"
STATES = {"": "to set", "ok": "set", "missing": "fell off or missing", "broken": "broken"}


@dataclass(frozen=True)
class View:
    """Where places lie on a drawing.

    Attributes
    ----------
    left, top : float
        Place of the drawing's upper left corner, along the axes that it shows. [m]
    across : float
        What it shows from left to right; negative where that runs against its first axis. [m]
    down : float
        What it shows from top to bottom. [m]
    """

    left: float
    top: float
    across: float
    down: float

    @property
    def height(self) -> float:
        """Of the drawing in its own units."""
        return WIDTH * self.down / abs(self.across)

    def on_drawing(self, place: ArrayLike) -> Array:
        """Where places lie, in the drawing's units.

        Parameters
        ----------
        place : array, shape (..., 2)
            [m]

        Returns
        -------
        ndarray, shape (..., 2)
        """
        x, y = np.moveaxis(np.asarray(place, dtype=float), -1, 0)
        right = (x - self.left) / self.across
        return np.stack([WIDTH * right, self.height * (self.top - y) / self.down], axis=-1)

    def place(self, right: float, low: float) -> tuple[float, float]:
        """Where on the cooker a point of the drawing is.

        Parameters
        ----------
        right, low : float
            Share of the drawing's width and of its height. [1]

        Returns
        -------
        tuple of float
            [m]

        Examples
        --------
        >>> view = card_view(0.1, mirrored=True)
        >>> view.place(0.0, 0.0)  # the upper left, seen from below
        (0.1, 0.1)
        """
        return self.left + right * self.across, self.top - low * self.down


def card_view(half: float, *, mirrored: bool, middle: tuple[float, float] = (0.0, 0.0)) -> View:
    """Square of the target card.

    Parameters
    ----------
    half : float
        Half its width. [m]
    mirrored : bool
        Whether the platform's right is on the left: so it is seen from below.
    middle : tuple of float
        What stands in the middle of the drawing, along the plane's axes. [m]

    Returns
    -------
    View
    """
    x, y = middle
    way = -1.0 if mirrored else 1.0
    return View(x - way * half, y + half, 2.0 * way * half, 2.0 * half)


def array_view(cooker: Cooker) -> View:
    """The whole array from above, the sun's side up.

    Parameters
    ----------
    cooker : Cooker

    Returns
    -------
    View
    """
    x0, x1, y0, y1 = cooker.span
    edge, head = 0.02 * (x1 - x0), 0.07 * (x1 - x0)  # the arrow to the sun stands in the head
    return View(x0 - edge, y1 + head, x1 - x0 + 2.0 * edge, y1 - y0 + edge + head)


def facet_at(cooker: Cooker, place: tuple[float, float]) -> str:
    """Facet that a place on the array from above belongs to.

    Parameters
    ----------
    cooker : Cooker
    place : tuple of float
        x and y on the platform. [m]

    Returns
    -------
    str
        The one whose middle is nearest, if it is no further off than its own size; else empty.
    """
    facets = cooker.facets
    far = np.hypot(*(facets.c[:, :2] - place).T)
    reach = np.hypot(facets.half_u, facets.half_v)
    far[~facets.present | (far > 1.1 * reach)] = np.inf
    f = int(np.argmin(far))
    return facets.label[f] if np.isfinite(far[f]) else ""


def array_svg(
    cooker: Cooker, states: Mapping[str, str], here: str, notes: Mapping[str, str] | None = None
) -> str:
    """The array from above with the state of each facet.

    Parameters
    ----------
    cooker : Cooker
    states : mapping of str to str
        Key of `STATES` of each facet; others are left out.
    here : str
        Facet at which the work is.
    notes : mapping of str to str, optional
        A few letters to stand under a facet's name.

    Returns
    -------
    str
    """
    view, facets = array_view(cooker), cooker.facets
    tip = np.array(
        [[0.5 * WIDTH - 92.0, 12.0], [0.5 * WIDTH - 106.0, 44.0], [0.5 * WIDTH - 78.0, 44.0]]
    )
    out = [_polygon(tip, INK, INK, 0), _text("to the sun", (0.5 * WIDTH - 66.0, 42.0), 32, INK)]
    x0, x1, y0, y1 = cooker.extent
    out.append(
        _polygon(view.on_drawing([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), "none", LIGHT, 3)
    )
    last = ""
    for f, label in enumerate(facets.label):
        if label not in states:
            continue
        corners = view.on_drawing(facets.corners(f)[:, :2])
        state = states[label]
        fill = {"": "#ffffff", "ok": DONE}.get(state, "#ffffff")
        ink = "#ffffff" if state == "ok" else INK
        edge = LOST if state in ("missing", "broken") else GREY
        drawn = _polygon(corners, fill, edge, 3)
        low, high = corners.min(axis=0), corners.max(axis=0)
        if state in ("missing", "broken"):
            drawn += _line([low, high], LOST, 3) + _line(
                [[low[0], high[1]], [high[0], low[1]]], LOST, 3
            )
        drawn += _name(label, (notes or {}).get(label, ""), 0.5 * (low + high), high - low, ink)
        if label == here:
            last = drawn + _polygon(corners, "none", HERE, 11)
        else:
            out.append(drawn)
    base = view.on_drawing(cooker.pot.base[None, :2])[0]
    out.append(_circle(base, WIDTH * cooker.pot.R / view.across, INK, 3, dash="10 8"))
    counts = {s: sum(1 for x in states.values() if x == s) for s in STATES}
    told = ", ".join(f"{n} {STATES[s]}" for s, n in counts.items() if n)
    words = f"The array from above, the sun's side up: {told}. At {here or 'none'}."
    return _svg(view, "".join((*out, last)), words)


def card_svg(
    view: View,
    radius: float,
    rule: Rule,
    *,
    mark: Sequence[float],
    ring: float | None,
    spot: Sequence[float] | None,
    upright: bool = False,
    photo: tuple[str, float] | None = None,
) -> str:
    """The target card with the pot's base, a facet's mark and ring, and its spot.

    Parameters
    ----------
    view : View
    radius : float
        Of the pot's base. [m]
    rule : Rule
        Circles about the middle are drawn in its units.
    mark : sequence of float
        Where the spot belongs, along the plane's axes. [m]
    ring : float or None
        Miss that is good enough; None where it isn't known yet. [m]
    spot : sequence of float or None
        [m]
    upright : bool
        Whether the card stands upright across the base's centre.
    photo : tuple of str and float, optional
        Address of a picture of the card seen straight on from above, and half its width [m].

    Returns
    -------
    str
    """
    scale = WIDTH / abs(view.across)
    reach = math.hypot(abs(view.across), view.down) + math.hypot(*mark)
    middle = view.on_drawing([0.0, 0.0])
    step = 0.01 if rule.unit == "mm" else 0.0254 / 2.0
    every = next((n for n in (1, 2, 4, 10) if view.down <= 14.0 * n * step), 20)
    out = [f'<rect width="{WIDTH:g}" height="{view.height:g}" fill="#ffffff"/>']
    if photo is not None:
        out.append(_image(view, *photo))
    ends = [[-reach, 0.0], [reach, 0.0]], [[0.0, -reach], [0.0, reach]]
    out += [_line(view.on_drawing(pair), LIGHT, 2) for pair in ends]
    for k in range(1, math.ceil(reach / step)):
        out.append(_circle(middle, scale * k * step, LIGHT, 3 if k % every == 0 else 1.5))
        if k % every == 0:
            at = view.on_drawing(k * step * np.array([math.sqrt(0.5), -math.sqrt(0.5)]))
            out.append(_text(rule.coarse_text(k * step), at, 24, GREY))
    if upright:
        out.append(_line(view.on_drawing([[-radius, 0.0], [radius, 0.0]]), INK, 6))
    else:
        out.append(_circle(middle, scale * radius, INK, 6))
    if np.isfinite(mark).all():
        at = view.on_drawing(mark)
        if ring is not None and math.isfinite(ring):
            out.append(_circle(at, scale * ring, DONE, 6, dash="22 10"))
        out += [
            _line([at - way, at + way], INK, 5)
            for way in (np.array([18.0, 0.0]), np.array([0.0, 18.0]))
        ]
        if spot is not None:
            out.append(_line([view.on_drawing(spot), at], HERE, 4, dash="8 8"))
    if spot is not None:
        at = view.on_drawing(spot)
        out.append(_circle(at, 16.0, HERE, 5) + _circle(at, 3.0, HERE, 3))
    right, left = "platform's right", "platform's left"
    sides = (right, left) if view.across < 0.0 else (left, right)
    height = view.height
    out.append(_text("up" if upright else "to the sun", (0.5 * WIDTH, 40.0), 34, INK, "middle"))
    out.append(_text(sides[0], (14.0, 0.5 * height - 14.0), 30, INK))
    out.append(_text(sides[1], (WIDTH - 14.0, 0.5 * height - 14.0), 30, INK, "end"))
    seen = "standing upright" if upright else "seen from below, the sun's side up"
    words = f"The target card, {seen}. Tap it where the spot lies."
    return _svg(view, "".join(out), words)


def _svg(view: View, inner: str, words: str) -> str:
    return (
        f'<svg viewBox="0 0 {WIDTH:g} {view.height:.1f}" role="img" aria-label="{escape(words)}" '
        f'style="display:block;width:100%;font-family:inherit;touch-action:manipulation">{inner}</svg>'
    )


def _name(name: str, note: str, at: Array, room: Array, ink: str) -> str:
    """A facet's name, and a note below if there is room for both."""
    size = min(0.42 * room[1], 1.5 * room[0] / max(len(name), 2), 44.0)
    if size < SMALLEST:
        return ""
    below = min(0.3 * room[1], 1.5 * room[0] / max(len(note), 1), 30.0)
    if not note or below < SMALLEST:
        return _text(name, (at[0], at[1] + 0.35 * size), size, ink, "middle")
    first = _text(name, (at[0], at[1] - 0.02 * room[1]), size, ink, "middle")
    return first + _text(note, (at[0], at[1] + 1.1 * below), below, ink, "middle")


def _image(view: View, address: str, half: float) -> str:
    x, y = view.on_drawing([-half, half])
    side = WIDTH * 2.0 * half / abs(view.across)
    return (
        f'<image href="{address}" width="{side:.1f}" height="{side:.1f}" '
        f'transform="translate({x:.1f} {y:.1f}) scale({math.copysign(1.0, view.across):g} 1)"/>'
    )


def _polygon(corners: Array, fill: str, stroke: str, width: float) -> str:
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)
    return f'<polygon points="{points}" fill="{fill}" stroke="{stroke}" stroke-width="{width:g}"/>'


def _line(ends: ArrayLike, stroke: str, width: float, dash: str = "none") -> str:
    (x0, y0), (x1, y1) = np.asarray(ends)
    return (
        f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" stroke="{stroke}" '
        f'stroke-width="{width:g}" stroke-dasharray="{dash}"/>'
    )


def _circle(at: ArrayLike, radius: float, stroke: str, width: float, dash: str = "none") -> str:
    x, y = np.asarray(at)
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" fill="none" stroke="{stroke}" '
        f'stroke-width="{width:g}" stroke-dasharray="{dash}"/>'
    )


def _text(text: str, at: ArrayLike, size: float, ink: str, anchor: str = "start") -> str:
    x, y = np.asarray(at)
    # lines behind it are kept off
    behind = "" if ink == "#ffffff" else ' stroke="#ffffff" stroke-width="8" paint-order="stroke"'
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:.0f}" fill="{ink}" '
        f'text-anchor="{anchor}"{behind}>{escape(text)}</text>'
    )
