"""What measurements have taught, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.reports.common import units
from raytrace.scenario.schema import schema

if TYPE_CHECKING:
    from raytrace.scenario.learned import Joint
    from raytrace.studies.trace.narrowed import Narrowed

__all__ = ["change_words", "left_sentences", "number_rows", "pair_words"]

Array = NDArray[np.float64]

READ_IN = {"m": "length", "m^3": "volume"}


def pair_words(mean: float, sd: float, unit: str = "") -> str:
    """Mean and standard deviation, no finer than the latter is good for.

    Parameters
    ----------
    mean, sd : float
        In the unit.
    unit : str

    Returns
    -------
    str

    Examples
    --------
    >>> pair_words(0.8123, 0.0234), pair_words(203.4, 17.6, "W")
    ('0.812 ± 0.023', '203 ± 18 W')
    """
    digits = max(1 - math.floor(math.log10(sd)), 0) if sd > 0.0 else 3
    return f"{mean:.{digits}f} ± {sd:.{digits}f} {unit}".strip()


def change_words(before: Sequence[float], after: Sequence[float], unit: str = "") -> str:
    """What a number was thought to be, and what was learned of it.

    Parameters
    ----------
    before, after : (float, float)
        Mean and standard deviation, in the SI unit.
    unit : str
        SI.

    Returns
    -------
    str

    Examples
    --------
    >>> change_words((0.79, 0.05), (0.72, 0.02)), change_words((8e-3, 2e-3), (9e-3, 6e-4), "m")
    ('0.790 ± 0.050 → 0.720 ± 0.020', '8.0 ± 2.0 mm → 9.00 ± 0.60 mm')
    """
    if unit == "rad":
        scale, name = 180.0 / math.pi, "°"
    elif unit in READ_IN:
        scale, name = units.unit(READ_IN[unit]).per, units.unit(READ_IN[unit]).symbol
    else:
        scale, name = 1.0, unit
    return " → ".join(pair_words(scale * x, scale * sd, name) for x, sd in (before, after))


def number_rows(joint: Joint, before: Array, before_sd: Array) -> Iterator[str]:
    """One line a number that was learned.

    Parameters
    ----------
    joint : Joint
    before, before_sd : ndarray, shape (U,)
        Mean and standard deviation before, in SI units.

    Yields
    ------
    str
    """
    rows = zip(joint.keys, joint.units, before, before_sd, joint.mean, joint.sd, strict=True)
    for key, unit, *numbers in rows:
        yield f"{key}: {change_words(numbers[:2], numbers[2:], unit)}"


def left_sentences(found: Narrowed) -> Iterator[str]:
    """Watts before and after, and what to measure next.

    Parameters
    ----------
    found : Narrowed

    Yields
    ------
    str
    """
    ends = [np.quantile(x, (0.025, 0.975)) for x in (found.before, found.after)]
    parts = [
        f"{x.mean():.0f} W; {low:.0f} to {high:.0f} W"
        for x, (low, high) in zip((found.before, found.after), ends, strict=True)
    ]
    yield f"Watts on the base at the design sun, with 95 % intervals: {' → '.join(parts)}."
    if not found.main:
        yield "No single number stands out in what is left."
        return
    entry = schema().get(found.main.partition("[")[0])
    meaning = "" if entry is None else f" ({entry.row.meaning.rstrip('.').lower()})"
    yield (
        f"To learn more, measure {found.main}{meaning} next: knowing it alone would take "
        f"{100.0 * found.share:.0f} % off the variance that is left."
    )
