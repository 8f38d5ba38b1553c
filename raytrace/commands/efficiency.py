"""`cooker efficiency`: what the cooker makes of the sun, wherever it stands."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output

__all__ = ["efficiency"]

HELP = """Tabulate efficiency and intercept fraction for suns all over the sky.

The efficiency is the watts on the pot's base over DNI times the area of all mirrors; the intercept
fraction is the share of the light past all blocking that arrives there. Each stands against the
sun's altitude and its azimuth clockwise of the platform's heading: on average over cookers built
and used alike, with their spread, and for one build that stands exactly as it should.

\b
  cooker efficiency scenarios/courtyard.toml
  cooker efficiency scenarios/courtyard.toml --azimuth "-30..30 deg"
  cooker efficiency scenarios/terrace.toml --set platform.tilt="10 deg"
  cooker efficiency scenarios/courtyard.toml --uses 8 --tolerance "1 %"     # quick and rough

The platform is tilted as the scenario says for a sun of each altitude. Results go to a .h5 file
that xarray opens, a .csv and contours; the table is read between its nodes from Python:

\b
  table = raytrace.read_result("results/courtyard-efficiency.h5")
  print(table.watts(850.0, altitude=0.8, azimuth=0.1), "W")    # W/m², radians

All the sky takes one to three minutes. Ctrl-C keeps what is done; the same command goes on.
Caution: the light that this describes blinds, burns and sets things alight; see: cooker cautions.
"""


def efficiency(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    altitude: Annotated[
        str, typer.Option(help="Sun's altitudes, from..to.", metavar="RANGE")
    ] = "0..90 deg",
    azimuth: Annotated[
        str,
        typer.Option(help="Sun's azimuths clockwise of the heading, from..to.", metavar="RANGE"),
    ] = "-180..180 deg",
    tolerance: Annotated[
        str,
        typer.Option(
            help="What reading between nodes may be off, of the efficiency at the design sun.",
            metavar="SHARE",
        ),
    ] = "0.2 %",
    uses: Annotated[
        int,
        typer.Option(
            help="Ways to turn the platform and put the pot, in each of 16 replicates.",
            min=4,
            max=4096,
            metavar="N",
        ),
    ] = 32,
    build: common.Build = None,
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output_: common.ResultsFile = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.trace import efficiency as study

    shown = common.Shown.of(json_, figures, no_figures)
    spans = _span(altitude, "--altitude"), _span(azimuth, "--azimuth")
    share = common.quantity(tolerance, "share", "--tolerance", low="0.001 %", high="10 %")
    read = common.open_scenario(scenario, set_ or ())
    plan = study.EfficiencyPlan.of(
        read,
        altitude=spans[0],
        azimuth=spans[1],
        tolerance=share,
        uses=uses,
        seed=seed,
        build=build,
    )
    stem = f"{scenario.stem}-efficiency"
    stamp = fingerprint("efficiency", [read], plan)
    path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
    with output.progress_bar(shown.messages, "Efficiency", "rows of suns", path) as progress:
        found = output.answered(
            study.efficiency,
            read,
            plan,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    table = found, "altitude", "azimuth"
    output.present(found, "efficiency", path, shown, table=table)


def _span(text: str, option: str) -> tuple[float, float]:
    """Two angles from text such as "-30..30 deg". [rad]"""
    from raytrace.scenario.units import UnitError, read_number
    from raytrace.texts import shown

    ends = [end.strip() for end in text.split("..")]
    try:
        if len(ends) != 2:
            raise UnitError('write a range such as "0..60 deg"')
        unit = read_number(ends[1])[1]
        low = ends[0] if read_number(ends[0])[1] else f"{ends[0]} {unit}"
    except UnitError as error:
        raise typer.BadParameter(f"{shown(text)}: {error}", param_hint=option) from None
    first, last = (common.quantity(end, "angle", option) for end in (low, ends[1]))
    return first, last


efficiency.__doc__ = HELP
