"""All that decides a study's results, as plain values, and in what two of them differ."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from raytrace.exceptions import StoreError
from raytrace.store.sealed import FORMAT

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Fingerprint", "differing", "digest", "fingerprint"]

Fingerprint: TypeAlias = Mapping[str, Any]

LONGEST = 160  # characters of a value that is shown


def fingerprint(kind: str, scenarios: Sequence[Scenario], plan: Any, **more: Any) -> dict[str, Any]:
    """Everything that decides what a study computes, as plain values.

    Parameters
    ----------
    kind : str
        Which study: the command that makes it.
    scenarios : sequence of Scenario
        All of them; their tables count by text, their weather files by digest.
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

    said = {
        "kind": kind,
        "raytrace": __version__,
        "format": FORMAT,
        "scenarios": [_of_scenario(s) for s in scenarios],
        "plan": asdict(plan) if is_dataclass(plan) and not isinstance(plan, type) else plan,
        **more,
    }
    plain: dict[str, Any] = json.loads(json.dumps(said, default=str, ensure_ascii=False))
    return plain


def _of_scenario(scenario: Scenario) -> dict[str, Any]:
    weather, tables = scenario.sky.weather_file, scenario.tables
    given = None if weather is None else tables.pop(str(weather), None)
    return {
        "source": scenario.source,
        "text": scenario.text,
        "overrides": list(scenario.overrides),
        "tables": dict(sorted(tables.items())),
        "weather": None
        if weather is None
        else digest(weather)
        if given is None
        else _digest(given.encode()),
    }


def digest(path: Path) -> str:
    """Digest of a file's bytes.

    Parameters
    ----------
    path : path

    Returns
    -------
    str
        SHA-256, in hexadecimal digits.

    Raises
    ------
    StoreError
        If it can't be read.
    """
    try:
        return _digest(path.read_bytes())
    except OSError as error:
        raise StoreError(f"{path.name}: can't be read: {error.strerror}.") from None


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def differing(there: Fingerprint, here: Fingerprint) -> list[str]:
    """Say in what two fingerprints differ; empty if they are the same.

    Parameters
    ----------
    there : mapping
        Of the file.
    here : mapping
        Of the work that is about to be done.

    Returns
    -------
    list of str

    Examples
    --------
    >>> differing({"plan": {"seed": 1, "beams": 2}}, {"plan": {"seed": 2, "beams": 2}})
    ['seed: 1 there, 2 now']
    """
    if there.get("kind") != here.get("kind"):
        return [f"of cooker {there.get('kind')} there, of cooker {here.get('kind')} now"]
    return list(_differences(there, here))


def _differences(there: Fingerprint, here: Fingerprint) -> Iterator[str]:
    for name in dict.fromkeys([*here, *there]):
        old, new = there.get(name), here.get(name)
        if old == new:
            continue
        if name == "scenarios":
            yield from _between_scenarios(old or [], new or [])
        elif name == "files":
            yield from _between_files(old or {}, new or {})
        elif isinstance(old, Mapping) and isinstance(new, Mapping):
            yield from _differences(old, new)
        else:
            yield _changed(name, old, new)


def _between_scenarios(there: Sequence[Fingerprint], here: Sequence[Fingerprint]) -> Iterator[str]:
    names = [[s["source"] for s in scenarios] for scenarios in (there, here)]
    if names[0] != names[1]:
        yield _changed("scenario", *names)
    if len(there) != len(here):
        return
    for k, (old, new) in enumerate(zip(there, here, strict=True)):
        of = f" of scenario {k + 1} ({new['source']})" if len(here) > 1 else ""
        if old["text"] != new["text"]:
            yield f"the text{of} has changed since" if of else "the scenario's text has changed"
        if old["overrides"] != new["overrides"]:
            yield _changed(f"set over {new['source']}", old["overrides"], new["overrides"])
        yield from _between_files(old["tables"], new["tables"])
        if old["weather"] != new["weather"]:
            yield f"the weather file{of} has changed since"


def _between_files(there: Fingerprint, here: Fingerprint) -> Iterator[str]:
    changed = sorted(k for k in {*there, *here} if there.get(k) != here.get(k))
    if changed:
        yield f"changed since: {', '.join(changed)}"


def _changed(name: str, old: Any, new: Any) -> str:
    values = [", ".join(map(str, x)) if isinstance(x, list) else x for x in (old, new)]
    texts = ["nothing" if x in (None, "") else str(x) for x in values]
    if max(map(len, texts)) > LONGEST or "{" in "".join(texts):
        return f"changed since: {name}"
    return f"{name}: {texts[0]} there, {texts[1]} now"
