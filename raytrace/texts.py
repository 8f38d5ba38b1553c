"""Text on its way in and out: files read within bounds; values quoted in messages, and cut."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

__all__ = [
    "cut",
    "install_words",
    "listed",
    "one_line",
    "read_bytes",
    "read_text",
    "shown",
    "visible",
]

# what a terminal or a reader obeys: control characters, marks of direction, breaks of lines, tags
_OBEYED = {
    code: chr(code).encode("unicode_escape").decode()
    for code in (
        *(set(range(0x20)) - {0x09, 0x0A}),
        *range(0x7F, 0xA0),
        *(0xAD, 0x061C, 0x180E, 0x200B, 0x200E, 0x200F),
        *range(0x2028, 0x202F),
        *range(0x2060, 0x2070),
        *(0xFEFF, 0xFFF9, 0xFFFA, 0xFFFB),
        *range(0xE0000, 0xE0080),
    )
}
LINE = 600  # of one message, in characters
VALUE = 60  # of a value quoted in a message
_ITEMS = 12  # of a list or section that can be seen in so little room


def install_words(extra: str) -> str:
    """Say how what an extra needs is installed: from where the project was cloned to.

    Parameters
    ----------
    extra : str
        As pyproject.toml names it.

    Returns
    -------
    str
        A sentence.
    """
    return f'In the project\'s folder: pip install ".[{extra}]".'


def read_bytes(path: Path, most: int) -> bytes:
    """Content of a file of at most so many bytes.

    Parameters
    ----------
    path : path
    most : int
        Bytes; what is longer can't be what was meant, and would take minutes to refuse.

    Returns
    -------
    bytes

    Raises
    ------
    ValueError
        If it is longer.
    OSError
        If it can't be opened or read.
    """
    with open(path, "rb") as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise ValueError(f"longer than {most / 1e6:g} MB. Is this the right file?")
    return data


def read_text(path: Path, most: int) -> str:
    r"""Text of a file of at most so many bytes.

    Parameters
    ----------
    path : path
    most : int
        Bytes, as of `read_bytes`.

    Returns
    -------
    str
        Line ends as ``\n``, without a byte order mark.

    Raises
    ------
    ValueError
        If it is longer, or not UTF-8.
    OSError
        If it can't be opened or read.
    """
    try:
        text = read_bytes(path, most).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ValueError("not plain text. Save it as plain text, UTF-8.") from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


def visible(text: str) -> str:
    r"""Text that is shown and never obeyed: escape sequences and marks of direction spelt out.

    Parameters
    ----------
    text : str
        Its lines and tabs stay.

    Returns
    -------
    str

    Examples
    --------
    >>> print(visible("a\x1b[31mb\u202ec"))
    a\x1b[31mb\u202ec
    """
    return text.translate(_OBEYED)


def one_line(text: str) -> str:
    r"""Text that is shown in one line, its line ends and tabs as spaces.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> one_line("Two rows\nfor the yard")
    'Two rows for the yard'
    """
    return visible(" ".join(text.split()))


def cut(text: str, width: int = LINE) -> str:
    """Text that fits a width, and that any file or terminal can take; its middle goes first.

    Parameters
    ----------
    text : str
        May hold what stands for bytes that are no text, as in names of files.
    width : int
        In characters.

    Returns
    -------
    str

    Examples
    --------
    >>> cut("facets.wwwwwwwwwwwwwwwwwwwwwidth: unknown key.", 30)
    'facets.wwwwwwww…: unknown key.'
    """
    if len(text) > width:
        tail = width // 2 - 1
        text = f"{text[: width - tail - 1]}…{text[len(text) - tail :]}"
    return text.encode("utf-8", "backslashreplace").decode()


def shown(value: object, width: int = VALUE) -> str:
    """Value as a TOML file would have it, cut if it is long.

    Parameters
    ----------
    value : object
        As TOML holds it.
    width : int
        In characters.

    Returns
    -------
    str

    Examples
    --------
    >>> shown(["0 mm", 5, True])
    '["0 mm", 5, true]'
    """
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        kept = value if len(value) < width else value[: width - 3] + "…"
        text = json.dumps(kept, ensure_ascii=False)
    elif isinstance(value, list | tuple):
        text = f"[{', '.join(shown(v) for v in value[:_ITEMS])}]"
        text = f"{text[:-1]}, …]" if len(value) > _ITEMS else text
    elif isinstance(value, dict):
        items = list(value.items())[:_ITEMS]
        text = "{ " + ", ".join(f"{k} = {shown(v)}" for k, v in items) + " }"
    elif isinstance(value, int) and value.bit_length() > 1000:
        text = hex(value)  # Python writes no number of over 4 300 digits
    else:
        text = str(value)
    return cut(text if len(text) <= width else text[: width - 1] + "…")


def listed(words: Sequence[str], last: str = "or") -> str:
    """Words in a row, as in a sentence.

    Parameters
    ----------
    words : sequence of str
        One or more.
    last : str
        What stands before the last.

    Returns
    -------
    str

    Examples
    --------
    >>> listed(["95", "90", "80 %"])
    '95, 90 or 80 %'
    """
    return f" {last} ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]
