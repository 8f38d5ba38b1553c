"""A cooker looked at under many suns: first in passing, then closely where it matters."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.pose import Poses
from raytrace.exceptions import StudyError
from raytrace.light.history import moments, seconds
from raytrace.light.setup import LightSettings, Setup, design_tilt, set_up, stand
from raytrace.parallel.pieces import spread
from raytrace.sky.ground import ground_of
from raytrace.sky.sun import Sun, day_times, noons, position, sun_at
from raytrace.studies.stray.around import HORIZON_AWAY, on_horizon, on_surrounding
from raytrace.studies.stray.search import Ring, ring_points, strongest, strongest_at
from raytrace.studies.stray.stray_plan import HEIGHTS, StrayCase, StrayPlan
from raytrace.studies.stray.yard import InYard, bearing_of, in_yard

if TYPE_CHECKING:
    from raytrace.scenario.place_sections import Site
    from raytrace.scenario.schema import Scenario

__all__ = ["BEARINGS", "Look"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

BEARINGS = 36  # of the map
LEAST_SUN = np.radians(5.0)  # nobody cooks under a lower one
FIRST = 3  # suns at each distance whose strongest place is climbed to
LEADERS = 6  # suns a case that are searched thoroughly
FINER = (-0.5, -0.25, 0.25, 0.5)  # of a step, beside each of them
SIDE = 251, 63  # points of the side view, along and up
SLICES = 11  # upright planes over the board's breadth that it looks through
SIDE_REACH, SIDE_HEIGHT = 16.0, 5.0  # [m]
SIDE_FROM = 2.0  # the plane goes through the worst place at this distance [m]


@dataclass(frozen=True, eq=False)
class _Found:
    """What is found under N suns in one case."""

    sun: Sun
    heading: Array
    tilt: Array
    peak: Array
    peak_at: Array
    # (2, 5, N, K): at people's heights, at any; irradiance, bearing, height, lit, fill
    rings: Array
    around: Array  # (N, K, G, H)
    # (3, N, T + A): surroundings, horizon at some distances; irradiance, fill, bearing
    things: Array

    def and_also(self, other: _Found) -> _Found:
        times: Any = self.sun.time.append(other.sun.time)
        arrays: dict[str, Any] = {
            name: np.concatenate([getattr(self.sun, name), getattr(other.sun, name)])
            for name in ("alpha", "gamma", "direction", "dni", "dhi", "radius")
        }
        sun = replace(self.sun, time=times, **arrays)
        joined = (
            np.concatenate([getattr(self, n), getattr(other, n)], axis=axis)
            for n, axis in (
                *((n, 0) for n in ("heading", "tilt", "peak", "peak_at")),
                ("rings", 2),
                ("around", 0),
                ("things", 1),
            )
        )
        return _Found(sun, *joined)


@dataclass(frozen=True, eq=False)
class Look:
    """A scenario's cooker, exactly set and built, with the suns that it is looked at under.

    Attributes
    ----------
    scenario : Scenario
    plan : StrayPlan
    threads : int or None
        None for one a processor.
    """

    scenario: Scenario
    plan: StrayPlan
    threads: int | None

    @cached_property
    def clear(self) -> Scenario:
        """The scenario with a clear sky in place of a weather file."""
        sky = self.scenario.sky
        if sky.dni != "weather file":
            return self.scenario
        sky = sky.model_copy(update={"dni": "clear sky", "weather_file": None})
        return self.scenario.model_copy(update={"sky": sky})

    @cached_property
    def exact(self) -> Setup:
        """The cooker without errors of building."""
        keys = LightSettings(seed=self.plan.seed, build=self.plan.build)
        return set_up(self.clear, keys, cooker=build_cooker(self.clear))

    @cached_property
    def _builds(self) -> list[Setup]:
        first, seed = self.plan.build, self.plan.seed
        return [
            set_up(self.clear, LightSettings(seed=seed, build=first + b))
            for b in range(self.plan.builds)
        ]

    @cached_property
    def suns(self) -> Sun:
        """Suns of all dates that shine on the cooker."""
        times: Any = None
        for date in self.plan.dates:
            day = day_times(self.clear, date, self.plan.step)
            times = day if times is None else times.append(day)
        sun = sun_at(self.clear, times)
        if not (sun.dni > 0.0).any():
            raise StudyError(
                f"{self.scenario.source}: the sun never shines here on these dates. Name others."
            )
        return _some(sun, sun.dni > 0.0)

    def meant(self, case: StrayCase, sun: Sun) -> Poses:
        """How the platform stands under each sun; nan where it was never turned so.

        Parameters
        ----------
        case : StrayCase
        sun : Sun
            N of them.

        Returns
        -------
        Poses
        """
        import pandas as pd

        if np.isfinite(case.heading):
            n = len(sun.time)
            tilt = np.full(n, design_tilt(self.clear))
            return Poses(np.full(n, case.heading), tilt, np.zeros(n), ground_of(self.clear.site))
        site = self.clear.site
        alpha, gamma, least = sun.alpha, sun.gamma, 0.0
        if np.isfinite(case.parked):
            days, back = np.unique(sun.time.date, return_inverse=True)
            used = noons(self.clear, list(days)) + pd.to_timedelta(case.parked, unit="s")
            alpha, gamma = (x[back] for x in position(site, used))
            least = LEAST_SUN
        elif case.late:
            alpha, gamma = position(site, sun.time - pd.to_timedelta(case.late, unit="s"))
        poses = stand(self.clear, alpha, gamma)
        never = alpha < least
        return Poses(np.where(never, np.nan, poses.heading), poses.tilt, poses.cross, poses.ground)

    def yard(self, setup: Setup, case: StrayCase, sun: Sun, k: int, poses: Poses) -> InYard | None:
        """Light of a cooker under one of some suns.

        Parameters
        ----------
        setup : Setup
        case : StrayCase
        sun : Sun
        k : int
            Which of them.
        poses : Poses
            From `meant`.

        Returns
        -------
        InYard or None
            None where the platform was never turned so, or the sun stands below its plane.

        Raises
        ------
        GeometryError
            If the platform would tilt into a pot on the ground.
        """
        if not np.isfinite(poses.heading[k]):
            return None
        return in_yard(
            setup,
            sun.direction[k],
            poses.alone(k),
            dni=float(sun.dni[k]),
            scale=float(setup.scale(sun.radius[k : k + 1])[0]),
            pot_there=case.pot_there,
        )

    def _look(self, case: StrayCase, sun: Sun) -> _Found:
        """Every sun, without climbing."""
        N, K = len(sun.time), self.plan.rings
        poses = self.meant(case, sun)
        peak, peak_at = np.full(N, np.nan), np.full((N, 3), np.nan)
        rings = np.full((2, 5, N, K), np.nan)
        around = np.zeros((N, K, BEARINGS, len(HEIGHTS) - 1))
        site = self.scenario.site
        things = np.full((3, N, len(site.surroundings) + len(HORIZON_AWAY)), np.nan)

        def one(k: int) -> Iterator[int]:
            yard = self.yard(self.exact, case, sun, k, poses)
            if yard is not None:
                peak[k], peak_at[k] = strongest(yard, climb=False)
                ring = self._ring(yard, self.plan.distance)
                for band, heights in enumerate(self._bands):
                    best = _best(ring, heights)
                    rings[band, :, k] = 0.0
                    _note(rings[band, :, k], best)
                _mark(around[k], ring)
                things[:, k] = _on_things(yard, site)
            yield 1

        spread(one, N, self.threads)
        return _Found(sun, poses.heading, poses.tilt, peak, peak_at, rings, around, things)

    @property
    def _bands(self) -> tuple[tuple[float, float], tuple[float, float]]:
        return self.plan.people, (0.0, self.plan.ceiling)

    def _ring(self, yard: InYard, distances: Array) -> Ring:
        return ring_points(yard, distances, self.plan.people, self.plan.ceiling)

    def case(self, case: StrayCase) -> dict[str, Any]:
        """Find all that is asked of one case.

        Parameters
        ----------
        case : StrayCase

        Returns
        -------
        dict of str to ndarray, int or float
            A part to be kept.

        Raises
        ------
        StudyError
            If the sun never shines on the cooker on the plan's dates.
        """
        found = self._look(case, self.suns)
        leaders = _leaders(found)
        if len(leaders):
            own = seconds(found.sun.time)
            beside = np.unique(own[leaders] + np.round(np.outer(FINER, self.plan.step)))
            fresh = moments(np.setdiff1d(beside.astype(np.int64), own))
            more = sun_at(self.clear, fresh.tz_convert(self.clear.site.timezone))
            if (more.dni > 0.0).any():
                found = found.and_also(self._look(case, _some(more, more.dni > 0.0)))
        self._climb(self.exact, case, found, found)
        built = [_Climbed(len(found.peak), self.plan.rings) for _ in self._builds]
        for setup, climbed in zip(self._builds, built, strict=True):
            self._climb(setup, case, found, climbed)
        best = found.around.argmax(axis=0)
        most = np.take_along_axis(found.around, best[None], axis=0)[0]
        return {
            "seconds": seconds(found.sun.time),
            "heading": found.heading,
            "tilt": found.tilt,
            "peak": found.peak,
            "peak_at": found.peak_at,
            "rings": found.rings,
            "around": most,
            "around_sun": np.where(most > 0.0, best, -1),
            "things": found.things,
            "build_peak": np.array([b.peak.max() for b in built]),
            "build_rings": np.array([b.rings[:, 0].max(axis=1) for b in built]).reshape(
                len(built), 2, self.plan.rings
            ),
            **self._side(case, found),
        }

    def _climb(self, setup: Setup, case: StrayCase, found: _Found, into: _Found | _Climbed) -> None:
        """Climb to the strongest places under the suns that lead, and note them."""
        poses = self.meant(case, found.sun)
        many = FIRST if into is found else 1
        leads = _first(np.nan_to_num(found.rings[:, 0]), many)  # (2, N, K)
        tops = _first(np.nan_to_num(found.peak)[:, None], many)[:, 0]
        suns = np.flatnonzero(leads.any(axis=(0, 2)) | tops)

        def one(j: int) -> Iterator[int]:
            k = int(suns[j])
            yard = self.yard(setup, case, found.sun, k, poses)
            if yard is not None:
                if tops[k]:
                    peak, at = strongest(yard, climb=True)
                    if not peak < into.peak[k]:
                        into.peak[k], into.peak_at[k] = peak, at
                ring = self._ring(yard, self.plan.distance[leads[:, k].any(axis=0)])
                here = np.flatnonzero(leads[:, k].any(axis=0))
                for band, heights in enumerate(self._bands):
                    best = strongest_at(yard, ring, heights, leads[band, k, here])
                    _note(into.rings[band, :, k], replace(best, k=here[best.k]))
            yield 1

        spread(one, len(suns), self.threads)

    def _side(self, case: StrayCase, found: _Found) -> dict[str, Any]:
        """Strongest irradiance beside a view through the middle and the worst place for people."""
        along = np.linspace(-0.25, 1.0, SIDE[0]) * min(self.plan.farthest, SIDE_REACH)
        up = np.linspace(0.0, SIDE_HEIGHT, SIDE[1])
        low = np.nan_to_num(found.rings[0, 0])
        # far enough out to be off the cooker: there the levels of harm are passed or not
        far = int(np.searchsorted(self.plan.distance, SIDE_FROM))
        k = int(low[:, min(far, low.shape[1] - 1)].argmax())
        bearing = float(np.nan_to_num(found.rings[0, 1, k, min(far, low.shape[1] - 1)]))
        seen = np.zeros((len(up), len(along)))
        yard = self.yard(self.exact, case, found.sun, k, self.meant(case, found.sun))
        if yard is not None:
            x0, x1, y0, y1 = yard.light.cooker.extent
            half = 0.5 * min(x1 - x0, y1 - y0)
            ahead = np.array([np.sin(bearing), np.cos(bearing)])
            aside = np.array([ahead[1], -ahead[0]])
            x, z = np.meshgrid(along, up)
            for offset in np.linspace(-half, half, SLICES):
                level = x[..., None] * ahead + offset * aside
                points = np.concatenate([level, z[..., None]], axis=-1)
                here = yard.at(points.reshape(-1, 3)).facing.reshape(seen.shape)
                np.maximum(seen, here, out=seen)
        return {"side": seen, "side_sun": k, "side_bearing": bearing, "along": along, "up": up}


class _Climbed:
    """What climbing finds for one build under N suns."""

    def __init__(self, suns: int, distances: int) -> None:
        self.peak, self.peak_at = np.zeros(suns), np.zeros((suns, 3))
        self.rings = np.zeros((2, 5, suns, distances))


def _some(sun: Sun, which: NDArray[np.bool_]) -> Sun:
    names = "time", "alpha", "gamma", "direction", "dni", "dhi", "radius"
    return replace(sun, **{name: getattr(sun, name)[which] for name in names})


def _best(ring: Ring, heights: tuple[float, float]) -> Ring:
    """The strongest place tried at each distance within a band of heights."""
    here = np.flatnonzero((ring.point[:, 2] >= heights[0]) & (ring.point[:, 2] <= heights[1]))
    here = here[np.lexsort((-ring.facing[here], ring.k[here]))]
    return ring[here[np.unique(ring.k[here], return_index=True)[1]]]


def _note(rows: Array, best: Ring) -> None:
    """Write strongest places into rows (5, K), where they are stronger than what is there."""
    new = ~(best.facing < rows[0, best.k])
    found = best.facing, bearing_of(best.point), best.point[:, 2], best.lit, best.fill
    for row, values in zip(rows, found, strict=True):
        row[best.k[new]] = values[new]


def _mark(around: Array, ring: Ring) -> None:
    """Gather a map (K, G, H) from the places tried."""
    sector = (bearing_of(ring.point) * (BEARINGS / (2.0 * np.pi))).astype(int) % BEARINGS
    layer = np.clip(np.searchsorted(HEIGHTS, ring.point[:, 2]) - 1, 0, len(HEIGHTS) - 2)
    np.maximum.at(around, (ring.k, sector, layer), ring.facing)


def _on_things(yard: InYard, site: Site) -> Array:
    """Strongest light on each surrounding, and on the horizon at each distance, (3, T + A)."""
    c, r = yard.rays
    points = [on_surrounding(c, r, thing) for thing in site.surroundings]
    for away in HORIZON_AWAY:
        hit = None if site.horizon is None else on_horizon(c, r, site.horizon, away)
        points.append(np.zeros((0, 3)) if hit is None else hit)
    first = np.cumsum([0, *map(len, points)])
    found, bearing = yard.at(np.concatenate(points)), bearing_of(np.concatenate(points))
    out = np.zeros((3, len(points)))
    for k, (a, b) in enumerate(itertools.pairwise(first)):
        if b > a:
            top = a + int(found.facing[a:b].argmax())
            out[:, k] = found.facing[top], found.fill[top], bearing[top]
    return out


def _first(value: Array, many: int) -> NDArray[np.bool_]:
    """Which of the suns, second axis from the end, are the strongest few; none where it is dark."""
    order = np.argsort(np.argsort(-value, axis=-2, kind="stable"), axis=-2)
    return np.asarray((order < many) & (value > 0.0))


def _leaders(found: _Found) -> Whole:
    """Suns that are worst at some distance, or anywhere; a few of them, the most often worst."""
    value = np.nan_to_num(found.rings[:, 0])
    leads = value.argmax(axis=1)[value.max(axis=1) > 0.0]
    k, count = np.unique(leads, return_counts=True)
    top = int(np.nan_to_num(found.peak).argmax())
    return np.unique(np.append(k[np.argsort(count)[::-1][:LEADERS]], top))
