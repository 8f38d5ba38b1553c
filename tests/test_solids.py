"""Whether outlines, boxes and the pot cut each other, against shapely and by hand."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raytrace.solids import (
    box_body,
    clip_to_slab,
    distance_from_axis,
    flat_body,
    overlap,
)

UP = np.array([0.0, 0.0, 1.0])


def square(x, y, z=0.0, half=1.0, angle=0.0):
    corner = half * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    c, s = np.cos(angle), np.sin(angle)
    turned = corner @ np.array([[c, s], [-s, c]])
    return np.column_stack([turned + np.array([x, y]), np.full(4, z)])


numbers = st.floats(-3.0, 3.0)


@given(numbers, numbers, st.floats(0.0, np.pi))
@settings(max_examples=200, deadline=None)
def test_outlines_in_one_plane_agree_with_shapely(x, y, angle):
    a, b = square(0, 0), square(x, y, angle=angle)
    area = shapely.Polygon(a[:, :2]).intersection(shapely.Polygon(b[:, :2])).area
    if area > 1e-6:
        assert overlap(flat_body(a, UP), flat_body(b, UP))
    elif area == 0.0 and shapely.Polygon(a[:, :2]).distance(shapely.Polygon(b[:, :2])) > 1e-6:
        assert not overlap(flat_body(a, UP), flat_body(b, UP))


def test_outlines_that_share_an_edge_are_apart():
    assert not overlap(flat_body(square(0, 0), UP), flat_body(square(2, 0), UP))


def test_crossing_planes():
    upright = np.array([[0.0, -1, -1], [0, 1, -1], [0, 1, 1], [0, -1, 1]])
    normal = np.array([1.0, 0.0, 0.0])
    assert overlap(flat_body(square(0, 0), UP), flat_body(upright, normal))
    assert not overlap(flat_body(square(1.5, 0), UP), flat_body(upright, normal))
    assert not overlap(flat_body(square(0, 0, z=1.5), UP), flat_body(upright, normal))
    assert not overlap(flat_body(square(0, 0, z=1.0), UP), flat_body(upright, normal))


@given(st.tuples(numbers, numbers, numbers), st.tuples(numbers, numbers, numbers))
@settings(max_examples=100, deadline=None)
def test_random_outlines_agree_with_points_in_common(shift, tilt):
    """Two outlines cross if an edge of either passes through the other: by brute force."""
    n = np.array([*tilt[:2], 1.0])
    n /= np.linalg.norm(n)
    u = np.array([1.0, 0, 0]) - n * n[0]
    u /= np.linalg.norm(u)
    v = np.cross(n, u)
    a = square(0, 0)
    corner = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    b = np.array(shift) + corner @ np.stack([u, v])
    # margin: how far the nearest edge crossing is from the other's rim
    margins = []
    for p, q, (uu, vv, nn, c) in [
        (b, np.roll(b, -1, 0), (np.eye(3)[0], np.eye(3)[1], UP, np.zeros(3))),
        (a, np.roll(a, -1, 0), (u, v, n, np.array(shift))),
    ]:
        d0, d1 = (p - c) @ nn, (q - c) @ nn
        for k in range(4):
            if d0[k] * d1[k] < 0:
                x = p[k] + d0[k] / (d0[k] - d1[k]) * (q[k] - p[k]) - c
                margins.append(1.0 - max(abs(x @ uu), abs(x @ vv)))
    crossing = max(margins, default=-1.0)
    near = min(np.abs(b @ UP).min(), np.abs((a - np.array(shift)) @ n).min())
    if abs(crossing) > 1e-6 and near > 1e-6:
        assert overlap(flat_body(a, UP), flat_body(b, n)) == (crossing > 0)


def test_boxes_and_outlines():
    box = box_body(np.array([0.5, 0.5, -1.0]), np.array([0.7, 0.7, 1.0]))
    assert overlap(flat_body(square(0, 0), UP), box)
    assert not overlap(flat_body(square(0, 0, z=1.1), UP), box)
    assert not overlap(flat_body(square(-1, 0), UP), box)


@given(st.lists(st.tuples(numbers, numbers), min_size=3, max_size=8))
@settings(max_examples=100, deadline=None)
def test_distance_from_axis_agrees_with_shapely(points):
    hull = shapely.convex_hull(shapely.MultiPoint(points))
    if hull.geom_type != "Polygon" or hull.area < 1e-3:
        return
    p = np.array(hull.exterior.coords)[:-1]
    want = hull.distance(shapely.Point(0, 0))
    got = distance_from_axis(np.column_stack([p, np.zeros(len(p))]))
    assert abs(got - want) < 1e-9


def test_clipping_to_a_slab():
    upright = np.array([[0.0, -1, -1], [0, 1, -1], [0, 1, 1], [0, -1, 1]])
    part = clip_to_slab(upright, -0.25, 0.5)
    assert part[:, 2].min() == -0.25
    assert part[:, 2].max() == 0.5
    assert not len(clip_to_slab(upright, 2.0, 3.0))
