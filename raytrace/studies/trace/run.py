"""One run: the cooker at its design sun, at a moment, or through a day."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import direction
from raytrace.cooker.geometry import Cooker
from raytrace.cooker.pose import Pose
from raytrace.exceptions import SkyError
from raytrace.light.ensemble import design_ensemble
from raytrace.light.placed import FacedSun, faced, faced_design_sun, stood
from raytrace.light.setup import LightSettings, Setup, built_cooker, set_up, stand
from raytrace.optics.tally import Tally
from raytrace.optics.tracing import trace, trace_to_se
from raytrace.sky.sun import DAY_STEP, day_times, sun_at

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd

    from raytrace.scenario.schema import Scenario
    from raytrace.sky.clock import Times

__all__ = [
    "Moment",
    "Run",
    "TraceSettings",
    "builds_like",
    "iter_day",
    "run_at",
    "run_day",
    "run_design",
]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TraceSettings:
    """How much to compute, and the keys of all random numbers.

    Attributes
    ----------
    estimator : str
        "beams" or "rays".
    samples : int or None
        Beams or rays in all; the first stage's where `target_se` is given. None for the
        estimator's default.
    target_se : float or None
        Relative standard error of the delivered watts to reach instead.
    replicates, seed, bins, build : int
        As in the scenario's section `trace`.
    threads : int or None
        None for one per processor; changes no result.
    """

    estimator: str = "beams"
    samples: int | None = None
    target_se: float | None = None
    replicates: int = 16
    seed: int = 1
    bins: int = 64
    build: int = 0
    threads: int | None = None

    @classmethod
    def of(cls, scenario: Scenario, **changes: Any) -> TraceSettings:
        """Take the scenario's settings, but for `changes` that are not None."""
        t = scenario.trace
        values: dict[str, Any] = {
            "estimator": t.estimator,
            "samples": t.samples,
            "replicates": t.replicates,
            "seed": t.seed,
            "bins": t.bins,
            "build": t.build,
        }
        values.update({k: v for k, v in changes.items() if v is not None})
        if values["estimator"] != t.estimator and changes.get("samples") is None:
            values["samples"] = None  # so many beams are far too few rays
        return cls(**values)


@dataclass(frozen=True, eq=False)
class Moment:
    """One position of the sun, how the platform stood, and what came of it.

    Attributes
    ----------
    time : Timestamp or None
        In the site's zone; None where the sun never stands at the design altitude.
    alpha, gamma : float
        Sun's apparent altitude, and azimuth clockwise from north. [rad]
    dni : float
        Direct normal irradiance. [W/m²]
    dni_source : str
        Where it comes from.
    pose : Pose
        How the platform stands, pointing errors included.
    tally : Tally
    """

    time: pd.Timestamp | None
    alpha: float
    gamma: float
    dni: float
    dni_source: str
    pose: Pose
    tally: Tally


@dataclass(frozen=True, eq=False)
class Run:
    """A scenario, the cooker built from it, and one or more moments.

    Attributes
    ----------
    scenario : Scenario
    cooker : Cooker
        As built, its pot as at zero tilt.
    kind : str
        "design", "moment" or "day".
    settings : TraceSettings
    moments : tuple of Moment
    builds : ndarray, shape (B,), or None
        What other builds of the scenario deliver at the one moment, each set, turned and its pot
        put down with errors of its own, where that was asked for. [W]
    """

    scenario: Scenario
    cooker: Cooker
    kind: str
    settings: TraceSettings
    moments: tuple[Moment, ...]
    builds: Array | None = None


def _moment(setup: Setup, sun: FacedSun, settings: TraceSettings, *, turning: int) -> Moment:
    pose, cooker, s = stood(setup, sun, turning)
    target = cooker, s, sun.shape
    options: dict[str, Any] = {
        "dni": sun.dni,
        "estimator": settings.estimator,
        "samples": settings.samples,
        "replicates": settings.replicates,
        "seed": settings.seed,
        "bins": settings.bins,
        "threads": settings.threads,
    }
    if settings.target_se is None:
        tally = trace(*target, **options)
    else:
        tally = trace_to_se(*target, target_se=settings.target_se, **options)
    return Moment(
        time=sun.time,
        alpha=sun.alpha,
        gamma=sun.gamma,
        dni=sun.dni,
        dni_source=sun.dni_source,
        pose=pose,
        tally=tally,
    )


def _ready(scenario: Scenario, settings: TraceSettings) -> Setup:
    """Cooker as built, under the settings' keys."""
    return set_up(scenario, LightSettings(seed=settings.seed, build=settings.build))


def _minute(time: pd.Timestamp) -> int:
    """Key of a turning: by the clock, so that its draws do not depend on others in the day."""
    return int(time.hour * 60 + time.minute)


def run_design(scenario: Scenario, **changes: Any) -> Run:
    """Trace a scenario with the sun where the facets were set for it.

    Parameters
    ----------
    scenario : Scenario
    **changes
        Fields of `TraceSettings` that override the scenario's.

    Returns
    -------
    Run
        One moment: the morning of the design date on which the sun stands there.
    """
    settings = TraceSettings.of(scenario, **changes)
    setup = _ready(scenario, settings)
    moment = _moment(setup, faced_design_sun(scenario), settings, turning=0)
    return Run(scenario, setup.cooker, "design", settings, (moment,))


def run_at(scenario: Scenario, time: Times, **changes: Any) -> Run:
    """Trace a scenario at one or more moments, the platform turned to face the sun at each.

    Parameters
    ----------
    scenario : Scenario
    time : str, datetime, sequence of these, or DatetimeIndex
        See `raytrace.sky.clock.site_times`.
    **changes
        Fields of `TraceSettings` that override the scenario's.

    Returns
    -------
    Run

    Raises
    ------
    SkyError
        If the sun is below the horizon at one of them.
    """
    settings = TraceSettings.of(scenario, **changes)
    sun = sun_at(scenario, time)
    down = np.flatnonzero(sun.alpha <= 0.0)
    if len(down):
        k = int(down[0])
        raise SkyError(
            f"{sun.time[k]:%Y-%m-%d %H:%M %Z}: the sun is "
            f"{-np.degrees(sun.alpha[k]):.1f}° below the horizon"
        )
    setup = _ready(scenario, settings)
    moments = tuple(
        _moment(setup, faced(scenario, sun, k), settings, turning=_minute(time))
        for k, time in enumerate(sun.time)
    )
    return Run(scenario, setup.cooker, "moment", settings, moments)


def iter_day(
    scenario: Scenario,
    date: dt.date | str,
    step: float,
    settings: TraceSettings,
    *,
    done: Iterable[pd.Timestamp] = (),
) -> Iterator[tuple[int, int, Moment | None]]:
    """Trace a day step by step, so that a caller can show progress, save and resume.

    Parameters
    ----------
    scenario : Scenario
    date : date or str
        Day by the site's clock.
    step : float
        Between moments, at each of which the platform is turned to face the sun. [s]
    settings : TraceSettings
    done : iterable of Timestamp
        Moments that need no tracing again.

    Yields
    ------
    k, count : int
        Which moment this is, and how many the day has.
    moment : Moment or None
        None for one that was done before.

    Raises
    ------
    SkyError
        If the sun doesn't rise on that day.
    """
    times = day_times(scenario, date, step)
    if not len(times):
        raise SkyError(f"{date}: the sun does not rise at this site on that day")
    sun = sun_at(scenario, times)
    setup = _ready(scenario, settings)
    skip = set(done)
    for k, time in enumerate(times):
        moment = (
            None
            if time in skip
            else _moment(setup, faced(scenario, sun, k), settings, turning=_minute(time))
        )
        yield k, len(times), moment


def run_day(scenario: Scenario, date: dt.date | str, step: float = DAY_STEP, **changes: Any) -> Run:
    """Trace a scenario through a day, the platform turned to face the sun at each step.

    Parameters
    ----------
    scenario : Scenario
    date : date or str
        Day by the site's clock.
    step : float
        Between moments. [s]
    **changes
        Fields of `TraceSettings` that override the scenario's.

    Returns
    -------
    Run
        From sunrise to sunset.
    """
    settings = TraceSettings.of(scenario, **changes)
    moments = tuple(m for _, _, m in iter_day(scenario, date, step, settings) if m is not None)
    return Run(scenario, built_cooker(scenario, settings), "day", settings, moments)


def builds_like(run: Run, builds: int = 200) -> Array:
    """What other builds of a run's scenario deliver at the run's one moment.

    Parameters
    ----------
    run : Run
        Of one moment.
    builds : int
        How many, numbered from 0.

    Returns
    -------
    watts : ndarray, shape (builds,)
        [W]

    Raises
    ------
    GeometryError
        If one of them can't be set or stood up.
    """
    moment, scenario = run.moments[0], run.scenario
    alpha, gamma = np.array([moment.alpha]), np.array([moment.gamma])
    ensemble = design_ensemble(scenario, seed=run.settings.seed, threads=run.settings.threads)
    at = replace(
        ensemble.sun,
        time=moment.time,
        alpha=moment.alpha,
        gamma=moment.gamma,
        direction=direction(moment.alpha, moment.gamma),
        dni=moment.dni,
        dni_source=moment.dni_source,
        meant=stand(scenario, alpha, gamma),
    )
    there = replace(ensemble, sun=at)
    return there.trace(there.tolerances, np.arange(builds)).builds
