"""All that decides a study's results, as plain values, and in what two of them differ."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from raytrace.exceptions import StoreError

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Fingerprint", "differing", "digest", "fingerprint"]

Fingerprint: TypeAlias = Mapping[str, Any]


def fingerprint(kind: str, scenarios: Sequence[Scenario], plan: Any, **more: Any) -> dict[str, Any]:
    """Everything that decides what a study computes, as plain values.

    Parameters
    ----------
    kind : str
        Which study, a key of `raytrace.store.sealed.KINDS`.
    scenarios : sequence of Scenario
        All of them, with the text of their tables and a digest of their weather files.
    plan : dataclass or mapping
        What is asked for, seed and samples included; nothing that changes no result.
    **more
        Whatever else decides.

    Returns
    -------
    dict
        As JSON gives it back, so that two can be compared.

    Raises
    ------
    StoreError
        If a weather file can't be read.
    """
    from raytrace.version import __version__

    plain: dict[str, Any] = json.loads(
        json.dumps(
            {
                "raytrace": __version__,
                "kind": kind,
                "scenarios": [_of_scenario(s) for s in scenarios],
                "plan": asdict(plan) if is_dataclass(plan) and not isinstance(plan, type) else plan,
                **more,
            },
            default=str,
            ensure_ascii=False,
        )
    )
    return plain


def _of_scenario(scenario: Scenario) -> dict[str, Any]:
    weather = scenario.sky.weather_file
    return {
        "source": scenario.source,
        "text": scenario.text,
        "overrides": list(scenario.overrides),
        "tables": dict(sorted(scenario.tables.items())),
        "weather": None if weather is None else digest(weather),
    }


def digest(path: Path) -> str:
    """Digest of a file's bytes.

    Parameters
    ----------
    path : path

    Raises
    ------
    StoreError
        If it can't be read.
    """
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise StoreError(f"{path.name}: can't be read: {error.strerror}.") from None


def differing(there: Fingerprint, here: Fingerprint) -> list[str]:
    """Say in what two fingerprints differ; empty if they are the same.

    Parameters
    ----------
    there : mapping
        Of the file.
    here : mapping
        Of the work that is about to be done.

    Examples
    --------
    >>> differing({"plan": {"seed": 1, "beams": 2}}, {"plan": {"seed": 2, "beams": 2}})
    ['seed: 1 there, 2 now']
    """
    found = []
    for name in dict.fromkeys([*here, *there]):
        old, new = there.get(name), here.get(name)
        if old == new:
            continue
        if name == "kind":
            return [f"a {old} there, a {new} now"]
        if name == "scenarios":
            found += _differing_scenarios(old or [], new or [])
        elif isinstance(old, Mapping) and isinstance(new, Mapping):
            keys = sorted(k for k in {*old, *new} if old.get(k) != new.get(k))
            found += [f"{k}: {_short(old.get(k))} there, {_short(new.get(k))} now" for k in keys]
        else:
            found.append(f"{name}: {_short(old)} there, {_short(new)} now")
    return found


def _differing_scenarios(there: Sequence[Fingerprint], here: Sequence[Fingerprint]) -> list[str]:
    if len(there) != len(here):
        names = [", ".join(s["source"] for s in x) or "nothing" for x in (there, here)]
        return [f"scenarios: {names[0]} there, {names[1]} now"]
    found = []
    several = len(here) > 1
    for old, new in zip(there, here, strict=True):
        of = f" of {new['source']}" if several else ""
        if several and old["source"] != new["source"]:
            found.append(f"scenario: {old['source']} there, {new['source']} now")
        if old["text"] != new["text"]:
            found.append(f"the text{of or ' of the scenario'} has changed since")
        if old["overrides"] != new["overrides"]:
            found.append(
                f"set over the scenario{of}: {_short(old['overrides'])} there, "
                f"{_short(new['overrides'])} now"
            )
        tables = {*old["tables"], *new["tables"]}
        found += [
            f"{k} has changed since"
            for k in sorted(tables)
            if old["tables"].get(k) != new["tables"].get(k)
        ]
        if old["weather"] != new["weather"]:
            found.append(f"the weather file{of} has changed since")
    return found


LONGEST = 60  # characters of a value that is shown


def _short(value: Any) -> str:
    if value is None or value == []:
        return "nothing"
    text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
