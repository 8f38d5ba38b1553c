"""The ground that the cooker stands on: how it slopes, and the sun as it is seen over it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from raytrace.scenario.place_sections import Site

__all__ = ["LEVEL", "Ground", "ground_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Ground:
    """A plane yard. Level ground leaves what is asked of it as it is, bit by bit.

    Directions on it are counted as azimuths are, clockwise, from the line on the ground that is
    north but for the tilt about the level line across the slope. They differ from a compass's by
    slope²/4 at most: 0.02° at 2°.

    Attributes
    ----------
    slope : float
        Angle between its normal and the vertical. [rad]
    toward : float
        Azimuth that it falls toward, clockwise from north. [rad]
    """

    slope: float = 0.0
    toward: float = 0.0

    @property
    def to_site(self) -> Array:
        """Rotation from the ground's frame (normal along z) to east, north, up, shape (3, 3)."""
        down = np.array([np.sin(self.toward), np.cos(self.toward), 0.0])
        across, up = np.array([down[1], -down[0], 0.0]), np.array([0.0, 0.0, 1.0])
        c, s = np.cos(self.slope), np.sin(self.slope)
        fall = c * down - s * up
        normal = s * down + c * up
        flat = np.stack([across, down, up], axis=1)
        return np.asarray(np.stack([across, fall, normal], axis=1) @ flat.T)

    def seen(self, s: Array) -> Array:
        """Directions in the ground's frame of those given in the site's.

        Parameters
        ----------
        s : ndarray, shape (..., 3)

        Returns
        -------
        ndarray, shape (..., 3)
        """
        return np.asarray(s @ self.to_site) if self.slope else s

    def above(self, alpha: Array, gamma: Array) -> tuple[Array, Array]:
        """Sun over the ground instead of over the horizon.

        Parameters
        ----------
        alpha, gamma : ndarray
            Altitude, and azimuth clockwise from north. [rad]

        Returns
        -------
        beta, heading : ndarray, shape of alpha
            Altitude over the ground's plane, and direction on the ground below the sun. [rad]
        """
        return _turned(alpha, gamma, self.to_site) if self.slope else (alpha, gamma)

    def in_sky(self, beta: Array, heading: Array) -> tuple[Array, Array]:
        """Sun over the horizon instead of over the ground; the inverse of `above`.

        Parameters
        ----------
        beta, heading : ndarray
            As `above` gives them. [rad]

        Returns
        -------
        alpha, gamma : ndarray, shape of beta
            Altitude, and azimuth clockwise from north. [rad]
        """
        return _turned(beta, heading, self.to_site.T) if self.slope else (beta, heading)

    def rise(self, gamma: Array) -> Array:
        """Altitude of the ground's own plane along an azimuth; below it the ground hides the sun.

        Parameters
        ----------
        gamma : ndarray
            [rad]

        Returns
        -------
        ndarray, shape of gamma
            Negative downhill. [rad]
        """
        return np.asarray(-np.arctan(np.tan(self.slope) * np.cos(gamma - self.toward)))

    def noon_angle(self, latitude: float) -> float:
        """Hour angle at which the sun stands highest over the ground.

        Parameters
        ----------
        latitude : float
            [rad]

        Returns
        -------
        float
            Negative in the morning, on ground that falls eastward. [rad]

        Notes
        -----
        It is the hour angle of the ground's normal: a sloping plane is level at some other place
        of the earth [1]_.

        References
        ----------
        .. [1] J. A. Duffie and W. A. Beckman, Solar Engineering of Thermal Processes, 4th ed.,
           Wiley, 2013, section 1.6 (angles of beam radiation on tilted surfaces), from memory.
        """
        s, c = np.sin(self.slope), np.cos(self.slope)
        west, north = -s * np.sin(self.toward), s * np.cos(self.toward)
        return float(np.arctan2(west, c * np.cos(latitude) - north * np.sin(latitude)))


def _turned(altitude: Array, azimuth: Array, turn: Array) -> tuple[Array, Array]:
    level = np.cos(altitude)
    s = np.stack([level * np.sin(azimuth), level * np.cos(azimuth), np.sin(altitude)], axis=-1)
    x, y, z = np.moveaxis(s @ turn, -1, 0)
    return np.arctan2(z, np.hypot(x, y)), np.arctan2(x, y) % (2.0 * np.pi)


LEVEL = Ground()


def ground_of(site: Site) -> Ground:
    """Ground that a site describes.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site

    Returns
    -------
    Ground
    """
    if not site.slope or site.slope_toward is None:
        return LEVEL
    return Ground(float(site.slope), float(site.slope_toward))
