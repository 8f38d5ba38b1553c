"""What a command would take, told before it begins and refused if that is more than there is."""

from __future__ import annotations

import typer

__all__ = ["MOST_MEMORY", "refuse_over"]

MOST_MEMORY = 2e9  # that a study may hold: what a small computer has to spare [bytes]


def refuse_over(takes: float, option: str, instead: str) -> None:
    """Refuse what would hold more than `MOST_MEMORY` bytes.

    Parameters
    ----------
    takes : float
        About so much. [bytes]
    option : str
        Whose value asks for it.
    instead : str
        What to give.
    """
    if takes > MOST_MEMORY:
        size = f"{takes / 1e9:.0f} GB" if takes < 1e13 else f"{takes / 1e12:.0f} TB"
        raise typer.BadParameter(
            f"it would take about {size} of memory, where {MOST_MEMORY / 1e9:.0f} GB are the most. "
            f"Give {instead}.",
            param_hint=option,
        )
