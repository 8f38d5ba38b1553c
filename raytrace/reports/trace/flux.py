"""Flux map of the pot's base."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.numbers import plain
from raytrace.reports.common.page import bar_beside, figure_of, stacked
from raytrace.reports.common.style import (
    GREY,
    INK,
    MAP,
    SMALL,
    TEXT,
    WIDTH,
    axis_labels,
    colour_range,
    colour_scale,
    grid_behind,
    heading,
    legend_above,
    sun_arrow,
)
from raytrace.reports.common.units import axis_words, drawn, quantity, unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.trace.run import Moment, Run

__all__ = ["encircled_figure", "flux_figure"]

Array = NDArray[np.float64]

SIDE = 4.7  # of a map of the base [in]


def flux_figure(run: Run, moment: Moment | None = None, axes: Axes | None = None) -> Figure:
    """Draw the flux map of the base.

    Parameters
    ----------
    run : Run
    moment : Moment, optional
        Of that run; the brightest by default.
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
        The base seen from above, so that the sun's side is up and the platform's right is right.
    """
    from matplotlib.patches import Circle

    moment = run.brightest if moment is None else moment
    tally = moment.tally
    flux = tally.flux.value / 1e3
    R = drawn(tally.base_radius)
    edges = drawn(tally.bin_edges)
    scenario, words, stated = heading(run, moment)
    width = quantity("length", tally.bin_width, 1)
    peak, mean = (plain(float(x) / 1e3, 3) for x in (tally.peak_flux, tally.mean_flux))
    words += f"   base from above, in bins of {width}: peak {peak} kW/m², mean {mean} kW/m²"
    axes = axes or stacked(scenario, words, stated, [SIDE], right=WIDTH - 0.8 - SIDE)[0]
    axes.set_aspect("equal")
    off = float(np.hypot(*drawn(tally.centroid.value))) + drawn(float(tally.spot_radius))
    reach = 1.08 * max(R, off if np.isfinite(off) else R)
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    # slivers that the rim leaves of a bin are noisy, so they don't set the scale
    low, top = colour_range(flux[tally.whole])
    rim = Circle((0.0, 0.0), R, transform=axes.transData)
    mesh = axes.pcolormesh(edges, edges, flux, cmap=MAP, vmin=low, vmax=top, rasterized=True)
    mesh.set_clip_path(rim)
    _contours(axes, 0.5 * (edges[1:] + edges[:-1]), flux, (low, top), rim, R)
    axes.add_patch(Circle((0.0, 0.0), R, fill=False, color=INK, lw=1.6))
    _spot(axes, moment)
    axis_labels(
        axes, axis_words("x, to the platform's right"), axis_words("y, toward the sun's side")
    )
    sun_arrow(axes, tally.sun)
    colour_scale(mesh, bar_beside(axes), "flux on the base [kW/m²]")
    return figure_of(axes)


def encircled_figure(run: Run, moment: Moment | None = None, axes: Axes | None = None) -> Figure:
    """Draw the share of the power on the base within circles, against their radius.

    Parameters
    ----------
    run : Run
    moment : Moment, optional
        Of that run; the brightest by default.
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    moment = run.brightest if moment is None else moment
    tally = moment.tally
    axes = axes or stacked(*heading(run, moment), [3.2])[0]
    if not float(tally.delivered) > 0.0:
        axes.text(0.5, 0.5, "nothing arrives", transform=axes.transAxes, size=TEXT, ha="center")
    for share, label, dash in (
        (tally.encircled_centroid, f"about the centroid {_place(tally.centroid.value)}", "solid"),
        (tally.encircled, "about the base's centre", (0, (5, 2))),
    ):
        axes.plot(drawn(tally.radii), 100.0 * share.value, color=INK, ls=dash, lw=1.5, label=label)
    axes.axvline(drawn(tally.base_radius), color=GREY, lw=0.8)
    axes.text(drawn(tally.base_radius), 3.0, " rim", size=SMALL, color=GREY)
    axes.set_xlim(0.0, 1.25 * drawn(tally.base_radius))
    axes.set_ylim(0.0, 102.0)
    grid_behind(axes)
    axis_labels(axes, axis_words("radius of the circle"), "share of the watts on the base [%]")
    legend_above(axes)
    return figure_of(axes)


def _place(point: Array) -> str:
    """Where a point of the base lies, with its unit."""
    length = unit("length")
    return f"({', '.join(length.fixed(x, 1, sign=True) for x in point)}) {length.symbol}"


def _contours(
    axes: Axes, middle: Array, flux: Array, limits: tuple[float, float], rim: Any, R: float
) -> None:
    from matplotlib.patheffects import withStroke
    from matplotlib.ticker import MaxNLocator

    low, top = limits
    levels = [v for v in MaxNLocator(6).tick_values(low, top) if low < v < 0.93 * top]
    if not np.nanmax(flux) > 0.0 or len(middle) < 8 or not levels:
        return
    lines = axes.contour(
        middle, middle, _smoothed(flux), levels=levels, colors="white", linewidths=0.7, alpha=0.9
    )
    lines.set_clip_path(rim)
    for k, (level, path) in enumerate(zip(levels, lines.get_paths(), strict=True)):
        # well inside the rim, or a label would hang half outside it; one for each level
        vertices = np.asarray(path.vertices, dtype=float)
        inside = vertices[np.hypot(vertices[:, 0], vertices[:, 1]) < 0.85 * R]
        if len(inside) < 10:
            continue
        x, y = inside[int(len(inside) * (0.3 + 0.4 * k / len(levels)))]
        label = axes.text(x, y, f"{level:g}", size=SMALL, color="white", ha="center", va="center")
        label.set_path_effects([withStroke(linewidth=2.2, foreground="#000000c0")])


def _smoothed(flux: Array) -> Array:
    """Blur a map over neighbouring bins, for the contours alone: noise would tear them."""
    inside = np.isfinite(flux)
    weight = inside.astype(float)
    value = np.where(inside, flux, 0.0)
    for _ in range(2):
        for axis in (0, 1):
            value = _blur(value, axis)
            weight = _blur(weight, axis)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(inside, value / weight, np.nan)


def _blur(a: Array, axis: int) -> Array:
    padded = np.pad(a, [(1, 1) if k == axis else (0, 0) for k in range(2)])
    n = a.shape[axis]
    before, here, after = (np.take(padded, range(k, k + n), axis=axis) for k in range(3))
    return np.asarray(0.25 * before + 0.5 * here + 0.25 * after)


def _spot(axes: Axes, moment: Moment) -> None:
    from matplotlib.patches import Circle
    from matplotlib.patheffects import withStroke

    tally = moment.tally
    centre, radius = drawn(tally.centroid.value), drawn(float(tally.spot_radius))
    if not np.isfinite(centre).all():
        axes.text(0.0, 0.0, "nothing arrives", size=TEXT, color="white", ha="center")
        return
    # light on dark and dark on light: each has an edge of the other
    light: dict[str, Any] = {
        "color": "white",
        "path_effects": [withStroke(linewidth=3.2, foreground=INK)],
    }
    axes.plot(
        *centre, marker="+", ms=11, mew=1.5, ls="none", **light,
        label=f"centroid {_place(tally.centroid.value)}",
    )  # fmt: skip
    axes.add_patch(Circle((centre[0], centre[1]), radius, fill=False, lw=1.2, **light))
    axes.plot(
        [], [], lw=1.2, **light,
        label=f"90 % of the watts within {quantity('length', float(tally.spot_radius), 1)}",
    )  # fmt: skip
    legend_above(axes)
