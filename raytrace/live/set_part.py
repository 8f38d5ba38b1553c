"""Set: the array, facet by facet, as its glue sets."""

from __future__ import annotations

import asyncio
import base64
import math
from collections.abc import Callable, Coroutine, Sequence
from functools import partial
from typing import Any

from nicegui import background_tasks, ui

from raytrace.camera.card import card_layout
from raytrace.camera.finding import FlatCard
from raytrace.camera.vision import vision
from raytrace.exceptions import CookerError, ScenarioError, SettingsError
from raytrace.live.at_work import AtWork, Spot, Tell
from raytrace.live.bench import Bench
from raytrace.live.drawings import array_svg, array_view, card_svg, card_view, facet_at
from raytrace.live.guard import LARGEST_UPLOAD
from raytrace.live.laser_proof import laser_proof
from raytrace.live.latest import Latest
from raytrace.live.pieces import WRONG
from raytrace.live.typed import length
from raytrace.reports.bench.one_facet import (
    PRINTED,
    in_the_way_sentence,
    laser_sentence,
    mark_sentence,
    ring_sentence,
)
from raytrace.reports.bench.photo import CAMERA
from raytrace.reports.bench.sheet_slide import HEIGHT
from raytrace.reports.common.cautions import LASER_HERE, on_page
from raytrace.reports.common.units import quantity, retold
from raytrace.scenario.units import UnitError
from raytrace.studies.bench.one_facet import Facet
from raytrace.studies.bench.setting import READING, laser_place
from raytrace.studies.bench.spots_by_photo import Shot, sigma_of

__all__ = ["set_part"]

LOOK = 0.5  # between two looks at the log, which others may write too [s]
FAR = 3.0  # radii of the base, beyond which a spot isn't drawn
NEAR = 0.03  # least half-width of the card's piece about a mark [m]
TAPPED = "(e) => { const b = e.currentTarget.querySelector('svg').getBoundingClientRect();"
TAPPED += " emit((e.clientX - b.left) / b.width, (e.clientY - b.top) / b.height); }"
BIG = "no-caps unelevated size=lg"
NOT_TAKEN = f"Not taken: a picture is asked for, of {LARGEST_UPLOAD / 1e6:.0f} MB at most."


def set_part(bench: Bench) -> None:
    """Fill the tab.

    Parameters
    ----------
    bench : Bench
    """
    _Part(bench)


class _Part:
    """What the tab shows, and what its controls do. It is filled when it is first looked at."""

    def __init__(self, bench: Bench):
        self.bench, self.rule = bench, bench.rule
        self.at: AtWork | None = None
        self.spot: Spot | None = None
        self.sigma = READING
        self.photo: tuple[str, float] | None = None  # address of its picture, half its width [m]
        self.old = True  # the scenario is another than was read
        self.filling = self.writing = False
        self.answers, self.rings = Latest(), Latest()
        ui.context.client.on_delete(self._drop)
        self._build()
        bench.listen(self._scenario_changed)
        ui.timer(LOOK, self._look)

    # --- what is there ------------------------------------------------------------------------

    def _build(self) -> None:
        self.trouble = ui.label().props('role="alert"').classes("doubt")
        self.trouble.set_visibility(False)
        self.wait = ui.label("Reading the log and the ways of the laser …")
        self.all = ui.element("div").classes("setting")
        self.all.set_visibility(False)
        with self.all:
            ui.label(LASER_HERE).props('role="note"').classes("caution here")
            with ui.element("div"):
                self._build_facet()
            with ui.element("div"):
                self._build_array()

    def _build_facet(self) -> None:
        with ui.row().classes("which"):
            ui.button("Before", on_click=lambda: self._step(-1)).props("outline no-caps size=lg")
            self.which = ui.select([], label="Facet", on_change=self._chosen).props("outlined")
            ui.button("Next", on_click=lambda: self._step(1)).props("outline no-caps size=lg")
        self.place = ui.label().classes("note")
        self.laser = ui.label().classes("line")
        self.in_the_way = ui.label().classes("line doubt")
        self.belongs = ui.label().classes("line")
        self.ring = ui.label().classes("line")
        self.whole = ui.toggle({True: "Whole card", False: "Near its mark"}, value=True)
        self.whole.props('no-caps aria-label="What of the card is shown"')
        self.whole.on_value_change(self._draw_card)
        self.card = ui.html("", sanitize=False).classes("card-drawing")
        self.card.on("click", self._card_tapped, js_handler=TAPPED)
        with ui.element("div").props('aria-live="polite"').classes("judged") as self.answer:
            self.said = ui.column()
        with ui.row().classes("doing"):
            self.keep = ui.button("Keep it", on_click=lambda: self._keep(True)).props(BIG)
            self.again = ui.button("I turn it again", on_click=lambda: self._keep(False))
            self.again.props(f"{BIG} outline")
            self.gone = ui.button("Fell off or missing", on_click=self._gone)
            self.gone.props(f"{BIG} outline color=negative")
            self.undo = ui.button("Undo", on_click=self._undo).props(f"{BIG} outline")
        self._build_photo()
        with ui.element("fieldset").classes("miss"):
            with ui.element("legend"):
                ui.label("Or type how far off its mark the spot lies")
            self.miss = [self._side("along the first axis"), self._side("along the second axis")]

    def _build_photo(self) -> None:
        upload = ui.upload(
            auto_upload=True, max_file_size=LARGEST_UPLOAD, on_upload=self._photographed,
            on_rejected=lambda: self._seen([NOT_TAKEN]),
        )  # fmt: skip
        upload.props('accept="image/*" capture="environment"').style("display: none")
        self.upload = upload
        with ui.element("div") as self.camera:
            take = ui.button("Photograph the card").props("no-caps outline size=lg")
            take.on("click", js_handler=f"() => getElement({upload.id}).pickFiles()")
            ui.label(on_page(CAMERA)).classes("note")
        self.seen = ui.column().props('aria-live="polite"')

    def _seen(self, lines: Sequence[str]) -> None:
        self.seen.clear()
        with self.seen:
            for line in lines:
                ui.label(line)

    async def _photographed(self, event: Any) -> None:
        """Show what a photograph says; it counts when it is kept."""
        at = self.at
        self.upload.reset()
        if at is None:
            return
        here = at.here
        self._seen(["Looking for the card and the spot …"])
        data = await event.file.read()

        def work() -> tuple[Shot, str]:
            shot = at.photograph(str(event.file.name), data, here)
            return shot, "" if shot.flat is None else _address(shot.flat)

        try:
            shot, address = await asyncio.to_thread(work)
        except CookerError as error:
            self._seen([str(error)])
            return
        except Exception:
            self._seen([WRONG])
            raise
        if self.at is not at or at.here != here:
            return
        self._leave()
        if shot.flat is not None:
            self.photo = address, shot.flat.half
        if shot.place is None or shot.why:
            tap = [] if shot.flat is None else ["If you see the spot on the card, tap it there."]
            self._seen([f"{shot.picture}: {retold(shot.why)}", *tap, *map(retold, shot.notes)])
        else:
            self.spot, self.sigma = (float(shot.place[0]), float(shot.place[1])), sigma_of(shot)
            sure = quantity("length", self.sigma, 1)
            self._seen([
                f"Found in the photograph, to {sure} (one standard error). Look whether the mark "
                "is on the spot, then keep it; or tap the right place.",
                *map(retold, shot.notes),
            ])  # fmt: skip
        self._spot_moved()
        await self._judge()

    def _spot_moved(self) -> None:
        """Have fields, drawing and memory follow."""
        self.filling = True
        self._fill()
        self.filling = False
        self._draw_card()
        self._remember()

    def _side(self, name: str) -> tuple[Any, Any]:
        with ui.row():
            far = ui.input(f"{name}, {self.rule.unit}", on_change=self._typed)
            far.props('inputmode="decimal" outlined dense')
            way = ui.toggle({1: "+", -1: "-"}, value=1, on_change=self._typed)
            way.props("no-caps")
        return far, way

    def _build_array(self) -> None:
        with ui.element("div").props('aria-live="polite"'):
            self.progress = ui.column()
        self.array = ui.html("", sanitize=False).classes("array-drawing")
        self.array.on("click", self._array_tapped, js_handler=TAPPED)
        ui.label("Green: set, with how far off its mark it was read. Crossed: fell off or missing. "
                 "Tap a facet to go to it.").classes("note")  # fmt: skip
        height = self.bench.noted("set.height")
        usual = f"{self.rule.coarse_text(HEIGHT[self.rule.unit])} {self.rule.unit}"
        self.height = ui.input(
            "Laser's opening above the platform's top",
            value=height if isinstance(height, str) else usual,
            on_change=self._height_typed,
        ).props("outlined")
        laser_proof(self.bench)
        self.where = ui.label().classes("note")

    # --- the log and the scenario -------------------------------------------------------------

    def _scenario_changed(self) -> None:
        self.old = True

    async def _look(self) -> None:
        """Follow the scenario and the log, while somebody looks."""
        if self.bench.front != "Set":
            return
        if self.old:
            self.old = False
            await self._read()
        elif self.at is not None and self.at.stale:
            try:
                others = await asyncio.to_thread(self.at.look)
            except CookerError as error:
                self._refuse(error)
                return
            self._tell(f"Written elsewhere since: {', '.join(others)}." if others else "")
            if others:
                await self._show()

    async def _read(self) -> None:
        scenario, log = self.bench.scenario, self.bench.log

        before = self.at
        try:
            self.at = await asyncio.to_thread(AtWork, scenario, log)
        except CookerError as error:
            self.at, self.old = None, True  # until it is mended
            self.all.set_visibility(False)
            self.wait.set_visibility(False)
            self._refuse(error)
            return
        self._tell("")
        self.wait.set_visibility(False)
        self.all.set_visibility(True)
        if before is None:
            self._recall(self.at)
        else:
            self.at.go(before.here)
            self.at.written = before.written
            if self.at.here != before.here:
                self._leave()
        self.filling = True
        self.which.set_options(list(self.at.work.order))
        self.filling = False
        by = ", ".join(self.bench.changes)
        changed = f" as changed here ({by})" if by else ""
        self.where.set_text(
            f"Kept in {self.bench.log}, which cooker spots reads as well; set for "
            f"{self.bench.name}{changed}."
        )
        await self._show()

    def _recall(self, at: AtWork) -> None:
        """Begin where this browser left."""
        left = self.bench.noted("set")
        if isinstance(left, dict):
            at.go(str(left.get("here", "")))
            spot = left.get("spot")
            if left.get("here") == at.here and isinstance(spot, list) and _is_place(spot):
                self.spot = spot[0], spot[1]

    def _refuse(self, error: CookerError) -> None:
        if isinstance(error, ScenarioError):
            self._tell(" ".join(f"{error.source}: {problem}" for problem in error.problems))
        else:
            self._tell(str(error))

    def _tell(self, words: str) -> None:
        self.trouble.set_text(words)
        self.trouble.set_visibility(bool(words))

    # --- what is shown ------------------------------------------------------------------------

    async def _show(self) -> None:
        """Show the facet at which the work is."""
        at = self.at
        if at is None:
            return
        self.filling = True
        self.which.set_value(at.here)
        self._fill()
        self.filling = False
        order = at.work.order
        state = at.work.state[at.here]
        said = {"ok": ", which is set already", "": ""}.get(state, f", which is down as {state}")
        self.place.set_text(
            f"{order.index(at.here) + 1} of {len(order)} in the order of setting{said}."
        )
        self._show_laser()
        self.camera.set_visibility(at.work.log.plane == "base")
        axes = at.work.measured.plane_axes
        in_the_way = in_the_way_sentence(at.work.meets(at.here), at.here)
        self.in_the_way.set_text(in_the_way)
        self.in_the_way.set_visibility(bool(in_the_way))
        self.belongs.set_text(mark_sentence(at.mark, axes))
        self.undo.set_text(f"Undo {at.written[-1].facet}" if at.written else "Undo")
        self.undo.set_enabled(bool(at.written))
        self._draw_array()
        self._draw_card()
        self._remember()
        background_tasks.create(self._work_out_rings(at.here))
        await self._judge()
        words = await asyncio.to_thread(at.so_far)
        self.progress.clear()
        with self.progress:
            for line in words:
                ui.label(line)

    def _show_laser(self) -> None:
        at = self.at
        if at is None:
            return
        try:
            height = length(str(self.height.value), self.rule)
            place = laser_place(at.work.measured.cooker, at.scenario, at.number, height)
        except (UnitError, SettingsError) as error:
            self.laser.set_text(f"Laser's height: {error}")
            return
        self.laser.set_text(laser_sentence(place, at.here, self.rule))

    def _draw_array(self) -> None:
        at = self.at
        if at is None:
            return
        notes = {x: self.rule.coarse_text(d) for x, d in at.misses().items()}
        self.array.set_content(array_svg(at.work.measured.cooker, at.work.state, at.here, notes))

    def _view(self) -> Any:
        """Which part of the card is shown."""
        at = self.at
        assert at is not None
        if self.whole.value or not all(map(math.isfinite, at.mark)):
            if self.photo is not None:
                return card_view(self.photo[1], mirrored=at.mirrored)
            base = float(at.work.measured.cooker.pot.R)
            marks = [abs(x) for x in at.mark if math.isfinite(x)]
            spots = [min(abs(x), FAR * base) for x in self.spot or ()]
            return card_view(card_layout(max(base, *marks, *spots)).half, mirrored=at.mirrored)
        half = max(NEAR, 1.3 * at.ring if at.ring and math.isfinite(at.ring) else NEAR)
        return card_view(half, mirrored=at.mirrored, middle=at.mark)

    def _draw_card(self) -> None:
        at = self.at
        if at is None:
            return
        m = at.work.measured
        drawn = card_svg(
            self._view(), float(m.cooker.pot.R), self.rule,
            mark=at.mark, ring=at.ring, spot=self.spot,
            upright=m.plane == "upright", photo=self.photo,
        )  # fmt: skip
        self.card.set_content(drawn)

    def _fill(self) -> None:
        """Put the spot into the fields, named as whoever looks at the card sees it."""
        at = self.at
        assert at is not None
        upright = at.work.measured.plane == "upright"
        side = ("left", "right") if at.mirrored else ("right", "left")
        named = (
            {1: f"{side[0]} on the card", -1: f"{side[1]} on the card"},
            {1: "up", -1: "down"} if upright else {1: "toward the sun", -1: "away from the sun"},
        )
        for k, (far, way) in enumerate(self.miss):
            names = named[k] if k or at.mirrored else dict(reversed(named[k].items()))
            d = None if self.spot is None else self.spot[k] - at.mark[k]
            way.set_options(names, value=way.value if d is None else (1 if d >= 0.0 else -1))
            far.set_value("" if d is None else self._shown(abs(d)))
            name = ("Sideways", "Up or down" if upright else "To or from the sun")[k]
            far.props(f'label="{name}, {self.rule.unit}"')

    def _shown(self, length: float) -> str:
        """As exactly as a spot is read."""
        decimals = 0 if self.rule.unit == "mm" else 2
        return f"{self.rule.per_metre * length:.{decimals}f}"

    async def _work_out_rings(self, here: str) -> None:
        """Work out this facet's ring, and then what the next one will need."""
        at = self.at
        if at is None:
            return
        words = "How far off it may lie is being worked out …" if at.ring is None else ""
        self.ring.set_text(words)
        await self.rings.ask(partial(at.map, here))
        if self.at is at and at.here == here and at.ring is not None:
            self.ring.set_text(f"{ring_sentence(at.ring)} {PRINTED}")
            self._draw_card()
            if following := at.work.after(here):
                await self.rings.ask(partial(at.map, following))

    def _drop(self) -> None:
        """End what is being worked out; the page is closed."""
        self.answers.drop()
        self.rings.drop()

    # --- the spot -----------------------------------------------------------------------------

    async def _card_tapped(self, event: Any) -> None:
        right, low = (float(x) for x in event.args[:2])
        if self.at is None or not all(map(math.isfinite, (*self.at.mark, right, low))):
            return
        self.spot, self.sigma = self._view().place(right, low), READING
        self._spot_moved()
        await self._judge()

    def _typed(self) -> Coroutine[Any, Any, None] | None:
        # fields are also filled by a tap, which is no typing
        return None if self.filling else self._take_typed()

    async def _take_typed(self) -> None:
        at = self.at
        if at is None:
            return
        texts = [str(far.value or "").strip() for far, _ in self.miss]
        if not any(texts):
            self.spot = None
        else:
            try:
                off = [length(t, self.rule) if t else 0.0 for t in texts]
            except UnitError as error:
                self._say([f"That is no length: {error}"], "doubt")
                return
            ways = [float(way.value) for _, way in self.miss]
            x, along = (m + d * w for m, d, w in zip(at.mark, off, ways, strict=True))
            self.spot, self.sigma = (x, along), READING
        self._draw_card()
        await self._judge()
        self._remember()

    async def _judge(self) -> None:
        at, spot, sigma = self.at, self.spot, self.sigma
        for button in (self.keep, self.again):
            button.set_enabled(spot is not None)
        if at is None or spot is None:
            self._say(["Tap the card where the spot lies."], "")
            return
        here = at.here

        def work(tell: Tell) -> tuple[Facet, list[str]]:
            return at.judge(spot, sigma, here, tell)

        # what was said of another spot is no answer to this one
        self.answer.classes("waiting")
        if at.ring is None:
            self._say(["Working it out …"], "")

        try:
            found = await self.answers.ask(work)
        except CookerError as error:
            for button in (self.keep, self.again):
                button.set_enabled(False)
            words = [p.text for p in error.problems] if isinstance(error, ScenarioError) else []
            self._say(words or [str(error)], "doubt")
            return
        if found is not None:
            facet, sentences = found
            self._say(
                sentences, {"not worth it": "enough", "worth it": "turn"}.get(facet.judged, "")
            )

    def _say(self, lines: list[str], how: str) -> None:
        self.answer.classes(replace=f"judged {how}")
        self.said.clear()
        with self.said:
            for k, line in enumerate(lines):
                ui.label(line).classes("answer" if k == 0 else "")

    # --- the log ------------------------------------------------------------------------------

    async def _write(self, do: Callable[[], object]) -> bool:
        if self.writing:
            return False  # a second tap writes no second row
        self.writing = True
        try:
            await asyncio.to_thread(do)
        except CookerError as error:
            self._refuse(error)
            return False
        finally:
            self.writing = False
        self._tell("")
        return True

    async def _keep(self, done: bool) -> None:
        if self.spot is not None:
            await self._log(self.spot, self.sigma, done)

    async def _gone(self) -> None:
        await self._log(None, READING, True)

    async def _log(self, spot: Spot | None, sigma: float, done: bool) -> None:
        """Write the facet at which the work is, and go on if it is done with and still shown."""
        at = self.at
        if at is None:
            return
        here = at.here
        if await self._write(lambda: at.keep(spot, sigma, here)):
            if at.here == here:
                self._leave()
                if done:
                    at.go(at.work.after(here))
            await self._show()

    async def _undo(self) -> None:
        at = self.at
        if at is None or not at.written or self.writing:
            return
        entry = at.written[-1]
        if await self._write(at.undo):
            self._leave()
            self.sigma = entry.sigma
            self.spot = None if entry.x is None or entry.along is None else (entry.x, entry.along)
            await self._show()

    # --- where the work goes ------------------------------------------------------------------

    async def _go(self, label: str) -> None:
        if self.at is None or not label or label == self.at.here:
            return
        self.at.go(label)
        self._leave()
        await self._show()

    def _leave(self) -> None:
        """Drop what was read of a facet and not kept."""
        self.spot, self.sigma, self.photo = None, READING, None
        self._seen([])

    async def _step(self, way: int) -> None:
        if self.at is not None:
            order = self.at.work.order
            await self._go(order[(order.index(self.at.here) + way) % len(order)])

    def _chosen(self, event: Any) -> Coroutine[Any, Any, None] | None:
        return None if self.filling or not event.value else self._go(str(event.value))

    async def _array_tapped(self, event: Any) -> None:
        if self.at is not None:
            cooker = self.at.work.measured.cooker
            right, low = (float(x) for x in event.args[:2])
            await self._go(facet_at(cooker, array_view(cooker).place(right, low)))

    def _height_typed(self) -> None:
        self.bench.note("set.height", str(self.height.value))
        self._show_laser()

    def _remember(self) -> None:
        if self.at is not None:
            spot = None if self.spot is None else [round(x, 6) for x in self.spot]
            self.bench.note("set", {"here": self.at.here, "spot": spot})


def _address(flat: FlatCard) -> str:
    """A card as a picture that a page can hold."""
    _, data = vision().imencode(".jpg", flat.pixels[..., ::-1])
    return f"data:image/jpeg;base64,{base64.b64encode(data.tobytes()).decode()}"


def _is_place(spot: list[Any]) -> bool:
    return len(spot) == 2 and all(isinstance(x, float | int) and math.isfinite(x) for x in spot)
