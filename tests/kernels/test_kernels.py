"""The kernels' elementary functions, lattice and samplers against numpy and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from checks import ALPHA, SIGMAS
from numba import njit
from scipy import stats

from raytrace.kernels.arrays import Samples
from raytrace.kernels.numbers import cos_sin_turn, ln
from raytrace.kernels.random import (
    DIMENSIONS,
    GENERATOR,
    RAYS,
    coordinate,
    key_uniforms,
    make_lattice,
    set_lattice,
)
from raytrace.kernels.sampling import (
    DISC,
    HEXAGON,
    RECTANGLE,
    normal_pair,
    point_in_disc,
    point_in_hexagon,
    point_in_rectangle,
)


@njit
def each_ln(x):
    return np.array([ln(v) for v in x])


@njit
def each_cos_sin(t):
    out = np.empty((t.size, 2))
    for i in range(t.size):
        out[i] = cos_sin_turn(t[i])
    return out


def test_logarithm_equals_numpys():
    x = np.concatenate([np.geomspace(1e-300, 1e300, 20_001), np.linspace(0.5, 2.0, 20_001)])
    np.testing.assert_allclose(each_ln(x), np.log(x), rtol=2e-15, atol=2e-16)


def test_cosine_and_sine_of_a_turn_equal_numpys():
    t = np.linspace(0.0, 1.0, 100_003)
    want = np.stack([np.cos(2 * np.pi * t), np.sin(2 * np.pi * t)], axis=1)
    np.testing.assert_allclose(each_cos_sin(t), want, rtol=0, atol=1e-15)


@njit
def lattice(log2_points, seed, replicate, row, column, first, count):
    shift, step = made = make_lattice()
    set_lattice(made, Samples(seed, 0, replicate, log2_points), RAYS, row, column)
    out = np.empty((count, DIMENSIONS))
    for i in range(count):
        for d in range(DIMENSIONS):
            out[i, d] = coordinate(first + i, shift[d], step[d])
    return out


def test_lattice_is_stratified_in_every_dimension():
    """Each of 2^m equal cells holds one point, whatever the shift: the sum is nearly exact."""
    for m in (1, 5, 10, 14):
        x = lattice(m, 3, 1, 2, 4, 0, 1 << m)
        cells = np.sort(np.floor((x - x.min(axis=0)) * (1 << m) + 0.5).astype(int), axis=0)
        np.testing.assert_array_equal(cells, np.arange(1 << m)[:, None] + np.zeros(8, int))


def test_lattice_points_depend_on_their_index_alone():
    whole = lattice(10, 9, 0, 1, 1, 0, 1024)
    part = lattice(10, 9, 0, 1, 1, 512, 100)
    np.testing.assert_array_equal(whole[512:612], part)
    assert (whole > 0.0).all()
    assert (whole < 1.0).all()


def test_shifts_of_other_keys_are_uniform_and_independent():
    """First points over 20 000 keys: Kolmogorov-Smirnov per dimension, correlation per pair."""
    keys = [
        (s, r, row, c) for s in (1, 2) for r in range(100) for row in range(10) for c in range(10)
    ]
    x = np.array([lattice(4, *key, 0, 1)[0] for key in keys])
    for d in range(DIMENSIONS):
        assert stats.kstest(x[:, d], "uniform").pvalue > ALPHA / DIMENSIONS
    correlation = np.corrcoef(x.T) - np.eye(DIMENSIONS)
    pairs = DIMENSIONS * (DIMENSIONS - 1) / 2
    assert abs(correlation).max() < stats.norm.isf(0.5 * ALPHA / pairs) / np.sqrt(len(x))


def worst_case_error(z, points, dimensions):
    """P2 with weights 1/2: the squared worst-case error of a shifted lattice rule.

    Sloan & Joe, Lattice Methods for Multiple Integration, Oxford, 1994, section 4 (from memory).
    """
    i = np.arange(points)
    x = (i[:, None] * np.asarray(z, dtype=np.int64)[None, :dimensions] % points) / points
    kernel = 1.0 + 0.5 * 2.0 * np.pi**2 * (x * x - x + 1.0 / 6.0)
    return kernel.prod(axis=1).mean() - 1.0


@pytest.mark.parametrize("dimensions", [4, 6, 8])
def test_generating_vector_beats_most_random_ones(dimensions):
    """Better than the median of 50 random odd vectors at every size."""
    rng = np.random.default_rng(5)
    for m in (8, 10, 12, 14):
        ours = worst_case_error(GENERATOR, 1 << m, dimensions)
        others = [
            worst_case_error(
                np.concatenate([[1], 2 * rng.integers(0, 1 << 19, 7) + 1]), 1 << m, dimensions
            )
            for _ in range(50)
        ]
        assert ours < np.median(others)


@njit
def normals(u, t):
    out = np.empty((u.size, 2))
    for i in range(u.size):
        out[i] = normal_pair(u[i], t[i])
    return out


def test_normal_pairs_follow_the_normal_law():
    """Kolmogorov-Smirnov on 400 000 independent draws, each axis and their length."""
    rng = np.random.default_rng(11)
    z = normals(rng.random(400_000), rng.random(400_000))
    assert stats.kstest(z[:, 0], "norm").pvalue > ALPHA
    assert stats.kstest(z[:, 1], "norm").pvalue > ALPHA
    assert stats.kstest(np.hypot(z[:, 0], z[:, 1]), "rayleigh").pvalue > ALPHA
    # the check can fail: a law 1 % wider is caught
    assert stats.kstest(1.01 * np.hypot(z[:, 0], z[:, 1]), "rayleigh").pvalue < ALPHA


def test_normal_pairs_at_the_ends_are_finite():
    ends = np.array([0.5 / 2**32, 1.0 - 0.5 / 2**32])
    assert np.isfinite(normals(ends, np.array([0.0, 1.0]))).all()


@njit
def points(shape, u, v, half_u, half_v):
    out = np.empty((u.size, 2))
    for i in range(u.size):
        if shape == RECTANGLE:
            out[i] = point_in_rectangle(u[i], v[i], half_u, half_v)
        elif shape == DISC:
            out[i] = point_in_disc(u[i], v[i], half_u)
        else:
            out[i] = point_in_hexagon(u[i], v[i], half_u)
    return out


@pytest.mark.parametrize(
    ("shape", "second_moment"),
    [
        # ⟨x²⟩, ⟨y²⟩ about the middle, for half-sizes (2, 1), radius 2, circumradius 2
        (RECTANGLE, (4.0 / 3.0, 1.0 / 3.0)),
        (DISC, (1.0, 1.0)),
        (HEXAGON, (5.0 / 6.0, 5.0 / 6.0)),
    ],
)
def test_points_fill_their_facet_evenly(shape, second_moment):
    """Means and second moments on a 513 × 513 midpoint grid of the unit square, by geometry."""
    g = (np.arange(513) + 0.5) / 513
    u, v = (a.ravel() for a in np.meshgrid(g, g))
    p = points(shape, u, v, 2.0, 1.0)
    np.testing.assert_allclose(p.mean(axis=0), 0.0, atol=2e-3)
    np.testing.assert_allclose((p**2).mean(axis=0), second_moment, rtol=5e-3)
    if shape == HEXAGON:
        # the even filling, not just its moments: shares of six triangles and of the inner half
        sector = np.floor(np.arctan2(p[:, 1], p[:, 0]) / (np.pi / 3)).astype(int) % 6
        np.testing.assert_allclose(np.bincount(sector) / len(p), 1 / 6, atol=2e-3)
        inner = np.abs(p[:, 1]) <= 0.5 * np.sqrt(3)
        inner &= np.sqrt(3) * np.abs(p[:, 0]) + np.abs(p[:, 1]) <= np.sqrt(3)
        assert inner.mean() == pytest.approx(0.25, abs=2e-3)


def test_build_draws_are_uniform_and_keyed():
    row, column = (a.ravel() for a in np.meshgrid(np.arange(1, 101), np.arange(1, 101)))
    out = np.empty((2, row.size, 4))
    key_uniforms(out, 1, 2, np.array([3, 4]), row, column)
    for k in range(4):
        assert stats.kstest(out[0, :, k], "uniform").pvalue > ALPHA / 4
    part = np.empty((1, 50, 4))
    key_uniforms(part, 1, 2, np.array([3]), row[:50], column[:50])
    np.testing.assert_array_equal(part[0], out[0, :50])
    assert abs(np.corrcoef(out[0, :, 0], out[1, :, 0])[0, 1]) < SIGMAS / np.sqrt(row.size)
