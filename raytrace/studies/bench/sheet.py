"""The sheet to build from: mounts, tilts, corner heights, laser, shadow gauge, order of setting.

Directions on the platform are azimuths clockwise from its arrow to the sun (+y), as a compass
whose north is the sun. Corners are named as seen from above with that arrow pointing up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import DISC, HEXAGON, Cooker, Facets, build_cooker
from raytrace.cooker.tolerances import laser_spots, laser_stand, tolerances_from_scenario
from raytrace.exceptions import GeometryError
from raytrace.store.work import work
from raytrace.studies.bench.angle_measured import READING, AngleFound, Proof, angle_found
from raytrace.studies.bench.beam_clearance import Ways, clear_ways
from raytrace.studies.bench.materials import Materials, materials_of
from raytrace.studies.bench.target_rings import Rings, target_rings

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "LaserTable",
    "ShadowGauge",
    "Sheet",
    "SheetPlan",
    "Wedges",
    "corner_names",
    "make_wedges",
    "shadow_gauge",
    "sheet",
    "way",
]

Array = NDArray[np.float64]

LEVEL = np.radians(0.05)  # a facet tilted by less leans nowhere that a hand could tell
ALIKE = 5e-5  # corners whose heights differ by less are equally high [m]
THINNEST = 2e-3  # of a wedge, at its lowest corner [m]
SUN_RADIUS = 4.65e-3  # half the sun's width in the sky, as sunshape "uniform" has it [rad]

# clockwise from the corner on the sun's left, with its number in Facets.corners
RECTANGLE_CORNERS = {"sun left": 1, "sun right": 0, "far right": 3, "far left": 2}
HEXAGON_CORNERS = {
    "sun left": 2,
    "sun right": 1,
    "right": 0,
    "far right": 5,
    "far left": 4,
    "left": 3,
}
SIDES = {
    frozenset(("sun left", "sun right")): "sun side",
    frozenset(("far left", "far right")): "far side",
    frozenset(("sun left", "far left")): "left side",
    frozenset(("sun right", "far right")): "right side",
}
RIM = ("lowest rim", "highest rim")


@dataclass(frozen=True)
class SheetPlan:
    """What a sheet is worked out for.

    Attributes
    ----------
    beam : float
        Width of the laser's beam, for clear ways. [m]
    unset : str
        What facets are before their turn, "absent" or "flat"; see
        `raytrace.studies.bench.beam_clearance`.
    uprights : tuple of float
        Heights of shadow gauges. [m]
    distances : tuple of float
        Of the laser along the floor. [m]
    rings : bool
        Work out how far off their marks spots may lie, which takes tracing.
    proofs : tuple of Proof
        Of the laser's angle.
    reading : float
        Standard error of their lengths. [m]
    """

    beam: float = 5e-3
    unset: str = "absent"
    uprights: tuple[float, ...] = (0.1, 0.2, 0.3)
    distances: tuple[float, ...] = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0)
    rings: bool = True
    proofs: tuple[Proof, ...] = ()
    reading: float = READING


@dataclass(frozen=True, eq=False)
class LaserTable:
    """Where a laser stands that shines as the sun does that the facets are set for.

    Attributes
    ----------
    kind : str
        "parallel" (slid from facet to facet) or "point" (swivelled on one stand).
    altitude : ndarray, shape (K,)
        Of the suns that facets are set for, lowest first. [rad]
    n_facets : ndarray of int64, shape (K,)
        How many facets are set for each. [1]
    distance : ndarray, shape (D,)
        Along the floor, from under the lit mirror to under the laser. [m]
    height : ndarray, shape (K, D)
        Of the laser above the centre of the lit mirror. [m]
    per_length : ndarray, shape (K, D)
        Angle that an error of the height costs. [rad/m]
    mirror_height : ndarray, shape (2,)
        Lowest and highest centre of a mirror above the platform's top. [m]
    thickness : float
        Of the platform; 0 where there is no scenario. [m]
    stand : ndarray, shape (3,), or None
        Where a swivelled laser stands, platform frame. [m]
    """

    kind: str
    altitude: Array
    n_facets: NDArray[np.int64]
    distance: Array
    height: Array
    per_length: Array
    mirror_height: Array
    thickness: float
    stand: Array | None

    DIMS: ClassVar = {"K": "altitude", "D": "distance"}
    SHOWN: ClassVar = {"per_length": "deg/mm"}


@dataclass(frozen=True, eq=False)
class ShadowGauge:
    """Upright on the platform whose shadow shows that the sun stands where it should.

    Attributes
    ----------
    altitude : float
        Of the sun above the platform. [rad]
    upright : ndarray, shape (U,)
        Heights, square to the platform. [m]
    shadow : ndarray, shape (U,)
        From the upright's foot to the shadow of its tip. [m]
    per_length : ndarray, shape (U,)
        Altitude that an error of the shadow's length means. [rad/m]
    sideways : ndarray, shape (U,)
        Azimuth that an error of the shadow's tip across it means. [rad/m]
    blur : ndarray, shape (U,)
        Length over which the shadow's end fades, because the sun is a disc. [m]
    """

    altitude: float
    upright: Array
    shadow: Array
    per_length: Array
    sideways: Array
    blur: Array

    DIMS: ClassVar = {"U": "upright"}
    SHOWN: ClassVar = {"per_length": "deg/mm", "sideways": "deg/mm"}


@dataclass(frozen=True, eq=False)
class Sheet:
    """All that is needed to build a cooker and set its facets; F facets.

    Attributes
    ----------
    scenario : Scenario
    plan : SheetPlan
    tilt : ndarray, shape (F,)
        Angle between facet and platform. [rad]
    lean : ndarray, shape (F,)
        Where its face leans to, which is where it is lowest: azimuth clockwise from the arrow to
        the sun, 0 to 2π; nan where it lies level. [rad]
    corner_name : tuple of str, length C
        As seen from above, the arrow to the sun pointing up; of a round facet its lowest and
        highest point.
    corner_height : ndarray, shape (F, C)
        Of the front face above the platform's top. [m]
    lowest, highest : ndarray of str, shape (F,)
        Which corner, or which side.
    distance : ndarray, shape (F,)
        From the facet's centre to its mark. [m]
    mark : ndarray, shape (F, 3)
        Where the laser's spot belongs, platform frame. [m]
    mark_on_base : ndarray, shape (F, A)
        The same from the base's centre, along the platform's x and y. [m]
    laser : LaserTable
    gauges : tuple of ShadowGauge
        One for each altitude of `laser`.
    ways : Ways
    materials : Materials
    rings : Rings or None
        How far off their marks spots may lie; None where that is not asked for, or makes no sense.
    angle : AngleFound or None
        What the laser's measured angle means; None where it wasn't proved.
    """

    scenario: Scenario
    plan: SheetPlan
    tilt: Array
    lean: Array
    corner_name: tuple[str, ...]
    corner_height: Array
    lowest: NDArray[np.str_]
    highest: NDArray[np.str_]
    distance: Array
    mark: Array
    mark_on_base: Array
    laser: LaserTable
    gauges: tuple[ShadowGauge, ...]
    ways: Ways
    materials: Materials
    rings: Rings | None = None
    angle: AngleFound | None = None

    DIMS: ClassVar = {"F": "facet", "C": "corner", "A": "axis", "W": "way"}
    COORDS: ClassVar = {
        **{"facet": "labels", "corner": "corner_name", "axis": "plane_axes"},
        **{"altitude": "altitudes", "way": "ways_named"},
    }
    ALSO: ClassVar = (
        *("labels", "state", "turn", "mount", "laser_altitude", "meets", "allowed_miss"),
        *("order", "conflicts"),
    )

    @cached_property
    def cooker(self) -> Cooker:
        """Exactly set."""
        return build_cooker(self.scenario)

    @property
    def labels(self) -> tuple[str, ...]:
        """Names of the facets."""
        return self.cooker.facets.label

    @property
    def plane_axes(self) -> tuple[str, ...]:
        """Platform axes that marks are given along."""
        return ("x", "y")

    @property
    def altitudes(self) -> Array:
        """Of the sun positions that facets are set for. [rad]"""
        return self.laser.altitude

    @property
    def ways_named(self) -> tuple[str, ...]:
        """Ways along which a beam may meet something, as in `meets`."""
        return ("in", "in_thin", "out", "out_thin", "at_turn")

    @property
    def state(self) -> NDArray[np.str_]:
        """Whether a facet is there, "ok" or "missing", shape (F,)."""
        return np.where(self.cooker.facets.present, "ok", "missing")

    @property
    def mount(self) -> Array:
        """Each facet's turning centre as the scenario counts places, shape (F, 3). [m]"""
        return np.add(self.cooker.facets.mount, [*self.scenario.platform.middle, 0.0])

    @property
    def laser_altitude(self) -> Array:
        """Of the sun position that each facet is set for, shape (F,). [rad]"""
        return np.asarray(np.arcsin(np.clip(self.cooker.design_sun[:, 2], -1.0, 1.0)))

    @property
    def meets(self) -> NDArray[np.str_]:
        """What each facet's beam meets, shape (F, W).

        On its way in and out when all other facets are set, each also for a line without width;
        and, both ways, when the facet's turn comes.
        """
        w = self.ways
        ways = (w.into, w.into_thin, w.out, w.out_thin, w.at_turn)
        return np.array([[way(met) for met in facet] for facet in zip(*ways, strict=True)])

    @property
    def allowed_miss(self) -> Array:
        """How far off each facet's ring's centre its spot may lie, nan where none is, (F,). [m]"""
        if self.rings is None:
            return np.full(len(self.cooker.facets), np.nan)
        return np.append(self.rings.radius, np.nan)[self.rings.ring]

    @property
    def order(self) -> tuple[str, ...]:
        """Names of the facets in the order of setting."""
        return tuple(self.labels[f] for f in self.ways.order)

    @property
    def conflicts(self) -> tuple[tuple[str, ...], ...]:
        """Facets that no order serves, by name: each has another of its group in its way."""
        return tuple(tuple(self.labels[f] for f in group) for group in self.ways.conflicts)

    @property
    def turn(self) -> NDArray[np.int64]:
        """Each facet's place in the order of setting, from 1; 0 for a missing one, shape (F,)."""
        place = np.zeros(len(self.cooker.facets), dtype=np.int64)
        place[self.ways.order] = np.arange(1, len(self.ways.order) + 1)
        return place


def way(met: Sequence[str]) -> str:
    """What a beam meets, or that it is clear.

    Parameters
    ----------
    met : sequence of str
        Names of facets and bodies.

    Returns
    -------
    str
    """
    return "; ".join(met) if met else "clear"


def sheet(
    scenario: Scenario,
    plan: SheetPlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    command: str = "",
) -> Sheet:
    """Work out the sheet to build a scenario's cooker from.

    Parameters
    ----------
    scenario : Scenario
    plan : SheetPlan, optional
    path : path, optional
        Results file (.h5) to write.
    overwrite : bool
        Work out again, whatever of this program's is there.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    Sheet

    Raises
    ------
    ScenarioError
        If the geometry is impossible.
    GeometryError
        If a length is not positive.
    SettingsError
        If a proof of the laser's angle makes no sense.
    StoreError
        If the path holds another study, or can't be written.
    """
    plan = SheetPlan() if plan is None else plan
    with work("sheet", [scenario], plan, path, overwrite=overwrite, in_parts=False) as kept:
        if kept.result is None:
            kept.finish(_sheet(scenario, plan), command=command)
        return cast("Sheet", kept.result)


def _sheet(scenario: Scenario, plan: SheetPlan) -> Sheet:
    cooker = build_cooker(scenario)
    facets = cooker.facets
    # the sheet is how it should be, so the rig's own errors are left out
    rig = replace(tolerances_from_scenario(scenario).rig, altitude_bias=0.0, azimuth_bias=0.0)
    point = rig.kind == "point"
    stand = laser_stand(cooker, rig) if point else None
    # set by angle, a facet's spot lies off the aim by what the glass shifts it
    by_angle = scenario.errors.set_by == "angle"
    mark = laser_spots(cooker, rig) if point or by_angle else cooker.aim
    names, heights = _corner_heights(facets)
    lean = np.arctan2(facets.n[:, 0], facets.n[:, 1]) % (2.0 * np.pi)
    level = cooker.facet_tilt < LEVEL
    lowest, highest = _ends(names, heights, lean, level)
    laser = _laser_table(cooker, rig.kind, stand, plan.distances, scenario.platform.thickness)
    ways = clear_ways(
        cooker, cooker.design_sun, mark, beam=plan.beam, unset=plan.unset, stand=stand
    )
    mark_on_base = ((mark - cooker.pot.base) @ cooker.pot.frame.T)[:, :2]
    return Sheet(
        scenario=scenario,
        plan=plan,
        tilt=cooker.facet_tilt,
        lean=np.where(level, np.nan, lean),
        corner_name=names,
        corner_height=heights,
        lowest=lowest,
        highest=highest,
        distance=np.linalg.norm(mark - facets.c, axis=1),
        mark=mark,
        mark_on_base=mark_on_base,
        laser=laser,
        gauges=tuple(shadow_gauge(float(alpha), plan.uprights) for alpha in laser.altitude),
        ways=ways,
        materials=materials_of(scenario, cooker),
        rings=target_rings(scenario, mark_on_base) if plan.rings else None,
        angle=angle_found(scenario, plan.proofs, reading=plan.reading) if plan.proofs else None,
    )


def shadow_gauge(altitude: float, uprights: Sequence[float]) -> ShadowGauge:
    """Shadows of uprights under a sun at this altitude above the platform.

    Parameters
    ----------
    altitude : float
        [rad]
    uprights : sequence of float
        [m]

    Returns
    -------
    ShadowGauge

    Raises
    ------
    GeometryError
        If an upright is not positive, or the sun not between horizon and zenith.

    Notes
    -----
    An upright h throws a shadow h / tan α, so a length read wrong by e means an altitude wrong by
    e sin² α / h: elementary trigonometry. The end fades over the difference of the shadows that
    the disc's upper and lower edge throw; the figures hold for its middle.

    Examples
    --------
    >>> float(shadow_gauge(np.pi / 4, [0.2]).shadow[0].round(9))
    0.2
    """
    h = np.asarray(uprights, dtype=float)
    if not (np.isfinite(h).all() and (h > 0.0).all()):
        raise GeometryError("an upright must be a finite length greater than 0")
    if not SUN_RADIUS < altitude < 0.5 * np.pi - SUN_RADIUS:
        raise GeometryError("a shadow gauge needs a sun between the horizon and overhead")
    shadow = h / np.tan(altitude)
    return ShadowGauge(
        altitude=altitude,
        upright=h,
        shadow=shadow,
        per_length=np.sin(altitude) ** 2 / h,
        sideways=1.0 / shadow,
        blur=h / np.tan(altitude - SUN_RADIUS) - h / np.tan(altitude + SUN_RADIUS),
    )


def _laser_table(
    cooker: Cooker, kind: str, stand: Array | None, distances: Sequence[float], thickness: float
) -> LaserTable:
    here = cooker.facets.present
    # suns of zones are stated, so equal ones are equal to rounding
    altitudes = np.round(np.arcsin(np.clip(cooker.design_sun[here, 2], -1.0, 1.0)), 12)
    altitude, count = np.unique(altitudes, return_counts=True)
    d = np.asarray(distances, dtype=float)
    if not (np.isfinite(d).all() and (d > 0.0).all()):
        raise GeometryError("the laser's distances must be finite lengths greater than 0")
    z = cooker.facets.c[here, 2]
    return LaserTable(
        kind=kind,
        altitude=altitude,
        n_facets=count,
        distance=d,
        height=np.tan(altitude)[:, None] * d,
        per_length=np.cos(altitude)[:, None] ** 2 / d,
        mirror_height=np.array([z.min(), z.max()]),
        thickness=thickness,
        stand=stand,
    )


def corner_names(facets: Facets) -> tuple[str, ...]:
    """Names of the corners of facets that are all of one shape.

    Parameters
    ----------
    facets : Facets

    Returns
    -------
    tuple of str
        In the order of `Facets.corners`; of two points on the rim of round ones.
    """
    if facets.shape[0] == DISC:
        return RIM
    return tuple(HEXAGON_CORNERS if facets.shape[0] == HEXAGON else RECTANGLE_CORNERS)


def _corner_heights(facets: Facets) -> tuple[tuple[str, ...], Array]:
    """Names of the corners, and their heights, shape (F, k). [m]"""
    names = corner_names(facets)
    if names == RIM:
        # the rim's lowest and highest point lie down and up the slope
        drop = facets.half_u * np.hypot(facets.n[:, 0], facets.n[:, 1])
        return names, facets.c[:, 2:] + np.stack([-drop, drop], axis=1)
    numbers = HEXAGON_CORNERS if len(names) == 6 else RECTANGLE_CORNERS
    pick = [numbers[name] for name in names]
    return names, np.stack([facets.corners(f)[pick, 2] for f in range(len(facets))])


def _ends(
    names: tuple[str, ...], heights: Array, lean: Array, level: NDArray[np.bool_]
) -> tuple[NDArray[np.str_], NDArray[np.str_]]:
    """Which corner or side of each facet is lowest, and which highest."""
    lowest, highest = [], []
    for h, azimuth, flat in zip(heights, lean, level, strict=True):
        if flat:
            lowest.append("level")
            highest.append("level")
        elif names == RIM:
            lowest.append(f"at {np.degrees(azimuth):.0f}°")
            highest.append(f"at {(np.degrees(azimuth) + 180.0) % 360.0:.0f}°")
        else:
            lowest.append(_side([names[k] for k in np.flatnonzero(h < h.min() + ALIKE)]))
            highest.append(_side([names[k] for k in np.flatnonzero(h > h.max() - ALIKE)]))
    return np.array(lowest), np.array(highest)


def _side(corners: list[str]) -> str:
    return SIDES.get(frozenset(corners), " and ".join(corners))


@dataclass(frozen=True, eq=False)
class Wedges:
    """Blocks that hold facets at their tilt, in place of mounts.

    A block stands upright on the platform over a square whose sides run along the platform's x and
    y. Its top is the plane of the mirror's back; the middle of its top is where the middle of the
    mirror goes.

    Attributes
    ----------
    facet : ndarray of int64, shape (W,)
        Which facets they are for. [1]
    label : tuple of str
    place : ndarray, shape (W, 2)
        Middle of the square, platform x and y. [m]
    size : float
        Side of the square. [m]
    glass : float
        From the mirror's back to its front. [m]
    n : ndarray, shape (W, 3)
        Unit normals of the tops. [1]
    height : ndarray, shape (W, 4)
        Above the platform at the square's corners: (-x, -y), (+x, -y), (+x, +y), (-x, +y). [m]
    """

    facet: NDArray[np.int64]
    label: tuple[str, ...]
    place: Array
    size: float
    glass: float
    n: Array
    height: Array


def make_wedges(cooker: Cooker, *, size: float | None = None, glass: float = 3e-3) -> Wedges:
    """Work out the blocks that hold a cooker's facets.

    Parameters
    ----------
    cooker : Cooker
        Exactly set.
    size : float, optional
        Side of their square. Default: half the facets' smallest width, 60 mm at most. [m]
    glass : float
        From the mirror's back to its front. [m]

    Returns
    -------
    Wedges
        For the facets that are present.

    Raises
    ------
    GeometryError
        If a size makes no sense, or some mirror's back lies too near the platform.
    """
    facets = cooker.facets
    here = np.flatnonzero(facets.present)
    width = float(np.minimum(facets.half_u, facets.half_v)[here].min()) * 2.0
    side = min(0.5 * width, 0.06) if size is None else size
    if not (np.isfinite(side) and 0.01 <= side <= 0.3):
        raise GeometryError("a wedge's side must lie between 10 mm and 300 mm")
    if not (np.isfinite(glass) and glass >= 0.0):
        raise GeometryError("the mirror's thickness must be a finite length, 0 or more")
    n = facets.n[here]
    back = facets.c[here] - glass * n
    dx, dy = 0.5 * side * np.array([[-1.0, 1.0, 1.0, -1.0], [-1.0, -1.0, 1.0, 1.0]])
    height = back[:, 2:] - (n[:, :1] * dx + n[:, 1:2] * dy) / n[:, 2:]
    low = [facets.label[here[k]] for k in np.flatnonzero(height.min(axis=1) < THINNEST)]
    if low:
        more = f" and {len(low) - 4} more" if len(low) > 4 else ""
        raise GeometryError(
            f"a wedge of {1e3 * side:.0f} mm for {', '.join(low[:4])}{more} would be thinner than "
            f"{1e3 * THINNEST:.0f} mm at its lowest corner. Make it smaller, or raise "
            "facets.mount_height."
        )
    return Wedges(
        facet=here,
        label=tuple(facets.label[f] for f in here),
        place=back[:, :2],
        size=side,
        glass=glass,
        n=n,
        height=height,
    )
