"""What every section of a scenario file is made of: its base, its keys and the values they share.

Values are SI floats, angles in radians. A default that depends on other keys is settled when the
model is made, so that whoever reads a model meets no gap there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from raytrace.scenario.law import Unsure
from raytrace.scenario.values import Quantity, Share, Vector, Whole

__all__ = ["Only", "Section", "key", "part"]

# Limits far beyond any cooker that is built by hand: what they catch is a slip of the unit.
COORDINATE = Quantity(("length",), low="-50 m", high="50 m")
SPREAD = Quantity(("length",), low="0 mm", high="1 m")

Coordinate = Annotated[float, COORDINATE]
Depth = Annotated[float, SPREAD]
Stray = Annotated[float, Quantity(("length",), low="0 mm", high="100 mm")]
Size = Annotated[float, Quantity(("length",), above="0 mm", high="3 m")]
Wide = Annotated[float, Quantity(("length",), above="0 mm", high="50 m")]
Side = Annotated[float, Quantity(("length",), low="1 mm", high="3 m")]
Pitch = Annotated[float, Quantity(("length",), above="0 mm", high="5 m")]
Bias = Annotated[float, Quantity(("angle",), low="-90 deg", high="90 deg")]
Sigma = Annotated[float, Quantity(("angle",), low="0 deg", high="90 deg")]
Scatter = Annotated[float, Quantity(("angle",), low="0 deg", high="10 deg")]
Portion = Annotated[float, Share()]
Point2 = Annotated[tuple[float, float], Vector(COORDINATE, 2)]
Point3 = Annotated[tuple[float, float, float], Vector(COORDINATE, 3)]
Spread3 = Annotated[tuple[float, float, float], Vector(SPREAD, 3)]
Altitude = Annotated[float, Quantity(("angle",), low="1 deg", high="90 deg")]
Range = Annotated[tuple[int, int], Vector(Whole(1, 1000), 2, rising=True)]


@dataclass(frozen=True)
class Only:
    """A key that goes with some words of another key of its section, and may be needed there.

    Attributes
    ----------
    tag : str
        The other key.
    words : tuple of str or bool
        Those of its values with which the key goes.
    needed : bool
    instead : str
        What stands for the key where it does not go.
    """

    tag: str
    words: tuple[str | bool, ...]
    needed: bool = False
    instead: str = ""  # what stands for it where it does not go


def key(
    meaning: str,
    default: Any = ...,
    *,
    shown: str | None = None,
    only: Only | None = None,
    unsure: Unsure | None = None,
) -> Any:
    """Field of a section.

    Parameters
    ----------
    meaning : str
    default : object, optional
        As the file would have it; a key without one must be given.
    shown : str, optional
        How its default is shown, if not by its value.
    only : Only, optional
    unsure : Unsure, optional
        What is not known of it unless the file says so.

    Returns
    -------
    FieldInfo
    """
    extra: dict[str, Any] = {"shown": shown, "only": only, "unsure": unsure}
    return Field(default, description=meaning, json_schema_extra=extra)


def part(meaning: str, model: type[Section]) -> Any:
    """Field that holds a section which may be left out.

    Parameters
    ----------
    meaning : str
    model : type
        Of the section.

    Returns
    -------
    FieldInfo
    """
    return Field(default_factory=model, description=meaning)


class Section(BaseModel):
    """One section of a scenario file; unknown keys are errors."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", validate_default=True, arbitrary_types_allowed=True
    )

    def _settle(self, **values: Any) -> None:
        """Fill keys that were left out, in spite of the model being frozen."""
        for name, value in values.items():
            if getattr(self, name) is None:
                self.__dict__[name] = value
