"""What a cooker is built from: cutting plans, hours and money against sums and counts done here."""

from __future__ import annotations

import functools
import io
import itertools
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from scipy.spatial import ConvexHull, HalfspaceIntersection

from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import GeometryError, ScenarioError
from raytrace.reports.bench.sheet_lists import answer_words, cost_words, spare_words
from raytrace.reports.bench.sheet_lists_pdf import lists_pdf
from raytrace.reports.common.lengths import RULES
from raytrace.scenario.loading import load_scenario
from raytrace.studies.bench.materials import lay_out, materials_of
from raytrace.studies.bench.sheet import Wedges, make_wedges
from raytrace.studies.bench.sheet import sheet as make_sheet
from raytrace.studies.bench.wedge_plates import GAP, RAISED, lay_plates, plastic_of

SCENARIOS = Path(__file__).parents[2] / "scenarios"
MM, IN = RULES["mm"], RULES["in"]


def materials(name, *overrides):
    scenario = load_scenario(SCENARIOS / f"{name}.toml", overrides)
    return materials_of(scenario, build_cooker(scenario))


# --- cutting plans -------------------------------------------------------------------------------


def parted(pieces, kerf):
    """Whether cuts from edge to edge part rectangles (x0, y0, x1, y1), each cut `kerf` wide."""
    if len(pieces) == 1:
        return True
    for axis in (0, 1):
        for low in pieces[:, 2 + axis]:
            near = pieces[:, 2 + axis] <= low + 1e-9
            far = pieces[:, axis] >= low + kerf - 1e-9
            if (near ^ far).all() and 0 < near.sum() < len(pieces):
                return parted(pieces[near], kerf) and parted(pieces[far], kerf)
    return False


@pytest.mark.parametrize(
    ("room", "piece", "kerf"),
    [
        ((0.98, 0.58), (0.1, 0.1), 0.0),
        ((0.98, 0.58), (0.12, 0.1039), 0.0),
        ((0.98, 0.58), (0.12, 0.1039), 0.003),
        ((1.2, 0.7), (0.31, 0.17), 0.002),
        ((0.3, 0.1), (0.1, 0.1), 0.0),
        ((0.3, 0.1), (0.1, 0.1), 0.001),
    ],
)
def test_pieces_can_be_parted_by_straight_cuts(room, piece, kerf):
    count, corner, turned = lay_out(room, piece, kerf)
    assert count == len(corner)
    few = lay_out(room, piece, kerf, 2)
    assert few[0] == count
    np.testing.assert_array_equal(few[1], corner[:2])
    size = np.where(turned[:, None], piece[::-1], piece)
    boxes = np.hstack([corner, corner + size])
    assert len(boxes)
    assert boxes[:, :2].min() >= 0.0
    assert (boxes[:, 2:] <= np.array(room) + 1e-9).all()
    assert parted(boxes, kerf)


@functools.cache
def most(w, h, a, b):
    """Most pieces a × b that edge-to-edge cuts give of w × h, whole numbers: every cut is tried."""
    if not ((w >= a and h >= b) or (w >= b and h >= a)):
        return 0
    best = 1
    sums = {i * a + j * b for i in range(w // a + 1) for j in range(w // b + 1)}
    best = max([best, *(most(x, h, a, b) + most(w - x, h, a, b) for x in sums if 0 < x < w)])
    sums = {i * a + j * b for i in range(h // a + 1) for j in range(h // b + 1)}
    return max([best, *(most(w, y, a, b) + most(w, h - y, a, b) for y in sums if 0 < y < h)])


def test_cutting_plans_against_all_that_there_are():
    """Dynamic programming over every guillotine cut (after Gilmore and Gomory, 1965).

    Squares: none gives more. Oblongs: a plan of one first cut has no less than a grid either way.
    """
    total = np.zeros(2)
    for w, h, a, b in itertools.product((24, 31), (17, 20), (3, 5, 7), (4, 5, 9)):
        got, there_is = lay_out((w, h), (a, b))[0], most(w, h, a, b)
        assert got <= there_is
        assert got >= max((w // a) * (h // b), (w // b) * (h // a))
        if a == b:
            assert got == there_is
        total += got, there_is
    assert total[0] > 0.97 * total[1]


def test_courtyard_by_hand():
    """54 squares of 100 mm and 5 % to spare: 57. Of 980 × 580 mm: 9 × 5 = 45. So two sheets.

    2 × 0.6 m² at 350, 54 × 8, 900; 57 × 3 + 54 × (4 + 4 + 1) min + 8 h at 60.
    """
    m = materials("courtyard")
    assert (m.n_mirrors, m.n_spare) == (54, 3)
    assert (m.cut.n_sheets, m.cut.room, m.cut.n_last) == (2, 45, 12)
    assert m.cut.waste == pytest.approx(1.0 - 57 * 0.01 / 1.2)
    np.testing.assert_allclose(m.cut.corner.min(0), 0.01)
    hours = (57 * 3 + 54 * 9) / 60 + 8
    assert m.work.total == pytest.approx(3600.0 * hours)
    bill = m.bill
    assert (bill.mirrors, bill.facets, bill.fixed) == pytest.approx((420.0, 432.0, 900.0))
    assert bill.total == pytest.approx(1752.0 + 60.0 * hours)
    assert m.glue == pytest.approx(0.27)
    # nine pitches less one and a facet, lying almost flat, and twice the margin
    assert m.board[0] == pytest.approx(8 * 0.108 + 0.1 + 0.06, abs=0.02)
    np.testing.assert_allclose(m.post, [[0.012, 0.012, 0.618]] * 3)


def test_what_has_no_price_costs_nothing_that_is_stated():
    bill = materials("terrace").bill
    assert (bill.mirrors, bill.facets, bill.fixed, bill.work, bill.total) == (None,) * 5
    some = materials("terrace", "cost.facet=2").bill
    assert (some.mirrors, some.facets, some.total) == (None, 216.0, 216.0)


def test_round_mirrors_are_cut_from_squares_or_bought_round():
    ring = materials("rim-ring")
    assert ring.cut is None
    assert ring.work.cutting == 0.0
    cut = materials("rim-ring", 'workshop.mirrors="cut"', "workshop.stock.rim=5 mm")
    np.testing.assert_allclose(cut.cut.piece, 0.13)
    assert cut.cut.room == 7 * 4
    assert cut.n_mirrors == 53, "one has fallen off"
    area = 53 * np.pi * 0.06**2
    assert cut.cut.waste == pytest.approx(1.0 - area / (2 * 0.6))


def test_a_mirror_larger_than_a_sheet_is_cut_from_none():
    cut = materials("courtyard", "workshop.stock.height=110 mm").cut
    assert (cut.n_sheets, cut.n_last, cut.room) == (0, 0, 0)


def test_stock_wants_its_units():
    with pytest.raises(ScenarioError, match="mass per time"):
        materials("courtyard", "workshop.printer.rate=20 g")


# --- in words and on paper -----------------------------------------------------------------------


@functools.cache
def row_of_nine(*overrides):
    return make_sheet(load_scenario(SCENARIOS / "courtyard.toml", ["facets.rows=1", *overrides]))


def test_the_first_line_says_what_it_takes():
    """9 and 1 to spare: 10 × 3 + 9 × 9 min + 8 h = 9.85 h; a sheet, 0.6 × 350 + 72 + 900 + 591."""
    sheet = row_of_nine()
    assert answer_words(sheet, MM) == (
        "9 mirrors of 100 mm from 1 sheet of 1000 × 600 mm; about 9.8 h of work."
    )
    assert answer_words(sheet, IN).startswith("9 mirrors of 3 15/16 in from 1 sheet of 39 3/8 ×")
    said = cost_words(sheet).replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert said == "About 1 770 MXN, work included."
    assert spare_words(sheet) == ""
    small = row_of_nine("workshop.stock.height=130 mm")
    assert spare_words(small) == (
        "The last sheet is bought for spare mirrors alone: one fewer leaves 0 to spare, not 1."
    )
    assert "larger than 1000 × 110 mm" in answer_words(
        row_of_nine("workshop.stock.height=110 mm"), MM
    )


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_marks_of_a_cutting_plan_are_those_of_its_cuts(paper):
    """Trim 10, pieces of 100 and cuts of 3 mm: right edges at 110, 213, … 937."""
    sheet = row_of_nine("workshop.stock.kerf=3 mm", 'workshop.spare="0 %"')
    text = PdfReader(io.BytesIO(lists_pdf(sheet, MM, paper=paper))).pages[1].extract_text()
    figures = [line for line in text.splitlines() if line.isdigit()]
    edges = [10 + 100 * k + 3 * (k - 1) for k in range(1, 10)]
    # each piece's number, and the marks along either side
    assert sorted(map(int, figures)) == sorted([*range(1, 10), 10, *edges, 10, 110])
    assert "takes 3.0 mm beyond its mark" in " ".join(text.split())


# --- wedges on plates ----------------------------------------------------------------------------


def one_wedge(n, middle, size=0.05):
    n = np.array([n]) / np.linalg.norm(n)
    x, y = 0.5 * size * np.array([[-1.0, 1.0, 1.0, -1.0], [-1.0, -1.0, 1.0, 1.0]])
    height = middle - (n[:, :1] * x + n[:, 1:2] * y) / n[:, 2:]
    return Wedges(np.zeros(1, int), ("A1",), np.zeros((1, 2)), size, 3e-3, n, height)


@pytest.mark.parametrize(
    ("n", "middle"),
    [
        ((0.0, 0.0, 1.0), 0.03),  # level: a box
        ((0.1, 0.3, 1.0), 0.04),  # a hollow under all of the top
        ((0.2, 0.5, 1.0), 0.018),  # one that runs out between bottom and top
    ],
)
def test_plastic_is_the_block_less_its_hollow(n, middle):
    """The hollow as an intersection of half-spaces, its volume by scipy's hull (Qhull)."""
    wedge, wall, infill = one_wedge(n, middle), 1.2e-3, 0.15
    half = 0.025 - wall
    top = wedge.n[0]
    planes = [[1, 0, 0, -half], [-1, 0, 0, -half], [0, 1, 0, -half], [0, -1, 0, -half],
              [0, 0, -1, wall], [*top, -(top[2] * middle - wall)]]  # fmt: skip
    inside = np.array([-0.8 * half * np.sign(n[0]), -0.8 * half * np.sign(n[1]), wall + 1e-3])
    hull = ConvexHull(HalfspaceIntersection(np.array(planes, float), inside).intersections)
    by_hand = 0.05**2 * middle - (1.0 - infill) * hull.volume
    assert plastic_of(wedge, wall, infill)[0] == pytest.approx(by_hand, rel=1e-3)
    assert plastic_of(wedge, 0.03, infill)[0] == pytest.approx(0.05**2 * middle), "all wall"


def test_plates_hold_wedges_without_overlap():
    """Courtyard: 50 mm feet and their letters, on 220 mm: (220 + 5) / 55.8 = 4 by 4, 54 on 4."""
    scenario = load_scenario(SCENARIOS / "courtyard.toml")
    wedges = make_wedges(build_cooker(scenario))
    plates = lay_plates(wedges, scenario.workshop.printer)
    assert plates.count == 4
    assert np.bincount(plates.plate).tolist() == [16, 16, 16, 6]
    low = plates.place - 0.5 * wedges.size
    high = plates.place + 0.5 * wedges.size + [RAISED, 0.0]
    assert low.min() >= -0.11
    assert high.max() <= 0.11
    for a, b in itertools.combinations(np.flatnonzero(plates.plate == 0), 2):
        apart = np.maximum(low[a] - high[b], low[b] - high[a]).max()
        assert apart >= GAP - 1e-9 - RAISED
    # 1270 kg/m³ at 20 g an hour
    np.testing.assert_allclose(plates.mass, 1270.0 * plastic_of(wedges, 1.2e-3, 0.15))
    np.testing.assert_allclose(plates.time / 3600.0, plates.mass / 0.02)


def test_a_wedge_too_large_for_the_printer_is_told():
    scenario = load_scenario(SCENARIOS / "courtyard.toml", ["workshop.printer.height=50 mm"])
    with pytest.raises(GeometryError, match=r"workshop\.printer"):
        lay_plates(make_wedges(build_cooker(scenario)), scenario.workshop.printer)
