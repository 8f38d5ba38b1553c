"""Laser spots, and what redoing facets wins, as tables, plain values and CSV."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.table import Table
from rich.text import Text

from raytrace.csv_text import csv_text
from raytrace.light.ensemble import binomial_interval
from raytrace.reports.common.numbers import NOTHING, clock, percent, plain, plus_minus
from raytrace.reports.common.tables import bounded, pairs, percentile_facts, table_of
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.quantiles import percentile
from raytrace.studies.bench.spots import PLANES, Measured, SpotTable

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.cooker.tolerances import Rig
    from raytrace.light.placed import FacedSun
    from raytrace.studies.bench.redo import Redo

__all__ = [
    "LASER_CAUTION",
    "light_facts",
    "light_pairs",
    "marked_csv",
    "pm",
    "rig_facts",
    "rig_words",
    "spot_csv",
    "spot_facts",
    "spot_tables",
]

LASER_CAUTION = (
    "Caution: a laser of class 2 (1 mW) or less, whatever its label promises. Never look into the "
    "beam or into a mirror that it strikes; each facet throws it on: keep all eyes, animals and "
    "windows out of its ways, and set facets indoors or shaded. `cooker cautions` tells more."
)

MM, MRAD = 1e3, 1e3
MOST_ROWS = 60  # of a long table on the terminal; files hold all


def pm(estimate: Estimate, factor: float = 1.0) -> str:
    """Figure ± its standard error."""
    return " ± ".join(plus_minus(factor * float(estimate.value), factor * float(estimate.se)))


def rig_words(rig: Rig) -> str:
    """Say how the laser stands."""
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


def light_pairs(light: FacedSun) -> list[tuple[str, str]]:
    """Say when, how high and how strong the sun is."""
    when = "never at this site" if light.time is None else clock(light.time)
    return [
        ("at the design sun", f"{when}, altitude {np.degrees(light.alpha):.2f}°"),
        ("DNI", f"{light.dni:.1f} W/m² ({light.dni_source})"),
        ("otherwise", "pot in its place, platform turned right"),
    ]


def spot_tables(
    table: SpotTable | Measured, result: Redo | None = None
) -> Iterator[RenderableType]:
    """Tables of spots, and of what redoing wins where facets were measured.

    Parameters
    ----------
    table : SpotTable or Measured
    result : Redo, optional

    Yields
    ------
    renderable
    """
    yield Text(table.scenario.title, style="bold")
    target = "the base's plane: x to the right, y toward the sun's side"
    if table.plane == "upright":
        target = "an upright card through the base's centre: x to the right, z up"
    rows = [
        ("scenario", table.scenario.source),
        ("laser", rig_words(table.rig)),
        ("target", f"{target}; from the base's centre, platform axes"),
    ]
    if isinstance(table, Measured):
        sigma = MM * table.sigma[table.measured]
        read = "none stated" if not sigma.any() else f"{plain(float(sigma.mean()), 3)} mm per axis"
        if table.rig.hit:
            read += f"; laser off the facets' centres by {MM * table.rig.hit:g} mm per axis"
        rows += [("measured", table.name), ("reading error", read)]
        rows += light_pairs(result.light.sun) if result is not None else []
    else:
        rows.append(
            ("facets", "as designed" if table.build is None else f"as drawn, build {table.build}")
        )
    yield pairs(rows)
    if result is not None:
        yield _watts_table(result)
        yield _rank_table(result)
        yield Text(_verdict(result))
        return
    yield _places_table(table)


def _places_table(table: SpotTable | Measured) -> Table:
    second = PLANES[table.plane][1]
    label = table.cooker.facets.label
    moved = bool(np.nan_to_num(np.abs(table.miss)).max(initial=0.0) > 0.0)
    names = ["facet", "x\nmm", f"{second}\nmm"]
    out = table_of(*names, *(["off its mark\nmm"] if moved else []))
    shown = range(len(label)) if len(label) <= MOST_ROWS else range(MOST_ROWS)
    for f in shown:
        cells = [_mm(v) for v in table.spot[f]]
        if moved:
            cells.append(_mm(float(np.linalg.norm(table.miss[f]))))
        if not table.cooker.facets.present[f]:
            cells = ["missing", *[""] * (len(cells) - 1)]
        out.add_row(label[f], *cells)
    if len(label) > MOST_ROWS:
        out.add_row(f"… {len(label) - MOST_ROWS} more", *[""] * (len(out.columns) - 1))
    return out


def _mm(metres: float) -> str:
    return "–" if not math.isfinite(metres) else f"{round(MM * metres, 1) + 0.0:.1f}"


def _watts_table(result: Redo) -> Table:
    table = table_of("delivered at the design sun", "W", "± s.e.", "± reading", "of perfect")
    perfect = float(result.perfect)

    def share(watts: float) -> str:
        return percent(watts / perfect) if perfect > 0.0 else "–"

    reading = plain(result.reading_sd, 2) if result.reading_sd else ""
    table.add_row(
        "this cooker, as its spots say",
        *plus_minus(float(result.as_read), float(result.as_read.se)),
        reading,
        share(float(result.as_read)),
        style="bold",
    )
    without = result.without_noise
    if without is not None:
        table.add_row(
            "the same, bias of noisy readings taken out",
            plus_minus(without, result.reading_sd)[0],
            "",
            "",
            share(without),
        )
    table.add_row(
        "perfectly set",
        *plus_minus(perfect, float(result.perfect.se)),
        "",
        share(perfect),
    )
    mean = float(result.builds.mean())
    table.add_row(
        f"built to the scenario's tolerances, mean of {len(result.builds)}",
        *plus_minus(mean, float(result.builds.std(ddof=1)) / len(result.builds) ** 0.5),
        "",
        share(mean),
    )
    for name, q in (("10th", 10.0), ("90th", 90.0)):
        found = percentile(result.builds, q)
        table.add_row(
            f"  {name} percentile (95 % bounds)",
            bounded(found.value, found.low, found.high),
            "",
            "",
            share(found.value),
        )
    return table


def _rank_table(result: Redo) -> Table:
    """Facets by what redoing each wins; below the greatest gains' hundredth all are alike."""
    measured = result.measured
    gain = result.gain
    chosen = {int(f): k + 1 for k, f in enumerate(result.order[: result.needed or 0])}
    order = np.argsort(-gain.value, kind="stable")
    worth = int((gain.value > 0.01 * gain.value.max()).sum())
    # what is on the list is shown whatever it wins alone
    shown = order[: min(max(worth, 5), 25)].tolist()
    shown += [f for f in chosen if f not in shown][: MOST_ROWS - len(shown)]
    table = table_of(
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
        table.add_row(
            measured.cooker.facets.label[f],
            "set again" if measured.present[f] else "replace",
            _mm(float(np.linalg.norm(measured.miss[f]))),
            plain(MRAD * float(measured.turned[f]), 3),
            value,
            se,
            str(chosen.get(f, "")),
        )
    return table


def _verdict(result: Redo) -> str:
    gains, label = result.gains, result.measured.cooker.facets.label
    best = int(np.argmax(gains.value))
    needed = result.needed
    if needed is None:
        return (
            f"No list wins {plain(result.goal, 4)} W: the most is {pm(gains[best])} W, with {best} "
            f"{_facets(best)} redone."
        )
    if needed == 0:
        return "Nothing needs redoing: the gain asked for is nothing."
    names = ", ".join(label[f] for f in result.order[:needed])
    one_less = f" One fewer wins {pm(gains[needed - 1])} W." if needed > 1 else ""
    return (
        f"To win {plain(result.goal, 4)} W redo {needed} {_facets(needed)}: {names}. Traced "
        f"together they win {pm(gains[needed])} W.{one_less} The most that any number wins is "
        f"{pm(gains[best])} W, with {best} redone."
    )


def _facets(count: int) -> str:
    return "facet" if count == 1 else "facets"


def _number(value: float) -> float | None:
    """JSON has no nan; and what is rounding noise is nothing."""
    if not math.isfinite(value):
        return None
    return 0.0 if abs(value) < NOTHING else float(value)


def rig_facts(rig: Rig) -> dict[str, Any]:
    """Laser rig as plain values."""
    return {
        "kind": rig.kind,
        "distance_m": rig.distance,
        "corrected_marks": rig.corrected_marks,
        "altitude_bias_deg": float(np.degrees(rig.altitude_bias)),
        "azimuth_bias_deg": float(np.degrees(rig.azimuth_bias)),
        "hit_mm": MM * rig.hit,
    }


def light_facts(light: FacedSun) -> dict[str, Any]:
    """Design sun as plain values."""
    return {
        "time": None if light.time is None else light.time.isoformat(timespec="seconds"),
        "sun_altitude_deg": float(np.degrees(light.alpha)),
        "sun_azimuth_deg": float(np.degrees(light.gamma)),
        "dni_W_m2": light.dni,
        "dni_source": light.dni_source,
    }


def spot_facts(table: SpotTable | Measured, result: Redo | None = None) -> dict[str, Any]:
    """Spots, watts and the list to redo as plain values, units in the keys.

    Parameters
    ----------
    table : SpotTable or Measured
    result : Redo, optional
    """
    from raytrace.version import __version__

    facts: dict[str, Any] = {
        "raytrace": __version__,
        "study": "spots",
        "title": table.scenario.title,
        "scenario": table.scenario.source,
        "overrides": list(table.scenario.overrides),
        "plane": table.plane,
        "from": "the base's centre, platform axes",
        "rig": rig_facts(table.rig),
        "facets": list(_rows(table, result)),
    }
    if isinstance(table, Measured):
        facts |= {"measured": table.name, "doubts": list(table.doubts)}
    else:
        facts["build"] = table.build
    if result is None:
        return facts
    label = table.cooker.facets.label
    without = result.without_noise
    facts["light"] = light_facts(result.light.sun)
    below = int((result.builds < float(result.as_read)).sum())
    share_low, share_high = binomial_interval(below, len(result.builds))
    facts |= {
        "delivered_W": float(result.as_read),
        "delivered_se_W": float(result.as_read.se),
        "delivered_reading_sd_W": result.reading_sd,
        "delivered_without_reading_noise_W": without,
        "perfect_W": float(result.perfect),
        "perfect_se_W": float(result.perfect.se),
        "tolerance_mean_W": float(result.builds.mean()),
        "tolerance_sd_W": float(result.builds.std(ddof=1)),
        **percentile_facts("tolerance", result.builds, "_W"),
        "share_of_builds_below": below / len(result.builds),
        "share_of_builds_below_low": share_low,
        "share_of_builds_below_high": share_high,
        "gain_wanted_W": result.goal,
        "to_redo": None
        if result.needed is None
        else [label[f] for f in result.order[: result.needed]],
        "gain_reached_W": None
        if result.needed is None
        else float(result.gains.value[result.needed]),
        "redo_curve": [
            {
                "redone": k,
                "facet": label[result.order[k - 1]] if k else None,
                "delivered_W": float(result.curve.value[k]),
                "gain_W": float(result.gains.value[k]),
                "gain_se_W": float(result.gains.se[k]),
            }
            for k in range(len(result.gains.value))
        ],
        "seed": result.settings.seed,
        "beams_per_facet": result.settings.beams,
        "n_replicates": result.settings.replicates,
        "n_builds": result.settings.builds,
        "n_readings": result.readings.shape[1],
    }
    return facts


def _rows(table: SpotTable | Measured, result: Redo | None) -> Iterator[dict[str, Any]]:
    second = PLANES[table.plane][1]
    facets = table.cooker.facets
    place = {}
    if result is not None:
        place = {int(f): k + 1 for k, f in enumerate(result.order)}
    for f, label in enumerate(facets.label):
        present = table.present[f] if isinstance(table, Measured) else facets.present[f]
        row: dict[str, Any] = {
            "facet": label,
            "x_mm": _number(MM * table.spot[f, 0]),
            f"{second}_mm": _number(MM * table.spot[f, 1]),
            "state": "ok" if present else "missing",
            "mark_x_mm": _number(MM * table.mark[f, 0]),
            f"mark_{second}_mm": _number(MM * table.mark[f, 1]),
            "miss_mm": _number(MM * float(np.linalg.norm(table.miss[f]))),
        }
        if isinstance(table, Measured):
            n = table.n[f] if present else np.full(3, np.nan)
            row |= {
                "sigma_mm": MM * float(table.sigma[f]),
                "turned_mrad": _number(MRAD * float(table.turned[f])),
                "n_x": _number(n[0]),
                "n_y": _number(n[1]),
                "n_z": _number(n[2]),
            }
        if result is not None:
            row |= {
                "gain_W": float(result.gain.value[f]),
                "gain_se_W": float(result.gain.se[f]),
                "redo_order": place[f],
            }
        yield row


def spot_csv(table: SpotTable | Measured, result: Redo | None = None) -> str:
    """One row a facet: its spot, its mark, and what redoing it wins.

    Parameters
    ----------
    table : SpotTable or Measured
    result : Redo, optional
    """
    return marked_csv(
        list(_rows(table, result)),
        [
            table.scenario.title,
            f"{table.scenario.source}; laser {rig_words(table.rig)}",
            "from the base's centre, platform axes",
        ],
    )


def marked_csv(rows: Sequence[dict[str, Any]], notes: Sequence[str]) -> str:
    """Rows as CSV, this program's mark and notes above; a value that does not exist is empty."""
    from raytrace.version import __version__

    cells = ([f"{v:.7g}" if isinstance(v, float) else v for v in row.values()] for row in rows)
    return csv_text(list(rows[0]), cells, [f"cooker-raytrace {__version__}", *notes])
