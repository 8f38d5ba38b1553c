"""One facet while its glue sets: cost, ring, turn and log."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from raytrace import load_scenario
from raytrace.cli import app
from raytrace.cooker.aiming import axes
from raytrace.exceptions import ScenarioError
from raytrace.studies.bench.one_facet import facet_now, order_of, so_far
from raytrace.studies.bench.readings import read_measured
from raytrace.studies.bench.set_log import (
    FALSE_ALARM,
    Entry,
    SetLog,
    add_entry,
    crept,
    read_log,
)
from raytrace.studies.bench.spot_geometry import spots_on_plane
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
    facet = facet_now(measured(COURTYARD, "C3", 0.0, 0.0), C3)
    ways = [(facet.ring, 0.0), (-facet.ring, 0.0), (0.0, facet.ring), (0.0, -facet.ring)]
    costs = [float(facet_now(measured(COURTYARD, "C3", *way), C3).cost) for way in ways]
    assert np.mean(costs) == pytest.approx(facet.least, rel=0.15)
    assert facet.least == pytest.approx(10.0 / 60.0)  # a minute, of which an hour must win 10 W


def test_a_spot_that_may_be_misread_makes_the_judgement_borderline():
    facet = facet_now(measured(COURTYARD, "C3", 0.0, 0.0), C3)
    unsure = facet_now(measured(COURTYARD, "C3", facet.ring, 0.0, sigma=0.02), C3)
    assert unsure.judged == "borderline"
    assert unsure.cost_sd > 0.1 * float(unsure.cost)


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
    log = SetLog(plane)
    for entry in entries:
        log = add_entry(path, log, entry)
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
    assert "but not this way" in aside.stdout, "38 mm off, within the ring of 62 mm"
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
