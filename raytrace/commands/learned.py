"""What a measurement has taught, written as a scenario of its own."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from raytrace.scenario.learned import Joint
    from raytrace.scenario.schema import Scenario

__all__ = ["free_place", "learned_places", "write_learned"]

OPTION = "--learn"


def free_place(path: Path, *others: Path) -> None:
    """Refuse to write a scenario where something is.

    Parameters
    ----------
    path : path
        Of the scenario.
    *others : path
        What is written beside it.

    Raises
    ------
    typer.BadParameter
        If the name is none of a scenario, or something is there.
    """
    if path.suffix != ".toml":
        raise typer.BadParameter(f"{path}: name a scenario (.toml).", param_hint=OPTION)
    for place in (path, *others):
        if place.exists():
            raise typer.BadParameter(
                f"{place}: there already, so it is left alone. Name another.", param_hint=OPTION
            )


def learned_places(path: Path) -> tuple[Path, Path]:
    """Where a learned scenario and its table go; neither may be there yet.

    Parameters
    ----------
    path : path
        Of the scenario.

    Returns
    -------
    scenario, table : path

    Raises
    ------
    typer.BadParameter
        If the name is none of a scenario, or something is there.
    """
    table = path.with_name(f"{path.stem}-learned.csv")
    free_place(path, table)
    return path, table


def write_learned(scenario: Scenario, joint: Joint, path: Path, *, source: str) -> Scenario:
    """Write a scenario that knows what was learned, and the table of draws beside it.

    Parameters
    ----------
    scenario : Scenario
        As it was before.
    joint : Joint
    path : path
        Of the scenario to write.
    source : str
        Name of what was measured.

    Returns
    -------
    Scenario
        As it was written.

    Raises
    ------
    StoreError
        If a file can't be written, or is there already.
    """
    from raytrace.files import write_whole
    from raytrace.scenario.learned import joint_text, stated
    from raytrace.scenario.loading import load_scenario
    from raytrace.studies.designs.rewrite import write_scenario

    path, table = learned_places(path)
    note = f"Learned from {source}, starting from {scenario.source}"
    notes = (f"{note}: equally likely draws, one a row.", "It goes with the scenario beside it.")
    write_whole(table, joint_text(joint, notes), new=True, option=OPTION)
    name = os.path.relpath(table.resolve(), scenario.folder or Path.cwd())
    rows = zip(joint.keys, joint.mean, joint.sd, joint.units, strict=True)
    values = {key: stated(float(mean), float(sd), unit) for key, mean, sd, unit in rows}
    learned = scenario.varied({**values, "learned.draws": Path(name).as_posix()})
    write_scenario(learned, path, note=f"{note}: learned.draws holds the law of the numbers below")
    return load_scenario(path)
