"""A result on one HTML page that needs no network, no script and no other file."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from rich.text import Text

from raytrace.reports.common import tables
from raytrace.reports.common.cautions import CAUTIONS, on_page
from raytrace.reports.common.style import picture
from raytrace.reports.onepage.parts import html_of
from raytrace.texts import visible

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure
    from rich.console import RenderableType

    from raytrace.store.results import Stored

__all__ = ["FIRST", "Shown", "alternative_text", "page", "shown_of", "split"]

FIRST = "<!DOCTYPE html>\n<!-- a page by cooker-raytrace -->\n"  # what no other file begins with
COLOURS = 256  # of a picture: a third of the bytes of all colours, and the eye sees no difference
FEW = 8  # names along an axis that are told one by one


class Shown(NamedTuple):
    """A figure on the page.

    Attributes
    ----------
    name, words : str
        What it is called, and what is seen on it.
    source : str
        The picture, as a data address.
    wide : bool
        Whether it is broader than high, and so scrolls on a narrow screen.
    """

    name: str
    words: str
    source: str
    wide: bool


def page(
    made: Stored,
    parts: Iterable[RenderableType],
    figures: Mapping[str, Figure],
    *,
    caution: str,
    answer: str,
    turnable: str = "",
) -> str:
    """Write the page of a result.

    Parameters
    ----------
    made : Stored
        What its file says of itself.
    parts : iterable of renderable
        Of its report, as a terminal prints them, the title first; those behind
        `raytrace.reports.common.tables.DETAILS` are folded up.
    figures : mapping of str to Figure
        By name.
    caution : str
        For whoever acts on it.
    answer : str
        In a sentence, for those who don't see the figures.
    turnable : str
        A page within the page that scripts make turn; by default none, and no script may run.

    Returns
    -------
    str
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    title, *others = parts
    words, first, behind = split(others)
    templates = Environment(
        loader=PackageLoader("raytrace.reports.onepage", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    text = templates.get_template("page.html").render(
        made=made,
        title=visible(str(title)),
        words=words,
        first=first,
        behind=behind,
        figures=[shown_of(name, figure, answer) for name, figure in figures.items()],
        turnable=turnable,
        caution=on_page(caution),
        cautions=CAUTIONS,
        plan=_plan(made.fingerprint.get("plan")),
        scenarios=[(s, visible(s.text)) for s in made.scenarios],
    )
    return FIRST + text


def split(
    parts: Iterable[RenderableType],
) -> tuple[list[Markup], list[Markup], list[Markup]]:
    """Parts of a report as HTML.

    Parameters
    ----------
    parts : iterable of renderable
        Without the title.

    Returns
    -------
    words, first, behind : list of Markup
        The first words, what else stands first, and what is shown on request.
    """
    words: list[Markup] = []
    first: list[Markup] = []
    behind: list[Markup] = []
    now = words
    for number, part in enumerate(parts, start=1):
        if part is tables.DETAILS:
            now = behind
            continue
        if now is words and not isinstance(part, Text):
            now = first
        now.append(html_of(part, number))
    return words, first, behind


def _plan(plan: Any) -> list[tuple[str, str]]:
    """How much was computed, as the file has it."""
    if not isinstance(plan, Mapping):
        return []
    return [(str(key).replace("_", " "), str(value)) for key, value in plan.items()]


def shown_of(name: str, figure: Figure, answer: str) -> Shown:
    """A figure as a page has it.

    Parameters
    ----------
    name : str
    figure : Figure
    answer : str
        Of the study, for those who don't see it.

    Returns
    -------
    Shown
    """
    from PIL import Image

    few = io.BytesIO()
    with Image.open(io.BytesIO(picture(figure, "png"))) as drawn:
        drawn.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(few, "PNG")
    source = f"data:image/png;base64,{base64.b64encode(few.getbuffer()).decode()}"
    width, height = figure.get_size_inches()
    words = " ".join(filter(None, (alternative_text(figure), answer)))
    return Shown(name.replace("-", " "), words, source, bool(width > 1.2 * height))


def alternative_text(figure: Figure) -> str:
    """What is seen on a figure, in the words that stand on it.

    Parameters
    ----------
    figure : Figure

    Returns
    -------
    str
        Its label, if it has one; else its line of words, and each panel's title, axes and legend.
    """
    if label := str(figure.get_label()):
        return label
    words = [text.get_text().replace("  ", ", ") for text in figure.texts[1:2]]  # below the title
    for axes in figure.axes:
        title = axes.get_title() or axes.get_title("left")
        across, up = _axis_words(axes.xaxis), _axis_words(axes.yaxis)
        if hasattr(axes, "_colorbar"):
            shown = ", ".join(filter(None, (title, up)))
            words.append(f"colours: {shown}" if shown else "")
            continue
        against = f"{up} against {across}" if up and across else up or across
        legend = axes.get_legend()
        names = [] if legend is None else [t.get_text() for t in legend.get_texts()]
        lines = ", ".join(names)
        words.append(": ".join(filter(None, (title, "; ".join(filter(None, (against, lines)))))))
    said = (" ".join(w.split()).rstrip(".") for w in dict.fromkeys(words) if w.strip())
    return ". ".join(said) + "."


def _axis_words(axis: Axis) -> str:
    """What an axis is called; else what is named along it."""
    if label := str(axis.get_label_text()):
        return label
    shown = (tick.get_text() for tick in axis.get_ticklabels() if tick.get_visible())
    names = [name for name in shown if any(letter.isalpha() for letter in name)]
    return ", ".join(names) if len(names) <= FEW else f"{names[0]} to {names[-1]}"
