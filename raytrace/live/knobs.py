"""What can be turned on a design: keys of the scenario as numbers in the units that are shown."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.reports.common.units import unit

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Knob", "knobs_of"]

_UNSURE = re.compile(r"\s*(±|\+/-|\+-).*$")
_ANGLES = {"deg": np.radians(1.0), "mrad": 1e-3, "arcmin": np.radians(1.0 / 60.0)}


@dataclass(frozen=True)
class Knob:
    """A number of the scenario that a hand can turn.

    Attributes
    ----------
    name : str
        With its unit, for people.
    key : str
        As `--set` takes it.
    unit : str
        As scenarios have it; empty for a count.
    per : float
        How many make one SI unit. [1]
    value : float
        In that unit. [1]
    low, high, step : float
        Of its slider; what is typed may lie beyond. [1]
    tail : str
        What the file says of the number's uncertainty.
    why_not : str
        Why it can't be turned here; mostly empty.
    """

    name: str
    key: str
    unit: str
    per: float
    value: float
    low: float
    high: float
    step: float
    tail: str = ""
    why_not: str = ""

    def text(self, value: float) -> str:
        """Value as the scenario has it.

        Parameters
        ----------
        value : float
            In the knob's unit. [1]

        Returns
        -------
        str
        """
        figure = f"{value:.6g}"
        return f"{figure} {self.unit}{self.tail}" if self.unit else figure


def knobs_of(scenario: Scenario) -> list[Knob]:
    """Knobs of a scenario, those that it has no use for with the reason.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    list of Knob
    """
    return list(_knobs(scenario, tomllib.loads(scenario.text)))


def _knobs(scenario: Scenario, raw: dict[str, Any]) -> Iterator[Knob]:
    facets, pot, errors = scenario.facets, scenario.pot, scenario.errors
    length = unit("length")
    fine = 1.0 if length.name == "mm" else 0.05

    def made(
        name: str, key: str, si: float | None, how: tuple[str, float], step: float, why_not: str
    ) -> Knob:
        symbol, per = how
        tail, own = "", _stated(raw, key)
        if isinstance(own, str) and (found := _UNSURE.search(own)):
            tail = f" {found[0].strip()}"
        elif isinstance(own, str) and ".." in own:
            why_not = why_not or f"The file says {key} = {own}; write one number there first."
        value = float(f"{per * (si or 0.0):.9g}")
        span = max(abs(value), 20.0 * step)
        low = value - span if key in _SIGNED else 0.0 if key == "errors.setting" else step
        return Knob(name, key, symbol, per, value, low, value + span, step, tail, why_not)

    def of_length(name: str, key: str, si: float | None, why_not: str = "") -> Knob:
        how = length.name, length.per
        return made(f"{name} [{length.symbol}]", key, si, how, fine, why_not)

    table = ""
    if facets.layout == "places":
        where = _stated(raw, "facets.places")
        table = f"The places of the facets are those of the table {where or 'in the scenario'}."
    yield made("Facet rows", "facets.rows", facets.rows, ("", 1.0), 1.0, table)
    yield made("Facet columns", "facets.columns", facets.columns, ("", 1.0), 1.0, table)
    if facets.shape == "rectangular":
        square = _stated(raw, "facets.height") is None
        yield of_length("Facet size" if square else "Facet width", "facets.width", facets.width)
        if not square:
            yield of_length("Facet height", "facets.height", facets.height)
    elif facets.shape == "round":
        yield of_length("Facet diameter", "facets.diameter", facets.diameter)
    else:
        size = facets.across_corners
        yield of_length("Facet, corner to corner", "facets.across_corners", size)
    yield of_length("Pitch along a row", "facets.pitch_x", facets.pitch_x, table)
    yield of_length("Pitch row to row", "facets.pitch_y", facets.pitch_y, table)
    yield of_length("Pot's place, to the right", "pot.place[1]", pot.place[0])
    yield of_length("Pot's place, toward the sun", "pot.place[2]", pot.place[1])
    yield of_length("Pot's base over the board", "pot.base_height", pot.base_height)
    yield of_length("Pot's diameter", "pot.diameter", pot.diameter)
    yield of_length("Pot's height", "pot.height", pot.height)
    altitude = scenario.design.sun_altitude
    degree = "deg", 1.0 / _ANGLES["deg"]
    knob = made("Design sun altitude [°]", "design.sun_altitude", altitude, degree, 0.5, "")
    yield replace(knob, low=5.0, high=85.0)
    if errors.setting_kind == "miss":
        yield of_length("Setting error, the laser's miss", "errors.setting", errors.setting)
    else:
        said = str(_stated(raw, "errors.setting"))
        name = next((a for a in _ANGLES if re.search(rf"\d\s*{a}\b", said)), "mrad")
        shown = {"deg": "°"}.get(name, name)
        how = name, 1.0 / _ANGLES[name]
        step = 0.01 if name == "deg" else 0.2
        yield made(
            f"Setting error, per axis [{shown}]", "errors.setting", errors.setting, how, step, ""
        )


_SIGNED = ("pot.place[1]", "pot.place[2]", "pot.base_height")


def _stated(raw: dict[str, Any], key: str) -> Any:
    """What the file says of a key; None where it leaves it out."""
    name, _, number = key.rstrip("]").partition("[")
    at: Any = raw
    for part in name.split("."):
        at = at.get(part) if isinstance(at, dict) else None
    if number and isinstance(at, list):
        at = at[int(number) - 1] if int(number) <= len(at) else None
    return at
