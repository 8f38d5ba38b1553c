"""Everything this package raises on purpose hangs on one base class.

CookerError
├── ScenarioError   a scenario file, or a table it names, can't be used (all problems at once)
├── GeometryError   arrays that describe no cooker that could be built or traced
├── SkyError        a place, time, sunshape or weather file that gives no usable sun
├── HeatError       a pot, air or watts that no temperature can be computed from
├── StoreError      a results file that can't be read, written or continued
└── WorkerError     work that processes or a cluster can't do

CookerWarning, a UserWarning, says what the user should know though the work goes on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "CookerError",
    "CookerWarning",
    "GeometryError",
    "HeatError",
    "Problem",
    "ScenarioError",
    "SkyError",
    "StoreError",
    "WorkerError",
]


class CookerError(Exception):
    """Base of every error that this package raises on purpose."""


class CookerWarning(UserWarning):
    """Something that the user should know, though the work goes on."""


class GeometryError(CookerError, ValueError):
    """Arrays describe no cooker that could be built or traced."""


class SkyError(CookerError, ValueError):
    """A place, time, sunshape or weather file gives no usable sun."""


class HeatError(CookerError, ValueError):
    """A pot, air or watts that no temperature can be computed from."""


class StoreError(CookerError):
    """A results file can't be read, written or continued."""


class WorkerError(CookerError):
    """Work that processes or a cluster can't do."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a scenario: where it is, and how to mend it."""

    key: str
    text: str

    def __str__(self) -> str:
        joined = self.text.startswith((" =", ":"))
        return f"{self.key}{self.text}" if joined else f"{self.key}: {self.text}"


class ScenarioError(CookerError, ValueError):
    """A scenario can't be used; carries every problem found, not just the first.

    Parameters
    ----------
    source : str
        Name of the file the problems are in.
    problems : sequence of Problem
        What is wrong, in the order of the file.
    """

    def __init__(self, source: str, problems: Sequence[Problem]):
        self.source = source
        self.problems = tuple(problems)
        lines = [f"{source}: {p}" for p in self.problems]
        n = len(self.problems)
        lines.append(f"{n} problem{'s' if n != 1 else ''}. Nothing was traced.")
        super().__init__("\n".join(lines))
