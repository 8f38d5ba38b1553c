"""The section of a scenario file about the workshop: what it buys, prints, and how fast it works.

Defaults are common practice, no source.
"""

from __future__ import annotations

from typing import Annotated, Literal

from raytrace.scenario.section import Depth, Portion, Section, key, part
from raytrace.scenario.values import Quantity

__all__ = ["Printer", "Stock", "Workshop"]

_WORK = Quantity(("duration",), low="0 s", high="2000 h")
_POWER = Quantity(("power",), low="0 W", high="1000 kW")
_Bought = Annotated[float, Quantity(("length",), above="0 mm", high="20 m")]
_Room = Annotated[float, Quantity(("length",), low="20 mm", high="5 m")]


class Stock(Section):
    """The mirror as the shop sells it, and what cutting leaves of it."""

    width: _Bought = key("Of a sheet of mirror.", "1000 mm")
    height: _Bought = key("The same, across.", "600 mm")
    trim: Depth = key("Edge of a sheet that is cut off all round.", "10 mm")
    kerf: Depth = key("Lost in each cut; nothing where glass is scored and snapped.", "0 mm")
    rim: Depth = key("Round a round facet, for its waste to be broken off.", "10 mm")


class Printer(Section):
    """What prints wedges, and how."""

    width: _Room = key("Of the bed, as far as it prints.", "220 mm")
    depth: _Room = key("The same, front to back.", "220 mm")
    height: _Room = key("The highest print.", "220 mm")
    wall: Annotated[float, Quantity(("length",), above="0 mm", high="50 mm")] = key(
        "Solid walls, top and bottom.", "1.2 mm"
    )
    infill: Portion = key("Plastic inside the walls.", "15 %")
    density: Annotated[float, Quantity(("density",), low="100 kg/m^3", high="20000 kg/m^3")] = key(
        "Of the plastic.", "1.27 g/cm^3"
    )
    rate: Annotated[float, Quantity(("mass flow",), above="0 g/h", high="100 kg/h")] = key(
        "Plastic laid in an hour.", "20 g/h"
    )


class Workshop(Section):
    """What the workshop buys, prints and works, and when work is worth it; put in your own."""

    mirrors: Literal["cut", "ready-made"] = key(
        "Whether mirrors are cut from sheets or bought in their shape.", "cut"
    )
    spare: Portion = key("Mirrors beyond those needed, for what breaks.", "5 %")
    glue: Annotated[float, Quantity(("mass",), low="0 g", high="10 kg")] = key(
        "Per facet, mirror and mount.", "5 g"
    )
    cut_work: Annotated[float, _WORK] = key("To cut one mirror and dull its edges.", "3 min")
    mount_work: Annotated[float, _WORK] = key("To make one mount and glue it on.", "4 min")
    set_work: Annotated[float, _WORK] = key("To set one facet.", "4 min")
    check_work: Annotated[float, _WORK] = key("To check one facet when its glue is hard.", "1 min")
    fixed_work: Annotated[float, _WORK] = key("All other work on a cooker.", "6 h")
    redo_work: Annotated[float, _WORK] = key(
        "Work to set one facet again: free it, glue it, set it by the laser.", "12 min"
    )
    nudge_work: Annotated[float, _WORK] = key(
        "Work to turn a facet while its glue is soft.", "1 min"
    )
    hour_wins: Annotated[float, _POWER] = key(
        "Least that an hour of such work must win at the design sun.", "10 W"
    )
    wanted: Annotated[float | None, _POWER] = key(
        "Delivered at the design sun by a cooker that is good enough, whatever more could be won.",
        None,
        shown="none: by workshop.hour_wins",
    )
    stock: Stock = part("The mirror as the shop sells it.", Stock)
    printer: Printer = part("What prints wedges.", Printer)
