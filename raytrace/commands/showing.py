"""Options of every command that shows results: they change what is printed, never what is found."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from contextvars import ContextVar, copy_context
from typing import Annotated, Any, NamedTuple

import typer

from raytrace.reports.common.units import SYSTEM, SYSTEMS

__all__ = ["DETAILS", "UNITS", "showing"]

DETAILS: ContextVar[bool] = ContextVar("DETAILS", default=False)


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


def showing(command: Callable[..., None], *options: Shown) -> Callable[..., None]:
    """Give a command the options of this module, which it need not know of.

    Parameters
    ----------
    command : callable
        Its parameters are annotated for typer.
    *options : Shown
        Which of them; all, if none is named.

    Returns
    -------
    callable
        Of the same name and help, with more parameters.
    """
    chosen = options or (DETAILED, UNITS)
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
            command(**given)

        copy_context().run(run)

    shown.__signature__ = own.replace(parameters=[*own.parameters.values(), *more])  # type: ignore[attr-defined]
    return shown
