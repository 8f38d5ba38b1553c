"""What may be expected of one pot on one day: times, warmth and watts, with intervals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, ClassVar

from raytrace.light.drawn import KINDS
from raytrace.statistics.likely import Likely, likely_of
from raytrace.studies.cooking.day_draws import DayDraws, draw_setups
from raytrace.studies.cooking.pot_day import day_drawn

if TYPE_CHECKING:
    from raytrace.light.setup import LightSettings, Setup
    from raytrace.scenario.schema import Scenario

__all__ = ["DayLikely", "day_likely", "followed"]

APART = 1 << 20  # number of the first cooker: none of those that advice is taken from
ALONE = 4  # for one draw of each kind alone: how many of everything


@dataclass(frozen=True)
class DayLikely:
    """What may be expected of one pot.

    Attributes
    ----------
    boils, done : Likely
        Time from the start to the boil, and until the food is done. [s]
    highest : Likely
        Highest temperature. [K]
    energy : Likely
        On the base until the sun sets. [J]
    watts : Likely
        On the base over the first two hours, or until the sun sets. [W]
    """

    boils: Likely
    done: Likely
    highest: Likely
    energy: Likely
    watts: Likely

    SHOWN: ClassVar = {"boils": "min", "done": "min", "energy": "MJ"}


def day_likely(
    scenario: Scenario,
    date: dt.date | str,
    start: float,
    count: int,
    settings: LightSettings,
    *,
    top_ups: Sequence[tuple[float, float, float]] = (),
    progress: Callable[[float], object] = lambda share: None,
) -> tuple[DayDraws, DayLikely]:
    """Say what may be expected of one pot on one day.

    Parameters
    ----------
    scenario : Scenario
    date, start
        As in `raytrace.studies.cooking.pot_day.cooking_day`.
    count : int
        Draws of everything, rounded up to a multiple of eight; a quarter of them of each kind
        alone.
    settings : LightSettings
        Its replicates do not count: each draw is traced once.
    top_ups : sequence of (float, float, float)
        As in `raytrace.studies.cooking.pot_day.cooking_day`.
    progress : callable
        Called with the share that is done.

    Returns
    -------
    draws : DayDraws
        Of everything; other cookers than those that advice is taken from.
    likely : DayLikely
    """

    def follow(setups: Sequence[Setup]) -> DayDraws:
        return day_drawn(scenario, date, start, setups=setups, top_ups=top_ups)

    whole, alone = followed(scenario, count, settings, follow, progress=progress)

    def of(name: str) -> Likely:
        parts = {kind: getattr(one, name)[:, 0] for kind, one in alone.items()}
        return likely_of(getattr(whole, name)[:, 0], parts)

    figures: dict[str, Any] = {f.name: of(f.name) for f in fields(DayLikely)}
    return whole, DayLikely(**figures)


def followed(
    scenario: Scenario,
    count: int,
    settings: LightSettings,
    follow: Callable[[Sequence[Setup]], DayDraws],
    *,
    progress: Callable[[float], object] = lambda share: None,
) -> tuple[DayDraws, dict[str, DayDraws]]:
    """Follow pots in draws of everything, and of each kind alone.

    Parameters
    ----------
    scenario, count, settings
        As in `day_likely`.
    follow : callable
        Follows the pots of some cookers.
    progress : callable
        Called with the share that is done.

    Returns
    -------
    whole : DayDraws
        Of other cookers than those that advice is taken from.
    alone : dict of str to DayDraws
        By kind, of `raytrace.light.drawn.KINDS`.
    """
    parts = []
    for kinds in (KINDS, *((kind,) for kind in KINDS)):
        number = count if kinds == KINDS else -(-count // ALONE)
        parts.append(follow(draw_setups(scenario, settings, number, first=APART, kinds=kinds)))
        progress(len(parts) / (1 + len(KINDS)))
    return parts[0], dict(zip(KINDS, parts[1:], strict=True))
