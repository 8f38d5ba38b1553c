"""What pictures of stray light share: the scale with its limits, the cooker, who stands about."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    MAP,
    ORANGE,
    SKY,
    SMALL,
    TEXT,
    VIOLET,
)
from raytrace.reports.common.units import unit
from raytrace.reports.trace.sketch import BOARD, WOOD
from raytrace.studies.stray.limits import LIMITS, Limit, of_mirrors

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.reports.trace.bodies import Scene
    from raytrace.scenario.place_sections import Surrounding

__all__ = [
    "DRAWN",
    "KIND_LOOKS",
    "draw_cooker",
    "draw_field",
    "draw_person",
    "draw_surroundings",
    "limit_bar",
    "north_arrow",
]

Array = NDArray[np.float64]

LOWEST = 100.0  # W/m², a tenth of the sun: weaker light is left white
LOOKS: tuple[tuple[str, Any], ...] = (
    ("#00c2c7", "solid"),
    ("#ffffff", (0, (5, 2))),
    ("#7fff5f", (0, (1, 1.2))),
)
# the limits that are drawn, each with a line of its own
DRAWN: tuple[Limit, ...] = tuple(x for x in LIMITS if x.key in ("skin, long", "wood, long", "wood"))
NAMES = ("skin hurts", "wood burns,\nin time", "wood burns\nsoon")

# Okabe and Ito's colours, with a hatch each for print in grey
KIND_LOOKS: dict[str, tuple[str, str]] = {
    "wall": (GREY, ""),
    "wood": (ORANGE, "////"),
    "window": (SKY, ""),
    "grass": (GREEN, "...."),
    "path": (VIOLET, "\\\\\\\\"),
    "seat": (BLUE, "xxxx"),
}


def draw_field(axes: Axes, x: Array, y: Array, irradiance: Array, most: float) -> Any:
    """Draw irradiance on a grid by a logarithmic scale, with lines at the limits.

    Parameters
    ----------
    axes : Axes
    x : ndarray, shape (X,)
        As drawn.
    y : ndarray, shape (Y,)
    irradiance : ndarray, shape (Y, X)
        [W/m²]
    most : float
        Where the scale ends. [W/m²]

    Returns
    -------
    QuadMesh
    """
    from matplotlib import colormaps
    from matplotlib.colors import LogNorm

    kilo = 1e-3 * irradiance
    mesh = axes.pcolormesh(
        x,
        y,
        np.ma.masked_less(kilo, 1e-3 * LOWEST),
        cmap=colormaps[MAP].reversed(),
        norm=LogNorm(1e-3 * LOWEST, 1e-3 * max(most, 2.0 * LIMITS[-1].irradiance)),
        shading="nearest",
        rasterized=True,
    )
    for limit, (colour, dashes) in zip(DRAWN, LOOKS, strict=True):
        level = 1e-3 * of_mirrors(limit.irradiance)
        if kilo.min() < level < kilo.max():
            axes.contour(x, y, kilo, levels=[level], colors=INK, linewidths=2.2)
            axes.contour(
                x, y, kilo, levels=[level], colors=colour, linewidths=1.2, linestyles=[dashes]
            )
    return mesh


def limit_bar(figure: Figure, mesh: Any, place: tuple[float, float, float, float]) -> None:
    """Draw the colour scale, with the limits' lines and names beside it.

    Parameters
    ----------
    figure : Figure
    mesh : QuadMesh
        From `draw_field`.
    place : tuple of float
        Left, bottom, width and height on the figure.
    """
    axes = figure.add_axes(place)
    bar = figure.colorbar(mesh, cax=axes)
    low, high = (float(v) for v in (mesh.norm.vmin, mesh.norm.vmax))
    ticks = [t for t in (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0) if low <= t <= high]
    bar.set_ticks(ticks, labels=[f"{t:g}" for t in ticks])
    bar.ax.minorticks_off()
    bar.ax.tick_params(labelsize=SMALL, color=GREY, labelcolor=INK)
    bar.ax.yaxis.set_ticks_position("left")
    bar.ax.set_title("kW/m²", size=TEXT, color=INK, pad=6)
    bar.outline.set_linewidth(0.7)
    for limit, name, (colour, dashes) in zip(DRAWN, NAMES, LOOKS, strict=True):
        level = 1e-3 * of_mirrors(limit.irradiance)
        bar.ax.axhline(level, color=INK, lw=2.4)
        bar.ax.axhline(level, color=colour, lw=1.3, ls=dashes)
        bar.ax.annotate(
            name,
            (1.0, level),
            xycoords=("axes fraction", "data"),
            xytext=(5, 0),
            textcoords="offset points",
            size=SMALL,
            va="center",
            color=INK,
            annotation_clip=False,
        )


def draw_surroundings(axes: Axes, surroundings: Sequence[Surrounding], edge: float) -> None:
    """Draw what stands about the cooker, north up, as seen from above.

    Parameters
    ----------
    axes : Axes
        The cooker at its origin, east to the right, as `raytrace.reports.common.units.unit` has
        yards.
    surroundings : sequence of Surrounding
    edge : float
        What lies further away is not drawn. [m]
    """
    from matplotlib.patches import Wedge
    from matplotlib.patheffects import withStroke

    yard = unit("yard")
    for one in surroundings:
        if one.distance > 1.35 * edge:
            continue
        far = min(one.far, 2.0 * edge)
        colour, hatch = KIND_LOOKS[one.kind]
        right = 90.0 - np.degrees(one.bearing_from)
        thick = max(far - one.distance, 0.012 * edge)
        axes.add_patch(
            Wedge(
                (0.0, 0.0),
                yard.of(one.distance + thick),
                right - np.degrees(one.span),
                right,
                width=yard.of(thick),
                facecolor="none",  # what lies below keeps its colour on the scale
                edgecolor=colour,
                hatch=hatch,
                lw=1.2,
                alpha=0.6,
                zorder=3,
            )
        )
        middle = one.bearing_from + 0.5 * one.span
        if one.span > np.pi:
            middle = np.radians(225.0)
        at = min(one.distance + 0.5 * thick, 0.9 * edge)
        x, y = at * np.sin(middle), at * np.cos(middle)
        if max(abs(x), abs(y)) > edge:
            continue
        axes.annotate(
            one.name,
            (yard.of(x), yard.of(y)),
            xytext=(0, 7 if y >= 0.0 else -7),
            textcoords="offset points",
            size=SMALL,
            ha="left" if x < -0.6 * edge else "right" if x > 0.6 * edge else "center",
            va="bottom" if y >= 0.0 else "top",
            color=INK,
            zorder=7,
            path_effects=[withStroke(linewidth=2.5, foreground="white")],
        )


def draw_cooker(
    axes: Axes, scene: Scene, across: Array, up: Array, *, pot_there: bool = True
) -> None:
    """Draw board, facets, mounts, stand and pot in outline, to scale.

    Parameters
    ----------
    axes : Axes
        As for `draw_surroundings`.
    scene : Scene
        As it stands, its pose square to the ground.
    across, up : ndarray, shape (3,)
        Directions of the axes in the yard's frame.
    pot_there : bool
        Of a pot that is off its stand the place is dashed.
    """
    from matplotlib.collections import LineCollection, PolyCollection

    lift = scene.cooker.thickness * up[2]

    def seen(points: Array) -> Array:
        return np.asarray(unit("yard").of(np.stack([points @ across, points @ up + lift], -1)))

    axes.add_patch(_hull(seen(scene.board.reshape(-1, 3)), BOARD, 4.0))
    axes.add_collection(
        LineCollection(list(seen(scene.mounts)), colors=WOOD, linewidths=0.7, zorder=4.2)
    )
    axes.add_collection(
        PolyCollection(
            list(seen(scene.facets)),
            facecolors="white",
            edgecolors=INK,
            linewidths=0.4,
            zorder=4.5,
        )
    )
    posts = scene.posts[:, 4:].mean(axis=2)  # from the middle of the bottom to that of the top
    axes.add_collection(LineCollection(list(seen(posts)), colors=GREY, linewidths=1.6, zorder=4.7))
    body = seen(np.concatenate([scene.base, scene.lid]))
    axes.add_patch(_hull(body, "#e8e8e8" if pot_there else "none", 5.0, dashed=not pot_there))


def _hull(points: Array, colour: str, zorder: float, *, dashed: bool = False) -> Any:
    from matplotlib.patches import Polygon
    from matplotlib.patheffects import withStroke
    from scipy.spatial import ConvexHull

    corners = points[ConvexHull(points).vertices]
    dashes: Any = (0, (3, 1.5)) if dashed else "solid"
    return Polygon(
        corners,
        facecolor=colour,
        edgecolor=INK,
        lw=0.8,
        ls=dashes,
        zorder=zorder,
        path_effects=[withStroke(linewidth=2.2, foreground="white")] if dashed else None,
    )


def draw_person(axes: Axes, x: float, ground: float, tall: float = 1.7) -> None:
    """Draw a person from the side, for scale.

    Parameters
    ----------
    axes : Axes
        As for `draw_surroundings`, its second axis up.
    x, ground : float
        Where the feet stand. [m]
    tall : float
        [m]
    """
    from matplotlib.patches import Circle

    of = unit("yard").of
    head = 0.11
    axes.add_patch(
        Circle((of(x), of(ground + tall - head)), of(head), facecolor=INK, lw=0, zorder=6)
    )
    for xs, zs, width in (
        ((x, x), (0.8, tall - 0.25), 3.0),
        ((x - 0.11, x), (0.0, 0.8), 1.8),
        ((x + 0.11, x), (0.0, 0.8), 1.8),
        ((x - 0.2, x, x + 0.2), (0.85, tall - 0.32, 0.85), 1.3),
    ):
        axes.plot(
            [of(v) for v in xs],
            [of(ground + z) for z in zs],
            color=INK,
            lw=width,
            solid_capstyle="round",
            zorder=6,
        )


def north_arrow(axes: Axes) -> None:
    """Arrow to the north in the upper right corner, north being up.

    Parameters
    ----------
    axes : Axes
    """
    axes.annotate(
        "",
        xy=(0.955, 0.975),
        xytext=(0.955, 0.895),
        xycoords="axes fraction",
        textcoords="axes fraction",
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.5, "shrinkA": 0, "shrinkB": 0},
        zorder=8,
    )
    axes.text(
        0.955,
        0.885,
        "N",
        transform=axes.transAxes,
        size=TEXT,
        weight="bold",
        ha="center",
        va="top",
        color=INK,
        zorder=8,
    )
