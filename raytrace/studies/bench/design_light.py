"""The sun that a scenario's facets are set for, and tracing in its light.

The pot stands in its place and the platform is turned right: nothing errs but what is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from raytrace.cooker.geometry import Cooker
from raytrace.cooker.tolerances import Builds
from raytrace.light.placed import FacedSun, Placed, faced_design_sun, placed_singly
from raytrace.optics.cases import Cases

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.schema import Scenario

__all__ = ["DesignSun", "StillLight", "still_light"]


@dataclass(frozen=True)
class DesignSun:
    """The sun that facets are set for.

    Attributes
    ----------
    time : Timestamp or None
        None where the sun never stands there.
    sun_altitude, sun_azimuth : float
        Above the horizon; clockwise from north. [rad]
    dni : float
        Direct normal irradiance. [W/m²]
    dni_source : str
    """

    time: pd.Timestamp | None
    sun_altitude: float
    sun_azimuth: float
    dni: float
    dni_source: str


@dataclass(frozen=True, eq=False)
class StillLight:
    """The design sun, the platform turned to it without error, the pot in its place.

    Attributes
    ----------
    sun : FacedSun
    placed : Placed
        One.
    """

    sun: FacedSun
    placed: Placed

    @property
    def design(self) -> DesignSun:
        """What of it belongs to a result."""
        s = self.sun
        return DesignSun(s.time, s.alpha, s.gamma, s.dni, s.dni_source)

    def trace(self, cooker: Cooker, builds: Builds | None = None, **options: Any) -> Cases:
        """Trace builds of a cooker in this light.

        Parameters
        ----------
        cooker : Cooker
        builds : Builds, optional
        **options
            As of `raytrace.light.placed.Placed.trace`.

        Returns
        -------
        Cases
        """
        return self.placed.trace(cooker, self.sun.shape, dni=self.sun.dni, builds=builds, **options)


def still_light(scenario: Scenario, cooker: Cooker) -> StillLight:
    """Light for which a scenario's facets are set.

    Parameters
    ----------
    scenario : Scenario
    cooker : Cooker

    Returns
    -------
    StillLight
    """
    sun = faced_design_sun(scenario)
    return StillLight(sun, placed_singly(cooker, sun.direction, sun.meant))
