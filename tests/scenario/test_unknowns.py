"""What is not known of a scenario's numbers: how it is stated, and the laws that are drawn from."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import raytrace
from raytrace.exceptions import ScenarioError
from raytrace.scenario.law import Law, as_text, looks_uncertain, read_law
from raytrace.scenario.schema import key_rule, schema

COURTYARD = raytrace.load_scenario("scenarios/courtyard.toml")


def law(key, text):
    return read_law(text, key_rule(key))


@pytest.mark.parametrize(
    ("key", "text", "shape", "numbers"),
    [
        ("mirror.reflectance", "0.85 ± 0.03", "normal", (0.85, 0.03)),
        ("mirror.reflectance", "85 % +- 3 %", "normal", (0.85, 0.03)),
        ("mirror.reflectance", "0.8..0.9", "uniform", (0.8, 0.9)),
        ("mirror.thickness", "3 mm ± 0.3 mm", "normal", (3e-3, 3e-4)),
        ("mirror.thickness", "3 ± 0.3 mm", "normal", (3e-3, 3e-4)),
        ("mirror.thickness", "3 mm ± 10 %", "normal", (3e-3, 3e-4)),
        ("mirror.thickness", "2..4 mm", "uniform", (2e-3, 4e-3)),
        ("mirror.index", "1.52 +/- 0.01", "normal", (1.52, 0.01)),
        ("air.temperature", "20 degC ± 2 degC", "normal", (293.15, 2.0)),
        ("errors.setting", "4 mrad ± 1 mrad", "normal", (4e-3, 1e-3)),
        (
            "errors.rig.altitude_bias",
            "-0.5 deg ± 0.2 deg",
            "normal",
            tuple(np.radians([-0.5, 0.2])),
        ),
        ("kitchen.lid_leak", "lognormal(5 %, 2)", "lognormal", (0.05, 2.0)),
        ("air.wind", "triangular(0, 1, 3 m/s)", "triangular", (0.0, 1.0, 3.0)),
    ],
)
def test_read(key, text, shape, numbers):
    got = law(key, text)
    assert looks_uncertain(text)
    assert got.shape == shape
    stated = (got.a, got.b, got.c)[: len(numbers)]
    np.testing.assert_allclose(stated, numbers, rtol=1e-12)


@pytest.mark.parametrize(
    ("override", "said"),
    [
        ("mirror.reflectance=0.85 ± 3 %", "both as shares or both in per cent"),
        ("mirror.reflectance=0.85 ±", "standard uncertainty"),
        ("mirror.reflectance=0.85 ± -0.01", "must be 0 or more"),
        ("facets.rows=6 ± 1", "no uncertainty can be given here"),
        ("errors.setting=4 mm ± 1 deg", "an angle, but a length is needed"),
        ("mirror.cleanliness=triangular(1, 0.5, 0.2)", "must rise"),
        ("kitchen.lid_leak=lognormal(0.05, 0.5)", "a factor of 1 or more"),
        ("mirror.reflectance=1.2 ± 0.1", "must lie in 0 to 1"),
    ],
)
def test_refused(override, said):
    with pytest.raises(ScenarioError) as error:
        COURTYARD.varied([override])
    assert said in str(error.value)
    assert len(error.value.problems) == 1


def test_best_value_is_computed_with():
    stated = COURTYARD.varied(
        {"mirror.reflectance": "0.80..0.90", "pot.place": '["0 mm", "-650 mm ± 1 cm"]'}
    )
    assert stated.mirror.reflectance == pytest.approx(0.85)
    assert stated.pot.place == pytest.approx((0.0, -0.65))
    found = {u.key: u for u in stated.unknowns}
    assert found["mirror.reflectance"].source == found["pot.place[2]"].source == "stated"
    assert found["pot.place[2]"].law.b == pytest.approx(0.01)


def test_defaults_and_how_to_be_sure():
    found = {u.key: u for u in COURTYARD.unknowns}
    assert found["mirror.reflectance"].law.b == pytest.approx(0.03)
    assert found["errors.setting"].law.unit == "m"
    assert found["errors.setting"].law.a == pytest.approx(8e-3)
    assert "kitchen.cover_transmittance" not in found  # there is no cover
    assert "mirror.backing" not in found  # the mirror is of the other kind
    known = COURTYARD.varied(
        {key: f"{as_text(u.law.best, u.law.unit)} ± 0" for key, u in found.items()}
    )
    assert known.unknowns == ()
    for key, entry in schema().items():
        if entry.unsure is not None:
            assert entry.unsure.source, key


def test_values_set_in_si_units():
    draws = {u.key: float(u.law.at(0.9)) for u in COURTYARD.unknowns}
    drawn = COURTYARD.with_values(draws)
    assert drawn.mirror.reflectance == draws["mirror.reflectance"]
    assert drawn.errors.setting == draws["errors.setting"]
    assert drawn.errors.rig.altitude_bias == draws["errors.rig.altitude_bias"]
    assert drawn.air.temperature == draws["air.temperature"]


laws = st.one_of(
    st.builds(Law, st.just("normal"), st.floats(-5, 5), st.floats(0.01, 3)),
    st.builds(lambda a, w: Law("uniform", a, a + w), st.floats(-5, 5), st.floats(0.01, 3)),
    st.builds(
        lambda a, w, m: Law("triangular", a, a + m * w, a + w),
        st.floats(-5, 5),
        st.floats(0.01, 3),
        st.floats(0, 1),
    ),
    st.builds(Law, st.just("lognormal"), st.floats(0.01, 5), st.floats(1.01, 2)),
)


@given(laws)
def test_laws_rise_and_have_their_spread(law):
    u = (np.arange(20_000) + 0.5) / 20_000
    x = law.at(u)
    assert (np.diff(x) >= 0.0).all()
    assert x.std() == pytest.approx(law.spread, rel=0.02)
    # the density's integral between two shares is their difference
    lo, hi = law.at([0.2, 0.7])
    grid = np.linspace(lo, hi, 4001)
    assert np.trapezoid(np.exp(law.density(grid)), grid) == pytest.approx(0.5, rel=1e-3)


def test_cut_off_at_the_limits():
    share = law("mirror.reflectance", "0.97 ± 0.05").at(np.linspace(0.001, 0.999, 999))
    assert share.max() <= 1.0
    # mean of a normal cut off on one side: mu - sigma phi(b)/Phi(b), Johnson, Kotz & Balakrishnan,
    # Continuous Univariate Distributions, vol. 1, 2nd ed., 1994, section 13.10.1 (from memory)
    b = 0.6
    phi, cdf = math.exp(-0.5 * b * b) / math.sqrt(2 * math.pi), 0.5 * math.erfc(-b / math.sqrt(2))
    assert share.mean() == pytest.approx(0.97 - 0.05 * phi / cdf, abs=2e-4)
