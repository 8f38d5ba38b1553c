"""`cooker export`: rays and the cooker's shape for other tools."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common, output

__all__ = ["export"]

HELP = """Write traced rays, the facets and the cooker's shape for other tools.

\b
  cooker export scenarios/courtyard.toml -o courtyard-export
  cooker export scenarios/terrace.toml -o noon --at 2026-05-15T12:00 --rays 100000

rays.csv holds a ray a row: where it meets its mirror and leaves it, where it ends and its watts;
facets.csv the facets as built; cooker.stl closed bodies of facets, pot, posts and board, in metres.
All are in the platform's frame.
Caution: the light that is traced here burns and blinds. See: cooker cautions.
"""


def export(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    folder: Annotated[
        Path,
        typer.Option("-o", help="Folder to write into; no file is replaced.", metavar="FOLDER"),
    ],
    at: Annotated[
        str | None,
        typer.Option(
            help="Moment by the site's clock; else the sun the facets are set for.", metavar="TIME"
        ),
    ] = None,
    rays: Annotated[
        int, typer.Option(help="Rays to follow.", min=1, max=5_000_000, metavar="N")
    ] = 2000,
    build: common.Build = None,
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
) -> None:
    from raytrace.reports.trace.exported import write_exports
    from raytrace.sky.clock import site_times
    from raytrace.studies.trace.run import TracePlan, run

    _, messages = common.consoles(quiet=True)
    read = common.open_scenario(scenario, set_ or ())
    moment = None if at is None else (site_times(read.site, at)[0].isoformat(),)
    plan = TracePlan.of(read, at=moment, build=build, seed=seed)
    with messages.status("Tracing"):
        found = output.answered(run, read, plan, threads=threads)
        files = write_exports(found, folder, rays)
    common.report_files(messages, files)


export.__doc__ = HELP
