"""The sections of a scenario file about place, sky and the sun that the facets are set for."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import StrictBool

from raytrace.scenario.law import Unsure
from raytrace.scenario.section import Altitude, Only, Portion, Section, key
from raytrace.scenario.values import (
    DateOnly,
    Horizon,
    Landmarks,
    Number,
    Quantity,
    Table,
    Text,
    Timezone,
    WeatherFile,
)

__all__ = ["Design", "Site", "Sky", "Surrounding"]

Bearing = Annotated[float, Quantity(("angle",), low="-180 deg", high="360 deg")]
Away = Annotated[float, Quantity(("length",), low="0.2 m", high="1 km")]
Level = Annotated[float, Quantity(("length",), low="-50 m", high="200 m")]


class Surrounding(Section):
    """Something near the cooker that its light may hit."""

    name: Annotated[str, Text(most=40)] = key("What reports call it.")
    kind: Literal["wall", "wood", "window", "grass", "path", "seat"] = key(
        "A wall of stone or plaster; anything wooden; a window; grass or what else is dry; where "
        "people pass or stay."
    )
    bearing_from: Bearing = key("Its left edge as seen from the cooker, clockwise from north.")
    bearing_to: Bearing = key("Its right edge, clockwise from the left one.")
    distance: Away = key("From the middle of the board to where it begins.")
    reach: Away | None = key("The same to where it ends.", None, shown="distance")
    bottom: Level = key("Its lower end, over the ground under the board.", "0 m")
    top: Level = key("Its upper end.", "2 m")

    @property
    def far(self) -> float:
        """From the middle of the board to where it ends [m]."""
        return self.distance if self.reach is None else self.reach

    @property
    def span(self) -> float:
        """How much of the round it takes up, clockwise from its left edge [rad]."""
        turn, whole = self.bearing_to - self.bearing_from, 2.0 * np.pi
        return float(turn % whole) or whole


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
    landmarks: Annotated[tuple[tuple[str, float], ...], Landmarks()] = key(
        "What is seen from the cooker: name and azimuth, clockwise from north, for the calendar.",
        (),
        shown="none",
    )
    surroundings: tuple[Surrounding, ...] = key(
        "What stray light may hit, one [[site.surroundings]] each.", ()
    )
    albedo: Portion = key(
        "Share of the sunlight that the ground sends back.", 0.2, unsure=Unsure("± 0.05")
    )
    declination: Annotated[float | None, Quantity(("angle",), low="-180 deg", high="180 deg")] = (
        key(
            "How far east of true north a compass needle points; west is negative.",
            None,
            shown="World Magnetic Model",
        )
    )
    slope: Annotated[float, Quantity(("angle",), low="0 deg", high="30 deg")] = key(
        "How steeply the yard falls; the board turns square to it.", "0 deg"
    )
    slope_toward: Annotated[float | None, Quantity(("angle",), low="-180 deg", high="360 deg")] = (
        key("Azimuth that the yard falls toward, clockwise from north.", None, shown="none")
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
    ] = key(
        "Direct normal irradiance; beside a number, diffuse light is that of a sky so hazy.",
        "clear sky",
    )
    dni_factor: Annotated[float, Number(0.1, 3.0)] = key(
        "On the direct irradiance of clear sky or weather file.",
        1.0,
        only=Only("dni", ("clear sky", "weather file")),
        unsure=Unsure("± 0.07"),
    )
    weather_file: Annotated[Path | None, WeatherFile()] = key(
        'EPW, TMY3 or PVGIS file, or a CSV of one\'s own, for dni = "weather file".',
        None,
        shown="none",
        only=Only("dni", ("weather file",), needed=True),
    )
    weather_any_year: StrictBool = key(
        "Let the year of one's own CSV stand for any year; else it has its own dates alone.",
        False,
        only=Only("dni", ("weather file",)),
    )
    weather_forecast: StrictBool = key(
        "Whether the weather file is a forecast: its sun is less sure (± 0.20 of dni_factor).",
        False,
        only=Only("dni", ("weather file",)),
    )
    weather_elsewhere: StrictBool = key(
        "Take a weather file from over 300 km away, or from the other hemisphere, all the same.",
        False,
        only=Only("dni", ("weather file",)),
    )
    linke_turbidity: Annotated[float | None, Number(1.0, 20.0)] = key(
        "Haze of the clear sky.", None, shown="climatology"
    )
    sunshape: Literal["uniform", "limb-darkened", "buie", "table"] = key(
        "How the sun's light is spread over its disc and round it.", "uniform"
    )
    sunshape_table: Annotated[tuple[tuple[float, float], ...] | None, Table("sunshape")] = key(
        "Radiance against the angle from the sun's centre: columns angle_mrad and radiance.",
        None,
        shown="none",
        only=Only("sunshape", ("table",), needed=True),
    )
    sun_radius: Annotated[
        float | Literal["by date"],
        Quantity(("angle",), low="0.1 mrad", high="20 mrad", words=("by date",)),
    ] = key('Half-angle of the sun\'s disc, for "uniform" and "limb-darkened".', "4.65 mrad")
    circumsolar_ratio: Annotated[float | None, Number(0.001, 0.6)] = key(
        'Aureole\'s part of the direct light out to 2.5 deg, for sunshape = "buie".',
        None,
        shown="none",
        only=Only("sunshape", ("buie",), needed=True),
    )


class Design(Section):
    """The sun that the facets are set for."""

    sun_altitude: Altitude = key("Altitude of the laser that stands in for the sun.")
    date: Annotated[dt.date | None, DateOnly()] = key(
        "Day whose clear sky gives the irradiance at the design sun.", None, shown="equinox"
    )
