"""Mirrors: against Fresnel's equations, limiting cases and measured silvered glass."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raytrace.cooker.mirror import Mirror, fresnel, glass_reflectance, mirror_from_scenario
from raytrace.exceptions import GeometryError

CLEAR = {"index": 1.52, "extinction": 0.0, "thickness": 4e-3, "backing": 1.0}


@pytest.mark.parametrize(
    ("index", "degrees", "R"),
    [
        # Computed from Fresnel's equations (Born & Wolf, Principles of Optics, 1.5.2), five
        # decimals; normal incidence is ((n - 1)/(n + 1))^2.
        (1.52, 0, 0.04258),
        (1.52, 30, 0.04414),
        (1.52, 45, 0.05305),
        (1.52, 60, 0.09248),
        (1.52, 75, 0.25672),
        (1.49, 0, 0.03873),
        (1.49, 60, 0.08752),
        (1.50, 0, 0.04000),
        (1.50, 60, 0.08919),
        (1.526, 0, 0.04336),
        (1.526, 60, 0.09346),
    ],
)
def test_one_surface_reflects_as_fresnel_says(index, degrees, R):
    s, p = fresnel(np.deg2rad(degrees), index=index)
    assert (s + p) / 2 == pytest.approx(R, abs=5.1e-6)


def test_one_surface_at_sixty_degrees_by_polarisation():
    s, p = fresnel(np.deg2rad(60.0), index=1.52)
    assert s == pytest.approx(0.18344, abs=5.1e-6)
    assert p == pytest.approx(0.00153, abs=5.1e-6)


@given(index=st.floats(1.3, 2.5))
@settings(deadline=None, derandomize=True)
def test_brewster_angle_sends_no_light_back_in_the_plane(index):
    # tan(theta_B) = n, Brewster's law; 56.659 deg for 1.52.
    _, p = fresnel(np.arctan(index), index=index)
    assert p < 1e-30
    assert np.rad2deg(np.arctan(1.52)) == pytest.approx(56.659, abs=5e-4)


@given(theta=st.floats(0.0, np.pi / 2 - 1e-6), index=st.floats(1.1, 2.0))
@settings(deadline=None, derandomize=True)
def test_clear_glass_on_perfect_silver_loses_nothing(theta, index):
    """All light comes back whatever the front does: energy is kept by the series."""
    args = CLEAR | {"index": index}
    assert glass_reflectance(theta, **args) == pytest.approx(1.0, abs=1e-12)


@given(theta=st.floats(0.0, np.pi / 2), backing=st.floats(0.0, 1.0))
@settings(deadline=None, derandomize=True)
def test_without_glass_only_silver_is_left(theta, backing):
    R = glass_reflectance(theta, index=1.0, extinction=0.0, thickness=3e-3, backing=backing)
    assert pytest.approx(backing, abs=1e-12) == R


def test_black_backing_leaves_the_front_alone():
    theta = np.linspace(0.0, 1.5, 16)
    R = glass_reflectance(theta, index=1.52, extinction=8.0, thickness=3e-3, backing=0.0)
    np.testing.assert_allclose(R, np.mean(fresnel(theta, index=1.52), axis=0), rtol=1e-14)


def test_series_is_the_sum_of_its_bounces():
    """The closed sum against 200 bounces, each followed through the glass; derived here."""
    theta, n, K, d, rb = np.deg2rad(50.0), 1.52, 30.0, 5e-3, 0.9
    path = d / np.cos(np.arcsin(np.sin(theta) / n))
    total = 0.0
    for r in fresnel(theta, index=n):
        out, inside = float(r), 1.0 - float(r)
        for _ in range(200):
            inside *= np.exp(-K * path) * rb * np.exp(-K * path)
            out += inside * (1.0 - float(r))
            inside *= float(r)
        total += 0.5 * out
    R = glass_reflectance(theta, index=n, extinction=K, thickness=d, backing=rb)
    assert pytest.approx(total, rel=1e-14) == R


def test_extinction_follows_the_refracted_path():
    # Bouguer's law along d/cos(theta_2): Duffie & Beckman, Solar Engineering of Thermal Processes,
    # chapter 5. Glass as index 1 would take the longer path of the straight ray.
    theta = np.deg2rad(60.0)
    args = {"extinction": 20.0, "thickness": 6e-3, "backing": 1.0}
    thin = glass_reflectance(theta, index=1.0 + 1e-12, **args)
    assert thin == pytest.approx(np.exp(-2 * 20.0 * 6e-3 / np.cos(theta)), rel=1e-9)
    assert glass_reflectance(theta, index=1.52, **args) > thin


def test_silvered_glass_is_as_bright_as_it_is_measured():
    # Thin silvered glass laminates, 0.25 and 0.51 mm: solar reflectance above 0.93 (abstract of
    # "The use of thin glass reflectors for solar concentrators"). Extinction of clear white glass
    # 4 1/m and solar-weighted silver 0.95 are from memory.
    for thickness in (0.25e-3, 0.51e-3):
        R = glass_reflectance(0.0, index=1.52, extinction=4.0, thickness=thickness, backing=0.95)
        assert 0.93 < R < 0.96
    # Ordinary household mirror, 3-4 mm of greenish glass: 0.80-0.88 (handbook range, memory).
    for thickness in (3e-3, 4e-3):
        R = glass_reflectance(0.0, index=1.52, extinction=16.0, thickness=thickness, backing=0.93)
        assert 0.80 < R < 0.88


def test_grazing_light_is_sent_on_whole():
    assert Mirror(model="glass").reflectance(np.pi / 2) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("model", ["constant", "glass"])
def test_table_is_the_mirror_at_equal_cosines(model):
    """Straight between 513 knots; error weighted by the cosine that the light arrives with."""
    mirror = Mirror(model=model, cleanliness=0.95)
    table = mirror.table()
    assert table.shape == (513,)
    cosine = np.linspace(0.0, 1.0, 20_001)
    read = np.interp(cosine, np.linspace(0.0, 1.0, 513), table)
    error = np.abs(read - mirror.reflectance(np.arccos(cosine)))
    assert (cosine * error).max() < 1e-6
    assert error[cosine > 0.05].max() < 2e-5


def section(**change):
    values = {
        "model": "glass",
        "reflectance": 0.85,
        "index": 1.5,
        "extinction": 10.0,
        "thickness": 2e-3,
        "bevel": 1e-3,
        "backing": 0.9,
        "cleanliness": 0.8,
        "slope_error": 1e-3,
        "specularity": 2e-3,
    }
    return SimpleNamespace(**(values | change))


def test_scenario_section_becomes_a_mirror():
    mirror = mirror_from_scenario(section())
    clean = glass_reflectance(0.3, index=1.5, extinction=10.0, thickness=2e-3, backing=0.9)
    assert mirror.reflectance(0.3) == pytest.approx(0.8 * clean, rel=1e-14)
    flat = mirror_from_scenario(section(model="constant"))
    for one in (mirror, flat):  # the glass shifts light whatever its reflectance is said to be
        assert (one.slope, one.specularity) == (1e-3, 2e-3)
        assert (one.thickness, one.index, one.bevel) == (2e-3, 1.5, 1e-3)
    np.testing.assert_allclose(flat.reflectance([0.0, 1.0]), 0.8 * 0.85, rtol=1e-14)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"model": "foil"}, "foil"),
        ({"clean": np.nan}, "clean"),
        ({"cleanliness": 1.2}, "cleanliness"),
        ({"backing": -0.1}, "backing"),
        ({"slope": np.nan}, "slope"),
        ({"specularity": -1e-3}, "specularity"),
        ({"index": 0.9}, "index"),
        ({"thickness": np.inf}, "thickness"),
        ({"extinction": np.nan}, "extinction"),
    ],
)
def test_mirrors_that_are_none_are_refused(changes, words):
    with pytest.raises(GeometryError, match=words):
        Mirror(**changes)
