"""Cooker and sun in, tally out: arrays for the kernels, replicates spread over threads."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.aiming import unit
from raytrace.cooker.geometry import Cooker
from raytrace.exceptions import GeometryError
from raytrace.optics.tally import LINES, Tally
from raytrace.parallel.interrupts import call, ready
from raytrace.parallel.pieces import PIECE, spread

if TYPE_CHECKING:
    from raytrace.kernels.arrays import Cast, Scene
    from raytrace.sky.sunshape import Sunshape

__all__ = ["Paths", "trace", "trace_paths", "trace_to_se"]

Array = NDArray[np.float64]

REFLECTANCE_KNOTS = 513
MAX_BINS = 1024
MAX_SEED = 1 << 53
MAX_SAMPLES = 1 << 40
MOST_FACETS = 256  # in a piece: among thousands each has much to look up, however few its samples
RAYS_PER_BEAM = 64  # where beams don't serve, so many rays do about as well
DEFAULT_SAMPLES = {"beams": 1 << 16, "rays": 1_000_000}


def make_cast(cooker: Cooker, sunshape: Sunshape) -> Cast:
    """Bundle what all cases of a cooker share: outlines, posts, pot, mirror and sunshape."""
    from raytrace.kernels.arrays import Cast, MirrorArrays, PotArrays

    f, pot, mirror = cooker.facets, cooker.pot, cooker.mirror
    posts = np.asarray(pot.posts, dtype=float).reshape(-1, 6)
    *placed, half_u, half_v = _post_faces(posts)
    c, n, u = (x @ pot.stand_axes for x in placed)
    K = len(c)
    return Cast(
        half_u=np.concatenate([f.half_u, half_u]),
        half_v=np.concatenate([f.half_v, half_v]),
        shape=np.concatenate([f.shape, np.zeros(K, dtype=np.int8)]),
        present=np.concatenate([f.present, np.ones(K, dtype=bool)]),
        area=f.area,
        own=f.reflectance,
        row=f.row,
        column=f.column,
        post_c=c,
        post_n=n,
        post_u=u,
        post_v=np.cross(n, u).reshape(-1, 3),
        pot=PotArrays(R=float(pot.R), height=float(pot.height), covered=float(pot.covered)),
        mirror=MirrorArrays(
            reflectance=np.ascontiguousarray(mirror.table(REFLECTANCE_KNOTS)),
            slope=float(mirror.slope),
            scatter=float(mirror.specularity),
            thickness=float(mirror.path_depth),
            index=float(mirror.index),
            bevel=float(mirror.bevel),
        ),
        x_disc=float(sunshape.x_disc),
        table=np.ascontiguousarray(sunshape.table),
        psi_max=float(sunshape.psi_max),
    )


def make_scene(cooker: Cooker, sun: Array, sunshape: Sunshape, dni: float) -> Scene:
    """Bundle a cooker and a sun for the kernels, with lists of what can stand in the way.

    Parameters
    ----------
    cooker : Cooker
        As built and posed.
    sun : ndarray, shape (3,)
        Direction to the sun, platform frame; length 1.
    sunshape : Sunshape
    dni : float
        Direct normal irradiance. [W/m²]
    """
    from raytrace.kernels import scenes
    from raytrace.kernels.arrays import FacetArrays

    f, pot = cooker.facets, cooker.pot
    cast = make_cast(cooker, sunshape)
    facets = FacetArrays(f.c, f.n, f.u, f.v)
    scene: Scene = call(scenes.make_scene, cast, facets, pot.base, pot.frame, sun, float(dni), 1.0)
    return scene


def _post_faces(posts: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Centres, normals, u axes and half-sizes of the posts' sides and bottoms, as dark plates.

    A box throws the shadow of its faces; the top touches the base, where no light passes.
    """
    low, high = posts[:, :3], posts[:, 3:]
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    faces = []
    for axis, sign in ((0, 1.0), (0, -1.0), (1, 1.0), (1, -1.0), (2, -1.0)):
        across, along = (axis + 1) % 3, (axis + 2) % 3
        n, u = np.zeros_like(middle), np.zeros_like(middle)
        n[:, axis] = sign
        u[:, across] = 1.0
        faces.append((middle + half * n, n, u, half[:, across], half[:, along]))
    c, n, u, half_u, half_v = (np.concatenate(x) for x in zip(*faces, strict=True))
    return c, n, u, half_u, half_v


def trace(
    cooker: Cooker,
    sun: ArrayLike,
    sunshape: Sunshape,
    *,
    dni: float,
    estimator: str = "beams",
    samples: int | None = None,
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
        How the sun's brightness spreads, from `raytrace.sunshape`.
    dni : float
        Direct normal irradiance. [W/m²]
    estimator : str
        "beams": a sample is one direction of the sun and one error of the surface for a whole
        facet, exact over its area; the fast one. "rays": a sample is a ray from a point; the
        reference. Both estimate the same integral. Where a facet reaches the height of the pot's
        base, beams don't serve and rays are traced instead, 64 for each beam asked for; the tally
        says which were.
    samples : int, optional
        Rays or beams in all; rounded up so that each facet has the same power of two in each
        replicate. Default: 1 000 000 rays or 65 536 beams.
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
    from raytrace.kernels.scenes import all_below

    s = np.asarray(sun, dtype=float)
    if s.shape != (3,) or not np.isfinite(s).all() or not s.any():
        raise GeometryError("sun must be one direction, three finite numbers")
    if not np.isfinite(dni) or dni < 0.0:
        raise GeometryError("dni must be a finite number of W/m², 0 or more")
    if replicates < 2:
        raise GeometryError("replicates must be 2 or more: their spread gives the standard error")
    if estimator not in DEFAULT_SAMPLES:
        raise GeometryError(f"estimator {estimator!r} is none of {', '.join(DEFAULT_SAMPLES)}")
    if not (0 <= seed < MAX_SEED and 0 <= stream < MAX_SEED):
        raise GeometryError(f"seed and stream must lie between 0 and {MAX_SEED - 1}")
    if samples is not None and not 1 <= samples <= MAX_SAMPLES:
        raise GeometryError(f"samples must lie between 1 and {MAX_SAMPLES}")
    if not 1 <= bins <= MAX_BINS:
        raise GeometryError(f"bins must lie between 1 and {MAX_BINS}")
    s = unit(s)
    scene = make_scene(cooker, s, sunshape, dni)
    present = max(int(cooker.facets.present.sum()), 1)
    keys = seed, stream
    counted = None
    if estimator == "beams" and call(all_below, scene.plates):
        split = _split(samples or DEFAULT_SAMPLES["beams"], present, replicates)
        counted = _count_beams(scene, *keys, *split, bins, threads)
    if counted is None:
        if estimator == "beams":
            estimator = "rays"
            samples = None if samples is None else samples * RAYS_PER_BEAM
        split = _split(samples or DEFAULT_SAMPLES["rays"], present, replicates)
        counted = _count_rays(scene, *keys, *split, bins, threads)
    pot = cooker.pot
    return Tally(
        power=counted[0],
        base_power=counted[1],
        incoming=float(dni * cooker.facets.area.sum()),
        dni=float(dni),
        sun=s,
        base_radius=pot.R,
        area=cooker.facets.area,
        labels=cooker.facets.label,
        absorptance=(pot.absorptance_base, pot.absorptance_side, pot.absorptance_lid),
        estimator=estimator,
        samples_per_facet=1 << split[0],
        seed=seed,
        stream=stream,
    )


def _count_rays(
    scene: Scene,
    seed: int,
    stream: int,
    log2_points: int,
    replicates: int,
    bins: int,
    threads: int | None,
) -> tuple[Array, Array]:
    from raytrace.kernels.arrays import Samples
    from raytrace.kernels.rays import N_LINES, trace_rays

    F, points = scene.plates.n_facets, 1 << log2_points
    power = np.zeros((replicates, F, N_LINES))
    base_power = np.zeros((replicates, bins, bins))

    def arguments(k: int) -> tuple[Any, ...]:
        return scene, Samples(seed, stream, k, log2_points), power[k], base_power[k]

    def one(k: int) -> Iterator[int]:
        for piece in _pieces(F, points):
            call(trace_rays, piece, *arguments(k))
            yield _size(piece)

    ready(trace_rays, _pieces(F, points)[0], *arguments(0))
    spread(one, replicates, threads, whole=replicates * F * points)
    return power, base_power


def _pieces(F: int, points: int) -> list[tuple[int, int, int, int]]:
    """Facets from … to …, samples from … to …: each piece of a replicate takes a moment only."""
    step, part = min(max(PIECE // points, 1), MOST_FACETS), min(points, PIECE)
    return [
        (first, min(first + step, F), start, start + part)
        for first in range(0, F, step)
        for start in range(0, points, part)
    ]


def _size(piece: tuple[int, int, int, int]) -> int:
    first, last, start, stop = piece
    return (last - first) * (stop - start)


def _count_beams(
    scene: Scene,
    seed: int,
    stream: int,
    log2_points: int,
    replicates: int,
    bins: int,
    threads: int | None,
) -> tuple[Array, Array] | None:
    """Power and map by beams; None if shadows cut some facet into more pieces than fit."""
    from raytrace.kernels.arrays import BaseMap, Samples
    from raytrace.kernels.beams import make_room, trace_beams
    from raytrace.kernels.raster import finish_map, make_rim
    from raytrace.kernels.rays import N_LINES

    F, points = scene.plates.n_facets, 1 << log2_points
    rim = make_rim(scene.pot.R, bins)
    power = np.zeros((replicates, F, N_LINES))
    base_power = np.zeros((replicates, bins, bins))
    whole = np.ones(replicates, dtype=bool)

    def arguments(k: int, room: Any) -> tuple[Any, ...]:
        marks, turns = np.zeros((bins, bins + 1)), np.zeros(len(rim.angle))
        samples = Samples(seed, stream, k, log2_points)
        return scene, room, samples, power[k], BaseMap(rim, marks, turns)

    def one(k: int) -> Iterator[int]:
        case = arguments(k, call(make_room))
        for piece in _pieces(F, points):
            if not call(trace_beams, piece, *case):
                whole[k] = False
                return
            yield _size(piece)
        call(finish_map, *case[-1], base_power[k])
        # a running sum may end a rounding below nothing
        np.maximum(base_power[k], 0.0, out=base_power[k])

    ready(trace_beams, _pieces(F, points)[0], *arguments(0, call(make_room)))
    spread(one, replicates, threads, whole=replicates * F * points)
    return (power, base_power) if whole.all() else None


def _split(samples: int, present: int, replicates: int) -> tuple[int, int]:
    """Log2 of the samples a facet and replicate, and the replicates that make up the rest."""
    from raytrace.kernels.random import MAX_LOG2_POINTS

    per_facet = -(-samples // (present * replicates))
    log2_points = min((per_facet - 1).bit_length(), MAX_LOG2_POINTS)
    most = present << log2_points
    return log2_points, max(replicates, -(-samples // most))


# a standard error from n replicates wanders by 1/√(2(n - 1)); aim this much below the target
SAFETY = 0.8
FIRST_STAGE = {"beams": 1 << 12, "rays": 1 << 16}
NOTHING = 1e-12  # share of the sunlight that is rounding, not watts
LAST_LEAP = 4.0  # greatest fall of the standard error from one stage to the next


def trace_to_se(
    cooker: Cooker,
    sun: ArrayLike,
    sunshape: Sunshape,
    *,
    dni: float,
    target_se: float,
    max_samples: int = MAX_SAMPLES,
    **options: Any,
) -> Tally:
    """Trace until the delivered watts' relative standard error is within a target.

    Stages of growing size use independent samples, and each only decides the size of the next.
    The stage reported is one whose size was fixed before its own samples were seen, and it is
    reported whatever it gives: to stop at the first lucky standard error would bias watts and
    error alike. Its own standard error, which the tally gives, may miss the target by a little;
    the margin makes that rare.

    Parameters
    ----------
    cooker, sun, sunshape, dni
        As in `trace`.
    target_se : float
        Standard error of the delivered watts over the delivered watts.
    max_samples : int
        Most samples in the last stage.
    **options
        `estimator`, `samples` (of the first stage), `replicates`, `seed`, `bins` and `threads`
        of `trace`.

    Returns
    -------
    Tally
        Of the last stage alone.

    Raises
    ------
    GeometryError
        If the arguments describe nothing that can be traced.
    """
    if not 0.0 < target_se < 1.0:
        raise GeometryError("target_se must lie between 0 and 1")
    options.pop("stream", None)
    samples = options.pop("samples", None) or FIRST_STAGE.get(options.get("estimator", "beams"))
    stream = 1
    while True:
        pilot = trace(
            cooker, sun, sunshape, dni=dni, samples=samples, stream=stream, **{**options, "bins": 1}
        )
        stream += 1
        options["estimator"] = pilot.estimator  # rays, where beams turned out not to serve
        relative = float(pilot.delivered.relative_se)
        # nothing arrives, or nothing varies: more samples change nothing
        settled = not np.isfinite(relative) or relative == 0.0
        settled = settled or float(pilot.delivered) <= NOTHING * pilot.incoming
        ratio = 1.0 if settled else relative / (SAFETY * target_se)
        # plain Monte Carlo's rate: shifted lattices do better, so this asks for enough
        wanted = int(min(pilot.n_samples * max(ratio, 1.0) ** 2, max_samples))
        if ratio <= LAST_LEAP or wanted >= max_samples:
            return trace(cooker, sun, sunshape, dni=dni, samples=wanted, stream=0, **options)
        samples = int(pilot.n_samples * LAST_LEAP**2)


@dataclass(frozen=True, eq=False)
class Paths:
    """Single rays, for pictures and checks; platform frame, one row per ray.

    Attributes
    ----------
    facet : ndarray of int64, shape (N,)
        Which facet the ray strikes.
    point, leaves : ndarray, shape (N, 3)
        Where, and where it leaves the mirror's glass, or would but for its rim. [m]
    to_sun, reflected : ndarray, shape (N, 3)
        Unit vectors toward the sampled point of the sun and along the reflected ray.
    distance : ndarray, shape (N,)
        Along the reflected ray to what it meets, inf if nothing, 0 if the glass's rim takes it;
        for a shaded ray along `to_sun` to what shades it. [m]
    fate : ndarray of int64, shape (N,)
        Index into `raytrace.optics.tally.LINES`.
    share : ndarray, shape (N,)
        Share of DNI that falls on the facet's plane. [1]
    weight : ndarray, shape (N,)
        What the ray stands for, times DNI its watts where it ends; after the mirror's loss, unless
        it is shaded; before the share that a grate under the base stops. [m²]
    """

    facet: NDArray[np.int64]
    point: Array
    leaves: Array
    to_sun: Array
    reflected: Array
    distance: Array
    fate: NDArray[np.int64]
    share: Array
    weight: Array

    @property
    def end(self) -> Array:
        """Where each reflected ray ends, shape (N, 3), platform frame; inf if nowhere. [m]"""
        with np.errstate(invalid="ignore"):
            return self.leaves + self.distance[:, None] * self.reflected

    def __len__(self) -> int:
        return len(self.facet)


def trace_paths(
    cooker: Cooker,
    sun: ArrayLike,
    sunshape: Sunshape,
    *,
    rays: int = 1000,
    seed: int = 1,
    replicate: int = 0,
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
    replicate : int
        Which independent repetition: the same rays as `trace` with "rays" and as many a facet.

    Returns
    -------
    Paths
        Rays that strike a mirror's front; the others' share would be 0.
    """
    from raytrace.kernels.arrays import Samples
    from raytrace.kernels.rays import record_rays

    scene = make_scene(cooker, unit(np.asarray(sun, dtype=float)), sunshape, 1.0)
    F = len(cooker.facets)
    log2_points, _ = _split(rays, max(int(cooker.facets.present.sum()), 1), 1)
    out = np.zeros((F, 1 << log2_points, 16))
    call(record_rays, scene, Samples(seed, 0, replicate, log2_points), out)
    facet, index = np.nonzero(cooker.facets.present[:, None] & (out[:, :, 11] > 0.0))
    kept = out[facet, index]
    M, base = cooker.pot.frame, cooker.pot.base
    fate, share = kept[:, 10].astype(np.int64), kept[:, 11]
    left = np.where(fate == LINES.index("shaded"), 1.0, kept[:, 15])
    return Paths(
        facet=facet,
        point=kept[:, 0:3] @ M + base,
        leaves=kept[:, 12:15] @ M + base,
        to_sun=kept[:, 3:6] @ M,
        reflected=kept[:, 6:9] @ M,
        distance=kept[:, 9],
        fate=fate,
        share=share,
        weight=cooker.facets.area[facet] / (1 << log2_points) * share * left,
    )
