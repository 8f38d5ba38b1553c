"""Where compiled code is kept: never run if damaged, never read from where others may write."""

from __future__ import annotations

import os
import pickle
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from numba import config

import raytrace
from raytrace.exceptions import CookerWarning
from raytrace.kernels import compiled

posix = pytest.mark.skipif(not hasattr(os, "getuid"), reason="owners and modes are POSIX's")


@pytest.fixture
def base(tmp_path, monkeypatch):
    folder = tmp_path / "cache"
    monkeypatch.setattr(config, "CACHE_DIR", str(folder))
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(folder))  # put back what a test changes
    return folder


def aged(folder, *, marked):
    """Folder of another version that nobody has used for a year."""
    folder.mkdir(parents=True)
    (folder / "code.nbc").write_bytes(b"x")
    if marked:
        (folder / compiled.MARK).touch()
    for file in folder.iterdir():
        os.utime(file, (time.time() - 366 * 86400.0,) * 2)
    return folder


def test_only_folders_of_this_package_are_cleared(base):
    """Another program may name its folders alike; without our mark they stay."""
    strange = aged(base / "kernels-of-another-program", marked=False)
    ours = aged(base / "kernels-0123456789abcdef", marked=True)
    target = aged(base.parent / "elsewhere", marked=True)
    (base / "kernels-link").symlink_to(target)
    folder = compiled._cache_folder()
    assert folder.parent == base.resolve()
    assert (folder / compiled.MARK).exists()
    assert strange.exists()
    assert target.exists()
    assert not ours.exists()


@posix
def test_the_folder_is_the_users_alone(base):
    folder = compiled._cache_folder()
    assert folder.stat().st_mode & 0o777 == 0o700
    assert base.stat().st_mode & 0o777 == 0o700


@posix
def test_where_others_may_write_nothing_is_read_or_kept(base):
    base.mkdir()
    base.chmod(0o777)
    with pytest.warns(CookerWarning, match=r"others may write to .*temporary folder"):
        folder = compiled._cache_folder()
    assert base not in folder.parents
    assert os.environ["NUMBA_CACHE_DIR"] == str(folder.parent)
    assert not list(base.iterdir())
    base.chmod(0o1777)  # sticky, as /tmp: what is ours there can't be replaced by others
    assert compiled._cache_folder().parent == base.resolve()


@posix
def test_what_belongs_to_another_is_not_read(base, monkeypatch):
    base.mkdir()
    if os.getuid() == 0:
        os.chown(base, 4321, 4321)
    else:
        monkeypatch.setattr(os, "getuid", lambda: base.stat().st_uid + 1)
    with pytest.raises(OSError, match="belongs to somebody else"):
        compiled._own_folder(base / "below", "kernels-x")


@pytest.mark.parametrize("taken", ["cache", "kernels"])
def test_a_file_in_the_way_is_no_end(base, taken):
    name = compiled._cache_folder().name
    place = base if taken == "cache" else base / name
    subprocess.run(["rm", "-r", str(place)], check=True)
    place.write_text("somebody's file")
    with pytest.warns(CookerWarning, match="can't be kept"):
        folder = compiled._cache_folder()
    assert folder.is_dir()
    assert place.read_text() == "somebody's file"


def test_no_home_is_no_end(monkeypatch):
    monkeypatch.setattr(config, "CACHE_DIR", "~/.cache/of-nobody")
    monkeypatch.setenv("NUMBA_CACHE_DIR", "")
    with pytest.warns(CookerWarning, match="no home folder"):
        assert compiled._cache_folder().is_dir()


def test_damage_is_noticed_and_mended(tmp_path):
    """Any byte of index or code changed, or all cut off: as if nothing had been kept."""
    file = compiled._WholeFiles(str(tmp_path), "loop", "stamp")
    file.save("signature", {"code": bytes(range(256))})
    assert file.load("signature") == {"code": bytes(range(256))}
    for path in sorted(tmp_path.iterdir()):
        whole = path.read_bytes()
        for at in (0, 31, 32, 40, len(whole) // 2, len(whole) - 1):
            path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :])
            assert file.load("signature") is None
        for length in (0, 10, 32, len(whole) - 1):
            path.write_bytes(whole[:length])
            assert file.load("signature") is None
        file.save("signature", {"code": bytes(range(256))})
        assert file.load("signature") == {"code": bytes(range(256))}
    # numba's own reader would have run what stands there
    path.write_bytes(whole[32:])
    assert pickle.loads(whole[32:])
    assert file.load("signature") is None


def test_a_full_disk_only_costs_the_next_run_time(tmp_path, monkeypatch):
    file = compiled._WholeFiles(str(tmp_path), "loop", "stamp")

    def full(self, path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(compiled.IndexDataCacheFile, "_open_for_write", full)
    file.save("signature", "code")
    assert file.load("signature") is None


def test_kernels_are_kept_whole_and_used_again(tmp_path):
    """A kernel compiled in one process is loaded by the next, and compiled again once damaged."""
    code = (
        "from raytrace.kernels.random import mix as k\n"
        "import numpy as np\n"
        "k(np.uint64(1), np.uint64(2))\n"
        "print(sum(k.stats.cache_hits.values()), sum(k.stats.cache_misses.values()))\n"
    )

    here = Path(raytrace.__file__).parents[1]

    def run(place=here):
        env = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache"), "PYTHONPATH": ""}
        done = subprocess.run(
            [sys.executable, "-c", code],
            env=env,
            cwd=place,
            capture_output=True,
            text=True,
            check=True,
        )
        return tuple(map(int, done.stdout.split()))

    assert run() == (0, 1)
    assert run() == (1, 0)
    for path in (tmp_path / "cache").rglob("*.nb?"):
        path.write_bytes(path.read_bytes()[:100])
    assert run() == (0, 1)
    # a copy elsewhere, whose files are younger, is of the same sources until one is edited
    copy = tmp_path / "raytrace"
    shutil.copytree(here / "raytrace", copy, copy_function=shutil.copyfile)
    assert run(tmp_path) == (1, 0)
    with (copy / "kernels" / "random.py").open("a") as file:
        file.write("# edited\n")
    assert run(tmp_path) == (0, 1)
