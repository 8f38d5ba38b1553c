"""The guard over figures sees what it is for, and passes what can be read."""

from __future__ import annotations

import pytest
from matplotlib.figure import Figure
from pictures import flaws


@pytest.fixture
def axes():
    figure = Figure(figsize=(6.5, 3.0))
    axes = figure.add_axes((0.12, 0.2, 0.8, 0.6))
    axes.plot([0.0, 1.0], [0.0, 1.0], label="a line")
    axes.set_xlabel("time [h]")
    return axes


def test_a_figure_that_can_be_read_has_no_flaws(axes):
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0))
    axes.text(0.5, 0.9, "turned", rotation=45.0)
    axes.text(0.6, 0.7, "beside it", rotation=45.0)
    assert flaws(axes.figure) == []


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda axes: axes.text(0.5, -0.3, "on the label"), "text on text: 'time [h]', 'on the"),
        (lambda axes: axes.text(0.48, -0.6, "upright on the label", rotation=90.0),
         "text on text: 'time [h]', 'upright"),
        (lambda axes: axes.text(0.95, 0.5, "beyond the edge"), "over the edge: 'beyond"),
        (lambda axes: axes.text(0.5, 0.2, "tiny", size=5.0), "5.0 points small"),
        (lambda axes: axes.legend(loc="center"), "legend over data: 'a line' over line a line"),
        (lambda axes: axes.scatter([0.1], [0.9], label="dots") and axes.legend(loc="upper left"),
         "over PathCollection"),
        (lambda axes: axes.bar([0.0], [1.0], label="bar") and axes.legend(loc="upper left"),
         "over patch"),
    ],
)  # fmt: skip
def test_each_flaw_is_seen(axes, spoil, said):
    spoil(axes)
    assert any(said in flaw for flaw in flaws(axes.figure)), flaws(axes.figure)
