"""Beams against rays, and against exact polygons and a quadrature written apart from both.

Statistical tests: Welch's t, Bonferroni over lines or bins, false alarm ALPHA for each test.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA, SUN_RADIUS, point_sun, random_cooker, welch_p
from exact import Exact
from optics.test_flux_map_reference import COMPARED, Reference
from scipy.stats import qmc

from raytrace.cooker.aiming import direction
from raytrace.cooker.geometry import (
    DISC,
    RECTANGLE,
    Pot,
    build_cooker,
    cooker_from_arrays,
    geometry_problems,
)
from raytrace.cooker.mirror import Mirror
from raytrace.cooker.tolerances import as_built, tolerances_from_scenario
from raytrace.kernels import outlines
from raytrace.kernels.arrays import Lists
from raytrace.optics import tracing
from raytrace.optics.cases import trace_cases
from raytrace.optics.tally import LINES
from raytrace.optics.tracing import trace
from raytrace.scenario.loading import load_scenario
from raytrace.sky.sunshape import sunshape

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
SUN = sunshape("limb-darkened", SUN_RADIUS)
DNI = 1000.0
REPLICATES = 16
RANDOM_COOKERS = 150
# error of one facet's line in areas: corners of the pot's shadow, of a round outline
POT_SHADOW = 1e-4  # of R²
ROUND = 6e-4  # of the radius squared
# thickness of the glass and width of its bevel, most of them ordinary [m]
GLASS = ((0.0, 0.0), (3e-3, 0.0), (10e-3, 2e-3))


# -- how the package is called -------------------------------------------------------------------


def both_ways(cooker, sun, shape, *, beams, rays, bins, seed=1):
    options = {"dni": DNI, "replicates": REPLICATES, "bins": bins, "seed": seed, "threads": 1}
    by_beams = trace(cooker, sun, shape, estimator="beams", samples=beams, **options)
    by_rays = trace(cooker, sun, shape, estimator="rays", samples=rays, **options)
    return by_beams, by_rays


def beams_over(cooker, sun, shape, scene, replicates=2, samples=4096):
    """Power by facet and line of a scene whose lists are one's own."""
    split = tracing._split(samples, int(cooker.facets.present.sum()), replicates)
    return tracing._count_beams(scene, 1, 0, *split, 5, 1)


def complete_lists(scene):
    """Every other plate may stand in every facet's way."""
    F = scene.plates.n_facets
    present = np.flatnonzero(scene.plates.present)
    index = np.array([g for f in range(F) for g in present if g != f], dtype=np.int64)
    start = np.zeros(F + 1, dtype=np.int64)
    for f in range(F):
        start[f + 1] = start[f] + scene.plates.present.sum() - scene.plates.present[f]
    corners = np.empty((len(index), outlines.MAX_OUTLINE, 3))
    counts = np.empty(len(index), dtype=np.int64)
    outlines.in_front(scene.plates, start, index, corners, counts)
    every = np.ones(F, dtype=bool)
    return Lists(start, index, corners, counts, start, index, corners, counts, every, every)


# -- beams and rays ------------------------------------------------------------------------------


@cache
def shipped(path):
    scenario = load_scenario(path)
    cooker = as_built(build_cooker(scenario), tolerances_from_scenario(scenario), seed=3)
    sun = direction(float(scenario.design.sun_altitude) - 0.03, 0.05)
    return cooker, both_ways(cooker, sun, SUN, beams=1 << 16, rays=1 << 23, bins=8)


every = pytest.mark.parametrize("path", SCENARIOS, ids=[p.stem for p in SCENARIOS])


def slack_of(cooker):
    """What polygons for circles may cost a line, in W: the bounds that tests below hold."""
    f = cooker.facets
    round_ones = f.present & (f.shape == DISC)
    area = ROUND * (f.half_u[round_ones] ** 2).sum() / np.sqrt(max(round_ones.sum(), 1))
    return DNI * (area + POT_SHADOW * cooker.pot.R**2)


@every
def test_every_line_of_the_shipped_scenarios(path):
    cooker, (beams, rays) = shipped(path)
    assert beams.estimator == "beams"
    assert rays.estimator == "rays"
    assert welch_p(beams.power.sum(1), rays.power.sum(1), slack_of(cooker)) > ALPHA
    # lines that no circle enters need no slack
    if not (cooker.facets.shape == DISC).any() and beams.power[:, :, 1].sum() == 0.0:
        assert welch_p(beams.power.sum(1), rays.power.sum(1)) > ALPHA


@every
def test_flux_maps_of_the_shipped_scenarios(path):
    """Bins over 1 % of the peak, all at once."""
    cooker, (beams, rays) = shipped(path)
    x, y = (t.base_power.reshape(REPLICATES, -1) for t in (beams, rays))
    used = y.mean(0) > 0.01 * y.mean(0).max()
    assert used.sum() > 10
    assert welch_p(x[:, used], y[:, used], slack_of(cooker)) > ALPHA


def test_the_comparison_can_fail():
    """A pot 0.5 % wider is seen in the lines, and one moved by 1 mm in the map."""
    cooker, (beams, _) = shipped(SCENARIOS[0])
    pot = cooker.pot
    sun = beams.sun
    options = {"dni": DNI, "estimator": "rays", "samples": 1 << 21, "bins": 8, "threads": 1}
    wider = trace(replace(cooker, pot=replace(pot, R=1.005 * pot.R)), sun, SUN, **options)
    assert welch_p(beams.power.sum(1), wider.power.sum(1), slack_of(cooker)) < ALPHA
    moved = replace(cooker, pot=replace(pot, base=pot.base + np.array([1e-3, 0.0, 0.0])))
    moved = trace(moved, sun, SUN, **options)
    x, y = (t.base_power.reshape(REPLICATES, -1) for t in (beams, moved))
    used = y.mean(0) > 0.01 * y.mean(0).max()
    assert welch_p(x[:, used], y[:, used]) < ALPHA


def wild_cooker(rng, *, shapes=("rectangular", "round", "hexagonal"), F=None, mirror=None):
    """Anything goes: low sun, crowds, missing facets, some that face away, posts, tilted pots."""
    F = int(rng.integers(1, 14)) if F is None else F
    if mirror is None:
        slope = rng.choice([0.0, 0.003, 0.05])
        thickness, bevel = GLASS[rng.integers(len(GLASS))]
        mirror = Mirror(
            model="glass",
            cleanliness=0.9,
            slope=slope,
            specularity=0.5 * slope,
            thickness=thickness,
            bevel=bevel,
        )
    cooker, s = random_cooker(
        rng,
        F,
        shapes=shapes,
        sun_altitude=rng.choice([0.05, 0.2, 0.6, 1.1, 1.5]),
        miss=rng.choice([0.0, 0.02, 0.2, 2.0], p=[0.3, 0.4, 0.2, 0.1]),
        rise=rng.choice([0.0, 0.1, 0.35]),
        lean=rng.choice([0.0, 0.1]),
        posts=int(rng.integers(0, 4)),
        spread=rng.choice([0.15, 0.4]),
        half=(0.02, 0.12),
        mirror=mirror,
    )
    f, pot = cooker.facets, cooker.pot
    present = rng.random(F) > 0.15
    present[0] = True
    pot = replace(pot, covered=rng.choice([0.0, 0.3]))
    if rng.random() < 0.4:  # right over the mirrors
        pot = replace(pot, base=np.array([0.05, -0.05, 0.5]))
    cooker = replace(cooker, facets=replace(f, present=present), pot=pot)
    if any(problem.key == "pot.support.posts" for problem in geometry_problems(cooker)):
        # light can't start within a post
        cooker = replace(cooker, pot=replace(pot, posts=np.zeros((0, 6))))
    s = s + rng.choice([0.0, 0.03, 0.3]) * rng.standard_normal(3)
    return cooker, s / np.linalg.norm(s)


@cache
def wild_differences():
    """Smallest p of lines and of bins over random cookers, what they had, and the worst sums."""
    rng = np.random.default_rng(1)
    lines, bins, seen, closure = [], [], [], []
    while len(lines) < RANDOM_COOKERS:
        cooker, s = wild_cooker(rng)
        beams, rays = both_ways(cooker, s, SUN, beams=1 << 11, rays=1 << 16, bins=4)
        if beams.estimator == "rays":
            continue  # a facet reaches the base's height
        one_ray = beams.incoming / rays.n_samples
        x, y = beams.power.sum(1), rays.power.sum(1)
        # what few rays reach is no matter for Student's t: a line 30 rays off is let pass
        slack = np.where(y.mean(0) > 300.0 * one_ray, 2e-5 * beams.incoming, 30.0 * one_ray)
        lines.append(welch_p(x, y, slack))
        x, y = (t.base_power.reshape(REPLICATES, -1) for t in (beams, rays))
        used = y.mean(0) > np.maximum(0.01 * y.mean(0).max(), 300.0 * one_ray)
        bins.append(welch_p(x[:, used], y[:, used], 2e-5 * beams.incoming) if used.any() else 1.0)
        seen.append(beams.power.sum((0, 1)) > 1e-3 * beams.power.sum())
        closure.append(
            [
                np.abs(beams.power.sum(2) / (DNI * np.maximum(beams.area, 1e-9)) - 1.0)[
                    :, beams.area > 0.0
                ].max(),
                np.abs(
                    beams.base_power.sum((1, 2)) - beams.power[:, :, LINES.index("base")].sum(1)
                ).max()
                / beams.incoming,
                -beams.power[:, :, 1:].min() / beams.incoming,
            ]
        )
    return np.array(lines), np.array(bins), np.array(seen), np.array(closure)


def test_every_line_of_random_cookers():
    lines, _, seen, _ = wild_differences()
    # each line but the lid, which no light from below the base reaches, is in play often
    often = seen.mean(0)
    assert (np.delete(often, LINES.index("lid")) > 0.2).all()
    assert often[LINES.index("lid")] == 0.0
    assert lines.min() > ALPHA / RANDOM_COOKERS


def test_flux_maps_of_random_cookers():
    _, bins, _, _ = wild_differences()
    assert (bins < 1.0).mean() > 0.2
    assert bins.min() > ALPHA / RANDOM_COOKERS


def test_sums_of_random_cookers():
    """Every facet's lines sum to its sunlight, the map to the base's line; nothing is negative."""
    _, _, _, closure = wild_differences()
    assert closure.max() < 1e-12


# -- without noise -------------------------------------------------------------------------------


def point_traced(cooker, sun):
    tally = trace(cooker, sun, point_sun(), dni=DNI, replicates=2, samples=1, bins=6, threads=1)
    assert tally.estimator == "beams"
    np.testing.assert_allclose(tally.power[0], tally.power[1], atol=1e-9)
    on_base = tally.power[:, :, LINES.index("base")].sum(1)
    np.testing.assert_allclose(tally.base_power.sum((1, 2)), on_base, atol=1e-9 * tally.incoming)
    np.testing.assert_allclose(
        tally.power.sum(2), np.broadcast_to(DNI * tally.area, (2, len(tally.area))), rtol=1e-12
    )
    return tally.power[0]


@cache
def polygons_compared(shapes):
    """Beams less polygons [W per facet and line], and the facets' data, over random cookers."""
    rng = np.random.default_rng(2)
    off, by_pot, R2, r2, area, lines = [], [], [], [], [], []
    cookers = 0
    while cookers < (40 if len(shapes) > 1 else 9):
        thickness, bevel = GLASS[cookers % len(GLASS)]
        mirror = Mirror(model="glass", cleanliness=0.9, thickness=thickness, bevel=bevel)
        cooker, s = wild_cooker(rng, shapes=shapes, F=8, mirror=mirror)
        if not below(cooker):
            continue
        cookers += 1
        exact, shadow = Exact(cooker).ledger(s, DNI)
        got = point_traced(cooker, s)
        f = cooker.facets
        kept = f.present
        off.append((got - exact)[kept])
        by_pot.append(shadow[kept])
        R2.append(np.full(kept.sum(), cooker.pot.R**2))
        r2.append(np.full(kept.sum(), (f.half_u[kept] ** 2).max()))
        area.append(f.area[kept])
        lines.append(exact[kept])
    return tuple(np.concatenate(x) for x in (off, by_pot, R2, r2, area, lines))


def below(cooker):
    outline = np.concatenate([cooker.facets.corners(g) for g in range(len(cooker.facets))])
    return bool((((outline - cooker.pot.base) @ cooker.pot.axis) < -1e-3).all())


def test_every_line_equals_exact_polygons():
    """Rectangles and hexagons, 40 cookers of eight: every facet's lines to 1e-9 of its sunlight.

    The reflectance is a table's between its knots: to 1e-6. Facets in the pot's shadow, which is
    a polygon here and a finer one there, come below.
    """
    off, by_pot, _, _, area, lines = polygons_compared(("rectangular", "hexagonal"))
    sunny = by_pot < 1e-12
    assert sunny.sum() > 150
    for name in ("shaded", "rim", "blocked", "missed", "side", "base"):
        share = lines[sunny, LINES.index(name)] / (DNI * area[sunny])
        assert (share > 1e-3).sum() > 20, name
    relative = np.abs(off[sunny]) / (DNI * area[sunny, None])
    exact = [LINES.index(k) for k in ("cosine", "shaded", "lid")]
    assert relative[:, exact].max() < 1e-9
    assert relative.max() < 1e-6


def test_lines_behind_a_constant_mirror_equal_exact_polygons():
    """As above with a reflectance that needs no table: all lines to 1e-9."""
    rng = np.random.default_rng(3)
    most, used = 0.0, 0
    while used < 25:
        cooker, s = wild_cooker(
            rng,
            shapes=("rectangular", "hexagonal"),
            F=8,
            mirror=Mirror(clean=0.9, thickness=GLASS[used % 3][0], bevel=GLASS[used % 3][1]),
        )
        if not below(cooker):
            continue
        exact, by_pot = Exact(cooker).ledger(s, DNI)
        f = cooker.facets
        kept = f.present & (by_pot < 1e-12)
        got = point_traced(cooker, s)
        used += 1
        most = max(most, (np.abs(got - exact)[kept] / (DNI * f.area[kept, None])).max(initial=0.0))
    assert most < 1e-9


def test_the_pots_shadow_costs_what_is_stated():
    """A facet's line is off by at most 1e-4 R² of sunlight where the pot shades it.

    Measured: 9e-5 R² at most, 3e-5 rms, no bias that 60 facets show.
    """
    off, by_pot, R2, _, _, _ = polygons_compared(("rectangular", "hexagonal"))
    shady = by_pot > 1e-12
    assert shady.sum() > 20
    error = off[shady] / (DNI * R2[shady, None])
    assert np.abs(error).max() < POT_SHADOW
    assert np.abs(error).max() > 1e-7  # it is there


def test_round_facets_cost_what_is_stated():
    """A round facet's line is off by at most 6e-4 of the largest one's radius squared of sunlight.

    Polygons of 180 corners stand for circles in the reference, 56 times closer than those of 24.
    """
    off, by_pot, R2, r2, _, _ = polygons_compared(("round",))
    error = np.abs(off) / DNI - POT_SHADOW * (by_pot > 0.0)[:, None] * R2[:, None]
    assert (error / r2[:, None]).max() < ROUND
    rms = np.sqrt(((off / (DNI * r2[:, None])) ** 2).mean(0))
    assert rms.max() < 0.25 * ROUND
    assert rms.max() > 1e-6


def test_an_outline_that_crosses_a_facets_plane():
    """A fence beside a mirror: only what stands in front of the mirror's plane is in the way.

    The part behind would come out mirrored: seen from an edge at height h over the plane, the
    shadow reaches h cot α to the north.
    """
    up = np.array([0.0, 0.0, 1.0])
    pot = Pot(base=np.array([30.0, 0.0, 9.0]), axis=up, R=0.01, height=0.01)
    h, alpha = 0.1, np.radians(40.0)
    cooker = cooker_from_arrays(
        centers=[[0.0, 0.0, 0.0], [0.0, 0.2, h - 0.3]],
        normals=[up, [0.0, 1.0, 0.0]],
        half_sizes=[(0.5, 0.5), (0.2, 0.3)],
        pot=pot,
        mirror=Mirror(clean=1.0),
    )
    s = np.array([0.0, np.cos(alpha), np.sin(alpha)])
    power = point_traced(cooker, s)[0]
    inflow = DNI * np.sin(alpha)
    # the fence stands 0.3 + h - 0.3 + 0.3 high at most over the plane: its top edge at h
    shadow = 0.4 * h / np.tan(alpha)
    np.testing.assert_allclose(power[LINES.index("shaded")], inflow * shadow, rtol=1e-12)
    np.testing.assert_allclose(power[LINES.index("blocked")], inflow * shadow, rtol=1e-12)


# -- a quadrature --------------------------------------------------------------------------------


def small_scene():
    """Four rough facets beside each other, all before and below a pot: the reference's terms."""
    x, y = np.meshgrid([-0.055, 0.055], [0.0, 0.1])
    c = np.column_stack([x.ravel(), y.ravel(), np.array([0.0, 0.02, 0.03, 0.0])])
    base = np.array([0.02, -0.5, 0.6])
    s = direction(0.7, 0.05)
    to_aim = (base - c) / np.linalg.norm(base - c, axis=1, keepdims=True)
    n = s + to_aim
    n += 0.03 * np.random.default_rng(4).standard_normal(n.shape)
    pot = Pot(base=base, axis=np.array([0.0, 0.0, 1.0]), R=0.05, height=0.1, covered=0.1)
    cooker = cooker_from_arrays(
        centers=c,
        normals=n,
        half_sizes=(0.05, 0.045),
        pot=pot,
        mirror=Mirror(clean=0.9, slope=0.004, specularity=0.002),
    )
    return cooker, s


def quadrature(cooker, sun, log2):
    """COMPARED lines [W], by the reference's polygons over a net of 2^log2 points, not random.

    Sobol' points, each moved to the middle of its finest cell.
    """
    x = qmc.Sobol(6, scramble=False).random_base2(log2) + 0.5 / 2**log2
    reference = Reference(cooker, sun)
    return sum(reference.facet(g, x)[0].mean(0) for g in range(len(cooker.facets)))


def test_lines_equal_a_quadrature():
    """To 1e-5 of the sunlight: both sides' own errors are about half of that."""
    from optics.test_flux_map_reference import DNI as REFERENCE_DNI

    cooker, s = small_scene()
    coarse, fine = quadrature(cooker, s, 9), quadrature(cooker, s, 10)
    incoming = REFERENCE_DNI * cooker.mirror_area
    assert np.abs(fine - coarse).max() < 4e-5 * incoming
    tally = trace(cooker, s, SUN, dni=REFERENCE_DNI, samples=1 << 19, bins=1, threads=1)
    assert tally.estimator == "beams"
    got = [float(tally.line(k).value) for k in COMPARED]
    assert max(float(tally.line(k).se) for k in COMPARED) < 5e-6 * incoming
    assert (fine[[0, 1, 2, 4]] > 1e-3 * incoming).all()
    np.testing.assert_allclose(got, fine, atol=1e-5 * incoming)


# -- where beams don't serve ---------------------------------------------------------------------


def high_facet_cooker():
    rng = np.random.default_rng(6)
    cooker, s = random_cooker(rng, 5, miss=0.01, mirror=Mirror(slope=0.003))
    f = cooker.facets
    mount = f.mount.copy()
    mount[2] = cooker.pot.base + np.array([0.7, 0.3, 0.01])
    return cooker, replace(cooker, facets=replace(f, mount=mount)), s


def test_a_facet_over_the_base_is_traced_by_rays():
    """The tally says so, gives the rays' own bits, and in a table of cases such a case alone."""
    low, high, s = high_facet_cooker()
    options = {"dni": DNI, "replicates": 4, "bins": 3, "threads": 1}
    assert trace(low, s, SUN, samples=64, **options).estimator == "beams"
    fallen = trace(high, s, SUN, samples=64, **options)
    rays = trace(high, s, SUN, estimator="rays", samples=64 * 64, **options)
    assert fallen.estimator == "rays"
    np.testing.assert_array_equal(fallen.power, rays.power)
    # a missing facet does not matter
    present = np.array([True, True, False, True, True])
    without = replace(high, facets=replace(high.facets, present=present))
    assert trace(without, s, SUN, samples=64, **options).estimator == "beams"


def test_a_case_over_the_base_is_traced_by_rays():
    """The pot sinks below the facets in the second of three cases; Welch's t, ALPHA."""
    low, _, s = high_facet_cooker()
    base = np.array([low.pot.base, low.pot.base * [1.0, 1.0, 0.05], low.pot.base])
    cases = trace_cases(low, s, SUN, dni=DNI, pot_base=base, replicates=16, beams_per_facet=64)
    np.testing.assert_array_equal(cases.power[0], cases.power[2])
    sunk = replace(low, pot=replace(low.pot, base=base[1]))
    by_rays = trace(
        sunk, s, SUN, dni=DNI, estimator="rays", samples=1 << 20, replicates=16, seed=5, bins=1
    )
    assert trace(sunk, s, SUN, dni=DNI, samples=64, bins=1).estimator == "rays"
    assert welch_p(cases.power[1], by_rays.power.sum(1)) > ALPHA
    np.testing.assert_allclose(cases.power.sum(2), DNI * low.mirror_area, rtol=1e-12)
    # a stream may be longer than the rays' own, as those of draws with high numbers are
    far = trace_cases(
        low, s, SUN, dni=DNI, pot_base=base[1:2], streams=1 << 60, replicates=16, beams_per_facet=64
    )
    assert welch_p(far.power[0], by_rays.power.sum(1)) > ALPHA


# -- lists and threads ---------------------------------------------------------------------------


def test_lists_leave_nothing_out():
    """With every plate listed for every facet nothing changes, to rounding."""
    rng = np.random.default_rng(7)
    shorter = used = 0
    while used < 40:
        cooker, s = wild_cooker(rng)
        if not below(cooker):
            continue
        used += 1
        scene = tracing.make_scene(cooker, s, SUN, DNI)
        complete = scene._replace(lists=complete_lists(scene))
        shorter += len(scene.lists.shade_index) < len(complete.lists.shade_index)
        one = beams_over(cooker, s, SUN, scene, samples=512)
        two = beams_over(cooker, s, SUN, complete, samples=512)
        incoming = DNI * cooker.mirror_area
        np.testing.assert_allclose(one[0], two[0], atol=1e-12 * incoming)
        np.testing.assert_allclose(one[1], two[1], atol=1e-12 * incoming)
    assert shorter > 20


@pytest.mark.parametrize("threads", [2, 5])
@pytest.mark.parametrize("shape", [point_sun(), SUN], ids=["point", "limb"])
def test_threads_change_no_bit(threads, shape):
    rng = np.random.default_rng(8)
    for _ in range(5):
        cooker, s = wild_cooker(rng)
        options = {"dni": DNI, "samples": 1 << 10, "replicates": 6, "bins": 9}
        one = trace(cooker, s, shape, threads=1, **options)
        more = trace(cooker, s, shape, threads=threads, **options)
        np.testing.assert_array_equal(one.power, more.power)
        np.testing.assert_array_equal(one.base_power, more.base_power)


def test_missing_facets_have_no_power_and_throw_no_shadow():
    rng = np.random.default_rng(9)
    cooker, s = wild_cooker(rng, F=10)
    f = cooker.facets
    assert not f.present.all()
    kept = np.flatnonzero(f.present)
    tally = trace(cooker, s, SUN, dni=DNI, samples=1 << 10, replicates=2, bins=2)
    assert (tally.power[:, ~f.present] == 0.0).all()
    fewer = replace(f, **{k: getattr(f, k)[kept] for k in ("mount", "mount_radius", "n", "u", "v",
        "half_u", "half_v", "shape", "reflectance", "present", "row", "column")},
        label=tuple(f.label[g] for g in kept))  # fmt: skip
    alone = trace(
        replace(cooker, facets=fewer), s, SUN, dni=DNI, samples=1 << 10, replicates=2, bins=2
    )
    np.testing.assert_array_equal(tally.power[:, kept], alone.power)
    assert (fewer.shape != RECTANGLE).any()
