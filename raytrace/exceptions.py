"""Everything this package raises on purpose hangs on one base class.

CookerError
├── ScenarioError   a scenario file, or a table it names, can't be used (all problems at once)
├── SettingsError   how much to compute, or what for, stated as it can't be
├── StudyError      a question that has no answer as it was put
├── GeometryError   arrays that describe no cooker that could be built or traced
├── SkyError        a place, time, sunshape or weather file that gives no usable sun
├── PictureError    a photograph that can't be opened, or in which something can't be found
├── HeatError       a pot, air or watts that no temperature can be computed from
├── StoreError      a results file that can't be read, written or continued
│   └── WriteError  a disk, a folder or its owner that lets no file be written
└── WorkerError     work that processes or a cluster can't do

CookerWarning, a UserWarning, says what the user should know though the work goes on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from raytrace.texts import cut, one_line

__all__ = [
    "CookerError",
    "CookerWarning",
    "GeometryError",
    "HeatError",
    "PictureError",
    "Problem",
    "ScenarioError",
    "SettingsError",
    "SkyError",
    "StoreError",
    "StudyError",
    "WorkerError",
    "WriteError",
]


class CookerError(Exception):
    """Base of every error that this package raises on purpose."""


class CookerWarning(UserWarning):
    """Something that the user should know, though the work goes on."""


class SettingsError(CookerError, ValueError):
    """How much to compute, or what for, is stated as it can't be: one replicate, no level."""


class StudyError(CookerError, ValueError):
    """A question has no answer as it was put: moneys that differ, nothing to vary."""


class GeometryError(CookerError, ValueError):
    """Arrays describe no cooker that could be built or traced.

    Parameters
    ----------
    message : str
        What is wrong.
    facets : iterable of int
        Rows of the facets that it is about, where they are known.
    """

    def __init__(self, message: str, facets: Iterable[int] = ()):
        self.facets = tuple(int(f) for f in facets)
        super().__init__(message)


class SkyError(CookerError, ValueError):
    """A place, time, sunshape or weather file gives no usable sun."""


class PictureError(CookerError, ValueError):
    """A photograph can't be opened, or what it should show can't be found in it.

    Parameters
    ----------
    name : str
        Of the picture.
    reason : str
        What is wrong, and how to mend it.
    places : sequence of pairs of float
        Where the spots lie between which nobody can choose [m]; else none.
    """

    def __init__(self, name: str, reason: str, places: Sequence[tuple[float, float]] = ()):
        self.name, self.reason = cut(one_line(name)), reason
        self.places = tuple((float(x), float(y)) for x, y in places)
        super().__init__(f"{self.name}: {reason}")

    def __reduce__(self) -> tuple[type[PictureError], tuple[object, ...]]:
        """Travel between processes whole: the message alone would not make one again."""
        return type(self), (self.name, self.reason, self.places)


class HeatError(CookerError, ValueError):
    """A pot, air or watts that no temperature can be computed from."""


class StoreError(CookerError):
    """A results file can't be read, written or continued.

    Attributes
    ----------
    result : object
        What was computed before it could not be written, so that nobody loses it; else None.
    """

    result: object = None


class WriteError(StoreError):
    """A disk, a folder or its owner lets no file be written."""


class WorkerError(CookerError):
    """Work that processes or a cluster can't do."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a scenario: where it is, and how to mend it.

    Attributes
    ----------
    key : str
        Where it is: a key of the scenario, or a place in a table.
    text : str
        What is wrong, and how to mend it.
    """

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
        What is wrong, in the order of the file. The message shows the first of them, each cut to
        a length that can be read.
    """

    MOST = 30  # problems shown

    def __init__(self, source: str, problems: Sequence[Problem]):
        self.source = source = cut(source)
        self.problems = tuple(problems)
        lines = [cut(f"{source}: {p}") for p in self.problems[: self.MOST]]
        n = len(self.problems)
        if n > self.MOST:
            lines.append(cut(f"{source}: and {n - self.MOST} more."))
        lines.append(f"{n} problem{'s' if n != 1 else ''}. Nothing was traced.")
        super().__init__("\n".join(lines))

    def __reduce__(self) -> tuple[type[ScenarioError], tuple[str, tuple[Problem, ...]]]:
        """Travel between processes whole: the message alone would not make one again."""
        return type(self), (self.source, self.problems)
