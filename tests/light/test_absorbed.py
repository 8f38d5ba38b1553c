"""Heat from mirrors, sun, sky and ground: against closed forms and a reference library."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pvlib import irradiance

from raytrace.heat.losses import light_shares
from raytrace.light.absorbed import absorbed, diffuse, direct
from raytrace.light.history import PotLight, pot_light
from raytrace.light.setup import set_up
from raytrace.scenario.loading import load_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FACES = ("base", "side", "lid")


def set_up_as(*changes, file="courtyard"):
    """A dry pot is as warm as its food throughout, so that no light is lost above the water."""
    bare = ("pot.support.covers=0 %", "kitchen.water=0 L")
    return set_up(load_scenario(SCENARIOS / f"{file}.toml", (*bare, *changes)))


def black(*faces):
    return [f"pot.absorptance_{k}={1 if k in faces else 0}" for k in FACES]


def light_of(n=1, **given):
    zero = np.zeros((n, 2))
    values = {"base": zero, "side": zero, "lid": zero, "leaving": zero}
    values |= {k: np.zeros(n) for k in ("dhi", "alpha", "gamma", "on_axis")}
    return PotLight(**(values | {"dni": np.full(n, 800.0)} | given))


def test_direct_sun_on_the_pot_is_the_shadow_of_a_cylinder():
    # Outside check: the area of a cylinder's outline along the sun, as the convex hull of its two
    # rims projected, by scipy's Qhull; with absorptance 1 all round that is what it takes.
    from scipy.spatial import ConvexHull

    setup = set_up_as(*black(*FACES))
    pot = setup.scenario.pot
    R, h = 0.5 * pot.diameter, pot.height
    phi = np.linspace(0.0, 2.0 * np.pi, 2000, endpoint=False)
    for zeta in (0.0, 0.4, 1.2, 1.9, 3.0):
        across = np.array([[np.cos(zeta), 0.0, -np.sin(zeta)], [0.0, 1.0, 0.0]])
        rims = np.array([[R * np.cos(phi), R * np.sin(phi), 0.0 * phi + z] for z in (0.0, h)])
        shadow = ConvexHull(np.concatenate([across @ r for r in rims], axis=1).T).volume
        got = direct(setup, light_of(on_axis=np.array([np.cos(zeta)])))
        assert got[0] == pytest.approx(800.0 * shadow, rel=1e-5)


def test_absorbed_watts_by_hand():
    setup = set_up_as("kitchen.cover=glass", "kitchen.cover_transmittance=80 %", "site.albedo=0")
    light = light_of(
        base=np.array([[100.0, 110.0]]),
        side=np.array([[10.0, 10.0]]),
        lid=np.array([[5.0, 5.0]]),
        on_axis=np.array([0.6]),
    )
    # lid 0.4 · π 0.12² · 0.6, wall 0.9 · 0.24 · 0.15 · 0.8; 92 % of the base, 90 % of the wall
    sun = 800.0 * (0.4 * np.pi * 0.0144 * 0.6 + 0.9 * 0.036 * 0.8)
    expected = 0.8 * (sun + np.array([92.0, 101.2]) + 9.0 + 2.0)
    np.testing.assert_allclose(absorbed(setup, light)[0], expected, rtol=1e-12)
    # 100 W/m² from the sky: all of it on the lid, half of it on the wall, π 0.24 · 0.15
    lit = replace(light, dhi=np.array([100.0]))
    sky = 0.4 * np.pi * 0.0144 * 100.0 + 0.9 * np.pi * 0.036 * 50.0
    sky += 0.92 * np.pi * 0.0144 * 100.0 * setup.base_view.sky
    np.testing.assert_allclose(absorbed(setup, lit)[0], expected + 0.8 * sky, rtol=1e-12)
    np.testing.assert_allclose(diffuse(setup, lit), 0.8 * sky, rtol=1e-12)


def test_light_above_the_water_warms_it_less_but_not_the_mirrors_on_the_wall():
    light = light_of(side=np.array([[10.0, 10.0]]), dhi=np.array([100.0]), on_axis=np.array([0.6]))
    for face, spilt in (("base", 0.0), ("side", 10.0), ("lid", 0.0)):
        dry, wet = (set_up_as(*black(face), f"kitchen.water={L} L") for L in (0, 2))
        kept = dict(zip(FACES, (1.0, *light_shares(wet.scenario)), strict=True))[face]
        assert kept == 1.0 if face == "base" else 0.5 < kept < 1.0
        for heat in (direct, diffuse):
            np.testing.assert_allclose(heat(wet, light), kept * heat(dry, light), rtol=1e-12)
        spread = direct(wet, light) + diffuse(wet, light)
        np.testing.assert_allclose(absorbed(wet, light), spread[:, None] + spilt * np.ones(2))


def test_lid_and_strips_of_the_wall_get_what_a_reference_library_says():
    """pvlib's isotropic sky and ground on the level and on 36 upright planes round the pot."""
    light = light_of(
        3,
        dni=np.array([0.0, 500.0, 900.0]),
        dhi=np.array([120.0, 200.0, 70.0]),
        alpha=np.radians([25.0, 15.0, 62.0]),
    )
    ghi = light.dni * np.sin(light.alpha) + light.dhi
    upright = irradiance.isotropic(90.0, light.dhi) + irradiance.get_ground_diffuse(90.0, ghi, 0.3)
    for faces, expected in (
        (("lid",), np.pi * 0.12**2 * irradiance.isotropic(0.0, light.dhi)),
        (("side",), sum(2.0 * np.pi * 0.12 / 36 * 0.15 * upright for _ in range(36))),
    ):
        setup = set_up_as(*black(*faces), "site.albedo=30 %")
        np.testing.assert_allclose(diffuse(setup, light), expected, rtol=1e-12)
    # without mirrors the base sees the ground alone
    setup = set_up_as(*black("base"), "site.albedo=30 %")
    facets = replace(setup.cooker.facets, present=np.zeros(54, dtype=bool))
    bare = replace(setup, cooker=replace(setup.cooker, facets=facets))
    expected = np.pi * 0.12**2 * irradiance.get_ground_diffuse(180.0, ghi, 0.3)
    np.testing.assert_allclose(diffuse(bare, light), expected, rtol=1e-12)


def test_in_a_world_of_one_brightness_every_face_gets_just_that():
    """Nothing is brighter than what it is lit by: white ground, perfect mirrors, even sky."""
    perfect = ("mirror.reflectance=1", "mirror.cleanliness=1", "site.albedo=1")
    light = light_of(dni=np.zeros(1), dhi=np.array([100.0]), alpha=np.array([0.5]))
    for file, R, h in (("courtyard", 0.12, 0.15), ("terrace", 0.13, 0.16)):
        setup = set_up_as(*black(*FACES), *perfect, file=file)
        surface = 2.0 * np.pi * R * (R + h)
        assert diffuse(setup, light)[0] == pytest.approx(100.0 * surface, rel=1e-12)


def test_there_is_light_without_direct_sun():
    """Behind the courtyard's house, at 8° of altitude, sky and ground still warm the pot."""
    setup = set_up_as("facets.rows=3", "facets.columns=3")
    at = ["2026-03-20T06:10", "2026-03-20T07:00", "2026-03-20T10:00"]
    light = pot_light(setup, at, at)
    assert light.dni[1] == 0.0
    got = diffuse(setup, light)
    assert got[0] == 0.0  # before sunrise
    assert 1.0 < got[1] < got[2]
    np.testing.assert_array_equal(absorbed(setup, light)[:2], np.repeat(got[:2, None], 4, axis=1))
