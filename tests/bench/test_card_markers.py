"""The printed card's markers: its pages drawn, and read by OpenCV."""

from __future__ import annotations

import numpy as np
import pytest
from made_sheets import made_sheet

from raytrace.camera.card import MARKER, QUIET, as_printed, card_layout, layouts_of
from raytrace.exceptions import PictureError
from raytrace.reports.bench.sheet_card import card_pdf
from raytrace.reports.bench.sheet_tiles import BOTTOM, LEFT, lay_tiles
from raytrace.reports.common.lengths import RULES

cv2 = pytest.importorskip("cv2")
pdfium = pytest.importorskip("pypdfium2")

MM = 1e3
DOTS = 8.0  # a millimetre
GREATEST = 0.2  # that a marker may stand or be printed off [mm]


def pages(pdf, first, last, dots=DOTS):
    """Pictures of some of a PDF's pages, grey, so many dots a millimetre."""
    document = pdfium.PdfDocument(pdf)
    try:
        return [
            document[k].render(scale=dots * 25.4 / 72.0, grayscale=True).to_numpy().squeeze().copy()
            for k in range(first, last or len(document))
        ]
    finally:
        document.close()


def on_card(picture, tiles, k):
    """Numbers of a sheet's markers, and where on the card their corners are [mm]."""
    numbers, corners = read_markers(picture)
    row, column = divmod(k, len(tiles.x))
    share = corners / picture.shape[::-1]
    place = np.stack([share[..., 0], 1.0 - share[..., 1]], axis=-1) * tiles.paper
    return numbers, place - [LEFT, BOTTOM] + [tiles.x[column], tiles.y[row]]


def read_markers(picture):
    """Numbers and corners (n, 4, 2), in pixels from the left and the top."""
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36H11)
    corners, numbers, _ = cv2.aruco.ArucoDetector(family, settings).detectMarkers(picture)
    if numbers is None:
        return np.zeros(0, dtype=int), np.zeros((0, 4, 2))
    return np.array(numbers).ravel(), np.array(corners)[:, 0] + 0.5


@pytest.mark.parametrize(
    ("name", "paper", "sheets"),
    [("courtyard", "a4", 2), ("rim-ring", "letter", 4)],
)
def test_every_marker_is_read_at_its_place(name, paper, sheets):
    """OpenCV's detector, on one mark and on many; each on one sheet whole.

    A number says how large the card is.
    """
    read, sheet = made_sheet(name)
    pdf = card_pdf(read, sheet, RULES["mm"], paper=paper)
    drawn = pages(pdf, 1, 1 + sheets)
    first = read_markers(drawn[0])[0][0]
    layout = layouts_of(int(first), {})[0]
    half = layout.half
    reach = max(sheet.cooker.pot.R, np.abs(sheet.rings.place).max())
    assert reach <= layout.clear
    tiles = lay_tiles(np.array([-half, half, -half, half]), paper)
    assert len(tiles) == sheets
    seen = set()
    for k, picture in enumerate(drawn):
        numbers, place = on_card(picture, tiles, k)
        for number, corners in zip(numbers, place, strict=True):
            (which,) = np.flatnonzero(layout.number == number)
            off = corners - MM * as_printed(layout.corners[which])
            assert np.hypot(off[:, 0], off[:, 1]).max() < GREATEST
            seen.add(int(number))
    assert seen == set(layout.number.tolist())

    # tags, on the pages that follow
    rest = pages(pdf, 1 + sheets, None, dots=3.0)
    tags = np.concatenate([read_markers(page)[0] for page in rest])
    labels = sheet.cooker.facets.label
    assert sorted(tags) == sorted(card_layout(reach, labels).tags.values())
    assert len(tags) == len(labels)


def test_no_line_or_letter_runs_into_a_marker():
    """Round each marker the paper is white for as far as the layout promises."""
    read, sheet = made_sheet("courtyard")
    (drawn,) = pages(card_pdf(read, sheet, RULES["in"], paper="plotter"), 1, 2)
    _, corners = read_markers(drawn)
    assert len(corners) == 20
    frame = round(DOTS * MM * QUIET)
    for marker in corners:
        x0, y0 = np.floor(marker.min(axis=0) - 1.0).astype(int)
        x1, y1 = np.ceil(marker.max(axis=0) + 1.0).astype(int)
        assert x1 - x0 == pytest.approx(DOTS * MM * MARKER, abs=6)
        ring = drawn[y0 - frame + 3 : y1 + frame - 3, x0 - frame + 3 : x1 + frame - 3].copy()
        ring[frame - 3 : -(frame - 3), frame - 3 : -(frame - 3)] = 255
        assert ring.min() > 250


def test_the_print_itself_is_no_spot(monkeypatch):
    """A photograph of the printed rings, letters and marks: none without a laser, one with it."""
    from camera import rendered

    from raytrace.camera.finding import find_card
    from raytrace.camera.spots import find_spot

    read, sheet = made_sheet("courtyard")
    layout = card_layout(float(sheet.cooker.pot.R), sheet.cooker.facets.label)
    document = pdfium.PdfDocument(card_pdf(read, sheet, RULES["in"], paper="plotter"))
    try:
        page = document[1].render(scale=rendered.DOTS * 25.4 / 72.0).to_numpy()[..., ::-1].copy()
    finally:
        document.close()
    assert np.ptp(page.astype(int), axis=-1).max() <= 2, "no colours, which could be a laser's"
    half = layout.half
    tiles = lay_tiles(np.array([-half, half, -half, half]), "plotter")
    side = round(2.0 * MM * half * rendered.DOTS)
    left = round((LEFT - tiles.x[0] - MM * half) * rendered.DOTS)
    low = len(page) - round((BOTTOM - tiles.y[0] - MM * half) * rendered.DOTS)
    printed = page[low - side : low, left : left + side].astype(np.float32) / 270.0
    monkeypatch.setattr(rendered, "_card_image", lambda _: printed)
    scene = rendered.Scene(layout, (), width=1000, height=750, distance=0.4, roll=30.0)
    dark = rendered.photograph(scene)
    with pytest.raises(PictureError, match="no spot"):
        find_spot(dark, find_card(dark, layout))
    lit = rendered.photograph(rendered.replace(scene, blobs=(rendered.Blob((0.030, 0.028)),)))
    found = find_spot(lit, find_card(lit, layout))
    assert np.hypot(*(found.place - [0.030, 0.028])) < 1e-3
