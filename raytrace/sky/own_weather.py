"""Weather of one's own, read: rows of any step, each at its own date."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SkyError
from raytrace.scenario.columns import match_column
from raytrace.scenario.own_weather import COLUMNS, TIMES
from raytrace.scenario.units import read_quantity
from raytrace.sky.clock import site_times
from raytrace.sky.irradiance import PARTED_BY, part_global
from raytrace.sky.weather import calendar_seconds, new_year
from raytrace.texts import shown

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.columns import Column
    from raytrace.scenario.place_sections import Site

__all__ = ["looks_own", "read_own"]

Array = NDArray[np.float64]

LONGEST_STEP = 86400.0  # [s]
KILO = 2.0  # a sun that is never stronger was written in kW/m² [W/m²]
DARK, DEEP = 20.0, np.deg2rad(2.0)  # sun that nobody measures [W/m²], so far under the horizon
PARTS = 12  # of an interval, for the sun's mean height in it
YEAR = 366 * 86400  # [s]
AS_KEPT = {"wind_10m": "wind_speed"}
ZONE = r":\d{2}.*(?:Z|[+-]\d{1,2}(?::?\d{2})?)\s*$"


def looks_own(text: str) -> bool:
    r"""Whether a file's beginning is that of a CSV of one's own weather.

    Parameters
    ----------
    text : str

    Returns
    -------
    bool

    Examples
    --------
    >>> looks_own("# mine\ninterval_end,dni_W/m^2\n"), looks_own("LOCATION,Town")
    (True, False)
    """
    header = next((line for line in text.splitlines() if line and not line.startswith("#")), "")
    named = [
        cell.strip(' "').casefold() for cell in re.split("[,;\t]", header.removeprefix("\ufeff"))
    ]
    return bool({*TIMES, "time"} & set(named)) or any(
        cell.startswith(("dni_", "ghi_")) for cell in named
    )


def read_own(
    name: str,
    text: str,
    site: Site,
    altitude: Callable[[pd.DatetimeIndex], Array],
    *,
    any_year: bool,
) -> pd.DataFrame:
    """Weather table of a CSV of one's own.

    Parameters
    ----------
    name : str
        For messages.
    text : str
        See `raytrace.scenario.own_weather`.
    site : raytrace.scenario.place_sections.Site
        Where it was measured; its clock is that of times without an offset.
    altitude : callable
        Gives the sun's apparent altitude at moments. [rad]
    any_year : bool
        Whether the dates stand for those of any year; a 29 February is then left out.

    Returns
    -------
    weather : DataFrame
        As of `raytrace.sky.weather.read_weather`, in UTC. Rows may be missing while the sun is
        down.

    Raises
    ------
    SkyError
        If it can't be used; the message names row and column.
    """
    import pandas as pd

    said = _Said(name)
    lines = text.removeprefix("\ufeff").rstrip().splitlines()
    said.above = next(
        (k for k, line in enumerate(lines) if line.strip() and not line.startswith("#")), 0
    )
    if not lines:
        raise said.error("empty. The first row names the columns")
    commas = [line.count(",") for line in lines[said.above :]]
    if not commas[0] and set(";\t") & set(lines[said.above]):
        raise said.error("write commas between the columns, and points in numbers", row=-1)
    if max(commas) > commas[0]:
        row = int(np.argmax(np.array(commas) > commas[0]))
        raise said.error(
            f"{commas[row] + 1} values, but the header names {commas[0] + 1} columns", row=row - 1
        )
    try:
        cells = pd.read_csv(
            io.StringIO("\n".join(lines[said.above :])),
            dtype=str,
            keep_default_na=False,
            skip_blank_lines=False,
            skipinitialspace=True,
            index_col=False,
        ).fillna("")
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise said.error(str(error).splitlines()[0]) from None
    used = _columns(said, list(cells.columns))
    if len(cells) < 2:
        raise said.error("has fewer than two rows: their distance is not known")

    header = next(h for h in used if used[h][0].name in TIMES)
    moments = _moments(said, site, header, cells[header])
    step = _step(said, header, moments)
    start = moments - step if used[header][0].name == "interval_end" else moments
    _check_gaps(said, header, start, step, altitude)
    weather = pd.DataFrame(
        {
            "start": _moments_of(start),
            "end": _moments_of(start + step),
            **dict.fromkeys(("dni", "ghi", "dhi", "air_temperature", "wind_speed"), np.nan),
        }
    )
    for column, (what, factor, zero) in used.items():
        if what.kind == "text":
            continue
        values = _numbers(said, column, cells[column]) * factor + zero
        _check_span(said, column, what, values, cells[column])
        if what.kind == "irradiance":
            values = np.maximum(values, 0.0)
        weather[AS_KEPT.get(what.name, what.name)] = values
    sun = "ghi" if weather["dni"].isna().all() else "dni"
    if 0.0 < weather[sun].max() <= KILO:
        column = next(h for h in used if used[h][0].name == sun)
        raise said.error(
            f"the sun is never stronger than {weather[sun].max():.2g} W/m²; if these are "
            f'kilowatts, name the column "{sun}_kW/m^2"',
            column=column,
        )
    _check_night(said, used, weather, sun, altitude)
    if sun == "ghi":
        weather["dni"], weather["dhi"] = _parted(weather, altitude)
    if any_year:
        weather = _any_year(said, weather, step)
    every = f"{step / 60:g} min" if step % 3600 else f"{step / 3600:g} h"
    weather.attrs.update(
        name=name,
        kind=f"own, every {every}" + (f"; {PARTED_BY}" if sun == "ghi" else ""),
        latitude=float(site.latitude),
        longitude=float(site.longitude),
        altitude=float(site.altitude),
        step=float(step),
        typical=any_year,
    )
    return weather


class _Said:
    """Where in the file something is wrong."""

    def __init__(self, name: str):
        self.name = name
        self.above = 0  # lines over the header

    def error(self, words: str, *, row: int | None = None, column: str | None = None) -> SkyError:
        """Refusal that says where.

        Parameters
        ----------
        words : str
        row : int, optional
            Counted from 0 below the header, which is −1.
        column : str, optional

        Returns
        -------
        SkyError
        """
        where = f"weather file {self.name}"
        where += "" if row is None else f" row {self.above + row + 2}"
        where += "" if column is None else f" column {shown(column)}"
        return SkyError(f"{where}: {words}")


def _columns(said: _Said, header: list[str]) -> dict[str, tuple[Column, float, float]]:
    """Each header cell's column, with factor and zero."""
    used: dict[str, tuple[Column, float, float]] = {}
    for cell in header:
        if cell.strip().casefold() == "time":
            raise said.error(
                "which end of an interval do the times label? Name the column interval_start or "
                "interval_end",
                column=cell,
            )
        try:
            found = match_column(cell, COLUMNS)
        except ValueError as error:
            raise said.error(str(error), row=-1, column=cell) from None
        if any(found[0] is column for column, *_ in used.values()):
            raise said.error("is there twice", row=-1, column=cell)
        used[cell] = found
    names = {column.name for column, *_ in used.values()}
    if len(names & set(TIMES)) != 1:
        raise said.error("needs one column of times, interval_start or interval_end", row=-1)
    if not {"dni", "ghi"} & names:
        words = 'no column "dni_W/m^2", the direct normal irradiance, nor "ghi_W/m^2", the global'
        raise said.error(words, row=-1)
    if "dni" not in names and "dhi" in names:
        words = 'with "dhi" goes "dni_W/m^2"; or leave "dhi" out, and a model parts "ghi"'
        raise said.error(words, row=-1)
    return used


def _moments(said: _Said, site: Site, header: str, cells: pd.Series) -> NDArray[np.int64]:
    """Times of rows, seconds since 1970 UTC."""
    import pandas as pd

    zoned = cells.str.contains(ZONE, regex=True).to_numpy()
    if zoned.any() != zoned.all():
        row = int(np.argmax(zoned != zoned[0]))
        raise said.error(
            f"{shown(cells[row])} has {'an' if zoned[row] else 'no'} offset from UTC, unlike the "
            "rows before",
            row=row,
            column=header,
        )
    read = pd.to_datetime(cells, format="ISO8601", errors="coerce", utc=bool(zoned.all()))
    if read.isna().any():
        row = int(np.argmax(read.isna()))
        raise said.error(
            f'{shown(cells[row])} is no time: write it as "2026-06-21T10:30" (the site\'s clock) '
            'or "2026-06-21T10:30+02:00"',
            row=row,
            column=header,
        )
    moments = pd.DatetimeIndex(read)
    if moments.tz is None:
        # an hour that happens twice is told apart by the order of its rows, if both are there
        try:
            moments = moments.tz_localize(site.timezone, ambiguous="infer")
        except ValueError:
            moments = _one_by_one(said, site, header, moments)
    return np.asarray(moments.as_unit("s").asi8, dtype=np.int64)


def _one_by_one(said: _Said, site: Site, header: str, naive: pd.DatetimeIndex) -> pd.DatetimeIndex:
    """Clock times in the site's zone; refused at the first that the clocks' change leaves open."""
    unsure = [naive.tz_localize(site.timezone, ambiguous="NaT", nonexistent="NaT").isna()]
    for row in np.flatnonzero(unsure[0]):
        try:
            site_times(site, naive[row : row + 1])
        except SkyError as error:
            raise said.error(str(error), row=int(row), column=header) from None
    return site_times(site, naive)


def _step(said: _Said, header: str, moments: NDArray[np.int64]) -> int:
    """Distance from row to row. [s]"""
    apart = np.diff(moments)
    if (apart <= 0).any():
        row = int(np.argmax(apart <= 0)) + 1
        order = "the same time as" if apart[row - 1] == 0 else "earlier than"
        raise said.error(f"{order} the row before; sort the rows", row=row, column=header)
    step = int(np.median(apart))
    if step > LONGEST_STEP:
        raise said.error(f"rows are {_lasting(step)} apart; a day is the most", column=header)
    return step


def _check_gaps(
    said: _Said,
    header: str,
    start: NDArray[np.int64],
    step: int,
    altitude: Callable[[pd.DatetimeIndex], Array],
) -> None:
    """Refuse rows at odd distances, and rows missing while the sun is up."""
    apart = np.diff(start)
    for row in np.flatnonzero(apart != step) + 1:
        missing = np.arange(start[row - 1] + step, start[row] + 1, step)
        if apart[row - 1] % step or (altitude(_moments_of(missing)) > 0.0).any():
            raise said.error(
                f"{_lasting(int(apart[row - 1]))} after the row before, where most are "
                f"{_lasting(step)} apart. Fill the gap, or keep the rows on one side of it; only "
                "nights may be missing",
                row=int(row),
                column=header,
            )


def _check_night(
    said: _Said,
    used: dict[str, tuple[Column, float, float]],
    weather: pd.DataFrame,
    sun: str,
    altitude: Callable[[pd.DatetimeIndex], Array],
) -> None:
    """Refuse sun by night: a clock or a place is wrong."""
    lit = np.flatnonzero(weather[sun] > DARK)
    high = _within(weather.iloc[lit], altitude, np.linspace(0.0, 1.0, 5))
    dark = lit[np.max(high, axis=0) < -DEEP]
    if len(dark):
        row = int(dark[0])
        raise said.error(
            f"{weather[sun].iloc[row]:.0f} W/m² while the sun is down, and so in {len(dark)} "
            f"rows: that is from {weather['start'].iloc[row]:%Y-%m-%d %H:%M} UTC on. Check the "
            "times' offset from UTC, and site.longitude and site.timezone",
            row=row,
            column=next(h for h in used if used[h][0].name == sun),
        )


def _within(
    weather: pd.DataFrame, altitude: Callable[[pd.DatetimeIndex], Array], shares: Array
) -> Array:
    """Sun's altitude at some shares of each row's interval, (shares, rows). [rad]"""
    import pandas as pd

    start, end = (pd.DatetimeIndex(weather[name]) for name in ("start", "end"))
    return np.array([altitude(start + share * (end - start)) for share in shares])


def _parted(
    weather: pd.DataFrame, altitude: Callable[[pd.DatetimeIndex], Array]
) -> tuple[Array, Array]:
    """Direct normal and diffuse irradiance, both of rows that know the global alone."""
    import pandas as pd

    high = _within(weather, altitude, (np.arange(PARTS) + 0.5) / PARTS)
    middle = pd.DatetimeIndex(weather["start"] + 0.5 * (weather["end"] - weather["start"]))
    level, lit = np.maximum(np.sin(high), 0.0).mean(axis=0), (high > 0.0).mean(axis=0)
    return part_global(np.asarray(weather["ghi"], dtype=float), level, lit, middle)


def _moments_of(seconds: NDArray[np.int64]) -> pd.DatetimeIndex:
    import pandas as pd

    return pd.DatetimeIndex(seconds.view("M8[s]")).tz_localize("UTC")


def _lasting(seconds: int) -> str:
    """Time in words.

    Examples
    --------
    >>> _lasting(600), _lasting(5400), _lasting(90)
    ('10 min', '90 min', '90 s')
    """
    return f"{seconds / 60:g} min" if seconds % 60 == 0 else f"{seconds} s"


def _numbers(said: _Said, header: str, cells: pd.Series) -> Array:
    import pandas as pd

    values = np.asarray(pd.to_numeric(cells.str.strip(), errors="coerce"), dtype=float)
    if not np.isfinite(values).all():
        row = int(np.argmax(~np.isfinite(values)))
        cell = cells[row].strip()
        words = f"{shown(cell)} is not a number" if cell else "empty, but a value is needed"
        raise said.error(words, row=row, column=header)
    return values


def _check_span(said: _Said, header: str, what: Column, values: Array, cells: pd.Series) -> None:
    if what.span is None:
        return
    low, high = (read_quantity(end, what.kind)[0] for end in what.span)
    outside = (values < low) | (values > high)
    if outside.any():
        row = int(np.argmax(outside))
        raise said.error(
            f"{cells[row].strip()} must lie in {what.span[0]} to {what.span[1]}. Check the "
            "column's unit, and that no number stands for a missing value",
            row=row,
            column=header,
        )


def _any_year(said: _Said, weather: pd.DataFrame, step: int) -> pd.DataFrame:
    """Rows in a year that stands for any, by month, day and time in UTC."""
    import pandas as pd

    start = pd.DatetimeIndex(weather["start"])
    if (weather["end"].iloc[-1] - start[0]).total_seconds() > YEAR:
        raise said.error(
            "covers more than a year: sky.weather_any_year needs one alone. Take out the rest"
        )
    kept = weather[~((start.month == 2) & (start.day == 29))]
    seconds = calendar_seconds(pd.DatetimeIndex(kept["start"]), False)
    again = new_year(False, "UTC") + pd.to_timedelta(seconds, unit="s")
    out = kept.assign(start=again, end=again + pd.Timedelta(seconds=step))
    return out.sort_values("start").drop_duplicates("start").reset_index(drop=True)
