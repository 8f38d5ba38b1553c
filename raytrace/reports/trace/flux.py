"""Flux map of the pot's base."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.numbers import plus_minus
from raytrace.reports.common.style import (
    GREY,
    INK,
    MAP,
    SMALL,
    TEXT,
    axis_labels,
    new_figure,
    sun_arrow,
)
from raytrace.reports.common.units import axis_words, drawn, quantity, unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.trace.run import Moment, Run

__all__ = ["encircled_figure", "flux_figure"]

Array = NDArray[np.float64]


def flux_figure(run: Run, moment: Moment | None = None) -> Figure:
    """Draw the flux map of the base.

    Parameters
    ----------
    run : Run
    moment : Moment, optional
        Of that run; the brightest by default.

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
    figure = new_figure(7.4, 6.9, run, moment)
    axes = figure.add_axes((0.105, 0.155, 0.69, 0.69 * 7.4 / 6.9))
    axes.set_aspect("equal")
    reach = 1.08 * R
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    # slivers that the rim leaves of a bin are noisy, so they don't set the scale
    top = float(flux[tally.whole].max())
    rim = Circle((0.0, 0.0), R, transform=axes.transData)
    mesh = axes.pcolormesh(edges, edges, flux, cmap=MAP, vmin=0.0, vmax=top or 1.0, rasterized=True)
    mesh.set_clip_path(rim)
    _contours(axes, 0.5 * (edges[1:] + edges[:-1]), flux, top, rim, R)
    axes.add_patch(Circle((0.0, 0.0), R, fill=False, color=INK, lw=1.6))
    _spot(axes, moment)
    axis_labels(
        axes, axis_words("x, to the platform's right"), axis_words("y, toward the sun's side")
    )
    sun_arrow(axes, tally.sun)

    scale = figure.add_axes((0.83, 0.155, 0.026, 0.69 * 7.4 / 6.9))
    bar = figure.colorbar(mesh, cax=scale)
    bar.set_label("flux on the base [kW/m²]", size=TEXT, color=INK)
    bar.ax.tick_params(labelsize=SMALL, color=GREY)
    peak, se = plus_minus(float(tally.peak_flux) / 1e3, float(tally.peak_flux.se) / 1e3)
    mean, mean_se = plus_minus(float(tally.mean_flux) / 1e3, float(tally.mean_flux.se) / 1e3)
    figure.text(
        0.105,
        0.047,
        f"peak {peak} ± {se} kW/m² over bins of {quantity('length', tally.bin_width, 1)}   "
        f"mean {mean} ± {mean_se} kW/m²   base seen from above",
        size=SMALL,
        color=INK,
    )
    return figure


def encircled_figure(run: Run, moment: Moment | None = None) -> Figure:
    """Draw the share of the power on the base within circles, against their radius.

    Parameters
    ----------
    run : Run
    moment : Moment, optional
        Of that run; the brightest by default.

    Returns
    -------
    Figure
    """
    moment = run.brightest if moment is None else moment
    tally = moment.tally
    figure = new_figure(7.4, 5.0, run, moment)
    axes = figure.add_axes((0.105, 0.165, 0.85, 0.66))
    for share, label, dash in (
        (tally.encircled_centroid, f"about the centroid {_place(tally.centroid.value)}", "solid"),
        (tally.encircled, "about the base's centre", (0, (5, 2))),
    ):
        axes.plot(drawn(tally.radii), 100.0 * share.value, color=INK, ls=dash, lw=1.5, label=label)
    axes.axvline(drawn(tally.base_radius), color=GREY, lw=0.8)
    axes.text(drawn(tally.base_radius), 3.0, " rim", size=SMALL, color=GREY)
    axes.set_xlim(0.0, 1.25 * drawn(tally.base_radius))
    axes.set_ylim(0.0, 102.0)
    axes.grid(color=GREY, alpha=0.25, lw=0.5)
    axis_labels(axes, axis_words("radius of the circle"), "share of the watts on the base [%]")
    axes.legend(
        loc="lower right",
        fontsize=SMALL + 0.5,
        framealpha=1.0,
        edgecolor="white",
        borderaxespad=2.5,
    )
    return figure


def _place(point: Array) -> str:
    """Where a point of the base lies, with its unit."""
    length = unit("length")
    return f"({', '.join(length.fixed(x, 1, sign=True) for x in point)}) {length.symbol}"


def _contours(axes: Axes, middle: Array, flux: Array, top: float, rim: Any, R: float) -> None:
    from matplotlib.patheffects import withStroke
    from matplotlib.ticker import MaxNLocator

    if top <= 0.0 or len(middle) < 8:
        return
    levels = [v for v in MaxNLocator(6).tick_values(0.0, top) if 0.0 < v < 0.93 * top]
    if not levels:
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
    halo = [withStroke(linewidth=3.0, foreground="white")]
    axes.plot(
        *centre,
        marker="+",
        ms=11,
        mew=1.5,
        color=INK,
        ls="none",
        path_effects=halo,
        label=f"centroid {_place(tally.centroid.value)}",
    )
    circle = Circle(
        (centre[0], centre[1]),
        radius,
        fill=False,
        color=INK,
        lw=1.2,
        ls=(0, (5, 2.5)),
        path_effects=halo,
    )
    axes.add_patch(circle)
    axes.plot(
        [],
        [],
        color=INK,
        lw=1.2,
        ls=(0, (5, 2.5)),
        label=f"90 % of the watts within {quantity('length', float(tally.spot_radius), 1)}",
    )
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(0.0, -0.08),
        ncols=2,
        fontsize=SMALL,
        frameon=False,
        borderpad=0.0,
        handlelength=2.6,
    )
