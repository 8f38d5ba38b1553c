"""One facet while its glue sets: cost, ring, turn and log."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from raytrace import load_scenario
from raytrace.cli import app
from raytrace.cooker.aiming import axes, spots
from raytrace.exceptions import ScenarioError, SettingsError
from raytrace.studies.bench.one_facet import READINGS, facet_map, facet_now, order_of, so_far
from raytrace.studies.bench.readings import read_measured
from raytrace.studies.bench.set_log import (
    FALSE_ALARM,
    Entry,
    SetLog,
    add_entry,
    crept,
    open_log,
    read_log,
    take_back,
)
from raytrace.studies.bench.setting import entry_of, laser_place, work_of
from raytrace.studies.bench.sheet import SheetPlan, sheet, way
from raytrace.studies.bench.spot_geometry import spots_on_plane, target_plane
from raytrace.studies.bench.spots_data import SpotsPlan

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = SCENARIOS / "courtyard.toml"
C3 = 20  # its number
REST = SpotsPlan()


def measured(path, label, x, along, second="y", sigma=0.0):
    text = f"facet,x_mm,{second}_mm,sigma_mm\n{label},{1e3 * x},{1e3 * along},{1e3 * sigma}\n"
    return read_measured(load_scenario(path), text, REST)


# --- cost and ring ----------------------------------------------------------------------------


def test_an_exactly_set_facet_costs_nothing_and_one_off_the_pot_all_that_it_brings():
    assert measured(COURTYARD, "C3", 0.0, 0.0).labels[C3] == "C3"
    on, past = (facet_now(measured(COURTYARD, "C3", x, 0.0), C3) for x in (0.0, 0.9))
    assert float(on.cost) == 0.0
    assert on.judged == "not worth it"
    # turned away it still stands where it shades and blocks, gone it doesn't
    assert float(past.cost) == pytest.approx(float(past.brings), rel=0.1)
    assert past.judged == "worth it"
    # about its share of the whole
    whole = so_far(measured(COURTYARD, "C3", 0.0, 0.0)).whole
    assert float(past.brings) == pytest.approx(float(whole) / 54, rel=0.3)


def test_at_the_ring_a_miss_costs_what_a_turn_must_win():
    """The mean over four directions; 15 % for the straight line between the misses tried."""
    there = measured(COURTYARD, "C3", 0.0, 0.0)
    known = facet_map(there, C3)
    facet = facet_now(there, C3, known)
    ways = [(facet.ring, 0.0), (-facet.ring, 0.0), (0.0, facet.ring), (0.0, -facet.ring)]
    costs = [float(facet_now(measured(COURTYARD, "C3", *way), C3, known).cost) for way in ways]
    assert np.mean(costs) == pytest.approx(facet.least, rel=0.15)
    assert facet.least == pytest.approx(10.0 / 60.0)  # a minute, of which an hour must win 10 W


def test_a_spot_that_may_be_misread_makes_the_judgement_borderline():
    facet = facet_now(measured(COURTYARD, "C3", 0.0, 0.0), C3)
    unsure = facet_now(measured(COURTYARD, "C3", facet.ring, 0.0, sigma=0.02), C3)
    assert unsure.judged == "borderline"
    assert unsure.cost_sd > 0.1 * float(unsure.cost)


def test_what_a_misreading_may_change_is_what_tracing_those_readings_says():
    """The map's cubics against each reading traced; to 15 %, as so many readings' own spread is.

    A standard deviation of n normal draws has itself one of 1 / sqrt(2 (n - 1)): a textbook result.
    """
    sigma = 0.006
    there = measured(COURTYARD, "C3", 0.06, -0.03, sigma=sigma)
    known = facet_map(there, C3)
    here = facet_now(there, C3, known)
    z = np.random.default_rng([REST.seed, C3]).standard_normal((READINGS, 2))
    costs = []
    for shift in sigma * z:
        spot = there.spot.copy()
        spot[C3] += shift
        read = replace(there, spot=spot, sigma=0.0 * there.sigma)
        costs.append(float(facet_now(read, C3, known).cost))
    sd = np.sqrt(here.cost_sd**2 - float(here.cost.se) ** 2)
    assert sd == pytest.approx(np.std(costs, ddof=1), rel=0.15)
    assert 1.0 / np.sqrt(2.0 * (READINGS - 1)) < 0.15


# --- where the work stands --------------------------------------------------------------------


def test_work_goes_on_in_the_order_of_setting(tmp_path):
    path, scenario = tmp_path / "set.csv", load_scenario(COURTYARD)
    work = work_of(scenario, REST, path)
    assert so_far(work.measured).set == 0
    assert work.left == work.order
    assert set(work.state.values()) == {""}
    for facet, spot in ((work.order[0], (0.0, 0.0)), (work.order[1], None)):
        entry = entry_of(scenario, facet, spot)
        tried = work.tried(entry)
        add_entry(path, entry, "base")
        work = work_of(scenario, REST, path)
        assert work.state == tried.state
    assert [work.state[facet] for facet in work.order[:3]] == ["ok", "missing", ""]
    assert work.left[0] == work.order[1]
    assert work.after(work.order[1]) == work.order[2]
    assert work.after(work.order[-1]) == work.order[1]


def test_what_stands_in_the_laser_s_way_is_what_the_sheet_says():
    scenario = load_scenario(COURTYARD)
    work = work_of(scenario, REST, Path("none.csv"))
    whole = sheet(scenario, SheetPlan(rings=False))
    assert work.order == whole.order
    at_turn = dict(
        zip(whole.labels, whole.meets[:, whole.ways_named.index("at_turn")], strict=True)
    )
    for facet in work.order:
        assert way(work.meets(facet)) == at_turn[facet]
    assert any(work.meets(facet) for facet in work.order)


@pytest.mark.parametrize("name", ["courtyard", "school-kitchen", "highland", "rim-ring"])
def test_the_laser_where_it_is_said_to_stand_lights_the_mark(name):
    """A beam from there to the facet's middle, mirrored, meets the mark of a rig without bias."""
    there = work_of(load_scenario(SCENARIOS / f"{name}.toml"), REST, Path("none.csv")).measured
    facets = there.cooker.facets
    rig = replace(there.rig, altitude_bias=0.0, azimuth_bias=0.0)
    mark = spots_on_plane(there.cooker, rig, there.plane)
    for f in np.linspace(0, len(facets) - 1, 5).astype(int):
        laser = laser_place(there.cooker, there.scenario, f, 1.5)
        way = np.array(laser.place) - facets.c[f]
        light = way / np.linalg.norm(way)
        assert np.arcsin(light[2]) == pytest.approx(laser.altitude)
        assert laser.place[2] == pytest.approx(1.5) or laser.kind == "point"
        point, normal, pair = target_plane(there.cooker, there.plane)
        c, n = facets.c[f][None], facets.n[f][None]
        spot = spots(c, n, light[None], point, normal, mirror=there.cooker.mirror)[0]
        if np.isfinite(mark[f]).all():
            np.testing.assert_allclose((spot - point)[pair], mark[f], atol=1e-9)


# --- which way to turn ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "second"), [("courtyard", "y"), ("terrace", "y"), ("highland", "z")]
)
def test_the_lift_that_is_said_puts_the_spot_on_its_mark(name, second):
    """To first order: a turn of θ leaves θ of the miss, here 5 % at most."""
    path = SCENARIOS / f"{name}.toml"
    rng = np.random.default_rng(4)
    labels = measured(path, "A1", 0.0, 0.0, second).labels
    for f in rng.choice(len(labels), 2, replace=False):
        x, along = 0.03 * rng.standard_normal(2)
        mark = measured(path, labels[f], 0.0, 0.0, second).mark[f]
        if not np.isfinite(mark).all():
            continue
        there = measured(path, labels[f], mark[0] + x, mark[1] + along, second)
        facet = facet_now(there, int(f))
        designed = there.cooker.facets
        n = there.n[f]
        u, v = (a[0] for a in axes(n[None]))
        # lifting an edge over the opposite one turns the normal away from that edge
        right, ahead = facet.lift
        n = n - right / (2 * designed.half_u[f]) * u * np.sign(u[0])
        n = n - ahead / (2 * designed.half_v[f]) * v * np.sign(v[1])
        normals = there.n.copy()
        normals[f] = n / np.linalg.norm(n)
        turned = replace(designed, n=normals)
        plane = "base" if second == "y" else "upright"
        spot = spots_on_plane(there.cooker, there.rig, plane, facets=turned)[f]
        assert np.hypot(*(spot - mark)) < 0.05 * facet.off
        np.testing.assert_allclose(facet.move, (-x, -along), atol=1e-6)


# --- the log ----------------------------------------------------------------------------------

TIMES = st.datetimes(dt.datetime(2020, 1, 1), dt.datetime(2040, 1, 1)).map(
    lambda t: t.replace(microsecond=0, tzinfo=dt.timezone(dt.timedelta(hours=2)))
)
PLACES = st.integers(-500_000, 500_000).map(lambda x: 1e-6 * x)
ENTRIES = st.builds(
    Entry, TIMES, st.sampled_from(["A1", "B2", "C3"]), PLACES, PLACES,
    st.integers(0, 20_000).map(lambda x: 1e-6 * x),
)  # fmt: skip


@settings(max_examples=30, deadline=None)
@given(st.lists(ENTRIES, min_size=1, max_size=6), st.sampled_from(["base", "upright"]))
def test_a_log_reads_back_as_it_was_written(tmp_path_factory, entries, plane):
    path = tmp_path_factory.mktemp("log") / "set.csv"
    for entry in entries:
        add_entry(path, entry, plane)
    back = read_log(path.name, path.read_text())
    assert back.plane == plane
    for one, two in zip(back.entries, entries, strict=True):
        assert (one.time, one.facet, one.state) == (two.time, two.facet, two.state)
        assert (one.x, one.along, one.sigma) == pytest.approx((two.x, two.along, two.sigma))


def test_a_log_that_a_spreadsheet_saved_reads_as_the_same():
    ours = "facet,x_mm,y_mm,sigma_mm,state,time\nA1,2.5,-1,2,ok,2026-03-13T09:30\n"
    theirs = "Facet;x [mm];y (cm);sigma_mm;state;time\na1;2,5;-0,1;2;ok;13.03.2026 09:30\n"
    one, two = (read_log("set.csv", text, ["A1"]) for text in (ours, theirs))
    assert [e.time for e in one.entries] == [e.time for e in two.entries]
    assert [e.facet for e in two.entries] == ["A1"]
    assert two.entries[0].along == pytest.approx(one.entries[0].along) == pytest.approx(-1e-3)
    with pytest.raises(ScenarioError, match="either way round"):
        read_log("set.csv", ours.replace("2026-03-13T09:30", "3/4/2026 9:30"))


def test_two_who_write_one_log_at_once_lose_no_row(tmp_path):
    """Two processes, each with entries of its own; the rows of each stay in its order."""
    path = tmp_path / "set.csv"
    script = (
        "import sys; from pathlib import Path; from datetime import datetime\n"
        "from raytrace.studies.bench.set_log import Entry, add_entry\n"
        "for k in range(25):\n"
        "    now = datetime(2026, 3, 1, 9, k)\n"
        "    add_entry(Path(sys.argv[1]), Entry(now, sys.argv[2], 1e-3 * k, 0.0, 0.0), 'base')\n"
    )
    both = [
        subprocess.Popen([sys.executable, "-c", script, str(path), name]) for name in ("A1", "A2")
    ]
    assert [process.wait(60) for process in both] == [0, 0]
    entries = read_log(path.name, path.read_text()).entries
    for name in ("A1", "A2"):
        assert [round(1e3 * e.x) for e in entries if e.facet == name] == list(range(25))
    assert [p.name for p in tmp_path.iterdir()] == ["set.csv"]


def test_what_is_taken_back_leaves_all_other_rows(tmp_path):
    path = tmp_path / "set.csv"
    mine, other = day(1, "A1", 0.0123456789), day(1, "A2", 0.002)
    assert take_back(path, mine, "base").entries == ()
    add_entry(path, mine, "base")
    assert take_back(path, mine, "base").entries == ()
    assert open_log(path, "base").entries == (), "a header alone is an empty log"
    add_entry(path, mine, "base")
    add_entry(path, other, "base")
    assert [e.facet for e in take_back(path, mine, "base").entries] == ["A2"]
    assert [e.facet for e in take_back(path, mine, "base").entries] == ["A2"]
    before = path.read_bytes()
    with pytest.raises(SettingsError, match="holds spots on the base plane"):
        add_entry(path, other, "upright")
    assert path.read_bytes() == before


def day(number, facet, x, sigma=1e-3, hour=9):
    zone = dt.timezone(dt.timedelta(hours=-6))
    return Entry(dt.datetime(2026, 3, number, hour, tzinfo=zone), facet, x, 0.0, sigma)


def test_what_crept_is_told_from_what_was_turned_and_from_readings():
    log = SetLog("base", (
        day(1, "A1", 0.0), day(1, "A2", 0.0), day(1, "A3", 0.05), day(1, "A3", 0.0, hour=10),
        day(2, "A1", 0.012), day(2, "A2", 0.002), day(2, "A3", 0.001), day(2, "A3", 0.05, hour=10),
    ))  # fmt: skip
    (moved,) = crept(log)
    assert moved.facet == "A1"
    assert moved.far == pytest.approx(0.012)
    assert moved.sd == pytest.approx(np.sqrt(2.0) * 1e-3)


def test_readings_alone_seldom_make_a_facet_seem_to_creep():
    """400 arrays of 54 read twice; a binomial share of 5 %, 6 standard deviations."""
    rng = np.random.default_rng(7)
    false = 0
    for _ in range(400):
        x = 1e-3 * rng.standard_normal((2, 54, 2))
        entries = [
            replace(day(k + 1, f"F{f}", x[k, f, 0]), along=x[k, f, 1])
            for k in range(2)
            for f in range(54)
        ]
        false += bool(crept(SetLog("base", tuple(entries))))
    assert abs(false / 400 - FALSE_ALARM) < 6 * np.sqrt(FALSE_ALARM * (1 - FALSE_ALARM) / 400)


# --- the command ------------------------------------------------------------------------------


def run(*arguments):
    return CliRunner().invoke(app, ["spots", str(COURTYARD), *arguments], env={"COLUMNS": "200"})


def test_facets_are_set_one_by_one_and_the_command_goes_on_with_the_log(tmp_path):
    log = tmp_path / "set.csv"
    order = order_of(measured(COURTYARD, "A1", 0.0, 0.0))
    first = run("--facet", order[0].lower(), "-4 mm, 3 mm", "--log", str(log))
    assert first.exit_code == 0, first.output
    assert first.stdout.startswith(f"Enough: {order[0]} is 5 mm off")
    assert f"Next: {order[1]}." in first.stdout
    lucky = run("--facet", "C3", "12 mm, -4 mm", "--no-files", "--log", str(tmp_path / "none.csv"))
    assert "costs nothing of its" in lucky.stdout
    aside = run("--facet", "A1", "-32 mm, 20 mm", "--no-files", "--log", str(tmp_path / "none.csv"))
    assert aside.stdout.startswith("Not yet")
    assert "and this way sooner" in aside.stdout, "38 mm off, within the ring of 62 mm"
    far = run("--facet", order[1], "6 in, 0", "--log", str(log))
    assert far.exit_code == 2
    far = run("--facet", order[1], "6 in, 0 mm", "--log", str(log), "--json")
    told = json.loads(far.stdout)
    assert told["facet"]["judged"] == "worth it"
    assert "weakens the joint" in " ".join(told["sentences"])
    run("--facet", order[1], "missing", "--log", str(log))
    on = run("--log", str(log), "--no-files")
    assert "Set so far: 1 of 54 facets" in on.stderr
    # one mark for all facets is said once; the rows stand behind --details
    assert "Set every facet so that the laser's spot lies on the base's centre." in on.stdout
    assert "F9" not in on.stdout
    assert f"Next: {order[1]}." in on.stderr
    # the log is a table of measured spots
    whole = run(str(log), "--no-files", "--json")
    assert json.loads(whole.stdout)["state"].count("missing") == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--facet", "Q9", "1 mm, 2 mm"), "no facet has this label"),
        (("--facet", "C3"), "give its spot"),
        (("--facet", "C3", "12 mm"), "two places"),
        (("--facet", "C3", "1 kg, 2 mm"), "length"),
        (("--facet", "C3", "40 km, 2 mm"), "beyond all measure"),
    ],
)
def test_what_makes_no_sense_is_told_and_not_kept(arguments, words, tmp_path):
    log = tmp_path / "set.csv"
    got = run(*arguments, "--log", str(log))
    assert got.exit_code == 2
    assert words in " ".join(got.output.replace("│", " ").split())
    assert not log.exists()


def test_a_log_that_was_spoilt_is_told_with_its_rows(tmp_path):
    log = tmp_path / "set.csv"
    log.write_text("facet,x_mm,y_mm,sigma_mm,state,time\nA1,2,x,1,ok,yesterday\n")
    got = run("--facet", "C3", "1 mm, 2 mm", "--log", str(log))
    assert got.exit_code == 2
    assert "row 2" in got.output
    assert "yesterday" in log.read_text()
