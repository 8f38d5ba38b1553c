"""The optics against closed forms that are known without tracing anything."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from checks import (
    ALPHA,
    ESTIMATORS,
    PERFECT,
    SUN_RADIUS,
    chi2_p,
    exceeds_p,
    facing_pot,
    landings,
    mean_p,
    one_facet,
    point_sun,
    samples,
    spot_moments,
    toward_both,
)
from scipy.integrate import quad

from raytrace.cooker.aiming import direction
from raytrace.cooker.geometry import Pot, cooker_from_arrays
from raytrace.cooker.mirror import Mirror
from raytrace.optics.tally import BASE, MISSED
from raytrace.optics.tracing import trace, trace_paths
from raytrace.scenario.units import read_quantity
from raytrace.sky.sunshape import sunshape, tabled_sunshape

UNIFORM = sunshape("uniform", SUN_RADIUS)
both = pytest.mark.parametrize("estimator", ESTIMATORS)
TINY = 1e-7  # half-size of a mirror that adds nothing to its image [m]


# --- image of the sun -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("d", "diameter"), [(1.0, 9.300e-3), (1.5, 13.950e-3), (2.0, 18.600e-3), (3.0, 27.900e-3)]
)
def test_a_tiny_mirror_throws_an_image_of_the_suns_breadth(d, diameter):
    # 2 d tan(4.65 mrad), plane geometry; printed to 1 µm.
    cooker, s = one_facet(0.3, d, half=TINY, R=0.05)
    paths = trace_paths(cooker, s, UNIFORM, rays=1 << 14)
    r = np.hypot(*landings(cooker, paths)[:, :2].T)
    assert 2.0 * r.max() <= diameter + 0.5e-6 + 4.0 * TINY
    # the outermost of 16384 evenly spread points leaves 1/16384 of the disc's area at most
    # a few times over, so it lies within 2e-4 of the rim
    assert 2.0 * r.max() >= diameter * (1.0 - 2e-4)


def image_p(shape, theta=0.5, d=1.2, draws=20_000, bins=10):
    """χ² of independent rays over square bins against an even disc of radius d tan(4.65 mrad).

    Each replicate sends one ray, so the draws are independent, unlike the points of one lattice.
    """
    radius = d * np.tan(SUN_RADIUS)
    R = 1.02 * radius
    cooker, s = one_facet(theta, d, half=TINY, R=R)
    sizes = {"samples": draws, "replicates": draws, "bins": bins}
    tally = trace(cooker, s, shape, dni=1.0, estimator="rays", seed=5, **sizes)
    assert tally.samples_per_facet == 1
    counts = (tally.base_power > 0.0).sum(axis=0)
    assert counts.sum() == draws
    edge = np.linspace(-R, R, bins + 1)
    x, y = np.meshgrid(edge[:-1], edge[:-1])
    step = edge[1] - edge[0]
    disc = shapely.Point(0.0, 0.0).buffer(radius, quad_segs=2000)
    share = shapely.area(shapely.intersection(shapely.box(x, y, x + step, y + step), disc))
    return chi2_p(counts, draws * share / share.sum())


def test_image_of_an_even_sun_is_an_even_disc():
    """Geometry: a tiny mirror is a pinhole. χ², 20 000 independent rays; false alarm ALPHA."""
    assert image_p(UNIFORM) > ALPHA


def test_the_image_check_can_fail():
    """A sun darker toward its limb is caught with as many rays."""
    assert image_p(sunshape("limb-darkened", SUN_RADIUS)) < ALPHA


@both
@pytest.mark.parametrize("share", [0.25, 0.5, 0.81])
def test_part_of_the_image_falls_on_a_smaller_base(estimator, share):
    """An even disc's share within a radius is the square of it; Student's t, false alarm ALPHA.

    A base of radius √share · d tan(4.65 mrad); the disc is even to (4.65 mrad)² = 2e-5.
    """
    d = 1.5
    cooker, s = one_facet(0.4, d, half=TINY, R=np.sqrt(share) * d * np.tan(SUN_RADIUS), height=1e-3)
    tally = trace(cooker, s, UNIFORM, dni=1.0, replicates=64, **samples(estimator, 1 << 20))
    x = tally.power.sum(1)
    assert mean_p(x[:, BASE] / x[:, MISSED:].sum(1), share, slack=3e-5) > ALPHA


@both
def test_a_base_gets_its_share_of_a_gaussian_suns_image(estimator):
    """1 − exp(−R²/2 (d σ)²), a Gaussian's share within a radius; Student's t, false alarm ALPHA.

    The table's chords and its end at 5 σ move the share by 1e-5, the sine for the angle by less.
    """
    d, sigma, R = 1.5, 3e-3, 6e-3
    psi = np.linspace(0.0, 5.0 * sigma, 501)
    sun = tabled_sunshape(tuple(zip(psi, np.exp(-0.5 * (psi / sigma) ** 2), strict=True)))
    cooker, s = one_facet(0.4, d, half=TINY, R=R, height=1e-3)
    tally = trace(cooker, s, sun, dni=1.0, replicates=64, **samples(estimator, 1 << 20))
    x = tally.power.sum(1)
    share = -np.expm1(-0.5 * (R / (d * sigma)) ** 2)
    assert mean_p(x[:, BASE] / x[:, MISSED:].sum(1), share, slack=3e-5) > ALPHA


# --- errors of the surface --------------------------------------------------------------------


def intercepts(estimator, theta, sigma, scatter, R, *, d=1.0, height=1e-3):
    """Replicates of the share of a point sun's beam that a base of radius R gets."""
    mirror = Mirror(clean=1.0, slope=sigma, specularity=scatter)
    cooker, s = one_facet(theta, d, half=TINY, R=R, mirror=mirror, height=height)
    tally = trace(cooker, s, point_sun(), dni=1.0, replicates=64, **samples(estimator, 1 << 20))
    x = tally.power.sum(1)
    assert x[:, 1].max() <= 1e-12 * x[0].sum()  # the pot keeps no sun from the facet
    return x[:, BASE] / x[:, MISSED:].sum(1)


def within_circle(R, s1, s2):
    """Share of a centred Gaussian spot of widths s1 and s2 within radius R.

    R. S. Hoyt, Bell Syst. Tech. J. 26 (1947) 318-359 (reference from memory); the radial integral
    is done in closed form, the angular one here by quadrature.
    """

    def ring(phi):
        g = (np.cos(phi) / s1) ** 2 + (np.sin(phi) / s2) ** 2
        return -np.expm1(-0.5 * R * R * g) / g

    return quad(ring, 0.0, 0.5 * np.pi, epsabs=0.0, epsrel=1e-12)[0] * 2.0 / (np.pi * s1 * s2)


RAYLEIGH = [
    (0.5, 0.117503),
    (1.0, 0.393469),
    (1.5, 0.675348),
    (2.0, 0.864665),
    (2.5, 0.956063),
    (3.0, 0.988891),
]


@both
@pytest.mark.parametrize(("ratio", "expected"), RAYLEIGH)
def test_slope_error_at_normal_incidence(estimator, ratio, expected):
    """1 − exp(−R²/2s²), the Rayleigh distribution, s = 2σd; Student's t, false alarm ALPHA.

    Incidence 0.004, so that the pot does not shade: that and tan(x) for x cost 5e-6 at most.
    """
    sigma = 0.5e-3
    x = intercepts(estimator, 0.004, sigma, 0.0, ratio * 2.0 * sigma)
    assert mean_p(x, expected, slack=5.5e-6) > ALPHA


@both
@pytest.mark.parametrize("ratio", [1.0, 2.0])
@pytest.mark.parametrize("degrees", [15.0, 30.0, 45.0, 60.0])
def test_slope_error_at_slant_incidence(estimator, degrees, ratio):
    """Widths 2σd in the plane of incidence, 2σd cos θᵢ across it; Student's t, ALPHA.

    Vector reflection: a normal turned by ε in the plane of incidence turns the beam by 2ε, across
    it by 2ε cos θᵢ. Terms of σ² are left out: 2e-5 bounds them.
    """
    theta, sigma = np.radians(degrees), 0.5e-3
    s = 2.0 * sigma
    x = intercepts(estimator, theta, sigma, 0.0, ratio * s)
    assert mean_p(x, within_circle(ratio * s, s, s * np.cos(theta)), slack=2e-5) > ALPHA
    # and it can fail: a beam that doubled both errors alike would give the round spot's share
    assert mean_p(x, 1.0 - np.exp(-0.5 * ratio**2), slack=2e-5) < ALPHA


@both
@pytest.mark.parametrize("degrees", [0.5, 30.0, 60.0])
@pytest.mark.parametrize(("ratio", "expected"), [RAYLEIGH[1], RAYLEIGH[3]])
def test_scatter_is_round_at_any_incidence(estimator, degrees, ratio, expected):
    """Specularity turns the reflected beam itself: width σd every way; Student's t, ALPHA."""
    scatter = 1e-3
    x = intercepts(estimator, np.radians(degrees), 0.0, scatter, ratio * scatter)
    assert mean_p(x, expected, slack=5.5e-6) > ALPHA
    if degrees == 60.0:
        elliptical = within_circle(ratio * scatter, scatter, 0.5 * scatter)
        assert mean_p(x, elliptical, slack=5.5e-6) < ALPHA


@pytest.mark.parametrize("degrees", [1.0, 45.0])
@pytest.mark.parametrize(
    ("slope", "scatter"), [(0.0, 0.0), (2e-3, 0.0), (0.0, 3e-3), (1.5e-3, 2e-3)]
)
def test_widths_add_in_squares(slope, scatter, degrees):
    """s² = s_sun² + (2 s_slope)² + s_spec² per axis; Student's t on both axes, ALPHA.

    P. Bendt, A. Rabl, H. W. Gaul and K. A. Reed, Optical analysis and optimization of line focus
    solar collectors, SERI/TR-34-092 (1979); report number and formula from memory. An even disc of
    angular radius ψ has s_sun² = ψ²/4 per axis. Across the plane of incidence the slope's part is
    2 s_slope cos θᵢ. tan(x) for x costs 2·(angle)² of the square, the angle's own width being at
    most 5 mrad.
    """
    theta, d = np.radians(degrees), 2.0
    mirror = Mirror(clean=1.0, slope=slope, specularity=scatter)
    cooker, s = one_facet(theta, d, half=TINY, R=0.3, mirror=mirror, height=1e-3)
    if degrees == 1.0:  # the base would shade the mirror: move the sun's way in clear of it
        cooker, s = one_facet(theta, d, half=TINY, R=0.06, mirror=mirror, height=1e-3)
    x = spot_moments(cooker, s, UNIFORM, rays=4096, replicates=64)
    shares = np.array([1.0, np.cos(theta)])
    expected = d**2 * (SUN_RADIUS**2 / 4.0 + (2.0 * slope * shares) ** 2 + scatter**2)
    assert mean_p(x, expected, slack=3e-4 * expected) > ALPHA
    # and it can fail: one part in forty more width is seen
    assert mean_p(x, 1.05 * expected, slack=3e-4 * expected) < ALPHA


# --- a paraboloid of small facets --------------------------------------------------------------


def paraboloid(phi, *, focal=1.0, R=3e-3, half=2e-4, mirror=PERFECT):
    """One small facet at each angle phi from the axis, on z = r²/4f, and a pot at the focus."""
    around = 2.4 * np.arange(len(phi))  # spread, so that none stands in another's way
    d = 2.0 * focal / (1.0 + np.cos(phi))
    out = np.column_stack([np.sin(phi) * np.cos(around), np.sin(phi) * np.sin(around)])
    c = np.column_stack([d[:, None] * out, focal - d * np.cos(phi)])
    focus = np.array([0.0, 0.0, focal])
    up = np.array([0.0, 0.0, 1.0])
    n = toward_both(up, (focus - c) / d[:, None])
    pot = Pot(base=focus, axis=up, R=R, height=1e-3)
    cooker = cooker_from_arrays(centers=c, normals=n, half_sizes=half, pot=pot, mirror=mirror)
    return cooker, up, d


@both
@pytest.mark.parametrize("rim", [30.0, 45.0, 80.0])
def test_concentration_at_the_focus_of_a_paraboloid(estimator, rim):
    """ρ sin²Φ / sin²ψ at the middle of a flat receiver; Student's t, false alarm ALPHA.

    A. Rabl, Active Solar Collectors and Their Applications, Oxford, 1985 (chapter on concentrating
    collectors; from memory), and derived again: the receiver sees the sun's radiance, dimmed by ρ,
    in every direction from φ = φ₀ to the rim angle Φ. Small facets at Gauss-Legendre nodes of φ
    stand for the surface, each counted for the paraboloid's area about it, 2π r ds; twelve nodes
    integrate it to 1e-6 where φ₀ = 5° keeps clear of the pot's shadow.
    """
    rho, dni, focal, R, half = 0.9, 800.0, 1.0, 3e-3, 2e-4
    nodes, weights = np.polynomial.legendre.leggauss(12)
    low, high = np.radians(5.0), np.radians(rim)
    phi = 0.5 * (high + low) + 0.5 * (high - low) * nodes
    cooker, s, d = paraboloid(phi, focal=focal, R=R, half=half, mirror=Mirror(clean=rho))
    # r = d sin φ, and an arc d dφ / cos(φ/2) of the meridian, whose normal leans φ/2 off the ray
    area = 0.5 * (high - low) * weights * 2.0 * np.pi * d**2 * np.sin(phi) / np.cos(0.5 * phi)
    size = samples(estimator, 12 << 19)
    tally = trace(cooker, s, UNIFORM, dni=dni, replicates=64, bins=1, **size)
    copies = area / (4.0 * half**2)
    flux = (tally.power[:, :, BASE] @ copies) / (np.pi * R**2)
    expected = rho * dni * (np.sin(high) ** 2 - np.sin(low) ** 2) / np.sin(SUN_RADIUS) ** 2
    # over a receiver of 3 mm at a metre the light varies with (distance/d)², 2e-5 at its rim
    assert mean_p(flux / expected, 1.0, slack=2e-5) > ALPHA
    # and it can fail: a sun of 4.7 mrad would be seen
    assert mean_p(flux / expected, (4.65 / 4.7) ** 2, slack=2e-5) < ALPHA


@both
def test_no_concentrator_passes_the_point_focus_limit(estimator):
    """1/sin²(4.65 mrad) = 46 248 is the thermodynamic limit in air.

    A. Rabl, Solar Energy 18 (1976) 93-111; formula from memory. The facets above, at a rim angle
    near 90°, come to it and no further.
    """
    assert round(1.0 / np.sin(SUN_RADIUS) ** 2) == 46248
    nodes, weights = np.polynomial.legendre.leggauss(16)
    high = np.radians(88.0)
    phi = 0.5 * high * (1.0 + nodes)
    phi_lit = phi > np.radians(0.5)  # within the pot's shadow nothing is lit
    cooker, s, d = paraboloid(phi[phi_lit])
    area = 0.5 * high * weights[phi_lit] * 2.0 * np.pi * d**2
    area *= np.sin(phi[phi_lit]) / np.cos(0.5 * phi[phi_lit])
    size = samples(estimator, 16 << 18)
    tally = trace(cooker, s, UNIFORM, dni=1.0, replicates=32, bins=1, **size)
    suns = (tally.power[:, :, BASE] @ (area / (4.0 * 2e-4**2))) / (np.pi * 9e-6)
    assert exceeds_p(suns, 46248.0) > ALPHA
    assert exceeds_p(-suns, 5.0 - 46248.0 * np.sin(high) ** 2) > ALPHA


@pytest.mark.parametrize("degrees", [20.0, 45.0, 60.0])
def test_each_facet_of_a_paraboloid_throws_an_ellipse(degrees):
    """Semi-axes d tan ψ and d tan ψ / cos φ on the flat receiver; Student's t, ALPHA.

    Geometry: the cone of the sun's image cut at a slant φ. An even ellipse has mean squares a²/4
    and b²/4; those of a cone cut at a slant differ by the order of (ψ tan φ)², 1e-4 here.
    """
    phi = np.radians(degrees)
    cooker, s, d = paraboloid(np.array([phi]), R=0.05, half=TINY)
    x = spot_moments(cooker, s, UNIFORM, rays=4096, replicates=64)
    a = d[0] * np.tan(SUN_RADIUS)
    expected = 0.25 * a**2 * np.array([1.0 / np.cos(phi) ** 2, 1.0])
    assert mean_p(x, expected, slack=4e-4 * expected) > ALPHA
    assert mean_p(x, expected[::-1], slack=4e-4 * expected) < ALPHA


# --- facts of the trade ------------------------------------------------------------------------


def test_flat_facets_make_a_spot_of_one_facet_and_the_suns_image():
    # Common practice, no source: with every flat facet on target the spot is about one facet
    # across plus d · 9.3 mrad.
    half, d = 0.05, 1.0
    around = np.arange(8) * (np.pi / 4.0)
    c = np.column_stack([0.3 * np.cos(around), 0.3 * np.sin(around), np.zeros(8)])
    base = np.array([0.0, 0.0, d])
    up = np.array([0.0, 0.0, 1.0])
    to_aim = (base - c) / np.linalg.norm(base - c, axis=1, keepdims=True)
    pot = facing_pot(base, [0.0, 0.0, 0.0], R=0.12)
    cooker = cooker_from_arrays(
        centers=c, normals=toward_both(up, to_aim), half_sizes=half, pot=pot, mirror=PERFECT
    )
    at = landings(cooker, trace_paths(cooker, up, UNIFORM, rays=1 << 17))
    width = np.ptp(at[:, 0])
    predicted = 2.0 * half + np.linalg.norm(base - c[0]) * 2.0 * SUN_RADIUS
    assert width == pytest.approx(predicted, rel=0.05)
    # the corners of the facets lie √2 further out, nothing lies beyond them
    beyond = np.sqrt(2.0) * half + 1.044 * SUN_RADIUS
    assert np.hypot(at[:, 0], at[:, 1]).max() < beyond / np.cos(0.2915)


@both
def test_fifty_degrees_from_the_horizontal_are_forty_from_the_vertical(estimator):
    # Common practice, no source. A level mirror then loses 1 − sin 50° = 1 − cos 40° by slant.
    alpha, _ = read_quantity("50 deg", "angle")
    s = direction(alpha)
    assert np.degrees(np.arccos(s[2])) == pytest.approx(40.0, abs=1e-12)
    cooker = cooker_from_arrays(
        centers=[[0.0, 0.0, 0.0]],
        normals=[[0.0, 0.0, 1.0]],
        half_sizes=0.05,
        pot=Pot(base=np.array([0.0, -1.0, 1.2]), axis=np.array([0.0, 0.0, 1.0]), R=0.1, height=0.1),
        mirror=PERFECT,
    )
    tally = trace(cooker, s, point_sun(), dni=1000.0, **samples(estimator, 1 << 10))
    lost = float(tally.line("cosine")) / tally.incoming
    assert lost == pytest.approx(1.0 - np.cos(np.radians(40.0)), rel=1e-12)
