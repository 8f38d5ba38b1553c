"""The first lines of a day and a season: what to do, and no more than a screen's part of it."""

from __future__ import annotations

import numpy as np
import pytest
from cooking.test_calendar import hung
from heat.test_cooking_limits import day_of
from rich.console import Console

from raytrace.reports.common.tables import DETAILS
from raytrace.reports.cooking.day import day_tables
from raytrace.reports.cooking.day_answer import day_answer, day_details, day_verdict
from raytrace.reports.cooking.season import season_tables
from raytrace.reports.cooking.season_answer import season_answer, season_details
from raytrace.statistics.likely import likely_of
from raytrace.studies.cooking.day import DayResult
from raytrace.studies.cooking.day_likely import DayLikely


def lines_of(tables):
    """What is printed before the details, 80 columns wide."""
    console = Console(width=80, record=True, file=None, quiet=False)
    with console.capture() as got:
        for part in tables:
            if part is DETAILS:
                break
            console.print(part)
    return got.get().splitlines()


def likely(boils, done, highest=360.0):
    """What may be expected from made-up draws. [s] and [K]"""
    rest = likely_of(np.full(80, highest))
    return DayLikely(likely_of(boils), likely_of(done), rest, rest, rest)


@pytest.fixture(scope="module")
def pot():
    return day_of()


def test_the_verdict_is_when_to_start_to_turn_and_to_eat(pot):
    minutes = np.linspace(61.0, 74.0, 80)
    found = likely(60.0 * minutes, 60.0 * (minutes + 40.0))
    words = day_verdict(DayResult(pot, likely=found))
    # outward to five minutes, from 10:00 on
    assert words == (
        "Put it on at 10:00: boiling between 11:00 and 11:15, done by 11:55; turn it at 10:30, "
        "11:00 and 11:30."
    )
    never = likely(np.where(minutes < 62.0, 60.0 * minutes, np.nan), np.full(80, np.nan))
    assert day_verdict(DayResult(pot, likely=never)).startswith("Don't count on it: put on at")
    not_once = likely(np.full(80, np.nan), np.full(80, np.nan))
    assert day_verdict(DayResult(pot, likely=not_once)).startswith("Not that day: put on at 10:00")
    some = likely(np.where(minutes < 72.0, 60.0 * minutes, np.nan), np.full(80, np.nan))
    assert "boiling about 11:10, never in 16 of 100 draws, not done" in day_verdict(
        DayResult(pot, likely=some)
    )


def test_a_day_is_answered_on_ten_lines_and_nothing_is_lost(pot):
    minutes = np.linspace(61.0, 74.0, 80)
    result = DayResult(pot, likely=likely(60.0 * minutes, 60.0 * (minutes + 40.0)))
    lines = lines_of(day_tables(result))
    assert 3 <= len(lines) <= 10
    assert lines[1].startswith("Put it on at 10:00")
    assert not set(day_answer(result)) & set(day_details(result))
    assert any(s.startswith("Boils at") for s in day_details(result))


def test_a_season_is_answered_on_ten_lines_for_the_slowest_month():
    got = hung()
    first, *rest = season_answer(got)
    assert first == (
        "From April to September put it on at 9:00: 2 L of water and 0.8 kg of food boil within "
        "55 min, for 9 of 10 cookers and clear days; turned every 30 min."
    )
    assert "Don't count on it from October to March." in rest
    assert any("clouds make it longer" in s for s in rest)
    assert len(lines_of(season_tables(got))) <= 10
    assert not set(season_answer(got)) & set(season_details(got))
    later = hung(which=np.array([-1, -1, -1, 1, 2, 2, 2, 1, 1, -1, -1, -1]))
    first, _, second, *_ = season_answer(later)
    assert "put it on between 9:00 and 10:00 by the month" in first
    assert "boil within 1 h, " not in first
    assert second == (
        "Month by month: 9:00 in April and in August and September (55 min); 10:00 from May to "
        "July (58 min)."
    )
