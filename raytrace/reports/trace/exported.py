"""A run's rays and the cooker's shape for other tools: CSV tables and an STL mesh."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import DISC, RECTANGLE, Cooker
from raytrace.cooker.pose import posed
from raytrace.csv_text import csv_text
from raytrace.files import write_whole
from raytrace.optics.tally import LINES

if TYPE_CHECKING:
    from raytrace.studies.trace.run import Run

__all__ = ["cooker_mesh", "facets_table", "rays_table", "write_exports"]

Array = NDArray[np.float64]

FRAME = (
    "Platform frame as the board stands, metres: x to the right, y toward the sun, z along its "
    "normal, from the middle of its top."
)
CAUTION = "Where the light meets, it burns and blinds: see cooker cautions."
ROD = 5e-3  # radius of what a mount is drawn as [m]
NAMES = {RECTANGLE: "rectangular", DISC: "round"}


def rays_table(run: Run, rays: int = 2000) -> str:
    """Traced rays as CSV, one a row: where each meets and leaves its mirror, and where it ends.

    Parameters
    ----------
    run : Run
    rays : int
        How many, rounded up to the same power of two for each facet.

    Returns
    -------
    str
        Watts of the rays that end alike sum to that line of the ledger, within their error.
    """
    moment = run.brightest
    paths = run.paths(moment, rays)
    label = run.cooker.facets.label
    columns = ["facet", "ends", "power_W"]
    for name in ("meets", "leaves", "end"):
        columns += [f"{name}_{axis}_m" for axis in "xyz"]
    columns += [f"along_{axis}" for axis in "xyz"]
    places = np.hstack([paths.point, paths.leaves, paths.end, paths.reflected]).round(6)
    watts = moment.dni * paths.weight
    return csv_text(
        columns,
        (
            [label[f], LINES[line], float(f"{power:.6g}"), *_cells(row)]
            for f, line, power, row in zip(paths.facet, paths.fate, watts, places, strict=True)
        ),
        [
            run.scenario.title,
            f"{FRAME} Light on the base is before what a grate under it stops "
            f"({100.0 * run.cooker.pot.covered:g} %). A ray that misses ends nowhere.",
            CAUTION,
        ],
    )


def _cells(row: Array) -> list[float | None]:
    return [float(x) + 0.0 if np.isfinite(x) else None for x in row]


def facets_table(run: Run) -> str:
    """Facets as CSV, one a row, as they are built.

    Parameters
    ----------
    run : Run

    Returns
    -------
    str
    """
    f = run.cooker.facets
    columns = ["facet", "shape", "present", "half_u_m", "half_v_m"]
    for name, unit in (("centre", "_m"), ("normal", ""), ("u", ""), ("v", "")):
        columns += [f"{name}_{axis}{unit}" for axis in "xyz"]
    places = np.hstack([f.c, f.n, f.u, f.v]).round(9)
    return csv_text(
        columns,
        (
            [
                f.label[k],
                NAMES.get(int(f.shape[k]), "hexagonal"),
                "yes" if f.present[k] else "no",
                float(f.half_u[k]),
                float(f.half_v[k]),
                *_cells(places[k]),
            ]
            for k in range(len(f))
        ),
        [run.scenario.title, FRAME],
    )


def cooker_mesh(cooker: Cooker) -> Any:
    """Facets, their mounts, pot, its posts and board as one mesh of closed bodies.

    Parameters
    ----------
    cooker : Cooker
        As it stands, its pot where the platform sees it.

    Returns
    -------
    trimesh.Trimesh
        Metres, platform frame. Facets are as thick as the mirror's glass, or a tenth of a
        millimetre; a round facet is a polygon. A mount is a rod of eight sides from the board's top
        to the turning centre and another to the mirror's back.
    """
    import trimesh

    f = cooker.facets
    glass = max(cooker.mirror.thickness, 1e-4)
    bodies = []
    for k in np.flatnonzero(f.present):
        outline = f.outlines(np.array([k]))[0]
        count = len(outline)
        back = outline - glass * f.n[k]
        ring = np.arange(count)
        after = np.roll(ring, -1)
        middle = np.array([outline.mean(axis=0), back.mean(axis=0)])
        front = np.column_stack([ring, after, np.full(count, 2 * count)])
        rear = np.column_stack([after + count, ring + count, np.full(count, 2 * count + 1)])
        sides = np.vstack(
            [
                np.column_stack([ring + count, after + count, after]),
                np.column_stack([ring + count, after, ring]),
            ]
        )
        body = trimesh.Trimesh(
            np.vstack([outline, back, middle]), np.vstack([front, rear, sides]), process=False
        )
        if body.volume < 0.0:
            body.invert()
        bodies.append(body)
        joints = f.mount[k] * [1.0, 1.0, 0.0], f.mount[k], f.c[k] - glass * f.n[k]
        bodies += [
            trimesh.creation.cylinder(radius=ROD, segment=ends, sections=8)
            for ends in pairwise(joints)
            if np.linalg.norm(np.subtract(*ends)) > glass
        ]
    pot = trimesh.creation.cylinder(radius=cooker.pot.R, height=cooker.pot.height, sections=96)
    pot.apply_translation([0.0, 0.0, 0.5 * cooker.pot.height])
    posts = [trimesh.creation.box(bounds=box.reshape(2, 3)) for box in cooker.pot.posts]
    for body, frame in ((pot, cooker.pot.frame), *((p, cooker.pot.stand_frame) for p in posts)):
        turned = np.eye(4)
        turned[:3, :3], turned[:3, 3] = frame.T, cooker.pot.base
        body.apply_transform(turned)
    left, right, near, far = cooker.extent
    board = trimesh.creation.box(
        bounds=[[left, near, -cooker.thickness], [right, far, 0.0]],
    )
    return trimesh.util.concatenate([*bodies, pot, *posts, board])


def write_exports(run: Run, folder: Path | str, rays: int = 2000) -> list[tuple[Path, int]]:
    """Write rays, facets and the cooker's shape for other tools.

    Parameters
    ----------
    run : Run
    folder : path
        Made if need be.
    rays : int
        As in `rays_table`.

    Returns
    -------
    list of (Path, int)
        rays.csv, facets.csv and cooker.stl, and their sizes.

    Raises
    ------
    StoreError
        If one can't be written, or is there already.
    """
    from trimesh.exchange.stl import export_stl

    cooker = posed(run.cooker, run.brightest.pose)
    made: dict[str, bytes | str] = {
        "rays.csv": rays_table(run, rays),
        "facets.csv": facets_table(run),
        "cooker.stl": export_stl(cooker_mesh(cooker)),
    }
    where = Path(folder)
    return [
        (where / name, write_whole(where / name, data, new=True)) for name, data in made.items()
    ]
