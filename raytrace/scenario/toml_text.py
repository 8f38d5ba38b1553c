"""A scenario's TOML as plain values, or in our words why it is none."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from typing import Any

from raytrace.exceptions import Problem, ScenarioError
from raytrace.texts import VALUE, cut

__all__ = ["DEEPEST", "LARGEST", "read_toml", "too_deep"]

LARGEST = 1_000_000  # bytes of a scenario's text
DEEPEST = 8  # sections and brackets within each other: nothing here needs more than five

_LONG_KEY = re.compile(r"""(?<![\w"'-])(?:[\w"'-]+\s*\.\s*){40}""")
_DEEP = f"brackets or sections lie more than {DEEPEST} deep in each other. Is one never closed?"


def _syntax(text: str, error: tomllib.TOMLDecodeError) -> Problem:
    message = str(error)
    match = re.search(r"^(.*) \(at line (\d+), column (\d+)\)$", message)
    if match is None:
        words = message.replace("(at end of document)", "").strip().rstrip(".")
        return Problem("end of file", f"not TOML: {words}.")
    words, line, column = match[1], int(match[2]), int(match[3])
    there = text.splitlines()[line - 1].strip() if line <= len(text.splitlines()) else ""
    hint = ""
    quoted = cut(there, 2 * VALUE)
    if re.search("overwrite|twice|mutate", words):
        return Problem(f"line {line}, column {column}", f"{quoted}: this is there twice.")
    if re.search(r"=\s*\[?\s*[+\-]?[\d.]+\s*[A-Za-z°%]", there):
        hint = ' A value with a unit stands in quotes, such as "100 mm".'
    elif re.search(r"=\s*[A-Za-z]", there):
        hint = ' Text stands in quotes, such as "clear sky".'
    return Problem(f"line {line}, column {column}", f"not TOML: {words}: {quoted}.{hint}")


def read_toml(text: str, source: str) -> dict[str, Any]:
    """Plain values of a text.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        File name for messages.

    Returns
    -------
    dict

    Raises
    ------
    ScenarioError
        With all that its reader trips over, in our words.
    """
    try:
        if _LONG_KEY.search(text):  # tomllib would take the square of its length
            raise RecursionError
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        problem = _syntax(text, error)
    except RecursionError:
        problem = Problem("file", _DEEP)
    except ValueError:  # Python reads no number of over 4 300 digits
        before = re.split(r"\d{1000}", text, maxsplit=1)[0]
        problem = Problem(f"line {before.count(chr(10)) + 1}", "a number has thousands of digits.")
    raise ScenarioError(source, [problem])


def too_deep(raw: dict[str, Any]) -> Iterator[Problem]:
    """Keys that hold more within each other than any scenario has.

    Parameters
    ----------
    raw : dict
        As `read_toml` gives it.

    Yields
    ------
    Problem
    """

    def fits(value: Any, room: int) -> bool:
        inner = value.values() if isinstance(value, dict) else value
        parts = inner if isinstance(value, dict | list) else ()
        return room > 0 and all(fits(x, room - 1) for x in parts)

    for name, value in raw.items():
        if not fits(value, DEEPEST):
            yield Problem(name, _DEEP)
