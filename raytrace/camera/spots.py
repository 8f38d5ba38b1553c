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

from raytrace.camera.finding import FlatCard, FoundCard, off_markers
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
PURE = 0.5  # least excess of a laser's colour, by what it adds: daylight and gloss have less
RUN = 0.6  # most of an ink's colour that runs into the paper beside it,
RUNS = 2e-3  # how far, or five of the picture's pixels [m]
INK = 0.04  # less than that is noise
SHADE = 40e-3  # over which the light on the paper is taken [m]
FAINT = 0.06  # excess of the colour, white paper being 1, up to where a spot reaches
FAINTEST = 0.15  # in a spot's middle
BRIGHTER = 0.02  # than the paper round it is a quarter of a spot, print included
PIXEL = 0.3e-3  # of the card seen straight on, or coarser if the picture is [m]
SMOOTH = 0.35e-3  # standard deviation [m]
PRINT = 1.8e-3  # radius within which print is closed [m]
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
    peak: float  # of what is surely a laser's

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
    channel, patches, noise = _patches(name, flat, usable, _pixel_size(card))
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
    return int(np.clip(2.0 * card.layout.half / max(_pixel_size(card), PIXEL), 200, 2000))


def _pixel_size(card: FoundCard) -> float:
    """Length on the card of a pixel of the picture, where it is least foreshortened. [m]"""
    h = 1e-3
    step = card.to_picture(np.array([[-h, 0.0], [h, 0.0], [0.0, -h], [0.0, h]]))
    return 2.0 * h / float(max(np.hypot(*(step[1] - step[0])), np.hypot(*(step[3] - step[2]))))


def _usable(card: FoundCard, flat: FlatCard) -> Mask:
    """Paper on which a spot can be seen: on the picture and off the markers."""
    index = np.arange(len(flat.pixels))
    at = card.to_picture(flat.places(index[:, None], index[None, :]))
    height, width = card.picture.pixels.shape[:2]
    there = (at >= 0.0).all(axis=-1) & (at[..., 0] <= width - 1) & (at[..., 1] <= height - 1)
    return np.asarray(off_markers(flat, card.layout) & there)


def _patches(
    name: str, flat: FlatCard, usable: Mask, per_pixel: float
) -> tuple[int, list[_Patch], float]:
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
    some = usable[::3, ::3]
    white = np.asarray(np.median(paper[::3, ::3][some], axis=0))
    if white.max() < 0.004:
        raise PictureError(name, "the card is too dark to measure on. Give it some light.")
    scale = np.float32(1.0) / np.maximum(white, 1e-4).astype(np.float32)
    raw, closed = light * scale, paper * scale
    added = closed - _shade(closed, flat.pixel)
    # colour that has run from print into the paper beside it makes that no brighter
    brighter = np.asarray(added @ np.array(LUMA, dtype=np.float32)) / BRIGHTENS
    found: list[tuple[float, int, list[_Patch], float]] = []
    for channel in range(3):
        others = [k for k in range(3) if k != channel]
        excess = added[..., channel] - added[..., others].mean(axis=-1)
        noise = 1.4826 * float(np.median(np.abs(excess[::3, ::3][some])))
        ink = (closed - raw)[..., others].mean(axis=-1) - (closed - raw)[..., channel]
        # nor does the colour of skin brighten the paper
        ink = np.maximum(ink, excess - np.maximum(brighter, 0.0))
        sure = np.minimum(excess, brighter) - RUN * _near(ink, flat.pixel, per_pixel)
        coloured = (sure > max(FAINT, 6.0 * noise)) & usable
        coloured &= excess > PURE * added[..., channel]
        full = bright[..., channel] & usable
        patches = _of_channel(flat, usable, coloured, full, excess, sure)
        patches = [
            patch
            for patch in patches
            if patch.peak > FAINTEST and _a_lasers(patch, flat, usable, full, raw, closed, channel)
        ]
        if patches:
            patches.sort(key=lambda patch: -patch.light)
            found.append((max(patch.peak for patch in patches), channel, patches, noise))
    if not found:
        raise PictureError(
            name,
            "no spot on the card: the laser is off, its spot lies off the card, or it is too faint "
            "beside the light on the paper. Shade the card.",
        )
    return max(found, key=lambda one: one[0])[1:]


def _near(ink: Light, pixel: float, per_pixel: float) -> Light:
    """Most ink of a colour that is printed about each place, within what colours run."""
    cv2 = vision()
    reach = max(RUNS, 5.0 * per_pixel)
    width = 2 * max(1, round(reach / pixel)) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    return np.asarray(cv2.dilate(np.maximum(ink - INK, 0.0), disc))


def _shade(paper: Light, pixel: float) -> Light:
    """Light on the paper about each place, what is narrow left out; shadows keep their edges."""
    cv2 = vision()
    n = len(paper)
    size = max(8, round(n * pixel / 1e-3))
    level = 160.0
    small = cv2.resize(paper, (size, size), interpolation=cv2.INTER_AREA)
    coarse = np.clip(small * level + 0.5, 0.0, 255.0).astype(np.uint8)
    width = 2 * round(0.5 * SHADE * size / (n * pixel)) + 1
    median = cv2.medianBlur(coarse, width).astype(np.float32) / np.float32(level)
    return np.asarray(cv2.resize(median, (n, n), interpolation=cv2.INTER_LINEAR))


def _of_channel(
    flat: FlatCard, usable: Mask, coloured: Mask, full: Mask, excess: Light, sure: Light
) -> list[_Patch]:
    """Patches of light of one colour."""
    cv2 = vision()
    either = (coloured | full).astype(np.uint8)
    count, label, stats, _ = cv2.connectedComponentsWithStats(either, connectivity=8)
    out = []
    for k in range(1, count):
        left, top, width, height, _ = stats[k]
        rows, columns = slice(top, top + height), slice(left, left + width)
        mine = label[rows, columns] == k
        tinted = mine & coloured[rows, columns]
        if tinted.sum() * flat.pixel**2 < SMALLEST:
            continue
        # bright paper that only touches the spot is no core of it
        core = _enclosed(tinted) & full[rows, columns]
        inside = tinted | core
        value = excess[rows, columns].astype(np.float64)
        value[core] = value[tinted].max()
        i, j = np.nonzero(inside)
        at = flat.places(i + top, j + left)
        whole = np.zeros(usable.shape, dtype=np.bool_)
        whole[rows, columns] = inside
        peak = float(sure[rows, columns][tinted].max())
        out.append(_Patch(np.maximum(value[inside], 0.0), at, at[core[inside]], whole, peak))
    return out


def _a_lasers(
    patch: _Patch, flat: FlatCard, usable: Mask, full: Mask, raw: Light, closed: Light, channel: int
) -> bool:
    """Whether a patch adds light of one colour to the paper: skin, gloss, daylight, print don't."""
    cv2 = vision()
    margin = 2 * max(1, round(2e-3 / flat.pixel))
    i, j = np.nonzero(patch.inside)
    rows = slice(max(i.min() - margin, 0), i.max() + margin + 1)
    columns = slice(max(j.min() - margin, 0), j.max() + margin + 1)
    inside, there = patch.inside[rows, columns], usable[rows, columns]
    ring = np.ones((margin + 1, margin + 1), dtype=np.uint8)
    around = (cv2.dilate(inside.astype(np.uint8), ring) > 0) & ~inside & there
    # what is clipped has lost its colour, and its neighbours some of it
    near = cv2.dilate(full[rows, columns].astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    shown = inside & ~near
    if around.sum() < 10 or shown.sum() < 5:
        return False
    base = np.median(closed[rows, columns][around], axis=0)
    own = np.median(closed[rows, columns][shown], axis=0) - base
    others, least = np.delete(own, channel), np.delete(base, channel)
    luma = raw[rows, columns] @ np.array(LUMA, dtype=np.float32)
    # print below the spot is darker than it; what has run from print is darker all over
    brighter = float(np.percentile(luma[inside], 75.0) - np.median(luma[around]))
    return bool(
        own[channel] > 0.04 * base[channel]
        and (others > -0.2 * least).all()
        and own[channel] - others.mean() > PURE * own[channel]
        and brighter > BRIGHTER
    )


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
    return _Patch(patch.weight[mine], patch.at[mine], patch.core, inside, patch.peak)


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
