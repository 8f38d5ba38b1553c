"""A result as plain values for JSON and as tables for CSV, in the units in which people read it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.described import Described, described, described_here, shown, shown_name
from raytrace.scenario.schema import Scenario
from raytrace.statistics.estimate import Estimate
from raytrace.store.dataset import Variable, coordinates_of, variables_of

__all__ = ["plain", "table"]


def plain(result: Any, holder: Described | None = None) -> dict[str, Any]:
    """Result as JSON can hold it: units in the keys, None for what is no number.

    Parameters
    ----------
    result : dataclass
        Of this package.
    holder : Described, optional
        The field that holds it, whose key has the unit of a class with `HELD`; shares and counts
        of that class, "[1]", keep theirs.

    Returns
    -------
    dict
        In the order of the fields; properties that the class lists in `ALSO` and values along its
        axes come last. What it lists in `APART`, such as maps of thousands of numbers, is left to
        the results file.
    """
    cls = type(result)
    known = described_here(result)
    out: dict[str, Any] = {}
    apart = getattr(cls, "APART", ())
    for name in described(cls):
        if name in apart:
            continue
        value, what = getattr(result, name), known[name]
        if holder is not None and getattr(cls, "HELD", False):
            out[name] = _value(value, what if what.units == "1" else holder)
            continue
        if isinstance(value, Scenario):
            out |= _of_scenario(value) if name == "scenario" else {name: _of_scenario(value)}
        elif isinstance(value, Mapping):
            here: dict[str, Any] = {}
            for k, v in value.items():
                own = known.get(f"{name}.{k}")
                here |= {str(k): _value(v, what)} if own is None else _named(k, v, own)
            out[shown_name(name, what)] = here
        else:
            out |= _named(name, value, what)
    return out


def _named(name: str, value: Any, what: Described) -> dict[str, Any]:
    """A value by its name with its unit; of an estimate, its standard error besides."""
    name = str(name).replace(" ", "_")
    if not isinstance(value, Estimate):
        return {shown_name(name, what): _value(value, what)}
    error = Described(what.units, shown="K" if what.shown == "degC" else what.shown)
    return {
        shown_name(name, what): _value(value.value, what),
        shown_name(f"{name}_se", error): _value(value.se, error),
    }


def _of_scenario(scenario: Scenario) -> dict[str, Any]:
    return {
        "scenario": scenario.source,
        "title": scenario.title,
        "overrides": list(scenario.overrides),
        "site": scenario.site.name,
        "timezone": scenario.site.timezone,
    }


def _value(value: Any, what: Described) -> Any:
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.ndarray | np.generic | int | float):
        return _numbers(value, what)
    if isinstance(value, Scenario):
        return _of_scenario(value)
    if isinstance(value, Estimate):
        return {"value": _value(value.value, what), "se": _value(value.se, what)}
    if is_dataclass(value):
        return plain(value, what)
    if isinstance(value, Mapping):
        return {str(k): _value(v, what) for k, v in value.items()}
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, Path):
        return value.name
    return [_value(v, what) for v in list(value)]


def _numbers(value: Any, what: Described) -> Any:
    """Numbers as people read them, in nested lists; None for what is no number."""
    array = np.asarray(value)
    if array.dtype.kind == "M":
        return np.datetime_as_string(array, unit="auto").tolist()
    if array.dtype.kind in "iuf":
        array = np.array(shown(value, what))
    if array.dtype.kind == "f" and not np.isfinite(array).all():
        gaps, array = ~np.isfinite(array), array.astype(object)
        array[gaps] = None
    return array.tolist()


def table(
    result: Any,
    *dims: str,
    across: Sequence[str] = (),
    only: Sequence[str] = (),
    leave_out: Sequence[str] = (),
) -> tuple[list[str], list[list[Any]]]:
    """Everything that a result has along some of its axes, as one row a place on them.

    Parameters
    ----------
    result : dataclass
        Of this package.
    *dims : str
        Axes, the slowest first. Variables along some of them, and no other, are columns.
    across : sequence of str
        Further axes, along which a variable becomes columns side by side, as mark_x and mark_y.
    only : sequence of str
        Variables that are columns, in this order; all, if none is named.
    leave_out : sequence of str
        Variables that are not.

    Returns
    -------
    columns : list of str
        With units; coordinates first. Fields of objects that stand in a row along an axis are
        named without the row.
    rows : list of list
        None for what is no number.
    """
    axes = coordinates_of(result)
    found = variables_of(result)
    variables: dict[str, Variable] = {}
    for name in only or [name for name in found if name not in leave_out]:
        on, values, what = found[name]
        if set(on) & set(dims) and set(on) <= {*dims, *across}:
            variables |= _side_by_side(name, on, values, what, across, axes)
    sizes = {d: n for on, x, _ in variables.values() for d, n in zip(on, x.shape, strict=True)}
    along = {
        dim: ((dim,), *place)
        for dim, place in axes.items()
        if dim in dims and len(place[0]) == sizes[dim]
    }
    shape = tuple(sizes[d] for d in dims)
    columns, data = [], []
    rows = tuple(f"{f.name}." for f in fields(result) if _are_rows(getattr(result, f.name)))
    for name, (on, values, what) in {**along, **variables}.items():
        order = sorted(range(len(on)), key=lambda k: dims.index(on[k]))
        spread = np.transpose(values, order).reshape([sizes[d] if d in on else 1 for d in dims])
        flat = np.broadcast_to(spread, shape).ravel()
        own = name.partition(".")[2] if name.startswith(rows) else name
        columns.append(shown_name(own, what))
        data.append(_value(flat, what))
    return columns, [list(row) for row in zip(*data, strict=True)]


def _side_by_side(
    name: str,
    on: tuple[str, ...],
    values: NDArray[Any],
    what: Described,
    across: Sequence[str],
    axes: Mapping[str, tuple[NDArray[Any], Described]],
) -> dict[str, Variable]:
    """A variable without some of its axes: one for each place on these, named after it."""
    out: dict[str, Variable] = {}
    spread = [d for d in on if d in across]
    for at in np.ndindex(*(values.shape[on.index(d)] for d in spread)):
        here = dict(zip(spread, at, strict=True))
        words = [
            "xyz"[k] if d == "xyz" else str(axes[d][0][k]).replace(" ", "_")
            for d, k in here.items()
        ]
        part = values[tuple(here.get(d, slice(None)) for d in on)]
        out["_".join([name, *words])] = (tuple(d for d in on if d not in here), part, what)
    return out


def _are_rows(value: Any) -> bool:
    return isinstance(value, tuple) and bool(value) and is_dataclass(value[0])
