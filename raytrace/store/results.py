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

from raytrace.scenario.loading import parse_scenario
from raytrace.store.dataset import from_dataset, scenarios_of, to_dataset
from raytrace.store.scenario import files_of, unpacked, weather_bytes
from raytrace.store.sealed import (
    SEALED,
    add_array,
    opened,
    put_in_place,
    stamp,
)

if TYPE_CHECKING:
    import xarray as xr

    from raytrace.scenario.schema import Scenario

__all__ = ["KeptScenario", "Stored", "read_result", "stored", "write_result"]

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

    data = to_dataset(result)
    for name, variable in data.variables.items():
        if variable.dtype.kind == "M":  # in other units xarray would write no times at all
            data[name] = variable.astype("M8[ns]")
    tree = data.attrs.pop("result")
    image = io.BytesIO(bytes(data.to_netcdf(engine="h5netcdf", encoding=_encoding(data))))
    with h5py.File(image, "r+") as file:
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


def _encoding(data: xr.Dataset) -> dict[str, dict[str, Any]]:
    """Checksums for other readers, and compression; no fill values: nan is nan."""
    out: dict[str, dict[str, Any]] = {}
    for name, variable in data.variables.items():
        kind = variable.dtype.kind
        how: dict[str, Any] = {} if kind in "OM" else {"_FillValue": None}
        if kind == "M":
            how |= {"units": "nanoseconds since 1970-01-01", "dtype": "int64"}
        if variable.ndim and variable.size and kind != "O":
            how["fletcher32"] = True
            if variable.size > 64:
                how |= {"compression": "gzip", "compression_opts": 4, "shuffle": True}
        out[str(name)] = how
    return out


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
