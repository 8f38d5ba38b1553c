"""What a cook asks on the day: until when to start, how long it stays hot, which way to turn."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from raytrace.heat.food import HOT, allowed, stretches
from raytrace.heat.wanted import goal_of
from raytrace.reports.common.times import at_clock, of_day
from raytrace.reports.common.words import cold, hot
from raytrace.sky.magnetic import declination
from raytrace.sky.sun import sun_times
from raytrace.statistics.draws import kept_by
from raytrace.studies.cooking.start_time import needed

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.studies.cooking.day import DayResult
    from raytrace.studies.cooking.day_draws import DayDraws
    from raytrace.studies.cooking.pot_day import CookingDay

__all__ = ["compass_words", "forecast_words", "hot_words", "start_by_words", "sun_words"]


def start_by_words(result: DayResult) -> list[str]:
    """Until when the pot may be put on.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    list of str
        One sentence; none where a start or a time to be ready was asked for, or none works.
    """
    starts, plan = result.starts, result.plan
    if starts is None:
        return []
    if math.isnan(starts.last):
        if plan is not None and plan.not_before:
            return [f"Too late: no start from {of_day(plan.not_before)} on works any more."]
        return ["No start of every half-hour works in nine of ten draws."]
    first, last = of_day(starts.first), of_day(starts.last)
    if first == last:
        return [f"No other start of every half-hour works than {first}."]
    return [f"Starts from {first} to {last} work: start by {last} at the latest."]


def hot_words(day: CookingDay, pots: DayDraws | None) -> list[str]:
    """From when to when it is ready and hot, and until when it is safe to eat.

    Parameters
    ----------
    day : CookingDay
    pots : DayDraws or None
        The same pot in several draws, of nine of ten of which it then holds.

    Returns
    -------
    list of str
        One sentence; none where it isn't ready and hot, or dries out.
    """
    if pots is None:
        ready = float(getattr(day, goal_of(day.scenario)).value)
        spans = stretches(day.evening.time, day.evening.temperature[0], HOT)
        until = next((b for a, b in spans if b >= ready), math.nan)
    else:
        n = len(pots.boils)
        ready = kept_by(pots.reached[:, 0])
        until = float(np.sort(np.nan_to_num(pots.hot_until()[:, 0], nan=-math.inf))[n - needed(n)])
    if not (math.isfinite(ready) and math.isfinite(until) and ready < until):
        return []
    sure = " in nine of ten draws" if pots is not None else ""
    head = f"Ready and hot (over {hot()}) from {_five(day, ready, 'ceil')}"
    if until >= float(day.evening.time[-1]) - 1.0:
        return [f"{head} until the day ends{sure}."]
    if math.isfinite(float(day.evening.dry[0])):
        return []
    air = float(np.interp(until, day.evening.time, day.evening_air))
    return [
        f"{head} to {_five(day, until, 'floor')}{sure}; safe to eat until "
        f"{_five(day, until + allowed(air), 'floor')}, or cool it below "
        f"{cold()} by then."
    ]


def _five(day: CookingDay, seconds: float, way: str) -> str:
    """Clock time so long after the start, rounded to five minutes, up or down."""
    import pandas as pd

    moment: pd.Timestamp = getattr(day.time[0] + pd.Timedelta(seconds=seconds), way)("5min")
    return at_clock(moment, day.time[0].date())


def sun_words(result: DayResult) -> str:
    """Sunrise, solar noon and sunset over a flat horizon, and where to turn the cooker first.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    str
        On one line.
    """
    day, first = result.pot, result.pot.turnings[0]
    date = first.time.date()
    rise, noon, set_ = (
        None if moment is None else at_clock(moment.round("min"), date)
        for moment in sun_times(day.scenario.site, date)
    )
    up = f"{rise or 'up all night'} to {set_}" if set_ else "up all day"
    found = declination(day.scenario.site, date)
    compass = "" if found is None else f", {_degrees(found.by_compass(first.heading))} by compass"
    return f"Sun {up}, noon {noon}; first turn to {_degrees(first.heading)} true{compass}."


def _degrees(angle: float) -> str:
    return f"{round(float(np.degrees(angle))) % 360}°"


def compass_words(result: DayResult) -> str:
    """How far a compass is off true north.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    str
    """
    day = result.pot
    found = declination(day.scenario.site, day.time[0].date())
    if found is None:
        return (
            "No compass can be corrected there and then: site.declination may say how far east of "
            "true north its needle points."
        )
    angle = float(np.degrees(found.angle))
    side = "east" if angle >= 0.0 else "west"
    sure = f" ± {np.degrees(found.error):.1f}°" if found.error else ""
    return (
        f"A compass needle points {abs(angle):.1f}°{sure} {side} of true north there "
        f"({found.source}). Read it a few steps away from iron, the cooker's too."
    )


def forecast_words(result: DayResult) -> list[str]:
    """What is to be said of a forecast.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    list of str
    """
    if not result.pot.scenario.sky.weather_forecast:
        return []
    return ["By the forecast: its sun over the day taken as right to 20 %, its clouds on time."]
