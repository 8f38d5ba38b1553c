"""Whether a laser reaches each facet and leaves it freely, and in which order to set facets so.

The beam is a rod of stated width about the line from the laser to a facet's centre, and about that
from where it leaves the glass to its mark on the target. Facets are thin plates (a round one as a
polygon around it) over the board; what carries them is left out. A rod that comes within half its
width of a plate, or whose middle enters the board, is not clear.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import unit
from raytrace.cooker.geometry import Cooker, Facets
from raytrace.exceptions import GeometryError

__all__ = ["UNSET", "Ways", "clear_ways", "line_to_plates", "setting_order"]

Array = NDArray[np.float64]
Edges = Sequence[tuple[int, int]]

UNSET = ("absent", "flat")


@dataclass(frozen=True, eq=False)
class Ways:
    """What stands in each facet's laser beam, and an order of setting that keeps beams free.

    Attributes
    ----------
    beam : float
        Width of the beam. [m]
    unset : str
        What a facet is before its turn: "absent" (no mirror on its mount yet), or "flat" (on its
        mount, parallel to the platform).
    into, out : tuple of tuple of str, length F
        What the beam meets on its way in and on its way out when all other facets are set.
    into_thin, out_thin : tuple of tuple of str, length F
        The same for a line without width.
    at_turn : tuple of tuple of str, length F
        What it meets, both ways, when the facet's turn comes in `order`.
    order : ndarray of int64
        Facets that are present, first to last. [1]
    conflicts : tuple of tuple of int
        Groups of facets that no order serves: each has another of its group in its way.
    """

    beam: float
    unset: str
    into: tuple[tuple[str, ...], ...]
    out: tuple[tuple[str, ...], ...]
    into_thin: tuple[tuple[str, ...], ...]
    out_thin: tuple[tuple[str, ...], ...]
    at_turn: tuple[tuple[str, ...], ...]
    order: NDArray[np.int64]
    conflicts: tuple[tuple[int, ...], ...]


def clear_ways(
    cooker: Cooker,
    light: Array,
    mark: Array,
    *,
    beam: float = 5e-3,
    unset: str = "absent",
    stand: Array | None = None,
) -> Ways:
    """Look along the laser's way to each facet and on to its mark.

    Parameters
    ----------
    cooker : Cooker
        Exactly set, platform at zero tilt, pot in its place.
    light : ndarray, shape (F, 3)
        Direction to the laser; not used where `stand` is given.
    mark : ndarray, shape (F, 3)
        Where each facet's spot belongs, on the plane of the base. [m]
    beam : float
        Width of the beam. [m]
    unset : str
        "absent" or "flat", see `Ways`.
    stand : ndarray, shape (3,), optional
        Place of a laser that is swivelled. [m]

    Returns
    -------
    Ways

    Raises
    ------
    GeometryError
        If `beam` is negative or `unset` unknown.

    Notes
    -----
    The pot can only stand in the way in: every facet lies below its base, where the way out ends.
    Pot and posts are widened by half the beam on all sides, which takes a little too much at
    their edges.
    """
    if not (np.isfinite(beam) and beam >= 0.0):
        raise GeometryError("the beam's width must be a finite length, 0 or more")
    if unset not in UNSET:
        raise GeometryError(f"facets before their turn are {' or '.join(UNSET)}, not {unset!r}")
    facets = cooker.facets
    F = len(facets)
    plates = _plates(facets)
    lying = _plates(_laid_flat(facets)) if unset == "flat" else None
    span = np.concatenate([plates[0].reshape(-1, 3), cooker.pot.base[None, :]])
    far = 2.0 * float(np.linalg.norm(np.ptp(span, axis=0))) + cooker.pot.height + cooker.pot.R
    c = facets.c
    source = c + far * light if stand is None else np.broadcast_to(stand, (F, 3))
    leaves = c + cooker.mirror.shift(facets.n, unit(source - c))

    into, out, into_thin, out_thin = ([()] * F for _ in range(4))
    by_set: list[set[int]] = [set() for _ in range(F)]
    by_lying: list[set[int]] = [set() for _ in range(F)]
    fixed: list[tuple[str, ...]] = [()] * F
    for f in np.flatnonzero(facets.present):
        others = facets.present.copy()
        others[f] = False
        bodies = []
        for start, end, wide, thin, with_pot in (
            (c[f], source[f], into, into_thin, True),
            (leaves[f], mark[f], out, out_thin, False),
        ):
            near, gaps = _met(start, end, plates, others, 0.5 * beam)
            by_set[f].update(near.tolist())
            fat, lean = (_bodies_met(cooker, start, end, r, with_pot) for r in (0.5 * beam, 0.0))
            bodies += [name for name in fat if name not in bodies]
            wide[f] = (*(facets.label[g] for g in near), *fat)
            thin[f] = (*(facets.label[g] for g in near[gaps == 0.0]), *lean)
            if lying is not None:
                by_lying[f].update(_met(start, end, lying, others, 0.5 * beam)[0].tolist())
        fixed[f] = tuple(bodies)

    before = [(int(f), g) for f in range(F) for g in by_set[f]]
    before += [(g, int(f)) for f in range(F) for g in by_lying[f]]
    order, conflicts = setting_order(np.flatnonzero(facets.present), before)
    place = np.full(F, -1)
    place[order] = np.arange(len(order))
    at_turn = tuple(
        (
            *(facets.label[g] for g in sorted(by_set[f]) if place[g] < place[f]),
            *(facets.label[g] for g in sorted(by_lying[f]) if place[g] > place[f]),
            *fixed[f],
        )
        for f in range(F)
    )
    return Ways(
        beam=beam,
        unset=unset,
        into=tuple(into),
        out=tuple(out),
        into_thin=tuple(into_thin),
        out_thin=tuple(out_thin),
        at_turn=at_turn,
        order=order,
        conflicts=conflicts,
    )


def setting_order(
    facets: NDArray[np.int64], before: Edges
) -> tuple[NDArray[np.int64], tuple[tuple[int, ...], ...]]:
    """Order that keeps to "this one before that one", as near to the facets' own as that allows.

    Parameters
    ----------
    facets : ndarray of int64
        What to put in order, in the order that is liked best.
    before : sequence of (int, int)
        Each: the first must come before the second.

    Returns
    -------
    order : ndarray of int64
        All of `facets`. Those of a conflict stand together, the rest keep to `before`.
    conflicts : tuple of tuple of int
        Groups in which each must come before itself by way of the others.

    Examples
    --------
    >>> setting_order(np.array([0, 1, 2]), [(2, 0)])
    (array([1, 2, 0]), ())
    >>> setting_order(np.array([0, 1, 2]), [(2, 1), (1, 2)])
    (array([0, 1, 2]), ((1, 2),))
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count = len(facets)
    place = {int(f): k for k, f in enumerate(facets)}
    pairs = np.array([(place[a], place[b]) for a, b in before], dtype=np.int64).reshape(-1, 2)
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    n_groups, group = connected_components(graph, directed=True, connection="strong")
    members: list[list[int]] = [[] for _ in range(n_groups)]
    for k in range(count):
        members[group[k]].append(k)
    after: list[set[int]] = [set() for _ in range(n_groups)]
    for a, b in group[pairs]:
        if a != b:
            after[a].add(int(b))
    waits = np.bincount([b for later in after for b in later], minlength=n_groups)
    ready = [(members[g][0], g) for g in range(n_groups) if waits[g] == 0]
    heapq.heapify(ready)
    order: list[int] = []
    while ready:
        _, g = heapq.heappop(ready)
        order += members[g]
        for later in after[g]:
            waits[later] -= 1
            if waits[later] == 0:
                heapq.heappush(ready, (members[later][0], later))
    conflicts = sorted(tuple(int(facets[k]) for k in m) for m in members if len(m) > 1)
    return np.asarray(facets[order], dtype=np.int64), tuple(conflicts)


def _laid_flat(facets: Facets) -> Facets:
    """Facets on their mounts, parallel to the platform."""
    F = len(facets)
    n, u, v = (np.tile(axis, (F, 1)) for axis in np.eye(3)[[2, 0, 1]])
    return replace(facets, n=n, u=u, v=v)


def _plates(facets: Facets) -> tuple[Array, Array, Array]:
    """Outlines (F, K, 3), normals (F, 3), and radii of spheres about the centres (F,)."""
    corners = [facets.corners(f) for f in range(len(facets))]
    most = max(len(x) for x in corners)
    # the last corner again: an edge of no length changes nothing
    filled = np.stack([np.vstack([x, np.repeat(x[-1:], most - len(x), axis=0)]) for x in corners])
    reach = np.linalg.norm(filled - facets.c[:, None, :], axis=2).max(axis=1)
    return filled, facets.n, reach


def _met(
    p: Array, q: Array, plates: tuple[Array, Array, Array], others: NDArray[np.bool_], r: float
) -> tuple[NDArray[np.int64], Array]:
    """Plates within r of the line from p to q, and their distances; 0 where it goes through."""
    outlines, normals, reach = plates
    middle = outlines.mean(axis=1)
    # the mean of a filled-up outline is off its centre, by less than the outline's reach
    near = others & (_points_to_line(middle, p, q) <= 2.0 * reach + r)
    index = np.flatnonzero(near)
    if not len(index):
        return index, np.zeros(0)
    gaps = line_to_plates(p, q, outlines[index], normals[index])
    hit = (gaps == 0.0) | (gaps < r)
    return index[hit], gaps[hit]


def _points_to_line(x: Array, p: Array, q: Array) -> Array:
    d = q - p
    t = np.clip((x - p) @ d / (d @ d), 0.0, 1.0)
    return np.asarray(np.linalg.norm(x - p - t[..., None] * d, axis=-1))


def line_to_plates(p: Array, q: Array, outlines: Array, normals: Array) -> Array:
    """Least distance between the straight line from p to q and flat convex plates.

    Parameters
    ----------
    p, q : ndarray, shape (3,)
        Ends of the line. [m]
    outlines : ndarray, shape (G, K, 3)
        Corners in order, counter-clockwise about the normal. [m]
    normals : ndarray, shape (G, 3)
        Unit normals.

    Returns
    -------
    gap : ndarray, shape (G,)
        0 where the line goes through the plate. [m]

    Notes
    -----
    If the line does not go through, the nearest points lie on an edge, or at an end of the line
    that stands over the plate.
    """
    d = q - p
    edge = np.roll(outlines, -1, axis=1) - outlines
    gap = _line_to_edges(p, d, outlines, edge).min(axis=1)
    for end in (p, q):
        height = ((end - outlines[:, 0]) * normals).sum(-1)
        over = _inside(end - height[:, None] * normals, outlines, edge, normals)
        gap = np.where(over, np.minimum(gap, np.abs(height)), gap)
    toward = normals @ d
    with np.errstate(divide="ignore", invalid="ignore"):
        t = ((outlines[:, 0] - p) * normals).sum(-1) / toward
    t = np.where(np.isfinite(t), t, -1.0)
    through = (t >= 0.0) & (t <= 1.0)
    through &= _inside(p + t[:, None] * d, outlines, edge, normals)
    return np.where(through, 0.0, gap)


def _inside(x: Array, outlines: Array, edge: Array, normals: Array) -> NDArray[np.bool_]:
    """Whether points (G, 3) in the plates' planes lie within the outlines."""
    turn = np.cross(edge, x[:, None, :] - outlines)
    return np.asarray(((turn * normals[:, None, :]).sum(-1) >= 0.0).all(axis=1))


def _line_to_edges(p: Array, d: Array, start: Array, edge: Array) -> Array:
    """Distances (G, K) between p + t d and start + s edge, t and s from 0 to 1."""
    w = start - p
    dd, ee, de = d @ d, (edge**2).sum(-1), edge @ d
    wd, we = w @ d, (w * edge).sum(-1)
    det = dd * ee - de**2
    skew = det > 1e-12 * dd * np.maximum(ee, 1e-300)
    s = np.where(skew, (de * wd - dd * we) / np.where(skew, det, 1.0), 0.0)
    s = np.clip(s, 0.0, 1.0)
    t = np.clip((wd + s * de) / dd, 0.0, 1.0)
    # the best point of the edge for the t that was cut, and once more of the line for that
    s = np.clip((t * de - we) / np.maximum(ee, 1e-300), 0.0, 1.0)
    t = np.clip((wd + s * de) / dd, 0.0, 1.0)
    return np.asarray(np.linalg.norm(w + s[..., None] * edge - t[..., None] * d, axis=-1))


def _bodies_met(cooker: Cooker, p: Array, q: Array, r: float, with_pot: bool) -> list[str]:
    """Pot and posts within about r of the line from p to q, and the board if that enters it."""
    pot = cooker.pot
    frame = pot.frame
    a, d = (p - pot.base) @ frame.T, (q - p) @ frame.T
    met = []
    if with_pot:
        low, high = _slab(a[2], d[2], -r, pot.height + r)
        side_low, side_high = _round(a[:2], d[:2], pot.R + r)
        if max(low, side_low, 0.0) < min(high, side_high, 1.0):
            met.append("pot")
    x0, x1, y0, y1 = cooker.extent
    if _in_box(p, q - p, np.array([x0, y0, -cooker.thickness, x1, y1, 0.0])):
        met.append("board")
    a, d = pot.stand_axes @ a, pot.stand_axes @ d
    for k, post in enumerate(np.asarray(pot.posts, dtype=float).reshape(-1, 6)):
        if _in_box(a, d, post + r * np.repeat([-1.0, 1.0], 3)):
            met.append(f"post {k + 1}")
    return met


def _in_box(a: Array, d: Array, box: Array) -> bool:
    """Whether the line from a to a + d passes through a box: its low corner, its high corner."""
    low, high = 0.0, 1.0
    for x in range(3):
        enter, leave = _slab(a[x], d[x], box[x], box[x + 3])
        low, high = max(low, enter), min(high, leave)
    return low < high


def _slab(a: float, d: float, low: float, high: float) -> tuple[float, float]:
    """Stretch of t for which a + t d lies between low and high."""
    if d == 0.0:
        return (-np.inf, np.inf) if low < a < high else (np.inf, -np.inf)
    ends = (low - a) / d, (high - a) / d
    return min(ends), max(ends)


def _round(a: Array, d: Array, R: float) -> tuple[float, float]:
    """Stretch of t for which a + t d lies within R of the origin."""
    dd, ad = float(d @ d), float(a @ d)
    inside = R * R - float(a @ a)
    if dd == 0.0:
        return (-np.inf, np.inf) if inside > 0.0 else (np.inf, -np.inf)
    root2 = ad * ad + dd * inside
    if root2 <= 0.0:
        return np.inf, -np.inf
    root = float(np.sqrt(root2))
    return (-ad - root) / dd, (-ad + root) / dd
