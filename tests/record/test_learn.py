"""What a record teaches: synthetic cookers whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from raytrace.commands.learned import write_learned
from raytrace.exceptions import HeatError
from raytrace.light.drawn import draw_cookers
from raytrace.studies.record.learn import LearnPlan, Pots, error_covariance, learn_record
from tests.checks import ALPHA
from tests.record.coverage import READINGS, SCENARIO, TRUTH, heated, run, template

PAIRS = np.ones(READINGS - 1, dtype=bool)
PLAN = LearnPlan(each=64, rounds=2, enough=40.0)


def record_of(scenario, *, brighter=1.0):
    """Record of one drawn cooker."""
    record = template(scenario)
    pots = Pots(scenario, record, PAIRS, replace(PLAN, seed=TRUTH))
    if brighter != 1.0:
        light = pots.light
        pots.light = lambda drawn: brighter * light(drawn)
    one = next(iter(draw_cookers(scenario, 1, seed=TRUTH)))
    return replace(record, water=heated(pots, one, np.random.default_rng(3))[0])


def test_truths_lie_anywhere_in_the_learned_law():
    """Simulation-based calibration: shares below the truth are even, Cook, Gelman & Rubin,
    J. Comput. Graph. Stat. 15 (2006) 675-692; as normal scores they spread as such do.
    """
    below, spread, before = run(6, 32)
    z = stats.norm.ppf(np.clip(below, 0.5 / 32, 1.0 - 0.5 / 32))
    assert stats.chi2.sf((z**2).sum(), len(z)) > ALPHA
    assert stats.chi2.cdf((z**2).sum(), len(z)) > ALPHA
    assert spread.mean() < before


def test_many_readings_of_one_heating_are_few_facts():
    """Ten times as many readings tell hardly more of the mean heat: a fading error's mean.

    Variance of the mean over T of noise that fades as exp(-t/tau): (2/x)(1 - (1 - exp(-x))/x)
    with x = T/tau, by integration (from memory).
    """
    record = template(SCENARIO)
    said = replace(PLAN, reading_error=0.0, sun_error=0.0)
    sd = []
    for dense in (1, 10):
        time = np.arange(record.time[0], record.time[-1] + 1, 300 // dense)
        one = replace(
            record,
            time=time,
            water=np.linspace(300.0, 340.0, len(time)),
            run=np.zeros(len(time), dtype=np.int64),
            sun={},
        )
        pairs = np.ones(len(time) - 1, dtype=bool)
        balance = Pots(SCENARIO, one, pairs, said).balance(SCENARIO)
        errors = error_covariance(one, balance, pairs, np.full(len(pairs), 100.0), said)
        sd.append(np.sqrt(errors.mean()))
    x = (record.time[-1] - record.time[0]) / said.stray_time
    exact = 100.0 * said.stray * np.sqrt(2.0 / x * (1.0 - (1.0 - np.exp(-x)) / x))
    assert sd[1] == pytest.approx(exact, rel=2e-3)
    assert sd[0] == pytest.approx(sd[1], rel=0.02)


def test_a_readings_error_moves_heat_from_stretch_to_stretch():
    """What is added before is taken behind: over all stretches only the ends' errors are left."""
    record = replace(template(SCENARIO), water=np.full(READINGS, 320.0), sun={})
    said = replace(PLAN, stray=0.0, sun_error=0.0)
    balance = Pots(SCENARIO, record, PAIRS, said).balance(SCENARIO)
    errors = error_covariance(record, balance, PAIRS, np.zeros(READINGS - 1), said)
    length = np.diff(record.time)[0]
    ends = said.reading_error * balance.capacity[0] * np.sqrt(2.0)
    inner = said.reading_error * balance.slope[0] * length * np.sqrt(READINGS)
    assert np.sqrt(errors.sum()) * length == pytest.approx(ends, abs=1.5 * inner)


def test_learned_scenario_is_narrower_and_is_read_back(tmp_path):
    record = record_of(SCENARIO)
    taught = learn_record(SCENARIO, record, PAIRS, PLAN)
    assert not any(key.startswith(("sky.", "air.")) for key in taught.joint.keys)
    assert taught.product_after[1] < taught.product[1]
    after = write_learned(SCENARIO, taught.joint, tmp_path / "mine.toml", source="seen.csv")
    assert set(after.joint.keys) == set(taught.joint.keys)
    assert after.forgotten == ()
    assert {u.key for u in after.unknowns} == {u.key for u in SCENARIO.unknowns}
    # once more from there, a record of another day: what was learned is what is known before
    again = learn_record(after, record, PAIRS, PLAN)
    assert set(again.joint.keys) >= set(after.joint.keys)
    assert again.product_after[1] < 1.1 * taught.product_after[1]


def test_a_record_that_contradicts_the_scenario_teaches_nothing():
    with pytest.raises(HeatError, match="contradicts the scenario, so nothing is learned"):
        learn_record(SCENARIO, record_of(SCENARIO, brighter=2.5), PAIRS, PLAN)


def test_nothing_to_learn_where_all_is_known():
    known = SCENARIO.varied({u.key: f"{u.law.best!r} {u.law.unit} ± 0" for u in SCENARIO.unknowns})
    with pytest.raises(HeatError, match="all numbers are known"):
        learn_record(known, template(SCENARIO), PAIRS, PLAN)
