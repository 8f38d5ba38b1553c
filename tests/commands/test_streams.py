"""Output in any surroundings: shown, never obeyed, never lost in a traceback."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from raytrace.cli import app
from raytrace.csv_text import csv_text
from raytrace.reports.common.page import stacked
from raytrace.reports.common.style import heading, save
from raytrace.scenario.loading import load_scenario
from raytrace.scenario.tables import read_places
from raytrace.studies.trace.run import run_design
from raytrace.texts import one_line, visible

ROOT = Path(__file__).resolve().parents[2]
COURTYARD = ROOT / "scenarios" / "courtyard.toml"
OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
posix = pytest.mark.skipif(os.name != "posix", reason="/dev/full and closed pipes are POSIX's")

# a title that colours the terminal, sets its name, turns the line round, and is no formula
TITLE = "Red \x1b[31m$5 \x1b]0;mine\x07 and \u202e$\\frac{ \x9b2J, a $x^{2"
EVIL = TITLE.encode("unicode_escape").decode().replace("\\\\frac", "\\\\frac")


@pytest.fixture(scope="module")
def evil(tmp_path_factory):
    """The courtyard under a bad title, in a file named like a formula."""
    folder = tmp_path_factory.mktemp("evil")
    text = COURTYARD.read_text(encoding="utf-8")
    said = json.dumps(TITLE, ensure_ascii=True)
    text = re.sub(r"(?m)^title = .*$", lambda _: f"title = {said}", text, count=1)
    path = folder / "a$b_{c$.toml"
    path.write_text(text, encoding="utf-8")
    return path


def run(*arguments, env=None, **options):
    return subprocess.run(
        [sys.executable, "-m", "raytrace", *map(str, arguments)],
        env={**os.environ, "PYTHONPATH": str(ROOT), **(env or {})},
        check=False,
        stdin=subprocess.DEVNULL,
        **({"capture_output": True} | options),
    )


def test_what_is_obeyed_is_spelt_out():
    """Every control character and mark of direction of Unicode; letters of all scripts stay."""
    import unicodedata

    for code in range(sys.maxunicode + 1):
        character = chr(code)
        kind, direction = unicodedata.category(character), unicodedata.bidirectional(character)
        marks = direction in ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI", "BN")
        obeyed = kind in ("Cc", "Zl", "Zp") or (marks and kind == "Cf")
        if obeyed and character not in "\n\t\u200c\u200d" and code not in _UNSEEN:
            assert visible(character) != character, hex(code)
        if kind[0] in "LNS":
            assert visible(character) == character, hex(code)
    assert visible("a\x1b[0m\n\tß") == "a\\x1b[0m\n\tß"
    assert one_line(" a\n b\u2028c ") == "a b c"


# deprecated or for shorthand and music: no program obeys them
_UNSEEN = {*range(0x1BCA0, 0x1BCA4), *range(0x1D173, 0x1D17B)}


def test_terminal_and_files_show_a_bad_title(evil, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()
    result = runner.invoke(app, ["spots", str(evil), "-o", "spots.csv", "--figures", "svg"])
    assert result.exit_code == 0, result.output
    assert not OBEYED.search(result.output)
    assert "Red \\x1b[31m$5" in result.output
    text = (tmp_path / "spots.csv").read_text(encoding="utf-8")
    assert not OBEYED.search(text)
    assert "\\u202e$\\frac{" in text
    sheet = runner.invoke(app, ["sheet", str(evil), "-o", "sheet", "--wedges", "w.3mf"])
    assert sheet.exit_code == 0, sheet.output
    assert not OBEYED.search(sheet.output)
    for name in ("bench", "lists", "template"):
        pdf = PdfReader(tmp_path / "sheet" / f"a$b_{{c$-{name}.pdf")
        assert not OBEYED.search(pdf.pages[0].extract_text())
        assert not OBEYED.search(pdf.metadata.title)
    with zipfile.ZipFile(tmp_path / "w-1-of-4.3mf") as archive:
        assert archive.testzip() is None
    bad = runner.invoke(app, ["check", str(evil), "--set", "pot.\x1b[31mred=5"])
    assert bad.exit_code == 2
    assert not OBEYED.search(bad.output)


def test_figures_show_dollars(evil, tmp_path):
    run_ = run_design(load_scenario(evil), samples=1000, replicates=4)
    (axes,) = stacked(*heading(run_, run_.moments[0]), [2.0])
    figure = axes.figure
    save(figure, tmp_path / "figure.svg")
    shown = [text.get_text() for text in figure.texts]
    assert any("$5" in text and "\\x1b" in text for text in shown)
    assert not any(OBEYED.search(text) for text in shown)


def test_numbers_stay_and_formulas_are_defused():
    """A reader of CSV gets back every number; what a spreadsheet would compute, it gets as text."""
    rng = np.random.default_rng(11)
    numbers = [*map(float, rng.normal(0.0, 1e3, 20)), -1, "-2.5", "+3e-4", float("-inf")]
    words = ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "plain", "a=b", "=\t1", "\n=1"]
    text = csv_text(["value", "=name"], [[n, "x"] for n in numbers] + [[w, "x"] for w in words])
    head, *rows = csv.reader(io.StringIO(text))
    assert head == ["value", "'=name"]
    assert [float(r[0]) for r in rows[: len(numbers)]] == [float(n) for n in numbers]
    for (cell, _), word in zip(rows[len(numbers) :], words, strict=True):
        assert cell[0] not in "=+-@\t\r\n"
        assert cell.lstrip("'") == " ".join(word.split())
    notes = csv_text(["a"], [[1]], ["two\nlines\r=cmd"])
    assert notes.splitlines() == ["# two lines =cmd", "a", "1"]


def test_a_defused_label_is_read_back():
    text = csv_text(["label", "x_mm", "y_mm"], [["=A1", 5, 6], ["'tis", 200, 6]])
    places = read_places("places.csv", text)[0]
    assert [place.label for place in places] == ["=A1", "'tis"]


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "cp437", "shift_jis"])
def test_every_word_has_a_substitute(encoding):
    """All that the package can print, in encodings that lack most of it."""
    words = set("".join(p.read_text("utf-8") for p in (ROOT / "raytrace").rglob("*.py"))) - {
        "\ufffd"
    }
    lacking = [c for c in words if c.isprintable() and not _holds(encoding, c)]
    got = "".join(sorted(lacking)).encode(encoding, "cooker").decode(encoding)
    assert "?" not in got
    assert "Juárez ±5°".encode("ascii", "cooker") == b"Juarez +-5 deg"
    assert "名".encode("ascii", "cooker") == b"?"
    assert os.fsdecode(b"a\xff").encode(encoding, "cooker") == b"a\\xff"


def _holds(encoding, character):
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def test_a_terminal_of_the_last_century(evil):
    """Everything at once: no UTF-8, no width, a backend and threads that don't exist."""
    env = {
        "PYTHONIOENCODING": "ascii", "LC_ALL": "C", "COLUMNS": "0", "MPLBACKEND": "module://nowhere",
        "NUMBA_NUM_THREADS": "0",
    }  # fmt: skip
    done = run("check", evil, env=env)
    assert done.returncode == 0, done.stderr
    assert b"mirror area  0.54 m^2" in done.stdout
    assert b"Traceback" not in done.stderr
    assert b"NUMBA_NUM_THREADS=0 is no number of threads" in done.stderr


@posix
def test_a_disk_that_is_full_and_a_reader_who_leaves(evil):
    with open("/dev/full", "wb") as full:
        done = run("--help", capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 1
    assert b"The output can't be written: no space left" in done.stderr
    assert b"Traceback" not in done.stderr
    read, write = os.pipe()
    os.close(read)
    with open(write, "wb") as closed:
        done = run("check", evil, capture_output=False, stdout=closed, stderr=subprocess.PIPE)
    assert done.returncode == 141
    assert b"rror" not in done.stderr


def test_exit_codes_follow_one_rule(tmp_path, monkeypatch):
    """All commands alike: 2 for what can't be understood, as --help says."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bad.toml").write_text("title = 1")
    runner = CliRunner()
    assert "Exit codes: 0 done; 1" in runner.invoke(app, ["--help"]).output
    more = {"day": ["2026-05-15"], "record": ["seen.csv"], "search": ["--for", "watts"]}
    for name in ("trace", "check", "spots", "rig", "tolerance", "blame", "sheet", "window",
                 "efficiency", "season", "day", "record", "compare", "search"):  # fmt: skip
        for path in ("bad.toml", "none.toml"):
            result = runner.invoke(app, [name, path, *more.get(name, [])])
            assert result.exit_code == 2, (name, result.output)
            assert isinstance(result.exception, SystemExit)
        assert runner.invoke(app, [name, "bad.toml", "--no-such"]).exit_code == 2
    assert runner.invoke(app, ["show", "none.h5"]).exit_code == 2
