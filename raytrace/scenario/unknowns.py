"""Which numbers of a scenario are not known exactly: stated in the file, or by default."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from raytrace.exceptions import Problem
from raytrace.scenario.law import Law, Unsure, as_text, law_of, looks_uncertain, read_law
from raytrace.scenario.schema import Entry, generic, schema
from raytrace.scenario.use_sections import USUAL_AIR
from raytrace.scenario.values import Number, Quantity, Reader, Share, Vector
from raytrace.texts import shown

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Unknown", "take_laws", "unknowns_of"]


# Of the direct sun of a whole day that is forecast: common practice, no source.
FORECAST = Unsure("± 0.20")


@dataclass(frozen=True)
class Unknown:
    """A number of a scenario that is not known exactly.

    Attributes
    ----------
    key : str
        Such as mirror.reflectance or pot.place[2].
    law : Law
        In the key's SI unit.
    text : str
        Its uncertainty as the file has it, or as the default says.
    source : str
        "stated" in the file, or the default's source.
    """

    key: str
    law: Law
    text: str
    source: str


def take_laws(raw: dict[str, Any]) -> tuple[dict[str, tuple[Law, str]], list[Problem]]:
    """Take uncertainties out of a file's values, and leave each one's best value in its place.

    Parameters
    ----------
    raw : dict
        The scenario as TOML holds it; changed.

    Returns
    -------
    laws : dict of str to (Law, str)
        By key, with the text that states it.
    problems : list of Problem
    """
    laws: dict[str, tuple[Law, str]] = {}
    problems: list[Problem] = []

    def take(path: str, text: str, reader: Reader) -> Any:
        try:
            law = read_law(text, reader)
        except ValueError as error:
            problems.append(Problem(path, f" = {shown(text)}: {error}"))
            return text
        laws[path] = (law, text)
        return law.best if isinstance(reader, Share | Number) else as_text(law.best, law.unit)

    def walk(at: Any, path: str) -> Any:
        if isinstance(at, dict):
            for name in at:
                at[name] = walk(at[name], f"{path}.{name}" if path else name)
            return at
        entry = schema().get(generic(path))
        if entry is None:
            if isinstance(at, list):  # sections in a list, such as aim.zones
                return [walk(item, f"{path}[{k}]") for k, item in enumerate(at, start=1)]
            return at
        rule = entry.reader
        if isinstance(at, list) and isinstance(rule, Vector):
            return [
                take(f"{path}[{k}]", x, rule.item) if looks_uncertain(x) else x
                for k, x in enumerate(at, start=1)
            ]
        if looks_uncertain(at) and isinstance(rule, Quantity | Share | Number):
            return take(path, at, rule)
        return at

    walk(raw, "")
    return laws, problems


def unknowns_of(scenario: Scenario, stated: Mapping[str, tuple[Law, str]]) -> Iterator[Unknown]:
    """Numbers of a scenario that are not known exactly, in the file's order.

    Parameters
    ----------
    scenario : Scenario
    stated : mapping
        From `take_laws`.

    Yields
    ------
    Unknown
    """
    for key, entry in schema().items():
        mine = [(k, *pair) for k, pair in stated.items() if _belongs(k, key)]
        yield from (Unknown(k, law, text, "stated") for k, law, text in mine if not law.known)
        if mine or entry.unsure is None or not _goes(scenario, key, entry):
            continue
        value = _value(scenario, key)
        measured = scenario.sky.dni == "weather file"
        if value is None and not measured:
            value = USUAL_AIR.get(key.removeprefix("air."))
        if not isinstance(value, float):
            continue
        if key == "air.roughness" and not (measured and scenario.air.wind is None):
            continue  # it brings down a weather file's wind
        unit = {"angle": "rad", "miss": "m"}[scenario.errors.setting_kind]
        unsure = entry.unsure
        if key == "sky.dni_factor" and scenario.sky.weather_forecast:
            unsure = FORECAST
        law = law_of(unsure, value, entry.reader, unit if key == "errors.setting" else "")
        if not law.known:
            yield Unknown(key, law, unsure.by, unsure.source)


def _belongs(path: str, key: str) -> bool:
    """Whether a path is a key, one of a list's values, or one of its zones' keys."""
    return generic(path) == key or generic(path).removesuffix("[]") == key


def _goes(scenario: Scenario, key: str, entry: Entry) -> bool:
    """Whether a key counts with what the other keys of its section say."""
    if entry.only is None:
        return True
    return _value(scenario, f"{key.rpartition('.')[0]}.{entry.only.tag}") in entry.only.words


def _value(scenario: Scenario, key: str) -> Any:
    at: Any = scenario
    for name in key.split("."):
        if not hasattr(at, name):  # a section in a list has no one value
            return None
        at = getattr(at, name)
    return at
