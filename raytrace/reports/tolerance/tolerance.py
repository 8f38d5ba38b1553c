"""A tolerance study in words and tables."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from raytrace.reports.common.likely import expected_words
from raytrace.reports.common.numbers import percent, plain, plus_minus
from raytrace.reports.common.tables import (
    DETAILS,
    bounded,
    context,
    pairs,
    plain_table,
)
from raytrace.reports.common.units import quantity, unit
from raytrace.texts import listed

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.tolerance.sweep import Level
    from raytrace.studies.tolerance.threshold import Reach
    from raytrace.studies.tolerance.tolerance import Kept, Tolerance

__all__ = ["sentences", "tolerance_tables", "verdict"]

PLANES = {"base": "the plane of the base", "upright": "an upright card at the pot's place"}
SAME = {"angle": "the same angle for every facet", "miss": "the same miss for every facet"}
FEW = 7  # rows before the details
LEVELS_NOTE = "± s.e.: of the mean over builds; tracing: its part of that, W."
SPREAD_NOTE = (
    "10 %, 90 %: so many of the builds stay under it. In brackets 95 % bounds of the same figure "
    "over all the builds that there might be."
)
RINGS = (
    "`cooker sheet` gives smaller rings, which leave room for the sun to move on until the next "
    "turning."
)
KEPT_NOTE = (
    "no errors: nothing is off, in building or in use. exactly set: facets without setting error, "
    "all else as the scenario says. In brackets 95 % bounds. any workshop: spots spread evenly "
    "within the limit, the most that a normal spread comes to."
)


def tolerance_tables(study: Tolerance) -> Iterator[RenderableType]:
    """Tables and sentences of a study.

    Parameters
    ----------
    study : Tolerance

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    yield Text(study.scenario.title, style="bold")
    for sentence in sentences(study):
        yield Text(sentence)
    yield _brief_table(study)
    yield Text(_brief_note(study), style="dim")
    yield DETAILS
    others = "as in the scenario" if study.plan.others else "left out"
    whole = study.no_errors.power
    yield pairs(
        [
            *context(study),
            ("other errors", others),
            ("no errors", f"{' ± '.join(plus_minus(whole.mean, whole.se))} W delivered"),
        ]
    )
    yield _levels_table(study)
    yield Text(f"{_brief_note(study)} {LEVELS_NOTE}", style="dim")
    yield _spread_table(study)
    yield Text(SPREAD_NOTE, style="dim")
    yield _kept_table(study)
    yield Text(KEPT_NOTE, style="dim")


def _shown(study: Tolerance) -> list[int]:
    """Indices of the sweep's levels, and the scenario's own if it is one of them, by error."""
    own = [study.own] if study.alike else []
    swept = [x for x in study.sweep if not (own and math.isclose(x.miss, study.own.miss))]
    shown = [k for k, x in enumerate(study.levels) if x in (*swept, *own)]
    return sorted(shown, key=lambda k: (study.levels[k].sigma, study.levels[k].family))


def _few(study: Tolerance) -> list[int]:
    """Some of the levels shown, the scenario's own among them: as many as a glance takes in."""
    shown = _shown(study)
    picked = np.linspace(0, len(shown) - 1, min(FEW, len(shown))).round().astype(int)
    return [k for i, k in enumerate(shown) if i in picked or study.levels[k] is study.own]


def _brief_table(study: Tolerance) -> RenderableType:
    table = plain_table(
        *_error_heads(study),
        "delivered\nW",
        "nine of ten\nreach W",
        f"% reach\n{plain(study.wanted, 3)} W",
        "% of no\nerrors",
    )
    for k in _few(study):
        level = study.levels[k]
        table.add_row(
            *_error_cells(study, level),
            plain(level.power.mean, 3),
            plain(level.power.p10.value, 3),
            f"{100.0 * study.yields.share[k]:.0f}",
            f"{100.0 * study.of_no_errors[k]:.0f}",
            style="bold" if level is study.own else "",
        )
    return table


def _brief_note(study: Tolerance) -> str:
    """How the levels of a table are set, and which is the scenario's own."""
    kind, asked = study.plan.kind, study.scenario.errors.setting_kind
    angle = "miss: laser's, rms over facets" if kind == "angle" else "σ: per axis, rms over facets"
    own = (
        "* the scenario's own setting."
        if study.alike
        else f"The scenario states {SAME[asked]}, which is not in this table."
    )
    return f"Set with {SAME[kind]}; {angle}. {own}"


def _error_heads(study: Tolerance) -> tuple[str, str]:
    """Of the cells that follow."""
    sigma, miss = "σ\nmrad", f"miss\n{unit('length').symbol}"
    return (sigma, miss) if study.plan.kind == "angle" else (miss, sigma)


def _error_cells(study: Tolerance, level: Level) -> tuple[str, str]:
    """A level's setting error: by what is swept, and what that comes to."""
    cells = f"{1e3 * level.sigma:.2f}", unit("length").fixed(level.miss, 1)
    first, second = cells if study.plan.kind == "angle" else cells[::-1]
    return first + ("*" if level is study.own else " "), second


def _spread_table(study: Tolerance) -> RenderableType:
    table = plain_table(
        _error_heads(study)[0],
        "10 %\nW",
        "90 %\nW",
        f"% of builds reach\n{plain(study.wanted, 3)} W",
    )
    got = study.yields
    for k in _shown(study):
        level = study.levels[k]
        table.add_row(
            _error_cells(study, level)[0],
            *(f"  {bounded(x.value, x.low, x.high)}" for x in (level.power.p10, level.power.p90)),
            f"  {bounded(*(100.0 * x[k] for x in (got.share, got.low, got.high)))}",
            style="bold" if level is study.own else "",
        )
    return table


def _levels_table(study: Tolerance) -> RenderableType:
    table = plain_table(
        *_error_heads(study),
        "intercept\n% ± s.e.",
        "delivered\nW ± s.e.",
        "tra-\ncing",
        "% of no\nerrors",
    )
    for k in _shown(study):
        level = study.levels[k]
        power, intercept = level.power, level.intercept
        table.add_row(
            *_error_cells(study, level),
            " ± ".join(
                plus_minus(100.0 * intercept.mean, 100.0 * intercept.se, digits=4, decimals=2)
            ),
            " ± ".join(plus_minus(power.mean, power.se, digits=5, decimals=2)),
            f"{power.se_tracing:.3f}" if power.se_tracing < 10.0 else plain(power.se_tracing, 3),
            f"{100.0 * study.of_no_errors[k]:.1f}",
            style="bold" if level is study.own else "",
        )
    return table


def _kept_table(study: Tolerance) -> RenderableType:
    length = unit("length").symbol
    table = plain_table(
        "to keep",
        "W",
        "σ\nmrad",
        f"rms miss\n{length}",
        f"redo over, {length}\nthis workshop",
        f"redo over, {length}\nany workshop",
    )
    for k, kept in enumerate(study.kept):
        if k == 0 or kept.of != study.kept[k - 1].of:
            table.add_row(f"{kept.of}:")
        limit = "no need" if kept.limit is None else _bounds(kept.limit, none="no need")
        table.add_row(
            f"  {100.0 * kept.share:.0f} %",
            plain(kept.watts, 4),
            f"{1e3 * kept.sigma.value:.1f}" if kept.sigma.known else "–",
            _bounds(kept.miss),
            limit if kept.miss.value > 0.0 or kept.limit is not None else "none",
            "–" if kept.limit_any is None else _bounds(kept.limit_any),
        )
    return table


def _bounds(reach: Reach, none: str = "beyond") -> str:
    if not reach.known:
        return "none" if reach.value == 0.0 else none
    value, low, high = (
        plain(unit("length").of(x), 3) for x in (reach.value, reach.low, reach.high)
    )
    return f"{value} ({low}–{high if high != '–' else '∞'})"


def _reach_words(reach: Reach, digits: int = 3) -> str:
    """A length with its bounds, as in a sentence."""
    low, high = (plain(unit("length").of(x), digits) for x in (reach.low, reach.high))
    value = quantity("length", reach.value, digits=digits)
    return f"{value} ({low} to {high if math.isfinite(reach.high) else 'no bound'})"


def sentences(study: Tolerance) -> list[str]:
    """What a builder needs to know, in one sentence each.

    Parameters
    ----------
    study : Tolerance

    Returns
    -------
    list of str
        Whether the scenario's own setting is good enough, the largest rms miss, the go/no-go
        limit.
    """
    kept = study.kept_of_no_errors
    out = [verdict(study), _miss_sentence(study, kept)]
    if study.expected is not None:
        out += expected_words(study.expected, "Set as the scenario says it delivers")[:1]
    if any(k.limit_any is not None for k in kept):
        out.append(_limit_sentence(study, kept))
    return out


def verdict(study: Tolerance) -> str:
    """Whether the scenario's setting error is small enough, and what would be.

    Parameters
    ----------
    study : Tolerance

    Returns
    -------
    str
        Begins with Yes, No or Borderline.
    """
    got, k, enough, largest = (
        study.yields,
        study.levels.index(study.own),
        study.enough,
        study.largest,
    )
    share = study.wanted / study.no_errors.power.mean
    set_so = (
        f"set to a miss of {quantity('length', study.own.miss, 1)} rms"
        if study.own.miss
        else "exactly set"
    )
    text = (
        f"{enough.capitalize()}: {set_so}, {got.reaching[k]} of {study.plan.builds} builds reach "
        f"{plain(study.wanted, 3)} W, {100.0 * share:.0f} % of what it brings with no errors "
        f"({100.0 * got.low[k]:.0f} to {100.0 * got.high[k]:.0f} % of all builds do)."
    )
    nine = f"for nine of ten builds, with {SAME[study.plan.kind]}"
    if largest.known:
        reach = _reach_words(largest, 2)
        if study.plan.kind == "angle":
            reach = f"{plain(1e3 * largest.value / study.miss_per_sigma, 2)} mrad, or {reach},"
        text += f" {'Set within' if enough == 'no' else 'Enough is'} {reach} {nine}."
        return f"{text} More builds would settle it (--builds)." if enough == "borderline" else text
    if largest.value == 0.0:
        alone = got.reaching[study.levels.index(study.sweep[0])]
        return (
            f"{text} Setting facets better is not the cure: exactly set, {alone} of "
            f"{study.plan.builds} do; cooker blame says what takes the rest."
        )
    most = quantity("length", study.sweep[-1].miss, 0)
    return f"{text} So it is {nine} up to {most}, as far as was tried."


def _miss_sentence(study: Tolerance, kept: Sequence[Kept]) -> str:
    plane = PLANES[study.conditions.miss_plane]
    found: list[str] = []
    lost: list[str] = []
    beyond: list[str] = []
    for k in kept:
        if k.miss.known:
            found.append(f"{100.0 * k.share:.0f} % within {_reach_words(k.miss)}")
        else:
            (lost if k.miss.value == 0.0 else beyond).append(f"{100.0 * k.share:.0f}")
    parts = []
    if found:
        parts.append(
            "Of what it brings with no errors, the cooker keeps "
            + ", ".join(found)
            + f" of rms laser miss on {plane}, {SAME[study.plan.kind]}"
        )
    if beyond:
        parts.append(
            f"{'it' if found else 'The cooker'} keeps {listed(beyond, 'and')} % at every setting "
            f"error tried, up to {quantity('length', study.sweep[-1].miss, 0)}"
        )
    if lost:
        alone = study.sweep[0].power.mean / study.no_errors.power.mean
        parts.append(
            f"no setting keeps {listed(lost)} %: with exactly set facets the other errors "
            f"leave {percent(alone)}"
        )
    text = "; ".join(parts) + "."
    return text[0].upper() + text[1:]


def _limit_sentence(study: Tolerance, kept: Sequence[Kept]) -> str:
    every = [
        f"{_reach_words(k.limit_any)} keeps {100.0 * k.share:.0f} %"
        for k in kept
        if k.limit_any is not None and k.limit_any.known
    ]
    text = "Go/no-go at the design sun: "
    if every:
        text += (
            "in any workshop, to redo every facet that misses by more than "
            + ", ".join(every)
            + "; "
        )
    own = f"this one ({quantity('length', study.own.miss, 1)} rms) "
    needed = [
        f"{quantity('length', k.limit.value)} keeps {100.0 * k.share:.0f} % and has "
        f"{percent(k.redone.value)} of its settings done again "
        f"({percent(k.redone.low)} to {percent(k.redone.high)})"
        for k in kept
        if k.limit is not None and k.limit.known
    ]
    free = [
        f"{100.0 * k.share:.0f}"
        for k in kept
        if (k.limit is None and k.miss.value > 0.0)
        or (k.limit is not None and math.isinf(k.limit.value))
    ]
    tail = []
    if needed:
        tail.append("in " + own + ", ".join(needed))
    if free:
        tail.append(f"{own if not needed else 'it '}needs no check to keep {listed(free)} %")
    if not tail:
        tail.append("in " + own + "no check keeps any of these")
    text += "; ".join(tail)
    return f"{text}. {RINGS}"
