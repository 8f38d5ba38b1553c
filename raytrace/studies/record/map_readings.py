"""A measured flux map, from a table or a grey picture: read, freed of what the camera got wrong.

All maps become one: values on a square grid in the pot's frame, from the middle of the base, nan
where nothing was measured.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.csv_dialect import decimal_marks, delimiter_of, numeral, pointed, split_rows
from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.columns import Column, read_table
from raytrace.scenario.values import table_text

__all__ = ["MapReading", "Reader", "map_stamp", "read_map"]

Array = NDArray[np.float64]

PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".pgm")
LARGEST = 64_000_000  # bytes of a picture
MOST_PIXELS = 16_000_000
CELLS = 96  # along the longer side, that a finer map is averaged to
FEWEST = 60  # values, below which there is nothing to fit
LONE = 6.0  # robust standard deviations outside its neighbours, that a dead pixel lies
LONE_SHARE = 0.1  # of the greatest value, that it lies outside at least


@dataclass(frozen=True)
class Reader:
    """How a map is to be read.

    Attributes
    ----------
    scale : float
        Side of a pixel; 0 where the table says where each value lies. [m]
    centre : tuple of float or None
        Where the base's middle is, pixels from the left and from the top; the map's own by default.
    from_below : bool
        Seen from below, so that right and left are exchanged.
    grey : str
        "linear": grey in proportion to the light. "srgb": as ordinary pictures are kept.
    absolute : bool
        Grey values of a table without columns are W/m².
    """

    scale: float = 0.0
    centre: tuple[float, float] | None = None
    from_below: bool = False
    grey: str = "linear"
    absolute: bool = False


@dataclass(frozen=True, eq=False)
class MapReading:
    """A measured map.

    Attributes
    ----------
    source : str
        Name of its file.
    absolute : bool
        Whether its values are W/m²; else they are in proportion to these.
    x, y : ndarray, shape (X,), (Y,)
        Middles of its cells, from the middle of the base: to the platform's right, and toward the
        sun's side. [m]
    value : ndarray, shape (Y, X)
        Irradiance, or in proportion to it; nan where it isn't known.
    missing, saturated, dead : int
        Pixels that were left out: without a value, at the camera's limit, and far off all their
        neighbours.
    """

    source: str
    absolute: bool
    x: Array
    y: Array
    value: Array
    missing: int
    saturated: int
    dead: int


def read_map(path: Path, reader: Reader) -> MapReading:
    """Read a map.

    Parameters
    ----------
    path : Path
        A table (.csv), or a grey picture.
    reader : Reader

    Returns
    -------
    MapReading

    Raises
    ------
    ScenarioError
        If it can't be used; names the file.
    """
    name = path.name
    map_stamp(path)
    if path.suffix.lower() in PICTURES:
        return _on_grid(name, _picture(path, reader), reader, absolute=False)
    if path.suffix.lower() not in ("", ".csv", ".txt"):
        raise _refused(name, f"is neither a table (.csv) nor a picture ({', '.join(PICTURES)}).")
    text = table_text(path)
    rows = split_rows(text)
    if rows and all(map(_number, rows[0][1])):
        delimiter = delimiter_of(text)
        return _on_grid(name, _matrix(name, rows, delimiter), reader, absolute=reader.absolute)
    return _points(name, text)


def map_stamp(path: Path) -> str:
    """What tells one map's file from another.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Its name and the SHA-256 of its bytes.

    Raises
    ------
    ScenarioError
        If it can't be read or is too large.
    """
    try:
        if path.stat().st_size > LARGEST:
            raise _refused(path.name, f"over {LARGEST // 1_000_000} MB. Save a smaller part of it.")
        return f"{path.name} {hashlib.sha256(path.read_bytes()).hexdigest()}"
    except FileNotFoundError:
        raise _refused(path.name, "no such file.") from None
    except OSError as error:
        raise _refused(path.name, f"can't be read: {error.strerror}.") from None


def _refused(name: str, why: str) -> ScenarioError:
    return ScenarioError(name, [Problem("map", why)])


def _number(cell: str, mark: str = "") -> bool:
    """Whether a cell is empty or a number, with this decimal mark or with any."""
    plain = [pointed(numeral(cell) or "nan", m) for m in mark or ".,"]
    try:
        return bool([float(x) for x in plain if x is not None])
    except ValueError:
        return False


def _picture(path: Path, reader: Reader) -> Array:
    from PIL import Image

    try:
        with Image.open(path) as image:
            width, height = image.size
            if width * height > MOST_PIXELS:
                raise _refused(
                    path.name,
                    f"{width} × {height} pixels, over {MOST_PIXELS // 1_000_000} million. Cut it "
                    "to the target, or scale it down.",
                )
            mode = image.mode
            if mode not in ("L", "I;16", "I;16B", "I;16L", "I", "F"):
                raise _refused(
                    path.name, f"is a picture of the kind {mode}, not grey. Save it as grey."
                )
            value = np.asarray(image, dtype=float)
    except ScenarioError:
        raise
    except FileNotFoundError:
        raise _refused(path.name, "no such file.") from None
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise _refused(path.name, f"can't be read as a picture: {error}") from None
    full = 255.0 if mode == "L" else 65535.0
    value = np.where(value >= full, np.nan if mode == "F" else np.inf, value)
    if reader.grey == "srgb":  # IEC 61966-2-1
        x = value / full
        value = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    return np.asarray(value, dtype=np.float64)


def _matrix(name: str, rows: list[tuple[int, list[str]]], delimiter: str) -> Array:
    marks = decimal_marks([numeral(cell) for _, row in rows for cell in row], delimiter)
    if len(marks) != 1:
        raise _refused(
            name,
            "has numbers with a comma and with a point: write one decimal mark in the whole file."
            if not marks
            else 'may have thousands or thousandths: write one number as "1.2340", or all without '
            "the mark.",
        )
    width = len(rows[0][1])
    wrong = [n for n, row in rows if len(row) != width or not all(_number(c, marks) for c in row)]
    if wrong:
        raise _refused(name, f"row {wrong[0]}: not {width} numbers like the first row.")
    if len(rows) * width > MOST_PIXELS:
        raise _refused(name, f"{len(rows)} × {width} values, too many.")
    return np.array(
        [[float(pointed(numeral(c) or "nan", marks) or "nan") for c in row] for _, row in rows]
    )


def _points(name: str, text: str) -> MapReading:
    """Values at places; they must lie on a grid, of which any may lack."""
    text = re.sub(
        r"(?m)^((?:[^#\n]*[,;\t])?)\s*(k?)W_m2\s*([,;\t]|$)", r"\1flux_\2W/m^2\3", text, count=1
    )
    columns = [
        Column("x", "length"),
        Column("y", "length"),
        Column("flux", "irradiance", required=False, blank=True),
        Column("grey", "number", required=False, blank=True),
    ]
    found, problems = read_table(
        name, text, columns, lambda line, values: tuple(values.values()), "value"
    )
    if problems:
        raise ScenarioError(name, problems)
    table = np.array([[np.nan if v is None else v for v in row] for row in found], dtype=float)
    if np.isfinite(table[:, 2:]).any(axis=0).all():
        raise _refused(name, "has both a flux and a grey. Keep one.")
    absolute = bool(np.isfinite(table[:, 2]).any())
    x, y = _lattice(name, "x", table[:, 0]), _lattice(name, "y", table[:, 1])
    column, row = (
        np.rint((v - axis[0]) / (axis[1] - axis[0])).astype(int)
        for v, axis in ((table[:, 0], x), (table[:, 1], y))
    )
    value = np.full((len(y), len(x)), np.nan)
    value[row, column] = table[:, 2 if absolute else 3]
    return _cleaned(name, absolute, x, y, value)


def _lattice(name: str, axis: str, at: Array) -> Array:
    """Evenly spaced coordinates that values lie at."""
    steps = np.diff(np.unique(np.round(at, 6)))
    if not len(steps):
        raise _refused(name, f"all values have one {axis}: that is no map.")
    step = float(np.median(steps[steps >= 0.5 * steps.min()].min(initial=steps.min())))
    place = (at - at.min()) / step
    if np.abs(place - np.rint(place)).max() > 0.2:
        raise _refused(name, f"its {axis} are not evenly spaced. Give values on a grid.")
    count = int(np.rint(place.max())) + 1
    if count > 4096:
        raise _refused(name, f"its {axis} make {count} steps of {1e3 * step:.3g} mm: too many.")
    return np.asarray(at.min() + step * np.arange(count))


def _on_grid(name: str, value: Array, reader: Reader, *, absolute: bool) -> MapReading:
    """Map whose rows come from the sun's side, left to right."""
    if not reader.scale > 0.0:
        raise _refused(name, 'says not how large a pixel is. Give it: --scale "0.5 mm".')
    rows, columns = value.shape
    left, top = reader.centre or (0.5 * columns, 0.5 * rows)
    x = np.asarray((np.arange(columns) + 0.5 - left) * reader.scale, dtype=np.float64)
    y = np.asarray((top - np.arange(rows) - 0.5) * reader.scale, dtype=np.float64)
    if reader.from_below:
        x, value = -x[::-1], value[:, ::-1]
    return _cleaned(name, absolute, x, y[::-1], value[::-1])


def _cleaned(name: str, absolute: bool, x: Array, y: Array, value: Array) -> MapReading:
    """Leave out what the camera got wrong, and average what is finer than it need be."""
    value = np.array(value)
    full = _saturated(value)
    value[full] = np.nan
    lone = _lone(value)
    value[lone] = np.nan
    missing = int(np.isnan(value).sum() - full.sum() - lone.sum())
    x, y, value = _coarser(x, y, value)
    known = value[np.isfinite(value)]
    if len(known) < FEWEST or not known.max() > known.min():
        raise _refused(
            name,
            f"has {len(known)} usable values, too few to compare ({missing} missing, "
            f"{int(full.sum())} saturated, {int(lone.sum())} dead). {FEWEST} are the least, and "
            "they must differ.",
        )
    return MapReading(name, absolute, x, y, value, missing, int(full.sum()), int(lone.sum()))


def _saturated(value: Array) -> NDArray[np.bool_]:
    """Values at the camera's limit: infinite, or very many at one greatest value."""
    full = np.isinf(value)
    known = value[np.isfinite(value)]
    if len(known):
        levels, counts = np.unique(known, return_counts=True)
        # a map in whole numbers has about as many values at its greatest as at the next ones
        usual = np.median(counts[-9:-1]) if len(counts) > 1 else len(known)
        if counts[-1] > 3.0 * usual + 3.0:
            full |= value >= levels[-1]
    return np.asarray(full)


def _lone(value: Array) -> NDArray[np.bool_]:
    """Values that lie far outside the range of the eight round them, dark or bright."""
    padded = np.pad(value, 1, constant_values=np.nan)
    rows, columns = value.shape
    ring = [(i, j) for i in range(3) for j in range(3) if (i, j) != (1, 1)]
    around = np.stack([padded[i : i + rows, j : j + columns] for i, j in ring])
    if not np.isfinite(value).any():
        return np.zeros(value.shape, dtype=bool)
    known = np.isfinite(around).any(axis=0) & np.isfinite(value)
    here, beside = value[known], around[:, known]
    if not known.any():
        return known
    spread = 1.4826 * float(np.median(np.abs(here - np.nanmedian(beside, axis=0))))
    top = float(np.nanquantile(value, 0.99) - np.nanquantile(value, 0.01))
    off = np.zeros(value.shape)
    off[known] = np.maximum(here - np.nanmax(beside, axis=0), np.nanmin(beside, axis=0) - here)
    return np.asarray(off > max(LONE * spread, LONE_SHARE * top))


def _coarser(x: Array, y: Array, value: Array) -> tuple[Array, Array, Array]:
    """Means over square blocks, of which half must be known."""
    block = -(-max(value.shape) // CELLS)
    if block == 1:
        return x, y, value
    rows, columns = (n - n % block for n in value.shape)
    shape = rows // block, block, columns // block, block
    parts = value[:rows, :columns].reshape(shape)
    known = np.isfinite(parts)
    count = known.sum(axis=(1, 3))
    sums = np.where(known, parts, 0.0).sum(axis=(1, 3))
    mean: Any = np.where(2 * count >= block * block, sums / np.maximum(count, 1), np.nan)
    across, along = (
        np.asarray(a[:n].reshape(-1, block).mean(axis=1)) for a, n in ((x, columns), (y, rows))
    )
    return across, along, mean
