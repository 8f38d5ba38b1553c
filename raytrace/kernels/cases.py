"""Many cases in one call: suns, builds of the cooker and places of its pot, as arrays."""

import numpy as np

from raytrace.kernels.beams import make_room, trace_beams
from raytrace.kernels.compiled import kernel
from raytrace.kernels.rays import N_LINES
from raytrace.kernels.scenes import all_below, make_scene

DONE, BY_RAYS = 1, 2  # fate of a case: traced, or left to be traced by rays


@kernel
def trace_cases(
    first,
    last,
    cast,
    c,
    n,
    u,
    v,
    build,
    base,
    frame,
    sun,
    dni,
    scale,
    streams,
    seed,
    log2_points,
    rim,
    power,
    fate,
):
    """Trace cases first … last - 1 by beams, without a map.

    Arrays over builds: `c`, `n`, `u`, `v` (B, F, 3). Arrays over cases: which `build`; pot's
    `base` (C, 3) and `frame` (C, 3, 3); direction to the `sun` (C, 3); `dni` (C,); `scale` (C,),
    the sun's size over the table's; `streams` (C,), keys of the samples. Fills `power`
    (C, replicates, facets or 1, 8) and `fate` (C,).
    """
    room = make_room()
    F = c.shape[1]
    by_facet = np.empty((F, N_LINES))
    marks = np.empty((0, 1))
    turns = np.empty(0)
    for k in range(first, last):
        b = build[k]
        scene = make_scene(
            cast, c[b], n[b], u[b], v[b], base[k], frame[k], sun[k], dni[k], scale[k]
        )
        fate[k] = DONE
        if not all_below(scene.plates):
            fate[k] = BY_RAYS
            continue
        for replicate in range(power.shape[1]):
            for f in range(F):
                for line in range(N_LINES):
                    by_facet[f, line] = 0.0
            if not trace_beams(
                (0, F, 0, 1 << log2_points),
                scene,
                room,
                seed,
                streams[k],
                replicate,
                log2_points,
                by_facet,
                rim,
                marks,
                turns,
            ):
                fate[k] = BY_RAYS
                break
            for f in range(F):
                kept = f if power.shape[2] > 1 else 0
                for line in range(N_LINES):
                    power[k, replicate, kept, line] += by_facet[f, line]
