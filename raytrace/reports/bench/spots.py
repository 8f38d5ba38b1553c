"""Laser spots, and what redoing facets wins, as tables on the terminal and for CSV."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.table import Table
from rich.text import Text

from raytrace.reports.bench.spots_words import (
    common_place,
    move_words,
    places_verdict,
    spot_sentences,
)
from raytrace.reports.common.lengths import for_bench
from raytrace.reports.common.likely import KIND_WORDS, expected_words
from raytrace.reports.common.numbers import clock, in_watts, percent, plain, plus_minus
from raytrace.reports.common.tables import DETAILS, bounded, pairs, table_of
from raytrace.reports.common.units import quantity, retold, short, unit, yard
from raytrace.statistics.estimate import Estimate
from raytrace.store.plain import table

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.cooker.tolerances import Rig
    from raytrace.studies.bench.design_light import DesignSun
    from raytrace.studies.bench.spots_data import Redo, Spots

__all__ = ["light_pairs", "pm", "rig_words", "spot_columns", "spot_tables"]

DEGREE = math.degrees(1.0)
MOST_ROWS = 60  # of a long table on the terminal; files hold all
MISFITS = (
    *(("pot_x", "length"), ("pot_y", "length"), ("pot_z", "length")),
    *(("altitude", "angle"), ("azimuth", "angle"), ("swivel", "swivel")),
)
MISFIT_WORDS = {
    "pot_x": "the pot stood too far to the right",
    "pot_y": "the pot stood too far toward the sun's side",
    "pot_z": "the pot stood too high",
    "altitude": "the laser was too high",
    "azimuth": "the laser was turned clockwise, seen from above",
    "swivel": "the laser was swivelled; one over its distance",
}
READ = {"builds": "how exactly the spots were read"}
READ_AND_SET = {"builds": "how exactly the spots were read and the other facets set"}


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
        kind = f"swivelled on a stand at {yard(rig.distance, 4)}, {marks}"
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
        shared = common_place(found)
        yield Text(places_verdict(found, shared), style="bold")
        yield pairs(rows)
        if shared is not None:
            yield DETAILS
        yield _places_table(found)
        return
    answer, *why = spot_sentences(found)
    yield Text(answer, style="bold")
    for sentence in why:
        yield Text(sentence)
    for doubt in found.doubts:
        yield Text(f"! {retold(doubt)}", style="yellow")
    yield _rank_table(found, redo, short=True)
    yield DETAILS
    sigma = found.sigma[found.read]
    mean = quantity("length", float(sigma.mean())) if sigma.any() else ""
    read = f"{mean} per axis" if mean else "none stated"
    if found.rig.hit:
        read += f"; laser off the facets' centres by {short('length', found.rig.hit)} per axis"
    yield pairs(
        [*rows, ("measured", found.source), ("reading error", read), *light_pairs(redo.light)]
    )
    if redo.expected is not None:
        whose = "this very cooker, used like this"
        names = KIND_WORDS | (READ if found.read.sum() == found.present.sum() else READ_AND_SET)
        for sentence in expected_words(redo.expected, of=whose, names=names):
            yield Text(sentence)
    yield _watts_table(redo)
    yield _common_table(redo)
    yield _rank_table(found, redo)
    yield Text(_list_words(found, redo))


def _common_table(redo: Redo) -> RenderableType:
    """What all spots have in common, cause by cause, and the move that was weighed."""
    common = redo.common
    if common is None:
        return Text("Too few spots were read to say what they have in common.")
    chance = f"facets with nothing in common look so in {percent(common.chance)} of cookers"
    if not common.causes:
        return Text(f"The spots have nothing in common that is sure: {chance}.")
    out = table_of("all spots lie as if", "off by", "± s.d.", title=f"In common; {chance}")
    for k, cause in enumerate(common.causes):
        if k:
            out.add_row("or", "", "")
        for name, kind in MISFITS:
            size = getattr(cause.size, name)
            factor, symbol = _unit_of(kind)
            if size:
                value, sd = plus_minus(factor * size, factor * getattr(cause.sd, name))
                out.add_row(f"{MISFIT_WORDS[name]} [{symbol}]", value, sd)
    if redo.move is not None:
        move = redo.move
        won = in_watts(float(move.gain), float(np.hypot(move.gain_sd, move.gain.se)))
        out.caption = f"{move_words(move.undone)}: {won}, {move.judged}"
    return out


def _unit_of(kind: str) -> tuple[float, str]:
    """How many of its unit make one SI unit of a misfit, and its name."""
    if kind == "angle":
        return DEGREE, "°"
    length = unit("yard" if kind == "swivel" else kind)
    return (
        (1.0 / length.per, f"1/{length.symbol}")
        if kind == "swivel"
        else (length.per, length.symbol)
    )


def _places_table(found: Spots) -> Table:
    label = found.labels
    moved = bool(np.nan_to_num(found.off).max(initial=0.0) > 0.0)
    symbol = unit("length").symbol
    names = ["facet", *(f"{axis}\n{symbol}" for axis in found.plane_axes)]
    out = table_of(*names, *([f"off its mark\n{symbol}"] if moved else []))
    for f in range(min(len(label), MOST_ROWS)):
        cells = [_tenths(v) for v in (*found.spot[f], *([found.off[f]] if moved else []))]
        if not found.present[f]:
            cells = ["missing", *[""] * (len(cells) - 1)]
        out.add_row(label[f], *cells)
    if len(label) > MOST_ROWS:
        out.add_row(f"… {len(label) - MOST_ROWS} more", *[""] * (len(out.columns) - 1))
    return out


def _tenths(metres: float) -> str:
    return unit("length").fixed(metres, 1)


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


def _rank_table(found: Spots, result: Redo, *, short: bool = False) -> Table:
    """Facets by what redoing each wins; below the greatest gains' hundredth all are alike."""
    gain = result.gain
    chosen = {int(f): k + 1 for k, f in enumerate(result.chosen)}
    order = np.argsort(-gain.value, kind="stable")
    # nothing is known, so nothing advised, of a facet that was not measured
    order = order[(found.read | found.missed_card | ~found.present)[order]]
    worth = int((gain.value[order] > 0.01 * gain.value.max()).sum())
    # what is on the list is shown whatever it wins alone
    shown = order[: 3 if short else min(max(worth, 5), 25)].tolist()
    named = [*chosen, *result.borderline.tolist()]
    shown += [f for f in named if f not in shown][: MOST_ROWS - len(shown)]
    off = f"off its mark\n{unit('length').symbol}"
    heads = ["facet", "state", off, "alone wins\nW", "± reading", "on the list"]
    if not short:
        heads[5:5] = ["± s.e."]
    out = table_of(*heads)
    for f in shown:
        value, se = plus_minus(float(gain.value[f]), float(gain.se[f]), digits=4, decimals=3)
        cells = [
            found.labels[f],
            "set again" if found.present[f] else "replace",
            ("≥ " if found.missed_card[f] else "") + _tenths(float(result.off[f])),
            plain(float(gain.value[f]), 2) if short else value,
            plain(float(result.gain_sd[f]), 1),
            str(chosen.get(f, "borderline" if f in result.borderline else "")),
        ]
        if not short:
            cells[5:5] = [se]
        out.add_row(*cells)
    return out


def _list_words(found: Spots, result: Redo) -> str:
    """How much shorter and longer lists win."""
    gains, needed = result.gains, result.needed
    best = int(np.argmax(gains.value))
    most = f"The most that any number wins is {pm(gains[best])} W, with {best} redone."
    if not needed:
        return most
    names = ", ".join(found.to_redo or ())
    one_less = f" One fewer wins {pm(gains[needed - 1])} W." if needed > 1 else ""
    return f"Traced together {names} win {pm(gains[needed])} W.{one_less} {most}"


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
        names += ["sigma", "turned", "n", "redo.off", "redo.gain", "redo.gain_se"]
        names += ["redo.gain_sd", "redo.rank"]
    columns, rows = for_bench(*table(found, "facet", across=("axis", "xyz"), only=names))
    notes = [
        found.scenario.title,
        f"{found.scenario.source}; laser {rig_words(found.rig)}",
        "from the base's centre, platform axes",
    ]
    return columns, rows, notes
