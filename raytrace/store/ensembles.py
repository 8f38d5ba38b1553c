"""Ensembles to HDF5 files and back, one group each, so that a study can be stopped and continued.

As with single runs, a file on disk is whole at any moment: it is built in memory and takes the
place of the previous one in a single step. What decides the results (scenario, plan, version)
stands in the root's attributes, and a file whose words differ is never continued. One process at a
time writes to it.
"""

from __future__ import annotations

import io
import json
import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.exceptions import GeometryError, StoreError
from raytrace.light.ensemble import Watts
from raytrace.store import sealed as store_files
from raytrace.store.journal import differing, study_words
from raytrace.store.locks import Lock
from raytrace.store.scenario import read_scenario, write_scenario
from raytrace.store.sealed import (
    add_array,
    image_of,
    is_there,
    kind_of,
    opened,
    put_in_place,
    refuse_strangers,
    stamp,
)
from raytrace.studies.tolerance.blame import Draws
from raytrace.studies.tolerance.tolerance import Level

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.tolerance import blame, tolerance

__all__ = [
    "EnsembleFile",
    "differences",
    "draws_from",
    "level_facts",
    "levels_from",
    "read_study",
    "words",
]

KINDS = ("tolerance", "blame")
SAVE_EVERY = 1.0  # between writes of a growing file [s]; a stop by Ctrl-C writes at once
WRITING = 0.1  # share of the time that writing may take, however large the file grows

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
    return {"kind": kind, **study_words(scenario, plan)}


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
    overwrite : bool
        Begin again, whatever is there; it is replaced at the first write.
    command : str, optional
        By which it is made.

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
        self.path = Path(path)
        self._lock = Lock(self.path)
        try:
            self._image = self._begin(scenario, words(scenario, kind, plan), overwrite, command)
        except BaseException:
            self._lock.release()
            raise
        self._saved = time.monotonic()
        self._wait = SAVE_EVERY
        self._dirty = False

    def _begin(
        self, scenario: Scenario, said: Mapping[str, Any], overwrite: bool, command: str
    ) -> io.BytesIO:
        refuse_strangers(self.path)
        if is_there(self.path) and not overwrite:
            found = differences(self.path, said)
            if found:
                raise StoreError(
                    f"{self.path}: holds another study, so it can't be continued "
                    f"({'; '.join(found)}). Name another file with -o, or replace this one with "
                    "--overwrite."
                )
            return image_of(self.path)
        return _new_image(scenario, said, command)

    def parts(self) -> dict[str, tuple[dict[str, float], Watts]]:
        """Ensembles in the file: attributes and watts, by name."""
        import h5py

        with h5py.File(self._image, "r") as file:
            return _parts(file)

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
                add_array(group, key, getattr(watts, key), long_name, "W")
            group.attrs["done"] = True
        self._dirty = True
        if time.monotonic() - self._saved > self._wait:
            self.save()

    def save(self) -> None:
        """Bring to disk what is not there yet."""
        if self._dirty:
            begun = time.monotonic()
            put_in_place(self.path, self._image)
            self._dirty = False
            self._saved = time.monotonic()
            self._wait = max(SAVE_EVERY, (self._saved - begun) / WRITING)

    def __enter__(self) -> EnsembleFile:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self.save()
        finally:
            self._lock.release()


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
        If the file is no results file, or damaged.
    """
    if (there := kind_of(path)) != said["kind"]:
        return [f"of cooker {store_files.KINDS[there]} there, of cooker {said['kind']} now"]
    with opened(path, *KINDS) as file:
        return differing(json.loads(file.attrs["words"]), said)


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
        said = json.loads(file.attrs["words"])
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


def _new_image(scenario: Scenario, said: Mapping[str, Any], command: str) -> io.BytesIO:
    import h5py

    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        stamp(file, said["kind"], command)
        write_scenario(file, scenario)
        file.attrs["seed"] = said["plan"]["seed"]
        file.attrs["words"] = json.dumps(said, ensure_ascii=False)
        group = file.create_group("ensembles")
        for name, unit in _LEVEL_UNITS.items():
            group.attrs[f"unit of {name}"] = unit
    return image


def _parts(file: Any) -> dict[str, tuple[dict[str, float], Watts]]:
    return {str(group.attrs["name"]): _read(group) for group in _done(file)}


def _done(file: Any) -> list[Any]:
    groups = file["ensembles"]
    return [groups[k] for k in sorted(groups) if bool(groups[k].attrs.get("done", False))]


def _read(group: Any) -> tuple[dict[str, float], Watts]:
    facts = {k: float(v) for k, v in group.attrs.items() if k not in ("name", "done")}
    return facts, Watts(np.asarray(group["delivered"][()]), np.asarray(group["leaving"][()]))
