"""The table of efficiencies: against splines' laws, symmetry, single traces and a season's sum."""

from __future__ import annotations

import csv
import datetime as dt
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from checks import ALPHA, apart_p
from pictures import flaws
from typer.testing import CliRunner

from raytrace import load_scenario, read_result, to_dataset
from raytrace.cli import app
from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import SettingsError, StudyError
from raytrace.light.expected import DAY, Expected
from raytrace.light.placed import placed
from raytrace.light.setup import LightSettings, set_up, stand
from raytrace.optics.tally import BASE, MISSED
from raytrace.reports.trace.efficiency import efficiency_sentences, figures
from raytrace.sky.sun import sun_direction
from raytrace.statistics.estimate import Estimate
from raytrace.studies.trace.efficiency import EfficiencyPlan, efficiency
from raytrace.studies.trace.sun_grid import between, first_nodes, refined

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FEW = ["facets.rows=2", "facets.columns=2"]
DATES = tuple(dt.date(2026, month, 5) for month in (1, 4, 6, 9))


def tabled(name, altitude, azimuth, *changes, **plan):
    scenario = load_scenario(SCENARIOS / f"{name}.toml", [*FEW, *changes])
    spans = {"altitude": np.radians(altitude), "azimuth": np.radians(azimuth)}
    spans = {k: tuple(v.tolist()) for k, v in spans.items()}
    return efficiency(scenario, EfficiencyPlan.of(scenario, **spans, **plan))


@pytest.fixture(scope="module")
def courtyard():
    return tabled("courtyard", (0.0, 90.0), (-1.0, 1.0), uses=16)


@pytest.fixture(scope="module")
def terrace():
    return tabled("terrace", (0.0, 90.0), (-1.0, 1.0), uses=16)


def test_splines_give_back_cubics_between_the_nodes():
    """A spline of third degree through a cubic's values is the cubic: de Boor, A Practical Guide
    to Splines, 1978, chapter IV (from memory)."""
    rng = np.random.default_rng(1)
    x, y = np.sort(rng.random((2, 9)), axis=1)
    factors = rng.standard_normal((4, 4, 3))
    at = rng.uniform(x[0], x[-1], 50), rng.uniform(y[0], y[-1], 50)
    grid = np.polynomial.polynomial.polygrid2d(x, y, factors).transpose(1, 2, 0)
    exact = np.polynomial.polynomial.polyval2d(*at, factors).T
    np.testing.assert_allclose(between((x, y), grid, at), exact, atol=1e-10)


def test_nodes_are_put_where_a_function_bends():
    """A Gaussian's known values, everywhere within twice what is asked half-way between nodes."""
    width, tolerance = 0.05, 1e-3

    def peak(x):
        return np.exp(-0.5 * ((x[:, None] - [0.48, 0.55]) / width) ** 2)

    first = first_nodes(0.0, 1.0, [0.3, 0.5, 0.7])
    nodes = refined(first, peak, tolerance=tolerance, least=1e-3)
    assert set(first) <= set(nodes)
    at = np.linspace(0.0, 1.0, 997)
    values = np.repeat(peak(nodes)[:, None], 5, axis=1)
    found = between((nodes, np.arange(5.0)), values, (at, np.full(997, 2.0)))
    assert np.abs(found - peak(at)).max() < 2.0 * tolerance
    assert 15 < len(nodes) < 60
    assert np.diff(nodes).min() < 0.5 * np.diff(nodes).max()


@pytest.mark.parametrize("name", ["courtyard", "terrace"])
def test_a_seasons_energy_is_that_of_tracing_its_suns(name, request):
    """Four days' sum, read from the table, against `Expected.over`, which picks suns of its own.

    Welch's t, false alarm ALPHA, beyond 0.3 %: what reading between the nodes may be off.
    """
    table = request.getfixturevalue(name)
    direct = Expected(table.scenario, build_cooker(table.scenario), 16, seed=5)
    suns = direct.suns(DATES, (0.0, DAY))
    traced = Estimate.from_replicates(direct.over(suns, 512))
    steps = [np.diff(each.sums, prepend=0.0) / len(suns) for each in suns]
    read = table.energy(np.concatenate(steps), np.concatenate([each.alpha for each in suns]))
    assert read.se < 0.006 * read.value
    assert apart_p(traced, read, slack=0.003 * float(traced)) > ALPHA


@pytest.mark.parametrize(
    ("name", "altitude", "azimuth"), [("courtyard", 38.7, 0.7), ("terrace", 20.3, 0.3)]
)
def test_one_build_is_read_as_it_is_traced(name, altitude, azimuth, request):
    """Between the nodes, on the terrace just below where its tilt ends. Welch's t beyond what the
    plan allows, false alarm ALPHA."""
    table = request.getfixturevalue(name)
    setup = set_up(table.scenario, LightSettings(64, 16))
    meant = build_cooker(table.scenario).pot
    alpha, gamma = np.radians([[altitude], [azimuth]])
    seen = placed(
        replace(setup.cooker, pot=meant),
        sun_direction(alpha, gamma),
        stand(table.scenario, alpha, np.zeros(1)),
    )
    power = seen.trace(
        setup.cooker, setup.shape, dni=1.0, streams=999, **setup.settings.tracing
    ).power[0]
    traced = Estimate.from_replicates(power[:, BASE] / table.mirror_area)
    read = table.at(alpha[0], gamma[0], build=True)
    most = table.build_efficiency.value.max()
    assert 0.1 * most < float(read) < 0.9 * most
    assert apart_p(traced, read, slack=1.5 * table.plan.tolerance * most) > ALPHA
    k = np.abs(table.altitudes - alpha[0]).argmin(), np.abs(table.azimuths - gamma[0]).argmin()
    share = power[:, BASE].sum() / power[:, MISSED:].sum()
    assert table.build_intercept.value[k] == pytest.approx(share, abs=0.15)


def test_a_symmetric_cooker_sees_both_sides_alike():
    """Exactly set, the mirror image of a cooker is itself. Welch's t beyond what reading between
    nodes may be off on either side, false alarm ALPHA."""
    exact = ["errors.setting=0 mm", "errors.placement_xy=0 mm", "errors.placement_z=0 mm"]
    exact += ["errors.roll=0 deg", "errors.rig.hit=0 mm", "pot.support.posts=0"]
    table = tabled("courtyard", (40.0, 44.0), (-8.0, 8.0), *exact, uses=4)
    sides = [table.at(np.radians(42.0), np.radians(g), build=True) for g in (-7.0, 7.0)]
    most = table.build_efficiency.value.max()
    assert float(sides[0]) < 0.95 * most
    assert apart_p(*sides, slack=2.0 * table.plan.tolerance * most) > ALPHA


def test_cookers_without_errors_have_no_spread():
    """What tracing adds to the spread is taken out: with all errors at zero, next to nothing."""
    none = ["errors.setting=0 mm", "errors.placement_xy=0 mm", "errors.placement_z=0 mm"]
    none += ["errors.roll=0 deg", "errors.rig.hit=0 mm", "errors.pot.rms=[0 mm, 0 mm, 0 mm]"]
    none += [f"errors.pointing.{k}_rms=0 deg" for k in ("heading", "tilt", "cross")]
    table = tabled("courtyard", (41.0, 43.0), (-1.0, 1.0), *none, uses=4)
    drawn = tabled("courtyard", (41.0, 43.0), (-1.0, 1.0), uses=4)
    assert table.spread.max() < 0.2 * drawn.spread.max()
    both = table.delivered.mean(axis=0), table.own_delivered.mean(axis=0)
    np.testing.assert_allclose(*both, rtol=5e-3)


def test_readings_are_of_any_shape_and_end_with_the_table(courtyard):
    alpha, gamma = np.radians([[40.0], [42.0], [-1.0]]), np.radians([0.0, 1.0, 361.0, 2.0])
    found = courtyard.at(alpha, gamma)
    assert found.value.shape == found.se.shape == (3, 4)
    np.testing.assert_allclose(found.value[:2, 1], found.value[:2, 2])
    assert np.isnan(found.value[:2, 3]).all()
    assert (found.value[2] == 0.0).all()
    watts = courtyard.watts(900.0, alpha[0, 0])
    assert float(watts) == pytest.approx(900.0 * courtyard.mirror_area * found.value[0, 0])
    node = courtyard.at(courtyard.altitudes[10], courtyard.azimuths[2])
    assert float(node) == pytest.approx(courtyard.efficiency.value[10, 2], abs=1e-12)
    same = courtyard.energy([900.0 * 60.0, 0.0], np.repeat(alpha[0, 0], 2))
    assert float(same) == pytest.approx(60.0 * float(watts))
    assert float(same.se / watts.se) == pytest.approx(60.0)


def test_pictures_can_be_read(terrace):
    assert flaws(*figures(terrace).values()) == []


def test_the_suns_place_in_the_platforms_frame_is_stated(terrace):
    """Tilted to follow, the platform has the sun at its design altitude, 45°, dead ahead."""
    j = int(np.abs(terrace.azimuths).argmin())
    follows = (np.radians(25.0) <= terrace.altitudes) & (terrace.altitudes <= np.radians(75.0))
    assert follows.sum() > 5
    np.testing.assert_allclose(terrace.platform_altitude[follows, j], np.radians(45.0))
    np.testing.assert_allclose(terrace.platform_azimuth[:, j], 0.0, atol=1e-12)
    low = np.radians(20.0) + terrace.altitudes[~follows][:2]
    np.testing.assert_allclose(terrace.platform_altitude[~follows, j][:2], low)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"altitude": (0.5, 0.4)}, "altitude from .* must rise within 0° to 90°"),
        ({"altitude": (-0.1, 0.4)}, "must rise within 0° to 90°"),
        ({"azimuth": (0.0, 4.0)}, "must rise within -180° to 180°"),
        ({"tolerance": 0.5}, "tolerance 0.5"),
        ({"uses": 2}, "4 or more"),
    ],
)
def test_wrong_plans_are_refused(change, words):
    with pytest.raises(SettingsError, match=words):
        EfficiencyPlan(**change)


def test_no_light_is_said():
    with pytest.raises(StudyError, match="nothing reaches the pot's base"):
        tabled("courtyard", (40.0, 44.0), (-1.0, 1.0), "mirror.cleanliness=0")


def test_ground_that_slopes_is_refused():
    with pytest.raises(StudyError, match=r"Set site\.slope = 0 deg"):
        tabled(
            "courtyard", (40.0, 44.0), (-1.0, 1.0), "site.slope=2 deg", "site.slope_toward=90 deg"
        )


def test_the_command_writes_what_xarray_and_spreadsheets_open(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    changes = [x for change in FEW for x in ("--set", change)]
    options = ["--altitude", "41..43 deg", "--azimuth", "-1 deg..1 deg", "--uses", "4"]
    arguments = ["efficiency", str(SCENARIOS / "courtyard.toml"), *options, *changes]
    done = CliRunner().invoke(app, [*arguments, "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    names = {Path(p).name for p in told["files"]}
    assert names == {f"courtyard-efficiency.{x}" for x in ("h5", "csv", "png")}
    found = read_result("results/courtyard-efficiency.h5")
    with xr.open_dataset("results/courtyard-efficiency.h5") as data:
        assert data["efficiency"].dims == ("altitude", "azimuth")
        assert data["efficiency"].attrs["units"] == "1"
        ahead = data["efficiency"].interp(altitude=np.radians(42.0), azimuth=0.0)
        assert float(ahead) == pytest.approx(float(found.at(np.radians(42.0))), rel=0.01)
    assert to_dataset(found)["spread"].shape == found.spread.shape
    text = Path("results/courtyard-efficiency.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert len(rows) == found.spread.size
    assert float(rows[0]["altitude_deg"]) == pytest.approx(41.0)
    assert float(rows[0]["efficiency"]) == found.efficiency.value[0, 0]
    assert told["sentences"] == efficiency_sentences(found)
    again = CliRunner().invoke(app, arguments)
    assert "At best" in again.output
    wrong = CliRunner().invoke(app, [*arguments[:2], "--azimuth", "40"])
    assert wrong.exit_code == 2
    assert 'write a range such as "0..60 deg"' in " ".join(wrong.output.replace("│", " ").split())
