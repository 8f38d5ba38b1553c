"""The wall above the water as a fin, and the lid: against the differential equation and limits."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_bvp
from scipy.optimize import brentq

from raytrace.heat.faces import outside
from raytrace.heat.films import headspace_film
from raytrace.heat.losses import light_shares, losses, sky_temperature
from raytrace.heat.shell import fin_share, headspace, shell
from raytrace.heat.vessel import Vessel, vessel_from_scenario
from raytrace.heat.water import water_at
from raytrace.scenario.loading import load_scenario

SEA = 101325.0
POT = Vessel(R=0.12, height=0.15, water=2.0, shell=1000.0)
AIR = {"around": 293.15, "wind": 1.0, "humidity": 0.5}
SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.mark.parametrize("light", [0.0, 1500.0])
@pytest.mark.parametrize(("out", "inside"), [(12.0, 0.0), (20.0, 60.0)])
@pytest.mark.parametrize("conduction", [0.36, 0.06, 0.016])
def test_fin_is_the_solution_of_its_equation(conduction, out, inside, light):
    """k t T'' = o (T − a) − q − i (w − T), solved numerically: heat that comes to the water."""
    water, air, length = 353.0, 293.0, 0.09

    def slope(_, state):
        T, dT = state
        return np.vstack([dT, (out * (T - air) - light - inside * (water - T)) / conduction])

    x = np.linspace(0.0, length, 41)
    done = solve_bvp(
        slope,
        lambda root, tip: np.array([root[0] - water, tip[1]]),
        x,
        np.vstack([np.full_like(x, water), np.zeros_like(x)]),
        tol=1e-8,
        max_nodes=20000,
    )
    assert done.success
    # what is absorbed and not lost to the air has gone to the water, by root and inside
    fine = np.linspace(0.0, length, 20001)
    lost = np.trapezoid(out * (done.sol(fine)[0] - air), fine)
    share = fin_share(out, inside, conduction, length)
    assert light * length - lost == pytest.approx(
        (light - out * (water - air)) * length * share, rel=1e-5
    )


def test_long_rod_is_the_textbooks():
    # Bergman et al., Introduction to Heat Transfer, 6th ed., example 3.9: rods of 5 mm at 100 °C in
    # air of 25 °C, h = 100 W/(m² K), lose 8.3 W (copper, 398 W/(m K)), 5.6 W (aluminium, 180) and
    # 1.6 W (stainless steel, 14). From memory. A rod conducts as a wall of a quarter its width.
    for k, watts in ((398.0, 8.3), (180.0, 5.6), (14.0, 1.6)):
        loss = 100.0 * np.pi * 5e-3 * 2.0 * 75.0 * fin_share(100.0, 0.0, k * 5e-3 / 4.0, 2.0)
        assert loss == pytest.approx(watts, abs=0.05)


@given(
    out=st.floats(1.0, 60.0),
    inside=st.floats(0.0, 500.0),
    conduction=st.floats(1e-3, 2.0),
    length=st.floats(0.0, 0.5),
    more=st.floats(1.01, 3.0),
)
@settings(deadline=None, derandomize=True, max_examples=100)
def test_a_wall_that_conducts_better_or_stands_lower_is_warmer(
    out, inside, conduction, length, more
):
    share = fin_share(out, inside, conduction, length)
    assert 0.0 <= share <= 1.0 + 1e-12
    slack = 1e-12
    assert fin_share(out, inside, more * conduction, length) >= share - slack
    assert fin_share(out, more * inside, conduction, length) >= share - slack
    assert fin_share(out, inside, conduction, more * length) <= share + slack
    assert fin_share(more * out, inside, conduction, length) <= share + slack


def test_a_wall_that_conducts_all_is_as_warm_as_the_water():
    open_pot = replace(POT, lid=False, wall_conduction=np.inf)
    water, T = water_at(SEA), np.array(353.15)
    air = [np.asarray(AIR[name]) for name in ("around", "wind")]
    sky = sky_temperature(AIR["around"], AIR["humidity"], water)
    faces = outside(0.12, 0.15, open_pot.emissivities, SEA, T, air[0], sky, air[1])
    assert shell(open_pot, water, T, faces).wall == pytest.approx(1.0, abs=1e-9)
    fuller = replace(open_pot, water=1e3)  # to the brim
    assert fuller.level == fuller.height
    assert shell(replace(fuller, wall_conduction=1e-3), water, T, faces).wall == 1.0
    clay, steel, aluminium = (
        losses(replace(open_pot, wall_conduction=kt), water, T, **AIR).convection
        for kt in (2e-3, 0.03, 0.36)
    )
    everywhere = losses(open_pot, water, T, **AIR).convection
    assert clay < steel < aluminium < everywhere


@pytest.mark.parametrize("celsius", [25.0, 60.0, 80.0, 95.0, 99.9])
def test_lid_passes_on_what_it_gets(celsius):
    """Its temperature by a search of our own: gained from below, lost above."""
    water, T = water_at(SEA), np.array(celsius + 273.15)
    around, wind = np.array(293.15), np.array(1.0)
    sky = sky_temperature(around, 0.5, water)

    def lost(lid):
        faces = outside(0.12, 0.15, POT.emissivities, SEA, lid, around, sky, wind)
        return float(faces.convection[2] + faces.radiation[2]) / POT.disc

    def gained(lid):
        return float(headspace(water, T, lid, gap=POT.height - POT.level)) * float(T - lid)

    lid = brentq(lambda x: gained(np.array(x)) - lost(np.array(x)), 280.0, float(T))
    faces = outside(0.12, 0.15, POT.emissivities, SEA, T, around, sky, wind)
    share = float(shell(POT, water, T, faces).lid)
    # the tangent at the water's temperature stands for what the lid loses as it cools
    assert share * lost(T) == pytest.approx(lost(np.array(lid)), rel=0.04)
    assert lid < T


def test_steam_keeps_the_lid_of_a_boiling_pot_hot():
    water = water_at(SEA)
    lid = water.boiling - np.array([5.0, 1.0])
    coefficient = headspace(water, np.full(2, water.boiling), lid, gap=0.08)
    assert (coefficient > 500.0).all()
    dry = headspace(water, np.array(280.0), np.array(275.0), gap=0.08)
    assert dry < 20.0


def test_layer_under_the_lid_is_as_others_have_it():
    # S. Globe and D. Dropkin, J. Heat Transfer 81 (1959) 24-28: Nu = 0.069 Ra^(1/3) Pr^0.074, for
    # layers heated from below, Ra 3e5 to 7e9 (from memory).
    T, lid, gap = np.array(330.0), np.array(310.0), 0.10
    h, _ = headspace_film(T, np.array(0.0), lid, np.array(0.0), pressure=SEA, gap=gap)
    nu, k, alpha = 17.9e-6, 27.6e-3, 25.5e-6  # of air at 320 K, Bergman et al., table A.4
    Ra = 9.81 * 20.0 / 320.0 * gap**3 / (nu * alpha)
    assert 3e5 < Ra < 7e9
    assert h * gap / k == pytest.approx(0.069 * np.cbrt(Ra) * 0.7**0.074, rel=0.15)


def test_lidded_black_pot_loses_what_others_measure():
    """15 to 25 W/(m² K) over its outside at 80 °C in light wind (pots of dishes; from memory)."""
    area = 2.0 * np.pi * POT.R * (POT.R + POT.height)
    per_kelvin = [
        float(lost.convection + lost.radiation + lost.vapour * 2.3e6) / area / 60.0
        for lost in (losses(POT, water_at(SEA), 353.15, **(AIR | {"wind": v})) for v in (1.0, 2.0))
    ]
    assert 15.0 < per_kelvin[0] < per_kelvin[1] < 25.0


def test_dry_pot_is_as_warm_as_its_food():
    dry = replace(POT, water=0.0, food=1.0)
    faces = outside(0.12, 0.15, dry.emissivities, SEA, *map(np.array, (400.0, 293.0, 280.0, 1.0)))
    assert shell(dry, water_at(SEA), np.array(400.0), faces) == (1.0, 1.0)


def test_wall_is_as_thick_as_the_pot_is_heavy():
    read = load_scenario(SCENARIOS / "terrace.toml")
    area = np.pi * 0.13 * (2.0 * 0.13 + 2.0 * 0.16)  # base, lid and wall
    thickness = 2.1 / (7850.0 * area)
    assert vessel_from_scenario(read).wall_conduction == pytest.approx(60.0 * thickness)
    told = load_scenario(SCENARIOS / "terrace.toml", ["kitchen.pot_wall=3 mm"])
    assert vessel_from_scenario(told).wall_conduction == pytest.approx(60.0 * 3e-3)
    assert vessel_from_scenario(told).shell == pytest.approx(vessel_from_scenario(read).shell)
    free = load_scenario(SCENARIOS / "terrace.toml", ["kitchen.pot_mass=", "kitchen.pot_wall=3 mm"])
    assert vessel_from_scenario(free).shell == pytest.approx(460.0 * 7850.0 * 3e-3 * area)


def test_a_steel_wall_keeps_less_of_the_suns_light_than_an_aluminium_one():
    shares = [
        light_shares(load_scenario(SCENARIOS / "rim-ring.toml", [f"kitchen.pot_material={metal}"]))
        for metal in ("stainless steel", "steel", "aluminium")
    ]
    walls = [float(share.wall) for share in shares]
    assert 0.4 < walls[0] < walls[1] < walls[2] < 1.0
    assert all(share.lid == 1.0 for share in shares)  # an open pan
