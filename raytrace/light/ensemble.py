"""Many builds of one cooker at its design sun: drawn, stood up, traced, and their spread told.

Two kinds of noise are kept apart throughout. Builds differ because workshops err: that spread is
the subject. Tracing is noisy because it samples: that is a fault, and small. Each build is traced
with samples of its own, so that the tracing's noise falls with the number of builds as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.aiming import direction, spot_jacobian
from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.cooker.pose import Pose, posed
from raytrace.cooker.tolerances import (
    BUILD_SOURCES,
    POINTING,
    SETTING,
    Tolerances,
    draw_builds,
    draw_pose,
    mount_builds,
    tolerances_from_scenario,
)
from raytrace.exceptions import GeometryError
from raytrace.light.setup import design_sun, scenario_sunshape, stand
from raytrace.optics.cases import trace_cases
from raytrace.optics.tally import BASE, MISSED
from raytrace.sky.sunshape import Sunshape
from raytrace.statistics.quantiles import Percentile, percentile, spread_error

if TYPE_CHECKING:
    from raytrace.cooker.tolerances import Builds
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.trace.run import Run

__all__ = [
    "BLOCK",
    "Bench",
    "Places",
    "Spread",
    "Watts",
    "binomial_interval",
    "builds_like",
    "miss_jacobian",
    "no_light",
    "prepare",
    "same_build",
]

Array = NDArray[np.float64]
Numbers = ArrayLike | Mapping[int, NDArray[np.int64]]

BLOCK = 256  # builds held in memory at a time


@dataclass(frozen=True, eq=False)
class Watts:
    """What an ensemble delivers.

    Attributes
    ----------
    delivered : ndarray, shape (B, n_replicates)
        Power on the base. [W]
    leaving : ndarray, shape (B, n_replicates)
        Power that leaves the mirrors unblocked. [W]
    """

    delivered: Array
    leaving: Array

    @property
    def builds(self) -> Array:
        """Delivered watts of each build, shape (B,). [W]"""
        return np.asarray(self.delivered.mean(axis=1))

    @property
    def power(self) -> Spread:
        """Spread of the delivered watts. [W]"""
        return Spread.of(self.delivered)

    @property
    def intercept(self) -> Spread:
        """Spread of the intercept fraction."""
        d, all_ = self.delivered, self.leaving
        mean = all_.mean(axis=1, keepdims=True)
        safe = np.where(mean > 0.0, mean, 1.0)
        share = np.where(mean > 0.0, d.mean(axis=1, keepdims=True) / safe, np.nan)
        # a ratio of means, and to first order how each replicate moves it
        return Spread.of(share + (d - share * all_) / safe)

    @staticmethod
    def join(parts: list[Watts]) -> Watts:
        """Blocks of builds put together."""
        return Watts(
            np.concatenate([p.delivered for p in parts]), np.concatenate([p.leaving for p in parts])
        )


@dataclass(frozen=True, eq=False)
class Spread:
    """Mean over builds, how sure it is, and how builds differ.

    Attributes
    ----------
    mean : float
    se : float
        Standard error of the mean, builds' spread and tracing together.
    se_tracing : float
        The part of it that more samples would remove.
    sd : float
        Standard deviation between builds, tracing's part taken out.
    builds : ndarray, shape (B,)
        Each build's figure.
    group : int
        Builds in a row that are not independent of each other.
    """

    mean: float
    se: float
    se_tracing: float
    sd: float
    builds: Array
    group: int = 1

    @classmethod
    def of(cls, x: Array, group: int = 1) -> Spread:
        """From replicates of each build, shape (B, n_replicates)."""
        B, r = x.shape
        builds = np.asarray(x.mean(axis=1))
        within = float(x.var(axis=1, ddof=1).mean()) / r if r > 1 else float("nan")
        tracing = float(np.sqrt(within / B))
        between = float(builds.var(ddof=1)) if B > 1 else within
        groups = builds.reshape(-1, group).mean(axis=1)
        return cls(
            mean=float(builds.mean()),
            se=float(np.sqrt((groups.var(ddof=1) if group < B else between) / len(groups))),
            se_tracing=tracing,
            sd=float(np.sqrt(max(between - within, 0.0))) if B > 1 else 0.0,
            builds=builds,
            group=group,
        )

    def percentile(self, q: float) -> Percentile:
        """Figure that q percent of the builds stay under."""
        return percentile(self.builds, q, group=self.group)

    @property
    def sd_se(self) -> float:
        """Standard error of the standard deviation between builds."""
        return float(spread_error(self.builds, group=self.group))


def no_light(scenario: Scenario, so: str) -> GeometryError:
    """Error of a cooker that brings nothing to the pot, and what can't be said of it."""
    return GeometryError(
        f"{scenario.source}: nothing reaches the pot's base with the sun at the design altitude, "
        f"so {so}. `cooker trace` shows where the light goes."
    )


def binomial_interval(k: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Interval of a share of which k in n were seen, two-sided, never too narrow.

    Parameters
    ----------
    k, n : int
    level : float

    Returns
    -------
    low, high : float

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, The use of confidence or fiducial limits illustrated
       in the case of the binomial, Biometrika 26 (1934) 404-413.

    Examples
    --------
    >>> low, high = binomial_interval(10, 10)
    >>> round(low, 4), high
    (0.6915, 1.0)
    """
    from scipy.special import betaincinv

    tail = 0.5 * (1.0 - level)
    low = float(betaincinv(k, n - k + 1, tail)) if k > 0 else 0.0
    high = float(betaincinv(k + 1, n - k, 1.0 - tail)) if k < n else 1.0
    return low, high


@dataclass(frozen=True, eq=False)
class Places:
    """How each build's platform is turned, seen from the platform itself.

    Attributes
    ----------
    suns : ndarray, shape (B, 3)
        Direction to the sun.
    base : ndarray, shape (B, 3)
        Centre of the pot's base. [m]
    axis : ndarray, shape (B, 3)
        From base to lid.
    """

    suns: Array
    base: Array
    axis: Array


@dataclass(frozen=True, eq=False)
class Bench:
    """A scenario at its design sun, ready to be traced as many cookers.

    Attributes
    ----------
    scenario : Scenario
    cooker : Cooker
        Perfectly set.
    tolerances : Tolerances
        The scenario's.
    shape : Sunshape
    sun : ndarray, shape (3,)
        Direction to the sun, east, north, up.
    alpha, gamma : float
        Its altitude, and azimuth clockwise from north. [rad]
    dni : float
        [W/m²]
    dni_source : str
    meant : Pose
        How the platform is meant to stand.
    seed : int
    beams, replicates : int
        Beams a facet in each replicate, and replicates, of each build.
    threads : int or None
    """

    scenario: Scenario
    cooker: Cooker
    tolerances: Tolerances
    shape: Sunshape
    sun: Array
    alpha: float
    gamma: float
    dni: float
    dni_source: str
    meant: Pose
    seed: int
    beams: int
    replicates: int
    threads: int | None

    def places(self, tolerances: Tolerances, builds: Numbers) -> Places:
        """Stand every build up as a hand would: pot put down, platform turned.

        Parameters
        ----------
        tolerances : Tolerances
        builds : array_like of int, shape (B,), or mapping of such
            As in `raytrace.cooker.tolerances.draw_builds`.

        Raises
        ------
        GeometryError
            If a build's platform tilts into its pot.
        """
        still = replace(tolerances, setting=0.0, roll=0.0, placement_xy=0.0, placement_z=0.0)
        base = draw_builds(
            self.cooker, replace(still, set_by="angle"), seed=self.seed, builds=builds
        ).base
        turned = np.atleast_1d(
            np.asarray(builds[POINTING] if isinstance(builds, Mapping) else builds)
        )
        suns, axis, base = np.empty_like(base), np.empty_like(base), base.copy()
        for k, build in enumerate(turned):
            pose = draw_pose(self.meant, tolerances.pointing, seed=self.seed, build=int(build))
            pot = replace(self.cooker.pot, base=base[k])
            try:
                pot = posed(replace(self.cooker, pot=pot), pose).pot
            except GeometryError as error:
                raise GeometryError(f"build {int(build)}: {error}") from None
            suns[k], base[k], axis[k] = pose.to_platform(self.sun), pot.base, pot.axis
        return Places(suns, base, axis)

    def mounted(self, tolerances: Tolerances, builds: Numbers) -> tuple[Array, Array]:
        """Mounts and normals before the setting error, for `trace`."""
        return mount_builds(self.cooker, tolerances, seed=self.seed, builds=builds)

    def trace(
        self,
        tolerances: Tolerances,
        builds: Numbers,
        *,
        rotations: Array | None = None,
        mounted: tuple[Array, Array] | None = None,
        places: Places | None = None,
        streams: ArrayLike | None = None,
        cooker: Cooker | None = None,
        shape: Sunshape | None = None,
    ) -> Watts:
        """Trace an ensemble.

        Parameters
        ----------
        tolerances : Tolerances
        builds : array_like of int, shape (B,), or mapping of such
            As in `raytrace.cooker.tolerances.draw_builds`.
        rotations : ndarray, shape (B, F, 2), optional
            Setting errors instead of those drawn. [rad]
        mounted : tuple of ndarray, optional
            From `mounted`, to save that step.
        places : Places, optional
            From `places`, to save that step.
        streams : array_like of int, shape (B,), optional
            Samples that each build is traced with; by default its number.
        cooker : Cooker, optional
            Instead of the bench's, such as one with another mirror.
        shape : Sunshape, optional
            Instead of the bench's.

        Returns
        -------
        Watts
        """
        cooker = self.cooker if cooker is None else cooker
        drawn: Builds = draw_builds(
            cooker,
            tolerances,
            seed=self.seed,
            builds=builds,
            mounted=mounted,
            rotations=rotations,
        )
        places = self.places(tolerances, builds) if places is None else places
        if streams is None:
            streams = builds[SETTING] if isinstance(builds, Mapping) else builds
        cases = trace_cases(
            cooker,
            places.suns,
            self.shape if shape is None else shape,
            dni=self.dni,
            builds=drawn,
            pot_base=places.base,
            pot_axis=places.axis,
            beams_per_facet=self.beams,
            replicates=self.replicates,
            seed=self.seed,
            streams=streams,
            threads=self.threads,
        )
        return Watts(cases.power[:, :, BASE], cases.power[:, :, MISSED:].sum(axis=2))

    def perfect(self, cases: int = 256) -> Watts:
        """Watts of the cooker without any error of making or use, as one build."""
        got = self.trace(Tolerances(), np.zeros(cases, dtype=int), streams=np.arange(cases))
        return Watts(got.delivered.reshape(1, -1), got.leaving.reshape(1, -1))


def prepare(
    scenario: Scenario,
    *,
    seed: int,
    beams: int = 1,
    replicates: int = 4,
    threads: int | None = None,
) -> Bench:
    """Set a scenario's cooker up at its design sun.

    Parameters
    ----------
    scenario : Scenario
    seed : int
        Key of all random numbers.
    beams, replicates : int
        Of each build; replicates at least 2.
    threads : int, optional
        Changes no bit of any result.

    Returns
    -------
    Bench
    """
    sun, _ = design_sun(scenario)
    alpha, gamma = float(sun.alpha[0]), float(sun.gamma[0])
    return Bench(
        scenario=scenario,
        cooker=build_cooker(scenario),
        tolerances=tolerances_from_scenario(scenario),
        shape=scenario_sunshape(scenario, float(sun.radius[0])),
        sun=np.asarray(sun.direction[0], dtype=float),
        alpha=alpha,
        gamma=gamma,
        dni=float(sun.dni[0]),
        dni_source=sun.dni_source,
        meant=stand(scenario, alpha, gamma),
        seed=seed,
        beams=beams,
        replicates=replicates,
        threads=threads,
    )


def miss_jacobian(cooker: Cooker, miss_plane: str) -> Array:
    """How far the laser's spot moves on the plane where a miss is measured, (F, 3, 2). [m/rad]

    Parameters
    ----------
    cooker : Cooker
        Perfectly set.
    miss_plane : str
        "base" or "upright", as in `raytrace.cooker.tolerances.Tolerances`.
    """
    f = cooker.facets
    normal = cooker.pot.axis if miss_plane == "base" else np.array([0.0, 1.0, 0.0])
    return spot_jacobian(f.mount, f.mount_radius, f.n, cooker.design_sun, cooker.pot.base, normal)


def same_build(numbers: NDArray[np.int64]) -> dict[int, NDArray[np.int64]]:
    """Every error source by the same build numbers, to be changed source by source."""
    return dict.fromkeys(BUILD_SOURCES, numbers)


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
    bench = prepare(scenario, seed=run.settings.seed, threads=run.settings.threads)
    there = replace(
        bench,
        sun=direction(moment.alpha, moment.gamma),
        alpha=moment.alpha,
        gamma=moment.gamma,
        dni=moment.dni,
        dni_source=moment.dni_source,
        meant=stand(scenario, moment.alpha, moment.gamma),
    )
    return there.trace(there.tolerances, np.arange(builds)).builds
