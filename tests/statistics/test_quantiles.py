"""Percentiles and spreads over builds: their intervals hold the truth as often as they say."""

from __future__ import annotations

import numpy as np
import pytest
from checks import ALPHA, mean_p
from scipy import stats

from raytrace.light.ensemble import Spread, binomial_interval
from raytrace.reports.common.tables import bounded
from raytrace.statistics.quantiles import percentile, spread_error
from raytrace.studies.tolerance.threshold import largest_keeping

# builds crowd under the perfect cooker's watts, with a tail of bad ones below
WATTS = stats.skewnorm(-6.0, loc=200.0, scale=25.0)


@pytest.mark.parametrize(("n", "q"), [(40, 10.0), (40, 50.0), (200, 10.0), (200, 90.0)])
def test_bounds_of_a_percentile_hold_it(n, q):
    """At least 95 % of 3000 ensembles of skewed watts, and no more than the steps cost.

    The chance is a sum of binomial terms, known exactly: scipy's binomial; false alarm ALPHA for
    each of two tests. The bounds that a normal distribution would have hold it too rarely.
    """
    true, trials = WATTS.ppf(0.01 * q), 3000
    draws = WATTS.rvs((trials, n), random_state=np.random.default_rng(41))
    got = [percentile(x, q) for x in draws]
    held = sum(p.low <= true <= p.high for p in got)
    law = stats.binom(n, 0.01 * q)
    below, above = law.ppf(0.025), law.ppf(0.975) + 1.0
    chance = law.cdf(above - 1.0) - law.cdf(below - 1.0)
    assert chance >= 0.95
    assert stats.binomtest(held, trials, chance).pvalue > ALPHA
    if n == 200 and q == 10.0:
        normal = draws.mean(axis=1) + stats.norm.ppf(0.1) * draws.std(axis=1, ddof=1)
        half = 1.96 * draws.std(axis=1, ddof=1) * np.sqrt((1.0 + 0.5 * 1.2816**2) / n)
        held = int((np.abs(normal - true) <= half).sum())
        assert stats.binomtest(held, trials, 0.95, "less").pvalue < ALPHA


def test_builds_that_may_be_alike_count_once():
    """Every two builds the same: the bounds are those of half as many."""
    x = np.sort(WATTS.rvs(100, random_state=np.random.default_rng(42)))
    once, twice = percentile(x, 10.0), percentile(np.repeat(x, 2), 10.0, group=2)
    assert (once.low, once.high) == (twice.low, twice.high)
    pairs = np.repeat(x, 2)[:, None].repeat(2, axis=1)
    assert Spread.of(pairs, group=2).se == pytest.approx(stats.sem(x))
    assert spread_error(np.repeat(x, 2), group=2) == pytest.approx(spread_error(x), rel=0.02)


def test_too_few_builds_have_no_bound():
    few = percentile(np.arange(20.0), 10.0)
    assert few.low == -np.inf
    assert np.isfinite(few.high)
    assert bounded(few.value, few.low, few.high).startswith("2 (−∞–")
    assert bounded(200.0, 200.0, 200.0) == "200.0 (all alike)"
    assert np.isnan(spread_error(np.array([1.0, 2.0])))


def test_the_error_of_a_spread_is_the_one_seen():
    """Mean of the squared error stated, against the variance of 4000 spreads; Student's t, ALPHA.

    The jackknife's own bias is of the order 1/n (Efron and Tibshirani, chapter 11): 5 % at 100.
    """
    x = WATTS.rvs((4000, 100), random_state=np.random.default_rng(43))
    sd = x.std(axis=1, ddof=1)
    stated = spread_error(x) ** 2
    apart = stated - (sd - sd.mean()) ** 2
    assert mean_p(apart, 0.0, slack=0.05 * sd.var()) > ALPHA
    assert mean_p(0.7 * stated - (sd - sd.mean()) ** 2, 0.0, slack=0.05 * sd.var()) < ALPHA


def test_limits_read_off_a_curve_hold_the_true_one():
    """95 % of 400 studies of 40 builds that lose watts at paces of their own; false alarm ALPHA.

    The mean keeps 90 % at exactly 1; the pace is normal, so that Student's t is exact but for
    the cubic between the levels.
    """
    rng, trials, n = np.random.default_rng(44), 400, 40
    x = np.linspace(0.0, 2.0, 9)
    held = bare = 0
    for pace in 0.1 * (1.0 + 0.4 * rng.standard_normal((trials, n))):
        builds = 1.0 - pace[:, None] * x
        mean, se = builds.mean(axis=0), builds.std(axis=0, ddof=1) / np.sqrt(n)
        got = largest_keeping(x, mean, se, 0.9, df=n - 1)
        held += got.low <= 1.0 <= got.high
        half = largest_keeping(x, mean, 0.5 * se, 0.9, df=n - 1)
        bare += half.low <= 1.0 <= half.high
    assert stats.binomtest(held, trials, 0.95).pvalue > ALPHA
    assert stats.binomtest(bare, trials, 0.95).pvalue < ALPHA


def test_shares_of_builds_that_reach_some_watts_are_held():
    """At least 95 % of 3000 ensembles of 200; false alarm ALPHA."""
    wanted, trials, n = 175.0, 3000, 200
    true = WATTS.sf(wanted)
    reach = np.random.default_rng(45).binomial(n, true, trials)
    bounds = [binomial_interval(int(k), n) for k in reach]
    held = sum(low <= true <= high for low, high in bounds)
    assert stats.binomtest(held, trials, 0.95, "less").pvalue > ALPHA


def test_a_level_met_at_a_point_itself_is_found():
    """Whatever rounding does to the cubic there."""
    x = np.linspace(0.0, 1.0, 7)
    for k in range(1, 6):
        y = np.cos(x)
        assert largest_keeping(x, y, np.zeros(7), float(y[k]), df=9).value == pytest.approx(x[k])
    steps = np.repeat([1.0, 0.3], [3, 4])
    assert largest_keeping(x, steps, np.zeros(7), 0.3, df=9).value == np.inf
