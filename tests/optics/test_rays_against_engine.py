"""Shading, blocking and the pot, ray by ray, against a general-purpose ray-triangle engine.

The engine (embreex, Python's way to the Embree kernels) works on triangles in float32. A ray whose
fate differs must pass an edge within its resolution, which float64 arithmetic here has to show;
any other difference fails. No random draws is involved: rays are compared one by one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from checks import outline_gap, random_cooker
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from raytrace.cooker.geometry import HEXAGON, RECTANGLE
from raytrace.cooker.mirror import Mirror
from raytrace.kernels.arrays import Samples
from raytrace.kernels.rays import N_LINES, trace_rays
from raytrace.optics.tally import LINES
from raytrace.optics.tracing import make_scene, trace, trace_paths
from raytrace.sky.sunshape import sunshape

SHADED, BLOCKED, MISSED, SIDE, LID, BASE = (
    LINES.index(k) for k in ("shaded", "blocked", "missed", "side", "lid", "base")
)
UNIFORM = sunshape("uniform")
HAZY = sunshape("buie", circumsolar_ratio=0.3)
ROUND_CORNERS = 1024  # a polygon so fine lies within 5e-6 of the radius, 0.3 µm on 60 mm
POT_CORNERS = 4096
NEAR = 1e-6  # the engine's resolution for things a metre away [m]
OWN_LIFT = 2e-6  # a ray starts so far off its own mirror, lest float32 find it there [m]
NOTHING = -1


def cloud(key, *, mirror, missing=(), **options):
    cooker, s = random_cooker(np.random.default_rng(key), mirror=mirror, **options)
    present = np.ones(len(cooker.facets), dtype=bool)
    present[list(missing)] = False
    return replace(cooker, facets=replace(cooker.facets, present=present)), s


CALM = Mirror(slope=0.003, specularity=0.001)
ROUGH = Mirror(slope=0.06, specularity=0.03)
CASES = {
    "rectangles, high sun": cloud(1, F=40, shapes=("rectangular",), mirror=CALM),
    "hexagons, low sun": cloud(
        2, F=70, shapes=("hexagonal",), sun_altitude=0.25, rise=0.3, mirror=CALM
    ),
    "round, posts, leaning pot": cloud(
        3, F=50, shapes=("round",), sun_altitude=1.3, lean=0.3, posts=4, miss=0.05, mirror=CALM
    ),
    "all shapes, crowded": cloud(
        4, F=120, sun_altitude=0.5, rise=0.5, miss=0.3, posts=3, mirror=CALM, missing=(3, 50, 51)
    ),
    "all shapes, rough": cloud(5, F=60, sun_altitude=0.4, rise=0.3, miss=0.1, mirror=ROUGH),
    "few and large, under the pot": cloud(
        6, F=25, sun_altitude=1.5, spread=0.35, miss=0.1, posts=3, half=(0.05, 0.12), mirror=ROUGH
    ),
    "pot among the facets": cloud(
        7, F=80, sun_altitude=0.15, rise=1.2, miss=0.4, lean=0.5, posts=2, mirror=CALM
    ),
}
SUNS = {name: HAZY if k % 2 else UNIFORM for k, name in enumerate(CASES)}
every_case = pytest.mark.parametrize("name", list(CASES))


def fan(corners):
    """Triangles of a convex polygon."""
    k = len(corners)
    return corners, np.array([[0, i, i + 1] for i in range(1, k - 1)])


def facet_mesh(f, g):
    if f.shape[g] == RECTANGLE:
        a, b = np.array([1, -1, -1, 1.0]) * f.half_u[g], np.array([1, 1, -1, -1.0]) * f.half_v[g]
    else:
        k = 6 if f.shape[g] == HEXAGON else ROUND_CORNERS
        around = np.arange(k) * (2.0 * np.pi / k)
        a, b = f.half_u[g] * np.cos(around), f.half_u[g] * np.sin(around)
    return fan(f.c[g] + a[:, None] * f.u[g] + b[:, None] * f.v[g])


def pot_meshes(pot):
    """Base, side, lid and posts of a pot as meshes in the platform frame."""
    around = np.arange(POT_CORNERS) * (2.0 * np.pi / POT_CORNERS)
    ring = pot.R * np.column_stack([np.cos(around), np.sin(around), 0.0 * around])
    top = ring + np.array([0.0, 0.0, pot.height])
    i = np.arange(POT_CORNERS)
    j = (i + 1) % POT_CORNERS
    wall = np.concatenate(
        [
            np.column_stack([i, j, i + POT_CORNERS]),
            np.column_stack([j, j + POT_CORNERS, i + POT_CORNERS]),
        ]
    )
    parts = {BASE: fan(ring), LID: fan(top), SIDE: (np.concatenate([ring, top]), wall)}
    faces = [(0, 1, 3, 2), (4, 5, 7, 6), (0, 1, 5, 4), (2, 3, 7, 6), (0, 2, 6, 4), (1, 3, 7, 5)]
    boxes = []
    for box in pot.posts:
        pick = np.array(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij")).reshape(3, -1).T
        corners = np.where(pick == 0, box[:3], box[3:])
        boxes.append((corners, np.array([t for q in faces for t in (q[:3], (q[0], q[2], q[3]))])))

    def placed(mesh):
        return mesh[0] @ pot.frame + pot.base, mesh[1]

    return {k: placed(m) for k, m in parts.items()}, [placed(m) for m in boxes]


class Engine:
    """The whole cooker as triangles; says which part a ray meets first."""

    def __init__(self, cooker):
        f = cooker.facets
        F = len(f)
        pot, posts = pot_meshes(cooker.pot)
        pieces = [(g, facet_mesh(f, g)) for g in np.flatnonzero(f.present)]
        # parts of the pot are numbered after the facets, posts last
        pieces += [(F + line, mesh) for line, mesh in pot.items()]
        pieces += [(F + N_LINES, mesh) for mesh in posts]
        vertices, triangles, owner, count = [], [], [], 0
        for name, (corners, faces) in pieces:
            vertices.append(corners)
            triangles.append(faces + count)
            owner.append(np.full(len(faces), name))
            count += len(corners)
        self.owner = np.append(np.concatenate(owner), NOTHING)
        self.scene = EmbreeScene()
        self.mesh = TriangleMesh(
            self.scene,
            np.concatenate(vertices).astype(np.float32),
            np.concatenate(triangles).astype(np.int32),
        )

    def first(self, own, origin, d, cos):
        """Owner of what each ray meets and how far; `cos` of its angle to its own mirror."""
        lift = OWN_LIFT / np.maximum(np.abs(cos), 1e-2)
        owner, distance = self.run(origin + lift[:, None] * d, d)
        distance += lift
        while (self_met := np.flatnonzero(owner == own)).size:
            # light that leaves along its own mirror, which is flat: float32 alone meets it again
            past = distance[self_met] + 1e-4
            owner[self_met], rest = self.run(
                origin[self_met] + past[:, None] * d[self_met], d[self_met]
            )
            distance[self_met] = past + rest
        return owner, distance

    def run(self, start, d):
        hit = self.scene.run(start.astype(np.float32), d.astype(np.float32), output=True)
        owner = self.owner[np.where(hit["primID"] >= 0, hit["primID"], len(self.owner) - 1)]
        return owner, np.where(owner == NOTHING, np.inf, hit["tfar"])


def engine_fates(cooker, paths):
    """Fate of every ray and the distance to what stops it, by the engine alone."""
    F = len(cooker.facets)
    engine = Engine(cooker)
    n = cooker.facets.n[paths.facet]
    met, _ = engine.first(paths.facet, paths.point, paths.to_sun, (paths.to_sun * n).sum(1))
    away = (paths.reflected * n).sum(1)
    owner, distance = engine.first(paths.facet, paths.point, paths.reflected, away)
    fate = np.full(len(owner), MISSED)
    fate[(owner >= 0) & (owner < F)] = BLOCKED
    fate[owner == F + N_LINES] = BLOCKED
    for line in (BASE, SIDE, LID):
        fate[owner == F + line] = line
    fate[away <= 0.0] = BLOCKED  # a rough surface throws the light into itself
    fate[met != NOTHING] = SHADED
    return fate, distance


def edge_distance(cooker, own, p, d):
    """Least distance of single rays (N, 3) from any edge, in float64, or from where they start.

    A lower bound: a miss in a facet's plane shrinks, seen along the ray, by the slant at most.
    """
    f, pot = cooker.facets, cooker.pot
    least = np.full(len(p), np.inf)
    for g in np.flatnonzero(f.present):
        slant = d @ f.n[g]
        t = ((f.c[g] - p) @ f.n[g]) / np.where(slant == 0.0, 1e-300, slant)
        q = p + t[:, None] * d - f.c[g]
        gap = np.abs(outline_gap(cooker, g, q @ f.u[g], q @ f.v[g]) * slant)
        gap = np.where(t < -1e-2, np.inf, gap)
        # a mirror that the ray's own one touches or cuts may be met within the lift
        inside = outline_gap(cooker, g, q @ f.u[g], q @ f.v[g]) < NEAR
        gap = np.where(inside & (np.abs(t * slant) < 10.0 * OWN_LIFT), 0.0, gap)
        least = np.where(own == g, least, np.minimum(least, gap))
    p, d = (p - pot.base) @ pot.frame.T, d @ pot.frame.T
    for z in (0.0, pot.height):
        t = (z - p[:, 2]) / d[:, 2]
        r = np.hypot(p[:, 0] + t * d[:, 0], p[:, 1] + t * d[:, 1])
        least = np.minimum(least, np.abs((r - pot.R) * d[:, 2]))
    across = np.abs(p[:, 0] * d[:, 1] - p[:, 1] * d[:, 0]) / np.hypot(d[:, 0], d[:, 1])
    least = np.minimum(least, np.abs(across - pot.R))
    for box in pot.posts:
        # a box is missed by as much as the spans between its planes are apart; grazing an edge,
        # two planes are crossed at nearly the same place
        near, far = (box[:3] - p) / d, (box[3:] - p) / d
        ends = np.sort(np.concatenate([near, far], axis=1), axis=1)
        least = np.minimum(least, np.diff(ends, axis=1).min(1) * np.abs(d).min(1))
    return least


def paths_of(name, rays=60_000):
    cooker, s = CASES[name]
    return cooker, s, trace_paths(cooker, s, SUNS[name], rays=rays, seed=3)


@every_case
def test_every_ray_has_the_fate_that_the_engine_finds(name):
    """Whatever differs passes an edge within 1 µm; and few do."""
    cooker, _, paths = paths_of(name)
    fate, distance = engine_fates(cooker, paths)
    odd = np.flatnonzero(fate != paths.fate)
    f, p = paths.facet[odd], paths.point[odd]
    to_edge = np.minimum(
        edge_distance(cooker, f, p, paths.to_sun[odd]),
        edge_distance(cooker, f, p, paths.reflected[odd]),
    )
    far = odd[to_edge > NEAR]
    told = [(LINES[paths.fate[i]], LINES[fate[i]]) for i in far[:5]]
    assert len(far) == 0, f"{len(far)} of {len(paths)} differ (ours, the engine's): {told}"
    assert len(odd) < 3e-4 * len(paths)
    # the distance to what stops a ray, where the way there is clear
    same = (fate == paths.fate) & (fate > SHADED) & np.isfinite(distance)
    ahead = (paths.reflected * cooker.facets.n[paths.facet]).sum(1) > 0.0
    same &= ahead
    gap = np.abs(distance[same] - paths.distance[same])
    assert np.median(gap) < 1e-6
    assert (gap < 1e-4).mean() > 0.999


def test_the_cases_bring_every_fate():
    """Together, and each often enough to mean something."""
    seen = sum(np.bincount(paths_of(name)[2].fate, minlength=N_LINES) for name in CASES)
    assert (seen[[SHADED, BLOCKED, MISSED, SIDE, LID, BASE]] > 500).all(), seen


def test_the_engine_check_can_fail():
    """A facet that the engine does not know of is missed at once."""
    cooker, _, paths = paths_of("all shapes, crowded", rays=20_000)
    shaded = np.flatnonzero(paths.fate == SHADED)
    present = cooker.facets.present.copy()
    present[::5] = False
    fate, _ = engine_fates(replace(cooker, facets=replace(cooker.facets, present=present)), paths)
    odd = shaded[fate[shaded] != SHADED]
    gap = edge_distance(cooker, paths.facet[odd], paths.point[odd], paths.to_sun[odd])
    assert (gap > NEAR).sum() > 100


def with_complete_lists(scene):
    """The same scene, every other plate a candidate for every facet."""
    F = scene.plates.n_facets
    present = np.flatnonzero(scene.plates.present)
    index = [present[present != f] if scene.plates.present[f] else present[:0] for f in range(F)]
    start = np.concatenate([[0], np.cumsum([len(k) for k in index])]).astype(np.int64)
    every = np.concatenate(index).astype(np.int64)
    yes = np.ones(F, dtype=bool)
    lists = scene.lists._replace(
        shade_start=start, shade_index=every, block_start=start, block_index=every
    )
    return scene._replace(lists=lists._replace(pot_shades=yes, shades=yes))


def power(scene):
    out, base = np.zeros((2, scene.plates.n_facets, N_LINES)), np.zeros((8, 8))
    for k in range(2):
        trace_rays((0, len(out[k]), 0, 1 << 9), scene, Samples(9, 0, k, 9), out[k], base)
    return out, base


@every_case
@pytest.mark.parametrize("shape", [UNIFORM, HAZY], ids=["disc", "hazy"])
def test_short_lists_of_obstacles_leave_none_out(name, shape):
    """Bit for bit the power that lists of every other facet give."""
    cooker, s = CASES[name]
    scene = make_scene(cooker, s, shape, 1000.0)
    ours, base = power(scene)
    every, every_base = power(with_complete_lists(scene))
    assert len(scene.lists.shade_index) < len(cooker.facets) ** 2
    np.testing.assert_array_equal(ours, every)
    np.testing.assert_array_equal(base, every_base)


@pytest.mark.parametrize("slope", [0.1, 0.3, 1.0])
def test_lists_leave_none_out_for_very_rough_mirrors(slope):
    """Light thrown back at right angles and further still has its obstacles listed."""
    cooker, s = cloud(
        9, F=60, sun_altitude=0.4, rise=0.5, miss=0.3, mirror=Mirror(slope=slope, specularity=slope)
    )
    scene = make_scene(cooker, s, UNIFORM, 1000.0)
    ours, _ = power(scene)
    every, _ = power(with_complete_lists(scene))
    np.testing.assert_array_equal(ours, every)


def test_rays_and_tally_tell_one_story():
    """The recorded rays of a perfect mirror, weighed, are the first replicate's ledger."""
    cooker, s = cloud(8, F=30, sun_altitude=0.4, rise=0.3, miss=0.1, mirror=Mirror(clean=1.0))
    rays = 1 << 15
    paths = trace_paths(cooker, s, UNIFORM, rays=rays, seed=4)
    size = {"estimator": "rays", "samples": 2 * rays, "replicates": 2}
    tally = trace(cooker, s, UNIFORM, dni=1.0, seed=4, **size)
    points = tally.samples_per_facet
    assert len(paths) <= points * len(cooker.facets)
    weight = cooker.facets.area[paths.facet] * paths.share / points
    by_line = np.bincount(paths.fate, weights=weight, minlength=N_LINES)
    np.testing.assert_allclose(by_line[1:], tally.power[0].sum(0)[1:], rtol=1e-9, atol=1e-12)
