"""What one open page knows: its scenario, what has been changed in it, and what it is asked."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from raytrace.exceptions import CookerError, StoreError
from raytrace.live.folder import Folder, text_of
from raytrace.live.memory import Memory
from raytrace.reports.common.lengths import Rule, rule
from raytrace.scenario.loading import parse_scenario
from raytrace.studies.bench.set_log import log_place
from raytrace.studies.designs.rewrite import rewritten, same_values

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Bench", "Start", "keys_of"]


@dataclass(frozen=True)
class Start:
    """What the command was asked for.

    Attributes
    ----------
    scenario : Path
        File that the page opens with.
    folder : Folder
        Where scenarios are opened and saved.
    changes : tuple of str
        "key=value", set over the file's.
    log : Path or None
        Of the facets set; None for the one named after the scenario.
    draws : int
        Cookers drawn for what may be expected of a day; 0 for none.
    """

    scenario: Path
    folder: Folder
    changes: tuple[str, ...] = ()
    log: Path | None = None
    draws: int = 64


class Bench:
    """One open page's scenario. Each page has its own, so that two never disturb each other.

    Parameters
    ----------
    start : Start
    name : str
        Scenario of the folder to open; empty for the one of `start`.
    memory : Memory, optional
        What was left with this scenario is taken from there, and kept there.
    browser : str
        By which the memory knows who asks.

    Attributes
    ----------
    folder : Folder
    name : str
        The scenario's file.
    path : Path
        Where it is.
    text : str
        As it stands in the file.
    log : Path
        Of the facets set.
    draws : int
        Cookers drawn for what may be expected of a day; 0 for none.
    notice : str
        What the user should know of how it was opened; mostly empty.

    Raises
    ------
    CookerError
        If the scenario can't be read, or is wrong before anything is changed.
    """

    def __init__(
        self, start: Start, name: str = "", memory: Memory | None = None, browser: str = ""
    ):
        self.folder = start.folder
        self.path = start.folder.place(name) if name else start.scenario
        self.name = self.path.name
        self.text = start.folder.read(name) if name else text_of(self.path)
        first = self.path.resolve() == start.scenario.resolve()
        self.log = log_place(self.path, start.log if first else None)
        self.draws = start.draws
        self.notice = ""
        self._memory, self._browser = memory, browser
        self._listeners: list[Callable[[], None]] = []
        self._shown: list[Callable[[], None]] = []
        self._changes: dict[str, str] = {}
        self._notes: dict[str, Any] = {}
        self._scenario = self._read({})
        self._recall()
        if first and start.changes:
            self._take({**self._changes, **keys_of(start.changes)})

    @property
    def changes(self) -> tuple[str, ...]:
        """What is set over the file, as "key=value"."""
        return tuple(f"{key}={value}" for key, value in self._changes.items())

    @property
    def scenario(self) -> Scenario:
        """The file with the changes, checked."""
        return self._scenario

    @property
    def rule(self) -> Rule:
        """Unit of length that the command was asked for."""
        return rule()

    def change(self, values: Mapping[str, str | None]) -> None:
        """Set keys over the file's and tell all who listen; with a mistake nothing is changed.

        Parameters
        ----------
        values : mapping of str to str or None
            By key, as `--set` takes it; None for what the file says.

        Raises
        ------
        ScenarioError
            If the scenario would be wrong; all problems at once.
        """
        new = {k: v for k, v in {**self._changes, **values}.items() if v is not None}
        if new != self._changes:
            self._take(new)
            self._tell()

    def start_over(self) -> None:
        """Drop all changes."""
        self.change(dict.fromkeys(self._changes))

    def listen(self, callback: Callable[[], None]) -> None:
        """Call somebody whenever something has changed.

        Parameters
        ----------
        callback : callable
            Takes nothing.
        """
        self._listeners.append(callback)

    @property
    def front(self) -> str:
        """Name of the part that is looked at; empty before the first choice."""
        return str(self._notes.get("front") or "")

    def show(self, part: str) -> None:
        """Bring a part to the front, and tell those who wait for that.

        Parameters
        ----------
        part : str
        """
        self.note("front", part)
        for callback in tuple(self._shown):
            callback()

    def when_shown(self, callback: Callable[[], None]) -> None:
        """Call somebody whenever a part comes to the front: what is long waits until it is seen.

        Parameters
        ----------
        callback : callable
            Takes nothing; asks `front`.
        """
        self._shown.append(callback)

    def note(self, part: str, value: Any) -> None:
        """Remember a part's own settings over a closed page.

        Parameters
        ----------
        part : str
            Of the page.
        value : plain value
            What JSON can hold, and not much of it; None forgets it.
        """
        self._notes[part] = value
        self._keep()

    def noted(self, part: str) -> Any:
        """What a part had remembered.

        Parameters
        ----------
        part : str

        Returns
        -------
        plain value
            None if there is nothing. It may be of an earlier version: expect anything.
        """
        return self._notes.get(part)

    def save(self, name: str, *, replace: bool = False) -> int:
        """Write the scenario with its changes worked in, once it has been read back as the same.

        Parameters
        ----------
        name : str
            In the folder.
        replace : bool
            Whether a scenario of this name may be replaced.

        Returns
        -------
        int
            Size of the file. [bytes]

        Raises
        ------
        StoreError
            If the name is no plain one or is taken, or the file can't be written.
        ScenarioError
            If it could not be read from there.
        """
        self.folder.place(name)
        text = rewritten(self.scenario, self.folder.path)
        there = self._parsed(text, name, self.folder.path, ())
        if not same_values(there, self.scenario):
            raise StoreError(f"{name}: would read back as another scenario, so it is not written.")
        size = self.folder.write(name, text, replace=replace)
        if self.folder.place(name).resolve() == self.path.resolve():  # now the file says it itself
            self.text = text
            self._take({})
            self._tell()
        return size

    def _tell(self) -> None:
        self._keep()
        for callback in tuple(self._listeners):
            callback()

    def _take(self, changes: dict[str, str]) -> None:
        self._scenario = self._read(changes)
        self._changes = changes

    def _read(self, changes: Mapping[str, str]) -> Scenario:
        overrides = tuple(f"{key}={value}" for key, value in changes.items())
        return self._parsed(self.text, self.name, self.path.parent, overrides)

    @staticmethod
    def _parsed(text: str, name: str, folder: Path, overrides: tuple[str, ...]) -> Scenario:
        """A scenario whose files lie in its folder: a page names none elsewhere."""
        return parse_scenario(
            text, source=name, folder=folder.resolve(), overrides=overrides, inside=True
        )

    def _recall(self) -> None:
        if self._memory is None:
            return
        left = self._memory.of(self._browser)
        if left.get("file") != str(self.path.resolve()):
            return  # of another file by the same name
        changes, notes = left.get("changes"), left.get("notes")
        if isinstance(notes, dict):
            self._notes = notes
        if isinstance(changes, dict) and changes:
            try:
                self._take({str(key): str(value) for key, value in changes.items()})
            except CookerError:
                self.notice = "What was changed here last time no longer fits the file: dropped."

    def _keep(self) -> None:
        if self._memory is not None:
            file = str(self.path.resolve())
            state = {"file": file, "changes": self._changes, "notes": self._notes}
            self._memory.keep(self._browser, state)


def keys_of(changes: Iterable[str]) -> dict[str, str]:
    """Keys that changes such as "pot.height=12 cm" set, and to what.

    Parameters
    ----------
    changes : iterable of str

    Returns
    -------
    dict of str to str

    Examples
    --------
    >>> keys_of(["pot.height=12 cm", 'kitchen.wanted="boil"'])
    {'pot.height': '12 cm', 'kitchen.wanted': '"boil"'}
    """
    parts = (change.partition("=") for change in changes)
    return {key.strip(): value.strip() for key, _, value in parts}
