"""Runs and scenarios as tables for the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from rich import box
from rich.table import Table
from rich.text import Text

from raytrace.reports.common.likely import expected_words
from raytrace.reports.common.numbers import (
    clock,
    decimals_of,
    least_shown,
    percent,
    plain,
    plus_minus,
    spaced,
)
from raytrace.reports.common.tables import DETAILS, pairs, table_of
from raytrace.reports.common.times import hour_minute
from raytrace.reports.common.units import drawn, quantity, retold, short, tape, unit
from raytrace.reports.common.words import LINE_NAMES, counted_from, yard_words
from raytrace.reports.trace.in_the_way import in_the_way_tables, in_the_way_words, stand_turn
from raytrace.scenario.cooker_sections import FACES
from raytrace.sky.ground import ground_of
from raytrace.statistics.estimate import Estimate

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.scenario.schema import Key
    from raytrace.studies.trace.daily_energy import DaySum
    from raytrace.studies.trace.run import Moment, Run
    from raytrace.studies.trace.summary import Summary

__all__ = ["keys_tables", "run_sentences", "run_tables", "summary_tables"]

BRIEF = 3  # digits before the details: no two cookers are alike to better
LEDGER = BRIEF + 1  # of the whole, so that its parts still add up


def run_tables(run: Run) -> Iterator[RenderableType]:
    """Tables of a run: what was traced, then the figures of each moment or of the day.

    Parameters
    ----------
    run : Run

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    yield Text(run.scenario.title, style="bold")
    yield Text(" ".join(run_sentences(run)))
    if words := in_the_way_words(run):
        yield Text(" ".join(words))
    for exact in (False, True):
        if exact:
            yield DETAILS
            yield pairs(_context(run))
        if run.day is not None:
            yield _day_table(run.moments, exact)
            yield _day_sums(run.day, exact)
        else:
            for moment in run.moments:
                if not exact:
                    yield pairs(_moment_context(moment, run.kind))
                yield _ledger_table(moment, exact)
                yield _figures_table(moment, exact)
    if run.in_the_way is not None:
        yield from in_the_way_tables(run)


def run_sentences(run: Run) -> list[str]:
    """The answer in a sentence or two: what such cookers deliver, then what this one does.

    Parameters
    ----------
    run : Run

    Returns
    -------
    list of str
    """
    build = run.plan.build
    day = run.kind == "day"
    watts, scale = ("Wh", 3600.0) if day else ("W", 1.0)
    own = float(run.day.delivered if run.day else run.moments[0].tally.delivered) / scale
    if run.expected is None or run.expected.spread <= 1e-3 * run.expected.mean:
        return [f"Delivered by build {build}: {plain(own, 3)} {watts}."]
    found = run.expected
    place = int(np.floor(np.log10(found.spread / scale))) - 1
    return [
        *expected_words(found, f"Delivered{' over the day' if day else ''}", watts, scale),
        f"Build {build}, below: {round(own, -place):.{max(-place, 0)}f} {watts}"
        + (", each turning with its own draw of the operator's errors." if day else "."),
    ]


def _context(run: Run) -> list[tuple[str, str]]:
    from raytrace.version import __version__

    scenario, site = run.scenario, run.scenario.site
    latitude, longitude = np.degrees(site.latitude), np.degrees(site.longitude)
    rows = [
        ("scenario", scenario.source),
        (
            "place",
            f"{site.name}, {abs(latitude):.2f}° {'N' if latitude >= 0 else 'S'}, "
            f"{abs(longitude):.2f}° {'E' if longitude >= 0 else 'W'}, "
            f"{quantity('yard', site.altitude, 0)}",
        ),
    ]
    if scenario.overrides:
        rows.insert(1, ("set over it", ", ".join(scenario.overrides)))
    if run.moments:
        tally = run.moments[0].tally
        same = {m.tally.n_samples for m in run.moments}
        each = " each" if len(run.moments) > 1 else ""
        samples = spaced(max(same)) if len(same) == 1 else f"up to {spaced(max(same))}"
        asked = run.plan.estimator
        other = any(m.tally.estimator != asked for m in run.moments)
        rows.append(
            (
                "traced",
                f"{samples} {tally.estimator}{each} in {tally.n_replicates} replicates, "
                f"seed {run.plan.seed}, build {run.plan.build}, "
                f"cooker-raytrace {__version__}"
                + (f" ({asked} don't serve: a facet reaches the base's height)" if other else ""),
            )
        )
    return rows


def _moment_context(moment: Moment, kind: str) -> list[tuple[str, str]]:
    when = "at the design sun" if kind == "design" else ""
    if moment.time is not None:
        when = f"{clock(moment.time)}{', ' + when if when else ''}"
    pose = moment.pose
    yard = ", from the yard, which slopes" if pose.ground.slope else ""
    return [
        ("time", when),
        (
            "sun",
            f"altitude {np.degrees(moment.sun_altitude):.2f}°, "
            f"azimuth {np.degrees(moment.sun_azimuth):.2f}°",
        ),
        ("DNI", f"{moment.dni:.1f} W/m² ({moment.dni_source})"),
        (
            "platform",
            f"heading {np.degrees(pose.heading):.2f}°, tilt {np.degrees(pose.tilt):.2f}°, "
            f"cross-level {np.degrees(pose.cross):.2f}°{yard}",
        ),
    ]


def _ledger_table(moment: Moment, exact: bool) -> Table:
    """From sun to pot: to a few in ten thousand of the whole, or as fine as it was computed."""
    tally, incoming = moment.tally, moment.tally.incoming
    table = table_of("where the sunlight goes", "W", *["± s.e."] * exact, "of incoming")
    digits = 6 if exact else LEDGER
    whole = [plain(incoming, digits), *[""] * exact]
    table.add_row("sun on the mirrors", *whole, percent(1.0) if incoming else "–")
    decimals = decimals_of(incoming, digits)
    for name, share in zip(tally.lines, tally.share, strict=True):
        line = tally.line(name)
        watts = (
            plus_minus(float(line), float(line.se))
            if exact
            else (least_shown(float(line), decimals),)
        )
        style = "bold" if name == "base" else ""
        table.add_row(LINE_NAMES[name], *watts, percent(share), style=style)
    return table


def _figures_table(moment: Moment, exact: bool) -> Table:
    tally = moment.tally
    table = table_of("on the pot", "", *["± s.e."] * exact, "")
    centroid = tally.centroid
    length = unit("length")
    rows: list[tuple[str, Estimate, float, str]] = [
        ("delivered (arrives on the base)", tally.delivered, 1.0, "W"),
        ("absorbed (by base, side and lid)", tally.absorbed, 1.0, "W"),
        ("intercept (base, of light past all blocking)", tally.intercept, 100.0, "%"),
        ("spot: radius that holds 90 %", tally.spot_radius, length.per, length.symbol),
        ("spot: centroid x, to the platform's right", centroid[0], length.per, length.symbol),
        ("spot: centroid y, toward the sun's side", centroid[1], length.per, length.symbol),
        ("mean flux", tally.mean_flux, 1e-3, "kW/m²"),
        (
            f"peak flux, over bins of {quantity('length', tally.bin_width, 1)}",
            tally.peak_flux,
            1e-3,
            "kW/m²",
        ),
        ("peak over DNI", tally.concentration, 1.0, "suns"),
        ("mean over peak", tally.uniformity, 1.0, ""),
    ]
    for name, estimate, factor, symbol in rows:
        value, se = factor * float(estimate.value), factor * float(estimate.se)
        cells = plus_minus(value, se) if exact else (plain(value, BRIEF),)
        style = "bold" if name.startswith("delivered") else ""
        table.add_row(name, *cells, symbol, style=style)
    table.columns[-1].justify = "left"
    return table


def _day_table(moments: Sequence[Moment], exact: bool) -> Table:
    se = " ± s.e." * exact
    table = table_of(
        "clock\n",
        "sun\n°",
        "tilt\n°",
        "DNI\nW/m²",
        f"delivered\nW{se}",
        f"absorbed\nW{se}",
        "inter-\ncept %",
        f"90 %\n{unit('length').symbol}",
        "peak\nkW/m²",
        collapse_padding=True,
    )
    table.columns[0].justify = "right"
    for column in table.columns:
        column.no_wrap = True
    for moment in moments:
        tally = moment.tally
        watts = [
            " ± ".join(plus_minus(float(e.value), float(e.se), digits=5, decimals=1))
            if exact and float(e) >= 0.1
            else least_shown(float(e), 1 if exact else 0)
            for e in (tally.delivered, tally.absorbed)
        ]
        table.add_row(
            "" if moment.time is None else hour_minute(moment.time),
            f"{np.degrees(moment.sun_altitude):.1f}",
            f"{np.degrees(moment.pose.tilt) + 0.0:.1f}",
            f"{moment.dni:.0f}",
            *watts,
            _short(100.0 * float(tally.intercept)),
            _short(drawn(float(tally.spot_radius))),
            _short(1e-3 * float(tally.peak_flux)),
        )
    return table


def _short(value: float) -> str:
    """Three digits, in as little room as a day's table has."""
    return "<0.01" if 0.0 < value < 0.01 else plain(value, BRIEF)


def _day_sums(day: DaySum, exact: bool) -> Table:
    hours, units, se = day.duration / 3600.0, (1e6, 3600.0), ["± s.e."] * exact
    table = table_of(f"{day.steps} steps, {hours:.1f} h in all", "MJ", *se, "Wh", *se)
    whole = [[plain(day.incoming / u, 5 if exact else BRIEF), *[""] * exact] for u in units]
    table.add_row("sun on the mirrors", *whole[0], *whole[1])
    for name, energy in (
        ("delivered (arrives on the base)", day.delivered),
        ("absorbed (by base, side and lid)", day.absorbed),
    ):
        value, error = float(energy.value), float(energy.se)
        for_units = [
            plus_minus(value / u, error / u) if exact else (plain(value / u, BRIEF),) for u in units
        ]
        table.add_row(name, *for_units[0], *for_units[1])
    return table


def summary_tables(summary: Summary) -> Iterator[RenderableType]:
    """Tables of what a scenario describes.

    Parameters
    ----------
    summary : Summary

    Yields
    ------
    renderable
    """
    scenario = summary.scenario
    yield Text(scenario.title, style="bold")
    missing = f", {summary.n_missing} missing or broken" if summary.n_missing else ""
    doubts = [Text(f"! {retold(warning)}", style="yellow") for warning in summary.warnings]
    count = f"{len(doubts)} thing{'s' * (len(doubts) > 1)}"
    yield Text(f"It can be built, but {count} may be wrong." if doubts else "It can be built.")
    yield from doubts
    yield pairs(
        [
            ("scenario", scenario.source),
            ("facets", f"{summary.n_facets}{missing}"),
            ("mirror area", short("area", summary.mirror_area, 4)),
            *_board_rows(summary),
        ]
    )
    table = table_of("pot", "surface", "takes up of sunlight", "radiates of a black face's heat")
    for face, name in FACES.items():
        surface, takes, gives = (
            getattr(scenario.pot, f"{x}_{face}") for x in ("surface", "absorptance", "emissivity")
        )
        table.add_row(name, surface, f"{100.0 * takes:.0f} %", f"{100.0 * gives:.0f} %")
    yield table
    table = table_of("", "least", "mean", "greatest", "")
    length = unit("length")
    table.add_row(
        "from facets to their aim",
        *(length.fixed(float(v)) for v in summary.distance_to_aim),
        length.symbol,
    )
    for name, values, factor, decimals, symbol in (
        ("facets' tilt against the platform", summary.facet_tilt, 180.0 / np.pi, 1, "°"),
        ("light on the base, off its normal", summary.angle_on_base, 180.0 / np.pi, 1, "°"),
        ("setting error per axis (σ)", summary.setting_error, 1e3, 2, "mrad"),
    ):
        table.add_row(name, *(f"{factor * float(v):.{decimals}f}" for v in values), symbol)
    table.columns[4].justify = "left"
    yield table
    altitude, slope = np.degrees(summary.sun_altitude), ground_of(scenario.site).slope
    over = " over the yard" if slope else ""
    title = f"sun {altitude:.1f}° high{over}, as the facets are set"
    table = table_of(title, "morning", "evening")
    for crossing in summary.crossings:
        moments = [
            "never" if t is None else hour_minute(t) for t in (crossing.morning, crossing.evening)
        ]
        table.add_row(f"{crossing.date:%d %B %Y}", *moments)
    yield table
    yield Text(
        f"The sun's highest at {scenario.site.name}: {np.degrees(summary.highest_sun):.1f}°{over} "
        f"on {summary.highest_sun_date.day} {summary.highest_sun_date:%B}.",
        style="dim",
    )
    if slope:
        made_up = " Tilting makes up for the first two." * (scenario.platform.tilt == "follow sun")
        yield Text(
            f"{yard_words(scenario.site)}: turned that way the board sees the sun "
            f"{np.degrees(slope):.1f}° higher than on level ground, turned the other way as much "
            f"lower, and across the slope it leans by as much.{made_up}"
        )


def _board_rows(summary: Summary) -> list[tuple[str, str]]:
    """Board, pot and stand, by the places that the scenario counts."""
    scenario = summary.scenario
    pot, length = scenario.pot, unit("length")
    x0, x1, y0, y1 = (float(x) for x in summary.board)
    left, right, near, far, x, y = (length.fixed(e) for e in (x0, x1, y0, y1, *pot.place))
    size = f"{tape(x1 - x0)} × {tape(y1 - y0)} (across × toward the sun)"
    stand = "on the ground" if pot.stand == "ground" else "on the board"
    posts = summary.cooker.pot.posts
    if len(posts):
        stand += (
            f", {len(posts)} post{'s' * (len(posts) > 1)} on a circle of "
            f"{tape(pot.support.post_circle)}, {tape(-float(posts[:, 2].min()))} down from the base"
        )
        if turn := pot.support.post_turn:
            stand += f", turned by {stand_turn(turn)}"
    return [
        ("board", f"{size}, {tape(scenario.platform.thickness)} thick"),
        ("its edges", f"x {left} to {right}, y {near} to {far} {length.symbol}"),
        (
            "pot",
            f"centre at x {x}, y {y} {length.symbol}, base {tape(pot.base_height)} above the "
            f"board's top, {tape(pot.diameter)} across",
        ),
        ("its stand", stand),
        ("places", f"from {counted_from(scenario)}, x to the right, y toward the sun"),
    ]


def keys_tables(keys: Sequence[Key]) -> Iterator[Table]:
    """Tables of all keys that a scenario may have, and of what isn't known of them by default.

    Parameters
    ----------
    keys : sequence of Key
        From `raytrace.scenario.schema.describe_schema`.

    Yields
    ------
    Table
    """
    style: Any = {"box": box.SIMPLE_HEAD, "pad_edge": False, "header_style": "dim"}
    all_keys, unsure = Table(**style), Table(**style)
    for name in ("key", "kind", "default", "meaning"):
        all_keys.add_column(name, overflow="fold", no_wrap=name == "key")
    for name in ("not known exactly", "standard uncertainty", "source"):
        unsure.add_column(name, overflow="fold", no_wrap=name.startswith("not"))
    for key in keys:
        all_keys.add_row(*(Text(cell) for cell in key[:-1]))
        if key.uncertainty:
            size, _, source = key.uncertainty.partition("; ")
            unsure.add_row(Text(key.key), Text(size), Text(source))
    yield all_keys
    yield unsure
