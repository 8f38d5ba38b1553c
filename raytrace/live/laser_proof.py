"""The laser's angle on the page: measured lengths in, what they mean out."""

from __future__ import annotations

import asyncio
from functools import partial
from typing import Any

from nicegui import ui

from raytrace.exceptions import CookerError
from raytrace.live.bench import Bench, keys_of
from raytrace.live.typed import length
from raytrace.reports.bench.angle import angle_sentences
from raytrace.scenario.units import UnitError
from raytrace.studies.bench.angle_measured import Proof, angle_found

__all__ = ["laser_proof"]

HOW = (
    "Hang a plumb line from a point of the beam down to the level floor or table. Mark where "
    "its bob points, and where the beam meets that level. The drop is from the beam's point "
    "down to it, the run lies between the marks. Aside, which may be left out, is how far the "
    "mark under the bob lies to the platform's right of a line through the other along the "
    "arrow to the sun. Keep your face out of the beam's height, and look at its dot from the "
    "side alone."
)
NAMES = {
    "drop": "Drop",
    "run": "Run",
    "aside": "Aside",
}


def laser_proof(bench: Bench) -> None:
    """Ask for a drop and a run, or several, and say what the laser's angle means.

    Parameters
    ----------
    bench : Bench
    """
    proofs: list[Proof] = []
    with ui.expansion("Prove the laser's angle by plumb line and tape").classes("proof"):
        ui.label(HOW).classes("line")
        with ui.element("div").classes("fields"):
            fields = {
                key: ui.input(f"{name}, {bench.rule.unit}").props('inputmode="decimal" outlined')
                for key, name in NAMES.items()
            }
        with ui.row():
            ask = ui.button("What it means").props("no-caps unelevated size=lg")
            drop = ui.button("Start over").props("no-caps outline size=lg")
        said = ui.column().props('aria-live="polite"')

    def say(lines: list[str]) -> None:
        said.clear()
        with said:
            for k, line in enumerate(lines):
                ui.label(line).classes("answer" if k == 0 else "")

    async def work() -> None:
        all_of_them = [*proofs]
        ask.disable()  # one after the other
        try:
            given = {k: str(f.value or "").strip() for k, f in fields.items()}
            if any(given.values()) or not proofs:
                read: dict[str, Any] = {
                    k: length(text, bench.rule) for k, text in given.items() if text
                }
                if not {"drop", "run"} <= set(read):
                    say(["A proof needs a drop and a run."])
                    return
                all_of_them.append(Proof(**read))
            say(["Working it out …"])
            found = await asyncio.to_thread(angle_found, bench.scenario, tuple(all_of_them))
        except (UnitError, CookerError) as error:
            say([str(error)])
            return
        finally:
            ask.enable()
        proofs[:] = all_of_them
        for field in fields.values():
            field.set_value("")
        say(
            [
                *angle_sentences(found),
                "Measure once more, at another place of the slide, and both count.",
            ]
        )
        with said:
            reckon = partial(take, keys_of(found.changes))
            ui.button("Reckon with it on this page", on_click=reckon).props("no-caps outline")

    def take(changes: dict[str, str]) -> None:
        try:
            bench.change(changes)
        except CookerError as error:
            say([str(error)])

    def start_over() -> None:
        proofs.clear()
        say([])

    ask.on_click(work)
    drop.on_click(start_over)
