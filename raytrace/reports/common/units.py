"""In which units reports are written: SI, or those of a workshop in the United States.

Everything inside is SI. Whoever prints a length, a temperature, a volume, a mass or a speed asks
here how; the command line chooses the system once. Watts, irradiances, hours of sunshine and
angles are the same in both.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeVar

from raytrace.scenario.units import read_quantity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "SYSTEM",
    "SYSTEMS",
    "Unit",
    "axis_words",
    "chosen",
    "clock_words",
    "drawn",
    "in_columns",
    "inches",
    "mass",
    "quantity",
    "retold",
    "short",
    "tape",
    "unit",
    "using",
    "volume",
    "yard",
]

Figures = TypeVar("Figures", float, "NDArray[np.float64]")

SYSTEMS = ("si", "us")
SYSTEM: ContextVar[str] = ContextVar("SYSTEM", default="si")

# kind of figure: kind of quantity, unit of SI and of the US, as scenarios and tables name them
NAMES = {
    "length": ("length", "mm", "in"),
    "yard": ("length", "m", "ft"),
    "way": ("length", "km", "mi"),
    "area": ("area", "m^2", "ft^2"),
    "temperature": ("temperature", "degC", "degF"),
    "difference": ("temperature", "K", "degF"),
    "volume": ("volume", "L", "qt"),
    "mass": ("mass", "kg", "lb"),
    "speed": ("speed", "m/s", "mph"),
}
SYMBOLS = {"degC": "°C", "degF": "°F", "m^2": "m²", "ft^2": "ft²"}

SIXTEENTHS = 16
INCHES = 12  # in a foot
OUNCES = 16  # in a pound
QUARTS = 4  # in a gallon
MINUS = "\N{MINUS SIGN}"


# kinds of figures whose SI symbol says all: no zero to shift
BY_SYMBOL = {
    "mm": "length", "m": "yard", "km": "way", "m²": "area", "K": "difference", "L": "volume",
    "kg": "mass", "m/s": "speed",
}  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """A unit in which figures are shown.

    Attributes
    ----------
    symbol : str
        As screens and figures have it.
    name : str
        As scenarios have it.
    per : float
        How many make one SI unit; of differences and errors too.
    zero : float
        What is shown for 0 SI.
    finer : int
        Decimals beyond those of the system's SI unit, so that no digit is lost.
    """

    symbol: str
    name: str
    per: float
    zero: float
    finer: int

    def of(self, si: Figures) -> Figures:
        """Figures in this unit.

        Parameters
        ----------
        si : float or ndarray

        Returns
        -------
        float or ndarray
        """
        return self.per * si + self.zero if self.zero else self.per * si

    def fixed(self, si: float, decimals: int = 0, sign: bool = False) -> str:
        """Figure to so many decimals, without the unit's name.

        Parameters
        ----------
        si : float
        decimals : int
            In the SI unit of its kind; in a coarser unit as many more as keep its last digit.
        sign : bool
            Whether a plus is shown.

        Returns
        -------
        str
            A dash where there is none.

        Examples
        --------
        >>> unit("length").fixed(-0.0254, 1), unit("temperature").fixed(373.15)
        ('−25.4', '100')
        """
        if not math.isfinite(si):
            return "–"
        places = max(0, decimals + self.finer)
        value = round(self.of(float(si)), places) + 0.0  # + 0.0: no "-0"
        return f"{value:{'+' if sign and value else ''}.{places}f}".replace("-", MINUS)


def unit(kind: str) -> Unit:
    """Unit of a kind of figure in the chosen system.

    Parameters
    ----------
    kind : str
        A key of `NAMES`: "length" is of facets and misses, "yard" of distances that are paced,
        "difference" of temperatures.

    Returns
    -------
    Unit

    Examples
    --------
    >>> with using("us"):
    ...     unit("temperature").symbol, round(unit("temperature").of(373.15), 6)
    ('°F', 212.0)
    """
    return _unit(kind, SYSTEM.get())


@lru_cache
def _unit(kind: str, system: str) -> Unit:
    what, *names = NAMES[kind]

    def in_si(number: int, name: str) -> float:
        return read_quantity(f"{number} {name}", what)[0]

    one, other = ((in_si(1, name) - in_si(0, name)) for name in names)
    name, size = (names[0], one) if system == "si" else (names[1], other)
    zero = 0.0 if kind == "difference" else -in_si(0, name) / size
    return Unit(
        SYMBOLS.get(name, name), name, 1.0 / size, zero, math.ceil(math.log10(size / one) - 1e-9)
    )


def chosen(symbol: str) -> tuple[float, str]:
    """From a unit of SI to the chosen system's, for figures whose unit is data.

    Parameters
    ----------
    symbol : str
        Such as "L/day"; what isn't known here, such as "kWh", is the same in both.

    Returns
    -------
    factor : float
    symbol : str

    Examples
    --------
    >>> chosen("L/day")
    (1.0, 'L/day')
    >>> with using("us"):
    ...     chosen("L/day")[1], chosen("m²")[1], chosen("W/m²")
    ('qt/day', 'ft²', (1.0, 'W/m²'))
    """
    whole = symbol in BY_SYMBOL
    top, slash, below = (symbol, "", "") if whole else symbol.partition("/")
    if top not in BY_SYMBOL:
        return 1.0, symbol
    here = unit(BY_SYMBOL[top])
    return here.per / _unit(BY_SYMBOL[top], "si").per, f"{here.symbol}{slash}{below}"


@contextmanager
def using(system: str) -> Iterator[None]:
    """Write reports in a system for a while.

    Parameters
    ----------
    system : str
        One of `SYSTEMS`.

    Raises
    ------
    ValueError
        If it is none of them.
    """
    if system not in SYSTEMS:
        raise ValueError(f"{system!r}: one of {SYSTEMS}")
    before = SYSTEM.set(system)
    try:
        yield
    finally:
        SYSTEM.reset(before)


def quantity(kind: str, si: float, decimals: int | None = None, digits: int = 3) -> str:
    """Figure with its unit.

    Parameters
    ----------
    kind : str
        As for `unit`.
    si : float
    decimals : int, optional
        As for `Unit.fixed`; without them so many significant digits.
    digits : int

    Returns
    -------
    str

    Examples
    --------
    >>> quantity("length", 0.0079), quantity("temperature", 355.15, 0), quantity("speed", 2.0)
    ('7.90 mm', '82 °C', '2.00 m/s')
    >>> with using("us"):
    ...     quantity("length", 0.0079), quantity("temperature", 355.15, 0), quantity("speed", 2.0)
    ('0.311 in', '180 °F', '4.47 mph')
    """
    from raytrace.reports.common.numbers import plain

    shown = unit(kind)
    figure = plain(shown.of(si), digits) if decimals is None else shown.fixed(si, decimals)
    return f"{figure} {shown.symbol}"


def short(kind: str, si: float, digits: int = 3) -> str:
    """Figure with its unit, without zeros at its end.

    Parameters
    ----------
    kind : str
        As for `unit`.
    si : float
    digits : int
        Significant, at most.

    Returns
    -------
    str

    Examples
    --------
    >>> short("area", 0.54), short("yard", 2.0), short("length", 1.2346)
    ('0.54 m²', '2 m', '1230 mm')
    """
    shown = unit(kind)
    return f"{float(f'{shown.of(si):.{digits}g}'):.15g} {shown.symbol}"


def drawn(si: Figures) -> Figures:
    """Lengths as drawings of a cooker have them: in millimetres or inches.

    Parameters
    ----------
    si : float or ndarray
        [m]

    Returns
    -------
    float or ndarray
    """
    return unit("length").of(si)


def axis_words(words: str, kind: str = "length") -> str:
    """Label of an axis.

    Parameters
    ----------
    words : str
        What is along it.
    kind : str
        As for `unit`.

    Returns
    -------
    str

    Examples
    --------
    >>> axis_words("x, to the platform's right")
    "x, to the platform's right [mm]"
    """
    return f"{words} [{unit(kind).symbol}]"


def tape(si: float, decimals: int = 0) -> str:
    """Length as it is laid off with a tape: millimetres, or inches to the sixteenth.

    Parameters
    ----------
    si : float
        [m]
    decimals : int
        Of millimetres.

    Returns
    -------
    str

    Examples
    --------
    >>> tape(0.1334)
    '133 mm'
    >>> with using("us"):
    ...     tape(0.1334), tape(0.0005), tape(1.6)
    ('5 1/4"', '1/32"', '63"')
    """
    if SYSTEM.get() == "si":
        return quantity("length", si, decimals)
    return f'{inches(unit("length").of(si))}"'


def inches(value: float) -> str:
    """Inches as a fraction, to the sixteenth; below a sixteenth to the thirty-second.

    Parameters
    ----------
    value : float
        [in]

    Returns
    -------
    str
        Without a unit; a dash where there is none.

    Examples
    --------
    >>> inches(5.25), inches(-0.49), inches(11.99), inches(0.03)
    ('5 1/4', '−1/2', '12', '1/32')
    """
    if not math.isfinite(value):
        return "–"
    parts = SIXTEENTHS if abs(value) >= 1.0 / SIXTEENTHS else 2 * SIXTEENTHS
    whole, rest = divmod(round(abs(value) * parts), parts)
    common = math.gcd(rest, parts)
    words = [str(whole)] if whole or not rest else []
    words += [f"{rest // common}/{parts // common}"] if rest else []
    return (MINUS if value < 0.0 and (whole or rest) else "") + " ".join(words)


def yard(si: float, digits: int = 3) -> str:
    """Distance as it is paced or taped: metres, or feet and inches.

    Parameters
    ----------
    si : float
        [m]
    digits : int
        Of metres.

    Returns
    -------
    str

    Examples
    --------
    >>> yard(1.6)
    '1.6 m'
    >>> with using("us"):
    ...     yard(1.6), yard(0.25), yard(1.8287), yard(300.0)
    ('5 ft 3 in', '10 in', '6 ft', '984 ft')
    """
    if SYSTEM.get() == "si" or not math.isfinite(si):
        return short("yard", si, digits)
    feet, rest = divmod(round(unit("length").of(abs(si))), INCHES)
    sign = MINUS if si < 0.0 and (feet or rest) else ""
    if feet >= 100:
        return f"{sign}{round(unit('yard').of(abs(si)))} ft"
    return sign + " ".join([f"{feet} ft"] * bool(feet) + [f"{rest} in"] * bool(rest or not feet))


def volume(si: float, digits: int = 3) -> str:
    """Volume of a pot: litres; or quarts, from two gallons on gallons.

    Parameters
    ----------
    si : float
        [m³]
    digits : int
        Significant, at most.

    Returns
    -------
    str

    Examples
    --------
    >>> volume(2e-3)
    '2 L'
    >>> with using("us"):
    ...     volume(2e-3), volume(20e-3)
    ('2.11 qt', '5.28 gal')
    """
    shown = unit("volume")
    value, symbol = shown.of(si), shown.symbol
    if symbol == "qt" and value >= 2 * QUARTS:
        value, symbol = value / QUARTS, "gal"
    return f"{value:.{digits}g} {symbol}"


def mass(si: float, digits: int = 3) -> str:
    """Mass on a kitchen's scales: kilograms; or pounds and ounces.

    Parameters
    ----------
    si : float
        [kg]
    digits : int
        Significant, at most, of kilograms and of ounces alone.

    Returns
    -------
    str

    Examples
    --------
    >>> mass(1.5)
    '1.5 kg'
    >>> with using("us"):
    ...     mass(1.5), mass(0.1), mass(0.45359237)
    ('3 lb 5 oz', '3.53 oz', '1 lb')
    """
    shown = unit("mass")
    value = shown.of(si)
    if shown.symbol == "kg" or not math.isfinite(value):
        return f"{value:.{digits}g} {shown.symbol}"
    ounces = OUNCES * abs(value)
    sign = MINUS if value < 0.0 else ""
    if round(ounces) < OUNCES:
        return f"{sign}{ounces:.{digits}g} oz"
    pounds, rest = divmod(round(ounces), OUNCES)
    return f"{sign}{pounds} lb" + (f" {rest} oz" if rest else "")


def clock_words(hour: int, minute: int, pad: bool = False, brief: bool = False) -> str:
    """Time of day: by 24 hours, or by twice 12.

    Parameters
    ----------
    hour, minute : int
        24:00 is the end of a day.
    pad : bool
        Whether hours have two digits, by 24 hours.
    brief : bool
        Whether a full hour of twice 12 goes without minutes, as along an axis.

    Returns
    -------
    str

    Examples
    --------
    >>> clock_words(9, 30), clock_words(9, 30, pad=True)
    ('9:30', '09:30')
    >>> with using("us"):
    ...     clock_words(12, 5), clock_words(24, 0), clock_words(9, 0, brief=True)
    ('12:05 pm', 'midnight', '9 am')
    """
    if SYSTEM.get() == "si":
        return f"{hour:0{2 if pad else 1}d}:{minute:02d}"
    if (hour, minute) == (24, 0):
        return "midnight"
    minutes = "" if brief and not minute else f":{minute:02d}"
    return f"{(hour - 1) % 12 + 1}{minutes} {'pm' if hour % 24 >= 12 else 'am'}"


# quantities and clock times in a sentence
_SAID = re.compile(
    r"(?P<from>[-−]?\d+(?:\.\d+)?)(?P<to> to [-−]?\d+(?:\.\d+)?)? "
    r"(?P<symbol>mm|m|km|m²|°C|K|L|kg|m/s)(?![\w²/])"
)
_CLOCK = re.compile(r"(?<![\d:])(\d{1,2}):([0-5]\d)(?![\d:])")


def retold(text: str) -> str:
    """Sentence from below the reports, whose quantities are in SI, in the chosen units.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> with using("us"):
    ...     retold("from 10:30 on 40 to 90.5 °C, under 1.0 m/s, 7 kW/m²")
    'from 10:30 am on 104 to 194.9 °F, under 2.2 mph, 7 kW/m²'
    """
    if SYSTEM.get() == "si":
        return text

    def quantity_of(match: re.Match[str]) -> str:
        kind = "temperature" if match["symbol"] == "°C" else BY_SYMBOL[match["symbol"]]
        here, there = _unit(kind, "si"), unit(kind)

        def figure(words: str) -> str:
            _, _, decimals = words.partition(".")
            si = (float(words.replace(MINUS, "-")) - here.zero) / here.per
            return there.fixed(si, len(decimals))

        ends = [figure(x) for x in (match["from"], (match["to"] or "").removeprefix(" to ")) if x]
        return f"{' to '.join(ends)} {there.symbol}"

    def time_of(match: re.Match[str]) -> str:
        return clock_words(int(match[1]), int(match[2]), brief=True)

    return _CLOCK.sub(time_of, _SAID.sub(quantity_of, text))


# ends of a head that say a unit, and the kind that it is of: none where it is part of another unit
_HEAD = re.compile(r"(?P<stem>.*?)_(?P<unit>mm|m|degC|K|L|kg|m_s|m/s|m2)(?P<per>_day)?$")
_PART = re.compile(r"(^|_)(W|kW|Wh|kWh|J|MJ|deg|mrad|rad|per|W_s)$")
_OF_HEAD = {
    "mm": "length", "m": "yard", "degC": "temperature", "K": "difference", "L": "volume",
    "kg": "mass", "m_s": "speed", "m/s": "speed", "m2": "area",
}  # fmt: skip


def in_columns(
    columns: Sequence[str], rows: Sequence[Sequence[Any]]
) -> tuple[list[str], list[list[Any]]]:
    """A table in the chosen system: its figures, and the units in its heads.

    Parameters
    ----------
    columns : sequence of str
        Heads that end in their SI unit.
    rows : sequence of sequence

    Returns
    -------
    columns : list of str
    rows : list of list

    Examples
    --------
    >>> with using("us"):
    ...     in_columns(["x_mm", "water_degC", "flux_W_m2"], [[25.4, 100.0, 7.0], [None, 0, 1]])
    (['x_in', 'water_degF', 'flux_W_m2'], [[1.0, 212.0, 7.0], [None, 32.0, 1]])
    """
    if SYSTEM.get() == "si":
        return list(columns), [list(row) for row in rows]
    heads: list[str] = []
    how: list[tuple[float, float] | None] = []
    for column in columns:
        match = _HEAD.fullmatch(column)
        if "_per_mm" in column:
            heads.append(column.replace("_per_mm", "_per_in"))
            how.append((_unit("length", "si").per / _unit("length", "us").per, 0.0))
            continue
        if match is None or _PART.search(match["stem"]):
            heads.append(column)
            how.append(None)
            continue
        kind = _OF_HEAD[match["unit"]]
        si, us = _unit(kind, "si"), _unit(kind, "us")
        name = us.name.replace("^", "") + (match["per"] or "")
        heads.append(f"{match['stem']}_{'delta_' if kind == 'difference' else ''}{name}")
        how.append((us.per / si.per, us.zero - si.zero * us.per / si.per))
    return heads, [[_cell(x, h) for x, h in zip(row, how, strict=True)] for row in rows]


def _cell(value: Any, how: tuple[float, float] | None) -> Any:
    if how is None or not isinstance(value, int | float) or isinstance(value, bool):
        return value
    factor, zero = how
    return float(f"{factor * value + zero:.8g}")
