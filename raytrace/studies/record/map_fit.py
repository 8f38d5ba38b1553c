"""A predicted map laid over a measured one: how bright, how far aside, and how sure that is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Fact",
    "Fitted",
    "Laid",
    "better",
    "correlation",
    "first_look",
    "fitted",
    "laid_over",
    "spread_out",
    "tiles_of",
]

Array = NDArray[np.float64]

SURE = 0.99  # that a difference is one, before it is told
LOOKS = 7  # along a side, of shifts that are tried first
TILES = 6  # along a side, that neighbouring pixels go together in
# of every quantity that is fitted: step for derivatives, and how far it may go
STEPS = {
    "x": (1e-4, 0.5),
    "y": (1e-4, 0.5),
    "turn": (1e-3, np.radians(30.0)),
    "size": (1e-3, 0.4),
    "setting": (1e-2, 2.0),
    "altitude": (5e-4, np.radians(12.0)),
    "aside": (5e-4, np.radians(12.0)),
}


@dataclass(frozen=True, eq=False)
class Laid:
    """A map that can be read anywhere: 0 outside its square.

    Attributes
    ----------
    R : float
        Half of its side. [m]
    flux : ndarray, shape (B, B)
        Over square bins, first y, then x. [W/m²]
    """

    R: float
    flux: Array

    @cached_property
    def _spline(self) -> Array:
        from scipy.ndimage import spline_filter

        return np.asarray(spline_filter(self.flux, order=3))

    def at(self, x: Array, y: Array) -> Array:
        """Irradiance at places, by cubic splines.

        Parameters
        ----------
        x, y : ndarray, shape (N,)
            [m]

        Returns
        -------
        ndarray, shape (N,)
            [W/m²]
        """
        from scipy.ndimage import map_coordinates

        width = 2.0 * self.R / len(self.flux)
        place = [(v + self.R) / width - 0.5 for v in (y, x)]
        return np.asarray(map_coordinates(self._spline, place, order=3, prefilter=False))

    @property
    def middle(self) -> Array:
        """Centre of its light, x and y. [m]"""
        at = (np.arange(len(self.flux)) + 0.5) / len(self.flux) * 2.0 * self.R - self.R
        total = max(float(self.flux.sum()), 1e-300)
        return np.asarray([self.flux.sum(axis=0) @ at, self.flux.sum(axis=1) @ at]) / total


def laid_over(flux: Laid, x: Array, y: Array, moved: dict[str, float]) -> Array:
    """Predicted map, moved, turned and enlarged, where pixels are.

    Parameters
    ----------
    flux : Laid
    x, y : ndarray, shape (N,)
        Pixels. [m]
    moved : dict
        x, y [m], turn (anticlockwise, seen from above) [rad] and size (more than 1 by) [1];
        what is left out is 0.

    Returns
    -------
    ndarray, shape (N,)
        [W/m²]
    """
    turn, size = moved.get("turn", 0.0), 1.0 + moved.get("size", 0.0)
    dx, dy = x - moved.get("x", 0.0), y - moved.get("y", 0.0)
    c, s = np.cos(turn) / size, np.sin(turn) / size
    return flux.at(c * dx + s * dy, c * dy - s * dx)


@dataclass(frozen=True, eq=False)
class Fitted:
    """A model fitted to a measured map by least squares.

    Attributes
    ----------
    value, se : dict of str to float
        Of "scale" and "light" (measured is scale times predicted, and even light besides), and of
        all that was fitted, with standard errors.
    model : ndarray, shape (N,)
        What it makes of the pixels.
    left : ndarray, shape (N,)
        Measured less that.
    """

    value: dict[str, float]
    se: dict[str, float]
    model: Array
    left: Array


def fitted(
    model: Callable[[dict[str, float]], Array],
    measured: Array,
    tile: NDArray[np.int64],
    start: dict[str, float],
    *,
    steps: int = 30,
) -> Fitted:
    """Fit a map's scale, even light besides and what its model hangs on.

    Parameters
    ----------
    model : callable
        Gives the predicted map for values of what is named in `start`.
    measured : ndarray, shape (N,)
    tile : ndarray of int, shape (N,)
        Which part of the map each pixel lies in.
    start : dict
        Keys of `STEPS`.
    steps : int
        Most evaluations of least squares.

    Returns
    -------
    Fitted

    Notes
    -----
    Scale and light follow from the rest in closed form [1]_. Standard errors are the larger of two:
    as if every pixel erred alone, and as if all of a tile erred together [2]_, for what a
    prediction doesn't hold is alike in neighbours.

    References
    ----------
    .. [1] G. H. Golub and V. Pereyra, The differentiation of pseudo-inverses and nonlinear least
       squares problems whose variables separate, SIAM J. Numer. Anal. 10 (1973) 413-432.
    .. [2] K.-Y. Liang and S. L. Zeger, Longitudinal data analysis using generalized linear models,
       Biometrika 73 (1986) 13-22.
    """
    from scipy.optimize import least_squares

    names = list(start)
    step = np.array([STEPS[k][0] for k in names])
    most = np.array([STEPS[k][1] for k in names])
    unit = float(np.abs(measured).max())

    def predicted(z: Array) -> Array:
        return model(dict(zip(names, (z * step).tolist(), strict=True)))

    def linear(p: Array) -> tuple[float, float]:
        off, wide = measured - measured.mean(), p - p.mean()
        square = float(wide @ wide)
        scale = float(wide @ off) / square if square > 0.0 else 0.0
        return scale, float(measured.mean() - scale * p.mean())

    def left(z: Array) -> Array:
        p = predicted(z)
        scale, light = linear(p)
        return (measured - scale * p - light) / unit

    def slopes(of: Callable[[Array], Array], z: Array) -> Array:
        each = np.eye(len(z))
        return np.stack([0.5 * (of(z + e) - of(z - e)) for e in each], axis=1)

    z = np.array([start[k] for k in names]) / step
    if names:
        bound = most / step
        z = np.clip(z, -0.999 * bound, 0.999 * bound)
        found = least_squares(
            left, z, partial(slopes, left), (-bound, bound), max_nfev=steps, x_scale="jac"
        )
        z = found.x
    p = predicted(z)
    scale, light = linear(p)
    rest = measured - scale * p - light
    columns = [p, np.ones_like(p)]
    if names:
        columns += [*(scale * slopes(predicted, z) / step).T]
    se = _errors(np.stack(columns, axis=1), rest, tile)
    keys = ["scale", "light", *names]
    values = [scale, light, *(z * step)]
    return Fitted(
        value={k: float(v) for k, v in zip(keys, values, strict=True)},
        se={k: float(v) for k, v in zip(keys, se, strict=True)},
        model=scale * p + light,
        left=rest,
    )


def _errors(slope: Array, rest: Array, tile: NDArray[np.int64]) -> Array:
    """Standard errors of what is fitted, (k,), from slopes (N, k) and what is left over."""
    n, k = slope.shape
    size = np.sqrt((slope**2).sum(axis=0))
    size = np.where(size > 0.0, size, 1.0)
    inverse = np.linalg.pinv((slope / size).T @ (slope / size))
    alone = np.diag(inverse) * float(rest @ rest) / max(n - k, 1)
    count = int(tile.max()) + 1
    pull = np.zeros((count, k))
    np.add.at(pull, tile, slope / size * rest[:, None])
    used = max(int(np.unique(tile).size), 2)
    together = np.diag(inverse @ (pull.T @ pull) @ inverse) * used / (used - 1)
    return np.asarray(np.sqrt(np.maximum(alone, together)) / size)


def better(one: Fitted, other: Fitted, tile: NDArray[np.int64]) -> float:
    """By how many standard errors one model fits better than another, tile by tile.

    Parameters
    ----------
    one, other : Fitted
        To the same pixels.
    tile : ndarray of int, shape (N,)

    Returns
    -------
    float
        Positive if the first does.

    References
    ----------
    .. [1] Q. H. Vuong, Likelihood ratio tests for model selection and non-nested hypotheses,
       Econometrica 57 (1989) 307-333: the spread of single differences judges their sum.
    """
    gain = np.zeros(int(tile.max()) + 1)
    np.add.at(gain, tile, other.left**2 - one.left**2)
    gain = gain[np.unique(tile)]
    spread = float(gain.std(ddof=1)) * np.sqrt(len(gain))
    return float(gain.sum() / spread) if spread > 0.0 else 0.0


@dataclass(frozen=True)
class Fact:
    """One figure that is fitted.

    Attributes
    ----------
    value : float
        As measured; 1 or 0 where all is as predicted. [1]
    se : float
        Standard error of the measurement. [1]
    spread : float
        Standard deviation between cookers built alike. [1]
    """

    value: float
    se: float
    spread: float

    def half_width(self, builds: int, level: float = 0.95) -> float:
        """Half of the interval within which it differs though nothing be wrong.

        Parameters
        ----------
        builds : int
            Whose spread it is.
        level : float
            How often it does.

        Returns
        -------
        float
            By Student's t, of one more build than these.
        """
        from scipy.stats import t

        spread = self.spread * np.sqrt(1.0 + 1.0 / builds)
        return float(t.isf(0.5 - 0.5 * level, builds - 1) * np.hypot(self.se, spread))

    def is_off(self, builds: int, usual: float = 0.0) -> bool:
        """Whether it differs more than such cookers do.

        Parameters
        ----------
        builds : int
        usual : float

        Returns
        -------
        bool
        """
        return abs(self.value - usual) > self.half_width(builds, SURE)


def tiles_of(x: Array, y: Array, half: float) -> NDArray[np.int64]:
    """Which square part of the map each place lies in.

    Parameters
    ----------
    x, y : ndarray, shape (N,)
        [m]
    half : float
        Half the map's side. [m]

    Returns
    -------
    ndarray of int, shape (N,)
    """
    along = [np.clip((v / half + 1.0) * 0.5 * TILES, 0, TILES - 1).astype(np.int64) for v in (y, x)]
    return along[0] * TILES + along[1]


def spread_out(known: NDArray[np.bool_], values: Array) -> Array:
    """Values of those cells that are known, on the whole grid; nan elsewhere.

    Parameters
    ----------
    known : ndarray of bool, shape (Y, X)
    values : ndarray, shape (N,)
        Of the N known ones, in order.

    Returns
    -------
    ndarray, shape (Y, X)
    """
    out = np.full(known.shape, np.nan)
    out[known] = values
    return out


def correlation(a: Array, b: Array) -> float:
    """Correlation of two maps, 0 where either is even.

    Parameters
    ----------
    a, b : ndarray, shape (N,)

    Returns
    -------
    float
    """
    if not (a.std() > 0.0 and b.std() > 0.0):
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def first_look(predicted: Laid, x: Array, y: Array, value: Array) -> dict[str, float]:
    """Shift at which the two are most alike, of a coarse grid of shifts.

    Parameters
    ----------
    predicted : Laid
    x, y, value : ndarray, shape (N,)
        Places [m], and what was measured there.

    Returns
    -------
    dict of str to float
        x and y. [m]
    """
    tried = np.linspace(-0.4, 0.4, LOOKS) * predicted.R
    shifts = [(dx, dy) for dx in tried for dy in tried]
    alike = [correlation(value, predicted.at(x - dx, y - dy)) for dx, dy in shifts]
    dx, dy = shifts[int(np.argmax(alike))]
    return {"x": float(dx), "y": float(dy)}
