"""Lengths that prove the laser's angle, as typed: "drop 812 mm, run 690 mm"."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from raytrace.commands import common

if TYPE_CHECKING:
    from raytrace.studies.bench.angle_measured import Proof

__all__ = ["read_proof"]

NAMES = ("drop", "run", "aside", "slope")


def read_proof(text: str, option: str = "--laser") -> Proof:
    """Read one proof.

    Parameters
    ----------
    text : str
        Names and lengths between commas: drop and run, and if measured aside (positive to the
        platform's right), slope, and at, the facet that the beam was held on.
    option : str
        For messages.

    Returns
    -------
    Proof

    Raises
    ------
    BadParameter
        If it can't be read, or no beam has such lengths.
    """
    from raytrace.exceptions import SettingsError
    from raytrace.studies.bench.angle_measured import Proof
    from raytrace.texts import shown

    lengths: dict[str, float] = {}
    facet = ""
    for part in filter(None, (x.strip() for x in text.replace(";", ",").split(","))):
        name, _, value = part.partition(" ")
        name, value = name.casefold().rstrip(":="), value.strip(" =:")
        if name == "at" and value:
            facet = value
        elif name in NAMES and value and name not in lengths:
            lengths[name] = common.quantity(value, "length", option, low="-50 m", high="50 m")
        else:
            raise typer.BadParameter(
                f'{shown(part)}: write "drop 812 mm, run 690 mm", and if you measured them aside, '
                "slope, and at with a facet's name.",
                param_hint=option,
            )
    if not {"drop", "run"} <= set(lengths):
        raise typer.BadParameter(
            f'{shown(text)}: a proof needs a drop and a run: "drop 812 mm, run 690 mm".',
            param_hint=option,
        )
    try:
        return Proof(**lengths, at=facet)
    except SettingsError as error:
        raise typer.BadParameter(f"{shown(text)}: {error}.", param_hint=option) from None
