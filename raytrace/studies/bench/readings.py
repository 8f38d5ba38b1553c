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
from raytrace.scenario.plausible import beyond_reach
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
        platform axes; optional `state`, `sigma`, `reflectance` and `time`. Facets may be left
        out. See `raytrace.scenario.tables.read_spots`.
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
    index = {label: f for f, label in enumerate(facets.label)}
    said: list[str] = []
    plane, rows, problems = read_spots(name, text, labels=index, said=said)
    F = len(facets)
    spot = np.full((F, 2), np.nan)
    sigma, way = np.zeros(F), np.full(F, np.nan)
    present, reflectance = facets.present.copy(), facets.reflectance.copy()
    line = np.zeros(F, dtype=np.int64)
    off = np.zeros(F, dtype=bool)
    for row in {row.facet: row for row in rows}.values():  # the last counts, where there are times
        f = index.get(row.facet)
        if f is None:
            problems.append(_unknown(name, row, facets.label))
            continue
        line[f] = row.line
        present[f], off[f] = row.state in ("ok", "off"), row.state == "off"
        way[f] = np.nan if row.way is None else row.way
        if row.reflectance is not None:
            reflectance[f] = row.reflectance
        if row.x is not None and row.along is not None:
            spot[f] = row.x, row.along
            sigma[f] = plan.reading_error if row.sigma is None else row.sigma
    mark = spots_on_plane(cooker, rig, plane)
    impossible = _impossible(cooker, rig, plane, spot)
    for f, words in impossible.items():
        problems.append(Problem(f"{name} row {line[f]}", f'facet "{facets.label[f]}": {words}'))
        spot[f] = np.nan
    n = normals_from_spots(cooker, rig, plane, spot)
    turned = np.arccos(np.clip((n * facets.n).sum(axis=1), -1.0, 1.0))
    for k in np.flatnonzero(np.isfinite(spot).all(axis=1)).tolist():
        far = float(np.linalg.norm(spot[k] - mark[k]))
        if askew := beyond_reach(float(spot[k, 0]), float(spot[k, 1]), far, float(turned[k])):
            where = f'{name} row {line[k]} facet "{facets.label[k]}"'
            problems.append(Problem(where, askew))
    if problems:
        raise table_error(name, problems)
    card = scenario.errors.rig.card
    if not off.all(where=line > 0):
        said += _doubts(cooker, plane, spot, mark)
    if off.any():
        said.append(_off_words(cooker, card, off, spot))
        spot[off] = _card_edge(card, way[off], mark[off])
        n = normals_from_spots(cooker, rig, plane, spot)
    left_out = facets.present & (line == 0)
    if left_out.any():
        said.append(_rest_words(facets.label, left_out))
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
        n=n,
        off_card=off if off.any() else None,
        doubts=tuple(said),
    )


def _card_edge(card: float, way: Array, mark: Array) -> Array:
    """Where spots left a square card, shape (N, 2); nearest to its mark where no way was seen."""
    half = 0.5 * card
    side = np.argmax(np.abs(mark), axis=1)
    nearest = np.clip(mark, -half, half)
    row = np.arange(len(mark))
    nearest[row, side] = np.where(mark[row, side] < 0.0, -half, half)
    out = np.stack([np.cos(way), np.sin(way)], axis=1)
    edge = half * out / np.abs(out).max(axis=1, keepdims=True)
    return np.asarray(np.where(np.isnan(way)[:, None], nearest, edge))


def _off_words(cooker: Cooker, card: float, off: NDArray[np.bool_], spot: Array) -> str:
    """What is known of facets whose spots missed the card."""
    names = [label for label, away in zip(cooker.facets.label, off, strict=True) if away]
    it, they = ("it", "it") if len(names) == 1 else ("them", "they")
    words = (
        f"{_some(names)}: off the card, at least {500.0 * card:.0f} mm from the middle "
        f"(errors.rig.card). Set {it} again. Counted as at the card's edge, so the watts are the "
        f"most that {they} can bring; the least is none."
    )
    with np.errstate(invalid="ignore"):
        over = (np.abs(spot) > 0.5 * card).any(axis=1)
    if over.any():
        label = cooker.facets.label[int(np.argmax(over))]
        words += f" But {label} was read farther out: how large is the card?"
    return words


def _rest_words(labels: tuple[str, ...], left_out: NDArray[np.bool_]) -> str:
    """How many facets were measured, and what is assumed of the rest."""
    rest = int(left_out.sum())
    return (
        f"{len(labels) - rest} of {len(labels)} facets measured. The other {rest} count as exactly "
        "set, which flatters the cooker, and nothing is advised on them; the 95 % interval has "
        "them set as the workshop does."
    )


def _some(names: list[str], most: int = 6) -> str:
    return ", ".join(names[:most]) + (" …" if len(names) > most else "")


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

    So that there is something to find, one facet has fallen off and two were knocked askew; and the
    pot stands out of its place by the scenario's `errors.pot.bias`.

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
    # spots are counted from where the pot's base really stands
    put = replace(cooker.pot, base=cooker.pot.base + np.array(scenario.errors.pot.bias))
    seen = spots_on_plane(replace(cooker, pot=put), rig, plane, facets=facets)
    spot = 1e3 * (seen + reading_error * z[:, :2])
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
