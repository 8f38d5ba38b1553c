"""The light on a card, from a picture of it that is seen straight on.

What a camera keeps is no measure of light: its tone curve is its maker's secret, and what is too
bright is cut off. Here the standard curve is undone, print and what is cut off are marked, and
what is left is to be trusted in its order from dark to bright, not in its proportions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raytrace.camera.card import CardLayout
from raytrace.camera.finding import find_card, off_markers
from raytrace.camera.pictures import Picture, linear_light
from raytrace.exceptions import PictureError

__all__ = ["SunlitCard", "read_sunlit", "sunlit_card", "taken_at"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

FULL = 250  # of 255, from which a colour may be cut off
PIXELS = 768  # along a side of a card that is seen straight on
CELLS = 64  # along the card's longer side, that pixels are averaged to
PRINT = 6e-3  # strokes of the print are narrower than this [m]
BESIDE = 1e-3  # of a stroke, that its blur reaches [m]
INKED = 0.06  # that print is darker than paper at least, black to white being 1
LONE = 3.0  # times the pixels' noise, the same
CUT_OFF = 0.05  # share of a cell's pixels at the limit, from which the cell is
UNLIT = 0.05  # share of the card that the mirrors leave dark at least, where two pictures are used
FEWEST = 100  # cells that are known
# ITU-R BT.709: luminance of red, green and blue
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


@dataclass(frozen=True, eq=False)
class SunlitCard:
    """Light on a card, by cells.

    Attributes
    ----------
    source : str
        Name of the picture's file.
    x, y : ndarray, shape (X,), (Y,)
        Middles of the cells from the base's middle: to the platform's right, and toward the
        sun's side. [m]
    light : ndarray, shape (Y, X)
        Rising with the light that falls there; 1 is the brightest that is known. Nan where
        nothing is. [1]
    clipped : ndarray of bool, shape (Y, X)
        At the camera's limit: at least as bright as all that is known.
    print : float
        Share of the card that was left out for its print. [1]
    dark : str
        Name of the picture without the mirrors' light; empty without one.
    """

    source: str
    x: Array
    y: Array
    light: Array
    clipped: Mask
    print: float
    dark: str = ""


def sunlit_card(
    name: str,
    pixels: NDArray[np.uint8],
    width: float,
    *,
    dark: NDArray[np.uint8] | None = None,
    dark_name: str = "",
    leave_out: Mask | None = None,
) -> SunlitCard:
    """Read the light on a card.

    Parameters
    ----------
    name : str
        Of the picture, for messages.
    pixels : ndarray of uint8, shape (H, W, 3)
        The card seen from above: the sun's side up, the platform's right on the right; its middle
        is the base's.
    width : float
        Of what is seen. [m]
    dark : ndarray of uint8, shape (H, W, 3), optional
        The same card, seen alike, without the mirrors' light: takes print and uneven daylight out.
    dark_name : str
        Of that picture.
    leave_out : ndarray of bool, shape (H, W), optional
        Pixels that show no plain paper, such as markers.

    Returns
    -------
    SunlitCard

    Raises
    ------
    PictureError
        If nothing is left to compare.

    Notes
    -----
    The standard tone curve is that of IEC 61966-2-1. Print is what lies darker than a grey closing
    by squares wider than its strokes [1]_. With a second picture, what its daylight makes of the
    paper is taken off, in the proportion of the two where the mirrors send nothing.

    References
    ----------
    .. [1] J. Serra, Image analysis and mathematical morphology, Academic Press 1982: closing.
    """
    step = width / pixels.shape[1]
    lit = linear_light(pixels) @ LUMINANCE
    clipped = np.asarray((pixels >= FULL).any(axis=2))
    left_out = np.zeros(lit.shape, dtype=bool) if leave_out is None else leave_out.copy()
    if dark is None:
        left_out |= _printed(pixels, step) & ~clipped
    else:
        day = linear_light(dark) @ LUMINANCE
        paper = _paper(day, step)
        left_out |= _printed(dark, step) | (dark >= FULL).any(axis=2)
        known = ~left_out & ~clipped
        if not known.any():
            raise PictureError(name, "nothing but print, or too bright everywhere.")
        share = float(np.quantile((lit / np.maximum(day, 1e-6))[known], UNLIT))
        lit = lit - share * paper
    known = ~left_out & ~clipped
    total, whole = _blocks(np.ones(lit.shape)), _blocks(~left_out)
    cut, sure = _blocks(clipped & ~left_out), _blocks(known)
    sums = _blocks(np.where(known, lit, 0.0))
    at_limit = cut > CUT_OFF * np.maximum(whole, 1)
    seen = (whole >= 0.3 * total) & ((sure > 0) | at_limit)
    light = np.where(seen & ~at_limit, sums / np.maximum(sure, 1), np.nan)
    some = light[np.isfinite(light)]
    if some.size < FEWEST or not some.max() > some.min():
        raise PictureError(
            name,
            "too little of the card is left to compare: it is too bright, or all print. Dim the "
            "spot by covering facets, or expose for the spot.",
        )
    low, high = (0.0 if dark is not None else float(some.min())), float(some.max())
    rows, columns = light.shape
    size = step * (pixels.shape[1] // columns)
    top = 0.5 * step * pixels.shape[0]
    return SunlitCard(
        source=name,
        x=(np.arange(columns) + 0.5) * size - 0.5 * width,
        y=(top - (np.arange(rows) + 0.5) * size)[::-1],
        light=((light - low) / (high - low))[::-1],
        clipped=(at_limit & seen)[::-1],
        print=float(left_out.mean()),
        dark=dark_name if dark is not None else "",
    )


def read_sunlit(picture: Picture, layout: CardLayout, dark: Picture | None = None) -> SunlitCard:
    """Find the printed card in a picture of the sun's spot, and read the light on it.

    Parameters
    ----------
    picture : Picture
    layout : CardLayout
        That the scenario prints.
    dark : Picture, optional
        Of the same card without the mirrors' light; it need not be taken from the same place.

    Returns
    -------
    SunlitCard

    Raises
    ------
    PictureError
        If there is no card to be found in either, the cards differ, or nothing is left to compare.
    """
    found = find_card(picture, layout)
    flat = found.flatten(PIXELS)
    day = None
    if dark is not None:
        other = find_card(dark, layout)
        if other.layout.half != found.layout.half:
            raise PictureError(dark.name, f"shows a card of another size than {picture.name}.")
        day = other.flatten(PIXELS).pixels
    return sunlit_card(
        picture.name,
        flat.pixels,
        2.0 * flat.half,
        dark=day,
        dark_name="" if dark is None else dark.name,
        leave_out=~off_markers(flat, found.layout),
    )


def taken_at(picture: Picture) -> str:
    """When a picture was taken, by its camera's clock.

    Parameters
    ----------
    picture : Picture

    Returns
    -------
    str
        As an option --at has it; empty where the camera didn't write it down.

    Examples
    --------
    >>> taken_at(Picture("a.jpg", np.zeros((1, 1, 3), np.uint8), None, "2026:06:21 09:30:10"))
    '2026-06-21 09:30:10'
    """
    day, _, time = (picture.taken or "").partition(" ")
    return f"{day.replace(':', '-')} {time}" if time else ""


def _paper(light: Array, step: float) -> Array:
    """What the paper would show without its print."""
    from scipy.ndimage import gaussian_filter, grey_closing, median_filter

    size = 2 * round(0.5 * PRINT / step) + 1
    return np.asarray(gaussian_filter(grey_closing(median_filter(light, 3), (size, size)), 3.0))


def _printed(pixels: NDArray[np.uint8], step: float) -> Mask:
    """Where print is, by the picture's own scale, in which noise is as strong in light and dark."""
    from scipy.ndimage import binary_dilation, median_filter

    grey = pixels @ LUMINANCE / 255.0
    smooth = median_filter(grey, 3)
    noise = 1.4826 * float(np.median(np.abs(grey - smooth)))
    ink = smooth < _paper(grey, step) - max(INKED, LONE * noise)
    return np.asarray(binary_dilation(ink, iterations=max(1, round(BESIDE / step))))


def _blocks(values: NDArray[np.generic]) -> Array:
    """Sums over square blocks, what is over at the lower and right edges left out."""
    block = -(-max(values.shape) // CELLS)
    rows, columns = (n // block for n in values.shape)
    cut = np.asarray(values[: rows * block, : columns * block], dtype=np.float64)
    return np.asarray(cut.reshape(rows, block, columns, block).sum(axis=(1, 3)))
