"""A cook's record of a heating: read, checked, and put on the clock; or laid out to be invented."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.clock import read_date, site_times
from raytrace.exceptions import Problem, SkyError
from raytrace.irradiance import CLEAREST, sun_from
from raytrace.sky import cloudless, noons, position, sun_at
from raytrace.studies.courses import air_at
from raytrace.studies.pot_light import moments, seconds
from raytrace.tables import RecordRow, read_record, table_error
from raytrace.water import site_pressure, water_at

if TYPE_CHECKING:
    from raytrace.scenario import Scenario
    from raytrace.sections import Site

__all__ = ["Record", "Series", "from_table", "record_of", "solar_hours"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

PAUSE = 3600  # without a reading, after which the next one begins a heating of its own [s]
REFILLED = 10.0  # colder than the reading before: the pot was filled anew [K]
TOO_BRIGHT = 1.05  # over the clearest sky: no sun, but a wrong unit or clock
OVER_BOILING = 2.0  # that a thermometer may show [K]
CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?")


@dataclass(frozen=True, eq=False)
class Series:
    """What was measured at some times; straight between them, and beyond them as at the ends.

    Attributes
    ----------
    time : ndarray of int, shape (N,)
        Seconds since 1970 UTC, rising. [s]
    value : ndarray, shape (N,)
        In SI units.
    """

    time: Whole
    value: Array

    def at(self, time: Whole) -> Array:
        """Values at given times, same shape."""
        return np.asarray(np.interp(time, self.time, self.value))


@dataclass(frozen=True, eq=False)
class Record:
    """What a cook measured, K readings of the water in one or more heatings.

    Attributes
    ----------
    name : str
        Of the file.
    time : ndarray of int, shape (K,)
        Seconds since 1970 UTC, rising. [s]
    water : ndarray, shape (K,)
        Temperature. [K]
    run : ndarray of int, shape (K,)
        Which heating each reading belongs to, from 0.
    turnings : ndarray of int or None
        When the cooker was turned to the sun, seconds since 1970 UTC; None where the record has
        no such column, so that the scenario's habit counts. [s]
    sun : dict of str to Series
        Irradiance, by what was measured: "dni", "gni" or "ghi". [W/m²]
    air, wind : Series or None
        [K], [m/s]
    doubts : tuple of str
        What looks wrong, and what had to be assumed.
    """

    name: str
    time: Whole
    water: Array
    run: Whole
    turnings: Whole | None
    sun: dict[str, Series]
    air: Series | None
    wind: Series | None
    doubts: tuple[str, ...] = ()

    @property
    def runs(self) -> tuple[Whole, ...]:
        """Indices of the readings of each heating."""
        return tuple(np.flatnonzero(self.run == k) for k in np.unique(self.run))

    def air_at(self, scenario: Scenario, at: Whole) -> tuple[Array, Array]:
        """Air temperature [K] and wind at the pot [m/s]: as recorded, else as the scenario says.

        Parameters
        ----------
        scenario : Scenario
        at : ndarray of int, shape (N,)
            Seconds since 1970 UTC. [s]
        """
        air, wind = (None, None) if self.air and self.wind else air_at(scenario, at)
        return (
            self.air.at(at) if self.air else np.asarray(air),
            self.wind.at(at) if self.wind else np.asarray(wind),
        )

    def sun_at(self, scenario: Scenario, at: Whole) -> tuple[Array, Array]:
        """Direct and global normal irradiance: as recorded, else as the scenario's sky has it.

        Parameters
        ----------
        scenario : Scenario
        at : ndarray of int, shape (N,)
            Seconds since 1970 UTC. [s]

        Returns
        -------
        dni, gni : ndarray, shape (N,)
            What was not measured goes with what was by `raytrace.irradiance.sun_from`. [W/m²]
        """
        times = moments(at)
        if not self.sun:
            return sun_from(scenario.site, times, "dni", sun_at(scenario, times).dni)
        out = []
        for k, order in enumerate((("dni", "gni", "ghi"), ("gni", "dni", "ghi"))):
            which = next(measure for measure in order if measure in self.sun)
            out.append(sun_from(scenario.site, times, which, self.sun[which].at(at))[k])
        return out[0], out[1]


def solar_hours(scenario: Scenario, time: Whole) -> Array:
    """Time by the sun, 12 as it crosses the meridian. [h]

    Parameters
    ----------
    scenario : Scenario
    time : ndarray of int, shape (K,)
        Seconds since 1970 UTC. [s]
    """
    days, back = _days(scenario.site, time)
    return np.asarray(12.0 + (time - seconds(noons(scenario, days))[back]) / 3600.0)


def _days(site: Site, time: Whole) -> tuple[list[dt.date], Whole]:
    """Days by the site's clock that moments fall on, and which each does."""
    local = [t.date() for t in moments(time).tz_convert(site.timezone)]
    days = sorted(set(local))
    return days, np.array([days.index(d) for d in local], dtype=np.int64)


def record_of(
    scenario: Scenario,
    time: Whole,
    water: Array,
    *,
    name: str = "record",
    turnings: Whole | None = None,
    sun: dict[str, Series] | None = None,
    air: Series | None = None,
    wind: Series | None = None,
) -> Record:
    """Record from arrays; heatings are told apart, and what looks wrong is noted.

    Parameters
    ----------
    scenario : Scenario
    time, water, name, turnings, sun, air, wind
        As in `Record`.

    Returns
    -------
    Record
        A heating begins after an hour without readings, and where the water is 10 K colder than
        at the reading before.

    Raises
    ------
    SkyError
        If no heating has two readings, or sun, air or wind are known for some of them only.
    """
    begins = (np.diff(time) > PAUSE) | (np.diff(water) < -REFILLED)
    run = np.concatenate([[0], np.cumsum(begins)]).astype(np.int64)
    counts = np.bincount(run)
    alone = np.flatnonzero(counts[run] < 2)
    if len(alone) == len(time):
        raise SkyError(
            f"{name}: no heating has two readings within an hour of each other, so that nothing "
            "can be said"
        )
    doubts = []
    if len(alone):
        doubts.append(f"left out: {_clocks(scenario, time[alone])}, readings with none near them.")
        kept = counts[run] >= 2
        time, water = time[kept], water[kept]
        run = np.unique(run[kept], return_inverse=True)[1].astype(np.int64)
    out = Record(name, time, water, run, turnings, sun or {}, air, wind)
    _check_covered(scenario, out)
    return replace(out, doubts=(*doubts, *_doubts(scenario, out)))


def _check_covered(scenario: Scenario, record: Record) -> None:
    """Refuse a column that says nothing of one of the heatings: its ends would be carried over."""
    columns = {**record.sun, "air_temperature": record.air, "wind": record.wind}
    for column, series in columns.items():
        for which in record.runs:
            first, last = record.time[which[[0, -1]]]
            if series and not ((series.time > first - PAUSE) & (series.time < last + PAUSE)).any():
                raise SkyError(
                    f"{record.name}: {column} is given, but not for the heating from "
                    f"{_clocks(scenario, record.time[which[:1]])} on; give it for every heating, "
                    "or leave the column out"
                )


def _clocks(scenario: Scenario, time: Whole) -> str:
    local = moments(time[:4]).tz_convert(scenario.site.timezone)
    more = f" and {len(time) - 4} more" if len(time) > 4 else ""
    return ", ".join(f"{t:%Y-%m-%d %H:%M}" for t in local) + more


def _doubts(scenario: Scenario, record: Record) -> list[str]:
    """What a wrong unit, clock or date looks like, and what was assumed."""
    out = []
    times = moments(record.time)
    alpha, _ = position(scenario.site, times)
    dark = np.flatnonzero(alpha <= 0.0)
    if len(dark):
        out.append(
            f"the sun is down at {_clocks(scenario, record.time[dark])}: check the date and the "
            "clock."
        )
    boiling = water_at(site_pressure(scenario)).boiling
    hot = np.flatnonzero(record.water > boiling + OVER_BOILING)
    if len(hot):
        out.append(
            f"water at {record.water[hot].max() - 273.15:.1f} °C is over its boiling point at the "
            f"site, {boiling - 273.15:.1f} °C: check the thermometer and site.altitude."
        )
    for measure, series in record.sun.items():
        when = moments(series.time)
        high, _ = position(scenario.site, when)
        direct, diffuse = cloudless(scenario.site, when, high, np.full(len(series.time), CLEAREST))
        most = np.where(high > 0.0, direct + diffuse, 0.0)
        if measure == "ghi":
            most = direct * np.maximum(np.sin(high), 0.0) + 3.0 * diffuse
        elif measure == "gni":
            most = direct + 4.0 * diffuse
        bright = np.flatnonzero(series.value > TOO_BRIGHT * most + 20.0)
        if len(bright):
            out.append(
                f"{measure} at {_clocks(scenario, series.time[bright])} is more than the clearest "
                "sky gives there: check unit, clock and date."
            )
    if record.turnings is not None:
        for which in record.runs:
            begin = int(record.time[which[0]])
            if not ((record.turnings <= begin) & (record.turnings > begin - PAUSE)).any():
                out.append(
                    "taken as turned to the sun at the first reading of its heating, "
                    f"{_clocks(scenario, record.time[which[:1]])}: the record doesn't say."
                )
    return out


def from_table(
    scenario: Scenario,
    text: str,
    *,
    name: str = "record.csv",
    date: dt.date | str | None = None,
) -> Record:
    """Read a cook's record.

    Parameters
    ----------
    scenario : Scenario
        Its site's clock is the record's.
    text : str
        CSV, see `raytrace.tables.read_record`.
    name : str
        File name for messages.
    date : date or str, optional
        Day of times written as 10:30 alone.

    Returns
    -------
    Record

    Raises
    ------
    ScenarioError
        If the table can't be used; all problems at once, each with its row.
    SkyError
        If the date can't be read, no heating has two readings, or sun, air or wind are known
        for some of them only.
    """
    day = None if date is None else read_date(date)
    rows, problems = read_record(name, text)
    time = _times(scenario.site, rows, name, day, problems)
    if len([r for r in rows if r.water is not None]) < 2 and not problems:
        problems.append(Problem(name, "one reading alone: two or more are needed."))
    if problems:
        raise table_error(name, problems)

    def series(values: Sequence[float | None]) -> Series | None:
        given = np.array([v is not None for v in values])
        if not given.any():
            return None
        return Series(time[given], np.array([v for v in values if v is not None]))

    read = np.array([r.water is not None for r in rows])
    sun = {m: series([getattr(r, m) for r in rows]) for m in ("dni", "gni", "ghi")}
    turned = np.array([r.turned for r in rows])
    return record_of(
        scenario,
        time[read],
        np.array([r.water for r in rows if r.water is not None]),
        name=name,
        turnings=time[turned] if turned.any() else None,
        sun={m: s for m, s in sun.items() if s is not None},
        air=series([r.air for r in rows]),
        wind=series([r.wind for r in rows]),
    )


def _times(
    site: Site,
    rows: Sequence[RecordRow],
    name: str,
    day: dt.date | None,
    problems: list[Problem],
) -> Whole:
    """Moments of rows, seconds since 1970 UTC; problems are appended."""
    out = np.zeros(len(rows), dtype=np.int64)
    before: tuple[int, int] | None = None
    for k, row in enumerate(rows):
        where = f'{name} row {row.line} column "time"'
        try:
            out[k] = seconds(site_times(site, _clock_time(row.time, day)))[0]
        except (SkyError, ValueError) as error:
            words = str(error)
            problems.append(Problem(where, f' = "{row.time}": {words.rstrip(".")}.'))
            continue
        if before is not None and out[k] <= before[0]:
            order = "the same time as" if out[k] == before[0] else "earlier than"
            problems.append(Problem(where, f' = "{row.time}": {order} row {before[1]}.'))
        before = int(out[k]), row.line
    return out


def _clock_time(text: str, day: dt.date | None) -> str | dt.datetime:
    """Time as `raytrace.clock.site_times` takes it; ValueError says what is wrong."""
    match = CLOCK.fullmatch(text)
    if match is None:
        return text
    if day is None:
        raise ValueError('no date. Give it with --date, or write "2026-06-21T10:30".')
    hour, minute, second = (int(part or 0) for part in match.groups())
    if hour > 23 or minute > 59 or second > 59:
        raise ValueError("no time of day.")
    return dt.datetime(day.year, day.month, day.day, hour, minute, second)
