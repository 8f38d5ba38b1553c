"""Pots heated by the light they get: when they boil, why not, and how sure that is.

Noise of tracing reaches a boiling time through the heat balance: each pot is heated by the mean
of its replicates' watts and, once more for each replicate, by the mean moved a little toward it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import HeatError
from raytrace.heat.food import lukewarm_share
from raytrace.heat.heating import heat_up
from raytrace.heat.vessel import Ambient, vessel_from_scenario
from raytrace.heat.wanted import can_be_had
from raytrace.heat.water import NEAR_BOIL, site_pressure, water_at
from raytrace.light.absorbed import absorbed
from raytrace.light.history import design_light
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking.courses import Course
from raytrace.studies.cooking.never_boils import why_not

if TYPE_CHECKING:
    from raytrace.heat.heating import Heating

__all__ = [
    "Pots",
    "from_nudged",
    "heat_course",
    "mean_until",
    "nudged",
    "pots_of",
    "refilled",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

HEATING = 7200.0  # over which the watts of a pot that never boils are averaged [s]
NUDGE = 2.0  # standard errors, how far the mean is moved
REFILL_GAP = 2.0  # by which a pot that is filled again starts cooler than water boils [K]
ZERO = 273.15  # 0 °C [K]
CLOSE = 0.8  # of the design sun's watts: about as many


def nudged(x: Array) -> Array:
    """Mean over replicates, and r means moved toward each replicate, two standard errors or so.

    Parameters
    ----------
    x : ndarray, shape (..., r)

    Returns
    -------
    ndarray, shape (1 + r, ...)
        For `from_nudged`.
    """
    mean = x.mean(axis=-1, keepdims=True)
    moved = mean + NUDGE / np.sqrt(x.shape[-1] - 1) * (x - mean)
    return np.concatenate([mean[..., 0][None], np.moveaxis(moved, -1, 0)])


def from_nudged(f: Array) -> tuple[Array, Array]:
    """Figure of the mean, and its standard error, from those of `nudged`.

    Parameters
    ----------
    f : ndarray, shape (1 + r, ...)

    Returns
    -------
    value, se : ndarray, shape (...)
        se is nan where one of them is; value where the first is.

    Notes
    -----
    For a figure that is linear in the watts this is the usual standard error: a replicate's
    deviation, times `NUDGE` / √(r − 1), has a mean square of (`NUDGE` times the error)². Where the
    figure jumps within two standard errors, as a boiling time does if it hangs by a hair, the
    error is as wide as the jump, which leaving out one replicate at a time would hardly show.
    """
    return f[0], np.asarray(f[1:].std(axis=0) / NUDGE)


def mean_until(time: Array, watts: Array, until: Array) -> Array:
    """Mean of watts that are straight within each interval, from the start until given times.

    Parameters
    ----------
    time : ndarray, shape (K,)
        [s]
    watts : ndarray, shape (C, K − 1, 2, ...)
        At the start and the end of each interval.
    until : ndarray, shape (C,)
        Greater than 0, at most the last time. [s]

    Returns
    -------
    ndarray, shape (C, ...)

    Examples
    --------
    >>> ramp = np.array([[[0.0, 10.0], [10.0, 20.0]]])
    >>> mean_until(np.array([0.0, 1.0, 2.0]), ramp, np.array([1.5])).tolist()
    [7.5]
    """
    # share of each interval that lies before the time wanted
    share = np.clip((until[:, None] - time[:-1]) / np.diff(time), 0.0, 1.0)
    weight = np.stack([share * (1.0 - 0.5 * share), 0.5 * share**2], axis=-1)
    weight *= np.diff(time)[:, None]
    extra = watts.ndim - 3
    total = (watts * weight.reshape(*weight.shape, *[1] * extra)).sum(axis=(1, 2))
    return np.asarray(total / until.reshape(-1, *[1] * extra))


@dataclass(frozen=True, eq=False)
class Pots:
    """What becomes of C pots.

    Attributes
    ----------
    followed, sun_share, delivered, delivered_se, absorbed, absorbed_se, diffuse, dni, air, boils
    boils_se, near, near_se, done, done_se, dry, highest, highest_se, settles, holds, boiled_off
    lukewarm, unsure, reason
        As in `raytrace.studies.cooking.season.Season`, with its units; each of shape (C,).
    """

    followed: Array
    sun_share: Array
    delivered: Array
    delivered_se: Array
    absorbed: Array
    absorbed_se: Array
    diffuse: Array
    dni: Array
    air: Array
    boils: Array
    boils_se: Array
    near: Array
    near_se: Array
    done: Array
    done_se: Array
    dry: Array
    highest: Array
    highest_se: Array
    settles: Array
    holds: Array
    boiled_off: Array
    lukewarm: Array
    unsure: NDArray[np.bool_]
    reason: Whole


def heat_course(
    course: Course,
    watts: Array,
    rows: Whole,
    *,
    refill: bool = False,
    top_ups: Sequence[tuple[float, float, float]] = (),
    evening: bool = False,
) -> Iterator[tuple[Whole, Heating]]:
    """Heat pots, those that are followed equally long together.

    Parameters
    ----------
    course : Course
    watts : ndarray, shape (n, len(rows), K − 1, 2)
        Absorbed, n variants of each pot. [W]
    rows : ndarray of int
        Which pots of the course.
    refill, top_ups
        As in `raytrace.heat.heating.heat_up`.
    evening : bool
        Whether pots are followed to the course's end, not to sunset only.

    Yields
    ------
    which : ndarray of int, shape (G,)
        Which of `rows`.
    heating : Heating
        Cases are the n variants of each of these, the variants one below the other: n G of them.
        Pots that see no sun do not come.

    Raises
    ------
    HeatError
        If the scenario puts up a pot that is as hot as water boils at the site, or wants what
        water can't be had at there.
    """
    scenario = course.setup.scenario
    can_be_had(scenario)
    vessel = vessel_from_scenario(scenario)
    water = water_at(site_pressure(scenario))
    kitchen = scenario.kitchen
    asked = kitchen.start_temperature
    least = REFILL_GAP if refill else 0.0
    if not isinstance(asked, str) and kitchen.water and asked > water.boiling - least:
        raise HeatError(
            f"kitchen.start_temperature is {asked - ZERO:.1f} degC, but water boils at "
            f"{water.boiling - ZERO:.1f} degC at this altitude: state "
            f"{np.floor(water.boiling - ZERO - REFILL_GAP):.0f} degC or less"
        )
    rests = kitchen.wanted == "rest" and not refill
    rest = (kitchen.rest_boil if rests else np.inf, kitchen.rest_loss)
    n, last = len(watts), (course.ends if evening else course.last)[rows]
    for e in np.unique(last[last > 0]).tolist():
        which = np.flatnonzero(last == e)
        cases = n * len(which)
        air, wind = (
            _plain(np.tile(x[rows[which], : e + 1], (n, 1))) for x in (course.air, course.wind)
        )
        yield (
            which,
            heat_up(
                vessel,
                water,
                course.time[: e + 1],
                watts[:, which, :e].reshape(cases, e, 2),
                Ambient(air, wind, scenario.air.humidity),
                start_temperature=None if isinstance(asked, str) else np.full(cases, asked),
                refill=refill,
                top_ups=top_ups,
                done=(kitchen.done_over, kitchen.done_after),
                rest=rest,
            ),
        )


def _plain(x: Array) -> Array:
    """One number where all are the same: coefficients need no table over it then."""
    return np.asarray(x.flat[0]) if (x == x.flat[0]).all() else x


_KEPT = ("boils", "near", "done", "dry", "highest", "settles", "holds", "boiled_off", "batches")


def _heat(course: Course, watts: Array, rows: Whole, *, refill: bool = False) -> dict[str, Array]:
    """Heat pots and keep what `_KEPT` names, each (n, len(rows)); nan where there is no sun."""
    out = {name: np.full(watts.shape[:2], np.nan) for name in (*_KEPT, "lukewarm")}
    kitchen = course.setup.scenario.kitchen
    for which, heating in heat_course(course, watts, rows, refill=refill):
        for name in _KEPT:
            out[name][:, which] = getattr(heating, name).reshape(len(watts), -1)
        first = slice(0, len(which))  # under the mean watts
        until = (heating.done if kitchen.done_after else heating.boils)[first]
        e = len(heating.time)
        out["lukewarm"][0, which] = [
            lukewarm_share(heating.time, T, air, last)
            for T, air, last in zip(
                heating.temperature[first], course.air[rows[which], :e], until, strict=True
            )
        ]
    return out


def pots_of(course: Course) -> Pots:
    """Heat the pots of a course, and say why those do not boil that never do.

    Parameters
    ----------
    course : Course

    Returns
    -------
    Pots
    """
    rows = np.arange(len(course.start))
    found = _heat(course, nudged(course.absorbed), rows)
    value, se = {}, {}
    for name in ("boils", "near", "done", "highest"):
        value[name], se[name] = from_nudged(found[name])
    never = np.isnan(found["boils"])
    boils = value["boils"]

    until = np.where(never[0], np.minimum(HEATING, course.time[course.last]), boils)
    until = np.maximum(until, 1.0)
    straight = {
        name: mean_until(course.time, np.stack([x[:, :-1], x[:, 1:]], axis=-1), until)
        for name, x in (("dni", course.dni), ("air", course.air))
    }
    straight["diffuse"] = mean_until(course.time, course.diffuse, until)
    mean, error = {}, {}
    for name, x in (("delivered", course.delivered), ("absorbed", course.absorbed)):
        drawn = Estimate.from_replicates(mean_until(course.time, x, until).T)
        mean[name], error[name] = drawn.value, drawn.se

    span = np.diff(course.time)
    counted = np.arange(len(span)) < course.last[:, None]
    lit = 0.5 * (course.up[:, :-1].astype(float) + course.up[:, 1:])
    followed = course.time[course.last]
    sun_share = (lit * counted * span).sum(axis=1) / np.maximum(followed, 1.0)
    dark = course.last == 0
    asked = course.setup.scenario.kitchen.start_temperature
    cold = course.air[:, 0] if isinstance(asked, str) else np.full(len(rows), float(asked))
    return Pots(
        followed=followed,
        sun_share=sun_share,
        delivered=mean["delivered"],
        delivered_se=error["delivered"],
        absorbed=mean["absorbed"],
        absorbed_se=error["absorbed"],
        **straight,
        boils=boils,
        boils_se=se["boils"],
        near=value["near"],
        near_se=se["near"],
        done=value["done"],
        done_se=se["done"],
        dry=found["dry"][0],
        highest=np.where(dark, cold, value["highest"]),
        highest_se=np.where(dark, 0.0, se["highest"]),
        settles=found["settles"][0],
        holds=found["holds"][0],
        boiled_off=np.where(dark, 0.0, found["boiled_off"][0]),
        lukewarm=np.where(dark, np.inf, found["lukewarm"][0]),
        unsure=(never != never[0]).any(axis=0),
        reason=_reasons(course, boils, found["settles"][0], sun_share),
    )


def _reasons(course: Course, boils: Array, settles: Array, sun_share: Array) -> Whole:
    """Reason of each pot, heating those that never boil again under what might have helped."""
    setup = course.setup
    C = len(boils)
    enough = water_at(site_pressure(setup.scenario)).boiling - NEAR_BOIL
    rows = np.flatnonzero(np.isnan(boils) & (sun_share >= 0.5))
    if_clear, best, weak = np.zeros((3, C), dtype=bool)
    light, aim = np.zeros(C), np.zeros(C)
    if len(rows):
        watts = course.absorbed.mean(axis=-1) if course.clear is None else course.clear
        best[rows] = settles[rows] >= enough
        if course.clear is not None:
            clear = _heat(course, watts[None, rows], rows)
            if_clear[rows] = np.isfinite(clear["boils"][0])
            best[rows] = clear["settles"][0] >= enough
        ideal = design_light(setup)
        flat = watts[rows].reshape(len(rows), -1)
        at = np.argmax(flat, axis=1)
        here = np.arange(len(rows))
        leaving = float(ideal.leaving.mean())
        share = float(ideal.met.mean()) / leaving if leaving > 0.0 else 0.0
        if leaving > 0.0 and share > 0.0:
            light[rows] = course.leaving[rows].reshape(flat.shape)[here, at] / leaving
            aim[rows] = course.intercept[rows].reshape(flat.shape)[here, at] / share
        design = float(absorbed(setup, ideal).mean())
        close = flat[here, at] >= CLOSE * design
        weak[rows] = close & (_settling(course, rows, at // 2, design) < enough)
    return why_not(np.isfinite(boils), sun_share, if_clear, best, weak, light, aim)


def _settling(course: Course, rows: Whole, k: Whole, watts: float) -> Array:
    """Where pots settle under steady watts, in the air of their k-th interval. [K]"""
    air, wind = (np.repeat(x[rows, k][:, None], 2, axis=1) for x in (course.air, course.wind))
    steady = replace(
        course,
        start=course.start[rows],
        time=course.time[:2],
        last=np.ones(len(rows), dtype=np.int64),
        ends=np.ones(len(rows), dtype=np.int64),
        air=air,
        wind=wind,
    )
    same = np.full((1, len(rows), 1, 2), watts)
    return np.asarray(_heat(steady, same, np.arange(len(rows)))["settles"][0])


def refilled(course: Course, day: Whole, days: int) -> tuple[Array, Array, Whole]:
    """Potfuls that boil on each day if each is emptied and refilled cold as it boils.

    Parameters
    ----------
    course : Course
    day : ndarray of int, shape (C,)
        Which of the days each pot belongs to, 0 to D − 1; one day has one cooker.
    days : int
        How many days, D.

    Returns
    -------
    batches, batches_se : ndarray, shape (D,)
        From the start that gives most, the last of these if several give as much; with the share
        that the last one's heat is of what it needs.
    which : ndarray of int, shape (D,)
        Index of that pot; −1 where not one potful boils.
    """
    rows = np.arange(len(day))
    mean = course.absorbed.mean(axis=-1)[None]
    found = np.nan_to_num(_heat(course, mean, rows, refill=True)["batches"][0])
    best = np.full(days, -1)
    for k in range(days):
        own = np.flatnonzero(day == k)
        if len(own) and found[own].max() > 0.0:
            best[k] = own[np.flatnonzero(found[own] == found[own].max())[-1]]
    batches, se = np.zeros(days), np.zeros(days)
    some = np.flatnonzero(best >= 0)
    if len(some):
        again = _heat(course, nudged(course.absorbed[best[some]]), best[some], refill=True)
        batches[some], se[some] = from_nudged(again["batches"])
    return batches, se, np.where(batches >= 1.0, best, -1)
