"""Energy over a day from the watts at its steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.optics.tally import BASE, LID, SIDE
from raytrace.statistics.estimate import Estimate

if TYPE_CHECKING:
    from raytrace.studies.trace.run import Moment

__all__ = ["DaySum", "day_sum"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DaySum:
    """What a day brings from its first step to its last.

    Attributes
    ----------
    steps : int
        Moments traced.
    duration : float
        From the first step to the last. [s]
    incoming : float
        Sunlight on the full mirror area. [J]
    delivered : Estimate
        Arriving on the base. [J]
    absorbed : Estimate
        Taken up as heat by base, side and lid. [J]
    """

    steps: int
    duration: float
    incoming: float
    delivered: Estimate
    absorbed: Estimate

    SHOWN: ClassVar = dict.fromkeys(("incoming", "delivered", "absorbed"), "Wh")


def day_sum(moments: Sequence[Moment]) -> DaySum:
    """Sum a day's watts by the trapezoidal rule.

    Parameters
    ----------
    moments : sequence of Moment
        In order of time, which each must have.

    Returns
    -------
    DaySum

    Notes
    -----
    Steps share their random keys, so that their errors may go together. The standard error is
    therefore taken over the replicates' own sums; where steps have different numbers of
    replicates, it is the sum of the steps' errors, which is never too small. It says nothing of
    what the sun does between the steps.
    """
    weight = step_weights(moments)
    absorptance = np.array(moments[0].tally.absorptance) if moments else np.zeros(3)
    base = [m.tally.power[:, :, BASE].sum(axis=1) for m in moments]
    taken = [m.tally.power[:, :, [BASE, SIDE, LID]].sum(axis=1) @ absorptance for m in moments]
    return DaySum(
        steps=len(moments),
        duration=float(weight.sum()),
        incoming=float(weight @ np.array([m.tally.incoming for m in moments])),
        delivered=_sum(weight, base),
        absorbed=_sum(weight, taken),
    )


def step_weights(moments: Sequence[Moment]) -> Array:
    """Time that each moment of a day stands for, by the trapezoidal rule.

    Parameters
    ----------
    moments : sequence of Moment
        In order of time, which each must have.

    Returns
    -------
    ndarray, shape (M,)
        [s]
    """
    when = np.array([m.time.timestamp() for m in moments if m.time is not None])
    if len(when) != len(moments):
        raise ValueError("a moment without a time belongs to no day")
    weight = np.zeros(len(when))
    if len(when) > 1:
        half = 0.5 * np.diff(when)
        weight[:-1] += half
        weight[1:] += half
    return weight


def _sum(weight: Array, watts: list[Array]) -> Estimate:
    if len({len(w) for w in watts}) == 1:
        return Estimate.from_replicates(np.stack(watts, axis=1) @ weight)
    each = [Estimate.from_replicates(w) for w in watts]
    return Estimate(
        np.asarray(weight @ np.array([float(e.value) for e in each])),
        np.asarray(weight @ np.array([float(e.se) for e in each])),
        min((e.n_replicates for e in each), default=0),
    )
