"""What a search may move: keys of the scenario, each within bounds or over a few values."""

from __future__ import annotations

import math
import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from raytrace.exceptions import Problem, ScenarioError
from raytrace.scenario.overrides import apply_override
from raytrace.scenario.schema import describe_schema, key_rule
from raytrace.scenario.units import UnitError, read_number
from raytrace.scenario.values import Loading, Number, Quantity, Reader, Share, Switch
from raytrace.store.fingerprint import digest

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Move", "file_digests", "overrides", "read_moves", "start_of"]

STEPS = 300  # at least, between the bounds: finer than a workshop measures


@dataclass(frozen=True)
class Move:
    """One key and where it may go, in the unit that its bounds are written in.

    Attributes
    ----------
    key : str
        As for `raytrace.scenario.loading.load_scenario`.
    unit : str
        "" for bare numbers and words.
    low, high : float
        Bounds, both included; nan where there are `choices`.
    decimals : int
        That values are rounded to; 0 for whole numbers.
    whole : bool
    choices : tuple of str
        Values to choose from, as a scenario has them; empty where there are bounds.
    """

    key: str
    unit: str = ""
    low: float = math.nan
    high: float = math.nan
    decimals: int = 0
    whole: bool = False
    choices: tuple[str, ...] = ()

    def kept(self, value: float | str) -> float | str:
        """Value as it is built: rounded to the move's decimals, and within its bounds.

        Parameters
        ----------
        value : float or str
            In the move's unit.

        Returns
        -------
        float or str

        Examples
        --------
        >>> Move("design.sun_altitude", "deg", 30.0, 60.0, 1).kept(41.2499)
        41.2
        """
        if isinstance(value, str) or self.whole:
            return value
        return float(min(max(round(value, self.decimals), self.low), self.high))

    def text(self, value: float | str) -> str:
        """Value as a scenario has it.

        Parameters
        ----------
        value : float or str
            In the move's unit.

        Returns
        -------
        str

        Examples
        --------
        >>> Move("design.sun_altitude", "deg", 30.0, 60.0, 1).text(41.2499)
        '41.2 deg'
        """
        kept = self.kept(value)
        if isinstance(kept, str):
            return kept
        number = f"{kept:.{max(self.decimals, 0)}f}"
        if float(number) != kept:  # a bound with more decimals
            number = f"{kept:.12g}"
        return f"{number} {self.unit}".strip()

    @property
    def span(self) -> str:
        """Where it may go, in words.

        Examples
        --------
        >>> Move("facets.rows", low=4, high=9, whole=True).span
        '4 to 9'
        """
        if self.choices:
            return ", ".join(self.choices)
        return f"{self.low:g} to {self.high:g} {self.unit}".strip()


def read_moves(scenario: Scenario, texts: Sequence[str], *, source: str = "--move") -> list[Move]:
    """Moves from text: ``design.sun_altitude=30..60 deg`` or ``facets.layout=grid, staggered``.

    Parameters
    ----------
    scenario : Scenario
        Whose keys are moved; a zone that is moved must be in it.
    texts : sequence of str
        Key, equals sign, and a range ``low..high`` with the unit last, or values with commas.
        ``pot.place[2]`` is the second value of a list.
    source : str
        For messages.

    Returns
    -------
    list of Move

    Raises
    ------
    ScenarioError
        If some can't be read; all problems at once.
    """
    moves: list[Move] = []
    problems: list[Problem] = []
    for text in texts:
        try:
            moves.append(_move(scenario, text, source))
        except ScenarioError as error:
            problems += error.problems
    problems += [
        Problem(move.key, "moved twice.")
        for k, move in enumerate(moves)
        if move.key in [m.key for m in moves[:k]]
    ]
    if not texts:
        problems.append(
            Problem("nothing to move", 'say what, such as "design.sun_altitude=30..60 deg".')
        )
    if problems:
        raise ScenarioError(source, problems)
    return moves


def _move(scenario: Scenario, text: str, source: str) -> Move:
    key, equals, said = (piece.strip() for piece in text.partition("="))
    if not equals or not said:
        wanted = 'write KEY=LOW..HIGH, such as "design.sun_altitude=30..60 deg".'
        raise ScenarioError(source, [Problem(f'"{text}"', wanted)])
    rule = key_rule(key, source=source)
    try:
        ends = re.fullmatch(r"(.+?)\s*\.\.\s*(.+)", said)
        move = _range(key, rule, *ends.groups()) if ends else _choices(key, rule, said)
    except ValueError as error:
        raise ScenarioError(source, [Problem(key, f' = "{said}": {error}')]) from None
    # a zone that the file lacks shows here
    raw = tomllib.loads(scenario.text)
    first = move.choices[0] if move.choices else move.text(move.low)
    problems = [apply_override(raw, x) for x in (*scenario.overrides, f"{key}={first}")]
    if problems[-1]:
        raise ScenarioError(source, [problems[-1]])
    return move


def _range(key: str, rule: Reader, low: str, high: str) -> Move:
    if not isinstance(rule, Quantity | Number | Share):
        raise ValueError(f"no range of this; list what to choose from. Write {rule.allowed}.")
    top, unit = _number(high, rule)
    bottom, own = _number(low, rule)
    if own and own != unit:
        raise ValueError("both ends need the same unit, such as 30..60 deg.")
    whole = isinstance(rule, Number) and rule.whole
    if not bottom < top:
        raise ValueError("the range must rise.")
    for number in (bottom, top):
        _check(rule, f"{number!r} {unit}" if unit else int(number) if whole else number)
    if whole and (bottom != int(bottom) or top != int(top)):
        raise ValueError("the ends must be whole numbers.")
    decimals = 0 if whole else math.ceil(math.log10(STEPS / (top - bottom)) - 1e-9)
    return Move(key, unit, bottom, top, decimals, whole)


def _number(text: str, rule: Reader) -> tuple[float, str]:
    try:
        return read_number(text)
    except UnitError as error:
        raise ValueError(f"{error}. Write {rule.allowed}.") from None


def _choices(key: str, rule: Reader, said: str) -> Move:
    """Values with commas between them; those that are bare numbers take the unit of the last."""
    values = [x.strip() for x in re.split(r",(?![^\[]*\])", said)]
    if len(values) < 2:
        raise ValueError("one value is no choice. Write a range low..high, or several with commas.")
    if isinstance(rule, Quantity | Share):
        unit = _unit_of(values[-1])
        values = [f"{v} {unit}" if unit and _unit_of(v) == "" else v for v in values]
    if len(set(values)) < len(values):
        raise ValueError("a value is there twice.")
    for value in values:
        _check(rule, _plain(value, rule))
    return Move(key, choices=tuple(values))


def _unit_of(text: str) -> str | None:
    try:
        return read_number(text)[1]
    except UnitError:
        return None


def _plain(text: str, rule: Reader) -> Any:
    """Value as TOML would hold it."""
    if isinstance(rule, Switch):
        return {"true": True, "false": False}.get(text, text)
    if isinstance(rule, Number) or (isinstance(rule, Share) and _unit_of(text) == ""):
        try:
            return int(text) if re.fullmatch(r"[+\-]?\d+", text) else float(text)
        except ValueError:
            return text
    return text


def _check(rule: Reader, value: Any) -> None:
    """ValueError if a rule refuses a value; lists and files are left to the loader."""
    if isinstance(value, str) and value.startswith("["):
        return
    loading = Loading()
    try:
        rule.read(value, loading)
    except ValueError as error:
        if "no folder" not in str(error):
            raise


def overrides(moves: Sequence[Move], values: Mapping[str, float | str]) -> dict[str, str]:
    """What `Scenario.varied` needs to take these values.

    Parameters
    ----------
    moves : sequence of Move
    values : mapping of str to float or str
        By key, in each move's own unit.

    Returns
    -------
    dict of str to str
    """
    return {move.key: move.text(values[move.key]) for move in moves}


def file_digests(scenarios: Sequence[Scenario], moves: Sequence[Move]) -> dict[str, str]:
    """Digests of the files that designs read besides the scenarios' own.

    Parameters
    ----------
    scenarios : sequence of Scenario
    moves : sequence of Move
        Their choices may be files.

    Returns
    -------
    dict of str to str
        By name, led by the scenario's place where there are several.

    Raises
    ------
    StoreError
        If one can't be read.
    """
    out: dict[str, str] = {}
    for k, scenario in enumerate(scenarios):
        folder = scenario.folder or Path()
        files = {choice: folder / choice for move in moves for choice in move.choices}
        lead = f"scenario {k + 1}: " if len(scenarios) > 1 else ""
        # a choice that is no file may be a name that no disk takes
        out |= {lead + name: digest(f) for name, f in files.items() if os.path.isfile(f)}
    return out


def start_of(scenario: Scenario, move: Move) -> float | str | None:
    """Value that a scenario has before it is moved; None if that lies outside the bounds.

    Parameters
    ----------
    scenario : Scenario
    move : Move

    Returns
    -------
    float, str or None
        In the move's unit.
    """
    at = _value(scenario, move.key)
    rule = key_rule(move.key)
    if move.choices:
        for choice in move.choices:
            try:
                read = rule.read(_plain(choice, rule), Loading())
            except ValueError:
                continue
            if read == at or (isinstance(at, float) and _close(read, at)):
                return choice
        return None
    if at is None or isinstance(at, str):
        return None
    value = float(at)
    if move.unit:
        # units with an offset, such as degrees Celsius, need two points
        low, high = (rule.read(f"{x!r} {move.unit}", Loading()) for x in (move.low, move.high))
        value = move.low + (value - low) / (high - low) * (move.high - move.low)
    value = round(value) if move.whole else float(f"{value:.12g}")
    return value if move.low <= value <= move.high else None


def _value(scenario: Scenario, key: str) -> Any:
    """SI value of a key; of the key that it takes its default from, where it is left out."""
    defaults = {row.key: row.default for row in describe_schema()}
    at: Any = scenario
    steps = re.findall(r"[\w\-]+|\[\d+\]", key)
    for k, name in enumerate(steps):
        at = at[int(name[1:-1]) - 1] if name.startswith("[") else getattr(at, name)
        if at is None:
            here = re.sub(r"\[\d+\]", "[]", ".".join(steps[: k + 1]).replace(".[", "["))
            other = defaults.get(here, "")
            return _value(scenario, other + "".join(steps[k + 1 :])) if other in defaults else None
    return at


def _close(a: Any, b: float) -> bool:
    return isinstance(a, float) and math.isclose(a, b, rel_tol=1e-9)
