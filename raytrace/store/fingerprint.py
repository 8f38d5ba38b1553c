"""What decides a study's results: digests of the files it reads, and how two studies differ."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeAlias

from raytrace.exceptions import StoreError

__all__ = ["Words", "differing", "digest"]

Words: TypeAlias = Mapping[str, Any]


def digest(path: Path) -> str:
    """Digest of a file's bytes.

    Parameters
    ----------
    path : path

    Raises
    ------
    StoreError
        If it can't be read.
    """
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise StoreError(f"{path.name}: can't be read: {error.strerror}.") from None


def differing(there: Words, here: Words) -> list[str]:
    """Say in what two sets of words differ; empty if they are the same.

    Parameters
    ----------
    there : mapping
        Of the file.
    here : mapping
        Of the work that is about to be done.

    Examples
    --------
    >>> differing({"plan": {"seed": 1, "beams": 2}}, {"plan": {"seed": 2, "beams": 2}})
    ['changed since: seed']
    """
    found = []
    for name in dict.fromkeys([*here, *there]):
        old, new = there.get(name), here.get(name)
        if old == new:
            continue
        if name == "scenario":
            found.append("the scenario's text has changed since")
        elif name == "weather":
            found.append("the weather file has changed since")
        elif isinstance(old, Mapping) and isinstance(new, Mapping):
            changed = sorted(k for k in {*old, *new} if old.get(k) != new.get(k))
            found.append(f"changed since: {', '.join(changed)}")
        else:
            found.append(f"{name}: {_short(old)} there, {_short(new)} now")
    return found


def _short(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "nothing"
    return "nothing" if value is None else str(value)
