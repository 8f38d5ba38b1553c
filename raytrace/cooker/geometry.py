"""The cooker as arrays in the platform frame: facets, mirror, pot and where the light is aimed.

Platform frame: origin at the centre of the platform's top, +y the heading, +x to its right,
+z the platform's normal; metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker import collision as solids
from raytrace.cooker.aiming import aim_normals, axes, direction, unit
from raytrace.cooker.mirror import Mirror, check_share, mirror_from_scenario
from raytrace.exceptions import GeometryError, Problem, ScenarioError
from raytrace.scenario.tables import facet_label, known_label

if TYPE_CHECKING:
    from raytrace.scenario.cooker_sections import Facets as FacetKeys
    from raytrace.scenario.cooker_sections import Platform
    from raytrace.scenario.schema import Scenario

__all__ = [
    "DISC",
    "HEXAGON",
    "RECTANGLE",
    "Cooker",
    "Facets",
    "Pot",
    "build_cooker",
    "cooker_from_arrays",
    "geometry_problems",
    "in_board",
    "named",
    "set_exactly",
]

Array = NDArray[np.float64]

RECTANGLE, DISC, HEXAGON = 0, 1, 2
SHAPES = {"rectangular": RECTANGLE, "round": DISC, "hexagonal": HEXAGON}
GLASS_STEPS = 8
TOUCH = 1e-6  # depth at which a corner still counts as on the board [m]
ROUND_CORNERS = 48  # polygon that stands for a round facet in pictures and clearance checks


def _regular(k: int) -> tuple[Array, Array]:
    around = np.arange(k) * (2.0 * np.pi / k)
    return np.cos(around), np.sin(around)


# Corners in half-sizes along u and v, and the share of their circle that the half-size reaches.
_PATTERNS: dict[int, tuple[Array, Array, float]] = {
    RECTANGLE: (np.array([1.0, -1.0, -1.0, 1.0]), np.array([1.0, 1.0, -1.0, -1.0]), 1.0),
    DISC: (*_regular(ROUND_CORNERS), float(np.cos(np.pi / ROUND_CORNERS))),
    HEXAGON: (*_regular(6), 1.0),
}


@dataclass(frozen=True, eq=False)
class Facets:
    """Flat mirrors, one row of each array per facet, platform frame.

    Attributes
    ----------
    mount : ndarray, shape (F, 3)
        Turning centres. [m]
    mount_radius : ndarray, shape (F,)
        From the turning centre to the front face. [m]
    n, u, v : ndarray, shape (F, 3)
        Unit normal of the front, and the axes of the half-sizes; v = n × u. [1]
    half_u, half_v : ndarray, shape (F,)
        Half-width and half-height; circumradius of a hexagon, radius of a round facet. [m]
    shape : ndarray of int8, shape (F,)
        RECTANGLE, DISC or HEXAGON (regular, two corners on the ±u axis).
    reflectance : ndarray, shape (F,)
        Facet's own share of the mirror's reflectance; 1 for a facet like the others. [1]
    present : ndarray of bool, shape (F,)
        False for a facet that is missing or broken: it has no area.
    row, column : ndarray of int64, shape (F,)
        Place in the array, from 1; with the seed they key all random draws. [1]
    label : tuple of str
        Name of each facet on sheets and tables.
    """

    mount: Array
    mount_radius: Array
    n: Array
    u: Array
    v: Array
    half_u: Array
    half_v: Array
    shape: NDArray[np.int8]
    reflectance: Array
    present: NDArray[np.bool_]
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    label: tuple[str, ...]

    DIMS: ClassVar = {"F": "facet"}

    def __len__(self) -> int:
        return len(self.label)

    @property
    def c(self) -> Array:
        """Centres of the front faces, shape (F, 3). [m]"""
        return self.mount + self.mount_radius[:, None] * self.n

    @property
    def area(self) -> Array:
        """Area of each facet, 0 where it is missing, shape (F,). [m²]"""
        by_shape = np.stack(
            [
                4.0 * self.half_u * self.half_v,
                np.pi * self.half_u**2,
                1.5 * np.sqrt(3.0) * self.half_u**2,
            ]
        )
        return np.where(self.present, by_shape[self.shape, np.arange(len(self))], 0.0)

    def corners(self, f: int) -> Array:
        """Outline of one facet; a round one as a polygon around it.

        Parameters
        ----------
        f : int
            Its row.

        Returns
        -------
        ndarray, shape (k, 3)
            Corners in order. [m]
        """
        return np.asarray(self.outlines(np.array([f]))[0])

    def outlines(self, which: NDArray[np.int64]) -> Array:
        """Outlines of some facets; round ones as polygons around them.

        Parameters
        ----------
        which : ndarray of int
            Their rows.

        Returns
        -------
        ndarray, shape (len(which), k, 3)
            Corners in order; short outlines repeat their last. [m]
        """
        shape = self.shape[which]
        k = max((len(_PATTERNS[int(x)][0]) for x in set(shape.tolist())), default=0)
        a, b = np.empty((2, len(which), k))
        for kind in set(shape.tolist()):
            along, across, within = _PATTERNS[kind]
            some = shape == kind
            corner = np.minimum(np.arange(k), len(along) - 1)
            r = self.half_u[which][some] / within
            q = self.half_v[which][some] if kind == RECTANGLE else r
            a[some], b[some] = r[:, None] * along[corner], q[:, None] * across[corner]
        u, v = self.u[which, None], self.v[which, None]
        return np.asarray(self.c[which, None] + a[..., None] * u + b[..., None] * v)


@dataclass(frozen=True, eq=False)
class Pot:
    """Base disc, side and lid, platform frame.

    Attributes
    ----------
    base : ndarray, shape (3,)
        Centre of the base. [m]
    axis : ndarray, shape (3,)
        Unit vector from base to lid; the base faces the other way. [1]
    R, height : float
        Radius of the base, height of the side. [m]
    absorptance_base, absorptance_side, absorptance_lid : float
        Share of the arriving light that each takes up. [1]
    covered : float
        Share of the base that a grate covers. [1]
    posts : ndarray, shape (K, 6)
        Boxes that hold the pot, in the stand's frame (origin at the base's centre, z along the
        axis): low corner and high corner. [m]
    turn : float
        How far the stand is turned about the axis from the pot's frame, clockwise seen from the
        lid. [rad]
    stand : str
        "platform": moves and tilts with the platform. "ground": stays put and level.
    levelled : bool
        On the platform, but its base is kept horizontal about its centre.
    """

    base: Array
    axis: Array
    R: float
    height: float
    absorptance_base: float = 0.9
    absorptance_side: float = 0.9
    absorptance_lid: float = 0.5
    covered: float = 0.0
    posts: Array = field(default_factory=lambda: np.zeros((0, 6)))
    turn: float = 0.0
    stand: str = "platform"
    levelled: bool = False

    DIMS: ClassVar = {"K": "post"}

    def __post_init__(self) -> None:
        base, axis, posts = (np.asarray(x, dtype=float) for x in (self.base, self.axis, self.posts))
        if base.shape != (3,) or axis.shape != (3,) or not np.isfinite([base, axis]).all():
            raise GeometryError("the pot's base and axis must be three finite numbers each")
        if not axis.any():
            raise GeometryError("the pot's axis must not be zero")
        if not (0.0 < self.R < np.inf and 0.0 <= self.height < np.inf):
            raise GeometryError("the pot needs a positive radius and a height of 0 or more")
        for name in ("absorptance_base", "absorptance_side", "absorptance_lid", "covered"):
            check_share(f"the pot's {name}", getattr(self, name))
        if posts.ndim != 2 or posts.shape[1] != 6 or not np.isfinite(posts).all():
            raise GeometryError(f"posts {posts.shape} must be finite and of shape (K, 6)")
        if (posts[:, :3] > posts[:, 3:]).any():
            raise GeometryError("a post's low corner lies above its high corner")
        if not np.isfinite(self.turn):
            raise GeometryError("the stand's turn must be finite")
        if self.stand not in ("platform", "ground"):
            raise GeometryError(f'stand {self.stand!r} must be "platform" or "ground"')

    @property
    def frame(self) -> Array:
        """Pot's frame: rows are its axes x, y, z in the platform frame, shape (3, 3).

        z runs from base to lid; y is the platform's y as near as z allows.
        """
        return pot_frames(self.axis)

    @property
    def stand_axes(self) -> Array:
        """The stand's axes, rows, in the pot's frame, shape (3, 3)."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])

    @property
    def stand_frame(self) -> Array:
        """The frame that the posts are square to, as `frame` has the pot's, shape (3, 3)."""
        return self.stand_axes @ self.frame

    @property
    def feet(self) -> Array:
        """Middles of the posts' lower ends, pot's frame, shape (K, 3). [m]"""
        low, high = self.posts[:, :3], self.posts[:, 3:]
        return np.column_stack([0.5 * (low + high)[:, :2], low[:, 2]]) @ self.stand_axes


def pot_frames(axis: Array) -> Array:
    """Frames of pots with these axes, shape (..., 3, 3); see `Pot.frame`.

    Parameters
    ----------
    axis : ndarray, shape (..., 3)
        Unit vectors from base to lid.
    """
    # a base that faces along the platform's y has its own y near the platform's z instead
    along_y = np.abs(axis[..., 1:2]) > 0.999
    near = np.where(along_y, [0.0, 0.0, 1.0], [0.0, 1.0, 0.0])
    y = unit(near - (near * axis).sum(-1, keepdims=True) * axis)
    return np.stack([np.cross(y, axis), y, axis], axis=-2)


@dataclass(frozen=True, eq=False)
class Cooker:
    """Everything that light can meet, and what the facets were set for.

    Attributes
    ----------
    facets : Facets
    pot : Pot
    mirror : Mirror
        What the surface does to light.
    design_sun : ndarray, shape (F, 3)
        Direction to the sun that each facet is set for. [1]
    aim : ndarray, shape (F, 3)
        Point that each facet is aimed at. [m]
    hinge : ndarray, shape (2,)
        y and z of the axis about which the platform tilts. [m]
    extent : ndarray, shape (4,)
        x_min, x_max, y_min, y_max of the board. [m]
    thickness : float
        Of the board, whose top is z = 0. [m]
    """

    facets: Facets
    pot: Pot
    mirror: Mirror
    design_sun: Array
    aim: Array
    hinge: Array
    extent: Array
    thickness: float = 0.0

    DIMS: ClassVar = {"F": "facet"}

    @property
    def mirror_area(self) -> float:
        """Area of all facets that are present. [m²]"""
        return float(self.facets.area.sum())

    @property
    def span(self) -> Array:
        """The board's edges, moved out to where facets hang over them, shape (4,). [m]"""
        outline = self.facets.outlines(np.arange(len(self.facets)))[..., :2]
        low = np.minimum(self.extent[::2], outline.min((0, 1)))
        high = np.maximum(self.extent[1::2], outline.max((0, 1)))
        return np.stack([low, high], axis=1).ravel()

    @property
    def aim_distance(self) -> Array:
        """From each facet's centre to its aim point, shape (F,). [m]"""
        return np.asarray(np.linalg.norm(self.aim - self.facets.c, axis=1))

    @property
    def facet_tilt(self) -> Array:
        """Angle between each facet's normal and the platform's, shape (F,). [rad]"""
        return np.arccos(np.clip(self.facets.n[:, 2], -1.0, 1.0))


def build_cooker(scenario: Scenario) -> Cooker:
    """Build the cooker that a scenario describes, exactly set.

    Parameters
    ----------
    scenario : Scenario
        From `load_scenario`.

    Returns
    -------
    Cooker
        Every facet aimed exactly: by laser with the light's way through the glass, by angle as if
        there were none. `raytrace.cooker.tolerances.as_built` adds what a workshop
        does to it.

    Raises
    ------
    ScenarioError
        If the geometry is impossible; all problems at once.
    """
    row, column, mount, label = _places(scenario)
    F = len(row)
    s = scenario
    facets = s.facets
    base = np.array([*np.subtract(s.pot.place, s.platform.middle), s.pot.base_height])
    design_sun = np.tile(direction(s.design.sun_altitude), (F, 1))
    offset = np.tile([*s.aim.offset, 0.0], (F, 1))
    for zone in s.aim.zones:
        rows = zone.rows or (1, max(row, default=1))
        columns = zone.columns or (1, max(column, default=1))
        inside = (row >= rows[0]) & (row <= rows[1]) & (column >= columns[0])
        inside &= column <= columns[1]
        if zone.sun_altitude is not None:
            design_sun[inside] = direction(zone.sun_altitude)
        if zone.offset is not None:
            offset[inside, :2] = zone.offset
    aim = base + offset
    radius = np.full(F, facets.mount_radius)
    mirror = mirror_from_scenario(s.mirror)
    by_laser = s.errors.set_by == "laser"
    try:
        n = aim_normals(mount, radius, design_sun, aim, mirror=mirror if by_laser else None)
        u, v = axes(n)
    except GeometryError as error:
        nearest = float(np.linalg.norm(aim - mount, axis=1)[list(error.facets)].min())
        who = f"facets {named([label[f] for f in error.facets])}: {error}"
        if facets.mount_radius > 0.3 * nearest:
            problem = Problem(
                "facets.mount_radius",
                f" = {1e3 * facets.mount_radius:.4g} mm: {who} ({1e3 * nearest:.0f} mm). "
                "Write a smaller one, or move the pot away (pot.place, pot.base_height).",
            )
        else:
            mend = "Move the pot (pot.place, pot.base_height) or choose another design.sun_altitude"
            problem = Problem("pot.place", f": {who}. {mend}.")
        raise ScenarioError(s.source, [problem]) from error
    told = {known_label(name, label) or name: state for name, state in facets.states.items()}
    states = [told.get(name) for name in label]
    built = Facets(
        mount=mount,
        mount_radius=radius,
        n=n,
        u=u,
        v=v,
        half_u=np.full(F, facets.half_u),
        half_v=np.full(F, facets.half_v),
        shape=np.full(F, SHAPES[facets.shape], dtype=np.int8),
        reflectance=np.array([1.0 if x is None else x.reflectance for x in states]),
        present=np.array([x is None or x.state == "ok" for x in states]),
        row=row,
        column=column,
        label=label,
    )
    platform = s.platform
    extent = _board(platform, built)
    hinge = np.array(
        [
            extent[2] if platform.hinge_y is None else platform.hinge_y - platform.middle[1],
            -platform.thickness if platform.hinge_z is None else platform.hinge_z,
        ]
    )
    cooker = Cooker(
        facets=built,
        pot=_pot(scenario, base),
        mirror=mirror,
        design_sun=design_sun,
        aim=aim,
        hinge=hinge,
        extent=extent,
        thickness=platform.thickness,
    )
    problems = [
        Problem(f"facets.states: {name}", "no facet has this label")
        for name in sorted(set(told) - set(label))
    ]
    problems += geometry_problems(cooker) or _in_board(cooker, facets, by_laser=by_laser)
    if problems:
        raise ScenarioError(s.source, problems)
    return cooker


def set_exactly(cooker: Cooker, *, by_laser: bool) -> Cooker:
    """Set all facets anew without any error.

    Parameters
    ----------
    cooker : Cooker
    by_laser : bool
        Whose beam goes through the glass as the sun's does, so that its shift is made up for at
        each facet's centre. Angles are those of a mirror without glass.

    Returns
    -------
    Cooker
    """
    f = cooker.facets
    mirror = cooker.mirror if by_laser else None
    n = aim_normals(f.mount, f.mount_radius, cooker.design_sun, cooker.aim, mirror=mirror)
    u, v = axes(n, roll_of(f))
    return replace(cooker, facets=replace(f, n=n, u=u, v=v))


def roll_of(facets: Facets) -> Array:
    """Roll that facets have by design, shape (F,): 0 from a scenario, any from a user's arrays.

    Parameters
    ----------
    facets : Facets
    """
    u0, v0 = axes(facets.n)
    return np.asarray(np.arctan2((facets.u * v0).sum(1), (facets.u * u0).sum(1)))


def _board(platform: Platform, facets: Facets) -> Array:
    """Edges of the board: as stated, or round all facets."""
    outline = facets.outlines(np.arange(len(facets)))[..., :2]
    edges = np.stack([outline.min((0, 1)), outline.max((0, 1))], axis=1)
    edges += [-platform.margin, platform.margin]
    for axis, size in enumerate((platform.width, platform.depth)):
        if size is not None:
            edges[axis] = -0.5 * size, 0.5 * size
    return np.asarray(edges.ravel())


def _places(
    scenario: Scenario,
) -> tuple[NDArray[np.int64], NDArray[np.int64], Array, tuple[str, ...]]:
    facets, middle = scenario.facets, scenario.platform.middle
    if facets.layout == "places":
        places = facets.places
        row = np.array([p.row for p in places], dtype=np.int64)
        column = np.array([p.column for p in places], dtype=np.int64)
        height = facets.mount_height
        mount = np.array([[p.x, p.y, height if p.z is None else p.z] for p in places])
        return row, column, mount - [*middle, 0.0], tuple(p.label for p in places)
    rows, columns = facets.rows, facets.columns
    row, column = (a.ravel() + 1 for a in np.divmod(np.arange(rows * columns), columns))
    x = (column - 0.5 * (columns + 1)) * facets.pitch_x
    if facets.layout == "staggered":
        # half the shift each way keeps the array's middle where it was
        x = x + np.where(row % 2 == 0, 0.25, -0.25) * facets.pitch_x
    y = (0.5 * (rows + 1) - row) * facets.pitch_y
    z = facets.mount_height + (row - 1) * facets.row_rise
    dx, dy = np.subtract(facets.centre, middle)
    mount = np.stack([x + dx, y + dy, z], axis=1)
    label = tuple(facet_label(int(r), int(c)) for r, c in zip(row, column, strict=True))
    return row.astype(np.int64), column.astype(np.int64), mount, label


def _pot(scenario: Scenario, base: Array) -> Pot:
    pot = scenario.pot
    support = pot.support
    drop = support.post_drop
    if drop is None:
        # down to what the pot stands on: the platform's top, or the ground under the platform
        below = scenario.platform.thickness if pot.stand == "ground" else 0.0
        drop = max(pot.base_height + below, 0.0)
    around = (np.arange(support.posts) + 0.5) * (2.0 * np.pi / max(support.posts, 1))
    foot = 0.5 * support.post_circle * np.stack([np.cos(around), np.sin(around)], axis=1)
    half = 0.5 * support.post_width
    posts = np.column_stack(
        [foot - half, np.full(len(foot), -drop), foot + half, np.zeros(len(foot))]
    )
    return Pot(
        base=base,
        axis=np.array([0.0, 0.0, 1.0]),
        R=0.5 * pot.diameter,
        height=pot.height,
        absorptance_base=pot.absorptance_base,
        absorptance_side=pot.absorptance_side,
        absorptance_lid=pot.absorptance_lid,
        covered=support.covers,
        posts=posts,
        turn=support.post_turn,
        stand=pot.stand,
        levelled=pot.levelled,
    )


def cooker_from_arrays(
    *,
    centers: ArrayLike,
    normals: ArrayLike,
    half_sizes: ArrayLike,
    pot: Pot,
    mirror: Mirror,
    axes_u: ArrayLike | None = None,
    shapes: ArrayLike | str = "rectangular",
    reflectance: ArrayLike = 1.0,
    labels: Sequence[str] | None = None,
) -> Cooker:
    """Build a cooker from arrays of one's own, without a scenario file.

    Parameters
    ----------
    centers : array_like, shape (F, 3)
        Centres of the front faces, platform frame. [m]
    normals : array_like, shape (F, 3)
        Normals of the fronts; need not have length 1.
    half_sizes : array_like, shape (F, 2), (2,) or scalar
        Half-width and half-height; for round facets the radius, for hexagons the circumradius.
        [m]
    pot : Pot
        Base, side and lid.
    mirror : Mirror
        What the surface does to light.
    axes_u : array_like, shape (F, 3), optional
        Direction of the half-widths; made square to the normals. Default: the platform's x axis.
    shapes : str or sequence of str
        "rectangular", "round" or "hexagonal", one for all or one per facet.
    reflectance : array_like, shape (F,) or scalar
        Facet's own share of the mirror's reflectance.
    labels : sequence of str, optional
        Names; default 1, 2, 3 …

    Returns
    -------
    Cooker
        Traced as it is: nothing is aimed. Its `design_sun` is the direction from which the light
        would go from each facet's centre to the middle of the base.

    Raises
    ------
    GeometryError
        If arrays don't match, or hold values that describe no facet.
    """
    c = np.array(centers, dtype=float, ndmin=2)
    n = np.array(normals, dtype=float, ndmin=2)
    F = len(c)
    if c.shape != (F, 3) or n.shape != (F, 3):
        raise GeometryError(f"centers {c.shape} and normals {n.shape} must both be (F, 3)")
    try:
        half = np.broadcast_to(np.asarray(half_sizes, dtype=float), (F, 2)).copy()
        own = np.broadcast_to(np.asarray(reflectance, dtype=float), (F,)).copy()
        names = np.broadcast_to(np.asarray(shapes), (F,))
    except ValueError as error:
        raise GeometryError(f"half_sizes, shapes or reflectance don't fit {F} facets") from error
    unknown = sorted(set(map(str, names)) - set(SHAPES))
    if unknown:
        raise GeometryError(f"shape {unknown[0]!r} is none of {', '.join(SHAPES)}")
    if not (
        np.isfinite(c).all() and np.isfinite(n).all() and (np.linalg.norm(n, axis=1) > 0).all()
    ):
        raise GeometryError("centers and normals must be finite, and normals not zero")
    if not (np.isfinite(half).all() and (half > 0).all()):
        raise GeometryError("half_sizes must be positive")
    if not ((own >= 0.0) & (own <= 1.0)).all():
        raise GeometryError("reflectance must lie in 0 to 1")
    if labels is not None and len(labels) != F:
        raise GeometryError(f"{len(labels)} labels for {F} facets")
    n = unit(n)
    if axes_u is None:
        u, v = axes(n)
    else:
        try:
            given = np.broadcast_to(np.asarray(axes_u, dtype=float), (F, 3))
        except ValueError as error:
            raise GeometryError(f"axes_u doesn't fit {F} facets") from error
        u = given - n * (n * given).sum(1, keepdims=True)
        if not (np.linalg.norm(u, axis=1) >= 1e-9).all():
            raise GeometryError("axes_u runs along a normal, or isn't finite")
        u = unit(u)
        v = np.cross(n, u)
    facets = Facets(
        mount=c,
        mount_radius=np.zeros(F),
        n=n,
        u=u,
        v=v,
        half_u=half[:, 0],
        half_v=half[:, 1],
        shape=np.array([SHAPES[str(name)] for name in names], dtype=np.int8),
        reflectance=own,
        present=np.ones(F, dtype=bool),
        row=np.arange(1, F + 1),
        column=np.ones(F, dtype=np.int64),
        label=tuple(labels) if labels is not None else tuple(str(f + 1) for f in range(F)),
    )
    pot = replace(pot, base=np.array(pot.base, dtype=float), axis=unit(np.array(pot.axis, float)))
    aim = np.tile(pot.base, (F, 1))
    design_sun = n
    for _ in range(GLASS_STEPS):  # each brings the light's exit nearer by the glass over the way
        to_aim = unit(aim - c - mirror.shift(n, design_sun))
        design_sun = 2.0 * (n * to_aim).sum(1, keepdims=True) * n - to_aim
    outline = facets.outlines(np.arange(F))
    low, high = outline.min((0, 1)), outline.max((0, 1))
    return Cooker(
        facets=facets,
        pot=pot,
        mirror=mirror,
        design_sun=design_sun,
        aim=aim,
        hinge=np.array([low[1], 0.0]),
        extent=np.array([low[0], high[0], low[1], high[1]]),
    )


MOST_CUTS = 100  # pairs of facets found to cut each other before the search ends
MOST_NAMED = 4  # labels named in one message before "and n more"


def named(labels: Sequence[str]) -> str:
    """Labels as a message names them: the first few, and how many more there are.

    Parameters
    ----------
    labels : sequence of str

    Returns
    -------
    str

    Examples
    --------
    >>> named(["A1", "A2", "A3", "A4", "A5", "A6"])
    'A1, A2, A3, A4 and 2 more'
    """
    shown = ", ".join(labels[:MOST_NAMED])
    more = len(labels) - MOST_NAMED
    return f"{shown} and {more} more" if more > 0 else shown


def geometry_problems(cooker: Cooker) -> list[Problem]:
    """What makes a cooker impossible to build or to light: one problem a kind, facets named.

    Parameters
    ----------
    cooker : Cooker
        Perfectly set, platform at zero tilt.

    Returns
    -------
    list of Problem
        Empty if the cooker can be built.
    """
    facets, pot = cooker.facets, cooker.pot
    problems = []
    if not facets.present.any():
        return [Problem("facets.states", "no facet is left: every one is missing or broken")]
    bevel = cooker.mirror.bevel
    half_v = np.where(facets.shape == HEXAGON, 0.5 * np.sqrt(3.0) * facets.half_u, facets.half_v)
    narrowest = 2.0 * float(np.minimum(facets.half_u, half_v).min())
    if 2.0 * bevel >= narrowest:
        problems.append(
            Problem(
                "mirror.bevel",
                f" = {1e3 * bevel:.4g} mm: nothing is left between the bevels of a mirror "
                f"{1e3 * narrowest:.4g} mm across. Write less than {500.0 * narrowest:.4g} mm.",
            )
        )

    z = pot.base[2]
    if z <= 0.0:
        problems.append(
            Problem(
                "pot.base_height",
                f" = {1e3 * z:.0f} mm: the pot's base would lie in or under the platform, where no "
                "mirror sends light. Write how far it stands above the platform's top.",
            )
        )

    def labels(which: NDArray[np.bool_]) -> list[str]:
        return [facets.label[f] for f in np.flatnonzero(which & facets.present)]

    to_aim = unit(cooker.aim - facets.c)
    down = labels(facets.n[:, 2] <= 0.0)
    if down:
        problems.append(
            Problem(
                "pot.place",
                f": facets {named(down)} would have to face down into the platform to send the "
                "light there. Raise the pot, move it away from the sun's side, or choose another "
                "design.sun_altitude.",
            )
        )
    above = labels(to_aim @ pot.axis <= 0.0)
    if above:
        problems.append(
            Problem(
                "pot.base_height",
                f" = {1e3 * z:.0f} mm: the base faces down, but facets {named(above)} lie level "
                "with it or above, so their light can't reach it. Raise the pot or lower "
                "facets.mount_height.",
            )
        )
    facing = np.minimum((facets.n * cooker.design_sun).sum(1), (facets.n * to_aim).sum(1))
    behind = labels(facing <= 1e-6)
    if behind:
        problems.append(
            Problem(
                "aim",
                f": facets {named(behind)} would need light from behind the mirror. "
                "Change pot.place, aim.offset or design.sun_altitude.",
            )
        )
    return problems + _cuts(facets, pot, np.flatnonzero(facets.present))


def in_board(cooker: Cooker) -> Array:
    """How deep each facet reaches under the board's top.

    Parameters
    ----------
    cooker : Cooker

    Returns
    -------
    ndarray, shape (F,)
        Of what lies within the board's edges; 0 where all of that is above the top. [m]
    """
    outlines = cooker.facets.outlines(np.arange(len(cooker.facets)))
    deep = -outlines[..., 2].min(axis=1)
    for f in np.flatnonzero(deep > TOUCH):
        part = outlines[f]
        for low, high in cooker.extent.reshape(2, 2):
            part = solids.clip_to_slab(np.roll(part, -1, axis=1), low, high)
        # twice rolled, z comes first
        deep[f] = -part[:, 0].min() if len(part) else 0.0
    return np.where(deep > TOUCH, deep, 0.0)


def _in_board(cooker: Cooker, asked: FacetKeys, *, by_laser: bool) -> list[Problem]:
    """Facets that cut into the board, and the least height that frees them all."""
    facets = cooker.facets
    here = np.flatnonzero(facets.present)

    def depths(rise: float) -> Array:
        """How far each facet's lowest corner is in the board; 0 beyond its edges."""
        mount = facets.mount + np.array([0.0, 0.0, rise])
        moved = replace(cooker, facets=replace(facets, mount=mount))
        return in_board(set_exactly(moved, by_laser=by_laser))[here]

    deep = depths(0.0)
    under = deep > 0.0
    if not under.any():
        return []
    # a raised facet turns a little to keep its aim: look about the rise that its corner lacks
    first = int(np.ceil(1e3 * deep.max()))
    tried = range(max(first - 5, 1), first + 50)
    rise = next((mm for mm in tried if not depths(1e-3 * mm).any()), None)
    who = named([facets.label[f] for f in here[under]])
    depth = 1e3 * deep.max()
    key, mend = "facets.mount_height", "Raise it"
    if any(place.z is not None for place in asked.places):
        key, mend = "facets.places", "Raise the places' z"
        mend = mend if rise is None else f"{mend} by {rise} mm"
    elif rise is not None:
        mend = f'Write "{np.ceil(1e3 * asked.mount_height + rise - 1e-6):.0f} mm" or more'
    now = f" = {1e3 * asked.mount_height:.6g} mm" if key == "facets.mount_height" else ""
    return [
        Problem(
            key,
            f"{now}: facets {who} have corners up to {depth:.0f} mm under the board's top. {mend}.",
        )
    ]


def _cuts(facets: Facets, pot: Pot, present: NDArray[np.int64]) -> list[Problem]:
    """Facets that cut each other, the pot or its posts; the slow exact tests go to few of them."""
    names = [facets.label[f] for f in present]
    outlines, normals = facets.outlines(present), facets.n[present]
    problems = []
    crossing: list[str] = []
    for i, j in solids.pairs_that_may_overlap(outlines, normals):
        if solids.overlap(
            solids.flat_body(facets.corners(int(present[i])), normals[i]),
            solids.flat_body(facets.corners(int(present[j])), normals[j]),
        ):
            crossing.append(f"{names[i]} and {names[j]}")
            if len(crossing) == MOST_CUTS:
                break
    if crossing:
        key = "facets.places" if len(set(facets.column)) == 1 else "facets.pitch_x, facets.pitch_y"
        who = named(crossing)
        if len(crossing) == MOST_CUTS:
            who = f"{', '.join(crossing[:MOST_NAMED])} and many more"
        problems.append(
            Problem(
                key,
                f": facets cut through each other: {who}. Space them further apart "
                "or make them smaller.",
            )
        )
    frame = pot.frame
    in_pot = (outlines - pot.base) @ frame.T
    cut = [
        names[i]
        for i in np.flatnonzero(solids.may_meet_cylinder(in_pot, pot.R, pot.height))
        if solids.distance_from_axis(solids.clip_to_slab(in_pot[i], 0.0, pot.height)) < pot.R
    ]
    if cut:
        problems.append(
            Problem("pot.place", f": the pot cuts through facets {named(cut)}. Move it clear.")
        )
    hit = np.zeros(len(present), dtype=bool)
    frame = pot.stand_frame
    in_stand = (outlines - pot.base) @ frame.T
    for post in pot.posts:
        box = solids.box_body(post[:3], post[3:])
        for i in np.flatnonzero(solids.may_overlap_box(in_stand, post[:3], post[3:]) & ~hit):
            outline = (facets.corners(int(present[i])) - pot.base) @ frame.T
            hit[i] = solids.overlap(solids.flat_body(outline, frame @ normals[i]), box)
    if hit.any():
        cut = [names[i] for i in np.flatnonzero(hit)]
        problems.append(
            Problem(
                "pot.support.posts",
                f": posts cut through facets {named(cut)}. Change pot.support.post_circle, "
                "pot.support.post_turn, pot.support.posts or pot.place.",
            )
        )
    return problems
