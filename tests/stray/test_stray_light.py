"""Irradiance about a cooker against closed forms, and against the tracer's own flux map."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from checks import ALPHA, SUN_RADIUS, one_facet, t_bound
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from raytrace.cooker.geometry import cooker_from_arrays
from raytrace.cooker.mirror import Mirror
from raytrace.cooker.pose import Pose
from raytrace.light.placed import faced_design_sun, stood
from raytrace.light.setup import set_up
from raytrace.optics.stray import stray_light
from raytrace.optics.tracing import trace
from raytrace.scenario.loading import load_scenario
from raytrace.sky.sunshape import sunshape
from raytrace.studies.stray.yard import in_yard

UNIFORM = sunshape("uniform", SUN_RADIUS)
SUN = np.tan(SUN_RADIUS)
SCENARIOS = Path(__file__).parents[2] / "scenarios"


def along(theta, half, distances, dni=1000.0):
    """Light of one facet on its central ray."""
    cooker, s = one_facet(theta, 1.0, half=half, R=0.01)
    light = stray_light(cooker, s, UNIFORM, dni=dni, pot_there=False)
    c, r = light.rays
    return light, light.at(c + np.multiply.outer(distances, r[0]))


@pytest.mark.parametrize("theta", [0.0, 0.3, 1.0])
def test_near_a_facet_shines_as_the_sun_and_far_off_by_the_inverse_square(theta):
    # a mirror that the whole of the sun is seen in gives DNI (times reflectance, here 1); one that
    # is far smaller than the sun's image gives the sun's radiance DNI / (π tan² 4.65 mrad) times
    # its solid angle A cos θ / d²: plane geometry
    half = 0.05
    _, near = along(theta, half, [0.1, 0.5 * half * np.cos(theta) / SUN])
    assert near.facing == pytest.approx(1000.0, rel=1e-9)
    far = np.array([40.0, 100.0, 1000.0])
    _, found = along(theta, half, far)
    expected = 1000.0 * (2 * half) ** 2 * np.cos(theta) / (np.pi * (SUN * far) ** 2)
    # the facet's outline bends the square of the distance by its half-angle squared
    assert found.facing == pytest.approx(expected, rel=1e-4)
    # radiance is conserved: what is seen is as bright as the sun
    radiance = found.facing / found.fill
    assert radiance == pytest.approx(1000.0 / (np.pi * SUN**2), rel=1e-4)
    assert (found.lit == 1).all()


@pytest.mark.parametrize("d", [2.0, 5.0])
def test_an_image_is_as_wide_as_the_facet_and_the_sun(d):
    # across the plane of incidence, edge to edge: W + 2 d tan(4.65 mrad), of which W less that is
    # in full light
    half = 0.05
    light, _ = along(0.4, half, [d])
    c, r = light.rays
    edge = np.array([half + d * SUN, half - d * SUN])
    y = np.array([edge[0] - 1e-5, edge[0] + 1e-5])
    E = light.at(c + d * r + np.outer(y, [0.0, 1.0, 0.0])).facing
    assert E[0] > 1e-3
    assert E[1] == pytest.approx(0.0, abs=1e-9)
    y = np.array([edge[1] - 1e-5, edge[1] + 1e-3])
    E = light.at(c + d * r + np.outer(y, [0.0, 1.0, 0.0])).facing
    assert E[0] == pytest.approx(1000.0, rel=1e-9)
    assert E[1] < 999.9


def test_what_leaves_a_facet_arrives_on_any_plane():
    # energy: the irradiance on a plane sums up to reflectance × DNI × A cos θ
    theta, half = 0.7, 0.05
    light, _ = along(theta, half, [1.0])
    c, r = light.rays
    n = np.array([0.0, 0.0, 1.0])
    x = (np.arange(300) + 0.5) / 300 * 0.5 - 0.25
    X, Y = np.meshgrid(x, x)
    middle = c[0] + 2.0 * r[0] / r[0, 2]
    points = middle + np.stack([X.ravel(), Y.ravel(), np.zeros(X.size)], axis=1)
    watts = light.at(points).on(-n).sum() * (x[1] - x[0]) ** 2
    assert watts == pytest.approx(1000.0 * 4 * half**2 * np.cos(theta), rel=3e-4)


def test_irradiances_of_two_facets_add_as_vectors():
    # two facets that mirror each other light a point between their beams' middles
    base, s = one_facet(0.0, 1.0, half=0.05, R=0.01)
    tilt = 0.2
    n = np.array([[np.sin(tilt), 0.0, np.cos(tilt)], [-np.sin(tilt), 0.0, np.cos(tilt)]])
    d = 0.5 / np.tan(2.0 * tilt)
    cooker = cooker_from_arrays(
        centers=[[-0.5, 0.0, 0.0], [0.5, 0.0, 0.0]],
        normals=n,
        half_sizes=0.05,
        pot=base.pot,
        mirror=base.mirror,
    )
    found = stray_light(cooker, s, UNIFORM, dni=800.0, pot_there=False).at([[0.0, 0.0, d]])
    # each sends 800 W/m² at 2 · tilt from the vertical
    assert found.facing == pytest.approx(1600.0 * np.cos(2.0 * tilt), rel=1e-9)
    assert found.on([0.0, 0.0, -1.0]) == pytest.approx(found.facing)
    assert found.lit == 2


@pytest.mark.parametrize("theta", [0.1, 1.1])
def test_waviness_and_scatter_spread_the_image_as_samples_do(theta):
    # shares of independent samples of sun, slope and scatter that lead from a point to the facet
    rng, n = np.random.default_rng(1), 400_000
    mirror = Mirror(clean=1.0, slope=2e-3, specularity=1e-3)
    cooker, s = one_facet(theta, 1.0, half=0.05, R=0.01, mirror=mirror)
    light = stray_light(cooker, s, UNIFORM, dni=1.0, pot_there=False)
    c, r = light.rays
    q = np.array([0.0, 1.0, 0.0])
    psi, phi = np.sin(SUN_RADIUS) * np.sqrt(rng.random(n)), 2.0 * np.pi * rng.random(n)
    across = psi[:, None] * (np.outer(np.cos(phi), np.cross(q, s)) + np.outer(np.sin(phi), q))
    d = np.sqrt(1.0 - psi**2)[:, None] * s + across
    normal = np.column_stack([mirror.slope * rng.standard_normal((n, 2)), np.ones(n)])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    out = 2.0 * (d * normal).sum(axis=1)[:, None] * normal - d
    out += mirror.specularity * rng.standard_normal((n, 2)) @ np.stack([np.cross(q, r[0]), q])
    hits, beyond = [], []
    for far, aside in ((3.0, 0.0), (15.0, 0.0), (15.0, 0.1), (40.0, 0.2)):
        middle = float(light.at(c + far * r).facing[0])
        for axis in (np.cross(q, r[0]), q):
            point = c[0] + far * r[0] + aside * axis
            back = point - point[2] / out[:, 2:] * out
            hits.append((np.abs(back[:, :2]) <= 0.05).all(axis=1).mean())
            # the image is taken as radial in stretched axes: good to 1 % of its middle here
            beyond.append(abs(light.at([point]).facing[0] - hits[-1]) - 0.01 * middle)
    hit = np.array(hits)
    bound = stats.norm.isf(0.5 * (ALPHA / len(hit)))
    assert (np.array(beyond) <= bound * np.sqrt(hit * (1.0 - hit) / n)).all()


@pytest.mark.parametrize("name", ["courtyard", "rim-ring"])
def test_on_the_base_it_is_the_tracers_own_flux_map(name):
    # shaded, blocked by facets and posts, shifted in glass: one code samples, the other integrates
    scenario = load_scenario(SCENARIOS / f"{name}.toml")
    sun = faced_design_sun(scenario)
    _, cooker, s = stood(set_up(scenario), sun)
    bins, fine, R = 16, 3, cooker.pot.R
    tally = trace(cooker, s, sun.shape, dni=sun.dni, samples=1 << 16, bins=bins)
    x = (np.arange(bins * fine) + 0.5) / (bins * fine) * 2.0 * R - R
    X, Y = np.meshgrid(x, x)
    flat = np.stack([X.ravel(), Y.ravel(), np.full(X.size, -1e-6)], axis=1)
    light = stray_light(cooker, s, sun.shape, dni=sun.dni)
    frame = cooker.pot.frame
    E = light.at(flat @ frame + cooker.pot.base).on(-frame[2]).reshape(X.shape)
    cell = (1.0 - cooker.pot.covered) * (x[1] - x[0]) ** 2
    inside = X**2 + Y**2 <= R * R
    found = (np.where(inside, E, 0.0) * cell).reshape(bins, fine, bins, fine).sum(axis=(1, 3))
    whole = inside.reshape(bins, fine, bins, fine).all(axis=(1, 3))
    mean, se = tally.base_power.mean(axis=0), tally.base_power.std(axis=0, ddof=1) / 4.0
    off = np.abs(found - mean)[whole]
    # nine points a bin miss its mean where the map bends: by 1 % of the peak at most
    assert (off < t_bound(15) * se[whole] + 0.01 * mean.max()).all()
    assert np.sqrt((off**2).mean()) < 2e-3 * mean.max()
    # the rim's bins are cut by their points' middles
    assert found.sum() == pytest.approx(mean.sum(), rel=2e-3)


def test_a_pot_keeps_light_from_what_stands_behind_it():
    cooker, s = one_facet(0.3, 1.0, half=0.02, R=0.1, height=0.2)
    c, r = stray_light(cooker, s, UNIFORM, dni=1000.0).rays
    at = c + np.array([[0.5], [0.999], [1.1], [1.5]]) * r
    there = stray_light(cooker, s, UNIFORM, dni=1000.0).at(at).facing
    gone = stray_light(cooker, s, UNIFORM, dni=1000.0, pot_there=False).at(at).facing
    assert gone == pytest.approx(1000.0)
    assert there == pytest.approx([1000.0, 1000.0, 0.0, 0.0], abs=1e-6)


@pytest.mark.parametrize("theta", [0.5, 0.9])
def test_a_pots_shadow_is_that_of_base_side_and_lid(theta):
    # independent: whether any of 2000 places on the way lies within the cylinder, under a sun of
    # next to no breadth; what passes within 4 mm of its surface isn't asked
    R, height, rng = 0.1, 0.2, np.random.default_rng(1)
    aimed, s = one_facet(theta, 0.7, half=0.5, R=R, height=height)
    upright = replace(aimed.pot, axis=np.array([0.0, 0.0, 1.0]))
    cooker = replace(aimed, pot=upright)
    light = stray_light(cooker, s, sunshape("uniform", 1e-4), dni=1000.0)
    c, (r,) = light.rays
    start = c + rng.uniform(-0.4, 0.4, (400, 3)) * [1.0, 1.0, 0.0]
    way = start[:, None] + np.linspace(0.0, 2.0, 2000)[:, None] * r
    way -= cooker.pot.base
    out = np.maximum(np.hypot(way[..., 0], way[..., 1]) - R, np.abs(way[..., 2] - 0.5 * height)
                     - 0.5 * height).min(axis=1)  # fmt: skip
    asked = np.abs(out) > 4e-3
    expected = np.where(out > 0.0, 1000.0, 0.0)
    assert 20 < (expected == 0.0).sum() < 380
    found = light.at(start + 2.0 * r).facing
    assert found[asked] == pytest.approx(expected[asked], abs=1e-6)


def test_half_a_beam_passes_the_pots_edge():
    # a point on the edge of the pot's shadow sees half of the sun's image: symmetry
    cooker, s = one_facet(0.0, 1.0, half=0.08, R=0.04, height=0.0)
    light = stray_light(cooker, s, UNIFORM, dni=1000.0)
    found = light.at([[0.04 + x, 0.0, 1.5] for x in (-0.01, 0.0, 0.01)]).facing
    # the rim is a polygon, and a circle where the sun's image has its middle: under 2 %
    assert found == pytest.approx([0.0, 500.0, 1000.0], abs=20.0)


@given(turn=st.floats(-3.0, 3.0), seed=st.integers(0, 100))
@settings(max_examples=10, deadline=None)
def test_sun_and_cooker_turned_together_light_what_is_turned_with_them(turn, seed):
    rng = np.random.default_rng(seed)
    cooker, s = one_facet(0.4, 1.0, half=0.05, R=0.1)
    setup = SimpleNamespace(cooker=cooker, shape=UNIFORM)
    points = rng.normal([-0.4, 0.0, 1.0], [0.02, 0.02, 0.3], size=(50, 3))
    c, w = np.cos(turn), np.sin(turn)
    clockwise = np.array([[c, w, 0.0], [-w, c, 0.0], [0.0, 0.0, 1.0]])
    one, two = (
        in_yard(setup, m @ s, Pose(heading=h), dni=900.0).at(points @ m.T)
        for h, m in ((0.0, np.eye(3)), (turn, clockwise))
    )
    assert two.facing == pytest.approx(one.facing, abs=1e-6)
    assert two.vector == pytest.approx(one.vector @ clockwise.T, abs=1e-6)
