"""What commands share: consoles, scenarios from paths, names of results, quantities as options."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from raytrace.commands.streams import console, say

if TYPE_CHECKING:
    from rich.console import Console

    from raytrace.exceptions import StoreError
    from raytrace.scenario.schema import Scenario

__all__ = [
    "FORMATS",
    "Build",
    "Changes",
    "EveryDays",
    "Face",
    "Figures",
    "Json",
    "LastDate",
    "NoFigures",
    "NoFiles",
    "Overwrite",
    "ResultsFile",
    "Seed",
    "Shown",
    "TableFile",
    "Threads",
    "TurnEvery",
    "Wanted",
    "after_the_answer",
    "command_line",
    "consoles",
    "figure_wishes",
    "finite",
    "next_command",
    "open_scenario",
    "print_json",
    "quantity",
    "report_files",
    "written",
]

FORMATS = ("png", "svg", "pdf")
OTHER_FORMATS = ("bmp", "eps", "gif", "jpeg", "jpg", "ps", "tif", "tiff", "webp")

# options that mean the same in every command
DRAWS = 256  # of all that is not known, for what may be expected

Draws = Annotated[
    int,
    typer.Option(
        help="Cookers drawn for what may be expected; 0 for none.",
        min=0,
        max=100_000,
        metavar="N",
        envvar="COOKER_DRAWS",
    ),
]

Seed = Annotated[
    int | None,
    typer.Option(help="Key of all random numbers.", min=0, max=(1 << 53) - 1, metavar="N"),
]
Threads = Annotated[
    int | None, typer.Option(help="Processors to use; changes no result.", min=1, metavar="N")
]
Changes = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        help='Set any key of the scenario first, with its unit: errors.setting="4 mm". '
        "Again for more keys.",
        metavar="KEY=VALUE",
    ),
]
ResultsFile = Annotated[
    Path | None,
    typer.Option(
        "--output",
        "-o",
        help="Results file (.h5). Default: in the folder results, named after the scenario.",
        metavar="FILE",
    ),
]
TableFile = Annotated[
    Path | None,
    typer.Option(
        "--output",
        "-o",
        help="Table to write (.csv). Default: in the folder results.",
        metavar="FILE",
    ),
]
Overwrite = Annotated[
    bool, typer.Option("--overwrite", help="Begin again, over the results there.")
]
NoFiles = Annotated[bool, typer.Option("--no-files", help="Print only; write nothing.")]
Figures = Annotated[
    list[str] | None,
    typer.Option(
        help="Folder or format (png, svg, pdf) of the figures; twice for both.", metavar="WHERE"
    ),
]
NoFigures = Annotated[bool, typer.Option("--no-figures", help="Write no figures.")]
Json = Annotated[
    bool, typer.Option("--json", help="JSON to the standard output, messages to the other.")
]
Wanted = Annotated[
    str | None,
    typer.Option(
        help="What is wanted, with its usual temperature and time: boil, simmer, reheat, bake, "
        "fry, pasteurise or rest (a season: no bake, no fry). Default: the scenario's.",
        metavar="COURSE",
    ),
]
TurnEvery = Annotated[
    str | None,
    typer.Option(
        help="How often the platform is turned; or never. Default: the scenario's.",
        metavar="DURATION",
    ),
]
Face = Annotated[
    str | None,
    typer.Option(
        help="Turned to the sun as it stands now, or half a turn's time ahead.",
        metavar="now|ahead",
    ),
]
LastDate = Annotated[str | None, typer.Option("--to", help="Last date.", metavar="DATE")]
EveryDays = Annotated[
    int, typer.Option(help="Days from date to date.", min=1, max=366, metavar="N")
]
Build = Annotated[
    int | None,
    typer.Option(help="Which draw of the cooker.", min=0, max=1 << 31, metavar="N"),
]
TYPED: ContextVar[tuple[str, ...]] = ContextVar("TYPED", default=())  # arguments of the command


@dataclass(frozen=True)
class Shown:
    """Where results and messages go, and what the options say of JSON and figures.

    Attributes
    ----------
    results, messages : Console
    json : bool
    figures : tuple of (Path or None, str), or None
        Folder, or None for that of the results, and format; None for no figures.
    """

    results: Console
    messages: Console
    json: bool
    figures: tuple[Path | None, str] | None

    @classmethod
    def of(cls, json_: bool, figures: Sequence[str] | None, no_figures: bool) -> Shown:
        """From the options --json, --figures and --no-figures.

        Parameters
        ----------
        json_, figures, no_figures
            As the options --json, --figures and --no-figures.

        Returns
        -------
        Shown
        """
        folder, form = figure_wishes(figures or (), Path())
        place = None if no_figures else (folder if folder != Path() else None, form)
        return cls(*consoles(quiet=json_), json_, place)


def consoles(quiet: bool) -> tuple[Console, Console]:
    """Consoles for results and for messages.

    Parameters
    ----------
    quiet : bool
        Whether both are the error stream.

    Returns
    -------
    results, messages : Console
    """
    messages = console(error=True)
    return (messages if quiet else console()), messages


@contextmanager
def after_the_answer() -> Iterator[list[StoreError]]:
    """Hold back what is wrong with files until what was computed has been printed.

    Yields a list; what is in it afterwards is to be raised at the command's end.
    """
    from raytrace.exceptions import StoreError

    trouble: list[StoreError] = []
    try:
        yield trouble
    except StoreError as error:
        trouble.append(error)


def print_json(facts: Mapping[str, Any]) -> None:
    """Print plain values to the standard output, and nothing else.

    Parameters
    ----------
    facts : mapping
        Without nan and infinity.
    """
    typer.echo(json.dumps(facts, indent=2, allow_nan=False))


def finite(value: float) -> float | None:
    """A number as JSON can hold it.

    Parameters
    ----------
    value : float

    Returns
    -------
    float or None
        None where it isn't finite.
    """
    return float(value) if math.isfinite(value) else None


def open_scenario(path: Path, overrides: Sequence[str] = (), *, doubts: bool = True) -> Scenario:
    """Load a scenario; where the file is missing, say what is there.

    Parameters
    ----------
    path : path
    overrides : sequence of str
        "key=value", set over the file's.
    doubts : bool
        Whether what is hardly meant goes to the error stream.

    Returns
    -------
    Scenario

    Raises
    ------
    ScenarioError
        If the file is missing, or the scenario is wrong.
    """
    from raytrace.exceptions import Problem, ScenarioError
    from raytrace.scenario.learned import forgotten_words
    from raytrace.scenario.loading import load_scenario
    from raytrace.scenario.plausible import doubtful

    try:
        text = _absent(path)
    except OSError as error:  # no permission, or a name that no disk takes
        text = f"can't be looked up: {error.strerror}."
    if text:
        raise ScenarioError(str(path), [Problem("file", text)])
    scenario = load_scenario(path, overrides)
    if doubts:
        for doubt in (
            *doubtful(scenario.site, scenario.design, scenario.pot),
            *forgotten_words(scenario.forgotten),
        ):
            say(f"{scenario.source}: {doubt}", error=True)
    return scenario


def _absent(path: Path) -> str:
    """Say what is there instead of a scenario; nothing if one may be."""
    if path.is_dir():
        return f"is a folder. Name a scenario in it{_others(path)}"
    if path.exists():
        return ""
    if not path.parent.is_dir():
        return f"no folder {path.parent}."
    return f"no such file in {path.parent.resolve().name}{_others(path.parent, path.name)}"


def _others(folder: Path, wanted: str = "") -> str:
    from raytrace.scenario.units import nearest

    names = sorted(p.name for p in folder.glob("*.toml"))
    if not names:
        return '; no scenarios there. "cooker new NAME.toml" writes one to start from.'
    near = nearest(wanted, names) if wanted else None
    first = f" Nearest: {near}." if near else ""
    more = f" and {len(names) - 8} more" if len(names) > 8 else ""
    return f".{first} There: {', '.join(names[:8])}{more}."


def quantity(
    text: str, kind: str, option: str, *, low: str | None = None, high: str | None = None
) -> float:
    """SI value of an option such as "30 min", within limits; a share also without a unit.

    Parameters
    ----------
    text : str
    kind : str
        A key of `raytrace.scenario.units.KINDS`.
    option : str
        Its name, for messages.
    low, high : str, optional
        Limits, with units.

    Returns
    -------
    float

    Raises
    ------
    BadParameter
        If it is no such quantity, or out of the limits.
    """
    from raytrace.texts import shown

    value = _quantity(text, kind, option)
    if (low and value < _quantity(low, kind, option)) or (
        high and value > _quantity(high, kind, option)
    ):
        span = (
            f"{low} to {high}" if low and high else f"{low} or more" if low else f"{high} or less"
        )
        raise typer.BadParameter(f"{shown(text)}: must be {span}.", param_hint=option)
    return value


def _quantity(text: str, kind: str, option: str) -> float:
    from raytrace.scenario.units import UnitError, read_number, read_quantity
    from raytrace.texts import shown

    try:
        if kind == "share":
            number, unit = read_number(text)
            # the table of units counts shares in percent
            return number if not unit else read_quantity(text, kind)[0] / 100.0
        return read_quantity(text, kind)[0]
    except UnitError as error:
        raise typer.BadParameter(f"{shown(text)}: {error}", param_hint=option) from None


def figure_wishes(wishes: Sequence[str], folder: Path) -> tuple[Path, str]:
    """Folder and format of the figures from what was said: a format, a folder, or both.

    Parameters
    ----------
    wishes : sequence of str
        As --figures, each time that it is given.
    folder : path
        Where none is named.

    Returns
    -------
    folder : path
    form : str
        One of FORMATS.

    Raises
    ------
    BadParameter
        If one is neither a format nor can be a folder.
    """
    form = "png"
    for wish in wishes:
        if wish.lower().lstrip(".") in FORMATS:
            form = wish.lower().lstrip(".")
        else:
            folder = Path(wish)
            strange = wish.lower().lstrip(".") in OTHER_FORMATS
            if strange or folder.suffix or folder.is_file():
                raise typer.BadParameter(
                    f'"{wish}": give a folder, or one of {", ".join(FORMATS)}; both by giving '
                    "the option twice.",
                    param_hint="--figures",
                )
    return folder, form


def command_line() -> str:
    """The command that is being carried out, as it was typed."""
    import shlex

    return shlex.join(["cooker", *TYPED.get()])


def next_command(*words: object) -> str:
    """Say which command comes next, as a shell takes it.

    Parameters
    ----------
    *words
        After "cooker".

    Returns
    -------
    str
    """
    import shlex

    return f"Next: {shlex.join(['cooker', *map(str, words)])}"


def written(path: Path) -> list[tuple[Path, int]]:
    """A file and its size, for `report_files`.

    Parameters
    ----------
    path : path

    Returns
    -------
    list of (path, int)
        Size in bytes; empty if the file is gone, folder and all.
    """
    try:
        return [(path, path.stat().st_size)]
    except OSError:
        return []


def report_files(console: Console, files: Sequence[tuple[Path, int]]) -> None:
    """Say what was written where, and how big it is.

    Parameters
    ----------
    console : Console
    files : sequence of (path, int)
        With sizes in bytes.
    """
    from rich.text import Text

    from raytrace.reports.common.numbers import size_of

    if not files:
        return
    console.print(Text("Written:", style="dim"))
    for path, size in files:
        console.print(
            Text(f"  {path}  ", end="").append(size_of(size), style="dim"), soft_wrap=True
        )
