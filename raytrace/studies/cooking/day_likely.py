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
    from raytrace.light.setup import LightSettings
    from raytrace.scenario.schema import Scenario

__all__ = ["DayLikely", "day_likely"]

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
    parts: dict[tuple[str, ...], DayDraws] = {}
    for kinds in (KINDS, *((kind,) for kind in KINDS)):
        number = count if kinds == KINDS else -(-count // ALONE)
        setups = draw_setups(scenario, settings, number, first=APART, kinds=kinds)
        parts[kinds] = day_drawn(scenario, date, start, setups=setups, top_ups=top_ups)
        progress(len(parts) / (1 + len(KINDS)))

    def of(name: str) -> Likely:
        whole, *alone = (getattr(x, name)[:, 0] for x in parts.values())
        return likely_of(whole, dict(zip(KINDS, alone, strict=True)))

    figures: dict[str, Any] = {f.name: of(f.name) for f in fields(DayLikely)}
    return parts[KINDS], DayLikely(**figures)
