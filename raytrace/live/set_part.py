"""Set: the array, facet by facet, as its glue sets."""

from __future__ import annotations

from nicegui import ui

from raytrace.live.bench import Bench

__all__ = ["set_part"]


def set_part(bench: Bench) -> None:
    """Fill the tab.

    Parameters
    ----------
    bench : Bench
    """
    ui.label("Set one facet after the other, and see which way each must turn.")
