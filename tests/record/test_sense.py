"""What can't be in a cook's record is doubted and left out; what can be is not."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA
from scipy import stats
from typer.testing import CliRunner

from raytrace import load_scenario
from raytrace.cli import app
from raytrace.exceptions import HeatError
from raytrace.heat.heating import heat_up
from raytrace.heat.vessel import Ambient
from raytrace.reports.record.record import doubt_sentences, record_sentences
from raytrace.studies.record.balance import balance
from raytrace.studies.record.checks import heatings, slips
from raytrace.studies.record.implied import field_record
from raytrace.studies.record.light import RecordPlan, pot_and_water
from raytrace.studies.record.readings import Record, from_table, record_of
from raytrace.studies.record.sense import Readings, impossible
from raytrace.studies.record.synthetic import Invention, demo_start, invent_record, record_text

SCENARIOS = Path(__file__).parents[2] / "scenarios"
WANTED = RecordPlan(draws=4, seed=5, beams=1)
ZERO = 273.15


def scenario(*changes):
    return load_scenario(SCENARIOS / "terrace.toml", list(changes))


@pytest.fixture(scope="module")
def rows():
    """Rows of an invented record: time, water, air, sun, wind, turned."""
    case = scenario()
    record, _ = invent_record(case, demo_start(case), Invention(cleanliness=1.0), seed=5)
    lines = record_text(case, record).splitlines()
    return lines[0], [line.split(",") for line in lines[1:]]


def read(rows, *faults, **water):
    """Result of a record with faults put in: (row, column, change)."""
    head, cells = rows[0], [list(row) for row in rows[1]]
    for k, column, change in faults:
        cells[k][column] = f"{change(float(cells[k][column])):.1f}"
    text = "\n".join([head, *(",".join(row) for row in cells)]) + "\n"
    case = scenario(*water.get("changes", ()))
    return field_record(case, from_table(case, text, name="seen.csv"), WANTED)[0]


@pytest.fixture(scope="module")
def clean(rows):
    """Result of the record as it is."""
    return read(rows)


def lost(result):
    return {part.reason: len(part.pairs) for part in result.left_out if len(part.pairs)}


WATER, SUN = 1, 3


def off(*where, by):
    return [(k, WATER, lambda T: T + by) for k in where]


def test_a_clean_record_is_not_doubted(clean):
    assert doubt_sentences(clean) == []
    assert lost(clean) == {}
    assert clean.mean < clean.on_mirrors


@pytest.mark.parametrize(("by", "where"), [(-30.0, (3,)), (-45.0, (3, 4)), (45.0, (3, 4))])
def test_a_slip_of_the_thermometer_is_no_second_heating(rows, clean, by, where):
    """Readings that come back are left out; the answer stays within what it said without them."""
    result = read(rows, *off(*where, by=by))
    assert len(result.record.runs) == 1
    assert len(result.record.strange_water.time) == len(where)
    assert "thermometer had slipped" in doubt_sentences(result)[0]
    assert abs(result.mean - clean.mean) < clean.mean_se
    assert result.span == clean.span


def test_a_small_slip_costs_the_stretches_about_it(rows, clean):
    """16 K down and back: the fall alone could be, the rise can't, and neither is believed."""
    result = read(rows, *off(4, by=-16.0))
    assert lost(result)["bright"] == 1
    assert lost(result)["beside"] == 2
    assert result.span == clean.span - 900.0
    assert abs(result.mean - clean.mean) < clean.mean_se


@pytest.mark.parametrize(
    ("faults", "reason"),
    [
        ([(k, WATER, lambda T: min(T + 25.0, 97.0)) for k in range(3, 11)], "bright"),
        (off(*range(4), by=21.0), "cold"),
        ([(3, SUN, lambda _: 1400.0)], "sun"),
    ],
)
def test_what_cannot_be_is_left_out_and_counted(rows, clean, faults, reason):
    """Warm water added; cold added, too little for another heating; a pyranometer's slip."""
    result = read(rows, *faults)
    assert reason in lost(result)
    assert len(result.record.runs) == 1
    gone = sum(lost(result).values())
    words = "\n".join(doubt_sentences(result))
    assert f"{gone} of the {gone + result.counts.sum()} stretches" in words
    assert abs(result.mean - clean.mean) < np.hypot(clean.mean_se, result.mean_se)


def test_two_faults_are_both_said(rows):
    result = read(rows, *off(5, by=-30.0), (2, SUN, lambda _: 1400.0))
    words = " ".join(doubt_sentences(result))
    assert "slipped" in words
    assert "1400 W/m²" in words
    assert lost(result) == {"sun": 2}
    assert len(result.record.runs) == 1


def test_water_over_boiling_is_doubted(rows):
    result = read(rows, (7, WATER, lambda _: 104.0))
    assert "over its boiling point" in " ".join(doubt_sentences(result))
    # a thermometer that is read to 2 K may show so much
    case = scenario()
    text = "time,water_temperature_degC\n11:00,90\n11:10,100.5\n"
    assert from_table(case, text, date="2026-06-21").doubts
    assert not from_table(case, text, date="2026-06-21", reading_error=2.0).doubts


def test_more_watts_than_fall_on_the_mirrors_are_refused(rows):
    """Seven litres cannot have warmed so fast: the sun on the mirrors, on paper, is 0.9 kW.

    108 mirrors of 10 cm by 10 cm at some 25° to the sun: 1.08 m² · 0.9 · 840 W/m².
    """
    with pytest.raises(HeatError, match=r"imply [19]\d+ W .* where [89]\d\d W of sun fall"):
        read(rows, changes=("kitchen.water=7 L", "kitchen.food=0 kg"))
    with pytest.raises(HeatError, match=r"nothing in it can be believed.*1400 W/m²"):
        read(rows, *((k, SUN, lambda _: 1400.0) for k in range(len(rows[1]))))


def test_a_doubt_stands_where_the_answer_does_not_rule_it_out(rows):
    """Losses as badly known as that leave room for the sun there is; it is doubted all the same."""
    case = scenario("kitchen.water=5.6 L", "kitchen.food=0 kg")
    head, cells = rows
    text = "\n".join([head, *(",".join(row) for row in cells)]) + "\n"
    wide = RecordPlan(draws=4, seed=5, loss_error=0.9, reading_error=2.0)
    result, _ = field_record(case, from_table(case, text), wide)
    assert result.mean > result.on_mirrors > result.mean - result.half_width
    assert "can't be" in doubt_sentences(result)[0]


# rates of false doubts


def heated(watts, start, every, n, sigma, rng):
    """Readings of n pots under the same light, each with errors of its own; and the balance."""
    case = scenario()
    vessel, water = pot_and_water(case)
    time = 60 * np.arange(len(watts) + 1)
    pairs = np.stack([watts, watts], axis=-1)
    heating = heat_up(
        vessel, water, time, pairs, Ambient(295.15, 0.8, 0.4), start_temperature=start
    )
    at = np.arange(0, len(time), every)
    T = heating.temperature[0, at] + rng.normal(0.0, sigma, (n, len(at)))
    begin = int(dt.datetime(2026, 6, 21, 9, tzinfo=dt.UTC).timestamp())
    for water_read in T:
        record = Record(
            "made", begin + time[at], water_read, np.zeros(len(at), np.int64), None, {}, None, None
        )
        K = len(at)
        yield record, balance(vessel, water, record, np.full(K, 295.15), np.full(K, 0.8), 0.4)


@pytest.mark.parametrize(("watts", "start"), [(700.0, 295.15), (0.0, 360.0)])
@pytest.mark.parametrize("times", [1.0, 2.0])
def test_few_right_records_lose_a_stretch(watts, start, times):
    """At most one in a hundred, even where all sunlight on the mirrors is heat, or none at all.

    200 records each, read to 0.5 K; false alarm ALPHA. Readings with twice the errors stated
    lose more: the check can fail.
    """
    n, hit = 200, 0
    rng = np.random.default_rng(31)
    for record, found in heated(np.full(40, watts), start, 5, n, 0.5 * times, rng):
        pairs = np.ones(len(record.time) - 1, dtype=bool)
        light = np.full((2, len(pairs)), watts)
        readings = Readings(
            found, light, light, np.zeros(len(pairs)), light[0], RecordPlan(loss_error=0.0)
        )
        hit += any(len(part.pairs) for part in impossible(readings, record, pairs))
    assert (stats.binomtest(hit, n, 0.01, "greater").pvalue > ALPHA) == (times == 1.0)


@pytest.mark.parametrize("every", [2, 10])
def test_clouds_are_no_slips(every):
    """800 W or none, minute by minute as clouds pass: less than one record in a hundred loses one.

    120 records each; false alarm ALPHA. None lost any when this was written.
    """
    rng = np.random.default_rng(32)
    hit, n = 0, 120
    for _ in range(n):
        cloud = np.repeat(rng.random(12) < 0.4, rng.integers(1, 16, 12))
        ((record, _),) = heated(np.where(cloud, 0.0, 800.0), 300.0, every, 1, 0.5, rng)
        hit += bool(record_of(scenario(), record.time, record.water).strange_water.time.any())
    assert stats.binomtest(hit, n, 0.01, "greater").pvalue > ALPHA


def test_a_pot_that_is_filled_again_is_no_slip():
    time = 600 * np.arange(9)
    water = np.array([20.0, 40.0, 60.0, 80.0, 24.0, 44.0, 64.0, 84.0, 22.0])
    assert not slips(time, water).any()
    assert heatings(time, water).tolist() == [0] * 4 + [1] * 4 + [2]


def test_doubts_come_before_the_answer(rows, tmp_path):
    cells = [list(row) for row in rows[1]]
    cells[4][WATER] = f"{float(cells[4][WATER]) - 30.0:.1f}"
    seen = tmp_path / "seen.csv"
    seen.write_text("\n".join([rows[0], *(",".join(row) for row in cells)]) + "\n")
    command = ["record", str(SCENARIOS / "terrace.toml"), str(seen), "--no-files", "--draws", "4"]
    shown = CliRunner().invoke(app, command)
    assert shown.exit_code == 0, shown.output
    assert 0 < shown.stdout.index("slipped") < shown.stdout.index("The readings imply")
    facts = json.loads(CliRunner().invoke(app, [*command, "--json"]).stdout)
    assert len(facts["record"]["strange_water_K"]["time_s"]) == 1
    assert "slipped" in facts["doubts"][0]


def test_a_pot_that_stood_lukewarm_is_told_where_the_answer_stands():
    """USDA FSIS: two hours between 40 and 140 °F; one where the air is over 90 °F (from memory)."""
    minutes = np.arange(0, 181, 10)
    for air, top, words in (
        ("22 degC", 55.0, "from 10:00 to 13:00 on 21 June, more than two hours"),
        ("35 degC", 55.0, "more than one hour, in air over 32 °C"),
        ("22 degC", 80.0, ""),
    ):
        rows = (f"2026-06-21T{10 + m // 60}:{m % 60:02d},{30 + (top - 30) * m / 180:.1f}"
                for m in minutes.tolist())  # fmt: skip
        text = "\n".join(["time,water_temperature_degC", *rows]) + "\n"
        there = scenario(f"air.temperature={air}")
        record = from_table(there, text)
        result, _ = field_record(there, record, RecordPlan(draws=2))
        said = " ".join(record_sentences(result))
        assert (words in said) if words else ("stood between" not in said)
