"""Cookers that stand somewhere: turned to their sun, the pot put down, and then traced."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.geometry import Cooker
from raytrace.cooker.pose import Pose, Poses, posed, pot_places
from raytrace.cooker.tolerances import draw_poses, set_down
from raytrace.light.setup import Setup, design_sun, scenario_sunshape, stand
from raytrace.optics.cases import Cases, trace_cases
from raytrace.sky.sun import Sun
from raytrace.sky.sunshape import Sunshape

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.schema import Scenario

__all__ = [
    "FacedSun",
    "Placed",
    "faced",
    "faced_design_sun",
    "placed",
    "placed_singly",
    "stood",
    "turned",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Placed:
    """Sun and pot as the platform sees them, N times.

    Attributes
    ----------
    suns : ndarray, shape (N, 3)
        Direction to the sun.
    base : ndarray, shape (N, 3)
        Centre of the pot's base. [m]
    axis : ndarray, shape (N, 3)
        From base to lid.
    """

    suns: Array
    base: Array
    axis: Array

    def __len__(self) -> int:
        return len(self.suns)

    def __getitem__(self, index: Any) -> Placed:
        return Placed(*(getattr(self, f.name)[index] for f in fields(self)))

    def trace(self, cooker: Cooker, shape: Sunshape, **options: Any) -> Cases:
        """Trace a cooker as it stands.

        Parameters
        ----------
        cooker : Cooker
        shape : Sunshape
        **options
            The others of `raytrace.optics.cases.trace_cases`.

        Returns
        -------
        Cases
        """
        return trace_cases(
            cooker, self.suns, shape, pot_base=self.base, pot_axis=self.axis, **options
        )


def placed(cooker: Cooker, s: Array, poses: Poses, put: Array | None = None) -> Placed:
    """See suns and pots from platforms that stand in given ways.

    Parameters
    ----------
    cooker : Cooker
        Its pot as at zero tilt.
    s : ndarray, shape (N, 3) or (3,)
        Direction to the sun, site frame.
    poses : Poses
        N of them.
    put : ndarray, shape (N, 3), optional
        As in `raytrace.cooker.pose.pot_places`. [m]

    Returns
    -------
    Placed

    Raises
    ------
    GeometryError
        If a platform would tilt into a pot on the ground.
    """
    s = np.broadcast_to(s, (len(poses), 3))
    return Placed(poses.to_platform(s), *pot_places(cooker, poses, put))


def placed_singly(cooker: Cooker, s: Array, poses: Poses, put: Array | None = None) -> Placed:
    """See what `placed` sees, pose by pose and by matrix products: the same but for rounding.

    What is traced at one sun keeps to it, so that its results keep their bits.

    Parameters
    ----------
    cooker, s, poses, put
        As in `placed`.

    Returns
    -------
    Placed
    """
    suns, base, axis = np.empty((3, len(poses), 3))
    s = np.broadcast_to(s, suns.shape)
    for k in range(len(poses)):
        pose = poses.alone(k)
        pot = cooker.pot if put is None else replace(cooker.pot, base=put[k])
        pot = posed(replace(cooker, pot=pot), pose).pot
        suns[k], base[k], axis[k] = pose.to_platform(s[k]), pot.base, pot.axis
    return Placed(suns, base, axis)


def turned(setup: Setup, meant: Poses, day: ArrayLike, turning: ArrayLike) -> tuple[Poses, Array]:
    """How platform and pot stand after turnings: pointing errors drawn, the pot set down again.

    Parameters
    ----------
    setup : Setup
    meant : Poses
        How the platform is meant to stand, N times.
    day, turning : array_like of int, shape (N,)
        Keys of the draws, besides the set-up's seed and build.

    Returns
    -------
    poses : Poses
    put : ndarray, shape (N, 3)
        Where the pot's base is, the platform level. [m]
    """
    tolerances, settings = setup.tolerances, setup.settings
    keys: dict[str, Any] = {
        "seed": settings.seed,
        "build": settings.build,
        "day": day,
        "turning": turning,
    }
    poses = draw_poses(meant, tolerances.pointing, **keys)
    return poses, set_down(setup.cooker, tolerances.pot, **keys)


@dataclass(frozen=True, eq=False)
class FacedSun:
    """One position of the sun, and how the platform is meant to stand for it.

    Attributes
    ----------
    time : Timestamp or None
        None where the sun never stands there.
    alpha, gamma : float
        Altitude, and azimuth clockwise from north. [rad]
    direction : ndarray, shape (3,)
        Site frame.
    dni : float
        Direct normal irradiance. [W/m²]
    dni_source : str
        Where it comes from.
    shape : Sunshape
    meant : Poses
        One.
    """

    time: pd.Timestamp | None
    alpha: float
    gamma: float
    direction: Array
    dni: float
    dni_source: str
    shape: Sunshape
    meant: Poses


def faced(scenario: Scenario, sun: Sun, k: int = 0, *, timed: bool = True) -> FacedSun:
    """Face one of some sun positions.

    Parameters
    ----------
    scenario : Scenario
    sun : Sun
    k : int
        Which of them.
    timed : bool
        Whether its time means anything.

    Returns
    -------
    FacedSun
    """
    return FacedSun(
        time=sun.time[k] if timed else None,
        alpha=float(sun.alpha[k]),
        gamma=float(sun.gamma[k]),
        direction=sun.direction[k],
        dni=float(sun.dni[k]),
        dni_source=sun.dni_source,
        shape=scenario_sunshape(scenario, float(sun.radius[k])),
        meant=stand(scenario, sun.alpha[k : k + 1], sun.gamma[k : k + 1]),
    )


def faced_design_sun(scenario: Scenario) -> FacedSun:
    """Face the sun for which a scenario's facets are set.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    FacedSun
    """
    sun, timed = design_sun(scenario)
    return faced(scenario, sun, timed=timed)


def stood(setup: Setup, sun: FacedSun, turning: int = 0) -> tuple[Pose, Cooker, Array]:
    """Stand one cooker under its sun, as its operator would.

    Parameters
    ----------
    setup : Setup
    sun : FacedSun
    turning : int
        Key of the errors of this turning, besides the set-up's seed and build.

    Returns
    -------
    pose : Pose
    cooker : Cooker
        Its pot where the platform sees it.
    s : ndarray, shape (3,)
        Direction to the sun, platform frame.
    """
    poses, put = turned(setup, sun.meant, 0, turning)
    seen = placed_singly(setup.cooker, sun.direction, poses, put)
    pot = replace(setup.cooker.pot, base=seen.base[0], axis=seen.axis[0])
    return poses.alone(0), replace(setup.cooker, pot=pot), seen.suns[0]
