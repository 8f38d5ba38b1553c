"""Tables as CSV text in which nothing that a user has named is obeyed."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

from raytrace.texts import one_line

__all__ = ["armed", "csv_text", "disarmed"]

# a spreadsheet takes what begins so for a formula
FORMULA = ("=", "+", "-", "@")


def csv_text(
    columns: Sequence[str], rows: Iterable[Sequence[Any]], notes: Sequence[str] = ()
) -> str:
    r"""Table as CSV, notes above it.

    Parameters
    ----------
    columns : sequence of str
    rows : iterable of sequence
        Numbers stay as they are; None is an empty cell.
    notes : sequence of str
        A comment line each.

    Returns
    -------
    str

    Examples
    --------
    >>> print(csv_text(["facet", "x_mm"], [["=A1", -2.5], ["B1", None]], ["two\nlines"]), end="")
    # two lines
    facet,x_mm
    '=A1,-2.5
    B1,
    """
    out = io.StringIO()
    for note in notes:
        out.write(f"# {one_line(note)}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([_cell(name) for name in columns])
    writer.writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue()


def _cell(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    return disarmed(one_line(value))


def disarmed(text: str) -> str:
    """Text with an apostrophe before it where a spreadsheet would compute it; numbers stay.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> disarmed("=1+1"), disarmed("-2.5"), disarmed("A1")
    ("'=1+1", '-2.5', 'A1')
    """
    if not text.startswith(FORMULA):
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text


def armed(text: str) -> str:
    """What `disarmed` was given: so that a table written here can be read again.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> armed("'=1+1"), armed("'tis")
    ('=1+1', "'tis")
    """
    return text[1:] if text[:1] == "'" and text[1:].startswith(FORMULA) else text
