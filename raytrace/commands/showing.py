"""Options of every command that shows results: they change what is printed, never what is found."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from contextvars import ContextVar, copy_context
from typing import Annotated, Any, NamedTuple

import typer

from raytrace.commands.streams import say
from raytrace.reports.common.units import SYSTEM, SYSTEMS
from raytrace.reports.kinds import KINDS

__all__ = ["DETAILED", "DETAILS", "PAGE", "UNITS", "showing"]

DETAILS: ContextVar[bool] = ContextVar("DETAILS", default=False)
PAGE: ContextVar[bool] = ContextVar("PAGE", default=False)  # asked for, and not yet written


class Shown(NamedTuple):
    """An option of this module.

    Attributes
    ----------
    name : str
        Of its parameter.
    kind : Any
        Its annotation for typer.
    holder : ContextVar
        Holds its value while the command runs, and its default.
    """

    name: str
    kind: Any
    holder: ContextVar[Any]


def _system(text: str) -> str:
    if (system := text.strip().casefold()) not in SYSTEMS:
        raise typer.BadParameter(f'"{text}": write {" or ".join(SYSTEMS)}.')
    return system


DETAILED = Shown(
    "details",
    Annotated[bool, typer.Option("--details", help="Print all that lies behind the answer.")],
    DETAILS,
)
UNITS = Shown(
    "units",
    Annotated[
        str,
        typer.Option(
            "--units",
            help="Of screens, figures and tables: si, or us (inches, °F, quarts, mph, am and pm). "
            "JSON and results files are SI.",
            parser=_system,
            envvar="COOKER_UNITS",
            metavar="si|us",
        ),
    ],
    SYSTEM,
)


PAGED = Shown(
    "page",
    Annotated[
        bool,
        typer.Option(
            "--page", help="Also write one HTML page of it all: for a phone, a mail, a printer."
        ),
    ],
    PAGE,
)


def showing(command: Callable[..., None], *options: Shown) -> Callable[..., None]:
    """Give a command the options of this module, which it need not know of.

    Parameters
    ----------
    command : callable
        Its parameters are annotated for typer.
    *options : Shown
        Which of them; all that it can serve, if none is named.

    Returns
    -------
    callable
        Of the same name and help, with more parameters.
    """
    paged = command.__name__ in KINDS
    chosen = options or (DETAILED, UNITS, *[PAGED] * paged)
    own = inspect.signature(command, eval_str=True)
    more = [
        inspect.Parameter(
            option.name,
            inspect.Parameter.KEYWORD_ONLY,
            default=option.holder.get(),
            annotation=option.kind,
        )
        for option in chosen
    ]

    @functools.wraps(command)
    def shown(**given: Any) -> None:
        def run() -> None:
            for option in chosen:
                option.holder.set(given.pop(option.name))
            if PAGE.get() and given.get("no_files"):
                raise typer.BadParameter(
                    "writes a file: leave out --no-files.", param_hint="--page"
                )
            command(**given)
            if PAGE.get():
                say("No page: it is made of a results file, and this wrote none.", error=True)

        copy_context().run(run)

    shown.__signature__ = own.replace(parameters=[*own.parameters.values(), *more])  # type: ignore[attr-defined]
    return shown
