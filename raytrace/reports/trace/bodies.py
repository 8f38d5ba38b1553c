"""What stands in the yard at a moment: ground, board, mounts, facets, pot, posts, as polygons.

All of it is in the site's frame: x to the east, y to the north, z up, metres, from where the
middle of the platform's top is while the platform lies flat on the ground.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker
from raytrace.cooker.pose import Pose

__all__ = ["Scene"]

Array = NDArray[np.float64]

AROUND = 48  # strips that stand for the pot's side
LOW = 0.03  # sine of the sun's altitude over the ground below which no shadow ends near [1]
# a box's corners by x, y, z, and its faces: four round, then bottom and top
_CORNERS = np.array([[x, y, z] for z in (0, 1) for x, y in ((0, 0), (1, 0), (1, 1), (0, 1))])
_FACES = ((0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7), (3, 2, 1, 0), (4, 5, 6, 7))


def _box(low: Array, high: Array) -> Array:
    """Faces of a box, corners in order as seen from outside, shape (6, 4, 3)."""
    corners = np.where(_CORNERS == 1, high, low)
    return np.asarray(corners[np.array(_FACES)])


@dataclass(frozen=True, eq=False)
class Scene:
    """A cooker as it stands in its yard.

    Attributes
    ----------
    cooker : Cooker
        As it stands: from `raytrace.cooker.pose.posed`.
    pose : Pose
    sun : ndarray, shape (3,)
        Unit vector to the sun, platform frame.
    """

    cooker: Cooker
    pose: Pose
    sun: Array

    def turned(self, directions: Array) -> Array:
        """Directions of the platform frame in the site's.

        Parameters
        ----------
        directions : ndarray, shape (..., 3)

        Returns
        -------
        ndarray, shape (..., 3)
        """
        return np.asarray(directions @ self.pose.to_site.T)

    def placed(self, points: Array) -> Array:
        """Points of the platform frame in the site's; the platform tilts about its hinge.

        Parameters
        ----------
        points : ndarray, shape (..., 3)
            [m]

        Returns
        -------
        ndarray, shape (..., 3)
            [m]
        """
        pose, hinge = self.pose, np.array([0.0, *self.cooker.hinge])
        flat = hinge + (points - hinge) @ pose.levelling.T
        return np.asarray(flat @ (pose.ground.to_site @ pose.turning).T)

    @property
    def to_sun(self) -> Array:
        """Unit vector to the sun, shape (3,)."""
        return self.turned(self.sun)

    @property
    def ahead(self) -> Array:
        """Unit vector along the ground to where the platform faces, shape (3,)."""
        return np.asarray(self.pose.ground.to_site @ self.pose.turning @ [0.0, 1.0, 0.0])

    @property
    def normal(self) -> Array:
        """The ground's normal, shape (3,)."""
        return np.asarray(self.pose.ground.to_site[:, 2])

    @cached_property
    def facets(self) -> Array:
        """Outlines of the facets that are present, shape (P, k, 3). [m]"""
        f = self.cooker.facets
        return self.placed(f.outlines(np.flatnonzero(f.present)))

    @cached_property
    def mounts(self) -> Array:
        """From the board's top to the turning centre to the facet's centre, shape (P, 3, 3). [m]"""
        f = self.cooker.facets
        foot = f.mount * [1.0, 1.0, 0.0]
        return self.placed(np.stack([foot, f.mount, f.c], axis=1)[f.present])

    @cached_property
    def board(self) -> Array:
        """The board's faces: four edges, bottom, top; shape (6, 4, 3). [m]"""
        x0, x1, y0, y1 = self.cooker.extent
        return self.placed(_box(np.array([x0, y0, -self.cooker.thickness]), np.array([x1, y1, 0])))

    @cached_property
    def posts(self) -> Array:
        """Faces of the posts that hold the pot, shape (K, 6, 4, 3). [m]"""
        pot = self.cooker.pot
        boxes = [_box(post[:3], post[3:]) for post in pot.posts]
        return self.placed(pot.base + np.reshape(boxes, (-1, 6, 4, 3)) @ pot.stand_frame)

    @cached_property
    def base(self) -> Array:
        """Rim of the pot's base, shape (AROUND, 3). [m]"""
        pot = self.cooker.pot
        turn = np.arange(AROUND) * (2.0 * np.pi / AROUND)
        rim = pot.R * np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], axis=1)
        return self.placed(pot.base + rim @ pot.frame)

    @cached_property
    def lid(self) -> Array:
        """Rim of the pot's lid, shape (AROUND, 3). [m]"""
        up = self.cooker.pot.height * self.turned(self.cooker.pot.axis)
        return np.asarray(self.base + up)

    @property
    def wall(self) -> Array:
        """Strips of the pot's side, shape (AROUND, 4, 3). [m]"""
        base, lid = self.base, self.lid
        return np.stack([base, np.roll(base, -1, 0), np.roll(lid, -1, 0), lid], axis=1)

    @cached_property
    def level(self) -> float:
        """Height of the ground along its normal: what stands lowest stands on it. [m]"""
        points = [self.board, self.posts, self.base[None]]
        return min(float((p @ self.normal).min()) for p in points if p.size)

    def on_ground(self, points: Array, along: Array | None = None) -> Array:
        """Feet of points on the ground.

        Parameters
        ----------
        points : ndarray, shape (..., 3)
            [m]
        along : ndarray, shape (3,), optional
            Direction to come from, by default the ground's normal; the sun's for shadows.

        Returns
        -------
        ndarray, shape (..., 3)
            [m]
        """
        way = self.normal if along is None else along
        over = (points @ self.normal - self.level) / float(way @ self.normal)
        return np.asarray(points - over[..., None] * way)

    @property
    def legs(self) -> Array:
        """Legs under the board's corners where those are off the ground, shape (L, 2, 3). [m]"""
        corners = self.board[4]
        feet = self.on_ground(corners)
        off = np.linalg.norm(corners - feet, axis=1) > 1e-3
        return np.asarray(np.stack([corners, feet], axis=1)[off])

    @property
    def shadows(self) -> list[Array]:
        """Shadows on the ground of all that stands there, as polygons; none of a very low sun.

        Returns
        -------
        list of ndarray, shape (k, 3)
            [m]
        """
        if self.to_sun @ self.normal < LOW:
            return []
        solids = [
            *self.board,
            *self.facets,
            *self.posts.reshape(-1, 4, 3),
            *self.wall,
            self.base,
            self.lid,
        ]
        return [self.on_ground(solid, self.to_sun) for solid in solids]

    @cached_property
    def points(self) -> Array:
        """All corners of board, facets, posts and pot, shape (N, 3). [m]"""
        solids = self.board, self.facets, self.posts, self.base, self.lid
        return np.concatenate([s.reshape(-1, 3) for s in solids])
