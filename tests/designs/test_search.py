"""Searching: moves, files in place, refusals, resuming, known optima, fair comparison."""

from __future__ import annotations

import csv
import datetime as dt
import json
import math
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from checks import ALPHA, apart_p
from pictures import flaws
from store.test_results import same
from stored import parts_in
from typer.testing import CliRunner

from raytrace import SearchPlan, build_cooker, read_moves, read_result, search
from raytrace.cli import app
from raytrace.exceptions import ScenarioError, StoreError
from raytrace.reports.designs.search import sentences
from raytrace.reports.designs.search_figures import figures
from raytrace.scenario.loading import load_scenario
from raytrace.sky.sun import position
from raytrace.statistics.estimate import Estimate
from raytrace.store.fingerprint import differing, fingerprint
from raytrace.store.locks import Lock
from raytrace.store.parts import parts_of
from raytrace.studies.designs.book import Book
from raytrace.studies.designs.objectives import Ask, estimate, measure
from raytrace.studies.designs.rewrite import rewritten, same_values, write_scenario
from raytrace.studies.designs.search import decides, iter_trials
from raytrace.studies.designs.search_data import MORE, Tried, best_of
from raytrace.studies.designs.variables import Move, overrides, start_of

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SHIPPED = sorted(SCENARIOS.glob("*.toml"))
COURTYARD = load_scenario(SCENARIOS / "courtyard.toml")

# -- moves ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "move"),
    [
        ("design.sun_altitude=30..60 deg", Move("design.sun_altitude", "deg", 30, 60, 1)),
        ("pot.place[2]=-900 .. -400 mm", Move("pot.place[2]", "mm", -900, -400, 0)),
        ("facets.rows=4..9", Move("facets.rows", "", 4, 9, 0, whole=True)),
        ("mirror.reflectance=80..95 %", Move("mirror.reflectance", "%", 80, 95, 2)),
        ("mirror.reflectance=0.8..0.95", Move("mirror.reflectance", "", 0.8, 0.95, 4)),
        ("facets.layout=grid, staggered", Move("facets.layout", choices=("grid", "staggered"))),
        ("facets.width=60, 4 in, 80 mm", Move("facets.width", choices=("60 mm", "4 in", "80 mm"))),
        (
            "errors.rig.corrected_marks=true,false",
            Move("errors.rig.corrected_marks", choices=("true", "false")),
        ),
        (
            "pot.place=[0 mm, -600 mm], [0 mm, -700 mm]",
            Move("pot.place", choices=("[0 mm, -600 mm]", "[0 mm, -700 mm]")),
        ),
        ("air.temperature=10..30 degC", Move("air.temperature", "degC", 10, 30, 2)),
    ],
)
def test_moves_are_read_and_both_ends_can_be_set(text, move):
    (got,) = read_moves(COURTYARD, [text])
    assert got == move
    for value in move.choices or (move.low, move.high):
        COURTYARD.varied(overrides([got], {got.key: value}))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("design.sun_altitud=30..60 deg", "Nearest: design.sun_altitude"),
        ("design.sun_altitude", "write KEY=LOW..HIGH"),
        ("design.sun_altitude=0..60 deg", "1 deg to 90 deg"),
        ("design.sun_altitude=60..30 deg", "must rise"),
        ("design.sun_altitude=30..60", "no unit"),
        ("design.sun_altitude=30 deg..1 rad", "same unit"),
        ("facets.rows=4..1001", "1 to 1000"),
        ("facets.rows=4.5..9", "whole numbers"),
        ("facets.rows=4", "one value is no choice"),
        ("facets.rows=4, 4", "twice"),
        ("facets.layout=grid..staggered", "no range"),
        ("facets.layout=grid, stagered", 'Nearest: "staggered"'),
        ("pot.place[3]=1..2 mm", "2 values"),
        ("facets.rows[1]=1..2", "no list"),
        ("aim.zones[1].sun_altitude=30..50 deg", "no [[aim.zones]]"),
    ],
)
def test_moves_that_cannot_be_are_refused(text, words):
    with pytest.raises(ScenarioError) as caught:
        read_moves(COURTYARD, [text])
    assert words in str(caught.value)


def test_all_bad_moves_are_told_at_once():
    with pytest.raises(ScenarioError) as caught:
        read_moves(COURTYARD, ["facets.row=1..2", "pot.heigt=1..2 m", "pot.height=1..2 m"] * 2)
    assert len(caught.value.problems) == 5  # two unknown keys twice, one moved twice


def test_start_values_come_from_the_scenario_with_its_defaults():
    (rows, pitch, share, temperature) = read_moves(
        COURTYARD.varied(["facets.pitch_x="]),
        [
            "facets.rows=2..9",
            "facets.pitch_x=4..5 in",
            "pot.support.covers=0..50 %",
            "air.temperature=10..30 degC",
        ],
    )
    scenario = COURTYARD.varied(["facets.pitch_x="])
    assert start_of(scenario, rows) == 6
    assert start_of(scenario, pitch) == pytest.approx(108.0 / 25.4)  # size + 8 mm
    assert start_of(scenario, share) == pytest.approx(4.0)
    assert start_of(scenario, temperature) == pytest.approx(24.0)
    assert start_of(scenario, Move("facets.rows", low=7, high=9, whole=True)) is None


def test_a_zone_starts_from_what_it_takes_where_it_says_nothing():
    school = load_scenario(SCENARIOS / "school-kitchen.toml")
    altitude, offset = read_moves(
        school,
        ["aim.zones[1].sun_altitude=40..75 deg", "aim.zones[2].offset[2]=-60..60 mm"],
    )
    assert school.aim.zones[0].sun_altitude is None
    assert start_of(school, altitude) == pytest.approx(math.degrees(school.design.sun_altitude))
    assert start_of(school, offset) == pytest.approx(1e3 * school.aim.zones[1].offset[1])
    bare = school.varied(["aim.zones[2].offset=", "aim.zones[2].sun_altitude=50 deg"])
    assert start_of(bare, offset) == pytest.approx(1e3 * bare.aim.offset[1])


def test_a_value_of_a_list_is_set_alone():
    assert COURTYARD.varied(["pot.place[2]=-700 mm"]).pot.place == pytest.approx((0.0, -0.7))
    # a list that the file leaves out starts from its default
    assert COURTYARD.varied(["aim.offset[1]=5 mm"]).aim.offset == pytest.approx((0.005, 0.0))
    for wrong in ("pot.place[3]=1 mm", "pot.place[2]=", "pot.place[1]=5 deg"):
        with pytest.raises(ScenarioError, match=r"pot\.place"):
            COURTYARD.varied([wrong])


# -- the scenario's text, in place ---------------------------------------------------------------


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_a_written_scenario_reads_back_the_same_and_keeps_its_comments(path, tmp_path):
    scenario = load_scenario(path).varied(
        [
            "design.sun_altitude=41.5 deg",
            "pot.place[2]=-712 mm",
            "aim.offset[2]=4 mm",  # not in all files
            "errors.pot.bias[3]=2 mm",
            "platform.margin=",  # taken out
            "kitchen.lid=true",
        ]
    )
    out = tmp_path / "below" / "found.toml"
    write_scenario(scenario, out, note="Found.")
    text = out.read_text()
    assert text.startswith("# Found.\n")
    assert same_values(load_scenario(out), scenario)
    comments = [line.partition("#")[2] for line in scenario.text.splitlines() if "#" in line]
    assert all(comment in text for comment in comments if "margin" not in comment)
    # all but what was set is as it was, in its order
    kept = [line for line in scenario.text.splitlines() if line in text.splitlines()]
    assert len(kept) > len(scenario.text.splitlines()) - 12


def test_a_comment_beside_a_changed_value_says_of_which_value_it_speaks():
    text = rewritten(COURTYARD.varied(["facets.rows=7", "design.sun_altitude=42.0 deg"]), Path())
    assert "# was 6: row A is nearest the sun" in text
    assert '# was "42 deg": mid-morning' in text
    # one that is beside what stays speaks as it did
    assert text.count("# was") == 2
    assert "# square: height is left out" in text
    places = COURTYARD.varied(["pot.place[2]=-700 mm"])
    assert '# was ["0 mm", "-650 mm"]: behind the board' in rewritten(places, Path())
    assert rewritten(COURTYARD, Path()) == COURTYARD.text
    pan = load_scenario(SCENARIOS / "rim-ring.toml").varied(["kitchen.lid=true"])
    assert "# was false: an open pan" in rewritten(pan, SCENARIOS)


def test_scenarios_that_differ_are_told_apart():
    assert same_values(COURTYARD, COURTYARD.varied(["facets.pitch_x=0.108 m"]))
    assert not same_values(COURTYARD, COURTYARD.varied(["facets.pitch_x=109 mm"]))
    ring = load_scenario(SCENARIOS / "rim-ring.toml")
    assert not same_values(ring, ring.varied(["site.horizon="]))
    assert "108 mm" in rewritten(COURTYARD, Path())


# -- searching -----------------------------------------------------------------------------------

SMALL = COURTYARD.varied(["facets.rows=2", "facets.columns=3"])
ALTITUDE, PLACE = "design.sun_altitude=30..60 deg", "pot.place[2]=-900..-500 mm"


def plan_for(*moves, goals=("watts",), scenario=SMALL, seed=1, **ask):
    ask = Ask(outcomes=goals, **{"replicates": 4, **ask})
    return SearchPlan(tuple(read_moves(scenario, moves)), ask, seed)


def tried_by(plan, trials, *, scenario=SMALL, **options):
    book = Book(scenario, plan, {})
    return list(iter_trials(scenario, book, trials=trials, **options))


def stopped(plan, count, **options):
    """Have Ctrl-C end a search after so many designs."""

    def step(done, total):
        if done == count:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        search(SMALL, plan, progress=step, **options)


def test_the_same_search_finds_the_same_and_another_seed_looks_elsewhere():
    plan = plan_for(ALTITUDE, PLACE)
    first, second = tried_by(plan, 24), tried_by(plan, 24, threads=1)
    assert first == second
    assert first[0].values == {"design.sun_altitude": 42.0, "pot.place[2]": -650.0}  # the start
    other = tried_by(plan_for(ALTITUDE, PLACE, seed=2), 24)
    assert [t.values for t in other] != [t.values for t in first]


@pytest.mark.parametrize("stops", [(7, 19), (1, 2, 21), (11,)])
def test_a_search_that_was_stopped_goes_on_as_if_nothing_had_been(tmp_path, stops):
    """Among the designs that are given, and among those that are learnt."""
    plan, path = plan_for(ALTITUDE, "facets.rows=2..6"), tmp_path / "new" / "a.h5"
    for count in stops:
        stopped(plan, count, trials=22, path=path)
        assert not path.exists()
        assert parts_in(parts_of(path)) == count
    same(search(SMALL, plan, trials=22, path=path), search(SMALL, plan, trials=22))
    assert not parts_of(path).exists()


def test_a_search_is_gone_on_from_with_more_trials(tmp_path, monkeypatch):
    plan, path = plan_for(ALTITUDE, "facets.rows=2..6"), tmp_path / "a.h5"
    whole = search(SMALL, plan, trials=14)
    first = search(SMALL, plan, trials=6, path=path)
    assert first.tried == whole.tried[:6]
    stopped(plan, 9, trials=14, path=path)
    same(search(SMALL, plan, trials=14, path=path), whole)
    monkeypatch.setattr("raytrace.studies.designs.search.measure", None)
    same(search(SMALL, plan, trials=5, path=path), whole)  # nothing left to do


def test_a_results_file_reads_back_the_same_and_opens_as_xarray(tmp_path):
    path = tmp_path / "a.h5"
    plan = plan_for("facets.rows=2..15", "facets.layout=grid, staggered", goals=("watts", "cost"))
    found = search(SMALL, plan, trials=12, path=path)
    same(read_result(path), found)
    assert read_result(path).found[0].scenario == found.found[0].scenario
    with xr.open_dataset(path) as data:
        assert data.watts.attrs["units"] == "W"
        assert data.cost.attrs["units"] == "MXN"
        assert data["facets.rows"].values.tolist() == [t.values["facets.rows"] for t in found.tried]
        assert data["facets.layout"].values.tolist() == found.values["facets.layout"].tolist()
        assert data["gain.watts_se"].dims == ("found",)
        refused = [bool(t.refused) for t in found.tried]
        assert np.isnan(data.watts.values).tolist() == refused


def test_a_design_that_the_disk_has_spoilt_is_tried_again(tmp_path):
    plan, path = plan_for(ALTITUDE, "facets.rows=2..6"), tmp_path / "a.h5"
    stopped(plan, 11, trials=12, path=path)
    parts = parts_of(path)
    data = parts.read_bytes()
    at = data.index(b'"part":"5"') + 40
    parts.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
    same(search(SMALL, plan, trials=12, path=path), search(SMALL, plan, trials=12))


def test_what_is_of_another_search_is_left_alone(tmp_path):
    path = tmp_path / "a.h5"
    search(SMALL, plan_for(ALTITUDE), trials=2, path=path)
    for plan, scenario, words in [
        (plan_for(ALTITUDE, PLACE), SMALL, "changed since: moves"),
        (plan_for(ALTITUDE, replicates=8), SMALL, "replicates: 4 there, 8 now"),
        (plan_for(ALTITUDE), SMALL.varied(["facets.rows=3"]), r"set over courtyard\.toml: "),
    ]:
        before = path.read_bytes()
        with pytest.raises(StoreError, match=words):
            search(scenario, plan, trials=2, path=path)
        assert path.read_bytes() == before
    other = search(SMALL, plan_for(ALTITUDE, PLACE), trials=2, path=path, overwrite=True)
    same(read_result(path), other)


def test_a_file_to_choose_from_that_was_replaced_is_noticed(tmp_path):
    for name in ("a.epw", "b.epw"):
        (tmp_path / name).write_text("hours")
    (tmp_path / "cooker.toml").write_text(COURTYARD.text)
    own = load_scenario(
        tmp_path / "cooker.toml", ['sky.dni="weather file"', 'sky.weather_file="a.epw"']
    )
    plan = plan_for("sky.weather_file=a.epw, b.epw", scenario=own)
    before = fingerprint("search", **decides(own, plan))
    assert differing(before, fingerprint("search", **decides(own, plan))) == []
    (tmp_path / "b.epw").write_text("other hours")
    assert differing(before, fingerprint("search", **decides(own, plan))) == [
        "changed since: b.epw"
    ]


def test_a_search_has_one_writer(tmp_path):
    """A second search is refused while the first runs, and no byte is changed."""
    plan, path = plan_for(ALTITUDE), tmp_path / "a.h5"
    stopped(plan, 1, trials=2, path=path)
    before = parts_of(path).read_bytes()
    with Lock(parts_of(path)):
        for overwrite in (False, True):
            with pytest.raises(StoreError, match="another process is writing to it"):
                search(SMALL, plan, trials=2, path=path, overwrite=overwrite)
    assert parts_of(path).read_bytes() == before
    same(search(SMALL, plan, trials=2, path=path), search(SMALL, plan, trials=2))


def test_designs_that_cannot_be_built_are_refused_as_the_loader_does_it():
    plan = plan_for("facets.pitch_x=30..120 mm", "pot.base_height=20..200 mm")
    study = search(SMALL, plan, trials=24)
    for one in study.tried:
        why = ""
        try:
            build_cooker(SMALL.varied(overrides(plan.moves, one.values)))
        except ScenarioError as error:
            why = str(error.problems[0])
        assert one.refused == why
        assert bool(one.figures) == bool(one.se) == (not why)
    counts = [count for _, count, _ in study.refused_for]
    assert counts == sorted(counts, reverse=True)
    assert sum(counts) == sum(bool(t.refused) for t in study.tried) > 3
    assert {key for key, _, _ in study.refused_for} >= {"pot.base_height"}
    assert not study.found[0].tried.refused


def test_where_every_design_is_refused_there_is_nothing_to_find():
    plan = plan_for("pot.base_height=1..30 mm")
    study = search(SMALL, plan, trials=12)
    assert study.found == ()
    (words,) = sentences(study)
    assert words.startswith("Nothing found: all 12 designs were refused")
    assert "the base faces down" in words


def test_a_few_designs_are_tried_once_each_and_the_search_ends():
    plan = plan_for("facets.rows=1..3", "facets.layout=grid, staggered")
    assert plan.designs == 6
    tried = tried_by(plan, 500)
    assert len({str(t.values) for t in tried}) == 6
    assert len(tried) < 500
    best = max((t for t in tried if not t.refused), key=lambda t: t.figures)
    assert best.values["facets.rows"] == 3  # more mirrors, more watts
    assert best_of(plan, tried)[0].figures == best.figures


def test_time_can_be_limited():
    assert len(tried_by(plan_for(ALTITUDE), 1000, seconds=0.0)) <= 1


def test_found_and_start_are_compared_by_fresh_samples_and_shared_luck():
    plan = plan_for(ALTITUDE, PLACE)
    study = search(SMALL, plan, trials=40)
    (found,) = study.found
    assert flaws(*figures(study).values()) == []
    figure, start, gain = found.figures[0], study.start[0], found.gain[0]
    assert float(gain) == pytest.approx(float(figure) - float(start), rel=1e-12)
    assert float(gain) > 0.0
    assert apart_p(gain, 0.0) < ALPHA
    # shared samples make the difference sharper than independent ones would
    assert float(gain.se) < math.hypot(float(figure.se), float(start.se))
    # not the samples of the search, which favour what they picked; and what others make of it
    assert float(figure) != found.tried.figures[0]
    again = measure(found.scenario, Ask(replicates=64, stream=7))["watts"]
    assert apart_p(figure, estimate(again)) > ALPHA


def test_a_move_that_changes_nothing_is_told_as_nothing_better():
    plan = plan_for("kitchen.water=1..2 L")
    study = search(SMALL, plan, trials=9)
    assert float(study.found[0].gain[0]) == float(study.found[0].gain[0].se) == 0.0
    assert sentences(study)[0].startswith("Nothing surely better than the start")


def test_a_start_that_cannot_be_built_is_told_and_left_behind():
    low = SMALL.varied(["pot.base_height=30 mm"])
    plan = plan_for("pot.base_height=20..600 mm", scenario=low)
    study = search(low, plan, trials=16)
    assert study.start == ()
    assert study.found[0].gain == ()
    told = " ".join(sentences(study))
    assert "The start itself can't be built: pot.base_height = 30 mm" in told
    assert "start's" not in told


@pytest.mark.parametrize("seed", range(5))
def test_front_agrees_with_a_library(seed):
    """Non-dominated designs against moocore's (M. López-Ibáñez and others) is_nondominated."""
    import moocore

    rng = np.random.default_rng(seed)
    plan = plan_for(ALTITUDE, goals=("watts", "cost"))
    points = rng.integers(0, 12, (60, 2)).astype(float)  # with ties
    tried = [
        Tried(k, {"design.sun_altitude": 30.0 + 0.1 * k}, tuple(p), (0.0, 0.0))
        for k, p in enumerate(points)
    ]
    tried.append(Tried(60, {"design.sun_altitude": 59.0}, refused="pot.place: no."))
    front = {t.figures for t in best_of(plan, tried)}
    keep = moocore.is_nondominated(points * [-1.0, 1.0], keep_weakly=True)
    assert front == set(map(tuple, points[keep]))
    assert len(best_of(plan, tried)) == len(front)  # equals are shown once


def test_the_search_finds_the_altitude_of_the_sun_at_one_instant():
    """One facet, 5 m from the pot, at half past ten: best set for the sun's altitude just then.

    Where the beam's spread σ about the base is some 25 mrad, the cosine of incidence moves the
    peak by σ² tan(θᵢ)/2 < 0.02°, derived here; the moves' step is 0.1°. So within 0.15°. The
    altitude is that of Reda & Andreas, NREL/TP-560-34302, as pvlib has it.
    """
    date = dt.date(2026, 3, 20)
    scenario = COURTYARD.varied(
        [
            "facets.rows=1",
            "facets.columns=1",
            "pot.place=[0 m, -4 m]",
            "pot.base_height=3 m",
            "pot.stand=platform",
            "pot.support.posts=0",
            "mirror.slope_error=6 mrad",
            "errors.setting=0 mm",
            "errors.placement_xy=0 mm",
            "errors.placement_z=0 mm",
            "errors.rig.hit=0 mm",
            "errors.pointing.heading_rms=0 deg",
            "errors.pointing.tilt_rms=0 deg",
            "errors.pointing.cross_rms=0 deg",
            "errors.pot.rms=[0 mm, 0 mm, 0 mm]",
            "site.horizon=",
        ]
    )
    zone = ZoneInfo(scenario.site.timezone)
    instant = pd.DatetimeIndex([dt.datetime(2026, 3, 20, 10, 30, tzinfo=zone)])
    alpha = float(np.degrees(position(scenario.site, instant)[0][0]))
    hours = (10.5 * 3600.0 - 30.0, 10.5 * 3600.0 + 30.0)
    plan = plan_for(
        "design.sun_altitude=35..75 deg",
        goals=("season watts",),
        scenario=scenario,
        dates=(date,),
        hours=hours,
        sun_positions=1,
        beams=512,  # the search is led by 0.1 % of the watts near the peak
    )
    tried = tried_by(plan, 60, scenario=scenario)
    (best,) = best_of(plan, tried)
    assert abs(best.values["design.sun_altitude"] - alpha) < 0.15
    assert abs(42.0 - alpha) > 3.0  # where it started


@pytest.fixture
def cooker(tmp_path, monkeypatch):
    """`cooker search` in an empty folder."""
    monkeypatch.chdir(tmp_path)

    def run(*words):
        scenario = str(SCENARIOS / "courtyard.toml")
        small = ["--set", "facets.rows=2", "--set", "facets.columns=3", "--replicates", "4"]
        return CliRunner().invoke(app, ["search", scenario, *small, *words])

    return run


def test_the_command_writes_a_scenario_that_runs_and_says_how_much_better_it_is(cooker):
    words = ["--for", "watts", "--move", ALTITUDE, "--move", PLACE, "--trials", "30", "--json"]
    got = cooker(*words)
    assert got.exit_code == 0, got.output
    facts = json.loads(got.stdout)
    assert len(facts["refused"]) == 30
    n = 4 * MORE  # replicates of what is said
    gain, found = (
        Estimate(facts[name]["watts_W"][0], facts[name]["watts_se_W"][0], n)
        for name in ("gain", "again")
    )
    values = {key: texts[0] for key, texts in facts["set_to"].items()}
    assert float(gain) > 0.0
    assert apart_p(gain, 0.0) < ALPHA
    for name in facts["files"]:
        assert Path(name).stat().st_size > 0
    toml = Path("results/courtyard-search.toml")
    written = load_scenario(toml)
    assert same_values(written, SMALL.varied(values))
    assert "# was 6: row A is nearest the sun" in toml.read_text()
    # what is written yields what was said: traced once more, on its own
    again = estimate(measure(written, Ask(replicates=64, stream=7))["watts"])
    assert apart_p(again, found) > ALPHA
    rows = list(csv.DictReader(Path("results/courtyard-search.csv").read_text().splitlines()))
    assert len(rows) == 30
    assert float(rows[0]["design.sun_altitude_deg"]) == 42.0
    # the same command goes on: nothing is left to do, and the answer is the same
    more = cooker(*words)
    assert json.loads(more.stdout) == facts
    assert "nothing is computed again" in " ".join(more.stderr.split())


def test_two_searches_on_one_output_are_kept_apart(cooker):
    """While one runs, the same command is refused in words; another search takes another name."""
    words = ["--for", "watts", "--move", ALTITUDE, "--trials", "2", "--no-figures"]
    results = Path("results/courtyard-search.h5")
    with Lock(results):
        for more in ([], ["-o", "results/courtyard-search.toml"]):
            got = cooker(*words, *more)
            assert got.exit_code == 2
            assert "another process is writing to it" in " ".join(got.output.split())
    assert cooker(*words).exit_code == 0
    before = results.read_bytes()
    assert cooker(*words, "--seed", "2").exit_code == 0
    assert Path("results/courtyard-search-run2.toml").exists()
    assert results.read_bytes() == before


def test_two_goals_show_a_front_and_write_its_designs(cooker):
    got = cooker(
        "--for", "watts", "--for", "cost", "--move", "facets.rows=1..3", "--move",
        "facets.columns=2..5", "--trials", "40", "--no-figures",
    )  # fmt: skip
    assert got.exit_code == 0, got.output
    assert "none beats another in both" in " ".join(got.stdout.split())
    written = sorted(Path("results").glob("*.toml"))
    assert len(written) > 3
    facets = [load_scenario(p).facets for p in written]
    areas = [f.rows * f.columns for f in facets]
    assert areas == sorted(areas, reverse=True)  # A has the most watts, and costs the most
    assert areas[-1] == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--for", "wats", "--move", ALTITUDE], 'Nearest: "watts"'),
        (["--for", "watts", "--for", "watts", "--move", ALTITUDE], "two that differ"),
        (["--for", "boil time", "--move", ALTITUDE], "--at"),
        (["--for", "yield", "--move", ALTITUDE], "--watts"),
        (["--for", "season watts", "--move", ALTITUDE, "--hours", "15..9"], "must rise"),
        (["--for", "watts", "--move", "facets.rowz=1..3"], "Nearest: facets.rows"),
        (["--for", "watts", "--move", ALTITUDE, "-o", "mine.toml"], "left alone"),
        (["--for", "watts", "--move", ALTITUDE, "--time", "5 kg"], "duration"),
        (["--for", "watts", "--move", ALTITUDE, "--time", "-5 min"], "0 s or more"),
        (["--for", "season watts", "--move", ALTITUDE, "--to", "9999-12-31"], "1950 to 2050"),
    ],
)
def test_what_cannot_be_searched_is_refused_in_words(cooker, words, told):
    Path("mine.toml").write_text("title = 'by hand'\n")
    got = cooker(*words)
    assert got.exit_code == 2
    assert told in " ".join(got.output.replace("│", " ").split())
    assert Path("mine.toml").read_text() == "title = 'by hand'\n"
    assert not Path("results").exists() or not list(Path("results").iterdir())


def test_nothing_found_is_told_and_is_no_success(cooker):
    got = cooker(
        "--for", "watts", "--move", "pot.base_height=1..30 mm", "--trials", "4", "--no-files"
    )
    assert got.exit_code == 1
    assert "Nothing found: all 4 designs were refused" in " ".join(got.stdout.split())


def test_ctrl_c_keeps_what_was_tried(cooker, monkeypatch):
    words = ["--for", "watts", "--move", ALTITUDE, "--trials", "12", "--json"]
    whole = json.loads(cooker(*words, "--no-files").stdout)
    count = 0

    def stops(*arguments, **options):
        nonlocal count
        count += 1
        if count == 6:
            raise KeyboardInterrupt
        return measure(*arguments, **options)

    with monkeypatch.context() as patch:
        patch.setattr("raytrace.studies.designs.search.measure", stops)
        got = cooker(*words)
    assert got.exit_code == 130
    assert "give the same command to go on" in " ".join(got.stderr.split())
    assert not list(Path("results").glob("*.toml"))
    facts = json.loads(cooker(*words).stdout)
    assert {**facts, "files": []} == {**whole, "files": []}


def test_prices_that_a_scenario_leaves_out_are_called_invented():
    options = ["--for", "watts per cost", "--move", "facets.rows=3..6", "--trials", "2"]
    for name, told in (("terrace", True), ("courtyard", False)):
        command = ["search", f"scenarios/{name}.toml", *options, "--no-files"]
        got = CliRunner().invoke(app, command)
        assert got.exit_code == 0, got.output
        assert (f"invented ones: none in {name}.toml" in got.stdout) == told
