"""The result of `raytrace.spots`: the laser's spots, and what redoing facets wins."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import axes
from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.cooker.tolerances import Rig
from raytrace.light.ensemble import binomial_interval
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.likely import Likely
from raytrace.statistics.quantiles import percentile
from raytrace.studies.bench.design_light import DesignSun
from raytrace.studies.bench.spot_geometry import PLANES
from raytrace.studies.bench.worth import Judged, Worth

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Cause", "Common", "Misfit", "Move", "Redo", "Spots", "SpotsPlan"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SpotsPlan:
    """Which spots, and for measured ones which gain and how much to compute.

    Attributes
    ----------
    plane : str or None
        Target, "base" or "upright"; None for the scenario's `errors.miss_plane`. A table of
        measured spots says its own.
    build : int or None
        Which draw of the workshop's errors; None for the cooker as designed.
    reading_error : float
        σ per axis of measured spots where their table has none. [m]
    gain : float or None
        Gain to reach by redoing facets. [W]
    gain_share : float or None
        The same as a share of the most that redoing facets wins; with neither, what the
        scenario's `[workshop]` calls worth the work decides. [1]
    seed : int
        Key of samples and draws.
    beams : int or None
        A facet in each replicate; None for 16, fewer for very many facets.
    replicates : int
        Behind each standard error. [1]
    builds : int
        Draws of the workshop's tolerances to compare with. [1]
    readings : int
        Draws of the readings' errors. [1]
    draws : int
        Draws of all that isn't known, of building and of use, for what may be expected; 0 for
        none. [1]
    """

    plane: str | None = None
    build: int | None = None
    reading_error: float = 0.0
    gain: float | None = None
    gain_share: float | None = None
    seed: int = 1
    beams: int | None = None
    replicates: int = 16
    builds: int = 200
    readings: int = 64
    draws: int = 0


@dataclass(frozen=True)
class Misfit:
    """What is off for all facets alike.

    Attributes
    ----------
    pot_x, pot_y, pot_z : float
        Pot from where the facets aim, along the platform's axes. [m]
    altitude, azimuth : float
        Laser too high, and too far clockwise seen from above, while the facets were set; the
        other way while their spots were read looks the same. [rad]
    swivel : float
        One over the distance from which a laser was swivelled while the facets were set;
        negative: while their spots were read. [1/m]
    """

    pot_x: float = 0.0
    pot_y: float = 0.0
    pot_z: float = 0.0
    altitude: float = 0.0
    azimuth: float = 0.0
    swivel: float = 0.0

    @property
    def numbers(self) -> tuple[float, ...]:
        """All six, in this order."""
        return self.pot_x, self.pot_y, self.pot_z, self.altitude, self.azimuth, self.swivel


@dataclass(frozen=True)
class Cause:
    """One explanation of what all spots have in common.

    Attributes
    ----------
    names : tuple of str
        One cause, or two at once: "pot" out of its place, its "height", the laser's "altitude"
        or "azimuth", a "swivel".
    size : Misfit
    sd : Misfit
        Standard deviations of `size`.
    """

    names: tuple[str, ...]
    size: Misfit
    sd: Misfit


@dataclass(frozen=True)
class Common:
    """What all spots have in common.

    Attributes
    ----------
    chance : float
        That facets with nothing in common look as much alike. [1]
    causes : tuple of Cause
        Explanations that the spots hardly tell apart, the best first; none where they have no more
        in common than chance gives.
    """

    chance: float
    causes: tuple[Cause, ...]

    ALSO: ClassVar = ("misread", "laser")

    @property
    def laser(self) -> bool:
        """Whether it may be the laser's direction, which is off in setting or in reading alike."""
        return any({"altitude", "azimuth"}.intersection(cause.names) for cause in self.causes)

    @property
    def misread(self) -> bool:
        """Whether the laser was off while the spots were read, rather than when it was set by."""
        return bool(self.causes) and self.causes[0].size.swivel < 0.0


@dataclass(frozen=True, eq=False)
class Move:
    """What undoes in one move what all spots have in common, and the watts that it wins.

    Attributes
    ----------
    undoes : tuple of str
        Causes, as in `Cause`. "pot" and "height": the pot is moved against its displacement;
        "azimuth" and "altitude": the platform is turned or tilted against the laser's error.
    undone : Misfit
        How much is undone.
    gain : Estimate
        Won by it, at the design sun. [W]
    gain_sd : float
        How far the readings' errors may have moved that. [W]
    judged : str
        "worth it", "borderline" or "not worth it": whether it wins, surely, what setting one facet
        again would have to.
    """

    undoes: tuple[str, ...]
    undone: Misfit
    gain: Estimate
    gain_sd: float
    judged: Judged


@dataclass(frozen=True, eq=False)
class Redo:
    """What a measured cooker delivers, and what redoing facets would win; F facets.

    All watts are delivered watts at the design sun, with the pot in its place and the platform
    turned right. What redoing wins is won after the move, where one is worth it.

    Attributes
    ----------
    light : DesignSun
    beams : int
        A facet in each replicate. [1]
    as_read : Estimate
        Of the cooker as its spots say. [W]
    exactly_set : Estimate
        Of the scenario's cooker, every facet exactly set. [W]
    builds : ndarray, shape (B,)
        Of cookers drawn with the scenario's tolerances. [W]
    readings : ndarray, shape (2, R)
        Of cookers that other readings would have shown: with their errors added once, and with
        twice their variance. No columns where readings have no error. [W]
    worth : Worth
        What the scenario asks of work.
    common : Common or None
        What all spots have in common; None where too few were read to say.
    move : Move or None
        The best that was found, where the spots have something in common.
    off : ndarray, shape (F,)
        How far each spot lies from where setting its facet again would put it, after the move;
        nan where there is none. [m]
    gain : Estimate, shape (F,)
        Won by redoing one facet alone; a missing facet is replaced. [W]
    gain_sd : ndarray, shape (F,)
        How far the readings' errors may have moved that. [W]
    order : ndarray of int64, shape (P,)
        Facets in the order to redo them, each the best after those before it. [1]
    curve : Estimate, shape (K,)
        Delivered when the first so many of `order` are redone, none to all. [W]
    gains : Estimate, shape (K,)
        The same less `curve[0]`; its error is that of the difference. [W]
    goal : float or None
        Gain that was asked for; None where the work's worth decides. [W]
    expected : Likely or None
        Of this cooker, used as the scenario says: what is not known but for its facets' angles,
        readings and uses drawn. [W]
    """

    light: DesignSun
    beams: int
    as_read: Estimate
    exactly_set: Estimate
    builds: Array
    readings: Array
    worth: Worth
    common: Common | None
    move: Move | None
    off: Array
    gain: Estimate
    gain_sd: Array
    order: NDArray[np.int64]
    curve: Estimate
    gains: Estimate
    goal: float | None
    expected: Likely | None = None

    DIMS: ClassVar = {
        **{"F": "facet", "B": "build", "R": "reading", "P": "place", "K": "redone"},
        **{"Q": "percent", "V": "bounds"},
    }
    ALSO: ClassVar = (
        *("needed", "reached", "reached_sd", "rank", "judged", "reading_sd", "without_noise"),
        *("builds_mean", "builds_sd", "percentiles", "share_below"),
    )

    @property
    def moved(self) -> Move | None:
        """The move, where it is worth it."""
        return self.move if self.move is not None and self.move.judged == "worth it" else None

    @property
    def judged(self) -> tuple[Judged, ...]:
        """Whether each of `order` is worth redoing after those before it, shape (P,)."""
        steps = np.diff(self.gains.value)
        sd = np.hypot(self.gain_sd, self.gain.se)[self.order]
        return tuple(self.worth.judge(*x) for x in zip(steps.tolist(), sd.tolist(), strict=True))

    @property
    def needed(self) -> int | None:
        """How many of `order` to redo; None if no number reaches the goal that was set.

        Without one: the fewest that reach what the scenario wants, if any do; else those that are
        surely worth it.
        """
        for reached, stated in ((self.gains, self.goal), (self.curve, self.worth.wanted)):
            if stated is not None:
                enough = np.flatnonzero(reached.value >= stated)
                if len(enough) or reached is self.gains:
                    return int(enough[0]) if len(enough) else None
        sure = [judged == "worth it" for judged in self.judged]
        return sure.index(False) if False in sure else len(sure)

    @property
    def chosen(self) -> NDArray[np.int64]:
        """Facets to redo, best first; none where no number reaches the goal."""
        return self.order[: self.needed or 0]

    @property
    def borderline(self) -> NDArray[np.int64]:
        """Facets beyond those whose readings leave open whether they are worth it, best first."""
        if self.goal is not None or self.worth.enough(float(self.curve.value[self.needed or 0])):
            return self.order[:0]
        open_ = [k for k, judged in enumerate(self.judged) if judged != "not worth it"]
        return self.order[[k for k in open_ if k >= (self.needed or 0)]]

    @property
    def reached(self) -> float | None:
        """Gain of redoing those, traced together. [W]"""
        return None if self.needed is None else float(self.gains.value[self.needed])

    @property
    def reached_sd(self) -> float:
        """How far the readings' errors may have moved that. [W]"""
        return float(np.linalg.norm(self.gain_sd[self.chosen]))

    @property
    def rank(self) -> NDArray[np.int64]:
        """Place of each facet in `order`, from 1, shape (F,)."""
        return np.argsort(self.order) + 1

    @property
    def reading_sd(self) -> float:
        """How far the readings' errors may have moved `as_read`: one standard deviation. [W]"""
        return float(self.readings[0].std(ddof=1)) if self.readings.shape[1] > 1 else 0.0

    @property
    def without_noise(self) -> float | None:
        """Watts with the bias of noisy readings taken out, as far as that goes. [W]

        Noise in the readings makes facets look worse set than they are. What it does when added
        once more and twice more tells what it has done already, by the parabola through the
        three. Good where that bias is small; a large one is taken out for the greater part.

        References
        ----------
        .. [1] J. R. Cook and L. A. Stefanski, "Simulation-extrapolation estimation in parametric
           measurement error models", J. Am. Stat. Assoc. 89 (1994) 1314–1328; the quadratic
           extrapolant. From memory.
        """
        if not self.readings.shape[1]:
            return None
        once, twice = self.readings.mean(axis=1)
        return float(3.0 * float(self.as_read) - 3.0 * once + twice)

    @property
    def builds_mean(self) -> float:
        """Mean over `builds`. [W]"""
        return float(self.builds.mean())

    @property
    def builds_sd(self) -> float:
        """Spread between them, one standard deviation. [W]"""
        return float(self.builds.std(ddof=1))

    @property
    def percentiles(self) -> Array:
        """Watts that 10, 50 and 90 % of builds stay under, each with 95 % bounds, shape (Q, V). [W]

        Columns: the figure, its lower and its upper bound; infinite where there are too few
        builds for a bound.
        """
        found = [percentile(self.builds, q) for q in (10.0, 50.0, 90.0)]
        return np.array([(x.value, x.low, x.high) for x in found])

    @property
    def share_below(self) -> Array:
        """Share of builds that deliver less than `as_read`, and its 95 % bounds, shape (V,). [1]"""
        below = int((self.builds < float(self.as_read)).sum())
        return np.array([below / len(self.builds), *binomial_interval(below, len(self.builds))])


@dataclass(frozen=True, eq=False)
class Spots:
    """Where the laser's spot lies for each facet, and what measured spots say; F facets.

    Attributes
    ----------
    scenario : Scenario
    plan : SpotsPlan
    rig : Rig
        Whose laser it is.
    plane : str
        "base" or "upright".
    source : str
        File that measured spots come from; empty where none were measured.
    mark : ndarray, shape (F, A)
        Where the spot of an exactly set facet lies, from the base's centre; nan where the beam
        doesn't reach the plane. [m]
    spot : ndarray, shape (F, A)
        Where it lies: as designed, as drawn, or as measured; nan where there is none. One that
        missed the card lies at least so far out, at the card's edge. [m]
    sigma : ndarray, shape (F,)
        Reading error per axis; 0 where nothing was measured. [m]
    present : ndarray of bool, shape (F,)
    reflectance : ndarray, shape (F,)
        Facet's own share of the mirror's reflectance. [1]
    n : ndarray, shape (F, 3)
        Normals; of a measured spot, what puts it where it was seen. As designed where none was
        measured. [1]
    off_card : ndarray of bool, shape (F,), or None
        Whose spots missed the card; None if none did.
    doubts : tuple of str
        What looks odd in the table without being impossible, was passed over, or is assumed.
    redo : Redo or None
        What redoing facets wins, where spots were measured.
    """

    scenario: Scenario
    plan: SpotsPlan
    rig: Rig
    plane: str
    source: str
    mark: Array
    spot: Array
    sigma: Array
    present: NDArray[np.bool_]
    reflectance: Array
    n: Array
    off_card: NDArray[np.bool_] | None = None
    doubts: tuple[str, ...] = ()
    redo: Redo | None = None

    DIMS: ClassVar = {"F": "facet", "A": "axis"}
    COORDS: ClassVar = {"facet": "labels", "axis": "plane_axes"}
    SHOWN: ClassVar = {"turned": "mrad"}
    ALSO: ClassVar = ("labels", "state", "off", "turned", "to_redo")

    @cached_property
    def cooker(self) -> Cooker:
        """As designed: the target stands where its pot's base is meant to be."""
        return build_cooker(self.scenario)

    @property
    def labels(self) -> tuple[str, ...]:
        """Names of the facets."""
        return self.cooker.facets.label

    @property
    def plane_axes(self) -> tuple[str, ...]:
        """Platform axes that spots are given along."""
        return tuple(PLANES[self.plane])

    @property
    def state(self) -> NDArray[np.str_]:
        """Whether a facet is there, "ok", "off" the card or "missing", shape (F,)."""
        there = np.where(self.missed_card, "off", "ok")
        return np.where(self.present, there, "missing")

    @property
    def missed_card(self) -> NDArray[np.bool_]:
        """Facets whose spots missed the card, shape (F,)."""
        return np.zeros(len(self.n), dtype=bool) if self.off_card is None else self.off_card

    @property
    def read(self) -> NDArray[np.bool_]:
        """Facets whose spot was read, shape (F,)."""
        return np.asarray(np.isfinite(self.spot).all(axis=1) & ~self.missed_card)

    @property
    def miss(self) -> Array:
        """Spot from its mark, shape (F, A). [m]"""
        return self.spot - self.mark

    @property
    def off(self) -> Array:
        """How far the spot lies from its mark, or at least lies, shape (F,). [m]"""
        return np.asarray(np.linalg.norm(self.miss, axis=1))

    @property
    def turned(self) -> Array:
        """Angle of each facet from being exactly set, nan where it is missing, shape (F,). [rad]"""
        across = np.linalg.norm(np.cross(self.n, self.cooker.facets.n), axis=1)
        return np.where(self.present, np.arcsin(np.clip(across, 0.0, 1.0)), np.nan)

    @property
    def to_redo(self) -> tuple[str, ...] | None:
        """Names of the facets to redo, best first; None if no number reaches the gain."""
        if self.redo is None or self.redo.needed is None:
            return None
        return tuple(self.labels[f] for f in self.redo.chosen)

    def built(self) -> Cooker:
        """Return the cooker as its spots say it stands."""
        u, v = axes(self.n)
        facets = replace(
            self.cooker.facets,
            n=self.n,
            u=u,
            v=v,
            present=self.present,
            reflectance=self.reflectance,
        )
        return replace(self.cooker, facets=facets)
