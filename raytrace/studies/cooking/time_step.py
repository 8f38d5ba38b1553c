"""What steps in time leave out: how light on a pot bends between the moments that are traced."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from raytrace.studies.cooking.courses import Course

__all__ = ["bends", "between_moments"]

Array = NDArray[np.float64]


def between_moments(course: Course) -> Course:
    """Light as it bends between moments, with the step's error in the replicates' spread.

    Parameters
    ----------
    course : Course
        Its watts are straight between moments.

    Returns
    -------
    Course
        Each interval of `delivered` and `absorbed` holds the energy under the parabolas through
        the moments round it, instead of that under the chord; see `bends`. The replicates differ
        by the error of the step as well, so that any standard error taken from their spread holds
        both.

    Notes
    -----
    A replicate's share of the error changes sign from interval to interval by the rows of
    Helmert's matrix in turn: the sum over replicates is 0, and one interval alone gives a
    standard error of the error stated. Intervals with the same row count as if their errors had
    the same sign, the others as independent.
    """
    return replace(
        course,
        delivered=_bent(course, course.delivered),
        absorbed=_bent(course, course.absorbed),
    )


def bends(course: Course, watts: Array) -> tuple[Array, Array]:
    """By how much the mean of an interval differs from that of the chord.

    Parameters
    ----------
    course : Course
    watts : ndarray, shape (C, K − 1, 2)
        At the start and the end of each interval.

    Returns
    -------
    bend, error : ndarray, shape (C, K − 1)
        What is to be added to the mean, and its standard error; 0 where the interval is the only
        one between two turnings. [W]

    Notes
    -----
    The mean over a step h of a parabola lies h² f″ / 12 under that of its chord. f″ comes from
    the watts at each moment and its neighbours between the same two turnings (at a turning they
    jump), as the mean of those at an interval's ends. The greater of the two, without its sign,
    serves as the error: several times that of a smooth curve; about that of a jump, as where the
    sun comes over a roof or an hour of weather ends (tests/cooking/test_time_step.py).
    """
    h = np.diff(course.time)
    inner = np.zeros(len(h) + 1, dtype=bool)
    inner[1:-1] = np.diff(course.turned) == 0.0
    counted = np.arange(len(h) + 1) < course.last[:, None]  # moments before the last
    second = np.zeros(counted.shape)
    slope = (watts[:, :, 1] - watts[:, :, 0]) / h
    second[:, 1:-1] = 2.0 * np.diff(slope, axis=1) / (h[1:] + h[:-1])
    second *= inner & counted
    left, right = second[:, :-1], second[:, 1:]
    known = (inner & counted)[:, :-1].astype(int) + (inner & counted)[:, 1:]
    per = h**2 / 12.0
    bend = -per * (left + right) / np.maximum(known, 1)
    # no interval holds less than nothing
    bend = np.maximum(bend, -0.5 * watts.sum(axis=2))
    return bend, per * np.maximum(np.abs(left), np.abs(right))


def _bent(course: Course, watts: Array) -> Array:
    from scipy.linalg import helmert

    r = watts.shape[-1]
    bend, error = bends(course, watts.mean(axis=-1))
    moved = bend[..., None]
    if r > 1:  # one alone has no spread that could hold it
        contrast = np.sqrt(r * (r - 1.0)) * helmert(r)  # one row alone: a standard error of 1
        moved = moved + error[..., None] * contrast[np.arange(error.shape[1]) % (r - 1)]
    return np.asarray(watts + moved[:, :, None, :])
