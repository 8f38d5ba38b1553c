"""The cook's habit of turning the cooker: when it was turned last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.exceptions import SkyError

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["FACES", "NEVER", "Habit", "Knots", "habit_of", "knots"]

Array = NDArray[np.float64]

NEVER = float("inf")
FACES = ("now", "ahead")
_SLACK = 1e-6  # of an interval: clock times are whole seconds, their quotients are not


@dataclass(frozen=True)
class Habit:
    """How the platform is turned, from the moment the pot is put on.

    Attributes
    ----------
    every : float
        Between turnings; infinite for one that is turned when the pot is put on, and never
        again. [s]
    face : str
        "now": to where the sun stands. "ahead": to where it will stand half-way to the next
        turning; a platform that is never turned again faces the sun as it stands.
    """

    every: float = 1800.0
    face: str = "now"

    SHOWN: ClassVar = {"every": "min"}

    def __post_init__(self) -> None:
        if not self.every >= 60.0:
            raise SkyError(f"turning every {self.every:g} s: it must be a minute or more")
        if self.face not in FACES:
            raise SkyError(f'face is "now" or "ahead", not {self.face!r}')

    @property
    def lead(self) -> float:
        """How long after a turning the sun stands where the platform then faces. [s]"""
        return 0.5 * self.every if self.face == "ahead" and np.isfinite(self.every) else 0.0

    def turned(self, since: ArrayLike) -> Array:
        """When the platform was turned last, after the pot was put on.

        Parameters
        ----------
        since : array_like
            Time since the pot was put on, 0 or more. [s]

        Returns
        -------
        turned : ndarray, same shape
            On the same clock; a moment of turning counts as turned. [s]

        Examples
        --------
        >>> Habit(every=1800.0).turned([0.0, 1799.0, 1800.0, 4000.0]).tolist()
        [0.0, 0.0, 1800.0, 3600.0]
        """
        since = np.asarray(since, dtype=float)
        if not np.isfinite(self.every):
            return np.zeros_like(since)
        return np.asarray(np.floor(since / self.every + _SLACK) * self.every)


@dataclass(frozen=True, eq=False)
class Knots:
    """Moments at which the watts are wanted: whole steps, and every turning.

    Attributes
    ----------
    time : ndarray, shape (K,)
        Since the pot was put on. [s]
    turned : ndarray, shape (K − 1,)
        When the platform was turned last in each interval between them. [s]
    """

    time: Array
    turned: Array


def knots(habit: Habit, span: float, step: float) -> Knots:
    """Moments from the putting up of the pot on, so that no interval has a turning within it.

    Parameters
    ----------
    habit : Habit
    span : float
        How long; the last moment is the first one at or after it. [s]
    step : float
        Greatest distance between two. [s]

    Returns
    -------
    Knots

    Raises
    ------
    SkyError
        If the step isn't positive.

    Examples
    --------
    >>> plan = knots(Habit(every=1500.0), 3000.0, 600.0)
    >>> plan.time.tolist()
    [0.0, 600.0, 1200.0, 1500.0, 1800.0, 2400.0, 3000.0]
    >>> plan.turned.tolist()
    [0.0, 0.0, 0.0, 1500.0, 1500.0, 1500.0]
    """
    if not step > 0.0:
        raise SkyError(f"step {step:g} s: it must be positive")
    count = max(int(np.ceil(span / step - _SLACK)), 1)
    time: Array = np.asarray(np.arange(count + 1) * float(step), dtype=float)
    if np.isfinite(habit.every):
        turnings = habit.every * np.arange(1, int(time[-1] / habit.every) + 1)
        time = np.union1d(time, turnings)
        # two that differ by rounding alone are one
        time = np.asarray(time[np.append(True, np.diff(time) > _SLACK * step)], dtype=float)
    return Knots(time, habit.turned(time[:-1]))


def habit_of(scenario: Scenario) -> Habit:
    """Habit that a scenario describes.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    Habit
    """
    asked = scenario.habit
    every = NEVER if isinstance(asked.turn_every, str) else float(asked.turn_every)
    return Habit(every, asked.face)
