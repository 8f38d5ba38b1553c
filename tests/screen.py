"""What a reader sees of a report."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, RenderableType

__all__ = ["printed"]


def printed(parts: Iterable[RenderableType], width: int = 80) -> str:
    """Parts of a report, details and all, as a terminal of a width shows them."""
    console = Console(width=width, highlight=False, color_system=None)
    with console.capture() as got:
        for part in parts:
            console.print(part)
    return got.get()
