"""What all figures share: colours, type sizes, titles, the arrow to the sun, files.

Figures are made without pyplot, which keeps a global state and is slow to load.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from raytrace.files import write_whole
from raytrace.reports.common.numbers import clock, spaced
from raytrace.texts import one_line, visible

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colorbar import Colorbar
    from matplotlib.figure import Figure

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.trace.run import Moment, Run

__all__ = [
    "AMBER",
    "BLUE",
    "GREEN",
    "GREY",
    "INK",
    "LETTER",
    "LIGHT",
    "LINE_LOOKS",
    "MAP",
    "MM",
    "ORANGE",
    "SILVER",
    "SKY",
    "SMALL",
    "SUNLIGHT",
    "TEXT",
    "VIOLET",
    "WIDTH",
    "YELLOW",
    "axis_labels",
    "colour_range",
    "colour_scale",
    "grid_behind",
    "head_and_foot",
    "headed_figure",
    "heading",
    "ink_on",
    "legend_above",
    "picture",
    "save",
    "save_figures",
    "subtitle",
    "sun_arrow",
]

MM = 1e3
TEXT, SMALL, TITLE = 9.0, 7.5, 12.0
WORDS = SMALL + 0.5  # below a title
LINE = 1.2  # from line to line, over the type size
HEAD = 0.22  # white above a title [in]
LETTER = 0.6  # mean width of a letter over the type size
WIDER = 0.91  # of a width to plan for: type is up to a tenth wider at other resolutions
INK, GREY, LIGHT = "#1a1a1a", "#6b6b6b", "#d9d9d9"
MAP = "inferno"  # even steps of lightness, so it stays readable in grey

NEAR_ZERO = 0.25  # of the highest value: a scale of colours from less than this starts at zero

# a page of this width shows its small type 6 px high on a telephone of 390 px
WIDTH = 6.5  # [in]

# Okabe and Ito's colours for categories, which the colour-blind can tell apart
BLUE, ORANGE, GREEN, VIOLET = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
AMBER, SKY, YELLOW, SILVER = "#E69F00", "#56B4E9", "#F0E442", "#999999"

SUNLIGHT = "#b9b9b9"  # on its way to the mirrors

# each line also has a hatch and a dash pattern of its own for print in grey
LINE_LOOKS: dict[str, tuple[str, str, Any]] = {
    "cosine": (SILVER, "", (0, (1, 1))),
    "shaded": (BLUE, "////", (0, (4, 1.5))),
    "mirror": (VIOLET, "....", (0, (1, 2))),
    "rim": ("#D9D9EF", "++++", (0, (1, 3))),
    "blocked": (ORANGE, "\\\\\\\\", (0, (6, 1.5, 1, 1.5))),
    "missed": (SKY, "xxxx", (0, (2, 1.5))),
    "side": (GREEN, "||||", (0, (8, 2))),
    "lid": (YELLOW, "----", (0, (3, 1, 1, 1, 1, 1))),
    "base": (AMBER, "", "solid"),
}


def headed_figure(
    width: float, height: float, scenario: Scenario, words: str, stated: Sequence[str]
) -> Figure:
    """Empty figure with the scenario's title, a line below it and what it was made from.

    Parameters
    ----------
    width, height : float
        Inches.
    scenario : Scenario
    words : str
        What the figure shows.
    stated : sequence of str
        Samples, seed and the like, for the bottom line.

    Returns
    -------
    Figure
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), facecolor="white")
    left, top = 0.35 / width, 1.0 - HEAD / height
    lines = _heading(scenario, words, stated, width)
    title, words, origin = ("\n".join(block) for block in lines)
    line = LINE * len(lines[0]) * TITLE / (72.0 * height)
    figure.text(left, top, title, size=TITLE, weight="bold", color=INK, va="top")
    figure.text(left, top - line - 0.04 / height, words, size=WORDS, color=GREY, va="top")
    figure.text(left, 0.08 / height, origin, size=SMALL, color=GREY, va="bottom")
    return figure


def head_and_foot(
    scenario: Scenario, words: str, stated: Sequence[str], width: float = WIDTH
) -> tuple[float, float]:
    """Room that a figure's heading takes, and its foot.

    Parameters
    ----------
    scenario, words, stated, width
        As in `headed_figure`.

    Returns
    -------
    float, float
        [in]
    """
    title, below, origin = map(len, _heading(scenario, words, stated, width))
    head = HEAD + LINE * (title * TITLE + below * WORDS) / 72.0 + 0.1
    return head, 0.16 + LINE * origin * SMALL / 72.0


def _heading(
    scenario: Scenario, words: str, stated: Sequence[str], width: float
) -> tuple[list[str], list[str], list[str]]:
    """Lines of a figure's title, of the words below it, and of its foot."""
    from raytrace.version import __version__

    origin = [f"cooker-raytrace {__version__}", scenario.source, scenario.site.name, *stated]
    room = 72.0 * (width - 0.5)
    return (
        _wrapped(one_line(scenario.title).split(" "), " ", room, TITLE, "bold"),
        _wrapped(words.split(" "), " ", room, WORDS),
        _wrapped(origin, " · ", room, SMALL),
    )


def _wrapped(
    parts: Sequence[str], between: str, room: float, size: float, weight: str = "normal"
) -> list[str]:
    """Parts in as many lines as a width in points asks for."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    type_ = FontProperties(size=size, weight=weight)
    lines = list(parts[:1])
    for part in parts[1:]:
        longer = visible(lines[-1] + between + part)
        if text_to_path.get_text_width_height_descent(longer, type_, False)[0] <= room:
            lines[-1] += between + part
        else:
            lines.append(part)
    return [line.strip() for line in lines if line.strip()]


def heading(run: Run, moment: Moment | None) -> tuple[Scenario, str, list[str]]:
    """What stands at the head and foot of a run's figures: as `headed_figure` takes it.

    Parameters
    ----------
    run : Run
    moment : Moment or None
        None for the whole run.

    Returns
    -------
    Scenario, str, list of str
    """
    if moment is not None:
        tally = moment.tally
        stated = [
            f"{spaced(tally.n_samples)} {tally.estimator}",
            f"{tally.n_replicates} replicates",
        ]
    elif run.moments:
        tally = run.moments[0].tally
        stated = [f"{spaced(tally.n_samples)} {tally.estimator} a step"]
    else:
        stated = []
    stated += [f"seed {run.plan.seed}", f"build {run.plan.build}"]
    return run.scenario, subtitle(run, moment), stated


def subtitle(run: Run, moment: Moment | None) -> str:
    """When, how high the sun, how strong.

    Parameters
    ----------
    run, moment
        As in `heading`.

    Returns
    -------
    str
    """
    if moment is None:
        first = run.moments[0].time if run.moments else None
        return "" if first is None else f"{first:%A, %d %B %Y}, clock of {first.tz}"
    when = "at the design sun" if moment.time is None else clock(moment.time)
    if moment.time is not None and run.kind == "design":
        when = f"at the design sun ({when})"
    return (
        f"{when}   sun {np.degrees(moment.sun_altitude):.1f}° high   DNI {moment.dni:.0f} W/m²   "
        f"delivered {float(moment.tally.delivered):.4g} W"
    )


def axis_labels(axes: Axes, x: str, y: str) -> None:
    """Labels and tick sizes alike on all figures.

    Parameters
    ----------
    axes : Axes
    x, y : str
        What is along them, with units.
    """
    axes.set_xlabel(x, size=TEXT, color=INK)
    axes.set_ylabel(y, size=TEXT, color=INK)
    axes.tick_params(labelsize=SMALL, color=GREY, labelcolor=INK)
    for spine in axes.spines.values():
        spine.set_color(GREY)
        spine.set_linewidth(0.7)


def grid_behind(axes: Axes, axis: Literal["both", "x", "y"] = "both") -> None:
    """Light grid behind what is drawn.

    Parameters
    ----------
    axes : Axes
    axis : str
        Whose ticks it goes by.
    """
    axes.grid(axis=axis, color=LIGHT, lw=0.6)
    axes.set_axisbelow(True)


def legend_above(axes: Axes, handles: Sequence[Any] | None = None, **looks: Any) -> None:
    """Legend above the axes, where it hides no data, in as few rows as fit the figure.

    Parameters
    ----------
    axes : Axes
    handles : sequence of artists, optional
        Of what has a label in the axes by default.
    **looks
        Of matplotlib's legends, instead of the usual.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = axes.get_figure(root=True)
    assert figure is not None
    shown = axes.get_legend_handles_labels()[0] if handles is None else list(handles)
    if not shown:
        return
    # above a title too
    over = LINE * TEXT / 72.0 * bool(axes.get_title(loc="left"))
    over /= axes.get_position().height * figure.get_figheight()
    usual = {"borderpad": 0.2, "handlelength": 2.6, "columnspacing": 1.4, "handletextpad": 0.6}
    FigureCanvasAgg(figure)
    for columns in range(len(shown), 0, -1):
        legend = axes.legend(
            handles=shown,
            fontsize=SMALL,
            frameon=False,
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0 + 1.6 * over),
            borderaxespad=0.2,
            ncols=columns,
            **usual | looks,
        )
        if legend.get_window_extent().x1 <= WIDER * figure.bbox.width:
            return


def colour_scale(image: Any, bar: Axes, words: str = "") -> Colorbar:
    """Scale of a map's colours, its type and edges like those of other axes.

    Parameters
    ----------
    image : ScalarMappable
    bar : Axes
        To draw the scale into.
    words : str
        What the colours mean, with the unit.

    Returns
    -------
    Colorbar
    """
    figure = bar.get_figure(root=True)
    assert figure is not None
    scale = figure.colorbar(image, cax=bar)
    scale.ax.tick_params(labelsize=SMALL, color=GREY, labelcolor=INK)
    scale.set_label(words, size=TEXT, color=INK)
    scale.outline.set_linewidth(0.7)
    return scale


def colour_range(values: Any) -> tuple[float, float]:
    """Range of a scale of colours: from zero, or from the least value where zero is far below.

    Parameters
    ----------
    values : array_like
        What is shown; what isn't finite is left out.

    Returns
    -------
    float, float
    """
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if not len(known) or known.max() <= 0.0:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    return (low if NEAR_ZERO * high < low < high else 0.0), high


def ink_on(rgba: Any) -> str:
    """Black or white, whichever reads better on a colour.

    Parameters
    ----------
    rgba : sequence of float
        The colour: red, green, blue and more, 0 to 1.

    Returns
    -------
    str
    """
    r, g, b = (float(c) for c in rgba[:3])
    return INK if 0.299 * r + 0.587 * g + 0.114 * b > 0.55 else "white"


def sun_arrow(axes: Axes, sun: NDArray[np.float64]) -> None:
    """Arrow toward the sun in the upper right corner, as seen from above, y up.

    Parameters
    ----------
    axes : Axes
    sun : ndarray, shape (3,)
        Unit vector to the sun.
    """
    level = float(np.hypot(sun[0], sun[1]))
    overhead = level < 0.02
    dx, dy = (0.0, 1.0) if overhead else (sun[0] / level, sun[1] / level)
    reach = 13.0  # points from the arrow's middle to its ends
    # the corner's own place in inches, so that both ends can be given in points from it
    figure = axes.get_figure(root=True)
    assert figure is not None
    box = axes.get_position()
    width, height = figure.get_size_inches()
    x, y = 72.0 * box.x1 * width - 18.0, 72.0 * box.y1 * height - 18.0
    if not overhead:
        axes.annotate(
            "",
            xy=(x + reach * dx, y + reach * dy),
            xytext=(x - reach * dx, y - reach * dy),
            xycoords="figure points",
            textcoords="figure points",
            arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.4, "shrinkA": 0, "shrinkB": 0},
            annotation_clip=False,
        )
    axes.annotate(
        "sun overhead" if overhead else "to the sun",
        xy=(x - reach * abs(dx) - 5.0, y),
        xycoords="figure points",
        size=SMALL,
        color=INK,
        ha="right",
        va="center",
        annotation_clip=False,
    )


def save_figures(
    figures: Mapping[str, Figure], folder: Path, stem: str, form: str = "png"
) -> list[tuple[Path, int]]:
    """Write figures, each under its name after the stem.

    Parameters
    ----------
    figures : mapping of str to Figure
    folder : path
    stem : str
    form : str
        "png", "svg" or "pdf".

    Returns
    -------
    list of (Path, int)
        Files and their sizes. [bytes]
    """
    paths = {name: folder / f"{stem}-{name}.{form}" for name in figures}
    return [(paths[name], save(figure, paths[name])) for name, figure in figures.items()]


def save(figure: Figure, path: Path) -> int:
    """Write a figure.

    Parameters
    ----------
    figure : Figure
    path : path
        Its ending, .png, .svg or .pdf, says the form.

    Returns
    -------
    int
        Size of the file. [bytes]
    """
    return write_whole(path, picture(figure, path.suffix.lstrip(".").lower()), option="--figures")


def picture(figure: Figure, form: str) -> memoryview:
    """Draw a figure.

    Parameters
    ----------
    figure : Figure
    form : str
        "png", "svg" or "pdf".

    Returns
    -------
    memoryview
        The same for the same figure.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Text

    FigureCanvasAgg(figure)
    for text in figure.findobj(Text):
        # a dollar sign is a currency, not a formula
        text.set_parse_math(False)
        text.set_text(visible(text.get_text()))
    out = io.BytesIO()
    # no date and no random names inside: the same run gives the same file
    stamp = {"png": {}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[form]
    with rc_context({"svg.hashsalt": "cooker-raytrace"}):
        figure.savefig(out, format=form, dpi=160, metadata=stamp)
    return out.getbuffer()
