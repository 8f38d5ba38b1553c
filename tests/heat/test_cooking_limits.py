"""What a cook asks that cannot be, or hangs on the place: said in words, not silently never."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cooking.test_season_command import YEAR, made_up
from rich.console import Console
from typer.testing import CliRunner

from raytrace import load_scenario
from raytrace.cli import app
from raytrace.exceptions import HeatError, SkyError
from raytrace.heat.wanted import goal_of
from raytrace.light.setup import LightSettings
from raytrace.reports.cooking.cooking_power import at_50_words
from raytrace.reports.cooking.day import day_tables
from raytrace.reports.cooking.day_words import day_sentences
from raytrace.reports.cooking.season import season_tables
from raytrace.reports.cooking.season_words import season_sentences
from raytrace.store.plain import plain
from raytrace.studies.cooking.day import DayResult
from raytrace.studies.cooking.heating_test import heating_test
from raytrace.studies.cooking.never_boils import REASONS
from raytrace.studies.cooking.pot_day import cooking_day
from raytrace.studies.cooking.season import SeasonPlan, season
from raytrace.studies.cooking.start_time import Refill, top_ups_of, working_starts

SCENARIOS = Path(__file__).parents[2] / "scenarios"
HIGHLAND = SCENARIOS / "highland.toml"
HIGH_UP = ("site.altitude=4500 m", "kitchen.done_after=1 h", "kitchen.done_over=90 degC")
MIDSUMMER = dt.date(2026, 6, 21)
TEN = 36000.0
STARTS = tuple(3600.0 * hour for hour in range(5, 20))


def day_of(*changes, start=TEN, **more):
    read = load_scenario(HIGHLAND, changes)
    settings = LightSettings.of(read, beams=1, replicates=2)
    return cooking_day(read, MIDSUMMER, start, step=600.0, settings=settings, **more)


def printed(parts):
    console = Console(width=80, highlight=False)
    with console.capture() as got:
        for part in parts:
            console.print(part)
    return got.get()


# --- food and water ------------------------------------------------------------------------------


def test_food_that_is_to_be_hotter_than_water_boils_is_told_so():
    """ICAO's standard atmosphere has 57.7 kPa at 4 500 m: 84.9 °C in steam tables, from memory."""
    day = day_of(*HIGH_UP)
    assert day.boiling - 273.15 == pytest.approx(84.9, abs=0.3)
    text = " ".join(day_sentences(day))
    assert (
        "can never get done (60 min without a break at 90 °C or over): water boils at 84.9 °C"
        in text
    )
    assert "kitchen.done_over" in text
    # what can be reached is looked for instead
    assert goal_of(day.scenario) == "boils"

    low = replace(made_up(YEAR), scenario=day.scenario, boiling=day.boiling)
    assert "can never get done" in " ".join(season_sentences(low))


def test_food_that_gets_done_is_not_told_that_it_cannot():
    day = day_of("site.altitude=4500 m", "kitchen.done_after=20 min", "kitchen.done_over=80 degC")
    text = " ".join(day_sentences(day))
    assert "The food is done (20 min without a break at 80 °C or over)" in text
    assert "can never" not in text


def test_a_pot_cannot_start_hotter_than_water_boils():
    hot = ("site.altitude=5000 m", "kitchen.start_temperature=90 degC")
    with pytest.raises(HeatError, match=r"kitchen\.start_temperature is 90\.0 degC.*81 degC"):
        day_of(*hot)
    with pytest.raises(HeatError, match=r"kitchen\.start_temperature"):
        season(load_scenario(HIGHLAND, hot), SeasonPlan((MIDSUMMER,), (TEN,), replicates=2))


def test_without_water_a_day_is_told_by_its_food_and_a_season_is_refused():
    day = day_of("kitchen.water=0 L", "kitchen.done_after=20 min")
    first = day_sentences(day)[0]
    assert "0.8 kg of food and no water get no warmer than" in first
    assert "boil" not in first
    text = printed(day_tables(DayResult(day)))
    assert "no water that could boil" in text
    assert "food" in text
    with pytest.raises(HeatError, match=r"kitchen\.water is 0 L"):
        season(day.scenario, SeasonPlan((MIDSUMMER,), (TEN,), replicates=2))


def test_water_added_may_not_run_over():
    read = load_scenario(HIGHLAND)
    more = top_ups_of(read, MIDSUMMER, TEN, [Refill(TEN + 1800.0, 0.1)])
    with pytest.raises(HeatError, match="in the pot, which holds"):
        day_of(top_ups=more)
    with pytest.raises(SkyError, match="cold water at 9:00"):
        top_ups_of(read, MIDSUMMER, TEN, [Refill(32400.0, 1e-3)])


@pytest.mark.parametrize(
    ("changes", "start", "words"),
    [
        (("kitchen.water=4 L", "pot.height=240 mm"), 12.5, "but do not last long enough"),
        (("mirror.reflectance=0.18",), 10.0, "even if its best watts went on"),
    ],
)
def test_a_pot_that_never_boils_is_told_what_its_best_watts_would_do(changes, start, words):
    day = day_of(*changes, start=start * 3600.0)
    assert np.isnan(float(day.boils))
    assert words in day_sentences(day)[1]


# --- the clock -----------------------------------------------------------------------------------


def test_a_start_that_the_clock_skips_is_refused_in_a_cooks_words():
    read = load_scenario(SCENARIOS / "terrace.toml")
    with pytest.raises(SkyError, match=r"02:30 on 2026-03-29 is skipped.*earlier or later"):
        cooking_day(read, "2026-03-29", 2.5 * 3600.0)
    with pytest.raises(SkyError, match=r"02:30 on 2026-10-25 happens twice.*earlier or later"):
        cooking_day(read, "2026-10-25", 2.5 * 3600.0)


def test_the_last_day_of_the_calendar_is_refused():
    with pytest.raises(SkyError, match="end of the calendar"):
        cooking_day(load_scenario(HIGHLAND), "9999-12-31", TEN)


def test_under_the_midnight_sun_the_day_ends_and_the_sun_does_not_set():
    north = ("site.latitude=69.65 deg", "site.longitude=18.96 deg", "site.timezone=Europe/Oslo")
    dull = ("mirror.reflectance=12 %",)  # a pot that was hot and cools ends the table sooner
    text = printed(day_tables(DayResult(day_of(*north, *dull))))
    assert "day ends" in text
    assert "sun down" not in text


def test_on_a_day_without_sun_the_pot_is_put_up_by_day():
    dark = load_scenario(HIGHLAND, ["sky.dni=1e-6 W/m2", "air.temperature=10 degC"])
    few = LightSettings.of(dark, beams=1, replicates=2)
    assert 6 * 3600.0 <= working_starts(dark, MIDSUMMER, few).best <= 14 * 3600.0


# --- words that must stay true -------------------------------------------------------------------


def test_months_that_never_boil_for_different_reasons_are_told_apart():
    study = made_up(YEAR * np.nan, reason="weak mirrors")
    winter = np.array([d.month in (11, 12, 1, 2) for d in study.dates])
    reason = np.where(winter[:, None], REASONS.index("low sun"), study.reason)
    first = season_sentences(replace(study, reason=reason))[0]
    assert first.startswith(
        "On these dates it never boils: from November to February the sun stands too low; from "
        "March to October what the mirrors bring does not outdo what the pot loses."
    )


def test_starts_about_as_quick_are_named_and_small_gains_are_not_chased():
    minutes = YEAR.copy()
    minutes[3:9] = [90.0, 55.0, 58.0, 70.0]
    minutes[4] = [90.0, 56.0, 55.0, 70.0]  # one minute sooner at 10:00: random draws
    text = " ".join(season_sentences(made_up(minutes)))
    assert "Starts from 9:00 to 10:00 take about as long, a tenth more at most." in text
    assert "moves with the months" not in text


def test_the_latest_start_says_that_none_later_was_tried():
    text = " ".join(season_sentences(made_up(YEAR)))
    assert "is at 11:00; later than 11:00 none was tried." in text
    minutes = YEAR.copy()
    minutes[:, 3] = np.nan
    season = made_up(minutes)
    assert "none was tried" not in " ".join(season_sentences(season))


def test_the_headline_is_the_tables_median_and_starts_left_out_are_told():
    study = season(
        load_scenario(HIGHLAND),
        SeasonPlan((MIDSUMMER, MIDSUMMER + dt.timedelta(days=1)), STARTS, 1800.0, replicates=2),
    )
    k = int(study.best.which[0])
    median = study.months.boil_median[0, k]
    assert median == pytest.approx(np.sort(study.boils[:, k])[0])
    text = printed(season_tables(study))
    minutes = f"boil in {median / 60.0:.0f} "
    assert minutes in season_sentences(study)[0]
    assert "One start in 2 is shown." in text


def test_a_seasons_tables_fit_eighty_columns_in_weather_too():
    clear = made_up(YEAR, absorbed=np.full((36, 4), 1234.5), absorbed_se=np.full((36, 4), 0.2))
    sky = clear.scenario.sky.model_copy(update={"dni": "weather file"})
    weather = replace(clear, scenario=clear.scenario.model_copy(update={"sky": sky}))
    for study in (clear, weather):
        text = printed(season_tables(study))
        assert "…" not in text
        assert "1234 ± <1" in text or "1235 ± <1" in text
        watts = text[text.index("Never:") :]
        assert watts.count(" 200 ") >= 4 * 12 - 12  # made up; the last column ends its line
        assert "standard errors: at most 1.0 W" in watts  # of each day, as if it were the same
    assert "10–90 %" in text


def test_a_day_shows_heat_efficiency_and_standardised_cooking_power():
    day = day_of()
    test = heating_test(day.scenario, settings=day.settings)
    text = printed(day_tables(DayResult(day, test=test)))
    assert "…" not in text
    e = day.heating.energies
    kept = float(1.0 - (e.convection[0] + e.radiation[0]) / e.absorbed[0])
    assert f"efficiency {100.0 * kept:.1f} %" in " ".join(text.split())
    assert at_50_words(test.power) in text
    assert "ASAE S580.1" in text
    facts = plain(DayResult(day, test=test))
    json.dumps(facts, allow_nan=False)
    assert facts["pot"]["efficiency"] == pytest.approx(kept)
    assert facts["test"]["power"]["at_50_W"][0] == pytest.approx(test.power.at_50[0])


def test_never_turned_goes_with_a_scenario_that_aims_ahead():
    got = CliRunner().invoke(
        app,
        [
            "season", str(SCENARIOS / "terrace.toml"), "--turn-every", "never", "--from",
            "2026-06-21", "--to", "2026-06-21", "--starts", "12", "--replicates", "2",
            "--no-files", "--json",
        ],
    )  # fmt: skip
    assert got.exit_code == 0, got.output
    facts = json.loads(got.stdout)
    assert (facts["habit"]["every_min"], facts["habit"]["face"]) == (None, "now")
