"""`cooker new`: a commented scenario to start from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common
from raytrace.commands.streams import say

__all__ = ["STARTER", "new"]

STARTER = """\
# A scenario for cooker. Every dimension carries its unit: mm, cm, m, in, ft; deg, mrad.
# `cooker check THIS-FILE` says what it describes; `cooker check --keys` lists all keys.
# Caution: where the light meets, it burns and blinds. Cover the mirrors before you go near.

title = "My first cooker"

[site]
name = "Sevilla"
latitude = "37.39 deg"             # south is negative
longitude = "-5.99 deg"            # west is negative
altitude = "12 m"
timezone = "Europe/Madrid"

[sky]
dni = "clear sky"                  # or a constant such as "850 W/m^2"

[design]
sun_altitude = "45 deg"            # height of the laser that stands in for the sun
date = "2026-06-21"

[facets]
shape = "rectangular"              # or "round", "hexagonal"
width = "100 mm"
rows = 5                           # row A is nearest the sun
columns = 8
mount_radius = "20 mm"             # from the mount's turning centre to the mirror's front
mount_height = "40 mm"

[pot]
place = ["0 mm", "-600 mm"]        # behind the platform, away from the sun
base_height = "600 mm"
diameter = "240 mm"
height = "150 mm"

[mirror]
reflectance = "85 %"
thickness = "3 mm"                 # of the glass; "0 mm" if silvered on its front, or sheet metal
slope_error = "1.5 mrad"           # waviness

[errors]
setting = "8 mm"                   # how far the laser's spot misses its mark, rms

[errors.pointing]
heading_rms = "1 deg"              # each time the platform is turned

[kitchen]
water = "2 L"
lid = true

[air]
temperature = "25 degC"
wind = "1 m/s"

[habit]
turn_every = "30 min"              # or "never"

[trace]
estimator = "beams"                # or "rays", the slower reference
seed = 1
"""


def new(
    file: Annotated[Path, typer.Argument(help="File to write (.toml).", metavar="FILE")],
) -> None:
    """Write a commented scenario to start from; never over a file that is there."""
    from raytrace.exceptions import StoreError
    from raytrace.files import write_whole

    if file.is_dir():
        raise StoreError(f"{file}: a folder. Name a file in it, such as {file / 'mine.toml'}.")
    path = file if file.suffix else file.with_suffix(".toml")
    write_whole(path, STARTER, new=True, option="")
    say(f"Written: {path}. {common.next_command('check', path)}")
