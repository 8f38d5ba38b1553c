"""Lengths and angles as a builder reads them, in millimetres or in inches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from raytrace.reports.common.units import MINUS, inches, unit

__all__ = ["RULES", "Rule", "degrees", "for_bench", "rule"]


@dataclass(frozen=True)
class Rule:
    """A unit of length and how finely a builder needs it.

    Attributes
    ----------
    unit, name : str
    per_metre : float
        Units in a metre.
    fine : int
        Decimals of what is measured with a caliper.
    mark : float
        Finest mark of a tape. [m]
    mark_name : str
    """

    unit: str
    name: str
    per_metre: float
    fine: int
    mark: float
    mark_name: str

    def fine_text(self, metres: float) -> str:
        """Length as read off a caliper.

        Parameters
        ----------
        metres : float
            [m]

        Returns
        -------
        str
            In the rule's unit, without its name.

        Examples
        --------
        >>> RULES["mm"].fine_text(0.0254), RULES["in"].fine_text(0.0254)
        ('25.4', '1.000')
        """
        return self._text(metres, self.fine)

    def coarse_text(self, metres: float) -> str:
        """Length as read off a tape: to the millimetre, or to a sixteenth of an inch.

        Parameters
        ----------
        metres : float
            [m]

        Returns
        -------
        str
            In the rule's unit, without its name.

        Examples
        --------
        >>> RULES["mm"].coarse_text(-1.2344), RULES["in"].coarse_text(0.3)
        ('−1234', '11 13/16')
        """
        if self.unit == "in":
            return inches(self.per_metre * float(metres))
        return self._text(metres, 0)

    def _text(self, metres: float, decimals: int) -> str:
        value = round(self.per_metre * float(metres), decimals) + 0.0  # + 0.0: no "-0"
        return f"{value:.{decimals}f}".replace("-", MINUS)


RULES = {
    "mm": Rule("mm", "millimetres", 1e3, 1, 1e-3, "1 mm"),
    "in": Rule("in", "inches", 1.0 / 0.0254, 3, 0.0254 / 16.0, "1/16 in"),
}


def rule() -> Rule:
    """Rule of the chosen system.

    Returns
    -------
    Rule
    """
    return RULES[unit("length").symbol]


def degrees(angle: float, decimals: int = 1) -> str:
    """Angle in degrees without the degree sign.

    Parameters
    ----------
    angle : float
        [rad]
    decimals : int

    Returns
    -------
    str
        A dash where there is none.

    Examples
    --------
    >>> degrees(np.pi / 6), degrees(float("nan"))
    ('30.0', '–')
    """
    if not np.isfinite(angle):
        return "–"
    return f"{round(np.degrees(angle), decimals) + 0.0:.{decimals}f}".replace("-", MINUS)


def for_bench(
    columns: Sequence[str], rows: Sequence[Sequence[Any]]
) -> tuple[list[str], list[list[Any]]]:
    """A table as it goes to the bench: no digits beyond use.

    Parameters
    ----------
    columns : sequence of str
        Lengths end in _mm, angles in _deg or _mrad.
    rows : sequence of sequence

    Returns
    -------
    columns, rows : list

    Examples
    --------
    >>> for_bench(["x_mm", "state"], [[25.40004, "ok"]])
    (['x_mm', 'state'], [[25.4, 'ok']])
    """
    measured = [c.endswith(("_mm", "_deg", "_mrad")) and not c.endswith("_per_mm") for c in columns]
    return list(columns), [
        [_rounded(v) if m else v for v, m in zip(row, measured, strict=True)] for row in rows
    ]


def _rounded(value: Any) -> Any:
    return value if value is None else round(value, 3) + 0.0  # + 0.0: no "-0"
