"""The page in a browser: its frame, and what it remembers."""

import sys
import tomllib

from typer.testing import CliRunner

from raytrace.cli import app
from raytrace.scenario.loading import load_scenario

TABS = ("Design", "Cook", "Set")


def test_it_shows_on_phones_and_desks_and_asks_nobody_else(bench_address, browser):
    """No error, no overflow, no request elsewhere; contrast, names and structure by axe-core."""
    from axe_playwright_python.sync_playwright import Axe

    view = browser.new_page(viewport={"width": 390, "height": 800})
    trouble, asked = [], []
    view.on("console", lambda message: trouble.append(message.text))
    view.on("pageerror", lambda error: trouble.append(str(error)))
    view.on("request", lambda request: asked.append(request.url))
    view.on("websocket", lambda line: asked.append(line.url.replace("ws:", "http:")))
    view.goto(bench_address)
    for name in TABS:
        view.get_by_role("tab", name=name).click()
        view.get_by_role("tabpanel").get_by_text("Caution:").first.wait_for()
        for width in (390, 1280):
            view.set_viewport_size({"width": width, "height": 800})
            assert view.evaluate("document.documentElement.scrollWidth") <= width
            found = Axe().run(view)
            assert found.violations_count == 0, found.generate_report()
    assert trouble == []
    assert [u for u in asked if not u.startswith((bench_address, "data:", "blob:"))] == []
    view.close()


def test_it_is_worked_by_keys_alone(bench_page):
    bench_page.get_by_role("tab", name="Design").focus()
    bench_page.keyboard.press("ArrowRight")
    bench_page.keyboard.press("Enter")
    bench_page.get_by_role("tab", name="Cook", selected=True).wait_for()
    bench_page.get_by_role("button", name="Open").focus()
    bench_page.keyboard.press("Enter")
    bench_page.get_by_role("dialog").get_by_role("link", name="courtyard.toml").wait_for()
    bench_page.keyboard.press("Escape")
    bench_page.get_by_role("dialog").wait_for(state="hidden")


def test_where_its_packages_are_missing_one_sentence_says_so(bench_folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    monkeypatch.delitem(sys.modules, "raytrace.live.server", raising=False)
    run = CliRunner().invoke(app, ["bench", str(bench_folder / "courtyard.toml"), "--no-open"])
    assert run.exit_code == 2
    assert run.output.splitlines() == [
        'the page needs some more packages. In the project\'s folder: pip install ".[live]".'
    ]


def test_a_scenario_is_saved_and_opened_and_never_replaced_unasked(bench_page, bench_folder):
    bench_page.get_by_role("button", name="Save").click()
    bench_page.get_by_label("Name, such as").fill("../mine.toml")
    bench_page.get_by_role("button", name="Write").click()
    bench_page.get_by_text("write a plain name").wait_for()
    bench_page.get_by_label("Name, such as").fill("rim-ring.toml")
    bench_page.get_by_role("button", name="Write").click()
    bench_page.get_by_text("is there already").wait_for()
    bench_page.get_by_label("Name, such as").fill("copy of mine.toml")
    bench_page.get_by_role("button", name="Write").click()
    bench_page.get_by_text("Written: copy of mine.toml").wait_for()
    bench_page.get_by_role("button", name="Close").click()
    written = (bench_folder / "copy of mine.toml").read_text()
    assert tomllib.loads(written) == tomllib.loads((bench_folder / "courtyard.toml").read_text())
    assert load_scenario(bench_folder / "copy of mine.toml").facets.width > 0
    bench_page.get_by_role("button", name="Open").click()
    bench_page.get_by_role("link", name="copy of mine.toml").click()
    bench_page.get_by_text("As copy of mine.toml has it").wait_for()


def test_what_a_file_says_is_shown_and_never_obeyed(bench_address, bench_folder, browser):
    hostile = "<img src=x onerror=alert(1)><script>alert(2)</script>"
    text = (bench_folder / "courtyard.toml").read_text()
    first = text.index("title = ")
    end = text.index("\n", first)
    text = f"{text[:first]}title = '{hostile}'{text[end:]}"
    (bench_folder / "hostile.toml").write_text(text)
    page = browser.new_page()
    obeyed = []
    page.on("dialog", lambda dialog: (obeyed.append(dialog.message), dialog.dismiss()))
    page.goto(f"{bench_address}?open=hostile.toml")
    page.get_by_text(hostile, exact=True).first.wait_for()
    for name in TABS:
        page.get_by_role("tab", name=name).click()
    page.get_by_role("tab", name=TABS[-1], selected=True).wait_for()
    assert obeyed == []
    page.close()
