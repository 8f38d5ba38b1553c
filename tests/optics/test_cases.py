"""Many cases in one call: the same bits as one by one, and keys that do what they say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from checks import ALPHA, SUN_RADIUS, random_cooker
from scipy import stats

from raytrace.cooker.aiming import unit
from raytrace.cooker.mirror import Mirror
from raytrace.cooker.tolerances import Builds, Rig, Tolerances, as_built, draw_builds
from raytrace.exceptions import GeometryError
from raytrace.optics.cases import trace_cases
from raytrace.optics.tally import BASE, LINES
from raytrace.optics.tracing import trace
from raytrace.sky.sunshape import sunshape

SUN = sunshape("limb-darkened", SUN_RADIUS)
TOLERANCES = Tolerances(
    setting=0.004, placement_xy=0.002, placement_z=0.001, roll=0.01, rig=Rig(hit=0.002)
)
REPLICATES, BEAMS = 4, 8


def design(seed=1, F=9):
    """A crowd under a pot with posts and a grate, one facet missing: every line is in play."""
    rng = np.random.default_rng(seed)
    mirror = Mirror(slope=0.01, specularity=0.003)
    options = {"sun_altitude": 0.7, "rise": 0.15, "miss": 0.02, "posts": 3, "spread": 0.25}
    cooker, s = random_cooker(rng, F, half=(0.04, 0.08), mirror=mirror, **options)
    present = np.arange(F) != 3
    facets = replace(cooker.facets, present=present, mount_radius=np.full(F, 0.02))
    facets = replace(facets, mount=cooker.facets.c - 0.02 * facets.n)
    return replace(cooker, facets=facets, pot=replace(cooker.pot, covered=0.2)), s


def cases(cooker, suns, **options):
    options = {"dni": 900.0, "replicates": REPLICATES, "beams_per_facet": BEAMS, **options}
    return trace_cases(cooker, suns, SUN, **options)


def single(cooker, sun, shape=SUN, **options):
    """The same by one call of trace, power (replicates, F, L)."""
    samples = REPLICATES * BEAMS * int(cooker.facets.present.sum())
    options = {"dni": 900.0, "replicates": REPLICATES, "samples": samples, "bins": 3, **options}
    tally = trace(cooker, sun, shape, **options)
    assert tally.samples_per_facet == BEAMS
    assert tally.estimator == "beams"
    return tally.power


def turned_suns(s, C, size=0.1):
    return unit(s + size * np.random.default_rng(4).standard_normal((C, 3)))


# -- the same bits -------------------------------------------------------------------------------


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_suns_give_the_bits_of_single_traces(threads):
    cooker, s = design()
    suns = turned_suns(s, 17)
    got = cases(cooker, 3.0 * suns, by_facet=True, threads=threads)
    assert got.by_facet.shape == (17, REPLICATES, 9, len(LINES))
    for k, sun in enumerate(suns):
        np.testing.assert_array_equal(got.by_facet[k], single(cooker, 3.0 * sun))


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_builds_give_the_bits_of_single_traces(threads):
    cooker, s = design()
    keys = np.array([0, 5, 2, 11, 40])
    builds = draw_builds(cooker, TOLERANCES, seed=7, builds=keys)
    got = cases(cooker, s, builds=builds, by_facet=True, threads=threads)
    for k, key in enumerate(keys):
        one = as_built(cooker, TOLERANCES, seed=7, build=int(key))
        np.testing.assert_array_equal(got.by_facet[k], single(one, s))
    assert len(np.unique(got.power[:, 0, LINES.index("base")])) == len(keys)


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_suns_builds_and_pots_together(threads):
    """Each case its own sun, build, pot's place and tilt, DNI and stream: single traces' bits."""
    cooker, s = design()
    rng = np.random.default_rng(5)
    C = 23
    builds = draw_builds(cooker, TOLERANCES, seed=7, builds=np.arange(4))
    build, suns = rng.integers(0, 4, C), turned_suns(s, C)
    base = cooker.pot.base + 0.02 * rng.standard_normal((C, 3))
    axis = np.array([0.0, 0.0, 2.0]) + 0.2 * rng.standard_normal((C, 3))
    dni, streams = rng.uniform(0.0, 1000.0, C), rng.integers(0, 5, C)
    options = {"build": build, "pot_base": base, "pot_axis": axis, "dni": dni, "streams": streams}
    got = cases(cooker, suns, builds=builds, by_facet=True, threads=threads, seed=3, **options)
    for k in range(C):
        one = as_built(cooker, TOLERANCES, seed=7, build=int(build[k]))
        one = replace(one, pot=replace(one.pot, base=base[k], axis=unit(axis[k])))
        power = single(one, suns[k], dni=dni[k], stream=int(streams[k]), seed=3)
        np.testing.assert_array_equal(got.by_facet[k], power)
    np.testing.assert_allclose(got.incoming, dni * cooker.mirror_area, rtol=1e-14)
    # and without the facets: the sums
    sums = cases(cooker, suns, builds=builds, threads=threads, seed=3, **options)
    assert sums.by_facet is None
    np.testing.assert_allclose(sums.power, got.by_facet.sum(2), rtol=1e-13, atol=1e-12)
    np.testing.assert_allclose(sums.power, got.power, rtol=1e-13, atol=1e-12)


def test_one_of_anything_serves_all_cases():
    cooker, s = design()
    builds = draw_builds(cooker, TOLERANCES, seed=7, builds=[6])
    suns = turned_suns(s, 5)
    got = cases(cooker, suns, builds=builds)
    spelled = cases(
        cooker,
        suns,
        builds=builds,
        build=np.zeros(5, dtype=int),
        dni=np.full(5, 900.0),
        sun_scale=np.ones(5),
        streams=np.zeros(5, dtype=int),
        pot_base=np.tile(builds.base[0], (5, 1)),
        pot_axis=cooker.pot.axis,
    )
    np.testing.assert_array_equal(got.power, spelled.power)
    # a single case is a case
    assert cases(cooker, s).power.shape == (1, REPLICATES, len(LINES))
    np.testing.assert_allclose(cases(cooker, s).power[0], single(cooker, s).sum(1), rtol=1e-13)
    # and its pot stands where the build says
    moved = Builds(builds.mount, builds.n, builds.u, builds.v, builds.base + 0.05)
    assert not np.array_equal(cases(cooker, s, builds=moved).power, got.power[:1])


def test_estimates_are_those_of_a_tally():
    """Delivered watts and intercept, with the standard errors that a single trace would give."""
    cooker, s = design()
    suns = turned_suns(s, 3)
    got = cases(cooker, suns)
    options = {"dni": 900.0, "replicates": REPLICATES, "samples": REPLICATES * BEAMS * 8}
    for k, sun in enumerate(suns):
        tally = trace(cooker, sun, SUN, **options)
        for one, many in (
            (tally.delivered, got.delivered[k]),
            (tally.intercept, got.intercept[k]),
            (tally.line("missed"), got.line("missed")[k]),
        ):
            assert float(many.value) == pytest.approx(float(one.value), rel=1e-12)
            assert float(many.se) == pytest.approx(float(one.se), rel=1e-6)
            assert many.n_replicates == REPLICATES


def test_nothing_leaves_the_mirrors_at_night():
    cooker, s = design()
    got = cases(cooker, -s)
    assert np.isnan(got.intercept.value).all()
    np.testing.assert_allclose(got.power[0, :, 0], got.incoming[0], rtol=1e-12)
    dark = cases(cooker, s, dni=0.0)
    assert np.isnan(dark.intercept.value).all()
    assert (dark.power == 0.0).all()


# -- keys ----------------------------------------------------------------------------------------


def test_streams_are_independent_and_one_stream_is_shared():
    """Correlation of 512 replicates: within a stream near 1, between streams none; ALPHA."""
    cooker, s = design()
    suns = np.stack([s, unit(s + np.array([1e-3, 0.0, 0.0]))])
    options = {"replicates": 512, "beams_per_facet": 1}
    shared = cases(cooker, suns, streams=4, **options).power[:, :, BASE]
    apart = cases(cooker, suns, streams=[4, 5], **options).power[:, :, BASE]
    assert stats.pearsonr(*shared).statistic > 0.9
    assert stats.pearsonr(*apart).pvalue > ALPHA
    np.testing.assert_array_equal(shared[0], apart[0])
    # common random numbers: the difference is much sharper than either
    assert np.ptp(shared, axis=0).std() < 0.5 * shared[0].std()
    # the check can fail
    assert stats.pearsonr(*shared).pvalue < ALPHA


def test_seeds_and_replicates_are_independent():
    """512 × 4 figures of two seeds are all different, and uncorrelated; false alarm ALPHA."""
    cooker, s = design()
    options = {"replicates": 512, "beams_per_facet": 1}
    one, two = (cases(cooker, s, seed=k, **options).power[0, :, BASE] for k in (1, 2))
    assert len(np.unique(np.concatenate([one, two]))) == 1024
    assert stats.pearsonr(one, two).pvalue > ALPHA
    assert stats.pearsonr(one[:-1], one[1:]).pvalue > ALPHA


def test_more_replicates_keep_the_first_ones():
    cooker, s = design()
    few, many = (cases(cooker, s, replicates=n).power for n in (3, 7))
    np.testing.assert_array_equal(few, many[:, :3])


# -- the sun's size ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["uniform", "limb-darkened"])
def test_the_suns_scale_is_a_larger_sun(kind):
    """A scale of sin r′ / sin r makes a sun of radius r one of radius r′."""
    cooker, s = design()
    r, scales = 4.65e-3, np.array([0.5, 1.0, 1.017, 2.0])
    radii = np.arcsin(scales * np.sin(r))
    got = trace_cases(
        cooker,
        s,
        sunshape(kind, r),
        dni=900.0,
        sun_scale=scales,
        replicates=REPLICATES,
        beams_per_facet=BEAMS,
        by_facet=True,
    )
    for k, radius in enumerate(radii):
        expected = single(cooker, s, sunshape(kind, float(radius)))
        np.testing.assert_allclose(got.by_facet[k], expected, rtol=1e-9, atol=1e-9)
    assert np.abs(got.by_facet[3] - got.by_facet[1]).max() > 1e-3


def test_cases_that_fall_to_rays_keep_scale_build_and_key():
    """A pot sunk among the mirrors: the bits of a trace by rays of the same build and sun."""
    cooker, s = design()
    builds = draw_builds(cooker, TOLERANCES, seed=7, builds=[2, 9])
    base = cooker.pot.base * [1.0, 1.0, 0.1]
    got = cases(
        cooker,
        s,
        builds=builds,
        pot_base=base,
        streams=3,
        dni=[500.0, 600.0],
        sun_scale=2.0,
        by_facet=True,
    )
    wide = sunshape("limb-darkened", float(np.arcsin(2.0 * np.sin(SUN_RADIUS))))
    for k, key in enumerate((2, 9)):
        one = as_built(cooker, TOLERANCES, seed=7, build=key)
        one = replace(one, pot=replace(one.pot, base=base))
        rays = got.by_facet.shape[1] * 8 * 64 * BEAMS
        options = {"replicates": REPLICATES, "stream": 3, "estimator": "rays", "samples": rays}
        tally = trace(one, s, wide, dni=(500.0, 600.0)[k], **options)
        np.testing.assert_allclose(got.by_facet[k], tally.power, rtol=1e-6, atol=1e-3)
        np.testing.assert_allclose(got.power[k].sum(1), got.incoming[k], rtol=1e-12)
    assert (got.power[:, :, LINES.index("base")] >= 0.0).all()


# -- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"dni": [1.0, 2.0, 3.0]}, "lengths"),
        ({"streams": [1, 2, 3]}, "lengths"),
        ({"sun_scale": [1.0, 2.0, 3.0]}, "lengths"),
        ({"pot_base": np.zeros((3, 3))}, "lengths"),
        ({"replicates": 0}, "replicates"),
        ({"build": [0, 4]}, "build must lie in 0 to 3"),
        ({"build": -1}, "build must lie in 0 to 3"),
        ({"build": [0, 1, 2]}, "lengths"),
        ({"dni": -1.0}, "dni"),
        ({"dni": [900.0, np.nan]}, "dni"),
        ({"sun_scale": 0.0}, "sun_scale"),
        ({"beams_per_facet": 0}, "beams_per_facet"),
        ({"beams_per_facet": 1 << 21}, "beams_per_facet"),
    ],
)
def test_arguments_that_do_not_fit_are_refused(options, message):
    cooker, s = design()
    builds = draw_builds(cooker, TOLERANCES, builds=np.arange(4))
    options = {"build": [0, 1], "builds": builds, **options}
    with pytest.raises(GeometryError, match=message):
        cases(cooker, np.stack([s, s]), **options)


@pytest.mark.parametrize("sun", [[0.0, 0.0, 0.0], [np.nan, 0.0, 1.0], [np.inf, 0.0, 1.0]])
def test_suns_that_are_no_direction_are_refused(sun):
    cooker, s = design()
    with pytest.raises(GeometryError, match="directions"):
        cases(cooker, np.stack([s, sun]))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"pot_base": [0.0, np.nan, 1.0]}, "pot_base must be finite"),
        ({"pot_axis": [0.0, 0.0, 0.0]}, "pot_axis must not be zero"),
        ({"pot_axis": [0.0, 0.0, np.inf]}, "pot_axis must be finite"),
        ({"streams": 0.5}, "streams: only whole"),
        ({"seed": -1}, "seed"),
        ({"seed": 1.5}, "seed: only whole"),
        ({"sun_scale": np.nan}, "sun_scale"),
        ({"sun_scale": 1e4}, "wider than half the sky"),
        ({"dni": np.nan}, "dni"),
    ],
)
def test_values_that_make_no_case_are_refused(options, message):
    cooker, s = design()
    with pytest.raises(GeometryError, match=message):
        cases(cooker, s, **options)
