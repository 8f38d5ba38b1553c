"""Spots on the target, facets ranked by what redoing them wins, and how many to redo."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import StudyError
from raytrace.reports.common.numbers import plain, plus_minus
from raytrace.reports.common.page import figure_of, name_points, stacked
from raytrace.reports.common.style import (
    BLUE,
    GREY,
    INK,
    LIGHT,
    ORANGE,
    SMALL,
    WIDTH,
    axis_labels,
    legend_above,
)
from raytrace.reports.common.units import axis_words, drawn, yard

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.cooker.geometry import Cooker
    from raytrace.studies.bench.spots_data import Redo, Spots

__all__ = ["figures", "gain_figure", "rank_figure", "spots_figure"]

Array = NDArray[np.float64]

SIDE = 5.0  # of a picture of the target [in]
MOST_NAMES = 70  # on one picture; beyond, only the spots that lie worst are named
MOST_BARS = 30
WORTH = 0.005  # of the greatest gain: smaller ones are not drawn
TOGETHER = 0.5e-3  # spots nearer to each other than this count as one [m]


def spots_figure(found: Spots) -> Figure:
    """Draw where the spots lie on the target; those to be redone in red.

    Parameters
    ----------
    found : Spots

    Returns
    -------
    Figure
    """
    cooker, here = found.cooker, found.present
    seen = here & np.isfinite(found.spot).all(axis=1) & np.isfinite(found.mark).all(axis=1)
    index = np.flatnonzero(seen)
    spot, mark = drawn(found.spot[seen]), drawn(found.mark[seen])
    redo = np.zeros(len(here), dtype=bool)
    if found.redo is not None:
        redo[found.redo.chosen] = True
    R = drawn(cooker.pot.R)
    place = _moved_to(found)
    full = max(1.08 * float(np.abs(np.concatenate([spot, mark])).max(initial=0.0)), 1.12 * R)
    if found.plane == "upright":
        full = max(full, 1.06 * drawn(cooker.pot.height))
    if place is not None:
        full = max(full, 1.06 * (R + float(np.abs(place).max())))
    middle, zoom = _close_view(spot, mark)
    apart = float(np.ptp(spot, axis=0).max()) if len(spot) else 0.0
    two = apart > drawn(TOGETHER) and zoom < 0.62 * full
    views = [(np.zeros(2), full)] + ([(middle, zoom)] if two else [])
    framed = "; grey frame: enlarged below" if two else ""
    head = found.scenario, _words(found) + framed, _stated(found)
    pages = stacked(*head, [SIDE] * len(views), right=WIDTH - 0.8 - SIDE, above=0.45)
    panels = []
    for axes, (centre, reach) in zip(pages, views, strict=True):
        axes.set_xlim(centre[0] - reach, centre[0] + reach)
        axes.set_ylim(centre[1] - reach, centre[1] + reach)
        axes.set_aspect("equal")
        _target(axes, cooker, found.plane)
        if place is not None:
            _target(axes, cooker, found.plane, place, color=ORANGE, lw=1.0)
        _dots(axes, spot, mark, redo[index])
        beyond = spot[found.missed_card[seen]]
        axes.scatter(beyond[:, 0], beyond[:, 1], 110.0, facecolors="none", edgecolors=INK, zorder=6)
        second = "y, toward the sun's side" if found.plane == "base" else "z, up"
        axis_labels(axes, axis_words("x from the base's centre, to the right"), axis_words(second))
        panels.append((axes, SIDE / (2.0 * reach)))
    close = (np.abs(spot - middle) <= zoom).all(axis=1) if two else np.ones(len(spot), bool)
    for k, (axes, inches) in enumerate(panels):
        named = close if k == len(panels) - 1 else ~close
        _names(axes, cooker, index[named], spot[named], mark[named], redo, inches, spot)
    if two:
        _frame_of(panels[0][0], middle, zoom)
    _legend(pages[0], found, bool(redo.any()), len(here) - len(index))
    return figure_of(pages[0])


def _close_view(spot: Array, mark: Array) -> tuple[Array, float]:
    """Middle and half-width of the part where most spots and marks lie, as drawn."""
    both = np.concatenate([spot, mark])
    if not len(both):
        return np.zeros(2), drawn(10e-3)
    middle = np.median(both, axis=0)
    reach = np.abs(spot - middle).max(axis=1)
    return middle, max(1.25 * float(np.quantile(reach, 0.93)), drawn(5e-3))


def _words(found: Spots) -> str:
    target = "on the plane of the base" if found.plane == "base" else "on an upright card"
    rig = found.rig
    laser = "a laser slid from facet to facet" if rig.kind == "parallel" else "a swivelled laser"
    if found.source:
        return f"spots as measured in {found.source}, {target}, with {laser}"
    build = found.plan.build
    what = "as designed" if build is None else f"as drawn, build {build}"
    return f"where {laser} puts its spots {target}; facets {what}"


def _stated(found: Spots) -> list[str]:
    rig = found.rig
    out = [f"laser's bias {np.degrees(rig.altitude_bias):g}°, {np.degrees(rig.azimuth_bias):g}°"]
    if rig.kind == "point":
        out.append(f"stand at {yard(rig.distance, 4)}")
    return out


def _moved_to(found: Spots) -> Array | None:
    """Where the pot belongs after the move, from where it was, in the target's plane, as drawn."""
    move = None if found.redo is None else found.redo.moved
    if move is None:
        return None
    shift = -drawn(np.array(move.undone.numbers[:3]))
    place = shift[["xyz".index(axis) for axis in found.plane_axes]]
    return place if place.any() else None


def _target(
    axes: Axes,
    cooker: Cooker,
    plane: str,
    at: Array | tuple[float, float] = (0.0, 0.0),
    **look: Any,
) -> None:
    R, (x, y) = drawn(cooker.pot.R), at
    style: dict[str, Any] = {"color": INK, "lw": 1.2, "ls": (0, (5, 2)), "zorder": 1, **look}
    if plane == "base":
        around = np.linspace(0.0, 2.0 * np.pi, 181)
        axes.plot(x + R * np.cos(around), y + R * np.sin(around), **style)
    else:
        h = y + drawn(cooker.pot.height)
        axes.plot([x - R, x - R, x + R, x + R], [h, y, y, h], **style)
    axes.axhline(0.0, color=LIGHT, lw=0.6, zorder=0)
    axes.axvline(0.0, color=LIGHT, lw=0.6, zorder=0)


def _dots(axes: Axes, spot: Array, mark: Array, redo: NDArray[np.bool_]) -> None:
    few = len(spot) <= MOST_NAMES
    for a, b in zip(mark, spot, strict=True):
        axes.plot([a[0], b[0]], [a[1], b[1]], color=LIGHT, lw=0.7 if few else 0.35, zorder=1.5)
    size = 22.0 if few else 11.0
    axes.scatter(mark[:, 0], mark[:, 1], 1.6 * size, marker="+", color=GREY, lw=0.7, zorder=3)
    kept, bad = spot[~redo], spot[redo]
    axes.scatter(kept[:, 0], kept[:, 1], size, color=BLUE, lw=0.0, zorder=4)
    axes.scatter(bad[:, 0], bad[:, 1], 1.4 * size, marker="D", color=ORANGE, lw=0.0, zorder=5)


def _names(
    axes: Axes,
    cooker: Cooker,
    index: NDArray[np.int64],
    spot: Array,
    mark: Array,
    redo: NDArray[np.bool_],
    inches: float,
    all_spots: Array,
) -> None:
    """Name spots; those in one place by first and last name, and only the worst of very many."""
    label = cooker.facets.label
    if not len(index):
        return
    if np.ptp(spot, axis=0).max() < drawn(TOGETHER) and len(index) > 1:
        words = f"{label[index[0]]} to {label[index[-1]]}: all {len(index)} in one place"
        axes.annotate(
            words,
            tuple(spot[0]),
            xytext=(0, 9),
            textcoords="offset points",
            size=SMALL,
            color=INK,
            ha="center",
            zorder=6,
        )
        return
    if len(index) > MOST_NAMES:
        # red ones first, then by how far they lie off
        off = np.linalg.norm(spot - mark, axis=1)
        off = off if off.max() > drawn(TOGETHER) else np.linalg.norm(spot, axis=1)
        kept = np.argsort(-(off + 1e6 * redo[index]), kind="stable")[:MOST_NAMES]
        index, spot = index[kept], spot[kept]
    name_points(
        axes,
        spot,
        [label[f] for f in index],
        inches=inches,
        avoid=all_spots,
        colours=[ORANGE if redo[f] else INK for f in index],
    )


def _frame_of(axes: Axes, middle: Array, zoom: float) -> None:
    from matplotlib.patches import Rectangle

    low = middle - zoom
    axes.add_patch(
        Rectangle((low[0], low[1]), 2 * zoom, 2 * zoom, fill=False, ec=GREY, lw=0.7, zorder=2)
    )


def _legend(axes: Axes, found: Spots, redo: bool, without: int) -> None:
    from matplotlib.lines import Line2D

    rim = "the base's rim" if found.plane == "base" else "the pot"
    items = [
        Line2D([], [], ls="", marker="+", color=GREY, ms=6, label="where it belongs"),
        Line2D([], [], ls="", marker="o", color=BLUE, ms=4.5, label="spot"),
    ]
    if redo:
        items.append(Line2D([], [], ls="", marker="D", color=ORANGE, ms=4.5, label="to be redone"))
    items.append(Line2D([], [], ls=(0, (5, 2)), color=INK, lw=1.2, label=rim))
    if _moved_to(found) is not None:
        items.append(Line2D([], [], ls=(0, (5, 2)), color=ORANGE, lw=1.0, label="after the move"))
    if found.missed_card.any():
        items.append(
            Line2D(
                [], [], ls="", marker="o", mfc="none", mec=INK, ms=9, label="off the card, at least"
            )
        )
    if without:
        noun = "facet" if without == 1 else "facets"
        items.append(Line2D([], [], ls="", label=f"{without} {noun} without a spot"))
    legend_above(axes, items, handlelength=1.6)


def rank_figure(found: Spots, axes: Axes | None = None) -> Figure:
    """Draw what redoing each facet alone wins, greatest first.

    Parameters
    ----------
    found : Spots
        With what redoing wins.
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    result, label = _redo(found), found.labels
    order = np.argsort(-result.gain.value, kind="stable")
    worth = int((result.gain.value > WORTH * result.gain.value.max()).sum())
    order = order[: min(max(worth, 5), MOST_BARS)]
    chosen = set(result.chosen.tolist())
    F = len(label)
    words = "delivered watts won by redoing one facet alone" + (
        f"; the first {len(order)} of {F}" if len(order) < F else ""
    )
    tall = 0.21 * max(len(order), 8)
    axes = axes or stacked(found.scenario, words, _traced(found), [tall], right=1.3)[0]
    value, se, half = (
        x[order] for x in (result.gain.value, result.gain.se, result.gain.half_width())
    )
    missing = ~found.present[order]
    axes.barh(
        np.arange(len(order)),
        value,
        xerr=half,
        height=0.7,
        color=[
            "white" if m else ORANGE if f in chosen else BLUE
            for f, m in zip(order, missing, strict=True)
        ],
        edgecolor=[ORANGE if f in chosen else BLUE for f in order],
        hatch=["////" if m else "" for m in missing],
        error_kw={"lw": 0.8, "ecolor": INK},
        linewidth=0.7,
    )
    for k in range(len(order)):
        axes.text(
            1.02,
            k,
            " ± ".join(plus_minus(float(value[k]), float(se[k]), digits=4, decimals=2)),
            transform=axes.get_yaxis_transform(),
            size=SMALL,
            color=INK,
            va="center",
        )
    axes.set_yticks(np.arange(len(order)), [label[f] for f in order])
    axes.set_ylim(len(order) - 0.4, -0.6)
    axes.axvline(0.0, color=GREY, lw=0.6)
    axis_labels(axes, "gain [W], with its 95 % interval; beside it the standard error", "")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    _rank_legend(axes, bool(missing.any()), bool(chosen))
    return figure_of(axes)


def _rank_legend(axes: Axes, missing: bool, chosen: bool) -> None:
    from matplotlib.patches import Patch

    items = [Patch(facecolor=BLUE, label="set again")]
    if chosen:
        items.append(Patch(facecolor=ORANGE, label="on the list to redo"))
    if missing:
        items.append(Patch(facecolor="white", edgecolor=GREY, hatch="////", label="replaced"))
    legend_above(axes, items)


def _redo(found: Spots) -> Redo:
    if found.redo is None:
        raise StudyError("no spots were measured, so nothing can be said of redoing facets")
    return found.redo


def _traced(found: Spots) -> list[str]:
    return [
        f"{_redo(found).beams} beams a facet",
        f"{found.plan.replicates} replicates",
        f"seed {found.plan.seed}",
    ]


def gain_figure(found: Spots, axes: Axes | None = None) -> Figure:
    """Draw the delivered watts against the number of facets redone.

    Parameters
    ----------
    found : Spots
        With what redoing wins.
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    result = _redo(found)
    curve, gains = result.curve, result.gains
    F = len(gains.value) - 1
    # to where it has levelled off
    flat = np.flatnonzero(gains.value >= 0.995 * gains.value.max())
    last = min(F, max(int(1.4 * flat[0]) if len(flat) else F, (result.needed or 0) + 4, 8))
    k = np.arange(last + 1)
    words = "delivered watts as facets are redone, best first"
    axes = axes or stacked(found.scenario, words, _traced(found), [3.2], right=1.7, above=0.15)[0]
    low, high = result.percentiles[[0, 2], 0]
    axes.axhspan(low, high, color="#f3ead2", zorder=0)
    exact = float(result.exactly_set)
    axes.axhline(exact, color=GREY, lw=0.9, ls=(0, (4, 2)), zorder=1)
    axes.plot(k, curve.value[k], color=BLUE, lw=1.4, marker="o", ms=3.0 if last < 80 else 0.0)
    if result.reading_sd:
        axes.errorbar(
            0, curve.value[0], yerr=result.reading_sd, color=INK, lw=0.9, capsize=3, zorder=5
        )
    wanted = result.worth.wanted
    if result.goal is not None:
        wanted = float(curve.value[0]) + result.goal
    if wanted is not None:
        axes.plot([0, last], [wanted, wanted], color=ORANGE, lw=0.9, ls=(0, (1, 1.5)))
    if result.needed is not None and result.needed <= last:
        axes.plot(
            result.needed, curve.value[result.needed], marker="D", ms=6, color=ORANGE, zorder=6
        )
    notes = [
        (0.5 * (low + high), "8 of 10 cookers built\nto these tolerances", "#8a6d1d"),
        (exact, "exactly set", GREY),
        (float(curve.value[0]), "as measured", INK),
    ]
    if result.moved is not None:
        notes[-1] = (float(curve.value[0]), "as measured,\nafter the move", INK)
        notes.append((float(result.as_read), "as measured,\nbefore it", INK))
        axes.plot(0, float(result.as_read), marker="o", ms=4.0, mfc="white", mec=INK, zorder=5)
    if wanted is not None:
        notes.append((wanted, f"wanted: {plain(wanted, 3)} W", ORANGE))
    axes.set_xlim(-0.02 * last, 1.01 * last)
    _side_notes(axes, notes)
    axis_labels(axes, "facets redone", "delivered [W]")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    from matplotlib.ticker import MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    return figure_of(axes)


def _side_notes(axes: Axes, notes: list[tuple[float, str, str]]) -> None:
    """Words at heights in the right margin, moved apart where they would overlap."""
    y0, y1 = axes.get_ylim()
    gap = 0.075 * (y1 - y0)
    placed: list[float] = []
    for y, words, colour in sorted(notes):
        lines = words.count("\n")
        at = y if not placed else max(y, placed[-1] + gap * (1.0 + 0.35 * lines))
        placed.append(at + 0.35 * gap * lines)
        axes.annotate(
            words,
            xy=(1.0, y),
            xytext=(1.03, at),
            xycoords=axes.get_yaxis_transform(),
            textcoords=axes.get_yaxis_transform(),
            size=SMALL,
            color=colour,
            va="center",
            arrowprops={"arrowstyle": "-", "color": LIGHT, "lw": 0.6},
            annotation_clip=False,
        )


def figures(found: Spots) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    found : Spots

    Returns
    -------
    dict of str to Figure
    """
    out = {"spots": spots_figure(found)}
    if found.redo is not None:
        out |= {"redo": rank_figure(found), "gain": gain_figure(found)}
    return out
