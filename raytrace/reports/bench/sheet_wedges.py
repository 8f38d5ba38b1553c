"""Wedges as meshes to print: a block with its label and an arrow raised on one side.

Each is one closed surface made corner by corner, so that no solid has to be joined to another:
the side that carries the letters is cut into triangles around their outlines, the letters' fronts
stand before it, and walls run between. Millimetres, as printers take them.
"""

from __future__ import annotations

import io
import zipfile
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import quoteattr

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError, StoreError
from raytrace.studies.bench import wedge_plates
from raytrace.texts import one_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from raytrace.studies.bench.sheet import Wedges
    from raytrace.studies.bench.wedge_plates import Plates

__all__ = ["plate_3mf", "wedge_files", "wedge_mesh"]

Array = NDArray[np.float64]

MM = 1e3
RAISED = MM * wedge_plates.RAISED  # of the letters before the side [mm]
LETTERS = 9.0  # height of capitals, where there is room [mm]
RIM = 1.5  # of the side that stays bare [mm]


def wedge_mesh(wedges: Wedges, k: int) -> Any:
    """One wedge as a mesh, in mm; its foot about the origin, y to the sun, z up.

    Parameters
    ----------
    wedges : Wedges
    k : int
        Which of them.

    Returns
    -------
    mesh : trimesh.Trimesh
        Closed; label and arrow on the +x side, the arrow pointing along +y.

    Raises
    ------
    GeometryError
        If the letters of a label don't make a closed surface.
    """
    import trimesh

    half, top = 0.5 * MM * wedges.size, MM * wedges.height[k]
    # foot and top run alike: (-x, -y), (+x, -y), (+x, +y), (-x, +y)
    square = half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    foot = [(float(x), float(y), 0.0) for x, y in square]
    head = [(float(x), float(y), float(z)) for (x, y), z in zip(square, top, strict=True)]
    triangles: list[Any] = []
    for a, b, c, d in (
        (foot[3], foot[2], foot[1], foot[0]),
        (head[0], head[1], head[2], head[3]),
        (foot[0], foot[1], head[1], head[0]),  # -y
        (foot[2], foot[3], head[3], head[2]),  # +y
        (foot[3], foot[0], head[0], head[3]),  # -x
    ):
        triangles += [(a, b, c), (a, c, d)]
    side = [(-half, 0.0), (half, 0.0), (half, float(top[2])), (-half, float(top[1]))]
    triangles += _lettered(side, half, _place(wedges.label[k], side))
    corners = np.array(triangles).reshape(-1, 3)
    vertices, index = np.unique(corners.round(6), axis=0, return_inverse=True)
    mesh = trimesh.Trimesh(vertices, index.reshape(-1, 3), process=False)
    if not (mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0.0):
        raise GeometryError(
            f"the letters of {wedges.label[k]!r} make no closed surface: use plainer letters"
        )
    return mesh


def _lettered(side: list[tuple[float, float]], x: float, letters: Sequence[Any]) -> list[Any]:
    """Triangles of the side at x (its outline in y and z) with letters raised on it."""
    from shapely import Polygon

    triangles = _flat(Polygon(side, [p.exterior.coords for p in letters]), x)
    for letter in letters:
        triangles += _flat(letter, x + RAISED)
        for hole in letter.interiors:
            triangles += _flat(Polygon(hole), x)
        # walls: rings run so that the letter lies to their left
        for ring in (letter.exterior, *letter.interiors):
            points = list(ring.coords)
            for (y0, z0), (y1, z1) in pairwise(points):
                a, b = (x, y0, z0), (x, y1, z1)
                c, d = (x + RAISED, y1, z1), (x + RAISED, y0, z0)
                triangles += [(a, b, c), (a, c, d)]
    return triangles


def _flat(polygon: Any, x: float) -> list[Any]:
    """Triangles of a polygon in y and z at x, facing +x."""
    from shapely import constrained_delaunay_triangles
    from shapely.geometry.polygon import orient

    found = []
    for triangle in constrained_delaunay_triangles(polygon).geoms:
        points = list(orient(triangle).exterior.coords)[:3]
        found.append(tuple((x, float(y), float(z)) for y, z in points))
    return found


def _place(label: str, side: list[tuple[float, float]]) -> list[Any]:
    """Letters and arrow, as large as the side has room for, from its left to its right."""
    from shapely import Polygon, affinity

    shapes = _letters(label)
    x0, y0, x1, y1 = shapes.bounds
    room = Polygon(side).buffer(-RIM, join_style="mitre")
    low, high = side[2][1], side[3][1]
    for size in LETTERS * 0.9 ** np.arange(14):
        placed = affinity.scale(shapes, size, size, origin=(0.0, 0.0))
        width, height = size * (x1 - x0), size * (y1 - y0)
        # where the side is higher, half way up
        spare = side[1][0] - RIM - 0.5 * width
        for share in (0.0, 0.5, 1.0):
            y = share * spare * (1.0 if low > high else -1.0)
            z = max(RIM + 0.5 * height, 0.3 * min(low, high))
            moved = affinity.translate(
                placed, y - 0.5 * size * (x0 + x1), z - 0.5 * size * (y0 + y1)
            )
            if spare >= 0.0 and room.contains(moved):
                return _parts(moved)
    raise GeometryError(
        f"no room for the label {label!r} on a wedge: make the wedges larger, or labels shorter"
    )


def _letters(label: str) -> Any:
    """Label and an arrow to its right, capitals 1 high, as polygons."""
    import matplotlib
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath
    from shapely import Polygon, affinity, unary_union

    font = FontProperties(
        fname=str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans-Bold.ttf")
    )
    # capitals of this face are 0.729 of its size; a dollar sign would start a formula
    path = TextPath((0.0, 0.0), label.replace("$", r"\$"), size=100.0 / 0.729, prop=font)
    shape: Any = Polygon()
    for loop in path.to_polygons(closed_only=True):
        corners = np.asarray(loop)
        if len(corners) > 3:
            shape = shape.symmetric_difference(Polygon(corners).buffer(0.0))
    shape = shape.simplify(0.8)
    right = shape.bounds[2] if not shape.is_empty else 0.0
    arrow = Polygon([(0, 40), (70, 40), (70, 10), (130, 50), (70, 90), (70, 60), (0, 60)])
    together = unary_union([shape, affinity.translate(arrow, right + 35.0, 0.0)])
    return affinity.scale(together, 0.01, 0.01, origin=(0.0, 0.0))


def _parts(shape: Any) -> list[Any]:
    """Polygons of a shape, outlines counter-clockwise and holes clockwise."""
    from shapely import set_precision
    from shapely.geometry.polygon import orient

    exact = set_precision(shape, 1e-3)
    polygons = exact.geoms if hasattr(exact, "geoms") else [exact]
    return [orient(p) for p in polygons if p.area > 1e-3]


def wedge_files(wedges: Wedges, plates: Plates, where: Path) -> list[tuple[Path, bytes]]:
    """Names and contents of the files to write, one a plate.

    Parameters
    ----------
    wedges : Wedges
    plates : Plates
    where : path
        A folder, for an STL a plate; or a name that ends in .3mf or .stl, to which the plate's
        number and how many there are is added where there are several.

    Returns
    -------
    files : list of (path, bytes)

    Raises
    ------
    StoreError
        If the name ends otherwise.
    """
    import trimesh
    from trimesh.exchange.stl import export_stl

    kind = where.suffix.lower()
    if kind not in ("", ".3mf", ".stl"):
        raise StoreError(f"{where}: give a folder, or a name that ends in .3mf or .stl")
    stem = where.with_suffix("") if kind else where / "plate"
    files = []
    for number in range(plates.count):
        here = np.flatnonzero(plates.plate == number)
        meshes = [wedge_mesh(wedges, int(k)) for k in here]
        places = MM * plates.place[here]
        name = (
            stem.name
            if kind and plates.count == 1
            else f"{stem.name}-{number + 1}-of-{plates.count}"
        )
        path = stem.with_name(f"{name}{kind or '.stl'}")
        if kind == ".3mf":
            files.append((path, plate_3mf([wedges.label[k] for k in here], meshes, places)))
            continue
        for mesh, (x, y) in zip(meshes, places, strict=True):
            mesh.apply_translation((x, y, 0.0))
        files.append((path, export_stl(trimesh.util.concatenate(meshes))))
    return files


def plate_3mf(labels: Sequence[str], meshes: Sequence[Any], places: Array) -> bytes:
    """Wedges of one plate as named objects, in the 3D Manufacturing Format.

    Parameters
    ----------
    labels : sequence of str
        Names of the objects.
    meshes : sequence of trimesh.Trimesh
    places : ndarray, shape (W, 2)
        Where each stands. [mm]

    Returns
    -------
    data : bytes
        No date or random name inside: the same wedges give the same bytes.

    References
    ----------
    .. [1] 3MF Consortium, 3D Manufacturing Format: Core Specification, version 1.
    """
    namespace = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    text = io.StringIO()
    text.write('<?xml version="1.0" encoding="UTF-8"?>\n')
    text.write(f'<model unit="millimeter" xml:lang="en-US" xmlns="{namespace}">\n<resources>\n')
    for number, (label, mesh) in enumerate(zip(labels, meshes, strict=True), 1):
        name = quoteattr(one_line(label))
        text.write(f'<object id="{number}" type="model" name={name}><mesh><vertices>\n')
        for x, y, z in mesh.vertices:
            text.write(f'<vertex x="{x:.6g}" y="{y:.6g}" z="{z:.6g}"/>')
        text.write("\n</vertices><triangles>\n")
        for a, b, c in mesh.faces:
            text.write(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>')
        text.write("\n</triangles></mesh></object>\n")
    text.write("</resources>\n<build>\n")
    for number, (x, y) in enumerate(places, 1):
        text.write(f'<item objectid="{number}" transform="1 0 0 0 1 0 0 0 1 {x:.4f} {y:.4f} 0"/>\n')
    text.write("</build>\n</model>\n")
    parts = {
        "[Content_Types].xml": (
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
            '<Default Extension="rels" '
            'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            '<Default Extension="model" '
            'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
        ),
        "_rels/.rels": (
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
            '<Relationship Target="/3D/3dmodel.model" Id="rel0" '
            'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
        ),
        "3D/3dmodel.model": text.getvalue(),
    }
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as package:
        for name, content in parts.items():
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            package.writestr(entry, content.encode("utf-8"))
    return packed.getvalue()
