"""Small CSV tables: columns named with their units in the header, cells read into SI units.

A table is described by its columns and by what one row makes: a record, or ValueError with all
that is wrong in the row. Problems are collected, and name the file, the row (the header is row 1,
as a spreadsheet counts) and the column.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from raytrace.csv_text import armed
from raytrace.exceptions import Problem
from raytrace.scenario.units import KINDS, nearest, read_quantity
from raytrace.texts import shown

__all__ = ["Column", "Once", "match_column", "read_table", "split_rows"]


LONGEST = 20_000  # rows
LONGEST_TEXT = 40  # characters of a label or a time
LARGEST = 10_000  # of whole numbers
FARTHEST = 100.0  # of lengths: further off the unit is wrong [m]


@dataclass(frozen=True)
class Column:
    """One column: what its cells hold, and what they may be.

    Attributes
    ----------
    name : str
        As the header has it, without its unit.
    kind : str
        "text", "whole", "share", "number" or a kind of quantity.
    required : bool
    blank : bool
        Its cells may be empty, though the column must be there.
    words : tuple of str
        All that a text may be; empty if it is free.
    span : (str, str) or None
        Least and greatest quantity, with units.
    """

    name: str
    kind: str  # "text", "whole", "share", "number" or a kind of quantity
    required: bool = True
    blank: bool = False  # its cells may be empty, though the column must be there
    words: tuple[str, ...] = ()  # all that a text may be
    span: tuple[str, str] | None = None  # least and greatest quantity

    @property
    def example(self) -> str:
        """Name with a unit, as a header has it."""
        plain = self.kind not in KINDS or self.kind == "share"
        return self.name if plain else f"{self.name}_{KINDS[self.kind].units[0]}"


class Once:
    """What may stand in one row only."""

    def __init__(self) -> None:
        self.rows: dict[Any, int] = {}

    def again(self, line: int, words: str, what: Any = None) -> list[str]:
        """What is wrong with a row that says what one before it said.

        Parameters
        ----------
        line : int
            Its number in the file.
        words : str
            What it says, for the message.
        what : hashable, optional
            By which two rows are alike; the words if left out.

        Returns
        -------
        list of str
            Empty for the first of its like.
        """
        first = self.rows.setdefault(words if what is None else what, line)
        return [f"{words} as in row {first}."] if first != line else []


def match_column(header: str, columns: list[Column]) -> tuple[Column, float, float]:
    """Column that a header cell means, with its unit's factor and zero in SI.

    Parameters
    ----------
    header : str
        As the table has it.
    columns : list of Column
        That there may be.

    Returns
    -------
    column : Column
    factor, zero : float
        A value in SI is the cell's times the factor, plus zero.

    Raises
    ------
    ValueError
        If it means none of them, or lacks its unit.
    """
    name = header.strip()
    if len(name) > LONGEST_TEXT:
        raise ValueError("too long for the name of a column.")
    known = [column.example for column in columns]
    for column, example in zip(columns, known, strict=True):
        if name.casefold() == column.name:
            if example == column.name:
                return column, 1.0, 0.0
            raise ValueError(f'no unit. Name the column "{example}", or with another unit.')
        if example != column.name and name.casefold().startswith(f"{column.name}_"):
            unit = name[len(column.name) + 1 :]
            zero, one = (read_quantity(f"{n} {unit}", column.kind)[0] for n in (0, 1))
            return column, one - zero, zero
    near = nearest(name, known)
    raise ValueError(
        f'unknown column. Nearest: "{near}".' if near else f"unknown column. Known: {known}."
    )


def _cell(text: str, column: Column, factor: float, zero: float) -> Any:
    """Value of one cell; ValueError says what is wrong."""
    if column.kind == "text":
        if len(text) > LONGEST_TEXT:
            raise ValueError(f"{len(text)} characters. Write {LONGEST_TEXT} or fewer.")
        if column.words and text.casefold() not in column.words:
            near = nearest(text, column.words)
            tail = f' Nearest: "{near}".' if near else ""
            tail += "" if column.required else " Or leave it empty."
            options = ", ".join(f'"{word}"' for word in column.words)
            raise ValueError(f"not one of {options}.{tail}")
        return text.casefold() if column.words else armed(text)
    try:
        value = float(text)
    except ValueError:
        raise ValueError("not a number.") from None
    if not math.isfinite(value):
        raise ValueError("not a finite number.")
    if column.kind == "whole":
        if value != int(value) or not 1 <= value <= LARGEST:
            raise ValueError(f"must be a whole number, 1 to {LARGEST}.")
        return int(value)
    if column.kind == "share" and not 0.0 <= value <= 1.0:
        raise ValueError("must lie in 0 to 1.")
    si = value * factor + zero
    if not math.isfinite(si) or (column.kind == "length" and abs(si) > FARTHEST):
        raise ValueError("is beyond all measure for a cooker. Check the column's unit.")
    if column.span:
        low, high = (read_quantity(end, column.kind)[0] for end in column.span)
        if not low <= si <= high:
            raise ValueError(f"must lie in {column.span[0]} to {column.span[1]}.")
    return si


def split_rows(text: str) -> list[tuple[int, list[str]]]:
    """Cells of each row that is no comment, with the row's number in the file.

    Parameters
    ----------
    text : str
        Of a CSV file.

    Returns
    -------
    list of (int, list of str)
    """
    lines = text.removeprefix("\ufeff").splitlines()
    return [
        (number, _cells(line))
        for number, line in enumerate(lines, start=1)
        if line.strip(" ,\t") and not line.lstrip().startswith("#")
    ]


def _cells(line: str) -> list[str]:
    try:
        return next(csv.reader([line], skipinitialspace=True))
    except csv.Error:  # a cell of over 128 kB: whoever reads it will find no sense in it
        return [line]


def read_table(
    name: str,
    text: str,
    columns: list[Column],
    record: Callable[[int, dict[str, Any]], Any],
    nothing: str = "",
) -> tuple[list[Any], list[Problem]]:
    """Records of a table.

    Parameters
    ----------
    name : str
        File name for messages.
    text : str
        The table.
    columns : list of Column
    record : callable
        What a row makes, from its number in the file and its values in the columns' order, None
        where a cell is empty or its column is missing; ValueError with all that is wrong there.
    nothing : str
        What a table without rows lacks; it may be empty if none is said.

    Returns
    -------
    records : list
        Of the rows that could be read.
    problems : list of Problem
        What is wrong; empty if nothing is.
    """
    records: list[Any] = []
    problems: list[Problem] = []
    for line, values in _rows(name, text, columns, problems):
        try:
            records.append(record(line, values))
        except ValueError as error:
            problems += [Problem(f"{name} row {line}", words) for words in error.args]
    if nothing and not records and not problems:
        problems.append(Problem(name, f"no {nothing}: there is a header and nothing below it."))
    return records, problems


def _rows(
    name: str, text: str, columns: list[Column], problems: list[Problem]
) -> Iterator[tuple[int, dict[str, Any]]]:
    """Rows that could be read, each with its number in the file; problems are appended."""
    rows = split_rows(text)
    if not rows:
        problems.append(Problem(name, "empty. The first row names the columns."))
        return
    if len(rows) > LONGEST:
        problems.append(Problem(name, f"{len(rows)} rows. Give {LONGEST} or fewer."))
        return
    line, header = rows[0]
    if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
        problems.append(Problem(f"{name} row {line}", "write commas between the columns."))
        return
    used: list[tuple[Column, float, float]] = []
    wrong: list[Problem] = []
    for cell in header:
        try:
            found = match_column(cell, columns)
            if any(found[0] is column for column, *_ in used):
                raise ValueError(f'"{found[0].name}" is there twice.')
            used.append(found)
        except ValueError as error:
            key = f"{name} row {line} column {shown(cell.strip())}"
            wrong.append(Problem(key, str(error)))
    present = [column for column, *_ in used]
    lacking = [column for column in columns if column.required and column not in present]
    if lacking and not wrong:
        here = shown(", ".join(header))
        text_ = f'no column "{lacking[0].example}". Columns here: {here}.'
        wrong.append(Problem(f"{name} row {line}", text_))
    if wrong:
        problems += wrong
        return
    for line, cells in rows[1:]:
        if len(cells) > len(header):
            text_ = f"{len(cells)} values, but the header names {len(header)} columns."
            problems.append(Problem(f"{name} row {line}", text_))
            continue
        values: dict[str, Any] = {column.name: None for column in columns}
        good = True
        for index, (column, factor, zero) in enumerate(used):
            cell = cells[index].strip() if index < len(cells) else ""
            if cell == "" and (column.blank or not column.required):
                continue
            try:
                if cell == "":
                    raise ValueError("empty, but a value is needed.")
                values[column.name] = _cell(cell, column, factor, zero)
            except ValueError as error:
                key = f"{name} row {line} column {shown(header[index].strip())}"
                problems.append(Problem(key, f" = {shown(cell)}: {error}"))
                good = False
        if good:
            yield line, values
