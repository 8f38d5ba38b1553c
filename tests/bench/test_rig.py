"""What a laser rig does to a cooker: wrong angles, a near stand, own marks, missed centres."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from checks import ALPHA, spread_p
from pictures import flaws
from store.test_results import same
from typer.testing import CliRunner

from raytrace import RigPlan, build_cooker, load_scenario, read_result, rig, trace
from raytrace.cli import app
from raytrace.cooker.aiming import aim_normals, direction, unit
from raytrace.cooker.geometry import Pot, cooker_from_arrays, set_exactly
from raytrace.cooker.mirror import Mirror
from raytrace.cooker.tolerances import Rig, laser_stand
from raytrace.exceptions import SettingsError, SkyError
from raytrace.reports.bench.rig import mark_columns
from raytrace.reports.bench.rig_figures import marks_figure, rig_figure
from raytrace.store.plain import plain
from raytrace.studies.bench.design_light import still_light
from raytrace.studies.bench.rig import corrected_marks, effective_shift, set_with
from raytrace.studies.bench.spot_geometry import PLANES, spots_on_plane

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NAMES = sorted(p.stem for p in SCENARIOS.glob("*.toml"))
COURTYARD = SCENARIOS / "courtyard.toml"
FEW = RigPlan(beams=2, replicates=4, hit_builds=8, step=3600.0)


def set_cooker(cooker, rig):
    built = set_with(cooker, rig)
    f = replace(cooker.facets, n=built.n[0], u=built.u[0], v=built.v[0])
    return replace(cooker, facets=f)


@pytest.mark.parametrize("name", NAMES)
def test_the_sun_that_a_cooker_is_really_set_for_is_the_laser(name):
    cooker = set_exactly(build_cooker(load_scenario(SCENARIOS / f"{name}.toml")), by_laser=True)
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
    biased = set_cooker(build_cooker(scenario), Rig(altitude_bias=np.radians(1.0)))
    higher = build_cooker(scenario.varied(["design.sun_altitude=43 deg"]))
    np.testing.assert_allclose(biased.facets.n, higher.facets.n, atol=1e-13)
    study = rig(scenario.varied(["errors.rig.altitude_bias=1 deg"]), FEW)
    light = still_light(scenario, higher)
    tally = trace(
        higher,
        direction(np.radians(43.0)),
        light.sun.shape,
        dni=light.sun.dni,
        samples=54 * 2 * 4,
        replicates=4,
        seed=study.plan.seed,
    )
    assert float(study.at_shift) == pytest.approx(float(tally.delivered), rel=1e-6)
    np.testing.assert_allclose(np.degrees(study.shift), [1.0, 0.0], atol=1e-9)
    assert study.rms_off > 0.02
    assert study.rms_left < 1e-9


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("plane", PLANES)
def test_corrected_marks_restore_perfect_normals(name, plane):
    """Each facet is turned until the swivelled laser's spot lies on its own mark: plain aiming."""
    cooker = set_exactly(build_cooker(load_scenario(SCENARIOS / f"{name}.toml")), by_laser=True)
    f = cooker.facets
    mark = corrected_marks(cooker, 4.0, plane)
    seen = f.present & np.isfinite(mark).all(axis=1)
    assert seen.sum() >= f.present.sum() - 4
    aim = np.tile(cooker.pot.base, (len(f), 1))
    aim[:, ["xyz".index(axis) for axis in PLANES[plane]]] += mark
    stand = laser_stand(cooker, Rig(kind="point", distance=4.0))
    light = unit(stand - f.c)
    mounts = f.mount[seen], f.mount_radius[seen]
    n = aim_normals(*mounts, light[seen], aim[seen], mirror=cooker.mirror, stand=stand)
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


BIASED = ["errors.rig.altitude_bias=1 deg", "errors.rig.azimuth_bias=1 deg"]


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A rig study and its file."""
    path = tmp_path_factory.mktemp("rig") / "rig.h5"
    scenario = load_scenario(COURTYARD, [*BIASED, "errors.rig.distance=3 m"])
    return rig(scenario, replace(FEW, day="2026-06-21"), path=path), path


@pytest.fixture(scope="module")
def study(kept):
    return kept[0]


def test_results_are_kept_with_units_and_axes(kept):
    study, path = kept
    same(study, read_result(path, "rig"))
    with xr.open_dataset(path) as data:
        assert data["stand.mark"].dims == ("facet", "axis")
        assert data["stand.mark"].attrs["units"] == "m"
        assert data["day.right"].dims == ("time",)
        assert data["time"].dtype.kind == "M"
        assert data["bias.altitude_se"].attrs["units"] == "W"
    json.dumps(plain(study), allow_nan=False)
    assert plain(study)["shift_deg"] == pytest.approx([1.0, 1.0])


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
    with pytest.raises(SettingsError):
        rig(scenario, RigPlan(most_hit=0.0))
    polar = scenario.varied(["site.latitude=80 deg", "design.sun_altitude=20 deg"])
    with pytest.raises(SkyError):
        rig(polar, replace(FEW, day="2026-12-21"))


def test_pictures_and_the_table_of_marks(study):
    named = {t.get_text() for t in marks_figure(study).axes[0].texts}
    assert set(study.labels) <= named
    assert len(rig_figure(study).axes) == 3
    assert flaws(marks_figure(study), rig_figure(study)) == []
    columns, rows, _ = mark_columns(study)
    assert columns == [
        *("facet", "stand.mark_x_mm", "stand.mark_y_mm", "stand.off_one_mark_mm"),
    ]
    assert len(rows) == 54
    assert rows[0][1] == pytest.approx(1e3 * study.stand.mark[0, 0], abs=1e-3)


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
    assert "s.e." not in result.stdout, "how sure the computation is stands in the details"
    assert "class 2" in result.stderr, "caution where the laser is met"
    assert sorted(p.name for p in (folder / "results").iterdir()) == [
        "courtyard-marks.csv",
        "courtyard-rig.h5",
    ]
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
