"""What would explain that a record and its scenario differ: each cause alone, traced again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.studies.cooking.heating_test import altered
from raytrace.studies.record.balance import balance
from raytrace.studies.record.implied import Cause, FieldRecord
from raytrace.studies.record.light import Followed, follow, pot_and_water

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["CAUSES", "find_causes"]

Array = NDArray[np.float64]

DRAWS = 4  # of cooker and operator, shared by all tries: ratios need few
NEAR = 3e-3  # of the watts: near enough for a cause
DIRTIEST = 0.2  # cleanliness
SETTING = {"angle": 50e-3, "miss": 120e-3}  # rms, further than which nobody sets [rad], [m]
ASKEW = float(np.radians(15.0))  # of the heading
STORM = 12.0  # [m/s]
DIMMEST, BRIGHTEST = 0.3, 1.3  # of the sky's irradiance

CAUSES = ("cleanliness", "setting", "late", "heading", "haze", "wind", "water")


def find_causes(
    result: FieldRecord,
    followed: Followed,
    *,
    progress: Callable[[float], None] | None = None,
) -> tuple[Cause, ...]:
    """Find how large each cause would have to be.

    Parameters
    ----------
    result : FieldRecord
    followed : Followed
        What `raytrace.studies.record.implied.field_record` gave beside it.
    progress : callable, optional
        Told the share that is done.

    Returns
    -------
    tuple of Cause
        In the order of CAUSES. A cause that the record itself rules out (wind or sky that was
        measured), or that doesn't arise (late turnings of a cooker that was never turned), is
        left out.

    Notes
    -----
    The heat that the mirrors bring is matched, since a thermometer tells no more. All tries share
    draws and samples, and are taken relative to the scenario's own.
    """
    search = _Search(result, followed)
    out: list[Cause] = []
    tries: tuple[Callable[[], Cause | None], ...] = (
        search.cleanliness,
        search.setting,
        search.late,
        search.heading,
        search.haze,
        search.wind,
        search.water,
    )
    for k, attempt in enumerate(tries):
        found = attempt()
        if found is not None:
            out.append(found)
        if progress is not None:
            progress((k + 1) / len(tries))
    return tuple(out)


class _Search:
    """One difference, and the ways to explain it."""

    def __init__(self, result: FieldRecord, followed: Followed):
        self.result, self.scenario, self.record = result, result.scenario, result.record
        self.vessel, self.kind = pot_and_water(result.scenario)
        K = len(self.record.time)
        self.length = np.where(np.diff(self.record.run) == 0, np.diff(self.record.time), 0)
        self.weight = self.length * result.counts / result.span
        few = min(DRAWS, result.plan.draws)
        self.few = few
        heat = followed.means(followed.absorbed, K - 1)[:few] @ self.weight
        self.own = float(heat.mean())
        self.followed = followed
        # heat that the record shows, and that all draws predict
        self.shown = result.stored + result.lost
        self.predicted = result.mirrored + result.direct + result.diffuse

    def heat(self, scenario: Scenario, **how: Any) -> float:
        """Heat that a changed scenario brings, as a factor on what it brings unchanged."""
        light = follow(scenario, self.record, self.result.plan, draws=self.few, **how)
        means = light.means(light.absorbed, len(self.record.time) - 1)
        return float((means @ self.weight).mean()) / self.own

    def solve(
        self, name: str, now: float, ends: tuple[float, ...], factor: Callable[[float], float]
    ) -> Cause:
        """Where a cause's factor is the one asked for, between now and one of its ends."""
        asked = self.shown / self.predicted

        def cause(x: float, got: float, enough: bool) -> Cause:
            return Cause(name, now, x, enough, (1.0 - got) / (1.0 - asked))

        best = now, 1.0
        for end in ends:
            reach = factor(end)
            if abs(reach - asked) < abs(best[1] - asked):
                best = end, reach
            if (reach - asked) * (1.0 - asked) <= 0.0:
                x, got = _between(factor, (now, 1.0), (end, reach), asked)
                return cause(x, got, True)
        return cause(*best, False)

    def cleanliness(self) -> Cause | None:
        now = self.scenario.mirror.cleanliness

        def factor(x: float) -> float:
            return self.heat(altered(self.scenario, mirror={"cleanliness": x}))

        return self.solve("cleanliness", now, (self._less(now, DIRTIEST, 1.0),), factor)

    def setting(self) -> Cause | None:
        errors = self.scenario.errors
        most = max(SETTING[errors.setting_kind], 2.0 * errors.setting)

        def factor(x: float) -> float:
            return self.heat(altered(self.scenario, errors={"setting": x}))

        end = self._less(errors.setting, most, 0.0)
        return self.solve("setting", errors.setting, (end,), factor)

    def late(self) -> Cause | None:
        """Only what comes after a heating's first turning can come late."""
        later = [
            int(self.record.time[which[-1]] - turned)
            for which in self.record.runs
            for turned in np.unique(self.followed.turned[np.isin(self.followed.pair, which)])[1:]
        ]
        if not later or self.shown >= self.predicted:
            return None

        def factor(x: float) -> float:
            return self.heat(self.scenario, late=x)

        return self.solve("late", 0.0, (float(max(later)),), factor)

    def heading(self) -> Cause | None:
        pointing = self.scenario.errors.pointing
        if self.shown >= self.predicted:
            return None

        def factor(x: float) -> float:
            off = pointing.model_copy(update={"heading_bias": x})
            return self.heat(altered(self.scenario, errors={"pointing": off}))

        bias = float(pointing.heading_bias)
        return self.solve("heading", bias, (bias + ASKEW, bias - ASKEW), factor)

    def haze(self) -> Cause | None:
        if self.record.sun:
            return None

        def factor(x: float) -> float:
            return self.heat(self.scenario, sun=x)

        return self.solve("haze", 1.0, (self._less(1.0, DIMMEST, BRIGHTEST),), factor)

    def wind(self) -> Cause | None:
        """What the record would imply, were there another wind."""
        if self.record.wind is not None:
            return None
        air, wind = self.record.air_at(self.scenario, self.record.time)
        now = float(wind.mean())

        def factor(x: float) -> float:
            found = balance(
                self.vessel,
                self.kind,
                self.record,
                air,
                np.full_like(wind, x) if x != now else wind,
                self.scenario.air.humidity,
            )
            return float(found.absorbed @ self.weight) / self.predicted

        return self._implied("wind", now, self._less(now, STORM, 0.0), factor)

    def water(self) -> Cause | None:
        """What the record would imply, were there another mass of water in the pot."""
        now = self.vessel.water
        if now <= 0.0:
            return None
        air, wind = self.record.air_at(self.scenario, self.record.time)

        def factor(x: float) -> float:
            found = balance(
                replace(self.vessel, water=x),
                self.kind,
                self.record,
                air,
                wind,
                self.scenario.air.humidity,
            )
            return float(found.absorbed @ self.weight) / self.predicted

        return self._implied("water", now, self._less(now, 3.0 * now, 0.1 * now), factor)

    def _less(self, now: float, if_less: float, if_more: float) -> float:
        """Which end to look toward: less heat shown than predicted, or more."""
        return if_less if self.shown < self.predicted else if_more

    def _implied(
        self, name: str, now: float, end: float, factor: Callable[[float], float]
    ) -> Cause:
        """Where the record would imply what the scenario predicts."""
        start = factor(now)
        reach = factor(end)
        if (reach - 1.0) * (start - 1.0) > 0.0:
            return Cause(name, now, end, False, (reach - start) / (1.0 - start))
        x, got = _between(factor, (now, start), (end, reach), 1.0)
        return Cause(name, now, x, True, (got - start) / (1.0 - start))


def _between(
    factor: Callable[[float], float],
    here: tuple[float, float],
    there: tuple[float, float],
    asked: float,
) -> tuple[float, float]:
    """Where a curve that is known at both ends takes a value, by the Illinois method."""
    (a, fa), (b, fb) = here, there
    ga, gb = fa - asked, fb - asked
    best = here if abs(ga) < abs(gb) else there
    for _ in range(12):
        if abs(best[1] - asked) < NEAR * asked or ga == gb:
            break
        x = b - gb * (b - a) / (gb - ga)
        f = factor(x)
        if abs(f - asked) < abs(best[1] - asked):
            best = x, f
        g = f - asked
        if g * gb < 0.0:
            a, ga = b, gb
        else:
            ga *= 0.5
        b, gb = x, g
    return best
