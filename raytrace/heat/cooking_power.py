"""Cooking power of a heating test by ASAE S580.1: intervals, normalisation, regression, 50 K."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.exceptions import HeatError
from raytrace.heat.cooking_limits import INTERVAL, SUN, Limit, conditions, means_between, plan

__all__ = [
    "HEAT_CAPACITY",
    "INTERVAL",
    "LONGEST",
    "OFFSET",
    "SUN",
    "CookingPower",
    "Limit",
    "Line",
    "cooking_power",
    "fit_line",
    "intervals",
    "means_between",
    "with_ten_minutes",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

HEAT_CAPACITY = 4186.0  # of water, section 7.2 [J/(kg K)]
STANDARD_SUN = 700.0  # section 7.4 [W/m²]
OFFSET = 50.0  # of the water over the air, at which one figure is quoted [K]
LONGEST = 900.0  # of an interval whose readings don't come on time [s]


@dataclass(frozen=True)
class Line:
    """Straight line by least squares, with standard errors.

    Attributes
    ----------
    intercept, intercept_se : float
        At x = 0.
    slope, slope_se : float
    middle, spread, residual : float
        Mean of x, sum of squared deviations from it, and standard deviation about the line.
    n : int
        Points. [1]
    r_squared : float
        Coefficient of determination; nan where y doesn't vary. [1]
    """

    intercept: float
    intercept_se: float
    slope: float
    slope_se: float
    middle: float
    spread: float
    residual: float
    n: int
    r_squared: float

    def at(self, x: ArrayLike) -> tuple[Array, Array]:
        """Height of the line, and its standard error.

        Parameters
        ----------
        x : array_like

        Returns
        -------
        height, se : ndarray, same shape
        """
        x = np.asarray(x, dtype=float)
        se = self.residual * np.sqrt(1.0 / self.n + (x - self.middle) ** 2 / self.spread)
        return np.asarray(self.intercept + self.slope * x), np.asarray(se)

    def half_width(self, se: ArrayLike, level: float = 0.95) -> Array:
        """Half-width of the two-sided interval for a standard error, by Student's t.

        Parameters
        ----------
        se : array_like
            In any unit.
        level : float
            Chance that the interval holds the truth.

        Returns
        -------
        ndarray, same shape
            In the unit of `se`.
        """
        from scipy.special import stdtrit

        return np.asarray(np.asarray(se) * stdtrit(self.n - 2, 0.5 + 0.5 * level))


@dataclass(frozen=True, eq=False)
class CookingPower:
    """Cooking power of each interval of a test, and the regression over those that count.

    Attributes
    ----------
    first, last : ndarray of int, shape (N,)
        Readings between which each interval lies. [1]
    length : ndarray, shape (N,)
        How long it is. [s]
    power : ndarray, shape (N,)
        Interval cooking power. [W]
    standardised : ndarray, shape (N,)
        The same for 700 W/m²; nan in the dark. [W]
    difference : ndarray, shape (N,)
        Mean temperature of the water over that of the air. [K]
    insolation : ndarray, shape (N,)
        Mean irradiance. [W/m²]
    air : ndarray, shape (N,)
        Mean temperature of the air. [K]
    wind : ndarray, shape (N,)
        Mean wind; nan where it was not recorded. [m/s]
    counts : ndarray of bool, shape (N,)
        Whether the interval is in the regression.
    line : Line or None
        Of `standardised` against `difference`; None with fewer than three intervals, or where
        they all have one temperature.
    limits : tuple of Limit
        Every limit of the standard.
    """

    first: Whole
    last: Whole
    length: Array
    power: Array
    standardised: Array
    difference: Array
    insolation: Array
    air: Array
    wind: Array
    counts: NDArray[np.bool_]
    line: Line | None
    limits: tuple[Limit, ...]

    SHOWN: ClassVar = {"air": "degC"}
    ALSO: ClassVar = ("at_50", "extrapolated")

    @property
    def at_50(self) -> tuple[float, float]:
        """Standardised cooking power at 50 K over the air and its error; nan if none. [W]"""
        if self.line is None:
            return float("nan"), float("nan")
        value, se = self.line.at(OFFSET)
        return float(value), float(se)

    @property
    def extrapolated(self) -> bool:
        """Whether 50 K lies outside the intervals that count."""
        x = self.difference[self.counts]
        return not (len(x) and x.min() <= OFFSET <= x.max())

    @property
    def complete(self) -> bool:
        """Whether every limit is known to be kept."""
        return all(limit.kept is True for limit in self.limits)


def fit_line(x: ArrayLike, y: ArrayLike) -> Line | None:
    """Fit a straight line by least squares.

    Parameters
    ----------
    x, y : array_like, shape (N,)

    Returns
    -------
    Line or None
        None with fewer than three points, or where all have one x.

    References
    ----------
    .. [1] N. R. Draper and H. Smith, Applied Regression Analysis, 3rd ed., Wiley, 1998, sections
       1.2 to 1.4.

    Examples
    --------
    >>> line = fit_line([0.0, 1.0, 2.0], [1.0, 3.0, 5.0])
    >>> line.intercept, line.slope, line.r_squared
    (1.0, 2.0, 1.0)
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    n = len(x)
    if n < 3 or np.ptp(x) < 1e-9:
        return None
    dx, dy = x - x.mean(), y - y.mean()
    spread = float(dx @ dx)
    slope = float(dx @ dy) / spread
    intercept = float(y.mean() - slope * x.mean())
    total = float(dy @ dy)
    left = float(((dy - slope * dx) ** 2).sum())
    residual = float(np.sqrt(left / (n - 2)))
    return Line(
        intercept=intercept,
        intercept_se=residual * float(np.sqrt(1.0 / n + x.mean() ** 2 / spread)),
        slope=slope,
        slope_se=residual / float(np.sqrt(spread)),
        middle=float(x.mean()),
        spread=spread,
        residual=residual,
        n=n,
        r_squared=1.0 - left / total if total > 0.0 else float("nan"),
    )


def intervals(time: ArrayLike, run: ArrayLike | None = None) -> tuple[Whole, Whole]:
    """Readings between which the intervals of a test lie.

    Parameters
    ----------
    time : array_like, shape (K,)
        Of the readings, rising within each run. [s]
    run : array_like of int, shape (K,), optional
        Which heating each reading belongs to; by default all to one.

    Returns
    -------
    first, last : ndarray of int, shape (N,)
        Each interval ends at the first reading ten minutes or more after its beginning, and the
        next begins there. One longer than fifteen minutes is left out.

    Examples
    --------
    >>> first, last = intervals([0.0, 300.0, 600.0, 1190.0, 1210.0, 4000.0, 4600.0])
    >>> first.tolist(), last.tolist()
    ([0, 2, 5], [2, 4, 6])
    """
    time = np.asarray(time, dtype=float)
    run = np.zeros(len(time), dtype=np.int64) if run is None else np.asarray(run)
    pairs: list[tuple[int, int]] = []
    begin = 0
    for k in range(1, len(time)):
        if run[k] != run[begin]:
            begin = k
        elif time[k] - time[begin] >= INTERVAL - 1.0:
            if time[k] - time[begin] <= LONGEST:
                pairs.append((begin, k))
            begin = k
    out = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return out[:, 0], out[:, 1]


def with_ten_minutes(time: ArrayLike, run: ArrayLike) -> tuple[Array, NDArray[np.int64]]:
    """Times of readings, and between them every ten minutes from the first of each stretch on.

    Parameters
    ----------
    time : array_like, shape (K,)
        Of the readings, rising within each run. [s]
    run : array_like of int, shape (K,)
        Which heating each reading belongs to. [1]

    Returns
    -------
    time : ndarray, shape (L,)
        A stretch ends where two readings are over fifteen minutes apart. [s]
    run : ndarray of int, shape (L,)

    Examples
    --------
    >>> with_ten_minutes([0.0, 420.0, 840.0, 1260.0], [0] * 4)[0].tolist()
    [0.0, 420.0, 600.0, 840.0, 1200.0, 1260.0]
    """
    t, r = np.asarray(time, dtype=float), np.asarray(run, dtype=np.int64)
    cuts = np.flatnonzero((np.diff(t) > LONGEST) | (np.diff(r) != 0)) + 1
    times, runs = [], []
    for part in np.split(np.arange(len(t)), cuts):
        own = t[part]
        marks = np.arange(own[0], own[-1], INTERVAL)
        # a reading within a second of a mark stands for it
        marks = marks[np.abs(marks[:, None] - own).min(axis=1) > 1.0]
        times.append(np.sort(np.concatenate([own, marks])))
        runs.append(np.full(len(times[-1]), r[part[0]]))
    return np.concatenate(times), np.concatenate(runs)


def cooking_power(
    time: ArrayLike,
    water: ArrayLike,
    air: ArrayLike,
    insolation: ArrayLike,
    *,
    mass: float,
    heat_capacity: float = HEAT_CAPACITY,
    wind: ArrayLike | None = None,
    intercept_area: float | None = None,
    boiling: float = 373.12,
    run: ArrayLike | None = None,
    day: ArrayLike | None = None,
    solar_hour: ArrayLike | None = None,
) -> CookingPower:
    """Cooking power of a heating test, standardised and put through the standard's regression.

    Parameters
    ----------
    time : array_like, shape (K,)
        Of the readings, rising within each run. [s]
    water : array_like, shape (K,)
        Temperature of the water. [K]
    air : array_like, shape (K,)
        [K]
    insolation : array_like, shape (K,)
        As the standard measures it: global, on the plane normal to the sun. [W/m²]
    mass : float
        Of the water. [kg]
    heat_capacity : float
        The standard's for water; of what else is in the pot if that is no water alone.
        [J/(kg K)]
    wind : array_like, shape (K,), optional
        At the cooker. [m/s]
    intercept_area : float, optional
        Of mirrors and openings, projected on the plane normal to the sun. [m²]
    boiling : float
        At the site's pressure. [K]
    run, day : array_like of int, shape (K,), optional
        Which heating, and which day, each reading belongs to; by default all to one.
    solar_hour : array_like, shape (K,), optional
        Time by the sun, 12 as it crosses the meridian. [h]

    Returns
    -------
    CookingPower

    Raises
    ------
    HeatError
        If shapes differ, a number isn't finite or one that must be positive isn't.

    Notes
    -----
    P = (T2 − T1) M c/600 for each interval, Ps = P · 700/I, Td the mean water temperature less
    that of the air, and a straight line of Ps against Td by least squares: sections 7.2 to 7.7,
    seen as quoted by others. Readings need not come every ten minutes: an interval ends at the
    first reading ten minutes or more after its beginning, and its own length takes the place of
    600 s. Limits and the single figure at 50 K rest on memory, and editions differ: wind under
    1.0 m/s, intervals over 2.5 m/s discarded; air at 20 to 35 °C; 450 to 1100 W/m², changing by
    no more than 100 W/m² within an interval; water at 40 to 90 °C, and 5 K below boiling; 10 to
    14 h by the sun; 7 kg of water per m² of intercept area; 30 observations on 3 days; r² over
    0.75. Insolation as global irradiance on the plane normal to the sun rests on memory too.
    Gusts, insolation and water out of limits leave an interval out of the regression; all else
    is flagged only, because a cook's day seldom keeps it all.

    References
    ----------
    .. [1] ASAE S580.1, Testing and Reporting Solar Cooker Performance, American Society of
       Agricultural and Biological Engineers, 2013.
    .. [2] P. A. Funk, Evaluating the international standard procedure for testing solar cookers
       and reporting performance, Solar Energy 68 (2000) 1-7.

    Examples
    --------
    Two kilograms that warm by 30 K in twenty minutes under 840 W/m²:

    >>> found = cooking_power(
    ...     [0.0, 600.0, 1200.0],
    ...     [323.15, 338.15, 353.15],
    ...     [298.15] * 3,
    ...     [840.0] * 3,
    ...     mass=2.0,
    ... )
    >>> found.power.round(1).tolist(), found.standardised.round(2).tolist()
    ([209.3, 209.3], [174.42, 174.42])
    >>> found.difference.tolist()
    [32.5, 47.5]
    """
    names = ("time", "water", "air", "insolation")
    columns = [np.asarray(x, dtype=float) for x in (time, water, air, insolation)]
    t, T, around, sun = columns
    for name, x in zip(names, columns, strict=True):
        if x.shape != t.shape or x.ndim != 1:
            raise HeatError(f"{name} has shape {x.shape}: give one number for each reading")
        if not np.isfinite(x).all():
            raise HeatError(f"{name} must be finite numbers")
    if not (mass > 0.0 and heat_capacity > 0.0):
        raise HeatError("mass and heat_capacity must be positive")
    blow = np.full(len(t), np.nan) if wind is None else np.asarray(wind, dtype=float)
    first, last = intervals(t, run)
    if (t[last] <= t[first]).any() or (np.diff(t)[_within(run, len(t))] <= 0.0).any():
        raise HeatError("time must rise within each run")

    def mean(x: Array) -> Array:
        return means_between(t, x, first, last)

    length = t[last] - t[first]
    power = (T[last] - T[first]) * mass * heat_capacity / length
    bright = mean(sun)
    if not (sun >= 0.0).all():
        raise HeatError("insolation must be 0 or more")
    standardised = np.divide(
        power * STANDARD_SUN, bright, out=np.full(len(power), np.nan), where=bright > 0.0
    )
    difference = mean(T) - mean(around)
    counts, limits = conditions(
        t, T, around, sun, blow, first, last, length=length, boiling=boiling, solar_hour=solar_hour
    )
    line = fit_line(difference[counts], standardised[counts])
    days = 1 if day is None else len(np.unique(np.asarray(day)[first[counts]]))
    r_squared = float("nan") if line is None else line.r_squared
    limits += plan(mass, intercept_area, int(counts.sum()), days, r_squared)
    return CookingPower(
        first=first,
        last=last,
        length=length,
        power=power,
        standardised=standardised,
        difference=difference,
        insolation=bright,
        air=mean(around),
        wind=mean(blow),
        counts=counts,
        line=line,
        limits=tuple(limits),
    )


def _within(run: ArrayLike | None, count: int) -> NDArray[np.bool_]:
    """Whether neighbouring readings belong to one run, shape (count − 1,)."""
    if run is None:
        return np.ones(max(count - 1, 0), dtype=bool)
    return np.asarray(np.diff(np.asarray(run)) == 0)
