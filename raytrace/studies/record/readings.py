"""A cook's record of a heating: read, checked, and put on the clock; or laid out to be invented."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.csv_times import day_orders, written_time
from raytrace.exceptions import Problem, SkyError
from raytrace.heat.cooking_power import INTERVAL, LONGEST
from raytrace.heat.water import site_pressure, water_at
from raytrace.light.history import moments, seconds
from raytrace.scenario.tables import RecordRow, read_record, table_error
from raytrace.sky.clock import read_date, site_times
from raytrace.sky.irradiance import diffuse_beside, global_normal, sun_from
from raytrace.sky.sun import noons, position, sun_at
from raytrace.studies.cooking.courses import air_at
from raytrace.studies.record.checks import (
    PAUSE,
    REFILLED,
    clearest,
    cooling,
    heatings,
    slips,
    too_bright,
)

if TYPE_CHECKING:
    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = ["Record", "Series", "from_table", "record_of", "solar_hours"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

OVER_BOILING = 2.0  # that a thermometer may show [K]
SURELY = 5.0  # standard deviations of a reading; one in 3 million is as far over


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
        """Values at given times, by straight lines between those known.

        Parameters
        ----------
        time : ndarray of int
            Seconds since 1970 UTC. [s]

        Returns
        -------
        ndarray, shape of time
        """
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
        Which heating each reading belongs to, from 0. [1]
    turnings : ndarray of int or None
        When the cooker was turned to the sun, seconds since 1970 UTC; None where the record has
        no such column, so that the scenario's habit counts. [s]
    sun : dict of str to Series
        Irradiance, by what was measured: "dni", "gni" or "ghi". [W/m²]
    air, wind : Series or None
        [K], [m/s]
    doubts : tuple of str
        What can't be right, and what was left out for it.
    assumed : tuple of str
        What the record doesn't say.
    read : tuple of str
        What of its table was passed over, averaged or put in order.
    strange_sun : ndarray of int, shape (S,)
        When the irradiance read can't be; `sun` is without it. [s]
    strange_water : Series
        Readings of the water that can't be; `water` is without them. [K]
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
    assumed: tuple[str, ...] = ()
    read: tuple[str, ...] = ()
    strange_sun: Whole = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    strange_water: Series = field(
        default_factory=lambda: Series(np.zeros(0, dtype=np.int64), np.zeros(0))
    )

    @property
    def runs(self) -> tuple[Whole, ...]:
        """Indices of the readings of each heating."""
        return tuple(np.flatnonzero(self.run == k) for k in np.unique(self.run))

    def air_at(self, scenario: Scenario, at: Whole) -> tuple[Array, Array]:
        """Air temperature and wind at the pot: as recorded, else as the scenario says.

        Parameters
        ----------
        scenario : Scenario
        at : ndarray of int, shape (N,)
            Seconds since 1970 UTC. [s]

        Returns
        -------
        air, wind : ndarray, shape (N,)
            [K] and [m/s].
        """
        air, wind = (None, None) if self.air and self.wind else air_at(scenario, at)
        return (
            self.air.at(at) if self.air else np.asarray(air),
            self.wind.at(at) if self.wind else np.asarray(wind),
        )

    def sun_at(self, scenario: Scenario, at: Whole) -> tuple[Array, Array, Array]:
        """Irradiance: as recorded, else as the scenario's sky has it.

        Parameters
        ----------
        scenario : Scenario
        at : ndarray of int, shape (N,)
            Seconds since 1970 UTC. [s]

        Returns
        -------
        dni, dhi, gni : ndarray, shape (N,)
            Direct normal, diffuse on the level, and global on the plane normal to the sun. What
            was not measured is left by two that were, the level one first, or goes with one that
            was by `raytrace.sky.irradiance.sun_from`. [W/m²]
        """
        site, times = scenario.site, moments(at)
        albedo = float(site.albedo)
        if not self.sun:
            sky = sun_at(scenario, times)
            return sky.dni, sky.dhi, global_normal(sky.dni, sky.dhi, sky.alpha, albedo)
        alpha, _ = position(site, times)
        known = {measure: series.at(at) for measure, series in self.sun.items()}

        def by(*order: str) -> tuple[Array, Array]:
            which = next(measure for measure in order if measure in known)
            return sun_from(site, times, alpha, which, known[which])

        dni, dhi = by("dni", "gni", "ghi")
        gni = global_normal(*by("gni", "dni", "ghi"), alpha, albedo)
        if len(known) > 1:
            rest = "ghi" if "ghi" in known else "gni"
            dhi = diffuse_beside(dni, known[rest], rest, alpha, albedo)
        return dni, dhi, gni


def solar_hours(scenario: Scenario, time: Whole) -> Array:
    """Time by the sun, 12 as it crosses the meridian. [h]

    Parameters
    ----------
    scenario : Scenario
    time : ndarray of int, shape (K,)
        Seconds since 1970 UTC. [s]

    Returns
    -------
    ndarray, shape (K,)
        [h]
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
    reading_error: float = 0.5,
) -> Record:
    """Record from arrays; heatings are told apart, and what can't be is left out and noted.

    Parameters
    ----------
    scenario : Scenario
    time, water, name, turnings, sun, air, wind
        As in `Record`.
    reading_error : float
        Standard deviation of a reading of the water. [K]

    Returns
    -------
    Record
        Heatings are told apart by `raytrace.studies.record.checks.heatings`, once its `slips` are
        left out.

    Raises
    ------
    SkyError
        If no heating has two readings, or sun, air or wind are known for some of them only.
    """
    doubts = []
    out = Record(name, time, water, np.zeros(len(time), np.int64), turnings, sun or {}, air, wind)
    cools = cooling(scenario, time, water, *out.air_at(scenario, time))
    bad = slips(time, water, cools)
    strange = Series(time[bad], water[bad])
    if bad.any():
        shown = ", ".join(f"{T - 273.15:.1f} °C" for T in strange.value[:4])
        doubts.append(
            f"left out: the water at {_clocks(scenario, strange.time)} ({shown}), over "
            f"{REFILLED:g} °C off the readings before and after, as if the thermometer had slipped."
        )
        time, water = time[~bad], water[~bad]
        cools = cooling(scenario, time, water, *out.air_at(scenario, time))
    run = heatings(time, water, cools)
    counts = np.bincount(run)
    alone = np.flatnonzero(counts[run] < 2)
    if len(alone) == len(time):
        raise SkyError(
            f"{name}: no heating has two readings within an hour of each other, so that nothing "
            "can be said"
        )
    if len(alone):
        doubts.append(f"left out: {_clocks(scenario, time[alone])}, readings with none near them.")
        kept = counts[run] >= 2
        time, water = time[kept], water[kept]
        run = np.unique(run[kept], return_inverse=True)[1].astype(np.int64)
    out = replace(out, time=time, water=water, run=run, strange_water=strange)
    _check_covered(scenario, out)
    doubts += _doubts(scenario, out, max(OVER_BOILING, SURELY * reading_error))
    believed, strange_sun, too_much = _sun(scenario, out.sun)
    return replace(
        out,
        sun=believed,
        strange_sun=strange_sun,
        doubts=(*doubts, *too_much),
        assumed=_assumed(scenario, out),
    )


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


def _doubts(scenario: Scenario, record: Record, over: float) -> list[str]:
    """What a wrong clock, date, thermometer or altitude looks like."""
    out = []
    alpha, _ = position(scenario.site, moments(record.time))
    dark = np.flatnonzero(alpha <= 0.0)
    if len(dark):
        out.append(
            f"the sun is down at {_clocks(scenario, record.time[dark])}: check the date and the "
            "clock."
        )
    boiling = water_at(site_pressure(scenario)).boiling
    hot = np.flatnonzero(record.water > boiling + over)
    if len(hot):
        out.append(
            f"water at {record.water[hot].max() - 273.15:.1f} °C is over its boiling point at the "
            f"site, {boiling - 273.15:.1f} °C; left out from "
            f"{_clocks(scenario, record.time[hot[:1]])} on. All other readings may be off as well: "
            "check the thermometer and site.altitude."
        )
    return out


def _sun(scenario: Scenario, sun: dict[str, Series]) -> tuple[dict[str, Series], Whole, list[str]]:
    """Irradiance without what can't be; when that was, and the words for it."""
    kept, strange, words = {}, [np.zeros(0, dtype=np.int64)], []
    for measure, series in sun.items():
        bright = too_bright(scenario.site, measure, series.time, series.value)
        if not bright.all():
            kept[measure] = Series(series.time[~bright], series.value[~bright])
        if bright.any():
            when = series.time[bright]
            worst = int(np.argmax(series.value[bright]))
            most = clearest(scenario.site, measure, when[worst : worst + 1])[0]
            strange.append(when)
            words.append(
                f"the sun ({measure}) at {_clocks(scenario, when)} is more than the clearest sky "
                f"gives there ({series.value[bright][worst]:.0f} W/m² where {most:.0f} are the "
                "most); left out: check unit, clock and date."
            )
    return kept, np.unique(np.concatenate(strange)), words


def _assumed(scenario: Scenario, record: Record) -> tuple[str, ...]:
    """What the record doesn't say, and is taken as."""
    if record.turnings is None:
        return ()
    first = [record.time[which[:1]] for which in record.runs]
    silent = [
        begin
        for begin in first
        if not ((record.turnings <= begin) & (record.turnings > begin - PAUSE)).any()
    ]
    return tuple(
        f"taken as turned to the sun at the first reading of its heating, "
        f"{_clocks(scenario, begin)}: the record doesn't say."
        for begin in silent
    )


def from_table(
    scenario: Scenario,
    text: str,
    *,
    name: str = "record.csv",
    date: dt.date | str | None = None,
    reading_error: float = 0.5,
) -> Record:
    """Read a cook's record.

    Parameters
    ----------
    scenario : Scenario
        Its site's clock is the record's.
    text : str
        CSV, see `raytrace.scenario.tables.read_record`.
    name : str
        File name for messages.
    date : date or str, optional
        Day of times written as 10:30 alone.
    reading_error : float
        Standard deviation of a reading of the water. [K]

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
    said: list[str] = []
    rows, problems = read_record(name, text, said=said)
    time = _times(scenario.site, rows, name, day, problems)
    if len([r for r in rows if r.water is not None]) < 2 and not problems:
        problems.append(Problem(name, "one reading alone: two or more are needed."))
    if problems:
        raise table_error(name, problems)
    order = np.argsort(time, kind="stable")
    if (np.diff(order) < 0).any():
        said.append("rows not in the order of time were sorted.")
        time, rows = time[order], tuple(rows[k] for k in order)

    def series(values: Sequence[float | None]) -> Series | None:
        given = np.array([v is not None for v in values])
        if not given.any():
            return None
        return Series(time[given], np.array([v for v in values if v is not None]))

    read = np.array([r.water is not None for r in rows])
    sun = {m: series([getattr(r, m) for r in rows]) for m in ("dni", "gni", "ghi")}
    turned = np.array([r.turned for r in rows])
    said += _step_words(time[read])
    found = record_of(
        scenario,
        time[read],
        np.array([r.water for r in rows if r.water is not None]),
        name=name,
        turnings=time[turned] if turned.any() else None,
        sun={m: s for m, s in sun.items() if s is not None},
        air=series([r.air for r in rows]),
        wind=series([r.wind for r in rows]),
        reading_error=reading_error,
    )
    return replace(found, read=tuple(said))


def _step_words(time: Whole) -> list[str]:
    """How readings that don't come every ten minutes are put through the standard."""
    step = float(np.median(np.diff(time)))
    if abs(step - INTERVAL) < 1.0:
        return []
    words = f"readings come every {step / 60.0:.3g} min; for ASAE S580.1 "
    if step > LONGEST:
        return [f"{words}they are too far apart: it wants ten minutes, fifteen are the most here."]
    return [f"{words}they are averaged over ten minutes, the water's read off between them."]


def _times(
    site: Site,
    rows: Sequence[RecordRow],
    name: str,
    day: dt.date | None,
    problems: list[Problem],
) -> Whole:
    """Moments of rows, seconds since 1970 UTC; problems are appended."""
    out = np.zeros(len(rows), dtype=np.int64)
    orders = day_orders([row.time for row in rows], day).split() or ["dmy"]
    if len(orders) > 1:
        row = next(r for r in rows if len(day_orders([r.time]).split()) > 1)
        first, second = (written_time(row.time, day, order).date() for order in orders)
        words = (
            f' = "{row.time}": {first.isoformat()} or {second.isoformat()}? Write it so, or say '
            f"which day it was: --date {first.isoformat()}."
        )
        problems.append(Problem(f'{name} row {row.line} column "time"', words))
        return out
    at: dict[int, int] = {}
    before: dt.datetime | None = None
    for k, row in enumerate(rows):
        where = f'{name} row {row.line} column "time"'
        try:
            clock = written_time(row.time, day, orders[0])
            out[k] = seconds(site_times(site, clock))[0]
        except (SkyError, ValueError) as error:
            problems.append(Problem(where, f' = "{row.time}": {str(error).rstrip(".")}.'))
            continue
        fell = before is not None and out[k] < max(at)
        if before is not None and fell and before.hour in (11, 12) and clock.hour in (1, 2):
            mend = f"{clock.hour + 12}:{clock:%M}, or {clock.hour}:{clock:%M} pm"
            words = f' = "{row.time}": after {before:%H:%M}. In the afternoon write {mend}.'
            problems.append(Problem(where, words))
        before = clock
        if (same := at.setdefault(int(out[k]), row.line)) != row.line:
            problems.append(Problem(where, f' = "{row.time}": the same time as row {same}.'))
    return out
