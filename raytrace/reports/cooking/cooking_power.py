"""Standardised cooking power in words, tables and plain values."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from raytrace.heat.cooking_power import OFFSET
from raytrace.reports.common import units
from raytrace.reports.common.numbers import plain, plus_minus
from raytrace.reports.common.tables import pairs, plain_table
from raytrace.reports.common.times import date_words, pm
from raytrace.texts import listed

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from raytrace.heat.cooking_power import CookingPower, Limit
    from raytrace.studies.cooking.heating_test import HeatingTest

__all__ = [
    "MEMORY",
    "at_50_words",
    "heating_tables",
    "limits_table",
]

MEMORY = (
    "ASAE S580.1's formulas were seen as others quote them; its limits and the temperature "
    "at which the one figure is quoted rest on memory, and editions differ."
)


def at_50_words(power: CookingPower) -> str:
    """Standardised cooking power at 50 K over the air, or why there is none.

    Parameters
    ----------
    power : CookingPower

    Returns
    -------
    str
    """
    value, se = power.at_50
    if power.line is None:
        n = int(power.counts.sum())
        return f"none: {n} of {len(power.counts)} intervals keep the limits, three are needed"
    words = f"{pm(value, se)} W"
    if power.extrapolated:
        x = power.difference[power.counts]
        rise = units.unit("difference")
        low, high = rise.fixed(x.min()), rise.fixed(x.max())
        words += f", extrapolated from {low} to {high} {rise.symbol}"
    return words


def limits_table(limits: tuple[Limit, ...]) -> Table:
    """Each limit of the standard, what was found, and whether it is kept.

    Parameters
    ----------
    limits : tuple of Limit

    Returns
    -------
    Table
    """
    table = plain_table("ASAE S580.1", "  asks for", "  found", " kept", " left\n out")
    for column in table.columns[1:3]:
        column.justify = "left"
    for limit in limits:
        kept = {True: "yes", False: "no", None: "?"}[limit.kept]
        table.add_row(
            limit.name,
            f"  {units.retold(limit.asked)}",
            f"  {units.retold(limit.found)}",
            kept,
            str(limit.left_out or ""),
            style="" if limit.kept else "yellow",
        )
    return table


def heating_tables(test: HeatingTest) -> Iterator[RenderableType]:
    """Tables of a simulated heating test.

    Parameters
    ----------
    test : HeatingTest

    Yields
    ------
    renderable
    """
    line = test.power.line
    yield Text(test.scenario.title, style="bold")
    yield Text(_answer(test))
    dates = listed([date_words(d) for d in test.dates], "and")
    settings = test.settings
    rows = [
        ("scenario", test.scenario.source),
        ("test", f"simulated, {dates} {test.dates[-1].year}, pots put on at 10 to 13 h by the sun"),
        (
            "load",
            f"{units.mass(test.mass)} of water on {units.short('area', test.intercept_area)} of "
            "intercept area",
        ),
        (
            "air",
            f"{units.quantity('temperature', test.conditions.air, 0)}, wind "
            f"{units.short('speed', test.conditions.wind)}",
        ),
        (
            "traced",
            f"{settings.beams} beams a facet in {settings.replicates} replicates, seed "
            f"{settings.seed}, build {settings.build}",
        ),
    ]
    if test.dimmed < 1.0:
        rows.append(("sun", f"dimmed to {100.0 * test.dimmed:.0f} % to keep the standard's limit"))
    yield pairs(rows)
    table = plain_table("standardised cooking power", "  W", "  ± scatter", "  ± tracing")
    over, rise = units.short("difference", OFFSET), units.unit("difference")
    for name, power, traced in (
        (f"at {over}, per 700 W/m² of global irradiance", test.power, test.at_50),
        (f"at {over}, per 700 W/m² of direct irradiance", test.per_dni, test.per_dni_at_50),
    ):
        value, se = plus_minus(*power.at_50)
        table.add_row(name, value, se, plus_minus(float(traced.value), float(traced.se))[1])
    if line is not None:
        table.add_row(
            "at the air's temperature", *plus_minus(line.intercept, line.intercept_se), ""
        )
        slope, se = plus_minus(line.slope / rise.per, line.slope_se / rise.per)
        table.add_row(f"change per {rise.symbol}", slope, se, "")
    yield table
    yield limits_table(test.power.limits)
    yield Text(MEMORY, style="dim")


def _answer(test: HeatingTest) -> str:
    if test.power.line is None:
        return f"No standardised cooking power: {at_50_words(test.power)}."
    value, _ = test.power.at_50
    found = f"Standardised cooking power (ASAE S580.1): {plain(value, 3)} W, simulated."
    broken = [limit.name for limit in test.power.limits if limit.kept is not True]
    if test.brimful:
        found += " The pot holds less water than the standard asks for."
    if broken:
        found += f" Not kept: {listed(broken, 'and')}."
    return found
