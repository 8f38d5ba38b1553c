"""Cooker and sun in, tally out: arrays for the kernels, replicates spread over threads."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.aiming import unit
from raytrace.cooker import Cooker
from raytrace.exceptions import GeometryError
from raytrace.tally import Tally

if TYPE_CHECKING:
    from raytrace.kernels.arrays import FacetArrays, Lists, MirrorArrays, PotArrays, SunArrays
    from raytrace.sunshapes import Sunshape

__all__ = ["Paths", "trace", "trace_paths", "trace_to_se"]

Array = NDArray[np.float64]

# 32-bit uniforms never fall below 2^-33: no normal pair lies further out than this
MOST_SIGMAS = float(np.sqrt(2.0 * 33.0 * np.log(2.0)))
REFLECTANCE_KNOTS = 513
MAX_BINS = 1024


@dataclass(frozen=True)
class Scene:
    """Arrays for the kernels, in the pot's frame."""

    facets: FacetArrays
    sun: SunArrays
    pot: PotArrays
    mirror: MirrorArrays
    lists: Lists

    @property
    def arrays(self) -> tuple[FacetArrays, SunArrays, PotArrays, MirrorArrays, Lists]:
        """As the kernels take them."""
        return self.facets, self.sun, self.pot, self.mirror, self.lists


def scene(cooker: Cooker, sun: Array, sunshape: Sunshape, dni: float) -> Scene:
    """Bundle a cooker and a sun for the kernels, with lists of what can stand in the way.

    Parameters
    ----------
    cooker : Cooker
        As built and posed.
    sun : ndarray, shape (3,)
        Direction to the sun, platform frame.
    sunshape : Sunshape
    dni : float
        Direct normal irradiance. [W/m²]
    """
    from raytrace.kernels.arrays import FacetArrays, MirrorArrays, PotArrays, SunArrays

    f, pot, mirror = cooker.facets, cooker.pot, cooker.mirror
    M = pot.frame
    facets = FacetArrays(
        c=np.ascontiguousarray((f.c - pot.base) @ M.T),
        n=np.ascontiguousarray(f.n @ M.T),
        u=np.ascontiguousarray(f.u @ M.T),
        v=np.ascontiguousarray(f.v @ M.T),
        half_u=f.half_u,
        half_v=f.half_v,
        shape=f.shape,
        present=f.present,
        area=f.area,
        own=f.reflectance,
        row=f.row,
        column=f.column,
    )
    s = unit(M @ sun)
    helper = np.array([1.0, 0.0, 0.0]) if abs(s[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    e1 = unit(np.cross(helper, s))
    sun_arrays = SunArrays(
        frame=np.stack([e1, np.cross(s, e1), s]),
        x_disc=float(sunshape.x_disc),
        table=np.ascontiguousarray(sunshape.table),
        psi_max=float(sunshape.psi_max),
        dni=float(dni),
    )
    pot_arrays = PotArrays(
        R=float(pot.R),
        height=float(pot.height),
        covered=float(pot.covered),
        posts=np.ascontiguousarray(pot.posts, dtype=float).reshape(-1, 6),
    )
    mirror_arrays = MirrorArrays(
        reflectance=np.ascontiguousarray(mirror.table(REFLECTANCE_KNOTS)),
        slope=float(mirror.slope),
        scatter=float(mirror.specularity),
    )
    lists = _lists(facets, s, sun_arrays.psi_max, mirror_arrays, pot_arrays)
    return Scene(facets, sun_arrays, pot_arrays, mirror_arrays, lists)


def _lists(
    facets: FacetArrays, s: Array, psi_max: float, mirror: MirrorArrays, pot: PotArrays
) -> Lists:
    from raytrace.kernels.arrays import Lists
    from raytrace.kernels.candidates import in_the_way

    F = len(facets.c)
    shape = (
        facets.c,
        facets.n,
        facets.u,
        facets.v,
        facets.half_u,
        facets.half_v,
        facets.shape,
        facets.present,
    )

    def listed(d: Array, spread: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        start = np.zeros(F + 1, dtype=np.int64)
        index = np.empty(8 * F, dtype=np.int64)
        while True:
            count = in_the_way(d, np.full(F, spread), *shape, start, index)
            if count <= len(index):
                return start, index[:count]
            index = np.empty(count, dtype=np.int64)

    shade = listed(np.tile(s, (F, 1)), psi_max)
    reflected = 2.0 * (facets.n @ s)[:, None] * facets.n - s
    # a slope turns the ray by twice its own angle, scatter by its angle
    spread = psi_max + 2.0 * np.arctan(MOST_SIGMAS * mirror.slope)
    spread += np.arctan(MOST_SIGMAS * mirror.scatter)
    block = listed(reflected, float(spread))

    # the pot's bounding sphere against the cone of directions to the sun from the facet's sphere
    to_pot = np.array([0.0, 0.0, 0.5 * pot.height]) - facets.c
    along = to_pot @ s
    away = np.sqrt(np.maximum((to_pot**2).sum(1) - along**2, 0.0))
    both = np.hypot(pot.R, 0.5 * pot.height) + np.sqrt(2.0) * np.maximum(
        facets.half_u, facets.half_v
    )
    reach = np.linalg.norm(to_pot, axis=1) + both
    pot_shades = (along > -both) & (away <= both + reach * np.sin(psi_max))
    return Lists(*shade, *block, pot_shades)


def trace(
    cooker: Cooker,
    sun: ArrayLike,
    sunshape: Sunshape,
    *,
    dni: float,
    rays: int = 1_000_000,
    replicates: int = 16,
    seed: int = 1,
    stream: int = 0,
    bins: int = 64,
    threads: int | None = None,
) -> Tally:
    """Trace a cooker at one position of the sun.

    Parameters
    ----------
    cooker : Cooker
        As built (`as_built`) and posed (`posed`), or from `cooker_from_arrays`.
    sun : array_like, shape (3,)
        Direction to the sun, platform frame; need not have length 1.
    sunshape : Sunshape
        How the sun's brightness spreads, from `raytrace.sunshapes`.
    dni : float
        Direct normal irradiance. [W/m²]
    rays : int
        Rays in all; rounded up so that each facet has the same power of two in each replicate.
    replicates : int
        Independent repetitions from whose spread the standard errors come; at least 2.
    seed : int
        Key of the samples: the same seed gives the same bits.
    stream : int
        Tells apart traces that should not share their samples.
    bins : int
        Bins along each side of the flux map.
    threads : int, optional
        Default: one per processor this process may use. Changes no bit of the result.

    Returns
    -------
    Tally

    Raises
    ------
    GeometryError
        If the arguments describe nothing that can be traced.
    """
    from raytrace.kernels.rays import N_LINES, trace_rays

    s = np.asarray(sun, dtype=float)
    if s.shape != (3,) or not np.isfinite(s).all() or not s.any():
        raise GeometryError("sun must be one direction, three finite numbers")
    if not np.isfinite(dni) or dni < 0.0:
        raise GeometryError("dni must be a finite number of W/m², 0 or more")
    if replicates < 2:
        raise GeometryError("replicates must be 2 or more: their spread gives the standard error")
    if rays < 1 or not 1 <= bins <= MAX_BINS:
        raise GeometryError(f"rays must be 1 or more, and bins between 1 and {MAX_BINS}")
    s = unit(s)
    arrays = scene(cooker, s, sunshape, dni).arrays
    F = len(cooker.facets)
    present = max(int(cooker.facets.present.sum()), 1)
    log2_points, replicates = _split(rays, present, replicates)
    power = np.zeros((replicates, F, N_LINES))
    base_power = np.zeros((replicates, bins, bins))

    def one(replicate: int) -> None:
        trace_rays(
            *arrays,
            seed,
            stream,
            replicate,
            log2_points,
            power[replicate],
            base_power[replicate],
        )

    _spread(one, replicates, threads)
    pot = cooker.pot
    return Tally(
        power=power,
        base_power=base_power,
        incoming=float(dni * cooker.facets.area.sum()),
        dni=float(dni),
        sun=s,
        R=pot.R,
        area=cooker.facets.area,
        labels=cooker.facets.label,
        absorptance=(pot.absorptance_base, pot.absorptance_side, pot.absorptance_lid),
        estimator="rays",
        samples_per_facet=1 << log2_points,
        seed=seed,
        stream=stream,
    )


def _split(rays: int, present: int, replicates: int) -> tuple[int, int]:
    """Log2 of the rays a facet and replicate, and the replicates that make up the rest."""
    from raytrace.kernels.random import MAX_LOG2_POINTS

    per_facet = -(-rays // (present * replicates))
    log2_points = min((per_facet - 1).bit_length(), MAX_LOG2_POINTS)
    most = present << log2_points
    return log2_points, max(replicates, -(-rays // most))


def _spread(one: Any, count: int, threads: int | None) -> None:
    """Call one(0) … one(count - 1) on threads; results don't depend on how many."""
    if threads is None:
        threads = available_threads()
    threads = min(threads, count)
    if threads <= 1:
        for k in range(count):
            one(k)
        return
    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(one, range(count)):
            pass


def available_threads() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


# a standard error from n replicates wanders by 1/√(2(n - 1)); aim this much below the target
SAFETY = 0.8
MAX_RAYS = 1 << 36


def trace_to_se(
    cooker: Cooker,
    sun: ArrayLike,
    sunshape: Sunshape,
    *,
    dni: float,
    target_se: float,
    rays: int = 1 << 16,
    max_rays: int = MAX_RAYS,
    **options: Any,
) -> Tally:
    """Trace until the delivered watts' relative standard error is within a target.

    Stages of growing size use independent samples, and each only decides the size of the next.
    The stage reported is one whose size was fixed before its own samples were seen, and it is
    reported whatever it gives: to stop at the first lucky standard error would bias watts and
    error alike. If its own standard error misses the target, which the margin makes rare, the
    tally says so.

    Parameters
    ----------
    cooker, sun, sunshape, dni
        As in `trace`.
    target_se : float
        Standard error of the delivered watts over the delivered watts.
    rays : int
        Size of the first stage.
    max_rays : int
        Most rays in the last stage.
    **options
        `replicates`, `seed`, `bins`, `threads` of `trace`.

    Returns
    -------
    Tally
        Of the last stage alone.
    """
    if not 0.0 < target_se < 1.0:
        raise GeometryError("target_se must lie between 0 and 1")
    options.pop("stream", None)
    stream = 1
    while True:
        pilot = trace(cooker, sun, sunshape, dni=dni, rays=rays, stream=stream, **options)
        stream += 1
        relative = float(pilot.delivered.relative_se)
        if not np.isfinite(relative) or relative == 0.0:
            # nothing arrives, or nothing varies: more samples change nothing
            ratio = 1.0
        else:
            ratio = relative / (SAFETY * target_se)
        # plain Monte Carlo's rate: shifted lattices do better, so this asks for enough
        wanted = int(min(pilot.n_samples * max(ratio, 1.0) ** 2, max_rays))
        if ratio <= 8.0 or wanted >= max_rays:
            return trace(cooker, sun, sunshape, dni=dni, rays=wanted, stream=0, **options)
        rays = 16 * pilot.n_samples


@dataclass(frozen=True, eq=False)
class Paths:
    """Single rays, for pictures and checks; platform frame, one row per ray.

    Attributes
    ----------
    facet : ndarray of int64, shape (N,)
        Which facet the ray strikes.
    point : ndarray, shape (N, 3)
        Where. [m]
    to_sun, reflected : ndarray, shape (N, 3)
        Unit vectors toward the sampled point of the sun and along the reflected ray.
    distance : ndarray, shape (N,)
        Along the reflected ray to what it meets; inf if nothing. [m]
    fate : ndarray of int64, shape (N,)
        Index into `raytrace.tally.LINES`.
    share : ndarray, shape (N,)
        Share of DNI that falls on the facet's plane.
    """

    facet: NDArray[np.int64]
    point: Array
    to_sun: Array
    reflected: Array
    distance: Array
    fate: NDArray[np.int64]
    share: Array

    def __len__(self) -> int:
        return len(self.facet)


def trace_paths(
    cooker: Cooker, sun: ArrayLike, sunshape: Sunshape, *, rays: int = 1000, seed: int = 1
) -> Paths:
    """Follow single rays and keep where they went.

    Parameters
    ----------
    cooker, sun, sunshape
        As in `trace`.
    rays : int
        How many, rounded up to the same power of two for each facet.
    seed : int
        Key of the samples.

    Returns
    -------
    Paths
        Rays that strike a mirror's front; the others' share would be 0.
    """
    from raytrace.kernels.rays import record_rays

    arrays = scene(cooker, unit(np.asarray(sun, dtype=float)), sunshape, 1.0).arrays
    F = len(cooker.facets)
    log2_points, _ = _split(rays, max(int(cooker.facets.present.sum()), 1), 1)
    out = np.zeros((F, 1 << log2_points, 12))
    record_rays(*arrays, seed, log2_points, out)
    facet, index = np.nonzero(cooker.facets.present[:, None] & (out[:, :, 11] > 0.0))
    kept = out[facet, index]
    M, base = cooker.pot.frame, cooker.pot.base
    return Paths(
        facet=facet,
        point=kept[:, 0:3] @ M + base,
        to_sun=kept[:, 3:6] @ M,
        reflected=kept[:, 6:9] @ M,
        distance=kept[:, 9],
        fate=kept[:, 10].astype(np.int64),
        share=kept[:, 11],
    )
