"""The section of a scenario file about what a workshop does not get right."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import PrivateAttr, StrictBool, ValidationInfo, model_validator
from pydantic.functional_validators import ModelWrapValidatorHandler

from raytrace.scenario.law import Unsure
from raytrace.scenario.section import Bias, Point3, Section, Sigma, Spread3, Stray, key, part
from raytrace.scenario.units import UnitError, read_quantity
from raytrace.scenario.values import Quantity

__all__ = ["Errors", "Pointing", "PotErrors", "Rig"]


class Rig(Section):
    """The laser that the facets are set with. Caution: never look into the beam."""

    kind: Literal["parallel", "point"] = key(
        "Slid from facet to facet in one direction, or swivelled on one stand.", "parallel"
    )
    distance: Annotated[float, Quantity(("length",), above="0 mm", high="1 km")] = key(
        "Stand from the facets' middle, point rig.", "5 m"
    )
    corrected_marks: StrictBool = key(
        "Point rig: each facet is set on a mark of its own that makes up for the stand.", False
    )
    altitude_bias: Bias = key(
        "Laser too high, positive, or too low.", "0 deg", unsure=Unsure("± 0.3 deg")
    )
    azimuth_bias: Bias = key(
        "Laser turned clockwise, seen from above.", "0 deg", unsure=Unsure("± 0.3 deg")
    )
    hit: Stray = key("Lit point off the facet's centre, per axis across the beam.", "0 mm")
    card: Annotated[float, Quantity(("length",), above="0 mm", high="10 m")] = key(
        "Side of the square card that spots are read on, its middle on the base's middle.",
        "400 mm",  # common practice, no source: two sheets of A4 with a margin
    )


class Pointing(Section):
    """How well the board is turned to the sun, each time."""

    heading_bias: Bias = key("Turned too far clockwise.", "0 deg")
    heading_rms: Sigma = key("Spread of the heading.", "0 deg", unsure=Unsure("×/÷ 1.4"))
    tilt_bias: Bias = key("Tilted too far.", "0 deg")
    tilt_rms: Sigma = key("Spread of the tilt.", "0 deg", unsure=Unsure("×/÷ 1.4"))
    cross_bias: Bias = key("Out of level across, about +y.", "0 deg")
    cross_rms: Sigma = key("Spread of the cross level.", "0 deg")


class PotErrors(Section):
    """How well the pot is put in its place."""

    bias: Point3 = key("Pot from its place, platform x, y, z.", ["0 mm"] * 3)
    rms: Spread3 = key("Spread of the same.", ["0 mm"] * 3)


class Errors(Section):
    """What a workshop does not get exactly right; one standard deviation each."""

    setting: Annotated[float, Quantity(("angle", "length"), highs=("90 deg", "1 m"))] = key(
        "Facet's angle, per axis; or, as a length, the laser's rms miss on miss_plane.",
        "0 mrad",
        unsure=Unsure("×/÷ 1.25"),
    )
    miss_plane: Literal["base", "upright"] = key(
        "Plane that the miss is measured on: the base, or a card upright across it.", "base"
    )
    set_by: Literal["laser", "angle"] = key(
        "By laser the aim makes up for a misplaced mount and for the glass's shift, by angle it "
        "does not.",
        "laser",
    )
    placement_xy: Stray = key("Mount off its place, per axis.", "0 mm")
    placement_z: Stray = key("Mount off its height.", "0 mm")
    roll: Sigma = key("Facet turned about its normal.", "0 deg")
    rig: Rig = part("The laser that the facets are set with.", Rig)
    pointing: Pointing = part("How well the board is turned to the sun.", Pointing)
    pot: PotErrors = part("How well the pot is put in its place.", PotErrors)

    _setting_kind: Literal["angle", "miss"] = PrivateAttr("angle")

    @property
    def setting_kind(self) -> Literal["angle", "miss"]:
        """Whether `setting` is an angle [rad] or the laser's miss [m]."""
        return self._setting_kind

    @model_validator(mode="wrap")
    @classmethod
    def _note_kind(
        cls, data: Any, handler: ModelWrapValidatorHandler[Errors], info: ValidationInfo
    ) -> Errors:
        model = handler(data)
        if isinstance(data, Mapping) and "setting" in data:
            # A length has passed the reader by now, an angle would fail here.
            try:
                read_quantity(data["setting"], "length")
                model._setting_kind = "miss"
            except UnitError:
                model._setting_kind = "angle"
        return model
