"""A design at a glance: agrees with the commands, its steps add up, its intervals cover."""

import numpy as np
import pytest
from checks import ALPHA, SIGMAS, errors_p

from raytrace.light.drawn import likely_power
from raytrace.light.setup import LightSettings
from raytrace.scenario.loading import load_scenario
from raytrace.studies.cooking.pot_day import cooking_day
from raytrace.studies.designs.glance import (
    FINE,
    boil_of,
    first_glance,
    gap,
    glances,
    more_draws,
    more_light,
)
from raytrace.studies.trace.run import TracePlan, run

EXACT = ("errors.setting=0 mm", "errors.placement_xy=0 mm", "errors.placement_z=0 mm")
STILL = ("errors.pot.rms=[0 mm, 0 mm, 0 mm]", "errors.roll=0 deg", "errors.rig.hit=0 mm")
STRAIGHT = tuple(f"errors.pointing.{axis}_rms=0 deg" for axis in ("heading", "tilt", "cross"))
FEW = (*EXACT, *STILL, *STRAIGHT, "facets.rows=1", "facets.columns=2", "pot.diameter=80 mm")
FEW = (*FEW, "kitchen.water=0.2 L", "kitchen.food=0 kg")


def scenario(name="courtyard", *changes):
    return load_scenario(f"scenarios/{name}.toml", changes)


@pytest.mark.parametrize("at", [None, "2026-05-01T10:10"])
def test_the_first_numbers_are_those_of_a_trace(at):
    """Bit by bit, for the same plan: there is one way to compute them."""
    seen = first_glance(scenario("terrace"), at)
    traced = run(scenario("terrace"), seen.plan).moments[0]
    assert np.array_equal(seen.tally.power, traced.tally.power)
    assert np.array_equal(seen.tally.base_power, traced.tally.base_power)
    assert seen.moment.time == traced.time


def test_steps_add_up():
    """Each replicate is the mean of its steps by their beams: 1, 1 and 2 a facet."""
    seen = first_glance(scenario())
    steps = [seen.tally.power]
    for _ in range(2):
        before, seen = seen, more_light(seen)
        beams = seen.tally.samples_per_facet - before.tally.samples_per_facet
        whole = seen.tally.samples_per_facet
        steps.append((seen.tally.power * whole - before.tally.power * (whole - beams)) / beams)
    means = [s[:, :, -1].sum(axis=1) for s in steps]
    assert seen.tally.samples_per_facet == 4
    assert np.ptp([m.mean() for m in means]) > 0.0  # they are independent samples
    assert seen.tally.power.sum() == pytest.approx(seen.tally.incoming * 16, rel=1e-9)  # the ledger
    assert seen.tally.base_power.sum() == pytest.approx(16 * float(seen.tally.delivered), rel=1e-9)


def test_intervals_cover_what_many_more_beams_find():
    """Two facets and a small base: 24 seeds against 131 072 beams, by Student's t.

    Their own standard error is under a tenth of a glance's, and is left out.
    """
    few = scenario("courtyard", *FEW)
    long = run(few, TracePlan.of(few, samples=1 << 17, replicates=16))
    truth = long.moments[0].tally.delivered
    errors, se = [], []
    for seed in range(24):
        seen = first_glance(scenario("courtyard", *FEW, f"trace.seed={seed}"))
        seen = more_light(more_light(seen))
        errors.append(float(seen.tally.delivered) - float(truth))
        se.append(float(seen.tally.delivered.se))
    assert float(truth.se) < 0.1 * np.median(se)
    assert errors_p(np.array(errors), np.array(se), 15) > ALPHA


def test_what_may_be_expected_agrees_with_the_trace_command():
    """Mean and ends of other draws, within their standard errors."""
    seen = first_glance(scenario("terrace"))
    for _ in range(3):
        seen = more_draws(seen)
    mine, theirs = seen.drawn.likely, likely_power(scenario("terrace"), 96, seed=77)
    assert mine.count == 48
    gaps = [getattr(mine, x) - getattr(theirs, x) for x in ("mean", "low", "high")]
    errors = [
        np.hypot(getattr(mine, x), getattr(theirs, x)) for x in ("mean_se", "low_se", "high_se")
    ]
    assert np.max(np.abs(np.divide(gaps, errors))) < SIGMAS


def test_the_boil_agrees_with_the_day():
    """`cooker day` follows the same pot in steps of two minutes with other samples."""
    hot = scenario("highland")
    seen = first_glance(hot, "2026-03-20T10:00")
    mine = boil_of(seen, FINE)
    day = cooking_day(
        hot, "2026-03-20", 36000.0, settings=LightSettings.of(hot, beams=1, replicates=4)
    )
    assert np.isfinite(mine.done.value)
    # steps of two minutes leave out less than a tenth of a minute
    assert abs(mine.boils.value - day.boils.value) < 6.0 + SIGMAS * np.hypot(
        mine.boils.se, day.boils.se
    )
    assert mine.reason == day.reason == "boils"
    assert mine.boiling == day.boiling


def test_a_change_is_seen_sharper_than_the_watts():
    """Common random numbers: the gap's error is far below that of the watts themselves."""
    one, other = (
        more_draws(first_glance(scenario("courtyard", f"pot.base_height={h} mm")))
        for h in (600, 602)
    )
    found = gap(other, one)
    assert float(found.built) == pytest.approx(
        float(other.tally.delivered) - float(one.tally.delivered), rel=1e-9
    )
    assert found.built.se < 0.1 * one.tally.delivered.se
    assert found.likely.spread < 0.1 * one.drawn.likely.spread
    assert gap(one, one).built.value == 0.0


def test_it_ends_as_soon_as_nobody_waits():
    calls = []

    def tell():
        calls.append(0)
        if len(calls) > 6:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        list(glances(scenario(), tell=tell))


def test_a_sun_that_never_stands_there_boils_nothing():
    low = scenario("courtyard", "design.sun_altitude=89.5 deg", "site.latitude=50 deg")
    seen = first_glance(low)
    assert seen.moment.time is None
    assert boil_of(seen) is None
    assert seen.tally.delivered.value > 0.0
