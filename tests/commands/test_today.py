"""`cooker day … today`: the site's own date, what is left of it, and a forecast's clouds."""

from __future__ import annotations

import datetime as dt
import json
import math
from zoneinfo import ZoneInfo

import pytest
import typer
from typer.testing import CliRunner

from raytrace import load_scenario
from raytrace.cli import app
from raytrace.commands.dates import forecast_changes, read_day, time_left
from raytrace.reports.cooking.day_words import all_sentences
from raytrace.scenario.overrides import course_changes
from raytrace.sky import clock
from raytrace.store.results import read_result

QUICK = ["--no-habits", "--no-standard", "--draws", "0", "--no-figures", "--step", "10 min"]
TERRACE = "scenarios/terrace.toml"


@pytest.fixture
def at(monkeypatch):
    """The present moment set to one in UTC."""

    def set_to(text):
        moment = dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)
        monkeypatch.setattr(clock, "now", lambda site: moment.astimezone(ZoneInfo(site.timezone)))

    return set_to


def test_today_is_the_sites_date(at):
    """At 23:30 UTC it is tomorrow in Granada, and still today in Oaxaca."""
    at("2026-06-20T23:30")
    here, there = (load_scenario(f"scenarios/{x}.toml").site for x in ("terrace", "courtyard"))
    assert read_day("today", "DATE", here) == dt.date(2026, 6, 21)
    assert read_day("Tomorrow", "DATE", there) == dt.date(2026, 6, 21)
    assert time_left("today", here) == 1.5 * 3600.0  # 1:30 there
    assert time_left("tomorrow", here) == time_left("2026-06-21", there) == 0.0
    at("2026-06-20T21:45")  # 23:45 in Granada
    with pytest.raises(typer.BadParameter, match="ask for tomorrow"):
        time_left("today", here)
    with pytest.raises(typer.BadParameter, match="today, or tomorrow"):
        read_day("someday", "DATE", here)


def test_asked_at_night_it_says_that_the_sun_is_down(at):
    at("2026-06-21T20:40")  # 22:40 in Granada
    run = CliRunner().invoke(app, ["day", TERRACE, "today", "--no-files", *QUICK])
    assert "the sun is down from 23:00" in run.output


def test_a_course_asked_for_leaves_the_files_figures():
    assert course_changes(None) == []
    changed = load_scenario(TERRACE, overrides=course_changes("reheat", over="80 degC")).kitchen
    assert (changed.wanted, changed.done_after) == ("reheat", 15.0)
    assert changed.done_over == pytest.approx(353.15)
    assert forecast_changes(None) == []


def test_a_forecast_decides_which_of_what_is_left_works(at, tmp_path):
    """Sun until 16:00 by the forecast, and a cook who asks at 12:40: nothing starts before 13:00,
    and no start works from which the pot would need the cloud."""
    at("2026-06-21T10:40")
    file = tmp_path / "sun.csv"
    rows = [f"2026-06-21T{h:02d}:00,{850 if h < 15.5 else 0}" for h in range(6, 22)]
    file.write_text("\n".join(["interval_start,dni_W/m^2", *rows]), encoding="utf-8")
    out = tmp_path / "day.h5"
    asked = ["day", TERRACE, "today", "--forecast", str(file), "--output", str(out), *QUICK]
    run = CliRunner().invoke(app, [*asked, "--json"])
    assert run.exit_code == 0, run.output
    found = read_result(out)
    assert json.loads(run.stdout)["plan"]["date"] == "2026-06-21"
    starts = found.starts
    assert found.plan.not_before == 13.0 * 3600.0
    assert 13.0 * 3600.0 <= starts.first <= starts.best <= starts.last < 16.0 * 3600.0
    text = " ".join(all_sentences(found))
    assert f"start by {math.floor(starts.last / 3600)}:" in text
    assert "By the forecast" in text
    assert "World Magnetic Model 2025" in text
    spread = {u.key: u.law.spread for u in found.pot.scenario.unknowns}
    assert spread["sky.dni_factor"] == pytest.approx(0.2)
