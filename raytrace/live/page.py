"""Frame of the page: which scenario, its cautions, and a tab for each of its three parts."""

from __future__ import annotations

import traceback
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

from fastapi import Request
from nicegui import Client, ui

from raytrace.exceptions import CookerError
from raytrace.live.bench import Bench, Start
from raytrace.live.cook_part import cook_part
from raytrace.live.design_part import design_part
from raytrace.live.memory import Memory
from raytrace.live.pieces import WRONG, folded
from raytrace.live.set_part import set_part
from raytrace.reports.common.cautions import CAUTIONS, COOKING, IN_BRIEF, LASER, on_page

__all__ = ["build"]

MOST_PAGES = 40  # open at once, or closed a moment ago
TITLE = "At the bench"


class Part(NamedTuple):
    """A part of the page.

    Attributes
    ----------
    name : str
        On its tab.
    caution : str
        For whoever works with it.
    fill : callable
        Takes a bench; called inside the tab's panel.
    """

    name: str
    caution: str
    fill: Callable[[Bench], None]


PARTS = (
    Part("Design", IN_BRIEF, design_part),
    Part("Cook", COOKING, cook_part),
    Part("Set", LASER, set_part),
)


def build(start: Start) -> dict[Path, Memory]:
    """Have the page served at "/".

    "/?open=NAME" opens another scenario of the folder, "/?part=Set" begins with that part.

    Parameters
    ----------
    start : Start

    Returns
    -------
    dict of Path to Memory
        What is remembered, by its file; it grows as scenarios are opened.
    """
    memories: dict[Path, Memory] = {}
    looks = "".join(
        files(package).joinpath("page.css").read_text(encoding="utf-8")
        for package in ("raytrace.reports.onepage", "raytrace.live")
    )
    ui.add_css(looks, shared=True)

    def memory_of(name: str) -> Memory:
        place = Path("results") / f"{Path(name).stem}-bench.json"
        return memories.setdefault(place, Memory(place))

    @ui.page("/", title=TITLE)
    def index(request: Request, open: str = "", part: str = "") -> None:
        ui.colors(primary="#0050a0", dark="#1a1a1a", warning="#8a4b00", negative="#a00000")
        if len(Client.instances) > MOST_PAGES:
            _refuse(f"{MOST_PAGES} pages are open already. Close one, then load this again.")
            return
        try:
            if open:
                start.folder.read(open)  # nothing is remembered of what is not there
            memory = memory_of(open or start.scenario.name)
            bench = Bench(start, open, memory, str(request.scope.get("browser", "")))
        except CookerError as error:
            _refuse(str(error))
            return
        with ui.element("div") as all_of_it:
            try:
                _frame(bench, part)
                return
            except Exception:  # what it says may name files, which are nobody's business here
                traceback.print_exc()
                all_of_it.clear()
        _refuse(WRONG)

    return memories


def _refuse(words: str) -> None:
    with ui.element("div"):
        ui.html(f"<h1>{TITLE}</h1>", sanitize=False)
        for line in words.splitlines():
            ui.label(line).props('role="alert"')
        ui.link("Open the scenario that the command named", "/")


def _frame(bench: Bench, front: str) -> None:
    names = [part.name for part in PARTS]
    if front in names:
        bench.show(front)
    with ui.element("header"):
        ui.html(f"<h1>{TITLE}</h1>", sanitize=False)
        _scenario_line(bench)
    with ui.element("div").classes("bench"):
        with ui.tabs().props('align="left" no-caps aria-label="Parts"') as tabs:
            for part in PARTS:
                ui.tab(part.name)
        shown = bench.front if bench.front in names else names[0]
        tabs.on_value_change(
            lambda event: bench.show(event.value) if event.value in names else None
        )
        with ui.tab_panels(tabs, value=shown, animated=False, keep_alive=True).classes("panels"):
            for part in PARTS:
                with ui.tab_panel(part.name):
                    with ui.element("div").classes("caution").props('role="note"'):
                        ui.label(on_page(part.caution))
                    part.fill(bench)
        with folded("Cautions: eyes, burns, fire, lasers, glass. Read before you begin."):
            for name, words in CAUTIONS:
                ui.label(f"{name}. {words.replace('`', '')}")


def _scenario_line(bench: Bench) -> None:
    """Which scenario, what is changed in it, and how it is opened and saved."""

    @ui.refreshable
    def said() -> None:
        title = str(bench.scenario.title or bench.name)
        ui.label(title).classes("scenario")
        if bench.changes:
            ui.label(f"Changed over {bench.name}: {', '.join(bench.changes)}.").classes("note")
        else:
            ui.label(f"As {bench.name} has it; nothing is changed.").classes("note")

    with ui.element("div").props('aria-live="polite"'):
        said()
    if bench.notice:
        ui.label(bench.notice).props('role="status"').classes("doubt")

    def follow() -> None:
        said.refresh()

    bench.listen(follow)
    with ui.row().classes("files"):
        ui.button("Open", on_click=lambda: _open(bench)).props("outline no-caps")
        ui.button("Save", on_click=lambda: _save(bench)).props("outline no-caps")
        ui.button("Drop changes", on_click=bench.start_over).props("outline no-caps")


def _open(bench: Bench) -> None:
    with ui.dialog().props('aria-label="Open a scenario"') as dialog, ui.card():
        ui.html("<h2>Open a scenario</h2>", sanitize=False)
        names = bench.folder.names()
        if not names:
            ui.label("There is none in this folder.")
        for name in names:
            ui.link(name, f"/?open={quote(name)}")
        ui.button("Close", on_click=dialog.close).props("flat no-caps")
    dialog.on("hide", dialog.delete)
    dialog.open()


def _save(bench: Bench) -> None:
    with ui.dialog().props('aria-label="Save the scenario"') as dialog, ui.card():
        ui.html("<h2>Save the scenario</h2>", sanitize=False)
        name = ui.input("Name, such as mine.toml", value=bench.name).props("autofocus")
        replace = ui.checkbox("Replace a scenario of this name")
        told = ui.label().props('role="alert"').classes("doubt")
        told.set_visibility(False)
        link = ui.link("Go on with it", "/")
        link.set_visibility(False)

        def save() -> None:
            file = str(name.value).strip()
            if file and "." not in file:
                file += ".toml"
            try:
                bench.save(file, replace=bool(replace.value))
                words = f"Written: {file}."
                link.set_visibility(file != bench.name)
                link.props(f'href="/?open={quote(file)}"')
            except CookerError as error:
                words = str(error)
            told.set_text(words)
            told.set_visibility(True)

        with ui.row():
            ui.button("Write", on_click=save).props("no-caps")
            ui.button("Close", on_click=dialog.close).props("flat no-caps")
    dialog.on("hide", dialog.delete)
    dialog.open()
