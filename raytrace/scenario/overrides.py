"""Keys of a scenario set over what its file says."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from raytrace.exceptions import Problem
from raytrace.scenario.schema import (
    Entry,
    generic,
    listed_sections,
    part_of_list,
    schema,
    unknown_key,
)
from raytrace.scenario.toml_text import DEEPEST, LARGEST
from raytrace.scenario.values import Reader, Text, Vector
from raytrace.texts import cut, shown

__all__ = ["apply_override", "course_changes", "habit_changes"]

_PATH = r"[\w\-]+(\[\d{1,6}\])?"


def _lenient(text: str, reader: Reader | None) -> Any:
    """Value of an override: TOML if it is that, else plain text, in lists too."""
    try:
        parsed = tomllib.loads(f"v = {text}")
    except (ValueError, RecursionError):
        parsed = {}
    if list(parsed) == ["v"]:
        value = parsed["v"]
        return text if isinstance(reader, Text) and not isinstance(value, str) else value
    if text.startswith("[") and text.endswith("]"):
        # Commas inside inner brackets belong to the inner lists.
        items = re.findall(r"\[[^\[\]]*\]|[^,\[\]]+", text[1:-1])
        return [_lenient(item.strip(), None) for item in items if item.strip()]
    return text


def apply_override(raw: dict[str, Any], override: str) -> Problem | None:
    """Set one key in place over what the file says; an empty value takes the key out.

    Parameters
    ----------
    raw : dict
        The file as TOML holds it; also a document that keeps its comments.
    override : str
        As for `load_scenario`.

    Returns
    -------
    Problem or None
        Why it can't be done.
    """
    path, equals, text = (piece.strip() for piece in override.partition("="))
    if not equals or not re.fullmatch(rf"{_PATH}(\.{_PATH}){{0,{DEEPEST}}}", path):
        return Problem(shown(override), 'write key=value, such as "errors.setting=8 mm".')
    if len(text) > LARGEST or cut(text, LARGEST) != text:
        return Problem(path, "too long, or not text by the rules of UTF-8.")
    at: Any = raw
    part = part_of_list(path)
    *parents, last = re.findall(r"[\w\-]+|\[\d+\]", part[0] if part else path)
    for depth, name in enumerate(parents):
        if name.startswith("["):
            number = int(name[1:-1])
            if not isinstance(at, list) or not 1 <= number <= len(at):
                count = len(at) if isinstance(at, list) else 0
                return Problem(path, f"there is no number {number}; the file has {count}.")
            at = at[number - 1]
        else:
            whole = ".".join(parents[: depth + 1])
            if whole in listed_sections() and isinstance(at, dict) and not at.get(name):
                return Problem(path, f"the file has no [[{whole}]].")
            at = at.setdefault(name, {}) if isinstance(at, dict) else None
        if not isinstance(at, dict | list):
            return Problem(path, f"{name} is no section, so it has no keys.")
    if not isinstance(at, dict):
        section = path.rpartition(".")[0]
        return Problem(path, f"say which one, such as {section}[1].{last}.")
    known = schema().get(generic(part[0] if part else path))
    if part is not None and known is not None:
        return _set_part(at, last, known, part[1], text, path)
    if text:
        at[last] = _lenient(text, known.reader if known else None)
    elif known is None:
        return unknown_key(path, text)[0]
    else:
        at.pop(last, None)
    return None


def _set_part(
    at: dict[str, Any], last: str, known: Entry, number: int, text: str, path: str
) -> Problem | None:
    """Set one value of a list, which is the key's default where the file leaves it out."""
    rule = known.reader
    if not isinstance(rule, Vector):
        return Problem(path, "is no list, so it has no parts.")
    if not text:
        return Problem(path, f"one value can't be taken out alone. Write {rule.item.allowed}.")
    if last not in at:
        try:
            at[last] = tomllib.loads(f"v = {known.row.default}")["v"]
        except tomllib.TOMLDecodeError:
            return Problem(path, f"the file has no {last}. Write {rule.allowed}.")
    values = at[last]
    if not isinstance(values, list) or not 1 <= number <= len(values):
        count = len(values) if isinstance(values, list) else 0
        return Problem(path, f"there is no number {number}; the list has {count}.")
    values[number - 1] = _lenient(text, rule.item)
    return None


def habit_changes(turn_every: str | None, face: str | None) -> list[str]:
    """Wishes of a habit as keys of the scenario, so that its own limits and messages hold.

    A platform that is never turned again can't be turned ahead, whatever the scenario says.

    Parameters
    ----------
    turn_every, face : str or None
        None for what the scenario says.

    Returns
    -------
    list of str

    Examples
    --------
    >>> habit_changes("never", None)
    ['habit.turn_every="never"', 'habit.face="now"']
    """
    if face is None and turn_every is not None and turn_every.strip() == "never":
        face = "now"
    changes = {"habit.turn_every": turn_every, "habit.face": face}
    return [f'{key}="{value}"' for key, value in changes.items() if value is not None]


def course_changes(
    wanted: str | None, over: str | None = None, hold: str | None = None
) -> list[str]:
    """Wishes of what is cooked as keys of the scenario, so that its limits and messages hold.

    A course that is asked for has its usual temperature and time, not those that the file gives
    for its own.

    Parameters
    ----------
    wanted, over, hold : str or None
        None for what the scenario says, or for the course's usual.

    Returns
    -------
    list of str

    Examples
    --------
    >>> course_changes("simmer", hold="2 h")
    ['kitchen.wanted="simmer"', 'kitchen.done_over=', 'kitchen.done_after="2 h"']
    """
    changes = {"kitchen.wanted": wanted, "kitchen.done_over": over, "kitchen.done_after": hold}
    out = [f'{key}="{value}"' for key, value in changes.items() if value is not None]
    if wanted is not None:
        out[1:1] = [f"{key}=" for key, value in changes.items() if value is None]
    return out
