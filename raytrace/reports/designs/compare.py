"""A comparison of designs in words and tables."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from raytrace.reports.common.likely import expected_words, interval_words
from raytrace.reports.common.numbers import percent, plain
from raytrace.reports.common.tables import DETAILS, pairs, plain_table
from raytrace.reports.common.times import date_words, of_day, pm
from raytrace.reports.designs.outcomes import factor_of, unit_of
from raytrace.studies.designs.objectives import OUTCOMES, is_priced
from raytrace.texts import listed

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.statistics.estimate import Estimate
    from raytrace.studies.designs.comparison import Comparison

__all__ = ["compare_tables", "label_of", "sentences"]

TOP = 10  # designs shown
ON_FRONT = 12  # designs of the front shown
COLUMNS = 8  # of the table of designs, keys and outcomes together
# which outcomes are shown first, as far as they were measured and there is room
SHOWN = ("season energy", "litres", "boil time", "yield", "peak flux", "watts", "cost",
         "watts per cost", "season per cost", "watts per area", "intercept",
         "setup hours")  # fmt: skip
WITH_ERROR = ("season energy", "litres", "boil time", "yield")
TOLD = (*WITH_ERROR, "peak flux")  # measured only where asked for
HEADS = {
    "watts per area": "W/m²\nmirror",
    "watts per cost": "W/\nmoney",
    "setup hours": "set-up\nh",
    "season energy": "season\nkWh",
    "season per cost": "kWh/\nmoney",
    "intercept": "inter-\ncept %",
    "peak flux": "peak\nkW/m²",
}
NOTE = (
    "± s.e.: of tracing and of builds, averaged over what making and use get wrong. Designs share "
    "their random draws, so that a difference is surer than either figure."
)
DRAWN = (
    "These means are over designs that were drawn; their ± holds what others would have changed. "
    "From design to design: one standard deviation."
)
UNEVEN = (
    "Means are over the designs that can be built: where these are fewer at one level, means "
    "differ for that alone."
)


def label_of(study: Comparison, outcome: str) -> str:
    """Outcome with its unit, for an axis.

    Parameters
    ----------
    study : Comparison
    outcome : str

    Returns
    -------
    str
    """
    unit = unit_of(outcome, study.scenarios[0].cost.currency)
    return f"{outcome} [{unit}]" if unit else outcome


def _shown(study: Comparison, outcome: str, x: Estimate, *, absolute: bool = False) -> str:
    value, factor = float(x), factor_of(outcome)
    value = abs(value) if absolute else value
    exact = x.n_replicates == 1
    text = plain(factor * value, 5) if exact else pm(value, float(x.se), factor)
    return f"{text} {unit_of(outcome, study.scenarios[0].cost.currency)}".strip()


def compare_tables(study: Comparison) -> Iterator[RenderableType]:
    """Answer, tables and notes.

    Parameters
    ----------
    study : Comparison

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    yield Text(" · ".join(dict.fromkeys(s.title for s in study.scenarios)), style="bold")
    for sentence in sentences(study):
        yield Text(sentence)
    ranked = study.ranked()
    if len(ranked):
        yield Text()
        yield _top_table(study)
        yield Text(NOTE, style="dim")
        hidden = [name for name in TOLD if name in study.outcomes.keys() - set(_columns(study))]
        if hidden:
            words = f"No room here, but in the table that is written: {listed(hidden, 'and')}."
            yield Text(words)
    yield pairs(_doubtful_prices(study))
    yield DETAILS
    if len(ranked):
        if len(ranked) > 1:
            yield Text(f"Differences of {label_of(study, study.by)}, row less column, ± s.e.")
            yield _pair_table(study)
        fronts = study.front_of
        if fronts is not None and len(study.front(*fronts)) > 1:
            yield Text()
            yield Text(f"Designs that none beats in both {fronts[0]} and {fronts[1]}")
            yield _front_table(study, *fronts)
            count = len(study.front(*fronts))
            if count > ON_FRONT:
                words = f"{ON_FRONT} of {count}; the table that is written names all (on_front)."
                yield Text(words, style="dim")
        for k in range(len(study.plan.factors)):
            yield Text()
            yield _effect_table(study, k)
        if study.plan.sample is not None:
            yield Text(DRAWN, style="dim")
        if study.plan.factors and len(study.good) < len(study.refused):
            yield Text(UNEVEN, style="dim")
    yield Text()
    yield pairs(_context(study))


def sentences(study: Comparison) -> list[str]:
    """What the comparison came to, in plain words.

    Parameters
    ----------
    study : Comparison

    Returns
    -------
    list of str
    """
    ranked = study.ranked()
    if not len(ranked):
        never = " None of the others ever gets there." if len(study.good) else ""
        return [f"No design to show.{never}{_refusals(study)}"]
    out = [_best_sentence(study), *_expected_sentences(study)]
    front = study.front_of
    if front is not None:
        out.append(_front_sentence(study, *front))
    if len(study.good) < len(study.refused):
        out.append(_refusals(study).strip())
    return out


def _best_sentence(study: Comparison) -> str:
    outcome, ranked = OUTCOMES[study.by], study.ranked()
    first = int(ranked[0])
    word = "Most" if outcome.more else "Least"
    best = _shown(study, study.by, study.of(study.by)[first])
    text = f"{word} {study.by}: design {study.name(first)}, {best}"
    if len(ranked) < 2:
        return text + "."
    as_good: list[int] = []
    for k in ranked[1:]:
        gap = study.difference(first, int(k))
        if gap.is_sure():
            text += (
                f". It beats {'' if as_good else 'the next, '}design {study.name(int(k))}"
                f"{', the first that is surely worse,' if as_good else ','} by "
                f"{_shown(study, study.by, gap, absolute=True)}"
            )
            break
        as_good.append(study.designs[int(k)].number)
    if as_good:
        few = listed([str(n) for n in as_good[:5]], "and")
        more = f" and {len(as_good) - 5} others" if len(as_good) > 5 else ""
        text += f". Not to be told from it: {few}{more}"
    return text + "."


def _expected_sentences(study: Comparison) -> list[str]:
    if study.expected is None or study.by != "watts":
        return []
    ranked = study.ranked()
    out = expected_words(study.expected, f"Design {study.name(int(ranked[0]))} delivers")
    if study.ahead is not None:
        out.append(
            f"Whatever isn't known being the same for both, it is ahead of design "
            f"{study.name(int(ranked[1]))} by {interval_words(study.ahead, 'W')} (95 %)."
        )
    return out


def _front_sentence(study: Comparison, gain: str, price: str) -> str:
    front = study.front(gain, price)
    if len(front) == 1:
        only = study.name(int(front[0]))
        best = "the most" if OUTCOMES[gain].more else "the least"
        return f"One design has both {best} {gain} and the least {price}: {only}."
    first, last = int(front[0]), int(front[-1])

    def told(k: int) -> str:
        both = (_shown(study, x, study.of(x)[k]) for x in (gain, price))
        return f"{study.name(k)} with {' for '.join(both)}"

    return (
        f"{len(front)} of {len(study.good)} designs are beaten by none in both {gain} and {price}, "
        f"from {told(first)} to {told(last)}."
    )


def _refusals(study: Comparison) -> str:
    reasons = [why for why in study.refused.tolist() if why]
    if not reasons:
        return ""
    keys = Counter(why.partition(":")[0].partition(" =")[0] for why in reasons)
    most, count = keys.most_common(1)[0]
    such = next(why for why in reasons if why.startswith(most))
    often = f", {count} of them for {most}" if len(keys) > 1 else ""
    return f" {len(reasons)} of {len(study.designs)} can't be built{often}: such as {such}"


def _columns(study: Comparison) -> list[str]:
    """Outcomes that there is room for: figures with their errors take two columns."""
    room = COLUMNS - len(study.plan.factors) - (len(study.scenarios) > 1)
    out = [study.by]
    several = study.money == "money"
    for name in SHOWN:
        if name in study.outcomes and name != study.by and not (several and "cost" in name):
            room -= 2 if name in WITH_ERROR else 1
            if room >= 1:
                out.append(name)
    return out


def _head(study: Comparison, outcome: str) -> str:
    unit = unit_of(outcome, study.scenarios[0].cost.currency)
    head = HEADS.get(outcome, f"{outcome}\n{unit}" if unit else outcome)
    return head.replace("money", study.scenarios[0].cost.currency)


def _design_heads(study: Comparison) -> list[str]:
    heads = ["scenario"] if len(study.scenarios) > 1 else []
    for key, factor in zip(study.short_keys, study.plan.factors, strict=True):
        words = key.replace(" ", "\n").replace(".", ".\n")
        heads.append(f"{words}\n{factor.unit}" if factor.unit else words)
    return heads


def _design_cells(study: Comparison, k: int) -> list[str]:
    design = study.designs[k]
    source = study.scenarios[design.scenario].source.removesuffix(".toml")
    values = [
        value.removesuffix(factor.unit).strip() if factor.unit else value
        for factor, value in zip(study.plan.factors, design.values, strict=True)
    ]
    return ([source] if len(study.scenarios) > 1 else []) + values


def _top_table(study: Comparison) -> RenderableType:
    outcomes = _columns(study)
    table = plain_table("", *_design_heads(study), *(_head(study, name) for name in outcomes))
    for k in map(int, study.ranked()[:TOP]):
        cells = [_cell(study, name, k, full=name == study.by) for name in outcomes]
        table.add_row(str(study.designs[k].number), *_design_cells(study, k), *cells)
    return table


def _cell(study: Comparison, outcome: str, k: int, *, full: bool = True) -> str:
    x, factor = study.of(outcome)[k], factor_of(outcome)
    if not math.isfinite(float(x)):
        return "never"
    if full or outcome in WITH_ERROR:
        return pm(float(x), float(x.se), factor)
    return plain(factor * float(x), 4)


def _pair_table(study: Comparison) -> RenderableType:
    best = [int(k) for k in study.ranked()[: len(study.compared)]]
    numbers = [str(study.designs[k].number) for k in best]
    table = plain_table("", *numbers[1:])
    factor = factor_of(study.by)
    for i, a in enumerate(best[:-1]):
        cells = []
        for b in best[1:]:
            gap = study.difference(a, b)
            later = best.index(b) > i
            cells.append(pm(float(gap), float(gap.se), factor) if later else "")
        table.add_row(numbers[i], *cells)
    return table


def _front_table(study: Comparison, gain: str, price: str) -> RenderableType:
    front = study.front(gain, price)
    shown = front
    if len(front) > ON_FRONT:
        shown = front[np.linspace(0, len(front) - 1, ON_FRONT).round().astype(int)]
    more = f"more\n{unit_of(gain, study.scenarios[0].cost.currency)}"
    dearer = f"for\n{unit_of(price, study.scenarios[0].cost.currency)}"
    heads = _design_heads(study)
    table = plain_table("", *heads, _head(study, gain), _head(study, price), more, dearer)
    before: int | None = None
    for k in map(int, shown):
        steps = ["", ""]
        if before is not None:
            up, dear = (study.difference(k, before, x) for x in (gain, price))
            steps = [
                pm(float(up), float(up.se), factor_of(gain)),
                plain(factor_of(price) * float(dear), 4),
            ]
        table.add_row(
            str(study.designs[k].number), *_design_cells(study, k),
            _cell(study, gain, k), _cell(study, price, k, full=False), *steps,
        )  # fmt: skip
        before = k
    return table


def _effect_table(study: Comparison, k: int) -> RenderableType:
    effect = study.effect(k)
    factor = factor_of(study.by)
    table = plain_table(
        f"{effect.factor.key}\nmean over all others",
        f"{label_of(study, study.by)}\n± s.e.",
        "from design\nto design",
        "designs",
    )
    for label, mean, se, spread, count in zip(
        effect.labels, effect.mean.value, effect.mean.se, effect.spread, effect.count, strict=True
    ):
        differ = plain(factor * float(spread), 2) if math.isfinite(spread) else "–"
        table.add_row(label, pm(float(mean), float(se), factor), differ, str(count))
    return table


def _context(study: Comparison) -> list[tuple[str, str]]:
    from raytrace.version import __version__

    plan, ask = study.plan, study.plan.ask
    rows = [("scenario", ", ".join(s.source for s in study.scenarios))]
    if study.scenarios[0].overrides:
        rows.append(("set over it", ", ".join(study.scenarios[0].overrides)))
    for factor in plan.factors:
        levels = factor.levels if plan.sample is None else ()
        shown = ", ".join(levels) if levels and len(levels) <= 12 else factor.move.span
        rows.append((factor.key, shown))
    how = "all" if plan.sample is None else "spread evenly"
    rows.append(("designs", f"{len(study.designs)}, {how}; {len(study.good)} can be built"))
    if any(OUTCOMES[name].needs == "dates" for name in ask.outcomes):
        first, last = (date_words(d, year=True) for d in (ask.dates[0], ask.dates[-1]))
        span = first if len(ask.dates) == 1 else f"{len(ask.dates)} dates, {first} to {last}"
        if ask.season_days > len(ask.dates):
            span += f", which stand for {ask.season_days} days"
        hours = f"{of_day(ask.hours[0])} to {of_day(ask.hours[1])}"
        rows.append(("season", f"{span}, {hours}, turned to the sun all the time"))
    if ask.at is not None:
        rows.append(("put on", f"{date_words(ask.at[0], year=True)}, {of_day(ask.at[1])}"))
    if ask.reach is not None:
        rows.append(("yield", f"share of {ask.builds} builds that reach {ask.reach:g} W"))
    cases = [f"{ask.points} cases at the design sun"]
    if any(name.startswith("season") for name in ask.outcomes):
        cases.append(f"{ask.sun_positions} of the season")
    rows.append(
        (
            "traced",
            f"each design in {ask.replicates} replicates of {listed(cases, 'and')}, "
            f"{ask.beams} beam{'s' if ask.beams > 1 else ''} a facet, seed {ask.seed}; "
            f"standard error {_errors(study)}; cooker-raytrace {__version__}",
        )
    )
    return rows


def _doubtful_prices(study: Comparison) -> list[tuple[str, str]]:
    """Prices that nobody stated, and those that can't be set side by side."""
    rows = []
    unpriced = list(dict.fromkeys(s.source for s in study.scenarios if not is_priced(s)))
    if unpriced and "cost" in study.outcomes:
        rows.append(("prices", f"invented ones: none in {listed(unpriced, 'and')}"))
    currencies = set(study.currency.tolist())
    if len(currencies) > 1:
        rows.append(("cost", f"in {listed(sorted(currencies), 'and')}: not to be compared"))
    return rows


def _errors(study: Comparison) -> str:
    """How exact the figures are that designs are ranked by: half the designs, and the worst."""
    names = [n for n in (study.by, "watts") if n in study.outcomes and study.of(n).n_replicates > 1]
    if not names or not len(study.good):
        return "of each figure as shown"
    name = names[0]
    share = study.of(name).relative_se[study.good]
    share = share[np.isfinite(share)]
    if not len(share):
        return "of each figure as shown"
    return f"of {name} {percent(float(np.median(share)))}, at most {percent(float(share.max()))}"
