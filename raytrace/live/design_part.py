"""Design: what the cooker's numbers do as its knobs are turned."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from html import escape
from itertools import islice
from typing import TYPE_CHECKING, Any

from nicegui import ui

from raytrace.exceptions import CookerError, ScenarioError
from raytrace.live.bench import Bench, keys_of
from raytrace.live.following import QUICK, Following
from raytrace.live.inputs import Dial
from raytrace.live.knobs import Knob, knobs_of
from raytrace.live.pieces import folded
from raytrace.reports.common.cautions import KITCHEN
from raytrace.reports.common.units import clock_words
from raytrace.reports.designs.glance import (
    figures,
    gap_rows,
    gap_words,
    headline,
    sureness,
    under,
)
from raytrace.reports.designs.glance_map import map_svg
from raytrace.sky.clock import read_date
from raytrace.studies.designs.glance import Glance, glances, moment_of, surer

if TYPE_CHECKING:
    from raytrace.optics.tally import Tally
    from raytrace.scenario.schema import Scenario

__all__ = ["design_part"]

NAME, NOTE = "Design", "design"  # on its tab, and by which the bench remembers this part
BURNS = dict(KITCHEN)["Burns"]
HOURS = (4.0, 21.0, 0.25)  # of the clock's slider: first, last, step
SAME = 1e-6  # of a knob's step: rounding


def design_part(bench: Bench) -> None:
    """Fill the tab.

    Parameters
    ----------
    bench : Bench
    """
    _Design(bench)


class _Design:
    """The tab's widgets, and what they know of the design."""

    def __init__(self, bench: Bench):
        self.bench = bench
        noted = bench.noted(NOTE)
        self.at: str | None = _known_moment(noted)
        self.asked: dict[str, str | None] = {}  # not yet taken, or refused so far
        self.taking = False
        self.no_moment = ""  # why what is written is no date
        self.seen: list[Glance] = []  # of the newest design, step by step
        self.pinned: list[Glance] = []
        self.pinned_changes: tuple[str, ...] = ()
        self.working = bench.scenario  # of which the newest steps are
        self.drawn: Tally | None = None  # as a map
        with ui.element("div").classes("design"):
            self._headline()
            with ui.element("section").classes("answers").props('aria-label="What it does"'):
                self._answers()
            with ui.element("section").classes("knobs").props('aria-label="Knobs"'):
                self._knobs()
        self.following = Following(self._steps, self._show, self._refuse, (CookerError,))
        self.client = ui.context.client
        self.client.on_connect(self._seen)
        self.client.on_disconnect(self._left)
        self.client.on_delete(self.following.end)
        bench.listen(self._changed)
        bench.when_shown(self._seen)

    # what it shows

    def _headline(self) -> None:
        """The answer, which stays in sight while the knobs are turned."""
        with ui.element("div").classes("headline"):
            self.answer = ui.label("Being computed …").props('role="status"')
            self.old = ui.label().classes("doubt").props('role="alert"')
            self.old.set_visibility(False)

    def _answers(self) -> None:
        ui.label(f"Caution: {BURNS}").classes("doubt")
        with ui.element("div").classes("shown") as self.shown:
            self.under = ui.html("", sanitize=False)
            with ui.element("div").classes("map-and-figures"):
                self.map = ui.html("", sanitize=False).classes("map")
                self.figures = ui.html("", sanitize=False)
            with ui.row().classes("files"):
                self.pin = ui.button("Pin this design", on_click=self._pin)
                self.pin.props("outline no-caps")
                self.unpin = ui.button("Unpin", on_click=self._unpin).props("outline no-caps")
                self.back = ui.button("Back to the pinned design", on_click=self._back)
                self.back.props("outline no-caps")
            self.against = ui.html("", sanitize=False)
            for button in (self.unpin, self.back):
                button.set_visibility(False)
            with folded("How sure these numbers are"):
                self.sure = ui.html("", sanitize=False)
            self.progress = ui.element("progress").props('max=1 value=0 aria-label="Computed"')

    def _show(self, glance: Glance) -> None:
        if self.pinned and glance.scenario is self.pinned[0].scenario:
            same_sun = glance.plan.at == self.pinned[0].plan.at
            self.pinned = [*self.pinned, glance] if same_sun else [glance]
        if glance.scenario is self.working:
            on = self.seen and _same(glance, self.seen[0]) and glance.step >= self.seen[-1].step
            self.seen = [*self.seen, glance] if on else [glance]
            self._show_design(glance)
        self._compare()

    def _show_design(self, glance: Glance) -> None:
        if not self.asked and not self.no_moment:  # else it is still of the design before
            self._mark(None)
            self.old.set_visibility(False)
            self.shown.classes(remove="stale")
        self.answer.set_text(headline(glance))
        lines = under(glance) if glance.drawn else [*WAITING, *under(glance)]
        self.under.set_content(_paragraphs(lines))
        self.sure.set_content(_paragraphs(sureness(glance)))
        self.progress.props(f"value={glance.share:.3f}")
        if glance.tally is not self.drawn:  # a boiling time alone changes no map
            self.drawn = glance.tally
            self.map.set_content(map_svg(glance.tally))
            rows = (
                f"<dt>{escape(f.name)}</dt><dd><strong>{escape(f.value)}</strong> "
                f"{escape(f.note)}</dd>"
                for f in figures(glance)
            )
            self.figures.set_content(f"<dl>{''.join(rows)}</dl>")

    def _stale(self, words: str) -> None:
        """Say what is wrong; what is seen stays, grey and called old."""
        self.old.set_text(words)
        self.old.set_visibility(True)
        self.shown.classes(add="stale")

    def _refuse(self, error: Exception) -> None:
        self._mark(error)
        problems = error.problems if isinstance(error, ScenarioError) else ()
        words = " ".join(map(str, problems)) or f"{str(error).rstrip('.')}."
        self._stale(f"{words} What stands here is old: of the design before.")

    # pinned

    def _pin(self) -> None:
        if self.seen:
            self.pinned, self.pinned_changes = list(self.seen), self.bench.changes
            for button in (self.unpin, self.back):
                button.set_visibility(True)
            self._compare()
            self.following.wish()

    def _unpin(self) -> None:
        self.pinned = []
        for button in (self.unpin, self.back):
            button.set_visibility(False)
        self._compare()

    def _back(self) -> None:
        gone = dict.fromkeys(keys_of(self.bench.changes))
        self.bench.change({**gone, **keys_of(self.pinned_changes)})

    def _compare(self) -> None:
        if not self.pinned or not self.seen:
            self.against.set_content("")
            return
        now = self.seen[-1]
        if now.plan.at != self.pinned[0].plan.at:
            self.against.set_content("<p>The pinned design is looked at under this sun …</p>")
            return
        # as many beams and draws as they have in common, so that their errors are the same
        pinned = next((p for p in reversed(self.pinned) if p.step <= now.step), self.pinned[0])
        head = "".join(f'<th scope="col">{h}</th>' for h in ("", "pinned", "now", "difference"))
        rows = "".join(
            f'<tr><th scope="row">{escape(r.name)}</th>'
            + "".join(f'<td class="number">{escape(x)}</td>' for x in r[1:])
            + "</tr>"
            for r in gap_rows(now, pinned)
        )
        said = ", ".join(self.pinned_changes) or "as the file has it"
        self.against.set_content(
            f'<p class="answer">{escape(gap_words(now, pinned))}</p>'
            f'<p class="note">Pinned: {escape(said)}. Differences with what they are good for by '
            "samples (95 %); “noise” where none is sure.</p>"
            f'<div class="scrolls" tabindex="0"><table><thead><tr>{head}</tr></thead>'
            f"<tbody>{rows}</tbody></table></div>"
        )

    # what it is asked

    def _knobs(self) -> None:
        with ui.element("fieldset"):
            with ui.element("legend"):
                ui.label("The sun")
            self.at_design = ui.checkbox("At the design sun", value=self.at is None)
            time = dt.datetime.fromisoformat(self.at) if self.at else None
            design = self.bench.scenario.design.date
            date = time.date() if time else design or dt.date(2026, 3, 20)
            self.date = ui.input("Date", value=date.isoformat()).props("type=date dense")
            hour = time.hour + time.minute / 60.0 if time else 12.0
            low, high, step = HOURS
            with ui.element("div").classes("knob"):
                self.clock = ui.label().classes("knob-name")
                name = "Hour by the clock"
                self.hour = Dial("range", name, hour, step, self._hour_turned, (low, high))
            for widget in (self.at_design, self.date):
                widget.on_value_change(self._moment_turned)
            self._moment_words()
        self.turned: dict[str, tuple[Knob, Dial, Dial, Any]] = {}
        with ui.element("fieldset"):
            with ui.element("legend"):
                ui.label("The cooker")
            for knob in knobs_of(self.bench.scenario):
                self._knob(knob)

    def _knob(self, knob: Knob) -> None:
        def turned(value: float) -> None:
            self._set(knob.key, value)
            self._ask({knob.key: knob.text(value)})

        with ui.element("div").classes("knob"):
            ui.label(knob.name).classes("knob-name")
            with ui.element("div").classes("knob-pair"):
                at, step, ends = knob.value, knob.step, (knob.low, knob.high)
                slider = Dial("range", knob.name, at, step, turned, ends)
                field = Dial("number", f"{knob.name}, typed", at, step, turned)
            wrong = ui.label(knob.why_not).classes("note" if knob.why_not else "doubt")
            wrong.set_visibility(bool(knob.why_not))
        if knob.why_not:
            slider.enable(False)
            field.enable(False)
        else:
            self.turned[knob.key] = (knob, slider, field, wrong)

    def _set(self, key: str, value: float) -> None:
        """Slider and field of a knob to one value, without asking for it."""
        knob, *both, _ = self.turned[key]
        for dial in both:
            if abs(dial.value - value) > SAME * knob.step:
                dial.show(value)

    def _ask(self, values: dict[str, str | None]) -> None:
        self.asked |= values
        self.following.wish()

    def _take(self) -> None:
        """Turn the scenario to what was asked; what is refused is asked again with the next."""
        self.taking = True
        try:
            self.bench.change(self.asked)
        finally:
            self.taking = False
        self.asked = {}
        self._mark(None)

    def _mark(self, error: Exception | None) -> None:
        """Say beside each knob what is wrong with it."""
        found = error.problems if isinstance(error, ScenarioError) else ()
        problems = {p.key: str(p) for p in found}
        for key, (_, slider, field, wrong) in self.turned.items():
            mine = [words for at, words in problems.items() if key in at.split(", ")]
            wrong.set_text(" ".join(mine))
            wrong.set_visibility(bool(mine))
            for dial in (slider, field):
                dial.props(f"aria-invalid={'true' if mine else 'false'}")

    def _changed(self) -> None:
        """Follow who else has changed the scenario, with the knobs too."""
        if not self.taking:
            self.asked = {}
            self._sync()
            self._seen()

    def _seen(self) -> None:
        """Work while somebody looks, from where it was left off."""
        if self.bench.front in ("", NAME):
            self.following.wish()
        else:
            self.following.drop()

    def _left(self) -> None:
        """Rest while the browser is away; it may come back."""
        if not self.client.has_socket_connection:
            self.following.drop()

    def _sync(self) -> None:
        for knob in knobs_of(self.bench.scenario):
            if knob.key in self.turned:
                self._set(knob.key, knob.value)

    # the sun

    def _hour_turned(self, _: float) -> None:
        self._moment_turned()

    def _moment_turned(self) -> None:
        self._moment_words()
        if self.at_design.value:
            self.at = None
        else:
            try:
                day = read_date(str(self.date.value))
            except CookerError as error:
                self.no_moment = f"{error}. What stands here is old."
                self._stale(self.no_moment)
                return
            hour, minute = divmod(round(60.0 * self.hour.value), 60)
            self.at = f"{day.isoformat()}T{hour:02d}:{minute:02d}"
        self.no_moment = ""
        self.bench.note(NOTE, self.at)
        self.following.wish()

    def _moment_words(self) -> None:
        hour, minute = divmod(round(60.0 * self.hour.value), 60)
        self.clock.set_text(f"Hour by the clock: {clock_words(hour, minute)}")
        free = not self.at_design.value
        self.date.set_enabled(free)
        self.hour.enable(free)

    # the work

    def _steps(self, tell: Callable[[], None]) -> Iterator[Glance]:
        self._take()
        self.working = self.bench.scenario
        return self._both(self.working, tell)

    def _both(self, scenario: Scenario, tell: Callable[[], None]) -> Iterator[Glance]:
        """The newest design from where it was left off, then the pinned one under the same sun."""
        now = self._on(scenario, self.seen, tell)
        if not self.pinned:
            yield from now
            return
        yield from islice(now, QUICK)
        pinned = self._on(self.pinned[0].scenario, self.pinned, tell)
        if self.pinned[0].scenario is not scenario:
            yield from islice(pinned, QUICK)
        yield from now
        yield from pinned

    def _on(
        self, scenario: Scenario, seen: list[Glance], tell: Callable[[], None]
    ) -> Iterator[Glance]:
        last = seen[-1] if seen else None
        if last is None or last.scenario is not scenario or last.boil is None:
            return glances(scenario, self.at, tell)
        same_sun = last.plan.at == moment_of(scenario, self.at)
        return surer(last, tell) if same_sun else glances(scenario, self.at, tell)


WAITING = ("What such cookers deliver is being drawn …",)


def _paragraphs(lines: list[str]) -> str:
    return "".join(f"<p>{escape(line)}</p>" for line in lines)


def _same(one: Glance, other: Glance) -> bool:
    """Whether two are of one design under one sun."""
    return one.scenario is other.scenario and one.plan.at == other.plan.at


def _known_moment(noted: Any) -> str | None:
    """A moment that was remembered, if it is one."""
    try:
        return dt.datetime.fromisoformat(noted).isoformat()[:16] if noted else None
    except (TypeError, ValueError):
        return None
