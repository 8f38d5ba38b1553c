"""Many cases in one call: suns, builds of the cooker and places of its pot, as arrays."""

import numpy as np

from raytrace.kernels.arrays import BaseMap, FacetArrays, Samples
from raytrace.kernels.beams import make_room, trace_beams
from raytrace.kernels.compiled import kernel
from raytrace.kernels.rays import N_LINES
from raytrace.kernels.scenes import all_below, make_scene

DONE, BY_RAYS = 1, 2  # fate of a case: traced, or left to be traced by rays


@kernel
def trace_cases(some, cast, builds, cases, keys, rim, power, fate):
    """Trace some cases, first … last - 1, by beams, without a map.

    `builds` are FacetArrays of many; `keys` the samples' seed and their log2_points. Fills `power`
    (C, replicates, facets or 1, N_LINES) and `fate` (C,).
    """
    room = make_room()
    first, last = some
    seed, log2_points = keys
    F = builds.c.shape[1]
    by_facet = np.empty((F, N_LINES))
    base_map = BaseMap(rim, np.empty((0, 1)), np.empty(0))
    for k in range(first, last):
        b = cases.build[k]
        facets = FacetArrays(builds.c[b], builds.n[b], builds.u[b], builds.v[b])
        scene = make_scene(
            cast,
            facets,
            cases.base[k],
            cases.frame[k],
            cases.sun[k],
            cases.dni[k],
            cases.scale[k],
        )
        fate[k] = DONE
        if not all_below(scene.plates):
            fate[k] = BY_RAYS
            continue
        for replicate in range(power.shape[1]):
            samples = Samples(seed, cases.stream[k], replicate, log2_points)
            for f in range(F):
                for line in range(N_LINES):
                    by_facet[f, line] = 0.0
            # as tracing.py has them, so that beams are compiled once for both
            piece = (np.int64(0), F, np.int64(0), np.int64(1) << log2_points)
            if not trace_beams(piece, scene, room, samples, by_facet, base_map):
                fate[k] = BY_RAYS
                break
            for f in range(F):
                kept = f if power.shape[2] > 1 else 0
                for line in range(N_LINES):
                    power[k, replicate, kept, line] += by_facet[f, line]
