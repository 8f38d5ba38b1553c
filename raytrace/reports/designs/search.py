"""A search in words and tables."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from raytrace.reports.common.numbers import percent
from raytrace.reports.common.tables import DETAILS, pairs, plain_table
from raytrace.reports.common.times import date_words, of_day, pm
from raytrace.reports.designs import outcomes
from raytrace.studies.designs.objectives import OUTCOMES, is_priced
from raytrace.texts import listed

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.statistics.estimate import Estimate
    from raytrace.studies.designs.search_data import Found, SearchResult, Tried
    from raytrace.studies.designs.variables import Move

__all__ = ["LETTERS", "search_tables", "sentences", "unit_of"]

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
NOTE = (
    "Found and start are traced again by samples that the search has not seen; ± s.e. of tracing. "
    "A search finds good designs and proves none the best."
)


def search_tables(search: SearchResult) -> Iterator[RenderableType]:
    """Answer, tables and notes.

    Parameters
    ----------
    search : SearchResult

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    yield Text(search.scenario.title, style="bold")
    for sentence in sentences(search):
        yield Text(sentence)
    yield Text()
    if search.found:
        yield _front_table(search) if len(search.plan.goals) > 1 else _best_table(search)
        yield Text(NOTE, style="dim")
    in_money = any("money" in OUTCOMES[g].unit for g in search.plan.goals)
    if in_money and not is_priced(search.scenario):
        yield pairs([("prices", f"invented ones: none in {search.scenario.source}")])
    yield DETAILS
    yield pairs(_context(search))


def sentences(search: SearchResult) -> list[str]:
    """What the search came to, in plain words.

    Parameters
    ----------
    search : SearchResult

    Returns
    -------
    list of str
    """
    if not search.found:
        return [f"Nothing found: all {len(search.tried)} designs were refused. {_refusals(search)}"]
    out = [_front_sentence(search)] if len(search.plan.goals) > 1 else [_best_sentence(search)]
    if search.start_refused:
        out.append(f"The start itself can't be built: {search.start_refused}")
    if search.at_bounds:
        keys = listed(search.at_bounds, "and")
        verb = "lies" if len(search.at_bounds) == 1 else "lie"
        out.append(f"{keys} {verb} at the end of what was allowed: wider bounds may bring more.")
    return out


def _best_sentence(search: SearchResult) -> str:
    found = search.found[0]
    goal = OUTCOMES[search.plan.goals[0]]
    figure = found.figures[0]
    what = f"{_shown(search, 0, figure)} {goal.words}"
    if not search.start:
        return f"Found: {_values(search, found.tried)}, with {what}."
    start, gain = search.start[0], found.gain[0]
    if not math.isfinite(float(gain)):
        return f"Found: {_values(search, found.tried)}, with {what}; the start never gets there."
    sign = 1.0 if goal.more else -1.0
    better = sign * float(gain)
    if better <= 0.0 or not gain.is_sure():
        return (
            f"Nothing surely better than the start ({_shown(search, 0, start)} {goal.words}) was "
            f"found; the best design tried differs by {_shown(search, 0, gain)}."
        )
    share = better / abs(float(start)) if float(start) else math.nan
    word = "more" if goal.more else "less"
    return (
        f"Found: {_values(search, found.tried)}, with {what}: "
        f"{_shown(search, 0, gain, absolute=True)} ({percent(share)}) {word} than the start's "
        f"{_shown(search, 0, start)}."
    )


def _front_sentence(search: SearchResult) -> str:
    count = len(search.found)

    def told(found: Found) -> str:
        return " and ".join(
            f"{goal} {_shown(search, k, found.figures[k])}"
            for k, goal in enumerate(search.plan.goals)
        )

    first, last = search.found[0], search.found[-1]
    if count == 1:
        return f"One design is best in both: {_values(search, first.tried)}, with {told(first)}."
    return (
        f"{count} designs of which none beats another in both goals, from {LETTERS[0]}, "
        f"{told(first)}, to {LETTERS[count - 1]}, {told(last)}."
    )


def _values(search: SearchResult, tried: Tried) -> str:
    return listed([f"{m.key} {m.text(tried.values[m.key])}" for m in search.plan.moves], "and")


def unit_of(search: SearchResult, k: int) -> str:
    """Unit of a goal as people read it.

    Parameters
    ----------
    search : SearchResult
    k : int
        Place of the goal in the plan.

    Returns
    -------
    str
    """
    return outcomes.unit_of(search.plan.goals[k], search.scenario.cost.currency)


def _scaled(search: SearchResult, k: int, x: Estimate) -> tuple[float, float]:
    factor = outcomes.factor_of(search.plan.goals[k])
    return factor * float(x), factor * float(x.se)


def _shown(search: SearchResult, k: int, x: Estimate, *, absolute: bool = False) -> str:
    value, se = _scaled(search, k, x)
    return f"{pm(abs(value) if absolute else value, se)} {unit_of(search, k)}".strip()


def _cell(search: SearchResult, k: int, x: Estimate) -> str:
    return pm(*_scaled(search, k, x)) if math.isfinite(float(x)) else "never"


def _starts(search: SearchResult) -> dict[str, str]:
    from raytrace.studies.designs.variables import start_of

    out = {}
    for move in search.plan.moves:
        value = start_of(search.scenario, move)
        out[move.key] = "outside" if value is None else _plain(move, value)
    return out


def _plain(move: Move, value: float | str) -> str:
    """Start as it is, not rounded to the move's steps."""
    return value if isinstance(value, str) else f"{value:g} {move.unit}".strip()


def _best_table(search: SearchResult) -> RenderableType:
    found = search.found[0]
    table = plain_table("", "start", "found", "allowed")
    starts = _starts(search)
    for move in search.plan.moves:
        value = found.tried.values[move.key]
        table.add_row(move.key, starts[move.key], move.text(value), move.span)
    start = "refused" if not search.start else _cell(search, 0, search.start[0])
    name = f"{search.plan.goals[0]}, {unit_of(search, 0)}"
    table.add_row(name, start, _cell(search, 0, found.figures[0]), "", style="bold")
    if found.gain and math.isfinite(float(found.gain[0])):
        table.add_row("difference", "", _cell(search, 0, found.gain[0]), "")
    return table


def _front_table(search: SearchResult) -> RenderableType:
    moves, goals = search.plan.moves, search.plan.goals
    names = [m.key.replace(".", ".\n", 1) + (f"\n{m.unit}" if m.unit else "\n") for m in moves]
    heads = [f"{g}\n{unit_of(search, k)}\n± s.e." for k, g in enumerate(goals)]
    table = plain_table("", *names, *heads)
    starts = _starts(search)
    if search.start:
        cells = [starts[m.key].removesuffix(m.unit).strip() for m in moves]
        figures = [_cell(search, k, x) for k, x in enumerate(search.start)]
        table.add_row("start", *cells, *figures, style="dim")
    for letter, found in zip(LETTERS, search.found, strict=False):
        cells = [m.text(found.tried.values[m.key]).removesuffix(m.unit).strip() for m in moves]
        figures = [_cell(search, k, x) for k, x in enumerate(found.figures)]
        table.add_row(letter, *cells, *figures)
    return table


def _refusals(search: SearchResult) -> str:
    count = sum(n for _, n, _ in search.refused_for)
    if not count:
        return "none was refused"
    key, most, text = search.refused_for[0]
    tail = "" if most == count else f", most often ({most}) for {key}"
    return f"{count} of them can't be built{tail}: such as {text}"


def _context(search: SearchResult) -> list[tuple[str, str]]:
    from raytrace.version import __version__

    plan, ask, fresh = search.plan, search.plan.ask, search.plan.fresh
    scenario = search.scenario
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    goals = listed([f"{'most' if OUTCOMES[g].more else 'least'} {g}" for g in plan.goals], "and")
    rows.append(("goal", goals))
    rows += [
        *_when(search),
        ("tried", f"{len(search.tried)} designs; {_refusals(search)}"),
        (
            "traced",
            f"each design in {ask.replicates} replicates, in the end in {fresh.replicates} that "
            f"the search has not seen; seed {ask.seed}, "
            f"cooker-raytrace {__version__}",
        ),
    ]
    return rows


def _when(search: SearchResult) -> list[tuple[str, str]]:
    ask = search.plan.ask
    needs = {OUTCOMES[goal].needs for goal in search.plan.goals}
    rows = []
    if any(goal.startswith("watts") for goal in search.plan.goals):
        rows.append(("watts", "at the sun that each design is set for"))
    if "dates" in needs:
        first, last = (date_words(d, year=True) for d in (ask.dates[0], ask.dates[-1]))
        count = len(ask.dates)
        span = first if count == 1 else f"{count} dates from {first} to {last}"
        if ask.season_days > count:
            span += f", which stand for {ask.season_days} days"
        rows.append(("season", f"{span}, {of_day(ask.hours[0])} to {of_day(ask.hours[1])}"))
    if ask.at is not None:
        rows.append(("put on", f"{date_words(ask.at[0], year=True)}, {of_day(ask.at[1])}"))
    if ask.reach is not None:
        rows.append(("to reach", f"{ask.reach:g} W"))
    return rows
