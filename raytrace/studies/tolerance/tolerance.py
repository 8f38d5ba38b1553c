"""How exactly must facets be set: watts against the setting error, over ensembles of builds.

The same builds are drawn at every level and traced with the same samples, so that curves are
smooth and their differences sharp. Levels come one by one, so that a caller can show progress,
save and resume; each depends on its own key alone.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker
from raytrace.cooker.tolerances import (
    SETTING,
    Tolerances,
    setting_sigma,
    sigma_from_miss,
    standard_normals,
)
from raytrace.exceptions import GeometryError
from raytrace.light.ensemble import (
    BLOCK,
    Ensemble,
    Watts,
    binomial_interval,
    design_ensemble,
    no_light,
)
from raytrace.light.placed import Placed
from raytrace.studies.tolerance.go_no_go import share_over, under_limit
from raytrace.studies.tolerance.threshold import Reach, largest_keeping

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "DEFAULT_LEVELS",
    "SHARES",
    "Kept",
    "Level",
    "Plan",
    "Tolerance",
    "Yield",
    "iter_levels",
    "pending",
    "put_together",
    "tolerance",
]

Array = NDArray[np.float64]

DEFAULT_LEVELS = tuple(float(x) for x in np.linspace(0.0, 15e-3, 16))  # [rad]
SHARES = (0.95, 0.90, 0.80)
# limits tried, over the workshop's own rms miss: beyond three hardly a facet is caught
OWN_LIMITS = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 3.0)
# limits tried for any workshop, over the widest that the sweep gives reason to try
ANY_LIMITS = tuple(k / 8 for k in range(1, 9))
FURTHER, MOST_FURTHER = 1.25, 12  # steps beyond what was asked for, until the last share is lost
MOST_SIGMA = 0.15  # beyond this a setting error is no error any more [rad]
CACHED = 64e6  # most memory for what all levels share [bytes]


@dataclass(frozen=True)
class Plan:
    """What to sweep, and how much to compute.

    Attributes
    ----------
    levels : tuple of float
        Setting errors: σ per axis [rad], or the laser's rms miss [m]. 0 is added if it is missing.
    kind : str
        "angle" or "miss".
    builds : int
        Builds at each level.
    others : bool
        Keep all other errors of the scenario; without them only the setting error acts.
    further : bool
        Go beyond the levels until the least share asked about is lost, and find go/no-go limits.
    seed, beams, replicates : int
        Key of all random numbers; beams a facet in each replicate, and replicates of each build.
    """

    levels: tuple[float, ...] = DEFAULT_LEVELS
    kind: str = "angle"
    builds: int = 200
    others: bool = True
    further: bool = True
    seed: int = 1
    beams: int = 1
    replicates: int = 2

    def __post_init__(self) -> None:
        levels = tuple(sorted({0.0, *(float(x) for x in self.levels)}))
        if levels[0] < 0.0 or not np.isfinite(levels).all() or len(levels) < 2:
            raise GeometryError("levels must be finite, not negative, and one of them over 0")
        if self.builds < 2 or self.replicates < 2 or self.beams < 1:
            raise GeometryError("builds and replicates must be 2 or more, beams 1 or more")
        if self.kind not in ("angle", "miss"):
            raise GeometryError(f'kind is "angle" or "miss", not {self.kind!r}')
        object.__setattr__(self, "levels", levels)


@dataclass(frozen=True, eq=False)
class Level:
    """One ensemble.

    Attributes
    ----------
    name : str
        "perfect", "scenario", or a family and a number, such as "setting/003".
    value : float
        What was set: σ per axis [rad] or rms miss [m] of "setting" and "scenario"; the limit [m]
        of "checked" and "any".
    sigma : float
        Setting error per axis, rms over facets, before any check. [rad]
    miss : float
        rms length of the laser spot's offset, over facets (and, under a limit, over builds). [m]
    redone : float
        Share of settings that are done again.
    watts : Watts
    """

    name: str
    value: float
    sigma: float
    miss: float
    redone: float
    watts: Watts

    @property
    def family(self) -> str:
        """Curve that this is a point of."""
        return self.name.split("/")[0]


@dataclass(frozen=True)
class Yield:
    """How many builds reach a number of watts; 95 % interval of their share."""

    reaching: int
    builds: int
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class Kept:
    """What a share of the watts demands of the setting.

    Attributes
    ----------
    share : float
    of : str
        "perfect": of the cooker without any error. "exact": of the one whose facets are exactly
        set, its other errors as they are.
    watts : float
        That many. [W]
    miss, sigma : Reach
        Largest rms miss of the laser [m], and σ per axis on this cooker [rad].
    limit : Reach or None
        Go/no-go limit for the scenario's own workshop. [m]
    redone : Reach
        Share of its settings that it then does again; its bounds are those of the limit.
    limit_any : Reach or None
        Go/no-go limit for any workshop: spots spread evenly within it. [m]
    redone_any : Reach
        Share of its settings that the scenario's own workshop would do again at that limit.
    """

    share: float
    of: str
    watts: float
    miss: Reach
    sigma: Reach
    limit: Reach | None
    redone: Reach
    limit_any: Reach | None
    redone_any: Reach


@dataclass(frozen=True, eq=False)
class Tolerance:
    """A whole study.

    Attributes
    ----------
    ensemble : Ensemble
        Scenario and cooker at the design sun.
    plan : Plan
    levels : tuple of Level
    """

    ensemble: Ensemble
    plan: Plan
    levels: tuple[Level, ...]

    def family(self, name: str) -> tuple[Level, ...]:
        """Levels of one curve, in order."""
        return tuple(x for x in self.levels if x.family == name)

    @property
    def perfect(self) -> Level:
        """The cooker without any error of making or use; its mirrors and sun are the scenario's."""
        return self.family("perfect")[0]

    @property
    def own(self) -> Level:
        """The scenario's own setting error."""
        return self.family("scenario")[0]

    @property
    def sweep(self) -> tuple[Level, ...]:
        """The swept setting error."""
        return self.family("setting")

    @cached_property
    def J(self) -> Array:
        """Spot movement per rotation of the facets that are present, (F, 3, 2). [m/rad]"""
        return _present_jacobian(self.ensemble)

    @property
    def miss_per_sigma(self) -> float:
        """Miss, rms over facets, for σ = 1 on every facet. [m/rad]"""
        return float(np.sqrt((self.J**2).sum(axis=(1, 2)).mean()))

    def yield_of(self, level: Level, watts: float) -> Yield:
        """Count the builds that reach a number of watts."""
        builds = level.watts.builds
        k, n = int((builds >= watts).sum()), len(builds)
        return Yield(k, n, k / n, *binomial_interval(k, n))

    def kept(self, shares: Collection[float] = SHARES) -> tuple[Kept, ...]:
        """What each share demands, of the perfect and of the exactly set cooker.

        Parameters
        ----------
        shares : collection of float

        Returns
        -------
        tuple of Kept
            Perfect first, in the order of `shares`.
        """
        return tuple(self._kept(share, of) for of in ("perfect", "exact") for share in shares)

    def _kept(self, share: float, of: str) -> Kept:
        reference = self.perfect if of == "perfect" else self.sweep[0]
        watts = share * reference.watts.power.mean
        sweep = self.sweep
        miss = self._reach([x.miss for x in sweep], sweep, share, of)
        sigma = self._reach([x.sigma for x in sweep], sweep, share, of)
        limit = limit_any = None
        redone = redone_any = Reach(0.0, 0.0, 0.0)
        own = _own_sigma(self.ensemble)
        if self.family("checked"):
            points = (sweep[0], *self.family("checked"))
            limit = self._reach([0.0, *(x.value for x in points[1:])], points, share, of)
            redone = self._over(own, limit)
        if self.family("any"):
            points = (sweep[0], *self.family("any"))
            limit_any = self._reach([0.0, *(x.value for x in points[1:])], points, share, of)
            redone_any = self._over(own, limit_any)
        return Kept(share, of, watts, miss, sigma, limit, redone, limit_any, redone_any)

    def _over(self, sigma: Array, limit: Reach) -> Reach:
        if not sigma.any():
            return Reach(0.0, 0.0, 0.0)
        # the stricter the limit, the more is done again
        over = (share_over(self.J, sigma, x).mean() for x in (limit.value, limit.high, limit.low))
        return Reach(*map(float, over))

    def _reach(self, x: list[float], levels: tuple[Level, ...], share: float, of: str) -> Reach:
        mean = np.array([level.watts.power.mean for level in levels])
        if of == "perfect":
            whole = self.perfect.watts.power
            se = np.hypot([level.watts.power.se for level in levels], share * whole.se)
            scale = whole.mean
        else:
            # the same builds with exact facets: what they share drops out of the difference
            exact = self.sweep[0].watts.builds
            scale = float(exact.mean())
            if not scale > 0.0:  # the other errors alone lose it all
                return Reach(0.0, 0.0, 0.0)
            left = np.array([level.watts.builds - share * exact for level in levels])
            se = left.std(axis=1, ddof=1) / np.sqrt(len(exact))
        return largest_keeping(
            np.array(x), mean / scale, se / scale, share, df=self.plan.builds - 1
        )


def _present_jacobian(ensemble: Ensemble) -> Array:
    J = ensemble.jacobian
    return np.asarray(J[ensemble.cooker.facets.present])


def _own_sigma(ensemble: Ensemble) -> Array:
    sigma = setting_sigma(ensemble.cooker, ensemble.tolerances)
    return np.asarray(sigma[ensemble.cooker.facets.present])


def pending(ensemble: Ensemble, plan: Plan, done: Mapping[str, Level]) -> dict[str, float]:
    """Ensembles that a study needs next, given those that are done.

    After the levels asked for come further ones, until the least of `SHARES` is lost, then the
    limits of a check. What is needed depends on watts alone, which depend on keys alone: so a
    study that is stopped and continued asks for the same.

    Parameters
    ----------
    ensemble : Ensemble
    plan : Plan
    done : mapping from str to Level

    Returns
    -------
    dict
        From names to `Level.value`; empty once the study is whole.

    Raises
    ------
    GeometryError
        If the perfect cooker brings nothing to the pot.
    """
    if "perfect" in done and not done["perfect"].watts.power.mean > 0.0:
        raise no_light(ensemble.scenario, "no share of it can be lost to setting errors")
    own = ensemble.tolerances.setting
    names = {"perfect": 0.0, "scenario": own}
    names |= {f"setting/{k:03d}": x for k, x in enumerate(plan.levels)}
    left = {k: x for k, x in names.items() if k not in done}
    if left or not plan.further:
        return left
    exact = done["setting/000"].watts.power.mean
    perfect = done["perfect"].watts.power.mean
    least = min(SHARES) * min(exact, perfect)
    count = sum(name.startswith("setting/") for name in done)
    last = done[f"setting/{count - 1:03d}"]
    too_far = last.sigma > MOST_SIGMA or count >= len(plan.levels) + MOST_FURTHER
    if _upper(last) >= least and not too_far:
        return {f"setting/{count:03d}": last.value * FURTHER}
    if own > 0.0 and _lower(done["scenario"]) < max(SHARES) * perfect:
        rms = done["scenario"].miss
        limits = {f"checked/{k:03d}": x * rms for k, x in enumerate(OWN_LIMITS)}
        left = {k: x for k, x in limits.items() if k not in done}
        if left:
            return left
    # evenly spread within a circle of radius m, spots have an rms miss of m/√2
    widest = np.sqrt(2.0) * last.miss
    limits = {f"any/{k:03d}": x * widest for k, x in enumerate(ANY_LIMITS)}
    left = {k: x for k, x in limits.items() if k not in done}
    if left:
        return left
    count = sum(name.startswith("any/") for name in done)
    last = done[f"any/{count - 1:03d}"]
    if _upper(last) >= least and not too_far and count < len(ANY_LIMITS) + MOST_FURTHER:
        return {f"any/{count:03d}": last.value * FURTHER}
    return {}


def _upper(level: Level) -> float:
    power = level.watts.power
    return power.mean + 2.5 * power.se


def _lower(level: Level) -> float:
    power = level.watts.power
    return power.mean - 2.5 * power.se


class _Blocks:
    """What all levels of a block of builds share, kept as far as memory allows."""

    def __init__(self, ensemble: Ensemble, tolerances: Tolerances) -> None:
        self.ensemble, self.tolerances = ensemble, tolerances
        self._kept: dict[int, tuple[tuple[Array, Array], Placed, Array]] = {}
        self._size = 0.0

    def get(self, numbers: NDArray[np.int64]) -> tuple[tuple[Array, Array], Placed, Array]:
        first = int(numbers[0])
        if first in self._kept:
            return self._kept[first]
        ensemble, facets = self.ensemble, self.ensemble.cooker.facets
        mounted = ensemble.mounted(self.tolerances, numbers)
        z = standard_normals(ensemble.settings.seed, SETTING, numbers, facets.row, facets.column, 2)
        found = mounted, ensemble.stood(self.tolerances, numbers), z
        self._size += mounted[0].nbytes + mounted[1].nbytes + z.nbytes
        if self._size <= CACHED:
            self._kept[first] = found
        return found


def iter_levels(
    ensemble: Ensemble,
    plan: Plan,
    *,
    done: Collection[Level] = (),
    tick: Callable[[int, int], Any] | None = None,
) -> Iterator[Level]:
    """Trace a study level by level.

    Parameters
    ----------
    ensemble : Ensemble
        Prepared with the plan's seed, beams and replicates.
    plan : Plan
    done : collection of Level
        Levels that need no tracing again.
    tick : callable, optional
        Called with the number of builds that were just traced, and of those known to be left.

    Yields
    ------
    Level
    """
    own = ensemble.tolerances if plan.others else _setting_only(ensemble.tolerances)
    blocks = _Blocks(ensemble, replace(own, setting=0.0))
    found = {x.name: x for x in done}
    if "perfect" not in found:  # a cooker without light is refused before all else is traced
        found["perfect"] = Level("perfect", 0.0, 0.0, 0.0, 0.0, ensemble.perfect())
        pending(ensemble, plan, found)
        yield found["perfect"]
    while True:
        jobs = pending(ensemble, plan, found)
        if not jobs:
            return
        left = plan.builds * len(jobs)
        for name, value in jobs.items():
            parts, squares = [], 0.0
            for first in range(0, plan.builds, BLOCK):
                numbers = np.arange(first, min(first + BLOCK, plan.builds))
                watts, square = _block(ensemble, plan, blocks, name, value, numbers)
                parts.append(watts)
                squares += square
                left -= len(numbers)
                if tick is not None:
                    tick(len(numbers), left)
            found[name] = _level(ensemble, plan, name, value, squares, Watts.join(parts))
            yield found[name]


def _block(
    ensemble: Ensemble,
    plan: Plan,
    blocks: _Blocks,
    name: str,
    value: float,
    numbers: NDArray[np.int64],
) -> tuple[Watts, float]:
    """Watts of some builds at a level, and the sum of their mean square misses [m²]."""
    mounted, stood, z = blocks.get(numbers)
    rotations = _rotations(ensemble, plan, name, value, z)
    watts = ensemble.trace(
        blocks.tolerances, numbers, rotations=rotations, mounted=mounted, stood=stood
    )
    return watts, _square_misses(ensemble, rotations)


def _setting_only(tolerances: Tolerances) -> Tolerances:
    return Tolerances(
        setting=tolerances.setting,
        setting_kind=tolerances.setting_kind,
        miss_plane=tolerances.miss_plane,
    )


def _sigma(ensemble: Ensemble, plan: Plan, family: str, value: float) -> Array:
    """σ per axis of every facet at a level, before any check, shape (F,). [rad]"""
    cooker: Cooker = ensemble.cooker
    if family != "setting":
        return setting_sigma(cooker, ensemble.tolerances)
    if plan.kind == "angle":
        return np.full(len(cooker.facets), value)
    return sigma_from_miss(value, ensemble.jacobian)


def _rotations(ensemble: Ensemble, plan: Plan, name: str, value: float, z: Array) -> Array:
    family = name.split("/")[0]
    if family in ("setting", "scenario"):
        return np.asarray(_sigma(ensemble, plan, family, value)[:, None] * z)
    J = ensemble.jacobian
    sigma = setting_sigma(ensemble.cooker, ensemble.tolerances) if family == "checked" else None
    return under_limit(z, J, sigma, value)


def _square_misses(ensemble: Ensemble, rotations: Array) -> float:
    """Sum of the facets' mean square misses over builds, to first order. [m²]"""
    J = ensemble.jacobian
    present = ensemble.cooker.facets.present
    miss = np.einsum("fxk,bfk->bfx", J[present], rotations[:, present])
    return float((miss**2).sum(axis=2).mean(axis=1).sum())


def _level(
    ensemble: Ensemble, plan: Plan, name: str, value: float, squares: float, watts: Watts
) -> Level:
    family = name.split("/")[0]
    present = ensemble.cooker.facets.present
    sigma = _sigma(ensemble, plan, family, value)[present]
    J = _present_jacobian(ensemble)
    if family in ("setting", "scenario"):
        miss = float(np.sqrt((sigma**2 * (J**2).sum(axis=(1, 2))).mean()))
        redone = 0.0
    else:
        miss = float(np.sqrt(squares / plan.builds))
        redone = float(share_over(J, sigma, value).mean()) if family == "checked" else np.nan
    spread = np.nan if family == "any" else float(np.sqrt((sigma**2).mean()))
    return Level(name, value, spread, miss, redone, watts)


def put_together(ensemble: Ensemble, plan: Plan, levels: Collection[Level]) -> Tolerance:
    """Make a study of its levels, whatever order they were done in.

    Raises
    ------
    GeometryError
        If some are missing.
    """
    missing = pending(ensemble, plan, {x.name: x for x in levels})
    if missing:
        raise GeometryError(f"levels not done: {', '.join(missing)}")
    return Tolerance(ensemble, plan, tuple(sorted(levels, key=lambda x: x.name)))


def tolerance(
    scenario: Scenario, plan: Plan | None = None, *, threads: int | None = None
) -> Tolerance:
    """Sweep the setting error of a scenario.

    Parameters
    ----------
    scenario : Scenario
    plan : Plan, optional
        Default: 0 to 15 mrad in 16 levels, 200 builds each, the scenario's seed.
    threads : int, optional
        Default: one per processor this process may use. Changes no bit of the result.

    Returns
    -------
    Tolerance
    """
    plan = Plan(seed=scenario.trace.seed) if plan is None else plan
    ensemble = design_ensemble(
        scenario, seed=plan.seed, beams=plan.beams, replicates=plan.replicates, threads=threads
    )
    return put_together(ensemble, plan, list(iter_levels(ensemble, plan)))
