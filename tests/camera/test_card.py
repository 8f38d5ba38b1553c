"""The card's markers are those that a vision library reads, where the layout says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, box

from raytrace.camera.card import EDGE, QUIET, as_printed, card_layout, layouts_of, marker_boxes
from raytrace.camera.marker_bits import MARKERS, marker_modules
from raytrace.exceptions import GeometryError

cv2 = pytest.importorskip("cv2")


def test_markers_are_the_librarys():
    """OpenCV's own drawing of AprilTag 36h11."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36H11)
    assert len(family.bytesList) == MARKERS
    for number in range(MARKERS):
        drawn = cv2.aruco.generateImageMarker(family, number, 8)
        assert ((drawn == 0) == marker_modules(number)).all()
    with pytest.raises(IndexError):
        marker_modules(MARKERS)


@settings(max_examples=30)
@given(st.floats(0.02, 0.4))
def test_markers_leave_the_circle_clear_and_stay_on_the_card(reach):
    """Shapely's polygons."""
    layout = card_layout(reach)
    assert reach <= layout.clear + 1e-9
    assert layout.half < max(0.07, reach + EDGE) + 0.01 + 1e-9
    boxes = [box(*b) for b in marker_boxes(layout)]
    card = box(-layout.half, -layout.half, layout.half, layout.half).buffer(1e-9)
    circle = Point(0.0, 0.0).buffer(layout.clear - 1e-4, quad_segs=64)
    for k, one in enumerate(boxes):
        assert card.contains(one)
        assert not one.intersects(circle)
        # white frames may share their white
        own = box(*one.bounds).buffer(-QUIET - 1e-9, join_style="mitre")
        assert not any(own.intersects(other) for j, other in enumerate(boxes) if j != k)
    assert len(set(layout.number)) == len(layout.number)
    # in a marker's order of corners, the print runs clockwise and the platform the other way
    shown = as_printed(layout.corners)
    sides = np.diff(shown[:, :3], axis=1)
    assert (sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0] < 0.0).all()


def test_cards_of_neighbouring_sizes_share_no_marker():
    seen = [set(card_layout(0.09 + 0.01 * k).number) for k in range(10)]
    assert len(set().union(*seen)) == sum(map(len, seen))
    for k in range(10):
        layout = card_layout(0.09 + 0.01 * k)
        found = layouts_of(int(layout.number[-1]), {})
        assert any(np.array_equal(one.corners, layout.corners) for one in found)
    assert layouts_of(300, {}) == []


def test_tags_are_nobody_elses():
    layout = card_layout(0.12, [f"F{k}" for k in range(400)])
    assert min(layout.tags.values()) == 280
    assert max(layout.tags.values()) == MARKERS - 1
    assert len(layout.tags) == MARKERS - 280
    with pytest.raises(GeometryError, match="size"):
        card_layout(float("nan"))
