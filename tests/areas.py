"""Areas of convex polygons within discs and capsules, slice by slice: what kernels answer to.

Polygons are arrays of corners, shape (k, 2), counter-clockwise.
"""

from __future__ import annotations

import numpy as np
import shapely


def hull(points):
    """Convex hull's corners, counter-clockwise."""
    ring = shapely.geometry.polygon.orient(shapely.convex_hull(shapely.MultiPoint(points)))
    return np.array(ring.exterior.coords)[:-1]


def random_polygon(rng, points, size, away=0.5):
    """Hull of normally drawn points about a normally drawn centre."""
    return hull(size * rng.standard_normal((points, 2)) + away * rng.standard_normal(2))


def shoelace(p):
    x, y = (p - p[0]).T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def under_arc(x, R):
    """∫ √(R² − x²) dx from 0; the same square root in both terms, so that they err together."""
    root = np.sqrt(np.maximum((R - x) * (R + x), 0.0))
    return 0.5 * (x * root + R * R * np.arctan2(x, root))


def area_in_capsule(p, R, sweep=(0.0, 0.0)):
    """Area of a convex polygon within a disc about the origin swept along a vector.

    Between neighbouring abscissas of corners, of the arcs' ends and of crossings, upper and lower
    bound of the common part are each a straight edge or an arc: both have closed integrals.
    """
    length = float(np.hypot(*sweep))
    e = np.array(sweep) / length if length > 0.0 else np.array([1.0, 0.0])
    p = p @ np.array([[e[0], -e[1]], [e[1], e[0]]])
    a, b = p, np.roll(p, -1, axis=0)
    low, high = max(a[:, 0].min(), -R), min(a[:, 0].max(), length + R)
    if low >= high:
        return 0.0
    cuts = [a[:, 0], [-R, 0.0, length, length + R]]
    d = b - a
    dd = np.maximum((d * d).sum(1), 1e-300)
    for x0 in (0.0, length):
        w = a - [x0, 0.0]
        ad = (w * d).sum(1)
        root = np.sqrt(np.maximum(ad**2 - dd * ((w * w).sum(1) - R * R), 0.0))
        cuts += [a[:, 0] + (-ad + sign * root) / dd * d[:, 0] for sign in (-1.0, 1.0)]
    with np.errstate(divide="ignore", invalid="ignore"):
        for level in (-R, R):
            t = (level - a[:, 1]) / d[:, 1]
            cuts.append((a[:, 0] + t * d[:, 0])[np.isfinite(t)])
    x = np.unique(np.clip(np.concatenate(cuts), low, high))
    x0, x1 = x[:-1], x[1:]
    middle = 0.5 * (x0 + x1)
    # the edges over each slice: rising abscissas are the lower chain, falling ones the upper
    span = (np.minimum(a[:, 0], b[:, 0])[:, None] <= middle) & (
        np.maximum(a[:, 0], b[:, 0])[:, None] >= middle
    )
    run = np.where(d[:, 0] == 0.0, 1.0, d[:, 0])
    at = a[:, 1:] + (middle - a[:, :1]) / run[:, None] * d[:, 1:]
    span &= (d[:, 0] != 0.0)[:, None]
    edge_high = np.where(span, at, -np.inf).max(0)
    edge_low = np.where(span, at, np.inf).min(0)

    past = np.maximum(middle - length, 0.0) + np.minimum(middle, 0.0)
    arc = np.sqrt(np.maximum(R * R - past * past, 0.0))
    shift = np.where(middle > length, length, 0.0)
    under = under_arc(x1 - shift, R) - under_arc(x0 - shift, R)
    under = np.where((middle >= 0.0) & (middle <= length), R * (x1 - x0), under)
    upper = np.where(edge_high < arc, edge_high * (x1 - x0), under)
    lower = np.where(edge_low > -arc, edge_low * (x1 - x0), -under)
    meet = np.minimum(edge_high, arc) > np.maximum(edge_low, -arc)
    return float((upper - lower)[meet].sum())
