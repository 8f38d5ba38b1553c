"""One server of the page for a whole session, and a page in headless Chromium for each test."""

import shutil

import pytest
from served import ROOT, ended, started


@pytest.fixture(scope="session")
def bench_folder(tmp_path_factory):
    """Folder that the served page works in: the shipped scenarios, and results as they come."""
    folder = tmp_path_factory.mktemp("bench")
    for path in (ROOT / "scenarios").iterdir():
        shutil.copy(path, folder)
    return folder


@pytest.fixture(scope="session")
def bench_server(bench_folder):
    """Address of the page that opens courtyard.toml, and what stood in the terminal before it.

    It listens to the local network, too, where there is one.
    """
    process, address, lines = started(bench_folder, "--phone")
    if "on no network" in lines:
        process, address, lines = started(bench_folder)
    assert address, lines
    yield address, lines
    code, errors = ended(process)
    assert code == 0
    assert "Traceback" not in errors, errors


@pytest.fixture(scope="session")
def bench_address(bench_server):
    """Address of the page that opens courtyard.toml; "?open=NAME" opens another."""
    return bench_server[0]


@pytest.fixture
def bench_page(bench_address, browser):
    """A new browser's page at the bench; afterwards no error on its console is let pass.

    It begins with Set, which computes least.
    """
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    trouble = []
    page.on("console", lambda message: message.type == "error" and trouble.append(message.text))
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.goto(f"{bench_address}?part=Set")
    page.get_by_role("tab", name="Set", selected=True).wait_for()
    yield page
    context.close()
    assert trouble == []
