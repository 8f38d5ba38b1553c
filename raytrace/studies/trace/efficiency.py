"""What a cooker makes of the sun, wherever it stands: a table to compute with elsewhere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import SettingsError, StudyError
from raytrace.light.ensemble import no_light
from raytrace.light.expected import Expected
from raytrace.light.placed import placed
from raytrace.light.setup import LightSettings, Setup, built_cooker, set_up, stand, tilt_limits
from raytrace.optics.tally import BASE, MISSED
from raytrace.sky.ground import ground_of
from raytrace.sky.sun import sun_direction
from raytrace.statistics.estimate import Estimate
from raytrace.store.work import Progress, work
from raytrace.studies.trace.sun_grid import between, first_nodes, refined

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Efficiency", "EfficiencyPlan", "efficiency"]

Array = NDArray[np.float64]

ZENITH, ROUND = 0.5 * np.pi, np.pi
# nodes to begin with, between which others are put where the efficiency bends
ALTITUDES = np.radians(np.arange(0.0, 91.0, 10.0))
AZIMUTHS = np.radians([10.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, 150.0])
BESIDE = np.radians(7.5)  # of the lines along which nodes are chosen
LEAST = np.radians(0.25)  # between two nodes
ROUGH = 4, 8  # replicates, and cases in each, by which nodes are chosen
FIRST, FAINT = 2, 1e-4  # uses by which a sun is found faint, and the efficiency that is [1]
OWN_BEAMS = 2  # a facet in each replicate of the one build, which only they make uncertain


@dataclass(frozen=True)
class EfficiencyPlan:
    """Which suns, and how much to compute.

    Attributes
    ----------
    altitude : (float, float)
        Sun's altitude, from and to. [rad]
    azimuth : (float, float)
        How far clockwise of the platform's heading the sun stands, from and to. [rad]
    tolerance : float
        What reading between nodes may be off, as a share of the efficiency at the design sun. [1]
    uses : int
        Cases in each replicate of each sun that tells, each a way to turn the platform and to put
        the pot; builds are a quarter as many, up to 8. [1]
    replicates : int
        Behind the standard errors. [1]
    beams : int
        A facet, in each of a case's two traces. [1]
    seed, build : int
    """

    altitude: tuple[float, float] = (0.0, ZENITH)
    azimuth: tuple[float, float] = (-ROUND, ROUND)
    tolerance: float = 2e-3
    uses: int = 32
    replicates: int = 16
    beams: int = 1
    seed: int = 1
    build: int = 0

    def __post_init__(self) -> None:
        for name, (low, high), (least, most) in (
            ("altitude", self.altitude, (0.0, ZENITH)),
            ("azimuth", self.azimuth, (-ROUND, ROUND)),
        ):
            if not (least - 1e-12 <= low <= high - LEAST and high <= most + 1e-12):
                raise SettingsError(
                    f"{name} from {np.degrees(low):g}° to {np.degrees(high):g}°: must rise within "
                    f"{np.degrees(least):g}° to {np.degrees(most):g}°"
                )
        if not 1e-5 <= self.tolerance <= 0.1:
            raise SettingsError(f"tolerance {self.tolerance:g}: a share from 0.00001 to 0.1")
        if min(self.uses, self.replicates) < 4:
            raise SettingsError("uses and replicates must be 4 or more")

    @classmethod
    def of(cls, scenario: Scenario, **changes: Any) -> EfficiencyPlan:
        """Plan with the scenario's seed and build.

        Parameters
        ----------
        scenario : Scenario
        **changes
            Fields that are to be otherwise; None leaves one as it is.

        Returns
        -------
        EfficiencyPlan
        """
        values: dict[str, Any] = {"seed": scenario.trace.seed, "build": scenario.trace.build}
        return cls(**(values | {k: v for k, v in changes.items() if v is not None}))


@dataclass(frozen=True, eq=False)
class Efficiency:
    """Efficiency and intercept fraction of a cooker for suns all over the sky.

    The efficiency is the watts on the base over DNI times the area of all mirrors.

    Attributes
    ----------
    scenario : Scenario
    plan : EfficiencyPlan
    mirror_area : float
        Area of all facets that are present. [m²]
    altitudes : ndarray, shape (A,)
        Sun's altitude above the horizon, rising. [rad]
    azimuths : ndarray, shape (G,)
        How far clockwise of the platform's heading the sun stands, rising. [rad]
    tilt : ndarray, shape (A,)
        Of the platform, as the scenario has it for a sun of that altitude. [rad]
    delivered : ndarray, shape (n, A, G)
        Replicates of the efficiency, averaged over builds and uses. [1]
    leaving : ndarray, shape (n, A, G)
        Replicates of what leaves the mirrors unblocked, over DNI times the mirror area. [1]
    spread : ndarray, shape (A, G)
        Standard deviation of the efficiency between cookers built and used alike. [1]
    own_delivered, own_leaving : ndarray, shape (n, A, G)
        The same of the one build, its platform and pot just where they are meant to be. [1]
    """

    scenario: Scenario
    plan: EfficiencyPlan
    mirror_area: float
    altitudes: Array
    azimuths: Array
    tilt: Array
    delivered: Array
    leaving: Array
    spread: Array
    own_delivered: Array
    own_leaving: Array

    DIMS: ClassVar = {"n": "replicate", "A": "altitude", "G": "azimuth"}
    COORDS: ClassVar = {"altitude": "altitudes", "azimuth": "azimuths"}
    ALSO: ClassVar = (
        "efficiency",
        "intercept",
        "build_efficiency",
        "build_intercept",
        "platform_altitude",
        "platform_azimuth",
    )
    APART: ClassVar = ("delivered", "leaving", "own_delivered", "own_leaving")

    @cached_property
    def efficiency(self) -> Estimate:
        """Watts on the base over DNI × mirror area, mean over builds, shape (A, G). [1]"""
        return Estimate.from_replicates(self.delivered)

    @cached_property
    def intercept(self) -> Estimate:
        """Share of the light leaving the mirrors unblocked that arrives, shape (A, G). [1]"""
        return Estimate.from_jackknife(_share, self.delivered, self.leaving)

    @cached_property
    def build_efficiency(self) -> Estimate:
        """Efficiency of the one build, exactly turned, shape (A, G). [1]"""
        return Estimate.from_replicates(self.own_delivered)

    @cached_property
    def build_intercept(self) -> Estimate:
        """Intercept fraction of the one build, exactly turned, shape (A, G). [1]"""
        return Estimate.from_jackknife(_share, self.own_delivered, self.own_leaving)

    @cached_property
    def _in_platform(self) -> Array:
        alpha, gamma = (
            x.ravel() for x in np.meshgrid(self.altitudes, self.azimuths, indexing="ij")
        )
        meant = stand(self.scenario, alpha, np.zeros_like(alpha))
        s = meant.to_platform(sun_direction(alpha, gamma))
        return s.reshape(len(self.altitudes), len(self.azimuths), 3)

    @property
    def platform_altitude(self) -> Array:
        """Sun's angle from the plane of the tilted platform, shape (A, G). [rad]"""
        return np.asarray(np.arcsin(np.clip(self._in_platform[..., 2], -1.0, 1.0)))

    @property
    def platform_azimuth(self) -> Array:
        """Sun's angle clockwise of the heading in that plane, shape (A, G). [rad]"""
        return np.asarray(np.arctan2(self._in_platform[..., 0], self._in_platform[..., 1]))

    def at(self, altitude: ArrayLike, azimuth: ArrayLike = 0.0, *, build: bool = False) -> Estimate:
        """Efficiency for any sun, read between the nodes.

        Parameters
        ----------
        altitude : array_like
            Sun's altitude above the horizon. [rad]
        azimuth : array_like
            Sun's azimuth less the platform's heading, both clockwise from north; 0 for a
            platform that faces the sun. [rad]
        build : bool
            That of the one build, exactly turned, instead of the mean.

        Returns
        -------
        Estimate
            0 while the sun is down, nan where the table has no suns. [1]

        Notes
        -----
        By cubic splines along both axes, anew on either side of an altitude at which the platform
        meets a limit of its tilt, where the efficiency has a kink.
        """
        x = self._read(altitude, azimuth, build)
        found = Estimate.from_replicates(x)
        return Estimate(np.maximum(found.value, 0.0), found.se, found.n_replicates)

    def watts(
        self,
        dni: ArrayLike,
        altitude: ArrayLike,
        azimuth: ArrayLike = 0.0,
        *,
        build: bool = False,
    ) -> Estimate:
        """Power on the base for any sun.

        Parameters
        ----------
        dni : array_like
            Direct normal irradiance. [W/m²]
        altitude, azimuth, build
            As in `at`.

        Returns
        -------
        Estimate
            [W]
        """
        found, scale = self.at(altitude, azimuth, build=build), np.asarray(dni) * self.mirror_area
        return Estimate(found.value * scale, found.se * scale, found.n_replicates)

    def energy(
        self,
        irradiation: ArrayLike,
        altitude: ArrayLike,
        azimuth: ArrayLike = 0.0,
        *,
        build: bool = False,
    ) -> Estimate:
        """Energy on the base under many suns, with the standard error of the sum.

        Parameters
        ----------
        irradiation : array_like, shape (N,)
            Direct normal irradiance times how long each sun stands for. [J/m²]
        altitude, azimuth, build
            As in `at`, N of them.

        Returns
        -------
        Estimate
            The suns share random draws, so that their standard errors don't add up by squares. [J]
        """
        x = self._read(altitude, azimuth, build)
        weight = np.broadcast_to(np.asarray(irradiation, dtype=float), x.shape[1:])
        return Estimate.from_replicates(
            (x * weight).reshape(len(x), -1).sum(axis=1) * self.mirror_area
        )

    def _read(self, altitude: ArrayLike, azimuth: ArrayLike, build: bool) -> Array:
        """Replicates of the efficiency for any suns, (n, ...)."""
        alpha, gamma = np.broadcast_arrays(
            np.asarray(altitude, dtype=float), np.asarray(azimuth, dtype=float)
        )
        shape, alpha = alpha.shape, alpha.ravel()
        gamma = (gamma.ravel() + ROUND) % (2.0 * ROUND) - ROUND
        values = np.moveaxis(self.own_delivered if build else self.delivered, 0, -1)
        low, high = self.azimuths[[0, -1]]
        out = np.full((len(alpha), values.shape[2]), np.nan)
        for start, stop in _pieces(self.scenario, self.altitudes):
            nodes = self.altitudes[start:stop]
            here = (nodes[0] <= alpha) & (alpha <= nodes[-1]) & (low <= gamma) & (gamma <= high)
            if here.any():
                out[here] = between(
                    (nodes, self.azimuths), values[start:stop], (alpha[here], gamma[here])
                )
        out[alpha < 0.0] = 0.0
        return out.T.reshape(-1, *shape)


def efficiency(
    scenario: Scenario,
    plan: EfficiencyPlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> Efficiency:
    """Tabulate what a cooker makes of the sun, over its altitude and its azimuth from the heading.

    Parameters
    ----------
    scenario : Scenario
    plan : EfficiencyPlan, optional
        By default `EfficiencyPlan.of(scenario)`: all the sky.
    path : path, optional
        Results file (.h5) to write; each row of suns is kept beside it as soon as it is done, so
        that the same call goes on where it was stopped.
    overwrite : bool
        Begin again, whatever of this program's is there.
    progress : callable, optional
        Called with the rows done, and with all.
    threads : int, optional
        One a processor by default; changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    Efficiency

    Raises
    ------
    StudyError
        If nothing reaches the base with the sun at the design altitude, or the ground slopes.
    GeometryError
        If the platform would tilt into a pot on the ground.
    StoreError
        If the path holds another study, or can't be written.

    Notes
    -----
    Altitudes are above the horizon, with the platform tilted as the scenario says for a sun of
    that altitude: a levelled pot, or one on the ground, is seen by the mirrors otherwise at every
    tilt, so that the sun's place in the platform's frame alone does not decide the watts. For
    another tilt set `platform.tilt`. The sun has the size of the scenario's, on average where that
    is "by date".

    Nodes are put closer together until a cubic spline along each axis meets rough traces half-way
    between them. Each row of suns of one altitude has random draws of its own, so that their noise
    averages out in a sum over a day. Where a first trace finds less than 1e-4 on the base, the
    table keeps what it found; elsewhere all is drawn anew.
    """
    plan = EfficiencyPlan.of(scenario) if plan is None else plan
    if ground_of(scenario.site).slope:
        raise StudyError(
            f"{scenario.source}: site.slope: on a slope the watts hang on the heading, too, "
            "which no table over altitude and azimuth holds. Set site.slope = 0 deg."
        )
    with work("efficiency", [scenario], plan, path, overwrite=overwrite) as kept:
        if kept.result is None:
            expected = Expected(
                scenario, build_cooker(scenario), plan.replicates, plan.beams, plan.seed
            )
            table = _Table(scenario, plan, expected, threads)
            if "grid" not in kept.done:
                altitudes, azimuths = table.grid()
                kept.keep("grid", {"altitudes": altitudes, "azimuths": azimuths})
            altitudes, azimuths = (
                np.asarray(kept.done["grid"][k]) for k in ("altitudes", "azimuths")
            )
            rows = (
                (f"{k}", table.row(k, alpha, azimuths))
                for k, alpha in enumerate(altitudes)
                if f"{k}" not in kept.done
            )
            kept.each(rows, progress, 1.0 + len(altitudes))
            kept.finish(_put_together(table, kept.done), command=command)
        result: Efficiency = kept.result
        return result


@dataclass(frozen=True, eq=False)
class _Table:
    """What the rows of a table are traced with."""

    scenario: Scenario
    plan: EfficiencyPlan
    expected: Expected
    threads: int | None

    @cached_property
    def area(self) -> float:
        """Of all mirrors. [m²]"""
        return float(self.expected.cooker.mirror_area)

    def drawn(self, stream: int, replicates: int, copies: int) -> Expected:
        """Builds and uses with random draws of their own."""
        plan, cooker = self.plan, self.expected.cooker
        own = (plan.beams, plan.seed, stream, self.threads, copies)
        return Expected(self.scenario, cooker, replicates, *own)

    def exactly(self, replicates: int) -> Setup:
        """The one build."""
        keys = LightSettings(OWN_BEAMS, replicates, self.plan.seed, self.plan.build, self.threads)
        built = built_cooker(self.scenario, keys)
        # a build's pot stands where one use put it: here the facets alone are as built
        return set_up(self.scenario, keys, cooker=replace(built, pot=self.expected.cooker.pot))

    def own(self, setup: Setup, alpha: Array, gamma: Array, stream: int) -> Array:
        """Ledgers of the one build, exactly turned, for 1 W/m²: (N, n, 8). [m²]"""
        meant = stand(self.scenario, alpha, np.zeros_like(alpha))
        seen = placed(setup.cooker, sun_direction(alpha, gamma), meant)
        streams = np.full(len(alpha), stream)
        cases = seen.trace(
            setup.cooker, setup.shape, dni=1.0, streams=streams, **setup.settings.tracing
        )
        return cases.power

    def grid(self) -> tuple[Array, Array]:
        """Altitudes and azimuths at which a spline follows the efficiency."""
        rough, setup = self.drawn(0, ROUGH[0], 1), self.exactly(2)
        design = float(self.scenario.design.sun_altitude)

        def sampled(alpha: Array, gamma: Array) -> Array:
            """Mean and one build on lines, both as shares of what they are at the design sun."""
            a, g = (x.ravel() for x in np.broadcast_arrays(alpha, gamma))
            mean = rough.at(a, g, ROUGH[1])[..., BASE].mean(axis=(1, 2, 3))
            one = self.own(setup, a, g, 0)[..., BASE].mean(axis=1)
            return np.stack([mean, one]).reshape(2, *np.broadcast_shapes(alpha.shape, gamma.shape))

        ahead = np.full((1, 1), design), np.zeros((1, 1))
        most = sampled(*ahead)
        if not most.min() > 0.0:
            raise no_light(self.scenario, "its efficiency has no scale")
        beside = np.array([-BESIDE, 0.0, BESIDE])
        asked: dict[str, Any] = {"tolerance": self.plan.tolerance, "least": LEAST}

        def along_altitude(alpha: Array) -> Array:
            found = sampled(alpha[:, None], np.clip(beside, *self.plan.azimuth)[None]) / most
            return np.concatenate(list(found), axis=1)

        def along_azimuth(gamma: Array) -> Array:
            lines = np.clip(design + beside, *self.plan.altitude)
            found = sampled(lines[None], gamma[:, None]) / most
            return np.concatenate(list(found), axis=1)

        ends = [self.plan.altitude[0], *_kinks(self.scenario, self.plan.altitude)]
        ends.append(self.plan.altitude[1])
        altitudes = [
            refined(first_nodes(a, b, [*ALTITUDES, design]), along_altitude, **asked)
            for a, b in pairwise(ends)
        ]
        marks = [*-AZIMUTHS, 0.0, *AZIMUTHS]
        first = first_nodes(*self.plan.azimuth, marks)
        return np.unique(np.concatenate(altitudes)), refined(first, along_azimuth, **asked)

    def row(self, k: int, alpha: float, azimuths: Array) -> dict[str, Array]:
        """One altitude: replicates and spread, as shares of DNI times mirror area."""
        alphas = np.full(len(azimuths), alpha)
        out = self.mean(2 * k + 1, alphas, azimuths, FIRST)
        tells = out["delivered"].mean(axis=0) > FAINT
        if tells.any():
            found = self.mean(2 * k + 2, alphas[tells], azimuths[tells], self.plan.uses)
            for name, values in found.items():
                out[name][..., tells] = values
        own = self.own(self.exactly(self.plan.replicates), alphas, azimuths, 1 + k) / self.area
        return out | {
            "own_delivered": own[..., BASE].T,
            "own_leaving": own[..., MISSED:].sum(axis=2).T,
        }

    def mean(self, stream: int, alpha: Array, gamma: Array, uses: int) -> dict[str, Array]:
        """Replicates of the mean over builds and uses, and the spread between these."""
        power = self.drawn(stream, self.plan.replicates, 2).at(alpha, gamma, uses) / self.area
        cases = power[..., BASE].mean(axis=3).reshape(len(alpha), -1)
        tracing = power[..., BASE].var(axis=3, ddof=1).mean(axis=(1, 2)) / 2.0
        return {
            "delivered": power[..., BASE].mean(axis=(2, 3)).T,
            "leaving": power[..., MISSED:].sum(axis=4).mean(axis=(2, 3)).T,
            "spread": np.sqrt(np.maximum(cases.var(axis=1, ddof=1) - tracing, 0.0)),
        }


def _put_together(table: _Table, done: Mapping[str, Mapping[str, Any]]) -> Efficiency:
    altitudes, azimuths = (np.asarray(done["grid"][k]) for k in ("altitudes", "azimuths"))

    def all_of(name: str) -> Array:
        return np.stack([np.asarray(done[f"{k}"][name]) for k in range(len(altitudes))], axis=-2)

    names = "delivered", "leaving", "spread", "own_delivered", "own_leaving"
    return Efficiency(
        table.scenario,
        table.plan,
        table.area,
        altitudes,
        azimuths,
        stand(table.scenario, altitudes, np.zeros_like(altitudes)).tilt,
        *(all_of(name) for name in names),
    )


def _kinks(scenario: Scenario, span: tuple[float, float]) -> list[float]:
    """Altitudes within a span at which the platform's tilt meets a limit."""
    if not isinstance(scenario.platform.tilt, str):
        return []
    found = [float(scenario.design.sun_altitude) + limit for limit in tilt_limits(scenario)]
    return [k for k in found if span[0] + LEAST < k < span[1] - LEAST]


def _pieces(scenario: Scenario, altitudes: Array) -> Iterator[tuple[int, int]]:
    """Where the altitudes between two kinks begin and end."""
    kinks = _kinks(scenario, (float(altitudes[0]), float(altitudes[-1])))
    ends = [0, *(int(np.abs(altitudes - k).argmin()) for k in kinks), len(altitudes) - 1]
    return ((a, b + 1) for a, b in pairwise(ends))


def _share(delivered: Array, leaving: Array) -> Array:
    return np.where(leaving > 0.0, delivered / np.where(leaving > 0.0, leaving, 1.0), np.nan)
