"""What the checks against outside knowledge share: p-values, simple cookers, where rays land.

A statistical test fails right code with a stated chance. The suite as a whole may do so once in
a million runs; each check takes Šidák's share of that, N_CHECKS of them at most. A check is one
use of ALPHA, SIGMAS or `t_bound` in one case of a test; in a loop it divides ALPHA by the rounds.
tests/project/test_false_alarms.py counts them. Seeds are fixed once and are no part of a test's
design.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from raytrace.cooker.geometry import HEXAGON, RECTANGLE, Pot, cooker_from_arrays
from raytrace.cooker.mirror import Mirror
from raytrace.cooker.pose import Poses
from raytrace.light.ensemble import Ensemble
from raytrace.light.placed import FacedSun
from raytrace.optics.tracing import trace_paths
from raytrace.sky.sunshape import Sunshape

# both ways to trace answer to the same closed forms; beams need fewer samples for the same error
ESTIMATORS = ("rays", "beams")
BEAMS_SHIFT = 5

FAMILY = 1e-6
N_CHECKS = 800
ALPHA = -np.expm1(np.log1p(-FAMILY) / N_CHECKS)  # 1.25e-9
SIGMAS = float(stats.norm.isf(0.5 * ALPHA))  # 6.08 known standard errors, either side

SUN_RADIUS = 4.65e-3  # half-angle of the sun's disc [rad]
PERFECT = Mirror(clean=1.0)


def t_bound(freedom):
    """Standard errors, estimated from so many degrees of freedom, that ALPHA leaves outside."""
    return float(stats.t.isf(0.5 * ALPHA, freedom))


def mean_p(x, expected, slack=0.0):
    """Student's t: chance that the mean over the first axis strays as far from `expected`.

    For columns, Bonferroni's bound over all of them. `slack` is the model error of `expected`:
    only what lies beyond it counts. Replicates without any spread must agree to 1e-9.
    """
    x = np.asarray(x, dtype=float).reshape(len(x), -1)
    beyond = np.maximum(np.abs(x.mean(0) - np.ravel(expected)) - np.ravel(slack), 0.0)
    se = x.std(0, ddof=1) / np.sqrt(len(x))
    floor = 1e-9 * np.maximum(np.abs(x).max(0), 1e-200)
    p = 2.0 * stats.t.sf(beyond / np.maximum(se, floor), len(x) - 1)
    p = np.where(beyond <= floor, 1.0, p)
    return float(min(1.0, p.min() * p.size))


def exceeds_p(x, bound):
    """Student's t, one side: chance that columns with means within `bound` show such means."""
    x = np.asarray(x, dtype=float).reshape(len(x), -1)
    over = x.mean(0) - np.ravel(bound)
    se = x.std(0, ddof=1) / np.sqrt(len(x))
    floor = 1e-9 * np.maximum(np.abs(np.ravel(bound)), 1e-200)
    p = stats.t.sf(over / np.maximum(se, floor), len(x) - 1)
    return float(min(1.0, np.where(over <= floor, 1.0, p).min() * p.size))


def welch_p(x, y, slack=0.0):
    """Welch's t, Bonferroni over columns: chance that two sets of replicates differ as much.

    `slack` is what the two may differ by for rounding or for a stated model error.
    """
    x = np.asarray(x, dtype=float).reshape(len(x), -1)
    y = np.asarray(y, dtype=float).reshape(len(y), -1)
    a, b = x.var(0, ddof=1) / len(x), y.var(0, ddof=1) / len(y)
    scale = np.maximum(np.abs(x).max(0), np.abs(y).max(0))
    apart = np.maximum(np.abs(x.mean(0) - y.mean(0)) - slack, 0.0)
    same = apart <= 1e-9 * scale
    both = np.where(same, 1.0, a + b)
    freedom = both**2 / (a**2 / (len(x) - 1) + b**2 / (len(y) - 1) + 1e-300)
    p = 2.0 * stats.t.sf(apart / np.sqrt(both), freedom)
    return float(min(1.0, np.where(same, 1.0, p).min() * p.size))


def apart_p(one, two, slack=0.0):
    """Welch's t: chance that two independent figures with standard errors differ as much.

    `two` may be a plain number, known but for `slack`.
    """
    errors = [(float(x.se) ** 2, x.n_replicates - 1) for x in (one, two) if hasattr(x, "se")]
    both = sum(v for v, _ in errors)
    freedom = both**2 / sum(v**2 / df for v, df in errors)
    beyond = max(abs(float(one) - float(two)) - slack, 0.0)
    return float(2.0 * stats.t.sf(beyond / np.sqrt(both), freedom))


def spread_p(x, sigma):
    """χ², two-sided: chance that independent N(0, σ²) numbers spread as little or as widely."""
    x = np.ravel(x)
    law = stats.chi2(x.size)
    squares = float(np.square(x / sigma).sum())
    return 2.0 * min(law.cdf(squares), law.sf(squares))


def errors_p(x, se, freedom):
    """F, two-sided: chance that figures spread as little or as widely for the errors they state.

    Each of the independent `x` states its own standard error, from so many degrees of freedom.
    """
    law = stats.f(len(x) - 1, len(x) * freedom)
    ratio = np.var(x, ddof=1) / np.mean(np.square(se))
    return 2.0 * min(law.cdf(ratio), law.sf(ratio))


def hotelling_p(x, expected):
    """Hotelling's T²: chance that the mean of vectors (n, k) strays as far from `expected`."""
    n, k = x.shape
    off = x.mean(0) - expected
    t2 = n * off @ np.linalg.solve(np.cov(x.T), off)
    return float(stats.f.sf(t2 * (n - k) / (k * (n - 1)), k, n - k))


def chi2_p(counts, expected):
    """χ² of counts of independent draws, rare cells (under 10 expected) put together."""
    rare = expected < 10.0
    counts = np.append(counts[~rare], counts[rare].sum())
    expected = np.append(expected[~rare], expected[rare].sum())
    if expected[-1] < 10.0:
        counts = np.append(counts[:-2], counts[-2:].sum())
        expected = np.append(expected[:-2], expected[-2:].sum())
    return float(stats.chi2.sf(((counts - expected) ** 2 / expected).sum(), len(counts) - 1))


def samples(estimator, rays):
    """How many samples stand in for so many rays."""
    return {"estimator": estimator, "samples": rays >> (BEAMS_SHIFT if estimator == "beams" else 0)}


def point_sun():
    """Sun without breadth."""
    table = np.zeros((2, 2))
    table.flags.writeable = False  # as the package's own tables: the kernels compile once for both
    return Sunshape("uniform", 1e-12, 0.0, 1.0, table, 1e-12)


def facing_pot(base, toward, R, height=0.01):
    """Pot whose base's centre is at `base` and faces `toward`: its axis points away from it."""
    base = np.asarray(base, dtype=float)
    axis = base - np.asarray(toward, dtype=float)
    return Pot(base=base, axis=axis / np.linalg.norm(axis), R=R, height=height)


def one_facet(theta, d, *, half, R, mirror=PERFECT, height=0.01):
    """Facet at the origin that faces up, sun at incidence theta, base square to the beam at d.

    The pot's x axis lies in the plane of incidence, its y axis across it. Returns the cooker and
    the direction to the sun.
    """
    s = np.array([np.sin(theta), 0.0, np.cos(theta)])
    beam = np.array([-np.sin(theta), 0.0, np.cos(theta)])
    cooker = cooker_from_arrays(
        centers=[[0.0, 0.0, 0.0]],
        normals=[[0.0, 0.0, 1.0]],
        half_sizes=half,
        pot=facing_pot(d * beam, [0.0, 0.0, 0.0], R, height),
        mirror=mirror,
    )
    return cooker, s


def ensemble_of_one(cooker, s, tolerances, shape, settings):
    """Ensemble of a cooker of no scenario, its sun at `s` with the platform level."""
    meant = Poses(*np.zeros((3, 1)))
    sun = FacedSun(None, 0.0, 0.0, s, 1000.0, "", shape, meant)
    return Ensemble(None, cooker, tolerances, shape, settings, sun)


def landings(cooker, paths):
    """Where single rays end, pot's frame, shape (N, 3)."""
    end = paths.point + paths.distance[:, None] * paths.reflected
    return (end - cooker.pot.base) @ cooker.pot.frame.T


def spot_moments(cooker, sun, sunshape, *, rays, replicates):
    """Replicates of the mean squares x² and y² of a spot that all rays reach, shape (n, 2)."""
    out = np.empty((replicates, 2))
    for k in range(replicates):
        paths = trace_paths(cooker, sun, sunshape, rays=rays, seed=1000 + k)
        at = landings(cooker, paths)
        assert np.isfinite(at).all()
        out[k] = (at[:, :2] ** 2).mean(0)
    return out


def toward_both(s, to_aim):
    """Normals that send light from s along to_aim, all unit vectors."""
    n = s + to_aim
    return n / np.linalg.norm(n, axis=-1, keepdims=True)


def random_cooker(
    rng,
    F,
    *,
    shapes=("rectangular", "round", "hexagonal"),
    sun_altitude=0.9,
    miss=0.0,
    spread=0.6,
    rise=0.1,
    lean=0.0,
    posts=0,
    mirror=PERFECT,
    half=(0.02, 0.06),
):
    """Facets scattered over a patch and aimed at a pot above it, each a little off.

    `miss` [rad] jitters the normals, `rise` [m] the heights, `lean` [rad] the pot's axis.
    Returns the cooker and the direction to the sun it is set for.
    """
    gamma = rng.uniform(-0.5, 0.5)
    s = np.array(
        [
            np.sin(gamma) * np.cos(sun_altitude),
            np.cos(gamma) * np.cos(sun_altitude),
            np.sin(sun_altitude),
        ]
    )
    c = np.column_stack(
        [rng.uniform(-spread, spread, (F, 2)), rng.uniform(0.0, max(rise, 1e-9), F)]
    )
    base = np.array([rng.uniform(-0.3, 0.3), rng.uniform(-0.8, 0.2), rng.uniform(0.5, 1.0)])
    to_aim = base - c
    to_aim /= np.linalg.norm(to_aim, axis=1, keepdims=True)
    n = toward_both(s, to_aim) + miss * rng.standard_normal((F, 3))
    axis = np.array([lean * rng.standard_normal(), lean * rng.standard_normal(), 1.0])
    R = rng.uniform(0.06, 0.15)
    around = np.arange(posts) * (2.0 * np.pi / max(posts, 1)) + 0.4
    foot = 0.8 * R * np.column_stack([np.cos(around), np.sin(around)])
    boxes = np.column_stack([foot - 0.01, np.full(posts, -0.4), foot + 0.01, np.zeros(posts)])
    pot = Pot(
        base=base,
        axis=axis / np.linalg.norm(axis),
        R=R,
        height=rng.uniform(0.05, 0.2),
        posts=boxes,
    )
    cooker = cooker_from_arrays(
        centers=c,
        normals=n,
        half_sizes=rng.uniform(*half, (F, 2)),
        axes_u=rng.standard_normal((F, 3)),
        shapes=rng.choice(shapes, F),
        pot=pot,
        mirror=mirror,
    )
    return cooker, s


def outline_gap(cooker, g, a, b):
    """How far a point in facet g's axes lies outside its outline; negative within. [m]"""
    f = cooker.facets
    if f.shape[g] == RECTANGLE:
        return np.maximum(np.abs(a) - f.half_u[g], np.abs(b) - f.half_v[g])
    if f.shape[g] == HEXAGON:
        inner = 0.5 * np.sqrt(3.0) * f.half_u[g]
        slant = 0.5 * np.sqrt(3.0) * np.abs(a) + 0.5 * np.abs(b)
        return np.maximum(np.abs(b), slant) - inner
    return np.hypot(a, b) - f.half_u[g]
