"""A day's watts, intercept and irradiance against the clock."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.reports.common.page import figure_of, stacked
from raytrace.reports.common.style import (
    AMBER,
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    axis_labels,
    grid_behind,
    heading,
    legend_above,
)
from raytrace.reports.common.times import clock_ticks
from raytrace.statistics.estimate import Estimate

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.trace.run import Run

__all__ = ["day_figure"]


def day_figure(run: Run) -> Figure:
    """Draw a day.

    Parameters
    ----------
    run : Run
        With more than one moment.

    Returns
    -------
    Figure
    """
    import matplotlib.dates

    dates: Any = matplotlib.dates  # its functions are untyped

    moments = [m for m in run.moments if m.time is not None]
    zone = moments[0].time.tz  # type: ignore[union-attr]
    when: Any = dates.date2num([m.time.to_pydatetime() for m in moments if m.time is not None])
    top, middle, bottom = stacked(*heading(run, None), [2.6, 1.3, 1.3], right=0.7, below=0.45)

    incoming = np.array([m.tally.incoming for m in moments])
    top.plot(when, incoming, color=GREY, lw=1.2, ls=(0, (1, 1)), label="sun on the mirrors")
    _band(top, when, [m.tally.absorbed for m in moments], BLUE, (0, (5, 1.5)), "o", "absorbed")
    _band(top, when, [m.tally.delivered for m in moments], ORANGE, "solid", "s", "delivered")
    axis_labels(top, "", "power [W]")
    legend_above(top)

    intercept = [m.tally.intercept for m in moments]
    share = [Estimate(100.0 * e.value, 100.0 * e.se, e.n_replicates) for e in intercept]
    _band(middle, when, share, GREEN, "solid", "^", "intercept")
    axis_labels(middle, "", "intercept [%]")
    middle.set_ylim(0.0, 104.0)

    bottom.plot(
        when, [m.dni for m in moments], color=AMBER, lw=1.4, marker="o", ms=2.5, label="DNI"
    )
    axis_labels(bottom, f"clock time [{zone}]", "DNI [W/m²]")
    high = bottom.twinx()
    altitude = [np.degrees(m.sun_altitude) for m in moments]
    (dashed,) = high.plot(when, altitude, color=INK, lw=1.0, ls=(0, (4, 2)), label="sun's altitude")
    axis_labels(high, "", "sun's altitude [°]")
    high.set_ylim(0.0, 95.0)
    bottom.set_ylim(bottom=0.0)
    legend_above(bottom, [bottom.lines[0], dashed])
    pad = 0.03 * (when[-1] - when[0])
    top.set_ylim(bottom=0.0)
    for axes in (top, middle, bottom):
        grid_behind(axes)
        axes.set_xlim(when[0] - pad, when[-1] + pad)
        axes.xaxis.set_major_locator(dates.AutoDateLocator(tz=zone, minticks=4, maxticks=11))
        axes.xaxis.set_major_formatter(clock_ticks(zone))
    return figure_of(bottom)


def _band(
    axes: Axes,
    when: Any,
    estimates: list[Estimate],
    colour: str,
    dashes: Any,
    marker: str,
    name: str,
) -> None:
    value = np.array([float(e.value) for e in estimates])
    se = np.array([float(e.se) for e in estimates])
    axes.fill_between(when, value - se, value + se, color=colour, alpha=0.3, lw=0)
    axes.plot(when, value, color=colour, lw=1.5, ls=dashes, marker=marker, ms=3.2, label=name)
