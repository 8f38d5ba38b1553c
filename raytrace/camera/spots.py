"""Find the laser's spot on the card in a photograph, and say how surely; or say why not.

Print takes light away from white paper, a laser adds light of its own colour. Thin print is
closed first, channel by channel; what then has more of one colour than the other two, and no less
of those than the paper round it, is the laser's light. The spot's place is that light's centre.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.camera.card import as_printed, marker_boxes
from raytrace.camera.finding import FlatCard, FoundCard
from raytrace.camera.pictures import Picture, linear_light
from raytrace.camera.vision import vision
from raytrace.exceptions import PictureError
from raytrace.texts import listed

__all__ = ["FoundSpot", "find_spot"]

Array = NDArray[np.float64]
Light = NDArray[np.float32]
Mask = NDArray[np.bool_]

COLOURS = ("red", "green", "violet")  # by the channel that they fill
LUMA = (0.299, 0.587, 0.114)  # of JPEG's brightness, which keeps sharp while colours run
BRIGHTENS = 0.3  # least brightness that a laser adds, by its colour's excess
PURE = 0.35  # least excess of a laser's colour, by the brightness it adds: a gloss has less
SHADE = 25e-3  # over which the paper's brightness is taken; shadows keep their edges [m]
FAINTEST = (0.06, 0.06, 0.12)  # excess of the colour over white paper; daylight's shade is bluish
PIXEL = 0.3e-3  # of the card seen straight on, or coarser if the picture is [m]
SMOOTH = 0.35e-3  # standard deviation [m]
PRINT = 1.8e-3  # radius within which print is closed [m]
WIDE = 60e-3  # over which the paper's own colour is taken [m]
SMALLEST = 1.2e-6  # a spot's area [m²]
CLIPPED = 250  # of 255: brighter than the camera can tell
SECOND = 0.15  # of the brightest spot's light, that makes another a second one
TRACE = 0.03  # that makes it worth a word
VALLEY = 0.5  # of the fainter peak: a deeper valley parts two spots
SMEARED = 8e-3  # length that is worth a word: four standard deviations of the light [m]
SHARES = (0.0, 0.2, 0.4)  # of the peak, below which light is left out
BENDS = (0.6, 1.0, 1.5)  # exponents that cameras' curves may put on light, beside the standard
CORE = 0.15  # of the size of a core without detail, that the centre may be off in it
LEAST = 0.1e-3  # standard error of any spot [m]


@dataclass(frozen=True, eq=False)
class FoundSpot:
    """The laser's spot on the card.

    Attributes
    ----------
    place : ndarray, shape (2,)
        Centre of its light in the platform's axes, x to the right and y toward the sun, from the
        centre of the pot's base. [m]
    sigma : ndarray, shape (2,)
        Standard errors. [m]
    tag : str or None
        Label of the facet whose tag is in the picture.
    colour : str
        Of the laser: red, green or violet.
    notes : tuple of str
        What the user should know.
    """

    place: Array
    sigma: Array
    tag: str | None
    colour: str
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Patch:
    """One patch of the laser's light on the flat card."""

    weight: Array  # of its pixels, shape (n,)
    at: Array  # their places [m], shape (n, 2)
    core: Array  # of those without detail, shape (m, 2)
    inside: Mask  # shape (N, N)

    @property
    def light(self) -> float:
        return float(self.weight.sum())

    @property
    def centre(self) -> Array:
        return np.average(self.at, axis=0, weights=self.weight)


def find_spot(picture: Picture, card: FoundCard) -> FoundSpot:
    """Measure the spot.

    Parameters
    ----------
    picture : Picture
    card : FoundCard
        Found in this picture.

    Returns
    -------
    FoundSpot

    Raises
    ------
    PictureError
        If there is no spot on the card, or two; if it runs over the card's edge or onto a marker;
        if the paper is overexposed; or if two facets' tags are in the picture.
    """
    name = picture.name
    if len(card.tags) > 1:
        raise PictureError(
            name, f"tags of facets {listed(card.tags, 'and')}. Leave one tag in the picture."
        )
    flat = card.flatten(_size(card))
    usable = _usable(card, flat)
    channel, patches, noise = _patches(name, flat, usable)
    patches = _parted(patches, flat)
    main = patches[0]
    places = [p.centre for p in patches if p.light > SECOND * main.light]
    if len(places) > 1:
        said = listed([_said(place) for place in places], "and")
        raise PictureError(
            name,
            f"{len(places)} spots, at {said} from the base's centre. Which is the facet's can't "
            "be told: a scattered beam, a neighbour's light, or a gloss. Photograph it alone.",
            [(float(x), float(y)) for x, y in places],
        )
    place = main.centre
    _refuse_edges(name, card, flat, usable, main)
    spread = card.covariance(place) + _own_error(main, noise, flat.pixel)
    notes = list(card.notes)
    length = 4.0 * np.sqrt(np.linalg.eigvalsh(_scatter(main)).max())
    if length > SMEARED:
        notes.append(f"The spot is smeared over {1e3 * length:.0f} mm.")
    if len(main.core):
        notes.append("The spot is overexposed; its middle is taken from its rim.")
    faint = [p.centre for p in patches[1:] if p.light > TRACE * main.light]
    if faint:
        notes.append(
            f"Fainter light lies at {listed([_said(p) for p in faint], 'and')}; it isn't counted."
        )
    return FoundSpot(place, np.sqrt(np.diag(spread)), next(iter(card.tags), None),
                     COLOURS[channel], tuple(notes))  # fmt: skip


def _said(place: Array) -> str:
    x, y = (round(1e3 * float(v)) for v in place)
    return f"x {x} mm, y {y} mm"


def _size(card: FoundCard) -> int:
    """Pixels of the flat card's side: as fine as the picture, within reason."""
    h = 1e-3
    step = card.to_picture(np.array([[-h, 0.0], [h, 0.0], [0.0, -h], [0.0, h]]))
    per_metre = max(np.hypot(*(step[1] - step[0])), np.hypot(*(step[3] - step[2]))) / (2.0 * h)
    return int(np.clip(2.0 * card.layout.half * min(per_metre, 1.0 / PIXEL), 200, 2000))


def _usable(card: FoundCard, flat: FlatCard) -> Mask:
    """Paper on which a spot can be seen: on the picture and off the markers."""
    n = len(flat.pixels)
    out = np.ones((n, n), dtype=np.bool_)
    for left, low, right, high in marker_boxes(card.layout):
        x = as_printed(np.array([[left, low], [right, high]]))[:, 0]
        columns = (np.sort(x) + flat.half) / flat.pixel
        rows = (flat.half - np.array([high, low])) / flat.pixel
        out[
            max(int(rows[0]), 0) : int(np.ceil(rows[1])),
            max(int(columns[0]), 0) : int(np.ceil(columns[1])),
        ] = False
    index = np.arange(n)
    at = card.to_picture(flat.places(index[:, None], index[None, :]))
    height, width = card.picture.pixels.shape[:2]
    there = (at >= 0.0).all(axis=-1) & (at[..., 0] <= width - 1) & (at[..., 1] <= height - 1)
    return np.asarray(out & there)


def _patches(name: str, flat: FlatCard, usable: Mask) -> tuple[int, list[_Patch], float]:
    """The laser's channel, patches of its light, the brightest first, and the light's noise."""
    cv2 = vision()
    light = cv2.GaussianBlur(linear_light(flat.pixels), (0, 0), SMOOTH / flat.pixel)
    width = 2 * max(1, round(PRINT / flat.pixel)) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    paper = cv2.morphologyEx(light, cv2.MORPH_CLOSE, disc)
    bright = flat.pixels >= CLIPPED
    if np.mean(bright[usable].all(axis=-1)) > 0.5:
        raise PictureError(
            name, "the card is overexposed: white paper shows no spot. Shade it, or expose less."
        )
    white = np.asarray(np.median(paper[usable], axis=0))
    if white.max() < 0.004:
        raise PictureError(name, "the card is too dark to measure on. Give it some light.")
    relative = paper / np.maximum(white, 1e-4)
    # colour that has run from print into the paper beside it makes that no brighter
    luma = np.asarray(relative @ np.array(LUMA, dtype=np.float32))
    brighter = luma - _shade(luma, flat.pixel)
    best: tuple[float, int, list[_Patch], float] | None = None
    for channel in range(3):
        others = [k for k in range(3) if k != channel]
        excess = relative[..., channel] - relative[..., others].mean(axis=-1)
        excess -= _wide_median(excess, usable, flat.pixel)
        noise = 1.4826 * float(np.median(np.abs(excess[usable])))
        least = max(FAINTEST[channel], 6.0 * noise)
        coloured = (np.minimum(excess, brighter / BRIGHTENS) > least) & usable
        coloured &= excess > PURE * brighter
        found = _of_channel(flat, usable, relative, excess, coloured, bright, channel)
        light_there = sum(patch.light for patch in found)
        if found and (best is None or light_there > best[0]):
            best = light_there, channel, found, noise
    if best is None:
        raise PictureError(
            name,
            "no spot on the card: the laser is off, its spot lies off the card, or it is too faint "
            "beside the light on the paper. Shade the card.",
        )
    return best[1], best[2], best[3]


def _wide_median(excess: Light, usable: Mask, pixel: float) -> Light:
    """The paper's own colour: medians over wide squares, smoothly joined."""
    cv2 = vision()
    count = max(3, round(len(excess) * pixel / (0.5 * WIDE)))
    edges = np.linspace(0, len(excess), count + 1).astype(int)
    medians = np.zeros((count, count), dtype=np.float32)
    overall = float(np.median(excess[usable]))
    for i in range(count):
        for j in range(count):
            rows = slice(edges[max(i - 1, 0)], edges[min(i + 2, count)])
            columns = slice(edges[max(j - 1, 0)], edges[min(j + 2, count)])
            there = excess[rows, columns][usable[rows, columns]]
            medians[i, j] = np.median(there) if len(there) > 50 else overall
    size = (excess.shape[1], excess.shape[0])
    return np.asarray(cv2.resize(medians, size, interpolation=cv2.INTER_LINEAR))


def _shade(luma: Light, pixel: float) -> Light:
    """Brightness of the paper about each place, what is narrow left out."""
    cv2 = vision()
    size = max(8, round(len(luma) * pixel / 1e-3))
    small = cv2.resize(luma, (size, size), interpolation=cv2.INTER_AREA)
    level = 160.0
    coarse = np.clip(small * level + 0.5, 0.0, 255.0).astype(np.uint8)
    width = 2 * round(0.5 * SHADE * size / (len(luma) * pixel)) + 1
    median = cv2.medianBlur(coarse, width).astype(np.float32) / level
    return np.asarray(cv2.resize(median, luma.shape[::-1], interpolation=cv2.INTER_LINEAR))


def _of_channel(
    flat: FlatCard,
    usable: Mask,
    relative: Light,
    excess: Light,
    coloured: Mask,
    bright: Mask,
    channel: int,
) -> list[_Patch]:
    """Patches of light of one colour, the brightest first."""
    cv2 = vision()
    full = bright[..., channel] & usable
    either = (coloured | full).astype(np.uint8)
    count, label, stats, _ = cv2.connectedComponentsWithStats(either, connectivity=8)
    others = [k for k in range(3) if k != channel]
    out = []
    ring = cv2.getStructuringElement(
        cv2.MORPH_ELLIPSE, 2 * (2 * max(1, round(2e-3 / flat.pixel)) + 1,)
    )
    margin = len(ring)
    for k in range(1, count):
        left, top, width, height, _ = stats[k]
        rows = slice(max(top - margin, 0), top + height + margin)
        columns = slice(max(left - margin, 0), left + width + margin)
        mine = label[rows, columns] == k
        tinted = mine & coloured[rows, columns]
        if tinted.sum() * flat.pixel**2 < SMALLEST:
            continue
        # bright paper that only touches the spot is no core of it
        core = _enclosed(tinted) & ~tinted & full[rows, columns]
        core |= tinted & full[rows, columns]
        inside = tinted | core
        around = (cv2.dilate(inside.astype(np.uint8), ring) > 0) & ~inside & usable[rows, columns]
        here = relative[rows, columns]
        if around.sum() < 10:
            continue
        base = np.median(here[around], axis=0)
        own = here[tinted].max(axis=0)
        shows = np.median(here[inside], axis=0)
        added = own[channel] > 1.06 * base[channel]
        kept = (shows[others] > 0.75 * base[others]).all()
        if not (added and kept):
            continue
        value = excess[rows, columns].astype(np.float64)
        value[core] = value[tinted].max()
        i, j = np.nonzero(inside)
        weight = np.maximum(value[inside], 0.0)
        at = flat.places(i + rows.start, j + columns.start)
        whole = np.zeros(usable.shape, dtype=np.bool_)
        whole[rows, columns] = inside
        out.append(_Patch(weight, at, at[core[inside]], whole))
    return sorted(out, key=lambda patch: -patch.light)


def _enclosed(mask: Mask) -> Mask:
    """A patch with its holes filled, the holes being what the frame can't be reached from."""
    cv2 = vision()
    rim = np.pad(mask.astype(np.uint8), 1)
    cv2.floodFill(rim, None, (0, 0), 2)
    return np.asarray(rim[1:-1, 1:-1] != 2)


def _parted(patches: list[_Patch], flat: FlatCard) -> list[_Patch]:
    """Patches, those with two peaks and a valley between cut at the valley."""
    cv2 = vision()
    out = []
    for patch in patches:
        image = np.zeros(patch.inside.shape)
        image[patch.inside] = patch.weight
        image = cv2.GaussianBlur(image, (0, 0), 0.8e-3 / flat.pixel)
        peak = image.max()
        cut = [patch]
        for share in np.linspace(0.1, 0.9, 17):
            count, label = cv2.connectedComponents((image > share * peak).astype(np.uint8))
            parts = []
            for k in range(1, count):
                there = label == k
                # a peak is one if it stands so much above the valley that parts it
                if image[there].max() * VALLEY >= share * peak or count == 2:
                    parts.append(there)
            if len(parts) > 1:
                cut = [_piece(patch, part) for part in parts]
                break
        out += cut
    return sorted(out, key=lambda patch: -patch.light)


def _piece(patch: _Patch, part: Mask) -> _Patch:
    mine = part[patch.inside]
    inside = np.zeros_like(part)
    inside[patch.inside] = mine
    return _Patch(patch.weight[mine], patch.at[mine], patch.core, inside)


def _refuse_edges(name: str, card: FoundCard, flat: FlatCard, usable: Mask, patch: _Patch) -> None:
    cv2 = vision()
    reach = 2 * max(1, round(1e-3 / flat.pixel)) + 1
    grown = cv2.dilate(patch.inside.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
    edge = grown[0].any() or grown[-1].any() or grown[:, 0].any() or grown[:, -1].any()
    if edge:
        raise PictureError(
            name, f"the spot at {_said(patch.centre)} runs over the card's edge. Its middle can't "
            "be told."
        )  # fmt: skip
    if (grown & ~usable).any():
        raise PictureError(
            name, f"the spot at {_said(patch.centre)} lies on a marker or at the picture's edge. "
            "Its middle can't be told."
        )  # fmt: skip
    if not card.holds(patch.centre):
        raise PictureError(
            name, f"the spot at {_said(patch.centre)} lies outside of the markers that can be "
            "read. Show the whole card."
        )  # fmt: skip


def _scatter(patch: _Patch) -> Array:
    """Covariance of the light about its centre. [m²]"""
    away = patch.at - patch.centre
    return np.asarray((patch.weight[:, None] * away).T @ away / patch.light)


def _own_error(patch: _Patch, noise: float, pixel: float) -> Array:
    """Covariance of the centre: noise, what counts as spot, the camera's curve, a bright core."""
    away = patch.at - patch.centre
    # neighbours' noise is one's own, over the smoothing
    alike = max(1.0, 4.0 * np.pi * (SMOOTH / pixel) ** 2) * 4.0
    grain = alike * noise**2 * (away.T @ away) / patch.light**2
    peak = patch.weight.max()
    centres = []
    for share in SHARES:
        for bend in BENDS:
            weight = np.maximum(patch.weight - share * peak, 0.0) ** bend
            centres.append(np.average(patch.at, axis=0, weights=weight))
    off = np.array(centres) - patch.centre
    doubt = off.T @ off / len(off)
    core: Any = np.zeros((2, 2))
    if len(patch.core) > 2:
        core = CORE**2 * np.cov(patch.core.T)
    return np.asarray(grain + doubt + core + LEAST**2 * np.eye(2))
