"""Cutting, subtracting and measuring polygons, against a geometry library and closed integrals."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from areas import area_in_capsule, hull, random_polygon, shoelace

from raytrace.kernels import polygons as kernels

M = kernels.MAX_CORNERS
CASES = 300
# coordinates are of order 1; the kernels may fuse and reorder, and the library rounds too
ROUNDING = 2e-14


# -- how the kernels are called ------------------------------------------------------------------


def fresh():
    return np.full((kernels.ROWS, M, 2), np.nan)


SHARED = fresh()


def room(*polygons):
    """Rows that the kernels work in, some of them filled as their callers do."""
    polys = SHARED
    for row, p in zip((kernels.OUTLINE, kernels.SHADOW), polygons, strict=False):
        polys[row, : len(p)] = np.reshape(p, (-1, 2))
    return polys


def cut(p, at, along):
    """Parts left and right of a line, or None if a part would have too many corners."""
    polys = room(p)
    left, right = kernels.WORK, kernels.WORK + 1
    n_left, n_right = kernels.cut(polys, kernels.OUTLINE, len(p), (*at, *along), left, right)
    return (
        None
        if n_left < 0 or n_right < 0
        else (polys[left, :n_left].copy(), polys[right, :n_right].copy())
    )


def intersect(p, q):
    polys = room(p, q)
    out = kernels.IMAGE
    count = kernels.intersect(polys, kernels.OUTLINE, len(p), kernels.SHADOW, len(q), out)
    return None if count < 0 else polys[out, :count].copy()


class Pieces:
    """A list of pieces with signs, as kernels keep it."""

    def __init__(self, *polygons, signs=None):
        self.polys = fresh()
        self.counts = np.full(kernels.MAX_PIECES, -7, dtype=np.int64)
        self.signs = np.full(kernels.MAX_PIECES, np.nan)
        self.n = len(polygons)
        for k, p in enumerate(polygons):
            self.polys[kernels.PIECES + k, : len(p)] = p
            self.counts[k] = len(p)
            self.signs[k] = 1.0 if signs is None else signs[k]

    def take_away(self, q):
        """False if there was no room."""
        self.polys[kernels.SHADOW, : len(q)] = q
        n = kernels.subtract(self.polys, self.counts, self.signs, self.n, kernels.SHADOW, len(q))
        if n < 0:
            return False
        self.n = n
        return True

    def all(self):
        """Pieces that are left, and their signs."""
        kept = np.flatnonzero(self.counts[: self.n] > 0)
        return [self.polys[kernels.PIECES + k, : self.counts[k]] for k in kept], self.signs[kept]

    def area(self):
        return sum(sign * kernel_area(p) for p, sign in zip(*self.all(), strict=True))


def kernel_area(p):
    return kernels.area(room(p), kernels.OUTLINE, len(p))


def kernel_in_disc(p, R, at=(0.0, 0.0)):
    return kernels.area_in_disc(room(p), kernels.OUTLINE, len(p), *at, R)


def kernel_in_capsule(p, R, sweep):
    return kernels.area_in_capsule(room(p), kernels.OUTLINE, len(p), *sweep, R)


# -- the references themselves -------------------------------------------------------------------


def test_slices_agree_with_the_librarys_discs():
    """Inscribed polygons of 4 × 4000 edges lack πR² (2π/16 000)² / 6 = 8e-8 R² at most."""
    rng = np.random.default_rng(1)
    for _ in range(60):
        p = random_polygon(rng, 8, 1.0)
        R, sweep = rng.uniform(0.1, 2.0), rng.standard_normal(2)
        disc = shapely.Point(0.0, 0.0).buffer(R, quad_segs=4000)
        swept = shapely.LineString([(0.0, 0.0), sweep]).buffer(R, quad_segs=4000)
        for got, body in (
            (area_in_capsule(p, R), disc),
            (area_in_capsule(p, R, sweep), swept),
        ):
            assert abs(got - shapely.Polygon(p).intersection(body).area) < 1e-7 * R * R


# -- areas and cuts ------------------------------------------------------------------------------


def test_area_is_the_shoelace():
    rng = np.random.default_rng(2)
    for _ in range(CASES):
        p = random_polygon(rng, 10, 1.0, 3.0)
        assert kernel_area(p) == pytest.approx(shoelace(p), rel=1e-13)
        assert kernel_area(p[::-1]) == pytest.approx(-shoelace(p), rel=1e-13)


def half_plane(at, along, reach=1e2):
    """What lies left of a line, as far as it matters."""
    along = np.array(along) / np.hypot(*along)
    out = np.array([-along[1], along[0]])
    a, b = at - reach * along, at + reach * along
    return shapely.Polygon([a, b, b + reach * out, a + reach * out])


def test_cut_gives_both_sides():
    """Areas and places of both parts; the line's direction may have any length."""
    rng = np.random.default_rng(3)
    for _ in range(CASES):
        p = random_polygon(rng, 8, 1.0, 0.3)
        at, along = 0.7 * rng.standard_normal(2), rng.standard_normal(2) * 10 ** rng.uniform(-3, 3)
        left, right = cut(p, at, along)
        whole, side = shapely.Polygon(p), half_plane(at, along)
        for part, expected in ((left, whole & side), (right, whole - side)):
            # the half plane's far corners, a hundred times further out, carry the rounding
            got = shapely.Polygon(part) if len(part) else shapely.Polygon()
            assert got.symmetric_difference(expected).area < 1e-12
        total = sum(shoelace(x) for x in (left, right) if len(x))
        assert total == pytest.approx(shoelace(p), abs=ROUNDING)


SQUARE = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])


def by(x, y):
    """A shift."""
    return np.array([x, y])


def test_cut_through_corners_along_edges_and_beside():
    left, right = cut(SQUARE, (0.0, 0.0), (1.0, 1.0))  # corner to corner
    assert len(left) == len(right) == 3
    assert shoelace(left) == shoelace(right) == 2.0
    left, right = cut(SQUARE, (0.0, -1.0), (1.0, 0.0))  # along the lower edge, square on the left
    assert shoelace(left) == 4.0
    assert len(right) == 0
    left, right = cut(SQUARE, (0.0, -1.0), (-2.0, 0.0))  # the same edge the other way
    assert len(left) == 0
    assert shoelace(right) == 4.0
    left, right = cut(SQUARE, (1.0, 1.0), (1.0, -1.0))  # touches one corner
    assert len(left) == 0
    assert shoelace(right) == 4.0
    left, right = cut(SQUARE, (0.0, 5.0), (1.0, 0.0))  # clear of it
    assert len(left) == 0
    assert shoelace(right) == 4.0
    left, right = cut(SQUARE[:0], (0.0, 0.0), (1.0, 0.0))
    assert len(left) == len(right) == 0


def regular(corners, radius=1.0, at=(0.0, 0.0), turn=0.0):
    around = turn + np.arange(corners) * (2.0 * np.pi / corners)
    return np.array(at) + radius * np.column_stack([np.cos(around), np.sin(around)])


def test_too_many_corners_are_refused():
    assert cut(regular(M - 1), (0.0, 0.0), (1.0, 0.3)) is None
    left, right = cut(regular(M - 2), (0.0, 0.0), (1.0, 0.3))
    assert shoelace(left) + shoelace(right) == pytest.approx(shoelace(regular(M - 2)), rel=1e-13)
    assert intersect(regular(60), regular(60, turn=0.03)) is None
    pieces = Pieces(regular(M - 1))
    assert not pieces.take_away(SQUARE * 0.1)


def test_intersection_is_the_common_part():
    rng = np.random.default_rng(4)
    met = 0
    for _ in range(CASES):
        p, q = random_polygon(rng, 6, 1.0), random_polygon(rng, 6, 0.6)
        got = intersect(p, q)
        common = shapely.Polygon(p) & shapely.Polygon(q)
        met += not common.is_empty
        got = shapely.Polygon(got) if len(got) > 2 else shapely.Polygon()
        assert got.area == pytest.approx(common.area, abs=ROUNDING)
        assert got.symmetric_difference(common).area < 10 * ROUNDING
    assert CASES / 3 < met < CASES


def test_intersection_of_touching_and_nested_polygons():
    assert shoelace(intersect(SQUARE, SQUARE)) == 4.0
    assert shoelace(intersect(SQUARE, 0.5 * SQUARE)) == 1.0
    assert shoelace(intersect(0.5 * SQUARE, SQUARE)) == 1.0
    for shift in ([2.0, 0.0], [2.0, 2.0], [2.0, 0.7], [5.0, 0.0]):  # edge, corner, part, clear
        assert len(intersect(SQUARE, SQUARE + shift)) == 0


# -- subtraction ---------------------------------------------------------------------------------


def holds(p, points):
    """Which points a convex polygon holds, and whether any lies too near an edge to tell."""
    edge = np.roll(p, -1, axis=0) - p
    w = points[:, None] - p
    side = edge[:, 0] * w[..., 1] - edge[:, 1] * w[..., 0]
    return (side > 0.0).all(1), (np.abs(side) < 1e-13).any(1)


@pytest.mark.parametrize("size", [0.1, 0.5, 2.0])
def test_subtraction_leaves_the_rest_in_disjoint_pieces(size):
    """Area, and how often each of many points is covered, of what up to eleven leave.

    Pieces that share edges to the last bit but one are beyond the library's overlays; points tell
    overlaps and gaps as well.
    """
    rng = np.random.default_rng(5)
    for _ in range(60):
        p = random_polygon(rng, 4, 1.0)
        pieces, rest = Pieces(p), shapely.Polygon(p)
        points = rng.uniform(p.min(0), p.max(0), (500, 2))
        left, unclear = holds(p, points)
        for _ in range(rng.integers(1, 12)):
            q = random_polygon(rng, 4, size)
            assert pieces.take_away(q)
            rest = rest - shapely.Polygon(q)
            inside, near = holds(q, points)
            left &= ~inside
            unclear |= near
        parts, signs = pieces.all()
        assert (signs == 1.0).all()
        assert pieces.area() == pytest.approx(rest.area, abs=10 * ROUNDING)
        often = np.zeros(len(points), dtype=int)
        for part in parts:
            inside, near = holds(part, points)
            often += inside
            unclear |= near
        assert unclear.sum() < 5
        np.testing.assert_array_equal(often[~unclear], left[~unclear])


def test_subtraction_keeps_signs():
    """A piece that counts negative loses area as the others do: the sum is that of the rests."""
    rng = np.random.default_rng(6)
    for _ in range(60):
        p, r = random_polygon(rng, 5, 1.0), random_polygon(rng, 5, 1.0)
        pieces = Pieces(p, r, signs=[1.0, -1.0])
        more, less = shapely.Polygon(p), shapely.Polygon(r)
        for _ in range(5):
            q = random_polygon(rng, 5, 0.4)
            assert pieces.take_away(q)
            more, less = more - shapely.Polygon(q), less - shapely.Polygon(q)
        parts, signs = pieces.all()
        by_sign = {x: sum(shoelace(p) for p, s in zip(parts, signs, strict=True) if s == x)
                   for x in (1.0, -1.0)}  # fmt: skip
        assert by_sign[1.0] == pytest.approx(more.area, abs=10 * ROUNDING)
        assert by_sign[-1.0] == pytest.approx(less.area, abs=10 * ROUNDING)


def test_subtraction_of_what_touches_or_covers():
    for shift in ([2.0, 0.0], [2.0, 2.0], [2.0, 0.7], [5.0, 0.0]):
        pieces = Pieces(SQUARE)
        assert pieces.take_away(SQUARE + shift)
        assert pieces.n == 1
        np.testing.assert_array_equal(pieces.all()[0][0], SQUARE)
    for whole in (SQUARE, 3.0 * SQUARE):
        pieces = Pieces(SQUARE)
        assert pieces.take_away(whole)
        assert pieces.all()[0] == []
    pieces = Pieces(SQUARE)
    assert pieces.take_away(0.5 * SQUARE)  # a hole
    assert pieces.area() == 3.0
    assert pieces.take_away(0.5 * SQUARE)  # once more takes nothing
    assert pieces.area() == 3.0
    pieces = Pieces(SQUARE)
    assert pieces.take_away(SQUARE + by(1.0, 0.0))  # shares two edges' lines
    assert pieces.area() == 2.0


def test_subtraction_of_slivers():
    """Slits down to 1e-15 wide take their own area, to rounding."""
    for width in 10.0 ** -np.arange(1, 16):
        slit = np.array([[-2.0, -1.0], [2.0, 1.0 - width], [2.0, 1.0]]) * [1.0, 0.3]
        pieces = Pieces(SQUARE)
        assert pieces.take_away(slit)
        taken = (shapely.Polygon(SQUARE) & shapely.Polygon(slit)).area
        assert pieces.area() == pytest.approx(4.0 - taken, abs=10 * ROUNDING)


@pytest.mark.parametrize("gap", [0.0, 1e-17, 1e-16, 1e-15, 1e-13, 1e-11])
def test_a_corner_that_comes_twice_changes_nothing(gap):
    """Shadows that share an edge leave such corners; the edge between two has no direction."""
    rng = np.random.default_rng(10)
    for _ in range(100):
        p, q = random_polygon(rng, 5, 1.0, 0.2), random_polygon(rng, 5, 1.0, 0.2)
        common = (shapely.Polygon(p) & shapely.Polygon(q)).area
        twice = []
        for x in (p, q):
            k = rng.integers(len(x))
            twice.append(np.insert(x, k, x[k] + gap * rng.standard_normal(2), axis=0))
        for one, two in ((twice[0], q), (p, twice[1]), twice):
            pieces = Pieces(one)
            assert pieces.take_away(two)
            assert pieces.area() == pytest.approx(shoelace(p) - common, abs=10.0 * gap + 1e-13)
            got = intersect(one, two)
            got = shoelace(got) if len(got) else 0.0
            assert got == pytest.approx(common, abs=10.0 * gap + 1e-13)


def test_shadows_side_by_side():
    """The faces of a box cast shadows that share edges: together they take the hull away."""
    rng = np.random.default_rng(11)
    low, high = np.array([-0.1, -0.1, 0.0]), np.array([0.1, 0.1, 0.5])
    pick = np.array(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij")).reshape(3, -1).T
    faces = [(0, 1, 3, 2), (4, 5, 7, 6), (0, 1, 5, 4), (2, 3, 7, 6), (0, 2, 6, 4), (1, 3, 7, 5)]
    for _ in range(200):
        turn = np.linalg.qr(rng.standard_normal((3, 3)))[0]
        slant = rng.standard_normal(2)
        corners = np.where(pick == 0, low, high) @ turn
        flat = corners[:, :2] - corners[:, 2:] * slant
        pieces, rest = Pieces(SQUARE), shapely.Polygon(SQUARE) - shapely.Polygon(hull(flat))
        for face in rng.permutation(6)[: rng.integers(3, 7)]:
            q = flat[list(faces[face])]
            assert pieces.take_away(q if shoelace(q) > 0.0 else q[::-1])
        later = random_polygon(rng, 4, 0.5)
        for face in faces:  # all that were left out, and once more what was not
            q = flat[list(face)]
            assert pieces.take_away(q if shoelace(q) > 0.0 else q[::-1])
        assert pieces.area() == pytest.approx(rest.area, abs=1e-12)
        assert pieces.take_away(later)
        rest = shapely.difference(rest, shapely.Polygon(later), grid_size=1e-14)
        assert pieces.area() == pytest.approx(rest.area, abs=1e-12)


def test_no_room_is_said():
    """Scattered holes need ever more pieces: right while they fit, refused once they don't."""
    holes = [0.01 * SQUARE + by(x, y) for x in np.linspace(-0.9, 0.9, 10)
             for y in np.linspace(-0.8, 0.7, 10) + 0.1 * x]  # fmt: skip
    pieces = Pieces(SQUARE)
    fitted = 0
    while pieces.take_away(holes[fitted]):
        fitted += 1
        assert pieces.area() == pytest.approx(4.0 - fitted * 0.02**2, abs=10 * ROUNDING)
    assert kernels.MAX_PIECES / 5 <= fitted < len(holes)
    # every hole makes four pieces of one at least
    assert 3 * fitted < pieces.n <= kernels.MAX_PIECES


# -- within a disc and a capsule -----------------------------------------------------------------


@pytest.mark.parametrize("size", [0.03, 0.3, 1.0, 5.0])
@pytest.mark.parametrize("points", [3, 4, 12])
def test_areas_in_disc_and_capsule(size, points):
    rng = np.random.default_rng(7)
    for _ in range(60):
        p = random_polygon(rng, points, size, 0.8)
        R = rng.uniform(0.1, 2.0)
        sweep = rng.standard_normal(2) * 10 ** rng.uniform(-3, 1)
        scale = max(1.0, np.abs(p).max(), np.hypot(*sweep)) ** 2
        # a root near a tangent loses half its digits, and as much area lies there
        assert abs(kernel_in_disc(p, R) - area_in_capsule(p, R)) < 1e-14 * scale
        got = kernel_in_capsule(p, R, sweep)
        assert abs(got - area_in_capsule(p, R, sweep)) < 2e-14 * scale
        at = rng.standard_normal(2)
        assert abs(kernel_in_disc(p + at, R, at) - area_in_capsule(p, R)) < 2e-14 * scale


def test_a_short_sweep_is_a_disc_and_a_long_one_a_strip():
    p = regular(5, 0.9, (0.3, -0.2))
    disc = area_in_capsule(p, 0.7)
    for length in (0.0, 1e-12, 1e-9, 1e-6, 1e-3):
        for turn in (0.0, 1.0, 4.0):
            sweep = length * np.array([np.cos(turn), np.sin(turn)])
            assert kernel_in_capsule(p, 0.7, sweep) == pytest.approx(
                area_in_capsule(p, 0.7, sweep), abs=3e-9 if length <= 1e-9 else 1e-14
            )
            assert kernel_in_capsule(p, 0.7, sweep) >= disc - 1e-15
    # half planes: the strip between y = ±R, cut at its near end by the disc
    wide = 50.0 * SQUARE
    assert kernel_in_capsule(wide, 0.7, (1e3, 0.0)) == pytest.approx(
        0.5 * np.pi * 0.49 + 1.4 * 50.0, rel=1e-13
    )


@pytest.mark.parametrize("R", [0.2, 1.0, np.sqrt(2.0), 1.7])
def test_special_places_of_polygon_and_disc(R):
    """Inside, around, outside; edges through the centre, tangent, and shared corners."""
    places = [
        (0.01 * SQUARE, 4e-4),
        (10.0 * SQUARE, np.pi * R * R),
        (SQUARE + by(20.0, 0.0), 0.0),
        (10.0 * SQUARE + by(10.0, 0.0), 0.5 * np.pi * R * R),  # an edge through the centre
        (10.0 * SQUARE + by(10.0, 10.0), 0.25 * np.pi * R * R),  # a corner at the centre
        (10.0 * SQUARE + by(10.0 + R, 0.0), 0.0),  # an edge touches from outside
        (10.0 * SQUARE + by(10.0 - R, 0.0), np.pi * R * R),  # and from inside
        (R * SQUARE, np.pi * R * R),  # all edges touch
        (regular(6, R), 1.5 * np.sqrt(3.0) * R * R),  # all corners on the rim
        (regular(3, 2.0 * R, turn=0.4), np.pi * R * R),
    ]
    for p, expected in places:
        assert kernel_in_disc(p, R) == pytest.approx(expected, rel=1e-13, abs=1e-14)
        assert kernel_in_capsule(p, R, (0.0, 0.0)) == pytest.approx(expected, rel=1e-13, abs=1e-14)
        assert area_in_capsule(p, R) == pytest.approx(expected, rel=1e-12, abs=1e-13)


def test_edges_next_to_a_tangent():
    """An edge that passes the rim by less than rounding adds or takes no more than rounding."""
    for gap in (0.0, 1e-16, -1e-16, 1e-15, -1e-15, 1e-12, -1e-12, 1e-9, -1e-9):
        for turn in np.linspace(0.0, 6.0, 50):
            c, s = np.cos(turn), np.sin(turn)
            p = (10.0 * SQUARE + by(10.0 - 1.0 - gap, 0.0)) @ np.array([[c, s], [-s, c]])
            # the segment that an edge at 1 − g from the centre cuts off is (4/3) √2 g^1.5
            cut_off = 4.0 / 3.0 * np.sqrt(2.0) * max(-gap, 0.0) ** 1.5
            assert kernel_in_disc(p, 1.0) == pytest.approx(np.pi - cut_off, abs=1e-13)


def test_slivers_have_their_own_area():
    """Needles across the rim, down to 1e-15 wide."""
    for width in 10.0 ** -np.arange(0, 16):
        needle = np.array([[0.0, 0.0], [3.0, -0.5 * width], [3.0, 0.5 * width]])
        expected = area_in_capsule(needle, 1.0)
        # half the angle at the centre
        assert expected == pytest.approx(np.arctan(width / 6.0), rel=1e-12)
        assert kernel_in_disc(needle, 1.0) == pytest.approx(expected, abs=1e-15)
        assert kernel_in_capsule(needle, 1.0, (0.5, 0.0)) == pytest.approx(
            area_in_capsule(needle, 1.0, (0.5, 0.0)), abs=1e-15
        )


def test_area_in_disc_adds_up_over_pieces():
    """Cutting a polygon changes no area in the disc or the capsule."""
    rng = np.random.default_rng(8)
    for _ in range(100):
        p = random_polygon(rng, 6, 1.0)
        R, sweep = rng.uniform(0.3, 1.5), rng.standard_normal(2)
        parts = cut(p, 0.3 * rng.standard_normal(2), rng.standard_normal(2))
        parts = [x for x in parts if len(x)]
        assert sum(kernel_in_disc(x, R) for x in parts) == pytest.approx(
            kernel_in_disc(p, R), abs=1e-14
        )
        assert sum(kernel_in_capsule(x, R, sweep) for x in parts) == pytest.approx(
            kernel_in_capsule(p, R, sweep), abs=1e-14
        )


def test_the_checks_can_fail():
    """A radius off by a hundred-millionth part is seen."""
    p = hull(np.random.default_rng(9).standard_normal((8, 2)))
    assert abs(kernel_in_disc(p, 0.5) - area_in_capsule(p, 0.5 * (1.0 + 1e-8))) > 1e-9
