"""`cooker bench` as a process of its own, as its users start it."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
PATIENCE = 60  # for its end [s]


def started(folder, *options):
    """`cooker bench` in a folder with the shipped scenarios: its process, its address for this
    machine, and what it printed up to that."""
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
    lines = ""
    while line := process.stdout.readline():
        lines += line
        if found := re.search(r"The page is at (http://[\w.:]+/)", line):
            return process, found[1], lines
    return process, "", lines + process.communicate(timeout=PATIENCE)[1]


def ended(process):
    """Stop it as Ctrl-C does; its exit code and what it printed to the error stream."""
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=PATIENCE)
    return process.returncode, errors
