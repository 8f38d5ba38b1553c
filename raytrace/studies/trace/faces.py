"""Flux on the pot's wall and lid, and the flux on its base that many builds give on average."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError
from raytrace.optics.flux_grid import bin_edges, rim_area
from raytrace.optics.tally import LID, SIDE
from raytrace.statistics.estimate import Estimate
from raytrace.studies.trace.run import Run, TracePlan, run

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.trace.run import Moment

__all__ = ["FaceMaps", "face_maps", "mean_map"]

Array = NDArray[np.float64]

RAYS = 1 << 19
REPLICATES = 16


@dataclass(frozen=True, eq=False)
class FaceMaps:
    """Flux that arrives on the wall and the lid, in the pot's frame.

    Attributes
    ----------
    wall : Estimate, shape (Z, A)
        Upward from the base, then around. [W/m²]
    lid : Estimate, shape (Y, X)
        First y, then x; nan outside the rim. [W/m²]
    around : ndarray, shape (A + 1,)
        Edges of the wall's bins, from the platform's right toward the sun's side. [rad]
    up : ndarray, shape (Z + 1,)
        Edges of the wall's bins above the base. [m]
    across : ndarray, shape (X + 1,)
        Edges of the lid's bins along either side. [m]
    wall_area : ndarray, shape (Z, A)
        [m²]
    lid_area : ndarray, shape (Y, X)
        Within the rim. [m²]
    side_power, lid_power : Estimate
        Sums of flux times area. [W]
    """

    wall: Estimate
    lid: Estimate
    around: Array
    up: Array
    across: Array
    wall_area: Array
    lid_area: Array
    side_power: Estimate
    lid_power: Estimate


def face_maps(
    run: Run,
    moment: Moment | None = None,
    *,
    rays: int = RAYS,
    replicates: int = REPLICATES,
    around: int = 36,
    up: int = 8,
    across: int = 24,
) -> FaceMaps:
    """Map the flux on the pot's wall and lid by single rays.

    Parameters
    ----------
    run : Run
    moment : Moment, optional
        Of that run; the brightest by default.
    rays : int
        In all; rounded up as in `trace_paths`.
    replicates : int
        Independent repetitions, from whose spread the standard errors come; at least 2.
    around, up, across : int
        Bins around the wall, up the wall, and along a side of the square about the lid.

    Returns
    -------
    FaceMaps

    Raises
    ------
    GeometryError
        If there are fewer than 2 replicates, no ray or no bin, or the pot has no wall.
    """
    if replicates < 2 or min(rays, around, up, across) < 1:
        raise GeometryError("face maps need 2 replicates or more, a ray and a bin each way")
    pot = run.cooker.pot
    R, height = pot.R, pot.height
    if height <= 0.0:
        raise GeometryError("the pot has no wall: its height is 0")
    moment = run.brightest if moment is None else moment
    angles = np.linspace(-np.pi, np.pi, around + 1)
    heights = np.linspace(0.0, height, up + 1)
    edges = bin_edges(R, across)
    wall, lid = np.zeros((replicates, up, around)), np.zeros((replicates, across, across))
    for k in range(replicates):
        paths = run.paths(moment, max(rays // replicates, 1), replicate=k)
        x, y, z = run.in_pot(paths.end, moment).T
        watts = moment.dni * paths.weight
        on = paths.fate == SIDE
        wall[k] = _sums(z[on], np.arctan2(y[on], x[on]), watts[on], heights, angles)
        on = paths.fate == LID
        lid[k] = _sums(y[on], x[on], watts[on], edges, edges)
    wall_area = np.full((up, around), 2.0 * np.pi * R * height / (up * around))
    lid_area = rim_area(R, across)
    # the rim's own rounding may leave a ray in a bin that the rim only touches
    inside = np.where(lid_area > 0.0, lid_area, np.nan)
    return FaceMaps(
        wall=Estimate.from_replicates(wall / wall_area),
        lid=Estimate.from_replicates(lid / inside),
        around=angles,
        up=heights,
        across=edges,
        wall_area=wall_area,
        lid_area=lid_area,
        side_power=Estimate.from_replicates(wall.sum(axis=(1, 2))),
        lid_power=Estimate.from_replicates(lid.sum(axis=(1, 2))),
    )


def _sums(row: Array, column: Array, watts: Array, rows: Array, columns: Array) -> Array:
    """Watts by bin; what rounding puts beyond an edge goes to the bin at that edge."""
    row, column = np.clip(row, rows[0], rows[-1]), np.clip(column, columns[0], columns[-1])
    return np.asarray(np.histogram2d(row, column, (rows, columns), weights=watts)[0])


def mean_map(scenario: Scenario, builds: int, plan: TracePlan | None = None) -> Estimate:
    """Average the flux map of the base over cookers built with errors of their own.

    Parameters
    ----------
    scenario : Scenario
    builds : int
        How many, from the plan's build on; at least 2.
    plan : TracePlan, optional
        At one sun; by default `TracePlan.of(scenario)`.

    Returns
    -------
    Estimate, shape (Y, X)
        Nan outside the rim; the standard error is that of the mean over builds, and holds what
        the samples add. [W/m²]

    Raises
    ------
    GeometryError
        If there are fewer than 2 builds, or the plan has more moments than one.
    """
    plan = TracePlan.of(scenario) if plan is None else plan
    if builds < 2 or plan.kind == "day" or len(plan.at) > 1:
        raise GeometryError("a mean map needs 2 builds or more, at one sun")
    plans = (replace(plan, build=plan.build + k, draws=0) for k in range(builds))
    maps = [run(scenario, p).moments[0].tally.flux.value for p in plans]
    return Estimate.from_replicates(np.array(maps))
