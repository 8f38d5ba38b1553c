"""A plate in the place of the pot's base, and the light that cookers built alike throw on it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.cooker.tolerances import as_built, tolerances_from_scenario
from raytrace.exceptions import SkyError
from raytrace.light.placed import FacedSun, faced, faced_design_sun, stood
from raytrace.light.setup import LightSettings, set_up
from raytrace.optics.tracing import trace
from raytrace.sky.sun import sun_at, sun_direction
from raytrace.studies.record.map_fit import Laid

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Plate", "plate_size", "sun_then"]

Array = NDArray[np.float64]

REPLICATES = 2  # of each build's trace, the fewest that can be traced
STEP = 4e-3  # that the light is turned, to see how far its spot goes [rad]
BEYOND = 1.2  # a map is predicted so far beyond what was measured


@dataclass(frozen=True, eq=False)
class Plate:
    """Cookers built alike and turned rightly, a plate in the place of their pot's base.

    Attributes
    ----------
    scenario : Scenario
    sun : FacedSun
    R : float
        Half the plate's side. [m]
    bins : int
        Of a map along each side. [1]
    builds, beams, seed : int
        Cookers; beams a facet in each of a build's two replicates; key of the random numbers. [1]
    uncovered : tuple of str
        Facets whose light is met; all that are there if empty.
    threads : int or None
        Changes no bit of a map.
    """

    scenario: Scenario
    sun: FacedSun
    R: float
    bins: int
    builds: int
    beams: int
    seed: int
    uncovered: tuple[str, ...] = ()
    threads: int | None = None

    def maps(
        self,
        off: tuple[float, float] = (0.0, 0.0),
        octaves: float = 0.0,
        place: tuple[float, float] = (0.0, 0.0),
    ) -> list[Array]:
        """Maps of all builds.

        Parameters
        ----------
        off, octaves, place
            As of `one`.

        Returns
        -------
        list of ndarray, shape (bins, bins)
            [W/m²]
        """
        return [self.one(k, off, octaves, place) for k in range(self.builds)]

    def mean(
        self,
        off: tuple[float, float] = (0.0, 0.0),
        octaves: float = 0.0,
        place: tuple[float, float] = (0.0, 0.0),
    ) -> Laid:
        """Mean of the maps of all builds.

        Parameters
        ----------
        off, octaves, place
            As of `one`.

        Returns
        -------
        Laid
        """
        return Laid(self.R, np.mean(self.maps(off, octaves, place), axis=0))

    def off_that_moves(self, predicted: Laid, shift: Array) -> tuple[float, float]:
        """How far the sun has to be off for the spot to go a given way, to first order.

        Parameters
        ----------
        predicted : Laid
            Mean map with nothing off.
        shift : ndarray, shape (2,)
            To the platform's right and toward the sun's side. [m]

        Returns
        -------
        tuple of float
            As `off` of `one`. [rad]
        """
        offs = (STEP, 0.0), (0.0, STEP)
        goes = [(self.mean(off=off).middle - predicted.middle) / STEP for off in offs]
        found = np.linalg.lstsq(np.stack(goes, axis=1), shift, rcond=None)[0]
        return float(found[0]), float(found[1])

    def one(
        self,
        build: int,
        off: tuple[float, float] = (0.0, 0.0),
        octaves: float = 0.0,
        place: tuple[float, float] = (0.0, 0.0),
    ) -> Array:
        """Map of one build.

        Parameters
        ----------
        build : int
        off : tuple of float
            How much higher, and further to the right, the sun is met. [rad]
        octaves : float
            Doublings of the setting error. [1]
        place : tuple of float
            Of the plate from the pot's place, to the right and toward the sun. [m]

        Returns
        -------
        ndarray, shape (bins, bins)
            [W/m²]
        """
        cooker, s = self._stood(build, octaves)
        base = cooker.pot.base + np.array([*place, 0.0]) @ cooker.pot.frame
        tally = trace(
            replace(cooker, pot=replace(cooker.pot, R=self.R, base=base)),
            _met(s, *off),
            self.sun.shape,
            dni=self.sun.dni,
            samples=self.beams * REPLICATES * len(cooker.facets),
            replicates=REPLICATES,
            seed=self.seed,
            stream=build,
            bins=self.bins,
            threads=self.threads,
        )
        return np.nan_to_num(tally.flux.value)

    def _stood(self, build: int, octaves: float) -> tuple[Cooker, Array]:
        known, key = self._known, (build, octaves)
        if key not in known:
            t = tolerances_from_scenario(self.scenario)
            exact = replace(t.pointing, heading_rms=0.0, tilt_rms=0.0, cross_rms=0.0)
            t = replace(t, pointing=exact, pot=replace(t.pot, rms=(0.0, 0.0, 0.0)))
            t = replace(t, setting=t.setting * 2.0**octaves)
            keys = LightSettings(seed=self.seed, build=build)
            built = as_built(self._exact, t, seed=keys.seed, build=build)
            if self.uncovered:
                f = built.facets
                here = f.present & np.isin(f.label, self.uncovered)
                built = replace(built, facets=replace(f, present=here))
            setup = replace(set_up(self.scenario, keys, cooker=built), tolerances=t)
            known[key] = stood(setup, self.sun)[1:]
        return known[key]

    @cached_property
    def _exact(self) -> Cooker:
        return build_cooker(self.scenario)

    @cached_property
    def _known(self) -> dict[tuple[int, float], tuple[Cooker, Array]]:
        return {}


def _met(s: Array, higher: float, aside: float) -> Array:
    """Direction to a sun that stands higher, and further to the platform's right."""
    level = float(np.hypot(s[0], s[1]))
    altitude = np.arctan2(s[2], level) + higher
    azimuth = np.arctan2(s[0], s[1]) + aside
    return np.asarray(sun_direction(altitude, azimuth))


def sun_then(scenario: Scenario, at: str) -> FacedSun:
    """Face the sun of a moment.

    Parameters
    ----------
    scenario : Scenario
    at : str
        By the site's clock; the design sun if empty.

    Returns
    -------
    FacedSun

    Raises
    ------
    SkyError
        If the time can't be read, or there is no direct sun then.
    """
    if not at:
        return faced_design_sun(scenario)
    sun = sun_at(scenario, at)
    if sun.alpha[0] <= 0.0 or sun.dni[0] <= 0.0:
        raise SkyError(f"{at}: there is no direct sun then, so nothing is predicted")
    return faced(scenario, sun)


def plate_size(scenario: Scenario, half: float, width: float) -> tuple[float, int]:
    """Half-width of the plate for a map, and its bins along a side.

    Parameters
    ----------
    scenario : Scenario
    half : float
        Of what was measured. [m]
    width : float
        Of its cells. [m]

    Returns
    -------
    R : float
        [m]
    bins : int
    """
    R = BEYOND * max(half, float(scenario.pot.diameter) / 2.0)
    return R, int(np.clip(np.rint(2.0 * R / width), 32, 128))
