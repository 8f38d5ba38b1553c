"""Aiming, small turns and the laser's spot, against vector reflection and published relations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raytrace.cooker.aiming import aim_normals, axes, direction, spot_jacobian, spots, turn, unit
from raytrace.exceptions import GeometryError

UP = np.array([0.0, 0.0, 1.0])


def some_facets(F=20, seed=3):
    rng = np.random.default_rng(seed)
    mount = np.column_stack(
        [rng.uniform(-0.5, 0.5, F), rng.uniform(-0.4, 0.4, F), np.full(F, 0.04)]
    )
    radius = rng.uniform(0.0, 0.05, F)
    light = direction(np.radians(rng.uniform(20, 80, F)), np.radians(rng.uniform(-20, 20, F)))
    aim = np.tile([0.05, -0.7, 0.5], (F, 1))
    return mount, radius, light, aim


def test_perfect_aim_sends_light_to_its_mark():
    mount, radius, light, aim = some_facets()
    n = aim_normals(mount, radius, light, aim)
    c = mount + radius[:, None] * n
    np.testing.assert_allclose(np.linalg.norm(n, axis=1), 1.0, atol=1e-15)
    # reflection law: the light's direction less its mirror image runs along the normal
    np.testing.assert_allclose(np.cross(light + unit(aim - c), n), 0.0, atol=1e-14)
    np.testing.assert_allclose(spots(c, n, light, aim[0], UP), aim, atol=1e-13)


def test_swivelled_laser_and_missed_centre_still_land_on_the_mark():
    mount, radius, light, aim = some_facets()
    stand = np.array([0.1, 3.0, 2.5])
    rng = np.random.default_rng(1)
    hit = 3e-3 * rng.normal(size=mount.shape)
    n = aim_normals(mount, radius, light, aim, stand=stand, hit=hit)
    c = mount + radius[:, None] * n
    through = c + hit
    toward = unit(stand - through)
    lit = through - ((n * hit).sum(1) / (n * toward).sum(1))[:, None] * toward
    np.testing.assert_allclose(((lit - c) * n).sum(1), 0.0, atol=1e-14)
    np.testing.assert_allclose(spots(lit, n, unit(stand - lit), aim[0], UP), aim, atol=1e-12)


def test_no_mirror_sends_light_straight_on():
    light = direction(np.array([np.radians(40)]))
    with pytest.raises(GeometryError, match="straight away"):
        aim_normals(np.zeros((1, 3)), np.zeros(1), light, -light)


@given(st.floats(-1.3, 1.3), st.floats(-1.3, 1.3), st.floats(-0.5, 0.5))
@settings(max_examples=100, deadline=None)
def test_axes_are_a_right_handed_frame(a, b, roll):
    n = unit(np.array([[np.tan(a), np.tan(b), 1.0]]))
    u, v = axes(n, roll)
    frame = np.stack([u[0], v[0], n[0]])
    np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=1e-14)
    assert np.linalg.det(frame) == pytest.approx(1.0)
    if roll == 0.0:
        assert v[0, 0] == pytest.approx(0.0, abs=1e-15)  # u is x projected, so v has no x


@given(st.floats(0.0, 1.3), st.floats(-1e-3, 1e-3).filter(lambda e: abs(e) > 1e-6))
@settings(max_examples=50, deadline=None)
def test_ray_turns_by_twice_the_rotation_or_less(theta, eps):
    """2 ε in the plane of incidence, 2 ε cos θᵢ out of it: vector reflection, any optics textbook
    (table of ray deviations in closed form; second order in ε neglected)."""
    n = np.array([[0.0, 0.0, 1.0]])
    u, v = np.array([[1.0, 0.0, 0.0]]), np.array([[0.0, 1.0, 0.0]])
    light = np.array([[0.0, np.sin(theta), np.cos(theta)]])  # plane of incidence holds v

    def reflected(m):
        return 2 * (m * light).sum(1, keepdims=True) * m - light

    about_u = turn(n, u, v, np.array([[eps, 0.0]]))  # tips the normal in the plane of incidence
    about_v = turn(n, u, v, np.array([[0.0, eps]]))
    r = reflected(n)
    for turned, want in ((about_u, 2 * abs(eps)), (about_v, 2 * abs(eps) * np.cos(theta))):
        angle = np.arctan2(
            np.linalg.norm(np.cross(r, reflected(turned))), (r * reflected(turned)).sum()
        )
        assert angle == pytest.approx(want, rel=2e-3, abs=1e-9)


def test_a_turn_of_zero_changes_no_bit():
    mount, radius, light, aim = some_facets()
    n = aim_normals(mount, radius, light, aim)
    u, v = axes(n)
    assert np.array_equal(turn(n, u, v, np.zeros((len(n), 2))), n)


def test_turns_are_rotations():
    """Against scipy's rotations, large angles too."""
    from scipy.spatial.transform import Rotation

    mount, radius, light, aim = some_facets()
    n = aim_normals(mount, radius, light, aim)
    u, v = axes(n)
    e = np.random.default_rng(0).normal(size=(len(n), 2))
    want = Rotation.from_rotvec(e[:, :1] * u + e[:, 1:] * v).apply(n)
    np.testing.assert_allclose(turn(n, u, v, e), want, atol=1e-14)


def test_jacobian_equals_two_eps_d_at_normal_incidence():
    """A mirror that sends light straight back to a plane d away moves the spot 2 d a radian."""
    d = 1.5
    mount, radius = np.zeros((1, 3)), np.zeros(1)
    n = np.array([[0.0, 0.0, 1.0]])
    J = spot_jacobian(mount, radius, n, n, np.array([0.0, 0.0, d]), UP)
    np.testing.assert_allclose(J[0], [[0.0, 2 * d], [-2 * d, 0.0], [0.0, 0.0]], atol=1e-8)


def test_jacobian_equals_exact_differences_with_mount_radius():
    mount, radius, light, aim = some_facets()
    n = aim_normals(mount, radius, light, aim)
    J = spot_jacobian(mount, radius, n, light, aim[0], UP)
    u, v = axes(n)
    e = 1e-4 * np.random.default_rng(2).normal(size=(len(n), 2))
    turned = turn(n, u, v, e)
    moved = spots(mount + radius[:, None] * turned, turned, light, aim[0], UP) - aim
    np.testing.assert_allclose(moved, np.einsum("fij,fj->fi", J, e), atol=2e-6)
