"""Many builds of one cooker at its design sun: drawn, stood up, traced, and their spread.

Two kinds of noise are kept apart throughout. Builds differ because workshops err: that spread is
the subject. Tracing is noisy because it samples: that is a fault, and small. Each build is traced
with samples of its own, so that the tracing's noise falls with the number of builds as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.tolerances import (
    BUILD_SOURCES,
    POINTING,
    POT,
    SETTING,
    Builds,
    Tolerances,
    draw_builds,
    draw_poses,
    miss_jacobian,
    mount_builds,
    put_pots,
    tolerances_from_scenario,
)
from raytrace.exceptions import GeometryError, StudyError
from raytrace.light.placed import FacedSun, Placed, faced_design_sun, placed_singly
from raytrace.light.setup import LightSettings, Setup
from raytrace.optics.tally import BASE, MISSED
from raytrace.statistics.quantiles import Percentile, percentile, spread_error

if TYPE_CHECKING:
    from raytrace.cooker.geometry import Cooker
    from raytrace.scenario.schema import Scenario
    from raytrace.sky.sunshape import Sunshape

__all__ = [
    "BLOCK",
    "Conditions",
    "Ensemble",
    "Spread",
    "Watts",
    "binomial_interval",
    "design_ensemble",
    "no_light",
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
    delivered : ndarray, shape (B, R)
        Power on the base, build by replicate. [W]
    leaving : ndarray, shape (B, R)
        Power that leaves the mirrors unblocked, build by replicate. [W]
    group : int
        Builds in a row that are not independent of each other. [1]
    """

    delivered: Array
    leaving: Array
    group: int = field(default=1, kw_only=True)

    DIMS: ClassVar = {"B": "build", "R": "replicate"}
    ALSO: ClassVar = ("power", "intercept")
    APART: ClassVar[tuple[str, ...]] = ("delivered", "leaving", "group")

    @property
    def builds(self) -> Array:
        """Delivered watts of each build, shape (B,). [W]"""
        return np.asarray(self.delivered.mean(axis=1))

    @cached_property
    def power(self) -> Spread:
        """Delivered watts over the builds. [W]"""
        return Spread.of(self.delivered, self.group)

    @cached_property
    def intercept(self) -> Spread:
        """Share of what leaves the mirrors unblocked that is delivered, over the builds. [1]"""
        return Spread.of(self.intercepts, self.group)

    @property
    def intercepts(self) -> Array:
        """Intercept of each build, and to first order how each replicate moves it, shape (B, R)."""
        d, all_ = self.delivered, self.leaving
        mean = all_.mean(axis=1, keepdims=True)
        safe = np.where(mean > 0.0, mean, 1.0)
        share = np.where(mean > 0.0, d.mean(axis=1, keepdims=True) / safe, np.nan)
        return np.asarray(share + (d - share * all_) / safe)

    @staticmethod
    def join(parts: list[Watts]) -> Watts:
        """Blocks of builds put together.

        Parameters
        ----------
        parts : list of Watts
            All with as many replicates.

        Returns
        -------
        Watts
        """
        return Watts(
            np.concatenate([p.delivered for p in parts]), np.concatenate([p.leaving for p in parts])
        )


@dataclass(frozen=True)
class Spread:
    """Mean over builds, how sure it is, and how builds differ, in the figure's own unit.

    Attributes
    ----------
    mean : float
        Mean over the builds.
    se : float
        Standard error of the mean, builds' spread and tracing together.
    se_tracing : float
        The part of it that more samples would remove.
    sd, sd_se : float
        Standard deviation between builds, tracing's part taken out, and its standard error.
    p10, p50, p90 : Percentile
        What so many per cent of the builds stay under.
    """

    mean: float
    se: float
    se_tracing: float
    sd: float
    sd_se: float
    p10: Percentile
    p50: Percentile
    p90: Percentile

    HELD: ClassVar = True

    @classmethod
    def of(cls, x: Array, group: int = 1) -> Spread:
        """Mean and spread of replicates of each build.

        Parameters
        ----------
        x : ndarray, shape (B, R)
            In the unit that the spread is to have.
        group : int
            How many neighbouring builds are drawn together; divides B.

        Returns
        -------
        Spread
        """
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
            sd_se=float(spread_error(builds, group=group)),
            **{f"p{q}": percentile(builds, q, group=group) for q in (10, 50, 90)},
        )


def no_light(scenario: Scenario, so: str) -> StudyError:
    """Error of a cooker that brings nothing to the pot, and what can't be said of it.

    Parameters
    ----------
    scenario : Scenario
    so : str
        What can't be said of it, as a clause.

    Returns
    -------
    StudyError
        To be raised.
    """
    return StudyError(
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


@dataclass(frozen=True)
class Conditions:
    """What all ensembles of a study share.

    Attributes
    ----------
    sun_altitude, sun_azimuth : float
        The sun for which the facets are set; azimuth clockwise from north. [rad]
    dni : float
        Direct normal irradiance. [W/m²]
    dni_source : str
        Where that is from, in words.
    facets : int
        How many are there. [1]
    set_by : str
        How the scenario sets them: "laser" or "angle".
    miss_plane : str
        Where a miss is measured, see `raytrace.cooker.tolerances.Tolerances`.
    """

    sun_altitude: float
    sun_azimuth: float
    dni: float
    dni_source: str
    facets: int
    set_by: str
    miss_plane: str


@dataclass(frozen=True, eq=False)
class Ensemble(Setup):
    """A scenario under one sun, ready to be traced as many cookers.

    Its cooker is exactly set, and its sunshape that of its sun.

    Attributes
    ----------
    scenario, cooker, tolerances, shape, settings
        As in `raytrace.light.setup.Setup`.
    sun : FacedSun
    """

    sun: FacedSun

    @cached_property
    def jacobian(self) -> Array:
        """How far the laser's spot moves where a miss is measured, (F, 3, 2). [m/rad]"""
        return miss_jacobian(self.cooker, self.tolerances.miss_plane)

    @property
    def conditions(self) -> Conditions:
        """What all that is traced here shares."""
        return Conditions(
            self.sun.alpha,
            self.sun.gamma,
            self.sun.dni,
            self.sun.dni_source,
            int(self.cooker.facets.present.sum()),
            self.tolerances.set_by,
            self.tolerances.miss_plane,
        )

    def stood(self, tolerances: Tolerances, builds: Numbers) -> Placed:
        """Stand every build up as its operator would: pot put down, platform turned.

        Parameters
        ----------
        tolerances : Tolerances
        builds : array_like of int, shape (B,), or mapping of such
            As in `raytrace.cooker.tolerances.draw_builds`.

        Returns
        -------
        Placed

        Raises
        ------
        GeometryError
            If a build's platform tilts into its pot.
        """
        seed, sun = self.settings.seed, self.sun
        put = put_pots(self.cooker, tolerances.pot, seed=seed, builds=_of(builds, POT))
        numbers = np.atleast_1d(_of(builds, POINTING))
        poses = draw_poses(sun.meant, tolerances.pointing, seed=seed, build=numbers)
        try:
            return placed_singly(self.cooker, sun.direction, poses, put)
        except GeometryError:
            for k, number in enumerate(numbers):
                try:
                    placed_singly(self.cooker, sun.direction, poses[k : k + 1], put[k : k + 1])
                except GeometryError as error:
                    raise GeometryError(f"build {number}: {error}") from None
            raise

    def mounted(self, tolerances: Tolerances, builds: Numbers) -> tuple[Array, Array]:
        """Where the mounts are and how the facets face before the setting error, for `trace`.

        Parameters
        ----------
        tolerances, builds
            As in `stood`.

        Returns
        -------
        mount, n : ndarray, shape (B F, 3)
            As `raytrace.cooker.tolerances.mount_builds` has them. Turning centres [m] and normals.
        """
        return mount_builds(self.cooker, tolerances, seed=self.settings.seed, builds=builds)

    def trace(
        self,
        tolerances: Tolerances,
        builds: Numbers,
        *,
        rotations: Array | None = None,
        mounted: tuple[Array, Array] | None = None,
        stood: Placed | None = None,
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
        stood : Placed, optional
            From `stood`, to save that step.
        streams : array_like of int, shape (B,), optional
            Samples that each build is traced with; by default its number.
        cooker : Cooker, optional
            Instead of the ensemble's, such as one with another mirror.
        shape : Sunshape, optional
            Instead of the ensemble's.

        Returns
        -------
        Watts
        """
        power = self.ledgers(
            tolerances,
            builds,
            rotations=rotations,
            mounted=mounted,
            stood=stood,
            streams=streams,
            cooker=cooker,
            shape=shape,
        )
        return Watts(power[:, :, BASE], power[:, :, MISSED:].sum(axis=2))

    def ledgers(
        self,
        tolerances: Tolerances,
        builds: Numbers,
        *,
        rotations: Array | None = None,
        mounted: tuple[Array, Array] | None = None,
        stood: Placed | None = None,
        streams: ArrayLike | None = None,
        cooker: Cooker | None = None,
        shape: Sunshape | None = None,
        drawn: Builds | None = None,
    ) -> Array:
        """Trace an ensemble, and say where all its sunlight goes.

        Parameters
        ----------
        tolerances, builds, rotations, mounted, stood, streams, cooker, shape
            As in `trace`.
        drawn : Builds, optional
            Instead of those that are drawn by `builds`.

        Returns
        -------
        ndarray, shape (B, R, L)
            By `raytrace.optics.tally.LINES`. [W]
        """
        cooker = self.cooker if cooker is None else cooker
        if drawn is None:
            drawn = draw_builds(
                cooker,
                tolerances,
                seed=self.settings.seed,
                builds=builds,
                mounted=mounted,
                rotations=rotations,
            )
        seen = self.stood(tolerances, builds) if stood is None else stood
        cases = seen.trace(
            cooker,
            self.shape if shape is None else shape,
            dni=self.sun.dni,
            builds=drawn,
            streams=_of(builds, SETTING) if streams is None else streams,
            **self.settings.tracing,
        )
        return cases.power

    def no_errors(self, cases: int = 256) -> Watts:
        """Watts of the cooker with no errors of building or use, as one build.

        Parameters
        ----------
        cases : int
            How many times it is traced, each with light of its own.

        Returns
        -------
        Watts
            Of B = 1 build and as many replicates as cases.
        """
        got = self.trace(Tolerances(), np.zeros(cases, dtype=int), streams=np.arange(cases))
        return Watts(got.delivered.reshape(1, -1), got.leaving.reshape(1, -1))


def design_ensemble(
    scenario: Scenario,
    *,
    seed: int,
    beams: int = 1,
    replicates: int = 4,
    threads: int | None = None,
) -> Ensemble:
    """Make a scenario's cooker ready to be built many times, at its design sun.

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
    Ensemble
    """
    sun = faced_design_sun(scenario)
    settings = LightSettings(beams, replicates, seed, threads=threads)
    tolerances = tolerances_from_scenario(scenario)
    return Ensemble(scenario, build_cooker(scenario), tolerances, sun.shape, settings, sun)


def _of(builds: Numbers, source: int) -> ArrayLike:
    """Build numbers of one error source."""
    return builds[source] if isinstance(builds, Mapping) else builds


def same_build(numbers: NDArray[np.int64]) -> dict[int, NDArray[np.int64]]:
    """Every error source by the same build numbers, to be changed source by source.

    Parameters
    ----------
    numbers : ndarray of int, shape (B,)

    Returns
    -------
    dict of int to ndarray
        Error source to build numbers, as `raytrace.cooker.tolerances.draw_builds` takes them.
    """
    return dict.fromkeys(BUILD_SOURCES, numbers)
