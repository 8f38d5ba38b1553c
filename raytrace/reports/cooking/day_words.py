"""What a pot's day says to a cook, in sentences: the answer first, then what it hangs on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.heat.wanted import goal_of, sun_until
from raytrace.heat.water import NEAR_BOIL
from raytrace.reports.common.numbers import percent
from raytrace.reports.common.times import at_clock, date_words, of_day
from raytrace.reports.common.units import mass, quantity, short, unit
from raytrace.reports.common.words import cold, hot, hot_air, lukewarm_band
from raytrace.reports.cooking.expected_words import by_parts, of_100, warm_words, when_words
from raytrace.reports.cooking.kitchen import (
    contents_words,
    habit_words,
    too_hot_words,
    wanted_words,
)
from raytrace.reports.cooking.today import (
    compass_words,
    forecast_words,
    hot_words,
    start_by_words,
    sun_words,
)
from raytrace.reports.cooking.wanted import came_to, course_cautions, course_sentences, gets
from raytrace.statistics.draws import groups, kept_by
from raytrace.studies.cooking.day_draws import best_of
from raytrace.studies.cooking.never_boils import REASON_MEANINGS
from raytrace.studies.cooking.start_time import fits, needed

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.light.turning import Habit
    from raytrace.statistics.estimate import Estimate
    from raytrace.studies.cooking.day import DayResult
    from raytrace.studies.cooking.day_draws import DayDraws
    from raytrace.studies.cooking.day_likely import DayLikely
    from raytrace.studies.cooking.pot_day import CookingDay, HabitWorth
    from raytrace.studies.cooking.start_time import Ready

__all__ = [
    "all_sentences",
    "day_sentences",
    "dry_sentence",
    "food_sentences",
    "habit_sentences",
    "reached",
    "ready_sentences",
    "since_start",
    "spread_words",
    "why_never",
]

Array = NDArray[np.float64]

PARTED = 0.1  # of the draws in each of two groups: they part
CLOSE = 0.05  # of the quickest habit's time: slower by less is told to be as good


def since_start(day: CookingDay, seconds: float) -> pd.Timestamp:
    """Moment so many seconds after the pot was put on.

    Parameters
    ----------
    day : CookingDay
    seconds : float
        [s]

    Returns
    -------
    Timestamp
        By the site's clock.
    """
    import pandas as pd

    return day.time[0] + pd.Timedelta(seconds=seconds)


def reached(x: Estimate) -> bool:
    """Whether it ever comes to that.

    Parameters
    ----------
    x : Estimate
        A time; nan where it never comes to that.

    Returns
    -------
    bool
    """
    return math.isfinite(float(x.value))


def spread_words(times: Array, mark: str = "after ") -> str:
    """Times of draws in minutes: mean and spread, or the range of each group where they part.

    Parameters
    ----------
    times : ndarray
        nan where it never comes to that. [s]
    mark : str
        What stands before a time.

    Returns
    -------
    str

    Examples
    --------
    >>> spread_words(np.array([3600.0, 3660.0, 3540.0]))
    'after 60 ± 1 min'
    >>> spread_words(np.array([3600.0, 3660.0, 20000.0, float("nan")]))
    'in 2 after 60 to 61 min, in 1 after 333 min'
    """
    parts = groups(times)
    if len(parts) == 1:
        return f"{mark}{mean_words(parts[0], 1 / 60)} min"
    return ", ".join(f"in {len(x)} {mark}{span_of(x / 60.0)} min" for x in parts)


def mean_words(x: Array, factor: float = 1.0) -> str:
    """Mean ± spread of draws in whole numbers, the spread no smaller than one; a lone draw."""
    mean = f"{factor * float(np.mean(x)):.0f}"
    return mean if len(x) < 2 else f"{mean} ± {max(factor * float(np.std(x, ddof=1)), 1.0):.0f}"


def span_of(x: Array) -> str:
    """Least to greatest of some numbers, in whole numbers; nan left out."""
    low, high = (f"{value:.0f}" for value in (np.nanmin(x), np.nanmax(x)))
    return low if low == high else f"{low} to {high}"


def day_sentences(
    day: CookingDay,
    pots: DayDraws | None = None,
    ready: Ready | None = None,
    likely: DayLikely | None = None,
) -> list[str]:
    """What a cook needs to know, a few sentences.

    Parameters
    ----------
    day : CookingDay
    pots : DayDraws, optional
        The same pot in several draws.
    ready : Ready, optional
        Outcome of the search that gave the start.
    likely : DayLikely, optional
        What may be expected by these draws, which is said first.

    Returns
    -------
    list of str
    """
    never_done = too_hot_words(day.scenario, day.boiling)
    out = [] if ready is None else ready_sentences(day, ready)
    if day.scenario.kitchen.wanted != "boil":
        out += _course(day, likely)
        out += [*_this_one(day, likely is not None), *dry_sentence(day, pots)]
        out += food_sentences(day, pots)
        hottest = np.nanmax([day.settles, *([] if pots is None else pots.highest[:, 0])])
        return [*out, *course_cautions(day.scenario, float(hottest))]
    out += [_head(day)] if likely is None else _likely_sentences(day, likely)
    if pots is not None and sum(len(g) >= PARTED * pots.boils.size for g in groups(pots.boils)) > 1:
        out.append(f"Of {len(pots.boils)} draws it boils {spread_words(pots.boils)}.")
    out += _this_one(day, likely is not None)
    if reached(day.boils):
        out.append(_simmer(day))
    out += [never_done] if never_done else _done_sentence(day, pots, likely)
    out += [*dry_sentence(day, pots), *food_sentences(day, pots)]
    return out


def _course(day: CookingDay, likely: DayLikely | None) -> list[str]:
    """What becomes of a pot that is to do more than boil."""
    scenario, start = day.scenario, day.time[0]
    put_on = f"{contents_words(scenario)}, {_put_on(day)}"
    if likely is None:
        return _done_sentence(day, None, None)
    return course_sentences(scenario, start, likely, put_on, wanted_words(scenario))


def _put_on(day: CookingDay) -> str:
    start = day.time[0]
    return (
        f"put on at {at_clock(start)} on {date_words(start.date(), year=True)} and "
        f"{habit_words(day.habit.every, day.habit.face)}"
    )


def _likely_sentences(day: CookingDay, likely: DayLikely) -> list[str]:
    """What becomes of such a pot, with its interval, and what the interval is made of."""
    what, boils, start = contents_words(day.scenario), likely.boils, day.time[0]
    if boils.never < 0.5:
        head = f"Boils {when_words(start, boils)}: {what}, {_put_on(day)}."
        return [head, *by_parts(boils, "min", scale=60.0)]
    warm = f"{warm_words(likely.highest)}"
    if boils.never < 1.0:
        head = f"Never boils, {of_100(boils.never)} draws: {what}, {_put_on(day)}, get to {warm}."
        soonest = at_clock(since_start(day, boils.low))
        if math.isfinite(boils.low):
            head += f" Where they boil, it is at {soonest} at the soonest."
    elif day.scenario.kitchen.water:
        head = f"Never boils: {what}, {_put_on(day)}, get no warmer than {warm}."
    else:
        head = f"Gets to {warm}: {what} and no water, {_put_on(day)}."
    return [head, *by_parts(likely.highest, "K")]


def _head(day: CookingDay) -> str:
    """What becomes of this one pot."""
    put_on = _put_on(day)
    head = f"{put_on[0].upper()}{put_on[1:]}, {contents_words(day.scenario)}"
    if reached(day.boils):
        return f"{head} boil {_reached_at(day, day.boils)}."
    water = bool(day.scenario.kitchen.water)
    never = "never boil: the warmest they get is" if water else "and no water get no warmer than"
    return f"{head} {never} {_warmest(day)}."


def _reached_at(day: CookingDay, time: Estimate) -> str:
    lasts = float(time.value)
    at = at_clock(since_start(day, lasts))
    return f"at {at}, after {lasts / 60.0:.0f} min{_turned(day, lasts)}"


def _turned(day: CookingDay, lasts: float) -> str:
    """How often the cooker is turned until then."""
    start, until = day.time[0], lasts - 1.0
    turned = sum((t.time - start).total_seconds() < until for t in day.turnings[1:])
    return f", the cooker turned {_times_words(turned)} until then" if turned else ""


def _warmest(day: CookingDay) -> str:
    k = int(np.nanargmax(day.temperature.value))
    warm = quantity("temperature", float(day.temperature.value[k]), 0)
    return f"{warm}, at {at_clock(day.time[k])}"


def _this_one(day: CookingDay, others: bool) -> list[str]:
    """What the cooker of the table and the figure does, and why it never boils."""
    out = []
    goal = sun_until(day.scenario)
    if others:
        name = f"The one of table and figure (build {day.settings.build}, at best values)"
        got = f"gets to {_warmest(day)}"
        if reached(time := getattr(day, goal)):
            got = f"{gets(day.scenario, goal)} {_reached_at(day, time)}"
        out.append(f"{name} {got}.")
    return [*out, *why_never(day)]


def why_never(day: CookingDay) -> list[str]:
    """Why a pot with water never boils.

    Parameters
    ----------
    day : CookingDay

    Returns
    -------
    list of str
        Empty where it boils, holds no water, or comes to what is wanted without.
    """
    comes = reached(day.boils) or reached(getattr(day, sun_until(day.scenario)))
    if comes or not day.scenario.kitchen.water:
        return []
    why = (
        "the cold water added keeps it from boiling"
        if day.reason == "boils"
        else REASON_MEANINGS[day.reason]
    )
    settles = float(day.heating.settles[0])
    rest = (
        ""
        if settles >= day.boiling - NEAR_BOIL
        else "; even if its best watts went on, it would get no warmer than "
        f"{quantity('temperature', settles, 0)}"
    )
    return [f"Why it never boils: {why}{rest}."]


def _times_words(count: int) -> str:
    return {0: "not once", 1: "once", 2: "twice"}.get(count, f"{count} times")


def _of(count: int, draws: int) -> str:
    """So many of the draws; of many, in hundredths."""
    if count and draws > 20:
        return f"{of_100(count / draws)} draws"
    return f"in {count} of {draws} draws"


def ready_sentences(day: CookingDay, ready: Ready) -> list[str]:
    """When to put a pot on that must be ready by a time.

    Parameters
    ----------
    day : CookingDay
    ready : Ready

    Returns
    -------
    list of str
    """
    what = came_to(day.scenario) if ready.what == "done" else "boiling"
    by, pots = of_day(ready.by), ready.draws
    food = bool(day.scenario.kitchen.food)
    safely = ", and safe to eat," if food else ""
    if pots is None:
        if math.isfinite(ready.earliest):
            return [
                f"Whenever it is put on, it is not {what} by {by}{safely} in nine of ten draws: "
                f"the soonest is {of_day(ready.earliest)}."
            ]
        return [f"No start until then gets it {what}{safely} in nine of ten draws."]
    n, times = len(pots.boils), pots.reached[:, 0]
    warmth = unit("temperature")
    warm = warmth.of(pots.at(np.array([ready.after]))[:, 0])
    if ready.holds:
        clock = ready.by - ready.after + times[fits(pots, np.array([ready.after]))[:, 0]]
        first, last = of_day(float(clock.min())), of_day(float(clock.max()))
        span = first if first == last else f"{first} to {last}"
        return [
            f"To have it {what}, and still hot, at {by}, put the pot on at {of_day(ready.start)} "
            f"at the latest: {_of(ready.count, n)} of cooker and use it is {what} by then "
            f"(at {span}) and still over {hot()} ({span_of(warm)} {warmth.symbol} at {by}). "
            "Leave a margin for clouds."
        ]
    begun = ready.by - ready.after
    cools = pots.hot_until()[:, 0]
    until = float(np.sort(np.nan_to_num(cools, nan=-math.inf))[n - needed(n)])
    dry = int(np.isnan(warm).sum())
    then = (
        f"dried out by {by} {_of(dry, n)}"
        if dry
        else f"at {np.median(warm):.0f} {warmth.symbol} by {by}"
    )
    out = [
        f"No start has it {what}, and still hot, at {by} in nine of ten draws. Put on at "
        f"{of_day(ready.start)}, it is {what}, and hot, from {of_day(begun + kept_by(times))} to "
        f"{of_day(begun + until)} in nine of ten, and {then}."
    ]
    spoilt = int(pots.spoils(np.array([ready.after])).sum())
    if spoilt and food:
        out.append(
            f"By {by} it has stood between {lukewarm_band()} for too long {_of(spoilt, n)}: not "
            "safe to eat then."
        )
    return out


def _simmer(day: CookingDay) -> str:
    heating, dry = day.heating, float(day.evening.dry[0])
    kept, gone = float(heating.holds[0]), float(heating.boiled_off[0])
    if math.isfinite(dry) and dry < float(day.boils.value) + 3600.0:
        return "It then boils until it dries out."
    held = "It then keeps the boil for the next hour"
    if not kept > 0.999:
        held = f"It then keeps the boil for {percent(kept)} of the next hour"
    if math.isfinite(dry):
        return f"{held}."
    return f"{held}; {mass(gone, 2)} of water are gone by {at_clock(day.time[-1])}."


def _done_sentence(day: CookingDay, pots: DayDraws | None, likely: DayLikely | None) -> list[str]:
    if not float(day.scenario.kitchen.done_after) > 0.0:
        return []
    wanted = wanted_words(day.scenario)
    never = not reached(day.done) if likely is None else likely.done.never == 1.0
    if never:
        dries = day.evening.dry if pots is None else pots.dry
        first = ": the pot dries out first" if np.isfinite(dries).any() else ""
        return [f"The food does not get done that day ({wanted}){first}."]
    if likely is None:
        done = float(day.done.value)
        at = at_clock(since_start(day, done))
        return [f"The food is done ({wanted}) at {at}, after {done / 60.0:.0f} min."]
    if likely.done.never >= 0.5:
        return [f"The food does not get done ({wanted}) {of_100(likely.done.never)} draws."]
    return [f"The food is done ({wanted}) {when_words(day.time[0], likely.done)}."]


def dry_sentence(day: CookingDay, pots: DayDraws | None) -> list[str]:
    """When it dries out, left alone.

    Parameters
    ----------
    day : CookingDay
    pots : DayDraws or None

    Returns
    -------
    list of str
        Empty where it doesn't.
    """
    dry = float(day.evening.dry[0])
    if pots is not None and np.isfinite(pots.dry).any():
        n, first = len(pots.dry), float(np.nanmin(pots.dry))
        count = int(np.isfinite(pots.dry).sum())
        return [
            f"Caution: left alone, it dries out {_of(count, n)}, at "
            f"{at_clock(since_start(day, first))} at the soonest; what is in it then burns."
        ]
    if math.isfinite(dry):
        at = at_clock(since_start(day, dry))
        return [f"Caution: left alone, it dries out at {at}; what is in it then burns."]
    return []


def food_sentences(day: CookingDay, pots: DayDraws | None) -> list[str]:
    """When food stands lukewarm for too long, how long it stays hot, and when to eat it.

    Parameters
    ----------
    day : CookingDay
    pots : DayDraws or None

    Returns
    -------
    list of str
    """
    kitchen = day.scenario.kitchen
    if kitchen.wanted == "pasteurise" or not (kitchen.water or kitchen.food):
        return []
    ready = float(getattr(day, goal_of(day.scenario)).value)
    food = "the food" if day.scenario.kitchen.food else "food in it"
    before = [x for x in day.lukewarm if not x.start >= ready]
    count = 0 if pots is None else int(pots.spoils().sum())
    out = []
    if before:
        spans = " and ".join(
            f"from {at_clock(since_start(day, x.start))} to {at_clock(since_start(day, x.end))}"
            for x in before
        )
        hours = (
            f"one hour, in air over {hot_air()}," if any(x.hot_air for x in before) else "two hours"
        )
        draws = f" ({_of(count, len(pots.boils))})" if pots is not None else ""
        mend = (
            f"Put it on later, from below {cold()}, or put less in the pot."
            if before[0].start == 0.0
            else "Put less in the pot, or take it off and finish it on another fire in time."
        )
        out.append(
            f"Caution: {food} stands between {lukewarm_band()} {spans}{draws}; after {hours} it is "
            f"not safe to eat, even if it is cooked later. {mend}"
        )
    elif count and pots is not None:
        out.append(
            f"Caution: {_of(count, len(pots.boils))}, though not in the one of table and figure, "
            f"{food} stands between {lukewarm_band()} for too long to be safe to eat."
        )
    if not (math.isfinite(ready) and not before):
        return out
    return [*out, *hot_words(day, pots)]


def _interval(habit: Habit) -> str:
    return f"every {habit.every / 60.0:g} min" + (
        " ahead of the sun" if habit.face == "ahead" else ""
    )


def all_sentences(result: DayResult) -> list[str]:
    """What a cook needs to know of the day, and how often to turn.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    list of str
    """
    said = day_sentences(result.pot, result.draws, result.ready, result.likely)
    today = [*start_by_words(result), sun_words(result), compass_words(result)]
    return [*said, *forecast_words(result), *today, *habit_sentences(result.worth)]


def habit_sentences(worth: Sequence[HabitWorth]) -> list[str]:
    """How often to turn, and by which measure.

    Parameters
    ----------
    worth : sequence of HabitWorth

    Returns
    -------
    list of str
    """
    if not worth:
        return []
    which, lasts, most = best_of([w.draws for w in worth])
    n = len(worth[0].draws.boils)
    if not len(which):
        highest = np.array([np.median(w.draws.highest) for w in worth])
        near = [w for w, h in zip(worth, highest, strict=True) if h > highest.max() - 1.0]
        easy = _easiest(near)
        warmth = unit("temperature")
        warm = f"{mean_words(warmth.of(easy.draws.highest[:, 0]))} {warmth.symbol}"
        if math.isinf(easy.habit.every):
            return [f"No habit of turning boils it that day; left alone, it gets to {warm}."]
        return [
            f"No habit of turning boils it that day; turned {_interval(easy.habit)}, it gets to "
            f"{warm}, as warm within {short('difference', 1.0)} as any."
        ]
    done = worth[0].draws.goal == "done" and any(np.isfinite(w.draws.done).any() for w in worth)
    scenario = worth[0].draws.scenario
    verb = gets(scenario, "done" if done else "boils")
    least = float(lasts.min())
    quick = worth[which[int(np.argmin(lasts))]]
    easy = _easiest(
        [worth[k] for k, x in zip(which, lasts, strict=True) if x <= (1 + CLOSE) * least]
    )
    own = float(lasts[[worth[k] is easy for k in which].index(True)])
    if most < needed(n):
        way = "never again" if math.isinf(easy.habit.every) else _interval(easy.habit)
        first = f"How often to turn: no habit does in nine of ten draws, and none more than {way}"
    elif math.isinf(easy.habit.every):
        first = "How often to turn: not at all after the start"
    else:
        first = (
            f"How often to turn: {_interval(easy.habit)} is enough, {_times_words(easy.turnings)} "
            f"until it {gets(scenario, sun_until(scenario))}"
        )
    rest = (
        ""
        if quick is easy
        else f" ({_interval(quick.habit)}, the quickest, within {least / 60.0:.0f} min)"
    )
    out = [
        f"{first}.",
        f"It {verb} within {own / 60.0:.0f} min {_of(most, n)}{rest}. The measure: at "
        f"most {100 * CLOSE:.0f} % slower than the quickest habit; `cooker window` measures for "
        "how long the watts keep their share after a turning.",
    ]
    lost = [w for k, w in enumerate(worth) if k not in which and not math.isinf(w.habit.every)]
    lost = lost or [w for k, w in enumerate(worth) if k not in which]
    if lost:
        often = min(lost, key=lambda w: (w.habit.every, w.habit.face))
        words = (
            "never turned" if math.isinf(often.habit.every) else f"turned {_interval(often.habit)}"
        )
        count = int(often.draws.good().sum())
        says = f"it does so safely and soon {_of(count, n)} only" if count else (
            f"it {verb} {_of(int(np.isfinite(often.draws.reached).sum()), n)}"
        )  # fmt: skip
        out.append(f"{words[0].upper()}{words[1:]}, {says}.")
    return out


def _easiest(worth: Sequence[HabitWorth]) -> HabitWorth:
    """The habit with the fewest turnings; of equal ones, facing the sun as it stands."""
    return max(worth, key=lambda w: (w.habit.every, w.habit.face == "now"))
