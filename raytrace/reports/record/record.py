"""A cook's record and what it implies, in words and tables."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from raytrace.heat.cooking_power import OFFSET
from raytrace.heat.food import lukewarm
from raytrace.light.history import moments
from raytrace.reports.common import units
from raytrace.reports.common.numbers import plain, plus_minus
from raytrace.reports.common.tables import DETAILS, pairs, plain_table
from raytrace.reports.common.times import date_words, hour_minute, joined, short_date
from raytrace.reports.common.words import hot_air, lukewarm_band
from raytrace.reports.cooking.cooking_power import MEMORY, at_50_words, limits_table
from raytrace.texts import listed

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import RenderableType
    from rich.table import Table

    from raytrace.studies.record.implied import Cause, FieldRecord

__all__ = [
    "cause_words",
    "clocks",
    "doubt_sentences",
    "lukewarm_sentences",
    "record_sentences",
    "record_tables",
]

SUN_WORDS = {
    "dni": "direct normal irradiance",
    "gni": "global irradiance normal to the sun",
    "ghi": "global irradiance on the level",
}
HANDBOOK = (
    "The interval holds the errors of readings and of computed losses, and how cookers and "
    "operators differ in what falls on side and lid; not those of absorptances and of the water's "
    "mass."
)
WHY_NOT = {
    "sun": "the irradiance read can't be",
    "bright": "it would take more than all the sun on the mirrors to warm the water as much; was "
    "warm water added, or did the thermometer slip?",
    "cold": "the water cools faster than by all computed losses without any light; was the lid "
    "lifted, something cold added, or did the thermometer slip?",
    "beside": "beside one of these, and may share its wrong reading",
}


def clocks(result: FieldRecord) -> pd.DatetimeIndex:
    """Times of the readings by the site's clock.

    Parameters
    ----------
    result : FieldRecord

    Returns
    -------
    DatetimeIndex
    """
    return moments(result.record.time).tz_convert(result.scenario.site.timezone)


def _more_or_less(share: float) -> str:
    return f"{abs(100.0 * share):.0f} % {'more' if share > 0.0 else 'less'}"


def doubt_sentences(result: FieldRecord) -> list[str]:
    """Say what in a record can't be right, and what was left out for it; empty if all can be.

    Parameters
    ----------
    result : FieldRecord

    Returns
    -------
    list of str
    """
    out = [units.retold(doubt[0].upper() + doubt[1:]) for doubt in result.record.doubts]
    if result.mean > result.on_mirrors:
        out.append(
            f"The {plain(result.mean, 3)} W implied can't be: {plain(result.on_mirrors, 3)} W of "
            "sun fall on the mirrors. Check the thermometer, and what the scenario says is in the "
            "pot."
        )
    lost = [part for part in result.left_out if len(part.pairs)]
    if not lost:
        return out
    local = clocks(result)
    total = int(result.counts.sum()) + sum(len(part.pairs) for part in lost)
    out.append(
        f"{total - int(result.counts.sum())} of the {total} stretches from one reading to the next "
        "are left out:"
    )
    for part in lost:
        when = [joined(hour_minute(local[k]), hour_minute(local[k + 1])) for k in part.pairs[:4]]
        more = f" and {len(part.pairs) - 4} more" if len(part.pairs) > 4 else ""
        out.append(f"- {', '.join(when)}{more}: {WHY_NOT[part.reason]}")
    return out


def record_sentences(result: FieldRecord) -> list[str]:
    """Say what the record implies, by how much the scenario differs, and what would explain it.

    Parameters
    ----------
    result : FieldRecord

    Returns
    -------
    list of str
    """
    low, high = result.mean - result.half_width, result.mean + result.half_width
    expected = float(result.expected_mean)
    value, sd = plus_minus(expected, result.expected_mean_sd, digits=4)
    share = result.difference / expected
    readings = (
        f"The readings imply {plain(result.mean, 3)} W of the mirrors' light on the base "
        f"({low:.0f} to {high:.0f} W, 95 %), mean of {result.span / 60.0:.0f} minutes. The "
        f"scenario predicts {value} W for these very times, give or take {sd} W from one cooker "
        "and operator to the next."
    )
    allowed = "what readings, losses, workshop and operator allow for"
    if not result.differs:
        agree = f"As predicted: {_more_or_less(share)} is within {allowed}."
        return [agree, readings, *lukewarm_sentences(result)]
    out = [
        f"{_more_or_less(share)} than predicted, beyond {allowed}.",
        readings,
        *lukewarm_sentences(result),
    ]
    enough = [cause_words(result, c) for c in result.causes if c.enough]
    short = [cause_words(result, c) for c in result.causes if not c.enough]
    if enough:
        lead = "Any one of these would explain it" if len(enough) > 1 else "This would explain it"
        out.append(f"{lead}: {'; '.join(enough)}.")
    if short:
        out.append(f"Not enough alone: {'; '.join(short)}.")
    return out


def lukewarm_sentences(result: FieldRecord) -> list[str]:
    """Say when a measured pot stayed lukewarm for longer than food may.

    Parameters
    ----------
    result : FieldRecord

    Returns
    -------
    list of str
    """
    record, zone = result.record, result.scenario.site.timezone
    air, _ = record.air_at(result.scenario, record.time)
    out = []
    for which in record.runs:
        for found in lukewarm(record.time[which], record.water[which], air[which]):
            ends = np.array([found.start, found.end]).astype(np.int64)
            start, end = moments(ends).tz_convert(zone)
            allowed = f"one hour, in air over {hot_air()}" if found.hot_air else "two hours"
            out.append(
                f"The pot stood between {lukewarm_band()} from {hour_minute(start)} to "
                f"{hour_minute(end)} on "
                f"{date_words(start.date())}, more than {allowed}: food in it is not safe to eat, "
                "however hot it gets after that (USDA FSIS)."
            )
    return out


def cause_words(result: FieldRecord, cause: Cause) -> str:
    """One cause with its size, and what the scenario says instead.

    Parameters
    ----------
    result : FieldRecord
    cause : Cause

    Returns
    -------
    str
    """
    now, needed, unit = _figures(result, cause)
    if cause.name == "cleanliness":
        word = "dirtier" if needed < now else "cleaner"
        return f"{word} mirrors, cleanliness {needed:.0f} % for {now:.0f} %"
    if cause.name == "setting":
        what = "a setting error" if unit == "mrad" else "a laser's rms miss"
        return f"{what} of {plain(needed, 2)} {unit} for {plain(now, 2)} {unit}"
    if cause.name == "late":
        if not cause.enough:
            return "no turning after the first"
        return f"every turning after the first {needed:.0f} min late"
    if cause.name == "heading":
        return f"a board {abs(needed - now):.0f}° beside the sun at every turning"
    if cause.name == "haze":
        word = "weaker" if needed < now else "stronger"
        return f"a sun {abs(needed - now):.0f} % {word} than taken"
    if cause.name == "wind":
        return f"wind of {needed:.1f} {unit} at the pot for {now:.1f} {unit}"
    return f"{units.mass(cause.needed, 2)} of water in the pot for {units.mass(cause.now, 2)}"


def _figures(result: FieldRecord, cause: Cause) -> tuple[float, float, str]:
    """What a cause is and would have to be, and the unit."""
    length, speed = units.unit("length"), units.unit("speed")
    by_miss = result.scenario.errors.setting_kind == "miss"
    setting = (length.per, length.symbol) if by_miss else (1e3, "mrad")
    factor, unit = {
        "cleanliness": (100.0, "%"),
        "setting": setting,
        "late": (1.0 / 60.0, "min"),
        "heading": (float(np.degrees(1.0)), "deg"),
        "haze": (100.0, "%"),
        "wind": (speed.per, speed.symbol),
        "water": (1.0, "kg"),
    }[cause.name]
    return factor * cause.now, factor * cause.needed, unit


def record_tables(result: FieldRecord) -> Iterator[RenderableType]:
    """Doubts, answer, what it rests on, intervals, balance, causes and cooking power.

    Parameters
    ----------
    result : FieldRecord

    Yields
    ------
    renderable
    """
    yield Text(result.scenario.title, style="bold")
    if doubts := doubt_sentences(result):
        yield Text("\n".join(f"! {doubt}" for doubt in doubts), style="yellow")
    yield Text("\n".join(record_sentences(result)))
    if result.record.read:
        read = [units.retold(words[0].upper() + words[1:]) for words in result.record.read]
        yield Text(f"Of {result.record.name}: {' '.join(read)}", style="dim")
    yield _interval_table(result)
    if result.causes:
        yield _cause_table(result)
    power, predicted = result.power, result.predicted_power
    over = units.short("difference", OFFSET)
    yield pairs(
        [
            (f"standardised cooking power at {over}, measured", at_50_words(power)),
            ("predicted for the same readings", at_50_words(predicted)),
        ]
    )
    yield DETAILS
    yield pairs(_context(result))
    yield _balance_table(result)
    yield limits_table(power.limits)
    yield Text(f"{HANDBOOK} {MEMORY}", style="dim")


def _context(result: FieldRecord) -> list[tuple[str, str]]:
    from raytrace.version import __version__

    record, scenario, plan = result.record, result.scenario, result.plan
    local = clocks(result)
    days = sorted({t.date() for t in local})
    span = date_words(days[0], year=True)
    if len(days) > 1:
        span += f" to {date_words(days[-1], year=True)}"
    heatings = len(record.runs)
    kitchen = scenario.kitchen
    pot = f"{units.volume(kitchen.water)} of water"
    if kitchen.food:
        capacity = 1e-3 * kitchen.food_heat_capacity
        pot += f", {units.mass(kitchen.food)} of food at {capacity:.3g} kJ/(kg K)"
    sun = listed([SUN_WORDS[m] for m in record.sun], "and") if record.sun else ""
    habit = " ".join(["as recorded;", *record.assumed]) if record.assumed else "as recorded"
    if record.turnings is None:
        every = scenario.habit.turn_every
        habit = "only at the start" if isinstance(every, str) else f"every {every / 60:.0f} min"
        habit += ", as the scenario says"
    rows = [
        ("scenario", scenario.source),
        (
            "record",
            f"{record.name}: {len(record.time)} readings, {span}"
            + (f", {heatings} heatings" if heatings > 1 else ""),
        ),
        ("in the pot", f"{pot}; {'lid on' if kitchen.lid else 'no lid'}"),
        ("sun", f"measured: {sun}" if sun else f"not measured: {_sky(result)}"),
        (
            "air",
            f"{'measured' if record.air else 'as the scenario has it'}; wind "
            f"{'measured' if record.wind else 'as the scenario has it'}",
        ),
        ("turned", habit),
        (
            "errors",
            f"{units.short('difference', plan.reading_error)} a reading, "
            f"{100 * plan.loss_error:g} % of the losses (one standard deviation)",
        ),
        (
            "traced",
            f"{plan.draws} cookers and operators, {plan.beams} beams a facet in 2 replicates, seed "
            f"{plan.seed}, builds from {plan.build}, cooker-raytrace {__version__}",
        ),
    ]
    if scenario.overrides:
        rows.insert(1, ("set over it", ", ".join(scenario.overrides)))
    return rows


def _sky(result: FieldRecord) -> str:
    dni = result.scenario.sky.dni
    return dni if isinstance(dni, str) else f"{dni:g} W/m² as the scenario states"


def _interval_table(result: FieldRecord) -> Table:
    record, local = result.record, clocks(result)
    dates = len({t.date() for t in local}) > 1
    warmth = units.unit("temperature")
    table = plain_table(
        "reading\nto reading",
        f" water\n {warmth.symbol}",
        f" predicted\n {warmth.symbol}",
        " implied\n W",
        " ± 95 %\n W",
        " predicted\n W",
        " ± s.d.\n W",
    )
    predicted = result.temperature.value
    day = None
    for k, (a, b) in enumerate(zip(result.first, result.last, strict=True)):
        if dates and local[a].date() != day:
            day = local[a].date()
            table.add_row(short_date(day).strip(), style="dim")
        table.add_row(
            joined(hour_minute(local[a]), hour_minute(local[b])),
            *(
                f"{warmth.fixed(x[a], 1)}–{warmth.fixed(x[b], 1)}"
                for x in (record.water, predicted)
            ),
            f"{result.watts[k]:.0f}",
            f"{result.sure * result.watts_se[k]:.0f}",
            f"{result.expected[k]:.0f}",
            f"{result.expected_sd[k]:.0f}",
        )
    return table


def _balance_table(result: FieldRecord) -> Table:
    table = plain_table("where the heat came from and went, mean", "  W")
    for name, watts in (
        ("stored in pot and contents", result.stored),
        ("lost to air, sky and ground, and with vapour, by the model", result.lost),
        ("less direct sun on the pot", -result.direct),
        ("less light of sky and ground on the pot", -result.diffuse),
        ("left: the mirrors' light, absorbed", result.shown),
        ("the same as predicted", result.mirrored),
    ):
        table.add_row(name, plain(watts, 3))
    table.add_row(
        f"over {result.share:.3f}: their light on the base", plain(result.mean, 3), style="bold"
    )
    return table


def _cause_table(result: FieldRecord) -> Table:
    table = plain_table("what would explain it, each alone", "  of the difference")
    for cause in result.causes:
        table.add_row(
            cause_words(result, cause),
            "all" if cause.enough else f"{100.0 * cause.explained:.0f} %",
        )
    return table
