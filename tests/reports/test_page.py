"""The HTML page of a result: escaped, complete without network or script, as a browser shows it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import html
from matplotlib.figure import Figure
from rich.table import Table
from rich.text import Text
from screen import printed
from typer.testing import CliRunner

import raytrace
from raytrace.cli import app
from raytrace.reports.common.cautions import CAUTIONS
from raytrace.reports.kinds import KINDS
from raytrace.reports.onepage.page import FIRST, alternative_text
from raytrace.reports.onepage.parts import html_of
from raytrace.store.results import read_result

SCENARIO = Path(__file__).parents[2] / "scenarios" / "rim-ring.toml"
TITLE = '<script>alert(1)</script> & "Ann\'s" $5 cooker</title>'
HARM = f"title={json.dumps(TITLE)}"
ASKED = {
    "trace": ("--samples", "4096", "--replicates", "4", "--bins", "16"),
    "spots": (),
    "tolerance": ("--builds", "8", "--levels", "0, 4 mrad", "--sweep-only"),
}


def cooker(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Results of some kinds, from a scenario whose title is meant to do harm, and their pages."""
    folder = tmp_path_factory.mktemp("pages")
    for kind, more in ASKED.items():
        file = folder / f"{kind}.h5"
        made = cooker(kind, SCENARIO, "--set", HARM, "-o", file, "--no-figures", "--page", *more)
        assert made.exit_code == 0, made.output
        assert f"{kind}.html" in made.stdout.replace("\n", "")
    return folder


def read(pages, kind):
    return html.document_fromstring((pages / f"{kind}.html").read_text(encoding="utf-8"))


def squeezed(text):
    """Without any white space, which a browser may set otherwise."""
    return "".join(text.split())


@pytest.mark.parametrize("kind", ASKED)
def test_the_page_has_all_that_the_terminal_prints_and_nothing_that_runs(pages, kind):
    page, found = read(pages, kind), read_result(pages / f"{kind}.h5", kind)
    assert page.findtext(".//h1") == TITLE
    assert not page.xpath("//script|//link|//iframe|//form|//*[starts-with(name(@*), 'on')]")
    links = page.xpath("//@src|//@href|//@action")
    assert all(re.match(r"data:image/|#", link) for link in links), "no network"
    assert "default-src 'none'" in page.xpath("//meta[@http-equiv]/@content")[0]
    said = squeezed(page.text_content())
    text = printed(KINDS[kind].function("tables")(found), width=400).replace("`", "")
    words = set(re.sub("[─━]", " ", text).split()) - {"!"}
    assert {word for word in words if word not in said} <= {"Details"}
    sentences = KINDS[kind].function("sentences")(found)
    assert all(squeezed(sentence.replace("`", "")) in said for sentence in sentences)
    for stated in (KINDS[kind].caution.partition(" `")[0], f"cooker {kind}", raytrace.__version__):
        assert squeezed(stated) in said
    assert all(squeezed(words) in said for _, words in CAUTIONS)
    assert page.xpath("//pre")[-1].text_content().strip() == found.scenario.text.strip()
    assert HARM in page.xpath("//code/text()")
    pictures = page.xpath("//img/@alt")
    assert len(pictures) == len(KINDS[kind].function("figures")(found))
    answer = next(iter(sentences), "")
    assert len(set(pictures)) == len(pictures)
    assert all(alt.endswith(answer) and len(alt) > len(answer) + 20 for alt in pictures)
    size = (pages / f"{kind}.html").stat().st_size
    assert size < 900_000, "to be sent by mail"


def test_a_page_is_made_again_from_the_file_alone_but_never_over_a_strangers(pages, monkeypatch):
    def never(*_, **__):
        raise AssertionError("traced")

    monkeypatch.setattr("raytrace.optics.tracing.trace", never)
    file, first = pages / "spots.h5", (pages / "spots.html").read_text()
    again = pages / "again.html"
    assert cooker("page", file, "-o", again).exit_code == 0
    assert again.read_text() == first
    assert first.startswith(FIRST)
    assert cooker("page", file, "-o", again, "--units", "us").exit_code == 0
    assert re.search(r">\s*mm\b", first)
    assert not re.search(
        r"\bmm\b", html.document_fromstring(again.read_text()).find(".//table").text_content()
    )
    stranger = pages / "mine.html"
    stranger.write_text("<html>my own page</html>")
    refused = cooker("page", file, "-o", stranger)
    assert refused.exit_code != 0
    assert "left alone" in " ".join(refused.output.split())
    assert stranger.read_text() == "<html>my own page</html>"
    assert "leave out --no-files" in cooker("trace", SCENARIO, "--page", "--no-files").output


@settings(deadline=None, max_examples=60)
@given(st.text(st.characters(exclude_categories=("C", "Z")), min_size=1))
def test_whatever_a_part_says_is_shown_as_text(words):
    """Also where it looks like HTML, or like marks of style."""
    table = Table("a head", title=Text(words))
    table.add_row(Text(words))
    for part, tags in ((Text(words), {"p", "code"}), (table, {"caption", "th", "code"})):
        shown = html.fragment_fromstring(str(html_of(part)), create_parent="div")
        here = [e for e in shown.iter() if e.tag in tags - {"code"} and e.get("scope") != "col"]
        assert {"".join(e.text_content()) for e in here} <= {
            words,
            words.replace("`", ""),
            re.sub("`([^`]+)`", r"\1", words),
            words.removeprefix("! "),
        }
        known = {"div", "p", "code", "strong", "table", "caption", "thead", "tbody", "tr", "th"}
        assert {e.tag for e in shown.iter()} <= known


def test_a_table_names_its_heads_rows_and_sides():
    table = Table("place", "", caption="below")
    table.add_column("W", justify="right")
    table.add_row("[b]A1[/b]", "x", "3.5", style="bold", end_section=True)
    shown = html.fragment_fromstring(str(html_of(table, 7)), create_parent="div")
    (box,) = shown.xpath("div")
    assert (box.get("role"), box.get("tabindex")) == ("region", "0")
    assert box.get("aria-label") == "Table 7: below"
    assert [e.text_content() for e in shown.xpath(".//th[@scope='col']")] == ["place", "W"]
    assert shown.findtext(".//th[@scope='row']/strong") == "A1"
    assert shown.xpath(".//td[@class='number']/text()") == ["3.5"]
    assert shown.find(".//tbody/tr").get("class") == "answer ends"


def test_a_figure_is_told_by_the_words_on_it_or_by_its_own():
    figure = Figure()
    axes = figure.add_subplot(title="Watts")
    axes.plot([0, 1], label="built so")
    axes.set_xlabel("time [h]")
    axes.set_ylabel("power [W]")
    axes.legend()
    assert alternative_text(figure) == "Watts: power [W] against time [h]; built so."
    figure.set_label("A line that rises.")
    assert alternative_text(figure) == "A line that rises."


def test_browsers_show_it_on_phones_and_desks_and_its_structure_can_be_heard(pages, browser):
    """No error, no request, no overflow; contrast, labels and structure by axe-core's rules."""
    from axe_playwright_python.sync_playwright import Axe

    for kind in ASKED:
        for width in (390, 1280):
            view = browser.new_page(viewport={"width": width, "height": 800})
            trouble, asked = [], []
            view.on("console", lambda message, to=trouble: to.append(message.text))
            view.on("pageerror", lambda error, to=trouble: to.append(str(error)))
            view.on("dialog", lambda dialog, to=trouble: to.append(dialog.message))
            view.on("request", lambda request, to=asked: to.append(request.url))
            view.goto((pages / f"{kind}.html").as_uri())
            view.eval_on_selector_all("details", "all => all.forEach(d => d.open = true)")
            assert trouble == []
            assert [url for url in asked if not url.startswith(("file:", "data:image/"))] == []
            assert view.title() == f"{TITLE}: cooker {kind}"
            assert view.evaluate("document.documentElement.scrollWidth") <= width
            broken = "all => all.filter(i => !i.complete || i.naturalWidth < 100).length"
            assert view.eval_on_selector_all("img", broken) == 0
            if width == 390:
                found = Axe().run(view)
                assert found.violations_count == 0, found.generate_report()
            view.close()
