"""A yard that slopes: against rotations of scipy, pvlib's angles of incidence and closed forms."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from checks import ALPHA, mean_p
from pvlib.irradiance import aoi
from scipy.spatial.transform import Rotation

from raytrace import load_scenario
from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.pose import Pose, Poses, posed, pot_places
from raytrace.exceptions import ScenarioError
from raytrace.light.expected import Expected
from raytrace.light.facing import facing
from raytrace.light.placed import placed, placed_singly
from raytrace.light.setup import LightSettings, design_sun, set_up, stand, tilt_limits
from raytrace.sky.clock import site_times
from raytrace.sky.ground import Ground
from raytrace.sky.sun import (
    altitude_crossings,
    bare,
    design_moment,
    highest_altitude,
    horizon_altitude,
    noons,
    over_ground,
    position,
    sun_at,
    sun_direction,
)
from raytrace.studies.trace.summary import summarise

SCENARIOS = Path(__file__).parents[2] / "scenarios"
TWO = np.radians(2.0)
EXACT = (
    "errors.setting=0 mm",
    "errors.placement_xy=0 mm",
    "errors.placement_z=0 mm",
    "errors.roll=0 deg",
    "errors.rig.hit=0 mm",
    'errors.pot.rms=["0 mm", "0 mm", "0 mm"]',
    *(f"errors.pointing.{k}_rms=0 deg" for k in ("heading", "tilt", "cross")),
)


def yard(slope, toward, *changes, file="courtyard"):
    ground = (f"site.slope={slope} deg", f"site.slope_toward={toward} deg")
    return load_scenario(SCENARIOS / f"{file}.toml", [*ground, *changes])


def random_suns(count=200, seed=1):
    rng = np.random.default_rng(seed)
    return rng.uniform(0.1, 1.5, count), rng.uniform(0.0, 2.0 * np.pi, count)


# --- the ground -------------------------------------------------------------------------------


def test_ground_is_turned_about_its_level_line():
    """scipy's rotation by the slope about the horizontal across it, right of the fall by hand."""
    for slope, toward in ((0.03, 0.0), (0.2, 1.1), (0.5, 4.0)):
        fall = np.array([np.sin(toward), np.cos(toward), 0.0])
        axis = np.cross([0.0, 0.0, 1.0], fall)  # turns up toward the fall
        there = Rotation.from_rotvec(slope * axis).as_matrix()
        np.testing.assert_allclose(Ground(slope, toward).to_site, there, atol=1e-14)
        # the steepest way down goes down by the slope
        down = Ground(slope, toward).to_site @ fall
        assert down[2] == pytest.approx(-np.sin(slope), abs=1e-14)


def test_sun_over_the_ground_is_pvlibs_incidence_on_a_tilted_plane():
    alpha, gamma = random_suns()
    for slope, toward in ((2.0, 90.0), (12.0, 200.0), (30.0, 315.0)):
        ground = Ground(*np.radians([slope, toward]))
        beta, heading = ground.above(alpha, gamma)
        there = aoi(slope, toward, 90.0 - np.degrees(alpha), np.degrees(gamma))
        np.testing.assert_allclose(90.0 - np.degrees(beta), there, atol=1e-6)
        back = ground.in_sky(beta, heading)
        np.testing.assert_allclose(sun_direction(*back), sun_direction(alpha, gamma), atol=1e-14)


def test_ground_hides_a_sun_behind_it_and_walls_do_too():
    """The rise along an azimuth is where pvlib's incidence is 90 degrees; the higher one counts."""
    gamma = np.radians(np.arange(0.0, 360.0, 15.0))
    rise = horizon_altitude(yard(6, 180, "site.horizon=").site, gamma)
    uphill = np.cos(gamma - np.pi) < -1e-9
    there = aoi(6.0, 180.0, 90.0 - np.degrees(rise[uphill]), np.degrees(gamma[uphill]))
    np.testing.assert_allclose(there, 90.0, atol=1e-6)
    assert (rise[~uphill] == 0.0).all()
    walls = horizon_altitude(yard(0, 180).site, gamma)
    both = horizon_altitude(yard(6, 180).site, gamma)
    np.testing.assert_array_equal(both, np.maximum(walls, rise))
    assert (both > walls).any()
    assert (both > rise).any()


def test_sun_is_highest_over_the_ground_when_a_search_says_so():
    """To half a minute, and 1e-6: against a table of every ten seconds of the day by pvlib."""
    read = yard(10, 110)
    day = pd.DatetimeIndex(noons(read, [pd.Timestamp("2026-05-02").date()]))
    times = day[0] + pd.to_timedelta(np.arange(-14400, 14400, 10), unit="s")
    alpha, gamma = np.degrees(position(read.site, times))
    there = 90.0 - aoi(10.0, 110.0, 90.0 - alpha, gamma)
    np.testing.assert_allclose(np.degrees(over_ground(read.site, times)), there, atol=1e-6)
    angle = Ground(*np.radians([10.0, 110.0])).noon_angle(read.site.latitude)
    at = day[0] + pd.Timedelta(seconds=angle * 43_200.0 / np.pi)
    assert abs((at - times[int(np.argmax(there))]).total_seconds()) < 30.0


def test_design_moment_is_where_the_sun_rises_through_the_design_altitude():
    for slope, toward in ((3, 90), (8, 180), (8, 300)):
        read = yard(slope, toward)
        time, sun = design_moment(read)
        around = time + pd.to_timedelta([-60, 0, 60], unit="s")
        height = over_ground(read.site, pd.DatetimeIndex(around))
        assert height[1] == pytest.approx(read.design.sun_altitude, abs=1e-5)
        assert height[0] < height[1] < height[2]
        assert sun.alpha[0] == pytest.approx(position(read.site, sun.time)[0][0])


def test_a_yard_that_falls_eastward_is_the_mirror_of_one_that_falls_westward():
    """About noon at the solstice, when the sun's declination stands still: to five seconds."""
    day = "2026-06-21"
    east, west = yard(5, 90), yard(5, 270)
    noon = noons(east, [pd.Timestamp(day).date()])[0]
    for degrees in (20.0, 42.0, 60.0):
        e = altitude_crossings(east, day, np.radians(degrees))
        w = altitude_crossings(west, day, np.radians(degrees))
        before = [(noon - e[0]).total_seconds(), (noon - w[0]).total_seconds()]
        after = [(w[1] - noon).total_seconds(), (e[1] - noon).total_seconds()]
        np.testing.assert_allclose(before, after, atol=5.0)
        assert before[0] > before[1] + 600.0


def test_highest_sun_is_that_of_the_slope():
    """Of a yard that falls toward the equator: higher by the slope, where it doesn't overshoot."""
    for toward, way in ((180, +1), (0, -1)):
        there = highest_altitude(yard(0, toward, file="terrace"))[0] + way * TWO
        assert highest_altitude(yard(2, toward, file="terrace"))[0] == pytest.approx(
            there, abs=1e-5
        )


# --- the platform on it -----------------------------------------------------------------------


def test_slope_along_the_heading_is_tilt_and_slope_across_is_cross_level():
    for heading in (0.0, 1.3, 5.0):
        down = Pose(heading, 0.1, 0.02, Ground(0.05, heading))
        np.testing.assert_allclose(
            down.to_site, Pose(heading, 0.1 - 0.05, 0.02).to_site, atol=1e-15
        )
        right = Pose(heading, 0.0, 0.02, Ground(0.05, heading + 0.5 * np.pi))
        np.testing.assert_allclose(right.to_site, Pose(heading, 0.0, 0.07).to_site, atol=1e-15)


def test_turned_board_has_the_sun_in_its_plane_of_symmetry():
    """What the shadow of a post square on the board shows; "follow sun" holds the altitude."""
    alpha, gamma = random_suns()
    for file, changes in (
        ("courtyard", ()),
        ("terrace", ('platform.tilt_limits=["-60 deg", "60 deg"]',)),
    ):
        read = yard(6, 130, *changes, file=file)
        seen = stand(read, alpha, gamma).to_platform(sun_direction(alpha, gamma))
        np.testing.assert_allclose(seen[:, 0], 0.0, atol=1e-14)
        assert (seen[:, 1] > 0.0).all() or file == "courtyard"
        if file == "terrace":
            np.testing.assert_allclose(np.arcsin(seen[:, 2]), read.design.sun_altitude, atol=1e-12)


def test_level_pot_stands_upright_and_a_pot_on_the_board_leans_along():
    rng = np.random.default_rng(3)
    poses = Poses(*rng.uniform(-0.2, 0.2, (3, 5)), Ground(0.1, 2.0))
    for file, upright in (("courtyard", True), ("terrace", True), ("rim-ring", False)):
        cooker = build_cooker(load_scenario(SCENARIOS / f"{file}.toml"))
        base, axis = pot_places(cooker, poses)
        for k in range(5):
            pose = poses.alone(k)
            up = pose.to_site @ axis[k]
            if upright:
                np.testing.assert_allclose(up, [0.0, 0.0, 1.0], atol=1e-14)
            one = posed(cooker, pose).pot
            np.testing.assert_allclose(one.base, base[k], atol=1e-14)
            np.testing.assert_allclose(one.axis, axis[k], atol=1e-14)
    # on the ground its place is along the slope: the same to the board, flat on it
    flat = Poses(*np.zeros((3, 1)), Ground(0.1, 2.0))
    cooker = build_cooker(load_scenario(SCENARIOS / "courtyard.toml"))
    np.testing.assert_allclose(pot_places(cooker, flat)[0][0], cooker.pot.base, atol=1e-15)


def test_seen_singly_or_together_is_the_same():
    cooker = build_cooker(load_scenario(SCENARIOS / "courtyard.toml"))
    alpha, gamma = random_suns(7)
    poses = stand(yard(4, 30), alpha, gamma)
    one, all_ = (f(cooker, sun_direction(alpha, gamma), poses) for f in (placed_singly, placed))
    for name in ("suns", "base", "axis"):
        np.testing.assert_allclose(getattr(one, name), getattr(all_, name), atol=1e-14)


def test_mirrored_yards_see_mirrored_suns_and_pots():
    """Falling east with the sun in the morning, falling west with it as far past noon."""
    cooker = build_cooker(load_scenario(SCENARIOS / "courtyard.toml"))
    alpha, gamma = random_suns()

    def placed_by(way):
        poses = stand(yard(5, way * 80), alpha, way * gamma)
        return placed(cooker, sun_direction(alpha, way * gamma), poses)

    seen = [placed_by(1), placed_by(-1)]
    np.testing.assert_allclose(seen[0].suns, seen[1].suns, atol=1e-14)
    np.testing.assert_allclose(seen[0].axis, seen[1].axis * [-1.0, 1.0, 1.0], atol=1e-14)


# --- what it does to the watts ----------------------------------------------------------------


def energy(read, day, replicates, points):
    expected = Expected(read, build_cooker(read), replicates)
    return expected.over(expected.suns((dt.date.fromisoformat(day),), (0.0, 86400.0)), points)


def test_slope_toward_the_sun_brings_the_watts_of_that_tilt():
    """A pot in a swing on the board: the same samples, equal but for rounding."""
    fixed = ("platform.tilt=-2 deg", *EXACT)
    level = load_scenario(SCENARIOS / "terrace.toml", fixed)
    sloping = yard(2, 140, "platform.tilt=0 deg", *EXACT, file="terrace")
    alpha, gamma = np.radians([41.0, 43.0, 45.0]), np.full(3, np.radians(140.0))
    watts = [
        facing(read, repeats=2).left_at(sun_direction(alpha, gamma), stand(read, alpha, gamma))
        for read in (level, sloping)
    ]
    np.testing.assert_allclose(watts[1], watts[0], rtol=1e-9)
    assert (watts[0] > 0.0).all()


def test_no_slope_changes_no_bit():
    """A direction without a slope; and the sun's altitude over level ground is its altitude."""
    plain, level = load_scenario(SCENARIOS / "courtyard.toml"), yard(0, 77)
    alpha, gamma = random_suns(3)
    for read in (plain, level):
        poses = stand(read, alpha, gamma)
        assert poses.heading is gamma
        assert poses.ground == Ground()
    got = [energy(read, "2026-04-03", 2, 8) for read in (plain, level)]
    np.testing.assert_array_equal(*got)


def test_a_few_suns_give_a_sloping_days_energy():
    """Against every two minutes, each sun where it is; Student's t, false alarm ALPHA.

    The pot stands level on ground that slopes, so that the azimuth tells too. Slack: 0.1 %, of
    the steps and the tracing.
    """
    read = yard(8, 120, *EXACT)
    day = "2026-03-20"
    clock = [f"{day}T{h:02d}:{m:02d}:30" for h in range(6, 19) for m in range(0, 60, 2)]
    sun = sun_at(read, site_times(read.site, clock))
    lit = sun.dni > 0.0
    meant = stand(read, sun.alpha[lit], sun.gamma[lit])
    there = facing(read, repeats=2).left_at(sun.direction[lit], meant).mean(axis=0) @ sun.dni[lit]
    assert mean_p(energy(read, day, 12, 32), 120.0 * there, slack=0.12 * there) > ALPHA
    # the check can fail: on level ground it is another day
    other = energy(yard(0, 120, *EXACT), day, 12, 32)
    assert mean_p(other, 120.0 * there, slack=0.12 * there) < ALPHA


def test_design_sun_brings_what_level_ground_does_at_the_same_irradiance():
    """But for the lean of the level pot, which is small: within 2 % at 2 degrees."""
    level, sloping = (yard(s, 90, "sky.dni=900 W/m^2", *EXACT) for s in (0, 2))
    watts = [
        facing(read, repeats=4).turned_to(read.design.sun_altitude).mean()
        for read in (level, sloping)
    ]
    assert watts[1] == pytest.approx(watts[0], rel=0.02)
    sun, timed = design_sun(sloping)
    assert timed
    assert sun.alpha[0] < design_sun(level)[0].alpha[0] - np.radians(1.5)


# --- what is asked and said -------------------------------------------------------------------


def test_slope_needs_a_direction():
    with pytest.raises(ScenarioError, match=r"site.slope_toward: missing: site.slope is \"2 deg\""):
        load_scenario(SCENARIOS / "courtyard.toml", ["site.slope=2 deg"])
    assert bare(yard(2, 90).site).slope == pytest.approx(TWO)


def test_a_pot_that_leans_along_may_tilt_by_so_much_less():
    swing = ("pot.levelled=false", "pot.spill_limit=10 deg")
    low, high = tilt_limits(yard(4, 90, *swing, file="terrace"))
    np.testing.assert_allclose(np.degrees([low, high]), [-6.0, 6.0])
    assert tilt_limits(yard(12, 90, *swing, file="terrace")) == (0.0, 0.0)
    said = summarise(yard(12, 90, *swing, file="terrace")).warnings
    assert any("may spill hot food from 10.0°" in words for words in said)


def test_set_up_keeps_the_ground():
    setup = set_up(yard(3, 45), LightSettings())
    assert setup.scenario.site.slope == pytest.approx(np.radians(3.0))
