"""What pots get from the moment they are put on: light step by step, and the air round them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SkyError
from raytrace.light.absorbed import absorbed, diffuse
from raytrace.light.history import Pairs, PotLight, moments, pot_light
from raytrace.light.setup import Setup
from raytrace.light.turning import Habit, knots
from raytrace.scenario.use_sections import USUAL_AIR
from raytrace.sky.sun import scenario_weather, sun_at
from raytrace.sky.weather import row_of, wind_at_height

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Course", "air_at", "courses"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

UNIT_DNI = 1000.0  # that light is traced for where weather scales it afterwards [W/m²]


@dataclass(frozen=True, eq=False)
class Course:
    """What C pots get, from when each is put on until the sun sets: K moments, r replicates.

    Attributes
    ----------
    setup : Setup
    habit : Habit
    start : ndarray of int, shape (C,)
        When each is put on, seconds since 1970 UTC. [s]
    time : ndarray, shape (K,)
        Moments since the start, the same for all. [s]
    last : ndarray of int, shape (C,)
        Index of the last moment with sun; 0 where the sun is down until the day ends. [1]
    ends : ndarray of int, shape (C,)
        Index of the last moment that is followed: `last`, or the day's end. [1]
    delivered, absorbed : ndarray, shape (C, K − 1, 2, r)
        Watts on the base, and turning to heat in the pot, light of sun, sky and ground included,
        at the start and the end of each interval; 0 after the last. [W]
    diffuse : ndarray, shape (C, K − 1, 2)
        Of `absorbed`, what sky and ground bring. [W]
    leaving : ndarray, shape (C, K − 1, 2)
        Light that leaves the mirrors unblocked; of a clear sky where the scenario has weather. [W]
    intercept : ndarray, shape (C, K − 1, 2)
        Share of it that arrives on the pot; 0 where there is none. [1]
    clear : ndarray, shape (C, K − 1, 2), or None
        `absorbed` under a clear sky, mean of the replicates; None where the sky is not a
        weather file's. [W]
    alpha, gamma : ndarray, shape (C, K)
        Sun's altitude, and azimuth clockwise from north. [rad]
    dni, dhi : ndarray, shape (C, K)
        Direct normal irradiance; diffuse irradiance on the level. [W/m²]
    up : ndarray of bool, shape (C, K)
        Whether the sun is above the horizon profile.
    air, wind : ndarray, shape (C, K)
        Temperature [K], and speed at the pot [m/s].
    """

    setup: Setup
    habit: Habit
    start: Whole
    time: Array
    last: Whole
    ends: Whole
    delivered: Array
    absorbed: Array
    diffuse: Array
    leaving: Array
    intercept: Array
    clear: Array | None
    alpha: Array
    gamma: Array
    dni: Array
    dhi: Array
    up: NDArray[np.bool_]
    air: Array
    wind: Array

    @property
    def at(self) -> Whole:
        """Moments, seconds since 1970 UTC, shape (C, K). [s]"""
        return self.start[:, None] + np.round(self.time).astype(np.int64)

    @property
    def turned(self) -> Array:
        """When the platform was turned last in each interval, since the start, (K − 1,). [s]"""
        return self.habit.turned(self.time[:-1])


def courses(
    setup: Setup,
    habit: Habit,
    start: Whole,
    end: Whole,
    *,
    step: float,
    evening: bool = False,
    tracer: Callable[[Pairs], PotLight] | None = None,
) -> Course:
    """Trace the light on pots from when each is put on until the sun sets.

    Parameters
    ----------
    setup : Setup
    habit : Habit
    start, end : ndarray of int, shape (C,)
        When each is put on and the cooker first turned, and when it is given up if the sun has
        not set before; seconds since 1970 UTC. [s]
    step : float
        Greatest distance between moments. [s]
    evening : bool
        Whether pots are followed until the end although the sun has set, in the dark.
    tracer : callable, optional
        As in `raytrace.light.history.pot_light`.

    Returns
    -------
    Course
        A pot put on before sunrise waits for the sun.
    """
    scenario = setup.scenario
    plan = knots(habit, float(np.max(end - start, initial=0)), step)
    rel, turned = (np.round(x).astype(np.int64) for x in (plan.time, plan.turned))
    at = start[:, None] + rel
    moment, which = np.unique(np.minimum(at, end[:, None]), return_inverse=True)
    which = which.reshape(at.shape)
    # the weather's clouds come in afterwards, so that a clear sky needs no further tracing
    weather = scenario.sky.dni == "weather file"
    lit_by = _with_dni(scenario, UNIT_DNI) if weather else scenario
    sun = sun_at(lit_by, moments(moment))
    sky = sun_at(scenario, moments(moment)) if weather else sun

    above = sun.alpha[which] > 0.0
    sets = above[:, :-1] & ~above[:, 1:]
    whole = (at <= end[:, None]).sum(axis=1) - 1
    last = np.where(sets.any(axis=1), np.minimum(np.argmax(sets, axis=1) + 1, whole), whole)
    last[~(above & (np.arange(len(rel)) <= last[:, None])).any(axis=1)] = 0
    followed = np.where(last > 0, whole, 0) if evening else last
    K = max(int(followed.max(initial=0)), 1) + 1
    at, which, rel, turned = at[:, :K], which[:, :K], rel[:K], turned[: K - 1]

    counts = np.arange(K - 1) < last[:, None]
    turnings = (start[:, None] + turned)[counts]
    light = pot_light(
        replace(setup, scenario=lit_by),
        np.concatenate([turnings, turnings]),
        np.concatenate([at[:, :-1][counts], at[:, 1:][counts]]),
        lead=habit.lead,
        tracer=tracer,
    )

    def both_ends(x: Array) -> Array:
        out = np.zeros((*counts.shape, 2, *x.shape[1:]))
        out[counts, 0], out[counts, 1] = np.split(x, 2)
        return out

    def ends(x: Array) -> Array:
        return np.concatenate([x[which[:, :-1]][counts], x[which[:, 1:]][counts]])

    share = light.met.mean(axis=1), light.leaving.mean(axis=1)
    bright, clear = light, None
    if weather:
        cloudless = sun_at(_with_dni(scenario, "clear sky"), moments(moment))
        bright = light.under(ends(cloudless.dni), ends(cloudless.dhi))
        light = light.under(ends(sky.dni), ends(sky.dhi))
        clear = both_ends(absorbed(setup, bright).mean(axis=1))
    air, wind = air_at(scenario, moment)
    return Course(
        setup=setup,
        habit=habit,
        start=start,
        time=plan.time[:K],
        last=last,
        ends=followed,
        delivered=both_ends(light.base),
        absorbed=both_ends(absorbed(setup, light)),
        diffuse=both_ends(diffuse(setup, light)),
        leaving=both_ends(bright.leaving.mean(axis=1)),
        intercept=both_ends(np.divide(*share, out=np.zeros(len(light)), where=share[1] > 0.0)),
        clear=clear,
        alpha=sun.alpha[which],
        gamma=sun.gamma[which],
        dni=sky.dni[which],
        dhi=sky.dhi[which],
        up=sun.dni[which] > 0.0,
        air=air[which],
        wind=wind[which],
    )


def _with_dni(scenario: Scenario, dni: float | str) -> Scenario:
    return scenario.model_copy(update={"sky": scenario.sky.model_copy(update={"dni": dni})})


def air_at(scenario: Scenario, at: Whole) -> tuple[Array, Array]:
    """Air temperature, and wind at the pot, at moments.

    Parameters
    ----------
    scenario : Scenario
        What its section `air` states holds always; the rest comes from the weather file, the
        wind brought from 10 m down to the middle of the pot; else 25 °C and 1 m/s.
    at : ndarray of int, shape (N,)
        Seconds since 1970 UTC. [s]

    Returns
    -------
    temperature : ndarray, shape (N,)
        [K]
    wind : ndarray, shape (N,)
        [m/s]

    Raises
    ------
    SkyError
        If the weather file lacks what the scenario leaves out, at one of the moments.
    """
    air, pot = scenario.air, scenario.pot
    stated = {"temperature": air.temperature, "wind": air.wind}
    columns = {"temperature": "air_temperature", "wind": "wind_speed"}
    out = {}
    weather = row = None
    for name, value in stated.items():
        if value is not None or scenario.sky.dni != "weather file":
            out[name] = np.full(len(at), USUAL_AIR[name] if value is None else float(value))
            continue
        if weather is None:
            weather = scenario_weather(scenario)
            row = row_of(weather, moments(at))
        x = np.asarray(weather[columns[name]], dtype=float)[row]
        if np.isnan(x).any():
            when = moments(at)[int(np.argmax(np.isnan(x)))].tz_convert(scenario.site.timezone)
            raise SkyError(
                f"weather file {weather.attrs['name']} has no {columns[name].replace('_', ' ')} "
                f"for {when:%Y-%m-%d %H:%M}: state air.{name} in the scenario"
            )
        out[name] = x
        if name == "wind":
            height = max(pot.base_height + 0.5 * pot.height, 0.05)
            out[name] = wind_at_height(x, height=height, roughness=air.roughness)
    return out["temperature"], out["wind"]
