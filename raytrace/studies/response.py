"""Light on the pot as a table over the sun's direction in the platform frame, for quick lookups.

A table costs a few thousand traces and then serves any number of days, starts and habits. Where
only a few habits or days are wanted, tracing each moment is as quick and needs no table.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.bulk import trace_cases
from raytrace.exceptions import GeometryError
from raytrace.pose import Poses, pot_places
from raytrace.studies.one_run import design_tilt, tilt_limits
from raytrace.studies.pot_light import Bench, Pairs, PotLight
from raytrace.tally import BASE, LID, SIDE, SPILT

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Response", "response"]

Array = NDArray[np.float64]

COARSE = np.radians(5.0)  # of the search for the part of the sky that reaches the pot
SPACINGS = np.radians((3.0, 1.5, 0.75))  # tried one after the other
TILT_STEP = np.radians(4.0)
SIGMAS = 4.0  # of the pointing's tilt and cross error that the table covers
NOTHING = 5e-4  # of the peak: directions with less than this count as dark
MOST_NODES = 60_000
LINES = (BASE, SIDE, LID, SPILT)


@dataclass(frozen=True, eq=False)
class Response:
    """Light on the pot for 1 W/m² against where the sun stands, as the platform sees it.

    Attributes
    ----------
    bench : Bench
    axes : tuple of ndarray
        Nodes of altitude and azimuth (clockwise from the heading) in the platform frame, of tilt
        and of cross-level; the last two have one node unless they move the pot. [rad]
    table : ndarray, shape (A, Z, T, X, r, 4)
        On base, side and lid, and spilt, in each replicate. [m²]
    error, error_rms : float
        Greatest and root mean square difference of the watts on the base from tracing, at fresh
        directions with fresh samples, over the peak. The tracing's noise is in it.
    checked : int
        How many directions.
    """

    bench: Bench
    axes: tuple[Array, Array, Array, Array]
    table: Array
    error: float
    error_rms: float
    checked: int

    @property
    def peak(self) -> float:
        """Greatest of the table's nodes: light on the base for 1 W/m². [m²]"""
        return float(self.table[..., 0].mean(axis=-1).max())

    def at(self, alpha: Array, azimuth: Array, tilt: Array, cross: Array) -> Array:
        """Look the light up for 1 W/m², N directions.

        Parameters
        ----------
        alpha, azimuth : ndarray, shape (N,)
            Of the sun in the platform frame. [rad]
        tilt, cross : ndarray, shape (N,)
            How the platform stands; beyond the table's ends, what these give. [rad]

        Returns
        -------
        ndarray, shape (N, r, 4)
            As in `table`; 0 where hardly any light reaches the pot. [m²]
        """
        spline, used = _spline(self.axes, self.table)
        asked = np.stack([alpha, azimuth, tilt, cross], axis=-1)
        low = np.array([x[0] for x in self.axes])
        high = np.array([x[-1] for x in self.axes])
        inside = ((asked >= low) & (asked <= high))[:, :2].all(axis=1)
        out = np.zeros((len(asked), *self.table.shape[4:]))
        if inside.any():
            out[inside] = spline(np.clip(asked, low, high)[inside][:, used])
        return np.maximum(out, 0.0)

    def light(self, pairs: Pairs) -> PotLight:
        """Light on the pot at many moments, looked up instead of traced.

        Parameters
        ----------
        pairs : Pairs
            For the `tracer` of `raytrace.studies.pot_light.pot_light`.

        Returns
        -------
        PotLight
            `leaving` is what the table holds; where the light misses the pot widely it is 0.
        """
        poses = pairs.poses[pairs.turning]
        x, y, z = pairs.s.T
        found = self.at(np.arcsin(np.clip(z, -1.0, 1.0)), np.arctan2(x, y), poses.tilt, poses.cross)
        return pairs.light(found * np.where(pairs.lit, pairs.dni, 0.0)[:, None, None])


def response(
    bench: Bench,
    *,
    target: float = 0.005,
    beams: int = 8,
    replicates: int = 4,
    checks: int = 200,
) -> Response:
    """Trace a table, fine enough that looking up is as good as tracing.

    Parameters
    ----------
    bench : Bench
    target : float
        Greatest error at fresh directions, over the peak.
    beams, replicates : int
        Beams a facet in each replicate of each node, and replicates.
    checks : int
        Fresh directions at which it is checked.

    Returns
    -------
    Response

    Raises
    ------
    GeometryError
        If no light reaches the pot from anywhere, or if a table of the error wanted would be too
        large.

    Notes
    -----
    Cubic splines over altitude and azimuth, in boxes that hold all directions with more than
    0.05 % of the peak; over tilt and cross-level too where they move the pot against the
    platform (a pot on the ground, or one kept level). Nodes share their samples, so that the
    table is smooth; the check's are others. The sun's size is the scenario's, or the usual one
    where it goes by the date.
    """
    tilts, crosses = _poses_covered(bench)
    box = _lit_box(bench, tilts, crosses)
    rng = np.random.default_rng(np.random.SeedSequence([bench.settings.seed, 6]))
    found: Response | None = None
    for spacing in SPACINGS:
        axes = (_nodes(*box[0], spacing), _nodes(*box[1], spacing), tilts, crosses)
        count = int(np.prod([len(x) for x in axes]))
        if count > MOST_NODES:
            break
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 4)
        table = _trace(bench, grid, beams, replicates, 0)
        shape = tuple(len(x) for x in axes)
        rough = Response(bench, axes, table.reshape(*shape, replicates, 4), np.nan, np.nan, 0)
        low, high = (np.array([x[k] for x in axes]) for k in (0, -1))
        fresh = low + (high - low) * rng.random((checks, 4))
        direct = _trace(bench, fresh, 4 * beams, replicates, np.arange(1, checks + 1))
        off = (rough.at(*fresh.T) - direct)[..., 0].mean(axis=1) / rough.peak
        error, rms = float(np.abs(off).max()), float(np.sqrt((off**2).mean()))
        found = Response(bench, axes, rough.table, error, rms, checks)
        if error <= target:
            return found
    said = "" if found is None else f"; the finest tried is off by {100 * found.error:.2f} %"
    raise GeometryError(
        f"a table of the light over the sun's direction, good to {100 * target:g} % of the peak, "
        f"would need more than {MOST_NODES} nodes{said}. Trace each moment instead"
    )


def _poses_covered(bench: Bench) -> tuple[Array, Array]:
    """Nodes of tilt and cross-level: one each where they do not move the pot."""
    scenario, pot = bench.scenario, bench.cooker.pot
    p = scenario.errors.pointing
    follows = isinstance(scenario.platform.tilt, str)
    low, high = tilt_limits(scenario) if follows else (design_tilt(scenario),) * 2
    if pot.stand == "platform" and not pot.levelled:
        return np.array([0.5 * (low + high)]), np.zeros(1)
    spread = SIGMAS * p.tilt_rms
    tilt = _nodes(low + p.tilt_bias - spread, high + p.tilt_bias + spread, TILT_STEP)
    return tilt, _nodes(
        p.cross_bias - SIGMAS * p.cross_rms, p.cross_bias + SIGMAS * p.cross_rms, TILT_STEP
    )


def _nodes(low: float, high: float, step: float) -> Array:
    """Even nodes from one end to the other, three or more; one where the ends meet."""
    if high - low < 1e-9:
        return np.array([low])
    return np.linspace(low, high, max(int(np.ceil((high - low) / step)) + 1, 3))


def _lit_box(bench: Bench, tilts: Array, crosses: Array) -> tuple[tuple[float, float], ...]:
    """Altitudes and azimuths that hold all directions from which the pot gets light."""
    alpha = np.linspace(0.0, 0.5 * np.pi, round(0.5 * np.pi / COARSE) + 1)[1:]
    azimuth = np.linspace(-np.pi, np.pi, round(2.0 * np.pi / COARSE) + 1)
    poses = list(product(tilts[[0, -1]], crosses[[0, -1]]))
    grid = np.array([(a, z, *p) for a in alpha for z in azimuth for p in dict.fromkeys(poses)])
    seen = _trace(bench, grid, 4, 2, 0)[..., :3].sum(axis=2).mean(axis=1)
    if not seen.max() > 0.0:
        raise GeometryError("no light reaches the pot from any direction of the sun")
    lit = grid[seen > NOTHING * seen.max()]
    ends = []
    for k, (least, most) in enumerate(((0.0, 0.5 * np.pi), (-np.pi, np.pi))):
        ends.append((max(lit[:, k].min() - COARSE, least), min(lit[:, k].max() + COARSE, most)))
    return tuple(ends)


def _trace(bench: Bench, grid: Array, beams: int, replicates: int, streams: Any) -> Array:
    """Trace directions and poses (N, 4), at 1 W/m²: base, side, lid and spilt, (N, r, 4)."""
    alpha, azimuth, tilt, cross = grid.T
    level = np.cos(alpha)
    s = np.stack([level * np.sin(azimuth), level * np.cos(azimuth), np.sin(alpha)], axis=-1)
    base, axis = pot_places(bench.cooker, Poses(np.zeros(len(grid)), tilt, cross))
    cases = trace_cases(
        bench.cooker,
        s,
        bench.shape,
        dni=1.0,
        pot_base=base,
        pot_axis=axis,
        beams_per_facet=beams,
        replicates=replicates,
        seed=bench.settings.seed,
        streams=streams,
        threads=bench.settings.threads,
    )
    return cases.power[:, :, list(LINES)]


def _spline(axes: Sequence[Array], table: Array) -> tuple[Any, list[int]]:
    """Tensor product of splines over the axes with more than one node, and which these are."""
    from scipy.interpolate import NdBSpline, make_interp_spline

    used = [k for k, x in enumerate(axes) if len(x) > 1]
    degrees = [min(3, len(axes[k]) - 1) for k in used]
    c = table.reshape(*(len(axes[k]) for k in used), *table.shape[4:])
    ends = []
    for place, (k, degree) in enumerate(zip(used, degrees, strict=True)):
        fitted = make_interp_spline(axes[k], c, k=degree, axis=place)
        c = np.moveaxis(fitted.c, 0, place)  # it comes with the fitted axis first
        ends.append(fitted.t)
    return NdBSpline(tuple(ends), np.ascontiguousarray(c), tuple(degrees)), used
