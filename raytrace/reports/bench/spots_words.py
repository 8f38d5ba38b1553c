"""What measured spots say in sentences: what to do, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.numbers import in_watts
from raytrace.reports.common.times import lasting
from raytrace.reports.common.units import quantity
from raytrace.reports.common.words import way_words
from raytrace.texts import listed

if TYPE_CHECKING:
    from raytrace.studies.bench.spots_data import Cause, Misfit, Redo, Spots
    from raytrace.studies.bench.worth import Worth

__all__ = [
    "cause_words",
    "common_place",
    "move_words",
    "places_verdict",
    "spot_sentences",
    "verdict",
    "worth_words",
]

NAMED = 8  # facets in a sentence; a table holds all
ALIKE = 5e-5  # places nearer than this read alike [m]
ROUND = 300.0  # work is told to so many seconds
SMALLEST = 5e-4  # of moves that are said [m]
SURE = 2.0  # standard deviations of a size from which its direction is told


def spot_sentences(found: Spots) -> list[str]:
    """Say what to do with a measured cooker, and why.

    Parameters
    ----------
    found : Spots

    Returns
    -------
    list of str
        The answer first; none where no spots were measured.
    """
    if found.redo is None:
        return []
    return [verdict(found), *_why(found, found.redo)]


def verdict(found: Spots) -> str:
    """Answer in one sentence or two.

    Parameters
    ----------
    found : Spots
        With what redoing wins.

    Returns
    -------
    str
    """
    redo = found.redo
    assert redo is not None
    common = redo.common
    if common is not None and common.misread:
        return (
            "Read the spots again, with the laser slid from facet to facet: they look as if it "
            f"was swivelled, from about {_distance(-common.causes[0].size.swivel)}."
        )
    rest = _to_redo(found, redo)
    move = redo.moved
    if move is None:
        return rest
    words = f"{move_words(move.undone)}: {in_watts(float(move.gain))}"
    if common is not None and common.laser:
        words = f"Check the laser's angle; if it is right now, {_lower(words)}"
    if rest.startswith("Good enough"):
        return f"{words}; then good enough{rest.removeprefix('Good enough')}"
    return f"{words}. Then {rest[0].lower()}{rest[1:]}"


def common_place(found: Spots) -> NDArray[np.float64] | None:
    """Place that all spots share, to the tenth of a millimetre that is shown.

    Parameters
    ----------
    found : Spots

    Returns
    -------
    (2,) array or None
        On the target [m]; None where places differ or a facet is missing.
    """
    if not found.present.all() or np.ptp(found.spot, axis=0).max() > ALIKE:
        return None
    return np.asarray(found.spot.mean(axis=0))


def places_verdict(found: Spots, shared: NDArray[np.float64] | None) -> str:
    """Where the spots belong, in one sentence.

    Parameters
    ----------
    found : Spots
        Without measured spots.
    shared : (2,) array or None
        Place that all spots share [m].

    Returns
    -------
    str
    """
    if found.plan.build is not None:
        off = found.off[found.present]
        mean, most = (quantity("length", float(v), 0) for v in (off.mean(), off.max()))
        return f"Spots of this draw lie {mean} off their marks on average, {most} at most."
    if shared is None:
        return "Set each facet so that the laser's spot lies at its own place below."
    if np.hypot(*shared) < ALIKE:
        return "Set every facet so that the laser's spot lies on the base's centre."
    places = [
        f"{axis} {quantity('length', float(v), 0)}"
        for axis, v in zip(found.plane_axes, shared, strict=True)
    ]
    return f"Set every facet so that the laser's spot lies at {', '.join(places)}."


def _to_redo(found: Spots, redo: Redo) -> str:
    worth, names = redo.worth, found.labels
    needed = redo.needed
    if needed is None:
        best = int(np.argmax(redo.gains.value))
        return (
            f"No list wins {in_watts(redo.goal or 0.0)}: the most is "
            f"{in_watts(redo.gains.value[best])}, with {best} {_facets(best)} set again."
        )
    after = float(redo.curve.value[needed])
    if needed:
        # a spot beyond the card counts as at its edge, so its watts are a bound
        most = "at most " if found.missed_card[list(redo.chosen)].any() else ""
        goal = "" if redo.goal is None else f", for the {in_watts(redo.goal)} asked for"
        if redo.goal is None and worth.wanted is not None:
            reach = "enough for" if worth.enough(after) else "less than"
            goal = f"; {in_watts(after)} then, {reach} the {in_watts(worth.wanted)} wanted"
        return (
            f"{_do(found, redo.chosen)}: {most}{in_watts(redo.reached or 0.0)}, about "
            f"{_work(worth, needed)} of work{goal}."
        )
    if redo.goal is not None:
        return "Nothing needs redoing: the gain asked for is nothing."
    if worth.enough(after):
        return f"Good enough: {in_watts(after)}, and {in_watts(worth.wanted or 0.0)} are wanted."
    if len(redo.borderline):
        few = redo.borderline
        total = float(np.diff(redo.gains.value)[redo.judged.index("borderline")])
        sd = float(np.hypot(redo.gain_sd[few[0]], redo.gain.se[few[0]]))
        one = names[few[0]]
        more = f"; {_named([names[f] for f in few[1:]])} likewise" if len(few) > 1 else ""
        return (
            f"Borderline: setting {one} again would win {in_watts(total, sd)}, and its work is "
            f"worth {in_watts(worth.least())}{more}. Read the spots again, more exactly, before "
            "you do."
        )
    best = int(np.argmax(redo.gain.value))
    short = (
        "" if worth.wanted is None else f" {in_watts(after)} of the {in_watts(worth.wanted)} wanted"
    )
    head = f"Short of what is wanted:{short}, but" if short else "Good enough:"
    return (
        f"{head} nothing worth redoing (the best facet, {names[best]}, would win "
        f"{in_watts(max(float(redo.gain.value[best]), 0.0))})."
    )


def _do(found: Spots, chosen: Sequence[int] | np.ndarray) -> str:
    again = [found.labels[f] for f in chosen if found.present[f]]
    gone = [found.labels[f] for f in chosen if not found.present[f]]
    parts = [
        *([f"replace {_named(gone)}"] if gone else []),
        *([f"set {_named(again)} again"] if again else []),
    ]
    words = " and ".join(parts)
    return words[0].upper() + words[1:]


def _named(names: Sequence[str]) -> str:
    if len(names) > NAMED:
        return f"{len(names)} facets ({', '.join(names[:NAMED])}, …)"
    return listed(names, "and")


def _facets(count: int) -> str:
    return "facet" if count == 1 else "facets"


def _work(worth: Worth, facets: int) -> str:
    seconds = worth.work(facets)
    return lasting(max(round(seconds / ROUND), 1) * ROUND)


def move_words(undone: Misfit) -> str:
    """What to do to undo a misfit.

    Parameters
    ----------
    undone : Misfit

    Returns
    -------
    str
        A sentence without its full stop.
    """
    parts = []
    ways = [
        way_words(axis, far)
        for axis, far in (("x", -undone.pot_x), ("y", -undone.pot_y))
        if abs(far) >= SMALLEST
    ]
    if ways:
        parts.append(f"shift the pot {listed(ways, 'and')}")
    if abs(undone.pot_z) >= SMALLEST:
        how = "lower" if undone.pot_z > 0.0 else "raise"
        parts.append(f"{how} {'it' if parts else 'the pot'} by {_mm(undone.pot_z)}")
    if undone.azimuth:
        way = "anticlockwise" if undone.azimuth > 0.0 else "clockwise"
        parts.append(f"turn the cooker {_degrees(undone.azimuth)} further {way} each time")
    if undone.altitude:
        how = "lower" if undone.altitude > 0.0 else "raise"
        parts.append(f"{how} the board's sunward side by {_degrees(undone.altitude)} each time")
    words = listed(parts, "and") if parts else "leave all as it stands"
    return words[0].upper() + words[1:]


def cause_words(found: Spots, cause: Cause) -> str:
    """Say of a cause what was off, as a clause.

    Parameters
    ----------
    found : Spots
    cause : Cause

    Returns
    -------
    str
    """
    size, sd = cause.size, cause.sd
    parts = []
    if "pot" in cause.names:
        ways = [
            way_words(axis, far, "too far")
            for axis, far, s in (("x", size.pot_x, sd.pot_x), ("y", size.pot_y, sd.pot_y))
            if abs(far) > SURE * s
        ] or [f"{_mm(float(np.hypot(size.pot_x, size.pot_y)))} out of its place"]
        parts.append(f"the pot stood {listed(ways, 'and')}")
    if "height" in cause.names:
        parts.append(f"the pot stood {_mm(size.pot_z)} too {'high' if size.pot_z > 0.0 else 'low'}")
    if "altitude" in cause.names:
        meant = found.scenario.design.sun_altitude
        parts.append(
            f"the laser was {_degrees(size.altitude)} too "
            f"{'high' if size.altitude > 0.0 else 'low'}: the facets suit a sun at "
            f"{np.degrees(meant + size.altitude):.1f}° instead of {np.degrees(meant):.1f}°"
        )
    if "azimuth" in cause.names:
        way = "clockwise" if size.azimuth > 0.0 else "anticlockwise"
        parts.append(f"the laser was turned {_degrees(size.azimuth)} {way}, seen from above")
    if "swivel" in cause.names:
        when = "the facets were set" if size.swivel > 0.0 else "the spots were read"
        parts.append(
            f"the laser was swivelled from about {_distance(abs(size.swivel))} while {when}"
        )
    return listed(parts, "and")


CHECK = {
    "pot": "where the pot stands on the drawing",
    "height": "how high the pot's base stands",
    "altitude": "the laser's height over the board",
    "azimuth": "whether the laser looks straight down the board's middle line",
    "swivel": "whether the laser was slid",
}


def _why(found: Spots, redo: Redo) -> list[str]:
    out = []
    common = redo.common
    causes = () if common is None else common.causes
    if causes:
        told = [cause_words(found, cause) for cause in causes]
        if len(told) == 1:
            out.append(f"All spots lie as if {told[0]}.")
        else:
            names = dict.fromkeys(name for cause in causes for name in cause.names)
            out.append(
                f"All spots lie as if {'; or as if '.join(told)}. These spots can't tell: check "
                f"{listed([CHECK[name] for name in names], 'and')}."
            )
        if common is not None and not common.misread:
            out += _about_move(redo)
            unread = found.present & np.isnan(found.spot).any(axis=1)
            if unread.any():
                out.append(f"The {unread.sum()} facets without a spot are taken to share that.")
    if redo.goal is None:
        out.append(worth_words(redo.worth))
    if redo.needed and len(redo.borderline):
        they = "it is" if len(redo.borderline) == 1 else "they are"
        out.append(
            f"Borderline: {_named([found.labels[f] for f in redo.borderline])}. How exactly the "
            f"spots were read decides whether {they} worth it."
        )
    if redo.needed and redo.moved and (redo.moved.undone.azimuth or redo.moved.undone.altitude):
        out.append("Set them with the board standing likewise: as the others are.")
    return out


def _about_move(redo: Redo) -> list[str]:
    move, out = redo.move, []
    if move is not None and move.judged == "borderline":
        out.append(
            f"Perhaps worth it: {_lower(move_words(move.undone))}, "
            f"{in_watts(float(move.gain), move.gain_sd)}."
        )
    elif move is None or move.judged != "worth it":
        out.append(f"Undoing that in one move would win less than {in_watts(redo.worth.least())}.")
    if redo.common is not None and redo.common.laser:
        spoil = "" if redo.moved is None else ", and the move would spoil it"
        out.append(
            "A laser that is right for setting and off the other way for reading looks the same: "
            f"then nothing is wrong with the cooker{spoil}."
        )
    return out


def _lower(words: str) -> str:
    return words[0].lower() + words[1:]


def worth_words(worth: Worth) -> str:
    """Say what is asked of work.

    Parameters
    ----------
    worth : Worth

    Returns
    -------
    str
    """
    words = (
        f"Worth it here: {in_watts(worth.least())} or more for the {lasting(worth.redo_work)} that "
        f"a facet takes, so {in_watts(worth.hour_wins)} an hour"
    )
    if worth.wanted is not None:
        words += f", until {in_watts(worth.wanted)} are reached"
    return f"{words} (section workshop of the scenario)."


def _mm(metres: float) -> str:
    return quantity("length", abs(metres), 0)


def _degrees(angle: float) -> str:
    return f"{abs(np.degrees(angle)):.1f}°"


def _distance(per_metre: float) -> str:
    return quantity("yard", 1.0 / per_metre, digits=2)
