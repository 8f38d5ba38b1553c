"""Where the laser puts its spot from each facet, and what measured spots say about the facets.

A spot is stated from the base's centre in platform axes: x and y on the plane of the base, or x
and z on an upright card through the base's centre that faces the platform's y axis. Nothing is
traced here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import aim_normals, axes, spots, unit
from raytrace.cooker.geometry import Cooker, Facets, build_cooker
from raytrace.cooker.tolerances import (
    READING,
    PotPlace,
    Rig,
    draw_builds,
    laser_direction,
    laser_stand,
    standard_normals,
    tolerances_from_scenario,
)
from raytrace.exceptions import GeometryError

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "PLANES",
    "Measured",
    "SpotTable",
    "drawn_facets",
    "drawn_readings",
    "light_from",
    "normals_from_spots",
    "spot_table",
    "spots_on_plane",
    "target_plane",
]

Array = NDArray[np.float64]

PLANES = {"base": "xy", "upright": "xz"}  # a plane, and the platform axes that its spots are in


@dataclass(frozen=True, eq=False)
class SpotTable:
    """Where the laser's spot lies for each facet.

    Attributes
    ----------
    scenario : Scenario
    cooker : Cooker
        As designed: the target stands where its pot's base is meant to be.
    rig : Rig
        Whose laser it is.
    plane : str
        "base" or "upright".
    mark : ndarray, shape (F, 2)
        Where the spot belongs: its place if the facet were perfectly aimed; nan where the beam
        does not reach the plane. [m]
    spot : ndarray, shape (F, 2)
        Where it lies: the same, or that of a drawn build. [m]
    build : int or None
        Which draw; None for the cooker as designed.
    """

    scenario: Scenario
    cooker: Cooker
    rig: Rig
    plane: str
    mark: Array
    spot: Array
    build: int | None

    @property
    def miss(self) -> Array:
        """Spot from its mark, shape (F, 2). [m]"""
        return self.spot - self.mark


@dataclass(frozen=True, eq=False)
class Measured:
    """What a builder measured, and the normals that explain it.

    Attributes
    ----------
    scenario : Scenario
    cooker : Cooker
        As designed.
    name : str
        File that the spots come from.
    rig : Rig
        Laser that they were measured with.
    plane : str
        "base" or "upright".
    spot : ndarray, shape (F, 2)
        From the base's centre; nan where none was measured. [m]
    mark : ndarray, shape (F, 2)
        Where the spot of a perfectly aimed facet lies. [m]
    sigma : ndarray, shape (F,)
        Reading error per axis. [m]
    present : ndarray of bool, shape (F,)
    reflectance : ndarray, shape (F,)
        Facet's own share of the mirror's reflectance.
    n : ndarray, shape (F, 3)
        Normals that put the spots where they were seen; as designed where none was measured.
    doubts : tuple of str
        What looks odd without being impossible.
    """

    scenario: Scenario
    cooker: Cooker
    name: str
    rig: Rig
    plane: str
    spot: Array
    mark: Array
    sigma: Array
    present: NDArray[np.bool_]
    reflectance: Array
    n: Array
    doubts: tuple[str, ...] = ()

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Facets whose spot was measured, shape (F,)."""
        return np.asarray(np.isfinite(self.spot).all(axis=1))

    @property
    def miss(self) -> Array:
        """Spot from its mark, shape (F, 2). [m]"""
        return self.spot - self.mark

    @property
    def turned(self) -> Array:
        """Angle of each facet from its perfect aim, nan where it is missing, shape (F,). [rad]"""
        across = np.linalg.norm(np.cross(self.n, self.cooker.facets.n), axis=1)
        return np.where(self.present, np.arcsin(np.clip(across, 0.0, 1.0)), np.nan)

    def built(self) -> Cooker:
        """Return the cooker as its spots say it stands."""
        u, v = axes(self.n)
        facets = replace(
            self.cooker.facets,
            n=self.n,
            u=u,
            v=v,
            present=self.present,
            reflectance=self.reflectance,
        )
        return replace(self.cooker, facets=facets)


def target_plane(cooker: Cooker, plane: str) -> tuple[Array, Array, list[int]]:
    """Point and normal of a target plane, and which platform axes its spots are given in."""
    if plane not in PLANES:
        raise GeometryError(f"plane {plane!r} is none of {', '.join(PLANES)}")
    normal = cooker.pot.axis if plane == "base" else np.array([0.0, 1.0, 0.0])
    return cooker.pot.base, normal, ["xyz".index(axis) for axis in PLANES[plane]]


def light_from(cooker: Cooker, rig: Rig, c: Array) -> Array:
    """Direction from lit points to the laser, shape of `c`."""
    if rig.kind == "point":
        return unit(laser_stand(cooker, rig) - c)
    return np.broadcast_to(laser_direction(cooker, rig), c.shape)


def spots_on_plane(
    cooker: Cooker, rig: Rig, plane: str = "base", *, facets: Facets | None = None
) -> Array:
    """Where the rig's laser, held on each facet's centre, puts its spot on a target.

    Parameters
    ----------
    cooker : Cooker
        As designed; says where rig and target stand.
    rig : Rig
        Slid from facet to facet or swivelled, its biases included.
    plane : str
        "base" or "upright".
    facets : Facets, optional
        As they really are; by default as designed.

    Returns
    -------
    spot : ndarray, shape (F, 2)
        From the base's centre, along platform x and y (base) or x and z (upright); nan where the
        beam does not reach the plane. [m]
    """
    point, normal, pair = target_plane(cooker, plane)
    f = cooker.facets if facets is None else facets
    light = light_from(cooker, rig, f.c)
    landed = spots(f.c, f.n, light, point, normal)
    beam = 2.0 * (f.n * light).sum(1, keepdims=True) * f.n - light
    with np.errstate(invalid="ignore"):
        reached = np.isfinite(landed).all(1) & (((landed - f.c) * beam).sum(1) > 0.0)
    return np.where(reached[:, None], (landed - point)[:, pair], np.nan)


def spot_table(
    scenario: Scenario, plane: str | None = None, *, build: int | None = None, seed: int = 1
) -> SpotTable:
    """Where a laser at the rig's angle puts its spot from each facet.

    Parameters
    ----------
    scenario : Scenario
    plane : str, optional
        "base" or "upright"; by default the scenario's `errors.miss_plane`.
    build : int, optional
        Which draw of the workshop's errors; without it the cooker is as designed.
    seed : int
        Of the draw.
    """
    cooker = build_cooker(scenario)
    plane = plane or scenario.errors.miss_plane
    tolerances = tolerances_from_scenario(scenario)
    mark = spot = spots_on_plane(cooker, tolerances.rig, plane)
    if build is not None:
        spot = spots_on_plane(
            cooker,
            tolerances.rig,
            plane,
            facets=drawn_facets(scenario, cooker, seed=seed, build=build),
        )
    return SpotTable(scenario, cooker, tolerances.rig, plane, mark, spot, build)


def drawn_facets(scenario: Scenario, cooker: Cooker, *, seed: int, build: int) -> Facets:
    """Facets of one draw of the workshop's errors."""
    # the target stands where the pot is meant to be, whatever place the pot gets later
    tolerances = replace(tolerances_from_scenario(scenario), pot=PotPlace())
    drawn = draw_builds(cooker, tolerances, seed=seed, builds=build)
    return replace(cooker.facets, mount=drawn.mount[0], n=drawn.n[0], u=drawn.u[0], v=drawn.v[0])


def normals_from_spots(
    cooker: Cooker, rig: Rig, plane: str, spot: Array, *, hit: Array | None = None
) -> Array:
    """Normals that put the laser's spots where they were seen.

    Parameters
    ----------
    cooker : Cooker
        As designed; its mounts are taken to stand where they were meant to.
    rig : Rig
        That the spots were measured with.
    plane : str
        "base" or "upright".
    spot : ndarray, shape (F, 2) or (B, F, 2)
        From the base's centre; nan where none was measured. [m]
    hit : ndarray, shape (B, F, 2), optional
        How far off the facets' centres, across the beam, the laser really struck. [m]

    Returns
    -------
    n : ndarray, shape (F, 3) or (B, F, 3)
        As designed where no spot was measured.

    Raises
    ------
    GeometryError
        If no mirror could make one of the spots.

    Notes
    -----
    The light runs from the facet's centre, which moves with the normal, to the spot: the normal
    bisects that direction and the laser's, whichever plane the spot was read on. It is the aiming
    problem with the spot as the aim, so it is solved by the same iteration, to rounding.
    """
    point, _, pair = target_plane(cooker, plane)
    facets = cooker.facets
    B = 1 if spot.ndim == 2 else len(spot)
    flat = spot.reshape(-1, 2)
    seen = np.isfinite(flat).all(axis=1)

    def each(x: Array) -> Array:
        return np.tile(x, (B,) + (1,) * (x.ndim - 1))[seen]

    aim = np.tile(point, (len(flat), 1))
    aim[:, pair] += flat
    light = each(np.asarray(light_from(cooker, rig, facets.c)))
    across = None
    if hit is not None:
        e1, e2 = axes(light)
        h = hit.reshape(-1, 2)[seen]
        across = h[:, :1] * e1 + h[:, 1:] * e2
    n = np.tile(facets.n, (B, 1))
    if seen.any():
        n[seen] = aim_normals(
            each(facets.mount),
            each(facets.mount_radius),
            light,
            aim[seen],
            stand=laser_stand(cooker, rig) if rig.kind == "point" else None,
            hit=across,
        )
    return n.reshape(*spot.shape[:-1], 3)


def drawn_readings(
    measured: Measured, *, seed: int, count: int, times: float = 1.0
) -> Array | None:
    """Normals for other readings that might as well have been taken of the same cooker.

    Parameters
    ----------
    measured : Measured
    seed : int
        Key of the draws.
    count : int
        How many.
    times : float
        Errors of so many times their variance; the same random draws for any.

    Returns
    -------
    n : ndarray, shape (count, F, 3), or None
        Each spot displaced by its reading error, the laser off the facet's centre by the rig's
        `hit`; None if neither has a size.

    Raises
    ------
    GeometryError
        If the readings are so uncertain that some spot becomes impossible.
    """
    rig, facets = measured.rig, measured.cooker.facets
    if not measured.sigma.any() and not rig.hit:
        return None
    z = standard_normals(seed, READING, np.arange(count), facets.row, facets.column, 4)
    z *= np.sqrt(times)
    spot = measured.spot + measured.sigma[:, None] * z[:, :, :2]
    hit = rig.hit * z[:, :, 2:] if rig.hit else None
    return normals_from_spots(measured.cooker, rig, measured.plane, spot, hit=hit)
