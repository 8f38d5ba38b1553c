"""Find the printed card in a photograph: where each place on it lies, and how surely.

A plane seen by a camera is a homography; the lens bends it about the picture's middle. Both are
fitted to the markers' corners. No camera is known beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.camera.card import PLACES, TAGS, CardLayout, as_printed, layouts_of, marker_boxes
from raytrace.camera.markers import Markers, read_markers
from raytrace.camera.pictures import Picture
from raytrace.camera.vision import vision
from raytrace.exceptions import PictureError
from raytrace.texts import listed

__all__ = ["FlatCard", "FoundCard", "find_card", "off_markers"]

Array = NDArray[np.float64]

FEWEST = 4  # markers, in
CORNERS = 3  # corners of the card
STEEPEST = 66.0  # between the line of sight and the card's normal [°]
SMALLEST = 20.0  # side of a marker [pixels]
MOST_BLUR = 0.45  # standard deviation of an edge's smear [modules]
LENS = 0.05  # likely bend of a lens, at the picture's corner: one standard deviation
GLUE = 0.3e-3  # by which a sheet is stuck on askew, one standard deviation [m]
FLAT = 0.5e-3  # by which a card on a stiff board is out of its plane, one standard deviation [m]
PIXELS = 0.05  # least standard error of a marker's corner [pixels]
MISPLACED = 1.2e-3  # a marker further off its place is left out [m]
STRIP = 64  # rows of a straightened card that are made at once
MISFIT = 0.8e-3  # root mean square at which the markers are another card's, or the card is bent [m]


@dataclass(frozen=True, eq=False)
class FlatCard:
    """The card seen straight on, in the platform's axes: x to the right, y up to the sun's side.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (n, n, 3)
        Seen from above as the platform's axes have it, which is the print's mirror image.
    pixel : float
        Side of a pixel. [m]
    half : float
        Half the width that is shown, the card's middle in the middle. [m]
    """

    pixels: NDArray[np.uint8]
    pixel: float
    half: float

    def places(self, rows: Any, columns: Any) -> Array:
        """Places of pixels' middles.

        Parameters
        ----------
        rows, columns : array_like, shape (...)

        Returns
        -------
        ndarray, shape (..., 2)
            [m]
        """
        rows, columns = np.broadcast_arrays(rows, columns)
        x = (columns + 0.5) * self.pixel - self.half
        y = self.half - (rows + 0.5) * self.pixel
        return np.stack([x, y], axis=-1)


@dataclass(frozen=True, eq=False)
class FoundCard:
    """A card in a picture, and the way from the one's places to the other's.

    Attributes
    ----------
    picture : Picture
    layout : CardLayout
        Of the card that is seen.
    seen : ndarray of bool, shape (n,)
        Which of its markers the fit rests on.
    tags : tuple of str
        Labels of the facets whose tags are in the picture.
    slant : float
        Between the line of sight and the card's normal. [°]
    notes : tuple of str
        What the user should know.
    model : ndarray, shape (9,)
        Eight numbers of the homography from the card, in half card widths, to the picture, in
        half diagonals from its middle; then the lens's bend.
    spread : ndarray, shape (9, 9)
        Covariance of the model.
    """

    picture: Picture
    layout: CardLayout
    seen: NDArray[np.bool_]
    tags: tuple[str, ...]
    slant: float
    notes: tuple[str, ...]
    model: Array
    spread: Array

    def to_picture(self, places: Array) -> Array:
        """Where places on the card are seen.

        Parameters
        ----------
        places : ndarray, shape (..., 2)
            In the platform's axes. [m]

        Returns
        -------
        ndarray, shape (..., 2)
            Column and row, (0, 0) the middle of the first pixel.
        """
        return _from_units(_seen(self.model, as_printed(places) / self.layout.half), self.picture)

    def to_card(self, pixels: Array) -> Array:
        """Which places on the card are seen there.

        Parameters
        ----------
        pixels : ndarray, shape (..., 2)
            Column and row.

        Returns
        -------
        ndarray, shape (..., 2)
            In the platform's axes. [m]
        """
        straight = _straight(self.model[8], _to_units(pixels, self.picture))
        back = np.linalg.inv(_matrix(self.model))
        return as_printed(_project(back, straight)) * self.layout.half

    def covariance(self, place: Array) -> Array:
        """How surely a place on the card is known, the spot in the picture being exact.

        Parameters
        ----------
        place : ndarray, shape (2,)
            [m]

        Returns
        -------
        ndarray, shape (2, 2)
            From the markers' corners, sheets stuck on askew and a card that is not quite flat.
            [m²]
        """
        place = np.asarray(place, dtype=np.float64)
        at = self.to_picture(place)
        step = 1e-6
        moved = []
        for k in range(9):
            model = self.model.copy()
            model[k] += step
            straight = _straight(model[8], _to_units(at, self.picture))
            there = as_printed(_project(np.linalg.inv(_matrix(model)), straight))
            moved.append((there * self.layout.half - place) / step)
        by = np.array(moved).T
        deep, tilt = self._away()
        bent = (FLAT * np.tan(np.radians(tilt))) ** 2 * np.outer(deep, deep)
        return np.asarray(by @ self.spread @ by.T + GLUE**2 * np.eye(2) + bent)

    def _away(self) -> tuple[Array, float]:
        """Direction on the card in which it is seen foreshortened, and the slant. [°]"""
        return _foreshortened(self.model, self.layout.half)

    def holds(self, place: Array) -> bool:
        """Whether the markers that were read stand round a place.

        Parameters
        ----------
        place : ndarray, shape (2,)
            [m]

        Returns
        -------
        bool
        """
        hull = vision().convexHull(self.layout.corners[self.seen].reshape(-1, 2).astype(np.float32))
        point = (float(place[0]), float(place[1]))
        return bool(vision().pointPolygonTest(hull, point, False) >= 0)

    def flatten(self, size_px: int, pixels: NDArray[Any] | None = None) -> FlatCard:
        """Show the card as seen straight on.

        Parameters
        ----------
        size_px : int
            Pixels of a side.
        pixels : ndarray of uint8, shape (H, W, 3), optional
            Instead of the picture's own.

        Returns
        -------
        FlatCard
        """
        cv2 = vision()
        source = self.picture.pixels if pixels is None else pixels
        half = self.layout.half
        # where the picture is finer, several of its pixels make one
        corner = self.to_picture(half * np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1, -1]]))
        widest = np.hypot(*(np.roll(corner, 1, axis=0) - corner).T).max()
        finer = int(np.clip(np.ceil(widest / size_px), 1, 4))
        middle = (np.arange(size_px * finer) + 0.5) * (2.0 * half / (size_px * finer)) - half
        flat = np.empty((size_px, size_px, 3), dtype=np.uint8)
        for first in range(0, size_px, STRIP):  # places of all pixels at once would fill memory
            strip = flat[first : first + STRIP]
            rows = middle[first * finer : (first + len(strip)) * finer]
            at = self.to_picture(np.stack(np.meshgrid(middle, -rows), axis=-1)).astype(np.float32)
            fine = cv2.remap(source, at[..., 0], at[..., 1], cv2.INTER_LINEAR,
                             borderMode=cv2.BORDER_CONSTANT)  # fmt: skip
            strip[:] = cv2.resize(fine, (size_px, len(strip)), interpolation=cv2.INTER_AREA)
        return FlatCard(flat, 2.0 * half / size_px, half)


def off_markers(flat: FlatCard, layout: CardLayout) -> NDArray[np.bool_]:
    """Which pixels of a card lie off its markers and the white that these need.

    Parameters
    ----------
    flat : FlatCard
    layout : CardLayout
        Of this card.

    Returns
    -------
    ndarray of bool, shape (n, n)
    """
    out = np.ones(flat.pixels.shape[:2], dtype=np.bool_)
    for left, low, right, high in marker_boxes(layout):
        x = as_printed(np.array([[left, low], [right, high]]))[:, 0]
        columns = (np.sort(x) + flat.half) / flat.pixel
        rows = (flat.half - np.array([high, low])) / flat.pixel
        out[
            max(int(rows[0]), 0) : int(np.ceil(rows[1])),
            max(int(columns[0]), 0) : int(np.ceil(columns[1])),
        ] = False
    return out


def find_card(picture: Picture, layout: CardLayout) -> FoundCard:
    """Find the card.

    Parameters
    ----------
    picture : Picture
    layout : CardLayout
        That the scenario prints, or the smallest that it may print. A card is read as what its
        markers say that it is; one that is smaller, with a note.

    Returns
    -------
    FoundCard

    Raises
    ------
    PictureError
        If there is no card, or more than one; if it is cut off, covered, too slanted, too small,
        blurred, bent, or the picture is a mirror image.

    Notes
    -----
    The lens follows the division model [1]_. A photograph can't tell whether the print is to
    scale: a card printed at 97 % shows every spot 3 % too far out.

    References
    ----------
    .. [1] A. W. Fitzgibbon, "Simultaneous linear estimation of multiple view geometry and lens
           distortion", IEEE Conference on Computer Vision and Pattern Recognition, 2001. From
           memory.
    """
    cv2 = vision()
    grey = cv2.cvtColor(picture.pixels, cv2.COLOR_RGB2GRAY)
    markers = read_markers(grey)
    of_cards = _one_card(picture.name, markers)
    tags = _tags(markers, layout)
    if len(of_cards) == 0:
        raise PictureError(picture.name, _why_none(grey, markers))
    best, misfit, left_out = _best(picture, layout, of_cards)
    _refuse(best, misfit, of_cards)
    notes = _notes(best, layout, left_out, markers)
    return FoundCard(picture, best.layout, best.seen, tags, best.slant, notes, best.model,
                     best.spread)  # fmt: skip


def _one_card(name: str, markers: Markers) -> Markers:
    """Those of the one card that is there."""
    chosen = np.flatnonzero(markers.number < TAGS)
    if not len(chosen):
        return Markers(markers.number[:0], markers.corners[:0], markers.blur[:0])
    size = markers.number[chosen] // PLACES
    sizes, count = np.unique(size, return_counts=True)
    if np.sum(count >= CORNERS) > 1:
        raise PictureError(name, "two cards, of different sizes. Photograph one card alone.")
    chosen = chosen[size == sizes[np.argmax(count)]]
    _, times = np.unique(markers.number[chosen], return_counts=True)
    if (times > 1).any():
        raise PictureError(
            name, "two cards, or one and its mirror image in a facet. Photograph one card alone."
        )
    return Markers(markers.number[chosen], markers.corners[chosen], markers.blur[chosen])


def _tags(markers: Markers, layout: CardLayout) -> tuple[str, ...]:
    seen = set(markers.number[markers.number >= TAGS].tolist())
    return tuple(label for label, number in layout.tags.items() if number in seen)


def _best(picture: Picture, layout: CardLayout, markers: Markers) -> tuple[FoundCard, float, int]:
    """Fit of the card that has these markers, the size expected being tried first."""
    sizes = layouts_of(int(markers.number[0]), layout.tags)
    fits = []
    for one in sorted(sizes, key=lambda size: abs(size.half - layout.half)):
        fits.append(_fitted(picture, one, markers))
        if fits[-1][1] < MISFIT:
            break
    return min(fits, key=lambda fit: fit[1])


def _why_none(grey: NDArray[np.uint8], markers: Markers) -> str:
    """Why no marker of a card was read, as far as the picture shows."""
    flipped = read_markers(np.ascontiguousarray(grey[:, ::-1]))
    if np.sum(flipped.number < TAGS) >= FEWEST:
        return (
            "a mirror image: the card's markers read only when it is turned over. Take it with the "
            "phone's main camera, or flip it."
        )
    likely = []
    if np.mean(grey) < 30.0:
        likely.append("it is too dark")
    if np.mean(grey >= 254) > 0.3:
        likely.append("it is overexposed")
    likely += ["the card is not in it", "too small", "blurred", "covered"]
    tag = " A facet's tag was read." if len(markers) else ""
    return f"no card found: {listed(likely)}.{tag} Let the whole card fill half of the picture."


def _fitted(picture: Picture, layout: CardLayout, markers: Markers) -> tuple[FoundCard, float, int]:
    """Fit of one layout, its misfit [m] and how many markers were left out."""
    index = {int(number): k for k, number in enumerate(layout.number)}
    known = np.array([int(number) in index for number in markers.number])
    rows = np.array([index[int(n)] for n in markers.number[known]], dtype=np.int64)
    seen = np.zeros(len(layout.number), dtype=np.bool_)
    seen[rows] = True
    empty = FoundCard(picture, layout, seen, (), 0.0, (), np.zeros(9), np.zeros((9, 9)))
    if len(rows) < FEWEST or len(set(layout.number[rows] % PLACES // 5)) < CORNERS:
        return empty, np.inf, 0
    places = as_printed(layout.corners[rows]) / layout.half
    at = _to_units(markers.corners[known], picture)
    keep = np.ones(len(rows), dtype=np.bool_)
    while True:
        model, spread = _fit(places[keep], at[keep], PIXELS / _unit(picture))
        # how far off each marker lies on the card, the worst of them left out while there are more
        gone = _off_card(model, places, at) * layout.half
        worst = int(np.argmax(np.where(keep, gone, -1.0)))
        usual = float(np.median(gone[keep]))
        enough = keep.sum() > max(FEWEST, 0.7 * len(rows))
        left = np.arange(len(rows)) != worst
        corners = len(set(layout.number[rows][keep & left] % PLACES // 5))
        if gone[worst] <= max(MISPLACED, 4.0 * usual) or not enough or corners < CORNERS:
            break
        keep[worst] = False
    seen = np.zeros(len(layout.number), dtype=np.bool_)
    seen[rows[keep]] = True
    misfit = float(np.sqrt(np.mean(gone[keep] ** 2)))
    _, slant = _foreshortened(model, layout.half)
    found = FoundCard(picture, layout, seen, (), slant, (), model, spread)
    return found, misfit, int(np.sum(~keep))


def _refuse(card: FoundCard, misfit: float, markers: Markers) -> None:
    """Refuse what can't be measured on."""
    layout, picture = card.layout, card.picture
    name = picture.name
    count = f"{len(markers)} of the card's {len(layout.number)} markers read"
    if not np.isfinite(misfit):
        height, width = picture.pixels.shape[:2]
        margin = 2.0 * np.hypot(*np.ptp(markers.corners, axis=1).T).max()
        low, high = markers.corners.min(axis=(0, 1)), markers.corners.max(axis=(0, 1))
        at_edge = (low < margin).any() or (high > np.array([width, height]) - margin).any()
        why = "cut off by the picture's edge" if at_edge else "covered, in glare, or blurred"
        raise PictureError(
            name, f"{count}, which is too few: the card is {why}. Show three of its corners."
        )
    if card.slant > STEEPEST:
        raise PictureError(
            name,
            f"the card is seen {card.slant:.0f}° aslant. Hold the camera within {STEEPEST:.0f}° of "
            "straight on, out of the beam.",
        )
    step = np.roll(markers.corners, -1, axis=1) - markers.corners
    side = float(np.median(np.hypot(step[..., 0], step[..., 1])))
    if side < SMALLEST:
        raise PictureError(
            name,
            f"the card is too small, its markers {side:.0f} pixels wide. Go nearer, or take more "
            "pixels.",
        )
    if float(np.median(markers.blur)) > MOST_BLUR:
        raise PictureError(name, "blurred. Hold the camera still, and tap the card to focus.")
    if misfit > MISFIT:
        raise PictureError(
            name,
            f"the card's markers lie {1e3 * misfit:.1f} mm off where a flat card has them. The "
            "card is bent, its sheets are stuck on askew, it was printed wider than high, or it is "
            "another card.",
        )


def _notes(card: FoundCard, layout: CardLayout, left_out: int, markers: Markers) -> tuple[str, ...]:
    out = []
    if card.layout.half < layout.half:
        out.append(
            f"The card in the picture is {2e3 * card.layout.half:.0f} mm wide, less than this "
            f"scenario's takes, {2e3 * layout.half:.0f} mm: it was printed for another one. Places "
            "from its middle hold, its rings may not."
        )
    if left_out:
        were = "marker was" if left_out == 1 else "markers were"
        out.append(f"{left_out} {were} left out: off their place by more than a millimetre.")
    strange = set(markers.number[markers.number >= TAGS].tolist()) - set(layout.tags.values())
    if strange:
        out.append("A tag in the picture belongs to no facet of this scenario.")
    return tuple(out)


# the model: card in half widths, as printed -> picture in half diagonals from its middle


def _unit(picture: Picture) -> float:
    height, width = picture.pixels.shape[:2]
    return 0.5 * float(np.hypot(width, height))


def _middle(picture: Picture) -> Array:
    height, width = picture.pixels.shape[:2]
    return 0.5 * np.array([width - 1.0, height - 1.0])


def _to_units(pixels: Array, picture: Picture) -> Array:
    return np.asarray((pixels - _middle(picture)) / _unit(picture))


def _from_units(at: Array, picture: Picture) -> Array:
    return np.asarray(at * _unit(picture) + _middle(picture))


def _matrix(model: Array) -> Array:
    return np.append(model[:8], 1.0).reshape(3, 3)


def _project(matrix: NDArray[Any], places: Array) -> Array:
    x, y = places[..., 0], places[..., 1]
    top = [row[0] * x + row[1] * y + row[2] for row in matrix]
    return np.stack([top[0] / top[2], top[1] / top[2]], axis=-1)


def _seen(model: Array, places: Array) -> Array:
    """Where places on the card are seen, through the lens."""
    straight = _project(_matrix(model), places)
    inside = np.maximum(1.0 - 4.0 * model[8] * np.sum(straight**2, axis=-1), 0.0)
    return np.asarray(straight * (2.0 / (1.0 + np.sqrt(inside)))[..., None])


def _straight(bend: float, at: Array) -> Array:
    """Where the picture would show it without the lens's bend."""
    return np.asarray(at / (1.0 + bend * np.sum(at**2, axis=-1))[..., None])


def _fit(places: Array, at: Array, least: float) -> tuple[Array, Array]:
    """Model and its covariance."""
    from scipy.optimize import least_squares

    flat, goal = places.reshape(-1, 2), at.reshape(-1, 2)
    matrix, _ = vision().findHomography(flat, goal, 0)
    start = np.append((matrix / matrix[2, 2]).ravel()[:8], 0.0)
    noise = least

    def rest(model: Array) -> Array:
        off = (_seen(model, flat) - goal) / noise
        return np.append(off.ravel(), model[8] / LENS)

    for _ in range(2):  # the first time tells how exact the corners are
        found = least_squares(rest, start, loss="soft_l1", f_scale=2.0)
        start = found.x
        off = _seen(start, flat) - goal
        free = max(2.0 * len(goal) - 9.0, 1.0)
        usual = 1.4826 * float(np.median(np.abs(off)))
        noise = max(least, usual, float(np.sqrt(np.sum(off**2) / free)))
    slopes = np.array([(rest(start + h) - rest(start - h)) / 2e-6 for h in 1e-6 * np.eye(9)]).T
    # corners of one marker err together: as if there were one for each marker
    spread = 4.0 * np.linalg.pinv(slopes.T @ slopes)
    return start, spread


def _off_card(model: Array, places: Array, at: Array) -> Array:
    """How far off its place each marker's corners lie, root mean square, in half card widths."""
    back = np.linalg.inv(_matrix(model))
    off = _project(back, _straight(model[8], at)) - places
    return np.asarray(np.sqrt(np.mean(np.sum(off**2, axis=-1), axis=-1)))


def _foreshortened(model: Array, half: float) -> tuple[Array, float]:
    """Direction on the card in which it is seen shortest, and the slant that says. [°]"""
    h = 1e-4
    steps = as_printed(np.array([[h, 0.0], [-h, 0.0], [0.0, h], [0.0, -h]]))
    straight = _project(_matrix(model), steps)
    slope = np.stack([straight[0] - straight[1], straight[2] - straight[3]], axis=1)
    _, size, turned = np.linalg.svd(slope)
    return turned[1], float(np.degrees(np.arccos(np.clip(size[1] / size[0], 0.0, 1.0))))
