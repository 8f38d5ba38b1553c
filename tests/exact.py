"""One direction of light and one error of the surface, exactly: a cooker's ledger by polygons.

Written from geometry alone, on a general geometry library and the slices of areas.py; all in the
pot's frame. A circle is exact on the base and the side; in shadows it is a polygon of many corners.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely
from areas import area_in_capsule, shoelace

from raytrace.cooker.geometry import HEXAGON, RECTANGLE
from raytrace.optics.tally import LINES

ROUND_CORNERS = 180
SHADOW_CORNERS = 720
# shadows that share an edge to the last bit but one need a grid to be told apart
GRID = 1e-13
BOX_FACES = [(0, 1, 3, 2), (4, 5, 7, 6), (0, 1, 5, 4), (2, 3, 7, 6), (0, 2, 6, 4), (1, 3, 7, 5)]


def circle(R, corners):
    """Polygon with the area of a circle."""
    around = (np.arange(corners) + 0.5) * (2.0 * np.pi / corners)
    r = R * np.sqrt(2.0 * np.pi / (corners * np.sin(2.0 * np.pi / corners)))
    return r * np.column_stack([np.cos(around), np.sin(around)])


def outline(facets, g, round_corners):
    """Outline in the facet's own axes, counter-clockwise."""
    a, b = facets.half_u[g], facets.half_v[g]
    if facets.shape[g] == RECTANGLE:
        return np.array([[a, b], [-a, b], [-a, -b], [a, -b]])
    if facets.shape[g] == HEXAGON:
        around = np.arange(6) * (np.pi / 3.0)
        return a * np.column_stack([np.cos(around), np.sin(around)])
    return circle(a, round_corners)


def before(corners, height):
    """Part of a flat convex outline where a height is positive."""
    kept = []
    for k in range(len(corners)):
        j = (k + 1) % len(corners)
        if height[k] > 0.0:
            kept.append(corners[k])
        if (height[k] > 0.0) != (height[j] > 0.0):
            t = height[k] / (height[k] - height[j])
            kept.append(corners[k] + t * (corners[j] - corners[k]))
    return np.array(kept).reshape(-1, 3)


def flat_parts(shape):
    """Overlays may leave lines and points beside polygons."""
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0.0]
    return shapely.MultiPolygon(parts)


def without(lit, points):
    """Take the hull of a shadow's corners away, on the grid."""
    if lit.is_empty or len(points) == 0:
        return lit
    low_a, low_b, high_a, high_b = lit.bounds
    box = shapely.box(low_a - 0.1, low_b - 0.1, high_a + 0.1, high_b + 0.1)
    shadow = flat_parts(shapely.convex_hull(shapely.MultiPoint(points)) & box)
    if shadow.is_empty:
        return lit
    return flat_parts(shapely.difference(lit, shadow, grid_size=GRID))


def area_within(shape, R, sweep=(0.0, 0.0)):
    """Area of any polygons within a swept disc: triangles between the origin and each edge."""
    total = 0.0
    for polygon in shapely.get_parts(shape):
        for k, ring in enumerate((polygon.exterior, *polygon.interiors)):
            corners = np.array(ring.coords)
            away = np.hypot(*corners.T)
            if (away <= R).all():
                total += (1.0 if k == 0 else -1.0) * shapely.Polygon(ring).area
                continue
            sign = np.sign(shoelace(corners[:-1])) * (1.0 if k == 0 else -1.0)
            for a, b in pairwise(corners):
                turn = a[0] * b[1] - a[1] * b[0]
                if turn != 0.0:
                    triangle = np.array([[0.0, 0.0], a, b] if turn > 0.0 else [[0.0, 0.0], b, a])
                    total += sign * np.sign(turn) * area_in_capsule(triangle, R, sweep)
    return total


class Exact:
    """A cooker for which `facet` gives where the light of one direction goes."""

    def __init__(self, cooker, round_corners=ROUND_CORNERS):
        self.cooker = cooker
        f, pot = cooker.facets, cooker.pot
        M = pot.frame
        self.c, self.n, self.u, self.v = (f.c - pot.base) @ M.T, f.n @ M.T, f.u @ M.T, f.v @ M.T
        self.flat = [outline(f, g, round_corners) for g in range(len(f))]
        plates = [
            self.c[g] + ab[:, :1] * self.u[g] + ab[:, 1:] * self.v[g]
            for g, ab in enumerate(self.flat)
        ]
        pick = np.array(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij")).reshape(3, -1).T
        for box in pot.posts:
            corners = np.where(pick == 0, box[:3], box[3:])
            plates += [corners[list(face)] for face in BOX_FACES]
        self.plates = plates
        self.present = np.append(f.present, np.ones(len(plates) - len(f), dtype=bool))

    def onto(self, g, points, d):
        """Points moved along d to facet g's plane, its axes."""
        w = points - self.c[g]
        w = w - (w @ self.n[g] / (d @ self.n[g]))[:, None] * d
        return np.column_stack([w @ self.u[g], w @ self.v[g]])

    def clear_of_plates(self, g, lit, d):
        """Take away what other plates stand before, for light along ±d."""
        for h in np.flatnonzero(self.present):
            if h == g:
                continue
            part = before(self.plates[h], (self.plates[h] - self.c[g]) @ self.n[g])
            if len(part) > 2:
                lit = without(lit, self.onto(g, part, d))
        return lit

    def pots_shadow(self, g, s):
        """Pot's shadow on facet g's plane, for a facet below the base's plane."""
        pot = self.cooker.pot
        if s[2] <= 0.0:
            return np.empty((0, 2))
        rim = np.column_stack([circle(pot.R, SHADOW_CORNERS), np.zeros(SHADOW_CORNERS)])
        both = np.concatenate([rim, rim + [0.0, 0.0, pot.height]])  # noqa: RUF005
        return self.onto(g, both, s)

    def let_out(self, whole, lit, shift):
        """Move what is lit along the glass; it goes in and out within the bevel."""
        front = shapely.buffer(whole, -self.cooker.mirror.bevel, join_style="mitre")
        moved = [shapely.transform(x, lambda ab: ab + shift) for x in (front, lit)]
        for other in (moved[0], front):
            if moved[1].is_empty:
                break
            moved[1] = flat_parts(shapely.intersection(moved[1], other, grid_size=GRID))
        return moved[1]

    def facet(self, g, s, dni, tilt=(0.0, 0.0)):
        """Ledger of facet g [W], and the area of its outline that the pot shades.

        `s` is the light's direction and `tilt` the surface's error about v and −u.
        """
        pot, mirror, f = self.cooker.pot, self.cooker.mirror, self.cooker.facets
        out = dict.fromkeys(LINES, 0.0)
        whole = shapely.Polygon(self.flat[g])
        per_area = dni * f.area[g] / whole.area
        n = self.n[g]
        cos_i = float(n @ s)
        if not f.present[g] or cos_i <= 0.0:
            out["cosine"] = dni * f.area[g]
            return np.array(list(out.values())), 0.0
        out["cosine"] = dni * f.area[g] * (1.0 - cos_i)
        lit = self.clear_of_plates(g, whole, s)
        sunny = without(lit, self.pots_shadow(g, s))
        by_pot = lit.area - sunny.area
        out["shaded"] = per_area * cos_i * (whole.area - sunny.area)
        rho = float(mirror.reflectance(np.arccos(min(cos_i, 1.0)))) * f.reflectance[g]
        leaving = per_area * cos_i * rho
        out["mirror"] = per_area * cos_i * (1.0 - rho) * sunny.area
        m = n + tilt[0] * self.u[g] + tilt[1] * self.v[g]
        m /= np.linalg.norm(m)
        d = 2.0 * (s @ m) * m - s
        # Snell's law for the way along the glass, in and out
        along = s - cos_i * n
        sine = np.linalg.norm(along)
        shift = -2.0 * mirror.thickness * np.tan(np.arcsin(sine / mirror.index)) / sine * along
        leaves = self.let_out(whole, sunny, (shift @ self.u[g], shift @ self.v[g]))
        out["rim"] = leaving * (sunny.area - leaves.area)
        if d @ n <= 0.0:
            out["blocked"] = leaving * leaves.area
            return np.array(list(out.values())), by_pot
        clear = self.clear_of_plates(g, leaves, d)
        base = side = 0.0
        if d[2] > 0.0:
            to = np.array([self.u[g], self.v[g]])
            to = to[:, :2] - to[:, 2:] * d[:2] / d[2]
            at = self.c[g, :2] - self.c[g, 2] * d[:2] / d[2]
            image = shapely.transform(clear, lambda ab: ab @ to + at)
            back = 1.0 / abs(np.linalg.det(to))
            base = back * area_within(image, pot.R)
            side = back * area_within(image, pot.R, -pot.height * d[:2] / d[2]) - base
        out["base"] = leaving * base * (1.0 - pot.covered)
        out["blocked"] = leaving * (leaves.area - clear.area + base * pot.covered)
        out["side"] = leaving * side
        out["missed"] = leaving * (clear.area - base - side)
        return np.array(list(out.values())), by_pot

    def ledger(self, s, dni):
        """Ledgers (F, L) [W] under a sun without breadth, platform frame, and shadows (F,) [m²]."""
        s = self.cooker.pot.frame @ s
        rows = [self.facet(g, s, dni) for g in range(len(self.c))]
        return np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
