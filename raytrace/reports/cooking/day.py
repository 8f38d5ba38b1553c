"""A pot's day in words and tables."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from raytrace.heat.cooking_power import OFFSET
from raytrace.heat.food import HOT, stretches
from raytrace.reports.common.numbers import percent
from raytrace.reports.common.tables import DETAILS, pairs, plain_table
from raytrace.reports.common.times import at_clock
from raytrace.reports.common.units import mass, quantity, short, unit
from raytrace.reports.cooking.cooking_power import at_50_words
from raytrace.reports.cooking.day_answer import day_answer, day_details
from raytrace.reports.cooking.day_words import (
    mean_words,
    reached,
    since_start,
)
from raytrace.reports.cooking.kitchen import pot_words
from raytrace.statistics.draws import groups

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.light.turning import Habit
    from raytrace.studies.cooking.day import DayResult
    from raytrace.studies.cooking.heating_test import HeatingTest
    from raytrace.studies.cooking.pot_day import CookingDay, HabitWorth

__all__ = ["day_tables"]

Array = NDArray[np.float64]

MOST_TURNINGS = 24  # rows of a table


def _name(habit: Habit) -> str:
    """A habit's name in a table."""
    if math.isinf(habit.every):
        return "never"
    return f"{habit.every / 60.0:g}" + (" ahead" if habit.face == "ahead" else "")


def _moments_table(
    day: CookingDay, top_ups: Sequence[tuple[float, float, float]]
) -> RenderableType:
    """The turnings, and what happens between them, in order of time."""
    table = plain_table(
        "clock",
        "",
        "face\n°",
        "tilt\n°",
        "sun\n°",
        "delivered\nW",
        "absorbed\nW",
        "of it from\nsky, ground\nW",
        f"{'water' if day.scenario.kitchen.water else 'food'}\n{unit('temperature').symbol}",
    )
    start = day.time[0]
    wrapped = _wrapped_after(day)
    tilts = any(abs(t.tilt) > 1e-9 for t in day.turnings)
    every = _shown_every(day)
    events: list[tuple[Any, str, float | None, float | None]] = [
        (
            t.time,
            "put on" if k == 0 else "turn",
            float(np.degrees(t.heading)) % 360.0,
            float(np.degrees(t.tilt)) if tilts else None,
        )
        for k, t in enumerate(day.turnings)
        if k % every == 0 and (t.time - start).total_seconds() < wrapped
    ]
    marks = (
        (f"{short('difference', 5.0)} below", day.near),
        ("boils", day.boils),
        ("done", day.done),
    )
    for name, x in marks:
        wanted = name != "done" or float(day.scenario.kitchen.done_after) > 0.0
        if wanted and reached(x):
            events.append((since_start(day, float(x.value)), name, None, None))
    events += [
        (since_start(day, since), f"+{mass(added, 2)}", None, None) for since, added, _ in top_ups
    ]
    if math.isfinite(wrapped):
        events.append((since_start(day, wrapped), "wrapped up", None, None))
    dry = float(day.heating.dry[0])
    if math.isfinite(dry):
        events.append((since_start(day, dry), "dries out", None, None))
    up = float(day.alpha[-1]) > 0.0
    events.append((day.time[-1], "day ends" if up else "sun down", None, None))
    dry_at = dry if math.isfinite(dry) else math.inf
    cold = _cold_from(day)
    if math.isfinite(cold):
        events.append((since_start(day, cold), "not hot", None, None))
    for time, name, heading, tilt in sorted(events, key=lambda e: e[0]):
        since = (time - start).total_seconds()
        if since > min(cold, dry_at) + 1.0:
            break
        row = _at(day, since)
        table.add_row(
            at_clock(time, start.date()),
            name,
            "" if heading is None else f"{heading:.0f}",
            "" if tilt is None else f"{tilt:.0f}",
            f"{max(row['sun'], 0.0):.0f}",
            *(
                f"{row[name]:.0f}" if since < wrapped else "–"
                for name in ("watts", "heat", "diffuse")
            ),
            f"{row['warm']:.0f}" if math.isfinite(row["warm"]) and since < dry_at else "–",
            style="bold" if name in ("boils", "done", "dries out") else "",
        )
    return table


def _wrapped_after(day: CookingDay) -> float:
    """When the pot is wrapped up out of the sun, from the start; infinite for never. [s]"""
    kitchen = day.scenario.kitchen
    rests = kitchen.wanted == "rest" and reached(day.boils)
    return float(day.boils.value) + float(kitchen.rest_boil) if rests else math.inf


def _cold_from(day: CookingDay) -> float:
    """From when on a pot that was hot stays below what keeps food safe; infinite if it doesn't."""
    spans = stretches(day.since, day.temperature.value, HOT)
    end = spans[-1][1] if spans else math.inf
    ends = end < float(day.since[-1]) - 1.0 and not math.isfinite(float(day.heating.dry[0]))
    return end if ends else math.inf


def _shown_every(day: CookingDay) -> int:
    """Every how many turnings one is shown."""
    return -(-len(day.turnings) // MOST_TURNINGS)


def _at(day: CookingDay, since: float) -> dict[str, float]:
    """What holds just after a moment."""
    k = int(np.clip(np.searchsorted(day.since, since, side="right") - 1, 0, len(day.since) - 2))
    share = (since - day.since[k]) / (day.since[k + 1] - day.since[k])
    watts, heat, diffuse = (
        (1.0 - share) * x[k, 0] + share * x[k, 1]
        for x in (day.delivered, day.absorbed, day.diffuse)
    )
    return {
        "sun": float(np.degrees(np.interp(since, day.since, day.alpha))),
        "watts": float(watts.mean()),
        "heat": float(heat.mean()),
        "diffuse": float(diffuse),
        "warm": unit("temperature").of(float(np.interp(since, day.since, day.temperature.value))),
    }


def _habit_table(worth: Sequence[HabitWorth]) -> RenderableType:
    table = plain_table(
        "turned\nevery min",
        "turn-\nings",
        "delivered\nW",
        "boils in\nmin",
        "done in\nmin",
        f"warmest\n{unit('temperature').symbol}",
    )
    for w in worth:
        x = w.draws
        table.add_row(
            _name(w.habit),
            str(w.turnings),
            mean_words(x.watts[:, 0]),
            _times_cell(x.boils[:, 0]),
            _times_cell(x.done[:, 0]),
            mean_words(unit("temperature").of(x.highest[:, 0])),
        )
    return table


def _times_cell(times: Array) -> str:
    """Times of draws, group by group, with how many of all where that is not all."""
    parts, n = groups(times), len(times)
    if not parts:
        return "never"
    if len(parts) == 1 and len(parts[0]) == n:
        return mean_words(parts[0], 1 / 60)
    return "\n".join(f"{len(x)}/{n}: {mean_words(x, 1 / 60)}" for x in parts)


def _energy_words(day: CookingDay) -> str:
    e = day.heating.energies
    into = float(e.absorbed[0] + e.added[0])
    if not into > 0.0:
        return "none"
    parts = [
        ("air", e.convection),
        ("radiated", e.radiation),
        ("vapour", e.evaporation),
        ("in the pot at the end", e.stored),
    ]
    shares = ", ".join(f"{percent(float(x[0]) / into)} {name}" for name, x in parts)
    kept = percent(float(day.heating.efficiency[0]))
    sky = percent(day.heat["diffuse"] / into)
    return (
        f"{into / 1e6:.2f} MJ absorbed, {sky} of it from sky and ground; {shares}; efficiency "
        f"{kept} (all but air and radiation)"
    )


def _standard_words(test: HeatingTest) -> str:
    """Standardised cooking power of a simulated test, which knows no date of the cook's."""
    return (
        f"{at_50_words(test.power)} of cooking power (ASAE S580.1, {short('difference', OFFSET)} "
        "over the air, 700 W/m²), "
        "from a simulated test of its own; more by `cooker record`"
    )


def _context(day: CookingDay, test: HeatingTest | None) -> list[tuple[str, str]]:
    from raytrace.version import __version__

    scenario, settings = day.scenario, day.settings
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    rows += [
        ("site", f"{scenario.site.name}, clock of {scenario.site.timezone}"),
        ("pot", pot_words(scenario, day.boiling)),
        ("heat", _energy_words(day)),
        (
            "delivered",
            f"{float(day.energy.value) * 1e-6:.2f} MJ on the base from "
            f"{at_clock(day.time[0])} to {at_clock(day.time[-1])}",
        ),
        *([] if test is None else [("by standard", _standard_words(test))]),
        (
            "traced",
            f"{settings.replicates} replicates × {settings.beams} beams a facet, seed "
            f"{settings.seed}, build {settings.build}, cooker-raytrace {__version__}",
        ),
    ]
    return rows


def day_tables(result: DayResult) -> Iterator[RenderableType]:
    """Sentences, then tables.

    Parameters
    ----------
    result : DayResult

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    day, worth, top_ups = result.pot, result.worth, result.ups
    yield Text(day.scenario.title, style="bold")
    for sentence in day_answer(result):
        yield Text(sentence)
    yield DETAILS
    for sentence in day_details(result):
        yield Text(sentence)
    yield Text()
    yield _moments_table(day, top_ups)
    every = _shown_every(day)
    cold = math.isfinite(_cold_from(day))
    some = f"One turning in {every} is shown. " if every > 1 else ""
    yield Text(
        f"{some}Of build {day.settings.build}. face: where the platform is turned, clockwise from "
        "north. delivered: on the base, just after. absorbed: heat into the pot then, from wall, "
        "lid and direct sun too, and the part of it that light of sky and ground on the pot "
        "brings."
        + (f" not hot: below {quantity('temperature', HOT, 0)} from then on." if cold else ""),
        style="dim",
    )
    if worth:
        yield _habit_table(worth)
        yield Text(
            f"Mean ± spread of {len(worth[0].draws.boils)} draws of cooker and use. "
            "delivered: on the base, mean of the first two hours. turnings: until it boils in half "
            "of the draws. ahead: turned to where the sun stands half an interval later."
            + (" Without the water added." if top_ups else ""),
            style="dim",
        )
    yield pairs(_context(day, result.test))
