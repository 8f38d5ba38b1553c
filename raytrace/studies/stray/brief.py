"""About how far to stay away, in about a second: a few suns, a few places under each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raytrace.scenario.schema import Scenario
from raytrace.studies.stray.around import points_at
from raytrace.studies.stray.limits import LEAST, of_mirrors
from raytrace.studies.stray.look import Look
from raytrace.studies.stray.search import crowded
from raytrace.studies.stray.stray_data import farthest_over
from raytrace.studies.stray.stray_plan import StrayPlan, stray_cases
from raytrace.studies.stray.yard import InYard

__all__ = ["MARGIN", "brief_reach"]

Array = NDArray[np.float64]

MARGIN = 1.25  # on what is found: suns and builds that are not looked at
RINGS, WIDEST = 13, 20.0  # distances looked at, to so many times the board's half-diagonal
STEP = 7200.0  # between two suns of a day [s]
MIRRORED = ("parked afternoon",)  # what the afternoon does to the morning's, and round about
CROWDED = 1500, 5, 16  # places tried at each distance, where most beams pass: over facets, within


def brief_reach(scenario: Scenario, level: float = LEAST.irradiance) -> float:
    """About how far a cooker that nobody minds passes an irradiance at people's heights.

    Parameters
    ----------
    scenario : Scenario
    level : float
        In all, the sun's on the same surface included. [W/m²]

    Returns
    -------
    float
        From the middle of the board, with a margin; 0 where it isn't passed beyond the board's
        corners, infinite where it still is at the farthest looked at. [m]

    Raises
    ------
    StudyError
        If the sun never shines on the cooker.

    Notes
    -----
    The cooker is exactly set and left as turned in the morning or at noon, or facing a quarter of
    the compass, on the days of the solstices and an equinox, every two hours. A quarter is added
    for what `cooker stray` finds besides, by finer steps and with errors of building: on the
    shipped scenarios that is less.
    """
    plan = StrayPlan.brief(scenario, step=STEP)
    look = Look(scenario, plan, 1)
    x0, x1, y0, y1 = look.exact.cooker.extent
    corner = 0.5 * float(np.hypot(x1 - x0, y1 - y0))
    distances = np.geomspace(corner, WIDEST * corner, RINGS)
    most = np.zeros(RINGS)
    for case in stray_cases(scenario, plan.headings):
        if not case.left or case.name in MIRRORED:
            continue
        poses = look.meant(case, look.suns)
        for k in range(len(look.suns.time)):
            yard = look.yard(look.exact, case, look.suns, k, poses)
            if yard is not None:
                which, points = _crowded(yard, distances, plan.people[1])
                np.maximum.at(most, which, yard.at(points).facing)
    return MARGIN * float(farthest_over(distances, most, of_mirrors(level)))


def _crowded(yard: InYard, distances: Array, top: float) -> tuple[NDArray[np.int64], Array]:
    """Places on cylinders where most beams pass below a height, and on which cylinder each is."""
    c, r = yard.rays
    facets, disc = yard.light.cooker.facets, yard.light.shape.radius
    size = 2.0 * float(np.minimum(facets.half_u, facets.half_v).max())
    which, places = [np.zeros(0, np.int64)], [np.zeros((0, 3))]
    many = int(np.clip(CROWDED[0] // max(len(c), 1), *CROWDED[1:]))
    for k, away in enumerate(distances):
        out = points_at(c, r, float(away))
        wide = size + 2.0 * disc * float(away)
        out = out[(out[:, 2] > -wide) & (out[:, 2] < top + wide)]
        out[:, 2] = np.clip(out[:, 2], 0.0, top)
        out = out[crowded(out, np.full(len(out), 0.5 * wide), many)]
        which.append(np.full(len(out), k))
        places.append(out)
    return np.concatenate(which), np.concatenate(places)
