"""Figures of a tolerance study: watts and intercept against the setting error, and the limits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.reports.common.numbers import plain
from raytrace.reports.common.page import figure_of, stacked
from raytrace.reports.common.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    SMALL,
    TEXT,
    axis_labels,
    grid_behind,
    legend_above,
)
from raytrace.reports.common.units import axis_words, drawn, quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.light.ensemble import Spread
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.tolerance.sweep import Level
    from raytrace.studies.tolerance.tolerance import Tolerance

__all__ = ["figures", "limit_figure", "sweep_figure"]

LOWEST = 79.0  # watts kept down to which limits are drawn, of those with no errors [%]
BEYOND = "#f4f4f4"  # behind levels that nobody asked for


def figures(study: Tolerance) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    study : Tolerance

    Returns
    -------
    dict of str to Figure
    """
    out = {"sweep": sweep_figure(study)}
    if study.family("any"):
        out["limit"] = limit_figure(study)
    return out


def _head(study: Tolerance, words: str) -> tuple[Scenario, str, list[str]]:
    stated = [
        f"{study.plan.builds} builds a level",
        f"{study.plan.replicates} × {study.plan.beams} beams a facet",
        f"seed {study.plan.seed}",
    ]
    return study.scenario, words, stated


def sweep_figure(study: Tolerance) -> Figure:
    """Draw delivered watts and intercept against the setting error.

    Parameters
    ----------
    study : Tolerance

    Returns
    -------
    Figure
    """
    there = study.conditions
    others = "other errors as in the scenario" if study.plan.others else "no other errors"
    head = _head(
        study,
        f"what the setting error costs, {others}   sun {np.degrees(there.sun_altitude):.1f}° high"
        f"   DNI {there.dni:.0f} W/m²",
    )
    top, bottom = stacked(*head, [3.2, 2.0], above=0.55)
    by_miss = study.plan.kind == "miss"
    along: Callable[[Level], float] = lambda x: _error(x.miss, x.sigma, by_miss)  # noqa: E731
    sigma = np.array([along(x) for x in study.sweep])
    asked = len(study.plan.levels)
    power = [x.power for x in study.sweep]
    _band(top, sigma, power, 1.0, BLUE)
    _band(bottom, sigma, [x.intercept for x in study.sweep], 100.0, GREEN)
    whole = study.no_errors.power.mean
    label = f"no errors, {plain(whole, 4)} W"
    none = top.axhline(whole, color=INK, lw=1.0, ls=(0, (1, 1.2)), label=label)
    own = study.own
    for axes, value in (
        ((top, own.power.mean), (bottom, 100.0 * own.intercept.mean)) if study.alike else ()
    ):
        axes.plot(
            along(own), value, "o", ms=7, mfc="white", mec=INK, mew=1.3, zorder=5,
            label="as the scenario says",
        )  # fmt: skip
    _mark_shares(top, study)
    low = min(x.p10.value for x in power)
    high = max(whole, *(x.p90.value for x in power))
    pad = 0.12 * (high - low) + 1e-9
    top.set_ylim(low - pad, high + pad)
    for axes in (top, bottom):
        axes.set_xlim(0.0, 1.02 * sigma[-1])
        grid_behind(axes)
        if asked < len(sigma):
            axes.axvspan(sigma[asked - 1], 2.0 * sigma[-1], color=BEYOND, zorder=0)
    axis_labels(top, "", "delivered [W]")
    words = axis_words("laser's miss, rms, the same for every facet") if by_miss else ""
    axis_labels(
        bottom,
        words or "setting error, σ per axis, the same for every facet [mrad]",
        "intercept [%]",
    )
    if asked < len(sigma):
        top.annotate(
            "beyond the levels asked for",
            (sigma[asked - 1], top.get_ylim()[0]),
            xytext=(4, 4),
            textcoords="offset points",
            size=SMALL,
            color=GREY,
            bbox={"facecolor": BEYOND, "edgecolor": "none", "pad": 1.0},
        )
    _other_axis(top, study)
    legend_above(bottom, [*bottom.get_legend_handles_labels()[0], none])
    return figure_of(top)


def _error(miss: float, sigma: float, by_miss: bool) -> float:
    """A setting error along the figure's axis: a miss in the chosen unit, or an angle in mrad."""
    return drawn(miss) if by_miss else 1e3 * sigma


def _band(axes: Axes, x: Any, spreads: Sequence[Spread], factor: float, colour: str) -> None:
    def line(pick: Callable[[Spread], float]) -> Any:
        return factor * np.array([pick(s) for s in spreads])

    mean, se = line(lambda s: s.mean), line(lambda s: s.se)
    low, middle, high = (
        factor * np.array([[p.value, p.low, p.high] for p in (getattr(s, q) for s in spreads)]).T
        for q in ("p10", "p50", "p90")
    )
    axes.fill_between(
        x, low[0], high[0], color=colour, alpha=0.16, lw=0,
        label="10th to 90th percentile of builds, each ± its 95 % bounds",
    )  # fmt: skip
    for value, *bounds in (low, high):
        ends = np.where(np.isfinite(bounds), bounds, value)
        axes.vlines(x, *ends, color=colour, lw=0.8, alpha=0.55)
    axes.plot(x, middle[0], color=colour, lw=1.0, ls=(0, (4, 2)), label="median build")
    axes.errorbar(x, mean, yerr=se, color=colour, lw=1.6, marker="s", ms=3.0, capsize=2.0,
                  elinewidth=1.0, label="mean ± standard error")  # fmt: skip


def _mark_shares(axes: Axes, study: Tolerance) -> None:
    """Where each share of the watts with no errors is lost."""
    for kept in study.kept_of_no_errors:
        axes.axhline(kept.watts, color=GREY, lw=0.7, ls=(0, (5, 3)), zorder=1)
        words = f"{100.0 * kept.share:.0f} %"
        if kept.miss.known:
            x = _error(kept.miss.value, kept.sigma.value, study.plan.kind == "miss")
            axes.plot([x, x], [0.0, kept.watts], color=ORANGE, lw=0.9, zorder=2)
            axes.plot(x, kept.watts, "v", color=ORANGE, ms=6, zorder=5)
            words += f" within {quantity('length', kept.miss.value)}"
        axes.annotate(
            words,
            (0.0, kept.watts),
            xytext=(4, -3),
            textcoords="offset points",
            size=SMALL,
            color=INK,
            va="top",
        )


def _other_axis(axes: Axes, study: Tolerance) -> None:
    """Above the curves, what the swept error comes to in the other unit."""
    last = study.sweep[-1]
    by_miss = study.plan.kind == "miss"
    miss, sigma = drawn(last.miss), 1e3 * last.sigma
    per = sigma / miss if by_miss else miss / sigma
    there: Callable[[Any], Any] = lambda x: x * per  # noqa: E731
    back: Callable[[Any], Any] = lambda x: x / per  # noqa: E731
    second = axes.secondary_xaxis("top", functions=(there, back))
    words = (
        "σ per axis, rms over facets [mrad]"
        if by_miss
        else axis_words("laser's miss, rms over facets")
    )
    second.set_xlabel(words, size=TEXT, color=INK)
    second.tick_params(labelsize=SMALL, color=GREY, labelcolor=INK)


def limit_figure(study: Tolerance, axes: Axes | None = None) -> Figure:
    """Draw what a go/no-go limit keeps.

    Parameters
    ----------
    study : Tolerance
        With limits.
    axes : Axes, optional
        To draw into, instead of a figure of its own.

    Returns
    -------
    Figure
    """
    words = "watts kept when every facet whose spot misses by more than a limit is set again"
    axes = axes or stacked(*_head(study, words), [3.3], above=0.45)[0]
    whole = study.no_errors.power.mean
    curves = [("any", BLUE, "s", "any workshop: spots anywhere within the limit")]
    if study.family("checked"):
        words = f"this workshop, {quantity('length', study.own.miss, 1)} rms before the check"
        curves.append(("checked", ORANGE, "o", words))
    right, low = 0.0, LOWEST
    for family, colour, marker, name in curves:
        points: list[Level] = [study.sweep[0], *study.family(family)]
        x = drawn(np.array([0.0, *(p.limit for p in points[1:])]))
        y = 100.0 * np.array([p.power.mean for p in points]) / whole
        se = 100.0 * np.array([p.power.se for p in points]) / whole
        # to the first limit that keeps too little
        end = next((k for k, kept in enumerate(y) if kept < LOWEST), len(y) - 1) + 1
        x, y, se = x[:end], y[:end], se[:end]
        axes.errorbar(x, y, yerr=se, color=colour, marker=marker, ms=4, lw=1.5, capsize=2,
                      label=name)  # fmt: skip
        right, low = max(right, float(x[-1])), min(low, float((y - se).min()))
    for kept in study.kept_of_no_errors:
        share = 100.0 * kept.share
        axes.axhline(share, color=GREY, lw=0.7, ls=(0, (5, 3)), zorder=1)
        for reach, colour, side in ((kept.limit_any, BLUE, -1), (kept.limit, ORANGE, 1)):
            if reach is None or not reach.known:
                continue
            at = drawn(reach.value)
            axes.plot([at, at], [0.0, share], color=colour, lw=0.8, zorder=2)
            axes.annotate(
                quantity("length", reach.value),
                (at, share),
                xytext=(5 * side, -9 if side < 0 else 5),
                textcoords="offset points",
                size=SMALL,
                color=colour,
                ha="right" if side < 0 else "left",
            )
    axes.set_ylim(low - 1.0, 101.5)
    axes.set_xlim(0.0, 1.03 * right)
    grid_behind(axes)
    axis_labels(axes, axis_words("largest miss that passes"), "of the watts with no errors [%]")
    legend_above(axes)
    return figure_of(axes)
