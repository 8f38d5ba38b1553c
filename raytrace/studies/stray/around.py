"""Where facets' beams meet the things about a cooker: points for its light to be asked for.

All is in the yard's frame: east, north, and up from the ground under the middle of the board.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raytrace.scenario.place_sections import Surrounding

__all__ = ["HORIZON_AWAY", "at_distance", "on_horizon", "on_surrounding", "points_at"]

Array = NDArray[np.float64]

# a beam of one facet is as wide as the facet, and widens with the sun's disc
SPOT, WIDENS = 0.05, 4.65e-3  # half of it [m], [m/m]
ALONG = 7  # points on each ray within a thing
WHOLE = 2.0 * np.pi
HORIZON_AWAY = (5.0, 10.0, 20.0, 50.0)  # a horizon has no distance: it is asked for at these [m]


def on_surrounding(start: Array, way: Array, thing: Surrounding) -> Array:
    """Points of a surrounding that the middles of beams meet, or pass by less than half a spot.

    Parameters
    ----------
    start : ndarray, shape (F, 3)
        Where the beams begin, nearer to the board than the thing. [m]
    way : ndarray, shape (F, 3)
        Where they go; length 1.
    thing : Surrounding

    Returns
    -------
    ndarray, shape (N, 3)
        [m]

    Notes
    -----
    The light of many facets is strongest near the middle of one of their beams, so that no grid is
    needed to find it.
    """
    near, far = (at_distance(start, way, r) for r in (thing.distance, thing.far))
    half = SPOT + WIDENS * thing.distance
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.stack([thing.bottom - half - start[:, 2], thing.top + half - start[:, 2]])
        ends = np.sort(ends / way[:, 2], axis=0)
    begin, end = np.fmax(near, ends[0]), np.fmin(far, ends[1])
    kept = begin <= end
    if not kept.any():
        return np.zeros((0, 3))
    t = np.linspace(begin[kept], end[kept], ALONG if thing.far > thing.distance else 1)
    x, y, z = np.moveaxis(start[kept] + t[..., None] * way[kept], -1, 0).reshape(3, -1)
    away = np.hypot(x, y)
    slack = half / thing.distance
    past = (np.arctan2(x, y) - thing.bearing_from + slack) % WHOLE - slack
    meets = past <= thing.span + slack
    bearing = thing.bearing_from + np.clip(past, 0.0, thing.span)[meets]
    away, z = away[meets], np.clip(z[meets], thing.bottom, thing.top)
    return np.stack([away * np.sin(bearing), away * np.cos(bearing), z], axis=1)


def on_horizon(start: Array, way: Array, horizon: Array, away: float) -> Array:
    """Points before what the horizon's profile shows that the middles of beams meet.

    Parameters
    ----------
    start, way : ndarray, shape (F, 3)
        As for `on_surrounding`.
    horizon : ndarray, shape (H, 2)
        Azimuth, rising, and altitude. [rad]
    away : float
        How far off it is taken to be, along the ground. [m]

    Returns
    -------
    ndarray, shape (N, 3)
        [m]
    """
    points = points_at(start, way, away)
    x, y, z = points.T
    bearing = np.arctan2(x, y) % WHOLE
    top = away * np.tan(np.interp(bearing, horizon[:, 0], horizon[:, 1], period=WHOLE))
    return np.asarray(points[(z >= 0.0) & (z <= top)])


def points_at(start: Array, way: Array, away: float) -> Array:
    """Where rays go through an upright cylinder about the middle of the board.

    Parameters
    ----------
    start, way : ndarray, shape (F, 3)
        As for `on_surrounding`; what is never within is left out.
    away : float
        Its radius. [m]

    Returns
    -------
    ndarray, shape (N, 3)
        [m]
    """
    t = at_distance(start, way, away)
    there = np.isfinite(t)
    return np.asarray(start[there] + t[there, None] * way[there])


def at_distance(start: Array, way: Array, away: float) -> Array:
    """How far along each ray it leaves an upright cylinder about the middle of the board.

    Parameters
    ----------
    start, way : ndarray, shape (F, 3)
        As for `on_surrounding`.
    away : float
        The cylinder's radius. [m]

    Returns
    -------
    ndarray, shape (F,)
        Infinite for a ray that is never within. [m]
    """
    a = (way[:, :2] ** 2).sum(axis=1)
    b = (way[:, :2] * start[:, :2]).sum(axis=1)
    c = (start[:, :2] ** 2).sum(axis=1) - away**2
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (-b + np.sqrt(b * b - a * c)) / a
    return np.where(t > 0.0, t, np.inf)
