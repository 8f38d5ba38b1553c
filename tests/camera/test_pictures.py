"""Pictures are opened within limits, and refused by name."""

from __future__ import annotations

import io
import os

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from raytrace.camera import pictures
from raytrace.camera.pictures import linear_light, open_picture
from raytrace.exceptions import PictureError


def saved(image, kind, **options):
    file = io.BytesIO()
    image.save(file, kind, **options)
    return file.getvalue()


def gradient(width=160, height=120):
    x = np.linspace(0, 255, width).astype(np.uint8)
    return Image.fromarray(np.broadcast_to(x, (height, width)).copy()).convert("RGB")


GOOD = {
    "a.jpg": saved(gradient(), "JPEG", quality=95),
    "a.png": saved(gradient(), "PNG"),
    "a.webp": saved(gradient(), "WEBP", lossless=True),
}


@pytest.mark.parametrize("name", GOOD)
def test_formats_that_phones_save(name, tmp_path):
    (tmp_path / name).write_bytes(GOOD[name])
    for picture in (open_picture(tmp_path / name), open_picture(name, GOOD[name])):
        assert picture.pixels.shape == (120, 160, 3)
        assert picture.focal is None
        assert np.abs(picture.pixels.astype(int) - np.asarray(gradient())).max() <= 3


def test_turned_and_noted_by_the_camera():
    exif = Image.Exif()
    exif[0x0112] = 6  # to be turned a quarter to the right
    exif.get_ifd(0x8769)[0xA405] = 26
    exif.get_ifd(0x8769)[0x9003] = "2030:01:02 03:04:05"
    picture = open_picture("a.jpg", saved(gradient(), "JPEG", exif=exif))
    assert picture.pixels.shape == (160, 120, 3)
    assert picture.pixels[0].mean() < 10
    # a picture of 200 pixels' diagonal; film of 36 mm by 24 mm
    assert picture.focal == pytest.approx(26 * 200.0 / np.hypot(36.0, 24.0))
    assert picture.taken == "2030:01:02 03:04:05"


def test_grey_clear_and_deep_pictures():
    deep = Image.fromarray(np.full((100, 100), 32896, dtype=np.uint16))
    assert (open_picture("a.png", saved(deep, "PNG")).pixels == 128).all()
    clear = Image.new("RGBA", (100, 100), (0, 0, 0, 0))
    assert (open_picture("a.png", saved(clear, "PNG")).pixels == 255).all()
    grey = Image.new("L", (100, 100), 77)
    assert (open_picture("a.png", saved(grey, "PNG")).pixels == 77).all()


def test_what_is_refused(tmp_path, monkeypatch):
    loop = tmp_path / "loop.jpg"
    loop.symlink_to(loop)
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "inner").mkdir()
    frames = [gradient(), Image.new("RGB", (160, 120))]
    moving = saved(frames[0], "WEBP", save_all=True, append_images=frames[1:])
    cases = {
        "none.jpg": (None, "no such file"),
        "inner": (None, "a folder"),
        "pipe.jpg": (None, "plain file"),
        "loop.jpg": (None, "can't be read"),
        "a\0b.jpg": (None, "not a name|no such"),
        "empty.jpg": (b"", "empty"),
        "text.jpg": (b"not a picture at all, but words", "JPEG, PNG or WebP"),
        "phone.heic": (b"\0\0\0\x18ftypheic" + bytes(40), "most compatible"),
        "half.jpg": (GOOD["a.jpg"][:900], "only part"),
        "half.png": (GOOD["a.png"][:-40], "only part"),
        "film.webp": (moving, "moving"),
        "icon.png": (saved(gradient(20, 20), "PNG"), "20 × 20"),
        "a.tif": (saved(gradient(), "TIFF"), "JPEG, PNG or WebP"),
        # a file of 12 kB that would take 400 MB
        "bomb.png": (saved(Image.new("1", (20000, 20000)), "PNG"), "megapixels"),
        "big.png": (saved(Image.new("1", (9500, 9000)), "PNG"), "megapixels"),
    }
    for name, (data, words) in cases.items():
        if data is not None:
            (tmp_path / name).write_bytes(data)
            with pytest.raises(PictureError, match=words):
                open_picture(name, data)
        with pytest.raises(PictureError, match=words) as caught:
            open_picture(tmp_path / name)
        assert caught.value.name.endswith(name.replace("\0", r"\x00"))
    monkeypatch.setattr(pictures, "MOST_BYTES", 1000)
    with pytest.raises(PictureError, match="longer than"):
        open_picture("a.jpg", GOOD["a.jpg"])
    (tmp_path / "a.jpg").write_bytes(GOOD["a.jpg"])
    with pytest.raises(PictureError, match="longer than"):
        open_picture(tmp_path / "a.jpg")


@settings(max_examples=60)
@given(st.sampled_from(sorted(GOOD)), st.data())
def test_broken_bytes_never_crash(name, data):
    content = bytearray(GOOD[name])
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    content = content[: data.draw(st.integers(0, len(content)))]
    try:
        picture = open_picture(name, bytes(content))
    except PictureError:
        return
    assert picture.pixels.shape[2] == 3


def test_linear_light_is_the_standards_curve():
    """IEC 61966-2-1: half of the light is level 188 (187.5) of 255. From memory."""
    light = linear_light(np.array([0, 10, 188, 255], dtype=np.uint8))
    assert light == pytest.approx([0.0, 10 / 255 / 12.92, 0.5, 1.0], abs=3e-3)
