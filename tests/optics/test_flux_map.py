"""What is read off the flux map: areas of its bins, its peak, and the place of the spot."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import shapely
from checks import ALPHA, ESTIMATORS, mean_p, one_facet
from hypothesis import given, settings
from hypothesis import strategies as st
from project.test_coverage import SUN, rough_cooker
from scipy import integrate

from raytrace import load_scenario, run_design, to_dataset
from raytrace.cooker.pose import posed
from raytrace.light.setup import scenario_sunshape
from raytrace.optics.flux_grid import bin_edges, circle_area, rim_area
from raytrace.optics.tracing import trace
from raytrace.sky.sunshape import tabled_sunshape

REPEATS = 250


def nearest_corners(bins):
    """Squared distance of each bin from the middle, and of its far corner, in whole numbers.

    In half widths of a bin the rim's radius is the number of bins, so that nothing is rounded.
    """
    i = np.arange(bins)
    a, b = np.abs(2 * i - bins), np.abs(2 * i + 2 - bins)
    near = np.where(2 * i + 1 == bins, 0, np.minimum(a, b))
    far = np.maximum(a, b)
    return near[:, None] ** 2 + near**2, far[:, None] ** 2 + far**2


@settings(deadline=None, max_examples=60)
@given(bins=st.integers(1, 300), R=st.floats(0.01, 3.0))
def test_a_bin_has_area_where_it_reaches_within_the_rim(bins, R):
    near, far = nearest_corners(bins)
    area, full = rim_area(R, bins), (2.0 * R / bins) ** 2
    np.testing.assert_array_equal(area > 0.0, near < bins**2)
    np.testing.assert_allclose(area[far <= bins**2], full, rtol=1e-13)
    assert (area <= full * (1.0 + 1e-13)).all()
    assert area.sum() == pytest.approx(np.pi * R * R, rel=1e-13)


@pytest.mark.parametrize("centre", [(0.0, 0.0), (0.013, -0.031), (0.1, 0.2)])
def test_bins_within_circles_have_the_area_that_shapely_finds(centre):
    """Circles of 6 000 corners: their area is short by 2π²/3n², 1.8e-7 of it."""
    edge, radii = bin_edges(0.12, 13), np.array([0.0, 0.004, 0.05, 0.12, 0.2, 0.5])
    x, y = np.meshgrid(edge[:-1], edge[:-1])
    bins = shapely.box(x, y, x + np.diff(edge)[0], y + np.diff(edge)[0])
    found = circle_area(edge, centre, radii)
    assert (found[0] == 0.0).all()
    for r, area in zip(radii[1:], found[1:], strict=True):
        circle = shapely.Point(*centre).buffer(r, quad_segs=1500)
        exact = shapely.area(shapely.intersection(bins, circle))
        np.testing.assert_allclose(area, exact, atol=6e-7 * r * r)


@pytest.mark.parametrize("estimator", ESTIMATORS)
def test_a_gaussian_spot_holds_its_share_within_every_circle(estimator):
    """1 − exp(−r²/2s²) about the centroid; Student's t over all circles, false alarm ALPHA.

    Power that is even over bins of w adds w²/12 to s² along each axis, which moves the share by
    (w/s)²/12 · q e^−q, q = r²/2s², or (w/s)²/32 at most; the table and the angle move it by 5e-5.
    """
    d, sigma, bins = 1.5, 3e-3, 256
    psi = np.linspace(0.0, 6.0 * sigma, 501)
    sun = tabled_sunshape(tuple(zip(psi, np.exp(-0.5 * (psi / sigma) ** 2), strict=True)))
    R, s = 6.5 * d * sigma, d * sigma
    cooker, light = one_facet(0.4, d, half=1e-7, R=R, height=1e-3)
    samples = {"beams": 1 << 17, "rays": 1 << 20}[estimator]
    tally = trace(cooker, light, sun, dni=1.0, estimator=estimator, samples=samples, bins=bins)
    exact = -np.expm1(-0.5 * (tally.radii / s) ** 2)
    held = circle_area(tally.bin_edges, tuple(tally.centroid.value), tally.radii)
    cover = np.minimum(held / np.maximum(tally.bin_area, 1e-300), 1.0)
    each = (
        np.einsum("nyx,kyx->nk", tally.base_power, cover)
        / tally.base_power.sum(axis=(1, 2))[:, None]
    )
    slack = (2.0 * R / bins / s) ** 2 / 30.0 + 5e-5
    assert mean_p(each, exact, slack=slack) > ALPHA
    np.testing.assert_allclose(tally.encircled_centroid.value, each.mean(axis=0), atol=1e-6)
    np.testing.assert_allclose(tally.encircled.value, exact, atol=2e-3)
    assert tally.encircled.value[-1] == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("bins", [5, 20, 64, 100])
def test_bins_that_the_rim_cuts_have_the_area_under_the_arc(bins):
    """Against scipy's quadrature of the arc's height over the bin, rim slivers too."""
    R = 0.12
    edge, area = bin_edges(R, bins), rim_area(R, bins)
    near, far = nearest_corners(bins)
    cut = np.argwhere((near < bins**2) & (far > bins**2))
    cut = cut[(cut >= bins // 2).all(axis=1)]
    assert len(cut) >= bins // 3
    for iy, ix in cut:
        y0, y1 = max(edge[iy], -edge[iy + 1]), edge[iy + 1]
        y0 = max(edge[iy], 0.0)
        x0, x1 = max(edge[ix], 0.0), edge[ix + 1]
        ends = [np.sqrt(max(R * R - y * y, 0.0)) for y in (y0, y1)]
        kinks = [x for x in ends if x0 < x < x1]
        found, _ = integrate.quad(
            lambda x, low, high: np.clip(np.sqrt(max(R * R - x * x, 0.0)), low, high) - low,
            x0,
            min(x1, R),
            args=(y0, y1),
            points=kinks or None,
            epsabs=0.0,
            epsrel=1e-11,
        )
        twice = (2.0 if edge[ix] < -1e-12 else 1.0) * (2.0 if edge[iy] < -1e-12 else 1.0)
        assert area[iy, ix] == pytest.approx(twice * found, rel=1e-8, abs=1e-14 * R * R)


@pytest.mark.parametrize("estimator", ESTIMATORS)
@pytest.mark.parametrize("bins", [64, 100])
def test_the_map_is_dark_nowhere_within_and_empty_outside(estimator, bins):
    cooker, s = rough_cooker()
    options = {"dni": 900.0, "estimator": estimator, "bins": bins, "samples": 1 << 16}
    tally = trace(cooker, s, SUN, **options)
    near, _ = nearest_corners(bins)
    np.testing.assert_array_equal(np.isfinite(tally.flux.value), near < bins**2)
    data = to_dataset(tally)
    assert float((data["flux"] * data["bin_area"]).sum()) == pytest.approx(
        float(tally.delivered), rel=1e-9
    )


@cache
def traced(estimator):
    """Tallies of few samples, and the peak flux of very many, by its bins."""
    cooker, s = rough_cooker()
    samples = {"rays": 6 * 16 * 128, "beams": 6 * 16 * 4}[estimator]
    options = {"dni": 900.0, "bins": 48, "threads": 1}
    dense = trace(cooker, s, SUN, samples=1 << 19, seed=99, **options)
    options |= {"estimator": estimator, "samples": samples}
    tallies = [trace(cooker, s, SUN, stream=k, **options) for k in range(REPEATS)]
    return tallies, dense


def held(estimates, truth):
    return np.mean([abs(float(e) - truth) <= float(e.half_width()) for e in estimates])


@pytest.mark.parametrize("estimator", ESTIMATORS)
@pytest.mark.parametrize("name", ["peak_flux", "concentration", "uniformity"])
def test_the_peaks_interval_holds_the_truth(estimator, name):
    """Of 250 intervals of 95 % at least 218: with 95 % alone, fewer come once in 10⁶."""
    tallies, dense = traced(estimator)
    assert held([getattr(t, name) for t in tallies], float(getattr(dense, name))) >= 218 / 250


def test_the_greatest_bin_alone_would_not_hold_it():
    """Shows that the check can fail: maximum of the mean map, error of its bin."""
    tallies, dense = traced("rays")
    truth = float(dense.peak_flux)
    holds = []
    for tally in tallies:
        flux = tally.flux
        best = np.where(tally.whole, flux.value, -np.inf).argmax()
        holds.append(abs(flux.value.flat[best] - truth) <= 2.13 * flux.se.flat[best])
    assert np.mean(holds) < 218 / 250


def test_a_base_without_light_has_no_peak():
    cooker, s = rough_cooker()
    tally = trace(cooker, s, SUN, dni=0.0, bins=8, samples=1000)
    assert float(tally.peak_flux) == 0.0
    assert float(tally.peak_flux.se) == 0.0
    assert np.isnan(float(tally.uniformity))


@pytest.mark.parametrize("name", ["courtyard", "rim-ring"])
def test_the_spots_place_and_size_hold_the_grids_error(name):
    """Bins of every breadth against 512 along the base, the same samples.

    The stated error is the grid's standard deviation; a place within a bin is even, so that it
    strays by √3 of them at most.
    """
    scenario = load_scenario(f"scenarios/{name}.toml")
    run = run_design(scenario)
    moment = run.moments[0]
    options = {"dni": moment.tally.dni, "samples": 1 << 12, "replicates": 2}
    cooker, sun = posed(run.cooker, moment.pose), moment.tally.sun
    shape = scenario_sunshape(scenario)
    fine = trace(cooker, sun, shape, bins=512, **options)
    for bins in (20, 32, 48, 63, 64, 100, 128):
        tally = trace(cooker, sun, shape, bins=bins, **options)
        off = abs(float(tally.spot_radius) - float(fine.spot_radius))
        assert off < np.sqrt(3.0) * float(tally.spot_radius.se)
        apart = np.abs(tally.centroid.value - fine.centroid.value)
        assert (apart < np.sqrt(3.0) * tally.centroid.se).all()
