"""The error model: sizes, keys and exactness of what a workshop does to a perfect cooker."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA, PERFECT, SIGMAS, spread_p

from raytrace import build_cooker, load_scenario
from raytrace.cooker.aiming import direction, spots, unit
from raytrace.cooker.pose import Pose, Poses
from raytrace.cooker.tolerances import (
    SETTING,
    Pointing,
    PotPlace,
    Rig,
    Tolerances,
    as_built,
    draw_builds,
    draw_poses,
    laser_spots,
    setting_sigma,
    standard_normals,
)

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.fixture(scope="module")
def cooker():
    return build_cooker(load_scenario(SCENARIOS / "courtyard.toml"))


def builds(cooker, tolerances, count):
    return [as_built(cooker, tolerances, seed=3, build=k) for k in range(count)]


def angle_parts(cooker, built):
    """Rotation of each normal about its u and about its v, to first order."""
    f = cooker.facets
    change = built.facets.n - f.n
    return np.stack([-(change * f.v).sum(1), (change * f.u).sum(1)], axis=1)


def test_no_error_changes_no_bit(cooker):
    for tolerances in (Tolerances(), Tolerances(set_by="angle"), Tolerances(setting_kind="miss")):
        built = as_built(cooker, tolerances, seed=1)
        for name in ("mount", "n", "u", "v"):
            assert np.array_equal(getattr(built.facets, name), getattr(cooker.facets, name))
        assert np.array_equal(built.pot.base, cooker.pot.base)


def test_setting_error_has_its_size_on_both_axes(cooker):
    sigma = 5e-3
    parts = np.array(
        [angle_parts(cooker, b) for b in builds(cooker, Tolerances(setting=sigma), 200)]
    )
    assert spread_p(parts[..., 0], sigma) > ALPHA
    assert spread_p(parts[..., 1], sigma) > ALPHA
    correlation = np.corrcoef(parts[..., 0].ravel(), parts[..., 1].ravel())[0, 1]
    assert abs(correlation) < SIGMAS / np.sqrt(parts[..., 0].size)


def test_setting_error_as_miss_gives_that_rms_miss(cooker):
    """The spot's offset on the base plane, measured by exact reflection over 400 builds."""
    miss = 4e-3
    tolerances = Tolerances(setting=miss, setting_kind="miss")
    offset = np.array([laser_spots(b, Rig()) - cooker.aim for b in builds(cooker, tolerances, 400)])
    # two axes, however unequal, scatter no more than one that is as wide as both
    off = np.linalg.norm(offset, axis=2)
    assert spread_p(off, miss) > ALPHA
    # each facet for itself, not only their mean
    assert min(spread_p(x, miss) for x in off.T) > ALPHA / off.shape[1]


def test_miss_on_an_upright_card_is_another_angle(cooker):
    base = setting_sigma(cooker, Tolerances(setting=4e-3, setting_kind="miss"))
    card = setting_sigma(
        cooker, Tolerances(setting=4e-3, setting_kind="miss", miss_plane="upright")
    )
    assert (base > 0).all()
    assert (card > 0).all()
    assert not np.allclose(base, card, rtol=0.05)


def test_conversion_of_a_miss_at_normal_incidence_is_half_over_distance():
    """rms miss of 2 ε d per axis, so σ = miss / (2 √2 d): one mirror that looks straight up."""
    from raytrace.cooker.geometry import Pot, cooker_from_arrays

    pot = Pot(base=np.array([0.0, 0.0, 2.0]), axis=np.array([0.0, 0.0, 1.0]), R=0.1, height=0.1)
    one = cooker_from_arrays(
        centers=[[0, 0, 0]], normals=[[0, 0, 1]], half_sizes=0.01, pot=pot, mirror=PERFECT
    )
    sigma = setting_sigma(one, Tolerances(setting=8e-3, setting_kind="miss"))
    assert sigma[0] == pytest.approx(8e-3 / (2.0 * np.sqrt(2.0) * 2.0), rel=1e-6)


def test_laser_makes_up_for_displaced_mounts_and_angle_does_not(cooker):
    moved = {"placement_xy": 3e-3, "placement_z": 2e-3}
    by_laser = as_built(cooker, Tolerances(set_by="laser", **moved), seed=5)
    by_angle = as_built(cooker, Tolerances(set_by="angle", **moved), seed=5)
    np.testing.assert_array_equal(by_laser.facets.mount, by_angle.facets.mount)
    shift = by_laser.facets.mount - cooker.facets.mount
    assert spread_p(shift[:, :2], 3e-3) > ALPHA
    assert spread_p(shift[:, 2], 2e-3) > ALPHA
    np.testing.assert_allclose(laser_spots(by_laser, Rig()), cooker.aim, atol=1e-12)
    assert np.array_equal(by_angle.facets.n, cooker.facets.n)
    missed = np.linalg.norm(laser_spots(by_angle, Rig()) - cooker.aim, axis=1)
    assert missed.max() > 3e-3


def test_roll_turns_the_outline_and_leaves_the_normal(cooker):
    rolled = as_built(cooker, Tolerances(roll=0.02), seed=2)
    np.testing.assert_array_equal(rolled.facets.n, cooker.facets.n)
    angle = np.arctan2(
        (rolled.facets.u * cooker.facets.v).sum(1), (rolled.facets.u * cooker.facets.u).sum(1)
    )
    assert spread_p(angle, 0.02) > ALPHA


def test_a_rig_that_stands_too_high_sets_the_cooker_for_a_higher_sun(cooker):
    bias = np.radians(1.0)
    built = as_built(cooker, Tolerances(rig=Rig(altitude_bias=bias)), seed=1)
    alpha = np.arcsin(cooker.design_sun[0, 2]) + bias
    sun = np.tile(direction(alpha), (len(cooker.facets), 1))
    pot = cooker.pot
    landed = spots(built.facets.c, built.facets.n, sun, pot.base, pot.axis, mirror=cooker.mirror)
    np.testing.assert_allclose(landed, cooker.aim, atol=1e-12)


def test_azimuth_bias_is_clockwise_seen_from_above(cooker):
    bias = np.radians(2.0)
    built = as_built(cooker, Tolerances(rig=Rig(azimuth_bias=bias)), seed=1)
    alpha = np.arcsin(cooker.design_sun[0, 2])
    # clockwise from +y, seen from above, is toward +x
    sun = np.tile(
        [np.cos(alpha) * np.sin(bias), np.cos(alpha) * np.cos(bias), np.sin(alpha)],
        (len(cooker.facets), 1),
    )
    pot = cooker.pot
    landed = spots(built.facets.c, built.facets.n, sun, pot.base, pot.axis, mirror=cooker.mirror)
    np.testing.assert_allclose(landed, cooker.aim, atol=1e-12)


def test_a_swivelled_laser_errs_unless_its_marks_are_corrected(cooker):
    plain = as_built(cooker, Tolerances(rig=Rig(kind="point", distance=3.0)), seed=1)
    missed = np.linalg.norm(laser_spots(plain, Rig()) - cooker.aim, axis=1)
    assert missed.max() > 0.05  # a facet 0.4 m aside sees a laser at 3 m more than 7° off
    corrected = as_built(
        cooker, Tolerances(rig=Rig(kind="point", distance=3.0, corrected_marks=True)), seed=1
    )
    np.testing.assert_allclose(laser_spots(corrected, Rig()), cooker.aim, atol=1e-9)
    far = as_built(cooker, Tolerances(rig=Rig(kind="point", distance=1e7)), seed=1)
    np.testing.assert_allclose(far.facets.n, cooker.facets.n, atol=1e-7)


def test_hitting_a_facet_off_its_centre_shifts_the_spot_by_about_as_much(cooker):
    """The light from the struck point lands right, so the centre's lands off by about the hit."""
    sigma = 3e-3
    parts = []
    for built in builds(cooker, Tolerances(rig=Rig(hit=sigma)), 100):
        f = built.facets
        r = unit(cooker.aim - f.c)
        base, axis = cooker.pot.base, cooker.pot.axis
        landed = spots(f.c, f.n, cooker.design_sun, base, axis, mirror=cooker.mirror)
        # part of the offset across the reflected beam, per axis
        off = landed - cooker.aim
        across = off - r * (off * r).sum(1, keepdims=True)
        parts.append(np.sqrt((across**2).sum(1) / 2.0))
    got = np.sqrt(np.mean(np.square(parts)))
    assert got == pytest.approx(sigma, rel=0.05)


def test_pot_is_displaced_by_bias_and_draw(cooker):
    tolerances = Tolerances(pot=PotPlace(bias=(0.01, 0.0, -0.005), rms=(0.004, 0.006, 0.0)))
    shift = np.array([b.pot.base - cooker.pot.base for b in builds(cooker, tolerances, 2000)])
    assert spread_p(shift[:, 0] - 0.01, 0.004) > ALPHA
    assert spread_p(shift[:, 1], 0.006) > ALPHA
    np.testing.assert_allclose(shift[:, 2], -0.005, atol=1e-15)


def test_pointing_is_drawn_again_at_each_turning():
    pointing = Pointing(heading_bias=0.01, heading_rms=0.02, cross_rms=0.03)
    meant = Poses(np.array([1.0]), np.array([0.2]), np.zeros(1))
    poses = draw_poses(meant, pointing, seed=1, turning=np.arange(4000))
    assert spread_p(poses.heading - 1.01, 0.02) > ALPHA
    assert spread_p(poses.cross, 0.03) > ALPHA
    assert (poses.tilt == 0.2).all()
    assert draw_poses(meant, Pointing()).alone(0) == Pose(1.0, 0.2)


def test_draws_follow_the_facet_not_the_array(cooker):
    """Facet B3 has the same random draws in an array of any size, for any size of error."""
    row, column = np.array([1, 2, 2]), np.array([1, 3, 4])
    whole = standard_normals(7, SETTING, 0, cooker.facets.row, cooker.facets.column, 2)
    where = int(np.flatnonzero((cooker.facets.row == 2) & (cooker.facets.column == 3))[0])
    np.testing.assert_array_equal(
        standard_normals(7, SETTING, 0, row, column, 2)[0, 1], whole[0, where]
    )
    small = as_built(cooker, Tolerances(setting=1e-4), seed=7)
    large = as_built(cooker, Tolerances(setting=2e-4), seed=7)
    np.testing.assert_allclose(
        angle_parts(cooker, large), 2.0 * angle_parts(cooker, small), rtol=1e-3, atol=1e-8
    )


def test_a_build_is_the_same_alone_or_among_others(cooker):
    tolerances = Tolerances(
        setting=4e-3,
        placement_xy=2e-3,
        roll=0.01,
        rig=Rig(kind="point", distance=4.0, hit=2e-3),
        pot=PotPlace(rms=(0.01, 0.01, 0.0)),
    )
    many = draw_builds(cooker, tolerances, seed=4, builds=[3, 0, 8])
    for k, build in enumerate((3, 0, 8)):
        one = as_built(cooker, tolerances, seed=4, build=build)
        for name in ("mount", "n", "u", "v"):
            assert np.array_equal(getattr(one.facets, name), getattr(many, name)[k])
        assert np.array_equal(one.pot.base, many.base[k])


def test_own_axes_survive_a_build(cooker):
    """A roll that belongs to the design is kept, and errors add to it."""
    rolled = replace(
        cooker,
        facets=replace(
            cooker.facets,
            u=np.cos(0.3) * cooker.facets.u + np.sin(0.3) * cooker.facets.v,
            v=np.cos(0.3) * cooker.facets.v - np.sin(0.3) * cooker.facets.u,
        ),
    )
    built = as_built(rolled, Tolerances(setting=1e-3), seed=1)
    assert ((built.facets.u * rolled.facets.u).sum(1) > np.cos(0.01)).all()
