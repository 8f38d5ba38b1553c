"""Set: drawings, the log that several write, and three facets set in a browser."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from camera.rendered import Scene, render
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from raytrace.camera.card import card_layout
from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import SettingsError
from raytrace.live.at_work import AtWork
from raytrace.live.drawings import array_svg, array_view, card_svg, card_view, facet_at
from raytrace.reports.bench.one_facet import laser_sentence, mark_sentence
from raytrace.reports.common.lengths import RULES
from raytrace.scenario.loading import load_scenario
from raytrace.studies.bench.one_facet import facet_now
from raytrace.studies.bench.set_log import add_entry, read_log
from raytrace.studies.bench.setting import entry_of, laser_place

ROOT = Path(__file__).parents[2]
COURTYARD = ROOT / "scenarios" / "courtyard.toml"
SHARE = st.floats(0.0, 1.0)
LENGTH = st.floats(-0.5, 0.5)


@pytest.fixture(scope="module")
def scenario():
    return load_scenario(COURTYARD)


# --- drawings ---------------------------------------------------------------------------------


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no fault
@given(SHARE, SHARE, st.floats(0.02, 0.5), st.booleans(), LENGTH, LENGTH)
def test_a_place_on_the_card_is_drawn_where_it_was_tapped(right, low, half, mirrored, x, y):
    view = card_view(half, mirrored=mirrored, middle=(x, y))
    place = view.place(right, low)
    np.testing.assert_allclose(
        view.on_drawing(place), (1000.0 * right, 1000.0 * low), rtol=0, atol=1e-6
    )
    # as on the printed card: seen from below the platform's right is on the left
    side = -1.0 if mirrored else 1.0
    if abs(right - 0.5) > 1e-12:  # nearer the middle both differences are rounding
        assert np.sign(place[0] - x) == side * np.sign(right - 0.5)
    if abs(low - 0.5) > 1e-12:
        assert np.sign(place[1] - y) == np.sign(0.5 - low)


@pytest.mark.parametrize("name", ["courtyard", "rim-ring", "school-kitchen"])
def test_a_facet_is_found_where_it_is_drawn(name):
    cooker = build_cooker(load_scenario(ROOT / "scenarios" / f"{name}.toml"))
    view, facets = array_view(cooker), cooker.facets
    for f in np.flatnonzero(facets.present):
        x, y = view.on_drawing(facets.c[f, :2]) / [1000.0, view.height]
        assert facet_at(cooker, view.place(x, y)) == facets.label[f]
    assert facet_at(cooker, view.place(-0.5, 0.5)) == ""


def test_the_drawings_say_what_they_show(scenario):
    cooker = build_cooker(scenario)
    states = dict.fromkeys(cooker.facets.label, "") | {"A1": "ok", "A2": "missing"}
    svg = array_svg(cooker, states, "A3", {"A1": "12"})
    assert "1 set, 1 fell off or missing. At A3." in svg
    assert "52 to set" in svg
    assert svg.count(">A1</text>") == svg.count(">12</text>") == 1
    below, aside = (
        card_svg(card_view(0.13, mirrored=m), 0.12, RULES["mm"], mark=(0, 0), ring=0.04, spot=None)
        for m in (True, False)
    )
    right = [
        float(re.search(r'x="([\d.]+)"[^>]*>platform&#x27;s right', x)[1]) for x in (below, aside)
    ]
    assert right[0] < 500.0 < right[1]
    assert f'r="{1000 * 0.04 / 0.26:.1f}"' in below


# --- the work and its log ---------------------------------------------------------------------


def test_what_others_write_is_noticed_and_never_lost(scenario, tmp_path):
    path = tmp_path / "set.csv"
    one, two = AtWork(scenario, path), AtWork(scenario, path)
    assert one.here == two.here == "A1"
    one.keep((0.004, -0.003))
    assert two.stale
    two.go("A2")
    two.keep(None)
    assert two.look() == ()
    assert one.stale
    assert one.look() == ("A2",)
    assert not one.stale
    one.go("A3")
    one.keep((0.0, 0.001))
    taken = two.undo()
    assert (taken.facet, two.here) == ("A2", "A2")
    assert one.look() == ("A2",)
    written = read_log("set.csv", path.read_text()).entries
    assert [(e.facet, e.state) for e in written] == [("A1", "ok"), ("A3", "ok")]
    add_entry(path, entry_of(scenario, "A1", None), "base")
    assert one.look() == ("A1",)
    assert one.work.state["A1"] == "missing"


def test_the_answer_is_the_command_s_and_counts_the_tries(tmp_path):
    scenario = load_scenario(COURTYARD, ["facets.rows=3", "facets.columns=3"])
    at = AtWork(scenario, tmp_path / "set.csv")
    at.go("C3")
    facet, sentences = at.judge((0.09, -0.02))
    tried = at.work.tried(entry_of(scenario, "C3", (0.09, -0.02)))
    alone = facet_now(tried.measured, at.number)
    assert (float(facet.cost), facet.ring, facet.judged) == (
        float(alone.cost), alone.ring, alone.judged
    )  # fmt: skip
    assert sentences[0].startswith("Not yet: C3 is 92 mm off")
    assert (
        "left on the card, as you see it from below" in sentences[1] or "right on" in sentences[1]
    )
    assert not at.path.exists(), "an answer writes nothing"
    at.keep((0.09, -0.02))
    at.keep((0.05, -0.02))
    assert "reading 3 of C3 today. Each turn weakens the joint" in " ".join(
        at.judge((0.01, 0.0))[1]
    )


def test_an_upright_card_is_seen_from_its_lit_side_and_named_so(tmp_path):
    at = AtWork(load_scenario(ROOT / "scenarios" / "highland.toml"), tmp_path / "set.csv")
    assert at.work.log.plane == "upright"
    cooker = at.work.measured.cooker
    sides = set()
    for f in np.flatnonzero(cooker.facets.present):
        at.go(cooker.facets.label[f])
        sides.add(at.mirrored)
        assert at.mirrored == (cooker.facets.c[f, 1] > cooker.pot.base[1])
    assert "upright card" in mark_sentence(at.mark, ("x", "z"))
    at.keep((0.001, 0.002))
    assert at.path.read_text().splitlines()[1].startswith("facet,x_mm,z_mm")


def test_the_laser_s_place_is_said_in_the_chosen_unit(scenario):
    cooker = build_cooker(scenario)
    with pytest.raises(SettingsError, match="shines down"):
        laser_place(cooker, scenario, 0, 0.0)
    words = laser_sentence(laser_place(cooker, scenario, 0, 60 * 0.0254), "A1", RULES["in"])
    assert "60 in above the platform's top" in words
    assert "never turn it" in words
    point = load_scenario(ROOT / "scenarios" / "rim-ring.toml")
    words = laser_sentence(laser_place(build_cooker(point), point, 0, 1.5), "A1", RULES["mm"])
    assert "on its stand" in words


# --- in a browser -----------------------------------------------------------------------------


def tap(page, place, half):
    """Tap the card at a place of the platform [m], on a drawing that shows so much of it."""
    card = page.locator(".card-drawing")  # stays when what it holds is drawn anew
    card.scroll_into_view_if_needed()
    box = card.bounding_box()
    x, y = place
    at = {"x": (0.5 - 0.5 * x / half) * box["width"], "y": (0.5 - 0.5 * y / half) * box["height"]}
    card.click(position=at)


def answered(page, label, off):
    page.locator(".judged .answer").get_by_text(f"{label} is {off} mm off").wait_for()


@pytest.fixture(scope="module")
def small(bench_folder, bench_address):
    """A scenario of nine facets, whose maps are worked out in no time: its address and its log."""
    text = (
        COURTYARD.read_text()
        .replace("rows = 6 ", "rows = 3 ")
        .replace("columns = 9", "columns = 3")
    )
    (bench_folder / "nine.toml").write_text(text)
    return f"{bench_address}?open=nine.toml", bench_folder / "results" / "nine-set.csv"


def opened(page, address):
    page.goto(address)
    page.get_by_role("tab", name="Set").click()
    page.locator(".card-drawing svg").wait_for()


def test_three_facets_are_set_the_tab_is_closed_and_the_work_goes_on(bench_page, small):
    address, log = small
    opened(bench_page, address)
    half = card_layout(0.12).half
    for label, place, off in (("A1", (0.03, 0.04), 50), ("A2", (-0.012, 0.005), 13)):
        bench_page.locator(".which").get_by_text(label).wait_for()
        tap(bench_page, place, half)
        answered(bench_page, label, off)
        bench_page.get_by_role("button", name="Keep it").click()
    bench_page.get_by_text("Set so far: 2 of 9").wait_for()
    bench_page.get_by_label("Sideways, mm").fill("6")
    bench_page.evaluate("window.scrollTo(0, 1e6)")
    assert bench_page.get_by_text("Laser on: every eye out").bounding_box()["y"] >= 0.0
    bench_page.get_by_role("button", name="left on the card").click()
    answered(bench_page, "A3", 6)
    second = bench_page.context.new_page()
    bench_page.wait_for_timeout(500)
    bench_page.close()
    second.goto(address)
    # the tab, the facet and its spot are as they were left
    answered(second, "A3", 6)
    second.get_by_role("button", name="Keep it").click()
    second.get_by_text("Set so far: 3 of 9").wait_for()
    rows = read_log(log.name, log.read_text()).entries
    assert [e.facet for e in rows] == ["A1", "A2", "A3"]
    for entry, place in zip(rows, [(0.03, 0.04), (-0.012, 0.005), (0.006, 0.0)], strict=True):
        assert np.hypot(entry.x - place[0], entry.along - place[1]) < 1e-3
    # what another writes shows here, and what is undone is gone from the log
    add_entry(log, entry_of(load_scenario(COURTYARD), "B2", None), "base")
    second.get_by_text("Written elsewhere since: B2").wait_for()
    second.get_by_role("button", name="Undo A3").click()
    second.get_by_text("Set so far: 2 of 9").wait_for()
    rows = read_log(log.name, log.read_text()).entries
    assert [(e.facet, e.state) for e in rows] == [("A1", "ok"), ("A2", "ok"), ("B2", "missing")]
    second.get_by_label("Sideways, mm").fill("6 kg")
    second.get_by_text("That is no length").wait_for()
    log.unlink()


def test_a_photograph_of_the_card_says_where_the_spot_is_and_is_never_taken_unseen(
    bench_page, small
):
    """A rendered photograph with its spot 20 mm right and 30 mm away from the sun; to 1 mm."""
    address, log = small
    log.unlink(missing_ok=True)
    opened(bench_page, address)
    scene = Scene(card_layout(0.12), width=1000, height=750)
    picture = {"name": "here.jpg", "mimeType": "image/jpeg", "buffer": render(scene)}
    bench_page.locator("input[type=file]").set_input_files(picture)
    bench_page.get_by_text("Found in the photograph, to").wait_for()
    answered(bench_page, "A1", 36)
    assert not log.exists()
    assert bench_page.locator(".card-drawing image").count() == 1
    bench_page.get_by_role("button", name="Keep it").click()
    bench_page.get_by_text("Set so far: 1 of 9").wait_for()
    (entry,) = read_log(log.name, log.read_text()).entries
    assert np.hypot(entry.x - scene.truth()[0], entry.along - scene.truth()[1]) < 1e-3
    assert entry.sigma < 1e-3
    bare = {**picture, "buffer": render(replace(scene, blobs=()))}
    bench_page.locator("input[type=file]").set_input_files(bare)
    bench_page.get_by_text("If you see the spot on the card, tap it there").wait_for()
    broken = {**picture, "name": "torn.jpg", "buffer": picture["buffer"][:2000]}
    bench_page.locator("input[type=file]").set_input_files(broken)
    bench_page.get_by_text("torn.jpg: ").wait_for()
    bench_page.get_by_text("Prove the laser's angle").click()
    found = Axe().run(bench_page)
    assert found.violations_count == 0, found.generate_report()
    log.unlink()
