"""Stray light in tables: by case, by date, by what stands about; which limits count."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from raytrace.reports.common.tables import DETAILS, pairs, table_of
from raytrace.reports.common.times import date_words, hour_minute, short_date
from raytrace.reports.common.units import quantity, unit, yard
from raytrace.reports.common.words import point_of
from raytrace.reports.stray.stray_words import (
    FAINT,
    case_words,
    left_cases,
    reach_by_sun,
    stray_sentences,
    times_over,
    worst_on,
)
from raytrace.studies.stray.limits import LEAST, LIMITS, burn_time, pain_time

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from raytrace.studies.stray.stray_data import Stray

__all__ = ["stray_tables"]

# what the usual levels mean, in the head of a column
BRIEF = {1.7e3: "skin hurts", 2.5e3: "in 30 s", 4.3e3: "wood, in time", 10e3: "in 4 s"}
NOTE = (
    "Limits of skin and of what burns come from heaters and fires, whose infrared is taken up at "
    "the surface; of sunlight dark things take up more than pale ones. Where distances are given, "
    "the sun is taken to shine on the same surface as well, with 1 kW/m²; other figures are of the "
    "mirrors' light alone, on a surface that faces it. The sky is taken as clear. These figures "
    "tell where to keep away from. They prove no place safe: local codes on fire and glare come "
    "first."
)


def stray_tables(found: Stray) -> Iterator[RenderableType]:
    """Sentences, then tables.

    Parameters
    ----------
    found : Stray

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    yield Text(found.scenario.title, style="bold")
    for sentence in stray_sentences(found):
        yield Text(sentence)
    yield Text()
    yield _by_case(found)
    if found.things:
        yield _by_thing(found)
    yield Text(NOTE, style="dim")
    yield DETAILS
    yield _by_date(found)
    if worst_on(found.on_horizon[..., 0], left_cases(found))[0] >= FAINT:
        yield _by_horizon(found)
    yield _limits()
    yield pairs(_context(found))


def _by_case(found: Stray) -> Table:
    symbol = unit("yard").symbol
    levels = found.plan.levels
    heads = [f"{1e-3 * level:g} kW/m²\n{BRIEF.get(level, '')}" for level in levels]
    table = table_of(f"passed as far as [{symbol}]", *heads, "strongest\nkW/m²")
    reaches = [found.reach(level) for level in levels]
    for k, case in enumerate(found.cases):
        cells = [_cell(float(reach[k]), found) for reach in reaches]
        table.add_row(case_words(case), *cells, f"{1e-3 * float(found.worst[k]):.0f}")
    return table


def _cell(reach: float, found: Stray) -> str:
    most, shown = float(found.distances[-1]), unit("yard")
    if math.isinf(reach):
        return f">{shown.fixed(most)}"
    return shown.fixed(reach, 1) if reach else f"<{shown.fixed(float(found.distances[0]), 1)}"


def _by_thing(found: Stray) -> Table:
    """What reaches each of the surroundings, nobody minding the cooker."""
    table = table_of("what stands there", "kind", "away", "kW/m²", "at worst", "left")
    for column in (*table.columns[1:2], *table.columns[4:]):
        column.justify = "left"
    left = left_cases(found)
    for k, thing in enumerate(found.scenario.site.surroundings):
        most, case, sun = worst_on(found.on_thing[..., k], left)
        time = dt.datetime.fromisoformat(found.times[sun])
        lit = most >= FAINT
        table.add_row(
            Text(thing.name),
            thing.kind,
            yard(thing.distance, 2),
            f"{1e-3 * most:.1f}" if lit else "–",
            f"{date_words(time.date())}, {hour_minute(time)}" if lit else "–",
            case_words(found.cases[case]) if lit else "–",
        )
    return table


def _by_horizon(found: Stray) -> Table:
    """By date when the light goes below the horizon's profile, and how strong it is."""
    aways = [quantity("yard", float(away), 0) for away in found.horizon_away]
    table = table_of("horizon hit", "from", "to", "toward", *(f"kW/m²\nat {a}" for a in aways))
    table.columns[3].justify = "left"
    left = left_cases(found)
    times = [dt.datetime.fromisoformat(t) for t in found.times]
    for date in found.plan.dates:
        mine = np.array([t.date() == date for t in times])
        values = np.where(mine[:, None], np.nan_to_num(found.on_horizon), 0.0)
        most, case, sun = worst_on(values[..., 0], left)
        if most < FAINT:
            table.add_row(short_date(date), *["–"] * (3 + len(aways)))
            continue
        start, end = times_over(found, found.on_horizon[case, :, 0], sun, FAINT)
        strong = [f"{1e-3 * worst_on(values[..., a], left)[0]:.1f}" for a in range(len(aways))]
        bearing = float(found.on_horizon_bearing[case, sun, 0])
        table.add_row(short_date(date), start, end, point_of(bearing), *strong)
    return table


def _by_date(found: Stray) -> Table:
    """Worst hour of each date, nobody minding the cooker."""
    symbol = unit("yard").symbol
    table = table_of(
        "nobody minds it", "worst at", f"{1e-3 * LEAST.irradiance:g} kW/m² to [{symbol}]", "left"
    )
    table.columns[3].justify = "left"
    left = left_cases(found)
    by_sun = np.nan_to_num(reach_by_sun(found, LEAST.irradiance)[left])
    times = [dt.datetime.fromisoformat(t) for t in found.times]
    for date in found.plan.dates:
        mine = [k for k, t in enumerate(times) if t.date() == date]
        if not mine:
            continue
        row, column = np.unravel_index(int(by_sun[:, mine].argmax()), (len(left), len(mine)))
        reach, k = float(by_sun[row, mine[column]]), mine[column]
        passed = reach > 0.0
        table.add_row(
            short_date(date),
            hour_minute(times[k]) if passed else "–",
            _cell(reach, found),
            case_words(found.cases[left[row]]) if passed else "–",
        )
    return table


def _limits() -> Table:
    table = table_of("limit", "enough to", "source")
    for column in table.columns[1:]:
        column.justify = "left"
    for limit in LIMITS:
        table.add_row(f"{1e-3 * limit.irradiance:g} kW/m²", limit.harm, limit.source)
    return table


def _context(found: Stray) -> list[tuple[str, str]]:
    from raytrace.version import __version__

    plan, scenario = found.plan, found.scenario
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    low, high = plan.people
    skin = [
        f"at {1e-3 * q:g} kW/m² hurts after {pain_time(q):.0f} s, burns after {burn_time(q):.0f} s"
        for q in (2.5e3, 10e3)
    ]
    return [
        *rows,
        ("bare skin", f"{'; '.join(skin)} (ISO 13571:2012, from memory)"),
        ("people", f"at {yard(low, 2)} to {yard(high, 2)} over the ground"),
        (
            "looked at",
            f"{len(found.times)} suns, {yard(float(found.distances[0]), 2)} to "
            f"{yard(float(found.distances[-1]), 2)} away; the exactly set cooker and "
            f"{plan.builds} builds, seed {plan.seed}, cooker-raytrace {__version__}",
        ),
    ]
