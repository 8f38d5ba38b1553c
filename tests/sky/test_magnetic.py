"""Declination against the test values that come with the World Magnetic Model, and its limits."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace

import numpy as np
import pytest

from raytrace.sky.magnetic import declination

NEW_YEAR = dt.date(2025, 1, 1)


def site(latitude, longitude, altitude=0.0, stated=None):
    return SimpleNamespace(
        latitude=np.radians(latitude),
        longitude=np.radians(longitude),
        altitude=altitude,
        declination=stated,
    )


@pytest.mark.parametrize(
    ("place", "day", "degrees"),
    [
        ((80, 0), NEW_YEAR, 1.28),
        ((0, 120), NEW_YEAR, -0.16),
        ((-80, 240), NEW_YEAR, 68.78),
        ((80, 0, 100e3), NEW_YEAR, 0.85),
        ((0, 120), dt.date(2027, 7, 2), -0.24),
        ((-80, 240), dt.date(2027, 7, 2), 68.49),
        ((80, 0), dt.date(2020, 1, 1), -1.28),
        ((-80, 240), dt.date(2020, 1, 1), 69.36),
    ],
)
def test_the_models_test_values(place, day, degrees):
    """Test values of WMM2025 and WMM2020, NOAA NCEI and British Geological Survey; from memory."""
    found = declination(site(*place), day)
    assert np.degrees(found.angle) == pytest.approx(degrees, abs=0.006)
    assert 0.26 < np.degrees(found.error) < 1.0


def test_where_no_model_holds_nothing_is_said_unless_the_scenario_says_it():
    assert declination(site(40, -3), dt.date(2030, 1, 1)) is None
    assert declination(site(40, -3), dt.date(2009, 12, 31)) is None
    assert declination(site(86, 140), dt.date(2026, 1, 1)) is None  # near the magnetic pole
    found = declination(site(40, -3, stated=0.1), dt.date(2040, 1, 1))
    assert (found.angle, found.error) == (0.1, 0.0)


def test_a_needle_that_points_east_shows_less():
    """A needle ten degrees east: what lies at 90° from true north lies at 80° by it."""
    east = declination(site(0, 0, stated=np.radians(10.0)), NEW_YEAR)
    assert np.degrees(east.by_compass(np.radians(90.0))) == pytest.approx(80.0)
    assert np.degrees(east.by_compass(np.radians(4.0))) == pytest.approx(354.0)
