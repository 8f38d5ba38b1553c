"""Speed as ratios taken in one run, one thread against one: none may fall by more than half.

Half of what DEVELOPERS.md says was measured; absolute times are no one's business here.
"""

from __future__ import annotations

import numpy as np

from raytrace.benchmark import __main__ as benchmark
from raytrace.kernels.rays import BASE
from raytrace.optics.cases import trace_cases
from raytrace.optics.tracing import trace
from raytrace.sky.sunshape import sunshape

SHAPE = sunshape("uniform")
RAYS_OVER_NUMPY = 14.0  # measured: rays a second over those of plain numpy, 54 facets
BEAMS_OVER_NUMPY = 250.0  # measured: seconds to 1e-3 by plain numpy rays over those by beams
MORE_FACETS = 1.0  # measured: rays a second at 300 facets over those at 54


def rays_per_second(cooker, count):
    options = {"dni": benchmark.DNI, "estimator": "rays", "threads": 1, "bins": 64}
    got = trace(cooker, benchmark.SUN, SHAPE, samples=count, **options)
    seconds = benchmark.timed(
        lambda: trace(cooker, benchmark.SUN, SHAPE, samples=count, **options), 5
    )
    return got.n_samples / seconds


def test_rays_and_beams_keep_their_lead_over_numpy():
    cooker = benchmark.cooker(*benchmark.SIZES[0])
    yardstick = benchmark.NumpyRays(cooker, SHAPE, engine=False)
    count = 1 << 16
    numpy_rate = count / benchmark.timed(lambda: yardstick.watts(count, 1), 4)
    assert rays_per_second(cooker, 1 << 20) > 0.5 * RAYS_OVER_NUMPY * numpy_rate

    # plain rays fall as one over the root of their number
    x = np.array([yardstick.watts(1 << 12, seed)[BASE] for seed in range(40)])
    needed = (1 << 12) * (x.std(ddof=1) / x.mean() / 1e-3) ** 2

    def beams():
        return trace_cases(
            cooker,
            benchmark.SUN,
            SHAPE,
            dni=benchmark.DNI,
            replicates=2,
            streams=np.arange(64),
            threads=1,
        ).delivered.value

    estimates = beams()
    assert estimates.std(ddof=1) / estimates.mean() < 1e-3
    seconds = benchmark.timed(beams, 5) / 64
    assert needed / numpy_rate / seconds > 0.5 * BEAMS_OVER_NUMPY


def test_more_facets_do_not_slow_a_ray():
    few = rays_per_second(benchmark.cooker(*benchmark.SIZES[0]), 1 << 20)
    many = rays_per_second(benchmark.cooker(*benchmark.SIZES[1]), 1 << 20)
    assert many > 0.5 * MORE_FACETS * few
