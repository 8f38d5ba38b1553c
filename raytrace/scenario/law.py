"""What is known of a number: its best value and the law of its uncertainty.

A scenario may say ``reflectance = "0.85 ± 0.03"``. What nobody knows exactly has an uncertainty
by default, which the table of keys states with its source; ``± 0`` says that it is known.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.scenario.units import KINDS, UnitError, read_number, read_quantity
from raytrace.scenario.values import Number, Quantity, Reader, Share

__all__ = ["HOW", "Law", "Unsure", "as_text", "law_of", "limits_of", "looks_uncertain", "read_law"]

Array = NDArray[np.float64]
Shape = Literal["normal", "uniform", "triangular", "lognormal"]

HOW = (
    'write "0.85 ± 0.03" (standard uncertainty), "0.80..0.90" (evenly likely), '
    '"triangular(0.80, 0.86, 0.90)" (least, likeliest, most) or "lognormal(0.05, 1.5)" '
    "(median, factor of one standard deviation)"
)

_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_NAMED = re.compile(r"\s*(normal|uniform|triangular|lognormal)\s*\((.*)\)\s*", re.DOTALL)
PER_CENT = ("%", "percent")
_COUNT = {"normal": 2, "uniform": 2, "triangular": 3, "lognormal": 2}


@dataclass(frozen=True)
class Law:
    """Probability law of one number, cut off at the limits of its key.

    Attributes
    ----------
    shape : str
        "normal" of mean a and standard deviation b; "uniform" from a to b; "triangular" from a
        over the likeliest b to c; "lognormal" of median a and geometric standard deviation b.
    a, b, c : float
        In the SI unit of the key.
    low, high : float
        Limits of the key; nothing lies beyond.
    unit : str
        SI unit, empty for a bare number.

    References
    ----------
    .. [1] JCGM 101:2008, Evaluation of measurement data, Supplement 1 to the GUM: Propagation of
       distributions using a Monte Carlo method, section 6.4 (which law for what is known).
    """

    shape: Shape
    a: float
    b: float
    c: float = math.nan
    low: float = -math.inf
    high: float = math.inf
    unit: str = ""

    @property
    def best(self) -> float:
        """The value that is computed with where nothing is drawn."""
        return {
            "normal": self.a,
            "uniform": 0.5 * (self.a + self.b),
            "triangular": self.b,
            "lognormal": self.a,
        }[self.shape]

    @property
    def known(self) -> bool:
        """Whether nothing is uncertain about it."""
        none = {"normal": self.b == 0.0, "lognormal": self.b == 1.0 or self.a == 0.0}
        return none.get(self.shape, self.a == (self.c if self.shape == "triangular" else self.b))

    @property
    def spread(self) -> float:
        """Standard deviation, the limits left aside."""
        a, b, c = self.a, self.b, self.c
        if self.shape == "normal":
            return b
        if self.shape == "uniform":
            return (b - a) / math.sqrt(12.0)
        if self.shape == "triangular":
            return math.sqrt((a * a + b * b + c * c - a * b - a * c - b * c) / 18.0)
        v = math.log(b) ** 2
        return a * math.exp(0.5 * v) * math.sqrt(math.expm1(v))

    def at(self, share: ArrayLike) -> Array:
        """Value that a share of all draws stay under.

        Parameters
        ----------
        share : array_like
            Between 0 and 1.

        Returns
        -------
        ndarray, shape of share
            In the SI unit of the key.

        Examples
        --------
        >>> Law("normal", 0.9, 0.1, high=1.0).at([0.5, 1.0]).round(4).tolist()
        [0.88, 1.0]
        """
        u = np.asarray(share, dtype=float)
        if self.known:
            return np.full(u.shape, self.best)
        law = self._frozen()
        begin, end = law.cdf(self.low), law.cdf(self.high)
        return np.asarray(np.clip(law.ppf(begin + u * (end - begin)), self.low, self.high))

    def density(self, x: ArrayLike) -> Array:
        """Logarithm of the density, but for a constant; -inf beyond the limits.

        Parameters
        ----------
        x : array_like
            In the SI unit of the key.

        Returns
        -------
        ndarray, shape of x
            [1]
        """
        x = np.asarray(x, dtype=float)
        if self.known:
            return np.where(np.isclose(x, self.best), 0.0, -np.inf)
        with np.errstate(divide="ignore", invalid="ignore"):
            log = np.asarray(self._frozen().logpdf(x))
        return np.where((x >= self.low) & (x <= self.high), log, -np.inf)

    def _frozen(self) -> Any:
        from scipy import stats

        a, b, c = self.a, self.b, self.c
        if self.shape == "normal":
            return stats.norm(a, b)
        if self.shape == "uniform":
            return stats.uniform(a, b - a)
        if self.shape == "triangular":
            return stats.triang((b - a) / (c - a), a, c - a)
        return stats.lognorm(math.log(b), scale=a)


@dataclass(frozen=True)
class Unsure:
    """What is not known of a key by default, relative to the value that it has.

    Attributes
    ----------
    by : str
        "± 0.03" in the key's own unit, "± 5 %" of the value, "×/÷ 1.3" a factor either way, as one
        standard deviation.
    source : str
        Where that comes from.
    """

    by: str
    source: str = "common practice, no source"


def looks_uncertain(value: object) -> bool:
    """Whether a text means to say how uncertain its number is.

    Parameters
    ----------
    value : object
        What the file holds.

    Returns
    -------
    bool

    Examples
    --------
    >>> looks_uncertain("3 mm ± 0.3 mm"), looks_uncertain("3 mm"), looks_uncertain(0.85)
    (True, False, False)
    """
    if not isinstance(value, str):
        return False
    return bool(_PLUS_MINUS.search(value) or ".." in value or _NAMED.fullmatch(value))


def read_law(value: str, reader: Reader) -> Law:
    """Law that a text states for a key.

    Parameters
    ----------
    value : str
    reader : Reader
        Rule of the key.

    Returns
    -------
    Law

    Raises
    ------
    ValueError
        What is wrong, and what may be written.
    """
    if not isinstance(reader, Quantity | Share | Number) or getattr(reader, "whole", False):
        raise ValueError(f"no uncertainty can be given here. Write {reader.allowed}.")
    named = _NAMED.fullmatch(value)
    if named:
        shape, parts = named[1], [part.strip() for part in named[2].split(",")]
    elif ".." in value:
        shape, parts = "uniform", [part.strip() for part in value.split("..")]
    else:
        shape, parts = "normal", [part.strip() for part in _PLUS_MINUS.split(value)]
    if len(parts) != _COUNT[shape] or not all(parts):
        raise ValueError(f"not understood: {HOW}.")
    try:
        law = _law(shape, parts, reader)
    except UnitError as error:
        raise ValueError(str(error)) from None
    if shape in ("normal", "lognormal") and law.b < (1.0 if shape == "lognormal" else 0.0):
        least = "a factor of 1 or more" if shape == "lognormal" else "0 or more"
        raise ValueError(f"the uncertainty must be {least}.")
    if shape == "uniform" and not law.a <= law.b:
        raise ValueError("the first must not be more than the second.")
    if shape == "triangular" and not law.a <= law.b <= law.c:
        raise ValueError("must rise: least, likeliest, most.")
    if shape == "lognormal" and law.a <= 0.0:
        raise ValueError("the median of a lognormal must be more than 0.")
    return _limited(law, reader)


def law_of(unsure: Unsure, value: float, reader: Reader, unit: str = "") -> Law:
    """Law of a key by default, round the value that it has.

    Parameters
    ----------
    unsure : Unsure
    value : float
        SI.
    reader : Reader
    unit : str
        SI unit, where the key may have several kinds; by default that of the first.

    Returns
    -------
    Law
    """
    sign, _, size = unsure.by.partition(" ")
    unit = unit or (KINDS[reader.kinds[0]].unit if isinstance(reader, Quantity) else "")
    if sign == "×/÷":
        law = Law("lognormal", value, float(size))
    elif size.endswith("%") and isinstance(reader, Quantity):
        law = Law("normal", value, abs(value) * float(size[:-1]) / 100.0)
    else:
        law = Law("normal", value, _width(size, f"1 {unit}".strip(), reader))
    return _limited(replace(law, unit=unit), reader)


def as_text(value: float, unit: str) -> str:
    """Value as a scenario file would have it, to the last bit.

    Parameters
    ----------
    value : float
        SI.
    unit : str
        As `Law.unit`.

    Returns
    -------
    str
    """
    return f"{float(value)!r} {unit}".strip()


def _law(shape: Any, parts: list[str], reader: Reader) -> Law:
    if shape == "lognormal":
        factor, unit = read_number(parts[1])
        if unit:
            raise ValueError("the second of a lognormal is a factor, without a unit.")
        return Law(shape, _value(parts[0], reader), factor, unit=_si(parts[0], reader))
    units = [read_number(part)[1] for part in parts]
    if isinstance(reader, Quantity):  # "3 ± 0.3 mm": what stands last counts for all
        own = next((u for u in reversed(units) if u and u not in PER_CENT), "")
        parts = [f"{p} {own}".strip() if not u else p for p, u in zip(parts, units, strict=True)]
    if shape == "normal":
        law = Law(shape, _value(parts[0], reader), _width(parts[1], parts[0], reader))
    else:
        a, b, c = (*(_value(part, reader) for part in parts), math.nan)[:3]
        law = Law(shape, a, b, c)
    return replace(law, unit=_si(parts[0], reader))


def _si(text: str, reader: Reader) -> str:
    """SI unit of a key's value, empty for a bare number."""
    if not isinstance(reader, Quantity):
        return ""
    return KINDS[read_quantity(text, *reader.kinds)[1]].unit


def _value(text: str, reader: Reader) -> float:
    """One value in SI units, not yet held against the limits."""
    if isinstance(reader, Quantity):
        return read_quantity(text, *reader.kinds)[0]
    number, unit = read_number(text)
    if isinstance(reader, Share) and unit:
        return read_quantity(text, "share")[0] / 100.0
    if unit:
        raise ValueError(f"a bare number is needed, not {unit!r}.")
    return number


def _width(text: str, beside: str, reader: Reader) -> float:
    """Standard uncertainty in SI units; a share of the value beside it where it is in per cent."""
    number, unit = read_number(text)
    if isinstance(reader, Quantity):
        if unit in PER_CENT:
            return abs(_value(beside, reader)) * number / 100.0
        kind = read_quantity(beside, *reader.kinds)[1]
        if kind == "temperature":  # a difference: of kelvins and of degrees Celsius alike
            read_quantity(text, kind)
            return number
        return read_quantity(text, kind)[0]
    if isinstance(reader, Share) and bool(unit) != bool(read_number(beside)[1]):
        raise ValueError('write both as shares or both in per cent, such as "0.85 ± 0.03".')
    return _value(text, reader)


def _limited(law: Law, reader: Reader) -> Law:
    """Cut a law off at the limits of its key; its unit says which kind of quantity it has."""
    low, high = limits_of(reader, law.unit)
    return replace(law, low=max(law.low, low), high=min(law.high, high))


def limits_of(reader: Reader, unit: str) -> tuple[float, float]:
    """Least and greatest value of a key.

    Parameters
    ----------
    reader : Reader
        Rule of the key.
    unit : str
        SI unit, which says which kind of quantity it has.

    Returns
    -------
    low, high : float
        In that unit; infinite where there is no limit.
    """
    if isinstance(reader, Share):
        return 0.0, 1.0
    if isinstance(reader, Number):
        return reader.low, reader.high
    if not isinstance(reader, Quantity):
        return -math.inf, math.inf
    kind = next(k for k in reader.kinds if KINDS[k].unit == unit)
    low, high = reader.low or reader.above, reader.high
    if reader.highs:
        low, high = f"0 {unit}", reader.highs[reader.kinds.index(kind)]
    return (
        -math.inf if low is None else read_quantity(low, kind)[0],
        math.inf if high is None else read_quantity(high, kind)[0],
    )
