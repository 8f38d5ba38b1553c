"""The habit of turning: when, to where, and what that does to pot and sun."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from checks import ALPHA, spread_p
from hypothesis import given
from hypothesis import strategies as st

from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.pose import Pose, Poses, posed, pot_places
from raytrace.cooker.tolerances import (
    Pointing,
    draw_poses,
    set_down,
    tolerances_from_scenario,
)
from raytrace.exceptions import GeometryError, SkyError
from raytrace.light.facing import Facing
from raytrace.light.history import meant_poses, pot_light, seconds
from raytrace.light.setup import LightSettings, built_cooker, set_up, stand
from raytrace.light.turning import NEVER, Habit, habit_of, knots
from raytrace.scenario.loading import load_scenario
from raytrace.sky.clock import site_times
from raytrace.studies.trace.run import TracePlan, run_at

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = SCENARIOS / "courtyard.toml"


def scenario(*changes, file="courtyard"):
    return load_scenario(SCENARIOS / f"{file}.toml", changes)


def random_poses(seed, n, most=0.3):
    rng = np.random.default_rng(seed)
    return Poses(
        rng.uniform(0.0, 2.0 * np.pi, n),
        rng.uniform(-most, most, n),
        rng.uniform(-0.5 * most, 0.5 * most, n),
    )


@given(
    every=st.integers(1, 24).map(lambda k: 300.0 * k) | st.just(NEVER),
    step=st.integers(1, 60).map(lambda k: 60.0 * k),
    span=st.integers(0, 40_000).map(float),
)
def test_no_interval_has_a_turning_within_it(every, step, span):
    got = knots(Habit(every), span, step)
    assert got.time[0] == 0.0
    assert got.time[-1] >= span
    gaps = np.diff(got.time)
    assert (gaps > 0.5).all()
    assert (gaps <= step).all()
    # every moment within an interval was turned last when its beginning says
    for share in (0.01, 0.5, 0.99):
        inside = got.time[:-1] + share * gaps
        expected = np.zeros_like(inside) if every == NEVER else np.floor(inside / every) * every
        np.testing.assert_allclose(got.turned, expected, atol=1e-9)


def test_habits_that_make_no_sense_are_refused():
    with pytest.raises(SkyError, match="a minute or more"):
        Habit(every=10.0)
    with pytest.raises(SkyError, match='"now" or "ahead"'):
        Habit(face="back")
    with pytest.raises(SkyError, match="positive"):
        knots(Habit(), 3600.0, 0.0)


def test_habit_as_the_scenario_says():
    assert habit_of(scenario()) == Habit(1800.0, "now")
    assert habit_of(scenario("habit.turn_every=never")) == Habit(NEVER, "now")
    # half of an interval that never ends is no time to look ahead to
    assert Habit(NEVER, "ahead").lead == 0.0
    assert habit_of(scenario("habit.turn_every=40 min", "habit.face=ahead")).lead == 1200.0


@pytest.mark.parametrize(
    ("changes", "low", "high"),
    [
        (("platform.tilt=7 deg",), 7.0, 7.0),
        (("platform.tilt=follow sun", "platform.tilt_limits=['-5 deg', '30 deg']"), -5.0, 30.0),
        (
            (
                "platform.tilt=follow sun",
                "platform.tilt_limits=['-5 deg', '30 deg']",
                "pot.stand=platform",
                "pot.spill_limit=8 deg",
            ),
            -5.0,
            8.0,
        ),
    ],
)
def test_the_platform_is_propped_to_meet_the_sun_within_its_limits(changes, low, high):
    read = scenario(*changes)
    alpha, gamma = np.linspace(-0.2, 1.5, 40), np.linspace(0.0, 6.2, 40)
    poses = stand(read, alpha, gamma)
    tilt = np.degrees(alpha - read.design.sun_altitude)
    np.testing.assert_allclose(np.degrees(poses.tilt), np.clip(tilt, low, high), atol=1e-12)
    np.testing.assert_array_equal(poses.heading, gamma)
    assert not poses.cross.any()


def test_many_poses_turn_as_one_does():
    poses = random_poses(1, 50, most=1.5)
    s = np.random.default_rng(2).standard_normal((50, 3))
    for k, seen in enumerate(poses.to_platform(s)):
        one = Pose(poses.heading[k], poses.tilt[k], poses.cross[k])
        np.testing.assert_allclose(seen, one.to_platform(s[k]), atol=1e-14)
        np.testing.assert_allclose(poses.levelling[k], one.levelling, atol=0.0)


def test_many_hands_slip_as_one_does():
    """Drawn alone, among turnings or among builds, the same key gives the same bits."""
    pointing = Pointing(0.01, 0.02, 0.0, 0.01, -0.005, 0.003)
    poses, turning = random_poses(3, 20), np.arange(600, 620)

    def drawn(which, **keys):
        got = draw_poses(poses[which], pointing, seed=5, **keys)
        return np.stack([got.heading, got.tilt, got.cross], axis=1)

    many = drawn(slice(None), build=2, turning=turning)
    for k in range(20):
        alone = drawn(slice(k, k + 1), build=2, turning=int(turning[k]))
        np.testing.assert_array_equal(alone[0], many[k])
    builds = drawn(slice(None), build=np.arange(20), turning=600)
    np.testing.assert_array_equal(builds[2], drawn(slice(2, 3), build=2, turning=600)[0])
    other = drawn(slice(None), build=2, day=20_000, turning=turning)
    assert (other != many)[:, [0, 2]].all()  # each day has random draws of its own


@pytest.mark.parametrize(
    ("stands", "levelled"), [("ground", "false"), ("platform", "true"), ("platform", "false")]
)
def test_many_pots_are_where_one_is(stands, levelled):
    read = scenario(f"pot.stand={stands}", f"pot.levelled={levelled}")
    cooker = built_cooker(read, TracePlan())
    poses = random_poses(4, 30)
    base, axis = pot_places(cooker, poses)
    for k in range(30):
        pot = posed(cooker, Pose(0.0, poses.tilt[k], poses.cross[k])).pot
        np.testing.assert_allclose(base[k], pot.base, atol=1e-14)
        np.testing.assert_allclose(axis[k], pot.axis, atol=1e-14)


def test_a_platform_that_hits_the_pot_is_refused_as_for_one():
    read = scenario()
    cooker = built_cooker(read, TracePlan())
    # a low pot close behind the board, which leans back into it
    low = replace(cooker, pot=replace(cooker.pot, base=np.array([0.0, -0.46, 0.02])))
    tilt = np.linspace(-0.6, 0.6, 61)
    refused = []
    for t in tilt:
        try:
            posed(low, Pose(0.0, float(t), 0.0))
            refused.append(False)
        except GeometryError:
            refused.append(True)
    assert 0 < sum(refused) < 61
    for t, bad in zip(tilt, refused, strict=True):
        poses = Poses(np.zeros(1), np.array([t]), np.zeros(1))
        if bad:
            with pytest.raises(GeometryError, match="into the pot"):
                pot_places(low, poses)
        else:
            pot_places(low, poses)


def test_ahead_faces_where_the_sun_will_stand_half_way():
    # Outside check: pvlib's own solar position, asked directly.
    from pvlib.solarposition import get_solarposition

    read = scenario()
    times = pd.date_range(
        "2026-06-21T08:00", "2026-06-21T17:00", freq="1h", tz="America/Mexico_City"
    )
    poses = meant_poses(read, seconds(times), Habit(3600.0, "ahead").lead)
    later = times + pd.Timedelta(minutes=30)
    sun = get_solarposition(later, 17.06, -96.72, altitude=1555.0)
    off = np.rad2deg(poses.heading) - np.asarray(sun["azimuth"])
    # close to the zenith the azimuth is loose: a few seconds of time turn it by minutes of arc
    assert np.abs(off).max() < 0.02


def test_a_pot_on_the_ground_is_set_down_again_at_every_turning():
    """Its place has the stated bias and rms over turnings; on the platform it stays."""
    keys = {"day": np.repeat(np.arange(40), 25), "turning": np.tile(np.arange(25), 40)}
    read = scenario('errors.pot.bias=["9 mm", "0 mm", "0 mm"]')
    place = tolerances_from_scenario(read).pot
    cooker = built_cooker(read, replace(TracePlan(), seed=5, build=3))
    nominal = build_cooker(read).pot.base
    put = set_down(cooker, place, seed=5, build=3, **keys)
    np.testing.assert_array_equal(put[0], cooker.pot.base)  # the turning that builds are drawn at
    off = (put - nominal - np.array(place.bias))[:, np.array(place.rms) > 0.0]
    rms = np.array(place.rms)[np.array(place.rms) > 0.0]
    assert len(rms)
    # χ² of 1 000 draws a column about the stated place; independent of each other
    for column, sigma in zip(off.T, rms, strict=True):
        assert spread_p(column, sigma) > ALPHA / len(rms)
        assert len(np.unique(column)) == len(column)
    on_board = replace(cooker, pot=replace(cooker.pot, stand="platform"))
    assert (set_down(on_board, place, seed=5, build=3, **keys) == cooker.pot.base).all()


def test_every_way_to_light_puts_the_pot_down_alike():
    """A day's step, a pot's course and a cooker under many suns, at turnings of their own."""
    still = [f"errors.pointing.{name}_rms=0 deg" for name in ("heading", "tilt", "cross")]
    read = scenario('errors.pot.rms=["60 mm", "60 mm", "0 mm"]', *still)
    a, b = (run_at(read, f"2026-03-20T{time}", build=2) for time in ("09:20", "09:21"))
    watts = [float(run.moments[0].tally.delivered) for run in (a, b)]
    assert abs(watts[1] - watts[0]) > 0.05 * max(watts)
    setup = set_up(read, LightSettings(build=2))
    times = site_times(read.site, ["2026-03-20T09:20", "2026-03-20T09:21"])
    at = seconds(times.tz_convert("UTC"))
    apart = pot_light(setup, at, at).base.mean(axis=1)
    kept = pot_light(setup, at[[0, 0]], at).base.mean(axis=1)
    assert abs(apart[1] - apart[0]) > 0.05 * apart.max()
    assert kept[1] == pytest.approx(kept[0], rel=0.02)
    under = Facing(setup, 8).turned_to(np.array([read.design.sun_altitude]))[:, 0]
    assert under.std() > 0.05 * under.mean()
