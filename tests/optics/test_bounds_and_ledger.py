"""What no cooker may do, however drawn: create light, lose track of it, or favour one side."""

from __future__ import annotations

import numpy as np
import pytest
from checks import (
    ALPHA,
    ESTIMATORS,
    PERFECT,
    SUN_RADIUS,
    exceeds_p,
    mean_p,
    point_sun,
    random_cooker,
    samples,
    toward_both,
    welch_p,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from raytrace.cooker.geometry import Pot, cooker_from_arrays
from raytrace.cooker.mirror import Mirror
from raytrace.optics.tally import BASE, LINES
from raytrace.optics.tracing import trace
from raytrace.sky.sunshape import sunshape

UNIFORM = sunshape("uniform", SUN_RADIUS)
SHAPES = [UNIFORM, sunshape("limb-darkened", SUN_RADIUS), sunshape("buie", circumsolar_ratio=0.1)]
EXAMPLES = 60

# drawn the same way on every run: a failure is a finding, not random draws
drawn = settings(max_examples=EXAMPLES, derandomize=True, deadline=None, database=None)
cookers = st.fixed_dictionaries(
    {
        "key": st.integers(0, 2**32 - 1),
        "F": st.integers(1, 30),
        "altitude": st.floats(0.1, 1.5),
        "miss": st.sampled_from([0.0, 0.01, 0.2]),
        "rise": st.sampled_from([0.0, 0.3]),
        "lean": st.sampled_from([0.0, 0.2]),
        "posts": st.integers(0, 3),
    }
)


both = pytest.mark.parametrize("estimator", ESTIMATORS)


def build(key, F, altitude, miss, rise, lean, posts, mirror=PERFECT):
    rng = np.random.default_rng(key)
    options = {"sun_altitude": altitude, "miss": miss, "rise": rise, "lean": lean, "posts": posts}
    return random_cooker(rng, F, mirror=mirror, **options)


def most_flux(cooker, s, rho, dni):
    """Flux that no part of the base can pass under a point sun: every facet's beam at once.

    A flat mirror sends parallel light on with the irradiance it had, ρ DNI square to the beam, so
    ρ DNI cos θ_b on a base that it meets at θ_b. Light that runs along the base or down on it
    never arrives. Derived here, no source.
    """
    f = cooker.facets
    lit = f.n @ s
    beam = 2.0 * lit[:, None] * f.n - s
    on_base = np.where(lit > 0.0, np.maximum(beam @ cooker.pot.axis, 0.0), 0.0)
    return float((rho * dni * f.reflectance * on_base).sum())


@both
@given(case=cookers)
@drawn
def test_flux_keeps_within_every_beam_at_once(estimator, case):
    """Student's t over 9 × 9 bins and the mean, false alarm ALPHA shared by the examples."""
    rho, dni = 0.8, 900.0
    cooker, s = build(**case, mirror=Mirror(clean=rho))
    size = samples(estimator, 1 << 16)
    tally = trace(cooker, s, point_sun(), dni=dni, replicates=16, bins=9, threads=1, **size)
    bound = most_flux(cooker, s, rho, dni)
    whole = tally.bin_area > 0.2 * tally.bin_area.max()
    flux = tally.base_power[:, whole] / tally.bin_area[whole]
    assert exceeds_p(flux, np.full(flux.shape[1], bound)) > ALPHA / EXAMPLES
    mean = tally.power[:, :, LINES.index("base")].sum(1) / (np.pi * cooker.pot.R**2)
    assert exceeds_p(mean, bound) > ALPHA / EXAMPLES


@both
def test_the_bound_is_reached_where_all_beams_overlap(estimator):
    """Facets larger than the base, all on target, point sun: the flux equals the bound.

    Student's t over 5 × 5 bins, false alarm ALPHA.
    """
    rho, dni, F = 0.8, 900.0, 7
    around = np.arange(F) * (2.0 * np.pi / F)
    radius = 0.5 + 0.05 * np.arange(F)
    c = np.column_stack([radius * np.cos(around), radius * np.sin(around), 0.02 * np.arange(F)])
    base = np.array([0.05, -0.1, 0.9])
    s = np.array([0.0, np.sin(0.3), np.cos(0.3)])
    to_aim = (base - c) / np.linalg.norm(base - c, axis=1, keepdims=True)
    pot = Pot(base=base, axis=np.array([0.1, 0.0, 1.0]), R=0.03, height=0.05)
    cooker = cooker_from_arrays(
        centers=c,
        normals=toward_both(s, to_aim),
        half_sizes=0.08,
        pot=pot,
        mirror=Mirror(clean=rho),
    )
    size = samples(estimator, 1 << 20)
    tally = trace(cooker, s, point_sun(), dni=dni, replicates=64, bins=5, **size)
    expected = most_flux(cooker, s, rho, dni)
    inside = tally.bin_area > 0.0
    flux = tally.base_power[:, inside] / tally.bin_area[inside]
    assert mean_p(flux / expected, np.ones(flux.shape[1])) > ALPHA
    # and it can fail: six beams of the seven are not enough
    assert mean_p(flux / expected, np.full(flux.shape[1], (F - 1.0) / F)) < ALPHA


@both
@given(
    case=cookers,
    shape=st.sampled_from(SHAPES),
    slope=st.sampled_from([0.0, 0.003, 0.05]),
    seed=st.integers(0, 2**31),
)
@drawn
def test_the_ledger_closes(estimator, case, shape, slope, seed):
    """Energy is kept: every facet's lines sum to DNI on its area, in every replicate, to 1e-9."""
    mirror = Mirror(model="glass", cleanliness=0.9, slope=slope, specularity=0.5 * slope)
    cooker, s = build(**case, mirror=mirror)
    dni = 850.0
    size = samples(estimator, 1 << 14)
    tally = trace(cooker, s, shape, dni=dni, replicates=4, seed=seed, bins=7, **size)
    incoming = dni * cooker.facets.area
    np.testing.assert_allclose(
        tally.power.sum(2), np.broadcast_to(incoming, (4, len(incoming))), rtol=1e-9
    )
    assert tally.incoming == pytest.approx(incoming.sum(), rel=1e-12)
    # beams take areas from areas, which rounding may leave a hair under nothing
    hair = 1e-12 * incoming.sum()
    assert (tally.power[:, :, 1:] >= -hair).all()
    # rays from the disc's near side meet a tilted facet more squarely than its centre does
    assert (tally.power[:, :, 0] >= -np.tan(shape.psi_max) * incoming - hair).all()
    on_base = tally.power[:, :, LINES.index("base")].sum(1)
    np.testing.assert_allclose(tally.base_power.sum((1, 2)), on_base, rtol=1e-9, atol=hair)
    outside = tally.bin_area == 0.0
    assert (np.abs(tally.base_power[:, outside]) <= hair).all()


@both
def test_the_cosine_line_is_the_slant_of_each_facet(estimator):
    """DNI A (1 − cos θ), whatever the sunshape: Student's t per facet, false alarm ALPHA.

    A sunshape is symmetric about its centre, and cos θᵢ / cos ψ averages to the cosine at the
    centre where no part of the sun is behind the facet. Derived here, no source.
    """
    cooker, s = build(7, 25, 0.8, 0.2, 0.1, 0.0, 0)
    for shape in SHAPES:
        size = samples(estimator, 1 << 18)
        tally = trace(cooker, s, shape, dni=1000.0, replicates=64, **size)
        slant = cooker.facets.n @ s
        assert (slant > 0.05).all()
        expected = 1000.0 * cooker.facets.area * (1.0 - slant)
        scale = 1000.0 * cooker.facets.area
        assert mean_p(tally.power[:, :, 0] / scale, expected / scale) > ALPHA / len(SHAPES)


def mirrored_cooker(skew=0.0):
    """Twelve facets, six a side, the same left and right of x = 0; `skew` spoils that. [rad]"""
    rng = np.random.default_rng(11)
    c = np.column_stack(
        [rng.uniform(0.06, 0.5, 6), np.linspace(-0.4, 0.4, 6), rng.uniform(0, 0.2, 6)]
    )
    flip = np.array([-1.0, 1.0, 1.0])
    c = np.concatenate([c, c * flip])
    s = np.array([0.0, np.cos(0.7), np.sin(0.7)])
    base = np.array([0.0, -0.5, 0.7])
    to_aim = (base - c) / np.linalg.norm(base - c, axis=1, keepdims=True)
    n = toward_both(s, to_aim)
    n[:6, 0] += skew
    pot = Pot(base=base, axis=np.array([0.0, 0.0, 1.0]), R=0.08, height=0.1)
    cooker = cooker_from_arrays(
        centers=c, normals=n, half_sizes=(0.06, 0.04), pot=pot, mirror=Mirror(slope=0.01)
    )
    return cooker, s


def sides_p(estimator, skew):
    cooker, s = mirrored_cooker(skew)
    size = samples(estimator, 1 << 19)
    tally = trace(cooker, s, UNIFORM, dni=1000.0, replicates=64, bins=6, **size)
    facets = tally.power[:, :6] - tally.power[:, 6:]
    used = np.abs(tally.power).max((0, 1)) > 0.0
    left_right = tally.base_power - tally.base_power[:, :, ::-1]
    seen = tally.base_power.mean(0) > 1e-3 * tally.base_power.mean(0).max()
    by_facet = mean_p(facets[:, :, used], np.zeros(6 * used.sum()))
    by_bin = mean_p(left_right[:, seen & seen[:, ::-1]], 0.0)
    return min(1.0, 2.0 * min(by_facet, by_bin))


@both
def test_a_mirrored_cooker_has_a_mirrored_ledger_and_map(estimator):
    """Student's t, Bonferroni over lines, facets and bins; false alarm ALPHA."""
    assert sides_p(estimator, 0.0) > ALPHA


@both
def test_the_mirror_check_can_fail(estimator):
    """One side's facets turned by 2 mrad are caught."""
    assert sides_p(estimator, 0.002) < ALPHA


@both
@pytest.mark.parametrize("key", [1, 2, 3])
def test_the_frame_does_not_matter(estimator, key):
    """Turning cooker, pot and sun together changes no line; Welch's t, false alarm ALPHA."""
    # few rough facets on a base that overflows: every line is in play
    cooker, s = build(key, 25, 0.35, 0.06, 0.2, 0.1, 0, mirror=Mirror(slope=0.01, specularity=0.01))
    turn = Rotation.random(rng=np.random.default_rng(key)).as_matrix()
    f, pot = cooker.facets, cooker.pot
    turned = cooker_from_arrays(
        centers=f.c @ turn.T + np.array([3.0, -2.0, 1.0]),
        normals=f.n @ turn.T,
        axes_u=f.u @ turn.T,
        half_sizes=np.column_stack([f.half_u, f.half_v]),
        shapes=np.array(["rectangular", "round", "hexagonal"])[f.shape],
        pot=Pot(
            base=turn @ pot.base + np.array([3.0, -2.0, 1.0]),
            axis=turn @ pot.axis,
            R=pot.R,
            height=pot.height,
        ),
        mirror=cooker.mirror,
    )
    options = {"dni": 1000.0, "replicates": 64, **samples(estimator, 1 << 18)}
    one = trace(cooker, s, UNIFORM, **options)
    two = trace(turned, turn @ s, UNIFORM, **options, seed=2)
    assert (one.power.mean((0, 1))[1:] > 0.0).sum() >= 5
    assert welch_p(one.power.sum(1), two.power.sum(1)) > ALPHA
    # radius from the base's centre does not depend on the frame's axes, nor does the total
    assert welch_p(one.power[:, :, BASE], two.power[:, :, BASE]) > ALPHA


COOKERS = 20


@pytest.mark.parametrize("key", range(COOKERS))
def test_rays_and_beams_agree(key):
    """Each way to trace checks the other: Welch's t over lines and bins, false alarm ALPHA.

    Lines and bins under 2 % of the light are left out: few samples reach them, so that their
    replicates are far from normal. The hair covers beams' polygons for round outlines.
    """
    rng = np.random.default_rng([1, key])
    case = {
        "F": int(rng.integers(2, 40)),
        "sun_altitude": rng.uniform(0.2, 1.5),
        "miss": rng.choice([0.0, 0.02, 0.3]),
        "rise": rng.choice([0.0, 0.1, 0.3]),
        "lean": rng.choice([0.0, 0.2]),
        "posts": int(rng.integers(0, 4)),
        "mirror": Mirror(slope=rng.choice([0.0, 0.003, 0.02]), specularity=rng.choice([0, 0.01])),
    }
    cooker, s = random_cooker(rng, **case)
    traces = [
        trace(cooker, s, SHAPES[key % 3], dni=1000.0, replicates=32, bins=5, **samples(k, 1 << 19))
        for k in ESTIMATORS
    ]
    assert [t.estimator for t in traces] == list(ESTIMATORS)
    rays, beams = (np.column_stack([t.power.sum(1), t.base_power.reshape(32, -1)]) for t in traces)
    used = rays.mean(0) > 0.02 * traces[0].incoming
    assert welch_p(rays[:, used], beams[:, used], 1e-5 * traces[0].incoming) > ALPHA


@both
def test_a_base_that_faces_the_heading_is_lit(estimator):
    """A pot lying along the platform's y axis takes a level beam square on its base."""
    toward = np.array([0.0, 1.0, 0.0])
    pot = Pot(base=toward, axis=toward, R=0.2, height=0.1)
    s = np.array([0.8, 0.6, 0.0])
    cooker = cooker_from_arrays(
        centers=[[0.0, 0.0, 0.0]],
        normals=[toward_both(s, toward)],
        half_sizes=0.05,
        pot=pot,
        mirror=PERFECT,
        axes_u=[[0.0, 0.0, 1.0]],
    )
    tally = trace(cooker, s, point_sun(), dni=1000.0, **samples(estimator, 1 << 12))
    caught = 1000.0 * 0.01 * float(cooker.facets.n[0] @ s)
    assert float(tally.delivered) == pytest.approx(caught, rel=1e-9)
