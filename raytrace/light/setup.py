"""A scenario set up for tracing: cooker as built, sunshape, design sun, how the platform stands."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.cooker.pose import Pose, Poses, posed
from raytrace.cooker.tolerances import Tolerances, as_built, tolerances_from_scenario
from raytrace.cooker.views import BaseView, base_view
from raytrace.exceptions import SkyError
from raytrace.heat.losses import light_shares
from raytrace.sky.cloudless import clear_sky
from raytrace.sky.ground import ground_of
from raytrace.sky.sun import Sun, bare, constant_sky, design_moment, sun_at, sun_direction
from raytrace.sky.sunshape import Sunshape, sunshape, tabled_sunshape

if TYPE_CHECKING:
    from raytrace.heat.shell import Shell
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Keys",
    "LightSettings",
    "Setup",
    "built_cooker",
    "design_sun",
    "design_tilt",
    "faced_from",
    "platform_tilt",
    "scenario_sunshape",
    "set_up",
    "stand",
    "tilt_limits",
]

Array = NDArray[np.float64]


class Keys(Protocol):
    """Key of everything random, and which draw of the cooker."""

    @property
    def seed(self) -> int: ...

    @property
    def build(self) -> int: ...


@dataclass(frozen=True)
class LightSettings:
    """How much to compute, and the keys of all random numbers.

    Attributes
    ----------
    beams : int
        A facet, in each replicate of each moment. [1]
    replicates : int
        Independent repetitions behind the standard errors; 2 or more. [1]
    seed, build : int
        Key of everything random, and which draw of the cooker.
    threads : int or None
        None for one per processor; changes no result.
    draw : int
        Which draw of the errors of turning, and of the samples; 0 or more.
    """

    beams: int = 1
    replicates: int = 4
    seed: int = 1
    build: int = 0
    threads: int | None = None
    draw: int = 0

    @property
    def tracing(self) -> dict[str, Any]:
        """As options of `raytrace.optics.cases.trace_cases`."""
        return {
            "beams_per_facet": self.beams,
            "replicates": self.replicates,
            "seed": self.seed,
            "threads": self.threads,
        }

    @classmethod
    def of(cls, scenario: Scenario, **changes: Any) -> LightSettings:
        """Settings with the scenario's seed and build.

        Parameters
        ----------
        scenario : Scenario
        **changes
            Fields that are to be otherwise; None leaves one as it is.

        Returns
        -------
        LightSettings
        """
        values = {"seed": scenario.trace.seed, "build": scenario.trace.build}
        return cls(**(values | {k: v for k, v in changes.items() if v is not None}))


def scenario_sunshape(scenario: Scenario, radius: float | None = None) -> Sunshape:
    """Sunshape that a scenario asks for.

    Parameters
    ----------
    scenario : Scenario
    radius : float, optional
        Angular radius of the day, used where the scenario says "by date". [rad]

    Returns
    -------
    Sunshape
    """
    sky = scenario.sky
    if sky.sunshape == "buie":
        return sunshape("buie", circumsolar_ratio=sky.circumsolar_ratio)
    if sky.sunshape_table is not None:
        return tabled_sunshape(sky.sunshape_table)
    stated = sky.sun_radius
    if isinstance(stated, str):
        return sunshape(sky.sunshape) if radius is None else sunshape(sky.sunshape, radius=radius)
    return sunshape(sky.sunshape, radius=float(stated))


def built_cooker(scenario: Scenario, keys: Keys) -> Cooker:
    """Cooker as the workshop leaves it, its pot as at zero tilt.

    Parameters
    ----------
    scenario : Scenario
    keys : Keys

    Returns
    -------
    Cooker
    """
    return as_built(
        build_cooker(scenario),
        tolerances_from_scenario(scenario),
        seed=keys.seed,
        build=keys.build,
    )


@dataclass(frozen=True, eq=False)
class Setup:
    """A scenario's cooker, ready to be traced under many sun positions.

    Attributes
    ----------
    scenario : Scenario
    cooker : Cooker
        As built, its pot as at zero tilt.
    tolerances : Tolerances
        The scenario's.
    shape : Sunshape
    settings : LightSettings
    """

    scenario: Scenario
    cooker: Cooker
    tolerances: Tolerances
    shape: Sunshape
    settings: LightSettings

    @cached_property
    def base_view(self) -> BaseView:
        """What the pot's base sees, the platform tilted as for its design sun."""
        pose = Pose(tilt=design_tilt(self.scenario))
        return base_view(posed(self.cooker, pose), pose.to_platform(np.array([0.0, 0.0, 1.0])))

    @cached_property
    def shares(self) -> Shell:
        """Shares of the light absorbed by wall and lid that the water gets."""
        return light_shares(self.scenario)

    def scale(self, radius: Array) -> Array:
        """Size of the sun over that of `shape`; 1 where the scenario fixes it.

        Parameters
        ----------
        radius : ndarray
            Angular radius of the day. [rad]

        Returns
        -------
        ndarray, shape of radius
            [1]
        """
        sky = self.scenario.sky
        if sky.sunshape in ("buie", "table") or not isinstance(sky.sun_radius, str):
            return np.ones_like(radius)
        return np.asarray(radius / self.shape.radius)


def set_up(
    scenario: Scenario, settings: LightSettings | None = None, *, cooker: Cooker | None = None
) -> Setup:
    """Make a scenario's cooker ready to be traced.

    Parameters
    ----------
    scenario : Scenario
    settings : LightSettings, optional
        By default `LightSettings.of(scenario)`.
    cooker : Cooker, optional
        By default as the workshop leaves it.

    Returns
    -------
    Setup
    """
    settings = LightSettings.of(scenario) if settings is None else settings
    cooker = built_cooker(scenario, settings) if cooker is None else cooker
    tolerances = tolerances_from_scenario(scenario)
    return Setup(scenario, cooker, tolerances, scenario_sunshape(scenario), settings)


def design_tilt(scenario: Scenario) -> float:
    """Tilt at which the platform meets its design sun: as low as it may stand. [rad]

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    float
    """
    return float(platform_tilt(scenario, np.asarray(scenario.design.sun_altitude)))


def platform_tilt(scenario: Scenario, alpha: Array) -> Array:
    """Tilt that the platform is meant to have under the sun at these altitudes.

    Parameters
    ----------
    scenario : Scenario
    alpha : ndarray
        Altitudes over the ground. [rad]

    Returns
    -------
    ndarray, shape of alpha
        From the ground. [rad]
    """
    tilt = scenario.platform.tilt
    if isinstance(tilt, str):
        return np.clip(alpha - scenario.design.sun_altitude, *tilt_limits(scenario))
    return np.full(np.shape(alpha), float(tilt))


def stand(scenario: Scenario, alpha: Array, gamma: Array) -> Poses:
    """How the platform is meant to stand for the sun at these altitudes and azimuths.

    Turned until the shadow of a post that stands square on the platform falls along its middle
    line, so that the sun stands in its plane of symmetry: on ground that slopes that isn't quite
    the sun's azimuth by the compass. Propped, where the scenario says "follow sun", so that the
    sun stands at the design altitude in the platform frame, within the tilt limits and, where the
    pot tilts along, its spill limit. That makes up for a slope along the heading; a lean across it
    stays.

    Parameters
    ----------
    scenario : Scenario
    alpha, gamma : ndarray, shape (N,)
        Sun's altitude, and azimuth clockwise from north. [rad]

    Returns
    -------
    Poses
    """
    ground = ground_of(scenario.site)
    beta, heading = ground.above(alpha, gamma)
    return Poses(heading, platform_tilt(scenario, beta), np.zeros(len(alpha)), ground)


def tilt_limits(scenario: Scenario) -> tuple[float, float]:
    """Least and greatest tilt, within the spill limit of a pot that tilts along.

    From ground that slopes it may tilt by so much less, whatever its heading: no pot leans more
    than its limit then, unless the ground alone does.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    low, high : float
        [rad]
    """
    low, high = scenario.platform.tilt_limits
    pot = scenario.pot
    if pot.stand == "platform" and not pot.levelled:
        room = max(pot.spill_limit - ground_of(scenario.site).slope, 0.0)
        low, high = max(low, -room), min(high, room)
    return low, high


def faced_from(scenario: Scenario, sun: Sun) -> tuple[Array, Array]:
    """What the watts of a platform that faces the sun hang on.

    Parameters
    ----------
    scenario : Scenario
    sun : Sun

    Returns
    -------
    alpha, heading : ndarray, shape (T,)
        The sun's altitude over the ground, and its direction along it: 0 on level ground, where
        all are alike. [rad]
    """
    ground = ground_of(scenario.site)
    alpha, heading = ground.above(sun.alpha, sun.gamma)
    return alpha, heading if ground.slope else np.zeros_like(alpha)


def design_sun(scenario: Scenario) -> tuple[Sun, bool]:
    """Sun at which the platform meets its design sun, and whether it ever stands there.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    sun : Sun
        One moment; its time means nothing where the sun never stands there.
    timed : bool
    """
    alpha = float(scenario.design.sun_altitude) + design_tilt(scenario)
    site, sky, design = scenario.site, scenario.sky, scenario.design
    factor = sky.dni_factor if isinstance(sky.dni, str) else 1.0
    if factor != 1.0:  # draws of it need no sun of their own
        sky = sky.model_copy(update={"dni_factor": 1.0})
        scenario = scenario.model_copy(update={"sky": sky})
    decides = (bare(site), site.horizon is None, sky, design.date, alpha)
    sun, timed = _design_sun(_Asked(decides, alpha, scenario))
    return (sun if factor == 1.0 else replace(sun, dni=sun.dni * factor)), timed


@dataclass(frozen=True)
class _Asked:
    """What decides a design sun, and one of the scenarios that have it."""

    decides: tuple[object, ...]
    alpha: float = field(compare=False)
    scenario: Scenario = field(compare=False)


@lru_cache(maxsize=256)
def _design_sun(asked: _Asked) -> tuple[Sun, bool]:
    try:
        sun, timed = design_moment(asked.scenario, asked.alpha)[1], True
    except SkyError:
        sun, timed = _sun_that_never_is(asked.scenario, asked.alpha), False
    for array in (sun.alpha, sun.gamma, sun.direction, sun.dni, sun.dhi, sun.radius):
        array.setflags(write=False)  # all who ask get the same arrays
    return sun, timed


def _sun_that_never_is(scenario: Scenario, alpha: float) -> Sun:
    """A sun at an altitude over the ground that is never seen, as bright as the air leaves it."""
    noon = sun_at(scenario, [f"{scenario.design.date or '2026-03-20'}T12:00+00:00"])
    facing = np.zeros(1) if scenario.site.latitude < 0.0 else np.array([np.pi])
    at, facing = ground_of(scenario.site).in_sky(np.array([alpha]), facing)
    if isinstance(scenario.sky.dni, str):
        dni, dhi = clear_sky(scenario, noon.time, at)
        source = "clear sky; the sun never stands at this altitude here"
    else:
        dni, dhi, source = constant_sky(scenario, noon.time, at)
    return Sun(noon.time, at, facing, sun_direction(at, facing), dni, dhi, noon.radius, source)
