"""Rays and the cooker's shape for other tools."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA
from scipy import stats
from typer.testing import CliRunner

from raytrace import load_scenario, run_design
from raytrace.cli import app
from raytrace.cooker.pose import posed
from raytrace.optics.tally import LINES
from raytrace.reports.trace.exported import cooker_mesh, facets_table, rays_table

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def rows(text):
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


@pytest.fixture(scope="module")
def run():
    return run_design(load_scenario(SCENARIOS / "courtyard.toml"))


def test_rays_sum_to_the_ledger(run):
    """Line by line, within a binomial's error of the rays that end there, at their greatest."""
    found = rows(rays_table(run, 30_000))
    tally = run.moments[0].tally
    power = np.array([float(row["power_W"]) for row in found])
    ends = np.array([row["ends"] for row in found])
    covered = run.cooker.pot.covered
    lines = ("shaded", "rim", "missed", "side", "base")
    sigmas = float(stats.norm.isf(0.5 * ALPHA / len(lines)))
    for line in lines:
        there = ends == line
        told = float(tally.ledger.value[LINES.index(line)])
        got = power[there].sum() * (1.0 - covered if line == "base" else 1.0)
        error = power.max() * np.sqrt(max(there.sum(), 1.0))
        assert abs(got - told) < sigmas * error
    end = np.array([[float(row[f"end_{a}_m"] or "nan") for a in "xyz"] for row in found])
    pot = run.in_pot(end[ends == "base"])
    np.testing.assert_allclose(pot[:, 2], 0.0, atol=2e-6)
    assert np.hypot(pot[:, 0], pot[:, 1]).max() <= run.cooker.pot.R + 2e-6
    assert np.isnan(end[ends == "missed"]).all()


@pytest.mark.parametrize("name", ["courtyard", "highland", "rim-ring"])
def test_bodies_are_closed_and_as_large_as_they_are(name):
    scenario = load_scenario(SCENARIOS / f"{name}.toml")
    one = run_design(scenario, samples=2000, replicates=4)
    cooker = posed(one.cooker, one.moments[0].pose)
    mesh = cooker_mesh(cooker)
    bodies = mesh.split(only_watertight=False)
    assert mesh.is_watertight
    posts = cooker.pot.posts
    assert len(bodies) == 3 * cooker.facets.present.sum() + len(posts) + 2
    left, right, near, far = cooker.extent
    board = (right - left) * (far - near) * scenario.platform.thickness
    pot = np.pi * cooker.pot.R**2 * cooker.pot.height
    glass = cooker.mirror_area * cooker.mirror.thickness
    f = cooker.facets
    reach = (f.mount[:, 2] + f.mount_radius - cooker.mirror.thickness)[f.present].sum()
    # an octagon's area by the radius of its corners
    rods = reach * 2.0 * np.sqrt(2.0) * 5e-3**2
    # 96 sides of the pot lack 0.07 % of a circle's area, 48 of a round facet 0.3 %
    stand = (posts[:, 3:] - posts[:, :3]).prod(axis=1).sum()
    assert mesh.volume == pytest.approx(board + pot + glass + rods + stand, rel=2e-3)
    table = rows(facets_table(one))
    assert [row["facet"] for row in table] == list(one.cooker.facets.label)
    n = np.array([[float(row[f"normal_{a}"]) for a in "xyz"] for row in table])
    np.testing.assert_allclose(n, one.cooker.facets.n, atol=1e-9)


def test_command_replaces_nothing(tmp_path):
    asked = ["export", str(SCENARIOS / "courtyard.toml"), "-o", str(tmp_path), "--rays", "100"]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    assert {p.name for p in tmp_path.iterdir()} == {"rays.csv", "facets.csv", "cooker.stl"}
    before = (tmp_path / "rays.csv").read_bytes()
    again = CliRunner().invoke(app, asked)
    assert again.exit_code != 0
    assert (tmp_path / "rays.csv").read_bytes() == before
