"""The journal of parts: whatever stops the writing, what was finished stays, and nothing else."""

import contextlib
import errno
import json
import os
import signal
import struct
import subprocess
import sys
import zlib

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from raytrace import load_scenario
from raytrace.exceptions import StoreError
from raytrace.store import parts as store_parts
from raytrace.store.parts import (
    PartsFile,
    Variable,
    journal_of,
    part_differences,
    place_of_parts,
    study_words,
    write_variables,
)

WORDS = {"plan": {"seed": 1, "beams": 4}, "scenario": 'title = "Hof"\n'}
KIND = "comparison"


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
    with PartsFile(path, KIND, WORDS) as journal:
        for k in range(count):
            journal.append(f"{k}", part(k))


def test_parts_come_back_in_order_and_to_the_bit(tmp_path):
    path = tmp_path / "new" / "a.journal"
    fill(path, 5)
    with PartsFile(path, KIND, WORDS) as journal:
        assert list(journal.parts()) == ["0", "1", "2", "3", "4"]
        assert "3" in journal
        assert "5" not in journal
        for k in range(5):
            same(journal.parts()[f"{k}"], part(k))


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
    path = tmp_path / "bits.journal"
    with PartsFile(path, KIND, WORDS, overwrite=True) as journal:
        journal.append(text, {"x": bits.view(np.float64), "number": number, "text": text})
        got = journal.parts()[text]
    with PartsFile(path, KIND, WORDS) as journal:
        for back in (got, journal.parts()[text]):
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
    with PartsFile(tmp_path / "a.journal", KIND, WORDS) as journal:
        journal.append("all", values)
    with PartsFile(tmp_path / "a.journal", KIND, WORDS) as journal:
        back = journal.parts()["all"]
    for name, value in values.items():
        np.testing.assert_array_equal(back[name], value)
        assert back[name].dtype == np.asarray(value).dtype.newbyteorder("<")
    with (
        PartsFile(tmp_path / "a.journal", KIND, WORDS) as journal,
        pytest.raises(TypeError, match="can't keep"),
    ):
        journal.append("odd", {"x": np.array([object()])})


def test_a_power_cut_at_any_byte_loses_the_torn_part_alone(tmp_path):
    """Cut after every byte: whole lines stay, the rest is dropped, and the work can go on."""
    path = tmp_path / "a.journal"
    with PartsFile(path, KIND, {}) as journal:
        journal.append("0", {"x": np.array(0.1)})
        journal.append("1", {"x": 0.1})
    whole = path.read_bytes()
    ends = [k + 1 for k, byte in enumerate(whole) if byte == ord("\n")]
    for cut in range(len(whole) + 1):
        path.write_bytes(whole[:cut])
        kept = max(sum(end <= cut for end in ends) - 1, 0)
        with PartsFile(path, KIND, {}) as journal:
            assert len(journal) == kept, cut
            if kept == 0:
                journal.append("0", {"x": np.array(0.1)})
            if kept < 2:
                journal.append("1", {"x": 0.1})
        assert path.read_bytes() == whole, cut


@pytest.mark.parametrize("junk", [b"\0" * 700, b"\0" * 100 + b"\n", b"deadbeef {}\n"])
def test_a_block_that_never_reached_the_disk_is_dropped(tmp_path, junk):
    """After a power cut a file's last block may be there in length but not in content."""
    path = tmp_path / "a.journal"
    fill(path, 2)
    whole = path.read_bytes()
    path.write_bytes(whole + junk)
    with PartsFile(path, KIND, WORDS) as journal:
        assert list(journal.parts()) == ["0", "1"]
        journal.append("2", part(2))
    with PartsFile(path, KIND, WORDS) as journal:
        assert list(journal.parts()) == ["0", "1", "2"]


def test_a_flipped_bit_costs_its_own_part_alone(tmp_path):
    path = tmp_path / "a.journal"
    fill(path, 3)
    lines = path.read_bytes().splitlines(keepends=True)
    for k in range(1, 4):
        spoilt = bytearray(lines[k])
        spoilt[40] ^= 1
        path.write_bytes(b"".join([*lines[:k], bytes(spoilt), *lines[k + 1 :]]))
        with PartsFile(path, KIND, WORDS) as journal:
            assert list(journal.parts()) == [n for n in ("0", "1", "2") if n != str(k - 1)]


def test_lines_carry_a_published_checksum(tmp_path):
    """CRC-32 of ISO 3309 (zlib's) in hex before each line's JSON, so that others can read it."""
    path = tmp_path / "a.journal"
    fill(path, 2)
    for line in path.read_bytes().splitlines():
        checksum, text = line.split(b" ", 1)
        assert int(checksum, 16) == zlib.crc32(text)
        json.loads(text)
    # check value of CRC-32 for the digits 1 to 9: catalogue of parametrised CRC algorithms,
    # "CRC-32/ISO-HDLC"
    assert zlib.crc32(b"123456789") == 0xCBF43926


class FullDisk:
    """A file that takes so many bytes more and then finds the disk full, as a real one does."""

    def __init__(self, file, room):
        self._file, self.room = file, room

    def write(self, data):
        if self.room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken = self._file.write(data[: self.room])
        self.room -= taken
        return taken

    def __getattr__(self, name):
        return getattr(self._file, name)


@pytest.mark.parametrize("room", [0, 1, 50, 200])
def test_a_full_disk_is_told_and_what_is_there_stays_good(tmp_path, room):
    path = tmp_path / "a.journal"
    fill(path, 2)
    before = path.read_bytes()
    with PartsFile(path, KIND, WORDS) as journal:
        real = journal._file
        journal._file = FullDisk(real, room)
        with pytest.raises(StoreError, match="the disk is full"):
            journal.append("2", part(2))
        assert "2" not in journal
        assert path.read_bytes() == before
        journal._file = real  # room has been made
        journal.append("2", part(2))
    with PartsFile(path, KIND, WORDS) as journal:
        same(journal.parts()["2"], part(2))


LIMITED = """
import resource, sys
import numpy as np
from raytrace.store.parts import PartsFile
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
with PartsFile(sys.argv[1], "comparison", {"seed": 1}) as journal:
    for k in range(100):
        journal.append(str(k), {"x": np.full(200, k / 7.0)})
"""


def test_a_file_that_the_system_lets_grow_no_further_is_told(tmp_path):
    """A limit set by the system cuts the last write short, as a full disk does."""
    pytest.importorskip("resource")
    path = tmp_path / "a.journal"
    command = [sys.executable, "-c", LIMITED, str(path)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 1
    assert "the disk takes no file of this size" in done.stderr
    assert path.read_bytes().endswith(b"\n")
    with PartsFile(path, KIND, {"seed": 1}) as journal:
        parts = journal.parts()
    assert list(parts) == [str(k) for k in range(len(parts))]
    size = path.stat().st_size
    assert size <= 20_000 < size + size / len(parts)  # one more would not have fitted
    np.testing.assert_array_equal(parts["7"]["x"], np.full(200, 1.0))


WRITER = """
import sys
import numpy as np
from raytrace.store.parts import PartsFile
with PartsFile(sys.argv[1], "comparison", {"seed": 1}) as journal:
    for k in range(len(journal), 10_000):
        journal.append(str(k), {"x": np.full(200, k / 7.0)})
        print(k, flush=True)
"""


def test_a_killed_writer_loses_nothing_that_it_had_reported(tmp_path):
    """kill -9 in the middle, three times over; each next run goes on where the last one stopped."""
    path, reported = tmp_path / "a.journal", -1
    for _ in range(3):
        command = [sys.executable, "-c", WRITER, str(path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            for _ in range(30):
                reported = int(writer.stdout.readline())
            writer.send_signal(signal.SIGKILL)
            left = writer.stdout.read().split()
        reported = int(left[-1]) if left else reported
        with PartsFile(path, KIND, {"seed": 1}) as journal:
            parts = journal.parts()
            assert list(parts) == [str(k) for k in range(len(parts))]
            assert reported + 1 <= len(parts) <= reported + 2
            for k in range(len(parts)):
                np.testing.assert_array_equal(parts[str(k)]["x"], np.full(200, k / 7.0))


def test_two_processes_do_not_write_the_same_journal(tmp_path):
    path = tmp_path / "a.journal"
    command = [sys.executable, "-c", WRITER, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        writer.stdout.readline()
        with pytest.raises(StoreError, match="another process is writing"):
            PartsFile(path, KIND, {"seed": 1})
        with pytest.raises(StoreError, match="another process is writing"):
            PartsFile(path, KIND, {"seed": 1}, overwrite=True)
        writer.kill()
        writer.stdout.read()
    PartsFile(path, KIND, {"seed": 1}).close()


def test_without_locks_a_second_writer_is_noticed_and_not_harmed(tmp_path, monkeypatch):
    monkeypatch.setattr(store_parts, "Lock", contextlib.nullcontext)
    path = tmp_path / "a.journal"
    with PartsFile(path, KIND, WORDS) as one, PartsFile(path, KIND, WORDS) as other:
        one.append("0", part(0))
        with pytest.raises(StoreError, match="something else has written"):
            other.append("1", part(1))
    with PartsFile(path, KIND, WORDS) as journal:
        assert list(journal.parts()) == ["0"]


def test_another_study_is_not_continued_and_the_message_says_why(tmp_path):
    path = tmp_path / "a.journal"
    fill(path, 1)
    before = path.read_bytes()
    changed = {**WORDS, "plan": {"seed": 2, "beams": 4}}
    with pytest.raises(StoreError, match=r"changed since: seed.*--overwrite"):
        PartsFile(path, KIND, changed)
    with pytest.raises(StoreError, match="a comparison there, a season now"):
        PartsFile(path, "season", WORDS)
    assert part_differences(path, KIND, changed) == ["changed since: seed"]
    assert part_differences(path, KIND, WORDS) == []
    assert path.read_bytes() == before
    with PartsFile(path, KIND, changed, overwrite=True) as journal:
        assert len(journal) == 0


@pytest.mark.parametrize("again", [False, True])
def test_a_strangers_file_is_left_alone(tmp_path, overwrite):
    path = tmp_path / "letter.journal"
    path.write_text("Dear diary\n")
    with pytest.raises(StoreError, match="left alone"):
        PartsFile(path, KIND, WORDS, overwrite=overwrite)
    assert path.read_text() == "Dear diary\n"
    with pytest.raises(StoreError, match="is a folder"):
        PartsFile(tmp_path, KIND, WORDS)


def test_results_go_where_nothing_is_lost(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    place = place_of_parts(None, "hof", KIND, WORDS)
    assert str(place) == os.path.join("results", "hof.h5")
    fill(journal_of(place), 1)
    assert place_of_parts(None, "hof", KIND, WORDS) == place
    assert place_of_parts(None, "hof", KIND, {"seed": 2}).name == "hof-run2.h5"
    journal_of(place).unlink()
    place.write_bytes(b"results alone")
    assert place_of_parts(None, "hof", KIND, WORDS).name == "hof-run2.h5"
    assert place_of_parts(tmp_path / "mine", "hof", KIND, WORDS) == tmp_path / "mine.h5"
    with pytest.raises(StoreError, match="is a folder"):
        place_of_parts(tmp_path, "hof", KIND, WORDS)
    (tmp_path / "letter.h5").write_text("Dear diary")
    for overwrite in (False, True):
        with pytest.raises(StoreError, match="left alone"):
            place_of_parts(tmp_path / "letter.h5", "hof", KIND, WORDS, overwrite=overwrite)
    write_variables(tmp_path / "old.h5", KIND, {"x": Variable(("t",), [1.0], "s", "time")}, {})
    with pytest.raises(StoreError, match="without their journal"):
        place_of_parts(tmp_path / "old.h5", "hof", KIND, WORDS)
    assert place_of_parts(tmp_path / "old.h5", "hof", KIND, WORDS, overwrite=True).name == "old.h5"


def test_words_of_a_study_say_all_that_decides():
    scenario = load_scenario("scenarios/courtyard.toml", ["errors.setting=2 mrad"])
    words = study_words(scenario, {"levels": (1, 2)}, dates=["2026-03-20"])
    assert words == json.loads(json.dumps(words))
    assert words["overrides"] == ["errors.setting=2 mrad"]
    assert words["plan"] == {"levels": [1, 2]}
    assert words["dates"] == ["2026-03-20"]


def test_results_open_in_xarray(tmp_path):
    xarray = pytest.importorskip("xarray")
    path = tmp_path / "a.h5"
    watts = np.arange(6.0).reshape(2, 3)
    variables = {
        "design": Variable(("design",), ["A", "Ö"], "", "name of the design"),
        "watts": Variable(("design", "replicate"), watts, "W", "power on the base"),
    }
    with PartsFile(tmp_path / "a.journal", KIND, WORDS) as journal:
        size = journal.finish(path, variables, {"title": "Hof"})
    assert size == path.stat().st_size
    with xarray.open_dataset(path, engine="h5netcdf") as data:
        assert data.watts.dims == ("design", "replicate")
        assert data.watts.attrs["units"] == "W"
        assert list(data.design.values) == ["A", "Ö"]
        np.testing.assert_array_equal(data.watts, watts)
        assert data.attrs["title"] == "Hof"
        assert json.loads(data.attrs["words"]) == WORDS


def test_results_are_replaced_in_one_step(tmp_path, monkeypatch):
    path = tmp_path / "a.h5"
    good = {"x": Variable(("t",), np.arange(3.0), "s", "time")}
    write_variables(path, KIND, good, {})
    before = path.read_bytes()

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="the disk is full"):
        write_variables(path, KIND, good, {"more": 1})
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]
    with pytest.raises(ValueError, match="along t"):
        write_variables(path, KIND, {**good, "y": Variable(("t",), np.zeros(4), "1", "odd")}, {})
