"""Reports in the units of a United States workshop say the same as in SI."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from raytrace.cli import app
from raytrace.reports.common import units
from raytrace.scenario.columns import Column, match_column
from raytrace.scenario.units import read_quantity
from raytrace.sky.clock import time_of_day

SCENARIO = """
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
rows = 4
columns = 5
pitch_x = "110 mm"
pitch_y = "130 mm"
[pot]
place = ["0 mm", "-500 mm"]
base_height = "600 mm"
diameter = "200 mm"
height = "120 mm"
[kitchen]
water = "2 L"
[air]
temperature = "25 degC"
wind = "1 m/s"
[errors]
setting = "6 mm"
"""
RECORD = "time,water_temperature_degC\n" + "\n".join(
    f"2026-03-20T07:{10 * k + 10},{T}" for k, T in enumerate((25.0, 31.0, 38.0, 46.0, 53.0))
)

# NIST SP 811 (2008), appendix B.8; inch, mile, pound and gallon exact
DEFINED = [
    ("length", 0.0254, 1.0, "in"),
    ("yard", 0.3048, 1.0, "ft"),
    ("way", 1609.344, 1.0, "mi"),
    ("area", 0.09290304, 1.0, "ft²"),
    ("volume", 3.785411784e-3, 4.0, "qt"),
    ("mass", 0.45359237, 1.0, "lb"),
    ("speed", 0.44704, 1.0, "mph"),
    ("temperature", 273.15, 32.0, "°F"),
    ("temperature", 373.15, 212.0, "°F"),
    ("difference", 5.0 / 9.0, 1.0, "°F"),
]


@pytest.mark.parametrize(("kind", "si", "us", "symbol"), DEFINED)
def test_units_are_those_that_are_defined(kind, si, us, symbol):
    with units.using("us"):
        unit = units.unit(kind)
        assert unit.of(si) == pytest.approx(us, rel=1e-12, abs=1e-11)
        assert unit.symbol == symbol
    assert units.unit(kind).symbol != symbol


READ = [
    *(("212 °F", "temperature", 373.15), ("-40 degF", "temperature", 233.15)),
    *(("20 °C", "temperature", 293.15), ("10 mph", "speed", 4.4704)),
    *(("2 qt", "volume", 1.892705892e-3), ("1 gal", "volume", 3.785411784e-3)),
    *(("8 oz", "mass", 0.226796185), ("1 lb 8 oz", "mass", 0.680388555)),
    *(("5 ft 3 in", "length", 1.6002), ("5' 3 1/2\"", "length", 1.6129)),
    *(('5 1/4"', "length", 0.13335), ("5 1/4 in", "length", 0.13335)),
    *(("-5 ft 3 in", "length", -1.6002), ("1 h 30 min", "duration", 5400.0)),
]


@pytest.mark.parametrize(("text", "kind", "si"), READ)
def test_what_a_builder_writes_is_read(text, kind, si):
    assert read_quantity(text, kind)[0] == pytest.approx(si, rel=1e-9)


@settings(max_examples=40)
@given(si=st.floats(0.01, 90.0))
def test_words_of_lengths_masses_and_volumes_are_read_again(si):
    with units.using("us"):
        said = [
            (units.tape(si), "length", si, 0.0254 / 32.0),
            (units.yard(si), "length", si, 0.0254 / 2.0 if si < 30.48 else 0.3048 / 2.0),
            (units.mass(si), "mass", si, 0.45359237 / 32.0),
            (units.volume(1e-3 * si), "volume", 1e-3 * si, 5e-3 * 1e-3 * si),
            (units.quantity("speed", si, 2), "speed", si, 0.005 * 0.44704),
        ]
    for text, kind, wanted, half in said:
        assert abs(read_quantity(text, kind)[0] - wanted) <= half * (1.0 + 1e-9), text


@given(minutes=st.integers(0, 1440))
def test_clock_times_are_read_again(minutes):
    for system in units.SYSTEMS:
        with units.using(system):
            text = units.clock_words(*divmod(minutes, 60))
        assert time_of_day(text) == 60.0 * minutes, text


def test_columns_are_read_again_by_their_heads():
    heads = ["x_mm", "water_temperature_degC", "wind_m/s", "delivered_W", "flux_W_m2", "miss_K"]
    with units.using("us"):
        columns, (row,) = units.in_columns(heads, [[25.4, 100.0, 0.44704, 7.0, 8.0, 5.0]])
    assert columns == [
        *("x_in", "water_temperature_degF", "wind_mph", "delivered_W", "flux_W_m2"),
        "miss_delta_degF",
    ]
    assert row == pytest.approx([1.0, 212.0, 1.0, 7.0, 8.0, 9.0])
    known = [
        *(
            Column("x", "length"),
            Column("water_temperature", "temperature"),
            Column("wind", "speed"),
        ),
    ]
    for head, value, si in zip(columns, row, (0.0254, 373.15, 0.44704), strict=False):
        _, factor, zero = match_column(head, known)
        assert factor * value + zero == pytest.approx(si, rel=1e-9)


# --- every report ---------------------------------------------------------------------------------

SI = re.compile(
    r"(?<![\w/])(mm|°C|km/h|m/s|m²|kg|cm)(?![\w/²])|\d (L|m|K)(?![\w/²])"
    r"|(?<![\d:+−])\d\d:\d\d(?!\d| [ap]m|–)"
)
TOKEN = re.compile(
    r"(?P<clock>\d{1,2}:\d\d|\b\d{1,2} [ap]m|midnight)"
    r"|(?P<feet>\d+ ft \d+ in)|(?P<pounds>\d+ lb \d+ oz)"
    r"|(?P<part>(?:\d+ )?\d+/\d+\")|(?P<number>\d+(?:\.\d+)?)"
)
FACTORS = {
    "in/mm": 1.0 / 25.4,
    "in/m": 1.0 / 0.0254,
    "ft/m": 1.0 / 0.3048,
    "ft²/m²": 1.0 / 0.09290304,
    "°F/K": 1.8,
    "qt/L": 1e-3 / 0.946352946e-3,
    "lb/kg": 1.0 / 0.45359237,
    "oz/kg": 16.0 / 0.45359237,
    "mph/(m/s)": 1.0 / 0.44704,
    "m/ft": 0.3048,
}


def figures(text):
    """Numbers in a report, each with half of its last digit; clock times in minutes of 12 hours."""
    out = []
    for found in TOKEN.finditer(text):
        word = found[0]
        if found["clock"]:
            hour, _, minute = word.removesuffix(" am").removesuffix(" pm").partition(":")
            hour = "0" if word == "midnight" else hour
            out.append(((60 * int(hour) + int(minute or 0)) % 720, 0.0))
        elif found["feet"] or found["part"]:
            half = 0.5 if found["feet"] else 1.0 / 32.0
            out.append((read_quantity(word, "length")[0] / 0.0254, half))
        elif found["pounds"]:
            out.append((read_quantity(word, "mass")[0] / 0.45359237, 1.0 / 32.0))
        else:
            decimals = len(word.partition(".")[2])
            out.append((float(word), 0.5 * 10.0**-decimals))
    return out


def agree(si, us):
    """Whether two figures say the same, and in what unit the second does."""
    (a, half_a), (b, half_b) = si, us
    if a == b:
        return "same"
    for name, factor in FACTORS.items():
        if abs(factor * a - b) <= factor * half_a + half_b + 1e-9:
            return name
    if abs(1.8 * a + 32.0 - b) <= 1.8 * half_a + half_b + 1e-9:
        return "°F"
    return ""


def invoked(*arguments):
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


FEW = ["--draws", "0", "--no-figures", "-o", "made.h5"]
COMMANDS = {
    "trace": ["trace", "cooker.toml", "--samples", "500", "--bins", "12", *FEW],
    "tolerance": ["tolerance", "cooker.toml", "--builds", "8", "--levels", "0, 4 mm", *FEW],
    "rig": ["rig", "cooker.toml", "--step", "4 h", *FEW],
    "spots": ["spots", "cooker.toml", "seen.csv", *FEW],
    "record": ["record", "cooker.toml", "record.csv", "--beams", "1", "--draws", "2", *FEW[2:]],
    "window": ["window", "cooker.toml", "--from", "2026-06-21", "--to", "2026-06-21", *FEW],
    "season": ["season", "cooker.toml", "--from", "2026-06-21", "--to", "2026-06-21", *FEW],
    "day": ["day", "cooker.toml", "2026-06-21", "--start", "9:00 am", "--no-habits", *FEW],
}
KNOWN = {  # units that the figures of each must be found to have changed into
    "trace": {"in/mm", "ft/m"},
    "tolerance": {"in/mm"},
    "rig": {"in/mm"},
    "spots": {"in/mm"},
    "record": {"°F", "qt/L"},
    "window": set(),
    "season": {"°F", "qt/L"},
    "day": {"°F", "qt/L"},
}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "400")
    Path("cooker.toml").write_text(SCENARIO, encoding="utf-8")
    Path("record.csv").write_text(RECORD, encoding="utf-8")
    spots = [f"{row}{column},{3 * column},-4.0" for row in "ABCD" for column in range(1, 6)]
    Path("seen.csv").write_text("\n".join(["facet,x_mm,y_mm", *spots]), encoding="utf-8")
    return tmp_path


def compared(si, us):
    """Units into which the figures of a report have changed."""
    left = SI.search(us)
    assert left is None, us[max(0, left.start() - 60) : left.end() + 20]
    one, other = figures(si), figures(us)
    assert len(one) == len(other)
    changes = {pair: agree(*pair) for pair in zip(one, other, strict=True)}
    assert all(changes.values()), [pair for pair, change in changes.items() if not change]
    return set(changes.values())


@pytest.mark.parametrize("command", COMMANDS)
def test_a_report_says_the_same_in_both(folder, command):
    invoked(*COMMANDS[command])
    said = [invoked("show", "made.h5", "--details", "--units", system) for system in units.SYSTEMS]
    assert compared(*said) >= KNOWN[command]


def test_json_is_si(folder):
    invoked(*COMMANDS["rig"])
    one, other = (
        json.loads(invoked("show", "made.h5", "--json", "--units", system))
        for system in units.SYSTEMS
    )
    assert one == other


def test_a_scenario_is_described_in_both(folder, monkeypatch):
    si = invoked("check", "cooker.toml")
    monkeypatch.setenv("COOKER_UNITS", "US")
    us = invoked("check", "cooker.toml")
    assert re.search(r'\d+ \d+/\d+"', us)
    assert SI.search(us) is None
    assert SI.search(si)
    assert invoked("check", "cooker.toml", "--units", "si") == si


def test_tables_and_sheet_are_in_inches_and_read_again(folder):
    invoked("sheet", "cooker.toml", "--no-pdf", "-o", "sheet", "--units", "us")
    head = Path("sheet/cooker-facets.csv").read_text(encoding="utf-8")
    assert "mount_x_in" in head
    assert "_mm" not in head
    invoked("spots", "cooker.toml", "-o", "spots.h5", "--no-figures", "--units", "us")
    table = Path("spots.csv").read_text(encoding="utf-8")
    rows = [line.split(",") for line in table.splitlines() if not line.startswith("#")]
    assert rows[0][1:3] == ["spot_x_in", "spot_y_in"]
    assert all(abs(float(x)) < 1e-3 for row in rows[1:] for x in row[1:3])


def test_an_unknown_system_is_refused(folder):
    result = CliRunner().invoke(app, ["check", "cooker.toml", "--units", "imperial"])
    assert result.exit_code == 2
    assert "write si or us" in " ".join(result.stderr.split())
    assert units.SYSTEM.get() == "si"
    with pytest.raises(ValueError, match="imperial"), units.using("imperial"):
        pass
