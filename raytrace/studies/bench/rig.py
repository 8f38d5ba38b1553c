"""What the laser rig does to a cooker: a wrong angle, a near stand, beams off the facets' centres.

Only the rig errs here: facets are set without any other error, the pot stands in its place and
the platform is turned right.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import direction, spots
from raytrace.cooker.geometry import Cooker, build_cooker, set_exactly
from raytrace.cooker.tolerances import (
    Builds,
    Rig,
    Tolerances,
    draw_builds,
    tolerances_from_scenario,
)
from raytrace.exceptions import SettingsError, SkyError
from raytrace.light.drawn import likely_power
from raytrace.light.ensemble import no_light
from raytrace.light.placed import placed_singly
from raytrace.light.setup import scenario_sunshape, stand
from raytrace.optics.tally import LINES
from raytrace.sky.sun import DAY_STEP, day_times, sun_at
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.likely import Likely
from raytrace.statistics.quantiles import spread_error
from raytrace.store.work import Progress, shares, work
from raytrace.studies.bench.design_light import DesignSun, StillLight, still_light
from raytrace.studies.bench.spot_geometry import PLANES, spots_on_plane

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd

    from raytrace.scenario.schema import Scenario

__all__ = [
    "BiasCurve",
    "HitCurve",
    "RigDay",
    "RigPlan",
    "RigStudy",
    "StandStudy",
    "corrected_marks",
    "effective_shift",
    "rig",
    "set_with",
    "trapezoid_weights",
]

Array = NDArray[np.float64]
BASE = LINES.index("base")

MOST_BIAS = np.radians(2.0)  # that the curves reach at least
BIAS_STEPS = 9
HIT_STEPS = 6


@dataclass(frozen=True, eq=False)
class BiasCurve:
    """Delivered watts at the design sun against the laser's bias.

    Attributes
    ----------
    bias : ndarray, shape (K,)
        How far the laser stands too high, or too far clockwise. [rad]
    altitude, azimuth : Estimate, shape (K,)
        With that bias in altitude, in azimuth. [W]
    """

    bias: Array
    altitude: Estimate
    azimuth: Estimate

    DIMS: ClassVar = {"K": "bias"}


@dataclass(frozen=True, eq=False)
class RigDay:
    """A day of the cooker set right, and of the same set with the rig.

    Attributes
    ----------
    time : DatetimeIndex, length T
    sun_altitude : ndarray, shape (T,)
        Above the horizon. [rad]
    dni : ndarray, shape (T,)
        Direct normal irradiance. [W/m²]
    right, rigged : Estimate, shape (T,)
        Delivered when set right, and with the rig. [W]
    energy_right, energy_rigged, energy_lost : Estimate
        From the first step to the last, by the trapezoidal rule. [J]
    """

    time: pd.DatetimeIndex
    sun_altitude: Array
    dni: Array
    right: Estimate
    rigged: Estimate
    energy_right: Estimate
    energy_rigged: Estimate
    energy_lost: Estimate

    DIMS: ClassVar = {"T": "time"}


@dataclass(frozen=True, eq=False)
class StandStudy:
    """A laser swivelled on one stand, instead of one slid from facet to facet.

    Attributes
    ----------
    distance : float
        Of the stand from the facets' middle. [m]
    off : ndarray, shape (F, 2)
        Where the design sun's light then lands, from its aim, on the base's plane; along x and y.
        [m]
    mark : ndarray, shape (F, A)
        Where each facet's spot has to be put instead, on the target plane from the base's centre;
        nan where the beam does not reach it. [m]
    same_mark, own_marks : Estimate
        Delivered when all spots are put on the aim, and each on its own mark. [W]
    lost : Estimate
        By using the aim as the mark of all, against a slid laser. [W]
    """

    distance: float
    off: Array
    mark: Array
    same_mark: Estimate
    own_marks: Estimate
    lost: Estimate

    DIMS: ClassVar = {"F": "facet", "A": "axis"}
    SHOWN: ClassVar = {"distance": "m"}
    ALSO: ClassVar = ("off_one_mark",)

    @property
    def off_one_mark(self) -> Array:
        """How far that light lands from its aim with one mark for all, shape (F,). [m]"""
        return np.asarray(np.linalg.norm(self.off, axis=1))


@dataclass(frozen=True, eq=False)
class HitCurve:
    """What hitting facets off their centres costs.

    Attributes
    ----------
    hit : ndarray, shape (L,)
        σ per axis across the beam. [m]
    delivered : Estimate, shape (L,)
        Mean over builds; its error is that of the tracing. [W]
    spread, spread_se : ndarray, shape (L,)
        Standard deviation over builds, and its standard error. [W]
    miss : ndarray, shape (L,)
        rms distance of the design sun's spots from their aim, on the base's plane. [m]
    n_builds : int
        [1]
    """

    hit: Array
    delivered: Estimate
    spread: Array
    spread_se: Array
    miss: Array
    n_builds: int

    DIMS: ClassVar = {"L": "hit"}


@dataclass(frozen=True)
class RigPlan:
    """Which day and which hits, and how much to compute.

    Attributes
    ----------
    plane : str or None
        Target of the corrected marks, "base" or "upright"; None for the scenario's
        `errors.miss_plane`.
    day : date, str or None
        To trace; None for the scenario's design date, or the March equinox of 2026.
    step : float
        Between the moments of that day. [s]
    most_hit : float
        Greatest σ of the hits off the centre. [m]
    hit_builds : int
        Draws of those hits. [1]
    seed, beams, replicates : int
        Of the samples; beams a facet and replicate.
    draws : int
        Draws of all that isn't known, of building and of use, for what may be expected; 0 for
        none. [1]
    """

    plane: str | None = None
    day: dt.date | str | None = None
    step: float = DAY_STEP
    most_hit: float = 20e-3
    hit_builds: int = 32
    seed: int = 1
    beams: int = 8
    replicates: int = 16
    draws: int = 0


@dataclass(frozen=True, eq=False)
class RigStudy:
    """What one laser rig does to the cooker that is set with it; F facets.

    Attributes
    ----------
    scenario : Scenario
    plan : RigPlan
    rig : Rig
        As stated, its hits off the centre left out.
    plane : str
        Of the corrected marks.
    light : DesignSun
    shift : ndarray, shape (2,)
        Altitude and azimuth from the design sun to the sun that the cooker is really set for.
        [rad]
    off : ndarray, shape (F, 2)
        Where the design sun's light lands with that rig, from its aim, on the base's plane. [m]
    rms_off, rms_left : float
        rms of `off`, and what is left of it when the sun stands where `shift` says. [m]
    right, rigged, lost, at_shift : Estimate
        Delivered at the design sun when set right, with the rig, the difference; and with the rig
        when the sun stands where `shift` says. [W]
    bias : BiasCurve
    day : RigDay
    stand : StandStudy
    hit : HitCurve
    expected : Likely or None
        Of a cooker set with that rig, built and used as the scenario says. [W]
    """

    scenario: Scenario
    plan: RigPlan
    rig: Rig
    plane: str
    light: DesignSun
    shift: Array
    off: Array
    rms_off: float
    rms_left: float
    right: Estimate
    rigged: Estimate
    lost: Estimate
    at_shift: Estimate
    bias: BiasCurve
    day: RigDay
    stand: StandStudy
    hit: HitCurve
    expected: Likely | None = None

    DIMS: ClassVar = {"F": "facet"}
    COORDS: ClassVar = {"facet": "labels", "axis": "plane_axes", "time": "times"}
    ALSO: ClassVar = ("labels",)

    @cached_property
    def cooker(self) -> Cooker:
        """As designed."""
        return set_exactly(build_cooker(self.scenario), by_laser=True)

    @property
    def labels(self) -> tuple[str, ...]:
        """Names of the facets."""
        return self.cooker.facets.label

    @property
    def plane_axes(self) -> tuple[str, ...]:
        """Platform axes that marks are given along."""
        return tuple(PLANES[self.plane])

    @property
    def times(self) -> NDArray[np.datetime64]:
        """Moments of the day in UTC."""
        return np.asarray(self.day.time.tz_convert("UTC").tz_localize(None).values)


def set_with(cooker: Cooker, rig: Rig, *, seed: int = 1, builds: Any = 0) -> Builds:
    """Set a cooker's facets with a laser rig and without any other error.

    Parameters
    ----------
    cooker : Cooker
    rig : Rig
    seed, builds
        As of `raytrace.cooker.tolerances.draw_builds`.

    Returns
    -------
    Builds
    """
    return draw_builds(cooker, Tolerances(rig=rig), seed=seed, builds=builds)


def corrected_marks(cooker: Cooker, distance: float, plane: str = "base") -> Array:
    """Marks that make up for a swivelled laser's standing near.

    Parameters
    ----------
    cooker : Cooker
        As designed.
    distance : float
        Of the stand from the facets' middle, along the design sun's direction. [m]
    plane : str
        "base" or "upright".

    Returns
    -------
    mark : ndarray, shape (F, 2)
        Where the spot of each exactly set facet lies, from the base's centre; nan where the
        beam does not reach the plane. [m]
    """
    return spots_on_plane(cooker, Rig(kind="point", distance=distance), plane)


def _off(cooker: Cooker, c: Array, n: Array, shift: Array) -> Array:
    """Where the design sun, moved by (altitude, azimuth), lands from the aim, base's plane."""
    s = cooker.design_sun
    if shift.any():
        alpha = np.arcsin(np.clip(s[:, 2], -1.0, 1.0)) + shift[0]
        s = direction(alpha, np.arctan2(s[:, 0], s[:, 1]) + shift[1])
    landed = spots(c, n, s, cooker.pot.base, cooker.pot.axis, mirror=cooker.mirror)
    return np.asarray((landed - cooker.aim)[:, :2])


def effective_shift(cooker: Cooker, c: Array, n: Array) -> tuple[Array, float]:
    """Sun that a cooker is really set for: the one that brings its spots nearest to their aims.

    Parameters
    ----------
    cooker : Cooker
        As designed.
    c, n : ndarray, shape (F, 3)
        Centres and normals as they are. [m]

    Returns
    -------
    shift : ndarray, shape (2,)
        Altitude and azimuth (clockwise) from each facet's design sun, the same for all. [rad]
    left : float
        rms distance of the spots from their aims that no sun takes away. [m]

    Notes
    -----
    Least squares over the facets that are present, weighted by their area.
    """
    from scipy.optimize import least_squares

    area = cooker.facets.area
    weight = np.sqrt(area / area.sum())[:, None]

    def residuals(shift: Array) -> Array:
        return np.asarray((weight * _off(cooker, c, n, shift)).ravel())

    # lengths of a metre or so, angles of a few hundredths: no scaling is needed
    found = least_squares(residuals, np.zeros(2), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    return np.asarray(found.x), float(np.sqrt((found.fun**2).sum()))


def _rms(cooker: Cooker, off: Array) -> float:
    area = cooker.facets.area
    return float(np.sqrt((area @ (off**2).sum(axis=1)) / area.sum()))


def rig(
    scenario: Scenario,
    plan: RigPlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> RigStudy:
    """Study what the laser rig does to the cooker that is set with it.

    Parameters
    ----------
    scenario : Scenario
        Its `errors.rig` is the rig.
    plan : RigPlan, optional
        By default with the scenario's seed.
    path : path, optional
        Results file (.h5) to write.
    overwrite : bool
        Compute again, whatever of this program's is there.
    progress : callable, optional
        Called with how much is done, and of how much.
    threads : int, optional
        Changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    RigStudy

    Raises
    ------
    SettingsError
        If the greatest hit is not positive, or the plane unknown.
    GeometryError
        If the rig can't set some facet, or nothing reaches the pot.
    SkyError
        If the sun doesn't rise on that day.
    StoreError
        If the path holds another study, or can't be written.
    """
    plan = RigPlan(seed=scenario.trace.seed) if plan is None else plan
    with work("rig", [scenario], plan, path, overwrite=overwrite, in_parts=False) as kept:
        if kept.result is None:
            kept.finish(_rig(scenario, plan, threads, shares(progress)), command=command)
        return cast("RigStudy", kept.result)


def _rig(
    scenario: Scenario, plan: RigPlan, threads: int | None, progress: Callable[[float], None]
) -> RigStudy:
    if not plan.most_hit > 0.0:
        raise SettingsError("the greatest hit off the centre must be more than 0 mm")
    cooker = set_exactly(build_cooker(scenario), by_laser=True)
    rig = replace(tolerances_from_scenario(scenario).rig, hit=0.0)
    plane = plan.plane or scenario.errors.miss_plane
    light = still_light(scenario, cooker)
    options: dict[str, Any] = {
        "beams_per_facet": plan.beams,
        "replicates": plan.replicates,
        "seed": plan.seed,
        "threads": threads,
    }
    distance = rig.distance
    near = Rig(kind="point", distance=distance)
    rigs = [Rig(), rig, near, replace(near, corrected_marks=True)]
    built = _stack([set_with(cooker, r) for r in rigs])
    watts = light.trace(cooker, built, **options).power[:, :, BASE]
    if not watts[0].any():
        raise no_light(scenario, "no laser can cost it anything")
    c = built.mount + cooker.facets.mount_radius[:, None] * built.n
    shift, left = effective_shift(cooker, c[1], built.n[1])
    off = [_off(cooker, c[k], built.n[k], np.zeros(2)) for k in range(len(rigs))]
    progress(0.15)
    return RigStudy(
        scenario=scenario,
        plan=plan,
        rig=rig,
        plane=plane,
        light=light.design,
        shift=shift,
        off=off[1],
        rms_off=_rms(cooker, off[1]),
        rms_left=left,
        right=Estimate.from_replicates(watts[0]),
        rigged=Estimate.from_replicates(watts[1]),
        lost=Estimate.from_replicates(watts[0] - watts[1]),
        at_shift=_shifted(cooker, light, built[1:2], shift, options),
        bias=_bias_curve(cooker, light, rig, options),
        day=_day(scenario, cooker, built[:2], plan, options, progress),
        stand=StandStudy(
            distance=distance,
            off=off[2],
            mark=corrected_marks(cooker, distance, plane),
            same_mark=Estimate.from_replicates(watts[2]),
            own_marks=Estimate.from_replicates(watts[3]),
            lost=Estimate.from_replicates(watts[0] - watts[2]),
        ),
        hit=_hit_curve(cooker, light, plan, options),
        expected=likely_power(scenario, plan.draws, seed=plan.seed, threads=threads)
        if plan.draws
        else None,
    )


def _stack(parts: list[Builds]) -> Builds:
    return Builds(
        *(np.concatenate([getattr(p, x) for p in parts]) for x in ("mount", "n", "u", "v", "base"))
    )


def _shifted(
    cooker: Cooker, light: StillLight, built: Builds, shift: Array, options: dict[str, Any]
) -> Estimate:
    """Watts when the sun, as the platform sees it, stands where the cooker is really set for."""
    s = light.placed.suns[0]
    alpha = np.arcsin(np.clip(s[2], -1.0, 1.0)) + shift[0]
    sun = direction(alpha, np.arctan2(s[0], s[1]) + shift[1])
    there = replace(light, placed=replace(light.placed, suns=sun[None]))
    return there.trace(cooker, built, **options).delivered[0]


def _bias_curve(cooker: Cooker, light: StillLight, rig: Rig, options: dict[str, Any]) -> BiasCurve:
    most = max(MOST_BIAS, 1.5 * abs(rig.altitude_bias), 1.5 * abs(rig.azimuth_bias))
    bias = np.linspace(-most, most, BIAS_STEPS)
    plain = replace(rig, altitude_bias=0.0, azimuth_bias=0.0)
    built = [set_with(cooker, replace(plain, altitude_bias=float(b))) for b in bias]
    built += [set_with(cooker, replace(plain, azimuth_bias=float(b))) for b in bias]
    watts = light.trace(cooker, _stack(built), **options).delivered
    return BiasCurve(bias, watts[:BIAS_STEPS], watts[BIAS_STEPS:])


def _day(
    scenario: Scenario,
    cooker: Cooker,
    built: Builds,
    plan: RigPlan,
    options: dict[str, Any],
    progress: Callable[[float], None],
) -> RigDay:
    day = plan.day or scenario.design.date or "2026-03-20"
    times = day_times(scenario, day, plan.step)
    if not len(times):
        raise SkyError(f"{day}: the sun does not rise at {scenario.site.name} on that day")
    sun = sun_at(scenario, times)
    seen = placed_singly(cooker, sun.direction, stand(scenario, sun.alpha, sun.gamma))
    T = len(times)
    cases = seen[np.repeat(np.arange(T), 2)].trace(
        cooker,
        scenario_sunshape(scenario, float(sun.radius[0])),
        dni=np.repeat(sun.dni, 2),
        builds=built,
        build=np.tile([0, 1], T),
        **options,
    )
    progress(0.6)
    watts = cases.power[:, :, BASE].reshape(T, 2, -1)
    seconds = np.array([t.timestamp() for t in times])
    energy = np.tensordot(trapezoid_weights(seconds), watts, axes=1)
    return RigDay(
        time=times,
        sun_altitude=sun.alpha,
        dni=sun.dni,
        right=Estimate.from_replicates(watts[:, 0].T),
        rigged=Estimate.from_replicates(watts[:, 1].T),
        energy_right=Estimate.from_replicates(energy[0]),
        energy_rigged=Estimate.from_replicates(energy[1]),
        energy_lost=Estimate.from_replicates(energy[0] - energy[1]),
    )


def trapezoid_weights(x: Array) -> Array:
    """Weights of values at places x in their integral by the trapezoidal rule.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Rising.

    Returns
    -------
    ndarray, shape (n,)
        In the unit of x.

    Examples
    --------
    >>> trapezoid_weights(np.array([0.0, 1.0, 3.0])).tolist()
    [0.5, 1.5, 1.0]
    """
    half = 0.5 * np.diff(x)
    return np.asarray(np.append(half, 0.0) + np.insert(half, 0, 0.0))


def _hit_curve(
    cooker: Cooker, light: StillLight, plan: RigPlan, options: dict[str, Any]
) -> HitCurve:
    hit, count = np.linspace(0.0, plan.most_hit, HIT_STEPS), plan.hit_builds
    # a slid laser without bias: what the hits alone cost
    drawn = [
        set_with(cooker, Rig(hit=float(h)), seed=plan.seed, builds=np.arange(count)) for h in hit
    ]
    cheap = {**options, "beams_per_facet": max(options["beams_per_facet"] // 4, 1)}
    watts = light.trace(cooker, _stack(drawn), **cheap).power[:, :, BASE]
    watts = watts.reshape(len(hit), count, -1)
    radius = cooker.facets.mount_radius[:, None]
    miss = [
        np.sqrt(
            np.mean(
                [
                    _rms(cooker, _off(cooker, d.mount[k] + radius * d.n[k], d.n[k], np.zeros(2)))
                    ** 2
                    for k in range(count)
                ]
            )
        )
        for d in drawn
    ]
    return HitCurve(
        hit=hit,
        delivered=Estimate.from_replicates(watts.mean(axis=1).T),
        spread=watts.mean(axis=2).std(axis=1, ddof=1),
        spread_se=spread_error(watts.mean(axis=2)),
        miss=np.array(miss),
        n_builds=count,
    )
