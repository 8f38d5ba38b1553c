"""View factors from the pot's base: closed forms, quadrature, and rays that are followed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA
from scipy.integrate import dblquad
from scipy.stats import norm

from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.views import base_view, disc_to_polygons
from raytrace.scenario.loading import load_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
UP = np.array([0.0, 0.0, 1.0])


def rectangle(x0, x1, y0, y1, z):
    return np.array([[x0, y0, z], [x1, y0, z], [x1, y1, z], [x0, y1, z]])


def corner(a, b):
    """Point to a parallel rectangle, its corner above it: sides over distance.

    Howell's catalogue of configuration factors, B-3 (from memory).
    """
    p, q = np.hypot(1.0, a), np.hypot(1.0, b)
    return (a / p * np.arctan(b / p) + b / q * np.arctan(a / q)) / (2.0 * np.pi)


@pytest.mark.parametrize(
    ("R", "place"),
    [(0.12, (-0.6, 0.6, 0.2, 1.2, 0.5)), (0.2, (-0.6, 0.6, -0.3, 1.2, 0.4))],
)
def test_a_board_under_the_base(R, place):
    """Closed form from a point, averaged over the disc by scipy's adaptive quadrature."""
    x0, x1, y0, y1, h = place

    def seen(r, phi):
        x, y = r * np.cos(phi), r * np.sin(phi)
        a, b = (x0 - x) / h, (x1 - x) / h
        c, d = (y0 - y) / h, (y1 - y) / h
        return r * (corner(b, d) - corner(a, d) - corner(b, c) + corner(a, c))

    expected = dblquad(seen, 0.0, 2.0 * np.pi, 0.0, R, epsabs=1e-9)[0] / (np.pi * R**2)
    got = disc_to_polygons(R, rectangle(*place)[None])[0]
    assert got == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(("R", "other", "h"), [(0.12, 0.5, 0.5), (0.12, 0.1, 0.6)])
def test_a_disc_opposite(R, other, h):
    """Coaxial discs: Bergman et al., Fundamentals of Heat and Mass Transfer, table 13.2."""
    phi = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    rim = np.stack([other * np.cos(phi), other * np.sin(phi), np.full(720, h)], axis=1)
    S = 1.0 + (1.0 + (other / h) ** 2) / (R / h) ** 2
    expected = 0.5 * (S - np.sqrt(S**2 - 4.0 * (other / R) ** 2))
    assert disc_to_polygons(R, rim[None])[0] == pytest.approx(expected, rel=2e-5)


def test_a_closed_room_fills_the_view_and_what_is_behind_none_of_it():
    """Walls that reach below the disc's plane are cut there; with the ceiling they make 1."""
    a, b = 2.0, 1.5
    walls = [
        [[x0, y0, -1.0], [x1, y1, -1.0], [x1, y1, b], [x0, y0, b]]
        for x0, y0, x1, y1 in ((-a, -a, a, -a), (a, -a, a, a), (a, a, -a, a), (-a, a, -a, -a))
    ]
    room = np.array([*walls, rectangle(-a, a, -a, a, b), rectangle(-a, a, -a, a, -1.0)])
    share = disc_to_polygons(0.3, room)
    assert share.sum() == pytest.approx(1.0, abs=1e-9)
    np.testing.assert_allclose(share[:4], share[0], rtol=1e-6)
    assert share[-1] == 0.0


def test_mirrors_under_the_base_by_following_rays():
    """Cosine-weighed rays from the courtyard's base: what meets a facet; false alarm ALPHA."""
    cooker = build_cooker(load_scenario(SCENARIOS / "courtyard.toml"))
    facets, pot = cooker.facets, cooker.pot
    n = 40_000
    u = np.random.default_rng(1).random((4, n))
    r, phi = pot.R * np.sqrt(u[0]), 2.0 * np.pi * u[1]
    start = pot.base + np.stack([r * np.cos(phi), r * np.sin(phi), 0.0 * r], axis=1)
    sine, around = np.sqrt(u[2]), 2.0 * np.pi * u[3]
    down = -np.sqrt(1.0 - u[2])
    d = np.stack([sine * np.cos(around), sine * np.sin(around), down], axis=1)
    off = facets.c[:, None] - start  # facets by rays
    far = (off * facets.n[:, None]).sum(-1) / (d @ facets.n.T).T
    at = far[..., None] * d - off
    inside = np.abs((at * facets.u[:, None]).sum(-1)) <= facets.half_u[:, None]
    inside &= np.abs((at * facets.v[:, None]).sum(-1)) <= facets.half_v[:, None]
    hits = (inside & (far > 0.0)).sum(axis=0)  # those behind each other too
    seen = base_view(cooker, UP)
    se = hits.std() / np.sqrt(n)
    assert abs(hits.mean() - seen.mirrors) < norm.isf(0.5 * ALPHA) * se
    assert se < 0.02 * seen.mirrors
    # all of them show the sky, dimmed by 0.88 · 0.95, say, as the scenario has it
    assert seen.sky == pytest.approx(float(cooker.mirror.reflectance(0.0)) * seen.mirrors)
    assert seen.ground == pytest.approx(1.0 - seen.mirrors)


def test_a_mirror_that_throws_ground_light_up_counts_as_ground():
    """Under a zenith turned to the side, mirrors that lean to it show what is below."""
    cooker = build_cooker(load_scenario(SCENARIOS / "courtyard.toml"))
    usual, turned = (base_view(cooker, up) for up in (UP, -UP))
    assert turned.sky == 0.0
    assert turned.ground == pytest.approx(usual.ground + usual.sky)
    away = replace(cooker, facets=replace(cooker.facets, n=-cooker.facets.n))
    assert base_view(away, UP).mirrors == 0.0
