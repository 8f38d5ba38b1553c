"""When work on a built cooker is worth it: closed forms."""

from __future__ import annotations

from pathlib import Path

import pytest

from raytrace import load_scenario
from raytrace.exceptions import ScenarioError
from raytrace.studies.bench.worth import Worth, worth_of

COURTYARD = Path(__file__).parents[2] / "scenarios" / "courtyard.toml"


def test_a_gain_is_held_against_the_work_that_it_takes():
    worth = Worth(redo_work=720.0, nudge_work=60.0, hour_wins=10.0, wanted=None)
    assert worth.work(3) == 2160.0
    assert worth.least(3) == pytest.approx(6.0)
    assert worth.judge(6.1, 0.0, 3) == "worth it"
    assert worth.judge(5.9, 0.0, 3) == "not worth it"
    assert worth.judge(8.0, 1.5, 3) == "borderline"
    assert worth.judge(4.0, 1.5, 3) == "borderline"
    assert worth.judge(9.1, 1.5, 3) == "worth it"
    assert worth.judge(2.9, 1.5, 3) == "not worth it"


def test_work_that_takes_no_time_needs_a_gain_that_is_clear_of_none():
    worth = Worth(redo_work=720.0, nudge_work=60.0, hour_wins=10.0, wanted=None)
    assert worth.judge(0.0, 0.0, 0) == "not worth it"
    assert worth.judge(1.0, 0.4, 0) == "worth it"
    assert worth.judge(1.0, 0.6, 0) == "borderline"


def test_a_scenario_says_what_it_wants():
    plain = worth_of(load_scenario(COURTYARD))
    assert (plain.redo_work, plain.hour_wins, plain.wanted) == (720.0, 10.0, None)
    assert not plain.enough(1e6)
    own = ["workshop.redo_work=20 min", "workshop.hour_wins=6 W", "workshop.wanted=0.3 kW"]
    worth = worth_of(load_scenario(COURTYARD, own))
    assert worth.least() == pytest.approx(2.0)
    assert not worth.enough(299.0)
    assert worth.enough(300.0)
    with pytest.raises(ScenarioError, match="hour_wins"):
        load_scenario(COURTYARD, ["workshop.hour_wins=3 min"])
