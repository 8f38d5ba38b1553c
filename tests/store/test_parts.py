"""Finished parts: whatever stops the writing, what was finished stays, and nothing else."""

import contextlib
import errno
import json
import os
import signal
import sqlite3
import struct
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from store.test_results import Nothing

from raytrace import load_scenario
from raytrace.exceptions import StoreError
from raytrace.store import parts as store_parts
from raytrace.store.fingerprint import differing, fingerprint
from raytrace.store.parts import Parts, differences_of_parts, parts_of
from raytrace.store.places import place_of
from raytrace.store.results import write_result

KIND = "compare"
STUDY = {"kind": KIND, "plan": {"seed": 1, "beams": 4}}
OTHER = {"kind": KIND, "plan": {"seed": 2, "beams": 4}}


def part(k):
    rng = np.random.default_rng(k)
    return {
        "watts": rng.normal(size=(3, 4)),
        "name": f"design {k}",
        "k": k,
        "why": None,
        "ok": True,
    }


def same(a, b):
    assert a.keys() == b.keys()
    for key in a:
        if isinstance(a[key], np.ndarray):
            assert a[key].dtype == b[key].dtype
            assert a[key].shape == b[key].shape
            assert a[key].tobytes() == b[key].tobytes()
        else:
            assert a[key] == b[key]
            assert type(a[key]) is type(b[key])


def fill(path, count):
    with Parts(path, STUDY) as parts:
        for k in range(count):
            parts.add(f"{k}", part(k))


def test_parts_come_back_in_order_and_to_the_bit(tmp_path):
    path = tmp_path / "new" / "a.parts"
    fill(path, 5)
    with Parts(path, STUDY) as parts:
        assert list(parts.done) == ["0", "1", "2", "3", "4"]
        assert "3" in parts.done
        assert "5" not in parts.done
        for k in range(5):
            same(parts.done[f"{k}"], part(k))


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    bits=hnp.arrays(np.uint64, hnp.array_shapes(min_dims=0, max_dims=3, min_side=0)),
    number=st.floats(allow_nan=False),
    text=st.text(st.characters(exclude_categories=["Cs"])),
)
def test_any_bits_any_text_come_back(tmp_path, bits, number, text):
    """Arrays of any bit pattern (nan payloads, subnormals, signed zeros), any float, any text."""
    path = tmp_path / "bits.parts"
    with Parts(path, STUDY, overwrite=True) as parts:
        parts.add(text, {"x": bits.view(np.float64), "number": number, "text": text})
        got = parts.done[text]
    with Parts(path, STUDY) as parts:
        for back in (got, parts.done[text]):
            assert back["x"].tobytes() == bits.tobytes()
            assert struct.pack("d", back["number"]) == struct.pack("d", number)
            assert back["text"] == text


def test_every_kind_of_array_is_kept_by_its_type(tmp_path):
    values = {
        "bool": np.array([True, False]),
        "whole": np.arange(3, dtype=np.int32),
        "big": np.arange(3, dtype=">f8"),
        "fortran": np.asfortranarray(np.arange(6.0).reshape(2, 3)),
        "text": np.array(["Hof", "Öland"]),
        "time": np.array(["2026-03-20T10:00"], dtype="datetime64[s]"),
        "scalar": np.float32(0.1),
    }
    with Parts(tmp_path / "a.parts", STUDY) as parts:
        parts.add("all", values)
    with Parts(tmp_path / "a.parts", STUDY) as parts:
        back = parts.done["all"]
    for name, value in values.items():
        np.testing.assert_array_equal(back[name], value)
        assert back[name].dtype == np.asarray(value).dtype.newbyteorder("<")
    with (
        Parts(tmp_path / "a.parts", STUDY) as parts,
        pytest.raises(TypeError, match="can't keep"),
    ):
        parts.add("odd", {"x": np.array([object()])})


def test_a_part_that_is_added_again_replaces_the_first(tmp_path):
    fill(tmp_path / "a.parts", 2)
    with Parts(tmp_path / "a.parts", STUDY) as parts:
        parts.add("0", {"x": 1.0})
    with Parts(tmp_path / "a.parts", STUDY) as parts:
        assert list(parts.done) == ["0", "1"]
        assert parts.done["0"] == {"x": 1.0}


def test_a_full_disk_is_told_and_what_is_there_stays_good(tmp_path):
    """SQLite's own limit on its pages ends as a full disk does."""
    path = tmp_path / "a.parts"
    fill(path, 2)
    big = {"x": np.random.default_rng(1).random(3000)}
    with Parts(path, STUDY) as parts:
        (pages,) = parts._data.execute("PRAGMA page_count").fetchone()
        parts._data.execute(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(StoreError, match=r"a\.parts: can't be written: the disk is full"):
            parts.add("2", big)
        assert list(parts.done) == ["0", "1"]
        parts._data.execute("PRAGMA max_page_count = 10000")  # room has been made
        parts.add("2", big)
    with Parts(path, STUDY) as parts:
        assert parts.lost == ""
        same(parts.done["1"], part(1))
        same(parts.done["2"], big)


LIMITED = """
import resource, sys
import numpy as np
from raytrace.store.parts import Parts
resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))
with Parts(sys.argv[1], {"kind": "compare"}) as parts:
    for k in range(100):
        parts.add(str(k), {"x": np.random.default_rng(k).random(200)})
"""


def test_a_file_that_the_system_lets_grow_no_further_is_told(tmp_path):
    """A limit set by the system cuts the last write short, as a full disk does."""
    pytest.importorskip("resource")
    path = tmp_path / "a.parts"
    command = [sys.executable, "-c", LIMITED, str(path)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 1
    assert "a.parts: can't be written" in done.stderr.splitlines()[-1]
    with Parts(path, {"kind": "compare"}) as parts:
        assert parts.lost == ""
        assert list(parts.done) == [str(k) for k in range(len(parts.done))]
        np.testing.assert_array_equal(parts.done["7"]["x"], np.random.default_rng(7).random(200))
    assert path.stat().st_size <= 60_000


def test_a_folder_that_takes_no_files_is_told(tmp_path):
    """A step needs a file beside: where the folder takes none, SQLite can't open it."""
    path = tmp_path / "a.parts"
    with Parts(path, STUDY) as parts:
        (tmp_path / "a.parts-journal").mkdir()  # where that file would be
        with pytest.raises(StoreError, match=r"a\.parts: can't be written: .*-o"):
            parts.add("0", part(0))
        (tmp_path / "a.parts-journal").rmdir()
        parts.add("0", part(0))
    (tmp_path / "wall").write_text("a file, not a folder")
    with pytest.raises(StoreError, match="is a file, not a folder"):
        Parts(tmp_path / "wall" / "a.parts", STUDY)


WRITER = """
import sys
import numpy as np
from raytrace.store.parts import Parts
with Parts(sys.argv[1], {"kind": "compare"}) as parts:
    for k in range(len(parts.done), 10_000):
        parts.add(str(k), {"x": np.full(200, k / 7.0)})
        print(k, flush=True)
"""


def test_a_killed_writer_loses_nothing_that_it_had_reported(tmp_path):
    """kill -9 in the middle, three times over; each next run goes on where the last one stopped."""
    path, reported = tmp_path / "a.parts", -1
    for _ in range(3):
        command = [sys.executable, "-c", WRITER, str(path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            for _ in range(30):
                reported = int(writer.stdout.readline())
            writer.send_signal(signal.SIGKILL)
            left = writer.stdout.read().split()
        reported = int(left[-1]) if left else reported
        with Parts(path, {"kind": KIND}) as parts:
            assert parts.lost == ""
            assert list(parts.done) == [str(k) for k in range(len(parts.done))]
            assert reported + 1 <= len(parts.done) <= reported + 2
            for k, got in enumerate(parts.done.values()):
                np.testing.assert_array_equal(got["x"], np.full(200, k / 7.0))


def test_a_step_that_a_power_cut_tore_is_taken_back(tmp_path):
    """Half of a step is in the file, and beside it what takes it back."""
    path, torn = tmp_path / "a.parts", tmp_path / "torn" / "a.parts"
    torn.parent.mkdir()
    fill(path, 2)
    before = path.read_bytes()
    with contextlib.closing(sqlite3.connect(path)) as data:
        data.execute("PRAGMA cache_size = 1")  # pages go to disk before the step is finished
        data.execute("UPDATE part SET packed = zeroblob(9000), checksum = 0")
        data.execute("INSERT INTO part (packed) VALUES (zeroblob(90000))")
        torn.write_bytes(path.read_bytes())
        beside = "a.parts-journal"
        torn.with_name(beside).write_bytes(path.with_name(beside).read_bytes())
        data.rollback()
    assert torn.read_bytes() != before
    with Parts(torn, STUDY) as parts:
        assert parts.lost == ""
        assert list(parts.done) == ["0", "1"]
        same(parts.done["1"], part(1))


def test_two_processes_do_not_write_the_same_file(tmp_path):
    path = tmp_path / "a.parts"
    command = [sys.executable, "-c", WRITER, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        writer.stdout.readline()
        for overwrite in (False, True):
            with pytest.raises(StoreError, match="another process is writing"):
                Parts(path, {"kind": KIND}, overwrite=overwrite)
        # what it is of can be asked meanwhile
        assert differences_of_parts(path, {"kind": KIND}) == []
        writer.kill()
        writer.stdout.read()
    Parts(path, {"kind": KIND}).close()


def test_without_locks_a_second_writer_is_noticed_and_not_harmed(tmp_path, monkeypatch):
    monkeypatch.setattr(store_parts, "Lock", contextlib.nullcontext)
    monkeypatch.setattr(store_parts, "PATIENCE", 0.0)
    path = tmp_path / "a.parts"
    with Parts(path, STUDY) as one, Parts(path, STUDY) as other:
        other.add("0", part(0))
        with pytest.raises(StoreError, match="has been removed or replaced meanwhile"):
            one.add("1", part(1))
        with contextlib.closing(sqlite3.connect(path)) as data:
            data.execute("BEGIN IMMEDIATE")  # in the middle of a step
            with pytest.raises(StoreError, match="another process is writing"):
                other.add("1", part(1))
    with Parts(path, STUDY) as parts:
        assert list(parts.done) == ["0"]


def test_a_file_that_was_removed_or_replaced_meanwhile_is_noticed(tmp_path):
    path = tmp_path / "a.parts"
    with Parts(path, STUDY) as parts:
        path.unlink()
        with pytest.raises(StoreError, match="has been removed or replaced meanwhile"):
            parts.add("0", part(0))
        with sqlite3.connect(path) as data:
            data.execute("CREATE TABLE part (packed, checksum)")
        with pytest.raises(StoreError, match="has been removed or replaced meanwhile"):
            parts.add("0", part(0))


def test_another_study_is_not_continued_and_the_message_says_why(tmp_path):
    path = tmp_path / "a.parts"
    fill(path, 1)
    before = path.read_bytes()
    with pytest.raises(StoreError, match=r"seed: 1 there, 2 now.*--overwrite"):
        Parts(path, OTHER)
    with pytest.raises(StoreError, match="of cooker compare there, of cooker season now"):
        Parts(path, {**STUDY, "kind": "season"})
    assert differences_of_parts(path, OTHER) == ["seed: 1 there, 2 now"]
    assert differences_of_parts(path, STUDY) == []
    assert path.read_bytes() == before
    with Parts(path, OTHER, overwrite=True) as parts:
        assert parts.done == {}


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_strangers_file_is_left_alone(tmp_path, overwrite):
    path, theirs = tmp_path / "letter.parts", tmp_path / "theirs.parts"
    path.write_text("Dear diary\n")
    with contextlib.closing(sqlite3.connect(theirs)) as data:
        data.execute("CREATE TABLE part (packed, checksum)")
    for file in (path, theirs):
        before = file.read_bytes()
        with pytest.raises(StoreError, match="left alone"):
            Parts(file, STUDY, overwrite=overwrite)
        assert file.read_bytes() == before
    with pytest.raises(StoreError, match="is a folder"):
        Parts(tmp_path, STUDY)


def test_what_an_earlier_version_left_is_refused_and_gone_with_overwrite(tmp_path):
    """It kept lines of JSON under another ending."""
    old = tmp_path / "a.journal"
    old.write_text('0123abcd {"cooker-parts":2,"kind":"season"}\n')
    with pytest.raises(StoreError, match=r"a\.journal: .* an earlier version.*--overwrite"):
        Parts(tmp_path / "a.parts", STUDY)
    assert [p.name for p in tmp_path.iterdir()] == ["a.journal"]
    Parts(tmp_path / "a.parts", STUDY, overwrite=True).close()
    assert not old.exists()
    old.write_text("Dear diary\n")
    Parts(tmp_path / "a.parts", STUDY, overwrite=True).close()
    assert old.read_text() == "Dear diary\n"


def test_results_go_where_nothing_is_lost(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    place = place_of(None, "hof", STUDY)
    assert str(place) == os.path.join("results", "hof.h5")
    fill(parts_of(place), 1)
    assert place_of(None, "hof", STUDY) == place
    assert place_of(None, "hof", OTHER).name == "hof-run2.h5"
    parts_of(place).unlink()
    write_result(place, Nothing(), KIND, STUDY)  # finished
    assert place_of(None, "hof", STUDY) == place
    assert place_of(None, "hof", OTHER).name == "hof-run2.h5"
    assert place_of(None, "hof", OTHER, overwrite=True) == place
    place.write_bytes(b"somebody's")
    for overwrite in (False, True):
        assert place_of(None, "hof", STUDY, overwrite=overwrite).name == "hof-run2.h5"


def test_a_name_that_is_given_is_kept_or_refused(tmp_path):
    assert place_of(tmp_path / "mine", "hof", STUDY) == tmp_path / "mine.h5"
    with pytest.raises(StoreError, match="is a folder"):
        place_of(tmp_path, "hof", STUDY)
    with pytest.raises(StoreError, match=r"ends in \.h5"):
        place_of(tmp_path / "a.txt", "hof", STUDY)
    letter = tmp_path / "letter.h5"
    letter.write_text("Dear diary")
    for overwrite in (False, True):
        with pytest.raises(StoreError, match="left alone"):
            place_of(letter, "hof", STUDY, overwrite=overwrite)
    write_result(tmp_path / "old.h5", Nothing(), "season", {"kind": "season"})
    with pytest.raises(StoreError, match=r"of cooker season there, of cooker compare now.*--over"):
        place_of(tmp_path / "old.h5", "hof", STUDY)
    assert place_of(tmp_path / "old.h5", "hof", STUDY, overwrite=True).name == "old.h5"


def test_a_fingerprint_says_all_that_decides_and_what_has_changed():
    scenario = load_scenario("scenarios/courtyard.toml", ["errors.setting=2 mrad"])
    said = fingerprint("season", [scenario], {"levels": (1, 2)}, dates=["2026-03-20"])
    assert said == json.loads(json.dumps(said))
    assert said["scenarios"][0]["overrides"] == ["errors.setting=2 mrad"]
    assert said["plan"] == {"levels": [1, 2]}
    assert said["dates"] == ["2026-03-20"]
    other = scenario.varied(["errors.setting=3 mrad"])
    for scenarios, plan, found in (
        ([other], {"levels": (1, 2)}, "set over courtyard.toml: errors.setting=2 mrad there, "),
        ([scenario, other], {"levels": (1, 2)}, "scenario: courtyard.toml there, courtyard.toml, "),
        ([scenario], {"levels": (1, 3)}, "levels: 1, 2 there, 1, 3 now"),
        ([scenario], {"levels": tuple(range(99))}, "changed since: levels"),
    ):
        (one,) = differing(said, fingerprint("season", scenarios, plan, dates=["2026-03-20"]))
        assert one.startswith(found)


def test_results_are_replaced_in_one_step(tmp_path, monkeypatch):
    path = tmp_path / "a.h5"
    write_result(path, Nothing(), KIND, STUDY)
    before = path.read_bytes()

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="the disk is full"):
        write_result(path, Nothing(), KIND, OTHER)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]
