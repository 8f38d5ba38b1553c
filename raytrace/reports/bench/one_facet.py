"""One facet while its glue sets, in words: enough or not, which way, what is set so far."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from raytrace.reports.bench.spots_words import SMALLEST
from raytrace.reports.common.lengths import Rule, degrees
from raytrace.reports.common.numbers import in_watts
from raytrace.reports.common.times import pm, short_date
from raytrace.reports.common.units import quantity, unit
from raytrace.reports.common.words import way_words
from raytrace.studies.bench.set_log import crept
from raytrace.studies.bench.target_rings import KEEP
from raytrace.texts import listed

if TYPE_CHECKING:
    from raytrace.studies.bench.one_facet import Facet, SoFar
    from raytrace.studies.bench.set_log import Crept
    from raytrace.studies.bench.setting import LaserPlace, Work

__all__ = [
    "PRINTED",
    "crept_sentence",
    "facet_sentences",
    "in_the_way_sentence",
    "laser_sentence",
    "mark_sentence",
    "ring_sentence",
    "so_far_sentence",
    "work_sentences",
]

THINNEST = 5e-5  # of lifts that are said [m]
SOFT = "Each turn weakens the joint: once the glue pulls, leave it, and redo it later if need be."


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
    cost = float(facet.cost)
    # a miss that by luck wins light costs nothing
    costs = in_watts(cost, facet.cost_sd) if cost > 0.0 else "nothing"
    brings = in_watts(float(facet.brings))
    away = quantity("length", facet.off, 0)
    off = f"{facet.label} is {away} off and costs {costs} of its {brings}"
    asked = f"turning it now is worth it from {in_watts(facet.least)} on"
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
    # the ring is an average over ways; this spot's own way may cost more or less
    aside = ""
    if facet.judged == "worth it" and facet.off <= facet.ring:
        aside = " on average over all ways, and this way sooner"
    elif facet.judged == "not worth it" and facet.off > facet.ring:
        aside = " on average over all ways, but this way only further out"
    out.append(ring_sentence(facet.ring, aside))
    return out


PRINTED = (
    "The rings on the printed card are another measure: with its spot anywhere in its ring, a "
    f"facet keeps {100.0 * KEEP:.0f} % of its light on average."
)


def ring_sentence(ring: float, aside: str = "") -> str:
    """Say how far off its mark a facet's spot may lie.

    Parameters
    ----------
    ring : float
        Infinite beyond what was tried. [m]
    aside : str
        What is to be said of it.

    Returns
    -------
    str
    """
    if math.isinf(ring):
        return f"A turn pays at no miss that was tried{aside}."
    return f"A turn pays only over {quantity('length', ring, 0)} off its mark{aside}."


def mark_sentence(mark: Sequence[float], axes: Sequence[str]) -> str:
    """Say where a facet's spot belongs.

    Parameters
    ----------
    mark : sequence of float
        From the base's centre, along the plane's axes; nan where its light doesn't reach it. [m]
    axes : sequence of str
        Platform axes of its target plane.

    Returns
    -------
    str
    """
    upright = axes[1] == "z"
    if not all(map(math.isfinite, mark)):
        card = "an upright card" if upright else "the plane of the base"
        return f"Its light doesn't reach {card}, so it can't be set by its spot there."
    ways = [
        _card_way(axis, d, axes) for d, axis in zip(mark, axes, strict=True) if abs(d) >= SMALLEST
    ]
    where = "the upright card" if upright else "the target card"
    if not ways:
        return f"Its spot belongs on the middle of {where}, which is the base's centre."
    return f"From the middle of {where}, its spot belongs {listed(ways, 'and')}."


def in_the_way_sentence(met: Sequence[str], label: str) -> str:
    """Say what stands in the laser's way to a facet or on from it.

    Parameters
    ----------
    met : sequence of str
        As of `raytrace.studies.bench.setting.Work.meets`.
    label : str
        The facet's.

    Returns
    -------
    str
        Empty if nothing does.
    """
    if not met:
        return ""
    named = listed([f"the {body}" if body in ("pot", "board") else body for body in met], "and")
    card = " and hold the card where the base will be" if "pot" in met else ""
    return f"In the laser's way at {label}: {named}. Take that away while it is set{card}."


def laser_sentence(laser: LaserPlace, label: str, rule: Rule) -> str:
    """Say where the laser stands for a facet.

    Parameters
    ----------
    laser : LaserPlace
    label : str
        The facet's.
    rule : Rule
        Unit of the lengths.

    Returns
    -------
    str
    """
    x, y, z = laser.place

    def far(length: float, positive: str, negative: str) -> str:
        way = positive if length >= 0.0 else negative
        return f"{rule.coarse_text(abs(length))} {rule.unit} {way}"

    aside = (
        f"{far(x, 'to the right', 'to the left')} of the platform's middle"
        if abs(x) >= SMALLEST
        else "straight before the platform's middle"
    )
    ahead = far(y, "toward the sun from it", "away from the sun from it")
    place = f"{aside}, {ahead} and {far(z, 'above', 'below')} the platform's top"
    if laser.kind == "point":
        how = f"Laser: on its stand, {place}. Swivel it"
    else:
        how = f"Laser: slide it, never turn it, until its opening is {place}"
        how += f"; it shines down at {degrees(laser.altitude)}°. Move it"
    return f"{how} until its dot is on the middle of {label}."


def _turn_words(facet: Facet, axes: Sequence[str]) -> str:
    ways = [
        _card_way(axis, d, axes)
        for d, axis in zip(facet.move, axes, strict=True)
        if abs(d) >= SMALLEST
    ]
    edges = [
        f"its {up if lift > 0.0 else down} by {quantity('length', abs(lift), 1)}"
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


def _card_way(axis: str, far: float, axes: Sequence[str]) -> str:
    """A way by the platform; and by the target card, which is looked at from below."""
    words = way_words(axis, far)
    if axis == "x" and axes[1] == "y":
        words += f" ({'left' if far >= 0.0 else 'right'} on the card, as you see it from below)"
    return words


def work_sentences(work: Work, done: SoFar) -> list[str]:
    """Say what is set so far, what comes next, and what crept.

    Parameters
    ----------
    work : Work
    done : SoFar
        Of the same work.

    Returns
    -------
    list of str
    """
    words = [so_far_sentence(done, next(iter(work.left), ""))]
    if moved := crept_sentence(crept(work.log)):
        words.append(moved)
    return words


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
        f"{in_watts(float(found.delivered))} of {in_watts(float(found.whole))}, "
        "averaged between two turnings."
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

    def far(c: Crept) -> str:
        if not c.sd:
            return quantity("length", c.far, 0)
        return f"{pm(c.far, c.sd, length.per, max(0, length.finer))} {length.symbol}"

    named = [
        f"{c.facet} by {far(c)} ({short_date(c.since)} to {short_date(c.until)})"
        for c in moved[:most]
    ]
    more = f" and {len(moved) - most} more" if len(moved) > most else ""
    return f"Crept further than readings explain: {listed(named, 'and')}{more}."
