"""What holds for all tests: commands draw no cookers for their intervals unless a test says so."""

import os
import shutil

import pytest

os.environ.setdefault("COOKER_DRAWS", "0")

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
