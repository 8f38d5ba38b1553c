"""Results files: a study's result as a data set in HDF5, with all that it was made from.

The root is the result's data set, which any reader of netCDF-4 or HDF5 opens::

    xarray.open_dataset("courtyard-season.h5")

The group `made` holds what makes it the same object again: the scenarios with their tables and
weather files, the fingerprint of all that decides the numbers, and the result's tree.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.described import Described
from raytrace.scenario.loading import parse_scenario
from raytrace.store.dataset import Variable, from_dataset, scenarios_of, taken_apart
from raytrace.store.scenario import files_of, unpacked, weather_bytes
from raytrace.store.sealed import (
    SEALED,
    add_array,
    opened,
    put_in_place,
    stamp,
)

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["KeptScenario", "Stored", "read_result", "stored", "write_result"]

NO_VALUES = "This is a netCDF dimension but not a netCDF variable"  # the standard's words
TEXTS = ("text", "overrides", "tables")  # of a scenario: too long for attributes


@dataclass(frozen=True)
class KeptScenario:
    """A scenario in a results file, as text.

    Attributes
    ----------
    source : str
        Name of its file.
    text : str
        TOML.
    overrides : tuple of str
        What was set over it.
    tables : mapping of str to str
        CSV tables by the names that the text gives them.
    files : mapping of str to bytes
        The weather file, likewise.
    """

    source: str
    text: str
    overrides: tuple[str, ...]
    tables: Mapping[str, str]
    files: Mapping[str, bytes] = field(repr=False)

    def scenario(self) -> Scenario:
        """Read it; its weather file lies in a folder that is gone when the program ends."""
        return parse_scenario(
            self.text,
            source=self.source,
            folder=unpacked(self.files) if self.files else None,
            overrides=self.overrides,
            tables=self.tables,
        )


@dataclass(frozen=True)
class Stored:
    """What a results file says of itself.

    Attributes
    ----------
    kind : str
        The command that makes such results.
    raytrace, created, command : str
        Version, moment and command line that made it.
    fingerprint : mapping
        All that decides its numbers.
    scenarios : tuple of KeptScenario
        That it was computed from.
    """

    kind: str
    raytrace: str
    created: str
    command: str
    fingerprint: Mapping[str, Any]
    scenarios: tuple[KeptScenario, ...]


def write_result(
    path: Path | str,
    result: Any,
    kind: str,
    fingerprint: Mapping[str, Any],
    *,
    command: str = "",
) -> int:
    """Write a result for people to open, in one step.

    Parameters
    ----------
    path : path
        A results file already there is replaced once the new one is complete.
    result : dataclass
        Of this package, see `raytrace.store.dataset`.
    kind : str
        The command that makes such results.
    fingerprint : mapping
        All that decides the numbers.
    command : str
        By which they were made; empty where it wasn't by a command.

    Returns
    -------
    int
        Size of the file. [bytes]

    Raises
    ------
    StoreError
        If it can't be written, or what is there is not this program's.
    """
    import h5py

    tree, variables, coordinates = taken_apart(result)
    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        _write_data(file, variables, coordinates)
        stamp(file, kind, command)
        made = file.create_group("made")
        add_array(made, "result", tree, "what of the result is no array, JSON")
        add_array(
            made,
            "fingerprint",
            json.dumps(fingerprint, ensure_ascii=False),
            "all that decides the numbers, JSON",
        )
        for k, scenario in enumerate(scenarios_of(result)):
            _write_scenario(made.create_group(f"scenario{k}"), scenario)
    return put_in_place(Path(path), image)


def read_result(path: Path | str, *kinds: str) -> Any:
    """Read a result; everything it needs is in the file.

    Parameters
    ----------
    path : path
    *kinds : str
        Those that are of use; any, if none is named.

    Returns
    -------
    dataclass
        The object that was written, bit for bit; weather files of its scenarios lie in a folder
        that is gone when the program ends.

    Raises
    ------
    StoreError
        If the file can't be read, is damaged, or holds something else.
    """
    import xarray as xr

    path = Path(path)
    with opened(path, *kinds) as file:
        made = file["made"]
        tree = _text(made["result"])
        scenarios = [_kept(group).scenario() for group in _scenarios(made)]
    with xr.open_dataset(io.BytesIO(path.read_bytes()[:-SEALED]), engine="h5netcdf") as data:
        return from_dataset(data.load().assign_attrs(result=tree), scenarios)


def stored(path: Path | str, *kinds: str) -> Stored:
    """What a results file says of itself.

    Parameters
    ----------
    path : path
    *kinds : str
        Those that are of use; any, if none is named.

    Returns
    -------
    Stored

    Raises
    ------
    StoreError
        As `read_result`.
    """
    with opened(Path(path), *kinds) as file:
        made = file["made"]
        said = {k: str(file.attrs[k]) for k in ("kind", "raytrace", "created", "command")}
        return Stored(
            **said,
            fingerprint=json.loads(_text(made["fingerprint"])),
            scenarios=tuple(_kept(group) for group in _scenarios(made)),
        )


def _write_data(
    file: Any,
    variables: Mapping[str, Variable],
    coordinates: Mapping[str, tuple[NDArray[Any], Described]],
) -> None:
    """Variables and axes as netCDF-4 lays them out in HDF5; xarray need not be loaded for it."""
    scales = {}
    for dim, (values, what) in coordinates.items():
        scales[dim] = _write_array(file, dim, values, what)
        scales[dim].make_scale(dim)
    # a variable named as its only axis gives that axis its values
    for name, (dims, values, what) in sorted(variables.items(), key=lambda v: v[1][0] != (v[0],)):
        data = _write_array(file, name, values, what)
        if dims == (name,):
            data.make_scale(name)
            scales[name] = data
            continue
        for axis, (dim, size) in enumerate(zip(dims, values.shape, strict=True)):
            if dim not in scales:
                scales[dim] = file.create_dataset(dim, shape=(size,), dtype=">f4")
                scales[dim].make_scale(f"{NO_VALUES}{size:10d}")
            data.dims[axis].attach_scale(scales[dim])


def _write_array(file: Any, name: str, values: NDArray[Any], what: Described) -> Any:
    """One array with units and meaning; times as whole nanoseconds, which xarray reads as such."""
    units, more = what.units, {}
    if values.dtype.kind == "M":
        values, units = values.astype("M8[ns]").astype(np.int64), "nanoseconds since 1970-01-01"
        more = {"calendar": "proleptic_gregorian"}
    elif values.dtype.kind == "b":
        more = {"dtype": "bool"}
    data = add_array(file, name, values, what.meaning, units)
    data.attrs.update(more)
    return data


def _write_scenario(group: Any, scenario: Scenario) -> None:
    group.attrs.update(
        {
            "source": scenario.source,
            "title": scenario.title,
            "site": scenario.site.name,
            "timezone": scenario.site.timezone,
        }
    )
    texts = (
        scenario.text,
        json.dumps(list(scenario.overrides), ensure_ascii=False),
        json.dumps(dict(sorted(scenario.tables.items())), ensure_ascii=False),
    )
    for name, text in zip(TEXTS, texts, strict=True):
        add_array(group, name, text, f"{name} of the scenario")
    for name, content in weather_bytes(scenario).items():
        files = group.require_group("files")
        # a slash in the name would make groups of the folders
        kept = add_array(files, str(len(files)), np.frombuffer(content, np.uint8), "weather file")
        kept.attrs["name"] = name


def _scenarios(made: Any) -> list[Any]:
    count = sum(name.startswith("scenario") for name in made)
    return [made[f"scenario{k}"] for k in range(count)]


def _text(stored_text: Any) -> str:
    return str(stored_text.asstr()[()])


def _kept(group: Any) -> KeptScenario:
    return KeptScenario(
        source=str(group.attrs["source"]),
        text=_text(group["text"]),
        overrides=tuple(json.loads(_text(group["overrides"]))),
        tables=json.loads(_text(group["tables"])),
        files=files_of(group),
    )
