"""A result as a data set, as a file, as JSON and CSV: what goes in comes out."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path
from typing import ClassVar

import h5py
import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from raytrace import load_scenario, read_result, run_at, season, to_dataset
from raytrace.exceptions import StoreError
from raytrace.scenario.schema import Scenario
from raytrace.statistics.estimate import Estimate
from raytrace.store import dataset
from raytrace.store.dataset import from_dataset
from raytrace.store.fingerprint import fingerprint
from raytrace.store.plain import plain, table
from raytrace.store.results import stored, write_result
from raytrace.studies.cooking.season import SeasonPlan

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def same(a, b, at="result"):
    """Whether two results are the same, bit for bit, in every field."""
    if isinstance(a, Scenario):
        assert a == b, at
        assert (a.text, a.overrides, a.tables) == (b.text, b.overrides, b.tables), at
        return
    assert type(a) is type(b), at
    if is_dataclass(a):
        for f in fields(a):
            same(getattr(a, f.name), getattr(b, f.name), f"{at}.{f.name}")
    elif isinstance(a, np.ndarray):
        assert (a.dtype, a.shape) == (b.dtype, b.shape), at
        assert a.tobytes() == b.tobytes(), at
    elif isinstance(a, tuple | list):
        assert len(a) == len(b), at
        for k, (x, y) in enumerate(zip(a, b, strict=True)):
            same(x, y, f"{at}[{k}]")
    elif isinstance(a, dict):
        assert list(a) == list(b), at
        for k in a:
            same(a[k], b[k], f"{at}[{k}]")
    elif hasattr(a, "equals"):  # an index of times
        assert a.equals(b), at
        assert a.dtype == b.dtype, at
    else:
        assert a == b or (a != a and b != b), at


@dataclass(frozen=True)
class Nothing:
    """A result that says nothing."""


@dataclass(frozen=True, eq=False)
class Inner:
    """Something within a result.

    Attributes
    ----------
    name : str
    heat : float
        How warm it is. [K]
    row : ndarray, shape (N,)
        Along it. [m]
    """

    name: str
    heat: float
    row: np.ndarray


@dataclass(frozen=True, eq=False)
class Outer:
    """A result that has some of everything.

    Attributes
    ----------
    table : ndarray, shape (N, K)
        Watts by place and kind. [W]
    figure : Estimate
        With its error. [W]
    parts : tuple of Inner
    odd : tuple of Inner
        Of different lengths.
    day : date
    counts : dict
    flags : ndarray of bool, shape (K,)
    words : tuple of str
    nothing : None
    """

    table: np.ndarray
    figure: Estimate
    parts: tuple[Inner, ...]
    odd: tuple[Inner, ...]
    day: dt.date
    counts: dict[str, float]
    flags: np.ndarray
    words: tuple[str, ...]
    nothing: None

    DIMS: ClassVar = {"N": "place", "K": "kind"}
    SHOWN: ClassVar = {"table": "W"}
    ALSO: ClassVar = ("lost",)

    @property
    def lost(self):
        """The watts with the other sign, shape (N, K). [W]"""
        return -self.table


floats = st.floats(width=32)  # a thousand times as much is a number too


@st.composite
def outers(draw):
    n, k = draw(st.integers(1, 4)), draw(st.integers(1, 3))

    def inner(length):
        row = draw(arrays.arrays(float, length, elements=floats))
        return Inner(draw(st.text(max_size=4)), draw(floats), row)

    parts = tuple(inner(n) for _ in range(draw(st.integers(0, 3))))
    values = draw(arrays.arrays(float, (2, 3), elements=floats))
    return Outer(
        table=draw(arrays.arrays(float, (n, k), elements=floats)),
        figure=Estimate(values[0], values[1], 5),
        parts=parts,
        odd=(inner(n), inner(n + 1)),
        day=draw(st.dates()),
        counts=draw(st.dictionaries(st.sampled_from("abc"), floats)),
        flags=draw(arrays.arrays(bool, k)),
        words=tuple(draw(st.lists(st.text(max_size=5), max_size=3))),
        nothing=None,
    )


@settings(deadline=None)  # the first one imports xarray
@given(outers())
def test_any_result_comes_back_bit_for_bit(result):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(dataset, "PACKAGE", __name__.partition(".")[0])
        same(result, from_dataset(to_dataset(result)))
    json.dumps(plain(result), allow_nan=False)


def test_only_classes_of_the_package_are_made():
    """A file can't name anything else to be called, whatever it says."""
    tree = {"class": "subprocess:Popen", "fields": {"args": ["true"]}}
    with pytest.raises(StoreError, match="not a result of this version"):
        from_dataset(xr.Dataset(attrs={"result": json.dumps(tree)}))
    inside = {"class": "raytrace.store.results:write_result", "fields": {}}
    with pytest.raises(StoreError):
        from_dataset(xr.Dataset(attrs={"result": json.dumps(inside)}))


@pytest.fixture(scope="module")
def run():
    return run_at(
        load_scenario(SCENARIOS / "rim-ring.toml"), ["2026-06-21T10:30", "2026-06-21T12:00"],
        samples=4000, bins=8,
    )  # fmt: skip


def test_a_file_holds_the_very_object_and_opens_in_xarray(run, tmp_path):
    path, stamp = tmp_path / "run.h5", fingerprint("trace", [run.scenario], run.plan)
    size = write_result(path, run, "trace", stamp, command="cooker trace")
    assert size == path.stat().st_size
    same(run, read_result(path))
    with xr.open_dataset(path) as data:
        power = data["moments.tally.power"]
        assert power.attrs["units"] == "W"
        np.testing.assert_array_equal(power[1], run.moments[1].tally.power)
    said = stored(path)
    assert (said.kind, said.command) == ("trace", "cooker trace")
    assert said.fingerprint == stamp
    assert said.scenarios[0].text == run.scenario.text
    assert set(said.scenarios[0].tables) == set(run.scenario.tables)
    with h5py.File(path) as file:
        assert file["moments.tally.power"].fletcher32  # shows damage to other readers too


def test_a_scenario_longer_than_an_attribute_may_be_is_kept(run, tmp_path):
    text = run.scenario.text + "\n# " + "x" * 200_000 + "\n"
    tables = run.scenario.tables
    from raytrace import parse_scenario

    long = parse_scenario(text, folder=SCENARIOS, tables=tables)
    path = tmp_path / "long.h5"
    write_result(path, replace(run, scenario=long), "trace", {"kind": "trace"})
    assert read_result(path).scenario.text == text


def test_a_season_is_kept_with_times_units_and_axes(tmp_path):
    scenario = load_scenario(SCENARIOS / "terrace.toml")
    plan = SeasonPlan(
        (dt.date(2026, 6, 1), dt.date(2026, 6, 11)), (9 * 3600.0, 10 * 3600.0), 1800.0
    )
    seen: list[tuple[float, float]] = []
    path = tmp_path / "season.h5"
    found = season(scenario, plan, path=path, progress=lambda *x: seen.append(x))
    assert seen == [(0, 2), (2, 2)]
    same(found, read_result(path, "season"))
    same(found, season(scenario, plan, path=path))  # read, not computed
    with xr.open_dataset(path) as data:
        assert data["boils"].dims == ("date", "start")
        assert data["boils"].attrs["units"] == "s"
        np.testing.assert_array_equal(data["date"].values, np.array(found.dates, "M8[ns]"))
        np.testing.assert_array_equal(data["start_time"].values, found.start_time)
        assert data["months.delivered"].dims == ("month", "start")
        assert list(data["month"].values) == ["2026-06"]
    columns, rows = table(found, "date", "start")
    assert columns[:4] == ["date", "start", "start_at_s", "followed_min"]
    assert rows[3][:2] == ["2026-06-11", "10:00"]
    assert rows[3][columns.index("boils_min")] == pytest.approx(found.boils[1, 1] / 60.0)
    with pytest.raises(StoreError, match="seed: 1 there, 2 now"):
        season(scenario, replace(plan, seed=2), path=path)
