"""How far a loss may go while a share is kept: where a falling curve with errors meets a level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bounded", "Reach", "crossing", "largest_keeping"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bounded:
    """A figure and what bounds it.

    Attributes
    ----------
    value : float
        The figure.
    low, high : float
        Bounds of its 95 % interval.
    """

    value: float
    low: float
    high: float

    HELD: ClassVar = True


@dataclass(frozen=True)
class Reach(Bounded):
    """Largest x at which a falling curve still keeps a level.

    Attributes
    ----------
    value : float
        0 where the level is kept nowhere, infinite where it is kept as far as was computed.
    low, high : float
        Bounds of its 95 % interval; 0 and infinite likewise.
    """

    ALSO: ClassVar = ("outcome",)

    @property
    def outcome(self) -> str:
        """What was found, in words."""
        return "found" if self.known else "never kept" if self.value == 0.0 else "kept throughout"

    @property
    def known(self) -> bool:
        """Whether the curve meets the level within what was computed."""
        return bool(0.0 < self.value < np.inf)


def largest_keeping(x: Array, y: Array, se: Array, level: float, *, df: int) -> Reach:
    """Where a falling curve meets a level.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Rising, from 0.
    y, se : ndarray, shape (n,)
        The curve's values and their standard errors.
    level : float
        What is to be kept.
    df : int
        Degrees of freedom of the standard errors.

    Returns
    -------
    Reach

    Notes
    -----
    The values are first made to fall by isotonic regression (noise can make neighbours rise),
    then joined by the monotone cubic of [1]_. The bounds are where the curves through
    y ± t·se, t Student's at 97.5 %, meet the level: a 95 % interval of the crossing, since a level
    lies within y ± t·se at the true crossing with that chance.

    References
    ----------
    .. [1] F. N. Fritsch and J. Butland, A method for constructing local monotone piecewise cubic
       interpolants, SIAM J. Sci. Stat. Comput. 5 (1984) 300-304.
    """
    from scipy.special import stdtrit

    t = float(stdtrit(df, 0.975))
    se = np.nan_to_num(se)
    value, low, high = (crossing(x, y + k * t * se, level) for k in (0.0, -1.0, 1.0))
    return Reach(value, low, high)


def crossing(x: Array, y: Array, level: float) -> float:
    """Where a curve, made to fall, last keeps a level.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Rising, from 0, and the curve there.
    level : float
        What is to be kept.

    Returns
    -------
    float
        0 where it is kept nowhere, infinite where it is kept as far as x goes.
    """
    from scipy.interpolate import PchipInterpolator
    from scipy.optimize import brentq, isotonic_regression

    falling = np.asarray(isotonic_regression(y, increasing=False).x)
    kept = np.flatnonzero(falling >= level)
    if not len(kept):
        return 0.0
    k = int(kept[-1])
    if k == len(x) - 1:
        return float("inf")
    curve = PchipInterpolator(x, falling)
    if not float(curve(x[k])) > level:  # met at the point itself, but for rounding
        return float(x[k])
    return float(brentq(lambda at: float(curve(at)) - level, x[k], x[k + 1], xtol=1e-12))
