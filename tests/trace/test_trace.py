"""The answer `cooker trace` begins with: what such cookers deliver, then what this one does."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from raytrace import load_scenario, read_result, run_at, run_design
from raytrace.cli import app
from raytrace.reports.trace.tables import run_sentences
from raytrace.studies.trace.run import TracePlan, builds_like

COURTYARD = Path(__file__).parents[2] / "scenarios" / "courtyard.toml"


def test_builds_at_a_moment_are_those_that_runs_trace():
    """Each by its own trace of far more beams: within the coarse tracing's error."""
    scenario = load_scenario(COURTYARD)
    run = run_design(scenario)
    builds = builds_like(run, 6)
    own = [float(run_design(scenario, build=k).moments[0].tally.delivered) for k in range(6)]
    assert np.ptp(own) > 2.0
    np.testing.assert_allclose(builds, own, rtol=5e-3)


def test_builds_follow_the_sun_of_the_moment():
    scenario = load_scenario(COURTYARD)
    low = run_at(scenario, "2026-03-20T08:30")
    mean = builds_like(low, 40).mean()
    assert mean == pytest.approx(float(low.moments[0].tally.delivered), rel=0.25)
    assert mean < 0.7 * builds_like(run_design(scenario), 40).mean()


def test_digits_are_no_finer_than_builds_differ():
    run = run_design(load_scenario(COURTYARD))
    spread = replace(run, builds=np.random.default_rng(1).normal(204.9, 3.3, 200))
    words = " ".join(run_sentences(spread))
    assert words.startswith("Delivered: 20")
    assert "mean and spread over 200 cookers" in words
    assert f"{float(run.moments[0].tally.delivered):.1f} W" in words
    assert f"{float(run.moments[0].tally.delivered):.2f}" not in words
    assert "do not differ" in run_sentences(replace(run, builds=np.full(200, 209.97)))[1]


def test_the_spread_is_kept_with_the_run(tmp_path):
    path = tmp_path / "run.h5"
    run = run_design(load_scenario(COURTYARD), builds=5, path=path)
    np.testing.assert_array_equal(read_result(path).builds, run.builds)
    assert run.builds is not None
    assert run.builds_mean == run.builds.mean()
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
