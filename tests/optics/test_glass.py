"""Glass in front of the silver: closed forms, and rays through a slab by Snell's law."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA, ESTIMATORS, mean_p, point_sun, samples

from raytrace import Pot, build_cooker, cooker_from_arrays, load_scenario
from raytrace.cooker.mirror import Mirror, fresnel
from raytrace.exceptions import ScenarioError
from raytrace.optics.tally import LINES
from raytrace.optics.tracing import trace, trace_paths
from raytrace.sky.sunshape import sunshape

SCENARIOS = Path(__file__).parents[2] / "scenarios"
UP = np.array([0.0, 0.0, 1.0])
DNI = 1000.0
both = pytest.mark.parametrize("estimator", ESTIMATORS)


def slab(p, s, n, thickness, index):
    """Where rays from direction s that enter a plate at p leave its front again, (N, 3).

    Snell's law as vectors: A. S. Glassner (ed.), An Introduction to Ray Tracing, Academic Press,
    1989, chapter 2 (chapter from memory). The silver mirrors about n.
    """
    cos_i = (s * n).sum(-1, keepdims=True)
    into = -s / index + (cos_i / index - np.sqrt(1.0 - (1.0 - cos_i**2) / index**2)) * n
    down = p - into * (thickness / (into * n).sum(-1, keepdims=True))
    back = into - 2.0 * (into * n).sum(-1, keepdims=True) * n
    return down + back * (thickness / (back * n).sum(-1, keepdims=True))


def within(a, b, shape, half_a, half_b, bevel):
    """Whether points lie on a front, its bevel left out; from the outline's edges alone."""
    if shape == "round":
        return np.hypot(a, b) <= half_a - bevel
    normals = np.pi * (np.arange(4) / 2.0 if shape == "rectangular" else np.arange(6) / 3.0 + 1 / 6)
    reach = np.resize([half_a, half_b], 4)
    if shape == "hexagonal":
        reach = np.full(6, half_a * np.cos(np.pi / 6.0))
    return np.all(
        [a * np.cos(t) + b * np.sin(t) <= r - bevel for t, r in zip(normals, reach, strict=True)],
        axis=0,
    )


def lone(shape, half, theta, gamma, mirror):
    """One level facet under light from (theta, gamma), its pot far off in the beam; and the light.

    The pot's base is so wide that it takes all that leaves.
    """
    s = np.array([np.sin(theta) * np.cos(gamma), np.sin(theta) * np.sin(gamma), np.cos(theta)])
    beam = s * [-1.0, -1.0, 1.0]
    pot = Pot(base=2.0 * beam, axis=UP, R=0.5, height=0.01)
    cooker = cooker_from_arrays(
        centers=[[0.0, 0.0, 0.0]],
        normals=[UP],
        axes_u=[[1.0, 0.0, 0.0]],
        half_sizes=half,
        shapes=shape,
        pot=pot,
        mirror=mirror,
    )
    return cooker, s


def kept(estimator, cooker, s, shape, replicates=16):
    """Replicates of the share of the reflected light that the glass lets out."""
    size = samples(estimator, 1 << 18)
    tally = trace(cooker, s, shape, dni=DNI, replicates=replicates, bins=2, threads=1, **size)
    assert tally.estimator == estimator
    np.testing.assert_allclose(tally.power.sum((1, 2)), tally.incoming, rtol=1e-12)
    x = tally.power.sum(1)
    rim, base = x[:, LINES.index("rim")], x[:, LINES.index("base")]
    return base / (rim + base)


@both
@pytest.mark.parametrize("theta", [0.2, 0.84, 1.4])
@pytest.mark.parametrize("gamma", [0.0, 0.6, 2.0, 4.4])
def test_a_rectangle_keeps_what_is_stated(estimator, theta, gamma):
    """(1 − |t_u|/W)(1 − |t_v|/H), t = 2 d tan θ₂; derived here. Beams are exact."""
    W, H, d, index = 0.1, 0.06, 4e-3, 1.52
    cooker, s = lone("rectangular", (W / 2, H / 2), theta, gamma, Mirror(thickness=d, index=index))
    t = 2.0 * d * np.tan(np.arcsin(np.sin(theta) / index))
    share = (1.0 - abs(t * np.cos(gamma)) / W) * (1.0 - abs(t * np.sin(gamma)) / H)
    got = kept(estimator, cooker, s, point_sun())
    if estimator == "beams":
        np.testing.assert_allclose(got, share, rtol=1e-12)
    assert mean_p(got, share) > ALPHA


@both
@pytest.mark.parametrize("shape", ["rectangular", "round", "hexagonal"])
@pytest.mark.parametrize(("theta", "gamma", "bevel"), [(0.9, 0.4, 0.0), (1.2, 3.5, 3e-3)])
def test_all_shapes_keep_what_rays_through_a_slab_say(estimator, shape, theta, gamma, bevel):
    """A million rays; a round facet's 24 corners cost 0.6 % of what is lost at most."""
    half, d, index = (0.05, 0.03), 5e-3, 1.5
    mirror = Mirror(clean=0.9, thickness=d, index=index, bevel=bevel)
    cooker, s = lone(shape, half, theta, gamma, mirror)
    rng = np.random.default_rng(8)
    box = half if shape == "rectangular" else (half[0], half[0])
    p = np.column_stack([rng.uniform(-1.0, 1.0, (1 << 20, 2)) * box, np.zeros(1 << 20)])
    p = p[within(p[:, 0], p[:, 1], shape, *half, 0.0)]
    q = slab(p, s, UP, d, index)
    out = within(p[:, 0], p[:, 1], shape, *half, bevel)
    out &= within(q[:, 0], q[:, 1], shape, *half, bevel)
    share = out.mean()
    got = kept(estimator, cooker, s, point_sun())
    slack = 6e-3 * (1.0 - share) if (estimator, shape) == ("beams", "round") else 0.0
    # as two independent figures: the slab's own spread is that of shares
    noise = np.sqrt(share * (1.0 - share) / len(p))
    draws = share + noise * np.sqrt(16.0) * np.resize([1.0, -1.0], 16)
    assert mean_p(got - draws, 0.0, slack) > ALPHA
    # and it can fail: glass a tenth thicker
    thicker, _ = lone(
        shape, half, theta, gamma, Mirror(thickness=1.1 * d, index=index, bevel=bevel)
    )
    assert mean_p(kept(estimator, thicker, s, point_sun()) - draws, 0.0, slack) < ALPHA


def test_each_ray_leaves_where_a_slab_lets_it_out():
    """Point by point on a shipped cooker, tilted facets and a broad sun included."""
    cooker = build_cooker(load_scenario(SCENARIOS / "courtyard.toml"))
    f = cooker.facets
    paths = trace_paths(cooker, cooker.design_sun[0], sunshape("uniform"), rays=1 << 13)
    n = f.n[paths.facet]
    exit_ = slab(paths.point, paths.to_sun, n, 3e-3, 1.52)
    lit = paths.fate != LINES.index("shaded")
    np.testing.assert_allclose(paths.leaves[lit], exit_[lit], atol=1e-12)
    from_c = exit_ - f.c[paths.facet]
    a, b = (np.abs((from_c * axis[paths.facet]).sum(1)) for axis in (f.u, f.v))
    gone = (a > f.half_u[paths.facet]) | (b > f.half_v[paths.facet])
    np.testing.assert_array_equal(paths.fate[lit] == LINES.index("rim"), gone[lit])
    assert 0.01 < gone[lit].mean() < 0.1


@pytest.mark.parametrize("name", ["courtyard", "highland"])
def test_a_laser_sets_with_the_glass_and_an_angle_without(name):
    """The design sun's ray to a centre, through a slab and on to the base's plane."""

    def landed(way):
        path = SCENARIOS / f"{name}.toml"
        cooker = build_cooker(load_scenario(path, [f"errors.set_by={way}"]))
        f, s = cooker.facets, cooker.design_sun
        p = slab(f.c, s, f.n, cooker.mirror.thickness, cooker.mirror.index)
        r = 2.0 * (s * f.n).sum(1, keepdims=True) * f.n - s
        t = ((cooker.pot.base - p) @ cooker.pot.axis) / (r @ cooker.pot.axis)
        return np.linalg.norm(p + t[:, None] * r - cooker.aim, axis=1), p - f.c

    by_laser, _ = landed("laser")
    assert by_laser.max() < 1e-12
    by_angle, shift = landed("angle")
    assert (by_angle > 0.3 * np.linalg.norm(shift, axis=1)).all()
    assert (by_angle < 10e-3).all()


def test_front_reflection_and_bounces_hardly_matter():
    """What is left out: the front's own reflection is not shifted, later bounces are shifted more.

    A 100 mm tile of 3 mm glass at 48°, every part followed by Fresnel's equations: 0.852 of the
    light leaves, of 0.881 without the rim. Ours is within 0.002 of it.
    """
    theta, d, index, backing, extinction, W = np.radians(48.0), 3e-3, 1.52, 0.93, 8.0, 0.1
    inside = np.arcsin(np.sin(theta) / index)
    t = 2.0 * d * np.tan(inside)
    a = backing * np.exp(-2.0 * extinction * d / np.cos(inside))
    whole = rimmed = 0.0
    for front in (float(x) for x in fresnel(theta, index=index)):
        parts = [front] + [(1.0 - front) ** 2 * a * (front * a) ** k for k in range(30)]
        whole += 0.5 * sum(parts)
        rimmed += 0.5 * sum(x * (1.0 - k * t / W) for k, x in enumerate(parts) if k * t < W)
    assert whole == pytest.approx(0.881, abs=5e-4)
    assert rimmed == pytest.approx(0.852, abs=5e-4)
    mirror = Mirror(model="glass", thickness=d, index=index, extinction=extinction, backing=backing)
    cooker, s = lone("rectangular", 0.05, theta, 0.0, mirror)
    tally = trace(cooker, s, point_sun(), dni=DNI, samples=1, replicates=2, bins=1)
    share = float(tally.delivered) / (tally.incoming * np.cos(theta))
    assert rimmed - 0.002 < share < rimmed


@both
def test_without_glass_nothing_changes_a_bit(estimator):
    got = []
    for mirror in (Mirror(clean=0.9), Mirror(clean=0.9, thickness=3e-3, index=1.6, thin=True)):
        cooker, s = lone("hexagonal", 0.05, 0.7, 0.3, mirror)
        tally = trace(cooker, s, sunshape("uniform"), dni=DNI, estimator=estimator, samples=4096)
        got.append(tally.power)
    assert np.array_equal(*got)
    assert not got[0][:, :, LINES.index("rim")].any()


@both
@pytest.mark.parametrize("shape", ["rectangular", "round", "hexagonal"])
@pytest.mark.parametrize("mirror", [Mirror(bevel=0.05), Mirror(thickness=0.2, index=1.0)])
def test_a_facet_that_is_all_rim_sends_nothing(estimator, shape, mirror):
    cooker, s = lone(shape, 0.05, 1.0, 0.5, mirror)
    tally = trace(cooker, s, sunshape("uniform"), dni=DNI, estimator=estimator, samples=4096)
    assert float(tally.delivered) == 0.0
    lost = float(tally.line("rim")) + float(tally.line("mirror")) + float(tally.line("cosine"))
    assert lost == pytest.approx(tally.incoming, rel=1e-12)


def test_a_bevel_as_wide_as_the_mirror_is_refused():
    def built(*overrides):
        return build_cooker(load_scenario(SCENARIOS / "courtyard.toml", overrides))

    assert built("mirror.bevel=49 mm").mirror.bevel == 0.049
    with pytest.raises(ScenarioError, match=r"mirror\.bevel = 50 mm: nothing is left .* 50 mm"):
        built("mirror.bevel=50 mm")
    # a hexagon of 100 mm from corner to corner is 86.6 mm across
    hexagon = ("facets.shape=hexagonal", "facets.across_corners=100 mm", "facets.width=")
    with pytest.raises(ScenarioError, match=r"nothing is left"):
        built(*hexagon, "mirror.bevel=43.4 mm")
