"""Courses other than boiling: Newton's cooling, an empty pan's own heat, and published figures."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from raytrace import load_scenario
from raytrace.exceptions import HeatError, ScenarioError
from raytrace.heat.heating import heat_up
from raytrace.heat.losses import losses
from raytrace.heat.vessel import Ambient, Vessel, vessel_from_scenario
from raytrace.heat.wanted import can_be_had, goal_of, sun_until
from raytrace.heat.water import water_at
from raytrace.scenario.courses import pasteurising_time

ZERO = 273.15
SEA = water_at(101325.0)
POT = Vessel(R=0.12, height=0.15, water=1.5, shell=1000.0)
STEPS = np.arange(0.0, 8 * 3600.0 + 1.0, 600.0)
TIN = "scenarios/highland.toml"


def under(watts, **options):
    return heat_up(POT, SEA, STEPS, np.full((1, len(STEPS) - 1, 2), watts), Ambient(), **options)


def test_wrapped_pot_cools_by_newtons_law():
    """dt = C(T) dT / (k (T − air)), by quadrature with water's own heat capacity."""
    loss, air = 0.5, 298.15
    open_, wrapped = under(700.0), under(700.0, rest=(600.0, loss))
    leaves = float(wrapped.boils[0]) + 600.0
    assert wrapped.boils[0] == open_.boils[0]
    T, water = wrapped.temperature[0], float(wrapped.water[0, -1])
    after = np.flatnonzero(leaves < STEPS)[[0, 3, 20, -1]]
    # it has come to the full boil within these ten minutes
    hot, start = SEA.boiling, leaves
    for k in after:

        def rate(t):
            return (POT.solid + water * float(SEA.heat_capacity(t))) / (loss * (t - air))

        assert STEPS[k] - start == pytest.approx(quad(rate, T[k], hot)[0], rel=2e-4)
        hot, start = T[k], STEPS[k]
    e = wrapped.energies
    left = e.absorbed + e.added - e.convection - e.radiation - e.evaporation - e.stored
    assert abs(left[0]) < 1e-6 * e.absorbed[0]
    # nothing is taken up or boiled off once it is wrapped
    assert e.absorbed[0] == pytest.approx(700.0 * leaves, rel=1e-6)
    assert np.ptp(wrapped.water[0, after]) == 0.0


def test_rest_counts_the_time_in_the_sun_and_that_in_the_wrap():
    got = under(700.0, rest=(600.0, 0.5), done=(348.15, 5400.0))
    over = np.flatnonzero(got.temperature[0] >= 348.15)
    assert STEPS[over[0] - 1] < got.done[0] - 5400.0 < STEPS[over[0]]
    # a better wrap never makes it later, a worse one cools before
    assert under(700.0, rest=(600.0, 0.0), done=(348.15, 5400.0)).done[0] == got.done[0]
    assert np.isnan(under(700.0, rest=(600.0, 5.0), done=(348.15, 5400.0)).done[0])


def test_empty_pan_settles_where_losses_eat_up_what_it_absorbs():
    """Absorbed = convection + radiation at the temperature that it comes to; no boil stops it."""
    scenario = load_scenario(TIN, overrides=["kitchen.wanted=fry", "kitchen.water="])
    assert scenario.kitchen.water == 0.0
    pan = vessel_from_scenario(scenario)
    ends = []
    for watts in (150.0, 400.0):
        got = heat_up(pan, SEA, [0.0, 40000.0], [[[watts, watts]]], Ambient())
        T = float(got.temperature[0, -1])
        lost = losses(pan, SEA, T, around=298.15, wind=1.0, humidity=0.5)
        assert float(lost.convection + lost.radiation) == pytest.approx(watts, rel=1e-3)
        assert got.settles[0] == pytest.approx(T, abs=0.1)
        ends.append(T)
    assert ZERO + 100.0 < ends[0] < ends[1] - 50.0


@pytest.mark.parametrize(
    ("degrees", "minutes"), [(65.0, 6.0), (70.0, 1.0), (85.0, 1.0), (64.9, np.inf)]
)
def test_pasteurising_times(degrees, minutes):
    """Ciochetti and Metcalf (1984), 65 °C for 6 min; 70 °C for 1 min as practice; from memory."""
    assert pasteurising_time(degrees + ZERO) == pytest.approx(60.0 * minutes)


@settings(max_examples=25, deadline=None)
@given(st.floats(338.15, 380.0), st.floats(0.0, 10.0))
def test_warmer_water_never_takes_longer(over, more):
    assert 60.0 <= pasteurising_time(over + more) <= pasteurising_time(over) <= 360.0


@pytest.mark.parametrize(
    ("course", "over", "after", "goal", "sun"),
    [
        ("boil", 90.0, 0.0, "boils", "boils"),
        ("simmer", 85.0, 3600.0, "done", "done"),
        ("reheat", 74.0, 15.0, "done", "done"),
        ("pasteurise", 65.0, 360.0, "done", "done"),
        ("rest", 75.0, 7200.0, "done", "boils"),
        ("bake", 160.0, 2700.0, "done", "done"),
    ],
)
def test_each_course_has_its_usual_figures(course, over, after, goal, sun):
    taken_out = [f"kitchen.{key}=" for key in ("food", "done_over", "done_after", "water")]
    scenario = load_scenario(
        TIN, overrides=[*taken_out, f"kitchen.wanted={course}", "site.altitude=0 m"]
    )
    kitchen = scenario.kitchen
    assert (kitchen.done_over - ZERO, kitchen.done_after) == pytest.approx((over, after))
    assert (goal_of(scenario), sun_until(scenario)) == (goal, sun)
    can_be_had(scenario)


@pytest.mark.parametrize(
    ("changes", "mend"),
    [
        (("wanted=bake", "water=1 L"), 'kitchen.water = "0 L"'),
        (("wanted=simmer", "water=0 L"), "takes water"),
        (("wanted=pasteurise", "food=1 kg"), "Leave the food out"),
        (("wanted=pasteurise", "food=", "done_over=60 degC"), "65 degC or more"),
        (("wanted=pasteurise", "food=", "done_over=65 degC", "done_after=2 min"), "360 s"),
        (("wanted=reheat", "done_over=60 degC"), "70 degC or more"),
        (("wanted=rest", "done_over=50 degC"), "60 degC or more"),
        (("wanted=stew",), "pasteurise"),
        (("rest_loss=1 W/K",), "rest"),
    ],
)
def test_wrong_courses_are_refused_with_the_mend(changes, mend):
    with pytest.raises(ScenarioError, match=mend):
        load_scenario(TIN, overrides=[f"kitchen.{change}" for change in changes])


def test_no_water_simmers_over_its_boiling_point():
    high = ["site.altitude=4000 m", "kitchen.wanted=simmer", "kitchen.done_over=90 degC"]
    with pytest.raises(HeatError, match=r"done_over = .8\d degC"):
        can_be_had(load_scenario(TIN, overrides=high))
