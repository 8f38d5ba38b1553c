"""Lukewarm food and groups of draws, against sums over seconds and figures of the rule's source."""

from __future__ import annotations

import numpy as np
import pytest

from raytrace.heat.food import lukewarm, lukewarm_share, stretches
from raytrace.statistics.draws import groups, kept_by

ZERO, HOUR = 273.15, 3600.0


def course(*knots):
    """Times [s] and temperatures [K] from (hours, °C)."""
    hours, degrees = np.array(knots).T
    return HOUR * hours, degrees + ZERO


def test_each_side_of_two_hours_and_of_one():
    """USDA FSIS: two hours between 40 and 140 °F, one in air over 90 °F. From memory."""
    for air, allowed in ((25.0, 2.0), (31.9, 2.0), (32.1, 1.0), (40.0, 1.0)):
        for off in (-0.01, 0.01):
            time, T = course((0, 20), (allowed + off, 59.99), (allowed + off + 1e-6, 70), (9, 70))
            found = lukewarm(time, T, air + ZERO)
            assert bool(found) == (off > 0), (air, off)
            assert lukewarm_share(time, T, air + ZERO) == pytest.approx(1 + off / allowed, abs=1e-3)
            for stay in found:
                assert stay.spoilt == pytest.approx(allowed * HOUR, abs=0.1)
                assert stay.hot_air == (air > 32.0)


def test_warming_up_and_cooling_count_alike_and_hot_or_cold_food_does_not():
    time, T = course((0, 3), (1, 3), (4, 63), (5, 63), (9, 43), (9.5, 80), (10, 80))
    up, down = lukewarm(time, T, 20.0 + ZERO)
    assert up.start / HOUR == pytest.approx(1.05)
    assert up.end / HOUR == pytest.approx(3.85)
    assert down.start / HOUR == pytest.approx(5.6)
    assert 9.0 < down.end / HOUR < 9.3
    assert down.spoilt == pytest.approx(down.start + 2 * HOUR)
    # the cooling comes after the meal
    assert lukewarm_share(time, T, 20.0 + ZERO, until=4 * HOUR) == pytest.approx(1.4)
    assert lukewarm_share(time, T, 20.0 + ZERO, until=3 * HOUR) == pytest.approx(0.975)
    assert not lukewarm(time, np.full(7, 60.0 + ZERO), 40.0 + ZERO)  # kept hot
    assert not lukewarm(time, np.full(7, 3.9 + ZERO), 40.0 + ZERO)  # kept cold


def test_stretches_equal_a_count_of_seconds():
    """A rough course with gaps where it is unknown, against 2 000 000 points on it."""
    rng = np.random.default_rng(5)
    time = np.cumsum(rng.uniform(60.0, 900.0, 300))
    T = 330.0 + np.cumsum(rng.normal(0.0, 6.0, 300))
    T[120:131] = np.nan
    air = 305.0 + rng.normal(0.0, 2.0, 300)
    fine = np.linspace(time[0], time[-1], 2_000_001)
    inside = (np.interp(fine, time, T) >= 277.15) & (np.interp(fine, time, T) < 333.15)
    found = stretches(time, T, 277.15, 333.15)
    assert sum(b - a for a, b in found) == pytest.approx(
        inside.mean() * (time[-1] - time[0]), rel=1e-4
    )
    assert len(found) == (np.diff(np.concatenate([[0], inside.astype(int)])) == 1).sum()
    weight = inside * (1.0 + (np.interp(fine, time, air) > 305.15)) * (fine[1] - fine[0]) / 7200.0
    marks = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
    sums = [weight[a:b].sum() for a, b in zip(marks[::2], marks[1::2], strict=True)]
    assert lukewarm_share(time, T, air) == pytest.approx(max(sums), rel=1e-3)
    assert len(lukewarm(time, T, air)) == sum(s > 1.0 for s in sums) > 0


def test_two_groups_are_no_mean():
    """3 of 12 boil at 47 min, 9 at 366; one group stays one, and never is in none."""
    rng = np.random.default_rng(1)
    quick, slow = rng.normal(47.0, 2.0, 3), rng.normal(366.0, 3.0, 9)
    parts = groups(60.0 * rng.permutation(np.concatenate([quick, slow, [np.nan] * 2])))
    assert [len(p) for p in parts] == [3, 9]
    assert parts[0].mean() < 3000.0 < 20000.0 < parts[1].mean()
    assert len(groups(60.0 * quick)) == 1
    assert groups([np.nan]) == []


def test_nine_of_ten_count_those_that_never_come_last():
    times = np.arange(1.0, 11.0)
    assert kept_by(times) == 9.0
    times[4] = np.nan
    assert kept_by(times) == 10.0
    times[5] = np.nan
    assert np.isnan(kept_by(times))
    assert kept_by(times, 0.8) == 10.0
