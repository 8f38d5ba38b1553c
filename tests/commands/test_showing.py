"""Options that change what is printed: the answer alone, or all that lies behind it."""

from __future__ import annotations

import io
from collections.abc import Iterator

import pytest
from rich.console import Console

from raytrace.commands import showing
from raytrace.commands.output import print_report
from raytrace.reports.common.tables import DETAILS


@pytest.mark.parametrize("wanted", [False, True])
def test_details_are_printed_on_request(wanted: bool) -> None:
    out = io.StringIO()

    def command() -> None:
        def parts() -> Iterator[object]:
            yield "the answer"
            yield DETAILS
            yield "its reasons"

        print_report(Console(file=out, width=80), parts())

    showing.showing(command)(details=wanted, units="si")
    text = out.getvalue()
    assert text.startswith("the answer")
    assert ("its reasons" in text) == wanted
    assert ("--details" in text) != wanted
