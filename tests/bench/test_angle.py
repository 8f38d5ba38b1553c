"""The laser's measured angle: closed forms, propagation, coverage, and whether the advice wins."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA, spread_p
from scipy import stats
from typer.testing import CliRunner

from raytrace import load_scenario, read_result
from raytrace.cli import app
from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.tolerances import (
    Builds,
    Pointing,
    Rig,
    Tolerances,
    laser_stand,
    tolerances_from_scenario,
)
from raytrace.exceptions import SettingsError
from raytrace.light.ensemble import design_ensemble
from raytrace.optics.tally import BASE
from raytrace.reports.bench.angle import angle_sentences
from raytrace.studies.bench import angle_measured
from raytrace.studies.bench.angle_measured import FREEDOM, Proof, angle_found, angle_of
from raytrace.studies.bench.rig import set_with

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = SCENARIOS / "courtyard.toml"
NO_ERRORS = [
    *("errors.setting=0 mm", "errors.placement_xy=0 mm", "errors.placement_z=0 mm"),
    *("errors.roll=0 deg", "errors.rig.hit=0 mm", "errors.pointing.heading_rms=0 deg"),
    *("errors.pointing.tilt_rms=0 deg", "errors.pointing.cross_rms=0 deg"),
    *("errors.pointing.heading_bias=0 deg", "errors.pointing.cross_bias=0 deg"),
    *("errors.rig.altitude_bias=0 deg", "errors.rig.azimuth_bias=0 deg"),
    *('errors.pot.rms=["0 mm", "0 mm", "0 mm"]', "errors.set_by=laser"),
]


def proof(degrees, drop=1.0, **more):
    return Proof(drop, drop / math.tan(math.radians(degrees)), **more)


@pytest.fixture
def few(monkeypatch):
    """Few cookers and angles: what is asked here hangs on neither."""
    monkeypatch.setattr(angle_measured, "PAIRS", 2)
    monkeypatch.setattr(angle_measured, "DRAWS", 4)


def test_right_triangles_have_the_angles_that_they_have():
    """3, 4, 5 and the half square; an arc's sine for what lies aside."""
    assert Proof(0.3, 0.4).altitude == pytest.approx(math.asin(0.6))
    assert Proof(1.0, 1.0).altitude == pytest.approx(math.pi / 4.0)
    assert Proof(1.0, 0.0).altitude == pytest.approx(math.pi / 2.0)
    assert Proof(1.0, 1.0, aside=-0.5).azimuth == pytest.approx(-math.pi / 6.0)
    assert Proof(0.3, 0.4, slope=0.51).too_long == pytest.approx(0.01)


def test_errors_propagate_as_by_monte_carlo():
    """JCGM 101:2008: lengths are drawn, and their angles spread as GUM's first order says."""
    rng = np.random.default_rng(1)
    d, r, a = np.array([0.5, 0.6, -0.1])[:, None] + 2e-3 * rng.standard_normal((3, 20_000))
    one = Proof(0.5, 0.6, aside=-0.1)
    # second order: u / length, 0.3 %
    altitude = np.arctan2(d, r) - one.altitude
    azimuth = np.arcsin(a / r) - one.azimuth
    assert spread_p(altitude, one.altitude_error(2e-3)) > ALPHA
    assert spread_p(azimuth, one.azimuth_error(2e-3)) > ALPHA


def test_a_reading_known_to_a_quarter_is_worth_eight_degrees_of_freedom():
    """JCGM 100:2008, G.4.2, its example: Δu / u = 0.25 gives ν = 8; table G.2: t = 2.31."""
    assert FREEDOM == 0.5 * 0.25**-2
    one = angle_of([0.7], [1e-3])
    assert round(one.half / one.scale, 2) == 2.31


def test_repeats_average_and_their_scatter_counts():
    """Equal proofs of mean and deviation as by hand; the t of 10 degrees of freedom is 2.228."""
    same = angle_of([0.7] * 3, [3e-3] * 3)
    assert same.value == pytest.approx(0.7)
    assert same.freedom == 10.0
    assert same.scale == pytest.approx(3e-3 / math.sqrt(3.0) * math.sqrt(8.0 / 10.0))
    apart = angle_of([0.69, 0.70, 0.71], [3e-3] * 3)
    chi2 = 2.0 * (0.01 / 3e-3) ** 2
    assert apart.scale == pytest.approx(3e-3 / math.sqrt(3.0) * math.sqrt((8.0 + chi2) / 10.0))
    assert apart.half == pytest.approx(2.228 * apart.scale, rel=1e-3)
    assert apart.unlike
    assert not same.unlike
    weighted = angle_of([0.7, 0.8], [1e-3, 2e-3])
    assert weighted.value == pytest.approx((4.0 * 0.7 + 0.8) / 5.0)


@pytest.mark.parametrize("n", [1, 4])
def test_intervals_cover_as_often_as_they_say(n):
    """Readings' errors themselves drawn, as known to a quarter: scaled inverse χ²."""
    rng = np.random.default_rng([2, n])
    count = 1000
    sigma = 2e-3 * np.sqrt(FREEDOM / rng.chisquare(FREEDOM, count))
    x = 0.7 + sigma[:, None] * rng.standard_normal((count, n))
    found = [angle_of(row, [2e-3] * n) for row in x]
    held = sum(a.low <= 0.7 <= a.high for a in found)
    p = 2.0 * min(stats.binom.cdf(held, count, 0.95), stats.binom.sf(held - 1, count, 0.95))
    assert p > ALPHA


LASER = ["courtyard", "courtyard-sunside", "highland", "rim-ring", "terrace"]


@pytest.mark.parametrize("name", LASER)
@pytest.mark.parametrize(("off", "aside"), [(-2.0, 0.0), (1.0, -1.5)])
def test_following_the_advice_wins_the_watts_that_are_promised(name, off, aside, few):
    """Facets are set by the rig's own rule with the wrong angle, and the advice is traced."""
    scenario = load_scenario(SCENARIOS / f"{name}.toml", NO_ERRORS)
    planned = math.degrees(scenario.design.sun_altitude)
    one = proof(planned + off)
    one = replace(one, aside=one.run * math.sin(math.radians(aside)))
    found = angle_found(scenario, [one], reading=1e-6)
    cooker = build_cooker(scenario)
    rig = Rig(
        scenario.errors.rig.kind, scenario.errors.rig.distance, scenario.errors.rig.corrected_marks
    )
    bias = np.radians([off, aside])
    built = set_with(cooker, replace(rig, altitude_bias=bias[0], azimuth_bias=bias[1]))
    there = scenario.varied([f"design.sun_altitude={planned + off} deg"])
    # the same light falls on both, so that they differ by rounding alone
    numbers = np.concatenate([np.arange(2), ~np.arange(2)])
    fields = (built.mount, built.n, built.u, built.v, built.base)
    same = Builds(*(np.repeat(x, len(numbers), axis=0) for x in fields))

    def traced(case, heading):
        ready = design_ensemble(case, seed=scenario.trace.seed, beams=1, replicates=2)
        t = Tolerances(pointing=Pointing(heading_bias=heading))
        return ready.ledgers(t, numbers, cooker=cooker, drawn=same)[:, :, BASE].mean()

    before, after, best = traced(scenario, 0.0), traced(there, -bias[1]), found.planned.watts
    assert best - found.cost.mean == pytest.approx(before, rel=1e-4)
    assert found.found.watts == pytest.approx(after, rel=1e-4)
    assert abs(found.left.mean) < 1e-4 * best
    if off == -2.0 and scenario.errors.rig.kind == "parallel":
        run = re.search(r"run has to be (\d+) mm", " ".join(angle_sentences(found)))
        advised = math.degrees(Proof(1.0, float(run[1]) / 1e3).altitude)
        assert advised == pytest.approx(planned, abs=0.03)


def test_a_stated_bias_gives_way_to_what_was_measured(few):
    found = angle_found(load_scenario(SCENARIOS / "highland.toml"), [proof(45.0)])
    assert found.changes == ('design.sun_altitude="45.00 deg"', 'errors.rig.altitude_bias="0 deg"')


def test_a_zone_of_its_own_is_found_by_its_own_angle(few):
    scenario = load_scenario(SCENARIOS / "school-kitchen.toml", ["errors.set_by=laser"])
    found = angle_found(scenario, [proof(54.6), proof(57.8)])
    assert [a.keys for a in found.altitudes] == [
        ("design.sun_altitude",),
        ("aim.zones[3].sun_altitude",),
    ]
    assert sum(a.facets for a in found.altitudes) == build_cooker(scenario).facets.present.sum()
    assert found.changes == (
        'design.sun_altitude="54.60 deg"',
        'aim.zones[3].sun_altitude="57.80 deg"',
    )


def test_a_swivelled_laser_is_judged_by_the_facet_that_it_is_held_on(few):
    """A stand in its right place, met by lengths that its place has: nothing is off."""
    scenario = load_scenario(SCENARIOS / "rim-ring.toml")
    cooker = build_cooker(scenario)
    stand = laser_stand(cooker, tolerances_from_scenario(scenario).rig)
    x, y, z = stand - cooker.facets.c[0]
    run = math.hypot(x, y)
    label = cooker.facets.label[0]
    found = angle_found(scenario, [Proof(z, run, aside=x, at=label)])
    assert found.altitudes[0].angle.value == pytest.approx(scenario.design.sun_altitude, abs=1e-12)
    assert found.azimuth.value == pytest.approx(0.0, abs=1e-12)
    assert found.changes[0].startswith("errors.rig.altitude_bias=")
    with pytest.raises(SettingsError, match="no facet has this label"):
        angle_found(scenario, [Proof(z, run, at="Z99")])


@pytest.mark.parametrize(
    "lengths",
    [(0.0, 1.0), (1.0, -0.1), (math.nan, 1.0), (1.0, 1.0, 1.0), (1.0, 1.0, 0.0, 0.0)],
)
def test_lengths_that_no_beam_has_are_refused(lengths):
    with pytest.raises(SettingsError):
        Proof(*lengths)


def test_doubtful_proofs_are_said_to_be(few):
    scenario = load_scenario(COURTYARD)
    words = " ".join(angle_sentences(angle_found(scenario, [Proof(0.9, 0.81, slope=1.25)])))
    assert "Are drop and run exchanged? The other way round the angle is 41.99°." in words
    assert "the floor isn't level" in words
    words = " ".join(angle_sentences(angle_found(scenario, [proof(41.0), proof(43.0)])))
    assert "differ by more than readings explain" in words
    with pytest.raises(SettingsError, match="by angle"):
        angle_found(scenario.varied(["errors.set_by=angle"]), [proof(42.0)])


def test_the_sheet_takes_the_measured_lengths(tmp_path, few):
    args = ["sheet", str(COURTYARD), "--no-pdf", "-o", str(tmp_path)]
    run = CliRunner().invoke(app, [*args, "--laser", "drop 812 mm, run 860 mm; aside 14 mm"])
    assert run.exit_code == 0, run.output
    text = " ".join(run.output.split())
    assert "set for 43.4 ± 0.2°, not 42°, and 0.9 ± 0.3° clockwise of where it belongs" in text
    kept = read_result(tmp_path / "courtyard-sheet.h5")
    assert kept.angle.proofs == (Proof(0.812, 0.86, 0.014),)
    assert kept.angle.changes[0] == 'design.sun_altitude="43.36 deg"'
    for wrong in ("812, 860", "drop 812 mm", "drop 1 m, run 1 m, aside 2 m", "drop x, run 1 m"):
        run = CliRunner().invoke(app, [*args, "--laser", wrong])
        assert run.exit_code == 2
        assert "--laser" in run.output
