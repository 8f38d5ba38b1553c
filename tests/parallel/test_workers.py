"""Work on processes and on a cluster: the same bits, whatever dies on the way."""

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np
import pytest

from raytrace import load_scenario
from raytrace.exceptions import GeometryError, WorkerError
from raytrace.light.setup import built_cooker, scenario_sunshape
from raytrace.optics.cases import trace_cases
from raytrace.parallel.workers import hands, run, usable_processors
from raytrace.studies.trace.run import TracePlan

SCENARIO = "scenarios/courtyard.toml"


def watts(rows):
    """A design traced: what a worker does in earnest."""
    scenario = load_scenario(SCENARIO, {"facets.rows": str(rows)})
    cooker = built_cooker(scenario, TracePlan())
    sun = [0.0, np.cos(0.7), np.sin(0.7)]
    shape = scenario_sunshape(scenario)
    return trace_cases(cooker, sun, shape, dni=800.0, beams_per_facet=4, threads=1).power


def leave_mark(folder, k, *, seconds=0.0):
    """Say who does what, and take so long."""
    (folder / f"{k}-{os.getpid()}-{time.monotonic_ns()}").touch()
    time.sleep(seconds)
    return k * k


def die_once(folder, k):
    """The first to take piece 3 is killed, as by a lack of memory."""
    mark = folder / "died"
    if k == 3 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return k * k


def die(k):
    if k == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return k


def refuse(k):
    if k == 4:
        raise GeometryError("facet D4 lies in the pot")
    return k


def pids_of(folder):
    return {int(path.name.split("-")[1]) for path in folder.iterdir()}


def test_every_piece_comes_once_whatever_the_number_of_workers(tmp_path):
    for workers in (1, 2):
        folder = tmp_path / f"{workers}"
        folder.mkdir()
        got = list(run(partial(leave_mark, folder), range(20), workers=workers))
        assert sorted(got) == [(k, k * k) for k in range(20)]
        assert len(list(folder.iterdir())) == 20
        assert (pids_of(folder) == {os.getpid()}) == (workers == 1)
    assert list(run(leave_mark, [], workers=2)) == []
    assert 1 <= usable_processors() <= os.cpu_count()
    assert hands(10**9) == 4 * usable_processors()  # each takes a program's memory
    with pytest.raises(WorkerError, match="at least one"):
        run(leave_mark, [1], workers=0)


def test_a_killed_worker_loses_no_piece_and_no_other_worker(tmp_path):
    got = list(run(partial(die_once, tmp_path), range(12), workers=2))
    assert (tmp_path / "died").exists()
    assert sorted(got) == [(k, k * k) for k in range(12)]


def test_a_piece_that_always_kills_is_named():
    found = []
    with pytest.raises(WorkerError, match=r"piece 3 of 5 ended 3 workers \(killed by SIGKILL\)"):
        found.extend(run(die, range(5), workers=2))
    assert all(k == value for k, value in found)


def test_an_error_comes_home_as_it_was():
    with pytest.raises(GeometryError, match="facet D4 lies in the pot") as caught:
        list(run(refuse, range(6), workers=2))
    assert "in refuse" in caught.value.__notes__[0]


def test_leaving_early_stops_the_workers_at_once(tmp_path):
    begun = time.monotonic()
    steps = run(partial(leave_mark, tmp_path, seconds=0.2), range(1000), workers=2)
    next(steps)
    steps.close()
    assert time.monotonic() - begun < 10.0
    count = len(list(tmp_path.iterdir()))
    assert count <= 6
    time.sleep(0.5)
    assert len(list(tmp_path.iterdir())) == count
    for pid in pids_of(tmp_path):
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


LONG = """
import sys
from functools import partial
from pathlib import Path
sys.path.insert(0, "tests")
from parallel.test_workers import leave_mark
from raytrace.parallel.workers import run
if __name__ == "__main__":
    try:
        slow = partial(leave_mark, Path(sys.argv[1]), seconds=0.2)
        for k, _ in run(slow, range(1000), workers=2):
            print(k, flush=True)
    except KeyboardInterrupt:
        print("stopped", flush=True)
"""


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGKILL])
def test_workers_end_with_the_one_who_asks(tmp_path, sent):
    """Ctrl-C stops all at once and quietly; killed outright, none is left behind."""
    script, folder = tmp_path / "long.py", tmp_path / "marks"
    script.write_text(LONG)
    folder.mkdir()
    with subprocess.Popen(
        [sys.executable, str(script), str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=os.environ | {"PYTHONPATH": os.getcwd()},
    ) as process:
        process.stdout.readline()
        begun = time.monotonic()
        if sent == signal.SIGINT:
            os.killpg(process.pid, sent)  # a terminal tells all its processes
        else:
            process.send_signal(sent)
        out, err = process.communicate(timeout=20)
    assert time.monotonic() - begun < 5.0
    if sent == signal.SIGINT:
        assert out.endswith("stopped\n")
        assert err == ""
    for _ in range(100):
        alive = [pid for pid in pids_of(folder) if os.path.exists(f"/proc/{pid}/cmdline")]
        if not alive:
            break
        time.sleep(0.05)
    assert not alive


def test_a_missing_extra_and_a_silent_address_are_told(monkeypatch):
    monkeypatch.setattr("raytrace.parallel.workers.PATIENCE", 0.5)
    with pytest.raises(WorkerError, match=r"tcp://127\.0\.0\.1:9: no scheduler answers"):
        list(run(refuse, [1], scheduler="tcp://127.0.0.1:9"))
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(WorkerError, match=r"\.\[cluster\]"):
        list(run(refuse, [1], scheduler="tcp://127.0.0.1:9"))


@pytest.fixture
def scheduler(monkeypatch):
    """Scheduler in a process of its own, without workers: its address, and the process."""
    pytest.importorskip("distributed")
    monkeypatch.setattr("raytrace.parallel.workers.PATIENCE", 1.5)
    code = (
        "import asyncio\n"
        "from distributed import Scheduler\n"
        "async def serve():\n"
        "    async with Scheduler(host='127.0.0.1', port=0, dashboard_address=':0') as s:\n"
        "        print(s.address, flush=True)\n"
        "        await s.finished()\n"
        "asyncio.run(serve())\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        yield process.stdout.readline().strip(), process
        process.kill()


def test_a_cluster_without_workers_or_with_other_code_is_told(scheduler, monkeypatch):
    address, _ = scheduler
    with pytest.raises(WorkerError, match=r"no workers. Start some with `dask worker tcp://127"):
        list(run(refuse, [1], scheduler=address))
    import distributed

    found = distributed.Client.get_versions

    def elsewhere(client, **kwargs):
        versions = found(client, **kwargs)
        versions["scheduler"]["packages"]["cooker-raytrace"] = None
        return versions

    monkeypatch.setattr(distributed.Client, "get_versions", elsewhere)
    monkeypatch.setattr("raytrace.parallel.workers._threads", lambda *_: 1)
    with pytest.raises(WorkerError, match=r"on this machine, and missing on the cluster"):
        list(run(refuse, [1], scheduler=address))


def test_a_scheduler_that_dies_is_told(scheduler, monkeypatch):
    """In one sentence and soon, with work still out."""
    address, process = scheduler
    monkeypatch.setattr("raytrace.parallel.workers._threads", lambda *_: 1)
    begun = time.monotonic()
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(lambda: list(run(time.sleep, [60.0], scheduler=address)))
        time.sleep(1.0)
        process.kill()
        with pytest.raises(WorkerError, match="the scheduler is gone"):
            waiting.result(timeout=20)
    assert time.monotonic() - begun < 10.0


def test_a_real_cluster_that_loses_a_worker_gives_the_same_bits():
    """dask.distributed with two processes, one killed in the middle; and this machine's own."""
    distributed = pytest.importorskip("distributed")
    rows = [4, 5, 6, 7, 8, 9] * 2
    alone = dict(run(watts, rows, workers=1))
    local = dict(run(watts, rows, workers=2))
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        with distributed.Client(cluster) as client:
            pids = list(client.run(os.getpid).values())
        steps = run(watts, rows, scheduler=cluster.scheduler_address)
        there = dict([next(steps), next(steps)])
        os.kill(pids[0], signal.SIGKILL)
        there.update(steps)
    assert sorted(there) == list(range(len(rows)))
    for k in range(len(rows)):
        assert there[k].tobytes() == alone[k].tobytes() == local[k].tobytes()
