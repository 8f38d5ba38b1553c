"""Designs side by side: keys of scenarios varied over grids or samples, each design measured.

All designs share their random draws, so differences are sharp and state their own standard error.
Designs come in chunks as plain arrays, in whatever order workers finish them, and each hangs on its
own scenario and keys alone; so results are the same bits whoever computes them, and can be resumed.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError, Problem, ScenarioError
from raytrace.parallel.workers import hands, run
from raytrace.scenario.units import UnitError, read_number
from raytrace.statistics.estimate import Estimate
from raytrace.studies.designs.objectives import OUTCOMES, Asked, estimate, measure
from raytrace.studies.designs.variables import Move, read_moves

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Comparison",
    "Design",
    "Effect",
    "Factor",
    "Plan",
    "check_money",
    "compare",
    "designs_of",
    "iter_chunks",
    "pareto",
    "put_together",
    "read_factors",
    "sample_points",
]

Array = NDArray[np.float64]

CHUNK = 16  # designs that travel together, at most
ROUNDS = 4  # chunks a worker gets, at least, so that all end at about the same time
LEVELS = 5  # of a range without a step
MOST_DESIGNS = 1_000_000
CURRENCY = "cost.currency"
BINS = 6  # that a sampled range is cut into for its effects


@dataclass(frozen=True)
class Factor:
    """A key that is varied.

    Attributes
    ----------
    move : Move
        Key, and where it may go.
    step : float or None
        Between the levels of a range, in its unit; None for five levels, or every whole number.
    """

    move: Move
    step: float | None = None

    @property
    def key(self) -> str:
        """As in a scenario."""
        return self.move.key

    @property
    def levels(self) -> tuple[str, ...]:
        """Values on a grid, as a scenario has them."""
        move = self.move
        if move.choices:
            return move.choices
        step = self.step
        if step is None:
            step = 1.0 if move.whole else (move.high - move.low) / (LEVELS - 1)
        count = math.floor((move.high - move.low) / step + 1e-9) + 1
        return tuple(
            dict.fromkeys(move.text(self._kept(move.low + k * step)) for k in range(count))
        )

    def _kept(self, value: float) -> float:
        return round(value) if self.move.whole else value

    @cached_property
    def _numbers(self) -> tuple[str, tuple[float, ...]] | None:
        """Unit and numbers of choices that are numbers of one unit, else None."""
        try:
            read = [read_number(choice) for choice in self.move.choices]
        except UnitError:
            return None
        units = {unit for _, unit in read}
        return (units.pop(), tuple(x for x, _ in read)) if len(units) == 1 else None

    @property
    def numeric(self) -> bool:
        """Whether its values are numbers of one unit."""
        return not self.move.choices or self._numbers is not None

    @property
    def unit(self) -> str:
        """Of its numbers; "" where they have none."""
        if self.move.choices:
            return self._numbers[0] if self._numbers is not None else ""
        return self.move.unit

    def at(self, share: float) -> str:
        """Value at a share of the way, below 1, between the ends."""
        move = self.move
        if move.choices:
            return move.choices[int(share * len(move.choices))]
        if move.whole:
            return move.text(int(move.low + math.floor(share * (move.high - move.low + 1.0))))
        return move.text(move.low + share * (move.high - move.low))

    def number(self, value: str) -> float:
        """Value as a number: in its `unit`, or its place among choices that are none.

        Examples
        --------
        >>> Factor(Move("pot.diameter", "mm", 200.0, 300.0)).number("240 mm")
        240.0
        """
        if self.move.choices:
            place = self.move.choices.index(value)
            return float(place) if self._numbers is None else self._numbers[1][place]
        return float(value.split()[0])


def read_factors(scenario: Scenario, texts: Sequence[str]) -> tuple[Factor, ...]:
    """Factors from text: ``facets.rows=3..9 step 2``, ``pot.diameter=20..30 cm`` or a list.

    Parameters
    ----------
    scenario : Scenario
        Whose keys are varied.
    texts : sequence of str
        As for `raytrace.studies.designs.variables.read_moves`, a range with a step if wanted, in
        its unit.

    Returns
    -------
    tuple of Factor

    Raises
    ------
    ScenarioError
        If some can't be read; all problems at once.
    """
    plain, steps, problems = [], [], []
    for text in texts:
        found = re.fullmatch(r"(.*\.\..*?)\s+step\s+([\d.eE+\-]+)\s*(.*)", text.strip())
        plain.append(found[1] if found else text)
        steps.append(found and (found[2], found[3]))
    moves = read_moves(scenario, plain, source="--vary")
    factors = []
    for move, said in zip(moves, steps, strict=True):
        step = None
        if said:
            try:
                step = float(said[0])
            except ValueError:
                step = math.nan
            span = move.high - move.low
            if said[1] not in ("", move.unit):
                problems.append(Problem(move.key, f"write the step in {move.unit or 'numbers'}."))
            elif not 0.0 < step <= span or (move.whole and step != int(step)):
                problems.append(
                    Problem(move.key, f"the step must be over 0 and at most {span:g} {move.unit}.")
                )
            elif span / step > 10_000:
                problems.append(Problem(move.key, "10 000 levels at most."))
            if not math.isnan(step):
                # levels are written to as many decimals as bounds and step have
                ends = (move.low, step)
                move = replace(move, decimals=max(map(_decimals, ends), default=0))
        factors.append(Factor(move, step))
    if problems:
        raise ScenarioError("--vary", problems)
    return tuple(factors)


def _decimals(value: float) -> int:
    text = f"{value:.12f}".rstrip("0")
    return len(text.partition(".")[2])


@dataclass(frozen=True)
class Plan:
    """What to compare.

    Attributes
    ----------
    factors : tuple of Factor
        Keys that are varied in every scenario; none to compare scenarios as they are.
    sample : int or None
        So many designs spread evenly over the factors' ranges; None for the whole grid.
    asked : Asked
        What to measure, how exactly, and all keys but the sample's.
    seed : int
        Of the sample.
    """

    factors: tuple[Factor, ...]
    asked: Asked
    sample: int | None = None
    seed: int = 1

    def __post_init__(self) -> None:
        if self.sample is not None and (self.sample < 1 or not self.factors):
            raise GeometryError("a sample needs a key that is varied, and one design or more")
        if not 1 <= self.size <= MOST_DESIGNS:
            raise GeometryError(f"{self.size} designs are too many: {MOST_DESIGNS} at most")

    @property
    def size(self) -> int:
        """Designs of each scenario."""
        grid = math.prod(len(f.levels) for f in self.factors) if self.sample is None else 0
        return grid if self.sample is None else self.sample


@dataclass(frozen=True)
class Design:
    """One design.

    Attributes
    ----------
    number : int
        From 1.
    scenario : int
        Which of the scenarios.
    values : tuple of str
        By factor, as a scenario has them.
    """

    number: int
    scenario: int
    values: tuple[str, ...]


def sample_points(count: int, dimensions: int, seed: int) -> Array:
    """Points spread evenly over a unit cube, shape (count, dimensions).

    The first of a scrambled Sobol' sequence, of which any number fills the cube evenly.
    """
    from scipy.stats import qmc

    sobol = qmc.Sobol(dimensions, seed=np.random.default_rng([seed, dimensions]))
    power = max(math.ceil(math.log2(count)), 0)
    return np.asarray(sobol.random_base2(power)[:count])


def designs_of(plan: Plan, scenarios: int = 1) -> tuple[Design, ...]:
    """Designs of a plan, in order; a sample's have no two alike.

    Parameters
    ----------
    plan : Plan
    scenarios : int
        How many there are.
    """
    if plan.sample is None:
        rows = list(itertools.product(*(f.levels for f in plan.factors)))
    else:
        rows, tried = [], plan.sample
        while len(rows) < plan.sample and tried <= 64 * plan.sample:
            points = sample_points(tried, len(plan.factors), plan.seed)
            texts = (
                tuple(f.at(float(x)) for f, x in zip(plan.factors, point, strict=True))
                for point in points
            )
            rows, tried = list(dict.fromkeys(texts))[: plan.sample], 2 * tried
    pairs = itertools.product(range(scenarios), rows)
    return tuple(Design(k + 1, which, values) for k, (which, values) in enumerate(pairs))


@dataclass(frozen=True)
class _Base:
    """A scenario as it travels: words alone, hashable."""

    text: str
    source: str
    folder: str | None
    overrides: tuple[str, ...]
    tables: tuple[tuple[str, str], ...]

    @classmethod
    def of(cls, scenario: Scenario) -> _Base:
        folder = None if scenario.folder is None else str(scenario.folder)
        tables = tuple(sorted(scenario.tables.items()))
        return cls(scenario.text, scenario.source, folder, scenario.overrides, tables)


@lru_cache(maxsize=64)
def _opened(base: _Base) -> Scenario:
    from raytrace.scenario.loading import parse_scenario

    return parse_scenario(
        base.text,
        source=base.source,
        folder=None if base.folder is None else Path(base.folder),
        overrides=base.overrides,
        tables=dict(base.tables),
    )


@dataclass(frozen=True)
class _Chunk:
    """Designs that travel together."""

    base: _Base
    designs: tuple[tuple[int, tuple[tuple[str, str], ...]], ...]  # number; key and value
    asked: Asked


def _work(chunk: _Chunk) -> dict[str, NDArray[Any]]:
    """Measure designs: what a worker does."""
    scenario = _opened(chunk.base)
    found: list[Mapping[str, Array]] = []
    refused = []
    for _, changes in chunk.designs:
        try:
            varied = scenario.varied(dict(changes)) if changes else scenario
            found.append(measure(varied, chunk.asked, threads=1))
            refused.append("")
        except (ScenarioError, GeometryError) as error:
            found.append({})
            refused.append(_reason(error))
    out: dict[str, NDArray[Any]] = {
        "number": np.array([number for number, _ in chunk.designs], dtype=np.int64),
        "refused": np.array(refused, dtype=str),
    }
    for name in chunk.asked.outcomes:
        length = max((len(f[name]) for f in found if f), default=1)
        gap = np.full(length, np.nan)
        out[name] = np.stack([f.get(name, gap) for f in found])
    return out


def _reason(error: ScenarioError | GeometryError) -> str:
    return str(error.problems[0]) if isinstance(error, ScenarioError) else str(error)


def iter_chunks(
    scenarios: Sequence[Scenario],
    plan: Plan,
    *,
    done: Sequence[int] | set[int] = (),
    workers: int | None = None,
    scheduler: str | None = None,
) -> Iterator[dict[str, NDArray[Any]]]:
    """Measure designs, some at a time.

    Parameters
    ----------
    scenarios : sequence of Scenario
    plan : Plan
    done : collection of int
        Numbers of designs that need not be measured again.
    workers, scheduler
        As in `raytrace.parallel.workers.run`; they change no result.

    Yields
    ------
    dict of ndarray
        "number" and "refused" (why it can't be built, or ""), shape (n,), and each outcome as
        `raytrace.studies.designs.objectives.measure` has it, shape (n, 1 + r); nan where refused.
    """
    skip = set(done)
    left = [d for d in designs_of(plan, len(scenarios)) if d.number not in skip]
    if not left:
        return
    size = int(np.clip(len(left) // (ROUNDS * hands(workers, scheduler)), 1, CHUNK))
    bases = [_Base.of(s) for s in scenarios]
    keys = [f.key for f in plan.factors]
    chunks = []
    for which, group in itertools.groupby(left, key=lambda d: d.scenario):
        rows = [(d.number, tuple(zip(keys, d.values, strict=True))) for d in group]
        chunks += [
            _Chunk(bases[which], tuple(rows[k : k + size]), plan.asked)
            for k in range(0, len(rows), size)
        ]
    for _, part in run(_work, chunks, workers=workers, scheduler=scheduler):
        yield part


@dataclass(frozen=True, eq=False)
class Effect:
    """What a factor does to an outcome, on average over the others.

    Attributes
    ----------
    factor : Factor
    labels : tuple of str
        Levels; of a sampled range, its parts.
    at : ndarray, shape (L,)
        Levels as numbers, as in `Factor.number`; the middles of parts.
    mean : Estimate
        Over the designs of each level, shape (L,). Of a sample, its standard error holds what
        other designs of that level would have come to; nan where there is one alone.
    spread : ndarray, shape (L,)
        One standard deviation over the designs of each level; nan where there is one alone.
    count : ndarray of int, shape (L,)
        Designs of each level that can be built.
    """

    factor: Factor
    labels: tuple[str, ...]
    at: Array
    mean: Estimate
    spread: Array
    count: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Comparison:
    """Designs and what they yield.

    Attributes
    ----------
    scenarios : tuple of Scenario
    plan : Plan
    designs : tuple of Design
        D of them.
    refused : tuple of str
        Why a design can't be built; "" where it can.
    numbers : dict of str to ndarray, shape (D, 1 + r)
        By outcome, as `raytrace.studies.designs.objectives.measure` has it; nan where refused.
    """

    scenarios: tuple[Scenario, ...]
    plan: Plan
    designs: tuple[Design, ...]
    refused: tuple[str, ...]
    numbers: dict[str, Array]

    @cached_property
    def good(self) -> NDArray[np.int64]:
        """Places of the designs that can be built."""
        return np.array([k for k, why in enumerate(self.refused) if not why], dtype=np.int64)

    def of(self, outcome: str) -> Estimate:
        """An outcome of all designs, shape (D,), in SI units."""
        return estimate(self.numbers[outcome].T)

    def difference(self, a: Any, b: Any, outcome: str) -> Estimate:
        """By how much designs differ, and how sure that is: the first less the second.

        Parameters
        ----------
        a, b : int or ndarray of int
            Places among `designs`.
        outcome : str
        """
        x = self.numbers[outcome]
        return estimate((x[a] - x[b]).T)

    @cached_property
    def currencies(self) -> tuple[str, ...]:
        """Of each design's prices."""
        keys = [f.key for f in self.plan.factors]
        varied = keys.index(CURRENCY) if CURRENCY in keys else None
        return tuple(
            self.scenarios[d.scenario].cost.currency if varied is None else d.values[varied]
            for d in self.designs
        )

    def ranked(self, outcome: str) -> NDArray[np.int64]:
        """Places of the designs, best first; those refused, or that never get there, left out.

        Raises
        ------
        GeometryError
            If it is a price, or per price, and prices are in several currencies.
        """
        check_money(outcome, self.currencies)
        value = self.of(outcome).value
        there = self.good[np.isfinite(value[self.good])]
        sign = -1.0 if OUTCOMES[outcome].more else 1.0
        return np.asarray(there[np.argsort(sign * value[there], kind="stable")])

    def front(self, gain: str = "watts", price: str = "cost") -> NDArray[np.int64]:
        """Places of the designs that none other beats in both, cheapest first."""
        x, y = self.of(gain).value, self.of(price).value
        there = self.good[np.isfinite(x[self.good]) & np.isfinite(y[self.good])]
        sign = 1.0 if OUTCOMES[gain].more else -1.0
        on = there[pareto(sign * x[there], y[there])]
        return np.asarray(on[np.argsort(y[on], kind="stable")])

    def effect(self, factor: int, outcome: str) -> Effect:
        """What a factor does on average.

        Parameters
        ----------
        factor : int
            Its place in the plan.
        outcome : str
        """
        own = self.plan.factors[factor]
        at = np.array([own.number(d.values[factor]) for d in self.designs])
        labels, middles, which = _levels(own, at, sampled=self.plan.sample is not None)
        x = self.numbers[outcome]
        usable = np.zeros(len(at), dtype=bool)
        usable[self.good] = np.isfinite(x[self.good]).all(axis=1)
        rows = [np.flatnonzero(usable & (which == k)) for k in range(len(labels))]
        means = np.array(
            [x[r].mean(axis=0) if len(r) else np.full(x.shape[1], np.nan) for r in rows]
        )
        mean = estimate(means.T)
        if self.plan.sample is not None:
            mean = replace(mean, se=np.hypot(mean.se, [self._chance(x[r, 0], r) for r in rows]))
        spread = [x[r, 0].std(ddof=1) if len(r) > 1 else np.nan for r in rows]
        count = np.array([len(r) for r in rows])
        return Effect(own, labels, middles, mean, np.array(spread), count)

    def _chance(self, figures: Array, rows: NDArray[np.int64]) -> float:
        """Standard error of a mean over designs, for they were drawn, in each scenario alike."""
        which = np.array([self.designs[k].scenario for k in rows])
        own = [figures[which == k] for k in set(which.tolist())]
        if not own or min(map(len, own)) < 2:
            return math.nan
        return math.sqrt(sum(len(x) * float(x.var(ddof=1)) for x in own)) / len(figures)

    def name(self, k: int) -> str:
        """A design in words: its number, its scenario where there are several, its values."""
        design = self.designs[k]
        parts = [
            f"{key} {value}" for key, value in zip(self.short_keys, design.values, strict=True)
        ]
        if len(self.scenarios) > 1:
            parts.insert(0, self.scenarios[design.scenario].source.removesuffix(".toml"))
        return f"{design.number}" + (f" ({', '.join(parts)})" if parts else "")

    @cached_property
    def short_keys(self) -> tuple[str, ...]:
        """Keys without their section, where that leaves no doubt."""
        keys = [f.key for f in self.plan.factors]
        last = [key.rpartition(".")[2] for key in keys]
        return tuple(
            short.replace("_", " ") if last.count(short) == 1 else key
            for short, key in zip(last, keys, strict=True)
        )

    def to_xarray(self) -> Any:
        """Outcomes as an xarray.Dataset in SI units: figures and standard errors by design.

        Returns
        -------
        xarray.Dataset
            With the factors as coordinates along "design".
        """
        import xarray as xr

        data: dict[str, Any] = {}
        for name in self.numbers:
            got, outcome = self.of(name), OUTCOMES[name]
            key = name.replace(" ", "_")
            said = {"units": si_unit(name), "long_name": outcome.words}
            data[key] = ("design", got.value, said)
            data[f"{key}_se"] = ("design", got.se, {**said, "long_name": "standard error"})
        coords: dict[str, Any] = {"design": [d.number for d in self.designs]}
        coords["scenario"] = ("design", [self.scenarios[d.scenario].source for d in self.designs])
        for k, factor in enumerate(self.plan.factors):
            values = [d.values[k] for d in self.designs]
            coords[factor.key] = (
                "design",
                [factor.number(v) for v in values] if factor.numeric else values,
                {"units": factor.unit} if factor.numeric else {},
            )
        coords["currency"] = ("design", list(self.currencies))
        coords["refused"] = ("design", list(self.refused))
        return xr.Dataset(data, coords)


def check_money(outcome: str, currencies: Iterable[str]) -> None:
    """Refuse to set sums of several currencies side by side.

    Parameters
    ----------
    outcome : str
    currencies : iterable of str

    Raises
    ------
    GeometryError
        If the outcome is a price, or per price, and there are several.
    """
    several = sorted(set(currencies))
    if "money" in OUTCOMES[outcome].unit and len(several) > 1:
        raise GeometryError(
            f"{outcome} in {' and '.join(several)} can't be compared: give all prices in one "
            "currency, in the scenarios' section cost"
        )


def si_unit(outcome: str) -> str:
    """SI unit that an outcome's numbers are kept in."""
    units = {"kWh": "J", "kWh/money": "J/money", "kW/m²": "W/m2", "L/day": "m3/day", "%": "1",
             "min": "s", "h": "s", "": "1", "m²": "m2", "W/m²": "W/m2"}  # fmt: skip
    unit = OUTCOMES[outcome].unit
    return units.get(unit, unit)


def _levels(
    factor: Factor, at: Array, *, sampled: bool
) -> tuple[tuple[str, ...], Array, NDArray[np.int64]]:
    """Names and places of a factor's levels, and which each design has."""
    move = factor.move
    if not sampled or move.choices or (move.whole and move.high - move.low < 2 * BINS):
        levels = (
            factor.levels
            if not sampled or move.choices
            else tuple(move.text(k) for k in range(int(move.low), int(move.high) + 1))
        )
        places = np.array([factor.number(v) for v in levels])
        return levels, places, np.abs(at[:, None] - places).argmin(axis=1)
    edges = np.linspace(move.low, move.high, BINS + 1)
    middles = 0.5 * (edges[1:] + edges[:-1])
    which = np.clip(np.searchsorted(edges, at, side="right") - 1, 0, BINS - 1)
    spans = itertools.pairwise(edges)
    return tuple(f"{a:.4g} to {b:.4g} {move.unit}".strip() for a, b in spans), middles, which


def pareto(gain: Array, price: Array) -> NDArray[np.bool_]:
    """Which points no other beats: none has as much gain for less, or more for as much.

    Parameters
    ----------
    gain, price : ndarray, shape (N,)

    Returns
    -------
    ndarray of bool, shape (N,)
        Points that coincide are all on the front, or none is.

    Examples
    --------
    >>> pareto(np.array([3.0, 2.0, 1.0, 3.0]), np.array([5.0, 2.0, 2.0, 5.0])).tolist()
    [True, True, False, True]
    """
    order = np.lexsort((-gain, price))
    g, p = gain[order], price[order]
    # most gain of all that are strictly cheaper, and of those as dear
    start = np.searchsorted(p, p, side="left")
    cheaper = np.concatenate([[-np.inf], np.maximum.accumulate(g)])[start] if len(g) else g
    out = np.zeros(len(g), dtype=bool)
    out[order] = (g > cheaper) & (g == g[start])
    return out


def put_together(
    scenarios: Sequence[Scenario], plan: Plan, parts: Sequence[Mapping[str, Any]]
) -> Comparison:
    """Make a comparison of its chunks, whatever order they were done in.

    Raises
    ------
    GeometryError
        If some designs are missing.
    """
    designs = designs_of(plan, len(scenarios))
    place = {d.number: k for k, d in enumerate(designs)}
    refused: list[str | None] = [None] * len(designs)
    numbers: dict[str, Array] = {}
    for name in plan.asked.outcomes:
        length = max((part[name].shape[1] for part in parts), default=1)
        numbers[name] = np.full((len(designs), length), np.nan)
    for part in parts:
        rows = [place[int(n)] for n in part["number"]]
        for row, why in zip(rows, part["refused"].tolist(), strict=True):
            refused[row] = why
        for name, x in numbers.items():
            if part[name].shape[1] == x.shape[1]:  # shorter where all of a chunk were refused
                x[rows] = part[name]
    missing = [d.number for d, why in zip(designs, refused, strict=True) if why is None]
    if missing:
        raise GeometryError(f"designs not done: {', '.join(map(str, missing[:20]))}")
    return Comparison(tuple(scenarios), plan, designs, tuple(why or "" for why in refused), numbers)


def compare(
    scenarios: Scenario | Sequence[Scenario],
    plan: Plan,
    *,
    workers: int = 1,
    scheduler: str | None = None,
) -> Comparison:
    """Measure all designs of a plan.

    Parameters
    ----------
    scenarios : Scenario or sequence of Scenario
    plan : Plan
    workers, scheduler
        As in `raytrace.parallel.workers.run`; they change no result.

    Returns
    -------
    Comparison
    """
    from raytrace.scenario.schema import Scenario

    each = [scenarios] if isinstance(scenarios, Scenario) else list(scenarios)
    parts = list(iter_chunks(each, plan, workers=workers, scheduler=scheduler))
    return put_together(each, plan, parts)
