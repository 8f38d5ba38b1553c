"""Keys of a scenario that contradict each other, or that others call for.

These look at the values as the file has them, so that they find their problems even where some
other value can't be read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from raytrace.exceptions import Problem
from raytrace.scenario.plausible import MOST_FACETS
from raytrace.scenario.tables import Place, facet_label
from raytrace.scenario.units import KINDS, nearest
from raytrace.scenario.values import Loading
from raytrace.texts import shown

__all__ = ["contradictions", "unknown_labels"]

SIZES = {
    "rectangular": ("width", "height"),
    "round": ("diameter",),
    "hexagonal": ("across_corners",),
}
GRID_ONLY = ("rows", "columns", "pitch_x", "pitch_y", "centre", "row_rise")
GLASS_ONLY = ("index", "extinction", "thickness", "backing")
LOOKED_UP = 5  # labels whose nearest is looked for: among thousands that takes a while
ZONE_KEYS = ("offset", "sun_altitude")


def _section(raw: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    section = raw.get(name)
    return section if isinstance(section, dict) else {}


def _clash(section: str, raw: Mapping[str, Any], key: str, why: str) -> Problem:
    return Problem(f"{section}.{key}", f" = {shown(raw[key])}: {why}")


def _missing(key: str, why: str, write: str) -> Problem:
    return Problem(key, f"missing: {why}. Write {write}.")


def _sky(raw: Mapping[str, Any]) -> Iterator[Problem]:
    wants_file = raw.get("dni") == "weather file"
    if wants_file and "weather_file" not in raw:
        yield _missing(
            "sky.weather_file",
            'sky.dni is "weather file"',
            "the name of an EPW, TMY3 or PVGIS file",
        )
    for key in ("weather_file", "weather_elsewhere"):
        if not wants_file and key in raw:
            dni = shown(raw.get("dni", "clear sky"))
            why = f'sky.dni is {dni}. Leave it out or set dni = "weather file".'
            yield _clash("sky", raw, key, why)
    shape = raw.get("sunshape", "uniform")
    if shape == "buie" and "circumsolar_ratio" not in raw:
        yield _missing("sky.circumsolar_ratio", 'sky.sunshape is "buie"', "a number such as 0.05")
    if shape in ("uniform", "limb-darkened") and "circumsolar_ratio" in raw:
        why = f'goes with sunshape "buie", but sky.sunshape is "{shape}". Leave one of them out.'
        yield _clash("sky", raw, "circumsolar_ratio", why)


def _facets(raw: Mapping[str, Any]) -> Iterator[Problem]:
    shape, layout = raw.get("shape"), raw.get("layout", "grid")
    if isinstance(shape, str) and shape in SIZES:
        wanted = SIZES[shape][0]
        if wanted not in raw:
            yield _missing(f"facets.{wanted}", f'facets.shape is "{shape}"', KINDS["length"].wanted)
        for other, keys in SIZES.items():
            for key in keys:
                if other != shape and key in raw:
                    why = f'goes with shape "{other}", but facets.shape is "{shape}".'
                    mend = "Leave it out." if wanted in raw else f"Write facets.{wanted} for it."
                    yield _clash("facets", raw, key, f"{why} {mend}")
    if layout == "places":
        if "places" not in raw:
            yield _missing("facets.places", 'facets.layout is "places"', "the name of a CSV file")
        for key in GRID_ONLY:
            if key in raw:
                why = 'facets.layout is "places", so the table says it. Leave one of them out.'
                yield _clash("facets", raw, key, why)
    elif layout in ("grid", "staggered"):
        for key in ("rows", "columns"):
            if key not in raw:
                yield _missing(f"facets.{key}", f'facets.layout is "{layout}"', "a whole number")
        if "places" in raw:
            why = f'goes with layout "places", but facets.layout is "{layout}".'
            yield _clash("facets", raw, "places", why)


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


def _mirror(raw: Mapping[str, Any]) -> Iterator[Problem]:
    model = raw.get("model", "constant")
    if model == "glass" and "reflectance" in raw:
        why = (
            'goes with model "constant", but mirror.model is "glass". Write mirror.backing for it.'
        )
        yield _clash("mirror", raw, "reflectance", why)
    if model == "constant":
        for key in GLASS_ONLY:
            if key in raw:
                why = 'goes with model "glass", but mirror.model is "constant". Leave one out.'
                yield _clash("mirror", raw, key, why)


def _kitchen(kitchen: Mapping[str, Any], habit: Mapping[str, Any]) -> Iterator[Problem]:
    if kitchen.get("lid") is False and "lid_leak" in kitchen:
        why = "an open pot (lid = false) has no lid that could leak. Leave one of them out."
        yield _clash("kitchen", kitchen, "lid_leak", why)
    if kitchen.get("cover", "none") == "none":
        for key in ("cover_transmittance", "cover_gap"):
            if key in kitchen:
                why = 'kitchen.cover is "none". Leave it out, or set cover = "glass" or "bag".'
                yield _clash("kitchen", kitchen, key, why)
    if habit.get("turn_every") == "never" and habit.get("face") == "ahead":
        why = 'habit.turn_every is "never", so there is no next turning. Leave one of them out.'
        yield _clash("habit", habit, "face", why)


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
    if isinstance(raw.get("sky", {}), dict):
        yield from _sky(_section(raw, "sky"))
    if isinstance(raw.get("facets"), dict):
        yield from _facets(_section(raw, "facets"))
    places = loading.records.get("places", (None, None))[1]
    yield from _aim(_section(raw, "aim"), _section(raw, "facets"), places)
    yield from _mirror(_section(raw, "mirror"))
    yield from _kitchen(_section(raw, "kitchen"), _section(raw, "habit"))
    pot = _section(raw, "pot")
    if pot.get("stand") == "ground" and pot.get("levelled") is True:
        why = 'a pot with pot.stand = "ground" is level anyway. Leave one of them out.'
        yield _clash("pot", pot, "levelled", why)
    yield from unknown_labels(_section(raw, "facets"), loading)


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
    strange = [(label, state) for label, state in states.items() if label not in known]
    for number, (label, state) in enumerate(strange):
        near = nearest(label, labels) if number < LOOKED_UP else None
        tail = f' Nearest: "{near}".' if near else f" They run from {labels[0]} to {labels[-1]}."
        key = f'{name} row {state.line} column "label"'
        yield Problem(key, f' = "{label}": no facet has this label.{tail}')
