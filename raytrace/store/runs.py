"""Runs to HDF5 files and back, and days that grow moment by moment.

A file is built in memory and takes the place of the previous one in a single step, see
`raytrace.store.sealed`. Moments that a day has finished since are parts beside it, so that each
moment costs the disk no more than itself and nothing that stops the work loses one.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.exceptions import StoreError
from raytrace.store import layout
from raytrace.store.fingerprint import Fingerprint, fingerprint
from raytrace.store.parts import Parts
from raytrace.store.places import parts_beside
from raytrace.store.scenario import read_scenario, write_scenario
from raytrace.store.sealed import image_of, opened, put_in_place, stamp
from raytrace.studies.trace.run import Moment, Run, TraceSettings

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.cooker.geometry import Cooker
    from raytrace.scenario.schema import Scenario

__all__ = [
    "SETTINGS",
    "RunFile",
    "fingerprint_of",
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
    said = fingerprint_of(run.scenario, run.kind, run.settings, plan)
    image = _new_image(run.scenario, run.cooker, said, command)
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
        plan: dict[str, Any] = _said(file)["asked"]
        return plan


def fingerprint_of(
    scenario: Scenario, kind: str, settings: TraceSettings, plan: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Everything that decides a run.

    Parameters
    ----------
    scenario : Scenario
    kind : str
        "design", "moment" or "day".
    settings : TraceSettings
    plan : mapping, optional
        As for `write_run`.
    """
    said = {name: getattr(settings, name) for name in SETTINGS}
    return fingerprint(layout.KIND, [scenario], {"run": kind, "asked": plan or {}, **said})


class RunFile:
    """A results file of a day that takes moments one by one and can be continued later.

    Use as a context manager. What `append` was given is on the disk, as a part beside the
    file; leaving puts the parts into the file and removes them. What stops the program before
    that leaves the parts, which the next to open the file goes on from.
    """

    def __init__(
        self,
        path: Path,
        parts: Parts,
        image: io.BytesIO,
        times: list[pd.Timestamp],
        zone: str,
    ):
        self.path = path
        self._parts = parts
        self._image = image
        self._zone = zone
        self._whole = set(times)  # in the image
        self._times = times + [t for t in _times_of(parts, zone) if t not in self._whole]
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
        said = fingerprint_of(scenario, kind, settings, plan)
        parts, there = parts_beside(path, said, overwrite=overwrite)
        if not there:
            return cls(path, parts, _new_image(scenario, cooker, said, command), [], zone)
        with opened(path, layout.KIND) as file:
            times = [layout.read_time(group, zone) for group in _done_groups(file)]
        return cls(path, parts, image_of(path), [t for t in times if t is not None], zone)

    @property
    def done_times(self) -> tuple[pd.Timestamp, ...]:
        """Moments that are in the file."""
        return tuple(self._times)

    @property
    def lost(self) -> str:
        """What the disk has spoilt of the parts, in words; empty if nothing."""
        return self._parts.lost

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
        self._parts.add(f"{len(self._parts.done)}", {"moment": data})
        if moment.time is not None:
            self._times.append(moment.time)

    def finish(self) -> None:
        """Put into the file what is finished, and remove the parts.

        Raises
        ------
        StoreError
            If the file can't be written; the parts then stay.
        """
        if self._finished:
            return
        self._finished = True
        fresh = (m for m in _moments_of(self._parts, self._zone) if m.time not in self._whole)
        try:
            if len(self._parts.done):
                _add_moments(self._image, fresh)
                put_in_place(self.path, self._image)
        except StoreError as error:
            raise StoreError(f"{error} What is done is kept in {self._parts.path}.") from error
        self._parts.remove()

    def __enter__(self) -> RunFile:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is None or not issubclass(kind, StoreError):  # a full disk won't take it now
                self.finish()
        finally:
            self._parts.close()


def _moments_of(parts: Parts, zone: str) -> Iterator[Moment]:
    import h5py

    for part in parts.done.values():
        with h5py.File(io.BytesIO(np.asarray(part["moment"]).tobytes()), "r") as file:
            yield layout.read_moment(file["moment"], zone)


def _times_of(parts: Parts, zone: str) -> list[pd.Timestamp]:
    return [m.time for m in _moments_of(parts, zone) if m.time is not None]


def _new_image(scenario: Scenario, cooker: Cooker, said: Fingerprint, command: str) -> io.BytesIO:
    import h5py

    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        stamp(file, layout.KIND, command)
        write_scenario(file, scenario)
        file.attrs["fingerprint"] = json.dumps(said, ensure_ascii=False)
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
    """What a run was asked for."""
    plan: dict[str, Any] = json.loads(file.attrs["fingerprint"])["plan"]
    return plan


def _is_done(group: Any) -> bool:
    return bool(group.attrs.get("done", False))


def _done_groups(file: Any) -> list[Any]:
    moments = file["moments"]
    return [moments[name] for name in sorted(moments) if _is_done(moments[name])]
