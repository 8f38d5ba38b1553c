"""One server of the page for a whole session, and a page in headless Chromium for each test."""

import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PATIENCE = 60  # for its start, and for its end [s]


def started(folder, *options):
    """`cooker bench` in a folder with the shipped scenarios; its process and first line."""
    # the page library behaves otherwise where it sees a test
    env = {k: v for k, v in os.environ.items() if k != "PYTEST_CURRENT_TEST"}
    env["PYTHONPATH"] = str(ROOT)
    command = ["-m", "raytrace", "bench", "courtyard.toml", "--no-open", "--port", "0", *options]
    process = subprocess.Popen(
        [sys.executable, *command],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=folder,
        env=env,
    )
    line = process.stdout.readline()
    found = re.search(r"http://[\w.:]+/", line)
    if found is None:
        process.kill()
        pytest.fail(line + process.communicate(timeout=PATIENCE)[1])
    return process, found[0]


def ended(process):
    """Stop it as Ctrl-C does; its exit code and what it printed to the error stream."""
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=PATIENCE)
    return process.returncode, errors


@pytest.fixture(scope="session")
def bench_folder(tmp_path_factory):
    """Folder that the served page works in: the shipped scenarios, and results as they come."""
    folder = tmp_path_factory.mktemp("bench")
    for path in (ROOT / "scenarios").iterdir():
        shutil.copy(path, folder)
    return folder


@pytest.fixture(scope="session")
def bench_address(bench_folder):
    """Address of the page that opens courtyard.toml; "?open=NAME" opens another."""
    process, address = started(bench_folder)
    yield address
    code, errors = ended(process)
    assert code == 0
    assert "Traceback" not in errors, errors


@pytest.fixture
def bench_page(bench_address, browser):
    """A new browser's page at the bench; afterwards no error on its console is let pass."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    trouble = []
    page.on("console", lambda message: message.type == "error" and trouble.append(message.text))
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.goto(bench_address)
    page.get_by_role("tab", name="Design").wait_for()
    yield page
    context.close()
    assert trouble == []
