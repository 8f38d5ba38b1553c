"""Runs in their files: what is read is what was written, and nothing that was kept is ever lost."""

from __future__ import annotations

import contextlib
import errno
import os
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray as xr
from store.test_results import Nothing, same

import raytrace
from raytrace import files, read_result, run_at, run_day, run_design
from raytrace.exceptions import StoreError
from raytrace.optics.tally import LINES
from raytrace.store import sealed as store_files
from raytrace.store.parts import parts_of
from raytrace.store.results import stored, write_result
from raytrace.store.work import work
from raytrace.studies.trace import run as one_run
from raytrace.studies.trace.run import TracePlan, run

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FEW = {"samples": 2000, "replicates": 4, "bins": 12}
DATE, STEP = "2026-03-20", 7200.0


@pytest.fixture(scope="module")
def scenario():
    return raytrace.load_scenario(SCENARIOS / "courtyard.toml", ["errors.setting=5 mm"])


@pytest.fixture(scope="module")
def design(scenario):
    return run_design(scenario, **FEW)


@pytest.fixture(scope="module")
def day(scenario):
    """A day in one go, kept in memory."""
    return run_day(scenario, DATE, STEP, **FEW)


def test_a_run_comes_back_bit_for_bit(tmp_path, scenario, design):
    path = tmp_path / "deep" / "er" / "run.h5"
    same(run_design(scenario, path=path, **FEW), design)
    same(read_result(path), design)
    assert [p.name for p in path.parent.iterdir()] == ["run.h5"]
    assert not stored(path).command


def test_tables_travel_with_the_run(tmp_path):
    """A scenario that names CSV files is read again where these are not."""
    scenario = raytrace.load_scenario(SCENARIOS / "rim-ring.toml")
    ring = run_design(scenario, path=tmp_path / "ring.h5", **FEW)
    back = read_result(tmp_path / "ring.h5")
    assert set(back.scenario.tables) == {"ring-places.csv", "ring-states.csv", "ring-horizon.csv"}
    assert not back.cooker.facets.present.all()
    same(ring.moments, run_design(back.scenario, **FEW).moments)


def test_a_weather_file_travels_with_the_run(tmp_path):
    """The file is inside, so that the run can be made again where it is missing."""
    folder = tmp_path / "here"
    (folder / "weather").mkdir(parents=True)
    rows = ["time(UTC),T2m,RH,G(h),Gb(n),Gd(h),IR(h),WS10m,WD10m,SP"]
    hours = np.arange("2015-01-01T00", "2016-01-01T00", dtype="datetime64[h]")
    rows += [f"{h.astype(object):%Y%m%d:%H%M},20.0,50,500,650,100,300,2.0,180,85000" for h in hours]
    head = ["Latitude (decimal degrees): 17.060", "Longitude (decimal degrees): -96.720"]
    head += ["Elevation (m): 1555", "month,year"] + [f"{m},2015" for m in range(1, 13)]
    name = "weather/year.csv"
    (folder / name).write_text("\n".join([*head, *rows, ""]))
    text = (SCENARIOS / "courtyard.toml").read_text(encoding="utf-8")
    text = text.replace(
        'dni = "clear sky"  ', f'dni = "weather file"\nweather_file = "{name}"\n#', 1
    )
    (folder / "c.toml").write_text(text, encoding="utf-8")
    scenario = raytrace.load_scenario(folder / "c.toml")
    run_design(scenario, path=tmp_path / "w.h5", **FEW)
    kept = (folder / name).read_bytes()
    (folder / name).unlink()
    back = read_result(tmp_path / "w.h5")
    assert back.scenario.sky.weather_file is not None
    assert back.scenario.sky.weather_file.read_bytes() == kept


def test_xarray_opens_a_day_with_axes_units_and_meanings(tmp_path, scenario, day):
    run_day(scenario, DATE, STEP, path=tmp_path / "day.h5", **FEW)
    with xr.open_dataset(tmp_path / "day.h5") as data:
        assert data["moments.tally.flux"].dims == ("moment", "y", "x")
        assert data["moments.tally.power"].dims == ("moment", "replicate", "facet", "line")
        assert data["moments.tally.base_power"].dims == ("moment", "replicate", "y", "x")
        assert data["cooker.facets.mount"].dims == ("facet", "xyz")
        assert list(data.line.values) == list(LINES)
        assert list(data.facet.values) == list(day.cooker.facets.label)
        np.testing.assert_array_equal(data.moment.values, day.times)
        assert data["moments.tally.flux"].attrs["units"] == "W/m2"
        assert data["moments.tally.ledger"].attrs["units"] == "W"
        assert data["moments.tally.delivered_se"].attrs["units"] == "W"
        assert data["moments.sun_altitude"].attrs["units"] == "rad"
        assert data.x.attrs["units"] == data.y.attrs["units"] == "m"
        tally = day.moments[2].tally
        ledger = data["moments.tally.ledger"].sel(line="base")
        assert float(ledger[2]) == float(tally.delivered)
        np.testing.assert_array_equal(data["moments.tally.flux"][2].values, tally.flux.value)
        assert float(data.x[1] - data.x[0]) == pytest.approx(2 * tally.base_radius / 12)
        assert float(data["day.delivered"]) == float(day.day.delivered)


@contextlib.contextmanager
def stopped_after(moments, monkeypatch, trouble=KeyboardInterrupt):
    """Something stops the work at a moment."""
    really, done = one_run.moment_under, []

    def stopping(*arguments, **options):
        if len(done) == moments:
            raise trouble
        done.append(really(*arguments, **options))
        return done[-1]

    with monkeypatch.context() as patch:
        patch.setattr(one_run, "moment_under", stopping)
        with pytest.raises(trouble):
            yield


def begin(path, day, moments, monkeypatch):
    with stopped_after(moments, monkeypatch):
        run(day.scenario, day.plan, path=path)


def test_a_resumed_day_has_the_bits_of_an_unbroken_one(tmp_path, day, monkeypatch):
    path = tmp_path / "day.h5"
    begin(path, day, 2, monkeypatch)
    assert [p.name for p in tmp_path.iterdir()] == ["day.parts"]
    seen, traced, really = [], [], one_run.moment_under

    def counted(*arguments, **options):
        traced.append(arguments[1].time)
        return really(*arguments, **options)

    monkeypatch.setattr(one_run, "moment_under", counted)
    found = run(day.scenario, day.plan, path=path, progress=lambda *x: seen.append(x))
    count = len(day.moments)
    assert traced == [m.time for m in day.moments[2:]]
    assert seen[0] == (2, count)
    assert seen[-1] == (count, count)
    assert {total for _, total in seen} == {count}
    for back in (found, read_result(path)):
        same(back, day)
    traced.clear()
    same(run(day.scenario, day.plan, path=path), day)
    assert traced == [], "read, not computed"
    assert [p.name for p in tmp_path.iterdir()] == ["day.h5"]


def test_a_part_holds_no_more_than_its_moment(tmp_path, day, monkeypatch):
    path = tmp_path / "day.h5"
    begin(path, day, 4, monkeypatch)
    own = sum(m.tally.power.nbytes + m.tally.base_power.nbytes for m in day.moments[:4])
    assert parts_of(path).stat().st_size < own + 40_000


def test_nothing_is_left_of_a_run_that_was_stopped_before_its_first_moment(
    tmp_path, day, monkeypatch
):
    begin(tmp_path / "day.h5", day, 0, monkeypatch)
    assert list(tmp_path.iterdir()) == []


def full_disk(*_):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("broken", ["fsync", "replace"])
def test_a_full_disk_leaves_the_previous_file_and_all_moments(
    tmp_path, scenario, monkeypatch, broken
):
    path = tmp_path / "run.h5"
    run_design(scenario, path=path, **FEW)
    before = path.read_bytes()
    with monkeypatch.context() as patch:

        def fill(done, total):
            if done == total:
                patch.setattr(files.os, broken, full_disk)

        with pytest.raises(StoreError, match=r"run\.h5.*disk is full.*kept in .*run\.parts"):
            run_design(scenario, path=path, overwrite=True, seed=9, progress=fill, **FEW)
    assert path.read_bytes() == before
    assert {p.name for p in tmp_path.iterdir()} == {"run.h5", "run.parts"}
    monkeypatch.setattr(one_run, "moment_under", None)  # not traced again
    assert run_design(scenario, path=path, seed=9, **FEW).plan.seed == 9
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]


def test_a_file_size_limit_of_the_system_is_survived(tmp_path, design, monkeypatch):
    """The real thing rather than a stand-in: the system refuses bytes past a limit."""
    resource = pytest.importorskip("resource")
    import signal

    path = tmp_path / "run.h5"
    write_result(path, design, "trace", {"kind": "trace"})
    before = path.read_bytes()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) // 2, limits[1]))
        with pytest.raises(StoreError, match=r"run\.h5"):
            write_result(path, design, "trace", {"kind": "trace"})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, handler)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]


def test_two_writers_do_not_overwrite_each_other(tmp_path, day):
    path = tmp_path / "day.h5"
    with work("trace", [day.scenario], day.plan, path):
        for overwrite in (False, True):
            with pytest.raises(StoreError, match="another process is writing"):
                run(day.scenario, day.plan, path=path, overwrite=overwrite)


@pytest.mark.parametrize("finished", [True, False])
@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("scenario", "text"),
        ("overrides", "errors.setting=5 mm there, errors.setting=6 mm now"),
        ({"seed": 2}, "seed: 1 there, 2 now"),
        ({"step": 900.0}, "step: 7200.0 there, 900.0 now"),
        ({"date": None}, "date: 2026-03-20 there, nothing now"),
    ],
)
def test_another_run_is_not_continued(tmp_path, day, monkeypatch, change, said, finished):
    path = tmp_path / "day.h5"
    begin(path, day, 1, monkeypatch)
    if finished:
        write_result(path, day, "trace", one_run_stamp(day))
        parts_of(path).unlink()
    before = [p.read_bytes() for p in tmp_path.iterdir()]
    scenario, plan = day.scenario, day.plan
    if change == "scenario":
        scenario = raytrace.parse_scenario(
            scenario.text + "\n# a note", overrides=scenario.overrides
        )
    elif change == "overrides":
        scenario = raytrace.parse_scenario(scenario.text, overrides=["errors.setting=6 mm"])
    else:
        plan = replace(plan, **change)
    with pytest.raises(StoreError) as caught:
        run(scenario, plan, path=path)
    for words in (said, "-o", "--overwrite"):
        assert words in str(caught.value)
    assert [p.read_bytes() for p in tmp_path.iterdir()] == before
    with stopped_after(0, monkeypatch):
        run(scenario, plan, path=path, overwrite=True)
    if finished:
        assert path.read_bytes() == before[0], "stays until there is something to replace it with"


def one_run_stamp(day):
    from raytrace.store.fingerprint import fingerprint

    return fingerprint("trace", [day.scenario], day.plan)


def test_threads_make_no_other_run(tmp_path, scenario, design, monkeypatch):
    path = tmp_path / "run.h5"
    run_design(scenario, path=path, threads=2, **FEW)
    monkeypatch.setattr(one_run, "moment_under", None)
    same(run_design(scenario, path=path, threads=1, **FEW), design)


def test_files_that_can_not_be_read_say_so(tmp_path, scenario, design):
    path = tmp_path / "run.h5"
    write_result(path, design, "trace", {"kind": "trace"})
    whole = path.read_bytes()

    (tmp_path / "notes.h5").write_text("no results at all")
    with pytest.raises(StoreError, match=r"notes\.h5: not a results file"):
        read_result(tmp_path / "notes.h5")

    for keep in (len(whole) // 2, len(whole) - 100):
        (tmp_path / "cut.h5").write_bytes(whole[:keep])
        with pytest.raises(StoreError, match=r"cut\.h5: cut short, damaged or changed"):
            read_result(tmp_path / "cut.h5")

    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = 1
    with pytest.raises(StoreError, match=r"other\.h5: an HDF5 file, but"):
        read_result(tmp_path / "other.h5")

    for form, words in ((1, "an earlier version"), (99, "a later version")):
        path.write_bytes(whole[: -store_files.SEALED])
        with h5py.File(path, "r+") as file:
            file.attrs["format"] = form
        with pytest.raises(StoreError, match=words):
            read_result(path)

    with pytest.raises(StoreError, match=r"gone\.h5: no such file"):
        read_result(tmp_path / "gone.h5")
    with pytest.raises(StoreError, match="is a folder"):
        run_design(scenario, path=tmp_path, **FEW)


def test_the_design_sun_that_never_is_has_no_time(tmp_path):
    """Above 66° north the sun never stands at 60°; the moment is kept without a time."""
    scenario = raytrace.load_scenario(
        SCENARIOS / "courtyard.toml",
        ["site.latitude=69 deg", "design.sun_altitude=60 deg", "sky.dni=800 W/m^2"],
    )
    found = run_design(scenario, path=tmp_path / "run.h5", **FEW)
    assert found.moments[0].time is None
    assert np.isnat(found.times).all()
    same(read_result(tmp_path / "run.h5"), found)


def test_times_keep_the_zone_of_the_site(tmp_path, scenario):
    times = ["2026-03-20T10:30", "2026-03-20T18:30+00:00"]
    found = run_at(scenario, times, path=tmp_path / "run.h5", **FEW)
    back = read_result(tmp_path / "run.h5")
    assert [m.time for m in back.moments] == [m.time for m in found.moments]
    assert [f"{m.time:%H:%M}" for m in back.moments] == ["10:30", "12:30"]
    assert {str(m.time.tz) for m in back.moments} == {"America/Mexico_City"}
    assert [str(t) for t in back.times.astype("M8[m]")] == ["2026-03-20T16:30", "2026-03-20T18:30"]


def test_a_plan_names_what_it_traces(scenario):
    assert TracePlan.of(scenario).kind == "design"
    assert TracePlan(at=("2026-03-20T10:30",)).kind == "moment"


def test_another_study_s_file_is_refused_with_the_command_that_shows_it(tmp_path):
    path = tmp_path / "c.h5"
    write_result(path, Nothing(), "compare", {})
    with pytest.raises(StoreError, match=r"holds results of cooker compare; .*: cooker show"):
        read_result(path, "trace")
