"""What users may hand over by mistake is told in one readable message, soon, and never a crash."""

from __future__ import annotations

import pickle
import random
from pathlib import Path
from time import process_time

import pytest
from typer.testing import CliRunner

from raytrace.cli import app
from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import ScenarioError
from raytrace.scenario.loading import load_scenario, parse_scenario
from raytrace.scenario.plausible import doubtful
from raytrace.scenario.schema import describe_schema, key_rule
from raytrace.scenario.units import KINDS, UnitError, read_quantity
from raytrace.scenario.values import Number, Quantity, Reader, Vector

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = (SCENARIOS / "courtyard.toml").read_text(encoding="utf-8")
RING = (SCENARIOS / "rim-ring.toml").read_text(encoding="utf-8")
SOON = 3.0  # processor seconds: well under one, on a machine a few times slower [s]
TABLES = {p.name: p.read_text(encoding="utf-8") for p in SCENARIOS.glob("ring-*.csv")}


def told(text: str, *overrides: str, tables: dict[str, str] | None = None) -> ScenarioError:
    """Refusal of a scenario: short, soon, and in lines that name file and key."""
    begun = process_time()
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, source="mine.toml", overrides=overrides, tables=tables)
    assert process_time() - begun < SOON
    message = str(caught.value)
    assert len(message) < 20_000
    assert all(line.startswith("mine.toml: ") for line in message.splitlines()[:-1])
    assert max(map(len, message.splitlines())) <= 600
    return caught.value


# --- text that is no scenario --------------------------------------------------------------------


@pytest.mark.parametrize(
    "junk",
    [
        "a = " + "[" * 500 + "]" * 500,
        "a = " + "[" * 60 + "]" * 60,
        "a = " + "{b = " * 40 + "1" + "}" * 40,
        ".".join(["a"] * 5000) + " = 1",
        "[" + ".".join(["a"] * 300) + "]",
    ],
    ids=["500 brackets", "60 brackets", "tables in tables", "long dotted key", "deep section"],
)
def test_deep_nesting_is_told(junk):
    error = told(f"{junk}\n{COURTYARD}")
    assert "deep in each other" in str(error)


def test_numbers_without_end_are_told():
    digits = "9" * 4301
    assert told(f"{COURTYARD}\nx = {digits}").problems[0].key.startswith("line ")
    # hexadecimal ones are read by Python, but it won't write them
    assert "trace.seed" in str(told(COURTYARD.replace("seed = 1", "seed = 0x" + "f" * 5000)))
    assert "trace.seed" in str(told(COURTYARD, f"trace.seed={digits}"))
    assert "pot.place" in str(told(COURTYARD, f"pot.place[{digits}]=1 mm"))


def test_twenty_thousand_wrong_keys_make_a_short_message():
    error = told(COURTYARD + "".join(f"k{i} = {i}\n" for i in range(20_000)))
    assert "more keys are wrong" in error.problems[-1].text
    assert "and 71 more" in str(error)


@pytest.mark.parametrize("value", ["[1, 2]", "{a = 1}", "3", "true", "2026-01-01"])
@pytest.mark.parametrize("key", ["facets.shape", "facets.layout", "sky.sunshape", "mirror.model"])
def test_any_type_in_place_of_a_word_is_told(key, value):
    assert key in str(told(COURTYARD, f"{key}={value}"))


def test_overrides_that_are_no_text_are_told():
    assert "title" in str(told(COURTYARD, "title=\udcff"))
    assert "write key=value" in str(told(COURTYARD, ".".join(["a"] * 5000) + "=1"))
    assert "write key=value" in str(told(COURTYARD, "x" * 90_000))


def test_names_that_no_disk_takes_are_told(tmp_path):
    long = "a" * 5000
    for key in ("sky.weather_file", "site.horizon", "facets.states"):
        error = told_file(tmp_path, f'{key}="{long}.csv"', 'sky.dni="weather file"')
        assert key in str(error)
    result = CliRunner().invoke(app, ["check", f"{long}.toml"])
    assert result.exit_code == 2
    assert "can't be looked up" in result.output


def told_file(folder: Path, *overrides: str) -> ScenarioError:
    (folder / "mine.toml").write_text(COURTYARD, encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load_scenario(folder / "mine.toml", overrides)
    return caught.value


def test_a_file_name_that_is_not_utf8_is_told_and_can_be_printed(tmp_path):
    path = tmp_path / "caf\udce9.toml"
    path.write_text(COURTYARD + "x = 1\n", encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load_scenario(path)
    assert str(caught.value).encode("utf-8").startswith(b"caf\\udce9.toml: ")


def test_a_file_of_many_megabytes_is_refused_unread(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("# " + "x" * 2_000_000, encoding="utf-8")
    with pytest.raises(ScenarioError, match="longer than 1 MB"):
        load_scenario(path)


def test_a_refusal_travels_between_processes():
    error = told(COURTYARD, "facets.width=3")
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


# --- units ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "1 m^9^9^9^9",
        "1 m**9**9**9**9",
        "1 m^99",
        "1 (m^9)^9",
        "1 m^(9^9)",
        "1 " + "(" * 30 + "m" + ")" * 30,
        "1 " + "m " * 30,
        "1" * 5000 + " mm",
        "1\n" + "1" * 70,
        "1/" + "3" * 5000 + " in",
        "1 __import__",
    ],
    ids=range(11),
)
def test_a_tower_of_powers_is_no_unit(text):
    begun = process_time()
    with pytest.raises(UnitError) as caught:
        read_quantity(text, "length")
    assert process_time() - begun < SOON
    assert len(str(caught.value)) < 300


def test_powers_that_people_write_are_read():
    assert read_quantity("2 cm^2", "area")[0] == pytest.approx(2e-4)
    assert read_quantity("1 kg m^2 / s^3", "power")[0] == pytest.approx(1.0)
    assert read_quantity("3.5 kJ/(kg K)", "heat capacity")[0] == pytest.approx(3500.0)
    assert read_quantity("1 J kg^-1 K^-1", "heat capacity")[0] == pytest.approx(1.0)
    assert read_quantity("850 W·m^-2", "irradiance")[0] == pytest.approx(850.0)


# --- slips of a unit -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("override", "words"),
    [
        ("facets.pitch_x=50 m", 'facets.pitch_x = "50 m": must be 5 m or less.'),
        ("facets.pitch_x=0.5 km", "must be 5 m or less"),
        ("facets.pitch_x=1620 m", "must be 5 m or less"),
        ("facets.width=150 m", 'facets.width = "150 m": must lie in 1 mm to 3 m.'),
        ("errors.rig.hit=150 yd", "errors.rig.hit = "),
        ("sky.sun_radius=0.01 mrad", 'sky.sun_radius = "0.01 mrad": must lie in 0.1 mrad to'),
        ("errors.setting=30 in", "errors.setting: light misses its mark by some 762 mm"),
        ("errors.setting=60 deg", "errors.setting: light misses"),
        ("title=" + "x" * 90_000, "title = "),
        ("facets.columns=900", None),
        ("mirror.thickness=3 m", "must lie in 0 mm to 50 mm"),
    ],
    ids=lambda x: (x or "accepted")[:24],
)
def test_a_slip_of_the_unit_is_told_before_anything_is_built(override, words):
    if words is None:
        parse_scenario(COURTYARD, overrides=[override])
    else:
        assert words in str(told(COURTYARD, override))


def test_an_array_that_is_too_large_or_too_wide_is_told():
    assert "1000 × 1000 = 1000000 facets" in str(
        told(COURTYARD, "facets.rows=1000", "facets.columns=1000")
    )
    assert "200 of them make 398 m" in str(
        told(COURTYARD, "facets.columns=200", "facets.pitch_x=2 m")
    )


# --- a place that is hardly meant ----------------------------------------------------------------


def doubts(*overrides: str) -> list[str]:
    scenario = parse_scenario(COURTYARD, overrides=overrides)
    return doubtful(scenario.site, scenario.design, scenario.pot)


def test_a_forgotten_minus_shows_by_the_hour_of_noon():
    assert doubts() == []
    (doubt,) = doubts("site.longitude=96.72 deg")
    # mean noon is at 12 h − 96.72°/15 − 6 h = −0.45 h, that is 23:33 of the day before
    assert "23:33 by the clock of America/Mexico_City" in doubt
    assert '"-96.72 deg" it would be 12:27' in doubt


@pytest.mark.parametrize(
    ("longitude", "zone", "doubted"),
    [
        # Vigo's noon is at 14:36 by summer time, but at 13:36 by standard time
        ("-8.72 deg", "Europe/Madrid", False),
        ("-21.9 deg", "Atlantic/Reykjavik", False),  # 13:28
        ("76.0 deg", "Asia/Shanghai", True),  # Kashgar, 14:56: far out, and worth a word
        ("-171.8 deg", "Pacific/Apia", False),  # 13 h ahead of UTC: across the date line
        ("-60.0 deg", "UTC", True),
    ],
)
def test_zones_that_people_live_in_are_not_doubted(longitude, zone, doubted):
    found = doubts(f"site.longitude={longitude}", f"site.timezone={zone}")
    assert bool(found) == doubted
    if doubted:
        assert "sign" not in found[0]  # turned round, noon would be as far from 12


def test_feet_taken_for_metres_are_doubted():
    (doubt,) = doubts("site.altitude=9000 m")
    assert "9000 ft are 2743 m" in doubt


def test_every_command_says_its_doubts_and_goes_on(tmp_path):
    (tmp_path / "mine.toml").write_text(COURTYARD, encoding="utf-8")
    wrong = ["--set", "site.longitude=96.72 deg"]
    result = CliRunner().invoke(app, ["check", str(tmp_path / "mine.toml"), *wrong])
    assert result.exit_code == 0
    assert " ".join(result.output.split()).count("by the clock of America/Mexico_City") == 1
    assert "It can be built." not in result.output
    result = CliRunner().invoke(app, ["spots", str(tmp_path / "mine.toml"), "--no-files", *wrong])
    assert "by the clock of America/Mexico_City" in result.output


# Each face's surface, absorptance and emissivity, in the file's words.
@pytest.mark.parametrize(
    ("keys", "doubted"),
    [
        (("absorptance_lid=0.25", "emissivity_lid=0.85"), ""),  # white enamel or paint
        (("absorptance_lid=0.25", "surface_lid=enamel"), ""),
        (("absorptance_side=0.4",), ""),  # bare metal, and radiates as such
        (("absorptance_lid=0.4", "emissivity_lid=0.95", "surface_lid=bare metal"), "emissivity"),
        (("absorptance_lid=0.9", "surface_lid=bare metal"), "absorptance"),
        (("absorptance_lid=0.9", "emissivity_lid=0.1"), "emissivity"),
    ],
)
def test_faces_that_no_surface_has_are_doubted(keys, doubted):
    found = doubts("pot.surface_lid=", *(f"pot.{key}" for key in keys))
    assert bool(found) == bool(doubted)
    if doubted:
        (doubt,) = found
        assert doubt.startswith(f"pot.{doubted}_lid = ")
        assert "Write " in doubt


def test_a_bright_face_radiates_little_unless_told_otherwise():
    """0.2 to 0.3 heavily oxidised aluminium, 0.95 soot, by tables in thermal cameras' manuals."""
    pot = parse_scenario(COURTYARD, overrides=["pot.surface_lid="]).pot
    assert (pot.surface_base, pot.surface_side, pot.surface_lid) == (
        "sooted",
        "painted",
        "bare metal",
    )
    assert 0.2 <= pot.emissivity_lid <= 0.3
    assert pot.emissivity_base == pytest.approx(0.95)
    assert (
        parse_scenario(COURTYARD, overrides=["pot.emissivity_lid=0.07"]).pot.emissivity_lid == 0.07
    )


def test_one_emissivity_for_all_is_told_its_new_keys():
    said = str(told(COURTYARD, "kitchen.emissivity=0.9"))
    for face in ("base", "side", "lid"):
        assert f"pot.emissivity_{face}" in said


# --- tables --------------------------------------------------------------------------------------


def ring(**changed: str) -> ScenarioError:
    tables = TABLES | {f"ring-{name}.csv": text for name, text in changed.items()}
    return told(RING, tables=tables)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("x_mm,y_mm\n-1e308,0\n", 'column "x_mm" = "-1e308": is beyond all measure'),
        ("x_km,y_mm\n1e308,0\n", 'column "x_km" = "1e308": is beyond all measure'),
        ("x_m,y_m\n270,300\n", "Check the column's unit"),
        ("x_mm,y_mm,row,column\n1,2,1e300,1\n", "must be a whole number, 1 to 10000"),
        ("x_m^9^9^9^9,y_mm\n1,2\n", 'unknown unit "m^9^9^9^9"'),
        ("x_mm,y_mm\n" + "9" * 100_000 + ",1\n", "not a finite number"),
        ("x_mm,y_mm\n" + '"' + "9" * 200_000 + '",1\n', "ring-places.csv row 2"),
        ("x_mm,y_mm\n" + "1,2\n" * 50_000, "50001 rows. Give 20000 or fewer."),
        ("label,x_mm,y_mm\n" + "A" * 500 + ",1,2\n", "500 characters. Write 40 or fewer."),
        ("y" * 9_000 + ",x_mm\n1,2\n", "too long for the name of a column"),
        ("x_mm,y_mm\n" + "a,b\n" * 15_000, "The same in rows 3, 4, 5 and 14996 more."),
    ],
    ids=range(11),
)
def test_cells_beyond_all_measure_are_told_by_row_and_column(table, words):
    assert words in str(ring(places=table))


def test_many_labels_of_no_facet_are_told_soon():
    table = "label,state\n" + "".join(f"Q{k},missing\n" for k in range(15_000))
    assert "no facet has this label" in str(ring(states=table))


# --- anything at all -----------------------------------------------------------------------------

HOSTILE = (
    '""', "0", "-1", "1e308", "nan", "inf", "true", "[]", "{}", "[[1, 2], [3]]", '"1 m"', '"0 mm"',
    '"1e308 m"', '"-1e308 mm"', '"1e-300 mm"', '"90 deg"', '"1 m^9^9"', '"100 %"', "2026-01-01",
    "07:32:00", "99999999999999999999", '"\\u0000"', '"\\u001b[31m"', '"/dev/zero"', '"."', '"UTC"',
    '"never"', '"by date"', '"weather file"', '"zone.tab"', '[["0 deg", "90 deg"]]', '"1/0 in"',
    '["50 m", "-50 m"]', '["1 m", "1 m", "1 m"]', '["60 deg", "-60 deg"]', '"' + "x" * 3000 + '"',
)  # fmt: skip
STRAY = (
    '"',
    "[",
    "]",
    "{",
    "=",
    "\x1b",
    "\x00",
    "é",
    ".",
    ",",
    "#",
    "\\",
    "\r",
    "\u202e",
    "\u2028",
)


def at_the_limits(rule: Reader, rng: random.Random) -> str:
    """Value that a key just allows, or just doesn't."""
    if isinstance(rule, Quantity):
        kind = rng.choice(rule.kinds)
        highs = dict(zip(rule.kinds, rule.highs, strict=False))
        ends = [rule.low or rule.above, rule.high or highs.get(kind)]
        low, high = (read_quantity(x, kind)[0] if x else 0.0 for x in ends)
        share = rng.choice([0.0, 1.0, 1.0 + 1e-7, -1e-7, rng.random(), 10.0 ** rng.uniform(-9, 0)])
        return f'"{low + share * (high - low)!r} {KINDS[kind].unit}"'
    if isinstance(rule, Vector):
        return "[" + ", ".join(at_the_limits(rule.item, rng) for _ in range(rule.count)) + "]"
    if isinstance(rule, Number):
        return f"{rng.choice([rule.low, rule.high]):g}"
    return rng.choice(HOSTILE)


def mutated(text: str, rng: random.Random) -> tuple[str, list[str]]:
    """Text with some lines spoilt, and keys set to what they hardly or don't allow."""
    lines, overrides = text.splitlines(), []
    for _ in range(rng.choice([1, 1, 2, 3, 6])):
        at, way = rng.randrange(len(lines)), rng.random()
        if way < 0.5:
            key = rng.choice([row.key for row in describe_schema() if "[]" not in row.key])
            overrides.append(f"{key}={at_the_limits(key_rule(key), rng)}")
        elif way < 0.7 and "=" in lines[at]:
            lines[at] = f"{lines[at].split('=')[0]}= {rng.choice(HOSTILE)}"
        elif way < 0.8:
            lines.insert(at, lines[rng.randrange(len(lines))])
        else:
            here = rng.randrange(len(lines[at]) + 1)
            lines[at] = (
                lines[at][:here] + rng.choice(STRAY) + lines[at][here + rng.choice([0, 1]) :]
            )
    return "\n".join(lines), overrides


def mutated_table(text: str, rng: random.Random) -> str:
    rows = [line.split(",") for line in text.splitlines()]
    for _ in range(rng.choice([1, 1, 3])):
        row = rng.choice(rows[:1] if rng.random() < 0.3 else rows)
        odd = rng.choice([x.strip('"') for x in HOSTILE] + [*STRAY])
        row[rng.randrange(len(row))] = rng.choice([odd, "12.5", "7", ""])
    return "\n".join(map(",".join, rows))


def built_or_told(text: str, overrides: list[str], tables: dict[str, str]) -> bool:
    """Whether a scenario can be built; if not, that it is told well, and either way soon."""
    begun, said = process_time(), ""
    try:
        build_cooker(parse_scenario(text, source="m.toml", overrides=overrides, tables=tables))
    except ScenarioError as error:
        said = str(error)
    assert process_time() - begun < SOON
    assert not said or said.startswith("m.toml: ")
    assert max(map(len, said.splitlines()), default=0) <= 600
    said.encode("utf-8")
    return not said


@pytest.mark.parametrize("seed", range(4))
def test_any_scenario_is_built_or_told(seed):
    """Spoilt at random, seeds fixed: what broke in thousands of such is mended above by name."""
    rng = random.Random(seed)
    texts = [path.read_text(encoding="utf-8") for path in sorted(SCENARIOS.glob("*.toml"))]
    built = sum(built_or_told(*mutated(rng.choice(texts), rng), TABLES) for _ in range(60))
    assert 0 < built < 60  # both happen


def test_any_table_is_read_or_told():
    rng = random.Random(5)
    read = 0
    for _ in range(60):
        name = rng.choice(sorted(TABLES))
        read += built_or_told(RING, [], TABLES | {name: mutated_table(TABLES[name], rng)})
    assert 3 < read < 57
