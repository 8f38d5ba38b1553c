"""Whether outlines, boxes and the pot cut each other, against shapely and by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raytrace import Mirror, Pot, cooker_from_arrays
from raytrace.cooker.collision import (
    box_body,
    clip_to_slab,
    distance_from_axis,
    flat_body,
    may_meet_cylinder,
    may_overlap_box,
    overlap,
    pairs_that_may_overlap,
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


def random_array(rng, F, spread):
    """Facets of all shapes, some close together, some turned far; as outlines and normals."""
    n = rng.normal(0.0, [0.5, 0.5, 0.0], (F, 3)) + UP
    cooker = cooker_from_arrays(
        centers=rng.uniform(-1.0, 1.0, (F, 3)) * [spread, spread, 0.1 * spread],
        normals=n,
        half_sizes=rng.uniform(0.05, 0.5, (F, 2)),
        shapes=rng.choice(["rectangular", "round", "hexagonal"], F),
        pot=Pot(base=np.array([0.0, 0.0, 5.0]), axis=UP, R=0.1, height=0.1),
        mirror=Mirror(),
    )
    return cooker.facets


@pytest.mark.parametrize("spread", [0.5, 1.5, 4.0])
def test_quick_looks_miss_no_pair_that_overlaps(spread):
    """The pairs left over hold exactly those that the exact test finds among all pairs."""
    facets = random_array(np.random.default_rng(20), 40, spread)
    bodies = [flat_body(facets.corners(f), facets.n[f]) for f in range(40)]
    every = {(i, j) for i in range(40) for j in range(i) if overlap(bodies[i], bodies[j])}
    left = pairs_that_may_overlap(facets.outlines(np.arange(40)), facets.n)
    assert {(j, i) for i, j in left} >= every
    assert sorted(map(tuple, left)) == list(map(tuple, left))
    # and they spare most of the work: of 780 pairs few are left that do not overlap
    assert len(left) - len(every) < 60
    assert every


def test_quick_looks_pass_neighbours_that_share_an_edge():
    outlines = np.stack([square(0, 0), square(2, 0), square(2, 2.0), square(1.9, -1.9)])
    left = pairs_that_may_overlap(outlines, np.tile(UP, (4, 1)))
    assert left.tolist() == [[0, 3], [1, 3]]


@pytest.mark.parametrize("seed", range(4))
def test_quick_looks_miss_no_facet_in_the_pot_or_a_post(seed):
    facets = random_array(np.random.default_rng(seed), 60, 1.5)
    outlines = facets.outlines(np.arange(60))
    R, height = 0.3, 0.2
    inside = np.array(
        [distance_from_axis(clip_to_slab(facets.corners(f), 0.0, height)) < R for f in range(60)]
    )
    may = may_meet_cylinder(outlines, R, height)
    assert not (inside & ~may).any()
    assert inside.any()
    assert may.sum() < 60
    low, high = np.array([0.2, 0.2, -0.4]), np.array([0.4, 0.5, 0.4])
    box = box_body(low, high)
    hit = np.array([overlap(flat_body(facets.corners(f), facets.n[f]), box) for f in range(60)])
    may = may_overlap_box(outlines, low, high)
    assert not (hit & ~may).any()
    assert hit.any()
    assert may.sum() < 60


def test_outlines_of_all_are_those_of_each():
    facets = random_array(np.random.default_rng(5), 12, 1.0)
    for f, outline in enumerate(facets.outlines(np.arange(12))):
        corners = facets.corners(f)
        np.testing.assert_array_equal(outline[: len(corners)], corners)
        assert (outline[len(corners) :] == corners[-1]).all()
