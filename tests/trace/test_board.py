"""The picture of board, pot and stand: what it measures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Annotation
from pictures import flaws
from typer.testing import CliRunner

from raytrace import load_scenario
from raytrace.cli import app
from raytrace.reports.trace.board import board_figure
from raytrace.studies.trace.summary import summarise

COURTYARD = Path(__file__).parents[2] / "scenarios" / "courtyard.toml"
CORNER = ("platform.width=1100 mm", "platform.depth=800 mm", "platform.origin=corner")
POT = "pot.place=[600 mm, -250 mm]"


def test_lengths_are_the_scenarios_and_as_long_as_they_say():
    """Every number by hand from the file, every arrow measured in the drawing."""
    above, beside = board_figure(summarise(load_scenario(COURTYARD, [*CORNER, POT]))).axes
    found = {}
    for axes in (above, beside):
        arrows = [a for a in axes.texts if isinstance(a, Annotation) and a.arrow_patch is not None]
        words = [a.get_text() for a in axes.texts if not isinstance(a, Annotation)]
        words = [w for w in words if w != "pot"]
        for arrow, word in zip(arrows, words, strict=True):
            length = float(np.hypot(*np.subtract(arrow.xy, arrow.xyann)))
            assert f"{length:.0f} mm" in word.replace(".0 mm", " mm")
            found.setdefault(word.rpartition(" ")[0].rpartition(" ")[0], []).append(length)
    assert found["board"] == pytest.approx([1100.0, 800.0])
    assert found["pot's centre"] == pytest.approx([600.0, 250.0])
    assert found["pitch"] == pytest.approx([108.0, 108.0])
    assert found["pot"] == pytest.approx([240.0, 150.0])
    assert found["base"] == pytest.approx([600.0])
    assert found["stand"] == pytest.approx([618.0])  # down to the ground under the board
    ticks = [label.get_text() for label in above.get_xticklabels()]
    places = above.get_xticks() + 550.0
    assert [float(t) for t in ticks] == pytest.approx(list(places))
    assert flaws(above.figure) == []


def test_check_draws_when_asked_and_only_then(tmp_path):
    asked = ["check", str(COURTYARD), "--set", "platform.width=900 mm"]
    done = CliRunner().invoke(app, [*asked, "--figures", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert [p.name for p in tmp_path.iterdir()] == ["courtyard-board.png"]
    assert "1 thing may be wrong" in done.output
