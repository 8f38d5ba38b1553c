"""Spots by photograph: from pictures of known truth to what `cooker spots` says of them."""

from __future__ import annotations

import csv
import datetime as dt
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pictures import flaws
from typer.testing import CliRunner

from raytrace.camera import vision
from raytrace.camera.finding import FlatCard
from raytrace.cli import app
from raytrace.exceptions import SettingsError
from raytrace.reports.bench import photo_figures
from raytrace.reports.bench.photo import photo_sentences
from raytrace.reports.common.units import using
from raytrace.scenario.loading import load_scenario
from raytrace.studies.bench.picture_names import facets_named, pictures_of
from raytrace.studies.bench.set_log import Entry, SetLog
from raytrace.studies.bench.spots import spots
from raytrace.studies.bench.spots_by_photo import (
    Shot,
    facet_meant,
    gather,
    in_turn,
    log_entries,
    wanted_of,
)
from raytrace.studies.bench.spots_data import SpotsPlan

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = SCENARIOS / "courtyard.toml"
TRUTH = {"A1": (0.005, -0.003), "C5": (0.071, 0.030)}  # C5 was knocked [m]


@pytest.fixture(scope="module")
def courtyard():
    return load_scenario(COURTYARD)


@pytest.fixture(scope="module")
def wanted(courtyard):
    return wanted_of(courtyard)


def photo(*arguments):
    return CliRunner().invoke(app, ["photo", str(COURTYARD), *map(str, arguments)])


@pytest.fixture(scope="module")
def pictures(wanted, tmp_path_factory):
    """One by its name, one by its tag; one of nothing, one that is no picture."""
    pytest.importorskip("cv2")
    from camera.rendered import Blob, Scene, render
    from PIL import Image

    folder = tmp_path_factory.mktemp("pictures")
    scene = Scene(wanted.layout, width=800, height=600, distance=0.40, focal=0.8)
    tagged = ((wanted.layout.tags["C5"], 0.0, -0.155),)
    for name, facet, tags, turn in (
        ("facet A1 first.jpg", "A1", (), 0.0),
        ("IMG_0042.jpg", "C5", tagged, 40.0),
    ):
        shown = replace(scene, blobs=(Blob(TRUTH[facet]),), tags=tags, side=turn, roll=turn)
        (folder / name).write_bytes(render(shown))
    Image.radial_gradient("L").convert("RGB").save(folder / "B4.jpg")
    (folder / "E1.jpg").write_bytes(b"no picture at all")
    (folder / "notes.txt").write_text("the glue was slow")
    return folder


@pytest.fixture(scope="module")
def told(pictures, tmp_path_factory):
    """What the command says and writes of them, run once."""
    results = tmp_path_factory.mktemp("results")
    table, log = results / "seen.csv", results / "set.csv"
    run = photo(pictures, "-o", table, "--log", log, "--json", "--figures", results)
    return run, table, log


def test_spots_lie_where_they_were_put(told):
    """A millimetre at most, and within the stated errors: five standard errors of an axis."""
    run, table, _ = told
    rows = {row["facet"]: row for row in _rows(table)}
    assert set(rows) == set(TRUTH)
    for facet, row in rows.items():
        off = np.array([float(row["x_mm"]), float(row["y_mm"])]) - 1e3 * np.array(TRUTH[facet])
        assert np.hypot(*off) < 1.0
        assert np.abs(off).max() < 5.0 * float(row["sigma_mm"])
    for spot in json.loads(run.stdout)["spots"]:
        assert np.allclose(spot["place"], TRUTH[spot["facet"]], rtol=0.0, atol=1e-3)


def test_what_is_not_read_is_said_with_its_reason_and_the_code(told):
    run, table, log = told
    assert run.exit_code == 1
    told_ = json.loads(run.stdout)
    unread = {bad["picture"]: bad["why"] for bad in told_["unread"]}
    assert set(unread) == {"B4.jpg", "E1.jpg"}
    assert "no card" in unread["B4.jpg"]
    assert "Traceback" not in run.stderr
    said = told_["sentences"]
    assert said[0].startswith("2 of 54 facets read, their spots to 0.")
    assert said[0].endswith("or better; 2 pictures can't be read.")
    assert any("notes.txt" in sentence for sentence in said)
    assert len(told_["missing"]) == 52
    assert "# not read: B4.jpg" in table.read_text(encoding="utf-8")
    assert {row["facet"] for row in _rows(log)} == set(TRUTH)
    (sheet,) = table.parent.glob("*.png")
    assert sheet.stat().st_size > 50_000


def test_spots_finds_the_facet_that_is_off(told, courtyard):
    """The way to the end: the knocked one is what redoing wins most by."""
    _, table, _ = told
    quick = SpotsPlan(beams=2, replicates=4, builds=2, readings=8)
    found = spots(courtyard, quick, measured=table)
    assert found.labels[int(np.nanargmax(found.redo.off))] == "C5"
    assert found.labels[int(np.argmax(found.redo.gain.value))] == "C5"


def _rows(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


# --- whose spot it is ----------------------------------------------------------------------------


def test_a_name_that_could_be_two_facets_is_no_name(wanted):
    assert facets_named("A1 or B2", wanted.labels) == ("A1", "B2")
    assert facets_named("PXL_20260301_101112", wanted.labels) == ()
    assert facet_meant(["A1", "B2"])[0] is None
    assert facet_meant(["A1", "B2"], due="B2")[0] == "B2"
    assert facet_meant(["A1"], due="B2")[0] is None
    assert facet_meant([], tag="C3", due="B2")[0] is None
    assert facet_meant([], tag="C3")[0] == "C3"
    assert "Name it so" in facet_meant([])[1]


def shot(picture, facet=None, x=0.0, **more):
    place, sigma = (None, None) if "why" in more else (np.array([x, 0.0]), np.full(2, 4e-4))
    return Shot(picture, facet=facet, place=place, sigma=sigma, **more)


def at(hour, minute=0):
    return dt.datetime(2026, 3, 1, hour, minute)


def test_of_several_pictures_the_last_counts(wanted):
    by_name = [shot("A1 10.jpg", "A1", 0.01), shot("A1 9.jpg", "A1", 0.02)]
    assert gather(wanted, by_name).last["A1"].picture == "A1 10.jpg"
    by_clock = [replace(s, taken=at(k)) for k, s in zip((8, 9), by_name, strict=True)]
    found = gather(wanted, by_clock)
    assert found.last["A1"].picture == "A1 9.jpg"
    assert any("A1 has 2 pictures" in sentence for sentence in photo_sentences(found))


def test_a_facet_whose_last_picture_cannot_be_read_is_not_read(wanted):
    """It may have been turned since the one before."""
    found = gather(wanted, [shot("A1 1.jpg", "A1"), shot("A1 2.jpg", "A1", why="blurred.")])
    assert found.last == {}
    assert "A1" in found.missing
    assert any("A1 counts as not read" in sentence for sentence in photo_sentences(found))


def test_an_order_that_has_slipped_is_not_trusted(wanted):
    """One tag out of turn, or a clock that contradicts the names: only tags are believed."""
    turns = [shot(f"{k}.jpg", f, due=f, taken=at(k)) for k, f in enumerate(("A1", "A2", "A3"), 1)]
    assert list(gather(wanted, turns).last) == ["A1", "A2", "A3"]
    slipped = [*turns[:2], shot("3.jpg", tag="A2", due="A3", why="the tag in it is of A2 …")]
    found = gather(wanted, slipped)
    assert found.last == {}
    assert all("slipped" in s.why for s in found.unread[:2])
    swapped = [replace(turns[0], taken=at(5)), *turns[1:]]
    assert all("not certain" in s.why for s in gather(wanted, swapped).unread)


def test_in_order_asks_for_one_picture_of_each_facet(wanted):
    here = int(wanted.present.sum())
    files = [Path(f"IMG_{k}.jpg") for k in range(here, 0, -1)]
    turns = in_turn(wanted, files)
    assert [path.name for path, _ in turns[:2]] == ["IMG_1.jpg", "IMG_2.jpg"]
    assert sorted(facet for _, facet in turns) == sorted(
        x for x, there in zip(wanted.labels, wanted.present, strict=True) if there
    )
    with pytest.raises(SettingsError, match=f"{here - 1} pictures and {here} facets"):
        in_turn(wanted, files[1:])


def test_a_log_gets_nothing_twice_and_nothing_stale(wanted):
    zone = dt.timezone(dt.timedelta(hours=-6))
    now = at(12).replace(tzinfo=zone)
    found = gather(wanted, [shot("A1.jpg", "A1", taken=at(9)), shot("B1.jpg", "B1", taken=at(8)),
                            shot("C1.jpg", "C1")])  # fmt: skip
    entries, said = log_entries(found, SetLog("base"), now)
    assert [(e.facet, e.time.hour) for e in entries] == [("B1", 8), ("A1", 9), ("C1", 12)]
    assert said == []
    again, said = log_entries(found, SetLog("base", tuple(entries)), now)
    assert again == []
    later = Entry(now, "B1", 0.0, 0.0, 1e-3)
    more, said = log_entries(found, SetLog("base", (later,)), now)
    assert [e.facet for e in more] == ["A1", "C1"]
    assert "B1" in said[0]


def test_the_contact_sheet_can_be_read(wanted, monkeypatch):
    """Long names, many words, two sheets, the longer units."""
    monkeypatch.setattr(photo_figures, "MOST", 4)
    flat = FlatCard(np.full((240, 240, 3), 200, np.uint8), 1.1e-3, 0.13)
    close = np.full((120, 120, 3), 90, np.uint8)
    why = "the card's markers lie 1.2 mm off where a flat card has them, each of them. Flatten it."
    name, between = "PXL_20260301_101112345.PORTRAIT.jpg", ((0.01, 0.02), (-0.05, 0.0))
    shots = [shot(name, x, flat=flat, close=close) for x in wanted.labels[:3]]
    shots += [shot(name, "B8", why=why), shot(name, "B9", why=why, flat=flat, places=between)]
    with using("us"):
        drawn = photo_figures.figures(gather(wanted, shots))
        assert list(drawn) == ["photo-1", "photo-2"]
        assert flaws(*drawn.values()) == []


# --- the command refuses -------------------------------------------------------------------------


def test_what_cannot_be_meant_is_refused(pictures, tmp_path, monkeypatch):
    for arguments, words in (
        ([tmp_path], "no picture in"),
        ([tmp_path / "*.jpg"], "no picture in"),
        ([pictures, "--in-order"], "4 pictures and 54 facets"),
        ([pictures, "--no-files", "--log", tmp_path / "log.csv"], "--no-files"),
    ):
        run = photo(*arguments)
        assert run.exit_code == 2
        assert words in " ".join(re.sub("[│╭╮╰╯─]", " ", run.output).split())
    assert list(tmp_path.iterdir()) == []


def test_without_the_extra_one_sentence_says_what_to_install(pictures, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "cv2", None)
    with pytest.raises(SettingsError, match=r"\.\[photo\]"):
        vision.vision()
    run = photo(pictures)
    assert run.exit_code == 2
    assert len(run.stderr.strip().splitlines()) == 1
    assert run.stdout == ""


def test_ctrl_c_keeps_what_is_read(pictures, tmp_path, monkeypatch):
    from raytrace.studies.bench import spots_by_photo

    def stop_after_one(wanted, path, due=None):
        if path.name != "B4.jpg":
            raise KeyboardInterrupt
        return shot(path.name, "B4")

    monkeypatch.setattr(spots_by_photo, "read_shot", stop_after_one)
    run = photo(pictures, "-o", tmp_path / "seen.csv", "--no-figures")
    assert run.exit_code == 130
    assert "Stopped after 1 of 4 pictures" in run.output
    assert [row["facet"] for row in _rows(tmp_path / "seen.csv")] == ["B4"]


def test_folders_globs_and_names_are_one_list(pictures, tmp_path):
    whole, empty, passed = pictures_of([pictures, pictures / "E1.jpg"])
    assert [p.name for p in whole] == [
        "B4.jpg", "E1.jpg", "facet A1 first.jpg", "IMG_0042.jpg",
    ]  # fmt: skip
    assert passed == ["notes.txt"]
    assert empty == []
    assert len(pictures_of([pictures / "*.jpg"])[0]) == 4
    assert pictures_of([tmp_path])[1] == [str(tmp_path)]
