"""How fast the tracer is on this machine: python -m raytrace.benchmark [--quick] [--json FILE].

Times are compared within one run, thread against thread, with two yardsticks: the same rays in
plain numpy, and a general ray-query engine (embreex, float32; the extra `test` installs it) fed
by the same numpy. Every time to a stated standard error includes all replicates behind it.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.benchmark.commands import time_commands
from raytrace.cooker.aiming import direction
from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.cooker.tolerances import Tolerances, as_built, draw_builds
from raytrace.kernels.rays import BASE, BLOCKED, SHADED
from raytrace.optics.cases import trace_cases
from raytrace.optics.tally import LINES
from raytrace.optics.tracing import make_scene, trace
from raytrace.scenario.loading import parse_scenario
from raytrace.sky.sunshape import Sunshape, sunshape

Array = NDArray[np.float64]

SIZES = ((6, 9), (15, 20), (25, 40))
SUN_ALTITUDE = np.radians(42.0)
DNI = 900.0
COURTYARD = """
title = "Benchmark array"

[site]
name = "Null Island"
latitude = "0 deg"
longitude = "0 deg"
altitude = "0 m"
timezone = "UTC"

[design]
sun_altitude = "42 deg"

[facets]
shape = "rectangular"
width = "100 mm"
layout = "grid"
rows = {rows}
columns = {columns}

[pot]
stand = "platform"
place = ["0 mm", "{y:.0f} mm"]
base_height = "{z:.0f} mm"
diameter = "240 mm"
height = "150 mm"

[mirror]
slope_error = "3 mrad"
thickness = "0 mm"
"""


def design(rows: int, columns: int) -> Cooker:
    """Return a courtyard array of any size, pot on the far side, 3 mrad of slope, exactly set."""
    depth = 108.0 * rows
    text = COURTYARD.format(
        rows=rows, columns=columns, y=-0.5 * depth - 330.0, z=560.0 + 0.3 * (depth - 648.0)
    )
    return build_cooker(parse_scenario(text, source="benchmark"))


def cooker(rows: int, columns: int) -> Cooker:
    """Return the same, set with an error of 5 mrad."""
    return as_built(design(rows, columns), Tolerances(setting=5e-3), seed=1)


SUN = direction(SUN_ALTITUDE)


def timed(f: Callable[[], Any], repeats: int = 5) -> float:
    """Least wall time of a call, in seconds: the one least disturbed."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        f()
        times.append(time.perf_counter() - start)
    return min(times)


# --- yardsticks: the same rays without the kernels ---


class NumpyRays:
    """Rays in numpy, with shading and blocking by numpy over candidates or by an engine."""

    def __init__(self, cooker: Cooker, shape: Sunshape, engine: bool):
        self.scene = make_scene(cooker, SUN, shape, DNI)
        self.shape = shape
        self.engine = engine
        if engine:
            from embreex import rtcore_scene
            from embreex.mesh_construction import TriangleMesh

            p = self.scene.plates
            F = p.n_facets
            a, b = p.half_u[:F, None] * p.u[:F], p.half_v[:F, None] * p.v[:F]
            corner = [p.c[:F] + x * a + y * b for x, y in ((1, 1), (-1, 1), (-1, -1), (1, -1))]
            quads = np.stack(corner, axis=1)
            triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
            self.mesh = rtcore_scene.EmbreeScene()
            TriangleMesh(self.mesh, triangles.astype(np.float32))

    def rays(self, count: int, rng: np.random.Generator) -> tuple[Any, Array, Array, Array]:
        """Facet, place, direction to the sun and weight of random rays, facets as strata."""
        p = self.scene.plates
        F = p.n_facets
        f = np.arange(count) % F
        place = p.c[f] + ((2 * rng.random(count) - 1) * p.half_u[f])[:, None] * p.u[f]
        place += ((2 * rng.random(count) - 1) * p.half_v[f])[:, None] * p.v[f]
        r = np.sin(self.shape.radius) * np.sqrt(rng.random(count))
        turn = 2.0 * np.pi * rng.random(count)
        e1, e2, s = self.scene.sun.frame
        d = (r * np.cos(turn))[:, None] * e1 + (r * np.sin(turn))[:, None] * e2
        z = np.sqrt(1.0 - r * r)
        d += z[:, None] * s
        cosine = np.einsum("ij,ij->i", d, p.n[f])
        return f, place, d, np.maximum(cosine, 0.0) / z

    def reflected(self, f: Any, d: Array, rng: np.random.Generator) -> Array:
        p = self.scene.plates
        slope = self.scene.mirror.slope
        e = slope * rng.standard_normal((len(f), 2))
        n = p.n[f] + e[:, :1] * p.u[f] + e[:, 1:] * p.v[f]
        n /= np.linalg.norm(n, axis=1, keepdims=True)
        return np.asarray(2.0 * np.einsum("ij,ij->i", d, n)[:, None] * n - d)

    def hit(self, f: Any, place: Array, d: Array, shade: bool) -> NDArray[np.bool_]:
        """Whether another facet is in the way; all of them lie below the pot."""
        if self.engine:
            start = (place + 1e-5 * d).astype(np.float32)
            hits = self.mesh.run(start, d.astype(np.float32), query="OCCLUDED")
            return np.asarray(np.asarray(hits) != -1)
        p, lists = self.scene.plates, self.scene.lists
        start, index = (
            (lists.shade_start, lists.shade_index)
            if shade
            else (lists.block_start, lists.block_index)
        )
        out = np.zeros(len(f), dtype=bool)
        for k in range(p.n_facets):
            mine = slice(k, None, p.n_facets)
            for g in index[start[k] : start[k + 1]]:
                with np.errstate(divide="ignore", invalid="ignore"):
                    t = ((p.c[g] - place[mine]) @ p.n[g]) / (d[mine] @ p.n[g])
                    q = place[mine] + t[:, None] * d[mine] - p.c[g]
                    inside = (np.abs(q @ p.u[g]) <= p.half_u[g]) & (
                        np.abs(q @ p.v[g]) <= p.half_v[g]
                    )
                out[mine] |= inside & (t > 0.0)
        return out

    def watts(self, count: int, seed: int, chunk: int = 1 << 17) -> Array:
        """Delivered, shaded and blocked watts from `count` rays, and their map of the base."""
        rng = np.random.default_rng(seed)
        p, pot = self.scene.plates, self.scene.pot
        area = float(p.area.sum())
        total = np.zeros(len(LINES))
        self.map = np.zeros((64, 64))
        rho = float(self.scene.mirror.reflectance[-1])
        done = 0
        while done < count:
            m = min(chunk, count - done)
            f, place, d, w = self.rays(m, rng)
            shaded = self.hit(f, place, d, True)
            r = self.reflected(f, d, rng)
            blocked = self.hit(f, place, r, False) & ~shaded
            t = -place[:, 2] / r[:, 2]
            x, y = place[:, 0] + t * r[:, 0], place[:, 1] + t * r[:, 1]
            base = (x * x + y * y <= pot.R**2) & ~shaded & ~blocked
            total[SHADED] += w[shaded].sum()
            total[BLOCKED] += rho * w[blocked].sum()
            total[BASE] += rho * w[base].sum()
            edge = np.linspace(-pot.R, pot.R, 65)
            self.map += np.histogram2d(y[base], x[base], bins=(edge, edge), weights=w[base])[0]
            done += m
        return total * DNI * area / count


def have_engine() -> bool:
    """Whether the ray-query engine is installed."""
    try:
        import embreex  # noqa: F401
    except ImportError:
        return False
    return True


# --- figures ---


def machine() -> dict[str, Any]:
    """What the figures were measured on, and with."""
    name = platform.processor() or platform.machine()
    try:
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                name = line.split(":", 1)[1].strip()
                break
    except OSError:
        pass
    packages = {}
    for package in ("cooker-raytrace", "numpy", "numba", "pvlib", "embreex"):
        try:
            packages[package] = version(package)
        except PackageNotFoundError:
            packages[package] = "not installed"
    return {
        "processor": name,
        "cores": os.cpu_count(),
        "python": platform.python_version(),
        "system": platform.system(),
        "packages": packages,
    }


def rays_per_second(quick: bool) -> list[dict[str, Any]]:
    """Full rays a second by array size and threads, beside both yardsticks."""
    shape = sunshape("uniform")
    rows = []
    for r, c in SIZES[: 2 if quick else 3]:
        built = cooker(r, c)
        n = 2_000_000 if quick else 16_000_000

        def ours(threads: int, built: Cooker = built, n: int = n) -> float:
            def call() -> None:
                trace(built, SUN, shape, dni=DNI, estimator="rays", samples=n, threads=threads)

            got = trace(built, SUN, shape, dni=DNI, estimator="rays", samples=n, threads=threads)
            return got.n_samples / timed(call, 2 if quick else 3)

        row: dict[str, Any] = {"facets": r * c, "one_thread": ours(1), "two_threads": ours(2)}
        for name, engine in (("numpy", False), ("engine", True)):
            if engine and not have_engine():
                continue
            yard = NumpyRays(built, shape, engine)
            m = 1 << (17 if quick else 18)
            row[name] = m / timed(lambda y=yard, m=m: y.watts(m, 1), 2)  # type: ignore[misc]
            if engine:
                rng = np.random.default_rng(1)
                f, place, d, _ = yard.rays(m, rng)
                d2 = yard.reflected(f, d, rng)
                a, b = (place + 1e-5 * d).astype(np.float32), (place + 1e-5 * d2).astype(np.float32)
                d, d2 = d.astype(np.float32), d2.astype(np.float32)

                def queries(y: Any = yard, a: Any = a, b: Any = b, d: Any = d, e: Any = d2) -> None:
                    y.mesh.run(a, d, query="OCCLUDED")
                    y.mesh.run(b, e, query="OCCLUDED")

                row["engine_queries"] = m / timed(queries, 3)
        rows.append(row)
    return rows


def spread_of(f: Callable[[int], float], repeats: int) -> float:
    """Relative standard deviation of a figure over independent repetitions."""
    x = np.array([f(k) for k in range(repeats)])
    return float(x.std(ddof=1) / x.mean())


def time_to_accuracy(quick: bool) -> list[dict[str, Any]]:
    """Seconds to a relative standard error of the delivered watts, one thread, courtyard array.

    The standard error is the true one: the spread over independent repetitions of the whole
    estimate. Times are of one case of a batch, its setting up included.
    """
    shape = sunshape("uniform")
    built = cooker(*SIZES[0])
    targets = (1e-3, 1e-4) if quick else (1e-3, 1e-4, 1e-5)
    engine = NumpyRays(built, shape, have_engine())
    m = 1 << 17
    plain = spread_of(lambda k: float(engine.watts(1 << 14, k)[BASE]), 24 if quick else 64)
    plain *= np.sqrt(1 << 14)  # of one ray: plain rays fall as one over the root
    plain_rate = m / timed(lambda: engine.watts(m, 1), 3)

    def beams(replicates: int, per_facet: int) -> tuple[float, float]:
        C = 64

        def call(first: int, count: int) -> Array:
            return trace_cases(
                built,
                SUN,
                shape,
                dni=DNI,
                beams_per_facet=per_facet,
                replicates=replicates,
                streams=np.arange(first, first + count),
                threads=1,
            ).delivered.value

        x = np.concatenate([call(C * k, C) for k in range(1 if quick else 4)])
        count = C if replicates * per_facet < 256 else 8
        return float(x.std(ddof=1) / x.mean()), timed(lambda: call(0, count), 3) / count

    def rays(n: int) -> tuple[float, float]:
        def call(k: int, count: int = n) -> float:
            return float(
                trace(
                    built,
                    SUN,
                    shape,
                    dni=DNI,
                    estimator="rays",
                    samples=count,
                    replicates=4,
                    stream=k,
                    bins=1,
                    threads=1,
                ).delivered
            )

        return spread_of(call, 16 if quick else 32), timed(lambda: call(0), 3)

    rows = []
    for target in targets:
        row: dict[str, Any] = {"target": target}
        n = (plain / target) ** 2
        row["engine_s"] = n / plain_rate
        row["engine_rays"] = n
        for log2 in range(0, 14):
            replicates, per_facet = 4, 1 << log2
            if log2 == 0:
                for replicates in (2, 4):
                    spread, seconds = beams(replicates, 1)
                    if spread <= target:
                        break
            else:
                spread, seconds = beams(replicates, per_facet)
            if spread <= target:
                break
        row["beams_s"], row["beams_se"] = seconds, spread
        row["beams_replicates"], row["beams_per_facet"] = replicates, per_facet
        n_rays = 54 * 4 * 16
        spread, seconds = rays(n_rays)
        while spread > target:
            n_rays *= 4
            spread, seconds = rays(n_rays)
            if seconds > 4.0:
                break
        row["rays_s"], row["rays_se"], row["rays"] = seconds, spread, n_rays
        rows.append(row)
    return rows


def flux_map(quick: bool) -> dict[str, Any]:
    """Two threads' time for a 64 × 64 map whose bins over a tenth of the peak are 1 % sure."""
    shape = sunshape("uniform")
    built = cooker(*SIZES[0])
    for log2 in range(0, 10):
        samples = 54 * 16 << log2
        tally = trace(built, SUN, shape, dni=DNI, samples=samples, threads=2)
        flux = tally.flux
        with np.errstate(invalid="ignore", divide="ignore"):
            bright = flux.value > 0.1 * np.nanmax(flux.value)
            worst = float((flux.se[bright] / flux.value[bright]).max())
        if worst <= 0.01:
            break

    def call() -> None:
        trace(built, SUN, shape, dni=DNI, samples=samples, threads=2)

    return {"seconds": timed(call, 3 if quick else 7), "worst_se": worst, "beams": samples}


def bulk(quick: bool) -> dict[str, Any]:
    """Many builds and many sun positions, two threads, courtyard array."""
    shape = sunshape("uniform")
    perfect = design(*SIZES[0])
    n_builds = 40 if quick else 200

    def tolerance() -> tuple[float, int]:
        worst, cases = 0.0, 0
        for sigma in np.linspace(0.0, 15e-3, 12):
            builds = draw_builds(perfect, Tolerances(setting=sigma), builds=np.arange(n_builds))
            got = trace_cases(
                perfect, SUN, shape, dni=DNI, builds=builds, replicates=4, threads=2
            ).delivered
            worst = max(worst, float(np.median(got.relative_se)))
            cases += n_builds
        return worst, cases

    n_suns = 2600 if quick else 26_000
    rng = np.random.default_rng(1)
    altitude = np.arcsin(rng.uniform(0.02, 0.95, n_suns))
    suns = direction(altitude, rng.uniform(-0.01, 0.01, n_suns))

    def year() -> Array:
        got = trace_cases(
            perfect, suns, shape, dni=DNI, beams_per_facet=2, replicates=3, threads=2
        ).delivered
        lit = got.value > 0.1 * got.value.max()
        return np.asarray(got.relative_se[lit])

    worst, cases = tolerance()
    se = year()
    return {
        "builds": cases,
        "builds_s": timed(tolerance, 2),
        "builds_median_se": worst,
        "suns": n_suns,
        "suns_s": timed(year, 2),
        # few replicates: only their mean square says how sure the watts are
        "suns_rms_se": float(np.sqrt(np.mean(np.square(se)))),
    }


def start_up() -> dict[str, float]:
    """Seconds to import the package, in a process of its own."""
    code = "import time; t = time.perf_counter(); import raytrace; print(time.perf_counter() - t)"
    out = [
        float(subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout)
        for _ in range(3)
    ]
    return {"import_s": min(out)}


def measure(quick: bool = False) -> dict[str, Any]:
    """Measure everything; see the module's text for what is compared with what."""
    trace(cooker(2, 2), SUN, sunshape("uniform"), dni=DNI, estimator="rays", samples=100)
    trace(cooker(2, 2), SUN, sunshape("uniform"), dni=DNI, samples=100)
    return {
        "machine": machine(),
        "rays_per_second": rays_per_second(quick),
        "time_to_accuracy": time_to_accuracy(quick),
        "flux_map": flux_map(quick),
        "bulk": bulk(quick),
        "start_up": start_up(),
        "commands": [] if quick else time_commands(),
    }


def report(figures: dict[str, Any]) -> str:
    """Put the figures into lines for a reader."""
    m = figures["machine"]
    lines = [
        f"{m['processor']}, {m['cores']} cores, Python {m['python']}",
        ", ".join(f"{k} {v}" for k, v in m["packages"].items()),
        "",
        "Full rays, million a second (courtyard array, 3 mrad slope, shading and blocking)",
        f"{'facets':>8} {'1 thread':>9} {'2 threads':>10} {'ratio':>6} {'numpy':>7} {'ours/':>7} "
        f"{'engine':>7} {'ours/':>7} {'queries':>8} {'ours/':>7}",
    ]
    for r in figures["rays_per_second"]:
        line = f"{r['facets']:8d} {r['one_thread'] / 1e6:9.1f} {r['two_threads'] / 1e6:10.1f}"
        line += f" {r['two_threads'] / r['one_thread']:6.2f}"
        for key, width in (("numpy", 7), ("engine", 7), ("engine_queries", 8)):
            if key in r:
                line += f" {r[key] / 1e6:{width}.2f} {r['one_thread'] / r[key]:7.1f}"
        lines.append(line)
    lines += [
        "",
        "Time to a relative standard error of the delivered watts, one thread, setting up included",
        f"{'target':>8} {'engine + numpy':>15} {'rays':>10} {'beams':>10} {'beams ahead':>12}",
    ]
    for r in figures["time_to_accuracy"]:
        lines.append(
            f"{r['target']:8.0e} {r['engine_s'] * 1e3:12.2f} ms {r['rays_s'] * 1e3:7.2f} ms "
            f"{r['beams_s'] * 1e3:7.3f} ms {r['engine_s'] / r['beams_s']:10.0f} ×"
            f"   ({r['beams_replicates']} × {r['beams_per_facet']} beams a facet, "
            f"standard error {r['beams_se']:.1e})"
        )
    f, b = figures["flux_map"], figures["bulk"]
    lines += [
        "",
        f"Flux map 64 × 64, bins over a tenth of the peak within {100 * f['worst_se']:.1f} %: "
        f"{1e3 * f['seconds']:.1f} ms on two threads ({f['beams']} beams)",
        f"{b['builds']} builds to {100 * b['builds_median_se']:.2f} %: {b['builds_s']:.2f} s; "
        f"{b['suns']} suns to {100 * b['suns_rms_se']:.2f} %: {b['suns_s']:.2f} s (two threads)",
        f"import raytrace: {figures['start_up']['import_s']:.2f} s",
        "",
    ]
    lines += [
        f"cooker {row['name']:<46} {row['seconds']:7.1f} s {row['memory_MB']:6.0f} MB"
        for row in figures["commands"]
    ]
    return "\n".join(lines)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(prog="python -m raytrace.benchmark", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="rough figures in under a minute")
    parser.add_argument("--json", metavar="FILE", help="write the figures to a file as well")
    asked = parser.parse_args()
    figures = measure(asked.quick)
    print(report(figures))
    if asked.json:
        Path(asked.json).write_text(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
