"""Markers in a picture, and their corners to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raytrace.camera.marker_bits import MODULES
from raytrace.camera.vision import vision

__all__ = ["Markers", "read_markers"]

Array = NDArray[np.float64]

SEARCH = 2000  # longer side of the picture in which markers are looked for [pixels]
ALONG, ACROSS = 24, 33  # places on a marker's side, and on the line across each of them
REACH = 0.8  # of that line to either side [modules]
SHORTEST = 32.0  # way round a marker in that picture: a shorter one's modules run together [pixels]


@dataclass(frozen=True, eq=False)
class Markers:
    """Markers seen in a picture.

    Attributes
    ----------
    number : ndarray of int, shape (n,)
    corners : ndarray, shape (n, 4, 2)
        Column and row of their corners, (0, 0) the middle of the first pixel; in each marker the
        top left one, the top right, the bottom right and the bottom left.
    blur : ndarray, shape (n,)
        Standard deviation of the smear of their edges. [modules]
    """

    number: NDArray[np.int64]
    corners: Array
    blur: Array

    def __len__(self) -> int:
        """How many there are."""
        return len(self.number)


def read_markers(grey: NDArray[np.uint8]) -> Markers:
    """Find markers: coarsely in a small copy of the picture, their corners in the picture itself.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)

    Returns
    -------
    Markers
        Only those whose sides can be followed.
    """
    cv2 = vision()
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36H11)
    ratio = max(1.0, max(grey.shape) / SEARCH)
    size = (round(grey.shape[1] / ratio), round(grey.shape[0] / ratio))
    how = cv2.aruco.DetectorParameters()
    how.minMarkerPerimeterRate = SHORTEST / max(size)  # else each speck of noise is looked at
    how.adaptiveThreshWinSizeMax = 43
    detector = cv2.aruco.ArucoDetector(family, how)
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if ratio > 1.0 else grey
    found, number, _ = detector.detectMarkers(small)
    if number is None or not len(found):
        return Markers(np.zeros(0, dtype=np.int64), np.zeros((0, 4, 2)), np.zeros(0))
    coarse = np.array(found, dtype=np.float64).reshape(-1, 4, 2)
    scale = np.array([grey.shape[1] / size[0], grey.shape[0] / size[1]])
    coarse = (coarse + 0.5) * scale - 0.5
    corners, blur = coarse, np.zeros(len(coarse))
    for _ in range(2):  # the second time from where the sides truly are
        corners, blur = _refined(grey, corners)
    moved = np.hypot(*(corners - coarse).transpose(2, 0, 1)).max(axis=1)
    module = _sides(coarse).min(axis=1) / MODULES
    sound = np.isfinite(blur) & (moved < 1.5 * module + 1.5 * ratio)
    return Markers(np.asarray(number, dtype=np.int64).ravel()[sound], corners[sound], blur[sound])


def _sides(corners: Array) -> Array:
    """Lengths of markers' sides, shape (n, 4). [pixels]"""
    step = np.roll(corners, -1, axis=1) - corners
    return np.asarray(np.hypot(step[..., 0], step[..., 1]))


def _refined(grey: NDArray[np.uint8], corners: Array) -> tuple[Array, Array]:
    """Corners where straight lines through a marker's edges meet, and how smeared the edges are.

    Across each side the edge lies where the light rises most: there it stays however bright the
    paper, and wherever a threshold would cut.
    """
    cv2 = vision()
    n = len(corners)
    begin, end = corners, np.roll(corners, -1, axis=1)
    along = (np.arange(ALONG) + 0.5) / ALONG * 0.8 + 0.1
    side = end - begin
    length = np.maximum(np.hypot(side[..., 0], side[..., 1]), 1e-6)
    direction = side / length[..., None]
    # clockwise as seen, so that its left is outside: from black to white
    normal = np.stack([direction[..., 1], -direction[..., 0]], axis=-1)
    # the module as wide as it is seen across this side
    area = 0.5 * np.abs(
        _cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    )  # shape (n,)
    module = area[:, None] / length / MODULES
    t = np.linspace(-REACH, REACH, ACROSS) * module[..., None]
    on = begin[:, :, None] + along[:, None] * side[:, :, None]
    at = on[:, :, :, None] + t[:, :, None, :, None] * normal[:, :, None, None]
    flat = at.reshape(-1, ACROSS, 2).astype(np.float32)
    light = cv2.remap(
        grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    light = light.reshape(n, 4, ALONG, ACROSS).astype(np.float64)
    rise = np.maximum(np.gradient(light, axis=-1), 0.0)
    step = t[..., 1] - t[..., 0]
    peak = rise.max(axis=-1, keepdims=True)
    weight = np.maximum(rise - 0.25 * peak, 0.0)
    # only about the steepest place: print or a shadow further off is not this edge
    near = np.abs(np.arange(ACROSS) - rise.argmax(axis=-1)[..., None]) <= ACROSS // 4
    weight *= near
    total = np.maximum(weight.sum(axis=-1), 1e-9)
    index = np.arange(ACROSS)
    place = (weight * index).sum(axis=-1) / total
    spread = np.sqrt((weight * (index - place[..., None]) ** 2).sum(axis=-1) / total)
    offset = (place - 0.5 * (ACROSS - 1)) * step[..., None]  # shape (n, 4, ALONG)
    strong = peak[..., 0] > 0.3 * np.median(peak[..., 0], axis=(1, 2), keepdims=True)
    x = np.broadcast_to(along - 0.5, offset.shape)
    good = strong.astype(np.float64)
    for _ in range(4):
        level, slope = _line(x, offset, good)
        off = np.abs(offset - level[..., None] - slope[..., None] * x)
        usual = np.maximum(np.median(off, axis=-1, keepdims=True), 0.02)
        good = strong / np.maximum(1.0, off / (2.5 * usual))
    first = begin + (level - 0.5 * slope)[..., None] * normal
    last = end + (level + 0.5 * slope)[..., None] * normal
    out = _meet(np.roll(first, 1, axis=1), np.roll(last, 1, axis=1), first, last)
    blur = np.median(spread * (2.0 * REACH / (ACROSS - 1)), axis=(1, 2))
    few = (strong.sum(axis=-1) < ALONG // 3).any(axis=1) | ~np.isfinite(out).all(axis=(1, 2))
    return out, np.where(few, np.nan, blur)


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _line(x: Array, y: Array, weight: Array) -> tuple[Array, Array]:
    """Weighted straight line over the last axis: its value at 0 and its slope."""
    total = np.maximum(weight.sum(axis=-1), 1e-9)
    mean_x, mean_y = (weight * x).sum(axis=-1) / total, (weight * y).sum(axis=-1) / total
    dx = x - mean_x[..., None]
    slope = (weight * dx * y).sum(axis=-1) / np.maximum((weight * dx**2).sum(axis=-1), 1e-9)
    return mean_y - slope * mean_x, slope


def _meet(a: Array, b: Array, c: Array, d: Array) -> Array:
    """Where the lines through a and b and through c and d cross."""
    along, other = b - a, d - c
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(a + (_cross(c - a, other) / _cross(along, other))[..., None] * along)
