"""Sheets of the shipped scenarios, made once for all the tests that look at them."""

from __future__ import annotations

import functools
from pathlib import Path

from raytrace.scenario.loading import load_scenario
from raytrace.studies.bench.sheet import sheet

__all__ = ["made_sheet"]

SCENARIOS = Path(__file__).parents[1] / "scenarios"


@functools.cache
def made_sheet(name):
    """A scenario by its name, and its sheet."""
    read = load_scenario(SCENARIOS / f"{name}.toml")
    return read, sheet(read)
