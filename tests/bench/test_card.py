"""Target card and its rings, the laser slide; and that no text of the sheet lies over another."""

from __future__ import annotations

import io
import itertools
from pathlib import Path

import numpy as np
import pytest
from made_sheets import made_sheet

from raytrace.reports.bench.sheet_card import card_pdf
from raytrace.reports.bench.sheet_slide import proof_rows, slide_reach
from raytrace.reports.bench.sheet_template import template_pdf
from raytrace.reports.common.lengths import RULES
from raytrace.reports.common.paper import PLAIN, canvas_class, new_canvas, text_width
from raytrace.scenario.loading import load_scenario
from raytrace.studies.bench.sheet import SheetPlan, make_wedges
from raytrace.studies.bench.sheet import sheet as make_sheet
from raytrace.studies.bench.target_rings import KEEP, group_rings

SCENARIOS = Path(__file__).parents[2] / "scenarios"


# --- no text over another ------------------------------------------------------------------------


@pytest.fixture
def written(monkeypatch):
    """Boxes of the texts that canvases write, with page and text, in points of the page.

    What is clipped counts as far as it is seen.
    """
    boxes, clips = [], [None]
    kind = canvas_class()

    def write(canvas, x, y, text, share):
        font, size = canvas._fontname, canvas._fontsize
        left = x - share * text_width(text, font, size)
        ends = left, left + text_width(text, font, size)
        # heights of figures and of descenders in DejaVu Sans, in sizes: from its font metrics
        heights = y - 0.24 * size, y + 0.73 * size
        corners = [canvas.absolutePosition(a, b) for a in ends for b in heights]
        low, high = np.min(corners, 0), np.max(corners, 0)
        if clips[-1] is not None:
            low, high = np.maximum(low, clips[-1][0]), np.minimum(high, clips[-1][1])
        if (high > low).all():
            boxes.append((canvas.getPageNumber(), text, *low, *high))

    def watch(name, before):
        old = getattr(kind, name)

        def watched(canvas, *args, **named):
            before(canvas, *args)
            return old(canvas, *args, **named)

        monkeypatch.setattr(kind, name, watched)

    watch("drawString", lambda canvas, x, y, text: write(canvas, x, y, text, 0.0))
    watch("drawCentredString", lambda canvas, x, y, text: write(canvas, x, y, text, 0.5))
    watch("drawRightString", lambda canvas, x, y, text: write(canvas, x, y, text, 1.0))
    watch("saveState", lambda canvas: clips.append(clips[-1]))
    watch("restoreState", lambda canvas: clips.pop())

    def clip(canvas, path):
        # one rectangle: x y width height re
        x, y, w, h = (float(number) for number in path.getCode().split(" re")[0].split()[-4:])
        clips[-1] = canvas.absolutePosition(x, y), canvas.absolutePosition(x + w, y + h)

    watch("clipPath", clip)
    return boxes


def overprinted(written):
    """Pairs of texts of one page that lie over each other."""
    found = []
    for _, page in itertools.groupby(written, key=lambda w: w[0]):
        words = list(page)
        box = np.array([w[2:] for w in words])
        wide = np.minimum(box[:, None, 2], box[:, 2]) - np.maximum(box[:, None, 0], box[:, 0])
        high = np.minimum(box[:, None, 3], box[:, 3]) - np.maximum(box[:, None, 1], box[:, 1])
        for a, b in np.argwhere(np.triu((wide > 0.0) & (high > 0.0), 1)):
            found.append((words[a][0], words[a][1], words[b][1]))
    return found


@pytest.mark.parametrize(
    ("name", "paper", "units"), [("courtyard", "a4", "in"), ("rim-ring", "letter", "mm")]
)
def test_no_text_lies_over_another(name, paper, units, written):
    """A card whose marks are one, and one of a mark a facet; wedges under square and round."""
    read, sheet = made_sheet(name)
    card_pdf(read, sheet, RULES[units], paper=paper)
    assert len(written) > 10
    assert not overprinted(written)
    written.clear()
    wedges = make_wedges(sheet.cooker, glass=read.mirror.thickness)
    template_pdf(read, sheet, RULES[units], paper=paper, wedges=wedges)
    assert len(written) > 100
    assert not overprinted(written)


def test_the_check_can_fail(written):
    """A word on a word is found, one beside a word is not."""
    canvas = new_canvas(io.BytesIO(), "")
    canvas.setFont(PLAIN, 10.0)
    canvas.drawString(100.0, 100.0, "here")
    canvas.drawString(130.0, 100.0, "beside")
    assert not overprinted(written)
    canvas.rotate(90.0)
    canvas.drawString(95.0, -110.0, "across")
    assert [pair[1:] for pair in overprinted(written)] == [("here", "across")]


# --- rings ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_who_lies_in_the_ring_lies_within_the_limit(seed):
    """By the triangle's inequality, for marks and limits drawn at will."""
    draw = np.random.default_rng(seed)
    mark = draw.choice([0.0, 0.05], (60, 2)) + draw.normal(0.0, 2e-3, (60, 2))
    limit = draw.uniform(0.02, 0.2, 60)
    limit[:3] = np.nan
    at, place, ring, radius = group_rings(mark, limit)
    assert (ring[:3] == -1).all()
    assert (ring[3:] >= 0).all()
    assert len(radius) <= 3
    assert (np.diff(radius) > 0.0).all()
    turn = draw.uniform(0.0, 2.0 * np.pi, 60)
    spot = place[at] + radius[ring][:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    assert (np.hypot(*(spot - mark).T) <= limit + 1e-9)[3:].all()


def test_rings_keep_their_share_in_other_builds():
    """Rings of one seed's builds, in builds that they are not from: no less than is promised."""
    rings = made_sheet("terrace")[1].rings
    assert KEEP <= rings.kept < 1.0
    assert rings.tenth < rings.kept


# --- the slide -----------------------------------------------------------------------------------


def test_misread_lengths_turn_the_beam():
    """Drop over run, and either read wrong by a little: arc tangents, no derivative."""
    alpha, off = np.radians(37.0), 1e-5
    for drop, run, slope, of_run, of_drop in proof_rows(alpha, (0.5, 1.5), off):
        assert np.arctan2(drop, run) == pytest.approx(alpha, abs=1e-12)
        assert np.hypot(drop, run) == pytest.approx(slope, abs=1e-12)
        assert np.arctan2(drop, run - off) - alpha == pytest.approx(of_run, rel=1e-4)
        assert np.arctan2(drop + off, run) - alpha == pytest.approx(of_drop, rel=1e-4)


def test_a_slide_as_long_lights_the_outermost_facets():
    """Courtyard: nine columns of 108 mm; a beam from either end comes down on a facet's middle."""
    sheet = make_sheet(load_scenario(SCENARIOS / "courtyard.toml"), SheetPlan(rings=False))
    across, near, far = slide_reach(sheet, np.radians(42.0), 1.5)
    # mounts stand 8 x 108 mm apart; outer facets lean inward by some of 20 mm each
    assert 8 * 0.108 - 0.04 < across < 8 * 0.108
    c = sheet.cooker.facets.c
    for along in (near, far):
        laser = np.stack([c[:, 0], np.full(len(c), along), np.full(len(c), 1.5)], axis=1)
        slope = np.degrees(np.arctan2(laser[:, 2] - c[:, 2], laser[:, 1] - c[:, 1]))
        assert np.abs(slope - 42.0).min() < 1e-9
