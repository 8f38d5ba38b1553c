"""What a command writes to: terminals, pipes and files of any encoding, width and patience."""

from __future__ import annotations

import codecs
import contextlib
import errno
import os
import sys
import unicodedata
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from raytrace.texts import visible

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["console", "prepare", "say", "written"]

LEAST_WIDTH = 40  # in less a table can't be read; a terminal wraps it
CLOSED_PIPE = 128 + 13  # what a shell reports of a program that a closed pipe ended

# what a stream that can't show a character shows in its place
SUBSTITUTES = {
    "±": "+-", "°": " deg", "×": "x", "÷": "/", "−": "-", "–": "-", "—": "-", "…": "...", "·": "|",
    "²": "^2", "³": "^3", "⁴": "^4", "½": "1/2", "₀": "0", "₂": "2", "√": "sqrt ", "∞": "inf",
    "≤": "<=", "≥": ">=", "≈": "~", "→": "->", "←": "<-", "″": '"', "′": "'",
    "∂": "d", "∝": "~", "∫": "integral ", "‖": "|", "µ": "u", "μ": "u", "Δ": "d",
    "│": "|", "├": "|", "└": "|", "─": "-", "━": "-", "╸": "-", "╺": "-", "•": "*", "“": '"',
    "”": '"', "„": '"', "’": "'", "‘": "'", "\u00a0": " ", "\u202f": " ", "\u2009": " ",
}  # fmt: skip


def prepare() -> None:
    """Make streams and libraries take whatever the surroundings are."""
    for stream in (sys.stdout, sys.stderr):
        # of a stream in a test, or of none at all, nothing is asked
        with contextlib.suppress(AttributeError, ValueError):
            stream.reconfigure(errors="cooker")  # type: ignore[union-attr]
    # figures go to files; what a notebook or a desktop asks for may not even be installed
    os.environ["MPLBACKEND"] = "agg"
    # no kernel uses the compiler's own threads, but with a wrong number it refuses to start
    threads = os.environ.pop("NUMBA_NUM_THREADS", "1")
    if not (threads.isdecimal() and int(threads) > 0):
        say(f"Note: NUMBA_NUM_THREADS={threads} is no number of threads; left aside.", error=True)


def _substitute(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end]
    return "".join(map(_plain, text)), error.end


def _plain(character: str) -> str:
    if character in SUBSTITUTES:
        return SUBSTITUTES[character]
    if "\udc80" <= character <= "\udcff":  # a byte of a name that is no text
        return f"\\x{ord(character) - 0xDC00:02x}"
    name = unicodedata.name(character, "")
    if name.startswith(("GREEK SMALL LETTER", "GREEK CAPITAL LETTER")):
        return name.split()[3].lower()
    bare = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    return bare or "?"


codecs.register_error("cooker", _substitute)


@contextlib.contextmanager
def written() -> Iterator[None]:
    """Say in a sentence where output can't go, and nothing where its reader has left."""
    try:
        try:
            yield
        finally:
            for stream in (sys.stdout, sys.stderr):
                if stream is not None:
                    stream.flush()
    except OSError as error:
        _give_up(error)


def _give_up(error: OSError) -> NoReturn:
    closed = error.errno == errno.EPIPE
    if not closed:
        with contextlib.suppress(OSError, ValueError):
            where = f"{error.filename}: " if error.filename else "The output can't be written: "
            say(f"{where}{(error.strerror or str(error)).lower()}.", error=True)
    for stream in (sys.stdout, sys.stderr):  # or Python complains once more as it ends
        with contextlib.suppress(OSError, ValueError, AttributeError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)
    raise SystemExit(CLOSED_PIPE if closed else 1) from None


def say(text: str, *, error: bool = False) -> None:
    """Print a line of plain text.

    Parameters
    ----------
    text : str
    error : bool
        Whether it goes to the error stream.
    """
    typer.echo(visible(text), err=error)


def console(*, error: bool = False) -> Console:
    """Console on which text is shown and never obeyed, of a width in which it can be read.

    Parameters
    ----------
    error : bool
        Whether it is the error stream's.

    Returns
    -------
    Console
    """
    from rich.console import Console, RenderHook
    from rich.segment import Segment

    class Ours(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError(errno.EPIPE, "closed pipe")

    class Shown:
        """Whatever is printed, with what a terminal would obey spelt out."""

        def __init__(self, inner: Any) -> None:
            self.inner = inner

        def __rich_console__(self, on: Console, options: Any) -> Iterable[Segment]:
            for segment in on.render(self.inner, options):
                yield segment if segment.control else segment._replace(text=visible(segment.text))

    class Showing(RenderHook):
        def process_renderables(self, renderables: list[Any]) -> list[Any]:
            return [Shown(x) for x in renderables]

    made = Ours(stderr=error, highlight=False, markup=False, emoji=False)
    made.push_render_hook(Showing())
    if made.width < LEAST_WIDTH:
        made.width = LEAST_WIDTH if made.width > 0 else 80
    return made
