"""How long whole commands take on this machine, and how much memory they need.

Each runs as a user runs it, in a process of its own, its files in a folder that is thrown away.
"First" runs have an empty folder for compiled code, all others find it filled.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

__all__ = ["COMMANDS", "time_commands"]

SCENARIOS = Path(__file__).parents[2] / "scenarios"

COURTYARD, LARGE = (str(SCENARIOS / f"{name}.toml") for name in ("courtyard", "terrace"))
# up to 300 facets; all of these can be built
VARIED = [
    *("--vary", "facets.rows=4..15", "--vary", "facets.columns=8..20"),
    *("--vary", "design.sun_altitude=35..60 deg", "--vary", "pot.diameter=20..35 cm"),
]

COMMANDS: dict[str, list[str]] = {
    "trace, first run": ["trace", COURTYARD],
    "trace": ["trace", COURTYARD],
    "trace, no figures": ["trace", COURTYARD, "--no-figures"],
    "tolerance": ["tolerance", COURTYARD, "--no-figures"],
    # compiles what the year needs besides
    "season, first run": ["season", COURTYARD, "--every", "60", "--no-files"],
    "season: a clear-sky year, 12 starts a day": [
        *("season", COURTYARD, "--starts", "6..17", "--no-files")
    ],
    "day": ["day", COURTYARD, "2026-03-20", "--start", "10:00", "--no-files"],
    "compare: 1 000 designs of 32 to 300 facets": [
        *("compare", LARGE, "--sample", "1000", "--no-files", *VARIED)
    ],
    "compare: 300 such designs over a year": [
        *("compare", LARGE, "--sample", "300", "--no-files", "--by", "season energy", *VARIED)
    ],
}

# peak memory of the command's own process, as the system counts it
_RUN = """
import json, resource, subprocess, sys, time
start = time.perf_counter()
code = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
seconds = time.perf_counter() - start
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(json.dumps({"seconds": seconds, "peak": peak, "code": code.returncode,
                  "error": code.stderr.decode()[-400:]}))
"""


def time_commands(commands: Mapping[str, list[str]] = COMMANDS) -> list[dict[str, Any]]:
    """Run commands one after the other.

    Parameters
    ----------
    commands : mapping of str to list of str
        Arguments of `cooker` by name.

    Returns
    -------
    list of dict
        `name`, `seconds`, `memory_MB` of each.

    Raises
    ------
    RuntimeError
        If a command fails, with the end of what it said.
    """
    kilo = 1024.0 if sys.platform == "darwin" else 1.0
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for name, arguments in commands.items():
            cache = Path(folder) / "compiled"
            done = subprocess.run(
                [sys.executable, "-c", _RUN, sys.executable, "-m", "raytrace.cli", *arguments],
                cwd=folder,
                env={**os.environ, "NUMBA_CACHE_DIR": str(cache)},
                capture_output=True,
                text=True,
                check=True,
            )
            got = json.loads(done.stdout)
            if got["code"] != 0:
                raise RuntimeError(f"cooker {' '.join(arguments)}: {got['error']}")
            rows.append(
                {
                    "name": name,
                    "seconds": got["seconds"],
                    "memory_MB": got["peak"] / 1024.0 / kilo,
                }
            )
    return rows
