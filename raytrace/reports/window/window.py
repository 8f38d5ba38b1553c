"""The sun window in words and tables."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from raytrace.reports.common.numbers import percent
from raytrace.reports.common.tables import DETAILS, pairs, plain_table
from raytrace.reports.common.times import (
    at_clock,
    date_span,
    date_words,
    pm,
    run_words,
    short_date,
    span_words,
)
from raytrace.reports.common.words import yard_words
from raytrace.sky.ground import ground_of
from raytrace.texts import listed

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.window.best_altitude import Serving
    from raytrace.studies.window.window import Day, Span, Stay, Window

__all__ = [
    "serving_sentences",
    "window_sentences",
    "window_tables",
]

NOTHING = 0.01  # of the best energy: less is told in words
WHY = {
    "low": "sun too low",
    "high": "sun too high",
    "down": "no sunrise",
}


def _degrees(value: float, se: float = 0.0) -> str:
    if se == 0.0:
        return f"{np.degrees(value):.1f}°"
    return f"{pm(float(np.degrees(value)), float(np.degrees(se)), decimals=2)}°"


def window_sentences(study: Window) -> list[str]:
    """What a cook needs to know, a few sentences.

    Parameters
    ----------
    study : Window

    Returns
    -------
    list of str
    """
    curve, keep = study.curve, f"{100.0 * study.plan.keep:g} %"
    band = curve.band
    low, high = curve.stands
    met = f"The mirrors are set for a sun {_degrees(low)} high"
    if high - low > 1e-9:
        met = (
            f"Tilted as the sun rises, the cooker meets the sun between {_degrees(low)} and "
            f"{_degrees(high)} as its mirrors are set"
        )
    when, never = _when(study, keep), _never(study, keep)
    out = [
        f"{met}. It brings at least {keep} of those watts while the sun stands between "
        f"{_degrees(band.low, band.low_se)} and {_degrees(band.high, band.high_se)}."
    ]
    if study.expected_low is not None and study.expected_high is not None:
        lower, upper = (
            f"{_degrees(x.low)} and {_degrees(x.high)}"
            for x in (study.expected_low, study.expected_high)
        )
        out.append(
            f"Of a cooker built and used like this the lower limit lies between {lower}, the "
            f"upper between {upper} (95 %)."
        )
    site = study.scenario.site
    if ground_of(site).slope:
        out.append(f"{yard_words(site)}; heights of the sun are over it.")
    others = [b for b in curve.bands if b is not band]
    if others:
        spans = listed([f"{_degrees(b.low)} to {_degrees(b.high)}" for b in others], "and")
        out.append(f"It does so between {spans} as well.")
    out += _unturned(study, keep)
    # a cooker that the sun suits at no time is told so first
    out = [*when, *out, *never] if when else [*never, *out]
    return [*(serving_sentences(study.serving) if study.serving else []), *out]


def _when(study: Window, keep: str) -> list[str]:
    """When the sun suits the cooker, longest and shortest of the dates."""
    good = [day for day in study.days if day.spans]
    if not good:
        return []

    def told(day: Day) -> str:
        spans = listed([f"{at_clock(s.start)} to {at_clock(s.end)}" for s in day.spans], "and")
        return f"on {date_words(day.date)} from {spans}, {_minutes(day.seconds)} in all"

    longest = max(good, key=lambda day: day.seconds)
    shortest = min(good, key=lambda day: day.seconds)
    if shortest.seconds < 0.95 * longest.seconds:
        text = f"longest {told(longest)}; shortest {told(shortest)}"
    else:
        text = told(longest)
    return [
        f"The sun suits it {text}. Turned to it, the cooker then keeps at least {keep} of its "
        "watts."
    ]


def _minutes(seconds: float) -> str:
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def _unturned(study: Window, keep: str) -> list[str]:
    stays = [s for day in study.days for s in day.stays if not s.hidden]
    known = [s for s in stays if math.isfinite(s.unturned)]
    if not stays:
        return []
    day = (
        "`cooker day` asks something else, how seldom it may be turned and still boil about as "
        "soon, and so answers with a longer time."
    )
    if not known:
        return ["Turned then, it may be left for four hours, or till the sun sets."]
    least = min(known, key=lambda s: s.unturned)
    most = max(known, key=lambda s: s.unturned)
    text = (
        f"Turned just then, it may be left for {pm(least.unturned, least.unturned_se, 1 / 60, 1)}"
    )
    if most.unturned - least.unturned > 60.0:
        text += f" to {pm(most.unturned, most.unturned_se, 1 / 60, 1)}"
    text += f" min before it falls under {keep} of what it brought"
    if len(known) < len(stays):
        text += "; on some of the dates for four hours, or till the sun sets"
    return [f"{text}. {day}"]


def _never(study: Window, keep: str) -> list[str]:
    curve, out = study.curve, []
    height = _degrees(curve.stands[0])
    where = "in the year" if study.whole_year else "between these dates"
    stands = run_words(study.never_stands, wraps=study.whole_year)
    keeps = run_words(study.never_keeps, wraps=study.whole_year)
    span = study.days[0].date if len(study.days) == 1 else None
    if not study.never_stands:
        out.append(
            f"The sun gets to the design altitude on {date_words(span)}."
            if span
            else f"The sun gets to the design altitude on every day {where}."
        )
    elif all(day.why == "high" for day in study.days if day.why):
        out.append(f"The sun stays higher than {_degrees(curve.stands[1])} all day {stands}.")
    else:
        out.append(f"The sun never gets to {height} {stands}.")
    if study.never_keeps:
        out.append(f"The {keep} are never reached {keeps}.")
    hidden = [day for day in study.days if day.stays and all(s.hidden for s in day.stays)]
    if hidden:
        dates = listed([date_words(day.date) for day in hidden], "and")
        out.append(f"The horizon hides the sun at the design altitude on {dates}.")
    return out


def serving_sentences(serving: Serving) -> list[str]:
    """Which altitude serves a season best, and how much that brings.

    Parameters
    ----------
    serving : Serving

    Returns
    -------
    list of str
    """
    from raytrace.reports.common.times import of_day

    served, now, best = serving.served, serving.now, serving.best
    low, high = serving.as_good
    hours = f"{of_day(served.start)} to {of_day(served.end)}"
    now_energy = pm(float(now.energy), float(now.energy.se), 1 / 3.6e6, 3)
    best_energy = pm(float(best.energy), float(best.energy.se), 1 / 3.6e6, 3)
    at_best = _degrees(best.alpha, serving.best_se if serving.best_se > 0.0 else 0.0)
    out = [
        f"To serve {date_span(served.first, served.last)}, {hours}, set "
        f"the mirrors for a sun {at_best} high (design.sun_altitude): turned to the sun "
        f"throughout, the cooker then delivers {best_energy} kWh a day in these hours; anything "
        f"between {_degrees(low)} and {_degrees(high)} does as well within 2 %."
    ]
    gain, se = float(serving.gain), float(serving.gain.se)
    if not float(now.energy) > NOTHING * float(best.energy):
        out.append(
            f"As the mirrors are set now, for {_degrees(now.alpha)}, it delivers next to nothing "
            "in these hours."
        )
    else:
        if abs(gain) < 2.0 * se:
            words = f"no clear difference ({pm(100 * gain, 100 * se)} %)"
        else:
            words = f"{pm(100 * abs(gain), 100 * se)} % {'more' if gain > 0 else 'less'}"
        out.append(
            f"As the mirrors are set now, for {_degrees(now.alpha)}, it is {now_energy} kWh a day: "
            f"the best is {words}."
        )
    if serving.zones:
        out.append("Facets of zones with a sun_altitude of their own keep it in all of this.")
    cannot = [c for c in serving.tried if c.why_not]
    if cannot:
        spans = ", ".join(_degrees(c.alpha) for c in cannot)
        out.append(f"Can't be built, and left out: {spans} ({cannot[0].why_not}).")
    return out


def _table(study: Window) -> RenderableType:
    keep = f"{100.0 * study.plan.keep:g} %"
    lasting = _lasting(study)
    watts = ["best\nW ± s.e.", " mean\n W"] if lasting else ["delivered\nW ± s.e."]
    table = plain_table(
        "date",
        "noon",
        "sun at the\ndesign altitude",
        f"{keep} kept\nfrom–to",
        "lasts\nmin ± s.e.",
        "unturned\nmin ± s.e.",
        *watts,
    )
    for day in study.days:
        noon = f"{np.degrees(day.highest):.0f}°"
        name = short_date(day.date)
        rows = study.paired(day)
        if not rows:
            table.add_row(name, noon, WHY.get(day.why, "–"), style="dim")
        for k, (stay, span) in enumerate(rows):
            first = k == 0
            at = WHY.get(day.why, "–") if first else ""
            if stay is not None:
                at = span_words(stay.start, stay.end, day.date)
                at = f"({at})" if stay.hidden else at
            table.add_row(
                name if first else "",
                noon if first else "",
                at,
                "" if span is None else span_words(span.start, span.end, day.date),
                "" if span is None else pm(span.seconds, _length_se(span), 1 / 60, 1),
                "" if stay is None else _unturned_cell(stay),
                *_watts_cells(stay, lasting),
            )
    return table


def _lasting(study: Window) -> bool:
    """Whether the platform meets its design sun for a while, tilted as the sun rises."""
    return any(stay.start != stay.end for day in study.days for stay in day.stays)


def _watts_cells(stay: Stay | None, lasting: bool) -> list[str]:
    if stay is None or stay.hidden:
        return []
    if not lasting:
        return [pm(stay.best, stay.best_se, decimals=1)]
    return [pm(stay.best, stay.best_se, decimals=0), f"{stay.mean:.0f}"]


def _unturned_cell(stay: Stay) -> str:
    if stay.hidden:
        return "–"
    if math.isinf(stay.unturned):
        return "over 240"
    return pm(stay.unturned, stay.unturned_se, 1 / 60, 1)


def _length_se(span: Span) -> float:
    """Standard error of a span's length; both ends may err together, so their sum. [s]"""
    return span.start_se + span.end_se


def _watts_note(study: Window) -> str:
    if _lasting(study):
        return "best, mean: delivered at the best moment of that time, and on average over it,"
    return "delivered:"


def _note(study: Window) -> str:
    errors = [e for day in study.days for s in day.spans for e in (s.start_se, s.end_se)]
    times = f" Times from–to: ± {max(errors) / 60.0:.1f} min at most." if errors else ""
    return (
        "Clock times of the site. noon: sun's highest. ( ): behind the horizon profile. unturned: "
        "from turning at that moment until the share is lost, under equal sun; where the platform "
        "is tilted, the least from the start, the middle or the end. "
        f"{_watts_note(study)} on the pot's base, turned just then.{times}"
    )


def window_tables(study: Window) -> Iterator[RenderableType]:
    """Sentences, then tables.

    Parameters
    ----------
    study : Window

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    from raytrace.version import __version__

    plan, scenario, serving = study.plan, study.scenario, study.serving
    yield Text(scenario.title, style="bold")
    for sentence in window_sentences(study):
        yield Text(sentence)
    yield Text()
    yield _table(study)
    yield Text(_note(study), style="dim")
    if serving is not None:
        yield _serving_table(serving)
    yield DETAILS
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    rows += [
        ("site", f"{scenario.site.name}, clock of {scenario.site.timezone}"),
        (
            "traced",
            f"build {plan.build}, {plan.repeats} repeats, each with its own draws of turning and "
            f"{2 * plan.beams} beams a facet, seed {plan.seed}, cooker-raytrace {__version__}",
        ),
    ]
    yield pairs(rows)


def _serving_table(serving: Serving) -> RenderableType:
    table = plain_table("mirrors set for", "delivered a day\nkWh ± s.e.", "of the best")
    level = float(serving.best.energy)
    rows = [c for c in serving.tried if not c.why_not and _whole(c.alpha)]
    for c in sorted([*rows, serving.best, serving.now], key=lambda c: c.alpha):
        mark = " best" if c is serving.best else " now" if c is serving.now else ""
        table.add_row(
            f"{np.degrees(c.alpha):.1f}°{mark}",
            pm(float(c.energy), float(c.energy.se), 1 / 3.6e6, 3),
            percent(float(c.energy) / level),
            style="bold" if mark else "",
        )
    return table


def _whole(alpha: float) -> bool:
    """Whether a candidate is one of the evenly spaced ones, not a step of the search."""
    fives = float(np.degrees(alpha)) / 5.0
    return abs(fives - round(fives)) < 1e-6
