"""Light on the pot at the times of a cook's record, and the temperatures that it would bring."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SettingsError
from raytrace.heat.heating import heat_up
from raytrace.heat.vessel import Ambient, Vessel, vessel_from_scenario
from raytrace.heat.water import Water, site_pressure, water_at
from raytrace.light.absorbed import absorbed, diffuse, direct
from raytrace.light.history import meant_poses, moments, pot_light
from raytrace.light.setup import LightSettings, Setup, set_up
from raytrace.light.turning import habit_of
from raytrace.sky.sun import position, sun_direction
from raytrace.studies.cooking.heating_test import altered
from raytrace.studies.record.checks import PAUSE
from raytrace.studies.record.readings import Record

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Followed",
    "RecordPlan",
    "follow",
    "heat_runs",
    "pair_means",
    "pot_and_water",
    "record_grid",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

STEP = 300  # greatest distance between moments traced [s]
UNIT_DNI = 1000.0  # that light is traced for where the record says how strong the sun was [W/m²]


@dataclass(frozen=True)
class RecordPlan:
    """How well a record is read, and how much is computed.

    Attributes
    ----------
    reading_error : float
        Standard deviation of a reading of the water. [K]
    loss_error : float
        The same of the computed losses, as a share of them, common to all intervals. [1]
    draws : int
        Cookers drawn with the scenario's tolerances, each turned by an operator of its own. [1]
    seed, build : int
        Key of all draws; build of the first.
    beams : int
        A facet, in each of two replicates of each moment of each draw. [1]
    threads : int or None
        Changes no result.
    """

    reading_error: float = 0.5
    loss_error: float = 0.15
    draws: int = 16
    seed: int = 1
    build: int = 0
    beams: int = 2
    threads: int | None = None

    @classmethod
    def of(cls, scenario: Scenario, **changes: Any) -> RecordPlan:
        """Plan with the scenario's seed and build.

        Parameters
        ----------
        scenario : Scenario
        **changes
            Fields that are to be otherwise.

        Returns
        -------
        RecordPlan
        """
        return cls(**({"seed": scenario.trace.seed, "build": scenario.trace.build} | changes))

    def __post_init__(self) -> None:
        if not self.reading_error >= 0.0:
            raise SettingsError("reading_error must be 0 K or more")
        if not 0.0 <= self.loss_error <= 1.0:
            raise SettingsError("loss_error is a share from 0 to 1")
        if self.draws < 2:
            raise SettingsError("draws must be 2 or more: their spread gives the standard errors")

    def settings(self, draw: int) -> LightSettings:
        """Settings of one draw.

        Parameters
        ----------
        draw : int
            0 or more.

        Returns
        -------
        LightSettings
        """
        return LightSettings(
            beams=self.beams,
            replicates=2,
            seed=self.seed,
            build=self.build + draw,
            threads=self.threads,
            draw=draw,
        )


@dataclass(frozen=True, eq=False)
class Followed:
    """Light on the pot through a record: I intervals within which nothing jumps.

    Attributes
    ----------
    begin, end : ndarray of int, shape (I,)
        Seconds since 1970 UTC. [s]
    pair : ndarray of int, shape (I,)
        Reading after which each interval lies. [1]
    turned : ndarray of int, shape (I,)
        When the platform was turned last. [s]
    base, absorbed : ndarray, shape (n, I, 2)
        Watts on the base, and turning to heat in all, at the start and the end of each interval;
        n draws. [W]
    direct, diffuse : ndarray, shape (I, 2)
        Of `absorbed`, what direct sun on the pot, and sky and ground bring. [W]
    on_mirrors : ndarray, shape (I, 2)
        Sunlight that falls on the mirrors, shade apart, of an operator without errors. [W]
    """

    begin: Whole
    end: Whole
    pair: Whole
    turned: Whole
    base: Array
    absorbed: Array
    direct: Array
    diffuse: Array
    on_mirrors: Array

    def means(self, watts: Array, pairs: int) -> Array:
        """Means from each reading to the next.

        Parameters
        ----------
        watts : ndarray, shape (..., M, 2)
            At the ends of each piece, as `absorbed` and the like have them. [W]
        pairs : int
            How many pairs of readings there are.

        Returns
        -------
        ndarray, shape (..., pairs)
            0 between heatings. [W]
        """
        return pair_means(self.begin, self.end, self.pair, watts, pairs)


def pair_means(begin: Whole, end: Whole, pair: Whole, watts: Array, pairs: int) -> Array:
    """Means from each reading to the next, of what is known at the ends of I intervals.

    Parameters
    ----------
    begin, end, pair : ndarray of int, shape (I,)
        As in `Followed`.
    watts : ndarray, shape (..., I, 2)
        [W]
    pairs : int
        How many pairs of readings there are.

    Returns
    -------
    ndarray, shape (..., pairs)
        0 between heatings. [W]
    """
    length = (end - begin).astype(float)
    total = np.zeros((*watts.shape[:-2], pairs))
    for k, (own, span) in enumerate(zip(pair, length, strict=True)):
        total[..., own] += 0.5 * span * watts[..., k, :].sum(axis=-1)
    whole = np.bincount(pair, length, minlength=pairs)
    return np.divide(total, whole, out=np.zeros_like(total), where=whole > 0.0)


def record_grid(
    record: Record, scenario: Scenario, late: int = 0
) -> tuple[Whole, Whole, Whole, Whole]:
    """Intervals of a record within which nothing jumps.

    Parameters
    ----------
    record : Record
    scenario : Scenario
        Its habit counts where the record says of no turning.
    late : int
        How much later than recorded each turning comes, but for the first of a heating. [s]

    Returns
    -------
    begin, end, pair, turned : ndarray of int, shape (I,)
        As in `Followed`.
    """
    habit = habit_of(scenario)
    parts = []
    for which in record.runs:
        time = record.time[which]
        first, last = int(time[0]), int(time[-1])
        if record.turnings is not None:
            turned = record.turnings[(record.turnings > first - PAUSE) & (record.turnings <= last)]
            if not (turned <= first).any():
                turned = np.concatenate([[first], turned])
        elif np.isfinite(habit.every):
            turned = np.arange(first, last + 1, round(habit.every))
        else:
            turned = np.array([first])
        here = turned <= first
        turned = np.concatenate([turned[here][-1:], turned[~here] + late]).astype(np.int64)
        steps = np.arange(first, last, STEP)
        inside = turned[(turned > first) & (turned < last)]
        knots = np.unique(np.concatenate([time, steps, inside]))
        begin, end = knots[:-1], knots[1:]
        force = turned[np.searchsorted(turned, begin, side="right") - 1]
        pair = which[0] + np.searchsorted(time, begin, side="right") - 1
        parts.append((begin, end, pair, force))
    begin, end, pair, force = (np.concatenate(p) for p in zip(*parts, strict=True))
    return begin, end, pair, force


def follow(
    scenario: Scenario,
    record: Record,
    plan: RecordPlan,
    *,
    late: float = 0.0,
    sun: float = 1.0,
    draws: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Followed:
    """Trace the light on the pot at a record's times.

    Parameters
    ----------
    scenario : Scenario
        Where the record states the irradiance, that counts, and no horizon profile.
    record : Record
        Only its times, turnings and irradiance are read.
    plan : RecordPlan
    late : float
        How much later than recorded each turning comes, but for the first of a heating. [s]
    sun : float
        Factor on the irradiance.
    draws : int, optional
        Instead of all that `plan` asks for.
    progress : callable, optional
        Told the share that is done.

    Returns
    -------
    Followed

    Raises
    ------
    GeometryError
        If the platform tilts into a pot on the ground.
    """
    begin, end, pair, turned = record_grid(record, scenario, round(late))
    lit_by = scenario
    at = np.concatenate([begin, end])
    if record.sun:
        lit_by = altered(scenario, site={"horizon": None}, sky={"dni": UNIT_DNI})
    dni, dhi, _ = record.sun_at(scenario, at)
    lead = habit_of(scenario).lead
    n = plan.draws if draws is None else draws
    base, heat = np.empty((2, n, 2 * len(begin)))
    own, sky, on_mirrors = np.empty((3, 2 * len(begin)))
    for k in range(n):
        setup = set_up(lit_by, plan.settings(k))
        both = np.concatenate([turned, turned])
        light = pot_light(setup, both, at, lead=lead).under(sun * dni, sun * dhi)
        base[k] = light.base.mean(axis=1)
        heat[k] = absorbed(setup, light).mean(axis=1)
        if k == 0:
            own[:], sky[:] = direct(setup, light), diffuse(setup, light)
            on_mirrors[:] = light.dni * _area_lit(setup, both, at, lead)
        if progress is not None:
            progress((k + 1) / n)

    def ends(x: Array) -> Array:
        return np.stack(np.split(x, 2, axis=-1), axis=-1)

    return Followed(
        begin, end, pair, turned, *(ends(x) for x in (base, heat, own, sky, on_mirrors))
    )


def _area_lit(setup: Setup, turned: Whole, at: Whole, lead: float) -> Array:
    """Area of all mirrors across the sun's light, at moments after turnings without error. [m²]"""
    facets = setup.cooker.facets
    poses = meant_poses(setup.scenario, turned, lead)
    alpha, gamma = position(setup.scenario.site, moments(at))
    s = poses.to_platform(sun_direction(alpha, gamma))
    return np.asarray(np.maximum(s @ facets.n.T, 0.0) @ facets.area)


def pot_and_water(scenario: Scenario) -> tuple[Vessel, Water]:
    """Pot as filled at the start, and water at the site's pressure.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    Vessel, Water
    """
    return vessel_from_scenario(scenario), water_at(site_pressure(scenario))


def heat_runs(scenario: Scenario, record: Record, followed: Followed) -> Array:
    """Temperatures that the predicted light brings, from the first reading of each heating on.

    Parameters
    ----------
    scenario : Scenario
    record : Record
    followed : Followed
        n draws.

    Returns
    -------
    T : ndarray, shape (n, K)
        At the readings. [K]
    """
    vessel, water = pot_and_water(scenario)
    out = np.empty((len(followed.base), len(record.time)))
    for which in record.runs:
        own = np.isin(followed.pair, which)
        knots = np.append(followed.begin[own], followed.end[own][-1])
        air, wind = record.air_at(scenario, knots)
        heating = heat_up(
            vessel,
            water,
            (knots - knots[0]).astype(float),
            followed.absorbed[:, own],
            Ambient(air[None], wind[None], scenario.air.humidity),
            start_temperature=np.full(len(out), min(record.water[which[0]], water.boiling)),
        )
        out[:, which] = heating.temperature[:, np.searchsorted(knots, record.time[which])]
    return out
