"""Whose fault: losses by source and Sobol' indices in tables and words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from raytrace.reports.common.likely import KIND_WORDS, expected_words, interval_words
from raytrace.reports.common.numbers import plain, plus_minus
from raytrace.reports.common.tables import (
    DETAILS,
    context,
    pairs,
    plain_table,
)
from raytrace.studies.tolerance.blame import WAYS
from raytrace.studies.tolerance.causes import BUILDS, USES
from raytrace.texts import listed

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.tolerance.blame import Blame, Loss
    from raytrace.studies.tolerance.causes import Causes
    from raytrace.studies.tolerance.sobol import Indices

__all__ = ["absent", "blame_sentences", "blame_tables", "causes_sentences"]

LOSSES_NOTE = (
    "alone: added alone to a cooker without any of these (facets exactly set, all in place, "
    "mirrors flat and sharp, the sun a point). among all: taken alone from the cooker as the "
    "scenario has it. Watts lost, mean over builds ± s.e.; below zero where an error happens to "
    "help."
)
INDICES_NOTE = (
    "Shares of the variance between builds. first: what would go, on average, if the group alone "
    "were fixed. total: what would be left if all others were. ±: 95 % bootstrap intervals. A "
    "source that errs alike in every build has no share."
)


CAUSES_NOTE = (
    "Shares of the variance of the watts that may be expected: inputs that aren't known, with what "
    "is stated of each (or is the default, see cooker check --keys), how builds differ, and how "
    "each use differs. first, total, ±: as above."
)
SMALL = 0.005  # total share below which a cause is left out of the table

# What a builder would do to know an input better.
MEASURES = {
    "sky.dni_factor": "measure the direct sun",
    "mirror.reflectance": "measure a mirror's reflectance",
    "mirror.backing": "measure a mirror's reflectance",
    "mirror.cleanliness": "measure what dirt takes (or wash the mirrors)",
    "mirror.slope_error": "measure the mirrors' waviness",
    "mirror.specularity": "measure the mirrors' scatter",
    "errors.setting": "measure where the laser's spots lie",
    "errors.rig.altitude_bias": "prove the laser's angle",
    "errors.rig.azimuth_bias": "prove the laser's direction",
    "errors.pointing.heading_rms": "check how well the platform is turned",
    "errors.pointing.tilt_rms": "check how well the platform is tilted",
}


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
    yield Text(study.scenario.title, style="bold")
    for sentence in (*blame_sentences(study), *causes_sentences(study)):
        yield Text(sentence)
    yield _brief_table(study)
    yield DETAILS
    yield pairs(
        [
            *context(study),
            ("set by", f"{study.conditions.set_by} in the scenario; both are shown"),
        ]
    )
    yield _losses_table(study)
    yield Text(LOSSES_NOTE, style="dim")
    yield _indices_table(study)
    yield Text(INDICES_NOTE, style="dim")
    yield _convergence_table(study.indices[study.conditions.set_by])
    if study.causes is not None:
        yield _causes_table(study.causes)
        yield Text(CAUSES_NOTE, style="dim")


def _brief_table(study: Blame) -> RenderableType:
    """What each source costs the cooker as the scenario sets it, the dearest first."""
    table = plain_table("without it", "W more", "± s.e.")
    for loss in _by_cost(study):
        table.add_row(loss.source.name, *plus_minus(loss.without, loss.without_se, decimals=1))
    k = WAYS.index(study.conditions.set_by)
    table.add_section()
    gap = plus_minus(float(study.gap[k]), float(study.gap_se[k]), decimals=1)
    table.add_row("without any of these", *gap, style="bold")
    return table


def _by_cost(study: Blame) -> list[Loss]:
    """Sources that the scenario has, the dearest first."""
    present = (x for x in study.of(study.conditions.set_by) if x.present)
    return sorted(present, key=lambda x: -x.without)


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
    gaps = [_watts(*x) for x in zip(study.gap, study.gap_se, strict=True)]
    table.add_row("all of these", "", gaps[0], "", gaps[1], style="bold")
    full = [_watts(x.mean, x.se) for x in (study.full[way].power for way in WAYS)]
    table.add_row("the cooker gives", "", full[0], "", full[1])
    most = plain(study.no_sources.power.mean, 5)
    table.add_row("without any of these", "", most, "", most)
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


def _causes_table(found: Causes) -> RenderableType:
    table = plain_table("share of what is uncertain", "stated", "first", "total")
    for k in np.argsort(-found.total):
        if found.total[k] < SMALL:
            continue
        cells = [
            f"{_share(x[k])} ± {ci[k]:.2f}"
            for x, ci in ((found.first, found.first_ci), (found.total, found.total_ci))
        ]
        table.add_row(_cause(str(found.cause[k])), str(found.stated[k]), *cells)
    return table


def _cause(name: str) -> str:
    return {BUILDS: KIND_WORDS["builds"], USES: KIND_WORDS["uses"]}.get(name, name)


def causes_sentences(study: Blame) -> list[str]:
    """What may be expected, what makes it uncertain, and what to measure to know it better.

    Parameters
    ----------
    study : Blame

    Returns
    -------
    list of str
    """
    found = study.causes
    if found is None:
        return []
    out = expected_words(found.expected)
    if not found.expected.spread > 1e-3 * found.expected.mean:
        return out
    order = [k for k in np.argsort(-found.total) if found.total[k] >= SMALL][:3]
    named = [f"{_cause(str(found.cause[k]))} ({_share(found.total[k])})" for k in order]
    out.append(f"What makes that uncertain, by total share: {listed(named, 'then')}.")
    if found.measure:
        told = [f"{key} ({MEASURES[key]})" if key in MEASURES else key for key in found.measure]
        half = "halves the interval" if found.halved else "leaves more than half of the interval"
        out.append(
            f"To know these {half} ({interval_words(found.left, 'W')}): {listed(told, 'and')}."
        )
    return out


def absent(study: Blame) -> list[str]:
    """Names of the sources that the scenario doesn't have.

    Parameters
    ----------
    study : Blame

    Returns
    -------
    list of str
    """
    pairs_ = zip(study.of("laser"), study.of("angle"), strict=True)
    return [a.source.name for a, b in pairs_ if not (a.present or b.present)]


def blame_sentences(study: Blame) -> list[str]:
    """The main findings in a sentence each.

    Parameters
    ----------
    study : Blame

    Returns
    -------
    list of str
    """
    way = study.conditions.set_by
    k, most = WAYS.index(way), plain(study.no_sources.power.mean, 4)
    clear = [x for x in _by_cost(study) if x.without > 2.0 * x.without_se]
    named = [f"{x.source.name} ({_watts(x.without, x.without_se)} W)" for x in clear[:3]]
    whole = f"all errors together cost {_watts(study.gap[k], study.gap_se[k])} W of {most} W."
    first = (
        f"Most is lost to {listed(named, 'then')}"
        if named
        else "No source alone costs more than its standard error can tell from nothing"
    )
    out = [f"{first}; {whole}"]
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
