"""What a laser rig does to a cooker, as tables on the terminal and for CSV."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.text import Text

from raytrace.reports.bench.spots import light_pairs, pm, rig_words
from raytrace.reports.common.lengths import for_bench
from raytrace.reports.common.likely import expected_words
from raytrace.reports.common.numbers import in_watts, percent, plain, plus_minus
from raytrace.reports.common.tables import DETAILS, pairs, table_of
from raytrace.reports.common.times import hour_minute
from raytrace.reports.common.units import MINUS, quantity, unit, yard
from raytrace.statistics.estimate import Estimate
from raytrace.store.plain import table
from raytrace.studies.bench.worth import CLEAR, worth_of

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from raytrace.studies.bench.rig import RigStudy

__all__ = ["mark_columns", "rig_sentences", "study_tables"]

MOST_ROWS = 60


def study_tables(study: RigStudy) -> Iterator[RenderableType]:
    """Tables of a rig study.

    Parameters
    ----------
    study : RigStudy

    Yields
    ------
    renderable
    """
    yield Text(study.scenario.title, style="bold")
    for sentence in rig_sentences(study):
        yield Text(sentence)
    yield _watts(study)
    yield DETAILS
    yield _watts(study, exact=True)
    yield pairs(
        [
            ("scenario", study.scenario.source),
            ("laser", rig_words(study.rig)),
            *light_pairs(study.light),
        ]
    )
    yield _day(study)
    yield _curves(study)
    yield _hits(study)
    yield _marks(study)
    yield Text(_marks_words(study), style="dim")


def rig_sentences(study: RigStudy) -> list[str]:
    """Whether the laser is good enough, what sun it sets for, and what may be expected.

    Parameters
    ----------
    study : RigStudy

    Returns
    -------
    list of str
    """
    out = [_verdict(study), _set_for(study)]
    if study.expected is not None:
        out += expected_words(study.expected, "Delivered, set with this laser")
    return out


def _verdict(study: RigStudy) -> str:
    lost, right = study.lost, float(study.right)
    if not right > 0.0:
        return "No light falls on the pot at the design sun, whatever laser sets the facets."
    hour = worth_of(study.scenario).hour_wins
    low, high = (float(lost) + k * CLEAR * float(lost.se) for k in (-1.0, 1.0))
    if high < 0.0:
        does = f"wins {in_watts(-float(lost))} on {in_watts(right)}"
    elif low <= 0.0 and high <= hour:
        does = f"costs nothing that shows of {in_watts(right)}"
    else:
        does = f"costs {in_watts(float(lost))} of {in_watts(right)}"
    lead = "Put it right first" if low > hour else "Good enough" if high <= hour else "Borderline"
    return (
        f"{lead}: at the design sun this laser {does}; an hour's work should win "
        f"{in_watts(hour)} (workshop.hour_wins)."
    )


def _set_for(study: RigStudy) -> str:
    alpha = np.degrees(np.arcsin(np.clip(study.cooker.design_sun[:, 2], -1.0, 1.0)))
    shift = np.degrees(study.shift)
    several = np.ptp(alpha) > 1e-9
    if np.abs(shift).max() < 5e-4:
        return (
            f"The cooker is set for the sun it was meant for. Its spots lie "
            f"{quantity('length', study.rms_off)} rms from their aims."
            if study.rms_off > 1e-6
            else "The cooker is set for the sun it was meant for."
        )
    parts = []
    if several and abs(shift[0]) >= 5e-4:
        parts.append(f"each facet for a sun {_signed(shift[0])} than the one it was meant for")
    elif abs(shift[0]) >= 5e-4:
        parts.append(f"for a sun at {alpha[0] + shift[0]:.2f}° instead of {alpha[0]:.2f}°")
    if abs(shift[1]) >= 5e-4:
        parts.append(f"for a sun {_aside(shift[1])} of straight ahead")
    left = (
        f"at that sun {quantity('length', study.rms_left)} are left"
        if study.rms_left > 1e-6
        else "at that sun nothing is left of it"
    )
    turn = (
        f" Turn the platform {_aside(-shift[1])} of facing the sun, and the part aside is made up."
        if abs(shift[1]) >= 5e-4
        else ""
    )
    return (
        f"The cooker is really set {' and '.join(parts)}. At the sun it was meant for, its spots "
        f"lie {quantity('length', study.rms_off)} rms from their aims; {left}.{turn}"
    )


def _signed(degrees: float) -> str:
    return f"{abs(degrees):.2f}° {'higher' if degrees > 0 else 'lower'}"


def _aside(degrees: float) -> str:
    return f"{abs(degrees):.2f}° {'clockwise' if degrees > 0 else 'anticlockwise'}"


def _watts(study: RigStudy, *, exact: bool = False) -> Table:
    """Watts to a builder's digits; exactly: with the standard errors of the computation."""
    out = table_of("delivered at the design sun", "W ± s.e." if exact else "W", "of set right")
    right = float(study.right)
    stand = study.stand
    rows: list[tuple[str, Estimate]] = [
        ("set right", study.right),
        ("set with this laser", study.rigged),
        ("  lost by it", study.lost),
        ("  with the sun where it is really set for", study.at_shift),
        (f"set with one swivelled at {_stand(study)}, one mark for all", stand.same_mark),
        ("  lost by it", stand.lost),
        ("  the same, each facet on its own mark", stand.own_marks),
    ]
    for name, estimate in rows:
        share = float(estimate) / right if right > 0.0 else math.nan
        out.add_row(
            name,
            pm(estimate) if exact else f"{float(estimate):.1f}".replace("-", MINUS),
            f"−{percent(-share)}" if share < -1e-6 else percent(share if share > 1e-6 else 0.0),
            style="bold" if name == "set with this laser" else "",
        )
    return out


def _day(study: RigStudy) -> Table:
    day = study.day
    out = table_of(
        f"{day.time[0]:%d %B %Y}\nclock", "sun\n°", "DNI\nW/m²", "set right\nW", "this laser\nW"
    )
    for k, time in enumerate(day.time):
        if day.dni[k] <= 0.0:
            continue
        out.add_row(
            hour_minute(time),
            f"{np.degrees(day.sun_altitude[k]):.1f}",
            f"{day.dni[k]:.0f}",
            plain(float(day.right.value[k]), 4),
            plain(float(day.rigged.value[k]), 4),
        )
    out.add_section()
    out.add_row(
        "whole day, Wh",
        "",
        "",
        plain(float(day.energy_right) / 3600.0, 5),
        plain(float(day.energy_rigged) / 3600.0, 5),
    )
    lost = float(day.energy_lost)
    share = abs(lost) / float(day.energy_right) if float(day.energy_right) > 0.0 else math.nan
    out.add_row(
        f"{'lost' if lost >= 0.0 else 'won'} by it",
        "",
        "",
        "",
        f"{' ± '.join(_wh(abs(lost), float(day.energy_lost.se)))} ({percent(share)})",
    )
    return out


def _wh(value: float, se: float) -> tuple[str, str]:
    return plus_minus(value / 3600.0, se / 3600.0)


def _curves(study: RigStudy) -> Table:
    bias = study.bias
    out = table_of("laser's bias\n°", "too high\nW ± s.e.", "clockwise\nW ± s.e.")
    for k, b in enumerate(np.degrees(bias.bias)):
        out.add_row(f"{b + 0.0:+.2f}", pm(bias.altitude[k]), pm(bias.azimuth[k]))
    return out


def _hits(study: RigStudy) -> Table:
    hit, length = study.hit, unit("length")
    out = table_of(
        f"laser off the facet's centre\n{length.symbol} per axis",
        f"spots then miss\n{length.symbol} rms",
        "W ± s.e.",
        f"spread over\n{hit.n_builds} builds, ± s.e.",
    )
    for k in range(len(hit.hit)):
        out.add_row(
            length.fixed(hit.hit[k], 1),
            plain(length.of(float(hit.miss[k])), 3) if hit.miss[k] > 1e-9 else "0",
            pm(hit.delivered[k]),
            " ± ".join(plus_minus(float(hit.spread[k]), float(hit.spread_se[k]), decimals=2)),
        )
    return out


def _stand(study: RigStudy) -> str:
    """How far the laser's stand is."""
    return yard(study.stand.distance, 4)


def _marks(study: RigStudy) -> Table:
    length = unit("length")
    out = table_of(
        f"swivelled at {_stand(study)}\nfacet",
        f"own mark\nx {length.symbol}",
        f"\n{study.plane_axes[1]} {length.symbol}",
        f"on one mark it\nmisses by {length.symbol}",
    )
    facets = study.cooker.facets
    shown = np.flatnonzero(facets.present)
    for f in shown[:MOST_ROWS]:
        out.add_row(
            facets.label[f],
            *(length.fixed(v, 1) for v in study.stand.mark[f]),
            length.fixed(study.stand.off_one_mark[f], 1),
        )
    if len(shown) > MOST_ROWS:
        out.add_row(f"… {len(shown) - MOST_ROWS} more", "", "", "")
    return out


def _marks_words(study: RigStudy) -> str:
    target = "the base's plane" if study.plane == "base" else "an upright card"
    return (
        f"Marks lie on {target}, from the base's centre in platform axes, and hold for a stand "
        f"{_stand(study)} from the middle of the facets, in the design sun's "
        "direction. Measure the stand's place: a mark is only as good as that."
    )


def mark_columns(study: RigStudy) -> tuple[list[str], list[list[Any]], list[str]]:
    """Each facet's own mark for a swivelled laser: columns, rows, and the notes above them.

    Parameters
    ----------
    study : RigStudy

    Returns
    -------
    columns, rows, notes : list
    """
    names = ("stand.mark", "stand.off_one_mark")
    columns, rows = for_bench(*table(study, "facet", across=("axis",), only=names))
    here = study.cooker.facets.present
    notes = [
        f"{study.scenario.title} ({study.scenario.source})",
        f"laser swivelled {_stand(study)} from the middle of the facets",
        "from the base's centre, platform axes",
    ]
    return columns, [row for row, there in zip(rows, here, strict=True) if there], notes
