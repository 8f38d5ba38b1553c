"""What may be expected of a pot, in words: its interval, told no finer than it is wide."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from raytrace.reports.common.likely import ALIKE, parts_sentence
from raytrace.reports.common.times import at_clock, lasting
from raytrace.reports.common.units import unit

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.statistics.likely import Likely

__all__ = [
    "SURE",
    "by_parts",
    "lasts_words",
    "of_100",
    "step_of",
    "warm_words",
    "when_words",
    "width_of",
]

SURE = f"for {ALIKE} (95 %)"
STEPS = (60.0, 300.0, 600.0, 1800.0)  # to which times are told [s]
FINE = 0.2  # of an interval, to which it is told


def step_of(width: float) -> float:
    """Step to which times are told, at most a fifth of their interval.

    Parameters
    ----------
    width : float
        Of the interval. [s]

    Returns
    -------
    float
        A minute, or more. [s]

    Examples
    --------
    >>> step_of(240.0), step_of(1800.0), step_of(7200.0)
    (60.0, 300.0, 600.0)
    """
    return max((s for s in STEPS if s <= FINE * width), default=STEPS[0])


def of_100(share: float) -> str:
    """Share of draws in words.

    Parameters
    ----------
    share : float
        More than 0.

    Returns
    -------
    str

    Examples
    --------
    >>> of_100(0.04), of_100(0.001), of_100(0.999)
    ('in 4 of 100', 'in 1 of 100 or fewer', 'in 99 of 100 or more')
    """
    count = round(100.0 * share)
    if count == 0:
        return "in 1 of 100 or fewer"
    if count == 100 and share < 1.0:
        return "in 99 of 100 or more"
    return f"in {count} of 100"


def when_words(start: pd.Timestamp, found: Likely) -> str:
    """Clock time and its interval; of what comes to pass in half of the draws or more.

    Parameters
    ----------
    start : Timestamp
        From which times count, by the site's clock.
    found : Likely
        [s]

    Returns
    -------
    str
        As in "at 11:40, between 11:25 and 12:05 for a cooker built and used like this (95 %)".
    """
    import pandas as pd

    width = width_of(found)
    step = step_of(width)

    def clock(seconds: float) -> str:
        time = start + pd.Timedelta(seconds=seconds)
        return at_clock(time.round(f"{step:.0f}s"), start.date())

    at = clock(found.middle)
    if width < STEPS[0]:  # nothing that a cook would see
        words = f"at {at}"
    elif math.isfinite(found.high):
        words = f"at {at}, between {clock(found.low)} and {clock(found.high)} {SURE}"
    else:
        words = f"at {at}, at {clock(found.low)} at the soonest {SURE}"
    return words + (f", or never: {of_100(found.never)} draws" if found.never else "")


def lasts_words(found: Likely) -> str:
    """Length of time and its interval; of what comes to pass in half of the draws or more.

    Parameters
    ----------
    found : Likely
        [s]

    Returns
    -------
    str
        As in "55 min, 47 to 75 min for a cooker built and used like this (95 %)".

    Examples
    --------
    >>> from raytrace.statistics.likely import Likely
    >>> times = Likely(3290.0, 2820.0, 4510.0, 9.0, 9.0, 3300.0, 9.0, 400.0, 1, 1, 1, 0.0, 32)
    >>> lasts_words(times)
    '55 min, 45 to 75 min for a cooker built and used like this (95 %)'
    """
    width = width_of(found)
    step = step_of(width)

    def told(seconds: float) -> str:
        return lasting(step * round(seconds / step))

    middle, low = told(found.middle), told(found.low)
    if width < STEPS[0]:  # nothing that a cook would see
        return middle
    if math.isfinite(found.high):
        high = told(found.high)
        low = low if "h" in high else low.removesuffix(" min")  # once, where both are minutes
        return f"{middle}, {low} to {high} {SURE}"
    return f"{middle}, {low} at the soonest {SURE}"


def width_of(found: Likely) -> float:
    """Width of an interval; twice its lower half where it has no upper end.

    Parameters
    ----------
    found : Likely

    Returns
    -------
    float
        In the figure's unit.
    """
    ends = math.isfinite(found.high)
    return found.high - found.low if ends else 2.0 * (found.middle - found.low)


def warm_words(found: Likely) -> str:
    """Temperature and its interval.

    Parameters
    ----------
    found : Likely
        [K]

    Returns
    -------
    str
        As in "84 °C, 78 to 91 °C for a cooker built and used like this (95 %)".
    """
    warmth = unit("temperature")
    middle, low, high = (warmth.fixed(x) for x in (found.middle, found.low, found.high))
    sure = "" if low == high else f", {low} to {high} {warmth.symbol} {SURE}"
    return f"{middle} {warmth.symbol}{sure}"


def by_parts(found: Likely, unit: str, *, scale: float = 1.0) -> list[str]:
    """Sentence on what an interval is made of; none where nothing is uncertain.

    Parameters
    ----------
    found : Likely
    unit : str
    scale : float
        As in `raytrace.reports.common.likely.interval_words`.

    Returns
    -------
    list of str
    """
    if not found.spread / scale >= 0.5:
        return []
    return [parts_sentence(found, unit, scale=scale)]
