"""A cooker that stands in its yard: its light asked for where people and walls are."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.pose import Pose, posed
from raytrace.light.setup import Setup
from raytrace.optics.stray import Irradiance, StrayLight, stray_light

__all__ = ["InYard", "bearing_of", "in_yard"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class InYard:
    """Light of a cooker in the yard's frame.

    Its origin is on the ground below the middle of a level platform's top; x is east, y north and z
    up, square to the ground.

    Attributes
    ----------
    light : StrayLight
        In the platform's frame.
    turn : ndarray, shape (3, 3)
        Rotation from the platform's frame.
    shift : ndarray, shape (3,)
        Where the platform's origin is. [m]
    """

    light: StrayLight
    turn: Array
    shift: Array

    @property
    def rays(self) -> tuple[Array, Array]:
        """Centres [m] and central rays of the facets that send out light, shape (n, 3) each."""
        c, r = self.light.rays
        return c @ self.turn.T + self.shift, r @ self.turn.T

    def at(self, points: Array) -> Irradiance:
        """Light at points in the yard.

        Parameters
        ----------
        points : ndarray, shape (N, 3)
            [m]

        Returns
        -------
        Irradiance
            Its vector in the yard's frame.
        """
        found = self.light.at((points - self.shift) @ self.turn)
        return replace(found, vector=found.vector @ self.turn.T)


def in_yard(
    setup: Setup, s: Array, pose: Pose, *, dni: float, scale: float = 1.0, pot_there: bool = True
) -> InYard | None:
    """Stand a cooker in its yard, under a sun that it need not face.

    Parameters
    ----------
    setup : Setup
    s : ndarray, shape (3,)
        Direction to the sun, site frame.
    pose : Pose
    dni : float
        [W/m²]
    scale : float
        The sun's size over that of the set-up's shape. [1]
    pot_there : bool
        False for the empty stand.

    Returns
    -------
    InYard or None
        None where the sun stands below the platform's plane.

    Raises
    ------
    GeometryError
        If the platform would tilt into a pot on the ground.
    """
    sun = pose.to_platform(s)
    if sun[2] <= 0.0:
        return None
    cooker = posed(setup.cooker, pose)
    light = stray_light(cooker, sun, setup.shape, dni=dni, scale=scale, pot_there=pot_there)
    hinge = np.array([0.0, *cooker.hinge])
    up = np.array([0.0, 0.0, cooker.thickness])
    shift = pose.turning @ (hinge - pose.levelling @ hinge) + up
    return InYard(light, pose.turning @ pose.levelling, shift)


def bearing_of(points: Array) -> Array:
    """Direction of points from the platform's middle, clockwise from north, 0 to 2π. [rad]

    Parameters
    ----------
    points : ndarray, shape (..., 3)
        Yard frame. [m]

    Returns
    -------
    ndarray, shape (...)
    """
    return np.asarray(np.arctan2(points[..., 0], points[..., 1]) % (2.0 * np.pi))
