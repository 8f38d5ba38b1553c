"""Published limits of radiant light: skin, what burns, window panes, eyes.

Limits of skin and of what burns were measured by heaters and fires, whose infrared is taken up at
the surface. Sunlight is taken up less by pale and more by dark things, and skin lets part of it
deeper. So the figures say where to keep away from, never where it is safe. Local codes come first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "AFTER_IMAGE",
    "BURNS",
    "FEED",
    "FULL_SUN",
    "GLASS",
    "LEAST",
    "LIMITS",
    "PAIN",
    "SKIN",
    "Limit",
    "after_image_threshold",
    "burn_time",
    "of_mirrors",
    "pain_time",
    "retinal_burn_threshold",
    "retinal_irradiance",
]

Array = NDArray[np.float64]

FULL_SUN = 1e3  # on the same surface besides, at most about; common practice, no source [W/m²]
MINUTE = 60.0
PAIN = (4.2 * MINUTE, 1.9)  # seconds at 1 kW/m², and the power that they fall by
BURN = (6.9 * MINUTE, 1.56)

PUPIL = 2e-3  # across, in daylight [m]
FOCAL_LENGTH = 17e-3  # of an eye [m]
OCULAR = 0.5  # share of the light that reaches the retina
WIDE = 0.118  # subtense beyond which a burn asks no less irradiance [rad]
AFTER_IMAGE = (3.59e-5, 1.77)  # W/cm² at 1 rad, and the power that it falls by

SQUARE_CM = 1e4  # in a square metre


@dataclass(frozen=True)
class Limit:
    """An irradiance that a publication calls a danger.

    Attributes
    ----------
    key : str
        Short name.
    irradiance : float
        On a surface that faces the light. [W/m²]
    harms : tuple of str
        Kinds of surroundings that it counts for.
    harm : str
        What may happen, after "enough to".
    within : float
        How long it takes; infinite where it takes minutes or longer. [s]
    source : str
        Where it is published.
    """

    key: str
    irradiance: float
    harms: tuple[str, ...]
    harm: str
    within: float
    source: str


SKIN = ("path", "seat")  # where people are
FEED = ("wood", "grass", "seat", "wall")  # what feeds a fire, or has wood or paint on it
GLASS = ("window",)

LIMITS: tuple[Limit, ...] = (
    Limit(
        "skin, long",
        1.7e3,
        (*SKIN, *FEED, *GLASS),  # people stand before anything, and behind a window
        "hurt bare skin that stays in it",
        np.inf,
        "pain at long exposure: SFPE Handbook of Fire Protection Engineering, 5th ed.; API 521 "
        "has 1.58 (both from memory)",
    ),
    Limit(
        "skin, 30 s",
        2.5e3,
        SKIN,
        "hurt bare skin within half a minute",
        30.0,
        "PD 7974-6, table I.4 (seen at second hand)",
    ),
    Limit(
        "glass",
        3.0e3,
        GLASS,
        "crack a window pane",
        np.inf,
        "least at which panes cracked before fires: Babrauskas, Glass breakage in fires (from "
        "memory); sunlight goes through clear glass, so that what lies behind it counts too",
    ),
    Limit(
        "wood, long",
        4.3e3,
        (*FEED, *GLASS),
        "set wood and dry plants alight in the long run",
        np.inf,
        "least published for wood: Babrauskas, Ignition of wood, Interflam 2001, 71-88",
    ),
    Limit(
        "skin, 4 s",
        10.0e3,
        SKIN,
        "hurt bare skin within four seconds",
        4.0,
        "PD 7974-6, table I.4 (seen at second hand)",
    ),
    Limit(
        "wood, spark",
        12.5e3,
        FEED,
        "set wood alight within minutes, with a spark near by",
        np.inf,
        "usual figure for wood with a pilot flame: Lawson and Simms, 1952, and later tables (from "
        "memory)",
    ),
    Limit(
        "wood",
        25.0e3,
        FEED,
        "set wood alight within minutes by itself",
        np.inf,
        "usual figures for wood without a flame, 25 to 28 kW/m²: short tests (seen), and Lawson "
        "and Simms, 1952 (from memory)",
    ),
)

BURNS = LIMITS[3]  # the least that is published for a fire
LEAST = LIMITS[0]  # the least that hurts


def of_mirrors(irradiance: float) -> float:
    """What is left for the mirrors' light where the sun shines on the same surface too.

    Parameters
    ----------
    irradiance : float
        In all, such as a published limit. [W/m²]

    Returns
    -------
    float
        [W/m²]
    """
    return irradiance - FULL_SUN


def pain_time(irradiance: ArrayLike) -> Array:
    """How long it takes until bare skin hurts.

    Parameters
    ----------
    irradiance : array_like
        On the skin. [W/m²]

    Returns
    -------
    ndarray
        [s]

    Notes
    -----
    t = 4.2 min · (q / 1 kW/m²)^-1.9, from memory of the source; meant for some 2 to 20 kW/m².
    Below 1.7 kW/m² skin bears it, so the time is infinite there.

    References
    ----------
    .. [1] ISO 13571:2012, Life-threatening components of fire: Guidelines for the estimation of
       time to compromised tenability in fires, section on heat.

    Examples
    --------
    >>> [float(round(t, 1)) for t in pain_time([1e3, 2.5e3, 10e3])]
    [inf, 44.2, 3.2]
    """
    return _time(irradiance, *PAIN)


def burn_time(irradiance: ArrayLike) -> Array:
    """How long it takes until bare skin has burns of the second degree.

    Parameters
    ----------
    irradiance : array_like
        On the skin. [W/m²]

    Returns
    -------
    ndarray
        [s]

    Notes
    -----
    t = 6.9 min · (q / 1 kW/m²)^-1.56, from memory of the source of `pain_time`.

    Examples
    --------
    >>> [float(round(t, 1)) for t in burn_time([1e3, 10e3])]
    [inf, 11.4]
    """
    return _time(irradiance, *BURN)


def _time(irradiance: ArrayLike, at_one: float, power: float) -> Array:
    q = np.asarray(irradiance, dtype=float) / 1e3
    borne = q < LEAST.irradiance / 1e3
    return np.where(borne, np.inf, at_one * np.where(borne, 1.0, q) ** -power)


def retinal_irradiance(cornea: ArrayLike, subtense: ArrayLike) -> Array:
    """Irradiance of the image on the retina of an eye that looks into the light.

    Parameters
    ----------
    cornea : array_like
        Irradiance at the eye. [W/m²]
    subtense : array_like
        Of what shines, as the eye sees it. [rad]

    Returns
    -------
    ndarray
        [W/m²]

    Notes
    -----
    E_r = E_c (d_p / d_r)² τ with d_r = f ω, a pupil of 2 mm, f = 17 mm and τ = 0.5; from memory of
    the source. It follows the radiance alone: the sun seen in many mirrors is no brighter on the
    retina than the sun, but larger, and a larger image burns at less.

    References
    ----------
    .. [1] C. K. Ho, C. M. Ghanbari, R. B. Diver, Methodology to Assess Potential Glint and Glare
       Hazards from Concentrating Solar Power Plants, J. Sol. Energy Eng. 133 (2011) 031021.

    Examples
    --------
    The sun itself, in W/cm²:

    >>> round(float(retinal_irradiance(1000.0, 9.3e-3)) / 1e4, 1)
    8.0
    """
    image = FOCAL_LENGTH * np.asarray(subtense, dtype=float)
    return np.asarray(np.asarray(cornea, dtype=float) * (PUPIL / image) ** 2 * OCULAR)


def retinal_burn_threshold(subtense: ArrayLike) -> Array:
    """Irradiance on the retina that burns it within 0.15 s, the time of a blink.

    Parameters
    ----------
    subtense : array_like
        As for `retinal_irradiance`. [rad]

    Returns
    -------
    ndarray
        [W/m²]

    Notes
    -----
    0.118 / ω W/cm² up to ω = 0.118 rad, 1 W/cm² beyond; from memory of the source of
    `retinal_irradiance`.

    Examples
    --------
    >>> round(float(retinal_burn_threshold(9.3e-3)) / 1e4, 1)
    12.7
    """
    w = np.asarray(subtense, dtype=float)
    return np.asarray(SQUARE_CM * WIDE / np.minimum(w, WIDE))


def after_image_threshold(subtense: ArrayLike) -> Array:
    """Irradiance on the retina that dazzles: an after-image stays in the eye.

    Parameters
    ----------
    subtense : array_like
        As for `retinal_irradiance`. [rad]

    Returns
    -------
    ndarray
        [W/m²]

    Notes
    -----
    3.59e-5 / ω^1.77 W/cm²; from memory of the source of `retinal_irradiance`.

    Examples
    --------
    The sun is far above it:

    >>> round(float(retinal_irradiance(1000.0, 9.3e-3) / after_image_threshold(9.3e-3)))
    57
    """
    at_one, power = AFTER_IMAGE
    return np.asarray(SQUARE_CM * at_one / np.asarray(subtense, dtype=float) ** power)
