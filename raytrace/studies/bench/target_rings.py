"""How far off its mark a laser spot may lie: rings, each for a group of facets.

Every facet has its own limit: the ring over which spots may lie anywhere, all places being equally
likely, so that the facet still delivers a stated share of what it would deliver exactly set. Facets
of like marks and like limits share a ring that serves them all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression

from raytrace.cooker.tolerances import (
    SETTING,
    draw_builds,
    draw_poses,
    miss_jacobian,
    put_pots,
    standard_normals,
)
from raytrace.exceptions import GeometryError
from raytrace.light.ensemble import design_ensemble
from raytrace.light.placed import Placed, placed
from raytrace.light.turning import habit_of
from raytrace.optics.tally import BASE
from raytrace.sky.sun import sun_at

if TYPE_CHECKING:
    from raytrace.light.ensemble import Ensemble
    from raytrace.scenario.schema import Scenario

__all__ = ["KEEP", "Rings", "between_turnings", "group_rings", "target_rings"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

KEEP = 0.95  # share of a facet's light; common practice, no source
STEPS = (0.15, 0.3, 0.45, 0.65, 1.0)  # limits tried, over the base's radius
CASES = 8000  # facets times builds, about: what is traced at each limit
FEWEST, MOST = 48, 160  # builds
ALIKE = 9  # facets whose light is seen together
SAME_MARK = 10.0  # how much more marks count than places when facets are compared
CHECKED = 1 << 20  # number of the first build that checks the rings: none that they came from
FEWEST_PART = 10  # a ring of its own is for no less than this part of the facets
BAND = 1.25  # least size of a ring over the next smaller one
NEAR = 0.1  # of a facet's limit: marks nearer to each other are one
READ = 1e-3  # as exactly as a hand marks, and in whole steps of which rings are given [m]


@dataclass(frozen=True, eq=False)
class Rings:
    """Go/no-go rings about the marks of F facets: P places of marks, G sizes of ring.

    Attributes
    ----------
    keep : float
        Share of its light that each facet keeps, on average over its ring. [1]
    limit : ndarray, shape (F,)
        How far off its own mark each facet's spot may lie, up to the base's radius; nan for one
        that is missing or that brings nothing. [m]
    at : ndarray of int64, shape (F,)
        Which place is a facet's mark; marks that are all but the same are one. [1]
    place : ndarray, shape (P, A)
        Of marks on the plane of the base, from the base's centre. [m]
    ring : ndarray of int64, shape (F,)
        Which ring about its mark serves a facet; −1 where there is none. [1]
    radius : ndarray, shape (G,)
        In whole millimetres, rounded down, smallest first. [m]
    kept : float
        Share of the watts of exactly set facets that the cooker keeps on average with spots
        anywhere in their rings, by builds other than those that the rings are from. [1]
    tenth : float
        Share that nine of ten such builds keep. [1]
    drift : float
        Time over which the sun moves on while the platform stands; 0 where that is not known. [s]
    """

    keep: float
    limit: Array
    at: Whole
    place: Array
    ring: Whole
    radius: Array
    kept: float
    tenth: float
    drift: float

    DIMS: ClassVar = {"F": "facet", "G": "size", "P": "place_no", "A": "axis"}
    SHOWN: ClassVar = {"drift": "min"}


def target_rings(scenario: Scenario, mark: Array, *, seed: int = 1) -> Rings | None:
    """Work out how large a miss of the laser's spot is good enough.

    Parameters
    ----------
    scenario : Scenario
    mark : ndarray, shape (F, 2)
        Where the spots belong, from the base's centre. [m]
    seed : int

    Returns
    -------
    Rings or None
        None where nothing reaches the pot, or a beam runs along the plane of the base.

    Notes
    -----
    At the design sun, all errors but the setting error as the scenario has them, and the sun
    anywhere between one turning of the platform and the next. Derived here, no source; the rings
    are checked by builds of other numbers, as `kept` and `tenth` say.
    """
    ensemble = design_ensemble(scenario, seed=seed, replicates=2)
    facets = ensemble.cooker.facets
    try:
        J = miss_jacobian(ensemble.cooker, "base")
    except GeometryError:
        return None
    count = int(np.clip(CASES // len(facets), FEWEST, MOST))
    first = _Builds(ensemble, J, np.arange(count))
    exactly_set = first.watts(np.zeros(len(facets))).mean(axis=0)
    if not exactly_set.sum() > 0.0:
        return None
    limits = ensemble.cooker.pot.R * np.array([0.0, *STEPS])
    left = np.stack(
        [exactly_set, *(first.watts(np.full(len(facets), x)).mean(axis=0) for x in limits[1:])]
    )
    limit = np.full(len(facets), np.nan)
    lit = np.flatnonzero(facets.present & (exactly_set > 0.0))
    for f, near in zip(lit, _neighbours(facets.mount[lit], mark[lit]), strict=True):
        curve = left[:, lit[near]].sum(axis=1)
        # straight between limits that are tried, where the share falls ever faster: never too wide
        limit[f] = np.interp(
            -KEEP * curve[0], -isotonic_regression(curve, increasing=False).x, limits
        )
    at, place, ring, radius = group_rings(mark, limit)
    other = _Builds(ensemble, J, CHECKED + np.arange(count))
    reach = np.where(ring >= 0, radius[ring], 0.0)
    whole = other.watts(np.zeros(len(facets))).sum(axis=1)
    kept = other.watts(reach).sum(axis=1)
    return Rings(
        keep=KEEP,
        limit=limit,
        at=at,
        place=place,
        ring=ring,
        radius=radius,
        kept=float(kept.sum() / whole.sum()),
        tenth=float(np.quantile(kept[whole > 0.0] / whole[whole > 0.0], 0.1)),
        drift=first.drift,
    )


def _neighbours(mount: Array, mark: Array) -> Whole:
    """Facets that stand nearest to each and have its mark, itself the first: (F, up to `ALIKE`).

    Their light falls off alike, and of one facet alone too few spots are drawn to tell.
    """
    at = np.concatenate([mount, SAME_MARK * mark], axis=1)
    apart = np.linalg.norm(at[:, None] - at, axis=2)
    return np.argsort(apart, axis=1, kind="stable")[:, :ALIKE]


class _Builds:
    """Builds to be set within limits, each seen at some moment between two turnings."""

    def __init__(self, ensemble: Ensemble, J: Array, numbers: Whole) -> None:
        facets = ensemble.cooker.facets
        self.ensemble, self.numbers = ensemble, numbers
        self.tolerances = replace(ensemble.tolerances, setting=0.0)
        self.mounted = ensemble.mounted(self.tolerances, numbers)
        self.seen, self.drift = between_turnings(ensemble, numbers)
        z = standard_normals(ensemble.settings.seed, SETTING, numbers, facets.row, facets.column, 2)
        # squares of distances are even over a disc; their law from that of the normals' squares
        size = np.sqrt(-np.expm1(-0.5 * (z**2).sum(axis=-1, keepdims=True)))
        spot = size * z / np.linalg.norm(z, axis=-1, keepdims=True)
        # a turn's size goes as the spot's way, to first order
        plane = ensemble.cooker.pot.frame[:2]
        self.turns = np.einsum("fki,bfi->bfk", np.linalg.pinv(J) @ plane.T, spot)

    def watts(self, limit: Array) -> Array:
        """Each facet's light on the base, spots anywhere within limits (F,) [m]: (B, F). [W]"""
        ensemble = self.ensemble
        built = draw_builds(
            ensemble.cooker,
            self.tolerances,
            seed=ensemble.settings.seed,
            builds=self.numbers,
            mounted=self.mounted,
            rotations=self.turns * limit[:, None],
        )
        cases = self.seen.trace(
            ensemble.cooker,
            ensemble.shape,
            dni=ensemble.sun.dni,
            builds=built,
            streams=self.numbers,
            by_facet=True,
            **ensemble.settings.tracing,
        )
        assert cases.by_facet is not None
        return np.asarray(cases.by_facet[..., BASE].mean(axis=1))


def between_turnings(ensemble: Ensemble, numbers: Whole) -> tuple[Placed, float]:
    """Builds in use, their sun positions spread evenly over the time from one turning to the next.

    Parameters
    ----------
    ensemble : Ensemble
    numbers : ndarray of int64, shape (B,)
        Of the builds.

    Returns
    -------
    seen : Placed
        B of them.
    drift : float
        That time; 0 where it is not known. [s]
    """
    import pandas as pd

    sun, habit, seed = ensemble.sun, habit_of(ensemble.scenario), ensemble.settings.seed
    poses = draw_poses(sun.meant, ensemble.tolerances.pointing, seed=seed, build=numbers)
    put = put_pots(ensemble.cooker, ensemble.tolerances.pot, seed=seed, builds=numbers)
    s, drift = sun.direction, 0.0
    if sun.time is not None and np.isfinite(habit.every):
        drift = habit.every
        # not in the order of the builds, whose other draws may follow their numbers
        share = (np.random.default_rng(seed).permutation(len(numbers)) + 0.5) / len(numbers)
        at = sun_at(
            ensemble.scenario, sun.time + pd.to_timedelta(share * drift - habit.lead, unit="s")
        )
        up = at.alpha > ensemble.shape.radius
        s = np.where(up[:, None], at.direction, s)
    return placed(ensemble.cooker, s, poses, put), drift


def group_rings(mark: Array, limit: Array) -> tuple[Whole, Array, Whole, Array]:
    """Share marks and rings among facets whose marks and limits are alike.

    Parameters
    ----------
    mark : ndarray, shape (F, 2)
        [m]
    limit : ndarray, shape (F,)
        nan for facets that need none. [m]

    Returns
    -------
    at : ndarray of int64, shape (F,)
        Which place is a facet's mark.
    place : ndarray, shape (P, 2)
        From the base's centre, nearest first. [m]
    ring : ndarray of int64, shape (F,)
        −1 where the limit is nan.
    radius : ndarray, shape (G,)
        Smallest first. A spot that lies within the ring about the place of a facet's mark lies
        within that facet's limit of its own mark. [m]

    Examples
    --------
    >>> limit = np.array([0.07, 0.0405, 0.045])
    >>> at, place, ring, radius = group_rings(np.zeros((3, 2)), limit)
    >>> place.tolist(), ring.tolist(), radius.tolist()
    ([[0.0, 0.0]], [1, 0, 0], [0.04, 0.07])
    """
    at = np.full(len(limit), -1, dtype=np.int64)
    places: list[Array] = []
    reach = np.maximum(NEAR * np.nan_to_num(limit), READ)
    for f in np.argsort(np.round(np.hypot(*mark.T), 6), kind="stable"):
        if at[f] < 0:
            # a mark that can't be told from the base's centre is there
            centre = mark[f] if np.hypot(*mark[f]) > READ else np.zeros(2)
            at[(at < 0) & (np.hypot(*(mark - centre).T) <= reach)] = len(places)
            places.append(centre)
    place = np.array(places)
    room = limit - np.hypot(*(mark - place[at]).T)
    ring = np.full(len(limit), -1, dtype=np.int64)
    here = np.isfinite(limit)
    ring[here] = _bands(room[here])
    least = np.array([room[ring == k].min() for k in range(ring.max() + 1)])
    # a hair more, so that a whole number stays itself
    radius = READ * np.maximum(np.floor(least / READ + 1e-6), 1.0)
    return at, place, ring, np.round(radius, 6)


def _bands(limit: Array) -> Whole:
    """Which of up to three bands each limit lies in, cut so that rings are as large as can be.

    A ring is as large as the least limit of its band; the geometric mean of all facets' rings is
    made the largest. No band holds few facets only, and no ring is like the next smaller one.
    """
    n = len(limit)
    order = np.argsort(limit, kind="stable")
    size = np.log(limit[order])
    few = max(n // FEWEST_PART, 1)
    # cuts before the i-th and the j-th; j = n leaves two bands, i = n one
    i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
    of = np.append(size, 0.0)
    mean = i * size[0] + (j - i) * of[i] + (n - j) * of[j]
    allowed = (i >= few) & ((j - i >= few) | (j == n) & (i == n)) & ((n - j >= few) | (j == n))
    for k, low in ((i, np.full_like(i, size[0], dtype=float)), (j, of[i])):
        allowed &= (k == n) | (of[k] >= low + np.log(BAND))
    first, second = np.unravel_index(np.where(allowed, mean, -np.inf).argmax(), mean.shape)
    band = np.zeros(n, dtype=np.int64)
    band[order[first:]] = 1
    band[order[second:]] = 2
    return band
