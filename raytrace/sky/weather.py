"""Weather files as intervals [start, end), and which of them a moment falls in."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.exceptions import SkyError
from raytrace.texts import cut

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "calendar_seconds",
    "interval_of",
    "new_year",
    "read_weather",
    "row_of",
    "wind_at_height",
]

Array = NDArray[np.float64]

HOUR = 3600
DAY = 24  # hours
LARGEST = 20_000_000  # bytes; a year takes a tenth of that
_ON_EARTH = {
    "latitude": (-90.0, 90.0, "degrees"),
    "longitude": (-180.0, 180.0, "degrees"),
    "altitude": (-450.0, 9000.0, "m"),
}
ZERO_CELSIUS = 273.15
_COLUMNS = ("dni", "ghi", "dhi", "air_temperature", "wind_speed")
_SOURCE_COLUMNS = ("dni", "ghi", "dhi", "temp_air", "wind_speed")


def read_weather(path: str | Path) -> pd.DataFrame:
    """Weather file as one row an hour, whatever way its format labels hours.

    Parameters
    ----------
    path : str or path
        EPW, TMY3 (.csv) or PVGIS typical year (.csv or .json). The content decides, not the name.

    Returns
    -------
    weather : DataFrame
        Columns `start`, `end` (zone-aware, the file's own offset), `dni`, `ghi`, `dhi` (means over
        the hour [W/m²]), `air_temperature` [K], `wind_speed` at 10 m [m/s]; values that the file
        marks as missing are nan, except `dni`, which must be whole. The file's year stands for any
        year and is dated 2001, or 2000 if it has a 29 February. `attrs` holds `name`, `kind`,
        `latitude`, `longitude` [rad], `altitude` [m], `step` from row to row [s], and `typical`:
        that its dates stand for any year's.

    Raises
    ------
    SkyError
        If the file isn't there or can't be read, isn't one of these formats, lacks direct normal
        irradiance, has hours missing between others, less than a day or a place not on Earth; the
        message names the file. A part of a year is read as it is.

    Notes
    -----
    EPW and TMY3 label an hour by its end, PVGIS by its start. Where PVGIS states a minute other
    than zero, or an irradiance time offset, the value is a satellite's snapshot: it is given to
    the hour centred on that moment. A typical year understates how much years differ.

    References
    ----------
    .. [1] S. Wilcox and W. Marion, Users Manual for TMY3 Data Sets, NREL/TP-581-43156, 2008.
    .. [2] D. B. Crawley, J. W. Hand and L. K. Lawrie, "Improving the weather information available
       to simulation programs", Building Simulation 1999 (the EPW format).
    """
    file = Path(path)
    name = cut(file.name)
    try:
        stamp = file.stat()
        if not file.is_file():
            raise SkyError(f"weather file {name}: can't be opened (not a file)")
        if stamp.st_size > LARGEST:
            raise SkyError(f"weather file {name}: {stamp.st_size / 1e6:.0f} MB; a year takes 2 MB")
        return _read(file.resolve(), stamp.st_mtime_ns, stamp.st_size).copy()
    except OSError as e:
        raise SkyError(f"weather file {name}: can't be opened ({e.strerror})") from e


@lru_cache(maxsize=8)
def _read(file: Path, modified: int, size: int) -> pd.DataFrame:
    kind = _kind(file)
    try:
        return _hours(file, kind)
    except (SkyError, OSError):
        raise
    except Exception as e:  # the readers raise whatever the first odd line provokes
        why = cut(f"{type(e).__name__}: {e}".splitlines()[0], 120)
        raise SkyError(
            f"weather file {cut(file.name)}: begins like {kind} but can't be read as such "
            f"({why}). If its download was cut short, fetch it again"
        ) from e


def _hours(file: Path, kind: str) -> pd.DataFrame:
    import pandas as pd

    data, place, offset = _READERS[kind](file)
    for what, (low, high, unit) in _ON_EARTH.items():
        if not low <= place[what] <= high:
            raise SkyError(
                f"weather file {file.name}: its station's {what} is {place[what]:g} {unit}; "
                f"it must lie in {low:g} to {high:g}. Correct the file's head"
            )
    place.update({k: float(np.deg2rad(place[k])) for k in ("latitude", "longitude")})
    data = data[[name for name in _SOURCE_COLUMNS if name in data]].astype(float)
    if "dni" not in data:
        raise SkyError(f"weather file {file.name}: no direct normal irradiance")
    if len(data) < DAY:
        raise SkyError(
            f"weather file {file.name}: only {len(data)} hours, not even a day. "
            "If its download was cut short, fetch it again"
        )

    # `offset` takes a label to the start of its hour.
    local = pd.DatetimeIndex(data.index)
    if local.hasnans:
        row = int(np.argmax(np.isnat(local.to_numpy()))) + 1
        raise SkyError(f"weather file {file.name}: no readable date in hour {row}")
    leap = bool(((local.month == 2) & (local.day == 29)).any())
    seconds = calendar_seconds(local, leap) + offset
    start = new_year(leap, local.tz) + pd.to_timedelta(seconds, unit="s")
    steps = np.diff(start.as_unit("s").asi8)
    if (steps != HOUR).any():
        where = f"{local[int(np.argmax(steps != HOUR))]:%Y-%m-%d %H:%M}"
        raise SkyError(
            f"weather file {file.name}: needs one row an hour with none missing; not so after "
            f"{where}. If its download was cut short, fetch it again"
        )
    year = DAY * (365 + leap)
    if len(data) > year:
        raise SkyError(f"weather file {file.name}: {len(data)} hours; a year has {year}")

    weather = pd.DataFrame({"start": start, "end": start + pd.Timedelta(hours=1)})
    for name, source in zip(_COLUMNS, _SOURCE_COLUMNS, strict=True):
        values = np.asarray(data[source]) if source in data else np.nan
        weather[name] = values
    # Each format's marks for a missing value lie far outside what air and sun can do.
    for name in ("dni", "ghi", "dhi"):
        weather[name] = weather[name].where((weather[name] >= 0.0) & (weather[name] < 2000.0))
    air = weather["air_temperature"]
    weather["air_temperature"] = air.where((air > -90.0) & (air < 70.0)) + ZERO_CELSIUS
    wind = weather["wind_speed"]
    weather["wind_speed"] = wind.where((wind >= 0.0) & (wind < 120.0))
    missing = weather["dni"].isna()
    if missing.any():
        first = weather["start"][int(np.argmax(missing))]
        raise SkyError(
            f"weather file {file.name}: direct normal irradiance missing in {missing.sum()} "
            f"of {len(weather)} hours, the first from {first:%d %B %H:%M}"
        )
    weather.attrs.update(place, kind=kind, step=float(HOUR), typical=True)
    return weather


def row_of(weather: pd.DataFrame, times: pd.DatetimeIndex) -> NDArray[np.int64]:
    """Rows of a weather table that moments fall in.

    Parameters
    ----------
    weather : DataFrame
        From `read_weather` or `raytrace.sky.own_weather.read_own`. Where it stands for any year:
        the same month, day and hour by the file's clock; 29 February takes 28 February's weather
        if the file has no such day.
    times : DatetimeIndex
        Zone-aware moments, T of them.

    Returns
    -------
    row : ndarray of int, shape (T,)

    Raises
    ------
    SkyError
        If a moment lies outside the intervals that the table covers.
    """
    return _locate(weather, times)[0]


def interval_of(
    weather: pd.DataFrame, times: pd.DatetimeIndex
) -> tuple[NDArray[np.int64], pd.DatetimeIndex]:
    """Rows that moments fall in, and when those intervals began in the moments' own year.

    Parameters
    ----------
    weather, times
        As for `row_of`.

    Returns
    -------
    row : ndarray of int, shape (T,)
    begun : DatetimeIndex, length T
    """
    import pandas as pd

    row, into = _locate(weather, times)
    return row, times - pd.to_timedelta(into, unit="s")


def _locate(
    weather: pd.DataFrame, times: pd.DatetimeIndex
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    import pandas as pd

    start, step = pd.DatetimeIndex(weather["start"]), weather.attrs["step"]
    typical = weather.attrs["typical"]
    if typical:
        leap = bool(start[len(start) // 2].is_leap_year)
        year = 86400.0 * (365 + leap)
        knots = np.asarray((start - new_year(leap, start.tz)).total_seconds())
        key = calendar_seconds(times.tz_convert(start.tz), leap)
        # Hours centred on a snapshot may straddle the turn of the year, at either end.
        key = np.where(key < knots[0], key + year, key)
        key = np.where(key >= knots[0] + year, key - year, key)
    else:
        knots, key = (1e-6 * np.asarray(t.as_unit("us").asi8, float) for t in (start, times))
    row = np.searchsorted(knots, key, side="right") - 1
    into = key - knots[np.maximum(row, 0)]
    outside = (row < 0) | (into >= step)
    if outside.any():
        when = times[int(np.argmax(outside))]
        day = "%d %B" if typical else "%d %B %Y %H:%M"
        a, b = (
            (t if typical else t.tz_convert(when.tz)).strftime(day)
            for t in (weather["start"].iloc[0], weather["end"].iloc[-1])
        )
        raise SkyError(
            f"weather file {weather.attrs['name']} has nothing for {when:%Y-%m-%d %H:%M}: "
            f"it covers {a} to {b}"
        )
    return row.astype(np.int64), into


def wind_at_height(v10: ArrayLike, height: float, roughness: float) -> Array:
    """Bring wind from the 10 m of a weather station down to the pot, by the logarithmic law.

    Parameters
    ----------
    v10 : array_like
        Wind speed at 10 m. [m/s]
    height : float
        Height wanted. [m]
    roughness : float
        Roughness length of the ground: 0.03 for open grass, 0.1 for low crops, 0.5 for suburbs
        (common practice, no source). [m]

    Returns
    -------
    v : ndarray, same shape
        Wind speed; 0 at the roughness length and below. [m/s]

    Raises
    ------
    SkyError
        If the roughness isn't between 0 and 10 m or the height isn't positive.

    Examples
    --------
    >>> round(float(wind_at_height(4.0, height=1.0, roughness=0.03)), 3)
    2.415
    """
    if not 0.0 < roughness < 10.0:
        raise SkyError(f"roughness length {roughness:g} m: it must lie between 0 and 10 m")
    if not height > 0.0:
        raise SkyError(f"height {height:g} m: the wind is wanted above the ground")
    share = np.log(height / roughness) / np.log(10.0 / roughness)
    return np.asarray(np.asarray(v10, dtype=float) * max(0.0, float(share)))


def new_year(leap: bool, zone: Any) -> pd.Timestamp:
    """First moment of the year that a weather table's dates are of, if they stand for any year's.

    Parameters
    ----------
    leap : bool
        Whether it has a 29 February.
    zone : tzinfo or str

    Returns
    -------
    Timestamp
    """
    import pandas as pd

    return pd.Timestamp("2000-01-01" if leap else "2001-01-01", tz=zone)


def calendar_seconds(t: pd.DatetimeIndex, leap: bool) -> Array:
    """Seconds from New Year by month, day and clock, in a year with or without 29 February. [s]

    Parameters
    ----------
    t : DatetimeIndex, length T
    leap : bool
        Whether the year has that day; else it counts as the 28th.

    Returns
    -------
    ndarray, shape (T,)
        [s]
    """
    first = np.cumsum([0, 31, 28 + leap, 31, 30, 31, 30, 31, 31, 30, 31, 30])
    day = np.where((t.month == 2) & (t.day == 29) & (not leap), 28, t.day)
    whole = (first[t.month - 1] + day - 1) * 86400 + t.hour * 3600 + t.minute * 60 + t.second
    return np.asarray(whole + t.microsecond * 1e-6, dtype=float)


def _kind(file: Path) -> str:
    with open(file, encoding="utf-8", errors="replace") as f:
        head = [f.readline() for _ in range(40)]
    text = "".join(head)
    if head[0].startswith("LOCATION,"):
        return "EPW"
    if head[1].startswith("Date (MM/DD/YYYY),Time (HH:MM)"):
        return "TMY3"
    if head[0].startswith("Latitude (decimal degrees)") or head[0].lstrip().startswith("{"):
        if "time(UTC)" in text or '"tmy_hourly"' in file.read_text("utf-8", "replace"):
            return "PVGIS typical year"
        raise SkyError(
            f"weather file {file.name}: no direct normal irradiance (Gb(n)). PVGIS's hourly series "
            "gives light on a plane; take its typical year instead"
        )
    raise SkyError(
        f"weather file {file.name}: not EPW, TMY3, PVGIS or a CSV of one's own by what it begins "
        "with"
    )


def _place(file: Path, meta: dict[str, Any], altitude: str) -> dict[str, Any]:
    return {
        "name": file.name,
        "latitude": float(meta["latitude"]),
        "longitude": float(meta["longitude"]),
        "altitude": float(meta[altitude]),
    }


_Parts = tuple[Any, dict[str, Any], float]


def _read_epw(file: Path) -> _Parts:
    from pvlib.iotools import read_epw

    # In a leap year's calendar a 29 February is welcome, and its absence no gap. The reader has
    # already moved the label from the hour's end to its start.
    data, meta = read_epw(file, coerce_year=2000)
    return data, _place(file, meta, "altitude"), 0.0


def _read_tmy3(file: Path) -> _Parts:
    from pvlib.iotools import read_tmy3

    data, meta = read_tmy3(file, coerce_year=2001)
    # In the year's calendar, its last label (24:00 on 31 December) is New Year's midnight: go
    # back an hour here, where the date still carries over.
    data.index = data.index - np.timedelta64(HOUR, "s")
    return data, _place(file, meta, "altitude"), 0.0


def _read_pvgis(file: Path) -> _Parts:
    from pvlib.iotools import read_pvgis_tmy

    with open(file, encoding="utf-8", errors="replace") as f:
        json = f.read(200).lstrip().startswith("{")
    data, meta = read_pvgis_tmy(file, pvgis_format="json" if json else "csv")
    inputs = meta["inputs"]["location"] if json else meta["inputs"]
    late = 3600.0 * float(
        inputs.get("irradiance_time_offset", inputs.get("irradiance time offset", 0.0))
    )
    # A snapshot taken off the full hour stands in the middle of its hour, not at the start.
    snapshot = late != 0.0 or data.index[0].minute != 0
    return data, _place(file, inputs, "elevation"), late - HOUR / 2 if snapshot else 0.0


_READERS = {"EPW": _read_epw, "TMY3": _read_tmy3, "PVGIS typical year": _read_pvgis}
