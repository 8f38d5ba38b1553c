"""The flux map's bins against a geometry library: what part of each a polygon in the rim covers."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from areas import area_in_capsule, hull, random_polygon

from raytrace.kernels import polygons, raster
from raytrace.optics.flux_grid import rim_area

BINS = (1, 2, 7, 64)


# -- how the kernels are called ------------------------------------------------------------------


ROW = polygons.IMAGE


POLYS = np.full((polygons.ROWS, polygons.MAX_CORNERS, 2), np.nan)


def room(p):
    """Rows that the kernels work in, one of them filled."""
    POLYS[ROW, : len(p)] = p
    return POLYS


class Map:
    """Marks of one map; polygons in metres, densities in W/m²."""

    def __init__(self, R, bins):
        self.R, self.bins = R, bins
        self.rim = raster.make_rim(R, bins)
        self.marks = np.zeros((bins, bins + 1))
        self.turns = np.zeros(len(self.rim.angle))

    def add(self, p, density=1.0, inside=None):
        if inside is None:
            inside = bool((np.hypot(*p.T) <= self.R).all())
        raster.add_in_disc(room(p), ROW, len(p), inside, density, self.rim, self.marks, self.turns)
        return self

    def power(self):
        out = np.zeros((self.bins, self.bins))
        raster.finish_map(self.rim, self.marks.copy(), self.turns.copy(), out)
        return out


def kernel_in_disc(p, R):
    return polygons.area_in_disc(room(p), ROW, len(p), 0.0, 0.0, R)


def power_of(p, R, bins, density=1.0):
    return Map(R, bins).add(p, density).power()


# -- the reference -------------------------------------------------------------------------------


def expected_bins(p, R, bins):
    """Polygon cut with each bin by the library; with the disc, where need be, slice by slice."""
    edge = np.linspace(-R, R, bins + 1)
    x, y = np.meshgrid(edge[:-1], edge[:-1])
    step = 2.0 * R / bins
    boxes = shapely.box(x, y, x + step, y + step).ravel()
    parts = shapely.intersection(shapely.Polygon(p), boxes)
    out = shapely.area(parts)
    for k in np.flatnonzero(out > 0.0):
        corners = shapely.get_coordinates(parts[k])
        if (np.hypot(*corners.T) > R).any():
            out[k] = area_in_capsule(hull(corners), R)
    return out.reshape(bins, bins)


def square(half, x=0.0, y=0.0, turn=0.0):
    p = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
    c, s = np.cos(turn), np.sin(turn)
    return (p + np.array([x, y])) @ np.array([[c, s], [-s, c]])


# -- coverage ------------------------------------------------------------------------------------


@pytest.mark.parametrize("bins", BINS)
@pytest.mark.parametrize("size", [0.03, 0.3, 2.0])
def test_every_bin_holds_its_part(bins, size):
    """To 1e-13 of the base's area in each bin, and in the sum what area_in_disc says."""
    rng = np.random.default_rng(bins)
    for _ in range(8 if bins == 64 else 40):
        R = rng.uniform(0.05, 2.0)
        p = R * random_polygon(rng, int(rng.integers(3, 9)), size, 0.6)
        got = power_of(p, R, bins)
        assert np.abs(got - expected_bins(p, R, bins)).max() < 1e-13 * np.pi * R * R
        assert got.sum() == pytest.approx(kernel_in_disc(p, R), abs=1e-12 * R * R)


@pytest.mark.parametrize("bins", BINS)
def test_a_polygon_inside_may_be_marked_either_way(bins):
    """`inside` spares the rim's arithmetic and changes nothing else."""
    rng = np.random.default_rng(20)
    for _ in range(20):
        p = random_polygon(rng, 6, 0.1, 0.1)
        assert (np.hypot(*p.T) < 1.0).all()
        one = Map(1.0, bins).add(p, inside=True).power()
        two = Map(1.0, bins).add(p, inside=False).power()
        np.testing.assert_allclose(one, two, atol=1e-15)


@pytest.mark.parametrize("bins", BINS)
def test_a_polygon_around_the_rim_lights_all_of_it(bins):
    """Every bin gets its exact share of the disc, as the package's own table of areas has it."""
    R = 0.13
    for p in (square(1.0), square(9.0, 1.0, -2.0, 0.3), 5.0 * hull(np.eye(3)[:, :2] - 0.3)):
        got = power_of(p, R, bins, 2.0)
        np.testing.assert_allclose(got, 2.0 * rim_area(R, bins), atol=1e-13 * R * R)
        np.testing.assert_allclose(got, 2.0 * expected_bins(square(R), R, bins), atol=1e-13 * R * R)
        assert got.sum() == pytest.approx(2.0 * np.pi * R * R, rel=1e-12)


@pytest.mark.parametrize("bins", BINS)
def test_nothing_outside_the_rim(bins):
    for p in (square(1.0, 5.0, 0.0), square(0.1, 0.95, 0.95), square(1.0, 2.0, 0.0)):
        assert np.abs(power_of(p, 1.0, bins)).max() < 1e-15


# -- edges where rounding decides ----------------------------------------------------------------


@pytest.mark.parametrize("bins", BINS)
def test_slivers_across_the_rim(bins):
    """Needles from the centre outward, across a corner of the rim, and chords, to 1e-15 wide."""
    rng = np.random.default_rng(21)
    for width in 10.0 ** -np.arange(0, 16):
        for turn in rng.uniform(0.0, 2.0 * np.pi, 12):
            c, s = np.cos(turn), np.sin(turn)
            back = np.array([[c, s], [-s, c]])
            needle = np.array([[0.1, 0.0], [3.0, -0.5 * width], [3.0, 0.5 * width]]) @ back
            band = np.array([[-2.0, 0.3], [2.0, 0.3], [2.0, 0.3 + width], [-2.0, 0.3 + width]])
            for p in (needle, band @ back):
                got = power_of(p, 1.0, bins)
                # corners 3 away carry 4e-16 of rounding, over 2 of length
                assert got.sum() == pytest.approx(area_in_capsule(p, 1.0), abs=1e-14)
                assert got.sum() == pytest.approx(kernel_in_disc(p, 1.0), abs=1e-14)
                # no bin beside the sliver is touched by more than rounding
                assert np.abs(got).sum() == pytest.approx(got.sum(), abs=1e-13)


@pytest.mark.parametrize("bins", BINS)
@pytest.mark.parametrize("gap", [0.0, 1e-16, -1e-16, 1e-15, -1e-15, 1e-14, -1e-14, 1e-12, -1e-10])
def test_an_edge_next_to_a_tangent(bins, gap):
    """One edge touches the rim from inside or outside: all of the disc, or none of it."""
    for turn in np.linspace(0.0, 6.2, 63):
        around = square(10.0, 9.0 - gap, 0.0, turn)
        cut_off = 4.0 / 3.0 * np.sqrt(2.0) * max(gap, 0.0) ** 1.5
        assert power_of(around, 1.0, bins).sum() == pytest.approx(np.pi - cut_off, abs=1e-12)
        beside = square(10.0, 11.0 + gap, 0.0, turn)
        assert power_of(beside, 1.0, bins).sum() == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("bins", BINS)
def test_corners_on_the_rim_and_edges_on_grid_lines(bins):
    for p in (
        square(1.0),  # all edges touch the rim and lie on the map's border
        square(0.5),  # on grid lines of an even map, inside
        square(np.sqrt(0.5)),  # four corners on the rim
        square(np.sqrt(0.5), turn=0.25 * np.pi),
        square(1.0, 1.0, 1.0),  # a corner at the centre, edges on the axes
        square(1.0, 1.0, 0.0),
        square(0.5, 0.5, 0.0),
    ):
        got = power_of(p, 1.0, bins)
        np.testing.assert_allclose(got, expected_bins(p, 1.0, bins), atol=1e-13)


@pytest.mark.parametrize("bins", BINS)
def test_corners_next_to_the_rim(bins):
    """Corners within rounding of the rim, inside or out, in either way of marking."""
    for turn in np.linspace(0.0, 6.0, 25):
        for off in (0.0, 1e-16, -1e-16, 1e-15, -1e-15, 1e-9, -1e-9):
            p = square((1.0 + off) * np.sqrt(0.5), turn=turn)
            for inside in (False, True) if off <= 1e-15 else (False,):
                got = Map(1.0, bins).add(p, inside=inside).power()
                assert got.sum() == pytest.approx(2.0, abs=1e-8 if abs(off) == 1e-9 else 1e-12)


# -- sums over pieces ----------------------------------------------------------------------------


@pytest.mark.parametrize("bins", BINS)
def test_a_polygon_less_its_pieces_is_dark(bins):
    """Cut in two, each half taken away again: every bin is dark to rounding."""
    rng = np.random.default_rng(22)
    for _ in range(40):
        p = random_polygon(rng, 6, 1.0)
        polys = room(p)
        at, along = 0.2 * rng.standard_normal(2), rng.standard_normal(2)
        counts = polygons.cut(polys, ROW, len(p), (*at, *along), 0, 1)
        total = Map(0.9, bins).add(p, 3.0)
        for part, count in zip(polys[:2].copy(), counts, strict=True):
            if count:
                total.add(part[:count], -3.0)
        assert np.abs(total.power()).max() < 1e-13


@pytest.mark.parametrize("bins", BINS)
def test_a_polygon_less_itself_is_dark(bins):
    rng = np.random.default_rng(23)
    for _ in range(40):
        p = random_polygon(rng, 6, 1.0)
        total = Map(0.9, bins).add(p, 3.0).add(np.roll(p, 1, axis=0), -3.0)
        assert np.abs(total.power()).max() < 1e-13


@pytest.mark.parametrize("bins", BINS)
def test_maps_add_up(bins):
    """Many polygons of different densities on one set of marks: the sum of their own maps."""
    rng = np.random.default_rng(24)
    total, expected = Map(0.7, bins), np.zeros((bins, bins))
    for _ in range(30):
        p, density = random_polygon(rng, 5, 0.5), rng.uniform(-2.0, 5.0)
        total.add(p, density)
        expected += power_of(p, 0.7, bins, density)
    np.testing.assert_allclose(total.power(), expected, atol=1e-12)


def test_rim_pieces_cover_the_turn():
    for bins in (*BINS, 3, 10, 101):
        rim = raster.make_rim(0.4, bins)
        assert rim.angle[0] == 0.0
        assert rim.angle[-1] == pytest.approx(2.0 * np.pi, rel=1e-15)
        assert (np.diff(rim.angle) > 1e-11).all()
        # an even map's axes are among its lines; else the rim's ends are extra cuts
        lines = 2 * 2 * (bins - 1) + (0 if bins % 2 == 0 else 4) + (4 if bins % 2 == 0 else 0)
        assert len(rim.ix) == len(rim.iy) <= lines + 4
        middle = 0.5 * (rim.angle[1:] + rim.angle[:-1])
        x = 0.5 * bins * (1.0 + np.cos(middle))
        y = 0.5 * bins * (1.0 + np.sin(middle))
        np.testing.assert_array_equal(rim.ix, np.floor(x))
        np.testing.assert_array_equal(rim.iy, np.floor(y))


def test_the_checks_can_fail():
    """A disc larger by 1e-9 shows in the bins along the rim."""
    p = random_polygon(np.random.default_rng(25), 6, 1.0)
    got = power_of(p, 0.9, 7)
    assert np.abs(got - expected_bins(p, 0.9, 7)).max() < 1e-13
    assert np.abs(got - expected_bins(p, 0.9 * (1.0 + 1e-9), 7)).max() > 1e-11
