"""The Design part in a browser: a knob moves the numbers, and what is wrong is said beside it."""

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from raytrace.cli import app
from raytrace.live.knobs import knobs_of
from raytrace.reports.common.units import using
from raytrace.reports.designs.glance import gap_words, headline
from raytrace.scenario.loading import load_scenario, parse_scenario
from raytrace.studies.designs.glance import first_glance, more_draws

PATIENCE = 60_000  # the first look compiles [ms]


def scenario(name, *changes):
    return load_scenario(f"scenarios/{name}.toml", changes)


def knobs(name, *changes):
    return {knob.key: knob for knob in knobs_of(scenario(name, *changes))}


def test_a_knob_writes_what_the_loader_reads_as_the_same():
    for name in ("courtyard", "highland", "terrace"):
        read = scenario(name)
        for system in ("si", "us"):
            with using(system):
                turned = [f"{k.key}={k.text(k.value)}" for k in knobs_of(read) if not k.why_not]
            again = scenario(name, *turned)
            assert again.pot.base_height == pytest.approx(read.pot.base_height, rel=1e-5)
            assert again.facets.pitch_x == pytest.approx(read.facets.pitch_x, rel=1e-5)
            assert again.errors.setting == pytest.approx(read.errors.setting, rel=1e-5)
            assert again.errors.setting_kind == read.errors.setting_kind


def test_knobs_that_the_scenario_has_no_use_for_say_why():
    ring = knobs("rim-ring")
    assert "ring-places.csv" in ring["facets.rows"].why_not
    assert not ring["facets.diameter"].why_not
    assert "facets.width" not in ring
    angled = knobs("courtyard", "errors.setting=5 mrad")["errors.setting"]
    assert angled.text(6.0) == "6 mrad"


def test_a_knob_keeps_what_the_file_says_of_its_uncertainty():
    text = Path("scenarios/courtyard.toml").read_text(encoding="utf-8")
    for said, turned in (('"8 mm ± 2 mm"', "9 mm ± 2 mm"), ('"0.3 ± 0.1 deg"', "9 deg ± 0.1 deg")):
        read = parse_scenario(text.replace('"8 mm" ', f"{said} "))
        knob = next(k for k in knobs_of(read) if k.key == "errors.setting")
        assert knob.text(9.0) == turned
        again = parse_scenario(read.text, overrides={knob.key: turned})
        assert [u.text for u in again.unknowns if u.key == knob.key] == [turned]
    ranged = parse_scenario(text.replace('"8 mm" ', '"6..10 mm" '))
    assert "6..10 mm" in next(k for k in knobs_of(ranged) if k.key == "errors.setting").why_not


def test_words_of_a_gap():
    same, more = (
        more_draws(first_glance(scenario("courtyard", f"pot.base_height={h} mm")))
        for h in (600, 650)
    )
    assert gap_words(same, same) == "This is the pinned design."
    assert re.match(r"\d\.\d W more than pinned, surely", gap_words(more, same))
    assert re.match(r"\d\.\d W less than pinned, surely", gap_words(same, more))
    assert headline(same).startswith("202 W on the pot's base")


def settled(page):
    """Show Design, and wait until watts and boiling time are there."""
    page.get_by_role("tab", name="Design").click()
    page.locator(".headline").get_by_text("W on the pot's base; the pot (").wait_for(
        timeout=PATIENCE
    )


def watts(page):
    return float(re.match(r"([\d.]+) W", page.locator(".headline").inner_text())[1])


def test_a_moved_knob_moves_the_numbers_and_is_saved(bench_page, bench_folder):
    """Numbers as of the same scenario traced; what is saved is checked by the command."""
    settled(bench_page)
    before = watts(bench_page)
    bench_page.get_by_role("button", name="Pin this design").click()
    bench_page.get_by_text("This is the pinned design.").wait_for()
    dial = bench_page.get_by_role("slider", name="Pot's base over the board")
    dial.focus()
    bench_page.keyboard.press("PageUp")
    bench_page.get_by_text("Changed over courtyard.toml: pot.base_height=").wait_for()
    bench_page.get_by_text("more than pinned, surely").wait_for(timeout=PATIENCE)
    height = dial.input_value()
    typed = bench_page.get_by_label("Pot's base over the board [mm], typed")
    assert typed.input_value() == height != "600"
    there = first_glance(scenario("courtyard", f"pot.base_height={height} mm"))
    assert watts(bench_page) == pytest.approx(float(there.tally.delivered), abs=0.6) != before

    bench_page.get_by_role("button", name="Save").click()
    bench_page.get_by_label("Name, such as").fill("higher.toml")
    bench_page.get_by_role("button", name="Write").click()
    bench_page.get_by_text("Written: higher.toml").wait_for()
    bench_page.get_by_role("button", name="Close").click()
    text = (bench_folder / "higher.toml").read_text()
    assert "# Caution: where the light meets" in text  # the comments of the original
    checked = CliRunner().invoke(app, ["check", str(bench_folder / "higher.toml")])
    assert checked.exit_code == 0, checked.output

    bench_page.get_by_role("button", name="Back to the pinned design").click()
    bench_page.get_by_text("As courtyard.toml has it").wait_for()
    bench_page.get_by_text("The same watts as the pinned design.").wait_for(timeout=PATIENCE)
    assert dial.input_value() == "600"


def test_what_is_wrong_is_said_beside_its_knob_and_the_old_numbers_are_called_old(bench_page):
    settled(bench_page)
    before = watts(bench_page)
    field = bench_page.get_by_label("Pot's diameter [mm], typed")
    field.fill("-5")
    field.press("Enter")
    knob = bench_page.locator(".knob", has=field)
    knob.get_by_text("pot.diameter").wait_for()
    bench_page.get_by_text("What stands here is old").wait_for()
    assert watts(bench_page) == before
    assert field.get_attribute("aria-invalid") == "true"
    field.fill("250")
    field.press("Enter")
    bench_page.get_by_text("What stands here is old").wait_for(state="hidden", timeout=PATIENCE)
    assert knob.get_by_text("pot.diameter").is_hidden()


def test_two_tabs_are_both_alive(bench_address, browser):
    contexts = [browser.new_context() for _ in range(2)]
    pages = [context.new_page() for context in contexts]
    for page in pages:
        page.goto(bench_address)
    for page in pages:
        settled(page)
    pages[0].get_by_role("slider", name="Facet columns").focus()
    pages[0].keyboard.press("ArrowRight")
    pages[0].get_by_text("Changed over courtyard.toml: facets.columns=10").wait_for()
    pages[0].wait_for_function(
        "!document.querySelector('.headline').innerText.startsWith('202')", timeout=PATIENCE
    )
    assert watts(pages[0]) > watts(pages[1])
    assert pages[1].get_by_role("slider", name="Facet columns").input_value() == "9"
    for context in contexts:
        context.close()
