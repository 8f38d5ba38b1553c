"""A journal of finished parts; what still uses it moves to `raytrace.store.parts`."""

from __future__ import annotations

import base64
import binascii
import contextlib
import io
import json
import os
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import StoreError
from raytrace.files import cannot_write, write_whole
from raytrace.store.fingerprint import digest
from raytrace.store.locks import Lock
from raytrace.store.scenario import write_scenario
from raytrace.store.sealed import (
    KINDS,
    add_array,
    is_ours,
    is_there,
    kind_of,
    put_in_place,
    refuse_strangers,
    stamp,
)

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "PartsFile",
    "Value",
    "Variable",
    "Words",
    "differing",
    "journal_of",
    "part_differences",
    "place_of_parts",
    "study_words",
    "write_variables",
]

Words: TypeAlias = Mapping[str, Any]
Value: TypeAlias = NDArray[Any] | float | int | bool | str | None

FORMAT = 2  # of a journal; what another number decides by the same words differs
MAGIC = "cooker-parts"  # first word of a journal's first line, after the checksum
ARRAY = "dtype"  # key by which an array is known among values


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


def study_words(scenario: Scenario, plan: Any, **more: Any) -> dict[str, Any]:
    """Everything that decides what a study of a scenario computes, as plain values.

    Parameters
    ----------
    scenario : Scenario
    plan : dataclass or mapping
        What is asked for, seed and samples included; nothing that changes no result.
    **more
        Whatever else decides.

    Returns
    -------
    dict
        Ready for `PartsFile`.
    """
    from raytrace.version import __version__

    weather = scenario.sky.weather_file
    return _plain(
        {
            "raytrace": __version__,
            "scenario": scenario.text,
            "overrides": list(scenario.overrides),
            "tables": dict(sorted(scenario.tables.items())),
            "weather": None if weather is None else digest(weather),
            "plan": asdict(plan) if is_dataclass(plan) and not isinstance(plan, type) else plan,
            **more,
        }
    )


def _plain(words: Words) -> dict[str, Any]:
    """As JSON gives it back, so that what is there and what is meant can be held side by side."""
    plain: dict[str, Any] = json.loads(json.dumps(words, default=str, ensure_ascii=False))
    return plain


class PartsFile:
    """Journal of a study's finished parts. Use as a context manager.

    Parameters
    ----------
    path : path
        Its folder is made if need be.
    kind : str
        Which study, such as "season".
    words : mapping
        Everything that decides the results, as JSON can hold it; see `study_words`.
    overwrite : bool
        Begin again, whatever parts of any study are there.

    Raises
    ------
    StoreError
        If the file there is no journal, holds another study (the message says in what it
        differs), is being written by another process, or can't be written.

    Notes
    -----
    Floats keep their bits. Each `append` waits until the disk has the part. Where the system has
    file locks, a second process is refused; elsewhere one that writes at the same time is noticed
    at the next `append`.
    """

    def __init__(
        self, path: Path | str, kind: str, words: Words, *, overwrite: bool = False
    ) -> None:
        self.path, self.kind, self.words = Path(path), kind, _plain(words)
        self._parts: dict[str, dict[str, Value]] = {}
        self.lost = ""  # what the disk has spoilt, in words
        self._held = contextlib.ExitStack()
        try:
            self._held.enter_context(Lock(self.path))
            data, whole = _bytes_of(self.path), _header(kind, self.words)
            # a first line that a power cut tore is as good as none
            begins = whole.startswith(data) or (overwrite and _is_ours(data))
            if not begins:
                found = _differences(self.path, data, kind, self.words)
                if found:
                    raise StoreError(
                        f"{self.path}: holds another study, so it can't be continued "
                        f"({'; '.join(found)}). Name another file with -o, or replace this one "
                        "with --overwrite."
                    )
                self._parts, whole, self.lost = _read_parts(self.path, data)
            if whole != data:
                write_whole(self.path, whole)  # what was there stays until this is
                _sync_folder(self.path.parent)
            self._file, self._end = self._held.enter_context(_open(self.path)), len(whole)
        except BaseException:
            self.close()
            raise

    def parts(self) -> dict[str, dict[str, Value]]:
        """Finished parts by name, in the order in which they were finished."""
        return dict(self._parts)

    def __contains__(self, name: object) -> bool:
        return name in self._parts

    def __len__(self) -> int:
        return len(self._parts)

    def append(self, name: str, values: Mapping[str, Value]) -> None:
        """Add a finished part and bring it to disk.

        Parameters
        ----------
        name : str
        values : mapping of str to ndarray, float, int, bool, str or None
            Arrays of numbers, text or times.

        Raises
        ------
        StoreError
            If it can't be written, or another process has written meanwhile; the parts already
            there stay good, and the same part may be appended again.
        """
        packed = {key: _packed(value) for key, value in values.items()}
        self._write(_line({"part": name, "values": packed}))
        self._parts[name] = {key: _unpacked(value) for key, value in packed.items()}

    def finish(
        self,
        path: Path | str,
        variables: Mapping[str, Variable],
        attributes: Mapping[str, str | float | int] | None = None,
        *,
        scenario: Scenario | None = None,
        command: str = "",
    ) -> int:
        """Write the results for people to open, in one step; the journal stays.

        Parameters
        ----------
        path : path
            HDF5; a file already there is replaced once the new one is complete.
        variables : mapping of str to Variable
        attributes : mapping, optional
            Of the file, besides kind, versions and words.
        scenario : Scenario, optional
            What was studied, so that it can be read from the results alone.
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
        said = {**(attributes or {}), "words": self.words}
        return write_variables(path, self.kind, variables, said, scenario=scenario, command=command)

    def discard(self) -> None:
        """Remove the journal, once all that it holds is elsewhere."""
        with contextlib.suppress(OSError):
            self.path.unlink()
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._held.close()

    def __enter__(self) -> PartsFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _write(self, line: bytes) -> None:
        """Put a line after the last good one, or leave the file as it was."""
        file = self._file
        try:
            size = os.fstat(file.fileno()).st_size
            if not _is_still(file, self.path):
                raise StoreError(
                    f"{self.path}: has been removed or replaced meanwhile, and what was finished "
                    "with it. Give the command again to begin again."
                )
            if size > self._end:
                self._drop_torn(size)
            elif size < self._end:
                raise _meanwhile(self.path)
            file.seek(self._end)
            left = memoryview(line)
            while left:  # a disk that is all but full takes a part of it
                left = left[file.write(left) :]
            os.fsync(file.fileno())
        except BaseException as error:
            if not isinstance(error, StoreError):  # then the file isn't ours to cut
                with contextlib.suppress(OSError):
                    file.truncate(self._end)
            if isinstance(error, OSError):
                raise cannot_write(self.path, error) from error
            raise
        self._end += len(line)

    def _drop_torn(self, size: int) -> None:
        """Cut off half a line; whole lines are another process's, which is never to be harmed."""
        self._file.seek(self._end)
        if self._end and any(map(_read_line, _lines(self._file.read(size - self._end)))):
            raise _meanwhile(self.path)
        self._file.truncate(self._end)


def _meanwhile(path: Path) -> StoreError:
    return StoreError(
        f"{path}: something else has written to it meanwhile. Name another file with -o."
    )


def part_differences(path: Path | str, kind: str, words: Words) -> list[str]:
    """Say in what a journal's study differs from one that is about to be made.

    Parameters
    ----------
    path : path
    kind : str
    words : mapping
        As for `PartsFile`.

    Returns
    -------
    list of str
        Empty if the journal can be continued.

    Raises
    ------
    StoreError
        If the file is no journal.
    """
    path = Path(path)
    data = _bytes_of(path)
    words = _plain(words)
    if _header(kind, words).startswith(data):
        return []
    return _differences(path, data, kind, words)


def journal_of(path: Path) -> Path:
    """Journal of the results file of this name."""
    return path.with_suffix(".journal")


def place_of_parts(
    output: Path | None, stem: str, kind: str, words: Words, *, overwrite: bool = False
) -> Path:
    """Where results go: the name given, or the first whose journal is free or holds this study.

    Parameters
    ----------
    output : path or None
        As the user gave it; ``.h5`` is added where it is missing.
    stem : str
        Name in the folder results where the user gave none.
    kind : str
    words : mapping
        As for `PartsFile`.
    overwrite : bool
        Take the first name, whatever is there.

    Returns
    -------
    path : Path
        Of the HDF5 file; its journal is `journal_of` it.

    Raises
    ------
    StoreError
        If the name given is a folder's, or that of a file that must not be replaced.
    """
    if output is not None:
        path = output if output.suffix == ".h5" else output.with_name(f"{output.name}.h5")
        refuse_strangers(output if output.is_dir() else path)
        if is_there(path) and not overwrite and not journal_of(path).exists():
            raise StoreError(
                f"{path}: results without their journal, so they can't be continued. Name another "
                "file with -o, or replace this one with --overwrite."
            )
        _refuse_another(path, kind, overwrite)
        return path
    path, number = Path("results") / f"{stem}.h5", 1
    while not overwrite and not _is_free(path, kind, words):
        number += 1
        path = path.with_name(f"{stem}-run{number}.h5")
    refuse_strangers(path)
    return path


def _refuse_another(path: Path, kind: str, overwrite: bool) -> None:
    """Results of another command may be the only ones; damaged ones are written again."""
    there = kind
    if is_there(path) and not overwrite:
        with contextlib.suppress(StoreError):
            there = kind_of(path)
    if there != kind:
        raise StoreError(
            f"{path}: holds results of cooker {KINDS[there]}. Name another file with -o, or "
            "replace this one with --overwrite."
        )


def _is_free(path: Path, kind: str, words: Words) -> bool:
    journal = journal_of(path)
    if not journal.exists():
        return not is_there(path)  # results without a journal are somebody's only copy
    try:
        return not part_differences(journal, kind, words) and is_ours(path)
    except StoreError:
        return False  # whatever it is, it stays


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


def _header(kind: str, words: Words) -> bytes:
    return _line({MAGIC: FORMAT, "kind": kind, "words": words})


def _line(record: Words) -> bytes:
    text = json.dumps(record, ensure_ascii=False, separators=(",", ":")).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


def _read_line(line: bytes) -> dict[str, Any] | None:
    """Record of a whole line; None where any of it is missing or wrong."""
    checksum, space, text = line[:8], line[8:9], line[9:-1]
    if space != b" " or not line.endswith(b"\n") or b"%08x" % zlib.crc32(text) != checksum:
        return None
    record: dict[str, Any] = json.loads(text)
    return record


def _lines(data: bytes) -> list[bytes]:
    return [line + b"\n" for line in data.split(b"\n")[:-1]]


def _is_ours(data: bytes) -> bool:
    """Whether a journal's first line is this program's, damaged or not."""
    return data[8:].startswith(b' {"%s":' % MAGIC.encode())


def _differences(path: Path, data: bytes, kind: str, words: Words) -> list[str]:
    first = _read_line(data[: data.find(b"\n") + 1])
    if first is None and _is_ours(data):
        raise StoreError(
            f"{path}: damaged in its first line, which says what it belongs to, so it can't be "
            "continued. Name another file with -o, or replace this one with --overwrite."
        )
    if first is None or MAGIC not in first:
        raise StoreError(
            f"{path}: not a journal of this program, or damaged, so it is left alone. Name "
            "another file with -o."
        )
    if first[MAGIC] != FORMAT:
        age = "a later" if first[MAGIC] > FORMAT else "an earlier"
        raise StoreError(
            f"{path}: written by {age} version, so it can't be continued. Name another file with "
            "-o, or replace this one with --overwrite."
        )
    if first["kind"] != kind:
        return [f"a {first['kind']} there, a {kind} now"]
    return differing(first["words"], words)


def _read_parts(path: Path, data: bytes) -> tuple[dict[str, dict[str, Value]], bytes, str]:
    """Parts of all sound lines, those lines, and what else there was in words."""
    first, *lines = _lines(data)
    parts, good = {}, [first]
    for line in lines:
        record = _read_line(line)
        if record is not None:
            parts[record["part"]] = {k: _unpacked(v) for k, v in record["values"].items()}
            good.append(line)
    whole = b"".join(good)
    torn = len(data) - data.rfind(b"\n") - 1
    spoilt = len(data) - len(whole) - torn
    found = []
    if spoilt:
        bad = len(lines) + 1 - len(good)
        found.append(f"{bad} of {len(lines)} lines are damaged ({spoilt} of {len(data)} bytes)")
    if torn:
        found.append(f"the last line is cut short ({torn} bytes)")
    lost = f"{path}: {' and '.join(found)}: what stood there is computed again." if found else ""
    return parts, whole, lost


def _packed(value: Value | Sequence[Any]) -> Any:
    if value is None or type(value) in (bool, int, float, str):
        return value  # numpy's own scalars become arrays, which keep their type
    array = np.asarray(value)
    if array.dtype.kind not in "biufcUMm":
        raise TypeError(f"can't keep {type(value).__name__} of {array.dtype}")
    # the same bytes on every machine
    array = array.astype(array.dtype.newbyteorder("<"), order="C")
    text = base64.b64encode(array.tobytes()).decode()
    return {ARRAY: array.dtype.str, "shape": list(array.shape), "bytes": text}


def _unpacked(value: Any) -> Value:
    if not isinstance(value, dict):
        plain: Value = value
        return plain
    data = binascii.a2b_base64(value["bytes"])
    array: NDArray[Any] = np.frombuffer(data, dtype=np.dtype(value[ARRAY]))
    return array.reshape(value["shape"]).copy()


def _bytes_of(path: Path) -> bytes:
    """What is in a journal; nothing if there is none."""
    if path.is_dir():
        raise StoreError(f"{path}: is a folder. Name a file with -o.")
    try:
        return path.read_bytes() if path.exists() else b""
    except OSError as error:
        raise StoreError(f"{path}: can't be read: {error.strerror or error}.") from error


def _open(path: Path) -> IO[bytes]:
    try:
        # neither truncates nor moves every write to the end, as "w" and "a" would
        return open(path, "r+b", buffering=0)
    except OSError as error:
        raise cannot_write(path, error) from error


def _is_still(file: IO[bytes], path: Path) -> bool:
    """Whether an open file is the one of this name."""
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except FileNotFoundError:
        return False


def _sync_folder(folder: Path) -> None:
    """Bring a new file's name to disk, where the system can do so by itself."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def differing(there: Words, here: Words) -> list[str]:
    """Say in what two sets of words differ; empty if they are the same.

    Parameters
    ----------
    there : mapping
        Of the file.
    here : mapping
        Of the work that is about to be done.

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
