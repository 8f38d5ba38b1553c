"""What a design yields, in a form in which designs can be compared sharply.

Every figure comes as 1 + r numbers, as `raytrace.studies.cooking.pots.nudged` makes them: the
figure, and where r independent replicates would move it. Designs share seeds, and every random
number is keyed on a facet's row and column, never on the design; so the difference of two designs'
numbers, one by one, is the difference's figure and its own standard error.

A replicate is a handful of builds, each put on, turned and traced by random draws of its own. So
errors of making and of use are averaged over, and the standard error holds them.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.described import Described, plain_units, shown
from raytrace.exceptions import SettingsError, SkyError
from raytrace.light.expected import DAY, KEYS, Expected
from raytrace.light.placed import faced_design_sun, stood
from raytrace.light.setup import LightSettings, design_sun, set_up
from raytrace.light.turning import habit_of
from raytrace.optics.tally import BASE, LINES, MISSED
from raytrace.optics.tracing import trace
from raytrace.sky.clock import day_bounds
from raytrace.statistics.estimate import Estimate
from raytrace.studies.bench.materials import work_of
from raytrace.studies.cooking.courses import Course, courses
from raytrace.studies.cooking.pots import from_nudged, heat_course, nudged
from raytrace.studies.cooking.season import start_moments

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "OUTCOMES",
    "SHARES",
    "Ask",
    "Outcome",
    "cost_of",
    "estimate",
    "is_priced",
    "measure",
    "setup_hours",
    "sized",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

STREAMS = 1 << 20
PILOT = 32  # replicates of a trial, so that it misjudges the noise by an eighth or so
FLUX_SAMPLES, FLUX_REPLICATES = 1 << 12, 4  # of each build's map
HEAT_STEP = 600.0  # [s]
LITRE_DAYS = 6  # dates that litres a day are the mean of


@dataclass(frozen=True)
class Outcome:
    """One figure of a design.

    Attributes
    ----------
    si : str
        Unit of its numbers; "money" stands for the scenario's currency.
    unit : str
        As people read it.
    words : str
        What it is.
    more : bool
        Whether more is better.
    needs : str
        What must be asked besides: "dates", "at", "reach" or nothing.
    """

    si: str
    unit: str
    words: str
    more: bool = True
    needs: str = ""

    @property
    def factor(self) -> float:
        """From `si` to `unit`."""
        return float(shown(1.0, self.described("money")))

    def described(self, currency: str, *dims: str) -> Described:
        """For data sets, tables and JSON.

        Parameters
        ----------
        currency : str
        *dims : str
            Names of its axes.

        Returns
        -------
        Described
        """
        si, read = (
            plain_units(unit).replace("money", currency) for unit in (self.si, self.unit or self.si)
        )
        return Described(si, self.words, dims, read)


SHARES = tuple(f"{line} share" for line in LINES)

OUTCOMES: dict[str, Outcome] = {
    "watts": Outcome("W", "W", "delivered at the design sun"),
    "watts per area": Outcome("W/m²", "W/m²", "delivered at the design sun per mirror area"),
    "watts per cost": Outcome("W/money", "W/money", "delivered at the design sun per cost"),
    "yield": Outcome("1", "%", "of the builds reach the watts asked for", needs="reach"),
    "peak flux": Outcome("W/m²", "kW/m²", "greatest flux on the base, mean over builds"),
    "intercept": Outcome("1", "%", "of the light that leaves the mirrors, on the base"),
    "season energy": Outcome(
        "J", "kWh", "delivered, turned to the sun all the time", needs="dates"
    ),
    "season watts": Outcome("W", "W", "delivered, mean over the hours asked for", needs="dates"),
    "season per cost": Outcome(
        "J/money", "kWh/money", "delivered over the dates per cost", needs="dates"
    ),
    "litres": Outcome("m³/day", "L/day", "brought to the boil by refilling", needs="dates"),
    "boil time": Outcome("s", "min", "to the boil", more=False, needs="at"),
    "cost": Outcome("money", "money", "to build, work at its wage included", more=False),
    "setup hours": Outcome("s", "h", "to build and set", more=False),
    "mirror area": Outcome("m²", "m²", "of all facets"),
    "facets": Outcome("1", "", "that are present", more=False),
}
for _name, _line in zip(SHARES, LINES, strict=True):
    OUTCOMES[_name] = Outcome(
        "1", "%", f"of the sunlight on the mirrors: {_line}", more=_line == "base"
    )
PLAIN = ("cost", "setup hours", "mirror area", "facets")
AT_DESIGN = ("watts", "watts per area", "watts per cost", "intercept", *SHARES)
OVER_SEASON = ("season energy", "season watts", "season per cost")


@dataclass(frozen=True)
class Ask:
    """What to compute, how exactly, and the keys of all random numbers.

    Attributes
    ----------
    outcomes : tuple of str
        Names in `OUTCOMES`.
    replicates : int
        Independent ones behind the standard errors, 2 or more. [1]
    points : int
        At the design sun: cases in each replicate, a power of two; see
        `raytrace.light.expected.Expected`. [1]
    sun_positions : int
        Of a season: the same. [1]
    beams : int
        A facet, in each case. [1]
    seed, stream : int
        Designs of one seed and stream share builds and samples; other streams are independent.
    dates : tuple of date
        Of season and litres, in order.
    days : int or None
        Of the season that these dates stand for; default: as many as there are dates.
    hours : tuple of float
        From when until when on these, after midnight by the clock. [s]
    at : tuple of date and float, or None
        When the pot of the boil time is put on: date, and seconds after midnight by the clock.
    reach : float or None
        Watts that a build of the yield must reach. [W]
    builds : int
        That the yield is counted over. [1]
    bins : int
        Of the flux map, along each side. [1]
    """

    outcomes: tuple[str, ...] = ("watts",)
    replicates: int = 8
    points: int = 4
    sun_positions: int = 128
    beams: int = 1
    seed: int = 1
    stream: int = 0
    dates: tuple[dt.date, ...] = ()
    days: int | None = None
    hours: tuple[float, float] = (0.0, DAY)
    at: tuple[dt.date, float] | None = None
    reach: float | None = None
    builds: int = 200
    bins: int = 32

    ALSO: ClassVar = ("season_days",)

    def __post_init__(self) -> None:
        unknown = [name for name in self.outcomes if name not in OUTCOMES]
        if unknown or not self.outcomes:
            raise SettingsError(f"outcomes: {unknown or 'none'}; there are {', '.join(OUTCOMES)}")
        if self.replicates < 2 or self.builds < 2 or self.beams < 1:
            raise SettingsError("replicates and builds must be 2 or more, beams 1 or more")
        if any(n < 1 or n & (n - 1) for n in (self.points, self.sun_positions)):
            raise SettingsError("points and sun positions must be powers of two")
        most = max(self.replicates * max(self.points, self.sun_positions), self.builds)
        if not 0 <= self.stream < STREAMS or most > KEYS // 2:
            raise SettingsError(
                f"stream must lie in 0 to {STREAMS - 1}, cases be fewer than {most}"
            )
        if not 0.0 <= self.hours[0] < self.hours[1] <= DAY:
            raise SettingsError("hours must rise, within a day")
        given = {"dates": self.dates, "at": self.at, "reach": self.reach}
        for name in self.outcomes:
            needs = OUTCOMES[name].needs
            if needs and not given[needs] and given[needs] != 0.0:
                raise SettingsError(f'outcome "{name}": {needs} must be given')

    @property
    def season_days(self) -> int:
        """Days of the season, of which `dates` may be some."""
        return len(self.dates) if self.days is None else self.days

    @property
    def first(self) -> int:
        """Number of the first build."""
        return self.stream * KEYS


def setup_hours(scenario: Scenario, cooker: Cooker) -> float:
    """Time that it takes to build and set a cooker.

    Parameters
    ----------
    scenario : Scenario
        Its section `workshop` is read.
    cooker : Cooker
        Missing facets take none.

    Returns
    -------
    float
        [s]
    """
    return work_of(scenario.workshop, int(cooker.facets.present.sum())).total


def cost_of(scenario: Scenario, cooker: Cooker) -> float:
    """Price of a cooker in the scenario's currency, work at its wage included.

    Parameters
    ----------
    scenario : Scenario
        Its sections `cost` and `workshop` are read.
    cooker : Cooker
        Missing facets cost nothing; mirrors cost by their area, what cutting wastes aside.

    Returns
    -------
    float
    """
    cost, facets = scenario.cost, int(cooker.facets.present.sum())
    work = cost.wage * setup_hours(scenario, cooker) / 3600.0
    return cost.fixed + cost.mirror * cooker.mirror_area + cost.facet * facets + work


def is_priced(scenario: Scenario) -> bool:
    """Whether a scenario states any price of its own; else its costs are invented.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    bool
    """
    return bool(scenario.cost.model_fields_set)


def estimate(numbers: Array) -> Estimate:
    """Figure and standard error from numbers of `measure`, or of a difference of two.

    Parameters
    ----------
    numbers : ndarray, shape (1 + r, ...) or (1, ...)

    Returns
    -------
    Estimate, shape (...)
    """
    if len(numbers) == 1:
        return Estimate(np.asarray(numbers[0]), np.zeros(np.shape(numbers[0])), 1)
    with np.errstate(invalid="ignore"):
        value, se = from_nudged(numbers)
    return Estimate(np.asarray(value), np.asarray(se), len(numbers) - 1)


def measure(scenario: Scenario, ask: Ask, *, threads: int | None = None) -> dict[str, Array]:
    """Find what a design yields.

    Parameters
    ----------
    scenario : Scenario
    ask : Ask
    threads : int, optional
        Changes no result.

    Returns
    -------
    dict of str to ndarray, shape (1 + r,) or (1,)
        By outcome, in SI units: the figure, and where each replicate would move it; alone where it
        is exact. A pot that never boils has a boil time of nan. For `estimate`.

    Raises
    ------
    ScenarioError, GeometryError
        If there is no such cooker.
    """
    options = ask.replicates, ask.beams, ask.seed, ask.stream, threads
    design = _Design(Expected(scenario, build_cooker(scenario), *options), ask)
    wanted = set(ask.outcomes)
    out: dict[str, Array] = {}
    if wanted.intersection(PLAIN):
        out |= {name: np.array([value]) for name, value in design.plain().items()}
    if wanted.intersection(AT_DESIGN):
        out |= design.at_design()
    if wanted.intersection(OVER_SEASON):
        out |= design.over_season()
    if "yield" in wanted:
        out["yield"] = design.share_reaching()
    if "peak flux" in wanted:
        out["peak flux"] = design.peak_flux()
    if "boil time" in wanted:
        out["boil time"] = design.boil_time()
    if "litres" in wanted:
        out["litres"] = design.litres()
    return {name: out[name] for name in ask.outcomes}


def sized(scenario: Scenario, ask: Ask, target: float, *, threads: int | None = None) -> Ask:
    """Choose how much to trace for a relative standard error of watts and season energy.

    Parameters
    ----------
    scenario : Scenario
        Stands for the designs to come.
    ask : Ask
        What it has of points and sun positions is tried, with random draws of its own.
    target : float
        Relative standard error.
    threads : int, optional
        Changes no result.

    Returns
    -------
    Ask
    """
    found = {}
    for group, size, outcome in (
        (AT_DESIGN, "points", "watts"),
        (OVER_SEASON, "sun_positions", "season energy"),
    ):
        if not set(group).intersection(ask.outcomes):
            continue
        trial = replace(ask, outcomes=(outcome,), replicates=PILOT, stream=STREAMS - 1)
        got = float(estimate(measure(scenario, trial, threads=threads)[outcome]).relative_se)
        excess = PILOT / ask.replicates * (got / target) ** 2
        more = math.ceil(math.log2(excess)) if excess > 0.0 and math.isfinite(excess) else 0
        tried = getattr(ask, size)
        found[size] = int(np.clip(tried * 2.0**more, min(4, tried), 64 * tried))
    return replace(
        ask,
        points=found.get("points", ask.points),
        sun_positions=found.get("sun_positions", ask.sun_positions),
    )


@dataclass(frozen=True, eq=False)
class _Design:
    """A design, and what is asked of it."""

    expected: Expected
    ask: Ask

    @property
    def scenario(self) -> Scenario:
        return self.expected.scenario

    @property
    def cooker(self) -> Cooker:
        return self.expected.cooker

    @property
    def cost(self) -> float:
        return cost_of(self.scenario, self.cooker)

    def plain(self) -> dict[str, float]:
        """Figures without chance."""
        return {
            "cost": self.cost,
            "setup hours": setup_hours(self.scenario, self.cooker),
            "mirror area": self.cooker.mirror_area,
            "facets": float(self.cooker.facets.present.sum()),
        }

    def at_design(self) -> dict[str, Array]:
        sun, _ = design_sun(self.scenario)
        lines = nudged(self.expected.at_design(self.ask.points).T)
        watts, area = lines[:, BASE], self.cooker.mirror_area
        leaving = lines[:, MISSED:].sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            shares = lines / (float(sun.dni[0]) * area)
            return {
                "watts": watts,
                "watts per area": watts / area,
                "watts per cost": watts / self.cost,
                "intercept": watts / leaving,
                **{name: shares[:, k] for k, name in enumerate(SHARES)},
            }

    def over_season(self) -> dict[str, Array]:
        suns = self.expected.suns(self.ask.dates, self.ask.hours)
        traced = nudged(self.expected.over(suns, self.ask.sun_positions))
        energy = traced * (self.ask.season_days / len(self.ask.dates))
        with np.errstate(invalid="ignore", divide="ignore"):
            return {
                "season energy": energy,
                "season watts": traced / suns[0].hours,
                "season per cost": energy / self.cost,
            }

    def share_reaching(self) -> Array:
        watts = self.expected.builds(self.ask.builds)
        return nudged((watts >= float(self.ask.reach or 0.0)).astype(float))

    def peak_flux(self) -> Array:
        """At the design sun, mean over the stream's first builds; each replicate is one."""
        return nudged(np.array([self._peak(k) for k in range(self.ask.replicates)]))

    def _peak(self, k: int) -> float:
        ask = self.ask
        keys = LightSettings(seed=ask.seed, build=ask.first + k)
        setup = set_up(self.scenario, keys)
        sun = faced_design_sun(self.scenario)
        _, cooker, s = stood(setup, sun)
        tally = trace(
            cooker,
            s,
            sun.shape,
            dni=sun.dni,
            samples=max(FLUX_SAMPLES, 8 * FLUX_REPLICATES * max(len(cooker.facets), 1)),
            replicates=FLUX_REPLICATES,
            seed=ask.seed,
            stream=ask.first + k,
            bins=ask.bins,
            threads=self.expected.threads,
        )
        return float(tally.peak_flux)

    def course(self, starts: Whole, ends: Whole) -> Course:
        """Light on pots put on at given moments; replicates are builds, (not mirrored)."""
        ask, scenario = self.ask, self.scenario
        parts = []
        for k in range(ask.replicates):
            keys = LightSettings(ask.beams, 2, ask.seed, ask.first + k, self.expected.threads)
            setup = set_up(scenario, keys)
            parts.append(courses(setup, habit_of(scenario), starts, ends, step=HEAT_STEP))
        heat = np.stack([part.absorbed.mean(axis=-1) for part in parts], axis=-1)
        return replace(parts[0], absorbed=heat)

    def boil_time(self) -> Array:
        assert self.ask.at is not None
        date, clock = self.ask.at
        start = start_moments(self.scenario, [date], [clock])[0]
        if np.isnan(start[0]):
            raise SkyError(f"{date} {clock / 3600:g} h: the clock skips that time on that day")
        end = day_bounds(self.scenario.site, date)[1].timestamp()
        course = self.course(start.astype(np.int64), np.array([end], dtype=np.int64))
        boils = np.full(1 + self.ask.replicates, np.nan)
        for _, heating in heat_course(course, nudged(course.absorbed), np.zeros(1, dtype=int)):
            boils = heating.boils
        return boils

    def litres(self) -> Array:
        ask, scenario = self.ask, self.scenario
        count = min(LITRE_DAYS, len(ask.dates))
        # the middles of as many equal parts
        picked = ((np.arange(count) + 0.5) * len(ask.dates) / count).astype(int)
        dates = [ask.dates[k] for k in picked]
        starts = start_moments(scenario, dates, [ask.hours[0]])[:, 0]
        last = np.array([day_bounds(scenario.site, d)[1].timestamp() for d in dates])
        ends = np.minimum(last, starts + ask.hours[1] - ask.hours[0])
        there = np.isfinite(starts)
        course = self.course(starts[there].astype(np.int64), ends[there].astype(np.int64))
        rows = np.arange(int(there.sum()))
        batches = np.zeros((1 + ask.replicates, len(rows)))
        watts = nudged(course.absorbed)
        for which, heating in heat_course(course, watts, rows, refill=True):
            batches[:, which] = heating.batches.reshape(len(batches), -1)
        batches[batches < 1.0] = 0.0  # nothing boils
        return np.asarray(batches.sum(axis=1) / count * scenario.kitchen.water)
