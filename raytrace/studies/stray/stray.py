"""Where a cooker's light goes under suns that it was not set for, and how strong it is there."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import SettingsError
from raytrace.light.history import moments
from raytrace.sky.sun import sun_at
from raytrace.store.work import Progress, work
from raytrace.studies.stray.around import HORIZON_AWAY
from raytrace.studies.stray.look import BEARINGS, Look
from raytrace.studies.stray.stray_data import Stray
from raytrace.studies.stray.stray_plan import HEIGHTS, StrayCase, StrayPlan, stray_cases

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["stray"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


def stray(
    scenario: Scenario,
    plan: StrayPlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> Stray:
    """Find where a cooker's light goes that the pot doesn't catch, and how strong it is there.

    Parameters
    ----------
    scenario : Scenario
    plan : StrayPlan, optional
        By default `StrayPlan.of(scenario)`.
    path : path, optional
        Results file (.h5) to write; each case is kept beside it as soon as it is done, so that the
        same call goes on where it was stopped.
    overwrite : bool
        Begin again, whatever of this program's is there.
    progress : callable, optional
        Called with the cases done, and with all.
    threads : int, optional
        One a processor by default; changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    Stray

    Raises
    ------
    StudyError
        If the sun never shines on the cooker on these dates.
    SettingsError
        If the plan names a case that there isn't.
    GeometryError
        If the platform would tilt into a pot on the ground.
    StoreError
        If the path holds another study, or can't be written.

    Notes
    -----
    The sky is clear even where the scenario has a weather file: the worst counts. A constant
    irradiance is kept. The sun's light is followed over one mirror only, and the ground, walls and
    the board stop nothing, so that what is found is at least what is there.

    Every sun is looked at along the facets' central rays and half-way between neighbours. The suns
    that lead at some distance are looked at again, with suns a quarter and half a step beside
    them; there each strongest place is climbed to, for the exactly set cooker and for builds.
    """
    plan = StrayPlan.of(scenario) if plan is None else plan
    known = {case.name: case for case in stray_cases(scenario, plan.headings)}
    strangers = [name for name in plan.cases if name not in known]
    if strangers:
        raise SettingsError(f"case {strangers[0]!r} is none of {', '.join(known)}")
    cases = tuple(known[name] for name in plan.cases or known)
    with work("stray", [scenario], plan, path, overwrite=overwrite) as kept:
        if kept.result is None:
            found = Look(scenario, plan, threads)
            parts = ((case.name, found.case(case)) for case in cases if case.name not in kept.done)
            kept.each(parts, progress, float(len(cases)))
            kept.finish(_put_together(found, cases, kept.done), command=command)
        result: Stray = kept.result
        return result


def _put_together(
    look: Look, cases: tuple[StrayCase, ...], done: Mapping[str, Mapping[str, Any]]
) -> Stray:
    parts = [done[case.name] for case in cases]
    all_seconds = np.unique(np.concatenate([np.asarray(p["seconds"]) for p in parts]))
    places = [np.searchsorted(all_seconds, np.asarray(p["seconds"])) for p in parts]
    sun = sun_at(look.clear, moments(all_seconds).tz_convert(look.clear.site.timezone))
    S = len(all_seconds)

    def over_suns(part: Mapping[str, Any], at: Whole, name: str, axis: int) -> Array:
        values = np.moveaxis(np.asarray(part[name]), axis, 0)
        out = np.full((S, *values.shape[1:]), np.nan)
        out[at] = values
        return np.moveaxis(out, 0, axis)

    def each(name: str, axis: int = 0) -> Array:
        every = zip(parts, places, strict=True)
        return np.stack([over_suns(part, at, name, axis) for part, at in every])

    def stacked(name: str) -> Array:
        return np.stack([np.asarray(p[name]) for p in parts])

    low, high = np.moveaxis(each("rings", axis=2), 1, 0)
    which = [np.asarray(p["around_sun"]) for p in parts]
    renumbered = [np.where(w >= 0, at[w], -1) for w, at in zip(which, places, strict=True)]
    things = each("things", axis=1)
    names = tuple(one.name for one in look.scenario.site.surroundings)
    T = len(names)
    build_rings = np.moveaxis(stacked("build_rings"), 0, 1)  # (B, C, 2, K)
    return Stray(
        scenario=look.scenario,
        plan=look.plan,
        cases=cases,
        times=tuple(t.isoformat(timespec="seconds") for t in sun.time),
        altitude=sun.alpha,
        azimuth=sun.gamma,
        dni=sun.dni,
        heading=each("heading"),
        tilt=each("tilt"),
        distances=look.plan.distance,
        bearings=np.radians((np.arange(BEARINGS) + 0.5) * 360.0 / BEARINGS),
        heights=HEIGHTS[1:],
        peak=each("peak"),
        peak_at=each("peak_at"),
        low=low[:, 0],
        low_bearing=low[:, 1],
        low_height=low[:, 2],
        low_lit=low[:, 3],
        low_fill=low[:, 4],
        high=high[:, 0],
        high_bearing=high[:, 1],
        high_height=high[:, 2],
        around=stacked("around"),
        around_sun=np.stack(renumbered),
        things=names,
        on_thing=things[:, 0, :, :T],
        on_thing_fill=things[:, 1, :, :T],
        horizon_away=np.array(HORIZON_AWAY),
        on_horizon=things[:, 0, :, T:],
        on_horizon_bearing=things[:, 2, :, T:],
        build_peak=stacked("build_peak").T,
        build_low=build_rings[:, :, 0],
        build_high=build_rings[:, :, 1],
        side=stacked("side"),
        side_sun=np.array([at[int(p["side_sun"])] for p, at in zip(parts, places, strict=True)]),
        side_bearing=stacked("side_bearing"),
        side_along=np.asarray(parts[0]["along"]),
        side_up=np.asarray(parts[0]["up"]),
    )
