"""Whole shipped scenarios against a second way to compute them, written here from geometry alone.

For one direction from the sun and one error of the surface, a flat mirror sends out parallel
light: what is lit, what is blocked and the image on the base are polygons, whose areas a general
geometry library gives exactly. Only those directions and errors are sampled, not places on the
mirror. Nothing of the package's own sampling, intersection or summing is used: positions come
from the built cooker's arrays, brightness from the published limb law.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import shapely
from checks import ALPHA, ESTIMATORS, SUN_RADIUS, samples, welch_p
from scipy.special import ndtri
from scipy.stats import qmc

from raytrace.cooker.aiming import direction
from raytrace.cooker.geometry import DISC, HEXAGON, RECTANGLE, build_cooker
from raytrace.cooker.pose import Pose, posed
from raytrace.cooker.tolerances import as_built, tolerances_from_scenario
from raytrace.optics.tally import LINES
from raytrace.optics.tracing import trace
from raytrace.scenario.loading import load_scenario
from raytrace.sky.sunshape import sunshape

SCENARIOS = Path(__file__).parents[2] / "scenarios"
DNI = 850.0
BINS = 6
REPLICATES = 24
SAMPLES = 4  # directions and errors a facet and replicate
ROUND_CORNERS = 64
COMPARED = ("cosine", "shaded", "mirror", "rim", "blocked", "base")


def circle(radius, corners):
    """Regular polygon with the area of the circle, counter-clockwise, shape (corners, 2)."""
    around = (np.arange(corners) + 0.5) * (2.0 * np.pi / corners)
    r = radius * np.sqrt(2.0 * np.pi / (corners * np.sin(2.0 * np.pi / corners)))
    return r * np.column_stack([np.cos(around), np.sin(around)])


def limb_sines(u):
    """Sines of the angle from the sun's centre, I/I₀ = 0.3 + 0.93 µ − 0.23 µ².

    A. N. Cox (ed.), Allen's Astrophysical Quantities, 4th ed., Springer, 2000, chapter 14.
    """
    t = np.linspace(0.0, 1.0, 20_001)  # sin ψ over that of the limb
    mu = np.sqrt(1.0 - t * t)
    outside = 0.15 * mu**2 + 0.31 * mu**3 - 0.0575 * mu**4  # ∫ I µ dµ from the limb
    return np.sin(SUN_RADIUS) * np.interp(u, 1.0 - outside / outside[0], t)


def across(d):
    """Two unit vectors square to each of d and to each other."""
    helper = np.where(np.abs(d[:, :1]) < 0.8, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    e = np.cross(d, helper)
    e /= np.linalg.norm(e, axis=1, keepdims=True)
    return e, np.cross(d, e)


def normalised(x):
    return x / np.linalg.norm(x, axis=-1, keepdims=True)


def in_front(corners, c, n):
    """Part of a flat convex outline before the plane through c square to n."""
    height = (corners - c) @ n
    kept = []
    for k in range(len(corners)):
        j = (k + 1) % len(corners)
        if height[k] > 0.0:
            kept.append(corners[k])
        if (height[k] > 0.0) != (height[j] > 0.0):
            t = height[k] / (height[k] - height[j])
            kept.append(corners[k] + t * (corners[j] - corners[k]))
    return np.array(kept).reshape(-1, 3)


class Reference:
    """One cooker under one sun; sums what polygons say."""

    def __init__(self, cooker, sun):
        self.cooker, self.sun = cooker, sun
        f, pot = cooker.facets, cooker.pot
        self.outline = []
        for g in range(len(f)):
            if f.shape[g] == RECTANGLE:
                ab = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * [f.half_u[g], f.half_v[g]]
            elif f.shape[g] == HEXAGON:
                around = np.arange(6) * (np.pi / 3.0)
                ab = f.half_u[g] * np.column_stack([np.cos(around), np.sin(around)])
            else:
                ab = circle(f.half_u[g], ROUND_CORNERS)
            self.outline.append(ab)
        self.corners = [
            f.c[g] + ab[:, :1] * f.u[g] + ab[:, 1:] * f.v[g] for g, ab in enumerate(self.outline)
        ]
        rim = np.column_stack([circle(pot.R, 256), np.zeros(256)])
        both = np.concatenate([rim, rim + np.array([0.0, 0.0, pot.height])])
        self.pot_points = both @ pot.frame + pot.base
        self.posts = [self.post_faces(box) for box in pot.posts]
        self.disc = shapely.Polygon(circle(pot.R, 1024))
        edge = np.linspace(-pot.R, pot.R, BINS + 1)
        x, y = np.meshgrid(edge[:-1], edge[:-1])
        step = edge[1] - edge[0]
        self.bins = shapely.box(x, y, x + step, y + step).ravel()
        self.bounds = shapely.bounds(self.bins)

    def post_faces(self, box):
        """Six faces of a post, platform frame; their union's shadow is the post's."""
        pick = np.array(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij")).reshape(3, -1).T
        corners = np.where(pick == 0, box[:3], box[3:]) @ self.cooker.pot.frame
        corners = corners + self.cooker.pot.base
        order = [(0, 1, 3, 2), (4, 5, 7, 6), (0, 1, 5, 4), (2, 3, 7, 6), (0, 2, 6, 4), (1, 3, 7, 5)]
        return [corners[list(k)] for k in order]

    def onto(self, g, points, d):
        """Points moved along each of d to facet g's plane, its axes, shape (N, k, 2)."""
        f = self.cooker.facets
        w = points - f.c[g]
        t = (w @ f.n[g])[None, :] / (d @ f.n[g])[:, None]
        at = w[None] - t[:, :, None] * d[:, None, :]
        return np.stack([at @ f.u[g], at @ f.v[g]], axis=-1)

    def without(self, g, lit, shadow):
        """Take shadows (N, k, 2) away from the lit polygons where the two may meet."""
        low, high = self.outline[g].min(0), self.outline[g].max(0)
        near = ((shadow.max(1) > low) & (shadow.min(1) < high)).all(1)
        k = np.flatnonzero(near)
        if k.size:
            lit[k] = shapely.difference(lit[k], shapely.convex_hull(shapely.multipoints(shadow[k])))

    def obstruct(self, g, lit, d):
        """Take away what other facets and posts stand before, for parallel light along ±d."""
        f = self.cooker.facets
        middle = normalised(d.mean(0))
        stray = np.linalg.norm(d - middle, axis=1).max()
        reach = np.array([np.linalg.norm(ab, axis=1).max() for ab in self.outline])
        for h in np.flatnonzero(f.present):
            w = f.c[h] - f.c[g]
            aside = np.linalg.norm(w - (w @ middle) * middle)
            # along no d does the one's sphere come before the other's
            clear = aside > (reach[g] + reach[h]) * (1.0 + stray) + np.linalg.norm(w) * stray
            if h != g and not clear:
                part = in_front(self.corners[h], f.c[g], f.n[g])
                if len(part) > 2:
                    self.without(g, lit, self.onto(g, part, d))
        for faces in self.posts:
            points = np.concatenate([in_front(face, f.c[g], f.n[g]) for face in faces])
            if len(points) > 2:
                self.without(g, lit, self.onto(g, points, d))

    def let_out(self, g, lit, shift):
        """Move what is lit, and keep what lies within the outline."""
        ab, which = shapely.get_coordinates(lit, return_index=True)
        lit[:] = shapely.set_coordinates(lit.copy(), ab + shift[which])
        lit[:] = shapely.intersection(lit, shapely.Polygon(self.outline[g]))

    def facet(self, g, x):
        """Power by line and bin of one facet for each sample x (N, 6)."""
        f, pot, mirror = self.cooker.facets, self.cooker.pot, self.cooker.mirror
        n, area = f.n[g], f.area[g]
        r = limb_sines(x[:, 0])[:, None]
        turn = 2.0 * np.pi * x[:, 1:2]
        e1, e2 = across(self.sun[None])
        cos_psi = np.sqrt(1.0 - r**2)
        s = r * np.cos(turn) * e1 + r * np.sin(turn) * e2 + cos_psi * self.sun
        z = ndtri(x[:, 2:6])
        m = normalised(n + mirror.slope * (z[:, :1] * f.u[g] + z[:, 1:2] * f.v[g]))
        d = 2.0 * (s * m).sum(1, keepdims=True) * m - s
        e1, e2 = across(d)
        d = normalised(d + mirror.specularity * (z[:, 2:3] * e1 + z[:, 3:4] * e2))
        cos_i, away, up = s @ n, d @ n, d @ pot.axis
        # what these scenarios keep to, and this reference needs
        assert (cos_i > 0.0).all()
        assert (away > 0.0).all()
        assert (up > 0.0).all()
        assert ((self.pot_points - f.c[g]) @ n > 0.0).all()
        assert ((self.corners[g] - pot.base) @ pot.axis < 0.0).all()

        flux = DNI * cos_i / cos_psi[:, 0]
        lit = np.full(len(x), shapely.Polygon(self.outline[g]), dtype=object)
        whole = shapely.area(lit)
        self.without(g, lit, self.onto(g, self.pot_points, s))
        self.obstruct(g, lit, s)
        sunny = shapely.area(lit)
        leaving = flux * mirror.reflectance(np.arccos(np.minimum(cos_i, 1.0))) * f.reflectance[g]
        # Snell's law for the way along the glass, in and out: derived here
        along = s - cos_i[:, None] * n
        sine = np.linalg.norm(along, axis=1) / mirror.index
        shift = -2.0 * mirror.thickness * np.tan(np.arcsin(sine))
        shift = shift[:, None] * along / np.linalg.norm(along, axis=1, keepdims=True)
        self.let_out(g, lit, np.column_stack([shift @ f.u[g], shift @ f.v[g]]))
        leaves = shapely.area(lit)
        self.obstruct(g, lit, d)
        clear = shapely.area(lit)

        # the image on the base's plane, pot's axes
        ab, which = shapely.get_coordinates(lit, return_index=True)
        p = f.c[g] + ab[:, :1] * f.u[g] + ab[:, 1:] * f.v[g] - pot.base
        p = p - ((p @ pot.axis) / up[which])[:, None] * d[which]
        image = shapely.intersection(
            shapely.set_coordinates(lit.copy(), (p @ pot.frame.T)[:, :2]), self.disc
        )
        back = leaving * away**-1.0 * up  # an area on the base back to the mirror's
        on_base = back * shapely.area(image)
        low = shapely.bounds(image)
        meets = (low[:, None, :2] < self.bounds[None, :, 2:]).all(2)
        meets &= (low[:, None, 2:] > self.bounds[None, :, :2]).all(2)
        i, j = np.nonzero(meets)
        by_bin = np.zeros(meets.shape)
        by_bin[i, j] = shapely.area(shapely.intersection(image[i], self.bins[j])) * back[i]
        scale = area / whole
        lines = np.column_stack(
            [
                DNI * whole - flux * whole,
                flux * (whole - sunny),
                (flux - leaving) * sunny,
                leaving * (sunny - leaves),
                leaving * (leaves - clear) + on_base * pot.covered,
                on_base * (1.0 - pot.covered),
            ]
        )
        return lines * scale[:, None], by_bin * (scale * (1.0 - pot.covered))[:, None]

    def run(self, seed):
        """Replicates of power by COMPARED line and by bin (n, BINS²)."""
        lines, bins = np.zeros((REPLICATES, len(COMPARED))), np.zeros((REPLICATES, BINS**2))
        for g in np.flatnonzero(self.cooker.facets.present):
            x = np.concatenate(
                [
                    qmc.Sobol(6, rng=np.random.default_rng([seed, g, k])).random(SAMPLES)
                    for k in range(REPLICATES)
                ]
            )
            x = np.clip(x, 1e-12, 1.0 - 1e-12)
            power, by_bin = self.facet(g, x)
            lines += power.reshape(REPLICATES, SAMPLES, -1).mean(1)
            bins += by_bin.reshape(REPLICATES, SAMPLES, -1).mean(1)
        return lines, bins


def situation(name):
    """A shipped scenario as built, a few degrees from the sun it was set for."""
    scenario = load_scenario(SCENARIOS / f"{name}.toml")
    cooker = as_built(build_cooker(scenario), tolerances_from_scenario(scenario), seed=3)
    cooker = posed(cooker, Pose())
    alpha = float(scenario.design.sun_altitude) - 0.05
    return cooker, direction(alpha, 0.04)


def traced(cooker, sun, estimator):
    """Replicates by COMPARED line and by bin, from the package."""
    shape = sunshape("limb-darkened", SUN_RADIUS)
    size = samples(estimator, 1 << 22)
    tally = trace(cooker, sun, shape, dni=DNI, replicates=32, bins=BINS, seed=3, **size)
    assert tally.estimator == estimator
    lines = tally.power.sum(1)[:, [LINES.index(k) for k in COMPARED]]
    return lines, tally.base_power.reshape(32, -1)


@cache
def both_ways(name):
    cooker, sun = situation(name)
    by_package = {k: traced(cooker, sun, k) for k in ESTIMATORS}
    return cooker, by_package, Reference(cooker, sun).run(seed=3)


every = pytest.mark.parametrize("name", ["courtyard", "courtyard-sunside", "rim-ring"])
both = pytest.mark.parametrize("estimator", ESTIMATORS)


@every
@both
def test_ledger_equals_the_polygons(name, estimator):
    """Welch's t, Bonferroni over the lines; false alarm ALPHA.

    Polygons of the same area stand for round mirrors and the pot: a shadow's edge is off by 8e-4
    of its radius at most, now in, now out, which 1e-6 of the light bounds. What the rim of a round
    mirror takes goes as its width, of which the polygon's is 0.6 % more at most.
    """
    cooker, traces, polygons = both_ways(name)
    slack = np.full(len(COMPARED), 1e-6 * DNI * cooker.mirror_area)
    if estimator == "beams" and (cooker.facets.shape == DISC).any():
        rim = polygons[0][:, COMPARED.index("rim")].mean()
        slack[[COMPARED.index("rim"), COMPARED.index("base")]] += 6e-3 * rim
    assert welch_p(traces[estimator][0], polygons[0], slack) > ALPHA


@every
@both
def test_flux_map_equals_the_polygons(name, estimator):
    """Welch's t, Bonferroni over the bins that get a thousandth of the light; ALPHA."""
    _, traces, polygons = both_ways(name)
    used = polygons[1].mean(0) > 1e-3 * polygons[1].sum(1).mean()
    assert used.sum() >= 8
    assert welch_p(traces[estimator][1][:, used], polygons[1][:, used]) > ALPHA


@both
def test_the_comparison_can_fail(estimator):
    """One facet of 54 turned by 20 mrad shows in the map."""
    cooker, _, polygons = both_ways("courtyard")
    f = cooker.facets
    g = 22
    n = f.n.copy()
    n[g] = normalised(n[g] + 2e-2 * f.u[g])
    turned = replace(cooker, facets=replace(f, n=n))
    traces = traced(turned, situation("courtyard")[1], estimator)
    used = polygons[1].mean(0) > 1e-3 * polygons[1].sum(1).mean()
    assert welch_p(traces[1][:, used], polygons[1][:, used]) < ALPHA
