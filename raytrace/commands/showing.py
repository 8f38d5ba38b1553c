"""Options of every command that shows results: they change what is printed, never what is found."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from contextvars import ContextVar
from typing import Annotated, Any

import typer

__all__ = ["DETAILS", "showing"]

DETAILS: ContextVar[bool] = ContextVar("DETAILS", default=False)

# parameter, its annotation and default, and what holds the value while the command runs
OPTIONS: tuple[tuple[str, Any, Any, ContextVar[Any]], ...] = (
    (
        "details",
        Annotated[bool, typer.Option("--details", help="Print all that lies behind the answer.")],
        False,
        DETAILS,
    ),
)


def showing(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of this module, which it need not know of.

    Parameters
    ----------
    command : callable
        Its parameters are annotated for typer.

    Returns
    -------
    callable
        Of the same name and help, with more parameters.
    """
    own = inspect.signature(command, eval_str=True)
    more = [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=kind)
        for name, kind, default, _ in OPTIONS
    ]

    @functools.wraps(command)
    def shown(**options: Any) -> None:
        for name, _, _, holder in OPTIONS:
            holder.set(options.pop(name))
        command(**options)

    shown.__signature__ = own.replace(parameters=[*own.parameters.values(), *more])  # type: ignore[attr-defined]
    return shown
