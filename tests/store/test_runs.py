"""Results files: what is read is what was written, and nothing that was kept is ever lost."""

from __future__ import annotations

import contextlib
import errno
import json
import os
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

import raytrace
from raytrace import files
from raytrace.exceptions import StoreError
from raytrace.light.setup import built_cooker
from raytrace.optics.tally import LINES
from raytrace.store import parts as store_parts
from raytrace.store import sealed as store_files
from raytrace.store.places import conflicts
from raytrace.store.runs import RunFile, fingerprint_of, read_plan, read_run, write_run
from raytrace.store.variables import Variable, write_variables
from raytrace.studies.trace.run import Run, TraceSettings, iter_day, run_at, run_design

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FEW = {"samples": 2000, "replicates": 4, "bins": 12}
DATE, STEP = "2026-03-20", 7200.0


@pytest.fixture(scope="module")
def scenario():
    return raytrace.load_scenario(SCENARIOS / "courtyard.toml", ["errors.setting=5 mm"])


@pytest.fixture(scope="module")
def run(scenario):
    return run_design(scenario, **FEW)


@pytest.fixture(scope="module")
def day(scenario):
    """A day in one go, kept in memory."""
    settings = TraceSettings.of(scenario, **FEW)
    moments = tuple(m for _, _, m in iter_day(scenario, DATE, STEP, settings))
    return Run(scenario, built_cooker(scenario, settings), "day", settings, moments)


@contextlib.contextmanager
def changed(path):
    """A results file's content, put back under a new seal."""
    image = store_files.image_of(path)
    with h5py.File(image, "r+") as file:
        yield file
    store_files.put_in_place(path, image)


def plan_of(day):
    return {"date": DATE, "step_s": STEP, "moments": len(day.moments)}


def assert_same_moment(a, b):
    assert a.time == b.time
    assert (a.alpha, a.gamma, a.dni, a.pose) == (b.alpha, b.gamma, b.dni, b.pose)
    assert a.dni_source == b.dni_source
    for name in ("power", "base_power", "sun", "area"):
        left, right = getattr(a.tally, name), getattr(b.tally, name)
        assert left.dtype == right.dtype
        assert left.tobytes() == right.tobytes(), name
    for name in ("incoming", "dni", "R", "labels", "absorptance", "estimator"):
        assert getattr(a.tally, name) == getattr(b.tally, name), name
    for name in ("samples_per_facet", "seed", "stream", "n_samples", "n_replicates"):
        assert getattr(a.tally, name) == getattr(b.tally, name), name


def test_a_run_comes_back_bit_for_bit(tmp_path, run):
    path = tmp_path / "deep" / "er" / "run.h5"
    write_run(path, run)
    back = read_run(path)
    assert back.kind == "design"
    assert back.scenario == run.scenario
    assert back.scenario.overrides == ("errors.setting=5 mm",)
    assert back.settings == run.settings
    assert_same_moment(run.moments[0], back.moments[0])
    for name in ("mount", "n", "u", "v", "c", "area"):
        left, right = (getattr(r.cooker.facets, name) for r in (run, back))
        assert left.tobytes() == right.tobytes(), name
    assert back.cooker.pot.base.tobytes() == run.cooker.pot.base.tobytes()
    assert [p.name for p in path.parent.iterdir()] == ["run.h5"]


def test_tables_travel_with_the_run(tmp_path):
    """A scenario that names CSV files is read again where these are not."""
    scenario = raytrace.load_scenario(SCENARIOS / "rim-ring.toml")
    run = run_design(scenario, **FEW)
    write_run(tmp_path / "ring.h5", run)
    back = read_run(tmp_path / "ring.h5")
    assert set(back.scenario.tables) == {"ring-places.csv", "ring-states.csv", "ring-horizon.csv"}
    assert back.cooker.facets.label == run.cooker.facets.label
    assert not back.cooker.facets.present.all()
    again = run_design(back.scenario, **FEW)
    assert_same_moment(run.moments[0], again.moments[0])


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
    write_run(tmp_path / "w.h5", run_design(scenario, **FEW))
    kept = (folder / name).read_bytes()
    (folder / name).unlink()
    back = read_run(tmp_path / "w.h5")
    assert back.scenario.sky.weather_file is not None
    assert back.scenario.sky.weather_file.read_bytes() == kept


def test_the_root_says_how_to_make_it_again(tmp_path, run):
    write_run(tmp_path / "run.h5", run, plan={"why": "test"})
    with h5py.File(tmp_path / "run.h5") as file:
        said = dict(file.attrs)
        assert bool(file["moments/0000"].attrs["done"])
    assert said["kind"] == "one run"
    assert said["format"] == store_files.FORMAT
    assert said["raytrace"] == raytrace.__version__
    assert said["scenario"] == run.scenario.text
    assert json.loads(said["overrides"]) == ["errors.setting=5 mm"]
    asked = json.loads(said["fingerprint"])["plan"]
    assert (asked["seed"], asked["replicates"], asked["bins"], asked["build"]) == (1, 4, 12, 0)
    assert said["numpy"] == np.__version__
    assert {"numba", "pvlib", "created"} <= set(said)
    assert read_plan(tmp_path / "run.h5") == {"why": "test"}


def test_a_long_scenario_fits(tmp_path, run):
    """HDF5 keeps small attributes inside the object's header, which ends at 64 kB."""
    longer = raytrace.parse_scenario(run.scenario.text + "\n# " + "x" * 200_000)
    path = tmp_path / "long.h5"
    write_run(path, replace(run, scenario=longer))
    assert read_run(path).scenario.text == longer.text


def test_xarray_opens_the_groups(tmp_path, run):
    xarray = pytest.importorskip("xarray")
    write_run(tmp_path / "run.h5", run)
    with xarray.open_dataset(
        tmp_path / "run.h5", engine="h5netcdf", group="moments/0000"
    ) as dataset:
        tally = run.moments[0].tally
        assert dataset.flux.dims == ("y", "x")
        assert dataset.power.dims == ("replicate", "facet", "line")
        assert list(dataset.line.values) == list(LINES)
        assert list(dataset.facet.values) == list(tally.labels)
        assert dataset.flux.attrs["units"] == "W/m2"
        assert dataset.ledger.attrs["units"] == dataset.power.attrs["units"] == "W"
        assert dataset.x.attrs["units"] == dataset.y.attrs["units"] == "m"
        assert all(v.attrs["long_name"] for v in dataset.variables.values())
        assert float(dataset.ledger.sel(line="base")) == float(tally.delivered)
        assert float(dataset.ledger_se.sel(line="base")) == float(tally.delivered.se)
        np.testing.assert_array_equal(dataset.flux.values, tally.flux().value)
        width = float(dataset.x[1] - dataset.x[0])
        assert width == pytest.approx(2 * tally.R / 12)
        assert dataset.attrs["sun_altitude_deg"] == pytest.approx(42.0, abs=1e-3)
        assert dataset.attrs["dni_W_m2"] == tally.dni
    with xarray.open_dataset(tmp_path / "run.h5", engine="h5netcdf", group="cooker") as dataset:
        assert dataset.centre.dims == ("facet", "axis")
        np.testing.assert_array_equal(dataset.centre.values, run.cooker.facets.c)


def test_unfinished_moments_do_not_count(tmp_path, day):
    path = tmp_path / "day.h5"
    write_run(path, day)
    with changed(path) as file:
        del file["moments/0002"].attrs["done"]
    back = read_run(path)
    assert [m.time for m in back.moments] == [m.time for m in day.moments if m != day.moments[2]]


def begin(path, day, steps):
    with RunFile.open(
        path, day.scenario, day.cooker, "day", day.settings, plan=plan_of(day)
    ) as file:
        for moment in day.moments[:steps]:
            file.append(moment)


def test_a_resumed_day_has_the_bits_of_an_unbroken_one(tmp_path, day, monkeypatch):
    from raytrace.studies.trace import run as one_run

    path = tmp_path / "day.h5"
    begin(path, day, 2)
    traced = []
    really = one_run._moment

    def counted(*arguments, **options):
        traced.append(arguments[3])
        return really(*arguments, **options)

    monkeypatch.setattr(one_run, "_moment", counted)
    with RunFile.open(
        path, day.scenario, day.cooker, "day", day.settings, plan=plan_of(day)
    ) as file:
        assert list(file.done_times) == [m.time for m in day.moments[:2]]
        for _, _, moment in iter_day(day.scenario, DATE, STEP, day.settings, done=file.done_times):
            if moment is not None:
                file.append(moment)
    assert traced == list(range(2, len(day.moments)))
    back = read_run(path)
    assert len(back.moments) == len(day.moments) > 4
    for a, b in zip(day.moments, back.moments, strict=True):
        assert_same_moment(a, b)


def full_disk(*_):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("broken", ["fsync", "replace"])
def test_a_full_disk_leaves_the_previous_file(tmp_path, run, monkeypatch, broken):
    path = tmp_path / "run.h5"
    write_run(path, run)
    before = path.read_bytes()
    other = replace(run, settings=replace(run.settings, seed=9))
    with monkeypatch.context() as patch:
        patch.setattr(files.os, broken, full_disk)
        with pytest.raises(StoreError, match="disk is full") as caught:
            write_run(path, other)
    assert "run.h5" in str(caught.value)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]


def test_a_first_write_that_fails_leaves_nothing(tmp_path, run, monkeypatch):
    monkeypatch.setattr(files.os, "fsync", full_disk)
    with pytest.raises(StoreError, match="disk is full"):
        write_run(tmp_path / "run.h5", run)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("trouble", [StoreError("the disk is full"), KeyboardInterrupt()])
def test_moments_that_were_kept_outlive_a_failed_append(tmp_path, day, monkeypatch, trouble):
    """Neither a full disk nor Ctrl-C in the middle of a write costs a finished moment."""

    def stop(*_):
        raise trouble

    path = tmp_path / "day.h5"
    begin(path, day, 3)
    with RunFile.open(
        path, day.scenario, day.cooker, "day", day.settings, plan=plan_of(day)
    ) as file:
        with monkeypatch.context() as patch:
            patch.setattr(store_parts, "_row", stop)
            with pytest.raises(type(trouble)):
                file.append(day.moments[3])
        assert len(file.done_times) == 3
        assert len(read_run(path).moments) == 3
        file.append(day.moments[3])
    back = read_run(path)
    assert len(back.moments) == 4
    for a, b in zip(day.moments, back.moments, strict=False):
        assert_same_moment(a, b)


def test_a_file_size_limit_of_the_system_is_survived(tmp_path, run, monkeypatch):
    """The real thing rather than a stand-in: the system refuses bytes past a limit."""
    resource = pytest.importorskip("resource")
    import signal

    path = tmp_path / "run.h5"
    write_run(path, run)
    before = path.read_bytes()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) // 2, limits[1]))
        with pytest.raises(StoreError, match=r"run\.h5"):
            write_run(path, run)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, handler)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]


def test_two_writers_do_not_overwrite_each_other(tmp_path, day):
    path = tmp_path / "day.h5"
    begin(path, day, 1)
    common = (day.scenario, day.cooker, "day", day.settings)
    with RunFile.open(path, *common, plan=plan_of(day)) as one:
        for overwrite in (False, True):
            with pytest.raises(StoreError, match="another process is writing"):
                RunFile.open(path, *common, plan=plan_of(day), overwrite=overwrite)
        one.append(day.moments[1])
    assert len(read_run(path).moments) == 2


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("scenario", "text"),
        ("overrides", "errors.setting=5 mm there, errors.setting=6 mm now"),
        ("seed", "seed: 1 there, 2 now"),
        ("plan", "step_s: 7200.0 there, 900.0 now"),
        ("kind", "run: day there, design now"),
    ],
)
def test_another_run_is_not_continued(tmp_path, day, change, said):
    path = tmp_path / "day.h5"
    begin(path, day, 1)
    before = path.read_bytes()
    scenario, kind, settings, plan = day.scenario, "day", day.settings, plan_of(day)
    if change == "scenario":
        scenario = raytrace.parse_scenario(
            scenario.text + "\n# a note", overrides=scenario.overrides
        )
    elif change == "overrides":
        scenario = raytrace.parse_scenario(scenario.text, overrides=["errors.setting=6 mm"])
    elif change == "seed":
        settings = replace(settings, seed=2)
    elif change == "plan":
        plan["step_s"] = 900.0
    else:
        kind = "design"
    with pytest.raises(StoreError) as caught:
        RunFile.open(path, scenario, day.cooker, kind, settings, plan=plan)
    message = str(caught.value)
    assert said in message
    assert "-o" in message
    assert "--overwrite" in message
    assert path.read_bytes() == before
    with RunFile.open(
        path, scenario, day.cooker, kind, settings, plan=plan, overwrite=True
    ) as file:
        assert file.done_times == ()
    assert path.read_bytes() == before, "replaced only once there is something to replace it with"


def test_threads_make_no_other_run(tmp_path, day):
    path = tmp_path / "day.h5"
    begin(path, day, 1)
    settings = replace(day.settings, threads=7)
    assert conflicts(path, fingerprint_of(day.scenario, "day", settings, plan_of(day))) == []


def test_files_that_can_not_be_read_say_so(tmp_path, run):
    path = tmp_path / "run.h5"
    write_run(path, run)
    whole = path.read_bytes()

    (tmp_path / "notes.h5").write_text("no results at all")
    with pytest.raises(StoreError, match=r"notes\.h5: not a results file"):
        read_run(tmp_path / "notes.h5")

    for keep in (len(whole) // 2, len(whole) - 100):
        (tmp_path / "cut.h5").write_bytes(whole[:keep])
        with pytest.raises(StoreError, match=r"cut\.h5: cut short, damaged or changed"):
            read_run(tmp_path / "cut.h5")

    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = 1
    with pytest.raises(StoreError, match=r"other\.h5: an HDF5 file, but"):
        read_run(tmp_path / "other.h5")

    for form, words in ((1, "an earlier version"), (99, "a later version")):
        path.write_bytes(whole[: -store_files.SEALED])
        with h5py.File(path, "r+") as file:
            file.attrs["format"] = form
        with pytest.raises(StoreError, match=words):
            read_run(path)

    with pytest.raises(StoreError, match=r"gone\.h5: no such file"):
        read_run(tmp_path / "gone.h5")
    with pytest.raises(StoreError, match="is a folder"):
        write_run(tmp_path, run)


def test_the_design_sun_that_never_is_has_no_time(tmp_path):
    """Above 66° north the sun never stands at 60°; the moment is kept without a time."""
    scenario = raytrace.load_scenario(
        SCENARIOS / "courtyard.toml",
        ["site.latitude=69 deg", "design.sun_altitude=60 deg", "sky.dni=800 W/m^2"],
    )
    run = run_design(scenario, **FEW)
    assert run.moments[0].time is None
    write_run(tmp_path / "run.h5", run)
    assert_same_moment(run.moments[0], read_run(tmp_path / "run.h5").moments[0])


def test_times_keep_the_zone_of_the_site(tmp_path, scenario):
    times = ["2026-03-20T10:30", "2026-03-20T18:30+00:00"]
    run = run_at(scenario, times, **FEW)
    write_run(tmp_path / "run.h5", run)
    back = read_run(tmp_path / "run.h5")
    assert [m.time for m in back.moments] == [m.time for m in run.moments]
    assert [f"{m.time:%H:%M}" for m in back.moments] == ["10:30", "12:30"]
    assert {str(m.time.tz) for m in back.moments} == {"America/Mexico_City"}


def test_a_study_s_file_is_refused_with_the_command_that_shows_it(tmp_path):
    path = tmp_path / "season.h5"
    write_variables(path, "season", {"x": Variable(("t",), [1.0], "s", "time")}, {})
    with pytest.raises(StoreError, match=r"holds results of cooker season; .*: cooker show"):
        read_run(path)
