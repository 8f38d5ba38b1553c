"""Whether 95 % intervals hold the truth in 95 % of runs: watts, intercept, a line, a bin.

Student's t over replicates, 2 000 independent repetitions a setting. The truth is the mean of all
repetitions, whose own error is a forty-fifth of one's. Coverage must lie in 92 to 98 %: with
exactly 95 % it would leave that by chance once in 10⁹, ALPHA's size.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from checks import ESTIMATORS, SUN_RADIUS, random_cooker
from scipy import stats

from raytrace.cooker.mirror import Mirror
from raytrace.optics.cases import Cases, trace_cases
from raytrace.optics.tally import LINES
from raytrace.optics.tracing import trace
from raytrace.sky.sunshape import sunshape
from raytrace.statistics.estimate import Estimate

REPEATS = 2000
STREAMS = 20  # traces that the repetitions are cut from, by replicates
LEVEL = 0.95
LOW, HIGH = 0.92, 0.98
F = 6
SUN = sunshape("limb-darkened", SUN_RADIUS)
# samples a facet and replicate, replicates
FEW = {"rays": (16, 6), "beams": (2, 6)}
MANY = {"rays": (64, 16), "beams": (8, 16)}


@cache
def rough_cooker():
    """Six rough facets whose spot overflows the base: every figure varies."""
    rng = np.random.default_rng(5)
    mirror = Mirror(slope=0.012, specularity=0.004)
    return random_cooker(rng, F, sun_altitude=0.6, rise=0.2, miss=0.02, mirror=mirror)


@cache
def repeated(estimator, few):
    """Power by line (REPEATS, replicates, L) and by bin (REPEATS, replicates, 9)."""
    cooker, s = rough_cooker()
    points, replicates = (FEW if few else MANY)[estimator]
    n = REPEATS // STREAMS * replicates
    options = {"dni": 900.0, "estimator": estimator, "bins": 3, "threads": 1, "seed": 6}
    options |= {"samples": F * points * n, "replicates": n}
    tallies = [trace(cooker, s, SUN, stream=k, **options) for k in range(STREAMS)]
    assert {tally.samples_per_facet for tally in tallies} == {points}
    lines = np.concatenate([tally.power.sum(1) for tally in tallies])
    bins = np.concatenate([tally.base_power for tally in tallies])
    return lines.reshape(REPEATS, replicates, -1), bins.reshape(REPEATS, replicates, 9)


def coverage(estimate, truth, factor=None):
    """Share of the intervals that hold the truth; `factor` in place of Student's quantile."""
    half = estimate.half_width(LEVEL) if factor is None else factor * estimate.se
    return float((np.abs(estimate.value - truth) <= half).mean())


def figure(name, lines, bins):
    """Estimates (REPEATS,) of a figure, and its truth."""
    if name == "intercept":
        total = lines.mean((0, 1))[LINES.index("missed") :]
        return Cases(lines, np.empty(0), None).intercept, total[-1] / total.sum()
    if name == "bin":
        x = bins[:, :, np.argmax(bins.mean((0, 1)))]
    elif name == "edge bin":
        # corners hold little; the least lit of the four bins beside the middle
        beside = [1, 3, 5, 7]
        x = bins[:, :, beside[np.argmin(bins.mean((0, 1))[beside])]]
    else:
        x = lines[:, :, LINES.index(name)]
    assert (x > 0.0).mean() > 0.9
    return Estimate.from_replicates(x.T), x.mean()


@pytest.mark.parametrize("few", [True, False], ids=["few", "many"])
@pytest.mark.parametrize("estimator", ESTIMATORS)
@pytest.mark.parametrize("name", ["base", "intercept", "missed", "bin", "edge bin"])
def test_intervals_cover_as_often_as_they_say(estimator, name, few):
    estimate, truth = figure(name, *repeated(estimator, few))
    assert estimate.value.shape == (REPEATS,)
    assert LOW < coverage(estimate, truth) < HIGH


@pytest.mark.parametrize("estimator", ESTIMATORS)
def test_the_coverage_check_can_fail(estimator):
    """1.96 standard errors of six replicates, not Student's 2.57, cover less than 92 %."""
    estimate, truth = figure("base", *repeated(estimator, True))
    assert coverage(estimate, truth, stats.norm.ppf(0.5 + 0.5 * LEVEL)) < LOW


@pytest.mark.parametrize("name", ["base", "intercept", "side"])
def test_intervals_of_cases_cover_too(name):
    """The same of trace_cases, each repetition a stream."""
    cooker, s = rough_cooker()
    options = {"dni": 900.0, "replicates": 8, "beams_per_facet": 4, "seed": 7}
    cases = trace_cases(cooker, s, SUN, streams=np.arange(REPEATS), **options)
    estimate, truth = figure(name, cases.power, None)
    assert LOW < coverage(estimate, truth) < HIGH
