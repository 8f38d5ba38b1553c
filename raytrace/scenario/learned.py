"""What was learned of some numbers at once: equally likely draws of them, in a table.

A measurement tells of products and sums rather than of single numbers, so that what it leaves is
a joint law. The scenario states mean and standard deviation of each number, for whoever reads it;
the table holds the law itself, and counts for a number as long as the scenario says the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.csv_dialect import split_rows
from raytrace.csv_text import csv_text
from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.columns import Column, read_table
from raytrace.scenario.units import KINDS

if TYPE_CHECKING:
    from raytrace.scenario.law import Law
    from raytrace.scenario.unknowns import Unknown
    from raytrace.scenario.values import Reader

__all__ = [
    "BUILD",
    "Joint",
    "forgotten_words",
    "joint_text",
    "read_joint",
    "stated",
    "still_stated",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

BUILD, SEED = "build", "seed"
LEAST = 8  # rows
SAME = 0.02  # standard deviations: what rounding may make of a mean


@dataclass(frozen=True, eq=False)
class Joint:
    """N equally likely draws of U numbers at once.

    Attributes
    ----------
    keys : tuple of str
    units : tuple of str
        SI unit of each, empty for a bare number.
    values : ndarray, shape (N, U)
        In those units.
    build : ndarray of int or None, shape (N,)
        Which draw of the workshop's errors each goes with; None where nothing tells.
    seed : int
        Whose builds these are.
    """

    keys: tuple[str, ...]
    units: tuple[str, ...]
    values: Array
    build: Whole | None = None
    seed: int = 0

    def __len__(self) -> int:
        return len(self.values)

    @property
    def mean(self) -> Array:
        """Of each number, shape (U,)."""
        return np.asarray(self.values.mean(axis=0))

    @property
    def sd(self) -> Array:
        """Standard deviation of each number, shape (U,)."""
        return np.asarray(self.values.std(axis=0, ddof=1))

    def only(self, keys: Iterable[str]) -> Joint:
        """Draws of some of the numbers.

        Parameters
        ----------
        keys : iterable of str

        Returns
        -------
        Joint
        """
        wanted = set(keys)
        kept = [k for k, key in enumerate(self.keys) if key in wanted]
        return replace(
            self,
            keys=tuple(self.keys[k] for k in kept),
            units=tuple(self.units[k] for k in kept),
            values=self.values[:, kept],
        )


def stated(mean: float, sd: float, unit: str) -> str:
    """A number and its standard uncertainty, as a scenario has them.

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
    >>> stated(0.81234, 0.02345, ""), stated(1.2e-5, 3.4e-7, "m")
    ('0.81234 ± 0.02345', '1.2e-05 ± 3.4e-07 m')
    """
    digits = max(4, 4 + math.floor(math.log10(abs(mean) / sd)) if mean and sd > 0.0 else 0)
    return f"{mean:.{digits}g} ± {sd:.4g} {unit}".strip()


def still_stated(joint: Joint, unknowns: Sequence[Unknown]) -> Joint:
    """Draws of those numbers of which a scenario still says what the table does.

    Parameters
    ----------
    joint : Joint
    unknowns : sequence of Unknown
        The scenario's.

    Returns
    -------
    Joint
    """
    laws = {u.key: u.law for u in unknowns}
    rows = zip(joint.keys, joint.units, joint.mean, joint.sd, strict=True)
    return joint.only(key for key, *row in rows if key in laws and _says(laws[key], *row))


def _says(law: Law, unit: str, mean: float, sd: float) -> bool:
    slack = SAME * sd
    same = abs(law.best - mean) <= slack and abs(law.spread - sd) <= slack
    return law.shape == "normal" and law.unit == unit and same


def forgotten_words(keys: Sequence[str]) -> list[str]:
    """Say which learned numbers don't count any more.

    Parameters
    ----------
    keys : sequence of str
        That were set since; see `raytrace.scenario.schema.Scenario.forgotten`.

    Returns
    -------
    list of str
        One sentence for them all; empty if there is none.
    """
    if not keys:
        return []
    return [
        f"{', '.join(keys)}: not as learned.draws has it, so what was learned of it is left out, "
        "and with it how it goes with the other numbers. Learn again, or take it as it was."
    ]


def joint_text(joint: Joint, notes: Sequence[str] = ()) -> str:
    r"""Joint draws as the table that `read_joint` reads.

    Parameters
    ----------
    joint : Joint
    notes : sequence of str
        Lines above the table.

    Returns
    -------
    str

    Examples
    --------
    >>> joint_text(Joint(("air.wind",), ("m/s",), np.array([[1.5], [2.0]])))
    'air.wind_m/s\n1.5\n2\n'
    """
    pairs = zip(joint.keys, joint.units, strict=True)
    header = [f"{key}_{unit}" if unit else key for key, unit in pairs]
    rows = [[f"{x:.8g}" for x in row] for row in joint.values]
    if joint.build is not None:
        header += [BUILD, SEED]
        ends = [[str(build), str(joint.seed)] for build in joint.build.tolist()]
        rows = [row + end for row, end in zip(rows, ends, strict=True)]
    return csv_text(header, rows, notes)


def read_joint(name: str, text: str) -> tuple[Joint | None, list[Problem]]:
    r"""Joint draws from a table: a column a key, its unit in the header, and maybe build and seed.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.

    Returns
    -------
    joint : Joint or None
        None if anything is wrong.
    problems : list of Problem

    Examples
    --------
    >>> joint, problems = read_joint("mine.csv", "air.wind_km/h\n" + "7.2\n" * 8)
    >>> joint.keys, joint.units, joint.mean.round(6).tolist(), problems
    (('air.wind',), ('m/s',), [2.0], [])
    """
    rows = split_rows(text)
    if not rows:
        return None, [Problem(name, "empty. The first row names the keys.")]
    columns: list[Column] = []
    limits: dict[str, tuple[float, float]] = {}
    problems: list[Problem] = []
    for cell in (cell.strip() for cell in rows[0][1]):
        if cell in (BUILD, SEED):
            columns.append(Column(cell, "number"))
            limits[cell] = (0.0, 2.0**31 if cell == BUILD else 2.0**53)
            continue
        try:
            column, span = _column(cell)
        except ScenarioError as error:
            where = f"{name} row {rows[0][0]}"
            problems += [Problem(f'{where} column "{cell}"', p.text) for p in error.problems]
            continue
        columns.append(column)
        limits[column.name] = span
    if problems:
        return None, problems

    def draw(line: int, value: Mapping[str, Any]) -> list[float]:
        wrong = [
            f'column "{key}" = {x:g}: beyond the limits of the key.'
            for key, x in value.items()
            if not limits[key][0] <= x <= limits[key][1]
        ]
        wrong += [
            f'column "{key}" = {value[key]:g}: must be a whole number.'
            for key in (BUILD, SEED)
            if key in value and value[key] != int(value[key])
        ]
        if wrong:
            raise ValueError(*wrong)
        return list(value.values())

    # the longest first: the name of one key may begin that of another
    columns.sort(key=lambda column: -len(column.name))
    draws, problems = read_table(name, text, columns, draw, "draws")
    names = [column.name for column in columns]
    if not problems and len(draws) < LEAST:
        problems.append(Problem(name, f"{len(draws)} draws. Give {LEAST} or more."))
    if not problems and (BUILD in names) != (SEED in names):
        problems.append(Problem(name, "build and seed go together: give both or neither."))
    if problems:
        return None, problems
    table = dict(zip(names, np.array(draws).T, strict=True))
    build, seed = table.pop(BUILD, None), table.pop(SEED, np.zeros(1))
    if (seed != seed[0]).any():
        return None, [Problem(name, "the column seed holds more than one.")]
    units = {column.name: _si(column) for column in columns}
    return Joint(
        tuple(table),
        tuple(units[key] for key in table),
        np.column_stack(list(table.values())) if table else np.zeros((len(draws), 0)),
        None if build is None else build.astype(np.int64),
        int(seed[0]),
    ), []


def _si(column: Column) -> str:
    return KINDS[column.kind].unit if column.kind in KINDS and column.kind != "share" else ""


def _column(header: str) -> tuple[Column, tuple[float, float]]:
    """Column of a key with its unit, and the limits of its values in SI units."""
    from raytrace.scenario.law import limits_of
    from raytrace.scenario.schema import key_rule
    from raytrace.scenario.units import UnitError, read_quantity
    from raytrace.scenario.values import Number, Quantity, Share

    name = _key_in(header)
    rule: Reader = key_rule(name)
    if isinstance(rule, Share):
        return Column(name, "share"), (0.0, 1.0)
    if isinstance(rule, Number) and not rule.whole:
        return Column(name, "number"), (rule.low, rule.high)
    if isinstance(rule, Quantity):
        kind = rule.kinds[0]
        if len(rule.kinds) > 1:  # the unit says which
            try:
                kind = read_quantity(f"1 {header[len(name) + 1 :]}", *rule.kinds)[1]
            except UnitError as error:
                raise ScenarioError("", [Problem(name, f"{str(error).rstrip('.')}.")]) from None
        return Column(name, kind), limits_of(rule, KINDS[kind].unit)
    raise ScenarioError("", [Problem(name, f"({rule.kind}): no law of it can be learned.")])


def _key_in(header: str) -> str:
    """Key that a header names: all of it, or what stands before the unit."""
    from raytrace.scenario.schema import generic, part_of_list, schema

    ends = [k for k, c in enumerate(header) if c == "_"]
    for end in (len(header), *reversed(ends)):
        key = header[:end]
        if generic(key) in schema() or part_of_list(key):
            return key
    return header
