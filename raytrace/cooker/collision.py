"""Whether flat outlines, boxes and the pot cut each other; convex bodies as corners and axes.

Two convex bodies are apart if and only if some axis parts them: a face normal of either, a normal
to an edge of each, or (for flat outlines in one plane) a normal to an edge within the plane.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "box_body",
    "clip_to_slab",
    "distance_from_axis",
    "flat_body",
    "may_meet_cylinder",
    "may_overlap_box",
    "overlap",
    "pairs_that_may_overlap",
]

Array = NDArray[np.float64]
Body = tuple[Array, Array, Array]  # corners (k, 3), face normals (m, 3), edge directions (j, 3)
CROWD = 64  # outlines within reach of one, on average, before only the nearest are looked at
TOUCH = 1e-9  # depth that still counts as apart [m]


def flat_body(corners: Array, normal: Array) -> Body:
    """Flat convex outline as a body: its plane's normal and those of its edges within the plane.

    Parameters
    ----------
    corners : ndarray, shape (k, 3)
        In order around the outline. [m]
    normal : ndarray, shape (3,)
        Of its plane.

    Returns
    -------
    Body
    """
    edges = np.roll(corners, -1, axis=0) - corners
    return corners, np.vstack([normal, np.cross(normal, edges)]), edges


def box_body(low: Array, high: Array) -> Body:
    """Box with sides along the axes.

    Parameters
    ----------
    low, high : ndarray, shape (3,)
        Its corners. [m]

    Returns
    -------
    Body
    """
    pick = np.array(np.meshgrid(*[[0, 1]] * 3)).reshape(3, -1).T
    return np.where(pick == 0, low, high), np.eye(3), np.eye(3)


def overlap(a: Body, b: Body, touch: float = TOUCH) -> bool:
    """Whether two convex bodies share more than a touch.

    Parameters
    ----------
    a, b : Body
        From `flat_body` or `box_body`.
    touch : float
        Depth that still counts as apart. [m]

    Returns
    -------
    bool
    """
    crosses = np.cross(a[2][:, None, :], b[2][None, :, :]).reshape(-1, 3)
    axes = np.vstack([a[1], b[1], crosses])
    length = np.linalg.norm(axes, axis=1)
    # a product of nearly parallel edges has no direction worth the name
    keep = length > 1e-9 * np.linalg.norm(np.vstack([a[2], b[2]]), axis=1).max() ** 2
    axes = axes[keep] / length[keep, None]
    pa, pb = axes @ a[0].T, axes @ b[0].T
    return not bool(_parted((pa.min(1), pa.max(1)), (pb.min(1), pb.max(1)), touch).any())


def _parted(a: tuple[Array, Array], b: tuple[Array, Array], touch: float = TOUCH) -> NDArray[Any]:
    """Whether spans (low, high) along unit axes lie apart."""
    gap = np.maximum(a[0] - b[1], b[0] - a[1])
    # seen edge on, two outlines in one plane have no thickness that could overlap: only a gap parts
    thick = a[1] - a[0] + b[1] - b[0] > 4.0 * touch
    return np.asarray(gap > np.where(thick, -touch, touch))


def pairs_that_may_overlap(outlines: Array, normals: Array) -> NDArray[np.int64]:
    """Pairs of flat outlines left after quick looks; of all others `overlap` says no.

    Each pair is tried along its two planes' normals and, of each outline, the normal to the edge
    that looks most toward the other: four of the axes that `overlap` tries, all pairs at once.
    In a crowd, where thousands lie within reach of each other, only the nearest of each are looked
    at: they overlap first.

    Parameters
    ----------
    outlines : ndarray, shape (F, k, 3)
        Corners in order; one with fewer corners than others repeats its last. [m]
    normals : ndarray, shape (F, 3)

    Returns
    -------
    pairs : ndarray of int, shape (P, 2)
        First index below the second, in rising order.
    """
    from scipy.spatial import cKDTree

    middle = 0.5 * (outlines.min(1) + outlines.max(1))
    reach = np.linalg.norm(outlines - middle[:, None], axis=2).max(1)
    tree, within = cKDTree(middle), 2.0 * reach.max()
    if tree.count_neighbors(tree, within) > CROWD * len(middle):
        near = np.asarray(tree.query(middle, k=CROWD)[1])[:, 1:]
        pairs = np.column_stack([np.repeat(np.arange(len(near)), near.shape[1]), near.ravel()])
        pairs = np.unique(np.sort(pairs, axis=1), axis=0)
    else:
        pairs = tree.query_pairs(within, output_type="ndarray")
    pairs = pairs[np.lexsort(pairs.T[::-1])].astype(np.int64)
    edges = np.roll(outlines, -1, axis=1) - outlines
    out = np.cross(edges, normals[:, None])
    length = np.linalg.norm(out, axis=2, keepdims=True)
    out = np.divide(out, length, out=np.zeros_like(out), where=length > 0.0)
    i, j = pairs.T
    found = np.linalg.norm(middle[i] - middle[j], axis=1) <= reach[i] + reach[j]
    for look in range(4):
        pairs = pairs[found]
        i, j = pairs.T if look % 2 == 0 else pairs.T[::-1]
        axis = normals[i] if look < 2 else _toward(outlines[i], out[i], middle[j])
        found = ~_parted(_span(outlines[i], axis), _span(outlines[j], axis))
    return np.asarray(pairs[found])


def _toward(outlines: Array, out: Array, point: Array) -> Array:
    """Of each outline's edge normals, the one by which the point lies furthest out."""
    beyond = ((point[:, None] - outlines) * out).sum(2)
    best = np.where(out.any(axis=2), beyond, -np.inf).argmax(1)
    return np.asarray(out[np.arange(len(out)), best])


def _span(outlines: Array, axis: Array) -> tuple[Array, Array]:
    along = np.einsum("pkx,px->pk", outlines, axis)
    return along.min(1), along.max(1)


def may_meet_cylinder(outlines: Array, radius: float, height: float) -> NDArray[np.bool_]:
    """Flat outlines that may meet a cylinder on the origin about z.

    Parameters
    ----------
    outlines : ndarray, shape (F, k, 3)
        [m]
    radius, height : float
        [m]

    Returns
    -------
    ndarray of bool, shape (F,)
    """
    low, high = outlines.min(1), outlines.max(1)
    middle = 0.5 * (low + high)
    reach = np.linalg.norm(outlines - middle[:, None], axis=2).max(1)
    near = np.linalg.norm(middle[:, :2], axis=1) < radius + reach + TOUCH
    return np.asarray(near & (high[:, 2] >= 0.0) & (low[:, 2] <= height))


def may_overlap_box(outlines: Array, low: Array, high: Array) -> NDArray[np.bool_]:
    """Flat outlines that no side of a box along the axes parts from it.

    Parameters
    ----------
    outlines : ndarray, shape (F, k, 3)
        [m]
    low, high : ndarray, shape (3,)
        Corners of the box. [m]

    Returns
    -------
    ndarray of bool, shape (F,)
    """
    return np.asarray(~_parted((outlines.min(1), outlines.max(1)), (low, high)).any(axis=1))


def clip_to_slab(corners: Array, low: float, high: float) -> Array:
    """Part of a convex outline with low <= z <= high.

    Parameters
    ----------
    corners : ndarray, shape (k, 3)
        In order around the outline. [m]
    low, high : float
        [m]

    Returns
    -------
    ndarray, shape (j, 3)
        Corners in order; none if no part of it lies there. [m]
    """
    for sign, level in ((1.0, low), (-1.0, -high)):
        kept = []
        z = sign * corners[:, 2]
        for k in range(len(corners)):
            j = (k + 1) % len(corners)
            if z[k] >= level:
                kept.append(corners[k])
            if (z[k] >= level) != (z[j] >= level):
                t = (level - z[k]) / (z[j] - z[k])
                kept.append(corners[k] + t * (corners[j] - corners[k]))
        corners = np.array(kept).reshape(-1, 3)
        if not len(corners):
            break
    return corners


def distance_from_axis(corners: Array) -> float:
    """Least distance from the z axis of a convex outline seen from above.

    Parameters
    ----------
    corners : ndarray, shape (k, 3)
        In order around the outline. [m]

    Returns
    -------
    float
        0 if the outline holds the axis, infinite if it has no corners. [m]
    """
    if not len(corners):
        return float("inf")
    p = corners[:, :2]
    edge = np.roll(p, -1, axis=0) - p
    turn = edge[:, 0] * -p[:, 1] - edge[:, 1] * -p[:, 0]
    if len(p) > 2 and ((turn > 0).all() or (turn < 0).all()):
        return 0.0
    length2 = np.maximum((edge**2).sum(1), 1e-300)
    t = np.clip(-(p * edge).sum(1) / length2, 0.0, 1.0)
    return float(np.linalg.norm(p + t[:, None] * edge, axis=1).min())
