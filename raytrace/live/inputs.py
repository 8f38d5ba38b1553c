"""Sliders and number fields of the browser itself: labels, keys and focus are its own."""

from __future__ import annotations

import math
from collections.abc import Callable

from nicegui import ui

__all__ = ["Dial"]

OFTEN = 0.05  # at most so often a moving hand is told of [s]
SAID = "(event) => emit(event.target.value)"


class Dial(ui.element):
    """A number to be turned or typed.

    The page sends what it shows but never has its field written again while somebody turns it: the
    browser alone holds the value, and `show` sets it.

    Parameters
    ----------
    kind : str
        "range" or "number".
    name : str
        For those who don't see where it stands.
    value, step : float
    turned : callable
        Takes the new value.
    ends : tuple of float, optional
        Least and greatest value.
    """

    def __init__(
        self,
        kind: str,
        name: str,
        value: float,
        step: float,
        turned: Callable[[float], None],
        ends: tuple[float, float] | None = None,
    ):
        super().__init__("input")
        self.value = value
        self._turned = turned
        self._form = ".9g" if kind == "range" else ".5g"  # a field has little room
        self._props.update({"type": kind, "aria-label": name})
        self._props["step"] = step if kind == "range" else "any"
        if ends is not None:
            self._props["min"], self._props["max"] = ends
        self._props["defaultValue"] = format(value, self._form)  # last: its ends would cut it
        event = "input" if kind == "range" else "change"
        self.on(event, self._told, js_handler=SAID, throttle=OFTEN)

    def _told(self, event: object) -> None:
        try:
            value = float(getattr(event, "args", ""))
        except (TypeError, ValueError):  # an empty field is none
            return
        if math.isfinite(value):
            self.value = value
            self._turned(value)

    def show(self, value: float) -> None:
        """Set it, without asking anybody.

        Parameters
        ----------
        value : float
        """
        if value != self.value:
            self.value = value
            # a tab that was never looked at has no element yet, and begins with its default
            self._props["defaultValue"] = f"{value:.9g}"
            self.update()
            script = f"const e = getHtmlElement({self.id}); if (e) e.value = '{value:.9g}'"
            self.client.run_javascript(script)

    def enable(self, on: bool) -> None:
        """Let it be turned, or not.

        Parameters
        ----------
        on : bool
        """
        self.props(remove="disabled") if on else self.props("disabled")
