"""Results files and finished parts with bytes changed: it is told, and nothing of it is used."""

from __future__ import annotations

import errno
import io
import os
import re
import shutil

import h5py
import numpy as np
import pytest

from raytrace import (
    Ask,
    ComparePlan,
    TolerancePlan,
    compare,
    load_scenario,
    read_factors,
    run_day,
    run_design,
    tolerance,
)
from raytrace.exceptions import StoreError
from raytrace.store import sealed as store_files
from raytrace.store.parts import Parts
from raytrace.store.results import read_result
from raytrace.store.sealed import add_array, is_ours, opened, put_in_place, refuse_strangers

SCENARIO = "scenarios/courtyard.toml"
STUDY = {"kind": "season", "plan": {"seed": 1}}
PLAN = TolerancePlan(levels=(0.0, 0.01), builds=8, further=False)
FEW = {"samples": 2000, "replicates": 4, "bins": 12}


@pytest.fixture(scope="module")
def scenario(pytestconfig):
    return load_scenario(pytestconfig.rootpath / SCENARIO)


def a_run(folder, scenario):
    run_design(scenario, path=folder / "run.h5", **FEW)
    return folder / "run.h5"


def a_study(folder, scenario):
    tolerance(scenario, PLAN, path=folder / "study.h5")
    return folder / "study.h5"


def a_comparison(folder, scenario):
    plan = ComparePlan(read_factors(scenario, ["facets.rows=3, 4"]), Ask(points=1, replicates=2))
    compare(scenario, plan, path=folder / "comparison.h5", workers=1)
    return folder / "comparison.h5"


@pytest.fixture(scope="module", params=[a_run, a_study, a_comparison])
def sound(request, tmp_path_factory, scenario):
    return request.param(tmp_path_factory.mktemp("sound"), scenario)


def damages(data, rng):
    """Bytes flipped all over the file, stretches of zeros, ends cut off."""
    size = len(data)
    tail = np.arange(size - store_files.SEALED, size)
    for at in [*rng.integers(0, size, 150), *range(0, 64), *tail[::4]]:
        spoilt = bytearray(data)
        spoilt[at] ^= 1 << int(rng.integers(8))
        yield bytes(spoilt)
    for at in rng.integers(0, size, 20):
        zeros = data[:at] + b"\0" * min(4096, size - at) + data[at + 4096 :]
        if zeros != data:
            yield zeros
    for at in rng.integers(0, size, 20):
        yield data[:at]
    yield data + b"more"


def test_any_change_of_a_results_file_is_told(sound, tmp_path):
    data, path = sound.read_bytes(), tmp_path / "spoilt.h5"
    for spoilt in damages(data, np.random.default_rng(7)):
        path.write_bytes(spoilt)
        with (
            pytest.raises(StoreError, match=r"damaged|not a results file|no such|version"),
            opened(path),
        ):
            pass
    path.write_bytes(data)
    with opened(path) as file:
        assert dict(file.attrs).items() >= store_files.OURS.items()


def test_nothing_damaged_is_gone_on_from(sound, scenario, tmp_path):
    """Whatever of it is spoilt: neither read nor continued, and left as it is."""
    path = tmp_path / "spoilt.h5"
    data = bytearray(sound.read_bytes())
    data[len(data) // 2] ^= 16
    path.write_bytes(data)
    for use in (
        lambda: read_result(path),
        lambda: run_design(scenario, path=path, **FEW),
        lambda: tolerance(scenario, PLAN, path=path),
    ):
        with pytest.raises(StoreError, match=r"damaged: its checksum.*--overwrite"):
            use()
    assert path.read_bytes() == bytes(data)
    assert [p.name for p in tmp_path.iterdir()] == ["spoilt.h5"]
    tolerance(scenario, PLAN, path=path, overwrite=True)
    assert read_result(path).plan == PLAN


def test_other_programs_notice_damaged_arrays_too(sound, tmp_path):
    """HDF5's own Fletcher checksum stands with every array of numbers, and h5py holds to it."""
    arrays = []
    with h5py.File(sound) as file:

        def note(name, item):
            empty = b"This is a netCDF dimension but not a netCDF variable"
            if item.attrs.get("NAME", b"").startswith(empty):
                return  # an axis without values
            if isinstance(item, h5py.Dataset) and item.ndim and item.dtype.kind in "biuf":
                assert item.fletcher32, name
                arrays.append((name, item.id.get_chunk_info(0).byte_offset))

        file.visititems(note)
    assert arrays
    for name, offset in arrays[:: max(len(arrays) // 8, 1)]:
        data = bytearray(sound.read_bytes())
        data[offset] ^= 1
        with h5py.File(io.BytesIO(data)) as file, pytest.raises(OSError, match="filter"):
            file[name][()]


@pytest.mark.parametrize("values", [np.arange(3.0), ["a", "b"], 5.0, np.zeros(0), [True, False]])
def test_any_array_is_kept(values):
    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        add_array(file, "x", values, "anything")
        back = file["x"].asstr()[()] if file["x"].dtype.kind == "O" else file["x"][()]
        np.testing.assert_array_equal(back, values)


def test_somebody_elses_files_are_never_replaced(sound, tmp_path):
    """HDF5 of another program, even one with an attribute of the same name, and any other file."""
    foreign = tmp_path / "foreign.h5"
    for attributes in ({}, {"kind": "season"}, {"kind": "mesh", "format": 2, "raytrace": "1"}):
        with h5py.File(foreign, "w") as file:
            file["x"] = np.arange(5)
            file.attrs.update(attributes)
        before = foreign.read_bytes()
        with pytest.raises(StoreError, match="left alone"):
            put_in_place(foreign, io.BytesIO(b"anything"))
        assert foreign.read_bytes() == before
    foreign.write_bytes(b"PK\3\4")
    with pytest.raises(StoreError, match="left alone"):
        refuse_strangers(foreign)
    foreign.write_bytes(b"")  # holds nothing that could be lost
    refuse_strangers(foreign)
    # what is ours is known by its seal, whatever else is damaged
    foreign.write_bytes(b"\0" * 4096 + sound.read_bytes()[4096:])
    assert is_ours(foreign)


def noise(k):
    """Numbers that don't pack."""
    return np.random.default_rng(k).random(50)


def filled(path, count):
    with Parts(path, STUDY, overwrite=True) as parts:
        for k in range(count):
            parts.add(f"{k}", {"x": noise(k)})
    return path.read_bytes()


def assert_sound(parts):
    for name, part in parts.done.items():
        np.testing.assert_array_equal(part["x"], noise(int(name)))


def test_a_spoilt_part_alone_is_lost_and_told(tmp_path):
    path = tmp_path / "a.parts"
    whole = filled(path, 20)
    at = whole.index(b'"part":"7"') + 60
    path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
    with Parts(path, STUDY) as parts:
        assert list(parts.done) == [f"{k}" for k in range(20) if k != 7]
        assert "1 of 20 finished parts are damaged: what stood there is computed" in parts.lost
        assert_sound(parts)
    with Parts(path, STUDY) as parts:
        assert (len(parts.done), parts.lost) == (19, "")


def test_no_flipped_byte_cut_or_zeroed_page_goes_unnoticed_into_a_part(tmp_path):
    """What is read is as it was written; what isn't is told, or was no part's."""
    path, rng = tmp_path / "a.parts", np.random.default_rng(3)
    whole, refused, told, others = filled(path, 40), 0, 0, []
    spoils = [whole[:at] + bytes([whole[at] ^ 1 << int(rng.integers(8))]) + whole[at + 1 :]
              for at in [*range(100), *rng.integers(0, len(whole), 200)]]  # fmt: skip
    spoils += [whole[: rng.integers(1, len(whole))] for _ in range(20)]
    spoils += [whole[:at] + b"\0" * 4096 + whole[at + 4096 :] for at in range(0, len(whole), 4096)]
    for spoilt in spoils:
        path.write_bytes(spoilt)
        try:
            parts = Parts(path, STUDY)
        except StoreError as error:
            refused += 1
            others += [] if re.search(r"damaged.*--overwrite|left alone", str(error)) else [error]
            continue
        with parts:
            assert_sound(parts)
            assert len(parts.done) == 40 or parts.lost
            told += bool(parts.lost)
            parts.add("40", {"x": noise(40)})
        with Parts(path, STUDY) as parts:
            assert parts.lost == ""
            assert "40" in parts.done
    assert others == []
    assert refused > 10
    assert told > 100


def test_a_file_that_cannot_be_read_any_more_is_replaced_with_overwrite(tmp_path):
    path = tmp_path / "a.parts"
    whole = filled(path, 3)
    path.write_bytes(whole[:100] + b"\xff" * (len(whole) - 100))
    with pytest.raises(StoreError, match=r"a\.parts: damaged \(.*--overwrite"):
        Parts(path, STUDY)
    with Parts(path, STUDY, overwrite=True) as parts:
        assert parts.done == {}
        parts.add("0", {"x": 1.0})


def test_starting_over_keeps_the_old_parts_until_the_new_file_is_there(tmp_path, monkeypatch):
    path = tmp_path / "a.parts"
    before = filled(path, 1)

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    other = {"kind": "season", "plan": {"seed": 2}}
    with monkeypatch.context() as patch:
        patch.setattr("os.fsync", full)
        with pytest.raises(StoreError, match=r"disk is full.*unchanged"):
            Parts(path, other, overwrite=True)
        assert path.read_bytes() == before
        with pytest.raises(StoreError, match="disk is full"):
            Parts(tmp_path / "new.parts", other)
    assert [p.name for p in tmp_path.iterdir()] == ["a.parts"]


def test_a_results_folder_that_vanishes_is_told(tmp_path, scenario):
    folder = tmp_path / "results"

    def vanish(done, total):
        if done == 1:
            shutil.rmtree(folder)

    with pytest.raises(StoreError, match=r"day\.parts: has been removed or replaced"):
        run_day(scenario, "2026-03-20", 4 * 3600.0, path=folder / "day.h5", progress=vanish, **FEW)
