"""Figures of a comparison: what each key does, pairs of keys, and watts against cost."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.numbers import plain
from raytrace.reports.common.page import bar_beside, figure_of, stacked
from raytrace.reports.common.style import (
    AMBER,
    BLUE,
    GREEN,
    GREY,
    INK,
    MAP,
    ORANGE,
    SILVER,
    SKY,
    SMALL,
    VIOLET,
    axis_labels,
    colour_range,
    colour_scale,
    grid_behind,
    ink_on,
    legend_above,
)
from raytrace.reports.designs.compare import label_of
from raytrace.reports.designs.outcomes import factor_of, unit_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.designs.comparison import Comparison, Effect

__all__ = [
    "bars_figure",
    "effects_figure",
    "figures",
    "front_figure",
    "maps_figure",
]

Array = NDArray[np.float64]

COLOURS = (BLUE, GREEN, VIOLET, AMBER, SKY, SILVER)
MOST_EFFECTS, MOST_MAPS, MOST_BARS, MOST_NAMES = 9, 6, 25, 14
CELLS = 12  # levels along a side up to which a map's cells carry their figures
LETTERS = 9  # of a level that fit below a tick


def figures(study: Comparison) -> dict[str, Figure]:
    """All figures by name; none where no design has the outcome that they are ranked by.

    Parameters
    ----------
    study : Comparison

    Returns
    -------
    dict of str to Figure
    """
    if not len(study.ranked()):
        return {}
    if study.plan.factors:
        out = {"effects": effects_figure(study)}
    else:
        out = {"designs": bars_figure(study)}
    if len(study.plan.factors) > 1:
        out["maps"] = maps_figure(study)
    front = study.front_of
    if front is not None and len(study.good) > 1:
        out["front"] = front_figure(study, *front)
    return out


def _head(study: Comparison, words: str) -> tuple[Scenario, str, list[str]]:
    ask = study.plan.ask
    refused = len(study.designs) - len(study.good)
    stated = [
        f"{len(study.designs)} designs" + (f", {refused} can't be built" if refused else ""),
        f"{ask.replicates} replicates",
        f"seed {ask.seed}",
    ]
    first = study.scenarios[0]
    if len(study.scenarios) > 1:
        first = first.model_copy(update={"title": f"{len(study.scenarios)} scenarios side by side"})
        first._source = ", ".join(s.source for s in study.scenarios)
    return first, words, stated


def _scaled(study: Comparison, outcome: str) -> tuple[Array, Array]:
    x, factor = study.of(outcome), factor_of(outcome)
    return factor * x.value, factor * x.se


def effects_figure(study: Comparison) -> Figure:
    """Draw an outcome against each key: all designs, and the mean over the other keys.

    Parameters
    ----------
    study : Comparison

    Returns
    -------
    Figure
    """
    count = min(len(study.plan.factors), MOST_EFFECTS)
    columns = min(count, 2)
    head = _head(study, f"{study.by} against each key that was varied")
    pages = stacked(*head, [2.2] * math.ceil(count / columns), columns=columns)
    value, _ = _scaled(study, study.by)
    good = study.good[np.isfinite(value[study.good])]
    low, high = value[good].min(), value[good].max()
    pad = 0.06 * (high - low) or 0.05 * abs(high) or 1.0
    for k in range(count):
        factor = study.plan.factors[k]
        axes = pages[k]
        effect = study.effect(k)
        at = np.array([factor.number(d.values[k]) for d in study.designs])
        for which, name, colour in _scenarios(study):
            own = [d for d in good if study.designs[d].scenario == which]
            axes.plot(at[own], value[own], ".", color=colour, ms=7.0, alpha=0.45, mew=0, zorder=2)
            if k == 0:
                axes.plot([], [], ".", color=colour, ms=7.0, alpha=0.6, label=name)
        _mean_line(axes, effect, factor_of(study.by))
        _scale(axes, effect)
        axes.set_ylim(low - pad, high + pad)
        grid_behind(axes)
        label = f"{factor.key} [{factor.unit}]" if factor.unit else factor.key
        axis_labels(axes, label, label_of(study, study.by) if k % columns == 0 else "")
        if k % columns:
            axes.tick_params(labelleft=False)
    legend_above(pages[0])
    for spare in pages[count:]:
        spare.remove()
    return figure_of(pages[0])


def _scenarios(study: Comparison) -> list[tuple[int, str, str]]:
    """Number, name and colour of each scenario."""
    if len(study.scenarios) == 1:
        return [(0, "a design", BLUE)]
    return [
        (which, s.source.removesuffix(".toml"), COLOURS[which % len(COLOURS)])
        for which, s in enumerate(study.scenarios)
    ]


def _mean_line(axes: Axes, effect: Effect, scale: float) -> None:
    there = effect.count > 0
    axes.errorbar(
        effect.at[there],
        scale * effect.mean.value[there],
        yerr=scale * effect.mean.se[there],
        color=ORANGE,
        lw=1.4 if effect.factor.numeric else 0.0,
        marker="o",
        ms=4.0,
        capsize=2.0,
        elinewidth=1.0,
        zorder=4,
        label="mean ± s.e.",
    )


def _scale(axes: Axes, effect: Effect) -> None:
    """Ticks at the levels, as many as there is room for."""
    if not effect.factor.numeric:
        axes.set_xticks(effect.at, [_short(x) for x in effect.labels])
        axes.set_xlim(effect.at[0] - 0.5, effect.at[-1] + 0.5)
    elif len(effect.at) <= 8 and not any(" to " in label for label in effect.labels):
        unit = effect.factor.unit
        axes.set_xticks(effect.at, [x.removesuffix(unit).strip() for x in effect.labels])


def _short(text: str) -> str:
    return text if len(text) <= LETTERS + 2 else f"{text[:LETTERS]}…"


def maps_figure(study: Comparison) -> Figure:
    """Draw an outcome over pairs of keys: the mean over the others, or the designs sampled.

    Parameters
    ----------
    study : Comparison

    Returns
    -------
    Figure
    """
    from matplotlib.ticker import MaxNLocator

    pairs = list(itertools.combinations(range(len(study.plan.factors)), 2))[:MOST_MAPS]
    grid = study.plan.sample is None
    how = "mean over the other keys" if grid else "each design sampled"
    head = _head(study, f"{study.by} over pairs of keys, {how}")
    pages = stacked(*head, [2.7] * len(pairs), right=0.95)
    value, _ = _scaled(study, study.by)
    good = study.good[np.isfinite(value[study.good])]
    tables = [_table(study, i, j, value) for i, j in pairs] if grid else []
    seen = np.concatenate([t.ravel() for t in tables]) if grid else value[good]
    low, high = colour_range(seen)
    for n, (axes, (i, j)) in enumerate(zip(pages, pairs, strict=True)):
        if grid:
            image = _cells(axes, study, (i, j), tables[n], low, high)
        else:
            x, y = ([study.plan.factors[f].number(d.values[f]) for d in study.designs]
                    for f in (i, j))  # fmt: skip
            bad = [k for k, why in enumerate(study.refused) if why]
            axes.plot(np.array(x)[bad], np.array(y)[bad], "x", color=GREY, ms=3.5, mew=0.7)
            image = axes.scatter(
                np.array(x)[good], np.array(y)[good], c=value[good], s=22.0, cmap=MAP,
                vmin=low, vmax=high, lw=0.3, edgecolors=GREY,
            )  # fmt: skip
            for f, axis in ((i, axes.xaxis), (j, axes.yaxis)):
                move = study.plan.factors[f].move
                if move.choices:
                    axis.set_ticks(range(len(move.choices)), [_short(c) for c in move.choices])
                elif move.whole:
                    axis.set_major_locator(MaxNLocator(integer=True))
        keys = [study.plan.factors[f] for f in (i, j)]
        axis_labels(axes, *(f"{f.key} [{f.unit}]" if f.unit else f.key for f in keys))
        if not keys[1].numeric:  # words beside the axis would need more room than there is
            for label in axes.get_yticklabels():
                label.set(rotation=90, va="center")
        colour_scale(image, bar_beside(axes), label_of(study, study.by))
    return figure_of(pages[0])


def _table(study: Comparison, i: int, j: int, value: Array) -> Array:
    """Mean over designs of each pair of levels, shape (levels of j, levels of i)."""
    a, b = study.plan.factors[i].levels, study.plan.factors[j].levels
    sums, counts = np.zeros((len(b), len(a))), np.zeros((len(b), len(a)))
    places = [{v: k for k, v in enumerate(levels)} for levels in (a, b)]
    for k in study.good:
        if math.isfinite(value[k]):
            values = study.designs[k].values
            at = places[1][values[j]], places[0][values[i]]
            sums[at] += value[k]
            counts[at] += 1.0
    return np.divide(sums, counts, out=np.full_like(sums, np.nan), where=counts > 0.0)


def _cells(
    axes: Axes, study: Comparison, pair: tuple[int, int], table: Array, low: float, high: float
) -> Any:
    import matplotlib as mpl

    image = axes.imshow(table, origin="lower", aspect="auto", cmap=MAP, vmin=low, vmax=high,
                        interpolation="nearest")  # fmt: skip
    axes.set_facecolor("#efefef")
    for f, ticks, labels in (
        (pair[0], axes.set_xticks, axes.set_xticklabels),
        (pair[1], axes.set_yticks, axes.set_yticklabels),
    ):
        factor = study.plan.factors[f]
        levels = [x.removesuffix(factor.unit).strip() for x in factor.levels]
        step = math.ceil(len(levels) / CELLS)
        shown = range(0, len(levels), step)
        ticks(list(shown))
        labels([_short(levels[k]) for k in shown])
    if max(table.shape) <= CELLS:
        colours = mpl.colormaps[MAP]
        for (row, column), x in np.ndenumerate(table):
            share = (x - low) / (high - low) if high > low else 0.5
            known = math.isfinite(x)
            axes.text(column, row, plain(float(x), 3) if known else "×", ha="center", va="center",
                      size=SMALL, color=ink_on(colours(share)) if known else GREY)  # fmt: skip
    return image


def front_figure(study: Comparison, gain: str, price: str, axes: Axes | None = None) -> Figure:
    """Draw every design's gain against its price, and those that none beats in both.

    Parameters
    ----------
    study : Comparison
    gain, price : str
        Outcomes.
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    words = f"{gain} against {price}: designs that none beats in both, by their numbers"
    axes = axes or stacked(*_head(study, words), [3.8])[0]
    y, error = _scaled(study, gain)
    x, _ = _scaled(study, price)
    front = study.front(gain, price)
    for which, name, colour in _scenarios(study):
        own = [k for k in study.good if study.designs[k].scenario == which]
        axes.plot(x[own], y[own], "o", color=colour, ms=4.0, mew=0, alpha=0.55, zorder=2,
                  label=name)  # fmt: skip
    axes.errorbar(x[front], y[front], yerr=error[front], color=INK, ls="none", marker="o", ms=5.5,
                  mfc="none", mew=1.1, capsize=2.0, elinewidth=0.9, zorder=4,
                  label="beaten by none")  # fmt: skip
    right = 1.02 * np.nanmax(x) if len(x) else 1.0
    axes.step(np.append(x[front], right), np.append(y[front], y[front][-1]), where="post",
              color=INK, lw=0.9, zorder=3)  # fmt: skip
    grid_behind(axes)
    top = axes.get_ylim()
    axes.set_ylim(top[0], top[1] + 0.06 * (top[1] - top[0]))
    _name_front(axes, study, front, x, y)
    axis_labels(
        axes, f"{price} [{unit_of(price, study.scenarios[0].cost.currency)}]", label_of(study, gain)
    )
    legend_above(axes)
    return figure_of(axes)


def _name_front(axes: Axes, study: Comparison, front: Any, x: Array, y: Array) -> None:
    """Numbers above the front's designs, left out where they would run into each other."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    box = axes.get_window_extent()
    across, up = (size / figure_of(axes).dpi for size in (box.width, box.height))
    last: tuple[float, float] | None = None
    ends = {int(front[0]), int(front[-1])}
    for k in map(int, front):
        at = across * (x[k] - x0) / (x1 - x0), up * (y[k] - y0) / (y1 - y0)
        crowded = last is not None and math.hypot(at[0] - last[0], at[1] - last[1]) < 0.26
        if crowded and k not in ends:
            continue
        axes.annotate(
            str(study.designs[k].number),
            (x[k], y[k]),
            xytext=(-3, 5),
            textcoords="offset points",
            ha="right",
            size=SMALL,
            color=INK,
            zorder=6,
        )
        last = at


def bars_figure(study: Comparison, axes: Axes | None = None) -> Figure:
    """Draw an outcome of scenarios side by side, best on top.

    Parameters
    ----------
    study : Comparison
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    ranked = study.ranked()[:MOST_BARS]
    head = _head(study, f"{study.by} of each scenario")
    axes = axes or stacked(*head, [max(0.32 * len(ranked), 0.8)], left=1.6)[0]
    value, error = _scaled(study, study.by)
    at = np.arange(len(ranked))[::-1]
    axes.barh(at, value[ranked], xerr=error[ranked], color=BLUE, alpha=0.75, height=0.62,
              ecolor=INK, capsize=2.5)  # fmt: skip
    for row, k in zip(at, ranked, strict=True):
        axes.annotate(f" {plain(float(value[k]), 4)}", (value[k] + error[k], row), xytext=(3, 0),
                      textcoords="offset points", va="center", size=SMALL, color=INK)  # fmt: skip
    sources = [study.scenarios[study.designs[k].scenario].source for k in ranked]
    axes.set_yticks(at, [s.removesuffix(".toml") for s in sources])
    axes.set_xlim(0.0, 1.18 * float(np.nanmax(value[ranked] + error[ranked])))
    grid_behind(axes, "x")
    axis_labels(axes, label_of(study, study.by), "")
    return figure_of(axes)
