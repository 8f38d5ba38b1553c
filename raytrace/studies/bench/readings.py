"""A builder's table of measured spots: read, checked and turned into normals; or invented."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import turn
from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.cooker.tolerances import INVENTED, Rig, standard_normals, tolerances_from_scenario
from raytrace.csv_text import csv_text
from raytrace.exceptions import Problem, SettingsError
from raytrace.scenario.tables import SpotRow, read_spots, table_error
from raytrace.scenario.units import nearest
from raytrace.studies.bench.spot_geometry import (
    PLANES,
    drawn_facets,
    light_from,
    normals_from_spots,
    spots_on_plane,
    target_plane,
)
from raytrace.studies.bench.spots_data import Spots, SpotsPlan

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["invent_spots", "read_measured"]

Array = NDArray[np.float64]

KNOCK = 0.07  # how far an invented cooker's knocked facets are turned [rad]
GRAZING = np.radians(85.0)  # incidence past which no builder's mirror sends a spot anywhere


def read_measured(
    scenario: Scenario, text: str, plan: SpotsPlan | None = None, *, name: str = "spots.csv"
) -> Spots:
    """Read a table of measured spots and find the normals that explain them.

    Parameters
    ----------
    scenario : Scenario
        Its `errors.rig` is the laser that the spots were measured with.
    text : str
        CSV: `facet`, `x` and `y` or `z` with units in the header, from the base's centre along
        platform axes; optional `state`, `sigma` and `reflectance`. See
        `raytrace.scenario.tables.read_spots`.
    plan : SpotsPlan, optional
    name : str
        File name for messages.

    Returns
    -------
    Spots

    Raises
    ------
    ScenarioError
        If the table can't be used; all problems at once, each with its row.
    """
    plan = plan or SpotsPlan()
    cooker = build_cooker(scenario)
    facets, rig = cooker.facets, tolerances_from_scenario(scenario).rig
    plane, rows, problems = read_spots(name, text)
    index = {label: f for f, label in enumerate(facets.label)}
    F = len(facets)
    spot = np.full((F, 2), np.nan)
    sigma = np.zeros(F)
    present, reflectance = facets.present.copy(), facets.reflectance.copy()
    line = np.zeros(F, dtype=np.int64)
    for row in rows:
        f = index.get(row.facet)
        if f is None:
            problems.append(_unknown(name, row, facets.label))
            continue
        line[f] = row.line
        present[f] = row.state == "ok"
        if row.reflectance is not None:
            reflectance[f] = row.reflectance
        if row.x is not None and row.along is not None:
            spot[f] = row.x, row.along
            sigma[f] = plan.reading_error if row.sigma is None else row.sigma
    for f, words in _impossible(cooker, rig, plane, spot).items():
        problems.append(Problem(f"{name} row {line[f]}", f'facet "{facets.label[f]}": {words}'))
        spot[f] = np.nan
    named = {cell.strip() for words in text.splitlines() for cell in words.split(",")}
    left_out = [facets.label[f] for f in np.flatnonzero(present & (line == 0))]
    left_out = [label for label in left_out if label not in named]  # these rows are told already
    if left_out and rows and not plan.rest_as_designed:
        few = ", ".join(left_out[:8]) + (" …" if len(left_out) > 8 else "")
        problems.append(
            Problem(
                name,
                f"no row for {len(left_out)} of {F} facets: {few}. Add them, write missing as "
                "their state, or let the rest count as exactly set (--rest-as-designed).",
            )
        )
    if problems:
        raise table_error(name, problems)
    mark = spots_on_plane(cooker, rig, plane)
    return Spots(
        scenario=scenario,
        plan=plan,
        rig=rig,
        plane=plane,
        source=name,
        spot=spot,
        mark=mark,
        sigma=sigma,
        present=present,
        reflectance=reflectance,
        n=normals_from_spots(cooker, rig, plane, spot),
        doubts=tuple(_doubts(cooker, plane, spot, mark)),
    )


def _unknown(name: str, row: SpotRow, labels: tuple[str, ...]) -> Problem:
    near = nearest(row.facet, labels)
    hint = f' Nearest: "{near}".' if near else f' Labels run from "{labels[0]}" to "{labels[-1]}".'
    return Problem(
        f'{name} row {row.line} column "facet"', f' = "{row.facet}": no facet has this label.{hint}'
    )


def _impossible(cooker: Cooker, rig: Rig, plane: str, spot: Array) -> dict[int, str]:
    """Facets whose spot no mirror on their mount could make, and why."""
    point, _, pair = target_plane(cooker, plane)
    facets = cooker.facets
    c = facets.c
    light = np.asarray(light_from(cooker, rig, c))
    out: dict[int, str] = {}
    for f in np.flatnonzero(np.isfinite(spot).all(axis=1)):
        aim = point.copy()
        aim[pair] += spot[f]
        way = aim - c[f]
        distance = float(np.linalg.norm(way))
        if distance <= max(facets.half_u[f], facets.half_v[f]) + facets.mount_radius[f]:
            out[int(f)] = "this spot lies on the facet itself, where no mirror sends its light."
            continue
        both = light[f] + way / distance
        # half the length of the sum of two unit vectors is the cosine of half the angle between
        if 0.5 * np.linalg.norm(both) < np.cos(GRAZING):
            out[int(f)] = (
                "no mirror could make this spot: the light would have to go straight on, through "
                "the facet."
            )
        elif both[2] <= 0.0:
            out[int(f)] = "no mirror could make this spot: the facet would have to face down."
    return out


def _doubts(cooker: Cooker, plane: str, spot: Array, mark: Array) -> list[str]:
    """What a wrong unit or a wrong origin looks like."""
    seen = np.isfinite(spot).all(axis=1)
    if not seen.any():
        return ["no spot was measured: every facet counts as missing or as designed."]
    point, _, pair = target_plane(cooker, plane)
    origin = point[pair]
    middle = np.median(spot[seen], axis=0)
    away = float(np.linalg.norm(origin))
    if away > 0.1 and np.linalg.norm(middle - origin) < 0.25 * away < np.linalg.norm(middle):
        return [
            "the spots gather at the base's own place in the platform's axes; they are to be "
            "given from the base's centre, the middle of the target. Is that so?"
        ]
    with np.errstate(invalid="ignore"):
        off = np.linalg.norm(spot - mark, axis=1)
        far = np.flatnonzero(off > 0.25 * cooker.aim_distance)
    if not len(far):
        return []
    names = ", ".join(cooker.facets.label[f] for f in far[:6]) + (" …" if len(far) > 6 else "")
    return [
        f"{len(far)} spots lie further off their marks than a quarter of the facet's distance "
        f"({names}): check unit and sign."
    ]


def invent_spots(
    scenario: Scenario,
    *,
    plane: str | None = None,
    reading_error: float = 2e-3,
    seed: int = 1,
    build: int = 0,
) -> str:
    """Invent a measured file: a cooker drawn with the scenario's tolerances, and its spots.

    So that there is something to find, one facet has fallen off and two were knocked askew.

    Parameters
    ----------
    scenario : Scenario
    plane : str, optional
        "base" or "upright"; by default the scenario's `errors.miss_plane`.
    reading_error : float
        σ per axis of the readings. [m]
    seed, build : int
        Key of the draw.

    Returns
    -------
    text : str
        CSV, millimetres to one decimal.

    Raises
    ------
    SettingsError
        If a facet's beam does not reach the target plane.
    """
    cooker = build_cooker(scenario)
    plane = plane or scenario.errors.miss_plane
    facets = drawn_facets(scenario, cooker, seed=seed, build=build)
    z = standard_normals(seed, INVENTED, build, facets.row, facets.column, 3)[0]
    here = np.flatnonzero(facets.present)
    lost, *knocked = here[np.argsort(-z[here, 2])[:3]]
    askew = np.zeros((len(facets), 2))
    askew[knocked] = KNOCK * z[knocked, :2] / np.linalg.norm(z[knocked, :2], axis=1, keepdims=True)
    facets = replace(facets, n=turn(facets.n, facets.u, facets.v, askew))
    rig = tolerances_from_scenario(scenario).rig
    spot = 1e3 * (spots_on_plane(cooker, rig, plane, facets=facets) + reading_error * z[:, :2])
    lacking = [f for f in here if f != lost and not np.isfinite(spot[f]).all()]
    if lacking:
        raise SettingsError(
            f"{len(lacking)} facets send no light to an upright card here, "
            f"{facets.label[lacking[0]]} among them; use --plane base"
        )
    second = PLANES[plane][1]
    notes = [
        "Invented spots, to try the command with: nobody measured them.",
        f"{scenario.title}: build {build} of seed {seed}, read to {1e3 * reading_error:g} mm.",
        f"{facets.label[lost]} has fallen off; knocked askew: "
        f"{', '.join(facets.label[f] for f in knocked) or 'none'}.",
        "From the middle of the target, platform axes: x to the right, "
        + ("y toward the sun." if second == "y" else "z up."),
    ]
    rows: list[list[str]] = []
    for f, label in enumerate(facets.label):
        if f == lost or not facets.present[f]:
            rows.append([label, "", "", "", "missing"])
        else:
            x, along = spot[f] + 0.0
            rows.append([label, f"{x:.1f}", f"{along:.1f}", f"{1e3 * reading_error:g}", "ok"])
    return csv_text(["facet", "x_mm", f"{second}_mm", "sigma_mm", "state"], rows, notes)
