"""Weather of one's own: against a clear sky, a typical year written anew, and what is refused."""

from __future__ import annotations

import datetime as dt
import pickle
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pvlib.irradiance import get_extra_radiation

import raytrace
from raytrace.exceptions import ScenarioError, SkyError
from raytrace.light.setup import LightSettings
from raytrace.scenario.loading import load_scenario, parse_scenario
from raytrace.sky.irradiance import part_global
from raytrace.sky.sun import position, sun_at, sun_times
from raytrace.sky.weather import read_weather
from raytrace.store.fingerprint import differing, fingerprint
from raytrace.studies.cooking.courses import air_at
from raytrace.studies.cooking.pot_day import cooking_day
from raytrace.studies.designs.rewrite import write_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
GREENSBORO = files("pvlib") / "data" / "723170TYA.CSV"
MADRID = "Europe/Madrid"
TEXT = (SCENARIOS / "terrace.toml").read_text(encoding="utf-8")
START = TEXT.index("horizon = [")
OPEN = TEXT[:START] + TEXT[TEXT.index("]\n\n", START) + 2 :]  # no houses, no hills


def terrace(text=None, *changes, name="mine.csv"):
    """The terrace under an open sky, its weather given as text."""
    if text is None:
        return parse_scenario(OPEN, overrides=list(changes))
    weather = ("sky.dni=weather file", f"sky.weather_file={name}")
    return parse_scenario(OPEN, overrides=[*weather, *changes], tables={name: text})


@pytest.fixture(scope="module")
def clear():
    """Means over five minutes of the terrace's clear sky, at every half minute of a week."""
    fine = pd.date_range("2026-06-01", "2026-06-08", freq="30s", tz=MADRID, inclusive="left")
    sun = sun_at(terrace(), fine + pd.Timedelta(seconds=15))
    frame = pd.DataFrame({"dni_W/m^2": sun.dni, "dhi_W/m^2": sun.dhi}, index=fine)
    return frame.resample("5min").mean().rename_axis("interval_start")


def test_a_clear_sky_by_the_five_minutes_is_the_clear_sky(clear):
    """Near sunrise the sun bends within a row, by less than a per mille of noon's."""
    read = terrace().with_weather(clear)
    times = pd.date_range("2026-06-02T04:00", "2026-06-05T23:00", freq="7min", tz=MADRID)
    got, expected = sun_at(read, times), sun_at(terrace(), times)
    np.testing.assert_allclose(got.dni, expected.dni, atol=0.5)
    np.testing.assert_allclose(got.dhi, expected.dhi, atol=0.5)
    assert "own, every 5 min" in got.dni_source
    few = LightSettings(beams=1, replicates=2)
    mine, clears = (cooking_day(s, "2026-06-03", 36000.0, settings=few) for s in (read, terrace()))
    assert float(mine.boils.value) == pytest.approx(float(clears.boils.value), rel=1e-3)


def written(weather, year):
    """A typical year's hours as a CSV of one's own, in the file's offset from UTC."""
    start = weather["start"].map(lambda t: t.replace(year=year).isoformat())
    celsius = weather["air_temperature"] - 273.15
    columns = {"dni_W/m^2": weather["dni"], "ghi_W/m^2": weather["ghi"]}
    columns |= {"dhi_W/m^2": weather["dhi"], "air_temperature_degC": celsius.round(6)}
    columns |= {"wind_10m_m/s": weather["wind_speed"]}
    return pd.DataFrame({"interval_start": start, **columns}).to_csv(index=False)


def test_a_typical_year_written_as_ones_own_is_the_same():
    keys = ["site.latitude=36.1 deg", "site.longitude=-79.95 deg", "site.altitude=270 m"]
    keys += ["site.timezone=America/New_York", "air.temperature=", "air.wind="]
    text = written(read_weather(GREENSBORO), 2027)
    mine, any_year = (terrace(text, *keys, *more) for more in ((), ("sky.weather_any_year=true",)))
    theirs = parse_scenario(
        OPEN,
        folder=Path(GREENSBORO).parent,
        overrides=[*keys, "sky.dni=weather file", f"sky.weather_file={Path(GREENSBORO).name}"],
    )
    times = pd.date_range("2027-01-03", "2027-12-28", freq="487min", tz="America/New_York")
    one, other, again = (sun_at(s, times) for s in (mine, theirs, any_year))
    np.testing.assert_allclose(one.dni, other.dni, rtol=1e-9)
    np.testing.assert_allclose(one.dhi, other.dhi, rtol=1e-9)
    np.testing.assert_array_equal(one.dni, again.dni)
    at = times.as_unit("s").asi8
    np.testing.assert_allclose(air_at(mine, at), air_at(theirs, at), rtol=1e-9)
    later = pd.DatetimeIndex(["2031-06-21T12:30-05:00", "2028-02-29T12:30-05:00"])
    np.testing.assert_allclose(sun_at(any_year, later).dni, sun_at(theirs, later).dni, rtol=1e-9)
    with pytest.raises(
        SkyError, match="has nothing for 2031-06-21 13:30: it covers 01 January 2027"
    ):
        sun_at(mine, later)


def rows(*cells, head="interval_start,dni_W/m^2"):
    return "\n".join([head, *cells, ""])


def noon(*values, zone="+02:00", start="2026-06-21T12:00", head="interval_start,dni_W/m^2"):
    begin = dt.datetime.fromisoformat(start)
    times = [begin + dt.timedelta(minutes=10 * k) for k in range(len(values))]
    cells = (f"{t:%Y-%m-%dT%H:%M}{zone},{x}" for t, x in zip(times, values, strict=True))
    return rows(*cells, head=head)


def test_labels_offsets_and_units_are_as_the_header_says():
    """One and the same hour of sun, told in six ways."""
    values = [700, 710, 720, 730, 740, 750]
    whole = [x / 1000 for x in values]
    times = pd.date_range("2026-06-21T12:05", periods=6, freq="10min", tz=MADRID)
    expected = sun_at(terrace(noon(*values)), times).dni
    assert np.abs(expected - values).max() < 2.0
    for text in (
        noon(*values, zone=""),
        noon(*values, zone="Z", start="2026-06-21T10:00"),
        noon(*values, start="2026-06-21T12:10", head="interval_end,dni_W/m^2"),
        noon(*whole, head="interval_start,dni_kW/m^2"),
        "# by the neighbour's sensor\n\n" + noon(*values),
    ):
        np.testing.assert_allclose(sun_at(terrace(text), times).dni, expected, rtol=1e-9)


def test_the_hour_that_happens_twice_is_told_apart_by_order():
    """Clocks go back at 03:00 on 25 October 2026 in Spain (EU directive 2000/84/EC)."""
    utc = pd.date_range("2026-10-24T22:00", "2026-10-25T12:00", freq="30min", tz="UTC")
    dni = np.where(utc.date < dt.date(2026, 10, 25), 0, 500 + np.arange(len(utc)))
    dni[utc.hour < 8] = 0
    local = [f"{t:%Y-%m-%d %H:%M},{x}" for t, x in zip(utc.tz_convert(MADRID), dni, strict=True)]
    read = terrace(rows(*local))
    assert sun_at(read, "2026-10-25T11:15Z").dni[0] == pytest.approx(dni[26], rel=0.02)
    # one of the two hours alone could be either
    either = [cell for k, cell in enumerate(local) if k not in (6, 7)]
    with pytest.raises(SkyError, match=r"row 6 .* 2026-10-25T02:00 happens twice"):
        sun_at(terrace(rows(*either)), "2026-10-25T11:15Z")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (noon(700, "cloud", 710), r'row 3 column "dni_W/m\^2": "cloud" is not a number'),
        (noon(700, "", 710), r'row 3 column "dni_W/m\^2": empty'),
        ("# mine\n" + noon(700, -999, 710), r"row 4 .*-999 must lie in -30 W/m\^2 to 1500"),
        (noon(0.7, 0.8, 0.9), r'column "dni_W/m\^2": the sun is never stronger.*dni_kW/m\^2'),
        (noon(700, 710, head="interval_start,dni"), r'row 1 column "dni": no unit'),
        (noon(700, 710, head="interval_start,dni_degC"), r'row 1 column "dni_degC"'),
        (noon(700, 710, head="time,dni_W/m^2"), "which end of an interval"),
        (noon(700, 710, head="interval_start,air_temperature_degC"), 'no column "dni_W.*ghi_W'),
        (noon(700, 710, head="interval_start,dni_W/m^2,rain_mm"), 'column "rain_mm": unknown'),
        (noon(700), "fewer than two rows"),
        ("", "empty"),
        (noon(700, 710).replace(",", ";"), "row 1: write commas between the columns"),
        (
            rows("21.06.2026 12:00,7", "21.06.2026 12:10,7"),
            r'row 2 column "interval_start": .* time',
        ),
        (rows("2026-06-21T12:00,7", "2026-06-21T12:10Z,7"), "row 3 .* has an offset"),
        (rows("2026-06-21T12:10,7", "2026-06-21T12:00,7"), "row 3 .*: earlier than the row before"),
        (rows("2026-06-21T12:00,7", "2026-06-21T12:00,7"), "row 3 .*: the same time as"),
        (noon(700, 700, 700) + "2026-06-21T13:00+02:00,7\n", "row 5 .*: 40 min after.*10 min"),
        (rows("2026-06-21T12:00,7", "2026-06-21T12:10,7,8"), "row 3: 3 values, but .* 2 columns"),
        (
            noon(700, 700, zone="-10:00"),
            r'row 2 column "dni_W/m\^2": 700 W/m² while the sun is down',
        ),
    ],
)
def test_what_cannot_be_is_refused_by_row_and_column(text, words):
    with pytest.raises(SkyError, match=words):
        sun_at(terrace(text), "2026-06-21T12:05+02:00")


def test_nights_may_be_missing(clear):
    """A logger that sleeps by night says as much of the sun as one that doesn't."""
    awake = clear[(clear.index.hour >= 6) & (clear.index.hour < 23)]
    times = pd.date_range("2026-06-02T00:00", "2026-06-03T23:50", freq="31min", tz=MADRID)
    one, other = (sun_at(terrace().with_weather(frame), times) for frame in (clear, awake))
    np.testing.assert_array_equal(one.dni, other.dni)


def test_a_year_for_any_is_one_year_alone():
    days = pd.date_range("2024-01-01T12:00", periods=400, freq="D")
    text = rows(*(f"{t:%Y-%m-%dT%H:%M}Z,600" for t in days))
    with pytest.raises(SkyError, match="covers more than a year"):
        sun_at(terrace(text, "sky.weather_any_year=true"), "2026-06-21T12:05")


def test_a_frame_travels_with_the_scenario(tmp_path, clear):
    """Into its copies, its fingerprint, its results, and to workers."""
    read = load_scenario(SCENARIOS / "terrace.toml", ["facets.rows=2"], weather=clear)
    at = "2026-06-03T12:00"
    dni = sun_at(read, at).dni[0]
    assert sun_at(read.varied(["facets.rows=3"]), at).dni[0] == dni
    assert sun_at(pickle.loads(pickle.dumps(read)), at).dni[0] == dni
    day = dt.date(2026, 6, 3)
    plan = raytrace.SeasonPlan((day,), (36000.0,), replicates=2, refill=False)
    path = tmp_path / "june.h5"
    season = raytrace.season(read, plan, path=path)
    again = raytrace.read_result(path)
    assert again.scenario == read
    assert sun_at(again.scenario, at).dni[0] == dni
    np.testing.assert_array_equal(again.boils, season.boils)
    write_scenario(read, tmp_path / "found.toml")
    assert sun_at(load_scenario(tmp_path / "found.toml"), at).dni[0] == dni
    other = load_scenario(SCENARIOS / "terrace.toml", ["facets.rows=2"], weather=0.9 * clear)
    assert other != read
    one, two = (fingerprint("season", [s], plan) for s in (read, other))
    assert differing(one, two) == ["the weather file has changed since"]


def test_a_frame_says_which_columns_it_lacks(clear):
    with pytest.raises(ScenarioError, match="name the index, or a column of times"):
        terrace().with_weather(clear.rename_axis(None))
    with pytest.raises(ScenarioError, match=r'column "sun": unknown column'):
        terrace().with_weather(clear.rename(columns={"dni_W/m^2": "sun"}))


# --- global alone ------------------------------------------------------------------------------


def test_global_alone_is_parted_by_erbs_polynomial():
    """At a clearness of 0.5: diffuse 0.9511 − 0.1604 k + 4.388 k² − 16.638 k³ + 12.336 k⁴ of it.

    Erbs, Klein and Duffie (1982), equation 1.
    """
    day = pd.DatetimeIndex(["2026-06-21T12:00"], tz="UTC")
    level, lit = np.array([0.4]), np.array([0.8])  # the sun at 30° for four fifths of the time
    ghi = 0.5 * float(get_extra_radiation(172)) * level
    dni, dhi = part_global(ghi, level, lit, day)
    share = 0.9511 - 0.0802 + 1.097 - 2.07975 + 0.771
    assert dhi / ghi == pytest.approx(share, rel=1e-9)
    assert dni * level / lit + dhi == pytest.approx(ghi, rel=1e-12)
    assert part_global(ghi, 0.0 * level, 0.0 * lit, day)[0] == 0.0


def test_global_alone_gives_a_years_direct_sun_to_a_tenth():
    """A typical year's own direct sun, of the station's measured and modelled hours."""
    weather = read_weather(GREENSBORO)
    time = pd.DatetimeIndex(weather["start"])
    site = terrace(None, "site.latitude=36.1 deg", "site.longitude=-79.95 deg").site
    middle = time + pd.Timedelta(minutes=30)
    high = position(site, middle)[0]
    level = np.maximum(np.sin(high), 0.0)
    ghi = np.nan_to_num(weather["ghi"].to_numpy())
    dni, _ = part_global(ghi, level, (high > 0).astype(float), middle)
    assert dni.sum() == pytest.approx(weather["dni"].sum(), rel=0.1)
    assert np.corrcoef(dni, weather["dni"])[0, 1] > 0.9


def test_a_forecast_of_global_alone_is_read_and_less_sure():
    text = noon(700, 710, 720, head="interval_start,ghi_W/m^2")
    got = terrace(text, "sky.weather_forecast=true", "sky.dni_factor=")
    sun = sun_at(got, pd.DatetimeIndex(["2026-06-21T12:15"]))
    assert "Erbs" in sun.dni_source
    dni, dhi, high = float(sun.dni[0]), float(sun.dhi[0]), float(sun.alpha[0])
    assert dni * np.sin(high) + dhi == pytest.approx(705.0, rel=0.03)
    spread = {u.key: u.law.spread for u in got.unknowns}["sky.dni_factor"]
    assert spread == pytest.approx(0.2)
    with pytest.raises(SkyError, match='leave "dhi" out'):
        terrace_sun(noon("700,20", "700,30", head="interval_start,ghi_W/m^2,dhi_W/m^2"))


def terrace_sun(text):
    return sun_at(terrace(text), pd.DatetimeIndex(["2026-06-21T12:05"]))


def test_an_overcast_forecast_is_no_slip_of_the_unit():
    assert float(terrace_sun(noon(0, 0, 0)).dni[0]) == 0.0


@pytest.mark.parametrize(
    ("day", "rise", "set_"),
    [
        ("2015-01-02", "07:19", "16:49"),
        ("2015-04-02", "05:43", "18:24"),
        ("2015-08-02", "05:01", "19:10"),
        ("2015-12-02", "07:01", "16:38"),
    ],
)
def test_the_sun_rises_and_sets_as_in_the_almanac(day, rise, set_):
    """US Naval Observatory's tables for 39° N, 105° W, mountain standard time, as pvlib's tests
    have them."""
    place = ["latitude=39 deg", "longitude=-105 deg", "altitude=0 m", "timezone=Etc/GMT+7"]
    found = sun_times(terrace(None, *(f"site.{x}" for x in place)).site, day)
    for got, told in zip(found[::2], (rise, set_), strict=True):
        off = got.tz_localize(None) - pd.Timestamp(f"{day}T{told}")
        assert abs(off.total_seconds()) <= 60.0
