"""Scenario files: what is read, in which unit, and what a user is told when something is wrong."""

from __future__ import annotations

import math
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raytrace.exceptions import ScenarioError
from raytrace.scenario.loading import load_scenario, parse_scenario
from raytrace.scenario.schema import Scenario, describe_schema
from raytrace.scenario.tables import facet_label
from raytrace.scenario.units import UnitError, read_quantity

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SHIPPED = sorted(SCENARIOS.glob("*.toml"))
COURTYARD = (SCENARIOS / "courtyard.toml").read_text(encoding="utf-8")

SMALL = """
title = "Test stand"
[site]
name = "Here"
latitude = "10 deg"
longitude = "20 deg"
altitude = "300 m"
timezone = "UTC"
[design]
sun_altitude = "45 deg"
[facets]
shape = "rectangular"
width = "100 mm"
rows = 3
columns = 4
[pot]
place = ["0 mm", "-500 mm"]
base_height = "600 mm"
diameter = "200 mm"
height = "120 mm"
"""


def small(*overrides: str, **tables: str) -> Scenario:
    named = {f"{name}.csv": text for name, text in tables.items()}
    return parse_scenario(SMALL, source="small.toml", overrides=overrides, tables=named)


def refusal(*overrides: str, **tables: str) -> str:
    with pytest.raises(ScenarioError) as caught:
        small(*overrides, **tables)
    assert str(caught.value).endswith("Nothing was traced.")
    return str(caught.value)


# --- shipped files -----------------------------------------------------------------------------


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_scenario_loads(path):
    scenario = load_scenario(path)
    assert scenario.source == path.name
    assert scenario.folder == path.parent
    assert scenario.text == path.read_text(encoding="utf-8")
    assert 0.02 < scenario.facets.half_u < 0.2
    assert np.hypot(*scenario.pot.place) < 3.0


def test_there_are_shipped_scenarios():
    assert {p.stem for p in SHIPPED} >= {"courtyard", "courtyard-sunside", "school-kitchen"}


def test_every_key_is_used_or_is_left_to_its_default_knowingly():
    """A key that no shipped file shows is one that nobody will find."""
    text = "\n".join(p.read_text(encoding="utf-8") for p in SHIPPED)
    names = {row.key.rpartition(".")[2] for row in describe_schema()}
    unused = {name for name in names if f"\n{name} = " not in text}
    weather = {"weather_file", "weather_elsewhere", "weather_any_year", "weather_forecast"}
    measured = weather | {"sunshape_table", "draws", "slope", "slope_toward"}  # none is shipped
    by_surface = {"emissivity_base", "emissivity_side"}
    courses = {"wanted", "rest_boil", "rest_loss"}  # what they boil needs none of these
    courses.add("declination")  # a model knows it
    trace = {"centre", "replicates", "bins", "build", "post_drop", "post_turn"}
    assert unused <= measured | by_surface | courses | trace


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_text_and_tables_alone_give_the_same_scenario(path):
    first = load_scenario(path, ["errors.setting=3 mrad"])
    again = parse_scenario(first.text, overrides=first.overrides, tables=first.tables)
    assert again == first
    assert hash(again) == hash(first)
    assert again.facets == first.facets
    assert again.errors.setting == pytest.approx(3e-3, rel=1e-15)


def test_rim_ring_reads_its_tables():
    facets = load_scenario(SCENARIOS / "rim-ring.toml").facets
    assert len(facets.places) == 54
    assert facets.states["B7"].state == "missing"
    assert facets.states["C15"].reflectance == 0.7
    first = facets.places[0]
    assert (first.label, first.row, first.column) == ("A1", 1, 1)
    assert math.hypot(first.x, first.y) == pytest.approx(0.290, abs=1e-4)
    assert first.z == pytest.approx(0.040)
    assert (facets.rows, facets.columns) == (3, 24)


# --- values ------------------------------------------------------------------------------------


def test_courtyard_values_are_si():
    s = parse_scenario(COURTYARD)
    assert s.site.latitude == pytest.approx(math.radians(17.06), rel=1e-15)
    assert s.site.longitude == pytest.approx(math.radians(-96.72), rel=1e-15)
    assert s.site.altitude == 1555.0
    assert s.design.sun_altitude == pytest.approx(math.radians(42.0), rel=1e-15)
    assert s.pot.place == (0.0, pytest.approx(-0.65))
    assert s.pot.absorptance_base == pytest.approx(0.92)
    assert s.sky.dni == "clear sky"
    assert s.sky.sun_radius == pytest.approx(4.65e-3)
    assert (s.errors.setting, s.errors.setting_kind) == (pytest.approx(8e-3), "miss")
    assert s.errors.pot.rms == pytest.approx((0.01, 0.01, 0.005))
    horizon = np.radians([[0, 4], [70, 4], [100, 15], [135, 15], [165, 4], [300, 8]])
    np.testing.assert_allclose(s.site.horizon, horizon, rtol=1e-14)


# Exact definitions: international yard and pound agreement (1959), as in NIST SP 811 (2008),
# appendix B.8; litre: 12th General Conference on Weights and Measures (1964); degree, minute and
# second of arc: SI brochure, 9th ed. (2019), table 8; 0 °C = 273.15 K: same, section 2.3.1.
DEFINITIONS = [
    ("1 in", "length", 0.0254),
    ("1 ft", "length", 0.3048),
    ("1 yd", "length", 0.9144),
    ("1 mile", "length", 1609.344),
    ("1 lb", "mass", 0.45359237),
    ("1 L", "volume", 1e-3),
    ("1 deg", "angle", math.pi / 180),
    ("1 arcmin", "angle", math.pi / 10800),
    ("1 arcsec", "angle", math.pi / 648000),
    ("0 degC", "temperature", 273.15),
    ("1 bar", "pressure", 1e5),
    ("1 h", "duration", 3600.0),
    ("36 km/h", "speed", 10.0),
]


@pytest.mark.parametrize(("text", "kind", "si"), DEFINITIONS)
def test_units_follow_their_exact_definitions(text, kind, si):
    assert read_quantity(text, kind) == (pytest.approx(si, rel=1e-15), kind)


@pytest.mark.parametrize(
    ("text", "kind", "si"),
    [
        ("100mm", "length", 0.1),
        ("3/4 in", "length", 0.01905),
        ("1 1/2 in", "length", 0.0381),
        ("1_000 mm", "length", 1.0),
        ("−5 cm", "length", -0.05),
        ("42°", "angle", math.radians(42)),
        ("850 W/m²", "irradiance", 850.0),
        ("0.85 kW/m2", "irradiance", 850.0),
        ("8 1/m", "extinction", 8.0),
        ("0.08 /cm", "extinction", 8.0),
        ("8 m^-1", "extinction", 8.0),
    ],
)
def test_spellings_that_builders_use(text, kind, si):
    assert read_quantity(text, kind)[0] == pytest.approx(si, rel=1e-14)


@given(
    metres=st.floats(1e-4, 1e3),
    unit=st.sampled_from([("mm", 1e-3), ("cm", 1e-2), ("m", 1.0), ("in", 0.0254), ("ft", 0.3048)]),
)
@settings(max_examples=200, deadline=None)
def test_a_length_is_the_same_in_any_unit(metres, unit):
    name, size = unit
    assert read_quantity(f"{metres / size!r} {name}", "length")[0] == pytest.approx(
        metres, rel=4e-16 * 4
    )


@given(st.text(max_size=12))
@settings(max_examples=300, deadline=None)
def test_any_text_is_a_length_or_is_refused_in_our_words(text):
    try:
        value, words = read_quantity(text, "length")[0], "read."
    except UnitError as error:
        value, words = 0.0, str(error)
    assert math.isfinite(value)
    assert words.endswith(".")


def test_defaults_that_depend_on_others_are_settled():
    s = small()
    assert s.facets.height == s.facets.width == 0.1
    assert (s.facets.half_u, s.facets.half_v) == (0.05, 0.05)
    assert s.facets.pitch_x == s.facets.pitch_y == pytest.approx(0.108)
    assert s.pot.support.post_circle == s.pot.diameter
    assert s.facets.places == ()
    assert s.facets.states == {}
    assert s.site.horizon is None
    oblong = small("facets.height=60 mm").facets
    assert (oblong.half_v, oblong.pitch_y) == (pytest.approx(0.03), pytest.approx(0.068))
    disc = small("facets.shape=round", "facets.width=", "facets.diameter=12 cm").facets
    assert (disc.half_u, disc.half_v) == (0.06, 0.06)
    hexagon = small("facets.shape=hexagonal", "facets.width=", "facets.across_corners=12 cm")
    assert hexagon.facets.half_u == 0.06
    assert hexagon.facets.half_v == pytest.approx(0.06 * math.cos(math.pi / 6))


def test_scenario_is_frozen_and_travels_between_processes():
    s = small("errors.setting=8 mm")
    with pytest.raises(ValueError, match="frozen"):
        s.trace.seed = 5
    copy = pickle.loads(pickle.dumps(s))
    assert copy == s
    assert copy.errors.setting_kind == "miss"
    assert copy.overrides == ("errors.setting=8 mm",)
    assert small("errors.setting=8 mrad") != s


def test_a_copy_with_other_values_has_no_text_that_a_file_could_hold(tmp_path):
    from raytrace.studies.trace.run import run_design

    s = small()
    assert s.model_copy() == s
    dark = s.model_copy(update={"sky": s.sky.model_copy(update={"dni": 1.0})})
    assert dark != s
    assert s != dark
    assert dark == dark
    assert {s: 1, dark: 2}[dark] == 2
    few = {"samples": 64, "replicates": 4}
    assert run_design(dark, **few).moments[0].dni == 1.0
    for use in (
        lambda: dark.text,
        lambda: dark.varied(["facets.rows=2"]),
        lambda: run_design(dark, path=tmp_path / "lie.h5", **few),
    ):
        with pytest.raises(ScenarioError, match=r"small\.toml: .* Change keys by varied"):
            use()
    assert not (tmp_path / "lie.h5").exists()
    assert s.varied({"sky.dni": "1 W/m^2"}).text == s.text


@pytest.mark.parametrize(
    ("row", "column", "label"),
    [(1, 1, "A1"), (2, 10, "B10"), (26, 1, "Z1"), (27, 1, "AA1"), (52, 1, "AZ1"), (703, 2, "AAA2")],
)
def test_labels_count_rows_in_letters(row, column, label):
    assert facet_label(row, column) == label


# --- overrides ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("override", "where", "value"),
    [
        ("errors.setting=8 mm", "errors.setting", 8e-3),
        ("errors.setting = 5 mrad", "errors.setting", 5e-3),
        ("facets.rows=5", "facets.rows", 5),
        ("trace.samples=1e6", "trace.samples", 1_000_000),
        ("sky.sunshape=limb-darkened", "sky.sunshape", "limb-darkened"),
        ('sky.sunshape="limb-darkened"', "sky.sunshape", "limb-darkened"),
        ("sky.dni=850 W/m^2", "sky.dni", 850.0),
        ("pot.levelled=true", "pot.levelled", True),
        ("pot.place=[0 mm, -700 mm]", "pot.place", (0.0, -0.7)),
        ('pot.place=["1 m", "2 m"]', "pot.place", (1.0, 2.0)),
        ("mirror.cleanliness=95 %", "mirror.cleanliness", 0.95),
        ("errors.rig.hit=3 mm", "errors.rig.hit", 3e-3),
        ("title=2026", "title", "2026"),
    ],
)
def test_override(override, where, value):
    at = small(override)
    for name in where.split("."):
        at = getattr(at, name)
    assert at == pytest.approx(value) if not isinstance(value, str) else at == value


def test_overrides_as_mapping_zones_and_removal():
    text = SMALL + '[[aim.zones]]\nrows = [1, 2]\noffset = ["10 mm", "0 mm"]\n'
    s = parse_scenario(text, overrides={"aim.zones[1].offset": "[-1 cm, 5 mm]", "facets.rows": "2"})
    assert s.aim.zones[0].offset == pytest.approx((-0.01, 0.005))
    assert s.aim.zones[0].rows == (1, 2)
    assert s.facets.rows == 2
    horizon = small("site.horizon=[[90 deg, 3 deg], [-10 deg, 5 deg]]").site.horizon
    np.testing.assert_allclose(horizon, np.radians([[90, 3], [350, 5]]))
    again = s.varied(["aim.zones[1].sun_altitude=50 deg", "aim.zones[1].offset="])
    assert again.aim.zones[0].offset is None
    assert again.facets.rows == 2
    assert len(again.overrides) == 4


# --- refusals ----------------------------------------------------------------------------------

REFUSED = [
    (
        "facets.width=100",
        'facets.width = 100: no unit. Write a length, such as "100 mm" or "4 in".',
    ),
    ("facets.width=3 kg", 'facets.width = "3 kg": a mass, but a length is needed'),
    ("facets.width=3 mrad", "an angle, but a length is needed"),
    ("facets.width=3 xyz", 'unknown unit "xyz". Units: mm, cm, m'),
    ("facets.width=-3 mm", 'facets.width = "-3 mm": must lie in 1 mm to 3 m.'),
    ("facets.pitch_x=-3 mm", 'facets.pitch_x = "-3 mm": must be more than 0 mm.'),
    ("facets.width=0 mm", "must lie in 1 mm to 3 m."),
    ("mirror.specularity=1 rad", "must lie in 0 deg to 10 deg."),
    ("facets.width=nan mm", "not a finite number"),
    ("facets.width=1e999 mm", "not a finite number"),
    ("facets.width=1,5 mm", "a comma in the number"),
    ("facets.width=wide", "no number"),
    ("facets.width=true", "facets.width = true: not a length."),
    ("facets.width=", 'facets.width: missing: facets.shape is "rectangular".'),
    ("facets.mount_radius=-1 mm", "must lie in 0 mm to 1 m."),
    ("facets.rows=2.5", "must be a whole number."),
    ("facets.rows=0", "facets.rows = 0: must lie in 1 to 1000."),
    ("facets.rows=many", "text, but a whole number from 1 to 1000 is needed."),
    ("facets.rows=true", "true or false, but a whole number"),
    ("facets.shape=rectangle", 'Nearest: "rectangular".'),
    ("facets.diameter=3 in", 'goes with shape "round", but facets.shape is "rectangular"'),
    ("facets.shape=round", "facets.diameter: missing"),
    ("facets.layout=places", "facets.places: missing"),
    (
        "facets.layout=places",
        'goes with layout "grid" or "staggered", but facets.layout is "places"',
    ),
    ("facets.places=nowhere.csv", 'goes with layout "places", but facets.layout is "grid"'),
    ("facets.widht=3 mm", "facets.widht: unknown key. Nearest: facets.width (a length"),
    ("facet.rows=3", "facet: unknown section. Nearest: facets."),
    ("rows=3", "rows: unknown key. Nearest: facets.rows"),
    ("facets.rows.x=3", "rows is no section"),
    ("facets.rows", "write key=value"),
    ("sky.sunshap=uniform", 'Nearest: sky.sunshape ("uniform", "limb-darkened", "buie", "table").'),
    (
        "sky.sunshape=bui",
        'not one of "uniform", "limb-darkened", "buie", "table". Nearest: "buie".',
    ),
    ("sky.sunshape=buie", "sky.circumsolar_ratio: missing"),
    ("sky.circumsolar_ratio=0.05", 'goes with sunshape "buie", but sky.sunshape is "uniform"'),
    ("sky.dni=weather file", "sky.weather_file: missing"),
    ("sky.dni=clearsky", 'Nearest: "clear sky".'),
    ("sky.dni=850", 'sky.dni = 850: no unit. Write an irradiance, such as "850 W/m^2".'),
    ("sky.dni=850 W", "a power, but an irradiance is needed"),
    ("sky.linke_turbidity=0.2", "must lie in 1 to 20."),
    ("site.latitude=95 deg", 'site.latitude = "95 deg": must lie in -90 deg to 90 deg.'),
    ("site.latitude=12 deg S", "South and west are negative"),
    ("site.longitude=181 deg", "must lie in -180 deg to 180 deg."),
    ("site.altitude=20 km", "must lie in -450 m to 9000 m."),
    ("site.timezone=Africa/Nairobbi", 'unknown time zone. Nearest: "Africa/Nairobi".'),
    ("site.timezone=../etc", "unknown time zone"),
    ("site.name=", "site.name: missing. Write text in quotes."),
    ("site.horizon=[[90 deg, 95 deg]]", "pair 1: altitude must lie in 0 deg to 90 deg."),
    ("design.date=2026-02-30", "no such date"),
    ("design.date=2026-02-03T10:00:00", "has a time of day"),
    ("design.sun_altitude=", "design.sun_altitude: missing. Write an angle"),
    ("platform.tilt=follow", 'Nearest: "follow sun".'),
    ("platform.tilt_limits=[20 deg, 10 deg]", "the first must not be more than the second"),
    ("pot.place=[0 mm]", "has 1. Write a list of 2"),
    ("pot.place=[0 mm, 5]", "value 2: no unit"),
    ("pot.levelled=yes", "text, but true or false without quotes is needed."),
    ("mirror.reflectance=1.2", "mirror.reflectance = 1.2: must lie in 0 to 1 (0 % to 100 %)."),
    ("mirror.reflectance=nan", "not a finite number"),
    ("mirror.reflectance=3 mm", "a length, but a share is needed"),
    ("mirror.extinction=8 1/m", 'goes with model "glass", but mirror.model is "constant"'),
    ("errors.setting=2 kg", "a mass, but an angle or a length is needed"),
    ("errors.setting=-2 mm", "must not be negative."),
    ("errors.setting=2 rad", "must be 90 deg or less."),
    ("errors.rig=point", 'errors.rig = "point": a section is needed. Write [errors.rig].'),
    ("trace.seed=9007199254740992", "must lie in 0 to 9007199254740991."),
    ("trace.replicates=2", "trace.replicates = 2: must lie in 4 to 4096."),
    ("aim.zones[1].rows=[1, 2]", "the file has no [[aim.zones]]"),
    ("kitchen.water=9 L", "the pot (pot.diameter, pot.height) holds"),
    ("kitchen.water=0 L", "the pot is empty"),
    ("kitchen.water=2", "no unit. Write a volume"),
    ("kitchen.food_heat_capacity=2 kJ", "an energy, but a heat capacity is needed"),
    ("kitchen.cover_gap=2 cm", 'kitchen.cover is "none"'),
    ("kitchen.pot_material=tin", 'not one of "aluminium"'),
    ("habit.turn_every=often", 'Write "never", or a duration'),
    ("air.wind=-1 m/s", "must lie in 0 m/s to 30 m/s"),
    ("cost.mirror=25 EUR", "cost.mirror"),
]


@pytest.mark.parametrize(("override", "words"), REFUSED, ids=[r[0] for r in REFUSED])
def test_refusal_says_what_is_wrong_and_what_to_write(override, words):
    message = refusal(override)
    assert words in message
    assert message.startswith("small.toml: ")
    for internal in ("pydantic", "Traceback", "float_type", "validation error", "None"):
        assert internal not in message


def test_unknown_key_is_one_problem_even_if_the_right_one_is_required():
    text = SMALL.replace("base_height", "base_hight").replace("[design]", "[desing]")
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text)
    assert [p.key for p in caught.value.problems] == ["desing", "pot.base_hight"]


def test_all_problems_come_at_once_in_the_order_of_the_file():
    text = (
        SMALL.replace('"10 deg"', '"100 deg"')
        .replace('"UTC"', '"UCT-"')
        .replace('width = "100 mm"', "width = 100")
        .replace('height = "120 mm"', 'hieght = "120 mm"')
    )
    text += '[[aim.zones]]\nrows = [1, 9]\n[mirror]\nmodel = "glass"\nreflectance = 0.9\n'
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, source="bad.toml")
    problems = caught.value.problems
    assert [p.key for p in problems] == [
        "site.latitude",
        "site.timezone",
        "facets.width",
        "pot.hieght",
        "aim.zones[1]",
        "aim.zones[1].rows",
        "mirror.reflectance",
    ]
    lines = str(caught.value).splitlines()
    assert lines[-1] == "7 problems. Nothing was traced."
    assert all(line.startswith("bad.toml: ") for line in lines[:-1])


def test_empty_file_names_what_it_needs():
    with pytest.raises(ScenarioError) as caught:
        parse_scenario("", source="empty.toml")
    assert {p.key for p in caught.value.problems} == {"title", "site", "design", "facets", "pot"}
    assert "pot.place, pot.base_height, pot.diameter, pot.height" in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'width = "100 mm"',
            "width = 100 mm",
            'A value with a unit stands in quotes, such as "100',
        ),
        ('name = "Here"', "name = Here", "Text stands in quotes"),
        ("rows = 3", "rows = 3\nrows = 4", "line 15, column 9: rows = 4: this is there twice"),
        ("[pot]", "[site]", "[site]: this is there twice"),
        ('height = "120 mm"\n', 'height = "120 mm', "not TOML"),
    ],
)
def test_broken_toml_is_located(old, new, words):
    assert old in SMALL
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(SMALL.replace(old, new), source="bad.toml")
    assert words in str(caught.value)


def test_missing_file_and_file_that_is_no_text(tmp_path):
    (tmp_path / "courtyard.toml").write_text(SMALL, encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"cuortyard.toml: file: no such file. Nearest: court"):
        load_scenario(tmp_path / "cuortyard.toml")
    (tmp_path / "picture.toml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(ScenarioError, match="not plain text"):
        load_scenario(tmp_path / "picture.toml")


def test_weather_file_is_looked_for_beside_the_scenario(tmp_path):
    (tmp_path / "oaxaca.epw").write_text("x", encoding="utf-8")
    sky = '[sky]\ndni = "weather file"\nweather_file = "oaxaca.epw"\n'
    (tmp_path / "a.toml").write_text(SMALL + sky, encoding="utf-8")
    assert load_scenario(tmp_path / "a.toml").sky.weather_file == tmp_path / "oaxaca.epw"
    with pytest.raises(ScenarioError) as caught:
        load_scenario(tmp_path / "a.toml", ["sky.weather_file=oaxca.epw"])
    assert 'sky.weather_file = "oaxca.epw": no such file' in str(caught.value)
    assert 'Nearest: "oaxaca.epw"' in str(caught.value)
    assert str(tmp_path) not in str(caught.value)
    with pytest.raises(ScenarioError, match="Leave it out or set dni"):
        load_scenario(tmp_path / "a.toml", ["sky.dni=850 W/m^2"])


# --- tables ------------------------------------------------------------------------------------

PLACED = ("facets.layout=places", "facets.places=p.csv", "facets.rows=", "facets.columns=")


def test_places_in_any_length_unit():
    places = small(*PLACED, p="# ring\nX_in, y_cm, z_mm\n\n10,5,\n-10,5,70\n").facets.places
    assert [(p.label, p.row, p.column) for p in places] == [("A1", 1, 1), ("A2", 1, 2)]
    assert [p.x for p in places] == pytest.approx([0.254, -0.254])
    assert [p.y for p in places] == pytest.approx([0.05, 0.05])
    assert places[0].z is None
    assert places[1].z == pytest.approx(0.07)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("x_mm,y_mm\n1,2\n3,abc\n", 'p.csv row 3 column "y_mm" = "abc": not a number.'),
        ("# note\nx_mm,y_mm\n\n1,\n", 'p.csv row 4 column "y_mm" = "": empty'),
        ("x_mm,y_mm\n1,inf\n", 'p.csv row 2 column "y_mm" = "inf": not a finite number.'),
        ("x,y_mm\n1,2\n", 'p.csv row 1 column "x": no unit. Name the column "x_mm"'),
        ("x_kg,y_mm\n1,2\n", 'p.csv row 1 column "x_kg": a mass, but a length is needed'),
        ("x_mm,y_mm,colum\n1,2,3\n", 'column "colum": unknown column. Nearest: "column".'),
        ("x_mm,z_mm\n1,2\n", 'p.csv row 1: no column "y_mm"'),
        ("x_mm,x_cm,y_mm\n1,2,3\n", '"x" is there twice.'),
        ("x_mm,y_mm\n1,2,3\n", "p.csv row 2: 3 values, but the header names 2 columns."),
        ("x_mm,y_mm\n1,2\n1,2\n", "p.csv row 3: the same place as in row 2."),
        ("label,x_mm,y_mm\nA,1,2\nA,3,2\n", 'p.csv row 3: label "A" as in row 2.'),
        ("x_mm,y_mm,row\n1,2,1\n", "p.csv row 2: row and column go together"),
        ("x_mm,y_mm,row,column\n1,2,1,1.5\n", 'column "column" = "1.5": must be a whole number'),
        ("x_mm,y_mm\n1,5,2\n", "Decimal commas need semicolons between the columns."),
        ("x_mm,y_mm,shade\n1,2,3\n", 'column "shade": unknown column.'),
        ("x_mm,y_mm\n", "p.csv: no facets"),
        ("", "p.csv: empty"),
    ],
)
def test_table_of_places_is_refused_by_row_and_column(table, words):
    assert words in refusal(*PLACED, p=table)


def test_problems_of_a_table_and_of_the_scenario_come_together():
    message = refusal(*PLACED, "trace.seed=-1", p="x_mm,y_mm\na,2\n3,b\n")
    assert message.splitlines()[-1] == "3 problems. Nothing was traced."


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("label,state\nA1,mising\n", 'row 2 column "state" = "mising": not one of "ok", "missing"'),
        ("label,state\nD1,ok\n", 's.csv row 2 column "label" = "D1": no facet has this label.'),
        ("label,state\nA1,ok\nA1,ok\n", 's.csv row 3: label "A1" as in row 2.'),
        (
            "label,state,reflectance\nA1,ok,1.1\n",
            'column "reflectance" = "1.1": must lie in 0 to 1',
        ),
    ],
)
def test_table_of_states_is_refused_by_row_and_column(table, words):
    assert words in refusal("facets.states=s.csv", s=table)


def test_states_name_facets_of_the_array():
    states = small("facets.states=s.csv", s="label,state\nC4,broken\n").facets.states
    assert states["C4"].state == "broken"
    assert states["C4"].reflectance == 1.0


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("azimuth_deg,altitude_deg\n10,95\n", "h.csv row 2: altitude must lie in 0 deg to 90 deg."),
        ("azimuth_deg,altitude_deg\n10,5\n10,6\n", "h.csv row 3: the same azimuth as in row 2."),
        ("azimuth_deg,altitude_deg\n400,5\n", "azimuth must lie in -180 deg to 360 deg"),
    ],
)
def test_horizon_table_is_refused_by_row(table, words):
    assert words in refusal("site.horizon=h.csv", h=table)


SUN = {"sky.sunshape": "table", "sky.sunshape_table": "sun.csv"}


def test_sunshape_table_is_read_in_any_unit():
    text = "# seen through haze\nangle_mrad,radiance\n0,900\n4,600\n5,0\n"
    scenario = small(*(f"{k}={v}" for k, v in SUN.items()), sun=text)
    assert scenario.sky.sunshape_table == ((0.0, 1.0), (0.004, pytest.approx(2 / 3)), (0.005, 0.0))
    assert hash(scenario.sky) == hash(scenario.varied({}).sky)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("angle,radiance\n0,1\n", 'no unit. Name the column "angle_deg"'),
        ("angle_mrad,radiance\n0,1\n3,1\n2,1\n", "sun.csv row 4: the angle is no greater than"),
        ("angle_mrad,radiance\n0,1\n3,-1\n", "sun.csv row 3: the radiance must not be negative."),
        ("angle_deg,radiance\n0,1\n2.6,1\n", "must lie in 0 deg to 2.5 deg."),
        ("angle_deg,radiance\n0,1\n", "one point only. Give two or more."),
        ("angle_deg,radiance\n0,0\n0.2,0\n", "no light at the sun's centre"),
        ("angle_deg,radiance\n0,inf\n0.2,1\n", "not a finite number."),
    ],
)
def test_sunshape_table_is_refused_by_row(table, words):
    assert words in refusal(*(f"{k}={v}" for k, v in SUN.items()), sun=table)


def test_sunshape_and_its_table_go_together():
    assert "sky.sunshape_table" in refusal("sky.sunshape=table")
    assert "goes with sunshape" in refusal(
        "sky.sunshape_table=sun.csv", sun="angle_mrad,radiance\n0,1\n4,1\n"
    )


# --- the table of keys, and what loading costs ---------------------------------------------------


def test_schema_describes_every_key():
    rows = describe_schema()
    assert len({row.key for row in rows}) == len(rows)
    for row in rows:
        assert row.meaning.endswith("."), row.key
        assert row.kind, row.key
        assert row.default, row.key
    keys = {row.key: row for row in rows}
    assert keys["facets.mount_radius"].default == '"20 mm"'
    assert keys["pot.diameter"].default == "required"


def test_pint_waits_for_the_first_scenario():
    """Importing the module stays cheap: the registry is built when a unit is first read."""
    code = "import sys, raytrace.scenario.loading; sys.exit('pint' in sys.modules)"
    root = str(SCENARIOS.parent)
    assert subprocess.run([sys.executable, "-c", code], cwd=root, check=False).returncode == 0


# --- surroundings ------------------------------------------------------------------------------

GATE = """
[[site.surroundings]]
name = "the gate"
kind = "wood"
bearing_from = "350 deg"
bearing_to = "20 deg"
distance = "9 m"
"""


def test_surroundings_are_read_over_north_and_all_round():
    at = SMALL.index("[design]")
    gate = parse_scenario(SMALL[:at] + GATE + SMALL[at:])
    (there,) = gate.site.surroundings
    assert there.span == pytest.approx(np.radians(30.0))
    assert (there.distance, there.far, there.bottom, there.top) == (9.0, 9.0, 0.0, 2.0)
    keys = (f"site.surroundings[1].bearing_{end}" for end in ("from", "to"))
    ring = gate.varied(dict(zip(keys, ("0 deg", "360 deg"), strict=True)))
    assert ring.site.surroundings[0].span == pytest.approx(2.0 * np.pi)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("reach=3 m", "nearer than it begins"),
        ("bottom=2.5 m", "the top has to be above the bottom"),
        ("bearing_to=350 deg", "as wide as nothing"),
        ("kind=hay", '"grass"'),
        ("distance=", "missing"),
        ("hight=3 m", "unknown key"),
    ],
)
def test_surroundings_that_cannot_be(change, words):
    at = SMALL.index("[design]")
    with pytest.raises(ScenarioError, match=words):
        parse_scenario(SMALL[:at] + GATE + SMALL[at:], overrides=[f"site.surroundings[1].{change}"])


def test_surroundings_want_names_of_their_own_and_lines_of_their_own():
    at = SMALL.index("[design]")
    with pytest.raises(ScenarioError, match="the name of an earlier one"):
        parse_scenario(SMALL[:at] + GATE + GATE + SMALL[at:])
    with pytest.raises(ScenarioError, match=r"write each one below a line \[\[site.surroundings"):
        parse_scenario(SMALL, overrides=["site.surroundings=the gate"])
    with pytest.raises(ScenarioError, match=r"the file has no \[\[site.surroundings"):
        parse_scenario(SMALL, overrides=["site.surroundings[1].distance=4 m"])
