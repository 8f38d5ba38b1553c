"""Cook: the page's words are those of the study; two browsers don't disturb each other."""

import datetime as dt

from raytrace.reports.cooking.day_answer import day_answer
from raytrace.scenario.loading import load_scenario
from raytrace.studies.cooking.day import DayPlan, day

SLOW = 60_000  # for a day on a busy machine [ms]


def cook(page, **fields):
    page.get_by_role("tab", name="Cook").click()
    for label, text in fields.items():
        field = page.get_by_label(label.replace("_", " "))
        field.fill(text)
        field.press("Enter")


def test_a_day_is_answered_in_the_words_of_its_study(bench_address, bench_folder, bench_page):
    """No draws are asked for here, so it is of one cooker, exactly as the study has it."""
    bench_page.goto(f"{bench_address}?part=Cook")
    bench_page.get_by_role("tab", name="Cook", selected=True).wait_for()
    cook(bench_page, Date="2026-09-20", Put_on_at="10:00", Water="2", Food="0")
    changes = ("kitchen.water=2 L", "kitchen.food=0 kg")
    scenario = load_scenario(bench_folder / "courtyard.toml", changes)
    none = {"draws": 0, "habits": False, "standard": False}
    plan = DayPlan.of(scenario, dt.date(2026, 9, 20), start=36_000.0, **none)
    first = day_answer(day(scenario, plan))[0]
    bench_page.get_by_text(first).wait_for(timeout=SLOW)
    assert bench_page.get_by_label("Water").input_value() == "2 L"
    bench_page.get_by_role("img").first.wait_for()
    assert "temperature" in bench_page.get_by_role("img").first.get_attribute("alt")
    bench_page.get_by_text("Changed over courtyard.toml: kitchen.water=2 L").wait_for()


def test_a_mistake_stands_beside_its_field_in_the_loader_s_words(bench_page):
    cook(bench_page, Put_on_at="10:00", Water="2 parrots")
    bench_page.get_by_role("alert").get_by_text('unknown unit "parrots"').wait_for()
    cook(bench_page, Food="900 kg")
    bench_page.get_by_role("alert").get_by_text("kitchen.food").wait_for()
    bench_page.get_by_text("nothing is changed").wait_for()


def test_two_browsers_don_t_disturb_each_other_and_each_comes_back_to_its_own(
    bench_address, browser
):
    contexts = [browser.new_context(), browser.new_context()]
    pages = [context.new_page() for context in contexts]
    for page, litres in zip(pages, ("3 L", "1.5 L"), strict=True):
        page.goto(f"{bench_address}?open=terrace.toml&part=Cook")
        cook(page, Put_on_at="10:00", Water=litres)
        page.get_by_text(f"kitchen.water={litres}").wait_for()
    for page, litres in zip(pages, ("3 L", "1.5 L"), strict=True):
        assert page.get_by_label("Water").input_value() == litres
    for page, context, litres in zip(pages, contexts, ("3 L", "1.5 L"), strict=True):
        page.close()  # the tab
        again = context.new_page()
        again.goto(f"{bench_address}?open=terrace.toml")
        again.get_by_text(f"kitchen.water={litres}").wait_for()
        assert again.get_by_label("Water").input_value() == litres  # on the tab it was left at
        context.close()
