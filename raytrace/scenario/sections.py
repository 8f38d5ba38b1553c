"""The sections of a scenario file as frozen models: every key, its rule, default and meaning.

Values are SI floats, angles in radians. A default that depends on other keys is settled when the
model is made, so that whoever reads a model meets no gap there.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationInfo, model_validator
from pydantic.functional_validators import ModelWrapValidatorHandler

from raytrace.scenario.tables import Place, State
from raytrace.scenario.units import UnitError, read_quantity
from raytrace.scenario.values import (
    Choice,
    DateOnly,
    FilePath,
    Horizon,
    Number,
    Quantity,
    Share,
    Switch,
    Table,
    Text,
    Timezone,
    Vector,
    Whole,
)

__all__ = [
    "Aim",
    "Design",
    "Errors",
    "Facets",
    "Mirror",
    "Platform",
    "Pointing",
    "Pot",
    "PotErrors",
    "Rig",
    "Section",
    "Site",
    "Sky",
    "Support",
    "Trace",
    "Zone",
]

GAP = 0.008  # between neighbours when no pitch is given [m]

# Limits far beyond any cooker that is built by hand: what they catch is a slip of the unit.
_COORDINATE = Quantity(("length",), low="-50 m", high="50 m")
_SPREAD = Quantity(("length",), low="0 mm", high="1 m")
_SIDE = Quantity(("length",), low="1 mm", high="3 m")
_PITCH = Quantity(("length",), above="0 mm", high="5 m")

Coordinate = Annotated[float, _COORDINATE]
Depth = Annotated[float, _SPREAD]
Stray = Annotated[float, Quantity(("length",), low="0 mm", high="100 mm")]
Size = Annotated[float, Quantity(("length",), above="0 mm", high="3 m")]
Side = Annotated[float, _SIDE]
Bias = Annotated[float, Quantity(("angle",), low="-90 deg", high="90 deg")]
Sigma = Annotated[float, Quantity(("angle",), low="0 deg", high="90 deg")]
Scatter = Annotated[float, Quantity(("angle",), low="0 deg", high="10 deg")]
Portion = Annotated[float, Share()]
Point2 = Annotated[tuple[float, float], Vector(_COORDINATE, 2)]
Point3 = Annotated[tuple[float, float, float], Vector(_COORDINATE, 3)]
Spread3 = Annotated[tuple[float, float, float], Vector(_SPREAD, 3)]
Altitude = Annotated[float, Quantity(("angle",), low="1 deg", high="90 deg")]
Range = Annotated[tuple[int, int], Vector(Whole(1, 1000), 2, rising=True)]


def key(meaning: str, default: Any = ..., *, shown: str | None = None) -> Any:
    """Field of a section: meaning, default as the file would have it, and how that is shown."""
    return Field(default, description=meaning, json_schema_extra={"shown": shown})


def part(meaning: str, model: type[Section]) -> Any:
    """Field that holds a section which may be left out."""
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


class Site(Section):
    """Where the cooker stands."""

    name: Annotated[str, Text()] = key("Name of the place.")
    latitude: Annotated[float, Quantity(("angle",), low="-90 deg", high="90 deg")] = key(
        "North positive, south negative."
    )
    longitude: Annotated[float, Quantity(("angle",), low="-180 deg", high="180 deg")] = key(
        "East positive, west negative."
    )
    altitude: Annotated[float, Quantity(("length",), low="-450 m", high="9000 m")] = key(
        "Height above sea level."
    )
    timezone: Annotated[str, Timezone()] = key("IANA time zone that clock times are in.")
    horizon: Annotated[NDArray[np.float64] | None, Horizon()] = key(
        "Altitude of house, trees and hills against azimuth, clockwise from north; hides the sun.",
        None,
        shown="open",
    )


class Sky(Section):
    """What the sun sends."""

    dni: Annotated[
        float | Literal["clear sky", "weather file"],
        Quantity(
            ("irradiance",),
            above="0 W/m^2",
            high="1500 W/m^2",
            words=("clear sky", "weather file"),
        ),
    ] = key("Direct normal irradiance.", "clear sky")
    weather_file: Annotated[Path | None, FilePath()] = key(
        'EPW, TMY3 or PVGIS file, for dni = "weather file".', None, shown="none"
    )
    weather_elsewhere: Annotated[bool, Switch()] = key(
        "Take a weather file from over 300 km away, or from the other hemisphere, all the same.",
        False,
    )
    linke_turbidity: Annotated[float | None, Number(1.0, 20.0)] = key(
        "Haze of the clear sky.", None, shown="climatology"
    )
    sunshape: Annotated[
        Literal["uniform", "limb-darkened", "buie"], Choice(("uniform", "limb-darkened", "buie"))
    ] = key("How the sun's light is spread over its disc and round it.", "uniform")
    sun_radius: Annotated[
        float | Literal["by date"],
        Quantity(("angle",), low="0.1 mrad", high="20 mrad", words=("by date",)),
    ] = key("Half-angle of the sun's disc.", "4.65 mrad")
    circumsolar_ratio: Annotated[float | None, Number(0.001, 0.6)] = key(
        'Aureole\'s part of the direct light out to 2.5 deg, for sunshape = "buie".',
        None,
        shown="none",
    )


class Design(Section):
    """The sun that the facets are set for."""

    sun_altitude: Altitude = key("Altitude of the laser that stands in for the sun.")
    date: Annotated[dt.date | None, DateOnly()] = key(
        "Day whose clear sky gives the irradiance at the design sun.", None, shown="equinox"
    )


class Platform(Section):
    """The board that carries the facets and is turned to face the sun."""

    tilt: Annotated[
        float | Literal["follow sun"],
        Quantity(("angle",), low="-60 deg", high="60 deg", words=("follow sun",)),
    ] = key(
        "Positive raises the sun's side; "
        '"follow sun" props the board so that the sun stands at the design altitude above it.',
        "0 deg",
    )
    tilt_limits: Annotated[
        tuple[float, float], Vector(Quantity(("angle",), low="-60 deg", high="60 deg"), 2, True)
    ] = key('Least and greatest tilt for "follow sun".', ["0 deg", "30 deg"])
    thickness: Size = key("Thickness of the board.", "18 mm")
    margin: Depth = key("From the outermost facets to the board's edge.", "30 mm")
    hinge_y: Annotated[float | None, _COORDINATE] = key(
        "Line that the board tilts about, toward the sun from its middle.", None, shown="-y edge"
    )
    hinge_z: Annotated[float | None, _COORDINATE] = key(
        "The same line above the board's top.", None, shown="bottom face"
    )


class Facets(Section):
    """The mirrors and where they stand. Row 1 is nearest the sun (+y), column 1 leftmost (-x)."""

    shape: Annotated[
        Literal["rectangular", "round", "hexagonal"],
        Choice(("rectangular", "round", "hexagonal")),
    ] = key("Outline of a facet; a hexagon has two corners to the left and right.")
    width: Side = key("Left to right, rectangular facets.", None, shown="none")
    height: Side = key("Front to back, rectangular facets.", None, shown="as width")
    diameter: Side = key("Round facets.", None, shown="none")
    across_corners: Side = key("Corner to opposite corner, hexagonal facets.", None, shown="none")
    layout: Annotated[
        Literal["grid", "staggered", "places"], Choice(("grid", "staggered", "places"))
    ] = key("Rows in line, every second row shifted by half a pitch_x, or a table.", "grid")
    rows: Annotated[int, Whole(1, 1000)] = key(
        "Number of rows, needed unless there is a table.", None, shown="none"
    )
    columns: Annotated[int, Whole(1, 1000)] = key(
        "Number of columns, needed unless there is a table.", None, shown="none"
    )
    pitch_x: Annotated[float, _PITCH] = key(
        "Centre to centre along a row.", None, shown="size + 8 mm"
    )
    pitch_y: Annotated[float, _PITCH] = key("Row to row.", None, shown="size + 8 mm")
    centre: Point2 = key("Middle of the array, platform x, y.", ["0 mm", "0 mm"])
    mount_radius: Depth = key(
        "From a mount's turning centre to the mirror's front, glass included.", "20 mm"
    )
    mount_height: Annotated[float, Quantity(("length",), low="0 mm", high="10 m")] = key(
        "Turning centre above the board's top.", "40 mm"
    )
    row_rise: Annotated[float, Quantity(("length",), low="-2 m", high="2 m")] = key(
        "Each row above the row on its sun side.", "0 mm"
    )
    places: Annotated[tuple[Place, ...], Table("places")] = key(
        'CSV for layout = "places": x_mm, y_mm; optional z_mm, label, row, column.',
        None,
        shown="none",
    )
    states: Annotated[Mapping[str, State], Table("states")] = key(
        "CSV of facets that are not sound: label, state (ok, missing, broken); "
        "optional reflectance, a share of that of the other facets.",
        None,
        shown="none",
    )

    @property
    def half_u(self) -> float:
        """Half-width; circumradius of a hexagon, radius of a round facet [m]."""
        return 0.5 * self.width

    @property
    def half_v(self) -> float:
        """Half-height; inradius of a hexagon, radius of a round facet [m]."""
        return 0.5 * self.height

    @model_validator(mode="after")
    def _fill(self) -> Facets:
        if self.shape == "round":
            self._settle(width=self.diameter, height=self.diameter)
        elif self.shape == "hexagonal" and self.across_corners is not None:
            self._settle(
                width=self.across_corners, height=self.across_corners * math.sqrt(3.0) / 2.0
            )
        else:
            self._settle(height=self.width)
        if self.width is not None and self.height is not None:
            self._settle(pitch_x=self.width + GAP, pitch_y=self.height + GAP)
        self._settle(places=(), states={})
        if self.places:
            self._settle(
                rows=max(p.row for p in self.places), columns=max(p.column for p in self.places)
            )
        return self


class Zone(Section):
    """Facets that are aimed or set differently; where zones overlap the later one counts."""

    rows: Annotated[tuple[int, int] | None, Range.__metadata__[0]] = key(
        "First and last row.", None, shown="all"
    )
    columns: Annotated[tuple[int, int] | None, Range.__metadata__[0]] = key(
        "First and last column.", None, shown="all"
    )
    offset: Annotated[tuple[float, float] | None, Point2.__metadata__[0]] = key(
        "Aim point from the base's centre, platform x, y.", None, shown="aim.offset"
    )
    sun_altitude: Annotated[float | None, Altitude.__metadata__[0]] = key(
        "Sun that these facets are set for.", None, shown="design.sun_altitude"
    )


class Aim(Section):
    """Where the light is sent."""

    offset: Point2 = key("Aim point from the base's centre, platform x, y.", ["0 mm", "0 mm"])
    zones: tuple[Zone, ...] = Field((), description="Facets that differ, one [[aim.zones]] each.")


class Support(Section):
    """What holds the pot."""

    covers: Portion = key("Part of the base that a grate covers.", 0.0)
    posts: Annotated[int, Whole(0, 24)] = key("Number of posts, evenly round the pot.", 0)
    post_width: Size = key("Width of a post.", "12 mm")
    post_circle: Annotated[float, Quantity(("length",), above="0 mm", high="10 m")] = key(
        "Diameter that the posts stand on.", None, shown="pot.diameter"
    )
    post_drop: Annotated[float | None, Quantity(("length",), above="0 mm", high="50 m")] = key(
        "How far the posts reach down from the base.", None, shown="to the board"
    )


class Pot(Section):
    """The pot: its base faces down and takes the light."""

    stand: Annotated[Literal["platform", "ground"], Choice(("platform", "ground"))] = key(
        "Whether it moves and tilts with the board or stays put.", "platform"
    )
    levelled: Annotated[bool, Switch()] = key(
        "Kept level while the board tilts, about the base's centre.", False
    )
    place: Point2 = key("Base's centre, platform x, y, at zero tilt.")
    base_height: Annotated[float, _COORDINATE] = key("Base above the board's top, at zero tilt.")
    diameter: Side = key("Diameter of the base.")
    height: Side = key("Height of the wall.")
    absorptance_base: Portion = key("Part of the light on the base that turns to heat.", 0.9)
    absorptance_side: Portion = key("The same for the wall.", 0.9)
    absorptance_lid: Portion = key("The same for the lid.", 0.5)
    spill_limit: Annotated[float, Quantity(("angle",), low="0 deg", high="90 deg")] = key(
        "Tilt at which food spills.", "10 deg"
    )
    support: Support = part("What holds the pot.", Support)

    @property
    def volume(self) -> float:
        """What it holds [m³]."""
        return math.pi * (0.5 * self.diameter) ** 2 * self.height

    @model_validator(mode="after")
    def _fill(self) -> Pot:
        self.support._settle(post_circle=self.diameter)
        return self


class Mirror(Section):
    """The mirror's surface."""

    model: Annotated[Literal["constant", "glass"], Choice(("constant", "glass"))] = key(
        "One reflectance, or glass silvered on its back.", "constant"
    )
    reflectance: Portion = key('Specular and solar-weighted, model = "constant".', 0.85)
    index: Annotated[float, Number(1.0, 3.0)] = key("Refractive index of the glass.", 1.52)
    extinction: Annotated[float, Quantity(("extinction",), low="0 1/m", high="1000 1/m")] = key(
        "Absorption along the path in the glass.", "8 1/m"
    )
    thickness: Annotated[float, Quantity(("length",), above="0 mm", high="50 mm")] = key(
        "Thickness of the glass.", "3 mm"
    )
    backing: Portion = key("Reflectance of the silvering.", 0.93)
    cleanliness: Portion = key("Part of the light that dirt leaves in the beam.", 0.95)
    slope_error: Scatter = key("Waviness: standard deviation per axis of the slope.", "0 mrad")
    specularity: Scatter = key("Scatter: standard deviation per axis of the beam.", "0 mrad")


class Rig(Section):
    """The laser that the facets are set with. Caution: never look into the beam."""

    kind: Annotated[Literal["parallel", "point"], Choice(("parallel", "point"))] = key(
        "Slid from facet to facet in one direction, or swivelled on one stand.", "parallel"
    )
    distance: Annotated[float, Quantity(("length",), above="0 mm", high="1 km")] = key(
        "Stand from the facets' middle, point rig.", "5 m"
    )
    corrected_marks: Annotated[bool, Switch()] = key(
        "Point rig: each facet is set on a mark of its own that makes up for the stand.", False
    )
    altitude_bias: Bias = key("Laser too high, positive, or too low.", "0 deg")
    azimuth_bias: Bias = key("Laser turned clockwise, seen from above.", "0 deg")
    hit: Stray = key("Lit point off the facet's centre, per axis across the beam.", "0 mm")


class Pointing(Section):
    """How well the board is turned to the sun, each time."""

    heading_bias: Bias = key("Turned too far clockwise.", "0 deg")
    heading_rms: Sigma = key("Spread of the heading.", "0 deg")
    tilt_bias: Bias = key("Tilted too far.", "0 deg")
    tilt_rms: Sigma = key("Spread of the tilt.", "0 deg")
    cross_bias: Bias = key("Out of level across, about +y.", "0 deg")
    cross_rms: Sigma = key("Spread of the cross level.", "0 deg")


class PotErrors(Section):
    """How well the pot is put in its place."""

    bias: Point3 = key("Pot from its place, platform x, y, z.", ["0 mm"] * 3)
    rms: Spread3 = key("Spread of the same.", ["0 mm"] * 3)


class Errors(Section):
    """What a workshop does not get exactly right; one standard deviation each."""

    setting: Annotated[float, Quantity(("angle", "length"), highs=("90 deg", "1 m"))] = key(
        "Facet's angle, per axis; or, as a length, the laser's rms miss on miss_plane.", "0 mrad"
    )
    miss_plane: Annotated[Literal["base", "upright"], Choice(("base", "upright"))] = key(
        "Plane that the miss is measured on: the base, or a card upright across it.", "base"
    )
    set_by: Annotated[Literal["laser", "angle"], Choice(("laser", "angle"))] = key(
        "By laser the aim makes up for a misplaced mount, by angle it does not.", "laser"
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


class Trace(Section):
    """How much is computed."""

    estimator: Annotated[Literal["beams", "rays"], Choice(("beams", "rays"))] = key(
        "Beams are fast and exact over each facet; rays are the reference.", "beams"
    )
    samples: Annotated[int | None, Whole(1, 10**12)] = key(
        "Beams or rays in all, over all replicates.", None, shown="65 536 beams, 1 000 000 rays"
    )
    replicates: Annotated[int, Whole(4, 4096)] = key(
        "Independent repeats that the standard errors come from.", 16
    )
    seed: Annotated[int, Whole(0, 2**53 - 1)] = key("Start of all random numbers.", 1)
    bins: Annotated[int, Whole(4, 1024)] = key("Bins along each side of the flux map.", 64)
    build: Annotated[int, Whole(0, 2**31)] = key("Which draw of the errors is built.", 0)
