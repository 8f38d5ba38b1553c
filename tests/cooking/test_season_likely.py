"""What may be expected of a season's start: its interval over draws, stored and told."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from cooking.test_day import EXACT, STEADY
from cooking.test_day_draws import printed
from cooking.test_season import CUP, HOUR, OPEN, SMALL, known, made_up, plan, scenario
from rich.console import Console
from store.test_results import same
from typer.testing import CliRunner

from raytrace import read_result
from raytrace.cli import app
from raytrace.light.setup import LightSettings
from raytrace.reports.cooking.season import season_tables
from raytrace.reports.cooking.season_answer import season_answer
from raytrace.reports.cooking.season_words import season_sentences
from raytrace.statistics.likely import Likely
from raytrace.store.plain import plain
from raytrace.studies.cooking.day_likely import day_likely
from raytrace.studies.cooking.season import iter_parts, put_together, season
from raytrace.studies.cooking.season_choice import works
from raytrace.studies.cooking.season_likely import DATES, SeasonLikely, season_likely

COOKING = (*SMALL, *CUP, *OPEN, "kitchen.done_after=0 min")
DAYS = ("2026-05-20", "2026-06-21")


def test_nothing_uncertain_is_the_plain_answer():
    """Every input known, no errors: draws differ by their samples alone, one beam a facet."""
    known_exactly = (*EXACT, *STEADY, "mirror.slope_error=0 mrad")
    read = known(scenario(*COOKING, *known_exactly))
    got = season(read, plan(*DAYS, starts=(9,), refill=False, replicates=8, draws=8))
    assert got.likely.start == 9 * HOUR
    assert got.likely.dates == got.dates
    boils, middle = got.likely.boils, float(np.median(got.boils))
    one = np.sqrt(8.0) * float(got.boils_se.max())  # of one replicate, as each draw has
    assert boils.high - boils.low < 5.0 * one < 0.2 * middle
    assert abs(boils.middle - middle) < 3.0 * one
    share = float(works(got)[:, 0].mean())
    found = got.likely.works
    assert (found.low, found.middle, found.high) == (share, share, share) == (1.0, 1.0, 1.0)


def test_one_date_is_what_a_day_expects(tmp_path):
    """The very same draws as `cooker day` follows from that start; and read back as written."""
    read = scenario(*COOKING, "kitchen.done_after=10 min")
    asked, path = plan(DAYS[1], starts=(9,), refill=False, draws=8), tmp_path / "june.h5"
    got = season(read, asked, path=path, command="cooker season cup.toml --draws 0 -o june.h5")
    _, day = day_likely(read, DAYS[1], 9 * HOUR, 8, LightSettings())
    assert got.likely.boils == day.boils
    assert got.likely.done == day.done
    assert got.likely.boils.low < got.likely.boils.middle < got.likely.boils.high
    same(read_result(path).likely, got.likely)
    shown = plain(got)["likely"]
    assert (shown["boils_min"]["count"], shown["boils_min"]["never"]) == (8, 0.0)
    assert shown["start"] == "9:00"
    assert shown["dates"] == [DAYS[1]]
    out = CliRunner().invoke(app, ["show", str(path), "--calendar", "kitchen.pdf"])
    assert out.exit_code == 2
    assert "cooker season cup.toml -o june.h5 --calendar kitchen.pdf --overwrite" in " ".join(
        out.output.split()
    )
    assert shown["boils_min"]["high"] == pytest.approx(got.likely.boils.high / 60.0)


def test_draws_are_the_last_part_and_follow_a_dozen_dates(monkeypatch):
    """Evenly spread; and a wait as long as the draws' middle is kept on about half of them."""
    read = scenario(*COOKING)
    days = [f"2026-06-{d:02d}" for d in range(1, 26)]
    asked = plan(*days, starts=(9,), refill=False, draws=8, calendar=True, step=3600.0)
    parts = dict(iter_parts(read, asked))
    assert list(parts) == ["2026-06", "likely", "calendar"]
    assert list(iter_parts(read, asked, done=parts)) == []
    got = put_together(read, asked, parts)
    assert len(got.likely.dates) == DATES
    apart = np.diff([d.toordinal() for d in got.likely.dates])
    assert set(apart.tolist()) <= {2, 3}
    monkeypatch.setattr("raytrace.studies.cooking.season_choice.WAIT", got.likely.boils.middle)
    shorter = season_likely(got)
    assert shorter.works.middle == pytest.approx(0.5, abs=0.2)
    assert shorter.boils == got.likely.boils


def test_what_never_boils_has_no_such_start():
    read = scenario(*COOKING, "kitchen.water=3 L")
    assert season(read, plan(DAYS[1], starts=(16,), draws=8)).likely is None


def expected(**changes):
    boils = Likely(3290.0, 2820.0, 4510.0, 9, 9, 3300.0, 9, 400.0, 380.0, 90.0, 120.0, 0.0, 32)
    share = Likely(0.75, 0.5, 11 / 12, 0, 0, 0.75, 0, 0.1, 0.1, 0.0, 0.0, 0.0, 32)
    dates = tuple(dt.date(2026, 1, 30) + dt.timedelta(days=k) for k in range(12))
    values = {"start": 9 * HOUR, "dates": dates, "boils": boils, "done": boils, "works": share}
    return SeasonLikely(**(values | changes))


def test_the_interval_comes_first_then_what_it_is_made_of():
    got = replace(made_up([[55.0]] * 12), likely=expected())
    first, parts, own, *rest = season_sentences(got)
    assert " boil in 55 min, 45 to 75 min for a cooker built and used like this (95 %)" in first
    assert first.endswith("on a typical of these dates.")
    assert parts.startswith("What makes that uncertain, each alone: what isn't known ± 12 min")
    assert "±" not in "".join(season_answer(got))
    assert season_answer(got)[0].endswith(
        " are ready in 55 min, 45 to 75 min for a cooker built and used like this (95 %), on a "
        "typical clear day; turned every 30 min."
    )
    assert own == "Build 0, with best values, takes 55 min."
    text = " ".join(rest)
    assert "Of these 12 dates, it works on 9, 6 to 11 for a cooker built and used" in text
    assert "judged by one cooker, build 0 with its best values" in text
    assert "from 32 draws on 12 dates, evenly spread" in printed(season_tables(got))


def test_dates_that_stand_for_others_are_counted():
    text = " ".join(season_sentences(replace(made_up([[55.0]] * 20), likely=expected())))
    assert "Of 12 of these dates, it works on 9, 6 to 11 for" in text


def test_draws_that_never_boil_are_told():
    few = replace(expected().boils, high=np.inf, never=0.0625)
    first = season_sentences(replace(made_up([[55.0]] * 12), likely=expected(boils=few)))[0]
    assert " boil in 55 min, 47 min at the soonest for a cooker" in first
    assert "; on fewer than half of them in 6 of 100 draws." in first
    long = replace(expected().boils, low=5940.0, middle=6400.0, high=7200.0)
    first = season_sentences(replace(made_up([[55.0]] * 12), likely=expected(boils=long)))[0]
    assert " boil in 107 min, 99 min to 2 h for a cooker" in first
    most = replace(few, middle=np.inf, never=0.75)
    first = season_sentences(replace(made_up([[55.0]] * 12), likely=expected(boils=most)))[0]
    assert " boil on fewer than half of these dates in 75 of 100 draws of a cooker" in first


def test_the_months_table_fits_eighty_columns_with_weather_too():
    """Watts and litres with the widest errors that clouds give, where some days never boil."""
    nan = np.nan
    got = made_up([[105.0]] * 3 + [[nan]] + [[75.0]] * 3 + [[nan]] + [[40.0]] * 4)
    read = got.scenario
    cloudy = read.model_copy(update={"sky": read.sky.model_copy(update={"dni": "weather file"})})
    watts = 500.0 + 400.0 * np.cos(np.arange(12.0))[:, None]
    wide = {"delivered": watts, "absorbed": watts, "boils_se": np.full(watts.shape, 900.0)}
    got = replace(got, scenario=cloudy, batches=0.02 * watts[:, 0], **wide)
    console = Console(width=80, highlight=False)
    with console.capture() as printed_:
        for part in season_tables(got):
            console.print(part)
    lines = printed_.get().splitlines()
    assert any("never" in line and "±" in line for line in lines)
    assert max(map(len, lines)) <= 80
    assert "…" not in printed_.get()
