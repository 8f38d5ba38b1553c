"""Results to HDF5 files and back; a file is whole at any moment, whatever interrupts the writing.

A file is built in memory, written under another name in the same folder, and then takes the
place of the previous one in a single step. So a full disk, a stop or a crash leaves either the
previous file or the new one, and every moment that was reported as kept is in it.
"""

from __future__ import annotations

import atexit
import contextlib
import io
import json
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import fields
from pathlib import Path, PurePath
from types import TracebackType
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace import store_layout as layout
from raytrace.exceptions import CookerError, StoreError
from raytrace.files import write_whole
from raytrace.studies.one_run import Moment, Run, Settings

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.cooker import Cooker
    from raytrace.scenario import Scenario

__all__ = [
    "RunFile",
    "differences",
    "read_plan",
    "read_run",
    "write_run",
]

_SETTINGS = tuple(f.name for f in fields(Settings) if f.name != "threads")


def write_run(path: Path | str, run: Run, *, plan: Mapping[str, Any] | None = None) -> None:
    """Write a whole run; a file already there is replaced only once the new one is complete.

    Parameters
    ----------
    path : path
        Its folder is made if need be.
    run : Run
    plan : mapping, optional
        What was asked for beyond scenario and settings, such as a day's step.

    Raises
    ------
    StoreError
        If the file can't be written; a previous one is then as it was.
    """
    path = Path(path)
    image = _new_image(run.scenario, run.cooker, run.kind, run.settings, plan or {})
    for k, moment in enumerate(run.moments):
        _add_moment(image, k, moment)
    write_whole(path, image.getbuffer())


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
    with _opened(path) as file:
        said = _said(file)
        scenario = _scenario(path, file, said)
        cooker = layout.read_cooker(file["cooker"], scenario)
        moments = tuple(
            layout.read_moment(group, scenario.site.timezone) for group in _done_groups(file)
        )
        settings = Settings(**{k: said[k] for k in _SETTINGS})
        return Run(scenario, cooker, said["run"], settings, moments)


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
    with _opened(Path(path)) as file:
        plan: dict[str, Any] = _said(file)["plan"]
        return plan


def differences(
    path: Path | str,
    scenario: Scenario,
    kind: str,
    settings: Settings,
    plan: Mapping[str, Any] | None = None,
) -> list[str]:
    """Say in what a file's run differs from one that is about to be made.

    Parameters
    ----------
    path : path
    scenario : Scenario
    kind : str
        "design", "moment" or "day".
    settings : Settings
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
    path = Path(path)
    with _opened(path) as file:
        there, files = _said(file), _files(file)
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
    weather = _weather_bytes(scenario)
    if not found and weather != files:
        found.append("the weather file has changed since")
    return found


class RunFile:
    """A results file that takes moments one by one and can be continued later.

    Use as a context manager. After each `append` the file on disk is complete and holds the
    moment, so that there is nothing left to do on leaving.
    """

    def __init__(self, path: Path, image: io.BytesIO, times: list[pd.Timestamp]):
        self.path = path
        self._image = image
        self._times = times
        self._stamp = _stamp(path)

    @classmethod
    def open(
        cls,
        path: Path | str,
        scenario: Scenario,
        cooker: Cooker,
        kind: str,
        settings: Settings,
        *,
        plan: Mapping[str, Any] | None = None,
        anew: bool = False,
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
        settings : Settings
        plan : mapping, optional
            As for `write_run`.
        anew : bool
            Begin again, whatever is there; it is replaced at the first `append`.

        Raises
        ------
        StoreError
            If the file there holds another run; the message says in what it differs.
        """
        path = Path(path)
        if path.exists() and not anew:
            found = differences(path, scenario, kind, settings, plan)
            if found:
                raise StoreError(
                    f"{path}: holds another run, so it can't be continued "
                    f"({'; '.join(found)}). Name another file with -o, or replace this one "
                    "with --anew."
                )
            with _opened(path) as file:
                groups = _done_groups(file)
                times = [layout.read_time(group, scenario.site.timezone) for group in groups]
            image = io.BytesIO(path.read_bytes())
            return cls(path, image, [t for t in times if t is not None])
        return cls(path, _new_image(scenario, cooker, kind, settings, plan or {}), [])

    @property
    def done_times(self) -> tuple[pd.Timestamp, ...]:
        """Moments that are in the file."""
        return tuple(self._times)

    def append(self, moment: Moment) -> None:
        """Add a moment and bring it to disk.

        Raises
        ------
        StoreError
            If it can't be written; the file is then as it was before.
        """
        before = self._image.getvalue()
        try:
            _add_moment(self._image, None, moment)
            if _stamp(self.path) != self._stamp:
                raise StoreError(
                    f"{self.path}: something else has written to it meanwhile. "
                    "Name another file with -o."
                )
            write_whole(self.path, self._image.getbuffer())
        except BaseException:
            self._image = io.BytesIO(before)
            raise
        self._stamp = _stamp(self.path)
        if moment.time is not None:
            self._times.append(moment.time)

    def __enter__(self) -> RunFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        return None


def _listed(items: list[str]) -> str:
    return ", ".join(items) if items else "nothing"


def _stamp(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_ino, found.st_mtime_ns, found.st_size


def _new_image(
    scenario: Scenario, cooker: Cooker, kind: str, settings: Settings, plan: Mapping[str, Any]
) -> io.BytesIO:
    import h5py

    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        file.attrs.update(layout.root_attributes(scenario, kind, settings, plan))
        layout.write_cooker(file.create_group("cooker"), cooker)
        file.create_group("moments")
        files = file.create_group("files")
        for name, data in _weather_bytes(scenario).items():
            # a slash in the name would make groups of the folders
            stored = files.create_dataset(
                str(len(files)), data=np.frombuffer(data, np.uint8), compression="gzip", chunks=True
            )
            stored.attrs["name"] = name
    return image


def _add_moment(image: io.BytesIO, k: int | None, moment: Moment) -> None:
    import h5py

    with h5py.File(image, "r+") as file:
        moments = file["moments"]
        for name in [name for name in moments if not _is_done(moments[name])]:
            del moments[name]
        number = len(moments) if k is None else k
        group = moments.create_group(f"{number:04d}")
        layout.write_moment(group, moment)
        file.flush()
        group.attrs["done"] = True


def _weather_bytes(scenario: Scenario) -> dict[str, bytes]:
    """The weather file by the name that the scenario gives it; nothing if it has none."""
    path = scenario.sky.weather_file
    if path is None:
        return {}
    name = str(path)
    if scenario.folder is not None:
        with contextlib.suppress(ValueError):
            name = str(path.relative_to(scenario.folder))
    try:
        return {name: path.read_bytes()}
    except OSError as error:
        raise StoreError(f"{path.name}: the weather file can't be read: {error.strerror}") from None


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a results file; whatever is wrong with it becomes a StoreError."""
    import h5py

    if path.is_dir():
        raise StoreError(f"{path}: is a folder. Name a results file in it.")
    if not path.exists():
        beside = sorted(p.name for p in path.parent.glob("*.h5")) if path.parent.is_dir() else []
        tail = f" Results there: {', '.join(beside[:8])}." if beside else ""
        raise StoreError(f"{path}: no such file.{tail}")
    try:
        with open(path, "rb") as probe:
            sound = probe.read(8) == b"\x89HDF\r\n\x1a\n"
    except OSError as error:
        raise StoreError(f"{path}: can't be read: {error.strerror}.") from None
    if not sound:
        raise StoreError(f"{path}: not a results file. Name one that `cooker trace` wrote.")
    damaged = StoreError(
        f"{path}: cut short or damaged. Copy it again from where it came, or trace anew "
        "with --anew."
    )
    try:
        file = h5py.File(path, "r")
    except OSError as error:
        raise damaged from error
    with file:
        kind = file.attrs.get("kind")
        if kind is None:
            raise StoreError(f"{path}: an HDF5 file, but not one of this program's results.")
        if kind != layout.KIND:
            known = str(kind).isidentifier()  # kinds of studies are named as their commands
            mend = f" Give the command that made it again: cooker {kind} …" if known else ""
            raise StoreError(f'{path}: holds "{kind}", but "{layout.KIND}" is needed.{mend}')
        if int(file.attrs["format"]) > layout.FORMAT:
            raise StoreError(
                f"{path}: written by a later version, {file.attrs['raytrace']}. Update this one."
            )
        try:
            yield file
        except CookerError:
            raise
        except (OSError, KeyError, RuntimeError, json.JSONDecodeError) as error:
            raise damaged from error


def _said(file: Any) -> dict[str, Any]:
    """Attributes of the root as plain values."""
    said = {k: v.item() if isinstance(v, np.generic) else v for k, v in file.attrs.items()}
    for name in ("overrides", "tables", "plan"):
        said[name] = json.loads(said[name])
    for name in _SETTINGS:
        said.setdefault(name, None)
    return said


def _is_done(group: Any) -> bool:
    return bool(group.attrs.get("done", False))


def _done_groups(file: Any) -> list[Any]:
    moments = file["moments"]
    return [moments[name] for name in sorted(moments) if _is_done(moments[name])]


def _files(file: Any) -> dict[str, bytes]:
    return {str(d.attrs["name"]): d[()].tobytes() for d in file["files"].values()}


def _scenario(path: Path, file: Any, said: Mapping[str, Any]) -> Scenario:
    from raytrace.scenario import parse_scenario

    files = _files(file)
    folder = _unpacked(path, files) if files else None
    return parse_scenario(
        said["scenario"],
        source=said["source"],
        folder=folder,
        overrides=said["overrides"],
        tables=said["tables"],
    )


def _unpacked(path: Path, files: Mapping[str, bytes]) -> Path:
    """Folder, gone when the program ends, in which files lie where the scenario looks for them."""
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
