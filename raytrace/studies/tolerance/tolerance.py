"""How exactly must facets be set: watts against the setting error, over ensembles of builds."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import StudyError
from raytrace.light.drawn import likely_power
from raytrace.light.ensemble import Conditions, Ensemble, binomial_interval, design_ensemble
from raytrace.statistics.likely import Likely
from raytrace.store.work import Progress, work
from raytrace.studies.tolerance.go_no_go import share_over
from raytrace.studies.tolerance.sweep import (
    NO_ERRORS,
    SHARES,
    Level,
    TolerancePlan,
    iter_levels,
    levels_like,
    own_sigma,
    pending,
    present_jacobian,
)
from raytrace.studies.tolerance.threshold import Bounded, Reach, crossing, largest_keeping

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "ENOUGH",
    "Kept",
    "Tolerance",
    "Yields",
    "levels_of",
    "part_of",
    "put_together",
    "tolerance",
]

Array = NDArray[np.float64]

EXACTLY_SET = "exactly set"  # facets without setting error, all else as the scenario says
FAMILIES = ("setting", "scenario", "checked", "any")
WANTED = 0.9  # of the watts with no errors, where nothing else is asked
ENOUGH = 0.9  # share of the builds that must reach them, for a setting error to be small enough


@dataclass(frozen=True, eq=False)
class Yields:
    """How many builds reach a number of watts, at each of L levels.

    Attributes
    ----------
    reaching : ndarray of int, shape (L,)
        Builds that reach it. [1]
    share : ndarray, shape (L,)
        That share of the builds. [1]
    low, high : ndarray, shape (L,)
        Bounds of its 95 % interval. [1]
    """

    reaching: NDArray[np.int64]
    share: Array
    low: Array
    high: Array

    DIMS: ClassVar = {"L": "level"}


@dataclass(frozen=True)
class Kept:
    """What a share of the watts demands of the setting.

    Attributes
    ----------
    share : float
        Of the watts of that cooker. [1]
    of : str
        "no errors": of the cooker with no errors of building or use. "exactly set": of the one
        whose facets have no setting error, all else as the scenario says.
    watts : float
        That many. [W]
    miss : Reach
        Largest miss of the laser, rms over facets. [m]
    sigma : Reach
        Largest setting error per axis. [rad]
    limit : Reach or None
        Go/no-go limit for the scenario's own workshop; none where it needs no check. [m]
    redone : Bounded
        Share of its settings that it then does again; its bounds are those of the limit. [1]
    limit_any : Reach or None
        Go/no-go limit for any workshop: spots spread evenly within it. [m]
    redone_any : Bounded
        Share of its settings that the scenario's own workshop would do again at that limit. [1]
    """

    share: float
    of: str
    watts: float
    miss: Reach
    sigma: Reach
    limit: Reach | None
    redone: Bounded
    limit_any: Reach | None
    redone_any: Bounded

    SHOWN: ClassVar = {"sigma": "mrad"}


@dataclass(frozen=True, eq=False)
class Tolerance:
    """How exactly facets must be set.

    Attributes
    ----------
    scenario : Scenario
    plan : TolerancePlan
    conditions : Conditions
        Sun and cooker of all ensembles.
    jacobian : ndarray, shape (F, 3, 2)
        Spot movement per rotation about u and v, of the facets that are there. [m/rad]
    own_sigma : ndarray, shape (F,)
        Setting error per axis, as the scenario says. [rad]
    no_errors : Level
        The cooker with no errors of building or use; its mirrors and sun are the scenario's.
    levels : tuple of Level, shape (L,)
        Ensembles by what is set.
    wanted : float
        What a build must reach to count as good. [W]
    expected : Likely or None
        Watts of a cooker built and used as the scenario says. [W]
    """

    scenario: Scenario
    plan: TolerancePlan
    conditions: Conditions
    jacobian: Array
    own_sigma: Array
    no_errors: Level
    levels: tuple[Level, ...]
    wanted: float
    expected: Likely | None = None

    DIMS: ClassVar = {"L": "level", "F": "facet", "K": "kept"}
    COORDS: ClassVar = {"level": "names"}
    ALSO: ClassVar = ("miss_per_sigma", "of_no_errors", "yields", "kept")
    APART: ClassVar = ("jacobian", "own_sigma")

    @property
    def names(self) -> NDArray[np.str_]:
        """Names of the levels, shape (L,)."""
        return np.array([x.name for x in self.levels])

    def family(self, name: str) -> tuple[Level, ...]:
        """Levels of one curve, in order.

        Parameters
        ----------
        name : str
            One of `FAMILIES`.

        Returns
        -------
        tuple of Level
        """
        return tuple(x for x in self.levels if x.family == name)

    @property
    def own(self) -> Level:
        """The scenario's own setting error."""
        return self.family("scenario")[0]

    @property
    def sweep(self) -> tuple[Level, ...]:
        """The swept setting error; its first is exactly set."""
        return self.family("setting")

    @property
    def miss_per_sigma(self) -> float:
        """Miss, rms over facets, by the setting error per axis. [m/rad]"""
        return float(np.sqrt((self.jacobian**2).sum(axis=(1, 2)).mean()))

    @property
    def of_no_errors(self) -> Array:
        """Mean delivered watts over those with no errors, shape (L,). [1]"""
        return np.array([x.power.mean / self.no_errors.power.mean for x in self.levels])

    def wanting(self, watts: float | None) -> Tolerance:
        """The same study, asked for other watts.

        Parameters
        ----------
        watts : float or None
            None for those it has. [W]

        Returns
        -------
        Tolerance
        """
        return self if watts is None else replace(self, wanted=watts)

    @cached_property
    def yields(self) -> Yields:
        """How many builds reach the watts wanted, at each level, shape (L,)."""
        n = self.plan.builds
        reaching = np.array([int((x.builds >= self.wanted).sum()) for x in self.levels])
        low, high = np.array([binomial_interval(int(k), n) for k in reaching]).T
        return Yields(reaching, reaching / n, low, high)

    @cached_property
    def kept(self) -> tuple[Kept, ...]:
        """What shares of the watts demand, with no errors first, then exactly set, shape (K,)."""
        return tuple(self._kept(share, of) for of in (NO_ERRORS, EXACTLY_SET) for share in SHARES)

    @property
    def alike(self) -> bool:
        """Whether the sweep is by what the scenario states, so that its own error is one of it."""
        return self.plan.kind == self.scenario.errors.setting_kind or not self.own.sigma > 0.0

    @property
    def enough(self) -> str:
        """Whether nine of ten builds, set as it says, reach the watts: yes, no or borderline."""
        k = self.levels.index(self.own)
        if self.yields.low[k] >= ENOUGH:
            return "yes"
        return "no" if self.yields.high[k] < ENOUGH else "borderline"

    @property
    def largest(self) -> Reach:
        """Largest miss, rms over facets, at which nine of ten builds reach the watts. [m]"""
        at = np.array([x.miss for x in self.sweep])
        tenth = np.array([[p.value, p.low, p.high] for p in (x.power.p10 for x in self.sweep)])
        # few builds bound nothing: the tenth of all there might be may lie anywhere
        tenth = np.where(np.isfinite(tenth), tenth, (0.0, 0.0, 2.0 * self.wanted))
        return Reach(*(crossing(at, y, self.wanted) for y in tenth.T))

    @property
    def kept_of_no_errors(self) -> tuple[Kept, ...]:
        """Of these, those of the cooker with no errors."""
        return tuple(k for k in self.kept if k.of == NO_ERRORS)

    def _kept(self, share: float, of: str) -> Kept:
        sweep, none = self.sweep, Bounded(0.0, 0.0, 0.0)
        reference = self.no_errors if of == NO_ERRORS else sweep[0]
        limits: list[Reach | None] = []
        for family in ("checked", "any"):
            points = self.family(family)
            x = [0.0, *(p.limit for p in points)]
            limits.append(self._reach(x, (sweep[0], *points), share, of) if points else None)
        redone = [none if limit is None else self._over(limit) for limit in limits]
        return Kept(
            share=share,
            of=of,
            watts=share * reference.power.mean,
            miss=self._reach([x.miss for x in sweep], sweep, share, of),
            sigma=self._reach([x.sigma for x in sweep], sweep, share, of),
            limit=limits[0],
            redone=redone[0],
            limit_any=limits[1],
            redone_any=redone[1],
        )

    def _over(self, limit: Reach) -> Bounded:
        if not self.own_sigma.any():
            return Bounded(0.0, 0.0, 0.0)
        # the stricter the limit, the more is done again
        return Bounded(
            *(
                float(share_over(self.jacobian, self.own_sigma, x).mean())
                for x in (limit.value, limit.high, limit.low)
            )
        )

    def _reach(self, x: list[float], levels: tuple[Level, ...], share: float, of: str) -> Reach:
        mean = np.array([level.power.mean for level in levels])
        if of == NO_ERRORS:
            whole = self.no_errors.power
            se = np.hypot([level.power.se for level in levels], share * whole.se)
            scale = whole.mean
        else:
            # the same builds exactly set: what they share drops out of the difference
            builds = self.sweep[0].builds
            scale = float(builds.mean())
            if not scale > 0.0:  # the other errors alone lose it all
                return Reach(0.0, 0.0, 0.0)
            left = np.array([level.builds - share * builds for level in levels])
            se = left.std(axis=1, ddof=1) / np.sqrt(len(builds))
        return largest_keeping(
            np.array(x), mean / scale, se / scale, share, df=self.plan.builds - 1
        )


def put_together(ensemble: Ensemble, plan: TolerancePlan, levels: Collection[Level]) -> Tolerance:
    """Make a study of its levels, whatever order they were done in.

    Parameters
    ----------
    ensemble : Ensemble
    plan : TolerancePlan
    levels : collection of Level

    Returns
    -------
    Tolerance

    Raises
    ------
    StudyError
        If some are missing.
    """
    found = {x.name: x for x in levels}
    missing = pending(ensemble, plan, found)
    if missing:
        raise StudyError(f"levels not done: {', '.join(missing)}")
    no_errors = found.pop(NO_ERRORS)
    return Tolerance(
        ensemble.scenario,
        plan,
        ensemble.conditions,
        present_jacobian(ensemble),
        own_sigma(ensemble),
        no_errors,
        tuple(sorted(found.values(), key=lambda x: (FAMILIES.index(x.family), x.name))),
        ensemble.scenario.workshop.wanted or WANTED * no_errors.power.mean,
    )


def tolerance(
    scenario: Scenario,
    plan: TolerancePlan | None = None,
    *,
    watts: float | None = None,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> Tolerance:
    """Sweep the setting error of a scenario.

    Parameters
    ----------
    scenario : Scenario
    plan : TolerancePlan, optional
        Default: 16 levels of what the scenario states its setting error by (see
        `raytrace.studies.tolerance.sweep.levels_like`), 200 builds each, the scenario's seed.
    watts : float, optional
        What a build must reach to count as good; the results file keeps all builds, so that
        others can be asked for later. Default: the scenario's `workshop.wanted`, or 90 % of what
        there is with no errors. [W]
    path : path, optional
        Results file to write; levels already traced are kept beside it, and it is read if it
        holds this very study.
    overwrite : bool
        Begin again, whatever is there.
    progress : callable, optional
        Takes how many builds are done, and of how many known so far.
    threads : int, optional
        Default: one per processor this process may use. Changes no bit of the result.
    command : str
        By which it is made; the results file says it.

    Returns
    -------
    Tolerance

    Raises
    ------
    StudyError
        If a cooker with no errors brings nothing to the pot.
    GeometryError
        If a build's platform tilts into its pot.
    StoreError
        If the file holds another study, or can't be written.
    """
    if plan is None:
        plan = TolerancePlan(*levels_like(scenario), seed=scenario.trace.seed)
    with work("tolerance", [scenario], plan, path, overwrite=overwrite) as kept:
        if kept.result is None:
            ensemble = design_ensemble(
                scenario,
                seed=plan.seed,
                beams=plan.beams,
                replicates=plan.replicates,
                threads=threads,
            )
            done = levels_of(kept.done)
            for level in iter_levels(ensemble, plan, done=done, progress=progress):
                kept.keep(level.name, part_of(level))
            study = put_together(ensemble, plan, levels_of(kept.done))
            if plan.draws:
                expected = likely_power(scenario, plan.draws, seed=plan.seed, threads=threads)
                study = replace(study, expected=expected)
            kept.finish(study, command=command)
        found: Tolerance = kept.result
    return found.wanting(watts)


def part_of(level: Level) -> dict[str, Any]:
    """Level as a finished part.

    Parameters
    ----------
    level : Level

    Returns
    -------
    dict
        Its fields but the name.
    """
    return {f.name: getattr(level, f.name) for f in fields(level) if f.name != "name"}


def levels_of(parts: Mapping[str, Mapping[str, Any]]) -> list[Level]:
    """Levels from finished parts by name.

    Parameters
    ----------
    parts : mapping of str to mapping
        From `part_of`.

    Returns
    -------
    list of Level
    """
    return [Level(name=name, **part) for name, part in parts.items()]
