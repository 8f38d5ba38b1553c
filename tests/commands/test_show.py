"""`cooker show`: every kind of results file again, and all that is needed to repeat it."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest
from store.test_results import Nothing
from typer.testing import CliRunner

from raytrace import Ask, ComparePlan, compare, load_scenario, read_result
from raytrace.cli import app
from raytrace.commands.again import kept_in
from raytrace.reports.kinds import KINDS
from raytrace.store.parts import parts_of
from raytrace.store.results import write_result
from raytrace.studies.trace.run import run_design

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = str(SCENARIOS / "courtyard.toml")
FEW = ["--samples", "2000", "--bins", "12", "--no-figures"]


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path


def cooker(*arguments):
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    assert result.exit_code == 0, result.output
    return result


def refused(*arguments):
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    return " ".join(result.stderr.split())


def test_a_scenario_from_results_repeats_them_to_the_bit(folder, monkeypatch):
    """Tables, --set and settings of the command line: all that decides the run comes back."""
    cooker(
        "trace", SCENARIOS / "rim-ring.toml", *FEW, "--seed", "7", "-o", "first.h5",
        "--set", "errors.setting=4 mm", "--set", "pot.diameter=20 cm",
    )  # fmt: skip
    said = cooker("show", "first.h5", "--scenario")
    assert "errors" in said.stdout
    assert 'diameter = "20 cm"' in said.stdout
    assert "It names ring-places.csv, ring-states.csv, ring-horizon.csv" in " ".join(
        said.stderr.split()
    )
    cooker("show", "first.h5", "--scenario", "-o", "again")
    names = {p.name for p in (folder / "again").iterdir()}
    assert names == {"rim-ring.toml", "ring-places.csv", "ring-states.csv", "ring-horizon.csv"}
    text = (folder / "again" / "rim-ring.toml").read_text(encoding="utf-8")
    assert text == said.stdout
    (line,) = [line for line in text.splitlines() if "Repeat: " in line]
    program, *arguments = shlex.split(line.split("Repeat: ")[1])
    assert program == "cooker"
    assert "--set" not in arguments
    monkeypatch.chdir(folder / "again")
    cooker(*arguments)
    one, other = read_result(folder / "first.h5"), read_result("results/rim-ring.h5")
    assert one.plan == other.plan
    assert one.scenario.overrides
    for name in ("power", "base_power", "area"):
        left, right = (getattr(r.moments[0].tally, name) for r in (one, other))
        assert left.tobytes() == right.tobytes(), name
    assert "there already" in refused("show", folder / "first.h5", "--scenario", "-o", ".")


def test_a_run_made_without_a_command_says_its_settings(folder):
    scenario = load_scenario(COURTYARD, ["errors.setting=1 mrad"])
    run_design(scenario, samples=2000, bins=12, path="run.h5")
    (kept,) = kept_in(Path("run.h5"))
    assert '"samples": 2000' in kept.text
    assert '"bins": 12' in kept.text
    Path("again.toml").write_text(kept.text, encoding="utf-8")
    assert load_scenario("again.toml").errors.setting == pytest.approx(1e-3)


def test_several_scenarios_come_back_into_a_folder(folder):
    first = load_scenario(COURTYARD)
    other = load_scenario(SCENARIOS / "rim-ring.toml", ["pot.diameter=20 cm"])
    plan = ComparePlan(ask=Ask(points=1, replicates=2))
    compare([first, other], plan, path="c.h5", workers=1)
    assert "compares 2 scenarios" in refused("show", "c.h5", "--scenario")
    cooker("show", "c.h5", "--scenario", "-o", "again")
    assert load_scenario("again/courtyard.toml").pot.diameter == first.pot.diameter
    assert load_scenario("again/rim-ring.toml").pot.diameter == pytest.approx(0.2)


@pytest.mark.parametrize(
    "arguments",
    [
        ["tolerance", COURTYARD, "--builds", "8", "--levels", "0, 4 mrad", "--sweep-only"],
        ["blame", COURTYARD, "--builds", "8", "--rows", "64", "--unknown-rows", "0"],
    ],
)
def test_a_study_of_ensembles_is_shown_again(folder, arguments, monkeypatch):
    made = json.loads(cooker(*arguments, "-o", "s.h5", "--no-figures", "--json").stdout)

    def never(*_, **__):
        raise AssertionError("traced")

    monkeypatch.setattr("raytrace.light.placed.trace_cases", never)
    shown = json.loads(cooker("show", "s.h5", "--json").stdout)
    assert shown == {k: v for k, v in made.items() if k != "caution"} | {"files": []}
    assert cooker("show", "s.h5").stdout.startswith(load_scenario(COURTYARD).title)
    assert "Repeat: cooker" in cooker("show", "s.h5", "--scenario").stdout
    cooker("show", "s.h5", "--scenario", "-o", "again")
    assert load_scenario("again/courtyard.toml").title == load_scenario(COURTYARD).title


def test_every_kind_names_a_command_that_exists(folder):
    names = {command.callback.__name__ for command in app.registered_commands}
    assert set(KINDS) <= names
    # a sheet is printed by its own command alone
    for command in ("", "cooker sheet mine.toml --units us"):
        write_result("s.h5", Nothing(), "sheet", {}, command=command)
        assert (command or "cooker sheet SCENARIO") in refused("show", "s.h5")


def test_what_is_no_results_file_is_told_by_what_it_is(folder):
    Path("a.csv").write_text("x\n1\n")
    assert "open in other programs" in refused("show", "a.csv")
    parts_of(Path("day.h5")).write_text("begun")
    assert "is kept in day.parts; give the same command again" in refused("show", "day.h5")
    assert "goes with --scenario" in refused("show", "a.h5", "-o", "there")
