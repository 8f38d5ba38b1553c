"""A tolerance study in words, tables, plain values and rows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from rich.text import Text

from raytrace.reports.common.numbers import percent, plain, plus_minus
from raytrace.reports.common.tables import (
    bounded,
    context,
    context_facts,
    listed,
    number,
    pairs,
    plain_table,
    spread_facts,
)

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.tolerance.threshold import Reach
    from raytrace.studies.tolerance.tolerance import Kept, Level, Tolerance

__all__ = ["default_watts", "sentences", "tolerance_facts", "tolerance_rows", "tolerance_tables"]

PLANES = {"base": "the plane of the base", "upright": "an upright card at the pot's place"}
LEVELS_NOTE = (
    "* the scenario's own setting. ± s.e.: of the mean over builds; tracing: its part of that, W."
)
SPREAD_NOTE = (
    "10 %, 90 %: so many of the builds stay under it. In brackets 95 % bounds of the same figure "
    "over all the builds that there might be."
)
KEPT_NOTE = (
    "perfect: no error of making or use. exact: facets exactly set, other errors as they are. In "
    "brackets 95 % bounds. any workshop: spots spread evenly within the limit, the most that a "
    "normal spread comes to."
)


def default_watts(study: Tolerance) -> float:
    """Watts that a build must reach where nothing else is asked: 90 % of the perfect cooker's."""
    return 0.9 * study.perfect.watts.power.mean


def tolerance_tables(study: Tolerance, watts: float | None = None) -> Iterator[RenderableType]:
    """Tables and sentences of a study.

    Parameters
    ----------
    study : Tolerance
    watts : float, optional
        What a build must reach to count. [W]

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    watts = default_watts(study) if watts is None else watts
    yield Text(study.ensemble.scenario.title, style="bold")
    others = "as in the scenario" if study.plan.others else "left out"
    perfect = study.perfect.watts.power
    yield pairs(
        [
            *context(study.ensemble, study.plan.builds),
            ("other errors", others),
            ("perfect", f"{' ± '.join(plus_minus(perfect.mean, perfect.se))} W delivered"),
        ]
    )
    yield _levels_table(study)
    yield Text(LEVELS_NOTE, style="dim")
    yield _spread_table(study, watts)
    yield Text(SPREAD_NOTE, style="dim")
    yield _kept_table(study)
    yield Text(KEPT_NOTE, style="dim")
    yield Text()
    for sentence in sentences(study, watts):
        yield Text(sentence)


def _shown(study: Tolerance) -> list[Level]:
    """Levels of the sweep and the scenario's own, by setting error."""
    return sorted((*study.sweep, study.own), key=lambda x: (x.sigma, x.family))


def _spread_table(study: Tolerance, watts: float) -> RenderableType:
    table = plain_table("miss\nmm", "10 %\nW", "90 %\nW", f"% of builds reach\n{plain(watts, 3)} W")
    for level in _shown(study):
        power, got = level.watts.power, study.yield_of(level, watts)
        each = [power.percentile(q) for q in (10.0, 90.0)]
        table.add_row(
            f"{1e3 * level.miss:.1f}" + ("*" if level is study.own else " "),
            *(f"  {bounded(x.value, x.low, x.high)}" for x in each),
            f"  {bounded(*(100.0 * x for x in (got.share, got.low, got.high)))}",
            style="bold" if level is study.own else "",
        )
    return table


def _levels_table(study: Tolerance) -> RenderableType:
    table = plain_table(
        "σ\nmrad",
        "miss\nmm",
        "intercept\n% ± s.e.",
        "delivered\nW ± s.e.",
        "tra-\ncing",
        "% of\nperf.",
    )
    whole = study.perfect.watts.power.mean
    for level in _shown(study):
        power, intercept = level.watts.power, level.watts.intercept
        table.add_row(
            f"{1e3 * level.sigma:.2f}" + ("*" if level is study.own else " "),
            f"{1e3 * level.miss:.1f}",
            " ± ".join(
                plus_minus(100.0 * intercept.mean, 100.0 * intercept.se, digits=4, decimals=2)
            ),
            " ± ".join(plus_minus(power.mean, power.se, digits=5, decimals=2)),
            f"{power.se_tracing:.3f}" if power.se_tracing < 10.0 else plain(power.se_tracing, 3),
            f"{100.0 * power.mean / whole:.1f}",
            style="bold" if level is study.own else "",
        )
    return table


def _kept_table(study: Tolerance) -> RenderableType:
    table = plain_table(
        "to keep",
        "W",
        "σ\nmrad",
        "rms miss\nmm",
        "redo over, mm\nthis workshop",
        "redo over, mm\nany workshop",
    )
    names = {"perfect": "of perfect", "exact": "of exact"}
    for kept in study.kept():
        limit = "no need" if kept.limit is None else _bounds(kept.limit, none="no need")
        table.add_row(
            f"{100.0 * kept.share:.0f} % {names[kept.of]}",
            plain(kept.watts, 4),
            f"{1e3 * kept.sigma.value:.1f}" if kept.sigma.known else "–",
            _bounds(kept.miss),
            limit if kept.miss.value > 0.0 or kept.limit is not None else "none",
            "–" if kept.limit_any is None else _bounds(kept.limit_any),
        )
    return table


def _bounds(reach: Reach, factor: float = 1e3, none: str = "beyond") -> str:
    if not reach.known:
        return "none" if reach.value == 0.0 else none
    low, high = plain(factor * reach.low, 3), plain(factor * reach.high, 3)
    return f"{plain(factor * reach.value, 3)} ({low}–{high if high != '–' else '∞'})"


def _reach_words(reach: Reach) -> str:
    """A length with its bounds, as in a sentence."""
    low = plain(1e3 * reach.low, 3)
    high = f"{plain(1e3 * reach.high, 3)}" if math.isfinite(reach.high) else "no bound"
    return f"{plain(1e3 * reach.value, 3)} mm ({low} to {high})"


def sentences(study: Tolerance, watts: float | None = None) -> list[str]:
    """What a builder needs to know, in one sentence each.

    Parameters
    ----------
    study : Tolerance
    watts : float, optional
        What a build must reach to count. [W]

    Returns
    -------
    list of str
        The largest rms miss, the go/no-go limit, the yield.
    """
    watts = default_watts(study) if watts is None else watts
    kept = [k for k in study.kept() if k.of == "perfect"]
    out = [_miss_sentence(study, kept)]
    if any(k.limit_any is not None for k in kept):
        out.append(_limit_sentence(study, kept))
    got = study.yield_of(study.own, watts)
    out.append(
        f"Yield: set as the scenario says (a miss of {1e3 * study.own.miss:.1f} mm rms), "
        f"{got.reaching} of {got.builds} builds reach {plain(watts, 4)} W: {percent(got.share)}, "
        f"95 % interval {percent(got.low)} to {percent(got.high)}."
    )
    return out


def _miss_sentence(study: Tolerance, kept: Sequence[Kept]) -> str:
    plane = PLANES[study.ensemble.tolerances.miss_plane]
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
            "The cooker keeps, of the perfect cooker's watts, "
            + ", ".join(found)
            + f" of rms laser miss on {plane}"
        )
    if beyond:
        parts.append(
            f"{'it' if found else 'The cooker'} keeps {listed(beyond, 'and')} % at every setting "
            f"error tried, up to {1e3 * study.sweep[-1].miss:.0f} mm"
        )
    if lost:
        whole = study.perfect.watts.power.mean
        alone = study.sweep[0].watts.power.mean / whole
        parts.append(
            f"no setting keeps {listed(lost)} %: with exactly set facets the other errors "
            f"leave {percent(alone)}"
        )
    text = "; ".join(parts) + "."
    return text[0].upper() + text[1:]


def _limit_sentence(study: Tolerance, kept: Sequence[Kept]) -> str:
    every = [
        f"{plain(1e3 * k.limit_any.value, 3)} mm ({plain(1e3 * k.limit_any.low, 3)} to "
        f"{plain(1e3 * k.limit_any.high, 3) if math.isfinite(k.limit_any.high) else 'no bound'}) "
        f"keeps {100.0 * k.share:.0f} %"
        for k in kept
        if k.limit_any is not None and k.limit_any.known
    ]
    text = "Go/no-go: "
    if every:
        text += (
            "in any workshop, to redo every facet that misses by more than "
            + ", ".join(every)
            + "; "
        )
    own = f"this one ({1e3 * study.own.miss:.1f} mm rms) "
    needed = [
        f"{plain(1e3 * k.limit.value, 3)} mm keeps {100.0 * k.share:.0f} % and has "
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
    text += "; ".join(tail) + "."
    return text


def tolerance_rows(study: Tolerance, watts: float | None = None) -> list[dict[str, Any]]:
    """Every ensemble as a row of plain values with units in the keys, for CSV and JSON.

    Parameters
    ----------
    study : Tolerance
    watts : float, optional
        What a build must reach to count. [W]
    """
    watts = default_watts(study) if watts is None else watts
    order = (*study.sweep, study.own, *study.family("checked"), *study.family("any"))
    return [_row(study, level, watts) for level in (study.perfect, *order)]


_KINDS = {
    "perfect": "perfect",
    "setting": "sweep",
    "scenario": "as the scenario says",
    "checked": "this workshop, redone over a limit",
    "any": "any workshop, redone over a limit",
}


def _row(study: Tolerance, level: Level, watts: float) -> dict[str, Any]:
    limited = level.family in ("checked", "any")
    whole = study.perfect.watts.power.mean
    got = study.yield_of(level, watts)
    alone = level.family == "perfect"
    return {
        "ensemble": _KINDS[level.family],
        "setting_sigma_mrad": number(level.sigma, 1e3),
        "laser_miss_rms_mm": number(level.miss, 1e3),
        "limit_mm": number(level.value, 1e3) if limited else None,
        "share_redone": number(level.redone) if level.family == "checked" else None,
        **spread_facts("delivered", level.watts.power, "W"),
        **spread_facts("intercept", level.watts.intercept),
        "share_of_perfect": number(level.watts.power.mean / whole),
        "wanted_W": number(watts),
        "builds": got.builds,
        "builds_reaching": None if alone else got.reaching,
        "yield": None if alone else got.share,
        "yield_low": None if alone else got.low,
        "yield_high": None if alone else got.high,
    }


def tolerance_facts(study: Tolerance, watts: float | None = None) -> dict[str, Any]:
    """Everything that tables and sentences say, as plain values.

    Parameters
    ----------
    study : Tolerance
    watts : float, optional
        What a build must reach to count. [W]
    """
    watts = default_watts(study) if watts is None else watts
    return {
        **context_facts(study.ensemble),
        "builds": study.plan.builds,
        "other_errors": study.plan.others,
        "miss_plane": study.ensemble.tolerances.miss_plane,
        "miss_per_sigma_mm_per_mrad": study.miss_per_sigma,
        "wanted_W": number(watts),
        "ensembles": tolerance_rows(study, watts),
        "kept": [_kept_facts(k) for k in study.kept()],
        "sentences": sentences(study, watts),
    }


def _kept_facts(k: Kept) -> dict[str, Any]:
    def reach(name: str, r: Reach | None, unit: str) -> dict[str, Any]:
        if r is None:
            return {f"{name}_{unit}": None}
        state = "found" if r.known else ("never kept" if r.value == 0.0 else "kept throughout")
        return {
            f"{name}_{unit}": number(r.value, 1e3),
            f"{name}_low_{unit}": number(r.low, 1e3),
            f"{name}_high_{unit}": number(r.high, 1e3),
            f"{name}_is": state,
        }

    def share(name: str, r: Reach) -> dict[str, Any]:
        return {name: number(r.value), f"{name}_low": number(r.low), f"{name}_high": number(r.high)}

    return {
        "share": k.share,
        "of": {"perfect": "perfect cooker", "exact": "exactly set facets"}[k.of],
        "watts_W": number(k.watts),
        **reach("laser_miss_rms", k.miss, "mm"),
        **reach("setting_sigma", k.sigma, "mrad"),
        **reach("limit_this_workshop", k.limit, "mm"),
        **share("redone_this_workshop", k.redone),
        **reach("limit_any_workshop", k.limit_any, "mm"),
        **share("redone_at_limit_any_workshop", k.redone_any),
    }
