"""What a season says to a cook, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.kitchen import contents_words, too_hot_words, wanted_words
from raytrace.reports.times import MONTHS, date_words, lasting, listed_months, of_day, pm
from raytrace.studies.reasons import REASONS

if TYPE_CHECKING:
    from raytrace.studies.season import Months, Season

__all__ = [
    "best_of_month",
    "never_words",
    "rows_of",
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
}
NEARLY = 1.1  # times the quickest: about as quick
MOST = 0.5  # share of a month's days on which it must boil to count as a month that boils


def never_words(season: Season, rows: NDArray[np.bool_]) -> str:
    """Why it never boils on some days, by the commonest reason; "" where it does."""
    reason = season.reason[rows]
    # hours at which nobody would start say nothing
    counts = np.array([(reason == k).sum() for k in range(len(REASONS))])
    counts[[REASONS.index("boils"), REASONS.index("no such time")]] = 0
    day = counts.copy()
    day[REASONS.index("sun down")] = 0
    counts = day if day.any() else counts
    return BECAUSE[REASONS[int(counts.argmax())]] if counts.any() else ""


def rows_of(season: Season, month: tuple[int, int]) -> NDArray[np.bool_]:
    """Which of a season's days lie in a month, given as (year, month)."""
    return np.array([(d.year, d.month) == month for d in season.dates])


def best_of_month(season: Season, months: Months, m: int) -> int:
    """Start that boils on most of a month's days, and quickest; or that of most watts."""
    share = np.nan_to_num(months.boils[m], nan=-1.0)
    if not share.max() > 0.0:
        return int(np.nan_to_num(months.delivered[m], nan=-1.0).argmax())
    ties = np.flatnonzero(share >= share.max() - 1e-9)
    lasts = season.boils[rows_of(season, months.months[m])]
    return int(min(ties, key=lambda k: np.nanmedian(lasts[:, k])))


def season_sentences(season: Season, by: float = 43200.0) -> list[str]:
    """What a cook needs to know, a few sentences.

    Parameters
    ----------
    season : Season
    by : float
        Clock time by which it should boil. [s]
    """
    months = season.monthly()
    best = [best_of_month(season, months, m) for m in range(len(months.months))]
    share = np.array([months.boils[m, k] for m, k in enumerate(best)])
    share = np.nan_to_num(share)
    good = share >= MOST
    out = []
    if good.any():
        out += _good_months(season, months, best, good)
    seldom = (share > 0.0) & ~good
    if seldom.any():
        most = round(10.0 * float(share[seldom].max()))
        often = f"at most {most} of ten days" if most else "hardly any day"
        out.append(
            _capital(
                f"{listed_months(months.months, seldom)} it boils on {often}: "
                f"{_why(season, months, seldom)}."
            )
        )
    never = share == 0.0
    if never.any():
        when = "on these dates" if never.all() else listed_months(months.months, never)
        out.append(
            _capital(f"{when} it never boils: {_whys(season, months, never)}.")
            + _warmest(season, months, never)
        )
    out += [*_by(season, by), *_litres(season, months), *_done(season), *_sky(season)]
    return out


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _warmest(season: Season, months: Months, which: NDArray[np.bool_]) -> str:
    """How warm it gets where it never boils."""
    rows = np.any([rows_of(season, months.months[m]) for m in np.flatnonzero(which)], axis=0)
    highest = np.where(rows[:, None], season.highest, np.nan)
    if not np.isfinite(highest).any():
        return ""
    d, k = np.unravel_index(int(np.nanargmax(highest)), highest.shape)
    warm = pm(float(highest[d, k]) - 273.15, float(season.highest_se[d, k]), decimals=1)
    return (
        f" The warmest it gets is {warm} °C, put up at {of_day(season.starts[k])} on "
        f"{date_words(season.dates[d])}."
    )


def _why(season: Season, months: Months, which: NDArray[np.bool_]) -> str:
    rows = np.any([rows_of(season, months.months[m]) for m in np.flatnonzero(which)], axis=0)
    return never_words(season, rows)


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
    season: Season, months: Months, best: Sequence[int], good: NDArray[np.bool_]
) -> list[str]:
    """When to put the pot up, and how long it then takes."""
    rows = np.any([rows_of(season, months.months[m]) for m in np.flatnonzero(good)], axis=0)
    lasts, se = season.boils[rows], season.boils_se[rows]
    count = np.isfinite(lasts).sum(axis=0)
    ties = np.flatnonzero(count == count.max())
    k = int(ties[int(np.argmin([np.nanmedian(lasts[:, j]) for j in ties]))])
    here = np.isfinite(lasts[:, k])
    # one of the days, as in the table of months, not a mean of two
    typical = float(np.percentile(lasts[here, k], 50.0, method="inverted_cdf"))
    error = float(np.nanmedian(se[here, k])) if np.isfinite(se[here, k]).any() else 0.0
    when = "" if good.all() else f"{listed_months(months.months, good)} "
    often = "" if here.all() else f" on {_of_ten(int(here.sum()), len(here))}"
    span = ""
    low, high = np.percentile(lasts[here, k], [10.0, 90.0])
    if high - low > 120.0:
        span = f" ({lasting(low)} to {lasting(high)} on most of these days)"
    text = (
        f"{when}put the pot up at {of_day(season.starts[k])}: {contents_words(season.scenario)} "
        f"boil in {pm(typical, error, 1 / 60, 1)} min{often}{span}."
    )
    out = [_capital(text)]
    out += _other_starts(season, lasts, ties.tolist(), k)
    out += _moving_start(season, months, np.array(best), np.flatnonzero(good), k)
    return out + _latest(season, rows)


def _other_starts(season: Season, lasts: Array, ties: list[int], k: int) -> list[str]:
    """Starts on either side of the k-th that are about as quick."""
    near = NEARLY * float(np.nanmedian(lasts[:, k]))
    first = last = k
    while first - 1 in ties and np.nanmedian(lasts[:, first - 1]) <= near:
        first -= 1
    while last + 1 in ties and np.nanmedian(lasts[:, last + 1]) <= near:
        last += 1
    if first == last:
        return []
    span = f"{of_day(season.starts[first])} to {of_day(season.starts[last])}"
    return [f"Starts from {span} take about as long, a tenth more at most."]


def _moving_start(season: Season, months: Months, best: Whole, good: Whole, k: int) -> list[str]:
    """How the best start moves, if keeping to the k-th costs more than a little anywhere."""
    quickest = months.boil_median[good, best[good]]
    if (months.boil_median[good, k] <= NEARLY * quickest).all():  # nan is not
        return []
    starts = season.starts[best[good]]
    early, late = good[int(starts.argmin())], good[int(starts.argmax())]
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


def _of_ten(count: int, days: int) -> str:
    """So many days in tenths of all, as people say it; of few days, by themselves."""
    if count == days:
        return "every day"
    if days < 10:
        return f"{count} of {days} days"
    tenths = 10.0 * count / days
    if 0.0 < tenths < 0.5:
        return "less than one of twenty days"
    return "nearly every day" if tenths >= 9.5 else f"{round(tenths)} of ten days"


def _by(season: Season, by: float) -> list[str]:
    in_time = season.latest_start(by=by) >= 0
    if not np.isfinite(season.boils).any():
        return []
    if not in_time.any():
        return [f"By {of_day(by)} it boils on none of these days, whenever it is put up."]
    with np.errstate(invalid="ignore"):
        each = (season.starts + season.boils <= by).sum(axis=0)
    # of starts that do as well, the latest: nobody likes to rise early for nothing
    k, days = int(np.flatnonzero(each == each.max())[-1]), len(season.dates)
    start, often = of_day(season.starts[k]), _of_ten(int(in_time.sum()), days)
    rest = (
        f", at {start} or before"
        if each[k] == in_time.sum()
        else f"; put up at {start}, on {_of_ten(int(each[k]), days)}"
    )
    return [f"By {of_day(by)} it boils on {often} if put up early enough{rest}."]


def _litres(season: Season, months: Months) -> list[str]:
    if not season.plan.refill or not np.isfinite(season.boils).any():
        return []
    litres = season.litres
    rows = [rows_of(season, m) for m in months.months]
    mean = np.array([float(litres.value[r].mean()) for r in rows])
    error = np.array([float(np.sqrt(np.nansum(litres.se[r] ** 2)) / r.sum()) for r in rows])
    most, least = int(mean.argmax()), int(mean.argmin())
    text = (
        f"Emptied and filled anew each time it boils, it boils {pm(mean[most], error[most], 1, 2)} "
        f"L a day in {_month(months.months[most])}"
    )
    if most != least:
        text += f" and {pm(mean[least], error[least], 1, 2)} L in {_month(months.months[least])}"
    return [f"{text}."]


def _done(season: Season) -> list[str]:
    kitchen = season.scenario.kitchen
    if not kitchen.done_after or not np.isfinite(season.boils).any():
        return []
    too_hot = too_hot_words(season.scenario, season.boiling)
    if too_hot:
        return [too_hot]
    k, wanted = season.best_start("done"), wanted_words(season.scenario)
    if k is None:
        return [f"The food never gets done ({wanted}) on these days."]
    often = _of_ten(int(np.isfinite(season.done[:, k]).sum()), len(season.dates))
    typical = float(np.nanmedian(season.done[:, k]))
    error = float(np.nanmedian(season.done_se[:, k]))
    return [
        f"Put up at {of_day(season.starts[k])}, the food is done ({wanted}) on {often}, "
        f"as a rule {pm(typical, error, 1 / 60, 0)} min after the start."
    ]


def _sky(season: Season) -> list[str]:
    if season.clear:
        sky = season.scenario.sky.dni
        what = "a cloudless sky" if sky == "clear sky" else "the stated sun from horizon to horizon"
        return [f"All this under {what}; clouds make it longer, or never."]
    return [
        "The days are those of a typical year of weather, which understates how much years differ."
    ]
