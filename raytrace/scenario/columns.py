"""Columns of small CSV tables: their names with units in the header, their cells in SI units."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from raytrace.csv_text import armed
from raytrace.exceptions import Problem
from raytrace.scenario.units import KINDS, UnitError, nearest, read_quantity
from raytrace.texts import shown

__all__ = ["Column", "read_rows", "seen_twice", "split_rows"]


LONGEST = 20_000  # rows
LONGEST_TEXT = 40  # characters of a label or a time
LARGEST = 10_000  # of whole numbers
FARTHEST = 100.0  # of lengths: further off the unit is wrong [m]


@dataclass(frozen=True)
class Column:
    name: str
    kind: str  # "text", "whole", "share" or a kind of quantity
    required: bool = True
    blank: bool = False  # its cells may be empty, though the column must be there


def _match(header: str, columns: list[Column]) -> tuple[Column, float, float] | str:
    """Column that a header cell means, its factor and zero in SI, or what is wrong with it."""
    name = header.strip()
    if len(name) > LONGEST_TEXT:
        return "too long for the name of a column."
    known: list[str] = []
    for column in columns:
        if column.kind not in KINDS or column.kind == "share":
            if name.casefold() == column.name:
                return column, 1.0, 0.0
            known.append(column.name)
            continue
        example = f"{column.name}_{KINDS[column.kind].units[0]}"
        known.append(example)
        if name.casefold() == column.name:
            return f'no unit. Name the column "{example}", or with another unit.'
        if name[: len(column.name) + 1].casefold() == f"{column.name}_":
            try:
                unit = name[len(column.name) + 1 :]
                zero, one = (read_quantity(f"{n} {unit}", column.kind)[0] for n in (0, 1))
                return column, one - zero, zero
            except UnitError as error:
                return str(error)
    near = nearest(name, known)
    return f'unknown column. Nearest: "{near}".' if near else f"unknown column. Known: {known}."


def _cell(text: str, column: Column, factor: float, zero: float) -> Any:
    """Value of one cell; ValueError says what is wrong."""
    if column.kind == "text":
        if len(text) > LONGEST_TEXT:
            raise ValueError(f"{len(text)} characters. Write {LONGEST_TEXT} or fewer.")
        return armed(text)
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
    return si


def split_rows(text: str) -> list[tuple[int, list[str]]]:
    """Cells of each row that is no comment, with the row's number in the file."""
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


def read_rows(
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
    used: dict[int, tuple[Column, float, float]] = {}
    sound = True
    for index, cell in enumerate(header):
        found = _match(cell, columns)
        if isinstance(found, str):
            problems.append(Problem(f"{name} row {line} column {shown(cell.strip())}", found))
            sound = False
        elif any(found[0] is column for column, *_ in used.values()):
            text_ = f'"{found[0].name}" is there twice.'
            problems.append(Problem(f"{name} row {line} column {shown(cell.strip())}", text_))
            sound = False
        else:
            used[index] = found
    present = {column.name for column, *_ in used.values()}
    for column in columns:
        if sound and column.required and column.name not in present:
            unit = f"_{KINDS[column.kind].units[0]}" if column.kind in KINDS else ""
            text_ = f'no column "{column.name}{unit}". Columns here: {shown(", ".join(header))}.'
            problems.append(Problem(f"{name} row {line}", text_))
            sound = False
    if not sound:
        return
    for line, cells in rows[1:]:
        if len(cells) > len(header):
            text_ = f"{len(cells)} values, but the header names {len(header)} columns."
            problems.append(Problem(f"{name} row {line}", text_))
            continue
        values: dict[str, Any] = {}
        good = True
        for index, (column, factor, zero) in used.items():
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


def seen_twice(
    seen: dict[Any, int], what: Any, line: int, name: str, words: str, problems: list[Problem]
) -> bool:
    """Whether something stood in an earlier row; if so, that is noted."""
    if what in seen:
        problems.append(Problem(f"{name} row {line}", f"{words} as in row {seen[what]}."))
        return True
    seen[what] = line
    return False
