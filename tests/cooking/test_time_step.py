"""What lies between moments: closed forms, jumps at random places, and finer steps."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from cooking.test_season import CUP, SMALL, at_site, scenario
from scipy import stats

from raytrace.studies.cooking.season import SeasonPlan, season
from raytrace.studies.cooking.time_step import bends

HOUR = 3600.0
T_95 = stats.t.ppf(0.975, 3)  # of four replicates
TIME = np.array([0.0, 600.0, 1200.0, 1800.0, 2400.0, 3000.0, 3600.0])


def course_of(time=TIME, turned=0.0):
    """What `bends` reads of a course: one pot, turned at the start or every so often."""
    at = np.zeros(len(time) - 1) if not turned else np.floor(time[:-1] / turned) * turned
    return SimpleNamespace(time=time, turned=at, last=np.array([len(time) - 1]))


def ends(f, time=TIME):
    return np.stack([f(time[:-1]), f(time[1:])], axis=-1)[None]


@pytest.mark.parametrize(("time", "turned"), [(TIME, 0.0), (TIME[:5] ** 1.1, 0.0), (TIME, 1800.0)])
def test_a_parabola_is_met_exactly(time, turned):
    """Mean of 400 − t²/9e4 over each interval, by its antiderivative."""
    watts = ends(lambda t: 400.0 - t**2 / 9e4, time)
    bend, error = bends(course_of(time, turned), watts)
    a, b = time[:-1], time[1:]
    mean = 400.0 - (b**3 - a**3) / (b - a) / 27e4
    np.testing.assert_allclose(watts.mean(axis=2) + bend, mean[None], rtol=1e-12)
    np.testing.assert_allclose(error, np.abs(bend), rtol=1e-9)


def test_turnings_and_nights_are_no_bends():
    """Watts that jump at a turning, and stop at the last moment, are straight in between."""
    watts = ends(lambda t: np.where(t < 1e9, 100.0, 0.0))
    watts[0, 3:] += 250.0
    watts[0, 5:] = 0.0
    course = course_of(turned=1800.0)
    course.last = np.array([5])
    bend, error = bends(course, watts)
    np.testing.assert_array_equal(bend, 0.0)
    np.testing.assert_array_equal(error, 0.0)
    # an interval alone between two turnings shows no bend
    alone, _ = bends(course_of(turned=600.0), ends(lambda t: 2.0 + np.sin(t)))
    np.testing.assert_array_equal(alone, 0.0)


def test_the_error_of_a_jump():
    """The sun that comes over a roof within an interval: uniform, so off by h J / √12 (rms)."""
    watts = ends(lambda t: np.where(t > 1500.0, 300.0, 0.0))
    bend, error = bends(course_of(), watts)
    rms = 300.0 / np.sqrt(12.0)
    assert abs(bend.sum()) < 0.2 * rms
    assert 0.5 * rms < error.sum() < 1.5 * rms


@pytest.fixture(scope="module")
def fixed_board():
    """Nine facets on a level board at 47.5° north: good sun for twenty minutes, twice a day."""
    read = scenario(*SMALL, *CUP, *at_site(47.5, 8.7, "Europe/Zurich", 440.0))
    dates = tuple(dt.date(2026, m, d) for m in (4, 8) for d in (3, 13, 23))
    plan = SeasonPlan(dates, tuple(HOUR * h for h in (9, 10, 11, 14)), replicates=4, refill=False)
    return season(read, plan), season(read, replace(plan, step=100.0))


def test_boil_times_hold_the_step(fixed_board):
    """Steps of ten minutes against steps of 100 s, whose own error is a two-hundredth.

    Chords alone are off by half a minute here, with standard errors of a hundredth of a minute.
    """
    rough, fine = fixed_board
    both = np.isfinite(rough.boils) & np.isfinite(fine.boils)
    assert both.sum() > 15
    assert (np.isnan(rough.boils) == np.isnan(fine.boils))[~rough.unsure].all()
    off = (rough.boils - fine.boils)[both]
    assert abs(off.mean()) < 6.0
    assert np.sqrt((off**2).mean()) < 25.0
    se = np.hypot(rough.boils_se, fine.boils_se)[both]
    assert (np.abs(off) <= T_95 * se).mean() >= 0.95
    assert np.sqrt(((off / se) ** 2).mean()) > 0.1  # and is no more than ten times too wide


@pytest.mark.parametrize("what", ["delivered", "absorbed"])
def test_watts_hold_the_step(fixed_board, what):
    rough, fine = fixed_board
    off = getattr(rough, what) - getattr(fine, what)
    se = np.hypot(getattr(rough, f"{what}_se"), getattr(fine, f"{what}_se"))
    lit = getattr(fine, what) > 1.0
    assert (np.abs(off) <= T_95 * se + 1e-9)[lit].mean() >= 0.95
    assert np.abs(off[lit]).mean() < 0.02 * getattr(fine, what)[lit].max()


def test_turning_as_often_as_the_step_still_shows_the_bend():
    read = scenario(*SMALL, *CUP, *at_site(47.5, 8.7, "Europe/Zurich"), "habit.turn_every=10 min")
    plan = SeasonPlan((dt.date(2026, 5, 3),), (10 * HOUR,), replicates=4, refill=False)
    rough, fine = season(read, plan), season(read, replace(plan, step=100.0))
    off = float(rough.boils[0, 0] - fine.boils[0, 0])
    assert abs(off) <= T_95 * float(rough.boils_se[0, 0])
