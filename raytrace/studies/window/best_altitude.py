"""Which altitude to set the mirrors for, so that the cooker serves a stated season best.

Each candidate is built and aimed again and traced under the same suns, with the same random draws
and samples, so that differences between candidates are sharp. Facing the sun, a cooker knows only
the sun's altitude over the ground: the season's suns are put together by it, weighted by their
irradiance. On ground that slopes a pot that is put level leans with the heading, seen from the
board; each altitude then has the middle one of its suns' headings.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError, ScenarioError, SettingsError, SkyError
from raytrace.light.facing import facing
from raytrace.light.setup import faced_from
from raytrace.sky.sun import sun_at
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking.season_plan import dates_between

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.schema import Scenario

__all__ = ["Candidate", "Served", "Serving", "serve_best"]

Array = NDArray[np.float64]

NODE = np.radians(0.25)  # between altitudes that are traced [rad]
STEP = 600.0  # between the season's moments [s]
COARSE = np.radians(5.0)  # between the first candidates [rad]
CLOSE = np.radians(0.1)  # how closely the search finds the best [rad]
NEARBY = np.radians([-3.0, -1.5, 0.0, 1.5, 3.0])  # of the best, for its standard error [rad]
LOWEST, HIGHEST = np.radians(1.0), np.radians(90.0)  # what a scenario may ask for [rad]
AS_GOOD = 0.98  # of the best energy
FRESH = 1 << 20  # key of samples that the search has not seen
USUAL_EVALUATIONS = 36


@dataclass(frozen=True)
class Served:
    """What is to be served.

    Attributes
    ----------
    first, last : date
    start, end : float
        Of the hours of each day, by the site's clock. [s]
    """

    first: dt.date
    last: dt.date
    start: float
    end: float

    SHOWN: ClassVar = {"start": "h", "end": "h"}

    def __post_init__(self) -> None:
        if self.last < self.first or (self.last - self.first).days > 366:
            raise SettingsError(
                f"{self.first} to {self.last}: give a first date and one up to a year after it"
            )
        if not 0.0 <= self.start < self.end <= 86400.0:
            raise SettingsError("the hours to serve must rise and lie between 0 and 24")


@dataclass(frozen=True, eq=False)
class Candidate:
    """Mirrors set for one altitude.

    Attributes
    ----------
    alpha : float
        Design altitude. [rad]
    energy : Estimate
        Delivered in the served hours, mean over the season's days. [J]
    why_not : str
        Why it can't be built; "" if it can.
    """

    alpha: float
    energy: Estimate
    why_not: str = ""

    SHOWN: ClassVar = {"energy": "MJ"}


@dataclass(frozen=True, eq=False)
class Serving:
    """Outcome of a search.

    Attributes
    ----------
    served : Served
    days : int
        With served hours. [1]
    sun : float
        Direct sunlight square to the sun in the served hours, mean over days. [J/m²]
    now, best : Candidate
        As the scenario has it, and the best; by samples that the search has not seen.
    best_se : float
        Standard error of the best altitude. [rad]
    gain : Estimate
        Of the best over the present one, as a share of the latter; nan where that is nothing. [1]
    as_good : tuple of float
        Altitudes between which the energy is within 2 % of the best. [rad]
    tried : tuple of Candidate
        Rising; by the search's samples.
    zones : bool
        Whether some facets have an altitude of their own, which stays.
    """

    served: Served
    days: int
    sun: float
    now: Candidate
    best: Candidate
    best_se: float
    gain: Estimate
    as_good: tuple[float, float]
    tried: tuple[Candidate, ...]
    zones: bool

    SHOWN: ClassVar = {"sun": "MJ/m2"}


@dataclass(frozen=True, eq=False)
class _Suns:
    """A season's suns by altitude over the ground: seconds times irradiance a day. [J/m²]"""

    alpha: Array
    heading: Array
    weight: Array
    days: int


def _moments(scenario: Scenario, served: Served) -> tuple[pd.DatetimeIndex, int]:
    """Middles of the season's steps within the served hours."""
    import pandas as pd

    zone = scenario.site.timezone
    count = max(round((served.end - served.start) / STEP), 1)
    step = (served.end - served.start) / count
    clock = served.start + step * (np.arange(count) + 0.5)
    days = dates_between(scenario, served.first, served.last)
    naive = pd.DatetimeIndex(
        (
            np.array([np.datetime64(d, "ms") for d in days])[:, None]
            + np.round(1e3 * clock).astype("m8[ms]")
        ).ravel()
    )
    times = naive.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    return times[np.asarray(times.notna())], len(days)


def _suns(scenario: Scenario, served: Served) -> _Suns:
    times, days = _moments(scenario, served)
    sun = sun_at(scenario, times)
    step = (served.end - served.start) / max(round((served.end - served.start) / STEP), 1)
    lit = sun.dni > 0.0
    if not lit.any():
        raise SkyError(
            f"{served.first} to {served.last}: there is no direct sun in these hours. Serve other "
            "hours or dates."
        )
    # each sun is shared between the altitudes below and above it
    alpha, heading = faced_from(scenario, sun)
    place = alpha[lit] / NODE
    low = np.floor(place).astype(int)
    energy = sun.dni[lit] * step / days

    def shared(energy: Array) -> Array:
        sums = np.zeros(int(low.max()) + 2)
        np.add.at(sums, low, energy * (low + 1 - place))
        np.add.at(sums, low + 1, energy * (place - low))
        return sums

    weight = shared(energy)
    used = np.flatnonzero(weight > 0.0)
    east, north = (shared(energy * along(heading[lit]))[used] for along in (np.sin, np.cos))
    return _Suns(used * NODE, np.arctan2(east, north), weight[used], days)


class _Search:
    """Energies of candidates, each traced once."""

    def __init__(
        self,
        scenario: Scenario,
        suns: _Suns,
        keys: dict[str, Any],
        tell: Callable[[float], Any],
    ) -> None:
        self.scenario, self.suns, self.keys, self.tell = scenario, suns, keys, tell
        self.found: dict[float, tuple[Array, str]] = {}

    def energies(self, alpha: float | None, fresh: bool = False) -> Array:
        """Energy a day, repeat by repeat; `alpha` None for the scenario as it is. [J]"""
        scenario = self.scenario
        if alpha is not None:
            degrees = float(np.degrees(alpha))
            scenario = scenario.varied([f"design.sun_altitude={degrees!r} deg"])
        ready = facing(scenario, **self.keys)
        number = np.round(self.suns.alpha / NODE).astype(np.int64) + (FRESH if fresh else 0)
        watts = ready.turned_to(self.suns.alpha, heading=self.suns.heading, keys=number)
        return np.asarray(watts @ self.suns.weight)

    def at(self, alpha: float) -> Array:
        """Energies of a candidate; zeros where it can't be built."""
        if alpha not in self.found:
            try:
                self.found[alpha] = self.energies(alpha), ""
            except (ScenarioError, GeometryError) as error:
                words = str(error).splitlines()[0]
                self.found[alpha] = np.zeros(self.keys["repeats"]), words
            self.tell(min(0.95, len(self.found) / USUAL_EVALUATIONS))
        return self.found[alpha][0]

    def tried(self) -> tuple[Candidate, ...]:
        return tuple(
            Candidate(alpha, Estimate.from_replicates(x), why)
            for alpha, (x, why) in sorted(self.found.items())
        )


def serve_best(
    scenario: Scenario,
    served: Served,
    *,
    repeats: int = 8,
    beams: int = 1,
    seed: int | None = None,
    build: int | None = None,
    threads: int | None = None,
    progress: Callable[[float], Any] | None = None,
) -> Serving:
    """Search for the design altitude that brings the most energy in a season's hours.

    Parameters
    ----------
    scenario : Scenario
    served : Served
    repeats, beams, seed, build, threads
        See `raytrace.light.facing.facing`.
    progress : callable, optional
        Called with about the share that is done.

    Returns
    -------
    Serving

    Raises
    ------
    SkyError
        If there is no direct sun in these hours.
    GeometryError
        If no candidate can be built.

    Notes
    -----
    The platform faces the sun throughout, and is tilted as the scenario says. Candidates every
    5° come first, then Brent's bounded search round the best of them. Energies, and the gain, are
    told by samples of their own, because the best of many is partly the luckiest; the standard
    error of the best altitude is the jackknife's, of the vertex of a parabola through five
    candidates near it. Which build a workshop makes is chance that stays the same throughout.
    """
    from scipy.optimize import minimize_scalar

    suns = _suns(scenario, served)
    keys = {"repeats": repeats, "beams": beams, "seed": seed, "build": build, "threads": threads}
    search = _Search(scenario, suns, keys, progress or (lambda share: None))
    low = max(float(suns.alpha[0]) - COARSE, LOWEST)
    high = min(float(suns.alpha[-1]) + COARSE, HIGHEST)
    first = np.arange(np.ceil(low / COARSE), np.floor(high / COARSE) + 1) * COARSE
    coarse = [float(a) for a in (first if len(first) else [0.5 * (low + high)])]
    best = max(coarse, key=lambda a: search.at(a).mean())
    if not search.at(best).mean() > 0.0:
        why = next((w for _, w in search.found.values() if w), "no light reaches the pot")
        raise GeometryError(f"no altitude serves these hours: {why}")
    found = minimize_scalar(
        lambda a: -search.at(float(a)).mean(),
        bounds=(max(best - COARSE, LOWEST), min(best + COARSE, HIGHEST)),
        method="bounded",
        options={"xatol": CLOSE},
    )
    best = max([best, float(found.x)], key=lambda a: search.at(a).mean())
    best_se = _vertex_se(search, best)
    now, then = search.energies(None, fresh=True), search.energies(best, fresh=True)
    gain = Estimate(np.array(np.nan), np.array(np.nan), repeats)
    if now.all():
        gain = Estimate.from_jackknife(lambda b, n: b / n - 1.0, then, now)
    return Serving(
        served=served,
        days=suns.days,
        sun=float(suns.weight.sum()),
        now=Candidate(float(scenario.design.sun_altitude), Estimate.from_replicates(now)),
        best=Candidate(best, Estimate.from_replicates(then)),
        best_se=best_se,
        gain=gain,
        as_good=_as_good(search.tried(), best),
        tried=search.tried(),
        zones=any(zone.sun_altitude is not None for zone in scenario.aim.zones),
    )


def _vertex_se(search: _Search, best: float) -> float:
    near = [best + float(x) for x in NEARBY]
    near = [a for a in near if LOWEST <= a <= HIGHEST and search.at(a).mean() > 0.0]
    if len(near) < 3:
        return float("nan")
    x = np.array(near) - best

    def vertex(energies: Array) -> Array:
        square, slope, _ = np.polyfit(x, energies / energies.max(), 2)
        return np.asarray(-0.5 * slope / square if square < 0.0 else np.nan)

    each = np.stack([search.at(a) for a in near], axis=1)
    return float(Estimate.from_jackknife(vertex, each).se)


def _as_good(tried: Sequence[Candidate], best: float) -> tuple[float, float]:
    """Altitudes on either side of the best at which 2 % of its energy is lost."""
    here = [c for c in tried if not c.why_not]
    alpha = np.array([c.alpha for c in here])
    energy = np.array([float(c.energy) for c in here])
    level = AS_GOOD * energy[int(np.argmin(np.abs(alpha - best)))]
    k = int(np.argmin(np.abs(alpha - best)))

    def side(step: int) -> float:
        j = k
        while 0 <= j + step < len(alpha) and energy[j + step] >= level:
            j += step
        if not 0 <= j + step < len(alpha):
            return float(alpha[j])
        share = (energy[j] - level) / (energy[j] - energy[j + step])
        return float(alpha[j] + share * (alpha[j + step] - alpha[j]))

    return side(-1), side(1)
