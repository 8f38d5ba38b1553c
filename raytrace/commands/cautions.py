"""`cooker cautions`: what to take care of."""

from __future__ import annotations

from raytrace.commands import common

__all__ = ["cautions"]


def cautions() -> None:
    """Say what to take care of when building and using a cooker."""
    from rich.padding import Padding
    from rich.text import Text

    from raytrace.reports.common.cautions import CAUTIONS

    results, _ = common.consoles(quiet=False)
    for name, text in CAUTIONS:
        results.print(Text(name, style="bold"))
        results.print(Padding(Text(text), (0, 0, 1, 2)))
