"""The sheet to build from: figures against geometry done here, drawings measured back."""

from __future__ import annotations

import io
import itertools
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
import xarray as xr
from pypdf import PdfReader, PdfWriter
from pypdf.generic import ContentStream
from scipy.optimize import fsolve, lsq_linear
from store.test_results import same
from typer.testing import CliRunner

from raytrace import read_result
from raytrace.cli import app
from raytrace.cooker.geometry import Pot, cooker_from_arrays
from raytrace.cooker.mirror import Mirror
from raytrace.exceptions import GeometryError, StoreError
from raytrace.reports.bench.sheet import facet_columns
from raytrace.reports.bench.sheet_pdf import bench_pdf
from raytrace.reports.bench.sheet_template import template_pdf
from raytrace.reports.bench.sheet_tiles import OVERLAP
from raytrace.reports.bench.sheet_wedges import RAISED, wedge_files, wedge_mesh
from raytrace.reports.common.lengths import RULES
from raytrace.reports.common.units import in_columns, using
from raytrace.scenario.loading import load_scenario
from raytrace.studies.bench.beam_clearance import clear_ways, line_to_plates, setting_order
from raytrace.studies.bench.sheet import SheetPlan, make_wedges, shadow_gauge
from raytrace.studies.bench.sheet import sheet as make_sheet
from raytrace.studies.bench.wedge_plates import lay_plates, plastic_of

SCENARIOS = Path(__file__).parents[2] / "scenarios"
MM, IN = RULES["mm"], RULES["in"]
NO_RINGS = SheetPlan(rings=False)
TENTH = 0.1  # mm; what a drawn dimension may be off


def scenario(name, *overrides):
    return load_scenario(SCENARIOS / f"{name}.toml", overrides)


@pytest.fixture(scope="module")
def courtyard():
    read = scenario("courtyard")
    return read, make_sheet(read)


@pytest.fixture(scope="module")
def highland():
    read = scenario("highland")
    return read, make_sheet(read, NO_RINGS)


@pytest.fixture(scope="module")
def ring():
    read = scenario("rim-ring")
    return read, make_sheet(read)


# --- tilts and heights ---------------------------------------------------------------------------


def plane_by_hand(mount, radius, alpha, target):
    """Tilt and lean by a root finder: the mirrored sun ray must point at the target.

    It leaves the 3 mm of glass of index 1.52 aside of where it came in, by Snell's law.
    """
    s = np.array([0.0, math.cos(alpha), math.sin(alpha)])

    def miss(x):
        n = np.array([x[0], x[1], math.sqrt(1.0 - x[0] ** 2 - x[1] ** 2)])
        centre = mount + radius * n
        out = 2.0 * (n @ s) * n - s
        along = s - (n @ s) * n
        sine = math.sqrt(along @ along)
        leaves = centre - 6e-3 * math.tan(math.asin(sine / 1.52)) * along / sine
        t = (target[2] - leaves[2]) / out[2]
        return (leaves + t * out - target)[:2]

    nx, ny = fsolve(miss, [0.0, 0.1], xtol=1e-11)
    n = np.array([nx, ny, math.sqrt(1.0 - nx**2 - ny**2)])
    return n, math.acos(n[2]), math.atan2(nx, ny) % (2.0 * math.pi)


@pytest.mark.parametrize("label", ["A1", "C5", "F9"])
def test_corner_heights_from_plane_geometry(courtyard, label):
    """Courtyard: 100 mm squares, mounts of 20 mm radius at 40 mm, sun at 42°, base at 600 mm."""
    _, sheet = courtyard
    f = sheet.cooker.facets.label.index(label)
    row, column = ord(label[0]) - ord("A"), int(label[1:]) - 1
    mount = np.array([0.108 * (column - 4), 0.108 * (2.5 - row), 0.04])
    n, tilt, lean = plane_by_hand(mount, 0.02, math.radians(42.0), np.array([0.0, -0.65, 0.6]))
    assert sheet.tilt[f] == pytest.approx(tilt, abs=1e-9)
    assert sheet.lean[f] == pytest.approx(lean, abs=1e-7)
    # the sides that run left to right have no part along y × n: cross products by hand
    along = np.array([n[1] ** 2 + n[2] ** 2, -n[0] * n[1], -n[0] * n[2]])
    up = np.array([0.0, n[2], -n[1]])
    along, up = along / np.linalg.norm(along), up / np.linalg.norm(up)
    centre = 0.04 + 0.02 * n[2]
    for name, a, b in (
        ("sun left", -1, 1),
        ("sun right", 1, 1),
        ("far right", 1, -1),
        ("far left", -1, -1),
    ):
        by_hand = centre + 0.05 * (a * along[2] + b * up[2])
        k = sheet.corner_name.index(name)
        assert sheet.corner_height[f, k] == pytest.approx(by_hand, abs=1e-9)
    # a plane falls by tan(tilt) times the way along the lean
    x = 0.05 * (along + up)
    fall = math.tan(tilt) * (x[0] * math.sin(lean) + x[1] * math.cos(lean))
    k = sheet.corner_name.index("sun right")
    assert sheet.corner_height[f, k] == pytest.approx(centre - fall, abs=1e-9)


def test_the_lowest_corner_lies_where_the_facet_leans(courtyard):
    _, sheet = courtyard
    facets = sheet.cooker.facets
    for f, low in enumerate(sheet.lowest):
        toward = np.array([math.sin(sheet.lean[f]), math.cos(sheet.lean[f])])
        corners = facets.corners(f)[:, :2] - facets.c[f, :2]
        first = corners[np.argmax(corners @ toward)]
        assert ("sun" in low) == (first[1] > 0) or "side" in low
        assert "left" not in low or first[0] < 0
        assert "right" not in low or first[0] > 0
    middle = facets.label.index("A5")
    assert sheet.lowest[middle] == "far side"
    assert sheet.highest[middle] == "sun side"


def test_rim_of_a_round_facet(ring):
    _, sheet = ring
    facets = sheet.cooker.facets
    low, high = sheet.corner_height.T
    np.testing.assert_allclose(high - low, 0.12 * np.sin(sheet.tilt), atol=1e-12)
    np.testing.assert_allclose(0.5 * (high + low), facets.c[:, 2], atol=1e-12)


def test_six_corners_of_a_hexagon_lie_in_one_plane(highland):
    _, sheet = highland
    # opposite corners lie alike about the centre, and the right one 60 mm to the right
    facets, h = sheet.cooker.facets, sheet.corner_height
    names = sheet.corner_name
    pairs = (("sun left", "far right"), ("sun right", "far left"), ("left", "right"))
    for a, b in pairs:
        mean = 0.5 * (h[:, names.index(a)] + h[:, names.index(b)])
        np.testing.assert_allclose(mean, facets.c[:, 2], atol=1e-12)
    rise = (h[:, names.index("right")] - facets.c[:, 2]) / 0.06
    np.testing.assert_allclose(
        rise, -facets.n[:, 0] * facets.n[:, 2] / np.hypot(facets.n[:, 1], facets.n[:, 2]),
        atol=1e-12,
    )  # fmt: skip


# --- laser and gauge -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("altitude", "ratio"),  # cotangents: elementary trigonometry, no source
    [(30.0, math.sqrt(3.0)), (45.0, 1.0), (60.0, 1.0 / math.sqrt(3.0))],
)
def test_shadow_gauge(altitude, ratio):
    gauge = shadow_gauge(math.radians(altitude), [0.3])
    assert gauge.shadow[0] == pytest.approx(0.3 * ratio, rel=1e-12)
    longer = math.degrees(math.atan2(0.3, gauge.shadow[0] + 1e-4))
    assert math.degrees(gauge.per_length[0] * 1e-4) == pytest.approx(altitude - longer, rel=1e-3)
    aside = math.atan2(1e-4, gauge.shadow[0])
    assert gauge.sideways[0] * 1e-4 == pytest.approx(aside, rel=1e-5)
    # the end's fade: rays that part by the sun's width of 9.3 mrad, cut at a slant
    slant = 9.3e-3 * 0.3 / math.sin(math.radians(altitude)) ** 2
    assert gauge.blur[0] == pytest.approx(slant, rel=1e-4)


def test_laser_table_at_45_degrees_is_as_high_as_far():
    read = scenario("courtyard", "design.sun_altitude=45 deg")
    laser = make_sheet(read, SheetPlan(distances=(1.0, 2.5), rings=False)).laser
    np.testing.assert_allclose(laser.height, [[1.0, 2.5]], rtol=1e-12)
    raised = math.atan2(1.0001, 1.0) - math.pi / 4
    assert laser.per_length[0, 0] * 1e-4 == pytest.approx(raised, rel=1e-3)


def test_fifty_degrees_from_the_horizontal_are_forty_from_the_vertical():
    """Common practice, no source: some protractors count from the plumb line."""
    read = scenario("courtyard", "design.sun_altitude=50 deg")
    pages = texts(bench_pdf(read, make_sheet(read, NO_RINGS), MM))
    assert "50.00° above the floor, which is 40.00° from the vertical" in " ".join(pages[0].split())


def test_zones_have_lasers_of_their_own():
    sheet = make_sheet(scenario("school-kitchen"), NO_RINGS)
    stated = scenario("school-kitchen").aim.zones[-1].sun_altitude
    np.testing.assert_allclose(sheet.laser.altitude, [math.radians(55.0), stated], atol=1e-9)
    assert sheet.laser.n_facets.tolist() == [240, 60]
    assert len(sheet.gauges) == 2


def test_marks_of_a_swivelled_laser(ring):
    """Each mark is where the ray from the stand, mirrored at the facet, meets the base's plane.

    A slab puts it aside by 2 d tan θ₂ against the light's way along it; glass of 3 mm, 1.52.
    """
    _, sheet = ring
    facets, stand = sheet.cooker.facets, sheet.laser.stand
    middle = facets.mount[facets.present].mean(0)
    assert np.linalg.norm(stand - middle) == pytest.approx(13 * 0.3048)
    for f in range(len(facets)):
        # the stand's image behind the mirror, the facet's centre and the spot without glass lie
        # on one line
        way, n = stand - facets.c[f], facets.n[f]
        image = stand - 2.0 * (way @ n) * n
        along = (way - (way @ n) * n) / np.linalg.norm(way)
        sine = np.linalg.norm(along)
        shift = -6e-3 * np.tan(np.arcsin(sine / 1.52)) * along / sine
        assert np.linalg.norm(np.cross(sheet.mark[f] - shift - image, facets.c[f] - image)) < 1e-9
        assert sheet.mark[f, 2] == pytest.approx(0.762)
    assert np.abs(sheet.mark_on_base).max() > 0.02


def test_marks_of_a_slid_laser_are_the_aims(courtyard):
    _, sheet = courtyard
    np.testing.assert_array_equal(sheet.mark, sheet.cooker.aim)
    np.testing.assert_array_equal(sheet.mark_on_base, 0.0)


# --- clear ways and order ------------------------------------------------------------------------


def test_distance_to_plates_against_bounded_least_squares():
    """scipy's lsq_linear finds the nearest points of line and rectangle its own way."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
        u, v = q[0], q[1]
        n = np.cross(u, v)
        c, half = rng.normal(size=3), rng.uniform(0.1, 1.0, size=2)
        corners = c + np.array(
            [half[0] * a * u + half[1] * b * v for a, b in ((1, 1), (-1, 1), (-1, -1), (1, -1))]
        )
        p, end = 2.0 * rng.normal(size=(2, 3))
        A = np.column_stack([end - p, -u, -v])
        best = lsq_linear(A, c - p, bounds=([0, -half[0], -half[1]], [1, half[0], half[1]]))
        want = np.linalg.norm(A @ best.x - (c - p))
        assert line_to_plates(p, end, corners[None], n[None])[0] == pytest.approx(want, abs=2e-5)


FAR_POT = Pot(base=np.array([0.0, 0.0, 5.0]), axis=np.array([0.0, 0.0, 1.0]), R=0.1, height=0.1)
MIRROR = Mirror()
LOW_SUN = np.array([0.0, math.cos(math.pi / 6), 0.5])


def two(wall_x=0.0, wall_normal=(0.0, -1.0, 0.0), pot=FAR_POT):
    """A low facet at the origin and, on its sun's side, a wall that a sun at 30° would meet."""
    wall_z = 0.3 * math.tan(math.pi / 6)
    return cooker_from_arrays(
        centers=[[wall_x, 0.3, wall_z], [0.0, 0.0, 0.0]],
        normals=[wall_normal, [0.0, 0.0, 1.0]],
        half_sizes=0.05,
        pot=pot,
        mirror=MIRROR,
        labels=["wall", "low"],
    )


LIGHT = np.tile(LOW_SUN, (2, 1))
UP = np.array([[0.0, 0.3, 5.0], [0.0, 0.0, 5.0]])


def test_a_facet_that_stands_in_anothers_way_is_set_later():
    ways = clear_ways(two(), LIGHT, UP)
    assert ways.into == ((), ("wall",))
    assert ways.into_thin == ((), ("wall",))
    assert ways.out == ((), ())
    assert ways.order.tolist() == [1, 0], "the low one first"
    assert ways.conflicts == ()
    assert ways.at_turn == ((), ())


def test_the_beams_width_counts():
    """The wall's edge is 2 mm beside the line."""
    cooker = two(wall_x=0.052)
    wide, slim = clear_ways(cooker, LIGHT, UP), clear_ways(cooker, LIGHT, UP, beam=3e-3)
    assert wide.into[1] == ("wall",)
    assert wide.into_thin[1] == ()
    assert slim.into[1] == ()
    assert wide.order.tolist() == [1, 0]
    assert slim.order.tolist() == [0, 1]


def test_a_beam_from_below_the_boards_edge_meets_the_board():
    """By similar triangles: over an edge 0.4 m away the line to a stand 0.2 m down is in the top.

    The facet's centre is 0.1 m up, so a line to 0.6 m away and 0.05 m down crosses the top after
    0.4 m; a board that ends before is missed, one that ends later is met.
    """
    pot = FAR_POT
    for reach, meets in ((0.39, ()), (0.41, ("board",))):
        cooker = cooker_from_arrays(
            centers=[[0.0, 0.0, 0.1]], normals=[[0.0, 0.0, 1.0]], half_sizes=0.05, pot=pot,
            mirror=MIRROR,
        )  # fmt: skip
        board = np.array([-1.0, 1.0, -1.0, reach])
        cooker = replace(cooker, extent=board, thickness=0.02)
        ways = clear_ways(cooker, LIGHT[:1], UP[1:], stand=np.array([0.0, 0.6, -0.05]))
        assert ways.into == (meets,)
        assert ways.out == ((),)


def test_facets_in_each_others_way_are_named():
    """The wall's spot lies behind the low facet."""
    cooker = two()
    mark = np.array([-cooker.facets.c[0], [0.0, 0.0, 5.0]])
    ways = clear_ways(cooker, LIGHT, mark)
    assert ways.out[0] == ("low",)
    assert ways.conflicts == ((0, 1),)
    assert any(ways.at_turn)


def test_a_facet_that_lies_flat_until_it_is_set():
    """Edge on to the beam when set, but across it when flat: it must be set first."""
    cooker = cooker_from_arrays(
        centers=[[0.0, 0.0, 0.0], [0.0, 0.3, 0.3 * math.tan(math.pi / 6)]],
        normals=[[0.0, 0.0, 1.0], [0.0, -0.5, math.cos(math.pi / 6)]],
        half_sizes=0.05,
        pot=FAR_POT,
        mirror=MIRROR,
        labels=["low", "high"],
    )
    # slid aside by more than half the beam along its normal, so that set it is clear
    shift = 0.01 * cooker.facets.n[1]
    cooker.facets.mount[1] += shift
    absent = clear_ways(cooker, LIGHT, UP)
    flat = clear_ways(cooker, LIGHT, UP, unset="flat")
    assert absent.into[0] == ()
    assert absent.order.tolist() == [0, 1]
    assert flat.order.tolist() == [1, 0]
    assert flat.at_turn == ((), ())


def test_pot_and_posts_in_the_way():
    z = 0.3 * math.tan(math.pi / 6)
    pot = Pot(
        base=np.array([0.0, 0.3, z - 0.02]),
        axis=np.array([0.0, 0.0, 1.0]),
        R=0.05,
        height=0.04,
        posts=np.array([[-0.005, -0.2, -0.2, 0.005, -0.19, 0.0]]),
    )
    cooker = two(wall_x=1.0, pot=pot)
    ways = clear_ways(cooker, LIGHT, UP)
    # the post stands 105 mm before the low facet and reaches 153 mm up, the line 61 mm
    assert ways.into[1] == ("pot", "post 1")
    assert ways.into_thin[1] == ("pot", "post 1")
    assert ways.into[0] == ()
    assert ways.order.tolist() == [0, 1], "no order helps against a pot"


@pytest.mark.parametrize("seed", range(4))
def test_orders_keep_to_what_must_come_before(seed):
    rng = np.random.default_rng(seed)
    hidden = rng.permutation(30)
    place = np.argsort(hidden)
    edges = [(int(a), int(b)) for a, b in rng.integers(0, 30, (60, 2)) if place[a] < place[b]]
    order, conflicts = setting_order(np.arange(30), edges)
    at = np.argsort(order)
    assert conflicts == ()
    assert sorted(order) == list(range(30))
    assert all(at[a] < at[b] for a, b in edges)
    # closing a ring through all of an edge's chain makes a conflict
    _, conflicts = setting_order(np.arange(30), [*edges, *[(b, a) for a, b in edges[:1]]])
    assert set(edges[0]) <= set(conflicts[0])


# --- the drawings, measured back -----------------------------------------------------------------


def texts(pdf):
    return [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]


def drawn(page):
    """Straight lines and closed outlines of a page, in mm from its lower left corner."""
    reader = page.pdf if hasattr(page, "pdf") else None
    stack, ctm = [], np.eye(3)
    path, paths, lines, boxes = [], [], [], []

    def at(x, y):
        return (np.array([float(x), float(y), 1.0]) @ ctm)[:2] * 25.4 / 72.0

    for operands, name in ContentStream(page["/Contents"].get_object(), reader).operations:
        if name == b"q":
            stack.append(ctm)
        elif name == b"Q":
            ctm = stack.pop()
        elif name == b"cm":
            a, b, c, d, e, f = (float(x) for x in operands)
            ctm = np.array([[a, b, 0.0], [c, d, 0.0], [e, f, 1.0]]) @ ctm
        elif name == b"m":
            path = [at(*operands)]
        elif name == b"l":
            path.append(at(*operands))
        elif name == b"c":
            path = []
        elif name == b"re":
            x, y, w, h = (float(v) for v in operands)
            boxes.append(np.array([at(x, y), at(x + w, y + h)]))
        elif name == b"h" and len(path) > 2:
            paths.append(np.array(path))
            path = []
        elif name == b"S" and len(path) == 2:
            lines.append(np.array(path))
            path = []
    return lines, paths, boxes


def has_line(lines, dx, dy):
    return any(
        abs(abs(b[0] - a[0]) - dx) < TENTH and abs(abs(b[1] - a[1]) - dy) < TENTH for a, b in lines
    )


def template(read, sheet, **options):
    """Tiles of a template: where each drawing's platform axes start, its window, and its lines."""
    pages = PdfReader(io.BytesIO(template_pdf(read, sheet, MM, **options))).pages
    x0, x1, y0, y1 = 1e3 * sheet.cooker.extent
    tiles = []
    for page in pages[1:]:
        lines, paths, boxes = drawn(page)
        board = [
            b
            for b in boxes
            if np.allclose(np.abs(b[1] - b[0]), [x1 - x0, y1 - y0], atol=TENTH, rtol=0)
        ]
        assert board, "the platform's edge is on every page"
        origin = board[0].min(0) - [x0, y0]
        frame = boxes[0]
        size = np.array([float(v) for v in page.mediabox[2:]]) * 25.4 / 72.0
        tiles.append((origin, frame - origin, lines, paths, size))
    return tiles


@pytest.mark.parametrize(
    ("name", "paper"), [("courtyard", "a4"), ("highland", "letter"), ("rim-ring", "a4")]
)
def test_outlines_are_true_to_a_tenth_of_a_millimetre(name, paper, request):
    """Edges as projections of the facets' sides from tilt and lean, by the sheet's own figures."""
    read, sheet = request.getfixturevalue({"rim-ring": "ring"}.get(name, name))
    facets = sheet.cooker.facets
    found = {}
    crosses = set()
    for origin, window, lines, paths, _ in template(read, sheet, paper=paper):
        for path in paths:
            on_board = path - origin
            for f in range(len(facets)):
                want = by_projection(read, sheet, f)
                if len(want) == len(on_board) and np.abs(on_board[0] - want[0]).max() < 1.0:
                    assert np.abs(on_board - want).max() < TENTH
                    found[f] = found.get(f, 0) + 1
        for a, b in lines:
            middle = 0.5 * (a + b) - origin
            inside = (middle > window.min(0)).all() and (middle < window.max(0)).all()
            if abs(a[1] - b[1]) < 1e-6 and inside:
                near = np.abs(1e3 * facets.mount[:, :2] - middle).max(axis=1)
                crosses |= set(np.flatnonzero(near < TENTH).tolist())
    assert sorted(found) == list(range(len(facets)))
    assert crosses == set(range(len(facets))), "every mount's crosshair is in its place"


def by_projection(read, sheet, f):
    """Outline from above in mm: the shape turned about the horizontal line across its lean.

    A roll of zero keeps the facet's own x in the vertical plane through the platform's x.
    """
    facets = sheet.cooker.facets
    tilt = float(sheet.tilt[f])
    n = np.array(
        [
            math.sin(tilt) * math.sin(np.nan_to_num(sheet.lean[f])),
            math.sin(tilt) * math.cos(np.nan_to_num(sheet.lean[f])),
            math.cos(tilt),
        ]
    )
    centre = 1e3 * (facets.mount[f] + facets.mount_radius[f] * n)
    up = np.array([0.0, n[2], -n[1]]) / math.hypot(n[1], n[2])
    along = np.cross(up, n)
    shape = read.facets.shape
    if shape == "rectangular":
        flat = 50.0 * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    else:
        count, radius = (6, 60.0) if shape == "hexagonal" else (48, 60.0)
        angle = 2.0 * np.pi * np.arange(count) / count
        flat = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    return (centre + flat[:, :1] * along + flat[:, 1:] * up)[:, :2]


@pytest.mark.parametrize("paper", ["a4", "letter", "plotter"])
def test_tiles_cover_the_platform_and_overlap(courtyard, paper):
    read, sheet = courtyard
    tiles = template(read, sheet, paper=paper)
    x0, x1, y0, y1 = 1e3 * sheet.cooker.extent
    windows = np.array([[w.min(0), w.max(0)] for _, w, _, _, _ in tiles])
    for spot in itertools.product(np.linspace(x0, x1, 97), np.linspace(y0, y1, 89)):
        assert ((windows[:, 0] <= spot) & (windows[:, 1] >= spot)).all(axis=1).any()
    left = np.unique(windows[:, 0, 0].round(3))
    right = np.unique(windows[:, 1, 0].round(3))
    np.testing.assert_allclose(right[:-1] - left[1:], OVERLAP, atol=TENTH)
    for _, window, _, _, size in tiles:
        if paper != "plotter":
            # ISO 216; ANSI/ASME Y14.1
            assert sorted(size) == pytest.approx(
                {"a4": [210.0, 297.0], "letter": [215.9, 279.4]}[paper], abs=TENTH
            )
        assert (np.abs(window[1] - window[0]) < size).all()
    if paper == "plotter":
        assert len(tiles) == 1


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_overlap_marks_are_at_the_same_places_on_both_sheets(courtyard, paper):
    """Also where a cross steps aside for a facet's label, as B5's on Letter paper."""
    read, sheet = courtyard
    tiles = template(read, sheet, paper=paper)
    places = {}
    for number, (origin, window, lines, _, _) in enumerate(tiles):
        for a, b in lines:
            if np.allclose(np.abs(b - a), 6.0, atol=1e-3):
                place = 0.5 * (a + b) - origin
                assert (place > window.min(0)).all()
                assert (place < window.max(0)).all()
                places.setdefault(tuple(place.round(2)), set()).add(number)
    assert places
    assert all(len(on) == 2 for on in places.values())
    # 18 sheets in 3 rows of 6: 15 seams across and 12 along, two marks each
    assert len(places) == 2 * (15 + 12)


@pytest.mark.parametrize("units", ["mm", "in"])
def test_every_page_has_its_scale_check(courtyard, units):
    read, sheet = courtyard
    bench, plan = (
        PdfReader(io.BytesIO(make(read, sheet, RULES[units], paper="letter"))).pages
        for make in (bench_pdf, template_pdf)
    )
    for page in [*bench, *plan]:
        lines, _, _ = drawn(page)
        assert has_line(lines, 100.0, 0.0)
        assert has_line(lines, 101.6, 0.0) == (units == "in")
        assert "100 mm" in page.extract_text()
    for page in plan[1:]:
        assert has_line(drawn(page)[0], 0.0, 100.0), "and along the other side"


def test_a_wrong_scale_would_be_seen(courtyard):
    """The measuring itself: a page drawn at 97 %, as printers like to, has no line of 100 mm."""
    read, sheet = courtyard
    writer = PdfWriter(clone_from=io.BytesIO(template_pdf(read, sheet, MM)))
    assert has_line(drawn(writer.pages[1])[0], 100.0, 0.0)
    writer.pages[1].scale_by(0.97)
    assert not has_line(drawn(writer.pages[1])[0], 100.0, 0.0)


def test_labels_and_cautions_are_on_the_pages(ring):
    read, sheet = ring
    facets = sheet.cooker.facets
    bench = texts(bench_pdf(read, sheet, IN, paper="letter"))
    rig = " ".join(bench[0].split())
    for words in ("Class 2 or less", "1 mW", "IEC 60825-1", "60 to 80 °C", "outdoors unshaded",
                  "sharp", "local codes", "swivel", "to the sun"):  # fmt: skip
        assert words.casefold() in " ".join([rig, *bench]).casefold()
    table = "\n".join(bench[2:]).split()
    assert set(facets.label) <= set(table)
    on_board = set("\n".join(texts(template_pdf(read, sheet, MM))[1:]).split())
    assert set(facets.label) <= on_board
    # heights stand in the facets: the highest rim of A1 as the table has it
    assert MM.fine_text(sheet.corner_height[0, 1]) in on_board


def test_the_same_sheet_gives_the_same_bytes(courtyard):
    read, sheet = courtyard
    again = make_sheet(scenario("courtyard"))
    assert bench_pdf(read, sheet, MM) == bench_pdf(read, again, MM)
    assert template_pdf(read, sheet, MM) == template_pdf(read, again, MM)


def test_names_that_latin_letters_do_not_spell(courtyard):
    read = scenario("courtyard", "title=Солнечная кухня Ηλιος <b> & co")
    title = "Солнечная кухня Ηλιος <b> & co"
    sheet = make_sheet(read)
    assert title in texts(bench_pdf(read, sheet, MM))[0]
    assert title in texts(template_pdf(read, sheet, MM))[0]


# --- tables --------------------------------------------------------------------------------------


def by_facet(sheet, rule):
    columns, rows, _ = facet_columns(sheet, rule)
    with using("us" if rule is IN else "si"):
        columns, rows = in_columns(columns, rows)
    return [dict(zip(columns, row, strict=True)) for row in rows]


def test_tables_in_millimetres_and_inches(courtyard):
    _, sheet = courtyard
    metric, inches = by_facet(sheet, MM), by_facet(sheet, IN)
    assert len(metric) == 54
    for mm, inch in zip(metric, inches, strict=True):
        for key, value in mm.items():
            if key.endswith("_mm"):
                # 1 in = 25.4 mm exactly: NIST SP 811 (2008), appendix B.8
                assert inch[f"{key[:-3]}_in"] * 25.4 == pytest.approx(value, abs=1.5e-3)
            else:
                assert inch[key] == value
    assert list(metric[0])[:6] == [
        *("facet", "state", "turn", "mount_x_mm", "mount_y_mm", "mount_z_mm"),
    ]
    assert metric[0]["tilt_deg"] == pytest.approx(math.degrees(sheet.tilt[0]), abs=1e-3)
    k = sheet.corner_name.index("sun left")
    height = 1e3 * sheet.corner_height[0, k]
    assert metric[0]["corner_height_sun_left_mm"] == pytest.approx(height, abs=1e-3)


def test_missing_facets_are_listed_and_not_set(ring):
    _, sheet = ring
    rows = {row["facet"]: row for row in by_facet(sheet, MM)}
    assert rows["B7"]["state"] == "missing"
    assert rows["B7"]["turn"] == 0
    numbers = sorted(row["turn"] for row in rows.values() if row["turn"])
    assert numbers == list(range(1, len(rows)))
    assert "B7" not in sheet.order


def test_results_are_kept_with_units_and_axes(tmp_path):
    read, path = scenario("school-kitchen"), tmp_path / "sheet.h5"
    sheet = make_sheet(read, path=path)
    same(sheet, read_result(path, "sheet"))
    with xr.open_dataset(path) as data:
        assert data["corner_height"].dims == ("facet", "corner")
        assert data["corner_height"].attrs["units"] == "m"
        assert data["laser.height"].sizes == {"altitude": 2, "distance_axis": 8}
        height = float(data["corner_height"].sel(facet="A1", corner="far left"))
        assert height == sheet.corner_height[0, sheet.corner_name.index("far left")]
        assert data["meets"].sel(facet="A1", way="at_turn") == sheet.meets[0, -1]


# --- wedges --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["courtyard", "highland", "ring"])
def test_wedges_hold_facets_at_their_tilt(name, request):
    _, sheet = request.getfixturevalue(name)
    facets = sheet.cooker.facets
    wedges = make_wedges(sheet.cooker, glass=4e-3)
    assert len(wedges.label) == int(facets.present.sum())
    for k in range(0, len(wedges.label), 7):
        f = wedges.facet[k]
        mesh = wedge_mesh(wedges, k)
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        side = 1e3 * wedges.size
        n = facets.n[f]
        up = mesh.face_normals[:, 2] > 0.5
        top = up & (mesh.triangles_center[:, 0] < 0.5 * side)
        top &= mesh.area_faces > 0.2 * side**2
        assert np.degrees(np.arccos(np.clip(mesh.face_normals[top] @ n, -1, 1))).max() < 0.01
        # mean height over the square is that over its middle, 4 mm behind the front's plane
        back = facets.c[f] - 4e-3 * n
        raised = np.isclose(mesh.triangles[:, :, 0], 0.5 * side + RAISED).all(axis=1)
        letters = mesh.area_faces[raised].sum()
        assert mesh.volume == pytest.approx(side**2 * 1e3 * back[2] + RAISED * letters, rel=1e-6)
        np.testing.assert_allclose(wedges.place[k], back[:2], atol=1e-12)
        assert mesh.bounds[0, 2] == 0.0
        # label and arrow: one point is nearest the sun, the arrow's tip
        assert letters > 20.0
        corners = mesh.triangles[raised].reshape(-1, 3)
        tip = corners[corners[:, 1] > corners[:, 1].max() - 1e-6]
        assert np.ptp(tip[:, 2]) == 0.0


def test_wedge_files_read_back(tmp_path):
    read = scenario("courtyard", "facets.rows=2")
    wedges = make_wedges(make_sheet(read).cooker)
    plates = lay_plates(wedges, read.workshop.printer)
    meshes = [wedge_mesh(wedges, k) for k in range(18)]
    whole = sum(mesh.volume for mesh in meshes)
    solid = 1e9 * plastic_of(wedges, 1.0, 1.0)  # letters aside
    assert 1.0 < whole / solid.sum() < 1.01

    for name, kind in (("w", "stl"), ("all.stl", "stl"), ("all.3mf", "3mf")):
        files = wedge_files(wedges, plates, tmp_path / name)
        stem = "plate" if name == "w" else "all"
        assert [p.name for p, _ in files] == [f"{stem}-{k}-of-2.{kind}" for k in (1, 2)]
        volume = 0.0
        for plate, (_, data) in enumerate(files):
            scene = trimesh.load(io.BytesIO(data), file_type=kind)
            here = np.flatnonzero(plates.plate == plate)
            # in a bed of 220 mm about the origin, as high as its highest wedge
            assert np.abs(scene.bounds[:, :2]).max() <= 110.0 + 1e-3
            assert scene.bounds[1, 2] == pytest.approx(1e3 * wedges.height[here].max(), abs=0.01)
            if kind == "3mf":
                assert scene.units == "millimeter"
                assert sorted(scene.geometry) == [wedges.label[k] for k in here]
            mesh = scene.to_geometry() if kind == "3mf" else scene
            mesh.merge_vertices()
            assert mesh.is_watertight
            assert len(mesh.split()) == len(here), "they stand apart"
            volume += mesh.volume
        assert volume == pytest.approx(whole, rel=1e-4)

    assert files == wedge_files(wedges, plates, tmp_path / "all.3mf"), "the same bytes"

    with pytest.raises(StoreError, match=r"\.3mf or \.stl"):
        wedge_files(wedges, plates, tmp_path / "all.obj")


def test_wedges_on_one_plate_keep_the_name_that_was_given(tmp_path):
    read = scenario("courtyard", "facets.rows=1", "workshop.printer.width=1 m")
    wedges = make_wedges(make_sheet(read).cooker)
    files = wedge_files(wedges, lay_plates(wedges, read.workshop.printer), tmp_path / "all.3mf")
    assert [p.name for p, _ in files] == ["all.3mf"]


def test_wedges_that_can_not_be(courtyard):
    _, sheet = courtyard
    with pytest.raises(GeometryError, match="thinner than 2 mm"):
        make_wedges(sheet.cooker, size=0.2)
    with pytest.raises(GeometryError, match="between 10 mm and 300 mm"):
        make_wedges(sheet.cooker, size=1e-3)


# --- the command ---------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path


def cooker(*arguments):
    return CliRunner().invoke(app, ["sheet", *(str(a) for a in arguments)])


COURTYARD = SCENARIOS / "courtyard.toml"


def test_command_writes_and_says_where(folder):
    result = cooker(COURTYARD, "--wedges", "w", "--units", "us", "--paper", "letter")
    assert result.exit_code == 0, result.output
    names = sorted(p.name for p in (folder / "results" / "courtyard-sheet").iterdir())
    assert names == [f"courtyard-{x}" for x in ("bench.pdf", "card.pdf", "facets.csv",
                                                "lists.csv", "lists.pdf", "rig.csv",
                                                "sheet.h5", "template.pdf")]  # fmt: skip
    assert len(list((folder / "w").iterdir())) == 4
    assert "courtyard-template.pdf" in result.stdout
    assert "class 2" in result.stderr
    assert "corner_height_sun_left_in" in (
        folder / "results" / "courtyard-sheet" / "courtyard-facets.csv"
    ).read_text(encoding="utf-8")


def test_command_json_alone_on_the_standard_output(folder):
    result = cooker(COURTYARD, "--json", "--no-pdf", "-o", "out", "--set",
                    "design.sun_altitude=45 deg")  # fmt: skip
    facts = json.loads(result.stdout)
    gauge = facts["gauges"][0]
    assert gauge["upright_mm"][1] == 200.0
    assert gauge["shadow_mm"][1] == pytest.approx(200.0)
    # 0.5 / 200 mm in degrees, by hand
    assert gauge["per_length_deg_mm"][1] == pytest.approx(0.14324, abs=1e-5)
    assert gauge["sideways_deg_mm"][1] == pytest.approx(0.28648, abs=1e-5)
    assert gauge["blur_mm"][1] == pytest.approx(3.72, abs=1e-2)
    assert sorted(p.name for p in (folder / "out").iterdir()) == [
        "courtyard-facets.csv",
        "courtyard-lists.csv",
        "courtyard-rig.csv",
        "courtyard-sheet.h5",
    ]
    assert len(facts["labels"]) == 54
    assert facts["meets"][8][-1] != "clear", "a post stands there"
    assert facts["files"][0].endswith("courtyard-sheet.h5")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--units", "in"], ["--units", "us"]),
        (["--paper", "a5"], ["--paper", "a4 or letter"]),
        (["--unset", "gone"], ["absent or flat"]),
        (["--glass", "3 mm"], ["goes with --wedges"]),
        (["--beam", "5"], ["--beam", "no unit"]),
        (["--beam", "-5 mm"], ["--beam", "0 mm to 100 mm"]),
        (["--upright", "0 mm"], ["--upright", "1 cm to 10 m"]),
        (["--wedges", "w.obj"], [".3mf or .stl"]),
        (["--wedges", "w", "--wedge-size", "20 cm"], ["thinner", "facets.mount_height"]),
    ],
)
def test_mistakes_are_told_in_plain_words(folder, arguments, words):
    result = cooker(COURTYARD, *arguments)
    assert result.exit_code == 2, result.output
    assert isinstance(result.exception, SystemExit)
    message = " ".join(result.stderr.split())
    for word in words:
        assert word in message


def test_a_sheet_that_can_t_be_kept_is_told(folder):
    (folder / "wall").write_text("a file, not a folder")
    result = cooker(COURTYARD, "--no-pdf", "-o", "wall")
    assert result.exit_code == 1, result.output
    assert "wall/courtyard-sheet" in result.stderr.replace("\\", "/")
