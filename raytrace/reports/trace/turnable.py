"""Cooker, pot and rays in space as a page that turns, by trimesh's viewer: no network, one file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import unit
from raytrace.cooker.pose import posed
from raytrace.reports.common.style import AMBER, LINE_LOOKS, SUNLIGHT
from raytrace.reports.trace.bodies import Scene
from raytrace.reports.trace.exported import ROD
from raytrace.reports.trace.sketch import BOARD, WOOD
from raytrace.reports.trace.solid import (
    GROUND,
    LID,
    POST,
    WALL,
    best_view,
    facet_paint,
    ground_patch,
    ray_lines,
)

if TYPE_CHECKING:
    from raytrace.studies.trace.run import Run

__all__ = ["turnable_page"]

Array = NDArray[np.float64]

# the viewer has y up
Y_UP = np.array([[1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0], [0.0, -1.0, 0.0, 0.0], [0, 0, 0, 1.0]])
DARKER = 0.8  # for the viewer's lamp is bright [1]
SHADES = 16  # of each primary colour: facets alike are one body, for each takes room in the file
THIN = 0.0018  # radius of a ray's line, over the cooker's size [1]
FIELD = 32.0  # that the eye sees at first [deg]


def turnable_page(run: Run) -> str:
    """Page that shows a run's brightest moment in space.

    Parameters
    ----------
    run : Run

    Returns
    -------
    str
        HTML with its scripts in it.
    """
    import trimesh
    from trimesh.viewer.notebook import scene_to_html

    moment = run.brightest
    scene = Scene(posed(run.cooker, moment.pose), moment.pose, moment.tally.sun)
    watts = moment.tally.facet_delivered.value[scene.cooker.facets.present]
    span = float(np.ptp(scene.points, axis=0).max())
    bodies = [_plates(ground_patch(scene)[None], GROUND), _plates(scene.board, BOARD)]
    paints, which = np.unique(
        np.rint(SHADES * facet_paint(watts)) / SHADES, axis=0, return_inverse=True
    )
    bodies += [_plates(scene.facets[which == k], paint) for k, paint in enumerate(paints)]
    mounts = np.concatenate([scene.mounts[:, :2], scene.mounts[:, 1:]])
    bodies.append(_rods(np.concatenate([mounts, scene.legs]), WOOD, ROD))
    bodies.append(_plates(scene.posts.reshape(-1, 4, 3), POST))
    for name, ways in ray_lines(scene, run.paths()).items():
        colour = SUNLIGHT if name == "sun" else LINE_LOOKS[name][0]
        bodies.append(_rods(ways, colour, THIN * span * (0.6 if name == "sun" else 1.0)))
    bodies.append(_plates(scene.base[None], AMBER))
    bodies += [_plates(scene.wall, WALL), _plates(scene.lid[None], LID)]

    shown: Any = trimesh.Scene([body for body in bodies if body is not None])
    view = best_view(scene).axes
    place = np.eye(4)
    place[:3, :3] = view.T
    middle = scene.points.min(0) + 0.5 * np.ptp(scene.points, axis=0)
    place[:3, 3] = middle + 0.9 * span / np.tan(np.radians(0.5 * FIELD)) * view[2]
    shown.apply_transform(Y_UP)
    shown.camera.fov = (FIELD, FIELD)
    shown.camera_transform = Y_UP @ place
    return str(scene_to_html(shown))


def _body(mesh: Any, colour: Any) -> Any:
    """A mesh seen from both sides, dull, of one colour that may be clear."""
    import trimesh
    from matplotlib.colors import to_rgba

    looks: Any = trimesh.visual
    *rgb, cover = to_rgba(colour)
    mesh.visual = looks.TextureVisuals(
        material=looks.material.PBRMaterial(
            baseColorFactor=[*(DARKER * np.array(rgb)), cover],
            metallicFactor=0.0,
            roughnessFactor=1.0,
            doubleSided=True,
            alphaMode="OPAQUE" if cover == 1.0 else "BLEND",
        )
    )
    return mesh


def _plates(outlines: Array, colour: Any) -> Any:
    """Convex polygons of as many corners each, shape (n, k, 3); None if there are none."""
    import trimesh

    n, k = outlines.shape[:2]
    if not n:
        return None
    fan = np.array([(0, j, j + 1) for j in range(1, k - 1)])
    faces = (np.arange(n)[:, None, None] * k + fan).reshape(-1, 3)
    return _body(trimesh.Trimesh(outlines.reshape(-1, 3), faces, process=False), colour)


def _rods(ends: Array, colour: Any, radius: float) -> Any:
    """Rods from point to point, shape (n, 2, 3); None if there are none of any length."""
    import trimesh

    ends = ends[np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) > 1e-6]
    if not len(ends):
        return None
    along = unit(ends[:, 1] - ends[:, 0])
    # three sides and no ends: few corners, for each takes room in the file
    aside = unit(np.cross(along, np.where(np.abs(along[:, 2:]) > 0.9, [1.0, 0, 0], [0, 0, 1.0])))
    third = np.radians([0.0, 120.0, 240.0])[:, None, None]
    ring = radius * (np.cos(third) * aside + np.sin(third) * np.cross(along, aside))
    corners = ends[:, :, None] + ring.transpose(1, 0, 2)[:, None]
    side = np.array([(0, 1, 4), (0, 4, 3), (1, 2, 5), (1, 5, 4), (2, 0, 3), (2, 3, 5)])
    faces = (6 * np.arange(len(ends))[:, None, None] + side).reshape(-1, 3)
    return _body(trimesh.Trimesh(corners.reshape(-1, 3), faces, process=False), colour)
