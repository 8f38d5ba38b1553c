"""Water: against IAPWS's release, a handbook's steam tables and the standard atmosphere."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raytrace.exceptions import CookerError, HeatError
from raytrace.heat.water import site_pressure, water_at

iapws = pytest.importorskip("iapws")


def at_altitude(metres):
    return water_at(site_pressure(SimpleNamespace(site=SimpleNamespace(altitude=metres))))


@pytest.mark.parametrize("metres", [-430.0, 0.0, 1600.0, 3500.0, 5000.0])
def test_boiling_point_and_latent_heat_at_altitude_are_those_of_if97(metres):
    # IAPWS R7-97 by the package iapws, independent of the library used; the two formulations
    # agree to 0.001 K and 0.07 kJ/kg.
    water = at_altitude(metres)
    steam = iapws.IAPWS97(P=1e-6 * water.pressure, x=1)
    liquid = iapws.IAPWS97(P=1e-6 * water.pressure, x=0)
    assert water.boiling == pytest.approx(steam.T, abs=2e-3)
    assert water.latent_heat(water.boiling) == pytest.approx(1e3 * (steam.h - liquid.h), abs=150.0)
    assert water.density(water.boiling) == pytest.approx(liquid.rho, rel=2e-5)


@pytest.mark.parametrize(
    ("metres", "boiling"),
    # Computed by pvlib's standard atmosphere and IF97, to 0.001 K.
    [(0.0, 99.974), (1000.0, 96.649), (1600.0, 94.650), (3500.0, 88.298), (4000.0, 86.620)],
)
def test_boiling_point_at_altitude(metres, boiling):
    assert at_altitude(metres).boiling - 273.15 == pytest.approx(boiling, abs=2e-3)


@pytest.mark.parametrize("metres", [-430.0, 0.0, 1600.0, 3830.0])
def test_pressure_is_that_of_the_standard_atmosphere(metres):
    # ISO 2533: 101 325 Pa, 288.15 K, 6.5 K/km; exponent g M / (R 0.0065).
    exponent = 9.80665 * 28.964420e-3 / (8.31432 * 0.0065)
    expected = 101325.0 * (1.0 - 0.0065 * metres / 288.15) ** exponent
    assert at_altitude(metres).pressure == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(
    ("kilopascal", "boiling", "latent"),
    # Y. A. Cengel and M. A. Boles, Thermodynamics, table A-5 (saturated water), from memory.
    [(50.0, 81.32, 2304.7), (75.0, 91.76, 2278.0), (100.0, 99.61, 2257.5), (200.0, 120.21, 2201.6)],
)
def test_boiling_is_that_of_the_steam_tables(kilopascal, boiling, latent):
    water = water_at(1e3 * kilopascal)
    assert water.boiling - 273.15 == pytest.approx(boiling, abs=6e-3)
    assert water.latent_heat(water.boiling) == pytest.approx(1e3 * latent, abs=200.0)


def test_boiling_point_printed_in_the_release():
    # IAPWS R7-97, table 36: 372.755919 K at 0.1 MPa; the other formulation differs by 0.4 mK.
    assert water_at(1e5).boiling == pytest.approx(372.755919, abs=1e-3)


@pytest.mark.parametrize("celsius", [1.0, 10.0, 20.0, 25.0, 40.0, 60.0, 80.0, 95.0])
def test_liquid_is_that_of_if97(celsius):
    # For industrial use, IF97 departs from the scientific formulation by up to 0.06 % in heat
    # capacity; that formulation in the same package agrees to the tables' interpolation.
    water, T = water_at(101325.0), celsius + 273.15
    exact = iapws.IAPWS95(P=0.101325, T=T)
    assert water.heat_capacity(T) == pytest.approx(1e3 * exact.cp, rel=1e-5)
    assert water.density(T) == pytest.approx(exact.rho, rel=1e-6)
    other = iapws.IAPWS97(P=0.101325, T=T)
    assert water.heat_capacity(T) == pytest.approx(1e3 * other.cp, rel=6e-4)
    assert water.density(T) == pytest.approx(other.rho, rel=2e-5)
    risen = water.enthalpy(T) - water.enthalpy(293.15)
    cold = iapws.IAPWS97(P=0.101325, T=293.15)
    assert risen == pytest.approx(1e3 * (other.h - cold.h), abs=100.0)
    pressure = 1e6 * iapws.IAPWS97(T=T, x=0).P
    assert water.vapour_pressure(T) == pytest.approx(pressure, rel=2e-4)


@given(pressure=st.floats(3e4, 1.1e5), share=st.floats(0.0, 1.0))
@settings(deadline=None, derandomize=True, max_examples=40)
def test_tables_follow_the_equation_of_state(pressure, share):
    """Interpolation costs less than 1e-5."""
    from CoolProp.CoolProp import PropsSI

    water = water_at(pressure)
    T = 273.17 + share * (water.boiling - 273.18)
    for name, got in (("C", water.heat_capacity(T)), ("D", water.density(T))):
        assert got == pytest.approx(PropsSI(name, "T", T, "P", pressure, "Water"), rel=1e-5)
    h = PropsSI("H", "T", T, "P", pressure, "Water")
    assert water.enthalpy(T) == pytest.approx(h, rel=1e-5, abs=0.5)
    p = PropsSI("P", "T", T, "Q", 0, "Water")
    assert water.vapour_pressure(T) == pytest.approx(p, rel=1e-5)


@given(celsius=st.floats(-60.0, 170.0))
@settings(deadline=None, derandomize=True)
def test_dew_point_undoes_vapour_pressure(celsius):
    water, T = water_at(9e4), celsius + 273.15
    assert water.dew_point(water.vapour_pressure(T)) == pytest.approx(T, abs=1e-3)


@pytest.mark.parametrize("celsius", [-30.0, -20.0, -10.0, -1.0])
def test_vapour_over_undercooled_water(celsius):
    # Alduchov and Eskridge, J. Appl. Meteorol. 35 (1996) 601-609: 610.94 exp(17.625 t/(t +
    # 243.04)) over water, -40 to 50 degC, within 0.4 %; from memory. Ours takes the latent heat
    # as constant there.
    magnus = 610.94 * np.exp(17.625 * celsius / (celsius + 243.04))
    assert water_at(9e4).vapour_pressure(celsius + 273.15) == pytest.approx(magnus, rel=0.04)


def test_undercooled_water_keeps_its_heat_capacity():
    water = water_at(9e4)
    risen = water.enthalpy(273.16) - water.enthalpy(263.16)
    assert risen == pytest.approx(10.0 * water.heat_capacity(273.16), rel=1e-3)


@pytest.mark.parametrize("pressure", [0.0, 1e4, 1e6, np.nan])
def test_senseless_pressures_are_refused(pressure):
    with pytest.raises(HeatError, match="pressure"):
        water_at(pressure)
    assert issubclass(HeatError, CookerError)
