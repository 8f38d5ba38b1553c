"""The `cooker` command; each of its commands is a module in `raytrace.commands`."""

from __future__ import annotations

import functools
import re
import signal
import sys
import warnings
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from raytrace.commands.bench import bench
from raytrace.commands.blame import blame
from raytrace.commands.cautions import cautions
from raytrace.commands.check import check
from raytrace.commands.compare import compare
from raytrace.commands.day import day
from raytrace.commands.efficiency import efficiency
from raytrace.commands.export import export
from raytrace.commands.new import new
from raytrace.commands.page import page
from raytrace.commands.photo import photo
from raytrace.commands.record import record
from raytrace.commands.rig import rig
from raytrace.commands.search import search
from raytrace.commands.season import season
from raytrace.commands.sheet import sheet
from raytrace.commands.show import show
from raytrace.commands.showing import UNITS, showing
from raytrace.commands.spotmap import spotmap
from raytrace.commands.spots import spots
from raytrace.commands.stray import stray
from raytrace.commands.streams import prepare, say, written
from raytrace.commands.sunspot import sunspot
from raytrace.commands.tolerance import tolerance
from raytrace.commands.trace import trace
from raytrace.commands.window import window

__all__ = ["app", "main"]

INTRO = """Predict what a hand-built solar cooker of small flat mirrors brings to its pot.

\b
  cooker new mine.toml           write a scenario to start from
  cooker check mine.toml         what it describes, and what is wrong with it
  cooker trace mine.toml         watts on the pot, and where the rest goes
  cooker show results/mine.h5    the same again, without tracing
  cooker page results/mine.h5    one HTML page of it: for a phone, a mail, a printer
  cooker spots mine.toml         where the laser's spots belong; what measured ones say
  cooker photo mine.toml A1.jpg  spots measured in pictures of the target card
  cooker bench mine.toml         a page that answers at once, for this machine or a phone
  cooker rig mine.toml           what the laser's place and angle do to the cooker
  cooker tolerance mine.toml     how exactly its facets must be set
  cooker blame mine.toml         which source of error costs what
  cooker sheet mine.toml         the sheet to build it from
  cooker season mine.toml        when food boils, month by month
  cooker day mine.toml DATE      one pot through one day; how often to turn
  cooker record mine.toml FILE   what a measured heating says of the cooker
  cooker spotmap mine.toml FILE  what a measured flux map says of it
  cooker sunspot mine.toml FILE  what a picture of the sun's own spot says
  cooker efficiency mine.toml    what it makes of the sun, wherever that stands: a table
  cooker export mine.toml -o out   rays, facets and a mesh for other tools
  cooker window mine.toml        at what times of day the sun suits it
  cooker stray mine.toml         how far to stay away, and what its stray light hits
  cooker compare mine.toml       designs side by side: sizes, layouts, keys varied
  cooker search mine.toml        better designs: move keys toward a goal

Exit codes: 0 done; 1 a study that could not be done or kept; 2 a mistake in the command, the
scenario or a file that it names; 130 stopped by Ctrl-C.

Caution: such a cooker blinds, burns and sets things alight. Read: cooker cautions.
"""


# options of earlier versions, and what they are called now
RENAMED = {"--anew": "--overwrite"}
NEGATIVE = re.compile(r"-[\d.][^,]*,")


class _Commands(TyperGroup):
    """Turns what ends a command early into plain words and an exit code."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        from raytrace.commands.common import TYPED

        for word in args:
            new = RENAMED.get(word.partition("=")[0])
            if new:
                raise typer.BadParameter(f"{word} is now {new}.")
        TYPED.set(tuple(args))
        # a spot such as "-12 mm, 4 mm" is no option
        return super().parse_args(ctx, [f" {a}" if NEGATIVE.match(a) else a for a in args])

    def invoke(self, ctx: Any) -> Any:
        from raytrace.exceptions import CookerError, WorkerError, WriteError
        from raytrace.parallel.interrupts import listening

        try:
            with listening(), written():
                return super().invoke(ctx)
        except CookerError as error:
            say(str(error), error=True)
            raise typer.Exit(1 if isinstance(error, WorkerError | WriteError) else 2) from None
        except KeyboardInterrupt:
            say("Stopped.", error=True)
            raise typer.Exit(130) from None


app = typer.Typer(
    name="cooker",
    cls=_Commands,
    help=INTRO,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        from raytrace.version import __version__

        typer.echo(f"cooker-raytrace {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Say which version this is.", callback=_version, is_eager=True
        ),
    ] = False,
) -> None:
    del version


for command in (
    showing(trace),
    showing(check, UNITS),
    showing(show),
    showing(page, UNITS),
    showing(spots),
    showing(photo),
    showing(rig),
    showing(bench, UNITS),
    new,
    showing(tolerance),
    showing(blame),
    showing(sheet),
    showing(efficiency),
    export,
    showing(window),
    showing(stray),
    showing(season),
    showing(day),
    showing(record),
    showing(spotmap),
    showing(sunspot),
    showing(compare),
    showing(search),
    cautions,
):
    app.command()(command)


def _say(message: Warning | str, category: type[Warning], *where: Any, **more: Any) -> None:
    """Show what this package warns of in plain words, without the line of code it came from."""
    from raytrace.exceptions import CookerWarning

    if issubclass(category, CookerWarning):
        say(f"Note: {message}", error=True)
    elif "missing from font" in str(message):
        _say_boxes()
    else:
        _show_warning(message, category, *where, **more)


@functools.cache  # once a command, not once a letter and figure
def _say_boxes() -> None:
    say("Note: figures have no type for some letters; boxes stand for them there.", error=True)


_show_warning = warnings.showwarning


def _dropped(trouble: Any) -> None:
    """Keep silent on a Ctrl-C that came while Python cleaned up: it has been noted."""
    if not issubclass(trouble.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(trouble)


def main() -> None:
    """Run the command line."""
    warnings.showwarning = _say
    sys.unraisablehook = _dropped
    prepare()
    try:
        with written():
            app(prog_name="cooker")
    finally:
        # all that is left is a moment's clearing up
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        # Python ends by a signal, not by our exit code, if the last text it executed was
        # interrupted, even where that was caught
        exec("")


if __name__ == "__main__":
    main()
