"""Runs to HDF5 files and back, and days that grow moment by moment.

A file is built in memory and takes the place of the previous one in a single step, see
`raytrace.store.sealed`. What a day has finished since stands in a journal beside it, so that each
moment costs the disk no more than itself and nothing that stops the work loses one.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.exceptions import StoreError
from raytrace.store import layout
from raytrace.store.journal import PartsFile, journal_of, part_differences
from raytrace.store.scenario import files_of, read_scenario, weather_bytes, write_scenario
from raytrace.store.sealed import (
    KINDS,
    image_of,
    is_there,
    opened,
    put_in_place,
    refuse_strangers,
    stamp,
)
from raytrace.studies.trace.run import Moment, Run, TraceSettings

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.cooker.geometry import Cooker
    from raytrace.scenario.schema import Scenario

__all__ = [
    "SETTINGS",
    "RunFile",
    "conflicts",
    "differences",
    "journal_words",
    "read_plan",
    "read_run",
    "write_run",
]

SETTINGS = tuple(f.name for f in fields(TraceSettings) if f.name != "threads")


def write_run(
    path: Path | str, run: Run, *, plan: Mapping[str, Any] | None = None, command: str = ""
) -> int:
    """Write a whole run; a file already there is replaced only once the new one is complete.

    Parameters
    ----------
    path : path
        Its folder is made if need be.
    run : Run
    plan : mapping, optional
        What was asked for beyond scenario and settings, such as a day's step.
    command : str, optional
        By which it was made.

    Returns
    -------
    int
        Size of the file. [bytes]

    Raises
    ------
    StoreError
        If the file can't be written, or one that is there is not this program's; that one is then
        as it was.
    """
    image = _new_image(run.scenario, run.cooker, run.kind, run.settings, plan or {}, command)
    _add_moments(image, run.moments)
    if run.builds is not None:
        layout.write_builds(image, run.builds)
    return put_in_place(Path(path), image)


def read_run(path: Path | str) -> Run:
    """Read a run; everything it needs is in the file.

    Parameters
    ----------
    path : path

    Returns
    -------
    Run
        Its moments hold the same bits as those that were written; moments that were not
        finished are left out. Settings have no `threads`.

    Raises
    ------
    StoreError
        If the file can't be read, is damaged, or holds something else.
    """
    path = Path(path)
    with opened(path, layout.KIND) as file:
        said = _said(file)
        scenario = read_scenario(file)
        cooker = layout.read_cooker(file["cooker"], scenario)
        moments = tuple(
            layout.read_moment(group, scenario.site.timezone) for group in _done_groups(file)
        )
        settings = TraceSettings(**{k: said[k] for k in SETTINGS})
        builds = file["builds_delivered"][()] if "builds_delivered" in file else None
        return Run(scenario, cooker, said["run"], settings, moments, builds)


def read_plan(path: Path | str) -> dict[str, Any]:
    """What a run was asked for beyond scenario and settings, such as a day's step.

    Parameters
    ----------
    path : path

    Raises
    ------
    StoreError
        As `read_run`.
    """
    with opened(Path(path), layout.KIND) as file:
        plan: dict[str, Any] = _said(file)["plan"]
        return plan


def differences(
    path: Path | str,
    scenario: Scenario,
    kind: str,
    settings: TraceSettings,
    plan: Mapping[str, Any] | None = None,
) -> list[str]:
    """Say in what a file's run differs from one that is about to be made.

    Parameters
    ----------
    path : path
    scenario : Scenario
    kind : str
        "design", "moment" or "day".
    settings : TraceSettings
    plan : mapping, optional
        As for `write_run`.

    Returns
    -------
    differences : list of str
        Empty if the same work gives the same bits.

    Raises
    ------
    StoreError
        As `read_run`.
    """
    with opened(Path(path)) as file:
        if (other := str(file.attrs["kind"])) != layout.KIND:
            return [f"of cooker {KINDS[other]} there, of cooker trace now"]
        there, files = _said(file), files_of(file)
    here = layout.words(scenario, kind, settings, plan or {})
    found = []
    for name, new in here.items():
        old: Any = there.get(name)
        if old == new:
            continue
        if name == "scenario":
            found.append("the scenario's text has changed since")
        elif name == "overrides":
            found.append(f"set over the scenario: {_listed(old)} there, {_listed(new)} now")
        elif name == "tables":
            changed = sorted(k for k in {*old, *new} if old.get(k) != new.get(k))
            found.append(f"changed since: {', '.join(changed)}")
        elif name == "plan":
            keys = sorted(k for k in {*old, *new} if old.get(k) != new.get(k))
            found += [f"{k}: {old.get(k)} there, {new.get(k)} now" for k in keys]
        else:
            found.append(f"{name}: {old} there, {new} now")
    if not found and weather_bytes(scenario) != files:
        found.append("the weather file has changed since")
    return found


def conflicts(
    path: Path | str,
    scenario: Scenario,
    kind: str,
    settings: TraceSettings,
    plan: Mapping[str, Any] | None = None,
) -> list[str]:
    """As `differences`, of what is at a place, finished or not; empty if nothing is there.

    Parameters
    ----------
    path : path
        Of the results file.
    scenario : Scenario
    kind : str
        "design", "moment" or "day".
    settings : TraceSettings
    plan : mapping, optional
        As for `write_run`.
    """
    path = Path(path)
    if is_there(journal_of(path)):
        words = journal_words(scenario, kind, settings, plan)
        return part_differences(journal_of(path), layout.KIND, words)
    return differences(path, scenario, kind, settings, plan) if is_there(path) else []


class RunFile:
    """A results file of a day that takes moments one by one and can be continued later.

    Use as a context manager. What `append` was given is on the disk, in a journal beside the
    file; leaving puts it into the file and removes the journal. What stops the program before
    that leaves the journal, which the next to open the file goes on from.
    """

    def __init__(
        self,
        path: Path,
        journal: PartsFile,
        image: io.BytesIO,
        times: list[pd.Timestamp],
        zone: str,
    ):
        self.path = path
        self._journal = journal
        self._image = image
        self._zone = zone
        self._whole = set(times)  # in the image
        self._times = times + [t for t in _times_of(journal, zone) if t not in self._whole]
        self._finished = False

    @classmethod
    def open(
        cls,
        path: Path | str,
        scenario: Scenario,
        cooker: Cooker,
        kind: str,
        settings: TraceSettings,
        *,
        plan: Mapping[str, Any] | None = None,
        overwrite: bool = False,
        command: str = "",
    ) -> RunFile:
        """Continue a file, or begin one.

        Parameters
        ----------
        path : path
        scenario : Scenario
        cooker : Cooker
            As built.
        kind : str
            "design", "moment" or "day".
        settings : TraceSettings
        plan : mapping, optional
            As for `write_run`.
        overwrite : bool
            Begin again, whatever is there; it is replaced on leaving.
        command : str, optional
            By which it is made.

        Raises
        ------
        StoreError
            If the file there holds another run (the message says in what it differs), is being
            written by another process, or is not this program's.
        """
        path, zone = Path(path), scenario.site.timezone
        refuse_strangers(path)
        words = journal_words(scenario, kind, settings, plan)
        journal = PartsFile(journal_of(path), layout.KIND, words, overwrite=overwrite)
        try:
            found = None
            if is_there(path) and not overwrite:
                found = differences(path, scenario, kind, settings, plan)
            if found and not len(journal):
                raise StoreError(
                    f"{path}: holds another run, so it can't be continued "
                    f"({'; '.join(found)}). Name another file with -o, or replace this one "
                    "with --overwrite."
                )
            if found is None or found:  # where a run that begins again was stopped, too
                image = _new_image(scenario, cooker, kind, settings, plan or {}, command)
                return cls(path, journal, image, [], zone)
            with opened(path, layout.KIND) as file:
                times = [layout.read_time(group, zone) for group in _done_groups(file)]
            return cls(path, journal, image_of(path), [t for t in times if t is not None], zone)
        except BaseException:
            if len(journal):
                journal.close()
            else:
                journal.discard()
            raise

    @property
    def done_times(self) -> tuple[pd.Timestamp, ...]:
        """Moments that are in the file."""
        return tuple(self._times)

    @property
    def lost(self) -> str:
        """What the disk has spoilt of the journal, in words; empty if nothing."""
        return self._journal.lost

    def append(self, moment: Moment) -> None:
        """Add a moment and bring it to disk.

        Raises
        ------
        StoreError
            If it can't be written; all before it stays good.
        """
        import h5py

        part = io.BytesIO()
        with h5py.File(part, "w") as file:
            layout.write_moment(file.create_group("moment"), moment)
        data = np.frombuffer(part.getbuffer(), np.uint8)
        self._journal.append(f"{len(self._journal)}", {"moment": data})
        if moment.time is not None:
            self._times.append(moment.time)

    def finish(self) -> None:
        """Put into the file what the journal holds, and remove that.

        Raises
        ------
        StoreError
            If the file can't be written; the journal then stays.
        """
        if self._finished:
            return
        self._finished = True
        fresh = (m for m in _moments_of(self._journal, self._zone) if m.time not in self._whole)
        try:
            if len(self._journal):
                _add_moments(self._image, fresh)
                put_in_place(self.path, self._image)
        except StoreError as error:
            raise StoreError(f"{error} What is done is kept in {self._journal.path}.") from error
        self._journal.discard()

    def __enter__(self) -> RunFile:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is None or not issubclass(kind, StoreError):  # a full disk won't take it now
                self.finish()
        finally:
            self._journal.close()


def journal_words(
    scenario: Scenario, kind: str, settings: TraceSettings, plan: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Everything that decides a run, as its journal keeps it.

    Parameters
    ----------
    scenario : Scenario
    kind : str
        "design", "moment" or "day".
    settings : TraceSettings
    plan : mapping, optional
        As for `write_run`.
    """
    weather = {k: hashlib.sha256(v).hexdigest() for k, v in weather_bytes(scenario).items()}
    return {**layout.words(scenario, kind, settings, plan or {}), "weather": weather}


def _moments_of(journal: PartsFile, zone: str) -> Iterator[Moment]:
    import h5py

    for part in journal.parts().values():
        with h5py.File(io.BytesIO(np.asarray(part["moment"]).tobytes()), "r") as file:
            yield layout.read_moment(file["moment"], zone)


def _times_of(journal: PartsFile, zone: str) -> list[pd.Timestamp]:
    return [m.time for m in _moments_of(journal, zone) if m.time is not None]


def _listed(items: list[str]) -> str:
    return ", ".join(items) if items else "nothing"


def _new_image(
    scenario: Scenario,
    cooker: Cooker,
    kind: str,
    settings: TraceSettings,
    plan: Mapping[str, Any],
    command: str,
) -> io.BytesIO:
    import h5py

    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        stamp(file, layout.KIND, command)
        write_scenario(file, scenario)
        file.attrs.update(layout.root_attributes(scenario, kind, settings, plan))
        layout.write_cooker(file.create_group("cooker"), cooker)
        file.create_group("moments")
    return image


def _add_moments(image: io.BytesIO, moments: Iterable[Moment]) -> None:
    import h5py

    with h5py.File(image, "r+") as file:
        groups = file["moments"]
        for moment in moments:
            group = groups.create_group(f"{len(groups):04d}")
            layout.write_moment(group, moment)
            group.attrs["done"] = True


def _said(file: Any) -> dict[str, Any]:
    """Attributes of the root as plain values."""
    said = {k: v.item() if isinstance(v, np.generic) else v for k, v in file.attrs.items()}
    for name in ("overrides", "tables", "plan"):
        said[name] = json.loads(said[name])
    for name in SETTINGS:
        said.setdefault(name, None)
    return said


def _is_done(group: Any) -> bool:
    return bool(group.attrs.get("done", False))


def _done_groups(file: Any) -> list[Any]:
    moments = file["moments"]
    return [moments[name] for name in sorted(moments) if _is_done(moments[name])]
