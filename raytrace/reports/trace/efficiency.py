"""Efficiency over the sky in words, tables and contours."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from raytrace.reports.common.numbers import plus_minus
from raytrace.reports.common.page import bar_beside, figure_of, name_contours, stacked
from raytrace.reports.common.style import (
    GREY,
    INK,
    MAP,
    TEXT,
    axis_labels,
    colour_range,
    colour_scale,
)
from raytrace.reports.common.tables import DETAILS, pairs, table_of
from raytrace.reports.common.units import short

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from rich.console import RenderableType

    from raytrace.studies.trace.efficiency import Efficiency

__all__ = ["efficiency_sentences", "efficiency_tables", "figures"]

Array = NDArray[np.float64]

STEP = np.radians(1.0)  # between the sun positions that are read for words and contours
SHARES = 0.9, 0.5
FAINT = 0.01  # of the greatest efficiency: beyond it, pictures end


def _best(study: Efficiency) -> tuple[float, float]:
    """Altitude and azimuth of the greatest efficiency, to a quarter of a degree. [rad]"""
    k, j = np.unravel_index(study.efficiency.value.argmax(), study.efficiency.value.shape)
    alpha, gamma = (
        np.clip(at[i] + np.radians(np.arange(-3.0, 3.1, 0.25)), at[0], at[-1])
        for at, i in ((study.altitudes, k), (study.azimuths, j))
    )
    found = study.at(alpha[:, None], gamma[None]).value
    k, j = np.unravel_index(found.argmax(), found.shape)
    return float(alpha[k]), float(gamma[j])


def _kept(study: Efficiency, share: float) -> list[tuple[float, float]]:
    """From which sun to which so much of the best is kept: in altitude, then in azimuth. [rad]"""
    alpha, gamma = _best(study)
    best = share * float(study.at(alpha, gamma))
    out = []
    for k, (nodes, here) in enumerate(((study.altitudes, alpha), (study.azimuths, gamma))):
        at = np.arange(nodes[0], nodes[-1], np.radians(0.1))
        lost = at[study.at(*((alpha, at) if k else (at, gamma))).value < best]
        below, above = lost[lost < here], lost[lost > here]
        out.append((float(below.max(initial=nodes[0])), float(above.min(initial=nodes[-1]))))
    return out


def efficiency_sentences(study: Efficiency) -> list[str]:
    """What the table says, in a few sentences.

    Parameters
    ----------
    study : Efficiency

    Returns
    -------
    list of str
    """
    alpha, gamma = _best(study)
    found, area = study.at(alpha, gamma), study.mirror_area
    k = np.abs(study.altitudes - alpha).argmin(), np.abs(study.azimuths - gamma).argmin()
    value, width = plus_minus(100.0 * float(found), 100.0 * float(study.spread[k]))
    out = [
        f"At best {value} ± {width} % of DNI × mirror area arrives on the base, mean and spread "
        f"between cookers built and used alike: with the sun {_degrees(alpha)} high and "
        f"{_beside(gamma)}. With {short('area', area)} of mirrors that is "
        f"{1e3 * area * float(found):.3g} W at 1000 W/m²."
    ]
    for share in SHARES:
        (low, high), (left, right) = _kept(study, share)
        out.append(
            f"{100.0 * share:g} % of that is kept from {_degrees(low)} to {_degrees(high)} of "
            f"altitude, and from {_degrees(left)} to {_degrees(right)} off the heading."
        )
    return out


def _degrees(angle: float) -> str:
    return f"{np.degrees(angle) + 0.0:.0f}°"


def _beside(gamma: float) -> str:
    if abs(gamma) < np.radians(0.5):
        return "straight ahead"
    return f"{_degrees(abs(gamma))} to the {'right' if gamma > 0.0 else 'left'} of the heading"


def efficiency_tables(study: Efficiency) -> Iterator[RenderableType]:
    """Sentences, what was traced, and an excerpt of the table.

    Parameters
    ----------
    study : Efficiency

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    from raytrace.version import __version__

    scenario, plan = study.scenario, study.plan
    yield Text(scenario.title, style="bold")
    yield Text(" ".join(efficiency_sentences(study)))
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    rows.append(
        (
            "traced",
            f"{len(study.altitudes)} altitudes × {len(study.azimuths)} azimuths, "
            f"{plan.replicates} replicates of {plan.uses} uses, seed {plan.seed}, "
            f"build {plan.build}, cooker-raytrace {__version__}",
        )
    )
    yield _ahead(study)
    yield _beside_table(study)
    yield DETAILS
    yield pairs(rows)


def _ahead(study: Efficiency) -> RenderableType:
    """Altitudes with the sun nearest to straight ahead."""
    j = int(np.abs(study.azimuths).argmin())
    at = "straight ahead" if study.azimuths[j] == 0.0 else f"{np.degrees(study.azimuths[j]):.0f}°"
    table = table_of(
        f"sun {at},\nits altitude °",
        "platform's\ntilt °",
        "efficiency\n% ± s.e.",
        "spread\n%",
        "intercept\n%",
        f"build {study.plan.build}\n%",
    )
    most = float(study.efficiency.value.max())
    for k, alpha in enumerate(study.altitudes):
        found = study.efficiency[k, j]
        if float(found) < FAINT * most:
            continue
        table.add_row(
            f"{np.degrees(alpha):.1f}",
            f"{np.degrees(study.tilt[k]) + 0.0:.1f}",
            " ± ".join(plus_minus(100.0 * float(found), 100.0 * float(found.se), decimals=2)),
            f"{100.0 * study.spread[k, j]:.2g}",
            f"{100.0 * float(study.intercept.value[k, j]):.1f}",
            f"{100.0 * float(study.build_efficiency.value[k, j]):.1f}",
        )
    return table


def _beside_table(study: Efficiency) -> RenderableType:
    """Efficiency at round angles."""
    alpha, _ = _best(study)
    near = np.radians(np.array([-20.0, -15.0, -10.0, -5.0, 0.0, 5.0, 10.0, 15.0, 20.0]))
    low, high = study.azimuths[[0, -1]]
    beside = near[(low <= near) & (near <= high)]
    first = np.round(np.degrees(alpha) / 5.0) * 5.0 + np.arange(-20.0, 21.0, 5.0)
    inside = (study.altitudes[0] <= np.radians(first)) & (np.radians(first) <= study.altitudes[-1])
    table = table_of(
        "efficiency, %, by the sun's altitude\nand azimuth clockwise of the heading",
        *(f"\n{np.degrees(g) + 0.0:.0f}°" for g in beside),
    )
    for degrees in first[inside]:
        found = study.at(np.radians(degrees), beside).value
        if found.max() < FAINT * study.efficiency.value.max():
            continue
        table.add_row(f"{degrees:.0f}°", *(f"{100.0 * v:.1f}" for v in found))
    return table


def figures(study: Efficiency) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    study : Efficiency

    Returns
    -------
    dict of str to Figure
    """
    return {"efficiency": contour_figure(study)}


def contour_figure(study: Efficiency) -> Figure:
    """Draw efficiency, its spread and the intercept fraction over the sun's place, as contours.

    Parameters
    ----------
    study : Efficiency

    Returns
    -------
    Figure
    """
    from scipy.interpolate import RegularGridInterpolator

    plan = study.plan
    head = (
        study.scenario,
        "of DNI × mirror area, with the platform tilted as the scenario says for each altitude",
        [f"{plan.replicates} × {plan.uses} uses", f"seed {plan.seed}", f"build {plan.build}"],
    )
    mean = study.efficiency.value
    lit = mean > FAINT * mean.max()
    alpha, gamma = (
        _fine(nodes, lit.any(axis=1 - k))
        for k, nodes in enumerate((study.altitudes, study.azimuths))
    )
    a, g = np.meshgrid(alpha, gamma, indexing="ij")

    def read(values: Array) -> Array:
        """Straight between the nodes, so that gaps stay where they are."""
        return np.asarray(
            RegularGridInterpolator((study.altitudes, study.azimuths), values)((a, g))
        )

    panels = [
        ("efficiency, mean over builds and uses [%]", study.at(a, g).value),
        (f"efficiency of build {plan.build}, exactly turned [%]", study.at(a, g, build=True).value),
        ("spread between cookers built and used alike [%]", read(study.spread)),
        ("intercept fraction, mean [%]", read(study.intercept.value)),
    ]
    pages = stacked(*head, [2.3] * len(panels), right=0.9)
    for axes, (title, values) in zip(pages, panels, strict=True):
        _contours(axes, title, np.degrees(gamma), np.degrees(alpha), 100.0 * values)
    return figure_of(pages[0])


def _fine(nodes: Array, lit: NDArray[np.bool_]) -> Array:
    """Places at even steps over what is lit, and one node more on either side."""
    k = np.flatnonzero(lit)
    low, high = nodes[max(k[0] - 1, 0)], nodes[min(k[-1] + 1, len(nodes) - 1)]
    return np.asarray(np.linspace(low, high, max(int((high - low) / STEP * 3.0), 24)))


def _contours(axes: Axes, title: str, x: Array, y: Array, values: Array) -> None:
    from matplotlib.ticker import MaxNLocator

    low, top = colour_range(values)
    mesh = axes.pcolormesh(x, y, values, cmap=MAP, vmin=low, vmax=top, rasterized=True)
    levels = [v for v in MaxNLocator(6).tick_values(low, top) if low < v < 0.97 * top]
    lines = axes.contour(x, y, values, levels=levels, colors="white", linewidths=0.7)
    name_contours(axes, lines)
    axes.axvline(0.0, color=GREY, lw=0.6, ls=(0, (4, 3)))
    axes.set_title(title, size=TEXT, color=INK, loc="left")
    axis_labels(axes, "sun's azimuth clockwise of the heading [°]", "sun's altitude [°]")
    colour_scale(mesh, bar_beside(axes))
