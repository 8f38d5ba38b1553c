"""Where the sun stands, how strong it shines and how wide it is, over a site at given times."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SkyError
from raytrace.sky.clock import Times, day_bounds, days_of_year, read_date, site_times
from raytrace.sky.cloudless import DELTA_T, beyond_air, clear_sky, earth_sun_distance
from raytrace.sky.ground import ground_of
from raytrace.sky.irradiance import sun_from
from raytrace.sky.own_weather import looks_own, read_own
from raytrace.sky.sunshape import Sunshape, sunshape
from raytrace.sky.weather import interval_of, read_weather, wind_at_height
from raytrace.texts import cut

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Sun",
    "Sunshape",
    "altitude_crossings",
    "bare",
    "constant_sky",
    "day_times",
    "design_moment",
    "highest_altitude",
    "horizon_altitude",
    "noons",
    "over_ground",
    "position",
    "read_weather",
    "scenario_weather",
    "site_times",
    "sun_at",
    "sun_direction",
    "sun_times",
    "sunshape",
    "wind_at_height",
]

Array = NDArray[np.float64]

SUN_RADIUS_AT_1_AU = 695_700e3 / 149_597_870_700.0  # IAU 2015 Resolution B3, IAU 2012 B2
AIR_TEMPERATURE = 285.15  # for refraction, where none is stated [K]
EQUINOX = dt.date(2026, 3, 20)
DAY_STEP = 1800.0  # between the moments of a day, unless asked otherwise [s]
HEAD = 4000  # characters of a file by which it is known
LARGEST_OWN = 100_000_000  # bytes; a year by the minute takes a quarter of that
FARTHEST_WEATHER = 300e3  # beyond it the sky is another one (no source) [m]
SUBSTEP = 300.0  # of an interval of weather [s]
LIMB = np.deg2rad(16.0 / 60.0)  # under which the sun's centre is as its limb rises [rad]
PARTS = 4, 288  # of one, at least and at most


@dataclass(frozen=True, eq=False)
class Sun:
    """Suns at T moments.

    Attributes
    ----------
    time : DatetimeIndex, length T
        Moments, in the site's zone.
    alpha, gamma : ndarray, shape (T,)
        Apparent altitude (refraction included) and azimuth clockwise from north. [rad]
    direction : ndarray, shape (T, 3)
        Unit vector from the cooker to the sun, site frame: x east, y north, z up. [1]
    dni : ndarray, shape (T,)
        Direct normal irradiance; 0 while the sun is behind the horizon. [W/m²]
    dhi : ndarray, shape (T,)
        Diffuse irradiance on the level, from all of the sky; there under cloud and behind the
        horizon profile too, 0 once the sun is below a flat horizon. [W/m²]
    radius : ndarray, shape (T,)
        Angular radius of the sun. [rad]
    dni_source : str
        Where `dni` and `dhi` come from, for people to read.
    """

    time: pd.DatetimeIndex
    alpha: Array
    gamma: Array
    direction: Array
    dni: Array
    dhi: Array
    radius: Array
    dni_source: str

    @property
    def clear(self) -> bool:
        """Whether `dni` is that of a cloudless sky by the model."""
        return self.dni_source.startswith("clear sky")


def position(
    site: Site,
    times: pd.DatetimeIndex,
    *,
    pressure: float | None = None,
    air_temperature: float = AIR_TEMPERATURE,
) -> tuple[Array, Array]:
    """Apparent altitude and azimuth of the sun's centre.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    times : DatetimeIndex
        T zone-aware moments.
    pressure : float, optional
        For refraction; by default the standard atmosphere's at the site's altitude. [Pa]
    air_temperature : float
        For refraction. [K]

    Returns
    -------
    alpha, gamma : ndarray, shape (T,)
        Altitude with refraction, azimuth clockwise from north. [rad]

    References
    ----------
    .. [1] I. Reda and A. Andreas, Solar Position Algorithm for Solar Radiation Applications,
       NREL/TP-560-34302, 2003, revised 2008.
    """
    table = _spa(site, times, pressure, air_temperature)
    return (
        np.deg2rad(np.asarray(table["apparent_elevation"], dtype=float)),
        np.deg2rad(np.asarray(table["azimuth"], dtype=float)),
    )


def sun_direction(alpha: Array, gamma: Array) -> Array:
    """Return unit vectors toward the sun, site frame.

    Parameters
    ----------
    alpha, gamma : ndarray, shape (T,)
        Altitude, and azimuth clockwise from north. [rad]

    Returns
    -------
    s : ndarray, shape (T, 3)
        x east, y north, z up.
    """
    level = np.cos(alpha)
    return np.stack([level * np.sin(gamma), level * np.cos(gamma), np.sin(alpha)], axis=-1)


def sun_at(scenario: Scenario, times: Times) -> Sun:
    """Suns at given moments, as the scenario's sky has them.

    Parameters
    ----------
    scenario : Scenario
        Its site and sky are read.
    times : str, datetime, sequence of these, or DatetimeIndex
        See `site_times`.

    Returns
    -------
    Sun

    Raises
    ------
    SkyError
        If a time is unreadable, or ambiguous for want of a zone, or if the weather file fails.

    Notes
    -----
    Within an interval of a weather file (an hour, most often) the irradiance follows the clear
    sky's course, scaled to keep the interval's mean, and never exceeds the sun's beyond the air.
    The horizon profile then cuts it, and ground that rises toward the sun does.
    """
    site, sky = scenario.site, scenario.sky
    moments = site_times(site, times)
    alpha, gamma = position(site, moments)
    if sky.dni == "clear sky":
        dni, dhi, source = *clear_sky(scenario, moments, alpha), "clear sky"
    elif sky.dni == "weather file":
        dni, dhi, source = _weather(scenario, moments, alpha)
    else:
        dni, dhi, source = constant_sky(scenario, moments, alpha)
    up = alpha > horizon_altitude(site, gamma)
    return _sun(scenario, moments, alpha, gamma, np.where(up, dni, 0.0), dhi, source)


def constant_sky(
    scenario: Scenario, times: pd.DatetimeIndex, alpha: Array
) -> tuple[Array, Array, str]:
    """Irradiance of a scenario whose `sky.dni` is a number, and its name.

    Parameters
    ----------
    scenario : Scenario
    times : DatetimeIndex
        T zone-aware moments.
    alpha : ndarray, shape (T,)
        Apparent altitude of the sun. [rad]

    Returns
    -------
    dni, dhi : ndarray, shape (T,)
        The number; and the diffuse irradiance of the cloudless sky with the haze that lets so
        much through, see `raytrace.sky.irradiance.sun_from`. [W/m²]
    source : str
    """
    dni = np.full(len(times), float(scenario.sky.dni))
    _, dhi = sun_from(scenario.site, times, alpha, "dni", dni)
    return dni, dhi, f"constant {float(scenario.sky.dni):g} W/m²"


def horizon_altitude(site: Site, gamma: Array) -> Array:
    """Altitude above which the sun's centre is seen; never below a flat horizon nor the ground.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    gamma : ndarray, any shape
        Azimuth clockwise from north. [rad]

    Returns
    -------
    alpha : ndarray, same shape
        [rad]
    """
    ground = ground_of(site)
    least = np.maximum(ground.rise(gamma), 0.0) if ground.slope else np.zeros(np.shape(gamma))
    if site.horizon is None:
        return least
    profile = np.asarray(site.horizon, dtype=float)
    seen = np.interp(gamma, profile[:, 0], profile[:, 1], period=2.0 * np.pi)
    return np.asarray(np.maximum(seen, least))


def noons(scenario: Scenario, days: Sequence[dt.date]) -> pd.DatetimeIndex:
    """When the sun crosses the meridian, within a second.

    Parameters
    ----------
    scenario : Scenario
        Its site is read.
    days : sequence of date
        D days by the site's clock.

    Returns
    -------
    times : DatetimeIndex, length D
        In the site's zone; the crossing nearest to the middle of each day.

    Raises
    ------
    SkyError
        If the site's calendar skips a day.
    """
    return _transits(scenario.site, days)


def altitude_crossings(
    scenario: Scenario, date: dt.date | str, alpha: float
) -> tuple[pd.Timestamp | None, pd.Timestamp | None]:
    """When the sun stands at an altitude over the ground on one day, within a tenth of a second.

    Parameters
    ----------
    scenario : Scenario
        Its site is read.
    date : date or str
        Day by the site's clock, of which the sun's highest stand is taken.
    alpha : float
        Apparent altitude, over the ground where it slopes. [rad]

    Returns
    -------
    morning, evening : Timestamp or None
        In the twelve hours before and after the sun's highest stand; None where it doesn't pass.
        Far from a zone's own meridian, and near the poles, they may fall on a neighbouring date.

    Raises
    ------
    SkyError
        If the date can't be read or the site's calendar skips it.
    """
    site = scenario.site
    noon = _highest(site, _transits(site, [read_date(date)]))[0]
    return _cross(site, noon, alpha, -1), _cross(site, noon, alpha, +1)


def sun_times(
    site: Site, date: dt.date | str
) -> tuple[pd.Timestamp | None, pd.Timestamp, pd.Timestamp | None]:
    """Sunrise, solar noon and sunset, as almanacs have them.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    date : date or str
        Day by the site's clock.

    Returns
    -------
    rise : Timestamp or None
        When the sun's upper limb stands at a flat horizon, refraction included; None where it
        doesn't rise.
    noon : Timestamp
        When it crosses the meridian.
    set : Timestamp or None

    Raises
    ------
    SkyError
        If the date can't be read or the site's calendar skips it.

    References
    ----------
    .. [1] P. K. Seidelmann (ed.), Explanatory Supplement to the Astronomical Almanac, University
       Science Books, 1992, section 9.3: 50' of the centre's true depression at rise and set, of
       which 16' are the sun's radius; from memory.
    """
    flat = bare(site, level=True)
    noon = _transits(flat, [read_date(date)])[0]
    rise, set_ = (_cross(flat, noon, -LIMB, side) for side in (-1, +1))
    return rise, noon, set_


def day_times(scenario: Scenario, date: dt.date | str, step_seconds: float) -> pd.DatetimeIndex:
    """Moments of one day while the sun's centre is above a flat horizon.

    Parameters
    ----------
    scenario : Scenario
        Its site is read.
    date : date or str
        Day by the site's clock.
    step_seconds : float
        Spacing of the moments, which are whole steps from midnight. [s]

    Returns
    -------
    times : DatetimeIndex
        In the site's zone; the whole day where the sun doesn't set, none where it doesn't rise.

    Raises
    ------
    SkyError
        If the date can't be read, the site's calendar skips it, or the step isn't positive.
    """
    import pandas as pd

    if not step_seconds > 0.0:
        raise SkyError(f"step {step_seconds:g} s: it must be positive")
    site, day = scenario.site, read_date(date)
    start, end = day_bounds(site, day)
    noon = _transits(site, [day])[0]
    highest = position(site, pd.DatetimeIndex([noon]))[0][0]
    step = pd.Timedelta(seconds=step_seconds)
    if highest <= 0.0:
        return pd.DatetimeIndex([], tz=site.timezone)
    flat = bare(site, level=True)
    rise, set_ = _cross(flat, noon, 0.0, -1), _cross(flat, noon, 0.0, +1)
    first = 0 if rise is None else int(np.ceil((rise - start) / step))
    last = int(np.ceil((end - start) / step)) - 1 if set_ is None else int((set_ - start) // step)
    seconds = np.arange(first, last + 1) * float(step_seconds)
    return (start + pd.to_timedelta(seconds, unit="s")).tz_convert(site.timezone)


def highest_altitude(scenario: Scenario, year: int = 2026) -> tuple[float, dt.date]:
    """Greatest altitude that the sun reaches in a year, over the ground where it slopes.

    Parameters
    ----------
    scenario : Scenario
        Its site is read.
    year : int

    Returns
    -------
    alpha : float
        Apparent altitude. [rad]
    date : datetime.date
        The day it is reached.
    """
    days = days_of_year(scenario.site, year)
    alpha = over_ground(scenario.site, _highest(scenario.site, _transits(scenario.site, days)))
    best = int(np.argmax(alpha))
    return float(alpha[best]), days[best]


def design_moment(scenario: Scenario, alpha: float | None = None) -> tuple[pd.Timestamp, Sun]:
    """Find the moment at which the sun, rising, stands at the design altitude over the ground.

    Parameters
    ----------
    scenario : Scenario
        Its site, sky and design are read. Without a design date, the March equinox of 2026.
    alpha : float, optional
        Another altitude over the ground, such as a tilted platform meets its design sun at. [rad]

    Returns
    -------
    time : Timestamp
        On the design date or, if the sun doesn't stand at that altitude then, on the day of that
        year nearest to it on which it does (the earlier of two).
    sun : Sun
        One moment. Its irradiance is the scenario's constant, or else a clear sky's, also where
        the scenario has a weather file: a typical year's one morning says nothing of a design.
        The horizon profile is left out. `dni_source` says so.

    Raises
    ------
    SkyError
        If the sun doesn't stand at that altitude on any day of the year.
    """
    import pandas as pd

    site, sky = scenario.site, scenario.sky
    alpha0 = float(scenario.design.sun_altitude) if alpha is None else alpha
    asked = scenario.design.date or EQUINOX
    days, noons, low, high = _year(bare(site), asked.year)
    time: pd.Timestamp | None = None
    for k in sorted(
        np.flatnonzero((low < alpha0) & (high >= alpha0)),
        key=lambda k: (abs((days[k] - asked).days), k),
    ):
        time, day = _cross(site, noons[int(k)], alpha0, -1), days[k]
        if time is not None:
            break
    if time is None:
        what = "design.sun_altitude" if alpha is None else "sun altitude"
        most, best = highest_altitude(scenario, asked.year)
        raise SkyError(
            f"{what} = {np.rad2deg(alpha0):g} deg: the sun never stands there at "
            f"latitude {np.rad2deg(site.latitude):g} deg; its highest is "
            f"{np.rad2deg(most):.1f} deg, on {best:%d %B %Y}"
        )
    moments = pd.DatetimeIndex([time])
    stands, gamma = position(site, moments)
    if isinstance(sky.dni, str):
        dni, dhi = clear_sky(scenario, moments, stands)
        source = f"clear sky, {day:%Y-%m-%d}"
        if sky.dni == "weather file":
            source += " (the weather file is not used for the design sun)"
    else:
        dni, dhi, source = constant_sky(scenario, moments, stands)
    if day != asked:
        source += f"; the sun doesn't stand at the design altitude on {asked:%Y-%m-%d}"
    if site.horizon is not None:
        source += "; horizon profile left out"
    return time, _sun(scenario, moments, stands, gamma, dni, dhi, source)


def over_ground(site: Site, times: pd.DatetimeIndex) -> Array:
    """Apparent altitude of the sun over the ground's plane; over the horizon where it is level.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    times : DatetimeIndex
        T zone-aware moments.

    Returns
    -------
    ndarray, shape (T,)
        [rad]
    """
    return ground_of(site).above(*position(site, times))[0]


def bare(site: Site, *, level: bool = False) -> Site:
    """Site without name and horizon: all that decides how the sun is seen, and hashable.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    level : bool
        Leave out the slope of the ground too.

    Returns
    -------
    Site
    """
    from raytrace.scenario.place_sections import Site

    return Site.model_construct(
        name="",
        latitude=site.latitude,
        longitude=site.longitude,
        altitude=site.altitude,
        timezone=site.timezone,
        horizon=None,
        slope=0.0 if level else site.slope,
        slope_toward=None if level else site.slope_toward,
    )


@lru_cache(maxsize=16)
def _year(site: Site, year: int) -> tuple[list[dt.date], pd.DatetimeIndex, Array, Array]:
    """Days of a year, when the sun stands highest, its altitude twelve hours before and then."""
    import pandas as pd

    days = days_of_year(site, year)
    noons = _highest(site, _transits(site, days))
    low = over_ground(site, noons - pd.Timedelta(hours=12))
    return days, noons, low, over_ground(site, noons)


def _sun(
    scenario: Scenario,
    moments: pd.DatetimeIndex,
    alpha: Array,
    gamma: Array,
    dni: Array,
    dhi: Array,
    source: str,
) -> Sun:
    radius = scenario.sky.sun_radius
    if isinstance(radius, str):
        width = np.arcsin(SUN_RADIUS_AT_1_AU / earth_sun_distance(moments))
    else:
        width = np.full(len(moments), float(radius))
    if isinstance(scenario.sky.dni, str):
        dni = dni * scenario.sky.dni_factor
    return Sun(moments, alpha, gamma, sun_direction(alpha, gamma), dni, dhi, width, source)


def _spa(site: Site, times: pd.DatetimeIndex, pressure: float | None, warm: float) -> pd.DataFrame:
    # draws of a cooker share their moments
    return _spa_once(bare(site), times.as_unit("ns").asi8.tobytes(), pressure, warm)


@lru_cache(maxsize=64)
def _spa_once(site: Site, moments: bytes, pressure: float | None, warm: float) -> pd.DataFrame:
    import pandas as pd
    from pvlib import atmosphere, solarposition

    times = np.frombuffer(moments, dtype="M8[ns]")
    table: pd.DataFrame = solarposition.spa_python(
        pd.DatetimeIndex(times).tz_localize("UTC"),
        float(np.rad2deg(site.latitude)),
        float(np.rad2deg(site.longitude)),
        altitude=float(site.altitude),
        pressure=float(atmosphere.alt2pres(site.altitude)) if pressure is None else pressure,
        temperature=warm - 273.15,
        delta_t=DELTA_T,
    )
    return table


def _weather(
    scenario: Scenario, moments: pd.DatetimeIndex, alpha: Array
) -> tuple[Array, Array, str]:
    """Direct and diffuse irradiance by a weather file, and its name."""
    import pandas as pd

    site, weather = scenario.site, scenario_weather(scenario)
    up = np.flatnonzero(alpha > 0.0)  # by night nothing is asked of it
    moments, alpha, every = moments[up], alpha[up], np.zeros((2, len(moments)))
    row, begun = interval_of(weather, moments)
    step = weather.attrs["step"]
    parts = int(np.clip(round(step / SUBSTEP), *PARTS))
    mean = {k: np.asarray(weather[k], dtype=float)[row] for k in ("dni", "dhi", "ghi")}

    begins, back = np.unique(begun.as_unit("us").asi8, return_inverse=True)
    middles = ((np.arange(parts) + 0.5) * (1e6 * step / parts)).astype(np.int64)
    fine = pd.DatetimeIndex((begins[:, None] + middles).ravel().view("M8[us]")).tz_localize("UTC")
    high, _ = position(site, fine)

    def over_interval(x: Array) -> Array:
        return np.asarray(x.reshape(-1, parts).mean(axis=1)[back])

    # what the file lacks of these is what the others leave or, last, a cloudless sky's
    level = over_interval(np.maximum(np.sin(high), 0.0))
    mean["dhi"] = np.where(
        np.isnan(mean["dhi"]), np.maximum(mean["ghi"] - mean["dni"] * level, 0.0), mean["dhi"]
    )
    out = {}
    for name, now, course in zip(
        ("dni", "dhi"),
        clear_sky(scenario, moments, alpha),
        clear_sky(scenario, fine, high),
        strict=True,
    ):
        usual = over_interval(course)
        shape = np.divide(now, usual, out=np.ones_like(now), where=usual > 0.0)
        # A minute of sun in an hour's record would otherwise take all of the hour's energy.
        out[name] = np.minimum(mean[name] * shape, beyond_air(moments))
    unknown = np.flatnonzero(np.isnan(out["dhi"]))
    if len(unknown):
        found = sun_from(site, moments[unknown], alpha[unknown], "dni", out["dni"][unknown])
        out["dhi"][unknown] = found[1]
    every[:, up] = out["dni"], out["dhi"]
    place = weather.attrs
    away = weather_distance(site, weather)
    source = f"weather file {place['name']} ({place['kind']}, {away / 1e3:.0f} km from the site)"
    return every[0], every[1], source


def scenario_weather(scenario: Scenario) -> pd.DataFrame:
    """Weather file that a scenario names, if its station's sun can pass for the site's.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    weather : DataFrame
        From `raytrace.sky.weather.read_weather`.

    Raises
    ------
    SkyError
        If there is none, it can't be read, or its station lies too far away and the scenario
        doesn't say that this is meant.
    """
    site, sky = scenario.site, scenario.sky
    if sky.weather_file is None:
        raise SkyError('sky.dni = "weather file" needs sky.weather_file')
    try:
        weather = _read_weather(scenario, sky.weather_file)
    except SkyError as error:
        raise SkyError(f"{scenario.source}: sky.weather_file: {error}") from error
    away = weather_distance(site, weather)
    if away > FARTHEST_WEATHER and not sky.weather_elsewhere:
        turned = site.latitude * weather.attrs["latitude"] < 0.0
        seasons = ", in the other hemisphere, with the seasons turned round" if turned else ""
        raise SkyError(
            f"{scenario.source}: sky.weather_file: its station, {weather.attrs['name']}, lies "
            f"{away / 1e3:.0f} km from the site{seasons}. Take a file from within "
            f"{FARTHEST_WEATHER / 1e3:.0f} km, correct site.latitude and site.longitude, or write "
            "weather_elsewhere = true in [sky] if you mean it"
        )
    return weather


def _read_weather(scenario: Scenario, path: Path) -> pd.DataFrame:
    """Weather of a file, or of a table that the scenario holds."""
    site, any_year = bare(scenario.site, level=True), scenario.sky.weather_any_year
    given = scenario.tables.get(str(path))
    if given is None:
        with contextlib.suppress(OSError, UnicodeDecodeError):
            with open(path, encoding="utf-8") as file:
                own = looks_own(file.read(HEAD))
            if own and path.stat().st_size <= LARGEST_OWN:
                given = path.read_text(encoding="utf-8")
    if given is not None:
        return _own(cut(path.name), given, site, any_year).copy()
    if any_year:
        raise SkyError(f"sky.weather_any_year: {cut(path.name)} stands for any year anyhow")
    return read_weather(path)


@lru_cache(maxsize=8)
def _own(name: str, text: str, site: Site, any_year: bool) -> pd.DataFrame:
    return read_own(name, text, site, lambda times: position(site, times)[0], any_year=any_year)


def weather_distance(site: Site, weather: pd.DataFrame) -> float:
    """How far a weather file's station lies from a site. [m]

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
    weather : DataFrame
        From `raytrace.sky.weather.read_weather`.
    """
    place = weather.attrs
    return _great_circle(site.latitude, site.longitude, place["latitude"], place["longitude"])


def _great_circle(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    half = (
        np.sin((lat2 - lat1) / 2.0) ** 2
        + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2.0) ** 2
    )
    return float(2.0 * 6.371e6 * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0))))


def _transits(site: Site, days: Sequence[dt.date]) -> pd.DatetimeIndex:
    """When the sun crosses the meridian on each day; within a second."""
    import pandas as pd

    middle = []
    for day in days:
        start, end = day_bounds(site, day)
        middle.append(start + (end - start) / 2)
    civil = pd.DatetimeIndex(middle)
    # Mean noon is at 12 h − longitude UTC; take the one nearest the middle of the civil day.
    mean = civil.normalize() + pd.Timedelta(hours=12.0 - np.rad2deg(site.longitude) / 15.0)
    mean = mean + pd.to_timedelta(np.round((civil - mean) / pd.Timedelta(days=1)), unit="D")
    early = np.asarray(_spa(site, mean, None, AIR_TEMPERATURE)["equation_of_time"], dtype=float)
    noon = mean - pd.to_timedelta(early * 60.0, unit="s")
    return noon.round("ms").tz_convert(site.timezone)


def _highest(site: Site, noons: pd.DatetimeIndex) -> pd.DatetimeIndex:
    """When the sun stands highest over the ground; on level ground as it crosses the meridian."""
    import pandas as pd

    ground = ground_of(site)
    if not ground.slope:
        return noons
    seconds = ground.noon_angle(float(site.latitude)) * 43_200.0 / np.pi
    return noons + pd.Timedelta(seconds=round(seconds, 3))


def _cross(site: Site, noon: pd.Timestamp, alpha: float, side: int) -> pd.Timestamp | None:
    """When the sun passes an altitude in the twelve hours before (−1) or after (+1) its highest."""
    import pandas as pd

    near, far = 0.0, 12.0 * 3600.0
    # Each round narrows the bracket; over the last one the sun's course is straight.
    for count in (73, 61, 31):
        away = np.linspace(near, far, count)
        times = noon.tz_convert("UTC") + pd.to_timedelta(np.round(side * away, 3), unit="s")
        height = over_ground(site, times) - alpha
        falls = np.flatnonzero((height[:-1] >= 0.0) & (height[1:] < 0.0))
        if falls.size == 0:
            return None
        k = int(falls[0])
        near, far = float(away[k]), float(away[k + 1])
    share = height[k] / (height[k] - height[k + 1])
    moment = noon + pd.Timedelta(seconds=round(side * (near + share * (far - near)), 3))
    return moment.round("ms").tz_convert(site.timezone)
