"""A study's result as one xarray Dataset, and back: the same object, bit for bit.

A result is a frozen dataclass of this package, of numbers, text, times, arrays and further such
dataclasses. Its arrays and floats become variables of the data set, named as the fields; those of
an inner object carry its name before a dot. Rows of alike objects become one more axis. What is
left (names of classes, counts, text, single numbers of unlike objects in a row) is a small tree in
the attribute `result`. Units, meanings
and axes come from the docstrings, see `raytrace.described`.
"""

from __future__ import annotations

import datetime as dt
import importlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from raytrace.described import Described, described, described_here
from raytrace.exceptions import StoreError
from raytrace.scenario.schema import Scenario
from raytrace.statistics.estimate import Estimate

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "Variable",
    "coordinates_of",
    "from_dataset",
    "from_part",
    "scenarios_of",
    "taken_apart",
    "to_dataset",
    "to_part",
    "variables_of",
]

PACKAGE = "raytrace"
Tree: TypeAlias = Any  # what JSON holds
Variable: TypeAlias = tuple[tuple[str, ...], NDArray[Any], Described]


def to_dataset(result: Any) -> xr.Dataset:
    """Result of a study as one data set.

    Parameters
    ----------
    result : dataclass
        Of this package.

    Returns
    -------
    xarray.Dataset
        Variables carry `units` and `long_name`. The attribute `result` holds what is no array;
        the scenarios it was computed from stand in `result` by number only, see
        `raytrace.store.results`.

    Raises
    ------
    TypeError
        If the result holds something that no data set can.
    """
    import xarray as xr

    tree, variables = _taken_apart(result)
    data = {
        name: (dims, values, _attributes(what)) for name, (dims, values, what) in variables.items()
    }
    coords = {
        dim: ((dim,), values, _attributes(what))
        for dim, (values, what) in coordinates_of(result).items()
    }
    return xr.Dataset(data, coords, {"result": json.dumps(tree, ensure_ascii=False)})


def variables_of(result: Any) -> dict[str, Variable]:
    """Arrays and floats of a result by name, with axes and description.

    Parameters
    ----------
    result : dataclass
        Of this package.

    Returns
    -------
    dict of str to (tuple of str, ndarray, Described)
    """
    return _taken_apart(result)[1]


def coordinates_of(result: Any) -> dict[str, tuple[NDArray[Any], Described]]:
    """Values along the axes that a result's class names in `COORDS`.

    Parameters
    ----------
    result : dataclass
        Of this package.

    Returns
    -------
    dict of str to (ndarray, Described)
        By axis.
    """
    out = {}
    for dim, name in getattr(type(result), "COORDS", {}).items():
        values = getattr(result, name)
        if len(values) and isinstance(values[0], dt.date):
            values = np.array(values, dtype="M8[ns]")
        values = np.asarray(values)
        if values.dtype.kind == "U":
            values = values.astype(object)
        out[dim] = (values, described(type(result)).get(name, Described()))
    return out


def taken_apart(
    result: Any,
) -> tuple[str, dict[str, Variable], dict[str, tuple[NDArray[Any], Described]]]:
    """What a data set of a result is made of.

    Parameters
    ----------
    result : dataclass
        Of this package.

    Returns
    -------
    tree : str
        What is no array, JSON.
    variables : dict of str to (tuple of str, ndarray, Described)
    coordinates : dict of str to (ndarray, Described)
        By axis.
    """
    tree, variables = _taken_apart(result)
    return json.dumps(tree, ensure_ascii=False), variables, coordinates_of(result)


def _taken_apart(result: Any) -> tuple[Tree, dict[str, Variable]]:
    writer = _Writer()
    tree = writer.tree(result, "", Described())
    known = {name: dims for name, (dims, _, _) in writer.variables.items()}
    sizes: dict[str, int] = {}
    variables = {}
    for name, (dims, values, what) in writer.variables.items():
        # a variable that isn't an axis' values can't have its name, and an axis of the same name
        # elsewhere may have another length
        free = [d if known.get(d, (d,)) == (d,) else f"{d}_axis" for d in dims]
        own = [
            d if sizes.setdefault(d, n) == n else f"{d}_{n}"
            for d, n in zip(free, values.shape, strict=True)
        ]
        variables[name] = (tuple(own), values, what)
    return tree, variables


def from_dataset(data: xr.Dataset, scenarios: Sequence[Scenario] = ()) -> Any:
    """Result from its data set.

    Parameters
    ----------
    data : xarray.Dataset
        From `to_dataset`, or what a results file holds.
    scenarios : sequence of Scenario
        That it was computed from, in their order in `scenarios_of`.

    Returns
    -------
    dataclass
        As it was given to `to_dataset`.

    Raises
    ------
    StoreError
        If the data set isn't one of these, or belongs to another version.
    """
    arrays = {str(name): variable.values for name, variable in data.variables.items()}
    return _put_together(data.attrs.get("result", ""), arrays, scenarios)


def to_part(result: Any) -> dict[str, Any]:
    """Result as one finished part, see `raytrace.store.parts`: its fields and nothing derived.

    Parameters
    ----------
    result : dataclass
        Of this package, without a scenario in it.

    Returns
    -------
    dict of str to ndarray or str
        Arrays by name, and the text of what is none as `result`.
    """
    writer = _Writer(derived=False)
    tree = writer.tree(result, "", Described())
    arrays = {name: values for name, (_, values, _) in writer.variables.items()}
    return {"result": json.dumps(tree, ensure_ascii=False), **arrays}


def from_part(part: Mapping[str, Any]) -> Any:
    """Result from what `to_part` gave.

    Parameters
    ----------
    part : mapping

    Returns
    -------
    dataclass

    Raises
    ------
    StoreError
        If it isn't one of these.
    """
    return _put_together(part.get("result", ""), part)


def _put_together(text: str, arrays: Mapping[str, Any], scenarios: Sequence[Scenario] = ()) -> Any:
    try:
        return _read(json.loads(text), arrays, scenarios)
    except (KeyError, ValueError, TypeError, AttributeError, ImportError, IndexError) as error:
        raise StoreError(f"not a result of this version of the program ({error!r})") from error


def scenarios_of(result: Any) -> list[Scenario]:
    """Scenarios that a result holds, each once, in the order in which it does.

    Parameters
    ----------
    result : dataclass

    Returns
    -------
    list of Scenario
    """
    writer = _Writer()
    writer.tree(result, "", Described())
    return writer.scenarios


@dataclass
class _Writer:
    """Variables and scenarios found so far; with `derived`, properties too."""

    variables: dict[str, Variable] = field(default_factory=dict)
    scenarios: list[Scenario] = field(default_factory=list)
    loose: bool = False  # single numbers stay in the tree
    derived: bool = True

    def tree(self, value: Any, path: str, what: Described) -> Tree:
        """What JSON holds of a value; arrays are put aside as variables."""
        if value is None or isinstance(value, bool | int | str):
            return value
        if isinstance(value, Scenario):
            return {"scenario": self._number(value)}
        if isinstance(value, float) and self.loose and type(value) is float:
            return value
        if isinstance(value, np.generic | float):
            return self._put(path, np.asarray(value), what, scalar=type(value).__name__)
        if isinstance(value, np.ndarray):
            return self._put(path, value, what)
        if isinstance(value, Estimate):
            return {
                "estimate": value.n_replicates,
                "value": self._put(path, value.value, what),
                "se": self._put(
                    f"{path}_se",
                    value.se,
                    Described(what.units, f"standard error of {path}", what.dims, what.shown),
                ),
            }
        if is_dataclass(value) and not isinstance(value, type):
            return self._object(value, path, what)
        if isinstance(value, Mapping):
            return {"dict": [[k, self.tree(v, _in(path, k), what)] for k, v in value.items()]}
        if isinstance(value, tuple | list):
            return self._row(value, path, what)
        return _time(value)

    def _number(self, scenario: Scenario) -> int:
        for k, known in enumerate(self.scenarios):
            if known is scenario:
                return k
        self.scenarios.append(scenario)
        return len(self.scenarios) - 1

    def _object(self, value: Any, path: str, what: Described) -> Tree:
        cls = type(value)
        known, bare = described_here(value), getattr(cls, "BARE", ())
        if getattr(cls, "HELD", False):
            known = {
                name: own if own.units == "1" else replace(what, meaning=own.meaning)
                for name, own in known.items()
            }

        def of(name: str) -> Tree:
            inner, at = getattr(value, name), _in(path, name)
            if not isinstance(inner, Mapping):
                return self.tree(inner, at, known[name])
            at = path if name in bare else at
            each = {k: known.get(f"{name}.{k}", known[name]) for k in inner}
            return {"dict": [[k, self.tree(v, _in(at, k), each[k])] for k, v in inner.items()]}

        inner = {f.name: of(f.name) for f in fields(cls) if f.init}
        # for readers; reading back computes them again
        for name in getattr(cls, "ALSO", ()) if self.derived else ():
            of(name)
        return {"class": f"{cls.__module__}:{cls.__qualname__}", "fields": inner}

    def _row(self, values: Sequence[Any], path: str, what: Described) -> Tree:
        """Alike things side by side as one more axis, where they are alike; else each alone."""
        kind = type(values).__name__
        if all(isinstance(v, float) for v in values) and values:
            return {kind: self._put(path, np.array(values, dtype=float), what)}
        if not any(is_dataclass(v) or isinstance(v, np.ndarray | np.generic) for v in values):
            return {kind: [self.tree(v, f"{path}.{k}", what) for k, v in enumerate(values)]}
        row = what.dims[:1] if is_dataclass(values[0]) else ()
        parts = []
        for value in values:
            part = _Writer(scenarios=self.scenarios, derived=self.derived)
            one = replace(what, dims=what.dims[len(row) :])
            parts.append((part.tree(value, path, one), part.variables))
        if _alike([p[1] for p in parts]):
            dim = row[0] if row else path.rpartition(".")[2]
            for name, (dims, _, each) in parts[0][1].items():
                stacked = np.stack([p[1][name][1] for p in parts])
                self._put(name, stacked, replace(each, dims=(dim, *dims)))
            return {kind: [p[0] for p in parts], "along": dim}
        loose, self.loose = self.loose, True
        try:
            return {kind: [self.tree(v, f"{path}.{k}", what) for k, v in enumerate(values)]}
        finally:
            self.loose = loose

    def _put(self, name: str, values: Any, what: Described, scalar: str = "") -> Tree:
        values = np.asarray(values)
        stated = what.dims if len(what.dims) == values.ndim else ("",) * values.ndim
        dims = [
            d if d.isidentifier() else "xyz" if d == "3" else f"{name}_{k}"
            for k, d in enumerate(stated)
        ]
        if len(set(dims)) < len(dims):
            dims = [f"{d}_{k}" for k, d in enumerate(dims)]
        if values.dtype.kind == "U":
            values = values.astype(object)
        self.variables[name] = (tuple(dims), values, what)
        return {"variable": name, "type": scalar or values.dtype.str}


def _in(path: str, name: object) -> str:
    own = str(name).replace(" ", "_")
    return f"{path}.{own}" if path else own


def _alike(parts: Sequence[Mapping[str, Any]]) -> bool:
    shapes = [{k: (v[1].shape, v[1].dtype) for k, v in p.items()} for p in parts]
    return bool(shapes[0]) and all(s == shapes[0] for s in shapes)


def _time(value: Any) -> Tree:
    if isinstance(value, dt.datetime):  # pandas' Timestamp too
        zone = getattr(value.tzinfo, "key", None) or (str(value.tzinfo) if value.tzinfo else None)
        return {"time": value.isoformat(), "zone": zone, "pandas": hasattr(value, "nanosecond")}
    if isinstance(value, dt.date):
        return {"date": value.isoformat()}
    if isinstance(value, dt.time):
        return {"clock": value.isoformat()}
    if isinstance(value, Path):
        return {"path": str(value)}
    if hasattr(value, "asi8") and hasattr(value, "tz"):  # pandas' DatetimeIndex
        zone = None if value.tz is None else str(value.tz)
        return {"times": value.as_unit("ns").asi8.tolist(), "zone": zone, "unit": value.unit}
    raise TypeError(f"a result can't hold a {type(value).__name__}")


def _attributes(what: Described) -> dict[str, str]:
    return {k: v for k, v in (("units", what.units), ("long_name", what.meaning)) if v}


def _read(
    tree: Tree, data: Mapping[str, Any], scenarios: Sequence[Scenario], at: tuple[int, ...] = ()
) -> Any:
    """Value of a tree; `at` is where in the axes of rows around it."""
    if not isinstance(tree, dict):
        return tree
    if "variable" in tree:
        return _array(tree, data, at)
    if "scenario" in tree:
        return scenarios[tree["scenario"]]
    if "estimate" in tree:
        value, se = (np.asarray(_read(tree[k], data, scenarios, at)) for k in ("value", "se"))
        return Estimate(value, se, tree["estimate"])
    if "class" in tree:
        inner = {k: _read(v, data, scenarios, at) for k, v in tree["fields"].items()}
        return _class(tree["class"])(**inner)
    if "dict" in tree:
        return {k: _read(v, data, scenarios, at) for k, v in tree["dict"]}
    for kind, make in (("tuple", tuple), ("list", list)):
        if kind in tree:
            inner = tree[kind]
            if isinstance(inner, dict):
                return make(_array(inner, data, at).tolist())
            return make(
                _read(v, data, scenarios, (*at, k) if "along" in tree else at)
                for k, v in enumerate(inner)
            )
    return _read_time(tree)


def _array(tree: Mapping[str, str], data: Mapping[str, Any], at: tuple[int, ...]) -> Any:
    values = data[tree["variable"]][at]
    if tree["type"] == "float":
        return float(values)
    if tree["type"] in ("bool_", "bool"):
        return np.bool_(values)
    if tree["type"].isidentifier():  # a numpy scalar, by its name
        return getattr(np, tree["type"])(values)
    if tree["type"] == "|O":
        return np.asarray(values, dtype=str)
    return np.asarray(values).astype(tree["type"], copy=False)


def _class(name: str) -> Any:
    """A dataclass of this package by its name; never anything else, whatever a file says."""
    module, _, inner = name.partition(":")
    if module.partition(".")[0] != PACKAGE:
        raise ImportError(name)
    found: Any = importlib.import_module(module)
    for part in inner.split("."):
        found = getattr(found, part)
    if not (isinstance(found, type) and is_dataclass(found)):
        raise ImportError(name)
    return found


def _read_time(tree: Mapping[str, Any]) -> Any:
    if "date" in tree:
        return dt.date.fromisoformat(tree["date"])
    if "clock" in tree:
        return dt.time.fromisoformat(tree["clock"])
    if "path" in tree:
        return Path(tree["path"])
    import pandas as pd

    if "times" in tree:
        index = pd.DatetimeIndex(np.array(tree["times"], dtype="M8[ns]")).as_unit(tree["unit"])
        return index if tree["zone"] is None else index.tz_localize("UTC").tz_convert(tree["zone"])
    stamp = pd.Timestamp(tree["time"])
    if tree["zone"]:
        stamp = stamp.tz_convert(tree["zone"])
    return stamp if tree["pandas"] else stamp.to_pydatetime()
