"""One run: the cooker at its design sun, at moments, or through a day."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker
from raytrace.cooker.pose import Pose, posed
from raytrace.exceptions import GeometryError, ScenarioError, SkyError
from raytrace.light.drawn import likely_energy, likely_power
from raytrace.light.placed import FacedSun, faced, faced_design_sun, stood
from raytrace.light.setup import LightSettings, Setup, scenario_sunshape, set_up
from raytrace.optics.tally import LINES, Tally
from raytrace.optics.tracing import Paths, trace, trace_paths, trace_to_se
from raytrace.parallel.pieces import watched
from raytrace.sky.clock import read_date, site_times
from raytrace.sky.sun import DAY_STEP, day_times, sun_at
from raytrace.statistics.likely import Likely
from raytrace.store.dataset import from_part, to_part
from raytrace.store.work import Progress, work
from raytrace.studies.trace.daily_energy import DaySum, day_sum, step_weights
from raytrace.studies.trace.in_the_way import InTheWay, in_the_way

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.schema import Scenario
    from raytrace.sky.clock import Times

__all__ = [
    "Moment",
    "Run",
    "TracePlan",
    "expected_of",
    "moment_under",
    "run",
    "run_at",
    "run_day",
    "run_design",
    "sun_for",
    "suns_of",
]

Array = NDArray[np.float64]

PATHS = 2000  # single rays for a picture


@dataclass(frozen=True)
class TracePlan:
    """What to trace, how much of it, and the keys of all random numbers.

    Attributes
    ----------
    at : tuple of str
        Moments, by the site's clock with its offset; empty for a day or the design sun.
    date : date or None
        Day, by the site's clock; None for moments or the design sun.
    step : float
        Between the moments of a day; 0 without one. [s]
    estimator : str
        "beams" or "rays".
    samples : int or None
        Beams or rays in all; the first stage's where `target_se` is given. None for the
        estimator's default.
    target_se : float or None
        Relative standard error of the delivered watts to reach instead. [1]
    replicates, seed, bins, build : int
        As in the scenario's section `trace`.
    draws : int
        Draws of all that isn't known, of building and of use, for what may be expected; 0 for
        none. [1]
    in_the_way: float
        Share of the delivered watts from which on it is looked into who shades and blocks whom, and
        what would free it; 0 never does. Of a day it isn't. [1]
    """

    at: tuple[str, ...] = ()
    date: dt.date | None = None
    step: float = 0.0
    estimator: str = "beams"
    samples: int | None = None
    target_se: float | None = None
    replicates: int = 16
    seed: int = 1
    bins: int = 64
    build: int = 0
    draws: int = 0
    in_the_way: float = 0.0

    @classmethod
    def of(cls, scenario: Scenario, **changes: Any) -> TracePlan:
        """Plan with the scenario's settings.

        Parameters
        ----------
        scenario : Scenario
        **changes
            Fields that are to be otherwise; None leaves one as it is.

        Returns
        -------
        TracePlan
        """
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

    @property
    def kind(self) -> str:
        """Name of what is traced: "design", "moment" or "day"."""
        return "day" if self.date else "moment" if self.at else "design"


@dataclass(frozen=True, eq=False)
class Moment:
    """One position of the sun, how the platform stood, and what came of it.

    Attributes
    ----------
    time : Timestamp or None
        In the site's zone; None where the sun never stands at the design altitude.
    sun_altitude : float
        Sun's apparent altitude. [rad]
    sun_azimuth : float
        Clockwise from north. [rad]
    dni : float
        Direct normal irradiance. [W/m²]
    dni_source : str
        Where it comes from.
    pose : Pose
        How the platform stands, pointing errors included.
    tally : Tally
    """

    time: pd.Timestamp | None
    sun_altitude: float
    sun_azimuth: float
    dni: float
    dni_source: str
    pose: Pose
    tally: Tally


@dataclass(frozen=True, eq=False)
class Run:
    """What a cooker delivers at one or more moments.

    Attributes
    ----------
    scenario : Scenario
    plan : TracePlan
    cooker : Cooker
        As built, its pot as at zero tilt.
    moments : tuple of Moment, shape (M,)
    expected : Likely or None
        Watts on the base that may be expected of a cooker built and used like this, or its energy
        over a day, where that was asked for. [W] or [J]
    in_the_way: InTheWay or None
        Who shades and blocks whom at the brightest moment, and what would free it, where that was
        asked for and much is taken.
    """

    scenario: Scenario
    plan: TracePlan
    cooker: Cooker
    moments: tuple[Moment, ...]
    expected: Likely | None = None
    in_the_way: InTheWay | None = None

    DIMS: ClassVar = {"M": "moment"}
    COORDS: ClassVar = {
        "moment": "times",
        "facet": "facets",
        "line": "lines",
        "y": "middles",
        "x": "middles",
    }
    ALSO: ClassVar = ("kind", "mirror_area", "day")
    APART: ClassVar = ("cooker", "middles")

    @property
    def kind(self) -> str:
        """Name of what was traced: "design", "moment" or "day"."""
        return self.plan.kind

    @property
    def mirror_area(self) -> float:
        """Area of all facets that are present. [m²]"""
        return self.cooker.mirror_area

    @cached_property
    def day(self) -> DaySum | None:
        """Energy over the day, if it is one."""
        return day_sum(self.moments) if self.kind == "day" else None

    @property
    def brightest(self) -> Moment:
        """Moment with the most delivered watts, which stands for the run in its figures."""
        return self.moments[int(np.argmax([float(m.tally.delivered) for m in self.moments]))]

    @property
    def times(self) -> NDArray[np.datetime64]:
        """Moments in UTC, shape (M,)."""
        times = [None if m.time is None else m.time.tz_convert(None) for m in self.moments]
        return np.array(times, dtype="M8[ns]")

    @property
    def facets(self) -> tuple[str, ...]:
        """Names of the facets."""
        return self.cooker.facets.label

    @property
    def lines(self) -> tuple[str, ...]:
        """Lines of the energy ledger."""
        return LINES

    @property
    def middles(self) -> Array:
        """Middles of the flux map's bins, to the platform's right and the sun's side. [m]"""
        return self.moments[0].tally.middles

    def paths(
        self, moment: Moment | None = None, rays: int = PATHS, *, replicate: int = 0
    ) -> Paths:
        """Follow single rays, for a picture or a map.

        Parameters
        ----------
        moment : Moment, optional
            Of this run; the brightest by default.
        rays : int
        replicate : int
            Which independent repetition.

        Returns
        -------
        Paths
        """
        moment = self.brightest if moment is None else moment
        return trace_paths(
            posed(self.cooker, moment.pose),
            moment.tally.sun,
            scenario_sunshape(self.scenario),
            rays=rays,
            seed=self.plan.seed,
            replicate=replicate,
        )

    def in_pot(self, points: Array, moment: Moment | None = None) -> Array:
        """Points in the pot's frame: from its base's centre, z toward the lid.

        Parameters
        ----------
        points : ndarray, shape (N, 3)
            Platform frame. [m]
        moment : Moment, optional
            Of this run; the brightest by default.

        Returns
        -------
        ndarray, shape (N, 3)
            [m]
        """
        pot = posed(self.cooker, (self.brightest if moment is None else moment).pose).pot
        with np.errstate(invalid="ignore"):  # what meets nothing ends nowhere
            return np.asarray((points - pot.base) @ pot.frame.T)


def moment_under(
    setup: Setup, sun: FacedSun, plan: TracePlan, *, stream: int = 0, threads: int | None = None
) -> Moment:
    """Trace a cooker under one sun of a plan.

    Parameters
    ----------
    setup : Setup
    sun : FacedSun
    plan : TracePlan
    stream : int
        Key of the samples, where they are given by number.
    threads : int, optional
        Changes no bit of the result.

    Returns
    -------
    Moment
    """
    pose, cooker, s = stood(setup, sun, _turning(plan, sun))
    target = cooker, s, sun.shape
    options: dict[str, Any] = {
        "dni": sun.dni,
        "estimator": plan.estimator,
        "samples": plan.samples,
        "replicates": plan.replicates,
        "seed": plan.seed,
        "bins": plan.bins,
        "threads": threads,
    }
    if plan.target_se is None:
        tally = trace(*target, stream=stream, **options)
    else:
        tally = trace_to_se(*target, target_se=plan.target_se, **options)
    return Moment(
        time=sun.time,
        sun_altitude=sun.alpha,
        sun_azimuth=sun.gamma,
        dni=sun.dni,
        dni_source=sun.dni_source,
        pose=pose,
        tally=tally,
    )


def suns_of(scenario: Scenario, plan: TracePlan) -> list[FacedSun]:
    """Sun positions of a plan, and how the platform is meant to stand at each.

    Parameters
    ----------
    scenario : Scenario
    plan : TracePlan

    Returns
    -------
    list of FacedSun

    Raises
    ------
    SkyError
        If the sun is below the horizon at a moment, or doesn't rise on the day.
    """
    if plan.date is None and not plan.at:
        return [faced_design_sun(scenario)]
    times: Any = list(plan.at)
    if plan.date is not None:
        times = day_times(scenario, plan.date, plan.step)
        if not len(times):
            raise SkyError(
                f"{plan.date}: the sun does not rise at {scenario.site.name} on that day"
            )
    sun = sun_at(scenario, times)
    down = np.flatnonzero(sun.alpha <= 0.0) if plan.at else np.zeros(0, dtype=np.int64)
    if len(down):
        k = int(down[0])
        raise SkyError(
            f"{sun.time[k]:%Y-%m-%d %H:%M %Z}: the sun is "
            f"{-np.degrees(sun.alpha[k]):.1f}° below the horizon"
        )
    return [faced(scenario, sun, k) for k in range(len(sun.time))]


def _turning(plan: TracePlan, sun: FacedSun) -> int:
    """Key of a turning: by the clock, so that its draws do not depend on others in the day."""
    if plan.kind == "design" or sun.time is None:
        return 0
    return int(sun.time.hour * 60 + sun.time.minute)


def run(
    scenario: Scenario,
    plan: TracePlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> Run:
    """Trace a scenario at the design sun, at moments or through a day.

    Parameters
    ----------
    scenario : Scenario
    plan : TracePlan, optional
        By default `TracePlan.of(scenario)`: at the design sun.
    path : path, optional
        Results file (.h5) to write; each moment is kept beside it as soon as it is done, so that
        the same call goes on where it was stopped.
    overwrite : bool
        Begin again, whatever of this program's is there.
    progress : callable, optional
        Called with the moments done, and with all.
    threads : int, optional
        One a processor by default; changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    Run

    Raises
    ------
    SkyError
        If the sun is below the horizon then.
    StoreError
        If the path holds another study, or can't be written.
    """
    plan = TracePlan.of(scenario) if plan is None else plan
    suns = suns_of(scenario, plan)
    with work("trace", [scenario], plan, path, overwrite=overwrite) as kept:
        if kept.result is None:
            setup = set_up(scenario, LightSettings(seed=plan.seed, build=plan.build))
            count = len(suns)

            def parts() -> Iterator[tuple[str, Mapping[str, Any]]]:
                for k, sun in enumerate(suns):
                    if f"{k}" not in kept.done:
                        with _told(progress, len(kept.done), count):
                            moment = moment_under(setup, sun, plan, threads=threads)
                        yield f"{k}", to_part(moment)

            kept.each(parts(), progress, count)
            moments = tuple(from_part(kept.done[f"{k}"]) for k in range(count))
            found = Run(scenario, plan, setup.cooker, moments)
            # where some cooker can't be set, what this one does still stands
            with contextlib.suppress(GeometryError, ScenarioError):
                if plan.draws:
                    found = replace(found, expected=expected_of(found, threads=threads))
                if plan.in_the_way and plan.date is None:
                    found = replace(found, in_the_way=in_the_way_of(found, threads=threads))
            kept.finish(found, command=command)
        return cast("Run", kept.result)


def expected_of(run: Run, *, draws: int | None = None, threads: int | None = None) -> Likely:
    """What may be expected of a cooker built and used as a run's scenario says.

    Parameters
    ----------
    run : Run
        Of one moment, or of a day.
    draws : int, optional
        By default the plan's.
    threads : int, optional
        Changes no bit of the result.

    Returns
    -------
    Likely
        Watts on the base [W]; over a day its energy [J].

    Raises
    ------
    GeometryError, ScenarioError
        If a cooker that is drawn can't be set or stood up.
    """
    plan = run.plan
    count = plan.draws if draws is None else draws
    times: Any = [m.time for m in run.moments]
    if plan.kind == "day":
        weights = step_weights(run.moments)
        return likely_energy(
            run.scenario, count, times=times, weights=weights, seed=plan.seed, threads=threads
        )
    sun_of = sun_for(plan)
    return likely_power(run.scenario, count, seed=plan.seed, sun_of=sun_of, threads=threads)


def sun_for(plan: TracePlan) -> Callable[[Scenario], FacedSun]:
    """Sun of a plan, as other cookers face it.

    Parameters
    ----------
    plan : TracePlan
        At the design sun or one moment.

    Returns
    -------
    callable
        As `raytrace.light.drawn.powers` takes it.
    """

    def sun_of(scenario: Scenario) -> FacedSun:
        return faced(scenario, sun_at(scenario, list(plan.at)))

    return sun_of if plan.at else faced_design_sun


def in_the_way_of(run: Run, *, threads: int | None = None) -> InTheWay | None:
    """Who shades and blocks whom at a run's brightest moment, and what would free it.

    Parameters
    ----------
    run : Run
    threads : int, optional

    Returns
    -------
    InTheWay or None
        None where less is taken than the plan's share.

    Raises
    ------
    GeometryError, ScenarioError
        If a cooker can't be set or stood up.
    """
    plan = run.plan
    return in_the_way(
        run.scenario,
        run.cooker,
        run.brightest,
        plan.in_the_way,
        seed=plan.seed,
        threads=threads,
    )


def _told(
    progress: Progress | None, done: int, count: int
) -> contextlib.AbstractContextManager[None]:
    """Report on the way through a moment, too."""
    if progress is None:
        return contextlib.nullcontext()
    return watched(lambda part, whole: progress(done + part / whole, count))


def run_design(
    scenario: Scenario,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
    **changes: Any,
) -> Run:
    """Trace a scenario with the sun where the facets were set for it.

    Parameters
    ----------
    scenario : Scenario
    path, overwrite, progress, threads, command
        As for `run`.
    **changes
        Fields of `TracePlan` that override the scenario's.

    Returns
    -------
    Run
        One moment: the morning of the design date on which the sun stands there.
    """
    return run(
        scenario,
        TracePlan.of(scenario, **changes),
        path=path,
        overwrite=overwrite,
        progress=progress,
        threads=threads,
        command=command,
    )


def run_at(scenario: Scenario, time: Times, **options: Any) -> Run:
    """Trace a scenario at one or more moments, the platform turned to face the sun at each.

    Parameters
    ----------
    scenario : Scenario
    time : str, datetime, sequence of these, or DatetimeIndex
        See `raytrace.sky.clock.site_times`.
    **options
        As for `run_design`.

    Returns
    -------
    Run

    Raises
    ------
    SkyError
        If the sun is below the horizon at one of them.
    """
    at = tuple(t.isoformat() for t in site_times(scenario.site, time))
    return run_design(scenario, at=at, **options)


def run_day(scenario: Scenario, date: dt.date | str, step: float = DAY_STEP, **options: Any) -> Run:
    """Trace a scenario through a day, the platform turned to face the sun at each step.

    Parameters
    ----------
    scenario : Scenario
    date : date or str
        Day by the site's clock.
    step : float
        Between moments. [s]
    **options
        As for `run_design`.

    Returns
    -------
    Run
        From sunrise to sunset.

    Raises
    ------
    SkyError
        If the sun doesn't rise on that day.
    """
    return run_design(scenario, date=read_date(date), step=step, **options)
