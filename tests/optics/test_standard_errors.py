"""Whether standard errors mean what they say, and whether the same keys give the same bits."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA, ESTIMATORS, SUN_RADIUS, apart_p, mean_p, random_cooker, samples
from scipy import stats

from raytrace.cooker.geometry import Pot, build_cooker, cooker_from_arrays
from raytrace.cooker.mirror import Mirror
from raytrace.cooker.pose import Pose, posed
from raytrace.cooker.tolerances import Tolerances, as_built, standard_normals
from raytrace.optics.tally import BASE
from raytrace.optics.tracing import trace, trace_to_se
from raytrace.scenario.loading import load_scenario
from raytrace.sky.sunshape import sunshape
from raytrace.statistics.estimate import Estimate
from raytrace.studies.trace.run import run_at

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
SUN = sunshape("limb-darkened", SUN_RADIUS)
REPEATS = 1000
LEVEL = 0.95
both = pytest.mark.parametrize("estimator", ESTIMATORS)


def small_case():
    """A few rough facets whose spot overflows the base: every line of the ledger varies."""
    rng = np.random.default_rng(5)
    mirror = Mirror(slope=0.012, specularity=0.004)
    return random_cooker(rng, 6, sun_altitude=0.6, rise=0.2, miss=0.02, mirror=mirror)


@pytest.fixture(scope="module")
def truth():
    """Delivered watts from far more rays than any interval below could doubt."""
    cooker, s = small_case()
    options = {"dni": 900.0, "replicates": 64, "seed": 10**6}
    return trace(cooker, s, SUN, estimator="rays", samples=1 << 24, **options).delivered


@cache
def repeated(estimator):
    """Delivered watts and standard errors of many traces of four replicates, all independent."""
    cooker, s = small_case()
    points, replicates = {"rays": 64, "beams": 8}[estimator], 4
    options = {"dni": 900.0, "replicates": replicates, "bins": 1, "estimator": estimator}
    options["samples"] = 6 * points * replicates
    tallies = [
        trace(cooker, s, SUN, **options, seed=3, stream=k, threads=1) for k in range(REPEATS)
    ]
    assert tallies[0].samples_per_facet == points
    return [t.delivered for t in tallies]


def covered(estimates, truth, factor=None):
    """How many intervals hold the truth; `factor` in place of Student's quantile."""
    hit = 0
    for e in estimates:
        half = e.half_width(LEVEL) if factor is None else factor * e.se
        hit += abs(float(e) - truth) <= half
    return int(hit)


@both
def test_intervals_cover_as_often_as_they_say(truth, estimator):
    """95 % intervals of 1000 small traces: binomial, two-sided, false alarm ALPHA.

    Of 6, 8 and 16 replicates, and of other figures, tests/project/test_coverage.py says it.
    Student's t is exact for replicates that are normal; means of 64 rays or 8 beams over six
    facets are near that, and 1 % of coverage is allowed for the rest. The truth's own error
    is a two-hundredth of theirs.
    """
    estimates = repeated(estimator)
    assert float(truth.se) < 0.02 * float(np.median([e.se for e in estimates]))
    hit = covered(estimates, float(truth))
    assert 2.0 * stats.binom.sf(hit - 1, REPEATS, LEVEL + 0.01) > ALPHA
    assert 2.0 * stats.binom.cdf(hit, REPEATS, LEVEL - 0.01) > ALPHA
    # the mean of all is unbiased: Welch's t over the repetitions and the truth's replicates
    mean = Estimate.from_replicates(np.array([float(e) for e in estimates]))
    assert apart_p(mean, truth) > ALPHA


@both
def test_the_coverage_check_can_fail(truth, estimator):
    """1.96 standard errors of four replicates, not Student's 3.18, are too narrow."""
    hit = covered(repeated(estimator), float(truth), factor=stats.norm.ppf(0.5 + 0.5 * LEVEL))
    assert 2.0 * stats.binom.cdf(hit, REPEATS, LEVEL - 0.01) < ALPHA


@both
def test_tracing_to_a_standard_error_is_unbiased(truth, estimator):
    """Welch's t over 100 runs, false alarm ALPHA; and the target is met, as a rule.

    A rule that stopped at the first small enough standard error would report watts and errors
    that are both off. With 16 replicates the margin of 0.8 is missed by random draws in under a
    tenth.
    """
    cooker, s = small_case()
    target = 2e-3
    options = {"dni": 900.0, "bins": 1, **samples(estimator, 1 << 10)}
    runs = [trace_to_se(cooker, s, SUN, target_se=target, seed=k, **options) for k in range(100)]
    watts = np.array([float(t.delivered) for t in runs])
    assert apart_p(Estimate.from_replicates(watts), truth) > ALPHA
    relative = np.array([float(t.delivered.relative_se) for t in runs])
    assert (relative <= target).mean() > 0.7
    # the reported errors are the real scatter: χ² of watts over their errors, by Student's t
    pulls = (watts - float(truth)) / np.array([float(t.delivered.se) for t in runs])
    by_law = 15.0 / 13.0  # variance of Student's t with 15 degrees of freedom
    assert mean_p(pulls**2, by_law, 0.1 * by_law) > ALPHA


@both
@pytest.mark.parametrize("threads", [2, 5, None])
def test_threads_change_no_bit(estimator, threads):
    cooker, s = small_case()
    options = {"dni": 900.0, "replicates": 16, "seed": 8, **samples(estimator, 1 << 16)}
    one = trace(cooker, s, SUN, **options, threads=1)
    more = trace(cooker, s, SUN, **options, threads=threads)
    np.testing.assert_array_equal(one.power, more.power)
    np.testing.assert_array_equal(one.base_power, more.base_power)


@both
def test_keys_tell_samples_apart(estimator):
    """Another seed or stream gives other rays, and each replicate its own."""
    cooker, s = small_case()
    options = {"dni": 900.0, "replicates": 8, **samples(estimator, 1 << 12)}
    base = [
        trace(cooker, s, SUN, **options, seed=seed, stream=stream).power[:, :, BASE]
        for seed, stream in ((1, 0), (2, 0), (1, 1), (2, 1))
    ]
    columns = np.concatenate(base).sum(1)
    assert len(np.unique(columns)) == len(columns)


def test_keys_tell_build_draws_apart():
    """No error source of one seed repeats another source's random draws of another seed."""
    place = np.array([1]), np.array([1])
    draws = [
        standard_normals(seed, source, build, *place, 1)[0, 0]
        for seed in range(1, 6)
        for source in range(1, 7)
        for build in range(4)
    ]
    assert len(np.unique(draws)) == len(draws)


@pytest.mark.parametrize("path", SCENARIOS, ids=[p.stem for p in SCENARIOS])
def test_errors_of_size_zero_leave_every_bit(path):
    """All tolerances zero: the perfectly set cooker's arrays, and its power."""
    scenario = load_scenario(path)
    perfect = build_cooker(scenario)
    for tolerances in (Tolerances(), Tolerances(set_by="angle", setting_kind="miss")):
        built = as_built(perfect, tolerances, seed=4, build=2)
        for field in fields(perfect.facets):
            one, two = (getattr(x.facets, field.name) for x in (perfect, built))
            np.testing.assert_array_equal(one, two, err_msg=field.name)
        np.testing.assert_array_equal(perfect.pot.base, built.pot.base)
        np.testing.assert_array_equal(perfect.pot.axis, built.pot.axis)
        s = perfect.design_sun[0]
        one, two = (
            trace(posed(x, Pose()), s, SUN, dni=900.0, samples=1 << 12, replicates=2, bins=8)
            for x in (perfect, built)
        )
        np.testing.assert_array_equal(one.power, two.power)
        np.testing.assert_array_equal(one.base_power, two.base_power)


def test_a_small_error_is_a_small_change():
    """As the size of an error falls to zero the built cooker goes to the perfect one."""
    perfect = build_cooker(load_scenario(SCENARIOS[0]))
    sizes = (1e-3, 1e-6)
    away = []
    for size in sizes:
        tolerances = Tolerances(setting=size, placement_xy=size, placement_z=size, roll=size)
        built = as_built(perfect, replace(tolerances), seed=4)
        away.append(np.abs(built.facets.n - perfect.facets.n).max())
    assert 0.0 < away[1] < 1e-5
    assert away[0] / away[1] == pytest.approx(sizes[0] / sizes[1], rel=0.02)


def test_a_target_is_met_where_beams_do_not_serve():
    """One facet stands higher than the base: rays are traced instead, at every stage."""
    pot = Pot(base=np.array([0.0, 0.0, 1.0]), axis=np.array([0.0, 0.0, 1.0]), R=0.1, height=0.1)
    s = np.array([0.0, 0.6, 0.8])
    to_pot = np.array([0.0, 0.5, 1.0]) / np.hypot(0.5, 1.0)
    cooker = cooker_from_arrays(
        centers=[[0.0, -0.5, 0.0], [2.0, 0.0, 1.5]],
        normals=[s + to_pot, [0.0, 0.0, 1.0]],
        half_sizes=0.08,
        pot=pot,
        mirror=Mirror(slope=0.02),
    )
    tally = trace_to_se(cooker, s, SUN, dni=900.0, target_se=3e-4, threads=1)
    assert tally.estimator == "rays"
    # the margin leaves 1 chance in some 10 000 of missing by half with 16 replicates
    assert float(tally.delivered.relative_se) < 1.5 * 3e-4


def test_a_target_ends_where_no_light_reaches_the_base():
    """At noon the courtyard's light misses its pot: exactly nothing arrives."""
    scenario = load_scenario(SCENARIOS[0].parent / "courtyard.toml")
    run = run_at(scenario, "2026-03-20T12:00", target_se=1e-3, threads=1)
    tally = run.moments[0].tally
    assert float(tally.delivered) == 0.0
    assert float(tally.delivered.se) == 0.0
    assert (tally.base_power >= 0.0).all()
