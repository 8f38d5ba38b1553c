"""What would take more than there is, is refused before it begins, with what it would take."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from raytrace.cli import app
from raytrace.commands import needs
from raytrace.commands.needs import MOST_MEMORY, refuse_over
from raytrace.exceptions import CookerError, GeometryError
from raytrace.reports.bench.sheet_tiles import MOST_SHEETS, PLOTTER, lay_tiles

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = str(SCENARIOS / "courtyard.toml")
TALL = ("--set", "facets.mount_height=70 mm")


@pytest.mark.parametrize(
    ("command", "option"),
    [
        (["tolerance", "--steps", "1000000000"], "--steps"),
        (["tolerance", "--builds", "10000000"], "--builds"),
        (["tolerance", "--builds", "20000", "--replicates", "4096"], "--builds"),
        (["blame", "--builds", "10000000"], "--builds"),
        (["blame", "--rows", "4194304"], "--rows"),
    ],
)
def test_memory_that_nobody_has_is_refused(command, option, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    name, *options = command
    run = CliRunner().invoke(app, [name, COURTYARD, *options])
    assert run.exit_code == 2
    words = " ".join(run.output.replace("│", " ").split())
    assert option in words
    assert "GB of memory" in words or "TB of memory" in words
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_a_long_record_of_many_draws_is_refused(tmp_path, monkeypatch):
    """Three hours, a reading every ten minutes: what each draw holds, times a thousand."""
    monkeypatch.setattr(needs, "MOST_MEMORY", 5e6)
    seen = tmp_path / "seen.csv"
    rows = (f"2026-06-21T{10 + m // 60}:{m % 60:02d},{30 + m / 3:.1f}" for m in range(0, 181, 10))
    seen.write_text("\n".join(["time,water_temperature_degC", *rows]) + "\n")
    command = ["record", str(SCENARIOS / "terrace.toml"), str(seen), "--draws", "1000"]
    run = CliRunner().invoke(app, command)
    assert run.exit_code == 2
    assert "fewer draws" in " ".join(run.output.replace("│", " ").split())


def test_what_is_needed_is_said_in_round_figures():
    refuse_over(MOST_MEMORY, "--builds", "fewer builds")
    with pytest.raises(typer.BadParameter, match=r"about 3 GB .* 2 GB are the most. Give fewer"):
        refuse_over(3.1e9, "--builds", "fewer builds")
    with pytest.raises(typer.BadParameter, match="about 64 TB"):
        refuse_over(64e12, "--builds", "fewer builds")


@pytest.mark.parametrize(
    "arguments",
    [
        ["rig", "--most-hit", "1 km"],
        ["rig", "--step", "1 ms"],
        ["rig", "--step", "0 s"],
        ["spots", "--reading-error", "5 km", "seen.csv"],
        ["spots", "--build", "99999999999999999999"],
        ["window", "--build", "99999999999999999999"],
        ["record", "--build", "99999999999999999999"],
        ["sheet", "--beam", "1 km"],
        ["sheet", "--upright", "1e9 km"],
    ],
)
def test_options_have_limits(arguments):
    name, *options = arguments
    run = CliRunner().invoke(app, [name, COURTYARD, *options])
    assert run.exit_code == 2
    words = " ".join(run.output.replace("│", " ").split())
    assert options[0] in words
    assert "must be" in words or "less than or equal" in words


def test_a_template_of_a_thousand_sheets_is_refused(tmp_path, monkeypatch):
    """Platforms of 45 m come of a slip of a unit; one sheet of a plotter is another matter."""
    monkeypatch.chdir(tmp_path)
    wide = np.array([0.0, 45.0, 0.0, 2.0])
    with pytest.raises(GeometryError, match=r"45.0 by 2.0 m.*facets.pitch_x"):
        lay_tiles(wide, "a4")
    assert len(lay_tiles(wide, PLOTTER)) == 1
    assert len(lay_tiles(np.array([0.0, 4.0, 0.0, 4.0]), "a4")) < MOST_SHEETS
    command = ["sheet", COURTYARD, "--set", "facets.pitch_x=5 m", *TALL]
    run = CliRunner().invoke(app, command)
    assert isinstance(run.exception, CookerError | SystemExit)
    assert "sheets of paper" in " ".join(f"{run.output} {run.exception}".split())
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []
