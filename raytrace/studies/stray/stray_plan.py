"""Ways to leave a cooker in the sun, and what a study of its stray light looks at."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SettingsError
from raytrace.light.turning import habit_of
from raytrace.studies.stray.limits import FULL_SUN

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["HEIGHTS", "StrayCase", "StrayPlan", "stray_cases"]

Array = NDArray[np.float64]

# ends of the map's layers of height [m]
HEIGHTS = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 6.0, 9.0, 12.0, 18.0, 27.0, 40.0])
PARKED = {"morning": -3.0, "noon": 0.0, "afternoon": 3.0}  # when it was used last, from noon [h]
QUARTERS = tuple(float(x) for x in np.radians([0.0, 90.0, 180.0, 270.0]))  # parked anyhow
LATE = (1.0, 2.0, 4.0)  # of the usual time between turnings
LATE_IF_NEVER = 1800.0  # where the habit is never to turn [s]


@dataclass(frozen=True)
class StrayCase:
    """One way to leave a cooker in the sun.

    Attributes
    ----------
    name : str
        "met", "empty", "late 30 min", "parked noon" and the like.
    late : float
        How long ago the platform was turned to the sun; 0 for one that meets it, nan for one that
        is parked. [s]
    parked : float
        When it was used last, after noon by the sun; nan for one that isn't parked. [s]
    pot_there : bool
        False for the empty stand.
    heading : float
        That it is parked at, clockwise from north, whatever it was used for last; nan for one that
        isn't. [rad]
    """

    name: str
    late: float = 0.0
    parked: float = float("nan")
    pot_there: bool = True
    heading: float = float("nan")

    @property
    def left(self) -> bool:
        """Whether nobody minds it."""
        return bool(np.isfinite(self.parked) or np.isfinite(self.heading))


@dataclass(frozen=True)
class StrayPlan:
    """Which suns, how far to look, and how much to compute.

    Attributes
    ----------
    dates : tuple of date
        From one solstice to the other is enough: the sun goes back the same way.
    step : float
        Between two suns of a day. [s]
    levels : tuple of float
        Irradiances whose greatest distance is asked for, such as published limits; in all, the
        sun's on the same surface included. [W/m²]
    people : (float, float)
        Heights over the ground at which people are. [m]
    nearest, farthest : float
        Distances from the platform's middle, along the ground, from and to. [m]
    rings : int
        How many between them, each as many times the one before. [1]
    ceiling : float
        Nothing is looked for above. [m]
    builds : int
        Cookers with their errors of building, besides the exactly set one; 0 for none. [1]
    cases : tuple of str
        Names of those that are looked at; empty for all.
    headings : tuple of float
        Further ones to park it at, with its stand empty. [rad]
    seed, build : int
        Key of the builds, and the first of them.
    """

    dates: tuple[dt.date, ...]
    step: float = 1800.0
    levels: tuple[float, ...] = (1700.0, 2500.0, 4300.0, 10000.0)
    people: tuple[float, float] = (0.0, 2.0)
    nearest: float = 0.6
    farthest: float = 60.0
    rings: int = 24
    ceiling: float = 40.0
    builds: int = 4
    cases: tuple[str, ...] = ()
    headings: tuple[float, ...] = ()
    seed: int = 1
    build: int = 0

    SHOWN: ClassVar = {
        "step": "min",
        "people": "m",
        "nearest": "m",
        "farthest": "m",
        "ceiling": "m",
    }

    def __post_init__(self) -> None:
        if not self.dates:
            raise SettingsError("no dates: give one or more")
        if not 60.0 <= self.step <= 6 * 3600.0:
            raise SettingsError(f"step {self.step:g} s: from 1 min to 6 h")
        if not all(FULL_SUN < x < np.inf for x in self.levels):
            raise SettingsError(
                f"levels must be irradiances above the sun's own, {FULL_SUN:g} W/m², which is "
                "taken to shine on the same surface"
            )
        if not 0.0 <= self.people[0] < self.people[1] <= self.ceiling:
            raise SettingsError(
                "people's heights must rise from 0 m or more, and end at the ceiling"
            )
        if not (0.0 < self.nearest < self.farthest <= 1e4 and self.rings >= 2):
            raise SettingsError("distances must rise from above 0 m to 10 km at most, 2 or more")
        if self.ceiling > HEIGHTS[-1]:
            raise SettingsError(f"ceiling {self.ceiling:g} m: {HEIGHTS[-1]:g} m at most")
        if self.builds < 0:
            raise SettingsError("builds must be 0 or more")

    @classmethod
    def of(cls, scenario: Scenario, **changes: Any) -> StrayPlan:
        """Plan of the 21st of June to December, parked to all four quarters as well.

        Parameters
        ----------
        scenario : Scenario
        **changes
            Fields that are to be otherwise; None leaves one as it is.

        Returns
        -------
        StrayPlan
        """
        year = scenario.design.date.year if scenario.design.date else 2026
        values: dict[str, Any] = {
            "dates": tuple(dt.date(year, month, 21) for month in range(6, 13)),
            "seed": scenario.trace.seed,
            "build": scenario.trace.build,
            "headings": QUARTERS,
        }
        return cls(**(values | {k: v for k, v in changes.items() if v is not None}))

    @classmethod
    def brief(cls, scenario: Scenario, **changes: Any) -> StrayPlan:
        """Plan that takes about a second: solstices and equinox, every hour and a half.

        Parameters
        ----------
        scenario : Scenario
        **changes
            As in `of`.

        Returns
        -------
        StrayPlan
        """
        year = scenario.design.date.year if scenario.design.date else 2026
        few = {
            "dates": tuple(dt.date(year, month, 21) for month in (6, 9, 12)),
            "step": 5400.0,
            "rings": 12,
            "builds": 0,
            "cases": ("empty", "parked morning", "parked noon", "parked afternoon"),
        }
        return cls.of(scenario, **(few | changes))

    @property
    def distance(self) -> Array:
        """Distances from the platform's middle, rising, shape (K,). [m]"""
        return np.geomspace(self.nearest, self.farthest, self.rings)


def stray_cases(scenario: Scenario, headings: Sequence[float] = ()) -> tuple[StrayCase, ...]:
    """List the ways in which a scenario's cooker may be left in the sun.

    Parameters
    ----------
    scenario : Scenario
    headings : sequence of float
        As `StrayPlan.headings`. [rad]

    Returns
    -------
    tuple of StrayCase
        Met as designed with the pot there; the stand empty; turned late by once, twice and four
        times the habit's interval; parked since morning, noon and afternoon, or at a heading,
        with the stand empty.
    """
    every = habit_of(scenario).every
    every = every if np.isfinite(every) else LATE_IF_NEVER
    late = [StrayCase(f"late {k * every / 60.0:.0f} min", late=k * every) for k in LATE]
    parked = [
        StrayCase(f"parked {name}", late=float("nan"), parked=hours * 3600.0, pot_there=False)
        for name, hours in PARKED.items()
    ]
    parked += [
        StrayCase(f"parked {np.degrees(x):.0f}°", float("nan"), pot_there=False, heading=x)
        for x in headings
    ]
    return (StrayCase("met"), StrayCase("empty", pot_there=False), *late, *parked)
