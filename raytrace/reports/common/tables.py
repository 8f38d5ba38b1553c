"""What reports on ensembles share: plain tables, what was traced, CSV files."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from rich import box
from rich.table import Table
from rich.text import Text

from raytrace.reports.common.numbers import plain, spaced

if TYPE_CHECKING:
    from raytrace.studies.tolerance.blame import Blame
    from raytrace.studies.tolerance.tolerance import Tolerance

__all__ = [
    "DETAILS",
    "bounded",
    "context",
    "few_lines",
    "number",
    "pairs",
    "plain_table",
    "table_of",
]

# among a report's parts: what follows is shown on request, under this head
DETAILS = Text("Details", style="bold")


def few_lines(
    sentences: Sequence[str], most: int = 9, width: int = 80
) -> tuple[list[str], list[str]]:
    """As many of the first sentences as fit on a few lines of a screen, and the others.

    Parameters
    ----------
    sentences : sequence of str
        The most important first.
    most : int
        Lines.
    width : int
        Letters on a line.

    Returns
    -------
    first, others : list of str
        The first sentence is always among the first.

    Examples
    --------
    >>> few_lines(["one", "two " * 30, "three"], most=2)[0]
    ['one', 'three']
    """
    first: list[str] = []
    others: list[str] = []
    for sentence in sentences:
        lines = len(textwrap.wrap(sentence, width))
        fits = not first or lines <= most
        (first if fits else others).append(sentence)
        most -= lines if fits else 0
    return first, others


def plain_table(*columns: str) -> Table:
    """Table without lines; its first column to the left, the others to the right.

    Parameters
    ----------
    *columns : str
        Their heads.

    Returns
    -------
    Table
    """
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=0, header_style="dim")
    for k, name in enumerate(columns):
        table.add_column(name, justify="left" if k == 0 else "right", no_wrap=True)
    return table


def table_of(*columns: str, **options: Any) -> Table:
    """As `plain_table`, with room between the columns, and cells that wrap.

    Parameters
    ----------
    *columns : str
        Their heads.
    **options
        As of `rich.table.Table`.

    Returns
    -------
    Table
    """
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="dim", **options)
    for k, name in enumerate(columns):
        table.add_column(name, justify="left" if k == 0 else "right")
    return table


def pairs(rows: Sequence[tuple[str, str]]) -> Table:
    """Names and what belongs to them.

    Parameters
    ----------
    rows : sequence of (str, str)

    Returns
    -------
    Table
    """
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", no_wrap=True)
    table.add_column()
    for name, words in rows:
        table.add_row(name, Text(words))
    return table


def context(study: Tolerance | Blame) -> list[tuple[str, str]]:
    """Scenario, sun and samples of a study of ensembles in words.

    Parameters
    ----------
    study : Tolerance or Blame

    Returns
    -------
    list of (str, str)
    """
    from raytrace.version import __version__

    scenario, plan, there = study.scenario, study.plan, study.conditions
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    return [
        *rows,
        (
            "sun",
            f"where the facets were set for it, {np.degrees(there.sun_altitude):.1f}° high, "
            f"DNI {there.dni:.0f} W/m² ({there.dni_source})",
        ),
        (
            "traced",
            f"{plan.builds} builds an ensemble, each by {spaced(plan.beams * there.facets)} beams "
            f"in each of {plan.replicates} replicates, seed {plan.seed}, "
            f"cooker-raytrace {__version__}",
        ),
    ]


def number(value: float, factor: float = 1.0) -> float | None:
    """Number as JSON can hold it, which has no nan and no infinity.

    Parameters
    ----------
    value, factor : float

    Returns
    -------
    float or None
        Their product; None where the value isn't finite.
    """
    return float(value) * factor if math.isfinite(value) else None


def bounded(value: float, low: float, high: float) -> str:
    """Figure with its interval, to the decimals that the interval's width is good for.

    Parameters
    ----------
    value, low, high : float
        In the unit to be shown; an end may be infinite.

    Returns
    -------
    str

    Examples
    --------
    >>> bounded(187.64, 183.2, 190.1), bounded(200.92, 200.61, math.inf)
    ('188 (183–190)', '200.9 (200.6–∞)')
    """
    known = [abs(x - value) for x in (low, high) if math.isfinite(x)]
    width = max(known, default=0.0)
    if width == 0.0:
        return f"{plain(value)} ({'–' if not known else 'all alike'})"
    decimals = max(0, -math.floor(math.log10(width)))

    def end(x: float) -> str:
        return f"{x:.{decimals}f}" if math.isfinite(x) else "∞" if x > 0.0 else "−∞"

    return f"{value:.{decimals}f} ({end(low)}–{end(high)})"
