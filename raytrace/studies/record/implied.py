"""What a measured heating says of the light on the pot, beside what the scenario predicts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import HeatError
from raytrace.heat.cooking_power import (
    HEAT_CAPACITY,
    CookingPower,
    cooking_power,
    intervals,
    with_ten_minutes,
)
from raytrace.heat.vessel import Vessel
from raytrace.heat.water import Water
from raytrace.light.history import moments, seconds
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking.heating_test import intercept_area
from raytrace.studies.record.balance import SHY, balance, usable_pairs
from raytrace.studies.record.light import Followed, RecordPlan, follow, heat_runs, pot_and_water
from raytrace.studies.record.readings import Record, solar_hours
from raytrace.studies.record.sense import LeftOut, Readings, impossible, on_base

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Cause", "FieldRecord", "IntervalRows", "field_record"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Cause:
    """One thing that, alone, would make the scenario fit the record.

    Attributes
    ----------
    name : str
        One of `explanations.CAUSES`: mirrors' cleanliness; setting error; turnings that come late;
        heading off the sun at every turning; a sky that is dimmer or brighter; wind at the pot;
        water in the pot.
    now : float
        What the scenario or the record says: share, rad or m, s, rad, factor, m/s, kg.
    needed : float
        What it would have to be; at the end of what makes sense where that isn't enough.
    enough : bool
        Whether it would explain the difference alone.
    explained : float
        Share of the difference that goes away then. [1]
    """

    name: str
    now: float
    needed: float
    enough: bool
    explained: float


@dataclass(frozen=True, eq=False)
class FieldRecord:
    """A record, what it implies, and what the scenario predicts for its very times.

    Attributes
    ----------
    scenario : Scenario
    record : Record
    plan : RecordPlan
    boiling : float
        At the site's pressure. [K]
    power, predicted_power : CookingPower
        By ASAE S580.1, of the readings and of the predicted temperatures.
    temperature : Estimate
        Predicted at the readings, shape (K,); its standard error is that of the mean of all
        draws. [K]
    first, last : ndarray of int, shape (N,)
        Readings between which each interval of ten minutes or so lies that says something. [1]
    watts, watts_se : ndarray, shape (N,)
        On the base, implied by the readings. [W]
    expected, expected_sd : ndarray, shape (N,)
        Predicted, and how much a cooker and its operator differ from the next. [W]
    mean, mean_se : float
        Implied watts over all readings that say something. [W]
    expected_mean : Estimate
        Predicted for the same times. [W]
    expected_mean_sd : float
        Spread of the draws. [W]
    stored, lost, direct, diffuse : float
        What pot and contents took up, what they lost by the model, and the parts of direct sun and
        of sky and ground in what they absorbed; over the same times. [W]
    shown, shown_se : float
        What is left: heat that the mirrors brought. [W]
    mirrored, mirrored_sd : float
        The same as predicted, and the spread of the draws. [W]
    share : float
        Heat that a watt of mirrors' light on the base stands for, with what falls on side and
        lid beside it, by the trace. [1]
    span : float
        How long the readings say something, in all. [s]
    on_mirrors : float
        Sunlight on the mirrors over these times. [W]
    counts : ndarray of bool, shape (P,)
        Which pairs of readings say something.
    left_out : tuple of LeftOut
        Which don't because they can't be, by reason.
    causes : tuple of Cause
        What would explain a difference, each alone; empty where nothing needs explaining.
    """

    scenario: Scenario
    record: Record
    plan: RecordPlan
    boiling: float
    power: CookingPower
    predicted_power: CookingPower
    temperature: Estimate
    first: Whole
    last: Whole
    watts: Array
    watts_se: Array
    expected: Array
    expected_sd: Array
    mean: float
    mean_se: float
    expected_mean: Estimate
    expected_mean_sd: float
    stored: float
    lost: float
    direct: float
    diffuse: float
    shown: float
    shown_se: float
    mirrored: float
    mirrored_sd: float
    share: float
    span: float
    on_mirrors: float
    counts: NDArray[np.bool_]
    left_out: tuple[LeftOut, ...]
    causes: tuple[Cause, ...] = ()

    DIMS: ClassVar = {"K": "reading", "N": "telling", "P": "pair"}
    COORDS: ClassVar = {"reading": "times"}
    SHOWN: ClassVar = {"boiling": "degC", "temperature": "degC", "span": "min"}
    ALSO: ClassVar = ("low", "high", "differs", "rows")

    @property
    def times(self) -> NDArray[np.datetime64]:
        """Times of the readings in UTC, shape (K,)."""
        return self.record.time.astype("M8[s]")

    @property
    def low(self) -> float:
        """Lower end of the implied watts' 95 % interval. [W]"""
        return self.mean - self.half_width

    @property
    def high(self) -> float:
        """Upper end of the implied watts' 95 % interval. [W]"""
        return self.mean + self.half_width

    @cached_property
    def rows(self) -> IntervalRows:
        """One row an interval of the standard, shape (N,)."""
        return IntervalRows.of(self)

    @property
    def sure(self) -> float:
        """Standard errors to either side of a 95 % interval, by Student's t over the draws."""
        from scipy.special import stdtrit

        return float(stdtrit(self.plan.draws - 1, 0.975))

    @property
    def half_width(self) -> float:
        """Half of the implied watts' 95 % interval. [W]"""
        return self.sure * self.mean_se

    @property
    def difference(self) -> float:
        """Implied less predicted watts. [W]"""
        return self.mean - float(self.expected_mean)

    @property
    def differs(self) -> bool:
        """Whether the heat does by more than readings, losses, workshop and operator allow."""
        spread = self.mirrored_sd * (1.0 + 1.0 / self.plan.draws) ** 0.5
        both = np.hypot(self.shown_se, spread)
        return bool(abs(self.shown - self.mirrored) > self.sure * both)


@dataclass(frozen=True, eq=False)
class IntervalRows:
    """What was read and predicted in each interval of the standard; N of them.

    Attributes
    ----------
    start, end : ndarray of str, shape (N,)
        By the site's clock.
    water_from, water_to, predicted_from, predicted_to, air : ndarray, shape (N,)
        Temperatures, as read, and as predicted; between two readings off the line between. [K]
    wind : ndarray, shape (N,)
        Mean wind at the pot; nan where it was not recorded. [m/s]
    insolation : ndarray, shape (N,)
        Mean irradiance. [W/m²]
    cooking_power, standardised : ndarray, shape (N,)
        By ASAE S580.1. [W]
    over_air : ndarray, shape (N,)
        Mean temperature of the water over that of the air. [K]
    in_regression : ndarray of bool, shape (N,)
        Whether it counts for the standard's line.
    implied, implied_se, expected, expected_sd : ndarray, shape (N,)
        As `watts` and `expected` of `FieldRecord`, of readings that span its middle; nan where
        these say nothing. [W]
    """

    start: NDArray[np.str_]
    end: NDArray[np.str_]
    water_from: Array
    water_to: Array
    predicted_from: Array
    predicted_to: Array
    air: Array
    wind: Array
    insolation: Array
    cooking_power: Array
    standardised: Array
    over_air: Array
    in_regression: NDArray[np.bool_]
    implied: Array
    implied_se: Array
    expected: Array
    expected_sd: Array

    DIMS: ClassVar = {"N": "interval"}
    SHOWN: ClassVar = dict.fromkeys(
        ("water_from", "water_to", "predicted_from", "predicted_to", "air"), "degC"
    )

    @classmethod
    def of(cls, result: FieldRecord) -> IntervalRows:
        """Rows of a record's intervals.

        Parameters
        ----------
        result : FieldRecord

        Returns
        -------
        IntervalRows
        """
        record, power = result.record, result.power
        zone = result.scenario.site.timezone
        time, _ = _standard_times(record, _whole(record, result.left_out))
        clock = np.array([t.isoformat() for t in moments(time).tz_convert(zone)], dtype=str)
        first, last = power.first, power.last
        middle = 0.5 * (time[first] + time[last])[:, None]
        here = (record.time[result.first] < middle) & (middle < record.time[result.last])
        at = np.where(here.any(axis=1), here.argmax(axis=1) if here.size else 0, -1)

        def telling(x: Array) -> Array:
            return np.append(x, np.nan)[at]

        water, predicted = (
            np.interp(time, record.time, x) for x in (record.water, result.temperature.value)
        )
        return cls(
            clock[first],
            clock[last],
            water[first],
            water[last],
            predicted[first],
            predicted[last],
            power.air,
            power.wind,
            power.insolation,
            power.power,
            power.standardised,
            power.difference,
            power.counts,
            *(
                telling(x)
                for x in (result.watts, result.watts_se, result.expected, result.expected_sd)
            ),
        )


def field_record(
    scenario: Scenario,
    record: Record,
    plan: RecordPlan | None = None,
    *,
    progress: Callable[[float], None] | None = None,
) -> tuple[FieldRecord, Followed]:
    """Say what a measured heating implies, and what the scenario predicts for it.

    Parameters
    ----------
    scenario : Scenario
        Its kitchen says what was in the pot; its habit how the cooker was turned, where the
        record doesn't.
    record : Record
    plan : RecordPlan, optional
    progress : callable, optional
        Told the share that is done.

    Returns
    -------
    result : FieldRecord
    followed : Followed
        The predicted light, for `raytrace.studies.record.explanations`.

    Raises
    ------
    HeatError
        If no two readings say anything of the light, none can be right, or the scenario predicts
        none.

    Notes
    -----
    Heat stored and lost at the measured temperatures is what was absorbed; less direct sun and
    diffuse light on the pot, and over the absorptances, that is the mirrors' light on the base.
    What of it falls on side and lid instead is taken from the trace. The interval holds the error
    of readings, that of the losses, and how much cookers and operators differ in that part; not
    that of the absorptances or of the water's mass.
    """
    plan = plan or RecordPlan()
    vessel, water = pot_and_water(scenario)
    pairs = usable_pairs(record, water, plan.reading_error)
    if not pairs.any():
        raise HeatError(
            f"{record.name}: no two readings of one heating lie below "
            f"{water.boiling - SHY - 2.0 * plan.reading_error - 273.15:.1f} degC, short of "
            "boiling; nearer to it vapour takes the heat, and a thermometer says nothing"
        )
    followed = follow(scenario, record, plan, progress=progress)
    air, wind = record.air_at(scenario, record.time)
    found = balance(vessel, water, record, air, wind, scenario.air.humidity)
    readings = Readings.of(found, followed, plan)
    left_out = impossible(readings, record, pairs)
    torn = _torn(record, left_out)
    if (pairs & ~torn).sum() == 0 or _most(left_out, pairs):
        raise HeatError(_nothing(record, readings, pairs, left_out))
    pairs &= ~torn
    share = readings.share(pairs)
    if np.isnan(share):
        raise HeatError(
            f"{record.name}: the scenario predicts no light on the base at these times; check "
            "date, clock, site and turnings"
        )
    weight = found.length * pairs
    span = float(weight.sum())
    expected, brought = readings.mean(readings.base, pairs), readings.mean(readings.brought, pairs)
    shown, shown_se = readings.shown(pairs)
    mean, mean_se = on_base(shown, shown_se, expected, brought, share)

    whole = _whole(record, left_out)
    first, last = intervals(record.time, whole)
    some = np.array([bool(pairs[a:b].all()) for a, b in zip(first, last, strict=True)], dtype=bool)
    first, last = first[some], last[some]
    watts, watts_se, wish, wish_sd = np.empty((4, len(first)))
    for k, (a, b) in enumerate(zip(first, last, strict=True)):
        own = np.zeros(len(pairs), dtype=bool)
        own[a:b] = True
        watts[k], watts_se[k] = readings.implied(own, share)
        light = readings.mean(readings.base, own)
        wish[k], wish_sd[k] = light.mean(), light.std(ddof=1)

    predicted = heat_runs(scenario, record, followed)
    return FieldRecord(
        scenario=scenario,
        record=record,
        plan=plan,
        boiling=water.boiling,
        power=_power(scenario, record, record.water, whole, vessel, water),
        predicted_power=_power(scenario, record, predicted.mean(axis=0), whole, vessel, water),
        temperature=Estimate.from_replicates(predicted),
        first=first,
        last=last,
        watts=watts,
        watts_se=watts_se,
        expected=wish,
        expected_sd=wish_sd,
        mean=mean,
        mean_se=mean_se,
        expected_mean=Estimate.from_replicates(expected),
        expected_mean_sd=float(expected.std(ddof=1)),
        stored=float(weight @ found.stored) / span,
        lost=float(weight @ found.lost) / span,
        direct=float(weight @ followed.means(followed.direct, len(pairs))) / span,
        diffuse=float(weight @ followed.means(followed.diffuse, len(pairs))) / span,
        shown=shown,
        shown_se=shown_se,
        mirrored=float(brought.mean()),
        mirrored_sd=float(brought.std(ddof=1)),
        share=share,
        span=span,
        on_mirrors=float(readings.mean(readings.on_mirrors, pairs)),
        counts=pairs,
        left_out=left_out,
    ), followed


def _torn(record: Record, left_out: tuple[LeftOut, ...]) -> NDArray[np.bool_]:
    """Pairs of readings that are left out."""
    torn = np.zeros(len(record.time) - 1, dtype=bool)
    for part in left_out:
        torn[part.pairs] = True
    return torn


def _whole(record: Record, left_out: tuple[LeftOut, ...]) -> Whole:
    """Stretch that each reading belongs to: no interval of ten minutes spans what was left out."""
    return np.asarray(record.run + np.append(0, np.cumsum(_torn(record, left_out))))


def _standard_times(record: Record, whole: Whole) -> tuple[Whole, Whole]:
    """Times that the standard's intervals lie between, and the stretch of each.

    They end at ten minutes, whenever readings come.
    """
    since, run = with_ten_minutes(record.time - record.time[0], whole)
    return record.time[0] + np.rint(since).astype(np.int64), run


def _most(left_out: tuple[LeftOut, ...], pairs: NDArray[np.bool_]) -> bool:
    """Whether more can't be than can: what is left would be chance, and low or high by it."""
    count = {part.reason: len(part.pairs) for part in left_out}
    return 2 * (count["bright"] + count["cold"]) > int(pairs.sum()) - count["sun"]


def _nothing(
    record: Record, readings: Readings, pairs: NDArray[np.bool_], left_out: tuple[LeftOut, ...]
) -> str:
    """Why nothing in a record can be believed."""
    count = {part.reason: len(part.pairs) for part in left_out}
    of = f"of {int(pairs.sum())} stretches from one reading to the next"
    watts, _ = readings.implied(pairs, readings.share(pairs))
    most = float(readings.mean(readings.on_mirrors, pairs))
    words = [f"{record.name}: nothing in it can be believed."]
    if count["bright"]:
        words.append(
            f"In {count['bright']} {of} the water takes up more than all the sun on the mirrors "
            "brings."
        )
    if watts > most:
        words.append(
            f"All of them imply {watts:.0f} W of light on the base, where {most:.0f} W of sun fall "
            "on the mirrors."
        )
    if count["cold"]:
        words.append(
            f"In {count['cold']} {of} it cools faster than by all computed losses without any "
            "light."
        )
    words += [doubt[0].upper() + doubt[1:] for doubt in record.doubts]
    words.append(
        "Check thermometer, clock, date and irradiance, and what the scenario says is in the pot"
    )
    return " ".join(words)


def _power(
    scenario: Scenario, record: Record, T: Array, run: Whole, vessel: Vessel, water: Water
) -> CookingPower:
    """Cooking power by the standard of temperatures at the record's times, `run` by run."""
    mass = vessel.water + vessel.food
    heat = vessel.water * HEAT_CAPACITY + vessel.food * vessel.food_heat_capacity
    time, run = _standard_times(record, run)
    air, wind = record.air_at(scenario, time)
    local = moments(time).tz_convert(scenario.site.timezone)
    return cooking_power(
        (time - time[0]).astype(float),
        np.interp(time, record.time, T),
        air,
        record.sun_at(scenario, time)[2],
        mass=mass,
        heat_capacity=heat / mass,
        wind=wind if record.wind is not None else None,
        intercept_area=intercept_area(build_cooker(scenario)),
        boiling=water.boiling,
        run=run,
        day=seconds(local.tz_localize(None)) // 86400,
        solar_hour=solar_hours(scenario, time),
    )
