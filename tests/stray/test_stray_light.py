"""Irradiance about a cooker against closed forms, and against the tracer's own flux map."""

from __future__ import annotations

import numpy as np
import pytest
from checks import SUN_RADIUS, one_facet

from raytrace.optics.stray import stray_light
from raytrace.sky.sunshape import sunshape

UNIFORM = sunshape("uniform", SUN_RADIUS)
SUN = np.tan(SUN_RADIUS)


def along(theta, half, distances, dni=1000.0):
    """Light of one facet on its central ray."""
    cooker, s = one_facet(theta, 1.0, half=half, R=0.01)
    light = stray_light(cooker, s, UNIFORM, dni=dni, pot_there=False)
    c, r = light.rays
    return light, light.at(c + np.multiply.outer(distances, r[0]))


@pytest.mark.parametrize("theta", [0.0, 0.3, 1.0])
def test_near_a_facet_shines_as_the_sun_and_far_off_by_the_inverse_square(theta):
    # a mirror that the whole of the sun is seen in gives DNI (times reflectance, here 1); one that
    # is far smaller than the sun's image gives the sun's radiance DNI / (π tan² 4.65 mrad) times
    # its solid angle A cos θ / d²: plane geometry
    half = 0.05
    _, near = along(theta, half, [0.1, 0.5 * half * np.cos(theta) / SUN])
    assert near.facing == pytest.approx(1000.0, rel=1e-9)
    far = np.array([40.0, 100.0, 1000.0])
    _, found = along(theta, half, far)
    expected = 1000.0 * (2 * half) ** 2 * np.cos(theta) / (np.pi * (SUN * far) ** 2)
    # the facet's outline bends the square of the distance by its half-angle squared
    assert found.facing == pytest.approx(expected, rel=1e-4)
    # radiance is conserved: what is seen is as bright as the sun
    radiance = found.facing / found.fill
    assert radiance == pytest.approx(1000.0 / (np.pi * SUN**2), rel=1e-4)
    assert (found.lit == 1).all()


@pytest.mark.parametrize("d", [2.0, 5.0])
def test_an_image_is_as_wide_as_the_facet_and_the_sun(d):
    # across the plane of incidence, edge to edge: W + 2 d tan(4.65 mrad), of which W less that is
    # in full light
    half = 0.05
    light, _ = along(0.4, half, [d])
    c, r = light.rays
    edge = np.array([half + d * SUN, half - d * SUN])
    y = np.array([edge[0] - 1e-5, edge[0] + 1e-5])
    E = light.at(c + d * r + np.outer(y, [0.0, 1.0, 0.0])).facing
    assert E[0] > 1e-3
    assert E[1] == pytest.approx(0.0, abs=1e-9)
    y = np.array([edge[1] - 1e-5, edge[1] + 1e-3])
    E = light.at(c + d * r + np.outer(y, [0.0, 1.0, 0.0])).facing
    assert E[0] == pytest.approx(1000.0, rel=1e-9)
    assert E[1] < 999.9
