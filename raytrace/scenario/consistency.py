"""Keys of a scenario that contradict each other, or that others call for.

These look at the values as the file has them, so that they find their problems even where some
other value can't be read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from raytrace.exceptions import Problem
from raytrace.scenario.columns import Once
from raytrace.scenario.plausible import MOST_FACETS
from raytrace.scenario.schema import schema
from raytrace.scenario.tables import Place, facet_label, known_label
from raytrace.scenario.units import nearest
from raytrace.scenario.values import Loading
from raytrace.texts import shown

__all__ = ["contradictions", "unknown_labels"]

LOOKED_UP = 5  # labels whose nearest is looked for: among thousands that takes a while
ZONE_KEYS = ("offset", "sun_altitude")


def _section(raw: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    section = raw.get(name)
    return section if isinstance(section, dict) else {}


def _clash(key: str, value: object, why: str) -> Problem:
    return Problem(key, f" = {shown(value)}: {why}")


def _tagged(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Keys that don't go with what another key of their section says, or are needed with it."""
    for key, entry in schema().items():
        name, _, own = key.rpartition(".")
        only, section = entry.only, raw.get(name)
        if only is None or not isinstance(section, dict):
            continue
        tag = f"{name}.{only.tag}"
        said = section.get(only.tag, schema()[tag].default)
        try:
            schema()[tag].reader.read(said, Loading())
        except ValueError:  # told elsewhere
            continue
        if said in only.words:
            if only.needed and own not in section:
                what = f"missing: {tag} is {shown(said)}. Write {entry.reader.allowed}."
                yield Problem(key, what)
        elif own in section:
            words = " or ".join(shown(word) for word in only.words)
            mend = f"Leave it out or set {only.tag} = {words}."
            if only.instead:
                mend = f"Write {name}.{only.instead} for it."
            why = f"goes with {only.tag} {words}, but {tag} is {shown(said)}. {mend}"
            yield _clash(key, section[own], why)


def _aim(aim: Mapping[str, Any], facets: Mapping[str, Any], places: Any) -> Iterator[Problem]:
    zones = aim.get("zones")
    for number, zone in enumerate(zones if isinstance(zones, list) else [], start=1):
        if not isinstance(zone, dict):
            continue
        name = f"aim.zones[{number}]"
        if not any(key in zone for key in ZONE_KEYS):
            yield Problem(
                name, "changes nothing. Write an offset or a sun_altitude, or leave it out."
            )
        for key in ("rows", "columns"):
            span, count = zone.get(key), facets.get(key)
            if places is not None:
                count = max(getattr(p, key.removesuffix("s")) for p in places)
            if not isinstance(span, list) or not span or not isinstance(count, int):
                continue
            if isinstance(span[-1], int) and span[-1] > count:
                there = f"there are {count} {key}." if count != 1 else f"there is 1 {key[:-1]}."
                yield Problem(f"{name}.{key}", f" = {shown(span)}: {there}")


def contradictions(raw: Mapping[str, Any], loading: Loading) -> Iterator[Problem]:
    """Problems between keys that may each be right.

    Parameters
    ----------
    raw : mapping
        The scenario as TOML holds it.
    loading : Loading
        What was read from tables on the way.

    Yields
    ------
    Problem
        One for each key that clashes or is called for.
    """
    yield from _tagged(raw)
    places = loading.records.get("places", (None, None))[1]
    yield from _aim(_section(raw, "aim"), _section(raw, "facets"), places)
    habit, pot = _section(raw, "habit"), _section(raw, "pot")
    if habit.get("turn_every") == "never" and habit.get("face") == "ahead":
        why = 'habit.turn_every is "never", so there is no next turning. Leave one of them out.'
        yield _clash("habit.face", "ahead", why)
    if pot.get("stand") == "ground" and pot.get("levelled") is True:
        why = 'a pot with pot.stand = "ground" is level anyway. Leave one of them out.'
        yield _clash("pot.levelled", True, why)
    yield from _slope(_section(raw, "site"))
    yield from _surroundings(_section(raw, "site").get("surroundings"))
    yield from unknown_labels(_section(raw, "facets"), loading)


def _surroundings(given: object) -> Iterator[Problem]:
    """What has no width, ends before it begins, or has another's name."""
    names: set[str] = set()
    for number, one in enumerate(given if isinstance(given, list) else [], start=1):
        if not isinstance(one, dict):
            continue
        at, si = f"site.surroundings[{number}]", _lengths(one)

        def before(key: str, other: str, si: Mapping[str, float] = si) -> bool:
            return key in si and other in si and si[key] < si[other]

        if before("reach", "distance"):
            yield _clash(f"{at}.reach", one["reach"], "nearer than it begins.")
        if "top" in si and "bottom" in si and not before("bottom", "top"):
            key = "top" if "top" in one else "bottom"
            yield _clash(f"{at}.{key}", one[key], "the top has to be above the bottom.")
        if "bearing_to" in si and si["bearing_to"] == si.get("bearing_from"):
            why = 'as wide as nothing. Write another bearing; all round is "0 deg" to "360 deg".'
            yield _clash(f"{at}.bearing_to", one["bearing_to"], why)
        name = str(one.get("name", number))
        if name in names:
            yield _clash(f"{at}.name", name, "the name of an earlier one.")
        names.add(name)


def _lengths(surrounding: Mapping[str, Any]) -> dict[str, float]:
    """Numbers of a surrounding, in SI units, as far as they can be read."""
    read = {}
    for key in ("bearing_from", "bearing_to", "distance", "reach", "bottom", "top"):
        entry = schema()[f"site.surroundings[].{key}"]
        try:
            read[key] = float(entry.reader.read(surrounding.get(key, entry.default), Loading()))
        except (ValueError, TypeError):  # told elsewhere, or left out
            continue
    return read


def _slope(site: Mapping[str, Any]) -> Iterator[Problem]:
    if "slope" not in site or "slope_toward" in site:
        return
    try:
        slope = schema()["site.slope"].reader.read(site["slope"], Loading())
    except ValueError:  # told elsewhere
        return
    if slope:
        what = (
            f"missing: site.slope is {shown(site['slope'])}. Write the azimuth that the yard falls "
            'toward, such as "180 deg" for south.'
        )
        yield Problem("site.slope_toward", what)


def _count(value: object) -> bool:
    return isinstance(value, int) and value > 0


def unknown_labels(facets: Mapping[str, Any], loading: Loading) -> Iterator[Problem]:
    """Rows of the states table that name no facet of the array.

    Parameters
    ----------
    facets : mapping
        The section as TOML holds it.
    loading : Loading
        What was read from tables on the way.

    Yields
    ------
    Problem
        One for each row of the table.
    """
    if "states" not in loading.records:
        return
    name, states = loading.records["states"]
    rows, columns = facets.get("rows", 0), facets.get("columns", 0)
    if "places" in loading.records:
        places: tuple[Place, ...] = loading.records["places"][1]
        labels = [p.label for p in places]
    elif _count(rows) and _count(columns) and rows * columns <= MOST_FACETS:
        labels = [facet_label(r, c) for r in range(1, rows + 1) for c in range(1, columns + 1)]
    else:
        return
    known = set(labels)
    meant = {label: known_label(label, known) for label in states}
    once = Once()
    for label, state in states.items():
        for words in once.again(state.line, f'facet "{meant[label]}"') if meant[label] else []:
            yield Problem(f'{name} row {state.line} column "label"', f' = "{label}": {words}')
    strange = [(label, state) for label, state in states.items() if meant[label] is None]
    for number, (label, state) in enumerate(strange):
        near = nearest(label, labels) if number < LOOKED_UP else None
        tail = f' Nearest: "{near}".' if near else f" They run from {labels[0]} to {labels[-1]}."
        key = f'{name} row {state.line} column "label"'
        yield Problem(key, f' = "{label}": no facet has this label.{tail}')
