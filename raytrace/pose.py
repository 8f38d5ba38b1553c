"""How the platform stands: heading, tilt and cross-level, and what that does to sun and pot."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker import Cooker
from raytrace.exceptions import GeometryError

__all__ = ["Pose", "posed", "spill_angle"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pose:
    """How the platform stands at its site.

    Attributes
    ----------
    heading : float
        Azimuth that the platform's +y edge is turned to, clockwise from north. [rad]
    tilt : float
        Turn about the platform's x axis; positive raises the +y edge. [rad]
    cross : float
        Turn about the platform's y axis; positive lowers the +x edge. [rad]
    """

    heading: float = 0.0
    tilt: float = 0.0
    cross: float = 0.0

    @property
    def levelling(self) -> Array:
        """Rotation from the platform frame to the heading's level frame, shape (3, 3)."""
        ct, st = np.cos(self.tilt), np.sin(self.tilt)
        cc, sc = np.cos(self.cross), np.sin(self.cross)
        about_x = np.array([[1.0, 0.0, 0.0], [0.0, ct, -st], [0.0, st, ct]])
        about_y = np.array([[cc, 0.0, sc], [0.0, 1.0, 0.0], [-sc, 0.0, cc]])
        return np.asarray(about_x @ about_y)

    @property
    def to_site(self) -> Array:
        """Rotation from the platform frame to east, north, up, shape (3, 3)."""
        ch, sh = np.cos(self.heading), np.sin(self.heading)
        turned = np.array([[ch, sh, 0.0], [-sh, ch, 0.0], [0.0, 0.0, 1.0]])
        return np.asarray(turned @ self.levelling)

    def to_platform(self, s: Array) -> Array:
        """Direction in the platform frame of one given in the site's frame, shape (..., 3)."""
        return np.asarray(s @ self.to_site)


def posed(cooker: Cooker, pose: Pose) -> Cooker:
    """Return the cooker with its pot where it is, seen from a platform that stands like this.

    A pot on the ground stays put and level while the platform tilts about its hinge (it is set
    down anew at its place whenever the platform is turned); a levelled pot on the platform moves
    with it, its base kept horizontal; any other pot moves and tilts with the platform.

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
    if (pot.stand != "ground" and not pot.levelled) or (pose.tilt == 0.0 and pose.cross == 0.0):
        return cooker
    turn = pose.levelling
    axis = turn.T @ pot.axis
    base = pot.base
    if pot.stand == "ground":
        hinge = np.array([0.0, *cooker.hinge])
        base = hinge + turn.T @ (pot.base - hinge)
    moved = replace(cooker, pot=replace(pot, base=base, axis=axis))
    if pot.stand == "ground":
        _check_clear(moved, pose)
    return moved


def _check_clear(cooker: Cooker, pose: Pose) -> None:
    from raytrace import solids

    facets, pot = cooker.facets, cooker.pot
    near = np.linalg.norm(facets.c - pot.base, axis=1) < (
        np.hypot(pot.R, pot.height) + 2.0 * np.maximum(facets.half_u, facets.half_v)
    )
    for f in np.flatnonzero(near & facets.present):
        outline = (facets.corners(int(f)) - pot.base) @ pot.frame.T
        if solids.distance_from_axis(solids.clip_to_slab(outline, 0.0, pot.height)) < pot.R:
            raise GeometryError(
                f"tilted by {np.degrees(pose.tilt):.1f}°, the platform brings facet "
                f"{facets.label[f]} into the pot; lower platform.tilt_limits or move the pot"
            )


def spill_angle(cooker: Cooker, pose: Pose) -> float:
    """Angle of the pot's axis from the vertical, in a pose. [rad]

    Parameters
    ----------
    cooker : Cooker
        Not posed: its pot as at zero tilt.
    pose : Pose
        How the platform stands.
    """
    pot = cooker.pot
    if pot.stand == "ground" or pot.levelled:
        return 0.0
    return float(np.arccos(np.clip((pose.levelling @ pot.axis)[2], -1.0, 1.0)))
