"""Weather files: real ones against what they say of themselves, invented ones hour by hour."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from raytrace.exceptions import ScenarioError, SkyError
from raytrace.scenario.loading import load_scenario
from raytrace.sky.sun import sun_at
from raytrace.sky.weather import read_weather, row_of, wind_at_height
from raytrace.studies.trace.summary import summarise

COURTYARD = Path(__file__).parents[2] / "scenarios" / "courtyard.toml"
SAND_POINT = files("pvlib") / "data" / "703165TY.csv"
GREENSBORO = files("pvlib") / "data" / "723170TYA.CSV"

EPW_HEAD = """\
LOCATION,Invented Town,-,-,Invented,000000,{latitude},{longitude},{tz},450.0
DESIGN CONDITIONS,0
TYPICAL/EXTREME PERIODS,0
GROUND TEMPERATURES,0
HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0
COMMENTS 1,invented for a test
COMMENTS 2,
DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31
"""


def epw(path, days, dni, tz=1.0, air=20.5, wind=3.0):
    """EPW with hours 1 to 24 of given (year, month, day); dni(k) of the k-th hour."""
    lines, k = [EPW_HEAD.format(latitude=40.0, longitude=15.0, tz=tz)], 0
    for year, month, day in days:
        for hour in range(1, 25):
            lines.append(
                f"{year},{month},{day},{hour},60,?,{air},9.0,50,96000,0,1361,300,400,{dni(k)},90,"
                f"0,0,0,0,180,{wind},2,2,20,77777,9,999999999,15,0.1,0,88,0.2,0,0\n"
            )
            k += 1
    path.write_text("".join(lines))
    return path


def pvgis_hours():
    """Typical year in UTC, months of different years."""
    days = pd.date_range("2001-01-01", periods=8760, freq="h")
    for k, t in enumerate(days):
        yield k, f"{2005 + t.month}{t:%m%d:%H}"


def pvgis_csv(path, minute="00", offset=None):
    lines = ["Latitude (decimal degrees): 40.000\n", "Longitude (decimal degrees): 15.000\n"]
    lines.append("Elevation (m): 450.0\n")
    if offset is not None:
        lines.append(f"Irradiance Time Offset (h): {offset}\n")
    lines.append("month,year\n")
    lines += [f"{m},{2005 + m}\n" for m in range(1, 13)]
    lines.append("time(UTC),T2m,RH,G(h),Gb(n),Gd(h),IR(h),WS10m,WD10m,SP\n")
    for k, label in pvgis_hours():
        lines.append(f"{label}{minute},11.0,60.0,300.0,{k % 997}.0,80.0,300.0,2.5,90.0,96000.0\n")
    lines.append("\nT2m: 2-m air temperature (degree Celsius)\n")
    path.write_text("".join(lines))
    return path


def test_real_files_add_up():
    # Annual direct normal irradiance summed from the files' own columns: 819.2 kWh/m² at Sand
    # Point AK, 1476.5 at Greensboro NC (NREL's TMY3 data set, 703165 and 723170).
    for file, kwh, most in ((SAND_POINT, 819.2, 943.0), (GREENSBORO, 1476.5, 984.0)):
        weather = read_weather(file)
        assert len(weather) == 8760
        assert weather["dni"].sum() / 1e3 == pytest.approx(kwh, abs=0.05)
        assert weather["dni"].max() == most
        assert (weather["end"] - weather["start"] == pd.Timedelta(hours=1)).all()
        assert weather["start"].iloc[0].isoformat()[:19] == "2001-01-01T00:00:00"
        assert 230.0 < weather["air_temperature"].min() < weather["air_temperature"].max() < 320.0
    assert weather.attrs["latitude"] == pytest.approx(np.deg2rad(36.1))
    assert weather.attrs["longitude"] == pytest.approx(np.deg2rad(-79.95))


def hourly_extraterrestrial(start, latitude, longitude):
    """Mean of 1367 E0 cos z over each hour, at 20 moments.

    Spencer (1971) for E0, declination and the equation of time, as given by Duffie & Beckman,
    Solar Engineering of Thermal Processes, chapter 1.
    """
    utc = start.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("M8[ns]")
    middle = utc[:, None] + ((np.arange(20) + 0.5) * 180e9).astype("m8[ns]")
    days = (middle - np.datetime64("2001-01-01T00")) / np.timedelta64(1, "D")
    B = 2 * np.pi * days / 365.0
    dec = 0.006918 - 0.399912 * np.cos(B) + 0.070257 * np.sin(B) - 0.006758 * np.cos(2 * B)
    dec += 0.000907 * np.sin(2 * B) - 0.002697 * np.cos(3 * B) + 0.00148 * np.sin(3 * B)
    eot = 229.18 * (0.000075 + 0.001868 * np.cos(B) - 0.032077 * np.sin(B))
    eot += 229.18 * (-0.014615 * np.cos(2 * B) - 0.04089 * np.sin(2 * B))
    E0 = 1.00011 + 0.034221 * np.cos(B) + 0.00128 * np.sin(B)
    E0 += 0.000719 * np.cos(2 * B) + 0.000077 * np.sin(2 * B)
    turn = 2 * np.pi * days + longitude + 2 * np.pi * eot / 1440.0 - np.pi
    height = np.sin(latitude) * np.sin(dec) + np.cos(latitude) * np.cos(dec) * np.cos(turn)
    return (1367.0 * E0 * np.maximum(height, 0.0)).mean(axis=1)


@pytest.mark.parametrize("file", [SAND_POINT, GREENSBORO], ids=lambda f: f.name)
def test_real_hours_are_where_the_sun_was(file):
    """The files state the extraterrestrial irradiance of each hour: our hours give it back."""
    stated = pd.read_csv(file, skiprows=1)["ETR (W/m^2)"].to_numpy(dtype=float)
    weather = read_weather(file)
    place = weather.attrs["latitude"], weather.attrs["longitude"]
    ours = hourly_extraterrestrial(weather["start"], *place)
    # Rounded to 1 W/m², made for other years: the leap cycle moves the declination by 0.2°.
    assert np.sqrt(np.mean((ours - stated) ** 2)) < 6.0
    # Half an hour off would be seen plainly.
    late = hourly_extraterrestrial(weather["start"] + pd.Timedelta(minutes=30), *place)
    assert np.sqrt(np.mean((late - stated) ** 2)) > 40.0


def test_epw_hours_end_at_their_label(tmp_path):
    # Hour 1 is 00:00 to 01:00 (Crawley, Hand & Lawrie 1999; EPW data dictionary).
    weather = read_weather(epw(tmp_path / "a.epw", [(1999, 6, 1), (2003, 6, 2)], lambda k: k))
    assert weather["start"][0].isoformat() == "2001-06-01T00:00:00+01:00"
    assert weather["end"].iloc[-1].isoformat() == "2001-06-03T00:00:00+01:00"
    np.testing.assert_array_equal(weather["dni"], np.arange(48.0))
    assert weather["air_temperature"][0] == pytest.approx(293.65)
    assert weather["wind_speed"][0] == 3.0
    assert weather.attrs["altitude"] == 450.0


def test_epw_in_a_zone_with_half_an_hour(tmp_path):
    weather = read_weather(epw(tmp_path / "a.epw", [(1999, 6, 1)], lambda k: k, tz=5.5))
    assert weather["start"][0].isoformat() == "2001-06-01T00:00:00+05:30"


def test_epw_marks_of_missing_values(tmp_path):
    # 9999, 99.9 and 999 are the format's marks for irradiance, temperature and wind.
    file = epw(tmp_path / "a.epw", [(1999, 6, 1)], lambda k: k, air=99.9, wind=999)
    weather = read_weather(file)
    assert weather[["air_temperature", "wind_speed"]].isna().all(axis=None)
    file = epw(tmp_path / "b.epw", [(1999, 6, 1)], lambda k: 9999 if k in (5, 6) else k)
    with pytest.raises(SkyError, match=r"b\.epw.*missing in 2 of 24 hours.*01 June 05:00"):
        read_weather(file)


def test_typical_year_stands_for_any_year(tmp_path):
    days = [(1990, d.month, d.day) for d in pd.date_range("2001-01-01", "2001-12-31")]
    weather = read_weather(epw(tmp_path / "a.epw", days, lambda k: k % 1000))
    times = pd.DatetimeIndex(
        [
            "2026-06-21T12:59:59+01:00",
            "2026-06-21T14:00:00+02:00",  # the file's clock has no summer time
            "2028-02-29T10:30:00+01:00",
            "2028-02-28T10:30:00+01:00",
            "2028-03-01T10:30:00+01:00",
            "2027-12-31T23:30:00+00:00",
        ],
        tz="UTC",
    )
    rows = row_of(weather, times)
    start = weather["start"].iloc[rows]
    assert [f"{t:%m-%d %H}" for t in start] == [
        "06-21 12",
        "06-21 13",
        "02-28 10",
        "02-28 10",
        "03-01 10",
        "01-01 00",
    ]


def test_leap_day_in_the_file_is_used(tmp_path):
    days = [(2020, 2, 28), (2020, 2, 29), (2020, 3, 1)]
    weather = read_weather(epw(tmp_path / "a.epw", days, lambda k: k))
    times = pd.DatetimeIndex(["2028-02-29T10:30", "2027-03-01T00:30"], tz="Etc/GMT-1")
    np.testing.assert_array_equal(row_of(weather, times), [24 + 10, 48])


def test_moments_outside_the_file_are_refused(tmp_path):
    weather = read_weather(epw(tmp_path / "short.epw", [(1999, 6, 1)], lambda k: k))
    with pytest.raises(SkyError, match=r"short\.epw has nothing for 2026-06-02 00:00"):
        row_of(weather, pd.DatetimeIndex(["2026-06-02T00:00+01:00"]))


def test_pvgis_full_hours_begin_at_their_label(tmp_path):
    weather = read_weather(pvgis_csv(tmp_path / "a.csv"))
    assert weather["start"][0].isoformat() == "2001-01-01T00:00:00+00:00"
    assert weather["dni"][13] == 13.0
    assert weather["air_temperature"][0] == pytest.approx(284.15)
    assert weather.attrs["kind"] == "PVGIS typical year"


@pytest.mark.parametrize(
    ("minute", "offset", "start"),
    [
        ("10", None, "2000-12-31T23:40:00"),
        ("30", None, "2001-01-01T00:00:00"),
        ("00", 0.25, "2000-12-31T23:45:00"),
    ],
)
def test_pvgis_snapshots_stand_in_the_middle_of_their_hour(tmp_path, minute, offset, start):
    weather = read_weather(pvgis_csv(tmp_path / "a.csv", minute, offset))
    assert weather["start"][0].isoformat()[:19] == start
    # Both ends of the year are covered, and the year turns without a gap.
    ends = pd.DatetimeIndex(["2025-12-31T23:59", "2026-01-01T00:01"], tz="UTC")
    later = (minute == "30") + 0
    np.testing.assert_array_equal(row_of(weather, ends), [8759 if later else 0, 0])


def pvgis_json(file):
    hourly = [
        {
            "time(UTC)": f"{label}00",
            "T2m": 11.0,
            "RH": 60.0,
            "G(h)": 300.0,
            "Gb(n)": float(k % 997),
            "Gd(h)": 80.0,
            "IR(h)": 300.0,
            "WS10m": 2.5,
            "WD10m": 90.0,
            "SP": 96000.0,
        }
        for k, label in pvgis_hours()
    ]
    place = {"latitude": 40.0, "longitude": 15.0, "elevation": 450.0}
    months = [{"month": m, "year": 2005 + m} for m in range(1, 13)]
    outputs = {"months_selected": months, "tmy_hourly": hourly}
    file.write_text(
        json.dumps({"inputs": {"location": place}, "outputs": outputs, "meta": {"inputs": {}}})
    )
    return file


def test_pvgis_json_is_read_alike(tmp_path):
    file = pvgis_json(tmp_path / "a.json")
    pd.testing.assert_frame_equal(read_weather(file), read_weather(pvgis_csv(tmp_path / "a.csv")))


def test_pvgis_series_without_direct_normal_is_refused(tmp_path):
    file = tmp_path / "plane.csv"
    file.write_text(
        "Latitude (decimal degrees):\t40.000\nLongitude (decimal degrees):\t15.000\n"
        "Elevation (m):\t450\nRadiation database:\tINVENTED\n\n"
        "time,G(i),H_sun,T2m,WS10m,Int\n20160101:0010,0.0,0.0,11.0,2.5,0.0\n"
    )
    with pytest.raises(SkyError, match=r"plane\.csv: no direct normal irradiance"):
        read_weather(file)


def test_unreadable_files_are_named(tmp_path):
    with pytest.raises(SkyError, match=r"nowhere\.epw: can't be opened"):
        read_weather(tmp_path / "nowhere.epw")
    with pytest.raises(SkyError, match=r"can't be opened"):
        read_weather(tmp_path)
    prose = tmp_path / "letter.csv"
    prose.write_text("Dear neighbour,\nthe pot boils.\n")
    with pytest.raises(SkyError, match=r"letter\.csv: not EPW, TMY3, PVGIS or a CSV"):
        read_weather(prose)
    empty = tmp_path / "empty.epw"
    empty.write_text("")
    with pytest.raises(SkyError, match=r"empty\.epw: not EPW"):
        read_weather(empty)
    broken = epw(tmp_path / "broken.epw", [(1999, 6, 1)], lambda k: "bright")
    with pytest.raises(SkyError, match=r"broken\.epw: begins like EPW but can't be read"):
        read_weather(broken)
    gap = epw(tmp_path / "gap.epw", [(1999, 6, 1), (1999, 6, 3)], lambda k: k)
    with pytest.raises(SkyError, match=r"gap\.epw.*none missing; not so after .*06-01 23:00"):
        read_weather(gap)


def test_a_changed_file_is_read_again_and_copies_are_apart(tmp_path):
    file = epw(tmp_path / "a.epw", [(1999, 6, 1)], lambda k: k)
    first = read_weather(file)
    first.loc[0, "dni"] = 777.0
    assert read_weather(file)["dni"][0] == 0.0
    epw(file, [(1999, 6, 1), (1999, 6, 2)], lambda k: k + 1)
    assert len(read_weather(file)) == 48


def test_wind_follows_the_logarithmic_law():
    # u(z) ∝ ln(z/z0), the neutral surface layer (Stull, An Introduction to Boundary Layer
    # Meteorology, 1988, chapter 9): speeds at z0 e and z0 e^2 stand as 1 to 2.
    z0 = 0.05
    low, high = (wind_at_height(6.0, height=z0 * np.exp(k), roughness=z0) for k in (1, 2))
    assert high / low == pytest.approx(2.0, rel=1e-12)
    assert wind_at_height(6.0, height=10.0, roughness=z0) == pytest.approx(6.0)
    assert wind_at_height(6.0, height=0.01, roughness=z0) == 0.0
    for height, roughness in ((0.0, 0.05), (1.0, 0.0), (1.0, 10.0), (-1.0, 0.05)):
        with pytest.raises(SkyError):
            wind_at_height(6.0, height=height, roughness=roughness)


def with_weather(file, *overrides):
    named = ['sky.dni="weather file"', f"sky.weather_file={file}"]
    return load_scenario(COURTYARD, named + list(overrides))


AT_HOME = ("site.latitude=36.1 deg", "site.longitude=-79.95 deg", "site.altitude=273 m",
           "site.timezone=America/New_York")  # fmt: skip


def test_a_station_far_away_is_refused_unless_it_is_meant():
    """TMY3 of Greensboro, as pvlib ships it, for a cooker in Mexico; and for one in the south."""
    for use in (summarise, lambda scenario: sun_at(scenario, "2026-06-21T10:30")):
        with pytest.raises(SkyError, match=r"courtyard\.toml: sky\.weather_file: .*2686 km") as far:
            use(with_weather(GREENSBORO))
        assert "weather_elsewhere = true" in str(far.value)
        assert "hemisphere" not in str(far.value)
    south = "site.latitude=-36.1 deg", "site.longitude=-79.95 deg"
    with pytest.raises(SkyError, match="in the other hemisphere, with the seasons turned round"):
        summarise(with_weather(GREENSBORO, *south))
    meant = summarise(with_weather(GREENSBORO, "sky.weather_elsewhere=true"))
    (warning,) = [w for w in meant.warnings if w.startswith("sky.weather_file")]
    assert "723170TYA.CSV, lies 2686 km" in warning
    assert "1282 m below" in warning
    near = summarise(with_weather(GREENSBORO, *AT_HOME))
    assert not [w for w in near.warnings if w.startswith("sky.weather_file")]
    with pytest.raises(ScenarioError, match=r'weather_elsewhere = true: .*sky\.dni is "clear sky"'):
        load_scenario(COURTYARD, ["sky.weather_elsewhere=true"])


def test_check_says_what_a_shortened_file_lacks(tmp_path):
    lines = GREENSBORO.read_text().splitlines(keepends=True)
    half = tmp_path / "half.csv"
    half.write_text("".join(lines[: 2 + 4321]))
    warnings = summarise(with_weather(half, *AT_HOME)).warnings
    (warning,) = [w for w in warnings if w.startswith("sky.weather_file")]
    assert "lacks 4439 of a year's 8 760 hours" in warning
    assert "from 01 January 00:00 to 30 June 01:00" in warning
    broken = tmp_path / "broken.epw"
    broken.write_text("LOCATION,nowhere\n")
    with pytest.raises(SkyError, match=r"sky\.weather_file: weather file broken\.epw"):
        summarise(with_weather(broken))


def cuts(text, count=12):
    """Downloads that broke off: anywhere in the head, and anywhere in the hours."""
    rng = np.random.default_rng(11)
    head = rng.integers(1, 3000, count // 2)
    rest = rng.integers(3000, len(text), count - count // 2)
    return [text[:n] for n in (*head, *rest)]


@pytest.mark.parametrize("kind", ["EPW", "TMY3", "PVGIS csv", "PVGIS json"])
def test_a_download_that_broke_off_is_told_in_one_sentence(tmp_path, kind):
    days = [(1990, d.month, d.day) for d in pd.date_range("2001-01-01", "2001-12-31")]
    text = {
        "EPW": lambda: epw(tmp_path / "whole", days, lambda k: k % 1000).read_text(),
        "TMY3": GREENSBORO.read_text,
        "PVGIS csv": lambda: pvgis_csv(tmp_path / "whole").read_text(),
        "PVGIS json": lambda: pvgis_json(tmp_path / "whole").read_text(),
    }[kind]()
    read = 0
    head = text[: len(text) // 500]
    for k, part in enumerate([*cuts(text), head, text[:9], ""]):
        file = tmp_path / f"cut{k}"
        file.write_text(part)
        said = ""
        try:
            weather = read_weather(file)
        except SkyError as error:
            said = str(error)
            read -= 1
        read += 1
        if said:
            assert said.startswith(f"weather file cut{k}: ")
            assert "\n" not in said
            assert len(said) < 300
        else:
            assert 24 <= len(weather) < 8760
            assert np.isfinite(weather["dni"]).all()
    assert read < 15


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("450.0\n", "1e400\n", "altitude is inf m; it must lie in -450 to 9000"),
        (",40.0,", ",95.0,", "latitude is 95 degrees"),
        (",15.0,", ",nan,", "longitude is nan degrees"),
        (",1.0,450", ",1e9,450", "can't be read as such"),
    ],
)
def test_a_station_that_is_not_on_earth_is_told(tmp_path, old, new, words):
    file = epw(tmp_path / "a.epw", [(1999, 6, 1)], lambda k: k)
    file.write_text(file.read_text().replace(old, new, 1))
    with pytest.raises(SkyError, match=words):
        read_weather(file)


def test_a_file_of_hours_alone_is_told(tmp_path):
    file = epw(tmp_path / "a.epw", [(1999, 6, 1)], lambda k: k)
    file.write_text("".join(file.read_text().splitlines(keepends=True)[: 8 + 5]))
    with pytest.raises(SkyError, match="only 5 hours, not even a day"):
        read_weather(file)
    year = [(1990, d.month, d.day) for d in pd.date_range("2001-01-01", "2001-12-31")]
    with pytest.raises(SkyError, match=r"missing; not so after 2000-12-31 23:00"):
        read_weather(epw(tmp_path / "b.epw", year + year[:1], lambda k: 0))
