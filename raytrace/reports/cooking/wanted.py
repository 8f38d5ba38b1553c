"""What is wanted of a pot, in words: what it comes to, when, and what a cook must mind."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from raytrace.reports.common.times import lasting
from raytrace.reports.common.units import unit
from raytrace.reports.cooking.expected_words import by_parts, of_100, warm_words, when_words

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.cooking.day_likely import DayLikely

__all__ = [
    "came_to",
    "course_cautions",
    "course_sentences",
    "gets",
    "rest_sentences",
    "time_words",
    "what",
]


_CAME_TO = {
    "boil": "done",
    "simmer": "simmered",
    "reheat": "hot through",
    "bake": "baked",
    "fry": "fried",
    "pasteurise": "pasteurised",
    "rest": "done",
}


def came_to(scenario: Scenario) -> str:
    """What it then is, as in "done" or "pasteurised".

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    str
    """
    kitchen = scenario.kitchen
    return _CAME_TO[kitchen.wanted] if kitchen.food or kitchen.water else "hot enough"


def gets(scenario: Scenario, goal: str) -> str:
    """What a cook waits for, as a verb.

    Parameters
    ----------
    scenario : Scenario
    goal : str
        As in `raytrace.heat.wanted.goal_of`.

    Returns
    -------
    str
        As in "boils" or "is pasteurised".
    """
    return f"is {came_to(scenario)}" if goal == "done" else "boils"


def what(scenario: Scenario) -> str:
    """What is in the pot, in a word or two.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    str
    """
    kitchen = scenario.kitchen
    if kitchen.food:
        return "the food"
    return "the water" if kitchen.water else "the empty pan"


def time_words(seconds: float) -> str:
    """How long a course takes, seconds where it takes no minute.

    Parameters
    ----------
    seconds : float
        [s]

    Returns
    -------
    str

    Examples
    --------
    >>> time_words(15.0), time_words(5400.0)
    ('15 s', '90 min')
    """
    return f"{seconds:.0f} s" if seconds < 60.0 else lasting(seconds)


def course_sentences(
    scenario: Scenario, start: pd.Timestamp, likely: DayLikely, put_on: str, wanted: str
) -> list[str]:
    """When a course comes to its end, or how warm it gets at most.

    Parameters
    ----------
    scenario : Scenario
        What it wants is more than to boil.
    start : Timestamp
        When the pot is put on, by the site's clock.
    likely : DayLikely
    put_on : str
        Contents, start and habit in words.
    wanted : str
        Temperature and time in words.

    Returns
    -------
    list of str
        The first is the answer.
    """
    subject, done = what(scenario), likely.done
    head = f"{subject[0].upper()}{subject[1:]}"
    if done.never < 0.5:
        out = [f"{head} {gets(scenario, 'done')} ({wanted}) {when_words(start, done)}: {put_on}."]
        out += by_parts(done, "min", scale=60.0)
    else:
        share = "" if done.never == 1.0 else f" {of_100(done.never)} draws"
        out = [
            f"Not {came_to(scenario)} that day{share} ({wanted}): {put_on}. "
            f"The warmest is {warm_words(likely.highest)}."
        ]
    return [*out, *rest_sentences(scenario, start, likely)]


def rest_sentences(scenario: Scenario, start: pd.Timestamp, likely: DayLikely) -> list[str]:
    """When to take the pot out of the sun, and what it is wrapped in.

    Parameters
    ----------
    scenario : Scenario
    start : Timestamp
    likely : DayLikely

    Returns
    -------
    list of str
        Empty where nothing is to rest.
    """
    boils, kitchen = likely.boils, scenario.kitchen
    if kitchen.wanted != "rest" or boils.never >= 0.5:
        return []
    after = time_words(float(kitchen.rest_boil))
    loss = float(kitchen.rest_loss) / unit("difference").per
    out = [
        f"It boils {when_words(start, boils)}. Take it out of the sun {after} after that, lid on, "
        f"and wrap it up well: so that it loses no more than {loss:.2g} W for each degree over the "
        "air."
    ]
    if likely.done.never >= 0.5:
        out.append("Wrapped up, it cools too soon: let it boil longer first, or wrap it up better.")
    return out


def course_cautions(scenario: Scenario, hottest: float) -> list[str]:
    """What a cook must mind in such a course.

    Parameters
    ----------
    scenario : Scenario
    hottest : float
        That it may get under the day's best watts. [K]

    Returns
    -------
    list of str

    Notes
    -----
    Kidney beans: US Food and Drug Administration, Bad Bug Book, 2nd ed. (phytohaemagglutinin), from
    memory. Smoking oil: common practice, no source.
    """
    wanted = scenario.kitchen.wanted
    heat = (
        f"left in the light it goes on to about {_tens(hottest)}, where losses eat up all that "
        "it takes up"
    )
    if wanted == "pasteurise":
        return [
            "Caution: only an indicator or a thermometer in the water, where it is coolest, says "
            "that it is pasteurised; a cloud or wind makes it later. Keep it in the same pot, "
            "closed. Heat takes no poison and no dirt out of water."
        ]
    if wanted == "reheat":
        return [
            "Caution: measure in the middle of the thickest piece, and stir. Reheat food once "
            "only, and throw away what was not hot within two hours."
        ]
    if wanted == "fry":
        return [
            f"Caution: hot oil burns and takes fire: {heat}. Oil smokes from about {_tens(463.15)} "
            "on and burns above. Stay with it with a thermometer in the oil and a lid at hand; "
            "turn the cooker away before you reach in; never put water on burning oil."
        ]
    if wanted == "bake" and not scenario.kitchen.food:
        return [f"Caution: {heat}: hot enough to burn what is in it, and you."]
    if wanted == "bake":
        return [
            f"Caution: {heat}. Moist food stays near {_tens(373.15)} inside while it steams, which "
            "is not counted here: judge it by its own temperature."
        ]
    if wanted == "rest":
        return [
            "Caution: straw, wool and paper take fire in the light: wrap the pot in the shade. "
            "Boil red kidney beans hard for 30 min before: cooked below boiling they poison. Boil "
            f"it up again if it is under {_tens(333.15)} when you open it."
        ]
    return []


def _tens(T: float) -> str:
    """Temperature in round numbers."""
    warmth = unit("temperature")
    tens = (
        f"{10.0 * round(warmth.of(T) / 10.0):.0f}" if math.isfinite(T) else "an unknown number of"
    )
    return f"{tens} {warmth.symbol}"
