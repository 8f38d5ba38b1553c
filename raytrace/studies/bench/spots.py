"""Where the laser's spots belong, and what measured ones say: spots, watts, and what to redo."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np

from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.tolerances import tolerances_from_scenario
from raytrace.scenario.values import table_text
from raytrace.store.work import Progress, shares, work
from raytrace.studies.bench.spot_geometry import drawn_facets, spots_on_plane
from raytrace.studies.bench.spots_data import Spots, SpotsPlan

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Spots", "SpotsPlan", "spots"]


def spots(
    scenario: Scenario,
    plan: SpotsPlan | None = None,
    *,
    measured: Path | str | None = None,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> Spots:
    """Say where the laser's spot belongs on the target for each facet, or what measured ones say.

    Parameters
    ----------
    scenario : Scenario
        Its `errors.rig` is the laser.
    plan : SpotsPlan, optional
        By default with the scenario's seed.
    measured : path, optional
        Table of measured spots (.csv), see `raytrace.studies.bench.readings.read_measured`.
    path : path, optional
        Results file (.h5) to write.
    overwrite : bool
        Compute again, whatever of this program's is there.
    progress : callable, optional
        Called with how much is done, and of how much.
    threads : int, optional
        Changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    Spots
        Of measured spots with what redoing facets wins, in `Spots.redo`.

    Raises
    ------
    ScenarioError
        If the table can't be used; all problems at once, each with its row.
    SettingsError
        If the gain to reach is not positive, or the plane unknown.
    GeometryError
        If the readings are too uncertain to make sense, or nothing reaches the pot.
    StoreError
        If the path holds another study, or can't be written.

    Notes
    -----
    What redoing wins is part of this result, and no study of its own: a list of facets to redo
    means nothing without the spots that it was found from, and one file then holds both.
    """
    from raytrace.studies.bench.readings import read_measured
    from raytrace.studies.bench.redo import redo

    plan = SpotsPlan(seed=scenario.trace.seed) if plan is None else plan
    text = "" if measured is None else table_text(Path(measured))
    with work(
        "spots", [scenario], plan, path, overwrite=overwrite, in_parts=False, measured=text
    ) as kept:
        if kept.result is None:
            if measured is None:
                found = spots_of(scenario, plan)
            else:
                found = read_measured(scenario, text, plan, name=Path(measured).name)
                found = replace(found, redo=redo(found, threads=threads, progress=shares(progress)))
            kept.finish(found, command=command)
        return cast("Spots", kept.result)


def spots_of(scenario: Scenario, plan: SpotsPlan) -> Spots:
    """Where a laser at the rig's angle puts its spot from each facet, as designed or drawn.

    Parameters
    ----------
    scenario : Scenario
    plan : SpotsPlan
    """
    cooker = build_cooker(scenario)
    facets, rig = cooker.facets, tolerances_from_scenario(scenario).rig
    plane = plan.plane or scenario.errors.miss_plane
    mark = spots_on_plane(cooker, rig, plane)
    if plan.build is not None:
        facets = drawn_facets(scenario, cooker, seed=plan.seed, build=plan.build)
    return Spots(
        scenario=scenario,
        plan=plan,
        rig=rig,
        plane=plane,
        source="",
        mark=mark,
        spot=mark if plan.build is None else spots_on_plane(cooker, rig, plane, facets=facets),
        sigma=np.zeros(len(facets)),
        present=facets.present,
        reflectance=facets.reflectance,
        n=facets.n,
    )
