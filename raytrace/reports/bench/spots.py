"""Laser spots, and what redoing facets wins, as tables on the terminal and for CSV."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.table import Table
from rich.text import Text

from raytrace.reports.common.lengths import for_bench
from raytrace.reports.common.likely import KIND_WORDS, expected_words
from raytrace.reports.common.numbers import clock, percent, plain, plus_minus
from raytrace.reports.common.tables import bounded, pairs, table_of
from raytrace.statistics.estimate import Estimate
from raytrace.store.plain import table

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.cooker.tolerances import Rig
    from raytrace.studies.bench.design_light import DesignSun
    from raytrace.studies.bench.spots_data import Redo, Spots

__all__ = ["LASER_CAUTION", "light_pairs", "pm", "rig_words", "spot_columns", "spot_tables"]

LASER_CAUTION = (
    "Caution: a laser of class 2 (1 mW) or less, whatever its label promises. Never look into the "
    "beam or into a mirror that it strikes; each facet throws it on: keep all eyes, animals and "
    "windows out of its ways, and set facets indoors or shaded. `cooker cautions` says more."
)

MM, MRAD = 1e3, 1e3
MOST_ROWS = 60  # of a long table on the terminal; files hold all
READ = {"builds": "how exactly the spots were read"}


def pm(estimate: Estimate, factor: float = 1.0) -> str:
    """Figure ± its standard error.

    Parameters
    ----------
    estimate : Estimate
    factor : float
        How many of the unit to be shown make one SI unit.

    Returns
    -------
    str
    """
    return " ± ".join(plus_minus(factor * float(estimate.value), factor * float(estimate.se)))


def rig_words(rig: Rig) -> str:
    """Say how the laser stands.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    str
    """
    kind = "slid from facet to facet"
    if rig.kind == "point":
        marks = "own marks" if rig.corrected_marks else "one mark for all"
        kind = f"swivelled on a stand at {rig.distance:.4g} m, {marks}"
    bias = [
        f"{abs(np.degrees(b)):.3g}° {words[0] if b > 0 else words[1]}"
        for b, words in (
            (rig.altitude_bias, ("too high", "too low")),
            (rig.azimuth_bias, ("clockwise", "anticlockwise")),
        )
        if b
    ]
    return f"{kind}; {', '.join(bias) or 'no bias'}"


def light_pairs(light: DesignSun) -> list[tuple[str, str]]:
    """Say when, how high and how strong the sun is.

    Parameters
    ----------
    light : DesignSun

    Returns
    -------
    list of (str, str)
    """
    when = "never at this site" if light.time is None else clock(light.time)
    return [
        ("at the design sun", f"{when}, altitude {np.degrees(light.sun_altitude):.2f}°"),
        ("DNI", f"{light.dni:.1f} W/m² ({light.dni_source})"),
        ("otherwise", "pot in its place, platform turned right"),
    ]


def spot_tables(found: Spots) -> Iterator[RenderableType]:
    """Tables of spots, and of what redoing wins where facets were measured.

    Parameters
    ----------
    found : Spots

    Yields
    ------
    renderable
    """
    yield Text(found.scenario.title, style="bold")
    target = "the base's plane: x to the right, y toward the sun's side"
    if found.plane == "upright":
        target = "an upright card through the base's centre: x to the right, z up"
    rows = [
        ("scenario", found.scenario.source),
        ("laser", rig_words(found.rig)),
        ("target", f"{target}; from the base's centre, platform axes"),
    ]
    redo = found.redo
    if redo is None:
        build = found.plan.build
        rows.append(("facets", "as designed" if build is None else f"as drawn, build {build}"))
        yield pairs(rows)
        yield _places_table(found)
        return
    sigma = MM * found.sigma[found.read]
    read = "none stated" if not sigma.any() else f"{plain(float(sigma.mean()), 3)} mm per axis"
    if found.rig.hit:
        read += f"; laser off the facets' centres by {MM * found.rig.hit:g} mm per axis"
    yield pairs(
        [*rows, ("measured", found.source), ("reading error", read), *light_pairs(redo.light)]
    )
    if redo.expected is not None:
        whose = "this very cooker, used like this"
        for sentence in expected_words(redo.expected, of=whose, names=KIND_WORDS | READ):
            yield Text(sentence)
    yield _watts_table(redo)
    yield _rank_table(found, redo)
    yield Text(_verdict(found, redo))


def _places_table(found: Spots) -> Table:
    label = found.labels
    moved = bool(np.nan_to_num(found.off).max(initial=0.0) > 0.0)
    names = ["facet", *(f"{axis}\nmm" for axis in found.plane_axes)]
    out = table_of(*names, *(["off its mark\nmm"] if moved else []))
    for f in range(min(len(label), MOST_ROWS)):
        cells = [_mm(v) for v in (*found.spot[f], *([found.off[f]] if moved else []))]
        if not found.present[f]:
            cells = ["missing", *[""] * (len(cells) - 1)]
        out.add_row(label[f], *cells)
    if len(label) > MOST_ROWS:
        out.add_row(f"… {len(label) - MOST_ROWS} more", *[""] * (len(out.columns) - 1))
    return out


def _mm(metres: float) -> str:
    return "–" if not math.isfinite(metres) else f"{round(MM * metres, 1) + 0.0:.1f}"


def _watts_table(result: Redo) -> Table:
    out = table_of("delivered at the design sun", "W", "± s.e.", "± reading", "of exactly set")
    exact = float(result.exactly_set)

    def share(watts: float) -> str:
        return percent(watts / exact) if exact > 0.0 else "–"

    reading = plain(result.reading_sd, 2) if result.reading_sd else ""
    out.add_row(
        "this cooker, as its spots say",
        *plus_minus(float(result.as_read), float(result.as_read.se)),
        reading,
        share(float(result.as_read)),
        style="bold",
    )
    without = result.without_noise
    if without is not None:
        out.add_row(
            "the same, bias of noisy readings taken out",
            plus_minus(without, result.reading_sd)[0],
            "",
            "",
            share(without),
        )
    out.add_row(
        "exactly set",
        *plus_minus(exact, float(result.exactly_set.se)),
        "",
        share(exact),
    )
    out.add_row(
        f"built to the scenario's tolerances, mean of {len(result.builds)}",
        *plus_minus(result.builds_mean, result.builds_sd / len(result.builds) ** 0.5),
        "",
        share(result.builds_mean),
    )
    for name, found in zip(("10th", "90th"), result.percentiles[[0, 2]], strict=True):
        out.add_row(
            f"  {name} percentile (95 % bounds)",
            bounded(*map(float, found)),
            "",
            "",
            share(float(found[0])),
        )
    return out


def _rank_table(found: Spots, result: Redo) -> Table:
    """Facets by what redoing each wins; below the greatest gains' hundredth all are alike."""
    gain = result.gain
    chosen = {int(f): k + 1 for k, f in enumerate(result.chosen)}
    order = np.argsort(-gain.value, kind="stable")
    worth = int((gain.value > 0.01 * gain.value.max()).sum())
    # what is on the list is shown whatever it wins alone
    shown = order[: min(max(worth, 5), 25)].tolist()
    shown += [f for f in chosen if f not in shown][: MOST_ROWS - len(shown)]
    out = table_of(
        "facet",
        "state",
        "off its mark\nmm",
        "turned\nmrad",
        "alone wins\nW",
        "± s.e.",
        "on the list",
    )
    for f in shown:
        value, se = plus_minus(float(gain.value[f]), float(gain.se[f]), digits=4, decimals=3)
        out.add_row(
            found.labels[f],
            "set again" if found.present[f] else "replace",
            _mm(found.off[f]),
            plain(MRAD * float(found.turned[f]), 3),
            value,
            se,
            str(chosen.get(f, "")),
        )
    return out


def _verdict(found: Spots, result: Redo) -> str:
    gains = result.gains
    best = int(np.argmax(gains.value))
    needed = result.needed
    if needed is None:
        return (
            f"No list wins {plain(result.goal, 4)} W: the most is {pm(gains[best])} W, with {best} "
            f"{_facets(best)} redone."
        )
    if needed == 0:
        return "Nothing needs redoing: the gain asked for is nothing."
    names = ", ".join(found.to_redo or ())
    one_less = f" One fewer wins {pm(gains[needed - 1])} W." if needed > 1 else ""
    return (
        f"To win {plain(result.goal, 4)} W redo {needed} {_facets(needed)}: {names}. Traced "
        f"together they win {pm(gains[needed])} W.{one_less} The most that any number wins is "
        f"{pm(gains[best])} W, with {best} redone."
    )


def _facets(count: int) -> str:
    return "facet" if count == 1 else "facets"


def spot_columns(found: Spots) -> tuple[list[str], list[list[Any]], list[str]]:
    """Columns and rows of a table, one row a facet, and the notes above it.

    Parameters
    ----------
    found : Spots

    Returns
    -------
    columns, rows, notes : list
    """
    names = ["spot", "state", "mark", "off"]
    if found.redo is not None:
        names += ["sigma", "turned", "n", "redo.gain", "redo.gain_se", "redo.rank"]
    columns, rows = for_bench(*table(found, "facet", across=("axis", "xyz"), only=names))
    notes = [
        found.scenario.title,
        f"{found.scenario.source}; laser {rig_words(found.rig)}",
        "from the base's centre, platform axes",
    ]
    return columns, rows, notes
