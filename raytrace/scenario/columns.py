"""Small CSV tables: columns named with their units in the header, cells read into SI units.

A table is described by its columns and by what one row makes: a record, or ValueError with all
that is wrong in the row. Problems are collected, and name the file, the row (the header is row 1,
as a spreadsheet counts) and the column. What parts cells, and the decimal mark, hold for a whole
file (`raytrace.csv_dialect`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from raytrace.csv_dialect import (
    DELIMITERS,
    decimal_marks,
    delimiter_of,
    numeral,
    pointed,
    split_rows,
)
from raytrace.csv_text import armed
from raytrace.exceptions import Problem
from raytrace.scenario.units import KINDS, UnitError, nearest, read_number, read_quantity
from raytrace.texts import listed, shown

__all__ = ["Column", "Once", "gathered", "match_column", "named_columns", "read_table"]


LONGEST = 20_000  # rows
LONGEST_TEXT = 40  # characters of a label or a time
LARGEST = 10_000  # of whole numbers
FARTHEST = 100.0  # of lengths: further off the unit is wrong [m]
HEADS = 40  # rows among which the header is looked for: loggers write their own affairs above it
ROWS_TOLD = 3  # of one mistake; the rest are counted
NOTES = ("note", "notes", "remark", "remarks", "comment", "comments")
OWN_UNIT = r"\d\s*(?:°?[^\W\d_]|[%°]$)"  # in a cell
TYPO = 0.75  # likeness from which an unknown head is a known one misspelt

# how heads write units, beside those of `raytrace.scenario.units`
UNITS = {
    **dict.fromkeys(('"', "″", "”", "inch", "inches"), "in"),
    **dict.fromkeys(("c", "°c", "\u00bac", "\u2103", "deg c", "degc", "celsius"), "degC"),
    **dict.fromkeys(("f", "°f", "\u00baf", "\u2109", "deg f", "degf", "fahrenheit"), "degF"),
    **dict.fromkeys(("kmh", "kph", "km/hr"), "km/h"),
    **dict.fromkeys(("m s-1", "mps"), "m/s"),
    **dict.fromkeys(("mph", "mi/h"), "mi/h"),
    **dict.fromkeys(("w/m2", "w/m²", "wm-2", "w m-2", "w/sqm"), "W/m^2"),
}


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
    also : tuple of str
        Other names for it.
    many : bool
        There may be several, as of two thermometers: ``water``, ``water 2``. Their mean counts.
    texts : pattern or None
        What begins so may stand in a cell besides, and is kept as it is.
    """

    name: str
    kind: str
    required: bool = True
    blank: bool = False
    words: tuple[str, ...] = ()
    span: tuple[str, str] | None = None
    also: tuple[str, ...] = ()
    many: bool = False
    texts: re.Pattern[str] | None = None

    @property
    def measured(self) -> bool:
        """Whether its header names a unit."""
        return self.kind in KINDS and self.kind != "share"

    @property
    def example(self) -> str:
        """Name with a unit, as a header has it."""
        return f"{self.name}_{KINDS[self.kind].units[0]}" if self.measured else self.name


@dataclass(frozen=True)
class Head:
    """One header cell: its column, with its unit's factor and zero in SI.

    Attributes
    ----------
    column : Column
    unit : str
        As `read_quantity` takes it; empty if there is none.
    factor, zero : float
        A value in SI is the cell's times the factor, plus zero.
    """

    column: Column
    unit: str = ""
    factor: float = 1.0
    zero: float = 0.0


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


def gathered(problems: Sequence[Problem]) -> list[Problem]:
    """Problems, one for each mistake however many rows have it.

    Parameters
    ----------
    problems : sequence of Problem
        Those of a row have its number in their key.

    Returns
    -------
    list of Problem
        In the order of the first row of each; the others' rows follow in words.

    Examples
    --------
    >>> same = [Problem(f'seen.csv row {n} column "x"', f' = "{n}": too far.') for n in range(2, 9)]
    >>> print(*gathered(same))
    seen.csv row 2 column "x" = "2": too far. The same in rows 3, 4, 5 and 3 more.
    """
    alike: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        where = re.sub(r'\brow \d+(?: facet ".*?")?', "row", problem.key, count=1)
        what = re.sub(r'^(?: = |facet )".*?": ', "", problem.text, count=1)
        alike.setdefault((where, what), []).append(problem)
    out = []
    for first, *others in alike.values():
        rows = [m[1] for p in others if (m := re.search(r"\brow (\d+)", p.key))]
        if rows:
            noun = "row" if len(rows) == 1 else "rows"
            first = replace(first, text=f"{first.text} The same in {noun} {_listed(rows)}.")
        out.append(first)
    return out


def _listed(rows: list[str]) -> str:
    """Row numbers in words, most of many counted."""
    if len(rows) > ROWS_TOLD + 1:
        rows = [*rows[:ROWS_TOLD], f"{len(rows) - ROWS_TOLD} more"]
    return listed(rows, "and")


def match_column(header: str, columns: Sequence[Column]) -> tuple[Column, float, float]:
    """Column that a header cell means, with its unit's factor and zero in SI.

    Parameters
    ----------
    header : str
        As the table has it: ``x_mm``, ``x [mm]``, ``X (mm)`` or ``x mm``.
    columns : sequence of Column
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
    head = _head(header, columns)
    if head is None:
        known = [column.example for column in columns]
        near = nearest(header.strip(), known)
        raise ValueError(
            f'unknown column. Nearest: "{near}".' if near else f"unknown column. Known: {known}."
        )
    if head.column.measured and not head.unit:
        raise ValueError(_no_unit(head.column))
    return head.column, head.factor, head.zero


def _no_unit(column: Column) -> str:
    return f'no unit. Name the column "{column.example}", or with another unit.'


def _head(header: str, columns: Sequence[Column]) -> Head | None:
    """What a header cell means, None if no column; ValueError if its unit is wrong."""
    name = " ".join(header.split())
    if len(name) > LONGEST_TEXT:
        raise ValueError("too long for the name of a column.")
    named = [(word, column) for column in columns for word in (column.name, *column.also)]
    for word, column in sorted(named, key=lambda pair: -len(pair[0])):
        rest = _after(word, name)
        if rest is None:
            continue
        if column.many:
            rest = re.sub(r"^[\s_.\-]?(?:no\.?\s?)?(?:\d|[ab])(?![a-z0-9°/])", "", rest, flags=re.I)
        if not column.measured:
            if re.search(r"\b(?:utc|gmt)\b", rest, flags=re.IGNORECASE):
                raise ValueError(
                    "a zone in the head. Write each time with its offset, such as "
                    "2026-06-21T08:30Z, or by the site's clock."
                )
            if re.fullmatch(r"\s*(?:[\[(].*[\])])?", rest):
                return Head(column)
            continue
        unit = re.fullmatch(r"\s*(?:\[(.*)\]|\((.*)\)|(?:[_/,]|\s(?:in\s)?)\s*(\S.*))?", rest)
        if unit is None:
            continue
        text = next((part.strip() for part in unit.groups() if part), "")
        if not text:
            return Head(column)
        text = _unit(text, column.kind)
        try:
            zero, one = (read_quantity(f"{n} {text}", column.kind)[0] for n in (0, 1))
        except UnitError:
            # "wind direction" is another column, "x_kg" is this one with a wrong unit
            if word == column.name and re.match(r"\s*[\[(]|_[^_]*$", rest):
                raise
            continue
        return Head(column, text, one - zero, zero)
    return None


def _after(word: str, name: str) -> str | None:
    """What follows a column's name in a header cell, None if it doesn't begin so."""
    pattern = r"[\s_-]?".join(re.escape(part) for part in re.split(r"[\s_]", word))
    found = re.match(pattern + "(?![a-z])", name, flags=re.IGNORECASE)
    return name[found.end() :] if found else None


def _unit(text: str, kind: str) -> str:
    """Unit as `read_quantity` takes it, whatever letters a head wrote it in."""
    folded = text.casefold()
    usual = {unit.casefold(): unit for unit in KINDS[kind].units}
    return UNITS.get(folded) or usual.get(folded) or text


def _cell(text: str, head: Head, mark: str) -> Any:
    """Value of one cell; ValueError says what is wrong."""
    column = head.column
    if column.kind == "text":
        if len(text) > LONGEST_TEXT:
            raise ValueError(f"{len(text)} characters. Write {LONGEST_TEXT} or fewer.")
        free = column.texts and column.texts.match(text)
        if column.words and text.casefold() not in column.words and not free:
            near = nearest(text, column.words)
            tail = f' Nearest: "{near}".' if near else ""
            tail += "" if column.required else " Or leave it empty."
            options = ", ".join(f'"{word}"' for word in column.words)
            raise ValueError(f"not one of {options}.{tail}")
        return text.casefold() if column.words else armed(text)
    if column.texts and column.texts.match(text):
        return text
    si = _number(text, head, mark)
    if not math.isfinite(si) or (column.kind == "length" and abs(si) > FARTHEST):
        raise ValueError("is beyond all measure for a cooker. Check the column's unit.")
    if column.kind == "whole":
        if si != int(si) or not 1 <= si <= LARGEST:
            raise ValueError(f"must be a whole number, 1 to {LARGEST}.")
        return int(si)
    if column.kind == "share" and not 0.0 <= si <= 1.0:
        raise ValueError("must lie in 0 to 1.")
    if column.span:
        low, high = (read_quantity(end, column.kind)[0] for end in column.span)
        if not low <= si <= high:
            raise ValueError(f"must lie in {column.span[0]} to {column.span[1]}.")
    return si


def _number(text: str, head: Head, mark: str) -> float:
    """Value in SI, by the cell's own unit if it has one; ValueError if it is none."""
    plain = pointed(numeral(text), mark) or ""
    fraction = re.fullmatch(r"[-+]?(?:\d+ )?\d+\s*/\s*\d+", plain)
    try:
        value = read_number(f"{plain} in")[0] if fraction else float(plain)
    except UnitError as error:
        raise ValueError(f"{error}.") from None
    except ValueError:
        if not re.search(OWN_UNIT, plain) or head.column.kind not in KINDS:
            raise ValueError("not a number.") from None
        return _quantity(plain, head.column.kind)
    if not math.isfinite(value):
        raise ValueError("not a finite number.")
    return value * head.factor + head.zero


def _quantity(text: str, kind: str) -> float:
    """Value in SI of a cell that names its own unit; ValueError if it is none."""
    try:
        number, unit = read_number(text)
        return read_quantity(f"{number!r} {_unit(unit, kind)}", kind)[0]
    except UnitError as error:
        raise ValueError(f"{str(error).rstrip('.')}.") from None


def read_table(
    name: str,
    text: str,
    columns: list[Column],
    record: Callable[[int, dict[str, Any]], Any],
    nothing: str = "",
    said: list[str] | None = None,
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
    said : list of str, optional
        To which is added what was passed over, or read in a way that its writer should know of.
        Without it nobody would hear, so that unknown columns but notes are refused.

    Returns
    -------
    records : list
        Of the rows that could be read.
    problems : list of Problem
        What is wrong, one for each mistake; empty if nothing is.
    """
    records: list[Any] = []
    problems: list[Problem] = []
    for line, values in _rows(name, text, columns, problems, said):
        try:
            records.append(record(line, values))
        except ValueError as error:
            problems += [Problem(f"{name} row {line}", words) for words in error.args]
    if nothing and not records and not problems:
        problems.append(Problem(name, f"no {nothing}: there is a header and nothing below it."))
    return records, gathered(problems)


def _rows(
    name: str,
    text: str,
    columns: list[Column],
    problems: list[Problem],
    said: list[str] | None,
) -> Iterator[tuple[int, dict[str, Any]]]:
    """Rows that could be read, each with its number in the file; problems are appended."""
    delimiter, above = _header(text, columns)
    rows = split_rows(text, delimiter)
    if not rows:
        problems.append(Problem(name, "empty. The first row names the columns."))
        return
    if len(rows) > LONGEST:
        problems.append(Problem(name, f"{len(rows)} rows. Give {LONGEST} or fewer."))
        return
    if above and said is not None:
        said.append(f"{above} {'line' if above == 1 else 'lines'} above the header passed over.")
    (line, header), rows = rows[above], rows[above + 1 :]
    while len(header) > 1 and not header[-1].strip():
        header.pop()
    place = f"{name} row {line}"
    used: list[tuple[int, Head]] = []
    wrong: list[Problem] = []
    passed = []
    for index, cell in enumerate(header):
        try:
            head = _head(cell, columns)
            if head is None:
                passed += _passed_over(cell, columns, said)
                continue
            column = head.column
            if any(column is other.column for _, other in used) and not column.many:
                raise ValueError(f'"{column.name}" is there twice.')
            if column.measured and not head.unit and not _own_units(rows, index):
                raise ValueError(_no_unit(column))
            used.append((index, head))
        except ValueError as error:
            wrong.append(Problem(f"{place} column {shown(cell.strip())}", str(error)))
    present = [head.column for _, head in used]
    lacking = [column for column in columns if column.required and column not in present]
    if lacking and not wrong:
        words = f'no column "{lacking[0].example}". Columns here: {shown(", ".join(header))}.'
        if not used:
            words += " The first row names them, with commas, semicolons or tabs between."
        wrong.append(Problem(place, words))
    mark = _mark(name, rows, used, header, delimiter, wrong)
    if wrong:
        problems += wrong
        return
    if passed and said is not None:
        noun = "column" if len(passed) == 1 else "columns"
        free = [column for column in columns if column not in present]
        hints = [hint for name in passed if (hint := _could_be(name, free))]
        said.append(" ".join([f"{noun} {', '.join(map(shown, passed))} passed over.", *hints]))
    apart: dict[str, float] = {}
    for line, cells in rows:
        while len(cells) > len(header) and not cells[-1].strip():
            cells.pop()
        if len(cells) > len(header):
            text_ = f"{len(cells)} values, but the header names {len(header)} columns."
            if delimiter == ",":
                text_ += " Decimal commas need semicolons between the columns."
            problems.append(Problem(f"{name} row {line}", text_))
            continue
        values: dict[str, Any] = {column.name: None for column in columns}
        several: dict[str, list[float]] = {}
        good = True
        for index, head in used:
            column, cell = head.column, _content(cells, index)
            if cell == "" and (column.blank or column.many or not column.required):
                continue
            try:
                if cell == "":
                    raise ValueError("empty, but a value is needed.")
                value = _cell(cell, head, mark)
            except ValueError as error:
                key = f"{name} row {line} column {shown(header[index].strip())}"
                problems.append(Problem(key, f" = {shown(cell)}: {error}"))
                good = False
                continue
            values[column.name] = value
            if column.many:
                alike = several.setdefault(column.name, [])
                alike.append(value)
                values[column.name] = sum(alike) / len(alike)
                apart[column.name] = max(apart.get(column.name, 0.0), max(alike) - min(alike))
        if good:
            yield line, values
    if said is not None:
        said += _means_words(used, header, apart)


def named_columns(text: str, columns: list[Column]) -> set[str]:
    """Names of the columns that a table has.

    Parameters
    ----------
    text : str
    columns : list of Column
        That there may be.

    Returns
    -------
    set of str
        Without those whose unit is wrong.
    """
    delimiter, above = _header(text, columns)
    out = set()
    for cell in [
        cell for _, cells in split_rows(text, delimiter)[above : above + 1] for cell in cells
    ]:
        try:
            head = _head(cell, columns)
        except ValueError:
            continue
        if head is not None:
            out.add(head.column.name)
    return out


def _content(cells: list[str], index: int) -> str:
    """Cell of a row, empty if it isn't there or holds a dash alone."""
    cell = cells[index].strip() if index < len(cells) else ""
    return "" if cell in ("-", "–", "—", "−") else cell


def _header(text: str, columns: list[Column]) -> tuple[str, int]:
    """Delimiter, and how many rows stand above the header.

    The header is the row that names most columns; what names none is left as it stands, for the
    messages.
    """
    top = "\n".join(text.removeprefix("\ufeff").splitlines()[: 4 * HEADS])
    best = (0, "", 0)
    for delimiter in DELIMITERS:
        for above, (_, cells) in enumerate(split_rows(top, delimiter)[:HEADS]):
            count = sum(_names_column(cell, columns) for cell in cells)
            if count > best[0]:
                best = count, delimiter, above
    if best[0]:
        return best[1], best[2]
    first = split_rows(top, "\0")[:1]
    return delimiter_of(first[0][1][0]) if first else ",", 0


def _names_column(cell: str, columns: list[Column]) -> bool:
    try:
        return _head(cell, columns) is not None
    except ValueError:
        return True


def _passed_over(cell: str, columns: list[Column], said: list[str] | None) -> list[str]:
    """An unknown column that holds no reading; ValueError where it may be meant for a known one."""
    name = cell.strip()
    known = [column.example for column in columns]
    near = nearest(name, [*known, *(column.name for column in columns)], cutoff=TYPO)
    if near or (said is None and name.casefold() not in NOTES):
        match_column(cell, columns)
    return [name] if name else []


def _could_be(name: str, columns: list[Column]) -> str:
    """Columns whose unit an unknown one has, in words; empty if there are none."""
    text = re.split(r"[\s_\[(]", name.rstrip("])"))[-1]
    fit = []
    for column in columns:
        if not column.measured:
            continue
        try:
            read_quantity(f"1 {_unit(text, column.kind)}", column.kind)
        except UnitError:
            continue
        fit.append(column.example)
    return f"To use {shown(name)}, name it {' or '.join(fit)}." if fit else ""


def _own_units(rows: list[tuple[int, list[str]]], index: int) -> bool:
    """Whether each cell of a column names its own unit."""
    cells = [cell for _, row in rows if (cell := _content(row, index))]
    return bool(cells) and all(re.search(OWN_UNIT, numeral(cell)) for cell in cells)


def _mark(
    name: str,
    rows: list[tuple[int, list[str]]],
    used: list[tuple[int, Head]],
    header: list[str],
    delimiter: str,
    problems: list[Problem],
) -> str:
    """Decimal mark of a file; a problem is appended where it has two, or may have either."""
    cells = [
        (line, index, head, cell)
        for line, row in rows
        for index, head in used
        if head.column.kind != "text" and (cell := _content(row, index))
    ]
    marks = decimal_marks([numeral(cell) for *_, cell in cells], delimiter)
    if len(marks) == 1:
        return marks
    marked = [e for e in cells if pointed(numeral(e[3]), ".") != pointed(numeral(e[3]), ",")]
    if marks:
        # every number may be thousands in one way and thousandths in the other
        fit = [mark for mark in marks if all(_fits(c, head, mark) for *_, head, c in marked)]
        if len(fit) == 1:
            return fit[0]
        line, index, _, cell = marked[0]
        low, high = sorted((float(pointed(numeral(cell), m) or 0) for m in marks), key=abs)
        text = (
            f" = {shown(cell)}: {low:g} or {high:g}? If {low:g}, write it with another zero, "
            f"{shown(cell + '0')}; if {high:g}, write it without the mark."
        )
    else:
        comma, point = (
            next(e for e in marked if pointed(numeral(e[3]), mark) is None) for mark in ".,"
        )
        line, index, _, cell = comma
        text = (
            f" = {shown(cell)}: a decimal comma, but row {point[0]} has {shown(point[3])}. Write "
            "one mark in the whole file."
        )
    problems.append(Problem(f"{name} row {line} column {shown(header[index].strip())}", text))
    return "."


def _fits(cell: str, head: Head, mark: str) -> bool:
    try:
        _cell(cell, head, mark)
    except ValueError:
        return False
    return True


def _means_words(
    used: list[tuple[int, Head]], header: list[str], apart: dict[str, float]
) -> list[str]:
    """What is said of columns whose mean counts, and how far they are apart at most, in SI."""
    out = []
    for column in {id(head.column): head.column for _, head in used}.values():
        names = [shown(header[index].strip()) for index, head in used if head.column is column]
        if len(names) > 1:
            far = f"{apart.get(column.name, 0.0):.2g} {KINDS[column.kind].unit}"
            out.append(
                f"{column.name}: the mean of {', '.join(names[:-1])} and {names[-1]}, row by row; "
                f"they lie up to {far} apart. To choose one, take out the others."
            )
    return out
