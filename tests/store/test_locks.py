"""One writer for the results of a name: others are refused, a dead one stands in nobody's way."""

import os
import signal
import subprocess
import sys

import pytest

from raytrace.exceptions import StoreError
from raytrace.store import locks
from raytrace.store.locks import Lock

pytest.importorskip("fcntl")

HOLDER = """
import sys, time
from raytrace.store.locks import Lock
with Lock(sys.argv[1]):
    print("held", flush=True)
    time.sleep(60)
"""


def test_one_writer_a_name_whatever_the_ending(tmp_path):
    with Lock(tmp_path / "deep" / "a.h5"):
        for name in ("a.h5", "a.parts"):
            with pytest.raises(StoreError, match=rf"{name}: another process is writing"):
                Lock(tmp_path / "deep" / name)
        Lock(tmp_path / "deep" / "b.h5").release()
    with Lock(tmp_path / "deep" / "a.toml"):
        pass
    assert list((tmp_path / "deep").iterdir()) == []


def test_a_killed_holder_leaves_the_lock_free(tmp_path):
    command = [sys.executable, "-c", HOLDER, str(tmp_path / "a.h5")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(StoreError, match="another process"):
            Lock(tmp_path / "a.h5")
        holder.send_signal(signal.SIGKILL)
        holder.wait()
    assert [p.name for p in tmp_path.iterdir()] == [".a.lock"]
    with Lock(tmp_path / "a.h5"), pytest.raises(StoreError, match="another process"):
        Lock(tmp_path / "a.h5")
    assert list(tmp_path.iterdir()) == []


def test_a_lock_that_its_holder_removes_meanwhile_is_asked_for_again(tmp_path, monkeypatch):
    """Between opening and locking the file goes: a lock on it would keep nobody out."""
    really, opened = os.open, []

    def slow(path, *rest):
        handle = really(path, *rest)
        if not opened:
            os.unlink(path)
        opened.append(path)
        return handle

    monkeypatch.setattr(locks.os, "open", slow)
    with Lock(tmp_path / "a.h5"):
        assert len(opened) == 2
        with pytest.raises(StoreError, match="another process"):
            Lock(tmp_path / "a.h5")


def test_where_nothing_can_be_written_there_is_no_lock_and_no_error(tmp_path):
    (tmp_path / "wall").write_text("a file, not a folder")
    with Lock(tmp_path / "wall" / "a.h5"):
        pass
