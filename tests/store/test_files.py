"""Outputs are written whole or not at all, and what a dead run left does no harm."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from typer.testing import CliRunner

from raytrace import files
from raytrace.cli import app
from raytrace.exceptions import StoreError
from raytrace.files import part_of, refuse_strangers, write_whole

COURTYARD = str(Path(__file__).resolve().parents[2] / "scenarios" / "courtyard.toml")
posix = pytest.mark.skipif(os.name != "posix", reason="links, modes and pipes are POSIX's")


def names(folder):
    return sorted(p.name for p in folder.iterdir())


class FullDisk:
    """Stands in for a disk that takes a few bytes of anything, and then no more."""

    def __init__(self, monkeypatch):
        really = os.fdopen

        def fdopen(handle, *arguments, **options):
            file = really(handle, *arguments, **options)

            class Filling:
                def __getattr__(self, name):
                    return getattr(file, name)

                def __enter__(self):
                    return self

                def __exit__(self, *_):
                    file.close()

                def write(self, data):
                    file.write(bytes(data)[:7])
                    raise OSError(errno.ENOSPC, "No space left on device")

            return Filling()

        monkeypatch.setattr(files.os, "fdopen", fdopen)


@pytest.mark.parametrize("before", [None, b"the old one"])
def test_a_full_disk_leaves_what_was_there(tmp_path, monkeypatch, before):
    path = tmp_path / "table.csv"
    if before is not None:
        path.write_bytes(before)
    with monkeypatch.context() as patch:
        FullDisk(patch)
        with pytest.raises(StoreError, match="disk is full") as caught:
            write_whole(path, b"a new one, too long for the disk")
    assert ("unchanged" in str(caught.value)) == (before is not None)
    assert (path.read_bytes() if path.exists() else None) == before
    assert names(tmp_path) == ([path.name] if before else [])
    assert write_whole(path, "ganz neu ±\n") == len(path.read_bytes()) == 12
    assert path.read_bytes() == "ganz neu ±\n".encode()


def test_ctrl_c_leaves_what_was_there(tmp_path, monkeypatch):
    path = tmp_path / "table.csv"
    write_whole(path, "old")

    def stop(_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(files.os, "fsync", stop)
        with pytest.raises(KeyboardInterrupt):
            write_whole(path, "new")
    assert path.read_text() == "old"
    assert names(tmp_path) == ["table.csv"]


@pytest.mark.parametrize(
    ("arguments", "made"),
    [
        (["new", "mine.toml"], "mine.toml"),
        (["spots", COURTYARD, "--demo-spots", "seen.csv"], "seen.csv"),
        (["spots", COURTYARD, "-o", "spots.csv", "--no-figures"], "spots.csv"),
        (["spots", COURTYARD, "-o", "spots.csv", "--figures", "svg"], "spots-spots.svg"),
        (["sheet", COURTYARD, "-o", ".", "--no-pdf"], "courtyard-facets.csv"),
        (["sheet", COURTYARD, "-o", ".", "--no-pdf", "--wedges", "w.3mf"], "w-1-of-4.3mf"),
    ],
)
def test_no_command_leaves_a_file_cut_short(tmp_path, monkeypatch, arguments, made):
    """After a full disk nothing stands in the way, and the same command then works."""
    monkeypatch.chdir(tmp_path)
    with monkeypatch.context() as patch:
        FullDisk(patch)
        result = CliRunner().invoke(app, arguments)
    assert result.exit_code not in (0, None), result.output
    assert isinstance(result.exception, SystemExit), result.exception
    assert "disk is full" in result.stderr
    assert len(result.stdout) > 500 or made in ("mine.toml", "seen.csv"), "the answer is not lost"
    assert not [p for p in tmp_path.rglob("*") if p.is_file()]
    again = CliRunner().invoke(app, arguments)
    assert again.exit_code == 0, again.output
    assert made in {p.name for p in tmp_path.rglob("*")}
    assert not list(tmp_path.rglob("*.part"))


def test_what_a_dead_run_left_is_cleared_by_the_next(tmp_path):
    """A real process killed in the middle of a write."""
    path = tmp_path / "picture.png"
    code = (
        "import os, sys; from raytrace import files\n"
        "files.os.fsync = lambda handle: os._exit(9)\n"
        "files.write_whole(sys.argv[1], b'x' * 5000)\n"
    )
    assert subprocess.run([sys.executable, "-c", code, str(path)], check=False).returncode == 9
    assert names(tmp_path) == [part_of(path).name]
    write_whole(path, b"whole")
    assert names(tmp_path) == ["picture.png"]
    assert path.read_bytes() == b"whole"


def test_writers_at_the_same_time_don_t_mix(tmp_path):
    """Many threads write one file; it is always one of theirs, whole."""
    path, begin = tmp_path / "table.csv", threading.Barrier(6)
    seen, trouble = set(), []

    def write(k):
        begin.wait()
        try:
            for _ in range(8):
                write_whole(path, bytes([65 + k]) * 40_000)
                data = path.read_bytes()
                seen.add((len(data), len(set(data))))
        except BaseException as error:
            trouble.append(error)

    threads = [threading.Thread(target=write, args=(k,)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not trouble
    assert seen == {(40_000, 1)}
    assert names(tmp_path) == ["table.csv"]


def test_new_never_replaces_but_what_is_empty(tmp_path):
    """An empty file is what a full disk left of an earlier version's; nothing can be lost."""
    path = tmp_path / "mine.toml"
    path.write_text("by hand")
    with pytest.raises(StoreError, match="there already"):
        write_whole(path, "new", new=True)
    assert path.read_text() == "by hand"
    path.write_text("")
    write_whole(path, "new", new=True)
    assert path.read_text() == "new"
    assert names(tmp_path) == ["mine.toml"]


def test_files_of_others_are_known_by_how_they_begin(tmp_path):
    path = tmp_path / "letter.csv"
    refuse_strangers(path, b"# ours")
    for content in (b"", b"# ours, a table"):
        path.write_bytes(content)
        refuse_strangers(path, b"# ours")
    path.write_bytes(b"Dear cook")
    with pytest.raises(StoreError, match="left alone"):
        refuse_strangers(path, b"# ours")


@posix
def test_links_modes_and_pipes_stay_what_they_are(tmp_path):
    real = tmp_path / "disk" / "real.csv"
    link, pipe = tmp_path / "link.csv", tmp_path / "pipe"
    write_whole(real, "old")
    real.chmod(0o640)
    link.symlink_to(real)
    write_whole(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert real.stat().st_mode & 0o777 == 0o640
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_whole(pipe, "through")
    assert os.read(reader, 100) == b"through"
    os.close(reader)
    assert pipe.is_fifo()
    mask = os.umask(0o027)
    try:
        write_whole(tmp_path / "fresh", "x")
    finally:
        os.umask(mask)
    assert (tmp_path / "fresh").stat().st_mode & 0o777 == 0o640


@posix
def test_a_write_protected_file_stays(tmp_path, monkeypatch):
    path = tmp_path / "kept.csv"
    path.write_text("mine")
    path.chmod(0o444)
    if os.getuid() == 0:  # to whom nothing is protected
        monkeypatch.setattr(files.os, "access", lambda *_: False)
    with pytest.raises(StoreError, match="no permission"):
        write_whole(path, "new")
    assert path.read_text() == "mine"
