"""Many sun positions, many builds, or both in one call: watts without maps, spread over threads."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.aiming import unit
from raytrace.cooker.geometry import Cooker, pot_frames
from raytrace.cooker.tolerances import Builds
from raytrace.exceptions import GeometryError
from raytrace.optics.tally import LINES
from raytrace.optics.tracing import MAX_SEED, RAYS_PER_BEAM, make_cast, trace
from raytrace.parallel.interrupts import call, ready
from raytrace.parallel.pieces import PIECE, spread
from raytrace.parallel.workers import usable_processors
from raytrace.sky.sunshape import Sunshape
from raytrace.statistics.estimate import Estimate

__all__ = ["Cases", "trace_cases"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Cases:
    """Ledgers of many cases.

    Attributes
    ----------
    power : ndarray, shape (C, n_replicates, L)
        Where the sunlight goes, by `raytrace.optics.tally.LINES`. [W]
    incoming : ndarray, shape (C,)
        DNI on the full mirror area. [W]
    by_facet : ndarray, shape (C, n_replicates, F, L), or None
        The same by facet, if asked for. [W]
    """

    power: Array
    incoming: Array
    by_facet: Array | None

    def line(self, name: str) -> Estimate:
        """One line of the ledger.

        Parameters
        ----------
        name : str
            One of `LINES`.

        Returns
        -------
        Estimate, shape (C,)
            [W]
        """
        return Estimate.from_replicates(self.power[:, :, LINES.index(name)].T)

    @property
    def delivered(self) -> Estimate:
        """Power that arrives on the base, shape (C,). [W]"""
        return self.line("base")

    @property
    def intercept(self) -> Estimate:
        """Share of the light leaving the mirrors unblocked that arrives on the base, shape (C,)."""
        leaving = self.power[:, :, LINES.index("missed") :].transpose(1, 0, 2)

        def share(mean: Array) -> Array:
            total = mean.sum(axis=-1)
            return np.where(total > 0.0, mean[..., -1] / np.where(total > 0.0, total, 1.0), np.nan)

        return Estimate.from_jackknife(share, leaving)


def trace_cases(
    cooker: Cooker,
    suns: ArrayLike,
    sunshape: Sunshape,
    *,
    dni: ArrayLike,
    builds: Builds | None = None,
    build: ArrayLike | None = None,
    pot_base: ArrayLike | None = None,
    pot_axis: ArrayLike | None = None,
    sun_scale: ArrayLike = 1.0,
    beams_per_facet: int = 1,
    replicates: int = 8,
    seed: int = 1,
    streams: ArrayLike = 0,
    by_facet: bool = False,
    threads: int | None = None,
) -> Cases:
    """Trace many cases by beams; each is a sun, a build and a place of the pot.

    Parameters
    ----------
    cooker : Cooker
        What all cases share: outlines, mirror, pot; and facets and the pot's place where no
        `builds`, `pot_base` or `pot_axis` say otherwise.
    suns : array_like, shape (C, 3) or (3,)
        Directions to the sun, platform frame; need not have length 1.
    sunshape : Sunshape
    dni : array_like, shape (C,) or scalar
        Direct normal irradiance. [W/m²]
    builds : Builds, optional
        Draws of the cooker, from `raytrace.cooker.tolerances.draw_builds`.
    build : array_like of int, shape (C,), optional
        Which of `builds` each case has; by default case k has build k, or all have the only one.
    pot_base : array_like, shape (C, 3) or (3,), optional
        Centre of the base, platform frame; by default the build's or the cooker's. [m]
    pot_axis : array_like, shape (C, 3) or (3,), optional
        From base to lid.
    sun_scale : array_like, shape (C,) or scalar
        The sun's size over that of `sunshape`.
    beams_per_facet : int
        In each replicate; rounded up to a power of two.
    replicates : int
        Independent repetitions behind the standard errors; 1 gives none.
    seed : int
        Key of the samples.
    streams : array_like of int, shape (C,) or scalar
        Cases of one stream share their samples, so that their differences are sharp; cases of
        different streams are independent.
    by_facet : bool
        Keep each facet's ledger.
    threads : int, optional
        Default: one per processor this process may use. Changes no bit of the result.

    Returns
    -------
    Cases

    Raises
    ------
    GeometryError
        If the arrays don't match.
    """
    from raytrace.kernels import cases as kernels
    from raytrace.kernels.arrays import CaseArrays, FacetArrays
    from raytrace.kernels.random import MAX_LOG2_POINTS
    from raytrace.kernels.raster import make_rim
    from raytrace.kernels.rays import N_LINES

    f = cooker.facets
    suns = np.atleast_2d(np.asarray(suns, dtype=float))
    n_builds = 1 if builds is None else len(builds)
    sizes = [len(suns), np.size(dni), np.size(sun_scale), np.size(streams)]
    sizes += [len(np.atleast_2d(np.asarray(x))) for x in (pot_base, pot_axis) if x is not None]
    sizes.append(n_builds if build is None else np.size(build))
    C = max(sizes)
    if any(size not in (1, C) for size in sizes):
        raise GeometryError(f"arrays over cases have lengths {sizes}; each must be 1 or {C}")
    if replicates < 1:
        raise GeometryError("replicates must be 1 or more")
    if not np.isfinite(suns).all() or not (np.linalg.norm(suns, axis=1) > 0.0).all():
        raise GeometryError("suns must be finite directions")

    scales = np.asarray(sun_scale, dtype=float)
    if not (np.isfinite(np.asarray(dni, dtype=float)).all() and np.min(dni) >= 0.0):
        raise GeometryError("dni must be finite numbers of W/m², 0 or more")
    if not (np.isfinite(scales).all() and scales.min() > 0.0):
        raise GeometryError("sun_scale must be positive")
    if scales.max() * np.sin(sunshape.psi_max) > 1.0:
        raise GeometryError("sun_scale makes the sun wider than half the sky")
    for name, place in (("pot_base", pot_base), ("pot_axis", pot_axis)):
        if place is not None and not np.isfinite(np.asarray(place, dtype=float)).all():
            raise GeometryError(f"{name} must be finite")
    if pot_axis is not None and not np.any(np.atleast_2d(pot_axis), axis=-1).all():
        raise GeometryError("pot_axis must not be zero")
    whole = {"streams": streams, "seed": seed, "build": 0 if build is None else build}
    for name, given in whole.items():
        if np.asarray(given).dtype.kind not in "iu":
            raise GeometryError(f"{name}: only whole numbers")
    if not 0 <= seed < MAX_SEED:
        raise GeometryError(f"seed must lie between 0 and {MAX_SEED - 1}")
    if not 1 <= beams_per_facet <= 1 << MAX_LOG2_POINTS:
        raise GeometryError(f"beams_per_facet must lie between 1 and {1 << MAX_LOG2_POINTS}")

    def each(x: ArrayLike, *tail: int) -> Array:
        # always writable, so that kernels are compiled once
        return np.array(np.broadcast_to(np.asarray(x, dtype=float), (C, *tail)), order="C")

    which = np.zeros(1) if n_builds == 1 else np.arange(n_builds)
    which = np.broadcast_to(which if build is None else np.asarray(build), (C,)).astype(np.int64)
    if len(which) and not (which.min() >= 0 and which.max() < n_builds):
        raise GeometryError(f"build must lie in 0 to {n_builds - 1}")
    if builds is None:
        c, n, u, v = (x[None] for x in (f.c, f.n, f.u, f.v))
        base = each(cooker.pot.base if pot_base is None else pot_base, 3)
    else:
        n, u, v = builds.n, builds.u, builds.v
        c = builds.mount + f.mount_radius[:, None] * n
        base = each(builds.base[which] if pot_base is None else pot_base, 3)
    axis = unit(each(cooker.pot.axis if pot_axis is None else pot_axis, 3))
    frame = pot_frames(axis)
    log2_points = (beams_per_facet - 1).bit_length()
    power = np.zeros((C, replicates, len(f) if by_facet else 1, N_LINES))
    fate = np.zeros(C, dtype=np.int64)
    sun, irradiance, scale = unit(each(suns, 3)), each(dni), each(sun_scale)
    keys = np.ascontiguousarray(np.broadcast_to(np.asarray(streams, dtype=np.int64), (C,)))
    arrays = (
        make_cast(cooker, sunshape),
        FacetArrays(*(np.ascontiguousarray(x) for x in (c, n, u, v))),
        CaseArrays(which, base, frame, sun, irradiance, scale, keys),
        (seed, log2_points),
        make_rim(cooker.pot.R, 1),
        power,
        fate,
    )
    threads = usable_processors() if threads is None else threads
    # a few blocks a thread even out their loads, and none takes long; each case's bits are its own
    long = C * replicates * len(f) << log2_points
    edges = np.linspace(0, C, min(C, max(8 * threads, long // PIECE)) + 1).astype(int).tolist()

    def one(k: int) -> Iterator[int]:
        call(kernels.trace_cases, (edges[k], edges[k + 1]), *arrays)
        yield edges[k + 1] - edges[k]

    ready(kernels.trace_cases, (0, C), *arrays)
    spread(one, len(edges) - 1, threads, whole=C)
    twice = max(replicates, 2)  # the fewest that rays have
    for k in np.flatnonzero(fate == kernels.BY_RAYS):
        facets, b = f, which[k]
        if builds is not None:
            facets = replace(f, mount=builds.mount[b], n=n[b], u=u[b], v=v[b])
        pot = replace(cooker.pot, base=base[k], axis=axis[k])
        tally = trace(
            replace(cooker, facets=facets, pot=pot),
            sun[k],
            replace(
                sunshape,
                table=scale[k] * sunshape.table,
                psi_max=float(np.arcsin(scale[k] * np.sin(sunshape.psi_max))),
            ),
            dni=float(irradiance[k]),
            estimator="rays",
            samples=(RAYS_PER_BEAM << log2_points) * twice * max(int(f.present.sum()), 1),
            replicates=twice,
            seed=seed,
            stream=int(keys[k]) % (MAX_SEED - 1),  # its own for all but the longest keys
            bins=1,
            threads=threads,
        )
        rows = tally.power if by_facet else tally.power.sum(axis=1, keepdims=True)
        power[k] = rows.reshape(replicates, -1, *rows.shape[1:]).mean(axis=1)
    return Cases(
        power=power.sum(axis=2),
        incoming=irradiance * f.area.sum(),
        by_facet=power if by_facet else None,
    )
