"""Limits of radiant light against the figures that their sources print."""

from __future__ import annotations

import numpy as np
import pytest

from raytrace.studies.stray.limits import (
    LEAST,
    LIMITS,
    after_image_threshold,
    burn_time,
    pain_time,
    retinal_burn_threshold,
    retinal_irradiance,
)

HALF_ANGLE = 4.65e-3  # of the sun's disc


def test_pain_and_burns_by_their_power_laws():
    """4.2 q^-1.9 and 6.9 q^-1.56 min, ISO 13571:2012, from memory."""
    q = np.array([2.0, 2.5, 5.0, 10.0])
    np.testing.assert_allclose(pain_time(1e3 * q), 252.0 * q**-1.9, rtol=1e-12)
    np.testing.assert_allclose(burn_time(1e3 * q), 414.0 * q**-1.56, rtol=1e-12)
    assert np.isinf(pain_time(1.69e3))
    assert (burn_time(1e3 * q) > pain_time(1e3 * q)).all()


def test_two_sources_on_skin_agree():
    """PD 7974-6 has 30 s at 2.5 and 4 s at 10 kW/m²: the law is within half as much again."""
    for limit in LIMITS:
        if np.isfinite(limit.within):
            assert pain_time(limit.irradiance) == pytest.approx(limit.within, rel=0.5)


def test_limits_rise_and_name_their_sources():
    levels = [limit.irradiance for limit in LIMITS]
    assert levels == sorted(levels)
    assert len({limit.key for limit in LIMITS}) == len(LIMITS)
    # Babrauskas, Interflam 2001: 4.3 kW/m², lower than the usual 12.5 and 25 of short tests
    fuel = [limit.irradiance for limit in LIMITS if "wood" in limit.harms]
    assert fuel == [LEAST.irradiance, 4.3e3, 12.5e3, 25e3]
    assert all(limit.source for limit in LIMITS)


def test_the_sun_on_the_retina():
    """Ho, Ghanbari and Diver, J. Sol. Energy Eng. 133 (2011): 8.0 under 12.7 W/cm²."""
    sun = retinal_irradiance(1000.0, 2.0 * HALF_ANGLE)
    assert sun / 1e4 == pytest.approx(8.0, abs=0.05)
    assert retinal_burn_threshold(2.0 * HALF_ANGLE) / 1e4 == pytest.approx(12.7, abs=0.05)
    assert sun > after_image_threshold(2.0 * HALF_ANGLE)


def test_an_image_of_many_suns_is_as_bright_as_one():
    """Conservation of radiance: n times the light from n times the solid angle."""
    n = np.arange(1.0, 50.0)
    bright = retinal_irradiance(1000.0 * n, 2.0 * HALF_ANGLE * np.sqrt(n))
    np.testing.assert_allclose(bright, bright[0], rtol=1e-12)
    # closed form: radiance times pi/4 (pupil over focal length) squared times 0.5
    radiance = 1000.0 / (np.pi * HALF_ANGLE**2)
    assert bright[0] == pytest.approx(radiance * np.pi / 4 * (2 / 17) ** 2 * 0.5, rel=1e-12)
    # so that three suns burn where one does not: 12.7 / sqrt(3) is under 8.0
    burns = bright > retinal_burn_threshold(2.0 * HALF_ANGLE * np.sqrt(n))
    assert not burns[:2].any()
    assert burns[2:].all()


def test_wide_images_burn_at_one_watt_a_square_centimetre():
    assert retinal_burn_threshold(0.118) == pytest.approx(1e4)
    assert retinal_burn_threshold(1.0) == 1e4
    assert retinal_burn_threshold(0.059) == pytest.approx(2e4)
    assert after_image_threshold(1.0) == pytest.approx(0.359)
