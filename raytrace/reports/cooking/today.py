"""What a cook asks on the day: until when to start, how long it stays hot, which way to turn."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from raytrace.heat.food import HOT, allowed, stretches
from raytrace.reports.common.times import at_clock, of_day
from raytrace.sky.magnetic import declination
from raytrace.sky.sun import sun_times
from raytrace.statistics.draws import MOST, kept_by

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.studies.cooking.day import DayResult

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
    starts = result.starts
    if starts is None or math.isnan(starts.last):
        return []
    first, last = of_day(starts.first), of_day(starts.last)
    if first == last:
        return [f"Start at {first}: no other half-hour works in nine of ten draws."]
    return [f"Start by {last} at the latest; from {first} on it works, soonest at "
            f"{of_day(starts.best)}."]  # fmt: skip


def hot_words(result: DayResult) -> list[str]:
    """From when to when it is ready and hot, and until when it is safe to eat.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    list of str
        One sentence, of nine of ten draws; of the one pot, without draws. None where it isn't
        ready, dries out, or has stood lukewarm for too long before.
    """
    day, pots = result.pot, result.draws
    if day.scenario.kitchen.wanted == "pasteurise":
        return []
    if pots is None:
        ready = float(day.done.value if day.scenario.kitchen.done_after else day.boils.value)
        hot = stretches(day.evening.time, day.evening.temperature[0], HOT)
        until = next((b for a, b in hot if b >= ready), math.nan)
        spoilt = any(not x.start >= ready for x in day.lukewarm)
    else:
        n = len(pots.boils)
        ready = kept_by(pots.reached[:, 0])
        ends = np.sort(np.nan_to_num(pots.hot_until()[:, 0], nan=-math.inf))
        until = float(ends[n - math.ceil(MOST * n - 1e-9)])
        spoilt = float(pots.spoils().mean()) > 1.0 - MOST + 1e-9
    if not (math.isfinite(ready) and math.isfinite(until) and ready < until):
        return []
    if spoilt and day.scenario.kitchen.food:
        return []
    air = float(np.interp(until, day.evening.time, day.evening_air))
    start = day.time[0]

    def clock(seconds: float, way: str) -> str:
        import pandas as pd

        moment: pd.Timestamp = getattr(start + pd.Timedelta(seconds=seconds), way)("5min")
        return at_clock(moment, start.date())

    if until >= float(day.evening.time[-1]) - 1.0:
        return [
            f"Hot (over 60 °C) from {clock(ready, 'ceil')} until the day ends, and safe so long."
        ]
    return [
        f"Hot (over 60 °C) from {clock(ready, 'ceil')} to {clock(until, 'floor')}, safe to eat "
        f"until {clock(until + allowed(air), 'floor')}."
    ]


def sun_words(result: DayResult) -> str:
    """Sunrise, solar noon and sunset of the day.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    str
    """
    day = result.pot
    date = day.time[0].date()
    rise, noon, set_ = sun_times(day.scenario.site, date)

    def clock(moment: pd.Timestamp) -> str:
        return at_clock(moment.round("min"), date)

    up = "" if rise is None else f"rises at {clock(rise)}, "
    down = "does not set" if set_ is None else f"sets at {clock(set_)}"
    return f"The sun {up}stands highest at {clock(noon)}, {down} (flat horizon)."


def compass_words(result: DayResult) -> str:
    """Which way to turn the platform first, by true north and by a compass.

    Parameters
    ----------
    result : DayResult

    Returns
    -------
    str
    """
    day = result.pot
    first = day.turnings[0]
    head = (
        f"At {at_clock(first.time)} turn it to {np.degrees(first.heading) % 360.0:.0f}° from true "
        "north"
    )
    found = declination(day.scenario.site, first.time.date())
    if found is None:
        return f"{head}; no compass can be corrected there (state site.declination)."
    angle = float(np.degrees(found.angle))
    side = "east" if angle >= 0.0 else "west"
    sure = f" ± {np.degrees(found.error):.1f}°" if found.error else ""
    return (
        f"{head}, {np.degrees(found.by_compass(first.heading)):.0f}° by a compass: its needle "
        f"points {abs(angle):.1f}°{sure} {side} of true north ({found.source}). Read it a few "
        "steps away from iron."
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
    return [
        "All this holds if the forecast does: its sun over the day is taken to be right to 20 %, "
        "and its clouds to come when it says."
    ]
