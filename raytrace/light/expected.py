"""What a design delivers on average over builds, turnings and sun positions, with little noise.

Watts hang smoothly on a few things that are common to all facets: where the sun stands, how far
off the platform is turned, where the pot is put. These are spread evenly, by lattices with a
random shift for each replicate, and each facet's own errors are drawn; so some ten times fewer
builds need tracing than if all were drawn. Every random number is keyed on a replicate and on a
facet's row and column, never on the design, so designs share their random draws.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker
from raytrace.cooker.tolerances import (
    POINTING,
    Builds,
    Tolerances,
    draw_builds,
    standard_normals,
)
from raytrace.light import history as pot_light
from raytrace.light.placed import Placed, placed
from raytrace.light.setup import LightSettings, Setup, design_sun, faced_from, set_up, stand
from raytrace.optics.tally import BASE
from raytrace.sky.ground import ground_of
from raytrace.sky.sun import bare, sun_at, sun_direction

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.sky.sun import Sun

__all__ = ["DAY", "Expected", "Suns", "season_suns"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

DAY = 86400.0
STEPS = 60.0, 3600.0  # between the suns of a season, least and most [s]
SUNS = 2048  # that a season has at least, lit or not, unless steps would be too short
GOLDEN = 0.5 * (5.0**0.5 - 1.0)  # whose multiples, less whole numbers, fill 0 to 1 evenly
PROBE = 1e-4  # standard deviations, for derivatives
LEAST_MOVE = 1e-6  # of the greatest move of the spot: below this it is rounding
TOGETHER = 1024  # single builds traced at a time, so that many need no more memory
OWN = 2, 8  # sets of facets' own errors in a replicate: for few cases, for many
TRIAL, NEIGHBOURS, LEAST = 64, 5, 0.1  # of a season: suns, smoothing, least share of the mean
KEYS = 1 << 24  # samples and builds that one stream has


@dataclass(frozen=True, eq=False)
class Suns:
    """Lit sun positions of a season at even steps of time, from the lowest sun to the highest.

    Attributes
    ----------
    alpha, heading : ndarray, shape (T,)
        As `raytrace.light.setup.faced_from` has them. [rad]
    radius : ndarray, shape (T,)
        Sun's angular radius. [rad]
    sums : ndarray, shape (T,)
        Irradiation up to and including each. [J/m²]
    hours : float
        Of the season, lit or not. [s]
    """

    alpha: Array
    heading: Array
    radius: Array
    sums: Array
    hours: float

    @property
    def total(self) -> float:
        """Direct irradiation. [J/m²]"""
        return float(self.sums[-1]) if len(self.sums) else 0.0


@dataclass(frozen=True)
class _Wanted:
    """What decides the suns of a season, and one of the scenarios that have it."""

    decides: tuple[object, ...]
    dates: tuple[dt.date, ...]
    hours: tuple[float, float]
    begun: tuple[float, ...]
    scenario: Scenario = field(compare=False)


def season_suns(
    scenario: Scenario,
    dates: tuple[dt.date, ...],
    hours: tuple[float, float] = (0.0, DAY),
    begun: tuple[float, ...] = (0.5,),
) -> tuple[Suns, ...]:
    """Suns at even steps through given dates, once for each place to begin.

    Parameters
    ----------
    scenario : Scenario
        Its site and sky are read.
    dates : tuple of date
        By the site's clock, in order. One that its calendar skips has no hours.
    hours : tuple of float
        From when until when on each, after midnight by the clock. [s]
    begun : tuple of float
        Where in its step the first sun stands, 0 to 1.

    Returns
    -------
    tuple of Suns
        Kept, so that designs of one site and sky share them.

    Raises
    ------
    SkyError
        If the weather file fails.

    Notes
    -----
    The light of a cooker that is good for a few degrees comes and goes within minutes, and suns
    in the middle of every hour would meet it by chance. So from date to date the suns move on
    within their step by the golden section: the days of a month, which are much alike, together
    have it every few minutes. Begun at random, the sum over the suns is the season's without
    bias, and the spread between beginnings holds the error of the steps.
    """
    site = scenario.site
    horizon = None if site.horizon is None else str(site.horizon)
    return _suns(_Wanted((bare(site), horizon, scenario.sky), dates, hours, begun, scenario))


@lru_cache(maxsize=16)
def _suns(wanted: _Wanted) -> tuple[Suns, ...]:
    scenario = wanted.scenario
    bounds = _bounds(scenario.site.timezone, wanted.dates, wanted.hours)
    span = bounds[:, 1] - bounds[:, 0]
    step = min(max(float(span.sum()) / SUNS, STEPS[0]), STEPS[1])
    counts = np.ceil(span / step).astype(int)
    day = np.repeat(np.arange(len(span)), counts)
    place = np.arange(len(day)) - np.repeat(np.cumsum(counts) - counts, counts)
    width = span[day] / counts[day]
    out = []
    for begun in wanted.begun:
        at = bounds[day, 0] + (place + (begun + GOLDEN * day) % 1.0) * width
        sun = sun_at(scenario, pot_light.moments(at.astype(np.int64)))
        alpha, heading = faced_from(scenario, sun)
        lit = np.flatnonzero((sun.dni > 0.0) & (alpha > 0.0))
        lit = lit[np.argsort(alpha[lit], kind="stable")]
        sums = np.cumsum(sun.dni[lit] * width[lit])
        arrays = alpha[lit], heading[lit], sun.radius[lit], sums
        for array in arrays:
            array.setflags(write=False)  # all who ask get the same arrays
        out.append(Suns(*arrays, float(span.sum())))
    return tuple(out)


def _bounds(zone: str, dates: Sequence[dt.date], hours: tuple[float, float]) -> Array:
    """Moments at which given hours begin and end on each date, seconds since 1970: (D, 2).

    Of a clock time that comes twice the first counts; one that is skipped is when it would have
    been.
    """
    import pandas as pd

    days = np.array([np.datetime64(d, "s") for d in dates])
    clock = (days[:, None] + np.array([round(h) for h in hours]).astype("m8[s]")).ravel()
    local = pd.DatetimeIndex(clock).tz_localize(
        zone, ambiguous=np.ones(len(clock), dtype=bool), nonexistent="shift_forward"
    )
    return pot_light.seconds(local.tz_convert("UTC")).reshape(-1, 2).astype(float)


@dataclass(frozen=True, eq=False)
class Expected:
    """A design, ready to be traced as many builds.

    Attributes
    ----------
    scenario : Scenario
    cooker : Cooker
        Perfectly set.
    replicates : int
        Independent ones, r. [1]
    beams : int
        A facet, in each case. [1]
    seed, stream : int
        Designs of one seed and stream share their random draws and samples.
    threads : int or None
    copies : int
        Times that `at` traces each case, with samples of their own. [1]
    """

    scenario: Scenario
    cooker: Cooker
    replicates: int
    beams: int = 1
    seed: int = 1
    stream: int = 0
    threads: int | None = None
    copies: int = 1

    @cached_property
    def setup(self) -> Setup:
        """For so many copies of every case."""
        keys = LightSettings(self.beams, self.copies, self.seed, threads=self.threads)
        return set_up(self.scenario, keys, cooker=self.cooker)

    @property
    def tolerances(self) -> Tolerances:
        """The scenario's."""
        return self.setup.tolerances

    def at_design(self, points: int) -> Array:
        """Where the sunlight goes at the design sun; see `at_sun`.

        Parameters
        ----------
        points : int

        Returns
        -------
        ndarray, shape (r, L)
            [W]
        """
        return self.at_sun(design_sun(self.scenario)[0], points)

    def at_sun(self, sun: Sun, points: int) -> Array:
        """Where the sunlight goes at a sun that the platform is turned to.

        Parameters
        ----------
        sun : Sun
            At one moment.
        points : int
            Cases in each replicate, each a way to turn the platform and to put the pot.

        Returns
        -------
        ndarray, shape (r, L)
            By `raytrace.optics.tally.LINES`: pseudo-values of the jackknife, whose mean is the
            figure and whose spread its standard error. A line that is all but zero may come out
            below it. [W]
        """
        even = self._spread(points)[:, :, :6]
        n = self.replicates * points
        alpha, heading = faced_from(self.scenario, sun)
        power = self._trace(
            (np.full(n, alpha[0]), np.full(n, heading[0])),
            np.full(n, sun.radius[0]),
            self._even(even.reshape(n, 6)),
            self._own(points),
            self.stream * KEYS + np.arange(n),
        )[:, 0]
        ledgers = power.reshape(self.replicates, points, -1) * sun.dni[0]
        return _straightened(ledgers, _normal(even[:, :, :2]))

    def at(self, alpha: Array, gamma: Array, points: int) -> Array:
        """Where the sunlight goes at given suns, under the same random draws.

        Parameters
        ----------
        alpha : ndarray, shape (N,)
            Sun's altitudes, for which the platform is tilted as the scenario says. [rad]
        gamma : ndarray, shape (N,)
            How far clockwise of the platform's heading it stands. [rad]
        points : int
            Cases in each replicate of each sun, each a way to turn the platform and to put the pot.

        Returns
        -------
        ndarray, shape (N, r, points, copies, 8)
            By `raytrace.optics.tally.LINES`, for 1 W/m². [m²]

        Notes
        -----
        On level ground alone is that all that the watts hang on.
        """
        N, n = len(alpha), self.replicates * points
        even = self._spread(points)[:, :, :6].reshape(n, 6)
        drawn, own = self._own(points)
        off, put = self._even(even)
        power = self._trace(
            (np.repeat(alpha, n), np.zeros(N * n)),
            np.full(N * n, self.setup.shape.radius),
            (np.tile(off, (N, 1)), np.tile(put, (N, 1))),
            (drawn, np.tile(own, N)),
            self.stream * KEYS + np.tile(np.arange(n), N),
            beside=np.repeat(gamma, n),
        )
        return power.reshape(N, self.replicates, points, self.copies, -1)

    def suns(self, dates: tuple[dt.date, ...], hours: tuple[float, float]) -> tuple[Suns, ...]:
        """Suns of a season, begun at random once for each replicate; see `season_suns`.

        Parameters
        ----------
        dates : tuple of date
        hours : tuple of float
            [s]

        Returns
        -------
        tuple of Suns
            One for each replicate.
        """
        begun = np.random.default_rng([self.seed, self.stream, 2]).random(self.replicates)
        return season_suns(self.scenario, dates, hours, tuple(begun.tolist()))

    def over(self, suns: Sequence[Suns], points: int) -> Array:
        """Energy on the base over a season, the platform turned to face every sun.

        Parameters
        ----------
        suns : sequence of Suns
            Those of each replicate, as `suns` has them.
        points : int
            Cases in each replicate, each a sun, a way to turn the platform and to put the pot.

        Returns
        -------
        ndarray, shape (r,)
            [J]

        Notes
        -----
        The watts of a platform turned to face the sun hang on its altitude over the ground alone
        but for the random draws, and but for the lean of a pot that is put level on ground that
        slopes, which each sun picked has as it is. So suns are picked at even steps of energy, as
        far as a rough trial tells it, summed up from the lowest sun and begun at random. A sun is
        picked as often as its share of that sum, and counts by the inverse: without bias, however
        rough the trial [1]_.

        References
        ----------
        .. [1] W. G. Cochran, Sampling Techniques, 3rd ed., Wiley, 1977, chapters 8 and 9A:
           systematic sampling, and sampling with probability proportional to size.
        """
        rough = next((each for each in suns if each.total > 0.0), None)
        if rough is None:
            return np.zeros(self.replicates)
        trial = self._trial(rough)
        even = self._spread(points)
        n = self.replicates * points
        alpha, heading, radius, weight = np.zeros((4, self.replicates, points))
        for k, each in enumerate(suns):
            if each.total == 0.0:  # the sun comes out between the steps
                alpha[k], heading[k], radius[k] = (
                    x[0] for x in (rough.alpha, rough.heading, rough.radius)
                )
                continue
            worth = np.interp(each.sums / each.total, *trial)
            sums = np.cumsum(np.diff(each.sums, prepend=0.0) * worth)
            pick = np.searchsorted(sums, even[k, :, 0] * sums[-1], side="right")
            pick = np.minimum(pick, len(sums) - 1)
            alpha[k], heading[k], radius[k] = (
                x[pick] for x in (each.alpha, each.heading, each.radius)
            )
            weight[k] = sums[-1] / worth[pick]
        power = self._trace(
            (alpha.ravel(), heading.ravel()),
            radius.ravel(),
            self._even(even[:, :, 1:].reshape(n, 6)),
            self._own(points),
            self.stream * KEYS + KEYS // 2 + np.arange(n),
        )[:, 0]
        return np.asarray((power[:, BASE].reshape(weight.shape) * weight).mean(axis=1))

    def _trial(self, suns: Suns) -> tuple[Array, Array]:
        """Roughly what the base gets, along the share of all irradiation, with draws of its own."""
        trial = Expected(
            self.scenario, self.cooker, 1, self.beams, self.seed, self.stream, self.threads
        )
        even = trial._spread(TRIAL, apart=1)[0]
        even = even[np.argsort(even[:, 0])]
        at = np.searchsorted(suns.sums, even[:, 0] * suns.total, side="right")
        pick = np.minimum(at, len(suns.sums) - 1)
        first = self.stream * KEYS + KEYS // 4
        drawn = draw_builds(
            self.cooker, self.tolerances, seed=self.seed, builds=first + np.arange(OWN[1])
        )
        power = self._trace(
            (suns.alpha[pick], suns.heading[pick]),
            suns.radius[pick],
            self._even(even[:, 1:]),
            (drawn, np.arange(TRIAL) % OWN[1]),
            first + np.arange(TRIAL),
        )[:, 0, BASE]
        near = np.ones(NEIGHBOURS)
        smooth = np.convolve(power, near, "same") / np.convolve(np.ones(TRIAL), near, "same")
        least = LEAST * smooth.mean()
        return even[:, 0], smooth + least if least > 0.0 else np.ones(TRIAL)

    def builds(self, count: int) -> Array:
        """Power on the base at the design sun, of single builds as `cooker trace` has them.

        Parameters
        ----------
        count : int

        Returns
        -------
        ndarray, shape (count,)
            [W]
        """
        numbers = self.stream * KEYS + np.arange(count)
        few = range(0, count, TOGETHER)
        return np.concatenate([self._alone(numbers[k : k + TOGETHER]) for k in few])

    def _alone(self, numbers: Whole) -> Array:
        """Power on the base of builds with these numbers. [W]"""
        sun, _ = design_sun(self.scenario)
        count = len(numbers)
        drawn = draw_builds(self.cooker, self.tolerances, seed=self.seed, builds=numbers)
        one = np.zeros(1, dtype=np.int64)
        z = standard_normals(self.seed, POINTING, numbers, one, one, 3)[:, 0]
        power = self._trace(
            self._design(count),
            np.full(count, sun.radius[0]),
            (self._put(np.concatenate([z, np.zeros((count, 3))], axis=1))[0], drawn.base),
            (drawn, np.arange(count)),
            numbers,
        )[:, 0]
        return np.asarray(power[:, BASE] * sun.dni[0])

    def _design(self, count: int) -> tuple[Array, Array]:
        """The design sun as `faced_from` has it, so many times."""
        alpha, heading = faced_from(self.scenario, design_sun(self.scenario)[0])
        return np.full(count, alpha[0]), np.full(count, heading[0])

    def _spread(self, points: int, *, apart: int = 0) -> Array:
        """Numbers between 0 and 1 spread evenly within each replicate: (r, points, 7)."""
        from raytrace.kernels.random import GENERATOR

        key = [self.seed, self.stream, apart]
        shift = np.random.default_rng(key).random((self.replicates, 7))
        steps = GENERATOR[:7].astype(float) / points
        return np.asarray((np.arange(points)[:, None] * steps + shift[:, None]) % 1.0)

    @cached_property
    def _turn(self) -> Array:
        """Rotation that takes standard normals to the draws, most telling ones first: (6, 6).

        Draws tell by moving the spot on the base: the first of the normals moves it along one
        axis, the second along the other, the rest hardly at all. So the first two coordinates,
        which are spread most evenly, carry nearly all of what the watts hang on. The law of the
        random draws are untouched, for normals may be turned at will.
        """
        steps = np.concatenate([np.zeros((1, 6)), PROBE * np.eye(6)])
        seen = self._stood(self._design(7), *self._put(steps))
        s, base, axis = seen.suns, seen.base, seen.axis
        f = self.cooker.facets
        c, n = f.c[f.present], f.n[f.present]
        r = 2.0 * (s[:, None] * n).sum(axis=2, keepdims=True) * n - s[:, None]
        rise = ((base[:, None] - c) * axis[:, None]).sum(axis=2)
        with np.errstate(divide="ignore", invalid="ignore"):
            k = rise / (r * axis[:, None]).sum(axis=2)
            spot = (c + k[..., None] * r - base[:, None]).mean(axis=1)
        return _rotation(((spot[1:] - spot[0]) / PROBE)[:, :2])

    def _put(self, draws: Array) -> tuple[Array, Array]:
        """Platform's errors [rad] and pot's places [m] from standard normals, shape (n, 6)."""
        t, p = self.tolerances, self.tolerances.pointing
        off = np.array([p.heading_bias, p.tilt_bias, p.cross_bias])
        off = off + np.array([p.heading_rms, p.tilt_rms, p.cross_rms]) * draws[:, :3]
        put = self.cooker.pot.base + np.array(t.pot.bias) + np.array(t.pot.rms) * draws[:, 3:]
        return off, put

    def _stood(
        self, faced: tuple[Array, Array], off: Array, put: Array, beside: Array | float = 0.0
    ) -> Placed:
        """Suns and pots seen from platforms turned to n suns as `faced_from` has them.

        The suns then stand `beside` their headings, clockwise.
        """
        alpha, gamma = ground_of(self.scenario.site).in_sky(*faced)
        poses = stand(self.scenario, alpha, gamma).off_by(off)
        return placed(self.cooker, sun_direction(alpha, gamma + beside), poses, put)

    def _even(self, even: Array) -> tuple[Array, Array]:
        """Platform's errors and pot's places from numbers between 0 and 1, shape (n, 6)."""
        return self._put(np.einsum("nj,ij->ni", _normal(even), self._turn))

    def _own(self, points: int) -> tuple[Builds, Whole]:
        """Facets' own errors, and which of these each case has: neighbouring suns have others."""
        own = min(max(points // 4, OWN[0]), OWN[1], points)
        r = self.replicates
        numbers = self.stream * KEYS + np.arange(r * own)
        drawn = draw_builds(self.cooker, self.tolerances, seed=self.seed, builds=numbers)
        which = np.arange(r)[:, None] * own + np.arange(points) % own
        return drawn, which.ravel()

    def _trace(
        self,
        faced: tuple[Array, Array],
        radius: Array,
        draws: tuple[Array, Array],
        own: tuple[Builds, Whole],
        streams: Whole,
        beside: Array | float = 0.0,
    ) -> Array:
        """Ledgers of n cases for 1 W/m²: (n, copies, L). [m²]

        Parameters
        ----------
        faced : tuple of ndarray, shape (n,)
            Suns as `raytrace.light.setup.faced_from` has them. [rad]
        radius : ndarray, shape (n,)
            Sun's angular radius. [rad]
        draws : tuple of ndarray, shape (n, 3)
            Platform's errors [rad], and where the pot is put [m].
        own : tuple of Builds and ndarray of int, shape (n,)
            Facets as set, and which of these each case has.
        streams : ndarray of int, shape (n,)
        beside : ndarray, shape (n,), or float
            How far clockwise of the platform's heading the suns stand. [rad]
        """
        setup = self.setup
        cases = self._stood(faced, *draws, beside).trace(
            setup.cooker,
            setup.shape,
            dni=1.0,
            builds=own[0],
            build=own[1],
            sun_scale=setup.scale(radius),
            streams=streams,
            **setup.settings.tracing,
        )
        return cases.power


def _normal(even: Array) -> Array:
    """Standard normal numbers from numbers between 0 and 1."""
    from scipy.special import ndtri

    return np.asarray(ndtri(np.clip(even, 1e-12, 1.0 - 1e-12)))


def _rotation(moves: Array) -> Array:
    """Rotation whose first columns are along y, then x, of what moves the spot: (6, 6).

    Parameters
    ----------
    moves : ndarray, shape (6, 2)
        How far each of the random draws' six moves the spot seen from the pot, along x and y: the
        platform's heading, tilt and lean, then the pot along x, y and z. [m]

    Notes
    -----
    Each column is reflected to where it is wanted, from the axis of the pot's own move along the
    same way. That move takes the spot the other way, so the two never coincide, where the
    reflection would be undefined: the rotation is continuous in the design, and designs that are
    alike share their random draws. What doesn't move the spot, but for rounding, is left as it is.
    Nothing is solved, so no sign hangs on a rounding error, nor any bit on the linear algebra's
    library.
    """
    out, done = np.eye(6), np.ones(6)
    moves = np.where(np.isfinite(moves).all(), moves, 0.0)
    least = LEAST_MOVE * np.sqrt((moves**2).sum(axis=0).max())
    for way, own in ((1, 4), (0, 3)):
        along = (out * moves[:, way, None]).sum(axis=0) * done
        size = np.sqrt((along**2).sum())
        if size > least:
            v = along / size
            v[own] -= 1.0
            out = out - (out * v).sum(axis=1)[:, None] * v * (2.0 / (v**2).sum())
        done[own] = 0.0
    return out[:, [4, 3, 0, 1, 2, 5]]


def _straightened(x: Array, z: Array) -> Array:
    """Replicates of a mean, freed of what a parabola over the random draws explains.

    Parameters
    ----------
    x : ndarray, shape (r, N, k)
        Figures of N cases in each replicate.
    z : ndarray, shape (r, N, 2)
        Two standard normals of each case, on which the figures hang most.

    Returns
    -------
    ndarray, shape (r, k)
        Pseudo-values.

    Notes
    -----
    Watts fall off from the middle much as a parabola does, of which the mean under normal random
    draws is known. So the mean is read off a least-squares fit instead of the cases' average: a
    control variate [1]_. Leaving out one replicate at a time makes the pseudo-values, which take
    away the fit's bias and put the fit's own uncertainty into the standard error. Lines that add up
    to a constant still do. With too few cases for a fit it is the plain average.

    References
    ----------
    .. [1] S. S. Lavenberg and P. D. Welch, A perspective on the use of control variables to
       increase the efficiency of Monte Carlo simulations, Management Science 27 (1981) 322-335.
    """
    r, N, _ = x.shape
    a, b = z[..., 0], z[..., 1]
    terms = np.stack([np.ones_like(a), a, b, a**2 - 1.0, b**2 - 1.0, a * b], axis=-1)
    if N < 4 or (r - 1) * N < 4 * terms.shape[-1]:
        return np.asarray(x.mean(axis=1))
    square = np.einsum("rni,rnj->rij", terms, terms)
    right = np.einsum("rni,rnk->rik", terms, x)
    whole = _first_solved(square.sum(axis=0, keepdims=True), right.sum(axis=0, keepdims=True))
    without = _first_solved(square.sum(axis=0) - square, right.sum(axis=0) - right)
    return np.asarray(r * whole - (r - 1) * without)


def _first_solved(a: Array, b: Array) -> Array:
    """First rows of the solutions of m positive definite systems, (m, n, n) and (m, n, k): (m, k).

    By elimination from the last unknown up, in plain sums of one order, so that the bits hang on
    no library's choice for the processor.
    """
    a, b = a.copy(), b.copy()
    for j in range(a.shape[1] - 1, 0, -1):
        share = a[:, :j, j] / a[:, j, j, None]
        a[:, :j, :j] -= share[..., None] * a[:, j, None, :j]
        b[:, :j] -= share[..., None] * b[:, j, None]
    return np.asarray(b[:, 0] / a[:, 0, 0, None])
