"""What the page remembers over a closed tab, a lost connection and a restart: one small file."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from raytrace.exceptions import StoreError
from raytrace.files import write_whole
from raytrace.texts import read_text

__all__ = ["Memory"]

MOST = 12  # browsers remembered; who has been away longest goes first
LARGEST = 200_000  # bytes of the file
KIND = "cooker bench"


class Memory:
    """For each browser that came, what it left a scenario with.

    It is no result and nothing is lost without it: a file that is damaged, or that can't be
    written, is left aside.

    Parameters
    ----------
    path : path
        A JSON file; need not be there.
    """

    def __init__(self, path: Path):
        self.path = path
        self._lock = threading.Lock()
        self._there = self._read()
        self._own: dict[str, dict[str, Any]] = {}  # kept since
        self._written = True

    def _read(self) -> dict[str, dict[str, Any]]:
        try:
            held = json.loads(read_text(self.path, LARGEST))
            left = held["browsers"] if held["kind"] == KIND else {}
            return {str(k): v for k, v in left.items() if isinstance(v, dict)}
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return {}

    def of(self, browser: str) -> dict[str, Any]:
        """What a browser left here.

        Parameters
        ----------
        browser : str

        Returns
        -------
        dict
            Empty if it has not been here.
        """
        with self._lock:
            return dict(self._own.get(browser) or self._there.get(browser, {}))

    def keep(self, browser: str, state: Mapping[str, Any]) -> None:
        """Take note of what a browser has now; `write` puts it on the disk.

        Parameters
        ----------
        browser : str
        state : mapping
            Of plain values.
        """
        with self._lock:
            self._own[browser] = {**state, "time": time.time()}
            self._written = False

    def write(self) -> None:
        """Write all that is not yet on the disk, whole or not at all."""
        with self._lock:
            if self._written:
                return
            left = {**self._read(), **self._own}  # another server may have written, too
            latest = sorted(left, key=lambda browser: -_time(left[browser]))[:MOST]
            text = json.dumps({"kind": KIND, "browsers": {b: left[b] for b in latest}}, indent=1)
            self._written = True
        if len(text) > LARGEST or self._is_strange():
            return
        try:
            write_whole(self.path, text + "\n")
        except StoreError:
            return

    def _is_strange(self) -> bool:
        """Whether another's file has this name."""
        try:
            with self.path.open("rb") as file:
                start = file.read(100)
        except OSError:
            return False
        return bool(start) and KIND.encode() not in start


def _time(state: Mapping[str, Any]) -> float:
    time = state.get("time")
    return time if isinstance(time, float) else 0.0
