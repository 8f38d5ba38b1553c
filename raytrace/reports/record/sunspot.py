"""The sun's spot on the card beside the predicted one, in sentences and tables."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from raytrace.reports.common.numbers import plain, plus_minus
from raytrace.reports.common.tables import DETAILS, pairs, plain_table
from raytrace.reports.common.units import chosen, short
from raytrace.reports.common.words import WAYS
from raytrace.studies.stray.limits import BURNS
from raytrace.texts import listed

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.record.map_fit import Fact
    from raytrace.studies.record.sunspot import SunSpot

__all__ = ["fire_sentence", "sunspot_sentences", "sunspot_tables"]

UNLIKE = 0.02  # of a correlation, below what cookers built alike have, that is told


def sunspot_sentences(found: SunSpot) -> list[str]:
    """Where the spot lies and how large it is, the answer first.

    Parameters
    ----------
    found : SunSpot

    Returns
    -------
    list of str
    """
    out = [f"{_where(found)}, and {_how_large(found)}."]
    peak = float(np.nanmax(found.predicted))
    if peak > BURNS.irradiance:
        out.append(fire_sentence(peak, found.uncovered))
    if _off(found):
        out.append(_because(found))
    moved = (
        f", and {100.0 * found.overlap_moved:.0f} % once that is moved to it"
        if found.overlap_moved > found.overlap + 0.005
        else ""
    )
    out.append(
        f"As large an outline of it covers {100.0 * found.overlap:.0f} % of the predicted "
        f"outline{moved}."
    )
    if found.alike < found.alike_least - UNLIKE:
        out.append(
            f"Its shape is another than predicted (they correlate by {found.alike:.2f}, cookers "
            f"built alike by {found.alike_least:.2f} at least): check which facets were uncovered "
            "(--facets), and the time (--at)."
        )
    if found.clipped.any():
        out.append(
            f"{100.0 * found.clipped.mean():.0f} % of the card is brighter than the camera could "
            "tell: within that, nothing is known."
        )
    if not found.plan.at:
        out.append("No time is known, so it is held against the design sun: say when (--at).")
    if not found.dark:
        out.append(
            "Uneven daylight on the card counts as light of the mirrors: a second picture with all "
            "mirrors covered (--dark) takes it out."
        )
    out.append(
        "A picture tells where there is more light and where less, not how much: it says nothing "
        "of watts, and glossy paper deceives."
    )
    return out


def _off(found: SunSpot) -> list[tuple[str, Fact]]:
    """Axes along which the spot lies elsewhere."""
    both = (("x", found.right), ("y", found.ahead))
    return [(axis, fact) for axis, fact in both if fact.is_off(found.plan.builds)]


def _about(found: SunSpot, fact: Fact, unit: str, times: float = 1.0) -> str:
    """Its size, with the half-width of its 95 % interval."""
    factor, symbol = chosen(unit)
    half = max(times * factor * fact.half_width(found.plan.builds), 1e-12)
    value, error = plus_minus(times * factor * abs(fact.value), half, digits=2)
    return f"{value} ± {error} {symbol}"


def _where(found: SunSpot) -> str:
    off = _off(found)
    if not off:
        factor, symbol = chosen("mm")
        half = max(f.half_width(found.plan.builds) for f in (found.right, found.ahead))
        return (
            f"The spot lies where it is predicted, to {plain(factor * half, 2)} {symbol}, as "
            "cookers like this one differ"
        )
    parts = [
        f"{_about(found, fact, 'mm')} too far {WAYS[axis][0 if fact.value > 0.0 else 1]}"
        for axis, fact in off
    ]
    return f"The spot lies {listed(parts, 'and')}"


def _how_large(found: SunSpot) -> str:
    size = found.size
    if not size.is_off(found.plan.builds):
        return f"is as large as predicted, to {100.0 * size.half_width(found.plan.builds):.0f} %"
    way = "larger" if size.value > 0.0 else "smaller"
    return f"is {_about(found, size, '%', 100.0)} {way} than predicted"


def _because(found: SunSpot) -> str:
    """What would move the predicted spot as far."""
    parts = [
        f"{abs(np.degrees(angle)):.1f}° {ways[0 if angle > 0.0 else 1]}"
        for angle, ways in (
            (found.turn_right, ("further to the right", "further to the left")),
            (found.tilt_up, ("higher", "lower")),
        )
        if abs(np.degrees(angle)) >= 0.05
    ]
    return (
        "Either the card lies off the pot's place by as much the other way; or the sun stood "
        f"{listed(parts, 'and')} than the facets were set for, because the platform was turned or "
        "tilted so, or the laser stood otherwise. Measure the card's place first."
    )


def fire_sentence(peak: float, facets: int) -> str:
    """Say whether the light of some facets may set the card alight.

    Parameters
    ----------
    peak : float
        Strongest light on it. [W/m²]
    facets : int
        How many are uncovered.

    Returns
    -------
    str
        Beginning with "Caution" where it may.
    """
    lit = "one facet" if facets == 1 else f"{facets} facets"
    reaches = f"the light of {lit} reaches {1e-3 * peak:.1f} kW/m² on the card"
    least = f"{1e-3 * BURNS.irradiance:.1f} kW/m²"
    if peak <= BURNS.irradiance:
        return (
            f"{reaches[0].upper()}{reaches[1:]}. Dry plants and wood have caught fire from {least} "
            "on, given time; keep water at hand all the same."
        )
    safe = max(int(facets * BURNS.irradiance / peak), 1)
    return (
        f"Caution: {reaches}, and dry plants and wood, as paper is, have caught fire from {least} "
        f"on. Uncover about {safe} of them at most for a picture, and ask again with these "
        "(--facets)."
    )


def sunspot_tables(found: SunSpot) -> Iterator[RenderableType]:
    """Sentences, then figures with their errors.

    Parameters
    ----------
    found : SunSpot

    Yields
    ------
    renderable
    """
    from raytrace.version import __version__

    scenario, plan = found.scenario, found.plan
    yield Text(scenario.title, style="bold")
    for sentence in sunspot_sentences(found):
        yield Text(sentence)
    yield Text()
    table = plain_table("seen against predicted", "", "± s.e.", "between builds", "")
    for name, fact, unit in (
        ("spot lies to the right by", found.right, "mm"),
        ("spot lies toward the sun by", found.ahead, "mm"),
        ("larger by", found.size, "times"),
    ):
        factor, symbol = chosen(unit)
        value, se = plus_minus(factor * fact.value, factor * fact.se, digits=3)
        table.add_row(name, value, se, plain(factor * fact.spread, 2), symbol)
    yield table
    yield DETAILS
    cells = f"cells of {short('length', float(found.x[1] - found.x[0]))}"
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    rows += [
        ("picture", f"{found.source}, {cells}, {100.0 * found.print:.0f} % left out as print"),
        ("without the mirrors' light", found.dark or "no picture"),
        (
            "sun",
            f"{np.degrees(found.sun_altitude):.1f}° high, "
            + (plan.at or "the design sun, for no time is stated"),
        ),
        ("uncovered", f"{len(plan.facets)} facets" if plan.facets else "all facets"),
        (
            "±",
            "95 %, with how cookers built alike differ; the size also by what an unknown tone "
            "curve does",
        ),
        (
            "traced",
            f"{plan.builds} builds, each by {2 * plan.beams} beams a facet, seed {plan.seed}, "
            f"cooker-raytrace {__version__}",
        ),
    ]
    yield pairs(rows)
