"""Ticks of days and of clock times along an axis."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from raytrace.reports.common.times import MONTHS, of_day

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["date_ticks", "hour_ticks"]

MOST_HOURS = 13  # that have a tick each; beyond, every second has


def date_ticks(axes: Axes, first: dt.date, last: dt.date, *, shown: bool = True) -> None:
    """Mark months along the x axis, or days of a shorter time.

    Parameters
    ----------
    axes : Axes
        Its x is `datetime.date.toordinal`.
    first, last : date
    shown : bool
        Whether names stand at the ticks.
    """
    span = (last - first).days
    if span > 62:
        starts = [dt.date(y, m, 1) for y in range(first.year, last.year + 1) for m in range(1, 13)]
        marks = [(d, MONTHS[d.month - 1][:3]) for d in starts if first <= d <= last]
    else:
        days = sorted({first + dt.timedelta(days=round(span * k / 4)) for k in range(5)})
        marks = [(d, f"{d.day} {MONTHS[d.month - 1][:3]}") for d in days]
    axes.set_xticks(
        [d.toordinal() for d, _ in marks], labels=[name if shown else "" for _, name in marks]
    )


def hour_ticks(axes: Axes) -> None:
    """Mark full hours of the clock along the y axis.

    Parameters
    ----------
    axes : Axes
        Its y is in hours after midnight, its limits are set.
    """
    low, high = axes.get_ylim()
    every = 1 if high - low <= MOST_HOURS else 2
    hours = [h for h in range(0, 25, every) if low <= h <= high]
    axes.set_yticks(hours, labels=[of_day(3600.0 * h, brief=True) for h in hours])
