"""Setting facet by facet: what the page does with the log, and what it asks of the studies."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from raytrace.exceptions import SettingsError
from raytrace.reports.bench.one_facet import facet_sentences, work_sentences
from raytrace.studies.bench.one_facet import Facet, FacetMap, facet_map, facet_now, so_far
from raytrace.studies.bench.set_log import Entry, SetLog, add_entry, open_log, take_back
from raytrace.studies.bench.setting import READING, entry_of, work_of
from raytrace.studies.bench.spots_by_photo import Shot, read_shot, wanted_of
from raytrace.studies.bench.spots_data import SpotsPlan

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["AtWork", "Spot", "Tell"]

Spot = tuple[float, float]
Tell = Callable[[float, float], None]  # as `raytrace.live.latest.Latest` gives it
SEEN = 560  # pixels across the card, as it is shown


class AtWork:
    """One builder's work on one array. The log's file is the truth; others may write it too.

    Parameters
    ----------
    scenario : Scenario
    path : path
        Of the log.

    Attributes
    ----------
    scenario : Scenario
    work : Work
        As the file had it last.
    here : str
        Facet at which the work is.
    written : list of Entry
        Rows that came from here, the last at the end.

    Raises
    ------
    CookerError
        If the log can't be read.
    """

    def __init__(self, scenario: Scenario, path: Path):
        self.scenario, self.path = scenario, path
        self._plan = SpotsPlan(seed=scenario.trace.seed)
        self._stamp = self._seen()
        self.work = work_of(scenario, self._plan, path)
        left = self.work.left
        self.here = left[0] if left else self.work.order[0]
        self.written: list[Entry] = []
        self._maps: dict[int, FacetMap] = {}
        self._mapping: dict[int, threading.Lock] = {}

    @property
    def number(self) -> int:
        """Of the facet at which the work is."""
        return self.labels.index(self.here)

    @property
    def labels(self) -> tuple[str, ...]:
        """Names of all facets."""
        return self.work.measured.labels

    @property
    def mark(self) -> Spot:
        """Where its spot belongs, from the base's centre along the plane's axes. [m]"""
        x, along = self.work.measured.mark[self.number].tolist()
        return x, along

    @property
    def mirrored(self) -> bool:
        """Whether whoever looks at the card's lit side has the platform's right on the left."""
        m = self.work.measured
        if m.plane == "base":
            return True
        ahead = m.cooker.facets.c[self.number, 1] - m.cooker.pot.base[1]
        return bool(ahead > 0.0)

    @property
    def ring(self) -> float | None:
        """Miss that is good enough for this facet [m]; None while it isn't known."""
        known = self._maps.get(self.number)
        return None if known is None else known.ring

    def go(self, label: str) -> None:
        """Turn to another facet.

        Parameters
        ----------
        label : str
            One of the order of setting.
        """
        if label in self.work.order:
            self.here = label

    def map(self, label: str, tell: Tell | None = None) -> FacetMap:
        """What a facet brings wherever its spot lies, worked out once.

        Parameters
        ----------
        label : str
            One of the order of setting.
        tell : callable, optional
            Called now and then; may raise to end it.

        Returns
        -------
        FacetMap

        Notes
        -----
        The map of the next facet is worked out while this one is being set, so that its answers
        come at once: this one then counts as exactly set there, which changes what it shades and
        blocks by a miss's share of very little.
        """
        number, measured = self.labels.index(label), self.work.measured
        with self._mapping.setdefault(number, threading.Lock()):
            maps = self._maps
            if number not in maps:
                # the second processor is left to whoever waits for an answer
                maps[number] = facet_map(measured, number, threads=1, progress=tell)
            return maps[number]

    def judge(
        self,
        spot: Spot,
        sigma: float = READING,
        label: str = "",
        tell: Tell | None = None,
    ) -> tuple[Facet, list[str]]:
        """Say whether a facet is good enough with its spot there; nothing is written.

        Parameters
        ----------
        spot : tuple of float
            From the base's centre, along the plane's axes. [m]
        sigma : float
            Of the reading, per axis. [m]
        label : str
            Of the facet; by default the one at which the work is.
        tell : callable, optional
            As of `map`.

        Returns
        -------
        facet : Facet
        sentences : list of str
            The answer first.

        Raises
        ------
        ScenarioError
            If no mirror could make the spot.
        """
        label = label or self.here
        work = self.work.tried(entry_of(self.scenario, label, spot, sigma))
        facet = facet_now(work.measured, self.labels.index(label), self.map(label, tell))
        return facet, facet_sentences(facet, work.measured.plane_axes, work.log.tries(label))

    def photograph(self, name: str, data: bytes, label: str = "") -> Shot:
        """Look for a facet's spot in a photograph of the target card.

        Parameters
        ----------
        name : str
            Of its file.
        data : bytes
        label : str
            As of `judge`.

        Returns
        -------
        Shot

        Raises
        ------
        SettingsError
            If the library that reads pictures is not installed, or spots are set on an upright
            card.
        """
        if self.work.log.plane != "base":
            raise SettingsError("the card with markers lies level: an upright one isn't read.")
        due = label or self.here
        return read_shot(wanted_of(self.scenario), Path(name), due, data=data, seen=SEEN)

    def keep(self, spot: Spot | None, sigma: float = READING, label: str = "") -> None:
        """Write a facet as it was found, or as missing, into the log.

        Parameters
        ----------
        spot : tuple of float, or None
        sigma : float
        label : str
            As of `judge`.

        Raises
        ------
        CookerError
            If no mirror could make the spot, or the log can't be read or written; nothing is
            written then.
        """
        entry = entry_of(self.scenario, label or self.here, spot, sigma)
        self.work.tried(entry)
        self._take(add_entry(self.path, entry, self.work.log.plane, self.labels))
        self.written.append(entry)

    def undo(self) -> Entry:
        """Take the last row that came from here out of the log, and turn to its facet.

        Returns
        -------
        Entry
            What was taken out.

        Raises
        ------
        CookerError
            If the log can't be read or written.
        """
        entry = self.written[-1]
        self._take(take_back(self.path, entry, self.work.log.plane, self.labels))
        self.written.pop()
        self.go(entry.facet)
        return entry

    @property
    def stale(self) -> bool:
        """Whether the log's file is another than was read last."""
        return self._seen() != self._stamp

    def look(self) -> tuple[str, ...]:
        """Read the log again.

        Returns
        -------
        tuple of str
            Facets that others have written, or taken out, since.

        Raises
        ------
        CookerError
            If it can't be read.
        """
        before = _known(self.work.log)
        self._stamp = self._seen()
        self.work = self.work.holding(open_log(self.path, self.work.log.plane, self.labels))
        after = _known(self.work.log)
        changed = dict.fromkeys(facet for facet, *_ in before.symmetric_difference(after))
        if changed:
            self._maps = {}  # one that is being worked out goes with the old ones
        return tuple(x for x in self.work.order if x in changed)

    def so_far(self) -> list[str]:
        """Say what is set, what comes next, and what crept.

        Returns
        -------
        list of str
        """
        return work_sentences(self.work, so_far(self.work.measured))

    def misses(self) -> dict[str, float]:
        """How far off its mark each facet's spot was read. [m]

        Returns
        -------
        dict of str to float
        """
        m = self.work.measured
        off = np.where(m.read & m.present, m.off, np.nan)
        return {x: float(d) for x, d in zip(m.labels, off, strict=True) if np.isfinite(d)}

    def _take(self, log: SetLog) -> None:
        self.work = self.work.holding(log)
        self._stamp = None  # another may have written since: the next look tells

    def _seen(self) -> tuple[int, int, int] | None:
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_size, found.st_ino


def _known(log: SetLog) -> set[tuple[object, ...]]:
    return {(e.facet, e.time, e.state) for e in log.entries}
