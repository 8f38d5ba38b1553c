"""What a laser rig does to a cooker, as tables, plain values and CSV."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.text import Text

from raytrace.reports.bench.spots import (
    light_facts,
    light_pairs,
    marked_csv,
    pm,
    rig_facts,
    rig_words,
)
from raytrace.reports.common.numbers import percent, plain, plus_minus
from raytrace.reports.common.tables import number, pairs, table_of
from raytrace.statistics.estimate import Estimate
from raytrace.studies.bench.spots import PLANES

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from raytrace.studies.bench.rig import RigStudy

__all__ = ["marks_csv", "study_facts", "study_tables"]

MM = 1e3
MOST_ROWS = 60


def study_tables(study: RigStudy) -> Iterator[RenderableType]:
    """Tables of a rig study.

    Parameters
    ----------
    study : RigStudy

    Yields
    ------
    renderable
    """
    yield Text(study.scenario.title, style="bold")
    yield pairs(
        [
            ("scenario", study.scenario.source),
            ("laser", rig_words(study.rig)),
            *light_pairs(study.light.sun),
        ]
    )
    yield _watts(study)
    yield Text(_set_for(study))
    if study.day is not None:
        yield _day(study)
    yield _curves(study)
    yield _hits(study)
    yield _marks(study)
    yield Text(_marks_words(study), style="dim")


def _set_for(study: RigStudy) -> str:
    alpha = np.degrees(np.arcsin(np.clip(study.cooker.design_sun[:, 2], -1.0, 1.0)))
    shift = np.degrees(study.shift)
    several = np.ptp(alpha) > 1e-9
    if np.abs(shift).max() < 5e-4:
        return (
            f"The cooker is set for the sun it was meant for. Its spots lie "
            f"{plain(MM * study.rms_off, 3)} mm rms from their aims."
            if study.rms_off > 1e-6
            else "The cooker is set for the sun it was meant for."
        )
    parts = []
    if several and abs(shift[0]) >= 5e-4:
        parts.append(f"each facet for a sun {_signed(shift[0])} than the one it was meant for")
    elif abs(shift[0]) >= 5e-4:
        parts.append(f"for a sun at {alpha[0] + shift[0]:.2f}° instead of {alpha[0]:.2f}°")
    if abs(shift[1]) >= 5e-4:
        parts.append(f"for a sun {_aside(shift[1])} of straight ahead")
    left = (
        f"at that sun {plain(MM * study.rms_left, 3)} mm are left"
        if study.rms_left > 1e-6
        else "at that sun nothing is left of it"
    )
    turn = (
        f" Turn the platform {_aside(-shift[1])} of facing the sun, and the part aside is made up."
        if abs(shift[1]) >= 5e-4
        else ""
    )
    return (
        f"The cooker is really set {' and '.join(parts)}. At the sun it was meant for, its spots "
        f"lie {plain(MM * study.rms_off, 3)} mm rms from their aims; {left}.{turn}"
    )


def _signed(degrees: float) -> str:
    return f"{abs(degrees):.2f}° {'higher' if degrees > 0 else 'lower'}"


def _aside(degrees: float) -> str:
    return f"{abs(degrees):.2f}° {'clockwise' if degrees > 0 else 'anticlockwise'}"


def _watts(study: RigStudy) -> Table:
    table = table_of("delivered at the design sun", "W ± s.e.", "of set right")
    right = float(study.right)
    stand = study.stand
    rows: list[tuple[str, Estimate]] = [
        ("set right", study.right),
        ("set with this laser", study.rigged),
        ("  lost by it", study.lost),
        ("  with the sun where it is really set for", study.at_shift),
        (f"set with one swivelled at {stand.distance:.4g} m, one mark for all", stand.same_mark),
        ("  lost by it", stand.lost),
        ("  the same, each facet on its own mark", stand.own_marks),
    ]
    for name, estimate in rows:
        share = float(estimate) / right if right > 0.0 else math.nan
        table.add_row(
            name,
            pm(estimate),
            f"−{percent(-share)}" if share < -1e-6 else percent(share if share > 1e-6 else 0.0),
            style="bold" if name == "set with this laser" else "",
        )
    return table


def _day(study: RigStudy) -> Table:
    day = study.day
    assert day is not None
    table = table_of(
        f"{day.time[0]:%d %B %Y}\nclock", "sun\n°", "DNI\nW/m²", "set right\nW", "this laser\nW"
    )
    for k, time in enumerate(day.time):
        if day.dni[k] <= 0.0:
            continue
        table.add_row(
            f"{time:%H:%M}",
            f"{np.degrees(day.alpha[k]):.1f}",
            f"{day.dni[k]:.0f}",
            plain(float(day.right.value[k]), 4),
            plain(float(day.rigged.value[k]), 4),
        )
    table.add_section()
    table.add_row(
        "whole day, Wh",
        "",
        "",
        plain(float(day.energy_right) / 3600.0, 5),
        plain(float(day.energy_rigged) / 3600.0, 5),
    )
    lost = float(day.energy_lost)
    share = abs(lost) / float(day.energy_right) if float(day.energy_right) > 0.0 else math.nan
    table.add_row(
        f"{'lost' if lost >= 0.0 else 'won'} by it",
        "",
        "",
        "",
        f"{' ± '.join(_wh(abs(lost), float(day.energy_lost.se)))} ({percent(share)})",
    )
    return table


def _wh(value: float, se: float) -> tuple[str, str]:
    from raytrace.reports.common.numbers import plus_minus

    return plus_minus(value / 3600.0, se / 3600.0)


def _curves(study: RigStudy) -> Table:
    bias = study.bias
    table = table_of("laser's bias\n°", "too high\nW ± s.e.", "clockwise\nW ± s.e.")
    for k, b in enumerate(np.degrees(bias.bias)):
        table.add_row(f"{b + 0.0:+.2f}", pm(bias.altitude[k]), pm(bias.azimuth[k]))
    return table


def _hits(study: RigStudy) -> Table:
    hit = study.hit
    table = table_of(
        "laser off the facet's centre\nmm per axis",
        "spots then miss\nmm rms",
        "W ± s.e.",
        f"spread over\n{hit.n_builds} builds, ± s.e.",
    )
    for k in range(len(hit.hit)):
        table.add_row(
            f"{MM * hit.hit[k]:.1f}",
            plain(MM * float(hit.miss[k]), 3) if hit.miss[k] > 1e-9 else "0",
            pm(hit.delivered[k]),
            " ± ".join(plus_minus(float(hit.spread[k]), float(hit.spread_se[k]), decimals=2)),
        )
    return table


def _marks(study: RigStudy) -> Table:
    second = PLANES[study.plane][1]
    table = table_of(
        f"swivelled at {study.stand.distance:.4g} m\nfacet",
        "own mark\nx mm",
        f"\n{second} mm",
        "on one mark it\nmisses by mm",
    )
    facets = study.cooker.facets
    shown = np.flatnonzero(facets.present)
    for f in shown[:MOST_ROWS]:
        x, along = MM * study.stand.mark[f] + 0.0
        table.add_row(
            facets.label[f],
            *(f"{round(v, 1) + 0.0:.1f}" if math.isfinite(v) else "–" for v in (x, along)),
            f"{MM * float(np.linalg.norm(study.stand.off[f])):.1f}",
        )
    if len(shown) > MOST_ROWS:
        table.add_row(f"… {len(shown) - MOST_ROWS} more", "", "", "")
    return table


def _marks_words(study: RigStudy) -> str:
    target = "the base's plane" if study.plane == "base" else "an upright card"
    return (
        f"Marks lie on {target}, from the base's centre in platform axes, and hold for a stand "
        f"{study.stand.distance:.4g} m from the middle of the facets, in the design sun's "
        "direction. Measure the stand's place: a mark is only as good as that."
    )


def study_facts(study: RigStudy) -> dict[str, Any]:
    """Rig study as plain values, units in the keys.

    Parameters
    ----------
    study : RigStudy
    """
    from raytrace.version import __version__

    facts: dict[str, Any] = {
        "raytrace": __version__,
        "study": "rig",
        "title": study.scenario.title,
        "scenario": study.scenario.source,
        "overrides": list(study.scenario.overrides),
        "rig": rig_facts(study.rig),
        "light": light_facts(study.light.sun),
        "set_for_altitude_shift_deg": float(np.degrees(study.shift[0])),
        "set_for_azimuth_shift_deg": float(np.degrees(study.shift[1])),
        "spots_off_rms_mm": MM * study.rms_off,
        "spots_off_at_that_sun_rms_mm": MM * study.rms_left,
        **_pair("right", study.right),
        **_pair("rigged", study.rigged),
        **_pair("lost", study.lost),
        **_pair("at_that_sun", study.at_shift),
        "bias_curve": [
            {
                "bias_deg": float(np.degrees(b)),
                **_pair("altitude", study.bias.altitude[k]),
                **_pair("azimuth", study.bias.azimuth[k]),
            }
            for k, b in enumerate(study.bias.bias)
        ],
        "hit_curve": [
            {
                "hit_mm": MM * float(h),
                "miss_rms_mm": MM * float(study.hit.miss[k]),
                **_pair("delivered", study.hit.delivered[k]),
                "spread_over_builds_W": float(study.hit.spread[k]),
                "spread_over_builds_se_W": number(float(study.hit.spread_se[k])),
            }
            for k, h in enumerate(study.hit.hit)
        ],
        "hit_builds": study.hit.n_builds,
        "stand": {
            "distance_m": study.stand.distance,
            "plane": study.plane,
            **_pair("one_mark_for_all", study.stand.same_mark),
            **_pair("own_marks", study.stand.own_marks),
            **_pair("lost_on_one_mark", study.stand.lost),
            "marks": list(_mark_rows(study)),
        },
        "seed": study.seed,
        "beams_per_facet": study.beams,
        "n_replicates": study.replicates,
    }
    if study.day is not None:
        day = study.day
        facts["day"] = {
            "energy_right_J": float(day.energy_right),
            "energy_rigged_J": float(day.energy_rigged),
            "energy_lost_J": float(day.energy_lost),
            "energy_lost_se_J": float(day.energy_lost.se),
            "steps": [
                {
                    "time": time.isoformat(timespec="seconds"),
                    "sun_altitude_deg": float(np.degrees(day.alpha[k])),
                    "dni_W_m2": float(day.dni[k]),
                    **_pair("right", day.right[k]),
                    **_pair("rigged", day.rigged[k]),
                }
                for k, time in enumerate(day.time)
            ],
        }
    return facts


def _pair(name: str, estimate: Estimate) -> dict[str, float]:
    return {f"{name}_W": float(estimate), f"{name}_se_W": float(estimate.se)}


def _mark_rows(study: RigStudy) -> Iterator[dict[str, Any]]:
    second = PLANES[study.plane][1]
    facets = study.cooker.facets
    for f in np.flatnonzero(facets.present):
        x, along = (float(MM * v) if math.isfinite(v) else None for v in study.stand.mark[f] + 0.0)
        yield {
            "facet": facets.label[f],
            "mark_x_mm": x,
            f"mark_{second}_mm": along,
            "off_on_one_mark_mm": MM * float(np.linalg.norm(study.stand.off[f])),
        }


def marks_csv(study: RigStudy) -> str:
    """Each facet's own mark for a swivelled laser.

    Parameters
    ----------
    study : RigStudy
    """
    return marked_csv(
        list(_mark_rows(study)),
        [
            f"{study.scenario.title} ({study.scenario.source})",
            f"laser swivelled {study.stand.distance:.4g} m from the middle of the facets",
            "from the base's centre, platform axes",
        ],
    )
