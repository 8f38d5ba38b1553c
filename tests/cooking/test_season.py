"""The season: boil times by date and start, against hand solves, other clocks and the weather."""

from __future__ import annotations

import datetime as dt
from dataclasses import fields, replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from raytrace.exceptions import SettingsError, SkyError
from raytrace.light.history import Pairs, moments
from raytrace.light.setup import LightSettings, set_up
from raytrace.light.turning import Habit, habit_of
from raytrace.scenario.loading import parse_scenario
from raytrace.sky.weather import wind_at_height
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking import season as module
from raytrace.studies.cooking.courses import air_at, courses
from raytrace.studies.cooking.never_boils import REASONS, why_not
from raytrace.studies.cooking.pots import from_nudged, mean_until, nudged, pots_of
from raytrace.studies.cooking.season import (
    Season,
    SeasonPlan,
    dates_between,
    iter_parts,
    part_names,
    put_together,
    season,
    start_moments,
    year_of,
)
from raytrace.studies.cooking.time_step import between_moments

SCENARIOS = Path(__file__).parents[2] / "scenarios"
GREENSBORO = files("pvlib") / "data" / "723170TYA.CSV"
# nine large facets, quickly traced
SMALL = (
    "facets.rows=3",
    "facets.columns=3",
    "facets.width=200 mm",
    "facets.pitch_x=215 mm",
    "facets.pitch_y=215 mm",
)
OPEN = ("site.horizon=open",)
# a pot that they boil
CUP = (
    "kitchen.water=0.3 L",
    "kitchen.food=0 kg",
    "kitchen.pot_mass=200 g",
    "pot.height=80 mm",
    "kitchen.cover=glass",
    "pot.emissivity_base=0.1",
    "pot.emissivity_side=0.1",
    "pot.emissivity_lid=0.1",
    "pot.support.posts=0",
)
HOUR = 3600.0


def scenario(*changes, file="courtyard", keep_air=True):
    """A shipped scenario with keys changed, its courtyard's walls taken down if asked."""
    path = SCENARIOS / f"{file}.toml"
    text = path.read_text(encoding="utf-8")
    if OPEN[0] in changes:
        a = text.index("horizon = [")
        text = text[:a] + text[text.index("]\n\n", a) + 2 :]
        changes = [c for c in changes if c != OPEN[0]]
    if not keep_air:
        a = text.index("[air]")
        text = text[:a] + text[text.index("\n\n", a) :]
    return parse_scenario(text, source=path.name, folder=SCENARIOS, overrides=list(changes))


def known(read):
    """The same scenario with nothing uncertain."""
    return read.varied({u.key: f"{u.law.best!r} {u.law.unit} ± 0" for u in read.unknowns})


def at_site(latitude, longitude, timezone, altitude=0.0):
    return (
        *OPEN,
        f"site.latitude={latitude} deg",
        f"site.longitude={longitude} deg",
        f"site.timezone={timezone}",
        f"site.altitude={altitude} m",
    )


def plan(*dates, starts=(9, 12), **more):
    days = tuple(dt.date.fromisoformat(d) for d in dates)
    return SeasonPlan(days, tuple(HOUR * s for s in starts), **({"replicates": 2} | more))


def steady(watts, replicates=2, spread=0.0):
    """A tracer that puts so many watts on the base, whatever the sun does while it is up."""

    def tracer(pairs: Pairs):
        power = np.zeros((len(pairs.dni), replicates, 4))
        power[:, :, 0] = np.where(pairs.lit, watts, 0.0)[:, None]
        power[:, :, 0] *= 1.0 + spread * np.linspace(-1.0, 1.0, replicates)
        dark = np.zeros(len(pairs.dni))
        return replace(pairs.light(power), dni=dark, dhi=dark)  # no sun or sky on wall and lid

    return tracer


def course(read, date="2026-03-20", starts=(9,), step=600.0, tracer=None, settings=None):
    at = start_moments(read, [dt.date.fromisoformat(date)], [HOUR * s for s in starts])[0]
    end = start_moments(read, [dt.date.fromisoformat(date) + dt.timedelta(days=1)], [0.0])[0, 0]
    setup = set_up(read, settings or LightSettings(replicates=2))
    begin = at.astype(np.int64)
    return courses(
        setup, habit_of(read), begin, np.full(len(begin), int(end)), step=step, tracer=tracer
    )


# --- means and errors ----------------------------------------------------------------------------


def test_mean_until_is_the_integral():
    rng = np.random.default_rng(1)
    time = np.cumsum(rng.uniform(1.0, 9.0, 8))
    time -= time[0]
    watts = rng.uniform(0.0, 100.0, (3, 7, 2))
    until = np.array([0.3, 0.5, 1.0]) * time[-1]
    fine = np.linspace(0.0, 1.0, 400_001)
    for k in range(3):
        at = until[k] * fine
        row = np.minimum(np.searchsorted(time, at, side="right") - 1, 6)
        share = (at - time[row]) / np.diff(time)[row]
        line = watts[k, row, 0] * (1.0 - share) + watts[k, row, 1] * share
        got = mean_until(time, watts, until)[k]
        assert got == pytest.approx(np.trapezoid(line, at) / until[k], rel=1e-4)


def test_standard_error_of_a_figure_that_is_straight_in_the_watts():
    x = np.random.default_rng(2).normal(100.0, 5.0, (6, 4, 7))
    value, se = from_nudged(3.0 * nudged(x).sum(axis=-1) - 7.0)
    usual = Estimate.from_replicates(np.moveaxis(3.0 * x.sum(axis=1) - 7.0, -1, 0))
    np.testing.assert_allclose(value, usual.value, rtol=1e-12)
    np.testing.assert_allclose(se, usual.se, rtol=1e-9)


# --- one pot against a hand-made solve -----------------------------------------------------------


def test_boil_time_under_constant_watts_by_hand():
    # 1.5 kW absorbed by 2 L of water (IAPWS heat capacity 4.18 to 4.22 kJ/kg K, so 4.19 ± 0.02
    # between 24 and 94 °C: steam tables) in 1.2 kg of aluminium; losses between none and 15
    # W/(m² K) over base, wall and lid bound the time from both sides.
    read = scenario(*OPEN, "kitchen.food=0 kg", "pot.support.covers=0 %")
    got = pots_of(course(read, tracer=steady(1500.0 / 0.92)))
    boiling = 94.80  # °C at 1 555 m: saturation at the standard atmosphere's 84 kPa, steam tables
    rise = boiling - 1.0 - 24.0
    stored = (2.0 * 0.9982 * 4190.0 + 1.2 * 900.0) * rise
    area = 2.0 * np.pi * 0.12**2 + np.pi * 0.24 * 0.15
    low, high = stored / 1500.0, stored / (1500.0 - 15.0 * area * rise)
    assert low < got.boils[0] < high
    assert high / low < 1.2
    assert got.delivered[0] == pytest.approx(1500.0 / 0.92, rel=1e-9)
    assert got.absorbed[0] == pytest.approx(1500.0, rel=1e-9)
    assert got.boils_se[0] == pytest.approx(0.0, abs=1e-6)
    assert REASONS[got.reason[0]] == "boils"
    assert got.near[0] < got.boils[0]
    # then two litres boil off at 2.27 MJ/kg (steam tables), 20 W/(m² K) lost at the most
    dry, heat = got.dry[0] - got.boils[0], 1.9964 * 2.27e6
    assert heat / 1500.0 < dry < heat / (1500.0 - 20.0 * area * rise)
    assert np.isnan(got.done[0])  # beans want an hour and a half


def test_standard_error_of_the_boil_time_is_that_of_the_watts():
    # With small losses the time goes as 1/W, so their relative errors are equal.
    read = scenario(*OPEN, "kitchen.food=0 kg")
    settings = LightSettings(replicates=5)
    tracer = steady(4000.0, replicates=5, spread=0.01)
    got = pots_of(course(read, tracer=tracer, settings=settings))
    watts = got.delivered_se[0] / got.delivered[0]
    assert watts == pytest.approx(0.01 * np.linspace(-1, 1, 5).std(ddof=1) / np.sqrt(5), rel=1e-9)
    assert got.boils_se[0] / got.boils[0] == pytest.approx(watts, rel=0.15)
    assert not got.unsure[0]


def test_a_pot_that_hangs_by_a_hair_is_unsure():
    read = scenario(*SMALL, *OPEN, "kitchen.food=0 kg")
    lowest, highest = 50.0, 600.0
    for _ in range(18):
        middle = 0.5 * (lowest + highest)
        pots = pots_of(course(read, tracer=steady(middle)))
        lowest, highest = (middle, highest) if np.isnan(pots.boils[0]) else (lowest, middle)
    pots = pots_of(course(read, tracer=steady(highest, spread=1e-3)))
    assert pots.unsure[0]
    assert np.isnan(pots.boils_se[0])
    assert not pots_of(course(read, tracer=steady(1.05 * highest, spread=1e-3))).unsure[0]


# --- days by the clock ---------------------------------------------------------------------------


def test_polar_night_and_polar_day():
    read = scenario(*SMALL, *at_site(69.65, 18.96, "Europe/Oslo"))
    got = season(read, plan("2026-06-21", "2026-12-21", starts=(0, 12, 20)))
    # in June the sun stays up, so that each pot is followed until the clock day ends
    np.testing.assert_array_equal(got.followed[0], [24 * HOUR, 12 * HOUR, 4 * HOUR])
    np.testing.assert_array_equal(got.sun_share[0], 1.0)
    np.testing.assert_array_equal(got.followed[1], 0.0)
    assert [REASONS[k] for k in got.reason[1]] == ["sun down"] * 3
    assert (got.delivered[1] == 0.0).all()
    np.testing.assert_allclose(got.highest[1], 24.0 + 273.15)
    assert got.batches_start[1] == -1


def test_the_sun_of_the_south_is_met_in_the_north():
    read = scenario(*SMALL, *at_site(-33.45, -70.67, "America/Santiago", 520.0))
    found = course(read, "2026-06-21", starts=(13,))
    turned = found.gamma[0, 0]
    assert abs(np.degrees((turned + np.pi) % (2 * np.pi) - np.pi)) < 30.0
    # midwinter there, and a shorter day than in December
    june, december = (course(read, d, starts=(6,)) for d in ("2026-06-21", "2026-12-21"))
    assert june.up.sum() < 0.8 * december.up.sum()


def test_a_day_that_the_calendar_skips_is_left_out_or_refused():
    # Samoa changed sides of the date line: 30 December 2011 does not exist there (IANA tz data).
    read = scenario(*SMALL, *at_site(-13.83, -171.77, "Pacific/Apia"))
    days = dates_between(read, dt.date(2011, 12, 28), dt.date(2012, 1, 2))
    assert [d.day for d in days] == [28, 29, 31, 1, 2]
    with pytest.raises(SkyError, match="its calendar skips it"):
        season(read, plan("2011-12-29", "2011-12-30"))
    got = season(read, replace(plan("2011-12-29"), dates=days))
    assert np.isfinite(got.start_at).all()
    assert (got.delivered > 0.0).any()


def test_days_on_which_the_clocks_change():
    read = scenario(*SMALL, *at_site(40.4, -3.7, "Europe/Madrid", 660.0))
    asked = plan("2026-03-28", "2026-03-29", "2026-10-25", starts=(2.5, 12))
    got = season(read, asked)
    # 02:30 does not exist on 29 March and happens twice on 25 October (EU Directive 2000/84/EC)
    assert np.isnan(got.start_at).tolist() == [[False, False], [True, False], [False, False]]
    assert REASONS[got.reason[1, 0]] == "no such time"
    assert np.isnan(got.boils[1, 0])
    first = pd.Timestamp("2026-10-25T02:30+02:00").timestamp()
    assert got.start_at[2, 0] == first
    # the twelve o'clock start is reached an hour sooner and later, measured from midnight
    assert got.start_at[1, 1] - got.start_at[0, 1] == 23 * HOUR
    month = got.months
    np.testing.assert_array_equal(month.days, [[1, 2], [1, 1]])


def test_clock_times_on_a_day_whose_clocks_change():
    # 29 March has 23 hours: a pot put on at midnight that boils 8 h 30 min later does so at 09:30.
    read = scenario(*SMALL, *CUP, *at_site(40.4, -3.7, "Europe/Madrid", 660.0))
    days = tuple(dt.date(2026, 3, d) for d in (28, 29))
    got = season(read, replace(plan("2026-03-28", starts=(0, 9)), dates=days))
    late = replace(got, boils=np.full((2, 2), 8.5 * HOUR))
    np.testing.assert_allclose(late.clock_at() / HOUR, [[8.5, 17.5], [9.5, 17.5]])
    np.testing.assert_allclose(late.share_by(9 * HOUR), [0.5, 0.0])
    assert late.latest_start(by=9 * HOUR).tolist() == [0, -1]


def test_leap_day_and_a_weather_year_without_one():
    read = weather_scenario()
    days = year_of(read, 2028)
    assert len(days) == 366
    assert dt.date(2028, 2, 29) in days
    got = season(read, plan("2028-02-28", "2028-02-29", starts=(11,)))
    # the file has no such day and gives 28 February's weather to it
    assert got.air[0, 0] == pytest.approx(got.air[1, 0], abs=1e-9)


def test_below_the_sea_water_boils_hotter():
    # Dead Sea, −430 m: 106.6 kPa by the standard atmosphere, saturation 101.4 °C (steam tables).
    read = scenario(*SMALL, *CUP, *at_site(31.5, 35.5, "Asia/Jerusalem", -430.0))
    got = season(read, plan("2026-03-20"))
    assert got.boiling - 273.15 == pytest.approx(101.4, abs=0.05)
    assert got.highest.max() <= got.boiling + 1e-6


def test_a_start_before_sunrise_waits_for_the_sun():
    read = scenario(*SMALL, *CUP, *OPEN, "errors.pointing.heading_rms=0 deg")
    found = course(read, starts=(4, 9))
    assert not found.up[0, :10].any()
    assert not found.delivered[0, :10].any()
    # both end in the first step in which the sun sets
    last = found.at[[0, 1], found.last]
    assert found.alpha[0, found.last[0]] < 0.0 < found.alpha[0, found.last[0] - 1]
    assert last[0] == last[1]
    with pytest.raises(SettingsError, match="takes its advice from draws"):
        SeasonPlan((dt.date(2026, 1, 1),), calendar=True)
    with pytest.raises(SettingsError, match="clock times"):
        SeasonPlan((dt.date(2026, 1, 1),), (25 * HOUR,))
    with pytest.raises(SettingsError, match="each later"):
        plan("2026-01-02", "2026-01-01")


# --- parts, threads, habits ----------------------------------------------------------------------


def test_same_bits_for_any_threads_and_parts():
    read = scenario(*SMALL, *CUP)
    asked = plan("2026-02-27", "2026-02-28", "2026-03-01", "2026-03-02", starts=(8, 9, 13))
    assert part_names(asked) == ("2026-02", "2026-03")
    whole = season(read, asked, threads=1)
    parts = dict(iter_parts(read, asked, threads=3, done={"2026-02": {}}))
    assert list(parts) == ["2026-03"]
    parts |= dict(iter_parts(read, asked, done={"2026-03": {}}))
    again = put_together(read, asked, parts)
    alone = season(read, replace(asked, dates=asked.dates[1:2], starts=asked.starts[1:]))
    for f in fields(Season):
        x = getattr(whole, f.name)
        if isinstance(x, np.ndarray):
            assert x.tobytes() == getattr(again, f.name).tobytes()
            if x.ndim == 2:
                assert x[1:2, 1:].tobytes() == getattr(alone, f.name).tobytes()
    assert np.isfinite(whole.boils).any()


def test_starts_whose_turnings_coincide_share_their_light():
    read = scenario(*SMALL)
    found = course(read, starts=(9, 9.5))  # it is turned every half hour
    at = found.at
    later = np.isin(at[0], at[1])[:-1] & (at[0, :-1] >= at[1, 0])
    shared = np.isin(at[1], at[0])[:-1]
    a, b = found.delivered[0, later], found.delivered[1, shared]
    both = min(len(a), len(b))
    assert a[:both].any()
    np.testing.assert_array_equal(a[:both], b[:both])


def test_turning_more_often_brings_more_light():
    read = scenario(*SMALL)
    day = {}
    for every in ("10 min", "60 min", "never"):
        lazy = scenario(*SMALL, f"habit.turn_every={every}")
        found = course(lazy, starts=(9,))
        span = found.time[found.last]
        day[every] = mean_until(found.time, found.delivered.mean(axis=-1), span)[0]
    assert day["10 min"] > 1.05 * day["60 min"] > 1.5 * day["never"]
    assert habit_of(read) == Habit(1800.0, "now")


# --- why not -------------------------------------------------------------------------------------


def test_each_reason_comes_in_its_place():
    no, yes = np.array([False]), np.array([True])
    one = np.ones(1)

    def reason(boils=no, share=one, clear=no, best=no, weak=no, light=one, aim=one):
        return REASONS[why_not(boils, share, clear, best, weak, light, aim)[0]]

    assert reason(boils=yes, share=0.0 * one) == "boils"
    assert reason(share=0.4 * one, clear=yes) == "sun down"
    assert reason(clear=yes, best=yes) == "cloud"
    assert reason(best=yes, weak=yes) == "too short"
    assert reason(weak=yes, aim=0.9 * one) == "weak mirrors"
    assert reason(light=0.5 * one, aim=0.9 * one) == "low sun"
    assert reason(light=0.5 * one, aim=0.1 * one) == "off design"
    assert reason(light=0.0 * one, aim=np.array([np.nan])) == "low sun"


FOLLOW = (
    "platform.tilt=follow sun",
    "platform.tilt_limits=['-40 deg', '30 deg']",
    "pot.stand=platform",
    "pot.levelled=true",
)
BARE = ("kitchen.cover=none", "kitchen.water=0.1 L")


@pytest.mark.parametrize(
    ("changes", "start", "why", "mend"),
    [
        # night: nothing but another start would help
        ((), 21, "sun down", None),
        # a lot of water for one afternoon's light, whose best watts would do
        (("kitchen.water=2 L",), 13, "too short", ("kitchen.water=0.3 L",)),
        # wind that carries off more than nine facets give
        ((*BARE, "air.wind=8 m/s"), 9, "weak mirrors", ("kitchen.cover=glass", "air.wind=1 m/s")),
        # a level board set for a sun at 42°, asked in the evening: propped up it does
        (("kitchen.water=0.1 L",), 16.5, "off design", FOLLOW),
        # the same board propped, in a bare pot: the light of noon would do
        ((*FOLLOW, *BARE), 17, "low sun", ("sky.dni=900 W/m^2",)),
    ],
)
def test_reasons_name_what_would_mend_it(changes, start, why, mend):
    """The cell never boils for the reason given, and boils once that is mended."""
    asked = plan("2026-03-20", starts=(start,), refill=False)
    got = season(scenario(*SMALL, *CUP, *OPEN, *changes), asked)
    assert REASONS[got.reason[0, 0]] == why
    assert np.isnan(got.boils[0, 0])
    if mend:
        mended = season(scenario(*SMALL, *CUP, *OPEN, *changes, *mend), asked)
        assert REASONS[mended.reason[0, 0]] == "boils"


# --- weather -------------------------------------------------------------------------------------


def weather_scenario(*changes):
    site = at_site(36.1, -79.95, "America/New_York", 273.0)
    sky = ("sky.dni=weather file", f"sky.weather_file={GREENSBORO}")
    return scenario(*SMALL, *CUP, *site, *sky, *changes, keep_air=False)


def test_a_whole_weather_year():
    """Greensboro's typical year, which pvlib ships: every day, three starts."""
    read = weather_scenario("habit.turn_every=60 min")
    starts = (8 * HOUR, 11 * HOUR, 14 * HOUR)
    asked = SeasonPlan(year_of(read, 2026), starts, step=1800.0, replicates=2)
    got = season(read, asked)
    assert got.boils.shape == (365, 3)
    # clouds are why, where the sun is up for long and the clear sky's watts would boil the pot
    at, end = (x[:, 1].astype(np.int64) for x in (got.start_at, got.start_at + got.followed))
    setup = set_up(read, LightSettings(replicates=2))
    found = between_moments(courses(setup, habit_of(read), at, end, step=1800.0))
    cloudless = np.repeat(found.clear[..., None], 2, axis=-1)
    boils, clear = (
        np.isfinite(pots_of(course).boils) for course in (found, replace(found, absorbed=cloudless))
    )
    cloudy = got.reason[:, 1] == REASONS.index("cloud")
    np.testing.assert_array_equal(cloudy, ~boils & clear & (got.sun_share[:, 1] >= 0.5))
    # of ten days, on how many: a share that grows with the hour and ends at that of all days
    shares = np.array([got.share_by(h * HOUR) for h in range(8, 25)])
    assert (np.diff(shares, axis=0) >= 0.0).all()
    np.testing.assert_array_equal(shares[-1], np.isfinite(got.boils).mean(axis=0))
    ten, half, ninety = (got.percentile(q) for q in (10, 50, 90))
    for low, high in ((ten, half), (half, ninety)):
        assert (np.isnan(high) | (low <= high)).all()
    assert np.nanmin(got.air) < 273.15 < 293.15 < np.nanmax(got.air)
    months = got.months
    assert len(months.months) == 12
    assert months.days.sum() == 365 * 3
    assert months.boils[5].max() > months.boils[11].max()


def test_a_weather_years_sun_adds_up():
    # Annual direct normal irradiance of the file: 1 476.5 kWh/m² (NREL's TMY3 data set, 723170).
    # Steps of ten minutes and the sun's flat rise and set leave a fifth of a percent.
    read = weather_scenario()
    days = year_of(read, 2026)
    begin = start_moments(read, days, [0.0])[:, 0].astype(np.int64)
    end = np.append(begin[1:], begin[-1] + 86400)
    setup = set_up(read, LightSettings(replicates=2))
    found = courses(setup, Habit(3600.0), begin, end, step=600.0, tracer=steady(1.0))
    ends = np.stack([found.dni[:, :-1], found.dni[:, 1:]], axis=-1)
    total = (mean_until(found.time, ends, found.time[found.last]) * found.time[found.last]).sum()
    assert total / 3.6e6 == pytest.approx(1476.5, rel=2e-3)


def test_air_and_wind_come_from_the_file_unless_stated():
    read = weather_scenario()
    at = start_moments(read, [dt.date(2026, 7, 4)], [13 * HOUR])[0].astype(np.int64)
    warm, wind = air_at(read, at)
    # 13:00 summer time is 12:00 to 13:00 by the file's clock: row of hour 13
    data = pd.read_csv(GREENSBORO, skiprows=1)
    row = data[(data.iloc[:, 0].str.startswith("07/04")) & (data["Time (HH:MM)"] == "13:00")]
    assert warm[0] - 273.15 == pytest.approx(float(row["Dry-bulb (C)"].iloc[0]))
    height = read.pot.base_height + 0.5 * read.pot.height
    aloft = float(row["Wspd (m/s)"].iloc[0])
    assert wind[0] == pytest.approx(float(wind_at_height(aloft, height=height, roughness=0.1)))
    stated = weather_scenario("air.temperature=31 degC", "air.wind=2 m/s")
    assert [float(x[0]) for x in air_at(stated, at)] == pytest.approx([304.15, 2.0])
    constant = scenario(*SMALL, keep_air=False)
    assert [float(x[0]) for x in air_at(constant, at)] == [298.15, 1.0]


# --- what a season says --------------------------------------------------------------------------


def made_up(boils, **more):
    """A season of given boil times in minutes, on days from 30 January on."""
    boils = 60.0 * np.array(boils, dtype=float)
    shape = boils.shape
    days = tuple(dt.date(2026, 1, 30) + dt.timedelta(days=k) for k in range(shape[0]))
    starts = tuple(HOUR * (9 + k) for k in range(shape[1]))
    read = scenario(*SMALL)
    values = {f.name: np.zeros(shape) for f in fields(Season)}
    values |= {
        "scenario": read,
        "plan": SeasonPlan(days, starts, replicates=2),
        "habit": habit_of(read),
        "start_at": start_moments(read, days, starts),
        "boiling": 368.0,
        "boils": boils,
        "done": boils + 1800.0,
        "reason": np.where(np.isnan(boils), REASONS.index("cloud"), 0),
        "delivered": np.ones(shape) * np.arange(1, 1 + shape[1]),
        "delivered_se": np.ones(shape),
        "batches": np.full(shape[0], 2.9),
        "batches_se": np.full(shape[0], 0.1),
        "tried": (),
        "likely": None,
        "calendar": None,
    }
    return Season(**(values | more))


def test_shares_percentiles_and_best_starts_by_hand():
    nan = np.nan
    got = made_up([[60, 50, nan], [90, 40, 30], [nan, 45, nan], [75, nan, nan]])
    np.testing.assert_allclose(got.share_by(10 * HOUR), [0.25, 0.0, 0.0])
    np.testing.assert_allclose(got.share_by(10.75 * HOUR), [0.75, 0.5, 0.0])
    np.testing.assert_allclose(got.share_by(24 * HOUR), [0.75, 0.75, 0.25])
    np.testing.assert_allclose(got.share_by(10.5 * HOUR, "done"), [0.25, 0.0, 0.0])
    # of four days, half keep within the second shortest; three quarters within the third
    np.testing.assert_allclose(got.percentile(50) / 60, [75, 45, nan])
    np.testing.assert_allclose(got.percentile(75) / 60, [90, 50, nan])
    np.testing.assert_allclose(got.percentile(10) / 60, [60, 40, 30])
    np.testing.assert_array_equal(got.latest_start(), [1, 2, 1, 0])
    np.testing.assert_array_equal(got.latest_start(by=10.5 * HOUR), [0, 0, -1, 0])
    assert made_up([[nan, nan]]).latest_start().tolist() == [-1]
    np.testing.assert_allclose(got.litres.value, 2 * 2.0)


def test_months_by_hand():
    nan = np.nan
    got = made_up([[60, nan], [80, nan], [nan, nan], [70, 30], [90, 20]]).months
    assert got.months == ((2026, 1), (2026, 2))
    np.testing.assert_array_equal(got.days, [[2, 2], [3, 3]])
    np.testing.assert_allclose(got.boils, [[1.0, 0.0], [2 / 3, 2 / 3]])
    np.testing.assert_allclose(got.boil_median / 60, [[60, nan], [90, 30]])
    np.testing.assert_allclose(got.delivered, [[1.0, 2.0], [1.0, 2.0]])
    # the days don't scatter, and each has an error of 1 W, as if it were the same on all
    np.testing.assert_allclose(got.delivered_se, 1.0)
    # January's two dates scatter by 10 √2 min; twenty minutes' standard error of their median
    np.testing.assert_allclose(got.boil_median_se[0, 0] / 60, 10.0)
    assert [[REASONS[k] for k in row] for row in got.reason] == [["boils", "cloud"], ["cloud"] * 2]


def test_exported_names_exist():
    assert all(hasattr(module, name) for name in module.__all__)
    assert moments(np.array([0])).tz is not None
