"""The answer `cooker trace` begins with: what such cookers deliver, then what this one does."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from raytrace import load_scenario, read_result, run_at, run_design
from raytrace.cli import app
from raytrace.reports.trace.tables import run_sentences
from raytrace.statistics.likely import likely_of
from raytrace.studies.trace.run import TracePlan, expected_of

COURTYARD = Path(__file__).parents[2] / "scenarios" / "courtyard.toml"


def test_what_is_expected_follows_the_sun_of_the_moment():
    scenario = load_scenario(COURTYARD)
    low = run_at(scenario, "2026-03-20T08:30")
    found = expected_of(low, draws=32)
    assert found.mean == pytest.approx(float(low.moments[0].tally.delivered), rel=0.25)
    assert found.mean < 0.7 * expected_of(run_design(scenario), draws=32).mean


def test_digits_are_no_finer_than_the_interval():
    run = run_design(load_scenario(COURTYARD))
    draws = np.random.default_rng(1).normal(204.9, 17.3, 256)
    known = likely_of(draws, dict.fromkeys(("inputs", "builds", "uses"), draws))
    words = " ".join(run_sentences(replace(run, expected=known)))
    assert re.match(r"Delivered: 20\d W; 1\d\d to 2\d\d W for a cooker", words)
    assert f"Build 0, below: {float(run.moments[0].tally.delivered):.0f} W." in words
    assert "to" not in run_sentences(run)[0]  # nothing was drawn


def test_what_is_expected_is_kept_with_the_run(tmp_path):
    path = tmp_path / "run.h5"
    run = run_design(load_scenario(COURTYARD), draws=8, path=path)
    assert run.expected is not None
    assert read_result(path).expected == run.expected
    done = CliRunner().invoke(app, ["show", str(path)])
    assert run_sentences(run)[0][:25] in done.output


def test_rays_are_not_given_the_number_of_beams():
    """A scenario's number of samples is of its own estimator."""
    scenario = load_scenario(COURTYARD)
    assert scenario.trace.samples == 65_536
    assert TracePlan.of(scenario).samples == 65_536
    assert TracePlan.of(scenario, estimator="rays").samples is None
    assert TracePlan.of(scenario, estimator="rays", samples=5000).samples == 5000


def test_maps_that_would_fill_the_memory_are_refused():
    asked = ["trace", str(COURTYARD), "--day", "2026-03-20", "--bins", "1024", "--no-files"]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 2
    assert "GB of memory" in done.output
    assert "--bins" in done.output
    assert CliRunner().invoke(app, [*asked[:2], "--replicates", "5000"]).exit_code == 2
