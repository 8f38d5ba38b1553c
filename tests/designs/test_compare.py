"""Comparing designs: which there are, sharp differences, fronts, and work that survives."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import moocore
import numpy as np
import pytest
import xarray as xr
from pictures import flaws
from rich.console import Console
from scipy.stats import qmc
from store.test_results import same
from stored import parts_in
from typer.testing import CliRunner

from raytrace import ComparePlan, compare, load_scenario, read_factors, read_result, to_dataset
from raytrace.cli import app
from raytrace.exceptions import ScenarioError, SettingsError, StudyError
from raytrace.reports.common.style import save_figures
from raytrace.reports.designs.compare import compare_tables, sentences
from raytrace.reports.designs.compare_figures import figures
from raytrace.store.parts import parts_of
from raytrace.studies.designs.compare import iter_chunks, put_together
from raytrace.studies.designs.compare_plan import designs_of, sample_points
from raytrace.studies.designs.comparison import pareto
from raytrace.studies.designs.factors import Factor
from raytrace.studies.designs.objectives import Ask, estimate, is_priced, measure
from raytrace.studies.designs.variables import Move

COURTYARD = "scenarios/courtyard.toml"
TERRACE = "scenarios/terrace.toml"
KITCHEN = "scenarios/school-kitchen.toml"
ASK = Ask(outcomes=("watts", "cost", "watts per cost"), points=2, replicates=4)


@pytest.fixture(scope="module")
def courtyard():
    return load_scenario(COURTYARD)


@pytest.fixture(scope="module")
def grid(courtyard):
    """Rows 3 to 5 and 15, of which 15 runs into the pot's legs; three widths."""
    factors = read_factors(
        courtyard, ["facets.rows=3, 4, 5, 15", "facets.width=60..100 mm step 20"]
    )
    return compare(courtyard, ComparePlan(factors, ASK), workers=1)


# --- which designs there are ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "levels"),
    [
        ("facets.rows=3..6", ("3", "4", "5", "6")),
        ("facets.rows=3..9 step 3", ("3", "6", "9")),
        ("facets.rows=3,5,7", ("3", "5", "7")),
        ("facets.width=60..100 mm", ("60.0 mm", "70.0 mm", "80.0 mm", "90.0 mm", "100.0 mm")),
        ("facets.width=60..100 mm step 20 mm", ("60 mm", "80 mm", "100 mm")),
        ("facets.width=2..3 in step 0.25", ("2.00 in", "2.25 in", "2.50 in", "2.75 in", "3.00 in")),
        ("facets.width=60, 75 mm", ("60 mm", "75 mm")),
        ("facets.layout=grid, staggered", ("grid", "staggered")),
        ("pot.place[2]=-700..-600 mm step 50 mm", ("-700 mm", "-650 mm", "-600 mm")),
        ("mirror.reflectance=0.8..0.9 step 0.05", ("0.80", "0.85", "0.90")),
        ("design.sun_altitude=30..50 deg step 7 deg", ("30 deg", "37 deg", "44 deg")),
    ],
)  # fmt: skip
def test_lists_and_ranges_are_read_with_their_units(courtyard, text, levels):
    (factor,) = read_factors(courtyard, [text])
    assert factor.levels == levels
    for level in levels:
        courtyard.varied({factor.key: level})


@pytest.mark.parametrize(
    ("texts", "found"),
    [
        (["facets.rowz=3..6"], "Nearest: facets.rows"),
        (["facets.width=60..100"], "no unit"),
        (["facets.width=60..100 mm step 2 cm"], "write the step in mm"),
        (["facets.width=60..100 mm step 50 mm"], "at most 40 mm"),
        (["facets.width=60..100 mm step -1 mm"], "over 0"),
        (["facets.rows=3..6 step 0.5"], "over 0"),
        (["facets.width=60..100 mm step 1e-3"], "10 000 levels"),
        (["facets.rows=6..3"], "must rise"),
        (["facets.rows=3..4", "facets.rows=5..6"], "moved twice"),
        (["facets.layout=grid..staggered"], "no range of this"),
        (["facets.rows"], "KEY="),
        (["mirror.reflectance=0.5..1.5"], "must lie in 0 to 1"),
    ],
)
def test_what_can_not_be_varied_is_told(courtyard, texts, found):
    with pytest.raises(ScenarioError, match=found):
        read_factors(courtyard, texts)


def test_a_grid_has_every_combination_and_each_scenario_has_it(courtyard):
    factors = read_factors(courtyard, ["facets.rows=3..5", "facets.layout=grid, staggered"])
    designs = designs_of(ComparePlan(factors, ASK), 2)
    assert [d.number for d in designs] == list(range(1, 13))
    assert [d.scenario for d in designs] == [0] * 6 + [1] * 6
    assert len({(d.scenario, d.values) for d in designs}) == 12
    assert designs_of(ComparePlan((), ASK), 3)[2].values == ()


def test_a_sample_has_as_many_designs_as_asked_and_no_two_alike(courtyard):
    factors = read_factors(
        courtyard, ["facets.rows=3..9", "facets.width=60..100 mm", "facets.layout=grid, staggered"]
    )
    designs = designs_of(ComparePlan(factors, ASK, sample=100))
    values = [d.values for d in designs]
    assert len(set(values)) == len(values) == 100
    rows = np.array([int(v[0]) for v in values])
    assert set(rows) == set(range(3, 10))
    assert designs_of(ComparePlan(factors, ASK, sample=100)) == designs
    assert designs_of(ComparePlan(factors, ASK, sample=100, seed=2)) != designs
    # no more than there are
    assert len(designs_of(ComparePlan(factors[:1], ASK, sample=50))) == 7


def test_a_sample_fills_the_space_better_than_chance():
    """Centred discrepancy (scipy.stats.qmc) below the least of 200 random samples of its size.

    F. J. Hickernell, A generalized discrepancy and quadrature error bound, Math. Comp. 67 (1998).
    Chance alone would pass once in 201 tries at each size.
    """
    rng = np.random.default_rng(1)
    for count, dimensions in ((40, 2), (64, 4), (200, 5), (1000, 3)):
        points = sample_points(count, dimensions, seed=1)
        assert points.shape == (count, dimensions)
        assert (points >= 0.0).all()
        assert (points < 1.0).all()
        chance = min(qmc.discrepancy(rng.random((count, dimensions))) for _ in range(200))
        assert qmc.discrepancy(points) < chance


def test_plans_that_make_no_sense_are_refused(courtyard):
    factors = read_factors(courtyard, ["facets.rows=3..9"])
    with pytest.raises(SettingsError, match="a sample needs"):
        ComparePlan((), ASK, sample=4)
    many = tuple(Factor(Move(f"k{k}", low=0.0, high=999.0, whole=True)) for k in range(3))
    with pytest.raises(SettingsError, match="too many"):
        ComparePlan(many, ASK)
    assert ComparePlan(factors, ASK).size == 7


# --- what comes of them -----------------------------------------------------------------------


def test_each_design_is_what_it_is_alone(courtyard, grid):
    for k in (0, 4, 8):
        design = grid.designs[k]
        changes = dict(zip(("facets.rows", "facets.width"), design.values, strict=True))
        alone = measure(courtyard.varied(changes), ASK)
        for name in ASK.outcomes:
            assert grid.numbers(name)[k].tobytes() == alone[name].tobytes()


def test_designs_that_can_not_be_built_are_kept_with_the_loaders_reason(courtyard, grid):
    assert len(grid.designs) == 12
    assert [bool(why) for why in grid.refused] == [False] * 9 + [True] * 3
    with pytest.raises(ScenarioError) as caught:
        measure(courtyard.varied({"facets.rows": "15", "facets.width": "60 mm"}), ASK)
    assert grid.refused[9] == str(caught.value.problems[0])
    assert np.isnan(grid.numbers("watts")[9:]).all()
    assert any("3 of 12 can't be built" in s for s in sentences(grid))
    assert (grid.rank > 0).tolist() == [True] * 9 + [False] * 3
    assert len(list(compare_tables(grid))) > 5


def test_nothing_that_can_be_built_is_told(courtyard, tmp_path):
    factors = read_factors(courtyard, ["facets.rows=15, 16"])
    study = compare(courtyard, ComparePlan(factors, ASK), workers=1)
    assert "2 of 2 can't be built" in sentences(study)[0]
    assert len(list(compare_tables(study))) > 2
    assert figures(study) == {}


def test_same_bits_for_one_worker_and_two_and_any_order(courtyard, grid):
    plan = grid.plan
    two = compare(courtyard, plan, workers=2)
    parts = list(iter_chunks([courtyard], plan, workers=1))
    again = put_together([courtyard], plan, parts[::-1])
    for name in ASK.outcomes:
        assert grid.numbers(name).tobytes() == two.numbers(name).tobytes()
        assert grid.numbers(name).tobytes() == again.numbers(name).tobytes()
    assert grid.refused.tolist() == two.refused.tolist() == again.refused.tolist()
    rest = list(iter_chunks([courtyard], plan, done=range(1, 11), workers=1))
    assert sorted(int(n) for part in rest for n in part["number"]) == [11, 12]
    with pytest.raises(StudyError, match="designs not done: 1, 2"):
        put_together([courtyard], plan, rest)


def test_differences_state_their_own_error(grid):
    """Shared random draws: rows added to rows that are there leave little to chance."""
    ranked = grid.ranked("watts")
    assert len(ranked) == 9
    value = grid.of("watts").value
    assert (np.diff(value[ranked]) < 0.0).all()
    gap = grid.difference(int(ranked[0]), int(ranked[1]), "watts")
    assert float(gap) == pytest.approx(value[ranked[0]] - value[ranked[1]], rel=1e-12)
    alone = grid.of("watts").se[ranked[:2]]
    assert 0.0 < float(gap.se) < 0.7 * float(np.hypot(*alone))
    numbers = grid.numbers("watts")
    by_hand = estimate(numbers[ranked[0]] - numbers[ranked[1]])
    assert float(gap.se) == float(by_hand.se)
    many = grid.difference(ranked[:-1], ranked[1:], "watts")
    assert many.value.shape == (8,)
    text = sentences(grid)[0]
    assert f"design {grid.designs[ranked[0]].number} (rows 5, width 100 mm)" in text
    assert "It beats the next" in text


def test_designs_that_can_not_be_told_apart_are_said_so(courtyard):
    """A pot that is 0.1 mm taller takes no light from the base."""
    factors = read_factors(courtyard, ["pot.height=150, 150.1 mm"])
    study = compare(courtyard, ComparePlan(factors, ASK), workers=1)
    assert "Not to be told from it" in sentences(study)[0]


def test_only_what_is_surely_better_beats(courtyard):
    """Of 8 replicates 3 standard errors are no 99 % (Student's t: 3.5); 4 are."""
    factors = read_factors(courtyard, ["pot.height=150, 151 mm"])
    study = compare(courtyard, ComparePlan(factors, ASK), workers=1)
    swing = np.resize([1.0, -1.0], 8)
    for errors, beats in ((3.0, False), (4.0, True)):
        gap = np.concatenate([[errors], errors + 2.0 * swing])  # its standard error is 1
        numbers = np.stack([np.full(9, 100.0), 100.0 + gap])
        study.outcomes["watts"], study.moved["watts"] = estimate(numbers.T), numbers[:, 1:]
        assert float(study.difference(1, 0, "watts").se) == pytest.approx(1.0)
        assert ("It beats the next" in sentences(study)[0]) == beats


def test_effects_are_means_over_the_other_keys(grid):
    effect = grid.effect(0, "watts")
    assert effect.labels == ("3", "4", "5", "15")
    assert effect.count.tolist() == [3, 3, 3, 0]
    value = grid.of("watts").value[:9].reshape(3, 3)
    np.testing.assert_allclose(effect.mean.value[:3], value.mean(axis=1))
    assert np.isnan(effect.mean.value[3])
    assert effect.at.tolist() == [3.0, 4.0, 5.0, 15.0]
    np.testing.assert_allclose(grid.effect(1, "watts").mean.value, value.mean(axis=0))


def test_effects_of_a_sample_are_means_over_parts_of_the_range(courtyard):
    factors = read_factors(courtyard, ["facets.width=60..100 mm", "facets.rows=3..4"])
    plan = ComparePlan(factors, replace(ASK, outcomes=("mirror area",)), sample=48)
    study = compare(courtyard, plan, workers=1)
    effect = study.effect(0, "mirror area")
    assert effect.count.sum() == 48
    assert abs(effect.count - 8).max() <= 2  # Sobol' points fill the parts evenly
    width = np.array([factors[0].number(d.values[0]) for d in study.designs])
    area = study.of("mirror area").value
    first = area[width < 60.0 + 40.0 / 6.0].mean()
    assert effect.mean.value[0] == pytest.approx(first)
    assert study.effect(1, "mirror area").labels == ("3", "4")


def test_effects_of_a_sample_hold_that_designs_were_drawn(courtyard):
    """Over samples means vary no more than they say, which is by the spread from design to design.

    Mirror areas, which no tracing blurs. Samples fill the space evenly, so less is right.
    """
    factors = read_factors(courtyard, ["facets.width=60..100 mm", "facets.rows=3..4"])
    plan = ComparePlan(factors, replace(ASK, outcomes=("mirror area",)), sample=16)
    effects = []
    for seed in range(8):
        study = compare(courtyard, replace(plan, seed=seed), workers=1)
        effects.append(study.effect(1, "mirror area"))
        rows = [d.values[1] == "3" for d in study.designs]
        there = study.of("mirror area").value[rows]
        assert effects[-1].spread[0] == pytest.approx(there.std(ddof=1))
        assert effects[-1].mean.se[0] == pytest.approx(there.std(ddof=1) / np.sqrt(len(there)))
    means = np.array([e.mean.value[0] for e in effects])
    assert 0.0 < means.std() < np.mean([e.mean.se[0] for e in effects])
    one = compare(courtyard, replace(plan, sample=2), workers=1).effect(0, "mirror area")
    assert np.isnan(one.mean.se[one.count == 1]).all()


# --- fronts -----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_fronts_are_those_of_an_independent_library(seed):
    """Against moocore.is_nondominated, on points with and without ties."""
    rng = np.random.default_rng(seed)
    for count in (1, 2, 7, 100, 1000):
        gain, price = rng.random(count), rng.random(count)
        if seed % 2:  # coarse, so that many tie in one or both
            gain, price = np.round(8.0 * gain), np.round(8.0 * price)
        there = moocore.is_nondominated(
            np.column_stack([-gain, price]), maximise=False, keep_weakly=True
        )
        np.testing.assert_array_equal(pareto(gain, price), there)
    assert pareto(np.zeros(0), np.zeros(0)).shape == (0,)


def test_a_front_runs_from_the_cheapest_to_the_strongest(grid):
    front = grid.front("watts", "cost")
    cost, watts = grid.of("cost").value[front], grid.of("watts").value[front]
    assert (np.diff(cost) > 0.0).all()
    assert (np.diff(watts) > 0.0).all()
    assert watts[-1] == np.nanmax(grid.of("watts").value)
    assert cost[0] == np.nanmin(grid.of("cost").value)


# --- files ------------------------------------------------------------------------------------


def test_a_results_file_reads_back_the_same_and_opens_as_xarray(grid, courtyard, tmp_path):
    path = tmp_path / "grid.h5"
    kept = compare(courtyard, grid.plan, path=path, workers=1)
    same(kept, grid)
    same(read_result(path), grid)
    with xr.open_dataset(path) as data:
        np.testing.assert_array_equal(data.watts, grid.of("watts").value)
        assert data.watts.attrs["units"] == "W"
        assert data["facets.rows"].values.tolist() == [3.0] * 3 + [4.0] * 3 + [5.0] * 3 + [15.0] * 3
        assert data["facets.width"].attrs["units"] == "mm"
        assert data.watts_se.values.tobytes() == grid.of("watts").se.tobytes()
        assert data.watts_per_cost.attrs["units"] == "W/MXN"
        assert data.design.values.tolist() == list(range(1, 13))
        # half the deviation of a difference is its error, as the file says
        moved = data["moved.watts"].values
        gap = float(grid.difference(1, 0).se)
        assert 0.5 * (moved[1] - moved[0]).std() == pytest.approx(gap, rel=1e-9)


def test_ranked_by_another_outcome_it_is_the_same_study(grid, courtyard, tmp_path, monkeypatch):
    path = tmp_path / "grid.h5"
    compare(courtyard, grid.plan, path=path, workers=1)
    plan = replace(grid.plan, by="watts per cost")
    monkeypatch.setattr("raytrace.studies.designs.compare.measure", None)
    study = compare(courtyard, plan, path=path)
    same(study, replace(grid, plan=plan))
    same(read_result(path), study)
    assert study.rank.tolist() != grid.rank.tolist()


def test_figures_are_written(grid, courtyard, tmp_path):
    files = save_figures(figures(grid), tmp_path, "grid", "svg")
    assert [p.name for p, _ in files] == ["grid-effects.svg", "grid-maps.svg", "grid-front.svg"]
    for path, size in files:
        text = path.read_text()
        assert len(text.encode()) == size
        assert text.startswith("<?xml")
    assert flaws(*figures(grid).values()) == []


VARIED = ["--vary", "facets.rows=3..6", "--vary", "facets.width=60..90 mm step 10 mm"]


def run(*options):
    return CliRunner().invoke(app, ["compare", *options])


def test_a_run_that_is_killed_twice_ends_with_the_same_bits(tmp_path):
    """Ctrl-C, then kill -9 of the whole run; each next one goes on, and no design is done twice."""
    whole, broken = tmp_path / "whole.h5", tmp_path / "broken.h5"
    more = ["--also", "yield", "--watts", "100 W", "--builds", "800"]
    options = [COURTYARD, "--no-figures", *VARIED, *more]
    assert run(*options, "-o", str(whole), "--workers", "1").exit_code == 0
    parts, count = parts_of(broken), 0
    for sent in (signal.SIGINT, signal.SIGKILL):
        process = subprocess.Popen(
            [sys.executable, "-m", "raytrace.cli", "compare", *options, "-o", str(broken),
             "--workers", "2"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        before = count
        while process.poll() is None and parts_in(parts) <= before:
            time.sleep(0.01)
        assert process.poll() is None, "done before it could be stopped"
        os.killpg(process.pid, sent)
        _, err = process.communicate(timeout=30)
        if sent == signal.SIGINT:
            assert process.returncode == 130
            assert "give the same command to go on" in err
            assert "Traceback" not in err
        assert not broken.exists()
        count = parts_in(parts)
    done = run(*options, "-o", str(broken), "--workers", "1")
    assert done.exit_code == 0
    assert "finished parts; these are kept" in " ".join(done.output.split())
    same(read_result(broken), read_result(whole))
    rows = [path.with_suffix(".csv").read_text() for path in (whole, broken)]
    assert rows[0] == rows[1]
    assert not parts.exists()


def test_the_command_says_the_same_as_json_and_csv(tmp_path):
    path = tmp_path / "out.h5"
    got = run(COURTYARD, "--vary", "facets.rows=3..5", "--by", "watts per cost", "--json",
              "--workers", "1", "-o", str(path), "--figures", "svg")  # fmt: skip
    assert got.exit_code == 0, got.output
    facts = json.loads(got.stdout)
    assert facts["plan"]["by"] == "watts per cost"
    assert np.shape(facts["differences"]["watts_per_cost_W_MXN"]) == (3, 3)
    assert facts["front_of"] == ["watts", "cost"]
    with path.with_suffix(".csv").open() as file:
        rows = list(csv.DictReader(file))
    for name in ("watts_W", "watts_se_W"):
        assert [float(row[name]) for row in rows] == facts["outcomes"][name]
    assert [float(row["facets.rows"]) for row in rows] == facts["keys"]["facets.rows"] == [3, 4, 5]
    assert [int(row["rank"]) for row in rows] == facts["rank"]
    assert {Path(p).name for p in facts["files"]} == {
        "out.h5", "out.csv", "out-effects.svg", "out-front.svg"
    }  # fmt: skip
    assert all(Path(p).exists() for p in facts["files"])


def test_dates_that_are_left_out_are_stood_for(tmp_path):
    """A year by every hundredth day is a year's energy, and says how it came about."""
    got = run(COURTYARD, "--vary", "facets.rows=3, 4", "--by", "season energy", "--every", "100",
              "--set", "facets.columns=3", "--no-files", "--workers", "1", "--details")  # fmt: skip
    assert got.exit_code == 0, got.output
    said = " ".join(got.stdout.split())
    assert "4 dates, 1 January 2026 to 28 October 2026, which stand for 365 days" in said
    assert float(re.search(r"columns|rows 4\), ([\d.]+)", said)[1]) > 20.0


def test_scenarios_stand_side_by_side(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    root = Path(__file__).parents[2]
    got = run(str(root / COURTYARD), str(root / TERRACE), "--workers", "1")
    assert got.exit_code == 0, got.output
    assert "Most watts: design 2 (terrace)" in " ".join(got.stdout.split())
    assert (tmp_path / "results" / "courtyard-terrace-compare.h5").exists()
    assert (tmp_path / "results" / "courtyard-terrace-compare-designs.png").exists()
    again = run(str(root / COURTYARD), str(root / TERRACE), "--workers", "1", "--no-figures")
    assert "nothing is computed again" in " ".join(again.output.split())
    other = run(str(root / COURTYARD), str(root / TERRACE), "--workers", "1", "--no-figures",
                "--seed", "2")  # fmt: skip
    assert other.exit_code == 0
    assert (tmp_path / "results" / "courtyard-terrace-compare-run2.h5").exists()


@pytest.mark.parametrize(
    ("options", "found"),
    [
        ([COURTYARD], "one design is no comparison"),
        ([COURTYARD, "--vary", "facets.rows=3..5", "--by", "wats"], 'Nearest: "watts"'),
        ([COURTYARD, "--vary", "facets.rows=3..5", "--also", "boil time"], "--at"),
        ([COURTYARD, "--vary", "facets.rows=3..5", "--also", "yield"], "--watts"),
        ([COURTYARD, "--sample", "5"], "say what to vary"),
        ([COURTYARD, KITCHEN, "--by", "watts per cost"], "in EUR and MXN can't be compared"),
        ([COURTYARD, KITCHEN, "--also", "cost"], "in EUR and MXN can't be compared"),
        ([COURTYARD, "--vary", "cost.currency=EUR, MXN", "--by", "cost"], "EUR and MXN"),
        ([COURTYARD, "--vary", "facets.rowz=3..5"], "Nearest: facets.rows"),
        ([COURTYARD, "--vary", "facets.rows=3..5", "--hours", "15..9", "--also", "litres"], "rise"),
        ([COURTYARD, "--vary", "facets.rows=3..5", "--target-se", "0 %"], "0.001 % to 100 %"),
        ([COURTYARD, "--vary", "facets.rows=3..5", "--by", "yield", "--watts", "-5 W"], "0 W or"),
        ([COURTYARD, "--vary", "facets.rows=3..5", "--builds", "10000000000"], "equal to 100000"),
        ([COURTYARD, "--vary", "facets.rows=3..5", "--replicates", "5000"], "equal to 1024"),
        ([COURTYARD, "--vary", "facets.width=9..11 cm", "--sample", "999999"], "GB of memory"),
        (
            [
                COURTYARD,
                "--vary",
                "facets.rows=3..5",
                "--by",
                "season energy",
                "--from",
                "9999-12-01",
            ],
            "1950 to 2050",
        ),
    ],
)
def test_wrong_options_are_told_before_anything_is_traced(options, found):
    got = run(*options, "--no-files")
    assert got.exit_code == 2
    assert found in " ".join(got.output.split()).replace("│ ", "")


def test_a_scheduler_that_does_not_answer_is_told_before_anything_is_traced(monkeypatch):
    monkeypatch.setattr("raytrace.parallel.workers.PATIENCE", 0.5)
    got = run(COURTYARD, "--vary", "facets.rows=3..5", "--scheduler", "tcp://127.0.0.1:9",
              "--no-files")  # fmt: skip
    assert got.exit_code == 1  # the command is right, the cluster isn't
    assert "no scheduler answers there" in " ".join(got.output.split())
    assert "nothing is kept (--no-files)" in " ".join(got.output.split())


def test_prices_of_several_currencies_are_never_set_side_by_side(courtyard):
    euros = courtyard.varied({"cost.currency": "EUR"})
    ask = replace(ASK, points=1, replicates=2)
    plan = ComparePlan(read_factors(courtyard, ["facets.rows=3, 4"]), ask)
    study = compare([courtyard, euros], plan, workers=1)
    assert study.currency.tolist() == ["MXN", "MXN", "EUR", "EUR"]
    assert to_dataset(study).currency.values.tolist() == study.currency.tolist()
    assert study.front_of is None
    assert len(study.ranked("watts")) == 4
    for outcome in ("cost", "watts per cost"):
        with pytest.raises(StudyError, match=f"{outcome} in EUR and MXN can't be compared"):
            study.ranked(outcome)


def test_what_has_no_room_in_a_table_is_told(courtyard):
    ask = replace(ASK, outcomes=("watts", "cost", "peak flux", "season energy", "yield"),
                  points=1, sun_positions=4, replicates=2, dates=(dt.date(2026, 6, 21),),
                  reach=50.0, builds=2)  # fmt: skip
    texts = ["facets.rows=3, 4", "facets.columns=3, 4", "pot.diameter=20, 24 cm",
             "facets.width=90, 100 mm", "pot.height=14, 15 cm"]  # fmt: skip
    plan = ComparePlan(read_factors(courtyard, texts), ask, by="season energy")
    study = compare(courtyard, plan, workers=1)
    console = Console(width=80, file=io.StringIO())
    for part in compare_tables(study):
        console.print(part)
    said = " ".join(console.file.getvalue().split())
    assert "No room here, but in the table that is written: peak flux." in said
    count = len(study.front("season energy", "cost"))
    assert (f"12 of {count}; the table that is written names all" in said) == (count > 12)


def test_prices_that_a_scenario_leaves_out_are_called_invented(courtyard):
    terrace = load_scenario(TERRACE)
    assert is_priced(courtyard)
    assert not is_priced(terrace)
    assert is_priced(terrace.varied({"cost.mirror": "30"}))
    got = run(TERRACE, "--vary", "facets.rows=4, 5", "--no-files", "--workers", "1")
    assert "invented ones: none in terrace.toml" in got.stdout
    got = run(COURTYARD, "--vary", "facets.rows=4, 5", "--no-files", "--workers", "1")
    assert "invented ones" not in got.stdout
