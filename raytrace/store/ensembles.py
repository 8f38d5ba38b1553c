"""Ensembles to HDF5 files and back, one group each, so that a study can be stopped and continued.

While a study lasts, each of its ensembles is a finished part beside the file.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.exceptions import GeometryError, StoreError
from raytrace.light.ensemble import Watts
from raytrace.store.fingerprint import fingerprint
from raytrace.store.parts import Value
from raytrace.store.places import parts_beside
from raytrace.store.scenario import read_scenario, write_scenario
from raytrace.store.sealed import add_array, opened, put_in_place, stamp
from raytrace.studies.tolerance.blame import Draws
from raytrace.studies.tolerance.tolerance import Level

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.tolerance import blame, tolerance

__all__ = [
    "EnsembleFile",
    "draws_from",
    "level_facts",
    "levels_from",
    "read_study",
]

KINDS = ("tolerance", "blame")
_LEVEL_UNITS = {"value": "rad or m", "sigma": "rad", "miss": "m", "redone": "1"}
_WATTS = {
    "delivered": "power on the base, build by replicate",
    "leaving": "power that leaves the mirrors unblocked, build by replicate",
}


class EnsembleFile:
    """Results file of a study of ensembles, with its finished parts while it lasts.

    Use as a context manager: what `append` was given is on the disk, as a part beside the file.
    `finish` puts all into the file.

    Parameters
    ----------
    path : path
        Its folder is made if need be.
    scenario : Scenario
    kind : str
        "tolerance" or "blame".
    plan : Plan
        Of either study.
    overwrite : bool
        Begin again, whatever is there; it is replaced at the end.
    command : str, optional
        By which it is made.

    Attributes
    ----------
    done : dict of str to mapping
        Ensembles by name: their watts, and what else `append` was given.
    lost : str
        What the disk has spoilt of the parts, in words; empty if nothing.

    Raises
    ------
    StoreError
        If the file there holds something else (the message says in what it differs), is damaged,
        or is being written by another process.
    """

    def __init__(
        self,
        path: Path | str,
        scenario: Scenario,
        kind: str,
        plan: tolerance.Plan | blame.Plan,
        *,
        overwrite: bool = False,
        command: str = "",
    ) -> None:
        self.path, self._scenario, self._command = Path(path), scenario, command
        self._fingerprint = fingerprint(kind, [scenario], plan)
        self._parts, there = parts_beside(self.path, self._fingerprint, overwrite=overwrite)
        self.lost = self._parts.lost
        self.done: dict[str, Mapping[str, Value]] = {}
        if there:
            with opened(self.path) as file:
                self.done.update(_parts(file))
        self.done.update(self._parts.done)

    def append(self, name: str, watts: Watts, facts: Mapping[str, float] | None = None) -> None:
        """Add one ensemble and bring it to disk.

        Raises
        ------
        StoreError
            If it can't be written; all before it stays good.
        """
        self._parts.add(name, {**(facts or {}), **{key: getattr(watts, key) for key in _WATTS}})
        self.done[name] = self._parts.done[name]

    def finish(self) -> None:
        """Put into the file what is finished, and remove the parts.

        Raises
        ------
        StoreError
            If the file can't be written; the parts then stay.
        """
        import h5py

        if self._parts.done:
            image, said = io.BytesIO(), self._fingerprint
            with h5py.File(image, "w") as file:
                stamp(file, said["kind"], self._command)
                write_scenario(file, self._scenario)
                file.attrs["seed"] = said["plan"]["seed"]
                file.attrs["fingerprint"] = json.dumps(said, ensure_ascii=False)
                groups = file.create_group("ensembles")
                for name, unit in _LEVEL_UNITS.items():
                    groups.attrs[f"unit of {name}"] = unit
                for name, part in self.done.items():
                    group = groups.create_group(f"{len(groups):04d}")
                    group.attrs["name"] = name
                    for key, value in part.items():
                        if key in _WATTS:
                            add_array(group, key, value, _WATTS[key], "W")
                        else:
                            group.attrs[key] = value
            put_in_place(self.path, image)
        self._parts.remove()

    def __enter__(self) -> EnsembleFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._parts.close()


def levels_from(parts: Mapping[str, Mapping[str, Any]]) -> list[Level]:
    """Levels of a tolerance study from `EnsembleFile.done`."""
    return [
        Level(name, **{key: part[key] for key in _LEVEL_UNITS}, watts=_watts(part))
        for name, part in parts.items()
    ]


def level_facts(level: Level) -> dict[str, float]:
    """What `EnsembleFile.append` keeps of a level besides its watts."""
    return {k: getattr(level, k) for k in _LEVEL_UNITS}


def draws_from(parts: Mapping[str, Mapping[str, Any]]) -> list[Draws]:
    """Ensembles of a blame study from `EnsembleFile.done`."""
    return [Draws(name, _watts(part)) for name, part in parts.items()]


def read_study(path: Path | str) -> tolerance.Tolerance | blame.Blame:
    """Read a study of ensembles; everything it needs is in the file.

    Parameters
    ----------
    path : path

    Raises
    ------
    StoreError
        If the file can't be read, is damaged, holds something else, or the study isn't finished.
    """
    from raytrace.light import ensemble
    from raytrace.studies.tolerance import blame, tolerance

    with opened(Path(path), *KINDS) as file:
        said = json.loads(file.attrs["fingerprint"])
        scenario = read_scenario(file)
        parts = _parts(file)
    asked = {k: tuple(x) if isinstance(x, list) else x for k, x in said["plan"].items()}
    study = tolerance if said["kind"] == "tolerance" else blame
    plan = study.Plan(**asked)
    built = ensemble.design_ensemble(
        scenario, seed=plan.seed, beams=plan.beams, replicates=plan.replicates
    )
    try:
        if study is tolerance:
            return tolerance.put_together(built, plan, levels_from(parts))
        return blame.put_together(built, plan, draws_from(parts))
    except GeometryError as error:
        raise StoreError(f"{path}: the study isn't finished ({error}).") from error


def _parts(file: Any) -> dict[str, dict[str, Any]]:
    groups = file["ensembles"]
    return {str(groups[k].attrs["name"]): _read(groups[k]) for k in sorted(groups)}


def _read(group: Any) -> dict[str, Any]:
    facts = {key: float(value) for key, value in group.attrs.items() if key != "name"}
    return {**facts, **{key: np.asarray(group[key][()]) for key in _WATTS}}


def _watts(part: Mapping[str, Any]) -> Watts:
    return Watts(**{key: part[key] for key in _WATTS})
