"""A measured flux map against the predicted one, in sentences and tables."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from raytrace.reports.common.numbers import plain, plus_minus
from raytrace.reports.common.tables import DETAILS, pairs, plain_table
from raytrace.reports.common.units import chosen, short
from raytrace.reports.common.words import WAYS

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.record.map_fit import Fact
    from raytrace.studies.record.spotmap import SpotMap

__all__ = ["spotmap_sentences", "spotmap_tables"]


def _about(found: SpotMap, fact: Fact, unit: str) -> str:
    """Its size, with the half-width of its 95 % interval."""
    half = fact.half_width(found.plan.builds)
    factor, symbol = chosen(unit)
    value, error = plus_minus(factor * abs(fact.value), factor * half, digits=3)
    return f"{value} ± {error}{symbol if symbol == '°' else f' {symbol}'}"


def _sideways(found: SpotMap, sign: float) -> str:
    """A move in words."""
    parts = [
        f"{_about(found, fact, 'mm')} {WAYS[axis][0 if sign * fact.value >= 0.0 else 1]}"
        for axis, fact in (("x", found.right), ("y", found.ahead))
    ]
    return " and ".join(parts)


def spotmap_sentences(found: SpotMap) -> list[str]:
    """What the map says, the answer first.

    Parameters
    ----------
    found : SpotMap

    Returns
    -------
    list of str
    """
    because = found.because
    out = []
    if not because:
        out.append(
            "The measured map is as cookers like this one differ anyway: nothing in it needs "
            "explaining."
        )
    if "pot" in because or "direction" in because:
        out.append(_moved(found))
    if "brightness" in because:
        out.append(_brightness(found))
    if "setting" in because:
        out.append(_setting(found))
    if not ("pot" in because or "direction" in because):
        out.append(
            f"The spot lies {_sideways(found, 1.0)} of where it is predicted: "
            "as cookers like this one differ."
        )
    if not found.reading.absolute:
        out.append(
            "The map has no scale of its own, so it says nothing of reflectance: its brightness "
            "was fitted."
        )
    elif "brightness" not in because:
        out.append(
            f"It is {_about(found, found.scale, 'times')} as bright as predicted: as cookers like "
            "this one differ."
        )
    out.append(
        f"Laid over the measured one, the prediction takes away {100.0 * found.explained:.0f} % of "
        f"the squared difference; the two correlate by {found.after:.2f}, before by "
        f"{found.before:.2f}."
    )
    return out


def _moved(found: SpotMap) -> str:
    errors = found.scenario.errors
    pot = (
        f"the pot (or the plate, or the middle of the picture) stands "
        f"{_sideways(found, -1.0)} of its place"
    )
    pot += _stated(
        [(found.right, 1e3 * errors.pot.rms[0]), (found.ahead, 1e3 * errors.pot.rms[1])],
        "errors.pot.rms",
    )
    up = "higher" if found.higher.value > 0.0 else "lower"
    side = "right" if found.aside.value > 0.0 else "left"
    sun = (
        f"the sun stood {_about(found, found.higher, '°')} {up} and "
        f"{_about(found, found.aside, '°')} further to the {side} than the facets were set for, "
        "because the platform was turned and tilted so or the laser stood otherwise when they were "
        "set"
    )
    turned = errors.pointing
    rms = (float(np.degrees(v)) for v in (turned.tilt_rms, turned.heading_rms))
    sun += _stated(list(zip((found.higher, found.aside), rms, strict=True)), "errors.pointing")
    if "pot" in found.because and "direction" in found.because:
        return (
            f"Either {pot}; or {sun}. This map can't tell the two apart: measure the pot's place "
            "first."
        )
    return f"Most likely {pot if 'pot' in found.because else sun}."


def _stated(parts: list[tuple[Fact, float]], key: str) -> str:
    """Whether errors as large as those found are stated."""
    off = max(max(abs(f.value) - 2.0 * f.se, 0.0) / rms if rms else np.inf for f, rms in parts)
    if off <= 2.5:
        return f", which is within {key} as stated"
    return f", which is more than {key} as stated"


def _brightness(found: SpotMap) -> str:
    off = found.scale.value - 1.0
    value, error = plus_minus(
        100.0 * abs(off), 100.0 * found.scale.half_width(found.plan.builds), digits=3
    )
    way = "less" if off < 0.0 else "more"
    reflectance = found.scenario.mirror.reflectance
    what = "dirty or poorer mirrors" if off < 0.0 else "better mirrors"
    now = ""
    if found.scenario.mirror.model == "constant":
        would = min(float(reflectance) * found.scale.value, 1.0)
        now = f" (mirror.reflectance {would:.2f} instead of {float(reflectance):.2f})"
    return (
        f"The light is {value} ± {error} % {way} than predicted: {what}{now}, or a sun that is so "
        f"much {'weaker' if off < 0.0 else 'stronger'} than the {found.dni:.0f} W/m² assumed."
    )


def _setting(found: SpotMap) -> str:
    assert found.setting is not None
    times = 2.0**found.setting.value
    half = found.setting.half_width(found.plan.builds)
    low, high = (2.0 ** (found.setting.value + k * half) for k in (-1, 1))
    if times > 1.0:
        return (
            f"The spot is blurred as if the setting errors were {times:.1f} times as large as "
            f"stated ({low:.1f} to {high:.1f})."
        )
    return (
        f"The spot is sharper than predicted, as if the setting errors were {times:.1f} times as "
        f"large as stated ({low:.1f} to {high:.1f})."
    )


def spotmap_tables(found: SpotMap) -> Iterator[RenderableType]:
    """Sentences, then figures with their errors.

    Parameters
    ----------
    found : SpotMap

    Yields
    ------
    renderable
    """
    from raytrace.version import __version__

    scenario, plan, reading = found.scenario, found.plan, found.reading
    yield Text(scenario.title, style="bold")
    for sentence in spotmap_sentences(found):
        yield Text(sentence)
    yield Text()
    table = plain_table("measured against predicted", "", "± s.e.", "between builds", "")
    for name, fact, unit in (
        ("brightness", found.scale if reading.absolute else None, "times"),
        ("even light besides, over the peak", found.light, ""),
        ("spot lies to the right by", found.right, "mm"),
        ("spot lies toward the sun by", found.ahead, "mm"),
        ("turned anticlockwise by", found.turn, "°"),
        ("larger by", found.size, "times"),
        ("setting error, in doublings", found.setting, ""),
        ("or else the sun higher by", found.higher, "°"),
        ("and further right by", found.aside, "°"),
    ):
        if fact is not None:
            factor, symbol = chosen(unit)
            value, se = plus_minus(factor * fact.value, factor * fact.se, digits=3)
            spread = plain(factor * fact.spread, 2) if fact.spread else ""
            table.add_row(name, value, se, spread, symbol)
    yield table
    left_out = [
        f"{count} {word}"
        for count, word in (
            (reading.missing, "missing"),
            (reading.saturated, "saturated"),
            (reading.dead, "dead"),
        )
        if count
    ]
    rows = [("scenario", scenario.source)]
    if scenario.overrides:
        rows.append(("set over it", ", ".join(scenario.overrides)))
    rows += [
        (
            "map",
            f"{reading.source}, {int(np.isfinite(reading.value).sum())} cells of "
            f"{short('length', float(reading.x[1] - reading.x[0]))}"
            + (f"; left out: {', '.join(left_out)}" if left_out else ""),
        ),
        ("sun", f"{np.degrees(found.sun_altitude):.1f}° high, DNI {found.dni:.0f} W/m²"),
        (
            "traced",
            f"{plan.builds} builds, each by {2 * plan.beams} beams a facet, seed {plan.seed}, "
            f"cooker-raytrace {__version__}",
        ),
    ]
    yield DETAILS
    yield pairs(rows)
