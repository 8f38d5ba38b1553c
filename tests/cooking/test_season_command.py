"""What a cook reads: the season's and the day's words, tables, files; stopping and going on."""

from __future__ import annotations

import csv
import datetime as dt
import json
from dataclasses import fields, replace
from pathlib import Path

import h5py
import numpy as np
import pvlib
import pytest
from pictures import flaws
from rich.console import Console
from store.test_results import same
from typer.testing import CliRunner

from raytrace import load_scenario, read_result
from raytrace.cli import app
from raytrace.commands.dates import date_range, read_clock, read_clocks
from raytrace.exceptions import SkyError
from raytrace.light.setup import LightSettings
from raytrace.light.turning import NEVER, Habit, habit_of
from raytrace.reports.common.cautions import CAUTIONS, COOKING
from raytrace.reports.cooking.day import day_tables
from raytrace.reports.cooking.day_words import day_sentences, habit_sentences, spread_words
from raytrace.reports.cooking.season import cell_words
from raytrace.reports.cooking.season_figures import starts_figure
from raytrace.reports.cooking.season_words import never_words, season_sentences
from raytrace.statistics.draws import kept_by
from raytrace.store.plain import plain, table
from raytrace.studies.cooking import season as study
from raytrace.studies.cooking.day import DayResult
from raytrace.studies.cooking.day_draws import DayDraws, draw_setups
from raytrace.studies.cooking.never_boils import REASONS
from raytrace.studies.cooking.pot_day import HabitWorth, compare_habits, cooking_day, day_drawn
from raytrace.studies.cooking.season import Season, SeasonPlan, start_moments
from raytrace.studies.cooking.season_months import rows_of
from raytrace.studies.cooking.start_time import Refill, latest_ready, top_ups_of, working_starts

SCENARIOS = Path(__file__).parents[2] / "scenarios"
HIGHLAND = SCENARIOS / "highland.toml"
HOURS = (8, 9, 10, 11)
WEATHER = Path(pvlib.__file__).parent / "data" / "703165TY.csv"


def made_up(minutes, *, se=60.0, reason="low sun", dates=None, **changes):
    """Season with given minutes to the boil by month and start; nan where it never boils."""
    scenario = load_scenario(HIGHLAND, ["kitchen.done_after=0 min"])
    dates = dates or tuple(dt.date(2026, m, d) for m in range(1, 13) for d in (1, 11, 21))
    plan = SeasonPlan(dates, tuple(3600.0 * h for h in HOURS))
    boils = 60.0 * np.array([minutes[d.month - 1] for d in dates], dtype=float)
    some = np.isfinite(boils)
    parts = {
        f.name: np.zeros(boils.shape)
        for f in fields(Season)
        if f.name not in ("scenario", "plan", "habit", "boiling")
    }
    parts |= {
        "boils": boils,
        "boils_se": np.where(some, se, np.nan),
        "done": boils,
        "done_se": np.where(some, se, np.nan),
        "delivered": np.full(boils.shape, 200.0),
        "delivered_se": np.ones(boils.shape),
        "highest": np.where(some, 360.0, 340.0),
        "reason": np.where(some, 0, REASONS.index(reason)),
        "unsure": np.zeros(boils.shape, dtype=bool),
        "batches": some.any(axis=1) * 3.0,
        "batches_se": np.zeros(len(dates)),
        "batches_start": np.zeros(len(dates), dtype=int),
        "start_at": start_moments(scenario, dates, plan.starts),
        "tried": (),
        "likely": None,
        "calendar": None,
    }
    parts |= changes
    return Season(scenario, plan, habit_of(scenario), 360.3, **parts)


YEAR = np.full((12, 4), np.nan)
YEAR[3:9] = [[90.0, 55.0, 58.0, 70.0]] * 6


def test_the_answer_comes_first_in_plain_words():
    first, *rest = season_sentences(made_up(YEAR))
    assert first.startswith("From April to September put the pot on at 9:00: 2 L of water")
    assert "boil in 55 ± 1 min" in first
    text = " ".join(rest)
    assert "From October to March it never boils: the sun stands too low" in text
    assert "The warmest it gets is 66.8" in text or "The warmest it gets is 66.9" in text  # 340 K
    # of the months' days in which it boils, which the first sentence names
    assert "By 12:00 it boils on every one of these days, put on at 11:00" not in text
    assert "By 12:00 it boils on every one of these days, put on at 10:00" in text
    assert "6.0 L a day in April and none in January" in text
    assert "the last that still comes to the boil is at 11:00" in text


def test_a_year_that_never_boils_says_why_and_how_warm():
    text = " ".join(season_sentences(made_up(YEAR * np.nan, reason="off design")))
    assert text.startswith("On these dates it never boils: the sun stands too far off")
    assert "By 12:00" not in text
    assert "L a day" not in text


def test_the_best_start_moves_with_the_months():
    minutes = YEAR.copy()
    minutes[3] = [90.0, 80.0, 75.0, 60.0]
    text = " ".join(season_sentences(made_up(minutes)))
    assert "The best start moves with the months, from 9:00 in May to 11:00 in April" in text


def test_months_in_which_it_seldom_boils_are_told_apart():
    minutes = np.full((36, 4), np.nan)
    minutes[::3, 1] = 60.0  # one of three dates in every month
    scenario = made_up(YEAR)
    season = replace(scenario, boils=60.0 * minutes, reason=np.where(np.isfinite(minutes), 0, 2))
    text = " ".join(season_sentences(season))
    assert "it works on at most 3 of ten days: there is too much cloud" in text
    months = season.months
    assert cell_words(months, 0, 1) == "(3)"
    assert cell_words(months, 0, 0) == "c"


def test_cells_show_minutes_stars_and_letters():
    months = made_up(YEAR).months
    assert [cell_words(months, 4, k) for k in range(4)] == ["90", "55", "58", "70"]
    assert {cell_words(months, 0, k) for k in range(4)} == {"l"}
    boils = made_up(YEAR).boils.copy()
    boils[9, 1] = np.nan  # one of April's three dates
    assert cell_words(replace(made_up(YEAR), boils=boils).months, 3, 1) == "55*"
    for minutes in (YEAR, YEAR * np.nan):
        assert flaws(starts_figure(made_up(minutes, reason="off design"))) == []


def test_months_name_start_time_share_and_litres():
    season = made_up(YEAR)
    best, k = season.best, int(season.best.which[3])  # April
    assert (best.start[3], best.latest[3]) == (9 * 3600.0, 11 * 3600.0)
    assert season.months.boils[3, k] == 1.0
    assert season.months.boil_median[3, k] == pytest.approx(55.0 * 60.0)
    assert best.litres[3] == pytest.approx(6.0)  # three pots of 2 L
    assert np.isnan(best.start[0])
    assert never_words(season, rows_of(season, (2026, 1))) == "the sun stands too low"


def test_rows_and_facts_are_plain_and_carry_units():
    season = made_up(YEAR)
    columns, rows = table(season, "date", "start")
    assert columns[:2] == ["date", "start"]
    assert len(rows) == 36 * 4
    first = dict(zip(columns, rows[0], strict=True))
    assert first["boils_min"] is None
    assert first["outcome"] == "low sun"
    facts = plain(season)
    json.dumps(facts, allow_nan=False)
    assert np.shape(facts["months"]["delivered_W"]) == (12, 4)
    assert facts["months"]["boil_median_min"][4][1] == pytest.approx(55.0)
    assert season.share_by(43200.0)[1] == pytest.approx(0.5)


def test_dates_between_options():
    scenario = load_scenario(HIGHLAND)
    year = date_range(scenario, None, None, 1)
    assert (len(year), year[0], year[-1]) == (365, dt.date(2026, 1, 1), dt.date(2026, 12, 31))
    leap = date_range(scenario, "2028-02-27", "2028-03-01", 1)
    assert dt.date(2028, 2, 29) in leap
    assert len(date_range(scenario, "2026-07-01", None, 7)) == 53
    assert read_clock("23:59", "--by") == 86340.0
    assert read_clocks("8:30..10:30", "--starts") == (30600.0, 34200.0, 37800.0)


# --- the day -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def few():
    return LightSettings.of(load_scenario(HIGHLAND), beams=1, replicates=4)


@pytest.fixture(scope="module")
def highland():
    return load_scenario(HIGHLAND)


def test_the_latest_start_is_ready_and_a_later_one_is_not(highland, few):
    by = 13 * 3600.0
    setups = draw_setups(highland, few, 4)[:4]
    found = latest_ready(highland, "2026-06-21", by, few, setups=setups)
    assert found.what == "done"
    assert found.holds
    at, later = (
        day_drawn(highland, "2026-06-21", found.start + d, setups=setups) for d in (0.0, 300.0)
    )
    np.testing.assert_array_equal(at.done, found.draws.done)
    assert (found.start + at.done).max() <= by
    assert (found.start + 300.0 + later.done).max() > by
    assert at.at(np.array([by - found.start])).min() >= 333.15
    words = day_sentences(cooking_day(highland, "2026-06-21", found.start), ready=found)[0]
    assert words.startswith("To have it done, and still hot, at 13:00, put the pot on at ")


def test_a_time_that_cannot_be_met_names_the_soonest(highland, few):
    setups = draw_setups(highland, few, 3)[:3]
    found = latest_ready(highland, "2026-06-21", 10 * 3600.0, few, setups=setups)
    assert np.isnan(found.start)
    # whatever the start of those until then
    assert found.earliest > 10 * 3600.0
    day = cooking_day(highland, "2026-06-21", 9 * 3600.0, settings=few)
    assert "Whenever it is put on" in day_sentences(day, ready=found)[0]


def test_the_start_is_about_as_quick_as_its_neighbours(highland, few):
    """By the time that nine of ten draws keep within: the middle of a row as quick within 5 %."""
    start = working_starts(highland, "2026-06-21", few).best
    took = [
        kept_by(day_drawn(highland, "2026-06-21", start + d, settings=few).done)
        for d in (0.0, -1800.0, 1800.0)
    ]
    assert took[0] <= 1.05 * np.nanmin(took[1:])


def test_cold_water_mixes_as_calorimetry_says(highland, few):
    """Mean of both temperatures weighed by heat capacity; c = 4.19 kJ/(kg K) within 1 %.

    Water between 10 and 60 °C: 4.18 to 4.20 kJ/(kg K), Incropera et al., appendix A.6, from
    memory, as is calorimetry's rule of mixtures.
    """
    start, clock = 10 * 3600.0, 11 * 3600.0
    ups = top_ups_of(highland, "2026-06-21", start, [Refill(clock, 1e-3)])
    ((since, mass, cold),) = ups
    assert since == 3600.0
    assert mass == pytest.approx(0.998, abs=0.001)  # a litre at 20 °C, check values of CoolProp
    assert cold == pytest.approx(283.15)  # the scenario's water comes from a well at 10 °C
    with_ = cooking_day(highland, "2026-06-21", start, step=60.0, settings=few, top_ups=ups)
    k = int(np.searchsorted(with_.since, since))
    before, after = with_.temperature.value[k - 1 : k + 2 : 2] - 273.15
    plain = cooking_day(highland, "2026-06-21", start, step=60.0, settings=few)
    rate = np.diff(plain.temperature.value[k - 1 : k + 2]).mean()
    kitchen = highland.kitchen
    there = 2.0 * 4190.0 + 0.8 * 3400.0 + 1.6 * 460.0
    mixed = (there * (before + rate) + mass * 4190.0 * 10.0) / (there + mass * 4190.0)
    assert after - rate * there / (there + mass * 4190.0) == pytest.approx(mixed, abs=0.4)
    assert float(with_.boils.value) > float(plain.boils.value) or np.isnan(with_.boils.value)
    assert kitchen.food == pytest.approx(0.8)
    with pytest.raises(SkyError, match="after the pot is put on"):
        top_ups_of(highland, "2026-06-21", start, [Refill(9 * 3600.0, 1e-3)])


def test_a_days_rows_follow_the_clock_and_its_energy_closes(highland, few):
    day = cooking_day(highland, "2026-06-21", 10 * 3600.0, settings=few)
    rows = day.rows
    assert rows.time[0] == "2026-06-21T10:00:00-05:00"
    assert rows.turned.sum() == len(day.turnings)
    assert np.isnan(rows.delivered_before[0])
    assert np.isnan(rows.delivered[-1])
    e = day.heating.energies
    out = e.convection + e.radiation + e.evaporation + e.stored + e.discarded
    np.testing.assert_allclose(out, e.absorbed + e.added, rtol=1e-6)


def worth(every, face, boils, highest=360.0, turnings=3):
    """Ten draws of a habit, hot throughout, that boil at given times, or some at others."""
    times = np.broadcast_to(np.asarray(boils, dtype=float), 10)[:, None]
    time = np.array([0.0, 20000.0])
    some = np.full((10, 1), 200.0) + np.arange(10)[:, None]
    draws = DayDraws(
        scenario=load_scenario(HIGHLAND),
        goal="boils",
        start=np.zeros(1, dtype=np.int64),
        sunset=time[1:],
        time=time,
        air=np.full((10, 1, 2), 290.0),
        temperature=np.full((10, 1, 2), 350.0),
        boils=times,
        near=times,
        done=times,
        dry=np.full((10, 1), np.nan),
        highest=np.full((10, 1), highest),
        energy=1e4 * some,
        watts=some,
    )
    return HabitWorth(Habit(every, face), turnings, draws)


def test_the_laziest_habit_that_does_is_named():
    habits = [
        worth(NEVER, "now", np.nan, 330.0),
        worth(3600.0, "now", np.nan, 350.0),
        worth(3600.0, "ahead", 3700.0, turnings=1),
        worth(1800.0, "ahead", 3100.0, turnings=2),
        worth(600.0, "now", 3000.0, turnings=6),
    ]
    first, how, others = habit_sentences(habits)
    assert first.startswith("How often to turn: every 30 min ahead of the sun is enough, twice")
    assert "within 52 min in 9 of 10 draws (every 10 min, the quickest, within 50 min)" in how
    # the measure, and that of the other command
    assert "at most 5 % slower than the quickest" in how
    assert "`cooker window` measures" in how
    assert others == "Turned every 60 min, it boils in 0 of 10 draws."


def test_a_habit_is_not_chosen_by_a_mean_over_two_groups():
    """3 of 10 draws boil at 20 min and 7 at 100: quicker in the mean than 80, not for a cook."""
    parted = np.where(np.arange(10) < 3, 1200.0, 6000.0)
    assert parted.mean() < 4800.0
    habits = [worth(1800.0, "now", parted), worth(600.0, "now", 4800.0)]
    assert "every 10 min is enough" in habit_sentences(habits)[0]
    # and none is enough that fails in half of the draws
    half = np.where(np.arange(10) < 5, 1200.0, np.nan)
    words = habit_sentences([worth(1800.0, "now", half), worth(600.0, "now", np.nan)])
    words = " ".join(words)
    assert "no habit does in nine of ten draws" in words
    assert "within 20 min in 5 of 10 draws" in words
    assert spread_words(parted) == "in 3 after 20 min, in 7 after 100 min"


# --- cautions ------------------------------------------------------------------------------------


def test_food_temperatures_are_the_authoritys_in_both_units():
    """USDA FSIS's chart is in Fahrenheit; the conversion is exact: (F − 32) / 1.8."""
    food = dict(CAUTIONS)["Food"]
    for fahrenheit, celsius in ((165, "73.9"), (160, "71.1"), (145, "62.8"), (40, "4.4")):
        assert f"{(fahrenheit - 32) / 1.8:.1f}" == celsius
        assert celsius in food
    for word in ("scald", "boils dry", "sunglasses are no protection", "local advice", "USDA FSIS"):
        assert word in COOKING
    assert "Steam and boiling" in dict(CAUTIONS)


# --- the commands --------------------------------------------------------------------------------


def run(*words, file=HIGHLAND):
    command, *rest = words
    return CliRunner().invoke(app, [command, str(file), *rest], env={"COLUMNS": "80"})


QUICK = (
    "--every",
    "45",
    "--starts",
    "9, 11",
    "--step",
    "20 min",
    "--replicates",
    "2",
    "--draws",
    "8",
)
SHORT = (*QUICK[:-1], "0", "--from", "2026-04-10", "--to", "2026-07-10")  # three months of it


def test_season_writes_what_it_prints(tmp_path):
    out = tmp_path / "year"
    got = run("season", *QUICK, "-o", str(out))
    assert got.exit_code == 0, got.output
    assert max(len(line) for line in got.stdout.splitlines() if "tmp" not in line) <= 80
    assert "ut it on" in got.stdout
    assert "boils dry" in got.stderr.replace("\n", " ")
    with h5py.File(tmp_path / "year.h5") as file:
        assert file.attrs["kind"] == "season"
        assert file["boils"].shape == (9, 2)
        assert file["boils"].attrs["units"] == "s"
        boils = file["boils"][:]
    rows = list(csv.DictReader((tmp_path / "year.csv").read_text().splitlines()))
    assert len(rows) == 18
    minutes = [float(r["boils_min"]) if r["boils_min"] else np.nan for r in rows]
    np.testing.assert_allclose(minutes, boils.ravel() / 60.0)
    for name in ("year-starts.png", "year-year.png"):
        assert (tmp_path / name).stat().st_size > 10_000


def test_season_goes_on_where_it_was_stopped(tmp_path, monkeypatch):
    whole = json.loads(run("season", *SHORT, "--no-files", "--json").stdout)
    real = study.iter_parts

    def stops(*args, **keys):
        for k, part in enumerate(real(*args, **keys)):
            if k == 2:
                raise KeyboardInterrupt
            yield part

    out = ("--no-figures", "-o", str(tmp_path / "half"))
    monkeypatch.setattr(study, "iter_parts", stops)
    got = run("season", *SHORT, *out)
    assert got.exit_code == 130
    assert "give the same command to go on" in got.stderr
    assert not (tmp_path / "half.h5").exists()
    monkeypatch.setattr(study, "iter_parts", real)
    got = run("season", *SHORT, *out, "--json")
    assert got.exit_code == 0, got.output
    assert "holds 2 finished parts" in " ".join(got.stderr.split())
    facts = json.loads(got.stdout)
    assert facts["months"] == whole["months"]
    # other words never continue the same file
    again = run("season", *SHORT, *out, "--json")
    assert "nothing is computed again" in " ".join(again.stderr.split())
    assert json.loads(again.stdout)["months"] == whole["months"]
    other = run("season", *SHORT, *out, "--turn-every", "never")
    assert other.exit_code == 2
    assert "holds another study" in other.stderr.replace("\n", " ")


def test_a_real_weather_year_runs(tmp_path):
    """Sand Point, Alaska: the TMY3 file that pvlib ships as data."""
    place = [
        f'sky.weather_file="{WEATHER}"',
        'sky.dni="weather file"',
        "site.latitude=55.32 deg",
        "site.longitude=-160.52 deg",
        "site.altitude=7 m",
        'site.timezone="America/Anchorage"',
        "design.sun_altitude=40 deg",
        "design.date=2026-06-21",
    ]
    words = [w for change in place for w in ("--set", change)]
    got = run(
        "season", *words, "--from", "2026-04-01", "--to", "2026-08-31", "--every", "12",
        "--starts", "11, 13", "--by", "15:00", "--step", "20 min", "--draws", "0", "--no-files",
        "--json",
    )  # fmt: skip
    assert got.exit_code == 0, got.output
    facts = json.loads(got.stdout)
    assert any("typical year" in words for words in facts["sentences"])
    shares = np.array(facts["months"]["boils"], dtype=float)
    assert 0.0 <= shares.min() <= shares.max() < 1.0  # never every day on that coast
    assert {r for row in facts["outcome"] for r in row} <= set(REASONS)


def test_day_as_json(tmp_path):
    got = run(
        "day", "2026-06-21", "--start", "10:00", "--top-up", "11:30 0.5 L", "--hold", "20 min",
        "--over", "80 degC", "--turn-every", "20 min", "--face", "ahead", "--no-habits",
        "--step", "5 min", "--replicates", "4", "--draws", "8", "--json",
        "-o", str(tmp_path / "day"),
    )  # fmt: skip
    assert got.exit_code == 0, got.output
    facts = json.loads(got.stdout)
    pot = facts["pot"]
    assert pot["rows"]["time"][0] == "2026-06-21T10:00:00-05:00"
    assert (pot["habit"]["every_min"], pot["habit"]["face"]) == (20.0, "ahead")
    assert pot["turnings"][1]["time"] == "2026-06-21T10:20:00-05:00"
    assert pot["boils_min"] > pot["near_min"] > 0.0
    same(read_result(tmp_path / "day.h5", "day"), read_result(tmp_path / "day.h5"))
    assert (tmp_path / "day-course.png").stat().st_size > 10_000
    rows = list(csv.DictReader((tmp_path / "day.csv").read_text().splitlines()))
    assert len(rows) == len(pot["rows"]["time"])


def test_day_prints_within_eighty_columns(highland, few, capsys):
    day = cooking_day(highland, "2026-06-21", 10 * 3600.0, settings=few)
    habits = [worth(7200.0, "ahead", 12000.0), worth(600.0, "now", np.nan)]
    console = Console(width=80, highlight=False)
    for part in day_tables(DayResult(day, worth=tuple(habits))):
        console.print(part)
    out = capsys.readouterr().out
    assert "How often to turn" in out
    assert "…" not in out


def test_habits_are_compared_on_request(highland):
    habits = (Habit(NEVER), Habit(600.0))
    setups = draw_setups(highland, LightSettings.of(highland), 3)[:3]
    never, often = compare_habits(highland, "2026-06-21", 10 * 3600.0, habits, setups=setups)
    assert np.isnan(never.draws.boils).all()
    assert often.draws.boils.max() < 7200.0
    text = " ".join(habit_sentences([never, often]))
    assert "every 10 min is enough" in text
    assert "Never turned, it is done in 0 of 3 draws." in text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("day", "21 June"), "2026-06-21"),
        (("day", "2026-06-21", "--start", "25:00"), "--start"),
        (("day", "2026-06-21", "--start", "9:00", "--ready-by", "12:00"), "one of them"),
        (("day", "2026-06-21", "--top-up", "12:00"), "--top-up"),
        (("day", "2026-06-21", "--face", "north"), "habit.face"),
        (("season", "--starts", "17..6"), "--starts"),
        (("season", "--step", "2 h"), "--step"),
        (("season", "--turn-every", "soon"), "habit.turn_every"),
    ],
)
def test_commands_refuse_what_they_cannot_read(words, says):
    got = run(*words, "--no-files")
    assert got.exit_code == 2
    assert says in got.stderr


def test_a_polar_night_is_refused_in_words():
    place = ["site.latitude=69.65 deg", "site.longitude=18.96 deg", 'site.timezone="Europe/Oslo"']
    words = [w for change in place for w in ("--set", change)]
    got = run("day", "2026-12-21", "--no-files", *words)
    assert got.exit_code == 2
    assert "polar night: the sun does not rise" in got.stderr
