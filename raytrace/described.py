"""What the fields of a result are: unit, meaning and axes, read from the docstring of its class.

A result is a frozen dataclass whose docstring lists its attributes as numpydoc has it::

    delivered, delivered_se : ndarray, shape (D, S)
        Watts on the base, mean until it boils. [W]

That entry is the only place where unit, meaning and axes of a field are stated: data sets, CSV,
JSON and results files are made from it. A class may name its axes and the units in which people
read a field::

    DIMS: ClassVar = {"D": "date", "S": "start"}
    SHOWN: ClassVar = {"highest": "degC"}
    ALSO: ClassVar = ("intercept",)  # properties that belong to the result
    APART: ClassVar = ("map",)  # fields too large for JSON
    HELD: ClassVar = True  # a figure with its bounds: unit and axes are those of whatever holds it
    BARE: ClassVar = ("outcomes",)  # mappings whose entries go by their keys alone

What the entries of a mapping are, such as outcomes by name, only the result itself knows: its
method `entries` says so, by field and key with a dot between them.
"""

from __future__ import annotations

import inspect
import math
import re
import sys
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

__all__ = [
    "SHOWN_BY_DEFAULT",
    "Described",
    "described",
    "described_here",
    "plain_units",
    "shown",
    "shown_name",
]

# (unit, as shown): factor and what is added before it
CONVERSIONS: dict[tuple[str, str], tuple[float, float]] = {
    ("s", "min"): (1 / 60, 0.0),
    ("s", "h"): (1 / 3600, 0.0),
    ("K", "degC"): (1.0, -273.15),
    ("m", "mm"): (1e3, 0.0),
    ("m2", "mm2"): (1e6, 0.0),
    ("m3", "L"): (1e3, 0.0),
    ("W", "kW"): (1e-3, 0.0),
    ("rad", "mrad"): (1e3, 0.0),
    ("rad/m", "deg/mm"): (math.degrees(1e-3), 0.0),
    ("J", "MJ"): (1e-6, 0.0),
    ("J", "Wh"): (1 / 3600, 0.0),
    ("J", "kWh"): (1 / 3.6e6, 0.0),
    ("1", "%"): (100.0, 0.0),
}
SHOWN_BY_DEFAULT = {"rad": "deg", "m": "mm"}


@dataclass(frozen=True)
class Described:
    """One field of a result.

    Attributes
    ----------
    units : str
        As in a results file, such as "W/m2"; "1" for a share; empty for text.
    meaning : str
        What it is, in a few words: how its entry begins.
    dims : tuple of str
        Names of its axes, as far as the docstring gives its shape.
    shown : str
        Unit in which people read it.
    """

    units: str = ""
    meaning: str = ""
    dims: tuple[str, ...] = ()
    shown: str = ""


def described(cls: type[Any]) -> dict[str, Described]:
    """Fields and further properties of a result's class, by name.

    Parameters
    ----------
    cls : type
        A dataclass.

    Returns
    -------
    dict of str to Described
        In the order of the fields; properties in `cls.ALSO` come last.

    Raises
    ------
    RuntimeError
        If Python was told to drop docstrings.

    Examples
    --------
    >>> described(Described)["units"].meaning
    'As in a results file, such as "W/m2"'
    """
    if cls not in _KNOWN:
        _KNOWN[cls] = _described(cls)
    return _KNOWN[cls]


_KNOWN: dict[type[Any], dict[str, Described]] = {}


def described_here(result: Any) -> dict[str, Described]:
    """Fields, further properties, and entries of the mappings of one result, by name.

    Parameters
    ----------
    result : dataclass

    Returns
    -------
    dict of str to Described
    """
    own: Callable[[], dict[str, Described]] = getattr(result, "entries", dict)
    return {**described(type(result)), **own()}


def _described(cls: type[Any]) -> dict[str, Described]:
    if sys.flags.optimize > 1:
        raise RuntimeError("units are read from docstrings: run Python without -OO")
    axes: dict[str, str] = getattr(cls, "DIMS", {})
    wishes: dict[str, str] = getattr(cls, "SHOWN", {})
    entries = _entries(inspect.getdoc(cls) or "")
    further = [*getattr(cls, "ALSO", ()), *getattr(cls, "COORDS", {}).values()]
    also = {name: inspect.getdoc(getattr(cls, name, None)) or "" for name in further}
    out = {}
    for name in dict.fromkeys([*(f.name for f in fields(cls)), *also]):
        head, body = entries.get(name, ("", also.get(name, "")))
        unit = re.search(r"\[([^\[\]]+)\]\s*$", body.strip().split("\n\n")[0])
        units = plain_units(unit[1]) if unit else ""
        shape = re.search(r"shape \(([^)]*)\)", head or body.split("\n\n")[0])
        letters = [x.strip() for x in shape[1].split(",") if x.strip()] if shape else []
        meaning = re.split(r"[.;]\s|\s*\[[^\[\]]+\]\s*$", " ".join(body.split()))[0].rstrip(".;")
        wish = wishes.get(name, SHOWN_BY_DEFAULT.get(units, units))
        if name.endswith("_se"):
            meaning = f"standard error of {name[:-3]}"
            wish = "K" if wish == "degC" else wish  # a difference
        out[name] = Described(
            units,
            meaning,
            tuple(axes.get(x, x) for x in letters),
            wish,
        )
    return out


def plain_units(unit: str) -> str:
    """Unit as a results file has it.

    Parameters
    ----------
    unit : str

    Returns
    -------
    str

    Examples
    --------
    >>> plain_units("W/m²")
    'W/m2'
    """
    plain = unicodedata.normalize("NFKC", unit.replace("°C", "degC").replace("·", " "))
    return re.sub(r"\s+", " ", plain.replace("\N{MINUS SIGN}", "-")).strip()


def _entries(doc: str) -> dict[str, tuple[str, str]]:
    """Type and text of each attribute in a numpydoc docstring."""
    section = re.search(r"^Attributes\n-+\n(.*?)(?=^\S[^\n]*\n-{3,}$|\Z)", doc, flags=re.S | re.M)
    out: dict[str, tuple[str, str]] = {}
    for entry in re.split(r"\n(?=\S)", section[1].rstrip() if section else ""):
        head, _, body = entry.partition("\n")
        names, _, kind = head.partition(" : ")
        for name in names.split(","):
            out[name.strip()] = (kind, inspect.cleandoc(body))
    return out


def shown(value: Any, what: Described) -> Any:
    """A number or an array in the unit in which people read it; "clock" is text, as 9:30.

    Parameters
    ----------
    value : float or ndarray
        In `what.units`.
    what : Described

    Returns
    -------
    float, ndarray, str or list of str

    Raises
    ------
    KeyError
        If no conversion between the two units is known.

    Examples
    --------
    >>> shown(373.15, Described("K", shown="degC"))
    100.0
    """
    if what.shown == what.units or value is None:
        return value
    if what.shown == "clock":
        return [_clock(v) for v in value] if isinstance(value, np.ndarray) else _clock(value)
    if (what.units, what.shown) == ("rad", "deg"):
        return np.degrees(value) if isinstance(value, np.ndarray) else math.degrees(value)
    known = CONVERSIONS.get((what.units, what.shown))
    if known is None:  # both per the same
        (top, _, below), (wanted, _, same) = (x.partition("/") for x in (what.units, what.shown))
        if below != same:
            raise KeyError(f"no conversion from {what.units} to {what.shown}")
        known = CONVERSIONS[top, wanted]
    factor, plus = known
    return (value + plus) * factor if plus else value * factor


def _clock(seconds: float) -> str:
    if not math.isfinite(seconds):
        return ""
    minutes = round(seconds / 60.0)
    return f"{minutes // 60}:{minutes % 60:02d}"


def shown_name(name: str, what: Described) -> str:
    """Name of a field with its unit, as a column of a table or a key of JSON.

    Parameters
    ----------
    name : str
    what : Described

    Returns
    -------
    str

    Examples
    --------
    >>> shown_name("delivered", Described("W/m2", shown="W/m2")), shown_name("kept", Described("1"))
    ('delivered_W_m2', 'kept')
    """
    unit = what.shown
    if unit in ("", "1", "clock"):
        return name
    return f"{name}_{unit.replace('%', 'percent').replace('/', '_').replace(' ', '_')}"
