"""Where the work of setting an array stands, by its log: what is done, what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.cooker.tolerances import laser_stand, tolerances_from_scenario
from raytrace.exceptions import SettingsError
from raytrace.scenario.tables import known_label
from raytrace.scenario.units import nearest
from raytrace.sky.clock import now
from raytrace.studies.bench.one_facet import ways_of
from raytrace.studies.bench.readings import read_measured
from raytrace.studies.bench.set_log import Entry, SetLog, log_text, open_log
from raytrace.studies.bench.spots import spots_of

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.bench.beam_clearance import Ways
    from raytrace.studies.bench.spots_data import Spots, SpotsPlan

__all__ = [
    "GONE",
    "READING",
    "LaserPlace",
    "Work",
    "entry_of",
    "known_facet",
    "laser_place",
    "slid_places",
    "work_of",
]

GONE = "missing"  # a facet that fell off, or has not been put on
READING = (
    2e-3  # error per axis of a spot read off a card, unless stated; common practice, no source [m]
)


@dataclass(frozen=True, eq=False)
class Work:
    """An array of which some facets are set.

    Attributes
    ----------
    log : SetLog
    measured : Spots
        The array as the log has it.
    """

    log: SetLog
    measured: Spots

    @cached_property
    def ways(self) -> Ways:
        """The laser's ways, and the order of setting that keeps them free."""
        return ways_of(self.measured)

    @property
    def order(self) -> tuple[str, ...]:
        """Facets in the order of setting."""
        return tuple(self.measured.labels[f] for f in self.ways.order)

    def meets(self, facet: str) -> tuple[str, ...]:
        """What the laser's beam meets when a facet's turn comes.

        Parameters
        ----------
        facet : str

        Returns
        -------
        tuple of str
            Facets, "pot", "post 1" and so on, or "board".
        """
        return self.ways.at_turn[self.measured.labels.index(facet)]

    @property
    def state(self) -> dict[str, str]:
        """Of every facet of the order: "ok" once its spot was read, "missing", "broken"; or ""."""
        last = self.log.last
        return {label: last[label].state if label in last else "" for label in self.order}

    @property
    def left(self) -> tuple[str, ...]:
        """Facets that are still to set, in order."""
        return tuple(label for label, state in self.state.items() if state != "ok")

    def after(self, facet: str) -> str:
        """Facet to set once one is done with.

        Parameters
        ----------
        facet : str

        Returns
        -------
        str
            The next in order that is left, after the last again from the first; empty if none is.
        """
        place = self.order.index(facet) + 1
        left = self.left
        return next((x for x in (*self.order[place:], *self.order[:place]) if x in left), "")

    def holding(self, log: SetLog) -> Work:
        """The same array by another log.

        Parameters
        ----------
        log : SetLog

        Returns
        -------
        Work

        Raises
        ------
        ScenarioError
            If no mirror could make one of its spots.
        """
        m = self.measured
        return _work(m.scenario, m.plan, log, m.source, self.ways)

    def tried(self, entry: Entry) -> Work:
        """The array with one facet more, which is not in the log yet.

        Parameters
        ----------
        entry : Entry

        Returns
        -------
        Work

        Raises
        ------
        ScenarioError
            If no mirror could make its spot.
        """
        return self.holding(replace(self.log, entries=(*self.log.entries, entry)))


@dataclass(frozen=True)
class LaserPlace:
    """Where the laser stands for one facet.

    Attributes
    ----------
    kind : str
        "parallel", slid and never turned, or "point", swivelled on one stand.
    altitude : float
        That it shines down at, above the platform. [rad]
    place : tuple of float
        Of its opening from the platform's middle: to its right, toward the sun, above its top. [m]
    """

    kind: str
    altitude: float
    place: tuple[float, float, float]


def work_of(scenario: Scenario, plan: SpotsPlan, path: Path) -> Work:
    """Read where the work stands.

    Parameters
    ----------
    scenario : Scenario
    plan : SpotsPlan
    path : path
        Of the log; there need not be one.

    Returns
    -------
    Work

    Raises
    ------
    ScenarioError
        If the log can't be read.
    SettingsError
        If its spots lie on another plane than the plan's, or than the scenario's.
    """
    plane = plan.plane or scenario.errors.miss_plane
    log = open_log(path, plane, build_cooker(scenario).facets.label)
    return _work(scenario, plan, log, path.name)


def _work(
    scenario: Scenario,
    plan: SpotsPlan,
    log: SetLog,
    name: str,
    ways: Ways | None = None,
) -> Work:
    rest = replace(plan, build=None)
    if log.entries:
        measured = read_measured(scenario, log_text(log), rest, name=name)
    else:
        designed = spots_of(scenario, replace(rest, plane=log.plane))
        unread = np.full_like(designed.spot, np.nan)
        measured = replace(designed, plan=rest, source=name, spot=unread)
    work = Work(log, measured)
    if ways is not None:
        work.__dict__["ways"] = ways
    return work


def known_facet(text: str, labels: Sequence[str]) -> str:
    """Find the facet that somebody means.

    Parameters
    ----------
    text : str
        As typed.
    labels : sequence of str
        All there are.

    Returns
    -------
    str

    Raises
    ------
    SettingsError
        If there is none; with the nearest.
    """
    if (label := known_label(text, labels)) is not None:
        return label
    near = nearest(text, labels)
    hint = f"Nearest: {near}." if near else f"Labels run from {labels[0]} to {labels[-1]}."
    raise SettingsError(f'"{text}": no facet has this label. {hint}')


def entry_of(
    scenario: Scenario, facet: str, spot: tuple[float, float] | None, sigma: float = READING
) -> Entry:
    """One facet as it was found now, by the site's clock.

    Parameters
    ----------
    scenario : Scenario
    facet : str
    spot : tuple of float, or None
        From the base's centre, along the plane's axes [m]; None for a facet that isn't there.
    sigma : float
        Of the reading, per axis. [m]

    Returns
    -------
    Entry
    """
    time = now(scenario.site).replace(microsecond=0)
    if spot is None:
        return Entry(time, facet, None, None, 0.0, GONE)
    return Entry(time, facet, *spot, sigma)


def laser_place(cooker: Cooker, scenario: Scenario, facet: int, height: float) -> LaserPlace:
    """Where the laser stands for one facet, as it should: the rig's own errors are left out.

    Parameters
    ----------
    cooker : Cooker
        Exactly set.
    scenario : Scenario
        Says which rig.
    facet : int
        Its number.
    height : float
        Of a slid laser's opening above the platform's top. [m]

    Returns
    -------
    LaserPlace

    Raises
    ------
    SettingsError
        If the opening would lie no higher than the facet that it lights.
    """
    rig = replace(tolerances_from_scenario(scenario).rig, altitude_bias=0.0, azimuth_bias=0.0)
    c = cooker.facets.c[facet]
    if rig.kind == "point":
        place = laser_stand(cooker, rig)
        way = place - c
    else:
        if height <= c[2]:
            raise SettingsError("the facet lies higher; the laser shines down on it.")
        place = slid_places(cooker, height)[facet]
        way = cooker.design_sun[facet]
    altitude = float(np.arctan2(way[2], np.hypot(way[0], way[1])))
    return LaserPlace(rig.kind, altitude, (float(place[0]), float(place[1]), float(place[2])))


def slid_places(cooker: Cooker, height: float) -> NDArray[np.float64]:
    """Where a slid laser stands to light each facet's middle.

    Parameters
    ----------
    cooker : Cooker
        Exactly set.
    height : float
        Of its opening above the platform's top. [m]

    Returns
    -------
    ndarray, shape (F, 3)
        Platform frame: where the line through the facet's middle toward the sun that it is set
        for crosses that height. [m]
    """
    c, s = cooker.facets.c, cooker.design_sun
    return np.asarray(c + ((height - c[:, 2]) / s[:, 2])[:, None] * s)
