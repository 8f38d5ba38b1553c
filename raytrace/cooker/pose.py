"""How the platform stands: heading, tilt and cross-level, and what that does to sun and pot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker
from raytrace.exceptions import GeometryError
from raytrace.sky.ground import LEVEL, Ground

__all__ = ["Pose", "Poses", "posed", "pot_places"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pose:
    """How the platform stands at its site.

    It is turned about the ground's normal. So on ground that slopes it tilts and leans with its
    heading, before it is tilted about its hinge.

    Attributes
    ----------
    heading : float
        Azimuth that the platform's +y edge is turned to, clockwise from north; on ground that
        slopes, counted on it (`raytrace.sky.ground.Ground`). [rad]
    tilt : float
        Turn about the platform's x axis, from the ground; positive raises the +y edge. [rad]
    cross : float
        Turn about the platform's y axis, from the ground; positive lowers the +x edge. [rad]
    ground : Ground
        What it stands on.
    """

    heading: float = 0.0
    tilt: float = 0.0
    cross: float = 0.0
    ground: Ground = LEVEL

    @property
    def levelling(self) -> Array:
        """Rotation from the platform frame to one turned flat on the ground, shape (3, 3)."""
        return _levelling(np.asarray(self.tilt), np.asarray(self.cross))

    @property
    def turning(self) -> Array:
        """Rotation from a frame turned flat on the ground to the ground's own, shape (3, 3)."""
        ch, sh = np.cos(self.heading), np.sin(self.heading)
        return np.array([[ch, sh, 0.0], [-sh, ch, 0.0], [0.0, 0.0, 1.0]])

    @property
    def to_site(self) -> Array:
        """Rotation from the platform frame to east, north, up, shape (3, 3)."""
        flat = np.asarray(self.turning @ self.levelling)
        return np.asarray(self.ground.to_site @ flat) if self.ground.slope else flat

    def upright(self, axis: Array) -> Array:
        """Axis that a cook holds to the vertical, seen from a platform flat on the ground.

        Parameters
        ----------
        axis : ndarray, shape (3,)
            On level ground; z is up.

        Returns
        -------
        ndarray, shape (3,)
        """
        if not self.ground.slope:
            return axis
        return np.asarray(self.turning.T @ self.ground.seen(self.turning @ axis))

    def to_platform(self, s: Array) -> Array:
        """Direction in the platform frame of one given in the site's.

        Parameters
        ----------
        s : ndarray, shape (..., 3)

        Returns
        -------
        ndarray, shape (..., 3)
        """
        return np.asarray(s @ self.to_site)


@dataclass(frozen=True, eq=False)
class Poses:
    """Many ways the platform stands.

    Attributes
    ----------
    heading, tilt, cross : ndarray, shape (N,)
        As in `Pose`. [rad]
    ground : Ground
        What all stand on.
    """

    heading: Array
    tilt: Array
    cross: Array
    ground: Ground = LEVEL

    def __len__(self) -> int:
        return len(self.heading)

    def __getitem__(self, index: Any) -> Poses:
        return Poses(self.heading[index], self.tilt[index], self.cross[index], self.ground)

    def alone(self, k: int) -> Pose:
        """One of them.

        Parameters
        ----------
        k : int

        Returns
        -------
        Pose
        """
        own = float(self.heading[k]), float(self.tilt[k]), float(self.cross[k])
        return Pose(*own, self.ground)

    def off_by(self, off: Array) -> Poses:
        """How the platforms stand that are off by errors of pointing.

        Parameters
        ----------
        off : ndarray, shape (N, 3)
            Of heading, tilt and cross-level; N may also be that of one pose. [rad]

        Returns
        -------
        Poses
            N of them.
        """
        heading, tilt, cross = off.T
        return Poses(self.heading + heading, self.tilt + tilt, self.cross + cross, self.ground)

    @property
    def levelling(self) -> Array:
        """Rotations from the platform frame to ones turned flat on the ground, shape (N, 3, 3)."""
        return _levelling(self.tilt, self.cross)

    def to_platform(self, s: Array) -> Array:
        """Directions in the platform frame of those given in the site's, one for each pose.

        Parameters
        ----------
        s : ndarray, shape (N, 3)

        Returns
        -------
        ndarray, shape (N, 3)
        """
        flat = _turned_by(self.heading, self.ground.seen(s))
        return np.asarray((flat[:, :, None] * self.levelling).sum(axis=1))

    def upright(self, axis: Array) -> Array:
        """Axis that a cook holds to the vertical, seen from platforms flat on the ground.

        Parameters
        ----------
        axis : ndarray, shape (3,)
            On level ground; z is up.

        Returns
        -------
        ndarray, shape (N, 3) or (3,)
        """
        if not self.ground.slope:
            return axis
        s = _turned_by(-self.heading, np.broadcast_to(axis, (len(self), 3)))
        return _turned_by(self.heading, self.ground.seen(s))


def _turned_by(heading: Array, s: Array) -> Array:
    """Directions seen from frames that are turned clockwise about z, shape (N, 3)."""
    ch, sh = np.cos(heading), np.sin(heading)
    right, ahead = ch * s[:, 0] - sh * s[:, 1], sh * s[:, 0] + ch * s[:, 1]
    return np.stack([right, ahead, s[:, 2]], axis=1)


def _levelling(tilt: Array, cross: Array) -> Array:
    """Turn about y by `cross`, then about x by `tilt`: shape (..., 3, 3)."""
    ct, st, cc, sc = np.cos(tilt), np.sin(tilt), np.cos(cross), np.sin(cross)
    rows = [[cc, 0.0 * cc, sc], [st * sc, ct, -st * cc], [-ct * sc, st, ct * cc]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def posed(cooker: Cooker, pose: Pose) -> Cooker:
    """Return the cooker with its pot where it is, seen from a platform that stands like this.

    A pot on the ground stays put and level while the platform tilts about its hinge (it is set
    down again at its place whenever the platform is turned); a levelled pot on the platform moves
    with it, its base kept horizontal; any other pot moves and tilts with the platform. Where the
    ground slopes, a pot on it has its place along the slope, measured from the platform, and is
    put level on its stand.

    Parameters
    ----------
    cooker : Cooker
        As built.
    pose : Pose
        How the platform stands.

    Returns
    -------
    Cooker
        Same facets; pot's place and axis in the platform frame.

    Raises
    ------
    GeometryError
        If the platform would tilt into a pot on the ground.
    """
    pot = cooker.pot
    flat = pose.tilt == 0.0 and pose.cross == 0.0 and not pose.ground.slope
    if (pot.stand != "ground" and not pot.levelled) or flat:
        return cooker
    turn = pose.levelling
    axis = turn.T @ pose.upright(pot.axis)
    base = pot.base
    if pot.stand == "ground":
        hinge = np.array([0.0, *cooker.hinge])
        base = hinge + turn.T @ (pot.base - hinge)
    moved = replace(cooker, pot=replace(pot, base=base, axis=axis))
    if pot.stand == "ground":
        _check_clear(moved, pose.tilt)
    return moved


def pot_places(cooker: Cooker, poses: Poses, put: Array | None = None) -> tuple[Array, Array]:
    """Where the pot is, seen from platforms that stand in many ways; see `posed`.

    Parameters
    ----------
    cooker : Cooker
        As built.
    poses : Poses
    put : ndarray, shape (N, 3), optional
        Where the base's centre is put each time, the platform level; by default where the
        cooker's is. [m]

    Returns
    -------
    base : ndarray, shape (N, 3)
        Centre of the base, platform frame. [m]
    axis : ndarray, shape (N, 3)
        From base to lid.

    Raises
    ------
    GeometryError
        If the platform would tilt into a pot on the ground.
    """
    pot, N = cooker.pot, len(poses)
    base = np.broadcast_to(pot.base if put is None else put, (N, 3))
    if pot.stand != "ground" and not pot.levelled:
        return base, np.broadcast_to(pot.axis, (N, 3))
    turn = poses.levelling
    axis = (turn * poses.upright(pot.axis)[..., None]).sum(axis=1)
    if pot.stand == "ground":
        hinge = np.array([0.0, *cooker.hinge])
        base = hinge + (turn * (base - hinge)[:, :, None]).sum(axis=1)
        for k in np.flatnonzero(~_surely_clear(cooker, base, axis)):
            moved = replace(cooker, pot=replace(pot, base=base[k], axis=axis[k]))
            _check_clear(moved, poses.tilt[k])
    return base, axis


def _surely_clear(cooker: Cooker, base: Array, axis: Array) -> NDArray[np.bool_]:
    """Whether the balls round all facets stay out of the pot, for each of its places, (N,)."""
    f, pot = cooker.facets, cooker.pot
    c, ball = f.c[f.present], np.hypot(f.half_u, f.half_v)[f.present]
    clear = np.ones(len(base), dtype=bool)
    # some facets at a time, to need little memory
    step = max(65_536 // max(len(base), 1), 1)
    for k in range(0, len(c), step):
        off = c[k : k + step] - base[:, None]
        z = (off * axis[:, None]).sum(axis=2)
        out = np.sqrt(np.maximum((off**2).sum(axis=2) - z**2, 0.0)) - pot.R
        above = np.abs(z - 0.5 * pot.height) - 0.5 * pot.height
        gap = np.hypot(np.maximum(out, 0.0), np.maximum(above, 0.0))
        clear &= (gap > ball[k : k + step]).all(axis=1)
    return clear


def _check_clear(cooker: Cooker, tilt: float) -> None:
    from raytrace.cooker import collision as solids

    facets, pot = cooker.facets, cooker.pot
    near = np.linalg.norm(facets.c - pot.base, axis=1) < (
        np.hypot(pot.R, pot.height) + 2.0 * np.maximum(facets.half_u, facets.half_v)
    )
    for f in np.flatnonzero(near & facets.present):
        outline = (facets.corners(int(f)) - pot.base) @ pot.frame.T
        if solids.distance_from_axis(solids.clip_to_slab(outline, 0.0, pot.height)) < pot.R:
            raise GeometryError(
                f"tilted by {np.degrees(tilt):.1f}°, the platform brings facet "
                f"{facets.label[f]} into the pot; lower platform.tilt_limits or move the pot"
            )
