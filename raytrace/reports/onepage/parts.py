"""Parts of a report as HTML: what a terminal shows as text and tables, word for word.

All text is escaped here; what comes out is safe to be put into a page as it stands.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape
from rich.console import Console
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from rich.console import RenderableType

__all__ = ["html_of"]

WIDE = 100  # letters on a line of what is neither text nor a table
CODE = re.compile(r"`([^`]+)`")
DOUBT = "! "  # before what may be wrong
KINDS = {"bold": "answer", "dim": "note", "yellow": "doubt"}  # how a line looks, and what it is
CONSOLE = Console(file=io.StringIO(), width=WIDE, color_system=None)


def html_of(part: RenderableType, number: int = 1) -> Markup:
    """A part of a report as HTML.

    Parameters
    ----------
    part : renderable
        Text, a table, or whatever else rich prints.
    number : int
        Of the part on its page, by which a table without words of its own is named.

    Returns
    -------
    Markup

    Examples
    --------
    >>> html_of(Text("<b> by `cooker trace`", style="dim"))
    Markup('<p class="note">&lt;b&gt; by <code>cooker trace</code></p>')
    """
    if isinstance(part, str):
        part = Text.from_markup(part)
    if isinstance(part, Text):
        return _joined("\n", (_paragraph(line, str(part.style)) for line in part.split()))
    if isinstance(part, Table):
        return _table(part, number)
    with CONSOLE.capture() as got:
        CONSOLE.print(part)
    return _tag("pre", got.get(), tabindex="0")


def _tag(name: str, inner: object, **attributes: str) -> Markup:
    """Element with its attributes, of which empty ones are left out; "class_" stands for class."""
    said = (
        Markup(' {}="{}"').format(key.rstrip("_").replace("_", "-"), value)
        for key, value in attributes.items()
        if value
    )
    return Markup("<{0}{1}>{2}</{0}>").format(Markup(name), _joined("", said), inner)


def _joined(between: str, pieces: Iterable[Markup]) -> Markup:
    return Markup(between).join(pieces)


def _paragraph(line: Text, style: str) -> Markup:
    if line.plain.startswith(DOUBT):
        return _tag("p", _inline(line[len(DOUBT) :]), class_="doubt")
    looks = (KINDS[look] for look in style.split() if look in KINDS)
    return _tag("p", _inline(line), class_=next(looks, ""))


def _inline(text: Text) -> Markup:
    """Letters of a line, with what stands out in it."""
    out = Markup("")
    for segment in text.render(CONSOLE):
        words = Markup(CODE.sub(r"<code>\1</code>", str(escape(segment.text))))
        bold = segment.style is not None and segment.style.bold
        out += _tag("strong", words) if bold else words
    return out


def _text(content: Any) -> Text:
    return content if isinstance(content, Text) else Text.from_markup(str(content))


def _cell(content: Any) -> Markup:
    return _joined("<br>", (_inline(line) for line in _text(content).split(allow_blank=True)))


def _table(table: Table, number: int) -> Markup:
    """Table whose first column names its rows, in a box of its own that scrolls if need be."""
    sides = ["number" * (column.justify == "right") for column in table.columns]
    heads = [column.header for column in table.columns] if table.show_header else []
    inner = _tag("caption", _cell(table.title)) if table.title else Markup("")
    if heads:
        cells = (
            _tag("th", _cell(head), scope="col", class_=side)
            if str(head).strip()
            else _tag("td", "")
            for head, side in zip(heads, sides, strict=True)
        )
        inner += _tag("thead", _tag("tr", _joined("", cells)))
    inner += _tag("tbody", _joined("", _rows(table, sides)))
    words = (_text(x).plain for x in (table.title, table.caption, *heads) if x)
    what = " ".join(next((x for x in words if x.strip()), "").split())
    return _tag(
        "div",
        _tag("table", inner, class_="" if heads else "pairs"),
        class_="scrolls",
        tabindex="0",
        role="region",
        aria_label=f"Table {number}{': ' * bool(what)}{what}",
    ) + (_tag("p", _cell(table.caption), class_="note") if table.caption else Markup(""))


def _rows(table: Table, sides: list[str]) -> Iterator[Markup]:
    every = (column.cells for column in table.columns)
    for row, *cells in zip(table.rows, *every, strict=True):
        inner = (
            _tag("th", _cell(cell), scope="row", class_=side)
            if k == 0 and str(cell).strip()
            else _tag("td", _cell(cell), class_=side)
            for k, (cell, side) in enumerate(zip(cells, sides, strict=True))
        )
        looks = [KINDS[look] for look in str(row.style or "").split() if look in KINDS]
        kinds = " ".join([*looks, *["ends"] * row.end_section])
        yield _tag("tr", _joined("", inner), class_=kinds)
