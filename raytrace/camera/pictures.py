"""Open photographs, within limits: a broken, huge or strange file is refused with its name."""

from __future__ import annotations

import io
import math
import stat
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import PictureError
from raytrace.texts import read_bytes

__all__ = ["MOST_BYTES", "MOST_PIXELS", "Picture", "linear_light", "open_picture"]

Pixels = NDArray[np.uint8]

MOST_BYTES = 50_000_000
MOST_PIXELS = 80_000_000
FEWEST = 100  # pixels of a side
FORMATS = ("JPEG", "PNG", "WEBP")
FILM = math.hypot(36.0, 24.0)  # diagonal of the film that 35 mm focal lengths refer to [mm]
EXIF, FOCAL_35, TAKEN = 0x8769, 0xA405, 0x9003
# brands in a file's first box: what phones save when not told to save JPEG
APPLE = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis")


@dataclass(frozen=True, eq=False)
class Picture:
    """One photograph, the right way up.

    Attributes
    ----------
    name : str
        Of its file.
    pixels : ndarray of uint8, shape (H, W, 3)
        Red, green, blue, as the file has them.
    focal : float or None
        Focal length that the camera wrote down [pixels], if it did: a guess.
    taken : str or None
        When it was taken by the camera's clock, as the camera wrote it.
    """

    name: str
    pixels: Pixels
    focal: float | None = None
    taken: str | None = None


def open_picture(path: Path | str, data: bytes | None = None) -> Picture:
    """Open a photograph.

    Parameters
    ----------
    path : path
        Its file; with data, only the name by which errors speak of it.
    data : bytes, optional
        Content of the file, if it is in memory already.

    Returns
    -------
    Picture

    Raises
    ------
    PictureError
        If it can't be read, is no photograph of a kind that is known, or is too large.
    """
    name = str(path)
    if data is None:
        data = _content(Path(path), name)
    if not data:
        raise PictureError(name, "an empty file. Copy it from the camera again.")
    if len(data) > MOST_BYTES:
        raise PictureError(name, _too_long())
    if data[4:8] == b"ftyp" and data[8:12] in APPLE:
        raise PictureError(
            name,
            "HEIC can't be read. Export it as JPEG, or set the phone's camera to save JPEG (often "
            'called "most compatible").',
        )
    try:
        return _decoded(name, data)
    except PictureError:
        raise
    except Exception as error:  # of a broken file, the library's decoders raise whatever it may be
        raise PictureError(
            name, "broken, or only part of a picture. Copy it from the camera again."
        ) from error


def linear_light(pixels: NDArray[Any]) -> NDArray[np.float32]:
    """Turn a file's values into light, by the standard curve of sRGB.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (...)

    Returns
    -------
    light : ndarray of float32, shape (...)
        From 0 to 1, the brightest that the camera could tell.

    Notes
    -----
    Cameras bend the curve to please [1]_, so equal steps here are equal steps of light only
    roughly.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, sRGB. From memory.
    """
    level = np.arange(256) / 255.0
    curve = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return np.asarray(curve.astype(np.float32)[pixels])


def _content(path: Path, name: str) -> bytes:
    try:
        kind = path.stat().st_mode
        if stat.S_ISDIR(kind):
            raise PictureError(name, "a folder. Name the pictures in it.")
        if not stat.S_ISREG(kind):
            raise PictureError(name, "not a plain file. Name a picture's file.")
        return read_bytes(path, MOST_BYTES)
    except PictureError:
        raise
    except FileNotFoundError:
        raise PictureError(name, "no such file.") from None
    except OSError as error:
        why = error.strerror or str(error)
        raise PictureError(name, f"can't be read: {why[:1].lower()}{why[1:]}.") from None
    except ValueError as error:
        reason = _too_long() if "longer" in str(error) else "not a name that a file can have."
        raise PictureError(name, reason) from None


def _too_long() -> str:
    return f"longer than {MOST_BYTES / 1e6:.0f} MB. Take it with less resolution, or as JPEG."


def _decoded(name: str, data: bytes) -> Picture:
    from PIL import Image, ImageOps, UnidentifiedImageError

    too_many = f"more than {MOST_PIXELS / 1e6:.0f} megapixels. Take it at 12 megapixels."
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of odd but harmless notes in a file
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        try:
            image: Any = Image.open(io.BytesIO(data), formats=FORMATS)
        except UnidentifiedImageError:
            raise PictureError(
                name, "not a picture that can be read: JPEG, PNG or WebP. Export it as JPEG."
            ) from None
        except (Image.DecompressionBombWarning, Image.DecompressionBombError):
            raise PictureError(name, too_many) from None
        with image:
            width, height = image.size
            if width * height > MOST_PIXELS:
                raise PictureError(name, too_many)
            if min(width, height) < FEWEST:
                raise PictureError(
                    name,
                    f"{width} × {height} pixels: too small to show anything. Send the picture "
                    "itself, not its preview.",
                )
            if image.format in ("PNG", "WEBP") and getattr(image, "is_animated", False):
                raise PictureError(name, "a moving picture. Take a still one.")
            focal, taken = _notes(image)
            image.load()
            pixels = _eight_bits(ImageOps.exif_transpose(image))
    return Picture(name, pixels, focal, taken)


def _notes(image: Any) -> tuple[float | None, str | None]:
    """Focal length [pixels] and time that the camera wrote down, if they make sense."""
    try:
        notes = image.getexif().get_ifd(EXIF)
        focal = float(notes.get(FOCAL_35, 0))
        taken = notes.get(TAKEN)
    except Exception:  # what is noted in a file may be anything; the picture is good without it
        return None, None
    sound = math.isfinite(focal) and 8.0 <= focal <= 400.0
    pixels = focal * math.hypot(*image.size) / FILM if sound else None
    text = isinstance(taken, str) and len(taken) == 19 and taken.isascii()
    return pixels, taken if text else None


def _eight_bits(image: Any) -> Pixels:
    """Red, green and blue of 8 bits, on white where the picture is clear."""
    from PIL import Image

    if image.mode.startswith("I;16") or image.mode in ("I", "F"):
        grey = np.asarray(image).astype(np.float64)
        grey = np.clip(grey / (257.0 if grey.max(initial=0.0) > 255.0 else 1.0), 0.0, 255.0)
        return np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2)
    if image.mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in image.info:
        clear = image.convert("RGBA")
        white = Image.new("RGBA", clear.size, (255, 255, 255, 255))
        image = Image.alpha_composite(white, clear)
    return np.array(image.convert("RGB"), dtype=np.uint8)
