"""Sobol' indices: what share of a result's variance comes from which of its causes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.statistics.quantiles import spread_error

__all__ = ["Indices", "indices", "pick_freeze"]

Array = NDArray[np.float64]

RESAMPLES = 400  # of the bootstrap behind the indices' intervals


@dataclass(frozen=True, eq=False)
class Indices:
    """Sobol' indices of the delivered watts over the builds' draws, by rows N and group G.

    Attributes
    ----------
    groups : tuple of str
        Groups that are drawn at all.
    base : ndarray of int, shape (N,)
        Growing numbers of rows. [1]
    first, first_ci : ndarray, shape (N, G)
        First-order indices with those rows, and half-widths of 95 % bootstrap intervals. [1]
    total, total_ci : ndarray, shape (N, G)
        Total indices with those rows, and half-widths of 95 % bootstrap intervals. [1]
    sd, sd_se : float
        Standard deviation of the watts over builds. [W]
    """

    groups: tuple[str, ...]
    base: NDArray[np.int64]
    first: Array
    first_ci: Array
    total: Array
    total_ci: Array
    sd: float
    sd_se: float

    DIMS: ClassVar = {"N": "rows", "G": "group"}
    ALSO: ClassVar = ("group",)
    APART: ClassVar = ("groups",)

    @property
    def group(self) -> NDArray[np.str_]:
        """Groups that are drawn at all, shape (G,)."""
        return np.array(self.groups, dtype=str)


def pick_freeze(groups: Sequence[str], rows: NDArray[np.int64], base: int) -> dict[str, Array]:
    """Build number of each group's draw, for every build of some rows of the design.

    Row j needs build A, whose draws all have number j; build B, all of number base + j; and for
    each group a build like A but for that group's draw, which is B's. A build number is a key: it
    takes the place of the uniform number that selects an input, and different numbers are
    independent draws.

    Parameters
    ----------
    groups : sequence of str
    rows : ndarray of int, shape (J,)
    base : int
        How many rows the design has.

    Returns
    -------
    dict from str to ndarray, shape (J (G + 2),)
        Row by row, in the order A, the groups, B, as SALib reads them.

    References
    ----------
    .. [1] A. Saltelli et al., Variance based sensitivity analysis of model output, Comput. Phys.
       Commun. 181 (2010) 259-270.

    Examples
    --------
    >>> {k: v.tolist() for k, v in pick_freeze(("setting", "pot"), np.array([5]), 64).items()}
    {'setting': [5, 69, 5, 69], 'pot': [5, 5, 69, 69]}
    """
    size = len(groups) + 2
    a, b = rows[:, None], rows[:, None] + base
    out = {}
    for k, group in enumerate(groups):
        column = np.arange(size)[None, :]
        swapped = (column == k + 1) | (column == size - 1)
        out[group] = np.where(swapped, b, a).ravel()
    return out


def indices(y: Array, groups: Sequence[str], *, seed: int = 1) -> Indices:
    """Sobol' indices from a pick-freeze design, at growing numbers of its rows.

    Parameters
    ----------
    y : ndarray, shape (base (G + 2),)
        Results in the order of `pick_freeze`.
    groups : sequence of str
    seed : int
        Key of the bootstrap.

    Returns
    -------
    Indices
        First order by Saltelli's estimator, total by Jansen's, as SALib computes them.

    References
    ----------
    .. [1] A. Saltelli et al., Variance based sensitivity analysis of model output, Comput. Phys.
       Commun. 181 (2010) 259-270.
    """
    from SALib.analyze import sobol

    size = len(groups) + 2
    rows = len(y) // size
    steps = [n for n in (2**k for k in range(6, 31)) if n < rows]
    base = np.array([*steps, rows])
    out = np.zeros((4, len(base), len(groups)))
    problem = {"num_vars": len(groups), "names": list(groups), "bounds": [[0.0, 1.0]] * len(groups)}
    # a spread of rounding noise alone is none, and has no shares
    level = abs(float(y.mean()))
    if len(groups) and float(np.ptp(y)) > 1e-9 * level:
        for k, n in enumerate(base):
            found = sobol.analyze(
                problem,
                y[: n * size],
                calc_second_order=False,
                num_resamples=RESAMPLES,
                seed=seed + 1,
            )
            for i, name in enumerate(("S1", "S1_conf", "ST", "ST_conf")):
                out[i, k] = found[name]
    both = y.reshape(rows, size)[:, [0, -1]]
    first, first_ci, total, total_ci = out
    sd, sd_se = float(both.std(ddof=1)), float(spread_error(both.ravel()))
    return Indices(tuple(groups), base, first, first_ci, total, total_ci, sd, sd_se)
