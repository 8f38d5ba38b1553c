"""Figures of a blame study: watts lost by source, Sobol' indices, and how these converge."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.reports.common.numbers import plus_minus
from raytrace.reports.common.page import figure_of, stacked
from raytrace.reports.common.style import (
    AMBER,
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    SMALL,
    TEXT,
    VIOLET,
    axis_labels,
    grid_behind,
    legend_above,
)
from raytrace.reports.tolerance.blame import absent
from raytrace.studies.tolerance.blame import WAYS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.tolerance.blame import Blame, Loss

__all__ = ["convergence_figure", "figures", "indices_figure", "losses_figure"]

LOOKS: dict[str, tuple[str, str]] = {"laser": (BLUE, ""), "angle": (AMBER, "////")}
GROUP_LOOKS: dict[str, tuple[str, Any, str]] = {
    "setting": (BLUE, "solid", "o"),
    "placement": (ORANGE, (0, (5, 1.5)), "s"),
    "roll": (GREEN, (0, (1, 1)), "^"),
    "rig": (VIOLET, (0, (6, 1.5, 1, 1.5)), "v"),
    "pointing": (INK, "solid", "D"),
    "pot": (AMBER, (0, (3, 1)), "P"),
}


def figures(study: Blame) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    study : Blame

    Returns
    -------
    dict of str to Figure
    """
    out = {"losses": losses_figure(study)}
    if any(study.indices[way].groups for way in WAYS):
        out["spread"] = indices_figure(study)
        out["convergence"] = convergence_figure(study)
    return out


def _head(study: Blame, words: str, *stated: str) -> tuple[Scenario, str, list[str]]:
    plan = study.plan
    made = [*stated, f"{plan.replicates} × {plan.beams} beams a facet", f"seed {plan.seed}"]
    return study.scenario, words, made


def losses_figure(study: Blame) -> Figure:
    """Draw watts lost to each source, alone and among all, by laser and by angle.

    Parameters
    ----------
    study : Blame

    Returns
    -------
    Figure
    """
    rows = [
        (a, b)
        for a, b in zip(study.of("laser"), study.of("angle"), strict=True)
        if a.present or b.present
    ]
    each = [f"{x:.3g} W by {way}" for x, way in zip(study.gap, WAYS, strict=True)]
    words = (
        f"delivered watts lost to each source; all together {' or '.join(each)}, of "
        f"{study.no_sources.power.mean:.4g} W"
    )
    if missing := absent(study):
        words += f"; not in the scenario: {', '.join(missing)}"
    head = _head(study, words, f"{study.plan.builds} builds")
    top, bottom = stacked(*head, [0.4 * len(rows)] * 2, left=1.5, above=0.45)
    panels = ((top, "alone", "alone: lost if no other error acts"),
              (bottom, "without", "among all: gained if it alone is fixed"))  # fmt: skip
    for axes, name, title in panels:
        axes.set_title(title, size=TEXT, color=INK, loc="left")
        for y, pair in enumerate(rows):
            for loss in pair:
                _bar(axes, y, loss, name)
        axes.axvline(0.0, color=INK, lw=0.8)
        axes.set_ylim(len(rows) - 0.5, -0.5)
        grid_behind(axes, "x")
        axis_labels(axes, "lost [W], mean over builds ± standard error", "")
        axes.tick_params(axis="y", length=0)
        axes.set_yticks(range(len(rows)), [a.source.name for a, _ in rows], size=TEXT)
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
        _room_for_words(axes, rows, name)
    from matplotlib.patches import Patch

    handles = [
        Patch(facecolor=c, edgecolor=INK, lw=0.6, hatch=h, label=f"facets set by {way}")
        for way, (c, h) in LOOKS.items()
    ]
    legend_above(top, handles)
    return figure_of(top)


def _bar(axes: Axes, y: int, loss: Loss, name: str) -> None:
    at = y + (-0.19 if loss.way == "laser" else 0.19)
    if not loss.present:
        axes.annotate(
            "no effect", (0.0, at), xytext=(4, 0), textcoords="offset points", size=SMALL,
            color=GREY, va="center",
        )  # fmt: skip
        return
    colour, hatch = LOOKS[loss.way]
    value, se = getattr(loss, name), getattr(loss, f"{name}_se")
    axes.barh(at, value, height=0.36, color=colour, hatch=hatch, edgecolor=INK, lw=0.6)
    axes.errorbar(value, at, xerr=se, color=INK, lw=0.9, capsize=2.0)
    axes.annotate(
        " ± ".join(plus_minus(value, se, digits=5, decimals=2)),
        (max(value + se, 0.0), at),
        xytext=(4, 0),
        textcoords="offset points",
        size=SMALL,
        color=INK,
        va="center",
    )


def _room_for_words(axes: Axes, rows: list[tuple[Loss, Loss]], name: str) -> None:
    ends = [
        (getattr(x, name) - getattr(x, f"{name}_se"), getattr(x, name) + getattr(x, f"{name}_se"))
        for pair in rows
        for x in pair
        if x.present
    ]
    low, high = min(0.0, *(e[0] for e in ends)), max(0.0, *(e[1] for e in ends))
    reach = max(high - low, 1e-9)
    axes.set_xlim(low - 0.04 * reach, high + 0.42 * reach)


def indices_figure(study: Blame) -> Figure:
    """Draw first-order and total Sobol' indices by group.

    Parameters
    ----------
    study : Blame

    Returns
    -------
    Figure
    """
    head = _head(
        study,
        "why builds differ: shares of the variance of the delivered watts between builds",
        f"{study.plan.base} rows",
    )
    pages = stacked(*head, [2.3, 2.3], above=0.45)
    for axes, way in zip(pages, WAYS, strict=True):
        found = study.indices[way]
        axes.set_title(
            f"facets set by {way}: standard deviation {found.sd:.3g} W",
            size=TEXT, color=INK, loc="left",
        )  # fmt: skip
        x = np.arange(len(found.groups))
        if not len(x):
            continue
        colour, _ = LOOKS[way]
        for shift, name, face, hatch in (
            (-0.2, "first", colour, ""),
            (0.2, "total", "white", "////"),
        ):
            value, ci = getattr(found, name)[-1], getattr(found, f"{name}_ci")[-1]
            words = {"first": "first order: alone", "total": "total: with interplay"}[name]
            axes.bar(
                x + shift, value, 0.38, color=face, hatch=hatch, edgecolor=INK, lw=0.7, label=words
            )
            axes.errorbar(x + shift, value, yerr=ci, fmt="none", color=INK, lw=0.9, capsize=2.5)
            for at, v, c in zip(x + shift, value, ci, strict=True):
                axes.annotate(
                    f"{round(float(v), 2) + 0.0:.2f}", (at, max(v + c, 0.0)),
                    xytext=(0, 2), textcoords="offset points",
                    size=SMALL, ha="center", color=INK,
                )  # fmt: skip
        axes.axhline(0.0, color=INK, lw=0.8)
        axes.set_xticks(x, found.groups)
        grid_behind(axes, "y")
        axis_labels(axes, "", "share of the variance")
        top = max(
            float((value + ci).max())
            for value, ci in (
                (found.first[-1], found.first_ci[-1]),
                (found.total[-1], found.total_ci[-1]),
            )
        )
        axes.set_ylim(min(-0.03, float((found.first[-1] - found.first_ci[-1]).min()) - 0.02),
                      max(1.18 * top, 0.3))  # fmt: skip
        legend_above(axes)
    return figure_of(pages[0])


def convergence_figure(study: Blame) -> Figure:
    """Draw how the indices settle as rows are added.

    Parameters
    ----------
    study : Blame

    Returns
    -------
    Figure
    """
    head = _head(study, "how the shares settle as rows are added, with 95 % bootstrap intervals")
    pages = stacked(*head, [1.5] * 4, above=0.45)
    for k, way in enumerate(WAYS):
        found = study.indices[way]
        for j, name in enumerate(("first", "total")):
            axes = pages[2 * k + j]
            words = {"first": "first order", "total": "total"}[name]
            axes.set_title(f"{words}, facets set by {way}", size=TEXT, color=INK, loc="left")
            for g, group in enumerate(found.groups):
                colour, dashes, marker = GROUP_LOOKS[group]
                value, ci = getattr(found, name)[:, g], getattr(found, f"{name}_ci")[:, g]
                # points side by side, so that intervals don't hide each other
                x = found.base * 2.0 ** (0.07 * (g - 0.5 * (len(found.groups) - 1)))
                axes.errorbar(x, value, yerr=ci, color=colour, ls=dashes, lw=1.2, marker=marker,
                              ms=3.5, capsize=1.5, elinewidth=0.8, label=group)  # fmt: skip
            axes.set_xscale("log", base=2)
            axes.set_xticks(found.base, [str(n) for n in found.base])
            axes.minorticks_off()
            axes.axhline(0.0, color=INK, lw=0.8)
            grid_behind(axes)
            axis_labels(axes, "rows", "share of the variance")
    legend_above(pages[0])
    return figure_of(pages[0])
