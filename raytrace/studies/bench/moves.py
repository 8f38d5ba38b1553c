"""What can be undone in one move: the pot shifted or raised, the platform turned or tilted.

Whatever the cause was, a move is judged by the watts that it wins at the design sun.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker
from raytrace.exceptions import GeometryError
from raytrace.light.placed import Placed, placed_singly
from raytrace.light.setup import tilt_limits
from raytrace.studies.bench.common_cause import fitted_misfit, set_with
from raytrace.studies.bench.design_light import StillLight
from raytrace.studies.bench.spots_data import Cause, Misfit, Spots

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["UNDONE", "After", "moves_of", "places_of", "stood_after"]

Array = NDArray[np.float64]

# what each kind of move undoes, the easier ones first; the causes are those of `common_cause`
UNDONE = (
    *(("pot",), ("azimuth",), ("height",), ("altitude",)),
    *(("pot", "azimuth"), ("pot", "height"), ("pot", "altitude")),
)
MADE = np.array([*[1e-3] * 3, *[np.radians(0.1)] * 2, 1.0])  # how finely a move is made [m, rad]
LEAST_MADE = np.array([*[2.5e-3] * 3, *[np.radians(0.15)] * 2, np.inf])
PARTS = (1.0, 0.75, 1.25, 0.5)  # of the misfit that explains the spots best, as preferred


@dataclass(frozen=True, eq=False)
class After:
    """A cooker after a move.

    Attributes
    ----------
    cooker : Cooker
        As designed for where pot and platform stand now: what setting a facet again makes of it.
    light : StillLight
    """

    cooker: Cooker
    light: StillLight


def stood_after(scenario: Scenario, cooker: Cooker, light: StillLight, undone: Misfit) -> After:
    """Undo a misfit: move the pot to where the light goes, turn and tilt the platform to suit it.

    Parameters
    ----------
    scenario : Scenario
    cooker : Cooker
        As designed.
    light : StillLight
    undone : Misfit
        Its swivel can't be undone so, and must be 0.

    Returns
    -------
    After

    Raises
    ------
    GeometryError
        If no facet could be set again for it, or the platform tilts into a pot on the ground.
    """
    shift = np.array([undone.pot_x, undone.pot_y, undone.pot_z])
    facets = set_with(cooker, undone, by_laser=scenario.errors.set_by == "laser")
    pot = replace(cooker.pot, base=cooker.pot.base - shift)
    moved = replace(cooker, facets=facets, pot=pot, aim=cooker.aim - shift)
    meant = light.sun.meant.off_by(np.array([[-undone.azimuth, -undone.altitude, 0.0]]))
    return After(moved, replace(light, placed=placed_singly(moved, light.sun.direction, meant)))


def moves_of(
    measured: Spots, light: StillLight, causes: Sequence[Cause]
) -> tuple[list[tuple[str, ...]], list[Misfit]]:
    """Moves worth a trace: what each undoes, and how much of it.

    Parameters
    ----------
    measured : Spots
    light : StillLight
    causes : sequence of Cause
        A pot can be moved whatever the cause; platforms are turned for a laser's error alone.

    Returns
    -------
    kinds : list of tuple of str
    misfits : list of Misfit
    """
    scenario, cooker = measured.scenario, measured.cooker
    low, high = tilt_limits(scenario)
    tilts = isinstance(scenario.platform.tilt, str)
    may = {"pot", "height"}.union(*(cause.names for cause in causes))
    if not tilts:
        may -= {"altitude"}
    kinds = [kind for kind in UNDONE if may.issuperset(kind)]
    out: tuple[list[tuple[str, ...]], list[Misfit]] = ([], [])
    for kind, misfit in zip(kinds, fitted_misfit(measured, kinds), strict=True):
        for part in PARTS:
            undone = Misfit(*map(float, _as_told(part * np.array(misfit.numbers))))
            if undone in out[1] or undone == Misfit():
                continue
            if tilts and not low <= float(light.sun.meant.tilt[0]) - undone.altitude <= high:
                continue
            try:
                stood_after(scenario, cooker, light, undone)
            except GeometryError:
                continue
            out[0].append(kind)
            out[1].append(undone)
    return out


def _as_told(size: Array) -> Array:
    """A move as it can be told and made; parts too small to be made are left out."""
    steps = np.round(size / MADE) * MADE
    return np.where(np.abs(steps) < LEAST_MADE, 0.0, steps)


def places_of(afters: Sequence[After]) -> Placed:
    """Sun and pot after each of some moves.

    Parameters
    ----------
    afters : sequence of After

    Returns
    -------
    Placed
    """
    each = [after.light.placed for after in afters]
    return Placed(
        *(np.concatenate([getattr(p, k) for p in each]) for k in ("suns", "base", "axis"))
    )
