"""The sections of a scenario file about the cooker: board, facets, aim, pot and mirror."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Literal, NamedTuple

from pydantic import StrictBool, model_validator

from raytrace.scenario.law import Unsure
from raytrace.scenario.section import (
    Altitude,
    Coordinate,
    Depth,
    Only,
    Pitch,
    Point2,
    Portion,
    Range,
    Scatter,
    Section,
    Side,
    Size,
    Wide,
    key,
    part,
)
from raytrace.scenario.tables import Place, State
from raytrace.scenario.values import Choice, Number, Quantity, Table, Vector, Whole

__all__ = [
    "FACES",
    "SURFACES",
    "Aim",
    "Coat",
    "Facets",
    "Mirror",
    "Platform",
    "Pot",
    "Support",
    "Zone",
]

_IN_ROWS = Only("layout", ("grid", "staggered"))
_COUNTED = Only("layout", ("grid", "staggered"), needed=True)
_GLASS = Only("model", ("glass",))
GAP = 0.008  # between neighbours when no pitch is given [m]
FACES = {"base": "base", "side": "wall", "lid": "lid"}  # of a pot: in keys, in words
DARK = 0.7  # a face that takes up so much light isn't bare metal


class Coat(NamedTuple):
    """What a surface radiates and takes up; ranges are those beyond which `cooker check` doubts."""

    emissivity: float  # total, near 80 °C, where nobody states it
    absorptances: tuple[float, float]  # solar
    emissivities: tuple[float, float]


# Total emissivities. Soot 0.95 to 0.97, matt and dull lacquers 0.96 to 0.98, aluminium 0.04 to
# 0.06 polished and 0.2 to 0.3 heavily oxidised, polished cast iron 0.21: tables in thermal cameras'
# manuals. Black paint 0.975 / 0.874 and white enamel 0.252 / 0.853 (solar absorptance /
# emissivity): a journal's table, its own source not read. Stainless steel 0.35 to 0.5 and
# aluminium 0.1 to 0.4 of sunlight, glass 0.88, and all limits not named: from memory.
SURFACES = {
    "sooted": Coat(0.95, (0.85, 1.0), (0.9, 1.0)),
    "painted": Coat(0.9, (0.1, 1.0), (0.75, 1.0)),
    "enamel": Coat(0.85, (0.15, 0.97), (0.75, 0.97)),
    "bare metal": Coat(0.25, (0.05, 0.65), (0.02, 0.45)),
    "glass": Coat(0.88, (0.0, 1.0), (0.8, 0.95)),
}
_Surface = Annotated[str, Choice(tuple(SURFACES))]
_Emissivity = Annotated[float, Number(0.01, 1.0)]
_BY_LIGHT = f"painted from an absorptance of {DARK:g} up, else bare metal"


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
    width: Wide | None = key(
        "Of the board, left to right; it reaches as far to both sides of its middle.",
        None,
        shown="round the facets",
    )
    depth: Wide | None = key(
        "The same away from the sun and toward it.", None, shown="round the facets"
    )
    thickness: Size = key("Thickness of the board.", "18 mm")
    margin: Depth = key(
        "From the outermost facets to the board's edge, where no width or depth is given.", "30 mm"
    )
    origin: Literal["middle", "corner"] = key(
        "What places are counted from, x to the right, y toward the sun: the board's middle, or "
        "its left corner away from the sun, which needs width and depth.",
        "middle",
    )
    hinge_y: Coordinate | None = key(
        "Line that the board tilts about, its y.", None, shown="-y edge"
    )
    hinge_z: Coordinate | None = key(
        "The same line above the board's top.", None, shown="bottom face"
    )

    @property
    def middle(self) -> tuple[float, float]:
        """The board's middle, as the file counts places, x and y [m]."""
        if self.origin == "middle":
            return 0.0, 0.0
        return 0.5 * (self.width or 0.0), 0.5 * (self.depth or 0.0)


class Facets(Section):
    """The mirrors and where they stand. Row 1 is nearest the sun (+y), column 1 leftmost (-x)."""

    shape: Literal["rectangular", "round", "hexagonal"] = key(
        "Outline of a facet; a hexagon has two corners to the left and right."
    )
    width: Side = key(
        "Left to right, rectangular facets.",
        None,
        shown="none",
        only=Only("shape", ("rectangular",), needed=True),
    )
    height: Side = key(
        "Front to back, rectangular facets.",
        None,
        shown="as width",
        only=Only("shape", ("rectangular",)),
    )
    diameter: Side = key(
        "Round facets.", None, shown="none", only=Only("shape", ("round",), needed=True)
    )
    across_corners: Side = key(
        "Corner to opposite corner, hexagonal facets.",
        None,
        shown="none",
        only=Only("shape", ("hexagonal",), needed=True),
    )
    layout: Literal["grid", "staggered", "places"] = key(
        "Rows in line, every second row shifted by half a pitch_x, or a table.", "grid"
    )
    rows: Annotated[int, Whole(1, 1000)] = key(
        "Number of rows, needed unless there is a table.", None, shown="none", only=_COUNTED
    )
    columns: Annotated[int, Whole(1, 1000)] = key(
        "Number of columns, needed unless there is a table.", None, shown="none", only=_COUNTED
    )
    pitch_x: Pitch = key("Centre to centre along a row.", None, shown="size + 8 mm", only=_IN_ROWS)
    pitch_y: Pitch = key("Row to row.", None, shown="size + 8 mm", only=_IN_ROWS)
    centre: Point2 = key(
        "Middle of the array, x, y.", None, shown="the board's middle", only=_IN_ROWS
    )
    mount_radius: Depth = key(
        "From a mount's turning centre to the mirror's front, glass included.", "20 mm"
    )
    mount_height: Annotated[float, Quantity(("length",), low="0 mm", high="10 m")] = key(
        "Turning centre above the board's top.", "40 mm"
    )
    row_rise: Annotated[float, Quantity(("length",), low="-2 m", high="2 m")] = key(
        "Each row above the row on its sun side.", "0 mm", only=_IN_ROWS
    )
    places: Annotated[tuple[Place, ...], Table("places")] = key(
        'CSV for layout = "places": x_mm, y_mm; optional z_mm, label, row, column.',
        None,
        shown="none",
        only=Only("layout", ("places",), needed=True),
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

    rows: Range | None = key("First and last row.", None, shown="all")
    columns: Range | None = key("First and last column.", None, shown="all")
    offset: Point2 | None = key(
        "Aim point from the base's centre, platform x, y.", None, shown="aim.offset"
    )
    sun_altitude: Altitude | None = key(
        "Sun that these facets are set for.", None, shown="design.sun_altitude"
    )


class Aim(Section):
    """Where the light is sent."""

    offset: Point2 = key("Aim point from the base's centre, platform x, y.", ["0 mm", "0 mm"])
    zones: tuple[Zone, ...] = key("Facets that differ, one [[aim.zones]] each.", ())


class Support(Section):
    """What holds the pot."""

    covers: Portion = key("Part of the base that a grate covers.", 0.0)
    posts: Annotated[int, Whole(0, 24)] = key("Number of posts, evenly round the pot.", 0)
    post_width: Size = key("Width of a post.", "12 mm")
    post_circle: Annotated[float, Quantity(("length",), above="0 mm", high="10 m")] = key(
        "Diameter that the posts stand on.", None, shown="pot.diameter"
    )
    post_turn: Annotated[float, Quantity(("angle",), low="-360 deg", high="360 deg")] = key(
        "How far the stand is turned clockwise, seen from above; at 0 the middle between the last "
        "post and the first lies to the board's right (+x).",
        "0 deg",
    )
    post_drop: Annotated[float | None, Quantity(("length",), above="0 mm", high="50 m")] = key(
        "How far the posts reach down from the base.", None, shown="to the board"
    )


class Pot(Section):
    """The pot: its base faces down and takes the light."""

    stand: Literal["platform", "ground"] = key(
        "Whether it moves and tilts with the board or stays put.", "platform"
    )
    levelled: StrictBool = key("Kept level while the board tilts, about the base's centre.", False)
    place: Point2 = key("Base's centre, x, y, at zero tilt; may lie beyond the board.")
    base_height: Coordinate = key("Base above the board's top, at zero tilt.")
    diameter: Side = key("Diameter of the base.")
    height: Side = key("Height of the wall.")
    absorptance_base: Portion = key(
        "Part of the light on the base that turns to heat.", 0.9, unsure=Unsure("± 0.04")
    )
    absorptance_side: Portion = key("The same for the wall.", 0.9, unsure=Unsure("± 0.05"))
    absorptance_lid: Portion = key("The same for the lid.", 0.5, unsure=Unsure("± 0.10"))
    surface_base: _Surface = key("What the base's outside is.", None, shown=_BY_LIGHT)
    surface_side: _Surface = key("The same for the wall.", None, shown=_BY_LIGHT)
    surface_lid: _Surface = key("The same for the lid.", None, shown=_BY_LIGHT)
    emissivity_base: _Emissivity = key(
        "Of the base, for the heat it radiates.",
        None,
        shown="by pot.surface_base",
        unsure=Unsure("± 0.05"),
    )
    emissivity_side: _Emissivity = key(
        "The same for the wall.", None, shown="by pot.surface_side", unsure=Unsure("± 0.05")
    )
    emissivity_lid: _Emissivity = key(
        "The same for the lid.",
        None,
        shown="by pot.surface_lid",
        unsure=Unsure(
            "± 0.08", "aluminium 0.2 to 0.3 oxidised: tables in thermal cameras' manuals"
        ),
    )
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
        for face in FACES:
            radiates = getattr(self, f"emissivity_{face}")
            dull = radiates is not None and radiates > SURFACES["bare metal"].emissivities[1]
            dark = getattr(self, f"absorptance_{face}") >= DARK
            self._settle(**{f"surface_{face}": "painted" if dark or dull else "bare metal"})
            coat = SURFACES[getattr(self, f"surface_{face}")]
            self._settle(**{f"emissivity_{face}": coat.emissivity})
        self.support._settle(post_circle=self.diameter)
        return self


class Mirror(Section):
    """The mirror's surface."""

    model: Literal["constant", "glass"] = key(
        "One reflectance, or glass silvered on its back.", "constant"
    )
    reflectance: Portion = key(
        'Specular and solar-weighted, model = "constant".',
        0.85,
        only=Only("model", ("constant",), instead="backing"),
        unsure=Unsure("± 0.03", "household mirrors 0.80 to 0.88, from memory"),
    )
    thickness: Annotated[float, Quantity(("length",), low="0 mm", high="50 mm")] = key(
        'Glass in front of the silver, which shifts the light; "0 mm" for a mirror silvered on its '
        "front or a polished sheet.",
        "3 mm",
    )
    index: Annotated[float, Number(1.0, 3.0)] = key("Refractive index of the glass.", 1.52)
    bevel: Depth = key(
        "Bevelled or ground rim of the glass all round, which doesn't reflect.", "0 mm"
    )
    extinction: Annotated[float, Quantity(("extinction",), low="0 1/m", high="1000 1/m")] = key(
        "Absorption along the path in the glass.", "8 1/m", only=_GLASS, unsure=Unsure("×/÷ 1.5")
    )
    backing: Portion = key(
        "Reflectance of the silvering.", 0.93, only=_GLASS, unsure=Unsure("± 0.02")
    )
    cleanliness: Portion = key(
        "Part of the light that dirt leaves in the beam.", 0.95, unsure=Unsure("± 0.03")
    )
    slope_error: Scatter = key(
        "Waviness: standard deviation per axis of the slope.", "0 mrad", unsure=Unsure("×/÷ 1.5")
    )
    specularity: Scatter = key(
        "Scatter: standard deviation per axis of the beam.", "0 mrad", unsure=Unsure("×/÷ 1.5")
    )
