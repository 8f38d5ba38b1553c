"""One pot through one day, against the season, the sun's own azimuth and an energy balance."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

import numpy as np
import pytest
from checks import ALPHA, mean_p, welch_p
from cooking.test_season import CUP, HOUR, OPEN, SMALL, at_site, known, scenario
from scipy import stats

from raytrace.exceptions import SkyError
from raytrace.light.setup import LightSettings
from raytrace.light.turning import NEVER, Habit
from raytrace.sky.sun import position
from raytrace.studies.cooking.pot_day import HABITS, compare_habits, cooking_day
from raytrace.studies.cooking.season import SeasonPlan, season

DAY = "2026-03-20"
# a hand that errs neither with the platform nor with the pot
STEADY = (
    *(f"errors.pointing.{k}_rms=0 deg" for k in ("heading", "tilt", "cross")),
    'errors.pot.rms=["0 mm", "0 mm", "0 mm"]',
)
# built without errors: draws then differ by turning and samples alone
EXACT = (
    "errors.setting=0 mm", "errors.placement_xy=0 mm", "errors.placement_z=0 mm",
    "errors.roll=0 deg", "errors.rig.hit=0 mm",
)  # fmt: skip


def day(*changes, start=9.0, **more):
    return cooking_day(scenario(*SMALL, *CUP, *OPEN, *changes), DAY, start * HOUR, **more)


def test_a_day_is_one_cell_of_the_season(monkeypatch):
    """But for the light between moments, which the season bends and the day takes as straight."""
    monkeypatch.setattr("raytrace.studies.cooking.season.between_moments", lambda course: course)
    read = scenario(*SMALL, *CUP, *OPEN, "kitchen.done_after=30 min")
    plan = SeasonPlan(
        (dt.date.fromisoformat(DAY),), (8 * HOUR, 9 * HOUR), replicates=3, refill=False
    )
    cells = season(read, plan)
    got = cooking_day(read, DAY, 9 * HOUR, step=600.0, settings=LightSettings(replicates=3))
    for name in ("boils", "near", "done"):
        one = getattr(got, name)
        assert float(one.value) == getattr(cells, name)[0, 1]
        assert float(one.se) == pytest.approx(getattr(cells, f"{name}_se")[0, 1], rel=1e-9)
    assert got.boiling == cells.boiling
    assert got.since[-1] == cells.followed[0, 1]
    assert np.isfinite(got.boils.value)


def test_energy_is_kept_over_a_day():
    """Absorbed light is the watts' integral; losses and the pot's heat add up to it, to 1e-6."""
    got = day("kitchen.lid_leak=30 %", "kitchen.water=1 L")
    e = got.heating.energies
    out = e.convection + e.radiation + e.evaporation + e.stored + e.discarded
    np.testing.assert_allclose(e.absorbed + e.added, out, rtol=1e-6)
    mean = got.absorbed.mean(axis=-1)
    total = (0.5 * mean.sum(axis=1) * np.diff(got.since)).sum()
    assert e.absorbed[0] == pytest.approx(total, rel=1e-9)
    light = (0.5 * got.delivered.sum(axis=1) * np.diff(got.since)[:, None]).sum(axis=0)
    assert got.energy.value == pytest.approx(light.mean(), rel=1e-12)


def test_turnings_face_the_sun_and_the_watts_jump_there():
    got = day(*STEADY, "habit.turn_every=40 min", step=300.0)
    assert [t.time.minute for t in got.turnings[:4]] == [0, 40, 20, 0]
    assert got.turnings[0].time.isoformat() == f"{DAY}T09:00:00-06:00"
    times = got.time[[list(got.time).index(t.time) for t in got.turnings]]
    _, gamma = position(got.scenario.site, times)
    np.testing.assert_allclose([t.heading for t in got.turnings], gamma, atol=1e-12)
    watts = got.delivered.mean(axis=-1)
    jumps = np.abs(watts[1:, 0] - watts[:-1, 1])
    turned = np.isin(got.since[1:-1], 2400.0 * np.arange(1, 20))
    assert (jumps[~turned] == 0.0).all()
    assert jumps[turned].max() > 5.0
    time, curve = got.watts
    assert time[:4].tolist() == [0.0, 300.0, 300.0, 600.0]
    np.testing.assert_allclose(curve.value[:2], watts[0])


def test_an_ambitious_hand_aims_ahead():
    ahead = day(*STEADY, habit=Habit(3600.0, "ahead"), step=600.0)
    later = ahead.turnings[0].time + np.timedelta64(30, "m")
    _, gamma = position(ahead.scenario.site, ahead.time[ahead.time == later])
    assert ahead.turnings[0].heading == pytest.approx(gamma[0], abs=1e-12)


def test_cold_water_added_delays_the_boil():
    plain = day(step=600.0)
    added = day(step=600.0, top_ups=[(600.0, 0.1, 293.15)])
    assert float(added.boils.value) > float(plain.boils.value) + 120.0


@pytest.mark.parametrize(
    ("date", "start", "said"),
    [
        ("2026-03-29", 2.5, "skipped as the clocks go forward"),
        ("2026-10-25", 2.5, "happens twice"),
        ("2026-03-20", 21.0, "sun is down"),
        ("2026-03-20", 24.0, "clock time"),
        ("2026-02-30", 9.0, "no date"),
    ],
)
def test_starts_that_cannot_be_are_refused(date, start, said):
    read = scenario(*SMALL, *CUP, *at_site(40.4, -3.7, "Europe/Madrid", 660.0))
    with pytest.raises(SkyError, match=said):
        cooking_day(read, date, start * HOUR)


def test_habits_side_by_side():
    read = known(scenario(*SMALL, *CUP, *OPEN, *STEADY, *EXACT))
    often, hourly, ahead, never = compare_habits(
        read,
        DAY,
        9 * HOUR,
        [Habit(600.0), Habit(3600.0), Habit(3600.0, "ahead"), Habit(NEVER)],
    )
    for one, two in pairwise([often, ahead, hourly, never]):
        more = one.draws.energy - two.draws.energy  # of the same hands
        assert more.mean() > 0.0
        assert mean_p(more, 0.0) < ALPHA / 3
    assert never.turnings == 0
    # the count stops at the boil
    assert often.turnings == int(np.ceil(float(np.median(often.draws.boils)) / 600.0)) - 1
    # a steady hand leaves the tracing's noise alone; a shaky one adds its own
    shaky = known(scenario(*SMALL, *CUP, *OPEN, *EXACT, "errors.pointing.heading_rms=6 deg"))
    (worse,) = compare_habits(shaky, DAY, 9 * HOUR, [Habit(600.0)])
    a, b = worse.draws.energy, often.draws.energy
    assert stats.f.sf(a.var(ddof=1) / b.var(ddof=1), 15, 15) < ALPHA
    assert a.mean() < b.mean()
    assert welch_p(a, b) < ALPHA
    assert HABITS[0] == Habit(NEVER)
    with pytest.raises(SkyError, match="2 or more"):
        compare_habits(read, DAY, 9 * HOUR, [Habit()], setups=[])
