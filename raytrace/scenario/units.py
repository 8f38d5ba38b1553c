"""Text such as "100 mm" to an SI float, with our own words where it can't be read.

The table of units is short on purpose: a builder's units, each by its exact definition, and the
angle as a dimension of its own, so that "5 %" is no angle and "3 mrad" no share.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from raytrace.texts import shown

__all__ = ["KINDS", "Kind", "UnitError", "nearest", "read_number", "read_quantity"]

# Inch, foot, yard, mile and pound: exact by the international yard and pound agreement of 1959,
# gallon: 231 cubic inches; degree Fahrenheit: 32 at 273.15 K. As listed in NIST SP 811 (2008),
# appendix B.8.
# pint reads the sign ° as "degree", so that °C is its "degreeC".
DEFINITIONS = f"""
micro- = 1e-6 = µ- = μ- = u-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
hecto- = 1e2 = h-
kilo- = 1e3 = k-
mega- = 1e6 = M-
pi = {math.pi!r}
meter = [length] = m = metre
inch = 0.0254 * meter = in = inches
foot = 12 * inch = ft = feet
yard = 3 * foot = yd
mile = 1760 * yard = mi
second = [time] = s = sec
minute = 60 * second = min
hour = 60 * minute = h = hr
gram = [mass] = g
pound = 453.59237 * gram = lb = lbs = pounds
ounce = pound / 16 = oz = ounces
kelvin = [temperature] = K
degree_Celsius = kelvin; offset: 273.15 = degC = degreeC = celsius
degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = degF = degreeF = fahrenheit
radian = [angle] = rad
degree = pi / 180 * radian = deg = °
arcminute = degree / 60 = arcmin
arcsecond = arcminute / 60 = arcsec
litre = 0.001 * meter ** 3 = L = l = liter
gallon = 231 * inch ** 3 = gal = gallons
quart = gallon / 4 = qt = quarts
pint = gallon / 8 = pt
cup = gallon / 16 = cups
mile_per_hour = mile / hour = mph
newton = kilogram * meter / second ** 2 = N
pascal = newton / meter ** 2 = Pa
bar = 1e5 * pascal
joule = newton * meter = J
watt = joule / second = W
percent = 0.01 = %
"""


class UnitError(ValueError):
    """A value can't be read; the text says why and what to write instead."""


@dataclass(frozen=True)
class Kind:
    """A kind of quantity.

    Attributes
    ----------
    noun : str
        With its article.
    unit : str
        SI.
    examples : tuple of str
        How to write one.
    units : tuple of str
        Those that messages offer; others of its dimension are read too.
    """

    noun: str
    unit: str
    examples: tuple[str, ...]
    units: tuple[str, ...] = ()

    @property
    def wanted(self) -> str:
        """The noun with its examples, as messages use it."""
        return f"{self.noun}, such as " + " or ".join(f'"{e}"' for e in self.examples)


KINDS = {
    "length": Kind(
        "a length", "m", ("100 mm", "4 in"), ("mm", "cm", "m", "km", "in", "ft", "yd", "mi")
    ),
    "angle": Kind("an angle", "rad", ("42 deg", "3 mrad"), ("deg", "mrad", "rad", "arcmin")),
    "irradiance": Kind("an irradiance", "W/m^2", ("850 W/m^2",), ("W/m^2", "kW/m^2")),
    "extinction": Kind("an extinction per length", "1/m", ("8 1/m",), ("1/m", "1/cm", "1/mm")),
    "mass": Kind("a mass", "kg", ("1.5 kg",), ("kg", "g", "lb", "oz")),
    "volume": Kind("a volume", "m^3", ("4 L",), ("L", "m^3", "cm^3", "qt", "gal", "pt", "cup")),
    "temperature": Kind("a temperature", "K", ("20 degC",), ("degC", "degF", "K")),
    "duration": Kind("a duration", "s", ("10 min",), ("s", "min", "h")),
    "speed": Kind("a speed", "m/s", ("2 m/s",), ("m/s", "km/h", "mph")),
    "area": Kind("an area", "m^2", ("0.5 m^2",), ("m^2", "cm^2", "ft^2")),
    "power": Kind("a power", "W", ("500 W",), ("W", "kW")),
    "energy": Kind("an energy", "J", ("2 MJ",), ("J", "kJ", "MJ")),
    "pressure": Kind("a pressure", "Pa", ("850 hPa",), ("Pa", "hPa", "bar")),
    "heat capacity": Kind(
        "a heat capacity", "J/(kg K)", ("3.5 kJ/(kg K)",), ("J/(kg K)", "kJ/(kg K)")
    ),
    "heat loss": Kind("a heat loss", "W/K", ("0.4 W/K",), ("W/K",)),
    "density": Kind("a density", "kg/m^3", ("1.27 g/cm^3",), ("kg/m^3", "g/cm^3")),
    "mass flow": Kind("a mass per time", "kg/s", ("20 g/h",), ("g/h", "kg/h", "oz/h")),
    "share": Kind("a share", "percent", ("85 %",), ("%", "percent")),
}

_NUMBER = re.compile(
    r"""\s*(?P<sign>[+\-−]?)\s*
    (?: (?:(?P<whole>\d+)\s+)? (?P<top>\d+)\s*/\s*(?P<bottom>\d+)(?=\s*[^\d\s.])   # 1 1/2 in
      | (?P<decimal>(?:\d+(?:_\d+)*\.?\d*|\.\d+)(?:[eE][+\-]?\d+)?)
      | (?P<word>nan|inf(?:inity)?)\b )
    \s*(?P<unit>.*?)\s*$""",
    re.VERBOSE | re.IGNORECASE,
)

# A foot and an inch as drawings have them; and a length, mass or time in two units, as said aloud.
MARKS = {"'": "ft", "′": "ft", "’": "ft", '"': "in", "″": "in", "”": "in", "''": "in"}
SAID = {("ft", "in"): 12, ("lb", "oz"): 16, ("h", "min"): 60, ("min", "s"): 60}
_REST = re.compile(r"(?P<unit>[a-z'′’]+)[\s,-]*(?P<rest>\d.*)", re.IGNORECASE)

LONGEST = 80  # of a number with its unit, in characters

# Units by name, each to a small whole power: what is parsed is never computed with.
_NAME = r"[A-Za-zµμ°%]+"
_POWER = rf"{_NAME}(?:\s*(?:\^|\*\*)\s*-?[1-9])?"
_PRODUCT = rf"{_POWER}(?:(?:\s*[*·]\s*|\s+){_POWER})*"
_GROUP = rf"\(\s*{_PRODUCT}\s*\)"
_UNIT = re.compile(rf"(?:1|{_PRODUCT}|{_GROUP})(?:\s*/\s*(?:{_POWER}|{_GROUP}))*")

_COMPASS = re.compile(r"(?:[\s°'\"][NSEW]|north|south|east|west)$", re.IGNORECASE)


def nearest(word: str, options: Iterable[str], cutoff: float = 0.5) -> str | None:
    """Option that looks most like a word.

    Parameters
    ----------
    word : str
    options : iterable of str
    cutoff : float
        Least likeness, 0 to 1.

    Returns
    -------
    str or None
        None if none is like it, or the word is no word by its length.

    Examples
    --------
    >>> nearest("sunshap", ["sunshape", "sun_radius"])
    'sunshape'
    """
    if len(word) > LONGEST:
        return None
    folded: dict[str, str] = {}
    for option in options:
        folded.setdefault(option.casefold(), option)
    found = difflib.get_close_matches(word.casefold(), folded, n=1, cutoff=cutoff)
    return folded[found[0]] if found else None


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(None, cache_folder=None)
    registry.load_definitions(DEFINITIONS.strip().splitlines())
    return registry


@lru_cache(maxsize=256)
def _parse_unit(text: str) -> Any:
    """Pint unit of a text, None if it is none."""
    # "m2" and "m²" are as common on paper as "m^2".
    spelled = re.sub(r"(?<=[A-Za-z])(?=-?\d)", "^", text.replace("²", "^2").replace("³", "^3"))
    if spelled.startswith("/"):
        spelled = "1" + spelled
    if not _UNIT.fullmatch(spelled):
        return None
    try:
        return _registry().parse_units(spelled.replace("·", "*"))
    except Exception:  # pint lets tokenizer, type and assertion errors through
        return None


def _kind_of(unit: Any) -> str | None:
    for name, kind in KINDS.items():
        if unit.dimensionality == _parse_unit(kind.unit).dimensionality:
            return name
    return None


def read_number(text: str) -> tuple[float, str]:
    """Split a text into number and unit; fractions, and feet with inches, are read too.

    Parameters
    ----------
    text : str

    Returns
    -------
    value : float
        In that unit.
    unit : str
        As written; empty if there is none.

    Raises
    ------
    UnitError
        If there is no number, it has a decimal comma, is not finite or goes on too long.

    Examples
    --------
    >>> read_number("1 1/2 in"), read_number("5 ft 3 in"), read_number('5 1/4"')
    ((1.5, 'in'), (63.0, 'in'), (5.25, 'in'))
    """
    if len(text) > LONGEST:
        raise UnitError("too long for a number with its unit")
    match = _NUMBER.match(text)
    if match is None:
        raise UnitError("no number")
    if match["unit"].startswith(",") and match["unit"][1:2].isdigit():
        raise UnitError("a comma in the number; it needs a decimal point")
    if match["word"]:
        raise UnitError("not a finite number")
    if match["decimal"]:
        value = float(match["decimal"])
    elif int(match["bottom"]) == 0:
        raise UnitError("divides by zero")
    else:
        value = float(match["whole"] or 0) + float(match["top"]) / float(match["bottom"])
    if not math.isfinite(value):
        raise UnitError("not a finite number")
    unit = MARKS.get(match["unit"], match["unit"])
    if said := _REST.fullmatch(unit):
        first = MARKS.get(said["unit"], said["unit"])
        rest, second = read_number(said["rest"])
        if (first, second) in SAID:
            value, unit = SAID[first, second] * value + rest, second
    return (-value if match["sign"] in ("-", "−") else value), unit


def _unknown(unit: str, wanted: list[Kind]) -> str:
    options = [u for kind in wanted for u in kind.units]
    near = nearest(unit, options, cutoff=0.6)
    tail = (f'Nearest: "{near}". ' if near else "") + "Units: " + ", ".join(options) + "."
    return f"unknown unit {shown(unit)}. {tail}"


def read_quantity(value: object, *kinds: str) -> tuple[float, str]:
    """SI value of a text with a unit, and which of the allowed kinds it is.

    Parameters
    ----------
    value : object
        What the file holds: text such as "100 mm" if all is well.
    *kinds : str
        Allowed kinds, keys of `KINDS`.

    Returns
    -------
    value : float
        In the SI unit of the kind; angles in radians.
    kind : str
        The kind found.

    Raises
    ------
    UnitError
        If there is no number or no unit, or it is of another kind.

    Examples
    --------
    >>> read_quantity("4 in", "length")
    (0.1016, 'length')
    """
    if not isinstance(value, str):
        wanted = [KINDS[k] for k in kinds]
        nouns = ", or ".join(k.wanted for k in wanted)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise UnitError(f"not {' or '.join(k.noun for k in wanted)}. Write {nouns}.")
        raise UnitError(f"no unit. Write {nouns}.")
    return _read_text(value, kinds)


@lru_cache(maxsize=4096)
def _read_text(value: str, kinds: tuple[str, ...]) -> tuple[float, str]:
    wanted = [KINDS[k] for k in kinds]
    nouns = ", or ".join(k.wanted for k in wanted)
    try:
        number, text = read_number(value)
    except UnitError as error:
        raise UnitError(f"{error}. Write {nouns}.") from None
    if not text:
        raise UnitError(f"no unit. Write {nouns}.")
    if si := next((k for k in kinds if KINDS[k].unit == text), None):
        return number, si  # nothing to convert
    if "angle" in kinds and _COMPASS.search(text):
        raise UnitError('a compass letter. South and west are negative, as in "-12.5 deg".')
    unit = _parse_unit(text)
    if unit is None:
        raise UnitError(_unknown(text, wanted))
    found = _kind_of(unit)
    if found not in kinds:
        noun = KINDS[found].noun if found else "something else"
        need = " or ".join(k.noun for k in wanted)
        examples = " or ".join(f'"{k.examples[0]}"' for k in wanted)
        raise UnitError(f"{noun}, but {need} is needed, such as {examples}.")
    si = _registry().Quantity(number, unit).to(_parse_unit(KINDS[found].unit)).magnitude
    if not math.isfinite(si):
        raise UnitError(f"not a finite number. Write {nouns}.")
    return float(si), found
