"""One facet while its glue sets: what its miss costs, whether it will do, which way to turn it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import axes
from raytrace.cooker.tolerances import Builds, laser_stand
from raytrace.light.ensemble import design_ensemble
from raytrace.optics.tally import BASE
from raytrace.statistics.estimate import Estimate
from raytrace.studies.bench.beam_clearance import clear_ways
from raytrace.studies.bench.redo import AWAY, DOWN
from raytrace.studies.bench.spot_geometry import normals_from_spots
from raytrace.studies.bench.target_rings import between_turnings
from raytrace.studies.bench.worth import HOUR, Judged, weigh, worth_of

if TYPE_CHECKING:
    from raytrace.studies.bench.spots_data import Spots

__all__ = ["Facet", "SoFar", "facet_now", "order_of", "so_far"]

Array = NDArray[np.float64]

RINGS = np.linspace(0.0, 1.2, 9)[1:]  # misses tried for the ring, over the base's radius
WAYS = 4  # directions of such a miss
READINGS = 32  # other readings that might have been taken of the same spot
USES = 64  # of the cooker, each at its own moment between two turnings
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


def facet_now(measured: Spots, facet: int, *, threads: int | None = None) -> Facet:
    """Judge one facet by its spot.

    Parameters
    ----------
    measured : Spots
        With this facet's spot; other facets count as they were read, or as exactly set.
    facet : int
        Its number.
    threads : int, optional
        Changes no result.

    Returns
    -------
    Facet

    Notes
    -----
    All cases share their uses and samples. The ring is where the mean cost of misses in four
    directions reaches what a turn must win.
    """
    cooker, plan = measured.cooker, measured.plan
    designed = cooker.facets
    spot, mark = measured.spot[facet], measured.mark[facet]
    worth = worth_of(measured.scenario)
    least = worth.nudge_work / HOUR * worth.hour_wins
    others = np.where(measured.present[:, None], measured.n, designed.n)

    def turned(spots: Array) -> Array:
        """Normals (B, F, 3) of the array with this facet's spot at each of some places."""
        at = np.tile(np.full_like(measured.spot, np.nan), (len(spots), 1, 1))
        at[:, facet] = spots
        n = np.tile(others, (len(spots), 1, 1))
        n[:, facet] = normals_from_spots(cooker, measured.rig, measured.plane, at)[:, facet]
        return n

    z = np.random.default_rng([plan.seed, facet]).standard_normal((READINGS, 2))
    read = spot + measured.sigma[facet] * z
    angle = np.linspace(0.0, 2.0 * np.pi, WAYS, endpoint=False)
    radius = cooker.pot.R * RINGS
    round_ = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    rings = mark + radius[:, None, None] * round_
    exact = others.copy()
    exact[facet] = designed.n[facet]
    n = np.stack([exact, exact, *turned(np.concatenate([spot[None], read, rings.reshape(-1, 2)]))])
    there = np.tile(measured.present, (len(n), 1))
    there[:, facet] = True
    there[0, facet] = False
    power = _traced(measured, n, there, threads)
    without, right, now = power[:, 0], power[:, 1], power[:, 2]
    means = power.mean(axis=0)
    cost = Estimate.from_replicates(right - now)
    sd = float(means[3 : 3 + READINGS].std(ddof=1)) if measured.sigma[facet] else 0.0
    lost = means[1] - means[3 + READINGS :].reshape(len(radius), WAYS).mean(axis=1)
    return Facet(
        label=measured.labels[facet],
        off=float(np.hypot(*(spot - mark))),
        move=tuple(mark - spot),
        lift=_lift(measured, facet, n[2, facet]),
        cost=cost,
        cost_sd=float(np.hypot(sd, float(cost.se))),
        brings=Estimate.from_replicates(right - without),
        least=least,
        judged=weigh(float(cost), float(np.hypot(sd, float(cost.se))), least),
        ring=_crossing(radius, lost, least),
    )


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


def order_of(measured: Spots) -> tuple[str, ...]:
    """Names of the facets in an order of setting that keeps the laser's ways free.

    Parameters
    ----------
    measured : Spots

    Returns
    -------
    tuple of str
    """
    cooker, rig = measured.cooker, measured.rig
    stand = laser_stand(cooker, rig) if rig.kind == "point" else None
    aim = np.broadcast_to(cooker.aim, cooker.facets.c.shape)
    ways = clear_ways(cooker, cooker.design_sun, aim, stand=stand)
    return tuple(measured.labels[f] for f in ways.order)


def _traced(measured: Spots, n: Array, there: NDArray[np.bool_], threads: int | None) -> Array:
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
    cases = seen[np.repeat(uses, B)].trace(
        cooker,
        ensemble.shape,
        dni=ensemble.sun.dni,
        builds=builds,
        build=np.tile(np.arange(B), USES),
        streams=np.repeat(uses, B),
        beams_per_facet=BEAMS,
        replicates=2,
        seed=measured.plan.seed,
        threads=threads,
    )
    return np.asarray(cases.power[:, :, BASE].mean(axis=1).reshape(USES, B))
