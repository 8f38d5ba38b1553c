"""A record that nobody measured: a cooker drawn from a scenario, its pot heated, and read."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.tolerances import INVENTED, standard_normals
from raytrace.csv_text import csv_text
from raytrace.exceptions import HeatError, SkyError
from raytrace.heat.water import NEAR_BOIL
from raytrace.light.history import moments, seconds
from raytrace.light.setup import design_tilt
from raytrace.light.turning import habit_of
from raytrace.sky.clock import site_times
from raytrace.sky.sun import design_moment, sun_at
from raytrace.studies.cooking.courses import air_at
from raytrace.studies.cooking.heating_test import altered
from raytrace.studies.record.light import Followed, RecordPlan, follow, heat_runs, pot_and_water
from raytrace.studies.record.readings import Record, Series

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Invention", "demo_start", "invent_record", "record_text"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

EARLY = 1800  # before the sun stands at the design altitude [s]
GOES_ON = 600.0  # of an invented record, once the water boils or no longer warms [s]
DIRT = 0.8  # what is left of the scenario's cleanliness, so that there is something to find
SUN_NOISE, AIR_NOISE = 0.02, 0.5  # of invented readings [1], [K]


@dataclass(frozen=True)
class Invention:
    """How a record is made up.

    Attributes
    ----------
    reading_error : float
        Standard deviation of a reading of the water. [K]
    every : float
        Between readings. [s]
    span : float
        How long at most; it ends ten minutes after the boil, or after the water was warmest. [s]
    cleanliness : float
        Factor on that of the scenario's mirrors. [1]
    sun, air, wind, turned : bool
        Which optional columns it has.
    """

    reading_error: float = 0.5
    every: float = 300.0
    span: float = 9000.0
    cleanliness: float = DIRT
    sun: bool = True
    air: bool = True
    wind: bool = True
    turned: bool = True


def demo_start(scenario: Scenario, date: dt.date | None = None) -> dt.datetime:
    """When an invented pot is put on: half an hour before the sun suits the mirrors.

    Parameters
    ----------
    scenario : Scenario
    date : date, optional
        Day on which, by the clock; by default that of the design sun.

    Returns
    -------
    datetime
        In the site's zone, to ten minutes.
    """
    time, _ = design_moment(scenario, float(scenario.design.sun_altitude) + design_tilt(scenario))
    day = time.date() if date is None else date
    minutes = (time.hour * 60 + time.minute - EARLY // 60) // 10 * 10
    return dt.datetime(day.year, day.month, day.day) + dt.timedelta(minutes=max(minutes, 0))


def invent_record(
    scenario: Scenario,
    start: dt.datetime,
    invention: Invention | None = None,
    *,
    seed: int = 1,
    build: int = 0,
) -> tuple[Record, Followed]:
    """Simulate a cook with a thermometer.

    Parameters
    ----------
    scenario : Scenario
    start : datetime
        When the pot is put on; a time with no zone is by the site's clock.
    invention : Invention, optional
    seed, build : int
        Key of the cooker, of the hand and of the readings' errors.

    Returns
    -------
    record : Record
        As the cook read it.
    followed : Followed
        The light that was really there, one draw.

    Raises
    ------
    SkyError
        If the start can't be read, or the sun is down then.
    HeatError
        If the water is boiling at once, or nothing reaches the pot.
    """
    plan = invention or Invention()
    begin = int(seconds(site_times(scenario.site, start))[0])
    if sun_at(scenario, moments(np.array([begin]))).alpha[0] <= 0.0:
        raise SkyError(f"the sun is down at {start:%Y-%m-%d %H:%M}: choose another time")
    time = begin + np.arange(int(plan.span / plan.every) + 1) * round(plan.every)
    air, wind = air_at(scenario, time)
    asked = scenario.kitchen.start_temperature
    first = float(air[0]) if isinstance(asked, str) else float(asked)
    dni = sun_at(scenario, moments(time)).dni
    every = habit_of(scenario).every
    turnings = time[:1]
    if np.isfinite(every):
        turnings = np.arange(begin, time[-1] + 1, round(every))
    truth = Record(
        "truth",
        time,
        np.full(len(time), first),
        np.zeros(len(time), dtype=np.int64),
        turnings,
        {},
        Series(time, air),
        Series(time, wind),
    )
    mirror = scenario.mirror
    dirty = altered(scenario, mirror={"cleanliness": mirror.cleanliness * plan.cleanliness})
    followed = follow(dirty, truth, RecordPlan(draws=2, seed=seed, build=build), draws=1)
    if not followed.base.any():
        raise HeatError(
            f"{scenario.source}: nothing reaches the pot's base at these times, so there is no "
            "heating to invent. `cooker trace` shows where the light goes"
        )
    T = heat_runs(scenario, truth, followed)[0]
    last = _end(time, T, pot_and_water(scenario)[1].boiling)
    time, T, air, wind, dni = time[:last], T[:last], air[:last], wind[:last], dni[:last]
    if len(time) < 3:
        raise HeatError("the water boils at once: a record needs more water, or quicker readings")
    here = np.arange(len(time), dtype=np.int64)
    z = standard_normals(seed, INVENTED, build, here, np.full(len(here), 1 << 20), 3)[0]
    read = T + plan.reading_error * z[:, 0]
    record = Record(
        "invented record",
        time,
        np.round(read - 273.15, 1) + 273.15,
        np.zeros(len(time), dtype=np.int64),
        turnings[turnings <= time[-1]] if plan.turned else None,
        {"dni": Series(time, np.round(dni * (1.0 + SUN_NOISE * z[:, 1])))} if plan.sun else {},
        Series(time, np.round(air - 273.15 + AIR_NOISE * z[:, 2], 1) + 273.15)
        if plan.air
        else None,
        Series(time, np.round(wind, 1)) if plan.wind else None,
    )
    return record, followed


def _end(time: Whole, T: Array, boiling: float) -> int:
    """How many readings a cook takes: until the water has boiled a while, or no longer warms."""
    boils = np.flatnonzero(boiling - NEAR_BOIL <= T)
    done = time[boils[0]] if len(boils) else time[int(np.argmax(T))]
    return int(np.searchsorted(time, done + GOES_ON, side="right"))


def record_text(scenario: Scenario, record: Record, notes: tuple[str, ...] = ()) -> str:
    """Record as the table that `raytrace.studies.record.readings.from_table` reads.

    Parameters
    ----------
    scenario : Scenario
        Its site's clock is the record's.
    record : Record
    notes : tuple of str
        Lines above the table.

    Returns
    -------
    str
    """
    turned = np.zeros(0, dtype=np.int64) if record.turnings is None else record.turnings
    rows = np.union1d(record.time, turned)
    columns = ["time", "water_temperature_degC"]
    columns += ["air_temperature_degC"] if record.air else []
    columns += [f"{measure}_W/m^2" for measure in record.sun]
    columns += ["wind_m/s"] if record.wind else []
    columns += ["turned"] if record.turnings is not None else []
    lines: list[list[str]] = []
    clock = moments(rows).tz_convert(scenario.site.timezone)
    for now, when in zip(rows, clock, strict=True):
        one = np.array([now])
        k = int(np.searchsorted(record.time, now))
        read = k < len(record.time) and record.time[k] == now
        cells = [f"{when:%Y-%m-%dT%H:%M}{when:%z}" if when.second == 0 else when.isoformat()]
        cells.append(f"{record.water[k] - 273.15:.1f}" if read else "")
        if record.air:
            cells.append(f"{record.air.at(one)[0] - 273.15:.1f}" if read else "")
        cells += [f"{s.at(one)[0]:.0f}" if read else "" for s in record.sun.values()]
        if record.wind:
            cells.append(f"{record.wind.at(one)[0]:.1f}" if read else "")
        if record.turnings is not None:
            cells.append("yes" if now in turned else "")
        lines.append(cells)
    return csv_text(columns, lines, notes)
