"""Where beams meet the things about a cooker, against plain trigonometry."""

from __future__ import annotations

import numpy as np
import pytest

from raytrace.scenario.place_sections import Surrounding
from raytrace.studies.stray.around import on_horizon, on_surrounding

UP = np.array([0.0, 0.0, 2.0])


def _signed(bearing):
    return (bearing + 180.0) % 360.0 - 180.0


def thing(**changes):
    facts = {
        "name": "it",
        "kind": "window",
        "bearing_from": "350 deg",
        "bearing_to": "20 deg",
        "distance": "8 m",
        "bottom": "1 m",
        "top": "2 m",
    }
    return Surrounding.model_validate(facts | changes)


def beam(bearing, altitude):
    b, a = np.radians([bearing, altitude])
    return np.zeros((1, 3)), np.array([[np.cos(a) * np.sin(b), np.cos(a) * np.cos(b), np.sin(a)]])


@pytest.mark.parametrize(
    ("bearing", "altitude", "meets"),
    [
        (0.0, np.degrees(np.arctan(1.5 / 8.0)), True),
        (19.0, np.degrees(np.arctan(1.1 / 8.0)), True),
        (351.0, np.degrees(np.arctan(1.9 / 8.0)), True),
        (25.0, np.degrees(np.arctan(1.5 / 8.0)), False),
        (345.0, np.degrees(np.arctan(1.5 / 8.0)), False),
        (180.0, np.degrees(np.arctan(1.5 / 8.0)), False),
        (0.0, np.degrees(np.arctan(0.8 / 8.0)), False),
        (0.0, np.degrees(np.arctan(2.2 / 8.0)), False),
        (0.0, 90.0, False),
    ],
)
def test_a_window_is_met_within_its_bearings_and_heights(bearing, altitude, meets):
    points = on_surrounding(*beam(bearing, altitude), thing())
    assert len(points) == meets
    for x, y, z in points:
        assert np.hypot(x, y) == pytest.approx(8.0, rel=1e-12)
        assert z == pytest.approx(8.0 * np.tan(np.radians(altitude)), rel=1e-9)
        assert np.degrees(np.arctan2(x, y)) == pytest.approx(_signed(bearing), abs=1e-9)


def test_a_spot_that_overlaps_an_edge_counts_at_the_edge():
    (point,) = on_surrounding(*beam(0.0, np.degrees(np.arctan(2.05 / 8.0))), thing())
    assert point[2] == 2.0
    # half of a spot 8 m off is 87 mm, 0.6 deg: it overlaps the left edge, and the right one
    for bearing, edge in ((349.5, 350.0), (20.5, 20.0)):
        (point,) = on_surrounding(*beam(bearing, np.degrees(np.arctan(1.5 / 8.0))), thing())
        assert np.degrees(np.arctan2(*point[:2])) == pytest.approx(_signed(edge))


def test_dry_grass_is_met_where_a_falling_beam_comes_down():
    grass = thing(kind="grass", distance="4 m", reach="60 m", bottom="0 m", top="0.4 m")
    start, way = beam(10.0, -5.0)
    points = on_surrounding(start + UP, way, grass)
    away = np.hypot(*points[:, :2].T)
    # it comes through the grass's top at (2.0 - 0.4) / tan 5°
    half = 0.05 + 4.65e-3 * 4.0
    assert away.min() == pytest.approx((1.6 - half) / np.tan(np.radians(5.0)), rel=1e-9)
    assert points[:, 2].max() == 0.4
    assert len(on_surrounding(start + UP, -way, grass)) == 0


def test_the_horizon_is_met_below_its_profile():
    horizon = np.radians([[0.0, 4.0], [100.0, 15.0], [200.0, 4.0]])
    for altitude, hits in ((14.0, 1), (16.0, 0), (-1.0, 0)):
        points = on_horizon(*beam(100.0, altitude), horizon, 10.0)
        assert len(points) == hits
        if hits:
            assert np.degrees(np.arctan2(*points[0, :2])) == pytest.approx(100.0)
            assert np.linalg.norm(points[0, :2]) == pytest.approx(10.0, rel=1e-12)
    assert len(on_horizon(*beam(50.0, 9.0), horizon, 10.0)) == 1
    assert len(on_horizon(*beam(50.0, 10.0), horizon, 10.0)) == 0
    # from one end of the profile to the other past north
    past_north = np.radians([[90.0, 20.0], [270.0, 0.0]])
    assert len(on_horizon(*beam(0.0, 9.0), past_north, 10.0)) == 1
    assert len(on_horizon(*beam(0.0, 11.0), past_north, 10.0)) == 0
