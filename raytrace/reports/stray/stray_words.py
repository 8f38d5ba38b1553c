"""Stray light in sentences: how far to stay away, what is hit when, what helps."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.times import date_words, hour_minute, joined, lasting
from raytrace.reports.common.units import SYSTEM, quantity, unit, yard
from raytrace.reports.common.words import point_of
from raytrace.studies.stray.eyes import eye_load
from raytrace.studies.stray.limits import BURNS, FULL_SUN, LEAST, LIMITS, Limit, of_mirrors
from raytrace.studies.stray.stray_data import farthest_over
from raytrace.texts import listed

if TYPE_CHECKING:
    from raytrace.scenario.place_sections import Surrounding
    from raytrace.studies.stray.stray_data import Stray
    from raytrace.studies.stray.stray_plan import StrayCase

__all__ = [
    "away_sentence",
    "case_words",
    "eye_reaches",
    "farthest",
    "horizon_told",
    "in_kilowatts",
    "keep_away",
    "left_cases",
    "reach_by_sun",
    "stray_sentences",
    "thing_limit",
    "things_told",
    "times_over",
    "worst_on",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

STEP = {"si": 0.5, "us": 1.0}  # that distances to keep are rounded up to [m, ft]
FAINT = 50.0  # W/m²: a twentieth of the sun, weaker light is not told unless it dazzles
LEFT = {"morning": "in the morning", "noon": "at noon", "afternoon": "in the afternoon"}
ALIKE = 1.15  # distances that differ by less than this factor are told as one


def keep_away(si: float, most: float) -> str:
    """Distance to keep, rounded up.

    Parameters
    ----------
    si : float
        [m]
    most : float
        How far was looked. [m]

    Returns
    -------
    str

    Examples
    --------
    >>> keep_away(3.98, 60.0), keep_away(math.inf, 60.0), keep_away(2.5, 60.0)
    ('4 m', 'more than 60 m', '2.5 m')
    """
    if math.isinf(si):
        return f"more than {yard(most)}"
    shown = unit("yard")
    step = STEP[SYSTEM.get()]
    steps = max(1, math.ceil(round(shown.of(si) / step, 6)))
    return f"{steps * step:g} {shown.symbol}"


def away_sentence(reach: float) -> str:
    """How far to stay away, in one sentence, as `cooker check` says it.

    Parameters
    ----------
    reach : float
        From `raytrace.studies.stray.brief.brief_reach`. [m]

    Returns
    -------
    str

    Examples
    --------
    >>> away_sentence(4.54)
    'Cover the mirrors when you leave, or stay about 5 m away: `cooker stray` says more.'
    """
    if math.isinf(reach):
        far = "far away"
    elif reach:
        far = f"about {keep_away(reach, math.inf)} away"
    else:
        far = "clear of the board"
    return f"Cover the mirrors when you leave, or stay {far}: `cooker stray` says more."


def in_kilowatts(irradiance: float) -> str:
    """Irradiance to two digits, or one where it is weak.

    Parameters
    ----------
    irradiance : float
        [W/m²]

    Returns
    -------
    str

    Examples
    --------
    >>> in_kilowatts(38211.0), in_kilowatts(1700.0), in_kilowatts(97.0), in_kilowatts(12.0)
    ('38 kW/m²', '1.7 kW/m²', '0.1 kW/m²', '10 W/m²')
    """
    if irradiance < FAINT:
        return f"{float(f'{irradiance:.1g}'):g} W/m²"
    kilo = 1e-3 * irradiance
    return f"{kilo:.0f} kW/m²" if kilo >= 10.0 else f"{kilo:.1f} kW/m²"


def case_words(case: StrayCase) -> str:
    """How the cooker stands, as one says it of the platform.

    Parameters
    ----------
    case : StrayCase

    Returns
    -------
    str
    """
    if math.isfinite(case.heading):
        turn = np.degrees(case.heading)
        named = abs(turn / 45.0 - round(turn / 45.0)) < 1e-6
        return f"parked facing {point_of(case.heading) if named else f'{turn:.0f}°'}"
    if math.isfinite(case.parked):
        return f"left as {LEFT[case.name.partition(' ')[2]]}"
    if case.late:
        return f"turned {lasting(case.late)} late"
    return "turned to the sun" if case.pot_there else "turned to it, the pot off its stand"


def left_cases(found: Stray) -> list[int]:
    """Cases in which nobody minds the cooker.

    Parameters
    ----------
    found : Stray

    Returns
    -------
    list of int
        All, where none is such.
    """
    left = [k for k, case in enumerate(found.cases) if case.left]
    return left or list(range(len(found.cases)))


def reach_by_sun(found: Stray, level: float) -> Array:
    """Greatest distance at people's heights at which an irradiance is passed, sun by sun.

    Parameters
    ----------
    found : Stray
    level : float
        [W/m²]

    Returns
    -------
    ndarray, shape (C, S)
        As `Stray.reach`, of the exactly set cooker; nan where a sun was not looked at. [m]
    """
    reach = farthest_over(found.distances, np.nan_to_num(found.low), of_mirrors(level))
    return np.where(np.isnan(found.low).all(axis=2), np.nan, reach)


def eye_reaches(found: Stray) -> tuple[float, float]:
    """How far away a look toward the mirrors burns the eye, and how far it dazzles.

    Parameters
    ----------
    found : Stray

    Returns
    -------
    burn, dazzle : float
        Distances of the outermost place that was looked at where the limit is passed; 0 where it
        is nowhere. [m]
    """
    loads = eye_load(np.nan_to_num(found.low), np.nan_to_num(found.low_fill))
    over = [(load >= 1.0).any(axis=(0, 1)) for load in loads]
    burn, dazzle = (float(found.distances[o].max(initial=0.0)) for o in over)
    return burn, dazzle


def farthest(found: Stray, level: float, cases: Sequence[int]) -> tuple[float, int, int]:
    """How far an irradiance is passed in some cases, in which, and under which sun.

    Parameters
    ----------
    found : Stray
    level : float
        [W/m²]
    cases : sequence of int

    Returns
    -------
    reach : float
        With builds. [m]
    case, sun : int
    """
    by_sun = np.nan_to_num(reach_by_sun(found, level)[list(cases)])
    row, sun = np.unravel_index(int(by_sun.argmax()), by_sun.shape)
    return float(found.reach(level)[list(cases)].max()), cases[int(row)], int(sun)


def when_words(found: Stray, sun: int) -> str:
    """Date and clock of one of the suns."""
    time = dt.datetime.fromisoformat(found.times[sun])
    return f"on {date_words(time.date())} at {hour_minute(time)}"


def stray_sentences(found: Stray) -> list[str]:
    """How far to stay away and why, the answer first.

    Parameters
    ----------
    found : Stray

    Returns
    -------
    list of str
    """
    everything = range(len(found.cases))
    most = float(found.distances[-1])
    skin, case, sun = farthest(found, LEAST.irradiance, everything)
    fire = float(found.reach(BURNS.irradiance).max())
    near = f"more than {yard(float(found.distances[0]), 2)} from the middle of the board"
    out = [
        "Cover the mirrors whenever you leave the cooker. "
        + (
            f"Uncovered, stay {keep_away(skin, most)} away from the middle of the board: nearer, "
            "its light and the sun's can hurt bare skin."
            if skin
            else f"Under these suns no light that hurts bare skin was found {near}."
        ),
        f"Keep all that burns {keep_away(fire, most)} away: nearer, both can set wood and dry "
        "plants alight in the long run."
        if fire
        else f"No light that sets wood alight was found {near}.",
        _eyes(found),
        _worst(found, case, sun),
        *things_told(found),
        *horizon_told(found),
        *_parking(found),
        *_in_use(found),
        *_empty(found),
        *_overhead(found),
    ]
    return [sentence for sentence in out if sentence]


def _eyes(found: Stray) -> str:
    burn, dazzle = eye_reaches(found)
    most = float(found.distances[-1])
    words = []
    if burn > 0.0:
        near = math.inf if burn >= most else burn
        words.append(f"within {keep_away(near, most)} a look into the mirrors can burn the eye")
    if dazzle > 0.0:
        far = (
            f"as far as {quantity('yard', dazzle, 0)}" if dazzle < most else f"beyond {yard(most)}"
        )
        words.append(f"they dazzle {far}")
    if not words:
        return ""
    told = " at once, and ".join(words) if len(words) == 2 else words[0]
    return f"Never look toward them: {told}."


def _worst(found: Stray, case: int, sun: int) -> str:
    """Under which sun the light reaches farthest, and which way it goes."""
    level = of_mirrors(LEAST.irradiance)
    here = np.flatnonzero(np.nan_to_num(found.low[case, sun]) >= level)
    if not len(here):
        return ""
    k = int(here[-1])
    bearing = float(found.low_bearing[case, sun, k])
    height = yard(float(found.low_height[case, sun, k]), 2)
    return (
        f"It reaches farthest when {case_words(found.cases[case])}, {when_words(found, sun)}: "
        f"toward the {point_of(bearing)}, {height} over the ground."
    )


def _parking(found: Stray) -> list[str]:
    """Whether a way to park it helps."""
    left = [k for k, case in enumerate(found.cases) if case.left]
    reach = found.reach(LEAST.irradiance)[left]
    if len(left) < 2 or not reach.max() > 0.0:
        return []
    most = float(found.distances[-1])
    least, widest = (keep_away(float(x), most) for x in (reach.min(), reach.max()))
    span = f"{least} to {widest}" if least != widest and reach.min() > 0.0 else widest
    return [
        f"To park it another way is no help: of {len(left)} ways tried, light that hurts reaches "
        f"{span}. Only a cover helps."
    ]


def _in_use(found: Stray) -> list[str]:
    """What is to be expected while a cook minds it, and how late a turning does no more."""
    reach = found.reach(LEAST.irradiance)
    most = float(found.distances[-1])
    met = [k for k, case in enumerate(found.cases) if case.name == "met"]
    late = [k for k, case in enumerate(found.cases) if case.late and not math.isnan(case.late)]
    if not met:
        return []
    own = float(reach[met[0]])
    out = [
        f"While the platform is turned to the sun, that distance is {keep_away(own, most)}"
        if own
        else "While the platform is turned to the sun, no light strong enough to hurt passes by"
    ]
    alike = [k for k in late if reach[k] <= max(ALIKE * own, own + 0.25)]
    harmless = max((found.cases[k].late for k in alike), default=0.0)
    beyond = [k for k in late if k not in alike]
    if beyond:
        k = beyond[0]
        out.append(
            f"; turned {lasting(found.cases[k].late)} late it grows to "
            f"{keep_away(float(reach[k]), most)}"
        )
    elif harmless:
        out.append(f"; to turn it up to {lasting(harmless)} late makes that no worse")
    return ["".join(out) + "."]


def _empty(found: Stray) -> list[str]:
    """What happens where no pot stops the light."""
    names = [case.name for case in found.cases]
    if "empty" not in names:
        return []
    c = names.index("empty")
    s = found.worst_sun(c)
    height = float(found.peak_at[c, s, 2])
    away = float(np.linalg.norm(found.peak_at[c, s, :2]))
    strongest = float(found.worst[c])
    hits = np.flatnonzero([strongest >= limit.irradiance for limit in LIMITS])
    harm = f", enough to {LIMITS[hits[-1]].harm}" if len(hits) else ""
    return [
        f"With the pot off its stand nothing stops the light where it meets, {yard(height, 2)} "
        f"above the ground and {yard(away, 2)} from the middle: up to {in_kilowatts(strongest)}"
        f"{harm}. Never leave the stand empty and the mirrors uncovered."
    ]


def _overhead(found: Stray) -> list[str]:
    """Whether the light reaches farther over people's heads, where roofs and trees are."""
    low, high = (float(found.reach(BURNS.irradiance, high=h).max()) for h in (False, True))
    if high <= ALIKE * max(low, float(found.distances[0])):
        return []
    most = float(found.distances[-1])
    return [
        f"Above people's heads light that can set wood alight goes as far as "
        f"{keep_away(high, most)}: keep roofs, awnings and trees out of it."
    ]


def worst_on(values: Array, cases: Sequence[int]) -> tuple[float, int, int]:
    """Greatest of some values by case and sun, and which of both.

    Parameters
    ----------
    values : ndarray, shape (C, S)
    cases : sequence of int
        Those that count.

    Returns
    -------
    most : float
    case, sun : int
    """
    seen = np.nan_to_num(values[list(cases)])
    row, sun = np.unravel_index(int(seen.argmax()), seen.shape)
    return float(seen[row, sun]), cases[int(row)], int(sun)


def times_over(found: Stray, values: Array, sun: int, level: float) -> tuple[str, str]:
    """From when to when a value passes a level on the day of a sun, by the clock.

    Parameters
    ----------
    found : Stray
    values : ndarray, shape (S,)
    sun : int
        Under which it does.
    level : float

    Returns
    -------
    start, end : str
        Of the suns looked at; the same where it is one alone.
    """
    times = [dt.datetime.fromisoformat(t) for t in found.times]
    today = [k for k, t in enumerate(times) if t.date() == times[sun].date()]
    today = [k for k in today if np.isfinite(values[k])]
    over = [bool(values[k] >= level) for k in today]
    first = last = today.index(sun)
    while first > 0 and over[first - 1]:
        first -= 1
    while last + 1 < len(today) and over[last + 1]:
        last += 1
    return hour_minute(times[today[first]]), hour_minute(times[today[last]])


def _hours(found: Stray, values: Array, sun: int, level: float) -> str:
    """The same in words, with the date."""
    start, end = times_over(found, values, sun, level)
    date = dt.datetime.fromisoformat(found.times[sun]).date()
    return f"on {date_words(date)}, " + (f"about {start}" if start == end else joined(start, end))


def thing_limit(thing: Surrounding, irradiance: float) -> Limit | None:
    """The highest limit that an irradiance passes on a surrounding of its kind.

    Parameters
    ----------
    thing : Surrounding
    irradiance : float
        [W/m²]

    Returns
    -------
    Limit or None
    """
    passed = [x for x in LIMITS if thing.kind in x.harms and irradiance + FULL_SUN >= x.irradiance]
    return passed[-1] if passed else None


def things_told(found: Stray) -> list[str]:
    """What reaches each of the surroundings, nobody minding the cooker, in a sentence each.

    Parameters
    ----------
    found : Stray

    Returns
    -------
    list of str
        What is in danger first.
    """
    told: list[tuple[float, str]] = []
    safe: list[str] = []
    left = left_cases(found)
    for k, thing in enumerate(found.scenario.site.surroundings):
        values = found.on_thing[..., k]
        most, case, sun = worst_on(values, left)
        loads = eye_load(np.nan_to_num(values), np.nan_to_num(found.on_thing_fill[..., k]))
        burn, dazzle = (float(load[left].max()) for load in loads)
        if most < FAINT and dazzle < 1.0:
            safe.append(thing.name)
            continue
        limit = thing_limit(thing, most)
        level = of_mirrors(limit.irradiance) if limit else 0.5 * most
        hours = _hours(found, values[case], sun, level)
        harm = f"enough to {limit.harm}" if limit else "too weak to burn"
        eyes = " and to burn an eye that looks there" if burn >= 1.0 else ""
        eyes = eyes or (", but it dazzles" if dazzle >= 1.0 else "")
        name = thing.name[:1].upper() + thing.name[1:]
        words = (
            f"{name}: up to {in_kilowatts(most)}, {case_words(found.cases[case])}, {hours}: "
            f"{harm}{eyes}."
        )
        told.append((-most / (limit.irradiance if limit else 1e9), words))
    out = [words for _, words in sorted(told, key=lambda pair: pair[0])]
    if safe:
        out.append(f"Next to no light gets to {listed(safe, 'and')}.")
    return out


def horizon_told(found: Stray) -> list[str]:
    """When the light goes below what the horizon shows, and how strong it is by distance.

    Parameters
    ----------
    found : Stray

    Returns
    -------
    list of str
        None where nothing is hit.
    """
    left = left_cases(found)
    most, case, sun = worst_on(found.on_horizon[..., 0], left)
    if most < FAINT:
        return []
    hours = _hours(found, found.on_horizon[case, :, 0], sun, FAINT)
    toward = point_of(float(found.on_horizon_bearing[case, sun, 0]))
    by_distance = [
        f"{in_kilowatts(strong)} at {quantity('yard', float(away), 0)}"
        for a, away in enumerate(found.horizon_away)
        if (strong := worst_on(found.on_horizon[..., a], left)[0]) >= FAINT
    ]
    return [
        f"What rises over the horizon is hit too, {case_words(found.cases[case])}: at worst "
        f"{hours}, toward the {toward}. How strongly depends on how near it is: up to "
        f"{listed(by_distance, 'and')}."
    ]
