"""Where a cooker's light is strongest: at each distance from it, and anywhere."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from raytrace.studies.stray.around import at_distance
from raytrace.studies.stray.yard import InYard, bearing_of

__all__ = ["Ring", "crowded", "ring_points", "strongest", "strongest_at"]

Array = NDArray[np.float64]

MOST = 60  # beams' middles on a cylinder that are looked at, the most crowded
NEIGHBOURS = 3  # with which each beam's middle is tried half-way
ALONG = np.array([0.15, 0.3, 0.45, 0.6, 0.8, 1.1, 1.6, 2.4])  # from facets to where beams cross
RAYS = 12  # along which the strongest place is first looked for
STARTS = 5  # places from which it is climbed to
AROUND = 0.25 * np.pi * np.arange(8)
HALVINGS = 7  # of the step of a climb
MOST_STEPS = 40


@dataclass(frozen=True, eq=False)
class Ring:
    """Places on upright cylinders about the platform's middle, and the light there.

    Attributes
    ----------
    k : ndarray of int64, shape (N,)
        Which of the distances.
    point : ndarray, shape (N, 3)
        Yard frame. [m]
    wide : ndarray, shape (N,)
        Half the width of a beam there. [m]
    facing : ndarray, shape (N,)
        Irradiance on a surface that faces the light. [W/m²]
    lit : ndarray of int64, shape (N,)
    fill : ndarray, shape (N,)
        As in `raytrace.optics.stray.Irradiance`. [1, sr]
    """

    k: NDArray[np.int64]
    point: Array
    wide: Array
    facing: Array
    lit: NDArray[np.int64]
    fill: Array

    def __getitem__(self, index: NDArray[np.int64]) -> Ring:
        return Ring(*(getattr(self, f.name)[index] for f in fields(self)))


def crowded(points: Array, wide: Array, most: int) -> NDArray[np.int64]:
    """Which of many places have most others near them: there the light is strongest.

    Parameters
    ----------
    points : ndarray, shape (N, 3)
        [m]
    wide : ndarray, shape (N,)
        What is near. [m]
    most : int
        How many are wanted.

    Returns
    -------
    ndarray of int64, shape (min(N, most),)
    """
    from scipy.spatial import cKDTree

    if len(points) <= most:
        return np.arange(len(points))
    near = cKDTree(points).query_ball_point(points, wide, return_length=True)
    return np.argsort(-near, kind="stable")[:most]


def ring_points(yard: InYard, distances: Array, band: tuple[float, float], ceiling: float) -> Ring:
    """Light where the facets' central rays go through each cylinder, and half-way between them.

    Parameters
    ----------
    yard : InYard
    distances : ndarray, shape (K,)
        Radii of the cylinders. [m]
    band : (float, float)
        Heights at which people are: a ray that passes just over or under is tried there too. [m]
    ceiling : float
        Nothing is looked for above. [m]

    Returns
    -------
    Ring
    """
    from scipy.spatial import cKDTree

    c, r = yard.rays
    size = float(np.hypot(yard.light.cooker.facets.half_u, yard.light.cooker.facets.half_v).max())
    which, places, widths = [], [], []
    for k, D in enumerate(distances):
        t = at_distance(c, r, float(D))
        within = np.isfinite(t)
        out = c[within] + t[within, None] * r[within]
        wide = size + 2.0 * yard.light.shape.radius * t[within]
        near = (out[:, 2] > -wide) & (out[:, 2] < ceiling + wide)
        out, wide = out[near], wide[near]
        some = crowded(out, 0.5 * wide, MOST)
        out, wide = out[some], wide[some]
        if not len(out):
            continue
        if len(out) > 1:
            beside = np.asarray(cKDTree(out).query(out, k=min(NEIGHBOURS + 1, len(out)))[1])
            pairs = np.stack([np.repeat(np.arange(len(out)), beside.shape[1] - 1),
                              beside[:, 1:].ravel()], axis=1)  # fmt: skip
            pairs = np.unique(np.sort(pairs, axis=1), axis=0)
            close = np.linalg.norm(out[pairs[:, 0]] - out[pairs[:, 1]], axis=1)
            pairs = pairs[close < 2.0 * wide[pairs].max(axis=1)]
            middle = 0.5 * (out[pairs[:, 0]] + out[pairs[:, 1]])
            middle[:, :2] *= D / np.maximum(np.linalg.norm(middle[:, :2], axis=1), 1e-9)[:, None]
            out = np.concatenate([out, middle])
            wide = np.concatenate([wide, wide[pairs].max(axis=1)])
        out[:, 2] = np.clip(out[:, 2], 0.0, ceiling)
        into = np.clip(out[:, 2], *band)
        passing = (into != out[:, 2]) & (np.abs(into - out[:, 2]) < wide)
        lower = np.column_stack([out[passing, :2], into[passing]])
        out, wide = np.concatenate([out, lower]), np.concatenate([wide, wide[passing]])
        which.append(np.full(len(out), k))
        places.append(out)
        widths.append(wide)
    if not places:
        none = np.zeros(0)
        return Ring(
            none.astype(np.int64), np.zeros((0, 3)), none, none, none.astype(np.int64), none
        )
    point = np.concatenate(places)
    found = yard.at(point)
    return Ring(
        np.concatenate(which), point, np.concatenate(widths), found.facing, found.lit, found.fill
    )


def strongest_at(
    yard: InYard,
    ring: Ring,
    heights: tuple[float, float],
    wanted: NDArray[np.bool_] | None = None,
) -> Ring:
    """Climb to the strongest place on each cylinder within a band of heights.

    Parameters
    ----------
    yard : InYard
    ring : Ring
        Places to start from.
    heights : (float, float)
        [m]
    wanted : ndarray of bool, shape (K,), optional
        Cylinders that are asked for; by default all.

    Returns
    -------
    Ring
        One place a cylinder that has light there, by rising distance.
    """
    low, high = heights
    within = (ring.point[:, 2] >= low) & (ring.point[:, 2] <= high) & (ring.facing > 0.0)
    starts: list[int] = []
    if wanted is not None:
        within &= wanted[ring.k]
    for k in np.unique(ring.k[within]):
        here = np.flatnonzero(within & (ring.k == k))
        starts.extend(here[np.argsort(ring.facing[here])[::-1][:STARTS]])
    at = np.array(starts, dtype=np.int64)
    if not len(at):
        return ring[at]
    k, point, facing = ring.k[at], ring.point[at].copy(), ring.facing[at].copy()
    lit, fill = ring.lit[at].copy(), ring.fill[at].copy()
    D = np.linalg.norm(point[:, :2], axis=1)
    angle, z, step = bearing_of(point), point[:, 2].copy(), 0.5 * ring.wide[at]
    halved = np.zeros(len(at), dtype=np.int64)
    for _ in range(MOST_STEPS):
        going = np.flatnonzero(halved < HALVINGS)
        if not len(going):
            break
        turned = angle[going, None] + step[going, None] / D[going, None] * np.cos(AROUND)
        up = np.clip(z[going, None] + step[going, None] * np.sin(AROUND), low, high)
        d = D[going, None]
        tried = np.stack([d * np.sin(turned), d * np.cos(turned), up], axis=-1)
        found = yard.at(tried.reshape(-1, 3))
        E = found.facing.reshape(len(going), -1)
        best = E.argmax(axis=1)
        row = np.arange(len(going))
        better = E[row, best] > facing[going]
        g = going[better]
        pick = (row[better], best[better])
        facing[g], angle[g], z[g] = E[pick], turned[pick], up[pick]
        point[g] = tried[pick]
        lit[g] = found.lit.reshape(E.shape)[pick]
        fill[g] = found.fill.reshape(E.shape)[pick]
        worse = going[~better]
        step[worse] *= 0.5
        halved[worse] += 1
    order = np.lexsort((-facing, k))
    first = order[np.unique(k[order], return_index=True)[1]]
    return Ring(
        k[first], point[first], ring.wide[at][first], facing[first], lit[first], fill[first]
    )


def strongest(yard: InYard, *, climb: bool) -> tuple[float, Array]:
    """Find the strongest light anywhere above the ground.

    Parameters
    ----------
    yard : InYard
    climb : bool
        Whether to climb from the best places tried, or to take the best of them.

    Returns
    -------
    facing : float
        Irradiance on a surface that faces the light; 0 where there is none. [W/m²]
    point : ndarray, shape (3,)
        Yard frame. [m]
    """
    c, r = yard.rays
    if not len(c):
        return 0.0, np.zeros(3)
    # nearest to all rays, by least squares; beams that never cross have none, but some place still
    square = np.eye(3) - r[:, :, None] * r[:, None, :]
    focus = np.linalg.lstsq(square.sum(axis=0), (square @ c[:, :, None]).sum(axis=0)[:, 0])[0]
    ahead = r.mean(axis=0)
    ahead /= max(float(np.linalg.norm(ahead)), 1e-9)
    far = float(np.clip(np.linalg.norm(focus - c.mean(axis=0)), 0.2, 20.0))
    some = np.unique(np.linspace(0, len(c) - 1, min(RAYS, len(c))).astype(int))
    tried = np.concatenate(
        [
            focus + far * np.linspace(-0.4, 0.4, 9)[:, None] * ahead,
            (c[some, None] + far * ALONG[:, None] * r[some, None]).reshape(-1, 3),
        ]
    )
    tried = tried[tried[:, 2] >= 0.0]
    if not len(tried):
        return 0.0, np.zeros(3)
    E = yard.at(tried).facing
    if not climb or not E.max() > 0.0:
        return float(E.max()), tried[E.argmax()]
    best = np.argsort(E)[::-1][:STARTS]
    facing, point = E[best], tried[best]
    step = np.full(len(best), 0.1 * far)
    sides = np.concatenate(
        [np.eye(3), -np.eye(3), np.array(np.meshgrid(*[[-1.0, 1.0]] * 3)).reshape(3, 8).T / 3**0.5]
    )
    for _ in range(2 * MOST_STEPS):
        going = np.flatnonzero(step > 1e-3)
        if not len(going):
            break
        around = point[going, None] + step[going, None, None] * sides
        around[..., 2] = np.maximum(around[..., 2], 0.0)
        E = yard.at(around.reshape(-1, 3)).facing.reshape(len(going), -1)
        top = E.argmax(axis=1)
        row = np.arange(len(going))
        better = E[row, top] > facing[going]
        g = going[better]
        facing[g], point[g] = E[row[better], top[better]], around[row[better], top[better]]
        step[going[~better]] *= 0.5
    k = int(facing.argmax())
    return float(facing[k]), point[k]
