"""Light on the pot at many moments, each with the platform as it was turned some time before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.pose import Poses, pot_places
from raytrace.exceptions import GeometryError
from raytrace.light.placed import Placed, placed, turned
from raytrace.light.setup import LightSettings, Setup, design_sun, set_up, stand
from raytrace.optics.tally import BASE, LID, MISSED, SIDE
from raytrace.sky.clock import Times, site_times
from raytrace.sky.sun import Sun, position, sun_at
from raytrace.statistics.estimate import Estimate

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.cooker.geometry import Cooker
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Pairs",
    "PotLight",
    "design_light",
    "meant_poses",
    "moments",
    "pot_light",
    "remembering",
    "seconds",
    "trace_pairs",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

DRAW_BITS = 40  # keys of days and moments stay below this
LAG_BITS = 20  # a cooker is left standing for less than 2^20 s


@dataclass(frozen=True, eq=False)
class PotLight:
    """Light that reaches the pot, at N moments.

    Attributes
    ----------
    base, side, lid : ndarray, shape (N, n_replicates)
        From the mirrors, arriving. [W]
    leaving : ndarray, shape (N, n_replicates)
        Light that leaves the mirrors unblocked: on the pot, or past it. [W]
    dni, dhi : ndarray, shape (N,)
        Direct normal irradiance; diffuse irradiance on the level. [W/m²]
    alpha, gamma : ndarray, shape (N,)
        Sun's altitude, and azimuth clockwise from north. [rad]
    on_axis : ndarray, shape (N,)
        Cosine of the angle between the sun and the pot's axis, base to lid. [1]
    """

    base: Array
    side: Array
    lid: Array
    leaving: Array
    dni: Array
    dhi: Array
    alpha: Array
    gamma: Array
    on_axis: Array

    def __len__(self) -> int:
        return len(self.dni)

    def __getitem__(self, index: Any) -> PotLight:
        return PotLight(*(getattr(self, f.name)[index] for f in fields(self)))

    @property
    def met(self) -> Array:
        """Light on the pot, wherever it meets it, shape (N, n_replicates). [W]"""
        return self.base + self.side + self.lid

    @property
    def delivered(self) -> Estimate:
        """Power on the base, shape (N,). [W]"""
        return Estimate.from_replicates(self.base.T)

    @property
    def ghi(self) -> Array:
        """Global irradiance on the level, shape (N,). [W/m²]"""
        return self.dhi + self.dni * np.maximum(np.sin(self.alpha), 0.0)

    def under(self, dni: Array, dhi: Array) -> PotLight:
        """Light under suns and skies of another strength.

        Parameters
        ----------
        dni, dhi : ndarray, shape (N,)
            [W/m²]

        Returns
        -------
        PotLight
            Dark where it was traced without sun.
        """
        factor = np.divide(dni, self.dni, out=np.zeros(len(self)), where=self.dni > 0.0)
        rows = factor[:, None]
        return replace(
            self,
            base=self.base * rows,
            side=self.side * rows,
            lid=self.lid * rows,
            leaving=self.leaving * rows,
            dni=self.dni * factor,
            dhi=dhi,
        )


def pot_light(
    scenario: Scenario | Setup,
    turned: Times | Whole,
    at: Times | Whole,
    *,
    lead: float = 0.0,
    settings: LightSettings | None = None,
    tracer: Callable[[Pairs], PotLight] | None = None,
) -> PotLight:
    """Trace the light on the pot at given moments, the platform as turned at others.

    Parameters
    ----------
    scenario : Scenario or Setup
        A set-up from `set_up` saves building the cooker again; its settings then count.
    turned : times or ndarray of int64, length N
        When the platform was turned last before each moment. What a caller has, see
        `raytrace.sky.clock.site_times`, or whole seconds since 1970 UTC.
    at : times or ndarray of int64, length N
        Moments at which the light is wanted.
    lead : float
        How long after a turning the sun stands where the platform then faces; see
        `raytrace.light.turning.Habit.lead`. [s]
    settings : LightSettings, optional
        By default `LightSettings.of(scenario)`.
    tracer : callable, optional
        Gives the light instead of `trace_pairs`, such as `remembering`'s.

    Returns
    -------
    PotLight

    Raises
    ------
    GeometryError
        If the lengths differ, a moment comes before its turning, or the platform tilts into a
        pot on the ground.
    SkyError
        If a time can't be read, or the weather file fails.

    Notes
    -----
    Pairs that occur more than once are traced once. Where there is no direct sun the mirrors'
    watts are zero and nothing is traced. The error of each turning is keyed on its date and clock
    minute. Samples are keyed on the moment: habits and starts that are compared share them, so that
    their differences are sharp, while errors average out over time. A pot on the ground is set
    down again at its place at each turning.
    """
    setup = scenario if isinstance(scenario, Setup) else set_up(scenario, settings)
    site = setup.scenario.site
    first, when = (
        x if isinstance(x, np.ndarray) else seconds(site_times(site, x)) for x in (turned, at)
    )
    if len(first) != len(when):
        raise GeometryError(f"{len(first)} turnings for {len(when)} moments: give one for each")
    if (when < first).any() or (when - first >= 1 << LAG_BITS).any():
        raise GeometryError("each moment must follow its turning, within twelve days")
    # one whole number for each pair, so that equal pairs are found by sorting
    pairs, back = np.unique((when << LAG_BITS) | (when - first), return_inverse=True)
    each = pairs >> LAG_BITS
    moment, which = np.unique(each, return_inverse=True)
    sun = sun_at(setup.scenario, moments(moment))
    turned = each - (pairs & ((1 << LAG_BITS) - 1))
    poses, put, turning = _turned(setup, turned, lead, moment, sun)
    # a pot's place is worked out once for each turning, not for each moment after it
    seen = Placed(
        poses[turning].to_platform(sun.direction[which]),
        *(x[turning] for x in pot_places(setup.cooker, poses, put)),
    )
    keys = each + (setup.settings.draw << DRAW_BITS)
    return (tracer or trace_pairs)(_pairs(setup, sun, which, seen, keys))[back]


@dataclass(frozen=True, eq=False)
class Pairs:
    """Moments with the platform as turned at others: N suns as it sees them.

    Attributes
    ----------
    setup : Setup
    placed : Placed
    scale : ndarray, shape (N,)
        The sun's size over that of the set-up's sunshape. [1]
    dni, dhi, alpha, gamma : ndarray, shape (N,)
        As in `PotLight`.
    streams : ndarray of int, shape (N,)
        Keys of the samples.
    """

    setup: Setup
    placed: Placed
    scale: Array
    dni: Array
    dhi: Array
    alpha: Array
    gamma: Array
    streams: Whole

    def __getitem__(self, index: Any) -> Pairs:
        own = {f.name: getattr(self, f.name)[index] for f in fields(self) if f.name != "setup"}
        return Pairs(self.setup, **own)

    @property
    def lit(self) -> NDArray[np.bool_]:
        """Whether there is direct sun, shape (N,)."""
        return (self.dni > 0.0) & (self.alpha > 0.0)

    def light(self, power: Array) -> PotLight:
        """Light on the pot from power by face.

        Parameters
        ----------
        power : ndarray, shape (N, r, 4)
            On base, side and lid, and past the pot. [W]

        Returns
        -------
        PotLight
        """
        on_axis = (self.placed.suns * self.placed.axis).sum(axis=1)
        return PotLight(
            base=power[:, :, 0],
            side=power[:, :, 1],
            lid=power[:, :, 2],
            leaving=power.sum(axis=2),
            dni=self.dni,
            dhi=self.dhi,
            alpha=self.alpha,
            gamma=self.gamma,
            on_axis=np.clip(on_axis, -1.0, 1.0),
        )


def trace_pairs(pairs: Pairs) -> PotLight:
    """Trace the light on the pot; where there is no direct sun nothing is traced.

    Parameters
    ----------
    pairs : Pairs

    Returns
    -------
    PotLight
    """
    return pairs.light(_traced(pairs))


def _traced(pairs: Pairs) -> Array:
    """Light on base, side and lid, and past it, shape (N, r, 4). [W]"""
    setup = pairs.setup
    power = np.zeros((len(pairs.dni), setup.settings.replicates, 4))
    lit = np.flatnonzero(pairs.lit)
    if len(lit):
        shone = pairs[lit]
        cases = shone.placed.trace(
            setup.cooker,
            setup.shape,
            dni=shone.dni,
            sun_scale=shone.scale,
            streams=shone.streams,
            **setup.settings.tracing,
        )
        power[lit] = cases.power[:, :, [BASE, SIDE, LID, MISSED]]
    return power


def remembering() -> Callable[[Pairs], PotLight]:
    """Tracer that traces nothing twice: habits and starts have many moments in common.

    Returns
    -------
    callable
        In place of `trace_pairs`, with the same bits, for set-ups of one sunshape and seed; light
        is known again where the very same cooker has it.
    """
    known: dict[bytes, Array] = {}
    cookers: list[Cooker] = []  # kept, so that no other gets the identity of one

    def tracer(pairs: Pairs) -> PotLight:
        p, cooker = pairs.placed, pairs.setup.cooker
        if not any(cooker is x for x in cookers):
            cookers.append(cooker)
        each = [p.suns, p.base, p.axis, pairs.scale, pairs.dni, pairs.streams]
        whose = str(id(cooker)).encode()
        keys = [whose + row.tobytes() for row in np.column_stack(each)]
        new = np.flatnonzero([key not in known for key in keys])
        if len(new):
            known.update(zip((keys[k] for k in new), _traced(pairs[new]), strict=True))
        # at night there may be no moment at all
        return pairs.light(np.array([known[key] for key in keys]) if keys else _traced(pairs))

    return tracer


def design_light(setup: Setup) -> PotLight:
    """Trace the light on the pot at the design sun, the platform turned to it without error.

    Parameters
    ----------
    setup : Setup

    Returns
    -------
    PotLight
        One moment.
    """
    sun, _ = design_sun(setup.scenario)
    one = np.zeros(1, dtype=np.int64)
    meant = stand(setup.scenario, sun.alpha, sun.gamma)
    return trace_pairs(
        _pairs(setup, sun, one, placed(setup.cooker, sun.direction, meant), streams=one)
    )


def _pairs(setup: Setup, sun: Sun, which: Whole, seen: Placed, streams: Whole) -> Pairs:
    return Pairs(
        setup=setup,
        placed=seen,
        scale=setup.scale(sun.radius[which]),
        dni=sun.dni[which],
        dhi=sun.dhi[which],
        alpha=sun.alpha[which],
        gamma=sun.gamma[which],
        streams=streams,
    )


def _turned(
    setup: Setup, when: Whole, lead: float, moment: Whole, sun: Sun
) -> tuple[Poses, Array, Whole]:
    """How platform and pot stand after each distinct turning, and which of these each pair has."""
    turns, turning = np.unique(when, return_inverse=True)
    meant = meant_poses(setup.scenario, turns, lead, known=(moment, sun))
    clock = moments(turns).tz_convert(setup.scenario.site.timezone)
    day = seconds(clock.tz_localize(None)) // 86400 + (setup.settings.draw << DRAW_BITS)
    minute = np.asarray(clock.hour * 60 + clock.minute, dtype=np.int64)
    return (*turned(setup, meant, day, minute), turning)


def meant_poses(
    scenario: Scenario, turned: Whole, lead: float, *, known: tuple[Whole, Sun] | None = None
) -> Poses:
    """How the platform is meant to stand after turnings.

    Parameters
    ----------
    scenario : Scenario
    turned : ndarray of int, shape (N,)
        Seconds since 1970 UTC. [s]
    lead : float
        As in `pot_light`. [s]
    known : tuple of ndarray of int and Sun, optional
        Rising moments, seconds since 1970 UTC, whose suns need not be computed again.

    Returns
    -------
    Poses
    """
    facing = turned + round(lead)
    alpha, gamma = np.empty(len(facing)), np.empty(len(facing))
    new = np.ones(len(facing), dtype=bool)
    if known is not None:
        moment, sun = known
        row = np.minimum(np.searchsorted(moment, facing), len(moment) - 1)
        new = moment[row] != facing
        alpha[~new], gamma[~new] = sun.alpha[row[~new]], sun.gamma[row[~new]]
    if new.any():
        alpha[new], gamma[new] = position(scenario.site, moments(facing[new]))
    return stand(scenario, alpha, gamma)


def moments(seconds: Whole) -> pd.DatetimeIndex:
    """Moments in UTC from whole seconds since 1970.

    Parameters
    ----------
    seconds : ndarray of int64, shape (N,)

    Returns
    -------
    DatetimeIndex
    """
    import pandas as pd

    return pd.DatetimeIndex(seconds.view("M8[s]")).tz_localize("UTC")


def seconds(times: pd.DatetimeIndex) -> Whole:
    """Whole seconds since 1970 UTC of moments; a clock's own where they have no zone.

    Parameters
    ----------
    times : DatetimeIndex, length N

    Returns
    -------
    ndarray of int64, shape (N,)
        [s]
    """
    return np.asarray(times.as_unit("s").asi8, dtype=np.int64)
