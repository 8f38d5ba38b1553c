"""Small pieces that the page's parts are made of."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from markupsafe import escape
from nicegui import ui

__all__ = ["WRONG", "folded"]

WRONG = "Something went wrong; the terminal says what."  # of what should never be


@contextmanager
def folded(words: str) -> Iterator[None]:
    """Element that shows what is inside once its words are chosen, by mouse, finger or key.

    Parameters
    ----------
    words : str
    """
    with ui.element("details"):
        ui.html(str(escape(words)), sanitize=False, tag="summary")
        yield
