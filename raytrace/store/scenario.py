"""A scenario in a results file, with all that it was read from, so that its study can be repeated.

Text, what was set over it and tables are attributes of the root; the weather file, which may be
megabytes, is a data set of the group `files`, where there is one.
"""

from __future__ import annotations

import atexit
import contextlib
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from raytrace.exceptions import StoreError

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["files_of", "unpacked", "weather_bytes"]


def files_of(file: Any) -> dict[str, bytes]:
    """Files in a results file, by the names that the scenario gives them.

    Parameters
    ----------
    file : h5py.File

    Returns
    -------
    dict of str to bytes
    """
    return {str(d.attrs["name"]): d[()].tobytes() for d in file.get("files", {}).values()}


def weather_bytes(scenario: Scenario) -> dict[str, bytes]:
    """The weather file by the name that the scenario gives it; nothing if it has none of its own.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    dict of str to bytes

    Raises
    ------
    StoreError
        If it can't be read.
    """
    path = scenario.sky.weather_file
    if path is None or str(path) in scenario.tables:
        return {}
    name = str(path)
    if scenario.folder is not None:
        with contextlib.suppress(ValueError):
            name = str(path.relative_to(scenario.folder))
    try:
        return {name: path.read_bytes()}
    except OSError as error:
        raise StoreError(f"{path.name}: the weather file can't be read: {error.strerror}") from None


def unpacked(files: Mapping[str, bytes]) -> Path:
    """Folder, gone when the program ends, in which files lie where the scenario looks for them.

    Parameters
    ----------
    files : mapping of str to bytes
        By the names that the scenario gives them.

    Returns
    -------
    path
        Of the folder.
    """
    top = Path(tempfile.mkdtemp(prefix="cooker-")).resolve()
    atexit.register(shutil.rmtree, top, ignore_errors=True)
    up = max(PurePath(name).parts.count("..") for name in files)
    folder = top.joinpath(*["in"] * up)
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        place = (folder / name).resolve()
        if not place.is_relative_to(top):
            # an absolute name: the scenario finds that file itself or says that it is gone
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
    return folder
