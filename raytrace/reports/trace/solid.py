"""Cooker, sun, pot and rays in space, seen from where facets and pot hide least of each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.pose import posed
from raytrace.optics.tally import LINES
from raytrace.reports.common.page import axes_at, figure_of, stacked
from raytrace.reports.common.style import (
    AMBER,
    GREY,
    INK,
    LINE_LOOKS,
    SMALL,
    SUNLIGHT,
    WIDTH,
    colour_range,
    colour_scale,
    heading,
    legend_above,
)
from raytrace.reports.common.units import yard
from raytrace.reports.common.words import LINE_NAMES, point_of
from raytrace.reports.trace.bodies import Scene
from raytrace.reports.trace.side import some_rays
from raytrace.reports.trace.sketch import BOARD, WOOD

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.optics.tracing import Paths
    from raytrace.studies.trace.run import Moment, Run

__all__ = [
    "View",
    "best_view",
    "facet_paint",
    "ground_patch",
    "hidden",
    "ray_lines",
    "solid_figure",
    "watt_colours",
]

Array = NDArray[np.float64]

ALTITUDE = 35.0  # of the eye over the horizon [deg]
# of the eye, clockwise from where the platform faces: askew, so that two edges of the board show,
# and past a sixth and an eighth of a turn, where posts of three and of four hide each other
ASIDE = [quarter + askew for quarter in (0, 90, 180, 270) for askew in (38, 52)]  # [deg]
CLEAR = 0.25  # from the cooker to where rays are drawn from, over its size [1]
PAST = 1.3  # how far a ray that meets nothing is drawn, over its way to the pot [1]
ROOM = 0.06  # for half the words at the sun's arrow, over the picture's size [1]
COLUMNS = 3  # of the legend at least
STEPS = 24  # pieces of a ray or a post, each put before or behind what stands there
LEFT, ACROSS, HIGHEST = 0.35, 5.2, 6.0  # the drawing's place and size on its page [in]
GROUND, SHADOW, BACK = "#eef0ea", "#c9ccc2", "#4a4a4a"
WALL, LID, POST = "#9aa1a870", "#c3c8cc90", "#a2a2a2"


class View(NamedTuple):
    """An eye far away, which sees without perspective.

    Attributes
    ----------
    azimuth, altitude : float
        Where it stands, clockwise from north and over the horizon. [rad]
    """

    azimuth: float
    altitude: float

    @property
    def axes(self) -> Array:
        """To the picture's right, up, and to the eye, as rows in the site's frame, shape (3, 3)."""
        (sa, sh), (ca, ch) = np.sin(self), np.cos(self)
        return np.array([[-ca, sa, 0.0], [-sa * sh, -ca * sh, ch], [sa * ch, ca * ch, sh]])

    def seen(self, points: Array) -> Array:
        """Points across and up the picture, and how near the eye.

        Parameters
        ----------
        points : ndarray, shape (..., 3)
            In the site's frame. [m]

        Returns
        -------
        ndarray, shape (..., 3)
            [m]
        """
        return np.asarray(points @ self.axes.T)


def best_view(scene: Scene) -> View:
    """View that shows most of the facets' fronts, free of the pot and of each other.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    View
    """
    heading = np.arctan2(*scene.ahead[:2])
    views = [View(heading + np.radians(side), np.radians(ALTITUDE)) for side in ASIDE]
    return max(views, key=lambda view: _merit(scene, view))


def _merit(scene: Scene, view: View) -> float:
    eye = view.axes[2]
    f = scene.cooker.facets
    fronts = np.clip(scene.turned(f.n[f.present]) @ eye, 0.0, None)
    free = ~hidden(scene, view)
    along = abs(float(scene.to_sun @ eye))
    under = float(scene.board[5].mean(0) @ eye - scene.board[4].mean(0) @ eye) <= 0.0
    return float((fronts * free).mean()) - 0.8 * max(along - 0.6, 0.0) - 2.0 * under


def hidden(scene: Scene, view: View) -> NDArray[np.bool_]:
    """Facets whose centres the pot hides, or another facet.

    Parameters
    ----------
    scene : Scene
    view : View

    Returns
    -------
    ndarray of bool, shape (P,)
        Of those that are present.
    """
    from shapely import STRtree, points, polygons

    middles = view.seen(scene.mounts[:, 2])
    kinds = [view.seen(p) for p in (scene.facets, scene.wall, scene.lid[None])]
    tree = STRtree(np.concatenate([polygons(p[..., :2]) for p in kinds]))
    who, what = tree.query(points(middles[:, :2]), predicate="within")
    near = np.concatenate([p[..., 2].mean(axis=1) for p in kinds])
    mine = np.arange(len(middles))[who] == what
    out = np.zeros(len(middles), dtype=bool)
    out[who[~mine & (near[what] > middles[who, 2])]] = True
    return out


class Piece(NamedTuple):
    """Something to paint.

    Attributes
    ----------
    points : ndarray, shape (k, 3)
        Corners of a polygon, or a line's, in the site's frame. [m]
    face : colour
        "none" for a line.
    edge : colour
    width : float
        Of the line. [points]
    dashes : line style
    nearer : float
        How much nearer to the eye it counts than its middle. [m]
    """

    points: Array
    face: Any
    edge: Any
    width: float = 0.5
    dashes: Any = "solid"
    nearer: float = 0.0


def ray_lines(scene: Scene, paths: Paths) -> dict[str, Array]:
    """Lines of the rays that are drawn, by where they end.

    Parameters
    ----------
    scene : Scene
    paths : Paths

    Returns
    -------
    dict of str to ndarray, shape (n, 2, 3)
        "sun" is their way to the mirrors, from a plane square to the sun's direction; the others
        are lines of the ledger. [m]
    """
    chosen = some_rays(paths)
    fate = paths.fate[chosen]
    struck, leaves = scene.placed(paths.point[chosen]), scene.placed(paths.leaves[chosen])
    back, ahead = scene.turned(paths.to_sun[chosen]), scene.turned(paths.reflected[chosen])
    sun, span = scene.to_sun, float(np.ptp(scene.points, axis=0).max())
    level = float((scene.points @ sun).max()) + CLEAR * span
    start = struck + ((level - struck @ sun) / (back @ sun))[:, None] * back
    middle = scene.base.mean(axis=0)
    far = PAST * np.linalg.norm(middle - leaves, axis=1)
    length = np.minimum(paths.distance[chosen], far)[:, None]
    shaded = fate == LINES.index("shaded")
    stopped = struck + paths.distance[chosen, None] * back
    out = {"sun": np.stack([start, struck], axis=1)[~shaded]}
    with np.errstate(invalid="ignore"):
        ways = np.where(
            shaded[:, None, None],
            np.stack([start, stopped], axis=1),
            np.stack([leaves, leaves + length * ahead], axis=1),
        )
    for line in np.unique(fate):
        out[LINES[line]] = ways[fate == line]
    return out


def watt_colours(watts: Array) -> Any:
    """Scale of colours by the watts that facets deliver.

    Parameters
    ----------
    watts : ndarray, shape (P,)
        [W]

    Returns
    -------
    matplotlib.cm.ScalarMappable
    """
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    return ScalarMappable(Normalize(*colour_range(watts)), "cividis")


def facet_paint(watts: Array) -> Array:
    """Colour of each facet by its watts; plain glass where none delivers any.

    Parameters
    ----------
    watts : ndarray, shape (P,)
        [W]

    Returns
    -------
    ndarray, shape (P, 4)
        Red, green, blue and cover, 0 to 1.
    """
    from matplotlib.colors import to_rgba

    if watts.max(initial=0.0) > 0.0:
        return np.asarray(watt_colours(watts).to_rgba(watts))
    return np.tile(to_rgba(LID), (len(watts), 1))


def solid_figure(run: Run, moment: Moment | None = None, paths: Paths | None = None) -> Figure:
    """Draw the cooker in space with some rays.

    Parameters
    ----------
    run : Run
    moment : Moment, optional
        Of that run; the brightest by default.
    paths : Paths, optional
        Rays of that moment, by default `run.paths(moment)`; a modest number of them is drawn,
        spread evenly.

    Returns
    -------
    Figure
        Without perspective, so that parallel lengths compare.
    """
    moment = run.brightest if moment is None else moment
    paths = run.paths(moment) if paths is None else paths
    scene = Scene(posed(run.cooker, moment.pose), moment.pose, moment.tally.sun)
    view = best_view(scene)
    watts = moment.tally.facet_delivered.value[scene.cooker.facets.present]
    colours = watt_colours(watts)
    faces = facet_paint(watts)
    lines = ray_lines(scene, paths)
    ground, sunward = ground_patch(scene), _sunward(scene, lines)
    north = _north(scene, view, ground, lines)

    shown = [*lines.values(), north[None], sunward[None], ground[None], scene.points[None]]
    across = view.seen(np.concatenate([e.reshape(-1, 3) for e in shown]))[:, :2]
    room = ROOM * float(np.ptp(across, axis=0).max())
    label = view.seen(sunward[1])[:2] + room * np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, 0.6]])
    across = np.concatenate([across, label])
    lowest, highest = across.min(0) - 0.1 * room, across.max(0) + 0.1 * room
    width, height = highest - lowest
    inches = min(ACROSS / width, HIGHEST / height)
    rows = -(-len(lines) // COLUMNS)
    axes = stacked(
        *heading(run, moment),
        [inches * height],
        left=LEFT,
        right=WIDTH - LEFT - ACROSS,
        above=0.1 + 0.17 * rows,
        below=0.3,
    )[0]
    aside = 0.5 * (ACROSS / inches - width)
    axes.set_xlim(lowest[0] - aside, highest[0] + aside)
    axes.set_ylim(lowest[1], highest[1])
    axes.set_aspect("equal")
    axes.set_axis_off()
    floor = [Piece(ground, GROUND, "none")]
    _paint(axes, view, floor)
    _paint(axes, view, [Piece(s, SHADOW, SHADOW, 0.3) for s in scene.shadows], within=ground)
    behind, before = _sides(scene, view, faces, lines, inches)
    _paint(axes, view, behind)
    _paint(axes, view, _box(scene.board, view, BOARD, GREY))
    _paint(axes, view, before)
    if not len(scene.posts):
        _plumb(axes, view, scene)
    if "rim" in lines:  # such a ray ends where it would leave
        axes.plot(*view.seen(lines["rim"][:, 0]).T[:2], ".", ms=3, color=INK)
    for ends, words in ((north, "N"), (sunward, "to the sun")):
        _arrow(axes, view, ends, words)
    if watts.max(initial=0.0) > 0.0:
        tall = min(inches * height, 2.2)
        box = axes.get_position()
        top = (1.0 - box.y1) * figure_of(axes).get_figheight() + 0.5 * (inches * height - tall)
        bar = axes_at(figure_of(axes), LEFT + ACROSS + 0.1, top, 0.16, tall)
        colour_scale(colours, bar, "delivered by each facet [W]")
    _legend(axes, lines)
    words = _told(scene, view)
    axes.annotate(
        words,
        (0.0, 0.0),
        (0.0, -6.0),
        xycoords="axes fraction",
        textcoords="offset points",
        size=SMALL,
        color=INK,
        va="top",
        annotation_clip=False,
    )
    figure = figure_of(axes)
    figure.set_label(f"The cooker in space, with {len(watts)} facets, pot and rays. {words}")
    return figure


def ground_patch(scene: Scene) -> Array:
    """A round patch of ground under all that stands there.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    ndarray, shape (96, 3)
        Its rim. [m]
    """
    feet = scene.on_ground(scene.points)
    middle = 0.5 * (feet.min(0) + feet.max(0))
    middle = scene.on_ground(middle)
    r = 1.15 * float(np.linalg.norm(feet - middle, axis=1).max())
    turn = np.linspace(0.0, 2.0 * np.pi, 96, endpoint=False)
    east, ahead = np.cross(scene.ahead, scene.normal), scene.ahead
    return np.asarray(middle + r * (np.cos(turn)[:, None] * east + np.sin(turn)[:, None] * ahead))


def _north(scene: Scene, view: View, ground: Array, lines: dict[str, Array]) -> Array:
    """Ends of the arrow to the north, where the ground is freest, shape (2, 3)."""
    middle = ground.mean(axis=0)
    places = middle + 0.84 * (ground - middle)
    ways = [a + share * (b - a) for w in lines.values() for a, b in w for share in (0.0, 0.5, 1.0)]
    taken = view.seen(np.concatenate([scene.points, np.concatenate(scene.mounts), ways]))[:, :2]
    apart = np.linalg.norm(view.seen(places)[:, None, :2] - taken, axis=2).min(axis=1)
    way = np.array([0.0, 1.0, 0.0])
    way = 0.1 * np.linalg.norm(ground[0] - middle) * (way - (way @ scene.normal) * scene.normal)
    place = places[int(np.argmax(apart.round(6)))]
    return np.stack([place - way, place + way])


def _sunward(scene: Scene, lines: dict[str, Array]) -> Array:
    """Ends of the arrow to the sun, beyond where the rays are drawn from, shape (2, 3)."""
    starts = lines["sun"][:, 0]
    start = starts.mean(axis=0) if len(starts) else scene.points.mean(axis=0)
    span = float(np.ptp(scene.points, axis=0).max())
    return np.stack([start + 0.06 * span * scene.to_sun, start + 0.24 * span * scene.to_sun])


def _sides(
    scene: Scene, view: View, faces: Array, lines: dict[str, Array], inches: float
) -> tuple[list[Piece], list[Piece]]:
    """What lies on the far side of the plane of the board's top, and what on the near one."""
    pieces = [
        *_facets(scene, view, faces),
        *_pot(scene, view),
        *_rays(scene, view, lines, inches),
        *(Piece(leg, "none", WOOD, 1.8) for leg in scene.legs),
    ]
    pieces += [
        Piece(part, "none", WOOD, 1.0) for mount in scene.mounts for part in (mount[:2], mount[1:])
    ]
    top, normal = scene.board[5].mean(axis=0), scene.turned(np.array([0.0, 0.0, 1.0]))
    toward = 1.0 if normal @ view.axes[2] > 0.0 else -1.0
    over = [toward * float((p.points.mean(axis=0) - top) @ normal) for p in pieces]
    return (
        [p for p, o in zip(pieces, over, strict=True) if o < -1e-9],
        [p for p, o in zip(pieces, over, strict=True) if o >= -1e-9],
    )


def _facets(scene: Scene, view: View, faces: Array) -> Iterator[Piece]:
    f = scene.cooker.facets
    front = scene.turned(f.n[f.present]) @ view.axes[2] > 0.0
    for outline, face, seen in zip(scene.facets, faces, front, strict=True):
        yield Piece(outline, face if seen else BACK, INK, 0.5)


def _pot(scene: Scene, view: View) -> Iterator[Piece]:
    """Pot and posts; its base shows through the side, for that is where the light goes."""
    yield Piece(scene.base, AMBER, INK, 0.7)
    for post in scene.posts:
        yield from _box(post, view, POST, "none", steps=8)
    wall = scene.wall
    axis = scene.turned(scene.cooker.pot.axis)
    out = wall.mean(axis=1) - (scene.base.mean(axis=0) + 0.5 * scene.cooker.pot.height * axis)
    for strip, way in zip(wall, out @ view.axes[2], strict=True):
        if way > 0.0:
            yield Piece(strip, WALL, "none")
    if axis @ view.axes[2] > 0.0:
        yield Piece(scene.lid, LID, INK, 0.8)


def _box(faces: Array, view: View, colour: str, edge: str, steps: int = 1) -> list[Piece]:
    """Faces of a box that the eye sees, the upright ones cut in pieces, lit by their slope."""
    from matplotlib.colors import to_rgb

    middle = faces.mean(axis=(0, 1))
    out = []
    for k, face in enumerate(faces):
        normal = np.cross(face[1] - face[0], face[3] - face[0])
        long = float(np.linalg.norm(normal))
        if long == 0.0:
            continue
        normal = normal * np.sign(normal @ (face.mean(axis=0) - middle)) / long
        if normal @ view.axes[2] <= 0.0:
            continue
        shade = 0.72 + 0.28 * max(float(normal[2]), 0.0) + 0.1 * float(normal @ view.axes[0])
        paint = tuple(np.clip(shade * np.array(to_rgb(colour)), 0.0, 1.0))
        count = steps if k < 4 else 1
        share = np.linspace(0.0, 1.0, count + 1)[:, None]
        left, right = face[0] + share * (face[3] - face[0]), face[1] + share * (face[2] - face[1])
        for j in range(count):
            strip = np.stack([left[j], right[j], right[j + 1], left[j + 1]])
            out.append(Piece(strip, paint, paint if edge == "none" else edge, 0.5))
    return out


def _look(name: str) -> tuple[Any, Any, float]:
    """Colour, dashes and width of a ray's line."""
    if name == "sun":
        return SUNLIGHT, (0, ()), 0.5
    colour, _, dashes = LINE_LOOKS[name]
    return colour, (0, ()) if dashes == "solid" else dashes, 1.0


def _rays(scene: Scene, view: View, lines: dict[str, Array], inches: float) -> Iterator[Piece]:
    """Rays in pieces, each in its own depth; the dashes run on from piece to piece."""
    f = scene.cooker.facets
    nearer = float(np.hypot(f.half_u, f.half_v).max(initial=0.0))
    share = np.linspace(0.0, 1.0, STEPS + 1)[:, None]
    for name, ways in lines.items():
        colour, (first, pattern), width = _look(name)
        for start, end in ways:
            points = start + share * (end - start)
            long = 72.0 * inches * float(np.linalg.norm(view.seen(end - start)[:2]))
            for k in range(STEPS):
                gone = first + long * k / STEPS / width
                dashes = (gone, pattern) if pattern else "solid"
                yield Piece(points[k : k + 2], "none", colour, width, dashes, nearer)


def _paint(axes: Axes, view: View, pieces: list[Piece], within: Array | None = None) -> None:
    """Paint pieces, the farthest first."""
    from matplotlib.collections import PathCollection
    from matplotlib.patches import Polygon
    from matplotlib.path import Path

    if not pieces:
        return
    eye = view.axes[2]
    pieces = sorted(pieces, key=lambda p: float(p.points.mean(axis=0) @ eye) + p.nearer)
    flat = [view.seen(p.points)[:, :2] for p in pieces]
    collection = PathCollection(
        [Path(p, closed=False) if len(p) == 2 else Path([*p, p[0]], closed=True) for p in flat],
        facecolors=[p.face for p in pieces],
        edgecolors=[p.edge for p in pieces],
        linewidths=[p.width for p in pieces],
        linestyles=[p.dashes for p in pieces],
    )
    axes.add_collection(collection, autolim=False)
    if within is not None:
        collection.set_clip_path(
            Polygon(view.seen(within)[:, :2], closed=True, transform=axes.transData)
        )


def _plumb(axes: Axes, view: View, scene: Scene) -> None:
    """From the base of a pot that hangs free down to the ground, so that the eye can place it."""
    middle = scene.base.mean(axis=0)
    foot = scene.on_ground(middle, np.array([0.0, 0.0, 1.0]))
    ends = view.seen(np.stack([middle, foot]))[:, :2]
    axes.plot(*ends.T, color=GREY, lw=0.7, ls=(0, (1, 2)))
    axes.plot(*ends[1], "x", color=GREY, ms=4, mew=0.8)


def _arrow(axes: Axes, view: View, ends: Array, words: str) -> None:
    """An arrow with words at its head, readable over thin lines."""
    from matplotlib.patheffects import withStroke

    tail, head = view.seen(ends)[:, :2]
    looks = {"arrowstyle": "-|>", "color": INK, "lw": 1.4, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", xy=head, xytext=tail, arrowprops=looks, annotation_clip=False)
    up = 1.0 if head[1] >= tail[1] else -1.0
    axes.annotate(
        words,
        xy=head,
        xytext=(0.0, 2.0 * up),
        textcoords="offset points",
        size=SMALL,
        color=INK,
        ha="center",
        va="bottom" if up > 0.0 else "top",
        annotation_clip=False,
        path_effects=[withStroke(linewidth=2.0, foreground="white")],
    )


def _told(scene: Scene, view: View) -> str:
    """Where the picture is seen from, and the sizes that it shows."""
    x0, x1, y0, y1 = scene.cooker.extent
    over = float(scene.base.mean(axis=0) @ scene.normal) - scene.level
    return (
        f"Seen from the {point_of(view.azimuth)}, {np.degrees(view.altitude):.0f}° high. "
        f"Board {yard(x1 - x0)} by {yard(y1 - y0)}; the pot's base is {yard(over)} over the ground."
    )


def _legend(axes: Axes, lines: dict[str, Array]) -> None:
    from matplotlib.lines import Line2D

    handles = []
    for name in lines:
        colour, dashes, width = _look(name)
        label = "from the sun" if name == "sun" else LINE_NAMES[name]
        looks: dict[str, Any] = {"color": colour, "lw": width + 0.2, "ls": dashes}
        if name == "rim":
            looks = {"color": INK, "marker": ".", "ms": 3, "ls": "none"}
        elif not dashes[1]:
            looks["ls"] = "solid"
        handles.append(Line2D([], [], label=label, **looks))
    legend_above(axes, handles, handlelength=3.0)
