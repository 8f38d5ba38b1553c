"""A pot, what is put in it, and the air round it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.exceptions import HeatError
from raytrace.heat.water import site_pressure, water_at
from raytrace.scenario.use_sections import POT_MATERIALS

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "COVERS",
    "STEFAN_BOLTZMANN",
    "WATER_EMISSIVITY",
    "Ambient",
    "Vessel",
    "vessel_from_scenario",
]

Array = NDArray[np.float64]

COVERS = ("none", "glass", "bag")
WALL = 2e-3  # of a pot whose mass nobody states [m]
STEFAN_BOLTZMANN = 5.670374419e-8  # [W/(m² K⁴)], CODATA 2018
WATER_EMISSIVITY = 0.95  # handbook value, from memory
COLD_WATER = 1000.0  # [kg/m³]
ROOM = 293.15  # at which a volume of water is measured [K]


@dataclass(frozen=True)
class Vessel:
    """A pot and what is put in it: one lump of one temperature.

    Attributes
    ----------
    R, height : float
        Radius of the base, height of the wall. [m]
    water, food : float
        At the start. [kg]
    food_heat_capacity : float
        Of the food. [J/(kg K)]
    shell : float
        Heat capacity of the empty pot with its lid. [J/K]
    emissivity_base, emissivity_side, emissivity_lid : float
        Of its faces, for the heat they radiate. [1]
    wall_conduction : float
        Conductivity of the wall times its thickness. [W/K]
    lid : bool
        Whether it is covered.
    lid_leak : float
        Vapour that a lid lets out, of what an open pot gives off. [1]
    cover : str
        "none", "glass" (a bowl) or "bag": round the whole pot.
    cover_gap : float
        Air between pot and cover. [m]
    film_factor, evaporation_factor : float
        On the heat that air carries off, and on the vapour given off. [1]
    """

    R: float
    height: float
    water: float
    food: float = 0.0
    food_heat_capacity: float = 3500.0
    shell: float = 0.0
    emissivity_base: float = 0.9
    emissivity_side: float = 0.9
    emissivity_lid: float = 0.9
    wall_conduction: float = 0.36
    lid: bool = True
    lid_leak: float = 0.05
    cover: str = "none"
    cover_gap: float = 0.03
    film_factor: float = 1.0
    evaporation_factor: float = 1.0

    def __post_init__(self) -> None:
        for name in ("R", "height", "cover_gap"):
            if not 0.0 < getattr(self, name) < 10.0:
                raise HeatError(f"pot's {name} {getattr(self, name):g} m: it must be positive")
        for name in ("water", "food", "food_heat_capacity", "shell"):
            if not 0.0 <= getattr(self, name) < np.inf:
                raise HeatError(f"pot's {name} {getattr(self, name):g}: it must be 0 or more")
        for name in ("emissivity_base", "emissivity_side", "emissivity_lid", "lid_leak"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise HeatError(f"pot's {name} {getattr(self, name):g}: it must lie in 0 to 1")
        if not self.wall_conduction > 0.0:
            raise HeatError(f"pot's wall conducts {self.wall_conduction:g} W/K: make it positive")
        if self.cover not in COVERS:
            raise HeatError(f"cover {self.cover!r}: it must be one of {', '.join(COVERS)}")
        if not self.water + self.solid > 0.0:
            raise HeatError("the pot is empty and weighs nothing")

    @property
    def emissivities(self) -> tuple[float, float, float]:
        """Of base, wall and what lies on top: the lid, or open water. [1]"""
        top = self.emissivity_lid if self.lid else WATER_EMISSIVITY
        return self.emissivity_base, self.emissivity_side, top

    @property
    def level(self) -> float:
        """How high water and food stand at the start, both as dense as cold water. [m]"""
        return min((self.water + self.food) / COLD_WATER / self.disc, self.height)

    @property
    def disc(self) -> float:
        """Area of base, lid or open water. [m²]"""
        return float(np.pi * self.R**2)

    @property
    def solid(self) -> float:
        """Heat capacity of pot and food, without the water. [J/K]"""
        return self.shell + self.food * self.food_heat_capacity

    def capacity(self, T: ArrayLike) -> Array:
        """Heat capacity of pot, water and food as at the start.

        Parameters
        ----------
        T : array_like
            [K]

        Returns
        -------
        capacity : ndarray, same shape
            [J/K]
        """
        return np.asarray(self.solid + self.water * water_at(101325.0).heat_capacity(T))


@dataclass(frozen=True, eq=False)
class Ambient:
    """Air round the pot; each a number, or an array that broadcasts to cases by times (C, T).

    Attributes
    ----------
    temperature : array_like
        [K]
    wind : array_like
        At the pot. [m/s]
    humidity : array_like
        Relative, 0 to 1. [1]
    """

    temperature: ArrayLike = 298.15
    wind: ArrayLike = 1.0
    humidity: ArrayLike = 0.5


def vessel_from_scenario(scenario: Scenario) -> Vessel:
    """Pot and contents that a scenario describes.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    Vessel
        Water measured at 20 °C. Walls, base and lid are of one thickness: of two, thickness and
        mass, one gives the other; where neither is given they are 2 mm.
    """
    pot, kitchen = scenario.pot, scenario.kitchen
    R = 0.5 * pot.diameter
    heat_capacity, density, conductivity = POT_MATERIALS[kitchen.pot_material]
    spread = density * np.pi * R * ((2.0 if kitchen.lid else 1.0) * R + 2.0 * pot.height)
    wall, mass = kitchen.pot_wall, kitchen.pot_mass
    if wall is None:
        wall = mass / spread if mass else WALL
    if mass is None:
        mass = wall * spread
    water = water_at(site_pressure(scenario))
    return Vessel(
        R=R,
        height=pot.height,
        water=kitchen.water * float(water.density(ROOM)),
        food=kitchen.food,
        food_heat_capacity=kitchen.food_heat_capacity,
        shell=float(mass) * heat_capacity,
        emissivity_base=pot.emissivity_base,
        emissivity_side=pot.emissivity_side,
        emissivity_lid=pot.emissivity_lid,
        wall_conduction=conductivity * wall,
        lid=kitchen.lid,
        lid_leak=kitchen.lid_leak,
        cover=kitchen.cover,
        cover_gap=kitchen.cover_gap,
        film_factor=kitchen.film_factor,
        evaporation_factor=kitchen.evaporation_factor,
    )
