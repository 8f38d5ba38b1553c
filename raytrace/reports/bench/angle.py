"""The laser's measured angle in words: what sun it sets facets for, what that costs, what to do."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from raytrace.reports.common.numbers import in_watts
from raytrace.reports.common.times import at_clock, date_words
from raytrace.reports.common.units import MINUS, quantity, tape, unit
from raytrace.texts import listed

if TYPE_CHECKING:
    from raytrace.studies.bench.angle_measured import (
        Angle,
        AngleFound,
        Cost,
        FoundAltitude,
        Proof,
    )

__all__ = ["angle_changes", "angle_sentences", "angle_words"]

LEADS = {
    "not worth it": "Good enough",
    "borderline": "Borderline, so prove it again with a longer drop",
    "worth it": "Put the laser right before you set facets with it",
}
UNFELT = 0.005  # share of the watts that nobody feels
SLIPPED = math.radians(3.0)  # off the plan, from which exchanged lengths are thought of
CROOKED = 3.0  # standard errors that drop, run and slope may be off a right angle
METRE = {"mm": (1.0, "metre"), "in": (12 * 0.0254, "foot")}


def _pm(value: float, half: float) -> str:
    """Degrees with half of their interval, to the decimals that it is good for."""
    value, half = math.degrees(value), math.degrees(half)
    decimals = 2 if half < 0.095 else 1 if half < 9.5 else 0
    return f"{value + 0.0:.{decimals}f} ± {half:.{decimals}f}°".replace("-", MINUS)


def _degrees(value: float) -> str:
    return f"{round(math.degrees(value), 2):g}°".replace("-", MINUS)


def _about(value: float) -> str:
    """Difference of angles, to the tenth."""
    return f"{abs(math.degrees(value)):.1f}°"


def angle_words(found: FoundAltitude) -> str:
    """Say what an altitude was found to be, and what was planned.

    Parameters
    ----------
    found : FoundAltitude

    Returns
    -------
    str
    """
    angle = found.angle
    text = f"set for {_pm(angle.value, angle.half)}"
    if angle.low <= found.planned <= angle.high:
        return f"{text}, which holds the planned {_degrees(found.planned)}"
    return f"{text}, not {_degrees(found.planned)}"


def angle_sentences(found: AngleFound) -> list[str]:
    """Say whether the laser's angle is good enough, and what to do if it isn't.

    Parameters
    ----------
    found : AngleFound

    Returns
    -------
    list of str
        The verdict first, the scenario's keys to set last.
    """
    out = [_verdict(found), *_meant(found), *_azimuth_words(found)]
    out += [_move(found, a) for a in found.altitudes]
    out += _trouble(found)
    return [*out, angle_changes(found)]


def angle_changes(found: AngleFound) -> str:
    """Say how other commands take the angle that was found.

    Parameters
    ----------
    found : AngleFound

    Returns
    -------
    str
    """
    keys = " ".join(f"--set {change}" for change in found.changes)
    return f"So that other commands reckon with it: {keys}"


def _costs(cost: Cost, watts: float) -> str:
    low, high = (f"{x:.{0 if cost.high >= 1.5 else 1}f}" for x in (cost.low, cost.high))
    if -UNFELT * watts <= cost.low and cost.high <= UNFELT * watts:
        return "costs nothing that shows"
    if cost.low > 0.0:
        return f"costs {in_watts(cost.mean)} ({low} to {high} W)"
    if cost.high < 0.0:
        return f"wins {in_watts(-cost.mean)}"
    return f"may cost anything up to {high} W"


def _verdict(found: AngleFound) -> str:
    words = listed([angle_words(a) for a in found.altitudes], "and")
    azimuth = found.azimuth
    if azimuth is not None:
        way = "clockwise" if azimuth.value >= 0.0 else "anticlockwise"
        words += f", and {_pm(abs(azimuth.value), azimuth.half)} {way} of where it belongs"
    costs = f"{_costs(found.cost, found.planned.watts)} of {in_watts(found.planned.watts)}"
    return f"{LEADS[found.judged]}: {words}. At the sun that was planned it {costs}."


def _meant(found: AngleFound) -> list[str]:
    """What to do with facets that are set already."""
    main = next((a for a in found.altitudes if "design.sun_altitude" in a.keys), None)
    if main is None:
        if found.judged == "not worth it":
            return []
        return [
            "Only some facets are set for that altitude, so no turning of the platform makes up "
            "for it."
        ]
    off = main.angle.value - main.planned
    if abs(off) < main.angle.half:
        return []
    left = _costs(found.left, found.found.watts)
    doubt = (
        f"there they deliver {in_watts(found.found.watts)}, and the doubt about the angle {left}"
    )
    start = "Facets that were set with it stay as they are: "
    if found.follows:
        way = "further" if off < 0.0 else "less far"
        return [
            f"{start}tilt the platform {_about(off)} {way} than planned, at every hour, so that "
            f"the sun stands {_degrees(main.angle.value)} above it; {doubt}."
        ]
    planned, there = found.planned.time, found.found.time
    if planned is None or there is None:
        return [
            f"{start}they are at their best when the sun stands {_degrees(main.angle.value)} "
            f"above the platform; {doubt}."
        ]
    higher, earlier = ("higher", "earlier") if off > 0.0 else ("lower", "later")
    same = planned.date() == there.date()
    then = (
        f"{at_clock(planned)}, and by as much {earlier} in the afternoon"
        if same
        else f"{date_words(planned.date())} at {at_clock(planned)}"
    )
    return [
        f"{start}their best sun stands {_about(off)} {higher}, on {date_words(there.date())} at "
        f"{at_clock(there)} instead of {then}; {doubt}."
    ]


def _azimuth_words(found: AngleFound) -> list[str]:
    azimuth = found.azimuth
    if azimuth is None or abs(azimuth.value) < azimuth.half:
        return []
    back = "anticlockwise" if azimuth.value > 0.0 else "clockwise"
    first = (
        f"Move the stand {_about(azimuth.value)} {back} round the facets' middle, seen from above"
        if found.swivelled
        else f"Turn the laser {_about(azimuth.value)} {back}, seen from above, until the mark "
        "under the plumb line lies on the line along the arrow"
    )
    return [
        f"{first}; or, for facets that are set already, turn the platform's arrow "
        f"{_about(azimuth.value)} {back} of the sun each time."
    ]


def _move(found: AngleFound, a: FoundAltitude) -> str:
    """What to change so that the beam comes as planned."""
    rule = unit("length").symbol
    off = a.planned - a.angle.value
    if abs(off) < a.angle.half:
        return f"{_degrees(a.planned)} needs no move: what is off is less than the doubt about it."
    up, lifted = ("up", "raise") if off > 0.0 else ("down", "lower")
    per, name = METRE[rule]
    if found.swivelled:
        level = found.distance * math.cos(a.angle.value)
        lift = level * math.tan(a.planned) - found.distance * math.sin(a.angle.value)
        return f"For {_degrees(a.planned)}, {lifted} the stand by {tape(abs(lift))}."
    drop = _drop(found, a)
    run, now = drop / math.tan(a.planned), drop / math.tan(a.angle.value)
    shorter = "shorter" if run < now else "longer"
    lift = per * (math.tan(a.planned) - math.tan(a.angle.value))
    steeper = "steeper" if off > 0.0 else "flatter"
    return (
        f"For {_degrees(a.planned)}, tilt the laser so that it shines {steeper}: at a drop of "
        f"{tape(drop)} its run has to be {tape(run)}, {tape(abs(run - now))} {shorter}. Sliding it "
        "changes no angle. Where it is held to a mirror's middle from a fixed distance, move it "
        f"{up} by {tape(abs(lift))} for each {name} along the floor."
    )


def _drop(found: AngleFound, a: FoundAltitude) -> float:
    """Drop of the proof that is nearest to an altitude. [m]"""
    return min(found.proofs, key=lambda p: abs(p.altitude - a.angle.value)).drop


def _trouble(found: AngleFound) -> list[str]:
    """What makes the proofs themselves doubtful, and how good they are."""
    out = []
    angles: list[Angle] = [a.angle for a in found.altitudes]
    if found.azimuth is not None:
        angles.append(found.azimuth)
    if any(angle.unlike for angle in angles):
        out.append(
            "The proofs differ by more than readings explain. Prove the angle again at the "
            "corners of the slide: one that sags or twists turns the beam."
        )
    out += filter(None, (_crooked(p, found.reading) for p in found.proofs))
    for a in found.altitudes:
        off = abs(a.angle.value - a.planned)
        other = abs(0.5 * math.pi - a.angle.value - a.planned)
        if off > SLIPPED and other < 0.5 * off and not found.swivelled:
            out.append(
                "Are drop and run exchanged? The other way round the angle is "
                f"{_degrees(0.5 * math.pi - a.angle.value)}."
            )
    if found.swivelled and not all(p.at for p in found.proofs):
        out.append(
            "A swivelled laser meets each facet at another angle: where no facet is named (at), "
            "the beam is taken to be held on the facets' middle."
        )
    many = len(found.proofs)
    good_to = quantity("length", found.reading, 0)
    out.append(
        f"± is the 95 % interval by {many} proof{'s' if many > 1 else ''}, each length being good "
        f"to {good_to} (one standard error)."
    )
    return out


def _crooked(proof: Proof, reading: float) -> str:
    """A slope that drop and run don't make."""
    long = proof.too_long
    if math.isnan(long) or abs(long) <= CROOKED * math.sqrt(2.0) * reading:
        return ""
    return (
        f"The slope is {tape(abs(long))} {'longer' if long > 0.0 else 'shorter'} than a drop of "
        f"{tape(proof.drop)} and a run of {tape(proof.run)} make it: the floor isn't level, or a "
        "length is misread. Measure all three again."
    )
