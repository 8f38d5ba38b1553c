"""The sections of a scenario file about its use: pot and food, air, habit and money."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import StrictBool

from raytrace.scenario.courses import Course
from raytrace.scenario.law import Unsure
from raytrace.scenario.section import Only, Portion, Section, Size, key
from raytrace.scenario.values import Number, Quantity, Text

__all__ = ["POT_MATERIALS", "USUAL_AIR", "Air", "Cost", "Habit", "Kitchen"]

_TEMPERATURE = Quantity(("temperature",), low="-40 degC", high="60 degC")
_DURATION = Quantity(("duration",), low="0 s", high="48 h")
_COVERED = Only("cover", ("glass", "bag"))
_RESTS = Only("wanted", ("rest",))

# Of the air where neither scenario nor weather file says: temperature [K], wind at the pot [m/s].
USUAL_AIR = {"temperature": 298.15, "wind": 1.0}

# Specific heat [J/(kg K)], density [kg/m³] and conductivity [W/(m K)] near 60 °C, rounded handbook
# values, from memory: Incropera et al., Fundamentals of Heat and Mass Transfer, appendix A, tables
# A.1 and A.3; aluminium as an alloy, steel as plain carbon steel.
POT_MATERIALS: dict[str, tuple[float, float, float]] = {
    "aluminium": (900.0, 2700.0, 180.0),
    "steel": (460.0, 7850.0, 60.0),
    "stainless steel": (480.0, 7900.0, 15.5),
    "cast iron": (450.0, 7200.0, 50.0),
    "copper": (385.0, 8930.0, 395.0),
    "clay": (850.0, 2000.0, 1.0),
    "glass": (800.0, 2230.0, 1.4),
}

Price = Annotated[float, Number(0.0, 1e9)]


class Kitchen(Section):
    """What is cooked, in which pot."""

    water: Annotated[float, Quantity(("volume",), low="0 L", high="200 L")] = key(
        "Water in the pot at the start.",
        None,
        shown="half the pot; none to bake or fry",
    )
    food: Annotated[float, Quantity(("mass",), low="0 kg", high="200 kg")] = key(
        "Food besides water, such as dry beans or rice.", "0 kg"
    )
    food_heat_capacity: Annotated[
        float, Quantity(("heat capacity",), above="0 J/(kg K)", high="5000 J/(kg K)")
    ] = key("Of the food.", "3.5 kJ/(kg K)")
    start_temperature: Annotated[
        float | Literal["air"],
        Quantity(("temperature",), low="1 degC", high="95 degC", words=("air",)),
    ] = key("Of water and food when the pot is put on; of water added later too.", "air")
    wanted: Course = key(
        "What is wanted: to boil (and cook, if done_after says how long), simmer or reheat it, "
        "to bake or fry without water, to pasteurise water, or to boil it and let it rest, "
        "wrapped up out of the sun.",
        "boil",
    )
    done_over: Annotated[float, Quantity(("temperature",), low="40 degC", high="300 degC")] = key(
        "It cooks while it is at least this warm.",
        None,
        shown="by kitchen.wanted: boil 90 degC, simmer 85, reheat 74, bake 160, fry 175, "
        "pasteurise 65, rest 75",
    )
    done_after: Annotated[float, _DURATION] = key(
        "How long it must be so, without a break, to be done.",
        None,
        shown="by kitchen.wanted: boil 0 min, simmer 60 min, reheat 15 s, bake 45 min, fry "
        "15 min, pasteurise 6 min (1 min from 70 degC on), rest 2 h",
    )
    rest_boil: Annotated[float, Quantity(("duration",), low="0 s", high="12 h")] = key(
        "How long after the boil the pot stays in the sun before it is wrapped up.",
        "10 min",
        only=_RESTS,
    )
    rest_loss: Annotated[float, Quantity(("heat loss",), low="0.01 W/K", high="20 W/K")] = key(
        "Heat that the wrapped pot loses for each degree over the air.",
        "0.4 W/K",
        only=_RESTS,
        unsure=Unsure("×/÷ 1.4"),
    )
    pot_material: Literal[
        "aluminium", "steel", "stainless steel", "cast iron", "copper", "clay", "glass"
    ] = key("What the pot is made of.", "aluminium")
    pot_mass: Annotated[float | None, Quantity(("mass",), low="0 kg", high="200 kg")] = key(
        "Of the empty pot with its lid.", None, shown="by kitchen.pot_wall"
    )
    pot_wall: Annotated[float | None, Quantity(("length",), low="0.1 mm", high="50 mm")] = key(
        "Thickness of its wall, which conducts heat up from the water.",
        None,
        shown="by kitchen.pot_mass, or 2 mm",
        unsure=Unsure("×/÷ 1.3"),
    )
    lid: StrictBool = key("Whether the pot is covered.", True)
    lid_leak: Portion = key(
        "Vapour that a lid lets out, of what an open pot gives off.",
        "5 %",
        only=Only("lid", (True,)),
        unsure=Unsure("×/÷ 1.7"),
    )
    film_factor: Annotated[float, Number(0.1, 10.0)] = key(
        "On the heat that air carries off.",
        1.0,
        unsure=Unsure("×/÷ 1.15", "Bergman et al., Fundamentals, ch. 7 and 9: films to 20 %"),
    )
    evaporation_factor: Annotated[float, Number(0.1, 10.0)] = key(
        "On the vapour that is given off.",
        1.0,
        unsure=Unsure("×/÷ 1.2", "Shah, evaporation from pools: good to 18 %"),
    )
    cover: Literal["none", "glass", "bag"] = key(
        "A glass bowl or a clear bag round the whole pot.", "none"
    )
    cover_transmittance: Portion = key(
        "Light that the cover lets through.", 0.85, only=_COVERED, unsure=Unsure("± 0.04")
    )
    cover_gap: Size = key("Air between pot and cover.", "30 mm", only=_COVERED)


class Air(Section):
    """The air round the pot."""

    temperature: Annotated[float | None, _TEMPERATURE] = key(
        "Of the air.", None, shown="weather file, or 25 degC", unsure=Unsure("± 2 K")
    )
    wind: Annotated[float | None, Quantity(("speed",), low="0 m/s", high="30 m/s")] = key(
        "At the pot.", None, shown="weather file, or 1 m/s", unsure=Unsure("×/÷ 1.4")
    )
    roughness: Annotated[float, Quantity(("length",), above="0 mm", high="2 m")] = key(
        "Of the ground, which brings a weather file's wind from 10 m down to the pot.",
        "0.1 m",
        unsure=Unsure("×/÷ 2"),
    )
    humidity: Portion = key("Relative humidity.", "50 %", unsure=Unsure("± 0.10"))


class Habit(Section):
    """How the cook turns the cooker, from the moment the pot is put on."""

    turn_every: Annotated[
        float | Literal["never"],
        Quantity(("duration",), low="1 min", high="24 h", words=("never",)),
    ] = key("How often it is turned, and tilted where platform.tilt says so.", "30 min")
    face: Literal["now", "ahead"] = key(
        "Where it is turned to: the sun as it stands, or as it will half-way to the next turning.",
        "now",
    )


class Cost(Section):
    """What building costs; invented figures until you put in your own."""

    currency: Annotated[str, Text(most=20)] = key("Name of the money.", "EUR")
    mirror: Price = key("Mirror, per square metre.", 25.0)
    facet: Price = key("Mount or wedge, and glue, per facet.", 0.5)
    fixed: Price = key("Platform, stand and laser, in all.", 60.0)
    wage: Price = key("An hour of work.", 0.0)
