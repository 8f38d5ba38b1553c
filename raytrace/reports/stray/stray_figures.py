"""Stray light from above and from the side, and by date and hour."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.pose import Pose, posed
from raytrace.reports.common.page import axes_at
from raytrace.reports.common.style import (
    GREY,
    INK,
    LIGHT,
    SMALL,
    WIDTH,
    axis_labels,
    colour_scale,
    headed_figure,
)
from raytrace.reports.common.times import date_words, hour_minute, short_date
from raytrace.reports.common.units import clock_words, unit
from raytrace.reports.common.words import point_of
from raytrace.reports.stray.drawing import (
    draw_cooker,
    draw_field,
    draw_person,
    draw_surroundings,
    limit_bar,
    north_arrow,
)
from raytrace.reports.stray.stray_words import (
    case_words,
    keep_away,
    left_cases,
    reach_by_sun,
)
from raytrace.reports.trace.bodies import Scene
from raytrace.sky.ground import ground_of
from raytrace.studies.stray.limits import BURNS, LEAST
from raytrace.studies.stray.stray_plan import HEIGHTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.stray.stray_data import Stray

__all__ = ["above_figure", "figures", "hours_figure", "side_figure"]

Array = NDArray[np.float64]

FINE = 241  # points across the picture from above
FLOOR = 1.0  # W/m², so that darkness has a logarithm


def figures(found: Stray) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    found : Stray

    Returns
    -------
    dict of str to Figure
    """
    return {
        "above": above_figure(found),
        "side": side_figure(found),
        "hours": hours_figure(found),
    }


def _stated(found: Stray) -> list[str]:
    plan = found.plan
    return [
        f"{len(found.times)} suns",
        f"{plan.builds} build{'s' * (plan.builds != 1)}",
        f"seed {plan.seed}",
    ]


def _standing(found: Stray, case: int, sun: int) -> Scene:
    """Cooker as it stands, square to the ground as the yard's frame is."""
    pose = Pose(heading=float(found.heading[case, sun]), tilt=float(found.tilt[case, sun]))
    sloped = replace(pose, ground=ground_of(found.scenario.site))
    return Scene(posed(build_cooker(found.scenario), sloped), pose, np.array([0.0, 0.0, 1.0]))


def above_figure(found: Stray) -> Figure:
    """Draw the strongest light at people's heights all round, nobody minding the cooker.

    Parameters
    ----------
    found : Stray

    Returns
    -------
    Figure
    """
    figure = headed_figure(
        WIDTH,
        6.2,
        found.scenario,
        "seen from above, mirrors uncovered and nobody there: the strongest light of all hours and "
        "dates at people's heights",
        _stated(found),
    )
    axes = axes_at(figure, 0.62, 0.95, 4.2, 4.2)
    skin = float(found.reach(LEAST.irradiance).max())
    fire = float(found.reach(BURNS.irradiance).max())
    edge = _edge(found, skin)
    x = np.linspace(-edge, edge, FINE)
    yards = unit("yard")
    field = _map(found, x)
    mesh = draw_field(axes, yards.of(x), yards.of(x), field, float(found.worst.max()))
    draw_surroundings(axes, found.scenario.site.surroundings, edge)
    left = left_cases(found)
    sun = int(found.side_sun[left[0]])
    east, north, _ = np.eye(3)
    there = found.cases[left[0]].pot_there
    draw_cooker(axes, _standing(found, left[0], sun), east, north, pot_there=there)
    for reach, dashes, words in ((skin, "solid", "people"), (fire, (0, (5, 2)), "what burns")):
        _ring(axes, reach, edge, dashes, f"{words}: {keep_away(reach, found.distances[-1])}")
    axes.set_xlim(-yards.of(edge), yards.of(edge))
    axes.set_ylim(-yards.of(edge), yards.of(edge))
    axes.set_aspect("equal")
    north_arrow(axes)
    symbol = yards.symbol
    axis_labels(axes, f"east of the board's middle [{symbol}]", f"north [{symbol}]")
    limit_bar(figure, mesh, (5.3 / WIDTH, 2.0 / 6.2, 0.13 / WIDTH, 2.8 / 6.2))
    return figure


def _edge(found: Stray, skin: float) -> float:
    """Half the width of the picture from above: the ring, and near surroundings. [m]"""
    near = [one.distance for one in found.scenario.site.surroundings if one.distance < 15.0]
    least = 1.5 * skin if math.isfinite(skin) else float(found.distances[-1])
    return min(max(3.0, least, *(1.15 * d for d in near)), 1.2 * float(found.distances[-1]))


def _map(found: Stray, x: Array) -> Array:
    """Strongest light at people's heights on a grid, from sectors and rings. [W/m²]"""
    from scipy.ndimage import map_coordinates

    feet, head = found.plan.people
    low = (found.heights > feet) & (HEIGHTS[:-1] < head - 1e-9)
    polar = found.around[left_cases(found)][..., low].max(axis=(0, 3))  # (K, G)
    east, north = np.meshgrid(x, x)
    away = np.hypot(east, north)
    bearing = np.arctan2(east, north) % (2.0 * np.pi)
    steps = np.log(found.distances)
    ring = (np.log(np.maximum(away, 1e-3)) - steps[0]) / (steps[1] - steps[0])
    sector = bearing / (2.0 * np.pi) * polar.shape[1] - 0.5
    closed = np.log(np.concatenate([polar[:, -1:], polar, polar[:, :1]], axis=1) + FLOOR)
    seen = map_coordinates(closed, [np.clip(ring, 0.0, len(steps) - 1.0), sector + 1.0], order=1)
    return np.asarray(np.exp(seen) - FLOOR)


def _ring(axes: Axes, reach: float, edge: float, dashes: Any, words: str) -> None:
    """Circle of a distance to keep, with its name on it."""
    from matplotlib.patches import Circle
    from matplotlib.patheffects import withStroke

    if not 0.0 < reach < 1.41 * edge:
        return
    of = unit("yard").of
    axes.add_patch(
        Circle((0.0, 0.0), of(reach), fill=False, edgecolor=INK, lw=1.5, ls=dashes, zorder=6)
    )
    axes.annotate(
        words,
        (0.0, -of(reach)),
        xytext=(0, -3),
        textcoords="offset points",
        size=SMALL,
        ha="center",
        va="top",
        color=INK,
        zorder=8,
        path_effects=[withStroke(linewidth=2.5, foreground="white")],
    )


def side_figure(found: Stray) -> Figure:
    """Draw an upright plane through the strongest stray light, with a person for scale.

    Parameters
    ----------
    found : Stray

    Returns
    -------
    Figure
    """
    left = left_cases(found)
    reach = found.reach(LEAST.irradiance)
    case = max(left, key=lambda c: float(reach[c]))
    sun, bearing = int(found.side_sun[case]), float(found.side_bearing[case])
    time = dt.datetime.fromisoformat(found.times[sun])
    figure = headed_figure(
        WIDTH,
        4.3,
        found.scenario,
        f"from the side, toward the {point_of(bearing)}, {case_words(found.cases[case])}: "
        f"{date_words(time.date())}, {hour_minute(time)}",
        _stated(found),
    )
    axes = axes_at(figure, 0.62, 0.95, 4.2, 2.5)
    yards = unit("yard")
    along, up = found.side_along, found.side_up
    far = min(max(2.2 * float(reach[case]), 5.0), float(along[-1]))
    mesh = draw_field(
        axes, yards.of(along), yards.of(up), found.side[case], float(found.worst.max())
    )
    ahead, above = np.array([[np.sin(bearing), np.cos(bearing), 0.0], [0.0, 0.0, 1.0]])
    there = found.cases[case].pot_there
    draw_cooker(axes, _standing(found, case, sun), ahead, above, pot_there=there)
    draw_person(axes, 0.75 * far, 0.0)
    axes.axhline(0.0, color=GREY, lw=1.2, zorder=3)
    for height in found.plan.people:
        axes.axhline(yards.of(height), color=GREY, lw=0.8, ls=(0, (2, 2)), zorder=3)
    most = float(reach.max())
    if 0.0 < most < far:
        axes.axvline(yards.of(most), color=INK, lw=1.5, zorder=5)
        axes.annotate(
            f"people: {keep_away(most, found.distances[-1])}",
            (yards.of(most), 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            size=SMALL,
            ha="center",
            va="bottom",
            color=INK,
        )
    axes.set_xlim(yards.of(max(float(along[0]), -0.25 * far)), yards.of(far))
    axes.set_aspect("equal")
    box = 2.5 / 4.2 * 1.25 * far
    axes.set_ylim(yards.of(-0.03 * box), yards.of(min(0.97 * box, float(up[-1]))))
    symbol = yards.symbol
    axis_labels(
        axes, f"along the ground from the board's middle [{symbol}]", f"over the ground [{symbol}]"
    )
    limit_bar(figure, mesh, (5.3 / WIDTH, 0.85 / 4.3, 0.13 / WIDTH, 2.3 / 4.3))
    return figure


def hours_figure(found: Stray) -> Figure:
    """Draw by date and hour how far the light can hurt, nobody minding the cooker.

    Parameters
    ----------
    found : Stray

    Returns
    -------
    Figure
    """
    from matplotlib import colormaps

    figure = headed_figure(
        WIDTH,
        4.9,
        found.scenario,
        f"nobody minds it: how far {1e-3 * LEAST.irradiance:g} kW/m² are passed at people's "
        "heights, the sun's own among them, by date and hour",
        _stated(found),
    )
    axes, bar = axes_at(figure, 0.75, 0.95, 4.6, 3.1), axes_at(figure, 5.55, 0.95, 0.13, 3.1)
    step = found.plan.step / 3600.0
    hours, reach = _by_hour(found, step)
    shown = unit("yard")
    colours = colormaps["viridis"].with_extremes(bad=LIGHT)
    top = np.where(np.isinf(reach), found.distances[-1], reach)
    mesh = axes.pcolormesh(
        np.arange(len(found.plan.dates) + 1) - 0.5,
        np.append(hours, hours[-1] + step),
        np.ma.masked_invalid(shown.of(top)).T,
        cmap=colours,
        rasterized=True,
    )
    axes.set_xticks(
        range(len(found.plan.dates)), labels=[short_date(d).strip() for d in found.plan.dates]
    )
    ticks = range(math.ceil(hours[0]), math.floor(hours[-1] + step) + 1, 2)
    axes.set_yticks(list(ticks), labels=[clock_words(h, 0, brief=True) for h in ticks])
    axis_labels(axes, "", f"clock of {found.scenario.site.timezone}")
    colour_scale(mesh, bar, f"passed as far as [{shown.symbol}]")
    return figure


def _by_hour(found: Stray, step: float) -> tuple[Array, Array]:
    """Hours of the clock, and the greatest reach by date and hour; nan where no sun is up. [m]"""
    times = [dt.datetime.fromisoformat(t) for t in found.times]
    clock = np.array([t.hour + t.minute / 60.0 + t.second / 3600.0 for t in times])
    which = np.round(clock / step).astype(int)
    first, last = int(which.min()), int(which.max())
    by_sun = np.fmax.reduce(reach_by_sun(found, LEAST.irradiance)[left_cases(found)], axis=0)
    out = np.full((len(found.plan.dates), last - first + 1), np.nan)
    for k, time in enumerate(times):
        if time.date() in found.plan.dates:
            at = found.plan.dates.index(time.date()), which[k] - first
            out[at] = np.fmax(out[at], by_sun[k])
    return np.asarray((np.arange(first, last + 1) - 0.5) * step), out
