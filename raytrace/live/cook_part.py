"""Cook: one pot through one day, in the words of `cooker day`."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple, get_args

from markupsafe import Markup
from nicegui import background_tasks, ui

from raytrace.exceptions import CookerError, ScenarioError, SettingsError, StudyError
from raytrace.live.bench import Bench, keys_of
from raytrace.live.latest import Latest
from raytrace.live.pieces import WRONG, folded
from raytrace.reports.common.units import mass, unit, volume
from raytrace.reports.cooking.today import hot_words
from raytrace.reports.kinds import KINDS
from raytrace.reports.onepage.page import Shown, shown_of, split
from raytrace.reports.stray.stray_words import away_sentence
from raytrace.scenario.courses import Course
from raytrace.scenario.overrides import course_changes, habit_changes
from raytrace.sky.clock import asked_clock, asked_day, clock_left, now
from raytrace.studies.cooking.day import DayPlan, day
from raytrace.studies.stray.brief import brief_reach

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["cook_part"]

TODAY = "today"
OFTEN = ("10 min", "15 min", "20 min", "30 min", "45 min", "1 h", "never")
FACES = {"now": "to the sun as it stands", "ahead": "ahead, to where it stands half-way"}
LEAST_PAUSE = 600  # while somebody types [ms]
LOOK = 0.3  # between two looks how far the work is [s]
_drawing = threading.Lock()  # the figures' library keeps its settings for all threads


class Answer(NamedTuple):
    """What is shown of a day.

    Attributes
    ----------
    words, first, behind : list of Markup
        As `raytrace.reports.onepage.page.split` has them.
    safe : list of str
        When it is safe to eat, and how far to stay away.
    pictures : list of Shown
    """

    words: list[Markup]
    first: list[Markup]
    behind: list[Markup]
    safe: list[str]
    pictures: list[Shown]


def cook_part(bench: Bench) -> None:
    """Fill the tab.

    Parameters
    ----------
    bench : Bench
    """
    _Cook(bench)


class _Cook:
    """The fields, what they ask for, and the answer below them."""

    def __init__(self, bench: Bench):
        self.bench = bench
        noted = bench.noted("cook")
        held = noted if isinstance(noted, dict) else {}
        self.date, self.start = (str(held.get(key) or "") for key in ("date", "start"))
        self.quick, self.full = Latest(), Latest()
        self.share = 0.0
        self.stale = True
        with ui.element("div").classes("fields"):
            self._fields()
        self.told = ui.label().props('role="status"').classes("note")
        self.bar = ui.element("progress").props('max="1" aria-label="How much is computed"')
        self.answer = ui.element("div").props('aria-live="polite"').classes("answers")
        self.timer = ui.timer(LOOK, self._look, active=False)
        bench.listen(self._changed)
        bench.when_shown(self._seen)
        ui.context.client.on_delete(self._drop)
        if bench.front == "Cook":
            ui.timer(0.0, self._seen, once=True)
        self.bar.set_visibility(False)

    # what is asked

    def _fields(self) -> None:
        kitchen, habit = self.bench.scenario.kitchen, self.bench.scenario.habit
        day = ui.input("Date", value=self._day()).props(f"type=date debounce={LEAST_PAUSE}")
        day.on_value_change(lambda e: self._ask(day, date=str(e.value or "")))
        start = ui.input("Put on at (empty: the best)", value=self.start)
        start.props(f"type=time debounce={LEAST_PAUSE}")
        start.on_value_change(lambda e: self._ask(start, start=str(e.value or "")))
        water = self._quantity("Water", volume(kitchen.water), "kitchen.water", "volume")
        food = self._quantity("Food", mass(kitchen.food), "kitchen.food", "mass")
        lid = ui.checkbox("Lid on", value=kitchen.lid)
        lid.on_value_change(
            lambda e: self._set(lid, {"kitchen.lid": "true" if e.value else "false"})
        )
        courses = {word: word for word in get_args(Course)}
        wanted = ui.select(courses, label="What is wanted", value=kitchen.wanted)
        wanted.on_value_change(lambda e: self._set(wanted, course_changes(str(e.value))))
        every = _every_words(habit.turn_every)
        often = ui.select(list(dict.fromkeys([*OFTEN, every])), label="Turned every", value=every)
        face = ui.select(FACES, label="Turned", value=habit.face)
        often.on_value_change(lambda e: self._set(often, habit_changes(str(e.value), None)))
        face.on_value_change(lambda e: self._set(face, habit_changes(None, str(e.value))))
        self.shown: dict[Any, Callable[[Scenario], Any]] = {
            water: lambda s: volume(s.kitchen.water),
            food: lambda s: mass(s.kitchen.food),
            lid: lambda s: s.kitchen.lid,
            wanted: lambda s: s.kitchen.wanted,
            often: lambda s: _every_words(s.habit.turn_every),
            face: lambda s: s.habit.face,
        }

    def _quantity(self, label: str, text: str, key: str, kind: str) -> Any:
        """Field that is taken when it is left; a bare figure has the unit of the kind."""
        field = ui.input(label, value=text)

        def asked() -> None:
            words = str(field.value or "").strip()
            if words.replace(".", "", 1).isdecimal():
                words += f" {unit(kind).symbol}"
            self._set(field, {key: words or None})

        field.on("blur", asked)
        field.on("keydown.enter", asked)
        return field

    def _day(self) -> str:
        return self.date or now(self.bench.scenario.site).date().isoformat()

    def _ask(self, field: Any, **values: str) -> None:
        """Take a date or a start."""
        try:
            if values.get("date"):
                asked_day(values["date"])
            if values.get("start"):
                asked_clock(values["start"])
        except SettingsError as error:
            field.error = str(error)
            return
        field.error = None
        if values.get("date") == now(self.bench.scenario.site).date().isoformat():
            values["date"] = ""  # it is today's, on whatever day it is opened again
        for name, value in values.items():
            setattr(self, name, value)
        self.bench.note("cook", {"date": self.date, "start": self.start})
        self._wish()  # the scenario is as it was: what is being typed into its fields stays

    def _set(self, field: Any, changes: Mapping[str, str | None] | list[str]) -> None:
        """Take keys of the scenario; a mistake stands beside the field, and changes nothing."""
        if not isinstance(changes, Mapping):
            changes = keys_of(changes)
        try:
            self.bench.change(changes)
            wrong = ""
        except ScenarioError as error:
            wrong = " ".join(str(problem) for problem in error.problems)
        if hasattr(field, "error"):
            field.error = wrong or None
        elif wrong:
            self._end(wrong, wrong=True)
        if not wrong:
            self._refresh()

    def _refresh(self) -> None:
        """Show what the scenario has: another part, or another key, may have changed it."""
        for field, value in self.shown.items():
            there = value(self.bench.scenario)
            if field.value != there and not getattr(field, "error", None):
                field.set_value(there)

    # what is answered

    def _changed(self) -> None:
        self._refresh()
        self._wish()

    def _wish(self) -> None:
        self.stale = True
        self._seen()

    def _seen(self) -> None:
        if self.bench.front == "Cook" and self.stale:
            self.stale = False
            background_tasks.create(self._answer(), name="cook")

    async def _answer(self) -> None:
        """First of one cooker, at once; then what may be expected, as `cooker day` has it."""
        scenario = self.bench.scenario
        self._drop()
        try:
            plan = _plan(scenario, self.date or TODAY, self.start)
            plan = replace(plan, draws=self.bench.draws)
            quick = replace(plan, draws=0, habits=False, standard=False)
            wishes = [
                (self.quick, quick, "A first look, of one cooker …"),
                (self.full, plan, "What may be expected …"),
            ]
            for latest, wish, words in wishes[: 2 if plan.draws else 1]:
                self._begin(words)
                work = partial(_found, scenario, wish)
                found = await latest.ask(work, self._note)
                if found is None:
                    return  # a newer wish has come
                self._show(found)
            self._end("")
        except CookerError as error:
            self.answer.clear()
            self._end(str(error), wrong=True)
        except Exception:
            self._end(WRONG, wrong=True)
            raise

    def _drop(self) -> None:
        self.quick.drop()
        self.full.drop()

    def _begin(self, words: str) -> None:
        self.share = 0.0
        self.told.set_text(words)
        self.told.classes(replace="note")
        self.bar.set_visibility(True)
        self.timer.activate()

    def _note(self, share: float) -> None:
        self.share = share

    def _look(self) -> None:
        self.bar.props(f'value="{self.share:.2f}"')

    def _end(self, words: str, *, wrong: bool = False) -> None:
        self.timer.deactivate()
        self.bar.set_visibility(False)
        self.told.set_text(words)
        self.told.classes(replace="doubt" if wrong else "note")

    def _show(self, found: Answer) -> None:
        self.answer.clear()
        with self.answer:
            for number, part in enumerate([*found.words, *found.first]):
                ui.html(str(part), sanitize=False).classes("verdict" * (number == 0))
            for sentence in found.safe:
                ui.label(sentence.replace("`", ""))
            course, *others = found.pictures
            _picture(course)
            with folded("What lies behind it"):
                for picture in others:
                    _picture(picture)
                for part in found.behind:
                    ui.html(str(part), sanitize=False)


def _picture(shown: Shown) -> None:
    drawn = Markup('<img alt="{}" src="{}">').format(shown.words, shown.source)
    ui.html(str(drawn), sanitize=False).classes("scrolls")


def _every_words(seconds: float | str) -> str:
    """A habit as a scenario says it."""
    if isinstance(seconds, str):
        return seconds
    return f"{seconds / 3600:g} h" if seconds % 3600 == 0 else f"{seconds / 60:g} min"


def _plan(scenario: Scenario, date: str, start: str) -> DayPlan:
    """Plan of `cooker day` for a date and a start, of which the latter may be empty."""
    begin = asked_clock(start) if start else None
    left = 0.0 if start else clock_left(date, scenario.site)
    return DayPlan.of(scenario, asked_day(date, scenario.site), start=begin, not_before=left)


def _found(scenario: Scenario, plan: DayPlan, tell: Callable[[float, float], None]) -> Answer:
    """Compute and write what is shown."""
    kind = KINDS["day"]
    found = day(scenario, plan, progress=tell)
    tell(100.0, 100.0)  # still wished? Then it is drawn
    _, *parts = kind.function("tables")(found)
    words, first, behind = split(parts)
    answer = next(iter(kind.function("sentences")(found)), "")
    safe = hot_words(found.pot, found.draws)
    if plan.draws:  # it takes a second
        with contextlib.suppress(StudyError):  # no sun at all
            safe.append(away_sentence(brief_reach(scenario)))
    with _drawing:
        figures = kind.function("figures")(found)
        pictures = [shown_of(name, figure, answer) for name, figure in figures.items()]
    return Answer(words, first, behind, safe, pictures)
