"""Weights on draws of what isn't known, against laws in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from raytrace.statistics.posterior import fitted, resampled, straight, weigh
from tests.checks import ALPHA


def linear(rng, P, D, size):
    """Slopes, and residuals at 0, of measurements of D numbers."""
    B = size * rng.standard_normal((P, D))
    return B, B @ rng.standard_normal(D) + rng.standard_normal(P)


@pytest.mark.parametrize(
    ("P", "D", "size"), [(1, 1, 0.5), (6, 3, 1.0), (20, 12, 3.0), (4, 2, 30.0)]
)
def test_normal_linear_model(P, D, size):
    """Gelman et al., Bayesian Data Analysis, 3rd ed., section 14.8: the posterior is normal."""
    B, y = linear(np.random.default_rng([P, D]), P, D, size)
    V = np.linalg.inv(np.eye(D) + B.T @ B)
    mean = V @ B.T @ y
    found = straight(y, -B)
    np.testing.assert_allclose(found.mean, mean, atol=1e-9)
    np.testing.assert_allclose(found.covariance, V, atol=1e-9)
    drawn = weigh(lambda z, _: (z, y - z @ B.T), D, each=512, enough=400, rounds=8, key=(1,))
    assert drawn.effective >= 400
    got = drawn.weight @ drawn.x
    # standardised errors of the D means, independent under the exact law
    off = np.linalg.solve(np.linalg.cholesky(V), got - mean) * np.sqrt(drawn.effective)
    assert stats.chi2.sf((off**2).sum(), D) > ALPHA
    spread = np.einsum("k,ki,kj->ij", drawn.weight, drawn.x - got, drawn.x - got)
    ratio = np.linalg.eigvals(np.linalg.solve(V, spread)).real
    assert ratio.max() < 1.6
    assert ratio.min() > 0.6
    # lines fitted to draws are the lines themselves
    again = fitted(drawn.x, y - drawn.x @ B.T, np.ones(len(drawn.x))).law
    np.testing.assert_allclose(again.mean, mean, atol=1e-6)


def test_one_number_known_twice():
    """Two sources of one number weigh as their precisions: op. cit., section 2.5."""
    found = straight(np.array([3.0 / 0.5]), np.array([[-1.0 / 0.5]]))
    assert found.mean[0] == pytest.approx(3.0 * 4.0 / 5.0)
    assert found.covariance[0, 0] == pytest.approx(1.0 / 5.0)


def test_a_bent_law_is_found_where_lines_are_wrong():
    """exp(z) measured: the weighted mean against the integral over a grid."""

    def residuals(z, _):
        return z, (np.exp(z) - 5.0) / 0.2

    drawn = weigh(residuals, 1, each=256, enough=300, rounds=10, key=(2,))
    grid = np.linspace(-6, 6, 100_001)
    density = np.exp(-0.5 * ((np.exp(grid) - 5.0) / 0.2) ** 2 - 0.5 * grid**2)
    mean = (grid * density).sum() / density.sum()
    sd = np.sqrt(((grid - mean) ** 2 * density).sum() / density.sum())
    off = (drawn.weight @ drawn.x[:, 0] - mean) / (sd / np.sqrt(drawn.effective))
    assert stats.chi2.sf(off**2, 1) > ALPHA


def test_what_nothing_tells_of_stays_as_it_was():
    drawn = weigh(lambda z, _: (z, z[:, :1] - 1.0), 3, each=512, enough=300, rounds=4, key=(3,))
    mean = drawn.weight @ drawn.x[:, 1:]
    assert stats.chi2.sf(drawn.effective * (mean**2).sum(), 2) > ALPHA


def test_rows_are_picked_by_their_weight():
    weight = np.array([0.5, 0.0, 0.3, 0.2])
    counts = np.bincount(resampled(weight, 10, (4,)), minlength=4)
    assert counts.tolist() == [5, 0, 3, 2]


def test_noise_of_a_simulation_counts_as_error():
    """A number measured with variance 1 and simulated with variance 3: precision 1 + 1/4."""
    rng = np.random.default_rng(5)

    def simulate(z, _):
        return z, 2.0 - z + np.sqrt(3.0) * rng.standard_normal(z.shape)

    drawn = weigh(simulate, 1, each=4096, enough=2000, rounds=3, key=(6,))
    mean = drawn.weight @ drawn.x[:, 0]
    spread = drawn.weight @ (drawn.x[:, 0] - mean) ** 2
    # slope and level of the lines are known to 2 of sqrt(4096): see the noise's own variance
    assert mean == pytest.approx(2.0 * 0.25 / 1.25, abs=0.15)
    assert spread == pytest.approx(1.0 / 1.25, rel=0.15)
