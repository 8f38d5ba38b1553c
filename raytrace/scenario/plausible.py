"""What a scenario can't be, or is hardly meant to be, though each of its values is right alone."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from zoneinfo import ZoneInfo

from raytrace.exceptions import Problem
from raytrace.scenario.cooker_sections import FACES, SURFACES, Facets, Platform, Pot
from raytrace.scenario.courses import DRY, wrong_course
from raytrace.scenario.error_sections import Errors
from raytrace.scenario.place_sections import Design, Site
from raytrace.scenario.use_sections import Kitchen
from raytrace.texts import shown

__all__ = ["MOST_ASKEW", "beyond_reach", "doubtful", "impossible"]

MOST_FACETS = 10_000  # more than anybody sets by hand, and all that the checks here are quick for
WIDEST = 100.0  # of an array: further off the sun's image is wider than any pot [m]
MOST_ASKEW = math.radians(30.0)  # that a facet set by hand may be, knocked ones too
WORST_SETTING = 2.0  # rms miss in diameters of the pot: next to nothing lands on it
LATEST_NOON = 2.5  # from 12 by the clock: no zone's standard time asks for more, but a few [h]
HIGHEST_HOME = 5500.0  # nobody lives all year as high as this (from memory) [m]
FOOT = 0.3048  # [m]


def impossible(
    facets: Facets, pot: Pot, errors: Errors, kitchen: Kitchen, platform: Platform
) -> Iterator[Problem]:
    """Problems of values that can't be together.

    Parameters
    ----------
    facets, pot, errors, kitchen, platform : Section

    Yields
    ------
    Problem
        Named by the key that is most likely wrong.
    """
    yield from _filling(kitchen, pot)
    yield from wrong_course(kitchen)
    yield from _array(facets)
    yield from _setting(errors, pot, platform)
    yield from _corner(platform)


def doubtful(site: Site, design: Design, pot: Pot) -> list[str]:
    """Say what is hardly meant, though it can be computed.

    Parameters
    ----------
    site, design, pot : Section

    Returns
    -------
    list of str
        Each with its key; empty if nothing is.
    """
    return [*_noon(site, design), *_altitude(site), *_faces(pot)]


def beyond_reach(x: float, along: float, off: float, turned: float) -> str | None:
    """Say that a spot lies where no facet that was set by hand sends the laser.

    Parameters
    ----------
    x, along : float
        Where it was read. [m]
    off : float
        From its mark; nan where it has none. [m]
    turned : float
        Angle by which its facet would be off how it is to be set. [rad]

    Returns
    -------
    str or None
        None if it may be.
    """
    if not turned > MOST_ASKEW:
        return None
    far = "" if math.isnan(off) else f", {off:.3g} m off its mark"
    return (
        f' = "{1e3 * x:.6g}, {1e3 * along:.6g} mm{far}": farther than a facet '
        f"{math.degrees(MOST_ASKEW):.0f}° askew sends it. Check the columns' units and signs, or "
        "write off where the spot missed the card."
    )


def _filling(kitchen: Kitchen, pot: Pot) -> Iterator[Problem]:
    """Whether the pot holds what is put in; food is taken to be as dense as water."""
    holds = pot.volume
    filled = kitchen.water + kitchen.food / 1000.0
    if filled <= 0.0 and kitchen.wanted not in DRY:
        yield Problem("kitchen.water", 'the pot is empty. Write a volume, such as "2 L".')
    elif filled > holds:
        yield Problem(
            "kitchen.water",
            f" = {_litres(kitchen.water)} with {kitchen.food:g} kg of food: the pot "
            f"(pot.diameter, pot.height) holds {_litres(holds)}.",
        )


def _litres(volume: float) -> str:
    """Volume in litres, as a message shows it.

    Examples
    --------
    >>> _litres(0.0025)
    '2.5 L'
    """
    return f"{1e3 * volume:.3g} L"


def _array(facets: Facets) -> Iterator[Problem]:
    """Whether there are too many facets, or they stand too far apart, to compute anything."""
    if facets.layout == "places":
        if len(facets.places) > MOST_FACETS:
            yield Problem(
                "facets.places", f": {len(facets.places)} facets. Write {MOST_FACETS} or fewer."
            )
        return
    if None in (facets.rows, facets.columns, facets.pitch_x, facets.pitch_y):
        return  # told elsewhere: a key that is called for is missing
    count = facets.rows * facets.columns
    if count > MOST_FACETS:
        yield Problem(
            "facets.rows, facets.columns",
            f": {facets.rows} × {facets.columns} = {count} facets. Write {MOST_FACETS} or fewer.",
        )
    for key, number, step in (
        ("pitch_x", facets.columns, facets.pitch_x),
        ("pitch_y", facets.rows, facets.pitch_y),
        ("row_rise", facets.rows, abs(facets.row_rise)),
    ):
        if (number - 1) * step > WIDEST:
            yield Problem(
                f"facets.{key}",
                f" = {1e3 * step:.6g} mm: {number} of them make {(number - 1) * step:.4g} m; "
                f"no more than {WIDEST:g} m can be computed. Check the unit.",
            )


def _corner(platform: Platform) -> Iterator[Problem]:
    """Whether places are counted from a corner that nothing says the place of."""
    missing = [key for key in ("width", "depth") if getattr(platform, key) is None]
    if platform.origin == "corner" and missing:
        yield Problem(
            "platform.origin",
            f' = "corner": places are counted from a corner of the board, so its size is needed. '
            f"Write platform.{' and platform.'.join(missing)}.",
        )


def _setting(errors: Errors, pot: Pot, platform: Platform) -> Iterator[Problem]:
    """Whether facets are set so badly that next to no light lands on the pot."""
    miss = errors.setting
    if errors.setting_kind == "angle":
        miss *= 2.0 * math.dist((*pot.place, pot.base_height), (*platform.middle, 0.0))
    if miss > WORST_SETTING * pot.diameter:
        yield Problem(
            "errors.setting",
            f": light misses its mark by some {1e3 * miss:.3g} mm, over twice the pot's diameter "
            f"({1e3 * pot.diameter:.3g} mm): next to none would land on it. A card on the pot's "
            "place shows a few mm to a few cm; check the unit.",
        )


def _noon(site: Site, design: Design) -> Iterator[str]:
    """Whether the sun stands highest far from 12 by the clock: a sign forgotten, or another zone.

    Where clocks change, the time of the year counts in which noon is nearest to 12.
    """
    zone = ZoneInfo(site.timezone)
    year = design.date.year if design.date else 2026
    offsets = [dt.datetime(year, month, 15, 12, tzinfo=zone).utcoffset() for month in (1, 7)]
    longitude = math.degrees(site.longitude)

    def noon(longitude: float) -> tuple[float, float]:
        """How far noon lies from 12, and when it is. [h]"""
        hours = [(x.total_seconds() / 3600.0 if x else 0.0) - longitude / 15.0 for x in offsets]
        return min((abs((h + 12.0) % 24.0 - 12.0), (h + 12.0) % 24.0) for h in hours)

    away, at = noon(longitude)
    if away <= LATEST_NOON:
        return
    turned, then = noon(-longitude)
    mend = "Check both; west is negative."
    if turned <= LATEST_NOON:
        mend = (
            f'With "{-longitude:.6g} deg" it would be {_clock(then)}: is the sign wrong? '
            "West is negative."
        )
    yield (
        f"site.longitude, site.timezone: at {longitude:.6g}° the sun stands highest at about "
        f"{_clock(at)} by the clock of {site.timezone}, far from noon. {mend}"
    )


def _clock(hours: float) -> str:
    minutes = round(60.0 * hours) % 1440
    return f"{minutes // 60}:{minutes % 60:02d}"


def _altitude(site: Site) -> Iterator[str]:
    altitude = site.altitude
    if altitude > HIGHEST_HOME:
        yield (
            f"site.altitude: {altitude:.0f} m is higher than anybody lives. "
            f"Is it in feet? {altitude:.0f} ft are {FOOT * altitude:.0f} m."
        )


def _faces(pot: Pot) -> Iterator[str]:
    """Whether each face takes up sunlight and radiates heat as its surface may."""
    for face in FACES:
        surface = getattr(pot, f"surface_{face}")
        usual, absorptances, emissivities = SURFACES[surface]
        takes, gives = (getattr(pot, f"{name}_{face}") for name in ("absorptance", "emissivity"))
        for name, value, span, does in (
            ("absorptance", takes, absorptances, "takes up {} of the sun's light"),
            ("emissivity", gives, emissivities, "radiates {} of what a black one would"),
        ):
            if _within(value, span):
                continue
            fit = [
                shown(word)
                for word, coat in SURFACES.items()
                if _within(takes, coat.absorptances)
                and (gives == usual or _within(gives, coat.emissivities))
            ]
            own = f"{span[0]:g} to {span[1]:g}"
            other = f", or pot.surface_{face} = {' or '.join(fit)}" if fit else ""
            yield (
                f"pot.{name}_{face} = {value:g}: the {FACES[face]} is {shown(surface)} "
                f"(pot.surface_{face}), which {does.format(own)}. Write {own}{other}."
            )


def _within(value: float, span: tuple[float, float]) -> bool:
    return span[0] <= value <= span[1]
