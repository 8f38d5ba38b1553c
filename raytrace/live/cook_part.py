"""Cook: one pot through one day."""

from __future__ import annotations

from nicegui import ui

from raytrace.live.bench import Bench

__all__ = ["cook_part"]


def cook_part(bench: Bench) -> None:
    """Fill the tab.

    Parameters
    ----------
    bench : Bench
    """
    ui.label("Say what you cook and when, and see when it is done.")
