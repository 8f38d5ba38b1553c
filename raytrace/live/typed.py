"""Lengths as they are typed into a field that names its unit."""

from __future__ import annotations

from raytrace.reports.common.lengths import Rule
from raytrace.scenario.columns import FARTHEST
from raytrace.scenario.units import UnitError, read_quantity

__all__ = ["length"]


def length(text: str, rule: Rule) -> float:
    """Read a length.

    Parameters
    ----------
    text : str
        With a unit of its own or without; a comma is a decimal point.
    rule : Rule
        Whose unit is meant where none is written.

    Returns
    -------
    float
        [m]

    Raises
    ------
    UnitError
        If it is none, or further than any cooker reaches.

    Examples
    --------
    >>> from raytrace.reports.common.lengths import RULES
    >>> length("1,5", RULES["mm"]), length("2 in", RULES["mm"])
    (0.0015, 0.0508)
    """
    text = text.strip().replace(",", ".")
    if text and text[-1].isdigit():
        text = f"{text} {rule.unit}"
    found = float(read_quantity(text, "length")[0])
    if abs(found) > FARTHEST:
        raise UnitError("beyond all measure for a cooker. Check its unit.")
    return found
