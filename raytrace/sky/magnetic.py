"""Magnetic north beside true north: the declination of a compass needle at a site."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pygeomag import GeoMag

    from raytrace.scenario.place_sections import Site

__all__ = ["Declination", "declination"]

# Models of the past and of today, each good for the five years from its own on.
_EPOCHS = {2010: "WMM_2010", 2015: "WMM_2015v2", 2020: "WMM_2020", 2025: "WMM_2025"}
SPAN = 5  # [years]
WEAKEST = 2000.0  # horizontal field by which a needle still points anywhere [nT]


@dataclass(frozen=True)
class Declination:
    """Where a compass needle points.

    Attributes
    ----------
    angle : float
        East of true north positive. [rad]
    error : float
        Standard uncertainty of the model; 0 where the scenario states the angle. [rad]
    source : str
        In words.
    """

    angle: float
    error: float
    source: str

    def by_compass(self, heading: float) -> float:
        """Heading that a compass shows.

        Parameters
        ----------
        heading : float
            Clockwise from true north. [rad]

        Returns
        -------
        float
            Clockwise from magnetic north, from 0 to 2 π. [rad]

        Examples
        --------
        >>> Declination(0.1, 0.0, "").by_compass(0.05) > 6.2
        True
        """
        return float((heading - self.angle) % (2.0 * np.pi))


def declination(site: Site, day: dt.date) -> Declination | None:
    """Declination at a site on a day.

    Parameters
    ----------
    site : raytrace.scenario.place_sections.Site
        Its `declination` counts, if it states one.
    day : date

    Returns
    -------
    Declination or None
        None in years that no model covers, and near a magnetic pole, where a compass is no use.

    Notes
    -----
    The World Magnetic Model of the day's epoch [1]_, as pygeomag computes it; its coefficients
    come with that library. Models hold for five years: that of 2025 until the end of 2029. The
    uncertainty is the model's own for 2025, taken for the others too; iron, cars and
    reinforced concrete nearby count for more.

    References
    ----------
    .. [1] NOAA NCEI and British Geological Survey, The US/UK World Magnetic Model for 2025-2030,
       technical report, 2024; its uncertainty of the declination, √(0.26² + (5417 nT / H)²)
       degrees, from memory.
    """
    if site.declination is not None:
        return Declination(site.declination, 0.0, "site.declination")
    epoch = day.year - day.year % SPAN
    if epoch not in _EPOCHS:
        return None
    year = day.year + (day.timetuple().tm_yday - 1) / 366.0
    found = _model(epoch).calculate(
        glat=float(np.degrees(site.latitude)),
        glon=float(np.degrees(site.longitude)),
        alt=1e-3 * site.altitude,
        time=year,
    )
    if found.h < WEAKEST:
        return None
    error = float(np.hypot(0.26, 5417.0 / found.h))
    return Declination(
        float(np.radians(found.d)), float(np.radians(error)), f"World Magnetic Model {epoch}"
    )


@lru_cache(maxsize=4)
def _model(epoch: int) -> GeoMag:
    from pygeomag import GeoMag

    return GeoMag(coefficients_file=f"wmm/{_EPOCHS[epoch]}.COF")
