"""How sure an answer is, in words: its interval, and what the interval is made of."""

from __future__ import annotations

import math
from collections.abc import Mapping

from raytrace.statistics.likely import Likely

__all__ = [
    "ALIKE",
    "KIND_WORDS",
    "expected_words",
    "interval_words",
    "parts_sentence",
    "parts_words",
]

ALIKE = "a cooker built and used like this"
WIDE = 1.96  # standard deviations of a normal on either side that hold 95 % of it
KIND_WORDS = {
    "inputs": "what isn't known",
    "builds": "how builds differ",
    "uses": "how each use differs",
}


def _decimals(width: float) -> int:
    """Decimals that a number which is good to some width deserves: two digits of the width."""
    return max(1 - math.floor(math.log10(width)), -6) if 0.0 < width < math.inf else 0


def _rounded(value: float, decimals: int) -> str:
    return f"{round(value, decimals):.{max(decimals, 0)}f}"


def interval_words(found: Likely, unit: str, *, scale: float = 1.0) -> str:
    """Figure and its 95 % interval, no finer than the interval is wide.

    Parameters
    ----------
    found : Likely
    unit : str
        In which people read it.
    scale : float
        What the figure is divided by to be in that unit.

    Returns
    -------
    str

    Examples
    --------
    >>> known = Likely(203.4, 169.5, 238.4, 0.7, 0.7, 203.6, 0.1, 17.6, 17.0, 0.5, 3.4, 0.0, 256)
    >>> interval_words(known, "W")
    '204 W; 170 to 238 W'
    """
    middle, low, high = (x / scale for x in (found.mean, found.low, found.high))
    decimals = (
        _decimals(0.5 * (high - low))
        if high > low
        else 3 - math.floor(math.log10(abs(middle) or 1.0))
    )
    at, least, most = (_rounded(x, decimals) for x in (middle, low, high))
    return f"{at} {unit}; {least} to {most} {unit}"


def parts_words(
    found: Likely, unit: str, *, scale: float = 1.0, names: Mapping[str, str] = KIND_WORDS
) -> str:
    """What an interval is made of, each part alone.

    Parameters
    ----------
    found : Likely
    unit, scale
        As in `interval_words`.
    names : mapping of str to str
        What each kind of draws is called.

    Returns
    -------
    str
        Half-widths of 95 %.

    Examples
    --------
    >>> known = Likely(203.4, 169.5, 238.4, 0.7, 0.7, 203.6, 0.1, 17.6, 17.0, 0.5, 3.4, 0.0, 256)
    >>> parts_words(known, "W")
    "what isn't known ± 33 W, how each use differs ± 7 W, how builds differ ± 1 W"
    """
    parts = {words: WIDE * getattr(found, kind) / scale for kind, words in names.items()}
    decimals = _decimals(max(parts.values()))
    told = sorted(parts.items(), key=lambda part: -part[1])
    return ", ".join(f"{words} ± {_rounded(width, decimals)} {unit}" for words, width in told)


def parts_sentence(
    found: Likely, unit: str, *, scale: float = 1.0, names: Mapping[str, str] = KIND_WORDS
) -> str:
    """What makes an interval uncertain, as a sentence.

    Parameters
    ----------
    found, unit, scale, names
        As in `parts_words`.

    Returns
    -------
    str
    """
    parts = parts_words(found, unit, scale=scale, names=names)
    return f"What makes that uncertain, each alone: {parts}."


def expected_words(
    found: Likely,
    head: str = "Delivered",
    unit: str = "W",
    scale: float = 1.0,
    *,
    of: str = ALIKE,
    names: Mapping[str, str] = KIND_WORDS,
) -> list[str]:
    """The answer with its interval, then what makes it uncertain.

    Parameters
    ----------
    found : Likely
    head : str
        What the figure is.
    unit, scale
        As in `parts_words`.
    of : str
        Whose figure it is.
    names : mapping of str to str
        As in `parts_words`.

    Returns
    -------
    list of str
    """
    out = [f"{head}: {interval_words(found, unit, scale=scale)} for {of} (95 %)."]
    if found.spread > 1e-3 * abs(found.mean) and math.isfinite(found.inputs):
        out.append(parts_sentence(found, unit, scale=scale, names=names))
    return out
