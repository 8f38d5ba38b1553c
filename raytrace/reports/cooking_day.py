"""A pot's day in words, tables, plain values and rows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.text import Text

from raytrace.reports.ensembles import number, pairs, plain_table
from raytrace.reports.rounding import percent
from raytrace.reports.season import contents_words, habit_words
from raytrace.reports.times import at_clock, date_words, lasting, of_day, pm

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import RenderableType

    from raytrace.estimate import Estimate
    from raytrace.studies.cooking_day import CookingDay, HabitWorth
    from raytrace.studies.ready import Ready
    from raytrace.studies.turning import Habit

__all__ = ["day_facts", "day_rows", "day_sentences", "day_tables", "habit_sentences"]

ZERO = 273.15  # 0 °C [K]
MOST_TURNINGS = 24  # rows of a table
CLOSE = 0.05  # of the quickest boil: slower by less is told to be as good


def _after(day: CookingDay, seconds: float) -> pd.Timestamp:
    import pandas as pd

    return day.time[0] + pd.Timedelta(seconds=seconds)


def _minutes(x: Estimate, decimals: int = 1) -> str:
    return pm(float(x.value), float(x.se), 1 / 60, decimals)


def _reached(x: Estimate) -> bool:
    return math.isfinite(float(x.value))


def day_sentences(day: CookingDay, ready: Ready | None = None) -> list[str]:
    """What a cook needs to know, a few sentences.

    Parameters
    ----------
    day : CookingDay
    ready : Ready, optional
        Outcome of the search that gave the start.
    """
    out = _ready_sentences(ready) if ready is not None else []
    start = day.time[0]
    head = (
        f"Put up at {at_clock(start)} on {date_words(start.date(), year=True)} and "
        f"{habit_words(day.habit.every, day.habit.face)}, {contents_words(day.scenario)}"
    )
    if _reached(day.boils):
        turned = sum((t.time - start).total_seconds() < float(day.boils.value) - 1.0
                     for t in day.turnings[1:])  # fmt: skip
        until = f", the cooker turned {_times_words(turned)} until then" if turned else ""
        out.append(
            f"{head} boil at {at_clock(_after(day, float(day.boils.value)))}, after "
            f"{_minutes(day.boils)} min{until}."
        )
        out.append(_simmer(day))
    else:
        k = int(np.nanargmax(day.temperature.value))
        warm = pm(float(day.temperature.value[k]) - ZERO, float(day.temperature.se[k]), decimals=1)
        out.append(
            f"{head} never boil: the warmest they get is {warm} °C, at {at_clock(day.time[k])}; "
            f"under that moment's watts they would settle at "
            f"{float(day.heating.settles[0]) - ZERO:.0f} °C."
        )
    out += _done_sentence(day)
    dry = float(day.heating.dry[0])
    if math.isfinite(dry):
        out.append(f"Caution: left alone, it boils dry at {at_clock(_after(day, dry))}.")
    return out


def _times_words(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _luck_sentence(day: CookingDay, worth: Sequence[HabitWorth]) -> list[str]:
    """How much a hand that turns the cooker anew moves the boil."""
    same = [w for w in worth if w.habit == day.habit and _reached(w.boils)]
    if not same or not _reached(day.boils):
        return []
    boils = same[0].boils
    spread = float(boils.se) * math.sqrt(boils.n_replicates)
    if not spread > 2.0 * float(day.boils.se):
        return []
    return [
        f"The ± is that of tracing this one day; the hand's luck in turning moves the boil by "
        f"{spread / 60.0:.1f} min either way (one standard deviation), round "
        f"{_minutes(boils)} min."
    ]


def _ready_sentences(ready: Ready) -> list[str]:
    what = "done" if ready.what == "done" else "boiling"
    by = of_day(ready.by)
    if math.isfinite(ready.start):
        return [
            f"To have it {what} by {by}, put the pot up at {of_day(ready.start)} at the latest: it "
            f"is {what} at {of_day(float(ready.at.value))} ± "
            f"{max(float(ready.at.se) / 60.0, 0.1):.1f} min. Leave a margin for clouds."
        ]
    if math.isfinite(ready.earliest):
        return [
            f"Whenever it is put up, it is not {what} by {by}: the soonest is "
            f"{of_day(ready.earliest)}."
        ]
    return [f"Whenever it is put up on that day, it never gets {what}."]


def _simmer(day: CookingDay) -> str:
    heating = day.heating
    kept = float(heating.holds[0])
    gone = float(heating.boiled_off[0])
    held = "It then keeps the boil for the next hour" if kept > 0.999 else (
        f"Of the next hour it keeps the boil for {percent(kept)}"
    )  # fmt: skip
    return f"{held}; {gone:.2g} kg of water are gone by {at_clock(day.time[-1])}."


def _done_sentence(day: CookingDay) -> list[str]:
    kitchen = day.scenario.kitchen
    if not float(kitchen.done_after) > 0.0:
        return []
    wanted = (
        f"{lasting(float(kitchen.done_after))} at {float(kitchen.done_over) - ZERO:.0f} °C or over"
    )
    if not _reached(day.done):
        return [f"The food does not get done that day ({wanted})."]
    return [
        f"The food is done ({wanted}) at {at_clock(_after(day, float(day.done.value)))}, after "
        f"{_minutes(day.done)} min."
    ]


def _name(habit: Habit) -> str:
    """A habit's name in a table."""
    if math.isinf(habit.every):
        return "never"
    return f"{habit.every / 60.0:g}" + (" ahead" if habit.face == "ahead" else "")


def _interval(habit: Habit) -> str:
    return f"every {habit.every / 60.0:g} min" + (
        " ahead of the sun" if habit.face == "ahead" else ""
    )


def _sentences(day: CookingDay, worth: Sequence[HabitWorth], ready: Ready | None) -> list[str]:
    return [*day_sentences(day, ready), *_luck_sentence(day, worth), *habit_sentences(worth)]


def habit_sentences(worth: Sequence[HabitWorth]) -> list[str]:
    """How often to turn.

    Parameters
    ----------
    worth : sequence of HabitWorth
    """
    if not worth:
        return []
    boil = [w for w in worth if _reached(w.boils)]
    if not boil:
        best = max(worth, key=lambda w: float(w.highest.value))
        easy = _easiest(
            [w for w in worth if float(w.highest.value) > float(best.highest.value) - 1.0]
        )
        warm = pm(float(easy.highest.value) - ZERO, float(easy.highest.se), decimals=1)
        return [
            f"No habit of turning boils it that day; turned {_interval(easy.habit)}, it gets to "
            f"{warm} °C, as warm within 1 K as any."
            if math.isfinite(easy.habit.every)
            else f"No habit of turning boils it that day; left alone, it gets to {warm} °C."
        ]
    quick = min(boil, key=lambda w: float(w.boils.value))
    least = float(quick.boils.value)
    easy = _easiest([w for w in boil if float(w.boils.value) <= (1.0 + CLOSE) * least])
    if math.isinf(easy.habit.every):
        out = [f"It boils as soon if never turned again: {_minutes(easy.boils)} min."]
    else:
        out = [
            f"How often to turn: {_interval(easy.habit)} is enough: "
            f"{_times_words(easy.turnings)} until it boils, in {_minutes(easy.boils)} min; turning "
            f"more often saves {_saved(easy, quick)}."
        ]
    lost = [w for w in worth if not _reached(w.boils)]
    if lost:
        often = min(lost, key=lambda w: w.habit.every)
        words = (
            "never turned" if math.isinf(often.habit.every) else f"turned {_interval(often.habit)}"
        )
        out.append(f"{words[0].upper()}{words[1:]} it does not boil at all.")
    return out


def _easiest(worth: Sequence[HabitWorth]) -> HabitWorth:
    """The habit with the fewest turnings; of equal ones, facing the sun as it stands."""
    return max(worth, key=lambda w: (w.habit.every, w.habit.face == "now"))


def _saved(easy: HabitWorth, quick: HabitWorth) -> str:
    saved = float(easy.boils.value) - float(quick.boils.value)
    if saved <= 0.0:
        return "nothing"
    se = float(np.hypot(easy.boils.se, quick.boils.se))
    return f"{pm(saved, se, 1 / 60, 1)} min at most"


def _moments_table(
    day: CookingDay, top_ups: Sequence[tuple[float, float, float]]
) -> RenderableType:
    """The turnings, and what happens between them, in order of time."""
    table = plain_table(
        "clock", "", "face\n°", "prop\n°", "sun\n°", "delivered\nW ± s.e.", "water\n°C ± s.e."
    )
    start = day.time[0]
    tilts = any(abs(t.tilt) > 1e-9 for t in day.turnings)
    every = _shown_every(day)
    events: list[tuple[Any, str, float | None, float | None]] = [
        (
            t.time,
            "put up" if k == 0 else "turn",
            float(np.degrees(t.heading)) % 360.0,
            float(np.degrees(t.tilt)) if tilts else None,
        )
        for k, t in enumerate(day.turnings)
        if k % every == 0
    ]
    marks = (("5 K below", day.near), ("boils", day.boils), ("done", day.done))
    for name, x in marks:
        wanted = name != "done" or float(day.scenario.kitchen.done_after) > 0.0
        if wanted and _reached(x):
            events.append((_after(day, float(x.value)), name, None, None))
    events += [(_after(day, since), f"+{mass:.2g} kg", None, None) for since, mass, _ in top_ups]
    events.append((day.time[-1], "sun down", None, None))
    for time, name, heading, tilt in sorted(events, key=lambda e: e[0]):
        since = (time - start).total_seconds()
        row = _at(day, since)
        table.add_row(
            at_clock(time, start.date()),
            name,
            "" if heading is None else f"{heading:.0f}",
            "" if tilt is None else f"{tilt:.0f}",
            f"{max(row['sun'], 0.0):.0f}",
            pm(row["watts"], row["watts_se"], 1, 1),
            pm(row["warm"], row["warm_se"], 1, 1),
            style="bold" if name in ("boils", "done") else "",
        )
    return table


def _shown_every(day: CookingDay) -> int:
    """Every how many turnings one is shown."""
    return -(-len(day.turnings) // MOST_TURNINGS)


def _at(day: CookingDay, since: float) -> dict[str, float]:
    """What holds just after a moment."""
    k = int(np.clip(np.searchsorted(day.since, since, side="right") - 1, 0, len(day.since) - 2))
    share = (since - day.since[k]) / (day.since[k + 1] - day.since[k])
    watts = (1.0 - share) * day.delivered[k, 0] + share * day.delivered[k, 1]
    replicates = len(watts)
    return {
        "sun": float(np.degrees(np.interp(since, day.since, day.alpha))),
        "watts": float(watts.mean()),
        "watts_se": float(watts.std(ddof=1) / np.sqrt(replicates)),
        "warm": float(np.interp(since, day.since, day.temperature.value)) - ZERO,
        "warm_se": float(np.interp(since, day.since, np.nan_to_num(day.temperature.se))),
    }


def _habit_table(worth: Sequence[HabitWorth]) -> RenderableType:
    table = plain_table(
        "turned\nevery min",
        "turn-\nings",
        "watts\nW ± s.e.",
        "boils in\nmin ± s.e.",
        "done in\nmin ± s.e.",
        "warmest\n°C ± s.e.",
        "energy\nMJ ± s.e.",
    )
    for w in worth:
        table.add_row(
            _name(w.habit),
            str(w.turnings),
            pm(float(w.mean.value), float(w.mean.se), 1, 1),
            _minutes(w.boils) if _reached(w.boils) else "never",
            _minutes(w.done) if _reached(w.done) else "never",
            pm(float(w.highest.value) - ZERO, float(w.highest.se), 1, 1),
            pm(float(w.energy.value), float(w.energy.se), 1e-6, 2),
        )
    return table


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
    return f"{into / 1e6:.2f} MJ taken up: {shares}"


def _context(day: CookingDay) -> list[tuple[str, str]]:
    from raytrace import __version__

    scenario, settings = day.scenario, day.settings
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    rows += [
        ("site", f"{scenario.site.name}, clock of {scenario.site.timezone}"),
        (
            "pot",
            f"{contents_words(scenario)}, {'lid on' if scenario.kitchen.lid else 'no lid'}; boils "
            f"at {day.boiling - ZERO:.1f} °C, told 1 K before",
        ),
        ("heat", _energy_words(day)),
        (
            "delivered",
            f"{pm(float(day.energy.value), float(day.energy.se), 1e-6, 3)} MJ on the base from "
            f"{at_clock(day.time[0])} to {at_clock(day.time[-1])}",
        ),
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

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    yield Text(day.scenario.title, style="bold")
    for sentence in _sentences(day, worth, ready):
        yield Text(sentence)
    yield Text()
    yield _moments_table(day, top_ups)
    every = _shown_every(day)
    some = f"One turning in {every} is shown. " if every > 1 else ""
    yield Text(
        f"{some}face: where the platform is turned, clockwise from north. delivered: on the base, "
        "just after.",
        style="dim",
    )
    if worth:
        yield _habit_table(worth)
        yield Text(
            "watts: on the base, mean of the first two hours. energy: on the base until the sun "
            "sets. turnings: until it boils. s.e. with the hand's luck in turning. ahead: turned "
            "to where the sun stands half an interval later."
            + (" Without the water added." if top_ups else ""),
            style="dim",
        )
    yield pairs(_context(day))


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
        heat = day.absorbed[min(k, last - 1), 0 if k < last else 1]
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
                "delivered_se_W": None if after is None else _se(after),
                "absorbed_W": float(heat.mean()),
                "absorbed_se_W": _se(heat),
                "water_degC": number(float(day.temperature.value[k]) - ZERO),
                "water_se_K": number(float(day.temperature.se[k])),
                "water_left_kg": number(float(water[k])),
            }
        )
    return out


def _se(x: Any) -> float:
    return float(x.std(ddof=1) / np.sqrt(len(x)))


def day_facts(
    day: CookingDay, worth: Sequence[HabitWorth] = (), ready: Ready | None = None
) -> dict[str, Any]:
    """Everything that tables and sentences say, as plain values.

    Parameters
    ----------
    day : CookingDay
    worth : sequence of HabitWorth
    ready : Ready, optional
    """
    from raytrace import __version__

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
        "dry_min": number(float(heating.dry[0]), 1 / 60),
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
        "sentences": _sentences(day, worth, ready),
    }
    if ready is not None:
        facts["ready"] = {
            "by": of_day(ready.by),
            "what": ready.what,
            "latest_start": of_day(ready.start) if math.isfinite(ready.start) else None,
            "at_min_after_midnight": number(float(ready.at.value), 1 / 60),
            "at_se_min": number(float(ready.at.se), 1 / 60),
            "soonest": of_day(ready.earliest) if math.isfinite(ready.earliest) else None,
        }
    return facts


def _times(x: CookingDay | HabitWorth) -> dict[str, Any]:
    out = {}
    for name, key in (("boils", "boil"), ("near", "near_boil"), ("done", "done")):
        estimate = getattr(x, name)
        out[f"{key}_min"] = number(float(estimate.value), 1 / 60)
        out[f"{key}_se_min"] = number(float(estimate.se), 1 / 60)
    return out


def _worth_facts(w: HabitWorth) -> dict[str, Any]:
    return {
        "turn_every_min": number(w.habit.every, 1 / 60),
        "face": w.habit.face,
        "turnings": w.turnings,
        "delivered_W": number(float(w.mean.value)),
        "delivered_se_W": number(float(w.mean.se)),
        "delivered_MJ": number(float(w.energy.value), 1e-6),
        "delivered_se_MJ": number(float(w.energy.se), 1e-6),
        **_times(w),
        "highest_degC": number(float(w.highest.value) - ZERO),
        "highest_se_K": number(float(w.highest.se)),
    }
