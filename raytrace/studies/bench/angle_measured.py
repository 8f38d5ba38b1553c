"""The laser's angle by plumb line and tape: how well it is known, what it costs, what to do.

A proof is a drop and a run: a plumb line hangs from a point of the beam, and on the level floor
lie the mark under its bob and the mark where the beam meets it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.tolerances import (
    Tolerances,
    draw_builds,
    laser_stand,
    tolerances_from_scenario,
)
from raytrace.exceptions import SettingsError
from raytrace.light.ensemble import Ensemble, design_ensemble, no_light
from raytrace.light.setup import design_tilt
from raytrace.optics.tally import BASE
from raytrace.statistics.likely import LEVEL
from raytrace.studies.bench.worth import HOUR, Judged, weigh, worth_of

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.cooker.geometry import Cooker
    from raytrace.scenario.schema import Scenario

__all__ = [
    "READING",
    "Angle",
    "AngleFound",
    "Cost",
    "FoundAltitude",
    "Proof",
    "SetForSun",
    "angle_found",
    "angle_of",
]

Array = NDArray[np.float64]

READING = 2e-3  # standard error of a length by tape, plumb line and marks; common practice, no
# source [m]
# That figure is itself known to a quarter: so many degrees of freedom, GUM G.4.2.
FREEDOM = 8.0
RETILT = 600.0  # work of tilting the laser in its clamp and proving it again; common practice, no
# source [s]
UNLIKE = 0.01  # chance of readings that differ so much, below which they are said to
LOWEST, STEEPEST = np.radians(1.0), np.radians(90.0)  # as design.sun_altitude may be
SAME = 1e-9  # altitudes that differ by less are one [rad]
DRAWS = 32  # of the angle, within its doubt
PAIRS = 16  # of cookers built alike, each met by the same light in every draw


@dataclass(frozen=True)
class Proof:
    """Lengths that prove a beam's angle once.

    Attributes
    ----------
    drop : float
        Along the plumb line, from the beam down to the level of the marks. [m]
    run : float
        On that level, from under the plumb line to where the beam meets it. [m]
    aside : float or None
        How far the mark under the plumb line lies to the platform's right of a line through the
        beam's mark along the arrow to the sun; None where that wasn't measured. [m]
    slope : float or None
        Along the beam, as a check. [m]
    at : str
        Facet that the beam was held on, which tells for a swivelled laser; empty for their
        middle.

    Raises
    ------
    SettingsError
        If no beam has such lengths.
    """

    drop: float
    run: float
    aside: float | None = None
    slope: float | None = None
    at: str = ""

    def __post_init__(self) -> None:
        lengths = [x for x in (self.drop, self.run, self.aside, self.slope) if x is not None]
        if not all(map(math.isfinite, lengths)):
            raise SettingsError("drop, run and the others must be finite lengths")
        if self.drop <= 0.0:
            raise SettingsError("the drop must be more than 0: hang the plumb line from the beam")
        if self.run < 0.0:
            raise SettingsError("the run must be 0 or more")
        if self.aside is not None and abs(self.aside) >= self.run:
            raise SettingsError(
                "what the mark lies aside must be less than the run, of which it is a part"
            )
        if self.slope is not None and self.slope <= 0.0:
            raise SettingsError("the slope must be more than 0")

    @property
    def altitude(self) -> float:
        """Of the beam over the level. [rad]"""
        return math.atan2(self.drop, self.run)

    def altitude_error(self, reading: float) -> float:
        """Standard error of the altitude. [rad]

        Parameters
        ----------
        reading : float
            Standard error of drop and of run. [m]

        Returns
        -------
        float

        Notes
        -----
        First order [1]_: tan α = d / r, so u² = (r² u_d² + d² u_r²) / (d² + r²)², which for equal
        errors is the error of a length over the sloping length.

        References
        ----------
        .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1.2.
        """
        return reading / math.hypot(self.drop, self.run)

    @property
    def azimuth(self) -> float:
        """Clockwise from the arrow to the sun, seen from above; nan where not measured. [rad]"""
        return math.nan if self.aside is None else math.asin(self.aside / self.run)

    def azimuth_error(self, reading: float) -> float:
        """Standard error of the azimuth, to first order. [rad]

        Parameters
        ----------
        reading : float
            Standard error of run and of what lies aside. [m]

        Returns
        -------
        float
        """
        if self.aside is None:
            return math.nan
        along = math.sqrt(self.run**2 - self.aside**2)
        return reading * math.hypot(1.0, self.aside / self.run) / along

    @property
    def too_long(self) -> float:
        """By how much the slope is longer than drop and run have it; nan where unmeasured. [m]"""
        return math.nan if self.slope is None else self.slope - math.hypot(self.drop, self.run)


@dataclass(frozen=True)
class Angle:
    """An angle from one proof or several.

    Attributes
    ----------
    value : float
        [rad]
    scale : float
        Of the Student's t about it that holds what is known of the angle. [rad]
    freedom : float
        Degrees of freedom of that. [1]
    proofs : int
        [1]
    alike : float
        Chance that proofs differ as much as these, or more, by their readings' errors alone. [1]
    """

    value: float
    scale: float
    freedom: float
    proofs: int
    alike: float

    @property
    def half(self) -> float:
        """Half of the 95 % interval. [rad]"""
        from scipy.stats import t

        return float(t.isf(0.5 - 0.5 * LEVEL, self.freedom)) * self.scale

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval. [rad]"""
        return self.value - self.half

    @property
    def high(self) -> float:
        """Upper end of it. [rad]"""
        return self.value + self.half

    @property
    def unlike(self) -> bool:
        """Whether proofs differ more than readings explain: a slide that sags, or a slip."""
        return self.alike < UNLIKE

    def at(self, chance: Array) -> Array:
        """Angles that the true one stays under with these chances.

        Parameters
        ----------
        chance : ndarray

        Returns
        -------
        ndarray, shape of chance
            [rad]
        """
        from scipy.stats import t

        return np.asarray(self.value + self.scale * t.ppf(chance, self.freedom))


def angle_of(values: Sequence[float], errors: Sequence[float]) -> Angle:
    """Put proofs of one angle together.

    Parameters
    ----------
    values, errors : sequence of float
        Angles, and their standard errors by the readings. [rad]

    Returns
    -------
    Angle

    Notes
    -----
    The mean weighted by 1 / u². The readings' stated error is known to a quarter, which is worth
    ν₀ = 8 degrees of freedom [1]_; n proofs add n − 1 by their scatter χ². What is then known of
    the angle is a Student's t with ν = ν₀ + n − 1 degrees of freedom and a scale whose square is
    (ν₀ + χ²) / ν / Σ (1 / u²): the posterior of a normal mean under the scaled inverse-χ² prior
    [2]_. What all proofs have in common, such as a worn tape's end, it can't see.

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, G.4.2, equation
       G.3.
    .. [2] A. Gelman et al., Bayesian data analysis, 3rd ed., Chapman & Hall/CRC 2013, section 3.3.

    Examples
    --------
    >>> one = angle_of([0.8], [2e-3])
    >>> one.value, one.scale, one.freedom
    (0.8, 0.002, 8.0)
    """
    from scipy.stats import f

    x, weight = np.asarray(values), np.asarray(errors) ** -2.0
    value = float(weight @ x / weight.sum())
    chi2, more = float(weight @ (x - value) ** 2), len(x) - 1
    freedom = FREEDOM + more
    scale = math.sqrt((FREEDOM + chi2) / freedom / weight.sum())
    alike = float(f.sf(chi2 / more, more, FREEDOM)) if more else 1.0
    return Angle(value, scale, freedom, len(x), alike)


@dataclass(frozen=True)
class FoundAltitude:
    """An altitude that facets were meant to be set for, and the one that was found.

    Attributes
    ----------
    planned : float
        [rad]
    angle : Angle
    facets : int
        How many are set for it. [1]
    keys : tuple of str
        Of the scenario that hold it.
    """

    planned: float
    angle: Angle
    facets: int
    keys: tuple[str, ...]


@dataclass(frozen=True)
class Cost:
    """Watts that a wrong angle costs, its own doubt held in.

    Attributes
    ----------
    mean : float
        Over the angles that may be. [W]
    sd : float
        Their standard deviation, and the error of the computation. [W]
    low, high : float
        95 % interval. [W]
    """

    mean: float
    sd: float
    low: float
    high: float


@dataclass(frozen=True)
class SetForSun:
    """The sun that facets are set for, and how the platform meets it.

    Attributes
    ----------
    altitude : float
        Of it over the ground, at the platform's least tilt. [rad]
    time : Timestamp or None
        First moment on the design date, or the day nearest to it, that it stands there; None
        where it never does.
    tilt : float
        Of the platform then. [rad]
    watts : float
        Delivered then, on average over cookers built alike. [W]
    """

    altitude: float
    time: pd.Timestamp | None
    tilt: float
    watts: float


@dataclass(frozen=True)
class AngleFound:
    """What a laser's measured angle means for the facets that are set with it.

    Attributes
    ----------
    proofs : tuple of Proof
    reading : float
        Standard error of a length. [m]
    altitudes : tuple of FoundAltitude
        One for each altitude that was proved, lowest planned one first.
    azimuth : Angle or None
        How far the laser is turned clockwise, seen from above; None where it wasn't measured.
    swivelled : bool
        Whether the laser swivels on one stand: what is found is then how much higher that stands.
    distance : float
        Of such a stand from the facets' middle. [m]
    follows : bool
        Whether the platform is tilted after the sun.
    planned : SetForSun
        Of a cooker set with the planned angle.
    found : SetForSun
        Of this one, under the sun that it is set for.
    cost : Cost
        Under the planned sun.
    left : Cost
        What is left of it under the sun that it is set for, the platform turned to that: the
        doubt about the angle. All other facets but those of these angles are set right.
    least : float
        Watts that tilting the laser again must win to be worth its work. [W]
    judged : str
        Whether that is "worth it", "borderline" or "not worth it" before facets are set.
    changes : tuple of str
        Keys of the scenario that make it the cooker as it is set.
    """

    proofs: tuple[Proof, ...]
    reading: float
    altitudes: tuple[FoundAltitude, ...]
    azimuth: Angle | None
    swivelled: bool
    distance: float
    follows: bool
    planned: SetForSun
    found: SetForSun
    cost: Cost
    left: Cost
    least: float
    judged: Judged
    changes: tuple[str, ...]


def _planned(scenario: Scenario, cooker: Cooker, proofs: Sequence[Proof]) -> tuple[Array, Array]:
    """Altitude and azimuth that the beams of proofs were meant to come from, each (n,). [rad]"""
    here = cooker.facets.present
    middle = cooker.facets.mount[here].mean(axis=0)
    held = [cooker.facets.c[_numbered(cooker, p.at)] if p.at else middle for p in proofs]
    if scenario.errors.rig.kind == "parallel":
        meant = np.arcsin(np.clip(cooker.design_sun[here, 2], -1.0, 1.0))
        nearest = [meant[np.abs(meant - p.altitude).argmin()] for p in proofs]
        return np.array(nearest), np.zeros(len(proofs))
    # a swivelled laser meets each facet at an angle of its own
    stand = laser_stand(cooker, _numbers(scenario, 0.0, 0.0).rig)
    x, y, z = (stand - np.array(held)).T
    return np.arctan2(z, np.hypot(x, y)), np.arctan2(x, y)


def _numbered(cooker: Cooker, label: str) -> int:
    for k, name in enumerate(cooker.facets.label):
        if name.casefold() == label.strip().casefold():
            return k
    labels = cooker.facets.label
    raise SettingsError(
        f'"{label}": no facet has this label. Labels run from {labels[0]} to {labels[-1]}.'
    )


def _azimuth(proofs: Sequence[Proof], planned: Array, reading: float) -> Angle | None:
    """How far the laser is turned clockwise, from those proofs that have it."""
    told = [k for k, p in enumerate(proofs) if p.aside is not None]
    if not told:
        return None
    return angle_of(
        [proofs[k].azimuth - planned[k] for k in told],
        [proofs[k].azimuth_error(reading) for k in told],
    )


def _numbers(scenario: Scenario, altitude: float, azimuth: float | None) -> Tolerances:
    """Tolerances of a scenario whose laser stands so far off; with its own azimuth if None."""
    t = tolerances_from_scenario(scenario)
    aside = t.rig.azimuth_bias if azimuth is None else azimuth
    return replace(t, rig=replace(t.rig, altitude_bias=altitude, azimuth_bias=aside))


def _facing(t: Tolerances, azimuth: float) -> Tolerances:
    """The same with the platform turned so that the sun stands at this azimuth from its arrow."""
    turned = t.pointing.heading_bias - azimuth
    return replace(t, pointing=replace(t.pointing, heading_bias=turned))


def _altitudes(
    scenario: Scenario, cooker: Cooker, proofs: Sequence[Proof], planned: Array, reading: float
) -> tuple[FoundAltitude, ...]:
    """What was found of each altitude that proofs are for."""
    off = np.array([p.altitude for p in proofs]) - planned
    error = [p.altitude_error(reading) for p in proofs]
    design = float(scenario.design.sun_altitude)
    if scenario.errors.rig.kind == "point":
        # one stand for all facets: what it stands too high, each beam says by its own
        one = angle_of(off.tolist(), error)
        facets = int(cooker.facets.present.sum())
        angle = replace(one, value=design + one.value)
        return (FoundAltitude(design, angle, facets, ("design.sun_altitude",)),)
    meant = np.arcsin(np.clip(cooker.design_sun[:, 2], -1.0, 1.0))
    keyed = {"design.sun_altitude": design}
    for k, zone in enumerate(scenario.aim.zones, start=1):
        if zone.sun_altitude is not None:
            keyed[f"aim.zones[{k}].sun_altitude"] = float(zone.sun_altitude)
    out = []
    for altitude in np.unique(planned):
        mine = [k for k in range(len(proofs)) if planned[k] == altitude]
        found = angle_of([proofs[k].altitude for k in mine], [error[k] for k in mine])
        facets = int((cooker.facets.present & (np.abs(meant - altitude) < SAME)).sum())
        keys = tuple(key for key, x in keyed.items() if abs(x - altitude) < SAME)
        out.append(FoundAltitude(float(altitude), found, facets, keys))
    return tuple(out)


def _varied(
    scenario: Scenario, altitudes: Sequence[FoundAltitude], found: Sequence[float]
) -> Scenario:
    """The scenario whose facets are meant for these altitudes."""
    return scenario.varied(
        [
            f"{key}={math.degrees(float(np.clip(x, LOWEST, STEEPEST))):.9f} deg"
            for a, x in zip(altitudes, found, strict=True)
            for key in a.keys
        ]
    )


def angle_found(
    scenario: Scenario,
    proofs: Sequence[Proof],
    *,
    reading: float = READING,
    seed: int | None = None,
    threads: int | None = None,
) -> AngleFound:
    """Work out what a laser's measured angle means for the facets that are set with it.

    Parameters
    ----------
    scenario : Scenario
    proofs : sequence of Proof
        One or more.
    reading : float
        Standard error of a length. [m]
    seed : int, optional
        The scenario's if left out.
    threads : int, optional
        Changes no result.

    Returns
    -------
    AngleFound

    Raises
    ------
    SettingsError
        If there is no proof, the reading's error isn't positive, a facet is unknown, or the
        scenario sets its facets by angle, where no laser decides.
    GeometryError
        If no mirror serves for such an angle.
    StudyError
        If nothing reaches the pot.

    Notes
    -----
    The angle is drawn within its doubt along a Halton sequence, and the same cookers are built
    and used by each draw, so that watts differ by the angle alone. A cooker set with a laser that
    slides is one that is meant for the laser's altitude; one set from a stand that is too high
    keeps the marks of the planned stand.
    """
    from scipy.stats import qmc

    if not proofs:
        raise SettingsError("give at least one drop and run")
    if not (math.isfinite(reading) and reading > 0.0):
        raise SettingsError("the error of a reading must be a length of more than 0")
    if scenario.errors.set_by == "angle":
        raise SettingsError(
            'this scenario sets its facets by angle (errors.set_by = "angle"): no laser decides '
            'what sun they are set for. If one does, write errors.set_by = "laser"'
        )
    seed = scenario.trace.seed if seed is None else seed
    options: dict[str, Any] = {"seed": seed, "beams": 1, "replicates": 2, "threads": threads}
    swivelled = scenario.errors.rig.kind == "point"
    planned = design_ensemble(scenario, **options)
    altitude, clockwise = _planned(scenario, planned.cooker, proofs)
    altitudes = _altitudes(scenario, planned.cooker, proofs, altitude, reading)
    azimuth = _azimuth(proofs, clockwise, reading)
    hat = [a.angle.value for a in altitudes]
    there = _varied(scenario, altitudes, hat)
    found = design_ensemble(there, **options)
    # every cooker's mirror image too, so that what an error adds on one side it takes on the other
    builds = np.concatenate([np.arange(PAIRS), ~np.arange(PAIRS)])
    # whoever knows of the laser's azimuth turns the platform by it
    plain, aside = _numbers(scenario, 0.0, None), 0.0 if azimuth is None else azimuth.value
    told = _facing(plain, aside)
    under = [(e, t, e.stood(t, builds)) for e, t in ((planned, plain), (found, told))]

    def watts(angles: Sequence[float], turned: float) -> Array:
        """Delivered by each build under the planned sun and the found one, (2, B)."""
        at, cooker = None if azimuth is None else turned, planned.cooker
        if swivelled:
            t = _numbers(scenario, angles[0] - altitudes[0].planned, at)
        else:
            t, cooker = (
                _numbers(scenario, 0.0, at),
                build_cooker(_varied(scenario, altitudes, angles)),
            )
        drawn = draw_builds(cooker, t, seed=seed, builds=builds)
        both = [
            e.ledgers(own, builds, cooker=cooker, stood=stood, drawn=drawn).mean(axis=1)[:, BASE]
            for e, own, stood in under
        ]
        return np.array(both)

    right = watts([a.planned for a in altitudes], 0.0)[0]
    if not right.any():
        raise no_light(scenario, "no laser's angle can cost it anything")
    best = watts(hat, aside)[1]
    chances = qmc.Halton(len(altitudes) + 1, scramble=False).random(DRAWS + 1)[1:]
    drawn = np.array(
        [
            watts(
                [float(a.angle.at(c)) for a, c in zip(altitudes, chance, strict=False)],
                0.0 if azimuth is None else float(azimuth.at(chance[-1])),
            )
            for chance in chances
        ]
    )
    before, after = drawn[:, 0], drawn[:, 1]
    cost = _cost(right - before)
    least = RETILT / HOUR * worth_of(scenario).hour_wins
    return AngleFound(
        proofs=tuple(proofs),
        reading=reading,
        altitudes=altitudes,
        azimuth=azimuth,
        swivelled=swivelled,
        distance=scenario.errors.rig.distance,
        follows=isinstance(scenario.platform.tilt, str),
        planned=_sun(scenario, planned, float(right.mean())),
        found=_sun(there, found, float(after.mean())),
        cost=cost,
        left=_cost(best - after),
        least=least,
        judged=weigh(cost.mean, cost.sd, least),
        changes=_changes(scenario, altitudes, azimuth, swivelled),
    )


def _cost(lost: Array) -> Cost:
    """What is lost by draws of the angle and builds (K, B)."""
    from scipy.special import ndtri

    by_angle = lost.mean(axis=1)
    by_pair = lost.mean(axis=0).reshape(2, -1).mean(axis=0)
    sampled = by_pair.std(ddof=1) / math.sqrt(len(by_pair))
    tail, mean = 0.5 - 0.5 * LEVEL, float(lost.mean())
    wide = float(ndtri(1.0 - tail)) * sampled
    low, high = (abs(float(np.quantile(by_angle, q)) - mean) for q in (tail, 1.0 - tail))
    return Cost(
        mean=mean,
        sd=math.hypot(by_angle.std(ddof=1), sampled),
        low=mean - math.hypot(low, wide),
        high=mean + math.hypot(high, wide),
    )


def _sun(scenario: Scenario, ensemble: Ensemble, watts: float) -> SetForSun:
    sun = ensemble.sun
    altitude = float(scenario.design.sun_altitude) + design_tilt(scenario)
    return SetForSun(altitude, sun.time, design_tilt(scenario), watts)


def _changes(
    scenario: Scenario,
    altitudes: Sequence[FoundAltitude],
    azimuth: Angle | None,
    swivelled: bool,
) -> tuple[str, ...]:
    def text(angle: float, half: float) -> str:
        # to the tenth of the interval, as it is written
        decimals = max(1, 1 - math.floor(math.log10(max(math.degrees(half), 1e-3))))
        return f"{math.degrees(angle) + 0.0:.{decimals}f} deg"

    out = []
    for a in altitudes:
        if swivelled:
            higher = text(a.angle.value - a.planned, a.angle.half)
            out.append(f'errors.rig.altitude_bias="{higher}"')
        else:
            out += [f'{key}="{text(a.angle.value, a.angle.half)}"' for key in a.keys]
    if not swivelled and scenario.errors.rig.altitude_bias:
        out.append('errors.rig.altitude_bias="0 deg"')
    if azimuth is not None:
        out.append(f'errors.rig.azimuth_bias="{text(azimuth.value, azimuth.half)}"')
    return tuple(out)
