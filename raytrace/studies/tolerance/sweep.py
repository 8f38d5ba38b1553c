"""Levels of setting error, each an ensemble of builds: which there are, and their watts.

The same builds are drawn at every level and traced with the same samples, so that curves are
smooth and their differences sharp. Levels come one by one, so that they can be kept as they are
done; each depends on its own key alone.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

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
from raytrace.exceptions import SettingsError
from raytrace.light.ensemble import (
    BLOCK,
    Ensemble,
    Watts,
    no_light,
)
from raytrace.light.placed import Placed
from raytrace.store.work import Progress
from raytrace.studies.tolerance.go_no_go import share_over, under_limit

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "DEFAULT_LEVELS",
    "NO_ERRORS",
    "SHARES",
    "STEPS",
    "Level",
    "TolerancePlan",
    "iter_levels",
    "levels_like",
    "own_sigma",
    "pending",
    "present_jacobian",
]

Array = NDArray[np.float64]

STEPS = 16  # levels in a row that is not listed
MOST_ANGLE = 15e-3  # of these [rad]
DEFAULT_LEVELS = tuple(float(x) for x in np.linspace(0.0, MOST_ANGLE, STEPS))  # [rad]
SHARES = (0.95, 0.90, 0.80)
# limits tried, over the workshop's own rms miss: beyond three hardly a facet is caught
OWN_LIMITS = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 3.0)
# limits tried for any workshop, over the widest that the sweep gives reason to try
ANY_LIMITS = tuple(k / 8 for k in range(1, 9))
FURTHER, MOST_FURTHER = 1.25, 12  # steps beyond what was asked for, until the last share is lost
NO_ERRORS = "no errors"  # in building or in use; mirrors and sun are the scenario's
MOST_SIGMA = 0.15  # beyond this a setting error is no error any more [rad]
CACHED = 64e6  # most memory for what all levels share [bytes]


@dataclass(frozen=True)
class TolerancePlan:
    """What to sweep, and how much to compute.

    Attributes
    ----------
    levels : tuple of float
        Setting errors: σ per axis [rad], or the laser's rms miss [m]. 0 is added if it is missing.
    kind : str
        "angle": the same angle for every facet; "miss": the same miss, so that near facets may be
        set less exactly than far ones.
    builds : int
        Builds at each level. [1]
    others : bool
        Keep all other errors of the scenario; without them only the setting error acts.
    further : bool
        Go beyond the levels until the least share asked about is lost, and find go/no-go limits.
    seed, beams, replicates : int
        Key of all random numbers; beams a facet in each replicate, and replicates of each build.
    draws : int
        Draws of all that isn't known, of building and of use, for what may be expected; 0 for
        none. [1]
    """

    levels: tuple[float, ...] = DEFAULT_LEVELS
    kind: str = "angle"
    builds: int = 200
    others: bool = True
    further: bool = True
    seed: int = 1
    beams: int = 1
    replicates: int = 2
    draws: int = 0

    def __post_init__(self) -> None:
        levels = tuple(sorted({0.0, *(float(x) for x in self.levels)}))
        if levels[0] < 0.0 or not np.isfinite(levels).all() or len(levels) < 2:
            raise SettingsError("levels must be finite, not negative, and one of them over 0")
        if self.builds < 2 or self.replicates < 2 or self.beams < 1:
            raise SettingsError("builds and replicates must be 2 or more, beams 1 or more")
        if self.kind not in ("angle", "miss"):
            raise SettingsError(f'kind is "angle" or "miss", not {self.kind!r}')
        object.__setattr__(self, "levels", levels)


@dataclass(frozen=True, eq=False)
class Level(Watts):
    """Watts of one ensemble: builds set with the same error.

    Attributes
    ----------
    delivered : ndarray, shape (B, R)
        Power on the base, build by replicate. [W]
    leaving : ndarray, shape (B, R)
        Power that leaves the mirrors unblocked, build by replicate. [W]
    group : int
        Builds in a row that are not independent of each other. [1]
    name : str
        `NO_ERRORS`; "scenario", set as the scenario says; or a family and a number: "setting/003"
        of the sweep, "checked/003" as the scenario says but set again over a limit, "any/003" set
        again over a limit in any workshop.
    sigma : float
        Setting error per axis, rms over facets, before any check. [rad]
    miss : float
        Length of the laser spot's offset, rms over facets and, under a limit, over builds. [m]
    limit : float
        Largest miss that passes; nan where nothing is checked. [m]
    redone : float
        Share of settings that are done again; nan where that depends on the workshop. [1]
    """

    name: str
    sigma: float
    miss: float
    limit: float
    redone: float

    SHOWN: ClassVar = {"sigma": "mrad"}

    @property
    def family(self) -> str:
        """Curve that this is a point of."""
        return self.name.split("/")[0]


def levels_like(scenario: Scenario, steps: int = STEPS) -> tuple[tuple[float, ...], str]:
    """Levels to sweep by the unit that a scenario states its setting error in.

    Parameters
    ----------
    scenario : Scenario
    steps : int
        How many.

    Returns
    -------
    levels : tuple of float
        Angles up to 15 mrad [rad], or misses up to about half the base's radius, where light
        begins to go past it [m].
    kind : str
        "angle" or "miss".

    Examples
    --------
    >>> from raytrace import load_scenario
    >>> levels, kind = levels_like(load_scenario("scenarios/courtyard.toml"))
    >>> levels[:3], kind
    ((0.0, 0.004, 0.008), 'miss')
    """
    kind = scenario.errors.setting_kind
    last = MOST_ANGLE
    if kind == "miss":
        last = 1e-3 * (STEPS - 1) * max(round(250.0 * scenario.pot.diameter / (STEPS - 1)), 1)
    return tuple(float(x) for x in np.linspace(0.0, last, steps)), kind


def present_jacobian(ensemble: Ensemble) -> Array:
    """Spot movement per rotation of the facets that are present.

    Parameters
    ----------
    ensemble : Ensemble

    Returns
    -------
    ndarray, shape (F, 3, 2)
        [m/rad]
    """
    J = ensemble.jacobian
    return np.asarray(J[ensemble.cooker.facets.present])


def own_sigma(ensemble: Ensemble) -> Array:
    """Setting error per axis of the facets that are present, as the scenario says.

    Parameters
    ----------
    ensemble : Ensemble

    Returns
    -------
    ndarray, shape (F,)
        [rad]
    """
    sigma = setting_sigma(ensemble.cooker, ensemble.tolerances)
    return np.asarray(sigma[ensemble.cooker.facets.present])


def pending(ensemble: Ensemble, plan: TolerancePlan, done: Mapping[str, Level]) -> dict[str, float]:
    """Ensembles that a study needs next, given those that are done.

    After the levels asked for come further ones, until the least of `SHARES` is lost, then the
    limits of a check. What is needed depends on watts alone, which depend on keys alone: so a
    study that is stopped and continued asks for the same.

    Parameters
    ----------
    ensemble : Ensemble
    plan : TolerancePlan
    done : mapping from str to Level

    Returns
    -------
    dict
        From names to what is set: σ per axis [rad] or rms miss [m] of "setting" and "scenario",
        the limit [m] of "checked" and "any"; empty once the study is whole.

    Raises
    ------
    StudyError
        If a cooker with no errors brings nothing to the pot.
    """
    if NO_ERRORS in done and not done[NO_ERRORS].power.mean > 0.0:
        raise no_light(ensemble.scenario, "no share of it can be lost to setting errors")
    own = ensemble.tolerances.setting
    names = {NO_ERRORS: 0.0, "scenario": own}
    names |= {f"setting/{k:03d}": x for k, x in enumerate(plan.levels)}
    left = {k: x for k, x in names.items() if k not in done}
    if left or not plan.further:
        return left
    exactly_set, whole = (done[k].power.mean for k in ("setting/000", NO_ERRORS))
    least = min(SHARES) * min(exactly_set, whole)
    count = sum(name.startswith("setting/") for name in done)
    last = done[f"setting/{count - 1:03d}"]
    too_far = last.sigma > MOST_SIGMA or count >= len(plan.levels) + MOST_FURTHER
    if _upper(last) >= least and not too_far:
        steps = [FURTHER] * (count - len(plan.levels) + 1)
        return {f"setting/{count:03d}": math.prod(steps, start=plan.levels[-1])}
    if own > 0.0 and _lower(done["scenario"]) < max(SHARES) * whole:
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
        return {f"any/{count:03d}": last.limit * FURTHER}
    return {}


def _upper(level: Level) -> float:
    power = level.power
    return power.mean + 2.5 * power.se


def _lower(level: Level) -> float:
    power = level.power
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
    plan: TolerancePlan,
    *,
    done: Collection[Level] = (),
    progress: Progress | None = None,
) -> Iterator[Level]:
    """Trace a study level by level.

    Parameters
    ----------
    ensemble : Ensemble
        Prepared with the plan's seed, beams and replicates.
    plan : TolerancePlan
    done : collection of Level
        Levels that need no tracing again.
    progress : callable, optional
        Takes how many builds are done, and of how many known so far.

    Yields
    ------
    Level
    """
    own = ensemble.tolerances if plan.others else _setting_only(ensemble.tolerances)
    blocks = _Blocks(ensemble, replace(own, setting=0.0))
    found = {x.name: x for x in done}
    if NO_ERRORS not in found:  # a cooker without light is refused before all else is traced
        watts = ensemble.no_errors()
        level = Level(watts.delivered, watts.leaving, NO_ERRORS, 0.0, 0.0, np.nan, 0.0)
        found[NO_ERRORS] = level
        pending(ensemble, plan, found)
        yield level
    while jobs := pending(ensemble, plan, found):
        traced = plan.builds * (len(found) - 1)
        known = traced + plan.builds * len(jobs)
        for name, value in jobs.items():
            parts, squares = [], 0.0
            for first in range(0, plan.builds, BLOCK):
                numbers = np.arange(first, min(first + BLOCK, plan.builds))
                watts, square = _block(ensemble, plan, blocks, name, value, numbers)
                parts.append(watts)
                squares += square
                traced += len(numbers)
                if progress is not None:
                    progress(traced, known)
            found[name] = _level(ensemble, plan, name, value, squares, Watts.join(parts))
            yield found[name]


def _block(
    ensemble: Ensemble,
    plan: TolerancePlan,
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


def _sigma(ensemble: Ensemble, plan: TolerancePlan, family: str, value: float) -> Array:
    """σ per axis of every facet at a level, before any check, shape (F,). [rad]"""
    cooker: Cooker = ensemble.cooker
    if family != "setting":
        return setting_sigma(cooker, ensemble.tolerances)
    if plan.kind == "angle":
        return np.full(len(cooker.facets), value)
    return sigma_from_miss(value, ensemble.jacobian)


def _rotations(ensemble: Ensemble, plan: TolerancePlan, name: str, value: float, z: Array) -> Array:
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
    ensemble: Ensemble, plan: TolerancePlan, name: str, value: float, squares: float, watts: Watts
) -> Level:
    family = name.split("/")[0]
    sigma = _sigma(ensemble, plan, family, value)[ensemble.cooker.facets.present]
    J = present_jacobian(ensemble)
    if family in ("setting", "scenario"):
        miss = float(np.sqrt((sigma**2 * (J**2).sum(axis=(1, 2))).mean()))
        limit, redone = np.nan, 0.0
    else:
        miss, limit = float(np.sqrt(squares / plan.builds)), float(value)
        redone = float(share_over(J, sigma, value).mean()) if family == "checked" else np.nan
    spread = np.nan if family == "any" else float(np.sqrt((sigma**2).mean()))
    return Level(watts.delivered, watts.leaving, name, spread, miss, limit, redone)
