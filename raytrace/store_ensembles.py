"""Ensembles to HDF5 files and back, one group each, so that a study can be stopped and continued.

As with single runs, a file on disk is whole at any moment: it is built in memory and takes the
place of the previous one in a single step. What decides the results (scenario, plan, version)
stands in the root's attributes, and a file whose words differ is never continued.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import time
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.exceptions import StoreError
from raytrace.files import write_whole
from raytrace.store_parts import differing
from raytrace.studies.blame import Draws
from raytrace.studies.ensemble import Watts
from raytrace.studies.tolerance import Level

if TYPE_CHECKING:
    from raytrace.scenario import Scenario
    from raytrace.studies import blame, tolerance

__all__ = [
    "EnsembleFile",
    "differences",
    "draws_from",
    "level_facts",
    "levels_from",
    "words",
]

FORMAT = 1
SAVE_EVERY = 1.0  # between writes of a growing file [s]; a stop by Ctrl-C writes at once

_LEVEL_UNITS = {"value": "rad or m", "sigma": "rad", "miss": "m", "redone": "1"}


def words(scenario: Scenario, kind: str, plan: tolerance.Plan | blame.Plan) -> dict[str, Any]:
    """Everything that decides what a study computes, as plain values.

    Parameters
    ----------
    scenario : Scenario
    kind : str
        "tolerance" or "blame".
    plan : Plan
        Of either study.
    """
    from raytrace import __version__

    asked = {k: list(x) if isinstance(x, tuple) else x for k, x in asdict(plan).items()}
    return {
        "kind": kind,
        "raytrace": __version__,
        "scenario": scenario.text,
        "overrides": list(scenario.overrides),
        "tables": dict(sorted(scenario.tables.items())),
        "plan": asked,
    }


class EnsembleFile:
    """Results file of a study of ensembles, which grows by one ensemble at a time.

    Use as a context manager: leaving it, also by Ctrl-C or an error, writes what is not yet on
    disk.

    Parameters
    ----------
    path : path
        Its folder is made if need be.
    scenario : Scenario
    kind : str
    plan : Plan
        As for `words`.
    anew : bool
        Begin again, whatever is there; it is replaced at the first write.

    Raises
    ------
    StoreError
        If the file there holds something else; the message says in what it differs.
    """

    def __init__(
        self,
        path: Path | str,
        scenario: Scenario,
        kind: str,
        plan: tolerance.Plan | blame.Plan,
        *,
        anew: bool = False,
    ) -> None:
        self.path = Path(path)
        said = words(scenario, kind, plan)
        if self.path.exists() and not anew:
            found = differences(self.path, said)
            if found:
                raise StoreError(
                    f"{self.path}: holds another study, so it can't be continued "
                    f"({'; '.join(found)}). Name another file with -o, or replace this one with "
                    "--anew."
                )
            self._image = io.BytesIO(self.path.read_bytes())
        else:
            self._image = _new_image(scenario, said)
        self._saved = time.monotonic()
        self._dirty = False

    def parts(self) -> dict[str, tuple[dict[str, float], Watts]]:
        """Ensembles in the file: attributes and watts, by name."""
        import h5py

        with h5py.File(self._image, "r") as file:
            return {str(g.attrs["name"]): _read(g) for g in _done(file)}

    def append(self, name: str, watts: Watts, facts: Mapping[str, float] | None = None) -> None:
        """Add one ensemble; it reaches the disk within a second or so, or on leaving.

        Raises
        ------
        StoreError
            If the file can't be written.
        """
        import h5py

        with h5py.File(self._image, "r+") as file:
            ensembles = file["ensembles"]
            group = ensembles.create_group(f"{len(ensembles):04d}")
            group.attrs["name"] = name
            for key, value in (facts or {}).items():
                group.attrs[key] = float(value)
            for key, long_name in (
                ("delivered", "power on the base, build by replicate"),
                ("leaving", "power that leaves the mirrors unblocked, build by replicate"),
            ):
                data = group.create_dataset(
                    key, data=getattr(watts, key), compression="gzip", shuffle=True
                )
                data.attrs["units"] = "W"
                data.attrs["long_name"] = long_name
            file.flush()
            group.attrs["done"] = True
        self._dirty = True
        if time.monotonic() - self._saved > SAVE_EVERY:
            self.save()

    def save(self) -> None:
        """Bring to disk what is not there yet."""
        if self._dirty:
            write_whole(self.path, self._image.getbuffer())
            self._dirty = False
            self._saved = time.monotonic()

    def __enter__(self) -> EnsembleFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.save()


def differences(path: Path, said: Mapping[str, Any]) -> list[str]:
    """Say in what a file's study differs from one that is about to be made.

    Parameters
    ----------
    path : path
    said : mapping
        From `words`.

    Returns
    -------
    list of str
        Empty if the same work gives the same bits.

    Raises
    ------
    StoreError
        If the file is no results file of this kind.
    """
    import h5py

    try:
        with h5py.File(path, "r") as file:
            there = json.loads(file.attrs["words"]) if "words" in file.attrs else None
            if there is not None:
                len(_done(file))  # a torn file shows here
    except (OSError, KeyError, RuntimeError, json.JSONDecodeError) as error:
        raise StoreError(
            f"{path}: not a results file of this command, or damaged. Name another file with -o."
        ) from error
    if there is None or there.get("kind") != said["kind"]:
        raise StoreError(f"{path}: holds results of another command. Name another file with -o.")
    return differing(there, said)


def levels_from(parts: Mapping[str, tuple[dict[str, float], Watts]]) -> list[Level]:
    """Levels of a tolerance study from `EnsembleFile.parts`."""
    return [
        Level(name, facts["value"], facts["sigma"], facts["miss"], facts["redone"], watts)
        for name, (facts, watts) in parts.items()
    ]


def level_facts(level: Level) -> dict[str, float]:
    """What `EnsembleFile.append` keeps of a level besides its watts."""
    return {k: getattr(level, k) for k in _LEVEL_UNITS}


def draws_from(parts: Mapping[str, tuple[dict[str, float], Watts]]) -> list[Draws]:
    """Ensembles of a blame study from `EnsembleFile.parts`."""
    return [Draws(name, watts) for name, (_, watts) in parts.items()]


def _new_image(scenario: Scenario, said: Mapping[str, Any]) -> io.BytesIO:
    import h5py

    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        file.attrs.update(
            {
                "kind": said["kind"],
                "format": FORMAT,
                "raytrace": said["raytrace"],
                "seed": said["plan"]["seed"],
                "title": scenario.title,
                "source": scenario.source,
                "scenario": said["scenario"],
                "words": json.dumps(said, ensure_ascii=False),
                "created": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
            }
        )
        group = file.create_group("ensembles")
        for name, unit in _LEVEL_UNITS.items():
            group.attrs[f"unit of {name}"] = unit
    return image


def _done(file: Any) -> list[Any]:
    groups = file["ensembles"]
    return [groups[k] for k in sorted(groups) if bool(groups[k].attrs.get("done", False))]


def _read(group: Any) -> tuple[dict[str, float], Watts]:
    facts = {k: float(v) for k, v in group.attrs.items() if k not in ("name", "done")}
    return facts, Watts(np.asarray(group["delivered"][()]), np.asarray(group["leaving"][()]))
