"""Where a laser's spot lands from each facet, and the normals that put spots where they were seen.

A spot is stated from the base's centre in platform axes: x and y on the plane of the base, or x
and z on an upright card through the base's centre that faces the platform's y axis. Nothing is
traced here.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import aim_normals, axes, spots, unit
from raytrace.cooker.geometry import Cooker, Facets
from raytrace.cooker.tolerances import (
    PotPlace,
    Rig,
    draw_builds,
    laser_direction,
    laser_stand,
    tolerances_from_scenario,
)
from raytrace.exceptions import SettingsError

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "PLANES",
    "drawn_facets",
    "light_from",
    "normals_from_spots",
    "spots_on_plane",
    "target_plane",
]

Array = NDArray[np.float64]

PLANES = {"base": "xy", "upright": "xz"}  # a plane, and the platform axes that its spots are in


def target_plane(cooker: Cooker, plane: str) -> tuple[Array, Array, list[int]]:
    """Plane on which spots are seen.

    Parameters
    ----------
    cooker : Cooker
    plane : str
        One of PLANES.

    Returns
    -------
    point : ndarray, shape (3,)
        [m]
    normal : ndarray, shape (3,)
    axes : list of int
        Which of the platform's axes its spots are given in.

    Raises
    ------
    SettingsError
        If there is no such plane.
    """
    if plane not in PLANES:
        raise SettingsError(f"plane {plane!r} is none of {', '.join(PLANES)}")
    normal = cooker.pot.axis if plane == "base" else np.array([0.0, 1.0, 0.0])
    return cooker.pot.base, normal, ["xyz".index(axis) for axis in PLANES[plane]]


def light_from(cooker: Cooker, rig: Rig, c: Array) -> Array:
    """Direction from lit points to the laser.

    Parameters
    ----------
    cooker : Cooker
    rig : Rig
    c : ndarray, shape (..., 3)
        The points. [m]

    Returns
    -------
    ndarray, shape of c
    """
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
    landed = spots(f.c, f.n, light, point, normal, mirror=cooker.mirror)
    beam = 2.0 * (f.n * light).sum(1, keepdims=True) * f.n - light
    with np.errstate(invalid="ignore"):
        reached = np.isfinite(landed).all(1) & (((landed - f.c) * beam).sum(1) > 0.0)
    return np.where(reached[:, None], (landed - point)[:, pair], np.nan)


def drawn_facets(scenario: Scenario, cooker: Cooker, *, seed: int, build: int) -> Facets:
    """Facets of one draw of the workshop's errors.

    Parameters
    ----------
    scenario : Scenario
    cooker : Cooker
    seed, build : int
        Key of the draw.

    Returns
    -------
    Facets
    """
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
            mirror=cooker.mirror,
            stand=laser_stand(cooker, rig) if rig.kind == "point" else None,
            hit=across,
        )
    return n.reshape(*spot.shape[:-1], 3)
