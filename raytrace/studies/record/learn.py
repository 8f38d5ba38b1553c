"""What a record of a heating teaches of a scenario's uncertain numbers, by Bayes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import HeatError
from raytrace.light.absorbed import absorbed
from raytrace.light.drawn import Drawn
from raytrace.light.history import pot_light
from raytrace.light.setup import LightSettings
from raytrace.light.turning import habit_of
from raytrace.scenario.learned import Joint
from raytrace.statistics.posterior import Weighed, resampled, weigh
from raytrace.studies.cooking.heating_test import altered
from raytrace.studies.record.balance import Balance, balance
from raytrace.studies.record.light import UNIT_DNI, pair_means, pot_and_water, record_grid

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.record.readings import Record

__all__ = [
    "FACTORS",
    "LearnPlan",
    "Pots",
    "Taught",
    "error_covariance",
    "learn_record",
    "weigh_pots",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Numbers of the day or of what was in the pot that day: weighed with, but nothing for another day.
OF_THE_DAY = ("sky.", "air.", "site.", "kitchen.water", "kitchen.food", "kitchen.start")
FACTORS = ("mirror.reflectance", "mirror.backing", "mirror.cleanliness", "pot.absorptance_base")
CONVERTED = {"dni": 0.0, "gni": 0.04, "ghi": 0.06}  # common practice, no source
TELLS = 0.01  # of a number's variance, or of its mean in variances: below, a record tells nothing
CONTRADICTS = 4.0  # standard deviations between record and scenario
POOR = 50.0  # effective draws under which all weight sits on the edge of what was thought possible
ROWS = 512


@dataclass(frozen=True)
class LearnPlan:
    """How well a record is believed, and how much is computed.

    Attributes
    ----------
    reading_error : float
        Standard deviation of a reading of the water, independent of the others. [K]
    sun_error : float
        The same of the irradiance instrument, one factor for all its readings; where global
        irradiance was measured, the conversion's error is added. [1]
    stray, stray_time : float
        Standard deviation of what the model lacks, as a share of the heat absorbed, and the time
        over which it fades: gusts, stirring, the thermometer's place. Common practice, no
        source. [1], [s]
    each, rounds : int
        Draws a round, and how many rounds at most. [1]
    enough : float
        Effective draws that end the rounds. [1]
    seed : int
        Key of all draws.
    threads : int or None
        Changes no result.
    """

    reading_error: float = 0.5
    sun_error: float = 0.03
    stray: float = 0.05
    stray_time: float = 3600.0
    each: int = 256
    rounds: int = 5
    enough: float = 200.0
    seed: int = 1
    threads: int | None = None


@dataclass(frozen=True, eq=False)
class Taught:
    """What was learned.

    Attributes
    ----------
    joint : Joint
        Of the numbers that the record tells of and that are the cooker's own.
    before, before_sd : ndarray, shape (U,)
        Mean and standard deviation of each before, in its SI unit.
    product, product_after : (float, float)
        Mean and standard deviation, before and after, of the product of those of `FACTORS` that
        were learned: the share of the sunlight that turns to heat, but for what misses. [1]
    effective : float
        Effective draws. [1]
    count : int
        Draws in all. [1]
    shown, shown_sd : float
        Heat absorbed by the readings, over the stretches that count; error of readings and model.
        [W]
    expected, expected_sd : float
        The same as the scenario had it before. [W]
    misfit : float
        Chance that readings scatter so much about the best draw, if errors are as stated. [1]
    """

    joint: Joint
    before: Array
    before_sd: Array
    product: tuple[float, float]
    product_after: tuple[float, float]
    effective: float
    count: int
    shown: float
    shown_sd: float
    expected: float
    expected_sd: float
    misfit: float


def error_covariance(
    record: Record, found: Balance, pairs: Mask, heat: Array, plan: LearnPlan
) -> Array:
    """Covariance of what readings, instrument and model get wrong in the heat absorbed.

    Parameters
    ----------
    record : Record
    found : Balance
        Of the measured pot.
    pairs : ndarray of bool, shape (K − 1,)
        Pairs of readings that count, P of them.
    heat : ndarray, shape (P,)
        Heat absorbed, as predicted. [W]
    plan : LearnPlan

    Returns
    -------
    ndarray, shape (P, P)
        [W²]

    Notes
    -----
    What a reading's error adds to the stretch before it, it takes from the stretch after. What
    the model lacks fades as exp(−|t|/τ): readings close to each other share it, so that more of
    them over the same time tell no more of the light. The irradiance instrument is off by one
    factor throughout.
    """
    which = np.flatnonzero(pairs)
    G = np.zeros((len(which), len(record.time)))
    rows = np.arange(len(which))
    length = found.length[which]
    G[rows, which] = -found.capacity[which] / length + 0.5 * found.slope[which]
    G[rows, which + 1] = found.capacity[which + 1] / length + 0.5 * found.slope[which + 1]
    middle = 0.5 * (record.time[which] + record.time[which + 1])
    fades = np.exp(-np.abs(middle[:, None] - middle) / plan.stray_time)
    sun = 0.0
    if record.sun:
        conversion = min(CONVERTED[measure] for measure in record.sun)
        sun = float(np.hypot(plan.sun_error, conversion))
    return np.asarray(
        plan.reading_error**2 * G @ G.T + np.outer(heat, heat) * (plan.stray**2 * fades + sun**2)
    )


class Pots:
    """Draws of a scenario at a record's times: heat by the readings, and by the light.

    Parameters
    ----------
    scenario : Scenario
    record : Record
    pairs : ndarray of bool, shape (K − 1,)
    plan : LearnPlan
        As for `learn_record`.
    """

    def __init__(self, scenario: Scenario, record: Record, pairs: Mask, plan: LearnPlan) -> None:
        self.scenario, self.record, self.pairs, self.plan = scenario, record, pairs, plan
        self.joint = scenario.joint
        taken = () if self.joint is None else self.joint.keys
        self.unknowns = [u for u in scenario.unknowns if u.key not in taken]
        self.keys = tuple(u.key for u in self.unknowns) + taken
        self.base = build_cooker(scenario)
        self.grid = record_grid(record, scenario)
        self.water = pot_and_water(scenario)[1]
        self.at = np.concatenate(self.grid[:2])
        # what was measured is one for all draws
        self.sun = record.sun_at(scenario, self.at)[:2] if record.sun else None
        self.values: Array = np.zeros((0, len(self.keys)))
        self.scores = np.zeros((0, 0)) if self.joint is None else _scores(self.joint.values)
        self.beside: Array = np.zeros((0, self.scores.shape[1]))
        self.shown: Array = np.zeros((0, int(pairs.sum())))
        self.heat: Array = np.zeros((0, int(pairs.sum())))

    def balance(self, scenario: Scenario) -> Balance:
        """Heat balance of the measured pot.

        Parameters
        ----------
        scenario : Scenario

        Returns
        -------
        Balance
        """
        air, wind = self.record.air_at(scenario, self.record.time)
        vessel = pot_and_water(scenario)[0]
        return balance(vessel, self.water, self.record, air, wind, scenario.air.humidity)

    def light(self, drawn: Drawn) -> Array:
        """Heat of the light on a drawn cooker's pot.

        Parameters
        ----------
        drawn : Drawn

        Returns
        -------
        ndarray, shape (I, 2)
            At the ends of the intervals of `record_grid`. [W]
        """
        scenario = lit = drawn.scenario
        dni, dhi = self.sun or self.record.sun_at(scenario, self.at)[:2]
        if self.sun is not None:
            lit = altered(scenario, site={"horizon": None}, sky={"dni": UNIT_DNI})
        settings = LightSettings(2, 2, self.plan.seed, threads=self.plan.threads)
        setup = replace(drawn, scenario=lit).setup(self.base, self.keys, settings)
        both = np.concatenate([self.grid[3], self.grid[3]])
        light = pot_light(setup, both, self.at, lead=habit_of(self.scenario).lead).under(dni, dhi)
        return np.stack(np.split(absorbed(setup, light).mean(axis=1), 2), axis=-1)

    def draw(self, z: Array, first: int, tell: Callable[[], None]) -> None:
        """Add draws.

        Parameters
        ----------
        z : ndarray, shape (n, D)
            Standard normals for the numbers that have laws of their own.
        first : int
            How many draws there are.
        tell : callable
            Called after each.
        """
        from scipy.special import ndtr

        u = np.clip(ndtr(z), 1e-12, 1.0 - 1e-12)
        columns = [law.at(u[:, k]) for k, law in enumerate(x.law for x in self.unknowns)]
        build = first + np.arange(len(z), dtype=np.int64)
        beside = np.zeros((len(z), 0))
        if self.joint is not None:
            rng = np.random.default_rng([self.plan.seed, first])
            row = rng.permutation(np.arange(len(z)) * len(self.joint) // len(z))
            columns += list(self.joint.values[row].T)
            beside = self.scores[row]
            if self.joint.build is not None and self.joint.seed == self.plan.seed:
                build = self.joint.build[row]
        values = np.stack(columns, axis=1)
        shown, heat = np.empty((2, len(z), int(self.pairs.sum())))
        for k, numbers in enumerate(values):
            own = dict(zip(self.keys, numbers.tolist(), strict=True))
            scenario = self.scenario.with_values(own)
            light = self.light(Drawn(scenario, int(build[k]), first + k))
            means = pair_means(*self.grid[:3], light, len(self.pairs))
            shown[k], heat[k] = self.balance(scenario).absorbed[self.pairs], means[self.pairs]
            tell()
        self.values = np.concatenate([self.values, values])
        self.beside = np.concatenate([self.beside, beside])
        self.shown = np.concatenate([self.shown, shown])
        self.heat = np.concatenate([self.heat, heat])


def _scores(values: Array) -> Array:
    """Rows of a learned table as numbers of variance 1 that don't vary together."""
    off = (values - values.mean(axis=0)) / np.maximum(values.std(axis=0), 1e-300)
    U, size, _ = np.linalg.svd(off, full_matrices=False)
    kept = size > 1e-6 * max(size[0], 1e-300)
    return np.asarray(U[:, kept] * np.sqrt(len(values)))


def learn_record(
    scenario: Scenario,
    record: Record,
    pairs: Mask,
    plan: LearnPlan | None = None,
    *,
    progress: Callable[[float], None] | None = None,
) -> Taught:
    """Narrow what isn't known of a scenario by what a measured heating shows.

    Parameters
    ----------
    scenario : Scenario
        Its numbers with their laws, and its builds and uses, are what is thought possible before.
    record : Record
    pairs : ndarray of bool, shape (K − 1,)
        Pairs of readings that count; see `raytrace.studies.record.implied.FieldRecord.counts`.
    plan : LearnPlan, optional
    progress : callable, optional
        Told the share that is done; more rounds may be left out.

    Returns
    -------
    Taught

    Raises
    ------
    HeatError
        If the record contradicts the scenario, or nothing in it is unknown that a record tells of.

    Notes
    -----
    The heat that the readings show, stretch by stretch, less what the light of a draw brings, is
    normal with the covariance of `error_covariance`. Numbers of the day (`OF_THE_DAY`) are drawn
    along, so that their share of a difference is theirs; they are not kept. Draws are weighed by
    `raytrace.statistics.posterior.weigh`.
    """
    plan = plan or LearnPlan()
    pots = Pots(scenario, record, pairs, plan)
    if not pots.keys:
        raise HeatError(f"{scenario.source}: all numbers are known, so that nothing can be learned")
    drawn, L = weigh_pots(pots, progress)
    if drawn.effective < POOR:
        raise HeatError(
            f"{record.name}: only {drawn.effective:.0f} of {len(drawn.x)} draws go with it: it "
            "lies on the edge of what the scenario holds possible, so nothing is learned. State "
            "wider what may be off, or find what is wrong with the record"
        )
    return _taught(pots, drawn, L)


def weigh_pots(
    pots: Pots, progress: Callable[[float], None] | None = None
) -> tuple[Weighed, Array]:
    """Draw pots and weigh them by how well they go with the record.

    Parameters
    ----------
    pots : Pots
        Gets the draws.
    progress : callable, optional
        As for `learn_record`.

    Returns
    -------
    drawn : Weighed
    L : ndarray, shape (P, P)
        Lower triangle of the errors' covariance. [W]

    Raises
    ------
    HeatError
        If the record contradicts the scenario.
    """
    plan = pots.plan
    found = pots.balance(pots.scenario)
    factor: list[Array] = []
    ready = 0

    def tell() -> None:
        nonlocal ready
        ready += 1
        if progress is not None:
            progress(ready / (plan.each * plan.rounds))

    def simulate(z: Array, first: int) -> tuple[Array, Array]:
        pots.draw(z, first, tell)
        if not factor:
            heat = pots.heat.mean(axis=0)
            errors = error_covariance(pots.record, found, pots.pairs, heat, plan)
            factor.append(np.asarray(np.linalg.cholesky(errors)))
            _refuse_contradiction(pots, factor[0])
        off = np.linalg.solve(factor[0], (pots.shown[first:] - pots.heat[first:]).T).T
        return np.column_stack([z, pots.beside[first:]]), np.asarray(off)

    drawn = weigh(
        simulate,
        len(pots.unknowns),
        each=plan.each,
        enough=plan.enough,
        rounds=plan.rounds,
        key=(plan.seed, 0x1EA2),
    )
    if progress is not None:
        progress(1.0)
    return drawn, factor[0]


def _level(pots: Pots, L: Array) -> tuple[float, float, float, float]:
    """Mean heat shown, its error, and the mean and spread of what the first draws expect. [W]"""
    weight = np.diff(pots.record.time)[pots.pairs].astype(float)
    weight /= weight.sum()
    first = slice(0, pots.plan.each)
    shown, heat = pots.shown[first] @ weight, pots.heat[first] @ weight
    # losses count on the side of what is expected, so that both differ by what is compared
    expected = heat - (shown - shown.mean())
    error = float(np.linalg.norm(L.T @ weight))
    return float(shown.mean()), error, float(expected.mean()), float(expected.std(ddof=1))


def _refuse_contradiction(pots: Pots, L: Array) -> None:
    shown, error, expected, spread = _level(pots, L)
    if abs(shown - expected) > CONTRADICTS * np.hypot(error, spread):
        raise HeatError(
            f"{pots.record.name}: it contradicts the scenario, so nothing is learned: it shows "
            f"{shown:.0f} ± {error:.0f} W of heat where {expected:.0f} ± {spread:.0f} W were "
            "thought possible. Find the reason first (cooker record without --learn names what "
            "would explain it), or state wider what may be off"
        )


def _taught(pots: Pots, drawn: Weighed, L: Array) -> Taught:
    from scipy.stats import chi2

    plan = pots.plan
    law = drawn.lines.law
    gain = 1.0 - np.diag(law.covariance) + law.mean**2
    own = [u.key for u, x in zip(pots.unknowns, gain, strict=False) if x > TELLS]
    own += () if pots.joint is None else pots.joint.keys
    kept = [k for k, key in enumerate(pots.keys) if key in own and not key.startswith(OF_THE_DAY)]
    if not kept:
        raise HeatError(
            "the record tells nothing of any number that is the cooker's own; give more readings, "
            "or more exact ones"
        )
    rows = resampled(drawn.weight, ROWS, (plan.seed, 0x5A3))
    values = pots.values[rows][:, kept]
    units = {u.key: u.law.unit for u in pots.unknowns}
    if pots.joint is not None:
        units |= dict(zip(pots.joint.keys, pots.joint.units, strict=True))
    keys = tuple(pots.keys[k] for k in kept)
    # in the order of what varies together most, so that draws taken evenly are even in that
    scaled = (values - values.mean(axis=0)) / np.maximum(values.std(axis=0), 1e-300)
    order = np.argsort(scaled @ np.linalg.svd(scaled, full_matrices=False)[2][0], kind="stable")
    first = pots.values[: plan.each, kept]
    factors = [k for k, key in enumerate(keys) if key in FACTORS]
    product, product_after = (x[:, factors].prod(axis=1) for x in (first, values))
    shown, error, expected, spread = _level(pots, L)
    best = float(drawn.lines.misfit(drawn.x).min())
    return Taught(
        joint=Joint(keys, tuple(units[k] for k in keys), values[order]),
        before=first.mean(axis=0),
        before_sd=first.std(axis=0, ddof=1),
        product=(float(product.mean()), float(product.std(ddof=1))),
        product_after=(float(product_after.mean()), float(product_after.std(ddof=1))),
        effective=drawn.effective,
        count=len(drawn.x),
        shown=shown,
        shown_sd=error,
        expected=expected,
        expected_sd=spread,
        misfit=float(chi2.sf(best, int(pots.pairs.sum()))),
    )
