"""One facet while its glue sets, in words: enough or not, which way, what is set so far."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from raytrace.reports.common.numbers import plain, plus_minus
from raytrace.reports.common.tables import listed
from raytrace.reports.common.times import pm, short_date
from raytrace.reports.common.units import quantity, unit

if TYPE_CHECKING:
    from raytrace.studies.bench.one_facet import Facet, SoFar
    from raytrace.studies.bench.set_log import Crept

__all__ = ["crept_sentence", "facet_sentences", "so_far_sentence"]

# ways along a plane's axes, positive and negative
WAYS = {
    "x": ("to the right", "to the left"),
    "y": ("toward the sun's side", "away from the sun's side"),
    "z": ("up", "down"),
}
SMALLEST = 5e-4  # of moves that are said [m]
THINNEST = 5e-5  # of lifts that are said [m]
SOFT = "Each turn weakens the joint: once the glue pulls, leave it, and redo it later if need be."


def _mm(metres: float, decimals: int = 0) -> str:
    return quantity("length", abs(metres), decimals)


def facet_sentences(facet: Facet, axes: Sequence[str], tries: int) -> list[str]:
    """Say whether a facet is good enough, and if not which way to turn it.

    Parameters
    ----------
    facet : Facet
    axes : sequence of str
        Platform axes of its target plane.
    tries : int
        How often it was read today.

    Returns
    -------
    list of str
        The answer first.
    """
    costs = _watts(float(facet.cost), facet.cost_sd)
    brings = plain(float(facet.brings), 2)
    off = f"{facet.label} is {_mm(facet.off)} off and costs {costs} of {brings} W"
    asked = f"a turn now should win {plain(facet.least, 2)} W"
    out = [
        {
            "not worth it": f"Enough: {off}; {asked}. Let the glue set.",
            "borderline": f"Borderline: {off}; {asked}. Read the spot again before you turn it.",
            "worth it": f"Not yet: {off}; {asked}.",
        }[facet.judged]
    ]
    if facet.judged == "worth it":
        out.append(f"{_turn_words(facet, axes)} {SOFT}")
    if tries > 1:
        out.append(
            f"That is reading {tries} of {facet.label} today. {SOFT if tries > 2 else ''}".strip()
        )
    ring = "anywhere that was tried" if math.isinf(facet.ring) else f"within {_mm(facet.ring)}"
    out.append(f"Good enough {ring} of its mark.")
    return out


def _watts(value: float, sd: float) -> str:
    """Watts lost, no finer than they are known."""
    if value < 0.01 and sd < 0.01:
        return "less than 0.01 W"
    return f"{' ± '.join(plus_minus(value, sd, decimals=2))} W"


def _turn_words(facet: Facet, axes: Sequence[str]) -> str:
    ways = [
        f"{_mm(d)} {WAYS[axis][0 if d > 0.0 else 1]}"
        for d, axis in zip(facet.move, axes, strict=True)
        if abs(d) >= SMALLEST
    ]
    edges = [
        f"its {up if lift > 0.0 else down} by {_mm(lift, 1)}"
        for lift, up, down in zip(
            facet.lift,
            ("right edge", "edge on the sun's side"),
            ("left edge", "edge away from the sun's side"),
            strict=True,
        )
        if abs(lift) >= THINNEST
    ]
    words = f"Move its spot {listed(ways, 'and')}"
    return f"{words}: raise {listed(edges, 'and')} over the opposite one." if edges else f"{words}."


def so_far_sentence(found: SoFar, following: str) -> str:
    """Say how much of an array is set, and what it brings.

    Parameters
    ----------
    found : SoFar
    following : str
        Facet to set next; empty if there is none.

    Returns
    -------
    str
    """
    text = (
        f"Set so far: {found.set} of {found.facets} facets, which alone deliver "
        f"{plain(float(found.delivered), 3)} W of {plain(float(found.whole), 3)} W."
    )
    return f"{text} Next: {following}." if following else f"{text} None is left to set."


def crept_sentence(moved: Sequence[Crept], most: int = 6) -> str:
    """Say which facets crept since an earlier day.

    Parameters
    ----------
    moved : sequence of Crept
    most : int
        How many are named.

    Returns
    -------
    str
        Empty if none did.
    """
    if not moved:
        return ""
    length = unit("length")
    named = [
        f"{c.facet} by {pm(c.far, c.sd, length.per, max(0, length.finer))} {length.symbol} "
        f"({short_date(c.since)} to {short_date(c.until)})"
        if c.sd
        else f"{c.facet} by {_mm(c.far)} ({short_date(c.since)} to {short_date(c.until)})"
        for c in moved[:most]
    ]
    more = f" and {len(moved) - most} more" if len(moved) > most else ""
    return f"Crept further than readings explain: {listed(named, 'and')}{more}."
