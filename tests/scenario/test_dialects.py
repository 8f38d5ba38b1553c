"""Hand-written tables read the same in every dialect, and what stays ambiguous is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raytrace.csv_dialect import decoded
from raytrace.scenario.tables import read_places, read_record, read_spots

INCH, MM = 0.0254, 1e-3  # NIST SP 811 (2008), appendix B.8: the inch is 25.4 mm exactly

HEADS = ("{}_{}", "{} [{}]", "{} ({})", "{} {}", "{}/{}", "{}, {}")
LABELS = (
    "{}{}".format,
    lambda row, column: f"{row.lower()}{column}",
    "{}{:02d}".format,
    "{} {}".format,
    "{}-{}".format,
)
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1")
READINGS = st.lists(st.integers(-2999, 2999), min_size=6, max_size=6)  # tenths of a millimetre


@settings(max_examples=150, deadline=None)
@given(
    tenths=READINGS,
    delimiter=st.sampled_from(",;\t"),
    comma=st.booleans(),
    head=st.sampled_from(HEADS),
    upper=st.booleans(),
    encoding=st.sampled_from(ENCODINGS),
    label=st.sampled_from(LABELS),
    minus=st.sampled_from("-−–"),
    note=st.booleans(),
    blank=st.booleans(),
)
def test_a_table_reads_to_the_same_values_in_every_dialect(
    tenths, delimiter, comma, head, upper, encoding, label, minus, note, blank
):
    """What is read is what was written, whoever's spreadsheet wrote it."""
    if encoding == "latin-1":
        minus = "-"  # the only one it has

    def number(value):
        text = f"{abs(value) / 10:.1f}".replace(".", "," if comma else ".")
        text = (minus if value < 0 else "") + text
        return f'"{text}"' if delimiter in text else text

    def row(*cells):
        return delimiter.join(cells) + (
            delimiter + "wobbly, µm?" * (delimiter != ",") if note else ""
        )

    heads = [head.format(axis, "mm") for axis in "xy"]
    heads = [f'"{h.upper() if upper else h}"' for h in heads]
    lines = [row("facet", *heads).replace("wobbly, µm?", "Notes"), *[""] * blank, "# seen at noon"]
    lines += [
        row(label("A", k + 1), number(x), number(y))
        for k, (x, y) in enumerate(zip(tenths[::2], tenths[1::2], strict=True))
    ]
    text = decoded("\r\n".join(lines).encode(encoding))
    said: list[str] = []
    plane, spots, problems = read_spots("seen.csv", text, labels={"A1", "A2", "A3"}, said=said)
    assert problems == []
    assert plane == "base"
    assert [s.facet for s in spots] == ["A1", "A2", "A3"]
    read = [v for s in spots for v in (s.x, s.along)]
    assert read == pytest.approx([1e-4 * t for t in tenths], rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(
    ("cell", "inches"),
    [
        ('1 3/8"', 1.375),
        ("1-3/8 in", 1.375),
        ("-3/16 in", -0.1875),
        ("−1½″", -1.5),
        ("1.5 in", 1.5),
        ("38.1 mm", 1.5),
        ("3,81 cm", 1.5),
    ],
)
def test_cells_may_name_their_own_unit_and_inches_come_in_fractions(cell, inches):
    for head in ("x", "x_mm"):
        text = f"facet\t{head}\ty (in)\nA1\t{cell}\t3/16\n"
        _, (spot,), problems = read_spots("seen.csv", text)
        assert problems == []
        assert (spot.x, spot.along) == pytest.approx((inches * INCH, 0.1875 * INCH))


def problem(text):
    *_, problems = read_spots("seen.csv", text)
    return " | ".join(map(str, problems))


@pytest.mark.parametrize(
    ("text", "x"),
    [
        ("facet;x_mm;y_mm\nA1;1,234;2,5\n", 1.234),  # the other cell decides
        ("facet;x_mm;y_mm\nA1;1.234;2,5\n", 1234.0),
        ("facet,x_mm,y_mm\nA1,1.234,2\n", 1.234),  # commas part the columns
        ("facet;x_m;y_mm\nA1;1,234;200,125\n", 1234.0),  # 200 km can't be
        ("facet;x_mm;y_mm\nA1;0,234;2\n", 0.234),
    ],
)
def test_thousands_and_thousandths_are_told_apart_by_the_whole_file(text, x):
    _, spots, problems = read_spots("seen.csv", text)
    if "x_m;" in text:
        x = 1.234 * 1e3  # metres
    assert problems == []
    assert spots[0].x == pytest.approx(x * MM)


def test_what_stays_ambiguous_is_refused_with_both_readings_and_a_mend():
    told = problem("facet;x_mm;y_mm\nA1;1,234;2\nA2;2,345;7\n")
    assert 'row 2 column "x_mm" = "1,234": 1.234 or 1234? If 1.234, write' in told
    assert problem("facet;x_mm;y_mm\nA1;1,2340;2\nA2;2,345;7\n") == ""
    told = problem("facet;x_mm;y_mm\nA1;1,5;2\nA2;2.5;7\n")
    assert '"1,5": a decimal comma, but row 3 has "2.5"' in told
    assert "Decimal commas need semicolons" in problem("facet,x_mm,y_mm\nA1,1,5,2\n")


def test_one_mistake_is_one_message_however_many_rows_have_it():
    rows = "".join(f"A{k},?,2\n" for k in range(1, 17))
    told = problem("facet,x_mm,y_mm\n" + rows)
    assert told.endswith(
        'row 2 column "x_mm" = "?": not a number. The same in rows 3, 4, 5 and 12 more.'
    )
    told = problem("facet,x,y_mm\n" + rows.replace("?", "1"))
    assert (
        told == 'seen.csv row 1 column "x": no unit. Name the column "x_mm", or with another unit.'
    )


def test_what_is_passed_over_is_said_and_what_looks_misspelt_is_refused():
    said: list[str] = []
    text = "Bench 4\nMonday\nfacet;x_mm;y_mm;who;sky\nA1;1;2;me;blue\n"
    _, spots, problems = read_spots("seen.csv", text, said=said)
    assert problems == []
    assert spots[0].line == 4
    assert said == ["2 lines above the header passed over.", 'columns "who", "sky" passed over.']
    _, _, problems = read_spots("seen.csv", "facet,x_mm,y_mm,sigm_mm\nA1,1,2,3\n", said=said)
    assert 'Nearest: "sigma_mm"' in str(problems[0])
    # nobody hears what is passed over in a scenario's own tables
    places, problems = read_places("p.csv", "x_mm,y_mm,notes\n1,2,x\n")
    assert places
    assert problems == []
    assert read_places("p.csv", "x_mm,y_mm,who\n1,2,x\n")[1]


@pytest.mark.parametrize(
    ("state", "degrees"),
    [
        ("off", None),
        ("OFF left", 180.0),
        ("off +x", 0.0),
        ("off toward the sun", 90.0),
        ("off −y, right", -45.0),
        ("off 2 o'clock", 30.0),
        ("off 10:30 o’clock", 135.0),
    ],
)
def test_a_spot_off_the_card_has_a_state_and_a_way_of_its_own(state, degrees):
    for text in (f'facet,x_mm,y_mm,state\nA1,,,"{state}"\n', f'facet,x_mm,y_mm\nA1,"{state}",\n'):
        _, (spot,), problems = read_spots("seen.csv", text)
        assert problems == []
        assert spot.state == "off"
        assert spot.x is None
        assert spot.way == (None if degrees is None else pytest.approx(math.radians(degrees)))


def test_a_column_of_units_needs_none_in_its_head():
    text = "time;water;ghi\n10:30;68 °F;0,8 kW/m²\n10:40;30 °C;900 W/m²\n"
    rows, problems = read_record("seen.csv", text)
    assert problems == []
    assert [r.water for r in rows] == pytest.approx([293.15, 303.15])
    assert [r.ghi for r in rows] == pytest.approx([800.0, 900.0])
    assert 'column "water": no unit' in str(read_record("r.csv", text.replace(" °F", ""))[1][0])


def test_a_table_without_columns_of_its_own_is_told_what_a_header_is():
    for text in ("A1,1,2\n", "facet|x_mm|y_mm\nA1|1|2\n"):
        told = str(read_spots("seen.csv", text, said=[])[2][-1])
        assert 'no column "facet"' in told
        assert "The first row names them, with commas, semicolons or tabs" in told


def test_bytes_that_are_no_text_are_refused_with_a_mend():
    for data in (b"PK\x03\x04rest", b"\x00\x01\x02\x03", b"x\x81y"):
        with pytest.raises(ValueError, match="Save"):
            decoded(data)
