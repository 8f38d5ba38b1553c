"""What the sheet says in sentences: cautions at the bench, and how to use laser and gauge."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.bench.sheet import UNSET_WORDS, conflict_lines
from raytrace.reports.common.lengths import Rule, degrees
from raytrace.reports.common.words import counted_from

if TYPE_CHECKING:
    from raytrace.studies.bench.sheet import Sheet, Wedges

__all__ = [
    "BENCH_CAUTIONS",
    "IN_BRIEF",
    "gauge_words",
    "laser_words",
    "order_words",
    "table_words",
    "wedge_words",
]

IN_BRIEF = (
    "Caution: set facets indoors or in the shade, never in the sun, with a laser of class 2 "
    "(1 mW) or less, eyes out of its way and out of each facet's reflection. Glass edges cut; "
    "hot glue burns, and softens again on a hot platform. `cooker cautions` says more."
)

# the softening of hot-melt glue: range of a trade page on EVA glues, not a standard
BENCH_CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Laser",
        "Class 2 or less: visible, 1 mW at most (IEC 60825-1); pointers are often stronger than "
        "their label says. Never look into the beam or send it at a face. Each facet throws it "
        "somewhere else while it is turned: keep every eye off the height of beam and "
        "reflections, close doors and windows, take off rings and watches, switch off before you "
        "bend down.",
    ),
    (
        "Sun",
        "Never set facets outdoors unshaded: the array burns and blinds as soon as a few of them "
        "face the sun. Keep finished facets covered, also when you carry the platform.",
    ),
    (
        "Hot glue",
        "It burns the skin it sticks to; keep cold water at hand. Common hot-melt (EVA) softens "
        "around 60 to 80 °C (140 to 176 °F) and creeps below that (a trade figure, no standard; "
        "see your glue's data sheet): on a hot platform mirrors set with it move. Back it with a "
        "glue that stands heat, and look at the spots again after the first hot day.",
    ),
    (
        "Glass",
        "Cut edges are sharp and mirrors break: gloves and goggles, edges ground or taped, tape "
        "on the backs, no cracked facet on the platform.",
    ),
    (
        "Rules",
        "Follow local codes on lasers, glare and open fire, and ask a licensed professional where "
        "they call for one. These are the usual cautions, not a safety case.",
    ),
)


def laser_words(sheet: Sheet, rule: Rule) -> list[str]:
    """How to stand the laser.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule

    Returns
    -------
    list of str
    """
    laser, unit = sheet.laser, rule.unit
    angles = " or ".join(
        f"{degrees(a, 2)}° above the floor, which is {degrees(0.5 * np.pi - a, 2)}° from the "
        "vertical" + (f" (for {n} facets, see the table)" if len(laser.altitude) > 1 else "")
        for a, n in zip(laser.altitude, laser.n_facets, strict=True)
    )
    words = [
        "Lay the platform level, its arrow to the sun toward the laser. Hold a card where the "
        f"pot's base will be. The laser shines down at {angles}."
    ]
    if laser.stand is None:
        words.append(
            "Slide it from facet to facet without turning it: seen from above it always shines "
            "straight against the arrow. For each facet, move it until its dot is in the middle, "
            "then turn the facet until the spot is on the middle of the base's place (or where "
            "the table of this sheet has its mark)."
        )
        d = 2.0 if unit == "mm" else 6.0 * 0.3048
        e = 0.01 if unit == "mm" else 0.0254
        alpha = laser.altitude[0]
        error = np.degrees(np.cos(alpha) ** 2 * e / d)
        words.append(
            f"At {rule.coarse_text(d)} {unit} along the floor, {rule.coarse_text(e)} {unit} too "
            f"high is {error:.2f}° too high; the whole cooker is then set for that sun."
        )
    else:
        x, y, z = laser.stand
        aside = (
            f", {rule.coarse_text(abs(x))} {unit} to its {'right' if x > 0 else 'left'}"
            if abs(x) > 5e-4
            else ""
        )
        words.append(
            f"Swivel it on one stand, {rule.coarse_text(y)} {unit} from the platform's middle "
            f"toward the sun{aside}, {rule.coarse_text(z)} {unit} above the platform's top. So "
            "near, each facet sees it in another direction, and each has a mark of its own on the "
            "plane of the base: see the table, from the base's centre, x to the platform's right "
            "and y toward the sun."
        )
    low, high = laser.mirror_height
    words.append(
        f"Heights are above the lit mirror's centre. Mirrors' centres lie "
        f"{rule.fine_text(low)} to {rule.fine_text(high)} {unit} above the platform's top"
        + (
            f", and that {rule.fine_text(laser.thickness)} {unit} above what it lies on."
            if laser.thickness
            else "."
        )
    )
    return words


def gauge_words(sheet: Sheet, rule: Rule) -> list[str]:
    """How to use the shadow gauge.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule

    Returns
    -------
    list of str
    """
    gauge = sheet.gauges[0]
    return [
        "Stand an upright square on the platform, out of all mirrors' light, and draw a line from "
        "its foot away from the sun, along the arrow. The sun stands where the facets are set for "
        "when the shadow of the tip falls on that line (heading) at this distance from the foot "
        "(altitude above the platform, also if it is tilted).",
        "The shadow's end fades, because the sun is a disc: take the middle of the fade. For "
        f"{rule.fine_text(gauge.upright[-1])} {rule.unit} it fades over "
        f"{rule.fine_text(gauge.blur[-1])} {rule.unit}. A ball or a ring at the tip shows its "
        "middle better. Look at the shadow, never at the sun.",
    ]


def order_words(sheet: Sheet, rule: Rule) -> list[str]:
    """In which order to set facets, and what to take out of the way.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule

    Returns
    -------
    list of str
    """
    ways = sheet.ways
    beam = f"{rule.fine_text(ways.beam)} {rule.unit}"
    words = []
    if not ways.conflicts:
        words.append(
            f"Set facets in the order of the table: no facet that is set comes into a beam {beam} "
            "wide on its way to another, nor on its way from there to the mark. Facets that are "
            f"not set yet are taken to be {UNSET_WORDS[ways.unset]}."
        )
    return words + conflict_lines(sheet, rule)


def table_words(sheet: Sheet, rule: Rule) -> str:
    """What the columns of the facets' table mean.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule

    Returns
    -------
    str
    """
    same = ""
    if np.abs(sheet.mark_on_base).max() > 5e-5:
        same = " Mark: where the spot belongs, from the base's centre, x and y as above."
    return (
        f"Lengths in {rule.name}. Mount: its turning centre from {counted_from(sheet.scenario)}, "
        "x to the right, y toward the sun, z above the platform's top. Tilt: against the platform. "
        "Leans: where the face looks down to, clockwise from the arrow to the sun (90° is to the "
        "right), seen from above. Heights: of the front face's corners above the platform's top, "
        "as seen from above with the sun's side up."
        + same
        + " Beam: what it meets at this turn. Tick each facet off when it is set, and "
        "write how far its spot then lies off its mark, x and y as above."
        + (
            " Miss up to: good enough, as the target card has it."
            if sheet.rings is not None
            else ""
        )
    )


def wedge_words(wedges: Wedges, rule: Rule) -> str:
    """How a wedge stands and what it is for.

    Parameters
    ----------
    wedges : Wedges
    rule : Rule

    Returns
    -------
    str
    """
    return (
        f"Wedges take the place of mounts. Each stands upright on the platform, in the square of "
        f"{rule.fine_text(wedges.size)} {rule.unit} that the template shows, the label and its "
        "arrow on the right-hand side, the arrow pointing to the sun. The middle of its top is the "
        f"middle of the back of a mirror {rule.fine_text(wedges.glass)} {rule.unit} thick. "
        "Print them standing, as they are; plastics that soften in the sun (PLA) creep."
    )
