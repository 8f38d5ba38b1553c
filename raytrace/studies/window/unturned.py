"""How long a platform may stay as it was turned before it falls under a share of its watts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.pose import Poses
from raytrace.light.facing import Facing
from raytrace.light.setup import stand
from raytrace.sky.sun import position, sun_at, sun_direction
from raytrace.statistics.estimate import Estimate

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["unturned"]

Array = NDArray[np.float64]

MINUTE = 60.0
# a platform left standing is looked at so often, until then, and no further [s]
STEPS = ((1800.0, 360.0), (5400.0, 720.0), (4.0 * 3600.0, 1800.0))
FEW = 8  # repeats that look for it roughly
CLOSE = 3.0  # a tenth of what random draws leave open [s]


def unturned(
    ready: Facing, keep: float, groups: Sequence[Sequence[pd.Timestamp]]
) -> tuple[Array, Array]:
    """How long the platform may stand as turned, the least of each group's moments.

    Parameters
    ----------
    ready : Facing
    keep : float
        Share of the watts just after turning.
    groups : sequence of sequences of Timestamp, length G
        Moments of turning.

    Returns
    -------
    when, se : ndarray, shape (G,)
        From turning to the moment at which the share is lost, infinite where it isn't, and its
        standard error. [s]

    Notes
    -----
    A few repeats find the moment of each group at which the share is lost first, and about when;
    all of them then find the root.
    """
    from scipy.optimize.elementwise import bracket_root, find_root

    every = [t for group in groups for t in group]
    owner = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    few = _Standing.at(replace(ready, repeats=min(FEW, ready.repeats)), every, keep)
    about = _first_fall(few)
    least = np.array(
        [min(np.flatnonzero(owner == g), key=about.__getitem__) for g in range(len(groups))]
    )
    when, se = about[least], np.zeros(len(groups))
    lost = np.flatnonzero(np.isfinite(when))
    if not len(lost):
        return when, se
    full = _Standing.at(ready, [every[k] for k in least[lost]], keep)
    which = np.arange(len(lost), dtype=float)

    def mean(after: Array, k: Array) -> Array:
        shape = np.shape(after)
        index = np.broadcast_to(k, shape).ravel().astype(np.int64)
        return np.asarray(full.left(np.ravel(after), index).mean(axis=0).reshape(shape))

    start = when[lost]
    wide = bracket_root(
        mean, np.maximum(start - 2.0 * MINUTE, 0.0), start + 2.0 * MINUTE, xmin=0.0, args=(which,)
    )
    found = find_root(mean, wide.bracket, args=(which,), tolerances={"xatol": CLOSE})
    at = np.asarray(found.x, dtype=float)
    spread = full.left(at, which.astype(np.int64))
    slope = (mean(at + MINUTE, which) - mean(at - MINUTE, which)) / (2.0 * MINUTE)
    when[lost] = at
    se[lost] = Estimate.from_replicates(spread).se / np.maximum(-slope, 1e-12)
    return when, se


@dataclass(frozen=True, eq=False)
class _Standing:
    """Platforms left as they were turned at N moments."""

    ready: Facing
    keep: float
    utc: pd.DatetimeIndex
    meant: Poses
    scale: Array
    whole: Array  # watts just after turning, (repeats, N)

    @classmethod
    def at(cls, ready: Facing, moments: Sequence[pd.Timestamp], keep: float) -> _Standing:
        import pandas as pd

        # one zone for all: a day whose clocks change has two offsets
        utc = pd.DatetimeIndex([t.tz_convert("UTC") for t in moments])
        sun = sun_at(ready.scenario, utc)
        meant = stand(ready.scenario, sun.alpha, sun.gamma)
        scale = ready.setup.scale(sun.radius)
        whole = ready.left_at(sun.direction, meant, scale=scale)
        return cls(ready, keep, utc, meant, scale, whole)

    def left(self, after: Array, which: NDArray[np.int64]) -> Array:
        """Watts over what is to be kept, at times after the turning; a sun that is down counts."""
        import pandas as pd

        times = self.utc[which] + pd.to_timedelta(np.round(after, 3), unit="s")
        s = sun_direction(*position(self.ready.scenario.site, times))
        power = self.ready.left_at(s, self.meant[which], scale=self.scale[which])
        return np.asarray(power - self.keep * self.whole[:, which])


def _first_fall(standing: _Standing) -> Array:
    """About when the share is lost, shape (N,); infinite where it isn't. [s]"""
    n = len(standing.utc)
    when = np.full(n, np.inf)
    waiting, begun = np.arange(n), 0.0
    before = (1.0 - standing.keep) * standing.whole.mean(axis=0)
    for end, step in STEPS:
        if not len(waiting):
            break
        after = np.arange(begun + step, end + 1.0, step)
        level = standing.left(np.tile(after, len(waiting)), np.repeat(waiting, len(after)))
        level = level.mean(axis=0).reshape(len(waiting), len(after))
        level = np.column_stack([before[waiting], level])
        falls = level < 0.0
        for row, k in enumerate(waiting):
            if falls[row].any():
                j = int(falls[row].argmax())
                share = level[row, j - 1] / (level[row, j - 1] - level[row, j])
                when[k] = begun + step * (j - 1 + share)
        before[waiting] = level[:, -1]
        waiting, begun = waiting[~falls.any(axis=1)], end
    return when
