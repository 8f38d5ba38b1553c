"""When the sun suits the cooker: times, bands, standing unturned, which altitude serves best."""

from __future__ import annotations

import csv
import datetime as dt
import json
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from checks import ALPHA, errors_p, t_bound, welch_p
from pictures import flaws
from pvlib import solarposition
from store.test_results import same
from typer.testing import CliRunner

from raytrace import load_scenario, read_result, trace
from raytrace.cli import app
from raytrace.cooker.pose import posed
from raytrace.exceptions import ScenarioError, SettingsError, SkyError
from raytrace.light.facing import facing
from raytrace.light.setup import scenario_sunshape, stand
from raytrace.optics.tally import BASE
from raytrace.reports.window.window import serving_sentences, window_sentences
from raytrace.reports.window.window_figures import window_figure
from raytrace.sky.sun import altitude_crossings, noons, sun_at
from raytrace.studies.window import best_altitude as serving_module
from raytrace.studies.window.altitude_band import kept_curve
from raytrace.studies.window.best_altitude import Served, serve_best
from raytrace.studies.window.window import WindowPlan, window

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = SCENARIOS / "courtyard.toml"
STEADY = [
    "errors.pointing.heading_rms=0 deg",
    "errors.pointing.tilt_rms=0 deg",
    "errors.pointing.cross_rms=0 deg",
    'errors.pot.rms=["0 mm", "0 mm", "0 mm"]',
]
RAYS = {"estimator": "rays", "samples": 1_000_000, "replicates": 16, "bins": 1}


def courtyard(*changes):
    return load_scenario(COURTYARD, list(changes))


def elsewhere(latitude, longitude, zone, *changes):
    return courtyard(
        f"site.latitude={latitude} deg",
        f"site.longitude={longitude} deg",
        f'site.timezone="{zone}"',
        'site.horizon=[["0 deg", "0 deg"], ["180 deg", "0 deg"]]',
        *changes,
    )


def dates(*days):
    return tuple(dt.date.fromisoformat(d) for d in days)


def quick(scenario, *days, **more):
    return window(scenario, WindowPlan(dates(*days), repeats=4, **more))


@pytest.fixture(scope="module")
def steady():
    """Without random draws in turning, so that only tracing is noisy."""
    scenario = courtyard(*STEADY)
    return window(scenario, WindowPlan(dates("2026-03-21", "2026-06-21"), repeats=32, beams=2))


def rays(scenario, pose, s):
    """Replicates of the watts on the base, by the other estimator. [W]"""
    ready = facing(scenario)
    tally = trace(
        posed(ready.setup.cooker, pose),
        pose.to_platform(s),
        scenario_sunshape(scenario),
        dni=1.0,
        seed=77,
        **RAYS,
    )
    return tally.power[:, :, BASE].sum(axis=1)


def faced(scenario, alpha):
    """Pose that meets a sun in the north at this altitude."""
    return stand(scenario, np.array([alpha]), np.zeros(1)).alone(0)


def facing_sun(alpha):
    return np.array([0.0, np.cos(alpha), np.sin(alpha)])


@pytest.mark.parametrize("edge", ["low", "high"])
def test_the_share_is_lost_where_rays_say_so(steady, edge):
    """Root of the beams' curve, traced by rays with other samples; ALPHA for each one's error."""
    scenario, curve = steady.scenario, steady.curve
    at, se = getattr(curve.band, edge), getattr(curve.band, f"{edge}_se")
    there = rays(scenario, faced(scenario, at), facing_sun(at))
    whole = rays(scenario, faced(scenario, curve.design), facing_sun(curve.design))
    # the root's own error, as the slope makes it one of the share
    step = np.radians(0.5)
    slope = np.diff(curve.at(np.array([at - step, at + step])))[0] / (2.0 * step)
    slack = t_bound(steady.plan.repeats - 1) * se * abs(slope) * whole.mean()
    assert welch_p(there, 0.9 * whole, slack) > ALPHA
    # three tenths of a degree off would be noticed
    assert abs(slope) * np.radians(0.3) * whole.mean() > 3.0 * slack


def test_the_band_holds_the_design_altitude_and_lower_shares_are_wider(steady):
    band = steady.curve.band
    assert np.degrees(band.low) < 42.0 < np.degrees(band.high)
    half = kept_curve(facing(steady.scenario, repeats=4), 0.5).band
    assert half.low < band.low - np.radians(1.0)
    assert half.high > band.high + np.radians(1.0)


def test_standard_errors_of_the_band_are_those_of_independent_seeds():
    """Spread of the edges over 14 seeds against the stated errors: F, false alarm ALPHA."""
    exact = courtyard(
        "errors.setting=0 mm",
        "errors.placement_xy=0 mm",
        "errors.placement_z=0 mm",
        "errors.roll=0 deg",
        "errors.rig.hit=0 mm",
        'errors.pot.rms=["0 mm", "0 mm", "0 mm"]',
    )
    seeds = range(20, 34)
    bands = [kept_curve(facing(exact, repeats=8, seed=seed), 0.9).band for seed in seeds]
    for edge in ("low", "high"):
        at = np.array([getattr(b, edge) for b in bands])
        stated = np.array([getattr(b, f"{edge}_se") for b in bands])
        assert errors_p(at, stated, 7) > ALPHA / 2
        # the check can fail: errors stated an eighth as large are caught
        assert errors_p(at, stated / 8.0, 7) < ALPHA / 2


def test_the_sun_stands_there_by_another_algorithm(steady):
    """Low-precision formulas in place of the algorithm used: within 0.03°.

    pvlib's `ephemeris`, after Astronomical Almanac formulas; its own refraction, at 42° some 0.02°.
    """
    site = steady.scenario.site
    times = pd.DatetimeIndex([s.start for day in steady.days for s in day.stays])
    assert len(times) == 4
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it calls what a newer pandas has renamed
        table = solarposition.ephemeris(
            times,
            np.degrees(site.latitude),
            np.degrees(site.longitude),
            pressure=101325.0 * np.exp(-site.altitude / 8400.0),
            temperature=12.0,
        )
    np.testing.assert_allclose(table["apparent_elevation"], 42.0, atol=0.03)


def test_noons_are_pvlibs_transits():
    """pvlib's own transit times, NREL/TP-560-34302 appendix A: within two seconds."""
    scenario = courtyard()
    days = [dt.date(2026, m, 21) for m in range(1, 13)]
    ours = noons(scenario, days)
    theirs = solarposition.sun_rise_set_transit_spa(
        pd.DatetimeIndex([pd.Timestamp(d) for d in days], tz=scenario.site.timezone),
        np.degrees(scenario.site.latitude),
        np.degrees(scenario.site.longitude),
    )["transit"]
    off = (ours - pd.DatetimeIndex(theirs)).total_seconds()
    assert np.abs(off).max() < 2.0


def test_spans_begin_and_end_where_the_band_does(steady):
    for day in steady.days:
        assert len(day.spans) == 2
        for span, stay in zip(day.spans, day.stays, strict=True):
            assert span.start < stay.start < span.end
        ends = sun_at(
            steady.scenario, pd.DatetimeIndex([t for s in day.spans for t in (s.start, s.end)])
        )
        band = steady.curve.band
        wanted = np.array([band.low, band.high, band.high, band.low])
        np.testing.assert_allclose(ends.alpha, wanted, atol=np.radians(0.002))


def test_an_unturned_platform_loses_its_share_when_rays_say_so(steady):
    """The heading fixed at the turning, the sun where it then is; ALPHA for each one's error."""
    scenario, day = steady.scenario, steady.days[0]
    stay = day.stays[0]
    moments = [stay.start, stay.start + pd.Timedelta(seconds=stay.unturned)]
    sun = sun_at(scenario, pd.DatetimeIndex(moments))
    pose = stand(scenario, sun.alpha, sun.gamma).alone(0)
    whole, then = (rays(scenario, pose, s) for s in sun.direction)
    # 0.5° of the sun's way is two minutes; the share falls by about a percent a minute
    slack = t_bound(steady.plan.repeats - 1) * stay.unturned_se / 60.0 * 0.02 * whole.mean()
    assert stay.unturned_se < 60.0
    assert welch_p(then, 0.9 * whole, slack) > ALPHA
    assert 3 * 60.0 < stay.unturned < 60 * 60.0


def test_turning_the_other_way_round_the_clock_is_the_same(steady):
    """Mirror-symmetric days: morning and afternoon windows last equally long, within a minute."""
    for day in steady.days:
        first, second = (s.seconds for s in day.spans)
        assert abs(first - second) < 60.0


def test_a_platform_that_follows_the_sun_meets_it_longer():
    scenario = load_scenario(SCENARIOS / "courtyard-sunside.toml")
    study = quick(scenario, "2026-03-21")
    (low, high), day = study.curve.stands, study.days[0]
    assert np.degrees([low, high]) == pytest.approx([42.0, 62.0])
    morning = day.stays[0]
    alpha = sun_at(scenario, pd.DatetimeIndex([morning.start, morning.end])).alpha
    np.testing.assert_allclose(np.degrees(alpha), [42.0, 62.0], atol=0.01)
    fixed = quick(scenario.varied(["platform.tilt=0 deg"]), "2026-03-21")
    assert day.seconds > 2.0 * fixed.days[0].seconds
    assert fixed.days[0].stays[0].start == fixed.days[0].stays[0].end
    assert "Tilted as the sun rises" in window_sentences(study)[1]


def test_a_propped_board_is_told_by_its_best_and_its_mean():
    """The lowest sun of its range is the weakest: against each sun of the stay by itself."""
    scenario = load_scenario(SCENARIOS / "courtyard-sunside.toml")
    study = quick(scenario, "2026-06-21")
    stay = study.days[0].stays[0]
    times = pd.date_range(stay.start, stay.end, 25)
    sun = sun_at(scenario, times)
    ready = facing(scenario, repeats=4)
    watts = ready.turned_to(sun.alpha, scale=ready.setup.scale(sun.radius)) * sun.dni
    assert stay.best == pytest.approx(watts.mean(axis=0).max(), rel=1e-3)
    assert stay.mean == pytest.approx(watts.mean(), rel=1e-3)
    assert watts[:, 0].mean() < stay.mean < stay.best
    assert study.rows.delivered_best[0] == stay.best
    assert study.rows.delivered_mean[0] == stay.mean
    # without a prop it is one moment
    fixed = quick(scenario.varied(["platform.tilt=0 deg"]), "2026-06-21").days[0].stays[0]
    assert (fixed.best, fixed.best_se) == (fixed.mean, fixed.mean_se)


def test_how_long_it_may_stand_is_told_with_its_measure(steady):
    words = " ".join(window_sentences(steady))
    assert "before it falls under 90 % of what it brought" in words
    assert "`cooker day` asks something else" in words


def test_a_house_in_the_east_takes_the_morning():
    wall = 'site.horizon=[["0 deg", "0 deg"], ["45 deg", "80 deg"], ["179 deg", "80 deg"], '
    scenario = courtyard(wall + '["180 deg", "0 deg"]]')
    day = quick(scenario, "2026-03-21").days[0]
    morning, afternoon = day.stays
    assert morning.hidden
    assert np.isnan(morning.unturned)
    assert not afternoon.hidden
    assert len(day.spans) == 1
    assert day.spans[0].start <= afternoon.start <= day.spans[0].end


def test_a_horizon_that_rises_into_the_window_cuts_it_short():
    profile = 'site.horizon=[["0 deg", "43 deg"], ["180 deg", "43 deg"]]'
    study = quick(courtyard(profile), "2026-03-21")
    day = study.days[0]
    assert all(stay.hidden for stay in day.stays)
    at_edge = sun_at(study.scenario, pd.DatetimeIndex([day.spans[0].start]))
    assert np.degrees(at_edge.alpha[0]) == pytest.approx(43.0, abs=0.002)
    assert day.spans[0].start_se == 0.0
    assert day.spans[0].end_se > 0.0
    assert "horizon hides" in " ".join(window_sentences(study))


def test_polar_day_and_night():
    """Tromsø, 69.65° N: no sunrise in December, no sunset in June, 42° in summer alone."""
    scenario = elsewhere(69.65, 18.96, "Europe/Oslo", "design.date=2026-06-21")
    days = dates("2026-01-21", "2026-06-21", "2026-09-21", "2026-12-21")
    study = window(scenario, WindowPlan(days, repeats=4))
    _, june, september, december = study.days
    assert len(june.stays) == 2
    assert (december.why, september.why) == ("down", "low")
    assert december.spans == ()
    # 42° = 90° − 69.65° + declination: where the declination passes 21.65°, from any almanac the
    # last days of May and mid-July
    (early, late) = study.never_stands
    assert early[0] == dt.date(2026, 1, 1)
    assert late[1] == dt.date(2026, 12, 31)
    assert dt.date(2026, 5, 25) < early[1] < dt.date(2026, 6, 1)
    assert dt.date(2026, 7, 11) < late[0] < dt.date(2026, 7, 20)
    assert "never gets to 42.0° from" in " ".join(window_sentences(study))
    assert flaws(window_figure(study)) == []
    # a sun that stays above a low design altitude all day
    low = quick(scenario.varied(["design.sun_altitude=2 deg"]), "2026-06-21").days[0]
    assert low.stays == ()
    assert low.why == "high"


def test_southern_winter_is_in_june():
    study = quick(elsewhere(-54.8, -68.3, "America/Argentina/Ushuaia"), "2026-01-21", "2026-12-21")
    ((first, last),) = study.never_stands
    assert first.month in (2, 3)
    assert last.month in (9, 10)
    assert len(study.days[0].stays) == 2


def test_the_clocks_change_moves_the_window_by_an_hour_of_the_clock():
    scenario = elsewhere(37.4, -5.98, "Europe/Madrid")
    before, after = quick(scenario, "2026-03-28", "2026-03-29").days
    for a, b in zip(before.stays, after.stays, strict=True):
        clock = lambda t: t.hour * 60 + t.minute  # noqa: E731
        assert abs(clock(b.start) - clock(a.start) - 60) <= 3
        assert abs((b.start - a.start).total_seconds() - 86400.0) < 240.0


def test_a_date_that_the_calendar_skips_is_refused():
    """Samoa changed sides of the date line on 30 December 2011."""
    scenario = elsewhere(-13.8, -171.8, "Pacific/Apia")
    with pytest.raises(SkyError, match="skips"):
        quick(scenario, "2011-12-30")
    assert len(quick(scenario, "2011-12-29", "2011-12-31").days) == 2


def test_an_altitude_out_of_reach_is_said_in_words():
    study = quick(
        elsewhere(60.0, 25.0, "Europe/Helsinki", "design.sun_altitude=70 deg"), "2026-06-21"
    )
    assert study.days[0].why == "low"
    assert not study.days[0].spans
    text = " ".join(window_sentences(study))
    assert "never gets to 70.0°" in text
    assert study.rows.never_because[0] == "too low"


def test_plans_that_make_no_sense_are_refused():
    with pytest.raises(SettingsError, match="keep"):
        WindowPlan(dates("2026-01-01"), keep=1.0)
    with pytest.raises(SettingsError, match="repeats"):
        WindowPlan(dates("2026-01-01"), repeats=1)
    with pytest.raises(SettingsError, match="no dates"):
        WindowPlan(())
    with pytest.raises(SettingsError, match="year"):
        Served(dt.date(2026, 5, 1), dt.date(2026, 4, 1), 0.0, 3600.0)
    with pytest.raises(SettingsError, match="hours"):
        Served(dt.date(2026, 5, 1), dt.date(2026, 5, 1), 7200.0, 3600.0)


# --- which altitude serves best ------------------------------------------------------------------


def test_the_energy_of_a_season_is_its_suns_one_by_one():
    """Suns put together by altitude against each sun traced by itself; Student's t, ALPHA."""
    scenario = courtyard(*STEADY)
    served = Served(dt.date(2026, 3, 1), dt.date(2026, 3, 3), 9 * 3600.0, 11 * 3600.0)
    n = 16
    found = serve_best(scenario, served, repeats=n)
    ready = facing(scenario, repeats=n, seed=5)
    # the same build, whose random draws hangs on the scenario's own seed
    ready = replace(ready, setup=replace(ready.setup, cooker=facing(scenario).setup.cooker))
    times = pd.DatetimeIndex(
        [
            pd.Timestamp(f"2026-03-{day:02d}T09:00", tz=scenario.site.timezone)
            + pd.Timedelta(minutes=10 * k + 5)
            for day in range(1, 4)
            for k in range(12)
        ]
    )
    sun = sun_at(scenario, times)
    energy = ready.turned_to(sun.alpha, keys=np.arange(len(times))) @ sun.dni * 600.0 / 3.0
    # straight lines over a quarter of a degree: 0.2 % where the share bends most
    assert abs(energy.mean() / float(found.now.energy) - 1.0) < 0.002 + t_bound(n - 1) * float(
        np.hypot(found.now.energy.se, energy.std(ddof=1) / np.sqrt(n)) / found.now.energy.value
    )
    assert float(found.gain) > t_bound(n - 1) * float(found.gain.se) > 0.0


def test_a_season_of_one_altitude_is_served_best_by_it():
    """Ten minutes of one morning: mirrors exactly set are best set for that very sun, within 2°."""
    scenario = courtyard(
        *STEADY,
        "errors.setting=0 mm",
        "errors.placement_xy=0 mm",
        "errors.placement_z=0 mm",
        "errors.rig.hit=0 mm",
        'errors.pot.rms=["0 mm", "0 mm", "0 mm"]',
    )
    served = Served(dt.date(2026, 3, 20), dt.date(2026, 3, 20), 10.5 * 3600.0, 10.75 * 3600.0)
    found = serve_best(scenario, served, repeats=4)
    there = sun_at(scenario, "2026-03-20T10:37:30").alpha[0]
    assert np.degrees(found.best.alpha) == pytest.approx(np.degrees(there), abs=2.0)
    assert found.as_good[0] < found.best.alpha < found.as_good[1]
    assert found.best_se < np.radians(1.0)
    # 42° is far from there: what is set for it now brings next to nothing
    assert "next to nothing" in serving_sentences(found)[1]


def test_altitudes_that_cannot_be_built_are_left_out(monkeypatch):
    real = serving_module.facing

    def fails(scenario, **keys):
        if scenario.design.sun_altitude > np.radians(62.0):
            raise ScenarioError("x.toml", [])
        return real(scenario, **keys)

    monkeypatch.setattr(serving_module, "facing", fails)
    served = Served(dt.date(2026, 5, 1), dt.date(2026, 5, 3), 9 * 3600.0, 15 * 3600.0)
    found = serve_best(courtyard(), served, repeats=4)
    assert np.degrees(found.best.alpha) <= 62.0
    assert any(c.why_not for c in found.tried)
    assert "Can't be built" in " ".join(serving_sentences(found))


def test_hours_without_sun_are_refused():
    served = Served(dt.date(2026, 5, 1), dt.date(2026, 5, 3), 0.0, 3 * 3600.0)
    with pytest.raises(SkyError, match="no direct sun"):
        serve_best(courtyard(), served)


# --- the command ---------------------------------------------------------------------------------


def run(*words):
    return CliRunner().invoke(app, ["window", str(COURTYARD), *words], env={"COLUMNS": "80"})


def test_command_prints_and_writes(tmp_path):
    out = tmp_path / "sun.csv"
    got = run("--from", "2026-03-21", "--to", "2026-03-21", "--repeats", "4", "-o", str(out))
    assert got.exit_code == 0, got.output
    assert max(len(line) for line in got.stdout.splitlines() if "tmp" not in line) <= 80
    assert got.stdout.splitlines()[1].startswith("The sun suits it")
    assert "never look at the sun" in got.stderr.replace("\n", " ")
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert len(rows) == 2
    start = pd.Timestamp(rows[0]["stands_from"])
    ours, _ = altitude_crossings(courtyard(), "2026-03-21", np.radians(42.0))
    assert abs((start - ours).total_seconds()) <= 1.0
    assert (tmp_path / "sun-window.png").stat().st_size > 10_000


def test_command_as_json_says_the_same():
    got = run(
        "--from", "2026-06-21", "--to", "2026-06-21", "--repeats", "4", "--no-files", "--json"
    )
    assert got.exit_code == 0, got.output
    facts = json.loads(got.stdout)
    assert facts["curve"]["stands_deg"] == pytest.approx([42.0, 42.0])
    assert facts["rows"]["unturned_min"][0] > 0.0
    assert facts["files"] == []
    assert facts["caution"].startswith("Caution")


def test_results_come_back_as_they_were(tmp_path):
    path = tmp_path / "sun.h5"
    serve = Served(dt.date(2026, 6, 1), dt.date(2026, 6, 3), 9 * 3600.0, 12 * 3600.0)
    plan = WindowPlan(dates("2026-06-21"), repeats=4, serve=serve)
    found = window(courtyard(), plan, path=path)
    same(found, read_result(path))
    with xr.open_dataset(path) as data:
        assert data["curve.share"].dims == ("altitude",)
        assert data["course.share"].dims == ("course_date", "minute")
        assert data["rows.unturned"].attrs["units"] == "s"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--keep", "120 %"), "--keep"),
        (("--serve", "2026-05-01"), "--serve"),
        (("--hours", "9..15"), "--hours"),
        (("--serve", "2026-05-01..2026-05-02", "--hours", "15..9"), "--hours"),
        (("--from", "May"), "--from"),
        (("--from", "2026-05-01", "--to", "2026-04-01"), "--to"),
    ],
)
def test_command_refuses_what_it_cannot_read(words, says):
    got = run("--no-files", *words)
    assert got.exit_code == 2
    assert says in got.stderr
