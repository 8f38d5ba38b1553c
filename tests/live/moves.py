"""How soon the page's numbers follow a hand: `PYTHONPATH=. python tests/live/moves.py [SCENARIO]`.

Moves the slider of the pot's height in headless Chromium and takes the time, in the page, from the
move until the map is drawn anew, and until the boiling time is there too. Needs the extra "test"
and a Chromium.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["main"]

MOVES, DRAGS = 60, 60
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
# one move: in ms, until the map and until the whole answer have changed
MOVE = """async (to) => {
  const dial = document.querySelector("input[aria-label^=\\"Pot's base\\"]");
  const map = document.querySelector(".map"), answer = document.querySelector(".headline");
  const old = answer.innerText;
  const begun = performance.now();
  dial.value = to;
  dial.dispatchEvent(new Event("input"));
  const drawn = await new Promise((done) => {
    const look = new MutationObserver(() => { look.disconnect(); done(performance.now()); });
    look.observe(map, {childList: true, subtree: true, characterData: true});
  });
  await new Promise((done) => {
    const look = () => (answer.innerText.includes("…") || answer.innerText === old)
      && performance.now() < begun + 3000 ? setTimeout(look, 2) : done();
    look();
  });
  const said = performance.now();
  await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
  return [drawn - begun, said - begun];
}"""
# a hand that never rests: ms between two maps while it moves 50 times a second
DRAG = """async ([from, count]) => {
  const dial = document.querySelector("input[aria-label^=\\"Pot's base\\"]");
  const map = document.querySelector(".map");
  const times = [];
  const look = new MutationObserver(() => times.push(performance.now()));
  look.observe(map, {childList: true, subtree: true, characterData: true});
  for (let k = 0; k < count; k++) {
    dial.value = from + k;
    dial.dispatchEvent(new Event("input"));
    await new Promise((done) => setTimeout(done, 20));
  }
  look.disconnect();
  return times;
}"""


def main() -> None:
    """Measure, and print median and 95th percentile."""
    scenario = Path(sys.argv[1] if len(sys.argv) > 1 else "scenarios/courtyard.toml")
    from playwright.sync_api import sync_playwright

    words = ["-m", "raytrace", "bench", str(scenario), "--no-open", "--port", "0"]
    server = subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        found = re.search(r"http://[\w.:]+/", server.stdout.readline())
        assert found is not None
        with sync_playwright() as playwright:
            path = next(p for name in BROWSERS if (p := shutil.which(name)))
            browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
            page = browser.new_page()
            page.goto(found[0])
            _measure(page)
            browser.close()
    finally:
        server.terminate()
        server.wait(30)


def _measure(page: Any) -> None:
    page.get_by_text("Such cookers deliver:").wait_for(timeout=60_000)
    dial = page.get_by_role("slider", name="Pot's base over the board")
    start = int(float(dial.input_value()))
    page.evaluate(MOVE, start + 20)
    times = []
    for k in range(MOVES):
        page.wait_for_timeout(700)  # it is at rest, and busy with more light, when it is moved
        times.append(page.evaluate(MOVE, start + (40 if k % 2 else 20)))
    for name, x in zip(("map and watts", "boiling time"), np.array(times).T, strict=True):
        print(f"{name}: median {np.median(x):.0f} ms, 95 % within {np.percentile(x, 95):.0f} ms")
    page.wait_for_timeout(700)
    between = np.diff(page.evaluate(DRAG, [start, DRAGS]))
    print(f"under a hand that never rests: a new map every {np.median(between):.0f} ms")


if __name__ == "__main__":
    main()
