"""Board, mounts, facets and pot as drawn in outline: seen from above, and from the right side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.style import GREY, INK, SMALL
from raytrace.reports.common.units import drawn

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from raytrace.cooker.geometry import Cooker

__all__ = ["BOARD", "draw_from_above", "draw_from_the_side", "pot_ring", "pot_side"]

Array = NDArray[np.float64]

BOARD, WOOD = "#d8c9a8", "#8a6d3b"


def draw_from_the_side(axes: Axes, cooker: Cooker) -> None:
    """Draw the cooker in the platform's y-z plane.

    Parameters
    ----------
    axes : Axes
    cooker : Cooker
        As it stands, its pot where the platform sees it.
    """
    from matplotlib.collections import LineCollection, PolyCollection
    from matplotlib.patches import Polygon, Rectangle

    y0, y1 = drawn(cooker.extent[2:])
    thick = drawn(cooker.thickness)
    axes.add_patch(
        Rectangle((y0, -thick), y1 - y0, thick, facecolor=BOARD, edgecolor=GREY, lw=0.8, zorder=2)
    )
    f = cooker.facets
    here = f.present
    foot = f.mount[here] * [1.0, 1.0, 0.0]
    mounts = np.stack([foot, f.mount[here], f.c[here]], axis=1)
    axes.add_collection(
        LineCollection(list(drawn(mounts[..., 1:])), colors=WOOD, linewidths=1.0, zorder=3)
    )
    outlines = [drawn(f.corners(int(k))[:, 1:]) for k in np.flatnonzero(here)]
    axes.add_collection(
        PolyCollection(
            outlines, facecolors="#7a7a7a28", edgecolors="#1a1a1aa0", linewidths=0.6, zorder=4
        )
    )
    pot = cooker.pot
    for low, high in zip(pot.posts[:, :3], pot.posts[:, 3:], strict=True):
        y = np.array(_corners(low, high)) @ pot.stand_axes[:2, 1]
        box = np.array(_corners((y.min(), low[2]), (y.max(), high[2])))
        corners = pot.base + box[:, :1] * pot.frame[1] + box[:, 1:] * pot.frame[2]
        axes.add_patch(
            Polygon(drawn(corners[:, 1:]), facecolor="#cfcfcf", edgecolor=GREY, lw=0.6, zorder=3)
        )
    outline = pot_side(cooker)
    axes.add_patch(Polygon(outline, facecolor="#e8e8e8", edgecolor=INK, lw=1.2, zorder=4))
    axes.plot(*outline[:2].T, color=INK, lw=3.2, solid_capstyle="butt", zorder=5)
    y, z = outline.mean(0)
    axes.text(y, z, "pot", size=SMALL, color=INK, ha="center", va="center", zorder=6)


def draw_from_above(axes: Axes, cooker: Cooker) -> None:
    """Draw board, facets, the feet of their mounts, pot and posts in the platform's x-y plane.

    Parameters
    ----------
    axes : Axes
    cooker : Cooker
        As it stands, its pot where the platform sees it.
    """
    from matplotlib.collections import PolyCollection
    from matplotlib.patches import Rectangle

    x0, x1, y0, y1 = drawn(cooker.extent)
    axes.add_patch(
        Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=BOARD, edgecolor=GREY, lw=0.8, zorder=1)
    )
    f = cooker.facets
    for here, face, dashes in ((f.present, "#ffffffc0", "-"), (~f.present, "none", ":")):
        outlines = [drawn(f.corners(int(k))[:, :2]) for k in np.flatnonzero(here)]
        axes.add_collection(
            PolyCollection(
                outlines,
                facecolors=face,
                edgecolors=INK,
                linewidths=0.5,
                linestyles=dashes,
                zorder=2,
            )
        )
    axes.plot(*drawn(f.mount[f.present, :2]).T, "+", color=WOOD, ms=3.0, mew=0.7, zorder=3)
    pot = cooker.pot
    for low, high in zip(pot.posts[:, :3], pot.posts[:, 3:], strict=True):
        ends = np.array([[x, y, low[2]] for x, y in _corners(low, high)])
        axes.fill(
            *drawn((pot.base + ends @ pot.stand_frame)[:, :2]).T,
            facecolor="#9a9a9a",
            edgecolor=INK,
            lw=0.5,
            zorder=4,
        )
    axes.fill(
        *pot_ring(cooker).T, facecolor="#ffffff90", edgecolor=INK, lw=1.4, ls=(0, (5, 2)), zorder=5
    )


def _corners(low: Sequence[float], high: Sequence[float]) -> list[tuple[float, float]]:
    """A rectangle's corners in order, as a post's outline seen along it."""
    return [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]


def pot_side(cooker: Cooker) -> Array:
    """The pot's outline from the side: base, then lid.

    Parameters
    ----------
    cooker : Cooker

    Returns
    -------
    ndarray, shape (4, 2)
        As drawings have lengths.
    """
    pot = cooker.pot
    y, z = pot.frame[1] * pot.R, pot.frame[2] * pot.height
    corners = np.array([pot.base - y, pot.base + y, pot.base + y + z, pot.base - y + z])
    return drawn(corners[:, 1:])


def pot_ring(cooker: Cooker) -> Array:
    """Rim of the base as seen from above.

    Parameters
    ----------
    cooker : Cooker

    Returns
    -------
    ndarray, shape (97, 2)
        As drawings have lengths.
    """
    around = np.linspace(0.0, 2.0 * np.pi, 97)
    pot = cooker.pot
    rim = pot.base + pot.R * (
        np.cos(around)[:, None] * pot.frame[0] + np.sin(around)[:, None] * pot.frame[1]
    )
    return drawn(rim[:, :2])
