"""Starts between those of a season's plan: where better ones may lie.

Good sun may last a quarter of an hour, and the starts of a plan lie an hour apart. Where those
beside the best one are worse, starts between them are tried too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raytrace.studies.cooking.never_boils import NOT_TRIED
from raytrace.studies.cooking.season_choice import (
    AS_QUICK,
    FEWER,
    best_start,
    cooking_goal,
    good_days,
    most_wait,
    shares,
    works,
)
from raytrace.studies.cooking.season_data import Season
from raytrace.studies.cooking.season_plan import part_names

__all__ = ["BETWEEN", "candidates", "follow", "widened"]

BETWEEN = " between"  # after a month's name: the part with such starts
LONGER = 900.0  # for which a pot is followed beyond what its neighbours take [s]


def rows_named(season: Season, name: str) -> NDArray[np.bool_]:
    """Which days lie in a month, given as "2026-03"."""
    return np.array([f"{d:%Y-%m}" == name for d in season.dates])


def candidates(season: Season) -> dict[str, tuple[float, ...]]:
    """Starts to try in each month: round its own best, and round that of the whole season.

    Parameters
    ----------
    season : Season
        With the starts of its plan alone.

    Returns
    -------
    dict of str to tuple of float
        By month; none where the best start has another beside it that is as good, so that good
        sun lasts longer than the starts lie apart. Seconds after midnight.
    """
    good = good_days(season)
    every = _window(season, best_start(season, good), good) if good.any() else set()
    out = {}
    for name in part_names(season.plan):
        own = rows_named(season, name)
        found = set(every) if (good & own).any() else set()
        best = best_start(season, own)
        found |= _window(season, best, own)
        if found and best is not None:
            # a second window, such as that of the afternoon
            far = np.abs(np.arange(len(season.starts)) - best) > 1
            other = best_start(season, own, among=far)
            if other is not None and _as_good(season, best, own)[other]:
                found |= _window(season, other, own)
        out[name] = tuple(sorted(found))
    return out


def _as_good(season: Season, best: int, rows: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which starts work on nearly as many days as the best, and take about as long, (S,)."""
    share = shares(season, works(season), rows)
    median = season.percentile(50.0, cooking_goal(season), rows)
    with np.errstate(invalid="ignore"):
        return np.asarray((share >= share[best] - FEWER) & (median <= AS_QUICK * median[best]))


def _window(season: Season, k: int | None, rows: NDArray[np.bool_]) -> set[float]:
    """Starts round the k-th, unless one beside it is as good for some days."""
    if k is None:
        return set()
    beside = [j for j in (k - 1, k + 1) if 0 <= j < len(season.starts)]
    return set() if _as_good(season, k, rows)[beside].any() else _round(season, k)


def _round(season: Season, k: int) -> set[float]:
    """Clock times between the starts on either side of one, but those of the plan."""
    starts, step = season.starts, season.plan.between
    low, high = starts[max(k - 1, 0)], starts[min(k + 1, len(starts) - 1)]
    inside = np.arange(np.floor(low / step) + 1, np.ceil(high / step)) * step
    return set(inside.tolist()) - set(starts.tolist())


def follow(season: Season, rows: NDArray[np.bool_], starts: Sequence[float]) -> float:
    """How long to follow pots of starts between the plan's: as long as their neighbours take. [s]

    Parameters
    ----------
    season : Season
        With the starts of its plan alone.
    rows : ndarray of bool, shape (D,)
    starts : sequence of float
        After midnight. [s]

    Returns
    -------
    float
        [s]
    """
    at = np.searchsorted(season.starts, starts)
    near = np.unique(np.clip([at - 1, at], 0, len(season.starts) - 1))
    fits = works(season)[rows][:, near]
    if not fits.any():
        return most_wait(season)
    lasts = getattr(season, cooking_goal(season))[rows][:, near][fits]
    return float(min(np.percentile(lasts, 90.0) + LONGER, most_wait(season)))


def widened(season: Season, columns: Sequence[Mapping[str, Any]]) -> Season:
    """Season with further starts on some of its days.

    Parameters
    ----------
    season : Season
        With the starts of its plan alone.
    columns : sequence of mapping
        Attributes of `Season` over some days and starts; "day" has the days' ordinals, "tried"
        the starts.

    Returns
    -------
    Season
    """
    columns = [c for c in columns if len(c["tried"])]
    if not columns:
        return season
    starts = sorted({*season.plan.starts, *(float(s) for c in columns for s in c["tried"])})
    own = np.searchsorted(starts, season.plan.starts)
    ordinals = np.array([d.toordinal() for d in season.dates])
    wide: dict[str, Any] = {}
    for f in fields(Season):
        x = getattr(season, f.name)
        if not (isinstance(x, np.ndarray) and x.ndim == 2):
            continue
        gap = {"unsure": False, "reason": NOT_TRIED}.get(f.name, np.nan)
        out = np.full((len(x), len(starts)), gap, dtype=x.dtype)
        out[:, own] = x
        for column in columns:
            rows = np.searchsorted(ordinals, column["day"])
            out[np.ix_(rows, np.searchsorted(starts, column["tried"]))] = column[f.name]
        wide[f.name] = out
    first = season.batches_start
    wide["batches_start"] = np.where(first >= 0, own[first], -1)
    return replace(season, tried=tuple(starts), **wide)
