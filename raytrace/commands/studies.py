"""What the commands of the builder's bench share: progress, tables as files, pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["progress_bar", "read_text", "write_table"]

OURS = "# cooker-raytrace "


@contextmanager
def progress_bar(console: Console, words: str) -> Iterator[Callable[[float], None]]:
    """Bar with the time left; yields what tells it the share that is done."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(words), BarColumn(), TextColumn("left"), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(words, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def read_text(path: Path) -> str:
    """Text of a table that the user names; if it can't be read, say why."""
    from raytrace import texts
    from raytrace.exceptions import Problem, ScenarioError
    from raytrace.scenario.values import LARGEST_TABLE

    try:
        return texts.read_text(path, LARGEST_TABLE)
    except FileNotFoundError:
        words = f"no such file in {path.parent.resolve().name}."
    except IsADirectoryError:
        words = "is a folder. Name a CSV file."
    except OSError as error:
        words = f"can't be read: {error.strerror}."
    except ValueError as error:
        words = str(error)
    raise ScenarioError(str(path), [Problem("file", words)])


def write_table(path: Path, text: str) -> tuple[Path, int]:
    """Write a table, over one of our own but never over a file that is something else."""
    from raytrace.files import refuse_strangers, write_whole

    refuse_strangers(path, OURS.encode())
    return path, write_whole(path, text)
