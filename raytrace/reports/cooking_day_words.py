"""What a pot's day says to a cook, in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.kitchen import contents_words, habit_words, too_hot_words, wanted_words
from raytrace.reports.rounding import percent
from raytrace.reports.times import at_clock, date_words, of_day, pm

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.estimate import Estimate
    from raytrace.studies.cooking_day import CookingDay, HabitWorth
    from raytrace.studies.ready import Ready
    from raytrace.studies.turning import Habit

__all__ = ["all_sentences", "day_sentences", "habit_sentences", "minutes", "reached", "since_start"]

ZERO = 273.15  # 0 °C [K]
NEAR_BOIL = 1.0  # below saturation: boils [K]
CLOSE = 0.05  # of the quickest boil: slower by less is told to be as good


def since_start(day: CookingDay, seconds: float) -> pd.Timestamp:
    """Moment so many seconds after the pot was put up."""
    import pandas as pd

    return day.time[0] + pd.Timedelta(seconds=seconds)


def minutes(x: Estimate, decimals: int = 1) -> str:
    """A length of time with its standard error, in minutes."""
    return pm(float(x.value), float(x.se), 1 / 60, decimals)


def reached(x: Estimate) -> bool:
    """Whether it ever comes to that."""
    return math.isfinite(float(x.value))


def day_sentences(day: CookingDay, ready: Ready | None = None) -> list[str]:
    """What a cook needs to know, a few sentences.

    Parameters
    ----------
    day : CookingDay
    ready : Ready, optional
        Outcome of the search that gave the start.
    """
    never_done = too_hot_words(day.scenario, day.boiling)
    out = [] if ready is None or (never_done and ready.what == "done") else _ready_sentences(ready)
    start = day.time[0]
    head = (
        f"Put up at {at_clock(start)} on {date_words(start.date(), year=True)} and "
        f"{habit_words(day.habit.every, day.habit.face)}, {contents_words(day.scenario)}"
    )
    if reached(day.boils):
        turned = sum((t.time - start).total_seconds() < float(day.boils.value) - 1.0
                     for t in day.turnings[1:])  # fmt: skip
        until = f", the cooker turned {_times_words(turned)} until then" if turned else ""
        out.append(
            f"{head} boil at {at_clock(since_start(day, float(day.boils.value)))}, after "
            f"{minutes(day.boils)} min{until}."
        )
        out.append(_simmer(day))
    else:
        k = int(np.nanargmax(day.temperature.value))
        warm = pm(float(day.temperature.value[k]) - ZERO, float(day.temperature.se[k]), decimals=1)
        got = f"{warm} °C, at {at_clock(day.time[k])}"
        if day.scenario.kitchen.water:
            out.append(f"{head} never boil: the warmest they get is {got}. {_best_watts(day)}")
        else:
            out.append(f"{head} and no water get no warmer than {got}.")
    out += [never_done] if never_done else _done_sentence(day)
    dry = float(day.heating.dry[0])
    if math.isfinite(dry):
        out.append(f"Caution: left alone, it boils dry at {at_clock(since_start(day, dry))}.")
    return out


def _best_watts(day: CookingDay) -> str:
    """What the best watts would come to if they went on."""
    settles = float(day.heating.settles[0])
    if settles >= day.boiling - NEAR_BOIL:
        return "The best watts would boil it, but they do not last."
    return f"Even if the best watts went on, it would get no warmer than {settles - ZERO:.0f} °C."


def _times_words(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _luck_sentence(day: CookingDay, worth: Sequence[HabitWorth]) -> list[str]:
    """How much a hand that turns the cooker anew moves the boil."""
    same = [w for w in worth if w.habit == day.habit and reached(w.boils)]
    if not same or not reached(day.boils):
        return []
    boils = same[0].boils
    spread = float(boils.se) * math.sqrt(boils.n_replicates)
    if not spread > 2.0 * float(day.boils.se):
        return []
    return [
        f"The ± is that of tracing this one day; the hand's luck in turning moves the boil by "
        f"{spread / 60.0:.1f} min either way (one standard deviation), round "
        f"{minutes(boils)} min."
    ]


def _ready_sentences(ready: Ready) -> list[str]:
    what = "done" if ready.what == "done" else "boiling"
    by = of_day(ready.by)
    if math.isfinite(ready.start):
        return [
            f"To have it {what} by {by}, put the pot up at {of_day(ready.start)} at the latest: it "
            f"is {what} at {of_day(float(ready.at.value))} ± "
            f"{max(float(ready.at.se) / 60.0, 0.1):.1f} min. Leave a margin for "
            "clouds and for turning badly."
        ]
    if math.isfinite(ready.earliest):
        return [
            f"Whenever it is put up, it is not {what} by {by}: the soonest is "
            f"{of_day(ready.earliest)}."
        ]
    return [f"Whenever it is put up on that day, it never gets {what}."]


def _simmer(day: CookingDay) -> str:
    heating = day.heating
    kept = float(heating.holds[0])
    gone = float(heating.boiled_off[0])
    held = "It then keeps the boil for the next hour"
    if kept <= 0.999:
        held = f"It then keeps the boil for {percent(kept)} of the next hour"
    if math.isfinite(float(heating.dry[0])):
        return f"{held}."
    return f"{held}; {gone:.2g} kg of water are gone by {at_clock(day.time[-1])}."


def _done_sentence(day: CookingDay) -> list[str]:
    kitchen = day.scenario.kitchen
    if not float(kitchen.done_after) > 0.0:
        return []
    wanted = wanted_words(day.scenario)
    if not reached(day.done):
        return [f"The food does not get done that day ({wanted})."]
    at = at_clock(since_start(day, float(day.done.value)))
    return [f"The food is done ({wanted}) at {at}, after {minutes(day.done)} min."]


def _interval(habit: Habit) -> str:
    return f"every {habit.every / 60.0:g} min" + (
        " ahead of the sun" if habit.face == "ahead" else ""
    )


def all_sentences(day: CookingDay, worth: Sequence[HabitWorth], ready: Ready | None) -> list[str]:
    """What a cook needs to know of the day, and how often to turn."""
    return [*day_sentences(day, ready), *_luck_sentence(day, worth), *habit_sentences(worth)]


def habit_sentences(worth: Sequence[HabitWorth]) -> list[str]:
    """How often to turn.

    Parameters
    ----------
    worth : sequence of HabitWorth
    """
    if not worth:
        return []
    boil = [w for w in worth if reached(w.boils)]
    if not boil:
        best = max(worth, key=lambda w: float(w.highest.value))
        easy = _easiest(
            [w for w in worth if float(w.highest.value) > float(best.highest.value) - 1.0]
        )
        warm = pm(float(easy.highest.value) - ZERO, float(easy.highest.se), decimals=1)
        return [
            f"No habit of turning boils it that day; turned {_interval(easy.habit)}, it gets to "
            f"{warm} °C, as warm within 1 K as any."
            if math.isfinite(easy.habit.every)
            else f"No habit of turning boils it that day; left alone, it gets to {warm} °C."
        ]
    quick = min(boil, key=lambda w: float(w.boils.value))
    least = float(quick.boils.value)
    easy = _easiest([w for w in boil if float(w.boils.value) <= (1.0 + CLOSE) * least])
    if math.isinf(easy.habit.every):
        out = [f"It boils as soon if never turned again: {minutes(easy.boils)} min."]
    else:
        out = [
            f"How often to turn: {_interval(easy.habit)} is enough: "
            f"{_times_words(easy.turnings)} until it boils, in {minutes(easy.boils)} min; turning "
            f"more often saves {_saved(easy, quick)}."
        ]
    lost = [w for w in worth if not reached(w.boils)]
    if lost:
        often = min(lost, key=lambda w: w.habit.every)
        words = (
            "never turned" if math.isinf(often.habit.every) else f"turned {_interval(often.habit)}"
        )
        out.append(f"{words[0].upper()}{words[1:]} it does not boil at all.")
    return out


def _easiest(worth: Sequence[HabitWorth]) -> HabitWorth:
    """The habit with the fewest turnings; of equal ones, facing the sun as it stands."""
    return max(worth, key=lambda w: (w.habit.every, w.habit.face == "now"))


def _saved(easy: HabitWorth, quick: HabitWorth) -> str:
    saved = float(easy.boils.value) - float(quick.boils.value)
    if saved <= 0.0:
        return "nothing"
    se = float(np.hypot(easy.boils.se, quick.boils.se))
    return f"{pm(saved, se, 1 / 60, 1)} min at most"
