"""Who takes light from whom: each ray that is stopped is charged to the first thing it meets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import DISC, HEXAGON, Cooker
from raytrace.optics.tally import LINES
from raytrace.optics.tracing import Paths, trace_paths

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from raytrace.sky.sunshape import Sunshape

__all__ = ["GRATE", "POT", "Obstacles", "find_obstacles"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

POT, GRATE, POST = "pot", "grate", "post"
SHADED, BLOCKED, BASE = (LINES.index(name) for name in ("shaded", "blocked", "base"))
ON = 1e-7  # a ray's end lies on what it meets, but for rounding over its way [m]
NEAREST = 12  # facets by whose middles a ray's end is looked for first


@dataclass(frozen=True, eq=False)
class Obstacles:
    """Light that each thing in the way takes from each facet, pair by pair.

    Attributes
    ----------
    names : tuple of str, shape (G,)
        What can be in the way: the facets, then the pot, the grate under it and its posts.
    facet : ndarray of int64, shape (P,)
        Whose light it is, row of the cooker's facets. [1]
    by : ndarray of int64, shape (P,)
        What takes it, index into `names`; the facet itself where its rough face throws light back
        into it. [1]
    shaded : ndarray, shape (P,)
        On its way to the facet. [W]
    blocked : ndarray, shape (P,)
        On its way from it. [W]
    error : ndarray, shape (P,)
        Standard error of both together. [W]
    total_error : float
        Standard error of the sum over all pairs. [W]
    """

    names: tuple[str, ...]
    facet: Whole
    by: Whole
    shaded: Array
    blocked: Array
    error: Array
    total_error: float

    DIMS: ClassVar = {"P": "pair"}

    @property
    def taken(self) -> Array:
        """Shaded and blocked, shape (P,). [W]"""
        return self.shaded + self.blocked


def find_obstacles(
    cooker: Cooker,
    sun: ArrayLike,
    shape: Sunshape,
    *,
    dni: float,
    rays: int = 1 << 13,
    replicates: int = 8,
    seed: int = 1,
) -> Obstacles:
    """Trace rays and charge those that are shaded or blocked to what they meet first.

    Parameters
    ----------
    cooker : Cooker
        As built and posed.
    sun : array_like, shape (3,)
        Direction to it, platform frame.
    shape : Sunshape
    dni : float
        [W/m²]
    rays : int
        In each replicate, rounded up to the same power of two for each facet.
    replicates : int
        Independent repetitions behind the standard errors; at least 2.
    seed : int
        Key of the samples.

    Returns
    -------
    Obstacles
        Its sums are the lines "shaded" and "blocked" of the ledger, within their errors. A ray
        that two things would stop counts for the first: without that one not all of it is free.
    """
    posts = len(cooker.pot.posts)
    names = (*cooker.facets.label, POT, GRATE, *(f"{POST} {k + 1}" for k in range(posts)))
    entries = []
    for k in range(replicates):
        paths = trace_paths(cooker, sun, shape, rays=rays, seed=seed, replicate=k)
        line, facet, by, area = _charged(cooker, paths)
        entries.append((2 * k + line, facet * len(names) + by, dni * area))
    row, pair, watts = (np.concatenate(x) for x in zip(*entries, strict=True))
    pairs, place = np.unique(pair, return_inverse=True)
    P = len(pairs)
    sums = np.bincount(row * P + place, watts, minlength=2 * replicates * P)
    sums = sums.reshape(replicates, 2, P)
    mean, both = sums.mean(axis=0), sums.sum(axis=1)
    order = np.argsort(-mean.sum(axis=0), kind="stable")
    root = np.sqrt(replicates)
    return Obstacles(
        names=names,
        facet=pairs[order] // len(names),
        by=pairs[order] % len(names),
        shaded=mean[0, order],
        blocked=mean[1, order],
        error=both.std(axis=0, ddof=1)[order] / root,
        total_error=float(both.sum(axis=1).std(ddof=1) / root),
    )


def _charged(cooker: Cooker, paths: Paths) -> tuple[Whole, Whole, Whole, Array]:
    """Of each ray that is stopped: 0 shaded or 1 blocked, its facet, by what, watts for 1 W/m²."""
    F = len(cooker.facets)
    stopped = np.flatnonzero((paths.fate == SHADED) | (paths.fate == BLOCKED))
    shaded = paths.fate[stopped] == SHADED
    way = np.where(shaded[:, None], paths.to_sun[stopped], paths.reflected[stopped])
    start = np.where(shaded[:, None], paths.point[stopped], paths.leaves[stopped])
    with np.errstate(invalid="ignore"):  # what goes back into its own facet may meet nothing
        end = start + paths.distance[stopped, None] * way
    facet = paths.facet[stopped]
    by = facet.copy()
    # a rough facet at grazing incidence can throw light into itself
    free = shaded | ((way * cooker.facets.n[facet]).sum(axis=1) > 0.0)
    by[free] = _met(cooker, end[free])
    line = np.where(shaded, 0, 1)
    weight = paths.weight[stopped]
    if cooker.pot.covered > 0.0:
        base = np.flatnonzero(paths.fate == BASE)
        facet = np.concatenate([facet, paths.facet[base]])
        by = np.concatenate([by, np.full(len(base), F + 1)])
        line = np.concatenate([line, np.ones(len(base), dtype=np.int64)])
        weight = np.concatenate([weight, cooker.pot.covered * paths.weight[base]])
    return line, facet, by, weight


def _met(cooker: Cooker, x: Array) -> Whole:
    """What each point lies on, shape (N,), as indices into the names of `find_obstacles`."""
    from scipy.spatial import cKDTree

    facets = cooker.facets
    here = np.flatnonzero(facets.present)
    best, by = _off_pot(cooker, x)
    tree = cKDTree(facets.c[here])
    todo = np.arange(len(x))
    for count in (NEAREST, len(here)):
        todo = todo[best[todo] > ON]
        # some at a time, to need little memory
        for some in np.array_split(todo, len(todo) * min(count, len(here)) // 1_000_000 + 1):
            order = np.arange(1, min(count, len(here)) + 1)
            near = np.asarray(tree.query(x[some], k=order)[1])
            gaps = _off_facets(cooker, x[some], here[near])
            least = gaps.argmin(axis=1)
            gap = gaps[np.arange(len(some)), least]
            nearer = gap < best[some]
            best[some[nearer]] = gap[nearer]
            by[some[nearer]] = here[near[np.arange(len(some)), least]][nearer]
    return by


def _off_facets(cooker: Cooker, x: Array, which: Whole) -> Array:
    """How far points (N, 3) lie off facets (N, k), the greater of off the plane and out of it."""
    f = cooker.facets
    off = x[:, None] - f.c[which]
    a, b, out = (np.abs((off * axis[which]).sum(axis=2)) for axis in (f.u, f.v, f.n))
    half_u, half_v, shape = f.half_u[which], f.half_v[which], f.shape[which]
    beyond = np.maximum(a - half_u, b - half_v)
    beyond = np.where(shape == DISC, np.hypot(a, b) - half_u, beyond)
    # a hexagon with corners on the u axis: its slanted edges, then the two along u
    inner = 0.5 * np.sqrt(3.0)
    slant = np.maximum(inner * a + 0.5 * b, b) - inner * half_u
    beyond = np.where(shape == HEXAGON, slant, beyond)
    return np.asarray(np.maximum(out, beyond))


def _off_pot(cooker: Cooker, x: Array) -> tuple[Array, Whole]:
    """How far points lie off the pot or a post, whichever is nearer, and which."""
    F, pot = len(cooker.facets), cooker.pot
    p = (x - pot.base) @ pot.frame.T
    r = np.hypot(p[:, 0], p[:, 1])
    out = np.maximum(r - pot.R, np.maximum(-p[:, 2], p[:, 2] - pot.height))
    inside = np.minimum(pot.R - r, np.minimum(p[:, 2], pot.height - p[:, 2]))
    best = np.where(out > 0.0, out, np.maximum(inside, 0.0))
    by = np.full(len(x), F, dtype=np.int64)
    p = p @ pot.stand_axes.T
    for k, post in enumerate(pot.posts):
        low, high = post[:3] - p, p - post[3:]
        gap = np.abs(np.maximum(low, high).max(axis=1))
        by = np.where(gap < best, F + 2 + k, by)
        best = np.minimum(gap, best)
    return best, by
