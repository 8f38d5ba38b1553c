"""Light on the pot at many moments, against single traces, closed forms and a table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from checks import ALPHA, welch_p

from raytrace.exceptions import GeometryError
from raytrace.light import placed as module
from raytrace.light.history import pot_light
from raytrace.light.setup import LightSettings
from raytrace.scenario.loading import load_scenario
from raytrace.studies.trace.daily_energy import day_sum
from raytrace.studies.trace.run import run_at, run_day

SCENARIOS = Path(__file__).parents[2] / "scenarios"
ZONE = "America/Mexico_City"
SMALL = ("facets.rows=3", "facets.columns=3")
# a hand that errs neither with the platform nor with the pot
STEADY = (
    *(f"errors.pointing.{k}_rms=0 deg" for k in ("heading", "tilt", "cross")),
    'errors.pot.rms=["0 mm", "0 mm", "0 mm"]',
)


def scenario(*changes, file="courtyard"):
    return load_scenario(SCENARIOS / f"{file}.toml", changes)


def clock(day, *times):
    return pd.DatetimeIndex([f"{day}T{t}" for t in times]).tz_localize(ZONE)


MORNING = clock("2026-03-20", "09:20", "09:30", "09:40", "09:50", "10:00")


def test_turned_now_is_what_a_single_run_traces():
    """Welch's t over five moments; false alarm ALPHA."""
    read = scenario(*STEADY)
    light = pot_light(read, MORNING, MORNING, settings=LightSettings(beams=8, replicates=16))
    run = run_at(read, MORNING, samples=54 * 8 * 16)  # the same build, by other samples
    one = np.stack([m.tally.power.sum(axis=1) for m in run.moments])
    for name, line in (("base", -1), ("side", -3), ("lid", -2)):
        assert welch_p(getattr(light, name).T, one[:, :, line].T) > ALPHA / 3
    assert welch_p(light.leaving.T, one[:, :, -4:].sum(axis=2).T) > ALPHA
    np.testing.assert_allclose(light.dni, [m.dni for m in run.moments], rtol=1e-12)
    assert light.base.mean() > 50.0  # there is something to compare


def test_left_standing_is_a_heading_off_by_the_suns_way():
    """A platform turned 12 minutes ago stands as one that is turned wrongly now."""
    read = scenario(*STEADY)
    at, turned = clock("2026-03-20", "09:52"), clock("2026-03-20", "09:40")
    late = pot_light(read, turned, at)
    seen = [pot_light(read, t, t).gamma[0] for t in (turned, at)]
    off = np.degrees(seen[0] - seen[1])
    assert -5.0 < off < -1.0
    wrong = scenario(*STEADY, f"errors.pointing.heading_bias={off} deg")
    # one moment has one set of samples: the figures agree but for rounding
    np.testing.assert_allclose(late.base, pot_light(wrong, at, at).base, rtol=1e-9)
    # with the pot in its place the base is broad enough; the wall shows that the spot has moved
    assert abs(late.side.mean() / pot_light(read, at, at).side.mean() - 1.0) > 0.01


def test_equal_pairs_are_traced_once_and_darkness_never(monkeypatch):
    traced = []
    trace_cases = module.trace_cases

    def counting(cooker, suns, *rest, **named):
        traced.append(len(suns))
        return trace_cases(cooker, suns, *rest, **named)

    monkeypatch.setattr(module, "trace_cases", counting)
    read = scenario(*SMALL)
    # 06:10 is before sunrise, 07:00 behind the courtyard's house, at 8° of altitude
    at = clock("2026-03-20", "06:10", "07:00", "10:00", "10:00", "10:10", "10:00")
    turned = clock("2026-03-20", "06:00", "07:00", "10:00", "10:00", "10:00", "09:50")
    light = pot_light(read, turned, at)
    assert traced == [3]
    assert (light.base[:2] == 0.0).all()
    assert (light.dni[:2] == 0.0).all()
    np.testing.assert_array_equal(light.base[2], light.base[3])
    assert (light.base[4] != light.base[2]).all()
    assert (light.base[5] != light.base[2]).all()
    assert not pot_light(read, turned[:2], at[:2]).base.any()
    assert traced == [3]


def test_same_bits_alone_among_others_and_for_any_number_of_threads():
    read = scenario(*SMALL, file="highland")
    at = pd.date_range("2026-05-01T08:00", "2026-05-01T16:00", freq="7min", tz=read.site.timezone)
    turned = at.floor("30min")
    whole = pot_light(read, turned, at, settings=LightSettings(threads=1))
    again = pot_light(read, turned[::-1], at[::-1], settings=LightSettings(threads=3))[::-1]
    alone = [pot_light(read, turned[k : k + 5], at[k : k + 5]) for k in range(0, len(at), 5)]
    for name in ("base", "side", "lid", "leaving", "dni", "on_axis"):
        x = getattr(whole, name)
        assert x.tobytes() == getattr(again, name).tobytes()
        assert x.tobytes() == np.concatenate([getattr(a, name) for a in alone]).tobytes()


def test_a_day_adds_up_as_a_run_over_the_day_does():
    """Energy of a day, turned at each step, against `run_day`; false alarm ALPHA."""
    read = scenario(*STEADY)
    run = run_day(read, "2026-03-20", 1800.0, samples=54 * 4 * 16)
    times = pd.DatetimeIndex([m.time for m in run.moments])
    light = pot_light(read, times, times, settings=LightSettings(beams=4, replicates=16))
    mine = np.trapezoid(light.base, dx=1800.0, axis=0)
    theirs = day_sum(run.moments).delivered
    whole = np.stack([m.tally.power[:, :, -1].sum(axis=1) for m in run.moments])
    assert float(theirs.value) > 1e5
    assert welch_p(mine[:, None], np.trapezoid(whole, dx=1800.0, axis=0)[:, None]) > ALPHA


def test_what_cannot_be_is_refused():
    read = scenario(*SMALL)
    a, b = clock("2026-03-20", "10:00"), clock("2026-03-20", "10:10")
    with pytest.raises(GeometryError, match="must follow its turning"):
        pot_light(read, b, a)
    with pytest.raises(GeometryError, match="one for each"):
        pot_light(read, a, a.append(b))
