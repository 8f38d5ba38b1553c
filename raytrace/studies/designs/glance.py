"""A design at a glance: first numbers at once, then ever surer ones that keep what is there.

Every step shares its random numbers with the same step of another design (common random numbers),
so that a small change of a design doesn't jump by noise and two designs are compared in pairs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from raytrace.heat.wanted import goal_of
from raytrace.heat.water import site_pressure, water_at
from raytrace.light.drawn import KINDS, draw_cookers, light_unknowns, powers
from raytrace.light.history import Pairs, PotLight, remembering
from raytrace.light.placed import FacedSun
from raytrace.light.setup import LightSettings, Setup, set_up
from raytrace.light.turning import habit_of
from raytrace.optics.tally import BASE, Tally
from raytrace.sky.clock import day_bounds, site_times
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.likely import REPEATS, Likely, likely_of
from raytrace.studies.cooking.courses import courses
from raytrace.studies.cooking.never_boils import REASONS
from raytrace.studies.cooking.pots import from_nudged, heat_course, nudged, pots_of
from raytrace.studies.cooking.time_step import between_moments
from raytrace.studies.trace.run import Moment, TracePlan, moment_under, sun_for, suns_of

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Boil",
    "Drawn",
    "Gap",
    "Glance",
    "boil_of",
    "first_glance",
    "gap",
    "glances",
    "moment_of",
    "more_draws",
    "more_light",
    "surer",
]

Array = NDArray[np.float64]
Tell = Callable[[], object]

REPLICATES = 16
FIRST, LARGEST = 1, 8  # beams a facet and replicate: at first, and in later steps
MOST = 64  # of them in all
TARGET = 5e-5  # standard error of the delivered watts over these, to be reached at rest
SAFETY = 0.8  # of the target: a standard error of 16 replicates wanders by a fifth
BLOCK, ALONE = 16, 8  # draws in a step: of everything, and of each kind alone
DRAWS = 96  # in all
COARSE, FINE = (1200.0, 4), (600.0, 8)  # step [s] and replicates of the pot's course
SOON = 4 * 3600.0  # within which most pots are ready [s]
PIECE, FEW = 24, 2  # moments of it, and draws, between two looks whether anybody waits


@dataclass(frozen=True, eq=False)
class Boil:
    """What becomes of the scenario's pot, put on at the moment and turned by its habit.

    Attributes
    ----------
    start : Timestamp
        The moment, to the minute before it.
    boils, done : Estimate
        From the start; nan never. The standard errors hold samples and steps in time. [s]
    highest : Estimate
        Highest temperature until the day ends, or four hours after the start where it is ready by
        then. [K]
    boiling : float
        Boiling point at the site's pressure. [K]
    reason : str
        Why it never boils, of `raytrace.studies.cooking.never_boils.REASONS`; "boils" where it
        does, "" where that was not looked into.
    fine : bool
        Whether it was followed in fine steps.
    """

    start: pd.Timestamp
    boils: Estimate
    done: Estimate
    highest: Estimate
    boiling: float
    reason: str
    fine: bool


@dataclass(frozen=True, eq=False)
class Drawn:
    """Watts on the base of cookers as they may turn out.

    Attributes
    ----------
    watts : mapping of str to ndarray, shape (8, K / 8)
        Sets of draws, each set independent of the others: "all", and each of
        `raytrace.light.drawn.KINDS` alone. [W]
    """

    watts: Mapping[str, Array]

    def __len__(self) -> int:
        return int(self.watts["all"].size)

    @cached_property
    def likely(self) -> Likely:
        """What may be expected of the watts. [W]"""
        alone = {kind: self.watts[kind].ravel() for kind in KINDS}
        return likely_of(self.watts["all"].ravel(), alone)


@dataclass(frozen=True, eq=False)
class Glance:
    """What is known of a design so far.

    Attributes
    ----------
    setup : Setup
        As built.
    plan : TracePlan
        At the design sun or one moment.
    sun : FacedSun
    moment : Moment
        Its tally holds all steps together.
    step : int
        How many of these. [1]
    wanted : int
        Beams a facet and replicate after which the standard error is about the target's; from
        the first step's. [1]
    boil : Boil or None
        None where the sun never stands there, or the pot holds nothing to boil.
    drawn : Drawn or None
        None before the first draws.
    """

    setup: Setup
    plan: TracePlan
    sun: FacedSun
    moment: Moment
    step: int
    wanted: int
    boil: Boil | None = None
    drawn: Drawn | None = None

    @property
    def tally(self) -> Tally:
        """What was counted."""
        return self.moment.tally

    @property
    def scenario(self) -> Scenario:
        """What is looked at."""
        return self.setup.scenario

    @property
    def settled(self) -> bool:
        """Whether enough light is traced."""
        return self.tally.samples_per_facet >= self.wanted

    @property
    def whole(self) -> bool:
        """Whether all is known that a glance gives."""
        drawn = self.drawn is not None and len(self.drawn) >= DRAWS
        return self.settled and drawn and (self.boil is None or self.boil.fine)

    @property
    def share(self) -> float:
        """How much of the work is done. [1]"""
        light = min(self.tally.samples_per_facet / self.wanted, 1.0)
        drawn = 0.0 if self.drawn is None else min(len(self.drawn) / DRAWS, 1.0)
        return 0.5 * (light + drawn)


def moment_of(scenario: Scenario, at: str | None) -> tuple[str, ...]:
    """Moment as a plan has it.

    Parameters
    ----------
    scenario : Scenario
    at : str or None
        By the site's clock; None for the design sun.

    Returns
    -------
    tuple of str
        One, or none.
    """
    return () if at is None else (site_times(scenario.site, at)[0].isoformat(),)


def first_glance(scenario: Scenario, at: str | None = None) -> Glance:
    """Trace a few beams.

    Parameters
    ----------
    scenario : Scenario
        Its seed and build are taken.
    at : str, optional
        Moment, by the site's clock; by default the design sun.

    Returns
    -------
    Glance
        Without a boiling time or draws. The very same figures as `raytrace.studies.trace.run.run`
        gives for its plan.

    Raises
    ------
    GeometryError, ScenarioError
        If the cooker can't be built or stood up.
    SkyError
        If the sun is below the horizon then.
    """
    plan = TracePlan.of(
        scenario, at=moment_of(scenario, at), estimator="beams", replicates=REPLICATES
    )
    sun = suns_of(scenario, plan)[0]
    setup = set_up(scenario, LightSettings(seed=plan.seed, build=plan.build))
    plan = replace(plan, samples=_samples(setup, FIRST))
    moment = moment_under(setup, sun, plan)
    tally = moment.tally
    relative = float(np.nan_to_num(tally.delivered.relative_se))
    # fixed by the first step alone, so that no lucky standard error ends it
    more = max((relative / (SAFETY * TARGET)) ** 2, 1.0)
    each = tally.samples_per_facet
    wanted = int(min(np.ceil(more), MOST // FIRST)) * each
    return Glance(setup, plan, sun, moment, 1, wanted)


def more_light(glance: Glance) -> Glance:
    """Trace more beams, independent of those before, and take all together.

    Parameters
    ----------
    glance : Glance

    Returns
    -------
    Glance

    Notes
    -----
    Each replicate is the mean of its steps, each weighed by its beams: as many independent
    replicates as before, whose spread gives the standard error. How many steps there are is
    settled by the first one alone, as in Stein's two-stage sampling [1]_.

    References
    ----------
    .. [1] C. Stein, A two-sample test for a linear hypothesis whose power is independent of the
       variance, Annals of Mathematical Statistics 16 (1945) 243-258 (from memory).
    """
    beams = min(FIRST << (glance.step - 1), LARGEST)
    plan = replace(glance.plan, samples=_samples(glance.setup, beams))
    new = moment_under(glance.setup, glance.sun, plan, stream=glance.step).tally
    old = glance.tally
    whole = old.samples_per_facet + new.samples_per_facet
    share = new.samples_per_facet / whole
    tally = replace(
        old,
        power=old.power + share * (new.power - old.power),
        base_power=old.base_power + share * (new.base_power - old.base_power),
        samples_per_facet=whole,
    )
    return replace(glance, moment=replace(glance.moment, tally=tally), step=glance.step + 1)


def more_draws(glance: Glance, tell: Tell = lambda: None) -> Glance:
    """Draw more cookers as they may turn out, and trace them.

    Parameters
    ----------
    glance : Glance
    tell : callable
        Called now and then; may raise to end it.

    Returns
    -------
    Glance

    Raises
    ------
    GeometryError, ScenarioError
        If a cooker that is drawn can't be set or stood up.
    """
    scenario, seed = glance.scenario, glance.plan.seed
    keys = tuple(u.key for u in light_unknowns(scenario))
    before = {} if glance.drawn is None else glance.drawn.watts
    watts, sun_of = dict(before), sun_for(glance.plan)
    for name, kinds in {"all": KINDS, **{kind: (kind,) for kind in KINDS}}.items():
        done = before[name].size if name in before else 0
        count = BLOCK if name == "all" else ALONE
        draws = draw_cookers(scenario, count, seed=seed, first=done, kinds=kinds, keys=keys)
        parts = []
        for k in range(0, len(draws), FEW):
            tell()
            parts.append(powers(draws[k : k + FEW], seed=seed, sun_of=sun_of)[:, BASE])
        found = np.concatenate(parts)
        sets = [before[name]] if name in before else []
        watts[name] = np.concatenate([*sets, found.reshape(REPEATS, -1)], axis=1)
    return replace(glance, drawn=Drawn(watts))


def boil_of(
    glance: Glance, effort: tuple[float, int] = COARSE, tell: Tell = lambda: None
) -> Boil | None:
    """Follow the pot from the moment on, as `raytrace.studies.cooking.pot_day` does.

    Parameters
    ----------
    glance : Glance
    effort : tuple of float and int
        Greatest distance between moments [s], and replicates. With `FINE` it is also looked into
        why a pot never boils.
    tell : callable
        Called now and then; may raise to end it.

    Returns
    -------
    Boil or None
        None where the sun never stands there.

    Raises
    ------
    HeatError
        If the pot starts as hot as water boils at the site.
    """
    if glance.sun.time is None:
        return None
    scenario, (step, replicates) = glance.scenario, effort
    start = glance.sun.time.tz_convert(scenario.site.timezone).floor("min")
    end = day_bounds(scenario.site, start.date())[1]
    settings = replace(glance.setup.settings, beams=1, replicates=replicates)
    setup = replace(glance.setup, settings=settings)
    known = remembering()

    def tracer(pairs: Pairs) -> PotLight:
        parts = []
        for k in range(0, max(len(pairs.dni), 1), PIECE):
            tell()
            parts.append(known(pairs[k : k + PIECE]))
        names = [f.name for f in fields(PotLight)]
        return PotLight(*(np.concatenate([getattr(p, n) for p in parts]) for n in names))

    def until(last: pd.Timestamp) -> Boil | None:
        ends = (np.array([round(t.timestamp())], dtype=np.int64) for t in (start, last))
        habit = habit_of(scenario)
        course = courses(setup, habit, *ends, step=step, evening=True, tracer=tracer)
        course = between_moments(course)
        tell()
        one = np.zeros(1, dtype=np.int64)
        for _, heating in heat_course(course, nudged(course.absorbed), one, evening=True):
            boils, done, highest = (
                Estimate(*from_nudged(x), replicates)
                for x in (heating.boils, heating.done, heating.highest)
            )
            reason = "boils" if np.isfinite(boils.value) else ""
            if not reason and effort == FINE and last == end and scenario.kitchen.water:
                tell()
                reason = REASONS[int(pots_of(course).reason[0])]
            boiling = float(water_at(site_pressure(scenario)).boiling)
            return Boil(start, boils, done, highest, boiling, reason, effort == FINE)
        return None

    # most pots are ready soon, and what the sun does afterwards need not be traced
    found = until(min(start + pd.Timedelta(seconds=SOON), end))
    if found is not None:
        came = [found.boils] if scenario.kitchen.water else [found.done]
        came += [found.done] * (goal_of(scenario) == "done")
        if all(np.isfinite(x.se) and np.isfinite(x.value) for x in came):
            return found
    return until(end)


def glances(
    scenario: Scenario, at: str | None = None, tell: Tell = lambda: None
) -> Iterator[Glance]:
    """Look at a design: at once, and then longer.

    Parameters
    ----------
    scenario, at
        As in `first_glance`.
    tell : callable
        Called now and then; may raise to end it.

    Yields
    ------
    Glance
        First the light of a few beams, then the boiling time besides: what follows a hand that
        moves. Then more light, draws and a finer boiling time, in steps short enough that a move
        ends them at once.

    Raises
    ------
    CookerError
        As `first_glance` and `boil_of`.
    """
    tell()
    seen = first_glance(scenario, at)
    yield seen
    tell()
    seen = replace(seen, boil=boil_of(seen, COARSE, tell))
    yield seen
    yield from surer(seen, tell)


def surer(seen: Glance, tell: Tell = lambda: None) -> Iterator[Glance]:
    """Look on at a design, from where a glance left off.

    Parameters
    ----------
    seen : Glance
        With its boiling time.
    tell : callable
        Called now and then; may raise to end it.

    Yields
    ------
    Glance
        None where all is known.
    """
    while not seen.settled or seen.drawn is None or len(seen.drawn) < DRAWS:
        tell()
        if not seen.settled:
            seen = more_light(seen)
        if seen.drawn is None or len(seen.drawn) < DRAWS:
            seen = more_draws(seen, tell)
        yield seen
    if seen.boil is not None and not seen.boil.fine:
        tell()
        yield replace(seen, boil=boil_of(seen, FINE, tell))


@dataclass(frozen=True)
class Gap:
    """By how much one design differs from another, what is random being the same for both.

    Attributes
    ----------
    built : Estimate
        Delivered watts of the build that is shown, less the other's; its standard error is that
        of the samples. [W]
    likely : Likely or None
        The same over draws of all that isn't known, of building and of use. [W]
    """

    built: Estimate
    likely: Likely | None


def gap(one: Glance, other: Glance) -> Gap:
    """Compare two designs, pair by pair.

    Parameters
    ----------
    one, other : Glance

    Returns
    -------
    Gap
        Of the steps and draws that both have.
    """
    pairs = [g.tally.power[:, :, BASE].sum(axis=1) for g in (one, other)]
    built = Estimate.from_replicates(pairs[0] - pairs[1])
    likely = None
    if one.drawn is not None and other.drawn is not None:
        count = min(len(one.drawn), len(other.drawn)) // REPEATS
        a, b = (g.watts["all"][:, :count] for g in (one.drawn, other.drawn))
        likely = likely_of((a - b).ravel())
    return Gap(built, likely)


def _samples(setup: Setup, beams: int) -> int:
    """Beams in all, from those a facet and replicate."""
    return beams * REPLICATES * max(int(setup.cooker.facets.present.sum()), 1)
