"""Tables from anywhere: their encoding, what parts their cells, and the decimal mark of all.

Nothing is guessed cell by cell: one delimiter and one decimal mark hold for a whole file. Who reads
a file that leaves its mark open refuses it.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Sequence

__all__ = [
    "DELIMITERS",
    "decimal_marks",
    "decoded",
    "delimiter_of",
    "numeral",
    "pointed",
    "split_rows",
]

DELIMITERS = ("\t", ";", ",")
WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")  # how spreadsheets' own files begin
DASHES = dict.fromkeys(map(ord, "\u2212\u2010\u2011\u2012\u2013\u2014\ufe63\uff0d"), "-")
INCHES = dict.fromkeys(map(ord, '"″”“'), " in")
SPACES = "\u00a0\u2007\u2009\u202f"  # that part thousands in print

_MARKED = {
    mark: re.compile(rf"(?:[1-9]\d{{0,2}}(?:\{other}\d{{3}})+|\d*)(?:\{mark}\d*)?")
    for mark, other in ((".", ","), (",", "."))
}
_DIGITS = re.compile(r"(?<=[-+])[\d.,]*\d[\d.,]*|^[\d.,]*\d[\d.,]*")


def decoded(data: bytes) -> str:
    r"""Text of a table's bytes, whatever program saved it.

    Parameters
    ----------
    data : bytes
        UTF-8 or UTF-16, with or without its mark; else Windows-1252, which has Latin-1 in it.

    Returns
    -------
    str
        Line ends as ``\n``.

    Raises
    ------
    ValueError
        If it is no plain text; says what to do.

    Examples
    --------
    >>> decoded("x [°]\r\n".encode("utf-16")), decoded("x [°]".encode("latin-1"))
    ('x [°]\n', 'x [°]')
    """
    if data.startswith(WORKBOOKS):
        raise ValueError("a spreadsheet's own file. Save the sheet as CSV.")
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    names = ["utf-16"] if wide else ["utf-8-sig", "cp1252"]
    if not wide and b"\0" in data:  # every other byte of Latin letters is nothing
        names = ["utf-16-le" if data[1::2].count(0) > data[::2].count(0) else "utf-16-be"]
    for name in names:
        try:
            text = data.decode(name).removeprefix("\ufeff")
        except UnicodeDecodeError:
            continue
        if not any(unicodedata.category(c) == "Cc" for c in set(text) - set("\t\n\r\f")):
            return text.replace("\r\n", "\n").replace("\r", "\n")
    raise ValueError("not plain text. Save it as CSV: plain text, UTF-8.")


def delimiter_of(line: str) -> str:
    r"""What parts the cells of a line: tabs if there are any, else semicolons, else commas.

    Parameters
    ----------
    line : str

    Returns
    -------
    str

    Examples
    --------
    >>> delimiter_of("4,5;1"), delimiter_of("a,b"), delimiter_of("a")
    (';', ',', ',')
    """
    return next((d for d in DELIMITERS if d in line), ",")


def split_rows(text: str, delimiter: str | None = None) -> list[tuple[int, list[str]]]:
    r"""Cells of each row that is no comment, with the row's number in the file.

    Parameters
    ----------
    text : str
        Of a CSV file. Empty lines, lines that begin with ``#`` and a spreadsheet's ``sep=;`` are
        passed over.
    delimiter : str, optional
        By default what parts the cells of the first row.

    Returns
    -------
    list of (int, list of str)

    Examples
    --------
    >>> split_rows("# seen\n\nfacet;x_mm\nA1; 4,5\n")
    [(3, ['facet', 'x_mm']), (4, ['A1', '4,5'])]
    """
    lines = [
        (number, line)
        for number, line in enumerate(text.removeprefix("\ufeff").splitlines(), start=1)
        if line.strip(' ,;"\t') and not re.match(r'\s*"?#|"?sep=.?"?$', line)
    ]
    if delimiter is None and lines:
        delimiter = delimiter_of(lines[0][1])
    return [(number, _cells(line, delimiter or ",")) for number, line in lines]


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=delimiter != "\t"))
    except csv.Error:  # a cell of over 128 kB: whoever reads it will find no sense in it
        return [line]


def numeral(cell: str) -> str:
    """Number as a hand or a spreadsheet writes it, in plain signs.

    Parameters
    ----------
    cell : str

    Returns
    -------
    str
        Any dash before a digit as ``-``; fractions as ``1 3/8``; marks of inches as ``in``.

    Examples
    --------
    >>> numeral("−4,5"), numeral('1\u215c"'), numeral("1-3/8 in"), numeral("2\u202f500")
    ('-4,5', '1 3/8 in', '1 3/8 in', '2500')
    """
    if cell.isascii() and cell.replace(".", "").isdigit():
        return cell  # as most are
    text = cell.strip().translate(DASHES | INCHES)
    text = re.sub(rf"(?<=\d)[{SPACES}](?=\d{{3}}(?!\d))", "", text)
    text = re.sub(
        "[\u00bc-\u00be\u2150-\u215e]",
        lambda m: " " + unicodedata.normalize("NFKC", m[0]).replace("\N{FRACTION SLASH}", "/"),
        text,
    )
    text = re.sub(r"(?<=\d)-(?=\d+/\d)", " ", text)  # 1-3/8, as carpenters write it
    return re.sub(r"^([-+])\s+", r"\1", text.strip())


def decimal_marks(numerals: Sequence[str], delimiter: str) -> str:
    """Decimal marks that a whole file's numbers may have.

    Parameters
    ----------
    numerals : sequence of str
        As of `numeral`; what is no number under either mark counts for neither.
    delimiter : str
        Where commas part the cells, points alone are decimal.

    Returns
    -------
    str
        ``.`` or ``,``; both if each number may be thousands as well as thousandths; empty if some
        have a point and some a comma.

    Examples
    --------
    >>> [decimal_marks(x, ";") for x in (["4,5", "1.234,5"], ["1,234"], ["4,5", "4.5"], ["7"])]
    [',', '.,', '', '.']
    """
    marked = [x for x in numerals if pointed(x, ".") != pointed(x, ",")]
    marks = [mark for mark in ".," if all(pointed(x, mark) is not None for x in marked)]
    if not marked or (delimiter == "," and marks and not any("," in x for x in marked)):
        return "."
    return "".join(marks)


def pointed(text: str, mark: str) -> str | None:
    """Number with a decimal point and nothing between thousands.

    Parameters
    ----------
    text : str
        As of `numeral`; what follows the number stays.
    mark : str
        Decimal mark, "." or ",".

    Returns
    -------
    str or None
        None if the number can't be written so.

    Examples
    --------
    >>> pointed("-4,5 mm", ","), pointed("1,234", "."), pointed("4,5", ".")
    ('-4.5 mm', '1234', None)
    """
    found = _DIGITS.search(text)
    if found is None or not set(found[0]) & {".", ","}:
        return text
    if not _MARKED[mark].fullmatch(found[0]):
        return None
    other = "," if mark == "." else "."
    plain = found[0].replace(other, "").replace(mark, ".")
    return text[: found.start()] + plain + text[found.end() :]
