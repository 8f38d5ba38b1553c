"""What a workshop does to a cooker: setting, placement, roll, laser rig, pointing, pot.

Every random number is a standard normal keyed on (seed, error source, build, facet row, facet
column), scaled afterwards: two sizes of an error, or two designs that share facets, see the same
random draws. A build is one draw of everything; an ensemble is many.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.aiming import aim_normals, axes, direction, spot_jacobian, spots, turn, unit
from raytrace.cooker.geometry import Cooker, Facets, named, roll_of
from raytrace.cooker.pose import Poses
from raytrace.exceptions import GeometryError
from raytrace.parallel.interrupts import call

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Builds",
    "Pointing",
    "PotPlace",
    "Rig",
    "Tolerances",
    "as_built",
    "draw_builds",
    "draw_poses",
    "laser_direction",
    "laser_spots",
    "laser_stand",
    "miss_jacobian",
    "mount_builds",
    "put_pots",
    "set_down",
    "setting_sigma",
    "sigma_from_miss",
    "standard_normals",
    "tolerances_from_scenario",
]

Array = NDArray[np.float64]

# error sources, part of every build draw's key
SETTING, PLACEMENT, ROLL, HIT, POINTING, POT = 1, 2, 3, 4, 5, 6
BUILD_SOURCES = (SETTING, PLACEMENT, ROLL, HIT, POINTING, POT)
READING, INVENTED = 7, 8  # of measured spots: how a reading may be off, and an invented record's


@dataclass(frozen=True)
class Rig:
    """The laser that stands in for the sun while facets are set.

    Attributes
    ----------
    kind : str
        "parallel": slid from facet to facet, one direction. "point": swivelled on one stand.
    distance : float
        From the middle of the facets to the stand, along the design sun's direction. [m]
    corrected_marks : bool
        Swivelled: each facet has its own mark on the target, which makes up for the stand's
        being near.
    altitude_bias, azimuth_bias : float
        How far the laser stands too high, and too far clockwise seen from above. [rad]
    hit : float
        σ per axis, across the beam, of the lit point from the facet's centre. [m]
    """

    kind: str = "parallel"
    distance: float = 5.0
    corrected_marks: bool = False
    altitude_bias: float = 0.0
    azimuth_bias: float = 0.0
    hit: float = 0.0

    SHOWN: ClassVar = {"distance": "m"}


@dataclass(frozen=True)
class Pointing:
    """Errors each time the platform is turned.

    Attributes
    ----------
    heading_bias, heading_rms : float
        About the vertical: the same each time; from turn to turn. [rad]
    tilt_bias, tilt_rms : float
        About the hinge. [rad]
    cross_bias, cross_rms : float
        About the platform's y axis. [rad]
    """

    heading_bias: float = 0.0
    heading_rms: float = 0.0
    tilt_bias: float = 0.0
    tilt_rms: float = 0.0
    cross_bias: float = 0.0
    cross_rms: float = 0.0


@dataclass(frozen=True)
class PotPlace:
    """Displacement of the pot from the aim point, along the platform's axes.

    Attributes
    ----------
    bias, rms : (float, float, float)
        The same each time; from time to time. [m]
    """

    bias: tuple[float, float, float] = (0.0, 0.0, 0.0)
    rms: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Tolerances:
    """How exactly the cooker is made and used.

    Attributes
    ----------
    setting : float
        σ per axis of each facet's rotation about u and about v [rad]; or, where `setting_kind`
        is "miss", the rms length of the laser spot's offset [m].
    setting_kind : str
        "angle" or "miss".
    miss_plane : str
        Plane on which a miss is measured: "base", or "upright" (a card through the base's centre
        that faces the platform's y axis).
    set_by : str
        "laser": the aim makes up for misplaced mounts. "angle": it does not, and the rig has
        no effect. The cooker's normals say whether the glass's shift is made up for.
    placement_xy, placement_z : float
        σ per axis of the mounts' displacement. [m]
    roll : float
        σ of the facets' roll about their normals. [rad]
    rig : Rig
    pointing : Pointing
    pot : PotPlace
    """

    setting: float = 0.0
    setting_kind: str = "angle"
    miss_plane: str = "base"
    set_by: str = "laser"
    placement_xy: float = 0.0
    placement_z: float = 0.0
    roll: float = 0.0
    rig: Rig = field(default_factory=Rig)
    pointing: Pointing = field(default_factory=Pointing)
    pot: PotPlace = field(default_factory=PotPlace)


def tolerances_from_scenario(scenario: Scenario) -> Tolerances:
    """Read a scenario's section `errors`.

    Parameters
    ----------
    scenario : raytrace.scenario.schema.Scenario

    Returns
    -------
    Tolerances
    """
    e = scenario.errors
    return Tolerances(
        setting=e.setting,
        setting_kind=e.setting_kind,
        miss_plane=e.miss_plane,
        set_by=e.set_by,
        placement_xy=e.placement_xy,
        placement_z=e.placement_z,
        roll=e.roll,
        rig=Rig(
            kind=e.rig.kind,
            distance=e.rig.distance,
            corrected_marks=e.rig.corrected_marks,
            altitude_bias=e.rig.altitude_bias,
            azimuth_bias=e.rig.azimuth_bias,
            hit=e.rig.hit,
        ),
        pointing=Pointing(
            heading_bias=e.pointing.heading_bias,
            heading_rms=e.pointing.heading_rms,
            tilt_bias=e.pointing.tilt_bias,
            tilt_rms=e.pointing.tilt_rms,
            cross_bias=e.pointing.cross_bias,
            cross_rms=e.pointing.cross_rms,
        ),
        pot=PotPlace(bias=e.pot.bias, rms=e.pot.rms),
    )


def standard_normals(
    seed: int,
    source: int,
    builds: ArrayLike,
    row: NDArray[np.int64],
    column: NDArray[np.int64],
    count: int,
) -> Array:
    """Standard normal numbers that depend on their key alone.

    Parameters
    ----------
    seed, source : int
        Which run, which error source.
    builds : array_like of int, shape (B,)
        Which draws of the cooker. Number ~k (that is, −1 − k) is build k's mirror image: its
        numbers with their signs changed.
    row, column : ndarray of int64, shape (F,)
        Facet's place in the array.
    count : int
        How many numbers a facet needs.

    Returns
    -------
    z : ndarray, shape (B, F, count)
    """
    from scipy.special import ndtri

    from raytrace.kernels.random import key_uniforms

    builds = np.atleast_1d(np.asarray(builds, dtype=np.int64))
    out = np.empty((len(builds), len(row), count))
    mirrored = builds < 0
    call(key_uniforms, out, seed, source, np.where(mirrored, ~builds, builds), row, column)
    z = np.asarray(ndtri(out))
    z[mirrored] *= -1.0
    return z


def laser_spots(cooker: Cooker, rig: Rig, *, normals: Array | None = None) -> Array:
    """Where the rig's laser, held on each facet's centre, lands on the plane of the base.

    Parameters
    ----------
    cooker : Cooker
        Whose facets are lit.
    rig : Rig
        Where the laser stands.
    normals : ndarray, shape (F, 3), optional
        Instead of the cooker's own.

    Returns
    -------
    spot : ndarray, shape (F, 3)
        Platform frame. [m]
    """
    facets = cooker.facets
    n = facets.n if normals is None else normals
    c = facets.mount + facets.mount_radius[:, None] * n
    light = laser_direction(cooker, rig)
    if rig.kind == "point":
        light = unit(laser_stand(cooker, rig) - c)
    return spots(c, n, light, cooker.pot.base, cooker.pot.axis, mirror=cooker.mirror)


def laser_direction(cooker: Cooker, rig: Rig) -> Array:
    """Direction to the rig's laser, its biases included.

    Parameters
    ----------
    cooker : Cooker
    rig : Rig

    Returns
    -------
    ndarray, shape (F, 3)
        For each facet's design sun, platform frame.
    """
    s = cooker.design_sun
    if rig.altitude_bias == 0.0 and rig.azimuth_bias == 0.0:
        return s
    alpha = np.arcsin(np.clip(s[:, 2], -1.0, 1.0))
    gamma = np.arctan2(s[:, 0], s[:, 1])
    return direction(alpha + rig.altitude_bias, gamma + rig.azimuth_bias)


def laser_stand(cooker: Cooker, rig: Rig) -> Array:
    """Place of a swivelled laser: as far from the facets' middle as the rig says.

    Parameters
    ----------
    cooker : Cooker
    rig : Rig

    Returns
    -------
    ndarray, shape (3,)
        Platform frame. [m]
    """
    middle = cooker.facets.mount[cooker.facets.present].mean(axis=0)
    # zones may be set for suns of their own; one stand serves them all, at their mean
    toward = unit(laser_direction(cooker, rig)[cooker.facets.present].mean(axis=0))
    return np.asarray(middle + rig.distance * toward)


def sigma_from_miss(miss: float, J: Array) -> Array:
    """Setting error per axis that gives a stated rms miss of the laser spot.

    Parameters
    ----------
    miss : float
        rms length of the spot's offset on the plane. [m]
    J : ndarray, shape (F, k, 2)
        Spot movement per rotation about u and v, mount radius included. [m/rad]

    Returns
    -------
    sigma : ndarray, shape (F,)
        σ of the rotation about u and of that about v. [rad]

    Raises
    ------
    GeometryError
        If a facet's beam runs along the plane, so that J is not finite.

    Notes
    -----
    For independent rotations ε ~ N(0, σ²) the mean square offset is E‖Jε‖² = σ²‖J‖²_F.
    Derived here, no source; checked by draws in tests/cooker/test_tolerances.py.

    Examples
    --------
    >>> (1e3 * sigma_from_miss(8e-3, np.array([[[1.6, 0.0], [0.0, 1.2]]]))).tolist()
    [4.0]
    """
    if not np.isfinite(J).all():
        raise GeometryError("a facet's beam runs along the plane that the miss is measured on")
    return np.asarray(miss / np.sqrt((J**2).sum(axis=(1, 2))))


def miss_jacobian(cooker: Cooker, miss_plane: str) -> Array:
    """How far the laser's spot moves on the plane where a miss is measured.

    Parameters
    ----------
    cooker : Cooker
        Perfectly set.
    miss_plane : str
        "base" or "upright", as in `Tolerances`.

    Returns
    -------
    J : ndarray, shape (F, 3, 2)
        Spot movement per rotation about u and v, mount radius included. [m/rad]

    Raises
    ------
    GeometryError
        If a facet's beam runs along the plane.
    """
    f = cooker.facets
    normal = cooker.pot.axis if miss_plane == "base" else np.array([0.0, 1.0, 0.0])
    try:
        return spot_jacobian(
            f.mount,
            f.mount_radius,
            f.n,
            cooker.design_sun,
            cooker.pot.base,
            normal,
            mirror=cooker.mirror,
        )
    except GeometryError as error:
        who = named([f.label[k] for k in error.facets])
        raise GeometryError(
            f'errors.miss_plane = "{miss_plane}": facets {who}: {error}. Choose the other plane',
            error.facets,
        ) from error


def setting_sigma(cooker: Cooker, tolerances: Tolerances) -> Array:
    """Setting error of each facet as an angle, whichever way it was stated.

    Parameters
    ----------
    cooker : Cooker
        Perfectly set.
    tolerances : Tolerances

    Returns
    -------
    sigma : ndarray, shape (F,)
        σ per axis. [rad]

    Raises
    ------
    GeometryError
        If a miss is measured on a plane along which a facet's beam runs.
    """
    facets = cooker.facets
    if tolerances.setting_kind == "angle":
        return np.full(len(facets), tolerances.setting)
    return sigma_from_miss(tolerances.setting, miss_jacobian(cooker, tolerances.miss_plane))


@dataclass(frozen=True, eq=False)
class Builds:
    """Many draws of one cooker: what differs between them.

    Attributes
    ----------
    mount, n, u, v : ndarray, shape (B, F, 3)
        As in `raytrace.cooker.geometry.Facets`.
    base : ndarray, shape (B, 3)
        Where the pot's base is put, platform frame at zero tilt. [m]
    """

    mount: Array
    n: Array
    u: Array
    v: Array
    base: Array

    def __len__(self) -> int:
        return len(self.base)

    def __getitem__(self, index: Any) -> Builds:
        return Builds(*(getattr(self, f.name)[index] for f in fields(self)))


def draw_builds(
    cooker: Cooker,
    tolerances: Tolerances,
    *,
    seed: int = 1,
    builds: ArrayLike | Mapping[int, ArrayLike] = 0,
    mounted: tuple[Array, Array] | None = None,
    rotations: Array | None = None,
) -> Builds:
    """Draw an ensemble: the cooker as a workshop would leave it, many times over.

    Parameters
    ----------
    cooker : Cooker
        Perfectly set, from `build_cooker`.
    tolerances : Tolerances
        How exactly it is made.
    seed : int
    builds : array_like of int, shape (B,), or mapping of such
        With the seed, keys of the draws; the same key gives the same bits, alone or among others.
        A mapping from each error source (SETTING, PLACEMENT, …) gives every source a build number
        of its own, so that one source's random draws can be changed while the others' is kept.
    mounted : tuple of ndarray, optional
        From `mount_builds` for the same tolerances, seed and builds, to save that step.
    rotations : ndarray, shape (B, F, 2), optional
        Setting errors about u and about v, instead of those drawn. [rad]

    Returns
    -------
    Builds
        Errors of size zero leave every bit as it was.

    Raises
    ------
    GeometryError
        If the errors are so large that a facet can't be set.
    """
    facets = cooker.facets
    numbers = _numbers(builds)
    draw, each = _drawer(facets, seed, numbers)
    B, F = len(numbers[SETTING]), len(facets)
    # builds one below the other: every step works on rows
    u, v = each(facets.u), each(facets.v)
    by_laser = _laser_sets(tolerances)
    mount, n = mounted or mount_builds(cooker, tolerances, seed=seed, builds=builds)
    if rotations is not None:
        n = turn(n, *axes(n), rotations.reshape(B * F, 2))
    elif tolerances.setting:
        sigma = each(setting_sigma(cooker, tolerances))
        n = turn(n, *axes(n), sigma[:, None] * draw(SETTING, 2))
    if by_laser or tolerances.setting or tolerances.roll or rotations is not None:
        roll = each(roll_of(facets))
        if tolerances.roll:
            roll = roll + tolerances.roll * draw(ROLL, 1)[:, 0]
        u, v = axes(n, roll)

    base = put_pots(cooker, tolerances.pot, seed=seed, builds=numbers[POT])
    mount, n, u, v = (x.reshape(B, F, 3) for x in (mount, n, u, v))
    return Builds(mount=mount, n=n, u=u, v=v, base=base)


def mount_builds(
    cooker: Cooker,
    tolerances: Tolerances,
    *,
    seed: int = 1,
    builds: ArrayLike | Mapping[int, ArrayLike] = 0,
) -> tuple[Array, Array]:
    """Where an ensemble's mounts are, and how its facets face before the setting error.

    The laser makes up for a misplaced mount here, and the rig's own errors enter.

    Parameters
    ----------
    cooker, tolerances, seed, builds
        As in `draw_builds`; the setting error is not used.

    Returns
    -------
    mount, n : ndarray, shape (B F, 3)
        Turning centres [m] and normals, builds one below the other.

    Raises
    ------
    GeometryError
        If the errors are so large that a facet can't be set.
    """
    facets = cooker.facets
    draw, each = _drawer(facets, seed, _numbers(builds))
    mount, n = each(facets.mount), each(facets.n)
    if tolerances.placement_xy or tolerances.placement_z:
        size = np.array([tolerances.placement_xy, tolerances.placement_xy, tolerances.placement_z])
        mount = mount + size * draw(PLACEMENT, 3)
    if _laser_sets(tolerances):
        n = _set_by_laser(cooker, tolerances.rig, mount, draw, each)
    return mount, n


def _laser_sets(tolerances: Tolerances) -> bool:
    """Whether setting by laser leaves the facets otherwise than exactly set."""
    rig = tolerances.rig
    displaced = tolerances.placement_xy or tolerances.placement_z
    strays = rig.hit or rig.kind == "point" or rig.altitude_bias or rig.azimuth_bias
    return tolerances.set_by == "laser" and bool(displaced or strays)


def _numbers(
    builds: ArrayLike | Mapping[int, ArrayLike],
) -> dict[int, NDArray[np.int64]]:
    """Build number of every draw, by error source."""
    given = builds if isinstance(builds, Mapping) else dict.fromkeys(BUILD_SOURCES, builds)
    return {k: np.atleast_1d(np.asarray(x, dtype=np.int64)) for k, x in given.items()}


def _drawer(
    facets: Facets, seed: int, numbers: Mapping[int, NDArray[np.int64]]
) -> tuple[Callable[[int, int], Array], Callable[[Array], Array]]:
    """Two helpers: draw a source's standard normals, and repeat rows for each build."""
    B, F = len(numbers[SETTING]), len(facets)

    def draw(source: int, count: int) -> Array:
        z = standard_normals(seed, source, numbers[source], facets.row, facets.column, count)
        return z.reshape(B * F, count)

    def each(x: Array) -> Array:
        return np.tile(x, (B,) + (1,) * (x.ndim - 1))

    return draw, each


def as_built(cooker: Cooker, tolerances: Tolerances, *, seed: int = 1, build: int = 0) -> Cooker:
    """Draw one build: the cooker as a workshop leaves it.

    Parameters
    ----------
    cooker : Cooker
        Perfectly set, from `build_cooker`.
    tolerances : Tolerances
        How exactly it is made.
    seed, build : int
        Key of the draw, as in `draw_builds`.

    Returns
    -------
    Cooker
        Facets as they stand after setting, the pot as it is put.

    Raises
    ------
    GeometryError
        If the errors are so large that a facet can't be set.
    """
    drawn = draw_builds(cooker, tolerances, seed=seed, builds=build)
    facets = replace(cooker.facets, mount=drawn.mount[0], n=drawn.n[0], u=drawn.u[0], v=drawn.v[0])
    return replace(cooker, facets=facets, pot=replace(cooker.pot, base=drawn.base[0]))


def _set_by_laser(
    cooker: Cooker,
    rig: Rig,
    mount: Array,
    draw: Callable[[int, int], Array],
    each: Callable[[Array], Array],
) -> Array:
    facets = cooker.facets
    light = laser_direction(cooker, rig)
    mark = cooker.aim
    stand = None
    if rig.kind == "point":
        stand = laser_stand(cooker, rig)
        if rig.corrected_marks:
            straight = replace(rig, altitude_bias=0.0, azimuth_bias=0.0)
            mark = laser_spots(cooker, straight)
    hit = None
    if rig.hit:
        toward = each(light if stand is None else unit(stand - facets.c))
        e1, e2 = axes(toward)
        z = rig.hit * draw(HIT, 2)
        hit = z[:, :1] * e1 + z[:, 1:] * e2
    radius = each(facets.mount_radius)
    try:
        return aim_normals(
            mount, radius, each(light), each(mark), mirror=cooker.mirror, stand=stand, hit=hit
        )
    except GeometryError as error:
        who = named(sorted({facets.label[f % len(facets)] for f in error.facets}))
        raise GeometryError(
            f"errors.rig: facets {who} can't be set by this laser: {error}. Lower errors.rig.hit, "
            "its biases or errors.placement_xy and _z, or move a stand away (errors.rig.distance)",
            error.facets,
        ) from error


def draw_poses(
    meant: Poses,
    pointing: Pointing,
    *,
    seed: int = 1,
    build: ArrayLike = 0,
    day: ArrayLike = 0,
    turning: ArrayLike = 0,
) -> Poses:
    """Stand the platform as an operator leaves it who means `meant`.

    Parameters
    ----------
    meant : Poses
        How the platform is meant to stand: N times, or once for all.
    pointing : Pointing
        Bias, and rms per turning.
    seed : int
    build : array_like of int, shape (N,) or scalar
    day, turning : array_like of int, shape (N,) or scalar
        With seed and build, keys of the draws. Many builds have one turning, many turnings are
        of one build.

    Returns
    -------
    Poses
        N of them.
    """
    bias = np.array([pointing.heading_bias, pointing.tilt_bias, pointing.cross_bias])
    rms = np.array([pointing.heading_rms, pointing.tilt_rms, pointing.cross_rms])
    off = np.broadcast_to(bias, (max(len(meant), *map(np.size, (build, day, turning))), 3))
    if rms.any():
        off = bias + rms * _turning_normals(seed, POINTING, build, day, turning)
    return meant.off_by(off)


def _turning_normals(
    seed: int, source: int, build: ArrayLike, day: ArrayLike, turning: ArrayLike
) -> Array:
    """Three standard normals for each build, day and turning, shape (N, 3)."""
    row, column = np.broadcast_arrays(*(np.atleast_1d(x).astype(np.int64) for x in (day, turning)))
    row, column = np.ascontiguousarray(row), np.ascontiguousarray(column)
    return standard_normals(seed, source, build, row, column, 3).reshape(-1, 3)


def put_pots(cooker: Cooker, place: PotPlace, *, seed: int = 1, builds: ArrayLike = 0) -> Array:
    """Where builds have their pot's base, the platform level, shape (B, 3). [m]

    Parameters
    ----------
    cooker : Cooker
        Perfectly set, its pot in its place.
    place : PotPlace
        Bias, and rms per build.
    seed : int
    builds : array_like of int, shape (B,)
        As in `draw_builds`.

    Returns
    -------
    ndarray
    """
    base = np.tile(cooker.pot.base, (np.size(builds), 1))
    shift = np.array(place.bias)
    if any(place.rms):
        return np.asarray(
            base + (shift + np.array(place.rms) * _turning_normals(seed, POT, builds, 0, 0))
        )
    return base + shift if shift.any() else base


def set_down(
    cooker: Cooker,
    place: PotPlace,
    *,
    seed: int = 1,
    build: int = 0,
    day: ArrayLike,
    turning: ArrayLike,
) -> Array:
    """Where the pot's base is after turnings, the platform level.

    A pot on the ground is set down again each time; one on the platform stays where it was put.

    Parameters
    ----------
    cooker : Cooker
        As built, by `as_built` or `draw_builds` with this place, seed and build.
    place : PotPlace
        Bias, which the cooker's pot has already, and rms.
    seed, build : int
    day, turning : array_like of int, shape (N,) or scalar
        As in `draw_poses`; at 0 and 0 the pot is where the cooker has it.

    Returns
    -------
    base : ndarray, shape (N, 3)
        [m]
    """
    base = np.broadcast_to(cooker.pot.base, (max(np.size(day), np.size(turning)), 3))
    if cooker.pot.stand != "ground" or not any(place.rms):
        return base
    first = _turning_normals(seed, POT, build, 0, 0)
    again = _turning_normals(seed, POT, build, day, turning)
    return np.asarray(base + np.array(place.rms) * (again - first))
