"""Arrays to HDF5 for people to open: the results of a season and of a comparison."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from raytrace.store.scenario import write_scenario
from raytrace.store.sealed import add_array, put_in_place, stamp

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Variable", "write_variables"]


class Variable(NamedTuple):
    """One array of a results file.

    Attributes
    ----------
    dims : tuple of str
        Name of each axis; a variable named like its only axis gives that axis its values.
    values : array_like
        Numbers, or text.
    units : str
        "" for text, "1" for a share or a count.
    long_name : str
    """

    dims: tuple[str, ...]
    values: Any
    units: str
    long_name: str


def write_variables(
    path: Path | str,
    kind: str,
    variables: Mapping[str, Variable],
    attributes: Mapping[str, Any],
    *,
    scenario: Scenario | None = None,
    command: str = "",
) -> int:
    """Write arrays to HDF5 in one step, so that ``xarray.open_dataset`` opens them.

    Parameters
    ----------
    path : path
        A file already there is replaced once the new one is complete.
    kind : str
        A key of `raytrace.store.sealed.KINDS`.
    variables : mapping of str to Variable
    attributes : mapping
        Of the file; what is not a number or text is kept as JSON.
    scenario : Scenario, optional
    command : str, optional
        By which they were made.

    Returns
    -------
    size : int
        Of the file. [bytes]

    Raises
    ------
    StoreError
        If it can't be written.
    """
    import h5py

    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        stamp(file, kind, command)
        if scenario is not None:
            write_scenario(file, scenario)
        for key, value in attributes.items():
            plain = isinstance(value, str | float | int)
            file.attrs[key] = value if plain else json.dumps(value, ensure_ascii=False)
        sizes = _sizes(variables)
        scales = {}
        for dim, size in sizes.items():
            own = variables.get(dim, Variable((dim,), np.arange(size), "1", "number"))
            scales[dim] = add_array(file, dim, own.values, own.long_name, own.units)
            scales[dim].make_scale(dim)
        for name, variable in variables.items():
            if name not in scales:
                data = add_array(file, name, variable.values, variable.long_name, variable.units)
                for axis, dim in enumerate(variable.dims):
                    data.dims[axis].attach_scale(scales[dim])
    return put_in_place(Path(path), image)


def _sizes(variables: Mapping[str, Variable]) -> dict[str, int]:
    sizes: dict[str, int] = {}
    for name, variable in variables.items():
        shape = np.shape(variable.values)
        if len(shape) != len(variable.dims):
            raise ValueError(f"{name}: {len(shape)} axes, but dims {variable.dims}")
        for dim, size in zip(variable.dims, shape, strict=True):
            if sizes.setdefault(dim, size) != size:
                raise ValueError(f"{name}: {size} along {dim}, elsewhere {sizes[dim]}")
    return sizes
