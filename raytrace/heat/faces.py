"""What base, wall and lid of a pot lose: in the open air, and to a cover."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raytrace.heat.films import base_film, gap_film, lid_film, wall_film
from raytrace.heat.vessel import STEFAN_BOLTZMANN, Vessel

__all__ = ["Faces", "columns", "outside", "under_cover"]

Array = NDArray[np.float64]


class Faces(NamedTuple):
    """What base, wall and lid lose at one temperature, each of shape (3, ...).

    Attributes
    ----------
    convection, radiation : ndarray
        [W]
    slope : ndarray
        What both grow by per area and kelvin of the face's own. [W/(m² K)]
    """

    convection: Array
    radiation: Array
    slope: Array

    def sums(self, shares: Array) -> tuple[Array, Array]:
        """Convection and radiation of all faces, each with its share.

        Parameters
        ----------
        shares : ndarray
            Broadcasts to (3, ...). [1]

        Returns
        -------
        convection, radiation : ndarray
            [W]
        """
        return (shares * self.convection).sum(axis=0), (shares * self.radiation).sum(axis=0)


def outside(
    R: float,
    height: float,
    emissivities: tuple[float, float, float],
    pressure: float,
    T: Array,
    around: Array,
    sky: Array,
    wind: Array,
) -> Faces:
    """Base, wall and lid in the open air.

    Parameters
    ----------
    R, height : float
        [m]
    emissivities : (float, float, float)
        Of base, wall and lid. [1]
    pressure : float
        Of the air. [Pa]
    T, around, sky : ndarray
        Of the faces, the air and the sky. [K]
    wind : ndarray
        [m/s]

    Returns
    -------
    Faces
        The lid radiates to the sky, the wall half to the sky and half to ground as warm as the
        air, the base to what is as warm as the air.
    """
    disc, side = np.pi * R**2, 2.0 * np.pi * R * height
    film = np.stack(
        [
            base_film(T, around, wind, pressure=pressure, R=R),
            wall_film(T, around, wind, pressure=pressure, R=R, height=height),
            lid_film(T, around, wind, pressure=pressure, R=R),
        ]
    )
    area, grey = columns((disc, side, disc), T), columns(emissivities, T)
    up = columns((0.0, 0.5, 1.0), T)
    black = STEFAN_BOLTZMANN * (T**4 - up * sky**4 - (1.0 - up) * around**4)
    slope = film + 4.0 * grey * STEFAN_BOLTZMANN * T**3
    return Faces(area * film * (T - around), area * grey * black, slope)


def columns(values: tuple[float, float, float], T: Array) -> Array:
    """Three numbers of base, wall and lid, to go with arrays of shape (3, ...).

    Parameters
    ----------
    values : (float, float, float)
    T : ndarray
        Of the shape that follows the 3.

    Returns
    -------
    ndarray, shape (3, 1, ...)
    """
    return np.reshape(values, (3,) + (1,) * np.ndim(T))


def under_cover(vessel: Vessel, pressure: float, T: Array, cover: Array) -> Faces:
    """Base, wall and lid under a cover, as if it were black.

    Parameters
    ----------
    vessel : Vessel
    pressure : float
        Of the air. [Pa]
    T, cover : ndarray
        Of the faces, and of the cover. [K]

    Returns
    -------
    Faces
    """
    side, disc = 2.0 * np.pi * vessel.R * vessel.height, vessel.disc
    gap = vessel.cover_gap
    wall, lid, base = gap_film(T, cover, pressure=pressure, gap=gap, height=vessel.height)
    # halfway across the gap the upright layer is longer than the wall
    film = np.stack([base, wall * (1.0 + 0.5 * gap / vessel.R), lid])
    area, grey = columns((disc, side, disc), T), columns(vessel.emissivities, T)
    black = STEFAN_BOLTZMANN * (T**4 - cover**4)
    slope = film + 4.0 * grey * STEFAN_BOLTZMANN * T**3
    return Faces(area * film * (T - cover), area * grey * black, slope)
