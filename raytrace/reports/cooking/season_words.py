"""What a season says to a cook, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common.times import MONTHS, date_words, lasting, listed_months, of_day, pm
from raytrace.reports.common.units import chosen, unit
from raytrace.reports.common.words import lukewarm_band
from raytrace.reports.cooking.expected_words import SURE, by_parts, lasts_words, of_100
from raytrace.reports.cooking.kitchen import contents_words, too_hot_words, wanted_words
from raytrace.studies.cooking.never_boils import REASONS
from raytrace.studies.cooking.season_choice import (
    AS_QUICK,
    FEWER,
    MOST,
    best_start,
    cooking_goal,
    good_days,
    middle_day,
    most_wait,
    shares,
    two_groups,
    whole_error,
    works,
)
from raytrace.studies.cooking.season_months import best_of_month, rows_of

if TYPE_CHECKING:
    from raytrace.statistics.likely import Likely
    from raytrace.studies.cooking.season_data import Season
    from raytrace.studies.cooking.season_months import Months

__all__ = [
    "never_words",
    "season_sentences",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# why it never boils, to a cook
BECAUSE = {
    "sun down": "the sun is gone too soon",
    "cloud": "there is too much cloud",
    "too short": "the sun suits it for too short a time",
    "weak mirrors": "what the mirrors bring does not outdo what the pot loses",
    "low sun": "the sun stands too low",
    "off design": "the sun stands too far off the altitude that the mirrors are set for",
    "no such time": "the clock skips that hour",
    "not tried": "no such start was tried",
}
NEARLY = 1.1  # times the quickest: about as quick


def never_words(season: Season, rows: NDArray[np.bool_]) -> str:
    """Why it never boils on some days, by the commonest reason; "" where it does.

    Parameters
    ----------
    season : Season
    rows : ndarray of bool, shape (D,)
        The days.

    Returns
    -------
    str
    """
    reason = season.reason[rows]
    # hours at which nobody would start say nothing
    counts = np.array([(reason == k).sum() for k in range(len(REASONS))])
    counts[[REASONS.index(k) for k in ("boils", "no such time", "not tried")]] = 0
    day = counts.copy()
    day[REASONS.index("sun down")] = 0
    counts = day if day.any() else counts
    return BECAUSE[REASONS[int(counts.argmax())]] if counts.any() else ""


def season_sentences(season: Season, by: float = 43200.0) -> list[str]:
    """What a cook needs to know, a few sentences.

    Parameters
    ----------
    season : Season
    by : float
        Clock time by which it should boil. [s]

    Returns
    -------
    list of str
    """
    months = season.months
    rows = good_days(season)
    good = np.array([bool((rows & rows_of(season, m)).any()) for m in months.months])
    share = np.nan_to_num(months.boils).max(axis=1)
    out = []
    if good.any():
        out += _good_months(season, months, rows, good)
    seldom = (share > 0.0) & ~good
    if seldom.any():
        out.append(_capital(f"{listed_months(months.months, seldom)} {_seldom(season, seldom)}."))
    never = share == 0.0
    if never.any():
        when = "on these dates" if never.all() else listed_months(months.months, never)
        out.append(
            _capital(f"{when} it never boils: {_whys(season, months, never)}.")
            + _warmest(season, months, never)
        )
    out += [*_by(season, rows, by), *_litres(season, months), *_done(season, rows)]
    return [*out, *_dates(season), *_sky(season)]


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _warmest(season: Season, months: Months, which: NDArray[np.bool_]) -> str:
    """How warm it gets where it never boils."""
    rows = np.any([rows_of(season, months.months[m]) for m in np.flatnonzero(which)], axis=0)
    highest = np.where(rows[:, None], season.highest, np.nan)
    if not np.isfinite(highest).any():
        return ""
    d, k = np.unravel_index(int(np.nanargmax(highest)), highest.shape)
    warmth = unit("temperature")
    error = warmth.per * float(season.highest_se[d, k])
    warm = pm(warmth.of(float(highest[d, k])), error, decimals=1)
    return (
        f" The warmest it gets is {warm} {warmth.symbol}, put on at {of_day(season.starts[k])} on "
        f"{date_words(season.dates[d])}."
    )


def _seldom(season: Season, which: NDArray[np.bool_]) -> str:
    """On how many days at most it boils in time, in months in which it seldom does, and why."""
    months = season.months.months
    rows = [rows_of(season, m) for m, w in zip(months, which, strict=True) if w]
    does = works(season)
    most = round(10.0 * max(float(shares(season, does, r).max()) for r in rows))
    why = never_words(season, np.any(rows, axis=0)) or "it takes too long"
    often = f"at most {most} of ten days" if most else "hardly any day"
    return f"it works on {often}: {why}"


def _whys(season: Season, months: Months, which: NDArray[np.bool_]) -> str:
    """The reasons of some months, each with its months if there is more than one."""
    why = [never_words(season, rows_of(season, m)) if w else "" for m, w in
           zip(months.months, which, strict=True)]  # fmt: skip
    reasons = list(dict.fromkeys(w for w in why if w))
    if len(reasons) == 1:
        return reasons[0]
    return "; ".join(
        f"{listed_months(months.months, [w == reason for w in why])} {reason}" for reason in reasons
    )


def _good_months(
    season: Season, months: Months, rows: NDArray[np.bool_], good: NDArray[np.bool_]
) -> list[str]:
    """When to put the pot on, how long it then takes, on how many of the days, and why then."""
    k = best_start(season, rows)
    assert k is not None  # it boils on half of these days
    when = "" if good.all() else f"{listed_months(months.months, good)} "
    head = f"{when}put the pot on at {of_day(season.starts[k])}"
    boil = f"{contents_words(season.scenario)} boil"
    groups = two_groups(season.boils[rows, k])
    if groups is None:
        lasts = _typical(season, rows, k, "boils")
    else:
        lasts = _in_groups(groups, int(rows.sum()))
    first, *rest = _expected(season, "boils", boil, "in") or [f"{boil} in {lasts}."]
    out = [_capital(f"{head}: {first}"), *rest]
    if season.likely is not None:
        out.append(f"Build {season.plan.build}, with best values, takes {lasts}.")
    if cooking_goal(season) == "done":
        food = f"The food is done ({wanted_words(season.scenario)})"
        out += (expected := _expected(season, "done", food, "after"))
        if not two_groups(season.done[rows, k]):
            food = "Its food is done" if expected else food
            out.append(f"{food} after {_typical(season, rows, k, 'done')}.")
    does = works(season)[rows, k]
    if not does.all():
        out.append(f"So it goes on {_of_ten(int(does.sum()), len(does), these=True)}.")
    out += _works(season, int(rows.sum()))
    out += [*_lukewarm(season, rows, k), _chosen(season, rows, k)]
    out += _other_starts(season, rows, k)
    out += _moving_start(season, months, np.flatnonzero(good), k)
    return out + _latest(season, rows)


def _expected(season: Season, what: str, lead: str, joint: str) -> list[str]:
    """What may be expected of a typical date, with its interval and what that is made of."""
    if season.likely is None:
        return []
    found: Likely = getattr(season.likely, what)
    if found.never >= 0.5:
        whose = "draws of a cooker built and used like this"
        return [f"{lead} on fewer than half of these dates {of_100(found.never)} {whose}."]
    text = f"{lead} {joint} {lasts_words(found)}, on a typical of these dates"
    if found.never:
        text += f"; on fewer than half of them {of_100(found.never)} draws"
    return [f"{text}.", *by_parts(found, "min", scale=60.0)]


def _works(season: Season, days: int) -> list[str]:
    """On how many of the days the start works, with the interval over draws."""
    if season.likely is None:
        return []
    found, count = season.likely.works, len(season.likely.dates)
    middle, low, high = (round(count * x) for x in (found.middle, found.low, found.high))
    span = f", {low} to {high}" if high > low else ""
    which = f"these {count}" if count == days else f"{count} of these"
    return [f"Of {which} dates, it works on {middle}{span} {SURE}."]


def _typical(season: Season, rows: NDArray[np.bool_], k: int, what: str) -> str:
    """Median of the days, never counted longest, and what eight of ten lie between."""
    lasts, se = getattr(season, what)[rows, k], getattr(season, f"{what}_se")[rows, k]
    low, middle, high = (float(season.percentile(q, what, rows)[k]) for q in (10.0, 50.0, 90.0))
    if np.isnan(middle):
        return "more time than half of these days have"
    error = whole_error(lasts, se, middle_day)
    if np.isnan(high):
        span = f"; on one day in ten in {lasting(low)} or less" if middle - low > 120.0 else ""
    else:
        span = f" ({lasting(low)} to {lasting(high)} on most days)" if high - low > 120.0 else ""
    # an error of seconds is no news to a cook
    return f"{pm(middle, error if error >= 59.0 else 0.0, 1 / 60, 0)} min{span}"


def _in_groups(groups: tuple[Array, Array], days: int) -> str:
    """Times in two groups, and on how many days each."""
    first, second = groups
    return (
        f"{_span(first)} on {_of_ten(len(first), days, these=True)}, and only after "
        f"{_span(second)} on {_of_ten(len(second), days)}, when the good sun of the start is missed"
    )


def _span(lasts: Array) -> str:
    a, b = lasting(float(lasts.min())), lasting(float(lasts.max()))
    return a if a == b else f"{a} to {b}"


def too_long() -> str:
    """How food may not stand, see `raytrace.heat.food`."""
    return f"between {lukewarm_band()} for over two hours"


def _lukewarm(season: Season, rows: NDArray[np.bool_], k: int) -> list[str]:
    """When food stands lukewarm for too long: from the start chosen, and from which others."""
    if not season.scenario.kitchen.food:
        return []
    out, spoils = [], season.spoils
    days = int(spoils[rows, k].sum())
    if days:
        out.append(
            f"From that start food stands {too_long()} on "
            f"{_of_ten(days, int(rows.sum()), these=True)}: throw it away then."
        )
    share = shares(season, spoils, rows)
    bad = [j for j in season.of_plan if j != k and share[j] >= MOST]
    if bad:
        runs = np.split(bad, np.flatnonzero(np.diff(np.searchsorted(season.of_plan, bad)) > 1) + 1)
        spans = [
            f"from {of_day(season.starts[run[0]])} to {of_day(season.starts[run[-1]])}"
            if len(run) > 1
            else f"at {of_day(season.starts[run[0]])}"
            for run in runs
        ]
        out.append(
            f"Put no food up {' or '.join(spans)}: on half of these days or more it stands "
            f"{too_long()}, and spoils."
        )
    return out


def _chosen(season: Season, rows: NDArray[np.bool_], k: int) -> str:
    """The rule by which the start was chosen."""
    done = cooking_goal(season) == "done"
    asked = f"{'is done' if done else 'boils'} within {lasting(most_wait(season))}"
    food = "" if not season.scenario.kitchen.food else (f", food never {too_long()}")
    if not works(season)[rows, k].any():
        return (
            f"No start works: none {asked}{food}. Of those that boil on nearly as many days as "
            "any, this is the quickest."
        )
    return (
        f"Of the starts that work on nearly as many days as any (one day in {round(1 / FEWER)} "
        f"fewer at most), this is the quickest, or the middle of a row that is about as quick "
        f"({100.0 * (AS_QUICK - 1.0):.0f} % more at most). A start works where it {asked}{food}. "
        f"All starts are judged by one cooker, build {season.plan.build} with its best values; "
        "another may have a better one."
    )


def _other_starts(season: Season, rows: NDArray[np.bool_], k: int) -> list[str]:
    """Starts on either side of the k-th that are about as quick, on nearly as many days."""
    own = season.of_plan
    share = shares(season, works(season), rows)
    median = season.percentile(50.0, cooking_goal(season), rows)
    with np.errstate(invalid="ignore"):
        fine = (share >= share[k] - FEWER) & (median <= NEARLY * median[k])
    near = sorted({*own.tolist(), k})
    first = last = near.index(k)
    while first > 0 and fine[near[first - 1]]:
        first -= 1
    while last + 1 < len(near) and fine[near[last + 1]]:
        last += 1
    if first == last:
        return []
    span = f"{of_day(season.starts[near[first]])} to {of_day(season.starts[near[last]])}"
    return [f"Starts from {span} take about as long, a tenth more at most."]


def _moving_start(season: Season, months: Months, good: Whole, k: int) -> list[str]:
    """How the best start moves, if keeping to the k-th costs more than a little anywhere."""
    best = np.array([best_of_month(season, m) for m in good])
    quickest = months.boil_median[good, best]
    if (months.boil_median[good, k] <= NEARLY * quickest).all():  # nan is not
        return []
    starts = season.starts[best]
    early, late = good[int(starts.argmin())], good[int(starts.argmax())]
    if early == late:
        return []
    return [
        f"The best start moves with the months, from {of_day(starts.min())} in "
        f"{_month(months.months[early])} to {of_day(starts.max())} in "
        f"{_month(months.months[late])}."
    ]


def _latest(season: Season, rows: NDArray[np.bool_]) -> list[str]:
    """The last start that still boils, from day to day."""
    latest = season.latest_start()[rows]
    latest = latest[latest >= 0]
    if not len(latest):
        return []
    first, last = season.starts[latest.min()], season.starts[latest.max()]
    words = f"at {of_day(first)}"
    if last > first:
        middle = season.starts[int(np.median(latest))]
        words = f"at {of_day(middle)} as a rule, {of_day(first)} to {of_day(last)} by the day"
    if last == season.starts[-1]:
        words += f"; later than {of_day(last)} none was tried"
    return [f"Of the starts tried, the last that still comes to the boil is {words}."]


def _month(month: tuple[int, int]) -> str:
    return MONTHS[month[1] - 1]


def _of_ten(count: int, days: int, *, these: bool = False) -> str:
    """So many days in tenths of all, as people say it; of few days, by themselves."""
    of = "of these days" if these else "days"
    if count == days:
        return "every one of these days" if these else "every day"
    if days < 10:
        return f"{count} of {'these ' if these else ''}{days} days"
    tenths = 10.0 * count / days
    if 0.0 < tenths < 0.5:
        return f"less than one in twenty {of}"
    if tenths >= 9.5:
        return f"nearly every one {of}" if these else "nearly every day"
    return f"{round(tenths)} of ten {of}"


def _by(season: Season, rows: NDArray[np.bool_], by: float) -> list[str]:
    if not rows.any():
        return []
    in_time = (season.latest_start(by=by) >= 0)[rows]
    if not in_time.any():
        return [f"By {of_day(by)} it boils on none of these days, whenever it is put on."]
    own = season.of_plan
    with np.errstate(invalid="ignore"):
        fits = (season.clock_at() <= by) & ~season.spoils
    each = fits[rows][:, own].sum(axis=0)
    # of starts that do as well, the latest: nobody likes to rise early for nothing
    k, days = int(np.flatnonzero(each == each.max())[-1]), int(rows.sum())
    start, often = of_day(season.starts[own[k]]), _of_ten(int(each[k]), days, these=True)
    text = f"By {of_day(by)} it boils on {often}, put on at {start}"
    if each[k] < in_time.sum():
        text += f"; on {_of_ten(int(in_time.sum()), days)} if each day has its own start"
    return [f"{text}."]


def _litres(season: Season, months: Months) -> list[str]:
    if not season.plan.refill or not np.isfinite(season.boils).any():
        return []
    litres = season.litres
    rows = [rows_of(season, m) for m in months.months]
    mean = np.array([float(litres.value[r].mean()) for r in rows])
    error = np.array([whole_error(litres.value[r], litres.se[r]) for r in rows])
    most, least = int(mean.argmax()), int(mean.argmin())
    factor, symbol = chosen("L")
    text = (
        f"Emptied and filled again at each boil, it boils {pm(mean[most], error[most], factor, 1)} "
        f"{symbol} a day in {_month(months.months[most])}"
    )
    if most != least and mean[least] < 0.05:
        text += f" and none in {_month(months.months[least])}"
    elif most != least:
        other = pm(mean[least], error[least], factor, 1)
        text += f" and {other} {symbol} in {_month(months.months[least])}"
    return [f"{text}."]


def _done(season: Season, rows: NDArray[np.bool_]) -> list[str]:
    """What is to be said of food that doesn't get done."""
    if not season.scenario.kitchen.done_after or not rows.any():
        return []
    too_hot = too_hot_words(season.scenario, season.boiling)
    if too_hot:
        return [too_hot]
    if np.isfinite(season.done[rows]).any():
        return []
    return [f"The food never gets done ({wanted_words(season.scenario)}) on these days."]


def _sky(season: Season) -> list[str]:
    if season.clear:
        sky = season.scenario.sky.dni
        what = "a cloudless sky" if sky == "clear sky" else "the stated sun from horizon to horizon"
        return [f"All this under {what}; clouds make it longer, or never."]
    return [
        "The days are those of a typical year of weather, which understates how much years differ."
    ]


def _dates(season: Season) -> list[str]:
    """Which dates stand for the others, where not all were computed."""
    plan = season.plan
    span = (plan.dates[-1] - plan.dates[0]).days + 1
    if len(plan.dates) == 1 or len(plan.dates) == span:
        return []
    text = f"{len(plan.dates)} of these {span} days were computed, and stand for the others"
    alone = [m for m in season.months.months if rows_of(season, m).sum() == 1]
    if alone:
        text += "; a month with one date alone is that date's, and its ± holds no other day"
    return [f"{text}."]
