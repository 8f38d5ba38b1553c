"""Whose fault: losses by source and Sobol' indices in tables, words, plain values and rows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.text import Text

from raytrace.reports.common.numbers import plain, plus_minus
from raytrace.reports.common.tables import (
    context,
    context_facts,
    listed,
    number,
    pairs,
    plain_table,
    spread_facts,
)
from raytrace.studies.tolerance.blame import WAYS

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.tolerance.blame import Blame, Indices, Loss

__all__ = ["absent", "blame_facts", "blame_rows", "blame_sentences", "blame_tables"]

LOSSES_NOTE = (
    "alone: added alone to an ideal cooker (facets exactly set, all in place, mirrors flat and "
    "sharp, the sun a point). among all: taken alone from the cooker as the scenario has it. Watts "
    "lost, mean over builds ± s.e.; below zero where an error happens to help."
)
INDICES_NOTE = (
    "Shares of the variance between builds. first: what would go, on average, if the group alone "
    "were fixed. total: what would be left if all others were. ±: 95 % bootstrap intervals. A "
    "source that errs alike in every build has no share."
)


def blame_tables(study: Blame) -> Iterator[RenderableType]:
    """Tables and sentences of a study.

    Parameters
    ----------
    study : Blame

    Yields
    ------
    renderable
        For `rich.console.Console.print`.
    """
    yield Text(study.ensemble.scenario.title, style="bold")
    yield pairs(
        [
            *context(study.ensemble, study.plan.builds),
            ("set by", f"{study.ensemble.tolerances.set_by} in the scenario; both are shown"),
        ]
    )
    yield _losses_table(study)
    yield Text(LOSSES_NOTE, style="dim")
    yield _indices_table(study)
    yield Text(INDICES_NOTE, style="dim")
    yield _convergence_table(study.indices[study.ensemble.tolerances.set_by])
    yield Text()
    for sentence in blame_sentences(study):
        yield Text(sentence)


def _losses_table(study: Blame) -> RenderableType:
    table = plain_table(
        "watts lost to",
        "by laser\nalone",
        "by laser\namong all",
        "by angle\nalone",
        "by angle\namong all",
    )
    for laser, angle in zip(study.of("laser"), study.of("angle"), strict=True):
        cells = []
        for loss in (laser, angle):
            cells += (
                [_watts(loss.alone, loss.alone_se), _watts(loss.without, loss.without_se)]
                if loss.present
                else ["–", "–"]
            )
        if laser.present or angle.present:
            table.add_row(laser.source.name, *cells)
    table.add_section()
    gaps = [_watts(*study.gap(way)) for way in WAYS]
    table.add_row("ideal less full", "", gaps[0], "", gaps[1], style="bold")
    full = [_watts(study.power(way).mean, study.power(way).se) for way in WAYS]
    table.add_row("full cooker gives", "", full[0], "", full[1])
    ideal = study.ideal.power.mean
    table.add_row("ideal cooker gives", "", plain(ideal, 5), "", plain(ideal, 5))
    return table


def _watts(value: float, se: float) -> str:
    return " ± ".join(plus_minus(value, se, digits=5, decimals=2))


def _indices_table(study: Blame) -> RenderableType:
    table = plain_table(
        "share of the spread",
        "by laser\nfirst",
        "by laser\ntotal",
        "by angle\nfirst",
        "by angle\ntotal",
    )
    groups = list(dict.fromkeys(g for way in WAYS for g in study.indices[way].groups))
    for group in groups:
        cells = []
        for way in WAYS:
            found = study.indices[way]
            if group not in found.groups:
                cells += ["–", "–"]
                continue
            k = found.groups.index(group)
            cells += [
                f"{_share(found.first[-1, k])} ± {found.first_ci[-1, k]:.2f}",
                f"{_share(found.total[-1, k])} ± {found.total_ci[-1, k]:.2f}",
            ]
        table.add_row(group, *cells)
    table.add_section()
    sd = [f"{_watts(study.indices[way].sd, study.indices[way].sd_se)} W" for way in WAYS]
    table.add_row("spread of builds, sd", "", sd[0], "", sd[1], style="bold")
    return table


def _share(value: float) -> str:
    return f"{round(float(value), 2) + 0.0:.2f}"  # + 0.0: no "-0"


def _convergence_table(found: Indices) -> RenderableType:
    table = plain_table("total\nby rows", *found.groups)
    for k, n in enumerate(found.base):
        cells = [
            f"{t:.2f}±{ci:.2f}" for t, ci in zip(found.total[k], found.total_ci[k], strict=True)
        ]
        table.add_row(str(int(n)), *cells)
    return table


def absent(study: Blame) -> list[str]:
    """Names of the sources that the scenario doesn't have."""
    pairs_ = zip(study.of("laser"), study.of("angle"), strict=True)
    return [a.source.name for a, b in pairs_ if not (a.present or b.present)]


def blame_sentences(study: Blame) -> list[str]:
    """The main findings in a sentence each.

    Parameters
    ----------
    study : Blame
    """
    way = study.ensemble.tolerances.set_by
    losses = sorted((x for x in study.of(way) if x.present), key=lambda x: -x.without)
    gap, se = study.gap(way)
    out = [f"All errors together cost {_watts(gap, se)} W of {plain(study.ideal.power.mean, 4)} W."]
    clear = [x for x in losses if x.without > 2.0 * x.without_se]
    if clear:
        named = [f"{x.source.name} ({_watts(x.without, x.without_se)} W)" for x in clear[:3]]
        out.append(f"Most is won back by mending: {listed(named, 'then')}.")
    else:
        out.append("No source alone costs more than its standard error can tell from nothing.")
    found = study.indices[way]
    if len(found.groups) and found.total[-1].max() > 0.0:
        order = np.argsort(-found.total[-1])[:2]
        named = [
            f"{found.groups[k]} ({_share(found.total[-1, k])} ± {found.total_ci[-1, k]:.2f})"
            for k in order
        ]
        sd = _watts(found.sd, found.sd_se)
        out.append(
            f"That two builds differ ({sd} W, one standard deviation) is mostly due to "
            f"{listed(named, 'and')}: total shares of the variance, 95 % interval."
        )
    by_laser, by_angle = (_placement(study, w) for w in WAYS)
    if by_laser.present:
        out.append(
            "Mounts out of place cost "
            f"{_watts(by_laser.without, by_laser.without_se)} W when facets are set by laser, "
            f"{_watts(by_angle.without, by_angle.without_se)} W when they are set by angle."
        )
    missing = absent(study)
    if missing:
        out.append(f"Not in the scenario: {', '.join(missing)}.")
    return out


def _placement(study: Blame, way: str) -> Loss:
    return next(x for x in study.of(way) if x.source.key == "placement")


def blame_rows(study: Blame) -> list[dict[str, Any]]:
    """Losses and last indices as rows of plain values with units in the keys.

    Parameters
    ----------
    study : Blame
    """
    rows: list[dict[str, Any]] = []
    for x in study.losses:
        rows.append(
            {
                "set_by": x.way,
                "source": x.source.key,
                "name": x.source.name,
                "in_scenario": x.present,
                "lost_alone_W": x.alone if x.present else None,
                "lost_alone_se_W": x.alone_se if x.present else None,
                "lost_among_all_W": x.without if x.present else None,
                "lost_among_all_se_W": x.without_se if x.present else None,
            }
        )
    return rows


def blame_facts(study: Blame) -> dict[str, Any]:
    """Everything that tables and sentences say, as plain values.

    Parameters
    ----------
    study : Blame
    """
    return {
        **context_facts(study.ensemble),
        "builds": study.plan.builds,
        "set_by": study.ensemble.tolerances.set_by,
        "ideal": spread_facts("delivered", study.ideal.power, "W"),
        "full": {way: spread_facts("delivered", study.power(way), "W") for way in WAYS},
        "gap": {
            way: dict(zip(("lost_W", "lost_se_W"), study.gap(way), strict=True)) for way in WAYS
        },
        "losses": blame_rows(study),
        "indices": {way: _indices_facts(study.indices[way]) for way in WAYS},
        "sentences": blame_sentences(study),
    }


def _indices_facts(found: Indices) -> dict[str, Any]:
    return {
        "delivered_sd_builds_W": number(found.sd),
        "delivered_sd_builds_se_W": number(found.sd_se),
        "groups": list(found.groups),
        "interval_level": 0.95,
        "by_rows": [
            {
                "rows": int(n),
                **{
                    name: [number(float(x)) for x in getattr(found, name)[k]]
                    for name in ("first", "first_ci", "total", "total_ci")
                },
            }
            for k, n in enumerate(found.base)
        ],
    }
