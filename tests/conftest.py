"""What holds for all tests: commands draw no cookers for their intervals unless a test says so."""

import functools
import os
import shutil

import pytest
import typer.main
import typer.testing

os.environ.setdefault("COOKER_DRAWS", "0")

# the runner would put all commands together anew each time that a test calls one
typer.testing._get_command = functools.cache(typer.main.get_command)

BROWSERS = ("chromium", "chromium-browser", "google-chrome")


@pytest.fixture(scope="session")
def browser():
    """Headless Chromium; where there is none its tests are skipped, or fail by COOKER_BROWSER."""
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        words = "no Chromium here (Debian: apt-get install chromium), so no page was looked at"
        if os.environ.get("COOKER_BROWSER"):
            pytest.fail(words)
        pytest.skip(words)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        # a sandbox needs rights that a container's root does not have
        browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield browser
        browser.close()
