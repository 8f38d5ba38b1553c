"""Whether flat outlines, boxes and the pot cut each other; convex bodies as corners and axes.

Two convex bodies are apart if and only if some axis parts them: a face normal of either, a normal
to an edge of each, or (for flat outlines in one plane) a normal to an edge within the plane.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["box_body", "clip_to_slab", "distance_from_axis", "flat_body", "overlap"]

Array = NDArray[np.float64]
Body = tuple[Array, Array, Array]  # corners (k, 3), face normals (m, 3), edge directions (j, 3)


def flat_body(corners: Array, normal: Array) -> Body:
    """Flat convex outline as a body: its plane's normal and those of its edges within the plane."""
    edges = np.roll(corners, -1, axis=0) - corners
    return corners, np.vstack([normal, np.cross(normal, edges)]), edges


def box_body(low: Array, high: Array) -> Body:
    """Box with sides along the axes, from its low and high corner."""
    pick = np.array(np.meshgrid(*[[0, 1]] * 3)).reshape(3, -1).T
    return np.where(pick == 0, low, high), np.eye(3), np.eye(3)


def overlap(a: Body, b: Body, touch: float = 1e-9) -> bool:
    """Whether two convex bodies share more than a touch.

    Parameters
    ----------
    a, b : Body
        From `flat_body` or `box_body`.
    touch : float
        Depth that still counts as apart. [m]
    """
    crosses = np.cross(a[2][:, None, :], b[2][None, :, :]).reshape(-1, 3)
    axes = np.vstack([a[1], b[1], crosses])
    length = np.linalg.norm(axes, axis=1)
    # a product of nearly parallel edges has no direction worth the name
    keep = length > 1e-9 * np.linalg.norm(np.vstack([a[2], b[2]]), axis=1).max() ** 2
    axes = axes[keep] / length[keep, None]
    pa, pb = axes @ a[0].T, axes @ b[0].T
    gap = np.maximum(pa.min(1) - pb.max(1), pb.min(1) - pa.max(1))
    # seen edge on, two outlines in one plane have no thickness that could overlap: only a gap parts
    thick = np.ptp(pa, axis=1) + np.ptp(pb, axis=1) > 4.0 * touch
    return not bool((gap > np.where(thick, -touch, touch)).any())


def clip_to_slab(corners: Array, low: float, high: float) -> Array:
    """Part of a convex outline with low <= z <= high, as corners; empty if none."""
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
    """Least distance from the z axis of a convex outline seen from above; 0 if it holds the axis.

    Parameters
    ----------
    corners : ndarray, shape (k, 3)
        In order around the outline. [m]
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
