"""What a laser rig does to a cooker: wrong angles, a near stand, own marks, missed centres."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA, spread_p
from typer.testing import CliRunner

from raytrace import build_cooker, load_scenario, trace
from raytrace.cli import app
from raytrace.cooker.aiming import aim_normals, direction, unit
from raytrace.cooker.geometry import Pot, cooker_from_arrays
from raytrace.cooker.mirror import Mirror
from raytrace.cooker.tolerances import Rig, laser_stand
from raytrace.exceptions import GeometryError, SkyError
from raytrace.reports.bench.rig import study_facts
from raytrace.reports.bench.rig_figures import marks_figure, rig_figure
from raytrace.studies.bench.rig import corrected_marks, effective_shift, set_with, study_rig
from raytrace.studies.bench.spots import PLANES, spots_on_plane

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NAMES = sorted(p.stem for p in SCENARIOS.glob("*.toml"))
COURTYARD = SCENARIOS / "courtyard.toml"
FEW = {"beams": 2, "replicates": 4, "hit_builds": 8, "step": 3600.0}


def set_cooker(cooker, rig):
    built = set_with(cooker, rig)
    f = replace(cooker.facets, n=built.n[0], u=built.u[0], v=built.v[0])
    return replace(cooker, facets=f)


@pytest.mark.parametrize("name", NAMES)
def test_the_sun_that_a_cooker_is_really_set_for_is_the_laser(name):
    cooker = build_cooker(load_scenario(SCENARIOS / f"{name}.toml"))
    bias = np.radians([1.0, -0.7])
    built = set_cooker(cooker, Rig(altitude_bias=bias[0], azimuth_bias=bias[1]))
    shift, left = effective_shift(cooker, built.facets.c, built.facets.n)
    np.testing.assert_allclose(shift, bias, atol=1e-9)
    assert left < 1e-9
    shift, left = effective_shift(cooker, cooker.facets.c, cooker.facets.n)
    np.testing.assert_allclose(shift, 0.0, atol=1e-12)


def test_a_laser_a_degree_too_high_makes_the_cooker_of_a_sun_a_degree_higher():
    """The rig's bias against a scenario that asks for 43°: same normals, same watts."""
    scenario = load_scenario(COURTYARD)
    rig = Rig(altitude_bias=np.radians(1.0))
    biased = set_cooker(build_cooker(scenario), rig)
    higher = build_cooker(scenario.varied(["design.sun_altitude=43 deg"]))
    np.testing.assert_allclose(biased.facets.n, higher.facets.n, atol=1e-13)
    study = study_rig(scenario, rig=rig, **FEW)
    light = study.light
    tally = trace(
        higher,
        direction(np.radians(43.0)),
        light.sun.shape,
        dni=light.sun.dni,
        samples=54 * 2 * 4,
        replicates=4,
        seed=study.seed,
    )
    assert float(study.at_shift) == pytest.approx(float(tally.delivered), rel=1e-6)
    np.testing.assert_allclose(np.degrees(study.shift), [1.0, 0.0], atol=1e-9)
    assert study.rms_off > 0.02
    assert study.rms_left < 1e-9


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("plane", PLANES)
def test_corrected_marks_restore_perfect_normals(name, plane):
    """Each facet is turned until the swivelled laser's spot lies on its own mark: plain aiming."""
    cooker = build_cooker(load_scenario(SCENARIOS / f"{name}.toml"))
    f = cooker.facets
    mark = corrected_marks(cooker, 4.0, plane)
    seen = f.present & np.isfinite(mark).all(axis=1)
    assert seen.sum() >= f.present.sum() - 4
    aim = np.tile(cooker.pot.base, (len(f), 1))
    aim[:, ["xyz".index(axis) for axis in PLANES[plane]]] += mark
    stand = laser_stand(cooker, Rig(kind="point", distance=4.0))
    light = unit(stand - f.c)
    n = aim_normals(f.mount[seen], f.mount_radius[seen], light[seen], aim[seen], stand=stand)
    assert np.linalg.norm(np.cross(n, f.n[seen]), axis=1).max() < 1e-9
    if np.ptp(cooker.design_sun, axis=0).any():
        return  # set for several suns: no stand, however far, serves all with one mark
    far = corrected_marks(cooker, 1e9, "base")
    np.testing.assert_allclose(far, (cooker.aim - cooker.pot.base)[:, :2], atol=1e-7)


def test_a_near_stand_worked_by_hand():
    """Two level facets a to each side of the middle, stand D overhead, base h overhead.

    Perfectly aimed facets look half-way between the zenith and the base's centre. The laser comes
    down aslant by a/D toward the outside, so that to first order the spot lies h·a/D further in,
    beyond the middle. Derived here for a ≪ h ≪ D; the next order is a/h and h/D.
    """
    a, h, D = 1e-3, 1.0, 100.0
    pot = Pot(np.array([0.0, 0.0, h]), np.array([0.0, 0.0, 1.0]), R=0.1, height=0.1)
    cooker = cooker_from_arrays(
        centers=[[-a, 0, 0], [a, 0, 0]],
        normals=[[a / 2, 0, 1], [-a / 2, 0, 1]],
        half_sizes=1e-4,
        pot=pot,
        mirror=Mirror(clean=1.0),
    )
    up = np.tile([0.0, 0.0, 1.0], (2, 1))
    cooker = replace(cooker, design_sun=up)
    mark = corrected_marks(cooker, D)
    np.testing.assert_allclose(mark[:, 0], [-h * a / D, h * a / D], rtol=0.02)
    np.testing.assert_allclose(mark[:, 1], 0.0, atol=1e-12)


def test_hits_off_the_centre_shift_spots_by_as_much_at_normal_incidence():
    """Parallel rays: light from the centre lands off by the hit itself; χ² of 4000 draws, ALPHA."""
    pot = Pot(np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0]), R=0.1, height=0.1)
    cooker = cooker_from_arrays(
        centers=[[0, 0, 0]], normals=[[0, 0, 1]], half_sizes=0.01, pot=pot, mirror=Mirror()
    )
    built = set_with(cooker, Rig(hit=3e-3), builds=np.arange(4000))
    off = []
    for k in range(4000):
        facets = replace(cooker.facets, n=built.n[k], u=built.u[k], v=built.v[k])
        off.append(spots_on_plane(cooker, Rig(), facets=facets)[0])
    assert spread_p(np.array(off), 3e-3) > ALPHA


@pytest.fixture(scope="module")
def study():
    scenario = load_scenario(COURTYARD)
    rig = Rig(altitude_bias=np.radians(1.0), azimuth_bias=np.radians(1.0), distance=3.0)
    return study_rig(scenario, rig=rig, date="2026-06-21", **FEW)


def test_the_day_sums_by_trapezoids(study):
    day = study.day
    seconds = np.array([t.timestamp() for t in day.time])
    for energy, watts in ((day.energy_right, day.right), (day.energy_rigged, day.rigged)):
        assert float(energy) == pytest.approx(np.trapezoid(watts.value, seconds))
    lost = float(day.energy_right) - float(day.energy_rigged)
    assert float(day.energy_lost) == pytest.approx(lost, abs=1e-6 * float(day.energy_right))
    assert day.time[0].date().isoformat() == "2026-06-21"


def test_losses_agree_with_their_parts(study):
    assert float(study.lost) == pytest.approx(float(study.right) - float(study.rigged), abs=1e-9)
    stand = study.stand
    assert float(stand.lost) == pytest.approx(float(study.right) - float(stand.same_mark), abs=1e-9)
    assert float(stand.own_marks) == pytest.approx(float(study.right), rel=1e-9)
    assert float(stand.lost) > 0.1 * float(study.right), "a stand at 3 m costs a lot"
    middle = len(study.bias.bias) // 2
    assert study.bias.bias[middle] == 0.0
    assert float(study.bias.altitude.value[middle]) == pytest.approx(float(study.right), rel=1e-9)
    assert study.hit.hit[0] == 0.0
    assert study.hit.miss[0] < 1e-9
    assert study.hit.spread[0] < 1e-9
    assert (np.diff(study.hit.miss) > 0.0).all()


def test_an_azimuth_bias_is_made_up_by_turning_the_platform(study):
    """Set 1° clockwise, and met by a sun 1° clockwise: the perfect cooker, turned as a whole."""
    cooker = study.cooker
    bias = np.radians(1.0)
    biased = set_cooker(cooker, Rig(azimuth_bias=bias))
    sun = direction(np.radians(42.0), bias)
    landed = spots_on_plane(cooker, Rig(azimuth_bias=bias), facets=biased.facets)
    np.testing.assert_allclose(landed, 0.0, atol=1e-12)
    assert sun[0] > 0.0, "clockwise, seen from above, is to the right of the heading"


def test_senseless_wishes_are_refused():
    scenario = load_scenario(COURTYARD)
    with pytest.raises(GeometryError):
        study_rig(scenario, most_hit=0.0)
    polar = scenario.varied(["site.latitude=80 deg", "design.sun_altitude=20 deg"])
    with pytest.raises(SkyError):
        study_rig(polar, date="2026-12-21", **FEW)


def test_pictures_and_plain_values(study):
    named = {t.get_text() for t in marks_figure(study).axes[0].texts}
    assert set(study.cooker.facets.label) <= named
    assert len(rig_figure(study).axes) == 3
    facts = study_facts(study)
    assert len(facts["stand"]["marks"]) == 54
    first = facts["stand"]["marks"][0]
    assert first["mark_x_mm"] == pytest.approx(1e3 * study.stand.mark[0, 0])
    assert facts["set_for_altitude_shift_deg"] == pytest.approx(1.0)
    json.dumps(facts, allow_nan=False)


# --- the command


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "120")
    return tmp_path


def cooker_command(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


def test_command_says_what_the_cooker_is_set_for(folder):
    result = cooker_command(
        "rig", COURTYARD, "--altitude-bias", "1 deg", "--step", "2 h", "--no-figures"
    )
    assert result.exit_code == 0, result.output
    assert "for a sun at 43.00° instead of 42.00°" in result.stdout
    assert "class 2" in result.stderr, "caution where the laser is met"
    assert [p.name for p in (folder / "results").iterdir()] == ["courtyard-marks.csv"]
    lines = (folder / "results" / "courtyard-marks.csv").read_text().splitlines()
    assert lines[0].startswith("# cooker-raytrace")
    assert len([x for x in lines if not x.startswith("#")]) == 55


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--altitude-bias", "1"], "no unit"),
        (["--azimuth-bias", "1 mm"], "errors.rig.azimuth_bias"),
        (["--plane", "wall"], "base or upright"),
        (["--day", "tomorrow"], "tomorrow"),
        (["--most-hit", "2 deg"], "--most-hit"),
        (["--step", "0 min"], "must be 1 min to 24 h"),
    ],
)
def test_command_refuses(folder, arguments, words):
    result = cooker_command("rig", COURTYARD, *arguments)
    assert result.exit_code == 2, result.output
    assert words in result.stderr
    assert "Traceback" not in result.stderr


def test_command_teaches(folder):
    text = cooker_command("rig", "--help").stdout
    assert '  cooker rig scenarios/courtyard.toml --altitude-bias "1 deg"' in text
    assert "class 2" in text
