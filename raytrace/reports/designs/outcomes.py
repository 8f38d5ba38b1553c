"""In which unit an outcome of a design is shown."""

from __future__ import annotations

from raytrace.reports.common.units import chosen
from raytrace.studies.designs.objectives import OUTCOMES

__all__ = ["factor_of", "unit_of"]


def unit_of(outcome: str, currency: str) -> str:
    """Unit of an outcome as people read it.

    Parameters
    ----------
    outcome : str
        A key of `raytrace.studies.designs.objectives.OUTCOMES`.
    currency : str

    Returns
    -------
    str
    """
    return chosen(OUTCOMES[outcome].unit)[1].replace("money", currency)


def factor_of(outcome: str) -> float:
    """How many of that unit make one SI unit.

    Parameters
    ----------
    outcome : str
        As for `unit_of`.

    Returns
    -------
    float
    """
    return OUTCOMES[outcome].factor * chosen(OUTCOMES[outcome].unit)[0]
