"""What of a pot is above its water: the wall as a fin, and the lid."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.heat.faces import Faces
from raytrace.heat.films import WATER_MOLE, headspace_film
from raytrace.heat.vessel import STEFAN_BOLTZMANN, WATER_EMISSIVITY, Vessel
from raytrace.heat.water import Water

__all__ = ["Shell", "fin_share", "headspace", "shell"]

Array = NDArray[np.float64]

_ROUNDS = 6  # of the lid's temperature: each brings it some five times nearer
_WET = 1.0 / (2.0 / WATER_EMISSIVITY - 1.0)  # between two wet faces that see each other alone


class Shell(NamedTuple):
    """Shares of what wall and lid would lose (or bring, of light) as warm as the water; [1]."""

    wall: Array
    lid: Array


def fin_share(
    outside: ArrayLike, inside: ArrayLike, conduction: ArrayLike, length: ArrayLike
) -> Array:
    """Heat that a fin draws from water, of what it would draw as warm as the water throughout.

    Parameters
    ----------
    outside : array_like
        Heat transfer coefficient to the air. [W/(m² K)]
    inside : array_like
        To what is as warm as the water; 0 for none. [W/(m² K)]
    conduction : array_like
        Conductivity times thickness. [W/K]
    length : array_like
        From the water to the tip, which loses nothing. [m]

    Returns
    -------
    share : ndarray
        Of 0 to 1; also the share of light absorbed evenly on the fin that reaches the water.

    Notes
    -----
    Along a thin wall k t T″ = o (T − a) − q − i (w − T), with outside and inside coefficients o and
    i, air a, water w and absorbed light q; T = w at the root, T′ = 0 at the tip. Hence T − w =
    (q − o (w − a))/(o + i) · (1 − cosh(m (L − x))/cosh(m L)) with m² = (o + i)/(k t), and what
    reaches the water through root and inside, per area, is (q − o (w − a)) times the share

    1 − o/(o + i) · (1 − tanh(m L)/(m L)).

    Without inside it is the efficiency of a straight fin [1]_.

    References
    ----------
    .. [1] T. L. Bergman et al., Introduction to Heat Transfer, 6th ed., Wiley, 2011, section 3.6
       (fins of uniform cross section, adiabatic tip).

    Examples
    --------
    Steel of 1 mm and aluminium of 2 mm, 8 cm over the water:

    >>> [round(float(fin_share(15.0, 0.0, kt, 0.08)), 2) for kt in (0.06, 0.36)]
    [0.67, 0.92]
    """
    out, both = np.asarray(outside, dtype=float), np.add(outside, inside)
    x = np.maximum(np.sqrt(np.divide(both, conduction)) * length, 1e-6)
    return np.asarray(1.0 - out / np.maximum(both, 1e-300) * (1.0 - np.tanh(x) / x))


def headspace(water: Water, T: Array, lid: Array, *, gap: float) -> Array:
    """Heat that the water gives to the lid over it, per kelvin between the two.

    Parameters
    ----------
    water : Water
        At the site's pressure.
    T, lid : ndarray
        Of the water, and of the lid. [K]
    gap : float
        [m]

    Returns
    -------
    h : ndarray
        By convection, radiation and vapour that condenses on the lid and drips back. [W/(m² K)]

    Notes
    -----
    Vapour as in `raytrace.heat.losses.losses`, by film theory; water and lid's wet underside
    radiate as two wide plates.
    """
    y, y_lid = (np.minimum(water.vapour_pressure(x) / water.pressure, 1.0 - 1e-9) for x in (T, lid))
    h, g = headspace_film(T, y, lid, y_lid, pressure=water.pressure, gap=gap)
    apart = np.maximum(T - lid, 1e-3)
    vapour = np.maximum(g * np.log((1.0 - y_lid) / (1.0 - y)), 0.0) * WATER_MOLE
    light = _WET * STEFAN_BOLTZMANN * (T + lid) * (T**2 + lid**2)
    return np.asarray(h + light + vapour * water.latent_heat(lid) / apart)


def shell(vessel: Vessel, water: Water, T: Array, faces: Faces) -> Shell:
    """Shares of wall and lid.

    Parameters
    ----------
    vessel : Vessel
    water : Water
        At the site's pressure.
    T : ndarray
        Of the water. [K]
    faces : Faces
        What they would lose as warm as the water.

    Returns
    -------
    Shell
        Arrays of the shape of T. Of the wall as a whole, the wet part included.

    Notes
    -----
    The lid has one temperature, at which it loses what it gets from below. The same coefficient
    from below counts for the inside of the wall above the water, which has no formula of its own;
    an open pot's has none. No heat passes at the rim, between wall and lid. A pot without water
    counts as warm as its food throughout.
    """
    if vessel.water == 0.0:
        return Shell(np.ones_like(T), np.ones_like(T))
    _, wall, lid = faces.slope
    lost = (faces.convection[2] + faces.radiation[2]) / vessel.disc
    over = vessel.height - vessel.level
    below, share = np.zeros_like(T), np.ones_like(T)
    if vessel.lid:
        cooler = T
        for _ in range(_ROUNDS):
            below = headspace(water, T, cooler, gap=max(over, 1e-3))
            cooler = T - lost / (lid + below)
        share = fin_share(lid, below, 1.0, np.inf)
    dry = fin_share(wall, below, vessel.wall_conduction, over)
    return Shell((vessel.level + over * dry) / vessel.height, share)
