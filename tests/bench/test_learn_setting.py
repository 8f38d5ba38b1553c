"""The setting error that measured spots teach."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA
from scipy import stats
from typer.testing import CliRunner

from raytrace import load_scenario
from raytrace.cli import app
from raytrace.exceptions import SettingsError
from raytrace.studies.bench.learn_setting import learn_setting
from raytrace.studies.bench.readings import invent_spots, read_measured
from raytrace.studies.bench.spots_data import SpotsPlan

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = load_scenario(SCENARIOS / "courtyard.toml")
READING = 2e-3


def learned(scenario, true, build):
    """What is learned of a cooker set with an error of that size, its spots read to 2 mm, the
    laser off the centres by as much as when it was set."""
    noise = float(np.hypot(READING, scenario.errors.rig.hit))
    set_so = scenario.with_values({"errors.setting": true})
    text = invent_spots(set_so, seed=5, build=build, reading_error=noise)
    found = read_measured(scenario, text, SpotsPlan())
    return learn_setting(replace(found, sigma=np.where(found.sigma > 0.0, READING, 0.0)))


@pytest.mark.parametrize("name", ["courtyard", "terrace"])
def test_truths_lie_anywhere_in_the_learned_law(name):
    """Calibration over the prior: truths less means over spreads are such as of a normal."""
    scenario = load_scenario(SCENARIOS / f"{name}.toml")
    law = next(u.law for u in scenario.unknowns if u.key == "errors.setting")
    z = []
    for k in range(16):
        true = float(law.at((k + 0.5) / 16))
        got = learned(scenario, true, k)
        assert got.sd < 0.7 * got.before_sd
        assert len(got.aside) >= 2  # those that were knocked
        z.append((true - got.mean) / got.sd)
    assert stats.chi2.sf(np.square(z).sum(), len(z)) > ALPHA
    assert 2.0 * stats.norm.sf(abs(np.sum(z)) / np.sqrt(len(z))) > ALPHA


def test_a_plain_spread_gives_the_textbooks_posterior():
    """Equal facets, no other errors: of a normal's spread with so many misses the mean and spread
    by A. Gelman et al., Bayesian Data Analysis, 3rd ed., 2013, section 2.6 (scaled inverse
    chi-square), a prior so broad that it hardly tells."""
    wide = COURTYARD.varied(
        {
            "errors.setting": "lognormal(8 mm, 6)",
            "errors.placement_xy": "0 mm",
            "errors.placement_z": "0 mm",
            "errors.roll": "0 deg",
            "errors.rig.hit": "0 mm",
        }
    )
    text = invent_spots(wide, seed=3, reading_error=0.0)
    got = learn_setting(read_measured(wide, text, SpotsPlan()))
    n = 2 * got.facets
    # two of the directions of each facet's spot count alike once scaled by its own covariance
    assert got.sd / got.mean == pytest.approx(1.0 / np.sqrt(2.0 * n), rel=0.1)


def test_what_is_known_is_not_learned():
    known = COURTYARD.varied({"errors.setting": "8 mm ± 0 mm"})
    found = read_measured(known, invent_spots(known), SpotsPlan())
    with pytest.raises(SettingsError, match="nothing to learn"):
        learn_setting(found)


def test_the_command_writes_what_it_learned(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    courtyard = str(SCENARIOS / "courtyard.toml")
    runner = CliRunner()
    assert runner.invoke(app, ["spots", courtyard, "--demo-spots", "seen.csv"]).exit_code == 0
    asked = ["spots", courtyard, "seen.csv", "--learn", "mine.toml", "--no-files", "--no-figures"]
    done = runner.invoke(app, asked)
    assert done.exit_code == 0, done.output
    assert "Learned: setting error" in " ".join(done.output.split())
    mine = load_scenario("mine.toml")
    law = next(u.law for u in mine.unknowns if u.key == "errors.setting")
    assert law.b < 1.3e-3
    assert mine.errors.setting_kind == "miss"
    again = runner.invoke(app, asked)
    assert again.exit_code == 2
    assert "left alone" in again.output
