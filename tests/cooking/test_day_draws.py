"""What a cook is told of one day: it holds for nine of ten draws, and for the end of the meal."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from cooking.test_day import DAY, day
from cooking.test_season import CUP, HOUR, OPEN, SCENARIOS, SMALL, known, scenario
from pictures import flaws

from raytrace import load_scenario
from raytrace.heat.food import HOT, lukewarm
from raytrace.light.history import remembering
from raytrace.light.setup import LightSettings
from raytrace.light.turning import Habit
from raytrace.optics.cases import trace_cases
from raytrace.reports.common.times import of_day
from raytrace.reports.cooking.day import day_tables
from raytrace.reports.cooking.day_figures import course_figure
from raytrace.reports.cooking.day_words import day_sentences
from raytrace.store.plain import plain
from raytrace.studies.cooking.day import DayResult
from raytrace.studies.cooking.day_draws import draw_setups
from raytrace.studies.cooking.day_likely import day_likely
from raytrace.studies.cooking.never_boils import REASON_MEANINGS, REASONS
from raytrace.studies.cooking.pot_day import cooking_day, day_drawn
from raytrace.studies.cooking.season import SeasonPlan, season
from raytrace.studies.cooking.start_time import fits, latest_ready, needed, working_starts

FOOD = ("kitchen.food=50 g", "kitchen.done_after=10 min")
COOKING = (*SMALL, *CUP, *OPEN, *FOOD, "site.albedo=0 %")
ONE = LightSettings()


def printed(parts):
    from rich.console import Console

    console = Console(width=80, highlight=False)
    with console.capture() as got:
        for part in parts:
            console.print(part)
    return " ".join(got.get().split())


def test_ready_by_comes_true_for_nine_of_ten_other_seeds():
    """Hot and done at the time asked for, over five seeds that the search has not seen.

    What isn't known of the cooker, its build and its use are others in each. A start that holds in
    n of 16 draws holds for a share of others that follows Beta(n, 17 - n), over searches. Fewer
    than 54 of 80, for two searches in which it holds in 15: 4 in 1 000 (simulated, 10⁶ pairs).
    """
    kept = 0
    for date, by in ((DAY, 9.75 * HOUR), ("2026-09-20", 9.5 * HOUR)):
        found = latest_ready(scenario(*COOKING), date, by, ONE)
        assert found.holds
        for seed in range(101, 106):
            setups = draw_setups(scenario(*COOKING), LightSettings(seed=seed), 8)
            pots = day_drawn(scenario(*COOKING), date, found.start, setups=setups)
            kept += int(fits(pots, np.array([found.after])).sum())
    assert 54 <= kept <= 80


def test_what_is_cold_by_then_is_told_with_the_time_that_it_is_hot():
    read = scenario(*COOKING)
    found = latest_ready(read, DAY, 17 * HOUR, ONE)
    assert not found.holds
    after = np.array([found.after])
    assert (found.draws.at(after) < HOT).sum() > 1
    # done in time in nine of ten, all the same
    assert (found.draws.reached <= found.after).sum() >= needed(16)
    words = day_sentences(cooking_day(read, DAY, found.start, settings=ONE), ready=found)[0]
    assert "No start has it done, and still hot, at 17:00 in nine of ten draws" in words
    hot = np.sort(found.draws.hot_until()[:, 0])[1] + found.start
    assert f"to {of_day(hot)} in nine of ten" in words
    cold = np.median(found.draws.at(after)) - 273.15
    assert f"at {cold:.0f} °C by 17:00" in words
    # and there is no start from which it is hot then
    for start in np.arange(9.0, 17.0) * HOUR:
        pots = day_drawn(read, DAY, start, settings=ONE)
        assert fits(pots, np.array([17 * HOUR - start])).sum() < needed(16)


def test_no_start_is_named_from_which_food_spoils():
    """Put on at dawn it is done and hot by 11:36, but has stood lukewarm before."""
    read = known(load_scenario(SCENARIOS / "highland.toml"))
    date, by, dawn = "2026-06-21", 11.6 * HOUR, 7.25 * HOUR
    pots = day_drawn(read, date, dawn, setups=draw_setups(read, LightSettings(), 3)[:3])
    assert (pots.reached <= by - dawn).all()
    assert (pots.at(np.array([by - dawn])) > HOT).all()
    assert pots.spoils().all()
    assert not fits(pots, np.array([by - dawn])).any()
    few = draw_setups(read, LightSettings(), 3)[:3]
    found = latest_ready(read, date, by, LightSettings(), setups=few)
    assert found.holds
    assert found.start > dawn
    assert not found.draws.spoils(np.array([found.after])).any()
    # sooner, only pots that stood lukewarm are ready
    none = latest_ready(read, date, by - 1200.0, LightSettings(), setups=few)
    assert np.isnan(none.start)
    words = day_sentences(cooking_day(read, date, 10 * HOUR), ready=none)[0]
    assert words.startswith("Whenever it is put on, it is not done by 11:16, and safe to eat, in")


def test_a_pot_is_followed_into_the_night():
    got = day(*COOKING[-2:], start=15.0)
    e = len(got.since)
    np.testing.assert_array_equal(got.evening.time[:e], got.since)
    np.testing.assert_allclose(got.evening.temperature[:, :e], got.heating.temperature)
    assert got.evening.time[-1] == 9 * HOUR
    dark = got.evening.temperature[0, e:]
    assert (np.diff(dark) < 0.0).all()  # the sky is colder than the air
    assert got.heating.energies.absorbed[0] == pytest.approx(got.evening.energies.absorbed[0])


def test_food_that_stands_lukewarm_is_told_with_the_times():
    """Put on at six, beans are lukewarm until the sun is high; chosen by the command, never."""
    read = scenario(*COOKING)
    early = cooking_day(read, DAY, 6.5 * HOUR, settings=ONE)
    pots = day_drawn(read, DAY, 6.5 * HOUR, settings=ONE)
    first = early.lukewarm[0]
    assert first.start == 0.0
    assert first.end > 2 * HOUR
    same = lukewarm(early.evening.time, early.evening.temperature[0], early.evening_air)
    assert list(early.lukewarm) == same
    clock = f"{6 + int((1800 + first.end) // HOUR):02d}:{round((1800 + first.end) % HOUR / 60):02d}"
    words = " ".join(day_sentences(early, pots))
    assert f"Caution: the food stands between 4 and 60 °C from 06:30 to {clock}" in words
    assert "in 16 of 16 draws" in words
    assert "safe to eat until" not in words

    start = working_starts(read, DAY, ONE).best
    best = cooking_day(read, DAY, start, settings=ONE)
    pots = day_drawn(read, DAY, start, settings=ONE)
    assert pots.good().sum() >= needed(16)
    words = " ".join(day_sentences(best, pots))
    assert "Caution: the food stands" not in words
    # two hours after it has cooled to 60 °C in nine of ten draws
    until = np.sort(pots.hot_until()[:, 0])[1] + start
    until -= until % 300.0  # to five minutes
    clock, safe = (f"{int(t // HOUR):02d}:{int(t % HOUR // 60):02d}" for t in (until, until + 7200))
    assert f"to {clock} in nine of ten draws; safe to eat until {safe}," in words


def test_a_pot_that_dries_out_is_not_said_to_boil():
    read = scenario(*COOKING, "kitchen.water=0.05 L", "kitchen.lid_leak=100 %")
    got = cooking_day(read, DAY, 9 * HOUR, settings=ONE)
    dry = float(got.evening.dry[0])
    assert 0.0 < dry < got.since[-1]
    assert np.isnan(got.done.value)
    clock = f"{9 + int(dry // HOUR):02d}:{round(dry % HOUR / 60):02d}"
    words = " ".join(day_sentences(got))
    assert f"Caution: left alone, it dries out at {clock}" in words
    assert "the pot dries out first" in words
    assert "keeps the boil" not in words
    text = printed(day_tables(DayResult(got)))
    assert f"{clock} dries out" in text
    assert "sun down" not in text
    figure = course_figure(DayResult(got))
    assert f"dries out {clock}" in [t.get_text() for axes in figure.axes for t in axes.texts]
    assert flaws(figure) == []


def test_why_it_never_boils_is_the_seasons_reason():
    for change in ("kitchen.water=2.5 L", "mirror.cleanliness=0.1"):
        read = scenario(*SMALL, *OPEN, change)
        plan = SeasonPlan((dt.date.fromisoformat(DAY),), (9 * HOUR,), refill=False)
        cell = season(read, plan)
        got = cooking_day(read, DAY, 9 * HOUR, settings=ONE)
        assert got.reason == REASONS[int(cell.reason[0, 0])] != "boils"
        assert f"Why it never boils: {REASON_MEANINGS[got.reason]}" in " ".join(day_sentences(got))
        assert plain(DayResult(got))["pot"]["reason"] == got.reason


def test_draws_differ_in_build_and_turning():
    setups = draw_setups(scenario(*COOKING), LightSettings(build=4), 3)[:3]
    assert [(b.settings.build, b.settings.draw) for b in setups] == [(4, 4), (5, 5), (6, 6)]
    normals = [b.cooker.facets.n for b in setups]
    assert not np.allclose(normals[0], normals[1])
    assert not np.allclose(normals[1], normals[2])


def test_light_that_is_remembered_is_that_traced(monkeypatch):
    """Same bits, and moments that a second habit has in common with the first cost nothing."""
    cases = []

    def counted(cooker, suns, *rest, **more):
        cases.append(len(suns))
        return trace_cases(cooker, suns, *rest, **more)

    monkeypatch.setattr("raytrace.light.placed.trace_cases", counted)
    read, tracer = scenario(*COOKING), remembering()
    setups = draw_setups(read, ONE, 2)[:2]
    # half of the half-hourly habit's moments are the hourly one's; the same again has nothing new
    for every, least, most in ((3600.0, 1.0, 1.0), (1800.0, 0.3, 0.7), (1800.0, 0.0, 0.0)):
        habit, count = Habit(every), []
        for same in (None, tracer):
            cases.clear()
            got = day_drawn(read, DAY, 9 * HOUR, habit=habit, setups=setups, tracer=same)
            count.append((sum(cases), got.temperature))
        (traced, plain), (overwrite, remembered) = count
        np.testing.assert_array_equal(plain, remembered)
        assert least <= overwrite / traced <= most


def test_a_draw_at_best_values_is_the_pot_of_the_table():
    """The interval comes before it, and holds it."""
    read = known(scenario(*COOKING))
    pots = day_drawn(read, DAY, 9 * HOUR, settings=ONE)
    assert np.isfinite(pots.boils).all()
    one = cooking_day(read, DAY, 9 * HOUR, step=300.0, settings=LightSettings(replicates=8))
    assert pots.boils[0, 0] == pytest.approx(float(one.boils.value), rel=0.03)
    draws, likely = day_likely(read, DAY, 9 * HOUR, 16, ONE)
    text = " ".join(day_sentences(one, draws, likely=likely))
    assert text.startswith("Boils at ")
    assert text.index("(95 %)") < text.index("The one of table and figure (build 0, at best")
    assert likely.boils.inputs < 0.1 * likely.boils.spread


def test_the_courtyard_boils_two_litres_about_midwinter_alone():
    """What README says of it, turned every half-hour and every ten minutes, at best values."""
    read = load_scenario(SCENARIOS / "courtyard.toml")
    setups = draw_setups(known(read), LightSettings())
    lazy, often = (
        [
            day_drawn(read, date, 10 * HOUR, habit=habit, setups=setups).boils
            for date in ("2026-12-21", DAY)
        ]
        for habit in (None, Habit(600.0))
    )
    for _, spring in (lazy, often):
        assert np.isnan(spring).all()
    assert 0 < np.isfinite(lazy[0]).sum() < 8
    assert np.isfinite(often[0]).sum() >= 15
    assert np.nanmean(lazy[0]) == pytest.approx(3.3 * HOUR, rel=0.1)
    assert np.nanmean(often[0]) == pytest.approx(2 * HOUR, rel=0.1)
    # with all that isn't known of it, few can be sure of either
    setups = draw_setups(read, LightSettings())
    boils = day_drawn(read, "2026-12-21", 10 * HOUR, habit=Habit(600.0), setups=setups).boils
    assert 4 <= np.isfinite(boils).sum() <= 14
