"""What readings imply, stretch by stretch, and which of it can't be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.heat.cooking_power import intervals
from raytrace.studies.record.balance import Balance, settle, under_strange_sun
from raytrace.studies.record.light import Followed, RecordPlan
from raytrace.studies.record.readings import Record

__all__ = ["LeftOut", "Readings", "impossible", "on_base"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST = 1.0  # light on the base from which shares can be taken [W]
REASONS = ("sun", "bright", "cold", "beside")
FALSE_DOUBTS = 0.01  # chance that a record whose errors are as stated loses a stretch, at most


@dataclass(frozen=True)
class LeftOut:
    """Pairs of readings that are left out for one reason.

    Attributes
    ----------
    reason : str
        One of REASONS: the irradiance can't be; more than all sunlight on the mirrors; cools
        faster than by all computed losses without any light; beside one of the last two, whose
        wrong reading it may share.
    pairs : ndarray of int, shape (n,)
        The first reading of each. [1]
    """

    reason: str
    pairs: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Readings:
    """All that turns readings into watts on the base; K − 1 pairs of readings, n draws.

    Attributes
    ----------
    found : Balance
    base, brought : ndarray, shape (n, K − 1)
        As predicted: light on the base, and heat that the mirrors bring. [W]
    unmirrored : ndarray, shape (K − 1,)
        Heat that direct sun on the pot, sky and ground bring. [W]
    on_mirrors : ndarray, shape (K − 1,)
        Sunlight that falls on the mirrors. [W]
    plan : RecordPlan
        Errors of readings and losses.
    """

    found: Balance
    base: Array
    brought: Array
    unmirrored: Array
    on_mirrors: Array
    plan: RecordPlan

    @classmethod
    def of(cls, found: Balance, followed: Followed, plan: RecordPlan) -> Readings:
        """From a measured pot's heat balance and the light that was predicted for its times.

        Parameters
        ----------
        found : Balance
            Of the measured pot.
        followed : Followed
            Light that is predicted for its times.
        plan : RecordPlan

        Returns
        -------
        Readings
        """
        pairs = len(found.length)
        heat = followed.means(followed.absorbed, pairs)
        unmirrored = followed.means(followed.direct + followed.diffuse, pairs)
        base = followed.means(followed.base, pairs)
        most = followed.means(followed.on_mirrors, pairs)
        return cls(found, base, heat - unmirrored, unmirrored, most, plan)

    def part(self, a: int, b: int) -> Readings:
        """Those from one reading to another alone.

        Parameters
        ----------
        a, b : int
            First and last reading.

        Returns
        -------
        Readings
            With b − a pairs.
        """
        f = self.found
        ends = slice(a, b + 1)
        found = Balance(f.length[a:b], f.stored[a:b], f.lost[a:b], f.capacity[ends], f.slope[ends])
        light = self.base[:, a:b], self.brought[:, a:b]
        return Readings(found, *light, self.unmirrored[a:b], self.on_mirrors[a:b], self.plan)

    def mean(self, x: Array, pairs: Mask) -> Array:
        """Mean over pairs, each by its length.

        Parameters
        ----------
        x : ndarray, shape (..., K − 1)
        pairs : ndarray of bool, shape (K − 1,)
            Which of them.

        Returns
        -------
        ndarray, shape (...)
        """
        weight = self.found.length * pairs
        return np.asarray(x @ weight / weight.sum())

    def shown(self, pairs: Mask, *, unmirrored: bool = True) -> tuple[float, float]:
        """Heat that the mirrors brought, by the readings.

        Parameters
        ----------
        pairs : ndarray of bool, shape (K − 1,)
            Which of them.
        unmirrored : bool
            Take off what came without the mirrors; it counts as theirs otherwise.

        Returns
        -------
        watts, se : float
            [W]
        """
        return settle(
            self.found,
            pairs,
            self.unmirrored if unmirrored else np.zeros_like(self.unmirrored),
            reading_error=self.plan.reading_error,
            loss_error=self.plan.loss_error,
        )

    def share(self, pairs: Mask) -> float:
        """Heat that a watt of light on the base stands for; nan where there is hardly any.

        Parameters
        ----------
        pairs : ndarray of bool, shape (K − 1,)
            Which of them.

        Returns
        -------
        float
            [1]
        """
        light = float(self.mean(self.base, pairs).mean())
        return float(self.mean(self.brought, pairs).mean()) / light if light > LEAST else np.nan

    def implied(self, pairs: Mask, share: float) -> tuple[float, float]:
        """Watts on the base, by the readings.

        Parameters
        ----------
        pairs : ndarray of bool, shape (K − 1,)
            Which of them.
        share : float
            Heat that a watt on the base stands for, where these have no light to tell it by. [1]

        Returns
        -------
        watts, se : float
            [W]
        """
        own = self.share(pairs)
        light, brought = self.mean(self.base, pairs), self.mean(self.brought, pairs)
        return on_base(*self.shown(pairs), light, brought, own if np.isfinite(own) else share)


def on_base(
    shown: float, se: float, light: Array, brought: Array, share: float
) -> tuple[float, float]:
    """Watts on the base that go with so many of the mirrors' heat, and their standard error.

    Parameters
    ----------
    shown, se : float
        Heat that the mirrors brought, and its standard error. [W]
    light, brought : ndarray, shape (n,)
        Of each draw: light on the base, and heat. Cookers and operators differ in what falls on
        side and lid instead, which no thermometer shows; these tell by how much. [W]
    share : float
        Heat that a watt on the base stands for.

    Returns
    -------
    watts, se : float
        [W]
    """
    watts = shown / share
    strays = float((light - brought / share).std(ddof=1))
    brighter = watts / float(light.mean()) if light.mean() > LEAST else 1.0
    return watts, float(np.hypot(se / share, brighter * strays))


def impossible(readings: Readings, record: Record, pairs: Mask) -> tuple[LeftOut, ...]:
    """Stretches that can't be, whatever mirrors and operators were like.

    Parameters
    ----------
    readings : Readings
    record : Record
    pairs : ndarray of bool, shape (K − 1,)
        Which pairs of readings are looked at: alone, in intervals of ten minutes, and all that is
        left of them together.

    Returns
    -------
    tuple of LeftOut
        What lies over the sunlight on the mirrors, or under no light at all, by more than
        readings and losses allow for: none in 99 % of records whose errors are normal and as
        stated, by Bonferroni's bound over all that is looked at. The pairs beside it are left
        out with it: a wrong reading that one pair shows the next may hide.
    """
    from scipy.special import ndtri

    dazzled = pairs & under_strange_sun(record)
    left = pairs & ~dazzled
    found = {"sun": dazzled, **{reason: np.zeros_like(pairs) for reason in REASONS[1:]}}
    first, last = intervals(record.time, record.run)
    spans = {(int(k), int(k) + 1) for k in np.flatnonzero(left)}
    spans |= {(int(a), int(b)) for a, b in zip(first, last, strict=True) if left[a:b].all()}
    sure = float(ndtri(1.0 - 0.5 * FALSE_DOUBTS / (len(spans) + 1)))

    share = readings.share(left) if left.any() else np.nan

    def judge(these: Readings, own: Mask, where: Any) -> None:
        watts, se = these.implied(own, share)
        if watts - sure * se > these.mean(these.on_mirrors, own):
            found["bright"][where] = True
        heat, se = these.shown(own, unmirrored=False)
        if heat + sure * se < 0.0:
            found["cold"][where] = True

    for a, b in spans:
        judge(readings.part(a, b), np.ones(b - a, dtype=bool), slice(a, b))
    both = found["bright"] | found["cold"]
    found["cold"] &= ~found["bright"]
    beside = np.append(both[1:], False) | np.append(False, both[:-1])
    found["beside"] = beside & left & ~both
    rest = left & ~(both | beside)
    if rest.any():
        judge(readings, rest, rest)
    return tuple(LeftOut(reason, np.flatnonzero(which)) for reason, which in found.items())
