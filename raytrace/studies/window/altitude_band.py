"""What a cooker keeps of its watts as the sun's altitude strays from the one it is set for.

The curve is traced, and where it falls under the share asked for is found as its root.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.light.drawn import draw_cookers, light_unknowns
from raytrace.light.ensemble import no_light
from raytrace.light.facing import Facing
from raytrace.light.setup import LightSettings, design_tilt, tilt_limits
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.likely import Likely, likely_of

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Band", "Curve", "kept_curve", "likely_band", "runs"]

Array = NDArray[np.float64]

REPEATS = 8  # turnings that a cooker is averaged over
AROUND, STEPS = np.radians(3.0), 24  # beyond the band to either side; altitudes to either side
STRAIGHT = np.radians(0.25)  # a traced curve is straight over this much to either side [rad]


@dataclass(frozen=True)
class Band:
    """Altitudes at which the cooker keeps its share.

    Attributes
    ----------
    low, high : float
        Its ends. [rad]
    low_se, high_se : float
        Standard errors; 0 where the band ends at the horizon or the zenith. [rad]
    """

    low: float
    high: float
    low_se: float
    high_se: float


@dataclass(frozen=True, eq=False)
class Curve:
    """What the cooker keeps at each altitude of a sun that it is turned to face.

    Attributes
    ----------
    alpha : ndarray, shape (A,)
        Sun's altitude over the ground, rising; here and below. [rad]
    share : Estimate, shape (A,)
        Of the watts at the design altitude under the same irradiance. [1]
    design : float
        Sun's altitude at which the platform, at its least tilt, meets its design sun. [rad]
    stands : tuple of float
        Altitudes between which the platform can be tilted to meet its design sun; the same
        where its tilt is fixed. [rad]
    watts : Estimate
        At the design altitude, for 1 W/m². [m²]
    bands : tuple of Band
        Where the share is kept, rising.
    """

    alpha: Array
    share: Estimate
    design: float
    stands: tuple[float, float]
    watts: Estimate
    bands: tuple[Band, ...]

    DIMS: ClassVar = {"A": "altitude"}

    @property
    def band(self) -> Band:
        """The band that holds the design altitude."""
        return min(self.bands, key=lambda b: max(b.low - self.design, self.design - b.high, 0.0))

    def at(self, alpha: Array) -> Array:
        """Share kept at altitudes, between those traced by straight lines.

        Parameters
        ----------
        alpha : ndarray
            Sun's altitude. [rad]

        Returns
        -------
        ndarray, shape of alpha
            0 below the lowest. [1]
        """
        return np.interp(alpha, self.alpha, self.share.value, left=0.0)

    def inside(self, alpha: Array) -> Array:
        """How far within each band altitudes lie.

        Parameters
        ----------
        alpha : ndarray
            [rad]

        Returns
        -------
        ndarray, shape (bands, ...)
            Negative outside. [rad]
        """
        return np.stack([np.minimum(alpha - b.low, b.high - alpha) for b in self.bands])


def kept_curve(ready: Facing, keep: float) -> Curve:
    """Trace what a cooker keeps of its watts over the sun's altitude, and where it loses its share.

    Parameters
    ----------
    ready : Facing
    keep : float

    Returns
    -------
    Curve

    Raises
    ------
    GeometryError
        If nothing is delivered at the design altitude.

    Notes
    -----
    A root of the mean curve has the standard error of the curve there over its slope: that of
    P(α) − keep · P(α₀), repeat by repeat, so that what both share drops out.
    """
    from scipy.optimize import brentq

    scenario = ready.scenario
    design = float(scenario.design.sun_altitude) + design_tilt(scenario)
    limits = tilt_limits(scenario) if isinstance(scenario.platform.tilt, str) else None
    low = high = design
    if limits is not None:
        low, high = (float(scenario.design.sun_altitude) + x for x in limits)
    fine = np.arange(-16, 17) * STRAIGHT + design
    alpha = np.union1d(np.radians(np.arange(0.0, 90.5, 1.0)), fine)
    alpha = alpha[(alpha >= 0.0) & (alpha <= 0.5 * np.pi)]
    whole = ready.turned_to(design)[:, 0]
    if not whole.mean() > 0.0:
        raise no_light(scenario, "there is no share to keep")
    power = ready.turned_to(alpha)

    def over(at: float) -> Array:
        return np.asarray(ready.turned_to(at)[:, 0] - keep * whole)

    def edge(a: float, b: float) -> tuple[float, float]:
        at = float(brentq(lambda x: over(x).mean(), a, b, xtol=1e-6))
        left = over(at)
        slope = (over(at + STRAIGHT).mean() - over(at - STRAIGHT).mean()) / (2.0 * STRAIGHT)
        return at, float(Estimate.from_replicates(left).se) / abs(slope)

    kept = power.mean(axis=0) >= keep * whole.mean()
    bands = []
    for first, last in runs(kept):
        rises = edge(alpha[first - 1], alpha[first]) if first > 0 else (0.0, 0.0)
        end = len(alpha) - 1
        falls = edge(alpha[last], alpha[last + 1]) if last < end else (0.5 * np.pi, 0.0)
        bands.append(Band(rises[0], falls[0], rises[1], falls[1]))
    share = Estimate.from_jackknife(lambda p, w: p / w, power, whole[:, None])
    return Curve(alpha, share, design, (low, high), Estimate.from_replicates(whole), tuple(bands))


def likely_band(
    scenario: Scenario,
    band: Band,
    keep: float,
    count: int,
    *,
    seed: int,
    threads: int | None = None,
) -> tuple[Likely, Likely]:
    """Where a cooker built and used like this loses its share, as far as that is known.

    Parameters
    ----------
    scenario : Scenario
    band : Band
        Of the cooker as it is computed with.
    keep : float
        Share of each cooker's own watts at the design altitude. [1]
    count : int
        Draws. [1]
    seed : int
    threads : int, optional
        Changes no bit of the result.

    Returns
    -------
    low, high : Likely
        Ends of the band that holds the design altitude, its turnings averaged. [rad]

    Raises
    ------
    GeometryError, ScenarioError
        If a cooker that is drawn can't be set or stood up.
    """
    design = float(scenario.design.sun_altitude) + design_tilt(scenario)
    reach = max(design - band.low, band.high - design) + AROUND
    alpha = np.clip(design + np.linspace(-reach, reach, 2 * STEPS + 1), 0.0, 0.5 * np.pi)
    base = build_cooker(scenario)
    keys = tuple(u.key for u in light_unknowns(scenario))
    ends = []
    for one in draw_cookers(scenario, count, seed=seed, keys=keys, kinds=("inputs", "builds")):
        setup = one.setup(base, keys, LightSettings(seed=seed, threads=threads))
        power = Facing(setup, REPEATS).turned_to(alpha).mean(axis=0)
        over = power - keep * power[STEPS]
        first, last = next(r for r in runs(over >= 0.0) if r[0] <= STEPS <= r[1])
        ends.append((_zero(alpha, over, first, first - 1), _zero(alpha, over, last, last + 1)))
    low, high = np.array(ends).T
    return likely_of(low), likely_of(high)


def _zero(alpha: Array, over: Array, inside: int, outside: int) -> float:
    """Where the line between two neighbours crosses zero; the end of what was traced if none is."""
    if not 0 <= outside < len(alpha):
        return float(alpha[inside])
    share = over[inside] / (over[inside] - over[outside])
    return float(alpha[inside] + share * (alpha[outside] - alpha[inside]))


def runs(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each run of true.

    Parameters
    ----------
    true : ndarray of bool, shape (n,)

    Returns
    -------
    list of (int, int)
    """
    steps = np.diff(np.concatenate([[0], true.astype(int), [0]]))
    first, after = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    return [(int(a), int(b) - 1) for a, b in zip(first, after, strict=True)]
