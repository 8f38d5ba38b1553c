"""Ctrl-C: never lost, never inside a write or a compiled function, and soon obeyed."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from numba import njit

from raytrace import build_cooker, load_scenario, trace, trace_cases
from raytrace.light.setup import scenario_sunshape
from raytrace.parallel.interrupts import call, check, hold, listening, ready
from raytrace.parallel.pieces import spread, watched

ROOT = Path(__file__).resolve().parents[2]
COURTYARD = str(ROOT / "scenarios" / "courtyard.toml")
posix = pytest.mark.skipif(os.name != "posix", reason="Windows has no SIGINT for another process")


def press():
    if os.name == "posix":
        os.kill(os.getpid(), signal.SIGINT)  # as a terminal does: to the process
    else:
        signal.raise_signal(signal.SIGINT)


def test_a_write_is_finished_first_and_the_wish_is_not_forgotten():
    """Python may drop the exception, as it does in clean-up code; the wish stays noted."""
    done = []
    before = signal.getsignal(signal.SIGINT)

    def write():
        with listening(), hold():
            with hold():
                press()
                done.append("inner")
            done.append("outer")
        done.append("not reached")

    with pytest.raises(KeyboardInterrupt):
        write()
    assert done == ["inner", "outer"]
    with listening():
        with contextlib.suppress(KeyboardInterrupt):
            press()
        with pytest.raises(KeyboardInterrupt):
            check()
    check()
    assert signal.getsignal(signal.SIGINT) is before


def test_hold_serves_notebooks_too():
    """Without a command's listening Python's own handler is put back and called."""
    before = signal.getsignal(signal.SIGINT)
    done = []

    def work():
        with hold():
            press()
            done.append(1)
        done.append(2)

    with pytest.raises(KeyboardInterrupt):
        work()
    assert done == [1]
    assert signal.getsignal(signal.SIGINT) is before

    def mistake():
        with hold():
            press()
            raise ValueError("a mistake")

    with pytest.raises(KeyboardInterrupt):
        mistake()
    # other threads never see signals, and must not touch the handlers
    thread = threading.Thread(target=lambda: done.append(call(_double, 2.0)))
    thread.start()
    thread.join()
    assert done[-1] == 4.0


@njit
def _double(x):
    return 2.0 * x


def test_compiling_is_done_before_ctrl_c_is_put_off():
    @njit
    def thrice(x):
        return 3.0 * x

    ready(thrice, 1.0)
    assert len(thrice.signatures) == 1
    assert call(thrice, 2.0) == 6.0
    assert len(thrice.signatures) == 1, "the same types as a call's"


@pytest.mark.parametrize("threads", [1, 3])
def test_work_stops_between_pieces(threads):
    """Each worker ends at its next piece, and what was not begun is dropped."""
    begun, done, lock = [], [], threading.Lock()

    def one(k):
        with lock:
            begun.append(k)
        for piece in range(1000):
            if threads == 1 and piece == 3:
                press()
            time.sleep(1e-3)
            with lock:
                done.append(k)
            yield 1

    timer = threading.Timer(0.15, press)
    if threads > 1:
        timer.start()
    start = time.monotonic()
    with listening(), pytest.raises(KeyboardInterrupt):
        spread(one, 50, threads)
    assert time.monotonic() - start < 2.0
    assert 1 <= len(begun) <= threads
    assert len(done) < 1000


def test_pieces_are_watched():
    seen = []
    with watched(lambda done, whole: seen.append((done, whole))):
        spread(lambda k: iter([1, 2]), 3, 2, whole=9)
    assert len(seen) == 6
    assert seen[-1] == (9, 9)
    assert sorted(seen) == seen
    spread(lambda k: iter([1]), 2, 1, whole=2)
    assert len(seen) == 6


@pytest.mark.parametrize("estimator", ["beams", "rays"])
def test_pieces_change_no_bit(monkeypatch, estimator):
    scenario = load_scenario(COURTYARD)
    cooker, shape = build_cooker(scenario), scenario_sunshape(scenario)
    sun = [0.0, 0.7, 0.7]
    options = {"dni": 800.0, "estimator": estimator, "samples": 1 << 14, "replicates": 2}
    want = trace(cooker, sun, shape, **options)
    seen = []
    monkeypatch.setattr("raytrace.optics.tracing.PIECE", 512)
    monkeypatch.setattr("raytrace.optics.tracing.MOST_FACETS", 7)
    for threads in (1, 2):
        with watched(lambda done, whole: seen.append(done / whole)):
            have = trace(cooker, sun, shape, threads=threads, **options)
        np.testing.assert_array_equal(have.power, want.power)
        np.testing.assert_array_equal(have.base_power, want.base_power)
    assert len(seen) > 30, "it was cut"
    assert seen[-1] == 1.0


def test_pieces_of_cases_change_no_bit(monkeypatch):
    scenario = load_scenario(COURTYARD)
    cooker, shape = build_cooker(scenario), scenario_sunshape(scenario)
    suns = np.random.default_rng(3).normal([0.0, 0.7, 0.7], 0.1, (30, 3))
    options = {"dni": 800.0, "beams_per_facet": 16, "replicates": 2}
    want = trace_cases(cooker, suns, shape, threads=2, **options)
    monkeypatch.setattr("raytrace.optics.cases.PIECE", 512)
    have = trace_cases(cooker, suns, shape, threads=1, **options)
    np.testing.assert_array_equal(have.power, want.power)


def run(folder, *arguments):
    return subprocess.Popen(
        [sys.executable, "-m", "raytrace.cli", *arguments],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@posix
def test_ctrl_c_at_any_moment_of_setting_up_never_crashes(tmp_path):
    """5 400 facets: most of the time goes to handing over what compiled code set up."""
    rng = random.Random(17)
    child = run(tmp_path, "trace", COURTYARD, "--set", "facets.columns=900", "--set",
                "facets.mount_height=60 mm", "--no-files")  # fmt: skip
    try:
        time.sleep(rng.uniform(2.0, 3.0))
        child.send_signal(signal.SIGINT)
        _, errors = child.communicate(timeout=60)
    finally:
        child.kill()
    assert child.returncode == 130, errors
    assert "Traceback" not in errors
    assert not list(tmp_path.iterdir())


# the main thread is where a notebook's cell runs, with Python's own handler
HAND_OVER = """
import signal, sys, threading, time, os
from raytrace import build_cooker, load_scenario
from raytrace.light.setup import scenario_sunshape
from raytrace.optics.tracing import make_scene
import numpy as np
scenario = load_scenario(sys.argv[1])
cooker, shape = build_cooker(scenario), scenario_sunshape(scenario)
sun = np.array([0.0, 0.6, 0.8])
make_scene(cooker, sun, shape, 1.0)
rng, caught = np.random.default_rng(5), 0
go = threading.Event()
def press():
    go.wait()
    for wait in rng.uniform(0.0, 2e-3, 150):
        time.sleep(wait)
        os.kill(os.getpid(), signal.SIGINT)
thread = threading.Thread(target=press)
thread.start()
while thread.is_alive():
    try:
        go.set()
        make_scene(cooker, sun, shape, 1.0)
    except KeyboardInterrupt:
        caught += 1
signal.signal(signal.SIGINT, signal.SIG_IGN)
print(caught)
"""


@posix
def test_ctrl_c_never_crashes_a_notebook():
    """150 signals while scenes are handed over, at random moments of a fixed seed."""
    child = subprocess.run(
        [sys.executable, "-c", HAND_OVER, COURTYARD],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert child.returncode == 0, child.stderr[-300:]
    assert int(child.stdout) > 50


@posix
def test_a_huge_trace_obeys_and_says_how_long_it_takes(tmp_path):
    child = run(tmp_path, "trace", COURTYARD, "--samples", str(10**11), "--no-files")
    try:
        time.sleep(2.5)
        assert child.poll() is None
        begin = time.monotonic()
        child.send_signal(signal.SIGINT)
        _, errors = child.communicate(timeout=60)
    finally:
        child.kill()
    assert child.returncode == 130
    assert time.monotonic() - begin < 10.0, "2 s on a machine with nothing else to do"
    assert "Stopped; nothing is kept" in errors
