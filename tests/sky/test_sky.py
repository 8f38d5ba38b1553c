"""Sun positions, irradiance, clocks and days: against worked examples, tables, other formulas."""

from __future__ import annotations

import datetime as dt
import warnings
from importlib.resources import files
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raytrace.exceptions import SkyError
from raytrace.sky import sun as sky
from raytrace.sky.cloudless import clear_sky
from raytrace.sky.irradiance import sun_from

GREENSBORO = files("pvlib") / "data" / "723170TYA.CSV"
deg = np.deg2rad


def make(
    latitude=37.0,
    longitude=-2.0,
    altitude=300.0,
    timezone="Europe/Madrid",
    horizon=None,
    sun_altitude=42.0,
    date=None,
    **sky_section,
):
    """Stand in for a scenario with what these functions read of one."""
    defaults = {
        "dni": "clear sky",
        "dni_factor": 1.0,
        "weather_file": None,
        "weather_any_year": False,
        "weather_elsewhere": True,  # its own place is tested in test_weather.py
        "linke_turbidity": None,
        "sunshape": "uniform",
        "sun_radius": 4.65e-3,
        "circumsolar_ratio": None,
    }
    return SimpleNamespace(
        site=SimpleNamespace(
            latitude=float(deg(latitude)),
            longitude=float(deg(longitude)),
            altitude=altitude,
            timezone=timezone,
            horizon=horizon,
            slope=0.0,
            slope_toward=None,
        ),
        sky=SimpleNamespace(**(defaults | sky_section)),
        design=SimpleNamespace(sun_altitude=float(deg(sun_altitude)), date=date),
        tables={},
    )


# --- position ------------------------------------------------------------------------------------

# Worked example of the Solar Position Algorithm: Reda & Andreas, NREL/TP-560-34302 (2003, revised
# 2008): 17 October 2003, 12:30:30 at UTC-7; 820 mbar, 11 °C.
SPA = make(39.742476, -105.1786, 1830.14, "America/Denver")


def spa_example():
    times = sky.site_times(SPA.site, "2003-10-17T12:30:30-07:00")
    return sky.position(SPA.site, times, pressure=82000.0, air_temperature=284.15)


def test_spa_worked_example():
    # Topocentric zenith 50.11162°, azimuth 194.34024°; same source, printed to five decimals.
    alpha, gamma = spa_example()
    assert 90.0 - np.rad2deg(alpha[0]) == pytest.approx(50.11162, abs=5.1e-6)
    assert np.rad2deg(gamma[0]) == pytest.approx(194.34024, abs=5.1e-6)


def test_spa_worked_example_on_a_tilted_plane():
    # Incidence 25.18700° on a plane of slope 30° that faces 10° east of south; same source. From
    # our vector and the plane's normal, so that east, north and up are where they should be.
    s = sky.sun_direction(*spa_example())[0]
    slope, faces = deg(30.0), deg(170.0)
    n = [np.sin(slope) * np.sin(faces), np.sin(slope) * np.cos(faces), np.cos(slope)]
    assert np.rad2deg(np.arccos(s @ n)) == pytest.approx(25.18700, abs=5.1e-6)


def test_naive_time_is_the_sites_clock_in_the_example():
    # The same moment by Denver's clock, which keeps summer time (UTC-6) in October.
    sun = sky.sun_at(SPA, "2003-10-17T13:30:30")
    assert np.rad2deg(sun.gamma[0]) == pytest.approx(194.34024, abs=5.1e-6)
    # Our own air (standard pressure at that altitude, 12 °C) refracts 0.0002° otherwise.
    assert 90.0 - np.rad2deg(sun.alpha[0]) == pytest.approx(50.11162, abs=4e-4)


def almanac_vector(utc, latitude, longitude):
    """Sun by the Astronomical Almanac's low-precision formula: 0.01° between 1950 and 2050.

    The formula as printed in its section C, from memory.
    """
    n = (utc - pd.Timestamp("2000-01-01T12:00", tz="UTC")) / pd.Timedelta(days=1)
    g = deg(357.528 + 0.9856003 * n)
    lam = deg(280.460 + 0.9856474 * n + 1.915 * np.sin(g) + 0.020 * np.sin(2 * g))
    eps = deg(23.439 - 4e-7 * n)
    dec = np.arcsin(np.sin(eps) * np.sin(lam))
    ra = np.arctan2(np.cos(eps) * np.sin(lam), np.cos(lam))
    H = deg(15.0 * (18.697374558 + 24.06570982441908 * n)) + longitude - ra
    east = -np.cos(dec) * np.sin(H)
    north = np.sin(dec) * np.cos(latitude) - np.cos(dec) * np.cos(H) * np.sin(latitude)
    up = np.sin(dec) * np.sin(latitude) + np.cos(dec) * np.cos(H) * np.cos(latitude)
    return np.array([east, north, up])


anywhere = {
    "latitude": st.floats(-90.0, 90.0),
    "longitude": st.floats(-180.0, 180.0),
    "minute": st.integers(0, 60 * 24 * 365 * 40),
}


@given(**anywhere)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_vectors_anywhere_agree_with_the_almanac(latitude, longitude, minute):
    """Without refraction, within 0.015°: the almanac's 0.01° and the sun's parallax of 0.0024°."""
    place = make(latitude, longitude, 0.0, "UTC")
    times = pd.DatetimeIndex([pd.Timestamp("1990-01-01", tz="UTC") + pd.Timedelta(minutes=minute)])
    s = sky.sun_direction(*sky.position(place.site, times, pressure=0.0))[0]
    t = almanac_vector(times[0], place.site.latitude, place.site.longitude)
    assert np.rad2deg(np.linalg.norm(s - t)) < 0.015


@given(**anywhere)
@settings(max_examples=40, deadline=None, derandomize=True)
def test_directions_are_unit_vectors_at_the_stated_altitude(latitude, longitude, minute):
    place = make(latitude, longitude, 0.0, "Pacific/Auckland", sun_radius="by date")
    moment = dt.datetime(1990, 1, 1, tzinfo=dt.UTC) + dt.timedelta(minutes=minute)
    sun = sky.sun_at(place, moment)
    assert np.linalg.norm(sun.direction[0]) == pytest.approx(1.0, abs=1e-15)
    assert np.arcsin(sun.direction[0, 2]) == pytest.approx(sun.alpha[0], abs=1e-7)
    azimuth = np.arctan2(sun.direction[0, 0], sun.direction[0, 1]) % (2 * np.pi)
    assert abs(np.angle(np.exp(1j * (azimuth - sun.gamma[0])))) < 1e-9
    assert (sun.dni[0] > 0.0) <= (sun.alpha[0] > 0.0)
    # 4.58 to 4.73 mrad from July to January: the sun's radius over its distance.
    assert 4.57e-3 < sun.radius[0] < 4.74e-3
    assert str(sun.time.tz) == "Pacific/Auckland"


def test_sun_is_widest_in_january():
    # Perihelion on 3 January 2026, 0.98330 AU; 959.63 arcsec at 1 AU (Auwers' value). Memory.
    widths = sky.sun_at(
        make(sun_radius="by date"), pd.date_range("2026-01-01", "2026-12-31", tz="UTC")
    ).radius
    assert abs(int(np.argmax(widths)) - 2) <= 1
    assert widths.max() == pytest.approx(np.deg2rad(959.63 / 3600.0) / 0.98330, rel=5e-4)
    assert sky.sun_at(make(), "2026-01-03T12:00").radius[0] == 4.65e-3


# --- days ----------------------------------------------------------------------------------------

# At sunrise and sunset as almanacs define them (upper limb, 34' of refraction) the centre is 50'
# down unrefracted. The algorithm's refraction starts just there, from 50' down to 15' down, so any
# altitude between is crossed at that moment.
LIMB = deg(-0.4)


@pytest.mark.parametrize(
    ("date", "rise", "sets"),
    [
        # US Naval Observatory tables for 39 N 105 W, mountain standard time, to the minute.
        ("2015-01-02", "07:19", "16:49"),
        ("2015-04-02", "05:43", "18:24"),
        ("2015-08-02", "05:01", "19:10"),
        ("2015-12-02", "07:01", "16:38"),
    ],
)
def test_sunrise_and_sunset_of_the_naval_observatory(date, rise, sets):
    place = make(39.0, -105.0, 0.0, "Etc/GMT+7")
    for ours, theirs in zip(sky.altitude_crossings(place, date, LIMB), (rise, sets), strict=True):
        off = ours - pd.Timestamp(f"{date}T{theirs}", tz="Etc/GMT+7")
        # Half a minute of rounding, and some seconds between the theories.
        assert abs(off.total_seconds()) < 40.0


@pytest.mark.parametrize(
    ("date", "rise", "sets"),
    [
        # 35 S 0 E, UTC, to the second: the algorithm's report, as memory has the source.
        ("1996-07-05", "07:08:15", "17:01:04"),
        ("2004-12-04", "04:38:57", "19:02:02"),
    ],
)
def test_sunrise_and_sunset_to_the_second(date, rise, sets):
    place = make(-35.0, 0.0, 0.0, "UTC")
    for ours, theirs in zip(sky.altitude_crossings(place, date, LIMB), (rise, sets), strict=True):
        # The report leaves out the parallax, which is worth a second here.
        assert abs((ours - pd.Timestamp(f"{date}T{theirs}Z")).total_seconds()) < 2.5


@given(
    latitude=st.floats(-65.0, 65.0),
    longitude=st.floats(-180.0, 180.0),
    day=st.integers(0, 364),
    share=st.floats(0.02, 0.98),
)
@settings(max_examples=25, deadline=None, derandomize=True)
def test_crossings_are_where_the_sun_stands_at_that_altitude(latitude, longitude, day, share):
    place = make(latitude, longitude, 0.0, "UTC")
    date = dt.date(2026, 1, 1) + dt.timedelta(days=day)
    noon = np.pi / 2 - abs(place.site.latitude) - deg(23.5)
    alpha = share * max(noon, deg(0.5))
    morning, evening = sky.altitude_crossings(place, date, alpha)
    assert morning < evening
    assert evening - morning < pd.Timedelta(hours=24)
    sun = sky.sun_at(place, [morning.to_pydatetime(), evening.to_pydatetime()])
    np.testing.assert_allclose(sun.alpha, alpha, atol=deg(5e-4))
    assert sun.direction[0, 0] > sun.direction[1, 0]  # east first, then west


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone", "date", "hours"),
    [
        (69.65, 18.96, "Europe/Oslo", "2026-06-21", 24),
        (69.65, 18.96, "Europe/Oslo", "2026-12-21", 0),
        (-78.0, 166.0, "Antarctica/McMurdo", "2026-12-21", 24),
        (-78.0, 166.0, "Antarctica/McMurdo", "2026-06-21", 0),
        (90.0, 0.0, "UTC", "2026-06-21", 24),
        (-90.0, 0.0, "UTC", "2026-06-21", 0),
    ],
)
def test_polar_day_and_night(latitude, longitude, zone, date, hours):
    place = make(latitude, longitude, 0.0, zone)
    times = sky.day_times(place, date, 1800)
    assert len(times) == 2 * hours
    assert sky.altitude_crossings(place, date, 0.0) == (None, None)
    assert (sky.sun_at(place, times).alpha > 0.0).all()
    if hours:
        assert f"{times[0]:%F %H:%M}" == f"{date} 00:00"
        assert f"{times[-1]:%F %H:%M}" == f"{date} 23:30"


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        (1.87, -157.4, "Pacific/Kiritimati"),  # UTC+14
        (-21.1, -175.2, "Pacific/Tongatapu"),  # UTC+13, east of the date line
        (52.8, 173.1, "America/Adak"),  # UTC-10, west of it
        (-14.3, -170.7, "Pacific/Pago_Pago"),
    ],
)
def test_days_near_the_date_line_are_the_sites_own(latitude, longitude, zone):
    place = make(latitude, longitude, 0.0, zone)
    times = sky.day_times(place, "2026-03-01", 600)
    assert {f"{t:%F}" for t in times} == {"2026-03-01"}
    # Mean noon is at 12 h − longitude/15° UTC; the equation of time is 12 min on 1 March.
    middle = (times[0] + (times[-1] - times[0]) / 2).tz_convert("UTC")
    off = (middle.hour + middle.minute / 60.0 - 12.0 + longitude / 15.0 + 12.0) % 24.0 - 12.0
    assert off == pytest.approx(12.0 / 60.0, abs=0.12)
    assert 10.0 < (times[-1] - times[0]).total_seconds() / 3600.0 < 13.0


def test_day_on_which_the_clocks_change_has_all_its_sun():
    place = make()
    before, change = (sky.day_times(place, f"2026-03-{d}", 600) for d in (28, 29))
    assert len(change) == pytest.approx(len(before), abs=2)
    assert before[0].utcoffset() != change[0].utcoffset()
    assert {t.minute % 10 for t in change} == {0}
    assert (np.diff(change.as_unit("s").asi8) == 600).all()


def test_leap_day_has_sun_and_a_skipped_day_is_refused():
    assert len(sky.day_times(make(), "2028-02-29", 3600)) == 12  # 07:38 to 19:03
    samoa = make(-13.8, -171.8, 0.0, "Pacific/Apia")
    with pytest.raises(SkyError, match="2011-12-30 doesn't exist"):
        sky.day_times(samoa, "2011-12-30", 600)
    assert sky.highest_altitude(samoa, 2011)[0] > deg(89.0)
    for date in ("2026-02-29", "21 June", "", None):
        with pytest.raises(SkyError, match="no date"):
            sky.day_times(make(), date, 600)
    with pytest.raises(SkyError, match="positive"):
        sky.day_times(make(), "2026-06-21", 0)


def test_highest_altitude_is_that_of_the_solstice():
    # 90° − latitude + obliquity 23.44°, refraction 0.004° at that height.
    alpha, date = sky.highest_altitude(make(51.5, 0.0, 0.0, "Europe/London"))
    assert np.rad2deg(alpha) == pytest.approx(90 - 51.5 + 23.44, abs=0.02)
    assert date in (dt.date(2026, 6, 20), dt.date(2026, 6, 21), dt.date(2026, 6, 22))
    # Between the tropics the sun passes overhead.
    assert np.rad2deg(sky.highest_altitude(make(10.0, 0.0, 0.0, "UTC"))[0]) > 89.7


# --- clocks --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("time", "words", "offers"),
    [
        (
            "2026-03-29T02:30",
            "is skipped",
            ("2026-03-29T02:30+01:00", "2026-03-29T02:30+02:00"),
        ),
        (
            "2026-10-25T02:30",
            "happens twice",
            ("2026-10-25T02:30+02:00", "2026-10-25T02:30+01:00"),
        ),
    ],
)
def test_times_that_the_clocks_change_makes_unclear_are_refused(time, words, offers):
    # Clocks change on the last Sundays of March and October: Directive 2000/84/EC.
    site = make().site
    naive = dt.datetime.fromisoformat(time)
    for given_as in (time, naive, ["2026-06-01T12:00", time], pd.DatetimeIndex([naive])):
        with pytest.raises(SkyError, match=words) as refused:
            sky.site_times(site, given_as)
        for offer in offers:
            assert offer in str(refused.value)
            assert len(sky.site_times(site, offer)) == 1  # what it says to write is taken


def test_times_of_every_kind_are_the_same_moment():
    site = make().site
    utc = pd.Timestamp("2026-06-21T08:30Z")
    for given_as in (
        "2026-06-21T10:30",
        "2026-06-21 10:30",
        "2026-06-21T08:30Z",
        "2026-06-21T04:30-04:00",
        dt.datetime(2026, 6, 21, 10, 30),
        dt.datetime(2026, 6, 21, 8, 30, tzinfo=dt.UTC),
        utc,
        [utc.to_pydatetime()],
        pd.DatetimeIndex(["2026-06-21T10:30"]),
        pd.DatetimeIndex([utc]),
    ):
        times = sky.site_times(site, given_as)
        assert list(times) == [utc]
        assert str(times.tz) == "Europe/Madrid"
    mixed = sky.site_times(site, ["2026-06-21T10:30", utc, "2026-01-21T10:30"])
    assert [t.hour for t in mixed] == [10, 10, 10]
    assert len(sky.site_times(site, [])) == 0


@pytest.mark.parametrize("time", ["noon", "21/06/2026 10:30", "", 42, None, pd.NaT, ["2026-13-01"]])
def test_times_that_cannot_be_read_are_refused(time):
    items = [time] if time is None or isinstance(time, int) else time
    with pytest.raises(SkyError, match=r"no (time|date)"):
        sky.site_times(make().site, items)


def test_no_times_give_no_suns():
    for place in (make(), make(dni="weather file", weather_file=GREENSBORO), make(dni=800.0)):
        sun = sky.sun_at(place, [])
        assert sun.direction.shape == (0, 3)
        assert sun.dni.shape == (0,)


# --- irradiance ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zenith", "turbidity", "altitude", "dni"),
    [
        # Ineichen & Perez, Solar Energy 73 (2002) 151-157, at 1361 W/m² beyond the air: computed
        # with the library that is used here, so this guards how it is called.
        (0.0, 2.0, 0.0, 1012.18),
        (0.0, 3.0, 0.0, 940.18),
        (48.19, 3.0, 0.0, 859.53),
        (48.19, 3.0, 1600.0, 940.56),
        (60.0, 3.0, 0.0, 786.07),
        (60.0, 3.0, 3500.0, 988.06),
    ],
)
def test_clear_sky_irradiance_at_one_astronomical_unit(zenith, turbidity, altitude, dni):
    place = make(altitude=altitude, linke_turbidity=turbidity)
    times = pd.DatetimeIndex(["2026-04-04T12:00Z"])  # the earth passes 1 AU, to 0.02 %
    ours, _ = clear_sky(place, times, np.array([deg(90.0 - zenith)]))
    assert ours[0] == pytest.approx(dni, rel=5e-4)


def test_clear_sky_is_near_the_reference_spectrum():
    # ASTM G173-03: 900.1 W/m² direct at air mass 1.5, a clear day; integrated from the table that
    # pvlib carries. Turbidity 3 at that air mass must come within a tenth of it.
    table = pd.read_csv(files("pvlib") / "data" / "ASTMG173.csv", skiprows=1)
    direct = np.trapezoid(table.iloc[:, 3], table.iloc[:, 0])
    assert direct == pytest.approx(900.1, abs=0.1)
    place = make(linke_turbidity=3.0, altitude=0.0)
    ours, _ = clear_sky(
        place, pd.DatetimeIndex(["2026-04-04T12:00Z"]), np.array([deg(90.0 - 48.19)])
    )
    assert ours[0] == pytest.approx(direct, rel=0.1)


def test_turbidity_comes_from_the_shipped_climatology():
    from pvlib.clearsky import lookup_linke_turbidity

    times = pd.date_range("2026-01-01T12:00", periods=365, tz="UTC")
    place = make()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        daily = lookup_linke_turbidity(times, 37.0, -2.0)
    alpha = np.full(365, deg(45.0))
    ours, _ = clear_sky(place, times, alpha)
    theirs = [
        clear_sky(make(linke_turbidity=float(t)), times[k : k + 1], alpha[:1])[0][0]
        for k, t in list(enumerate(daily))[::30]
    ]
    np.testing.assert_allclose(ours[::30], theirs, rtol=2e-3)


def test_sites_high_and_low_have_sun():
    days = [sky.sun_at(make(altitude=a), "2026-06-21T14:00").dni[0] for a in (-430.0, 0.0, 4000.0)]
    assert days[0] < days[1] < days[2]
    # 1361 W/m² (IAU 2015 Resolution B3) in June, at 1.016 AU
    assert days[2] < 1361.0 / 1.016**2


@given(latitude=st.floats(-90.0, 90.0), day=st.integers(0, 365), minute=st.integers(0, 1439))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_clear_sky_is_finite_and_less_than_beyond_the_air(latitude, day, minute):
    place = make(latitude, 180.0, 0.0, "UTC")
    moment = dt.datetime(2028, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=day, minutes=minute)
    sun = sky.sun_at(place, moment)
    # 1361 W/m² (IAU 2015 Resolution B3) at the perihelion, 0.983 AU.
    assert 0.0 <= sun.dni[0] < 1361.0 / 0.983**2
    assert sun.dni[0] == 0.0 or sun.alpha[0] > 0.0


def test_horizon_profile_cuts_the_sun_and_closes_at_north():
    # A wall of 30° from east to south, nothing elsewhere.
    wall = deg(np.array([[89.0, 0.0], [90.0, 30.0], [180.0, 30.0], [181.0, 0.0]]))
    times = pd.date_range("2026-03-20T06:00", "2026-03-20T20:00", freq="5min", tz="Europe/Madrid")
    free, cut = sky.sun_at(make(dni=800.0), times), sky.sun_at(make(dni=800.0, horizon=wall), times)
    behind = (free.gamma > deg(90.0)) & (free.gamma < deg(180.0)) & (free.alpha < deg(30.0))
    assert behind.sum() > 20
    assert (cut.dni[behind] == 0.0).all()
    clear = ~behind & (np.abs(free.gamma - deg(90.0)) > deg(1.0)) & (free.alpha > 0.0)
    assert (cut.dni[clear & (free.gamma > deg(181.0))] == 800.0).all()
    assert (cut.dni[free.alpha < 0.0] == 0.0).all()
    # Two points, either side of north: between them the short way round, not the long one. In
    # the far south the June sun stands in the north.
    hill = deg(np.array([[20.0, 60.0], [340.0, 60.0], [60.0, 0.0], [300.0, 0.0]]))
    place = make(-40.0, 0.0, 0.0, "UTC", dni=800.0, horizon=hill)
    assert sky.sun_at(place, "2026-06-21T12:00").dni[0] == 0.0
    place.site.horizon = hill[2:]
    assert sky.sun_at(place, "2026-06-21T12:00").dni[0] == 800.0
    # A single point is a horizon of one height all round.
    place.site.horizon = deg(np.array([[123.0, 60.0]]))
    assert sky.sun_at(place, "2026-06-21T12:00").dni[0] == 0.0


def greensboro(**change):
    return make(
        36.1,
        -79.95,
        273.0,
        "America/New_York",
        dni="weather file",
        weather_file=GREENSBORO,
        **change,
    )


def test_weather_keeps_each_hours_mean():
    place, weather = greensboro(), sky.read_weather(GREENSBORO)
    hours = pd.date_range("2026-01-01", "2027-01-01", freq="h", tz="Etc/GMT+5", inclusive="left")
    stated, spread = weather["dni"].to_numpy(), weather["dhi"].to_numpy()
    pick = np.flatnonzero(stated > 0.0)[::7]
    minutes = pd.to_timedelta(np.arange(30) * 2 + 1, unit="min")
    begin = hours[pick].tz_convert("UTC").tz_localize(None)
    times = pd.DatetimeIndex(np.add.outer(begin.to_numpy(), minutes.to_numpy()).ravel())
    sun = sky.sun_at(place, times.tz_localize("UTC"))
    means = sun.dni.reshape(-1, 30).mean(axis=1)
    up = (sun.alpha.reshape(-1, 30) > deg(3.0)).all(axis=1)
    np.testing.assert_allclose(means[up], stated[pick][up], rtol=5e-3)
    diffuse = sun.dhi.reshape(-1, 30).mean(axis=1)
    np.testing.assert_allclose(diffuse[up], spread[pick][up], rtol=5e-3)
    assert up.sum() > 400
    # In hours that the sun rises or sets in, no moment outshines the sun beyond the air.
    assert sun.dni.max() < 1361.0 / 0.983**2
    assert means[~up].sum() == pytest.approx(stated[pick][~up].sum(), rel=0.1)
    assert "723170TYA.CSV" in sun.dni_source
    assert "0 km from the site" in sun.dni_source
    assert not sun.clear


def test_what_a_weather_file_lacks_of_the_sky_is_what_the_rest_leaves(monkeypatch):
    """Overcast hours have light; else level light less the direct sun's, or a clear sky's."""
    place, whole = greensboro(), sky.read_weather(GREENSBORO)
    times = pd.date_range("2026-07-01T05:10", "2026-07-05T20:00", freq="20min", tz="Etc/GMT+5")
    stated = sky.sun_at(place, times)
    cloudy = (stated.dni == 0.0) & (stated.alpha > deg(20.0))
    assert cloudy.sum() > 10
    assert stated.dhi[cloudy].min() > 50.0
    assert (stated.dhi[stated.alpha <= 0.0] == 0.0).all()
    for lacking, rtol in ((["dhi"], 0.1), (["dhi", "ghi"], None)):
        weather = whole.assign(**dict.fromkeys(lacking, np.nan))
        weather.attrs = whole.attrs
        monkeypatch.setattr(sky, "read_weather", lambda path, weather=weather: weather)
        got = sky.sun_at(place, times)
        np.testing.assert_array_equal(got.dni, stated.dni)
        high = stated.alpha > deg(10.0)
        if rtol:  # the file's three columns agree as well as its instruments did
            total = got.dhi[high].sum(), stated.dhi[high].sum()
            assert total[0] == pytest.approx(total[1], rel=rtol)
        else:
            _, expected = sun_from(place.site, times, stated.alpha, "dni", stated.dni)
            np.testing.assert_allclose(got.dhi, expected)


def test_a_constant_sun_has_the_sky_of_its_haze():
    """The clear sky's own irradiance, stated as a number, brings back its diffuse light."""
    place, time = make(linke_turbidity=3.5), pd.DatetimeIndex(["2026-06-21T10:00+02:00"])
    clear = sky.sun_at(place, time)
    assert 50.0 < clear.dhi[0] < 200.0
    stated = sky.sun_at(make(dni=float(clear.dni[0])), time)
    assert stated.dhi[0] == pytest.approx(clear.dhi[0], rel=1e-6)
    house = sky.sun_at(make(linke_turbidity=3.5, horizon=[(0.0, 1.5), (3.0, 1.5)]), time)
    assert house.dni[0] == 0.0
    assert house.dhi[0] == clear.dhi[0]


def test_weather_follows_the_suns_course_within_an_hour():
    """Morning hours brighten, evening ones fade, and the same clock hour holds in summer time."""
    weather = sky.read_weather(GREENSBORO)
    day = weather[weather["start"].dt.strftime("%m-%d") == "06-10"]
    bright = day[day["dni"] > 100.0]["start"]
    for start, sign in ((bright.iloc[0], 1), (bright.iloc[-1], -1)):
        times = pd.DatetimeIndex([start.replace(year=2027)] * 5) + pd.to_timedelta(
            [5, 15, 30, 45, 55], unit="min"
        )
        assert (sign * np.diff(sky.sun_at(greensboro(), times).dni) > 0.0).all()


def test_weather_file_must_be_named():
    place = greensboro()
    place.sky.weather_file = None
    with pytest.raises(SkyError, match=r"sky\.weather_file"):
        sky.sun_at(place, "2026-06-21T12:00")


# --- design --------------------------------------------------------------------------------------


def test_design_sun_stands_at_the_design_altitude_in_the_morning():
    time, sun = sky.design_moment(make(sun_altitude=42.0))
    assert time.date() == dt.date(2026, 3, 20)
    assert time == sun.time[0]
    assert np.rad2deg(sun.alpha[0]) == pytest.approx(42.0, abs=5e-4)
    assert sun.direction[0, 0] > 0.0
    assert sun.dni_source == "clear sky, 2026-03-20"
    assert sun.clear
    assert sun.dni[0] == sky.sun_at(make(), time).dni[0]


def test_design_sun_on_its_own_date_and_with_a_constant():
    time, sun = sky.design_moment(make(sun_altitude=60.0, date=dt.date(2027, 6, 1), dni=850.0))
    assert time.date() == dt.date(2027, 6, 1)
    assert sun.dni[0] == 850.0
    assert sun.dni_source == "constant 850 W/m²"


def test_design_sun_that_march_does_not_have_is_found_on_the_nearest_day():
    time, sun = sky.design_moment(make(sun_altitude=70.0))
    assert "doesn't stand at the design altitude on 2026-03-20" in sun.dni_source
    assert np.rad2deg(sun.alpha[0]) == pytest.approx(70.0, abs=5e-4)
    # The day before it is too low: noon at 37° N is at 53° + declination.
    morning, _ = sky.altitude_crossings(make(), time.date() - dt.timedelta(days=1), deg(70.0))
    assert morning is None


def test_design_sun_out_of_reach_is_refused_with_the_highest():
    with pytest.raises(SkyError, match=r"80 deg.*its highest is 76\.4 deg, on 21 June 2026"):
        sky.design_moment(make(sun_altitude=80.0))


def test_design_moment_takes_another_altitude():
    _, sun = sky.design_moment(make(sun_altitude=42.0), deg(30.0))
    assert np.rad2deg(sun.alpha[0]) == pytest.approx(30.0, abs=5e-4)
    with pytest.raises(SkyError, match=r"^sun altitude = 80 deg"):
        sky.design_moment(make(), deg(80.0))


def test_design_sun_says_what_it_leaves_out():
    _, sun = sky.design_moment(greensboro(horizon=deg(np.array([[0.0, 80.0]]))))
    assert sun.clear
    assert sun.dni[0] > 500.0
    assert "weather file is not used" in sun.dni_source
    assert "horizon profile left out" in sun.dni_source


def test_twenty_six_thousand_suns_take_well_under_a_second():
    import time

    times = pd.date_range("2026-01-01", periods=26_000, freq="20min", tz="UTC")
    sky.sun_at(make(), times[:2])
    start = time.process_time()
    sky.sun_at(make(), times)
    assert time.process_time() - start < 1.0


def test_the_design_sun_is_found_once_and_again_where_something_else_decides():
    """The same arrays for what decides nothing (facets, a name); others for what does."""
    from pathlib import Path

    from raytrace.light.setup import design_sun
    from raytrace.scenario.loading import load_scenario

    scenario = load_scenario(Path(__file__).parents[2] / "scenarios" / "courtyard.toml")
    sun, _ = design_sun(scenario)
    same = scenario.varied(["facets.rows=4", "site.name=Elsewhere", "pot.height=20 cm"])
    assert design_sun(same)[0] is sun
    for change in [
        "design.sun_altitude=43 deg",
        "design.date=2026-06-01",
        "site.altitude=100 m",
        "site.horizon=",
        "sky.linke_turbidity=4",
        "sky.dni=800 W/m^2",
        "sky.sun_radius=by date",
        "platform.tilt=2 deg",
    ]:
        other, _ = design_sun(scenario.varied([change]))
        assert other is not sun, change
        assert (
            other.alpha != sun.alpha
            or other.time != sun.time
            or other.dni != sun.dni
            or other.radius != sun.radius
            or other.dni_source != sun.dni_source
        ), change
    with pytest.raises(ValueError, match="read-only"):
        sun.dni[0] = 0.0
    assert not design_sun(scenario.varied(["design.sun_altitude=90 deg", "site.latitude=60 deg"]))[
        1
    ]
