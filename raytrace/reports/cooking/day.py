"""A pot's day in words, tables, plain values and rows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from raytrace.reports.common.numbers import percent
from raytrace.reports.common.tables import number, pairs, plain_table
from raytrace.reports.common.times import at_clock, of_day
from raytrace.reports.cooking.cooking_power import at_50_words, heating_facts
from raytrace.reports.cooking.day_words import (
    all_sentences,
    mean_words,
    reached,
    since_start,
    too_long,
)
from raytrace.reports.cooking.kitchen import pot_words
from raytrace.statistics.draws import groups
from raytrace.statistics.estimate import Estimate

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.light.turning import Habit
    from raytrace.studies.cooking.day import CookingDay, HabitWorth
    from raytrace.studies.cooking.day_draws import DayDraws
    from raytrace.studies.cooking.heating_test import HeatingTest
    from raytrace.studies.cooking.start_time import Ready

__all__ = ["day_facts", "day_rows", "day_tables"]

Array = NDArray[np.float64]

ZERO = 273.15  # 0 °C [K]
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
        "prop\n°",
        "sun\n°",
        "delivered\nW",
        "absorbed\nW",
        f"{'water' if day.scenario.kitchen.water else 'food'}\n°C",
    )
    start = day.time[0]
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
        if k % every == 0
    ]
    marks = (("5 K below", day.near), ("boils", day.boils), ("done", day.done))
    for name, x in marks:
        wanted = name != "done" or float(day.scenario.kitchen.done_after) > 0.0
        if wanted and reached(x):
            events.append((since_start(day, float(x.value)), name, None, None))
    events += [
        (since_start(day, since), f"+{mass:.2g} kg", None, None) for since, mass, _ in top_ups
    ]
    dry = float(day.heating.dry[0])
    if math.isfinite(dry):
        events.append((since_start(day, dry), "dries out", None, None))
    up = float(day.alpha[-1]) > 0.0
    events.append((day.time[-1], "day ends" if up else "sun down", None, None))
    dry_at = dry if math.isfinite(dry) else math.inf
    for time, name, heading, tilt in sorted(events, key=lambda e: e[0]):
        since = (time - start).total_seconds()
        row = _at(day, since)
        table.add_row(
            at_clock(time, start.date()),
            name,
            "" if heading is None else f"{heading:.0f}",
            "" if tilt is None else f"{tilt:.0f}",
            f"{max(row['sun'], 0.0):.0f}",
            f"{row['watts']:.0f}",
            f"{row['heat']:.0f}",
            f"{row['warm']:.0f}" if math.isfinite(row["warm"]) and since < dry_at else "–",
            style="bold" if name in ("boils", "done", "dries out") else "",
        )
    return table


def _shown_every(day: CookingDay) -> int:
    """Every how many turnings one is shown."""
    return -(-len(day.turnings) // MOST_TURNINGS)


def _at(day: CookingDay, since: float) -> dict[str, float]:
    """What holds just after a moment."""
    k = int(np.clip(np.searchsorted(day.since, since, side="right") - 1, 0, len(day.since) - 2))
    share = (since - day.since[k]) / (day.since[k + 1] - day.since[k])
    watts, heat = ((1.0 - share) * x[k, 0] + share * x[k, 1] for x in (day.delivered, day.absorbed))
    return {
        "sun": float(np.degrees(np.interp(since, day.since, day.alpha))),
        "watts": float(watts.mean()),
        "heat": float(heat.mean()),
        "warm": float(np.interp(since, day.since, day.temperature.value)) - ZERO,
    }


def _habit_table(worth: Sequence[HabitWorth]) -> RenderableType:
    table = plain_table(
        "turned\nevery min",
        "turn-\nings",
        "delivered\nW",
        "boils in\nmin",
        "done in\nmin",
        "warmest\n°C",
    )
    for w in worth:
        x = w.draws
        table.add_row(
            _name(w.habit),
            str(w.turnings),
            mean_words(x.watts[:, 0]),
            _times_cell(x.boils[:, 0]),
            _times_cell(x.done[:, 0]),
            mean_words(x.highest[:, 0], shift=ZERO),
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
    return f"{into / 1e6:.2f} MJ absorbed: {shares}; efficiency {kept} (all but air and radiation)"


def _standard_words(test: HeatingTest) -> str:
    """Standardised cooking power of a simulated test, which knows no date of the cook's."""
    return (
        f"{at_50_words(test.power)} of cooking power (ASAE S580.1, 50 K over the air, 700 W/m²), "
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


def day_tables(
    day: CookingDay,
    worth: Sequence[HabitWorth] = (),
    ready: Ready | None = None,
    top_ups: Sequence[tuple[float, float, float]] = (),
    test: HeatingTest | None = None,
    pots: DayDraws | None = None,
) -> Iterator[RenderableType]:
    """Sentences, then tables.

    Parameters
    ----------
    day : CookingDay
    worth : sequence of HabitWorth
        Habits that are compared, if any.
    ready : Ready, optional
    top_ups : sequence of (float, float, float)
        As the day had them: time since the start [s], mass [kg], temperature [K].
    test : HeatingTest, optional
        Of the same cooker, for its standardised cooking power.
    pots : DayDraws, optional
        The same pot in several draws.

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    yield Text(day.scenario.title, style="bold")
    for sentence in all_sentences(day, pots, worth, ready):
        yield Text(sentence)
    yield Text()
    yield _moments_table(day, top_ups)
    every = _shown_every(day)
    some = f"One turning in {every} is shown. " if every > 1 else ""
    yield Text(
        f"{some}Of build {day.settings.build}. face: where the platform is turned, clockwise from "
        "north. delivered: on the base, just after. absorbed: heat into the pot then, from wall, "
        "lid and direct sun too.",
        style="dim",
    )
    if worth:
        yield _habit_table(worth)
        yield Text(
            f"Mean ± spread of {len(worth[0].draws.boils)} draws of building and turning. "
            "delivered: on the base, mean of the first two hours. turnings: until it boils in half "
            "of the draws. ahead: turned to where the sun stands half an interval later."
            + (" Without the water added." if top_ups else ""),
            style="dim",
        )
    yield pairs(_context(day, test))


def day_rows(day: CookingDay) -> list[dict[str, Any]]:
    """Every moment as a row of plain values, for CSV.

    Parameters
    ----------
    day : CookingDay
    """
    turned = {t.time for t in day.turnings}
    water = day.heating.water[0]
    out = []
    last = len(day.since) - 1
    for k, time in enumerate(day.time):
        before = day.delivered[k - 1, 1] if k else None
        after = day.delivered[k, 0] if k < last else None
        heat = Estimate.from_replicates(day.absorbed[min(k, last - 1), 0 if k < last else 1])
        out.append(
            {
                "time": time.isoformat(timespec="seconds"),
                "since_start_min": float(day.since[k]) / 60.0,
                "turned": time in turned,
                "sun_altitude_deg": float(np.degrees(day.alpha[k])),
                "sun_azimuth_deg": float(np.degrees(day.gamma[k])),
                "dni_W_m2": float(day.dni[k]),
                "air_degC": float(day.air[k]) - ZERO,
                "wind_m_s": float(day.wind[k]),
                "delivered_before_W": None if before is None else float(before.mean()),
                "delivered_W": None if after is None else float(after.mean()),
                "delivered_se_W": None
                if after is None
                else float(Estimate.from_replicates(after).se),
                "absorbed_W": float(heat),
                "absorbed_se_W": float(heat.se),
                "water_degC": number(float(day.temperature.value[k]) - ZERO),
                "water_se_K": number(float(day.temperature.se[k])),
                "water_left_kg": number(float(water[k])),
            }
        )
    return out


def day_facts(
    day: CookingDay,
    worth: Sequence[HabitWorth] = (),
    ready: Ready | None = None,
    test: HeatingTest | None = None,
    pots: DayDraws | None = None,
) -> dict[str, Any]:
    """Everything that tables and sentences say, as plain values.

    Parameters
    ----------
    day : CookingDay
    worth : sequence of HabitWorth
    ready : Ready, optional
    test : HeatingTest, optional
    pots : DayDraws, optional
        The same pot in several draws.
    """
    from raytrace.version import __version__

    scenario, settings, heating = day.scenario, day.settings, day.heating
    e = heating.energies
    facts: dict[str, Any] = {
        "scenario": scenario.source,
        "title": scenario.title,
        "overrides": list(scenario.overrides),
        "site": scenario.site.name,
        "timezone": scenario.site.timezone,
        "raytrace": __version__,
        "seed": settings.seed,
        "build": settings.build,
        "replicates": settings.replicates,
        "beams_per_facet": settings.beams,
        "start": day.time[0].isoformat(timespec="seconds"),
        "end": day.time[-1].isoformat(timespec="seconds"),
        "turn_every_min": number(day.habit.every, 1 / 60),
        "face": day.habit.face,
        "boiling_degC": day.boiling - ZERO,
        **_times(day),
        "highest_degC": number(float(heating.highest[0]) - ZERO),
        "settles_degC": number(float(heating.settles[0]) - ZERO),
        "boil_kept_share": number(float(heating.holds[0])),
        "boiled_off_kg": number(float(heating.boiled_off[0])),
        "efficiency": number(float(heating.efficiency[0])),
        "dry_min": number(float(day.evening.dry[0]), 1 / 60),
        "why_not": day.reason if day.reason not in ("", "boils") else None,
        "lukewarm_too_long": [
            {
                "from": since_start(day, x.start).isoformat(timespec="seconds"),
                "to": since_start(day, x.end).isoformat(timespec="seconds"),
                "not_safe_after": since_start(day, x.spoilt).isoformat(timespec="seconds"),
                "air_over_32_degC": x.hot_air,
            }
            for x in too_long(day)
        ],
        "delivered_MJ": number(float(day.energy.value), 1e-6),
        "delivered_se_MJ": number(float(day.energy.se), 1e-6),
        "energies_MJ": {
            name: float(getattr(e, name)[0]) * 1e-6
            for name in ("absorbed", "added", "convection", "radiation", "evaporation", "stored")
        },
        "turnings": [
            {
                "time": t.time.isoformat(timespec="seconds"),
                "heading_deg": float(np.degrees(t.heading)) % 360.0,
                "tilt_deg": float(np.degrees(t.tilt)),
            }
            for t in day.turnings
        ],
        "moments": day_rows(day),
        "habits": [_worth_facts(w) for w in worth],
        "sentences": all_sentences(day, pots, worth, ready),
    }
    if test is not None:
        facts["heating_test"] = heating_facts(test)
    if pots is not None:
        facts["draws"] = _draw_facts(pots)
    if ready is not None:
        facts["ready"] = {
            "by": of_day(ready.by),
            "what": ready.what,
            "latest_start": of_day(ready.start) if ready.holds else None,
            "start": of_day(ready.start) if math.isfinite(ready.start) else None,
            "draws_ready_and_hot": ready.count,
            "draws": None if ready.draws is None else len(ready.draws.boils),
            "soonest": of_day(ready.earliest) if math.isfinite(ready.earliest) else None,
        }
    return facts


def _times(day: CookingDay) -> dict[str, Any]:
    out = {}
    for name, key in (("boils", "boil"), ("near", "near_boil"), ("done", "done")):
        estimate = getattr(day, name)
        out[f"{key}_min"] = number(float(estimate.value), 1 / 60)
        out[f"{key}_se_min"] = number(float(estimate.se), 1 / 60)
    return out


def _draw_facts(pots: DayDraws) -> dict[str, Any]:
    """One pot in n draws: times of each, those that never come last."""
    out: dict[str, Any] = {
        f"{key}_min": [number(float(x), 1 / 60) for x in np.sort(getattr(pots, name)[:, 0])]
        for name, key in (("boils", "boil"), ("done", "done"), ("dry", "dry"))
    }
    return out | {
        "lukewarm_too_long": int(pots.spoils().sum()),
        "delivered_W": float(pots.watts.mean()),
        "delivered_spread_W": float(pots.watts.std(ddof=1)),
        "delivered_MJ": float(pots.energy.mean()) * 1e-6,
        "delivered_spread_MJ": float(pots.energy.std(ddof=1)) * 1e-6,
        "highest_degC": float(pots.highest.mean()) - ZERO,
        "highest_spread_K": float(pots.highest.std(ddof=1)),
    }


def _worth_facts(w: HabitWorth) -> dict[str, Any]:
    return {
        "turn_every_min": number(w.habit.every, 1 / 60),
        "face": w.habit.face,
        "turnings": w.turnings,
        **_draw_facts(w.draws),
    }
