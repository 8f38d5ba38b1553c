"""A cooker that brings nothing to the pot: every command says so in a sentence."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from raytrace import load_scenario, tolerance
from raytrace.cli import app
from raytrace.exceptions import CookerError, StudyError
from raytrace.light.ensemble import design_ensemble
from raytrace.studies.tolerance.sweep import TolerancePlan, iter_levels
from raytrace.studies.tolerance.tolerance import put_together
from raytrace.studies.window.best_altitude import Served, serve_best

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = SCENARIOS / "courtyard.toml"
DARK = "mirror.cleanliness=0"


@pytest.mark.parametrize(
    "command",
    [
        ["tolerance"],
        ["blame"],
        ["rig"],
        ["window"],
        ["efficiency"],
        ["window", "--serve", "2026-05-01..2026-05-03", "--hours", "9..15"],
        ["record"],
        ["record", "--demo-record", "dark.csv"],
    ],
)
def test_no_light_is_said_in_a_sentence(command, tmp_path, monkeypatch):
    """Warnings are errors here, so that nothing is divided by zero on the way."""
    monkeypatch.chdir(tmp_path)
    name, *options = command
    run = CliRunner().invoke(app, [name, str(COURTYARD), *options, "--set", DARK])
    assert run.exit_code != 0
    assert isinstance(run.exception, SystemExit | CookerError), run.exception
    words = " ".join(f"{run.stderr} {run.exception}".split())
    assert "nothing reaches the pot's base" in words
    assert "`cooker trace` shows where the light goes" in words
    assert "nan" not in run.stdout.split()
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_spots_of_a_cooker_without_light(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    made = CliRunner().invoke(app, ["spots", str(COURTYARD), "--demo-spots", "seen.csv"])
    assert made.exit_code == 0
    run = CliRunner().invoke(app, ["spots", str(COURTYARD), "seen.csv", "--set", DARK])
    assert run.exit_code != 0
    assert "nothing reaches the pot's base" in " ".join(f"{run.stderr} {run.exception}".split())


def test_hours_that_the_mirrors_are_not_set_for():
    """Mirrors set for 42° bring nothing at dawn: no gain over nothing is a number."""
    dawn = Served(*(np.datetime64(d, "D").item() for d in ("2026-05-01", "2026-05-02")),
                  6.5 * 3600.0, 7.0 * 3600.0)  # fmt: skip
    found = serve_best(load_scenario(COURTYARD), dawn, repeats=2)
    assert float(found.now.energy) == 0.0
    assert float(found.best.energy) > 0.0
    assert np.isnan(float(found.gain))


def test_exactly_set_facets_that_lose_it_all_keep_nothing():
    """With no errors it shines, but the pot stands half a metre off: no share of that is kept."""
    scenario = load_scenario(COURTYARD, ['errors.pot.bias=["0 mm", "500 mm", "0 mm"]'])
    study = tolerance(scenario, TolerancePlan(levels=(0.0, 5e-3), builds=4, further=False))
    assert study.sweep[0].power.mean == 0.0
    for kept in study.kept:
        assert (kept.miss.value, kept.sigma.value) == (0.0, 0.0)


def test_levels_without_light_make_no_study():
    plan = TolerancePlan(levels=(0.0, 5e-3), builds=4, further=False)
    ensemble = design_ensemble(load_scenario(COURTYARD), seed=1, replicates=2)
    levels = list(iter_levels(ensemble, plan))
    dark = [replace(x, delivered=0.0 * x.delivered, leaving=0.0 * x.leaving) for x in levels]
    with pytest.raises(StudyError, match="nothing reaches"):
        put_together(ensemble, plan, dark)
