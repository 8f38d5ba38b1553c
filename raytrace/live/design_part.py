"""Design: what the cooker's numbers do as its knobs are turned."""

from __future__ import annotations

from nicegui import ui

from raytrace.live.bench import Bench

__all__ = ["design_part"]


def design_part(bench: Bench) -> None:
    """Fill the tab.

    Parameters
    ----------
    bench : Bench
    """
    ui.label("Turn a knob of the design, and see what it does to the watts.")
