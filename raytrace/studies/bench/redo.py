"""What a measured cooker delivers, and which of its facets to redo for a stated gain."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.aiming import axes
from raytrace.cooker.geometry import Cooker, geometry_problems
from raytrace.cooker.tolerances import (
    READING,
    Builds,
    PotPlace,
    draw_builds,
    standard_normals,
    tolerances_from_scenario,
)
from raytrace.exceptions import SettingsError
from raytrace.light.drawn import light_unknowns, likely_power, reshapes
from raytrace.light.ensemble import no_light
from raytrace.optics.tally import LINES
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.likely import Likely
from raytrace.studies.bench.common_cause import common_cause, set_with
from raytrace.studies.bench.design_light import StillLight, still_light
from raytrace.studies.bench.moves import UNDONE, After, moves_of, places_of, stood_after
from raytrace.studies.bench.spot_geometry import normals_from_spots, spots_on_plane
from raytrace.studies.bench.spots_data import Common, Move, Redo, Spots, SpotsPlan
from raytrace.studies.bench.worth import worth_of

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["drawn_readings", "redo"]

Array = NDArray[np.float64]
BASE = LINES.index("base")

MEASURED = ("errors.setting", "errors.rig.")  # keys that measured spots take the place of
AWAY = 1e3  # where a facet that is not there is put, below everything and face down [m]
BATCH = 6  # candidates traced together in each step of the search
EASIER = 0.02  # of the most that any move wins: so much less is the easier one's due
CHOICE, FIGURES = 1, 0  # streams of samples: the search's own, and that of every figure shown


def drawn_readings(measured: Spots, *, seed: int, count: int, times: float = 1.0) -> Array | None:
    """Normals for other readings that might as well have been taken of the same cooker.

    Parameters
    ----------
    measured : Spots
    seed : int
        Key of the draws.
    count : int
        How many.
    times : float
        Errors of so many times their variance; the same random draws for any.

    Returns
    -------
    n : ndarray, shape (count, F, 3), or None
        Each spot displaced by its reading error, the laser off the facet's centre by the rig's
        `hit`; None if neither has a size.

    Raises
    ------
    GeometryError
        If the readings are so uncertain that some spot becomes impossible.
    """
    rig, facets = measured.rig, measured.cooker.facets
    if not measured.sigma.any() and not rig.hit:
        return None
    z = standard_normals(seed, READING, np.arange(count), facets.row, facets.column, 4)
    z *= np.sqrt(times)
    spot = measured.spot + measured.sigma[:, None] * z[:, :, :2]
    hit = rig.hit * z[:, :, 2:] if rig.hit else None
    n = normals_from_spots(measured.cooker, rig, measured.plane, spot, hit=hit)
    read = np.asarray(np.isfinite(measured.spot).all(axis=1))
    return np.where(read[:, None], n, measured.n)


def redo(
    measured: Spots,
    *,
    threads: int | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Redo:
    """Trace a measured cooker, each facet redone alone, and the best sets to redo.

    Parameters
    ----------
    measured : Spots
        From `raytrace.studies.bench.readings.read_measured`; its plan says how much to compute.
    threads : int, optional
        Changes no result.
    progress : callable
        Called with the share that is done.

    Returns
    -------
    Redo

    Raises
    ------
    SettingsError
        If the gain to reach is not positive.
    GeometryError
        If the readings are too uncertain to make sense, or nothing reaches the pot.

    Notes
    -----
    Every case is traced again with all facets in place, so that what one facet takes from another
    by shading and blocking counts. All share their samples, so that differences are sharp. The
    search adds, step by step, the facet that wins most after those before it; the gains of facets
    hardly depend on each other, so that only the first few candidates are traced again in a step.
    It uses samples of its own: the figures shown are not flattered by having been picked.
    """
    plan = measured.plan
    if plan.gain is not None and not plan.gain > 0.0:
        raise SettingsError("the gain to reach must be more than 0 W")
    if plan.gain_share is not None and not 0.0 < plan.gain_share <= 1.0:
        raise SettingsError("the share of the gain to reach must lie above 0 and up to 100 %")
    scenario, cooker = measured.scenario, measured.cooker
    light = still_light(scenario, cooker)
    F = len(cooker.facets)
    beams = plan.beams or max(4, 16 >> max((F - 1).bit_length() - 7, 0))
    options: dict[str, Any] = {
        "beams_per_facet": beams,
        "replicates": plan.replicates,
        "seed": plan.seed,
        "streams": FIGURES,
        "threads": threads,
    }
    quick = {
        **options,
        "beams_per_facet": max(beams // 4, 1),
        "replicates": max(plan.replicates // 2, 2),
        "streams": CHOICE,
    }
    exactly_set = light.trace(cooker, **options).delivered[0]
    if not float(exactly_set) > 0.0:
        raise no_light(scenario, "no facet is worth redoing")
    builds = _builds(scenario, cooker, light, plan=plan, threads=threads)
    progress(0.1)
    common = common_cause(measured)
    measured = _likewise(measured, common)
    still = After(cooker, light)
    sets = _Sets(measured, still, options)
    once, twice = (
        drawn_readings(measured, seed=plan.seed, count=plan.readings, times=x) for x in (1.0, 2.0)
    )
    readings, own = np.zeros((2, 0)), np.zeros((0, F))
    if once is not None and twice is not None:
        own = sets.by_facet(once)
        other = sets.watts(sets.builds_of(twice)).mean(axis=1)
        readings = np.stack([own.sum(axis=1), other])
    progress(0.2)
    as_read = sets.redone([()])[0]
    move, after = _best_move(sets, quick, common, as_read, once, readings[0])
    if after is not None:
        sets, own = after
    alone = sets.redone([(), *((f,) for f in range(F))])
    gain = Estimate.from_replicates((alone[1:] - alone[0]).T)
    progress(0.4)
    order = _search(
        _Sets(measured, sets.after, quick), gain.value, lambda x: progress(0.4 + 0.4 * x)
    )
    steps = sets.redone([tuple(order[:k]) for k in range(F + 1)])
    gains = Estimate.from_replicates((steps - steps[0]).T)
    progress(1.0)
    goal = plan.gain
    if goal is None and plan.gain_share is not None:
        goal = plan.gain_share * max(float(gains.value.max()), 0.0)
    return Redo(
        light=light.design,
        beams=beams,
        as_read=Estimate.from_replicates(as_read),
        exactly_set=exactly_set,
        builds=builds,
        readings=readings,
        worth=worth_of(scenario),
        common=common,
        move=move,
        off=np.linalg.norm(
            measured.spot
            - spots_on_plane(cooker, measured.rig, measured.plane, facets=sets.designed),
            axis=1,
        ),
        gain=gain,
        gain_sd=own.std(axis=0, ddof=1) if len(own) > 1 else np.zeros(F),
        order=order,
        curve=Estimate.from_replicates(steps.T),
        gains=gains,
        goal=goal,
        expected=_expected(_Sets(measured, still, options), _drawn_rest(measured, once), threads),
    )


def _drawn_rest(measured: Spots, once: Array | None) -> Array:
    """Normals, shape (B, F, 3), by other readings; of facets without one, as the workshop's are."""
    n = measured.n[None] if once is None else once
    rest = measured.present & ~measured.read & ~measured.missed_card
    if not rest.any():
        return n
    plan, tolerances = measured.plan, tolerances_from_scenario(measured.scenario)
    builds = np.arange(plan.readings)
    drawn = draw_builds(measured.cooker, tolerances, seed=plan.seed, builds=builds).n
    return np.where(rest[:, None], drawn, n)


def _expected(sets: _Sets, n: Array, threads: int | None) -> Likely | None:
    """Watts to be expected of the measured cooker, its facets as other readings would have them."""
    scenario, plan = sets.measured.scenario, sets.measured.plan
    if not plan.draws:
        return None
    return likely_power(
        scenario,
        plan.draws,
        seed=plan.seed,
        # of the cooker that was measured: no draw gives it another shape
        keys=tuple(
            u.key
            for u in light_unknowns(scenario)
            if not (u.key.startswith(MEASURED) or reshapes(u.key))
        ),
        built=(sets.cooker, sets.builds_of(n)),
        threads=threads,
    )


def _builds(
    scenario: Scenario,
    cooker: Cooker,
    light: StillLight,
    *,
    plan: SpotsPlan,
    threads: int | None,
) -> Array:
    """Watts of cookers that the scenario's workshop would make, pot and platform in place."""
    tolerances = replace(tolerances_from_scenario(scenario), pot=PotPlace())
    drawn = draw_builds(cooker, tolerances, seed=plan.seed, builds=np.arange(max(plan.builds, 1)))
    cases = light.trace(
        cooker, drawn, replicates=4, beams_per_facet=2, seed=plan.seed, threads=threads
    )
    return cases.delivered.value


def _likewise(measured: Spots, common: Common | None) -> Spots:
    """Facets without a spot as the others are: set with what those have in common."""
    if common is None or not common.causes or common.misread:
        return measured
    by_laser = measured.scenario.errors.set_by == "laser"
    alike = set_with(measured.cooker, common.causes[0].size, by_laser=by_laser)
    unread = np.asarray(np.isnan(measured.spot).any(axis=1))
    return replace(measured, n=np.where(unread[:, None], alike.n, measured.n))


def _best_move(
    sets: _Sets,
    quick: dict[str, Any],
    common: Common | None,
    as_read: Array,
    once: Array | None,
    readings: Array,
) -> tuple[Move | None, tuple[_Sets, Array] | None]:
    """Find the easiest move of those that win nearly the most; and where it is worth it, after it.

    Of the cooker after the move: what traces it, and each facet's watts by other readings.
    """
    if common is None or not common.causes or common.misread:
        return None, None
    measured, options = sets.measured, sets.options
    scenario, cooker, light = measured.scenario, measured.cooker, sets.after.light
    worth = worth_of(scenario)
    kinds, undone = moves_of(measured, light, common.causes)
    afters = [stood_after(scenario, cooker, light, m) for m in undone]
    tried = _Sets(measured, sets.after, quick)
    won = tried.moved(measured.n, afters).mean(axis=1) - tried.redone([()])[0].mean()
    enough = won >= won.max(initial=0.0) - max(EASIER * won.max(initial=0.0), worth.least())
    sure = common.causes[0].names if len(common.causes) == 1 else ()
    # what undoes the one cause that was found, then the easiest; the whole of it before a part
    ranked = sorted(
        np.flatnonzero(enough).tolist(),
        key=lambda k: (kinds[k] != sure, UNDONE.index(kinds[k]), k),
    )
    for k in ranked:
        if geometry_problems(afters[k].cooker):
            continue
        after = _Sets(measured, afters[k], options)
        gain = Estimate.from_replicates(after.redone([()])[0] - as_read)
        own = np.zeros((0, len(cooker.facets))) if once is None else after.by_facet(once)
        sd = float((own.sum(axis=1) - readings).std(ddof=1)) if len(own) > 1 else 0.0
        judged = worth.judge(float(gain), float(np.hypot(sd, gain.se)))
        move = Move(kinds[k], undone[k], gain, sd, judged)
        return move, (after, own) if judged == "worth it" else None
    return None, None


class _Sets:
    """Traces a measured cooker with this or that set of facets redone, all in one call."""

    def __init__(self, measured: Spots, after: After, options: dict[str, Any]) -> None:
        designed = after.cooker.facets
        self.designed, self.measured, self.after = designed, measured, after
        self.light, self.options = after.light, options
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
        self.base = after.cooker.pot.base

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

    def by_facet(self, n: Array) -> Array:
        """Delivered watts of each facet, with these normals of all, shape (B, F)."""
        options = {**self.options, "by_facet": True}
        rows = self.light.trace(self.cooker, self.builds_of(n), **options).by_facet
        assert rows is not None
        return np.asarray(rows[..., BASE].mean(axis=1))

    def moved(self, n: Array, afters: Sequence[After]) -> Array:
        """Delivered watts with these normals, shape (F, 3), after some moves, shape (moves, R)."""
        traced = places_of(afters).trace(
            self.cooker,
            self.light.sun.shape,
            dni=self.light.sun.dni,
            builds=self.builds_of(n[None]),
            **self.options,
        )
        return traced.power[:, :, BASE]

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
