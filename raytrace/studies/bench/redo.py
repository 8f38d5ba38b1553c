"""What a measured cooker delivers, and which of its facets to set again for a stated gain."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.aiming import axes
from raytrace.cooker.geometry import Cooker
from raytrace.cooker.tolerances import Builds, PotPlace, draw_builds, tolerances_from_scenario
from raytrace.exceptions import GeometryError
from raytrace.light.ensemble import no_light
from raytrace.light.placed import FacedSun, Placed, faced_design_sun, placed_singly
from raytrace.optics.cases import Cases
from raytrace.optics.tally import LINES
from raytrace.statistics.estimate import Estimate
from raytrace.studies.bench.spots import Measured, drawn_readings

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Redo", "RedoSettings", "StillLight", "redo", "still_light"]

Array = NDArray[np.float64]
BASE = LINES.index("base")

AWAY = 1e3  # where a facet that is not there is put, below everything and face down [m]
BATCH = 6  # candidates traced together in each step of the search
CHOICE, FIGURES = 1, 0  # streams of samples: the search's own, and that of every figure shown


@dataclass(frozen=True)
class RedoSettings:
    """How much to compute.

    Attributes
    ----------
    seed : int
        Key of samples and draws.
    beams : int or None
        A facet in each replicate; None for 16, fewer for very many facets.
    replicates : int
        Behind each standard error.
    builds : int
        Draws of the workshop's tolerances to compare with.
    readings : int
        Draws of the readings' errors.
    threads : int or None
        None for one per processor; changes no result.
    """

    seed: int = 1
    beams: int | None = None
    replicates: int = 16
    builds: int = 200
    readings: int = 64
    threads: int | None = None


@dataclass(frozen=True, eq=False)
class StillLight:
    """The design sun, the platform turned to it without error, the pot in its place.

    Attributes
    ----------
    sun : FacedSun
    placed : Placed
        One.
    """

    sun: FacedSun
    placed: Placed

    def trace(self, cooker: Cooker, builds: Builds | None = None, **options: Any) -> Cases:
        """Trace builds of a cooker in this light."""
        return self.placed.trace(cooker, self.sun.shape, dni=self.sun.dni, builds=builds, **options)


def still_light(scenario: Scenario, cooker: Cooker) -> StillLight:
    """Light for which a scenario's facets are set."""
    sun = faced_design_sun(scenario)
    return StillLight(sun, placed_singly(cooker, sun.direction, sun.meant))


@dataclass(frozen=True, eq=False)
class Redo:
    """What a measured cooker delivers, and what setting facets again would win.

    All watts are delivered watts at the design sun, with the pot in its place and the platform
    turned right.

    Attributes
    ----------
    measured : Measured
    light : StillLight
    settings : RedoSettings
    as_read : Estimate
        Of the cooker as its spots say. [W]
    perfect : Estimate
        Of the scenario's cooker, every facet perfectly aimed. [W]
    builds : ndarray, shape (settings.builds,)
        Of cookers drawn with the scenario's tolerances. [W]
    readings : ndarray, shape (2, settings.readings) or (2, 0)
        Of cookers that other readings would have told of: with their errors added once, and with
        twice their variance. [W]
    gain : Estimate
        Won by redoing one facet alone, shape (F,); a missing facet is replaced. [W]
    order : ndarray of int64, shape (F,)
        Facets in the order to redo them, each the best after those before it.
    curve : Estimate
        Delivered when the first k of `order` are redone, shape (F + 1,). [W]
    gains : Estimate
        The same less `curve[0]`; its error is that of the difference. [W]
    goal : float
        Gain that was asked for. [W]
    """

    measured: Measured
    light: StillLight
    settings: RedoSettings
    as_read: Estimate
    perfect: Estimate
    builds: Array
    readings: Array
    gain: Estimate
    order: NDArray[np.int64]
    curve: Estimate
    gains: Estimate
    goal: float

    @property
    def needed(self) -> int | None:
        """How many of `order` to redo for the goal; None if no number reaches it."""
        enough = np.flatnonzero(self.gains.value >= self.goal)
        return int(enough[0]) if len(enough) else None

    @property
    def reading_sd(self) -> float:
        """How far the readings' errors may have moved `as_read`: one standard deviation. [W]"""
        return float(self.readings[0].std(ddof=1)) if self.readings.shape[1] > 1 else 0.0

    @property
    def without_noise(self) -> float | None:
        """Watts with the bias of noisy readings taken out, as far as that goes. [W]

        Noise in the readings makes facets look worse set than they are. What it does when added
        once more and twice more tells what it has done already, by the parabola through the
        three. Good where that bias is small; a large one is taken out for the greater part.

        References
        ----------
        .. [1] J. R. Cook and L. A. Stefanski, "Simulation-extrapolation estimation in parametric
           measurement error models", J. Am. Stat. Assoc. 89 (1994) 1314–1328; the quadratic
           extrapolant. From memory.
        """
        if not self.readings.shape[1]:
            return None
        once, twice = self.readings.mean(axis=1)
        return float(3.0 * float(self.as_read) - 3.0 * once + twice)


def redo(
    measured: Measured,
    *,
    goal: float | None = None,
    goal_share: float = 0.8,
    settings: RedoSettings | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Redo:
    """Trace a measured cooker, each facet redone alone, and the best sets to redo.

    Parameters
    ----------
    measured : Measured
        From `raytrace.studies.bench.readings.read_measured`.
    goal : float, optional
        Gain wanted. [W]
    goal_share : float
        Without `goal`: share of the most that redoing facets would win.
    settings : RedoSettings, optional
    progress : callable
        Called with the share that is done.

    Returns
    -------
    Redo

    Raises
    ------
    GeometryError
        If the goal is not positive, or the readings are too uncertain to make sense.

    Notes
    -----
    Every case is traced again with all facets in place, so that what one facet takes from another
    by shading and blocking counts. All share their samples, so that differences are sharp. The
    search adds, step by step, the facet that wins most after those before it; the gains of facets
    hardly depend on each other, so that only the first few candidates are traced again in a step.
    It uses samples of its own: the figures shown are not flattered by having been picked.
    """
    settings = settings or RedoSettings()
    if goal is not None and not goal > 0.0:
        raise GeometryError("the gain to reach must be more than 0 W")
    if not 0.0 < goal_share <= 1.0:
        raise GeometryError("the share of the gain to reach must lie above 0 and up to 100 %")
    scenario, cooker = measured.scenario, measured.cooker
    light = still_light(scenario, cooker)
    F = len(cooker.facets)
    beams = settings.beams or max(4, 16 >> max((F - 1).bit_length() - 7, 0))
    options: dict[str, Any] = {
        "beams_per_facet": beams,
        "replicates": settings.replicates,
        "seed": settings.seed,
        "streams": FIGURES,
        "threads": settings.threads,
    }
    perfect = light.trace(cooker, **options).delivered[0]
    if not float(perfect) > 0.0:
        raise no_light(scenario, "no facet is worth redoing")
    builds = _builds(scenario, cooker, light, settings)
    progress(0.1)
    sets = _Sets(measured, light, options)
    readings = np.zeros((2, 0))
    for k, times in enumerate((1.0, 2.0)):
        other = drawn_readings(measured, seed=settings.seed, count=settings.readings, times=times)
        if other is not None:
            if not k:
                readings = np.zeros((2, len(other)))
            readings[k] = sets.watts(sets.builds_of(other)).mean(axis=1)
    progress(0.2)
    alone = sets.redone([(), *((f,) for f in range(F))])
    gain = Estimate.from_replicates((alone[1:] - alone[0]).T)
    progress(0.4)
    quick = {
        **options,
        "beams_per_facet": max(beams // 4, 1),
        "replicates": max(settings.replicates // 2, 2),
        "streams": CHOICE,
    }
    order = _search(_Sets(measured, light, quick), gain.value, lambda x: progress(0.4 + 0.4 * x))
    steps = sets.redone([tuple(order[:k]) for k in range(F + 1)])
    gains = Estimate.from_replicates((steps - steps[0]).T)
    progress(1.0)
    if goal is None:
        goal = goal_share * max(float(gains.value.max()), 0.0)
    return Redo(
        measured=measured,
        light=light,
        settings=replace(settings, beams=beams),
        as_read=Estimate.from_replicates(alone[0]),
        perfect=perfect,
        builds=builds,
        readings=readings,
        gain=gain,
        order=order,
        curve=Estimate.from_replicates(steps.T),
        gains=gains,
        goal=goal,
    )


def _builds(scenario: Scenario, cooker: Cooker, light: StillLight, settings: RedoSettings) -> Array:
    """Watts of cookers that the scenario's workshop would make, pot and platform in place."""
    tolerances = replace(tolerances_from_scenario(scenario), pot=PotPlace())
    drawn = draw_builds(
        cooker, tolerances, seed=settings.seed, builds=np.arange(max(settings.builds, 1))
    )
    cases = light.trace(
        cooker, drawn, replicates=4, beams_per_facet=2, seed=settings.seed, threads=settings.threads
    )
    return cases.delivered.value


class _Sets:
    """Traces a measured cooker with this or that set of facets redone, all in one call."""

    def __init__(self, measured: Measured, light: StillLight, options: dict[str, Any]) -> None:
        designed = measured.cooker.facets
        self.designed, self.measured = designed, measured
        self.light, self.options = light, options
        there = measured.present
        # what differs between cases may be placed, but is there in all of them
        self.cooker = replace(
            measured.cooker,
            facets=replace(
                designed,
                present=np.ones(len(designed), dtype=bool),
                reflectance=np.where(there, measured.reflectance, 1.0),
            ),
        )
        self.base = measured.cooker.pot.base

    def builds_of(self, n: Array) -> Builds:
        """Builds with these normals, shape (B, F, 3); facets that are missing are put away."""
        there = self.measured.present
        mount = np.where(there[:, None], self.designed.mount, self._away)
        return self._builds(np.tile(mount, (len(n), 1, 1)), np.where(there[:, None], n, DOWN))

    @property
    def _away(self) -> Array:
        return self.designed.mount - [0.0, 0.0, AWAY]

    def _builds(self, mount: Array, n: Array) -> Builds:
        B, F = n.shape[:2]
        u, v = axes(n.reshape(B * F, 3))
        return Builds(mount, n, u.reshape(B, F, 3), v.reshape(B, F, 3), np.tile(self.base, (B, 1)))

    def watts(self, builds: Builds) -> Array:
        """Delivered watts, shape (B, replicates)."""
        return self.light.trace(self.cooker, builds, **self.options).power[:, :, BASE]

    def redone(self, sets: Sequence[Sequence[int]]) -> Array:
        """Delivered watts with each of some sets of facets redone, shape (sets, replicates)."""
        measured, F = self.measured, len(self.designed)
        done = np.zeros((len(sets), F), dtype=bool)
        for k, chosen in enumerate(sets):
            done[k, list(chosen)] = True
        there = (measured.present | done)[:, :, None]
        n = np.where(done[:, :, None], self.designed.n, measured.n)
        mount = np.where(there, self.designed.mount, self._away)
        return self.watts(self._builds(mount, np.where(there, n, DOWN)))


DOWN = np.array([0.0, 0.0, -1.0])


def _search(sets: _Sets, first: ArrayLike, progress: Callable[[float], None]) -> NDArray[np.int64]:
    """Order of facets, each the best after those before it, by their traced gains."""
    expected = np.array(first, dtype=float)
    F = len(expected)
    order: list[int] = []
    left = np.ones(F, dtype=bool)
    now = sets.redone([()])[0].mean()
    while left.any():
        fresh = np.zeros(F, dtype=bool)
        watts = np.full(F, np.nan)
        while True:
            open_ = np.flatnonzero(left & ~fresh)
            batch = open_[np.argsort(-expected[open_], kind="stable")[:BATCH]]
            watts[batch] = sets.redone([(*order, int(f)) for f in batch]).mean(axis=1)
            fresh[batch] = True
            expected[batch] = watts[batch] - now
            best = int(np.flatnonzero(left)[np.argmax(expected[left])])
            if fresh[best]:
                break
        if expected[best] <= 0.0:
            # none wins any more: the rest follow as they stand
            rest = np.flatnonzero(left)
            order += [int(f) for f in rest[np.argsort(-expected[rest], kind="stable")]]
            break
        order.append(best)
        left[best] = False
        now = watts[best]
        progress(len(order) / F)
    return np.array(order, dtype=np.int64)
