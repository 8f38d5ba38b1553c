"""`cooker bench`: a page in the browser that answers as fast as a hand moves."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raytrace.commands import common

__all__ = ["bench"]

HELP = """Open a page in the browser: design, cook and set one cooker, with answers at once.

\b
  cooker bench scenarios/courtyard.toml
  cooker bench mine.toml --folder designs     where the page opens and saves scenarios
  cooker bench mine.toml --phone              also for a phone on the local network

The page is for browsers on this machine alone. With --phone it is also on the local network, for
whoever types the code that stands in the terminal: each code is good for one device. What passes
between them is not encrypted, so use a network of your own. Ctrl-C ends it. --draws is for Cook;
Design draws for as long as it is looked at.
"""


def bench(
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    folder: Annotated[
        Path | None,
        typer.Option(
            help="Where the page opens and saves scenarios. Default: the scenario's folder.",
            metavar="FOLDER",
        ),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            help="Of the page's address; 0 for any that is free. Default: 8300, or any.",
            min=0,
            max=65535,
            metavar="N",
        ),
    ] = None,
    phone: Annotated[
        bool, typer.Option("--phone", help="Also on the local network, behind a code.")
    ] = False,
    no_open: Annotated[
        bool, typer.Option("--no-open", help="Print the address; open no browser.")
    ] = False,
    log: Annotated[
        Path | None,
        typer.Option(
            help="Log of the facets set (.csv). Default: as of cooker spots.", metavar="FILE"
        ),
    ] = None,
    draws: common.Draws = common.DRAWS // 4,
    set_: common.Changes = None,
) -> None:
    from raytrace.exceptions import SettingsError
    from raytrace.live.bench import Start
    from raytrace.live.folder import Folder
    from raytrace.reports.common.cautions import IN_BRIEF, LASER
    from raytrace.texts import install_words

    results, messages = common.consoles(quiet=False)
    common.open_scenario(scenario, set_ or ())  # what is wrong with it is told here
    place = folder if folder is not None else scenario.parent
    if not place.is_dir():
        raise typer.BadParameter(f"{place}: no such folder.", param_hint="--folder")
    try:
        from qrcode.main import QRCode

        from raytrace.live.server import serve
    except ModuleNotFoundError as error:
        if str(error.name).startswith("raytrace"):
            raise
        raise SettingsError(f"the page needs some more packages. {install_words('live')}") from None

    def ready(address: str) -> None:
        results.print(f"The page is at {address} . Ctrl-C ends it.", markup=False)
        if phone:
            messages.print("What a phone and this machine send each other, others on the network "
                           "can read: use one of your own.", markup=False)  # fmt: skip
        messages.print(IN_BRIEF, style="dim", markup=False)
        messages.print(LASER, style="dim", markup=False)
        if not no_open:
            import threading
            import webbrowser

            # one in the terminal would hold the page up
            threading.Thread(target=webbrowser.open, args=[address], daemon=True).start()

    def code(text: str, address: str) -> None:
        import io

        picture = QRCode(border=2)
        picture.add_data(address)
        drawn = io.StringIO()
        picture.print_ascii(out=drawn, invert=True)
        results.print(drawn.getvalue(), markup=False)
        results.print(f"Code for one more device: {text[:4]} {text[4:]}", markup=False)
        results.print(f"It leads in at {address}", markup=False)

    start = Start(scenario, Folder(place), tuple(set_ or ()), log, draws)
    serve(start, port=port, phone=phone, ready=ready, code=code)


bench.__doc__ = HELP
