"""A comparison of designs: what they yield, ranks, differences, fronts, and what each key does."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.described import Described
from raytrace.exceptions import StudyError
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.likely import Likely
from raytrace.studies.designs.compare_plan import ComparePlan, Design
from raytrace.studies.designs.factors import Factor, levels_of
from raytrace.studies.designs.objectives import OUTCOMES, estimate

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Comparison", "Effect", "check_money", "currencies_of", "pareto"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

CURRENCY = "cost.currency"
CLOSE = 6  # best designs, compared pair by pair


@dataclass(frozen=True, eq=False)
class Effect:
    """What a factor does to an outcome, on average over the others; L levels.

    Attributes
    ----------
    factor : Factor
    outcome : str
    currency : str
        Of prices.
    labels : tuple of str
        Levels; of a sampled range, its parts.
    at : ndarray, shape (L,)
        Levels as numbers, as in `Factor.number`; the middles of parts.
    mean : Estimate, shape (L,)
        Mean over the designs of each level. Of a sample, its standard error holds what other
        designs of that level would have come to; nan where there is one alone.
    spread : ndarray, shape (L,)
        One standard deviation over the designs of each level; nan where there is one alone.
    count : ndarray of int, shape (L,)
        Designs of each level that can be built. [1]
    """

    factor: Factor
    outcome: str
    currency: str
    labels: tuple[str, ...]
    at: Array
    mean: Estimate
    spread: Array
    count: Whole

    DIMS: ClassVar = {"L": "level"}
    APART: ClassVar = ("factor",)

    def entries(self) -> dict[str, Described]:
        """What its numbers are, for data sets."""
        measured, unit = OUTCOMES[self.outcome], self.factor.unit or "1"
        return {
            "at": Described(unit, "levels", ("level",), unit),
            **{x: measured.described(self.currency, "level") for x in ("mean", "spread")},
        }


@dataclass(frozen=True, eq=False)
class Comparison:
    """Designs and what they yield; D designs, R replicates.

    Attributes
    ----------
    scenarios : tuple of Scenario
    plan : ComparePlan
    which : ndarray of int, shape (D,)
        Place of each design's scenario among `scenarios`. [1]
    texts : dict of str to ndarray of str, shape (D,)
        Values as a scenario has them, by key that is varied.
    refused : ndarray of str, shape (D,)
        Why a design can't be built; empty where it can.
    outcomes : dict of str to Estimate, shape (D,)
        What was measured, by name; nan where refused.
    moved : dict of str to ndarray, shape (D, R)
        Where each replicate would move an outcome; of the difference of two designs it makes the
        standard error, see `numbers`. None of what is known without chance.
    expected : Likely or None
        Watts to be expected of the design that has most, built and used as it says. [W]
    ahead : Likely or None
        By how much these are more than those of the next, what isn't known
        being the same for both. [W]
    """

    scenarios: tuple[Scenario, ...]
    plan: ComparePlan
    which: Whole
    texts: dict[str, NDArray[np.str_]]
    refused: NDArray[np.str_]
    outcomes: dict[str, Estimate]
    moved: dict[str, Array]
    expected: Likely | None = None
    ahead: Likely | None = None

    DIMS: ClassVar = {"D": "design", "R": "replicate", "B": "best"}
    COORDS: ClassVar = {"design": "number"}
    ALSO: ClassVar = ("source", "currency", "keys", "rank", "front_of", "on_front",
                      "compared", "differences", "effects")  # fmt: skip
    APART: ClassVar = ("moved",)
    BARE: ClassVar = ("keys", "outcomes")

    def entries(self) -> dict[str, Described]:
        """What keys and outcomes are, for data sets."""
        money, along = self.money, ("design",)
        out = {f"differences.{self.by}": OUTCOMES[self.by].described(money, "best", "less")}
        for factor in self.plan.factors:
            unit = (factor.unit or "1") if factor.numeric else ""
            out[f"keys.{factor.key}"] = Described(unit, f"key {factor.key}", along, unit)
        for name in self.outcomes:
            out[f"outcomes.{name}"] = OUTCOMES[name].described(money, *along)
            moved = OUTCOMES[name].described(money, *along, "replicate")
            out[f"moved.{name}"] = replace(moved, meaning=f"{name} moved toward each replicate")
        return out

    @property
    def columns(self) -> tuple[str, ...]:
        """Variables along the designs, as a table of them has them."""
        names = [
            name + end
            for name, x in self.outcomes.items()
            for end in (("", "_se") if x.n_replicates > 1 else ("",))
        ]
        front = () if self.on_front is None else ("on_front",)
        plain = [name.replace(" ", "_") for name in names]
        return ("source", "currency", *self.keys, *plain, "rank", *front, "refused")

    @property
    def by(self) -> str:
        """Outcome that designs are ranked by."""
        return self.plan.by

    @cached_property
    def designs(self) -> tuple[Design, ...]:
        """D of them."""
        rows = zip(*(x.tolist() for x in self.texts.values()), strict=True)
        values = list(rows) if self.texts else [()] * len(self.which)
        return tuple(
            Design(k + 1, which, own)
            for k, (which, own) in enumerate(zip(self.which.tolist(), values, strict=True))
        )

    @property
    def number(self) -> Whole:
        """Numbers of the designs, from 1, shape (D,)."""
        return np.arange(1, len(self.which) + 1)

    @property
    def source(self) -> NDArray[np.str_]:
        """File of each design's scenario, shape (D,)."""
        return np.array([s.source for s in self.scenarios])[self.which]

    @property
    def keys(self) -> dict[str, NDArray[Any]]:
        """Values of each key that is varied, as numbers where they are, shape (D,)."""
        return {
            f.key: np.array([f.number(v) for v in self.texts[f.key]])
            if f.numeric
            else self.texts[f.key]
            for f in self.plan.factors
        }

    @property
    def rank(self) -> Whole:
        """Place of each design by the outcome that they are ranked by, shape (D,).

        1 is best; 0 where it can't be built, or never gets there.
        """
        out = np.zeros(len(self.which), dtype=np.int64)
        ranked = self.ranked()
        out[ranked] = 1 + np.arange(len(ranked))
        return out

    @cached_property
    def good(self) -> Whole:
        """Places of the designs that can be built."""
        return np.flatnonzero(self.refused == "")

    def of(self, outcome: str) -> Estimate:
        """An outcome of all designs.

        Parameters
        ----------
        outcome : str

        Returns
        -------
        Estimate, shape (D,)
            In SI units.
        """
        return self.outcomes[outcome]

    def numbers(self, outcome: str) -> Array:
        """Figure of each design, and where each replicate would move it.

        Parameters
        ----------
        outcome : str

        Returns
        -------
        ndarray, shape (D, 1 + R) or (D, 1)
            As `raytrace.studies.designs.objectives.measure` has it, in SI units; nan where refused.
        """
        value = self.outcomes[outcome].value[:, None]
        return np.hstack([value, self.moved[outcome]]) if outcome in self.moved else value

    def difference(self, a: Any, b: Any, outcome: str = "") -> Estimate:
        """By how much designs differ, and how sure that is: the first less the second.

        Parameters
        ----------
        a, b : int or ndarray of int
            Places among `designs`.
        outcome : str
            By default that by which they are ranked.

        Returns
        -------
        Estimate
            In SI units.
        """
        x = self.numbers(outcome or self.by)
        return estimate(np.moveaxis(x[a] - x[b], -1, 0))

    @cached_property
    def currency(self) -> NDArray[np.str_]:
        """Currency of each design's prices, shape (D,)."""
        if CURRENCY in self.texts:
            return self.texts[CURRENCY]
        return np.array(currencies_of(self.scenarios, self.plan))[self.which]

    @property
    def money(self) -> str:
        """Currency of all prices; "money" where there are several."""
        several = set(self.currency.tolist())
        return several.pop() if len(several) == 1 else "money"

    def ranked(self, outcome: str = "") -> Whole:
        """Places of the designs, best first; those refused, or that never get there, left out.

        Parameters
        ----------
        outcome : str
            By default that by which they are ranked.

        Returns
        -------
        ndarray of int

        Raises
        ------
        StudyError
            If it is a price, or per price, and prices are in several currencies.
        """
        outcome = outcome or self.by
        check_money(outcome, self.currency.tolist())
        value = self.of(outcome).value
        there = self.good[np.isfinite(value[self.good])]
        sign = -1.0 if OUTCOMES[outcome].more else 1.0
        return np.asarray(there[np.argsort(sign * value[there], kind="stable")])

    @property
    def compared(self) -> Whole:
        """Numbers of the best designs, which are compared pair by pair, shape (B,)."""
        return self.number[self.ranked()[:CLOSE]]

    @property
    def differences(self) -> dict[str, Estimate]:
        """Outcome that they are ranked by: each design compared less each, shape (B, B)."""
        best = self.ranked()[:CLOSE]
        return {self.by: self.difference(best[:, None], best[None, :])}

    @property
    def front_of(self) -> tuple[str, str] | None:
        """Gain and price that a front is drawn for; None where there is no price."""
        if "cost" not in self.outcomes or self.money == "money":
            return None
        gain = self.by
        if "cost" in gain or gain in ("setup hours", "mirror area", "facets"):
            gain = "watts"
        return (gain, "cost") if gain in self.outcomes else None

    def front(self, gain: str = "watts", price: str = "cost") -> Whole:
        """Places of the designs that none other beats in both, cheapest first.

        Parameters
        ----------
        gain, price : str
            Outcomes.

        Returns
        -------
        ndarray of int
        """
        x, y = self.of(gain).value, self.of(price).value
        there = self.good[np.isfinite(x[self.good]) & np.isfinite(y[self.good])]
        sign = 1.0 if OUTCOMES[gain].more else -1.0
        on = there[pareto(sign * x[there], y[there])]
        return np.asarray(on[np.argsort(y[on], kind="stable")])

    @property
    def on_front(self) -> NDArray[np.bool_] | None:
        """Whether none beats a design in both of `front_of`, shape (D,)."""
        if self.front_of is None:
            return None
        out = np.zeros(len(self.which), dtype=bool)
        out[self.front(*self.front_of)] = True
        return out

    @property
    def effects(self) -> dict[str, Effect]:
        """What each key that is varied does to the outcome that designs are ranked by."""
        return {f.key: self.effect(k) for k, f in enumerate(self.plan.factors)}

    def effect(self, factor: int, outcome: str = "") -> Effect:
        """What a factor does on average.

        Parameters
        ----------
        factor : int
            Its place in the plan.
        outcome : str
            By default that by which they are ranked.

        Returns
        -------
        Effect
        """
        outcome = outcome or self.by
        own = self.plan.factors[factor]
        at = np.array([own.number(v) for v in self.texts[own.key]])
        labels, middles, which = levels_of(own, at, sampled=self.plan.sample is not None)
        x = self.numbers(outcome)
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
        return Effect(own, outcome, self.money, labels, middles, mean, np.array(spread), count)

    def _chance(self, figures: Array, rows: NDArray[np.int64]) -> float:
        """Standard error of a mean over designs, for they were drawn, in each scenario alike."""
        which = self.which[rows]
        own = [figures[which == k] for k in set(which.tolist())]
        if not own or min(map(len, own)) < 2:
            return math.nan
        return math.sqrt(sum(len(x) * float(x.var(ddof=1)) for x in own)) / len(figures)

    def name(self, k: int) -> str:
        """A design in words: its number, its scenario where there are several, its values.

        Parameters
        ----------
        k : int
            Its place among `designs`.

        Returns
        -------
        str
        """
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


def currencies_of(scenarios: Sequence[Scenario], plan: ComparePlan) -> tuple[str, ...]:
    """Currencies of a plan's prices: those that are varied, or each scenario's.

    Parameters
    ----------
    scenarios : sequence of Scenario
    plan : ComparePlan

    Returns
    -------
    tuple of str
    """
    varied = [f.levels for f in plan.factors if f.key == CURRENCY]
    return varied[0] if varied else tuple(s.cost.currency for s in scenarios)


def check_money(outcome: str, currencies: Iterable[str]) -> None:
    """Refuse to set sums of several currencies side by side.

    Parameters
    ----------
    outcome : str
    currencies : iterable of str

    Raises
    ------
    StudyError
        If the outcome is a price, or per price, and there are several.
    """
    several = sorted(set(currencies))
    if "money" in OUTCOMES[outcome].unit and len(several) > 1:
        raise StudyError(
            f"{outcome} in {' and '.join(several)} can't be compared: give all prices in one "
            "currency, in the scenarios' section cost"
        )


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
