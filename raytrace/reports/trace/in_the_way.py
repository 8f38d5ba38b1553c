"""Who takes light from whom, and what would free it, in words and tables."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.optics.obstacles import GRATE, POT
from raytrace.reports.common.numbers import in_watts, plain
from raytrace.reports.common.tables import table_of
from raytrace.reports.common.units import tape
from raytrace.scenario.tables import facet_label
from raytrace.studies.trace.in_the_way import ASIDE, TURN, WORTH
from raytrace.texts import listed

if TYPE_CHECKING:
    from rich.table import Table

    from raytrace.studies.trace.in_the_way import InTheWay
    from raytrace.studies.trace.run import Run

__all__ = ["in_the_way_tables", "in_the_way_words", "stand_turn"]

Array = NDArray[np.float64]

SHOWN = 12  # groups and pairs in a table
LEAST = 0.05  # W below which none is worth a line
SAME_ROW, OTHER_ROWS = "facets beside in their row", "facets of other rows"
WORDS = {
    "facets.pitch_y": ("{} more from row to row", "{} less from row to row"),
    "facets.pitch_x": ("{} more along the rows", "{} less along the rows"),
    "facets.row_rise": (
        "each row {} higher above the one on its sun side",
        "each row {} lower against the one on its sun side",
    ),
    "pot.base_height": ("the pot {} higher", "the pot {} lower"),
    TURN: ("the pot's stand turned {}", "the pot's stand turned {}"),
}


def in_the_way_words(run: Run) -> list[str]:
    """What is in the way and what would free it, in a sentence each.

    Parameters
    ----------
    run : Run

    Returns
    -------
    list of str
        Empty where it wasn't looked into, or little is taken.
    """
    found = run.in_the_way
    if found is None:
        return []
    groups, kinds = _groups(run, found), _kinds(run, found)
    total = sum(kinds.values())
    facets = {_group(run, k) for k in range(len(run.cooker.facets))}
    told = []
    for name, watts in sorted(kinds.items(), key=lambda kind: -kind[1]):
        if watts < 0.1 * total:
            continue
        told.append(f"{in_watts(watts)} by {name}")
        if name == OTHER_ROWS:
            (by, of), most = max(
                (
                    (rows, float(both.sum()))
                    for rows, both in groups.items()
                    if rows[0] in facets and rows[0] != rows[1]
                ),
                key=lambda pair: pair[1],
            )
            told[-1] += f" (most by {by} from {of}, {in_watts(most)})"
    share = 100.0 * total / float(run.brightest.tally.delivered)
    but = " but for the grate" if run.cooker.pot.covered else ""
    words = (
        f"{in_watts(total)} are shaded or blocked{but}, {share:.0f} % of what is delivered: "
        f"{listed(told, 'and')}."
    )
    if not found.key:
        turn = ", turn of its stand" if len(run.cooker.pot.posts) else ""
        return [
            f"{words} No other pitch, rise of the rows or height of the pot{turn} that frees it "
            f"wins {100.0 * WORTH:.0f} %: nothing worth it."
        ]
    told = [_wins(found, 0)]
    if TURN in found.key:
        k = found.key.index(TURN)
        told += [_wins(found, k)] * bool(k > 0 and found.over_positions[k] > WORTH * found.watts)
        told += [_set_down(run, found, k)] * (len(told) > 1 or k == 0)
    return [words, *told]


def in_the_way_tables(run: Run) -> Iterator[Table]:
    """Who takes what from whom, by rows and by facets, and every change that wins.

    Parameters
    ----------
    run : Run

    Yields
    ------
    Table
    """
    found = run.in_the_way
    if found is None:
        return
    pairs = found.obstacles
    groups = _groups(run, found)
    table = table_of("in the way", "of the light of", "shaded W", "blocked W")
    table.columns[1].justify = "left"
    for (by, of), both in sorted(groups.items(), key=lambda group: -group[1].sum())[:SHOWN]:
        if both.sum() >= LEAST:
            table.add_row(by, of, *(plain(w, 3) if w >= LEAST else "–" for w in both))
    yield table
    table = table_of("facet by facet", "of the light of", "W", "± s.e.")
    table.columns[1].justify = "left"
    for k in range(min(SHOWN, len(pairs.by))):
        if pairs.taken[k] >= LEAST:
            names = pairs.names[pairs.by[k]], pairs.names[pairs.facet[k]]
            table.add_row(*names, plain(pairs.taken[k], 3), f"{pairs.error[k]:.2g}")
    yield table
    if found.key:
        angle = f"{np.degrees(ASIDE):.0f}°"
        table = table_of("set", "wins W", "± s.e.", "freed W", f"{angle} lower", f"{angle} higher")
        table.columns[0].overflow = "fold"
        for k in range(len(found.key)):
            table.add_row(
                found.set_to[k],
                f"{found.gain[k]:.1f}",
                f"{found.gain_se[k]:.1g}",
                f"{found.freed[k]:.1f}",
                *(f"{w:.1f}" if np.isfinite(w) else "–" for w in (found.lower[k], found.higher[k])),
            )
        yield table


def _wins(found: InTheWay, k: int) -> str:
    """What a change wins at each of the sun positions."""
    aside = [
        f"{_signed(won)} with the sun {np.degrees(ASIDE):.0f}° {name}"
        for won, name in ((found.lower[k], "lower"), (found.higher[k], "higher"))
        if np.isfinite(won)
    ]
    return f"With {_change(found, k)} ({found.key[k]}): {_signed(found.gain[k])} at this sun" + (
        f", {listed(aside, 'and')}." if aside else "."
    )


def _signed(watts: float) -> str:
    return f"{in_watts(abs(watts))} {'more' if watts >= 0.0 else 'less'}"


def _groups(run: Run, found: InTheWay) -> dict[tuple[str, str], Array]:
    """Watts shaded and blocked, by what is in the way and whose light it is; rows as one. [W]"""
    pairs = found.obstacles
    groups: dict[tuple[str, str], Array] = {}
    for k in range(len(pairs.by)):
        key = _group(run, int(pairs.by[k])), _group(run, int(pairs.facet[k]))
        both = np.array([pairs.shaded[k], pairs.blocked[k]])
        groups[key] = groups.get(key, np.zeros(2)) + both
    return groups


def _change(found: InTheWay, k: int) -> str:
    change = float(found.change[k])
    amount = stand_turn(change) if found.key[k] == TURN else tape(abs(change))
    return WORDS[found.key[k]][change < 0.0].format(amount)


def stand_turn(turn: float) -> str:
    """How far and which way a stand is turned.

    Parameters
    ----------
    turn : float
        Clockwise. [rad]

    Returns
    -------
    str
    """
    way = "clockwise" if turn > 0.0 else "counterclockwise"
    return f"{abs(np.degrees(turn)):.0f}° {way}, seen from above"


def _set_down(run: Run, found: InTheWay, k: int) -> str:
    """Where the first post of a stand that is turned comes to stand, and who keeps it there."""
    pot = run.cooker.pot
    x, y, _ = replace(pot, turn=pot.turn + float(found.change[k])).feet[0]
    side, end = "right" if x > 0.0 else "left", "toward" if y > 0.0 else "away from"
    kept = (
        "it stands on the ground, so set it down like this, as seen from the platform, each time "
        "that the platform is turned"
        if pot.stand == "ground"
        else "it stands on the platform and turns with it"
    )
    return (
        f"To turn the stand costs nothing: its post 1 then stands {tape(abs(x))} to the {side} of "
        f"the pot's middle and {tape(abs(y))} {end} the sun; {kept}."
    )


def _kinds(run: Run, found: InTheWay) -> dict[str, float]:
    """Watts by kind of obstacle; the grate is left out, which no place of anything frees. [W]"""
    pairs, F = found.obstacles, len(run.cooker.facets)
    row = run.cooker.facets.row
    kinds: dict[str, float] = {}
    for by, facet, watts in zip(pairs.by, pairs.facet, pairs.taken, strict=True):
        if by >= F and pairs.names[by] == GRATE:
            continue
        if by >= F:
            name = f"the {POT}" if pairs.names[by] == POT else pairs.names[by]
        else:
            name = SAME_ROW if row[by] == row[facet] else OTHER_ROWS
        kinds[name] = kinds.get(name, 0.0) + float(watts)
    return kinds


def _group(run: Run, k: int) -> str:
    """Row of a facet, or what else stands in the way."""
    facets, names = run.cooker.facets, run.in_the_way.obstacles.names if run.in_the_way else ()
    if k >= len(facets):
        return names[k]
    named = facets.label[k] == facet_label(int(facets.row[k]), int(facets.column[k]))
    return f"row {facet_label(int(facets.row[k]), 1)[:-1]}" if named else facets.label[k]
