"""A bar for a share that is done."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["progress_bar"]


@contextmanager
def progress_bar(console: Console, words: str) -> Iterator[Callable[[float], None]]:
    """Bar with the time left; yields what tells it the share that is done."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(words), BarColumn(), TextColumn("left"), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(words, total=1.0)
        yield lambda share: bar.update(task, completed=share)
