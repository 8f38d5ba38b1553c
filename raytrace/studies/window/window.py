"""When the sun suits the cooker: design altitude by the clock, and how far off still serves.

What the cooker keeps of its watts as the sun's altitude strays is traced, and where it falls under
the share asked for is found as a root of the traced curve. The sun's course then says when.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError, ScenarioError, SettingsError
from raytrace.light.facing import Facing, facing
from raytrace.light.setup import faced_from
from raytrace.sky.clock import days_of_year
from raytrace.sky.ground import ground_of
from raytrace.sky.sun import (
    altitude_crossings,
    horizon_altitude,
    noons,
    position,
    sun_at,
)
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.likely import Likely
from raytrace.store.work import Progress, work
from raytrace.studies.cooking.season_plan import dates_between
from raytrace.studies.window.altitude_band import Curve, kept_curve, likely_band, runs
from raytrace.studies.window.best_altitude import Served, Serving, serve_best
from raytrace.studies.window.unturned import unturned

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Course",
    "Day",
    "Span",
    "Stay",
    "Window",
    "WindowPlan",
    "WindowRows",
    "usual_dates",
    "window",
]

Array = NDArray[np.float64]

MINUTE = 60.0
MOMENTS = 25  # of a stay that lasts, at which its watts are traced
COURSE_DAYS, COURSE_STEP = 122, 300.0  # about so many days, and between moments [s], of a picture


@dataclass(frozen=True)
class WindowPlan:
    """What to look at, and how much to compute.

    Attributes
    ----------
    dates : tuple of date
    keep : float
        Share of the watts at the design altitude, under the same irradiance, that still serves. [1]
    repeats, beams : int
        See `raytrace.light.facing.facing`. [1]
    seed, build : int
    serve : Served or None
        Dates and hours for which the best design altitude is looked for as well, by a quarter of
        the repeats, four at least.
    draws : int
        Draws of all that isn't known and of building for what may be expected; 0 for
        none. [1]
    """

    dates: tuple[dt.date, ...]
    keep: float = 0.9
    repeats: int = 32
    beams: int = 1
    seed: int = 1
    build: int = 0
    serve: Served | None = None
    draws: int = 0

    def __post_init__(self) -> None:
        if not 0.0 < self.keep < 1.0:
            raise SettingsError(f"keep = {self.keep:g}: a share between 0 and 1, such as 0.9")
        if self.repeats < 2:
            raise SettingsError("repeats must be 2 or more: their spread gives the standard error")
        if not self.dates:
            raise SettingsError("no dates: give one or more")

    @classmethod
    def of(cls, scenario: Scenario, **changes: Any) -> WindowPlan:
        """Plan of the 21st of each month, with the scenario's seed and build.

        Parameters
        ----------
        scenario : Scenario
        **changes
            Fields that are to be otherwise.

        Returns
        -------
        WindowPlan
        """
        values: dict[str, Any] = {"seed": scenario.trace.seed, "build": scenario.trace.build}
        if "dates" not in changes:
            values["dates"] = usual_dates(scenario)
        return cls(**(values | changes))


@dataclass(frozen=True)
class Span:
    """From one moment to another.

    Attributes
    ----------
    start, end : Timestamp
        In the site's zone.
    start_se, end_se : float
        Standard errors, from that of the altitude; 0 at the horizon. [s]
    """

    start: pd.Timestamp
    end: pd.Timestamp
    start_se: float = 0.0
    end_se: float = 0.0

    @property
    def seconds(self) -> float:
        """Its length. [s]"""
        return float((self.end - self.start).total_seconds())


@dataclass(frozen=True)
class Stay:
    """The sun at the design altitude, and how long the platform may then stay unturned.

    Attributes
    ----------
    start, end : Timestamp
        Between which the platform meets its design sun; the same moment where its tilt is fixed.
    hidden : bool
        Whether the horizon profile hides the sun then.
    unturned : float
        From turning to the moment at which the share is lost; the least of those that start at
        the start, the middle and the end. Infinite where it is kept for four hours or until the
        sun sets, nan where the sun is hidden. [s]
    unturned_se : float
        [s]
    best, best_se, mean, mean_se : float
        Delivered under the scenario's sky with the platform just turned: at the best moment, and
        on average while the sun is seen. [W]
    """

    start: pd.Timestamp
    end: pd.Timestamp
    hidden: bool
    unturned: float = float("nan")
    unturned_se: float = float("nan")
    best: float = float("nan")
    best_se: float = float("nan")
    mean: float = float("nan")
    mean_se: float = float("nan")


@dataclass(frozen=True)
class Day:
    """One date.

    Attributes
    ----------
    date : date
    highest : float
        Sun's altitude at its highest, over the ground. [rad]
    stays : tuple of Stay
        When the sun stands at the design altitude.
    spans : tuple of Span
        While the share is kept and the sun is seen.
    why : str
        Why there are no stays: "low", "high" or "down"; "" where there are.
    """

    date: dt.date
    highest: float
    stays: tuple[Stay, ...]
    spans: tuple[Span, ...]
    why: str

    @property
    def seconds(self) -> float:
        """How long the share is kept. [s]"""
        return sum(span.seconds for span in self.spans)


@dataclass(frozen=True, eq=False)
class Course:
    """Share kept by date and clock.

    Attributes
    ----------
    dates : tuple of date
        D days.
    minutes : ndarray, shape (M,)
        Clock minutes of the day. [min]
    share : ndarray, shape (D, M)
        Share kept; nan while the sun is down, −1 while the horizon profile hides it. [1]
    alpha : ndarray, shape (D, M)
        Sun's altitude over the ground. [rad]
    """

    dates: tuple[dt.date, ...]
    minutes: Array
    share: Array
    alpha: Array

    DIMS: ClassVar = {"D": "course_date", "M": "minute"}


@dataclass(frozen=True, eq=False)
class Window:
    """A whole study.

    Attributes
    ----------
    scenario : Scenario
    plan : WindowPlan
    curve : Curve
    days : tuple of Day
        In the order of the plan's dates.
    never_stands, never_keeps : tuple of (date, date)
        Runs of days, first and last, on which the sun doesn't get to the design altitude, and on
        which the share is never kept; over the whole year or the span of the dates asked for.
    whole_year : bool
        Whether these runs cover a whole year, so that one may go on over its turn.
    course : Course
    serving : Serving or None
        Which altitude serves best, where the plan asks for it.
    expected_low, expected_high : Likely or None
        Between which altitudes a cooker built and used like this keeps its share. [rad]
    """

    scenario: Scenario
    plan: WindowPlan
    curve: Curve
    days: tuple[Day, ...]
    never_stands: tuple[tuple[dt.date, dt.date], ...]
    never_keeps: tuple[tuple[dt.date, dt.date], ...]
    whole_year: bool
    course: Course
    serving: Serving | None = None
    expected_low: Likely | None = None
    expected_high: Likely | None = None

    COORDS: ClassVar = {"altitude": "altitudes", "course_date": "course_dates"}
    ALSO: ClassVar = ("rows",)
    APART: ClassVar = ("course",)

    @property
    def altitudes(self) -> Array:
        """Sun's altitude along the curve, shape (A,). [rad]"""
        return self.curve.alpha

    @property
    def course_dates(self) -> tuple[dt.date, ...]:
        """Dates of the course, shape (D,)."""
        return self.course.dates

    @cached_property
    def rows(self) -> WindowRows:
        """Stays beside the spans that hold them, date by date."""
        return WindowRows.of(self.days)

    def paired(self, day: Day) -> list[tuple[Stay | None, Span | None]]:
        """A date's stays beside the spans that hold them, in order of time; each once.

        Parameters
        ----------
        day : Day

        Returns
        -------
        list of (Stay or None, Span or None)
        """
        return _paired(day)


@dataclass(frozen=True, eq=False)
class WindowRows:
    """Stays at the design altitude and the spans round them, as rows; gaps are nan or empty.

    Attributes
    ----------
    date : ndarray of datetime64, shape (N,)
        By the site's clock.
    sun_highest : ndarray, shape (N,)
        Sun's altitude at its highest, over the ground. [rad]
    never_because : ndarray of str, shape (N,)
        Why the sun doesn't stand at the design altitude.
    stands_from, stands_to : ndarray of str, shape (N,)
        Between which it does, by the site's clock.
    hidden : ndarray of bool, shape (N,)
        Whether the horizon profile hides it then.
    kept_from, kept_to : ndarray of str, shape (N,)
        Between which the share is kept, by the site's clock.
    kept_from_se, kept_to_se : ndarray, shape (N,)
        Standard errors of these. [s]
    kept : ndarray, shape (N,)
        How long it is kept. [s]
    unturned, unturned_se : ndarray, shape (N,)
        As in `Stay`; infinite where it is kept for four hours or till the sun sets. [s]
    delivered_best, delivered_best_se, delivered_mean, delivered_mean_se : ndarray, shape (N,)
        As in `Stay`. [W]
    """

    date: NDArray[np.datetime64]
    sun_highest: Array
    never_because: NDArray[np.str_]
    stands_from: NDArray[np.str_]
    stands_to: NDArray[np.str_]
    hidden: NDArray[np.bool_]
    kept_from: NDArray[np.str_]
    kept_to: NDArray[np.str_]
    kept_from_se: Array
    kept_to_se: Array
    kept: Array
    unturned: Array
    unturned_se: Array
    delivered_best: Array
    delivered_best_se: Array
    delivered_mean: Array
    delivered_mean_se: Array

    DIMS: ClassVar = {"N": "row"}
    SHOWN: ClassVar = dict.fromkeys(
        ("kept_from_se", "kept_to_se", "kept", "unturned", "unturned_se"), "min"
    )

    @classmethod
    def of(cls, days: Sequence[Day]) -> WindowRows:
        """Rows of the days, one or more each.

        Parameters
        ----------
        days : sequence of Day

        Returns
        -------
        WindowRows
        """
        rows = [
            _row(day, stay, span) for day in days for stay, span in _paired(day) or [(None, None)]
        ]
        return cls(*(np.array(column) for column in zip(*rows, strict=True)))


def _paired(day: Day) -> list[tuple[Stay | None, Span | None]]:
    out: list[tuple[Stay | None, Span | None]] = []
    left = list(day.stays)
    for span in day.spans:
        inside = [s for s in left if s.start <= span.end and s.end >= span.start]
        out += [(s, span if k == 0 else None) for k, s in enumerate(inside)] or [(None, span)]
        left = [s for s in left if s not in inside]
    out += [(s, None) for s in left]

    def when(pair: tuple[Stay | None, Span | None]) -> Any:
        stay, span = pair
        return stay.start if stay else span.start  # type: ignore[union-attr]

    return sorted(out, key=when)


def _row(day: Day, stay: Stay | None, span: Span | None) -> tuple[Any, ...]:
    def clock(time: Any) -> str:
        return str(time.isoformat(timespec="seconds"))

    nan = float("nan")
    return (
        np.datetime64(day.date, "D"),
        day.highest,
        {"low": "too low", "high": "too high", "down": "doesn't rise"}.get(day.why, ""),
        *((clock(stay.start), clock(stay.end), stay.hidden) if stay else ("", "", False)),
        *((clock(span.start), clock(span.end)) if span else ("", "")),
        *((span.start_se, span.end_se, span.seconds) if span else (nan,) * 3),
        *(
            (
                stay.unturned,
                stay.unturned_se,
                stay.best,
                stay.best_se,
                stay.mean,
                stay.mean_se,
            )
            if stay and not stay.hidden
            else (nan,) * 6
        ),
    )


def usual_dates(scenario: Scenario) -> tuple[dt.date, ...]:
    """Return the 21st of each month of the design date's year, or of 2026.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    tuple of date
    """
    year = scenario.design.date.year if scenario.design.date else 2026
    days = set(days_of_year(scenario.site, year))
    return tuple(d for d in (dt.date(year, m, 21) for m in range(1, 13)) if d in days)


@dataclass(frozen=True, eq=False)
class _Track:
    """The sun's course over the twelve hours on either side of a noon, by minutes."""

    site: Site
    seconds: Array
    origin: Any
    alpha: Array  # over the ground
    seen: Array  # altitude over what hides the sun

    def moment(self, seconds: float) -> Any:
        import pandas as pd

        return (self.origin + pd.Timedelta(seconds=round(seconds, 3))).round("ms")

    def spans(self, level: Array, se: Callable[[int, bool], float] | None = None) -> list[Span]:
        """While a level is over zero; between minutes it goes in a straight line."""
        out, last = [], len(level) - 1
        for a, b in runs(level >= 0.0):
            start = self._zero(level, a - 1) if a > 0 else self.seconds[0]
            end = self._zero(level, b) if b < last else self.seconds[-1]
            errors = (se(a, True), se(b, False)) if se else (0.0, 0.0)
            out.append(Span(self.moment(start), self.moment(end), *errors))
        return out

    def _zero(self, level: Array, k: int) -> float:
        share = level[k] / (level[k] - level[k + 1])
        return float(self.seconds[k] + share * (self.seconds[k + 1] - self.seconds[k]))


def _track(site: Site, noon: Any) -> _Track:
    import pandas as pd

    seconds = np.arange(-720.0, 721.0) * MINUTE
    times = noon.tz_convert("UTC") + pd.to_timedelta(seconds, unit="s")
    alpha, gamma = position(site, times)
    over = ground_of(site).above(alpha, gamma)[0]
    return _Track(site, seconds, noon, over, alpha - horizon_altitude(site, gamma))


def _kept_spans(track: _Track, curve: Curve) -> tuple[Span, ...]:
    """While the sun is seen and within a band."""
    inside = curve.inside(track.alpha)
    level = np.minimum(inside.max(axis=0), track.seen)
    rate = np.abs(np.gradient(track.alpha, track.seconds))

    def se(k: int, opens: bool) -> float:
        last = len(level) - 1
        if k == (0 if opens else last) or track.seen[k] <= inside[:, k].max():
            return 0.0
        band = curve.bands[int(inside[:, k].argmax())]
        near_low = track.alpha[k] - band.low < band.high - track.alpha[k]
        return float((band.low_se if near_low else band.high_se) / max(rate[k], 1e-9))

    return tuple(track.spans(level, se))


def _stays(scenario: Scenario, date: dt.date, track: _Track, curve: Curve) -> list[Stay]:
    low, high = curve.stands
    if high - low < 1e-9:
        found = [t for t in altitude_crossings(scenario, date, curve.design) if t is not None]
        spans = [Span(t, t) for t in found]
    else:
        spans = track.spans(np.minimum(track.alpha - low, high - track.alpha))
    out = []
    for span in spans:
        times = track.seconds + (track.origin - span.start).total_seconds()
        within = (times >= -MINUTE) & (times <= span.seconds + MINUTE)
        seen = np.interp([0.0, span.seconds], times, track.seen)
        hidden = bool((seen <= 0.0).all() and (track.seen[within] <= 0.0).all())
        if span.seconds == 0.0:
            hidden = bool(seen[0] <= 0.0)
        out.append(Stay(span.start, span.end, hidden))
    return out


def _why(track: _Track, curve: Curve, stays: Sequence[Stay]) -> str:
    if stays:
        return ""
    if track.alpha.max() <= 0.0:
        return "down"
    return "low" if track.alpha.max() < curve.stands[0] else "high"


def _with_unturned(ready: Facing, curve: Curve, plan: WindowPlan, days: list[Day]) -> list[Day]:
    """Fill in how long the platform may stay unturned, and the watts, all days in one call."""
    import pandas as pd

    stays = {(d, k): stay for d, day in enumerate(days) for k, stay in enumerate(day.stays)}
    owners = [owner for owner, stay in stays.items() if not stay.hidden]
    if not owners:
        return days
    groups: list[list[pd.Timestamp]] = []
    for owner in owners:
        start, end = stays[owner].start, stays[owner].end
        groups.append([start] if start == end else [start, start + (end - start) / 2, end])
    when, se = unturned(ready, plan.keep, groups)
    # the range that a tilting board meets is too wide for any one moment to stand for it
    count = [1 if len(group) == 1 else MOMENTS for group in groups]
    times = [
        (group[0] + x * (group[-1] - group[0])).tz_convert("UTC")
        for group, n in zip(groups, count, strict=True)
        for x in np.linspace(0.0, 1.0, n)
    ]
    sun = sun_at(ready.scenario, pd.DatetimeIndex(times))
    alpha, heading = faced_from(ready.scenario, sun)
    power = ready.turned_to(alpha, heading=heading, scale=ready.setup.scale(sun.radius)) * sun.dni
    ends = np.cumsum(count)
    for k, owner in enumerate(owners):
        own = slice(ends[k] - count[k], ends[k])
        watts, seen = power[:, own], sun.dni[own] > 0.0
        best = Estimate.from_replicates(watts[:, int(watts.mean(axis=0).argmax())])
        mean = Estimate.from_replicates(watts @ seen / max(int(seen.sum()), 1))
        stays[owner] = replace(
            stays[owner],
            unturned=float(when[k]),
            unturned_se=float(se[k]),
            best=float(best),
            best_se=float(best.se),
            mean=float(mean),
            mean_se=float(mean.se),
        )
    return [
        replace(day, stays=tuple(stays[d, k] for k in range(len(day.stays))))
        for d, day in enumerate(days)
    ]


def _course(scenario: Scenario, days: Sequence[dt.date], curve: Curve) -> Course:
    """Share kept by date and clock, for a picture."""
    import pandas as pd

    few = tuple(days[:: max(1, len(days) // COURSE_DAYS)])
    minutes = np.arange(0.0, 24 * 60, COURSE_STEP / MINUTE)
    clock = np.array([np.datetime64(d, "m") for d in few])[:, None] + minutes.astype("m8[m]")
    naive = pd.DatetimeIndex(clock.ravel().astype("M8[s]"))
    # an hour that the clocks skip or repeat is drawn as the one before the change
    times = naive.tz_localize(
        scenario.site.timezone,
        ambiguous=np.ones(len(naive), dtype=bool),
        nonexistent="shift_forward",
    )
    alpha, gamma = position(scenario.site, times)
    over = ground_of(scenario.site).above(alpha, gamma)[0]
    share = np.where(alpha > 0.0, curve.at(over), np.nan)
    hidden = (alpha > 0.0) & (alpha <= horizon_altitude(scenario.site, gamma))
    shape = len(few), len(minutes)
    return Course(few, minutes, np.where(hidden, -1.0, share).reshape(shape), over.reshape(shape))


def _dates_of(scenario: Scenario, plan: WindowPlan) -> tuple[list[dt.date], bool]:
    """Days that are looked at for runs on which the sun doesn't get there."""
    first, last = min(plan.dates), max(plan.dates)
    if first.year == last.year and (last - first).days < 300:
        return list(dates_between(scenario, first, last)), False
    return days_of_year(scenario.site, first.year), True


def _day_runs(days: Sequence[dt.date], true: NDArray[np.bool_]) -> tuple[Any, ...]:
    return tuple((days[a], days[b]) for a, b in runs(true))


def window(
    scenario: Scenario,
    plan: WindowPlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> Window:
    """Find when the sun suits a cooker.

    Parameters
    ----------
    scenario : Scenario
    plan : WindowPlan, optional
        By default `WindowPlan.of(scenario)`: the 21st of each month, 90 %.
    path : path, optional
        Results file (.h5) to write.
    overwrite : bool
        Replace whatever of this program's is there.
    progress : callable, optional
        Called with the per cents that are done, and 100.
    threads : int, optional
        Changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    Window

    Raises
    ------
    SkyError
        If the site's calendar skips one of the dates, or there is no direct sun in the hours to
        serve.
    GeometryError
        If nothing reaches the pot at the design altitude, or no candidate can be built.
    StoreError
        If the path holds another study, or can't be written.
    """
    plan = WindowPlan.of(scenario) if plan is None else plan
    last = 100.0 if plan.serve is None else 50.0

    def tell(share: float, begun: float = 0.0) -> None:
        if progress is not None:
            progress(begun + last * share, 100.0)

    with work("window", [scenario], plan, path, overwrite=overwrite, in_parts=False) as kept:
        if kept.result is None:
            found = _sun_window(scenario, plan, threads, tell)
            if plan.serve is not None:
                serving = serve_best(
                    scenario,
                    plan.serve,
                    repeats=max(plan.repeats // 4, 4),
                    seed=plan.seed,
                    build=plan.build,
                    threads=threads,
                    progress=lambda share: tell(share, 50.0),
                )
                found = replace(found, serving=serving)
            kept.finish(found, command=command)
        return cast("Window", kept.result)


def _sun_window(
    scenario: Scenario, plan: WindowPlan, threads: int | None, tell: Callable[[float], None]
) -> Window:
    ready = facing(
        scenario,
        repeats=plan.repeats,
        beams=plan.beams,
        seed=plan.seed,
        build=plan.build,
        threads=threads,
    )
    noon_of = noons(scenario, plan.dates)
    curve = kept_curve(ready, plan.keep)
    tell(0.3)
    days = []
    for date, noon in zip(plan.dates, noon_of, strict=True):
        track = _track(scenario.site, noon)
        stays = _stays(scenario, date, track, curve)
        days.append(
            Day(
                date,
                float(track.alpha.max()),
                tuple(stays),
                _kept_spans(track, curve),
                _why(track, curve, stays),
            )
        )
    tell(0.4)
    days = _with_unturned(ready, curve, plan, days)
    tell(0.8)
    low = high = None
    if plan.draws:
        with contextlib.suppress(GeometryError, ScenarioError, StopIteration):
            low, high = likely_band(
                scenario, curve.band, plan.keep, plan.draws, seed=plan.seed, threads=threads
            )
    every, whole_year = _dates_of(scenario, plan)
    stands, keeps = _on_days(scenario, noons(scenario, every), curve)
    return Window(
        scenario=scenario,
        plan=plan,
        curve=curve,
        days=tuple(days),
        never_stands=_day_runs(every, ~stands),
        never_keeps=_day_runs(every, ~keeps),
        whole_year=whole_year,
        course=_course(scenario, every, curve),
        expected_low=low,
        expected_high=high,
    )


def _on_days(
    scenario: Scenario, noon: pd.DatetimeIndex, curve: Curve
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether the sun gets to the design altitude, and whether the share is kept, on D days."""
    import pandas as pd

    # noon, where a sun that barely gets there does, is one of the moments
    seconds = np.arange(-144.0, 145.0) * 5.0 * MINUTE
    times = np.asarray(noon.tz_convert("UTC").as_unit("ms").asi8)[:, None] + 1e3 * seconds
    index = pd.DatetimeIndex(times.ravel().astype(np.int64).view("M8[ms]")).tz_localize("UTC")
    alpha, gamma = position(scenario.site, index)
    seen = (alpha - horizon_altitude(scenario.site, gamma)).reshape(times.shape)
    alpha = ground_of(scenario.site).above(alpha, gamma)[0].reshape(times.shape)
    low, high = curve.stands
    stands = (alpha.max(axis=1) >= low) & (alpha.min(axis=1) <= high)
    keeps = (np.minimum(curve.inside(alpha).max(axis=0), seen) >= 0.0).any(axis=1)
    return stands, keeps
