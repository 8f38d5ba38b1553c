"""One facet while its glue sets: what its miss costs, whether it will do, which way to turn it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator

from raytrace.cooker.aiming import axes
from raytrace.cooker.tolerances import Builds, laser_stand
from raytrace.light.ensemble import design_ensemble
from raytrace.optics.tally import BASE
from raytrace.statistics.estimate import Estimate
from raytrace.store.work import Progress
from raytrace.studies.bench.beam_clearance import Ways, clear_ways
from raytrace.studies.bench.redo import AWAY, DOWN
from raytrace.studies.bench.spot_geometry import normals_from_spots
from raytrace.studies.bench.target_rings import between_turnings
from raytrace.studies.bench.worth import HOUR, Judged, weigh, worth_of

if TYPE_CHECKING:
    from raytrace.studies.bench.spots_data import Spots

__all__ = ["Facet", "FacetMap", "SoFar", "facet_map", "facet_now", "order_of", "so_far", "ways_of"]

Array = NDArray[np.float64]

RINGS = np.linspace(0.0, 1.2, 9)[1:]  # misses tried for the ring, over the base's radius
WAYS = 4  # directions of such a miss
READINGS = 32  # other readings that might have been taken of the same spot
USES = 64  # of the cooker, each at its own moment between two turnings
PIECES = 8  # that they are traced in, for whoever may no longer wait
BEAMS = 1  # a facet, in each of two replicates


@dataclass(frozen=True)
class Facet:
    """One facet as its spot says it stands.

    Attributes
    ----------
    label : str
    off : float
        Its spot from where it belongs. [m]
    move : tuple of float
        Way that the spot has to go, along the plane's two axes. [m]
    lift : tuple of float
        By how much more its right edge has to come up than its left, and the edge toward the sun
        than the one away from it. [m]
    cost : Estimate
        What the miss costs at the design sun, on average from one turning of the platform to the
        next, all other facets as they are. [W]
    cost_sd : float
        How far the reading's error may have moved that. [W]
    brings : Estimate
        What the facet brings exactly set. [W]
    least : float
        What a turn of it must win to be worth the work while the glue is soft. [W]
    judged : str
        Whether turning it is "worth it", "borderline" or "not worth it".
    ring : float
        Miss that still is good enough, in any direction; infinite beyond what was tried. [m]
    """

    label: str
    off: float
    move: tuple[float, float]
    lift: tuple[float, float]
    cost: Estimate
    cost_sd: float
    brings: Estimate
    least: float
    judged: Judged
    ring: float


@dataclass(frozen=True, eq=False)
class FacetMap:
    """What one facet brings wherever its spot lies: all that is known before it is read; U uses.

    Attributes
    ----------
    facet : int
        Its number.
    others : ndarray, shape (F, 3)
        Normals of all facets, as they were read or as exactly set.
    present : ndarray of bool, shape (F,)
        Which of them are there.
    exact, without : ndarray, shape (U,)
        Delivered with the facet exactly set, and without it. [W]
    place : ndarray, shape (P, 2)
        Places of its spot that were tried, from its mark. [m]
    delivered : ndarray, shape (P,)
        With its spot there. [W]
    least : float
        What a turn of it must win to be worth the work while the glue is soft. [W]
    ring : float
        Miss that still is good enough, in any direction; infinite beyond what was tried. [m]
    """

    facet: int
    others: Array
    present: NDArray[np.bool_]
    exact: Array
    without: Array
    place: Array
    delivered: Array
    least: float
    ring: float


@dataclass(frozen=True)
class SoFar:
    """An array of which some facets are set.

    Attributes
    ----------
    set, facets : int
        How many are, of how many.
    delivered : Estimate
        By those alone, at the design sun. [W]
    whole : Estimate
        By all of them, exactly set. [W]
    """

    set: int
    facets: int
    delivered: Estimate
    whole: Estimate


def facet_map(
    measured: Spots,
    facet: int,
    *,
    threads: int | None = None,
    progress: Progress | None = None,
) -> FacetMap:
    """Work out what one facet brings with its spot about its mark.

    Parameters
    ----------
    measured : Spots
        Other facets count as they were read, or as exactly set.
    facet : int
        Its number.
    threads : int, optional
        Changes no result.
    progress : callable, optional
        Called with how much is done, and of how much; may raise to end it.

    Returns
    -------
    FacetMap

    Notes
    -----
    All cases share their uses and samples. The ring is where the mean cost of misses in four
    directions reaches what a turn must win.
    """
    cooker = measured.cooker
    worth = worth_of(measured.scenario)
    least = worth.nudge_work / HOUR * worth.hour_wins
    others = np.where(measured.present[:, None], measured.n, cooker.facets.n)
    others[facet] = cooker.facets.n[facet]
    angle = np.linspace(0.0, 2.0 * np.pi, WAYS, endpoint=False)
    radius = cooker.pot.R * RINGS
    place = (radius[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)).reshape(
        -1, 2
    )
    tried = _turned(measured, facet, others, measured.mark[facet] + place)
    n = np.concatenate([others[None], others[None], tried])
    there = np.tile(measured.present, (len(n), 1))
    there[:, facet] = True
    there[0, facet] = False
    power = _traced(measured, n, there, threads, progress)
    means = power.mean(axis=0)
    lost = means[1] - means[2:].reshape(len(radius), WAYS).mean(axis=1)
    return FacetMap(
        facet=facet,
        others=others,
        present=there[1],
        exact=power[:, 1],
        without=power[:, 0],
        place=np.concatenate([[[0.0, 0.0]], place]),
        delivered=means[1:],
        least=least,
        ring=_crossing(radius, lost, least),
    )


def facet_now(
    measured: Spots, facet: int, known: FacetMap | None = None, *, threads: int | None = None
) -> Facet:
    """Judge one facet by its spot.

    Parameters
    ----------
    measured : Spots
        With this facet's spot.
    facet : int
        Its number.
    known : FacetMap, optional
        Of this facet; worked out where it is not given, which takes most of the time.
    threads : int, optional
        Changes no result.

    Returns
    -------
    Facet

    Notes
    -----
    The spot as it was read is traced, with the uses and samples of the map. What the reading's
    error may change is taken from the map, by radial cubics between the places tried; readings
    beyond them count as at their rim.
    """
    known = known or facet_map(measured, facet, threads=threads)
    spot, mark = measured.spot[facet], measured.mark[facet]
    n = _turned(measured, facet, known.others, spot[None])
    power = _traced(measured, n, known.present[None], threads)
    cost = Estimate.from_replicates(known.exact - power[:, 0])
    sd = float(np.hypot(_reading_sd(measured, known), float(cost.se)))
    return Facet(
        label=measured.labels[facet],
        off=float(np.hypot(*(spot - mark))),
        move=tuple(mark - spot),
        lift=_lift(measured, facet, n[0, facet]),
        cost=cost,
        cost_sd=sd,
        brings=Estimate.from_replicates(known.exact - known.without),
        least=known.least,
        judged=weigh(float(cost), sd, known.least),
        ring=known.ring,
    )


def _turned(measured: Spots, facet: int, others: Array, spots: Array) -> Array:
    """Normals (B, F, 3) of the array with one facet's spot at each of some places (B, 2)."""
    at = np.tile(np.full_like(measured.spot, np.nan), (len(spots), 1, 1))
    at[:, facet] = spots
    n = np.tile(others, (len(spots), 1, 1))
    found = normals_from_spots(measured.cooker, measured.rig, measured.plane, at)
    n[:, facet] = found[:, facet]
    return n


def _reading_sd(measured: Spots, known: FacetMap) -> float:
    """How far the reading's error moves what the facet brings. [W]"""
    sigma = measured.sigma[known.facet]
    miss = measured.miss[known.facet]
    if not (sigma and np.isfinite(miss).all()):
        return 0.0
    z = np.random.default_rng([measured.plan.seed, known.facet]).standard_normal((READINGS, 2))
    read = miss + sigma * z
    far = np.linalg.norm(read, axis=1, keepdims=True)
    rim = np.linalg.norm(known.place, axis=1).max()
    read *= np.minimum(1.0, rim / np.maximum(far, rim * 1e-9))
    surface = RBFInterpolator(known.place, known.delivered, kernel="cubic")
    return float(surface(read).std(ddof=1))


def _lift(measured: Spots, facet: int, n: Array) -> tuple[float, float]:
    """By how much the right edge has to rise over the left, and that toward the sun over the other.

    A turn of the normal to where it belongs moves the facet's point r by (n × n') × r.
    """
    f = measured.cooker.facets
    u, v = axes(n[None])
    turn = np.cross(n, f.n[facet])
    right = 2.0 * f.half_u[facet] * u[0] * np.sign(u[0, 0])
    ahead = 2.0 * f.half_v[facet] * v[0] * np.sign(v[0, 1])
    return float(np.cross(turn, right) @ n), float(np.cross(turn, ahead) @ n)


def _crossing(radius: Array, lost: Array, least: float) -> float:
    """First radius at which the loss reaches what is asked, between those tried."""
    over = np.flatnonzero(lost >= least)
    if not len(over):
        return float("inf")
    k = over[0]
    x, y = np.concatenate([[0.0], radius]), np.concatenate([[0.0], np.maximum(lost, 0.0)])
    return float(np.interp(least, y[k : k + 2], x[k : k + 2]))


def so_far(measured: Spots, *, threads: int | None = None) -> SoFar:
    """Watts of the facets that have been set, the others covered or not there yet.

    Parameters
    ----------
    measured : Spots
    threads : int, optional
        Changes no result.

    Returns
    -------
    SoFar
    """
    cooker = measured.cooker
    done = measured.present & measured.read
    n = np.stack([np.where(done[:, None], measured.n, cooker.facets.n), cooker.facets.n])
    power = _traced(measured, n, np.stack([done, cooker.facets.present]), threads)
    return SoFar(
        int(done.sum()),
        int(cooker.facets.present.sum()),
        *(Estimate.from_replicates(power[:, k]) for k in range(2)),
    )


def ways_of(measured: Spots) -> Ways:
    """The laser's ways to each facet and on, and an order of setting that keeps them free.

    Parameters
    ----------
    measured : Spots

    Returns
    -------
    Ways
    """
    cooker, rig = measured.cooker, measured.rig
    stand = laser_stand(cooker, rig) if rig.kind == "point" else None
    aim = np.broadcast_to(cooker.aim, cooker.facets.c.shape)
    return clear_ways(cooker, cooker.design_sun, aim, stand=stand)


def order_of(measured: Spots) -> tuple[str, ...]:
    """Names of the facets in that order.

    Parameters
    ----------
    measured : Spots

    Returns
    -------
    tuple of str
    """
    return tuple(measured.labels[f] for f in ways_of(measured).order)


def _traced(
    measured: Spots,
    n: Array,
    there: NDArray[np.bool_],
    threads: int | None,
    progress: Progress | None = None,
) -> Array:
    """Delivered watts (uses, B) of normals (B, F, 3), facets that are not there (B, F) put away.

    Each use sees the sun at some moment between two turnings, with its own pointing and pot.
    """
    facets = measured.cooker.facets
    # what differs between cases may be placed, but is there in all of them
    cooker = replace(measured.cooker, facets=replace(facets, present=np.asarray(there.any(axis=0))))
    B, F = n.shape[:2]
    mount = facets.mount - AWAY * np.where(there, 0.0, 1.0)[:, :, None] * [0.0, 0.0, 1.0]
    n = np.where(there[:, :, None], n, DOWN)
    u, v = axes(n.reshape(B * F, 3))
    builds = Builds(
        mount, n, u.reshape(B, F, 3), v.reshape(B, F, 3), np.tile(cooker.pot.base, (B, 1))
    )
    ensemble = design_ensemble(measured.scenario, seed=measured.plan.seed)
    uses = np.arange(USES)
    seen, _ = between_turnings(ensemble, uses)
    power = []
    for some in np.split(uses, PIECES):
        if progress is not None:
            progress(float(some[0]), USES)
        cases = seen[np.repeat(some, B)].trace(
            cooker,
            ensemble.shape,
            dni=ensemble.sun.dni,
            builds=builds,
            build=np.tile(np.arange(B), len(some)),
            streams=np.repeat(some, B),
            beams_per_facet=BEAMS,
            replicates=2,
            seed=measured.plan.seed,
            threads=threads,
        )
        power.append(cases.power[:, :, BASE].mean(axis=1).reshape(-1, B))
    return np.concatenate(power)
