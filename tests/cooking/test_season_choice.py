"""The start that a season recommends: the cook's rule, starts between the hours, honest errors."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from cooking.test_season import CUP, OPEN, SMALL, at_site, course, made_up, scenario, steady
from typer.testing import CliRunner

from raytrace.cli import app
from raytrace.reports.cooking.season import cell_words
from raytrace.reports.cooking.season_words import season_sentences
from raytrace.studies.cooking.never_boils import REASONS
from raytrace.studies.cooking.pots import pots_of
from raytrace.studies.cooking.season import SeasonPlan, iter_parts, part_names, put_together, season
from raytrace.studies.cooking.season_between import BETWEEN, candidates
from raytrace.studies.cooking.season_choice import (
    best_start,
    cooking_goal,
    days_error,
    good_days,
    middle_day,
    middle_of,
    two_groups,
    works,
)

HOUR, MINUTE = 3600.0, 60.0
NAN = np.nan
FOOD = {"food": 0.5, "water": 1e-3, "done_after": 0.0, "done_over": 363.15}


def told(boils, *, cold=0.0, **kitchen):
    """Made-up season of a kitchen: minutes to the boil and lukewarm, days by starts."""
    got = made_up(boils)
    read = got.scenario
    read = read.model_copy(update={"kitchen": read.kitchen.model_copy(update=FOOD | kitchen)})
    shape = got.boils.shape
    return replace(
        got,
        scenario=read,
        lukewarm=np.broadcast_to(np.array(cold, dtype=float), shape) / 120.0,
    )


# --- the rule ------------------------------------------------------------------------------------


def test_a_start_that_leaves_food_lukewarm_is_not_chosen_for_one_day_more():
    early, late = [[200.0, 45.0]] * 39, [[200.0, NAN]]
    got = told(early + late, cold=[[150.0, 20.0]])
    assert best_start(got) == 1
    assert works(got).mean(axis=0).tolist() == [0.0, 39 / 40]
    # nor is it where there is only water, which doesn't spoil: one day in forty is few
    assert best_start(replace(told(early + late), lukewarm=got.lukewarm)) == 1
    assert best_start(told(early + late, food=0.0)) == 1


def test_more_days_outweigh_minutes_when_they_are_more_than_one_in_twenty():
    got = told([[80.0, 45.0]] * 9 + [[80.0, NAN]])
    assert best_start(got) == 0
    # but not where one has to wait for over three hours
    assert best_start(told([[181.0, 45.0]] * 9 + [[181.0, NAN]])) == 1
    assert best_start(told([[200.0, 190.0]] * 3)) == 1  # none works: the quickest
    assert best_start(told([[NAN, NAN]])) is None


def test_of_a_row_about_as_quick_the_middle_is_chosen():
    """The quickest may be the last that works at all: a cook who is late finds no sun."""
    assert best_start(told([[70.0, 42.0, 41.0, 40.0, NAN]] * 3)) == 2
    assert best_start(told([[41.0, 90.0, 40.0, 60.0]] * 3)) == 2  # another window apart
    assert best_start(told([[40.0, 40.0, 40.0]] * 3)) == 1


def test_a_day_takes_the_first_row_about_as_quick():
    """Minutes slower, but hours earlier: a pot that fails can be put on again."""
    tried = np.arange(7)
    took = MINUTE * np.array([60.0, 30.0, 29.0, 31.0, 45.0, 22.0, 21.0])
    assert middle_of(tried, took, tried) == 5
    assert middle_of(tried, took, tried, slack=10 * MINUTE, first=True) == 2
    assert middle_of(tried, took, tried, slack=5 * MINUTE, first=True) == 5
    # starts that don't work part a row
    assert middle_of(tried[[1, 3, 4]], took[[1, 3, 4]], tried, slack=10 * MINUTE, first=True) == 1


def test_food_that_takes_its_time_is_what_the_cook_waits_for():
    got = told([[40.0, 50.0]], done_after=2 * HOUR)
    got = replace(got, done=MINUTE * np.array([[260.0, 170.0]]))
    assert cooking_goal(got) == "done"
    assert best_start(got) == 1
    # three hours for the boil and two for the food
    assert best_start(replace(got, done=MINUTE * np.array([[NAN, 299.0]]))) == 1
    assert not works(replace(got, done=MINUTE * np.array([[NAN, 301.0]]))).any()
    assert cooking_goal(told([[40.0]], done_after=HOUR, done_over=400.0)) == "boils"


def test_a_pots_lukewarm_time_is_that_of_the_food_rule():
    """Under 828 W absorbed, by stored heat alone, and by half as long again with losses."""
    read = scenario(*OPEN, "kitchen.food=0.3 kg", "pot.support.covers=0 %")
    got = pots_of(course(read, tracer=steady(900.0), starts=(9, 21)))
    stored = (2.0 * 4180.0 + 0.3 * 3700.0 + 1.2 * 900.0) * (60.0 - 24.0)
    soonest = stored / (0.92 * 900.0) / 7200.0
    assert soonest < got.lukewarm[0] < 1.5 * soonest
    assert got.lukewarm[1] == np.inf  # at night


# --- what is said --------------------------------------------------------------------------------


def test_the_answer_names_days_danger_and_rule():
    rows = [[200.0, 45.0 + k % 5, NAN] for k in range(18)] + [[200.0, NAN, NAN]] * 2
    got = told(rows, cold=[[150.0, 20.0, 0.0]])
    got = replace(got, reason=np.where(np.isnan(got.boils), REASONS.index("cloud"), 0))
    first, *rest = season_sentences(got)
    assert "ut the pot on at 10:00: 1 L of water and 0.5 kg of food boil in 47 min" in first
    text = " ".join(rest)
    assert rest[0] == "So it goes on 9 of ten of these days."
    assert "Put no food up at 9:00" in text
    assert "between 4 and 60 °C for over two hours" in text
    assert "A start works where it boils within 3 h" in text
    assert "one day in 20 fewer at most" in text


def test_lukewarm_days_of_the_start_chosen_are_told_with_it():
    got = told([[100.0]] * 8 + [[160.0]] * 2, cold=np.repeat([[90.0], [130.0]], [8, 2], axis=0))
    text = " ".join(season_sentences(got)[:3])
    assert "From that start food stands between 4 and 60 °C for over two hours on 2 of ten" in text


def test_cells_mark_starts_that_spoil_food():
    months = told([[100.0, 50.0]] * 3, cold=[[130.0, 20.0]]).months
    assert [cell_words(months, 1, k) for k in range(2)] == ["100!", "50"]


def test_times_in_two_groups_are_told_as_two():
    got = told([[47.0]] * 7 + [[366.0]] * 5, food=0.0)
    text = " ".join(season_sentences(got))
    assert "boil in 47 min on 6 of ten of these days, and only after 6 h 06 min on 4 of ten" in text
    assert "only after" not in " ".join(season_sentences(told([[47.0 + 5 * k] for k in range(9)])))


def test_two_groups_need_a_gap_and_a_tenth_of_the_days():
    first, second = two_groups(MINUTE * np.array([47.0, 366.0, 49.0, NAN, 360.0]))
    assert first.tolist() == [47 * MINUTE, 49 * MINUTE]
    assert second.tolist() == [360 * MINUTE, 366 * MINUTE]
    assert two_groups(MINUTE * np.array([47.0] * 19 + [366.0])) is None  # one in twenty
    assert two_groups(MINUTE * np.array([47.0, 90.0])) is None
    assert two_groups(MINUTE * np.array([200.0, 290.0])) is None
    assert two_groups(np.array([NAN, 47.0])) is None


def test_shares_are_of_the_days_asked_about():
    """Of a season whose first month never boils, only the other month's days count."""
    rows = [[NAN, NAN]] * 2 + [[50.0, 60.0]] * 8  # 30 and 31 January, eight days of February
    text = " ".join(season_sentences(told(rows)))
    assert "In February put the pot on at 9:00" in text
    assert "By 12:00 it boils on every one of these days, put on at 10:00" in text


def test_a_clock_time_is_not_met_by_starts_that_spoil_food():
    got = told([[150.0, 50.0]] * 3, cold=[[130.0, 20.0]])
    text = " ".join(season_sentences(got, 11.5 * HOUR))
    assert "By 11:30 it boils on every one of these days, put on at 10:00" in text
    text = " ".join(season_sentences(told([[80.0, 95.0]] * 3, cold=[[130.0, 20.0]]), 11.5 * HOUR))
    assert "By 11:30 it boils on none of these days" in text


def test_dates_that_stand_for_others_are_told():
    got = told([[50.0, 60.0]] * 4)
    assert "were computed" not in " ".join(season_sentences(got))
    dates = tuple(dt.date(2026, 3, 1) + dt.timedelta(days=10 * k) for k in range(4))
    text = " ".join(season_sentences(replace(got, plan=replace(got.plan, dates=dates))))
    assert "4 of these 31 days were computed, and stand for the others" in text


# --- errors of figures of many days --------------------------------------------------------------


def test_errors_from_the_scatter_of_days():
    assert np.isnan(days_error(np.array([3.0])))
    assert days_error(np.full(9, 3.0)) == 0.0
    # independent days: σ / √n
    x = np.random.default_rng(1).normal(50.0, 6.0, (4000, 32))
    mean_square = np.mean([days_error(row) ** 2 for row in x])
    assert mean_square == pytest.approx(36.0 / 32.0, rel=0.05)
    # a run through the season is hardly any scatter
    run = np.linspace(0.0, 6.0, 365)
    assert days_error(run) < 0.1 * run.std() / np.sqrt(365)
    assert np.isnan(days_error(np.array([1.0, NAN, NAN]), middle_day))


def test_an_interval_holds_the_days_that_were_not_taken():
    """Every fifth of 150 cloudy days against all of them: 95 % intervals of 7 degrees of freedom.

    300 seasons: 92 % or more hold, which a right 95 % misses once in a hundred (binomial).
    """
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(300):
        days = 30.0 + 10.0 * np.sin(np.linspace(0.0, 3.0, 150)) + rng.normal(0.0, 8.0, 150)
        some = days[2::5]
        held += abs(some.mean() - days.mean()) <= 2.365 * days_error(some)
    assert held >= 276


# --- starts between the hours --------------------------------------------------------------------


@pytest.fixture(scope="module")
def level_board():
    """A board that lies level at 47.5° north, two weeks of June; starts a quarter and half past."""
    place = at_site(47.5, 8.7, "Europe/Zurich", 440.0)
    read = scenario(*SMALL, *CUP, *place, "kitchen.done_after=0 min", "site.albedo=0 %")
    dates = tuple(dt.date(2026, 6, d) for d in (1, 7, 13))
    hours = tuple(HOUR * (h + 0.25) for h in range(7, 12))
    plan = SeasonPlan(dates, hours, replicates=2, refill=False, between=900.0)
    later = replace(plan, starts=tuple(h + 900.0 for h in hours))
    return read, plan, season(read, plan), season(read, later)


def test_the_best_start_does_not_hang_on_the_grid(level_board):
    _, _, one, other = level_board
    a, b = best_start(one), best_start(other)
    assert abs(one.starts[a] - other.starts[b]) <= 900.0
    quick, as_quick = (s.percentile(50.0)[k] for s, k in ((one, a), (other, b)))
    assert quick == pytest.approx(as_quick, rel=0.1)
    # the hours alone are this much worse, in minutes or in days
    columns = {
        name: x[:, one.of_plan]
        for name, x in vars(one).items()
        if isinstance(x, np.ndarray) and x.ndim == 2
    }
    alone = replace(one, tried=(), **columns)
    assert alone.percentile(50.0)[best_start(alone)] > 1.3 * quick


def test_starts_between_agree_with_the_same_starts_of_a_plan(level_board):
    read, plan, one, _ = level_board
    between = [s for s in one.starts if s not in plan.starts]
    assert between
    alone = season(read, replace(plan, starts=tuple(between), between=0.0))
    k = np.searchsorted(one.starts, between)
    soon = np.isfinite(one.boils[:, k])
    assert soon.any()
    np.testing.assert_allclose(one.boils[:, k][soon], alone.boils[soon], rtol=1e-9)
    np.testing.assert_allclose(one.delivered[:, k][soon], alone.delivered[soon], rtol=1e-9)


def test_parts_between_are_kept_and_rows_are_those_tried(level_board):
    read, plan, one, _ = level_board
    parts = dict(iter_parts(read, plan))
    assert list(parts) == ["2026-06", f"2026-06{BETWEEN}"]
    again = dict(iter_parts(read, plan, done={"2026-06": parts["2026-06"]}))
    assert list(again) == [f"2026-06{BETWEEN}"]
    got = put_together(read, plan, {"2026-06": parts["2026-06"]} | again)
    assert got.boils.tobytes() == one.boils.tobytes()
    assert list(dict(iter_parts(read, plan, done=parts))) == []
    assert part_names(plan) == ("2026-06",)
    tried = one.reason != REASONS.index("not tried")
    assert tried.sum() == len(plan.dates) * len(one.starts)
    assert good_days(one).all()


def test_where_neighbours_do_as_well_nothing_is_tried_between():
    flat = told([[50.0, 40.0, 41.0, 60.0]] * 3)
    flat = replace(flat, plan=replace(flat.plan, between=900.0))
    assert candidates(flat) == {"2026-01": (), "2026-02": ()}
    steep = told([[70.0, 40.0, 51.0, 60.0]] * 3)
    steep = replace(steep, plan=replace(steep.plan, between=900.0))
    quarters = tuple(HOUR * h for h in (9.25, 9.5, 9.75, 10.25, 10.5, 10.75))
    assert candidates(steep) == {"2026-01": quarters, "2026-02": quarters}


# --- how much may be asked for -------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        ("--step", "1 min", "--replicates", "256", "--beams", "64"),
        ("--beams", "4096", "--replicates", "16"),
    ],
)
def test_what_would_take_days_is_refused_with_what_it_would_take(words):
    got = CliRunner().invoke(
        app, ["season", "scenarios/highland.toml", *words, "--no-files"], env={"COLUMNS": "200"}
    )
    assert got.exit_code == 2
    text = " ".join(got.output.replace("│", " ").split())
    assert "would take one processor some" in text
    assert "24 are the most" in text
